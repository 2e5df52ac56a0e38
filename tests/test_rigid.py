"""Moving or turning the scan rigidly does not change the part: the same wall and floor come out, pole by pole."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from examples.simulate import random_rotation
from mountgen.datum import find_datum
from mountgen.field import build_space
from mountgen.loft import Shell, fit_shell
from mountgen.recipe_tables import Fit, Mouth
from mountgen.scan import Scan
from tests.known import mend_scan
from tests.shapes import scan_specimen

ROUNDING = 1e-4  # mm; heights are kept in single precision (4e-6)


def _fit(scan: Scan) -> Shell:
    return fit_shell(build_space(find_datum(scan, mouth=Mouth()), fit=Fit()))


def test_a_turned_and_moved_scan_gives_the_same_wall_and_floor() -> None:
    """In double precision: a file of single precision rounds what is moved by some 1e-5 mm, so it is not quite the same scan."""
    scan = mend_scan(scan_specimen("l_pocket", triangles=30_000))
    here = _fit(scan)
    for seed in (2, 4):
        turn = random_rotation(np.random.default_rng(seed))
        there = _fit(replace(scan, vertices=scan.vertices @ turn.T + np.array([400.0, -250.0, 90.0])))
        assert [len(each) for each in (here.posts, here.pockets)] == [len(each) for each in (there.posts, there.pockets)]
        for one, other in zip((here, *here.posts), (there, *there.posts), strict=True):
            for mine, its in ((one.wall, other.wall), (one.floor, other.floor)):
                assert mine.poles.shape == its.poles.shape
                assert np.abs(mine.poles - its.poles).max() < ROUNDING
