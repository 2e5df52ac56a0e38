"""A drawing of a part on one page: three views in first-angle projection, overall sizes, what it is made of, a title block.

Lines, scales, dimensions and the projection symbol follow the practice of ISO 128, 5455, 129 and 5456-2 (from memory): visible
edges in thick lines, hidden ones dashed, thin lines half as wide, sizes over their dimension lines.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO
from typing import TYPE_CHECKING, Any

import numpy as np

from mountgen.arrays import Floats
from mountgen.mesh_measure import measure_bounds, measure_volume
from mountgen.paper.sheets import BOLD, PLAIN, open_canvas, start_page, trace
from mountgen.paper.tile import PAPERS
from mountgen.paper.views import LEFT, View, find_views
from mountgen.verdict import format_number

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

    from mountgen.service.case import Case

SCALES = ((10, 1), (5, 1), (2, 1), (1, 1), (1, 2), (1, 5), (1, 10), (1, 20), (1, 50))  # ISO 5455
MARGIN, BLOCK = 10.0, 22.0  # mm; height of the title block
THICK, THIN = 0.5, 0.25  # mm
DASH = (3.0, 1.2)  # mm
BESIDE = 18.0  # mm between two views, for the dimensions there
OUT = 9.0  # mm from a view to its dimension line
LETTER, SMALL = 3.5, 2.5  # mm, heights of letters (ISO 3098 has 2.5, 3.5, 5)
ARROW = (2.5, 0.8)  # mm, length and width of an arrow
ANGLES = frozenset({"tilt", "lean", "draft"})  # keys of a recipe in degrees; the other numbers listed are mm
LISTED = ("fit", "body", "deck", "device", "lip", "tabs", "cable", "drains", "tape", "plug", "flange", "dividers", "pull_tab")
NOT_SIZES = frozenset({"mass", "compression", "count", "count_x", "count_y", "ribs", "place"})


@dataclass(frozen=True, eq=False)
class _Placed:
    """A view on the page: its lower left corner is at `corner`, mm, `scale` mm of paper a mm."""

    view: View
    corner: Floats
    scale: float

    def place(self, points: Floats) -> Floats:
        return np.asarray(self.corner + (points - self.view.low) * self.scale)

    @property
    def box(self) -> tuple[float, float, float, float]:
        """Left, bottom, right, top of the page, mm."""
        right, top = (self.corner + (self.view.high - self.view.low) * self.scale).tolist()
        return float(self.corner[0]), float(self.corner[1]), right, top


def draw_part_drawing(case: Case, *, paper: str) -> bytes:
    """Return the drawing of a part as a PDF of one page, lying.

    Args:
        case: the part in its recess.
        paper: a key of `tile.PAPERS`.

    Returns:
        bytes: PDF; the same arguments give the same bytes.

    Raises:
        KeyError: no such paper.
        KernelError: a face cannot be meshed.
    """
    height, width = PAPERS[paper]
    recipe, mesh = case.recipe, case.part.body.mesh
    low, high = measure_bounds(mesh)
    views = find_views(case.part.body.solid)
    placed, scale = _arrange(views, width, height)
    stream = BytesIO()
    canvas = open_canvas(stream, title=f"{recipe.name}: drawing", subject="first-angle projection, mm")
    start_page(canvas, width, height)
    for each in placed:
        _draw_view(canvas, each)
    front, left, above = placed
    size = [f"{v:.1f}" for v in np.asarray(high) - np.asarray(low)]
    _dimension(canvas, (front.box[0], front.box[3]), (front.box[2], front.box[3]), size[0], outwards=(0.0, 1.0))
    _dimension(canvas, (front.box[0], front.box[1]), (front.box[0], front.box[3]), size[1], outwards=(-1.0, 0.0))
    _dimension(canvas, (left.box[0], left.box[3]), (left.box[2], left.box[3]), size[2], outwards=(0.0, 1.0))
    _dimension_mouth(canvas, left, low, high)
    _list_sizes(canvas, case, above.box[2] + BESIDE, above.box[3] - 2.0 * LETTER, width)
    mass = measure_volume(mesh) * case.material.density.value / 1000.0
    _draw_block(canvas, width, words=(
        ("part", recipe.name), ("kind", recipe.kind), ("material", case.material.name),
        ("mass at full infill", f"{format_number(mass)} g"), ("scale", f"{scale[0]}:{scale[1]}"), ("sizes", "mm"),
        ("paper", paper.capitalize()), ("sheet", "1 of 1"), ("surfaces", "as in the STEP file"),
        ("from scan", f"{case.scan.path.name}, {case.scan.sha256[:12]}"),
    ))  # fmt: skip
    canvas.showPage()
    canvas.save()
    return stream.getvalue()


def _arrange(views: Sequence[View], width: float, height: float) -> tuple[list[_Placed], tuple[int, int]]:
    """Place the views at the largest standard scale that fits: that from the left at the right, that from above below."""
    front, left, above = views
    (w, h), (d, _), (_, t) = (view.high - view.low for view in (front, left, above))
    around = 2.0 * MARGIN + 2.0 * OUT + BESIDE
    room = np.array([width - around, height - around - BLOCK - 2.0 * LETTER])
    for scale in SCALES:
        factor = scale[0] / scale[1]
        if (factor * np.array([w + d, h + t]) <= room).all():
            break
    x = MARGIN + 2.0 * OUT
    y = height - MARGIN - 2.0 * OUT - h * factor
    corners = ((x, y), (x + w * factor + BESIDE, y), (x, y - BESIDE - t * factor))
    return [_Placed(view, np.array(corner), factor) for view, corner in zip(views, corners, strict=True)], scale


def _draw_view(canvas: Canvas, placed: _Placed) -> None:
    canvas.setStrokeGray(0.0)
    canvas.setLineCap(1)
    canvas.setLineWidth(THIN)
    canvas.setDash(list(DASH))
    canvas.drawPath(trace(canvas, [placed.place(line) for line in placed.view.hidden], closed=False), stroke=1, fill=0)
    canvas.setDash([])
    canvas.setLineWidth(THICK)
    canvas.drawPath(trace(canvas, [placed.place(line) for line in placed.view.visible], closed=False), stroke=1, fill=0)
    left, bottom, right, _ = placed.box
    canvas.setFont(PLAIN, SMALL)
    below = 0.0 if placed.view.look is not LEFT else OUT + SMALL
    canvas.drawCentredString((left + right) / 2.0, bottom - below - SMALL - 1.5, placed.view.look.title)


def _dimension(
    canvas: Canvas, first: tuple[float, float], last: tuple[float, float], words: str, *,
    outwards: tuple[float, float], out: float = OUT,
) -> None:  # fmt: skip
    """Draw a dimension between two places of the page, its line `out` mm from them."""
    a, b, away = np.array(first), np.array(last), np.array(outwards)
    start, end = a + out * away, b + out * away
    canvas.setLineWidth(THIN)
    for corner, tip in ((a, start), (b, end)):
        canvas.line(*(corner + away).tolist(), *(tip + 1.5 * away).tolist())
    canvas.line(*start.tolist(), *end.tolist())
    way = (b - a) / max(float(np.linalg.norm(b - a)), 1e-9)
    inside = float(np.linalg.norm(b - a)) > 3.0 * ARROW[0]
    for tip, side in ((start, way), (end, -way)):
        back = tip + (side if inside else -side) * ARROW[0]
        across = np.array([-side[1], side[0]]) * ARROW[1] / 2.0
        canvas.setFillGray(0.0)
        canvas.drawPath(trace(canvas, [np.array([tip, back + across, back - across])], closed=True), stroke=0, fill=1)
    canvas.saveState()
    canvas.translate(*((start + end) / 2.0).tolist())
    if abs(way[1]) > abs(way[0]):
        canvas.rotate(90)
    canvas.setFont(PLAIN, LETTER)
    canvas.drawCentredString(0.0, 0.9, words)
    canvas.restoreState()


def _dimension_mouth(canvas: Canvas, placed: _Placed, low: Floats, high: Floats) -> None:
    """Draw where the mouth's plane is in the view from the left, and how far the part reaches to both sides of it."""
    if not low[2] < 0.0 < high[2]:
        return
    left, bottom, right, top = placed.box
    at = left - float(low[2]) * placed.scale  # that view's x is the part's z
    canvas.setLineWidth(THIN)
    canvas.setDash([6.0, 1.5, 0.8, 1.5])
    canvas.line(at, bottom - 2.0, at, top + 2.0)
    canvas.setDash([])
    canvas.setFont(PLAIN, SMALL)
    canvas.drawString(right + 2.0, top - SMALL, "chain line:")
    canvas.drawString(right + 2.0, top - 2.4 * SMALL, "mouth's plane")
    _dimension(canvas, (left, bottom), (at, bottom), f"{-float(low[2]):.1f}", outwards=(0.0, -1.0), out=OUT + 1.0)
    if float(high[2]) * placed.scale > 1.0:
        canvas.setFont(PLAIN, SMALL)
        canvas.drawString(right + 2.0, bottom + 1.0, f"{float(high[2]):.1f} before it")


def list_sizes(recipe: Any) -> list[tuple[str, str]]:
    """Return the sizes that a recipe sets, a table a row: its name, and its keys with their numbers in mm or degrees."""
    rows = []
    for name in LISTED:
        table = getattr(recipe, name, None)
        if table is None:
            continue
        sizes = []
        for key, value in table.model_dump().items():
            if isinstance(value, int | float) and not isinstance(value, bool) and key not in NOT_SIZES:
                sizes.append(f"{key.replace('_', ' ')} {format_number(value)}{chr(176) if key in ANGLES else ''}")
        if sizes:
            rows.append((name.replace("_", " "), ", ".join(sizes)))
    return rows


def _list_sizes(canvas: Canvas, case: Case, left: float, top: float, width: float) -> None:
    """Write the recipe's sizes into the free corner below the view from the left."""
    room = width - MARGIN - left - 22.0
    canvas.setFont(BOLD, SMALL)
    canvas.drawString(left, top - SMALL, "sizes of the recipe, mm")
    y = top - 2.8 * SMALL
    for name, sizes in list_sizes(case.recipe):
        canvas.setFont(BOLD, SMALL)
        canvas.drawString(left, y, name)
        canvas.setFont(PLAIN, SMALL)
        for line in _wrap(canvas, sizes, room):
            canvas.drawString(left + 20.0, y, line)
            y -= 1.5 * SMALL


def _wrap(canvas: Canvas, words: str, room: float) -> list[str]:
    lines = [""]
    for word in words.split(", "):
        longer = f"{lines[-1]}, {word}" if lines[-1] else word
        if canvas.stringWidth(longer, PLAIN, SMALL) <= room or not lines[-1]:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def _draw_block(canvas: Canvas, width: float, *, words: Sequence[tuple[str, str]]) -> None:
    """Draw the title block along the lower edge: two rows of fields, the projection symbol and who made it at the right."""
    left, right, top = MARGIN, width - MARGIN, MARGIN + BLOCK
    canvas.setLineWidth(THICK)
    canvas.rect(left, MARGIN, right - left, BLOCK, stroke=1, fill=0)
    canvas.setLineWidth(THIN)
    symbol = right - 44.0
    canvas.line(symbol, MARGIN, symbol, top)
    half = (len(words) + 1) // 2
    for row, fields in enumerate((words[:half], words[half:])):
        bottom = top - (row + 1) * BLOCK / 2.0
        if row == 0:
            canvas.line(left, bottom, symbol, bottom)
        cells = np.linspace(left, symbol, half + 1)
        for k, (name, value) in enumerate(fields):
            start = float(cells[k])
            room = float(cells[k + 1] if k + 1 < len(fields) else symbol) - start - 3.0
            if k:
                canvas.line(start, bottom, start, bottom + BLOCK / 2.0)
            canvas.setFont(PLAIN, 2.2)
            canvas.drawString(start + 1.5, bottom + BLOCK / 2.0 - 3.0, name)
            size = min(LETTER + 0.5, (LETTER + 0.5) * room / max(canvas.stringWidth(value, BOLD, LETTER + 0.5), 1e-6))
            canvas.setFont(BOLD, size)
            canvas.drawString(start + 1.5, bottom + 2.4, value)
    _draw_symbol(canvas, symbol + 22.0, top - 7.5)
    canvas.setFont(PLAIN, 2.2)
    canvas.drawCentredString(symbol + 22.0, MARGIN + 5.5, "first-angle projection")
    canvas.drawCentredString(symbol + 22.0, MARGIN + 2.0, "drawn by mountgen; STEP and STL hold")


def _draw_symbol(canvas: Canvas, x: float, y: float) -> None:
    """Draw the first-angle symbol: a cut-off cone from its side, and at its right what is seen from its small end."""
    small, large, long, apart = 4.0, 8.0, 8.0, 6.0
    start = x - (long + apart + large) / 2.0
    canvas.setLineWidth(THICK)
    corners = [(start, y - small / 2), (start + long, y - large / 2), (start + long, y + large / 2), (start, y + small / 2)]
    canvas.drawPath(trace(canvas, [np.array(corners)], closed=True), stroke=1, fill=0)
    middle = start + long + apart + large / 2.0
    canvas.circle(middle, y, small / 2.0)
    canvas.circle(middle, y, large / 2.0)
    canvas.setLineWidth(THIN)
    canvas.setDash([4.0, 1.0, 0.6, 1.0])
    canvas.line(start - 2.0, y, start + long + 2.0, y)
    canvas.line(middle - large / 2.0 - 2.0, y, middle + large / 2.0 + 2.0, y)
    canvas.line(middle, y - large / 2.0 - 2.0, middle, y + large / 2.0 + 2.0)
    canvas.setDash([])
