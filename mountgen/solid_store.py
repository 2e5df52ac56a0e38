"""What the solid kernel has made, kept by what it was made of: a part whose shape stays is not cut out again."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from io import BytesIO
from typing import Any

import numpy as np

from mountgen.store import Entry, Store, make_key

Solid = Any  # TopoDS_Shape
_stores: list[Store | None] = []  # the last is where solids are kept just now


@contextmanager
def keeping_solids(store: Store | None) -> Iterator[None]:
    """Keep in a store, within the block, what takes the kernel long; None: nowhere."""
    _stores.append(store)
    try:
        yield
    finally:
        _stores.pop()


def recall_solid(made_of: Sequence[str | Solid], make: Callable[[], bytes]) -> bytes:
    """Return a solid as bytes: as it was kept, or made and kept.

    Args:
        made_of: words and solids, which alone decide the result; empty where nothing is to be kept.
        make: makes it; nothing of no length is kept.

    Raises:
        What `make` raises.
    """
    store = _stores[-1] if _stores else None
    if store is None or not made_of:
        return make()
    key = make_key("solid", *(each if isinstance(each, str) else write_solid(each) for each in made_of))
    kept = store.load(key)
    if kept is not None and "solid" in kept.arrays:
        return kept.arrays["solid"].tobytes()
    data = make()
    if data:
        store.save(key, Entry(arrays={"solid": np.frombuffer(data, dtype=np.uint8)}))
    return data


def write_solid(solid: Solid) -> bytes:
    """Return a solid in the kernel's own binary format, without triangles; the same bytes for one made in the same way."""
    from OCP.BinTools import BinTools, BinTools_FormatVersion

    stream = BytesIO()
    BinTools.Write_s(solid, stream, False, False, BinTools_FormatVersion.BinTools_FormatVersion_VERSION_4)
    return stream.getvalue()


def read_solid(data: bytes) -> Solid:
    """Return the solid that `write_solid` wrote."""
    from OCP.BinTools import BinTools
    from OCP.TopoDS import TopoDS_Shape

    shape = TopoDS_Shape()
    BinTools.Read_s(shape, BytesIO(data))
    return shape
