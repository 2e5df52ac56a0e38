"""Judge the edges that somebody may hit, and how far the part stands out of its surround.

The limits are those that interior rules set for makers of vehicles, taken as a yardstick: no part made here is approved.
"""

from __future__ import annotations

from collections.abc import Callable
from math import ceil

import numpy as np

from mountgen.arrays import Bools, Floats
from mountgen.datum import lid_height
from mountgen.features.device_advice import advise_thicker
from mountgen.kernel import Mesh
from mountgen.place import describe_place
from mountgen.recipe import PhoneShelfRecipe, PlugRecipe, Recipe, TrayRecipe
from mountgen.recipe_settings import tell_settings, with_settings
from mountgen.service.case import Case, Finding
from mountgen.service.edges import Edges, find_exposed_edges
from mountgen.verdict import Check, Verdict

PROUD, SUNK = 3.2, 2.5  # mm, least radius of an edge at or above the surround, and below it
SUNK_FROM = 1.0  # mm below the surround from which an edge counts as below it
SLACK = 0.1  # mm by which a measured radius may be short: facets
SHARP = 0.5  # mm; an edge of less radius is sharp
BLUNT = 1.0  # mm, radius of an edge that is no longer sharp, with as much to spare again
SHORT = 10.0  # mm of edge in all that sandpaper makes good in a minute: no verdict rests on less
FACING = 0.5  # cosine between an edge and the way out of the mouth, from which it faces an occupant
PROJECTION = 9.5  # mm past the surround
FLANGE_SHARE = 0.95  # of a flange's thickness that its rounding takes at most
# The roundings of a shelf run out of their faces at 10 degrees, those of a tray meet around its tongue and its corners, those of
# a scoop slope: that costs as much of the radius (measured on the examples).
RUN_OUT, SCOOPED = 1.125, 1.375
SCOOP = 20.0  # mm; under a wider one more than 10 mm of the front are too low for a rounding of the greater radius
WALL_SHARE = 0.45  # of a wall's or divider's thickness that each of its two upper edges takes at most, in a tray
RADII = "radii of 2.5 or 3.2 mm by zone in rules on interior projections (Directive 74/60/EEC, UN R21; a digest was read)"
HEIGHT = "projections of more than 9.5 mm must give way in rules on interiors (74/60/EEC 5.1, a sentence of it was read)"


def judge_edges(case: Case) -> Finding:
    """Say how round the edges are that can be touched with the part in its place, and how far it stands out.

    Args:
        case: the part and its surroundings.

    Returns:
        Finding: radius of the exposed edges, sharp edges that face an occupant, projection past the surround.
    """
    edges = find_exposed_edges(case.part.body.mesh, case.recess)
    projection, place = measure_projection(case.part.body.mesh, case.recess.lid)
    sharp = _pick_sharp(edges)
    checks = (
        _judge_radius(edges, case),
        _judge_sharp(edges, sharp, case),
        _judge_projection(projection, place, case.recipe),
    )
    facts = {
        "least_radius": _least(edges, ~_is_sunk(edges)),
        "least_radius_below_surround": _least(edges, _is_sunk(edges)),
        "exposed_edge_length": float(edges.length.sum()),
        "sharp_edge_length": float(edges.length[sharp].sum()),
        "projection": projection,
    }
    return Finding(checks=checks, facts=facts)


def measure_projection(mesh: Mesh, lid: Floats) -> tuple[float, str]:
    """Return how far a mesh stands above the surround carried across the mouth, mm, negative below it, and where."""
    x, y, z = mesh.vertices.T
    above = z - lid_height(lid, x, y)
    top = int(np.argmax(above))
    return float(above[top]), describe_place(mesh.vertices[top].tolist())


def _is_sunk(edges: Edges) -> Bools:
    return np.asarray(edges.above < -SUNK_FROM)


def _least(edges: Edges, which: Bools) -> float | None:
    return float(edges.radius[which].min()) if which.any() else None


def _pick_sharp(edges: Edges) -> Bools:
    """Return which samples (N,) are of sharp edges that face whoever sits in front of the mouth."""
    return np.asarray((edges.radius < SHARP) & (edges.normals[:, 2] > FACING))


def _judge_radius(edges: Edges, case: Case) -> Check:
    source = f"{RADII}; the greater one where the part is flush or stands out, less what 10 mm of edge have: our rule"
    limits = np.where(_is_sunk(edges), SUNK, PROUD)
    order = np.argsort(edges.radius - limits)
    long = np.flatnonzero(np.cumsum(edges.length[order]) > SHORT)
    if not len(long):
        return Check("radius of exposed edges", "pass", None, SUNK, "mm", source)
    worst = order[long[0]]
    radius, limit = float(edges.radius[worst]), float(limits[worst])
    verdict: Verdict = "pass" if radius >= limit - SLACK else "caution"
    remedy = "" if verdict == "pass" else _advise_radius(case, limit)
    return Check(
        "radius of exposed edges", verdict, radius, limit, "mm", source, remedy, describe_place(edges.points[worst].tolist())
    )


def _advise_radius(case: Case, limit: float) -> str:
    """Return what makes a part's edges round enough; of a plug, what a ball of that size rolls along."""
    remedy, rounds, recipe = advise_radius(case.recipe, limit, suits=case.part.suits), case.part.rounds, case.recipe
    if not isinstance(recipe, PlugRecipe) or recipe.body.edge_radius >= limit:
        return remedy
    if rounds is None or rounds(with_settings(recipe, _list_settings(recipe, limit))):
        return remedy
    return f"no ball of that radius rolls along all of it (tried): sand it to a radius of {limit:g} mm"


def advise_radius(recipe: Recipe, radius: float, *, suits: Callable[[PhoneShelfRecipe], bool] | None = None) -> str:
    """Return what to set so that the edges become round enough: the rounding, and what must be thicker for it.

    Args:
        recipe: of the part.
        radius: what its edges must have, mm.
        suits: of a shelf, whether the device of a recipe goes in and is held: a lip behind which it does not is not named, nor
            another deck and lean for its sake, which change the whole part.
    """
    advice = f"body.edge_radius does not reach that edge: sand it to a radius of {radius:g} mm"
    settings = _list_settings(recipe, radius)
    if recipe.body.edge_radius >= settings["body.edge_radius"]:
        return advice
    if isinstance(recipe, TrayRecipe) and recipe.flange is None:
        wall = recipe.body.wall
        return (
            f"each edge of a wall of {wall:g} mm has room for {WALL_SHARE * wall:.1f} mm: sand it round, or, "
            f"if the scan shows as much panel beside the mouth, give the tray a rim: {tell_settings(settings)}"
        )
    if isinstance(recipe, PhoneShelfRecipe) and suits is not None and not suits(with_settings(recipe, settings)):
        lip = 0.0 if recipe.lip is None else recipe.lip.thickness
        return (
            f"each edge of a lip of {lip:g} mm has room for {0.5 * lip:g} mm, and a thicker one leaves the device no room: "
            "sand it round"
        )
    return f"{tell_settings(settings)}, or sand it round"


def _list_settings(recipe: Recipe, radius: float) -> dict[str, float]:
    """Return the rounding with which edges get a radius, mm, and what must be thicker for it; a tray is given a rim."""
    if isinstance(recipe, PhoneShelfRecipe | TrayRecipe):
        scooped = isinstance(recipe, PhoneShelfRecipe) and recipe.lip is not None and recipe.lip.scoop > 0.0
        radius = ceil(10.0 * (SCOOPED if scooped else RUN_OUT) * radius - 1e-6) / 10.0
    sizes = {"lip.thickness": 2.0 * radius, "flange.thickness": radius / FLANGE_SHARE, "pull_tab.thickness": 2.0 * radius}
    if isinstance(recipe, TrayRecipe):
        sizes |= _list_walls(recipe, radius)
    settings = {"body.edge_radius": radius} | _pick_small(recipe, sizes)
    if isinstance(recipe, PhoneShelfRecipe) and recipe.lip is not None and recipe.lip.scoop > SCOOP:
        settings["lip.scoop"] = SCOOP
    if isinstance(recipe, TrayRecipe) and recipe.flange is None:
        settings |= {key: ceil(10.0 * size - 1e-6) / 10.0 for key, size in sizes.items() if key.startswith("flange.")}
    return settings


def _pick_small(recipe: Recipe, sizes: dict[str, float]) -> dict[str, float]:
    """Return which of a recipe's sizes, mm by key, are less than they must be, rounded up."""
    small = {}
    for key, size in sizes.items():
        section, name = key.split(".")
        table = getattr(recipe, section, None)
        if table is not None and getattr(table, name) < size:
            small[key] = ceil(10.0 * size - 1e-6) / 10.0
    return small


def _list_walls(recipe: TrayRecipe, radius: float) -> dict[str, float]:
    """Return what a tray must have between the two edges of its rim for a rounding, mm by key."""
    wide = radius / WALL_SHARE
    needed = {"flange.width": wide - recipe.body.wall}
    if recipe.dividers is not None and recipe.dividers.height is None:
        needed["dividers.thickness"] = wide
    return needed


def _judge_sharp(edges: Edges, sharp: Bools, case: Case) -> Check:
    source = f"our rule: an edge of less than {SHARP:g} mm radius that looks out of the mouth, over 10 mm of its length"
    length = float(edges.length[sharp].sum())
    verdict: Verdict = "fail" if length > SHORT else "pass"
    if not sharp.any():
        return Check("sharp edges towards occupants", verdict, 0.0, SHORT, "mm", source)
    middle = edges.points[sharp][int(np.argmin(edges.radius[sharp]))]
    remedy = ""
    if verdict == "fail":
        room = {"lip.thickness": 2.0 * BLUNT, "flange.thickness": BLUNT / FLANGE_SHARE, "pull_tab.thickness": 2.0 * BLUNT}
        recipe, top = case.recipe, case.recess.mouth_height
        remedy = (
            advise_thicker(case.part.suits, recipe, {"body.edge_radius": BLUNT} | _pick_small(recipe, room), top=top)
            if recipe.body.edge_radius < SHARP
            else f"sand it to a radius of {SUNK:g} mm: body.edge_radius does not reach it"
        )
    return Check("sharp edges towards occupants", verdict, length, SHORT, "mm", source, remedy, describe_place(middle.tolist()))


def _judge_projection(projection: float, place: str, recipe: Recipe) -> Check:
    verdict: Verdict = "pass" if projection <= PROJECTION else "caution"
    remedy = "" if verdict == "pass" else _advise_lower(recipe, projection - PROJECTION)
    return Check("projection past the surround", verdict, round(projection, 3) + 0.0, PROJECTION, "mm", HEIGHT, remedy, place)


def _advise_lower(recipe: Recipe, excess: float) -> str:
    """Return what to set so that the part stands out less by `excess` mm."""
    if isinstance(recipe, TrayRecipe) and recipe.pull_tab is not None:
        length = int(10.0 * (recipe.pull_tab.length - excess)) / 10.0
        return f"set pull_tab.length = {length:g}" if length > 0.0 else "set pull_tab = false"
    flange = None if isinstance(recipe, PhoneShelfRecipe) else getattr(recipe, "flange", None)
    if flange is not None:
        thickness = int(10.0 * (flange.thickness - excess) + 1e-6) / 10.0
        if thickness < recipe.printer.line_width:
            return "set flange = false"
        rounded = {"body.edge_radius": thickness} if thickness < recipe.body.edge_radius else {}
        return tell_settings({"flange.thickness": thickness} | rounded)
    if isinstance(recipe, PlugRecipe):
        return f"set plug.below = {ceil(10.0 * (recipe.plug.below + excess) - 1e-6) / 10.0:g}"
    return (
        "no size of it makes it stand out, for it ends at the surround carried across the mouth: that surface is off, so give "
        "mouth.plane, or mouth.rim by points picked around the rim"
    )
