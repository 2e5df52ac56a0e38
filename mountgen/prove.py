"""A part made for its ground, and held against the scan: of facets where the smooth one cannot be made or does not keep clear."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from mountgen.datum import lid_height
from mountgen.errors import FeatureError, FieldError, InspectionError, KernelError, LoftError, SectionError
from mountgen.progress import Clock, Quiet
from mountgen.solid_store import keeping_solids

if TYPE_CHECKING:
    from mountgen.arrays import Floats
    from mountgen.features.part import Part
    from mountgen.ground import Ground
    from mountgen.recipe import Recipe
    from mountgen.service.case import Case

NO_FACETS = (FeatureError, KernelError, LoftError)  # a part cannot be made of facets either
WALL_LINES = 3  # printed lines side by side that make a wall which bears a little handling; common practice


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
    from mountgen.kernel import follow_facets
    from mountgen.relief import relieve_mesh
    from mountgen.service.case import Case
    from mountgen.service.remake import make_trial
    from mountgen.service.sound_advice import advise_sound
    from mountgen.service.wall_advice import advise_below, advise_deck, advise_wall, is_solid
    from mountgen.thin import thin_mesh

    recipe, body = ground.recipe, part.body
    fits = partial(advise_thicker, part.suits, recipe, top=ground.recess.mouth_height)

    def advise(found: float, enough: float, place: Floats) -> str:
        tabs = getattr(recipe, "tabs", None)
        at_tab = tabs is not None and any(is_beside(tab, place, tabs) for tab in part.tabs)
        return advise_wall(recipe, thickness=found, enough=enough, at_tab=at_tab, fits=fits, move_face=partial(move_face, place))

    def prove(other: Recipe) -> Case:
        assert remake is not None
        return prove_part(remake(other), replace(ground, recipe=other), clock=Clock(Quiet()), wall_lines=wall_lines)

    def move_face(place: Floats, lack: float) -> str | None:
        if remake is None:
            return None
        passes, depth = partial(_is_thick, prove), float(lid_height(ground.recess.lid, place[0], place[1]) - place[2])
        deck = advise_deck(recipe, lack, passes=passes)
        shell = ground.shell  # a plug of facets, or one with pockets and posts, takes too long to be made again
        slow = body.faceted or shell is None or shell.pockets or shell.posts
        return deck if deck or slow else advise_below(recipe, depth, passes=passes)

    with clock.stage("draw back facets"):
        body = replace(body, mesh=thin_mesh(body.mesh))
        part = replace(part, body=body)
        relieved = relieve_mesh(body.mesh, ground.recess, clearance=ground.gaps, soft=part.soft_faces())
        body = replace(body, mesh=relieved.mesh)
        if body.faceted:  # facets lack more than smooth faces do, and those of the STEP file are the same
            body = replace(body, solid=follow_facets(body.solid, body.mesh))
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
            runs_out=is_solid(recipe),
            advise_sound=None if remake is None else lambda: advise_sound(recipe, partial(_is_whole, remake)),
        )
    case = Case(
        recipe=recipe, scan=ground.scan, recess=ground.recess, part=replace(part, body=body), material=ground.material,
        materials=ground.materials, inspection=inspection, pictures=pictures,
    )  # fmt: skip
    if remake is None:
        return case
    return replace(case, mends=make_trial(replace(case, pictures=False), prove))


def make_of_facets(case: Case, ground: Ground, *, clock: Clock) -> Case:
    """Return the same part made of facets if that keeps clear of the scan, which the smooth one does not; else the smooth one.

    Args:
        case: the smooth part, proved.
        ground: what it was made for.
        clock: times the stages, and tells of the notes if the part is taken.

    Returns:
        Case: of facets, with a note that says why; or `case` itself where that cannot be made or fails as well.

    Raises:
        InspectionError: the part of facets cannot be gauged.
    """
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


def _is_whole(remake: Callable[[Recipe], Part], recipe: Recipe) -> bool:
    """Return whether a recipe's part can be made, is closed and one body, and has no shut hollow."""
    from mountgen.soundness import check_soundness

    try:
        mesh = remake(recipe).body.mesh
    except (FieldError, SectionError, *NO_FACETS):
        return False
    sound = check_soundness(np.asarray(mesh.vertices), np.asarray(mesh.faces))
    return sound.manifold and sound.pieces == 1 and not sound.hollows


def _is_thick(prove: Callable[[Recipe], Case], recipe: Recipe) -> bool:
    """Return whether a recipe's part can be made, is thick enough everywhere, and fits as before."""
    try:
        case = prove(recipe)
    except (FieldError, InspectionError, SectionError, *NO_FACETS):
        return False
    checks = (*case.inspection.checks, *case.part.checks)
    thick = all(check.verdict == "pass" for check in checks if check.name == "wall thickness")
    return thick and not any(check.verdict == "fail" for check in checks)
