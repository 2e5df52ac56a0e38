"""The main job from scan to files, readable as a table of contents."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from mountgen.child import beside
from mountgen.ground import GAPS, find_spot, fit_ground, lay_ground, lay_space, load_kernel
from mountgen.outputs import guard_sources, list_sources, list_stale, name_outputs, tell_replaced
from mountgen.paper import Papers, draw_papers
from mountgen.progress import Clock, Quiet
from mountgen.prove import build_part, make_of_facets, prove_part
from mountgen.recipe_file import dump_recipe
from mountgen.solid_store import count_saved
from mountgen.store import Entry, Store, make_key
from mountgen.verdict import Check, rank_checks
from mountgen.whole import remember_whole, sum_up_whole

if TYPE_CHECKING:
    from mountgen.features.part import Part
    from mountgen.ground import Spot
    from mountgen.page import Packed, Sight
    from mountgen.progress import Progress
    from mountgen.recipe import Recipe
    from mountgen.service.case import Case, Finding
    from mountgen.service.cautions import Caution

NO_PAPER = Papers()
LABORIOUS = 12.0  # s of CPU for making a part; the examples with a tongue take as long, the others 2 to 5


@dataclass(frozen=True)
class Made:
    """A part that was made, whether or not every check passed.

    report  : as in report.json.
    files   : file name to path.
    checks  : verdicts, the worst first.
    cautions: what the user should keep in mind.
    seconds : by stage, in the order run.
    """

    report: dict[str, Any]
    files: dict[str, Path]
    checks: tuple[Check, ...]
    cautions: tuple[Caution, ...]
    seconds: dict[str, float]


def make(
    recipe: Recipe,
    out: Path,
    *,
    sources: tuple[Path, ...] = (),
    store: Store,
    progress: Progress,
    pictures: bool = False,
    papers: Papers = NO_PAPER,
) -> Made:
    """Make the part of a recipe: read, find, build, check, write.

    Args:
        recipe: complete recipe; its scan file is set.
        out: folder for the files; made if missing.
        sources: files that must not be overwritten, besides the scan and the recipe's sheet.
        store: where results of early stages are kept.
        progress: told of stages and findings.
        pictures: also draw the part in its recess, and what the judges of the part have to show.
        papers: what else is to be drawn on paper.

    Returns:
        Made: also where a check failed; the files are written then too.

    Raises:
        MountgenError: the part could not be made; nothing was written or overwritten.
    """
    clock = Clock(progress)
    guard_sources((*sources, *list_sources(recipe)), out=out, names=name_outputs(recipe.name))
    spot = find_spot(recipe, store=store, clock=clock)
    recipe, scan, recess = spot.recipe, spot.scan, spot.recess
    ground = lay_space(spot, clock=clock)
    space = ground.space
    with beside(lambda: _look_at_scan(spot)) as look:
        ground = fit_ground(ground, clock=clock)
        with clock.stage("load the solid kernel"):
            load_kernel()
            from mountgen.export import name_files
            from mountgen.page import draw_page
            from mountgen.report import build_report, encode_report
            from mountgen.safe_write import write_files
            from mountgen.service import judge_service
            from mountgen.service.cautions import list_cautions
            from mountgen.step_file import encode_step

        started = _spend()
        with clock.stage("make the part"):
            part = build_part(ground)
        shown, doubts = look()
    laborious = _spend() - started > LABORIOUS
    for note in (*part.notes, *part.body.notes):
        progress.say(f"note       {note}")

    def remake(other: Recipe) -> Part:
        """Make another recipe's part on the same ground, but for another gap, which asks for its own."""
        same = all(getattr(other.fit, key) == getattr(recipe.fit, key) for key in GAPS)
        return build_part(replace(ground, recipe=other) if same else lay_ground(other, store=store, clock=Clock(Quiet())))

    solid = part.body.solid
    with beside(lambda: encode_step(solid, name=recipe.name)) as encode_solid:
        case = prove_part(part, ground, clock=clock, pictures=pictures, remake=remake)
        if ground.shell is not None and not case.inspection.is_clear:
            case = make_of_facets(case, ground, clock=clock)
        step = encode_solid()
    case = replace(case, laborious=laborious or case.part.body.faceted)  # facets cut at a reach take the kernel a minute
    part, body, inspection = case.part, case.part.body, case.inspection
    encoded = step if body.solid is solid else None
    with beside(lambda: _prepare_words(case, shown)) as prepare, beside(lambda: _encode(case, encoded)) as encode:
        with clock.stage("judge what the vehicle does to it"):
            found = judge_service(case, known={"scan": doubts})
        for note in (note for each in found.values() for note in each.notes):
            progress.say(f"note       {note}")
        with clock.stage("encode files"):
            contents = encode()
            measured, sight = prepare()
    judged = (check for each in found.values() for check in each.checks)
    checks = rank_checks((*inspection.checks, *part.checks, *judged))
    remember_whole(ground, store, lambda: sum_up_whole(part, found["print"]))
    cautions = list_cautions(recipe, found)
    kinds = name_files(recipe.name) | {
        "recipe": f"{recipe.name}.resolved.toml", "report": "report.json", "page": "report.html",
    }  # fmt: skip
    extra = [pair for each in found.values() for pair in each.files.items()]
    if papers.sheets or papers.drawing:
        with clock.stage("draw on paper"):
            extra += draw_papers(case, papers).items()
    for ending, content in extra:
        kinds[ending.strip("-")] = f"{recipe.name}{ending}"
        contents[f"{recipe.name}{ending}"] = content
    if pictures:
        with clock.stage("draw the part"):
            pictured = draw_pictures(case, ground.gaps)
        kinds |= {ending.strip("-"): f"{recipe.name}{ending}" for ending in pictured}
        contents |= {f"{recipe.name}{ending}": picture for ending, picture in pictured.items()}
    with clock.stage("report"):
        report = build_report(
            recipe=recipe.model_dump(mode="json"),
            scan=scan,
            recess=recess,
            body=body,
            measured=measured,
            unseen_area=sum(area.area for area in space.unseen),
            inspection=inspection,
            service={question: each.facts for question, each in found.items() if each.facts},
            checks=checks,
            cautions=cautions,
            notes=(*part.notes, *(note for each in found.values() for note in each.notes)),
            files=kinds,
            seconds=clock.seconds,
        )
    resolved, told = dump_recipe(recipe, folder=out), encode_report(report)
    with clock.stage("draw the page"):
        page = draw_page(told, sight, recipe=resolved)
    other, stale = tell_replaced(recipe.name, out=out), list_stale(recipe.name, out=out, written=set(kinds.values()))
    if other:
        progress.say(f"note       report.json was that of {other}, and is replaced: --out gives each part a folder of its own")
    if stale:
        progress.say(f"note       of an earlier run, and not of this part: {', '.join(stale)}")
    with clock.stage("write files"):
        contents |= {kinds["recipe"]: resolved.encode("utf-8"), kinds["report"]: told, kinds["page"]: page}
        files = write_files(out, contents)
    return Made(report=report, files=files, checks=checks, cautions=cautions, seconds=clock.seconds)


def _look_at_scan(spot: Spot) -> tuple[Packed, Finding]:
    """Return what the page shows of the scan and what is doubtful of it, whatever part is made."""
    from mountgen.page import Packed, pack_scan
    from mountgen.service.scan_check import judge_scan_use

    shown = spot.store.remember(
        make_key("shown", spot.recess_key), lambda: pack_scan(spot.recess),
        pack=lambda packed: Entry(facts=asdict(packed)), unpack=lambda entry: Packed.check(**entry.facts),
    )  # fmt: skip
    return shown, judge_scan_use(spot.scan, spot.recess, clearance=min(spot.recipe.fit.gaps.values()))


def _prepare_words(case: Case, shown: Packed) -> tuple[dict[str, Any], Sight]:
    """Return what report and page say of a part besides verdicts. shown: of the scan."""
    from mountgen.page import prepare_sight
    from mountgen.report import measure_body
    from mountgen.service.keep_out import place_keep_out

    measured = measure_body(case.part.body, density=case.material.density.value)
    keep_outs = [(each.name, place_keep_out(each, case)) for each in case.recipe.keep_out]
    return measured, prepare_sight(case.part, case.recess, case.inspection, scan=shown, keep_outs=keep_outs)


def _encode(case: Case, step: bytes | None) -> dict[str, bytes]:
    """Return a part's STL, STEP (made here if there is none) and 3MF, by file name; the 3MF lies as it is printed."""
    from mountgen.export import encode_part
    from mountgen.service.print_check import list_metadata

    lies = case.orientations[0].pose.part_to_plate
    return encode_part(
        case.part.body, name=case.recipe.name, scale=case.scale, transform=lies, metadata=list_metadata(case),
        printed=case.foot.mesh, step=step,
    )  # fmt: skip


def draw_pictures(case: Case, zones: Mapping[str, float]) -> dict[str, bytes]:
    """Return pictures of a finished part in its recess, coloured by the gap, as PNG by the ending of its file's name.

    Args:
        case: the part as it was gauged.
        zones: zone of the scan to the gap asked for there, mm.
    """
    from mountgen.part_picture import measure_gap, picture_part

    gauged = measure_gap(case.part.body.mesh, case.inspection.standing)
    drawn = picture_part(gauged, case.recess, name=case.recipe.name, zones=zones)
    return {f"-{look}.png": picture for look, picture in drawn.items()}


def _spend() -> float:
    """Return the seconds of CPU that this process and its children have worked, or would have had to, had nothing been kept: with
    other settings a part is as much work as ever. On a busy machine the clock runs on.
    """
    return sum(os.times()[:4]) + count_saved()
