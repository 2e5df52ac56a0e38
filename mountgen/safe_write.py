"""Write a set of files so that either all of them are new or none is touched. A leaf.

Goal: a run that fails half way (disk full, folder not writable, a name that is taken by a folder) must not cost the user the part
    of the last run, nor leave a new STL beside an old STEP.

Steps: every file is first written in full under a temporary name in the folder it belongs to; then what stands there is kept
    under a second temporary name (a hard link, or a copy where the file system has none); then the new files are moved into place
    with `os.replace`, which is atomic for one file. If a move fails, the earlier ones are taken back. Only then are the kept ones
    removed; one that cannot be put back stays, and its name is told.
"""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
import shutil
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

from mountgen.errors import ExportError

_FULL = {errno.ENOSPC, errno.EFBIG} | {getattr(errno, name) for name in ("EDQUOT",) if hasattr(errno, name)}
_REFUSED = {errno.EACCES, errno.EPERM, errno.EROFS}
_LINK = "give another folder with --out, or mend the link"
_NOT_A_FOLDER = {errno.ENOTDIR, errno.EEXIST}


def write_file(path: Path, content: bytes) -> Path:
    """Write one file under a temporary name beside `path` and move it into place.

    Args:
        path: the file to write; its folder is made if missing.
        content: the whole file.

    Returns:
        Path: `path`.

    Raises:
        ExportError: the folder or the file cannot be written; what stood at `path` is still there.
    """
    return write_files(path.parent, {path.name: content})[path.name]


def write_files(folder: Path, contents: Mapping[str, bytes]) -> dict[str, Path]:
    """Write all files of `contents` into `folder`, or none.

    Args:
        folder: made if missing.
        contents: file name (without folder) to the whole file.

    Returns:
        dict: the same names, in the same order, to the paths written.

    Raises:
        ExportError: something cannot be written; every file that stood there before stands there unchanged.
    """
    is_new = not folder.exists()
    _make_folder(folder)
    targets = {name: folder / name for name in contents}
    fresh: dict[Path, Path] = {}
    try:
        for name, content in contents.items():
            fresh[targets[name]] = _write_beside(targets[name], content)
        with _alone_in(folder):
            _move_all(fresh)
    except BaseException:
        for temporary in fresh.values():
            temporary.unlink(missing_ok=True)
        if is_new:
            with contextlib.suppress(OSError):
                folder.rmdir()
        raise
    return targets


def check_folder(folder: Path) -> None:
    """Make sure, before work is done for it, that files may be written into a folder that is there or can be made.

    Raises:
        ExportError: they may not. Nothing is made or written.
    """
    try:
        there = next(each for each in (folder, *folder.absolute().parents) if each.exists() or each.is_symlink())
        if there.is_symlink() and not there.exists():
            raise ExportError("the output folder is, or lies under, a link that leads nowhere", str(folder), _LINK)
        if not there.is_dir():
            raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR))
        if not os.access(there, os.W_OK | os.X_OK):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
    except OSError as error:
        raise _explain(error, folder) from error


@contextmanager
def _alone_in(folder: Path) -> Iterator[None]:
    """Let no other run move its files into a folder meanwhile: two at once would leave parts of both."""
    try:
        import fcntl

        held = os.open(folder, os.O_RDONLY)
    except (ImportError, OSError):  # nothing of the kind on this system
        yield
        return
    try:
        with contextlib.suppress(OSError):
            fcntl.flock(held, fcntl.LOCK_EX)
        yield
    finally:
        os.close(held)


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise _explain(error, folder) from error


def _temporary_name(path: Path) -> Path:
    """Return a free name beside `path`, hidden, and short so that no long name grows past the limit."""
    return path.with_name(f".mountgen-{secrets.token_hex(6)}.tmp")


def _write_beside(path: Path, content: bytes) -> Path:
    temporary = _temporary_name(path)
    try:
        if path.is_dir():
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
        with open(temporary, "xb") as stream:
            stream.write(content)
    except OSError as error:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)
        raise _explain(error, path) from error
    return temporary


def _move_all(fresh: Mapping[Path, Path]) -> None:
    """Move each temporary file to its target; on failure put back what stood at those already moved."""
    kept: dict[Path, Path] = {}
    moved: list[Path] = []
    target = Path()
    try:
        for target in fresh:
            if target.exists():
                kept[target] = _keep(target)
        for target, temporary in fresh.items():
            os.replace(temporary, target)
            moved.append(target)
    except BaseException as error:
        _take_back(moved, kept)
        if isinstance(error, OSError):
            raise _explain(error, target) from error
        raise
    finally:
        for copy in kept.values():
            with contextlib.suppress(OSError):
                copy.unlink(missing_ok=True)


def _take_back(moved: Sequence[Path], kept: dict[Path, Path]) -> None:
    """Put back what stood at each target that was moved to.

    Raises:
        ExportError: the system does not let us; names the copies, which are no longer among those `kept`.
    """
    left = []
    for done in moved:
        try:
            if done in kept:
                os.replace(kept[done], done)
            else:
                done.unlink(missing_ok=True)
        except OSError:
            left.append(done)
    copies = [f"{kept.pop(path)} is the old {path.name}" for path in left if path in kept]
    if left:
        raise ExportError(
            "some files are new and could not be put back as they were",
            ", ".join(map(str, left)),
            f"rename by hand: {'; '.join(copies)}" if copies else "delete them by hand; nothing stood there before",
        )


def _keep(path: Path) -> Path:
    """Give what stands at `path` a second name and return it."""
    kept = _temporary_name(path)
    try:
        os.link(path, kept)
    except OSError:
        try:
            shutil.copy2(path, kept)
        except BaseException:
            kept.unlink(missing_ok=True)
            raise
    return kept


def _explain(error: OSError, path: Path) -> ExportError:
    """Translate an operating system's error into our own words."""
    reason = error.strerror or type(error).__name__
    if error.errno in _FULL:
        return ExportError(
            f"no room for the file ({reason})",
            str(path),
            "free some space, or choose another folder with --out",
        )
    if error.errno in _REFUSED:
        return ExportError(
            f"not allowed to write ({reason})", str(path), "choose a folder you may write to with --out"
        )
    if error.errno == errno.EISDIR:
        return ExportError(
            "a folder stands where the file should go",
            str(path),
            "rename that folder, or choose another with --out",
        )
    if error.errno in _NOT_A_FOLDER:
        return ExportError(
            f"the output folder is, or lies under, a file ({reason})",
            str(path),
            "give a folder with --out, or rename the file",
        )
    return ExportError(
        f"the file cannot be written ({reason})", str(path), "choose another folder with --out"
    )
