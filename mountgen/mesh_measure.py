"""Volume, area, bounds and closedness of a triangle mesh, by closed formulas. A leaf.

The sums here are exact for the mesh. The kernel's own volume of trimmed spline faces is an integral over an approximated
trimming curve and can be several per cent off on a valid solid: it serves only to tell what a plug fills before its
edges are rounded and it is hollowed (`features/plug`), and nothing that is measured of the part itself.
"""

from __future__ import annotations

import numpy as np

from mountgen import kernel
from mountgen.arrays import Floats
from mountgen.faces import list_used
from mountgen.kernel import Mesh
from mountgen.rows import extent


def measure_volume(mesh: Mesh) -> float:
    """Return the volume that a closed mesh encloses, mm³; negative where its normals point inwards.

    The divergence theorem: the sum of the signed tetrahedra from one point to every triangle. That point is
    the middle of the bounds, not the origin, so that a part far from the origin loses no digits.

    Args:
        mesh: closed, consistently oriented.

    Returns:
        float: mm³.

    Raises:
        Nothing: an open mesh gives a number that means nothing; ask `is_closed` first.

    References:
        C. Zhang, T. Chen (2001), Efficient feature extraction for 2D/3D objects in mesh representation,
        Proc. IEEE ICIP 3:935-938, doi:10.1109/ICIP.2001.958278.
    """
    a, b, c = _corners(mesh)
    return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6.0)


def measure_area(mesh: Mesh) -> float:
    """Return the area of all triangles, mm².

    Args:
        mesh: any.

    Returns:
        float: mm².

    Raises:
        Nothing.
    """
    a, b, c = _corners(mesh)
    return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2.0)


def measure_centroid(mesh: Mesh) -> Floats:
    """Return the centre of mass of the solid that a closed mesh encloses.

    Args:
        mesh: closed, consistently oriented, of non-zero volume.

    Returns:
        Floats: (3,) mm.

    Raises:
        ValueError: the volume is zero, so there is no centre.
    """
    a, b, c = _corners(mesh)
    tetrahedra = np.einsum("ij,ij->i", a, np.cross(b, c))
    total = tetrahedra.sum()
    if total == 0.0:
        raise ValueError("a mesh of zero volume has no centroid")
    return np.asarray(
        _middle(mesh) + (tetrahedra[:, None] * (a + b + c)).sum(axis=0) / (4.0 * total), dtype=np.float64
    )


def measure_bounds(mesh: Mesh) -> Floats:
    """Return the smallest and largest coordinates of the vertices that faces use.

    Args:
        mesh: with at least one face.

    Returns:
        Floats: (2, 3) mm.

    Raises:
        ValueError: the mesh has no face.
    """
    if len(mesh.faces) == 0:
        raise ValueError("a mesh without faces has no bounds")
    return np.stack(extent(np.take(mesh.vertices, list_used(mesh.faces, len(mesh.vertices)), axis=0)))


def is_closed(mesh: Mesh) -> bool:
    """Return whether every edge is used exactly once in each direction.

    That is: closed, consistently oriented, and no edge has more than two faces.

    Args:
        mesh: vertices already welded.

    Returns:
        bool: false for a mesh without faces.

    Raises:
        Nothing.
    """
    faces = mesh.faces
    return len(faces) > 0 and not (faces == np.roll(faces, -1, axis=1)).any() and kernel.is_closed(faces)


def _middle(mesh: Mesh) -> Floats:
    return np.asarray(measure_bounds(mesh).mean(axis=0), dtype=np.float64)


def _corners(mesh: Mesh) -> tuple[Floats, Floats, Floats]:
    """Return the three corners of every face, each (F, 3), relative to the middle of the bounds."""
    if len(mesh.faces) == 0:
        empty = np.zeros((0, 3))
        return empty, empty, empty
    corners = (mesh.vertices - _middle(mesh))[mesh.faces]
    return corners[:, 0], corners[:, 1], corners[:, 2]
