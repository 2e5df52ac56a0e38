"""Still pictures of meshes, without a display: numpy shades what a camera sees, Pillow takes it over."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from mountgen.arrays import Bools, Floats, Ints
from mountgen.scene import Camera, Item, Plane, View, look

if TYPE_CHECKING:
    from PIL import Image

PAPER = (255, 255, 255)
AMBIENT = 0.6  # share of the light that comes from everywhere
SHARP = 0.94  # cosine of 20 degrees; an edge is where normals of neighbouring pixels differ by more
EDGE = 0.35  # of its colour is left where there is an edge
Places = NDArray[np.intp]


def render(
    items: Sequence[Item],
    camera: Camera,
    *,
    size: tuple[int, int],
    cut: Plane | None = None,
    samples: int = 2,
    paper: tuple[int, int, int] = PAPER,
) -> Image.Image:
    """Draw meshes.

    Args:
        items: the meshes.
        camera: where from; its scale is in pixels of the finished picture.
        size: columns, rows of the finished picture.
        cut: plane in front of which everything is taken away.
        samples: rays a pixel along each side, averaged; 1: none of the colours is mixed.
        paper: colour where nothing is met, 0..255.

    Returns:
        Image: RGB.

    Raises:
        ValueError: the cut plane faces away from the camera.
    """
    from PIL import Image

    fine = Camera(camera.target, camera.forward, camera.up, camera.px_per_mm * samples, camera.light)
    fine_size = (size[0] * samples, size[1] * samples)
    view = look(items, fine, size=fine_size, cut=cut)
    pixels = shade(items, fine, view, cut=cut, paper=paper)
    pixels = pixels.reshape(size[1], samples, size[0], samples, 3).mean(axis=(1, 3))
    return Image.fromarray(np.rint(pixels * 255.0).astype(np.uint8))


def shade(
    items: Sequence[Item],
    camera: Camera,
    view: View,
    *,
    cut: Plane | None = None,
    paper: tuple[int, int, int] = PAPER,
) -> Floats:
    """Colour what `look` found, (R, C, 3) float64, 0..1."""
    rows, cols = view.item.shape
    pixels = np.broadcast_to(np.asarray(paper) / 255.0, (rows, cols, 3)).copy()
    axes = camera.axes()
    normals = np.zeros((rows, cols, 3))
    lamp = np.asarray(camera.light) / np.linalg.norm(camera.light)
    for index, item in enumerate(items):
        row, col = np.nonzero((view.item == index) & ~view.capped)
        corners, weights = _weigh(item, camera, view, row, col)
        colour = _colours(item, view.face[row, col], corners, weights)
        bent, flat = _normals(item, view.face[row, col], corners, weights, axes)
        back = flat[:, 2] < 0
        if item.inside is None:
            colour[back] *= 0.7
        bent[back] *= -1
        flat[back] *= -1
        head = np.clip(bent[:, 2], 0.0, 1.0)
        light = AMBIENT + (1.0 - AMBIENT) * (0.5 * head + 0.5 * np.clip(bent @ lamp, 0.0, 1.0))
        pixels[row, col] = colour * light[:, None]
        normals[row, col] = flat
        if item.inside is not None and cut is not None:
            caps = (view.item == index) & view.capped
            pixels[caps] = item.inside
            normals[caps] = axes @ (cut.normal / np.linalg.norm(cut.normal)) * (1, 1, -1)
    lined = np.isin(view.item, [k for k, item in enumerate(items) if item.edges])
    if lined.any():
        pixels[_find_edges(view, normals) & lined] *= EDGE
    return pixels


def _weigh(item: Item, camera: Camera, view: View, row: Places, col: Places) -> tuple[Ints, Floats]:
    """Return the corners (N, 3) of the faces that pixels see and their weights (N, 3) at the place seen."""
    corners = item.faces[view.face[row, col]]
    points = camera.project(item.vertices, (view.item.shape[1], view.item.shape[0]))[:, :2]
    a, b, c = (points[corners[:, k]] for k in range(3))
    p = np.column_stack([col + 0.5, row + 0.5])
    area = _cross(b - a, c - a)
    area[area == 0.0] = 1.0
    wb, wc = _cross(p - a, c - a) / area, _cross(b - a, p - a) / area
    return corners, np.column_stack([1.0 - wb - wc, wb, wc])


def _cross(u: Floats, v: Floats) -> Floats:
    return np.asarray(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])


def _colours(item: Item, face: Ints, corners: Ints, weights: Floats) -> Floats:
    if item.values is not None and item.ramp is not None:
        return item.ramp.paint((item.values[corners] * weights).sum(axis=1))
    colour = np.asarray(item.colour)
    if colour.ndim == 1:
        return np.tile(colour, (len(face), 1))
    if len(colour) == len(item.vertices):
        return np.asarray((colour[corners] * weights[:, :, None]).sum(axis=1))
    return colour[face].copy()


def _normals(item: Item, face: Ints, corners: Ints, weights: Floats, axes: Floats) -> tuple[Floats, Floats]:
    """Return normals (N, 3) for shading and the faces' own, in camera axes right, up, towards the camera."""
    a, b, c = (item.vertices[item.faces[:, k]] for k in range(3))
    whole = np.cross(b - a, c - a)
    flat = _unit(np.asarray(whole[face], dtype=np.float64)) @ axes.T * (1, 1, -1)
    if not item.smooth:
        return flat.copy(), flat
    at_vertex = np.zeros(item.vertices.shape)
    for k in range(3):
        at_vertex[:, k] = np.bincount(item.faces.ravel(), np.repeat(whole[:, k], 3), len(item.vertices))
    bent = _unit((_unit(at_vertex)[corners] * weights[:, :, None]).sum(axis=1)) @ axes.T * (1, 1, -1)
    return bent, flat


def _unit(vectors: Floats) -> Floats:
    length = np.linalg.norm(vectors, axis=1, keepdims=True)
    return np.asarray(vectors / np.where(length > 0, length, 1.0))


def _find_edges(view: View, normals: Floats) -> Bools:
    """Return the pixels at an item's outline or at a sharp edge of it: the nearer of two that differ."""
    edge = np.zeros(view.item.shape, np.bool_)
    for here, there in (
        ((slice(1, None), slice(None)), (slice(None, -1), slice(None))),
        ((slice(None), slice(1, None)), (slice(None), slice(None, -1))),
    ):
        differs = (view.item[here] != view.item[there]) | (view.capped[here] != view.capped[there])
        sharp = (normals[here] * normals[there]).sum(axis=-1) < SHARP
        line = differs | (sharp & (view.item[here] >= 0))
        nearer = view.depth[here] <= view.depth[there]
        edge[here] |= line & nearer
        edge[there] |= line & ~nearer
    return edge
