"""A mesh packed small for a page: 16-bit places, neighbours next to each other, differences in byte planes, deflated.

Vertices are ordered along a space-filling curve and triangles by their first vertex, so that most differences need one byte; the
planes of their lower and upper bytes deflate far better apart. `web/src/unpack.js` is the other half.

References:
    G. M. Morton (1966), A computer oriented geodetic data base (the curve).
"""

from __future__ import annotations

import zlib
from base64 import b64decode, b64encode
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mountgen.arrays import Floats, Ints
from mountgen.nearest import spread_bits
from mountgen.rows import extent

STEPS = 65535  # of a mesh's longest side; 0.005 mm on 300 mm
NO_VALUE = 65535  # stands for a vertex without a value
LEVEL = 4  # of deflating; 6 saves 2 % and takes twice as long, 9 four times
_Numbers = NDArray[np.int64]


@dataclass(frozen=True)
class Packed:
    """A mesh as text.

    data      : base64 of the deflated byte planes.
    vertices, triangles: how many.
    low, step : a place is `low` (3,) mm and `step` mm times its numbers.
    value_low, value_step: the same for the values; both 0 where there are none.
    asked_low, asked_step: and for what the values are held against.
    """

    data: str
    vertices: int
    triangles: int
    low: tuple[float, float, float]
    step: float
    value_low: float = 0.0
    value_step: float = 0.0
    asked_low: float = 0.0
    asked_step: float = 0.0

    @classmethod
    def check(cls, *, data: str, low: Sequence[float], **numbers: Any) -> Packed:
        """Return what was kept elsewhere as a mesh.

        Raises:
            TypeError, ValueError: it is none: the text goes into a page as it is.
        """
        b64decode(data, validate=True)
        x, y, z = (float(each) for each in low)
        return cls(data, low=(x, y, z), **{name: numbers[name] + 0 for name in numbers})


def pack_mesh(vertices: Floats, faces: Ints, values: Floats | None = None, asked: Floats | None = None) -> Packed:
    """Pack a mesh.

    Args:
        vertices: (V, 3) float64, mm.
        faces: (F, 3) int32; those that shrink to nothing and vertices that no face uses are left out.
        values: (V,) float64, one a vertex, such as a gap in mm; NaN where there is none.
        asked: (V,) float64, what each value is held against; none where that is the same everywhere.

    Returns:
        Packed: places are right to half a `step`, values to half a `value_step`.

    Raises:
        ValueError: a shape is wrong, or a vertex is not finite.
    """
    if np.ndim(vertices) != 2 or np.shape(vertices)[1] != 3 or np.ndim(faces) != 2 or np.shape(faces)[1] != 3:
        raise ValueError(f"vertices and faces must be (V, 3) and (F, 3), not {np.shape(vertices)} and {np.shape(faces)}")
    for each in (values, asked):
        if each is not None and np.shape(each) != (len(vertices),):
            raise ValueError(f"values must be ({len(vertices)},), not {np.shape(each)}")
    if not np.isfinite(vertices).all():
        raise ValueError("a vertex has no finite place")
    low, high = extent(vertices) if len(vertices) else (np.zeros(3), np.zeros(3))
    span = float((high - low).max())
    step = span / STEPS if span > 0.0 else 1.0
    place = np.rint((vertices - low) / step).astype(np.int64)
    place, corners, kept = _order(place, np.asarray(faces, dtype=np.int64))
    planes = [_split(_fold(np.diff(place[:, k], prepend=0)), 3) for k in range(3)]
    planes += [_split(_fold(each), 4) for each in _step_corners(corners)]
    scales = []
    for each in (values, asked):
        if each is None:
            scales += [0.0, 0.0]
            continue
        numbers, *scale = _quantise(each[kept])
        planes.append(_split(_fold(np.diff(numbers, prepend=0)), 3))
        scales += scale
    x, y, z = (float(v) for v in low)
    data = b64encode(zlib.compress(b"".join(planes), LEVEL)).decode("ascii")
    return Packed(data, len(place), len(corners), (x, y, z), step, *scales)


def _order(place: _Numbers, faces: _Numbers) -> tuple[_Numbers, _Numbers, _Numbers]:
    """Order vertices along the curve and triangles by their first vertex; third: the vertices' old numbers."""
    a, b, c = faces.T
    faces = faces[(a != b) & (b != c) & (c != a)]
    used = np.zeros(len(place), dtype=np.bool_)
    used[faces] = True
    kept = np.flatnonzero(used)
    code = sum((spread_bits(place[kept, k] >> 6) << k for k in range(3)), np.zeros(len(kept), dtype=np.int64))
    kept = kept[np.argsort(code, kind="stable")]
    number = np.empty(len(place), dtype=np.int64)
    number[kept] = np.arange(len(kept))
    faces = number[faces]
    first = faces.argmin(axis=1)[:, None]
    faces = np.take_along_axis(faces, (first + np.arange(3)) % 3, axis=1)  # turned, so that it keeps its sides
    return place[kept], faces[np.lexsort((faces[:, 1], faces[:, 0]))], kept


def _step_corners(faces: _Numbers) -> tuple[_Numbers, _Numbers, _Numbers]:
    """Return each first corner less the last triangle's, and the other two less their own triangle's first."""
    return np.diff(faces[:, 0], prepend=0), faces[:, 1] - faces[:, 0], faces[:, 2] - faces[:, 1]


def _quantise(values: Floats) -> tuple[_Numbers, float, float]:
    known = np.isfinite(values)
    low = float(values[known].min()) if known.any() else 0.0
    span = float(values[known].max()) - low if known.any() else 0.0
    step = span / (NO_VALUE - 1) if span > 0.0 else 1.0
    numbers = np.full(len(values), NO_VALUE, dtype=np.int64)
    numbers[known] = np.rint((values[known] - low) / step).astype(np.int64)
    return numbers, low, step


def _fold(numbers: _Numbers) -> _Numbers:
    """Return whole numbers as such without a sign, small ones small: 0, -1, 1, -2 to 0, 1, 2, 3."""
    return np.where(numbers < 0, -2 * numbers - 1, 2 * numbers)


def _split(numbers: _Numbers, count: int) -> bytes:
    """Return the lowest `count` bytes of numbers, all lowest ones first."""
    return b"".join((numbers >> 8 * k & 255).astype(np.uint8).tobytes() for k in range(count))
