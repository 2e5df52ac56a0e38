"""Threads for compiled loops, which leave the interpreter to each other: one pool a process, kept from call to call. A leaf."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from typing import TypeVar

import numpy as np

from mountgen.child import count_processors

THREADS = min(4, count_processors())

Value = TypeVar("Value")
_pools: list[ThreadPoolExecutor] = []


def share_parts(work: Callable[[slice], Value], count: int, *, parts: int = THREADS) -> list[Value]:
    """Return what `work` makes of some equal parts of `count` things, in their order; it must not share out its own work.

    Args:
        work: given the part, returns what it makes of it.
        count: of all things.
        parts: into how many they are parted; more than threads where some take longer than others.
    """
    edges = np.linspace(0, count, parts + 1).astype(int).tolist()
    if not _pools:
        _pools.append(ThreadPoolExecutor(THREADS))
    return list(_pools[0].map(work, (slice(first, last) for first, last in pairwise(edges))))


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_pools.clear)  # a child has no threads of its parent's
