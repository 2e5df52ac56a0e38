"""The recipe: what to make of a scan, as frozen values. A leaf.

Lengths are mm, angles degrees, masses kg. Each kind of part has its own recipe type, so a section that does
not belong to the kind is refused. A key or table that has no value by default (None) may also be set to
false: that takes out what a base gave.
"""

from __future__ import annotations

from math import inf
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError

from mountgen.length import angle, clock_position, count, describe_value, length, mass, number, refuse

MOST_RIBS = 20  # inside a hollow body
AUTO = inf  # of fit.clearance: as much as the fit needs, found once the scan is read; no recipe can give it as a number
CONFLICTS = "recipe_conflicts"  # pydantic error type of values that exclude each other, listed in its context
RESERVED_NAMES = frozenset(
    ("con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(10)))
)  # device names on one operating system, whatever their ending


def _about(text: str) -> Any:
    return Field(description=text)


class Table(BaseModel):
    """Base of every table of a recipe: frozen, no unknown keys, `false` for a key that may be absent."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    @model_validator(mode="before")
    @classmethod
    def _take_out(cls, data: Any) -> Any:
        if not isinstance(data, dict):
            return data
        optional = {key for key, info in cls.model_fields.items() if info.default is None}
        return {key: None if value is False and key in optional else value for key, value in data.items()}


Conflict = tuple[str, str, str]  # key path from the table that raises it, what is wrong, what to do


def _raise_conflicts(conflicts: list[Conflict]) -> None:
    if conflicts:
        text = "; ".join(f"{key}: {what} ({remedy})" for key, what, remedy in conflicts)
        raise PydanticCustomError(CONFLICTS, "{text}", {"text": text, "conflicts": conflicts})


def read_name(value: object) -> str:
    """Return a part's name if every system takes it as a file name; a ValueError says why not."""
    remedy = 'use letters, digits and - _ . only, such as "phone-shelf"'
    if not isinstance(value, str):
        raise refuse(f"found {describe_value(value)} where a text is needed", f"{remedy}, in quotes")
    if not value or not all(c.isascii() and (c.isalnum() or c in "-_.") for c in value):
        raise refuse(f"{describe_value(value)} cannot be part of every system's file names", remedy)
    if len(value) > 80:
        raise refuse(f"the name has {len(value)} characters", "use 80 at most")
    if value[0] in ".-" or value[-1] == "." or value.split(".")[0].lower() in RESERVED_NAMES:
        raise refuse(
            f"{describe_value(value)} is no safe file name", f"{remedy}; begin with a letter or digit"
        )
    return value


def _read_key(value: object) -> str:
    if not isinstance(value, str) or not value.strip():
        raise refuse(
            f"found {describe_value(value)} where a material's key is needed", 'give one such as "asa"'
        )
    return value.strip()


def _read_path(value: object) -> Path:
    if isinstance(value, Path):
        return value
    if not isinstance(value, str) or not value.strip() or "\0" in value:
        raise refuse(
            f"found {describe_value(value)} where a file is needed",
            'give its path, such as "scans/dash_cubby.ply"',
        )
    return Path(value)


def _read_triple(value: object) -> object:
    if not isinstance(value, list | tuple) or len(value) != 3:
        raise refuse(
            f"found {describe_value(value)} where three numbers are needed", "give them as [x, y, z]"
        )
    return value


def _read_ambient(value: object) -> object:
    """Refuse an outside temperature that can only be meant in degrees Fahrenheit, and say what it would be."""
    if isinstance(value, float | int) and not isinstance(value, bool) and 60 < value <= 140:
        celsius = round((value - 32) / 1.8)
        raise refuse(f"{value:g} °C is hotter than any air on Earth", f"if {value:g} °F is meant, write {celsius}")
    return value


def _read_points(value: object) -> object:
    if not isinstance(value, list | tuple) or len(value) < 3:
        raise refuse(
            f"found {describe_value(value)} where three points or more are needed",
            "give [[x, y, z], [x, y, z], ...]",
        )
    return value


def _read_choice(value: object) -> bool:
    if not isinstance(value, bool):
        raise refuse(f"found {describe_value(value)} where yes or no is needed", "give true or false, without quotes")
    return value


def _has_length(vector: tuple[float, float, float]) -> tuple[float, float, float]:
    if not any(vector):
        raise refuse("the direction (0, 0, 0) has no length", "give one such as [0, 0, 1]")
    return vector


def _spans_area(points: tuple[tuple[float, float, float], ...]) -> tuple[tuple[float, float, float], ...]:
    """Refuse points that all lie on one line: they enclose nothing."""
    (ax, ay, az), *rest = points
    arms = [(x - ax, y - ay, z - az) for x, y, z in rest]
    longest = max(arms, key=lambda arm: sum(v * v for v in arm))
    scale = sum(v * v for v in longest)
    for x, y, z in arms:
        u, v, w = longest
        cross = ((y * w - z * v) ** 2 + (z * u - x * w) ** 2 + (x * v - y * u) ** 2) ** 0.5
        if cross > 1e-6 * scale:
            return points
    raise refuse(f"the {len(points)} rim points lie on one line", "pick points all around the rim, in order")


Coordinate = Annotated[float, number(least=-1e7, most=1e7)]
Triple = Annotated[tuple[Coordinate, Coordinate, Coordinate], BeforeValidator(_read_triple)]
Direction = Annotated[Triple, AfterValidator(_has_length)]
Points = Annotated[tuple[Triple, ...], BeforeValidator(_read_points), AfterValidator(_spans_area)]
Size = Annotated[float, length(above=0, most=1000)]
Thickness = Annotated[float, length(above=0, most=50)]
Gap = Annotated[float, length(least=0, most=20)]
OpenGap = Annotated[float, length(least=0, most=20, word="auto"), AfterValidator(lambda gap: AUTO if gap == "auto" else gap)]
Place = Annotated[float, length(least=-1000, most=1000)]
BedSize = Annotated[float, length(least=20, most=5000)]


class ScanSource(Table):
    """The scan file."""

    file: Annotated[
        Path | None,
        BeforeValidator(lambda v: None if v is None else _read_path(v)),
        _about("scan file, relative to the recipe: STL, PLY, OBJ or 3MF"),
    ] = None
    unit: Annotated[Literal["mm", "cm", "m", "inch"], _about("length unit of the scan file")] = "mm"
    bridge: Annotated[
        float,
        length(least=0, most=50),
        _about("largest hole in the scan that is bridged, mm; larger ones stay unseen"),
    ] = 6.0
    dots: Annotated[bool, BeforeValidator(_read_choice), _about("whether marker dots, three alike or more, are flattened")] = True


class ParkedPlace(Table):
    """Where in the vehicle the part is and how hot that gets; the defaults are the worst that is usual."""

    where: Annotated[
        Literal[
            "dash_top_sun", "sunlit_other", "recess_in_sunlit_car", "closed_compartment", "shade_parked_dash",
            "cabin_cooled_drive",
        ],
        _about("kind of place in the vehicle"),
    ] = "recess_in_sunlit_car"  # fmt: skip
    ambient: Annotated[
        float,
        number(least=-60, most=60),
        BeforeValidator(_read_ambient),
        _about("air outside on the hottest day it is parked, °C"),
    ] = 35.0
    hours: Annotated[float, number(least=0, most=24), _about("how long it is parked like that, hours")] = 12.0
    vehicle: Annotated[
        Literal["dark", "light"], _about("colour of the vehicle; a white or silver one stays a little cooler")
    ] = "dark"
    sky: Annotated[
        Literal["clear", "cloudy"], _about("cloudy only where the sun never shines on it for long")
    ] = "clear"
    airbags_checked: Annotated[
        bool,
        _about("true once the owner's manual was searched for all airbags, and those near are marked as [[keep_out]]"),
    ] = False
    sight_checked: Annotated[
        bool, _about("true once it is seen from the driver's seat that neither part nor device hides road, mirrors or dials")
    ] = False


AIRBAG_MARGIN = 50.0  # mm that nothing may come nearer to an airbag's cover or seam than (our rule)
VENT_MARGIN = 20.0  # mm in which air still leaves a vent (our rule)


class KeepOut(Table):
    """A body in the vehicle that part and device must keep away from: a box, or a mesh file."""

    name: Annotated[str, _about("what it is called in the table of verdicts")]
    kind: Annotated[
        Literal["lever", "screen", "lid", "vent", "switch", "airbag", "airbag-seam", "other"], _about("what it is")
    ] = "other"
    axes: Annotated[
        Literal["mouth", "scan"],
        _about(
            "mouth: mm from the middle of the dial on the survey's picture, x to the right, y up, z out of the mouth; "
            "scan: the scan file's own unit and axes"
        ),
    ] = "mouth"
    low: Annotated[Triple | None, _about("corner of the box with the least coordinates, [x, y, z]")] = None
    high: Annotated[Triple | None, _about("corner of the box with the greatest coordinates, [x, y, z]")] = None
    file: Annotated[
        Path | None,
        BeforeValidator(lambda v: None if v is None else _read_path(v)),
        _about("mesh file instead of a box, relative to the recipe: STL, PLY, OBJ, 3MF; in mm, or in scan.unit with its axes"),
    ] = None
    margin: Annotated[
        Annotated[float, length(least=0, most=500)] | None,
        _about("distance to keep, mm; if absent 50 for an airbag and its seam, 20 for a vent, 0 for others"),
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
        _raise_conflicts(conflicts)
        return self


class MouthPlane(Table):
    """A mouth plane given by hand."""

    point: Annotated[Triple, _about("a point of the plane, in the scan file's own unit and axes")]
    normal: Annotated[Direction, _about("its direction out of the recess, in the scan file's axes")]


class Mouth(Table):
    """Which way the mouth of the recess lies in the vehicle, and what is not left to be found."""

    up: Annotated[
        float, clock_position(), _about("clock position of the vehicle's up on the mouth's picture")
    ] = 12.0
    recline: Annotated[
        float,
        angle(least=-90, most=90),
        _about("how far the mouth leans back, deg: 0 a vertical mouth, 90 one that faces the sky"),
    ] = 0.0
    draw: Annotated[
        Direction | None,
        _about("direction in which the part leaves, in the scan file's axes; found if absent"),
    ] = None
    rim: Annotated[
        Points | None,
        _about("points picked around the rim, in order, scan file's unit and axes; found if absent"),
    ] = None
    plane: Annotated[MouthPlane | None, _about("mouth plane by hand; found if absent")] = None
    at: Annotated[
        Triple | None,
        _about("a point over the recess to take where the scan shows several, in the scan file's own unit and axes"),
    ] = None


class Fit(Table):
    """How the part sits in the recess."""

    clearance: Annotated[
        OpenGap, _about('gap between part and scan, mm, or "auto" for as much as the fit needs')
    ] = 0.5
    floor: Annotated[Gap | None, _about("gap at the floor, mm; as clearance if absent")] = None
    walls: Annotated[Gap | None, _about("gap at the walls, mm; as clearance if absent")] = None
    rim: Annotated[Gap | None, _about("gap in the uppermost 3 mm at the rim, mm; as clearance if absent")] = (
        None
    )
    draft: Annotated[float, angle(least=0.2, most=15), _about("least taper of the part's walls, deg")] = 1.0
    reach: Annotated[
        float | Literal["full"],
        length(above=0, most=1500, word="full"),
        _about('how deep the part goes, mm from the mouth, or "full"'),
    ] = "full"
    sits: Annotated[
        Literal["press", "sliding", "loose", "lined"],
        _about("how it is meant to sit: pushed in tight, sliding in without play, dropping in, or on a 1 mm lining"),
    ] = "sliding"
    trim: Annotated[
        Literal[
            "pp", "pe", "abs", "pc", "pc-abs", "pet", "nylon", "rigid-pvc", "soft-pvc", "soft-touch", "silicone"
        ]
        | None,
        _about("plastic of the trim around the recess, which decides how tape holds and how it grows; not known if absent"),
    ] = None


class BodyShape(Table):
    """The body as such."""

    wall: Annotated[Thickness | None, _about("wall of a hollow body, mm; solid if absent")] = None
    edge_radius: Annotated[float, length(least=0, most=20), _about("rounding of the outer edges, mm")] = 1.0


class BlockBody(BodyShape):
    """A body that is solid, or hollow from below or behind."""

    ribs: Annotated[int, count(most=MOST_RIBS), _about("ribs inside a hollow body")] = 0
    open: Annotated[Literal["underneath", "back"], _about("where a hollow body is open")] = "underneath"

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.ribs and self.wall is None:
            _raise_conflicts(
                [("ribs", f"{self.ribs} ribs in a solid body", "set body.wall, such as 2.4, or ribs = 0")]
            )
        return self


class TrayBody(BodyShape):
    """The body of a tray."""

    wall: Annotated[Thickness, _about("wall and floor of the tray, mm")]


class Printer(Table):
    """The machine that prints the part."""

    bed: Annotated[
        tuple[BedSize, BedSize, BedSize],
        BeforeValidator(_read_triple),
        _about("room of the printer, mm: [x, y, z]"),
    ] = (220.0, 220.0, 250.0)
    line_width: Annotated[float, length(least=0.1, most=3), _about("width of one printed line, mm")] = 0.45
    layer_height: Annotated[float, length(least=0.04, most=2), _about("height of one layer, mm")] = 0.2
    wall_lines: Annotated[int, count(least=1, most=50), _about("printed lines side by side in a wall")] = 3
    infill: Annotated[
        float, number(least=0, most=1), _about("share of the inside that is filled, 0 to 1: 0.25 is a quarter")
    ] = 0.25
    speed: Annotated[float, number(least=1, most=1000), _about("how fast lines are laid on average, mm/s")] = 60.0
    filament: Annotated[float, length(least=0.5, most=5), _about("diameter of the filament, mm")] = 1.75
    layers_along: Annotated[
        Direction | None,
        _about("direction in which the layers grow, in the part's own axes, +z out of the recess; found if absent"),
    ] = None
    split: Annotated[
        bool,
        BeforeValidator(_read_choice),
        _about("whether a part that is too large for the bed is also written in pieces with joints"),
    ] = False
    joint: Annotated[
        Literal["dowels", "dovetail"], _about("how pieces are joined: round pins in holes, or a tail in a socket")
    ] = "dowels"
    joint_gap: Annotated[float, length(least=0, most=2), _about("gap all around a pin or tail, mm")] = 0.15
    foot: Annotated[
        float,
        length(least=0, most=3),
        _about("chamfer along the plate in the 3MF, mm, into which the first layer is pressed out; 0 none"),
    ] = 0.4
    tolerance: Annotated[
        Annotated[float, length(above=0, most=5)] | None,
        _about("how far a printed wall may be off, mm, plus or minus; 0.2 or 0.3 % if absent"),
    ] = None
    shrinkage: Annotated[
        Annotated[float | Literal["material"], number(least=0, most=10, word="material")] | None,
        _about('shrinkage made good by enlarging STL and 3MF, %, or "material" for its table\'s; not if absent'),
    ] = None


class Deck(Table):
    """The surface on which the device stands or lies."""

    height: Annotated[
        Size, _about("deck at the mouth, mm along the vehicle's up from the lowest point of the mouth")
    ]
    tilt: Annotated[
        float, angle(least=-30, most=45), _about("slope of the deck, deg; positive: lower at the back")
    ] = 5.0


class Device(Table):
    """The device with its case."""

    length: Annotated[Size, _about("longest side with the case on, mm")]
    width: Annotated[Size, _about("second side with the case on, mm")]
    thickness: Annotated[Size, _about("thickness with the case on, mm, camera included")]
    mass: Annotated[float, mass(above=0, most=5), _about("mass with the case on, kg")]
    pose: Annotated[
        Literal["lying", "leaning"], _about("flat on the deck, or on its edge against a back rest")
    ] = "lying"
    lean: Annotated[
        float, angle(least=0, most=80), _about("how far it leans back from vertical when leaning, deg")
    ] = 25.0
    orientation: Annotated[
        Literal["landscape", "portrait"], _about("long side across the mouth, or along")
    ] = "landscape"
    place: Annotated[
        Place, _about("its middle, mm across the mouth from the mouth's middle, positive to the right")
    ] = 0.0
    play: Annotated[Gap, _about("gap between device and part on each side, mm")] = 1.0

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
        _raise_conflicts(conflicts)
        return self


class Lip(Table):
    """The ledge at the front that keeps the device in."""

    height: Annotated[Size, _about("how far the lip stands above the deck, mm")]
    thickness: Annotated[Thickness, _about("thickness of the lip, mm")] = 3.0
    scoop: Annotated[
        float, length(least=0, most=1000), _about("width of the finger scoop in the lip, mm; 0 none")
    ] = 0.0


class RetainingTabs(Table):
    """Arms at the two ends that flex when the part is pushed in, and hook behind the rim."""

    count: Annotated[Literal[0, 2], _about("2, one at each end, or 0")] = 2
    length: Annotated[Size, _about("free length of the arm, mm: longer strains less")] = 18.0
    width: Annotated[Size, _about("width of the arm, mm")] = 8.0
    thickness: Annotated[Thickness, _about("thickness of the arm in the direction it flexes, mm")] = 1.8
    hook: Annotated[Thickness, _about("how far the hook stands out, mm: how far the arm is bent")] = 1.2

    @model_validator(mode="after")
    def _check(self) -> Self:
        conflicts: list[Conflict] = []
        for key, size in (("thickness", self.thickness), ("hook", self.hook)):
            if size >= self.length:
                what = f"{key} ({size:g} mm) is not less than the arm's length ({self.length:g} mm)"
                conflicts.append((key, what, "an arm that flexes is about ten times as long as thick"))
        _raise_conflicts(conflicts)
        return self


class CableSlot(Table):
    """A slot for a cable, or relief for its plug."""

    width: Annotated[Size, _about("width of the slot, mm: the plug must pass")]
    height: Annotated[
        Size | None, _about("height of the slot above the deck, mm; open at its top if absent")
    ] = None
    place: Annotated[
        Place, _about("its middle, mm across the mouth from the mouth's middle, positive to the right")
    ] = 0.0


class Drains(Table):
    """Holes that let water out of the deck."""

    count: Annotated[int, count(most=40), _about("number of holes; 0 none")]
    diameter: Annotated[
        float, length(least=1, most=50), _about("diameter of a hole, mm; print makes it 0.1 to 0.3 less")
    ] = 4.0


class TapePads(Table):
    """Flat areas that bear on the recess through foam tape."""

    count: Annotated[int, count(most=12), _about("number of pads; 0 none")]
    length: Annotated[Size, _about("length of a pad, mm")]
    width: Annotated[Size, _about("width of a pad, mm: that of the tape")]
    thickness: Annotated[
        float,
        length(above=0, most=10),
        _about("thickness of the tape, mm: it takes the clearance's place under a pad"),
    ] = 1.1
    compression: Annotated[
        float, number(least=0, most=0.5), _about("share of its thickness the tape is pressed in")
    ] = 0.2
    primer: Annotated[
        bool, _about("an adhesion promoter is put on the trim first, or the tape is one for low surface energy")
    ] = False
    tried: Annotated[bool, _about("true once a trial strip of this tape held on this very trim for 72 h")] = False


class Carries(Table):
    """What lies in a tray or on a plug."""

    mass: Annotated[float, mass(above=0, most=5), _about("mass of what lies in it or on it, kg")]


class PlugFace(Table):
    """The face of a plug."""

    below: Annotated[
        float, length(least=0, most=1500), _about("how far the face lies below the mouth, mm; 0 flush")
    ] = 0.0


class Flange(Table):
    """A border that lies on the panel around the rim and follows its bow."""

    width: Annotated[float, length(above=0, most=200), _about("how far it reaches past the rim, mm")]
    thickness: Annotated[Thickness, _about("thickness of the flange, mm")] = 2.0


class Dividers(Table):
    """Walls that part a tray."""

    count_x: Annotated[int, count(most=20), _about("walls that part it from left to right")] = 0
    count_y: Annotated[int, count(most=20), _about("walls that part it from bottom to top")] = 0
    thickness: Annotated[Thickness, _about("thickness of a wall, mm")] = 1.8
    height: Annotated[Size | None, _about("height above the tray's floor, mm; up to the mouth if absent")] = (
        None
    )


class PullTab(Table):
    """A tongue by which the tray is pulled out."""

    width: Annotated[Size | None, _about("width of the tongue, mm; up to 18, as there is room at the mouth, if absent")] = None
    length: Annotated[Size, _about("how far it stands out of the mouth, mm")]
    thickness: Annotated[Thickness, _about("thickness of the tongue, mm")] = 2.4


def _drop_empty(table: Any) -> Any:
    """Return None for a table that counts none of its things, so that a reader asks one question only."""
    if isinstance(table, Dividers):
        return table if table.count_x or table.count_y else None
    return table if table is None or table.count else None


Kind = Literal["phone-shelf", "plug", "tray"]


class Recipe(Table):
    """What all kinds share; a loaded recipe is one of `AnyRecipe`."""

    kind: Annotated[Kind, _about("what to make")]
    name: Annotated[
        str,
        BeforeValidator(read_name),
        Field(
            json_schema_extra={"pattern": "^[A-Za-z0-9_]([A-Za-z0-9_.-]*[A-Za-z0-9_-])?$", "maxLength": 80}
        ),
        _about("name of the part and of its files; the recipe file's own if absent"),
    ]
    material: Annotated[str, BeforeValidator(_read_key), _about("key of the printing material")] = "asa"
    sheet: Annotated[
        Path | None,
        BeforeValidator(lambda v: None if v is None else _read_path(v)),
        _about("your own material sheet, that of the spool, relative to the recipe: TOML in the form of the shipped table"),
    ] = None
    note: Annotated[str, _about("a remark of your own")] = ""
    place: Annotated[ParkedPlace, _about("where in the vehicle the part is, and how hot that gets")] = ParkedPlace()
    scan: Annotated[ScanSource, _about("the scan file")] = ScanSource()
    mouth: Annotated[Mouth, _about("which way the mouth lies in the vehicle")] = Mouth()
    fit: Annotated[Fit, _about("how the part sits in the recess")] = Fit()
    body: Annotated[BodyShape, _about("the body as such")] = BodyShape()
    printer: Annotated[Printer, _about("the machine that prints the part")] = Printer()
    keep_out: Annotated[
        tuple[KeepOut, ...], _about("bodies in the vehicle that part and device keep away from")
    ] = ()

    @model_validator(mode="after")
    def _check(self) -> Self:
        _raise_conflicts(self._list_conflicts())
        return self

    def _list_conflicts(self) -> list[Conflict]:
        """Return what excludes each other across tables."""
        return self._list_thin(("body", "wall"))

    def _list_thin(self, *keys: tuple[str, str]) -> list[Conflict]:
        """Return the walls that are thinner than one printed line."""
        conflicts: list[Conflict] = []
        for section, key in keys:
            table = getattr(self, section)
            size = None if table is None else getattr(table, key)
            if size is not None and size < self.printer.line_width:
                what = f"{size:g} mm is thinner than one printed line ({self.printer.line_width:g} mm)"
                remedy = f"give {2 * self.printer.line_width:g} mm (two lines) or more"
                conflicts.append((f"{section}.{key}", what, remedy))
        return conflicts

    def _list_round(self, section: str, *, edges: int) -> list[Conflict]:
        """Return an edge rounding that a plate with `edges` edges across its thickness has no room for."""
        table, radius = getattr(self, section), self.body.edge_radius
        if table is None or edges * radius <= table.thickness:
            return []
        shape = "two edges" if edges == 2 else "an edge"
        what = f"{table.thickness:g} mm has no room for {shape} of radius {radius:g} mm"
        largest = table.thickness / edges
        remedy = f"give {edges * radius:g} mm or more, or set body.edge_radius to {largest:g} or less"
        return [(f"{section}.thickness", what, remedy)]


class PhoneShelfRecipe(Recipe):
    """A shelf that fills the lower part of the recess up to a deck, with a seat for a device."""

    kind: Annotated[Literal["phone-shelf"], _about("what to make")] = "phone-shelf"
    body: Annotated[BlockBody, _about("the body as such")] = BlockBody()
    deck: Annotated[Deck, _about("the surface on which the device stands or lies")]
    device: Annotated[Device, _about("the device with its case")]
    lip: Annotated[Lip | None, _about("ledge at the front that keeps the device in")] = None
    tabs: Annotated[
        RetainingTabs | None,
        AfterValidator(_drop_empty),
        _about("arms at the ends that flex and hook behind the rim"),
    ] = None
    cable: Annotated[CableSlot | None, _about("slot for a cable, or relief for its plug")] = None
    drains: Annotated[
        Drains | None, AfterValidator(_drop_empty), _about("holes that let water out of the deck")
    ] = None
    tape: Annotated[TapePads | None, AfterValidator(_drop_empty), _about("pads for foam tape")] = None

    def _list_conflicts(self) -> list[Conflict]:
        conflicts = self._list_thin(("body", "wall"), ("lip", "thickness"), ("tabs", "thickness"))
        conflicts += self._list_round("lip", edges=2)
        across = self.device.across
        if self.lip is not None and self.lip.scoop >= across:
            what = f"a scoop of {self.lip.scoop:g} mm is as wide as the device across ({across:g} mm)"
            remedy = f"give {across / 2:g} mm or less, so that the lip still holds the device"
            conflicts.append(("lip.scoop", what, remedy))
        return conflicts


class PlugRecipe(Recipe):
    """A blank that fills the recess."""

    kind: Annotated[Literal["plug"], _about("what to make")] = "plug"
    body: Annotated[BlockBody, _about("the body as such")] = BlockBody()
    plug: Annotated[PlugFace, _about("the face of the plug")] = PlugFace()
    carries: Annotated[Carries | None, _about("what lies on the plug; its load is not judged if absent")] = None
    flange: Annotated[Flange | None, _about("border that lies on the panel around the rim")] = None

    def _list_conflicts(self) -> list[Conflict]:
        conflicts = self._list_thin(("body", "wall"), ("flange", "thickness")) + self._list_round(
            "flange", edges=1
        )
        below, reach = self.plug.below, self.fit.reach
        if reach != "full" and below >= reach:
            what = f"the face lies {below:g} mm below the mouth, but the plug reaches only {reach:g} mm deep"
            conflicts.append(("plug.below", what, "give less than fit.reach"))
        if self.flange is not None and below > 0:
            what = f"a face {below:g} mm below the mouth has no flange on the panel"
            conflicts.append(("plug.below", what, "set plug.below to 0, or flange = false"))
        return conflicts


class TrayRecipe(Recipe):
    """A hollow insert with even wall and floor, open at the mouth."""

    kind: Annotated[Literal["tray"], _about("what to make")] = "tray"
    body: Annotated[TrayBody, _about("the body as such")]
    carries: Annotated[Carries | None, _about("what lies in the tray; its load is not judged if absent")] = None
    flange: Annotated[Flange | None, _about("border that lies on the panel around the rim")] = None
    dividers: Annotated[Dividers | None, AfterValidator(_drop_empty), _about("walls that part the tray")] = (
        None
    )
    pull_tab: Annotated[PullTab | None, _about("tongue by which the tray is pulled out")] = None

    def _list_conflicts(self) -> list[Conflict]:
        thin = [(section, "thickness") for section in ("flange", "dividers", "pull_tab")]
        conflicts = self._list_thin(("body", "wall"), *thin)
        conflicts += self._list_round("flange", edges=1) + self._list_round("pull_tab", edges=2)
        if self.fit.reach != "full" and self.body.wall >= self.fit.reach:
            what = f"the floor ({self.body.wall:g} mm) takes all of the tray's depth ({self.fit.reach:g} mm)"
            conflicts.append(("body.wall", what, "give less than fit.reach"))
        return conflicts


AnyRecipe = PhoneShelfRecipe | PlugRecipe | TrayRecipe
RECIPES: dict[str, type[AnyRecipe]] = {
    "phone-shelf": PhoneShelfRecipe,
    "plug": PlugRecipe,
    "tray": TrayRecipe,
}
