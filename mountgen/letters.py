"""Digits as plane regions, for raised text on machines without fonts: straight strokes on a grid of two squares. A leaf."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from shapely import MultiPolygon

Stroke = tuple[tuple[float, float], ...]
RATIO = 0.6  # a digit's width over its height
GAP = 0.25  # of the height, between digits

# from (0, 0), lower left, to (1, 2), upper right
STROKES: dict[str, tuple[Stroke, ...]] = {
    "0": (((0, 0), (1, 0), (1, 2), (0, 2), (0, 0)),),
    "1": (((0.1, 1.5), (0.6, 2), (0.6, 0)),),
    "2": (((0, 2), (1, 2), (1, 1), (0, 1), (0, 0), (1, 0)),),
    "3": (((0, 2), (1, 2), (1, 0), (0, 0)), ((0.3, 1), (1, 1))),
    "4": (((0, 2), (0, 1), (1, 1)), ((1, 2), (1, 0))),
    "5": (((1, 2), (0, 2), (0, 1), (1, 1), (1, 0), (0, 0)),),
    "6": (((1, 2), (0, 2), (0, 0), (1, 0), (1, 1), (0, 1)),),
    "7": (((0, 2), (1, 2), (0.4, 0)),),
    "8": (((0, 0), (1, 0), (1, 2), (0, 2), (0, 0)), ((0, 1), (1, 1))),
    "9": (((0, 0), (1, 0), (1, 2), (0, 2), (0, 1), (1, 1)),),
    ".": (((0.5, 0), (0.5, 0.01)),),
    "-": (((0, 1), (1, 1)),),
}


def write_text(text: str, *, height: float, stroke: float) -> MultiPolygon:
    """Return a text as regions, its middle at the origin, upright.

    Args:
        text: of the characters in STROKES.
        height: of the digits from edge to edge, mm.
        stroke: width of the strokes, mm; less than a third of the height, or digits fill up.

    Returns:
        MultiPolygon: a polygon a stroke that touches no other, holes where a digit has them.

    Raises:
        KeyError: a character that is not in STROKES.
    """
    import shapely

    wide, tall = RATIO * height - stroke, height - stroke  # between the middles of strokes
    parts = []
    for k, letter in enumerate(text):
        left = k * (RATIO + GAP) * height
        cell = shapely.box(left - 0.5 * stroke, -0.5 * stroke, left + wide + 0.5 * stroke, tall + 0.5 * stroke)
        for line in STROKES[letter]:
            path = shapely.linestrings([(left + x * wide, 0.5 * y * tall) for x, y in line])
            parts.append(path.buffer(0.5 * stroke, cap_style="square", join_style="mitre").intersection(cell))
    whole = shapely.union_all(parts)
    left, bottom, right, top = whole.bounds
    moved = shapely.transform(whole, lambda at: at - ((left + right) / 2.0, (bottom + top) / 2.0))
    return shapely.MultiPolygon(shapely.get_parts(moved).tolist())
