"""From a raw scan of a recess and a short recipe to a printed part that goes in.

Names are loaded when first used, so that `import mountgen` and `mountgen --help` cost next to nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from mountgen.datum import Recess, find_datum
    from mountgen.errors import MountgenError
    from mountgen.export import export_part
    from mountgen.features import add_features
    from mountgen.features.part import Part
    from mountgen.field import InsertableSpace, build_space
    from mountgen.inspection import Inspection, inspect_body
    from mountgen.kernel import Body, Mesh
    from mountgen.loft import Shell, fit_shell
    from mountgen.mend import Mend
    from mountgen.pipeline import Made, make
    from mountgen.progress import Progress
    from mountgen.recipe import Recipe
    from mountgen.recipe_file import dump_recipe, load_recipe, starter_names, write_starter
    from mountgen.scan import Scan, read_scan
    from mountgen.section import Section, cut_sections
    from mountgen.store import Store
    from mountgen.survey import Survey, survey_scan
    from mountgen.verdict import Check

__all__ = [
    "Body",
    "Check",
    "InsertableSpace",
    "Inspection",
    "Made",
    "Mend",
    "Mesh",
    "MountgenError",
    "Part",
    "Progress",
    "Recess",
    "Recipe",
    "Scan",
    "Section",
    "Shell",
    "Store",
    "Survey",
    "add_features",
    "build_space",
    "cut_sections",
    "dump_recipe",
    "export_part",
    "find_datum",
    "fit_shell",
    "inspect_body",
    "load_recipe",
    "make",
    "read_scan",
    "starter_names",
    "survey_scan",
    "write_starter",
]

_HOMES = {
    "datum": ("Recess", "find_datum"),
    "errors": ("MountgenError",),
    "export": ("export_part",),
    "features": ("add_features",),
    "features.part": ("Part",),
    "field": ("InsertableSpace", "build_space"),
    "inspection": ("Inspection", "inspect_body"),
    "kernel": ("Body", "Mesh"),
    "loft": ("Shell", "fit_shell"),
    "mend": ("Mend",),
    "pipeline": ("Made", "make"),
    "progress": ("Progress",),
    "recipe": ("Recipe",),
    "recipe_file": ("dump_recipe", "load_recipe", "starter_names", "write_starter"),
    "scan": ("Scan", "read_scan"),
    "section": ("Section", "cut_sections"),
    "store": ("Store",),
    "survey": ("Survey", "survey_scan"),
    "verdict": ("Check",),
}
_HOME = {name: module for module, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'mountgen' has no attribute {name!r}")
    value = getattr(import_module(f"mountgen.{_HOME[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
