"""The main job's own parts: sources are never overwritten, and what the store returns is what was kept."""

from __future__ import annotations

import os
from contextlib import AbstractContextManager, nullcontext
from dataclasses import fields, replace
from io import BytesIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from PIL import Image

from mountgen import features, pipeline
from mountgen.datum import Recess
from mountgen.entries import pack_recess, pack_scan, pack_space, unpack_recess, unpack_scan, unpack_space
from mountgen.errors import ExportError, KernelError, MaterialError, ScanError
from mountgen.features.part import Part
from mountgen.field import InsertableSpace, UnseenArea
from mountgen.gap import make_standing
from mountgen.ground import Ground
from mountgen.kernel import tessellate
from mountgen.loft import Shell, make_block
from mountgen.material import find_material
from mountgen.mend import Mend
from mountgen.outputs import PICTURES, guard_sources, name_outputs
from mountgen.part_picture import LOOKS
from mountgen.progress import Clock
from mountgen.prove import build_part, make_of_facets, prove_part
from mountgen.recipe import PlugRecipe
from mountgen.recipe_tables import Fit, ScanSource
from mountgen.scan import Scan
from mountgen.store import Store, make_key
from mountgen.surface import surface_of
from mountgen.whole import Whole, remember_whole
from tests.prepared import prepare

RNG = np.random.default_rng(5)
SCAN = Scan(
    vertices=RNG.random((7, 3)), faces=RNG.integers(0, 7, (9, 3), dtype=np.int32), path=Path("a/ä.ply"),
    sha256="ab" * 32, unit="inch", mm_per_unit=25.4, spacing=0.1 + 0.2, noise=0.03,
    mended=(Mend("small holes", 3, "≤ 4 mm"), Mend("x", 1)),
)  # fmt: skip
RECESS = Recess(
    vertices=RNG.random((7, 3)), faces=RNG.integers(0, 7, (9, 3), dtype=np.int32), rim=RNG.random((5, 3)),
    lid=RNG.random(6), part_to_scan=np.eye(4), up=np.array([0.0, 1.0, 0.0]), depth=60.1,
    open_side_deg=(170.0, 190.0), notes=("a", "b"),
)  # fmt: skip
SPACE = InsertableSpace(
    height=RNG.random((4, 6), dtype=np.float32), seen=RNG.random((4, 6)) > 0.5, mouth=RNG.random((5, 2)),
    lid=RNG.random(6), origin=(-1.0, 2.5), pitch=0.125, draft_deg=1.0, top=0.7,
    unseen=(UnseenArea(12.5, 1.0, -2.0),),
)  # fmt: skip


@pytest.mark.parametrize(
    ("value", "pack", "unpack"),
    [
        (SCAN, pack_scan, unpack_scan),
        (RECESS, pack_recess, unpack_recess),
        (SPACE, pack_space, unpack_space),
    ],
    ids=["scan", "recess", "space"],
)
def test_the_store_returns_every_field_as_it_was(tmp_path: Path, value: Any, pack: Any, unpack: Any) -> None:
    key = make_key("test")
    Store(tmp_path).save(key, pack(value))

    def never() -> Any:
        raise AssertionError("it was kept, so it need not be made")

    back = Store(tmp_path).remember(key, never, pack=pack, unpack=unpack)
    assert type(back) is type(value)
    for field in fields(value):
        old, new = getattr(value, field.name), getattr(back, field.name)
        if isinstance(old, np.ndarray):
            assert old.dtype == new.dtype
            np.testing.assert_array_equal(old, new)
        else:
            assert (type(old), old) == (type(new), new)


def test_an_output_never_takes_the_place_of_a_source(tmp_path: Path) -> None:
    scan, recipe = tmp_path / "cubby.stl", tmp_path / "cubby.toml"
    for path in (scan, recipe):
        path.write_text("precious")
    guard_sources((scan, recipe), out=tmp_path, names=name_outputs("shelf"))
    guard_sources((scan, recipe), out=tmp_path / "new", names=name_outputs("cubby"))
    with pytest.raises(ExportError) as caught:
        guard_sources((recipe, scan), out=tmp_path, names=name_outputs("cubby"))
    assert caught.value.what == "cubby.stl would overwrite what the part is made from"
    assert caught.value.where == str(scan)
    assert "--out" in caught.value.remedy
    resolved = tmp_path / "cubby.resolved.toml"
    resolved.write_text("used as a recipe itself")
    with pytest.raises(ExportError, match=r"cubby\.resolved\.toml would overwrite"):
        guard_sources((resolved,), out=tmp_path / "x" / "..", names=name_outputs("cubby"))


def test_the_same_file_under_another_name_is_a_source_too(tmp_path: Path) -> None:
    scan = tmp_path / "raw.stl"
    scan.write_text("precious")
    os.link(scan, tmp_path / "cubby.stl")
    with pytest.raises(ExportError, match=r"cubby\.stl would overwrite"):
        guard_sources((scan,), out=tmp_path, names=name_outputs("cubby"))


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


def test_what_a_gauge_is_held_against_is_kept_by_all_that_it_depends_on(tmp_path: Path) -> None:
    """Another name, place or note changes no gram; another size, material or scan does."""
    store = Store(tmp_path)
    recipe = PlugRecipe(name="well")
    nothing: Any = None
    ground = Ground(recipe, find_material("asa"), nothing, nothing, nothing, nothing, None, key="scan and fit")
    made: list[float] = []

    def build() -> Whole:
        made.append(1.0)
        return Whole(np.array([-1.5, -2.5]), np.array([3.0, 4.0]), 10.0 + len(made), 60.0)

    first = remember_whole(ground, store, build)
    renamed = replace(ground, recipe=recipe.model_copy(update={"name": "other", "note": "x"}))
    again = remember_whole(renamed, Store(tmp_path), build)
    assert (again.mass, again.seconds, again.low.tolist(), again.high.tolist()) == (11.0, 60.0, [-1.5, -2.5], [3.0, 4.0])
    assert first.mass == 11.0
    for other in (
        replace(ground, key="another scan"),
        replace(ground, material=find_material("petg")),
        replace(ground, recipe=recipe.model_copy(update={"printer": recipe.printer.model_copy(update={"infill": 0.5})})),
        replace(ground, recipe=recipe.model_copy(update={"plug": recipe.plug.model_copy(update={"below": 1.0})})),
    ):
        before = len(made)
        remember_whole(other, store, build)
        assert len(made) == before + 1


class Listening:
    """Progress that keeps what it is told."""

    def __init__(self) -> None:
        self.told: list[str] = []

    def stage(self, name: str) -> AbstractContextManager[None]:
        return nullcontext()

    def say(self, text: str) -> None:
        self.told.append(text)


def lay_frustum() -> Ground:
    nothing: Any = None
    recess, space, shell = prepare("frustum")
    return Ground(PlugRecipe(name="blank"), find_material("asa"), nothing, nothing, recess, space, shell)


def test_a_smooth_part_that_comes_too_near_is_made_again_of_facets() -> None:
    """Its floor sinks by 0.6 mm, more than is ever drawn back; where facets come too near as well the smooth one stays."""
    ground = lay_frustum()
    assert ground.shell is not None
    floor = ground.shell.floor
    sunken = replace(ground, shell=replace(ground.shell, floor=replace(floor, poles=floor.poles - 0.6)))
    listening = Listening()
    clock = Clock(listening)
    smooth = prove_part(build_part(sunken), sunken, clock=clock)
    assert smooth.inspection.rest.min == pytest.approx(-0.1, abs=0.05)
    faceted = make_of_facets(smooth, sunken, clock=clock)
    assert all(check.verdict != "fail" for check in faceted.inspection.checks)
    assert "made of facets: smooth, it comes as near to the scan as -0.1" in listening.told[0]
    assert faceted.part.notes[0] in listening.told[0]
    tighter = replace(sunken, recipe=sunken.recipe.model_copy(update={"fit": Fit(clearance=0.9)}))
    assert make_of_facets(smooth, tighter, clock=clock) is smooth


def test_what_the_kernel_does_not_get_done_is_made_of_facets(monkeypatch: pytest.MonkeyPatch) -> None:
    ground, real = lay_frustum(), features.add_features

    def refuse(shell: Shell | None, *rest: Any, **named: Any) -> Part:
        if shell is not None:
            raise KernelError("the solid kernel does not get done with the cavity", "cavity", "change body.wall")
        return real(shell, *rest, **named)

    monkeypatch.setattr(features, "add_features", refuse)
    part = build_part(ground)
    assert part.body.faceted
    assert part.notes == ("made of facets throughout, because the solid kernel does not get done with the cavity",)
    with pytest.raises(KernelError, match="with the cavity"):
        build_part(replace(ground, recipe=ground.recipe.model_copy(update={"fit": Fit(reach=0.01)})))
