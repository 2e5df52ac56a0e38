"""Facets that cut through the insertable surface, drawn back until none of them does.

A surface that was thinned lies on both sides of the one that it stands for. Raising all of it by as much as it may lie off is
safe, and costs that much all over; here only what pokes through moves, by as much as it does. Points on the facets that lie
under the height field are held against the field's own triangles, and of every facet the three corners move so that the point
comes to lie on them, with the least movement of corners that does it.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np

from mountgen.arrays import Bools, Floats, Ints
from mountgen.datum import lid_height
from mountgen.faces import number_used, touch_faces
from mountgen.field import InsertableSpace
from mountgen.grid import sample_grid
from mountgen.kernel import Mesh
from mountgen.move import move_vertices
from mountgen.rows import dot, lengths
from mountgen.sampling import Indices, sample_surface
from mountgen.surface import Surface
from mountgen.tangled import find_tangled

STEP = 0.5  # mm, longest edge of the pieces of a facet of which each has a sample
AIM = 0.01  # mm; how deep a sample may stay under the surface that was drawn back
DONE = 0.025  # mm; how deep any may stay: chords, of facets and of the height field, are as far off
ROUNDS = 12  # of drawing back, at most; three to eight do
TURNS = 10  # of looking which faces cut through each other, at most
FARTHEST = 0.4  # mm a corner moves in one round
CLIFF = 4.0  # mm above the top at which the insertable surface goes on where there is no room
ON_LID = 1e-3  # mm; a vertex as near to the lid stays on it


def mesh_ground(space: InsertableSpace, *, step: int = 1) -> Mesh:
    """Return the insertable surface with what stands up around it, up to `CLIFF` over the top, as a mesh; normals upwards.

    Args:
        space: the insertable space.
        step: every which node of it is taken.
    """
    x, y, z = space.x[::step], space.y[::step], np.minimum(space.height[::step, ::step], np.float32(space.top + CLIFF))
    low = z < space.top + CLIFF
    cell = np.flatnonzero(low[:-1, :-1] | low[:-1, 1:] | low[1:, 1:] | low[1:, :-1])
    width = len(x)
    a = cell // (width - 1) * width + cell % (width - 1)
    b, c, d = a + 1, a + width + 1, a + width
    faces = np.concatenate([np.stack([a, b, c], axis=1), np.stack([a, c, d], axis=1)]).astype(np.int32)
    used, faces = number_used(faces, z.size)
    return Mesh(np.column_stack([x[used % width], y[used // width], z.ravel()[used]]), faces)


def hold_above(mesh: Mesh, space: InsertableSpace, surface: Surface, *, below: float) -> Mesh:
    """Draw the facets of a body back until they lie nowhere deeper than `DONE` under the insertable surface.

    Args:
        mesh: closed; on top it ends in the lid less `below`, where its vertices stay.
        space: the insertable space.
        surface: its own, of `mesh_ground`.
        below: how far below the lid the top lies, mm.

    Returns:
        Mesh: of the same faces.
    """
    vertices, faces = np.array(mesh.vertices), np.asarray(mesh.faces)
    on_lid = np.abs(vertices[:, 2] - _top(space, vertices, below)) < ON_LID
    todo = np.ones(len(faces), dtype=np.bool_)
    for _ in range(ROUNDS):
        which = np.flatnonzero(todo)
        samples = sample_surface(vertices, faces[which], edge=STEP, is_near=lambda points, _: np.ones(len(points), np.bool_))
        height = sample_grid(space.height, samples.points[:, :2], origin=space.origin, pitch=space.pitch)
        under = np.flatnonzero(height > samples.points[:, 2])
        points, face = samples.points[under], which[samples.face[under]]
        back = surface.measure(points).foot - points
        deep = lengths(back)
        if deep.max(initial=0.0) < DONE:
            break
        short = deep > AIM
        shift = _least_shift(vertices, faces, points[short], face[short], back[short], deep[short])
        moved = _move_apart(vertices, faces, shift, partial(_to_lid, space=space, below=below, which=on_lid))
        changed = touch_faces(faces, (moved != vertices).any(axis=1))
        if not changed.any():
            break
        vertices, todo = moved, changed
    return Mesh(vertices, mesh.faces)


def _least_shift(vertices: Floats, faces: Ints, points: Floats, face: Indices, back: Floats, deep: Floats) -> Floats:
    """Return by how much vertices (V, 3) are to move, mm, of several samples that ask for it by as much as the worst does.

    A sample with weights w of its face's corners rises by `deep` with the least movement where each moves by deep w / (w . w).

    Args:
        vertices, faces: of the body.
        points, face: (N, 3), (N,) of samples, and which face each lies on.
        back: (N, 3) mm from each to the surface.
        deep: (N,) mm, the lengths of these.
    """
    weights = _weigh_corners(np.take(vertices, faces[face], axis=0), points)
    by = np.minimum(deep - 0.5 * AIM, FARTHEST)[:, None] * weights / dot(weights, weights)[:, None]
    moves = by[:, :, None] * (back / deep[:, None])[:, None, :]
    worst_last = np.argsort(by.ravel(), kind="stable")  # so that it counts
    shift = np.zeros_like(vertices)
    shift[faces[face].ravel()[worst_last]] = moves.reshape(-1, 3)[worst_last]
    return shift


def _move_apart(vertices: Floats, faces: Ints, shift: Floats, settle: Callable[[Floats], Floats]) -> Floats:
    """Return the vertices moved by `shift` (V, 3) and settled. Faces that would cut through each other move as a whole, or else
    not at all; where neither helps, or they did before, they are left so: thinning leaves a crossing of a hair now and then.
    """
    free, before = np.zeros(len(vertices), dtype=np.bool_), find_tangled(vertices, faces).tolist()
    for attempt in range(TURNS):
        moved = settle(move_vertices(vertices, faces, shift, free))
        tangled = [pair for pair in find_tangled(moved, faces).tolist() if pair not in before]
        if not tangled:
            break
        corners = faces[tangled].reshape(len(tangled), 6)
        most = corners[np.arange(len(corners)), lengths(shift[corners]).argmax(axis=1)]
        shift[corners] = shift[most][:, None] if attempt < TURNS // 2 else 0.0
    return moved


def _to_lid(vertices: Floats, *, space: InsertableSpace, below: float, which: Bools) -> Floats:
    """Return vertices (V, 3) of which some, (V,) bool, lie in the lid less `below`."""
    settled = vertices.copy()
    settled[which, 2] = _top(space, vertices, below)[which]
    return settled


def _weigh_corners(corners: Floats, points: Floats) -> Floats:
    """Return the weights (N, 3) with which triangles' corners (N, 3, 3) make up points (N, 3) on them; they add up to 1."""
    u, v, w = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0], points - corners[:, 0]
    uu, uv, vv, wu, wv = dot(u, u), dot(u, v), dot(v, v), dot(w, u), dot(w, v)
    area = np.maximum(uu * vv - uv * uv, 1e-30)
    second, third = (vv * wu - uv * wv) / area, (uu * wv - uv * wu) / area
    weights = np.clip(np.column_stack([1.0 - second - third, second, third]), 0.0, 1.0)
    return np.asarray(weights / weights.sum(axis=1, keepdims=True))


def _top(space: InsertableSpace, points: Floats, below: float) -> Floats:
    return np.asarray(lid_height(space.lid, points[:, 0], points[:, 1]) - below)
