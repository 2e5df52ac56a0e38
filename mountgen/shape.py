"""Simple solids for features: prisms on rounded outlines, boxes, cylinders, booleans with many tools at once.

Edges are rounded in the plane outline, before a prism meets the spline faces of a body: rounding trimmed
spline edges with the kernel is slow and gives invalid solids.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import atan2, ceil, comb, cos, pi, sin, sqrt, tan
from typing import Any

import numpy as np

from mountgen.arrays import Floats, freeze
from mountgen.bounded import run_bounded, suggest_change
from mountgen.errors import FeatureError, KernelError
from mountgen.kernel import Mesh, Solid, combine_many, is_valid, sew_faces, solids_of
from mountgen.surface import Surface

SHORT = 1.0e-6  # mm; sides shorter than this are left out of an outline
STRAIGHT = 1.0e-6  # radians; corners that turn less than this are not rounded


@dataclass(frozen=True, eq=False)
class Piece:
    """One side of an outline: a line, or an arc where `middle` is given. start, end, middle: (2,) mm."""

    start: Floats
    end: Floats
    middle: Floats | None = None


@dataclass(frozen=True, eq=False)
class Outline:
    """A closed outline of lines and tangent arcs in a plane.

    corners : (K, 2) float64, mm; counter-clockwise, first not repeated.
    radii   : (K,) float64, mm; rounding of each corner, outer or inner; 0 sharp.
    """

    corners: Floats
    radii: Floats

    def __post_init__(self) -> None:
        freeze(self, "corners", "float64")
        freeze(self, "radii", "float64")

    def pieces(self) -> list[Piece]:
        """Return the sides in order, lines and arcs, without those of no length."""
        ahead = np.roll(self.corners, -1, axis=0) - self.corners
        length = np.linalg.norm(ahead, axis=1)
        ahead = ahead / length[:, None]
        behind = np.roll(ahead, 1, axis=0)
        arcs: list[Piece] = []
        for corner, radius, d0, d1 in zip(self.corners, self.radii, behind, ahead, strict=True):
            turn = atan2(d0[0] * d1[1] - d0[1] * d1[0], float(d0 @ d1))
            if radius <= 0.0 or abs(turn) < STRAIGHT:
                arcs.append(Piece(corner, corner))
                continue
            cut = radius * tan(abs(turn) / 2.0)
            inward = d1 - d0
            inward = inward / np.linalg.norm(inward)
            middle = corner + inward * radius * (1.0 / cos(turn / 2.0) - 1.0)
            arcs.append(Piece(corner - cut * d0, corner + cut * d1, middle))
        sides: list[Piece] = []
        for arc, following in zip(arcs, [*arcs[1:], arcs[0]], strict=True):
            if arc.middle is not None:
                sides.append(arc)
            if np.linalg.norm(following.start - arc.end) > SHORT:
                sides.append(Piece(arc.end, following.start))
        return sides

    def points(self, *, chord: float = 0.02) -> Floats:
        """Return the outline as a polygon (N, 2), mm, whose sides leave the arcs by `chord` mm at most."""
        points: list[Floats] = []
        for piece in self.pieces():
            points.append(piece.start[None, :])
            if piece.middle is None:
                continue
            centre, radius = _circle_through(piece.start, piece.middle, piece.end)
            first, last = (atan2(p[1] - centre[1], p[0] - centre[0]) for p in (piece.start, piece.end))
            half = atan2(piece.middle[1] - centre[1], piece.middle[0] - centre[0])
            sweep = _turn(first, half) + _turn(half, last)
            step = 2.0 * sqrt(2.0 * min(chord / radius, 0.5))
            count = max(2, ceil(abs(sweep) / step))
            angle = first + sweep * np.arange(1, count) / count
            points.append(centre + radius * np.column_stack([np.cos(angle), np.sin(angle)]))
        return np.vstack(points)


@dataclass(frozen=True, eq=False)
class Axes:
    """Where an outline's plane lies in the part frame.

    origin: (3,) mm; right, up: (3,) unit vectors at right angles. A prism rises along `normal` = right x up.
    """

    origin: Floats
    right: Floats
    up: Floats

    def __post_init__(self) -> None:
        for name in ("origin", "right", "up"):
            freeze(self, name, "float64")

    @property
    def normal(self) -> Floats:
        """The direction square to the plane, (3,)."""
        return np.cross(self.right, self.up)

    def place(self, points: Floats, height: float = 0.0) -> Floats:
        """Return points of the plane (N, 2), raised by `height` mm, in the part frame (N, 3)."""
        flat = np.atleast_2d(points)
        placed: Floats = self.origin + flat[:, :1] * self.right + flat[:, 1:] * self.up + height * self.normal
        return placed

    def turn(self, axis: Floats, angle: float, *, about: Floats) -> Axes:
        """Return the axes turned by `angle` radians about a line along a unit vector (3,) through a point (3,), mm."""

        def turned(vector: Floats) -> Floats:
            square = np.cross(axis, vector)
            return np.asarray(vector + sin(angle) * square + (1.0 - cos(angle)) * np.cross(axis, square))

        return Axes(about + turned(self.origin - about), turned(self.right), turned(self.up))


UPRIGHT = Axes(np.zeros(3), np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0]))


def round_polygon(
    corners: Floats | Sequence[tuple[float, float]], radii: float | Sequence[float] | Floats
) -> Outline:
    """Return the outline of a polygon with rounded corners.

    A corner between sides too short for its radius is rounded as far as they allow.

    Args:
        corners: (K, 2) mm, K >= 3, in either sense, first not repeated.
        radii: mm, one for all corners or (K,); 0 leaves a corner sharp.

    Raises:
        ValueError: wrong shapes, or a polygon of no area.
    """
    points = np.asarray(corners, dtype=np.float64)
    if points.ndim != 2 or points.shape[0] < 3 or points.shape[1] != 2:
        raise ValueError(f"corners have shape (K, 2) with K >= 3, got {points.shape}")
    wanted = np.broadcast_to(np.asarray(radii, dtype=np.float64), (len(points),)).copy()
    x, y = points.T
    area = 0.5 * float((x * np.roll(y, -1) - y * np.roll(x, -1)).sum())
    if abs(area) < SHORT:
        raise ValueError("the polygon has no area")
    if area < 0:
        points, wanted = points[::-1], wanted[::-1].copy()
    keep = np.linalg.norm(points - np.roll(points, 1, axis=0), axis=1) > SHORT
    points, wanted = points[keep], wanted[keep]
    ahead = np.roll(points, -1, axis=0) - points
    length = np.linalg.norm(ahead, axis=1)
    ahead /= length[:, None]
    behind = np.roll(ahead, 1, axis=0)
    cross = behind[:, 0] * ahead[:, 1] - behind[:, 1] * ahead[:, 0]
    turn = np.abs(np.arctan2(cross, (behind * ahead).sum(axis=1)))
    per_radius = np.tan(np.minimum(turn, 0.999 * pi) / 2.0)
    cut = wanted * per_radius
    room = length / np.maximum(cut + np.roll(cut, -1), 1e-12)  # of each side, shared in proportion
    share = np.minimum(1.0, np.minimum(room, np.roll(room, 1)))
    return Outline(points, wanted * np.where(share < 1.0, share * (1.0 - 1e-9), 1.0))


def rectangle(low: tuple[float, float], high: tuple[float, float], *, radius: float = 0.0) -> Outline:
    """Return the outline of a rectangle between two corners, mm, all four rounded by `radius` mm."""
    (x0, y0), (x1, y1) = low, high
    return round_polygon([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], radius)


def extrude(outline: Outline, *, axes: Axes, height: float) -> Solid:
    """Return the prism on an outline that rises by `height` mm (sinks where negative) along the axes' normal.

    Raises:
        KernelError: the outline crosses itself or has no face.
    """
    from OCP.BRepPrimAPI import BRepPrimAPI_MakePrism
    from OCP.gp import gp_Vec

    return BRepPrimAPI_MakePrism(_plane_face(outline, axes), gp_Vec(*(float(c) for c in height * axes.normal))).Shape()


def _plane_face(outline: Outline, axes: Axes) -> Any:
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace

    face = BRepBuilderAPI_MakeFace(_wire(outline, axes), True)
    if not face.IsDone():
        raise KernelError("an outline bounds no plane face", "feature outline", "change the feature's sizes a little")
    return face.Face()


def revolve(outline: Outline, *, axes: Axes, axis: Floats, about: Floats, first: float, last: float) -> Solid:
    """Return the ring section that an outline passes over when it is turned about a line in its plane.

    Its faces are planes, cylinders, cones, spheres and tori.

    Args:
        outline: on one side of the line.
        axes: where the outline lies before it is turned.
        axis: (3,) unit vector along the line; about: (3,) mm, a point of it.
        first, last: radians, first < last; from where to where it is turned.

    Raises:
        KernelError: the outline crosses itself or has no face.
    """
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeRevol
    from OCP.gp import gp_Ax1, gp_Dir, gp_Pnt

    face = _plane_face(outline, axes.turn(axis, first, about=about))
    line = gp_Ax1(gp_Pnt(*(float(c) for c in about)), gp_Dir(*(float(c) for c in axis)))
    return BRepPrimAPI_MakeRevol(face, line, last - first).Shape()


def make_box(low: Sequence[float], high: Sequence[float], *, axes: Axes = UPRIGHT) -> Solid:
    """Return the box between two corners (3,), mm, given along the axes (right, up, normal)."""
    base = Axes(axes.place(np.zeros((1, 2)), float(low[2]))[0], axes.right, axes.up)
    return extrude(rectangle((low[0], low[1]), (high[0], high[1])), axes=base, height=high[2] - low[2])


def make_cylinder(base: Floats, direction: Floats, *, radius: float, height: float) -> Solid:
    """Return the cylinder whose axis runs from `base` (3,), mm, by `height` mm along `direction` (3,)."""
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeCylinder
    from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt

    axis = gp_Ax2(gp_Pnt(*(float(c) for c in base)), gp_Dir(*(float(c) for c in direction)))
    return BRepPrimAPI_MakeCylinder(axis, float(radius), float(height)).Solid()


def move(solid: Solid, by: Sequence[float]) -> Solid:
    """Return a solid moved by (3,) mm."""
    from OCP.gp import gp_Trsf, gp_Vec
    from OCP.TopLoc import TopLoc_Location

    way = gp_Trsf()
    way.SetTranslation(gp_Vec(*(float(c) for c in by)))
    return solid.Moved(TopLoc_Location(way))


def cut_in_turn(body: Solid, tools: Sequence[Solid], *, what: str) -> Solid:
    """Return a body less tools, one after the other: where they overlap each other and their faces meet at small angles.

    The kernel intersects every tool with every other when it is given all at once, which takes longer than cutting the ever
    smaller body again and again, and has left whole pieces of it standing. Put first what takes most away.

    Raises:
        KernelError: the kernel refuses.
    """

    def cut() -> Solid:
        left = body
        for tool in tools:
            left = combine_many(left, [tool], "cut", what=what)
        return left

    return run_bounded(cut, body, what=what, made_of=("cut in turn", body, *tools)) if tools else body


def cut_at_once(body: Solid, tools: Sequence[Solid], *, what: str) -> Solid:
    """Return a body less tools, all in one operation: every edge is split once, so no slivers are cut of slivers.

    Raises:
        KernelError: the kernel refuses.
    """
    return combine_many(body, tools, "cut", what=what)


def require_one_solid(shape: Solid, *, what: str, remedy: str) -> Solid:
    """Return the one valid solid in a shape.

    Args:
        shape: result of a boolean.
        what: the features that were added or cut, for the errors.
        remedy: what the user can do where they leave no body or cut it in pieces.

    Raises:
        FeatureError: nothing is left, or several pieces.
        KernelError: the solid is not valid.
    """
    pieces = solids_of(shape)
    if not pieces:
        raise FeatureError(f"nothing is left of the body after the {what}", what, remedy)
    if len(pieces) > 1:
        raise FeatureError(f"the {what} cut the body into {len(pieces)} pieces", what, remedy)
    if not is_valid(pieces[0]):
        raise KernelError(f"the solid is not valid after the {what}", what, f"{remedy}; or change a size of it by 0.1 mm")
    return pieces[0]


def require_cut(mesh: Mesh, rooms: Sequence[Mesh], *, what: str, within: float) -> None:
    """Make sure that nothing of a body stands where tools were cut away: the kernel may leave them uncut without a word.

    Args:
        mesh: of what is left of the body.
        rooms: what the tools took up.
        what: the tools' name, for the error.
        within: mm; so deep inside a room nothing may be.

    Raises:
        KernelError: something stands there.
    """
    points = np.concatenate([mesh.vertices, mesh.vertices[mesh.faces].mean(axis=1)])
    for room in rooms:
        low, high = room.vertices.min(axis=0) + within, room.vertices.max(axis=0) - within
        inside = points[((points > low) & (points < high)).all(axis=1)]
        if len(inside) and Surface(room.vertices, room.faces).measure(inside).gap.min() < -within:
            raise KernelError(f"the solid kernel leaves something standing at the {what}", what, suggest_change(what))


def _wire(outline: Outline, axes: Axes) -> Any:
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeEdge, BRepBuilderAPI_MakeVertex, BRepBuilderAPI_MakeWire
    from OCP.GC import GC_MakeArcOfCircle
    from OCP.gp import gp_Pnt

    def point(flat: Floats) -> Any:
        return gp_Pnt(*(float(c) for c in axes.place(flat)[0]))

    pieces = outline.pieces()
    corners = [BRepBuilderAPI_MakeVertex(point(piece.start)).Vertex() for piece in pieces]
    wire = BRepBuilderAPI_MakeWire()
    for k, piece in enumerate(pieces):
        first, last = corners[k], corners[(k + 1) % len(pieces)]
        if piece.middle is None:
            wire.Add(BRepBuilderAPI_MakeEdge(first, last).Edge())
        else:
            arc = GC_MakeArcOfCircle(point(piece.start), point(piece.middle), point(piece.end)).Value()
            wire.Add(BRepBuilderAPI_MakeEdge(arc, first, last).Edge())
    return wire.Wire()


def _turn(first: float, last: float) -> float:
    return atan2(sin(last - first), cos(last - first))


def _circle_through(a: Floats, b: Floats, c: Floats) -> tuple[Floats, float]:
    matrix = 2.0 * np.array([b - a, c - a])
    centre = np.linalg.solve(matrix, np.array([b @ b - a @ a, c @ c - a @ a]))
    return centre, float(np.linalg.norm(centre - a))


def sweep(outline: Outline, *, axes: Axes, path: Floats) -> Solid:
    """Return the solid that an outline passes over when it is moved, without turning, along a Bezier curve.

    Args:
        outline: in the plane of `axes`.
        axes: where the outline lies when it is not moved.
        path: (P, 3) mm, the curve's poles as displacements; it must leave the outline's plane at both ends.

    Raises:
        KernelError: the faces do not close.
    """
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace

    surfaces = [_translation_surface(piece, axes, path) for piece in outline.pieces()]
    faces = [BRepBuilderAPI_MakeFace(surface, SHORT).Face() for surface in surfaces]
    for end in (path[0], path[-1]):
        moved = Axes(axes.origin + end, axes.right, axes.up)
        faces.append(BRepBuilderAPI_MakeFace(_wire(outline, moved), True).Face())
    return sew_faces(faces, "swept feature")


def bezier_poles(parameter: Floats, points: Floats, *, degree: int) -> Floats:
    """Return the poles (degree + 1, D) of the Bezier curve nearest to points (N, D) at (N,) in 0..1."""
    return np.asarray(np.linalg.lstsq(_bernstein(parameter, degree), points, rcond=None)[0])


def bezier_points(poles: Floats, parameter: Floats) -> Floats:
    """Return the points (N, D) of a Bezier curve of poles (P, D) at parameters (N,) in 0..1."""
    return np.asarray(_bernstein(parameter, len(poles) - 1) @ poles)


def _bernstein(parameter: Floats, degree: int) -> Floats:
    k = np.arange(degree + 1)
    choose = np.array([comb(degree, int(i)) for i in k], dtype=np.float64)
    t = parameter[:, None]
    return np.asarray(choose * t**k * (1.0 - t) ** (degree - k))


@dataclass(frozen=True, eq=False)
class Circle:
    """A circle in a plane. middle: (2,) mm; radius: mm; error: mm by which it passes the points it was fitted to at most."""

    middle: Floats
    radius: float
    error: float


def fit_circle(points: Floats) -> Circle:
    """Return the circle nearest to points (N, 2), mm, N >= 3, by algebraic distance.

    References:
        I. Kasa (1976), IEEE Trans. Instrum. Meas. 25:8-14 (as N. Chernov cites it, which was read; the article was not).
    """
    mean = points.mean(axis=0)
    local = points - mean
    solved = np.linalg.lstsq(np.column_stack([2.0 * local, np.ones(len(points))]), (local**2).sum(axis=1), rcond=None)[0]
    radius = sqrt(float(solved[2] + solved[:2] @ solved[:2]))
    off = np.linalg.norm(local - solved[:2], axis=1) - radius
    return Circle(mean + solved[:2], radius, float(np.abs(off).max()))


def _translation_surface(piece: Piece, axes: Axes, path: Floats) -> Any:
    """Return the surface that a line or an arc (a rational quadratic) passes over along a Bezier curve; exact."""
    from OCP.Geom import Geom_BezierSurface
    from OCP.gp import gp_Pnt
    from OCP.TColgp import TColgp_Array2OfPnt
    from OCP.TColStd import TColStd_Array2OfReal

    if piece.middle is None:
        flat, weights = np.stack([piece.start, piece.end]), np.ones(2)
    else:
        half = 0.5 * (piece.start + piece.end)
        chord = float(np.linalg.norm(piece.end - piece.start))
        rise = float(np.linalg.norm(piece.middle - half))
        turn = 2.0 * atan2(2.0 * rise, chord)  # half the arc's angle
        corner = half + (piece.middle - half) * (tan(turn) * chord / 2.0 / rise)
        flat, weights = np.stack([piece.start, corner, piece.end]), np.array([1.0, cos(turn), 1.0])
    placed = axes.place(flat)
    size = (1, len(flat), 1, len(path))
    poles, weight = TColgp_Array2OfPnt(*size), TColStd_Array2OfReal(*size)
    for i in range(len(flat)):
        for j in range(len(path)):
            poles.SetValue(i + 1, j + 1, gp_Pnt(*(float(c) for c in placed[i] + path[j])))
            weight.SetValue(i + 1, j + 1, float(weights[i]))
    return Geom_BezierSurface(poles, weight)
