"""Large flat faces of a mesh that was modelled, not scanned, divided until they are as small as those of a scan.

All that comes after looks at vertices; a drawn recess has them in its corners alone. The surface stays what it was.
"""

from __future__ import annotations

import numpy as np

from mountgen.arrays import Bools, Floats, Ints
from mountgen.faces import measure_diagonal, measure_faces
from mountgen.halve import halve_triangles, measure_edges, name_edges

FEW = 50_000  # faces; a mesh of more is fine enough
LARGE = 8.0  # mm of an edge; faces with longer ones are large
LARGE_SHARE = 0.2  # of the area in large faces, from which on all are divided
LONGEST, LONGEST_SHARE = 1.5, 1.0 / 400.0  # mm and share of the diagonal that an edge may then have
FLAT_SHARE = 0.5  # of that area in faces that lie in one plane with a neighbour: those of a scan never do
FLAT = 1.0e-4  # rad; single precision turns a face 1 mm high by 1e-5


def divide_modelled(vertices: Floats, faces: Ints) -> tuple[Floats, Ints] | None:
    """Divide the large faces of a modelled mesh.

    Args:
        vertices: (V, 3) float64, mm.
        faces: (F, 3) int32.

    Returns:
        The vertices, the old ones first, and the faces; None for a scan, or a mesh that is fine as it is.

    References:
        Our rule: quadrilaterals and larger faces of a drawing are of triangles in one plane.
    """
    if len(faces) > FEW or not _is_modelled(vertices, faces):
        return None
    longest = max(LONGEST, LONGEST_SHARE * measure_diagonal(vertices, faces))
    while True:
        names, of_face = np.unique(name_edges(faces).ravel(), return_inverse=True)
        edges = np.stack([names >> 32, names & 0xFFFFFFFF], axis=1).astype(np.int32)
        of_face = of_face.reshape(-1, 3)
        halve = measure_edges(vertices, *edges.T) > longest
        if not halve.any():
            return vertices, faces
        middle = np.full(len(edges), -1, dtype=np.int32)
        middle[halve] = len(vertices) + np.arange(halve.sum(), dtype=np.int32)
        vertices = np.vstack([vertices, vertices[edges[halve]].mean(axis=1)])
        parents = halve[of_face].any(axis=1)
        pieces, _ = halve_triangles(faces[parents], middle[of_face[parents]], vertices)
        faces = np.vstack([faces[~parents], pieces]).astype(np.int32)


def _is_modelled(vertices: Floats, faces: Ints) -> bool:
    vectors, areas = measure_faces(vertices, faces)
    sides = np.stack([measure_edges(vertices, faces[:, k], faces[:, (k + 1) % 3]) for k in range(3)], axis=1)
    large = sides.max(axis=1) > LARGE
    if not areas[large].sum() > LARGE_SHARE * areas.sum():
        return False
    flat = _lie_flat(faces, vectors / np.where(areas > 0.0, areas, 1.0)[:, None])
    return bool(areas[large & flat].sum() > FLAT_SHARE * areas[large].sum())


def _lie_flat(faces: Ints, normals: Floats) -> Bools:
    """Return which faces (F,) lie in one plane with one they share an edge with."""
    names = name_edges(faces).ravel()
    order = np.argsort(names, kind="stable")
    one, other = order[:-1] // 3, order[1:] // 3
    twin = names[order[1:]] == names[order[:-1]]
    turned = np.linalg.norm(np.cross(normals[one], normals[other]), axis=1)
    level = twin & (turned < FLAT)
    flat = np.zeros(len(faces), dtype=np.bool_)
    flat[one[level]] = flat[other[level]] = True
    return flat
