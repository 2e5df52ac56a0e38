"""The store keeps what it was given, and whatever happens to its folder costs time, never a result."""

from __future__ import annotations

import os
import pickle
import shutil
import threading
import time
from hashlib import sha256
from pathlib import Path

import numpy as np
import pytest

from mountgen import store as store_module
from mountgen.store import Entry, Store, find_cache_folder, make_key

ENTRY = Entry(
    arrays={
        "points": np.arange(12.0).reshape(4, 3),
        "seen": np.array([[True, False]]),
        "none": np.zeros((0, 3), "i4"),
    },
    facts={
        "unit": "inch",
        "spacing": 0.1 + 0.2,
        "notes": ["≤ 3 mm", None],
        "brep": "DBRep_DrawableShape\n" * 3,
    },
)
KEY = make_key("test", 1)


def same(a: Entry | None, b: Entry) -> bool:
    return (
        a is not None
        and dict(a.facts) == dict(b.facts)
        and list(a.arrays) == list(b.arrays)
        and all(
            a.arrays[k].dtype == v.dtype and a.arrays[k].shape == v.shape and (a.arrays[k] == v).all()
            for k, v in b.arrays.items()
        )
    )


def only_file(folder: Path) -> Path:
    (path,) = folder.iterdir()
    return path


def sign(body: bytes) -> bytes:
    """Return a file whose sum is right, as somebody who knows the layout would plant it."""
    return sha256(body).hexdigest().encode() + b"\n" + body


@pytest.mark.parametrize("fresh", [False, True], ids=["same process", "next process"])
def test_returns_what_was_kept(tmp_path: Path, fresh: bool) -> None:
    store = Store(tmp_path)
    store.save(KEY, ENTRY)
    assert same((Store(tmp_path) if fresh else store).load(KEY), ENTRY)
    assert store.load(make_key("test", 2)) is None


def test_arrays_come_back_read_only(tmp_path: Path) -> None:
    Store(tmp_path).save(KEY, ENTRY)
    entry = Store(tmp_path).load(KEY)
    assert entry is not None
    with pytest.raises(ValueError, match="read-only"):
        entry.arrays["points"][0, 0] = 1.0


def test_keys_depend_on_every_input() -> None:
    ones = np.ones((2, 3))
    inputs: list[tuple[object, ...]] = [
        (),
        (1,),
        (1.5,),
        ("1",),
        (b"1",),
        (None,),
        ([1],),
        ([1, 2],),
        (1, 2),
        ("a", "b"),
        ("ab",),
        ({"a": 1},),
        (ones,),
        (ones.T,),
        (ones.astype("f4"),),
        (2 * ones,),
        (ones.tobytes(),),
    ]
    keys = [make_key("scan", *i) for i in inputs] + [make_key("field")]
    assert len(set(keys)) == len(keys)
    assert make_key("scan", {"a": 1, "b": 2}) == make_key("scan", {"b": 2, "a": 1})
    assert make_key("scan", ones[:, ::2]) == make_key("scan", ones[:, ::2].copy())
    with pytest.raises(ValueError, match="JSON compliant"):
        make_key("scan", float("nan"))
    with pytest.raises(TypeError):
        make_key("scan", Path())


def test_keys_depend_on_code_and_libraries(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    read = store_module.read_code_state.__wrapped__  # without its cache
    (tmp_path / "sub").mkdir()
    (tmp_path / "a.py").write_text("one")
    (tmp_path / "sub" / "b.py").write_text("two")
    states = [read(tmp_path)]
    assert read(tmp_path) == states[0]
    (tmp_path / "notes.txt").write_text("no code")
    assert read(tmp_path) == states[0]
    (tmp_path / "sub" / "b.py").write_text("twO")
    states.append(read(tmp_path))
    (tmp_path / "sub" / "b.py").rename(tmp_path / "b.py")
    states.append(read(tmp_path))
    monkeypatch.setattr("importlib.metadata.version", lambda name: "0.0.1" if name == "numpy" else "9")
    states.append(read(tmp_path))
    monkeypatch.setattr("importlib.metadata.version", lambda name: "9")
    states.append(read(tmp_path))
    assert len(set(states)) == 5


def test_any_single_damage_is_noticed(tmp_path: Path) -> None:
    Store(tmp_path).save(KEY, ENTRY)
    path = only_file(tmp_path)
    good = path.read_bytes()
    rng = np.random.default_rng(7)
    damaged = [b"", good[:40], good[:-1], good + b"x", good[:66], b"\0" * len(good), rng.bytes(len(good))]
    for at in rng.integers(0, len(good), 60):
        damaged.append(good[:at] + bytes([good[at] ^ 0x20]) + good[at + 1 :])
    for content in damaged:
        path.write_bytes(content)
        assert Store(tmp_path).load(KEY) is None
    path.write_bytes(good)
    assert same(Store(tmp_path).load(KEY), ENTRY)


def test_an_entry_renamed_to_another_key_is_refused(tmp_path: Path) -> None:
    Store(tmp_path).save(KEY, ENTRY)
    other = make_key("test", 2)
    shutil.copy(only_file(tmp_path), tmp_path / f"{other}.entry")
    assert Store(tmp_path).load(other) is None


class Harm:
    """Unpickling this would write a file."""

    def __init__(self, target: Path) -> None:
        self.target = target

    def __reduce__(self) -> tuple[object, ...]:
        return (Path.touch, (self.target,))


def test_a_planted_pickle_is_never_run(tmp_path: Path) -> None:
    folder, target = tmp_path / "store", tmp_path / "harmed"
    folder.mkdir()
    block = tmp_path / "block.npy"
    np.save(block, np.array([Harm(target)], dtype=object), allow_pickle=True)
    head = f'{{"layout": {store_module.LAYOUT}, "key": "{KEY}", "facts": {{}}, "arrays": ["a"]}}\n'.encode()
    (folder / f"{KEY}.entry").write_bytes(sign(head + block.read_bytes()))
    assert Store(folder).load(KEY) is None
    assert not target.exists()
    pickle.loads(pickle.dumps(Harm(target)))
    assert target.exists()  # so the planted object was a live one


@pytest.mark.parametrize(
    "head", [b"[]", b"{}", b"nonsense", b"[" * 100_000, b'{"layout": 1, "key": 5, "facts": [], "arrays": 3}']
)
def test_a_signed_file_of_another_form_counts_as_absent(tmp_path: Path, head: bytes) -> None:
    (tmp_path / f"{KEY}.entry").write_bytes(sign(head + b"\n"))
    assert Store(tmp_path).load(KEY) is None


def test_objects_and_odd_facts_are_refused_at_once(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="allow_pickle"):
        Store(tmp_path).save(KEY, Entry(arrays={"a": np.array([{}], dtype=object)}))
    with pytest.raises(ValueError, match="JSON compliant"):
        Store(tmp_path).save(KEY, Entry(facts={"a": float("inf")}))
    with pytest.raises(TypeError):
        Store(tmp_path).save(KEY, Entry(facts={"a": {1, 2}}))
    assert list(tmp_path.iterdir()) == []


def test_works_without_a_usable_folder(tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("in the way")
    for folder in (None, blocked, blocked / "below", Path("/proc/nowhere/cache")):
        store = Store(folder)
        store.save(KEY, ENTRY)
        assert same(store.load(KEY), ENTRY)  # from memory
        assert Store(folder).load(KEY) is None
    assert blocked.read_text() == "in the way"


def test_a_full_disk_leaves_no_half_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", refuse)
    store = Store(tmp_path)
    store.save(KEY, ENTRY)
    assert list(tmp_path.iterdir()) == []
    assert same(store.load(KEY), ENTRY)


def test_folder_deleted_while_running(tmp_path: Path) -> None:
    folder = tmp_path / "cache"
    store = Store(folder, memory=0)
    store.save(KEY, ENTRY)
    assert same(store.load(KEY), ENTRY)
    shutil.rmtree(folder)
    assert store.load(KEY) is None
    store.save(KEY, ENTRY)
    assert same(store.load(KEY), ENTRY)


def test_many_writers_one_deleter(tmp_path: Path) -> None:
    """Whatever is read while others write and delete is whole."""
    folder = tmp_path / "cache"
    stop = threading.Event()
    wrong: list[object] = []

    def write() -> None:
        try:
            for _ in range(60):
                Store(folder).save(KEY, ENTRY)
                read = Store(folder).load(KEY)
                if read is not None and not same(read, ENTRY):
                    wrong.append(read)
        except Exception as error:  # a thread's exception would go unseen
            wrong.append(error)

    def delete() -> None:
        while not stop.is_set():
            shutil.rmtree(folder, ignore_errors=True)
            stop.wait(0.002)

    writers, deleter = [threading.Thread(target=write) for _ in range(3)], threading.Thread(target=delete)
    for thread in (*writers, deleter):
        thread.start()
    for thread in writers:
        thread.join()
    stop.set()
    deleter.join()
    assert wrong == []


def test_size_limit_removes_what_was_used_longest_ago(tmp_path: Path) -> None:
    entry = Entry(arrays={"a": np.zeros(1000)})
    keys = [make_key("test", n) for n in range(5)]
    Store(tmp_path).save(keys[0], entry)
    size = only_file(tmp_path).stat().st_size
    store = Store(tmp_path, limit=3 * size, memory=0)
    strangers = [tmp_path / "letter.entry", tmp_path / "film.part", tmp_path / "readme.txt"]
    for path in strangers:
        path.write_bytes(b"x" * 10 * size)
    for age, key in enumerate(keys[:3]):
        store.save(key, entry)
        os.utime(tmp_path / f"{key}.entry", (1000.0 + age, 1000.0 + age))
    assert store.load(keys[0]) is not None  # used just now, so no longer the oldest
    store.save(keys[3], entry)
    left = {p.stem for p in tmp_path.glob("?" * 64 + ".entry")}
    assert left == {keys[0], keys[2], keys[3]}
    assert all(path.exists() for path in strangers)
    Store(tmp_path, limit=0).save(keys[4], entry)
    assert {p.stem for p in tmp_path.glob("?" * 64 + ".entry")} == {keys[4]}  # the newest always stays


def test_remains_of_a_dead_process_are_removed(tmp_path: Path) -> None:
    dead, alive = tmp_path / f"{KEY[:16]}-abcdefgh.part", tmp_path / f"{KEY[:16]}-ijklmnop.part"
    for path in (dead, alive):
        path.write_bytes(b"half")
    os.utime(dead, (time.time() - 2 * store_module.STALE,) * 2)
    Store(tmp_path).save(KEY, ENTRY)
    assert not dead.exists()
    assert alive.exists()


def test_memory_limit_holds(tmp_path: Path) -> None:
    store = Store(None, memory=20_000)
    for n in range(10):
        store.save(make_key("test", n), Entry(arrays={"a": np.full(1000, float(n))}))
    kept = [n for n in range(10) if store.load(make_key("test", n)) is not None]
    assert kept == [8, 9]


def test_remember_builds_once_and_repairs(tmp_path: Path) -> None:
    built: list[int] = []

    def build() -> tuple[float, ...]:
        built.append(1)
        return (1.0, 2.0)

    def pack(value: tuple[float, ...]) -> Entry:
        return Entry(arrays={"v": np.array(value)})

    def unpack(entry: Entry) -> tuple[float, ...]:
        return tuple(entry.arrays["v"].tolist())

    store = Store(tmp_path)
    first = store.remember(KEY, build, pack=pack, unpack=unpack)
    assert store.remember(KEY, build, pack=pack, unpack=unpack) is first
    assert Store(tmp_path).remember(KEY, build, pack=pack, unpack=unpack) == first
    assert len(built) == 1
    Store(tmp_path).save(KEY, Entry(arrays={"other": np.zeros(1)}))  # right sum, wrong form
    assert Store(tmp_path).remember(KEY, build, pack=pack, unpack=unpack) == first
    assert len(built) == 2
    assert Store(tmp_path).remember(KEY, build, pack=pack, unpack=unpack) == first
    assert len(built) == 2


def test_remember_keeps_nothing_of_a_failure(tmp_path: Path) -> None:
    def fail() -> int:
        raise OSError("no scan")

    with pytest.raises(OSError, match="no scan"):
        Store(tmp_path).remember(KEY, fail, pack=lambda _: Entry(), unpack=lambda _: 1)
    assert list(tmp_path.iterdir()) == []


def test_cache_folder_by_platform(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(Path, "home", lambda: tmp_path)
    absolute = str(tmp_path / "x")
    cases: list[tuple[dict[str, str], str, Path | None]] = [
        ({}, "linux", tmp_path / ".cache" / "mountgen"),
        ({"XDG_CACHE_HOME": absolute}, "linux", tmp_path / "x" / "mountgen"),
        ({"XDG_CACHE_HOME": "relative"}, "linux", tmp_path / ".cache" / "mountgen"),
        ({}, "darwin", tmp_path / "Library" / "Caches" / "mountgen"),
        ({"LOCALAPPDATA": absolute}, "win32", tmp_path / "x" / "mountgen" / "cache"),
        ({}, "win32", tmp_path / "AppData" / "Local" / "mountgen" / "cache"),
        ({"MOUNTGEN_CACHE": absolute, "XDG_CACHE_HOME": "/y"}, "linux", tmp_path / "x"),
        ({"MOUNTGEN_CACHE": "off"}, "darwin", None),
        ({"MOUNTGEN_CACHE": " "}, "linux", tmp_path / ".cache" / "mountgen"),
    ]
    for environ, platform, folder in cases:
        assert find_cache_folder(environ, platform=platform) == folder

    def homeless() -> Path:
        raise RuntimeError("Could not determine home directory.")

    monkeypatch.setattr(Path, "home", homeless)
    assert find_cache_folder({}, platform="linux") is None
