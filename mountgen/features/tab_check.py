"""Verdicts on retaining tabs: strain at the root, whether they come back to rest, and the forces in and out."""

from __future__ import annotations

from math import ceil, floor

from mountgen.features.tab_place import (
    LEAD_DEG,
    RETURN_DEG,
    SPARE,
    Tab,
    find_room,
    list_places,
    longest_arm,
)
from mountgen.material import Material
from mountgen.place import describe_place
from mountgen.recipe import RetainingTabs
from mountgen.snap import Arm, Snap, find_deflection_force, find_mating_force, judge_snap
from mountgen.surface import Surface
from mountgen.verdict import Check, Verdict

AT_REST = 0.1  # mm of bending at rest that is taken for none: the scan's own error
UNSEEN = 0.2  # share of the hook's way without scan from which the measurement says too little
HAND = 60.0  # N; what one hand pushes without bracing itself (our rule)


def judge_tabs(
    body: Surface, made: tuple[Tab, ...], tabs: RetainingTabs, material: Material, upright: bool
) -> tuple[tuple[Check, ...], tuple[str, ...]]:
    """Judge the worst of the tabs on each count."""
    worst = max(made, key=lambda tab: tab.thickness * tab.ride.deflection)
    where = describe_place(worst.axes[0].tolist())
    arm = Arm(length=tabs.length, thickness=worst.thickness, width=tabs.width)
    once = judge_snap(arm, worst.ride.deflection, material, upright=upright)
    often = judge_snap(arm, worst.ride.deflection, material, repeated=True, upright=upright)
    checks = [_judge_strain(once, often, made, body, tabs, where), _judge_rest(made)]
    notes = [f"retaining tabs: {note}" for note in once.notes]
    for tab in made:
        if tab.ride.deflection < AT_REST:
            notes.append(f"{tab.name}: the hook touches no scan; tabs.hook = {_gap_at(tab, tabs) + SPARE:.1f} would reach it")
        elif tab.ride.unseen > UNSEEN:
            notes.append(f"{tab.name}: {100 * tab.ride.unseen:.0f} % of the hook's way was not scanned, so it may bend farther")
    if material.modulus is not None:
        checks += _judge_forces(made, tabs, material.modulus.value)
    return tuple(checks), tuple(notes)


def _gap_at(tab: Tab, tabs: RetainingTabs) -> float:
    return tabs.hook - tab.ride.deflection


def _judge_strain(once: Snap, often: Snap, made: tuple[Tab, ...], body: Surface, tabs: RetainingTabs, where: str) -> Check:
    """A strain the material bears once fails no part, but the arm must not be sprung often."""
    judged = once if once.strain_pct > often.allowed_pct else often
    verdict: Verdict = "fail" if once.verdict == "fail" else "pass" if often.verdict == "pass" else "caution"
    remedy = ""
    if verdict != "pass":
        wanted = ceil(2.0 * often.length_needed) / 2.0
        room = find_room(tabs)
        longest = min(longest_arm(list_places(body, tab.place.side, room), room) for tab in made)
        bears = "more than it bears even once" if verdict == "fail" else "borne a few times, not over and over"
        if often.verdict == "caution":
            remedy = "print the part so that its layers lie along the arms"
        elif wanted <= longest:
            remedy = f"{bears}: set tabs.length = {wanted:g}"
        else:
            spared = tabs.hook - (max(tab.ride.deflection for tab in made) - judged.deflection_limit)
            remedy = f"{bears}: set tabs.hook = {max(0.1, floor(10.0 * spared) / 10.0):g}, or make tabs.thickness less"
    source = f"{judged.source} ({judged.tag}); strain 1.5 h y / L² at y = {max(t.ride.deflection for t in made):.2f} mm"
    limit = once.allowed_pct if verdict == "fail" else often.allowed_pct
    return Check("tab strain", verdict, round(once.strain_pct, 3), limit, "%", source, remedy, where)


def _judge_rest(made: tuple[Tab, ...]) -> Check:
    """An arm that stays bent creeps, in a hot cabin within days, and holds less and less."""
    worst = max(made, key=lambda tab: tab.ride.rest)
    verdict: Verdict = "pass" if worst.ride.rest <= AT_REST else "caution"
    remedy = ""
    if verdict == "caution":
        hold = (
            "the scan has nothing to hook behind there, so the tabs hold by friction, which fades"
            if max(tab.ride.catch for tab in made) < AT_REST else "the arm stays a little bent at its seat"
        )  # fmt: skip
        remedy = f"{hold}: add tape pads, or a smaller tabs.hook"
    source = "our rule: a snap arm must come back to rest; 0.1 mm is the scan's own error"
    return Check(
        "tab bent at its seat", verdict, round(worst.ride.rest, 3), AT_REST, "mm", source, remedy,
        describe_place(worst.axes[0].tolist()),
    )  # fmt: skip


def _judge_forces(made: tuple[Tab, ...], tabs: RetainingTabs, modulus: float) -> list[Check]:
    """Sum the forces of both tabs, in and out."""
    push = pull = 0.0
    for tab in made:
        arm = Arm(length=tabs.length, thickness=tab.thickness, width=tabs.width)
        push += find_mating_force(find_deflection_force(arm, tab.ride.deflection, modulus=modulus), angle_deg=LEAD_DEG)
        rises = tab.ride.catch > AT_REST
        held = find_deflection_force(arm, tab.ride.rest + tab.ride.catch if rises else tab.ride.rest, modulus=modulus)
        pull += find_mating_force(held, angle_deg=RETURN_DEG if rises else 0.0)
    verdict: Verdict = "pass" if push <= HAND else "caution"
    remedy = "" if verdict == "pass" else "make tabs.thickness or tabs.width less, or tabs.length more"
    rule = "beam theory, friction 0.5; too high for short arms"
    return [
        Check("force to push in", verdict, round(push, 1), HAND, "N", f"our rule: one hand; {rule}", remedy),
        Check("force to pull out", "pass", round(pull, 1), None, "N", f"{rule}: do not count on it for holding"),
    ]
