"""What the solid kernel does in a child process: the same solids, and an end to what has none."""

from __future__ import annotations

import os
import signal
from itertools import count
from math import pi

import pytest

from mountgen import bounded
from mountgen.bounded import run_bounded
from mountgen.errors import FeatureError, KernelError
from mountgen.features import rounding
from mountgen.features.rounding import round_as_far, round_edges
from mountgen.kernel import Solid, combine_many, count_faces, is_valid, tessellate
from mountgen.mesh_measure import measure_volume
from mountgen.shape import make_box
from tests.test_stitch import level, pillar

RADIUS, LOW, HIGH = 25.0, -15.0, 5.0
needs_fork = pytest.mark.skipif(not hasattr(os, "fork"), reason="no child processes by fork here")


@pytest.fixture(scope="module")
def body() -> Solid:
    return pillar(0.0, RADIUS, level(LOW), level(HIGH))


@pytest.fixture(autouse=True)
def _few_poles_are_enough(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bounded, "FEWEST", 20)


def _require_no_child_left() -> None:
    with pytest.raises(ChildProcessError):
        os.waitpid(-1, os.WNOHANG)


@needs_fork
def test_work_without_an_end_is_given_up(body: Solid) -> None:
    def spin() -> Solid:
        for _ in count():
            pass

    with pytest.raises(KernelError, match="does not get done with the lip") as caught:
        run_bounded(spin, body, what="lip", seconds=1.0)
    assert caught.value.where == "lip"
    _require_no_child_left()


@needs_fork
def test_a_child_that_the_kernel_takes_down_is_an_error(body: Solid) -> None:
    def crash() -> Solid:
        os.kill(os.getpid(), signal.SIGKILL)

    with pytest.raises(KernelError, match="does not get done"):
        run_bounded(crash, body, what="lip")
    _require_no_child_left()


@needs_fork
def test_an_error_comes_back_as_it_was_raised(body: Solid) -> None:
    def refuse() -> Solid:
        raise FeatureError("no room", "lip.height", "give 3 mm or less")

    with pytest.raises(FeatureError) as caught:
        run_bounded(refuse, body, what="lip")
    assert (caught.value.what, caught.value.where, caught.value.remedy) == ("no room", "lip.height", "give 3 mm or less")
    _require_no_child_left()


@pytest.mark.parametrize("kind", ["Standard_ProgramError", "Standard_ConstructionError", "Standard_Failure", "StdFail_NotDone"])
@pytest.mark.parametrize("simple", [True, False])
def test_whatever_the_kernel_raises_is_our_error(body: Solid, kind: str, simple: bool) -> None:
    import OCP.Standard
    import OCP.StdFail

    def fail() -> Solid:
        raise getattr(OCP.Standard, kind, None) or getattr(OCP.StdFail, kind)

    given = make_box((0.0, 0.0, 0.0), (1.0, 2.0, 3.0)) if simple else body
    with pytest.raises(KernelError, match="the solid kernel fails at the pull tab") as caught:
        run_bounded(fail, given, what="pull tab")
    assert "pull_tab.width" in caught.value.remedy


@needs_fork
def test_only_what_has_splines_is_done_by_a_child_and_a_child_has_none(body: Solid) -> None:
    process: list[int] = []

    def note() -> Solid:
        process.append(os.getpid())
        return run_bounded(lambda: process.append(os.getpid()) or body, body, what="inner")

    box = make_box((0.0, 0.0, 0.0), (1.0, 2.0, 3.0))
    run_bounded(lambda: process.append(os.getpid()) or box, box, what="box")
    assert process == [os.getpid()]
    same = run_bounded(note, body, what="lip")
    assert process == [os.getpid()]  # what else the child does is its own
    assert measure_volume(tessellate(same)) == pytest.approx(measure_volume(tessellate(body)), rel=1e-12)


def test_what_is_a_part_of_other_work_is_done_where_that_is_done(body: Solid) -> None:
    box, process = make_box((0.0, 0.0, 0.0), (1.0, 2.0, 3.0)), []

    def work() -> Solid:
        return run_bounded(lambda: process.append(os.getpid()) or body, body, what="inner")

    assert run_bounded(work, box, what="outer") is body  # faces that solids share must go on being shared
    assert process == [os.getpid()]


def test_without_fork_it_is_done_here(body: Solid, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(os, "fork", raising=False)
    assert run_bounded(lambda: body, body, what="lip") is body


def test_a_boolean_has_the_volume_of_the_closed_form(body: Solid) -> None:
    bored = combine_many(body, [make_box((-4.0, -3.0, -50.0), (4.0, 3.0, 50.0))], "cut", what="hole")
    assert is_valid(bored)
    wanted = (pi * RADIUS**2 - 8.0 * 6.0) * (HIGH - LOW)
    assert measure_volume(tessellate(bored)) == pytest.approx(wanted, rel=2e-3)


@needs_fork
def test_edges_whose_rounding_has_no_end_stay_sharp(body: Solid, monkeypatch: pytest.MonkeyPatch) -> None:
    def spin(self: object, *given: object) -> None:
        for _ in count():
            pass

    from OCP.BRepFilletAPI import BRepFilletAPI_MakeFillet

    assert count_faces(round_edges(body, lambda points: bool(points[:, 2].min() > 0.0), radius=1.0)) > count_faces(body)
    monkeypatch.setattr(BRepFilletAPI_MakeFillet, "Build", spin)
    monkeypatch.setattr(rounding, "LONGEST", 1.0)
    monkeypatch.setattr(rounding, "SHARES", (1.0,))
    assert round_edges(body, lambda points: bool(points[:, 2].min() > 0.0), radius=1.0) is body
    _require_no_child_left()


def test_once_tries_that_fail_have_taken_long_no_edge_is_tried_any_more(monkeypatch: pytest.MonkeyPatch) -> None:
    tried: list[int] = []
    clock = count(0.0, 8.0)
    monkeypatch.setattr(rounding, "perf_counter", lambda: next(clock))
    monkeypatch.setattr(rounding, "_fillet", lambda solid, edges, *given: tried.append(len(edges)))
    box = make_box((0.0, 0.0, 0.0), (20.0, 20.0, 3.0))
    assert round_edges(box, lambda points: True, radius=1.0) is box
    assert tried == [12, 1]  # 8 s each, of 10


def test_an_edge_too_sharp_for_its_radius_is_rounded_with_a_smaller_one() -> None:
    box = make_box((0.0, 0.0, 0.0), (20.0, 20.0, 3.0))
    upper = lambda points: bool(points[:, 2].min() > 2.9 and points[:, 1].max() < 0.1)  # noqa: E731
    rounded, reached = round_as_far(box, upper, radius=4.0)  # does not fit into 3 mm
    assert reached == pytest.approx(0.7 * 4.0)
    assert is_valid(rounded)
    assert count_faces(rounded) == 7
    lost = 1200.0 - measure_volume(tessellate(rounded, chord=0.002))
    radius = (lost / (20.0 * (1.0 - pi / 4.0))) ** 0.5
    assert radius == pytest.approx(0.7 * 4.0, rel=0.01)
