"""Points in cubic cells as wide as one looks around: which of them lie near a place. A leaf.

The library's trees would do, but loading them takes longer than all that is asked of them here.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mountgen.arrays import Floats
from mountgen.rows import dot, extent

Numbers = NDArray[np.int64]


class Cells:
    """Points that are asked for those within one reach of places.

    Args:
        points: (N, 3) float64, mm; N >= 1.
        reach: mm, more than 0; not so small that there are 2^20 cells along a side.
    """

    def __init__(self, points: Floats, reach: float) -> None:
        self.points, self.reach = points, reach
        self._low = extent(points)[0]
        cell = self._cell(points)
        most = np.array([cell[:, k].max() for k in range(3)])
        self._size: Numbers = most + 2  # with an empty cell before the first and one after the last of a row
        key = self._number(cell)
        self._order: Numbers = np.argsort(key, kind="stable")
        self._key: Numbers = key[self._order]

    def _cell(self, places: Floats) -> Numbers:
        cell: Numbers = np.floor((places - self._low) / self.reach).astype(np.int64) + 1
        return cell

    def _number(self, cell: Numbers) -> Numbers:
        number: Numbers = (cell[..., 0] * self._size[1] + cell[..., 1]) * self._size[2] + cell[..., 2]
        return number

    def find(self, places: Floats) -> tuple[Numbers, Numbers]:
        """Return the points that lie within the reach of each of some places (M, 3), mm.

        Returns:
            (M + 1,) where those of each place begin; (K,) the points' numbers, those of one place after those of the other.
        """
        middle = np.clip(self._cell(places), 0, self._size - 1)
        row = np.array([(x, y, 0) for x in (-1, 0, 1) for y in (-1, 0, 1)])
        number = self._number(middle[:, None, :] + row)  # of the middle cell of three in a row, (M, 9)
        first = np.searchsorted(self._key, number - 1, side="left")
        count = np.searchsorted(self._key, number + 1, side="right") - first
        ahead = np.cumsum(count.ravel()) - count.ravel()
        found = self._order[np.arange(int(count.sum())) + np.repeat(first.ravel() - ahead, count.ravel())]
        owner = np.repeat(np.arange(len(places)), count.sum(axis=1))
        away = np.take(self.points, found, axis=0) - np.take(places, owner, axis=0)
        near = dot(away, away) <= self.reach**2
        start = np.concatenate([[0], np.cumsum(np.bincount(owner[near], minlength=len(places)))])
        return start, found[near]
