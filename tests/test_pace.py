"""Edges whose parameter runs unevenly are evened, and no point of them moves.

The edge is the kernel's own: where two wavy faces cross. Its leap is made here, the other way round than it is mended: part of
the curve is squeezed as the kernel once squeezed the crease of a split floor. The volume is summed on a fine grid, which knows
no edges.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import shapely
from OCP.BRep import BRep_Builder, BRep_Tool
from OCP.BRepAdaptor import BRepAdaptor_Curve, BRepAdaptor_Curve2d, BRepAdaptor_Surface
from OCP.GeomAbs import GeomAbs_CurveType
from OCP.TColStd import TColStd_Array1OfReal
from OCP.TopAbs import TopAbs_EDGE, TopAbs_FACE
from OCP.TopExp import TopExp
from OCP.TopoDS import TopoDS
from OCP.TopTools import TopTools_IndexedDataMapOfShapeListOfShape

from mountgen.arrays import Floats
from mountgen.kernel import Solid, combine, count_faces, is_valid, loft_solid, prism_solid, solid_volume, tessellate
from mountgen.mesh_measure import measure_volume
from mountgen.pace import LEAP, LONGEST, cut_long_edges, even_pace, measure_pace
from mountgen.spline import Axis, Surface

U, V = Axis(np.linspace(-30.0, 30.0, 13), False), Axis(np.linspace(-20.0, 20.0, 9), False)
SQUEEZE = 1.0 / 1300.0  # of its share of the parameter, as it was met


def _wave(lean: float, phase: float) -> Surface:
    """Return a wavy height field over 60 by 40 mm that leans along x."""
    x, y = (np.linspace(-1.0, 1.0, axis.poles) for axis in (U, V))
    return Surface(U, V, (30.0 * lean * x[:, None] + np.sin(6.0 * x + phase)[:, None] + np.cos(5.0 * y + phase))[..., None])


FLOOR, ROOF = _wave(0.0, 0.3), _wave(0.4, 1.1)


def _make_body() -> Solid:
    """Return what lies above the floor and below the roof, which cross each other once."""
    return combine(prism_solid(FLOOR, 60.0), prism_solid(ROOF, -60.0), "common", what="test")


def _true_volume() -> float:
    x, y = (np.linspace(-half, half, 4 * count + 1) for half, count in ((30.0, 300), (20.0, 200)))
    x, y = 0.5 * (x[1:] + x[:-1]), 0.5 * (y[1:] + y[:-1])
    room = np.maximum(ROOF.at(x, y) - FLOOR.at(x, y), 0.0)
    return float(room.sum() * (x[1] - x[0]) * (y[1] - y[0]))


def _find_crease(body: Solid) -> tuple[Any, list[Any]]:
    """Return the edge that the kernel has put together of most pieces, and the faces that meet there."""
    sides = TopTools_IndexedDataMapOfShapeListOfShape()
    TopExp.MapShapesAndAncestors_s(body, TopAbs_EDGE, TopAbs_FACE, sides)
    edges = [TopoDS.Edge_s(sides.FindKey(k)) for k in range(1, sides.Extent() + 1)]
    most = max(range(len(edges)), key=lambda k: len(measure_pace(edges[k])))
    return edges[most], [TopoDS.Face_s(face) for face in sides.FindFromIndex(most + 1)]


def _squeeze(curve: Any, at: int) -> Any:
    """Return a copy of a curve, what follows its knot number `at` squeezed into a sliver of the parameter."""
    squeezed = curve.Copy()
    squeezed.IncreaseMultiplicity(at, squeezed.Degree())
    knots = np.array([squeezed.Knot(k) for k in range(1, squeezed.NbKnots() + 1)])
    knots[at:] = knots[at - 1] + SQUEEZE * (knots[at:] - knots[at - 1])
    values = TColStd_Array1OfReal(1, len(knots))
    for k, knot in enumerate(knots, 1):
        values.SetValue(k, float(knot))
    squeezed.SetKnots(values)
    return squeezed


def _spoil(body: Solid) -> None:
    edge, faces = _find_crease(body)
    build, curve, tolerance = BRep_Builder(), BRep_Tool.Curve_s(edge, 0.0, 1.0), BRep_Tool.Tolerance_s(edge)
    flat = [BRep_Tool.CurveOnSurface_s(edge, face, 0.0, 1.0) for face in faces]
    ends = BRepAdaptor_Curve(edge).FirstParameter(), BRepAdaptor_Curve(edge).LastParameter()
    assert ends == pytest.approx([curve.FirstParameter(), curve.LastParameter()])
    at = curve.NbKnots() // 4
    squeezed = _squeeze(curve, at)
    build.UpdateEdge(edge, squeezed, tolerance)
    for face, each in zip(faces, flat, strict=True):
        build.UpdateEdge(edge, _squeeze(each, at), face, tolerance)
    build.Range(edge, squeezed.FirstParameter(), squeezed.LastParameter())


def _walk(edge: Any, faces: list[Any], count: int = 400) -> list[Floats]:
    """Return points evenly strewn in the parameter along an edge, and the same by its curve on each face, each (count, 3)."""
    ways = [BRepAdaptor_Curve(edge)]
    at = np.linspace(ways[0].FirstParameter(), ways[0].LastParameter(), count)
    points = [np.array([ways[0].Value(t).Coord() for t in at])]
    for face in faces:
        surface, flat = BRepAdaptor_Surface(face), BRepAdaptor_Curve2d(edge, face)
        points.append(np.array([surface.Value(*flat.Value(t).Coord()).Coord() for t in at]))
    return points


def test_an_edge_squeezed_into_a_sliver_of_its_parameter_is_evened_where_it_lies() -> None:
    body, truth = _make_body(), _true_volume()
    assert solid_volume(body) == pytest.approx(truth, rel=0.001)
    before = _walk(*_find_crease(body), count=4000)[0]
    _spoil(body)
    assert abs(solid_volume(body) / truth - 1.0) > 0.01  # as it was met: the kernel walks over most of the edge
    assert np.abs(np.diff(np.log(measure_pace(_find_crease(body)[0])))).max() > np.log(LEAP)
    assert even_pace(body) == 1
    assert solid_volume(body) == pytest.approx(truth, rel=0.001)
    assert measure_volume(tessellate(body)) == pytest.approx(truth, rel=0.001)
    assert is_valid(body)
    line, *on_faces = _walk(*_find_crease(body))
    step = np.linalg.norm(np.diff(line, axis=0), axis=1)
    assert step.max() < LEAP * np.median(step)
    for other in on_faces:  # the three curves still agree
        assert np.linalg.norm(other - line, axis=1).max() < 1e-4
    away = np.linalg.norm(line[:, None] - before[None], axis=2).min(axis=1)
    assert away.max() < np.linalg.norm(np.diff(before, axis=0), axis=1).max()
    assert line[[0, -1]] == pytest.approx(before[[0, -1]], abs=1e-6)


def test_even_edges_are_left_alone() -> None:
    body = _make_body()
    before = measure_pace(_find_crease(body)[0])
    assert len(before) > 10
    assert even_pace(body) == 0
    assert np.array_equal(measure_pace(_find_crease(body)[0]), before)


def _make_gear() -> tuple[Solid, Floats]:
    """Return what a tube of 40 waves holds above the floor and below a level, and a section of the tube (K, 2), mm."""
    around = Axis(np.linspace(0.0, 1.0, 241), periodic=True)
    at = np.linspace(0.0, 1.0, 2400, endpoint=False)
    radius = 15.0 + 0.4 * np.sin(2.0 * np.pi * 40.0 * at)
    loop = np.column_stack([radius * np.cos(2.0 * np.pi * at), radius * np.sin(2.0 * np.pi * at)])
    poles = np.linalg.lstsq(around.basis(at), loop, rcond=None)[0]
    heights = Axis(np.array([-10.0, 10.0]), periodic=False)
    rise = np.linspace(-10.0, 10.0, heights.poles)
    grid = np.dstack([np.repeat(poles[:, None, k], heights.poles, axis=1) for k in range(2)] + [np.tile(rise, (len(poles), 1))])
    body = combine(loft_solid(Surface(around, heights, grid)), prism_solid(FLOOR, 60.0), "common", what="test")
    return body, around.basis(at) @ poles


def _count_intervals(body: Solid) -> int:
    """Return of how many knots' intervals the longest edge of a solid is."""
    edges, most = TopTools_IndexedDataMapOfShapeListOfShape(), 0
    TopExp.MapShapesAndAncestors_s(body, TopAbs_EDGE, TopAbs_FACE, edges)
    for k in range(1, edges.Extent() + 1):
        edge = BRepAdaptor_Curve(TopoDS.Edge_s(edges.FindKey(k)))
        if edge.GetType() == GeomAbs_CurveType.GeomAbs_BSplineCurve:
            curve = edge.BSpline()
            knots = np.array([curve.Knot(k) for k in range(1, curve.NbKnots() + 1)])
            most = max(most, int(((knots > edge.FirstParameter()) & (knots < edge.LastParameter())).sum()) + 1)
    return most


def test_an_edge_of_many_knots_is_cut_where_it_lies_and_the_kernel_measures_right() -> None:
    """Held against a sum on a grid over a section of the tube."""
    body, section = _make_gear()
    x = np.arange(-16.0, 16.0, 0.02) + 0.01
    inside = shapely.contains_xy(shapely.Polygon(section), *np.meshgrid(x, x, indexing="ij"))
    truth = float(((10.0 - FLOOR.at(x, x)[..., 0]) * inside).sum() * 0.02**2)
    assert _count_intervals(body) > 3 * LONGEST
    assert abs(solid_volume(body) / truth - 1.0) > 0.01
    cut = cut_long_edges(body)
    assert _count_intervals(cut) <= LONGEST
    assert is_valid(cut)
    assert count_faces(cut) == count_faces(body)
    assert solid_volume(cut) == pytest.approx(truth, rel=0.002)
    assert measure_volume(tessellate(cut, chord=0.002)) == pytest.approx(truth, rel=0.001)
    assert cut_long_edges(cut) is cut
