"""Recesses in panels as watertight solids of known shape: what the simulated scanner looks at.

A recess is an outline swept along a profile: across the panel, round the rim, down the drafted wall, round
the floor's edge. Moving every point of the outline along its own normal keeps straight walls straight and
round corners round, so radii and drafts are exact. Bosses, ribs, steps and ridges are posts swept the same
way and united with the floor. Bows, lips and curved bases are smooth warps of the finished solid.

Frame: origin at the mouth's centre, +z out of the recess, mm.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import acos, ceil, hypot, pi, radians, tan
from typing import Any

import numpy as np

from mountgen.arrays import Floats, Ints, freeze

CHORD = 0.004  # mm; greatest distance of an arc from its chord
LONGEST = 3.5  # mm; longest edge of a finished solid, so that a warp bends flat areas truly
MARGIN = 34.0  # mm of panel around the mouth; the scan ends before it does
BACK = 12.0  # mm of material behind the floor
SUNK = 0.02  # mm by which the foot of a post stands in the floor, so that the two solids cross cleanly

Warp = Callable[[Floats], Floats]


@dataclass(frozen=True, eq=False)
class Outline:
    """A closed curve in the plan and the direction in which each of its points is offset.

    points  : (K, 2) float64, mm, counter-clockwise, first point not repeated.
    offsets : (K, 2) float64; the outward normal, or at a sharp corner the mitre (longer than 1).
    """

    points: Floats
    offsets: Floats

    def __post_init__(self) -> None:
        freeze(self, "points", "float64")
        freeze(self, "offsets", "float64")

    def grown(self, by: float) -> Floats:
        """Return the parallel curve at distance `by` (mm, negative: inside), (K, 2)."""
        return self.points + by * self.offsets


@dataclass(frozen=True, eq=False)
class Specimen:
    """A panel with a recess of known shape, in the truth frame.

    truth_vertices : (V, 3) float64, mm.    truth_faces: (F, 3) int32, a closed solid, normals out of the
    material.
    draw           : (3,) unit vector along which a part is withdrawn.    up: (3,) unit vector, the vehicle's
    up.
    mouth          : (K, 2) float64, mm, plan of the mouth's sharp edge before it was rounded and warped.
    depth          : nominal depth of the floor below the mouth, mm.
    """

    name: str
    truth_vertices: Floats
    truth_faces: Ints
    mouth: Floats
    depth: float
    draw: tuple[float, float, float] = (0.0, 0.0, 1.0)
    up: tuple[float, float, float] = (0.0, 1.0, 0.0)

    def __post_init__(self) -> None:
        for name in ("truth_vertices", "mouth"):
            freeze(self, name, "float64")
        freeze(self, "truth_faces", "int32")


def round_outline(
    corners: Sequence[tuple[float, float]], radii: float | Sequence[float], *, step: float = LONGEST
) -> Outline:
    """Return a polygon with rounded corners.

    Args:
        corners: counter-clockwise, mm.
        radii: of each corner, or one for all, mm; 0 leaves the corner sharp.
        step: longest piece of a straight side, mm.

    Returns:
        Outline: arcs no further than CHORD from their chords.

    Raises:
        ValueError: a rounding is longer than the side it stands on.
    """
    ring = np.asarray(corners, dtype=np.float64)
    size = np.broadcast_to(np.asarray(radii, dtype=np.float64), len(ring))
    along = np.roll(ring, -1, axis=0) - ring
    length = np.hypot(along[:, 0], along[:, 1])
    along /= length[:, None]
    normal = np.column_stack([along[:, 1], -along[:, 0]])
    turn = np.arctan2(  # left turn at each corner, positive where the outline is convex
        np.roll(along, 1, axis=0)[:, 0] * along[:, 1] - np.roll(along, 1, axis=0)[:, 1] * along[:, 0],
        (np.roll(along, 1, axis=0) * along).sum(axis=1),
    )
    cut = size * np.tan(np.abs(turn) / 2.0)
    if (cut + np.roll(cut, -1) > length + 1e-9).any():
        raise ValueError(
            f"corner radii {size.tolist()} do not fit sides of length {length.round(3).tolist()}"
        )
    ahead = np.roll(normal, 1, axis=0)
    mitre = (ahead + normal) / (1.0 + (ahead * normal).sum(axis=1, keepdims=True))
    points: list[Floats] = []
    offsets: list[Floats] = []
    for k in range(len(ring)):
        before, after = normal[k - 1], normal[k]
        if size[k] == 0.0:
            points.append(ring[k : k + 1])
            offsets.append(mitre[k : k + 1])
        else:
            side = 1.0 if turn[k] > 0 else -1.0
            centre = ring[k] - along[k - 1] * cut[k] - side * size[k] * before
            pieces = _arc_pieces(size[k], abs(turn[k]))
            angle = np.arctan2(before[1], before[0]) + turn[k] * np.linspace(0.0, 1.0, pieces + 1)
            ray = np.column_stack([np.cos(angle), np.sin(angle)])
            points.append(centre + side * size[k] * ray)
            offsets.append(ray)
        straight = length[k] - cut[k] - cut[(k + 1) % len(ring)]
        count = ceil(straight / step - 1e-9)
        share = np.arange(1, count)[:, None] / max(count, 1)
        points.append(ring[k] + (cut[k] + straight * share) * along[k])
        # a sharp corner slides along its sides when offset; the points of the side share that evenly
        slide = [float(mitre[j] @ along[k]) if size[j] == 0.0 else 0.0 for j in (k, (k + 1) % len(ring))]
        offsets.append(after + (slide[0] * (1.0 - share) + slide[1] * share) * along[k])
    joined, moves = np.vstack(points), np.vstack(offsets)
    apart = np.linalg.norm(joined - np.roll(joined, 1, axis=0), axis=1) > 1e-9
    return Outline(joined[apart], moves[apart])


def rectangle(
    width: float,
    height: float,
    radius: float,
    *,
    centre: tuple[float, float] = (0.0, 0.0),
    step: float = LONGEST,
) -> Outline:
    """Return a rectangle of `width` along x and `height` along y with rounded corners, mm."""
    x, y, a, b = *centre, width / 2.0, height / 2.0
    return round_outline([(x - a, y - b), (x + a, y - b), (x + a, y + b), (x - a, y + b)], radius, step=step)


def circle(radius: float, *, centre: tuple[float, float] = (0.0, 0.0)) -> Outline:
    """Return a circle; its points lie on it, so the polygon is the smaller by at most CHORD."""
    angle = np.linspace(0.0, 2.0 * pi, _arc_pieces(radius, 2.0 * pi), endpoint=False)
    ray = np.column_stack([np.cos(angle), np.sin(angle)])
    return Outline(radius * ray + np.asarray(centre), ray)


def build_recess(
    outline: Outline,
    *,
    depth: float,
    draft_deg: float,
    rim_radius: float,
    floor_radius: float,
    margin: float = MARGIN,
    wall_step: float = LONGEST,
) -> Any:
    """Return a block with a flat top at z = 0 and a recess in it, as a Manifold.

    Args:
        outline: where wall and panel would meet if the rim were sharp; origin at the mouth's centre.
        depth: of the floor, mm.
        draft_deg: lean of the walls, degrees; positive opens the recess outwards.
        rim_radius, floor_radius: roundings at the two ends of the wall, mm; 0 leaves them sharp.
        margin: panel around the mouth, mm.
        wall_step: greatest distance of two rings on the wall, mm; small where a warp is to bend the wall.

    Returns:
        manifold3d.Manifold: watertight block, BACK mm thick behind the floor.
    """
    profile = _round_profile(-depth, draft_deg, rim_radius, floor_radius, wall_step)
    reach = np.abs(outline.points).max(axis=0) + margin
    block = rectangle(2.0 * reach[0], 2.0 * reach[1], margin)
    rings = [np.column_stack([block.points, np.full(len(block.points), -depth - BACK)])]
    rings.append(np.column_stack([block.points, np.zeros(len(block.points))]))
    walls = [np.column_stack([outline.grown(s), np.full(len(outline.points), z)]) for s, z in profile]
    return _close_rings([rings, walls], annulus=True)


def build_post(
    outline: Outline, *, height: float, floor: float, draft_deg: float, top_radius: float, foot_radius: float
) -> Any:
    """Return a post that stands on a floor, as a Manifold to be united with a block.

    Args:
        outline: where the post's wall and the floor would meet if the foot were sharp.
        height: above the floor, mm.    floor: z of the floor, mm.
        draft_deg: lean of the post's walls, degrees; positive narrows it upwards.
        top_radius, foot_radius: roundings at the two ends of the wall, mm.

    Returns:
        manifold3d.Manifold: watertight post, reaching 2 mm into the floor.
    """
    profile = _round_profile(height, draft_deg, foot_radius, top_radius, LONGEST)
    widest = float(profile[0, 0])
    profile[:, 1] += floor - SUNK
    rings = [np.column_stack([outline.grown(widest), np.full(len(outline.points), floor - 2.0)])]
    rings += [np.column_stack([outline.grown(s), np.full(len(outline.points), z)]) for s, z in profile]
    return _close_rings([rings], annulus=False)


def finish(
    solid: Any,
    name: str,
    outline: Outline,
    depth: float,
    *,
    warps: Sequence[Warp] = (),
    draw: tuple[float, float, float] = (0.0, 0.0, 1.0),
) -> Specimen:
    """Return the specimen made of a solid, split to edges of LONGEST, then warped by each warp."""
    solid = solid.refine_to_length(LONGEST)
    for warp in warps:
        solid = solid.warp_batch(lambda points, warp=warp: warp(np.asarray(points)))
    mesh = _checked(solid).to_mesh64()
    return Specimen(
        name, np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts), outline.points, depth, draw
    )


def step_up(value: Floats, start: float, end: float) -> Floats:
    """Return 0 before `start`, 1 after `end` and a smooth cubic between (the usual 3t² - 2t³)."""
    t = np.clip((value - start) / (end - start), 0.0, 1.0)
    return np.asarray(t * t * (3.0 - 2.0 * t))


def bow_panel(radius_x: float, radius_y: float, depth: float) -> Warp:
    """Return a warp that bows the panel towards the scanner, fading to nothing at the floor."""

    def warp(points: Floats) -> Floats:
        x, y, z = points.T
        drop = x * x / (2.0 * radius_x) + y * y / (2.0 * radius_y)
        return np.column_stack([x, y, z - drop * np.clip(1.0 + z / depth, 0.0, 1.0)])

    return warp


def _arc_pieces(radius: float, angle: float) -> int:
    return max(2, ceil(angle / (2.0 * acos(max(0.0, 1.0 - CHORD / radius)))))


def _round_profile(
    rise: float, draft_deg: float, radius: float, end_radius: float, wall_step: float
) -> Floats:
    """Return the profile (P, 2) of (offset, z): inwards at z = 0, along the wall to z = `rise`, inwards."""
    lean = tan(radians(draft_deg)) * abs(rise)
    flat = (90.0 - draft_deg) / 2.0
    reach = radius * tan(radians(flat)), end_radius * tan(radians(flat))
    length = hypot(lean, rise)
    if sum(reach) > length:
        raise ValueError(f"roundings of {radius} and {end_radius} do not fit a wall of length {length:.3f}")
    wall = np.array([-lean, rise]) / length
    inward = np.array([-1.0, 0.0])
    arc = radians(90.0 - draft_deg)
    start = _round_corner(np.zeros(2), inward, wall, radius, reach[0], arc)
    end = _round_corner(np.array([-lean, rise]), wall, inward, end_radius, reach[1], arc)
    gap = end[0] - start[-1]
    pieces = max(1, ceil(float(np.hypot(*gap)) / wall_step))
    between = start[-1] + gap * (np.arange(1, pieces) / pieces)[:, None]
    return np.vstack([start, between, end])


def _round_corner(
    corner: Floats, into: Floats, out: Floats, radius: float, reach: float, arc: float
) -> Floats:
    if radius == 0.0:
        return corner[None]
    middle = corner - into * reach
    square = out - (out @ into) * into
    square /= np.linalg.norm(square)
    t = np.linspace(0.0, arc, _arc_pieces(radius, arc) + 1)
    return np.asarray(middle + radius * (np.sin(t)[:, None] * into + (1.0 - np.cos(t))[:, None] * square))


def _close_rings(groups: list[list[Floats]], *, annulus: bool) -> Any:
    """Return the solid skinned by bands between rings, two caps and, between two groups, a flat annulus."""
    from manifold3d import Manifold, Mesh64, triangulate

    vertices = np.vstack([ring for group in groups for ring in group])
    faces: list[Any] = []
    first = 0
    for group in groups:
        count = len(group[0])
        here = np.arange(count)
        after = np.roll(here, -1)
        for k in range(len(group) - 1):
            low, high = first + k * count, first + (k + 1) * count
            faces.append(np.column_stack([low + here, low + after, high + after]))
            faces.append(np.column_stack([low + here, high + after, high + here]))
        first += len(group) * count
    bottom = groups[0][0]
    faces.append(np.asarray(triangulate([bottom[:, :2].copy()]))[:, ::-1])
    top = groups[-1][-1]
    faces.append(np.asarray(triangulate([top[:, :2].copy()])) + len(vertices) - len(top))
    if annulus:
        outer, hole = groups[0][-1], groups[1][0]
        ring = np.asarray(triangulate([outer[:, :2].copy(), hole[::-1, :2].copy()]))
        start = sum(len(r) for r in groups[0]) - len(outer)
        index = np.concatenate(
            [start + np.arange(len(outer)), start + len(outer) + np.arange(len(hole))[::-1]]
        )
        faces.append(index[ring])
    mesh = Mesh64(np.ascontiguousarray(vertices), np.ascontiguousarray(np.vstack(faces).astype(np.uint64)))
    return _checked(Manifold(mesh))


def _checked(solid: Any) -> Any:
    """Return the solid, or raise ValueError: a failed Manifold is silently empty."""
    if solid.is_empty() or solid.volume() <= 0.0:
        raise ValueError(f"not a solid: {solid.status()}, volume {solid.volume():.3f} mm³")
    return solid
