"""Finished pixels: colours, light, edges, smoothing."""

import numpy as np
import pytest
import trimesh

from mountgen.picture import AMBIENT, EDGE, shade
from mountgen.ramp import ramp_depth
from mountgen.scene import Camera, Item, Plane, look

DOWN = Camera(np.zeros(3), np.array([0.0, 0.0, -1.0]), np.array([0.0, 1.0, 0.0]), 4.0)
SIZE = (120, 100)
TEAL = (0.2, 0.6, 0.6)


def box(**options):
    mesh = trimesh.creation.box((20.0, 12.0, 6.0))
    return Item(np.asarray(mesh.vertices), np.asarray(mesh.faces), **options)


def pixels(items, camera=DOWN, *, samples=2, cut=None):
    """Return a picture (R, C, 3), 0..255; samples: rays a pixel along each side, averaged; 1: none of the colours is mixed."""
    columns, rows = SIZE
    fine = Camera(camera.target, camera.forward, camera.up, camera.px_per_mm * samples, camera.light)
    view = look(items, fine, size=(columns * samples, rows * samples), cut=cut)
    shaded = shade(items, fine, view, cut=cut).reshape(rows, samples, columns, samples, 3)
    return np.rint(255.0 * shaded.mean(axis=(1, 3))).astype(int)


def test_a_face_towards_the_camera_keeps_its_colour_and_its_size():
    picture = pixels([box(colour=TEAL)])
    painted = (picture == np.rint(np.array(TEAL) * 255)).all(axis=2)
    row, col = np.nonzero(painted)
    assert painted.sum() == 80 * 48  # 20 x 12 mm at 4 pixels a mm
    assert (col.min(), col.max(), row.min(), row.max()) == (20, 99, 26, 73)
    assert (picture[~painted] == 255).all()


def test_values_are_painted_by_the_ramp_between_vertices():
    mesh = trimesh.creation.box((20.0, 12.0, 6.0))
    ramp = ramp_depth(20.0)
    item = Item(
        np.asarray(mesh.vertices),
        np.asarray(mesh.faces),
        values=np.asarray(mesh.vertices)[:, 0] + 10.0,
        ramp=ramp,
    )
    picture = pixels([item], samples=1)
    for col in (20, 47, 60, 99):
        expected = np.rint(ramp.paint(np.array((col + 0.5 - 20) / 4.0)) * 255)
        assert np.array_equal(picture[50, col], expected)


def test_a_leaning_face_is_darker_by_the_cosine():
    turned = Camera(np.zeros(3), np.array([0.0, 1.0, -1.0]), np.array([0.0, 1.0, 0.0]), 4.0)
    expected = 200 * (AMBIENT + (1 - AMBIENT) * np.sqrt(0.5))
    assert pixels([box(colour=(200 / 255,) * 3)], turned)[50, 60, 0] == pytest.approx(expected, abs=1)


def test_colours_by_vertex_and_by_face():
    by_face = box(colour=np.tile(TEAL, (12, 1)))
    by_vertex = box(colour=np.tile(TEAL, (8, 1)))
    assert np.array_equal(pixels([by_face]), pixels([box(colour=TEAL)]))
    assert np.abs(pixels([by_vertex]) - pixels([box(colour=TEAL)])).max() <= 1


def test_the_back_of_an_open_sheet_is_darker():
    sheet = np.array([[-5.0, -5, 0], [5, -5, 0], [0, 5, 0]])
    front = pixels([Item(sheet, np.array([[0, 1, 2]]), colour=TEAL)])[50, 60]
    back = pixels([Item(sheet, np.array([[0, 2, 1]]), colour=TEAL)])[50, 60]
    assert np.allclose(back, 0.7 * front, atol=1)


def test_the_cut_through_a_solid_has_the_colour_asked_for():
    plane = Plane(np.zeros(3), np.array([0.0, 0.0, 1.0]))
    assert tuple(pixels([box(inside=(1.0, 0.5, 0.0))], cut=plane)[50, 60]) == (255, 128, 0)


def test_edges_are_drawn_where_faces_turn_and_only_there():
    camera = Camera(np.zeros(3), np.array([-1.0, -1.0, -1.0]), np.array([0.0, 0.0, 1.0]), 3.0)
    plain, lined = (pixels([box(colour=TEAL, edges=edges)], camera, samples=1) for edges in (False, True))
    changed = (plain != lined).any(axis=2)
    inside = (plain != 255).any(axis=2)
    assert 100 < changed.sum() < 0.25 * inside.sum()
    assert np.allclose(lined[changed], EDGE * plain[changed], atol=1)


def test_smooth_shading_of_a_coarse_ball_comes_closer_to_the_true_ball():
    mesh = trimesh.creation.icosphere(subdivisions=2, radius=10.0)
    rows, cols = np.indices((SIZE[1], SIZE[0])) + 0.5
    away = np.hypot(rows - 50, cols - 60) / 4.0
    inside = away < 9.0
    truth = 255 * (AMBIENT + (1 - AMBIENT) * np.sqrt(1 - np.minimum(away / 10.0, 1.0) ** 2))
    worst = {}
    for smooth in (False, True):
        item = Item(np.asarray(mesh.vertices), np.asarray(mesh.faces), colour=(1.0, 1.0, 1.0), smooth=smooth)
        worst[smooth] = np.abs(pixels([item])[..., 0] - truth)[inside].max()
    assert worst[True] < 8.0 < worst[False]


def test_a_picture_is_repeatable():
    camera = Camera(np.zeros(3), np.array([-1.0, -2.0, -1.5]), np.array([0.0, 0.0, 1.0]), 3.0)
    first, second = (pixels([box(colour=TEAL, edges=True)], camera) for _ in range(2))
    assert np.array_equal(first, second)


def test_a_sliver_between_faces_that_agree_is_no_edge():
    # two halves of a flat plate, and between them a strip 0.02 mm wide that stands on edge
    x = np.array([-10.0, 0.0, 0.02, 10.0])
    z = np.array([0.0, 0.0, 0.02, 0.02])
    low, high = (np.column_stack([x, np.full(4, y), z]) for y in (-5.0, 5.0))
    faces = [f for k in range(3) for f in ((k, k + 1, k + 5), (k, k + 5, k + 4))]
    camera = Camera(np.array([0.0, 0.0, 0.0]), np.array([-0.3, 0.2, -1.0]), np.array([0.0, 1.0, 0.0]), 40.0)
    plate = np.concatenate([low, high])
    plain, lined = (
        pixels([Item(plate, np.array(faces), colour=TEAL, edges=edges)], camera, samples=1)
        for edges in (False, True)
    )
    assert np.ptp(plain.reshape(-1, 3), axis=0).max() > 5  # the strip is seen
    assert np.array_equal(plain, lined)


def test_a_few_pixels_by_themselves_are_no_edge():
    plate = trimesh.creation.box((24.0, 20.0, 2.0))
    camera = Camera(np.zeros(3), np.array([-0.3, 0.2, -1.0]), np.array([0.0, 1.0, 0.0]), 4.0)
    lines = {}
    for size in (0.5, 4.0):  # mm of a block on the plate, 2 and 16 pixels
        both = trimesh.util.concatenate([plate, trimesh.creation.box((size, size, size)).apply_translation((0.0, 0.0, 1.0))])
        plain, lined = (
            pixels([Item(np.asarray(both.vertices), np.asarray(both.faces), colour=TEAL, edges=edges)], camera, samples=1)
            for edges in (False, True)
        )
        changed = (plain != lined).any(axis=2)
        assert changed.sum() > 200  # the plate's own outline
        lines[size] = int(changed[35:65, 45:75].sum())
    assert lines[0.5] == 0
    assert lines[4.0] > 30
