"""Parts of a loop shared out to threads: all of them, in order, in a child process too."""

from __future__ import annotations

import os
from itertools import chain

import pytest

from mountgen.child import Child
from mountgen.threads import share_parts


@pytest.mark.parametrize(("count", "parts"), [(10, 3), (2, 5), (0, 4)])
def test_all_is_done_once_and_in_order(count: int, parts: int) -> None:
    made = share_parts(lambda part: list(range(part.start, part.stop)), count, parts=parts)
    assert len(made) == parts
    assert list(chain.from_iterable(made)) == list(range(count))


@pytest.mark.skipif(not hasattr(os, "fork"), reason="no child processes by fork here")
def test_a_child_has_threads_of_its_own() -> None:
    def square(part: slice) -> int:
        return sum(k * k for k in range(part.start, part.stop))

    here = share_parts(square, 100)  # so that the child finds a pool without threads
    child = Child(lambda: b",".join(str(part).encode() for part in share_parts(square, 100)))
    try:
        assert child.listen(20.0) == b",".join(str(part).encode() for part in here)
    finally:
        child.stop(patience=5.0)
