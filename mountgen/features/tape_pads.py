"""Tape pads: flat faces on a part where foam tape takes the place of the clearance.

A pad is plane, since tape is. It lies parallel to the plane nearest to the scan behind it, so far from it that the bond line is
nowhere thinner than the pressed tape. Where that is deeper than the part's own surface it is the floor of a shallow pocket,
where it is shallower a plinth.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import ceil, floor

import numpy as np

from mountgen.arrays import Floats
from mountgen.datum import Recess
from mountgen.errors import FeatureError
from mountgen.features.pad_place import Spot, View, choose_spots, make_views
from mountgen.features.part import SoftZone
from mountgen.kernel import Mesh, Solid, combine_many
from mountgen.nearest import build_tree, find_nearest
from mountgen.place import describe_place
from mountgen.recipe_settings import tell_settings
from mountgen.recipe_tables import TapePads
from mountgen.shape import Axes, extrude, rectangle, require_one_solid
from mountgen.surface import Surface, surface_of
from mountgen.tape import MISMATCH_TIMES, judge_thickness
from mountgen.verdict import Check, Verdict

FINEST, COARSEST = 0.75, 2.0  # mm, pitch of the grid on which places are sought
SHARE = 12.0  # parts of the pad's width to that pitch
FINE = 0.75  # mm, pitch at which the chosen place is measured
FLUSH = 0.02  # mm; a pad nearer to the part's surface than this is neither sunk nor raised
ROOT = 0.8  # mm by which a plinth reaches into the part
SCRAPE = 0.05  # mm by which a plinth may come nearer to the scan on its way in than it stands at its seat
DRAG = 3.0  # mm; tape that slides farther than this on its way in sticks too early (our rule)
FLAT = (0.25, 1.0 / MISMATCH_TIMES, 1.0)  # of the tape's thickness: mismatches that are accepted one after the other
STEP = 5.0  # mm; of lengths that remedies name
ROUNDS = 4  # of looking for another place where a plinth scrapes
THICKEST = 3.0  # mm; of tape that remedies name (our rule)
TRIES, MOST_PADS = 5, 12  # thicknesses that are placed for a remedy; pads that a recipe may ask for


@dataclass(frozen=True, eq=False)
class Pad:
    """A pad, placed. Lengths in mm.

    spot : the rectangle; offset: of its face from the spot's plane along the normal.
    gaps : (N,) bond line at points spread over the pad.  surface: (least, largest) height of the part's surface over the spot's
    plane.
    """

    spot: Spot
    offset: float
    gaps: Floats
    surface: tuple[float, float]

    @property
    def sunk(self) -> float:
        """How deep the pocket is at its deepest; 0 without."""
        depth = self.surface[1] - self.offset
        return depth if depth > FLUSH else 0.0

    @property
    def raised(self) -> float:
        """How high the plinth is at its highest; 0 without."""
        rise = self.offset - self.surface[0]
        return rise if rise > FLUSH else 0.0

    @property
    def middle(self) -> Floats:
        """The middle of its face, (3,)."""
        middle: Floats = self.spot.centre + self.offset * self.spot.normal
        return middle


@dataclass(frozen=True, eq=False)
class PadPlan:
    """What the pads cut away and add, and what follows from them. soft: the pads; checks, notes: for the report."""

    pads: tuple[Pad, ...]
    cut: tuple[Solid, ...]
    add: tuple[Solid, ...]
    soft: tuple[SoftZone, ...]
    checks: tuple[Check, ...]
    notes: tuple[str, ...] = ()


def plan_pads(mesh: Mesh, recess: Recess, *, tape: TapePads, avoid: Sequence[SoftZone] = ()) -> PadPlan:
    """Find places for tape pads on the surface with which a part bears on the recess, and say what to cut and to add there.

    Args:
        mesh: the part, otherwise finished but for its tabs.
        recess: the scan in the part frame.
        tape: the recipe's `[tape]` table.
        avoid: boxes that no pad may reach into, such as retaining tabs.

    Returns:
        PadPlan: to be set into the part by `carve_pads`.

    Raises:
        FeatureError: the pads do not fit; says the largest that would.
    """
    body, scan = Surface(mesh.vertices, mesh.faces), surface_of(recess)
    pitch = float(np.clip(min(tape.width, tape.length) / SHARE, FINEST, COARSEST))
    views = make_views(body, scan, pitch=pitch, avoid=avoid)

    def look(tape: TapePads) -> tuple[tuple[Pad, ...], int, bool]:
        """Return the pads where they lie best; or none, for how many there is room, and whether some would scrape."""
        flat = [tape.thickness * share for share in FLAT]
        barred: list[Floats] = []
        for _ in range(ROUNDS):
            spots = choose_spots(
                views, count=tape.count, length=tape.length, width=tape.width, flat=flat, barred=barred
            )
            if len(spots) < tape.count:
                break
            pads = tuple(_measure(body, scan, spot, tape) for spot in spots)
            scraping = [pad for pad in pads if pad.raised and _scrapes(pad, recess, tape)]
            if not scraping:
                return pads, len(pads), False
            barred += [pad.spot.centre for pad in scraping]
        return (), len(spots), bool(barred)

    def place(tape: TapePads) -> tuple[Pad, ...]:
        return look(tape)[0]

    pads, found, scraped = look(tape)
    if scraped:
        raise _explain_scraping(tape, place)
    if not pads:
        raise _misfit(views, tape, found)
    return _make_plan(pads, tape, place)


def carve_pads(solid: Solid, plan: PadPlan) -> Solid:
    """Set planned pads into a solid: plinths are added, then pockets are cut.

    Returns:
        One valid solid.

    Raises:
        FeatureError: the part falls in pieces.
        KernelError: the kernel cannot make it.
    """
    shape = combine_many(solid, plan.add, "fuse", what="tape pads")
    shape = combine_many(shape, plan.cut, "cut", what="tape pads")
    return require_one_solid(shape, what="tape pads", remedy="make tape.length or tape.width smaller")


def _measure(body: Surface, scan: Surface, spot: Spot, tape: TapePads) -> Pad:
    """Measure the scan and the part's surface over a spot finely; its vertices too, so that no spike of the scan is missed."""
    a, b = _grid(tape)
    points = spot.centre + a[:, None] * spot.right + b[:, None] * spot.up
    outwards = np.broadcast_to(spot.normal, points.shape)
    down, _ = body.cast(points + 5.0 * outwards, -outwards)
    surface = 5.0 - down
    surface = surface[np.isfinite(surface)]
    start = points + (float(surface.min()) - 1.0) * outwards
    run, _ = scan.cast(start, outwards)
    stands = float(surface.min()) - 1.0 + run
    stands = stands[np.isfinite(stands)]
    local = scan.vertices - spot.centre
    near = np.abs(local @ spot.right) <= 0.5 * tape.length
    near[near] = np.abs(local[near] @ spot.up) <= 0.5 * tape.width
    rise = local[near] @ spot.normal
    rise = rise[(rise > float(stands.min()) - 0.5) & (rise < float(stands.max()))]
    offset = min(float(stands.min()), float(rise.min(initial=np.inf))) - _bond_line(tape)
    return Pad(spot, offset, stands - offset, (float(surface.min()), float(surface.max())))


def _bond_line(tape: TapePads) -> float:
    return tape.thickness * (1.0 - tape.compression)


def _grid(tape: TapePads) -> tuple[Floats, Floats]:
    """Return points spread over a pad, its border included, (N,) along its length and (N,) along its width, mm."""
    steps = [np.linspace(-0.5, 0.5, ceil(size / FINE) + 1) * (size - 0.01) for size in (tape.length, tape.width)]
    a, b = np.meshgrid(*steps)
    return a.ravel(), b.ravel()


def _scrapes(pad: Pad, recess: Recess, tape: TapePads) -> bool:
    """Say whether a raised pad comes nearer to the scan on its way in than at its seat; whole paths are measured, not steps."""
    a, b = _grid(tape)
    points = pad.middle + a[:, None] * pad.spot.right + b[:, None] * pad.spot.up
    travel = max(float(recess.vertices[:, 2].max() - points[:, 2].min()), 0.0) + 1.0
    bound = np.full(len(points), _bond_line(tape) - SCRAPE)
    tree = build_tree(recess.vertices, recess.faces)
    return bool((find_nearest(tree, points, travel=travel, bound=bound).face >= 0).any())


def _make_plan(pads: tuple[Pad, ...], tape: TapePads, place: Callable[[TapePads], tuple[Pad, ...]]) -> PadPlan:
    half = (0.5 * tape.length, 0.5 * tape.width)
    face = rectangle((-half[0], -half[1]), half)
    cut, add, soft, notes = [], [], [], []
    for number, pad in enumerate(pads, start=1):
        spot = pad.spot
        if pad.raised:
            base = spot.centre + (pad.surface[0] - ROOT) * spot.normal
            add.append(extrude(face, axes=Axes(base, spot.right, spot.up), height=pad.offset - pad.surface[0] + ROOT))
        if pad.sunk:
            cut.append(extrude(face, axes=Axes(pad.middle, spot.right, spot.up), height=pad.sunk + 1.0))
        soft.append(_make_zone(pad, half, f"tape pad {number}"))
        notes.append(_describe(pad, tape, number))
    return PadPlan(pads, tuple(cut), tuple(add), tuple(soft), _judge_pads(pads, tape, place), tuple(notes))


def _make_zone(pad: Pad, half: tuple[float, float], name: str) -> SoftZone:
    spot = pad.spot
    corners = np.array([
        pad.middle + a * (half[0] + FLUSH) * spot.right + b * (half[1] + FLUSH) * spot.up + c * spot.normal
        for a in (-1.0, 1.0) for b in (-1.0, 1.0) for c in (-pad.raised - FLUSH, FLUSH)
    ])  # fmt: skip
    low, high = ((float(x), float(y), float(z)) for x, y, z in (corners.min(axis=0), corners.max(axis=0)))
    return SoftZone(name, low, high)


def _describe(pad: Pad, tape: TapePads, number: int) -> str:
    kind = f"sunk {pad.sunk:.2f} mm" if pad.sunk else f"raised {pad.raised:.2f} mm" if pad.raised else "flush"
    if pad.sunk and pad.raised:
        kind = f"sunk {pad.sunk:.2f} mm at one side, raised {pad.raised:.2f} mm at the other"
    text = (
        f"tape pad {number}: {tape.length:g} x {tape.width:g} mm, {kind}, bond line {pad.gaps.min():.2f} to "
        f"{pad.gaps.max():.2f} mm, at {describe_place(pad.middle.tolist())}"
    )
    drag = tape.thickness * tape.compression / max(-float(pad.spot.normal[2]), 1e-3)
    if drag > DRAG:
        text += "; the tape slides along its wall on the way in: wet it with soapy water, or pull its liner at the seat"
    return text


def _judge_pads(pads: tuple[Pad, ...], tape: TapePads, place: Callable[[TapePads], tuple[Pad, ...]]) -> tuple[Check, ...]:
    worst = max(pads, key=_mismatch)
    mismatch = _mismatch(worst)
    verdict: Verdict = judge_thickness(tape.thickness, mismatch=mismatch)
    limit = tape.thickness / MISMATCH_TIMES
    remedy = "" if verdict == "pass" else advise_flatter(tape, mismatch, place)
    source = (
        f"page on applying acrylic-foam tapes (read): a tape twice as thick as the mismatch; "
        f"bond line {worst.gaps.min():.2f} to {worst.gaps.max():.2f} mm"
    )
    where = describe_place(worst.middle.tolist())
    return (Check("mismatch under tape", verdict, round(mismatch, 3), round(limit, 3), "mm", source, remedy, where),)


def _mismatch(pad: Pad) -> float:
    """Return by how much the bond line differs over a pad, mm."""
    return float(np.ptp(pad.gaps))


def advise_flatter(tape: TapePads, mismatch: float, place: Callable[[TapePads], tuple[Pad, ...]]) -> str:
    """Return the thinnest tape that bears the mismatch where its pads then lie, and shorter pads of as much area; both placed.

    place: the pads where they lie best; none where there is no room for them.
    """

    def passes(other: TapePads) -> bool:
        pads = place(other)
        return bool(pads) and judge_thickness(other.thickness, mismatch=max(map(_mismatch, pads))) == "pass"

    thick = (ceil(10.0 * MISMATCH_TIMES * mismatch) + k for k in range(TRIES))
    thicker = ({"thickness": each / 10.0} for each in thick if each / 10.0 <= THICKEST)
    counts = range(tape.count + 1, min(2 * tape.count, MOST_PADS) + 1)
    shorter = ({"length": float(ceil(tape.length * tape.count / count)), "count": count} for count in counts)
    found = []
    for choices in (thicker, shorter):
        if (good := next((each for each in choices if passes(tape.model_copy(update=each))), None)) is not None:
            found.append(tell_settings({f"tape.{key}": value for key, value in good.items()}))
    return ", or ".join(found) or (
        f"neither tape of up to {THICKEST:g} mm nor shorter pads lie flat enough there: hold the part with tabs ([tabs]) and set "
        "tape = false"
    )


def _explain_scraping(tape: TapePads, place: Callable[[TapePads], tuple[Pad, ...]]) -> FeatureError:
    """Say with which shorter pads and with which thicker tape none scrapes, each placed; fewer would hold too little."""
    longest = STEP * ceil(tape.length / STEP) - STEP
    shorter = ({"length": length} for length in np.arange(longest, 0.75 * tape.width, -STEP).tolist())
    thicker = ({"thickness": round(tape.thickness + 0.2 * k, 1)} for k in range(1, TRIES + 1))
    found = []
    for choices in (shorter, (each for each in thicker if each["thickness"] <= THICKEST)):
        good = next((each for each in choices if place(tape.model_copy(update=each))), None)
        if good is not None:
            found.append(tell_settings({f"tape.{key}": value for key, value in good.items()}))
    return FeatureError(
        f"raised pads of {tape.length:g} x {tape.width:g} mm would scrape along the recess on the way in", "tape pads",
        ", or ".join(found) or "leave the pads out with tape = false",
    )


def _misfit(views: Sequence[View], tape: TapePads, found: int) -> FeatureError:
    """Say what would fit: shorter pads of the same tape, else smaller ones, else fewer."""
    what = f"there is room for {found} of {tape.count} flat pads of {tape.length:g} x {tape.width:g} mm"
    flat = tape.thickness * FLAT[1]

    def fits(length: float, width: float) -> bool:
        return len(choose_spots(views, count=tape.count, length=length, width=width, flat=[flat])) == tape.count

    def largest(scale_width: bool) -> float:
        low, high = 0.0, 1.0
        for _ in range(6):
            k = 0.5 * (low + high)
            low, high = (k, high) if fits(k * tape.length, k * tape.width if scale_width else tape.width) else (low, k)
        return low

    remedies = []
    if (k := largest(False)) * tape.length >= 0.5 * tape.width:
        remedies.append(f"set tape.length = {floor(k * tape.length):g} or less")
    elif (k := largest(True)) > 0.1:
        length, width = (floor(10.0 * k * size) / 10.0 for size in (tape.length, tape.width))
        remedies.append(f"set tape.length = {length:g} and tape.width = {width:g} or less")
    if found:
        remedies.append(f"set tape.count = {found}")
    return FeatureError(what, "tape pads", ", or ".join(remedies) or "leave the pads out with tape = false")
