"""The page of a part, from what a run has at hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from mountgen.datum import Recess
from mountgen.features.part import Part
from mountgen.inspection import Inspection
from mountgen.kernel import Mesh
from mountgen.page.cuts import Cut, cut_part
from mountgen.page.fill import fill_page
from mountgen.page.layers import Layer, make_layers, pack_scan
from mountgen.page.pack import Packed

CLEAR = 5.0  # mm by which the part, taken out in the view, stands off the mouth


@dataclass(frozen=True)
class Sight:
    """What the page shows of a part in its recess.

    layers: of the 3D view.  cuts: the sections.
    travel: mm that the part moves to be clear of the mouth.
    """

    layers: tuple[Layer, ...]
    cuts: tuple[Cut, ...]
    travel: float


def prepare_sight(
    part: Part, recess: Recess, inspection: Inspection, *, scan: Packed | None = None, keep_outs: Sequence[tuple[str, Mesh]] = ()
) -> Sight:
    """Prepare what the page shows, for which nothing need be judged yet.

    Args:
        part: with its finished mesh. recess: the scan. Both in the part frame.
        inspection: of the finished mesh.
        scan: as from `pack_scan`, where that has been made before.
        keep_outs: name and body of what must stay free, part frame.
    """
    mesh = part.body.mesh
    layers = make_layers(mesh, scan or pack_scan(recess), inspection.standing, device=part.device, keep_outs=keep_outs)
    widest = float(inspection.standing.clearance.max())
    cuts = cut_part(mesh, recess, clearance=widest, least=inspection.rest.point)
    travel = float(recess.rim[:, 2].max() - mesh.vertices[:, 2].min()) + CLEAR
    return Sight(layers, cuts, max(travel, CLEAR))


def draw_page(report: bytes, sight: Sight, *, recipe: str) -> bytes:
    """Return report.html: one file that shows the part in its recess in any browser, without a network.

    Args:
        report: report.json as it is written.
        sight: what it shows.
        recipe: the complete recipe, TOML.

    Returns:
        bytes: HTML, UTF-8.
    """
    return fill_page(report, layers=sight.layers, cuts=sight.cuts, recipe=recipe, travel=sight.travel)
