"""The grid that the tests of fields share."""

from __future__ import annotations

import numpy as np

from mountgen.arrays import Floats

PITCH, SHAPE, ORIGIN = 0.173, (120, 150), (-12.91, -10.37)  # nodes on no edge of the meshes that are tried


def lay_nodes(shape: tuple[int, int] = SHAPE, origin: tuple[float, float] = ORIGIN, pitch: float = PITCH) -> Floats:
    """Return the place of every node, (R, C, 2) mm."""
    x, y = np.meshgrid(origin[0] + pitch * np.arange(shape[1]), origin[1] + pitch * np.arange(shape[0]))
    return np.stack([x, y], axis=-1)
