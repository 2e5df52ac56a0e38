"""Key sizes of parts whose sizes are known, and the places of dimension lines on paper."""

from __future__ import annotations

from itertools import combinations
from math import radians, sin, sqrt
from types import SimpleNamespace
from typing import Any

import igl
import manifold3d
import numpy as np
import pytest
import trimesh

from mountgen.datum import find_datum
from mountgen.kernel import Mesh
from mountgen.paper.dimension import ARROW, FIRST, NEAR, NEXT, SIDES, Dimension, find_room, lay_out, measure_words
from mountgen.paper.key_sizes import Callout, Lean, Size, find_key_sizes
from mountgen.paper.probe import probe_line
from mountgen.paper.views import ABOVE, FRONT, LEFT
from mountgen.recipe_file import load_recipe
from mountgen.scan import read_scan
from tests.conftest import ROOT, Juniper
from tests.pdf_reading import read_pdf

X, Y, Z = np.eye(3)
SOLID = SimpleNamespace(wall=None)


def box(low: Any, high: Any) -> Any:
    size = np.subtract(high, low)
    return manifold3d.Manifold.cube(tuple(size)).translate(tuple(low))


def as_mesh(solid: Any) -> Mesh:
    mesh = solid.to_mesh64()
    return Mesh(np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts).astype(np.int32))


def sizes_of(solid: Any, **recipe: Any) -> tuple[Any, ...]:
    case: Any = SimpleNamespace(
        recipe=SimpleNamespace(**recipe), part=SimpleNamespace(body=SimpleNamespace(mesh=as_mesh(solid)), pads=())
    )
    return find_key_sizes(case)


def along(size: Size) -> float:
    """Return how long a size is as it is drawn, with the views' axes written anew."""
    right = {FRONT.title: X, ABOVE.title: X, LEFT.title: Z}[size.look.title]
    up = {FRONT.title: Y, ABOVE.title: -Z, LEFT.title: Y}[size.look.title]
    return abs(float((size.end - size.start) @ (right if size.level else up)))


def told(found: tuple[Any, ...]) -> list[tuple[str, bool, float]]:
    return sorted((size.look.title, size.level, round(along(size), 2)) for size in found if isinstance(size, Size))


def test_a_line_through_a_ring_has_its_spans() -> None:
    ring = box((-20, -20, 0), (20, 20, 10)) - box((-12, -15, -1), (14, 15, 11))
    spans = probe_line(as_mesh(ring), np.array([0.0, 3.0, 5.0]), 7.0 * X)
    assert [span.solid for span in spans] == [True, False, True]
    assert [span.length for span in spans] == pytest.approx([8.0, 26.0, 6.0], abs=1e-4)
    assert [float(span.start[0]) for span in spans] == pytest.approx([-20.0, -12.0, 14.0], abs=1e-4)
    assert max(span.askew for span in spans) == pytest.approx(0.0, abs=1e-6)
    assert probe_line(as_mesh(ring), np.array([0.0, 30.0, 5.0]), X) == ()


def test_a_line_that_meets_a_wall_askew_says_so() -> None:
    turned = box((-20, -5, 0), (20, 5, 10)).rotate((0.0, 0.0, 30.0))
    (span,) = probe_line(as_mesh(turned), np.array([0.0, 0.0, 5.0]), Y)
    assert span.length == pytest.approx(10.0 * 2.0 / sqrt(3.0), abs=1e-3)
    assert span.askew == pytest.approx(sin(radians(30.0)), abs=1e-6)


def test_chords_of_a_ball_agree_with_another_library() -> None:
    ball = trimesh.creation.icosphere(subdivisions=3, radius=20.0)
    mesh = Mesh(np.asarray(ball.vertices), np.asarray(ball.faces).astype(np.int32))
    rng = np.random.default_rng(3)
    for origin, way in zip(rng.uniform(-12.0, 12.0, (20, 3)), rng.normal(size=(20, 3)), strict=True):
        (span,) = probe_line(mesh, origin, way)
        assert igl.point_mesh_squared_distance(np.array([span.start, span.end]), mesh.vertices, mesh.faces)[0].max() < 1e-8
        off = np.linalg.norm(np.cross(origin, way)) / np.linalg.norm(way)
        assert span.length == pytest.approx(2.0 * sqrt(400.0 - off**2), abs=1.2)  # facets lie up to 0.2 mm inside the ball


def test_a_tray_with_a_flange_and_a_divider() -> None:
    """100 x 60 x 30 mm below a plate of 120 x 80 x 3; walls 4, divider 6, rooms 43, floor 2."""
    tray = box((-60, -40, 0), (60, 40, 3)) + box((-50, -30, -30), (50, 30, 1))
    tray = tray - box((-46, -26, -28), (-3, 26, 9)) - box((3, -26, -28), (46, 26, 9))
    found = sizes_of(tray, kind="tray", dividers=SimpleNamespace(count_x=1, count_y=0))
    assert told(found) == [
        (ABOVE.title, True, 100.0),
        (LEFT.title, True, 2.0), (LEFT.title, True, 3.0), (LEFT.title, True, 31.0),
        (FRONT.title, False, 52.0), (FRONT.title, True, 4.0), (FRONT.title, True, 43.0), (FRONT.title, True, 43.0),
    ]  # fmt: skip


def test_a_round_tray_is_measured_through_its_middle() -> None:
    cup = manifold3d.Manifold.cylinder(30.0, 28.0, 30.0, 256)
    cup = cup - manifold3d.Manifold.cylinder(30.0, 25.0, 27.0, 256).translate((0, 0, 2))
    walls = [size for size in sizes_of(cup, kind="tray", dividers=None) if isinstance(size, Size) and size.look is FRONT]
    inner, outer = 25.0 + 2.0 * 11.5 / 30.0, 28.0 + 2.0 * 13.5 / 30.0  # radii at half of what lies 3 mm below the edge
    assert sorted(along(size) for size in walls) == pytest.approx([outer - inner, 2 * inner, 2 * inner], abs=0.02)


def test_what_is_solid_has_no_walls_and_what_draft_narrows_is_told_twice() -> None:
    taper = manifold3d.Manifold.extrude(manifold3d.CrossSection.square((40.0, 30.0), True), 20.0, 1, 0.0, (1.25, 1.25))
    found = told(sizes_of(taper, kind="plug", body=SOLID))
    assert {title for title, _, _ in found} == {ABOVE.title}
    widths = [size for _, _, size in found]  # 40 at the bottom, 50 at the top; at 15 % of what lies 3 mm below it, and there
    assert widths == pytest.approx([40.0 + 10.0 * 0.15 * 17.0 / 20.0, 40.0 + 10.0 * 17.0 / 20.0], abs=0.02)
    assert sizes_of(box((-20, -10, -15), (20, 10, 0)), kind="plug", body=SOLID) == ()  # overall sizes say it all


@pytest.fixture(scope="module")
def shelf(juniper: Juniper) -> tuple[Any, tuple[Any, ...]]:
    """Return the example's mesh and key sizes, from the STL that the command line wrote."""
    recipe = load_recipe(ROOT / "examples" / "juniper-shelf.toml")
    assert recipe.scan.file is not None
    recess = find_datum(read_scan(recipe.scan.file, unit=recipe.scan.unit), mouth=recipe.mouth)
    mesh = trimesh.load(juniper.folder / "juniper-shelf.stl")
    whole = Mesh(np.asarray(mesh.vertices), np.asarray(mesh.faces).astype(np.int32))
    case: Any = SimpleNamespace(recipe=recipe, recess=recess, part=SimpleNamespace(body=SimpleNamespace(mesh=whole), pads=()))
    return mesh, find_key_sizes(case)


def test_the_sizes_of_a_shelf_are_those_of_its_recipe(shelf: tuple[Any, tuple[Any, ...]]) -> None:
    """Seat: the device's length and its play at both ends. What is drawn comes off the mesh, so this proves the part, too."""
    _, found = shelf
    sizes = {(size.look.title, size.level, size.outwards): along(size) for size in found if isinstance(size, Size)}
    assert sizes[ABOVE.title, True, -1] == pytest.approx(147.0 + 2.0 * 1.0, abs=0.05)
    assert sizes[FRONT.title, True, -1] == pytest.approx(14.0, abs=0.05)  # cable.width
    assert sizes[LEFT.title, True, -1] == pytest.approx(3.0, abs=0.1)  # lip.thickness; the front is bowed
    (lean,) = (each for each in found if isinstance(each, Lean))
    assert lean.deg == pytest.approx(30.0, abs=0.1)
    (drains,) = (each for each in found if isinstance(each, Callout))
    assert drains.words == "3 \N{MULTIPLICATION SIGN} \N{LATIN CAPITAL LETTER O WITH STROKE}4"


def test_every_size_ends_on_the_part(shelf: tuple[Any, tuple[Any, ...]]) -> None:
    mesh, found = shelf
    ends = np.array([end for size in found if isinstance(size, Size) for end in (size.start, size.end)])
    assert len(ends) >= 10
    away = igl.point_mesh_squared_distance(ends, np.asarray(mesh.vertices), np.asarray(mesh.faces))[0]
    assert np.sqrt(away).max() < 0.01
    points = np.array([each.point for each in found if isinstance(each, Callout)])
    assert np.sqrt(igl.point_mesh_squared_distance(points, np.asarray(mesh.vertices), np.asarray(mesh.faces))[0]).max() < 0.1


def test_the_drawing_of_the_example_shows_its_key_sizes_at_scale(juniper: Juniper) -> None:
    (page,) = read_pdf((juniper.folder / "juniper-shelf-drawing.pdf").read_bytes())
    words = page.words.split("\n")
    for text in ("149.0", "14.0", "30\N{DEGREE SIGN}", "3 \N{MULTIPLICATION SIGN} \N{LATIN CAPITAL LETTER O WITH STROKE}4"):
        assert text in words
    assert any(text.endswith("tape 60 \N{MULTIPLICATION SIGN} 20") for text in words)
    drawn, real = (int(v) for v in next(text for text in words if ":" in text).split(":"))
    spans = [np.ptp(path.points, axis=0) for path in page.paths if path.paint == "stroke"]
    assert any(np.allclose(span, (149.0 * drawn / real, 0.0), atol=0.05) for span in spans)
    for _, (x, y), _ in page.texts:
        assert 10.0 < x < page.size[0] - 10.0
        assert 10.0 < y < page.size[1] - 10.0


def reach(laid: Any, scale: float) -> tuple[float, float]:
    """Return what a dimension takes of its row, written anew: line and number, arrows from outside where they are there."""
    each = laid.dimension
    low, high = sorted(scale * float(end[each.along]) for end in (each.first, each.last))
    return (low - 2 * ARROW[0], high + 2 * ARROW[0] + 1.0 + measure_words(each.words)) if laid.beside else (low, high)


def test_dimensions_share_a_row_only_where_they_have_room() -> None:
    rng = np.random.default_rng(11)
    for scale in (0.2, 1.0, 5.0):
        many = []
        for _ in range(40):
            first, last = rng.uniform(0.0, 60.0, (2, 2))
            many.append(Dimension(first, last, SIDES[int(rng.integers(4))], f"{rng.uniform(0, 200):.1f}"))
        laid = lay_out(many, scale)
        assert sorted(id(each.dimension) for each in laid) == sorted(id(each) for each in many)
        for a, b in combinations(laid, 2):
            if (a.dimension.side, a.row) != (b.dimension.side, b.row):
                continue
            (low, high), (start, end) = reach(a, scale), reach(b, scale)
            assert high + NEAR <= start + 1e-9 or end + NEAR <= low + 1e-9
        for each in laid:
            low, high = reach(each, scale)
            assert high - low >= measure_words(each.dimension.words)  # every number has its room


def test_the_longest_stands_outside_and_chains_share_a_row() -> None:
    def level(first: float, last: float) -> Dimension:
        return Dimension(np.array([first, 0.0]), np.array([last, 0.0]), "bottom", f"{last - first:.1f}")

    whole, left, right = level(0.0, 80.0), level(0.0, 38.0), level(40.0, 80.0)
    laid = lay_out([whole, left, right], 1.0)
    assert {each.dimension.words: each.row for each in laid} == {"38.0": 0, "40.0": 0, "80.0": 1}
    assert not any(each.beside for each in laid)
    assert find_room(laid, "bottom") > FIRST + NEXT
    assert find_room(laid, "top") == 0.0
    (short,) = lay_out([level(0.0, 2.0)], 1.0)
    assert short.beside
