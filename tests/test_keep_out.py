"""Keep-outs: distances of boxes in closed form and by another library, frames, mesh files, remedies that pass."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import manifold3d
import numpy as np
import pytest

from mountgen.arrays import Floats
from mountgen.datum import Recess
from mountgen.errors import RecipeError
from mountgen.features.part import Device
from mountgen.gap import turn_to_z
from mountgen.kernel import Mesh
from mountgen.recipe import PhoneShelfRecipe
from mountgen.recipe_tables import KeepOut
from mountgen.service.keep_out import OUT, judge_keep_outs, measure_device, place_keep_out
from mountgen.stl_file import encode_stl
from mountgen.verdict import Check
from tests.recesses import as_scan, box_recess
from tests.remedies import read_remedy
from tests.solids import ball_mesh, box_mesh
from tests.test_scan import write_bare_3mf

PART = ((20.0, 10.0, 8.0), (-10.0, -5.0, -12.0))  # size and corner: x -10..10, y -5..5, z -12..-4
RECESS = box_recess(60, 40, left=20, right=20)
HANDSET: dict[str, Any] = {"length": 20, "width": 12, "thickness": 6, "mass": 0.2}


def box(low: tuple[float, float, float], high: tuple[float, float, float], **keys: Any) -> KeepOut:
    return KeepOut.model_validate({"name": "body", "low": low, "high": high, **keys})


def recipe_of(*keep_outs: KeepOut, **tables: Any) -> PhoneShelfRecipe:
    return PhoneShelfRecipe.model_validate(
        {"name": "shelf", "deck": {"height": 5}, "device": HANDSET, "keep_out": [k.model_dump() for k in keep_outs], **tables}
    )


def make_case(
    *keep_outs: KeepOut,
    part: Mesh | None = None,
    device: Device | None = None,
    recess: Recess = RECESS,
    mm: float = 1.0,
    seats: Any = None,
    **tables: Any,
) -> Any:
    body = SimpleNamespace(mesh=part or box_mesh(*PART))
    scan = replace(as_scan(recess), mm_per_unit=mm)
    part_of_it = SimpleNamespace(body=body, device=device, seats=seats)
    return SimpleNamespace(part=part_of_it, recess=recess, scan=scan, recipe=recipe_of(*keep_outs, **tables))


def judge(*keep_outs: KeepOut, **options: Any) -> Check:
    return judge_keep_outs(make_case(*keep_outs, **options)).checks[0]


def gap_of_boxes(a_low: Floats, a_high: Floats, b_low: Floats, b_high: Floats) -> float:
    """Closed form: the distance of two upright boxes that do not overlap."""
    return float(np.linalg.norm(np.maximum(0.0, np.maximum(b_low - a_high, a_low - b_high))))


@pytest.mark.parametrize(
    ("low", "high", "gap"),
    [
        ((17, -5, -12), (20, 5, -4), 7.0),  # beside it
        ((13, 9, -12), (20, 20, -10), 5.0),  # off its edge: 3 and 4
        ((13, 9, 0), (20, 20, 0.5), 5.0),  # off its way, above where it stands
        ((12, 7, -30), (20, 20, -13), 3.0),  # off its lower corner: 2, 2 and 1
        ((-50, -50, -40), (50, 50, -19.5), 7.5),  # below
    ],
)
def test_distances_of_boxes_in_closed_form(low: Any, high: Any, gap: float) -> None:
    check = judge(box(low, high))
    assert check.value == pytest.approx(gap, abs=1e-9)
    assert (check.verdict, check.limit, check.unit, check.remedy) == ("pass", 0.0, "mm", "")


def test_distances_of_many_boxes_over_the_whole_way() -> None:
    """A box that moves along z passes over the box from its seat to where it ends."""
    random = np.random.default_rng(3)
    size, corner = np.array(PART[0]), np.array(PART[1])
    travel = 12.0 + OUT
    for _ in range(40):
        low = random.uniform(-40.0, 30.0, 3)
        high = low + random.uniform(1.0, 12.0, 3)
        exact = gap_of_boxes(corner, corner + size + [0.0, 0.0, travel], low, high)
        check = judge(box(tuple(low.tolist()), tuple(high.tolist())))
        assert check.value is not None
        if exact > 0.0:
            assert check.value == pytest.approx(exact, abs=0.02)
            assert check.verdict == "pass"
        else:
            assert check.value <= 0.0
            assert check.verdict == "fail"


def test_a_device_on_slanting_legs_agrees_with_hulls_of_another_library() -> None:
    device = Device(box_mesh((20.0, 6.0, 12.0), (-10.0, -3.0, -15.0)), np.array([[0.0, 4.0, 1.0], [3.0, 6.0, 20.0]]))
    random = np.random.default_rng(5)
    hulls, at = [], device.mesh.vertices
    for leg in device.legs:
        hulls.append(manifold3d.Manifold.hull_points(np.vstack([at, at + leg])))
        at = at + leg
    for _ in range(25):
        low = random.uniform([-30, -25, -20], [20, 20, 15])
        size = random.uniform(1.0, 10.0, 3)
        exact = min(hull.min_gap(manifold3d.Manifold.cube(tuple(size)).translate(tuple(low)), 100.0) for hull in hulls)
        found = measure_device(device, box_mesh(tuple(size.tolist()), tuple(low.tolist()))).min
        assert found == pytest.approx(exact, abs=0.05) if exact > 0.0 else found <= 1e-9


def test_a_box_in_the_scans_axes_and_unit_is_the_same_body() -> None:
    """The scan file is in inches, turned and shifted; corners of a box along its axes are not along the part's."""
    matrix = np.eye(4)
    matrix[:3, :3], matrix[:3, 3] = turn_to_z((0.3, -0.5, 0.8)), (100.0, -40.0, 7.0)
    recess = replace(RECESS, part_to_scan=matrix)
    low, high = np.array([3.0, -2.0, 0.1]), np.array([3.5, -1.0, 0.9])
    case = make_case(recess=recess, mm=25.4)
    placed = place_keep_out(box(tuple(low.tolist()), tuple(high.tolist()), axes="scan"), case)
    back = (placed.vertices @ matrix[:3, :3].T + matrix[:3, 3]) / 25.4
    assert back.min(axis=0) == pytest.approx(low)
    assert back.max(axis=0) == pytest.approx(high)
    solid = manifold3d.Manifold(manifold3d.Mesh64(placed.vertices.copy(), placed.faces.astype(np.uint64)))
    assert solid.volume() == pytest.approx(float(np.prod(25.4 * (high - low))))


@pytest.mark.parametrize("inside_out", [False, True])
def test_a_mesh_file_is_a_body_too(tmp_path: Path, inside_out: bool) -> None:
    ball = ball_mesh(6.0, (26.0, 0.0, -8.0))
    mesh = Mesh(ball.vertices, ball.faces[:, ::-1]) if inside_out else ball
    path = tmp_path / "knob.stl"
    path.write_bytes(encode_stl(mesh, name="knob"))
    check = judge(KeepOut(name="knob", kind="lever", file=path))
    assert check.value == pytest.approx(26.0 - 6.0 - 10.0, abs=0.01)
    large = tmp_path / "panel.stl"
    large.write_bytes(encode_stl(ball_mesh(80.0), name="panel"))
    assert judge(KeepOut(name="panel", file=large)).verdict == "fail"  # the part lies wholly inside


@pytest.mark.parametrize(("unit", "mm"), [("foot", 304.8), ("inch", 25.4), ("micron", 0.001), ("millimeter", 1.0)])
def test_a_mesh_file_is_in_the_unit_that_it_states(unit: str, mm: float, tmp_path: Path) -> None:
    """As a scan is: unless the recipe has chosen another, which counts in the scan's axes."""
    ball = ball_mesh(6.0, (26.0, 0.0, -8.0))
    write_bare_3mf(tmp_path / "knob.3mf", ball.vertices / mm, ball.faces, unit=unit)
    for axes in ("mouth", "scan"):
        knob = KeepOut.model_validate({"name": "knob", "kind": "lever", "file": tmp_path / "knob.3mf", "axes": axes})
        assert np.ptp(place_keep_out(knob, make_case(knob)).vertices[:, 0]) == pytest.approx(12.0, abs=0.1)
    case = make_case(knob, mm=10.0, scan={"unit": "cm"})
    assert np.ptp(place_keep_out(knob, case).vertices[:, 0]) == pytest.approx(120.0 / mm, rel=0.01)


def test_a_mesh_whose_corners_are_missing_or_no_numbers_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "knob.obj"
    for text in ("v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 9\n", "v 0 0 nan\nv 1 0 0\nv 0 1 0\nf 1 2 3\n"):
        path.write_text(text)
        with pytest.raises(RecipeError) as caught:
            judge(KeepOut(name="knob", file=path))
        assert str(path) in caught.value.what
        assert caught.value.where == 'keep_out "knob", file'
    with pytest.raises(RecipeError, match="not an ordinary file"):
        judge(KeepOut(name="knob", file=tmp_path))


def test_a_mesh_that_cannot_be_read_says_which_and_why(tmp_path: Path) -> None:
    with pytest.raises(RecipeError) as caught:
        judge(KeepOut(name="knob", file=tmp_path / "knob.stl"))
    assert "knob.stl cannot be read (No such file" in caught.value.what
    assert caught.value.where == 'keep_out "knob", file'
    assert caught.value.remedy == "give another file, or a box"
    (tmp_path / "knob.stl").write_bytes(b"not a mesh")
    with pytest.raises(RecipeError) as caught:
        judge(KeepOut(name="knob", file=tmp_path / "knob.stl"))
    assert caught.value.where == 'keep_out "knob", file'


@pytest.mark.parametrize(
    ("keys", "limit", "verdict"),
    [
        ({"kind": "airbag"}, 50.0, "fail"),
        ({"kind": "airbag-seam"}, 50.0, "fail"),
        ({"kind": "vent"}, 20.0, "caution"),
        ({"kind": "lever"}, 0.0, "pass"),
        ({"kind": "airbag", "margin": 7.0}, 7.0, "pass"),
        ({"kind": "screen", "margin": 8.5}, 8.5, "fail"),
    ],
)
def test_each_kind_has_its_distance_unless_another_is_given(keys: dict[str, Any], limit: float, verdict: str) -> None:
    check = judge(box((18, -5, -12), (25, 5, -4), **keys))
    assert (check.value, check.limit, check.verdict) == (pytest.approx(8.0), limit, verdict)
    assert check.basis == ("recipe" if "margin" in keys else "our rule")
    assert (check.remedy == "") == (verdict == "pass")


def test_another_place_for_the_device_is_named_that_passes() -> None:
    """The device stands 4 mm from a lever that wants 15: 11 mm to the other side will do."""
    mesh = box_mesh((20.0, 6.0, 12.0), (-10.0, -3.0, -15.0))
    legs = np.array([[0.0, 0.0, 30.0]])
    lever = box((14, -20, -30), (18, 20, 30), name="lever", kind="lever", margin=15)
    far = box_mesh((2.0, 2.0, 2.0), (-25.0, 0.0, -15.0))
    check = judge(lever, part=far, device=Device(mesh, legs))
    assert (check.verdict, check.value) == ("fail", pytest.approx(4.0))
    assert "(device, " in check.place
    found = re.search(r"set device\.place = (-?[\d.]+)", check.remedy)
    assert found is not None
    assert float(found[1]) == pytest.approx(-11.0, abs=1.0)
    moved = Device(Mesh(mesh.vertices + np.array([float(found[1]), 0.0, 0.0]), mesh.faces), legs)
    assert judge(lever, part=far, device=moved).verdict == "pass"

    def seats(recipe: PhoneShelfRecipe) -> Device | None:
        """Seat a device in the middle only, as long as the recipe's and never across: its length runs across the mouth."""
        if recipe.device.place or recipe.device.orientation == "portrait":
            return None
        length = recipe.device.length
        return Device(box_mesh((length, 6.0, 12.0), (-0.5 * length, -3.0, -15.0)), legs)

    nearer = box((14, -20, -30), (18, 20, 30), name="lever", kind="lever", margin=6)
    again = judge(nearer, part=far, device=Device(mesh, legs), seats=seats)
    (named,) = read_remedy(again.remedy)
    assert named == {"device.length": "16"}  # 14 mm to the lever less 6, on both sides of the middle
    shorter = seats(recipe_of(device=HANDSET | {"length": 16.0}))
    assert judge(nearer, part=far, device=shorter, seats=seats).verdict == "pass"
    nothing = judge(nearer, part=far, device=Device(mesh, legs), seats=lambda tried: None)
    assert "none of 80 other leans, decks and poses does, nor a device of 70 % of its size" in nothing.remedy


def test_a_flange_that_comes_near_is_told_how_narrow_it_must_be() -> None:
    from mountgen.recipe import PlugRecipe

    lever = box((20, -5, -12), (25, 5, -4), margin=11.5)

    def check(width: float) -> Check:
        case = make_case(part=box_mesh((20.0 + 2.0 * width - 12.0, 10.0, 8.0), (-4.0 - width, -5.0, -12.0)))
        case.recipe = PlugRecipe(name="plug", flange={"width": width, "thickness": 2}, keep_out=(lever,))  # type: ignore[arg-type]
        return judge_keep_outs(case).checks[0]

    near = check(6.0)
    assert (near.verdict, near.value) == ("fail", pytest.approx(10.0))
    found = re.search(r"set flange\.width = ([\d.]+)", near.remedy)
    assert found is not None
    assert check(float(found[1])).verdict == "pass"


def test_airbags_must_be_looked_up_and_said_so() -> None:
    def check(**tables: Any) -> Check:
        (found,) = judge_keep_outs(make_case(**tables)).checks
        return found

    asked = check()
    assert (asked.name, asked.verdict, asked.value) == ("airbags looked up", "caution", 0.0)
    assert "place.airbags_checked = true" in asked.remedy
    assert check(place={"airbags_checked": True}).verdict == "pass"


def test_facts_name_each_keep_out_with_both_distances() -> None:
    device = Device(box_mesh((4.0, 4.0, 4.0), (-2.0, -2.0, -3.0)), np.zeros((0, 3)))
    found = judge_keep_outs(make_case(box((18, -5, -12), (25, 5, -4), name="screen", kind="screen"), device=device))
    (fact,) = found.facts["keep_outs"]
    assert fact == {
        "name": "screen", "kind": "screen", "distance": 0.0, "part": pytest.approx(8.0),
        "device": pytest.approx(np.hypot(16.0, 1.0)),  # 18 - 2 to the side, its lower end 1 mm above the screen's top
    }  # fmt: skip
