"""Work beside other work: the same results with and without a child, errors as they were raised, nothing left running."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from typing import NoReturn

import numpy as np
import pytest

from mountgen import child
from mountgen.child import Child, beside
from mountgen.errors import DatumError
from tests.test_layout import ROOT

needs_fork = pytest.mark.skipif(not hasattr(os, "fork"), reason="no child processes by fork here")


@pytest.fixture(autouse=True)
def _two_processors(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(child, "count_processors", lambda: 2)


def require_no_child_left() -> None:
    child.see_off(wait=True)
    with pytest.raises(ChildProcessError):
        os.waitpid(-1, os.WNOHANG)


def run_beside(make: Callable[[], object]) -> object:
    with beside(make) as receive:
        return receive()


@needs_fork
def test_it_is_done_by_another_process_while_the_block_runs() -> None:
    with beside(lambda: (os.getpid(), time.monotonic())) as receive:
        time.sleep(0.3)
        asked = time.monotonic()
        number, made = receive()
    assert number != os.getpid()
    assert made < asked
    require_no_child_left()


@needs_fork
def test_much_comes_back_as_it_was_made() -> None:
    sent = np.random.default_rng(3).normal(size=(300_000, 3))  # far more than a pipe holds
    got = run_beside(lambda: {"points": sent, "words": ("a", None)})
    assert isinstance(got, dict)
    assert np.array_equal(got["points"], sent)
    assert got["words"] == ("a", None)
    require_no_child_left()


@pytest.mark.parametrize("processors", [1, 2])
def test_an_error_comes_back_as_it_was_raised(monkeypatch: pytest.MonkeyPatch, processors: int) -> None:
    monkeypatch.setattr(child, "count_processors", lambda: processors)

    def refuse() -> NoReturn:
        raise DatumError("no recess is found", "the scan", "scan more of the panel around it")

    with pytest.raises(DatumError) as caught:
        run_beside(refuse)
    assert (caught.value.what, caught.value.where) == ("no recess is found", "the scan")
    assert str(caught.value).endswith("remedy: scan more of the panel around it")


@needs_fork
def test_a_bug_tells_where_it_is() -> None:
    def stumble() -> object:
        return {}["no such key"]

    with pytest.raises(KeyError) as caught:
        run_beside(stumble)
    assert "in stumble" in "".join(caught.value.__notes__)
    require_no_child_left()


@needs_fork
def test_a_child_that_is_ended_is_replaced_by_doing_it_here() -> None:
    own = os.getpid()

    def make() -> str:
        if os.getpid() != own:
            os.kill(os.getpid(), signal.SIGKILL)  # as a system does that runs out of memory
        return "made"

    assert run_beside(make) == "made"
    require_no_child_left()


@needs_fork
def test_a_child_that_never_answers_is_replaced_too(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(child, "PATIENCE", 0.3)
    own = os.getpid()
    assert run_beside(lambda: time.sleep(60.0) if os.getpid() != own else "made") == "made"
    require_no_child_left()


@needs_fork
def test_the_time_of_a_child_counts_as_that_of_its_parent() -> None:
    script = (
        "import time\nfrom mountgen import child\nchild.count_processors = lambda: 2\n"
        "def work():\n    while time.process_time() < 1.5:\n        pass\n"
        "with child.beside(work) as receive:\n    receive()"
    )
    before = sum(os.times()[2:4])
    subprocess.run([sys.executable, "-c", script], check=True, cwd=ROOT)
    assert sum(os.times()[2:4]) - before > 1.2


@needs_fork
@pytest.mark.parametrize("error", [KeyboardInterrupt, ValueError])
def test_what_breaks_the_block_ends_the_child(error: type[BaseException]) -> None:
    started = time.monotonic()
    with pytest.raises(error), beside(lambda: time.sleep(60.0)):
        raise error
    assert time.monotonic() - started < 5.0
    require_no_child_left()


@needs_fork
def test_a_supervisor_that_keeps_no_record_of_children_does_no_harm(monkeypatch: pytest.MonkeyPatch) -> None:
    """Some start their programs so that the system forgets a child as soon as it ends."""
    here, before = os.getpid(), signal.signal(signal.SIGCHLD, signal.SIG_IGN)
    try:
        assert run_beside(os.getpid) != os.getpid()
        monkeypatch.setattr(child, "PATIENCE", 0.2)
        assert run_beside(lambda: time.sleep(60) if os.getpid() != here else "here") == "here"
        child.see_off(wait=True)
    finally:
        signal.signal(signal.SIGCHLD, before)
    require_no_child_left()


@needs_fork
def test_a_child_whose_parent_is_gone_ends() -> None:
    script = (
        "import os, sys, time\nfrom mountgen.child import Child\n"
        "made = Child(lambda: time.sleep(0.3) or bytes(1 << 20))\nprint(made._number, flush=True)\nos._exit(0)"
    )
    run = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True, cwd=ROOT)
    end = time.monotonic() + 10.0
    while time.monotonic() < end:
        try:
            os.kill(int(run.stdout), 0)
        except ProcessLookupError:
            return
        time.sleep(0.05)
    pytest.fail("it waits for somebody to listen")


@needs_fork
def test_a_child_has_no_children_of_its_own() -> None:
    def inner() -> tuple[int, object]:
        return os.getpid(), run_beside(os.getpid)

    outer, within = run_beside(inner)  # type: ignore[misc]
    assert outer == within != os.getpid()


def test_without_fork_it_is_done_here_when_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.delattr(os, "fork", raising=False)
    order: list[str] = []
    with beside(lambda: order.append("made")) as receive:
        order.append("block")
        receive()
    assert order == ["block", "made"]


@needs_fork
def test_the_system_ends_what_takes_too_much_time() -> None:
    def spin() -> bytes:
        while True:
            pass

    spinning = Child(spin, seconds=1.0)
    try:
        assert spinning.listen(30.0) == b""
    finally:
        spinning.stop()
    require_no_child_left()
