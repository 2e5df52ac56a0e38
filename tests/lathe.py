"""Round recesses turned from a profile: every distance, area and angle of theirs is known in closed form."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise
from math import ceil, hypot, pi
from pathlib import Path

import numpy as np

from mountgen.arrays import Floats, Ints
from mountgen.datum import Recess
from mountgen.scan import Scan, measure_noise, measure_spacing

Point = tuple[float, float]


def turn(profile: Sequence[Point], *, step: float) -> tuple[Floats, Ints]:
    """Return the surface of a profile (radius, z) turned about z, squares of about `step` mm cut in two.

    The profile runs from outside to the middle, so that normals point to the free side above a recess.
    """
    points: list[Point] = []
    for (r, z), (s, w) in pairwise(profile):
        count = max(1, ceil(hypot(s - r, w - z) / step - 1e-9))
        points += [(r + (s - r) * k / count, z + (w - z) * k / count) for k in range(count)]
    points.append(profile[-1])
    around = max(24, ceil(2.0 * pi * max(r for r, _ in profile) / step))
    angle = 2.0 * pi * np.arange(around) / around
    rings = [np.column_stack([r * np.cos(angle), r * np.sin(angle), np.full(around, z)]) for r, z in points]
    vertices = np.concatenate(rings)
    i, j = np.meshgrid(np.arange(len(points) - 1), np.arange(around), indexing="ij")
    a, b = i * around + j, i * around + (j + 1) % around
    c, d = a + around, b + around
    faces = np.concatenate([np.stack([a, b, d], -1).reshape(-1, 3), np.stack([a, d, c], -1).reshape(-1, 3)])
    if points[-1][0] == 0.0:  # the middle is one point
        faces = np.minimum(faces, (len(points) - 1) * around)
        faces = faces[(faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])]
        vertices = vertices[: (len(points) - 1) * around + 1]
    return vertices, faces.astype(np.int32)


def cut(mesh: tuple[Floats, Ints], where: Callable[[Floats], Floats]) -> tuple[Floats, Ints]:
    """Return the mesh without the faces whose middles (N, 3) `where` marks."""
    vertices, faces = mesh
    return vertices, faces[~np.asarray(where(vertices[faces].mean(axis=1)), dtype=bool)]


def join(*meshes: tuple[Floats, Ints]) -> tuple[Floats, Ints]:
    """Return meshes side by side in one, not connected."""
    first = np.cumsum([0, *(len(vertices) for vertices, _ in meshes)])
    return (
        np.concatenate([vertices for vertices, _ in meshes]),
        np.concatenate([faces + k for (_, faces), k in zip(meshes, first, strict=False)]).astype(np.int32),
    )


def move(mesh: tuple[Floats, Ints], by: Sequence[float]) -> tuple[Floats, Ints]:
    """Return a mesh moved by (x, y, z)."""
    return mesh[0] + np.asarray(by), mesh[1]


def roughen(mesh: tuple[Floats, Ints], sigma: Floats, *, seed: int) -> tuple[Floats, Ints]:
    """Return a mesh with each vertex moved along its normal by a normal deviate of sigma (V,)."""
    vertices, faces = mesh
    corners = vertices[faces]
    normal = np.zeros(vertices.shape)
    for k in range(3):
        np.add.at(normal, faces[:, k], np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]))
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12)
    return vertices + (sigma * np.random.default_rng(seed).standard_normal(len(vertices)))[:, None] * normal, faces


def as_recess(mesh: tuple[Floats, Ints], *, radius: float, depth: float, **facts: object) -> Recess:
    """Return a mesh in the part frame as a recess with a round mouth about the origin."""
    vertices, faces = mesh
    used, local = np.unique(faces, return_inverse=True)
    angle = 2.0 * pi * np.arange(180) / 180
    rim = radius * np.column_stack([np.cos(angle), np.sin(angle), np.zeros(180)])
    usual = {"lid": np.zeros(6), "part_to_scan": np.eye(4), "up": np.array([0.0, 1.0, 0.0]), "depth": depth}
    return Recess(vertices[used], local.reshape(-1, 3).astype(np.int32), rim, **(usual | facts))  # type: ignore[arg-type]


def as_scan(recess: Recess, *, unit: str = "mm", mm_per_unit: float = 1.0) -> Scan:
    """Return the recess's own mesh as the scan it came from."""
    vertices, faces = recess.vertices, recess.faces
    spacing, noise = measure_spacing(vertices, faces), measure_noise(vertices, faces)
    return Scan(vertices, faces, Path("well.ply"), "0" * 64, unit, mm_per_unit, spacing, noise)


def well(
    *, radius: float = 30.0, depth: float = 40.0, panel: float = 25.0, draft: float = 2.0, step: float = 1.5
) -> tuple[Floats, Ints]:
    """Return a round well that narrows by `draft` mm to its flat floor, `panel` mm of flat surround about it."""
    return turn([(radius + panel, 0.0), (radius, 0.0), (radius - draft, -depth), (0.0, -depth)], step=step)
