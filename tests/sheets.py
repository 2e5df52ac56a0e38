"""Open sheets with a closed-form surface, and writers of mesh files that share no code with the package."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path

import numpy as np

from mountgen.arrays import Floats, Ints

Surface = Callable[[Floats, Floats], Floats]


def make_sheet(
    surface: Surface, *, half: tuple[float, float] = (60.0, 45.0), pitch: float = 1.5
) -> tuple[Floats, Ints]:
    """Return the height field z = surface(x, y) over a rectangle, normals to +z: (V, 3), (F, 3)."""
    columns, rows = (round(2.0 * h / pitch) + 1 for h in half)
    x, y = np.meshgrid(np.linspace(-half[0], half[0], columns), np.linspace(-half[1], half[1], rows))
    vertices = np.column_stack([x.ravel(), y.ravel(), surface(x, y).ravel()])
    a = (np.arange(rows - 1)[:, None] * columns + np.arange(columns - 1)).ravel()
    lower, upper = [a, a + 1, a + columns + 1], [a, a + columns + 1, a + columns]
    return vertices, np.vstack([np.column_stack(lower), np.column_stack(upper)]).astype(np.int32)


def tray(x: Floats, y: Floats) -> Floats:
    """A round tray, 20 mm deep, 50 mm across, in a panel that bows out (radius 400 mm)."""
    r = np.hypot(x, y)
    return -(x**2 + y**2) / 800.0 - 20.0 * np.clip((30.0 - r) / 10.0, 0.0, 1.0)


def cut_hole(vertices: Floats, faces: Ints, *, centre: tuple[float, float], radius: float) -> Ints:
    """Return the faces whose middle lies farther than `radius` from `centre` in plan."""
    middle = vertices[faces].mean(axis=1)
    kept: Ints = faces[np.hypot(middle[:, 0] - centre[0], middle[:, 1] - centre[1]) > radius]
    return kept


def random_pose(seed: int) -> tuple[Floats, Floats]:
    """Return a random rotation (3, 3) and shift (3,), mm."""
    rng = np.random.default_rng(seed)
    turn, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    turn[:, 0] *= np.sign(np.linalg.det(turn))
    return turn, rng.uniform(-200.0, 200.0, 3)


def stl_bytes(vertices: Floats, faces: Ints, *, header: bytes = b"") -> bytes:
    """Binary STL, one facet at a time."""
    out = [header.ljust(80, b"\0")[:80], struct.pack("<I", len(faces))]
    for corners in vertices[faces].reshape(-1, 9).tolist():
        out.append(struct.pack("<12fH", 0.0, 0.0, 0.0, *corners, 0))
    return b"".join(out)


def stl_text(vertices: Floats, faces: Ints, *, upper: bool = False) -> bytes:
    lines = ["solid of a vertex"]
    for corners in vertices[faces].tolist():
        lines += ["  facet normal 0 0 0", "    outer loop"]
        lines += [f"      vertex {x!r} {y!r} {z!r}" for x, y, z in corners]
        lines += ["    endloop", "  endfacet"]
    text = "\n".join([*lines, "endsolid of a vertex", ""])
    return (text.upper() if upper else text).encode()


def obj_text(vertices: Floats, polygons: list[list[int]]) -> bytes:
    lines = ["# a scan", "o part"]
    lines += [f"v {x!r} {y!r} {z!r}" for x, y, z in vertices.tolist()]
    lines += ["f " + " ".join(str(i + 1) for i in polygon) for polygon in polygons]
    return "\n".join([*lines, ""]).encode()


def ply_bytes(vertices: Floats, polygons: list[list[int]], *, order: str = "<", extra: bool = False) -> bytes:
    """PLY with x, y, z as double: binary (order "<" or ">") or text (order ""); `extra`: other properties and
    elements too.
    """
    name = {"<": "binary_little_endian", ">": "binary_big_endian", "": "ascii"}[order]
    head = ["ply", f"format {name} 1.0", "comment a scan"]
    if extra:
        head += ["element camera 1", "property float view", "property list uchar short lens"]
    head += [f"element vertex {len(vertices)}"]
    head += ["property uchar red"] if extra else []
    head += ["property double x", "property double y", "property double z"]
    head += ["property float quality"] if extra else []
    head += [f"element face {len(polygons)}", "property list uchar int vertex_indices"]
    head += ["property ushort stl", "property list int float weights"] if extra else []
    rows: list[tuple[str, tuple[float, ...]]] = []
    if extra:
        rows.append(("fB2h", (1.5, 2, -7, 8)))
    for x, y, z in vertices.tolist():
        rows.append(("B3df", (200, x, y, z, 0.5)) if extra else ("3d", (x, y, z)))
    for p in polygons:
        shape: tuple[str, tuple[float, ...]] = (f"B{len(p)}i", (len(p), *p))
        rows.append((shape[0] + "Hi2f", (*shape[1], 9, 2, 0.25, 0.75)) if extra else shape)
    top = "\n".join([*head, "end_header", ""]).encode()
    if not order:
        return top + "\n".join(" ".join(repr(v) for v in values) for _, values in rows).encode() + b"\n"
    return top + b"".join(struct.pack(order + code, *values) for code, values in rows)


def write_stl(path: Path, vertices: Floats, faces: Ints) -> Path:
    """Write a binary STL with numpy, for larger meshes."""
    record = np.zeros(len(faces), np.dtype([("n", "<f4", 3), ("c", "<f4", (3, 3)), ("a", "<u2")]))
    record["c"] = vertices[faces]
    path.write_bytes(b"made for a test".ljust(80) + struct.pack("<I", len(faces)) + record.tobytes())
    return path
