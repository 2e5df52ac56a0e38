"""Loading libraries without the collector of garbage leaves it as it was."""

from __future__ import annotations

import gc
import subprocess
import sys

import pytest

from mountgen.loading import loading
from tests.test_layout import ROOT

SCRIPT = """
import gc
from mountgen.loading import loading

rounds = []
with loading():
    gc.callbacks.append(lambda phase, _: rounds.append(phase))
    import email.mime.text, xml.dom.minidom, sqlite3
    assert not gc.isenabled()
    kept = gc.get_freeze_count()
print(len(rounds), kept, gc.get_freeze_count() > 1000, gc.isenabled())
"""


def test_the_collector_stands_still_and_leaves_out_what_was_loaded() -> None:
    run = subprocess.run([sys.executable, "-c", SCRIPT], capture_output=True, text=True, check=True, cwd=ROOT)
    assert run.stdout.split() == ["0", "0", "True", "True"]


def test_a_failed_import_leaves_the_collector_on() -> None:
    before = gc.get_freeze_count()
    with pytest.raises(ModuleNotFoundError), loading():
        import no_such_library  # type: ignore[import-not-found]  # noqa: F401
    assert gc.isenabled()
    assert gc.get_freeze_count() == before  # nothing was loaded


def test_a_collector_that_is_off_stays_off() -> None:
    gc.disable()
    try:
        with loading():
            pass
        assert not gc.isenabled()
    finally:
        gc.enable()
