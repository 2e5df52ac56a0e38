"""Measures of faces against numpy."""

from __future__ import annotations

import numpy as np

from mountgen.arrays import Floats
from mountgen.faces import measure_faces, number_used
from tests.sheets import make_sheet, tray


def test_areas_against_cross_products() -> None:
    vertices, faces = make_sheet(tray, pitch=6.0)
    vectors, areas = measure_faces(vertices, faces)
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    expected: Floats = 0.5 * np.cross(b - a, c - a)
    np.testing.assert_allclose(vectors, expected, atol=1e-10)
    np.testing.assert_allclose(areas, np.linalg.norm(expected, axis=1), atol=1e-10)


def test_vertices_in_use_are_numbered_anew() -> None:
    faces = np.random.default_rng(7).integers(0, 400, (150, 3)).astype(np.int32)
    used, faces_in = number_used(faces, 400)
    np.testing.assert_array_equal(used, np.unique(faces))
    np.testing.assert_array_equal(used[faces_in], faces)
