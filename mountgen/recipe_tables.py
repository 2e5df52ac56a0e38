"""The tables of a recipe, from the scan to a tray's tongue, each with what it asks of its own values. A leaf.

Lengths are mm, angles degrees, masses kg.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, model_validator

from mountgen.length import angle, clock_position, count, length, mass, number
from mountgen.recipe_fields import (
    BedSize,
    Conflict,
    Direction,
    Gap,
    OpenGap,
    Place,
    Points,
    Size,
    Table,
    Thickness,
    Triple,
    about,
    raise_conflicts,
    read_ambient,
    read_choice,
    read_path,
    read_triple,
)

MOST_RIBS = 20  # inside a hollow body


class ScanSource(Table):
    """The scan file."""

    file: Annotated[
        Path | None,
        BeforeValidator(lambda v: None if v is None else read_path(v)),
        about("scan file, relative to the recipe: STL, PLY, OBJ or 3MF"),
    ] = None
    unit: Annotated[Literal["mm", "cm", "m", "inch"], about("length unit of the scan file")] = "mm"
    bridge: Annotated[
        float,
        length(least=0, most=50),
        about("largest hole in the scan that is bridged, mm; larger ones stay unseen"),
    ] = 6.0
    dots: Annotated[bool, BeforeValidator(read_choice), about("whether marker dots, three alike or more, are flattened")] = True
    spikes: Annotated[
        bool, BeforeValidator(read_choice), about("whether single points far off the ground around them are taken back to it")
    ] = True


class ParkedPlace(Table):
    """Where in the vehicle the part is and how hot that gets; the defaults are the worst that is usual."""

    where: Annotated[
        Literal[
            "dash_top_sun", "sunlit_other", "recess_in_sunlit_car", "closed_compartment", "shade_parked_dash",
            "cabin_cooled_drive",
        ],
        about("kind of place in the vehicle"),
    ] = "recess_in_sunlit_car"  # fmt: skip
    ambient: Annotated[
        float,
        number(least=-60, most=60),
        BeforeValidator(read_ambient),
        about("air outside on the hottest day it is parked, °C"),
    ] = 35.0
    hours: Annotated[float, number(least=0, most=24), about("how long it is parked like that, hours")] = 12.0
    vehicle: Annotated[
        Literal["dark", "light"], about("colour of the vehicle; a white or silver one stays a little cooler")
    ] = "dark"
    sky: Annotated[
        Literal["clear", "cloudy"], about("cloudy only where the sun never shines on it for long")
    ] = "clear"
    airbags_checked: Annotated[
        bool,
        about("true once the owner's manual was searched for all airbags, and those near are marked as [[keep_out]]"),
    ] = False
    sight_checked: Annotated[
        bool, about("true once it is seen from the driver's seat that neither part nor device hides road, mirrors or dials")
    ] = False


AIRBAG_MARGIN = 50.0  # mm that nothing may come nearer to an airbag's cover or seam than (our rule)
VENT_MARGIN = 20.0  # mm in which air still leaves a vent (our rule)


class KeepOut(Table):
    """A body in the vehicle that part and device must keep away from: a box, or a mesh file."""

    name: Annotated[str, about("what it is called in the table of verdicts")]
    kind: Annotated[
        Literal["lever", "screen", "lid", "vent", "switch", "airbag", "airbag-seam", "other"], about("what it is")
    ] = "other"
    axes: Annotated[
        Literal["mouth", "scan"],
        about(
            "mouth: mm from the middle of the dial on the survey's picture, x to the right, y up, z out of the mouth; "
            "scan: the scan file's own unit and axes"
        ),
    ] = "mouth"
    low: Annotated[Triple | None, about("corner of the box with the least coordinates, [x, y, z]")] = None
    high: Annotated[Triple | None, about("corner of the box with the greatest coordinates, [x, y, z]")] = None
    file: Annotated[
        Path | None,
        BeforeValidator(lambda v: None if v is None else read_path(v)),
        about(
            "mesh file instead of a box, relative to the recipe: STL, PLY, OBJ, 3MF; in mm, or in scan.unit with its axes; "
            "a unit that a 3MF states counts before mm"
        ),
    ] = None
    margin: Annotated[
        Annotated[float, length(least=0, most=500)] | None,
        about("distance to keep, mm; if absent 50 for an airbag and its seam, 20 for a vent, 0 for others"),
    ] = None

    @property
    def distance(self) -> float:
        """Distance to keep, mm."""
        if self.margin is not None:
            return self.margin
        return AIRBAG_MARGIN if self.kind.startswith("airbag") else VENT_MARGIN if self.kind == "vent" else 0.0

    @model_validator(mode="after")
    def _check(self) -> Self:
        box = self.low is not None and self.high is not None
        conflicts: list[Conflict] = []
        if self.file is not None and (self.low is not None or self.high is not None):
            conflicts.append(("file", "a box and a mesh file are both given", "give low and high, or file"))
        elif self.file is None and not box:
            missing = "low" if self.low is None else "high"
            conflicts.append((missing, "it has no body", "give both corners of a box (low, high), or a mesh (file)"))
        elif self.low is not None and self.high is not None:
            for axis, low, high in zip("xyz", self.low, self.high, strict=True):
                if low >= high:
                    what = f"the box has no size along {axis}: from {low:g} to {high:g}"
                    conflicts.append(("high", what, "low is the corner with the least coordinates, high the other"))
        raise_conflicts(conflicts)
        return self


class MouthPlane(Table):
    """A mouth plane given by hand."""

    point: Annotated[Triple, about("a point of the plane, in the scan file's own unit and axes")]
    normal: Annotated[Direction, about("its direction out of the recess, in the scan file's axes")]


class Mouth(Table):
    """Which way the mouth of the recess lies in the vehicle, and what is not left to be found."""

    up: Annotated[
        float, clock_position(), about("clock position of the vehicle's up on the mouth's picture")
    ] = 12.0
    recline: Annotated[
        float,
        angle(least=-90, most=90),
        about("how far the mouth leans back, deg: 0 a vertical mouth, 90 one that faces the sky"),
    ] = 0.0
    draw: Annotated[
        Direction | None,
        about("direction in which the part leaves, in the scan file's axes; found if absent"),
    ] = None
    rim: Annotated[
        Points | None,
        about("points picked around the rim, in order, scan file's unit and axes; found if absent"),
    ] = None
    plane: Annotated[MouthPlane | None, about("mouth plane by hand; found if absent")] = None
    at: Annotated[
        Triple | None,
        about("a point over the recess to take where the scan shows several, in the scan file's own unit and axes"),
    ] = None


class Fit(Table):
    """How the part sits in the recess."""

    clearance: Annotated[
        OpenGap, about('gap between part and scan, mm, or "auto" for as much as the fit needs')
    ] = 0.5
    floor: Annotated[Gap | None, about("gap at the floor, mm; as clearance if absent")] = None
    walls: Annotated[Gap | None, about("gap at the walls, mm; as clearance if absent")] = None
    rim: Annotated[Gap | None, about("gap in the uppermost 3 mm at the rim, mm; as clearance if absent")] = (
        None
    )
    draft: Annotated[float, angle(least=0.2, most=15), about("least taper of the part's walls, deg")] = 1.0
    reach: Annotated[
        float | Literal["full"],
        length(least=1, most=1500, word="full"),
        about('how deep the part goes, mm from the mouth, or "full"'),
    ] = "full"
    sits: Annotated[
        Literal["press", "sliding", "loose", "lined"],
        about("how it is meant to sit: pushed in tight, sliding in without play, dropping in, or on a 1 mm lining"),
    ] = "sliding"
    trim: Annotated[
        Literal[
            "pp", "pe", "abs", "pc", "pc-abs", "pet", "nylon", "rigid-pvc", "soft-pvc", "soft-touch", "silicone"
        ]
        | None,
        about("plastic of the trim around the recess, which decides how tape holds and how it grows; not known if absent"),
    ] = None

    @property
    def gaps(self) -> dict[str, float]:
        """Gap in each zone of the scan, mm: floor, walls, rim."""
        zones = {"floor": self.floor, "walls": self.walls, "rim": self.rim}
        return {zone: self.clearance if gap is None else gap for zone, gap in zones.items()}


class BodyShape(Table):
    """The body as such."""

    wall: Annotated[Thickness | None, about("wall of a hollow body, mm; solid if absent")] = None
    edge_radius: Annotated[float, length(least=0, most=20), about("rounding of the outer edges, mm")] = 1.0


class BlockBody(BodyShape):
    """A body that is solid, or hollow from below or behind."""

    ribs: Annotated[int, count(most=MOST_RIBS), about("ribs inside a hollow body")] = 0
    open: Annotated[Literal["underneath", "back"], about("where a hollow body is open")] = "underneath"

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.ribs and self.wall is None:
            raise_conflicts(
                [("ribs", f"{self.ribs} ribs in a solid body", "set body.wall, such as 2.4, or ribs = 0")]
            )
        return self


class TrayBody(BodyShape):
    """The body of a tray."""

    wall: Annotated[Thickness, about("wall and floor of the tray, mm")]


class Printer(Table):
    """The machine that prints the part."""

    bed: Annotated[
        tuple[BedSize, BedSize, BedSize],
        BeforeValidator(read_triple),
        about("room of the printer, mm: [x, y, z]"),
    ] = (220.0, 220.0, 250.0)
    line_width: Annotated[float, length(least=0.1, most=3), about("width of one printed line, mm")] = 0.45
    layer_height: Annotated[float, length(least=0.04, most=2), about("height of one layer, mm")] = 0.2
    wall_lines: Annotated[int, count(least=1, most=50), about("printed lines side by side in a wall")] = 3
    infill: Annotated[
        float, number(least=0, most=1), about("share of the inside that is filled, 0 to 1: 0.25 is a quarter")
    ] = 0.25
    speed: Annotated[float, number(least=1, most=1000), about("how fast lines are laid on average, mm/s")] = 60.0
    filament: Annotated[float, length(least=0.5, most=5), about("diameter of the filament, mm")] = 1.75
    layers_along: Annotated[
        Direction | None,
        about("direction in which the layers grow, in the part's own axes, +z out of the recess; found if absent"),
    ] = None
    split: Annotated[
        bool,
        BeforeValidator(read_choice),
        about("whether a part that is too large for the bed is also written in pieces with joints"),
    ] = False
    joint: Annotated[
        Literal["dowels", "dovetail"], about("how pieces are joined: round pins in holes, or a tail in a socket")
    ] = "dowels"
    joint_gap: Annotated[float, length(least=0, most=2), about("gap all around a pin or tail, mm")] = 0.15
    foot: Annotated[
        float,
        length(least=0, most=3),
        about("chamfer along the plate in the 3MF, mm, into which the first layer is pressed out; 0 none"),
    ] = 0.4
    tolerance: Annotated[
        Annotated[float, length(above=0, most=5)] | None,
        about("how far a printed wall may be off, mm, plus or minus; 0.2 or 0.3 % if absent"),
    ] = None
    shrinkage: Annotated[
        Annotated[float | Literal["material"], number(least=0, most=10, word="material")] | None,
        about('shrinkage made good by enlarging STL and 3MF, %, or "material" for its table\'s; not if absent'),
    ] = None


class Deck(Table):
    """The surface on which the device stands or lies."""

    height: Annotated[
        Size, about("deck at the mouth, mm along the vehicle's up from the lowest point of the mouth")
    ]
    tilt: Annotated[
        float, angle(least=-30, most=45), about("slope of the deck, deg; positive: lower at the back")
    ] = 5.0


class Device(Table):
    """The device with its case."""

    length: Annotated[Size, about("longest side with the case on, mm")]
    width: Annotated[Size, about("second side with the case on, mm")]
    thickness: Annotated[Size, about("thickness with the case on, mm, camera included")]
    mass: Annotated[float, mass(above=0, most=5), about("mass with the case on, kg")]
    pose: Annotated[
        Literal["lying", "leaning"], about("flat on the deck, or on its edge against a back rest")
    ] = "lying"
    lean: Annotated[
        float, angle(least=0, most=80), about("how far it leans back from vertical when leaning, deg")
    ] = 25.0
    orientation: Annotated[
        Literal["landscape", "portrait"], about("long side across the mouth, or along")
    ] = "landscape"
    place: Annotated[
        Place, about("its middle, mm across the mouth from the mouth's middle, positive to the right")
    ] = 0.0
    play: Annotated[Gap, about("gap between device and part on each side, mm")] = 1.0

    @property
    def across(self) -> float:
        """Size across the mouth, mm."""
        return self.length if self.orientation == "landscape" else self.width

    @model_validator(mode="after")
    def _check(self) -> Self:
        conflicts: list[Conflict] = []
        if self.width > self.length:
            what = f"the width ({self.width:g} mm) is more than the length ({self.length:g} mm)"
            conflicts.append(
                ("width", what, 'length is the longest side; how it stands says orientation = "portrait"')
            )
        if self.thickness > self.width:
            what = f"the thickness ({self.thickness:g} mm) is more than the width ({self.width:g} mm)"
            conflicts.append(("thickness", what, "thickness is the smallest side"))
        raise_conflicts(conflicts)
        return self


class Lip(Table):
    """The ledge at the front that keeps the device in."""

    height: Annotated[Size, about("how far the lip stands above the deck, mm")]
    thickness: Annotated[Thickness, about("thickness of the lip, mm")] = 3.0
    scoop: Annotated[
        float, length(least=0, most=1000), about("width of the finger scoop in the lip, mm; 0 none")
    ] = 0.0


class RetainingTabs(Table):
    """Arms at the two ends that flex when the part is pushed in, and hook behind the rim."""

    count: Annotated[Literal[0, 2], about("2, one at each end, or 0")] = 2
    length: Annotated[Size, about("free length of the arm, mm: longer strains less")] = 18.0
    width: Annotated[Size, about("width of the arm, mm")] = 8.0
    thickness: Annotated[Thickness, about("thickness of the arm in the direction it flexes, mm")] = 1.8
    hook: Annotated[Thickness, about("how far the hook stands out, mm: how far the arm is bent")] = 1.2

    @model_validator(mode="after")
    def _check(self) -> Self:
        conflicts: list[Conflict] = []
        for key, size in (("thickness", self.thickness), ("hook", self.hook)):
            if size >= self.length:
                what = f"{key} ({size:g} mm) is not less than the arm's length ({self.length:g} mm)"
                conflicts.append((key, what, "an arm that flexes is about ten times as long as thick"))
        raise_conflicts(conflicts)
        return self


class CableSlot(Table):
    """A slot for a cable, or relief for its plug."""

    width: Annotated[Size, about("width of the slot, mm: the plug must pass")]
    height: Annotated[
        Size | None, about("height of the slot above the deck, mm; open at its top if absent")
    ] = None
    place: Annotated[
        Place, about("its middle, mm across the mouth from the mouth's middle, positive to the right")
    ] = 0.0


class Drains(Table):
    """Holes that let water out of the deck."""

    count: Annotated[int, count(most=40), about("number of holes; 0 none")]
    diameter: Annotated[
        float, length(least=1, most=50), about("diameter of a hole, mm; print makes it 0.1 to 0.3 less")
    ] = 4.0


class TapePads(Table):
    """Flat areas that bear on the recess through foam tape."""

    count: Annotated[int, count(most=12), about("number of pads; 0 none")]
    length: Annotated[Size, about("length of a pad, mm")]
    width: Annotated[Size, about("width of a pad, mm: that of the tape")]
    thickness: Annotated[
        float,
        length(above=0, most=10),
        about("thickness of the tape, mm: it takes the clearance's place under a pad"),
    ] = 1.1
    compression: Annotated[
        float, number(least=0.02, most=0.5), about("share of its thickness the tape is pressed in")
    ] = 0.2
    primer: Annotated[
        bool, about("an adhesion promoter is put on the trim first, or the tape is one for low surface energy")
    ] = False
    tried: Annotated[bool, about("true once a trial strip of this tape held on this very trim for 72 h")] = False


class Carries(Table):
    """What lies in a tray or on a plug."""

    mass: Annotated[float, mass(above=0, most=5), about("mass of what lies in it or on it, kg")]


class PlugFace(Table):
    """The face of a plug."""

    below: Annotated[
        float, length(least=0, most=1500), about("how far the face lies below the mouth, mm; 0 flush")
    ] = 0.0


class Flange(Table):
    """A border that lies on the panel around the rim and follows its bow."""

    width: Annotated[float, length(above=0, most=200), about("how far it reaches past the rim, mm")]
    thickness: Annotated[Thickness, about("thickness of the flange, mm")] = 2.0


class Dividers(Table):
    """Walls that part a tray."""

    count_x: Annotated[int, count(most=20), about("walls that part it from left to right")] = 0
    count_y: Annotated[int, count(most=20), about("walls that part it from bottom to top")] = 0
    thickness: Annotated[Thickness, about("thickness of a wall, mm")] = 1.8
    height: Annotated[Size | None, about("height above the tray's floor, mm; up to the mouth if absent")] = (
        None
    )


class PullTab(Table):
    """A tongue by which the tray is pulled out."""

    width: Annotated[Size | None, about("width of the tongue, mm; up to 18, as there is room at the mouth, if absent")] = None
    length: Annotated[Size, about("how far it stands out of the mouth, mm")]
    thickness: Annotated[Thickness, about("thickness of the tongue, mm")] = 2.4
