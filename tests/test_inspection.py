"""Gauging, against shapes whose gaps are known in closed form, and against other libraries."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from mountgen.arrays import Floats, Ints
from mountgen.datum import Recess
from mountgen.errors import InspectionError
from mountgen.gap import clip_mesh, make_standing, probe_again, probe_body, sweep_clear
from mountgen.inspection import Inspection, inspect_body
from mountgen.kernel import Mesh
from mountgen.nearest import build_tree, find_nearest, is_within
from mountgen.place import clock_position, describe_place
from mountgen.sampling import sample_surface
from mountgen.soundness import check_soundness, find_thinnest
from mountgen.surface import Surface, surface_of
from mountgen.verdict import Check
from tests.checks import assert_clears, assert_printable

BOX = [
    (50.0, 30.0, -40.0),
    (50.0, 30.0, 0.0),
    (80.0, 60.0, 0.0),
]  # half width, half height, z from floor to panel


def ring_recess(levels: list[tuple[float, float, float]], *, floor: bool = True) -> tuple[Floats, Ints]:
    """An open sheet of rectangular rings, the lowest closed by a floor; normals to the free side."""
    vertices = np.array(
        [(sx * a, sy * b, z) for a, b, z in levels for sx, sy in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
    )
    faces = [(0, 1, 2), (0, 2, 3)] if floor else []
    for ring in range(len(levels) - 1):
        for k in range(4):
            a, b = 4 * ring + k, 4 * ring + (k + 1) % 4
            faces += [(a, a + 4, b), (b, a + 4, b + 4)]
    return vertices, np.array(faces, dtype=np.int32)


def as_recess(vertices: Floats, faces: Ints, *, open_side: tuple[float, float] | None = None) -> Recess:
    rim = np.array([[50, 30, 0], [-50, 30, 0], [-50, -30, 0], [50, -30, 0]], dtype=float)
    return Recess(
        vertices=vertices, faces=faces, rim=rim, lid=np.zeros(6), part_to_scan=np.eye(4),
        up=np.array([0.0, 1.0, 0.0]),
        depth=40.0, open_side_deg=open_side,
    )  # fmt: skip


def block(low: tuple[float, float, float], high: tuple[float, float, float]) -> Mesh:
    made = trimesh.creation.box(bounds=[low, high])
    return Mesh(np.array(made.vertices), np.array(made.faces, dtype=np.int32))


def join(*meshes: Mesh) -> Mesh:
    start = np.cumsum([0] + [len(m.vertices) for m in meshes])
    faces = np.concatenate([np.asarray(m.faces) + s for m, s in zip(meshes, start, strict=False)])
    return Mesh(np.concatenate([m.vertices for m in meshes]), faces)


def inspect(mesh: Mesh, recess: Recess, **options: object) -> Inspection:
    given: dict[str, object] = {
        "clearance": 0.5,
        "wall_min": 1.2,
        "line_width": 0.45,
    }
    return inspect_body(mesh, recess, **(given | options))  # type: ignore[arg-type]


def check_of(found: Inspection, name: str) -> Check:
    return next(check for check in found.checks if check.name == name)


# ------------------------------------------------------------------ place


@pytest.mark.parametrize(
    ("x", "y", "hour"), [(0, 1, 12.0), (1, 0, 3.0), (0, -1, 6.0), (-1, 0, 9.0), (1, 1, 1.5), (-1, -1, 7.5)]
)
def test_clock_position(x: float, y: float, hour: float) -> None:
    assert clock_position(x, y) == pytest.approx(hour)


def test_place_in_words() -> None:
    assert describe_place((12.0, -12.0, -20.14)) == "x 12.0 y -12.0 z -20.1 mm, 4:30 o'clock"
    assert describe_place((-0.001, 40.0, 0.0)) == "x 0.0 y 40.0 z 0.0 mm, 12:00 o'clock"
    assert describe_place((10.0, 17.32, 0.0)).endswith("1:00 o'clock")
    assert describe_place((0.5, 0.5, -3.0)).endswith("at the middle")


# ------------------------------------------------------------------ nearest, surface, sampling


def random_soup(seed: int) -> tuple[Floats, Ints]:
    rng = np.random.default_rng(seed)
    vertices = rng.normal(size=(60, 3)) * [1.0, 1.0, 3.0]
    vertices[:10, :2] = vertices[10:20, :2]  # some upright edges
    faces = np.array(
        [rng.choice(60, 3, replace=False) for _ in range(50)] + [(k, k + 10, 30) for k in range(10)]
    )
    return vertices, faces.astype(np.int32)


@pytest.mark.parametrize("travel", [0.0, 0.4, 5.0])
def test_paths_against_many_small_steps(travel: float) -> None:
    import igl

    vertices, faces = random_soup(1)
    points = np.random.default_rng(2).normal(size=(80, 3)) * 2.0
    found = find_nearest(build_tree(vertices, faces), points, travel=travel, bound=np.full(80, np.inf))
    steps = np.linspace(0.0, travel, 1001)
    for k, point in enumerate(points):
        moved = point + np.outer(steps, [0.0, 0.0, 1.0])
        stepped = np.sqrt(igl.point_mesh_squared_distance(moved, vertices, faces.astype(np.int64))[0]).min()
        assert stepped - travel / 2000.0 - 1e-9 <= found.distance[k] <= stepped + 1e-9
        at = point + np.array([0.0, 0.0, found.travel[k]])
        own = np.sqrt(
            igl.point_mesh_squared_distance(at[None], vertices, faces[found.face[k]][None].astype(np.int64))[
                0
            ]
        )
        assert own[0] == pytest.approx(found.distance[k], abs=1e-9)


@pytest.mark.parametrize("travel", [0.0, 1.0])
def test_margin_and_bound(travel: float) -> None:
    vertices, faces = random_soup(3)
    rng = np.random.default_rng(4)
    margin, points = rng.uniform(0.0, 1.0, len(faces)), rng.normal(size=(100, 3)) * 2.0
    apart = np.stack([
        find_nearest(build_tree(vertices, one[None]), points, travel=travel, bound=np.full(100, np.inf)).distance
        for one in faces
    ])  # fmt: skip
    best = (apart - margin[:, None]).min(axis=0)
    tree = build_tree(vertices, faces).with_margin(margin)
    found = find_nearest(tree, points, travel=travel, bound=np.full(100, np.inf))
    np.testing.assert_allclose(found.distance - margin[found.face], best, atol=1e-12)
    bounded = find_nearest(tree, points, travel=travel, bound=np.full(100, 0.3))
    np.testing.assert_array_equal(bounded.face >= 0, best < 0.3)
    np.testing.assert_array_equal(is_within(tree, points, travel=travel, bound=np.full(100, 0.3)), best < 0.3)


def test_rays_against_every_triangle() -> None:
    vertices, faces = random_soup(7)
    rng = np.random.default_rng(8)
    origins, directions = rng.normal(size=(2, 300, 3)) * 1.5
    directions[:40, 1:] = 0.0  # square to the boxes' sides
    far, face = Surface(vertices, faces).cast(origins, directions)
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    for origin, direction, run, hit in zip(origins, directions, far, face, strict=True):
        columns = np.stack([b - a, c - a, np.broadcast_to(-direction, a.shape)], axis=-1)
        v, w, t = np.linalg.solve(columns, (origin - a)[..., None])[..., 0].T
        t = np.where((v >= 0.0) & (w >= 0.0) & (v + w <= 1.0) & (t >= 0.0), t, np.inf)
        assert run == pytest.approx(t.min(), rel=1e-9)
        assert hit == (int(np.argmin(t)) if np.isfinite(t.min()) else -1)
    assert 60 < np.isfinite(far).sum() < 240


def test_signed_distance_against_another_library() -> None:
    ball = trimesh.creation.icosphere(subdivisions=2, radius=5.0)
    points = np.random.default_rng(5).uniform(-7.0, 7.0, (300, 3))
    measured = Surface(ball.vertices, ball.faces).measure(points)
    np.testing.assert_allclose(measured.gap, -trimesh.proximity.signed_distance(ball, points), atol=1e-8)
    assert not measured.border.any()


def test_sides_of_a_crumpled_body_against_winding_numbers() -> None:
    import igl

    ball = trimesh.creation.icosphere(subdivisions=3, radius=5.0)
    rng = np.random.default_rng(9)
    vertices, faces = ball.vertices * rng.uniform(0.75, 1.1, (len(ball.vertices), 1)), ball.faces  # star-shaped, full of edges
    points = np.vstack([rng.uniform(-6.0, 6.0, (3000, 3)), vertices * 1.01, vertices * 0.99])
    inside = igl.winding_number(vertices, faces.astype(np.int64), points) > 0.5
    measured = Surface(vertices, faces).measure(points)
    np.testing.assert_array_equal(measured.gap < 0.0, inside)
    squared, _, foot = igl.point_mesh_squared_distance(points, vertices, faces.astype(np.int64))
    np.testing.assert_allclose(np.abs(measured.gap), np.sqrt(squared), atol=1e-9)
    np.testing.assert_allclose(measured.foot, foot, atol=1e-6)


def test_side_at_edges_corners_and_borders() -> None:
    vertices, faces = ring_recess(BOX)
    sheet = Surface(vertices, faces)
    points = np.array([
        [0.0, 0.0, -35.0],  # above the floor
        [0.0, 0.0, -43.0],  # below it
        [53.0, 0.0, -43.0],  # nearest to the edge of floor and wall, from behind
        [52.0, 32.0, -42.0],  # nearest to a corner, from behind
        [53.0, 0.0, 4.0],  # over the panel
        [83.0, 0.0, -4.0],  # beside and behind the sheet's own end
    ])  # fmt: skip
    measured = sheet.measure(points)
    np.testing.assert_allclose(measured.gap, [5.0, -3.0, -np.hypot(3, 3), -np.sqrt(12), 4.0, 5.0], atol=1e-9)
    np.testing.assert_array_equal(measured.border, [False] * 5 + [True])


def test_under_the_panel_of_an_undercut_whose_wall_nobody_saw_is_free() -> None:
    """The panel leans by 15 degrees against the way out; what lies in the opening's shadow is nearest to the back of it."""
    edge = 40.0 * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], dtype=np.float64)
    plan = np.vstack([edge, 2.5 * edge])
    panel = np.column_stack([plan, -np.tan(np.radians(15.0)) * plan[:, 0]])
    bottom = np.column_stack([edge, np.full(4, -60.0)])
    around = [(k, k + 4, (k + 1) % 4 + 4, (k + 1) % 4) for k in range(4)]
    faces = [each for a, b, c, d in around for each in ((a, b, c), (a, c, d))] + [(8, 9, 10), (8, 10, 11)]
    sheet = Surface(np.vstack([panel, bottom]), np.array(faces, dtype=np.int32))
    assert (sheet.normals[:, 2] > 0.9).all()
    free, buried = np.array([39.0, 0.0, -25.0]), np.array([46.0, 0.0, -25.0])
    measured = sheet.measure(np.array([free, buried]))
    assert not measured.border.any()
    np.testing.assert_allclose(np.abs(measured.gap), np.abs([-25.0 + np.tan(np.radians(15.0)) * x for x in (39.0, 46.0)])
                               * np.cos(np.radians(15.0)), atol=1e-9)  # fmt: skip
    np.testing.assert_array_equal(measured.gap > 0.0, [True, False])


def test_samples_carry_the_whole_area_and_leave_no_gap() -> None:
    part = block((-20.0, -10.0, -5.0), (20.0, 10.0, 5.0))
    samples = sample_surface(part.vertices, part.faces, edge=0.8, is_near=lambda p, r: p[:, 2] - r < -4.5)
    assert samples.area.sum() == pytest.approx(2 * (40 * 20 + 40 * 10 + 20 * 10))
    spots = np.random.default_rng(6).uniform([-20.0, -10.0], [20.0, 10.0], (200, 2))
    low = samples.points[samples.points[:, 2] == -5.0][:, :2]
    apart = np.linalg.norm(spots[:, None] - low[None], axis=2).min(axis=1)
    assert apart.max() <= 2.0 / 3.0 * 0.8
    assert not samples.near[samples.points[:, 2] == 5.0][samples.area[samples.points[:, 2] == 5.0] > 0].any()


def test_a_probe_of_what_has_moved_is_that_of_the_whole() -> None:
    ball = trimesh.creation.icosphere(subdivisions=4, radius=5.0)
    around = trimesh.creation.icosphere(subdivisions=3, radius=5.6)
    around.invert()
    standing = make_standing(Surface(around.vertices, around.faces), np.full(len(around.faces), 0.4))
    vertices, faces = np.array(ball.vertices), ball.faces.astype(np.int32)
    how = {"edge": 0.5, "travel": 0.0, "band": 0.3}
    before = probe_body(vertices, faces, standing, **how)
    moved = vertices.copy()
    moved[::97] *= 0.99
    changed = (moved != vertices).any(axis=1)[faces].any(axis=1)
    again = probe_again(before, moved, faces, changed, standing, **how)
    whole = probe_body(moved, faces, standing, **how)
    assert 0 < changed.sum() < 0.2 * len(faces)
    assert again.samples.area.sum() == pytest.approx(whole.samples.area.sum())
    rows = [
        np.column_stack([p.samples.points, p.samples.face, p.samples.area, p.samples.leads, p.samples.near, p.signed.gap])
        for p in (again, whole)
    ]
    np.testing.assert_allclose(*(each[np.lexsort(np.round(each, 6).T[::-1])] for each in rows), atol=1e-9)


def test_clipping_makes_no_border_inside_the_box() -> None:
    vertices, faces = ring_recess(BOX)
    low, high = np.array([-3.0, -3.0, -42.0]), np.array([3.0, 3.0, -38.0])
    clipped, kept, numbers = clip_mesh(as_recess(vertices, faces), low, high)
    np.testing.assert_array_equal(
        numbers, [0, 1]
    )  # the floor's two triangles, whose corners all lie outside the box
    np.testing.assert_array_equal(clipped[kept], vertices[faces[:2]])


# ------------------------------------------------------------------ gap at rest


def test_gaps_of_a_box_in_a_box_by_zone() -> None:
    part = block((-49.4, -29.3, -39.6), (49.4, 29.3, -1.0))
    levels = [BOX[0], (50.0, 30.0, -3.0), *BOX[1:]]
    found = inspect(part, as_recess(*ring_recess(levels)), clearance=0.4, walls=0.55, rim=0.5)
    assert found.zones == pytest.approx({"floor": 0.4, "walls": 0.6, "rim": 0.6})
    assert {c.name for c in found.checks if c.name.startswith("clearance at rest")} == {
        "clearance at rest, floor", "clearance at rest, walls", "clearance at rest, rim"
    }  # fmt: skip
    assert all(check.verdict == "pass" for check in found.checks)
    assert found.insertion.min - found.insertion.limit == pytest.approx(0.0, abs=1e-9)
    # the least gap is the floor's, the median lies between floor and long walls by their areas
    assert found.rest.min == pytest.approx(0.4)
    assert found.rest.p05 == pytest.approx(0.4)
    assert found.rest.p95 == pytest.approx(0.7)
    assert found.unseen == 0.0
    assert_clears(part, as_recess(*ring_recess(BOX)), 0.4)
    assert_printable(part)


def test_a_zone_that_asks_for_more_is_found_though_another_is_nearer() -> None:
    part = block((-49.0, -29.0, -39.5), (49.0, 29.0, -1.0))  # 0.5 to the floor, 1.0 to the walls
    found = inspect(part, as_recess(*ring_recess(BOX)), clearance=0.5, walls=1.2)
    check = check_of(found, "clearance at rest, walls")
    assert (check.verdict, check.value) == ("fail", pytest.approx(1.0))
    assert "a larger fit.walls asks for as much more there and is no help" in check.remedy
    assert check_of(found, "clearance at rest, floor").verdict == "pass"


def test_interference_has_its_depth_and_place() -> None:
    part = block((-49.0, -29.0, -39.4), (50.7, 29.0, -5.0))
    found = inspect(part, as_recess(*ring_recess(BOX)))
    check = check_of(found, "clearance at rest")
    assert check.verdict == "fail"
    assert check.value == pytest.approx(-0.7)
    assert "0.70 mm inside the scan" in check.remedy
    assert check.place.startswith("x 50.7")
    assert check_of(found, "clearance over the insertion").verdict == "fail"
    assert found.insertion.first_touch is not None
    with pytest.raises(AssertionError, match="at rest"):
        assert_clears(part, as_recess(*ring_recess(BOX)), 0.5)


def test_a_part_wholly_behind_the_scan_is_inside_it() -> None:
    found = inspect(block((-10.0, -10.0, -60.0), (10.0, 10.0, -45.0)), as_recess(*ring_recess(BOX)))
    assert min(found.zones.values()) == pytest.approx(-20.0)
    assert found.insertion.first_touch == pytest.approx(
        20.0, abs=0.6
    )  # its floor comes up through z = -40 last


def test_a_spike_between_the_points_of_a_large_facet() -> None:
    vertices, faces = ring_recess(BOX)
    spike = np.array([[7.03, 3.1, -40.0], [7.13, 3.1, -40.0], [7.08, 3.2, -40.0], [7.08, 3.13, -39.2]])
    sides = np.array([(0, 1, 3), (1, 2, 3), (2, 0, 3)]) + len(vertices)
    recess = as_recess(np.concatenate([vertices, spike]), np.concatenate([faces, sides]).astype(np.int32))
    found = inspect(block((-49.5, -29.5, -39.5), (49.5, 29.5, -1.0)), recess)
    check = check_of(found, "clearance at rest")
    assert check.verdict == "fail"
    assert check.value == pytest.approx(-0.3, abs=1e-9)
    assert check.place.startswith("x 7.1 y 3.1 z -39.5")
    assert found.rest.point == pytest.approx((7.08, 3.13, -39.5))  # on the part
    assert found.insertion.point == pytest.approx((7.08, 3.13, -39.2))  # on the scan


def test_the_least_gap_at_rest_is_told_on_the_part_and_that_over_the_insertion_on_the_scan() -> None:
    part = block((-49.0, -29.0, -39.5), (49.0, 29.0, -1.0))  # 0.5 to the floor, 1.0 to the walls
    for walls in (None, 1.8):  # then the walls are what lacks most, though the floor is nearer
        found = inspect(part, as_recess(*ring_recess(BOX)), clearance=0.5, walls=walls)
        on_part, on_scan = np.array(found.rest.point), np.array(found.insertion.point)
        assert surface_of(part).measure(on_part[None]).gap[0] == pytest.approx(0.0, abs=1e-9)
        assert surface_of(as_recess(*ring_recess(BOX))).measure(on_scan[None]).gap[0] == pytest.approx(0.0, abs=1e-9)
        assert np.linalg.norm(on_part - on_scan) == pytest.approx(found.rest.min)


def test_regions_meant_to_touch_are_not_held_against_the_clearance() -> None:
    hook = block((49.0, -3.0, -20.0), (50.3, 3.0, -18.0))
    part = join(block((-49.5, -29.5, -39.5), (49.5, 29.5, -1.0)), hook)
    soft = np.arange(24) >= 12
    recess = as_recess(*ring_recess(BOX))
    assert check_of(inspect(part, recess), "clearance at rest").value == pytest.approx(-0.3)
    found = inspect(part, recess, flexible=soft)
    assert check_of(found, "clearance at rest").verdict == "pass"
    assert check_of(found, "clearance over the insertion").verdict == "pass"
    assert found.touching is not None
    assert found.touching.min == pytest.approx(-0.3)
    with pytest.raises(ValueError, match=r"\(24,\), got \(3,\)"):
        inspect(part, recess, flexible=soft[:3])


def wavy_scan(seed: int, *, spacing: float = 0.8) -> tuple[Floats, Ints]:
    """A noisy curved floor without walls, as a grid of triangles."""
    x, y = np.meshgrid(np.arange(-16.0, 16.01, spacing), np.arange(-13.0, 13.01, spacing))
    z = (
        0.8 * np.sin(x / 5.0) * np.cos(y / 4.0)
        - 30.0
        + 0.05 * np.random.default_rng(seed).standard_normal(x.shape)
    )
    at = np.arange(x.size).reshape(x.shape)
    a, b, c, d = at[:-1, :-1].ravel(), at[:-1, 1:].ravel(), at[1:, 1:].ravel(), at[1:, :-1].ravel()
    faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])]).astype(np.int32)
    return np.column_stack([x.ravel(), y.ravel(), z.ravel()]), faces


@pytest.mark.parametrize("bottom", [-28.4, -29.0])  # clear of the floor, and dipping into it
def test_least_gap_against_a_brute_search(bottom: float) -> None:
    vertices, faces = wavy_scan(7)
    found = inspect(block((-10.0, -8.0, bottom), (10.0, 8.0, -10.0)), as_recess(vertices, faces))
    # the bottom every 0.1 mm against every triangle nearby, the side from a ray upwards
    x, y = np.meshgrid(np.arange(-10.0, 10.01, 0.1), np.arange(-8.0, 8.01, 0.1))
    points = np.column_stack([x.ravel(), y.ravel(), np.full(x.size, bottom)])
    below = trimesh.Trimesh(vertices, faces, process=False)
    import igl

    distance = np.sqrt(igl.point_mesh_squared_distance(points, vertices, faces.astype(np.int64))[0])
    ground = np.full(len(points), np.inf)
    hits, rays, _ = below.ray.intersects_location(points * [1, 1, 0] - [0, 0, 50], [[0, 0, 1]] * len(points))
    ground[rays] = hits[:, 2]
    brute = np.where(ground < bottom, distance, -distance).min()
    if bottom < -28.8:  # of the part's own points; a peak of the scan may stand deeper in it
        peak = vertices[(np.abs(vertices[:, 0]) < 10) & (np.abs(vertices[:, 1]) < 8), 2].max()
        brute = min(brute, bottom - peak)
    assert min(found.zones.values()) == pytest.approx(brute, abs=0.02)


# ------------------------------------------------------------------ insertion

UNDERCUT = [(50.0, 30.0, -40.0), (50.0, 30.0, -10.0), (48.0, 28.0, -10.0), (48.0, 28.0, -8.0),
            (50.0, 30.0, -8.0), (50.0, 30.0, 0.0), (80.0, 60.0, 0.0)]  # fmt: skip


def test_an_undercut_is_found_though_the_part_is_clear_at_rest() -> None:
    part = block((-49.5, -29.5, -39.5), (49.5, 29.5, -12.0))
    found = inspect(part, as_recess(*ring_recess(UNDERCUT)))
    assert check_of(found, "clearance at rest").verdict == "pass"
    check = check_of(found, "clearance over the insertion")
    assert check.verdict == "fail"
    assert check.value == pytest.approx(
        -1.5, abs=1e-6
    )  # the ledge's edge stands this far inside the part's sides
    # on the way in the part's bottom (z = -39.5 at rest) meets the ledge's top (z = -8) first
    assert found.insertion.first_touch == pytest.approx(31.5, abs=0.5)
    assert 2.0 < found.insertion.lift < 31.5
    assert found.insertion.point[2] in (pytest.approx(-8.0), pytest.approx(-10.0))
    assert "fit.reach = " in check.remedy
    with pytest.raises(AssertionError, match="at lift"):
        assert_clears(part, as_recess(*ring_recess(UNDERCUT)), 0.5)


def test_passing_too_near_without_touching() -> None:
    part = block(
        (-47.8, -27.7, -39.5), (47.8, 27.7, -12.0)
    )  # 0.2 and 0.3 mm from the ledge on the way, 2 mm at rest
    found = inspect(part, as_recess(*ring_recess(UNDERCUT)))
    assert check_of(found, "clearance at rest").verdict == "pass"
    assert found.insertion.min == pytest.approx(0.2, abs=1e-9)
    assert found.insertion.first_touch is None
    assert 2.0 <= found.insertion.lift <= 31.5
    assert "a larger fit.clearance asks" in check_of(found, "clearance over the insertion").remedy
    by_zone = inspect(part, as_recess(*ring_recess(UNDERCUT)), walls=0.6)
    assert "a larger fit.walls asks" in check_of(by_zone, "clearance over the insertion").remedy


def test_a_part_that_ends_where_the_remedy_says_is_clear() -> None:
    """Too deep, upon a spike of the scan, and under a ledge."""
    vertices, faces = ring_recess(BOX)
    spike = np.array([[7.03, 3.1, -40.0], [7.13, 3.1, -40.0], [7.08, 3.2, -40.0], [7.08, 3.13, -36.2]])
    sides = np.array([(0, 1, 3), (1, 2, 3), (2, 0, 3)]) + len(vertices)
    poked = as_recess(np.concatenate([vertices, spike]), np.concatenate([faces, sides]).astype(np.int32))
    plain, ledge = as_recess(vertices, faces), as_recess(*ring_recess(UNDERCUT))
    for recess, low, high, reach in (
        (plain, (-49.0, -29.0, -39.9), (49.0, 29.0, -1.0), 39),  # too deep
        (poked, (-49.0, -29.0, -39.5), (49.0, 29.0, -1.0), 35),  # spiked
        (ledge, (-49.0, -29.0, -39.5), (49.0, 29.0, -12.0), 7),  # under a ledge 8 to 10 mm down
    ):
        failed = [check for check in inspect(block(low, high), recess).checks if check.verdict == "fail"]
        assert len(failed) == (1 if recess is ledge else 2)
        assert all(f"set fit.reach = {reach};" in check.remedy for check in failed)
    for recess, reach in ((plain, 39), (poked, 35), (ledge, 7)):
        assert all(check.verdict == "pass" for check in inspect(block((-47.0, -27.0, -reach), (47.0, 27.0, -1.0)), recess).checks)


def test_a_thread_across_the_way_is_met_between_any_two_steps() -> None:
    vertices, faces = ring_recess(BOX)
    # a sliver 0.02 mm high across the recess, at a height that no step of the part's corners would name
    sliver = np.array([[-50.0, 0.0, -7.013], [50.0, 0.0, -7.013], [50.0, 0.0, -6.993], [-50.0, 0.0, -6.993]])
    more = np.array([(0, 1, 2), (0, 2, 3)]) + len(vertices)
    recess = as_recess(np.concatenate([vertices, sliver]), np.concatenate([faces, more]).astype(np.int32))
    found = inspect(block((-40.0, -20.0, -39.5), (40.0, 20.0, -15.0)), recess)
    assert check_of(found, "clearance at rest").verdict == "pass"
    assert check_of(found, "clearance over the insertion").verdict == "fail"
    assert found.insertion.min <= 0.0
    assert found.insertion.first_touch == pytest.approx(32.5, abs=0.6)


def test_a_tapered_part_is_nearest_at_rest() -> None:
    half = np.tan(np.radians(2.0))
    levels = [(50.0 - 40 * half, 30.0 - 40 * half, -40.0), (50.0, 30.0, 0.0), (80.0, 60.0, 0.0)]
    off = 0.5 / np.cos(np.radians(2.0))
    low, high = 50.0 - 39.5 * half - off, 50.0 - 1.0 * half - off
    hull = trimesh.convex.convex_hull(np.array(
        [(sx * (a - d), sy * (a - 20 - d), z) for a, z, d in ((low, -39.5, 0.0), (high, -1.0, 0.0))
         for sx in (-1, 1) for sy in (-1, 1)]
    ))  # fmt: skip
    part = Mesh(np.array(hull.vertices), np.array(hull.faces, dtype=np.int32))
    found = inspect(part, as_recess(*ring_recess(levels)))
    assert found.rest.min == pytest.approx(0.5, abs=1e-9)
    assert found.rest.max == pytest.approx(0.5, abs=1e-9)
    assert found.in_band == 1.0
    assert (found.insertion.min, found.insertion.lift) == (pytest.approx(0.5, abs=1e-9), 0.0)


# ------------------------------------------------------------------ unseen


def floor_with_hole() -> tuple[Floats, Ints]:
    """The box recess with a hole of 20 x 20 mm in its floor."""
    vertices, faces = ring_recess([(10.0, 10.0, -40.0), *BOX], floor=False)
    return vertices, faces


def test_share_of_contact_that_faces_a_hole() -> None:
    part = block((-45.0, -25.0, -39.5), (45.0, 25.0, -1.0))  # walls 5 mm away: the bottom alone is contact
    found = inspect(part, as_recess(*floor_with_hole()))
    assert found.contact_area == pytest.approx(90 * 50, rel=1e-3)
    assert found.unseen == pytest.approx(400 / 4500, rel=0.02)
    assert check_of(found, "contact with unseen scan").verdict == "pass"
    small = inspect(block((-12.0, -12.0, -39.5), (12.0, 12.0, -1.0)), as_recess(*floor_with_hole()))
    check = check_of(small, "contact with unseen scan")
    assert check.value == pytest.approx(400 / 576, rel=0.02)
    assert check.verdict == "caution"
    assert "scan that place again" in check.remedy


def test_a_part_hanging_through_a_hole_is_unproven_not_inside() -> None:
    found = inspect(block((-9.0, -9.0, -45.0), (9.0, 9.0, -1.0)), as_recess(*floor_with_hole()))
    assert found.rest.min == pytest.approx(1.0, abs=0.01)
    assert check_of(found, "contact with unseen scan").verdict == "caution"


def test_a_missing_wall_counts_unless_it_is_the_open_side() -> None:
    vertices, faces = ring_recess(BOX)
    front = (vertices[faces][:, :, 1] < -29.9).all(axis=1)  # the wall towards -y, 6 o'clock
    faces = faces[~(front & (vertices[faces][:, :, 2].min(axis=1) < 0))]
    part = block((-49.5, -29.5, -39.5), (49.5, 29.5, -1.0))
    found = inspect(part, as_recess(vertices, faces))
    side = 99 * 38.5
    whole = 99 * 59 + 2 * side + 2 * 59 * 38.5
    # of the missing wall all counts but the upper 2 mm, the rim's, which the mouth bounds
    assert found.unseen == pytest.approx(side / whole, rel=0.08)
    opened = inspect(part, as_recess(vertices, faces, open_side=(120.0, 240.0)))
    assert opened.unseen < 0.01


# ------------------------------------------------------------------ the body by itself


@pytest.mark.parametrize(
    ("thickness", "verdict"),
    [(0.8, "fail"), (0.86, "fail"), (0.88, "caution"), (1.0, "caution"), (1.16, "caution"), (1.18, "pass"), (1.3, "pass")],
)
def test_wall_thickness_of_a_leaning_plate(thickness: float, verdict: str) -> None:
    plate = trimesh.creation.box(extents=(40.0, 30.0, thickness))
    plate.apply_transform(trimesh.transformations.rotation_matrix(0.6, [1, 2, 3], [0, 0, 0]))
    plate.apply_translation([0.0, 0.0, -18.0])
    found = inspect(
        Mesh(np.array(plate.vertices), np.array(plate.faces, dtype=np.int32)), as_recess(*ring_recess(BOX))
    )
    assert found.thinnest.thickness == pytest.approx(thickness, abs=1e-4)
    check = check_of(found, "wall thickness")
    assert check.verdict == verdict
    assert (check.value < check.limit) == (verdict != "pass")
    assert ("body.wall = 1.2" in check.remedy) == (verdict != "pass")
    inside = np.abs((np.array(found.thinnest.point) - [0, 0, -18.0]) @ plate.face_normals[0])
    assert inside < 20.0


def test_an_edge_is_not_a_thin_wall() -> None:
    prism = trimesh.creation.cylinder(radius=10.0, height=25.0, sections=3)  # three edges of 60 degrees
    prism.apply_translation([0.0, 0.0, -15.0])
    found = inspect(
        Mesh(np.array(prism.vertices), np.array(prism.faces, dtype=np.int32)), as_recess(*ring_recess(BOX))
    )
    assert found.thinnest.thickness == pytest.approx(25.0, abs=1e-3)


def test_a_thin_wall_of_a_thick_body_is_found_with_its_place() -> None:
    outer = trimesh.creation.box(bounds=[(-30, -20, -39), (30, 20, -1)])
    slot = trimesh.creation.box(bounds=[(28, -10, -30), (29, 10, 5)])  # leaves 1 mm towards +x
    cut = trimesh.boolean.difference([outer, slot], engine="manifold")
    found = inspect(
        Mesh(np.array(cut.vertices), np.array(cut.faces, dtype=np.int32)), as_recess(*ring_recess(BOX))
    )
    assert found.thinnest.thickness == pytest.approx(1.0, abs=1e-4)
    assert found.thinnest.point[0] == pytest.approx(29.5, abs=0.01)
    assert "3:" in check_of(found, "wall thickness").place or "2:" in check_of(found, "wall thickness").place


def test_a_fold_counts_for_no_more_than_its_own_faces() -> None:
    """Two slivers of 0.3 mm² back to back upon a plate of 5 mm, each met by a ray that stands for 0.9 mm²."""
    plate = trimesh.creation.box(bounds=[(-30, -20, -6), (30, 20, -1)])
    corners = np.array([(0.0, 0.0, -1.0), (0.8, 0.0, -1.0), (0.4, 0.0, -0.25), (0.4, 1e-4, -1.0)])
    fold = np.array([(0, 1, 2), (1, 3, 2), (3, 0, 2)]) + len(plate.vertices)
    vertices = np.vstack([plate.vertices, corners])
    faces = np.vstack([plate.faces, fold]).astype(np.int32)
    points, which = vertices[faces].mean(axis=1), np.arange(len(faces))
    many, area = np.concatenate([points, points[:12]]), np.full(len(faces) + 12, 0.9)
    found = find_thinnest(Surface(vertices, faces), many, np.concatenate([which, which[:12]]), area)
    assert found.thickness == pytest.approx(5.0, abs=0.01)


def test_bearing_area_of_each_face_in_the_order_of_the_mesh() -> None:
    """A block 0.5 mm from the floor and the four walls of a box bears with all of them, and not with its face at the mouth."""
    part = block((-49.5, -29.5, -39.5), (49.5, 29.5, -5.0))
    found = inspect(part, as_recess(*ring_recess(BOX)))
    corners = part.vertices[part.faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    up = normal[:, 2] > 0.0
    area = 0.5 * np.linalg.norm(normal, axis=1)
    assert found.bearing[up].sum() == 0.0
    assert found.bearing.sum() == pytest.approx(found.contact_area, rel=1e-9)
    assert found.bearing[~up] == pytest.approx(area[~up], rel=0.1)


def test_meshes_that_are_no_sound_body() -> None:
    recess = as_recess(*ring_recess(BOX))
    whole = block((-20.0, -20.0, -39.0), (20.0, 20.0, -1.0))
    open_box = Mesh(whole.vertices, np.asarray(whole.faces)[:-1])
    found = inspect(open_box, recess)
    assert check_of(found, "manifold").verdict == "fail"
    assert "not manifold" in check_of(found, "manifold").remedy
    with pytest.raises(AssertionError, match="not manifold"):
        assert_printable(open_box)

    two = join(
        block((-20.0, -20.0, -39.0), (-1.0, 20.0, -1.0)), block((1.0, -20.0, -39.0), (20.0, 20.0, -1.0))
    )
    found = inspect(two, recess)
    assert check_of(found, "manifold").verdict == "pass"
    assert (check_of(found, "one piece").verdict, check_of(found, "one piece").value) == ("fail", 2.0)
    assert "it is in 2 pieces: leave out one feature after the other" in check_of(found, "one piece").remedy

    core = block((-5.0, -5.0, -25.0), (5.0, 5.0, -15.0))
    hollow = join(whole, Mesh(core.vertices, np.asarray(core.faces)[:, ::-1]))
    assert check_of(inspect(hollow, recess), "one piece").verdict == "caution"

    inside_out = check_soundness(whole.vertices, np.asarray(whole.faces)[:, ::-1])
    assert (inside_out.manifold, inside_out.reason, inside_out.pieces) == (False, "normals point inwards", 1)


def test_what_cannot_be_gauged() -> None:
    recess = as_recess(*ring_recess(BOX))
    with pytest.raises(InspectionError) as caught:
        inspect(Mesh(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int32)), recess)
    assert "no triangles" in caught.value.what
    assert "make the part again" in caught.value.remedy
    with pytest.raises(InspectionError) as caught:
        inspect(block((500.0, 500.0, 0.0), (510.0, 510.0, 10.0)), recess)
    assert "no scan" in caught.value.what
    assert "part frame" in caught.value.remedy


# ------------------------------------------------------------------ a device on its way


def test_device_path_along_a_line() -> None:
    device = block((-5.0, -5.0, -5.0), (5.0, 5.0, 5.0))
    post = block((30.0, 7.0, -20.0), (40.0, 12.0, 20.0))
    found = sweep_clear(device, post, direction=(1.0, 0.0, 0.0), length=60.0)
    assert found.min == pytest.approx(2.0, abs=1e-9)
    assert 25.0 - 1e-6 <= found.lift <= 45.0 + 1e-6
    assert found.first_touch is None
    assert found.point[1] == pytest.approx(7.0)
    still = sweep_clear(device, post, direction=(1.0, 0.0, 0.0), length=0.0)
    assert still.min == pytest.approx(np.hypot(25.0, 2.0), abs=1e-9)
    short = sweep_clear(device, post, direction=(1.0, 0.0, 0.0), length=15.0)
    assert (short.min, short.lift) == (pytest.approx(np.hypot(10.0, 2.0), abs=1e-9), pytest.approx(15.0))


def test_device_path_into_a_scanned_recess() -> None:
    recess = as_recess(*ring_recess(BOX))
    device = block((-20.0, -8.0, -38.8), (20.0, 8.0, -30.0))
    straight = sweep_clear(device, recess, direction=(0.0, 0.0, 1.0), length=45.0)
    assert (straight.min, straight.limit, straight.lift) == (pytest.approx(1.2, abs=1e-9), 0.0, 0.0)
    leaning = sweep_clear(device, recess, direction=(0.0, 0.6, 0.8), length=60.0)
    assert leaning.min < 0.0
    assert leaning.first_touch is not None
    # going aside it runs into the wall, until its bottom leaves the mouth after 38.8 / 0.8 = 48.5 mm
    assert leaning.first_touch == pytest.approx(48.5, abs=0.6)


def test_device_path_is_the_same_in_any_frame() -> None:
    turn = trimesh.transformations.rotation_matrix(1.1, [3, -1, 2])[:3, :3]
    device, post = block((-5.0, -5.0, -5.0), (5.0, 5.0, 5.0)), block((30.0, 3.0, -20.0), (40.0, 12.0, 20.0))
    plain = sweep_clear(device, post, direction=(1.0, 0.0, 0.0), length=60.0)
    assert plain.min == pytest.approx(-2.0, abs=0.05)  # 2 mm of the device run into the post
    assert plain.first_touch == pytest.approx(45.0, abs=0.5)
    turned = sweep_clear(
        Mesh(device.vertices @ turn.T, device.faces), Mesh(post.vertices @ turn.T, post.faces),
        direction=tuple(turn[:, 0]), length=60.0,
    )  # fmt: skip
    assert turned.min == pytest.approx(plain.min, abs=0.1)
    assert turned.first_touch == pytest.approx(45.0, abs=0.5)


def test_device_path_refuses_what_is_no_path() -> None:
    device = block((-5.0, -5.0, -5.0), (5.0, 5.0, 5.0))
    with pytest.raises(ValueError, match="direction"):
        sweep_clear(device, device, direction=(0.0, 0.0, 0.0), length=1.0)
    with pytest.raises(ValueError, match="length"):
        sweep_clear(device, device, direction=(0.0, 0.0, 1.0), length=-1.0)
    with pytest.raises(InspectionError) as caught:
        sweep_clear(
            Mesh(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int32)), device, direction=(0, 0, 1), length=1.0
        )
    assert "moving body" in caught.value.what
    assert "device" in caught.value.remedy


@pytest.mark.parametrize(("joined", "verdict"), [(False, "caution"), (True, "fail")])
def test_an_edge_in_which_a_solid_part_runs_out_is_a_caution_unless_another_piece_hangs_on_it(joined: bool, verdict: str) -> None:
    other = [[(15, -20, -30), (30, 20, -1)]] if joined else []
    bounds = [[(-30, -20, -39), (10, 20, -1)], [(9, -20, -1.6), (16, 20, -1)], *other]
    part = trimesh.boolean.union([trimesh.creation.box(bounds=each) for each in bounds], engine="manifold")
    mesh = Mesh(np.array(part.vertices), np.array(part.faces, dtype=np.int32))
    checks = [check_of(inspect(mesh, as_recess(*ring_recess(BOX)), runs_out=solid), "wall thickness") for solid in (False, True)]
    assert [check.verdict for check in checks] == ["fail", verdict]
    assert [check.value for check in checks] == pytest.approx([0.6, 0.6], abs=1e-4)
    assert ("the part is in pieces" in checks[1].remedy) is joined
