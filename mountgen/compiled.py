"""Loops that are compiled when first called, and kept beside their module for the next run. A leaf.

Where nothing can be kept (a full disk, a folder that may not be written, no home folder) they are compiled anew in every run,
which takes a minute and changes nothing else.
"""

from __future__ import annotations

import logging
import os
import pickle
from collections.abc import Callable
from contextlib import suppress
from typing import Any

import llvmlite.binding.ffi as llvm
import numba
from numba.core import caching
from numba.core.compiler_lock import global_compiler_lock
from numba.core.runtime.nrt import rtsys

DAMAGED = (OSError, EOFError, ValueError, pickle.UnpicklingError)
_Store: Any = caching.FunctionCache
_log = logging.getLogger(__name__)


class _Kept(_Store):  # type: ignore[misc]
    """The compiler's own store, but for a failure of which nothing becomes of the run."""

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        """Return what was kept for a signature, None if that cannot be read.

        The compiler's own way first fills the tables that it needs to compile anything at all (0.4 CPU seconds, scipy.linalg
        among them); what is kept needs only the functions that count references. And it notes how long its lock is held, 270
        times a loop that is loaded, which takes a fifth of the time.
        """
        with suppress(AttributeError):
            llvm.lib._lock._cblist.clear()
        try:
            rtsys.initialize(target_context)
            return self._load_overload(sig, target_context)
        except DAMAGED as error:
            _log.info("compiled loop not read: %r", error)
            return None

    def save_overload(self, sig: Any, data: Any) -> None:
        """Keep what was compiled for a signature, if that can be written."""
        try:
            super().save_overload(sig, data)
        except DAMAGED as error:
            _log.info("compiled loop not kept: %r", error)


def compiled(**options: Any) -> Callable[[Callable[..., Any]], Any]:
    """Return a decorator for loops in Python over arrays. options: of the compiler, besides letting other threads run."""

    def compile_later(loop: Callable[..., Any]) -> Any:
        made = numba.njit(nogil=True, **options)(loop)
        with suppress(RuntimeError, OSError):  # there is no folder where it could be kept
            made._cache = _Kept(loop)
        return made

    return compile_later


if hasattr(os, "register_at_fork"):  # a child would wait for ever for a thread of its parent's that was loading a loop
    os.register_at_fork(
        before=global_compiler_lock.acquire, after_in_parent=global_compiler_lock.release,
        after_in_child=global_compiler_lock.release,
    )  # fmt: skip
