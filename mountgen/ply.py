"""Triangles out of PLY files, binary of either byte order and text, with whatever other elements and
properties they carry.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mountgen import mesh_text
from mountgen.arrays import Floats
from mountgen.errors import ScanError

_AGAIN = "copy or export the scan again; the file did not arrive whole"
_EXPORT = "export the scan again as a triangle mesh in binary PLY or STL"
_HEADER_LIMIT = 1_000_000  # bytes
_TYPES = {  # names of the format's two generations, and numpy's
    "char": "i1",
    "uchar": "u1",
    "short": "i2",
    "ushort": "u2",
    "int": "i4",
    "uint": "u4",
    "float": "f4",
    "double": "f8",
    "int8": "i1",
    "uint8": "u1",
    "int16": "i2",
    "uint16": "u2",
    "int32": "i4",
    "uint32": "u4",
    "float32": "f4",
    "float64": "f8",
}
_FORMATS = {"binary_little_endian": "<", "binary_big_endian": ">", "ascii": ""}
_FACE_LISTS = ("vertex_indices", "vertex_index")


@dataclass(frozen=True)
class _Property:
    name: str
    item: str  # numpy type code without byte order
    count: str = ""  # type code of the length, "" for a single value


@dataclass(frozen=True)
class _Element:
    name: str
    rows: int
    properties: tuple[_Property, ...]

    @property
    def plain(self) -> bool:
        return not any(p.count for p in self.properties)

    def row_type(self, order: str, length: int = 0) -> np.dtype[Any]:
        """Record type of one row if each list had `length` items."""
        fields: list[Any] = []
        for number, p in enumerate(self.properties):
            if p.count:
                fields.append((f"count{number}", order + p.count))
                fields.append((f"list{number}", order + p.item, (length,)))
            else:
                fields.append((f"value{number}", order + p.item))
        return np.dtype(fields)


def read_ply(data: bytes, where: str) -> tuple[Floats, NDArray[np.signedinteger[Any]], str, int]:
    """Read vertices and triangles of a PLY file.

    Args:
        data: the file's bytes.
        where: what to call the file in messages.

    Returns:
        (V, 3) float64; (F, 3) integers, unchecked, polygons cut into fans; the variant, e.g. "binary PLY";
        number of bytes left over.

    Raises:
        ScanError: the header makes no sense, the body is cut off, a number is malformed, or there are no
            coordinates.
    """
    order, elements, begin = _read_header(data, where)
    raw = np.frombuffer(data, np.uint8)
    if order:
        vertices, faces, end = _read_binary(data, raw, begin, order, elements, where)
        return vertices, faces, "binary PLY", len(data) - end
    values, code, at = mesh_text.read_numbers(raw, begin)
    if code != mesh_text.FINE:
        found = data[at : at + 24].split(maxsplit=1)[0].decode("utf-8", "replace")
        line = data.count(b"\n", 0, at) + 1
        raise ScanError(
            f'"{found}" is not a number',
            f"{where}, line {line}",
            "export the scan again, with a decimal point",
        )
    vertices, faces = _read_text(values, elements, where)
    return vertices, faces, "ASCII PLY", 0


def _read_header(data: bytes, where: str) -> tuple[str, list[_Element], int]:
    stop = data.find(b"end_header", 0, _HEADER_LIMIT)
    if stop < 0:
        raise ScanError("the PLY header has no end", where, _AGAIN)
    begin = stop + len(b"end_header")
    while begin < len(data) and data[begin : begin + 1] in b" \t":
        begin += 1
    begin += 2 if data[begin : begin + 2] == b"\r\n" else 1
    order: str | None = None
    elements: list[_Element] = []
    for number, line in enumerate(data[:stop].decode("latin-1").splitlines(), start=1):
        words = line.split()
        try:
            if words[:1] == ["format"]:
                order = _FORMATS[words[1]]
            elif words[:1] == ["element"]:
                elements.append(_Element(words[1], int(words[2]), ()))
                if elements[-1].rows < 0:
                    raise ValueError(words[2])
                if elements[-1].rows > len(data):  # a row takes a byte at least
                    raise _cut_off(elements[-1], where)
            elif words[:1] == ["property"]:
                if words[1] == "list":
                    added = _Property(words[4], _TYPES[words[3]], _TYPES[words[2]])
                else:
                    added = _Property(words[2], _TYPES[words[1]])
                last = elements[-1]
                elements[-1] = _Element(last.name, last.rows, (*last.properties, added))
        except (KeyError, IndexError, ValueError) as error:
            raise ScanError(
                f'the PLY header makes no sense: "{line.strip()}"', f"{where}, line {number}", _EXPORT
            ) from error
    if order is None:
        raise ScanError("the PLY header does not say its format (ascii or binary)", where, _EXPORT)
    if not any(e.name == "vertex" for e in elements):
        raise ScanError("the PLY header lists no vertices", where, _EXPORT)
    return order, elements, begin


def _find_axes(element: _Element, where: str) -> list[int]:
    names = [p.name for p in element.properties]
    if not {"x", "y", "z"} <= set(names):
        raise ScanError("the vertices of the PLY have no x, y and z", where, _EXPORT)
    return [names.index(axis) for axis in "xyz"]


def _find_corners(element: _Element, where: str) -> int:
    """Number of the property that lists the corners of a face."""
    for number, p in enumerate(element.properties):
        if p.count and p.name in _FACE_LISTS and p.item[0] != "f" and p.count[0] != "f":
            return number
    raise ScanError("the faces of the PLY do not list their vertices as whole numbers", where, _EXPORT)


def _cut_off(element: _Element, where: str) -> ScanError:
    return ScanError(
        f'the file is cut off: the {element.rows} rows of "{element.name}" are not all there', where, _AGAIN
    )


def _read_binary(
    data: bytes, raw: NDArray[np.uint8], at: int, order: str, elements: list[_Element], where: str
) -> tuple[Floats, NDArray[np.signedinteger[Any]], int]:
    vertices: Floats = np.empty((0, 3))
    faces: NDArray[np.signedinteger[Any]] = np.empty((0, 3), np.int32)
    for element in elements:
        if not element.rows or not element.properties:
            continue
        wanted = _find_corners(element, where) if element.name == "face" else -1
        if element.plain:
            row = element.row_type(order)
            if element.rows > (len(data) - at) // row.itemsize:
                raise _cut_off(element, where)
            if element.name == "vertex":
                rows = np.frombuffer(data, row, element.rows, at)
                vertices = np.empty((element.rows, 3))
                for axis, number in enumerate(_find_axes(element, where)):
                    vertices[:, axis] = rows[f"value{number}"]
            at += element.rows * row.itemsize
            continue
        if element.name == "vertex":
            raise ScanError("the vertices of the PLY carry lists", where, _EXPORT)
        even = _read_even_faces(data, at, order, element, wanted) if wanted >= 0 else None
        if even is not None:
            faces, at = even
            continue
        sizes = np.array([[_width(p.count), _width(p.item)] for p in element.properties], np.int64)
        found, end = mesh_text.read_byte_lists(raw, at, element.rows, sizes, wanted, order == "<")
        if end < 0:
            raise _cut_off(element, where)
        faces, at = (found if wanted >= 0 else faces), end
    return vertices, faces, at


def _width(code: str) -> int:
    """Bytes of a type code; negative for signed ones, 0 for none."""
    return (-1 if code[0] == "i" else 1) * int(code[1]) if code else 0


def _read_even_faces(
    data: bytes, at: int, order: str, element: _Element, wanted: int
) -> tuple[NDArray[np.signedinteger[Any]], int] | None:
    """Faces that are all triangles, with no other list beside them: one record type does. None where they are
    not.
    """
    if sum(bool(p.count) for p in element.properties) != 1:
        return None
    row = element.row_type(order, 3)
    if element.rows > (len(data) - at) // row.itemsize:
        return None
    rows = np.frombuffer(data, row, element.rows, at)
    if not (rows[f"count{wanted}"] == 3).all():
        return None
    wide = element.properties[wanted].item in ("u4", "i8", "u8")
    return rows[f"list{wanted}"].astype(np.int64 if wide else np.int32), at + element.rows * row.itemsize


def _read_text(values: Floats, elements: list[_Element], where: str) -> tuple[Floats, NDArray[np.int64]]:
    vertices: Floats = np.empty((0, 3))
    faces = np.empty((0, 3), np.int64)
    at = 0
    for element in elements:
        if not element.rows or not element.properties:
            continue
        width = len(element.properties)
        if element.plain:
            if element.rows > (len(values) - at) // width:
                raise _cut_off(element, where)
            if element.name == "vertex":
                table = values[at : at + element.rows * width].reshape(-1, width)
                vertices = np.ascontiguousarray(table[:, _find_axes(element, where)])
            at += element.rows * width
            continue
        if element.name == "vertex":
            raise ScanError("the vertices of the PLY carry lists", where, _EXPORT)
        wanted = _find_corners(element, where) if element.name == "face" else -1
        lists = np.array([bool(p.count) for p in element.properties])
        found, at = mesh_text.read_number_lists(values, at, element.rows, lists, wanted)
        if at < 0:
            raise _cut_off(element, where)
        faces = found if wanted >= 0 else faces
    return vertices, faces
