"""How the part is printed: which way up, whether it fits the printer, what needs support, mass, filament and time."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict
from functools import cached_property
from itertools import islice
from math import ceil, floor, hypot, isfinite
from typing import Any

import numpy as np

from mountgen.arrays import Floats
from mountgen.place import describe_place, tell_clock
from mountgen.recipe_tables import Printer
from mountgen.service.bridge_advice import advise_bridge
from mountgen.service.case import Case, Finding
from mountgen.service.gap_advice import advise_gap
from mountgen.service.print_estimate import Estimate
from mountgen.service.print_orientation import OVERHANG_DEG, STEADY, Orientation
from mountgen.service.print_piece import SWELLING, Print, add_up, lay_whole, look_under
from mountgen.service.print_shape import HIGHEST_LAYER, SETTLES, Narrowest, find_narrowest
from mountgen.service.print_split import (
    PrintedSplit,
    describe_joints,
    encode_split,
    list_split_facts,
    other_joint,
    plan_split,
)
from mountgen.service.reach_advice import list_steady, list_unmarked
from mountgen.verdict import Check, Verdict, format_minutes

SCARS = 0.10  # share of the surface that bears on the recess; what support leaves on more than this is felt (our rule)
BRIDGE = 10.0  # mm; 10 to 15 mm come out clean (trade page on overhangs, read)
FINEST_LINE = 0.2  # mm; no remedy asks for a finer one: few printers lay it (our rule)
FOOT = 0.4  # mm of chamfer that a remedy names (our rule)
OTHERS = 3  # other ways up that are looked at for shorter bridges, and for what else they bring
SHOWN = 4  # other ways up that are listed in the report
LOOKED = 2.0  # lines; gaps are looked for up to this width
FORMULA = (
    "shell = min(V, A wall_lines line_width); laid = shell + infill (V - shell); support = 0.15 air under overhangs; "
    "mass = density laid; filament = (laid + support) / (pi d² / 4); rate = line_width layer_height speed; "
    "time = 300 s + 1.25 (laid + support) / rate + 2 s layers"
)


def judge_print(case: Case) -> Finding:
    """Say how the part is printed and what to look out for; of a part that is written in pieces, how they are.

    Args:
        case: the part and its surroundings; recipe.printer says with what.

    Returns:
        Finding: room on the bed, support on fit faces, bridges, gaps, layers, how it stands, its first layer; facts of the print.

    Raises:
        Nothing.
    """
    whole, printer = lay_whole(case), case.recipe.printer
    narrow = find_narrowest(whole.mesh, below=LOOKED * printer.line_width)
    split = None if whole.way.pose.spare >= 0.0 else plan_split(case, printer.joint)
    in_pieces = split is not None and printer.split
    prints = split.prints if split is not None and in_pieces else (whole,)
    others = _Others(case, none=in_pieces)
    checks = (
        _judge_room(case, whole.way, split, _Others(case)),
        _judge_scars(case, prints, others),
        _judge_bridge(case, prints, others),
        _judge_gap(case, narrow),
        _judge_layers(printer),
        _judge_stand(case, prints, others),
        _judge_first_layer(case, prints),
    )
    facts = _list_facts(case, whole, narrow)
    notes = [_summarise(case, whole.way, whole.estimate)]
    files: dict[str, bytes] = {}
    if split is not None:
        facts["split"] = list_split_facts(split, scale=case.scale)
        if in_pieces:
            files = encode_split(split, case.recipe, scale=case.scale)
            notes = [_tell_pieces(case, split)]
    return Finding(checks=checks, facts=facts, notes=(*notes, *_tell_foot(prints, printer)), files=files)


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
        "Chamfer": f"{printer.foot:g} mm along the plate" if case.foot.removed > 0.0 else "none",
    }


class _Others:
    """Ways up other than the one chosen, priced only when one is asked for."""

    def __init__(self, case: Case, *, none: bool = False) -> None:
        self._case, self._none = case, none  # none: pieces are turned as is best already

    @cached_property
    def _ranked(self) -> tuple[Orientation, ...]:
        case = self._case
        if self._none:
            return ()
        return case.orientations if case.recipe.printer.layers_along is None else case.orient(any_way=True)

    def __iter__(self) -> Iterator[Orientation]:
        return (each for each in self._ranked if each.pose.spare >= 0.0 and isfinite(each.lean))

    def advise(self, good: Callable[[Orientation], bool], *, most: int = 100) -> str:
        """Return the recipe's words for the cheapest of them that is good, "" if none is.

        One that spoils what is good as it lies now comes after the next few that do not, and what it spoils is told.
        """
        spoiling = ""
        for each in islice((each for each, _ in zip(self, range(most), strict=False) if good(each)), OTHERS):
            words = f"set printer.layers_along = {word_direction(each.up)}"
            spoiled = sorted(_find_faults(self._case, each) - self._faults)
            if not spoiled:
                return words
            spoiling = spoiling or f"{words}, which brings {' and '.join(spoiled)} instead"
        return spoiling

    @cached_property
    def _faults(self) -> set[str]:
        return _find_faults(self._case, self._case.orientations[0])


def _share_marked(ways: Iterable[Orientation], contact: float) -> float:
    """Return the share of `contact` mm² that bears on the recess which is printed on support."""
    marked = 100.0 * sum(way.value("support on fit faces") for way in ways)  # cm² to mm²
    return round(marked / contact, 4) if contact > 0.0 else 0.0


def _find_faults(case: Case, way: Orientation) -> set[str]:
    """Return in words what would be found fault with if the part were printed that way."""
    contact = case.inspection.contact_area
    found = {
        "support on fit faces": _share_marked([way], contact) > SCARS,
        "a longer bridge": look_under(case.part.body.mesh, way, case.recipe.printer.layer_height).bridge > BRIDGE,
        "an unsteady stand": way.lean > STEADY,
    }
    return {words for words, is_so in found.items() if is_so}


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
    gap, total = case.recipe.printer.joint_gap, add_up(split.prints)
    each = "; ".join(
        f"{one.name} {tell_side_down(one.way.up)}, {one.estimate.mass:.0f} g, {format_minutes(one.estimate.time / 60.0)}"
        for one in split.prints
    )
    return (
        f"pieces: cut {describe_joints(split.split.joints)}; {each}; in all about {total.mass:.0f} g and "
        f"{total.support_mass:.0f} g of support, {total.filament / 1000.0:.1f} m of filament, "
        f"{format_minutes(total.time / 60.0)} without pins; {gap:g} mm of gap all around; glue them before the part goes in, and "
        "do not count on the joint alone; the 3MF of the pieces has them as they lie on the plate, their STL in the part's own "
        "axes; the other files are of the whole part"
    )


def _tell_foot(prints: Sequence[Print], printer: Printer) -> tuple[str, ...]:
    """Say what the 3MF has that the other files have not."""
    removed, left = sum(each.foot.removed for each in prints), sum(each.foot.left for each in prints)
    if removed <= 0.0 and left <= 0.0:
        return ()
    words = []
    if removed > 0.0:
        words.append(
            f"the 3MF has a chamfer of {printer.foot:g} mm along the plate for what the first layer presses out, "
            "STL and STEP have none"
        )
    if left > 0.0:
        words.append("on tabs, tape pads and walls too thin for it let the printing program draw the first layer in")
    return (f"chamfer: {'; '.join(words)}",)


def _judge_scars(case: Case, prints: Sequence[Print], others: _Others) -> Check:
    """Hold the surface that bears on the recess and is printed on support against what may be."""
    name, contact = "support on fit faces", case.inspection.contact_area
    value = _share_marked((each.way for each in prints), contact)
    verdict: Verdict = "pass" if value <= SCARS else "caution"
    remedy = ""
    if verdict == "caution":
        marks = "support leaves marks on what bears on the recess"
        turned = others.advise(lambda each: _share_marked([each], contact) <= 0.98 * SCARS)
        cut = "" if turned or len(prints) > 1 else case.find_mending(name, list_unmarked(case, most=SCARS), most=1)
        remedy = f"{marks}: {turned}" if turned else (
            f"{marks} whichever way up it stands: {cut}, so that it stands on a flat cut, or scrape it smooth there" if cut else
            f"{marks} whichever way up it stands, for it is the recess that gives it this shape, and no value of the recipe was "
            "found that spares it: scrape it smooth there"
        )  # fmt: skip
    source = (
        f"our rule; undersides beyond {OVERHANG_DEG:g}° from vertical need support (trade page on overhangs, read), "
        f"but for what lies on the plate or less than {SETTLES:g} layers above it"
    )
    return Check(name, verdict, value, SCARS, "share", source, remedy)


def _judge_bridge(case: Case, prints: Sequence[Print], others: _Others) -> Check:
    worst = max(prints, key=lambda each: each.under.bridge)
    under, way, name = worst.under, worst.way, "longest bridge"
    verdict: Verdict = "pass" if under.bridge <= BRIDGE else "caution"
    remedy = place = ""
    if verdict == "caution":
        back = way.pose.part_to_plate[:3, :3].T @ (np.array(under.middle) - way.pose.part_to_plate[:3, 3])
        place = describe_place(back.tolist())
        layer = case.recipe.printer.layer_height
        mesh = case.part.body.mesh
        remedy = others.advise(lambda each: look_under(mesh, each, layer).bridge <= 0.98 * BRIDGE, most=OTHERS)
        if not remedy and len(prints) == 1:
            remedy = advise_bridge(case, way, back, most=BRIDGE, name=name)
        other = f", or {remedy}" if remedy else " (no way up and no value of the recipe was found that does without)"
        remedy = f"let the printing program put support under it{other}"
    source = "trade page on overhangs (read): bridges of 10 to 15 mm come out clean"
    return Check(name, verdict, under.bridge, BRIDGE, "mm", source, remedy, place)


def _judge_gap(case: Case, narrow: Narrowest) -> Check:
    printer = case.recipe.printer
    line_width = printer.line_width
    name, source = "narrowest gap", "common practice: one printed line at least"
    if not isfinite(narrow.gap):
        widest = LOOKED * line_width
        return Check(name, "pass", widest, line_width, "mm", f"{source}; none of less than {widest:g} mm was found")
    verdict: Verdict = "pass" if narrow.gap >= line_width else "caution"
    remedy = ""
    if verdict != "pass":
        finer = _advise_line(narrow.gap, printer)
        remedy = f"it fuses in printing: {finer or advise_gap(case, narrow.gap, narrow.middle, name=name)}"
    return Check(name, verdict, narrow.gap, line_width, "mm", source, remedy, describe_place(narrow.middle))


def _advise_line(gap: float, printer: Printer) -> str:
    """Return the settings with which a line fits into a gap, and layers that are not too high for it; "" for none."""
    finer = floor(100.0 * gap + 1e-6) / 100.0
    if finer < FINEST_LINE:
        return ""
    lower = floor(100.0 * HIGHEST_LAYER * finer + 1e-9) / 100.0
    layers = f" and printer.layer_height = {lower:g}" if lower < printer.layer_height else ""
    return f"set printer.line_width = {finer:g}{layers}, or let it fuse if nothing has to go in"


def _judge_layers(printer: Printer) -> Check:
    limit = HIGHEST_LAYER * printer.line_width
    kept = printer.layer_height <= limit + 1e-9
    finer = floor(100.0 * limit + 1e-9) / 100.0
    wider = ceil(100.0 * printer.layer_height / HIGHEST_LAYER - 1e-9) / 100.0
    lines = f"if the printer lays lines as wide, set printer.line_width = {wider:g}"
    remedy = "" if kept else f"set printer.layer_height = {finer:g}, or, {lines}"
    source = f"common practice: a layer is at most {HIGHEST_LAYER:g} times as high as a line is wide"
    return Check("height of a layer", "pass" if kept else "caution", printer.layer_height, round(limit, 4), "mm", source, remedy)


def _judge_stand(case: Case, prints: Sequence[Print], others: _Others) -> Check:
    name = "steady on the plate"
    worst = min(prints, key=lambda each: each.steadiness)
    verdict: Verdict = "pass" if worst.steadiness >= 1.0 / STEADY - 1e-9 else "caution"
    remedy = ""
    if verdict == "caution":
        remedy = others.advise(lambda each: each.lean <= 0.98 * STEADY)
        if not remedy and len(prints) == 1:
            remedy = case.find_mending(name, list_steady(case, most=STEADY))
        brim = f"print {worst.name or 'it'} with a brim and support, which hold it"
        remedy = f"{brim}, or {remedy}" if remedy else brim
    source = (
        "our rule: from the foot of the centre of mass to the edge of the first layer it is a third of its height or more; "
        "0 where next to nothing lies on the plate or it would fall over"
    )
    return Check(name, verdict, worst.steadiness, 1.0 / STEADY, "mm/mm", source, remedy)


def _judge_first_layer(case: Case, prints: Sequence[Print]) -> Check:
    """Where fit faces reach down to the plate the first layer, pressed out, stands into the gap."""
    printer = case.recipe.printer
    swelling = max(each.find_swelling(printer) for each in prints)
    value = case.inspection.rest.min - swelling
    verdict: Verdict = "pass" if value >= 0.0 or swelling == 0.0 else "caution"
    remedy = ""
    if verdict == "caution":
        wider = f"fit.clearance = {ceil(20.0 * (case.recipe.fit.clearance - value)) / 20.0:g}"
        thin = any(each.foot.left > 0.0 for each in prints)
        first = f"let the printing program take {SWELLING:g} mm off the first layer" if thin else (
            f"set printer.foot = {max(FOOT, SWELLING + 0.5 * printer.layer_height):g}"
        )  # fmt: skip
        remedy = f"{first}, or set {wider}"
    source = (
        f"first layers are pressed out by about {SWELLING:g} mm (a printing profile and a glossary, read), of which the chamfer "
        "(printer.foot) takes what it can; least gap at rest less the rest of it"
    )
    return Check("gap at the first layer", verdict, value, 0.0, "mm", source, remedy)


def _list_facts(case: Case, whole: Print, narrow: Narrowest) -> dict[str, Any]:
    chosen, printer = whole.way, case.recipe.printer
    return {
        "layers_along": chosen.up,
        "part_to_plate": chosen.pose.part_to_plate,
        "size": [case.scale * side for side in chosen.pose.size],
        "bed": printer.bed,
        "first_layer": chosen.first_layer,
        "cost": chosen.cost,
        "terms": [asdict(term) for term in chosen.terms],
        "others": [{"layers_along": each.up, "cost": each.cost} for each in case.orientations[1 : 1 + SHOWN]],
        "air_under_overhangs": whole.under.support,
        "longest_bridge": whole.under.bridge,
        "narrowest_gap": narrow.gap if isfinite(narrow.gap) else None,
        "lines_in_thinnest_wall": case.inspection.thinnest.thickness / printer.line_width,
        "foot": {"size": printer.foot, "removed": whole.foot.removed, "left": whole.foot.left},
        "estimate": asdict(whole.estimate),
        "formula": FORMULA,
        "split": None,
    }


def _summarise(case: Case, chosen: Orientation, estimate: Estimate) -> str:
    size = " x ".join(f"{case.scale * side:.0f}" for side in chosen.pose.size)
    return (
        f"print: {tell_side_down(chosen.up)}, {size} mm on the plate, "
        f"about {estimate.mass:.0f} g and {estimate.support_mass:.0f} g of support, "
        f"{estimate.filament / 1000.0:.1f} m of filament, {format_minutes(estimate.time / 60.0)}; "
        "the 3MF lies so, STL and STEP are in the part's own axes"
    )
