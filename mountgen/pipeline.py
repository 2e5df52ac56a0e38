"""The main job from scan to files, readable as a table of contents."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import asdict, dataclass, replace
from functools import partial
from hashlib import sha256
from importlib import import_module
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from mountgen.child import beside
from mountgen.clearance import find_enlargement, resolve_clearance
from mountgen.datum import Recess, find_datum
from mountgen.errors import (
    ExportError,
    FeatureError,
    FieldError,
    KernelError,
    LoftError,
    RecipeError,
    ScanError,
    SectionError,
)
from mountgen.field import InsertableSpace, UnseenArea, build_space
from mountgen.loading import loading
from mountgen.loft import Shell
from mountgen.material import find_material, load_materials
from mountgen.mesh_file import check_file
from mountgen.paper import ENDINGS, Papers, draw_papers
from mountgen.recipe_file import dump_recipe
from mountgen.rows import extent
from mountgen.safe_write import check_folder
from mountgen.scan import Mend, Scan, mend_scan, parse_scan
from mountgen.shell_relief import fit_clear_shell
from mountgen.solid_store import count_saved, keeping_solids
from mountgen.spline import Axis, Surface
from mountgen.store import Entry, Store, make_key
from mountgen.surface import surface_of
from mountgen.verdict import Check, rank_checks

if TYPE_CHECKING:
    from mountgen.arrays import Floats
    from mountgen.features.part import Part
    from mountgen.material import Material
    from mountgen.page import Packed, Sight
    from mountgen.recipe import Recipe
    from mountgen.service.case import Case, Finding
    from mountgen.service.cautions import Caution

MUCH_GAP = 0.1  # of the narrower side of the mouth; a gap that takes more of it, on both sides, is told of
NO_PAPER = Papers()
LATER = tuple(f"mountgen.{name}" for name in ("features", "relief", "inspection", "service", "export", "report", "page"))
LIBRARIES = ("scipy.ndimage", "scipy.linalg", "contourpy", "shapely")  # of the stages between scan and part
PICTURES = ("-mouth.png", "-three-quarter.png", "-section.png", "-behind.png")  # endings, as in `part_picture.LOOKS`
NO_FACETS = (FeatureError, KernelError, LoftError)  # a part cannot be made of facets either
GAPS = ("clearance", "floor", "walls", "rim", "draft")  # of a recipe's fit: what the space and its faces depend on
WALL_LINES = 3  # printed lines side by side that make a wall which bears a little handling; common practice
LABORIOUS = 12.0  # s of CPU for making a part; the examples with a tongue take as long, the others 2 to 5


class Progress(Protocol):
    """Whom the work tells how it goes."""

    def stage(self, name: str) -> AbstractContextManager[None]:
        """Enter at the start of a stage, leave at its end."""

    def say(self, text: str) -> None:
        """Pass on a finding, one line."""


class Quiet:
    """A progress that tells nobody."""

    def stage(self, name: str) -> AbstractContextManager[None]:
        """Enter and leave without a word."""
        return nullcontext()

    def say(self, text: str) -> None:
        """Pass nothing on."""


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


class Clock:
    """Times stages and passes them on."""

    def __init__(self, progress: Progress) -> None:
        self.progress = progress
        self.seconds: dict[str, float] = {}

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Time the stage `name`, and tell of it."""
        started = time.perf_counter()
        with self.progress.stage(name):
            yield
        self.seconds[name] = round(self.seconds.get(name, 0.0) + time.perf_counter() - started, 4)


@dataclass(frozen=True, eq=False)
class Spot:
    """What a recipe's scan shows, whatever is made to fit it.

    recipe    : with the clearance resolved.
    material  : that of the recipe; materials: all rows.
    recess    : the scan in the part frame; recess_key: its own in the store.
    store     : where results are kept.
    """

    recipe: Recipe
    material: Material
    materials: Mapping[str, Material]
    scan: Scan
    recess: Recess
    recess_key: str
    store: Store


@dataclass(frozen=True, eq=False)
class Ground:
    """What a recipe's scan gives before anything is made for it.

    recipe   : with the clearance resolved.
    material : that of the recipe; materials: all rows.
    recess   : the scan in the part frame; space: what a part may occupy of it.
    shell    : wall and floor fitted to that; None where they could not be, and a body is made of facets.
    key      : of the shell in the store; recess_key: of the recess.
    store    : where results are kept, what the solid kernel makes among them; None for nowhere.
    """

    recipe: Recipe
    material: Material
    materials: Mapping[str, Material]
    scan: Scan
    recess: Recess
    space: InsertableSpace
    shell: Shell | None
    key: str = ""
    recess_key: str = ""
    store: Store | None = None

    @property
    def gaps(self) -> dict[str, float]:
        """Return the clearance asked for in each zone of the scan, mm."""
        fit = self.recipe.fit
        gaps = {zone: getattr(fit, zone) for zone in ("floor", "walls", "rim")}
        return {zone: fit.clearance if gap is None else gap for zone, gap in gaps.items()}


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
            case = _make_of_facets(case, ground, clock=clock)
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
    with clock.stage("write files"):
        contents |= {kinds["recipe"]: resolved.encode("utf-8"), kinds["report"]: told, kinds["page"]: page}
        files = write_files(out, contents)
    return Made(report=report, files=files, checks=checks, cautions=cautions, seconds=clock.seconds)


def load_kernel() -> None:
    """Load the solid kernel, and what of this package and of others a part is found, made and judged with.

    Raises:
        KernelError: the kernel cannot be loaded.
    """
    from mountgen.platform_check import require_kernel

    require_kernel()
    with loading():
        for name in (*LIBRARIES, *LATER):
            import_module(name)


def _look_at_scan(spot: Spot) -> tuple[Packed, Finding]:
    """Return what the page shows of the scan and what is doubtful of it, whatever part is made."""
    from mountgen.page import Packed, pack_scan
    from mountgen.service.scan_check import judge_scan_use

    shown = spot.store.remember(
        make_key("shown", spot.recess_key), lambda: pack_scan(spot.recess),
        pack=lambda packed: Entry(facts=asdict(packed)), unpack=lambda entry: Packed.check(**entry.facts),
    )  # fmt: skip
    return shown, judge_scan_use(spot.scan, spot.recess, clearance=spot.recipe.fit.clearance)


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


def lay_ground(recipe: Recipe, *, store: Store, clock: Clock) -> Ground:
    """Do all that comes before the part: read the scan, find the mouth, build the space that a part may occupy.

    Arguments and errors as for `find_spot`.
    """
    return fit_ground(lay_space(find_spot(recipe, store=store, clock=clock), clock=clock), clock=clock)


def find_spot(recipe: Recipe, *, store: Store, clock: Clock) -> Spot:
    """Read the scan and find the mouth.

    Args:
        recipe: complete recipe.
        store: where results are kept.
        clock: times the stages and tells of findings.

    Raises:
        MountgenError: the scan is missing, or no recess is found in it.
    """
    materials = load_materials(recipe.sheet)
    material = find_material(recipe.material, materials)
    find_enlargement(recipe, material)  # or what it is to make good is not known: better said now than at the end

    with clock.stage("read the scan"):
        scan, scan_key = _recall_scan(recipe, store)
    for line in describe_scan(scan):
        clock.progress.say(line)

    with clock.stage("find mouth and draw direction"):
        recess_key = make_key("datum", scan_key, recipe.mouth.model_dump(mode="json"))
        recess = store.remember(
            recess_key, lambda: _unpack_recess(_beside_kernel(lambda: _pack_recess(find_datum(scan, mouth=recipe.mouth)))),
            pack=_pack_recess, unpack=_unpack_recess,
        )
    for line in describe_recess(recess):
        clock.progress.say(line)

    for note in list_odd_sizes(recipe, recess):
        clock.progress.say(f"note       {note}")
    asked, recipe = recipe, resolve_clearance(recipe, noise=scan.noise, rim=recess.rim, material=material)
    if recipe is not asked:
        clock.progress.say(f"clearance  {recipe.fit.clearance:g} mm, which is what a {recipe.fit.sits} fit needs here")
    return Spot(recipe, material, materials, scan, recess, recess_key, store)


def lay_space(spot: Spot, *, clock: Clock) -> Ground:
    """Build the space that a part may occupy; the scan is made ready to be asked for distances meanwhile.

    Raises:
        MountgenError: nothing is left of the space.
    """
    recipe, recess, store = spot.recipe, spot.recess, spot.store
    with clock.stage("build the insertable space"):
        shape = recipe.fit.model_dump(mode="json", exclude={"sits", "trim"})  # these two say nothing of the space
        key = make_key("field", spot.recess_key, shape)
        with ThreadPoolExecutor(1) as pool:
            ready = pool.submit(lambda: surface_of(recess).tree)
            space = store.remember(key, lambda: build_space(recess, fit=recipe.fit), pack=_pack_space, unpack=_unpack_space)
            ready.result()
    for note in list_raised_gaps(recipe, space):
        clock.progress.say(f"note       {note}")
    key = make_key("shell", key)
    return Ground(recipe, spot.material, spot.materials, spot.scan, recess, space, None, key, spot.recess_key, store)


def fit_ground(ground: Ground, *, clock: Clock) -> Ground:
    """Return the ground with wall and floor fitted to its space; without them where they cannot be."""
    assert ground.store is not None
    with clock.stage("fit wall and floor"):
        try:
            shell = ground.store.remember(
                ground.key, lambda: fit_clear_shell(ground.space, ground.recess, clearance=ground.gaps),
                pack=_pack_shell, unpack=_unpack_shell,
            )  # fmt: skip
        except LoftError:
            return ground
    return replace(ground, shell=shell)


def list_raised_gaps(recipe: Recipe, space: InsertableSpace) -> list[str]:
    """Return which gaps of the recipe are smaller than the space can tell, one sentence each; it leaves as much as that."""
    asked = {key: getattr(recipe.fit, key) for key in ("clearance", "floor", "walls", "rim")}
    return [
        f"fit.{key} = {gap:g} is less than can be told on a mouth of this size: about {space.pitch:.2f} mm are left"
        for key, gap in asked.items() if gap is not None and gap < space.pitch
    ]  # fmt: skip


def _beside_kernel(make: Callable[[], Entry]) -> Entry:
    """Do something that does not need the solid kernel; what is done to it afterwards does, and that is loaded meanwhile."""
    if "OCP" in sys.modules:
        return make()
    with beside(make) as done:
        load_kernel()
        return done()


def list_odd_sizes(recipe: Recipe, recess: Recess) -> list[str]:
    """Return what of the recipe's `[fit]` can be done but is hardly meant, one sentence each."""
    fit, notes = recipe.fit, []
    if fit.reach != "full" and fit.reach > recess.depth:
        notes.append(f"fit.reach = {fit.reach:g} is deeper than the recess ({recess.depth:.1f} mm): the part goes all the way in")
    low, high = recess.rim[:, :2].min(axis=0), recess.rim[:, :2].max(axis=0)
    narrow = float((high - low).min())
    for key in ("clearance", "floor", "walls", "rim"):
        gap = getattr(fit, key)
        if gap is not None and isfinite(gap) and 2.0 * gap > MUCH_GAP * narrow:  # auto is inf until it is resolved
            notes.append(f"fit.{key} = {gap:g} takes {2.0 * gap:.3g} of the mouth's {narrow:.0f} mm, half of it on each side")
    return notes


def build_part(ground: Ground) -> Part:
    """Make the part of a recipe; of facets throughout where the solid kernel does not get done with the smooth one.

    Raises:
        FeatureError: a feature does not fit.
        KernelError: it cannot be made of facets either.
    """
    from mountgen.features import add_features

    recipe, space, recess = ground.recipe, ground.space, ground.recess
    with keeping_solids(None if ground.store is None else partial(ground.store.recall_bytes, "solid")):
        try:
            return add_features(ground.shell, space, recess, recipe=recipe)
        except KernelError as error:
            if ground.shell is None:
                raise
            try:
                part = add_features(None, space, recess, recipe=recipe)
            except NO_FACETS:
                raise error from None
            return replace(part, notes=(f"made of facets throughout, because {error.what}", *part.notes))


def _make_of_facets(case: Case, ground: Ground, *, clock: Clock) -> Case:
    """Return the same part made of facets if that keeps clear of the scan, which the smooth one does not; else the smooth one."""
    from mountgen.features import add_features

    gap = min(case.inspection.rest.min, case.inspection.insertion.min)
    note = f"made of facets: smooth, it comes as near to the scan as {gap:.2f} mm ({case.inspection.rest.place})"
    with clock.stage("make it of facets"):
        try:
            part = add_features(None, ground.space, ground.recess, recipe=ground.recipe)
        except NO_FACETS:
            return case
    again = prove_part(part, ground, clock=clock, pictures=case.pictures)
    if any(check.verdict == "fail" for check in again.inspection.checks):
        return case
    for each in (note, *part.notes, *part.body.notes):
        clock.progress.say(f"note       {each}")
    return replace(again, part=replace(again.part, notes=(note, *part.notes)))


def prove_part(
    part: Part, ground: Ground, *, clock: Clock, wall_lines: int = WALL_LINES, pictures: bool = False,
    remake: Callable[[Recipe], Part] | None = None,
) -> Case:
    """Draw back a part's facets where they stand too near to the scan, and gauge what is then printed.

    Args:
        part: as made.
        ground: what it was made for.
        clock: times the stages.
        wall_lines: printed lines side by side that its walls need.
        pictures: whether the files of judges will be wanted.
        remake: makes the part of another recipe for the same scan, to find out what mends it; slow.

    Returns:
        Case: the part with its final mesh, ready to be judged.

    Raises:
        InspectionError: the part cannot be gauged.
    """
    from mountgen.features.device_advice import advise_thicker
    from mountgen.features.tab_place import is_beside
    from mountgen.inspection import inspect_body
    from mountgen.relief import relieve_mesh
    from mountgen.service.case import Case
    from mountgen.service.remake import make_trial
    from mountgen.service.sound_advice import advise_sound
    from mountgen.service.wall_advice import advise_wall
    from mountgen.thin import thin_mesh

    recipe, body = ground.recipe, part.body
    fits = partial(advise_thicker, part.suits, recipe, top=ground.recess.mouth_height)

    def advise(found: float, enough: float, place: Floats) -> str:
        tabs = getattr(recipe, "tabs", None)
        at_tab = tabs is not None and any(is_beside(tab, place, tabs) for tab in part.tabs)
        return advise_wall(recipe, thickness=found, enough=enough, at_tab=at_tab, fits=fits)

    with clock.stage("draw back facets"):
        body = replace(body, mesh=thin_mesh(body.mesh))
        part = replace(part, body=body)
        relieved = relieve_mesh(body.mesh, ground.recess, clearance=ground.gaps, soft=part.soft_faces())
        body = replace(body, mesh=relieved.mesh)
    with clock.stage("check the fit"):
        printer = recipe.printer
        inspection = inspect_body(
            body.mesh,
            ground.recess,
            **recipe.fit.model_dump(include={"clearance", "floor", "walls", "rim"}),
            wall_min=wall_lines * printer.line_width,
            line_width=printer.line_width,
            flexible=part.soft_faces(),
            probe=relieved.probe,
            advise_wall=advise,
            advise_sound=None if remake is None else lambda: advise_sound(recipe, partial(_is_whole, remake)),
        )
    case = Case(
        recipe=recipe, scan=ground.scan, recess=ground.recess, part=replace(part, body=body), material=ground.material,
        materials=ground.materials, inspection=inspection, pictures=pictures,
    )  # fmt: skip
    if remake is None:
        return case

    def prove(other: Recipe) -> Case:
        return prove_part(remake(other), replace(ground, recipe=other), clock=Clock(Quiet()), wall_lines=wall_lines)

    return replace(case, mends=make_trial(replace(case, pictures=False), prove))


def _spend() -> float:
    """Return the seconds of CPU that this process and its children have worked, or would have had to, had nothing been kept: with
    other settings a part is as much work as ever. On a busy machine the clock runs on.
    """
    return sum(os.times()[:4]) + count_saved()


def _is_whole(remake: Callable[[Recipe], Part], recipe: Recipe) -> bool:
    """Return whether a recipe's part can be made, is closed and one body, and has no shut hollow."""
    from mountgen.soundness import check_soundness

    try:
        mesh = remake(recipe).body.mesh
    except (FieldError, SectionError, *NO_FACETS):
        return False
    sound = check_soundness(np.asarray(mesh.vertices), np.asarray(mesh.faces))
    return sound.manifold and sound.pieces == 1 and not sound.hollows


@dataclass(frozen=True, eq=False)
class Whole:
    """What a fit gauge is held against. low, high: (2,) mm, corners of the part in plan; mass: g; seconds: both with support."""

    low: Floats
    high: Floats
    mass: float
    seconds: float


def sum_up_whole(part: Part, found: Finding) -> Whole:
    """Return what a gauge is held against. found: of the judge of the print."""
    corners, estimate = part.body.mesh.vertices[:, :2], found.facts["estimate"]
    return Whole(corners.min(axis=0), corners.max(axis=0), estimate["mass"] + estimate["support_mass"], estimate["time"])


def remember_whole(ground: Ground, store: Store, build: Callable[[], Whole]) -> Whole:
    """Return what a gauge is held against: a part takes longer to make than its gauge, and has mostly been made before."""
    shape = ground.recipe.model_dump(mode="json", exclude={"name", "note", "scan", "mouth", "place", "keep_out"})
    key = make_key("whole", ground.key, shape, repr(ground.material))
    return store.remember(
        key, build,
        pack=lambda whole: Entry({"low": whole.low, "high": whole.high}, {"mass": whole.mass, "seconds": whole.seconds}),
        unpack=lambda entry: Whole(
            entry.arrays["low"], entry.arrays["high"], float(entry.facts["mass"]), float(entry.facts["seconds"])
        ),
    )  # fmt: skip


def list_sources(recipe: Recipe) -> tuple[Path, ...]:
    """Return the files that a recipe names: scan, sheet, bodies of keep-outs.

    Raises:
        RecipeError: it names no scan.
    """
    if recipe.scan.file is None:
        raise RecipeError("no scan is named", "scan.file in the recipe", "set it, or give one with --scan FILE")
    bodies = (keep_out.file for keep_out in recipe.keep_out)
    return (recipe.scan.file, *(file for file in (recipe.sheet, *bodies) if file is not None))


def name_outputs(name: str) -> tuple[str, ...]:
    """Return the names of all files that a part called `name` may have, report and page last."""
    endings = [".stl", ".step", ".3mf", ".resolved.toml", *PICTURES, "-heat.png", "-pieces.3mf", *ENDINGS]
    endings += [*(f"-{letter}.stl" for letter in "abcdefgh"), *(f"-pin{size}.stl" for size in (8, 6, 5, 4, 3))]
    return (*(f"{name}{ending}" for ending in endings), "report.json", "report.html")


def guard_sources(sources: tuple[Path, ...], *, out: Path, names: tuple[str, ...]) -> None:
    """Make sure that the outputs can be written, and that none takes the place of something the part is made from.

    Raises:
        ExportError: it would, or they may not be written there.
    """
    check_folder(out)
    for source in sources:
        for name in names:
            target = out / name
            same = os.path.realpath(target) == os.path.realpath(source)  # no error where a link names itself
            if same or (target.exists() and source.exists() and target.samefile(source)):
                remedy = "give another folder with --out, or another name in the recipe"
                raise ExportError(f"{name} would overwrite what the part is made from", str(source), remedy)


def describe_scan(scan: Scan) -> list[str]:
    """Return what was read and mended, one finding a line."""
    size = np.subtract(*reversed(extent(scan.vertices)))
    lines = [
        f"scan       {scan.path.name}: {len(scan.faces)} triangles, unit {scan.unit}, "
        f"its box {size[0]:.0f} x {size[1]:.0f} x {size[2]:.0f} mm, spacing {scan.spacing:.2f} mm, "
        f"noise {scan.noise:.3f} mm"
    ]
    for mend in scan.mended:
        lines.append(f"mended     {mend.tell()}")
    return lines


def describe_recess(recess: Recess) -> list[str]:
    """Return mouth, draw direction and depth, one finding a line."""
    width, height = recess.rim[:, :2].max(axis=0) - recess.rim[:, :2].min(axis=0)
    x, y, z = recess.part_to_scan[:3, 2]
    lines = [
        f"mouth      {width:.1f} x {height:.1f} mm, {recess.depth:.1f} mm deep",
        f"draw       ({x:+.4f}, {y:+.4f}, {z:+.4f}) in the scan's axes",
    ]
    return lines + [f"note       {note}" for note in recess.notes]


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


def _recall_scan(recipe: Recipe, store: Store) -> tuple[Scan, str]:
    path = recipe.scan.file
    assert path is not None
    unit, bridge, dots = recipe.scan.unit, recipe.scan.bridge, recipe.scan.dots
    check_file(path)
    digest = sha256()
    try:
        with open(path, "rb") as file:
            while block := file.read(1 << 20):
                digest.update(block)
    except OSError as error:
        remedy = "check scan.file in the recipe, or give another with --scan FILE"
        raise ScanError(f"the scan cannot be read ({error.strerror})", str(path), remedy) from error
    # The suffix counts because the reader may go by it; the name and place of the file do not.
    key = make_key("scan", digest.hexdigest(), path.suffix.lower(), unit, bridge, dots)

    def read() -> Scan:
        parsed = parse_scan(path)  # what is no scan is told at once
        return _unpack_scan(_beside_kernel(lambda: _pack_scan(mend_scan(parsed, unit=unit, bridge=bridge, dots=dots))))

    scan = store.remember(key, read, pack=_pack_scan, unpack=_unpack_scan)
    return replace(scan, path=path), key


def _pack_scan(scan: Scan) -> Entry:
    facts = {name: getattr(scan, name) for name in ("sha256", "unit", "mm_per_unit", "spacing", "noise", "grain")}
    facts["path"] = str(scan.path)
    facts["mended"] = [[m.what, m.count, m.note] for m in scan.mended]
    return Entry(arrays={"vertices": scan.vertices, "faces": scan.faces}, facts=facts)


def _unpack_scan(entry: Entry) -> Scan:
    values: dict[str, Any] = {**entry.arrays, **entry.facts}
    mended = tuple(Mend(what, count, note) for what, count, note in values.pop("mended"))
    return Scan(**(values | {"path": Path(values["path"]), "mended": mended}))


def _pack_recess(recess: Recess) -> Entry:
    arrays = {n: getattr(recess, n) for n in ("vertices", "faces", "rim", "lid", "part_to_scan", "up")}
    facts = {"depth": recess.depth, "open_side_deg": recess.open_side_deg, "notes": list(recess.notes)}
    return Entry(arrays=arrays, facts=facts)


def _unpack_recess(entry: Entry) -> Recess:
    values: dict[str, Any] = {**entry.arrays, **entry.facts}
    side = values["open_side_deg"]
    values["open_side_deg"] = None if side is None else (side[0], side[1])
    return Recess(**(values | {"notes": tuple(values["notes"])}))


def _pack_space(space: InsertableSpace) -> Entry:
    facts: dict[str, Any] = {n: getattr(space, n) for n in ("pitch", "draft_deg", "top")}
    facts["origin"] = list(space.origin)
    facts["unseen"] = [[u.area, u.x, u.y] for u in space.unseen]
    arrays = {n: getattr(space, n) for n in ("height", "seen", "mouth", "lid")}
    return Entry(arrays=arrays, facts=facts)


def _unpack_space(entry: Entry) -> InsertableSpace:
    values: dict[str, Any] = {**entry.arrays, **entry.facts}
    x, y = values["origin"]
    unseen = tuple(UnseenArea(*each) for each in values["unseen"])
    return InsertableSpace(**(values | {"origin": (x, y), "unseen": unseen}))


def _pack_shell(shell: Shell) -> Entry:
    arrays: dict[str, Any] = {}
    facts: dict[str, Any] = {}

    def pack(each: Shell, prefix: str) -> None:
        for name, surface in (("wall", each.wall), ("floor", each.floor)):
            parts = {"u": surface.u.breaks, "v": surface.v.breaks, "poles": surface.poles}
            arrays.update({f"{prefix}{name}_{part}": array for part, array in parts.items()})
        facts[prefix] = [each.split_deg, each.overlap]

    pack(shell, "")
    for kind, shells in (("pocket", shell.pockets), ("post", shell.posts)):
        for k, each in enumerate(shells):
            pack(each, f"{kind}{k}_")
    return Entry(arrays=arrays, facts=facts)


def _unpack_shell(entry: Entry) -> Shell:
    def surface(name: str, *, periodic: bool) -> Surface:
        u, v, poles = (entry.arrays[f"{name}_{part}"] for part in ("u", "v", "poles"))
        return Surface(Axis(u, periodic), Axis(v, False), poles)

    def unpack(prefix: str) -> Shell:
        wall, floor = surface(f"{prefix}wall", periodic=True), surface(f"{prefix}floor", periodic=False)
        split_deg, overlap = entry.facts[prefix]
        return Shell(wall=wall, floor=floor, split_deg=split_deg, overlap=overlap)

    pockets, posts = (
        tuple(unpack(prefix) for prefix in entry.facts if prefix.startswith(kind)) for kind in ("pocket", "post")
    )
    return replace(unpack(""), pockets=pockets, posts=posts)
