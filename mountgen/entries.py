"""What the first stages found as entries of the store, and back: one pair of functions for each kind of result.

All fields come back as they were, bit for bit, and in the units and frames that the types themselves state.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from mountgen.datum import Recess
from mountgen.field import InsertableSpace, UnseenArea
from mountgen.loft import Shell
from mountgen.scan import Mend, Scan
from mountgen.spline import Axis, Surface
from mountgen.store import Entry


def pack_scan(scan: Scan) -> Entry:
    """Return a scan as an entry: vertices, faces, pieces, spikes and covers as arrays; all else, path and mends too, as facts."""
    facts = {name: getattr(scan, name) for name in ("sha256", "unit", "mm_per_unit", "spacing", "noise", "grain")}
    facts["path"] = str(scan.path)
    facts["mended"] = [[m.what, m.count, m.note] for m in scan.mended]
    return Entry(arrays={name: getattr(scan, name) for name in ("vertices", "faces", "dropped", "spikes", "covers")}, facts=facts)


def unpack_scan(entry: Entry) -> Scan:
    """Return the scan of an entry that `pack_scan` made; its path is that of the file it was read from then."""
    values: dict[str, Any] = {**entry.arrays, **entry.facts}
    mended = tuple(Mend(what, count, note) for what, count, note in values.pop("mended"))
    return Scan(**(values | {"path": Path(values["path"]), "mended": mended}))


def pack_recess(recess: Recess) -> Entry:
    """Return a recess as an entry: mesh, rim, lid, `part_to_scan` and up as arrays; depth, open side and notes as facts."""
    arrays = {n: getattr(recess, n) for n in ("vertices", "faces", "covers", "rim", "lid", "part_to_scan", "up")}
    facts = {"depth": recess.depth, "open_side_deg": recess.open_side_deg, "notes": list(recess.notes)}
    return Entry(arrays=arrays, facts=facts)


def unpack_recess(entry: Entry) -> Recess:
    """Return the recess of an entry that `pack_recess` made."""
    values: dict[str, Any] = {**entry.arrays, **entry.facts}
    side = values["open_side_deg"]
    values["open_side_deg"] = None if side is None else (side[0], side[1])
    return Recess(**(values | {"notes": tuple(values["notes"])}))


def pack_space(space: InsertableSpace) -> Entry:
    """Return a space as an entry: its grids, mouth and lid as arrays; pitch, origin, draft, top and unseen ground as facts."""
    facts: dict[str, Any] = {n: getattr(space, n) for n in ("pitch", "draft_deg", "top")}
    facts["origin"] = list(space.origin)
    facts["unseen"] = [[u.area, u.x, u.y] for u in space.unseen]
    arrays = {n: getattr(space, n) for n in ("height", "seen", "mouth", "lid")}
    return Entry(arrays=arrays, facts=facts)


def unpack_space(entry: Entry) -> InsertableSpace:
    """Return the space of an entry that `pack_space` made."""
    values: dict[str, Any] = {**entry.arrays, **entry.facts}
    x, y = values["origin"]
    unseen = tuple(UnseenArea(*each) for each in values["unseen"])
    return InsertableSpace(**(values | {"origin": (x, y), "unseen": unseen}))


def pack_shell(shell: Shell | None) -> Entry:
    """Return a shell as an entry: breaks and poles of each face as arrays, pockets and posts under names of their own.

    That there is none, because it could not be fitted, is kept as well: it took long to find out.
    """
    if shell is None:
        return Entry(facts={"fitted": False})
    arrays: dict[str, Any] = {}
    facts: dict[str, Any] = {}

    def pack(each: Shell, prefix: str) -> None:
        for name, surface in (("wall", each.wall), ("floor", each.floor)):
            parts = {"u": surface.u.breaks, "v": surface.v.breaks, "poles": surface.poles}
            arrays.update({f"{prefix}{name}_{part}": array for part, array in parts.items()})
        facts[prefix] = [each.split_deg, each.overlap]

    pack(shell, "")
    for kind, shells in (("pocket", shell.pockets), ("post", shell.posts)):
        for k, each in enumerate(shells):
            pack(each, f"{kind}{k}_")
    return Entry(arrays=arrays, facts=facts)


def unpack_shell(entry: Entry) -> Shell | None:
    """Return the shell of an entry that `pack_shell` made, its pockets and posts in their old order."""
    if entry.facts.get("fitted") is False:
        return None

    def surface(name: str, *, periodic: bool) -> Surface:
        u, v, poles = (entry.arrays[f"{name}_{part}"] for part in ("u", "v", "poles"))
        return Surface(Axis(u, periodic), Axis(v, False), poles)

    def unpack(prefix: str) -> Shell:
        wall, floor = surface(f"{prefix}wall", periodic=True), surface(f"{prefix}floor", periodic=False)
        split_deg, overlap = entry.facts[prefix]
        return Shell(wall=wall, floor=floor, split_deg=split_deg, overlap=overlap)

    pockets, posts = (
        tuple(unpack(prefix) for prefix in entry.facts if prefix.startswith(kind)) for kind in ("pocket", "post")
    )
    return replace(unpack(""), pockets=pockets, posts=posts)
