"""Is a mesh one sound body: manifold, in one piece, without shut hollows, and how thin is it."""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, radians

import numpy as np

from mountgen.arrays import Floats, Ints
from mountgen.faces import measure_faces
from mountgen.rings import label_corners
from mountgen.rows import dot, lengths
from mountgen.surface import Surface

TILT = 0.01  # rays are tilted by about this (0.6 degrees), so that none runs along an edge or at a vertex
PARALLEL = cos(
    radians(20.0)
)  # two faces closer to parallel than this are a wall; a steeper pair is an edge, thin by nature
SMALLEST_SPOT = 0.5  # mm²; a spot thinner than the rest counts from this area on
LONE = 1.5  # times what a ray stands for; a lone ray does not count, on large parts each stands for more than such a spot
START = 1e-6  # mm inside the surface where a ray starts


@dataclass(frozen=True)
class Soundness:
    """What a mesh is as a body.

    manifold : every edge joins two faces that agree, and the volume is positive.  reason: why not, "" if so.
    pieces   : number of separate bodies.       hollows: number of shut hollows inside.
    """

    manifold: bool
    reason: str
    pieces: int
    hollows: int


@dataclass(frozen=True)
class Thinnest:
    """The thinnest wall, mm (inf where no two faces face each other), and its middle, (3,) mm."""

    thickness: float
    point: tuple[float, float, float]


def check_soundness(vertices: Floats, faces: Ints) -> Soundness:
    """Check that a mesh bounds one body.

    Args:
        vertices: (V, 3) float64, mm.
        faces: (F, 3) int32, normals outwards.
    """
    import manifold3d

    mesh = manifold3d.Mesh64(
        np.array(vertices, dtype=np.float64), np.array(faces, dtype=np.uint64)
    )  # it wants writable ones
    status = manifold3d.Manifold(mesh).status()
    reason = "" if status == manifold3d.Error.NoError else _split_words(status.name)
    label = label_corners(faces, len(vertices))
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    volume = np.bincount(label[faces[:, 0]], weights=(a * np.cross(b, c)).sum(axis=1) / 6.0)
    size = np.bincount(label[faces[:, 0]])
    volume = volume[size > 0]
    if not reason and volume.sum() <= 0.0:
        reason = "normals point inwards"
    if reason == "normals point inwards":
        volume = -volume
    return Soundness(
        not reason, reason, int((volume > 0).sum()) if not reason else len(volume), int((volume < 0).sum())
    )


def _split_words(name: str) -> str:
    return "".join(f" {letter.lower()}" if letter.isupper() else letter for letter in name).strip()


def find_thinnest(body: Surface, points: Floats, face: Ints, area: Floats) -> Thinnest:
    """Find the thinnest wall by casting rays inwards from points of the surface.

    A wall is where the ray leaves through a face nearly parallel to the one it entered by. The result is the
    thickness that is reached over at least 0.5 mm² of surface. Where the two have an edge in common it is a fold, which
    is no larger than they are, whatever the one point on it stands for.

    Args:
        body: the mesh.
        points: (N, 3) float64, mm, on its surface, not on its edges.
        face: (N,) on which face each of them lies.
        area: (N,), mm², that each point stands for.
    """
    normals = body.normals[face]
    jitter = np.random.default_rng(0).uniform(-TILT, TILT, points.shape)
    direction = -normals + jitter
    direction /= lengths(direction)[:, None]
    length, other = body.cast(points - START * normals, direction)
    across = -dot(normals, body.normals[other])
    wall = np.isfinite(length) & (across > PARALLEL)
    if not wall.any():
        return Thinnest(float("inf"), (0.0, 0.0, 0.0))
    # a tilted ray is longer than the wall is thick: project it on the normal
    thickness = np.where(wall, -dot(direction, normals) * length + START, np.inf)
    common = (body.faces[face][:, :, None] == body.faces[other][:, None, :]).any(axis=2).sum(axis=1)
    size = measure_faces(body.vertices, body.faces)[1]
    area = np.where(wall & (common == 2), np.minimum(area, np.minimum(size[face], size[other])), area)
    order = np.argsort(thickness)
    spot = max(SMALLEST_SPOT, LONE * float(area[wall].max()))
    reached = int(np.searchsorted(np.cumsum(area[order]), min(spot, float(area[wall].sum()) * 0.5)))
    k = order[min(reached, int(wall.sum()) - 1)]
    middle = points[k] - 0.5 * thickness[k] * normals[k]
    return Thinnest(float(thickness[k]), (float(middle[0]), float(middle[1]), float(middle[2])))
