"""Moving or turning the scan rigidly does not change the part: the same wall and floor come out, pole by pole."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from examples.simulate import random_rotation
from mountgen.datum import find_datum
from mountgen.field import build_space
from mountgen.loft import Shell, fit_shell
from mountgen.recipe import Fit, Mouth
from mountgen.scan import Scan
from tests.known import mend_scan
from tests.shapes import scan_specimen

ROUNDING = 1e-4  # mm; heights are kept in single precision (4e-6)
POSTS = 6e-3  # mm; where two nodes are alike a post's outline goes by the one or the other: up to 0.0026 in six turns (measured)


def _fit(scan: Scan) -> Shell:
    return fit_shell(build_space(find_datum(scan, mouth=Mouth()), fit=Fit()))


def test_a_turned_and_moved_scan_gives_the_same_wall_and_floor() -> None:
    """In double precision: a file of single precision rounds what is moved by some 1e-5 mm, so it is not quite the same scan."""
    scan = mend_scan(scan_specimen("l_pocket", triangles=30_000))
    turn = random_rotation(np.random.default_rng(2))
    moved = replace(scan, vertices=scan.vertices @ turn.T + np.array([400.0, -250.0, 90.0]))
    here, there = _fit(scan), _fit(moved)
    for one, other in ((here.wall, there.wall), (here.floor, there.floor)):
        assert one.poles.shape == other.poles.shape
        assert np.abs(one.poles - other.poles).max() < ROUNDING
    assert [len(each) for each in (here.posts, here.pockets)] == [len(each) for each in (there.posts, there.pockets)]
    for one, other in zip(here.posts, there.posts, strict=True):
        assert np.abs(one.wall.poles - other.wall.poles).max() < POSTS
        assert np.abs(one.floor.poles - other.floor.poles).max() < POSTS
