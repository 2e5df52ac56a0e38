"""What to do about a bridge that is too long whichever way up a part is printed: what hangs there, and what makes it shorter."""

from __future__ import annotations

from collections.abc import Iterator
from math import ceil, floor
from typing import Any

import numpy as np

from mountgen.arrays import Bools, Floats
from mountgen.datum import lid_height
from mountgen.features.part import SoftZone
from mountgen.features.tape_pads import Pad
from mountgen.kernel import Mesh
from mountgen.recipe import PhoneShelfRecipe, PlugRecipe, Recipe, TrayRecipe
from mountgen.recipe_settings import tell_settings
from mountgen.recipe_tables import MOST_RIBS, BlockBody, TapePads
from mountgen.service.case import Case
from mountgen.service.print_orientation import Orientation
from mountgen.service.print_piece import look_under
from mountgen.service.print_shape import HIGHEST_LAYER, SETTLES
from mountgen.solid_mesh import load_solid
from mountgen.tape import MISMATCH_TIMES

SPARE = 0.02  # mm of a pocket's depth, and 0.03 of a bridge's length, that a remedy leaves: facets and grid
SHARE = 0.97
BESIDE = 1.0  # mm around a feature that still count as its place
TRIED = 2  # parts that are made again: a hollow with ribs may take a minute each


def advise_bridge(case: Case, way: Orientation, at: Floats, *, most: float, name: str) -> str:
    """Return settings with which no bridge is longer than `most`, tried; else why none does.

    Args:
        case: the part.
        way: its way up.
        at: (3,) a point of the longest bridge, part frame, mm.
        most: mm.
        name: of the check it failed.
    """
    recipe = case.recipe
    if isinstance(recipe, PhoneShelfRecipe) and recipe.tape is not None and any(
        _holds(zone, at) for zone in case.part.soft if zone.name.startswith("tape pad")
    ):  # fmt: skip
        return _advise_pocket(case, way, recipe.tape, most=most)
    if isinstance(recipe, PlugRecipe | TrayRecipe) and recipe.flange is not None and _is_above(at[None, :], case)[0]:
        mesh = case.part.body.mesh
        rest = look_under(mesh, way, recipe.printer.layer_height, skip=_is_above(mesh.vertices[mesh.faces].mean(axis=1), case))
        words = "it is the flange that hangs there, which is printed so in one piece with walls that stand"
        return f"set flange = false ({words})" if rest.bridge <= most else ""
    return case.find_mending(name, list_shorter(recipe, case.part.body.mesh, at, most=most), most=TRIED)


def _is_above(points: Floats, case: Case) -> Bools:
    """Return which points (N, 3) lie above the lid."""
    return np.asarray(points[:, 2] > lid_height(case.recess.lid, points[:, 0], points[:, 1]))


def _holds(zone: SoftZone, point: Floats) -> bool:
    return bool((point >= np.asarray(zone.low) - BESIDE).all() and (point <= np.asarray(zone.high) + BESIDE).all())


def _advise_pocket(case: Case, way: Orientation, tape: TapePads, *, most: float) -> str:
    """Return tape so thin, else layers so high, that the pads' pockets are no deeper than what sinks on to the plate.

    The pockets are filled by that much on the mesh, and it is looked at from below again.
    """
    mesh, printer, pads = case.part.body.mesh, case.recipe.printer, case.part.pads
    deepest = max(pad.sunk for pad in pads)
    shallow = SETTLES * printer.layer_height - SPARE
    thinner = floor(10.0 * (tape.thickness - (deepest - shallow) / (1.0 - tape.compression)) + 1e-6) / 10.0
    mismatch = max(float(np.ptp(pad.gaps)) for pad in pads)
    why = "the pocket of a tape pad is then no deeper than two layers, which sink on to the plate"
    if thinner > 0.0 and thinner >= MISMATCH_TIMES * mismatch:
        filled = _fill_pockets(mesh, pads, tape, by=(tape.thickness - thinner) * (1.0 - tape.compression))
        if look_under(filled, way, printer.layer_height).bridge <= most:
            return f"{tell_settings({'tape.thickness': thinner})} ({why})"
    higher = ceil(100.0 * (deepest + SPARE) / SETTLES - 1e-6) / 100.0
    if higher <= HIGHEST_LAYER * printer.line_width and look_under(mesh, way, higher).bridge <= most:
        return f"{tell_settings({'printer.layer_height': higher})} ({why})"
    return ""


def _fill_pockets(mesh: Mesh, pads: tuple[Pad, ...], tape: TapePads, *, by: float) -> Mesh:
    """Return a part whose sunk pads lie less deep by `by` mm."""
    import manifold3d

    solid = load_solid(mesh)
    for pad in pads:
        if not pad.sunk:
            continue
        box = manifold3d.Manifold.cube((tape.length, tape.width, min(by, pad.sunk) + 0.5), True)
        middle = pad.middle + 0.5 * (min(by, pad.sunk) - 0.5) * pad.spot.normal
        solid += box.transform(np.column_stack([pad.spot.right, pad.spot.up, pad.spot.normal, middle]))
    found = solid.to_mesh64()
    return Mesh(np.asarray(found.vert_properties)[:, :3].copy(), np.asarray(found.tri_verts).astype(np.int32))


def list_shorter(recipe: Recipe, mesh: Mesh, at: Floats, *, most: float) -> Iterator[dict[str, Any]]:
    """Yield settings by key that may leave no bridge longer than `most` mm, what is surest to make it first."""
    if isinstance(recipe, PhoneShelfRecipe):
        cable, drains = recipe.cable, recipe.drains
        if cable is not None and cable.height is not None and abs(float(at[0]) - cable.place) < 0.5 * cable.width + BESIDE:
            yield {"cable.height": False}
        if drains is not None and drains.diameter > most:
            yield {"drains.diameter": floor(10.0 * SHARE * most) / 10.0}
    body = recipe.body
    if not isinstance(body, BlockBody) or body.wall is None:
        return
    across = float(np.ptp(mesh.vertices[:, 0])) - 2.0 * body.wall
    ribs = ceil((across + body.wall) / (SHARE * most + body.wall)) - 1  # (across - n wall) / (n + 1) <= most
    if body.ribs < ribs <= MOST_RIBS:
        yield {"body.ribs": ribs}
    yield {"body.open": "back" if body.open == "underneath" else "underneath"}
    yield {"body.wall": False} | ({"body.ribs": 0} if body.ribs else {})
