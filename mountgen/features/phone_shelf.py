"""The phone shelf: the lower part of the recess filled up to a deck, with a seat for a device behind a lip.

Whatever stands is left standing of the largest insertable body, so that it goes in by construction: the shelf is that
body less a few prisms, whose edges are rounded before they meet it.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from mountgen.block import Block, make_block
from mountgen.datum import Recess
from mountgen.errors import FeatureError, KernelError
from mountgen.features.cable import cut_cable_slot
from mountgen.features.device_check import (
    check_device,
    explain_deck,
    explain_device,
    gauge_part,
    gauge_scan,
    is_held,
    sweep_device,
)
from mountgen.features.drain import drill_drains
from mountgen.features.lip import cut_inwards, notch, overshoot, round_front, scoop_lip, stand_lip
from mountgen.features.part import Device as SeatedDevice
from mountgen.features.part import Part
from mountgen.features.profile import RIGHT, Profile, draw_profile
from mountgen.features.seat import FAR, SEAT_GAP, Seat, find_seat
from mountgen.field import InsertableSpace
from mountgen.kernel import Body, Solid, combine_many, tessellate
from mountgen.loft import Shell
from mountgen.material import find_material, load_materials
from mountgen.recipe import PhoneShelfRecipe
from mountgen.section import sample_height
from mountgen.shape import cut_at_once, cut_in_turn, extrude, require_cut, require_one_solid, round_polygon
from mountgen.snap import find_permissible_strain

if TYPE_CHECKING:
    from mountgen.features.tabs import TabPlan, TabTrial
    from mountgen.features.tape_pads import PadPlan
    from mountgen.recipe_tables import Device
    from mountgen.shape import Outline

CHEEK = 2.0  # mm, the thinnest cheek that is left standing beside the seat
PLAN_CHORD = 0.1  # mm, of the mesh on which places for tabs and pads are sought
LEFT = 0.3  # mm that a tool's room may be seen to reach into what is left: the chords of both meshes, and some
FLOOR = 1.5  # mm of material that must be left below the deck
# How a shelf is cut out of its block, tried in order: of how many strips the block's wall is, and how its tools are applied.
# The kernel works through every face whose box a tool touches, so many strips are quick; and it fails at some seams, which lie
# elsewhere with another number.
WAYS = (
    (12, cut_in_turn), (8, cut_in_turn), (6, cut_in_turn), (16, cut_in_turn),
    (8, cut_at_once), (4, cut_in_turn), (4, cut_at_once),
)  # fmt: skip


def make_phone_shelf(
    shell: Shell | None, space: InsertableSpace, recess: Recess, *, recipe: PhoneShelfRecipe
) -> Part:
    """Make a phone shelf. Arguments, result and errors as for `add_features`."""
    profile = plan_shelf(recess, recipe)
    suits = partial(_suits, recess, space)
    try:
        require_deck(profile, space, recipe)
    except FeatureError as error:
        lowest = find_lowest_deck(profile, space, recipe)
        raise explain_deck(error, suits, recipe, recess=recess, lowest=lowest) from None
    seat = find_seat(profile, space, recipe.device)
    if seat is None:
        raise explain_device(
            lambda device, lip: _goes_in(recess, space, recipe, device, lip), suits, recipe, recess=recess
        )
    reach = None if recipe.fit.reach == "full" else recipe.fit.reach
    device = SeatedDevice(mesh=seat.pose.mesh(profile), legs=seat.legs)
    way = sweep_device(device)
    with ThreadPoolExecutor(1) as pool:
        to_scan = pool.submit(gauge_scan, way, recess)
        tools = carve_shelf(profile, seat, space, recipe)
        block, solid = _carve(partial(make_block, shell, space, reach=reach), tools)
        if recipe.body.wall is not None:
            from mountgen.features.hollow import hollow_out

            solid = hollow_out(
                solid, space, shell, up=recess.up, wall=recipe.body.wall, ribs=recipe.body.ribs,
                opening=recipe.body.open, carved=True,
            )  # fmt: skip
        solid, tabs, pads, trial = _add_holds(solid, recess, recipe)
        mesh = tessellate(solid)
    holds = [plan for plan in (tabs, pads) if plan is not None]
    seats = partial(_seat_device, recess, space)
    checks = check_device(
        gauge_part(way, mesh), to_scan.result(), profile, seat, recess, space, recipe=recipe, suits=suits, seats=seats
    )
    body = Body(solid=solid, mesh=mesh, faceted=block.faceted, notes=block.notes)
    return Part(
        body=body, device=device, soft=tuple(zone for plan in holds for zone in plan.soft),
        checks=checks if pads is None else (*checks, *pads.checks), notes=() if pads is None else pads.notes,
        tabs=() if tabs is None else tabs.tabs, pads=() if pads is None else pads.pads, suits=suits,
        seats=seats, trial=trial,
    )  # fmt: skip


def _carve(make: Callable[..., Block], tools: tuple[list[Solid], list[Solid]]) -> tuple[Block, Solid]:
    """Return a block and what is left of it without the tools, made in the first way that the solid kernel gets right.

    make: the block, of so many `strips` of wall.  tools: in two groups, so that with other ones of the second what the first has
    left is found in the store.
    """
    what = "deck, seat and lip"
    failed: FeatureError | KernelError | None = None
    block: Block | None = None
    rooms = [tessellate(tool) for group in tools for tool in group]
    for strips, cut in WAYS:
        if block is None or not block.faceted:  # facets are the same whatever is asked for
            block = make(strips=strips)
        try:
            left = cut(cut(block.solid, tools[0], what=what), tools[1], what=what)
            solid = require_one_solid(left, what=what, remedy="set a higher deck.height, or a smaller device")
            require_cut(tessellate(solid, chord=PLAN_CHORD), rooms, what=what, within=LEFT)
        except (FeatureError, KernelError) as error:
            failed = failed or error
        else:
            return block, solid
    assert failed is not None
    raise failed


def _add_holds(
    solid: Solid, recess: Recess, recipe: PhoneShelfRecipe
) -> tuple[Solid, TabPlan | None, PadPlan | None, TabTrial | None]:
    """Add what holds the shelf in the recess, retaining tabs and tape pads; and return what other tabs can be tried on."""
    from mountgen.features.tabs import TabTrial, carve_tabs, plan_tabs
    from mountgen.features.tape_pads import carve_pads, plan_pads

    if recipe.tabs is None and recipe.tape is None:
        return solid, None, None, None
    mesh = tessellate(solid, chord=PLAN_CHORD)
    tabs = pads = trial = None
    if recipe.tabs is not None:
        find_permissible_strain(find_material(recipe.material, load_materials(recipe.sheet)))  # or it is not for tabs
        tabs = plan_tabs(mesh, recess, tabs=recipe.tabs)
    if recipe.tape is not None:
        pads = plan_pads(mesh, recess, tape=recipe.tape, avoid=() if tabs is None else tabs.soft)
        solid = carve_pads(solid, pads)
    if tabs is not None and recipe.tabs is not None:
        trial = TabTrial(solid, mesh, recess)
        solid = carve_tabs(solid, tabs, tabs=recipe.tabs)
    return solid, tabs, pads, trial


def _goes_in(
    recess: Recess, space: InsertableSpace, recipe: PhoneShelfRecipe, device: Device, lip_height: float
) -> bool:
    profile = plan_shelf(recess, recipe, lip_height=lip_height)
    return find_seat(profile, space, device) is not None


def _suits(recess: Recess, space: InsertableSpace, recipe: PhoneShelfRecipe) -> bool:
    """Return whether a recipe's device stands on a deck that has a body below it, goes in and is held."""
    return _find_held(recess, space, recipe) is not None


def _seat_device(recess: Recess, space: InsertableSpace, recipe: PhoneShelfRecipe) -> SeatedDevice | None:
    """Return a recipe's device at its seat; None as for `_find_held`."""
    found = _find_held(recess, space, recipe)
    return None if found is None else SeatedDevice(mesh=found[1].pose.mesh(found[0]), legs=found[1].legs)


def _find_held(recess: Recess, space: InsertableSpace, recipe: PhoneShelfRecipe) -> tuple[Profile, Seat] | None:
    """Return the side of a recipe's shelf and its seat; None where no body is below it, or the device is not held there."""
    if recipe.device.across > float(np.ptp(recess.rim[:, 0])):
        return None
    try:
        profile = plan_shelf(recess, recipe)
    except FeatureError:
        return None
    if not has_floor(profile, space, recipe):
        return None
    seat = find_seat(profile, space, recipe.device)
    return (profile, seat) if seat is not None and is_held(profile, seat, recess, recipe.device) else None


def plan_shelf(recess: Recess, recipe: PhoneShelfRecipe, *, lip_height: float | None = None) -> Profile:
    """Return the side of a recipe's shelf, with another height of the lip where one is given."""
    lip = recipe.lip
    return draw_profile(
        recess, height=recipe.deck.height, tilt=recipe.deck.tilt, place=recipe.device.place,
        lip_height=(0.0 if lip is None else lip.height) if lip_height is None else lip_height,
        lip_thickness=0.0 if lip is None else lip.thickness,
    )  # fmt: skip


def require_deck(profile: Profile, space: InsertableSpace, recipe: PhoneShelfRecipe) -> None:
    """Make sure that there is a body under the front of the deck, where the device stands.

    Raises:
        FeatureError: the deck lies too low; says how high it must be.
    """
    lowest = find_lowest_deck(profile, space, recipe)
    if lowest == profile.deck_h:
        return
    remedy = (
        f"give deck.height = {lowest:g} or more"
        if lowest is not None
        else "move the device (device.place) to where the recess is wide enough, or give a smaller one"
    )
    raise FeatureError(
        f"a deck {recipe.deck.height:g} mm above the lowest point of the mouth leaves less than {FLOOR:g} mm of body below it",
        "deck.height", remedy,
    )  # fmt: skip


def find_lowest_deck(profile: Profile, space: InsertableSpace, recipe: PhoneShelfRecipe) -> float | None:
    """Return the profile's height of the deck, or the next, mm, below which a body is left; None where there is none."""
    if has_floor(profile, space, recipe):
        return profile.deck_h
    rise = next((h for h in np.arange(0.5, profile.top, 0.5) if has_floor(profile, space, recipe, rise=float(h))), None)
    return None if rise is None else float(np.ceil(2.0 * (profile.deck_h + rise)) / 2.0)


def has_floor(profile: Profile, space: InsertableSpace, recipe: PhoneShelfRecipe, *, rise: float = 0.0) -> bool:
    """Return whether there is a body under the front of the deck, or of one `rise` mm higher, where the device stands."""
    half = min(0.4 * recipe.device.across, 0.25 * float(np.ptp(space.mouth[:, 0])))
    x = np.linspace(recipe.device.place - half, recipe.device.place + half, 9)
    s = np.linspace(3.0, 12.0, 4)
    flat = np.array([[profile.deck_s + d, profile.deck(profile.deck_s + d) + rise - FLOOR] for d in s])
    points = profile.place(np.repeat(x, len(s)), np.tile(flat, (len(x), 1)))
    return bool((sample_height(space, points[:, :2]) <= points[:, 2]).all())


def carve_shelf(
    profile: Profile, seat: Seat, space: InsertableSpace, recipe: PhoneShelfRecipe
) -> tuple[list[Solid], list[Solid]]:
    """Return what is cut out of the insertable body to leave a shelf, and after that to let cable and water through."""
    radius = recipe.body.edge_radius
    low, high = float(space.mouth[:, 0].min()), float(space.mouth[:, 0].max())
    tools = [_clear_above(profile, low, high)]
    if profile.lip_height:
        pocket = _cut_pocket(profile, seat, space, recipe)
        if recipe.device.pose == "leaning":
            rest = _stand_rest(profile, seat, low, high, radius)
            tools = [combine_many(combine_many(tools[0], [pocket], "fuse", what="seat"), [rest], "cut", what="rest")]
        else:
            tools.append(pocket)
    elif recipe.device.pose == "leaning":
        rest = _stand_rest(profile, seat, low, high, radius)
        tools = [combine_many(tools[0], [rest], "cut", what="rest")]
    if radius > 0.0:
        tools.append(round_front(profile, low, high, radius=radius))
    lip = recipe.lip
    if lip is not None and lip.scoop > 0.0:
        foot = float(seat.pose.outline()[:, 0].min()) + 0.5 * min(seat.pose.thick, 20.0)
        tools.append(scoop_lip(profile, place=recipe.device.place, width=lip.scoop, reach=foot, radius=radius))
    holes: list[Solid] = []
    if recipe.cable is not None:
        holes += cut_cable_slot(profile, seat, recipe.cable, radius=radius)
    if recipe.drains is not None:
        holes += drill_drains(profile, seat.pose, recipe.drains, cable=recipe.cable)
    return tools, holes


def _clear_above(profile: Profile, low: float, high: float) -> Solid:
    """Return all that lies above the level of the lip."""
    first, last = profile.deck_s - FAR, profile.deck_s + FAR
    outline = [(first, profile.lip_top(first)), (last, profile.lip_top(last)), (last, FAR), (first, FAR)]
    return _across(profile, round_polygon(outline, 0.0), low - 10.0, high + 10.0)


def _across(profile: Profile, outline: Outline, low: float, high: float) -> Solid:
    side = profile.side
    return extrude(outline, axes=replace(side, origin=side.origin + low * RIGHT), height=high - low)


def _stand_rest(profile: Profile, seat: Seat, low: float, high: float, radius: float) -> Solid:
    """Return what stands behind the device's back."""
    pose = seat.pose
    foot = pose.foot + SEAT_GAP * np.array([pose.rise[1], -pose.rise[0]])
    top = foot + seat.rest_top * pose.rise
    bottom = foot - 20.0 * pose.rise
    outline = [bottom, (FAR, bottom[1]), (FAR, top[1]), top]
    return _across(profile, round_polygon(np.array(outline), [0.0, 0.0, 0.0, radius]), low - 20.0, high + 20.0)


def _cut_pocket(profile: Profile, seat: Seat, space: InsertableSpace, recipe: PhoneShelfRecipe) -> Solid:
    """Return the seat's room between lip, cheeks and rest, up to the level of the lip and above."""
    pose, radius, play = seat.pose, recipe.body.edge_radius, recipe.device.play
    low, high = pose.low - play, pose.high + play
    ends = float(space.mouth[:, 0].min()) - 10.0, float(space.mouth[:, 0].max()) + 10.0
    if not _has_cheek(profile, seat, space, low - CHEEK):
        low = ends[0]
    if not _has_cheek(profile, seat, space, high + CHEEK):
        high = ends[1]
    middle = 0.5 * (low + high)
    outline = notch(high - low, bottom=0.0, top=profile.lip_height, radius=radius)
    leaning = recipe.device.pose == "leaning"
    stands = leaning or seat.rest_top >= profile.lip_height - SEAT_GAP
    back = profile.deck_s + FAR if leaning or not stands else float(pose.foot[0]) + play
    room = cut_inwards(profile, outline, place=middle, reach=back)
    room = combine_many(room, [stand_lip(profile, low, high, radius=radius)], "cut", what="lip")
    if leaning or not stands or radius == 0.0:
        return room
    return combine_many(room, [_round_back(profile, back, low, high, radius=radius)], "fuse", what="seat")


def _round_back(profile: Profile, back: float, low: float, high: float, *, radius: float) -> Solid:
    """Return what rounds the upper edge behind a lying device, from x = `low` to `high`: to be cut away."""
    along = profile.slope_back
    square = np.array([-along[1], along[0]])
    out = square - along  # out of the back wall and out of the top
    edge = np.array([back, profile.deck(back)]) + profile.lip_height * square  # the wall stands square to the deck
    corner = edge + overshoot(radius) * out
    outline = [corner, corner - radius * square, corner + radius * out, corner + radius * along]
    return _across(profile, round_polygon(np.array(outline), [radius, 0.0, 0.0, 0.0]), low, high)


def _has_cheek(profile: Profile, seat: Seat, space: InsertableSpace, x: float) -> bool:
    """Return whether a cheek can stand at x beside the seat, from the lip to the device's back."""
    pose = seat.pose
    first = profile.lip_back(pose.low, pose.high)
    s = np.linspace(first, max(first + 1.0, float(pose.foot[0])), 8)
    flat = np.array([[each, profile.deck(each) + share * profile.lip_height] for each in s for share in (0.1, 1.0)])
    points = profile.place(np.full(len(flat), x), flat)
    return bool((sample_height(space, points[:, :2]) <= points[:, 2]).all())
