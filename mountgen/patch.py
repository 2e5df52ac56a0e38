"""The triangles that the solid kernel keeps on the faces of a shape, as arrays. A leaf.

The binding hands out one node and one triangle at a time, which takes longer than making them. The kernel's own binary
format holds the same numbers in one block, so they are written in it to memory and read from there.

References:
    Open CASCADE Technology, BinTools_ShapeSet (version 4 of the format): each triangulation is its numbers of nodes and
    triangles (int32), whether it has parameters and normals (one byte each), its deflection (float64), x, y, z of the
    nodes, u, v of the nodes, and three nodes counted from 1 (int32) a triangle; all little-endian.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from io import BytesIO
from typing import Any

import numpy as np

from mountgen.arrays import Floats, Ints
from mountgen.errors import KernelError
from mountgen.spline import DEGREE, Axis, Surface

HAIR = 0.02  # mm; a face less wide than this is as thin as a hair
_TABLE = b"\nTriangulations "
_HEAD = struct.Struct("<ii??d")


@dataclass(frozen=True, eq=False)
class Patch:
    """The triangles on one face.

    face       : TopoDS_Face.
    corners    : (V, 3) float64, mm.
    parameters : (V, 2) float64, of the corners on the face's surface.
    triangles  : (F, 3) int32, in the order in which the surface runs: clockwise seen from outside where `reversed`.
    spline     : what the face lies on, where it is of the kind that our own loops evaluate and has been read.
    """

    face: Any
    corners: Floats
    parameters: Floats
    triangles: Ints
    reversed: bool
    spline: Surface | None = None


def read_patches(shape: Any) -> list[Patch]:
    """Return the triangles on each face of a shape, in the order of its faces.

    Args:
        shape: TopoDS_Shape that has been meshed.

    Returns:
        list[Patch]: one a face, but for faces as thin as a hair that have none.

    Raises:
        KernelError: another face has no triangles, or they cannot be read.
    """
    from OCP.BinTools import BinTools, BinTools_FormatVersion
    from OCP.BRep import BRep_Builder, BRep_Tool
    from OCP.TopAbs import TopAbs_FACE, TopAbs_REVERSED
    from OCP.TopExp import TopExp_Explorer
    from OCP.TopLoc import TopLoc_Location
    from OCP.TopoDS import TopoDS, TopoDS_Compound, TopoDS_Face

    build, carriers = BRep_Builder(), TopoDS_Compound()
    build.MakeCompound(carriers)
    faces, places = [], []
    explorer = TopExp_Explorer(shape, TopAbs_FACE)
    while explorer.More():
        face, location = TopoDS.Face_s(explorer.Current()), TopLoc_Location()
        kept = BRep_Tool.Triangulation_s(face, location)
        if kept is None or not kept.NbTriangles():
            if _measure_width(face) < HAIR:
                explorer.Next()
                continue  # the slit it leaves in the mesh is closed by `slit`
            raise KernelError("a face of the solid cannot be meshed", "body", "change clearance or draft a little")
        carrier = TopoDS_Face()
        build.MakeFace(carrier, kept.Copy())  # a copy, because what two faces share is written only once
        build.Add(carriers, carrier)
        faces.append(face)
        places.append(None if location.IsIdentity() else _matrix(location.Transformation()))
        explorer.Next()
    stream = BytesIO()
    BinTools.Write_s(carriers, stream, True, False, BinTools_FormatVersion.BinTools_FormatVersion_VERSION_4)
    patches = []
    for face, place, (corners, parameters, triangles) in zip(faces, places, _parse(stream.getvalue(), len(faces)), strict=True):
        if place is not None:
            corners = corners @ place[:, :3].T + place[:, 3]
        patches.append(Patch(face, corners, parameters, triangles, face.Orientation() == TopAbs_REVERSED))
    return patches


def _measure_width(face: Any) -> float:
    """Return the area of a face over its length, mm."""
    from OCP.Bnd import Bnd_Box
    from OCP.BRepBndLib import BRepBndLib
    from OCP.BRepGProp import BRepGProp
    from OCP.GProp import GProp_GProps

    area, box = GProp_GProps(), Bnd_Box()
    BRepGProp.SurfaceProperties_s(face, area)
    BRepBndLib.Add_s(face, box)
    low, high = np.array(box.Get()).reshape(2, 3)
    return abs(float(area.Mass())) / float(np.linalg.norm(high - low))


def read_spline(face: Any) -> Surface | None:
    """Return the bicubic surface that a face lies on, mm; None where it is of another kind or has been moved.

    It answers for many points at once what the kernel answers for one after the other.
    """
    kept = _find_spline(face)
    if kept is None:
        return None
    u = Axis(np.array([kept.UKnot(k) for k in range(1, kept.NbUKnots() + 1)]), kept.IsUPeriodic())
    v = Axis(np.array([kept.VKnot(k) for k in range(1, kept.NbVKnots() + 1)]), kept.IsVPeriodic())
    rows, cols = range(1, kept.NbUPoles() + 1), range(1, kept.NbVPoles() + 1)
    return Surface(u, v, np.array([[kept.Pole(i, j).Coord() for j in cols] for i in rows]))


def is_on_spline(face: Any) -> bool:
    """Return whether `read_spline` can read the surface that a face lies on."""
    return _find_spline(face) is not None


def _find_spline(face: Any) -> Any:
    from OCP.BRep import BRep_Tool
    from OCP.Geom import Geom_BSplineSurface
    from OCP.TopLoc import TopLoc_Location

    place = TopLoc_Location()
    kept = BRep_Tool.Surface_s(face, place)
    if not isinstance(kept, Geom_BSplineSurface) or not place.IsIdentity() or kept.IsURational() or kept.IsVRational():
        return None
    for degree, count, times, periodic in (
        (kept.UDegree(), kept.NbUKnots(), kept.UMultiplicity, kept.IsUPeriodic()),
        (kept.VDegree(), kept.NbVKnots(), kept.VMultiplicity, kept.IsVPeriodic()),
    ):
        ends = [times(1), times(count)]
        if degree != DEGREE or any(times(k) != 1 for k in range(2, count)) or ends != [1 if periodic else DEGREE + 1] * 2:
            return None
    return kept


def _parse(data: bytes, count: int) -> list[tuple[Floats, Floats, Ints]]:
    start = data.find(_TABLE) + len(_TABLE)
    line = data.find(b"\n", start)
    if start < len(_TABLE) or int(data[start:line]) != count:
        raise KernelError("the solid's triangles cannot be read", "body", "install the version of the solid kernel asked for")
    at, tables = line + 1, []
    for _ in range(count):
        nodes, triangles, has_parameters, has_normals, _ = _HEAD.unpack_from(data, at)
        at += _HEAD.size
        corners = np.frombuffer(data, "<f8", 3 * nodes, at).reshape(-1, 3).astype(np.float64)
        at += corners.nbytes
        parameters = np.zeros((nodes, 2))
        if has_parameters:
            parameters = np.frombuffer(data, "<f8", 2 * nodes, at).reshape(-1, 2).astype(np.float64)
            at += parameters.nbytes
        index = np.frombuffer(data, "<i4", 3 * triangles, at).reshape(-1, 3) - 1
        at += index.nbytes + 12 * nodes * has_normals
        tables.append((corners, parameters, index.astype(np.int32)))
    return tables


def _matrix(move: Any) -> Floats:
    return np.array([[move.Value(row, column) for column in range(1, 5)] for row in range(1, 4)])
