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
from mountgen.paper.dimension import (
    LETTER,
    SIDES,
    THIN,
    Dimension,
    Laid,
    Side,
    draw_angle,
    draw_callout,
    draw_dimensions,
    find_room,
    lay_out,
    measure_words,
)
from mountgen.paper.key_sizes import Callout, Lean, Shown, Size, find_key_sizes
from mountgen.paper.sheets import BOLD, PLAIN, open_canvas, start_page, trace
from mountgen.paper.tile import PAPERS
from mountgen.paper.views import ABOVE, FRONT, LEFT, Look, View, drop_covered, find_views
from mountgen.verdict import format_number

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

    from mountgen.service.case import Case

SCALES = ((10, 1), (5, 1), (2, 1), (1, 1), (1, 2), (1, 5), (1, 10), (1, 20), (1, 50))  # ISO 5455
MARGIN, BLOCK = 10.0, 22.0  # mm; height of the title block
THICK = 0.5  # mm
DASH = (3.0, 1.2)  # mm
CHAIN = (6.0, 1.5, 0.8, 1.5)  # mm
BESIDE = 8.0  # mm between what belongs to two views
SMALL = 2.5  # mm, height of letters that are no sizes
LEAST_SHOWN = 1.0  # mm by which a part must stand out of the mouth for that to be told
TITLE = 2.0 * SMALL  # mm under a view, for its name
MERGED = 0.35  # mm on paper; a hidden line nearer than this to a visible one along its way is not drawn
LIST = 90.0  # mm, least width of the list of sizes
ANGLES = frozenset({"tilt", "lean", "draft"})  # keys of a recipe in degrees; the other numbers listed are mm
LISTED = ("fit", "body", "deck", "device", "lip", "tabs", "cable", "drains", "tape", "plug", "flange", "dividers", "pull_tab")
NOT_SIZES = frozenset({"mass", "compression", "count", "count_x", "count_y", "ribs", "place"})


@dataclass(frozen=True, eq=False)
class _Drawn:
    """A view with what stands beside it. laid: its dimensions; room: left, bottom, right, top of it, mm of paper."""

    view: View
    laid: tuple[Laid, ...]
    leans: tuple[Lean, ...]
    callouts: tuple[Callout, ...]
    room: tuple[float, float, float, float]


@dataclass(frozen=True, eq=False)
class _Placed:
    """A view on the page: its lower left corner is at `corner`, mm, `scale` mm of paper a mm."""

    drawn: _Drawn
    corner: Floats
    scale: float

    @property
    def view(self) -> View:
        return self.drawn.view

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
    low, high = (np.asarray(v) for v in measure_bounds(mesh))
    keys = find_key_sizes(case)
    placed, scale = _arrange(find_views(case.part.body.solid), keys, low, high, case, width, height)
    stream = BytesIO()
    canvas = open_canvas(stream, title=f"{recipe.name}: drawing", subject="first-angle projection, mm")
    start_page(canvas, width, height)
    canvas.setLineWidth(THICK)
    canvas.rect(MARGIN, MARGIN, width - 2.0 * MARGIN, height - 2.0 * MARGIN, stroke=1, fill=0)
    for each in placed:
        _draw_view(canvas, each)
        _draw_sizes(canvas, each)
    _, left, _ = placed
    if low[2] < 0.0 < high[2]:
        _draw_mouth(canvas, left)
    _list_sizes(canvas, case, left.box[0] - left.drawn.room[0], left.box[1] - left.drawn.room[1] - TITLE - 3.0, width)
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


def _flatten(look: Look, points: Floats) -> Floats:
    """Return points (..., 3) as a view has them, (..., 2) mm."""
    right, towards = np.array(look.right), np.array(look.towards)
    return np.asarray(points @ np.array([right, np.cross(towards, right)]).T)


def _dimension_overall(low: Floats, high: Floats) -> dict[str, list[Dimension]]:
    """Return the overall sizes, and how far the part reaches to both sides of the mouth's plane, by the view's title."""
    found: dict[str, list[Dimension]] = {FRONT.title: [], LEFT.title: [], ABOVE.title: []}

    def add(look: Look, a: Sequence[float], b: Sequence[float], side: Side) -> None:
        first, last = _flatten(look, np.array(a)), _flatten(look, np.array(b))
        along = 0 if side in ("top", "bottom") else 1
        found[look.title].append(Dimension(first, last, side, f"{abs(float((last - first)[along])):.1f}"))

    (x0, y0, z0), (x1, y1, z1) = low.tolist(), high.tolist()
    add(FRONT, (x0, y1, z1), (x1, y1, z1), "top")
    add(FRONT, (x0, y0, z1), (x0, y1, z1), "left")
    add(LEFT, (x0, y1, z0), (x0, y1, z1), "top")
    if z0 < 0.0 < z1:
        add(LEFT, (x0, y0, z0), (x0, y0, 0.0), "bottom")
        if z1 >= LEAST_SHOWN:
            add(LEFT, (x0, y0, 0.0), (x0, y0, z1), "bottom")
    return found


def _convert(size: Size) -> Dimension:
    first, last = _flatten(size.look, size.start), _flatten(size.look, size.end)
    side: Side = ("top" if size.outwards > 0 else "bottom") if size.level else ("right" if size.outwards > 0 else "left")
    return Dimension(first, last, side, f"{abs(float((last - first)[0 if size.level else 1])):.1f}")


def _arrange(
    views: Sequence[View], keys: Sequence[Shown], low: Floats, high: Floats, case: Case, width: float, height: float
) -> tuple[list[_Placed], tuple[int, int]]:
    """Place the views at the largest standard scale that fits: that from the left at the right, that from above below."""
    overall = _dimension_overall(low, high)
    lines = 1.5 * SMALL * (3 + sum(1 + len(words) // 70 for _, words in list_sizes(case.recipe)))
    for scale in SCALES:
        factor = scale[0] / scale[1]
        drawn = [_lay_out(view, keys, overall[view.look.title], factor) for view in views]
        sizes = [factor * (each.view.high - each.view.low) for each in drawn]
        (w, h), (d, _), (_, t) = (size.tolist() for size in sizes)
        front, left, above = (each.room for each in drawn)
        before, between = max(front[0], above[0]), max(front[2] + left[0], above[2], 0.0) + BESIDE
        over, under = max(front[3], left[3]), front[1] + TITLE + above[3] + BESIDE
        across = before + w + between + max(d + left[2], LIST)
        down = over + h + max(under + t + above[1] + TITLE, left[1] + TITLE + lines)
        room = width - 2.0 * MARGIN - 8.0, height - 2.0 * MARGIN - BLOCK - 6.0
        if across <= room[0] and down <= room[1]:
            break
    x = MARGIN + 4.0 + before + max(0.0, 0.5 * (room[0] - across))
    y = height - MARGIN - 3.0 - over - h - max(0.0, 0.5 * (room[1] - down))
    corners = ((x, y), (x + w + between, y), (x, y - under - t))
    return [_Placed(each, np.array(corner), factor) for each, corner in zip(drawn, corners, strict=True)], scale


def _lay_out(view: View, keys: Sequence[Shown], overall: Sequence[Dimension], factor: float) -> _Drawn:
    mine = [key for key in keys if key.look is view.look]
    laid = lay_out([*overall, *(_convert(key) for key in mine if isinstance(key, Size))], factor)
    callouts = tuple(key for key in mine if isinstance(key, Callout))
    words = max((measure_words(each.words) + 8.0 for each in callouts), default=0.0)
    left, bottom, right, top = (find_room(laid, side) for side in SIDES)
    return _Drawn(
        view, laid, tuple(key for key in mine if isinstance(key, Lean)), callouts, (left, bottom, right + words, top)
    )


def _draw_view(canvas: Canvas, placed: _Placed) -> None:
    view = placed.view
    canvas.setStrokeGray(0.0)
    canvas.setLineCap(1)
    canvas.setLineWidth(THIN)
    canvas.setDash(list(DASH))
    hidden = drop_covered(view.hidden, view.visible, within=MERGED / placed.scale)
    canvas.drawPath(trace(canvas, [placed.place(line) for line in hidden], closed=False), stroke=1, fill=0)
    canvas.setDash([])
    canvas.setLineWidth(THICK)
    canvas.drawPath(trace(canvas, [placed.place(line) for line in view.visible], closed=False), stroke=1, fill=0)
    left, bottom, right, _ = placed.box
    canvas.setFont(PLAIN, SMALL)
    canvas.drawCentredString((left + right) / 2.0, bottom - placed.drawn.room[1] - SMALL - 1.5, view.look.title)


def _draw_sizes(canvas: Canvas, placed: _Placed) -> None:
    """Draw all that is dimensioned in a view."""
    drawn = placed.drawn
    draw_dimensions(canvas, drawn.laid, placed.place, placed.box)
    for lean in drawn.leans:
        apex = placed.place(_flatten(lean.look, lean.apex))
        first, second = (flat / np.linalg.norm(flat) for flat in _flatten(lean.look, np.stack([lean.first, lean.second])))
        draw_angle(canvas, apex, first, second, f"{lean.deg:.0f}{chr(176)}")
    right = placed.box[2] + drawn.room[2] - max((measure_words(each.words) + 5.0 for each in drawn.callouts), default=0.0)
    for k, each in enumerate(drawn.callouts):
        point = placed.place(_flatten(each.look, each.point))
        draw_callout(canvas, point, each.words, right=right, level=float(point[1]) + 4.0 + 6.0 * k)


def _draw_mouth(canvas: Canvas, placed: _Placed) -> None:
    """Draw where the mouth's plane is in the view from the left."""
    left, bottom, _, top = placed.box
    at = left - float(placed.view.low[0]) * placed.scale  # that view's x is the part's z
    below = bottom - placed.drawn.room[1] + 0.5
    canvas.setLineWidth(THIN)
    canvas.setDash(list(CHAIN))
    canvas.line(at, below, at, top + 2.0)
    canvas.setDash([])
    canvas.setFont(PLAIN, SMALL)
    canvas.drawString(at + 1.5, below, "mouth's plane")


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
    canvas.setFillGray(0.0)
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
