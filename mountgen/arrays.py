"""Array types used in signatures and the one helper that makes a frozen value's arrays read-only.

Shapes use fixed letters in every docstring: V vertices, F faces, K loop points, N any points, R x C field rows and columns.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int32]
Bools = NDArray[np.bool_]


def freeze(owner: object, name: str, dtype: DTypeLike) -> None:
    """Replace the array attribute `name` of a frozen dataclass by a read-only view of dtype `dtype`."""
    value: NDArray[Any] = np.asarray(getattr(owner, name), dtype=dtype).view()
    value.setflags(write=False)
    object.__setattr__(owner, name, value)
