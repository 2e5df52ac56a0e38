"""Triangles out of STL, PLY, OBJ and 3MF files, told apart by content; what a file lacks is said, never
guessed.

Binary files are read with numpy record types, text by compiled loops (`mesh_text.py`), 3MF by lib3mf or else
trimesh. All sizes a header announces are held against the size of the file before anything is allocated.
"""

from __future__ import annotations

import re
import zipfile
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mountgen import mesh_text
from mountgen.arrays import Floats
from mountgen.errors import ScanError
from mountgen.mend import Mend
from mountgen.ply import read_ply

FILE_LIMIT = 6_000_000_000  # bytes; some 100 million triangles of binary STL, more than a recess can use
ARCHIVE_LIMIT = 4_000_000_000  # bytes a 3MF may unpack to
DEFLATE_MOST = 1032  # largest ratio of the deflate format (RFC 1951: 258 bytes from 2 bits)
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


def load_bytes(path: Path) -> bytes:
    """Return the bytes of a scan file.

    Args:
        path: the file.

    Returns:
        Its content.

    Raises:
        ScanError: missing, a folder or device, empty, unreadable or larger than `FILE_LIMIT`.
    """
    where = f"scan file {path}"
    if path.is_dir():
        raise ScanError("the scan is a folder, not a file", where, "give the mesh file inside the folder")
    if not path.exists():
        raise ScanError(
            "there is no such scan file",
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
    try:
        return path.read_bytes()
    except OSError as error:
        reason = error.strerror or str(error)
        raise ScanError(
            f"the scan file cannot be read: {reason}", where, "check the file's permissions"
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
        mesh = _read_3mf(data, where)
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
        note = f"the name ends in {path.suffix or 'nothing'}, the content is {kind} and was read as such"
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


def _read_3mf(data: bytes, where: str) -> RawMesh:
    _check_archive(data, where)
    try:
        import lib3mf
    except ImportError:
        return _read_3mf_plain(data, where)
    try:
        wrapper = lib3mf.get_wrapper()
        model = wrapper.CreateModel()
        model.QueryReader("3mf").ReadFromBuffer(data)
        parts: list[tuple[Floats, NDArray[np.int32]]] = []
        items = model.GetBuildItems()
        while items.MoveNext():
            item = items.GetCurrent()
            matrix = _matrix(item.GetObjectTransform()) if item.HasObjectTransform() else np.eye(4)
            _collect_3mf(model, item.GetObjectResource(), matrix, parts, depth=0)
        unit = str(model.GetUnit()).rsplit(".", 1)[-1]
    except lib3mf.ELib3MFException as error:
        raise ScanError(f"the 3MF file is broken: {error}", where, _AGAIN) from error
    return _join_parts(parts, _UNITS_3MF.get(unit.lower(), "mm"))


_UNITS_3MF = {
    "millimeter": "mm",
    "centimeter": "cm",
    "meter": "m",
    "inch": "inch",
    "foot": "foot",
    "micrometer": "micron",
    "micron": "micron",
}


def _matrix(transform: Any) -> Floats:
    """(4, 4) from the 4 x 3 fields of a 3MF transform (rows are the images of the axes, then the shift)."""
    matrix = np.eye(4)
    matrix[:3] = np.array([list(row) for row in transform.Fields]).T
    return matrix


def _collect_3mf(
    model: Any, resource: Any, matrix: Floats, parts: list[tuple[Floats, NDArray[np.int32]]], depth: int
) -> None:
    if resource.IsMeshObject():
        points = np.ctypeslib.as_array(resource.GetVertices())
        corners = np.ctypeslib.as_array(resource.GetTriangleIndices())
        vertices = np.asarray(points["Coordinates"], np.float64)
        faces = np.asarray(corners["Indices"], np.int32)
        parts.append((vertices @ matrix[:3, :3].T + matrix[:3, 3], faces))
    elif depth < 16:
        for index in range(resource.GetComponentCount()):
            part = resource.GetComponent(index)
            inner = _matrix(part.GetTransform()) if part.HasTransform() else np.eye(4)
            _collect_3mf(model, part.GetObjectResource(), matrix @ inner, parts, depth + 1)


def _join_parts(parts: list[tuple[Floats, NDArray[np.int32]]], unit: str) -> RawMesh:
    shift = np.cumsum([0] + [len(vertices) for vertices, _ in parts])
    vertices = np.concatenate([v for v, _ in parts]) if parts else np.empty((0, 3))
    faces = (
        np.concatenate([f + s for (_, f), s in zip(parts, shift, strict=False)])
        if parts
        else np.empty((0, 3), np.int32)
    )
    return RawMesh(vertices, faces, "3MF", unit)


def _read_3mf_plain(data: bytes, where: str) -> RawMesh:
    """Read through trimesh, for machines without lib3mf."""
    import trimesh

    try:
        scene = trimesh.load_scene(BytesIO(data), file_type="3mf", process=False)
        meshes = [m for m in scene.dump() if isinstance(m, trimesh.Trimesh)]
    except Exception as error:  # foreign reader: anything from KeyError to its XML parser's own errors
        raise ScanError(f"the 3MF file is broken: {error}", where, _AGAIN) from error
    parts = [(np.asarray(m.vertices, np.float64), np.asarray(m.faces, np.int32)) for m in meshes]
    return _join_parts(parts, _UNITS_3MF.get(str(scene.units or "").lower().rstrip("s"), "mm"))


def _check_archive(data: bytes, where: str) -> None:
    """Refuse an archive that is broken or unpacks to more than `ARCHIVE_LIMIT`, before anything is unpacked
    from it.
    """
    try:
        with zipfile.ZipFile(BytesIO(data)) as archive:
            entries = archive.infolist()
            size = sum(entry.file_size for entry in entries)
            # sizes in the list may lie
            if size <= ARCHIVE_LIMIT < DEFLATE_MOST * len(data) and archive.testzip():
                raise zipfile.BadZipFile("a part does not match its checksum")
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, ValueError, OSError) as error:
        raise ScanError(f"the 3MF file is broken: {error}", where, _AGAIN) from error
    if size > ARCHIVE_LIMIT:
        raise ScanError(
            f"the 3MF file would unpack from {len(data) / 1e6:.1f} MB to {size / 1e9:.1f} GB; "
            f"the limit is {ARCHIVE_LIMIT / 1e9:.0f} GB",
            where,
            "export the scan again, as binary STL or PLY if it is really that large",
        )
    if not any(entry.filename.lower().endswith(".model") for entry in entries):
        raise ScanError(
            "the file is a zip archive without a 3MF model", where, "unpack it and give the mesh file inside"
        )
