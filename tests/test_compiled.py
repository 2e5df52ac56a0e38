"""Compiled loops are kept between runs where they can be, and run all the same where they cannot."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from numba.core.compiler_lock import global_compiler_lock

from mountgen import compiled
from mountgen.child import Child
from tests.test_layout import ROOT

LOOP = """
import numpy as np
from mountgen.compiled import compiled

@compiled(fastmath=False)
def add(values):
    total = 0.0
    for k in range(len(values)):
        total += values[k]
    return total

print(add(np.arange(4.0)), len(add.stats.cache_hits))
"""


def run_loop(folder: Path, *, before: str = "", loop: str = LOOP, **environ: str) -> str:
    script = folder / "loop.py"
    script.write_text(before + loop)
    run = subprocess.run(
        [sys.executable, str(script)], capture_output=True, text=True, check=False,
        env={"PYTHONPATH": str(ROOT), "PATH": "/usr/bin", **environ},
    )  # fmt: skip
    assert run.returncode == 0, run.stderr
    return run.stdout.strip()


def test_a_loop_is_kept_for_the_next_run(tmp_path: Path) -> None:
    kept = str(tmp_path / "kept")
    assert run_loop(tmp_path, NUMBA_CACHE_DIR=kept) == "6.0 0"
    assert run_loop(tmp_path, NUMBA_CACHE_DIR=kept) == "6.0 1"
    for path in Path(kept).rglob("*.nb[ci]"):
        path.write_bytes(path.read_bytes()[:20])  # as a crash may leave it
    assert run_loop(tmp_path, NUMBA_CACHE_DIR=kept) == "6.0 0"


@pytest.mark.skipif(sys.platform == "win32", reason="needs a limit on file size")
def test_a_full_disk_only_means_that_it_is_compiled_again(tmp_path: Path) -> None:
    limit = "import resource\nresource.setrlimit(resource.RLIMIT_FSIZE, (10, 10))\n"
    assert run_loop(tmp_path, before=limit, NUMBA_CACHE_DIR=str(tmp_path / "kept")) == "6.0 0"


def test_no_folder_at_all_is_no_error(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(_: object) -> None:
        raise RuntimeError("cannot cache function: no locator available")

    monkeypatch.setattr(compiled, "_Kept", refuse)

    @compiled.compiled()
    def double(value):  # type: ignore[no-untyped-def]
        return 2.0 * value

    assert double(1.5) == 3.0


def test_what_is_kept_is_used_without_the_tables_of_the_compiler(tmp_path: Path) -> None:
    """Arrays that are made inside and loops that call loops; and what was not kept is compiled after it in the same run."""
    more = """
import os, sys

@compiled(fastmath=False)
def pile(values):
    made = np.empty((len(values), 2))
    for k in range(len(values)):
        made[k, 0], made[k, 1] = values[k], add(values[: k + 1])
    return made

print(pile(np.arange(4.0))[:, 1].tolist(), len(pile.stats.cache_hits), "numba.np.arraymath" in sys.modules)
if "WHOLE" in os.environ:
    print(add(np.arange(4)), len(add.stats.cache_hits))
"""
    loop, kept = LOOP.replace("print(add(np.arange(4.0)), len(add.stats.cache_hits))", more), str(tmp_path / "kept")
    assert run_loop(tmp_path, loop=loop, NUMBA_CACHE_DIR=kept) == "[0.0, 1.0, 3.0, 6.0] 0 True"
    assert run_loop(tmp_path, loop=loop, NUMBA_CACHE_DIR=kept) == "[0.0, 1.0, 3.0, 6.0] 1 False"
    last = run_loop(tmp_path, loop=loop, NUMBA_CACHE_DIR=kept, WHOLE="1")
    assert last.splitlines() == ["[0.0, 1.0, 3.0, 6.0] 1 False", "6.0 0"]


@pytest.mark.skipif(not hasattr(os, "fork"), reason="no child processes by fork here")
def test_a_child_can_load_loops_that_a_thread_of_its_parent_was_loading() -> None:
    held = threading.Event()

    def load() -> None:
        with global_compiler_lock:
            held.set()
            time.sleep(0.3)

    def load_too() -> bytes:
        with global_compiler_lock:
            return b"loaded"

    thread = threading.Thread(target=load)
    thread.start()
    held.wait()
    child = Child(load_too)
    try:
        assert child.listen(10.0) == b"loaded"
    finally:
        child.stop()
        thread.join()
