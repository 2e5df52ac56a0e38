"""The page of a part, from what a run has at hand."""

from __future__ import annotations

from collections.abc import Sequence

from mountgen.datum import Recess
from mountgen.features.part import Part
from mountgen.inspection import Inspection
from mountgen.kernel import Mesh
from mountgen.page.cuts import cut_part
from mountgen.page.fill import fill_page
from mountgen.page.layers import make_layers

CLEAR = 5.0  # mm by which the part, taken out in the view, stands off the mouth


def draw_page(
    report: bytes,
    part: Part,
    recess: Recess,
    inspection: Inspection,
    *,
    recipe: str,
    keep_outs: Sequence[tuple[str, Mesh]] = (),
) -> bytes:
    """Return report.html: one file that shows the part in its recess in any browser, without a network.

    Args:
        report: report.json as it is written.
        part: with its finished mesh. recess: the scan. Both in the part frame.
        inspection: of the finished mesh.
        recipe: the complete recipe, TOML.
        keep_outs: name and body of what must stay free, part frame.

    Returns:
        bytes: HTML, UTF-8.
    """
    mesh = part.body.mesh
    layers = make_layers(mesh, recess, inspection.standing, device=part.device, keep_outs=keep_outs)
    widest = float(inspection.standing.clearance.max())
    cuts = cut_part(mesh, recess, clearance=widest, least=inspection.rest.point)
    travel = float(recess.rim[:, 2].max() - mesh.vertices[:, 2].min()) + CLEAR
    return fill_page(report, layers=layers, cuts=cuts, recipe=recipe, travel=max(travel, CLEAR))
