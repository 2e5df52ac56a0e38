"""Which vertices faces join, against scipy."""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from mountgen.rings import label_corners


def test_vertices_that_faces_join_have_one_label_like_by_the_library() -> None:
    faces = np.random.default_rng(7).integers(0, 400, (150, 3)).astype(np.int32)
    label = label_corners(faces, 400)
    ends = faces.ravel(), np.roll(faces, -1, axis=1).ravel()
    count, wanted = connected_components(coo_matrix((np.ones(len(ends[0])), ends), shape=(400, 400)), directed=False)
    assert count > 1
    assert len(np.unique(label)) == len(np.unique(np.column_stack([label, wanted]), axis=0)) == count
