"""Drain holes: straight down through the deck, spread under the seat, beside the cable's groove."""

from __future__ import annotations

from math import radians, tan

import numpy as np

from mountgen.errors import FeatureError
from mountgen.features.profile import Profile
from mountgen.features.seat import FAR, Pose
from mountgen.kernel import Solid
from mountgen.recipe_tables import CableSlot, Drains
from mountgen.shape import make_cylinder

BETWEEN = 2.0  # mm of deck at least between two holes, and between a hole and what is beside it


def drill_drains(profile: Profile, pose: Pose, drains: Drains, *, cable: CableSlot | None) -> list[Solid]:
    """Return the drain holes: to be cut away.

    Raises:
        FeatureError: so many holes of that size have no room; says how many, or which size, would.
    """
    side = pose.outline()
    low_s, high_s = float(side[:, 0].min()), float(pose.foot[0])
    foot = [point[0] for point in side if point[1] < pose.foot[1] + drains.diameter]
    s = 0.5 * (max(low_s, min(foot)) + high_s)
    above = profile.deck(s) + 0.5 * drains.diameter * abs(tan(radians(profile.tilt_deg))) + 0.2
    return [
        make_cylinder(
            profile.place(np.array([x]), np.array([[s, above]]))[0], -profile.up, radius=0.5 * drains.diameter, height=FAR
        )
        for x in place_drains(pose, drains, cable=cable)
    ]


def place_drains(pose: Pose, drains: Drains, *, cable: CableSlot | None) -> list[float]:
    """Return the x of the holes' middles, mm, evenly spread over what the cable's groove leaves of the seat.

    Raises:
        FeatureError: as `drill_drains`.
    """
    edge = 0.5 * drains.diameter + BETWEEN
    free = [(pose.low, pose.high)]
    if cable is not None:
        half = 0.5 * cable.width
        free = [(pose.low, cable.place - half), (cable.place + half, pose.high)]
    pitch = drains.diameter + BETWEEN
    places = [(low + edge, high - edge) for low, high in free if high - low >= 2.0 * edge]
    room = sum(int((high - low) / pitch + 1e-9) + 1 for low, high in places)
    if drains.count > room:
        remedy = f"give drains.count = {room} at most" if room else f"give a diameter under {drains.diameter:g} mm"
        raise FeatureError(
            f"{drains.count} drain holes of {drains.diameter:g} mm have no room under the device", "drains", remedy
        )
    # each hole in turn goes where the holes would then stand furthest apart
    counts = [0] * len(places)
    for _ in range(drains.count):
        spread = [(high - low + pitch) / (n + 1) for (low, high), n in zip(places, counts, strict=True)]
        counts[int(np.argmax(spread))] += 1
    holes: list[float] = []
    for (low, high), n in zip(places, counts, strict=True):
        width = (high - low + pitch) / n if n else 0.0
        holes += [low - 0.5 * pitch + (k + 0.5) * width for k in range(n)]
    return holes
