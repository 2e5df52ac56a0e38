"""What is printed on paper: sections to cut from card and try in the recess, and a drawing of the part.

`template` chooses and cuts the sections, `tile` lays them on pages, `sheets` draws the pages as PDF, `vector` writes the same
as DXF and SVG; `views` finds the lines of a part seen from three sides, `key_sizes` what is dimensioned, `dimension` draws that,
`drawing` puts it all on one page. Libraries for PDF and
DXF are loaded only when something is drawn.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from mountgen.service.case import Case

ENDINGS = ("-sections.pdf", "-sections.dxf", "-sections.svg", "-drawing.pdf")


@dataclass(frozen=True)
class Papers:
    """What is wanted on paper.

    size    : of the paper, a key of `tile.PAPERS`.
    sheets  : sections to cut from card; drawing: of the whole part.
    stations: depths below the mouth's plane of the sections, mm; chosen if none are given.
    """

    size: str = "a4"
    sheets: bool = False
    drawing: bool = False
    stations: tuple[float, ...] = ()


def draw_papers(case: Case, papers: Papers) -> dict[str, bytes]:
    """Draw what is wanted on paper of a finished part.

    Args:
        case: the part in its recess.
        papers: what is wanted.

    Returns:
        dict: what comes after the part's name, of ENDINGS, to the file's bytes.

    Raises:
        ExportError: the part is not cut at a depth that was asked for.
        KeyError: no such paper.
    """
    name, found = case.recipe.name, {}
    if papers.sheets:
        from mountgen.paper.sheets import draw_pages
        from mountgen.paper.template import cut_templates
        from mountgen.paper.vector import encode_dxf, encode_svg

        fit = case.recipe.fit
        room = fit.clearance if fit.walls is None else fit.walls
        templates = cut_templates(case.part.body.mesh, case.recess, stations=papers.stations)
        found = {
            "-sections.pdf": draw_pages(templates, name=name, paper=papers.size, clearance=room),
            "-sections.dxf": encode_dxf(templates, name=name),
            "-sections.svg": encode_svg(templates, name=name),
        }
    if papers.drawing:
        from mountgen.paper.drawing import draw_part_drawing

        found["-drawing.pdf"] = draw_part_drawing(case, paper=papers.size)
    return found
