"""The known shapes and the simulated scans: are they what they claim to be?"""

from __future__ import annotations

from math import cos, pi, radians, sin, sqrt, tan
from pathlib import Path
from typing import Any

import igl
import numpy as np
import pytest

from examples import juniper
from examples.panel import circle, rectangle, round_outline
from examples.simulate import label_pieces, simulate_scan, write_ply
from mountgen.arrays import Floats, Ints
from tests import shapes
from tests.shapes import NAMES, SEVEN, scan_island, scan_specimen, specimen

CALM: dict[str, Any] = {"noise": 0.0, "dropouts": 0, "markers": 0, "fragments": 0, "triangles": 30_000}
SMALL: dict[str, Any] = {**CALM, "triangles": 15_000}


def _distance(name: str, points: Floats) -> Floats:
    """Distance to the truth, positive on the free side; libigl, pseudonormal sign."""
    shape = specimen(name)
    kind = igl.SignedDistanceType.SIGNED_DISTANCE_TYPE_PSEUDONORMAL
    found = igl.signed_distance(
        np.ascontiguousarray(points), np.array(shape.truth_vertices), shape.truth_faces.astype(np.int64), kind
    )
    return np.asarray(found[0])


def _solid(name: str):  # type: ignore[no-untyped-def]
    from manifold3d import Manifold, Mesh64

    shape = specimen(name)
    return Manifold(Mesh64(np.array(shape.truth_vertices), shape.truth_faces.astype(np.uint64)))


def _void(name: str, *, reach: float, deep: float):  # type: ignore[no-untyped-def]
    """The free room below z = 0 in a column about the mouth."""
    from manifold3d import Manifold

    column = Manifold.cube((2 * reach, 2 * reach, deep)).translate((-reach, -reach, -deep))
    return column - _solid(name)


def _face_normals(vertices: Floats, faces: Ints) -> Floats:
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    return np.asarray(normal / np.linalg.norm(normal, axis=1, keepdims=True))


@pytest.mark.parametrize("name", NAMES)
def test_truth_is_one_closed_solid(name: str) -> None:
    import trimesh

    shape = specimen(name)
    mesh = trimesh.Trimesh(shape.truth_vertices, shape.truth_faces, process=False)
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    assert mesh.volume > 0
    assert len(_solid(name).decompose()) == 1
    assert _solid(name).genus() == 0


def test_frustum_has_its_closed_form_volume_and_area() -> None:
    """Prismatoid formula: V = h/6 (A_top + 4 A_middle + A_floor)."""
    h, inset = shapes.FRUSTUM_DEPTH, shapes.FRUSTUM_DEPTH * tan(radians(shapes.FRUSTUM_DRAFT_DEG))
    a, b = shapes.FRUSTUM_MOUTH
    top, middle, floor = ((a - 2 * t * inset) * (b - 2 * t * inset) for t in (0.0, 0.5, 1.0))
    void = _void("frustum", reach=60.0, deep=h + 1.0)
    assert void.volume() == pytest.approx(h / 6 * (top + 4 * middle + floor), rel=1e-9)
    lean = radians(shapes.FRUSTUM_DRAFT_DEG)
    shape = specimen("frustum")
    cross = np.cross(*_two_sides(shape.truth_vertices, shape.truth_faces)) / 2.0
    area = np.linalg.norm(cross, axis=1)
    leaning = np.abs(cross[:, 2] / area - sin(lean)) < 1e-6
    assert area[leaning].sum() == pytest.approx(2 * (a - inset + b - inset) * h / cos(lean), rel=1e-9)


def test_cylinder_has_its_closed_form_volume_from_below() -> None:
    """A polygon in a circle only loses area: at most the circumference times the chord error."""
    r, h = shapes.CYLINDER_RADIUS, shapes.CYLINDER_DEPTH
    lost = pi * r * r * h - _void("cylinder", reach=40.0, deep=h + 1.0).volume()
    assert 0 < lost < 2 * pi * r * h * 0.004


def test_rounded_tray_has_its_closed_form_volume_from_below() -> None:
    """At inset e a rounded rectangle has area A - P e + pi e²; integrated over the floor's quarter round."""
    (a, b), c, f = shapes.TRAY_MOUTH, shapes.TRAY_CORNER, shapes.TRAY_FLOOR_RADIUS
    area = a * b - (4 - pi) * c * c
    around = 2 * (a + b) - (8 - 2 * pi) * c
    volume = area * shapes.TRAY_DEPTH - around * f * f * (1 - pi / 4) + pi * f**3 * (5 / 3 - pi / 2)
    found = _void("rounded_tray", reach=70.0, deep=shapes.TRAY_DEPTH + 1.0).volume()
    assert volume * (1 - 2e-4) < found < volume


def test_tilted_box_has_its_closed_form_volume() -> None:
    """The mouth's plane cuts a slanted prism through the middle of its axis: area times axis length."""
    a, b = shapes.BOX_SIZE
    found = _void("tilted_box", reach=60.0, deep=shapes.BOX_DEPTH + 15.0).volume()
    assert found == pytest.approx(a * b * shapes.BOX_DEPTH, rel=1e-9)
    shape = specimen("tilted_box")
    normals = _face_normals(shape.truth_vertices, shape.truth_faces)
    assert (np.abs(normals @ shape.draw - 1.0) < 1e-12).any()  # its floor is square to the draw direction


@pytest.mark.parametrize("name", [n for n in NAMES if n != "tilted_box"])
def test_floor_lies_at_the_depth_stated(name: str) -> None:
    shape = specimen(name)
    normals = _face_normals(shape.truth_vertices, shape.truth_faces)
    up = shape.truth_vertices[shape.truth_faces[normals[:, 2] > 0.5]]
    assert up[:, :, 2].min() == pytest.approx(-shape.depth, abs=0.05)


@pytest.mark.parametrize("name", SEVEN)
def test_curved_truth_is_faceted_finely(name: str) -> None:
    """Where two facets meet smoothly at an angle w, the surface bulges about height * w / 8 beyond them."""
    import trimesh

    shape = specimen(name)
    mesh = trimesh.Trimesh(shape.truth_vertices, shape.truth_faces, process=False)
    pair, angle = mesh.face_adjacency, mesh.face_adjacency_angles
    ends = mesh.vertices[mesh.face_adjacency_edges]
    height = 2 * mesh.area_faces[pair].min(axis=1) / np.linalg.norm(ends[:, 0] - ends[:, 1], axis=1)
    # creases of 12 degrees and more are true edges, where a step runs into a wall; a few end flatter
    place = ends.mean(axis=1)
    scanned = (np.abs(place[:, :2]) < np.abs(shape.mouth).max(axis=0) + 25.0).all(axis=1)
    near = scanned & (place[:, 2] > -shape.depth - 1.0) & (angle < radians(12.0))
    bulge = (height * angle / 8.0)[near]
    assert (bulge > 0.01).mean() < 2e-4
    assert bulge.max() < 0.06


@pytest.mark.parametrize("name", ["dash_cubby", "two_level"])
def test_calm_scan_lies_on_the_truth(name: str) -> None:
    """Flat ground lies on it to rounding; round convex edges the chords cut into the material, but little."""
    scan = scan_specimen(name, **{**CALM, "triangles": 60_000}, pose="identity")
    corner = _distance(name, scan.vertices)
    assert np.quantile(np.abs(corner), 0.5) < 1e-9
    assert corner.min() > -0.031
    assert corner.max() < 0.101
    middle = _distance(name, scan.vertices[scan.faces].mean(axis=1))
    assert middle.min() > -0.13
    assert np.abs(np.quantile(middle, [0.001, 0.99])).max() < 0.1


@pytest.mark.parametrize("noise", [0.02, 0.06])
def test_noise_is_what_was_asked_for(noise: float) -> None:
    calm = scan_specimen("deep_slot", **CALM, seed=4)
    rough = scan_specimen("deep_slot", **{**CALM, "noise": noise}, seed=4)
    off = _distance("deep_slot", rough.in_truth_frame()) - _distance("deep_slot", calm.in_truth_frame())
    assert off.std() == pytest.approx(noise, rel=0.1)
    assert abs(off.mean()) < 0.1 * noise
    assert np.quantile(np.abs(off), 0.9973) == pytest.approx(3 * noise, rel=0.1)  # Gaussian: three sigma


def test_wobble_is_slow_and_bounded() -> None:
    from scipy.spatial import cKDTree

    scan = scan_specimen("two_level", **SMALL, wobble=0.1, pose="identity")
    off = _distance("two_level", scan.vertices)
    off = off - _distance("two_level", scan_specimen("two_level", **SMALL, pose="identity").vertices)
    assert np.abs(off).max() <= 0.1 + 1e-9
    assert off.std() > 0.02
    # neighbours 5 mm apart on flat ground differ by far less than the whole
    flat = np.flatnonzero(np.abs(scan.vertices[:, 2] + specimen("two_level").depth) < 0.2)
    pairs = cKDTree(scan.vertices[flat]).query_pairs(5.0, output_type="ndarray")
    step = np.abs(off[flat][pairs[:, 0]] - off[flat][pairs[:, 1]])
    assert step.max() < 0.1 * 2 * pi * 5.0 / 60.0


def test_dropouts_are_round_holes_of_one_to_eight_mm() -> None:
    whole = scan_specimen("frustum", **CALM, pose="identity")
    holed = simulate_scan(specimen("frustum"), seed=1, **{**CALM, "dropouts": 12}, pose="identity")
    kept = {tuple(t) for t in np.round(holed.vertices[holed.faces].mean(axis=1), 6)}
    centre = whole.vertices[whole.faces].mean(axis=1)
    gone = np.array([tuple(t) not in kept for t in np.round(centre, 6)])
    assert 0 < gone.sum() < len(centre)
    assert len(holed.faces) == len(whole.faces) - gone.sum()
    lost = whole.faces[gone]
    label, size = label_pieces(lost, len(whole.vertices))
    spread = [np.ptp(centre[gone][label[lost[:, 0]] == k], axis=0) for k in np.flatnonzero(size)]
    assert 1 < len(spread) <= 12  # one may fall upon another
    assert max(np.linalg.norm(s) for s in spread) <= 2 * 8.0
    edge = sqrt(2 * np.median(np.linalg.norm(np.cross(*_two_sides(whole.vertices, whole.faces)), axis=1)))
    assert max(s.max() for s in spread) > 2.0 * edge


def _two_sides(vertices: Floats, faces: Ints) -> tuple[Floats, Floats]:
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    return b - a, c - a


def test_markers_are_raised_discs_on_flat_ground() -> None:
    scan = scan_specimen("frustum", **{**CALM, "markers": 4}, pose="identity", seed=2)
    off = _distance("frustum", scan.vertices)
    off = off - _distance("frustum", scan_specimen("frustum", **CALM, pose="identity", seed=2).vertices)
    assert off.max() == pytest.approx(0.15, abs=1e-9)
    assert off.min() > -1e-9
    raised = (off > 0.01)[scan.faces].all(axis=1)
    _, size = label_pieces(scan.faces[raised], len(scan.vertices))
    assert (size > 0).sum() == 4
    area = np.linalg.norm(np.cross(*_two_sides(scan.vertices, scan.faces)), axis=1) / 2
    volume = (area * off[scan.faces].mean(axis=1)).sum()
    assert volume == pytest.approx(4 * pi * 3.0**2 * 0.15, rel=0.1)


def test_fragments_float_clear_of_the_truth() -> None:
    scan = scan_specimen("frustum", **{**CALM, "fragments": 7}, pose="identity", seed=3)
    label, size = label_pieces(scan.faces, len(scan.vertices))
    small = np.flatnonzero((size > 0) & (size < 200))
    assert len(small) == 7
    assert _distance("frustum", scan.vertices[np.isin(label, small)]).min() > 1.9


def test_ceiling_behind_the_lip_is_not_seen() -> None:
    from scipy.spatial import cKDTree

    shape = specimen("dash_cubby")
    centre = shape.truth_vertices[shape.truth_faces].mean(axis=1)
    normal = _face_normals(shape.truth_vertices, shape.truth_faces)
    behind = (np.abs(centre[:, 0]) < 55) & (centre[:, 1] > 0) & (centre[:, 2] < -12.5) & (centre[:, 2] > -14)
    ceiling = centre[behind & (normal[:, 1] < -0.5)]
    base = centre[
        (np.abs(centre[:, 0]) < 55)
        & (normal[:, 1] > 0.9)
        & (centre[:, 1] < 0)
        & (np.abs(centre[:, 2] + 12.0) < 2.0)
    ]
    assert len(ceiling) > 100
    assert len(base) > 20
    seen = cKDTree(scan_specimen("dash_cubby", **CALM, pose="identity").vertices)
    assert seen.query(ceiling)[0].min() > 1.5
    assert seen.query(base)[0].max() < 2.0
    everything = scan_specimen("dash_cubby", **CALM, pose="identity", occlusion=False)
    assert cKDTree(everything.vertices).query(ceiling)[0].max() < 2.0


def test_panel_reaches_twenty_mm_past_the_rim() -> None:
    import shapely

    for name in ("dash_cubby", "split_floor"):
        scan = scan_specimen(name, **CALM, pose="identity")
        mouth = shapely.Polygon(specimen(name).mouth)
        away = shapely.distance(shapely.points(scan.vertices[:, :2]), mouth)
        angle = np.arctan2(scan.vertices[:, 1], scan.vertices[:, 0])
        sector = ((angle + pi) / (2 * pi) * 24).astype(int) % 24
        assert min(away[sector == k].max() for k in range(24)) > 20.0


def test_floor_of_the_island_scan_is_a_piece_of_its_own() -> None:
    scan = scan_island(triangles=30_000)
    points = scan.in_truth_frame()
    label, size = label_pieces(scan.faces, len(points))
    large = np.argsort(size)[::-1][:2]
    assert (size > 1000).sum() == 2
    deep = [points[label == k][:, 2].max() for k in large]
    assert min(deep) < -60.0  # the second piece lies wholly at the bottom
    assert max(deep) > -5.0
    free = scan_specimen("deep_slot", **CALM, seed=4)
    _, whole = label_pieces(free.faces, len(free.vertices))
    assert (whole > 0).sum() == 1  # with room to move aside it hangs together


@pytest.mark.parametrize("name", ["l_pocket", "deep_slot"])
def test_faces_look_to_the_free_side(name: str) -> None:
    scan = scan_specimen(name, **CALM, seed=4)
    points = scan.in_truth_frame()
    a, b = _two_sides(points, scan.faces)
    normal = np.cross(a, b)
    probe = points[scan.faces].mean(axis=1) + 0.3 * normal / np.linalg.norm(normal, axis=1, keepdims=True)
    assert (_distance(name, probe) > 0).mean() > 0.998  # the rest: folds in sharp inner corners
    directed = np.vstack([scan.faces[:, [0, 1]], scan.faces[:, [1, 2]], scan.faces[:, [2, 0]]])
    _, times = np.unique(directed, axis=0, return_counts=True)
    assert (times > 1).mean() < 1e-3  # neighbours run along their common edge in opposite directions


def test_pose_is_rigid_and_changes_nothing_else() -> None:
    still = simulate_scan(specimen("frustum"), seed=5, triangles=10_000, pose="identity")
    moved = simulate_scan(specimen("frustum"), seed=5, triangles=10_000)
    turn = moved.truth_to_scan[:3, :3]
    assert turn @ turn.T == pytest.approx(np.eye(3), abs=1e-12)
    assert np.linalg.det(turn) == pytest.approx(1.0)
    assert np.abs(turn - np.eye(3)).max() > 0.1
    assert np.array_equal(still.faces, moved.faces)
    assert moved.in_truth_frame() == pytest.approx(still.vertices, abs=1e-9)


def test_same_seed_same_scan_other_seed_other_scan() -> None:
    first, again, other = (
        simulate_scan(specimen("tilted_box"), seed=s, triangles=8_000, pose="identity") for s in (1, 1, 2)
    )
    assert np.array_equal(first.vertices, again.vertices)
    assert np.array_equal(first.faces, again.faces)
    assert len(first.vertices) != len(other.vertices)


@pytest.mark.parametrize("triangles", [8_000, 25_000, 90_000])
def test_number_of_triangles_is_about_what_was_asked_for(triangles: int) -> None:
    scan = simulate_scan(specimen("split_floor"), seed=6, triangles=triangles, fragments=0)
    assert len(scan.faces) == pytest.approx(triangles, rel=0.06)


def test_defects_on_request() -> None:
    shape = specimen("frustum")
    plain = simulate_scan(shape, seed=7, triangles=10_000, pose="identity")
    spoilt = simulate_scan(
        shape, seed=7, triangles=10_000, pose="identity", flipped=0.1, doubled=0.2, island=True, unit="inch"
    )
    assert spoilt.mm_per_unit == 25.4
    extra = len(spoilt.faces) / len(plain.faces)
    assert 1.2 < extra < 1.35  # a fifth doubled, and the island
    _, times = np.unique(np.sort(spoilt.faces, axis=1), axis=0, return_counts=True)
    assert (times == 2).sum() == pytest.approx(0.2 * (times > 0).sum(), rel=0.1)
    common = len(plain.vertices)
    assert spoilt.vertices[:common] * 25.4 == pytest.approx(plain.vertices, abs=1e-9)
    assert spoilt.in_truth_frame()[common:, 0].min() > shape.mouth[:, 0].max() + 80.0
    inwards = _face_normals(spoilt.vertices, spoilt.faces)
    probe = spoilt.in_truth_frame()[spoilt.faces].mean(axis=1) + 0.3 * inwards
    near = spoilt.faces.max(axis=1) < common
    assert (_distance("frustum", probe[near]) < 0).mean() == pytest.approx(0.1, rel=0.15)


def test_what_cannot_be_simulated_is_refused() -> None:
    shape = specimen("frustum")
    with pytest.raises(ValueError, match="unit 'furlong' is none of mm, cm, m, inch"):
        simulate_scan(shape, seed=1, unit="furlong")
    with pytest.raises(ValueError, match="pose must be rigid"):
        simulate_scan(shape, seed=1, triangles=6_000, pose=np.diag([2.0, 1.0, 1.0, 1.0]))
    with pytest.raises(ValueError, match=r"shape \(4, 4\), not \(3, 3\)"):
        simulate_scan(shape, seed=1, triangles=6_000, pose=np.eye(3))


def test_outlines_have_closed_form_areas() -> None:
    import shapely

    disc = shapely.Polygon(circle(20.0).points).area
    assert pi * 400 - 2 * pi * 20 * 0.004 < disc < pi * 400
    rounded = rectangle(60.0, 40.0, 10.0)
    for inset in (0.0, 3.0, 8.0):
        area = 2400 - (4 - pi) * 100 - (200 - (8 - 2 * pi) * 10) * inset + pi * inset**2
        assert shapely.Polygon(rounded.grown(-inset)).area == pytest.approx(area, rel=1e-4)
    with pytest.raises(ValueError, match="do not fit sides"):
        round_outline([(0, 0), (10, 0), (10, 10), (0, 10)], 6.0)


def test_ply_is_read_back_by_another_library(tmp_path: Path) -> None:
    import trimesh

    scan = scan_specimen("frustum", **CALM)
    write_ply(tmp_path / "a.ply", scan.vertices, scan.faces)
    back = trimesh.load_mesh(tmp_path / "a.ply", process=False)
    assert np.array_equal(np.asarray(back.faces), scan.faces)
    assert np.asarray(back.vertices) == pytest.approx(scan.vertices, abs=1e-4)  # float32


def test_tracked_scans_are_those_the_generator_makes(tmp_path: Path) -> None:
    import trimesh

    for name in juniper.SPOTS:
        assert (juniper.SCANS / f"{name}.ply").stat().st_size <= 1_500_000
    made = trimesh.load_mesh(juniper.write_scan("switch_opening", tmp_path), process=False)
    kept = trimesh.load_mesh(juniper.SCANS / "switch_opening.ply", process=False)
    assert np.array_equal(np.asarray(made.faces), np.asarray(kept.faces))
    assert np.asarray(made.vertices) == pytest.approx(np.asarray(kept.vertices), abs=1e-3)


@pytest.mark.parametrize("name", juniper.SPOTS)
def test_tracked_scans_hold_their_number_of_triangles(name: str) -> None:
    maker, _, triangles = juniper.SPOTS[name]
    head = (juniper.SCANS / f"{name}.ply").read_bytes()[:400].decode("ascii", "replace")
    count = int(head.split("element face ")[1].split()[0])
    assert count == pytest.approx(triangles, rel=0.06)
    assert maker().name == name
