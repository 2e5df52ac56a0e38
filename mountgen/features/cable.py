"""The cable slot: through the lip at the level of the deck, with a groove under the device for the cable or its plug."""

from __future__ import annotations

import numpy as np

from mountgen.errors import FeatureError
from mountgen.features.lip import cut_inwards, notch, round_front
from mountgen.features.profile import Profile
from mountgen.features.seat import Seat
from mountgen.kernel import Solid
from mountgen.recipe_tables import CableSlot
from mountgen.shape import rectangle

GROOVE = 4.0  # mm below the deck, so that a cable passes under the device's edge
BRIDGE = 2.0  # mm of lip that must be left above a slot that is closed at its top
CORNER = 1.0  # mm, rounding of a closed slot's corners
LOWEST = 3.0  # mm, rounding of the lower edge at most: it stays inside the groove
SPARE = 1.0  # mm between the slot and an end of the seat


def cut_cable_slot(profile: Profile, seat: Seat, cable: CableSlot, *, radius: float) -> list[Solid]:
    """Return the cable slot, and the rounding of its lower edge, over which the cable bends: to be cut away.

    Args:
        profile: the side of the shelf.
        seat: where the device stands.
        cable: the recipe's `[cable]` table.
        radius: rounding of the lower edge, and of the lip's edges at an open slot, mm.

    Raises:
        FeatureError: it lies beside the seat, or leaves too little of the lip above it.
    """
    pose = seat.pose
    room = 0.5 * (pose.high - pose.low - cable.width) - SPARE
    middle = 0.5 * (pose.low + pose.high)
    if room < 0.0:
        raise FeatureError(
            f"a cable slot of {cable.width:g} mm is wider than the seat allows", "cable.width",
            f"give {np.floor(max(0.0, pose.high - pose.low - 2 * SPARE)):.0f} mm or less",
        )  # fmt: skip
    if abs(cable.place - middle) > room:
        raise FeatureError(
            f"a cable slot {cable.width:g} mm wide at {cable.place:g} mm lies beside the seat, or partly so",
            "cable.place", f"give {np.ceil(middle - room):.0f} to {np.floor(middle + room):.0f} mm",
        )  # fmt: skip
    reach = float(max(pose.foot[0], pose.outline()[:, 0].min() + 2.0))
    straight = 0.5 * cable.width - CORNER
    edges: list[Solid] = []
    if radius > 0.0 and straight > CORNER:
        ends = cable.place - straight, cable.place + straight
        edges = [round_front(profile, *ends, radius=min(radius, LOWEST), above=-GROOVE, beyond=0.0)]
    if cable.height is None or not profile.lip_height:
        outline = notch(cable.width, bottom=-GROOVE, top=profile.lip_height, radius=radius, inner=CORNER)
        return [cut_inwards(profile, outline, place=cable.place, reach=reach), *edges]
    largest = profile.lip_height - BRIDGE
    if cable.height > largest:
        remedy = "leave out cable.height: the slot is then open at its top"
        if largest > 0.0:
            remedy = f"give {largest:g} mm or less, or {remedy}"
        raise FeatureError(
            f"a slot {cable.height:g} mm high leaves less than {BRIDGE:g} mm of a lip of {profile.lip_height:g} mm",
            "cable.height", remedy,
        )  # fmt: skip
    half = 0.5 * cable.width
    slot = rectangle((-half, -GROOVE), (half, cable.height), radius=CORNER)
    return [cut_inwards(profile, slot, place=cable.place, reach=reach), *edges]
