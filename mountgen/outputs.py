"""Which files a recipe is made from and which a job may write: none of the latter takes the place of one of the former."""

from __future__ import annotations

import json
import os
from collections.abc import Collection
from pathlib import Path
from typing import TYPE_CHECKING

from mountgen.errors import ExportError, RecipeError
from mountgen.paper import ENDINGS
from mountgen.safe_write import check_folder

if TYPE_CHECKING:
    from mountgen.recipe import Recipe

PICTURES = ("-mouth.png", "-three-quarter.png", "-section.png", "-behind.png")  # endings, as in `part_picture.LOOKS`


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


def list_stale(name: str, *, out: Path, written: Collection[str]) -> tuple[str, ...]:
    """Return the names of a part's files in a folder that this job does not write: an earlier one left them."""
    return tuple(each for each in name_outputs(name) if each not in written and (out / each).is_file())


def tell_replaced(name: str, *, out: Path) -> str:
    """Return whose report stands in a folder if it is another part's than `name`; "" if none does."""
    try:
        told = json.loads((out / "report.json").read_bytes())["recipe"]["name"]
    except (OSError, ValueError, KeyError, TypeError):
        return ""
    return str(told) if told != name else ""


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
