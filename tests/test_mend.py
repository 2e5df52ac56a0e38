"""Mending: every defect put in on purpose is taken out, reported with its number, and nothing else
changes.
"""

from __future__ import annotations

import numpy as np
import pytest

from mountgen.arrays import Floats, Ints
from mountgen.errors import ScanError
from mountgen.faces import measure_faces
from mountgen.links import link_faces
from mountgen.mend import Mend, MendedMesh, mend_mesh
from tests.sheets import Surface, cut_hole, make_sheet, random_pose, tray

TRAY_VERTICES, TRAY_FACES = make_sheet(tray)


def mend(vertices: Floats, faces: Ints, bridge: float = 6.0) -> MendedMesh:
    return mend_mesh(vertices, faces, bridge=bridge, where="a test")


def counts(mesh: MendedMesh) -> dict[str, int]:
    assert len({m.what for m in mesh.mended}) == len(mesh.mended)
    assert all(m.count > 0 for m in mesh.mended)
    return {m.what: m.count for m in mesh.mended}


def note(mesh: MendedMesh, what: str) -> str:
    return next(m.note for m in mesh.mended if m.what == what)


def ball(centre: tuple[float, float, float], radius: float, *, turned: bool = False) -> tuple[Floats, Ints]:
    from manifold3d import Manifold

    mesh = Manifold.sphere(radius, 12).to_mesh64()
    faces = np.asarray(mesh.tri_verts).astype(np.int32)
    vertices: Floats = np.asarray(mesh.vert_properties)[:, :3] + centre
    return vertices, faces[:, ::-1] if turned else faces


def join(*meshes: tuple[Floats, Ints]) -> tuple[Floats, Ints]:
    shift = np.cumsum([0] + [len(v) for v, _ in meshes])
    faces = np.concatenate([f + s for (_, f), s in zip(meshes, shift, strict=False)]).astype(np.int32)
    return np.concatenate([v for v, _ in meshes]), faces


def vector_area(mesh: MendedMesh) -> Floats:
    total: Floats = measure_faces(mesh.vertices, mesh.faces)[0].sum(axis=0)
    return total


def test_a_clean_sheet_stays_as_it_is() -> None:
    mesh = mend(TRAY_VERTICES, TRAY_FACES)
    assert mesh.mended == ()
    np.testing.assert_array_equal(mesh.vertices, TRAY_VERTICES)
    np.testing.assert_array_equal(mesh.faces, TRAY_FACES)


def test_triangle_soup_is_welded() -> None:
    mesh = mend(TRAY_VERTICES[TRAY_FACES].reshape(-1, 3), np.arange(3 * len(TRAY_FACES)).reshape(-1, 3))
    assert counts(mesh) == {"welded vertices": 3 * len(TRAY_FACES) - len(TRAY_VERTICES)}
    assert len(mesh.vertices) == len(TRAY_VERTICES)
    np.testing.assert_array_equal(mesh.vertices[mesh.faces], TRAY_VERTICES[TRAY_FACES])


def test_all_small_defects_at_once() -> None:
    rng = np.random.default_rng(1)
    count = len(TRAY_FACES)
    vertices = np.vstack([TRAY_VERTICES, [[1.0, 2.0, 3.0]] * 5, [[np.nan, 0.0, 0.0]]])
    nowhere = np.array([[0, 1, len(vertices)], [-1, 5, 6], [2, 3, 2**31 - 1]])
    not_numbers = np.array([[0, 1, len(vertices) - 1]])
    flat = np.array([[7, 7, 8], [9, 10, 9]])
    twice = np.concatenate([TRAY_FACES[100:110], TRAY_FACES[200:207, ::-1], TRAY_FACES[300:304, [1, 2, 0]]])
    spoilt = TRAY_FACES.copy()
    flipped = rng.permutation(count)[: count // 10]
    spoilt[flipped] = spoilt[flipped][:, ::-1]
    mesh = mend(vertices, np.concatenate([spoilt, nowhere, not_numbers, flat, twice]))
    assert counts(mesh) == {
        "stray indices": 3,
        "invalid coordinates": 1,
        "unused points": 6,
        "degenerate faces": 2,
        "duplicate faces": 21,
        "mixed normals": len(flipped),
    }
    np.testing.assert_array_equal(mesh.vertices, TRAY_VERTICES)
    assert {tuple(np.roll(f, -f.argmin())) for f in mesh.faces} == {
        tuple(np.roll(f, -f.argmin())) for f in TRAY_FACES
    }


def bowed(x: Floats, y: Floats) -> Floats:
    """A shallow recess in a strongly bowed panel: its floor lies above the panel's corners."""
    return -(x**2 + y**2) / 300.0 - 5.0 * np.clip((25.0 - np.hypot(x, y)) / 5.0, 0.0, 1.0)


def open_front(x: Floats, y: Floats) -> Floats:
    """A nook without a front edge."""
    return np.where((np.abs(x) < 40.0) & (y < 20.0), -15.0, 0.0) - x**2 / 900.0


@pytest.mark.parametrize("surface", [tray, bowed, open_front])
@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("inverted", [False, True])
def test_normals_point_out_of_the_recess(surface: Surface, seed: int, inverted: bool) -> None:
    vertices, faces = make_sheet(surface)
    turn, shift = random_pose(seed)
    mesh = mend(vertices @ turn.T + shift, faces[:, ::-1] if inverted else faces)
    assert counts(mesh) == ({"inverted normals": len(faces)} if inverted else {})
    assert vector_area(mesh) @ turn[:, 2] > 0.0


@pytest.mark.parametrize("share", [0.3, 0.7])
def test_mixed_and_inverted(share: float) -> None:
    rng = np.random.default_rng(5)
    flip = rng.random(len(TRAY_FACES)) < share
    mesh = mend(TRAY_VERTICES, np.where(flip[:, None], TRAY_FACES[:, ::-1], TRAY_FACES))
    assert vector_area(mesh)[2] > 0.0
    assert not link_faces(mesh.faces, len(mesh.vertices)).flip.any()
    found = counts(mesh)
    assert found["mixed normals"] == min(flip.sum(), (~flip).sum())
    assert ("inverted normals" in found) == (share > 0.5)


@pytest.mark.parametrize("inverted", [False, True])
def test_floor_that_is_an_island_is_kept_and_faces_out(inverted: bool) -> None:
    middle = np.hypot(*TRAY_VERTICES[TRAY_FACES].mean(axis=1)[:, :2].T)
    rim, floor = TRAY_FACES[middle > 30.0], TRAY_FACES[middle < 15.0]
    mesh = mend(TRAY_VERTICES, np.concatenate([rim, floor[:, ::-1] if inverted else floor]))
    found = counts(mesh)
    assert found["separate pieces"] == 1
    assert found.get("inverted normals") == (len(floor) if inverted else None)
    assert found["open holes"] == 1
    assert "6" in note(mesh, "open holes")
    assert len(mesh.faces) == len(rim) + len(floor)
    assert (measure_faces(mesh.vertices, mesh.faces)[0][:, 2] > 0.0).all()


@pytest.mark.parametrize("turned", [False, True])
def test_balls_in_the_air_go(turned: bool) -> None:
    balls = [ball((10.0 * k, 5.0, 3.0), 0.4 + 0.4 * k, turned=turned) for k in range(6)]
    mesh = mend(*join((TRAY_VERTICES, TRAY_FACES), *balls))
    assert counts(mesh) == {"loose fragments": 6}
    np.testing.assert_array_equal(mesh.vertices, TRAY_VERTICES)
    areas = [measure_faces(*b)[1].sum() for b in balls]
    assert note(mesh, "loose fragments") == f"{sum(areas):.1f} mm² dropped, the largest {max(areas):.1f} mm²"
    large = [k for k in range(6) if areas[k] >= 6.0]
    np.testing.assert_allclose(np.sort(mesh.dropped[:, 3]), [areas[k] for k in large])
    np.testing.assert_allclose(mesh.dropped[np.argsort(mesh.dropped[:, 3]), :3], [(10.0 * k, 5.0, 3.0) for k in large], atol=1e-6)


@pytest.mark.parametrize(("radius", "kept"), [(2.5, False), (4.5, True)])
def test_share_of_the_area_that_an_open_piece_needs(radius: float, kept: bool) -> None:
    """0.3 % of some 12 000 mm² is 36 mm²; patches of 20 and 64 mm²."""
    x, y = TRAY_VERTICES[TRAY_FACES].mean(axis=1)[:, :2].T
    r = np.hypot(x, y)
    mesh = mend(TRAY_VERTICES, TRAY_FACES[(r < radius) | (r > 18.0)])
    assert ("separate pieces" in counts(mesh)) == kept
    assert ("loose fragments" in counts(mesh)) != kept


@pytest.mark.parametrize(("over", "filled"), [(-1e-6, 0), (1e-6, 1), (20.0, 2)])
def test_holes_up_to_the_bridge_are_closed(over: float, filled: int) -> None:
    """Two holes in the panel, about 4 and 12 mm across, and the bridge a hair below or above the first."""
    vertices, faces = make_sheet(tray, pitch=0.75)
    holed = cut_hole(vertices, faces, centre=(45.0, 30.0), radius=1.6)
    border = vertices[
        np.intersect1d(holed, np.setdiff1d(faces.view("i4,i4,i4"), holed.view("i4,i4,i4")).view("i4"))
    ]
    extent = np.linalg.norm(border[:, None] - border[None], axis=2).max()
    mesh = mend(vertices, cut_hole(vertices, holed, centre=(-45.0, -30.0), radius=5.5), extent + over)
    found = counts(mesh)
    assert found.get("small holes", 0) == filled
    assert found.get("open holes", 0) == 2 - filled
    links = link_faces(mesh.faces, len(mesh.vertices))
    assert not links.flip.any()
    assert (links.crowded, links.twisted) == (0, 0)


def test_outer_border_is_never_closed() -> None:
    assert mend(TRAY_VERTICES, TRAY_FACES, 1000.0).mended == ()


def test_bridges_face_the_free_side_of_an_inverted_scan() -> None:
    vertices, faces = make_sheet(tray, pitch=0.75)
    holed = cut_hole(vertices, faces, centre=(45.0, 30.0), radius=1.6)[:, ::-1]
    mesh = mend(vertices, holed)
    assert counts(mesh)["small holes"] == 1
    assert (measure_faces(mesh.vertices, mesh.faces)[0][:, 2] > 0.0).all()


def test_outer_border_of_a_small_island_is_not_closed() -> None:
    vertices, faces = make_sheet(lambda x, y: -0.1 * (x**2 + y**2), half=(12.0, 12.0), pitch=0.5)
    r = np.hypot(*vertices[faces].mean(axis=1)[:, :2].T)
    mesh = mend(vertices, faces[(r < 2.0) | (r > 5.0)], bridge=6.0)
    assert counts(mesh)["separate pieces"] == 1
    assert "small holes" not in counts(mesh)


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("opening", [0.0, 2.0])
def test_closed_object_is_refused(turned: bool, opening: float) -> None:
    from manifold3d import Manifold

    mesh = Manifold.sphere(40.0, 120).to_mesh64()
    vertices, faces = np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts).astype(np.int32)
    faces = faces[:, ::-1] if turned else faces
    if opening:
        middle = vertices[faces].mean(axis=1)
        faces = faces[np.hypot(middle[:, 0], middle[:, 1]) > opening]
    with pytest.raises(ScanError) as caught:
        mend(vertices, faces)
    assert caught.value.what.startswith("a closed object, not a scan of a recess")
    assert ("widest opening" in caught.value.what) == (opening > 0.0)
    assert "open towards the scanner" in caught.value.remedy


def test_a_scan_all_of_whose_points_lie_on_a_line_is_refused() -> None:
    vertices = np.zeros((30, 3))
    vertices[:, 0] = np.arange(30.0)
    faces = np.column_stack([np.arange(28), np.arange(1, 29), np.arange(2, 30)]).astype(np.int32)
    with pytest.raises(ScanError, match="no face of the scan has any area"):
        mend(vertices, faces)


def test_most_faces_unusable() -> None:
    broken = TRAY_VERTICES.copy()
    broken[::2, 2] = np.inf
    with pytest.raises(ScanError) as caught:
        mend(broken, TRAY_FACES)
    assert "not numbers" in caught.value.what
    assert "export" in caught.value.remedy
    with pytest.raises(ScanError) as caught:
        mend(TRAY_VERTICES[: len(TRAY_VERTICES) // 2], TRAY_FACES)
    assert "vertices that are not in the file" in caught.value.what


def test_nothing_with_an_area() -> None:
    with pytest.raises(ScanError) as caught:
        mend(np.zeros((4, 3)), np.array([[0, 1, 2], [1, 2, 3]], np.int32))
    assert "any area" in caught.value.what
    assert "triangle mesh" in caught.value.remedy


def test_programming_mistakes_are_value_errors() -> None:
    with pytest.raises(ValueError, match=r"\(N, 3\), got \(10, 2\)"):
        mend(np.zeros((10, 2)), TRAY_FACES)
    with pytest.raises(ValueError, match="0 mm or more, got -1"):
        mend(TRAY_VERTICES, TRAY_FACES, -1.0)


@pytest.mark.parametrize("seed", range(6))
def test_moving_the_scan_moves_the_result(seed: int) -> None:
    rng = np.random.default_rng(seed)
    vertices, faces = make_sheet(tray, pitch=0.8)
    vertices = vertices + rng.normal(0.0, 0.03, vertices.shape)
    for _ in range(6):
        centre = rng.uniform(-40.0, 40.0, 2)
        faces = cut_hole(vertices, faces, centre=(centre[0], centre[1]), radius=rng.uniform(0.5, 4.0))
    flip = rng.random(len(faces)) < 0.05
    faces = np.where(flip[:, None], faces[:, ::-1], faces)
    soup, corners = join((vertices, faces), ball((0.0, 0.0, 9.0), 1.0))
    turn, shift = random_pose(seed)
    moved = (soup[corners].reshape(-1, 3) @ turn.T + shift).astype(np.float32).astype(np.float64)
    single = soup[corners].reshape(-1, 3).astype(np.float32).astype(np.float64)
    index = np.arange(len(single)).reshape(-1, 3)
    plain, turned = mend(single, index), mend(moved, index)
    assert counts(plain) == counts(turned)
    np.testing.assert_array_equal(plain.faces, turned.faces)
    np.testing.assert_allclose(turned.vertices, plain.vertices @ turn.T + shift, atol=2e-3)


def test_mending_twice_changes_nothing() -> None:
    vertices, faces = make_sheet(tray, pitch=0.75)
    once = mend(vertices, cut_hole(vertices, faces, centre=(45.0, 30.0), radius=1.6)[:, ::-1])
    again = mend(once.vertices, once.faces)
    assert again.mended == ()
    np.testing.assert_array_equal(again.faces, once.faces)


def test_one_sided_surface_is_tolerated() -> None:
    from tests.test_links import moebius

    angle = np.repeat(np.arange(20) / 20 * 2 * np.pi, 2)
    side = np.tile([-8.0, 8.0], 20)
    radius = 40.0 + side * np.cos(angle / 2)
    vertices = np.column_stack([radius * np.cos(angle), radius * np.sin(angle), side * np.sin(angle / 2)])
    assert counts(mend(vertices, moebius()))["twisted edges"] == 1


def test_a_small_hole_that_is_not_bridged_is_not_called_wide() -> None:
    """A hole of some 3 mm, and on its border an edge with a third face: no simple loop, so it stays open."""
    vertices, faces = make_sheet(tray, pitch=0.75)
    holed = cut_hole(vertices, faces, centre=(45.0, 30.0), radius=1.6)
    edges = np.sort(np.vstack([holed[:, [0, 1]], holed[:, [1, 2]], holed[:, [2, 0]]]), axis=1)
    kinds, times = np.unique(edges, axis=0, return_counts=True)
    near = np.linalg.norm(vertices[kinds].mean(axis=1)[:, :2] - [45.0, 30.0], axis=1)
    a, b = kinds[(times == 2) & (near < 3.0)][0]
    tip = vertices[a] + [0.0, 0.3, 3.0]
    fins = [[a, b, len(vertices)]]
    for corner in kinds[(times == 1) & (near < 3.0)][:1]:  # and one on the border itself, there three times
        fins += [[*corner, len(vertices)], [corner[1], corner[0], len(vertices) + 1]]
    points = np.vstack([vertices, tip, tip + np.array([0.0, 0.5, 0.0])])
    found = mend(points, np.vstack([holed, np.array(fins, dtype=holed.dtype)]))
    assert counts(found).get("tangled holes", 0) >= 1  # the fins' own edges count, too
    assert "small holes" in note(found, "tangled holes")
    assert "open holes" not in counts(found)


@pytest.mark.parametrize(
    ("mend", "words"),
    [
        (Mend("open holes", 1, "wider than 6 mm"), "1 open hole: wider than 6 mm"),
        (Mend("open holes", 2, "wider than 6 mm"), "2 open holes: wider than 6 mm"),
        (Mend("welded vertices", 1), "1 welded vertex"),
        (Mend("stray indices", 1), "1 stray index"),
        (Mend("unit of the file", 1, "read in mm"), "1 unit of the file: read in mm"),
    ],
)
def test_a_repair_in_words(mend: Mend, words: str) -> None:
    assert mend.tell() == words


def test_crumbs_alone_are_called_so() -> None:
    balls = [ball((10.0 * k, 0.0, 0.0), 0.5 + 0.1 * k) for k in range(15)]
    with pytest.raises(ScanError, match="nothing but 15 loose pieces, all of them closed"):
        mend(*join(*balls))


def test_a_scan_torn_to_pieces_is_refused() -> None:
    """Cut into a board of squares, each without its neighbours: nothing says which of them look the right way."""
    middle = TRAY_VERTICES[TRAY_FACES].mean(axis=1)[:, :2]
    low, size = middle.min(axis=0), np.ptp(middle, axis=0) / 6.0
    inside = ((middle - low) / size) % 1.0
    kept = TRAY_FACES[((inside > 0.15) & (inside < 0.85)).all(axis=1)]
    with pytest.raises(ScanError) as caught:
        mend(TRAY_VERTICES, kept)
    assert "torn into 36 pieces, the largest of which is" in caught.value.what
    assert "one mesh" in caught.value.remedy


def soup(*, apart: float) -> tuple[Floats, Ints]:
    """Return a tray as lone triangles, their corners moved at random by a standard deviation."""
    corners = TRAY_VERTICES[TRAY_FACES].reshape(-1, 3)
    corners = corners + np.random.default_rng(1).normal(0.0, apart, corners.shape)
    return corners, np.arange(len(corners), dtype=np.int32).reshape(-1, 3)


def test_triangles_whose_corners_nearly_meet_are_welded() -> None:
    """4 um off each, twice what is welded of itself."""
    mesh = mend(*soup(apart=0.004))
    assert (len(mesh.vertices), len(mesh.faces)) == (len(TRAY_VERTICES), len(TRAY_FACES))
    assert note(mesh, "welded vertices").endswith("; the corners of its triangles were up to 0.11 mm apart")


def test_triangles_that_stand_alone_are_no_scan() -> None:
    with pytest.raises(ScanError, match=rf"nearly all of its {len(TRAY_FACES)} triangles stand alone"):
        mend(*soup(apart=0.3))
