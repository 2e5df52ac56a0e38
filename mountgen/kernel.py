"""The solid kernel (OCCT through OCP) behind a few functions with our units and errors. Only modules from `loft.py` on use it.

OCP is imported directly: `import cadquery` costs twice as much start-up time (it loads a renderer) and nothing here needs it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from mountgen.arrays import Floats, Ints, freeze
from mountgen.bounded import has_threads, run_bounded, suggest_change
from mountgen.errors import KernelError
from mountgen.patch import Patch, read_patches
from mountgen.slit import close_slits
from mountgen.spline import DEGREE, Axis, Surface

NO_AREA = 1e-9  # mm², twice the least area of a facet
CHORD = 0.02  # mm; largest distance between a facet and the surface it stands for
FINER = 0.75  # of the chord asked for, where the mesher fails at that
FACET_ANGLE = 0.5  # radians between neighbouring facets
SEAM = 1.0e-4  # mm; edges closer than this are sewn
TRIM = 3.0e-3  # mm; how well the given edges lie on their faces
POLE_GRID = 1.0e-6  # mm; poles are rounded to this, which shortens a STEP file by a third

Solid = Any  # TopoDS_Shape; OCP has no type information
_found_valid: list[Solid] = []


@dataclass(frozen=True, eq=False)
class Mesh:
    """A triangle mesh in the part frame. vertices: (V, 3) float64, mm; faces: (F, 3) int32, normals outwards."""

    vertices: Floats
    faces: Ints

    def __post_init__(self) -> None:
        freeze(self, "vertices", "float64")
        freeze(self, "faces", "int32")


@dataclass(frozen=True, eq=False)
class Body:
    """One closed solid in the part frame and its tessellation.

    solid   : TopoDS_Shape holding exactly one solid.
    mesh    : its tessellation (chord error <= 0.02 mm).
    faceted : True where the smooth faces could not be made and the solid is made of facets.
    """

    solid: Solid
    mesh: Mesh
    faceted: bool = False
    notes: tuple[str, ...] = ()


def _poles(poles: Floats) -> Any:
    from OCP.gp import gp_Pnt
    from OCP.TColgp import TColgp_Array2OfPnt

    rows, cols, _ = poles.shape
    array = TColgp_Array2OfPnt(1, rows, 1, cols)
    rounded = np.round(poles / POLE_GRID) * POLE_GRID
    for i in range(rows):
        for j in range(cols):
            x, y, z = (float(f"{c:.6f}") for c in rounded[i, j])
            array.SetValue(i + 1, j + 1, gp_Pnt(x, y, z))
    return array


def _knots(axis: Axis) -> tuple[Any, Any]:
    from OCP.TColStd import TColStd_Array1OfInteger, TColStd_Array1OfReal

    count = len(axis.breaks)
    knots, mults = TColStd_Array1OfReal(1, count), TColStd_Array1OfInteger(1, count)
    for i, value in enumerate(axis.breaks):
        knots.SetValue(i + 1, float(value))
        mults.SetValue(i + 1, 1)
    if not axis.periodic:
        mults.SetValue(1, DEGREE + 1)
        mults.SetValue(count, DEGREE + 1)
    return knots, mults


def spline_surface(surface: Surface) -> Any:
    """Return the kernel's surface of a bicubic surface in space (poles (U, V, 3), mm); u may be periodic."""
    from OCP.Geom import Geom_BSplineSurface

    u_knots, u_mults = _knots(surface.u)
    v_knots, v_mults = _knots(surface.v)
    return Geom_BSplineSurface(
        _poles(surface.poles), u_knots, v_knots, u_mults, v_mults, DEGREE, DEGREE, surface.u.periodic, False
    )


def read_spline(face: Any) -> Surface | None:
    """Return the bicubic surface that a face lies on, mm; None where it is of another kind or has been moved.

    It answers for many points at once what the kernel answers for one after the other.
    """
    from OCP.BRep import BRep_Tool
    from OCP.Geom import Geom_BSplineSurface
    from OCP.TopLoc import TopLoc_Location

    place = TopLoc_Location()
    kept = BRep_Tool.Surface_s(face, place)
    if not isinstance(kept, Geom_BSplineSurface) or not place.IsIdentity() or kept.IsURational() or kept.IsVRational():
        return None
    axes = []
    for degree, count, knot, times, periodic in (
        (kept.UDegree(), kept.NbUKnots(), kept.UKnot, kept.UMultiplicity, kept.IsUPeriodic()),
        (kept.VDegree(), kept.NbVKnots(), kept.VKnot, kept.VMultiplicity, kept.IsVPeriodic()),
    ):
        ends = [times(1), times(count)]
        if degree != DEGREE or any(times(k) != 1 for k in range(2, count)) or ends != [1 if periodic else DEGREE + 1] * 2:
            return None
        axes.append(Axis(np.array([knot(k) for k in range(1, count + 1)]), periodic))
    rows, cols = range(1, kept.NbUPoles() + 1), range(1, kept.NbVPoles() + 1)
    return Surface(axes[0], axes[1], np.array([[kept.Pole(i, j).Coord() for j in cols] for i in rows]))


def height_surface(field: Surface) -> Any:
    """Return the kernel's surface of a height field z(x, y) whose parameters are x and y in mm (poles (U, V, 1))."""
    x, y = _greville(field.u), _greville(field.v)
    poles = np.empty((*field.poles.shape[:2], 3))
    poles[..., 0], poles[..., 1], poles[..., 2] = x[:, None], y[None, :], field.poles[..., 0]
    return spline_surface(Surface(field.u, field.v, poles))


def _greville(axis: Axis) -> Floats:
    """Return the pole abscissae at which a clamped spline reproduces its own parameter."""
    knots = np.concatenate([np.full(DEGREE, axis.breaks[0]), axis.breaks, np.full(DEGREE, axis.breaks[-1])])
    return np.array([knots[i + 1 : i + 1 + DEGREE].mean() for i in range(axis.poles)])


def _sew(faces: Sequence[Any], what: str) -> Solid:
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeSolid, BRepBuilderAPI_Sewing
    from OCP.BRepLib import BRepLib
    from OCP.TopAbs import TopAbs_SHELL
    from OCP.TopExp import TopExp_Explorer
    from OCP.TopoDS import TopoDS

    sewing = BRepBuilderAPI_Sewing(SEAM)
    for face in faces:
        sewing.Add(face)
    sewing.Perform()
    explorer = TopExp_Explorer(sewing.SewedShape(), TopAbs_SHELL)
    if not explorer.More():
        raise KernelError(f"the faces of the {what} do not close", what, "this is a fault of mountgen: report it with the scan")
    solid = BRepBuilderAPI_MakeSolid(TopoDS.Shell_s(explorer.Current())).Solid()
    BRepLib.OrientClosedSolid_s(solid)
    return solid


def _edge_wire(curves: Sequence[Any]) -> Any:
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeEdge, BRepBuilderAPI_MakeWire

    wire = BRepBuilderAPI_MakeWire()
    for curve in curves:
        wire.Add(BRepBuilderAPI_MakeEdge(curve).Edge())
    return wire.Wire()


def loft_solid(surface: Surface) -> Solid:
    """Return the solid bounded by a tube (u periodic, v up, each v-line in a plane z = const) and two plane caps."""
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace
    from OCP.gp import gp_Dir, gp_Pln, gp_Pnt

    tube = spline_surface(surface)
    low, high = surface.v.breaks[0], surface.v.breaks[-1]
    faces = [BRepBuilderAPI_MakeFace(tube, SEAM).Face()]
    for end in (low, high):
        curve = tube.VIso(float(end))
        z = curve.Value(curve.FirstParameter()).Z()
        faces.append(BRepBuilderAPI_MakeFace(gp_Pln(gp_Pnt(0, 0, z), gp_Dir(0, 0, 1)), _edge_wire([curve])).Face())
    return _sew(faces, "wall loft")


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


def closed_tube(tube: Surface, bottom: TubeEnd, top: TubeEnd) -> Solid:
    """Return the solid inside a tube (u periodic and counter-clockwise, v upwards) between two height fields that trim it.

    The edges are given, so nothing is intersected: three faces, three edges, two vertices.

    Raises:
        KernelError: the solid does not check as valid.
    """
    from OCP.BRep import BRep_Builder
    from OCP.Geom2d import Geom2d_Line
    from OCP.gp import gp_Dir2d, gp_Pnt, gp_Pnt2d
    from OCP.TopLoc import TopLoc_Location
    from OCP.TopoDS import TopoDS_Edge, TopoDS_Face, TopoDS_Shell, TopoDS_Solid, TopoDS_Vertex, TopoDS_Wire

    build, here = BRep_Builder(), TopLoc_Location()
    wall = spline_surface(tube)
    wall_face = TopoDS_Face()
    build.MakeFace(wall_face, wall, SEAM)
    vertices, rings, caps = [], [], []
    for end in (bottom, top):
        vertex = TopoDS_Vertex()
        build.MakeVertex(vertex, gp_Pnt(*(float(c) for c in end.space[0])), TRIM)
        edge = TopoDS_Edge()
        build.MakeEdge(edge, _curve(end.axis, end.space), TRIM)
        cap_surface = height_surface(end.field)
        build.UpdateEdge(edge, _curve(end.axis, end.wall), wall, here, TRIM)
        build.UpdateEdge(edge, _curve(end.axis, end.plan), cap_surface, here, TRIM)
        build.Add(edge, vertex.Oriented(_forward(True)))
        build.Add(edge, vertex.Oriented(_forward(False)))
        build.Range(edge, float(end.axis.breaks[0]), float(end.axis.breaks[-1]))
        cap = TopoDS_Face()
        build.MakeFace(cap, cap_surface, SEAM)
        ring = TopoDS_Wire()
        build.MakeWire(ring)
        build.Add(ring, edge)
        ring.Closed(True)
        build.Add(cap, ring)
        vertices.append(vertex)
        rings.append(edge)
        caps.append(cap)
    u0, u1 = float(tube.u.breaks[0]), float(tube.u.breaks[-1])
    v0, v1 = float(bottom.wall[0, 1]), float(top.wall[0, 1])
    seam = TopoDS_Edge()
    build.MakeEdge(seam, wall.UIso(u0), TRIM)
    build.UpdateEdge(
        seam, Geom2d_Line(gp_Pnt2d(u1, 0.0), gp_Dir2d(0, 1)), Geom2d_Line(gp_Pnt2d(u0, 0.0), gp_Dir2d(0, 1)), wall, here, TRIM
    )
    build.Add(seam, vertices[0].Oriented(_forward(True)))
    build.Add(seam, vertices[1].Oriented(_forward(False)))
    build.Range(seam, v0, v1)
    loop = TopoDS_Wire()
    build.MakeWire(loop)
    for part in (rings[0], seam, rings[1].Reversed(), seam.Reversed()):
        build.Add(loop, part)
    loop.Closed(True)
    build.Add(wall_face, loop)
    shell, solid = TopoDS_Shell(), TopoDS_Solid()
    build.MakeShell(shell)
    for face in (wall_face, caps[0].Reversed(), caps[1]):
        build.Add(shell, face)
    shell.Closed(True)
    _settle_edges(shell)
    build.MakeSolid(solid)
    build.Add(solid, shell)
    _require_valid(solid, [(bottom, top)], caps)
    return solid


def _require_valid(solid: Solid, sleeves: Sequence[tuple[TubeEnd, TubeEnd]], caps: Sequence[Any]) -> None:
    """Make sure that tubes between given ends, closed by caps, bound a valid solid.

    A tube is trimmed by two curves over its own u, so its outline is simple exactly where the lower runs below the upper. That
    takes no time; the kernel, which knows nothing of this, intersects the two curves piece by piece and takes longer than for
    all else that is checked here.

    Raises:
        KernelError: they do not.
    """
    from OCP.BRepCheck import BRepCheck_Analyzer

    for low, high in sleeves:
        at = np.unique(np.concatenate([low.axis.breaks, high.axis.breaks]))
        at = np.concatenate([at, 0.5 * (at[:-1] + at[1:])])
        if (_heights(high, at) < _heights(low, at) + TRIM).any():
            raise KernelError("one end of the wall crosses the other", "body", "the solid is made another way")
    if not BRepCheck_Analyzer(solid, False).IsValid() or not all(BRepCheck_Analyzer(cap, True).IsValid() for cap in caps):
        raise KernelError("wall, floor and lid do not make a valid solid", "body", "the solid is made another way")
    _found_valid[:] = [solid]


def _heights(end: TubeEnd, at: Floats) -> Floats:
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
    for i, pole in enumerate(poles):
        array.SetValue(i + 1, (gp_Pnt2d if flat else gp_Pnt)(*(float(c) for c in pole)))
    knots, mults = _knots(axis)
    return (Geom2d_BSplineCurve if flat else Geom_BSplineCurve)(array, knots, mults, DEGREE)


def prism_solid(bottom: Surface, height: float) -> Solid:
    """Return the solid swept upwards (downwards where negative) by `height` mm from a height field over its rectangle of x, y."""
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace
    from OCP.BRepPrimAPI import BRepPrimAPI_MakePrism
    from OCP.gp import gp_Vec

    face = BRepBuilderAPI_MakeFace(height_surface(bottom), SEAM).Face()
    return BRepPrimAPI_MakePrism(face, gp_Vec(0.0, 0.0, height)).Shape()


def combine(first: Solid, second: Solid, how: str, *, what: str, fuzzy: float = 0.0) -> Solid:
    """Return the union ("fuse"), difference ("cut") or intersection ("common") of two solids, checked.

    Args:
        first, second: solids, mm.
        how: "fuse", "cut" or "common".
        what: the feature's name, for the error.
        fuzzy: extra tolerance, mm.

    Raises:
        KernelError: the kernel refuses, or its result is empty, invalid or in several pieces.
    """
    from OCP.BRepAlgoAPI import BRepAlgoAPI_Common, BRepAlgoAPI_Cut, BRepAlgoAPI_Fuse
    from OCP.TopTools import TopTools_ListOfShape

    operation = {"fuse": BRepAlgoAPI_Fuse, "cut": BRepAlgoAPI_Cut, "common": BRepAlgoAPI_Common}[how]()
    arguments, tools = TopTools_ListOfShape(), TopTools_ListOfShape()
    arguments.Append(first)
    tools.Append(second)
    operation.SetArguments(arguments)
    operation.SetTools(tools)
    operation.SetNonDestructive(True)  # what goes in may be used again
    if fuzzy:
        operation.SetFuzzyValue(fuzzy)
    return run_bounded(lambda: build_boolean(operation, how, what), first, what=what)


def build_boolean(operation: Any, how: str, what: str) -> Solid:
    """Return the result of a boolean whose arguments and tools are set; arguments and errors as for `combine`."""
    operation.SetRunParallel(has_threads())
    operation.Build()
    if not operation.IsDone():
        raise KernelError(f"the solid kernel refused to {how} the {what}", what, suggest_change(what))
    return operation.Shape()


def solids_of(shape: Solid) -> list[Solid]:
    """Return the solids in a shape."""
    from OCP.TopAbs import TopAbs_SOLID
    from OCP.TopExp import TopExp_Explorer

    found, explorer = [], TopExp_Explorer(shape, TopAbs_SOLID)
    while explorer.More():
        found.append(explorer.Current())
        explorer.Next()
    return found


def count_faces(shape: Solid) -> int:
    """Return the number of faces of a shape."""
    from OCP.TopAbs import TopAbs_FACE
    from OCP.TopExp import TopExp
    from OCP.TopTools import TopTools_IndexedMapOfShape

    faces = TopTools_IndexedMapOfShape()
    TopExp.MapShapes_s(shape, TopAbs_FACE, faces)
    return int(faces.Extent())


def is_valid(shape: Solid) -> bool:
    """Return the kernel's own verdict on a shape's geometry and topology.

    The shape last found valid is remembered: a step that makes sure of what the step before has checked costs nothing. That
    holds because no solid is changed in place once it is made.
    """
    from OCP.BRepCheck import BRepCheck_Analyzer

    if _found_valid and _found_valid[0].IsSame(shape):
        return True
    valid = bool(BRepCheck_Analyzer(shape, True).IsValid())
    if valid:
        _found_valid[:] = [shape]
    return valid


def tessellate(shape: Solid, *, chord: float = CHORD) -> Mesh:
    """Return the shape's triangles, welded across edges.

    Args:
        shape: one solid, mm.
        chord: largest distance between a facet and its surface, mm.

    Raises:
        KernelError: a face cannot be meshed.
    """
    from OCP.BRepTools import BRepTools
    from OCP.IMeshTools import IMeshTools_MeshAlgoType

    mesh = Mesh(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int32))
    quick, usual = (
        IMeshTools_MeshAlgoType.IMeshTools_MeshAlgoType_Delabella, IMeshTools_MeshAlgoType.IMeshTools_MeshAlgoType_Watson
    )
    # the first is three times as quick; should it fail on a face or leave a gap, the kernel's usual way is taken; and both fail
    # on some faces at one chord that they do well at another
    ways = ((quick, chord), (usual, chord), (quick, FINER * chord), (usual, FINER * chord))
    for way, sag in ways:
        BRepTools.Clean_s(shape)
        mesh_shape(shape, chord=sag, way=way)
        try:
            mesh = _weld(read_patches(shape))
        except KernelError:
            if (way, sag) == ways[-1]:
                raise
            continue
        if _is_closed(mesh.faces):
            return mesh
    return Mesh(mesh.vertices, close_slits(mesh.vertices, mesh.faces))


def mesh_shape(shape: Solid, *, chord: float = CHORD, way: Any = None) -> None:
    """Make the kernel put triangles on a shape's faces, where there are none yet."""
    from OCP.BRepMesh import BRepMesh_IncrementalMesh
    from OCP.IMeshTools import IMeshTools_Parameters

    how = IMeshTools_Parameters()
    how.Deflection, how.Angle, how.InParallel = chord, FACET_ANGLE, has_threads()
    how.ForceFaceDeflection = True  # or a face is meshed as coarsely as the loosest of its edges lies on it
    if way is not None:
        how.MeshAlgo = way
    BRepMesh_IncrementalMesh(shape, how)


def _weld(patches: Sequence[Patch]) -> Mesh:
    """Return the triangles of all faces as one mesh; corners that agree to 1e-6 mm are one."""
    starts = np.cumsum([0] + [len(patch.corners) for patch in patches[:-1]])
    triangles = np.vstack([
        (patch.triangles[:, ::-1] if patch.reversed else patch.triangles) + start
        for patch, start in zip(patches, starts, strict=True)
    ])
    corners = np.round(np.vstack([patch.corners for patch in patches]), 6)
    order = np.lexsort(corners.T[::-1])
    first = np.ones(len(corners), dtype=np.bool_)
    first[1:] = (corners[order[1:]] != corners[order[:-1]]).any(axis=1)
    index = np.empty(len(corners), dtype=np.int32)
    index[order] = np.cumsum(first) - 1
    faces = index[triangles]
    keep = (faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])
    return Mesh(corners[order[first]].astype(np.float64), faces[keep])


def _is_closed(faces: Ints) -> bool:
    """Return whether every edge is used once in each direction."""
    start, stop = faces.astype(np.int64).ravel(), np.roll(faces, -1, axis=1).astype(np.int64).ravel()
    size = int(faces.max(initial=0)) + 1
    forward, backward = np.sort(start * size + stop), np.sort(stop * size + start)
    return bool((forward[1:] != forward[:-1]).all() and np.array_equal(forward, backward))


def solid_of_mesh(mesh: Mesh) -> Solid:
    """Return the solid whose faces are a closed mesh's triangles: every vertex and edge made once, nothing sewn.

    Raises:
        KernelError: the triangles do not close, or one has no area.
    """
    from OCP.BRep import BRep_Builder
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeEdge, BRepBuilderAPI_MakeFace, BRepBuilderAPI_MakeVertex
    from OCP.gp import gp_Dir, gp_Pln, gp_Pnt
    from OCP.TopoDS import TopoDS_Shell, TopoDS_Solid, TopoDS_Wire

    what = "faceted body"
    faces = np.asarray(mesh.faces)
    if not len(faces) or not _is_closed(faces):
        raise KernelError("the facets do not close", what, "this is a fault of mountgen: report it with the scan")
    corners = mesh.vertices[faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    if (np.linalg.norm(normals, axis=1) < NO_AREA).any():
        raise KernelError("a facet has no area", what, "this is a fault of mountgen: report it with the scan")
    build = BRep_Builder()
    points = [gp_Pnt(*corner) for corner in mesh.vertices.tolist()]
    ends = [BRepBuilderAPI_MakeVertex(point).Vertex() for point in points]
    edges: dict[tuple[int, int], Any] = {}
    shell = TopoDS_Shell()
    build.MakeShell(shell)
    for triangle, normal in zip(faces.tolist(), normals.tolist(), strict=True):
        wire = TopoDS_Wire()
        build.MakeWire(wire)
        for a, b in ((triangle[0], triangle[1]), (triangle[1], triangle[2]), (triangle[2], triangle[0])):
            key = (min(a, b), max(a, b))
            if key not in edges:
                edges[key] = BRepBuilderAPI_MakeEdge(ends[key[0]], ends[key[1]]).Edge()
            build.Add(wire, edges[key] if a < b else edges[key].Reversed())
        wire.Closed(True)
        build.Add(shell, BRepBuilderAPI_MakeFace(gp_Pln(points[triangle[0]], gp_Dir(*normal)), wire).Face())
    shell.Closed(True)
    solid = TopoDS_Solid()
    build.MakeSolid(solid)
    build.Add(solid, shell)
    return solid


def mesh_volume(mesh: Mesh) -> float:
    """Return the volume inside a closed mesh, mm³ (divergence theorem)."""
    a, b, c = (mesh.vertices[mesh.faces[:, k]] for k in range(3))
    return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6.0)


def sew_faces(faces: Sequence[Any], what: str) -> Solid:
    """Return the solid whose faces are given, with edges that lie on each other; `what` names it in the error.

    Raises:
        KernelError: the faces do not close.
    """
    return _sew(faces, what)


@lru_cache(maxsize=2)
def divide_around(solid: Solid, parts: int = 16) -> Solid:
    """Return the solid with every face that closes on itself (the wall) divided into parts along its own parameter lines.

    A boolean works through whole faces, however small the tool: with small tools a divided wall is about five times quicker.
    Where the result does not check as valid the solid is returned as it was.
    """
    from OCP.ShapeFix import ShapeFix_Shape
    from OCP.ShapeUpgrade import ShapeUpgrade_ShapeDivideClosed

    divide = ShapeUpgrade_ShapeDivideClosed(solid)
    divide.SetNbSplitPoints(parts - 1)
    divide.Perform()
    divided = divide.Result()
    if not is_valid(divided):  # its tolerances are those of the whole edges
        mend = ShapeFix_Shape(divided)
        mend.Perform()
        divided = mend.Shape()
    return divided if len(solids_of(divided)) == 1 and is_valid(divided) else solid


@dataclass(frozen=True, eq=False)
class Sleeve:
    """A tube trimmed by two height fields, as one face of a solid. inside: the solid lies outside the tube."""

    tube: Surface
    low: TubeEnd
    high: TubeEnd
    inside: bool = False


@dataclass(frozen=True, eq=False)
class Cap:
    """A height field trimmed by the ends of sleeves: a face of a solid that lies below it, or above if not `up`.

    outer: its outline; holes: ends that leave holes in it, none within or across another.
    """

    outer: TubeEnd
    holes: tuple[TubeEnd, ...] = ()
    up: bool = True


def stack_tubes(sleeves: Sequence[Sleeve], caps: Sequence[Cap]) -> Solid:
    """Return the solid bounded by sleeves and caps. Every end belongs to one sleeve and one cap, so nothing is intersected.

    Raises:
        KernelError: the solid does not check as valid.
    """
    from OCP.BRep import BRep_Builder
    from OCP.Geom2d import Geom2d_Line
    from OCP.gp import gp_Dir2d, gp_Pnt, gp_Pnt2d
    from OCP.TopLoc import TopLoc_Location
    from OCP.TopoDS import TopoDS_Edge, TopoDS_Face, TopoDS_Shell, TopoDS_Solid, TopoDS_Vertex, TopoDS_Wire

    build, here = BRep_Builder(), TopLoc_Location()
    grounds = {id(cap.outer.field): height_surface(cap.outer.field) for cap in caps}
    rings: dict[int, Any] = {}
    shell, solid = TopoDS_Shell(), TopoDS_Solid()
    build.MakeShell(shell)
    for sleeve in sleeves:
        wall, face, ends = spline_surface(sleeve.tube), TopoDS_Face(), []
        build.MakeFace(face, wall, SEAM)
        for end in (sleeve.low, sleeve.high):
            vertex, edge = TopoDS_Vertex(), TopoDS_Edge()
            build.MakeVertex(vertex, gp_Pnt(*(float(c) for c in end.space[0])), TRIM)
            build.MakeEdge(edge, _curve(end.axis, end.space), TRIM)
            build.UpdateEdge(edge, _curve(end.axis, end.wall), wall, here, TRIM)
            build.UpdateEdge(edge, _curve(end.axis, end.plan), grounds[id(end.field)], here, TRIM)
            build.Add(edge, vertex.Oriented(_forward(True)))
            build.Add(edge, vertex.Oriented(_forward(False)))
            build.Range(edge, float(end.axis.breaks[0]), float(end.axis.breaks[-1]))
            rings[id(end)] = edge
            ends.append((vertex, edge))
        (foot, low), (brow, high) = ends
        u0, u1 = float(sleeve.tube.u.breaks[0]), float(sleeve.tube.u.breaks[-1])
        seam, loop = TopoDS_Edge(), TopoDS_Wire()
        build.MakeEdge(seam, wall.UIso(u0), TRIM)
        sides = (Geom2d_Line(gp_Pnt2d(u, 0.0), gp_Dir2d(0, 1)) for u in (u1, u0))
        build.UpdateEdge(seam, *sides, wall, here, TRIM)
        build.Add(seam, foot.Oriented(_forward(True)))
        build.Add(seam, brow.Oriented(_forward(False)))
        build.Range(seam, float(sleeve.low.wall[0, 1]), float(sleeve.high.wall[0, 1]))
        build.MakeWire(loop)
        for part in (low, seam, high.Reversed(), seam.Reversed()):
            build.Add(loop, part)
        loop.Closed(True)
        build.Add(face, loop)
        build.Add(shell, face.Reversed() if sleeve.inside else face)
    covers = []
    for cap in caps:
        face = TopoDS_Face()
        build.MakeFace(face, grounds[id(cap.outer.field)], SEAM)
        for end in (cap.outer, *cap.holes):
            ring = TopoDS_Wire()
            build.MakeWire(ring)
            build.Add(ring, rings[id(end)] if end is cap.outer else rings[id(end)].Reversed())
            ring.Closed(True)
            build.Add(face, ring)
        build.Add(shell, face if cap.up else face.Reversed())
        covers.append(face)
    shell.Closed(True)
    _settle_edges(shell)
    build.MakeSolid(solid)
    build.Add(solid, shell)
    _require_valid(solid, [(sleeve.low, sleeve.high) for sleeve in sleeves], covers)
    return solid
