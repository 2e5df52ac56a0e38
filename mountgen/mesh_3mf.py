"""Triangles out of 3MF archives: the build's objects, placed, in the unit the file states.

The two long lists of a mesh, vertices and triangles, are cut out of the XML and read by a compiled loop; what
is left is a few kilobytes and goes to the standard parser. Nothing is unpacked before the archive's own sizes
have been held against a limit.

References:
    3MF Consortium, Core Specification 1.3 (objects, components, build, units) and Production Extension 1.1
    (path).
"""

from __future__ import annotations

import re
import zipfile
import zlib
from io import BytesIO
from xml.etree import ElementTree

import numpy as np
from numpy.typing import NDArray

from mountgen import mesh_text
from mountgen.arrays import Floats
from mountgen.errors import ScanError

ARCHIVE_LIMIT = 4_000_000_000  # bytes a 3MF may unpack to
PACKS_BY = 100  # times that XML of a mesh may pack; a flat grid of whole numbers packs 7 to 12 times, and a scan less
PACKED_ANYHOW = 50_000_000  # bytes; what unpacks to less may pack as well as it likes
SKELETON_LIMIT = 50_000_000  # bytes of XML without the lists of the meshes
FACE_LIMIT = 50_000_000  # triangles, with every object counted as often as it is placed
DEEPEST = 16  # components inside components
UNITS = {
    "millimeter": "mm",
    "centimeter": "cm",
    "meter": "m",
    "inch": "inch",
    "foot": "foot",
    "micron": "micron",
}
_AGAIN = "copy or export the scan again; the file did not arrive whole"
_LIST = re.compile(rb"<((?:\w+:)?(vertices|triangles))(?:\s[^<>]*)?(?<!/)>")
_ZIP_ERRORS = (
    zipfile.BadZipFile,
    zlib.error,
    NotImplementedError,
    RuntimeError,
    EOFError,
    ValueError,
    OSError,
)
_Part = tuple[Floats, NDArray[np.int64]]


class _Broken(Exception):
    """What is wrong with the archive; turned into a ScanError in one place."""


def read_3mf(data: bytes, where: str) -> tuple[Floats, NDArray[np.int64], str]:
    """Read the meshes of a 3MF archive.

    Args:
        data: the file's bytes.
        where: what to call the file in messages.

    Returns:
        (V, 3) float64 and (F, 3) int64, unchecked, all placed objects together; the unit the file states (a
        value of `UNITS`).

    Raises:
        ScanError: not an archive with a model, broken, or larger than the limits when unpacked.
    """
    try:
        with zipfile.ZipFile(BytesIO(data)) as archive:
            _check_archive(archive, len(data), where)
            build = _Build(archive)
            for item in build.root.iterfind("{*}build/{*}item"):
                build.place(build.name, item, np.eye(4), 0)
    except (_Broken, ElementTree.ParseError, *_ZIP_ERRORS) as error:
        raise ScanError(f"the 3MF file is broken: {error}", where, _AGAIN) from error
    shift = np.cumsum([0, *(len(vertices) for vertices, _ in build.parts)])
    vertices = np.concatenate([np.empty((0, 3)), *(v for v, _ in build.parts)])
    moved = [faces + s for (_, faces), s in zip(build.parts, shift[:-1], strict=True)]
    faces = np.concatenate([np.empty((0, 3), np.int64), *moved])
    return vertices, faces, UNITS.get(build.root.get("unit", "millimeter"), "mm")


def _check_archive(archive: zipfile.ZipFile, packed: int, where: str) -> None:
    entries = archive.infolist()
    size = sum(entry.file_size for entry in entries)
    if size > ARCHIVE_LIMIT:
        raise ScanError(
            f"the 3MF file would unpack from {packed / 1e6:.1f} MB to {size / 1e9:.3g} GB; "
            f"the limit is {ARCHIVE_LIMIT / 1e9:.0f} GB",
            where,
            "export the scan again, as binary STL or PLY if it is really that large",
        )
    if size > max(PACKED_ANYHOW, PACKS_BY * packed):
        raise ScanError(
            f"the 3MF file would unpack from {packed / 1e6:.1f} MB to {size / 1e9:.3g} GB, {size / packed:.0f} times as much, "
            f"and the triangles of a scan pack less than {PACKS_BY} times",
            where,
            "export the scan again",
        )
    if not any(entry.filename.lower().endswith(".model") for entry in entries):
        raise ScanError(
            "the file is a zip archive without a 3MF model", where, "unpack it and give the mesh file inside"
        )


class _Build:
    """The model parts of an archive, read when asked for, and the meshes placed so far."""

    def __init__(self, archive: zipfile.ZipFile) -> None:
        self.archive = archive
        self.models: dict[str, tuple[ElementTree.Element, dict[str, _Part]]] = {}
        self.parts: list[_Part] = []
        self.faces = 0
        self.name = self._find_start()
        self.root = self._model(self.name)[0]

    def _find_start(self) -> str:
        names = [name for name in self.archive.namelist() if name.lower().endswith(".model")]
        if "_rels/.rels" in self.archive.namelist():
            for link in _parse(self._read("_rels/.rels")).iterfind("{*}Relationship"):
                if link.get("Type", "").endswith("/3dmodel"):
                    return link.get("Target", "").lstrip("/")
        return names[0]

    def _read(self, name: str) -> bytes:
        try:
            # stops at the size in the archive's list, and holds the checksum against it
            return self.archive.read(name)
        except KeyError:
            raise _Broken(f'the part "{name}" is missing') from None

    def _model(self, name: str) -> tuple[ElementTree.Element, dict[str, _Part]]:
        if name not in self.models:
            skeleton, lists = _split_lists(self._read(name))
            root = _parse(skeleton)
            found = iter(lists)
            meshes: dict[str, _Part] = {}
            for thing in root.iterfind("{*}resources/{*}object"):
                mesh = thing.find("{*}mesh")
                if mesh is None:
                    continue
                vertices, faces = np.empty((0, 3)), np.empty((0, 3))
                for part in mesh:
                    if part.tag.endswith("}vertices") and part.get("listed"):
                        vertices = next(found)
                    elif part.tag.endswith("}triangles") and part.get("listed"):
                        faces = next(found)
                meshes[thing.get("id", "")] = vertices, np.nan_to_num(faces, nan=-1.0).astype(np.int64)
            self.models[name] = root, meshes
        return self.models[name]

    def place(self, model: str, item: ElementTree.Element, outer: Floats, depth: int) -> None:
        """Add the object that a build item or a component refers to."""
        if depth > DEEPEST:
            raise _Broken(f"objects are nested more than {DEEPEST} deep")
        for key, value in item.attrib.items():
            if key.endswith("}path"):
                model = value.lstrip("/")
        matrix = outer @ _matrix(item.get("transform", ""))
        root, meshes = self._model(model)
        wanted = item.get("objectid", "")
        if wanted in meshes:
            vertices, faces = meshes[wanted]
            self.faces += len(faces)
            if self.faces > FACE_LIMIT:
                raise _Broken(f"its build has more than {FACE_LIMIT} triangles")
            self.parts.append((vertices @ matrix[:3, :3].T + matrix[:3, 3], faces))
            return
        for thing in root.iterfind("{*}resources/{*}object"):
            if thing.get("id") == wanted:
                for component in thing.iterfind("{*}components/{*}component"):
                    self.place(model, component, matrix, depth + 1)


def _matrix(text: str) -> Floats:
    """(4, 4) from the twelve numbers of a transform: images of x, y and z, then the shift."""
    matrix = np.eye(4)
    if text:
        numbers = [float(word) for word in text.split()]
        if len(numbers) != 12:
            raise _Broken(f"a transform has {len(numbers)} numbers, not 12")
        matrix[:3] = np.array(numbers).reshape(4, 3).T
    return matrix


def _split_lists(text: bytes) -> tuple[bytes, list[Floats]]:
    """The XML without the content of its lists, these marked by an attribute, and the lists' numbers, (N, 3)
    each.
    """
    data = np.frombuffer(text, np.uint8)
    kept: list[bytes] = []
    lists: list[Floats] = []
    at = 0
    while match := _LIST.search(text, at):
        end = text.find(b"</" + match[1], match.end())
        if end < 0:
            raise _Broken(f'the list "{match[1].decode()}" has no end')
        letter, word = (b"x", b"vertex") if match[2] == b"vertices" else (b"v", b"triangle")
        numbers, fine = mesh_text.read_tags(
            data, match.end(), end, word, letter, text.count(word, match.end(), end)
        )
        if not fine:
            raise _Broken(f"a {word.decode()} does not have three numbers")
        lists.append(numbers)
        kept += [text[at : match.end() - 1], b' listed="1">']
        at = end
    kept.append(text[at:])
    return b"".join(kept), lists


def _parse(text: bytes) -> ElementTree.Element:
    if len(text) > SKELETON_LIMIT:
        raise _Broken(f"its XML has {len(text) / 1e6:.0f} MB beside the meshes")
    if b"<!DOCTYPE" in text or b"<!ENTITY" in text:
        raise _Broken("it declares entities of its own, which the format does not allow")
    return ElementTree.fromstring(text)
