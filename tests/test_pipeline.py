"""The main job: what it refuses before anything is done, and what it draws."""

from __future__ import annotations

import os
from contextlib import nullcontext
from io import BytesIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from PIL import Image

from mountgen import pipeline
from mountgen.block import make_block
from mountgen.errors import ExportError, MaterialError, ScanError
from mountgen.gap import make_standing
from mountgen.kernel import tessellate
from mountgen.outputs import PICTURES, name_outputs
from mountgen.part_picture import LOOKS
from mountgen.recipe import PlugRecipe
from mountgen.recipe_tables import ScanSource
from mountgen.store import Store
from mountgen.surface import surface_of
from tests.prepared import prepare


@pytest.mark.skipif(os.name != "posix", reason="pipes and links are made otherwise there")
def test_a_scan_that_is_no_file_is_refused_before_it_is_opened(tmp_path: Path) -> None:
    """Opening a pipe waits for whoever writes into it; a link to itself has no place to compare with."""
    os.mkfifo(tmp_path / "pipe.stl")
    (tmp_path / "circle.stl").symlink_to(tmp_path / "circle.stl")
    silent: Any = SimpleNamespace(stage=lambda name: nullcontext(), say=lambda text: None)
    for name, what, remedy in [("pipe.stl", "not an ordinary file", "copy"), ("circle.stl", "no such scan file", "path")]:
        recipe = PlugRecipe(name="x", scan=ScanSource(file=tmp_path / name))
        with pytest.raises(ScanError) as caught:
            pipeline.make(recipe, tmp_path, store=Store(None), progress=silent)
        assert what in caught.value.what
        assert remedy in caught.value.remedy


def test_pictures_are_outputs_too_and_the_part_is_drawn() -> None:
    """A scan or sheet that stands where a picture will is not overwritten; each picture is another one of the part."""
    assert tuple(f"-{look}.png" for look in LOOKS) == PICTURES
    for ending in (*PICTURES, "-heat.png", "-sections.pdf", "-sections.dxf", "-sections.svg", "-drawing.pdf"):
        assert f"cubby{ending}" in name_outputs("cubby")
    recess, space, shell = prepare("round_well")
    mesh = tessellate(make_block(shell, space).solid)
    surface = surface_of(recess)
    standing = make_standing(surface, np.full(len(surface.faces), 0.5))
    case: Any = SimpleNamespace(
        part=SimpleNamespace(body=SimpleNamespace(mesh=mesh)), inspection=SimpleNamespace(standing=standing), recess=recess,
        recipe=PlugRecipe(name="well"),
    )  # fmt: skip
    drawn = pipeline.draw_pictures(case, {"floor": 0.5, "walls": 0.5, "rim": 0.5})
    assert tuple(drawn) == PICTURES
    for picture in drawn.values():
        image = Image.open(BytesIO(picture))
        assert image.format == "PNG"
        assert len(image.convert("RGB").getcolors(1 << 24) or ()) > 200  # no blank sheet
    assert len(set(drawn.values())) == len(drawn)


def test_a_sheet_is_never_overwritten_and_read_before_anything_is_done(tmp_path: Path) -> None:
    sheet = tmp_path / "well.stl"
    sheet.write_text("[asa]\nhdt_045 = 98\n")
    recipe = PlugRecipe(name="well", sheet=sheet, scan=ScanSource(file=tmp_path / "no such scan.ply"))
    silent: Any = None  # nothing is told before that
    with pytest.raises(ExportError) as caught:
        pipeline.make(recipe, tmp_path, store=Store(None), progress=silent)
    assert caught.value.where == str(sheet)
    missing = recipe.model_copy(update={"sheet": tmp_path / "none.toml"})
    with pytest.raises(MaterialError, match="the sheet cannot be read"):
        pipeline.make(missing, tmp_path, store=Store(None), progress=silent)
    assert sheet.read_text().startswith("[asa]")
