"""The chamfer along the plate: room for the first layer, which is pressed out wider than the part.

Goal: in the 3MF the part stands back from its own outline by as much as it stands below the chamfer's upper edge. Steps: 1. The
outline of the part where the chamfer ends. 2. A cone, point up, swept along that outline is what must go: 45 degrees, measured
level, whatever the walls do below; walls that are rounded there stand back by themselves and lose nothing. 3. Where a wall would
keep less than two printed lines it is left as it is, so are tabs and pads. Only plastic is taken, so the fit stays proven.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np

from mountgen.arrays import Floats, Ints
from mountgen.kernel import Mesh
from mountgen.outline import chain_pieces
from mountgen.scene import Plane, cut_lines
from mountgen.service.plate import Pose, move_points
from mountgen.solid_mesh import load_solid, unload_solid

if TYPE_CHECKING:
    from mountgen.features.part import SoftZone

LINES = 2  # printed lines that a wall keeps on the plate, at least (our rule)
TRIFLE = 0.5  # mm² of a section; less than this in all is not worth a cut
SMOOTH = 0.01  # mm by which the outline may be off: facets of the part are finer than a printer follows
OUTSIDE = 0.03  # mm by which the cone's point runs outside the outline, and as much higher: the same slope, no touching corners
BELOW = 0.1  # mm by which the tool reaches below the plate
RING = 12  # corners of the cone
CRUMB = 1.0  # mm³; a chip that comes off is swept up, more than this is not cut off
MITRE = 4.0  # times the offset that a corner may reach out


@dataclass(frozen=True, eq=False)
class Foot:
    """A part as its 3MF has it.

    mesh    : part frame, mm.
    removed : mm³ that the chamfer took.
    left    : mm² of the section where the chamfer ends that was left as it is: walls too thin for it, tabs, pads.
    """

    mesh: Mesh
    removed: float
    left: float


def chamfer_foot(mesh: Mesh, pose: Pose, *, size: float, line_width: float, zones: Sequence[SoftZone] = ()) -> Foot:
    """Cut the chamfer along the plate.

    Args:
        mesh: closed, part frame, mm.
        pose: how it lies on the plate.
        size: height of the chamfer, and how far the first layer stands back, mm; 0 for none.
        line_width: of a printed line, mm.
        zones: boxes of the part frame in which nothing is cut.

    Returns:
        Foot: the same mesh where there is nothing to cut.

    Raises:
        Nothing.
    """
    if size <= 0.0:
        return Foot(mesh, 0.0, 0.0)
    vertices = move_points(mesh.vertices, pose.part_to_plate)
    if not _asks_for_it(vertices, mesh.faces, size):
        return Foot(mesh, 0.0, 0.0)
    solid = load_solid(Mesh(vertices, mesh.faces))
    outline = solid.slice(size)
    spared = _find_spared(outline, size + LINES * line_width / 2.0, pose, zones, size=size)
    tool = _sweep_cone(outline.simplify(SMOOTH).offset(OUTSIDE, _miter(), MITRE), size + OUTSIDE)
    if spared.area() > 0.0:
        tool -= spared.offset(size, _miter(), MITRE).extrude(size + 2.0 * BELOW).translate((0.0, 0.0, -BELOW))
    cut = max((solid - tool).decompose(), key=lambda piece: piece.volume())
    removed = float(solid.volume() - cut.volume())
    made = unload_solid(cut, turn=pose.part_to_plate[:3, :3], shift=pose.part_to_plate[:3, 3])
    if made is None or removed > float((solid ^ tool).volume()) + CRUMB:  # no sound mesh, or it would fall apart
        return Foot(mesh, 0.0, float(outline.area()))
    return Foot(made, removed, float((spared ^ outline).area()))


def _miter() -> Any:
    import manifold3d

    return manifold3d.JoinType.Miter


def _asks_for_it(vertices: Floats, faces: Ints, size: float) -> bool:
    """Return whether a part, as it lies on the plate, stands out of the chamfer anywhere: a rounded edge stands back by itself.

    Sections are cut from the triangles: for them alone the whole part would take ten times as long to load.
    """
    outline, *lower = (_cut_level(vertices, faces, level) for level in (size, 0.05 * size, 0.5 * size))
    if outline is None:
        return True
    return any(
        section is None or float((section - outline.offset(level - size, _miter(), MITRE)).area()) > TRIFLE
        for section, level in zip(lower, (0.05 * size, 0.5 * size), strict=True)
    )


def _cut_level(vertices: Floats, faces: Ints, level: float) -> Any:
    """Return a section across the plate's z; None where its lines do not close."""
    import manifold3d

    plane = Plane(np.array([0.0, 0.0, level]), np.array([0.0, 0.0, 1.0]))
    rings = chain_pieces(cut_lines(vertices, faces, plane)[..., :2], tidy=0.0)
    if any((ring[0] != ring[-1]).any() for ring in rings):
        return None
    return manifold3d.CrossSection([ring[:-1] for ring in rings], manifold3d.FillRule.EvenOdd)


def _find_spared(outline: Any, half: float, pose: Pose, zones: Sequence[SoftZone], *, size: float) -> Any:
    """Return what is narrower than twice `half`, and what lies in a zone, seen from above."""
    import manifold3d

    wide = outline.offset(-half, _miter(), MITRE).offset(half, _miter(), MITRE)
    spared = (outline - wide).offset(-5.0 * SMOOTH, _miter(), MITRE).offset(5.0 * SMOOTH, _miter(), MITRE)
    for zone in zones:
        corners = np.array(list(product(*zip(zone.low, zone.high, strict=True))))
        box = move_points(corners, pose.part_to_plate)
        if box[:, 2].min() < size:
            spared += manifold3d.CrossSection.hull_points(box[:, :2])
    return spared


def _sweep_cone(outline: Any, size: float) -> Any:
    """Return the solid that a cone, its point on the outline, sweeps: at a height z it reaches size - z to either side."""
    import manifold3d

    reach = size + BELOW
    turn = 2.0 * np.pi * np.arange(RING) / RING
    ring = reach * np.column_stack([np.cos(turn), np.sin(turn)])
    hulls = []
    for loop in outline.to_polygons():
        first = np.asarray(loop)
        second = np.roll(first, -1, axis=0)
        along = second - first
        normal = np.column_stack([along[:, 1], -along[:, 0]]) / np.maximum(np.linalg.norm(along, axis=1), 1e-12)[:, None]
        for a, b, n in zip(first, second, reach * normal, strict=True):
            base = np.vstack([a + ring, b + ring, [a + n, a - n, b + n, b - n]])
            corners = np.vstack([np.column_stack([base, np.full(len(base), -BELOW)]), [[*a, size], [*b, size]]])
            hulls.append(manifold3d.Manifold.hull_points(corners))
    return manifold3d.Manifold.batch_boolean(hulls, manifold3d.OpType.Add)
