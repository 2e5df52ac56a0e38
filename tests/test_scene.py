"""What a camera sees, against rays of another library and closed forms."""

import igl
import numpy as np
import pytest
import trimesh

from mountgen.scene import Camera, Item, Plane, cut_lines, look

SIZE = (200, 160)
RADIUS = 20.0


def ball() -> trimesh.Trimesh:
    return trimesh.creation.icosphere(subdivisions=5, radius=RADIUS)


def item(mesh: trimesh.Trimesh, **options: object) -> Item:
    return Item(np.asarray(mesh.vertices), np.asarray(mesh.faces), **options)  # type: ignore[arg-type]


def oblique(scale: float = 3.0) -> Camera:
    return Camera(np.array([1.0, -2.0, 3.0]), np.array([-0.5, 0.3, -0.8]), np.array([0.1, 1.0, 0.2]), scale)


def test_pixels_see_what_the_rays_of_another_library_hit():
    mesh = trimesh.creation.torus(major_radius=15.0, minor_radius=6.0, major_sections=40, minor_sections=20)
    camera = oblique()
    view = look([item(mesh)], camera, size=SIZE)
    right, up, forward = camera.axes()
    vertices, faces = np.asarray(mesh.vertices), np.asarray(mesh.faces)
    hits = 0
    for row, col in np.random.default_rng(5).integers((0, 0), SIZE[::-1], (400, 2)):
        across = (col + 0.5 - SIZE[0] / 2) / 3.0 * right - (row + 0.5 - SIZE[1] / 2) / 3.0 * up
        found = igl.ray_mesh_intersect(camera.target + across - 100.0 * forward, forward, vertices, faces)
        if len(found):
            face, distance, _, _ = found[0]
            assert view.face[row, col] == face
            assert view.depth[row, col] == pytest.approx(distance - 100.0, abs=1e-4)  # float32
            hits += 1
        else:
            assert view.item[row, col] == -1
    assert 80 < hits < 320


def test_a_ball_covers_its_disc_and_is_nearest_in_the_middle():
    camera = Camera(np.zeros(3), np.array([0.2, -0.5, -1.0]), np.array([0.0, 1.0, 0.0]), 3.0)
    view = look([item(ball())], camera, size=SIZE)
    disc = np.pi * (RADIUS * 3.0) ** 2
    assert disc * 0.995 < (view.item == 0).sum() <= disc + 2 * np.pi * RADIUS * 3.0  # facets only lose area
    assert view.depth[80, 100] == pytest.approx(-RADIUS, abs=0.02)


def test_a_solid_cut_open_shows_the_cut_exactly_where_the_plane_is():
    camera = oblique()
    plane = Plane(np.array([0.0, 0.0, 8.0]), np.array([0.3, 0.1, 2.0]))
    view = look([item(ball(), inside=(1.0, 0.0, 0.0))], camera, size=SIZE, cut=plane)
    normal = plane.normal / np.linalg.norm(plane.normal)
    right, up, forward = camera.axes()
    row, col = np.nonzero(view.capped)
    places = (
        camera.target
        + ((col + 0.5 - SIZE[0] / 2) / 3.0)[:, None] * right
        - ((row + 0.5 - SIZE[1] / 2) / 3.0)[:, None] * up
        + view.depth[row, col][:, None] * forward
    )
    assert np.abs((places - plane.point) @ normal).max() < 1e-9
    offset = float(plane.point @ normal)
    area = np.pi * (RADIUS**2 - offset**2) * abs(forward @ normal) * 3.0**2
    assert len(row) == pytest.approx(area, rel=0.01)


def test_an_item_that_is_not_cut_stays_whole():
    camera, plane = oblique(), Plane(np.zeros(3), np.array([0.0, 0.0, 1.0]))
    whole = look([item(ball(), cut=False)], camera, size=SIZE, cut=plane)
    assert np.array_equal(whole.depth, look([item(ball())], camera, size=SIZE).depth)


def test_the_nearer_item_is_seen_whatever_the_order():
    near = item(ball().apply_translation([0.0, 0.0, 30.0]))
    far = item(ball())
    camera = Camera(np.zeros(3), np.array([0.0, 0.0, -1.0]), np.array([0.0, 1.0, 0.0]), 3.0)
    assert look([near, far], camera, size=SIZE).item[80, 100] == 0
    assert look([far, near], camera, size=SIZE).item[80, 100] == 1


def test_cut_lines_are_those_of_another_library():
    mesh = trimesh.creation.torus(major_radius=15.0, minor_radius=6.0)
    point, normal = np.array([1.0, 0.5, 0.2]), np.array([1.0, 0.4, 0.3])
    ours = cut_lines(np.asarray(mesh.vertices), np.asarray(mesh.faces), Plane(point, normal))
    theirs = trimesh.intersections.mesh_plane(mesh, plane_normal=normal, plane_origin=point)
    assert np.abs((ours - point) @ normal).max() < 1e-12
    lengths = [np.sort(np.linalg.norm(lines[:, 1] - lines[:, 0], axis=1)) for lines in (ours, theirs)]
    assert np.allclose(*lengths, atol=1e-9)


def test_a_cut_through_vertices_stays_closed():
    mesh = trimesh.creation.icosphere(subdivisions=3)  # has vertices and edges in the plane z = 0
    lines = cut_lines(
        np.asarray(mesh.vertices), np.asarray(mesh.faces), Plane(np.zeros(3), np.array([0.0, 0.0, 1.0]))
    )
    lines = lines[np.linalg.norm(lines[:, 1] - lines[:, 0], axis=1) > 1e-9]
    _, count = np.unique(np.round(lines.reshape(-1, 3), 9), axis=0, return_counts=True)
    assert (count == 2).all()


def test_camera_axes_are_a_right_handed_frame_with_up_upwards():
    right, up, forward = oblique().axes()
    assert np.allclose(np.cross(right, up), -forward)
    assert up @ (0.1, 1.0, 0.2) > 0


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (
            lambda: Camera(np.zeros(3), np.array([0.0, 1.0, 0.0]), np.array([0.0, 2.0, 0.0]), 1.0),
            "span a plane",
        ),
        (
            lambda: Camera(np.zeros(3), np.array([0.0, 0.0, 1.0]), np.array([0.0, 2.0, 0.0]), 0.0),
            "positive, not 0",
        ),
        (lambda: item(ball(), colour=np.zeros((7, 3))), r"not \(7, 3\)"),
        (lambda: item(ball(), values=np.zeros(5)), "give both or neither"),
    ],
)
def test_wrong_arguments_are_named(make, words):
    with pytest.raises(ValueError, match=words):
        make()


def test_a_cut_that_faces_away_is_refused():
    with pytest.raises(ValueError, match="towards the camera"):
        look([item(ball())], oblique(), size=SIZE, cut=Plane(np.zeros(3), np.array([0.0, 0.0, -1.0])))
