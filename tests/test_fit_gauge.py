"""The fit gauge: its plates are the body's own sections, it goes in as the body does, prints without support, and is labelled."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import manifold3d
import numpy as np
import pytest
import shapely
import trimesh

from mountgen.block import make_block
from mountgen.errors import ExportError, FeatureError
from mountgen.features.fit_gauge import LETTER, LETTER_LINES, FitGauge, make_fit_gauge
from mountgen.gap import TOLERANCE
from mountgen.gauge_print import _judge_saving, make_gauge
from mountgen.kernel import CHORD, Mesh, count_faces, is_valid, solids_of, tessellate
from mountgen.letters import RATIO, STROKES, write_text
from mountgen.recipe import PlugRecipe
from mountgen.recipe_tables import ScanSource
from mountgen.store import Store
from tests.prepared import CLEARANCE, block_gap, least_gap, prepare, raw_gap

LINE = 0.45
NAMES = ("round_well",)


def corners(mesh: Mesh) -> dict[str, Any]:
    """Return the corners of a body in plan, as the gauge is told them."""
    return {"low": mesh.vertices[:, :2].min(axis=0), "high": mesh.vertices[:, :2].max(axis=0)}


@pytest.fixture(scope="module", params=NAMES)
def made(request: pytest.FixtureRequest) -> tuple[str, FitGauge, Mesh]:
    _, space, shell = prepare(request.param)
    body = tessellate(make_block(shell, space).solid)
    return request.param, make_fit_gauge(shell, space, **corners(body), reach=None, line_width=LINE), body


def manifold(mesh: Mesh) -> manifold3d.Manifold:
    return manifold3d.Manifold(manifold3d.Mesh64(mesh.vertices.copy(), mesh.faces.astype(np.uint64)))


def section(mesh: Mesh, axis: int, at: float) -> Any:
    """Return the section of a mesh, by trimesh, as a region of the two other axes."""
    normal, origin = np.eye(3)[axis], np.zeros(3)
    origin[axis] = at
    found = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).section(plane_normal=normal, plane_origin=origin)
    keep = [k for k in range(3) if k != axis]
    area = shapely.Polygon()
    for ring in found.discrete:
        area = area.symmetric_difference(shapely.Polygon(ring[:, keep]).buffer(0))
    return area


def test_it_is_one_sound_piece_inside_the_body(made: tuple[str, FitGauge, Mesh]) -> None:
    name, gauge, _ = made
    _, space, shell = prepare(name)
    solid = gauge.part.body.solid
    assert is_valid(solid)
    assert len(solids_of(solid)) == 1
    assert count_faces(solid) > 50  # not the body itself
    # fine facets: both meshes' chords would count
    own, whole = manifold(gauge.part.body.mesh), manifold(tessellate(make_block(shell, space).solid, chord=0.25 * CHORD))
    assert own.status() == manifold3d.Error.NoError
    assert (own - whole).volume() < 2e-4 * own.volume()
    assert own.volume() < 0.2 * whole.volume()


def test_it_keeps_the_clearance_that_the_body_keeps(made: tuple[str, FitGauge, Mesh]) -> None:
    name, gauge, _ = made
    assert least_gap(gauge.part.body.mesh, prepare(name)[0]) >= CLEARANCE - TOLERANCE
    assert raw_gap(gauge.part.body.mesh, prepare(name)[0]) >= min(block_gap(name), CLEARANCE - TOLERANCE)


def test_every_plate_ends_at_the_body_s_own_surface(made: tuple[str, FitGauge, Mesh]) -> None:
    """In the middle of a plate its outline, windows filled, is the body's section there."""
    _, gauge, body = made
    assert [plate.axis for plate in gauge.plates] in ([0, 0, 0, 1], [1, 1, 1, 0], [0, 0, 0, 0, 1], [1, 1, 1, 1, 0])
    top = float(gauge.part.body.mesh.vertices[:, 2].max())
    for plate in gauge.plates:
        at = plate.at + 0.1  # off facets that lie in the very plane
        truth = section(body, plate.axis, at)
        low, _, high, _ = truth.bounds
        truth = truth.intersection(shapely.box(low, -1e3, high, top - gauge.thickness - 0.1))  # below the frame
        found = section(gauge.part.body.mesh, plate.axis, at)
        rim = truth.exterior if truth.geom_type == "Polygon" else truth.boundary
        inside = rim.difference(shapely.box(low - 1, top - gauge.thickness - 1.0, high + 1, 1e3))
        missing = inside.difference(found.boundary.buffer(3 * CHORD))
        assert missing.length < 0.02 * inside.length  # but where another plate crosses
        assert plate.area == pytest.approx(section(body, plate.axis, plate.at).area, rel=0.03)


def test_it_prints_on_its_frame_without_support(made: tuple[str, FitGauge, Mesh]) -> None:
    """Standing on its frame, nothing but the frame looks down by more than 45 degrees, labels' undersides apart."""
    mesh = gauge_mesh = made[1].part.body.mesh
    corners = gauge_mesh.vertices[mesh.faces]
    vector = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = 0.5 * np.linalg.norm(vector, axis=1)
    looks_down = vector[:, 2] / np.maximum(2.0 * area, 1e-12) > np.sin(np.radians(46.0))  # the printer's down is +z
    on_plate = corners[:, :, 2].min(axis=1) > mesh.vertices[:, 2].max() - 1e-6
    assert area[looks_down & on_plate].sum() > 500.0
    assert area[looks_down & ~on_plate].sum() < 0.01 * area.sum()


def test_labels_on_the_frame_s_back_say_where_a_plate_stands(made: tuple[str, FitGauge, Mesh]) -> None:
    _, gauge, _ = made
    mesh = gauge.part.body.mesh
    along = gauge.plates[0].axis
    floor = float(mesh.vertices[:, 2].max()) - gauge.thickness
    raised = section(mesh, 2, floor - 0.3)
    texts = shapely.MultiPolygon([part for part in shapely.get_parts(raised) if part.area < 40.0])
    seen = shapely.transform(texts, lambda at: at * (-1.0, 1.0))  # from behind
    for plate in gauge.plates[:-1]:
        for word in (f"{plate.at:g}", *map(str, plate.clock)):
            assert find_word(word, seen, turned=along == 0), word


def find_word(word: str, seen: Any, *, turned: bool) -> bool:
    """Return whether a word stands somewhere among raised regions, exactly."""
    wanted = write_text(word, height=LETTER, stroke=LETTER_LINES * LINE)
    options = [wanted]
    if turned:  # with both senses, for the pad may be too narrow for it
        options += [shapely.transform(wanted, lambda at, sign=sign: at[:, ::-1] * sign) for sign in ((-1.0, 1.0), (1.0, -1.0))]
    for option in options:
        first = shapely.get_parts(option)[0]
        for part in shapely.get_parts(seen):
            shift = np.subtract(shapely.get_coordinates(part.centroid)[0], shapely.get_coordinates(first.centroid)[0])
            moved = shapely.transform(option, lambda at, shift=shift: at + shift)
            if moved.intersection(seen).area > 0.99 * option.area and abs(part.area - first.area) < 0.05:
                return True
    return False


def test_a_body_too_shallow_for_plates_is_refused() -> None:
    _, space, shell = prepare("round_well")
    body = tessellate(make_block(shell, space, reach=3.0).solid)
    with pytest.raises(FeatureError) as caught:
        make_fit_gauge(shell, space, **corners(body), reach=3.0, line_width=LINE)
    assert "no room for plates" in caught.value.what
    assert "mm deep" in caught.value.what
    assert caught.value.remedy.startswith("print the part itself")


def test_a_gauge_that_saves_nothing_says_print_the_part() -> None:
    def facts(mass: float) -> dict[str, Any]:
        return {"gauge": {"mass": mass}, "whole_part": {"mass": 20.0}}

    assert _judge_saving(facts(19.0)).verdict == "pass"
    dear = _judge_saving(facts(20.0))
    assert (dear.verdict, dear.remedy) == ("caution", "print the part itself and try that")


def test_a_scan_where_a_file_of_the_gauge_will_stand_is_not_overwritten(tmp_path: Path) -> None:
    scan = tmp_path / "well-gauge.stl"
    scan.write_text("precious")
    recipe = PlugRecipe(name="well", scan=ScanSource(file=scan))
    nobody: Any = None
    with pytest.raises(ExportError, match=r"well-gauge\.stl would overwrite"):
        make_gauge(recipe, tmp_path, store=Store(None), progress=nobody)
    assert scan.read_text() == "precious"


@pytest.mark.parametrize("letter", [letter for letter in STROKES if letter.isdigit()])
def test_digits_have_their_holes_and_size(letter: str) -> None:
    height, stroke = 10.0, 1.5
    region = write_text(letter, height=height, stroke=stroke)
    left, bottom, right, top = region.bounds
    assert top - bottom == pytest.approx(height)
    assert right - left <= RATIO * height + 1e-9
    (whole,) = region.geoms
    assert len(whole.interiors) == {"0": 1, "6": 1, "8": 2, "9": 1}.get(letter, 0)
    others = [write_text(other, height=height, stroke=stroke) for other in STROKES if other != letter]
    assert min(region.symmetric_difference(other).area for other in others) > stroke * 2.0  # no two look alike


def test_a_stroke_has_its_width_and_texts_do_not_run_together() -> None:
    dash = write_text("-", height=10.0, stroke=1.5)
    assert dash.area == pytest.approx(RATIO * 10.0 * 1.5)  # from edge to edge of a digit's width
    text = write_text("-12.5", height=10.0, stroke=1.5)
    assert len(text.geoms) == 5
    low = np.array(text.bounds).reshape(2, 2)
    assert low.mean(axis=0) == pytest.approx((0.0, 0.0))
    with pytest.raises(KeyError):
        write_text("x", height=10.0, stroke=1.5)
