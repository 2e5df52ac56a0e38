"""Triangles out of STL, PLY, OBJ and 3MF files, told apart by content; what a file lacks is said, never
guessed.

Binary files are read with numpy record types, text by compiled loops (`mesh_text.py`), 3MF out of its
archive (`mesh_3mf.py`). All sizes a header announces are held against the size of the file before anything is allocated.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mountgen import mesh_text
from mountgen.arrays import Floats
from mountgen.errors import ScanError
from mountgen.mend import Mend
from mountgen.mesh_3mf import read_3mf
from mountgen.ply import read_ply

FILE_LIMIT = 6_000_000_000  # bytes; some 100 million triangles of binary STL, more than a recess can use
_PEEK = 65_536  # bytes looked at to tell formats apart
_FACET = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
_SUFFIXES = {".stl": "STL", ".ply": "PLY", ".obj": "OBJ", ".3mf": "3MF"}
_ACCEPTED = "save the scan as a triangle mesh in STL, PLY, OBJ or 3MF"
_AGAIN = "copy or export the scan again; the file did not arrive whole"
_OBJ_LINE = re.compile(rb"(?m)^[ \t]*(v[ \t]+[-+.\d]|f[ \t]+-?\d)")


@dataclass(frozen=True, eq=False)
class RawMesh:
    """Triangles as they stand in a file, in its own unit and not yet checked.

    vertices : (V, 3) float64; may hold NaN.   faces : (F, 3) integers; may point outside the vertices.
    kind     : e.g. "binary STL".              unit  : the unit the file itself states, "" where its format
        has none.
    mended   : what had to be overlooked to read it.
    """

    vertices: Floats
    faces: NDArray[np.signedinteger[Any]]
    kind: str
    unit: str = ""
    mended: tuple[Mend, ...] = ()


def check_file(path: Path) -> None:
    """Make sure that a scan file can be read to its end: a pipe, for one, would be waited for without end.

    Args:
        path: the file.

    Raises:
        ScanError: missing, a folder or device, empty or larger than `FILE_LIMIT`.
    """
    where = f"scan file {path}"
    if path.is_dir():
        raise ScanError("the scan is a folder, not a file", where, "give the mesh file inside the folder")
    if not path.exists():
        raise ScanError(
            "there is no such scan file" + (", the link leads to none" if path.is_symlink() else ""),
            where,
            "check the path; a recipe's path counts from the recipe's folder",
        )
    if not path.is_file():
        raise ScanError("the scan is not an ordinary file", where, "copy the scan into a file first")
    size = path.stat().st_size
    if size == 0:
        raise ScanError("the scan file is empty (0 bytes)", where, _AGAIN)
    if size > FILE_LIMIT:
        raise ScanError(
            f"the scan file has {size / 1e9:.1f} GB, the limit is {FILE_LIMIT / 1e9:.0f} GB",
            where,
            "thin the scan in the scanner's own program; a point every 0.3 mm is plenty",
        )


def load_bytes(path: Path) -> bytes:
    """Return the bytes of a scan file.

    Args:
        path: the file.

    Returns:
        Its content.

    Raises:
        ScanError: as of `check_file`, or unreadable.
    """
    check_file(path)
    try:
        return path.read_bytes()
    except OSError as error:
        reason = error.strerror or str(error)
        raise ScanError(
            f"the scan file cannot be read: {reason}", f"scan file {path}", "check the file's permissions"
        ) from error


def read_mesh(data: bytes, path: Path) -> RawMesh:
    """Read the triangles of a scan file.

    Args:
        data: the file's bytes.
        path: where they came from, for its suffix and for messages.

    Returns:
        RawMesh with at least one face.

    Raises:
        ScanError: unknown content, cut off, a wrong triangle count, a malformed number, points without faces.
    """
    where = f"scan file {path}"
    suffix = _SUFFIXES.get(path.suffix.lower(), "")
    kind = _tell_kind(data, suffix)
    if kind == "binary STL":
        mesh = _read_binary_stl(data, where)
    elif kind == "ASCII STL":
        mesh = _read_ascii_stl(data, where)
    elif kind == "OBJ":
        mesh = _read_obj(data, where)
    elif kind == "3MF":
        placed, corners, unit = read_3mf(data, where)
        mesh = RawMesh(placed, corners, "3MF", unit)
    elif kind == "PLY":
        vertices, faces, variant, left = read_ply(data, where)
        mesh = RawMesh(vertices, faces, variant, "", _note_trailing(left))
    else:
        hint = f" although its name ends in {path.suffix}" if path.suffix else ""
        raise ScanError(f"the content is not a mesh{hint}", where, _ACCEPTED)
    if not len(mesh.faces):
        count = len(mesh.vertices)
        what = (
            f"the file holds {count} points and no faces: a point cloud"
            if count
            else "the file holds no triangles"
        )
        raise ScanError(
            what,
            where,
            "export the scan as a triangle mesh (in the scanner's program: mesh, fuse or triangulate)",
        )
    if suffix != kind.split()[-1]:
        note = f"the name ends in {path.suffix or 'nothing'}, the content is {mesh.kind} and was read as such"
        mesh = RawMesh(
            mesh.vertices, mesh.faces, mesh.kind, mesh.unit, (*mesh.mended, Mend("wrong suffix", 1, note))
        )
    return mesh


def _tell_kind(data: bytes, suffix: str) -> str:
    """Name the format by the content; the suffix only decides what to call something that is broken."""
    head = data[:_PEEK]
    start = head.lstrip(b"\xef\xbb\xbf \t\r\n")
    if re.match(rb"ply\s", start):
        return "PLY"
    if head.startswith(b"PK\x03\x04"):
        return "3MF"
    if len(data) >= 84 and len(data) == 84 + 50 * _announced(data) and _announced(data):
        return "binary STL"
    text = b"\0" not in head
    if text and start[:5].lower() == b"solid" and (b"facet" in head.lower() or b"endsolid" in head.lower()):
        return "ASCII STL"
    if text and _OBJ_LINE.search(head):
        return "OBJ"
    if suffix == "STL":
        return "ASCII STL" if text and start[:5].lower() == b"solid" else "binary STL"
    return ""


def _announced(data: bytes) -> int:
    return int.from_bytes(data[80:84], "little")


def _note_trailing(left: int) -> tuple[Mend, ...]:
    return (
        (Mend("trailing bytes", left, f"{left} bytes after the last face were passed over"),) if left else ()
    )


def _read_binary_stl(data: bytes, where: str) -> RawMesh:
    if len(data) < 84:
        raise ScanError(f"{len(data)} bytes are too few for an STL: the header alone takes 84", where, _AGAIN)
    count = _announced(data)
    room, left = divmod(len(data) - 84, 50)
    if count > room:
        if count > 100 * (room + 1):  # no half-copied file is that far off
            raise ScanError(
                "the content is not an STL: where the number of triangles belongs it says "
                f"{count}, there is room for {room}",
                where,
                _ACCEPTED,
            )
        raise ScanError(f"the file is cut off: {room} of {count} triangles are there", where, _AGAIN)
    if count < room:
        raise ScanError(
            f"wrong triangle count: the header says {count}, the file has room for {room}",
            where,
            "export the scan again; the program that wrote it did not finish",
        )
    corners = np.frombuffer(data, _FACET, count, 84)["corners"].astype(np.float64).reshape(-1, 3)
    return RawMesh(corners, _soup(count), "binary STL", "", _note_trailing(left))


def _soup(count: int) -> NDArray[np.int32]:
    return np.arange(3 * count, dtype=np.int32).reshape(-1, 3)


def _read_ascii_stl(data: bytes, where: str) -> RawMesh:
    most = data.count(b"vertex")
    if not most:
        most = len(re.findall(rb"(?i)vertex", data))
    corners, code, at = mesh_text.read_stl_text(np.frombuffer(data, np.uint8), most)
    _check_text(code, at, data, where, "a facet does not have three corners")
    return RawMesh(corners, _soup(len(corners) // 3), "ASCII STL")


def _read_obj(data: bytes, where: str) -> RawMesh:
    vertices, faces, code, at = mesh_text.read_obj_text(np.frombuffer(data, np.uint8))
    _check_text(code, at, data, where, "a face has fewer than three corners")
    return RawMesh(vertices, faces, "OBJ")


def _check_text(code: int, at: int, data: bytes, where: str, shape: str) -> None:
    """Turn an error code of `mesh_text` into an error that names the line."""
    if code == mesh_text.FINE:
        return
    if code == mesh_text.CUT_OFF:
        raise ScanError("the file is cut off: it ends inside the mesh", where, _AGAIN)
    line = data.count(b"\n", 0, at) + 1
    if code == mesh_text.NOT_A_NUMBER:
        word = data[at : at + 24].split(maxsplit=1)
        found = word[0].decode("utf-8", "replace") if word else ""
        raise ScanError(
            f'"{found}" is not a number',
            f"{where}, line {line}",
            "export the scan again, with a decimal point",
        )
    raise ScanError(shape, f"{where}, line {line}", "export the scan again as a triangle mesh")
