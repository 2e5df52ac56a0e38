"""Retaining tabs: a cantilever arm in each end wall of a part, with a hook that flexes it when the part is pushed in.

The arm's outer face is the part's own wall. A slot behind it and one along each edge free it; all are open at the front, where
the arm's tip can be pressed to let go. The hook stands out of the wall, into the clearance and beyond it. How far the scan
bends it is not assumed but measured, by rays, over the whole insertion.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil, cos, floor, radians, tan

import numpy as np

from mountgen.arrays import Bools, Floats, freeze
from mountgen.datum import Recess, lid_height
from mountgen.errors import FeatureError, KernelError, MountgenError
from mountgen.features.part import SoftZone
from mountgen.features.tab_place import (
    CREST,
    FINE,
    LEAD_DEG,
    LONGEST_TIP,
    NAMES,
    RETURN_DEG,
    SIDE_GAP,
    UNSEEN,
    Ride,
    Tab,
    TabPlace,
    TabRoom,
    feel_wall,
    find_room,
    list_places,
    longest_arm,
    slot_width,
)
from mountgen.kernel import Mesh, Solid, combine_many, is_closed, tessellate
from mountgen.mesh_measure import measure_volume
from mountgen.recipe_tables import RetainingTabs
from mountgen.shape import Axes, extrude, require_one_solid, round_polygon
from mountgen.snap import find_fillet
from mountgen.solid_mesh import load_solid
from mountgen.surface import Surface, surface_of

CATCH = 0.2  # mm of rise on the way out from which it is worth to move the hook back for it
UNEVEN = 0.4  # share by which the arm's thickness may leave the recipe's, where the wall is curved
# Slots beside an arm as they are tried until the kernel cuts them: mm wider, and radius at their ends as a share of the width.
NUDGES = ((0.0, 0.49), (0.0, 0.3), (0.05, 0.3), (0.0, 0.0), (0.05, 0.0), (0.11, 0.0))
SLIP = 0.05  # of the slots' volume by which the cut may differ from an exact one: chords of the old and the new facets
SAMPLES = 5  # across the arm, for rays
INSET = 0.1  # mm from a slot's faces, at which the first and last rays through it run


@dataclass(frozen=True, eq=False)
class TabPlan:
    """Tabs that are placed. soft: where the part is meant to touch and flex."""

    tabs: tuple[Tab, ...]
    soft: tuple[SoftZone, ...]


@dataclass(frozen=True, eq=False)
class _Profile:
    """Wall and scan beside a place.

    z : (M,) heights, rising, mm.  wall: (M,) and scan: (M, SAMPLES), offsets along the place's outward, mm.
    missing : (M,) bool, where there is no scan below the mouth.
    """

    z: Floats
    wall: Floats
    scan: Floats
    missing: Bools

    def __post_init__(self) -> None:
        for name in ("z", "wall", "scan"):
            freeze(self, name, "float64")
        freeze(self, "missing", "bool")


@dataclass(frozen=True, eq=False)
class TabTrial:
    """What a recipe's tabs were cut into, to try others on it. solid: without tabs; mesh: on which their places were sought."""

    solid: Solid
    mesh: Mesh
    recess: Recess

    def place(self, tabs: RetainingTabs) -> tuple[Tab, ...]:
        """Return other tabs as they would be placed; none where they have no room."""
        try:
            return plan_tabs(self.mesh, self.recess, tabs=tabs).tabs
        except FeatureError:
            return ()

    def cut(self, tabs: RetainingTabs) -> Mesh | None:
        """Return the finished part with other tabs; None where it cannot be made."""
        try:
            return tessellate(carve_tabs(self.solid, plan_tabs(self.mesh, self.recess, tabs=tabs), tabs=tabs))
        except (FeatureError, KernelError):
            return None


def plan_tabs(mesh: Mesh, recess: Recess, *, tabs: RetainingTabs) -> TabPlan:
    """Find places for retaining tabs in the two ends of a part.

    Args:
        mesh: the part, otherwise finished but for what does not concern its ends.
        recess: the scan in the part frame.
        tabs: the recipe's `[tabs]` table.

    Returns:
        TabPlan: to be cut by `carve_tabs`.

    Raises:
        FeatureError: an arm does not fit; says the longest that would.
    """
    body = Surface(mesh.vertices, mesh.faces)
    scan = surface_of(recess)
    made = tuple(_place_tab(body, scan, recess, side, tabs) for side in (-1, 1))
    return TabPlan(made, tuple(_shape_tab(tab, tabs)[2] for tab in made))


def carve_tabs(solid: Solid, plan: TabPlan, *, tabs: RetainingTabs) -> Solid:
    """Cut planned tabs into a solid.

    Where the slots run nearly along a face the kernel's booleans may fail without a word, leave slots uncut, or leave a skin of
    some microns across them. So the volume that they took is held against that of an exact boolean of the meshes, rays are sent
    through the slots, and others a little wider are tried; so too where a slot grazes a wall and the mesher cannot close what is
    left between them.

    Args:
        solid: the part, divided around.
        plan: from `plan_tabs`.
        tabs: the recipe's `[tabs]` table.

    Returns:
        One valid solid.

    Raises:
        FeatureError: the part falls in pieces.
        KernelError: the kernel cannot make it.
    """
    remedy = "make tabs.length or tabs.width smaller"
    what = "the solid kernel leaves slots of the retaining tabs uncut"
    failed: MountgenError = KernelError(
        what, "retaining tabs", "change tabs.length or tabs.hook by some tenths, or set tabs = false"
    )
    whole = load_solid(tessellate(solid))
    for nudge, rounding in NUDGES:
        shaped = [_shape_tab(tab, tabs, nudge=nudge, rounding=rounding) for tab in plan.tabs]
        cut, add = [slot for slots, _, _ in shaped for slot in slots], [hook for _, hook, _ in shaped]
        left = whole
        for tool in cut:
            left -= load_solid(tessellate(tool))
        removed, expected = float(whole.volume() - left.volume()), left
        for tool in add:
            expected += load_solid(tessellate(tool))
        try:
            shape = combine_many(solid, cut, "cut", what="retaining tabs")
            shape = combine_many(shape, add, "fuse", what="hooks of the retaining tabs")
            made = require_one_solid(shape, what="retaining tabs", remedy=remedy)
            mesh = tessellate(made)
        except KernelError:
            continue
        except FeatureError as error:  # in pieces, which a failed boolean may leave too
            failed = error
            continue
        right = is_closed(mesh.faces) and abs(measure_volume(mesh) - expected.volume()) <= SLIP * removed
        if right and are_whole(mesh, plan.tabs, tabs):
            return made
    raise failed


def are_whole(mesh: Mesh, placed: Sequence[Tab], tabs: RetainingTabs) -> bool:
    """Return whether rays run through all slots of a part's tabs from end to end, and meet each hook where its crest is.

    Args:
        mesh: the part with its tabs.
        placed: its tabs.
        tabs: the recipe's `[tabs]` table.
    """
    surface = Surface(mesh.vertices, mesh.faces)
    h, slot, half = tabs.thickness, slot_width(tabs), 0.5 * tabs.width
    for tab in placed:
        origin, out, along, across = tab.axes
        tip = _tip(tab)
        high = np.arange(-tabs.length, tip - INSET, FINE)
        aside = half + np.linspace(INSET, SIDE_GAP - INSET, 2 * SAMPLES)
        # (a, b, c), offsets outwards, along and across, at which rays start; which way they run, and how far they must come
        beside = _grid(np.array([tabs.hook + 2.0]), high, np.concatenate([-aside, aside]))
        behind = _grid(-h - np.linspace(INSET, slot - INSET, 2 * SAMPLES), np.array([tip]), np.linspace(-half, half, 2 * SAMPLES))
        crest = _grid(np.array([tabs.hook + 2.0]), np.zeros(1), np.linspace(-0.8, 0.8, SAMPLES) * half)
        frame = np.stack([out, along, across])
        for start, way, need in ((beside, -out, tabs.hook + 2.0 + h + 0.4 * slot), (behind, -along, tip + tabs.length)):
            run, _ = surface.cast(origin + start @ frame, np.broadcast_to(way, start.shape))
            if (run < need).any():
                return False
        run, _ = surface.cast(origin + crest @ frame, np.broadcast_to(-out, crest.shape))
        if (np.abs(run - 2.0) > INSET).any():
            return False
    return True


def _grid(a: Floats, b: Floats, c: Floats) -> Floats:
    """Return all triples of three rows of numbers, (N, 3)."""
    grid: Floats = np.stack(np.meshgrid(a, b, c, indexing="ij"), axis=-1).reshape(-1, 3)
    return grid


def _place_tab(body: Surface, scan: Surface, recess: Recess, side: int, tabs: RetainingTabs) -> Tab:
    """Return the best place for a tab at one end.

    Raises:
        FeatureError: there is none.
    """
    best, places = _seek_tab(body, scan, recess, side, tabs)
    if best is None:
        raise _misfit(body, scan, recess, side, tabs, places)
    return best


def _seek_tab(
    body: Surface, scan: Surface, recess: Recess, side: int, tabs: RetainingTabs
) -> tuple[Tab | None, list[TabPlace]]:
    """Return the best place for a tab at one end, None where there is none, and those that were looked at."""
    room = find_room(tabs)
    places = list_places(body, side, room)
    longest = longest_arm(places, room)
    fitting = [p for p in places if p.top - p.low >= tabs.length + room.above + room.below]
    best: Tab | None = None
    for place in fitting[:6]:
        tab = _fit_tab(body, scan, recess, place, tabs, room, longest)
        if tab is not None and (best is None or tab.ride.unseen < best.ride.unseen):
            best = tab
        if best is not None and best.ride.unseen < UNSEEN:
            break
    return best, places


def _find_other(body: Surface, scan: Surface, recess: Recess, tabs: RetainingTabs) -> tuple[str, float] | None:
    """Return the key of a recipe's tabs and the nearest value of it with which both ends have a place; None where none has."""
    tries = [("hook", float(hook)) for hook in np.arange(round(tabs.hook - 0.1, 1), 0.25, -0.1).round(1)]
    tries += [("width", float(width)) for width in np.arange(tabs.width - 1.0, 2.9, -1.0)]
    shortest = 4.0 * tabs.thickness
    tries += [("length", float(length)) for length in np.arange(tabs.length - 1.0, shortest, -1.0)]
    for key, value in tries:
        other = tabs.model_copy(update={key: value})
        if all(_seek_tab(body, scan, recess, side, other)[0] is not None for side in (-1, 1)):
            return key, value
    return None


def _misfit(
    body: Surface, scan: Surface, recess: Recess, side: int, tabs: RetainingTabs, places: list[TabPlace]
) -> FeatureError:
    where = f"retaining tab, {NAMES[side]}"
    room = find_room(tabs)
    longest = longest_arm(places, room)
    if longest >= tabs.length:
        other = _find_other(body, scan, recess, tabs)
        if other is not None and other[0] == "hook":
            what = f"a hook of {tabs.hook:g} mm bends an arm of {tabs.length:g} mm farther than the slot behind it is wide"
        else:
            what = f"the end wall is too curved for an arm of {tabs.length:g} x {tabs.width:g} mm"
        change = "" if other is None else f"set tabs.{other[0]} = {other[1]:g}, or "
        return FeatureError(what, where, f"{change}leave the tabs out with tabs = false")
    if longest >= 4.0 * tabs.thickness:
        what = f"the arm is {tabs.length:g} mm long, the end wall has room for {longest:.1f} mm"
        return FeatureError(
            what,
            where,
            f"set tabs.length = {floor(2.0 * longest) / 2.0:g} or less, or make the part deeper there",
        )
    width = tabs.width
    while (width := width - 0.5) >= 3.0:
        narrow = replace(room, width=width)
        if longest_arm(list_places(body, side, narrow), narrow) >= tabs.length:
            what = f"the end wall has no room for an arm {tabs.width:g} mm wide"
            return FeatureError(what, where, f"set tabs.width = {width:g} or less")
    what = (
        f"the end wall has no room for an arm of {tabs.length:g} x {tabs.width:g} mm "
        f"with {room.depth:.1f} mm of part behind its face"
    )
    return FeatureError(what, where, "raise the deck (deck.height), or leave the tabs out with tabs = false")


def _fit_tab(
    body: Surface, scan: Surface, recess: Recess, place: TabPlace, tabs: RetainingTabs, room: TabRoom, longest: float
) -> Tab | None:
    """Return the tab at a place: its hook where it catches best; None where the wall is too curved for an even arm."""
    profile = _feel(body, scan, recess, place, tabs)
    deepest = max(place.low + room.below + tabs.length, place.top - LONGEST_TIP * tabs.length)
    first = place.top - room.above
    crests = np.arange(first, min(deepest, first) - 1e-9, -FINE)  # a hook longer than a short arm's tip has one place
    rides = [_ride(profile, float(crest), tabs.hook) for crest in crests]
    caught = max(ride.catch for ride in rides)
    chosen = 0 if caught < CATCH else next(k for k, ride in enumerate(rides) if ride.catch >= 0.9 * caught)
    crest = float(crests[chosen])
    swing = rides[chosen].deflection * (1.0 + 1.5 * (place.peak - crest) / tabs.length)
    if swing > slot_width(tabs) - 0.2:
        return None
    span = np.linspace(crest - tabs.length, crest, 25)
    wall, _, _ = feel_wall(body, place, np.linspace(-0.5, 0.5, SAMPLES) * 0.98 * tabs.width, span)
    if not np.isfinite(wall).all():
        return None
    middle = wall[:, SAMPLES // 2]
    slope, offset = np.polyfit(span - crest, middle, 1)
    excess = (wall - (offset + slope * (span - crest))[:, None]) * cos(np.arctan(slope))
    if np.abs(excess).max() > UNEVEN * tabs.thickness:
        return None
    thickness = tabs.thickness + float(np.abs(excess[: len(span) // 2]).max())
    return Tab(place, crest, float(offset), float(np.arctan(slope)), thickness, rides[chosen], longest)


def _feel(body: Surface, scan: Surface, recess: Recess, place: TabPlace, tabs: RetainingTabs) -> _Profile:
    """Feel the wall from outside, and the scan from inside the wall, all the way out of the mouth."""
    across = np.linspace(-0.5, 0.5, SAMPLES) * 0.98 * tabs.width
    rim = float(recess.rim[:, 2].max()) + tabs.hook + 1.0
    below = place.top - tabs.length - 2.0
    above, under = (ceil(reach / FINE) for reach in (max(rim - place.top, 0.0), place.top - below))
    z: Floats = place.top + FINE * np.arange(-under, above + 1, dtype=np.float64)
    felt, _, _ = feel_wall(body, place, across, z)
    known = np.isfinite(felt).all(axis=1) & (z <= place.top) & (z >= place.low)
    wall = np.interp(z, z[known], felt[known].mean(axis=1))
    inside = float(felt[known].min()) - tabs.thickness
    start = place.at(np.asarray(inside), across[None, :], z[:, None]).reshape(-1, 3)
    run, _ = scan.cast(start, np.broadcast_to(place.outward, start.shape))
    offset = (inside + run).reshape(len(z), SAMPLES)
    end = place.at(wall, np.asarray(0.0), z)
    missing = ~np.isfinite(offset).any(axis=1) & (z < lid_height(recess.lid, end[:, 0], end[:, 1]) - 3.0)
    return _Profile(z, wall, offset, missing)


def _ride(profile: _Profile, crest: float, hook: float) -> Ride:
    """Return how far the scan stands in the way of a hook with its crest at a height.

    The hook's outline is compared with the scan's at rest and at every lift, both on the same grid of heights.
    """
    z = profile.z
    at = int(np.argmin(np.abs(z - crest)))
    beside = np.abs(z - z[at])
    slope = np.where(z < z[at], tan(radians(LEAD_DEG)), tan(radians(RETURN_DEG)))
    stands = profile.wall[at] + hook - np.maximum(beside - 0.5 * CREST, 0.0) * slope
    rows = np.flatnonzero(stands > profile.wall)
    count = len(z) - rows[-1]
    depth = np.array([(stands[rows, None] - profile.scan[rows + k]).max() for k in range(count)])
    depth = np.maximum(depth, 0.0)  # the arm springs back to its own place, not farther
    unseen = float(profile.missing[at:].mean()) if at < len(z) else 1.0
    return Ride(float(depth.max()), float(depth[0]), float(depth.max() - depth[0]), unseen)


def _shape_tab(
    tab: Tab, tabs: RetainingTabs, *, nudge: float = 0.0, rounding: float = 0.49
) -> tuple[list[Solid], Solid, SoftZone]:
    """Return the slots to cut, the hook to add, and the box around arm and hook; nudge and rounding as in `NUDGES`."""
    origin, out, along, across = tab.axes
    h, slot, fillet = tabs.thickness, slot_width(tabs), find_fillet(tabs.thickness)
    half, reach = 0.5 * tabs.width, tabs.hook + 2.0
    root, tip = -tabs.length, _tip(tab)
    bottom = root - fillet

    def place(offset: float) -> Floats:
        spot: Floats = origin + offset * across
        return spot

    # all slots overlap and none shares a plane with another: the kernel then has no coincident faces to sort out
    gap = SIDE_GAP + nudge
    edge = half + 0.5 * gap
    back = round_polygon(
        [(-h - slot, bottom), (-h, bottom), (-h, tip), (-h - slot, tip)],
        [fillet * 0.999, fillet * 0.999, 0.0, 0.0],
    )
    slots = [extrude(back, axes=Axes(place(edge), out, along), height=2.0 * edge)]
    for sign in (-1.0, 1.0):
        low, high = sorted((sign * half, sign * (half + gap)))
        beside = round_polygon(
            [(low, bottom - 0.15 - nudge), (high, bottom - 0.15 - nudge), (high, tip + 0.5), (low, tip + 0.5)],
            [rounding * gap, rounding * gap, 0.0, 0.0],
        )
        start = origin - (h + 0.5 * slot) * out
        slots.append(extrude(beside, axes=Axes(start, across, along), height=h + 0.5 * slot + reach))
    lean = np.degrees(tab.lean)
    lead, back_off = (1.0 / tan(radians(angle)) for angle in (LEAD_DEG - lean, RETURN_DEG + lean))
    deep = 0.4 * h
    hook = round_polygon(
        [
            (tabs.hook, -0.5 * CREST), (tabs.hook, 0.5 * CREST),
            (-deep, 0.5 * CREST + (tabs.hook + deep) * back_off), (-deep, -0.5 * CREST - (tabs.hook + deep) * lead),
        ],
        0.0,
    )  # fmt: skip
    inner = half - 0.25  # narrower than the arm, so that their sides do not coincide
    nose = extrude(hook, axes=Axes(place(inner), out, along), height=2.0 * inner)
    corners = np.array([
        origin + a * out + b * along + c * across
        for a in (-h - 0.02, tabs.hook + 0.3) for b in (bottom, tip) for c in (-half - 0.02, half + 0.02)
    ])  # fmt: skip
    low_corner, high_corner = corners.min(axis=0), corners.max(axis=0)
    zone = SoftZone(tab.name, _triple(low_corner), _triple(high_corner))
    return slots, nose, zone


def _tip(tab: Tab) -> float:
    """Return how far along an arm from its hook the slots run: out of the part's front, mm."""
    return (tab.place.peak - tab.crest) / cos(tab.lean) + 2.0


def _triple(point: Floats) -> tuple[float, float, float]:
    x, y, z = (float(v) for v in point)
    return x, y, z
