"""What quadrics are fitted with: axes across a normal, and the terms of the six coefficients. A leaf."""

from __future__ import annotations

import numpy as np

from mountgen.arrays import Floats
from mountgen.rows import lengths


def make_axes(normals: Floats) -> tuple[Floats, Floats]:
    """Return two unit vectors across each of some unit normals (N, 3) and square to each other, (N, 3) each."""
    u = np.cross(normals, np.eye(3)[np.abs(normals).argmin(axis=1)])
    length = lengths(u)[:, None]
    u /= np.where(length > 0.0, length, 1.0)
    return u, np.cross(normals, u)


def list_quadric_terms(plan: Floats) -> Floats:
    """Return what a quadric's six coefficients stand before at places (N, 2 or more), (N, 6): 1, x, y, x², xy, y²."""
    x, y = plan[:, 0], plan[:, 1]
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
