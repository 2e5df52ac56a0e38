"""Section sheets as PDF: templates at true size, to be cut from card and tried in the recess."""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from typing import TYPE_CHECKING, Any

import numpy as np

from mountgen.arrays import Floats
from mountgen.outline import fill_rings
from mountgen.paper.template import Template
from mountgen.paper.tile import CAPTION, FOOT, MARGIN, SIDE, Page, Placed, lay_out

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

POINTS = 72.0 / 25.4  # of the PDF in one mm
CHECK_BAR = 100.0  # mm
CUT, THIN = 0.25, 0.13  # mm, width of lines: ISO 128 takes one twice as wide for outlines as for other lines
CARD = 0.93  # grey of what is to be cut out
CROSS = 3.0  # mm, arms of the crosses by which sheets are laid over each other
SEAM_SHARES = (0.2, 0.8)  # of a seam's length, where those crosses are
LABEL, LEAST_LABEL = 5.0, 2.0  # mm, letters on the card: at most, and at least worth writing
Line = tuple[str, Floats, Floats, str, float]  # words, corners of their box about the label's place, font, size of letters
PLAIN, BOLD = "Helvetica", "Helvetica-Bold"  # every viewer has them: nothing is embedded
WARNING = 'Print at 100 % ("actual size"), not fitted to the page, and measure both bars before you cut.'


def draw_pages(templates: Sequence[Template], *, name: str, paper: str, clearance: float) -> bytes:
    """Return the sheets as a PDF that asks the viewer not to scale it.

    Args:
        templates: from `cut_templates`.
        name: of the part.
        paper: a key of `tile.PAPERS`.
        clearance: asked for, mm, for the words that say how a card should go in.

    Returns:
        bytes: PDF; the same arguments give the same bytes.

    Raises:
        KeyError: no such paper.
    """
    pages = lay_out(templates, paper=paper)
    stream = BytesIO()
    canvas = open_canvas(stream, title=f"{name}: section sheets, 1:1", subject=WARNING)
    for number, page in enumerate(pages, start=1):
        start_page(canvas, page.width, page.height)
        _draw_frame(canvas, page, f"{name}: sections of the part, 1:1", f"sheet {number} of {len(pages)}", clearance)
        for placed in page.placed:
            _draw_placed(canvas, placed)
        canvas.showPage()
    canvas.save()
    return stream.getvalue()


def open_canvas(stream: BytesIO, *, title: str, subject: str) -> Canvas:
    """Return an empty PDF that is not to be scaled in printing and holds no date."""
    from reportlab.pdfgen.canvas import Canvas

    canvas = Canvas(stream, invariant=1, pageCompression=1)
    canvas.setViewerPreference("PrintScaling", "None")
    canvas.setTitle(title)
    canvas.setSubject(subject)
    canvas.setCreator("mountgen")
    canvas.setAuthor("")
    return canvas


def start_page(canvas: Canvas, width: float, height: float) -> None:
    """Begin a page of width x height mm; from here on lengths are mm."""
    canvas.setPageSize((width * POINTS, height * POINTS))
    canvas.scale(POINTS, POINTS)
    canvas.setLineJoin(1)  # round: mitres of a rippled edge seen end on stand out of the part by millimetres


def trace(canvas: Canvas, lines: Sequence[Floats], *, closed: bool) -> Any:
    """Return lines (K, 2), mm, as one path."""
    path = canvas.beginPath()
    for line in lines:
        (x, y), *rest = line.tolist()
        path.moveTo(x, y)
        for u, v in rest:
            path.lineTo(u, v)
        if closed:
            path.close()
    return path


def _draw_frame(canvas: Canvas, page: Page, title: str, number: str, clearance: float) -> None:
    """Draw heading, warning and both check bars."""
    left, right, top = MARGIN, page.width - MARGIN, page.height - MARGIN
    canvas.setFont(BOLD, 4.2)
    canvas.drawString(left, top - 4.0, title)
    canvas.setFont(PLAIN, 3.4)
    canvas.drawRightString(right, top - 4.0, number)
    canvas.setFont(BOLD, 3.2)
    canvas.drawString(left, top - 8.4, WARNING)
    canvas.setFont(PLAIN, 2.9)
    way = "Cut in the middle of the lines; the outermost is enough. "
    way += f"At its depth a card has about {clearance:g} mm of room all around."
    canvas.drawString(left, top - 12.2, way)
    canvas.setStrokeGray(0.0)
    _draw_bar(canvas)
    canvas.saveState()
    canvas.translate(MARGIN + SIDE - 1.5, MARGIN + FOOT)
    canvas.rotate(90)
    canvas.translate(-MARGIN, -MARGIN)
    _draw_bar(canvas)
    canvas.restoreState()


def _draw_bar(canvas: Canvas) -> None:
    """Draw the check bar from the margins' lower left corner: a line of exactly 100 mm, with ticks 10 mm apart below it."""
    canvas.setLineWidth(CUT)
    canvas.line(MARGIN, MARGIN + 4.0, MARGIN + CHECK_BAR, MARGIN + 4.0)
    for k in range(11):
        at = MARGIN + k * CHECK_BAR / 10.0
        canvas.line(at, MARGIN + 4.0, at, MARGIN + (0.5 if k in (0, 5, 10) else 2.4))
    canvas.setFont(PLAIN, 3.0)
    canvas.drawCentredString(MARGIN + CHECK_BAR / 2.0, MARGIN + 4.8, "this bar is 100 mm long")


def _draw_placed(canvas: Canvas, placed: Placed) -> None:
    template = placed.template
    left, bottom, right, top = placed.window
    canvas.saveState()
    frame = canvas.beginPath()
    frame.rect(left, bottom, right - left, top - bottom)
    canvas.clipPath(frame, stroke=0, fill=0)
    canvas.setLineWidth(CUT)
    canvas.setFillGray(CARD)
    outline = trace(canvas, [line + placed.shift for line in template.outline], closed=True)
    canvas.drawPath(outline, stroke=1, fill=1, fillMode=0)  # even-odd: holes stay holes
    canvas.setFillGray(0.0)
    canvas.setLineWidth(THIN)
    canvas.setFont(PLAIN, 3.0)
    canvas.setDash([6.0, 1.5, 0.8, 1.5])  # mm; long, gap, dot, gap: lines of symmetry and of cuts
    for mark in template.marks:
        (ax, ay), (bx, by) = ((x + placed.shift[0], y + placed.shift[1]) for x, y in (mark.start, mark.end))
        canvas.line(ax, ay, bx, by)
        level = abs(bx - ax) > abs(by - ay)
        for (x, y), words, side in (((ax, ay), mark.words[0], -1.0), ((bx, by), mark.words[1], 1.0)):
            if level:
                canvas.drawCentredString(x + side * 3.2, y - 1.0, words)
            else:
                canvas.drawCentredString(x, y + side * 2.0 - 1.1, words)
    canvas.setDash([])
    _write_label(canvas, placed)
    canvas.restoreState()
    _draw_seams(canvas, placed)
    _write_caption(canvas, placed)


def _write_label(canvas: Canvas, placed: Placed) -> None:
    """Write on the card itself where it has most room, as large as it leaves the outline alone; on a ring, in its opening."""
    import shapely

    card = fill_rings(placed.template.outline)
    openings = shapely.difference(shapely.union_all([shapely.Polygon(each.exterior) for each in shapely.get_parts(card)]), card)
    (place, lines), grey = _find_room(canvas, placed.template, card), CARD
    if not lines:  # a ring: the outermost line alone may be cut, and then its opening is card too
        (place, lines), grey = _find_room(canvas, placed.template, openings), 1.0
    x, y = place + placed.shift
    for words, low, high, font, letter in lines:
        canvas.setFillGray(grey)
        canvas.rect(x + low[0], y + low[1], *(high - low).tolist(), stroke=0, fill=1)  # no line runs through it
        canvas.setFillGray(0.0)
        canvas.setFont(font, letter)
        canvas.drawCentredString(x, y + low[1] + 0.25 * letter, words)


def _find_room(canvas: Canvas, template: Template, area: Any) -> tuple[Floats, list[Line]]:
    """Return where in an area of shapely the label has most room, (2,) mm, and its lines; no lines where it has not enough."""
    import shapely

    if area.is_empty:
        return np.zeros(2), []
    circle = shapely.maximum_inscribed_circle(area, tolerance=0.5)
    place = shapely.get_coordinates(circle)[0]
    size = min(LABEL, 0.45 * float(circle.length))
    while size >= LEAST_LABEL:
        lines = _lay_label(canvas, template, size)
        boxes = [shapely.box(*(place + low), *(place + high)) for _, low, high, _, _ in lines]
        if area.contains_properly(shapely.union_all(boxes)):
            return place, lines
        size *= 0.95
    return place, []


def _lay_label(canvas: Canvas, template: Template, size: float) -> list[Line]:
    """Return the label's lines at a size of letters, mm."""
    lines = [(f"{template.code}   {template.label}", BOLD, size, 0.15 * size)]
    if template.label.endswith("mm"):
        lines.append(("12 o'clock up", PLAIN, 0.7 * size, -0.85 * size))
    laid = []
    for words, font, letter, above in lines:
        half = (canvas.stringWidth(words, font, letter) + letter) / 2.0
        low = np.array([-half, above - 0.25 * letter])
        laid.append((words, low, np.array([half, above + 0.8 * letter]), font, letter))
    return laid


def _write_caption(canvas: Canvas, placed: Placed) -> None:
    left, _, _, top = placed.window
    above = top - 4.0 if not placed.seams else top + CAPTION - 4.0
    canvas.setFont(BOLD, 3.6)
    canvas.drawString(left + 1.0, above, f"{placed.name}   {placed.template.title}")
    canvas.setFont(PLAIN, 2.9)
    words = placed.template.caption
    if placed.seams:
        others = ", ".join(sorted({other for _, _, other in placed.seams}))
        words += f"; lay dashed lines and crosses over those of {others}, and tape"
    canvas.drawString(left + 1.0, above - 4.0, words)


def _draw_seams(canvas: Canvas, placed: Placed) -> None:
    """Draw where neighbouring sheets lie over each other: a dashed line, two crosses on it, and the neighbour's name."""
    corners = np.array(placed.window).reshape(2, 2)
    canvas.setLineWidth(THIN)
    canvas.setFont(PLAIN, 3.0)
    for side, at, other in placed.seams:
        low, high = corners[:, 1 - side].tolist()
        canvas.setDash([2.0, 1.5])
        canvas.line(*((at, low, at, high) if side == 0 else (low, at, high, at)))
        canvas.setDash([])
        for share in SEAM_SHARES:
            along = low + share * (high - low)
            x, y = (at, along) if side == 0 else (along, at)
            canvas.line(x - CROSS, y, x + CROSS, y)
            canvas.line(x, y - CROSS, x, y + CROSS)
            canvas.circle(x, y, CROSS / 2.0)
        middle = (low + high) / 2.0
        canvas.saveState()
        canvas.translate(*((at, middle) if side == 0 else (middle, at)))
        canvas.rotate(90 if side == 0 else 0)
        canvas.drawCentredString(0.0, 0.8, f"{placed.name} meets {other}")
        canvas.restoreState()
