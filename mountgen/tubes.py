"""Solids bounded by tubes between height fields, put together by their edges, so that the kernel intersects nothing.

A tube goes into the kernel as strips: programs that read the file integrate volumes and areas with some sixty points a face and
an edge, whatever their number of knots, and were wrong by up to 130 % on walls of one face.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Any

import numpy as np

from mountgen.arrays import Floats
from mountgen.errors import KernelError
from mountgen.kernel import SEAM, Solid, found_valid, height_surface, knot_arrays, spline_surface
from mountgen.pace import LONGEST
from mountgen.spline import DEGREE, Axis, Surface

TRIM = 3.0e-3  # mm; how well the given edges lie on their faces
STRIP = 20  # intervals of a tube's axis that one face may take
MOST_STRIPS = 4  # a tube


@dataclass(frozen=True, eq=False)
class TubeEnd:
    """A tube's end on a height field. All three run over the same parameter, the tube's u, on the same knots.

    axis: knots; space (P, 3), wall (P, 2) and plan (P, 2): poles in mm, in the tube's (u, v) and in the field's (x, y).
    field: the height field that closes the tube.
    """

    axis: Axis
    space: Floats
    wall: Floats
    plan: Floats
    field: Surface


@dataclass(frozen=True, eq=False)
class Rounding:
    """A face between the upper end of a tube and a height field, for the edge they would have in common.

    face : over the tube's u, where it ends as it begins, and from 0 at the tube to 1 at the field; mm.
    low  : the tube's end; its `field` is the face, its `plan` (v, u) on that.
    high : the face's end on the height field.
    loss : what the edge would hold more, mm³.
    least: the least radius along the edge, mm.
    """

    face: Surface
    low: TubeEnd
    high: TubeEnd
    loss: float
    least: float


@dataclass(frozen=True, eq=False)
class Sleeve:
    """A tube trimmed by two height fields. inside: the solid lies outside the tube.

    tube: u periodic and counter-clockwise, v upwards.
    rounding: what joins the tube to its high end, which is the rounding's then; None where the tube reaches it.
    """

    tube: Surface
    low: TubeEnd
    high: TubeEnd
    inside: bool = False
    rounding: Rounding | None = None

    @property
    def brow(self) -> TubeEnd:
        """The upper end of the tube itself."""
        return self.high if self.rounding is None else self.rounding.low


@dataclass(frozen=True, eq=False)
class Cap:
    """A height field trimmed by the ends of sleeves: a face of a solid that lies below it, or above if not `up`.

    outer: its outline; holes: ends that leave holes in it, none within or across another.
    """

    outer: TubeEnd
    holes: tuple[TubeEnd, ...] = ()
    up: bool = True


def closed_tube(tube: Surface, bottom: TubeEnd, top: TubeEnd | Rounding, *, strips: int = MOST_STRIPS) -> Solid:
    """Return the solid inside a tube (u periodic and counter-clockwise, v upwards) between two height fields that trim it.

    top: its upper end, or what rounds the edge there.
    strips: faces at most that the tube is cut into.

    Raises:
        KernelError: the solid does not check as valid.
    """
    sleeve = make_sleeve(tube, bottom, top)
    return stack_tubes([sleeve], [Cap(bottom, up=False), Cap(sleeve.high)], strips=strips)


def make_sleeve(tube: Surface, bottom: TubeEnd, top: TubeEnd | Rounding) -> Sleeve:
    """Return a sleeve that ends as given, or in a rounding."""
    return Sleeve(tube, bottom, top.high, rounding=top) if isinstance(top, Rounding) else Sleeve(tube, bottom, top)


def stack_tubes(sleeves: Sequence[Sleeve], caps: Sequence[Cap], *, strips: int = MOST_STRIPS) -> Solid:
    """Return the solid bounded by sleeves and caps. Every end belongs to one sleeve and one cap, so nothing is intersected.

    strips: faces at most that a sleeve is cut into.

    Raises:
        KernelError: the solid does not check as valid.
    """
    from OCP.BRep import BRep_Builder
    from OCP.TopoDS import TopoDS_Face, TopoDS_Shell, TopoDS_Solid, TopoDS_Wire

    for sleeve in sleeves:
        require_open(sleeve)
    build = BRep_Builder()
    grounds = {id(cap.outer.field): height_surface(cap.outer.field) for cap in caps}
    rings: dict[int, list[Any]] = {}
    shell, solid = TopoDS_Shell(), TopoDS_Solid()
    build.MakeShell(shell)
    for sleeve in sleeves:
        faces, low, high = _make_strips(sleeve, grounds, strips)
        rings |= {id(sleeve.low): low, id(sleeve.high): high}
        for face in faces:
            build.Add(shell, face.Reversed() if sleeve.inside else face)
    covers = []
    for cap in caps:
        face = TopoDS_Face()
        build.MakeFace(face, grounds[id(cap.outer.field)], SEAM)
        for end in (cap.outer, *cap.holes):
            ring = TopoDS_Wire()
            build.MakeWire(ring)
            for edge in rings[id(end)]:
                build.Add(ring, edge if end is cap.outer else edge.Reversed())
            ring.Closed(True)
            build.Add(face, ring)
        build.Add(shell, face if cap.up else face.Reversed())
        covers.append(face)
    shell.Closed(True)
    _settle_edges(shell)
    build.MakeSolid(solid)
    build.Add(solid, shell)
    _require_valid(solid, covers)
    return solid


def _cut_axis(axis: Axis, most: int) -> Floats:
    """Return the knots at which a tube is cut into strips of equal numbers of intervals, first and last included."""
    count = len(axis.breaks) - 1
    return _pick_breaks(axis.breaks, min(max(2, round(count / STRIP)), most, count))


def _pick_breaks(breaks: Floats, pieces: int) -> Floats:
    """Return some of an axis's breaks, first and last included, that leave about equal numbers of intervals between them."""
    picked: Floats = breaks[np.round(np.linspace(0, len(breaks) - 1, pieces + 1)).astype(int)]
    return picked


@dataclass(frozen=True, eq=False)
class _Ring:
    """The kernel's edges along an end. corners: the vertices where strips meet; edges: those of each strip, along u."""

    corners: list[Any]
    edges: list[list[Any]]


def _make_strips(sleeve: Sleeve, grounds: dict[int, Any], most: int) -> tuple[list[Any], list[Any], list[Any]]:
    """Return a sleeve's faces, and the edges of its low and of its high end, in order along u."""
    cuts = _cut_axis(sleeve.tube.u, most)
    count = len(cuts) - 1
    ground, lid = [grounds[id(sleeve.low.field)]] * count, [grounds[id(sleeve.high.field)]] * count
    whole, strips = _cut_strips(sleeve.tube, cuts)
    foot = _make_ring(sleeve.low, cuts, strips, ground)
    span = [end_heights(end, cuts[:-1]) for end in (sleeve.low, sleeve.brow)]
    if sleeve.rounding is None:
        brow = top = _make_ring(sleeve.high, cuts, strips, lid)
        faces = _trim_strips(whole, strips, cuts, span, (foot, brow))
    else:
        bend, bent = _cut_strips(sleeve.rounding.face, cuts)
        brow = _make_ring(sleeve.rounding.low, cuts, strips, bent)
        top = _make_ring(sleeve.high, cuts, bent, lid)
        faces = _trim_strips(whole, strips, cuts, span, (foot, brow))
        faces += _trim_strips(bend, bent, cuts, [np.zeros(count), np.ones(count)], (brow, top))
    return faces, list(chain(*foot.edges)), list(chain(*top.edges))


def _cut_strips(tube: Surface, cuts: Floats) -> tuple[Any, list[Any]]:
    """Return the kernel's surface of a tube, whole and in strips.

    The kernel's faces have the height as their first parameter and run around with the second: integrals over a face go along
    its edges by the second, which the ends follow evenly, where their heights would go up and down.
    """
    whole = spline_surface(Surface(tube.v, tube.u, tube.poles.transpose(1, 0, 2)))
    strips = [whole.Copy() for _ in cuts[:-1]]
    for strip, u0, u1 in zip(strips, cuts[:-1].tolist(), cuts[1:].tolist(), strict=True):
        strip.Segment(*tube.v.breaks[[0, -1]].tolist(), u0, u1)
    return whole, strips


def _make_ring(end: TubeEnd, cuts: Floats, strips: Sequence[Any], grounds: Sequence[Any]) -> _Ring:
    """Return the edges along an end, with their curves on the strips and on the faces beyond."""
    corners = _make_vertices(end, cuts[:-1])
    edges = [
        _make_edges(end, (u0, u1), (corners[k], corners[(k + 1) % len(corners)]), strip, ground)
        for k, (u0, u1, strip, ground) in enumerate(zip(cuts[:-1].tolist(), cuts[1:].tolist(), strips, grounds, strict=True))
    ]
    return _Ring(corners, edges)


def _trim_strips(
    whole: Any, strips: Sequence[Any], cuts: Floats, span: Sequence[Floats], rings: tuple[_Ring, _Ring]
) -> list[Any]:
    """Return the faces on strips between two rings of edges, low and high; span: the heights of these where strips meet."""
    from OCP.BRep import BRep_Builder
    from OCP.Geom2d import Geom2d_Line
    from OCP.gp import gp_Dir2d, gp_Pnt2d
    from OCP.TopLoc import TopLoc_Location
    from OCP.TopoDS import TopoDS_Edge, TopoDS_Face, TopoDS_Wire

    build, here = BRep_Builder(), TopLoc_Location()
    low, high = rings
    sides = []
    for u, v0, v1, foot, brow in zip(cuts[:-1].tolist(), *(v.tolist() for v in span), low.corners, high.corners, strict=True):
        side = TopoDS_Edge()
        build.MakeEdge(side, whole.VIso(u), TRIM)
        build.Add(side, foot.Oriented(_forward(True)))
        build.Add(side, brow.Oriented(_forward(False)))
        build.Range(side, v0, v1)
        sides.append(side)
    faces = []
    for k, strip in enumerate(strips):
        after = (k + 1) % len(sides)
        face, loop = TopoDS_Face(), TopoDS_Wire()
        build.MakeFace(face, strip, SEAM)
        for u, side in ((float(cuts[k]), sides[k]), (float(cuts[k + 1]), sides[after])):
            build.UpdateEdge(side, Geom2d_Line(gp_Pnt2d(0.0, u), gp_Dir2d(1, 0)), strip, here, TRIM)
        build.MakeWire(loop)
        tops = [edge.Reversed() for edge in reversed(high.edges[k])]
        for part in (*low.edges[k], sides[after], *tops, sides[k].Reversed()):
            build.Add(loop, part)
        loop.Closed(True)
        build.Add(face, loop.Reversed())
        faces.append(face.Reversed())
    return faces


def _make_edges(end: TubeEnd, span: tuple[float, float], outer: tuple[Any, Any], strip: Any, ground: Any) -> list[Any]:
    """Return the edges of a strip's end from vertex to vertex, none of too many intervals, with their curves on both faces."""
    from OCP.BRep import BRep_Builder
    from OCP.TopLoc import TopLoc_Location
    from OCP.TopoDS import TopoDS_Edge

    build, here = BRep_Builder(), TopLoc_Location()
    first, last = np.searchsorted(end.axis.breaks, span)
    breaks = end.axis.breaks[first : last + 1]
    cuts = _pick_breaks(breaks, -(-(len(breaks) - 1) // LONGEST))
    stops = [outer[0], *_make_vertices(end, cuts[1:-1]), outer[1]]
    whole = [_curve(end.axis, poles) for poles in (end.space, end.wall[:, ::-1], end.plan)]
    edges = []
    for u0, u1, start, stop in zip(cuts[:-1].tolist(), cuts[1:].tolist(), stops[:-1], stops[1:], strict=True):
        edge = TopoDS_Edge()
        curves = [each.Copy() for each in whole]
        for curve in curves:
            curve.Segment(u0, u1)
        build.MakeEdge(edge, curves[0], TRIM)
        build.UpdateEdge(edge, curves[1], strip, here, TRIM)
        build.UpdateEdge(edge, curves[2], ground, here, TRIM)
        build.Add(edge, start.Oriented(_forward(True)))
        build.Add(edge, stop.Oriented(_forward(False)))
        build.Range(edge, u0, u1)
        edges.append(edge)
    return edges


def _make_vertices(end: TubeEnd, at: Floats) -> list[Any]:
    """Return vertices on a tube's end, at u `at` (N,)."""
    from OCP.BRep import BRep_Builder
    from OCP.gp import gp_Pnt
    from OCP.TopoDS import TopoDS_Vertex

    build, vertices = BRep_Builder(), []
    for point in (end.axis.basis(at) @ end.space).tolist():
        vertex = TopoDS_Vertex()
        build.MakeVertex(vertex, gp_Pnt(*point), TRIM)
        vertices.append(vertex)
    return vertices


def require_open(sleeve: Sleeve) -> None:
    """Make sure that a sleeve's low end runs below its high one.

    A tube is trimmed by two curves over its own u, so its outline is simple exactly where that holds. To find it takes no time;
    the kernel, which knows nothing of this, intersects the curves piece by piece and takes longer than for all else it checks.

    Raises:
        KernelError: they cross.
    """
    if len(find_shut(sleeve)):
        raise KernelError("one end of the wall crosses the other", "body", "the solid is made another way")


def find_shut(sleeve: Sleeve) -> Floats:
    """Return the places (K, 2), mm in plan, at which a sleeve's low end does not run below its high one."""
    at = np.unique(np.concatenate([sleeve.low.axis.breaks, sleeve.brow.axis.breaks]))
    at = np.concatenate([at, 0.5 * (at[:-1] + at[1:])])
    low = end_heights(sleeve.low, at)
    shut = end_heights(sleeve.brow, at) < low + TRIM
    places: Floats = sleeve.tube.at_points(at[shut], low[shut])[:, :2]
    return places


def _require_valid(solid: Solid, caps: Sequence[Any]) -> None:
    """Make sure that open sleeves, closed by caps, bound a valid solid.

    Raises:
        KernelError: they do not.
    """
    from OCP.BRepCheck import BRepCheck_Analyzer

    if not BRepCheck_Analyzer(solid, False).IsValid() or not all(BRepCheck_Analyzer(cap, True).IsValid() for cap in caps):
        raise KernelError("wall, floor and lid do not make a valid solid", "body", "the solid is made another way")
    found_valid(solid)


def end_heights(end: TubeEnd, at: Floats) -> Floats:
    """Return an end's height along its tube, in the tube's v, at u `at` (N,)."""
    heights: Floats = end.axis.basis(at) @ end.wall[:, 1]
    return heights


def _settle_edges(shell: Any) -> None:
    """Make every edge's curve in space and its curves on the two faces run alike.

    Raises:
        KernelError: the kernel cannot.
    """
    from OCP.BRepLib import BRepLib
    from OCP.Standard import Standard_ConstructionError, Standard_Failure

    try:
        BRepLib.SameParameter_s(shell, 1e-5, True)
    except (Standard_Failure, Standard_ConstructionError) as error:  # in Python the one is no kind of the other
        raise KernelError("an edge does not lie on its faces", "body", "the solid is made another way") from error


def _forward(yes: bool) -> Any:
    from OCP.TopAbs import TopAbs_Orientation

    return TopAbs_Orientation.TopAbs_FORWARD if yes else TopAbs_Orientation.TopAbs_REVERSED


def _curve(axis: Axis, poles: Floats) -> Any:
    """Return the kernel's clamped cubic curve in space (poles (P, 3)) or in a surface's parameters (poles (P, 2))."""
    from OCP.Geom import Geom_BSplineCurve
    from OCP.Geom2d import Geom2d_BSplineCurve
    from OCP.gp import gp_Pnt, gp_Pnt2d
    from OCP.TColgp import TColgp_Array1OfPnt, TColgp_Array1OfPnt2d

    flat = poles.shape[1] == 2
    array = (TColgp_Array1OfPnt2d if flat else TColgp_Array1OfPnt)(1, len(poles))
    point = gp_Pnt2d if flat else gp_Pnt
    for i, pole in enumerate(poles.tolist(), start=1):
        array.SetValue(i, point(*pole))
    knots, mults = knot_arrays(axis)
    return (Geom2d_BSplineCurve if flat else Geom_BSplineCurve)(array, knots, mults, DEGREE)
