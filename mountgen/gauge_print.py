"""The fit gauge of a recipe, from scan to files: what is printed before the part, to see in minutes whether it will fit."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from mountgen.ground import Ground, lay_ground, load_kernel
from mountgen.outputs import PICTURES, guard_sources, list_sources
from mountgen.pipeline import Made, draw_pictures
from mountgen.progress import Clock, Progress, Quiet
from mountgen.prove import build_part, prove_part
from mountgen.store import Store
from mountgen.verdict import Check, format_minutes, rank_checks
from mountgen.whole import Whole, remember_whole, sum_up_whole

if TYPE_CHECKING:
    from mountgen.features.fit_gauge import FitGauge
    from mountgen.recipe import Recipe
    from mountgen.service.case import Case, Finding

WALL_LINES = 2  # printed lines side by side: a gauge bears nothing
ENDINGS = (".stl", ".step", ".3mf", ".json", *PICTURES)
WHERE = {  # it binds
    "plates": "where it binds, the numbers on its frame's back name the plate and the hour near that end",
    "skin": "where it binds, the hours raised inside it say which way that is, the number in the middle how deep it reaches, mm",
}
HOME = {
    "plates": "it must go home without force, its frame just below the mouth's edge, and come out again",
    "skin": "it must go home without force, its edge just below the mouth's, and come out again",
}
AFTER = "binds all around: fit.clearance 0.1 mm higher; rattles: lower; binds at one place: scan that again first"
Shape = Literal["plates", "skin"]


def make_gauge(
    recipe: Recipe,
    out: Path,
    *,
    sources: tuple[Path, ...] = (),
    store: Store,
    progress: Progress,
    shape: Shape = "plates",
    pictures: bool = False,
) -> Made:
    """Make the fit gauge of a recipe's part.

    Args:
        recipe: complete recipe; its scan file is set.
        out: folder for the files; made if missing.
        sources: files that must not be overwritten, besides those that the recipe names.
        store: where results of early stages are kept.
        progress: told of stages and findings.
        shape: thin plates on a spine, or a skin of the whole contact surface.
        pictures: also draw it in its recess.

    Returns:
        Made: also where a check failed; the files are written then too.

    Raises:
        MountgenError: it could not be made; nothing was written or overwritten.
    """
    name = f"{recipe.name}-gauge"
    clock = Clock(progress)
    guard_sources((*sources, *list_sources(recipe)), out=out, names=tuple(f"{name}{ending}" for ending in ENDINGS))
    ground = lay_ground(recipe, store=store, clock=clock)
    recipe = ground.recipe

    with clock.stage("load the solid kernel"):
        load_kernel()
        from mountgen.export import encode_part, name_files
        from mountgen.features.fit_gauge import make_fit_gauge
        from mountgen.features.skin_gauge import make_skin_gauge
        from mountgen.report import build_report, encode_report, measure_body
        from mountgen.safe_write import write_files
        from mountgen.service.print_check import judge_print, list_metadata

    with clock.stage("look up the part, or make it, to compare"):
        whole = remember_whole(ground, store, lambda: _make_whole(ground))
    with clock.stage("cut the gauge"):
        reach = None if recipe.fit.reach == "full" else recipe.fit.reach
        gauge = (make_skin_gauge if shape == "skin" else make_fit_gauge)(
            ground.shell, ground.space, low=whole.low, high=whole.high, reach=reach, line_width=recipe.printer.line_width
        )
    own = recipe.model_copy(
        update={"name": name, "printer": recipe.printer.model_copy(update={"layers_along": None, "split": False})}
    )
    case = prove_part(gauge.part, replace(ground, recipe=own), clock=clock, wall_lines=WALL_LINES)
    with clock.stage("judge the print"):
        found = judge_print(case)
        facts = _compare(gauge, found, whole, case, shape)
    checks = rank_checks((*case.inspection.checks, *found.checks, _judge_saving(facts)))
    notes = (_summarise(facts), *facts["how_to_try"], *case.part.body.notes)
    for note in notes:
        progress.say(f"note       {note}")

    with clock.stage("encode files"):
        lies = case.orientations[0].pose.part_to_plate
        body = case.part.body
        contents = encode_part(
            body, name=name, scale=case.scale, transform=lies, metadata=list_metadata(case), printed=case.foot.mesh
        )
        kinds = name_files(name) | {"report": f"{name}.json"}
        if pictures:
            pictured = draw_pictures(case, ground.gaps)
            kinds |= {ending.strip("-"): f"{name}{ending}" for ending in pictured}
            contents |= {f"{name}{ending}": picture for ending, picture in pictured.items()}
        report = build_report(
            recipe=own.model_dump(mode="json"),
            scan=ground.scan,
            recess=ground.recess,
            body=body,
            measured=measure_body(body, density=case.material.density.value),
            unseen_area=sum(area.area for area in ground.space.unseen),
            inspection=case.inspection,
            service={"print": found.facts, "gauge": facts},
            checks=checks,
            notes=notes,
            files=kinds,
            seconds=clock.seconds,
        )
        contents[kinds["report"]] = encode_report(report)
    with clock.stage("write files"):
        files = write_files(out, contents)
    return Made(report=report, files=files, checks=checks, cautions=(), seconds=clock.seconds)


def _make_whole(ground: Ground) -> Whole:
    """Make the part itself, unless it has been made before."""
    from mountgen.service.print_check import judge_print

    case = prove_part(build_part(ground), ground, clock=Clock(Quiet()))
    return sum_up_whole(case.part, judge_print(case))


def _compare(gauge: FitGauge, own: Finding, whole: Whole, case: Case, shape: Shape) -> dict[str, Any]:
    from mountgen.features.skin_gauge import SKIN

    density, estimate = case.material.density.value, own.facts["estimate"]

    return {
        "shape": shape,
        "plates": [
            {"axis": "xy"[plate.axis], "at": plate.at, "clock": list(plate.clock), "area": plate.area} for plate in gauge.plates
        ],
        "thickness": gauge.thickness,
        "gauge": {"mass": estimate["mass"] + estimate["support_mass"], "minutes": estimate["time"] / 60.0},
        "whole_part": {"mass": whole.mass, "minutes": whole.seconds / 60.0},
        "skin_mass": SKIN * gauge.skin * density / 1000.0,
        "how_to_try": [HOME[shape], *([WHERE[shape]] if gauge.labelled else []), AFTER],
    }


def _judge_saving(facts: dict[str, Any]) -> Check:
    """A gauge that takes as much plastic as the part proves nothing that the part would not."""
    mass, limit = facts["gauge"]["mass"], facts["whole_part"]["mass"]
    cheaper = mass < limit
    return Check(
        "plastic against the whole part", "pass" if cheaper else "caution", mass, limit, "g",
        "our rule: a gauge must take less than the part, support included; both by the report's formula",
        "" if cheaper else "print the part itself and try that",
    )  # fmt: skip


def _summarise(facts: dict[str, Any]) -> str:
    from mountgen.features.skin_gauge import SKIN

    gauge, whole = facts["gauge"], facts["whole_part"]
    told = f"about {gauge['mass']:.0f} g and {format_minutes(gauge['minutes'])}; the whole part takes {whole['mass']:.0f} g and "
    told += format_minutes(whole["minutes"])
    if facts["shape"] == "skin":
        return f"gauge: a skin of the contact surface, {facts['thickness']:g} mm thick, {told}"
    return (
        f"gauge: {len(facts['plates']) - 1} plates on a spine, {facts['thickness']:g} mm thick, {told}, a skin of {SKIN:g} mm "
        f"(--skin) of the whole recess {facts['skin_mass']:.0f} g and its support"
    )
