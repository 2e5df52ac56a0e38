"""How much clearance a recipe's part needs: the fit stack with the scan's noise, the printer, the plastic and the place.

A part is centred in its recess as well as the gaps allow, so what grows with size counts from the middle: half the width of
the mouth for the printer's tolerance, for shrinkage and for expansion.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, isfinite
from typing import TYPE_CHECKING

import numpy as np

from mountgen.arrays import Floats
from mountgen.errors import MaterialError, RecipeError
from mountgen.material import Material, Quantity, load_materials
from mountgen.parked import find_service_temperature
from mountgen.recipe_fields import AUTO
from mountgen.tolerance import (
    COLDEST_C,
    FITS,
    FitClass,
    FitStack,
    find_closing,
    find_closing_spread,
    find_fit_class,
    find_print_tolerance,
    find_shrink_scale,
    stack_fit,
)

if TYPE_CHECKING:
    from mountgen.recipe import Recipe

__all__ = [
    "Stack",
    "find_enlargement",
    "find_hottest",
    "find_trim_expansion",
    "measure_mouth",
    "resolve_clearance",
    "stack_recipe",
]

FINEST = 0.01  # mm; a clearance that is found is rounded up to this

_CARRIERS = {"pp": "pp", "abs": "abs", "pc": "pc", "pc-abs": "pc-abs", "pet": "petg", "nylon": "pa12"}
"""Trim to the row of the material table whose expansion it has; the other trims are skins on a carrier of some plastic."""

UNKNOWN_EXPANSION = Quantity(
    75.0, 50.0, 100.0, "µm/(m·K)", "not known: from the lowest of PC-ABS to the highest of ABS and PP in the table", "our rule"
)


@dataclass(frozen=True)
class Stack:
    """The fit stack of a recipe's part.

    fit   : the class that is asked for.  stack: of that class.  classes: needed by each class, mm.
    size  : across the mouth, mm.  tolerance: of a printed wall, plus or minus, mm.
    hottest_c, coldest_c : between which the part lives, °C.
    part_expansion, trim_expansion : what was taken for them.
    shrinkage_opens : by which shrinkage that is not made good widens the gap, mm per side.
    scale : by which STL and 3MF are enlarged.
    """

    fit: FitClass
    stack: FitStack
    classes: dict[str, float]
    size: float
    tolerance: float
    hottest_c: float
    coldest_c: float
    part_expansion: Quantity
    trim_expansion: Quantity
    shrinkage_opens: float
    scale: float

    @property
    def needed(self) -> float:
        """Clearance that is needed, rounded up, mm per side."""
        return ceil(self.stack.needed / FINEST - 1e-6) * FINEST


def measure_mouth(rim: Floats) -> float:
    """Return the larger size of a mouth, mm. rim: (K, 3) float64, mm, part frame."""
    return float(np.ptp(rim[:, :2], axis=0).max())


def stack_recipe(recipe: Recipe, *, noise: float, size: float, material: Material) -> Stack:
    """Return what clearance the fit that a recipe asks for needs, and what it is made of.

    Args:
        recipe: its fit, printer and place.
        noise: of the scan, one standard deviation, mm.
        size: of the part across the mouth, mm.
        material: that of the recipe.

    Returns:
        Stack.

    Raises:
        MaterialError: the part is to be enlarged by the material's shrinkage, which is not known.
        EnduranceError: a value that cannot be.

    References:
        `tolerance.stack_fit`.
    """
    fit = find_fit_class(recipe.fit.sits)
    hottest = find_hottest(recipe)
    part = material.expansion or UNKNOWN_EXPANSION
    trim = find_trim_expansion(recipe.fit.trim)
    closing = find_closing(size, part_expansion=part.value, trim_expansion=trim.value, hottest_c=hottest)
    spread = find_closing_spread(size, part_expansion=part, trim_expansion=trim, hottest_c=hottest)
    tolerance = find_print_tolerance(size / 2.0) if recipe.printer.tolerance is None else recipe.printer.tolerance
    by_table = recipe.printer.shrinkage == "material"

    def stack(fit: FitClass) -> FitStack:
        return stack_fit(
            fit, u_scan=noise, size=size, thermal=closing, u_thermal=spread, print_tolerance=tolerance,
            shrinkage=material.shrinkage_pct if by_table else None,
        )  # fmt: skip

    opens = 0.0
    if recipe.printer.shrinkage is None and material.shrinkage_pct is not None:
        opens = size / 2.0 * material.shrinkage_pct.value / 100.0
    return Stack(
        fit=fit, stack=stack(fit), classes={key: stack(each).needed for key, each in FITS.items()}, size=size,
        tolerance=tolerance, hottest_c=hottest, coldest_c=COLDEST_C, part_expansion=part, trim_expansion=trim,
        shrinkage_opens=opens, scale=find_enlargement(recipe, material),
    )  # fmt: skip


def resolve_clearance(recipe: Recipe, *, noise: float, rim: Floats, material: Material) -> Recipe:
    """Return the recipe with a number for its clearance, where it asks for as much as the fit needs.

    Args:
        recipe: any recipe.
        noise: of the scan, one standard deviation, mm.
        rim: (K, 3) float64, mm, part frame.
        material: that of the recipe.

    Returns:
        The recipe itself where it gives a number.

    Raises:
        RecipeError: the noise is not known, or the clearance would be more than a recipe may ask for.
        MaterialError, EnduranceError: as `stack_recipe`.
    """
    if recipe.fit.clearance != AUTO:
        return recipe
    if not isfinite(noise):
        raise RecipeError("the scan's noise could not be measured", "fit.clearance", "give a number, such as 0.5")
    needed = stack_recipe(recipe, noise=noise, size=measure_mouth(rim), material=material).needed
    checked = type(recipe.fit).model_validate({**recipe.fit.model_dump(), "clearance": min(round(needed, 2), 20.0)})
    if needed > checked.clearance + FINEST:
        what = f"a {recipe.fit.sits} fit would need a clearance of {needed:.1f} mm"
        raise RecipeError(what, "fit.clearance", f"scan again: the noise is {noise:.2f} mm")
    return recipe.model_copy(update={"fit": checked})


def find_hottest(recipe: Recipe) -> float:
    """Return how warm the part gets in its place, °C."""
    return find_service_temperature(recipe.place)


def find_trim_expansion(trim: str | None) -> Quantity:
    """Return the expansion of the trim around the recess, µm/(m·K); a wide range where its plastic is not known."""
    row = None if trim is None else _CARRIERS.get(trim)
    known = None if row is None else load_materials()[row].expansion
    return UNKNOWN_EXPANSION if known is None else known


def find_enlargement(recipe: Recipe, material: Material) -> float:
    """Return the factor by which the STL and 3MF files are enlarged; 1 where that is not asked for.

    Args:
        recipe: its `printer.shrinkage` says.
        material: gives the shrinkage where the recipe asks for that of its table.

    Returns:
        Factor, 1 or more.

    Raises:
        MaterialError: the material's shrinkage is not known.
    """
    asked = recipe.printer.shrinkage
    if asked is None:
        return 1.0
    if asked != "material":
        return find_shrink_scale(asked)
    if material.shrinkage_pct is None:
        remedy = "measure a printed bar of 100 mm and give its %"
        raise MaterialError(f"the shrinkage of {material.name} is not known", "printer.shrinkage", remedy)
    return find_shrink_scale(material.shrinkage_pct.value)
