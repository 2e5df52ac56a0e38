"""The phone shelf in a box recess of known size, measured with rays on its mesh, not with what made it."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from functools import cache
from math import cos, radians, sin, tan
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from mountgen.arrays import Floats
from mountgen.block import Block
from mountgen.datum import Recess, find_datum, lid_height
from mountgen.errors import FeatureError
from mountgen.features.part import Part
from mountgen.features.phone_shelf import make_phone_shelf
from mountgen.field import InsertableSpace, build_space
from mountgen.inspection import ZONES
from mountgen.kernel import count_faces, is_valid, solids_of, tessellate
from mountgen.loft import Shell, fit_shell
from mountgen.mesh_measure import measure_volume
from mountgen.recipe import PhoneShelfRecipe
from mountgen.recipe_file import load_recipe
from mountgen.recipe_settings import with_settings
from mountgen.scan import read_scan
from mountgen.section import sample_height
from mountgen.shape import cut_in_turn, make_box
from mountgen.shell_relief import fit_clear_shell
from mountgen.surface import Surface
from tests.checks import assert_clears, assert_printable
from tests.recesses import box_recess
from tests.remedies import read_remedy

EXAMPLE = Path(__file__).resolve().parent.parent / "examples" / "juniper-shelf.toml"
WIDTH, HEIGHT, DEPTH = 200, 90, 60
CLEARANCE, DRAFT_DEG = 0.6, 1.0
DECK, LIP, LIP_THICK, SCOOP, DRAIN = 15.0, 4.0, 3.0, 30.0, 5.0
DEVICE = {"length": 140.0, "width": 62.0, "thickness": 9.0, "mass": 0.2, "pose": "leaning", "lean": 25.0}
FACET = 0.03  # mm, chord of the mesh and a little


def recipe_of(**tables: Any) -> PhoneShelfRecipe:
    usual: dict[str, Any] = {
        "name": "shelf", "fit": {"clearance": CLEARANCE, "draft": DRAFT_DEG}, "deck": {"height": DECK, "tilt": 0.0},
        "device": DEVICE, "lip": {"height": LIP, "thickness": LIP_THICK},
    }  # fmt: skip
    for key, table in tables.items():
        known = usual.get(key)
        usual[key] = {**known, **table} if isinstance(known, dict) and isinstance(table, dict) else table
    return PhoneShelfRecipe.model_validate(usual)


@cache
def upright() -> tuple[Recess, InsertableSpace, Shell]:
    recess = box_recess(WIDTH, HEIGHT, left=DEPTH, right=DEPTH)
    space = build_space(recess, fit=recipe_of().fit)
    shell = fit_clear_shell(space, recess, clearance=dict.fromkeys(ZONES, CLEARANCE))  # as the pipeline does
    return recess, space, shell


def prepared(recline: float = 0.0) -> tuple[Recess, InsertableSpace, Shell]:
    recess, space, shell = upright()  # space and shell do not depend on up
    return replace(recess, up=np.array([0.0, cos(radians(recline)), sin(radians(recline))])), space, shell


@cache
def bare(recline: float = 0.0) -> Part:
    return shelf(recline)


def shelf(recline: float = 0.0, **tables: Any) -> Part:
    recess, space, shell = prepared(recline)
    return make_phone_shelf(shell, space, recess, recipe=recipe_of(**tables))


def hit(part: Part, start: tuple[float, float, float], direction: Floats) -> Floats:
    """Return the point where a ray first meets the part."""
    surface = Surface(part.body.mesh.vertices, part.body.mesh.faces)
    far, _ = surface.cast(np.array([start]), direction[None])
    assert np.isfinite(far[0]), "the ray misses the part"
    point: Floats = np.array(start) + far[0] * direction
    return point


UP = np.array([0.0, 1.0, 0.0])
OUT = np.array([0.0, 0.0, 1.0])


def deck_height(part: Part, *, x: float, z: float) -> float:
    """Return the height of what a plumb line meets at x, z, above the lowest point of the mouth."""
    return float(hit(part, (x, 44.0, z), -UP)[1]) + HEIGHT / 2


def test_it_is_one_valid_solid_that_goes_in() -> None:
    part = bare()
    assert is_valid(part.body.solid)
    assert len(solids_of(part.body.solid)) == 1
    assert count_faces(part.body.solid) < 60
    assert not part.body.faceted
    assert_printable(part.body.mesh)
    recess, space, _ = prepared()
    points = part.body.mesh.vertices
    near = [sample_height(space, points[:, :2] + (0.05 * i, 0.05 * j)) for i in (-1, 0, 1) for j in (-1, 0, 1)]
    assert (np.min(near, axis=0) <= points[:, 2] + FACET).all()  # or within 0.05 mm of a steep wall
    assert_clears(part.body.mesh, recess, CLEARANCE)


def test_deck_lip_and_seat_measure_what_the_recipe_says() -> None:
    part = bare()
    assert deck_height(part, x=60.0, z=-4.5) == pytest.approx(DECK, abs=FACET)
    assert deck_height(part, x=-60.0, z=-4.5) == pytest.approx(DECK, abs=FACET)
    assert deck_height(part, x=0.0, z=-1.5) == pytest.approx(DECK + LIP, abs=FACET)
    y = DECK + 0.5 * LIP - HEIGHT / 2
    front, back = hit(part, (10.0, y, 20.0), -OUT), hit(part, (10.0, y, -6.0), OUT)
    assert front[2] == pytest.approx(0.0, abs=FACET)
    assert front[2] - back[2] == pytest.approx(LIP_THICK, abs=FACET)
    right = hit(part, (0.0, y, -5.0), np.array([1.0, 0.0, 0.0]))
    left = hit(part, (0.0, y, -5.0), np.array([-1.0, 0.0, 0.0]))
    assert right[0] - left[0] == pytest.approx(DEVICE["length"] + 2.0, abs=FACET)  # play of 1 mm at each side
    assert deck_height(part, x=75.0, z=-5.0) == pytest.approx(DECK + LIP, abs=FACET)  # the cheek beside it


def test_the_lip_has_round_edges() -> None:
    """At a depth d under the edge of a rounding of radius r, the lip's top is lower by r - sqrt(r² - (r - d)²)."""
    part = bare()
    for depth in (0.1, 0.3, 0.6):
        fall = 1.0 - (1.0 - (1.0 - depth) ** 2) ** 0.5
        for z in (-depth, -LIP_THICK + depth):
            assert deck_height(part, x=15.0, z=z) == pytest.approx(DECK + LIP - fall, abs=0.08)


def test_the_rest_leans_as_the_device_does() -> None:
    part = bare()
    low, high = (hit(part, (20.0, y - HEIGHT / 2, -4.0), -OUT) for y in (25.0, 40.0))
    lean = np.degrees(np.arctan2(low[2] - high[2], high[1] - low[1]))
    assert lean == pytest.approx(DEVICE["lean"], abs=0.05)
    # it bears 60 % of the device's back
    top = DECK + 0.6 * DEVICE["width"] * cos(radians(DEVICE["lean"]))
    assert part.body.mesh.vertices[:, 1].max() + HEIGHT / 2 == pytest.approx(top, abs=0.6)


@pytest.mark.parametrize("tilt", [-4.0, 8.0])
def test_the_deck_tilts(tilt: float) -> None:
    part = shelf(deck={"tilt": tilt}, lip=None, device={"pose": "lying", "width": 50.0})
    front, back = deck_height(part, x=0.0, z=-5.0), deck_height(part, x=0.0, z=-45.0)
    assert front == pytest.approx(DECK - 5.0 * tan(radians(tilt)), abs=FACET)
    assert front - back == pytest.approx(40.0 * tan(radians(tilt)), abs=FACET)


def test_a_plain_deck_has_the_volume_of_a_drafted_box() -> None:
    """Closed form: at depth d both walls have come in by clearance and d tan(draft), the deck stays."""
    part = shelf(lip=None, device={"pose": "lying", "width": 50.0}, body={"edge_radius": 0.0})
    c, slope = CLEARANCE, tan(radians(DRAFT_DEG))
    d = np.linspace(0.0, DEPTH - c, 20_001)
    area = (WIDTH - 2 * c - 2 * d * slope) * (DECK - c - d * slope)
    expected = float(np.trapezoid(area, d))
    made = measure_volume(part.body.mesh)
    assert made < 1.002 * expected
    assert made > 0.985 * expected


def test_the_scoop_is_as_wide_as_asked_and_another_lip_changes_only_the_lip() -> None:
    part = shelf(lip={"scoop": SCOOP})
    ways = np.array([1.0, 0.0, 0.0])
    y = DECK + LIP - 0.05 - HEIGHT / 2  # it leaves the lip's top at 10 degrees
    right, left = hit(part, (0.0, y, -1.5), ways), hit(part, (0.0, y, -1.5), -ways)
    assert right[0] - left[0] == pytest.approx(SCOOP - 0.1 / tan(radians(10.0)), abs=0.25)
    y = DECK + 0.5 - HEIGHT / 2  # at the deck a finger still has room
    assert hit(part, (0.0, y, -1.5), ways)[0] - hit(part, (0.0, y, -1.5), -ways)[0] > 0.55 * SCOOP
    assert deck_height(part, x=0.0, z=-1.5) < DECK
    taller = shelf(lip={"height": LIP + 2.0})
    import manifold3d

    a, b = (manifold3d.Manifold(manifold3d.Mesh64(m.vertices.copy(), m.faces.astype(np.uint64)))
            for m in (taller.body.mesh, bare().body.mesh))  # fmt: skip
    grown, lost = a - b, b - a
    low, high = DECK + LIP - 1.1 - HEIGHT / 2, DECK + LIP + 2.0 - HEIGHT / 2
    assert lost.volume() < 20.0  # mm³: the cheeks' and the lip's old roundings, and facets that fall otherwise
    assert grown.trim_by_plane((0.0, -1.0, 0.0), -low).volume() < 5.0  # below the old rounding: facets
    assert grown.trim_by_plane((0.0, 1.0, 0.0), high).volume() < 5.0
    assert grown.volume() > 0.9 * 2.0 * LIP_THICK * DEVICE["length"]


def test_no_edge_of_the_scoop_is_sharp_at_the_front() -> None:
    """A ball of the rounding's radius reaches the front edge all along the dip; where it slopes, 10 degrees of crossing do."""
    part = shelf(lip={"scoop": SCOOP})
    for x in (0.0, 4.0, 8.0, 11.0, 13.0, 16.0):
        top = deck_height(part, x=x, z=-1.4)
        for depth in (0.15, 0.4):
            fall = 1.0 - (1.0 - (1.0 - depth) ** 2) ** 0.5
            assert deck_height(part, x=x, z=-depth) == pytest.approx(top - fall, abs=0.12)
    assert_printable(part.body.mesh)


def test_drains_are_round_and_go_through() -> None:
    part = shelf(drains={"count": 2, "diameter": DRAIN})
    solid = bare()
    missing = measure_volume(solid.body.mesh) - measure_volume(part.body.mesh)
    thick = DECK - CLEARANCE - 10.0 * tan(radians(DRAFT_DEG))
    assert missing == pytest.approx(2 * np.pi / 4 * DRAIN**2 * thick, rel=0.03)


def test_a_cable_passes_the_lip_at_its_place() -> None:
    part = shelf(cable={"width": 12.0, "place": 25.0})
    y = DECK + 1.0 - HEIGHT / 2
    for x, lip in ((25.0, False), (25.0 + 5.9, False), (25.0 + 6.1, True), (25.0 - 6.1, True)):
        first = hit(part, (x, y, 20.0), -OUT)
        assert (first[2] > -1.0) == lip
    closed = shelf(cable={"width": 12.0, "height": 3.0, "place": 25.0}, lip={"height": 6.0})
    assert deck_height(closed, x=25.0, z=-1.5) == pytest.approx(DECK + 6.0, abs=FACET)
    assert hit(closed, (25.0, y, 20.0), -OUT)[2] < -3.0


@pytest.mark.parametrize("recline", [-10.0, 30.0])
def test_a_leaning_mouth_keeps_the_deck_level(recline: float) -> None:
    part = shelf(recline, device={"lean": 40.0} if recline > 0 else {})
    recess, _, _ = prepared(recline)
    up = recess.up
    inwards = np.array([0.0, up[2], -up[1]])
    base = float((recess.rim @ up).min())
    surface = Surface(part.body.mesh.vertices, part.body.mesh.faces)
    deck = DECK * tan(radians(recline))  # s of the deck's front edge from that of the mouth's lowest point
    origin = recess.rim[int(np.argmin(recess.rim @ up))] @ inwards + deck
    start = (base + 80.0) * up + (origin + LIP_THICK / cos(radians(recline)) + 3.0) * inwards
    far, _ = surface.cast(start[None], -up[None])
    assert 80.0 - far[0] == pytest.approx(DECK, abs=FACET)
    assert is_valid(part.body.solid)
    assert_clears(part.body.mesh, recess, CLEARANCE)


def test_the_device_comes_out_without_touching_part_or_scan() -> None:
    """Moved in steps along its way, no point of it lies in the part; checked with another library's solids."""
    import manifold3d

    part = bare()
    device = part.device
    assert device is not None
    body, moved = (manifold3d.Manifold(manifold3d.Mesh64(m.vertices.copy(), m.faces.astype(np.uint64)))
                   for m in (part.body.mesh, device.mesh))  # fmt: skip
    size = np.ptp(device.mesh.vertices[:, 0])
    assert size == pytest.approx(DEVICE["length"], abs=1e-6)
    assert moved.min_gap(body, 2.0) == pytest.approx(0.1, abs=0.03)  # it is at its seat
    at = np.zeros(3)
    for leg in device.legs:
        for share in np.linspace(0.0, 1.0, 12):
            here = moved.translate(tuple(at + share * leg))
            assert (here ^ body).volume() == 0.0
            inside = here.trim_by_plane((0.0, 0.0, -1.0), 0.0)
            if not inside.is_empty():
                x0, y0, z0, x1, y1, _ = inside.bounding_box()
                assert -WIDTH / 2 < x0 < x1 < WIDTH / 2
                assert -HEIGHT / 2 < y0 < y1 < HEIGHT / 2
                assert z0 > -DEPTH
        at = at + leg
    assert (device.mesh.vertices + at)[:, 2].min() > 0.0
    verdicts = {check.name: check.verdict for check in part.checks}
    assert set(verdicts.values()) == {"pass"}, verdicts


def test_a_device_that_lies_is_held_on_all_sides() -> None:
    part = shelf(device={"pose": "lying", "width": 45.0})
    assert deck_height(part, x=0.0, z=-20.0) == pytest.approx(DECK, abs=FACET)
    back = hit(part, (0.0, DECK + 2.0 - HEIGHT / 2, -20.0), -OUT)
    front = hit(part, (0.0, DECK + 2.0 - HEIGHT / 2, -20.0), OUT)
    assert front[2] - back[2] == pytest.approx(45.0 + 2.0, abs=FACET)


@pytest.mark.parametrize(
    ("tables", "what", "remedy"),
    [
        ({"device": {"length": 260.0}}, "260 x 62 x 9 mm", r"the largest that would: 19\d mm across \(device\.length\)"),
        ({"device": {"width": 95.0}}, "140 x 95 x 9 mm", r"the largest that would: 7\d mm high \(device\.width\)"),
        ({"lip": {"height": 30.0}}, "over a lip of 30 mm", r"give lip\.height = 1\d(\.5)? at most"),
        ({"deck": {"height": 88.0}}, "lies 92.0 mm up in a mouth that is 90.0 mm high", r"deck\.height = 85"),
        ({"deck": {"height": 0.5}}, "less than 1.5 mm of body", r"set deck\.height = 2\.5$"),
        ({"device": {"lean": 60.0}}, "leaning 60 degrees", r"set device\.lean = \d+"),
        ({"deck": {"height": 45.0}}, "leaning 25 degrees", r"set deck\.height = \d+"),
        ({"deck": {"height": 45.0}, "device": {"lean": 5.0}}, "leaning 5 degrees", r"set (deck|device)\."),
        ({"device": {"length": 260.0, "width": 150.0}}, "260 x 150 x 9 mm", r"\(200 x 90 mm, 60 mm deep\) is too small"),
        ({"deck": {"height": 0.5}, "device": {"length": 260.0, "width": 150.0}}, "of body below", "too small for it .* a tray"),
        ({"device": {"place": 60.0}}, "less than 1.5 mm of body", r"set device\.place = 0"),
        ({"lip": {"thickness": 40.0}}, "140 x 62 x 9 mm", r"set lip\.thickness = 3"),
        ({"lip": {"height": 95.0}}, "in a mouth that is 90.0 mm high", r"give lip\.height = \d\d at most"),
        ({"cable": {"width": 300.0}}, "wider than the seat allows", r"give \d+ mm or less"),
        ({"cable": {"width": 12.0, "place": 68.0}}, "lies beside the seat", "-63 to 63 mm"),
        ({"cable": {"width": 12.0, "height": 3.0}}, "less than 2 mm of a lip", "give 2 mm or less"),
        ({"drains": {"count": 40, "diameter": 8.0}}, "40 drain holes of 8 mm", r"drains\.count = 13 at most"),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_said_with_what_would(tables: dict[str, Any], what: str, remedy: str) -> None:
    with pytest.raises(FeatureError, match=r".") as caught:
        shelf(**tables)
    assert what in caught.value.what
    assert re.search(remedy, caught.value.remedy), caught.value.remedy
    for settings in read_remedy(caught.value.remedy):  # what it says to set goes in
        better = recipe_of(**tables)
        taken = {key: json.loads(value) for key, value in settings.items() if key.split(".")[0] in ("deck", "device", "lip")}
        recess, space, shell = prepared()
        make_phone_shelf(shell, space, recess, recipe=with_settings(better, taken))


def test_a_mouth_that_faces_the_sky_has_no_deck() -> None:
    with pytest.raises(FeatureError) as caught:
        shelf(90.0)
    assert "faces the sky" in caught.value.what
    assert "tray" in caught.value.remedy


def test_in_the_example_cubby_the_lip_follows_the_bowed_panel() -> None:
    """The scan of the van's cubby: the panel bows by some millimetres over the lip, which is 3 mm thick all along."""
    recipe = load_recipe(EXAMPLE)
    assert isinstance(recipe, PhoneShelfRecipe)
    assert recipe.scan.file is not None
    assert recipe.lip is not None
    recess = find_datum(read_scan(recipe.scan.file, unit=recipe.scan.unit), mouth=recipe.mouth)
    space = build_space(recess, fit=recipe.fit)
    part = make_phone_shelf(fit_shell(space), space, recess, recipe=recipe)
    assert is_valid(part.body.solid)
    assert len(solids_of(part.body.solid)) == 1
    assert_printable(part.body.mesh)
    assert {check.name: check.verdict for check in part.checks if check.verdict != "pass"} == {}
    y = float(recess.rim[:, 1].min()) + recipe.deck.height + 0.5 * recipe.lip.height
    fronts = []
    for x in (-60.0, -30.0, 30.0, 60.0):
        front = hit(part, (x, y, 30.0), -OUT)
        back = hit(part, (x, y, float(front[2]) - 5.0), OUT)
        assert front[2] == pytest.approx(float(lid_height(recess.lid, np.array(x), np.array(y))), abs=FACET)
        assert front[2] - back[2] == pytest.approx(recipe.lip.thickness, abs=0.05)
        fronts.append(front[2])
    assert np.ptp(fronts) > 1.0


@pytest.mark.parametrize("tilt", [0.0, 6.0])
def test_the_upper_edge_behind_a_lying_device_is_round(tilt: float) -> None:
    """At a depth d under the lip's level the back wall, square to the deck, has receded by r - sqrt(r² - (r - d)²)."""
    part = shelf(device={"pose": "lying", "width": 45.0}, deck={"tilt": tilt})
    t = radians(tilt)
    along, square = np.array([0.0, -sin(t), -cos(t)]), np.array([0.0, cos(t), -sin(t)])
    front = np.array([20.0, DECK - HEIGHT / 2, 0.0])  # the deck's edge; a tilted deck sinks inwards

    def wall(above: float) -> float:
        start = front + above * square + 20.0 * along
        return float((hit(part, tuple(start), along) - start) @ along)

    for depth in (0.1, 0.3, 0.6):
        fall = 1.0 - (1.0 - (1.0 - depth) ** 2) ** 0.5
        assert wall(LIP - depth) - wall(2.0) == pytest.approx(fall, abs=0.08)
    assert_printable(part.body.mesh)
    assert is_valid(part.body.solid)


def test_another_block_is_carved_where_the_kernel_leaves_pieces_standing(monkeypatch: pytest.MonkeyPatch) -> None:
    """At some seams of the block's wall the kernel cuts wrong; with another number of strips they lie elsewhere."""
    from mountgen.features import phone_shelf

    asked: list[int] = []

    def leave_standing(body: Any, tools: Any, *, what: str) -> Any:
        from OCP.BRep import BRep_Builder
        from OCP.TopoDS import TopoDS_Compound

        if not tools:
            return body
        both, build = TopoDS_Compound(), BRep_Builder()
        build.MakeCompound(both)
        for piece in (body, make_box((0.0, 0.0, 50.0), (1.0, 1.0, 51.0))):
            build.Add(both, piece)
        return both

    def make(*, strips: int) -> Block:
        asked.append(strips)
        return Block(make_box((0.0, 0.0, 0.0), (10.0, 10.0, float(strips))))

    tool = make_box((-1.0, -1.0, 4.0), (11.0, 11.0, 99.0))
    monkeypatch.setattr(phone_shelf, "WAYS", ((8, leave_standing), (6, cut_in_turn)))
    block, solid = phone_shelf._carve(make, ([tool], []))
    assert asked == [8, 6]
    assert measure_volume(tessellate(block.solid)) == pytest.approx(600.0)
    assert measure_volume(tessellate(solid)) == pytest.approx(400.0)
    monkeypatch.setattr(phone_shelf, "WAYS", ((8, lambda body, tools, what: body), (5, cut_in_turn)))  # nothing cut, nothing said
    assert measure_volume(tessellate(phone_shelf._carve(make, ([tool], []))[1])) == pytest.approx(400.0)
    assert asked[2:] == [8, 5]
    monkeypatch.setattr(phone_shelf, "WAYS", ((8, leave_standing),))
    with pytest.raises(FeatureError, match="2 pieces"):
        phone_shelf._carve(make, ([tool], []))
