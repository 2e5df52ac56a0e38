"""One thing as it is printed, the whole part or a piece of it: its way up, its chamfer, what hangs over air, what it takes."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import isfinite

import numpy as np

from mountgen.arrays import Bools, Floats, freeze
from mountgen.kernel import Mesh
from mountgen.mesh_measure import measure_area, measure_volume
from mountgen.recipe_tables import Printer
from mountgen.service.case import Case
from mountgen.service.foot import Foot
from mountgen.service.plate import move_points
from mountgen.service.print_estimate import Estimate, estimate_print
from mountgen.service.print_orientation import OVERHANG_DEG, Orientation
from mountgen.service.print_shape import Undersides, measure_undersides

SWELLING = 0.15  # mm by which the first layer is pressed out: 0.15 in one printing profile, 0.1 to 0.2 in a glossary (both read)


@dataclass(frozen=True, eq=False)
class Print:
    """What lies on the plate.

    name    : "" for the whole part, "piece a" for a piece.
    mesh    : part frame, mm, without the chamfer.
    bearing : (F,) mm² of each face that bear on the recess.
    way     : its way up.  foot: with the chamfer along the plate.
    under   : what hangs over air.
    estimate: what it takes.
    """

    name: str
    mesh: Mesh
    bearing: Floats
    way: Orientation
    foot: Foot
    under: Undersides
    estimate: Estimate

    def __post_init__(self) -> None:
        freeze(self, "bearing", "float64")

    @property
    def steadiness(self) -> float:
        """Distance from the foot of the centre of mass to the edge of the first layer, for each mm of its height; 0 if none."""
        return 1.0 / self.way.lean if isfinite(self.way.lean) else 0.0

    def find_swelling(self, printer: Printer) -> float:
        """Return how far the first layer, pressed out, stands past faces that bear on the recess, mm; 0 where none stand there.

        The chamfer takes it where it could be cut everywhere: in the middle of the first layer the part stands back by its
        size less half a layer.
        """
        cut = self.foot.left == 0.0 and printer.foot > 0.0
        room = max(printer.foot - 0.5 * printer.layer_height, 0.0) if cut else 0.0
        return max(SWELLING - room, 0.0) if self._bears_on_plate(printer.layer_height) else 0.0

    def _bears_on_plate(self, layer: float) -> bool:
        """Return whether faces beside the first layer bear on the recess."""
        pose, mesh = self.way.pose, self.mesh
        level = mesh.vertices @ pose.part_to_plate[2, :3] + pose.part_to_plate[2, 3]
        low = level[mesh.faces].min(axis=1) < layer
        corners = mesh.vertices[mesh.faces[low]]
        if not len(corners):
            return False
        normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        beside = normal @ self.way.up > -0.9 * np.linalg.norm(normal, axis=1)
        return float(self.bearing[low][beside].sum()) > 0.0


def lay_print(case: Case, way: Orientation, foot: Foot, *, mesh: Mesh, bearing: Floats, name: str = "") -> Print:
    """Measure one thing as it is printed.

    Args:
        case: gives printer and density.
        way: its way up. foot: its chamfer.
        mesh: part frame, mm. bearing: (F,) mm² of each face that bear on the recess.
        name: as in `Print`.
    """
    printer = case.recipe.printer
    under = look_under(mesh, way, printer.layer_height)
    estimate = estimate_print(
        volume=measure_volume(mesh), area=measure_area(mesh), height=way.pose.size[2], air=under.support,
        density=case.material.density.value, printer=printer,
    )  # fmt: skip
    return Print(name, mesh, bearing, way, foot, under, estimate)


def lay_whole(case: Case) -> Print:
    """Measure the whole part as it is printed."""
    return lay_print(
        case, case.orientations[0], case.foot, mesh=case.part.body.mesh, bearing=np.asarray(case.inspection.bearing)
    )


def look_under(mesh: Mesh, way: Orientation, layer: float, *, skip: Bools | None = None) -> Undersides:
    """Measure what hangs over air in a mesh that lies on the plate one way up, layers `layer` mm high. skip: see there."""
    turned = Mesh(move_points(mesh.vertices, way.pose.part_to_plate), mesh.faces)
    return measure_undersides(turned, layer=layer, overhang_deg=OVERHANG_DEG, skip=skip)


def add_up(prints: tuple[Print, ...]) -> Estimate:
    """Return what several prints take, each started by itself."""
    total = prints[0].estimate
    for each in prints[1:]:
        e = each.estimate
        total = replace(
            total, shell=total.shell + e.shell, inside=total.inside + e.inside, laid=total.laid + e.laid,
            support=total.support + e.support, mass=total.mass + e.mass, support_mass=total.support_mass + e.support_mass,
            filament=total.filament + e.filament, layers=total.layers + e.layers, time=total.time + e.time,
        )  # fmt: skip
    return total
