"""A solid seen along its axes, as lines: what is visible and what lies hidden, by the solid kernel.

The kernel's hidden-line removal on facets is used: a hundredth of a second a view, where that on the spline faces themselves
takes half a second and draws the same lines.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import radians
from typing import Any

import numpy as np

from mountgen.arrays import Floats
from mountgen.kernel import Mesh, Solid, tessellate
from mountgen.outline import chain_pieces

CHORD = 0.04  # mm by which a drawn line may leave its face
SMOOTH_DEG = 3.0  # degrees between two faces up to which their edge is no line of the drawing
COVERED = 0.05  # mm; a hidden line nearer than this to a visible one is not drawn
STRETCH = 3.0  # times the distance within which lines count as one: a piece that long has left a line that it only crosses
CRUMB = 2.5  # mm
SHORTEST = 0.3  # mm; shorter hidden lines are crumbs of noise
ASTRAY = 2.0  # mm an outline may run from where facets turn away from the viewer; that of a wavy flange strays by more than 0.3


@dataclass(frozen=True)
class Look:
    """One view. title; towards: from the part to the viewer; right: of the paper; both unit, part frame."""

    title: str
    towards: tuple[float, float, float]
    right: tuple[float, float, float]


# First angle: what is seen from above is drawn below, what is seen from the left at the right.
FRONT = Look("from the mouth", (0.0, 0.0, 1.0), (1.0, 0.0, 0.0))
ABOVE = Look("from 12 o'clock", (0.0, 1.0, 0.0), (1.0, 0.0, 0.0))
LEFT = Look("from 9 o'clock", (-1.0, 0.0, 0.0), (0.0, 0.0, 1.0))


@dataclass(frozen=True, eq=False)
class View:
    """A look at a solid. visible, hidden: polylines (K, 2), mm on paper; low, high: (2,) mm, corners of all of it."""

    look: Look
    visible: tuple[Floats, ...]
    hidden: tuple[Floats, ...]
    low: Floats
    high: Floats


def find_views(solid: Solid, looks: tuple[Look, ...] = (FRONT, LEFT, ABOVE)) -> tuple[View, ...]:
    """Find the lines of a solid as it is seen from several sides.

    Args:
        solid: mm, part frame.
        looks: from where.

    Returns:
        A view each: sharp edges and outlines; edges between faces that run smoothly into each other are left out.

    Raises:
        KernelError: a face cannot be meshed.
    """
    solid = _copy_smooth(solid)
    mesh = tessellate(solid, chord=CHORD)
    views = []
    for look in looks:
        towards, right = np.array(look.towards), np.array(look.right)
        flat = mesh.vertices @ np.array([right, np.cross(towards, right)]).T
        edges, outlines, hidden_edges, hidden_outlines = _hide(solid, look)
        turns = _find_turns(mesh, towards, flat)
        outlines, hidden_outlines = (drop_astray(lines, turns, within=ASTRAY) for lines in (outlines, hidden_outlines))
        views.append(View(look, *_tidy(edges, outlines, hidden_edges, hidden_outlines), flat.min(axis=0), flat.max(axis=0)))
    return tuple(views)


def drop_covered(lines: Sequence[Floats], over: Sequence[Floats], *, within: float) -> tuple[Floats, ...]:
    """Return lines without the stretches that run along others; what only crosses those or ends at them is kept whole.

    Args:
        lines: polylines (K, 2), mm.
        over: those that cover them.
        within: mm.
    """
    import shapely

    if not lines or not over:
        return tuple(lines)
    cover = shapely.union_all([shapely.LineString(line) for line in over])
    shapely.prepare(cover)
    fine = (shapely.get_coordinates(shapely.segmentize(shapely.LineString(line), STRETCH * within)) for line in lines)
    pieces = np.concatenate([np.stack([line[:-1], line[1:]], axis=1) for line in fine])
    near = shapely.dwithin(shapely.points(pieces.reshape(-1, 2)), cover, within).reshape(-1, 2)
    left = shapely.simplify(shapely.line_merge(shapely.union_all(shapely.linestrings(pieces[~near.all(axis=1)]))), 1e-3)
    return tuple(shapely.get_coordinates(line) for line in shapely.get_parts(left) if line.length >= SHORTEST)


def drop_astray(outlines: Floats, turns: Floats, *, within: float) -> Floats:
    """Return outlines without those that run where nothing turns away from the viewer.

    Args:
        outlines: straight pieces (N, 2, 2), mm. The kernel has drawn some right across a plane face.
        turns: edges between facets of which one is seen and one is not, (M, 2, 2), mm.
        within: mm that a piece may lie from the nearest of those, at its ends, its middle and halfway between.
    """
    import shapely

    if not len(outlines) or not len(turns):
        return outlines[:0]
    share = np.linspace(0.0, 1.0, 5)[:, None]
    spots = outlines[:, None, 0] + share * (outlines[:, None, 1] - outlines[:, None, 0])
    tree = shapely.STRtree(shapely.linestrings(turns))
    near = np.zeros(spots.shape[:2], dtype=np.bool_)
    near.flat[tree.query_nearest(shapely.points(spots.reshape(-1, 2)), max_distance=within, all_matches=False)[0]] = True
    return np.asarray(outlines[near.all(axis=1)], dtype=np.float64)


def _find_turns(mesh: Mesh, towards: Floats, flat: Floats) -> Floats:
    """Return the edges, (M, 2, 2) mm in the view, between a facet that looks to the viewer and one that does not."""
    facing = np.cross(*np.diff(mesh.vertices[mesh.faces], axis=1).transpose(1, 0, 2)) @ towards > 0.0
    edges = mesh.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    owner = np.repeat(facing, 3)
    _, first, inverse, count = np.unique(
        np.sort(edges, axis=1), axis=0, return_index=True, return_inverse=True, return_counts=True
    )
    seen = np.bincount(inverse.ravel(), weights=owner, minlength=len(first))
    return np.asarray(flat[edges[first[(seen > 0) & (seen < count)]]], dtype=np.float64)


def _copy_smooth(solid: Solid) -> Solid:
    """Return a copy in which every edge says whether the faces run smoothly into each other there."""
    from OCP.BRepBuilderAPI import BRepBuilderAPI_Copy
    from OCP.BRepLib import BRepLib

    copy = BRepBuilderAPI_Copy(solid, True, False).Shape()
    BRepLib.EncodeRegularity_s(copy, radians(SMOOTH_DEG))
    return copy


def _hide(solid: Solid, look: Look) -> tuple[Floats, Floats, Floats, Floats]:
    """Return the straight pieces of edges and of outlines that are seen, then of those that are not, (N, 2, 2) mm each."""
    from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt
    from OCP.HLRAlgo import HLRAlgo_Projector
    from OCP.HLRBRep import HLRBRep_PolyAlgo, HLRBRep_PolyHLRToShape

    hider = HLRBRep_PolyAlgo()
    hider.Load(solid)
    hider.Projector(HLRAlgo_Projector(gp_Ax2(gp_Pnt(0.0, 0.0, 0.0), gp_Dir(*look.towards), gp_Dir(*look.right))))
    hider.Update()
    found = HLRBRep_PolyHLRToShape()
    found.Update(hider)
    shapes = (found.VCompound(), found.OutLineVCompound(), found.HCompound(), found.OutLineHCompound())
    first, second, third, fourth = (_pieces(shape) for shape in shapes)
    return first, second, third, fourth


def _pieces(shape: Any) -> Floats:
    """Return the straight edges of a compound as pieces (N, 2, 2)."""
    from OCP.BRep import BRep_Tool
    from OCP.TopAbs import TopAbs_EDGE
    from OCP.TopExp import TopExp, TopExp_Explorer
    from OCP.TopoDS import TopoDS

    ends = []
    if shape is not None and not shape.IsNull():
        explorer = TopExp_Explorer(shape, TopAbs_EDGE)
        while explorer.More():
            edge = TopoDS.Edge_s(explorer.Current())
            points = (BRep_Tool.Pnt_s(corner) for corner in (TopExp.FirstVertex_s(edge), TopExp.LastVertex_s(edge)))
            ends.append([(point.X(), point.Y()) for point in points])
            explorer.Next()
    return np.array(ends, dtype=np.float64).reshape(-1, 2, 2)


def _tidy(
    edges: Floats, outlines: Floats, hidden_edges: Floats, hidden_outlines: Floats
) -> tuple[tuple[Floats, ...], tuple[Floats, ...]]:
    """Return both as polylines, each line once, and of the hidden ones what no visible one covers.

    Outlines shorter than CRUMB that join nothing are folds of a noisy surface, and left out unless on the view's border.
    """
    import shapely

    seen, folds, back, hidden_folds = (
        shapely.union_all(shapely.linestrings(np.round(pieces, 3)))
        for pieces in (edges, outlines, hidden_edges, hidden_outlines)
    )
    border = _find_outline(shapely.union_all([seen, folds]), shapely.union_all([back, hidden_folds]))
    front = shapely.union_all([seen, _drop_crumbs(folds)])
    back = shapely.union_all([back, _drop_crumbs(hidden_folds)])
    if border is not None:  # nothing can hide it, whatever the facets of a wavy surface say
        front = shapely.union_all([front, *(border.intersection(lines) for lines in (folds, back, hidden_folds))])
    left = shapely.line_merge(back.difference(front.buffer(COVERED)))
    lines = (shapely.get_coordinates(line) for line in shapely.get_parts(shapely.simplify(left, CHORD)))
    longer = (line for line in lines if np.linalg.norm(np.diff(line, axis=0), axis=1).sum() >= SHORTEST)
    return chain_pieces(_split(front)), tuple(longer)


def _drop_crumbs(lines: Any) -> Any:
    import shapely

    parts = shapely.get_parts(shapely.line_merge(lines))
    return shapely.union_all(parts[shapely.length(parts) >= CRUMB])


def _find_outline(front: Any, back: Any) -> Any | None:
    """Return the outer border of all that lines enclose; None where they enclose nothing."""
    import shapely

    cells = shapely.get_parts(shapely.polygonize(shapely.get_parts(shapely.union_all([front, back])).tolist()))
    whole = shapely.union_all(cells) if len(cells) else None
    if whole is None or whole.is_empty:
        return None
    return shapely.MultiLineString([shapely.get_exterior_ring(part) for part in shapely.get_parts(whole)])


def _split(lines: Any) -> Floats:
    """Return lines as their straight pieces (N, 2, 2)."""
    import shapely

    parts = [shapely.get_coordinates(line) for line in shapely.get_parts(lines)]
    pieces = [np.stack([part[:-1], part[1:]], axis=1) for part in parts]
    return np.concatenate(pieces) if pieces else np.zeros((0, 2, 2))
