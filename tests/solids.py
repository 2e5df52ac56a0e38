"""Specimens for the tests of the writers: meshes and kernel solids of known volume, area and place."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from mountgen.kernel import Mesh

BOX_FACES = np.array(
    [
        [0, 2, 1],
        [0, 3, 2],
        [4, 5, 6],
        [4, 6, 7],
        [0, 1, 5],
        [0, 5, 4],
        [1, 2, 6],
        [1, 6, 5],
        [2, 3, 7],
        [2, 7, 6],
        [3, 0, 4],
        [3, 4, 7],
    ]
)


def box_mesh(
    size: tuple[float, float, float] = (10.0, 20.0, 30.0),
    corner: tuple[float, float, float] = (-1.0, 2.0, -30.0),
) -> Mesh:
    """A box of 12 triangles, normals outwards."""
    x, y, z = size
    points = np.array(
        [[0, 0, 0], [x, 0, 0], [x, y, 0], [0, y, 0], [0, 0, z], [x, 0, z], [x, y, z], [0, y, z]], dtype=float
    )
    return Mesh(points + np.array(corner), BOX_FACES)


def ball_mesh(radius: float, centre: tuple[float, float, float] = (0.0, 0.0, 0.0), rings: int = 60) -> Mesh:
    """A ball with its corners on the sphere, so it encloses less than the sphere does; normals outwards."""
    turns = 2 * rings
    polar = np.linspace(0, math.pi, rings + 1)[1:-1]
    around = np.arange(turns) * (2 * math.pi / turns)
    p, a = np.meshgrid(polar, around, indexing="ij")
    points = radius * np.stack([np.sin(p) * np.cos(a), np.sin(p) * np.sin(a), np.cos(p)], axis=-1).reshape(
        -1, 3
    )
    points = np.vstack([points, [[0, 0, radius], [0, 0, -radius]]]) + np.array(centre)
    top, bottom = len(points) - 2, len(points) - 1
    here, ahead = np.arange(turns), (np.arange(turns) + 1) % turns
    faces = [np.stack([np.full(turns, top), here, ahead], axis=1)]
    for ring in range(rings - 2):
        upper, lower = ring * turns, (ring + 1) * turns
        faces.append(np.stack([upper + here, lower + here, lower + ahead], axis=1))
        faces.append(np.stack([upper + here, lower + ahead, upper + ahead], axis=1))
    last = (rings - 2) * turns
    faces.append(np.stack([np.full(turns, bottom), last + ahead, last + here], axis=1))
    return Mesh(points, np.vstack(faces))


def box_solid(
    size: tuple[float, float, float] = (10.0, 20.0, 30.0),
    corner: tuple[float, float, float] = (-1.0, 2.0, -30.0),
) -> Any:
    """A box of the kernel with six planar faces."""
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox
    from OCP.gp import gp_Pnt

    return BRepPrimAPI_MakeBox(gp_Pnt(*corner), *size).Solid()


def ball_solid(radius: float) -> Any:
    """A ball of the kernel, one spherical face."""
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeSphere

    return BRepPrimAPI_MakeSphere(radius).Solid()


def hollow_box_solid(size: float = 20.0, wall: float = 2.0) -> Any:
    """A cube with a closed cubic cavity: one solid of two shells."""
    from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut

    inner = size - 2 * wall
    return BRepAlgoAPI_Cut(box_solid((size,) * 3, (0, 0, 0)), box_solid((inner,) * 3, (wall,) * 3)).Shape()


def wavy_solid(across: int = 60) -> Any:
    """A block 90 x 60 mm whose floor is one B-spline height field with waves, like a fitted recess floor."""
    from OCP.BRepAlgoAPI import BRepAlgoAPI_Common
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace
    from OCP.BRepPrimAPI import BRepPrimAPI_MakePrism
    from OCP.Geom import Geom_BSplineSurface
    from OCP.GeomAPI import GeomAPI_PointsToBSplineSurface
    from OCP.gp import gp_Pnt, gp_Vec
    from OCP.TColgp import TColgp_Array2OfPnt

    x, y = np.linspace(-50, 50, across), np.linspace(-35, 35, across)
    grid = TColgp_Array2OfPnt(1, across, 1, across)
    for i, j in np.ndindex(across, across):
        z = -20.0 + 2.0 * math.sin(x[i] / 9.0) * math.cos(y[j] / 7.0) + 0.004 * (x[i] ** 2 + y[j] ** 2)
        grid.SetValue(int(i) + 1, int(j) + 1, gp_Pnt(float(x[i]), float(y[j]), z))
    surface: Geom_BSplineSurface = GeomAPI_PointsToBSplineSurface(grid).Surface()
    above = BRepPrimAPI_MakePrism(BRepBuilderAPI_MakeFace(surface, 1e-6).Face(), gp_Vec(0, 0, 60)).Shape()
    return BRepAlgoAPI_Common(box_solid((90, 60, 40), (-45, -30, -30)), above).Shape()


def tessellate(solid: Any, chord: float) -> Mesh:
    """Triangles of a kernel solid, equal corners merged, normals outwards."""
    from OCP.BRep import BRep_Tool
    from OCP.BRepBuilderAPI import BRepBuilderAPI_Copy
    from OCP.BRepMesh import BRepMesh_IncrementalMesh
    from OCP.TopAbs import TopAbs_Orientation, TopAbs_ShapeEnum
    from OCP.TopExp import TopExp_Explorer
    from OCP.TopLoc import TopLoc_Location
    from OCP.TopoDS import TopoDS

    shape = BRepBuilderAPI_Copy(solid, True, False).Shape()
    BRepMesh_IncrementalMesh(shape, chord, False, 0.5, False)
    points, faces = [], []
    explorer = TopExp_Explorer(shape, TopAbs_ShapeEnum.TopAbs_FACE)
    while explorer.More():
        face = TopoDS.Face_s(explorer.Current())
        location = TopLoc_Location()
        triangles = BRep_Tool.Triangulation_s(face, location)
        move, start = location.Transformation(), len(points)
        for number in range(1, triangles.NbNodes() + 1):
            node = triangles.Node(number).Transformed(move)
            points.append((node.X(), node.Y(), node.Z()))
        flipped = face.Orientation() == TopAbs_Orientation.TopAbs_REVERSED
        for number in range(1, triangles.NbTriangles() + 1):
            a, b, c = (start + k - 1 for k in triangles.Triangle(number).Get())
            faces.append((a, c, b) if flipped else (a, b, c))
        explorer.Next()
    unique, inverse = np.unique(np.round(np.array(points), 7), axis=0, return_inverse=True)
    merged = inverse.ravel()[np.array(faces)]
    whole = (merged[:, 0] != merged[:, 1]) & (merged[:, 1] != merged[:, 2]) & (merged[:, 2] != merged[:, 0])
    return Mesh(unique, merged[whole])
