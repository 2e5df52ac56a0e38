"""Retaining tabs: a cantilever arm in each end wall of a part, with a hook that flexes it when the part is pushed in.

The arm's outer face is the part's own wall. A slot behind it and one along each edge free it; all are open at the front, where
the arm's tip can be pressed to let go. The hook stands out of the wall, into the clearance and beyond it. How far the scan
bends it is not assumed but measured, by rays, over the whole insertion.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import ceil, cos, floor, radians, sin, tan

import numpy as np

from mountgen.arrays import Bools, Floats, freeze
from mountgen.datum import Recess, lid_height
from mountgen.errors import FeatureError
from mountgen.features.part import SoftZone
from mountgen.features.tab_place import (
    BACKING,
    FINE,
    SIDE_GAP,
    TabPlace,
    TabRoom,
    feel_wall,
    list_places,
)
from mountgen.kernel import Mesh, Solid, divide_around, tessellate
from mountgen.material import Material
from mountgen.place import describe_place
from mountgen.recipe import RetainingTabs
from mountgen.shape import Axes, combine_many, extrude, require_one_solid, round_polygon
from mountgen.snap import (
    Arm,
    Snap,
    find_deflection_force,
    find_fillet,
    find_mating_force,
    judge_snap,
)
from mountgen.surface import Surface
from mountgen.verdict import Check, Verdict

LEAD_DEG, RETURN_DEG = (
    30.0,
    45.0,
)  # of the hook's slopes against the direction of insertion: easy in, harder out, never locked
CREST = 0.4  # mm, the flat on the hook; about one printed line
TIP = 0.5  # mm of arm in front of the hook
SPARE = 0.5  # mm by which the slot is wider than the hook
LONGEST_TIP = (
    0.25  # of the arm's length, by which the hook may sit behind the tip to get behind a bulge of the scan
)
CATCH = 0.2  # mm of rise on the way out from which it is worth to move the hook back for it
AT_REST = 0.1  # mm of bending at rest that is taken for none: the scan's own error
UNEVEN = 0.4  # share by which the arm's thickness may leave the recipe's, where the wall is curved
UNSEEN = 0.2  # share of the hook's way without scan from which the measurement says too little
HAND = 60.0  # N; what one hand pushes without bracing itself (our rule)
SAMPLES = 5  # across the arm, for rays
NAMES = {-1: "left", 1: "right"}


@dataclass(frozen=True, eq=False)
class Ride:
    """How far the scan stands in the hook's way. Lengths in mm.

    deflection : largest over the way in.  rest: at the seat, 0 or more.  catch: how much it rises on the way out.
    unseen     : share of the way below the mouth that meets no scan.
    """

    deflection: float
    rest: float
    catch: float
    unseen: float


@dataclass(frozen=True, eq=False)
class Tab:
    """An arm and its hook, placed.

    place : where.  crest: height of the hook's crest, mm.  wall: offset of the wall there.  lean: of the wall, radians,
    positive where it opens towards the mouth.  thickness: largest of the arm near its root, mm.  ride: of the hook.
    """

    place: TabPlace
    crest: float
    wall: float
    lean: float
    thickness: float
    ride: Ride

    @property
    def name(self) -> str:
        return f"retaining tab, {NAMES[self.place.side]}"

    @property
    def axes(self) -> tuple[Floats, Floats, Floats, Floats]:
        """Return origin on the wall at the crest, and unit vectors out of it, along it towards the mouth, and across."""
        out, up = self.place.outward, np.array([0.0, 0.0, 1.0])
        origin = self.place.at(np.asarray(self.wall), np.asarray(0.0), np.asarray(self.crest))
        c, s = cos(self.lean), sin(self.lean)
        return origin, c * out - s * up, c * up + s * out, self.place.across


@dataclass(frozen=True, eq=False)
class TabPlan:
    """What the tabs cut away and add, and what follows from them.

    cut, add : solids.  soft: where the part is meant to touch and flex.  checks, notes: for the report.
    """

    tabs: tuple[Tab, ...]
    cut: tuple[Solid, ...]
    add: tuple[Solid, ...]
    soft: tuple[SoftZone, ...]
    checks: tuple[Check, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class TabResult:
    """A solid with its tabs. soft, checks and notes as in `TabPlan`."""

    solid: Solid
    soft: tuple[SoftZone, ...]
    checks: tuple[Check, ...]
    notes: tuple[str, ...] = ()


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


def cut_tabs(
    solid: Solid,
    recess: Recess,
    *,
    tabs: RetainingTabs,
    material: Material,
    upright: bool = False,
    mesh: Mesh | None = None,
) -> TabResult:
    """Cut retaining tabs into the two ends of a solid.

    Args:
        solid: the part, otherwise finished.
        recess: the scan in the part frame.
        tabs: the recipe's `[tabs]` table.
        material: what it is printed of.
        upright: the part is printed so that layers lie across the arms.
        mesh: a tessellation of the solid, where there is one already.

    Returns:
        TabResult: one valid solid.

    Raises:
        FeatureError: an arm does not fit; says the longest that would.
        EnduranceError: the material is not for snap arms.
        KernelError: the kernel cannot make it.
    """
    plan = plan_tabs(
        tessellate(solid, chord=0.1) if mesh is None else mesh,
        recess,
        tabs=tabs,
        material=material,
        upright=upright,
    )
    shape = combine_many(divide_around(solid), plan.cut, "cut", what="retaining tabs")
    shape = combine_many(shape, plan.add, "fuse", what="hooks of the retaining tabs")
    whole = require_one_solid(shape, what="retaining tabs", remedy="make tabs.length or tabs.width smaller")
    return TabResult(whole, plan.soft, plan.checks, plan.notes)


def plan_tabs(
    mesh: Mesh, recess: Recess, *, tabs: RetainingTabs, material: Material, upright: bool = False
) -> TabPlan:
    """Find places for the tabs and say what to cut and to add there. Arguments and errors as for `cut_tabs`."""
    body = Surface(mesh.vertices, mesh.faces)
    scan = Surface(recess.vertices, recess.faces)
    made = tuple(_place_tab(body, scan, recess, side, tabs) for side in (-1, 1))
    cut, add, soft = [], [], []
    for tab in made:
        slots, hook, zone = _shape_tab(tab, tabs)
        cut += slots
        add.append(hook)
        soft.append(zone)
    checks, notes = _judge_tabs(body, made, tabs, material, upright)
    return TabPlan(made, tuple(cut), tuple(add), tuple(soft), checks, notes)


def _room(tabs: RetainingTabs) -> TabRoom:
    fillet = find_fillet(tabs.thickness)
    return TabRoom(
        width=tabs.width,
        depth=tabs.thickness + _slot_width(tabs) + BACKING,
        above=TIP + tabs.hook / tan(radians(RETURN_DEG)) + 0.5 * CREST,
        below=fillet + BACKING,
    )


def _slot_width(tabs: RetainingTabs) -> float:
    """Wide enough for the tip when the hook is pressed flush with the wall, and for the fillets at its end."""
    return max(
        tabs.hook * (1.0 + 1.5 * LONGEST_TIP) + 0.2, tabs.hook + SPARE, 2.0 * find_fillet(tabs.thickness)
    )


def _place_tab(body: Surface, scan: Surface, recess: Recess, side: int, tabs: RetainingTabs) -> Tab:
    """Return the best place for a tab at one end.

    Raises:
        FeatureError: there is none.
    """
    room = _room(tabs)
    places = list_places(body, side, room)
    fitting = [p for p in places if p.top - p.low >= tabs.length + room.above + room.below]
    best: Tab | None = None
    for place in fitting[:6]:
        tab = _fit_tab(body, scan, recess, place, tabs, room)
        if tab is not None and (best is None or tab.ride.unseen < best.ride.unseen):
            best = tab
        if best is not None and best.ride.unseen < UNSEEN:
            break
    if best is None:
        raise _misfit(body, side, tabs, places)
    return best


def _misfit(body: Surface, side: int, tabs: RetainingTabs, places: list[TabPlace]) -> FeatureError:
    where = f"retaining tab, {NAMES[side]}"
    room = _room(tabs)
    longest = _longest(places, room)
    if longest >= tabs.length:
        what = f"the end wall is too curved for an arm of {tabs.length:g} x {tabs.width:g} mm"
        return FeatureError(
            what, where, "make tabs.width or tabs.length smaller, or leave the tabs out with tabs = false"
        )
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
        if _longest(list_places(body, side, narrow), narrow) >= tabs.length:
            what = f"the end wall has no room for an arm {tabs.width:g} mm wide"
            return FeatureError(what, where, f"set tabs.width = {width:g} or less")
    what = (
        f"the end wall has no room for an arm of {tabs.length:g} x {tabs.width:g} mm "
        f"with {room.depth:.1f} mm of part behind its face"
    )
    return FeatureError(what, where, "raise the deck (deck.height), or leave the tabs out with tabs = false")


def _longest(places: list[TabPlace], room: TabRoom) -> float:
    return max((p.top - p.low - room.above - room.below for p in places), default=0.0)


def _fit_tab(
    body: Surface, scan: Surface, recess: Recess, place: TabPlace, tabs: RetainingTabs, room: TabRoom
) -> Tab | None:
    """Return the tab at a place: its hook where it catches best; None where the wall is too curved for an even arm."""
    profile = _feel(body, scan, recess, place, tabs)
    deepest = max(place.low + room.below + tabs.length, place.top - LONGEST_TIP * tabs.length)
    crests = np.arange(place.top - room.above, deepest - 1e-9, -FINE)
    rides = [_ride(profile, float(crest), tabs.hook) for crest in crests]
    caught = max(ride.catch for ride in rides)
    chosen = 0 if caught < CATCH else next(k for k, ride in enumerate(rides) if ride.catch >= 0.9 * caught)
    crest = float(crests[chosen])
    swing = rides[chosen].deflection * (1.0 + 1.5 * (place.peak - crest) / tabs.length)
    if swing > _slot_width(tabs) - 0.2:
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
    return Tab(place, crest, float(offset), float(np.arctan(slope)), thickness, rides[chosen])


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


def _shape_tab(tab: Tab, tabs: RetainingTabs) -> tuple[list[Solid], Solid, SoftZone]:
    """Return the slots to cut, the hook to add, and the box around arm and hook."""
    origin, out, along, across = tab.axes
    h, slot, fillet = tabs.thickness, _slot_width(tabs), find_fillet(tabs.thickness)
    half, reach = 0.5 * tabs.width, tabs.hook + 2.0
    root, tip = -tabs.length, (tab.place.peak - tab.crest) / cos(tab.lean) + 2.0
    bottom = root - fillet

    def place(offset: float) -> Floats:
        spot: Floats = origin + offset * across
        return spot

    # all slots overlap and none shares a plane with another: the kernel then has no coincident faces to sort out
    edge = half + 0.5 * SIDE_GAP
    back = round_polygon(
        [(-h - slot, bottom), (-h, bottom), (-h, tip), (-h - slot, tip)],
        [fillet * 0.999, fillet * 0.999, 0.0, 0.0],
    )
    slots = [extrude(back, axes=Axes(place(edge), out, along), height=2.0 * edge)]
    for sign in (-1.0, 1.0):
        low, high = sorted((sign * half, sign * (half + SIDE_GAP)))
        beside = round_polygon(
            [(low, bottom - 0.15), (high, bottom - 0.15), (high, tip + 0.5), (low, tip + 0.5)],
            [0.49 * SIDE_GAP, 0.49 * SIDE_GAP, 0.0, 0.0],
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


def _triple(point: Floats) -> tuple[float, float, float]:
    x, y, z = (float(v) for v in point)
    return x, y, z


def _judge_tabs(
    body: Surface, made: tuple[Tab, ...], tabs: RetainingTabs, material: Material, upright: bool
) -> tuple[tuple[Check, ...], tuple[str, ...]]:
    """Judge the worst of the tabs on each count."""
    worst = max(made, key=lambda tab: tab.thickness * tab.ride.deflection)
    where = describe_place(worst.axes[0].tolist())
    arm = Arm(length=tabs.length, thickness=worst.thickness, width=tabs.width)
    once = judge_snap(arm, worst.ride.deflection, material, upright=upright)
    often = judge_snap(arm, worst.ride.deflection, material, repeated=True, upright=upright)
    checks = [_judge_strain(once, often, made, body, tabs, where), _judge_rest(made)]
    notes = [f"retaining tabs: {note}" for note in once.notes]
    for tab in made:
        if tab.ride.deflection < AT_REST:
            notes.append(
                f"{tab.name}: the hook touches no scan; tabs.hook = {_gap_at(tab, tabs) + SPARE:.1f} would reach it"
            )
        elif tab.ride.unseen > UNSEEN:
            notes.append(
                f"{tab.name}: {100 * tab.ride.unseen:.0f} % of the hook's way was not scanned, so it may bend farther"
            )
    if material.modulus is not None:
        checks += _judge_forces(made, tabs, material.modulus.value)
    return tuple(checks), tuple(notes)


def _gap_at(tab: Tab, tabs: RetainingTabs) -> float:
    return tabs.hook - tab.ride.deflection


def _judge_strain(
    once: Snap, often: Snap, made: tuple[Tab, ...], body: Surface, tabs: RetainingTabs, where: str
) -> Check:
    """A strain the material bears once fails no part, but the arm must not be sprung often."""
    judged = once if once.strain_pct > often.allowed_pct else often
    verdict: Verdict = "fail" if once.verdict == "fail" else "pass" if often.verdict == "pass" else "caution"
    remedy = ""
    if verdict != "pass":
        wanted = ceil(2.0 * often.length_needed) / 2.0
        room = _room(tabs)
        longest = min(_longest(list_places(body, tab.place.side, room), room) for tab in made)
        bears = (
            "more than it bears even once" if verdict == "fail" else "borne a few times, not over and over"
        )
        if often.verdict == "caution":
            remedy = "print the part so that its layers lie along the arms"
        elif wanted <= longest:
            remedy = f"{bears}: set tabs.length = {wanted:g}"
        else:
            spared = tabs.hook - (max(tab.ride.deflection for tab in made) - judged.deflection_limit)
            remedy = f"{bears}: set tabs.hook = {max(0.1, floor(10.0 * spared) / 10.0):g}, or make tabs.thickness less"
    source = f"{judged.source} ({judged.tag}); strain 1.5 h y / L² at y = {max(t.ride.deflection for t in made):.2f} mm"
    limit = once.allowed_pct if verdict == "fail" else often.allowed_pct
    return Check("tab strain", verdict, round(once.strain_pct, 3), limit, "%", source, remedy, where)


def _judge_rest(made: tuple[Tab, ...]) -> Check:
    """An arm that stays bent creeps, in a hot cabin within days, and holds less and less."""
    worst = max(made, key=lambda tab: tab.ride.rest)
    verdict: Verdict = "pass" if worst.ride.rest <= AT_REST else "caution"
    remedy = ""
    if verdict == "caution":
        hold = (
            "the scan has nothing to hook behind there, so the tabs hold by friction, which fades"
            if max(tab.ride.catch for tab in made) < AT_REST else "the arm stays a little bent at its seat"
        )  # fmt: skip
        remedy = f"{hold}: add tape pads, or a smaller tabs.hook"
    source = "our rule: a snap arm must come back to rest; 0.1 mm is the scan's own error"
    return Check(
        "tab bent at its seat", verdict, round(worst.ride.rest, 3), AT_REST, "mm", source, remedy,
        describe_place(worst.axes[0].tolist()),
    )  # fmt: skip


def _judge_forces(made: tuple[Tab, ...], tabs: RetainingTabs, modulus: float) -> list[Check]:
    """Sum the forces of both tabs, in and out."""
    push = pull = 0.0
    for tab in made:
        arm = Arm(length=tabs.length, thickness=tab.thickness, width=tabs.width)
        push += find_mating_force(
            find_deflection_force(arm, tab.ride.deflection, modulus=modulus), angle_deg=LEAD_DEG
        )
        rises = tab.ride.catch > AT_REST
        held = find_deflection_force(
            arm, tab.ride.rest + tab.ride.catch if rises else tab.ride.rest, modulus=modulus
        )
        pull += find_mating_force(held, angle_deg=RETURN_DEG if rises else 0.0)
    verdict: Verdict = "pass" if push <= HAND else "caution"
    remedy = "" if verdict == "pass" else "make tabs.thickness or tabs.width less, or tabs.length more"
    rule = "beam theory, friction 0.5; too high for short arms"
    return [
        Check("force to push in", verdict, round(push, 1), HAND, "N", f"our rule: one hand; {rule}", remedy),
        Check(
            "force to pull out", "pass", round(pull, 1), None, "N", f"{rule}: do not count on it for holding"
        ),
    ]
