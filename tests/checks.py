"""Invariants of finished parts as one-line calls."""

from __future__ import annotations

from mountgen.datum import Recess
from mountgen.gap import TOLERANCE
from mountgen.inspection import inspect_body
from mountgen.kernel import Mesh, Solid
from mountgen.soundness import check_soundness


def assert_printable(mesh: Mesh) -> None:
    """The mesh bounds one manifold body without shut hollows."""
    sound = check_soundness(mesh.vertices, mesh.faces)
    assert sound.manifold, sound.reason
    assert (sound.pieces, sound.hollows) == (1, 0), f"{sound.pieces} pieces, {sound.hollows} shut hollows"


def is_valid(solid: Solid) -> bool:
    """Return the solid kernel's own verdict, asked anew: `kernel.is_valid` remembers, and trusts what was built face by face."""
    from OCP.BRepCheck import BRepCheck_Analyzer

    return bool(BRepCheck_Analyzer(solid, True).IsValid())


def assert_clears(mesh: Mesh, recess: Recess, gap: float) -> None:
    """The part keeps `gap` mm from the scan, at rest and on its way in, less the tolerance of its surface."""
    found = inspect_body(mesh, recess, clearance=gap, wall_min=0.0, line_width=0.4)
    rest = min(found.zones.values())
    assert rest >= gap - TOLERANCE, f"{rest:.3f} mm at rest: {found.rest.place}"
    way = found.insertion
    assert way.min >= way.limit - TOLERANCE, f"{way.min:.3f} mm at lift {way.lift:.1f}: {way.place}"
