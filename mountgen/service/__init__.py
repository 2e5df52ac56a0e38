"""Stage 7: will it survive the vehicle. One module a question; each takes the `Case` and returns a `Finding`."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from mountgen.service.case import Case, Finding
from mountgen.service.edge_check import judge_edges
from mountgen.service.fit_stack import judge_fit_stack
from mountgen.service.heat_check import judge_heat
from mountgen.service.keep_out import judge_keep_outs
from mountgen.service.load_check import judge_load
from mountgen.service.material_swap import suit_material
from mountgen.service.print_check import judge_print
from mountgen.service.scan_check import judge_scan_use
from mountgen.service.surroundings import judge_surroundings
from mountgen.service.tab_check import judge_tabs
from mountgen.service.tape_check import judge_tape

JUDGES: dict[str, Callable[[Case], Finding]] = {
    "scan": lambda case: judge_scan_use(case.scan, case.recess, clearance=min(case.recipe.fit.gaps.values())),
    "heat": judge_heat,
    "load": judge_load,
    "tabs": judge_tabs,
    "tape": judge_tape,
    "fit_stack": judge_fit_stack,
    "print": judge_print,
    "edges": judge_edges,
    "keep_outs": judge_keep_outs,
    "surroundings": judge_surroundings,
}


def judge_service(case: Case, *, known: Mapping[str, Finding] = MappingProxyType({})) -> dict[str, Finding]:
    """Ask every judge about a finished part.

    Args:
        case: the part and its surroundings.
        known: what has been found before, by question.

    Returns:
        dict: question ("heat", "load", ...) to what was found, in the order asked; where the heat asks for another material
        what is advised elsewhere goes with that.

    Raises:
        MountgenError: the recipe asks for what cannot be judged.
    """
    found = {question: known[question] if question in known else judge(case) for question, judge in JUDGES.items()}
    return suit_material(case, found, JUDGES)
