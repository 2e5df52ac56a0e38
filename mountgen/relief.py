"""The last hundredths: facets that stand nearer to the scan than asked are drawn back.

Facets are chords: where the body is hollow they stand proud of the surface they stand for, and between the nodes of the height
field a steep wall is placed to a fraction of the pitch only. Both are hundredths of a millimetre. The printed mesh is measured
against the scan's own triangles and its vertices drawn back, straight away from what they stand too near, until it holds. The
solid in the STEP file keeps its smooth faces. Nothing larger than a fitting error is hidden: more than `MOST` is left for the
gauge to report.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from mountgen.arrays import Bools, Floats, Ints
from mountgen.datum import Recess
from mountgen.gap import Standing, clip_mesh, make_standing, sample_body
from mountgen.inspection import EDGE, ZONES, classify_faces
from mountgen.kernel import Mesh
from mountgen.nearest import build_tree, find_nearest
from mountgen.sampling import Indices, sort_nearby
from mountgen.surface import Surface, surface_of

AIM = 0.015  # mm; how much nearer than asked a facet may stand when it is done
MOST = 0.12  # mm; more than this is a fault, not a fitting error
ROUNDS = 4
TURNED = 0.2  # of a facet's area must keep facing its own way


def relieve_mesh(mesh: Mesh, recess: Recess, *, clearance: Mapping[str, float], soft: Bools) -> Mesh:
    """Return the mesh with every facet drawn back that stands a little nearer to the scan than asked.

    Args:
        mesh: the part, part frame.
        recess: the scan, part frame.
        clearance: asked for in each zone of the scan: "floor", "walls", "rim", mm.
        soft: (F,) bool, faces that are meant to touch; they stay.

    Returns:
        Mesh: the same triangles, some vertices moved by at most some hundredths of a millimetre.
    """
    vertices, faces = np.array(mesh.vertices), np.asarray(mesh.faces)
    widest = max(clearance.values())
    if not len(clip_mesh(recess, vertices.min(axis=0) - widest, vertices.max(axis=0) + widest)[1]):
        return mesh
    scan = surface_of(recess)
    asked = np.array([clearance[name] for name in ZONES])[classify_faces(scan.vertices, scan.faces, recess.lid)]
    standing = make_standing(scan, asked)
    fixed = np.zeros(len(vertices), dtype=np.bool_)
    fixed[faces[soft]] = True
    todo = np.flatnonzero(~soft)
    for _ in range(ROUNDS):
        body = Surface(vertices, faces)
        lack, face, away = (np.concatenate(pair) for pair in zip(
            _find_short(body, todo, standing), _find_poking(body, todo, standing), strict=True
        ))  # fmt: skip
        if not len(lack):
            break
        order = np.argsort(lack, kind="stable")  # the worst last, so that it counts
        shift = np.zeros_like(vertices)
        shift[faces[face[order]].ravel()] = np.repeat(lack[order, None] * away[order], 3, axis=0)
        shift[fixed] = 0.0
        moved = _move(vertices, faces, shift)
        todo = np.flatnonzero((moved != vertices).any(axis=1)[faces].any(axis=1) & ~soft)  # all else stays as it was found
        if not len(todo):
            break
        vertices = moved
    return Mesh(vertices, faces)


def _find_short(body: Surface, todo: Indices, standing: Standing) -> tuple[Floats, Indices, Floats]:
    """Return what points on the faces `todo` lack, mm, on which face each is, and the unit direction away from the scan."""
    samples = sample_body(body.vertices, body.faces[todo], standing, edge=EDGE, travel=0.0, band=0.0)
    points = samples.points[samples.near]
    found = find_nearest(standing.tree, points, travel=0.0, bound=np.full(len(points), -AIM))
    near = np.flatnonzero(found.face >= 0)
    signed = standing.surface.measure_to(found.face[near], points[near])
    lack = standing.clearance[signed.face] - signed.gap
    face, away = todo[samples.face[samples.near][near]], points[near] - signed.foot
    return _keep_small(lack, face, away, ~signed.border)


def _find_poking(body: Surface, todo: Indices, standing: Standing) -> tuple[Floats, Indices, Floats]:
    """Return the same for vertices of the scan that come too near to the faces `todo`."""
    reach = standing.tree.widest
    low, high = body.vertices[body.faces[todo]].min(axis=(0, 1)) - reach, body.vertices[body.faces[todo]].max(axis=(0, 1)) + reach
    points = standing.surface.vertices
    close = np.flatnonzero(((points >= low) & (points <= high)).all(axis=1))
    close = close[sort_nearby(points[close])]
    part = body.tree if len(todo) == len(body.faces) else build_tree(body.vertices, body.faces[todo])
    found = find_nearest(part, points[close], travel=0.0, bound=standing.corner_clearance[close] - AIM)
    near = np.flatnonzero(found.face >= 0)
    face, spikes = todo[found.face[near]], points[close[near]]
    signed = body.measure_to(face.astype(np.int32), spikes)
    lack = standing.corner_clearance[close[near]] - signed.gap
    return _keep_small(lack, face, signed.foot - spikes, ~signed.border)


def _keep_small(lack: Floats, face: Indices, away: Floats, sure: Bools) -> tuple[Floats, Indices, Floats]:
    """Return what is worth mending and no more than a fitting error, with unit directions."""
    keep = sure & (lack > AIM) & (lack <= MOST)
    away = away[keep]
    return lack[keep], face[keep], away / np.maximum(np.linalg.norm(away, axis=1, keepdims=True), 1e-9)


def _move(vertices: Floats, faces: Ints, shift: Floats) -> Floats:
    """Return the vertices moved by `shift`, except where that would turn a sliver over."""
    before = _face_normals(vertices, faces)
    for _ in range(20):
        moved = vertices + shift
        turned = (before * _face_normals(moved, faces)).sum(axis=1) < TURNED * (before**2).sum(axis=1)
        if not turned.any():
            return moved
        shift[faces[turned]] = 0.0
    return vertices


def _face_normals(vertices: Floats, faces: Ints) -> Floats:
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    return np.cross(b - a, c - a)
