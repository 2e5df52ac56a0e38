"""What the store returns is what was kept, field by field."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from mountgen import ground
from mountgen.datum import Recess
from mountgen.entries import pack_recess, pack_scan, pack_space, unpack_recess, unpack_scan, unpack_space
from mountgen.errors import LoftError
from mountgen.field import InsertableSpace, UnseenArea
from mountgen.mend import Mend
from mountgen.progress import Clock, Quiet
from mountgen.scan import Scan
from mountgen.store import Store, make_key

RNG = np.random.default_rng(5)
SCAN = Scan(
    vertices=RNG.random((7, 3)), faces=RNG.integers(0, 7, (9, 3), dtype=np.int32), path=Path("a/ä.ply"),
    sha256="ab" * 32, unit="inch", mm_per_unit=25.4, spacing=0.1 + 0.2, noise=0.03,
    mended=(Mend("small holes", 3, "≤ 4 mm"), Mend("x", 1)), dropped=RNG.random((2, 4)),
)  # fmt: skip
RECESS = Recess(
    vertices=RNG.random((7, 3)), faces=RNG.integers(0, 7, (9, 3), dtype=np.int32), rim=RNG.random((5, 3)),
    lid=RNG.random(6), part_to_scan=np.eye(4), up=np.array([0.0, 1.0, 0.0]), depth=60.1,
    open_side_deg=(170.0, 190.0), notes=("a", "b"),
)  # fmt: skip
SPACE = InsertableSpace(
    height=RNG.random((4, 6), dtype=np.float32), seen=RNG.random((4, 6)) > 0.5, mouth=RNG.random((5, 2)),
    lid=RNG.random(6), origin=(-1.0, 2.5), pitch=0.125, draft_deg=1.0, top=0.7,
    unseen=(UnseenArea(12.5, 1.0, -2.0),),
)  # fmt: skip


@pytest.mark.parametrize(
    ("value", "pack", "unpack"),
    [
        (SCAN, pack_scan, unpack_scan),
        (RECESS, pack_recess, unpack_recess),
        (SPACE, pack_space, unpack_space),
    ],
    ids=["scan", "recess", "space"],
)
def test_the_store_returns_every_field_as_it_was(tmp_path: Path, value: Any, pack: Any, unpack: Any) -> None:
    key = make_key("test")
    Store(tmp_path).save(key, pack(value))

    def never() -> Any:
        raise AssertionError("it was kept, so it need not be made")

    back = Store(tmp_path).remember(key, never, pack=pack, unpack=unpack)
    assert type(back) is type(value)
    for field in fields(value):
        old, new = getattr(value, field.name), getattr(back, field.name)
        if isinstance(old, np.ndarray):
            assert old.dtype == new.dtype
            np.testing.assert_array_equal(old, new)
        else:
            assert (type(old), old) == (type(new), new)


def test_that_no_faces_could_be_fitted_is_kept_as_well(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    tries = []

    def fail(*_: Any, **__: Any) -> None:
        tries.append(1)
        raise LoftError("wall and floor do not meet in a simple curve", "body", "it is made of facets instead")

    monkeypatch.setattr(ground, "fit_clear_shell", fail)
    recipe = cast(Any, SimpleNamespace(fit=SimpleNamespace(gaps={})))
    for _ in range(2):  # a new process each, as far as the store knows
        store = Store(tmp_path)
        given = ground.Ground(recipe, cast(Any, None), {}, SCAN, RECESS, SPACE, None, key=make_key("shell"), store=store)
        assert ground.fit_ground(given, clock=Clock(Quiet())).shell is None
    assert len(tries) == 1
