"""How the part is printed: which way up, whether it fits the printer, what needs support, mass, filament and time."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict
from functools import cached_property
from math import ceil, floor, hypot, isfinite
from typing import Any

import numpy as np

from mountgen.arrays import Floats
from mountgen.kernel import Mesh
from mountgen.mesh_measure import measure_area, measure_volume
from mountgen.place import describe_place, tell_clock
from mountgen.service.case import Case, Finding
from mountgen.service.plate import move_points
from mountgen.service.print_estimate import Estimate, estimate_print
from mountgen.service.print_orientation import OVERHANG_DEG, STEADY, Orientation
from mountgen.service.print_shape import Narrowest, Undersides, find_narrowest, measure_undersides
from mountgen.service.print_split import (
    PrintedSplit,
    describe_joints,
    encode_split,
    list_split_facts,
    other_joint,
    plan_split,
)
from mountgen.verdict import Check, Verdict

SCARS = 0.10  # share of the surface that bears on the recess; what support leaves on more than this is felt (our rule)
BRIDGE = 10.0  # mm; 10 to 15 mm come out clean (trade page on overhangs, read)
SWELLING = 0.15  # mm by which the first layer is pressed out, what printing programs take off by default (one profile, read)
OTHERS = 3  # other ways up that are looked at for shorter bridges
SHOWN = 4  # other ways up that are listed in the report
FORMULA = (
    "shell = min(V, A wall_lines line_width); laid = shell + infill (V - shell); support = 0.15 air under overhangs; "
    "mass = density laid; filament = (laid + support) / (pi d² / 4); rate = line_width layer_height speed; "
    "time = 300 s + 1.25 (laid + support) / rate + 2 s layers"
)


def judge_print(case: Case) -> Finding:
    """Say how the part is printed and what to look out for.

    Args:
        case: the part and its surroundings; recipe.printer says with what.

    Returns:
        Finding: room on the bed, support on fit faces, bridges, gaps, how it stands, its first layer; facts of the print.

    Raises:
        Nothing.
    """
    chosen = case.orientations[0]
    mesh, printer = case.part.body.mesh, case.recipe.printer
    under = _look_under(mesh, chosen, printer.layer_height)
    narrow = find_narrowest(mesh, below=2.0 * printer.line_width)
    estimate = estimate_print(
        volume=measure_volume(mesh), area=measure_area(mesh), height=chosen.pose.size[2], air=under.support,
        density=case.material.density.value, printer=printer,
    )  # fmt: skip
    others = _Others(case)
    split = None if chosen.pose.spare >= 0.0 else plan_split(case, printer.joint)
    checks = (
        _judge_room(case, chosen, split, others),
        _judge_scars(case, chosen, others),
        _judge_bridge(case, chosen, under, others),
        _judge_gap(narrow, printer.line_width),
        _judge_stand(chosen, others),
        _judge_first_layer(case, chosen),
    )
    facts = _list_facts(case, chosen, under, narrow, estimate)
    notes = [_summarise(case, chosen, estimate)]
    files: dict[str, bytes] = {}
    if split is not None:
        facts["split"] = list_split_facts(split, scale=case.scale)
        if printer.split:
            files = encode_split(split, case.recipe, scale=case.scale)
            notes.append(_tell_pieces(case, split))
    return Finding(checks=checks, facts=facts, notes=tuple(notes), files=files)


def list_metadata(case: Case) -> dict[str, str]:
    """Return what the 3MF says of the print besides the mesh: words by name."""
    printer, chosen = case.recipe.printer, case.orientations[0]
    return {
        "Description": "A part as it is printed; STL and STEP are in its own axes",
        "Material": case.material.name,
        "LayersAlong": word_direction(chosen.up),
        "LayerHeight": f"{printer.layer_height:g} mm",
        "LineWidth": f"{printer.line_width:g} mm",
        "WallLines": str(printer.wall_lines),
        "Infill": f"{100.0 * printer.infill:g} %",
    }


def turn_mesh(mesh: Mesh, orientation: Orientation) -> Mesh:
    """Return a mesh as it lies on the plate."""
    return Mesh(move_points(mesh.vertices, orientation.pose.part_to_plate), mesh.faces)


def _look_under(mesh: Mesh, orientation: Orientation, layer: float) -> Undersides:
    return measure_undersides(turn_mesh(mesh, orientation), layer=layer, overhang_deg=OVERHANG_DEG)


class _Others:
    """Ways up other than the one chosen, priced only when one is asked for."""

    def __init__(self, case: Case) -> None:
        self._case = case

    @cached_property
    def _ranked(self) -> tuple[Orientation, ...]:
        case = self._case
        return case.orientations if case.recipe.printer.layers_along is None else case.orient(any_way=True)

    def __iter__(self) -> Iterator[Orientation]:
        return (each for each in self._ranked if each.pose.spare >= 0.0 and isfinite(each.lean))

    def advise(self, good: Callable[[Orientation], bool], *, most: int = 100) -> str:
        """Return the recipe's words for the cheapest of them that is good, "" if none is."""
        for each, _ in zip(self, range(most), strict=False):
            if good(each):
                return f"set printer.layers_along = {word_direction(each.up)}"
        return ""


def word_direction(up: Floats) -> str:
    """Return a direction as a recipe takes it."""
    return f"[{', '.join(format(round(float(v), 4) + 0.0, 'g') for v in up)}]"


def tell_side_down(up: Floats) -> str:
    """Return in words what of the part lies towards the plate when the layers grow along `up`, (3,) part frame."""
    x, y, z = (-float(v) for v in up)
    if abs(z) >= hypot(x, y):
        return "mouth down" if z > 0.0 else "mouth up"
    return f"{tell_clock(x, y)} down"


def _judge_room(
    case: Case, chosen: Orientation, split: PrintedSplit | None, others: Iterable[Orientation]
) -> Check:
    """Compare the part as it lies on the plate with the printer's room, or its pieces where they are asked for."""
    printer, source = case.recipe.printer, "recipe: printer.bed, as the part lies on it"
    spare = case.scale * chosen.pose.spare
    if split is not None and printer.split:
        spare, source = case.scale * split.spare, f"recipe: printer.bed, in {len(split.poses)} pieces"
    verdict: Verdict = "pass" if spare >= 0.0 else "fail"
    remedy = ""
    if verdict == "fail":
        size = [ceil(case.scale * side - 1e-6) for side in chosen.pose.size]
        remedy = f"use a printer with room for printer.bed = {size}"
        if split is not None:
            pieces = f"{len(split.poses)} pieces, cut {describe_joints(split.split.joints)}"
            remedy = f"set printer.split = true, which also writes it in {pieces}, or {remedy}"
        elif plan_split(case, other_joint(printer.joint)) is not None:
            remedy = f'set printer.joint = "{other_joint(printer.joint)}" and printer.split = true, or {remedy}'
        better = next(iter(others), None)
        if better is not None:
            remedy = f"set printer.layers_along = {word_direction(better.up)}, or {remedy}"
    return Check("room on the bed", verdict, spare, 0.0, "mm", source, remedy)


def _tell_pieces(case: Case, split: PrintedSplit) -> str:
    gap = case.recipe.printer.joint_gap
    return (
        f"pieces: cut {describe_joints(split.split.joints)}; {gap:g} mm of gap all around; glue them before the part goes in, "
        "and do not count on the joint alone; the STEP is the whole part"
    )


def _judge_scars(case: Case, chosen: Orientation, others: _Others) -> Check:
    """Hold the surface that bears on the recess and is printed on support against what may be."""
    contact = case.inspection.contact_area

    def share(each: Orientation) -> float:
        return round(100.0 * each.value("support on fit faces") / contact, 4) if contact > 0.0 else 0.0

    value = share(chosen)
    verdict: Verdict = "pass" if value <= SCARS else "caution"
    remedy = ""
    if verdict == "caution":
        remedy = others.advise(lambda each: share(each) <= 0.98 * SCARS)
        marks = "support leaves marks on what bears on the recess"
        remedy = f"{marks}: {remedy}" if remedy else f"{marks}, whichever way up it stands: scrape it smooth there"
    source = f"our rule; undersides beyond {OVERHANG_DEG:g}° from vertical need support (trade page on overhangs, read)"
    return Check("support on fit faces", verdict, value, SCARS, "share", source, remedy)


def _judge_bridge(case: Case, chosen: Orientation, under: Undersides, others: _Others) -> Check:
    verdict: Verdict = "pass" if under.bridge <= BRIDGE else "caution"
    remedy = place = ""
    if verdict == "caution":
        back = chosen.pose.part_to_plate[:3, :3].T @ (np.array(under.middle) - chosen.pose.part_to_plate[:3, 3])
        place = describe_place(back.tolist())
        layer = case.recipe.printer.layer_height
        mesh = case.part.body.mesh
        remedy = others.advise(lambda each: _look_under(mesh, each, layer).bridge <= 0.98 * BRIDGE, most=OTHERS)
        remedy = f"let the printing program put support under it{', or ' + remedy if remedy else ''}"
    source = "trade page on overhangs (read): bridges of 10 to 15 mm come out clean"
    return Check("longest bridge", verdict, under.bridge, BRIDGE, "mm", source, remedy, place)


def _judge_gap(narrow: Narrowest, line_width: float) -> Check:
    name, source = "narrowest gap", "common practice: one printed line at least"
    if not isfinite(narrow.gap):
        return Check(name, "pass", None, line_width, "mm", source)
    verdict: Verdict = "pass" if narrow.gap >= line_width else "caution"
    finer = floor(100.0 * narrow.gap) / 100.0
    remedy = "" if verdict == "pass" else f"it fuses in printing: widen the feature there, or set printer.line_width = {finer:g}"
    return Check(name, verdict, narrow.gap, line_width, "mm", source, remedy, describe_place(narrow.middle))


def _judge_stand(chosen: Orientation, others: _Others) -> Check:
    verdict: Verdict = "pass" if chosen.lean <= STEADY else "caution"
    remedy = ""
    if verdict == "caution":
        remedy = others.advise(lambda each: each.lean <= 0.98 * STEADY)
        brim = "print it with a brim and support, which hold it"
        remedy = f"{brim}, or {remedy}" if remedy else brim
    value = chosen.lean if isfinite(chosen.lean) else None
    source = "our rule: height of the centre of mass over the least distance from its foot to the edge of the first layer"
    return Check("steady on the plate", verdict, value, STEADY, "", source, remedy)


def _judge_first_layer(case: Case, chosen: Orientation) -> Check:
    """Where fit faces reach down to the plate the first layer, pressed out, stands into the gap."""
    mesh = case.part.body.mesh
    level = mesh.vertices @ chosen.pose.part_to_plate[2, :3] + chosen.pose.part_to_plate[2, 3]
    low = level[mesh.faces].min(axis=1) < case.recipe.printer.layer_height
    corners = mesh.vertices[mesh.faces[low]]
    rise = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]) @ chosen.up
    beside = case.inspection.bearing[low][rise > -0.9 * np.linalg.norm(rise)] if len(rise) else np.zeros(0)
    reaches = float(beside.sum()) > 0.0
    value = case.inspection.rest.min - (SWELLING if reaches else 0.0)
    verdict: Verdict = "pass" if value >= 0.0 or not reaches else "caution"
    remedy = "" if verdict == "pass" else (
        f"let the printing program take {SWELLING:g} mm off the first layer, or set "
        f"fit.clearance = {ceil(20.0 * (case.recipe.fit.clearance - value)) / 20.0:g}"
    )  # fmt: skip
    source = f"first layers are pressed out by about {SWELLING:g} mm (one printing profile, read); least gap at rest less that"
    return Check("gap at the first layer", verdict, value, 0.0, "mm", source, remedy)


def _list_facts(
    case: Case, chosen: Orientation, under: Undersides, narrow: Narrowest, estimate: Estimate
) -> dict[str, Any]:
    return {
        "layers_along": chosen.up,
        "part_to_plate": chosen.pose.part_to_plate,
        "size": [case.scale * side for side in chosen.pose.size],
        "bed": case.recipe.printer.bed,
        "first_layer": chosen.first_layer,
        "cost": chosen.cost,
        "terms": [asdict(term) for term in chosen.terms],
        "others": [{"layers_along": each.up, "cost": each.cost} for each in case.orientations[1 : 1 + SHOWN]],
        "air_under_overhangs": under.support,
        "longest_bridge": under.bridge,
        "narrowest_gap": narrow.gap if isfinite(narrow.gap) else None,
        "lines_in_thinnest_wall": case.inspection.thinnest.thickness / case.recipe.printer.line_width,
        "estimate": asdict(estimate),
        "formula": FORMULA,
        "split": None,
    }


def _summarise(case: Case, chosen: Orientation, estimate: Estimate) -> str:
    minutes = round(estimate.time / 60.0)
    size = " x ".join(f"{case.scale * side:.0f}" for side in chosen.pose.size)
    return (
        f"print: {tell_side_down(chosen.up)}, {size} mm on the plate, "
        f"about {estimate.mass:.0f} g and {estimate.support_mass:.0f} g of support, "
        f"{estimate.filament / 1000.0:.1f} m of filament, {minutes // 60} h {minutes % 60:02d} min; "
        "the 3MF lies so, STL and STEP are in the part's own axes"
    )
