"""Solids kept by what they were made of: found again whole, made anew where anything of that differs or the entry is spoilt."""

from __future__ import annotations

import os
from functools import partial
from pathlib import Path

import pytest

from mountgen import bounded
from mountgen.errors import KernelError
from mountgen.kernel import Solid, combine_many, is_valid, tessellate
from mountgen.shape import cut_in_turn, make_box
from mountgen.solid_store import Recall, count_saved, keeping_solids, read_solid, recall_solid, write_solid
from mountgen.store import Store
from tests.test_stitch import level, pillar

TOOL = (20.0, -5.0, -20.0), (30.0, 5.0, 20.0)


def kept_in(folder: Path) -> Recall:
    return partial(Store(folder).recall_bytes, "solid")


@pytest.fixture(scope="module")
def body() -> Solid:
    return pillar(0.0, 25.0, level(-15.0), level(5.0))


@pytest.fixture
def made(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Return the features that the kernel is asked for, as they come."""
    asked: list[str] = []
    ask = bounded._ask_child

    def note(make: object, what: str, seconds: float) -> bytes:
        asked.append(what)
        return ask(make, what, seconds)  # type: ignore[arg-type]

    monkeypatch.setattr(bounded, "FEWEST", 20)
    monkeypatch.setattr(bounded, "can_fork", lambda: True)
    monkeypatch.setattr(bounded, "_ask_child", note)
    return asked


def notched(body: Solid, *, what: str = "notch", deeper: float = 0.0) -> Solid:
    low, high = TOOL
    return combine_many(body, [make_box((low[0] - deeper, *low[1:]), high)], "cut", what=what)


def test_what_was_made_of_the_same_is_found_again(body: Solid, made: list[str], tmp_path: Path) -> None:
    with keeping_solids(kept_in(tmp_path)):
        first = notched(body)
    with keeping_solids(kept_in(tmp_path)):  # as another process would
        second = notched(body)
    assert made == ["notch"]
    assert is_valid(second)
    assert write_solid(second) == write_solid(first)
    assert tessellate(second).vertices.tobytes() == tessellate(first).vertices.tobytes()


def test_another_tool_another_way_and_another_order_are_made(body: Solid, made: list[str], tmp_path: Path) -> None:
    one, other = make_box(*TOOL), make_box((-30.0, -5.0, -20.0), (-20.0, 5.0, 20.0))
    with keeping_solids(kept_in(tmp_path)):
        notched(body)
        notched(body, deeper=1e-6)
        combine_many(body, [make_box(*TOOL)], "common", what="notch")
        cut_in_turn(body, [one, other], what="notch")
        cut_in_turn(body, [other, one], what="notch")
        assert len(made) == 5
        cut_in_turn(body, [one, other], what="another name")
    assert len(made) == 5


def test_without_a_store_nothing_is_kept(body: Solid, made: list[str], tmp_path: Path) -> None:
    notched(body)
    with keeping_solids(kept_in(tmp_path)), keeping_solids(None):
        notched(body)
    assert len(made) == 2
    assert not list(tmp_path.iterdir())


def test_a_spoilt_entry_is_made_anew(body: Solid, made: list[str], tmp_path: Path) -> None:
    with keeping_solids(kept_in(tmp_path)):
        first = notched(body)
    (entry,) = tmp_path.glob("*.entry")
    content = bytearray(entry.read_bytes())
    content[-100] ^= 0xFF
    entry.write_bytes(content)
    with keeping_solids(kept_in(tmp_path)):
        assert write_solid(notched(body)) == write_solid(first)
    assert len(made) == 2


def test_a_failure_is_not_kept(tmp_path: Path) -> None:
    def fail() -> bytes:
        raise KernelError("refused", "notch", "change it")

    with keeping_solids(kept_in(tmp_path)):
        with pytest.raises(KernelError):
            recall_solid(("cut",), fail)
        assert recall_solid(("cut",), lambda: b"made") == b"made"
        assert recall_solid(("cut",), fail) == b"made"


def test_what_is_found_counts_as_the_work_it_once_was(tmp_path: Path) -> None:
    def toil() -> bytes:
        end = sum(os.times()[:4]) + 0.2
        while sum(os.times()[:4]) < end:
            pass
        return b"made"

    before = count_saved()
    with keeping_solids(kept_in(tmp_path)):
        assert recall_solid(("cut",), toil) == b"made"
        assert count_saved() == before
        assert recall_solid(("cut",), toil) == b"made"
    assert 0.2 <= count_saved() - before < 5.0


def test_a_solid_is_read_as_it_was_written(body: Solid) -> None:
    again = read_solid(write_solid(body))
    assert is_valid(again)
    assert tessellate(again).vertices.tobytes() == tessellate(body).vertices.tobytes()
