"""Colour ramps that people with any of the common colour deficiencies can read. A leaf.

Two published ones, each kept as a few anchors with straight lines between them: CIVIDIS for amounts (depth),
RED_YELLOW_BLUE for a value against a wanted one (gap against clearance).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mountgen.arrays import Floats, freeze

# Twelve of the 256 published colours, evenly spaced; the lines between them stay within 8 of 255 of the rest.
# J. R. Nuñez, C. R. Anderton, R. S. Renslow (2018), PLoS ONE 13(7):e0199239,
# doi:10.1371/journal.pone.0199239.
CIVIDIS = (
    (0, 34, 78), (2, 50, 113), (48, 66, 109), (73, 82, 108), (94, 98, 110), (114, 115, 116),
    (135, 132, 120), (158, 150, 118), (181, 168, 111), (205, 188, 99), (231, 208, 80), (254, 232, 56),
)  # fmt: skip
# The 11-class diverging scheme RdYlBu. M. Harrower, C. A. Brewer (2003), The Cartographic Journal
# 40(1):27-37, doi:10.1179/000870403235002042.
RED_YELLOW_BLUE = (
    (165, 0, 38), (215, 48, 39), (244, 109, 67), (253, 174, 97), (254, 224, 144), (255, 255, 191),
    (224, 243, 248), (171, 217, 233), (116, 173, 209), (69, 117, 180), (49, 54, 149),
)  # fmt: skip
NEUTRAL = (206, 208, 210)  # where there is no value
COLLISION = (214, 0, 158)  # magenta: on neither ramp
LEAST_MIDDLE = 0.1  # mm; a part that is to touch is coloured as if it had this clearance
FAR = 4.0  # clearances; a surface further from the scan than this is not meant to follow it


@dataclass(frozen=True, eq=False)
class Ramp:
    """Values from `low` to `high` to colours.

    anchors : (N, 3) float64, 0..1, evenly spaced from `low` to `high`.
    limit   : values above this, and NaN, are drawn NEUTRAL.
    below   : colour of values below `low`, 0..255; None: the first anchor.
    """

    anchors: Floats
    low: float
    high: float
    limit: float = np.inf
    below: tuple[int, int, int] | None = None

    def __post_init__(self) -> None:
        freeze(self, "anchors", "float64")

    def paint(self, values: Floats) -> Floats:
        """Return the colours of values of any shape, with a last axis of 3 more, 0..1."""
        values = np.asarray(values, dtype=np.float64)
        at = np.clip((values - self.low) / (self.high - self.low), 0.0, 1.0)
        steps = np.linspace(0.0, 1.0, len(self.anchors))
        colours = np.stack([np.interp(at, steps, self.anchors[:, k]) for k in range(3)], axis=-1)
        if self.below is not None:
            colours[values < self.low] = np.asarray(self.below) / 255.0
        colours[np.isnan(values) | (values > self.limit)] = np.asarray(NEUTRAL) / 255.0
        return colours


def scale_gap(gap: Floats, asked: Floats) -> tuple[Floats, Ramp]:
    """Return what to paint for gaps, and its ramp, so that the gap asked for has the ramp's middle wherever it is.

    Args:
        gap: (N,) mm, NaN where it is not known.
        asked: (N,) mm, the gap asked for at each place.

    Returns:
        The gaps in mm where the same was asked for everywhere; else their shares of what was asked for there.
    """
    least = np.maximum(asked, LEAST_MIDDLE)
    if len(least) == 0 or (least == least[0]).all():
        return gap, ramp_gap(float(asked[0]) if len(asked) else LEAST_MIDDLE)
    return gap / least, ramp_gap(1.0)


def ramp_depth(deepest: float) -> Ramp:
    """Return the ramp for depths of 0 (bright) to `deepest` mm (dark)."""
    return Ramp(np.asarray(CIVIDIS[::-1]) / 255.0, 0.0, deepest)


def ramp_gap(clearance: float) -> Ramp:
    """Return the ramp for gaps: red at 0, pale yellow at the clearance, blue at twice that; magenta below 0.

    Surfaces further from the scan than four times the clearance do not bear on it and are drawn neutral. A clearance below
    LEAST_MIDDLE counts as that.
    """
    middle = max(clearance, LEAST_MIDDLE)
    return Ramp(np.asarray(RED_YELLOW_BLUE) / 255.0, 0.0, 2.0 * middle, limit=FAR * middle, below=COLLISION)
