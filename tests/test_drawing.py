"""The drawing of a block with a pocket in its back, whose every line is known, read back from the page."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import shapely

from mountgen.features.part import Part
from mountgen.kernel import Body, Solid, combine_many, tessellate
from mountgen.material import find_material, load_materials
from mountgen.paper.drawing import SCALES, draw_part_drawing, list_sizes
from mountgen.paper.tile import PAPERS
from mountgen.paper.views import ABOVE, FRONT, LEFT, View, drop_astray, drop_covered, find_views
from mountgen.recipe import PlugRecipe
from mountgen.service.case import Case
from mountgen.shape import Axes, extrude, make_box, round_polygon
from tests.pdf_reading import Page, read_pdf
from tests.recesses import as_scan, box_recess

WIDTH, HEIGHT, DEPTH = 60.0, 40.0, 20.0  # the block reaches from z = -17 to 3
RECIPE = PlugRecipe.model_validate({"name": "block", "plug": {"below": 0.0}, "flange": {"width": 6.0, "thickness": 2.5}})


def pocketed(scale: float = 1.0) -> Solid:
    """A block, and in its back a pocket of 20 x 10 x 8 mm whose left lower corner is 10 mm from that of the block."""
    block = make_box((-30 * scale, -20 * scale, -17 * scale), (30 * scale, 20 * scale, 3 * scale))
    pocket = make_box((-20 * scale, -10 * scale, -30 * scale), (0.0, 0.0, -9 * scale))
    return combine_many(block, [pocket], "cut", what="pocket")


def make_case(solid: Solid) -> Case:
    part = Part(body=Body(solid, tessellate(solid)))
    recess = box_recess(left=20.0)
    scan = replace(as_scan(recess), path=Path("scans") / "block.ply", sha256="0123456789abcdef" * 4)
    nothing: Any = SimpleNamespace()
    return Case(RECIPE, scan, recess, part, find_material("asa"), load_materials(), nothing)


def draw(solid: Solid, paper: str = "a4") -> Page:
    (page,) = read_pdf(draw_part_drawing(make_case(solid), paper=paper))
    return page


def length(lines: tuple[np.ndarray, ...]) -> float:
    return float(sum(np.linalg.norm(np.diff(line, axis=0), axis=1).sum() for line in lines))


@pytest.fixture(scope="module")
def views() -> dict[str, View]:
    return {view.look.title: view for view in find_views(pocketed())}


@pytest.mark.parametrize(
    ("title", "size", "visible", "hidden"),
    [
        (FRONT.title, (WIDTH, HEIGHT), 200.0, 60.0),  # the pocket's outline, 2 (20 + 10), is behind
        (LEFT.title, (DEPTH, HEIGHT), 120.0, 26.0),  # two sides of 8 and a floor of 10
        (ABOVE.title, (WIDTH, DEPTH), 160.0, 36.0),  # two sides of 8 and a floor of 20
    ],
)
def test_lines_seen_and_hidden(
    views: dict[str, View], title: str, size: tuple[float, float], visible: float, hidden: float
) -> None:
    view = views[title]
    assert view.high - view.low == pytest.approx(size)
    assert length(view.visible) == pytest.approx(visible)
    assert length(view.hidden) == pytest.approx(hidden, abs=0.2)  # ends that touch visible lines are covered by these


def test_first_angle_turns_every_view_the_right_way(views: dict[str, View]) -> None:
    """The pocket opens at the back: to the left as seen from the left, at the top as seen from above."""
    left, above, front = (np.concatenate(views[look.title].hidden) for look in (LEFT, ABOVE, FRONT))
    assert (left.min(axis=0), left.max(axis=0)) == (pytest.approx((-17.0, -10.0), abs=0.1), pytest.approx((-9.0, 0.0)))  # z, y
    assert (above.min(axis=0), above.max(axis=0)) == (pytest.approx((-20.0, 9.0)), pytest.approx((0.0, 17.0), abs=0.1))  # x, -z
    assert (front.min(axis=0), front.max(axis=0)) == (pytest.approx((-20.0, -10.0)), pytest.approx((0.0, 0.0)))


def test_the_original_solid_is_left_as_it_was() -> None:
    solid = pocketed()
    before = tessellate(solid)
    find_views(solid)
    from mountgen.kernel import read_patches

    corners = np.vstack([patch.corners for patch in read_patches(solid)])
    assert {tuple(c) for c in np.round(corners, 6)} == {tuple(v) for v in np.round(before.vertices, 6)}


@pytest.mark.parametrize("paper", sorted(PAPERS))
def test_the_page_says_what_the_part_is_and_its_overall_sizes(paper: str) -> None:
    page = draw(pocketed(), paper)
    assert sorted(page.size) == pytest.approx(sorted(PAPERS[paper]), abs=0.01)
    mass = (WIDTH * HEIGHT * DEPTH - 20 * 10 * 8) * find_material("asa").density.value / 1000.0  # by hand
    words = page.words.split("\n")
    sizes = ("60.0", "40.0", "20.0", "17.0", "3.0")
    for text in ("block", "plug", "ASA", f"{mass:.2f} g", "2:1", "mm", "first-angle projection", *sizes):
        assert text in words, text
    assert "block.ply, 0123456789ab" in words
    assert "width 6, thickness 2.5" in words
    for _, (x, y), _ in page.texts:
        assert 0.0 < x < page.size[0]
        assert 0.0 < y < page.size[1]


@pytest.mark.parametrize(("scale", "named"), [(1.0, "2:1"), (2.0, "1:1"), (0.3, "5:1"), (10.0, "1:5")])
def test_views_are_drawn_to_the_scale_that_is_named(scale: float, named: str) -> None:
    page = draw(pocketed(scale))
    assert named in page.words.split("\n")
    drawn, real = (int(v) for v in named.split(":"))
    assert (drawn, real) in SCALES
    factor = scale * drawn / real
    spans = [np.ptp(path.points, axis=0) for path in page.paths if path.paint == "stroke"]
    for span in ((WIDTH, 0.0), (0.0, HEIGHT), (DEPTH, 0.0), (17.0, 0.0)):  # dimension lines, both views' sides
        assert any(np.allclose(each, np.array(span) * factor, atol=0.02) for each in spans), span
    dashed = tuple(path.points for path in page.paths if path.dash == (3.0, 1.2))
    assert length(dashed) == pytest.approx(122.0 * factor, abs=0.5 * drawn / real)


def test_hidden_lines_along_visible_ones_go_but_not_those_that_cross_them_or_end_there() -> None:
    seen = (np.array([[0.0, 0.0], [20.0, 0.0]]),)
    along, across = np.array([[2.0, 0.1], [18.0, 0.1]]), np.array([[10.0, -5.0], [10.0, 5.0]])
    ending, apart = np.array([[5.0, 0.0], [5.0, 4.0]]), np.array([[0.0, 2.0], [20.0, 2.0]])
    left = drop_covered((along, across, ending, apart), seen, within=0.2)
    assert length(left) == pytest.approx(10.0 + 4.0 + 20.0)
    assert drop_covered((along,), seen, within=0.05)[0] == pytest.approx(along)


def test_an_outline_is_kept_only_where_facets_turn_away() -> None:
    turns = np.array([[[0.0, 0.0], [20.0, 0.0]], [[20.0, 0.0], [20.0, 10.0]]])
    along, across = [[1.0, 1.5], [19.0, -1.5]], [[0.0, 0.0], [20.0, 10.0]]  # both ends of the second lie on such edges
    assert drop_astray(np.array([along, across]), turns, within=2.0).tolist() == [along]
    assert len(drop_astray(np.array([along]), np.zeros((0, 2, 2)), within=2.0)) == 0


def test_a_ball_keeps_its_outline() -> None:
    """It has no edge but where its face closes: the circle is all outline, and runs between the corners of facets."""
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeSphere

    for view in find_views(BRepPrimAPI_MakeSphere(10.0).Shape()):
        around = [line for line in view.visible if np.allclose(np.hypot(*line.T), 10.0, atol=0.1)]
        assert length(tuple(around)) == pytest.approx(2.0 * np.pi * 10.0, rel=0.01)


def test_the_outline_is_never_hidden() -> None:
    """A wavy side, whose facets hide parts of its own outline from each other: the border of the whole view is drawn in full."""
    at = np.linspace(0.0, 40.0, 81)
    waves = [(float(x), 0.02 * (-1) ** k) for k, x in enumerate(at)]
    side = round_polygon(np.array([*waves, (40.0, 20.0), (0.0, 20.0)]), 0.0)
    solid = extrude(side, axes=Axes(np.zeros(3), np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0])), height=10.0)
    for view in find_views(solid):
        lines = shapely.union_all([shapely.LineString(line) for line in view.visible])
        (cell,) = shapely.get_parts(shapely.union_all(shapely.get_parts(shapely.polygonize(shapely.get_parts(lines).tolist()))))
        assert np.array(cell.bounds) == pytest.approx([*view.low, *view.high], abs=0.05), view.look.title


def test_the_views_stand_where_first_angle_has_them() -> None:
    """Seen from the left stands at the right of the front, seen from above below it, and they are in line."""
    where = {text: at for text, at, _ in draw(pocketed()).texts}
    assert where[LEFT.title][0] > where[FRONT.title][0] + WIDTH / 2.0
    assert where[ABOVE.title][1] < where[FRONT.title][1]
    assert where[ABOVE.title][0] == pytest.approx(where[FRONT.title][0], abs=2.0)


def test_nothing_changes_from_run_to_run() -> None:
    case = make_case(pocketed())
    assert draw_part_drawing(case, paper="a4") == draw_part_drawing(case, paper="a4")


def test_the_recipe_s_sizes_are_listed_but_not_what_is_none() -> None:
    rows = dict(list_sizes(RECIPE))
    assert rows["fit"] == "clearance 0.5, draft 1\N{DEGREE SIGN}"
    assert rows["flange"] == "width 6, thickness 2.5"
    assert set(rows) == {"fit", "body", "plug", "flange"}
    assert "ribs" not in rows["body"]
