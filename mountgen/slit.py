"""Slits and folds in a mesh: faces of a solid cut into facets differently along an edge, or lying on each other. A leaf.

Along an edge that its two faces meet only within the kernel's tolerance, the mesher may put other points on either side, and
a face as thin as a hair it may leave without triangles. What stays open is narrow; it is closed with triangles between the points
there are. Whether the part still keeps its distances is for the gauge to say, which measures this mesh.
"""

from __future__ import annotations

import numpy as np

from mountgen.arrays import Floats, Ints

WIDEST = 0.5  # mm, about one printed line; wider is a hole, and no business of this
NARROW = 0.02  # mm, no more than a facet may be off: closed at once, not only where nothing else helps


def close_slits(vertices: Floats, faces: Ints, *, widest: float = WIDEST) -> Ints:
    """Return the faces of a mesh with its slits closed; as they were where an open border is wider than a slit.

    Args:
        vertices: (V, 3) float64, mm.
        faces: (F, 3) int32.
        widest: mm, of a slit.

    Returns:
        (G, 3) int32: all faces, and those that close the slits; no vertex is moved or added.
    """
    start, stop = faces.astype(np.int64).ravel(), np.roll(faces, -1, axis=1).astype(np.int64).ravel()
    size = int(faces.max(initial=0)) + 1
    lonely = ~np.isin(stop * size + start, start * size + stop)
    after: dict[int, list[int]] = {}
    for a, b in zip(stop[lonely].tolist(), start[lonely].tolist(), strict=True):
        after.setdefault(a, []).append(b)
    border = np.isin(start, list(after)) & np.isin(stop, list(after))
    taken = {frozenset(edge) for edge in zip(start[border].tolist(), stop[border].tolist(), strict=True)}
    added: list[tuple[int, int, int]] = []
    while after:
        first = next(iter(after))
        loop, here = [first], _step(after, first)
        while here != first:
            if here not in after:
                return faces
            loop.append(here)
            here = _step(after, here)
        triangles = _fill(vertices, loop, taken, widest)
        if triangles is None:
            return faces
        added += triangles
    return np.vstack([faces, np.array(added, dtype=np.int32)]) if added else faces


def drop_folds(faces: Ints) -> Ints:
    """Return faces (F, 3) without those that lie back to back: two on the same corners, looking opposite ways, hold nothing.

    Where a face of the solid narrows to less than its tolerance, both its borders have the same points.
    """
    rows, lowest = np.arange(len(faces)), faces.argmin(axis=1)
    one, two, three = (faces[rows, (lowest + k) % 3] for k in range(3))
    order = np.lexsort((two < three, np.maximum(two, three), np.minimum(two, three), one))
    ring = np.column_stack([one, two, three])[order]
    opposite = (ring[1:] == ring[:-1][:, [0, 2, 1]]).all(axis=1)
    keep = np.ones(len(faces), dtype=np.bool_)
    keep[order[:-1][opposite]] = keep[order[1:][opposite]] = False
    return faces[keep]


def _step(after: dict[int, list[int]], here: int) -> int:
    """Return where a border goes on from a point, and take that edge out."""
    ends = after[here]
    there = ends.pop()
    if not ends:
        del after[here]
    return there


def _fill(
    vertices: Floats, loop: list[int], taken: set[frozenset[int]], widest: float
) -> list[tuple[int, int, int]] | None:
    """Return triangles that fill a loop, cutting off the shortest way across first; None where one is higher than `widest`.

    taken: edges that two triangles have already; those of the triangles are added to it.
    """
    found = []
    while len(loop) > 3:
        points = vertices[loop]
        across = np.linalg.norm(np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0), axis=1)
        ways = [frozenset((loop[k - 1], loop[(k + 1) % len(loop)])) for k in range(len(loop))]
        free = [k for k in range(len(loop)) if len(ways[k]) == 2 and ways[k] not in taken]
        if not free:
            return None
        k = min(free, key=lambda k: float(across[k]))
        taken.add(ways[k])
        found.append((loop[k - 1], loop[k], loop[(k + 1) % len(loop)]))
        loop = loop[:k] + loop[k + 1 :]
    if len(loop) < 3:
        return None
    found.append((loop[0], loop[1], loop[2]))
    corners = vertices[np.array(found)]
    sides = np.roll(corners, -1, axis=1) - corners
    height = np.linalg.norm(np.cross(sides[:, 0], sides[:, 1]), axis=1) / np.linalg.norm(sides, axis=2).max(axis=1)
    return found if height.max() <= widest else None
