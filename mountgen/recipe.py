"""The recipe: what to make of a scan, as frozen values. A leaf.

Lengths are mm, angles degrees, masses kg. Each kind of part has its own recipe type, so a section that does
not belong to the kind is refused. A key or table that has no value by default (None) may also be set to
false: that takes out what a base gave.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from mountgen.recipe_fields import Conflict, Table, about, raise_conflicts, read_key, read_name, read_path
from mountgen.recipe_tables import (
    BlockBody,
    BodyShape,
    CableSlot,
    Carries,
    Deck,
    Device,
    Dividers,
    Drains,
    Fit,
    Flange,
    KeepOut,
    Lip,
    Mouth,
    ParkedPlace,
    PlugFace,
    Printer,
    PullTab,
    RetainingTabs,
    ScanSource,
    TapePads,
    TrayBody,
)


def _drop_empty(table: Any) -> Any:
    """Return None for a table that counts none of its things, so that a reader asks one question only."""
    if isinstance(table, Dividers):
        return table if table.count_x or table.count_y else None
    return table if table is None or table.count else None


Kind = Literal["phone-shelf", "plug", "tray"]


class Recipe(Table):
    """What all kinds share; a loaded recipe is one of `AnyRecipe`."""

    kind: Annotated[Kind, about("what to make")]
    name: Annotated[
        str,
        BeforeValidator(read_name),
        Field(
            json_schema_extra={"pattern": "^[A-Za-z0-9_]([A-Za-z0-9_.-]*[A-Za-z0-9_-])?$", "maxLength": 80}
        ),
        about("name of the part and of its files; the recipe file's own if absent"),
    ]
    material: Annotated[str, BeforeValidator(read_key), about("key of the printing material")] = "asa"
    sheet: Annotated[
        Path | None,
        BeforeValidator(lambda v: None if v is None else read_path(v)),
        about("your own material sheet, that of the spool, relative to the recipe: TOML in the form of the shipped table"),
    ] = None
    note: Annotated[str, about("a remark of your own")] = ""
    place: Annotated[ParkedPlace, about("where in the vehicle the part is, and how hot that gets")] = ParkedPlace()
    scan: Annotated[ScanSource, about("the scan file")] = ScanSource()
    mouth: Annotated[Mouth, about("which way the mouth lies in the vehicle")] = Mouth()
    fit: Annotated[Fit, about("how the part sits in the recess")] = Fit()
    body: Annotated[BodyShape, about("the body as such")] = BodyShape()
    printer: Annotated[Printer, about("the machine that prints the part")] = Printer()
    keep_out: Annotated[
        tuple[KeepOut, ...], about("bodies in the vehicle that part and device keep away from")
    ] = ()

    @model_validator(mode="after")
    def _check(self) -> Self:
        raise_conflicts(self._list_conflicts())
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

    kind: Annotated[Literal["phone-shelf"], about("what to make")] = "phone-shelf"
    body: Annotated[BlockBody, about("the body as such")] = BlockBody()
    deck: Annotated[Deck, about("the surface on which the device stands or lies")]
    device: Annotated[Device, about("the device with its case")]
    lip: Annotated[Lip | None, about("ledge at the front that keeps the device in")] = None
    tabs: Annotated[
        RetainingTabs | None,
        AfterValidator(_drop_empty),
        about("arms at the ends that flex and hook behind the rim"),
    ] = None
    cable: Annotated[CableSlot | None, about("slot for a cable, or relief for its plug")] = None
    drains: Annotated[
        Drains | None, AfterValidator(_drop_empty), about("holes that let water out of the deck")
    ] = None
    tape: Annotated[TapePads | None, AfterValidator(_drop_empty), about("pads for foam tape")] = None

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

    kind: Annotated[Literal["plug"], about("what to make")] = "plug"
    body: Annotated[BlockBody, about("the body as such")] = BlockBody()
    plug: Annotated[PlugFace, about("the face of the plug")] = PlugFace()
    carries: Annotated[Carries | None, about("what lies on the plug; its load is not judged if absent")] = None
    flange: Annotated[Flange | None, about("border that lies on the panel around the rim")] = None

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

    kind: Annotated[Literal["tray"], about("what to make")] = "tray"
    body: Annotated[TrayBody, about("the body as such")]
    carries: Annotated[Carries | None, about("what lies in the tray; its load is not judged if absent")] = None
    flange: Annotated[Flange | None, about("border that lies on the panel around the rim")] = None
    dividers: Annotated[Dividers | None, AfterValidator(_drop_empty), about("walls that part the tray")] = (
        None
    )
    pull_tab: Annotated[PullTab | None, about("tongue by which the tray is pulled out")] = None

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
