"""Results of early stages, kept by content hash: a scan is read once, a changed lip rebuilds no field.

One file an entry: a line with the SHA-256 of all that follows, a line of JSON (key, facts, names of the
arrays), then the arrays one after another in numpy's own format. Nothing in it is ever executed (no
pickles), and an entry whose sum, key or form is not what it should be counts as absent. The folder may be
deleted at any time, also while we run.
"""

from __future__ import annotations

import contextlib
import io
import json
import logging
import os
import re
import sys
import tempfile
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from hashlib import sha256
from importlib import metadata
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

LAYOUT = 1  # of an entry's file; another number is another key, so old files simply age out
FOLDER_LIMIT = 2 * 1024**3  # bytes; some twenty scans of 3 million triangles with their fields
MEMORY_LIMIT = 384 * 1024**2  # bytes; leaves room for the work itself in 1 GB
STALE = 3600.0  # s; a temporary file older than this was left by a process that died
LIBRARIES = (
    "mountgen", "cadquery-ocp", "contourpy", "fast-simplification", "manifold3d", "numba", "numpy", "scipy", "shapely",
)  # fmt: skip

Value = TypeVar("Value")
_OURS = re.compile(r"[0-9a-f]{64}\.entry|[0-9a-f]{16}-[^.]{1,20}\.part")  # nothing else is ever removed
_log = logging.getLogger(__name__)


@dataclass(frozen=True, eq=False)
class Entry:
    """What one stage's result is made of.

    arrays : by name, any shape, plain dtypes (no objects).
    facts  : JSON values by name, long text too.
    """

    arrays: Mapping[str, NDArray[Any]] = field(default_factory=dict)
    facts: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        views = {name: np.asarray(array).view() for name, array in self.arrays.items()}
        for view in views.values():
            view.setflags(write=False)
        object.__setattr__(self, "arrays", views)

    def size(self) -> int:
        """Return about how many bytes the entry takes in memory."""
        return sum(a.nbytes for a in self.arrays.values()) + sum(
            len(v) if isinstance(v, str) else 64 for v in self.facts.values()
        )


def find_cache_folder(
    environ: Mapping[str, str] | None = None, *, platform: str = sys.platform
) -> Path | None:
    """Return the folder where results are kept, or None where there is none.

    `MOUNTGEN_CACHE` names it, or turns keeping off when it is "off". Otherwise it is `mountgen` in the
    platform's cache folder: `%LOCALAPPDATA%`, `~/Library/Caches`, or `$XDG_CACHE_HOME` (`~/.cache` where that
    is unset or relative).

    Args:
        environ: environment variables; default those of the process.
        platform: as `sys.platform`.

    Returns:
        Path: it need not exist yet. None: turned off, or no home folder is known.

    Raises:
        Nothing.

    References:
        XDG Base Directory Specification 0.8: "All paths set in these environment variables must be absolute.
        If an implementation encounters a relative path [...] it should consider the path invalid and ignore
        it."
    """
    env = os.environ if environ is None else environ
    chosen = env.get("MOUNTGEN_CACHE", "").strip()
    if chosen:
        return None if chosen.lower() == "off" else Path(chosen).expanduser()
    try:
        if platform == "win32":
            return Path(env.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local") / "mountgen" / "cache"
        if platform == "darwin":
            return Path.home() / "Library" / "Caches" / "mountgen"
        given = Path(env.get("XDG_CACHE_HOME", ""))
        return (given if given.is_absolute() else Path.home() / ".cache") / "mountgen"
    except RuntimeError:  # no home folder
        return None


@lru_cache(maxsize=1)
def read_code_state(package: Path = Path(__file__).parent) -> str:
    """Return a digest of a package's source and of the versions of the libraries that results depend on."""
    total = sha256(f"layout {LAYOUT}; numpy byte order {sys.byteorder}".encode())
    for path in sorted(package.rglob("*.py")):
        total.update(f"\n{path.relative_to(package).as_posix()}\n".encode())
        total.update(path.read_bytes())
    for name in LIBRARIES:
        try:
            total.update(f"\n{name} {metadata.version(name)}".encode())
        except metadata.PackageNotFoundError:
            total.update(f"\n{name} absent".encode())
    return total.hexdigest()


def make_key(stage: str, *inputs: object) -> str:
    """Return the name under which a stage's result is kept: SHA-256 over code, libraries and inputs.

    Args:
        stage: name of the stage.
        inputs: all that the result depends on: JSON values, bytes, arrays; keys of other entries stand for
            their results.

    Returns:
        str: the key, 64 hex digits.

    Raises:
        TypeError: an input is of another kind.
        ValueError: a number is not finite.
    """
    total = sha256(f"{read_code_state()}\n{stage}".encode())
    for value in inputs:
        if isinstance(value, np.ndarray):
            total.update(f"\narray {value.dtype.str} {value.shape}\n".encode())
            total.update(np.ascontiguousarray(value).tobytes())
        elif isinstance(value, bytes):
            total.update(f"\nbytes {len(value)}\n".encode())
            total.update(value)
        else:
            text = json.dumps(value, sort_keys=True, allow_nan=False, ensure_ascii=True)
            total.update(f"\njson {len(text)}\n{text}".encode())
    return total.hexdigest()


class Store:
    """A folder of results by content hash, with a layer in memory above it.

    Nothing it does can fail a run: a folder that cannot be read or written, a full disk, a damaged entry all
    mean that the result is made again.

    Args:
        folder: where entries are kept; made when first needed. None: in memory only.
        limit: bytes the folder may take; the entries used longest ago go first.
        memory: bytes kept in memory.
    """

    def __init__(self, folder: Path | None, *, limit: int = FOLDER_LIMIT, memory: int = MEMORY_LIMIT) -> None:
        self.folder, self.limit, self.memory = folder, limit, memory
        self._held: OrderedDict[str, tuple[Entry, Any]] = OrderedDict()
        self._lock = threading.RLock()

    def load(self, key: str) -> Entry | None:
        """Return the entry kept under `key`, its arrays read-only, or None."""
        with self._lock:
            if key in self._held:
                self._held.move_to_end(key)
                return self._held[key][0]
        entry = self._read(key)
        if entry is not None:
            self._hold(key, entry, None)
        return entry

    def save(self, key: str, entry: Entry) -> None:
        """Keep `entry` under `key`.

        Args:
            key: from `make_key`.
            entry: its arrays are kept as they are (not copied) in memory, so they must not be changed
                afterwards.

        Raises:
            TypeError, ValueError: an array holds objects, or a fact is not JSON (a bug of the caller).
        """
        content = _encode(key, entry)
        self._hold(key, entry, None)
        if self.folder is not None:
            try:
                self._write(self.folder, key, content)
                self._trim(self.folder, key)
            except OSError as error:
                _log.info("result not kept: %s", error)

    def remember(
        self,
        key: str,
        build: Callable[[], Value],
        *,
        pack: Callable[[Value], Entry],
        unpack: Callable[[Entry], Value],
    ) -> Value:
        """Return the value kept under `key`, or build it and keep it.

        Args:
            key: from `make_key`.
            build: makes the value.
            pack: value to entry.
            unpack: entry to value; KeyError, TypeError or ValueError mean that the entry is not of the form
                expected.

        Returns:
            The value; the same object again within a process as long as memory allows.

        Raises:
            What `build` raises.
        """
        with self._lock:
            if key in self._held and self._held[key][1] is not None:
                self._held.move_to_end(key)
                held: Value = self._held[key][1]
                return held
        entry = self.load(key)
        if entry is not None:
            try:
                value = unpack(entry)
            except (KeyError, TypeError, ValueError) as error:
                _log.info("entry %s is not of the form expected: %r", key[:12], error)
            else:
                self._hold(key, entry, value)
                return value
        value = build()
        entry = pack(value)
        self.save(key, entry)
        self._hold(key, entry, value)
        return value

    def recall_bytes(self, stage: str, made_of: Sequence[str | bytes], make: Callable[[], bytes]) -> bytes:
        """Return the bytes that a stage made of the same before, or make them and keep them.

        Raises:
            What `make` raises.
        """
        return self.remember(
            make_key(stage, *made_of), make,
            pack=lambda made: Entry(arrays={"bytes": np.frombuffer(made, dtype=np.uint8)}),
            unpack=lambda entry: entry.arrays["bytes"].tobytes(),
        )  # fmt: skip

    def _hold(self, key: str, entry: Entry, value: Any) -> None:
        with self._lock:
            self._held[key] = (entry, value)
            self._held.move_to_end(key)
            total = sum(e.size() for e, _ in self._held.values())
            while total > self.memory and self._held:
                total -= self._held.popitem(last=False)[1][0].size()

    def _path(self, folder: Path, key: str) -> Path:
        return folder / f"{key}.entry"

    def _read(self, key: str) -> Entry | None:
        if self.folder is None:
            return None
        path = self._path(self.folder, key)
        try:
            content = path.read_bytes()
            entry = _decode(key, content)
        except FileNotFoundError:
            return None
        except (OSError, ValueError, TypeError, KeyError, EOFError, RecursionError, MemoryError) as error:
            _log.info("entry %s is not used: %r", key[:12], error)
            return None
        with contextlib.suppress(OSError):
            os.utime(path)  # used now: the last to be removed
        return entry

    def _write(self, folder: Path, key: str, content: list[bytes]) -> None:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        number, name = tempfile.mkstemp(prefix=f"{key[:16]}-", suffix=".part", dir=folder)
        try:
            with os.fdopen(number, "wb") as out:
                out.writelines(content)
            os.replace(name, self._path(folder, key))
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise

    def _trim(self, folder: Path, newest: str) -> None:
        """Remove what was left half-written, then the entries used longest ago, down to the limit."""
        found: list[tuple[float, int, Path]] = []
        for path in folder.iterdir():
            if not _OURS.fullmatch(path.name):
                continue
            try:
                state = path.stat()
                if path.suffix == ".entry":
                    found.append((state.st_mtime, state.st_size, path))
                elif time.time() - state.st_mtime > STALE:
                    path.unlink()
            except OSError:
                continue  # another process was quicker
        total = sum(size for _, size, _ in found)
        for _, size, path in sorted(found, key=lambda item: (item[0], item[2].name)):
            if total <= self.limit:
                break
            if path.stem != newest:
                path.unlink(missing_ok=True)
                total -= size


def _encode(key: str, entry: Entry) -> list[bytes]:
    """Return the file of an entry as a list of blocks."""
    about = {"layout": LAYOUT, "key": key, "facts": dict(entry.facts), "arrays": list(entry.arrays)}
    head = json.dumps(about, allow_nan=False)
    blocks = [head.encode("ascii") + b"\n"]
    for array in entry.arrays.values():
        block = io.BytesIO()
        np.lib.format.write_array(block, array, allow_pickle=False)
        blocks.append(block.getvalue())
    total = sha256()
    for part in blocks:
        total.update(part)
    return [total.hexdigest().encode("ascii") + b"\n", *blocks]


def _decode(key: str, content: bytes) -> Entry:
    """Return the entry in a file's bytes; ValueError, KeyError... where it is damaged or another key's."""
    body = memoryview(content)[65:]
    if len(content) < 66 or content[64:65] != b"\n" or sha256(body).hexdigest().encode() != content[:64]:
        raise ValueError("checksum")
    end = content.index(b"\n", 65)
    head = json.loads(content[65:end])
    if head["layout"] != LAYOUT or head["key"] != key:
        raise ValueError("another entry under this name")
    stream = io.BytesIO(content)
    stream.seek(end + 1)
    arrays: dict[str, NDArray[Any]] = {}
    for name in head["arrays"]:
        arrays[name] = np.lib.format.read_array(stream, allow_pickle=False)
    return Entry(arrays=arrays, facts=dict(head["facts"]))
