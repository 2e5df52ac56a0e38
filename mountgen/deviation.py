"""Largest distance between the surfaces of the STEP file and the triangles of the STL file.

Goal: one honest number in well under a second, whether the mesh is the solid's own tessellation (then it is
    the chord error) or
was made by another route (then it shows where the two differ).

Steps:
1. Solid to mesh. The triangles the kernel keeps on the solid know their surface parameters; the surface
evaluated in the middle
   of a triangle is a point of the solid, exactly. Those farthest from their own triangle, with the middles
   of their edges, and an even choice of the rest are measured against the mesh.
2. Mesh to solid. An even choice of corners and triangle centres is measured against the solid's triangles.
The farthest
   are then measured against the face itself, where its triangles' own chord error would matter.

Tried and dropped: a second tessellation four times as fine, which took twice the time of everything else in
the export.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from mountgen.arrays import Floats, Ints
from mountgen.faces import list_used
from mountgen.kernel import Mesh, lay_facets
from mountgen.nearest import build_tree, find_nearest
from mountgen.patch import read_spline
from mountgen.rows import lengths
from mountgen.spline import Surface

WORST = 800  # triangles examined with their edges
SAMPLES = 3000  # points examined of all others, in each direction
EXACT = 50  # mesh points measured against the face itself
STEPS = 8  # at most, of the search for a point's foot on a face; three bring it to 1e-6 mm
ASKEW = 0.03  # mm; farther from the middle of its triangle than any chord error, a point is not the one nearest to it
SAME = 1.0e-3  # mm; a mesh no farther than this from the solid's triangles is taken for those triangles


@dataclass(frozen=True, eq=False)
class _Patch:
    """The kernel's triangles on one face. corners: (V, 3) mm; parameters: (V, 2); triangles: (F, 3)."""

    face: Any  # None where the triangles are of plane faces, which they match exactly
    spline: Surface | None  # of the face, where it is of the kind that our own loops evaluate
    corners: Floats
    parameters: Floats
    triangles: Ints

    def middle(self, chosen: Ints, weights: tuple[float, float, float]) -> tuple[Floats, Floats]:
        """Return points of the triangles and, at the same parameters, of the surface; (N, 3) each."""
        from OCP.BRepAdaptor import BRepAdaptor_Surface

        picked = self.triangles[chosen]
        flat = np.einsum("k,nkj->nj", weights, self.corners[picked])
        if self.face is None:
            return flat, flat
        at = np.einsum("k,nkj->nj", weights, self.parameters[picked])
        if self.spline is not None:
            return flat, self._find_feet(flat, at)
        surface = BRepAdaptor_Surface(self.face)
        points = [surface.Value(u, v).Coord() for u, v in at.tolist()]
        return flat, np.array(points).reshape(-1, 3)

    def _find_feet(self, flat: Floats, at: Floats) -> Floats:
        """Return points (N, 3) of the spline at parameters (N, 2); or, where these run askew, the feet of the points `flat`.

        Beside a chord of the face's border the middle of the parameters may lie beyond that border, where the solid has nothing.
        """
        assert self.spline is not None
        points = self.spline.at_points(*at.T)
        askew = np.flatnonzero(lengths(points - flat) > ASKEW)
        if not len(askew):
            return points
        low, high = np.array([(axis.breaks[0], axis.breaks[-1]) for axis in (self.spline.u, self.spline.v)]).T
        place, step = at[askew], 1e-5 * (high - low)
        for _ in range(STEPS):
            along = np.stack([
                (self.spline.at_points(*(place + way).T) - self.spline.at_points(*(place - way).T)) / (2.0 * way.sum())
                for way in np.diag(step)
            ], axis=2)  # fmt: skip
            off = flat[askew] - self.spline.at_points(*place.T)
            place = np.clip(place + (np.linalg.pinv(along) @ off[..., None])[..., 0], low, high)
        points[askew] = self.spline.at_points(*place.T)
        return points


def step_stl_deviation(solid: Any, mesh: Mesh) -> float:
    """Return the largest distance between a solid's surface and a mesh, measured both ways.

    Args:
        solid: TopoDS_Shape, mm; triangles that were laid on it last are used.
        mesh: mm, same frame, at least one triangle.

    Returns:
        float: mm. From samples of both surfaces, so a lower bound; within a few per cent of the chord error
            where the mesh is the solid's own tessellation.

    Raises:
        ValueError: the mesh has no triangle.
        KernelError: a face of the solid cannot be meshed.
    """
    if len(mesh.faces) == 0:
        raise ValueError("a mesh without faces has no distance to anything")
    patches = _read_patches(solid)
    outward = _sample_surface(patches)
    tree = build_tree(mesh.vertices, mesh.faces)
    forward = float(find_nearest(tree, outward, travel=0.0, bound=np.full(len(outward), np.inf)).distance.max())
    return max(forward, _measure_back(patches, mesh))


def _choose_evenly(count: int, wanted: int) -> Ints:
    return np.unique(np.linspace(0, count - 1, min(count, wanted)).astype(np.int32))


def _sample_surface(patches: list[_Patch]) -> Floats:
    """Return points that lie on the solid's faces, the most bulging places among them."""
    total = sum(len(patch.triangles) for patch in patches)
    samples: list[Floats] = [patch.corners[_choose_evenly(len(patch.corners), 1000)] for patch in patches]
    bulges: list[Floats] = []
    for patch in patches:
        everything = np.arange(len(patch.triangles), dtype=np.int32)
        flat, curved = patch.middle(everything, (1 / 3, 1 / 3, 1 / 3))
        bulges.append(np.linalg.norm(flat - curved, axis=1))
        samples.append(curved[_choose_evenly(len(curved), max(1, SAMPLES * len(curved) // total))])
    limit = np.sort(np.concatenate(bulges))[-min(WORST, total)]
    for patch, bulge in zip(patches, bulges, strict=True):
        worst = np.flatnonzero((bulge >= limit) & (bulge > 0)).astype(np.int32)
        for weights in ((1 / 3, 1 / 3, 1 / 3), (0.5, 0.5, 0.0), (0.0, 0.5, 0.5), (0.5, 0.0, 0.5)):
            samples.append(patch.middle(worst, weights)[1])
    return np.vstack(samples)


def _measure_back(patches: list[_Patch], mesh: Mesh) -> float:
    """Return the largest distance of sampled mesh points from the solid."""
    points = np.vstack([mesh.vertices[list_used(mesh.faces, len(mesh.vertices))], mesh.vertices[mesh.faces].mean(axis=1)])
    points = points[_choose_evenly(len(points), SAMPLES)]
    starts = np.cumsum([0] + [len(patch.corners) for patch in patches])
    triangles = np.vstack([patch.triangles + start for patch, start in zip(patches, starts, strict=False)])
    owner = np.repeat(np.arange(len(patches)), [len(patch.triangles) for patch in patches])
    first = np.cumsum([0] + [len(patch.triangles) for patch in patches])
    tree = build_tree(np.vstack([patch.corners for patch in patches]), triangles)
    found = find_nearest(tree, points, travel=0.0, bound=np.full(len(points), np.inf))
    distances, nearest = found.distance, found.face
    if distances.max() < SAME:
        return float(distances.max())
    largest = 0.0
    for index in np.argsort(distances)[-EXACT:]:
        patch = patches[owner[nearest[index]]]
        own = nearest[index] - first[owner[nearest[index]]]
        largest = max(largest, min(float(distances[index]), _approach(patch, int(own), points[index])))
    return largest


def _approach(patch: _Patch, triangle: int, point: Floats) -> float:
    """Return the distance of a point from the part of a face that one of its triangles stands for.

    From the middle of the triangle on the surface towards the foot of the point, by Gauss-Newton steps; the parameters are kept
    within the triangle's own, so the place reached is on the face and the distance never understated.
    """
    from OCP.BRepAdaptor import BRepAdaptor_Surface
    from OCP.gp import gp_Pnt, gp_Vec

    if patch.face is None:
        return float("inf")
    surface, corners = BRepAdaptor_Surface(patch.face), patch.parameters[patch.triangles[triangle]]
    low, high, at = corners.min(axis=0), corners.max(axis=0), corners.mean(axis=0)
    place, along_u, along_v = gp_Pnt(), gp_Vec(), gp_Vec()
    best = float("inf")
    for _ in range(STEPS):
        surface.D1(float(at[0]), float(at[1]), place, along_u, along_v)
        off = point - np.array(place.Coord())
        best = min(best, float(np.linalg.norm(off)))
        tangents = np.array([along_u.Coord(), along_v.Coord()])
        step = np.linalg.lstsq(tangents.T, off, rcond=None)[0]
        ahead = np.clip(at + step, low, high)
        if np.abs(ahead - at).max() <= 1e-9 * (1.0 + np.abs(at).max()):
            break
        at = ahead
    return best


def _read_patches(solid: Any) -> list[_Patch]:
    from OCP.BRepAdaptor import BRepAdaptor_Surface
    from OCP.GeomAbs import GeomAbs_SurfaceType

    curved: list[_Patch] = []
    plane: list[_Patch] = []
    for patch in lay_facets(solid)[0]:
        is_plane = BRepAdaptor_Surface(patch.face).GetType() == GeomAbs_SurfaceType.GeomAbs_Plane
        face, spline = (None, None) if is_plane else (patch.face, patch.spline or read_spline(patch.face))
        (plane if is_plane else curved).append(_Patch(face, spline, patch.corners, patch.parameters, patch.triangles))
    return [*curved, _merge(plane)] if plane else curved


def _merge(patches: list[_Patch]) -> _Patch:
    """Return the triangles of all plane faces as one patch: a solid of facets has thousands of them."""
    starts = np.cumsum([0] + [len(patch.corners) for patch in patches[:-1]])
    return _Patch(
        None,
        None,
        np.vstack([patch.corners for patch in patches]),
        np.vstack([patch.parameters for patch in patches]),
        np.vstack([patch.triangles + start for patch, start in zip(patches, starts, strict=True)]),
    )
