"""The print's judge: every remedy it names makes its check pass, and what it writes reads back as it says."""

from __future__ import annotations

import re
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any, cast

import manifold3d
import numpy as np
import pytest
import trimesh
from jsonschema import Draft202012Validator

from mountgen.export import encode_part
from mountgen.features.part import Part
from mountgen.inspection import inspect_body
from mountgen.kernel import Body, Mesh
from mountgen.material import find_material, load_materials
from mountgen.mesh_3mf import read_3mf
from mountgen.mesh_measure import measure_volume
from mountgen.outputs import name_outputs
from mountgen.recipe import PlugRecipe
from mountgen.report import load_report_schema, make_json
from mountgen.service.case import Case, Finding
from mountgen.service.plate import move_points
from mountgen.service.print_check import _find_faults, judge_print, list_metadata, tell_side_down
from mountgen.service.print_split import ENDINGS
from mountgen.verdict import Check
from tests.recesses import as_scan, box_recess
from tests.solids import box_solid
from tests.test_print_orientation import as_mesh
from tests.test_threemf import read_strictly

GAP = 0.5


def block(x: float = 59.0, y: float = 39.0, low: float = -19.5, high: float = 0.0) -> manifold3d.Manifold:
    """A block that fills the recess but for 0.5 mm."""
    return manifold3d.Manifold.cube((x, y, high - low)).translate((-0.5 * x, -0.5 * y, low))


@cache
def recess() -> Any:
    return box_recess(60, 40, left=20, right=20)


def make_case(solid: manifold3d.Manifold, *, clearance: float = GAP, material: str = "asa", **printer: Any) -> Case:
    recipe = PlugRecipe.model_validate(
        {"name": "cover", "material": material, "fit": {"clearance": clearance}, "printer": printer}
    )
    mesh, materials = as_mesh(solid), load_materials()
    width = recipe.printer.line_width
    found = inspect_body(mesh, recess(), clearance=clearance, wall_min=3.0 * width, line_width=width)
    return Case(
        recipe=recipe, scan=as_scan(recess()), recess=recess(), part=Part(body=Body(cast(Any, None), mesh)),
        material=find_material(recipe.material), materials=materials, inspection=found,
    )  # fmt: skip


def check_of(found: Finding, name: str) -> Check:
    return next(check for check in found.checks if check.name == name)


def direction_in(remedy: str) -> list[float]:
    found = re.search(r"printer\.layers_along = \[([^]]*)\]", remedy)
    assert found is not None, remedy
    return [float(value) for value in found[1].split(",")]


def test_a_block_is_printed_on_its_flat_face_and_passes_everything() -> None:
    found = judge_print(make_case(block()))
    assert {check.verdict for check in found.checks} == {"pass"}
    assert [check.name for check in found.checks] == [
        "room on the bed", "support on fit faces", "longest bridge", "narrowest gap", "height of a layer",
        "steady on the plate", "gap at the first layer",
    ]  # fmt: skip
    assert found.files == {}
    room = check_of(found, "room on the bed")
    assert room.value == pytest.approx(220.0 - 59.0)
    assert found.notes[0].startswith("print: mouth ")
    assert "[" not in found.notes[0]  # words for the terminal; the direction itself is a fact and metadata of the 3MF
    assert "3MF" in found.notes[0]


@pytest.mark.parametrize(
    ("up", "words"),
    [
        ((0.0, 0.0, 1.0), "mouth up"), ((0.1, 0.0, -0.99), "mouth down"),
        ((0.0, -1.0, 0.0), "12:00 o'clock down"), ((-1.0, 0.0, 0.1), "3:00 o'clock down"), ((0.0, 0.9, 0.4), "6:00 o'clock down"),
    ],
)  # fmt: skip
def test_which_side_lies_on_the_plate_in_words(up: tuple[float, float, float], words: str) -> None:
    assert tell_side_down(np.array(up)) == words


def test_the_facts_are_as_the_schema_says_and_the_matrix_lays_the_part_on_the_plate() -> None:
    schema = load_report_schema()["properties"]["service"]["properties"]["print"]
    for case in (make_case(block()), make_case(block(), bed=[40, 40, 40]), make_case(block(), bed=[40, 40, 40], split=True)):
        facts = make_json(judge_print(case).facts)
        assert list(Draft202012Validator(schema).iter_errors(facts)) == []
        moved = move_points(case.part.body.mesh.vertices, np.array(facts["part_to_plate"]))
        assert moved[:, 2].min() == pytest.approx(0.0, abs=1e-9)
        np.testing.assert_allclose(np.ptp(moved, axis=0), facts["size"])
        np.testing.assert_allclose(np.array(facts["part_to_plate"])[2, :3], facts["layers_along"])
    assert make_json(judge_print(make_case(block())).facts)["split"] is None


def test_the_mass_is_that_of_the_formula_by_hand() -> None:
    """59 x 39 x 19.5 mm: V = 44 869.5 mm³, A = 8 424 mm², shell 8 424 * 1.35 = 11 372.4, laid 19 746.7 mm³, 1.07 g/cm³."""
    estimate = judge_print(make_case(block())).facts["estimate"]
    assert estimate["laid"] == pytest.approx(19_746.7, abs=0.1)
    assert estimate["mass"] == pytest.approx(19.7467 * find_material("asa").density.value, abs=1e-3)


def test_the_3mf_has_a_chamfer_along_the_plate_and_the_stl_has_not() -> None:
    """On its 59 x 39 mm face: (a + b) c² - 4 c³ / 3 less, and told so."""
    case = make_case(block(), layers_along=[0.0, 0.0, 1.0])
    files = encode_part(
        Body(box_solid(), case.part.body.mesh), name="cover", transform=case.orientations[0].pose.part_to_plate,
        metadata=list_metadata(case), printed=case.foot.mesh,
    )  # fmt: skip
    corners, faces, _ = read_3mf(files["cover.3mf"], "cover.3mf")
    lost = (59.0 + 39.0) * 0.4**2 - 4.0 * 0.4**3 / 3.0
    whole = 59.0 * 39.0 * 19.5
    assert measure_volume(Mesh(np.asarray(corners), np.asarray(faces))) == pytest.approx(whole - lost, rel=1e-6)
    sizes = np.ptp(np.asarray(corners)[np.asarray(corners)[:, 2] < 0.01], axis=0)[:2]
    np.testing.assert_allclose(np.sort(sizes), [39.0 - 0.8, 59.0 - 0.8], atol=1e-3)
    found = judge_print(case)
    assert found.facts["foot"] == {"size": 0.4, "removed": pytest.approx(lost, rel=1e-5), "left": 0.0}
    assert "the 3MF has a chamfer of 0.4 mm along the plate" in found.notes[1]
    assert len(judge_print(make_case(block(), foot=0)).notes) == 1


def test_the_3mf_is_in_print_orientation_and_the_stl_in_the_parts_own_axes(tmp_path: Path) -> None:
    case = make_case(block(), layers_along=[0.0, 1.0, 0.0])
    body = Body(box_solid(), case.part.body.mesh)
    files = encode_part(
        body, name="cover", transform=case.orientations[0].pose.part_to_plate, metadata=list_metadata(case)
    )
    model = read_strictly(files["cover.3mf"])
    group = model.GetMetaDataGroup()
    told = {(entry := group.GetMetaData(k)).GetName(): entry.GetValue() for k in range(group.GetMetaDataCount())}
    assert told["LayersAlong"] == "[0, 1, 0]"
    assert (told["LayerHeight"], told["Infill"], told["Material"]) == ("0.2 mm", "25 %", "ASA")
    items = model.GetBuildItems()
    assert items.MoveNext()
    fields = np.array([list(row) for row in items.GetCurrent().GetObjectTransform().Fields])
    objects = model.GetMeshObjects()
    assert objects.MoveNext()
    corners = np.array([list(v.Coordinates) for v in objects.GetCurrentMeshObject().GetVertices()])
    on_plate = np.column_stack([corners, np.ones(len(corners))]) @ fields
    np.testing.assert_allclose(on_plate.min(axis=0), (110 - 29.5, 110 - 9.75, 0.0), atol=1e-4)
    np.testing.assert_allclose(on_plate.max(axis=0), (110 + 29.5, 110 + 9.75, 39.0), atol=1e-4)
    (tmp_path / "cover.stl").write_bytes(files["cover.stl"])
    written = trimesh.load(tmp_path / "cover.stl")
    np.testing.assert_allclose(written.bounds, [(-29.5, -19.5, -19.5), (29.5, 19.5, 0.0)], atol=1e-5)


def test_shrinkage_made_good_needs_room_too() -> None:
    """Enlarged by 1 / (1 - 0.1), 59 mm are 65.6 mm."""
    tight: dict[str, Any] = {"bed": [60, 45, 60]}
    assert check_of(judge_print(make_case(block(), **tight)), "room on the bed").verdict == "pass"
    grown = judge_print(make_case(block(), **tight, shrinkage=10.0))
    assert check_of(grown, "room on the bed").verdict == "fail"
    assert max(grown.facts["size"]) == pytest.approx(59.0 / 0.9)
    assert check_of(grown, "room on the bed").value == pytest.approx(60.0 - 59.0 / 0.9)


# ------------------------------------------------------------------ each remedy passes


def test_a_larger_bed_or_pieces_make_room() -> None:
    found = check_of(judge_print(make_case(block(), bed=[40, 30, 45])), "room on the bed")
    assert found.verdict == "fail"
    assert found.value is not None
    assert found.value < 0.0
    size = re.search(r"printer\.bed = \[([\d, ]+)\]", found.remedy)
    assert size is not None
    bed = [int(value) for value in size[1].split(",")]
    assert sorted(bed) == [20, 39, 59]
    assert check_of(judge_print(make_case(block(), bed=[max(b, 20) for b in bed])), "room on the bed").verdict == "pass"
    assert "printer.split = true" in found.remedy
    assert check_of(judge_print(make_case(block(), bed=[40, 30, 45], split=True)), "room on the bed").verdict == "pass"


def test_another_way_up_makes_room() -> None:
    case = make_case(block(), bed=[60, 40, 25], layers_along=[1, 0, 0])
    found = check_of(judge_print(case), "room on the bed")
    assert found.verdict == "fail"
    turned = make_case(block(), bed=[60, 40, 25], layers_along=direction_in(found.remedy))
    assert check_of(judge_print(turned), "room on the bed").verdict == "pass"


def test_the_other_joint_is_named_where_only_that_has_room() -> None:
    shell = block() - block(55.0, 35.0, -17.5, 1.0)
    found = check_of(judge_print(make_case(shell, bed=[45, 45, 45], split=True)), "room on the bed")
    assert found.verdict == "fail"
    assert 'printer.joint = "dovetail"' in found.remedy
    mended = judge_print(make_case(shell, bed=[45, 45, 45], split=True, joint="dovetail"))
    assert check_of(mended, "room on the bed").verdict == "pass"
    assert "dovetail" in mended.notes[0]


def test_support_on_fit_faces() -> None:
    """Tilted by 40 degrees, the floor of the recess faces an underside of the part that hangs."""
    found = check_of(judge_print(make_case(block(), layers_along=[0.0, 0.643, 0.766])), "support on fit faces")
    assert found.verdict == "caution"
    assert found.value == pytest.approx(59.0 * 39.0 / (59.0 * 39.0 + 2.0 * 19.5 * (59.0 + 39.0)), rel=0.1)
    turned = judge_print(make_case(block(), layers_along=direction_in(found.remedy)))
    assert check_of(turned, "support on fit faces").verdict == "pass"


def test_a_long_bridge() -> None:
    tunnel = block() - manifold3d.Manifold.cube((30.0, 60.0, 10.0), True).translate((0.0, 0.0, -9.75))
    found = check_of(judge_print(make_case(tunnel, layers_along=[0, 0, 1])), "longest bridge")
    assert found.verdict == "caution"
    assert found.value == pytest.approx(30.0, abs=0.9)
    assert "z -4.7 mm" in found.place or "z -4.8 mm" in found.place
    turned = judge_print(make_case(tunnel, layers_along=direction_in(found.remedy)))
    assert check_of(turned, "longest bridge").verdict == "pass"


def test_a_slot_that_fuses() -> None:
    slotted = block() - manifold3d.Manifold.cube((0.3, 20.0, 15.0), True)
    found = check_of(judge_print(make_case(slotted)), "narrowest gap")
    assert (found.verdict, found.value) == ("caution", pytest.approx(0.3))
    width = re.search(r"printer\.line_width = ([\d.]+)", found.remedy)
    assert width is not None
    assert check_of(judge_print(make_case(slotted, line_width=float(width[1]))), "narrowest gap").verdict == "pass"


@pytest.mark.parametrize("gap", [0.22, 0.2, 0.19, 0.1])
def test_no_line_is_advised_that_no_printer_lays_nor_one_that_the_layers_are_too_high_for(gap: float) -> None:
    slotted = block() - manifold3d.Manifold.cube((gap, 20.0, 15.0), True)
    found = check_of(judge_print(make_case(slotted)), "narrowest gap")
    assert (found.verdict, found.value) == ("caution", pytest.approx(gap))
    settings = {key: float(value) for key, value in re.findall(r"printer\.(\w+) = ([\d.]+)", found.remedy)}
    if gap < 0.2:
        assert settings == {}
        assert "let it fuse" in found.remedy
    else:
        again = judge_print(make_case(slotted, **settings))
        assert [check_of(again, name).verdict for name in ("narrowest gap", "height of a layer")] == ["pass", "pass"]


def test_a_part_that_stands_unsteadily() -> None:
    blade = block(5.0, 39.0)
    found = check_of(judge_print(make_case(blade, layers_along=[0, 1, 0])), "steady on the plate")
    assert (found.verdict, found.value, found.limit) == ("caution", pytest.approx(2.5 / 19.5), pytest.approx(1.0 / 3.0))
    turned = judge_print(make_case(blade, layers_along=direction_in(found.remedy)))
    assert check_of(turned, "steady on the plate").verdict == "pass"
    assert "brings" not in found.remedy


def test_a_way_up_that_mends_one_thing_and_spoils_another_is_advised_with_that_said() -> None:
    """A blade with a groove of 15 mm along each side: it is steady on a side alone, and there bridges the groove."""
    groove = manifold3d.Manifold.cube((2.0, 60.0, 15.0), True)
    blade = block(5.0, 39.0) - groove.translate((2.5, 0.0, -9.5)) - groove.translate((-2.5, 0.0, -9.5))
    before = judge_print(make_case(blade, layers_along=[0, 1, 0]))
    assert check_of(before, "longest bridge").verdict == "pass"
    found = check_of(before, "steady on the plate")
    assert found.verdict == "caution"
    assert "a longer bridge" in found.remedy.partition("which brings ")[2].removesuffix(" instead")
    turned = judge_print(make_case(blade, layers_along=direction_in(found.remedy)))
    assert check_of(turned, "steady on the plate").verdict == "pass"
    assert check_of(turned, "longest bridge").verdict == "caution"


def test_support_on_fit_faces_is_among_what_a_way_up_spoils() -> None:
    """Told of another way up where, and only where, the check itself finds fault with that way up."""
    for up in ([0.0, 0.643, 0.766], [0.0, 0.0, 1.0]):
        case = make_case(block(), layers_along=up)
        check = check_of(judge_print(case), "support on fit faces")
        assert ("support on fit faces" in _find_faults(case, case.orientations[0])) == (check.verdict == "caution")
        assert (check.verdict == "caution") == (up[1] > 0.0)


def test_a_first_layer_that_is_pressed_out_into_the_gap() -> None:
    """0.1 mm of gap, less 0.15 mm that the first layer is pressed out, where walls that bear stand on the plate."""
    tight = make_case(block(59.8, 39.8, -19.9), clearance=0.1, layers_along=[0, 0, 1], foot=0)
    found = check_of(judge_print(tight), "gap at the first layer")
    assert (found.verdict, found.value) == ("caution", pytest.approx(-0.05, abs=1e-3))
    wider, foot = (re.search(rf"{key} = ([\d.]+)", found.remedy) for key in (r"fit\.clearance", r"printer\.foot"))
    assert wider is not None
    assert foot is not None
    gap = float(wider[1])
    mended = make_case(block(60.0 - 2.0 * gap, 40.0 - 2.0 * gap, gap - 20.0), clearance=gap, layers_along=[0, 0, 1], foot=0)
    assert check_of(judge_print(mended), "gap at the first layer").verdict == "pass"
    cut = make_case(block(59.8, 39.8, -19.9), clearance=0.1, layers_along=[0, 0, 1], foot=float(foot[1]))
    passed = check_of(judge_print(cut), "gap at the first layer")
    assert (passed.verdict, passed.value) == ("pass", pytest.approx(0.1, abs=1e-3))
    little = make_case(block(59.8, 39.8, -19.9), clearance=0.1, layers_along=[0, 0, 1], foot=0.2)  # 0.1 of it in mid-layer
    assert check_of(judge_print(little), "gap at the first layer").value == pytest.approx(0.05, abs=1e-3)


def test_a_thin_wall_on_the_plate_leaves_the_chamfer_to_the_printing_program() -> None:
    frame = block(59.8, 39.8, -19.9) - block(57.0, 37.0, -30.0, 10.0)
    found = judge_print(make_case(frame, clearance=0.1, layers_along=[0, 0, 1]))
    check = check_of(found, "gap at the first layer")
    assert (check.verdict, check.value) == ("caution", pytest.approx(-0.05, abs=1e-3))
    assert "take 0.15 mm off the first layer" in check.remedy
    assert "let the printing program draw the first layer in" in found.notes[1]
    assert found.facts["foot"]["left"] == pytest.approx(59.8 * 39.8 - 57.0 * 37.0, rel=1e-3)


def test_layers_are_no_higher_than_lines_hold() -> None:
    """0.8 of a line's width: 0.36 mm for lines of 0.45."""
    assert check_of(judge_print(make_case(block(), layer_height=0.36)), "height of a layer").verdict == "pass"
    found = check_of(judge_print(make_case(block(), layer_height=0.6)), "height of a layer")
    assert (found.verdict, found.limit) == ("caution", pytest.approx(0.36))
    lower = re.search(r"layer_height = ([\d.]+)", found.remedy)
    assert lower is not None
    assert check_of(judge_print(make_case(block(), layer_height=float(lower[1]))), "height of a layer").verdict == "pass"


# ------------------------------------------------------------------ pieces


@pytest.mark.parametrize("joint", ["dowels", "dovetail"])
def test_pieces_are_written_as_they_are_told(joint: str, tmp_path: Path) -> None:
    case = make_case(block(), bed=[40, 45, 45], split=True, joint=joint, shrinkage=1.0)
    found = judge_print(case)
    facts = make_json(found.facts)["split"]
    pins = sum(len(each["places"]) for each in facts["joints"] if each["kind"] == "dowels")
    letters = "abcdefgh"[: len(facts["pieces"])]
    assert {name for name in found.files if re.fullmatch(r"-[a-h]\.stl", name)} == {f"-{letter}.stl" for letter in letters}
    whole = case.scale**3 * measure_volume(case.part.body.mesh)
    volume = 0.0
    for letter, piece in zip(letters, facts["pieces"], strict=True):
        path = tmp_path / f"{letter}.stl"
        path.write_bytes(found.files[f"-{letter}.stl"])
        written = trimesh.load(path)
        assert written.is_watertight
        volume += written.volume
        assert all(side <= room for side, room in zip(piece["size"], case.recipe.printer.bed, strict=True))
        assert piece["name"] == f"piece {letter}"
        by_hand = min(1.0, 0.25 + 0.75 * 1.35 * written.area / case.scale**2 / (written.volume / case.scale**3))
        assert piece["estimate"]["laid"] == pytest.approx(by_hand * written.volume / case.scale**3, rel=1e-4)
    lost = sum(each["lost"] for each in facts["joints"]) * case.scale**3
    assert volume == pytest.approx(whole - lost, rel=1e-5)
    model = read_strictly(found.files["-pieces.3mf"])
    boxes = []
    items, names = model.GetBuildItems(), []
    while items.MoveNext():
        item = items.GetCurrent()
        part = model.GetMeshObjectByID(item.GetObjectResource().GetResourceID())
        assert part.IsManifoldAndOriented()
        names.append(part.GetName())
        fields = np.array([list(row) for row in item.GetObjectTransform().Fields])
        corners = np.array([list(v.Coordinates) for v in part.GetVertices()])
        boxes.append(np.column_stack([corners, np.ones(len(corners))]) @ fields)
    assert len(names) == len(letters) + pins
    assert names[: len(letters)] == [f"cover-{letter}" for letter in letters]
    for left, right in pairwise(boxes):
        assert right[:, 0].min() - left[:, 0].max() == pytest.approx(10.0, abs=1e-3)
    for box in boxes:
        assert box[:, 2].min() == pytest.approx(0.0, abs=1e-4)
    for box, piece in zip(boxes, facts["pieces"], strict=False):
        np.testing.assert_allclose(np.ptp(box, axis=0), piece["size"], atol=1e-3)
    long = [case.scale * each["pin"] for each in facts["joints"] for _ in each["places"] if each["kind"] == "dowels"]
    assert [np.ptp(box, axis=0).max() for box in boxes[len(letters) :]] == pytest.approx(long, abs=1e-3)  # as holes do
    assert set(found.files) <= set(ENDINGS)


def test_no_piece_takes_the_place_of_a_source() -> None:
    assert {f"cover{ending}" for ending in ENDINGS} <= set(name_outputs("cover"))


def test_a_part_that_fits_is_not_parted() -> None:
    found = judge_print(make_case(block(), split=True))
    assert found.files == {}
    assert found.facts["split"] is None


def test_it_is_told_where_the_part_is_cut() -> None:
    note = judge_print(make_case(block(), bed=[40, 45, 45], split=True)).notes[0]
    assert re.search(r"cut at [xyz] = -?[\d.]+, 2 pins of \d+ x \d+ mm", note)
    assert "do not count on the joint" in note


def test_pieces_are_judged_as_they_are_printed_and_not_as_the_whole() -> None:
    """A slab on edge, as asked, would be unsteady; its pieces lie as is best for them, and that is what is judged."""
    slab = block(59.0, 39.0, -19.5, -13.5)
    asked: dict[str, Any] = {"bed": [46.5, 40, 30], "joint": "dovetail", "layers_along": [1, 0, 0]}
    whole, pieces = (judge_print(make_case(slab, split=split, **asked)) for split in (False, True))
    assert check_of(whole, "steady on the plate").verdict == "caution"
    steady = check_of(pieces, "steady on the plate")
    assert steady.verdict == "pass"
    told = pieces.facts["split"]["pieces"]
    assert steady.value == pytest.approx(min(each["steadiness"] for each in told))
    assert "piece a" in pieces.notes[0]
    assert "piece b" in pieces.notes[0]
    total = sum(each["estimate"]["mass"] for each in told)
    assert f"in all about {total:.0f} g" in pieces.notes[0]
    assert total == pytest.approx(whole.facts["estimate"]["mass"], rel=0.15)  # more surface, at the joint


def test_what_fits_another_way_up_is_turned_and_not_parted() -> None:
    case = make_case(block(), bed=[60, 40, 25], layers_along=[1, 0, 0], split=True)
    found = judge_print(case)
    assert found.facts["split"] is None
    assert found.files == {}
    assert "printer.layers_along" in check_of(found, "room on the bed").remedy
