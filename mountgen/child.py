"""Work done in a child process that is forked off, so that nothing but the result has to be handed over. A leaf.

`beside` uses the second processor: loops in Python would wait for each other in threads. Where there is one processor only, and
on other systems than Linux, whose libraries do not all bear to be forked, it is done one after the other, with the same results.
"""

from __future__ import annotations

import atexit
import os
import pickle
import select
import signal
import sys
import time
import traceback
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from math import inf
from typing import NoReturn, TypeVar

PATIENCE = 600.0  # s of the clock after which what is done beside other work is done by that itself

Value = TypeVar("Value")
_is_child = False
_leaving: set[int] = set()  # children that have said all and may still be there
atexit.register(lambda: see_off(wait=True))  # so that their time counts as this process's


def can_fork() -> bool:
    """Return whether there can be a child."""
    return hasattr(os, "fork")


class Child:
    """A process that makes something of what its parent has in memory; whoever has it made stops it in any case.

    Args:
        make: makes it; nothing else that it does is seen by the parent.
        seconds: of its own CPU time after which the system ends it.
    """

    def __init__(self, make: Callable[[], bytes], *, seconds: float = inf) -> None:
        see_off()
        self._reader, writer = os.pipe()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)  # of threads, none of which the child needs
            self._number = os.fork()
        if self._number == 0:
            os.close(self._reader)  # or it would wait for itself to listen, should the parent be gone
            _answer(make, writer, seconds)
        os.close(writer)

    def listen(self, seconds: float) -> bytes:
        """Return all that it sends until it ends, or what has come after so many seconds of the clock."""
        end = time.monotonic() + seconds
        parts: list[bytes] = []
        while (left := end - time.monotonic()) > 0.0:
            if select.select([self._reader], [], [], left)[0]:
                part = os.read(self._reader, 1 << 20)
                if not part:
                    break
                parts.append(part)
        return b"".join(parts)

    def leave(self) -> None:
        """Let it go after it has sent all it had to say: the system needs some hundredths of a second to clear up after it."""
        os.close(self._reader)
        _leaving.add(self._number)

    def stop(self, *, patience: float = 0.1) -> None:
        """End it if it still runs after so many seconds: it closes its pipe, and needs a moment to go."""
        os.close(self._reader)
        end = time.monotonic() + patience
        while not _is_gone(self._number):
            if time.monotonic() > end:
                with suppress(ProcessLookupError):
                    os.kill(self._number, signal.SIGKILL)
                _is_gone(self._number, wait=True)
                break
            time.sleep(0.001)


def see_off(*, wait: bool = False) -> None:
    """Take note of the children that have gone since they were left; `wait` for the others too."""
    for number in tuple(_leaving):
        if _is_gone(number, wait=wait):
            _leaving.discard(number)


def _is_gone(number: int, *, wait: bool = False) -> bool:
    """Return whether a child has ended; `wait` until it has. Some supervisors have the system keep no record of it for us."""
    try:
        return os.waitpid(number, 0 if wait else os.WNOHANG)[0] != 0
    except ChildProcessError:
        return True


def _answer(make: Callable[[], bytes], writer: int, seconds: float) -> NoReturn:
    """Make it and send it, in the child, which ends here."""
    import resource

    global _is_child
    _is_child = True
    _leaving.clear()
    try:
        signal.signal(signal.SIGINT, signal.SIG_DFL)
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        if seconds < inf:
            most = max(1, round(seconds))
            resource.setrlimit(resource.RLIMIT_CPU, (most, most))
        content = make()
        with os.fdopen(writer, "wb") as pipe:
            pipe.write(content)
    finally:
        os._exit(0)  # nothing of the parent's is closed, flushed or told


@contextmanager
def beside(make: Callable[[], Value]) -> Iterator[Callable[[], Value]]:
    """Let a child do something while the block runs.

    What the block is given waits for it and returns its result, or raises its error; to be called once. A child that the system
    has ended, or that has been heard nothing of for ten minutes, is replaced by doing it all here.

    Args:
        make: does it; nothing but what it returns is seen, and that as a copy (pickle).
    """
    if _is_child or not sys.platform.startswith("linux") or count_processors() < 2:
        yield make
        return
    child = Child(lambda: _try(make))
    left = True

    def receive() -> Value:
        nonlocal left
        content = child.listen(PATIENCE)
        try:
            done, value = pickle.loads(content)  # by our own child
        except (EOFError, ValueError, pickle.UnpicklingError):  # cut off
            return make()
        left = False
        if not done:
            raise value
        result: Value = value
        return result

    try:
        yield receive
    finally:
        if left:
            child.stop(patience=0.0)
        else:
            child.leave()


def _try(make: Callable[[], object]) -> bytes:
    """Return whether it is done, with the result or the error."""
    try:
        return pickle.dumps((True, make()), protocol=5)
    except Exception as error:
        error.add_note("".join(traceback.format_exception(error)))  # of a bug; what the user can mend is shown without notes
        return pickle.dumps((False, error))


def count_processors() -> int:
    """Return how many processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
