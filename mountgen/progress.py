"""Whom a job tells how it goes, and how long each of its stages takes."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from typing import Protocol


class Progress(Protocol):
    """Whom the work tells how it goes."""

    def stage(self, name: str) -> AbstractContextManager[None]:
        """Enter at the start of a stage, leave at its end."""

    def say(self, text: str) -> None:
        """Pass on a finding, one line."""


class Quiet:
    """A progress that tells nobody."""

    def stage(self, name: str) -> AbstractContextManager[None]:
        """Enter and leave without a word."""
        return nullcontext()

    def say(self, text: str) -> None:
        """Pass nothing on."""


class Clock:
    """Times stages and passes them on."""

    def __init__(self, progress: Progress) -> None:
        self.progress = progress
        self.seconds: dict[str, float] = {}

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Time the stage `name`, and tell of it."""
        started = time.perf_counter()
        with self.progress.stage(name):
            yield
        self.seconds[name] = round(self.seconds.get(name, 0.0) + time.perf_counter() - started, 4)
