"""Libraries loaded without the pauses of Python's collector of garbage. A leaf.

What a library is made of (the solid kernel alone brings 200 000 objects) stays to the end, yet the collector goes through all of
it again and again: a third of the time in which the kernel loads, and some tenths of a second later in a run.
"""

from __future__ import annotations

import gc
import sys
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def loading() -> Iterator[None]:
    """Hold the collector off while libraries are loaded, and leave what is in memory then out of its later rounds."""
    collects, known = gc.isenabled(), len(sys.modules)
    gc.disable()
    try:
        yield
    finally:
        if len(sys.modules) > known:  # else only what is to be thrown away would be left out of them, run by run
            gc.freeze()
        if collects:
            gc.enable()
