"""The last hundredths: facets that stand nearer to the scan than asked are drawn back.

Facets are chords: where the body is hollow they stand proud of the surface they stand for, and between the nodes of the height
field a steep wall is placed to a fraction of the pitch only. Both are hundredths of a millimetre. The printed mesh is measured
against the scan's own triangles, at rest and all along its way in, and its vertices drawn back, straight away from what they
stand too near, until it holds. The solid in the STEP file keeps its smooth faces. Nothing larger than a fitting error is
hidden: more than `MOST` is left for the gauge to report.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from mountgen.arrays import Bools, Floats
from mountgen.datum import Recess
from mountgen.faces import touch_faces
from mountgen.gap import Probe, Standing, clip_mesh, make_standing, probe_again, probe_body
from mountgen.inspection import BAND_AT_REST, EDGE, ZONES, classify_faces, find_travel, sort_soft
from mountgen.kernel import Mesh
from mountgen.move import move_vertices
from mountgen.nearest import build_tree, find_nearest
from mountgen.rows import extent, lies_within
from mountgen.sampling import Indices, sort_nearby
from mountgen.surface import Surface, surface_of

AIM = 0.015  # mm; how much nearer than asked a facet may stand when it is done
LEFT = 0.012  # mm; how much nearer one stands that was drawn back: a hundredth is half a per cent of a wall of 2 mm
MOST = 0.12  # mm; more than this is a fault, not a fitting error
ROUNDS = 6
ALONG = np.array([0.0, 0.0, 1.0])  # the way out


@dataclass(frozen=True, eq=False)
class Relieved:
    """The same triangles, some vertices moved by at most some hundredths of a millimetre.

    probe: of the mesh as it is now, for the gauge; None where no scan is near.
    """

    mesh: Mesh
    probe: Probe | None


def relieve_mesh(mesh: Mesh, recess: Recess, *, clearance: Mapping[str, float], soft: Bools) -> Relieved:
    """Draw back every facet that stands a little nearer to the scan than asked.

    Args:
        mesh: the part, part frame.
        recess: the scan, part frame.
        clearance: asked for in each zone of the scan: "floor", "walls", "rim", mm.
        soft: (F,) bool, faces that are meant to touch; they stay, but for corners that they share with others.
    """
    order = sort_soft(soft)
    vertices, faces, hard = np.array(mesh.vertices), np.asarray(mesh.faces)[order], ~soft[order]
    widest = max(clearance.values())
    low, high = extent(vertices)
    if not len(clip_mesh(recess, low - widest, np.array([*high[:2] + widest, np.inf]))[1]):  # nor over it, on its way
        return Relieved(mesh, None)
    scan = surface_of(recess)
    asked = np.array([clearance[name] for name in ZONES])[classify_faces(scan.vertices, scan.faces, recess.lid)]
    standing = make_standing(scan, asked)
    travel = find_travel(recess, low, high, widest=widest)
    sampling = {"edge": EDGE, "travel": travel, "band": BAND_AT_REST * widest}
    probe = probe_body(vertices, faces, standing, **sampling)
    fixed = np.ones(len(vertices), dtype=np.bool_)
    fixed[faces[hard]] = False  # what soft faces share with others moves, or beside a pad nothing could be drawn back
    for way in (0.0, travel):  # at rest, and then what comes too near as the part goes in
        todo = hard
        for _ in range(ROUNDS):
            lack, face, away = (np.concatenate(pair) for pair in zip(
                _find_short(probe, todo, standing, travel=way),
                _find_poking(Surface(vertices, faces), todo, standing, travel=way), strict=True
            ))  # fmt: skip
            if not len(lack):
                break
            worst_last = np.argsort(lack, kind="stable")  # so that it counts
            shift = np.zeros_like(vertices)
            by = (lack - LEFT)[worst_last, None]
            shift[faces[face[worst_last]].ravel()] = np.repeat(by * away[worst_last], 3, axis=0)
            shift[fixed] = 0.0
            moved = move_vertices(vertices, faces, shift, fixed)
            changed = touch_faces(faces, (moved != vertices).any(axis=1))
            if not changed.any():
                break
            vertices, todo = moved, changed & hard  # all else stays as it was found
            probe = probe_again(probe, vertices, faces, changed, standing, **sampling)
    return Relieved(Mesh(vertices, mesh.faces), probe)


def _find_short(probe: Probe, todo: Bools, standing: Standing, *, travel: float) -> tuple[Floats, Indices, Floats]:
    """Return what points on the faces `todo` (F,) lack, mm, on which face each is, and the unit direction away from the scan.

    travel: mm along +z over which it is asked; 0 for the part at rest.
    """
    samples, signed = probe.samples, probe.signed
    near = todo[samples.face] & (samples.leads if travel > 0.0 else signed.gap < standing.tree.widest - AIM)
    points, face, signed = samples.points[near], samples.face[near], signed.pick(near)
    if travel > 0.0 or np.ptp(standing.clearance) > 0.0:  # the nearest is not always what asks for most
        found = find_nearest(standing.tree, points, travel=travel, bound=np.full(len(points), -AIM))
        short = found.face >= 0
        points, face = points[short] + found.travel[short, None] * ALONG, face[short]
        signed = standing.surface.measure_to(found.face[short], points)
    lack = standing.clearance[signed.face] - signed.gap
    return _keep_small(lack, face, points - signed.foot)


def _find_poking(body: Surface, todo: Bools, standing: Standing, *, travel: float) -> tuple[Floats, Indices, Floats]:
    """Return the same for vertices of the scan that come too near to the faces `todo`."""
    reach = standing.tree.widest
    which = np.flatnonzero(todo)
    low, high = extent(np.take(body.vertices, body.faces[which].ravel(), axis=0))
    points = standing.surface.vertices
    about = lies_within(points, low - reach, high + reach + travel * ALONG)
    close = np.flatnonzero(about & standing.lateral if travel > 0.0 else about)
    close = close[sort_nearby(points[close])]
    part = body.tree if len(which) == len(body.faces) else build_tree(body.vertices, body.faces[which])
    start = points[close] - travel * ALONG  # where the part is at the end of its way, seen from where it started
    found = find_nearest(part, start, travel=travel, bound=standing.corner_clearance[close] - AIM)
    near = np.flatnonzero(found.face >= 0)
    face, spikes = which[found.face[near]], start[near] + found.travel[near, None] * ALONG
    signed = body.measure_to(face.astype(np.int32), spikes)
    lack = standing.corner_clearance[close[near]] - signed.gap
    return _keep_small(lack, face, signed.foot - spikes)


def _keep_small(lack: Floats, face: Indices, away: Floats) -> tuple[Floats, Indices, Floats]:
    """Return what is worth mending and no more than a fitting error, with unit directions.

    Beside a border of the scan no side is known, but a distance is, and the gauge will hold the part to it.
    """
    keep = (lack > AIM) & (lack <= MOST)
    away = away[keep]
    return lack[keep], face[keep], away / np.maximum(np.linalg.norm(away, axis=1, keepdims=True), 1e-9)
