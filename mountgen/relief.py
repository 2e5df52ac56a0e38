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
from mountgen.gap import clip_mesh, find_spikes, make_standing, sample_body
from mountgen.inspection import EDGE, ZONES, classify_faces
from mountgen.kernel import Mesh
from mountgen.nearest import build_tree
from mountgen.surface import Surface

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
    low, high = vertices.min(axis=0) - widest - 1.0, vertices.max(axis=0) + widest + 1.0
    scan, corners, _ = clip_mesh(recess, low, high)
    if len(corners) == 0:
        return mesh
    asked = np.array([clearance[name] for name in ZONES])[classify_faces(scan, corners, recess.lid)]
    standing = make_standing(scan, corners, asked)
    hard = ~soft
    fixed = np.zeros(len(vertices), dtype=np.bool_)
    fixed[faces[soft]] = True
    for _ in range(ROUNDS):
        samples = sample_body(vertices, faces, standing, edge=EDGE, travel=0.0, band=0.1)
        near = samples.near & hard[samples.face]
        signed = standing.surface.measure(samples.points[near])
        short = standing.clearance[signed.face] - signed.gap
        short[signed.border | (short > MOST)] = 0.0
        points = samples.points[near]
        body = Surface(vertices, faces)
        _, poking = find_spikes(body, build_tree(vertices, faces.astype(np.int32)), standing, beyond=-AIM)
        spikes = standing.surface.vertices[poking]
        struck = body.measure(spikes)
        lack = standing.corner_clearance[poking] - struck.gap
        lack[(lack > MOST) | ~hard[struck.face]] = 0.0
        lacks = np.concatenate([short, lack])
        if lacks.max(initial=0.0) <= AIM:
            break
        face = np.concatenate([samples.face[near], struck.face])
        away = np.vstack([points - signed.foot, struck.foot - spikes])
        away /= np.maximum(np.linalg.norm(away, axis=1, keepdims=True), 1e-9)
        shift = np.zeros_like(vertices)
        for k in np.argsort(lacks)[np.searchsorted(np.sort(lacks), AIM):]:  # the worst last, so that it counts
            shift[faces[face[k]]] = lacks[k] * away[k]
        shift[fixed] = 0.0
        vertices = _move(vertices, faces, shift)
    return Mesh(vertices, faces)


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
