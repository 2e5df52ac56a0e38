"""All or nothing: whatever goes wrong, what stood there still stands there, and no temporary file is left."""

from __future__ import annotations

import errno
import os
import stat
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from mountgen import safe_write
from mountgen.errors import ExportError
from mountgen.safe_write import check_folder, write_file, write_files

OLD = {"a.stl": b"old a", "b.step": b"old b"}
NEW = {"a.stl": b"new a", "b.step": b"new b", "c.3mf": b"new c"}


def read_all(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name, content in OLD.items():
        (tmp_path / name).write_bytes(content)
    return tmp_path


def test_writes_over_what_stood_there_and_leaves_nothing_else(folder: Path) -> None:
    assert write_files(folder, NEW) == {name: folder / name for name in NEW}
    assert read_all(folder) == NEW


def test_makes_missing_folders(tmp_path: Path) -> None:
    path = write_file(tmp_path / "out" / "deep" / "part.stl", b"part")
    assert path.read_bytes() == b"part"


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such mode bits")
def test_a_new_file_has_the_usual_mode(tmp_path: Path) -> None:
    """A file of the temporary-file library could be read by its owner alone."""
    plain = tmp_path / "plain"
    plain.write_bytes(b"")
    assert stat.S_IMODE(write_file(tmp_path / "ours", b"").stat().st_mode) == stat.S_IMODE(
        plain.stat().st_mode
    )


@pytest.mark.parametrize("failing", [1, 2, 3])
@pytest.mark.parametrize("links", [True, False])
def test_a_move_that_fails_is_undone(
    folder: Path, monkeypatch: pytest.MonkeyPatch, failing: int, links: bool
) -> None:
    real, calls = os.replace, []

    def replace(source: Path, target: Path) -> None:
        calls.append(target)
        if len(calls) == failing:
            raise OSError(errno.EIO, "Input/output error")
        real(source, target)

    def link(source: Path, target: Path) -> None:
        raise OSError(errno.EPERM, "no hard links here")

    monkeypatch.setattr(safe_write.os, "replace", replace)
    if not links:
        monkeypatch.setattr(safe_write.os, "link", link)
    with pytest.raises(ExportError) as caught:
        write_files(folder, NEW)
    assert "Input/output error" in caught.value.what
    assert caught.value.where == str(folder / list(NEW)[failing - 1])
    assert read_all(folder) == OLD


def test_what_cannot_be_put_back_is_kept_and_told(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The disk fails from the third move on: two files are new, and their old content is under the names that are told."""
    real, calls = os.replace, []

    def replace(source: Path, target: Path) -> None:
        calls.append(target)
        if len(calls) >= 3:
            raise OSError(errno.EIO, "Input/output error")
        real(source, target)

    monkeypatch.setattr(safe_write.os, "replace", replace)
    with pytest.raises(ExportError) as caught:
        write_files(folder, NEW)
    words = caught.value.remedy.removeprefix("rename by hand: ").split("; ")
    told = dict(reversed(each.split(" is the old ")) for each in words)
    assert {name: Path(copy).read_bytes() for name, copy in told.items()} == OLD
    assert str(folder / next(iter(NEW))) in caught.value.where


def test_an_interrupted_move_is_undone(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = os.replace

    def replace(source: Path, target: Path) -> None:
        if target.name == "b.step" and b"new" in source.read_bytes():
            raise KeyboardInterrupt
        real(source, target)

    monkeypatch.setattr(safe_write.os, "replace", replace)
    with pytest.raises(KeyboardInterrupt):
        write_files(folder, NEW)
    assert read_all(folder) == OLD


@pytest.mark.skipif(sys.platform == "win32", reason="needs a limit on file size")
def test_a_full_disk_leaves_the_old_files(folder: Path) -> None:
    """The system's own limit on file size fails in the middle of a write, as a full disk does."""
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, hard))
    try:
        with pytest.raises(ExportError) as caught:
            write_files(folder, {"a.stl": b"new a", "b.step": bytes(300_000)})
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert "no room" in caught.value.what
    assert "free some space" in caught.value.remedy
    assert read_all(folder) == OLD


def test_an_output_folder_that_is_a_file_is_named(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file")
    for out in (tmp_path / "out", tmp_path / "out" / "below"):
        with pytest.raises(ExportError) as caught:
            write_files(out, NEW)
        assert "file" in caught.value.what
        assert caught.value.where == str(out)
        assert "--out" in caught.value.remedy
    assert (tmp_path / "out").read_text() == "a file"


def test_a_folder_with_the_name_of_a_file_is_left_alone(folder: Path) -> None:
    (folder / "c.3mf").mkdir()
    with pytest.raises(ExportError) as caught:
        write_files(folder, NEW)
    assert "a folder stands where the file should go" in caught.value.what
    assert caught.value.where == str(folder / "c.3mf")
    assert "rename" in caught.value.remedy
    assert read_all(folder) == OLD


def test_a_forbidden_folder_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Tests may run as root, whom no mode bits stop, so the system's answer is played."""

    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr("builtins.open", refuse)
    with pytest.raises(ExportError) as caught:
        write_files(tmp_path / "out", NEW)
    monkeypatch.undo()
    assert "not allowed to write" in caught.value.what
    assert "may write to" in caught.value.remedy
    assert not (tmp_path / "out").exists()


def test_a_folder_is_looked_at_before_work_is_done_for_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    check_folder(tmp_path / "to" / "be" / "made")
    assert not (tmp_path / "to").exists()
    (tmp_path / "out").write_text("a file")
    for out in (tmp_path / "out", tmp_path / "out" / "below"):
        with pytest.raises(ExportError, match="lies under, a file"):
            check_folder(out)
    with pytest.raises(ExportError, match="cannot be written"):
        check_folder(tmp_path / ("long" * 100))
    monkeypatch.setattr(safe_write.os, "access", lambda *_: False)  # as root may write anywhere
    with pytest.raises(ExportError, match="not allowed to write"):
        check_folder(tmp_path / "new")


@pytest.mark.skipif(sys.platform == "win32", reason="links are made otherwise there")
def test_a_link_that_leads_nowhere_is_named_before_work_is_done_for_it(tmp_path: Path) -> None:
    (tmp_path / "circle").symlink_to("circle")
    (tmp_path / "dangling").symlink_to("nothing")
    for out in (tmp_path / "circle", tmp_path / "circle" / "below", tmp_path / "dangling"):
        with pytest.raises(ExportError, match="link that leads nowhere") as caught:
            check_folder(out)
        assert "--out" in caught.value.remedy


@pytest.mark.skipif(sys.platform == "win32", reason="no folder can be held there")
def test_two_runs_at_once_leave_the_files_of_one(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = os.replace

    def slowly(source: Path, target: Path) -> None:
        time.sleep(0.005)
        real(source, target)

    monkeypatch.setattr(safe_write.os, "replace", slowly)
    for _ in range(5):
        with ThreadPoolExecutor(4) as pool:
            list(pool.map(lambda run: write_files(folder, dict.fromkeys(NEW, run)), (b"1", b"2", b"3", b"4")))
        assert len(set(read_all(folder).values())) == 1
        assert set(read_all(folder)) == set(NEW)


def test_a_copy_that_is_only_half_made_is_removed(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where there are no hard links the old file is copied aside, and the disk may be full by then."""

    def refuse(source: Path, target: Path) -> None:
        raise OSError(errno.EPERM, "no hard links here")

    def copy(source: Path, target: Path) -> None:
        target.write_bytes(b"half")
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(safe_write.os, "link", refuse)
    monkeypatch.setattr(safe_write.shutil, "copy2", copy)
    with pytest.raises(ExportError, match="no room"):
        write_files(folder, NEW)
    assert read_all(folder) == OLD
