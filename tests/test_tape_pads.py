"""Tape pads in a box with a flat floor and over a floor of known curvature: places, depths and bond lines by closed form."""

from __future__ import annotations

import re
from functools import cache
from itertools import combinations
from typing import Any

import numpy as np
import pytest

from mountgen.block import make_block
from mountgen.datum import Recess
from mountgen.errors import FeatureError
from mountgen.features.pad_place import Spot
from mountgen.features.part import Part, SoftZone
from mountgen.features.tape_pads import Pad, PadPlan, advise_flatter, carve_pads, plan_pads
from mountgen.field import build_space
from mountgen.gap import TOLERANCE
from mountgen.inspection import inspect_body
from mountgen.kernel import Body, Mesh, is_valid, solids_of, tessellate
from mountgen.loft import fit_shell
from mountgen.mesh_measure import measure_volume
from mountgen.recipe_tables import Fit, TapePads
from mountgen.surface import Surface
from mountgen.verdict import Check
from tests.checks import assert_printable
from tests.recesses import box_recess
from tests.remedies import read_remedy
from tests.solids import box_mesh, box_solid

FINE = 0.003  # mm; chord error at which volumes are compared
CLEARANCE, DEPTH = 0.5, 30.0
SUNK = TapePads(count=2, length=20.0, width=12.0, thickness=1.1, compression=0.2)  # bond line 0.88 mm
RAISED = TapePads(count=2, length=20.0, width=12.0, thickness=0.4, compression=0.1)  # bond line 0.36 mm


@cache
def box() -> tuple[Recess, Any, Mesh]:
    recess = box_recess(60, 40, left=DEPTH, right=DEPTH)
    space = build_space(recess, fit=Fit(clearance=CLEARANCE, draft=1.0))
    solid = make_block(fit_shell(space), space).solid
    return recess, solid, tessellate(solid)


@cache
def padded(raised: bool) -> tuple[PadPlan, Part]:
    recess, solid, mesh = box()
    plan = plan_pads(mesh, recess, tape=RAISED if raised else SUNK)
    made = carve_pads(solid, plan)
    return plan, Part(Body(made, tessellate(made)), soft=plan.soft)


def faces_of(mesh: Mesh, level: float) -> np.ndarray:
    """Return the faces (N,) that lie in the plane z = level."""
    z = mesh.vertices[mesh.faces][:, :, 2]
    return np.flatnonzero(np.abs(z - level).max(axis=1) < 1e-3)


def area_of(mesh: Mesh, faces: np.ndarray) -> float:
    a, b, c = (mesh.vertices[mesh.faces[faces, k]] for k in range(3))
    return float(0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1).sum())


def find(checks: tuple[Check, ...], name: str) -> Check:
    return next(check for check in checks if check.name == name)


def curved_scan(radius: float, *, level: float = -DEPTH, half: tuple[int, int] = (40, 30)) -> Recess:
    """A floor that is part of a cylinder along y with its lowest line at x = 0, as fine as a scan; nothing else."""
    x, y = np.arange(-half[0], half[0] + 0.1, 0.5), np.arange(-half[1], half[1] + 0.1, 0.5)
    gx, gy = np.meshgrid(x, y, indexing="ij")
    vertices = np.column_stack([gx.ravel(), gy.ravel(), (level + gx**2 / (2.0 * radius)).ravel()])
    index = np.arange(gx.size).reshape(gx.shape)
    a, b, c, d = index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:]
    faces = np.concatenate([np.stack([a, b, c], axis=-1).reshape(-1, 3), np.stack([a, c, d], axis=-1).reshape(-1, 3)])
    rim = np.array([(-half[0], -half[1], 0.0), (half[0], -half[1], 0), (half[0], half[1], 0), (-half[0], half[1], 0)])
    return Recess(vertices, faces.astype(np.int32), rim, np.zeros(6), np.eye(4), np.array([0.0, 1.0, 0.0]), DEPTH)


def fine_box(size: tuple[float, float], low: float) -> Mesh:
    """A box about x = y = 0 from z = low to 0, of many triangles, as a tessellated spline body is."""
    import trimesh

    rough = box_mesh((*size, -low), (-size[0] / 2, -size[1] / 2, low))
    vertices, faces = trimesh.remesh.subdivide_to_size(rough.vertices, rough.faces, 3.0)
    return Mesh(vertices, faces.astype(np.int32))


@pytest.mark.parametrize("raised", [False, True])
def test_the_part_stays_one_valid_solid_and_one_manifold_piece(raised: bool) -> None:
    _, part = padded(raised)
    assert len(solids_of(part.body.solid)) == 1
    assert is_valid(part.body.solid)
    assert_printable(part.body.mesh)


@pytest.mark.parametrize("raised", [False, True])
def test_the_pads_lie_where_the_pressed_tape_ends(raised: bool) -> None:
    tape = RAISED if raised else SUNK
    level = -DEPTH + tape.thickness * (1.0 - tape.compression)
    mesh = padded(raised)[1].body.mesh
    pads = faces_of(mesh, level)
    assert area_of(mesh, pads) == pytest.approx(tape.count * tape.length * tape.width, rel=1e-3)
    scan = Surface(box()[0].vertices, box()[0].faces)
    middle = mesh.vertices[mesh.faces[pads]].mean(axis=1)
    gap, _ = scan.cast(middle + np.array([0.0003, 0.0007, 0.0]), np.tile([0.0, 0.0, -1.0], (len(middle), 1)))
    assert gap == pytest.approx(tape.thickness * (1.0 - tape.compression), abs=1e-3)


@pytest.mark.parametrize("raised", [False, True])
def test_the_volume_changes_by_the_pockets_or_plinths(raised: bool) -> None:
    tape = RAISED if raised else SUNK
    before = tessellate(box()[1], chord=FINE)
    level = -DEPTH + tape.thickness * (1.0 - tape.compression)
    change = measure_volume(tessellate(padded(raised)[1].body.solid, chord=FINE)) - measure_volume(before)
    expected = 0.0
    surface = Surface(before.vertices, before.faces)
    for zone in padded(raised)[0].soft:  # the floor under each pad, felt by rays before it was set
        x, y = np.meshgrid(*(np.linspace(zone.low[k], zone.high[k], 61) + 0.0013 for k in range(2)))
        start = np.column_stack([x.ravel(), y.ravel(), np.full(x.size, -DEPTH - 5.0)])
        run, _ = surface.cast(start, np.tile([0.0, 0.0, 1.0], (len(start), 1)))
        expected += tape.length * tape.width * float((-DEPTH - 5.0 + run - level).mean())
    assert change == pytest.approx(expected, abs=2.0)  # 0.001 mm over the floor: its own facets differ by as much
    assert (change > 0.0) is raised


@pytest.mark.parametrize("raised", [False, True])
def test_pads_keep_apart_and_within_the_floor(raised: bool) -> None:
    zones = padded(raised)[0].soft
    assert len(zones) == 2
    for one, other in combinations(zones, 2):
        apart = [max(one.low[k] - other.high[k], other.low[k] - one.high[k]) for k in range(2)]
        assert max(apart) >= 1.9
    mesh = box()[2]
    bottom = mesh.vertices[mesh.vertices[:, 2] < mesh.vertices[:, 2].min() + 0.1]
    for zone in zones:
        assert np.all(bottom[:, :2].min(axis=0) + 1.4 <= zone.low[:2])
        assert np.all(bottom[:, :2].max(axis=0) - 1.4 >= zone.high[:2])


@pytest.mark.parametrize("raised", [False, True])
def test_all_but_the_pads_keeps_its_clearance(raised: bool) -> None:
    part = padded(raised)[1]
    sizes: dict[str, Any] = {"clearance": CLEARANCE, "wall_min": 1.35, "line_width": 0.45}
    found = inspect_body(part.body.mesh, box()[0], **sizes, flexible=part.soft_faces())
    verdicts = {check.name: check.verdict for check in found.checks}
    assert verdicts["clearance at rest"] == verdicts["clearance over the insertion"] == "pass"
    assert verdicts["wall thickness"] == "pass"
    hard = inspect_body(part.body.mesh, box()[0], **sizes)
    least = 0.36 if raised else CLEARANCE
    assert hard.insertion.min == pytest.approx(least, abs=TOLERANCE)


def test_flat_pads_have_no_mismatch() -> None:
    plan, _ = padded(False)
    mismatch = find(plan.checks, "mismatch under tape")
    assert mismatch.verdict == "pass"
    assert mismatch.value == pytest.approx(0.0, abs=1e-3)
    assert mismatch.limit == pytest.approx(0.55)  # half of 1.1 mm
    for note in plan.notes:
        sunk = re.search(r"sunk ([\d.]+) mm", note)
        assert sunk is not None
        assert float(sunk[1]) == pytest.approx(0.88 - CLEARANCE, abs=TOLERANCE)


def plan_on(radius: float, tape: TapePads, *, size: tuple[float, float] = (60.0, 20.0)) -> PadPlan:
    return plan_pads(fine_box(size, -DEPTH + CLEARANCE), curved_scan(radius), tape=tape)


def test_mismatch_is_the_sag_of_the_floor_under_the_pad() -> None:
    tape = TapePads(count=1, length=40.0, width=14.0, thickness=1.1, compression=0.2)
    radius = 1000.0
    plan = plan_on(radius, tape)
    sag = 40.0**2 / (8.0 * radius)
    check = find(plan.checks, "mismatch under tape")
    assert check.value == pytest.approx(sag, abs=0.01)
    assert check.verdict == "pass"
    pad = plan.pads[0]
    assert pad.gaps.min() == pytest.approx(0.88, abs=0.005)
    assert pad.gaps.max() == pytest.approx(0.88 + sag, abs=0.01)
    # the ends of the pad lie highest on the floor; there the tape is pressed as asked
    assert pad.middle[:2] == pytest.approx([0.0, 0.0], abs=1.0)  # the pitch of the grid of places
    assert pad.middle[2] == pytest.approx(-DEPTH + sag + 0.88, abs=0.02)


def test_thin_tape_over_a_bowed_floor_fails_and_names_a_thickness() -> None:
    tape = TapePads(count=1, length=40.0, width=14.0, thickness=0.7, compression=0.2)
    check = find(plan_on(400.0, tape).checks, "mismatch under tape")
    assert check.value == pytest.approx(0.5, abs=0.02)  # 40² / (8 * 400); more than half of 0.7, less than all of it
    assert check.verdict == "caution"
    ways = read_remedy(check.remedy)
    assert [set(way) for way in ways] == [{"tape.thickness"}, {"tape.length", "tape.count"}]
    for way in ways:
        other = tape.model_copy(update={key.removeprefix("tape."): float(value) for key, value in way.items()})
        other = other.model_copy(update={"count": int(other.count)})
        assert other.count * other.length >= 40.0
        assert find(plan_on(400.0, other).checks, "mismatch under tape").verdict == "pass"


def test_where_no_tape_lies_flat_enough_another_hold_is_named() -> None:
    """More than a millimetre off over every pad that has room: 2.2 mm of tape would do, and shorter pads have none."""
    tape = TapePads(count=1, length=40.0, width=14.0, thickness=1.1, compression=0.2)
    advice = []
    for most in (3.0, 1.1):

        def place(other: TapePads, most: float = most) -> tuple[Pad, ...]:
            if other.count > 1 or other.thickness > most:
                return ()
            right, up, normal = np.eye(3)
            spot = Spot(np.zeros(3), right, up, normal, mismatch=0.0, angle=0.0)
            return (Pad(spot, 0.0, np.array([0.9, 2.0]), (0.0, 0.0)),)

        advice.append(advise_flatter(tape, 1.1, place))
    assert read_remedy(advice[0]) == [{"tape.thickness": "2.2"}]
    assert read_remedy(advice[1]) == [{"tape": "false"}]


def test_the_flatter_direction_is_found() -> None:
    """On a cylinder a pad lies along its axis, across the floor, where that is flatter and there is room."""
    tape = TapePads(count=1, length=40.0, width=10.0, thickness=0.5, compression=0.2)
    plan = plan_on(400.0, tape, size=(60.0, 50.0))
    assert abs(plan.pads[0].spot.right @ [0.0, 1.0, 0.0]) > 0.99
    assert find(plan.checks, "mismatch under tape").value == pytest.approx(10.0**2 / (8.0 * 400.0), abs=0.01)


def test_a_pad_keeps_out_of_what_is_to_be_avoided() -> None:
    recess, _, mesh = box()
    taken = SoftZone("drain", (-40.0, -40.0, -40.0), (5.0, 40.0, -20.0))
    plan = plan_pads(mesh, recess, tape=SUNK.model_copy(update={"count": 1}), avoid=(taken,))
    assert plan.soft[0].low[0] > 5.0 or plan.soft[0].low[2] > -20.0


def test_too_large_a_pad_names_the_largest_that_fits() -> None:
    recess, solid, mesh = box()
    long = TapePads(count=1, length=90.0, width=12.0)
    with pytest.raises(FeatureError) as caught:
        plan_pads(mesh, recess, tape=long)
    assert "90 x 12 mm" in caught.value.what
    found = re.search(r"tape\.length = ([\d.]+) or less", caught.value.remedy)
    assert found is not None
    length = float(found[1])
    assert 45.0 < length < 66.0  # the floor is 59 x 39 mm, its diagonal 70
    assert is_valid(carve_pads(solid, plan_pads(mesh, recess, tape=long.model_copy(update={"length": length}))))
    with pytest.raises(FeatureError):
        plan_pads(mesh, recess, tape=long.model_copy(update={"length": 1.15 * length}))


def test_too_many_pads_name_how_many_fit() -> None:
    recess, _, mesh = box()
    with pytest.raises(FeatureError) as caught:
        plan_pads(mesh, recess, tape=TapePads(count=12, length=40.0, width=16.0))
    found = re.search(r"room for (\d+) of 12", caught.value.what)
    assert found is not None
    count = int(found[1])
    assert 3 <= count <= 6  # two on the floor at most, one on each long wall, and the short ones have no room across
    assert f"tape.count = {count}" in caught.value.remedy
    assert len(plan_pads(mesh, recess, tape=TapePads(count=count, length=40.0, width=16.0)).pads) == count


def test_a_raised_pad_that_would_scrape_on_its_way_in_is_refused() -> None:
    """Below a bulge of the wall, a plinth that stands nearer to it than the clearance could not be pushed past."""
    import trimesh

    body = fine_box((40.0, 40.0), -DEPTH)  # its walls stand 0.5 mm from the scan's at x = -20.5 and 20.5
    sheets = []
    for side in (-1.0, 1.0):
        for x, low, high in ((20.5, -DEPTH, -8.0), (20.2, -8.0, 0.0)):
            sheets.append(((side * x, -25.0, low), (side * x, 25.0, low), (side * x, 25.0, high), (side * x, -25.0, high)))
    vertices = np.array(sheets).reshape(-1, 3)
    faces = [[4 * k + c for c in corner] for k in range(len(sheets)) for corner in ((0, 1, 2), (0, 2, 3))]
    scan = trimesh.Trimesh(vertices, faces, process=False)
    recess = Recess(
        scan.vertices, np.array(faces, dtype=np.int32), vertices[:4], np.zeros(6), np.eye(4),
        np.array([0.0, 1.0, 0.0]), DEPTH,
    )  # fmt: skip
    tape = TapePads(count=2, length=30.0, width=14.0, thickness=0.3, compression=0.02)
    with pytest.raises(FeatureError, match="scrape") as caught:
        plan_pads(body, recess, tape=tape)
    named = re.search(r"tape\.thickness = ([\d.]+)", caught.value.remedy)
    assert named is not None
    thick = tape.model_copy(update={"thickness": float(named[1])})
    assert all(not pad.raised for pad in plan_pads(body, recess, tape=thick).pads)
    sunk = plan_pads(body, recess, tape=tape.model_copy(update={"thickness": 0.9}))
    assert all(pad.sunk == pytest.approx(0.98 * 0.9 - 0.5, abs=1e-6) for pad in sunk.pads)


def test_a_pocket_with_a_plinth_at_one_side_is_still_one_solid() -> None:
    """Where the tape is nearly as thick as the clearance, a plane pad on a bowed surface is sunk here and raised there."""
    tape = TapePads(count=1, length=40.0, width=14.0, thickness=0.5, compression=0.2)
    low = -DEPTH + CLEARANCE
    plan = plan_pads(fine_box((60.0, 20.0), low), curved_scan(700.0), tape=tape)
    made = carve_pads(box_solid((60.0, 20.0, -low), (-30.0, -10.0, low)), plan)
    assert is_valid(made)
    assert_printable(tessellate(made))
