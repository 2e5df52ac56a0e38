"""Binary STL: 80 bytes of text, a count, and one 50-byte record a triangle, as one numpy record type."""

from __future__ import annotations

import unicodedata

import numpy as np

from mountgen.arrays import Ints, Singles
from mountgen.errors import ExportError
from mountgen.faces import number_used
from mountgen.kernel import Mesh

RECORD = np.dtype(
    [("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")]
)  # 50 bytes, little-endian
HEADER_BYTES = 80


def round_mesh(mesh: Mesh, *, where: str) -> Mesh:
    """Return `mesh` as single precision, which STL is limited to, can hold it.

    Vertices that become equal are merged, the triangles that thereby lose an edge are dropped, and so are
    vertices that no face uses. Both mesh files are written from this one mesh, so they agree to the last
    digit, and a reader of the STL that merges equal corners gets a closed mesh back.

    Args:
        mesh: any.
        where: the file it is meant for, named in errors.

    Returns:
        Mesh: its coordinates are exact in single precision; the same order of vertices and faces.

    Raises:
        ExportError: a coordinate is not a finite number of single precision, or no triangle is left.
    """
    with np.errstate(over="ignore"):
        single = mesh.vertices.astype(np.float32) + np.float32(0.0)  # -0.0 becomes 0.0
    if not np.all(np.isfinite(single)):
        raise ExportError(
            "a coordinate is not a finite number", where, "report this with the recipe and the scan"
        )
    faces = _find_first(single)[mesh.faces]
    whole = (faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])
    if not np.any(whole):
        raise ExportError(
            "the mesh has no triangle", where, "report this: an empty part should have been refused earlier"
        )
    used, faces = number_used(faces[whole], len(single))
    return Mesh(single[used].astype(np.float64), faces)


def _find_first(points: Singles) -> Ints:
    """Return for each of points (N, 3) the first that is equal to it, (N,)."""
    order = np.lexsort(points.T)
    fresh = np.ones(len(points), dtype=np.bool_)
    fresh[1:] = (points[order[1:]] != points[order[:-1]]).any(axis=1)
    first = np.empty(len(points), dtype=np.int32)
    first[order] = order[fresh][np.cumsum(fresh) - 1]
    return first


def encode_stl(mesh: Mesh, *, name: str) -> bytes:
    """Return `mesh` as a binary STL file.

    The header starts with "mountgen", never with "solid", by which many readers take a file for ASCII. It
    gives the unit, which the format itself does not.

    Args:
        mesh: mm, part frame.
        name: of the part; what is not ASCII is spelt without accents or left out, and the end is cut to fit.

    Returns:
        bytes: 84 + 50 F, F the triangles left by `round_mesh`.

    Raises:
        ExportError: the mesh has no triangle, or a coordinate is not a finite number of single precision.
    """
    rounded = round_mesh(mesh, where=f"{name}.stl")
    corners: Singles = rounded.vertices.astype(np.float32)[rounded.faces]
    records = np.zeros(len(corners), dtype=RECORD)
    records["corners"] = corners
    records["normal"] = _unit_normals(corners)
    header = _plain(f"mountgen, mm, {name}")[:HEADER_BYTES].ljust(HEADER_BYTES)
    body: bytes = records.tobytes()
    return header + len(records).to_bytes(4, "little") + body


def _unit_normals(corners: Singles) -> Singles:
    """Return (F, 3) unit normals of (F, 3, 3) corners; zero where a triangle has no area."""
    wide = corners.astype(np.float64)
    normals = np.cross(wide[:, 1] - wide[:, 0], wide[:, 2] - wide[:, 0])
    lengths = np.linalg.norm(normals, axis=1, keepdims=True)
    units = np.divide(normals, lengths, out=np.zeros_like(normals), where=lengths > 0)
    return np.asarray(units, dtype=np.float32)


def _plain(text: str) -> bytes:
    return unicodedata.normalize("NFKD", text).encode("ascii", "ignore")
