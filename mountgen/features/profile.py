"""The side of a shelf as lines in the (s, h) plane: front, deck, lip.

s is measured inwards, level, from the part frame's origin; h along the vehicle's up, from the lowest point of the
mouth. Everything that runs across the mouth is drawn in this plane; the front follows the panel's bow.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import atan, cos, floor, radians, sin, tan

import numpy as np

from mountgen.arrays import Floats, freeze
from mountgen.datum import Recess, lid_height
from mountgen.errors import FeatureError
from mountgen.shape import Axes

RIGHT = np.array([1.0, 0.0, 0.0])
LEVEL = 0.2  # least share of the mouth's plane that stands upright; flatter mouths face the sky
ROUNDS = 12  # Newton steps, each of which gains digits; the lid bows by a few degrees only


@dataclass(frozen=True, eq=False)
class Profile:
    """The side of a shelf.

    up, inwards : (3,) unit vectors, part frame: the vehicle's up, and level into the recess.
    base        : height of the mouth's lowest point along up, mm, where h = 0.
    top         : h of the mouth's highest point, mm.
    lid         : (6,) the surround carried across the mouth (see Recess).
    deck_s, deck_h : mm, the deck's front edge at the device's middle.
    tilt_deg    : slope of the deck; positive: lower at the back.
    lip_height, lip_thickness : mm; 0 where there is no lip.
    """

    up: Floats
    inwards: Floats
    base: float
    top: float
    lid: Floats
    deck_s: float
    deck_h: float
    tilt_deg: float
    lip_height: float
    lip_thickness: float

    def __post_init__(self) -> None:
        for name in ("up", "inwards", "lid"):
            freeze(self, name, "float64")

    @property
    def side(self) -> Axes:
        """Axes in which an outline in (s, h) rises along x."""
        return Axes(self.base * self.up, self.inwards, self.up)

    def along_deck(self, s: float) -> Axes:
        """Axes square to the deck that cut it at `s` mm: right is x, up square to the deck; they face outwards."""
        return Axes(self.place(np.zeros(1), np.array([[s, self.deck(s)]]))[0], RIGHT, self.square)

    @property
    def square(self) -> Floats:
        """The direction square to the deck, upwards, unit (3,)."""
        return np.asarray(self.slope_square[0] * self.inwards + self.slope_square[1] * self.up)

    @property
    def slope_back(self) -> Floats:
        """The deck's direction inwards in (s, h), unit (2,)."""
        return np.array([cos(radians(self.tilt_deg)), -sin(radians(self.tilt_deg))])

    @property
    def slope_square(self) -> Floats:
        """The direction square to the deck, upwards, in (s, h), unit (2,)."""
        return np.array([sin(radians(self.tilt_deg)), cos(radians(self.tilt_deg))])

    def place(self, x: Floats, flat: Floats) -> Floats:
        """Return the points (N, 3) of the part frame at x (N,) and (s, h) (N, 2), mm."""
        placed: Floats = x[:, None] * RIGHT + flat[:, :1] * self.inwards + (flat[:, 1:] + self.base) * self.up
        return placed

    def flatten(self, points: Floats) -> Floats:
        """Return (s, h) (N, 2) of points (N, 3) of the part frame, mm."""
        return np.column_stack([points @ self.inwards, points @ self.up - self.base])

    def deck(self, s: float) -> float:
        """Return the deck's h at s, mm."""
        return self.deck_h - tan(radians(self.tilt_deg)) * (s - self.deck_s)

    def lip_top(self, s: float) -> float:
        """Return the h of the lip's and the cheeks' top at s, mm."""
        return self.deck(s) + self.lip_height

    def front(self, x: Floats, h: Floats | float) -> Floats:
        """Return s of the front, which is the panel's surface carried across the mouth, at x (N,) and h, mm."""
        return find_front(self.lid, self.up, self.inwards, self.base, x, h)

    @property
    def front_lean(self) -> float:
        """How far the front leans inwards from vertical at the lip, radians."""
        x = np.zeros(1)
        low, high = (float(self.front(x, self.deck_h + h)[0]) for h in (-1.0, 1.0))
        return atan(0.5 * (high - low))

    @property
    def lip_depth(self) -> float:
        """Size of the lip along s, mm: its thickness, square to the front, seen level."""
        return self.lip_thickness / cos(self.front_lean)

    def front_edge(self, x: Floats, above: float) -> Floats:
        """Return the front's (s, h) (N, 2) where it meets a plane `above` mm above the deck at x (N,), mm."""
        level = self.deck(0.0) + above
        s = np.full(len(x), self.deck_s)
        for _ in range(ROUNDS):
            s = self.front(x, level - tan(radians(self.tilt_deg)) * s)
        return np.column_stack([s, level - tan(radians(self.tilt_deg)) * s])

    def lip_edge(self, x: Floats) -> Floats:
        """Return the front's (s, h) (N, 2) where it meets the top of the lip at x (N,), mm."""
        return self.front_edge(x, self.lip_height)

    def lip_back(self, low: float, high: float) -> float:
        """Return the greatest s of the lip's back between two x, mm; of the deck's edge where there is no lip."""
        edge = float(self.lip_edge(np.linspace(low, high, 33))[:, 0].max())
        return edge + self.lip_depth + max(0.0, -tan(self.front_lean)) * self.lip_height


def find_front(
    lid: Floats, up: Floats, inwards: Floats, base: float, x: Floats, h: Floats | float
) -> Floats:
    """Return s of the lid at x (N,) and h above `base`, mm (Newton's method)."""
    s = np.zeros(np.broadcast(x, h).shape)
    for _ in range(ROUNDS):
        y = s * inwards[1] + (h + base) * up[1]
        z = s * inwards[2] + (h + base) * up[2]
        steep = (lid[2] + lid[4] * x + 2.0 * lid[5] * y) * inwards[1] - inwards[2]
        s = s - (lid_height(lid, x, y) - z) / steep
    return s


def draw_profile(
    recess: Recess, *, height: float, tilt: float, place: float, lip_height: float, lip_thickness: float
) -> Profile:
    """Draw the side of a shelf.

    Args:
        recess: the scan in the part frame.
        height: of the deck at the mouth, mm along up from the lowest point of the mouth.
        tilt: slope of the deck, degrees; positive: lower at the back.
        place: x at which the deck has that height, mm.
        lip_height, lip_thickness: mm; 0 for no lip.

    Returns:
        Profile.

    Raises:
        FeatureError: the mouth faces the sky, or deck and lip lie above it.
    """
    up = recess.up
    inwards = np.array([0.0, up[2], -up[1]])
    along = recess.rim @ up
    base, top = float(along.min()), float(np.ptp(along))
    if up[1] < LEVEL:
        raise FeatureError(
            f"the mouth faces the sky or the ground (it rises by {top:.1f} mm only): it has no front for a deck",
            "mouth.recline, deck", 'make a tray instead (kind = "tray"), or correct mouth.recline',
        )  # fmt: skip
    if height + lip_height >= top:
        part = "deck" if lip_height == 0.0 else "deck with its lip"
        deck, lip = (floor(top - other - 1.0) for other in (lip_height, height))
        where, most = ("deck.height", deck) if deck >= 1 else ("lip.height", lip)
        remedy = f"give {where} = {most} at most, less what the device needs above it" if most >= 1 else "give less of both"
        raise FeatureError(f"the {part} lies {height + lip_height:.1f} mm up in a mouth that is {top:.1f} mm high", where, remedy)
    deck_s = float(find_front(recess.lid, up, inwards, base, np.array([place]), height)[0])
    return Profile(
        up=up, inwards=inwards, base=base, top=top, lid=recess.lid, deck_s=deck_s, deck_h=height, tilt_deg=tilt,
        lip_height=lip_height, lip_thickness=lip_thickness,
    )
