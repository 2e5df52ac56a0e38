"""Array types used in signatures and two helpers that make arrays read-only: of a frozen value, and for a compiled loop.

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


def read_only(array: NDArray[Any], dtype: Any) -> Any:
    """Return a contiguous view nobody writes to: loops are compiled for such arrays only, once."""
    view = np.ascontiguousarray(array, dtype=dtype).view()
    view.setflags(write=False)
    return view
