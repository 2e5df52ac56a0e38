"""Do the retaining tabs last and hold: strain at the root, layers across it, rest, forces in and out, and what would pass."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from math import ceil, floor, inf, sqrt
from typing import Any

import numpy as np

from mountgen.features.tab_place import LEAD_DEG, RETURN_DEG, SPARE, UNSEEN, Tab, slot_width
from mountgen.features.tabs import TabTrial
from mountgen.kernel import Mesh
from mountgen.material import Material
from mountgen.place import describe_place
from mountgen.recipe import PhoneShelfRecipe
from mountgen.recipe_tables import RetainingTabs
from mountgen.service.case import Case, Finding
from mountgen.service.holding import list_loads, weigh
from mountgen.service.print_check import word_direction
from mountgen.service.print_orientation import ACROSS
from mountgen.service.tape_check import find_pads
from mountgen.service.tape_size import MOST_TRIED
from mountgen.snap import (
    FRICTION,
    SLENDER,
    Arm,
    Snap,
    find_deflection_force,
    find_fillet,
    find_mating_force,
    find_root_concentration,
    find_wall_factor,
    judge_snap,
)
from mountgen.stiffness import find_load
from mountgen.surface import Surface
from mountgen.verdict import Check, Verdict

AT_REST = 0.1  # mm of bending at rest that is taken for none: the scan's own error
HAND = 60.0  # N; what one hand pushes without bracing itself (our rule)
LENGTHS = (0.5, 1.0, 1.5, 2.0)  # mm by which other lengths are tried where the rounding at the root is not there
WIDEST = 3.0  # times its width that a wider arm is tried
FILLET_SHARE = 0.9  # of the fillet that is asked for, at least; facets cut a little off (our rule)
BEAM = f"beam theory, friction {FRICTION:g} (read)"


@dataclass(frozen=True)
class Forces:
    """Of both tabs together, N. push: to push the part in, at most; pull: to pull it out, at least."""

    push: float
    pull: float


def judge_tabs(case: Case) -> Finding:
    """Judge a part's retaining tabs.

    Args:
        case: the part and its surroundings; its best orientation says how the layers lie.

    Returns:
        Finding: empty for a part without tabs.

    Raises:
        EnduranceError: the material is not for snap arms.
    """
    recipe, made = case.recipe, case.part.tabs
    if not isinstance(recipe, PhoneShelfRecipe) or recipe.tabs is None or not made:
        return Finding()
    tabs = recipe.tabs
    lean = _lean_along(made, case.orientations[0].up)
    upright = lean > ACROSS
    turned = _name_better_layers(case, made) if upright else ""
    forces = find_forces(made, tabs, case.material)
    trial = case.part.trial
    checks = check_tabs(made, tabs, case.material, upright=upright, turned=turned, trial=trial)
    longer = None if trial is None else partial(advise_fillet, trial, tabs, case.material, upright=upright)
    checks += (judge_fillet(made, tabs, case.part.body.mesh, other=longer),)
    mass, _ = weigh(case, recipe)
    free = [find_load(mass, g_factor=load.g) for load in list_loads(case, (), mass=mass) if not load.held]
    if forces is not None:
        jolt = max(free, default=0.0)
        checks += _judge_forces(
            forces, tabs, jolt=jolt, taped=bool(case.part.pads), other=lambda: _advise_hold(case, recipe, tabs, forces.pull, jolt)
        )
    facts = _list_facts(made, tabs, case.material, upright=upright, lean=lean)
    facts |= {
        "push_n": None if forces is None else forces.push,
        "pull_n": None if forces is None else forces.pull,
        "jolt_n": max(free, default=0.0),
    }
    return Finding(checks=checks, facts=facts, notes=_list_notes(made, tabs, upright=upright))


def check_tabs(
    made: Sequence[Tab], tabs: RetainingTabs, material: Material, *,
    upright: bool, turned: str = "", trial: TabTrial | None = None,
) -> tuple[Check, ...]:
    """Judge the worst of the tabs on strain and rest.

    Args:
        made: the tabs as placed; tabs: as asked for.
        material: what they are printed of.
        upright: the layers lie across the arms.
        turned: what makes them lie along, for the remedy; "" if nothing does.
        trial: the part that tabs are cut into, to place others on it.

    Returns:
        Checks, in order: strain at the first fitting, strain when sprung often, rest.

    Raises:
        EnduranceError: the material is not for snap arms.
    """
    worst = max(made, key=_strains)
    arm = _arm_of(worst, tabs)
    once, often = (judge_snap(arm, worst.ride.deflection, material, repeated=r, upright=upright) for r in (False, True))
    remedy = _advise_length(often, made, tabs, upright, turned)
    where = describe_place(worst.axes[0].tolist())
    return (
        _judge_strain("tab strain at the first fitting", once, worst, upright, remedy, where, "fail"),
        _judge_strain("tab strain when sprung often", often, worst, upright, remedy, where, "caution"),
        _judge_rest(made, tabs, trial),
    )


def judge_fillet(
    made: Sequence[Tab], tabs: RetainingTabs, mesh: Mesh, *, other: Callable[[float], str] | None = None
) -> Check:
    """Judge the rounding behind the roots of the arms, felt by rays on the finished mesh: what the kernel may have left out.

    Args:
        made: the tabs as placed; tabs: as asked for.
        mesh: of the finished part, part frame, mm.
        other: finds what else could be set where the radius asked for, mm, is not there; "" for nothing.

    Returns:
        Check: the least radius found, against half the arm's thickness.
    """
    surface = Surface(mesh.vertices, mesh.faces)
    radii = [_feel_fillet(surface, tab, tabs) for tab in made]
    worst = int(np.argmin(radii))
    wanted = find_fillet(tabs.thickness)
    kept = radii[worst] >= FILLET_SHARE * wanted
    peak = find_root_concentration(max(radii[worst], 0.05 * tabs.thickness), tabs.thickness)
    source = (
        f"{FILLET_SHARE:g} (our rule, for facets) of half the arm's thickness, which moulders' pages suggest (read); stress "
        f"peaks there at {peak:.2f} times that of the beam (Roark's Formulas, table 17.1, read)"
    )
    advice = "" if kept or other is None else other(FILLET_SHARE * wanted)
    remedy = "" if kept else (
        f"the rounding is not there: {advice or f'round the corner with a file to {wanted:g} mm, or set tabs = false'}"
    )
    return Check(
        "fillet at the tab root", "pass" if kept else "caution", round(radii[worst], 3), round(FILLET_SHARE * wanted, 3), "mm",
        source, remedy, describe_place(made[worst].axes[0].tolist()),
    )  # fmt: skip


def advise_fillet(
    trial: TabTrial, tabs: RetainingTabs, material: Material, enough: float, *, upright: bool
) -> str:
    """Return the length nearest to a recipe's at which the rounding is there and the arm bears its strain; else "".

    Args:
        trial: the part that tabs are cut into.
        tabs: as asked for.
        material: what they are printed of.
        enough: radius that must be felt, mm.
        upright: the layers lie across the arms.
    """
    for change in (sign * step for step in LENGTHS for sign in (1.0, -1.0)):
        other = tabs.model_copy(update={"length": tabs.length + change})
        placed = trial.place(other) if other.length > max(tabs.thickness, tabs.hook) else ()
        if not placed or check_tabs(placed, other, material, upright=upright)[0].verdict == "fail":
            continue
        mesh = trial.cut(other)
        if mesh is not None and min(_feel_fillet(Surface(mesh.vertices, mesh.faces), tab, other) for tab in placed) >= enough:
            return f"set tabs.length = {other.length:g}, which has it"
    return ""


def _feel_fillet(surface: Surface, tab: Tab, tabs: RetainingTabs) -> float:
    """Return the radius between the arm's inner face and the slot's end, mm.

    A ray from the slot's middle finds each of the two, one aslant the rounding between: from the corner that both would make
    it is (sqrt(2) - 1) radii away.
    """
    origin, out, along, _ = tab.axes
    slot = slot_width(tabs)
    start = origin - (tab.thickness + 0.5 * slot) * out - 0.5 * tabs.length * along
    (face, end), _ = surface.cast(np.stack([start, start]), np.stack([out, -along]))
    corner = start + face * out - end * along
    diagonal = (out - along) / sqrt(2.0)
    inside = corner - 0.9 * min(face, end) * sqrt(2.0) * diagonal
    (run,), _ = surface.cast(inside[None], diagonal[None])
    away = 0.9 * min(face, end) * sqrt(2.0) - float(run)
    return float(max(away, 0.0) / (sqrt(2.0) - 1.0))


def find_forces(made: Sequence[Tab], tabs: RetainingTabs, material: Material) -> Forces | None:
    """Return the forces of all tabs; None where the material's modulus is not known.

    A real wall gives way at the root, so the arm pushes less than a rigid wall's: what has to be pushed in is taken from the
    rigid wall, what holds from the soft one.

    Args:
        made: the tabs as placed; tabs: as asked for.
        material: its modulus counts.
    """
    if material.modulus is None:
        return None
    push = pull = 0.0
    for tab in made:
        arm = _arm_of(tab, tabs)
        bent = find_deflection_force(arm, tab.ride.deflection, modulus=material.modulus.value)
        push += find_mating_force(bent, angle_deg=LEAD_DEG)
        rises = tab.ride.catch > AT_REST
        out = tab.ride.rest + tab.ride.catch if rises else tab.ride.rest
        held = find_deflection_force(arm, out, modulus=material.modulus.low) / find_wall_factor(arm)
        pull += find_mating_force(held, angle_deg=RETURN_DEG if rises else 0.0)
    return Forces(push, pull)


def _arm_of(tab: Tab, tabs: RetainingTabs) -> Arm:
    return Arm(length=tabs.length, thickness=tab.thickness, width=tabs.width)


def _strains(tab: Tab) -> float:
    return tab.thickness * tab.ride.deflection


def _lean_along(made: Sequence[Tab], up: Any) -> float:
    """Return how far the direction in which layers grow lies along the arms: 0 across them, 1 along."""
    return max(abs(float(tab.axes[2] @ up)) for tab in made)


def _name_better_layers(case: Case, made: Sequence[Tab]) -> str:
    """Return the recipe's words for the cheapest way up at which layers lie along the arms; "" if none was found."""
    for each in case.orient(any_way=True):
        if _lean_along(made, each.up) <= ACROSS and each.pose.spare >= 0.0:
            return f"set printer.layers_along = {word_direction(each.up)}"
    return ""


def _advise_length(often: Snap, made: Sequence[Tab], tabs: RetainingTabs, upright: bool, turned: str) -> str:
    """Say what length the material bears over and over, or what else where the wall has no room for it."""
    wanted = ceil(2.0 * often.length_needed) / 2.0
    if often.strain_pct <= often.allowed_pct:  # so it does, but across the layers: a shorter arm would be no help
        return f"layers lie across the arms: {turned or 'bend them slowly, and watch the roots for cracks'}"
    if wanted <= min(tab.longest for tab in made):
        advice = f"set tabs.length = {wanted:g}"
    else:
        spared = tabs.hook - (max(tab.ride.deflection for tab in made) - often.deflection_limit)
        hook = floor(10.0 * spared + 1e-6) / 10.0
        smaller = f"set tabs.hook = {hook:g}" if hook > 0.0 else "set tabs = false, and let tape hold the part ([tape])"
        advice = f"the end wall has no room for the {wanted:g} mm it takes: {smaller}"
    return f"layers lie across the arms, which halves what they bear: {turned}, or {advice}" if upright and turned else advice


def _judge_strain(name: str, snap: Snap, tab: Tab, upright: bool, remedy: str, where: str, beyond: Verdict) -> Check:
    verdict: Verdict = "pass" if snap.strain_pct <= snap.allowed_pct else beyond
    if verdict == "pass" and upright:
        verdict, remedy = "caution", remedy if "layers lie across" in remedy else f"layers lie across the arms: {remedy}"
    lies = "half of it, as layers lie across the arm" if upright else "layers lie along the arm"
    source = f"{snap.source} ({snap.tag}); {lies}; strain 1.5 h y / L² (read) at y = {tab.ride.deflection:.2f} mm"
    advice = "" if verdict == "pass" else remedy
    return Check(name, verdict, round(snap.strain_pct, 3), round(snap.allowed_pct, 3), "%", source, advice, where)


def _find_looser(tabs: RetainingTabs, hook: float, trial: TabTrial | None) -> float:
    """Return the largest hook up to one, mm, by tenths, that comes to rest where it is then placed; 0 if there is none."""
    while hook > 0.05 and trial is not None:
        placed = trial.place(tabs.model_copy(update={"hook": hook}))
        if placed and max(tab.ride.rest for tab in placed) <= AT_REST:
            break
        hook = round(hook - 0.1, 1)
    return hook


def _judge_rest(made: Sequence[Tab], tabs: RetainingTabs, trial: TabTrial | None) -> Check:
    """An arm that stays bent creeps, in a hot cabin within days, and holds less and less."""
    worst = max(made, key=lambda tab: tab.ride.rest)
    verdict: Verdict = "pass" if worst.ride.rest <= AT_REST else "caution"
    remedy = ""
    if verdict == "caution":
        hold = (
            "the scan has nothing to hook behind there, so the tabs hold by friction, which fades"
            if max(tab.ride.catch for tab in made) < AT_REST else "the arm stays a little bent at its seat"
        )  # fmt: skip
        looser = _find_looser(tabs, floor(10.0 * (tabs.hook - worst.ride.rest + AT_REST)) / 10.0, trial)
        smaller = f"set tabs.hook = {looser:g}" if looser > 0.0 else "set tabs = false"
        remedy = f"{hold}: {smaller}, and let tape hold the part ([tape])"
    source = "our rule: a snap arm must come back to rest; 0.1 mm is the scan's own error"
    return Check(
        "tab bent at its seat", verdict, round(worst.ride.rest, 3), AT_REST, "mm", source, remedy,
        describe_place(worst.axes[0].tolist()),
    )  # fmt: skip


def _advise_hold(case: Case, recipe: PhoneShelfRecipe, tabs: RetainingTabs, pull: float, jolt: float) -> str:
    """Return the narrowest arms that hold against a jolt, N, and the smallest pads, each tried; else the device that is held."""
    options = []
    wider = None if case.part.trial is None else find_width(case.part.trial, tabs, case.material, jolt)
    if wider is not None:
        options.append(f"set tabs.width = {wider:g}")
    pads = find_pads(case, recipe)
    if pads is not None:
        options.append(f"set tape.count = {pads.count} and tape.length = {pads.length:g} and tape.width = {pads.width:g}")
    if not options:
        mass, _ = weigh(case, recipe)  # a jolt's force goes with it
        lighter = floor(1000.0 * (pull / jolt * mass - (mass - recipe.device.mass)) + 1e-6) / 1000.0
        otherwise = "set tabs = false, and fasten the part otherwise"
        bears = f"set device.mass = {lighter:g}, which they hold" if lighter > 0.0 else otherwise
        options = [f"no wider arms and no {MOST_TRIED} tape pads that hold have room: {bears}"]
    return ", or ".join(options)


def find_width(trial: TabTrial, tabs: RetainingTabs, material: Material, pull: float) -> float | None:
    """Return the least width of arms that hold against a pull and can be pushed in by hand, to half a mm; None for none.

    Args:
        trial: the part that tabs are cut into. tabs: as asked for. material: its modulus counts. pull: N.
    """
    least = ceil(2.0 * tabs.width + 1.0) / 2.0
    for width in np.arange(least, WIDEST * tabs.width + 1e-9, 0.5):
        other = tabs.model_copy(update={"width": float(width)})
        placed = trial.place(other)
        forces = find_forces(placed, other, material) if placed else None
        if forces is None or forces.push > HAND:
            return None  # wider ones still less
        if forces.pull >= pull:
            return float(width)
    return None


def _judge_forces(
    forces: Forces, tabs: RetainingTabs, *, jolt: float, taped: bool, other: Callable[[], str] | None = None
) -> tuple[Check, ...]:
    """Judge both forces. jolt: N, that no recess holds; taped: whether tape does; other: finds what would."""
    easy: Verdict = "pass" if forces.push <= HAND else "caution"
    thinner = floor(10.0 * tabs.thickness * (HAND / forces.push) ** (1.0 / 3.0)) / 10.0 if forces.push > 0.0 else inf
    narrower = floor(2.0 * tabs.width * HAND / forces.push) / 2.0 if forces.push > 0.0 else inf
    keys = f"tabs.width = {narrower:g} or tabs.thickness = {thinner:g}" if narrower >= 3.0 else f"tabs.thickness = {thinner:g}"
    asked = 0.0 if taped else jolt
    holds: Verdict = "pass" if forces.pull >= asked else "caution"
    wanted = "nothing is asked of it, as tape holds the part" if taped else "a jolt of part and device that no recess holds"
    return (
        Check(
            "force to push in", easy, round(forces.push, 1), HAND, "N",
            f"our rule: one hand; {BEAM}, wall taken as rigid, so rather too much", "" if easy == "pass" else f"set {keys}",
        ),
        Check(
            "force to pull out", holds, round(forces.pull, 1), round(asked, 1), "N",
            f"{BEAM}, wall taken as soft; limit: {wanted} (our rule, no crash); never count on it alone",
            "" if holds == "pass" else f"a jolt may throw the part out: {other() if other else 'add tape pads ([tape])'}",
        ),
    )  # fmt: skip


def _list_facts(made: Sequence[Tab], tabs: RetainingTabs, material: Material, *, upright: bool, lean: float) -> dict[str, Any]:
    """Return both verdicts on the layers, of which `layers_across` says which one holds."""
    worst = max(made, key=_strains)
    arm, bend = _arm_of(worst, tabs), worst.ride.deflection
    snaps = {(r, u): judge_snap(arm, bend, material, repeated=r, upright=u) for r in (False, True) for u in (False, True)}
    factor, fillet = find_wall_factor(arm), find_fillet(tabs.thickness)
    strain = snaps[False, False].strain_pct
    return {
        "strain_pct": strain,
        "strain_soft_wall_pct": strain / factor,
        "wall_factor": factor,
        "slender": arm.length > SLENDER * arm.thickness,
        "allowed_once_pct": {"along": snaps[False, False].allowed_pct, "across": snaps[False, True].allowed_pct},
        "allowed_often_pct": {"along": snaps[True, False].allowed_pct, "across": snaps[True, True].allowed_pct},
        "length_needed": {"along": snaps[True, False].length_needed, "across": snaps[True, True].length_needed},
        "longest": min(tab.longest for tab in made),
        "layers_across": upright,
        "layers_lean": lean,
        "fillet": fillet,
        "stress_concentration": find_root_concentration(fillet, tabs.thickness),
        "tabs": [
            {
                "name": tab.name, "crest": tab.axes[0], "thickness": tab.thickness, "bent_way_in": tab.ride.deflection,
                "bent_at_rest": tab.ride.rest, "catch": tab.ride.catch, "unseen_share": tab.ride.unseen,
            }
            for tab in made
        ],
    }  # fmt: skip


def _list_notes(made: Sequence[Tab], tabs: RetainingTabs, *, upright: bool) -> tuple[str, ...]:
    notes = [f"retaining tabs: printed so, the layers lie {'across' if upright else 'along'} the arms"]
    for tab in made:
        if tab.ride.deflection < AT_REST:
            reach = tabs.hook - tab.ride.deflection + SPARE
            notes.append(f"{tab.name}: the hook touches no scan; tabs.hook = {reach:.1f} would reach it")
        elif tab.ride.unseen > UNSEEN:
            share = f"{100 * tab.ride.unseen:.0f} %"
            notes.append(f"{tab.name}: {share} of the hook's way was not scanned, so it may bend farther")
    return tuple(notes)
