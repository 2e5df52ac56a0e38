"""What the solid kernel has made, kept by what it was made of: a part whose shape stays is not cut out again."""

from __future__ import annotations

import os
import struct
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from io import BytesIO
from typing import Any

STAMP = struct.Struct("<d")  # s of CPU that it took, before a solid's bytes
Solid = Any  # TopoDS_Shape
Recall = Callable[[Sequence[str | bytes], Callable[[], bytes]], bytes]  # what was made of these before, or is made now
_recalls: list[Recall | None] = []  # the last counts
_saved = 0.0


@contextmanager
def keeping_solids(recall: Recall | None) -> Iterator[None]:
    """Keep, within the block, what takes the kernel long.

    recall: returns what was made of words and bytes, as it was kept, or makes and keeps it; None where nothing is kept.
    """
    _recalls.append(recall)
    try:
        yield
    finally:
        _recalls.pop()


def recall_solid(made_of: Sequence[str | Solid], make: Callable[[], bytes]) -> bytes:
    """Return a solid as bytes: as it was kept, or made and kept.

    Args:
        made_of: words and solids, which alone decide the result; empty where nothing is to be kept.
        make: makes it.

    Raises:
        What `make` raises.
    """
    global _saved
    recall = _recalls[-1] if _recalls else None
    if recall is None or not made_of:
        return make()
    made = False

    def time() -> bytes:
        nonlocal made
        started, made = sum(os.times()[:4]), True
        data = make()
        return STAMP.pack(sum(os.times()[:4]) - started) + data

    found = recall([each if isinstance(each, str) else write_solid(each) for each in made_of], time)
    if not made:
        _saved += STAMP.unpack_from(found)[0]
    return found[STAMP.size :]


def count_saved() -> float:
    """Return the seconds of CPU that were spared in this process so far by solids that were kept: they took so long once."""
    return _saved


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
