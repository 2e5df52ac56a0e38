"""The solid kernel's own threads: put away before a process forks, or its child would wait for threads that it does not have.

The kernel keeps the interpreter while it works, so that nothing forks in the middle of its work.
"""

from __future__ import annotations

import os

from mountgen.child import count_processors

_started = False


def start_threads() -> bool:
    """Give the kernel a thread for each processor, and return whether that is more than one."""
    from OCP.OSD import OSD_ThreadPool

    global _started
    _started = True
    OSD_ThreadPool.DefaultPool_s().Init(count_processors())
    return count_processors() > 1


def _put_away() -> None:
    if _started:
        from OCP.OSD import OSD_ThreadPool

        OSD_ThreadPool.DefaultPool_s().Init(1)  # whoever asks for it; it has no others then


if hasattr(os, "register_at_fork"):
    os.register_at_fork(before=_put_away)
