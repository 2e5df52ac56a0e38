"""The recipe that the README runs: it belongs to its scan, and its `up` is the camper van's."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from mountgen.datum import find_datum
from mountgen.recipe_file import load_recipe
from mountgen.scan import read_scan

RECIPE = Path(__file__).resolve().parent.parent / "examples" / "juniper-shelf.toml"


def test_up_is_where_the_van_has_it() -> None:
    """The ceiling lies above a lip that hangs 8 mm down in front of it; nothing lies below the lower rim.

    With 6 for 12 o'clock the shelf would hang from the ceiling, and no check would notice.
    """
    recipe = load_recipe(RECIPE)
    assert recipe.scan.file is not None
    recess = find_datum(read_scan(recipe.scan.file, unit=recipe.scan.unit), mouth=recipe.mouth)
    deep = (recess.vertices[:, 2] < -15.0) & (np.abs(recess.vertices[:, 0]) < 60.0)
    inside = recess.vertices[deep] @ recess.up  # heights along the vehicle's up, whichever way the part is drawn
    rim = recess.rim[np.abs(recess.rim[:, 0]) < 60.0] @ recess.up
    assert inside.max() - rim.max() > 5.0
    assert inside.min() - rim.min() > -0.5


def test_it_is_a_phone_shelf_with_the_key_that_the_readme_invites_to_change() -> None:
    recipe = load_recipe(RECIPE)
    assert (recipe.kind, recipe.name) == ("phone-shelf", "juniper-shelf")
    text = RECIPE.read_text(encoding="utf-8")
    assert 'base = "phone-shelf"' in text
    assert "clearance = " in text
