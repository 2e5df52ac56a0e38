"""The pace of a solid's edges: how fast their curves run with their parameter. A leaf.

Where two faces of splines meet, the kernel fits a curve to the points that it has walked through, piece by piece, and at times
gives one of the pieces a thousandth of the parameter that its length deserves. The edge lies where it should, but whoever walks
along it in even steps of the parameter leaps over most of it: the kernel's own integrals take 61 steps along an edge, and a plug
measured 1.2 % too small. So the pieces of such a curve are given the share of the parameter that they have of the length. That
moves no point: the curve is cut at its knots, and a spline whose knots are all scaled alike runs along the same line.

Where faces of hundreds of knots are intersected, one edge takes them all, and 61 steps are too few however even its pace: a
shallow bowl was measured 72 % too large. Such an edge is cut into several, at knots.

References:
    Open CASCADE Technology, BRepGProp_Gauss and BRepGProp_Face: one Gauss rule of at most 61 points along each edge.
    W. Boehm, "Inserting new knots into B-spline curves", Computer-Aided Design 12 (1980): knots inserted without moving a point.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from mountgen.arrays import Bools, Floats

LEAP = 3.0  # times; ratio of the paces before and after a knot that is mended. Elsewhere 1.7 at most was seen, there 1300
LONGEST = 60  # intervals of an edge that is left whole; the kernel's integrals take 61 steps along it
SAME = 1e-12  # knots of one edge's curves differ by less than this


def even_pace(shape: Any) -> int:
    """Even the pace of the edges of a shape, in place; no point of any edge moves.

    Args:
        shape: TopoDS_Shape that nobody has meshed yet.

    Returns:
        int: how many edges had a leap in their pace.
    """
    from OCP.TopAbs import TopAbs_EDGE, TopAbs_FACE
    from OCP.TopExp import TopExp
    from OCP.TopoDS import TopoDS
    from OCP.TopTools import TopTools_IndexedDataMapOfShapeListOfShape

    sides = TopTools_IndexedDataMapOfShapeListOfShape()
    TopExp.MapShapesAndAncestors_s(shape, TopAbs_EDGE, TopAbs_FACE, sides)
    mended = 0
    for k in range(1, sides.Extent() + 1):
        edge = TopoDS.Edge_s(sides.FindKey(k))
        pace = measure_pace(edge)
        leaps = np.abs(np.diff(np.log(pace))) > np.log(LEAP)
        if leaps.any():
            mended += _mend(edge, [TopoDS.Face_s(face) for face in sides.FindFromIndex(k)], leaps)
    return mended


def cut_long_edges(solid: Any) -> Any:
    """Return a solid whose edges of many intervals are cut into several, at knots of their curves; its faces stay as they are.

    Args:
        solid: TopoDS_Shape, one solid.

    Returns:
        TopoDS_Shape: the same solid where there is nothing to cut, or the kernel does not get it cut.
    """
    from OCP.BRepAlgoAPI import BRepAlgoAPI_Splitter
    from OCP.TopAbs import TopAbs_SOLID
    from OCP.TopExp import TopExp_Explorer
    from OCP.TopTools import TopTools_ListOfShape

    stops = _find_stops(solid)
    if not stops:
        return solid
    splitter, given, tools = BRepAlgoAPI_Splitter(), TopTools_ListOfShape(), TopTools_ListOfShape()
    given.Append(solid)
    for stop in stops:
        tools.Append(stop)
    splitter.SetArguments(given)
    splitter.SetTools(tools)
    splitter.Build()
    found = TopExp_Explorer(splitter.Shape(), TopAbs_SOLID) if splitter.IsDone() else None
    return found.Current() if found is not None and found.More() else solid


def _find_stops(solid: Any) -> list[Any]:
    """Return vertices at the knots at which the long edges of a solid are to be cut."""
    from OCP.BRepAdaptor import BRepAdaptor_Curve
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeVertex
    from OCP.TopAbs import TopAbs_EDGE
    from OCP.TopExp import TopExp
    from OCP.TopoDS import TopoDS
    from OCP.TopTools import TopTools_IndexedMapOfShape

    edges = TopTools_IndexedMapOfShape()
    TopExp.MapShapes_s(solid, TopAbs_EDGE, edges)
    stops = []
    for number in range(1, edges.Extent() + 1):
        curve = BRepAdaptor_Curve(TopoDS.Edge_s(edges.FindKey(number)))
        if not curve.GetType().name.endswith("BSplineCurve"):
            continue
        knots = _knots(curve.BSpline())
        knots = knots[(knots > curve.FirstParameter()) & (knots < curve.LastParameter())]
        pieces = -(-(len(knots) + 1) // LONGEST)
        cuts = knots[np.round(np.linspace(0, len(knots) + 1, pieces + 1)[1:-1]).astype(int) - 1]
        stops += [BRepBuilderAPI_MakeVertex(curve.Value(float(cut))).Vertex() for cut in cuts]
    return stops


def measure_pace(edge: Any) -> Floats:
    """Return the length a unit of parameter from knot to knot of an edge, (K - 1,) mm; none where it is not of pieces."""
    curve = _spline_of(edge)
    if curve is None:
        return np.zeros(0)
    knots = _knots(curve)
    points = np.array([curve.Value(knot).Coord() for knot in knots])
    length = np.linalg.norm(np.diff(points, axis=0), axis=1)
    return np.asarray(np.maximum(length, 1e-9) / np.diff(knots))


def _spline_of(edge: Any) -> Any:
    """Return the Geom_BSplineCurve of an edge put together of pieces; None where it has none, or a closed or a moved one."""
    from OCP.BRep import BRep_Tool
    from OCP.Geom import Geom_BSplineCurve

    curve = BRep_Tool.Curve_s(edge, 0.0, 1.0)
    if not isinstance(curve, Geom_BSplineCurve) or curve.IsPeriodic() or not edge.Location().IsIdentity():
        return None
    return curve if curve.NbKnots() > 2 and curve.Multiplicity(2) > 1 else None  # our own curves are smooth at their knots


def _knots(curve: Any) -> Floats:
    return np.array([curve.Knot(k) for k in range(1, curve.NbKnots() + 1)])


def _mend(edge: Any, faces: list[Any], leaps: Bools) -> bool:
    """Give each piece between leaps the share of the parameter that it has of the length; return whether that could be done."""
    from OCP.BRep import BRep_Builder, BRep_Tool
    from OCP.BRepAdaptor import BRepAdaptor_Curve

    curve = _spline_of(edge)
    knots = _knots(curve)
    if any(BRep_Tool.IsClosed_s(edge, face) for face in faces):
        return False
    on_faces = [BRep_Tool.CurveOnSurface_s(edge, face, 0.0, 1.0) for face in faces]
    for flat in on_faces:
        if flat is None or not hasattr(flat, "NbKnots") or flat.NbKnots() != len(knots) or flat.IsPeriodic():
            return False
        if np.abs(_knots(flat) - knots).max() > SAME * (knots[-1] - knots[0]):
            return False
    cuts = np.concatenate([[0], 1 + np.flatnonzero(leaps), [len(knots) - 1]])
    length = np.append(0.0, np.cumsum(measure_pace(edge) * np.diff(knots)))[cuts]
    evened = knots[0] + length / length[-1] * (knots[-1] - knots[0])
    adaptor = BRepAdaptor_Curve(edge)
    ends = np.interp([adaptor.FirstParameter(), adaptor.LastParameter()], knots[cuts], evened)
    build, tolerance = BRep_Builder(), BRep_Tool.Tolerance_s(edge)
    build.UpdateEdge(edge, _scale(curve, knots, cuts, evened), tolerance)
    for face, flat in zip(faces, on_faces, strict=True):
        build.UpdateEdge(edge, _scale(flat, knots, cuts, evened), face, tolerance)
    build.Range(edge, *ends)
    return True


def _scale(curve: Any, knots: Floats, cuts: Any, evened: Floats) -> Any:
    """Return a copy of a curve, cut at knots and run from each cut to the next in the parameters `evened` of the cuts."""
    from OCP.TColStd import TColStd_Array1OfReal

    scaled = curve.Copy()
    for cut in cuts[1:-1]:
        scaled.IncreaseMultiplicity(int(cut) + 1, scaled.Degree())
    values = TColStd_Array1OfReal(1, len(knots))
    for k, value in enumerate(np.interp(knots, knots[cuts], evened), 1):
        values.SetValue(k, float(value))
    scaled.SetKnots(values)
    return scaled
