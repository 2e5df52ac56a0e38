"""Recesses built of square cells, each at a known level: exact in plan and depth, for tests of pictures."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from mountgen.arrays import Floats, Ints
from mountgen.datum import Recess
from mountgen.scan import Scan

Box = tuple[float, float, float, float]  # x from, y from, x to, y to, mm


def cell_mesh(
    level: Callable[[float, float], float], half: tuple[int, int], holes: Sequence[Box]
) -> tuple[Floats, Ints]:
    """Return 1 mm cells at z = level(x, y) of their middles with upright walls between, but none in holes."""
    quads = []
    cells = {}
    for i in range(-half[0], half[0]):
        for j in range(-half[1], half[1]):
            x, y = i + 0.5, j + 0.5
            z = cells[i, j] = level(x, y)
            if not any(a < x < c and b < y < d for a, b, c, d in holes):
                quads.append([(i, j, z), (i + 1, j, z), (i + 1, j + 1, z), (i, j + 1, z)])
    for (i, j), z in cells.items():
        corner = (i + 1, j + 1)
        for p, q, neighbour in (((i + 1, j), corner, (i + 1, j)), (corner, (i, j + 1), (i, j + 1))):
            other = cells.get(neighbour, z)
            if other != z:  # its front to the lower cell
                quads.append([(*p, z), (*p, other), (*q, other), (*q, z)])
    corners = np.array(quads, dtype=np.float64)
    vertices, at = np.unique(corners.reshape(-1, 3), axis=0, return_inverse=True)
    at = at.reshape(-1, 4)
    return vertices, np.concatenate([at[:, [0, 1, 2]], at[:, [0, 2, 3]]]).astype(np.int32)


def box_recess(
    width: int = 60,
    height: int = 40,
    *,
    left: float = 10.0,
    right: float = 20.0,
    surround: int = 12,
    holes: Sequence[Box] = (),
    **facts: object,
) -> Recess:
    """Return a rectangular recess about the origin, `left` mm deep where x < 0, `right` mm where x > 0."""
    half = (width // 2, height // 2)

    def level(x: float, y: float) -> float:
        if abs(x) > half[0] or abs(y) > half[1]:
            return 0.0
        return -left if x < 0 else -right

    vertices, faces = cell_mesh(level, (half[0] + surround, half[1] + surround), holes)
    turns = np.array([(-1.0, -1, 0), (1, -1, 0), (1, 1, 0), (-1, 1, 0)]) * (*half, 1)
    rim = np.concatenate([np.linspace(turns[k], turns[(k + 1) % 4], 40, endpoint=False) for k in range(4)])
    usual = {"lid": np.zeros(6), "part_to_scan": np.eye(4), "up": np.array([0.0, 1.0, 0.0])}
    return Recess(vertices, faces, rim, **(usual | {"depth": max(left, right)} | facts))  # type: ignore[arg-type]


def as_scan(recess: Recess, name: str = "box.ply") -> Scan:
    """Return the recess's own mesh as the scan it came from."""
    return Scan(recess.vertices, recess.faces, Path(name), "0" * 64, "mm", 1.0, 1.0, 0.03)
