"""Solids put together by their faces, where it is known beforehand which faces meet: the kernel need not look for it.

A boolean works through all faces whose boxes touch, and a wall's box is that of the whole part. So a cavity that meets a body
in nothing but its top is set into that one face, and a small tool is united with what lies around it, and no more.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from mountgen.arrays import Floats
from mountgen.bounded import run_bounded
from mountgen.errors import KernelError
from mountgen.kernel import POLE_GRID, SEAM, Solid, build_boolean, combine_many, height_surface, is_valid, solids_of
from mountgen.shape import make_box
from mountgen.spline import Surface

AROUND = 1.0  # mm past a tool's bounds; what lies beyond is not looked at
WIRE_STEPS = 40  # of each edge, by which it is seen which wires lie within which
LOST = 0.05  # mm by which a union may fall short of a tool's bounds, which are those of its facets


def open_top(solid: Solid, rooms: Sequence[Solid], top: Surface) -> Solid:
    """Return a solid less rooms that lie inside it and end at its top; nothing is intersected.

    Args:
        solid: has exactly one face on `top`.
        rooms: solids with one or more faces on `top`; apart from these they keep clear of the solid's surface and each other.
        top: the height field that closes them all.

    Returns:
        One solid. It is not checked whether the rooms keep clear.

    Raises:
        KernelError: there is no such face, or the faces do not close.
    """
    from OCP.BRep import BRep_Builder, BRep_Tool
    from OCP.TopAbs import TopAbs_EDGE, TopAbs_FORWARD, TopAbs_WIRE
    from OCP.TopLoc import TopLoc_Location
    from OCP.TopoDS import TopoDS, TopoDS_Face

    lids, faces = _part_faces(solid, top)
    if len(lids) != 1:
        raise KernelError(f"{len(lids)} faces lie on the top", "cavity", "the solid is made another way")
    surface, here, build = BRep_Tool.Surface_s(lids[0]), TopLoc_Location(), BRep_Builder()
    wires = _list_shapes(lids[0].Oriented(TopAbs_FORWARD), TopAbs_WIRE)
    for room in rooms:
        mouths, others = _part_faces(room, top)
        if not mouths:
            raise KernelError("a room does not reach the top", "cavity", "the solid is made another way")
        faces += [face.Reversed() for face in others]
        for mouth in mouths:
            flat = TopoDS.Face_s(mouth.Oriented(TopAbs_FORWARD))
            for wire in _list_shapes(flat, TopAbs_WIRE):
                for found in _list_shapes(wire, TopAbs_EDGE):
                    edge = TopoDS.Edge_s(found)
                    curve = BRep_Tool.CurveOnSurface_s(edge, flat, 0.0, 1.0)
                    build.UpdateEdge(edge, curve, surface, here, BRep_Tool.Tolerance_s(edge))
                wires.append(wire.Reversed())
    for bounds in _nest(wires):
        cover = TopoDS_Face()
        build.MakeFace(cover, surface, SEAM)
        for k in bounds:
            build.Add(cover, wires[k])
        faces.append(cover.Oriented(lids[0].Orientation()))
    return _close(faces, "cavity")


def _nest(wires: Sequence[Any]) -> list[list[int]]:
    """Return which wires bound one face each: one that goes around it, and those within that which go around its holes."""
    import shapely

    outlines = [shapely.Polygon(_sample_wire(wire)).buffer(0.0) for wire in wires]
    inside = np.array([[a is not b and b.contains(a) for b in outlines] for a in outlines])
    depth = inside.sum(axis=1)
    holes = [np.flatnonzero(inside[:, k] & (depth == depth[k] + 1)) for k in range(len(wires))]
    return [[k, *holes[k].tolist()] for k in range(len(wires)) if depth[k] % 2 == 0]


def _sample_wire(wire: Any) -> Floats:
    """Return points along a wire of a height field, in plan, (N, 2) mm."""
    from OCP.BRepAdaptor import BRepAdaptor_Curve
    from OCP.BRepTools import BRepTools_WireExplorer
    from OCP.TopAbs import TopAbs_REVERSED
    from OCP.TopoDS import TopoDS

    explorer, points = BRepTools_WireExplorer(TopoDS.Wire_s(wire)), []
    while explorer.More():
        curve = BRepAdaptor_Curve(explorer.Current())
        at = np.linspace(curve.FirstParameter(), curve.LastParameter(), WIRE_STEPS, endpoint=False)
        along = [curve.Value(each).Coord()[:2] for each in at]
        points += along[::-1] if explorer.Current().Orientation() == TopAbs_REVERSED else along
        explorer.Next()
    return np.array(points)


def fuse_nearby(solid: Solid, tool: Solid, *, what: str) -> Solid:
    """Return the union of a solid with a small tool: a box around the tool is cut out, united with it and put back.

    Args:
        solid: mm.
        tool: touches the solid.
        what: the feature's name, for the error.

    Returns:
        A shape with the union's solids, unchecked. A face that the box has cut is one again, where the kernel can do that.

    Raises:
        KernelError: the kernel refuses.
    """
    try:
        return run_bounded(lambda: _fuse_in_box(solid, tool, what), solid, what=what, made_of=("fuse in a box", solid, tool))
    except KernelError:
        return combine_many(solid, [tool], "fuse", what=what)


def _fuse_in_box(solid: Solid, tool: Solid, what: str) -> Solid:
    """Return the union of a solid with a tool, done in a box around it; by one process, for the pieces go on sharing faces."""
    low, high = find_bounds(tool)
    near, rest = _split(solid, make_box((low - AROUND).tolist(), (high + AROUND).tolist()), what=what)
    if not near or not rest:
        return combine_many(solid, [tool], "fuse", what=what)
    united = combine_many(near[0], [*near[1:], tool], "fuse", what=what)
    _require_within(low, high, united, what)
    whole = _close(_outer_faces([*rest, united]), what)
    one = _unify(whole)
    return one if is_valid(one) else whole


def _require_within(low: Floats, high: Floats, united: Solid, what: str) -> None:
    """Make sure that a union reaches as far as a tool from `low` to `high`: the kernel has lost some without a word.

    Raises:
        KernelError: it does not.
    """
    first, last = find_bounds(united)
    if (first > low + LOST).any() or (last < high - LOST).any():
        raise KernelError(f"the solid kernel lost some of the {what}", what, "the solid is made another way")


def _split(solid: Solid, box: Solid, *, what: str) -> tuple[list[Solid], list[Solid]]:
    """Return the pieces of a solid inside and outside a box; pieces that touch share their faces."""
    from OCP.BRepAlgoAPI import BRepAlgoAPI_Splitter
    from OCP.TopTools import TopTools_ListOfShape

    splitter, arguments, tools = BRepAlgoAPI_Splitter(), TopTools_ListOfShape(), TopTools_ListOfShape()
    arguments.Append(solid)
    tools.Append(box)
    splitter.SetArguments(arguments)
    splitter.SetTools(tools)
    splitter.SetNonDestructive(True)
    low, high = find_bounds(box)
    near: list[Solid] = []
    rest: list[Solid] = []
    for piece in solids_of(build_boolean(splitter, "part", what)):
        points = _sample_edges(piece)
        inside = bool((points > low - SEAM).all() and (points < high + SEAM).all())
        (near if inside else rest).append(piece)
    return near, rest


def _sample_edges(solid: Solid) -> Floats:
    """Return the ends and middles of a solid's edges (N, 3), mm: they tell, a tenth of a second a face sooner than its bounds,
    on which side of a box that has parted it a piece lies.
    """
    from OCP.BRepAdaptor import BRepAdaptor_Curve
    from OCP.TopAbs import TopAbs_EDGE
    from OCP.TopoDS import TopoDS

    points = []
    for shape in _list_shapes(solid, TopAbs_EDGE):
        curve = BRepAdaptor_Curve(TopoDS.Edge_s(shape))
        first, last = curve.FirstParameter(), curve.LastParameter()
        points += [curve.Value(each).Coord() for each in (first, 0.5 * (first + last), last)]
    return np.array(points)


def _outer_faces(solids: Sequence[Solid]) -> list[Any]:
    """Return the faces of solids without those that two of them share."""
    from OCP.BRep import BRep_Builder
    from OCP.TopAbs import TopAbs_FACE, TopAbs_SOLID
    from OCP.TopExp import TopExp
    from OCP.TopoDS import TopoDS_Compound
    from OCP.TopTools import TopTools_IndexedDataMapOfShapeListOfShape

    build, whole = BRep_Builder(), TopoDS_Compound()
    build.MakeCompound(whole)
    for solid in solids:
        build.Add(whole, solid)
    owners = TopTools_IndexedDataMapOfShapeListOfShape()
    TopExp.MapShapesAndAncestors_s(whole, TopAbs_FACE, TopAbs_SOLID, owners)
    once = [owners.FindKey(k) for k in range(1, owners.Extent() + 1) if owners.FindFromIndex(k).Extent() == 1]
    return once


def _unify(solid: Solid) -> Solid:
    """Return a solid whose faces that lie on the same surface beside each other are one again."""
    from OCP.ShapeUpgrade import ShapeUpgrade_UnifySameDomain

    unify = ShapeUpgrade_UnifySameDomain(solid, True, True, False)
    unify.Build()
    return unify.Shape()


def _close(faces: Sequence[Any], what: str) -> Solid:
    """Return the solid bounded by faces that share their edges.

    Raises:
        KernelError: they do not close.
    """
    from OCP.BRep import BRep_Builder, BRep_Tool
    from OCP.TopoDS import TopoDS_Shell, TopoDS_Solid

    build, shell, solid = BRep_Builder(), TopoDS_Shell(), TopoDS_Solid()
    build.MakeShell(shell)
    for face in faces:
        build.Add(shell, face)
    if not BRep_Tool.IsClosed_s(shell):
        raise KernelError(f"the faces around the {what} do not close", what, "the solid is made another way")
    shell.Closed(True)
    build.MakeSolid(solid)
    build.Add(solid, shell)
    return solid


def _part_faces(solid: Solid, field: Surface) -> tuple[list[Any], list[Any]]:
    """Return the faces of a solid that lie on a height field, and the others."""
    from OCP.BRep import BRep_Tool
    from OCP.TopAbs import TopAbs_FACE
    from OCP.TopoDS import TopoDS

    poles = _read_poles(height_surface(field))
    on: list[Any] = []
    off: list[Any] = []
    for shape in _list_shapes(solid, TopAbs_FACE):
        face = TopoDS.Face_s(shape)
        found = _read_poles(BRep_Tool.Surface_s(face))
        same = found.shape == poles.shape and bool((np.abs(found - poles) < POLE_GRID).all())
        (on if same else off).append(face)
    return on, off


def _read_poles(surface: Any) -> Floats:
    """Return the poles (U, V, 3) of a spline, mm; none of other surfaces."""
    from OCP.Geom import Geom_BSplineSurface

    if not isinstance(surface, Geom_BSplineSurface):
        return np.zeros((0, 0, 3))
    rows, cols = range(1, surface.NbUPoles() + 1), range(1, surface.NbVPoles() + 1)
    return np.array([[surface.Pole(i, j).Coord() for j in cols] for i in rows])


def _list_shapes(shape: Any, kind: Any) -> list[Any]:
    from OCP.TopExp import TopExp_Explorer

    found, explorer = [], TopExp_Explorer(shape, kind)
    while explorer.More():
        found.append(explorer.Current())
        explorer.Next()
    return found


def find_bounds(solid: Solid) -> tuple[Floats, Floats]:
    """Return the least and the greatest coordinates of a solid, (3,), mm."""
    from OCP.Bnd import Bnd_Box
    from OCP.BRepBndLib import BRepBndLib

    box = Bnd_Box()
    BRepBndLib.AddOptimal_s(solid, box, False, False)
    ends = np.array(box.Get()).reshape(2, 3)
    return ends[0], ends[1]
