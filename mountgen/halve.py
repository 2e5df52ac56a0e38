"""Triangles with halved edges, and what takes their place. A leaf.

References:
    R. E. Bank, A. H. Sherman, A. Weiser (1983), Refinement algorithms and data structures for regular local mesh refinement,
    in: Scientific Computing, 3-17 (two, three or four triangles for one, after the number of halved edges).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mountgen.arrays import Bools, Floats, Ints
from mountgen.rows import lengths


def name_edges(triangles: Ints) -> NDArray[np.int64]:
    """Return a number for each of the three edges of triangles (F, 3) that is the same whichever way it runs, (F, 3)."""
    after = np.roll(triangles, -1, axis=1)
    return np.minimum(triangles, after).astype(np.int64) << 32 | np.maximum(triangles, after)


def halve_triangles(triangles: Ints, middle: Ints, corners: Floats) -> tuple[Ints, Ints]:
    """Return the triangles that take the place of triangles (F, 3) with one, two or three edges halved, and whose place each.

    middle: (F, 3) new corner between corner k and the next, -1 where that edge stays.
    """
    count, pieces, places = (middle >= 0).sum(axis=1), [], []

    def add(which: Bools, *columns: Ints) -> None:
        pieces.append(np.column_stack(columns))
        places.append(np.flatnonzero(which))

    three = count == 3
    (a, b, c), (ab, bc, ca) = triangles[three].T, middle[three].T
    for corner in ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca)):
        add(three, *corner)
    for k in range(3):
        turned, between = np.roll(triangles, -k, axis=1), np.roll(middle, -k, axis=1)
        one = (count == 1) & (between[:, 0] >= 0)
        (a, b, c), ab = turned[one].T, between[one, 0]
        add(one, a, ab, c)
        add(one, ab, b, c)
        two = (count == 2) & (between[:, 0] < 0)
        (a, b, c), (_, bc, ca) = turned[two].T, between[two].T
        add(two, ca, bc, c)
        across = measure_edges(corners, a, bc) < measure_edges(corners, b, ca)  # the shorter of the two ways to cut what is left
        add(two, a, b, np.where(across, bc, ca))
        add(two, np.where(across, a, b), bc, ca)
    return np.vstack(pieces), np.concatenate(places)


def measure_edges(corners: Floats, start: Ints, stop: Ints) -> Floats:
    """Return the distances (N,) between two corners each."""
    return lengths(np.take(corners, start, axis=0) - np.take(corners, stop, axis=0))
