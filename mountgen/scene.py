"""Meshes seen by a camera: which face each pixel sees, and where a plane cuts a mesh. A leaf.

Every pixel is what one ray through its middle meets first. Without perspective all rays have one direction,
and are cheapest the other way round: each triangle is laid on the pixels it covers (a z-buffer). That needs
no ray library, no graphics library and no display, is exact at the cut, and finds the same on every
machine.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor

import numpy as np
from numpy.typing import NDArray

from mountgen.arrays import Bools, Floats, Ints, freeze
from mountgen.compiled import compiled
from mountgen.ramp import Ramp

Places = NDArray[np.intp]
NO_CUT = -1.0e30
_jit = compiled()


@dataclass(frozen=True, eq=False)
class Camera:
    """A camera without perspective. Its picture's middle is `target`.

    target    : (3,) mm.
    forward   : (3,) from the camera into the scene; any length but 0.
    up        : (3,) direction that is up in the picture; not along `forward`.
    px_per_mm : scale across the view.
    light     : (3,) towards the lamp, in camera axes right, up, towards the camera; by default at the camera:
                a surface that faces it keeps its exact colour.
    """

    target: Floats
    forward: Floats
    up: Floats
    px_per_mm: float
    light: tuple[float, float, float] = (0.0, 0.0, 1.0)

    def __post_init__(self) -> None:
        for name in ("target", "forward", "up"):
            freeze(self, name, "float64")
        if not np.linalg.norm(np.cross(self.forward, self.up)) > 1e-9:
            raise ValueError(f"forward {self.forward.tolist()} and up {self.up.tolist()} must span a plane")
        if not self.px_per_mm > 0:
            raise ValueError(f"px_per_mm must be positive, not {self.px_per_mm}")

    def axes(self) -> Floats:
        """Return (3, 3): rows right, up, forward; unit vectors."""
        forward = self.forward / np.linalg.norm(self.forward)
        right = np.cross(forward, self.up)
        right /= np.linalg.norm(right)
        return np.stack([right, np.cross(right, forward), forward])

    def project(self, points: Floats, size: tuple[int, int]) -> Floats:
        """Return points (N, 3) as x, y (pixels, y down, 0 at the edge) and depth (mm along `forward`)."""
        local = (points - self.target) @ self.axes().T
        return np.column_stack(
            [
                size[0] / 2 + local[:, 0] * self.px_per_mm,
                size[1] / 2 - local[:, 1] * self.px_per_mm,
                local[:, 2],
            ]
        )


@dataclass(frozen=True, eq=False)
class Item:
    """One mesh in a picture.

    vertices : (V, 3) float64, mm.  faces: (F, 3) int32.
    colour   : (3,) for all, (V, 3) per vertex or (F, 3) per face; 0..1. Ignored where `values` is given.
    values   : (V,) per vertex, painted by `ramp`; NaN is neutral.
    inside   : (3,) colour of the cut through a solid; None: an open sheet, whose back is drawn darker.
    cut      : whether the picture's cut plane takes its part of it away.
    edges    : whether to draw its edges and outline.
    smooth   : shade with normals averaged at the vertices (a scan) or with each face's own (a part).
    """

    vertices: Floats
    faces: Ints
    colour: Floats | tuple[float, float, float] = (0.8, 0.8, 0.8)
    values: Floats | None = None
    ramp: Ramp | None = None
    inside: tuple[float, float, float] | None = None
    cut: bool = True
    edges: bool = False
    smooth: bool = False

    def __post_init__(self) -> None:
        freeze(self, "vertices", "float64")
        freeze(self, "faces", "int32")
        freeze(self, "colour", "float64")
        if (self.values is None) != (self.ramp is None):
            raise ValueError("values and ramp belong together: give both or neither")
        given = np.shape(self.colour)
        if given not in ((3,), (len(self.vertices), 3), (len(self.faces), 3)):
            wanted = f"(3,), ({len(self.vertices)}, 3) or ({len(self.faces)}, 3)"
            raise ValueError(f"colour must be {wanted}, not {given}")
        if self.values is not None and self.values.shape != (len(self.vertices),):
            raise ValueError(f"values must be ({len(self.vertices)},), not {self.values.shape}")


@dataclass(frozen=True, eq=False)
class Plane:
    """A cut: what lies on the side that `normal` (3,) points to from `point` (3,), mm, is taken away."""

    point: Floats
    normal: Floats


@dataclass(frozen=True, eq=False)
class View:
    """What each pixel's ray meets first. R x C pixels, row 0 at the top.

    depth : (R, C) float64, mm from the camera's target along its view; inf where nothing is met.
    item  : (R, C) int32, index into the items; -1 where nothing is met.
    face  : (R, C) int32, index into that item's faces.
    capped: (R, C) bool, the ray meets the cut through a solid.
    """

    depth: Floats
    item: Ints
    face: Ints
    capped: Bools


def look(items: Sequence[Item], camera: Camera, *, size: tuple[int, int], cut: Plane | None = None) -> View:
    """Find what each pixel sees.

    Args:
        items: the meshes.
        camera: where from.
        size: columns, rows of the picture.
        cut: plane in front of which everything is taken away; it must face the camera.

    Returns:
        View.

    Raises:
        ValueError: the cut plane faces away from the camera.
    """
    cols, rows = size
    view = View(
        np.full((rows, cols), np.inf),
        np.full((rows, cols), -1, np.int32),
        np.full((rows, cols), -1, np.int32),
        np.zeros((rows, cols), np.bool_),
    )
    start = _cut_depth(camera, size, cut)
    for index, item in enumerate(items):
        points = np.ascontiguousarray(camera.project(item.vertices, size))
        depth, face = np.full((rows, cols), np.inf), np.full((rows, cols), -1, np.int32)
        front = np.zeros((rows, cols), np.bool_)
        _fill_depth(
            points,
            np.ascontiguousarray(item.faces),
            *(start if item.cut else (NO_CUT, 0.0, 0.0)),
            depth,
            face,
            front,
        )
        capped = np.zeros((rows, cols), np.bool_)
        if item.inside is not None and item.cut and cut is not None:
            capped = (face >= 0) & ~front
            row, col = np.nonzero(capped)
            depth[capped] = start[0] + start[1] * (col + 0.5) + start[2] * (row + 0.5)
        nearer = depth < view.depth
        view.depth[nearer], view.face[nearer], view.item[nearer] = depth[nearer], face[nearer], index
        view.capped[nearer] = capped[nearer]
    return view


def interpolate(
    item: Item, camera: Camera, view: View, place: tuple[Places, ...], at_vertex: Floats
) -> Floats:
    """Return what is given at an item's vertices at the places that pixels see.

    Args:
        item: the mesh.
        camera, view: where it was seen from, and what `look` found.
        place: rows and columns, (N,) each, of pixels that see the item.
        at_vertex: (V, K) float64; NaN spreads over the faces of its vertex.

    Returns:
        (N, K) float64, linear over each face.
    """
    points = camera.project(item.vertices, (view.item.shape[1], view.item.shape[0]))[:, :2]
    out = np.empty((len(place[0]), at_vertex.shape[1]))
    faces, values = np.ascontiguousarray(item.faces), np.ascontiguousarray(at_vertex, dtype=np.float64)
    _weigh_corners(np.ascontiguousarray(points), faces, view.face[place], place[0], place[1], values, out)
    return out


def cut_lines(vertices: Floats, faces: Ints, plane: Plane) -> Floats:
    """Return where a plane cuts a mesh, as separate straight pieces.

    Args:
        vertices: (V, 3) mm.  faces: (F, 3).
        plane: the cut; a vertex on it counts as on the side its normal points to.

    Returns:
        (N, 2, 3) float64, mm; one piece for each face that is cut, in no order.
    """
    height = (vertices - plane.point) @ (plane.normal / np.linalg.norm(plane.normal))
    first, second, third = (height >= 0.0)[faces].T
    cut = faces[(first != second) | (second != third)]
    above = height[cut] >= 0.0
    lone = np.where(above.sum(axis=1) == 1, above.argmax(axis=1), (~above).argmax(axis=1))
    rows = np.arange(len(cut))
    a = cut[rows, lone]
    ends = []
    for step in (1, 2):
        b = cut[rows, (lone + step) % 3]
        share = height[a] / (height[a] - height[b])
        ends.append(vertices[a] + share[:, None] * (vertices[b] - vertices[a]))
    return np.stack(ends, axis=1)


def _cut_depth(camera: Camera, size: tuple[int, int], cut: Plane | None) -> tuple[float, float, float]:
    """Return the depth of the cut plane over the picture as a + b * column + c * row."""
    if cut is None:
        return NO_CUT, 0.0, 0.0
    right, up, toward = camera.axes() @ (cut.normal / np.linalg.norm(cut.normal))
    if toward > -1e-3:
        raise ValueError("the cut plane's normal must point towards the camera")
    offset = float((camera.target - cut.point) @ cut.normal / np.linalg.norm(cut.normal))
    b, c = -right / toward / camera.px_per_mm, up / toward / camera.px_per_mm
    return -offset / toward - b * size[0] / 2 - c * size[1] / 2, b, c


@_jit
def _fill_depth(points, faces, cut_a, cut_b, cut_c, depth, face, front):  # type: ignore[no-untyped-def]
    rows, cols = depth.shape
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ax, ay, az = points[a, 0], points[a, 1], points[a, 2]
        bx, by, bz = points[b, 0], points[b, 1], points[b, 2]
        cx, cy, cz = points[c, 0], points[c, 1], points[c, 2]
        area = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        if area == 0.0:
            continue
        c_lo = max(0, ceil(min(ax, bx, cx) - 0.5))
        c_hi = min(cols - 1, floor(max(ax, bx, cx) - 0.5))
        r_lo = max(0, ceil(min(ay, by, cy) - 0.5))
        r_hi = min(rows - 1, floor(max(ay, by, cy) - 0.5))
        inv = 1.0 / area
        for r in range(r_lo, r_hi + 1):
            y = r + 0.5
            for col in range(c_lo, c_hi + 1):
                x = col + 0.5
                wb = ((x - ax) * (cy - ay) - (y - ay) * (cx - ax)) * inv
                wc = ((bx - ax) * (y - ay) - (by - ay) * (x - ax)) * inv
                if wb < -1e-9 or wc < -1e-9 or wb + wc > 1.0 + 1e-9:
                    continue
                z = az + wb * (bz - az) + wc * (cz - az)
                if z < depth[r, col] and z >= cut_a + cut_b * x + cut_c * y:
                    depth[r, col] = z
                    face[r, col] = f
                    front[r, col] = area < 0.0  # rows count down, so fronts turn the other way


@_jit
def _weigh_corners(points, faces, face, row, col, at_vertex, out):  # type: ignore[no-untyped-def]
    for i in range(face.shape[0]):
        a, b, c = faces[face[i], 0], faces[face[i], 1], faces[face[i], 2]
        ux, uy = points[b, 0] - points[a, 0], points[b, 1] - points[a, 1]
        vx, vy = points[c, 0] - points[a, 0], points[c, 1] - points[a, 1]
        px, py = col[i] + 0.5 - points[a, 0], row[i] + 0.5 - points[a, 1]
        area = ux * vy - uy * vx
        wb, wc = (px * vy - py * vx) / area, (ux * py - uy * px) / area
        for k in range(out.shape[1]):
            out[i, k] = (1.0 - wb - wc) * at_vertex[a, k] + wb * at_vertex[b, k] + wc * at_vertex[c, k]
