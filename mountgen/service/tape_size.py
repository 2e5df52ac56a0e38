"""The smallest pads that would hold: smaller ones where they are, larger or more ones placed anew."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from math import ceil, isfinite

from mountgen.datum import Recess
from mountgen.errors import FeatureError
from mountgen.features.part import Part
from mountgen.features.tape_pads import plan_pads
from mountgen.recipe_tables import TapePads
from mountgen.service.tape_bond import Bond, PadGauge

LARGEST = 3.0  # times its length or width that a pad is made larger at most
TRIES = 3  # for one way of making pads larger; where the floor is bowed a longer pad bonds less of its length
MORE = 1.1  # times as large as before is each try
REMADE = 1.5  # mm by which the part's face may lie off the plane of a pad that is not made yet
MOST_PADS = 12  # that a recipe may ask for
USUAL_WIDTH, LONGEST = 20.0, 200.0  # mm; of pads for a part that has none
MOST_TRIED = 4  # such pads
THICKEST, THICKER = 1.6, 0.1  # mm, of tape in stock (common practice), and steps in which thicker tape is looked at
FULL = 0.9  # share of the pads that bonds, from which thicker tape bonds little more


def find_enough(
    part: Part, recess: Recess, gauge: PadGauge, *, tape: TapePads, times: float, holds: Callable[[Sequence[Bond]], bool]
) -> TapePads | None:
    """Return the smallest pads that hold.

    Args:
        part: finished, with its pads. recess: the scan.
        gauge: of both.
        tape: the recipe's pads.
        times: the area that is needed over that of these pads, as far as a rule of three says.
        holds: whether pads that bond so hold.

    Returns:
        Pads of thicker tape where these bond only in part, else of another length, else width, else number; None where none were
        found that hold.

    Raises:
        Nothing.
    """
    sizes = tape.model_dump(include={"length", "width", "thickness", "compression"})
    if holds([gauge.feel(pad, **sizes) for pad in part.pads]):
        for length in range(max(1, ceil(tape.length * times)), ceil(tape.length)):
            if holds([gauge.feel(pad, **sizes | {"length": float(length)}) for pad in part.pads]):
                return tape.model_copy(update={"length": float(length)})
        return tape
    for thickness in _list_thicker(tape, [gauge.feel(pad, **sizes) for pad in part.pads]):
        if holds([gauge.feel(pad, **sizes | {"thickness": thickness}) for pad in part.pads]):
            return tape.model_copy(update={"thickness": thickness})
    avoid = [zone for zone in part.soft if not zone.name.startswith("tape pad")]
    for wanted in _list_larger(tape, times):
        try:
            pads = plan_pads(part.body.mesh, recess, tape=wanted, avoid=avoid).pads
        except FeatureError:
            continue
        sizes |= {"length": wanted.length, "width": wanted.width}
        if holds([gauge.feel(pad, **sizes, off=REMADE) for pad in pads]):
            return wanted
    return None


def find_new_pads(
    part: Part, recess: Recess, gauge: PadGauge, *, needed: float, holds: Callable[[Sequence[Bond]], bool]
) -> TapePads | None:
    """Return the fewest and shortest pads that hold a part which has none, of tape of a usual width.

    Args:
        part: finished; no pad may reach into its tabs.
        recess: the scan.
        gauge: of both.
        needed: area that must bond, mm².
        holds: whether pads that bond so hold.

    Returns:
        Pads; None where none were found that have room and hold.

    Raises:
        Nothing.
    """
    for count in range(1, MOST_TRIED + 1):
        for k in range(TRIES):
            length = float(ceil(max(needed / (count * USUAL_WIDTH), USUAL_WIDTH) * MORE**k))
            if length > LONGEST:
                break
            tape = TapePads(count=count, length=length, width=USUAL_WIDTH)
            try:
                pads = plan_pads(part.body.mesh, recess, tape=tape, avoid=part.soft).pads
            except FeatureError:
                break  # longer ones have less room
            sizes = tape.model_dump(include={"length", "width", "thickness", "compression"})
            if holds([gauge.feel(pad, **sizes, off=REMADE) for pad in pads]):
                return tape
    return None


def _list_thicker(tape: TapePads, bonds: Sequence[Bond]) -> list[float]:
    """Return thicker tape, mm, thinnest first, where that would bond more of the pads: it follows more of what the gap varies."""
    if sum(bond.area for bond in bonds) >= FULL * sum(bond.length * bond.width for bond in bonds):
        return []
    steps = round((THICKEST - tape.thickness) / THICKER)
    return [round(tape.thickness + THICKER * (k + 1), 2) for k in range(steps)]


def _list_larger(tape: TapePads, times: float) -> Iterator[TapePads]:
    """Yield longer pads, then wider ones, then more of them, each rising from what would do if all of it bonds."""
    if not isfinite(times):
        return
    for key, size in (("length", tape.length), ("width", tape.width)):
        for k in range(TRIES):
            larger = float(ceil(size * max(times, 1.0) * MORE**k))
            if size < larger <= LARGEST * size:
                yield tape.model_copy(update={key: larger})
    for count in range(max(tape.count + 1, ceil(tape.count * times)), min(tape.count + TRIES, MOST_PADS) + 1):
        yield tape.model_copy(update={"count": count})
