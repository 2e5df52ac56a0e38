"""What spreads over a field from node to node: dilation by a cone or a flat disc, climbing, nearest labels. A leaf.

Fields are those of `grid`. The loops are compiled and release the interpreter lock.
"""

from __future__ import annotations

from math import sqrt

import numpy as np
from numpy.typing import NDArray

from mountgen.arrays import Bools, Ints, Singles
from mountgen.compiled import compiled
from mountgen.grid import EMPTY
from mountgen.threads import share_parts

_jit = compiled(fastmath=False)


@_jit
def _sweep_cone(height, drop, near, far):  # type: ignore[no-untyped-def]
    """Two sweeps of a 5 x 5 chamfer: every node is raised to each neighbour less `drop` a pitch of distance."""
    rows, cols = height.shape
    for sweep in range(2):
        s = 1 if sweep == 0 else -1
        for i in range(rows):
            r = i if s == 1 else rows - 1 - i
            for j in range(cols):
                c = j if s == 1 else cols - 1 - j
                best = height[r, c]
                for k in range(8):
                    if k == 0:
                        dr, dc, d = 0, -1, 1.0
                    elif k == 1:
                        dr, dc, d = -1, 0, 1.0
                    elif k == 2:
                        dr, dc, d = -1, -1, near
                    elif k == 3:
                        dr, dc, d = -1, 1, near
                    elif k == 4:
                        dr, dc, d = -1, -2, far
                    elif k == 5:
                        dr, dc, d = -1, 2, far
                    elif k == 6:
                        dr, dc, d = -2, -1, far
                    else:
                        dr, dc, d = -2, 1, far
                    rr, cc = r + s * dr, c + s * dc
                    if rr < 0 or cc < 0 or rr >= rows or cc >= cols:
                        continue
                    other = height[rr, cc] - drop * d
                    if other > best:
                        best = other
                height[r, c] = best


@_jit
def _climb(height, level, rise):  # type: ignore[no-untyped-def]
    """One pair of sweeps of level = max(height, lowest neighbour + rise); returns whether anything changed."""
    rows, cols = height.shape
    changed = False
    for sweep in range(2):
        s = 1 if sweep == 0 else -1
        for i in range(rows):
            r = i if s == 1 else rows - 1 - i
            for j in range(cols):
                c = j if s == 1 else cols - 1 - j
                best = level[r, c]
                for k in range(4):
                    rr = r - s if k > 0 else r
                    cc = c - s if k == 0 else c + k - 2
                    if rr < 0 or cc < 0 or rr >= rows or cc >= cols:
                        continue
                    other = level[rr, cc] + rise[rr, cc] * (1.0 if k == 0 or k == 2 else 1.4142135)
                    if other < best:
                        best = other
                if best < height[r, c]:
                    best = height[r, c]
                if best < level[r, c] - 1e-4:
                    level[r, c] = best
                    changed = True
    return changed


@_jit
def _lead_uphill(height, order, label):  # type: ignore[no-untyped-def]
    rows, cols = height.shape
    for k in range(len(order)):
        r, c = order[k] // cols, order[k] % cols
        if label[r, c] != 0:
            continue
        best = height[r, c]
        for dr in range(-1, 2):
            for dc in range(-1, 2):
                rr, cc = r + dr, c + dc
                if 0 <= rr < rows and 0 <= cc < cols and height[rr, cc] > best:
                    best = height[rr, cc]
                    label[r, c] = label[rr, cc]


@_jit
def _disc_highest(height, half, first, last, out):  # type: ignore[no-untyped-def]
    """Raise rows first to last of `out` to the highest within a disc, whose row k reaches half[k] nodes to either side.

    Each row's highest over 1, 2, 4, ... nodes is tabled once; any run of nodes is then covered by two table entries.
    """
    rows, cols = height.shape
    reach = (half.shape[0] - 1) // 2
    size = cols + 2 * reach
    levels = 1
    while 2**levels <= 2 * reach + 1:
        levels += 1
    table = np.full((levels, size), -np.inf, dtype=np.float32)
    run = np.empty(cols, dtype=np.float32)
    for r in range(first, last):
        out[r] = height[r]
    for r in range(max(0, first - reach), min(rows, last + reach)):
        table[0, reach : reach + cols] = height[r]
        for j in range(1, levels):
            step = 2 ** (j - 1)
            below, here = table[j - 1], table[j]
            for i in range(size - step):
                a, b = below[i], below[i + step]
                here[i] = a if a > b else b
            here[size - step :] = below[size - step :]
        for k in range(reach + 1):
            wide = half[k]
            level = 0
            while 2 ** (level + 1) <= 2 * wide + 1:
                level += 1
            tabled, start = table[level], reach - wide
            shift = 2 * wide + 1 - 2**level
            for c in range(cols):
                a, b = tabled[start + c], tabled[start + c + shift]
                run[c] = a if a > b else b
            for other in (r + reach - k, r - reach + k):
                if first <= other < last:
                    row = out[other]
                    for c in range(cols):
                        row[c] = run[c] if run[c] > row[c] else row[c]


@_jit
def _reach_disc(mask, half, near):  # type: ignore[no-untyped-def]
    """Mark what lies within a disc, whose row k reaches half[k] nodes to either side, of a marked node.

    Down and up each column first: how many rows away the next marked node is. Then along each row, by counting the runs that
    begin and end at a node.
    """
    rows, cols = mask.shape
    far = half.shape[0]
    away = np.empty((rows, cols), dtype=np.int32)
    for r in range(rows):
        for c in range(cols):
            away[r, c] = 0 if mask[r, c] else (min(away[r - 1, c] + 1, far) if r > 0 else far)
    runs = np.empty(cols + 1, dtype=np.int32)
    for r in range(rows - 1, -1, -1):
        runs[:] = 0
        for c in range(cols):
            if r < rows - 1 and away[r + 1, c] + 1 < away[r, c]:
                away[r, c] = away[r + 1, c] + 1
            if away[r, c] < far:
                wide = half[away[r, c]]
                runs[max(0, c - wide)] += 1
                runs[min(cols, c + wide + 1)] -= 1
        count = 0
        for c in range(cols):
            count += runs[c]
            near[r, c] = count > 0


@_jit
def _find_beside(label, wanted, half, out):  # type: ignore[no-untyped-def]
    """Give each wanted node the index, row by row, of the labelled node nearest to it within a disc; -1 for none."""
    rows, cols = label.shape
    reach = half.shape[0] - 1
    for i in range(wanted.shape[0]):
        r, c = wanted[i] // cols, wanted[i] % cols
        best, found = 2 * reach * reach + 2, -1
        for dr in range(-reach, reach + 1):
            rr = r + dr
            if rr < 0 or rr >= rows:
                continue
            wide = half[abs(dr)]
            for cc in range(max(0, c - wide), min(cols, c + wide + 1)):
                square = dr * dr + (cc - c) ** 2
                if square < best and label[rr, cc] > 0:
                    best, found = square, rr * cols + cc
        out[i] = found


def dilate_cone(height: Singles, *, slope: float, pitch: float) -> Singles:
    """Return the grey dilation of a field by a cone: max over q of height(q) - slope * |p - q|.

    Two sweeps of a 5 x 5 chamfer with unit, diagonal and knight steps; distance is over-estimated by at most 2.8 %.

    References:
        G. Borgefors (1986), Distance transformations in digital images, CVGIP 34:344-371.
    """
    raised = height.copy()
    _sweep_cone(raised, slope * pitch, sqrt(2.0), sqrt(5.0))
    return raised


def dilate_disc(height: Singles, *, radius: float, pitch: float) -> Singles:
    """Return each node's highest value within a flat disc of `radius` mm."""
    reach = int(radius / pitch)
    half = np.array([int(sqrt(reach**2 - k**2)) for k in range(-reach, reach + 1)])
    out = np.empty_like(height)

    def work(part: slice) -> None:
        _disc_highest(height, half, part.start, part.stop, out)

    share_parts(work, height.shape[0])
    return out


def open_disc(mask: Bools, *, radius: float, pitch: float) -> Bools:
    """Return the nodes of a mask (R, C) that a disc of `radius` mm inside it covers; beyond its edge there is nothing."""
    beyond = np.pad(~mask, 1, constant_values=True)
    opened: Bools = reach_disc(~reach_disc(beyond, radius=radius, pitch=pitch), radius=radius, pitch=pitch)[1:-1, 1:-1]
    return opened


def reach_disc(mask: Bools, *, radius: float, pitch: float) -> Bools:
    """Return the nodes (R, C) that lie within `radius` mm of one of a mask; its cost does not grow with the radius."""
    half = _list_halves(radius / pitch)
    near: Bools = np.empty(mask.shape, dtype=np.bool_)
    _reach_disc(np.ascontiguousarray(mask), half, near)
    return near


def climb(height: Singles, start: Bools, slope: Singles, *, pitch: float, most_sweeps: int = 60) -> Singles:
    """Return the lowest field above `height` that nowhere rises more gently than `slope` (R, C), going away from the start nodes.

    A path from the start climbs at least `slope` mm a mm; pits that the start cannot reach downhill are filled to their sill.
    Found by alternating sweeps until nothing changes.
    """
    level = np.full_like(height, -EMPTY)
    level[start] = height[start]
    rise = np.asarray(slope * np.float32(pitch), dtype=np.float32)
    for _ in range(most_sweeps):
        if not _climb(height, level, rise):
            break
    return level


def lead_uphill(height: Singles, label: Ints) -> Ints:
    """Return the label to which each unlabelled node comes by going always to its highest neighbour, (R, C); 0 for lone peaks.

    Args:
        height: (R, C).
        label: (R, C), 0 where it is to be found.
    """
    found: Ints = np.array(label, dtype=np.int32)
    left = np.flatnonzero(found == 0)
    _lead_uphill(height, left[np.argsort(-height.ravel()[left], kind="stable")], found)
    return found


def _list_halves(radius: float) -> NDArray[np.int64]:
    """Return how many nodes a disc reaches to either side, in its middle row and each next one. radius: in nodes."""
    return np.array([int(sqrt(radius**2 - k**2)) for k in range(int(radius) + 1)], dtype=np.int64)


def find_beside(label: Ints, wanted: NDArray[np.int64], *, radius: float, pitch: float) -> NDArray[np.int64]:
    """Return the labelled node nearest to each wanted one and within `radius` mm of it, (N,); -1 where there is none.

    Args:
        label: (R, C), above 0 where there is a label.
        wanted: (N,) nodes, counted row by row; so is what is returned.
    """
    found = np.empty(len(wanted), dtype=np.int64)
    _find_beside(np.ascontiguousarray(label), wanted, _list_halves(radius / pitch), found)
    return found
