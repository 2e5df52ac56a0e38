"""Facets drawn back: how a movement is shared out between the corners of a facet, in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from mountgen.relief import _share_out

CORNERS = np.array([[0.0, 0.0, 0.0], [9.0, 0.0, 0.0], [0.0, 6.0, 0.0], [9.0, 6.0, 0.0]])
FACES = np.array([[0, 1, 2], [1, 3, 2]], dtype=np.int32)
UP = np.array([0.0, 0.0, 1.0])


@pytest.mark.parametrize(
    ("weights", "moves"),
    [
        ((1.0, 0.0, 0.0), (1.0, 0.0, 0.0)),  # at a corner: that corner alone
        ((0.5, 0.5, 0.0), (1.0, 1.0, 0.0)),  # halfway along a side: its two ends
        ((1 / 3, 1 / 3, 1 / 3), (1.0, 1.0, 1.0)),
        ((0.6, 0.3, 0.1), (0.6 / 0.46, 0.3 / 0.46, 0.1 / 0.46)),
    ],
)
def test_a_point_of_a_facet_moves_as_far_as_it_should(weights: tuple[float, ...], moves: tuple[float, ...]) -> None:
    point = np.array([weights]) @ CORNERS[FACES[0]]
    shift = _share_out(CORNERS, FACES, np.array([0.02]), np.array([0]), point, UP[None, :])
    np.testing.assert_allclose(np.array(weights) @ shift[FACES[0]], 0.02 * UP, atol=1e-12)
    np.testing.assert_allclose(shift[FACES[0], 2], 0.02 * np.array(moves), atol=1e-12)
    assert not shift[3].any()


def test_the_longest_move_of_a_corner_counts() -> None:
    points = np.array([CORNERS[1], 0.5 * (CORNERS[1] + CORNERS[3])])
    shift = _share_out(CORNERS, FACES, np.array([0.05, 0.01]), np.array([0, 1]), points, np.tile(UP, (2, 1)))
    np.testing.assert_allclose(shift[:, 2], [0.0, 0.05, 0.0, 0.01], atol=1e-12)


def test_the_corners_of_a_sliver_without_area_move_alike() -> None:
    sliver = np.array([[0.0, 0.0, 0.0], [5.0, 0.0, 0.0], [5.0, 1e-9, 0.0]])
    shift = _share_out(sliver, FACES[:1], np.array([0.02]), np.array([0]), np.array([[2.5, 0.0, 0.0]]), UP[None, :])
    np.testing.assert_allclose(shift, np.tile(0.02 * UP, (3, 1)), atol=1e-12)
