"""Edges rounded by the kernel once they are there: those of a mouth and of a flange, which follow height fields."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from time import perf_counter
from typing import Any

import numpy as np

from mountgen.arrays import Floats
from mountgen.bounded import run_bounded
from mountgen.errors import KernelError
from mountgen.kernel import Solid, is_valid, solids_of

NEAR = 0.01  # mm; how far from a height field an edge on it may lie
SHARES = (1.0, 0.7, 0.4)  # of the radius, as an edge is tried
TWO_EDGES = 0.45  # of a thickness that each of the two edges along it may take
SMALLEST = 0.2  # mm; a smaller radius is not worth its face
LONGEST = 20.0  # s of CPU for a rounding; the slowest of an example takes 1
PATIENCE = 10.0  # s of the clock that may go by in tries which fail; after that the edges that are left stay sharp
PROBES = (0.1, 0.5, 0.9)  # of an edge's length, where it is looked at


def round_edges(solid: Solid, picked: Callable[[Floats], bool], *, radius: float, check: bool = True) -> Solid:
    """Return a solid with its sharp edges rounded that are picked, as far as the kernel can.

    All are tried at once, then one after the other, the longest first, each with smaller radii where the whole one fails, until
    tries that fail have taken PATIENCE.

    Args:
        solid: one solid, mm.
        picked: says of the points (3, 3) of an edge, mm, whether it is meant.
        radius: mm; 0 returns the solid as it is.
        check: whether a solid that is not valid is done without; else the caller sees to it.
    """
    return round_as_far(solid, picked, radius=radius, check=check)[0]


def round_as_far(
    solid: Solid, picked: Callable[[Floats], bool], *, radius: float, check: bool = True
) -> tuple[Solid, float]:
    """Return what `round_edges` does, and the least radius that an edge got, mm: 0 where one stays sharp."""
    if radius <= 0.0:
        return solid, radius
    edges = [edge for edge, points in _list_sharp_edges(solid) if picked(points)]
    if not edges:
        return solid, radius
    failing = 0.0

    def attempt(some: Sequence[Any], radius: float) -> Solid | None:
        nonlocal failing
        if failing > PATIENCE:
            return None
        started = perf_counter()
        rounded = _fillet(solid, some, radius, check)
        if rounded is None:
            failing += perf_counter() - started
        return rounded

    whole = attempt(edges, radius)
    if whole is not None:
        return whole, radius
    least = radius
    for k in range(len(edges)):  # an edge of the solid before is none of the solid after: they are told by their places
        left = [edge for edge, points in _list_sharp_edges(solid) if picked(points)]
        if k >= len(left):
            break
        shares = SHARES[1:] if len(edges) == 1 else SHARES
        tries = ((attempt([left[k]], share * radius), share * radius) for share in shares if share * radius >= SMALLEST)
        rounded, reached = next(((rounded, reached) for rounded, reached in tries if rounded is not None), (solid, 0.0))
        solid, least = rounded, min(least, reached)
    return solid, least


def on_field(height: Callable[[Floats, Floats], Floats]) -> Callable[[Floats], bool]:
    """Return what picks the edges that lie on a height field z(x, y), mm."""

    def picked(points: Floats) -> bool:
        return bool(np.abs(points[:, 2] - height(points[:, 0], points[:, 1])).max() < NEAR)

    return picked


def _list_sharp_edges(solid: Solid) -> list[tuple[Any, Floats]]:
    """Return the edges where two faces meet at an angle outwards, with points (3, 3) on each; the longest first."""
    from OCP.BRepAdaptor import BRepAdaptor_Curve
    from OCP.ChFi3d import ChFi3d
    from OCP.ChFiDS import ChFiDS_TypeOfConcavity
    from OCP.GCPnts import GCPnts_AbscissaPoint
    from OCP.TopAbs import TopAbs_EDGE, TopAbs_FACE
    from OCP.TopExp import TopExp
    from OCP.TopoDS import TopoDS
    from OCP.TopTools import TopTools_IndexedDataMapOfShapeListOfShape

    around = TopTools_IndexedDataMapOfShapeListOfShape()
    TopExp.MapShapesAndAncestors_s(solid, TopAbs_EDGE, TopAbs_FACE, around)
    found = []
    for k in range(1, around.Extent() + 1):
        faces = [TopoDS.Face_s(face) for face in around.FindFromIndex(k)]
        if len(faces) != 2 or faces[0].IsSame(faces[1]):
            continue
        edge = TopoDS.Edge_s(around.FindKey(k))
        if ChFi3d.DefineConnectType_s(edge, *faces, 1e-2, False) != ChFiDS_TypeOfConcavity.ChFiDS_Convex:
            continue
        curve = BRepAdaptor_Curve(edge)
        first, last = curve.FirstParameter(), curve.LastParameter()
        at = [curve.Value(first + t * (last - first)) for t in PROBES]
        length = float(GCPnts_AbscissaPoint.Length_s(curve))
        found.append((length, edge, np.array([(p.X(), p.Y(), p.Z()) for p in at])))
    return [(edge, points) for _, edge, points in sorted(found, key=lambda each: -each[0])]


def _fillet(solid: Solid, edges: Sequence[Any], radius: float, check: bool) -> Solid | None:
    from OCP.BRepFilletAPI import BRepFilletAPI_MakeFillet

    def build() -> Solid:
        fillet = BRepFilletAPI_MakeFillet(solid)
        for edge in edges:
            fillet.Add(radius, edge)
        fillet.Build()
        if not fillet.IsDone():
            raise KernelError("an edge cannot be rounded", "edge", "give a smaller radius")
        return fillet.Shape()

    try:
        rounded = solids_of(run_bounded(build, solid, what="rounding", seconds=LONGEST))
    except KernelError:
        return None
    return rounded[0] if len(rounded) == 1 and (not check or is_valid(rounded[0])) else None
