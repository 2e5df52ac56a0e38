"""Still pictures of meshes, without a display: numpy shades what a camera sees, Pillow takes it over."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from mountgen.arrays import Bools, Floats
from mountgen.faces import average_normals, measure_faces
from mountgen.scene import Camera, Item, Places, Plane, View, interpolate

PAPER = (255, 255, 255)
AMBIENT = 0.6  # share of the light that comes from everywhere
SHARP = 0.94  # cosine of 20 degrees; an edge is where normals of neighbouring pixels differ by more
BACK = 0.7  # of the light falls on the back of an open sheet
SPECK = 16  # pixels; an edge has at least as many in a run
EDGE = 0.35  # of its colour is left where there is an edge


def shade(
    items: Sequence[Item],
    camera: Camera,
    view: View,
    *,
    cut: Plane | None = None,
) -> Floats:
    """Colour what `look` found.

    Args:
        items: the meshes.
        camera: where from.
        view: what `look` found of them from there.
        cut: the plane in front of which everything was taken away.

    Returns:
        (R, C, 3) float64, 0..1; PAPER where nothing is met.
    """
    rows, cols = view.item.shape
    pixels = np.empty((rows, cols, 3))
    pixels[:] = np.asarray(PAPER) / 255.0
    axes = camera.axes()
    to_camera = axes.T * (1, 1, -1)  # from the meshes' axes to right, up, towards the camera
    lamp = np.asarray(camera.light) / np.linalg.norm(camera.light)
    normals = np.zeros((rows, cols, 3)) if any(item.edges for item in items) else None
    for index, item in enumerate(items):
        place = np.nonzero((view.item == index) & ~view.capped)
        flat_of_face, normal_of_vertex = _find_normals(item)
        flat = (flat_of_face @ to_camera)[view.face[place]]
        bent = _unit(interpolate(item, camera, view, place, normal_of_vertex @ to_camera)) if item.smooth else flat
        side = np.where(flat[:, 2] < 0, -1.0, 1.0)
        head = np.clip(side * bent[:, 2], 0.0, 1.0)
        light = AMBIENT + (1.0 - AMBIENT) * (0.5 * head + 0.5 * np.clip(side * (bent @ lamp), 0.0, 1.0))
        if item.inside is None:
            light *= np.where(side < 0, BACK, 1.0)
        pixels[place] = _paint(item, camera, view, place) * light[:, np.newaxis]
        if normals is not None:
            normals[place] = flat * side[:, np.newaxis]
        if item.inside is not None and cut is not None:
            caps = (view.item == index) & view.capped
            pixels[caps] = item.inside
            if normals is not None:
                normals[caps] = cut.normal / np.linalg.norm(cut.normal) @ to_camera
    if normals is not None:
        lined = np.isin(view.item, [k for k, item in enumerate(items) if item.edges])
        pixels[_find_edges(view, normals) & lined] *= EDGE
    return pixels


def _paint(item: Item, camera: Camera, view: View, place: tuple[Places, ...]) -> Floats:
    """Return the item's own colour at pixels that see it, (N, 3)."""
    if item.values is not None and item.ramp is not None:
        return item.ramp.paint(interpolate(item, camera, view, place, item.values[:, np.newaxis])[:, 0])
    colour = np.asarray(item.colour)
    if colour.ndim == 1:
        return np.tile(colour, (len(place[0]), 1))
    if len(colour) == len(item.vertices):
        return interpolate(item, camera, view, place, colour)
    return np.asarray(colour[view.face[place]])


def _find_normals(item: Item) -> tuple[Floats, Floats]:
    """Return the unit normals of faces, (F, 3), and of vertices, (V, 3), the mean of their faces' by area."""
    whole, _ = measure_faces(item.vertices, item.faces)
    return _unit(np.asarray(whole, dtype=np.float64)), average_normals(item.vertices, item.faces)


def _unit(vectors: Floats) -> Floats:
    length = np.linalg.norm(vectors, axis=1, keepdims=True)
    return np.asarray(vectors / np.where(length > 0, length, 1.0))


def _find_edges(view: View, normals: Floats) -> Bools:
    """Return the pixels at an item's outline or at a sharp edge of it: the nearer of two that differ.

    Normals must also differ a pixel further out: a sliver between faces that agree is no edge. Nor are a few pixels by
    themselves, where slivers lie side by side on a fitted face.
    """
    from scipy import ndimage

    edge = np.zeros(view.item.shape, np.bool_)
    for axis in (0, 1):
        # views with rows or columns first, whichever is walked along; what `marked` is given, `edge` has
        item, capped, depth, normal, marked = (
            np.moveaxis(each, axis, 0) for each in (view.item, view.capped, view.depth, normals, edge)
        )
        sharp = (normal[:-1] * normal[1:]).sum(axis=-1) < SHARP
        sharp[1:-1] &= (normal[:-3] * normal[3:]).sum(axis=-1) < SHARP
        line = (item[:-1] != item[1:]) | (capped[:-1] != capped[1:]) | sharp
        nearer = depth[:-1] <= depth[1:]
        marked[:-1] |= line & nearer
        marked[1:] |= line & ~nearer
    runs, _ = ndimage.label(edge, structure=np.ones((3, 3)))
    long = np.bincount(runs.ravel()) >= SPECK
    return edge & long[runs] & (view.item >= 0)
