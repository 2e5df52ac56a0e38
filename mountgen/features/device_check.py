"""What is said about the device: that it reaches its seat and is held there, or why it does not and what would."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from mountgen.datum import Recess
from mountgen.errors import FeatureError, InspectionError
from mountgen.features.device_advice import (
    LEANS,
    LEAST_SHARE,
    advise_change,
    advise_settings,
    advise_smaller,
    advise_tried,
    find_first,
)
from mountgen.features.part import Device as SeatedDevice
from mountgen.features.profile import Profile
from mountgen.features.seat import SEAT_GAP, Pose, Seat, find_largest, find_seat, pose_device
from mountgen.field import InsertableSpace
from mountgen.gap import TOLERANCE, clip_mesh
from mountgen.kernel import Mesh
from mountgen.place import describe_place
from mountgen.solid_mesh import load_solid
from mountgen.surface import Surface, surface_of
from mountgen.verdict import Check, Verdict

if TYPE_CHECKING:
    from mountgen.recipe import PhoneShelfRecipe
    from mountgen.recipe_tables import Device

LEAST_OVERLAP = 2.0  # mm by which a lip should hold a device; less lets it hop out on a bad road
LEAST_REST = 0.35  # share of a leaning device's height that the rest should bear
LOOK = 10.0  # mm about the device's way within which obstacles are looked for
EDGE = 2.0  # mm between the points of the device that are held against the scan
SHIFTS = (1.0, 2.0, 4.0, 6.0, 8.0, 12.0, 16.0, 20.0)  # mm to either side that are tried for a device that comes too near
SMALLEST_LIP = 1.0  # mm; a smaller one is no advice


def check_device(
    to_part: WayGap, to_scan: WayGap, profile: Profile, seat: Seat, recess: Recess, space: InsertableSpace, *,
    recipe: PhoneShelfRecipe, suits: Callable[[PhoneShelfRecipe], bool],
    seats: Callable[[PhoneShelfRecipe], SeatedDevice | None],
) -> tuple[Check, ...]:
    """Judge the device on its way to its seat, against the finished mesh and the scan, and how it is held there.

    That it reaches its seat hangs on `device.play` alone: deck and rest are made SEAT_GAP away from it, and `find_seat` takes
    no way that comes nearer to deck, lip and rest than WAY_GAP, but for a seat that itself stands nearer to lip or cheeks.

    Args:
        to_part, to_scan: its gaps on its way.
        profile: the side of the shelf. seat: where the device was put. recess: the scan. space: what it leaves free.
        recipe: the recipe. suits: whether the device of a recipe goes in and is held. seats: that device at its seat.
    """
    reaches: Verdict = "pass" if to_part.gap >= 0.5 * SEAT_GAP else "fail"
    checks = [
        Check(
            "device reaches its seat", reaches, to_part.gap, 0.5 * SEAT_GAP, "mm",
            f"recipe: device; it is held {SEAT_GAP:g} mm off its seat",
            "" if reaches == "pass" else _advise_play(recess, recipe, suits),
        ),
        _judge_scan(to_scan, recess, recipe, seats),
        judge_mouth(profile, seat, recess, recipe.device),
    ]
    if recipe.lip is not None:
        checks.append(judge_lip(profile, seat, recess, recipe, suits))
    if recipe.device.pose == "leaning":
        top = recess.mouth_height
        checks.append(judge_rest(profile, seat, space, recipe.device, other=lambda: _advise_rest(suits, recipe, top)))
    return tuple(checks)


def _advise_play(recess: Recess, recipe: PhoneShelfRecipe, suits: Callable[[PhoneShelfRecipe], bool]) -> str:
    play = np.ceil(10.0 * max(SEAT_GAP, recipe.device.play + 0.5 * SEAT_GAP) - 1e-6) / 10.0
    advice = advise_change(suits, recipe, {"device.play": float(play)}, top=recess.mouth_height)
    if advice:
        return advice
    smaller = advise_smaller(suits, recipe, {"device.play": float(play)})
    return f"it goes in with {play:g} mm of play in no place here: {smaller or _tell_none()}"


def _advise_rest(suits: Callable[[PhoneShelfRecipe], bool], recipe: PhoneShelfRecipe, top: float) -> str:
    return advise_settings(suits, recipe, top=top) or advise_smaller(suits, recipe)


def _tell_none() -> str:
    return f"nor does a device of {100 * LEAST_SHARE:.0f} % of its size; give it another recess"


@dataclass(frozen=True)
class WayGap:
    """The least gap of a device on its way, mm, negative inside what it meets; point: (3,) mm, of that, where known."""

    gap: float
    point: tuple[float, float, float] | None = None


def sweep_device(seated: SeatedDevice) -> list[Mesh]:
    """Return what a device passes over, leg by leg: as it is convex, the hull of its two ends."""
    import manifold3d

    swept, at = [], seated.mesh.vertices
    for leg in seated.legs:
        hull = manifold3d.Manifold.hull_points(np.vstack([at, at + leg])).to_mesh64()
        swept.append(Mesh(hull.vert_properties[:, :3], hull.tri_verts.astype(np.int32)))
        at = at + leg
    return swept


def gauge_part(swept: Sequence[Mesh], part: Mesh) -> WayGap:
    """Return the least gap between a device on its way and the finished part; 0 where they meet."""
    import manifold3d

    solid = load_solid(part)
    if solid.status() != manifold3d.Error.NoError:
        raise InspectionError("the part's mesh is not closed", "the device's way", "make the part again")
    return WayGap(min(float(load_solid(each).min_gap(solid, LOOK)) for each in swept))


def gauge_scan(swept: Sequence[Mesh], recess: Recess) -> WayGap:
    """Return the least gap between a device on its way and the scan: of the scan's points to it, and of its own."""
    best = WayGap(np.inf)
    for each in swept:
        low, high = each.vertices.min(axis=0) - LOOK, each.vertices.max(axis=0) + LOOK
        vertices, faces, _ = clip_mesh(recess, low, high)
        if not len(faces):
            continue
        points = np.vstack([vertices, vertices[faces].mean(axis=1)])
        near = ((points > low) & (points < high)).all(axis=1)
        fine = load_solid(each).refine_to_length(EDGE).to_mesh64().vert_properties[:, :3]
        found = Surface(each.vertices, each.faces).measure(points[near])
        own = surface_of(recess).measure(np.ascontiguousarray(fine))
        outside = np.where(own.border, np.inf, own.gap)
        for gaps, at in ((found.gap, points[near]), (outside, own.foot)):
            if len(gaps) and gaps.min() < best.gap:
                x, y, z = (float(v) for v in at[int(np.argmin(gaps))])
                best = WayGap(float(gaps.min()), (x, y, z))
    return best


def _judge_scan(
    found: WayGap, recess: Recess, recipe: PhoneShelfRecipe, seats: Callable[[PhoneShelfRecipe], SeatedDevice | None]
) -> Check:
    clearance = recipe.fit.clearance
    limit = round(clearance - TOLERANCE, 6)
    verdict: Verdict = "pass" if found.gap >= limit else "caution" if found.gap > 0.0 else "fail"
    remedy = "" if verdict == "pass" else _advise_move(seats, recess, limit, recipe)
    place = "" if found.point is None else describe_place(found.point)
    value = found.gap if np.isfinite(found.gap) else None
    source = f"recipe: fit.clearance {clearance:g} mm"
    return Check("device clears the recess", verdict, value, limit, "mm", source, remedy, place)


def _advise_move(
    seats: Callable[[PhoneShelfRecipe], SeatedDevice | None], recess: Recess, limit: float, recipe: PhoneShelfRecipe
) -> str:
    """Return the nearest place across the mouth at which a device clears the scan, else what else does: each is gauged."""

    def clears(tried: PhoneShelfRecipe) -> bool:
        seated = seats(tried)
        return seated is not None and gauge_scan(sweep_device(seated), recess).gap >= limit

    places = (recipe.device.place + sign * step for step in SHIFTS for sign in (-1.0, 1.0))
    return find_first(clears, recipe, ({"device.place": place} for place in places)) or (
        f"no place up to {SHIFTS[-1]:g} mm to either side clears it: {advise_tried(clears, recipe, top=recess.mouth_height)}"
    )


def judge_mouth(profile: Profile, seat: Seat, recess: Recess, device: Device) -> Check:
    """Compare the device's width with the mouth's at every height at which it passes."""
    import shapely

    pose = seat.pose
    lift = float(seat.legs[:-1].sum(axis=0) @ profile.up)
    heights = pose.outline()[:, 1] + lift
    mouth = shapely.make_valid(
        shapely.Polygon(np.column_stack([recess.rim[:, 0], recess.rim @ profile.up - profile.base]))
    )
    spare, least, most = np.inf, -np.inf, np.inf  # mm; and how far it must be moved to the right, and may be
    for h in np.linspace(max(float(heights.min()), 0.5), min(float(heights.max()), profile.top - 0.5), 25):
        line = shapely.intersection(mouth, shapely.LineString([(-1e4, h), (1e4, h)]))
        for part in shapely.get_parts(line):
            left, _, right, _ = part.bounds
            if left < device.place < right:
                spare = min(spare, pose.low - left, right - pose.high)
                least, most = max(least, left + device.play - pose.low), min(most, right - device.play - pose.high)
    verdict: Verdict = "pass" if spare >= device.play else "caution" if spare >= 0.0 else "fail"
    remedy = "" if verdict == "pass" else _advise_mouth(device, least, most)
    return Check(
        "device inside the mouth", verdict, float(spare), device.play, "mm", "recipe: device.play on each side", remedy
    )


def _advise_mouth(device: Device, least: float, most: float) -> str:
    """Return where a device passes the mouth with its play, or how large one would that does."""
    if least <= most:
        place = device.place + (least if least > 0.0 else most)
        return f"set device.place = {np.ceil(10.0 * place) / 10.0 if least > 0.0 else np.floor(10.0 * place) / 10.0:g}"
    key = "length" if device.orientation == "landscape" else "width"
    place = round(device.place + 0.5 * (least + most), 1)
    shift = place - device.place
    fits = np.floor(10.0 * (device.across - 2.0 * max(least - shift, shift - most)) + 1e-6) / 10.0
    sizes = f"device.{key} = {fits:g}"
    if key == "length" and fits < device.width:
        sizes += f" and device.width = {fits:g}"
    return f"the largest device that passes with its play: set {sizes} and device.place = {place + 0.0:g}"


def judge_rest(
    profile: Profile, seat: Seat, space: InsertableSpace, device: Device, *, other: Callable[[], str]
) -> Check:
    """Judge how far up its back the rest bears a leaning device; name the lean nearest to its own at which it bears enough.

    Args:
        profile: the side of the shelf. seat: where the device stands. space: what the scan leaves free. device: the recipe's.
        other: finds what else could be set where no lean alone will do; "" for nothing.
    """
    share = seat.rest_top / seat.pose.tall
    verdict: Verdict = "pass" if share >= LEAST_REST else "caution"
    remedy = ""
    if verdict != "pass":
        leans = [lean for lean in LEANS if _bears(find_seat(profile, space, device.model_copy(update={"lean": float(lean)})))]
        remedy = "the recess has no room behind it: " + (
            f"set device.lean = {min(leans, key=lambda lean: abs(lean - device.lean))}" if leans
            else other() or f"no other lean, deck or pose does it, {_tell_none()}"
        )  # fmt: skip
    source = "our rule: what leans on less of its back than that rocks about the upper edge of its rest"
    return Check("rest behind the device", verdict, share, LEAST_REST, "share", source, remedy)


def _bears(seat: Seat | None) -> bool:
    return seat is not None and seat.rest_top >= LEAST_REST * seat.pose.tall


def judge_lip(
    profile: Profile, seat: Seat, recess: Recess, recipe: PhoneShelfRecipe, suits: Callable[[PhoneShelfRecipe], bool]
) -> Check:
    """Judge how far the lip stands above the device's foot; name the lowest lip that holds it, and lets it in."""
    overlap = _measure_overlap(profile, seat.pose)
    verdict: Verdict = "pass" if overlap >= LEAST_OVERLAP else "caution"
    remedy = "" if verdict == "pass" else _advise_lip(profile, recess, recipe, suits)
    source = "our rule: a rounded edge of the device rides over less of a lip than that on a bump"
    return Check("lip holds the device", verdict, overlap, LEAST_OVERLAP, "mm", source, remedy)


def _measure_overlap(profile: Profile, pose: Pose) -> float:
    return profile.lip_top(profile.lip_back(pose.low, pose.high)) - float(pose.foot[1]) + SEAT_GAP


def _advise_lip(
    profile: Profile, recess: Recess, recipe: PhoneShelfRecipe, suits: Callable[[PhoneShelfRecipe], bool]
) -> str:
    """Return the lowest lip that holds the device; behind a higher one it stands further back, at another height of the deck."""
    top = recess.mouth_height
    for tenth in range(int(10.0 * profile.lip_height + 1e-6) + 1, int(10.0 * top)):
        height = tenth / 10.0
        higher = replace(profile, lip_height=height)

        def holds(device: Device, higher: Profile = higher) -> bool:
            return _measure_overlap(higher, pose_device(higher, device)) >= LEAST_OVERLAP

        if holds(recipe.device):
            def does(tried: PhoneShelfRecipe) -> bool:
                return holds(tried.device) and suits(tried)

            change = {"lip.height": height}
            advice = advise_change(does, recipe, change, top=top)
            return advice or _tell_no_lip(height, advise_smaller(does, recipe, change))
    return f"set deck.tilt = 0 and lip.height = {max(LEAST_OVERLAP, profile.lip_height):g}"


def _tell_no_lip(height: float, smaller: str) -> str:
    return f"it goes in over a lip of {height:g} mm in no place here: {smaller or _tell_none()}"


def is_held(profile: Profile, seat: Seat, recess: Recess, device: Device) -> bool:
    """Return whether a seat is worth naming: the device passes the mouth, its middle lies behind the front, a rest bears it."""
    inside = float(seat.pose.outline()[:, 0].mean()) >= profile.deck_s
    passes = judge_mouth(profile, seat, recess, device).verdict != "fail"
    return inside and passes and (device.pose == "lying" or _bears(seat))


def explain_device(
    goes_in: Callable[[Device, float], bool], suits: Callable[[PhoneShelfRecipe], bool], recipe: PhoneShelfRecipe, *,
    recess: Recess,
) -> FeatureError:
    """Return the error for a device that does not go in, with the lip, settings or device that would.

    Args:
        goes_in: whether a device goes in over a lip of a height, mm.
        suits: whether the device of a recipe goes in and is held.
        recipe: the recipe.
        recess: the scan.
    """
    device = recipe.device
    lip = 0.0 if recipe.lip is None else recipe.lip.height
    what = f"{_tell_device(device)} does not go in"
    largest = find_largest(lambda h: goes_in(device, h), lip) if lip else None
    if largest is not None and largest >= SMALLEST_LIP:
        raised = np.floor(2.0 * largest) / 2.0
        return FeatureError(f"{what} over a lip of {lip:g} mm", "lip.height", f"give lip.height = {raised:g} at most")
    advice = [advise_settings(suits, recipe, top=recess.mouth_height), _advise_size(goes_in, device, lip)]
    remedy = "; or ".join(each for each in advice if each) or _too_small(recess)
    return FeatureError(what, "device, deck and lip", remedy)


def explain_deck(
    error: FeatureError, suits: Callable[[PhoneShelfRecipe], bool], recipe: PhoneShelfRecipe, *, recess: Recess,
    lowest: float | None,
) -> FeatureError:
    """Return the error for a deck that lies too low, with settings that let the device in as well.

    Args:
        error: says how high the deck must be for a body to be left below it.
        suits: whether the device of a recipe goes in and is held.
        recipe: the recipe.
        recess: the scan.
        lowest: height of the deck below which a body is left, mm; None where there is none.
    """
    advice = advise_settings(suits, recipe, top=recess.mouth_height, lowest=lowest)
    remedy = advice or f"{_tell_device(recipe.device)} goes in on no higher deck either: {_too_small(recess)}"
    return FeatureError(error.what, error.where, remedy)


def _tell_device(device: Device) -> str:
    stands = f"leaning {device.lean:g} degrees" if device.pose == "leaning" else "lying"
    return f"a device of {device.length:g} x {device.width:g} x {device.thickness:g} mm, {stands},"


def _too_small(recess: Recess) -> str:
    width, height = np.ptp(recess.rim[:, :2], axis=0)
    return (
        f"the recess ({width:.0f} x {height:.0f} mm, {recess.depth:.0f} mm deep) is too small for it however it stands, if "
        'mouth.up and mouth.recline are right: give the sizes of a smaller device, or make a tray (kind = "tray")'
    )


def _advise_size(goes_in: Callable[[Device, float], bool], device: Device, lip: float) -> str:
    """Return the largest device that goes in as this one should, where it is one that could be meant; "" otherwise."""
    across, tall = ("length", "width") if device.orientation == "landscape" else ("width", "length")

    def sized(**sizes: float) -> bool:
        return goes_in(device.model_copy(update=sizes), lip)

    advice = []
    for key, way in ((across, "across"), (tall, "high" if device.pose == "leaning" else "deep")):
        size = getattr(device, key)
        best = find_largest(lambda value, key=key: sized(**{key: value}), size, smallest=LEAST_SHARE * size)  # type: ignore[misc]
        if best is not None:
            advice.append(f"{np.floor(best):.0f} mm {way} (device.{key})")
    if not advice:
        share = find_largest(
            lambda percent: sized(length=device.length * percent / 100, width=device.width * percent / 100),
            100.0, smallest=100.0 * LEAST_SHARE,
        )  # fmt: skip
        if share is not None:
            advice.append(" x ".join(f"{np.floor(size * share / 100):.0f}" for size in (device.length, device.width)) + " mm")
    return f"the largest that would: {', or '.join(advice)}" if advice else ""
