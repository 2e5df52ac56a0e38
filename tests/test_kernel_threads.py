"""The solid kernel's threads: a child has its own, whatever its parent's were doing before, and makes the same with them."""

from __future__ import annotations

import os

import numpy as np
import pytest

from mountgen import kernel_threads
from mountgen.child import Child
from mountgen.kernel import combine_many, tessellate
from mountgen.kernel_threads import start_threads
from mountgen.shape import make_box, make_cylinder

UP = np.array([0.0, 0.0, 1.0])
needs_fork = pytest.mark.skipif(not hasattr(os, "fork"), reason="no child processes by fork here")


def drilled() -> bytes:
    """Return the corners of a plate with many holes, as bytes."""
    plate = make_box((0.0, 0.0, 0.0), (60.0, 60.0, 5.0))
    places = [np.array([6.0 + 8.0 * i, 6.0 + 8.0 * j, -1.0]) for i in range(7) for j in range(7)]
    holes = [make_cylinder(place, UP, radius=3.0, height=7.0) for place in places]
    return np.asarray(tessellate(combine_many(plate, holes, "cut", what="holes")).vertices).tobytes()


@needs_fork
def test_a_child_works_in_threads_after_its_parent_did(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kernel_threads, "count_processors", lambda: 3)
    here = drilled()
    for _ in range(2):
        child = Child(drilled)
        try:
            assert child.listen(30.0) == here
        finally:
            child.stop(patience=5.0)
        assert drilled() == here  # with its own threads again


def test_one_processor_works_without_threads(monkeypatch: pytest.MonkeyPatch) -> None:
    there = drilled()
    monkeypatch.setattr(kernel_threads, "count_processors", lambda: 1)
    assert not start_threads()
    assert drilled() == there
