"""The lid: the surround carried across the mouth as a quadratic surface, and how far the scan beside the rim agrees with it.

A panel may bow strongly, bend, or have steps and other hollows, so one start does not do: tried are the scan's border as a plane
and as a quadric, then what lies around hollows that would hold water. `lid_choice` takes the first lid with which the scan beside
the rim agrees, or the one with which most of it does.

References:
    Hollows are flooded from the border in the order of the heights met (priority flood, from memory).
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator
from dataclasses import dataclass
from math import ceil, sqrt

import numpy as np

from mountgen.arrays import Bools, Floats, Singles
from mountgen.dilate import reach_disc

BESIDE = (2.0, 10.0)  # mm outside the rim between which the scan should be the lid's own surface
BEYOND = (10.0, 25.0)  # and where it is, if a bead or frame that stands out runs along the rim
AGREES = 0.6  # mm off the lid that a panel's own form takes
ENOUGH = 0.9  # of the strip beside the rim; a lid with which so much of it agrees is taken without looking further
STEEP = 0.2  # of its depth that a recess has just inside its rim; in the troughs of a waved panel it is a tenth
FIT_POINTS, FIRST_POINTS = 20_000, 5_000  # nodes that a lid is fitted to, at last and in the sweeps before
AROUND, AROUND_SHARE = 25.0, 0.3  # mm about a hollow that a lid is fitted to, or this share of its size where that is more
CLOSE = 12.0  # mm
SWEEPS, FIRST_SETTLED, SETTLED = 25, 1e-4, 1e-8  # of weighing the nodes anew, at most; mm that the lid moves in the last of them
FEWEST = 50  # nodes that a lid is fitted to
POND_NODES, POND_DEPTH, PONDS = 20_000, 1.0, 3  # nodes flooded; mm; so many of the most voluminous are tried
FLAT, BENT = 3, 6  # terms of a plane, of a quadric
FITS = 3  # from the first look to what is taken


@dataclass(frozen=True, eq=False)
class Ground:
    """The scan as a height field along a trial draw direction; nodes (R, C), `pitch` mm apart.

    height : (R, C) float32, mm.     seen: nodes that the scan covers; inside: with its holes filled.
    x, y   : (R, C) of the nodes, mm.    at: the node (row, column) that the recess must cover; None where any will do.
    """

    height: Singles
    seen: Bools
    inside: Bools
    x: Floats
    y: Floats
    pitch: float
    at: tuple[int, int] | None = None


@dataclass(frozen=True)
class Agreement:
    """How the scan beside a rim lies to the lid, as shares of that strip: agreeing, above it by more than AGREES, not seen.

    height: of what lies above, its 90th percentile, mm.
    drop  : median depth of as wide a strip inside the rim, as a share of the greatest; 0 where it is too narrow.
    """

    agreeing: float
    above: float
    unseen: float
    height: float
    drop: float

    @property
    def worth(self) -> float:
        """The share that agrees, less where the ground sinks so gently that it is the panel's own form."""
        return self.agreeing * min(1.0, self.drop / STEEP)

    @property
    def settled(self) -> bool:
        """Whether nearly all that is seen beside the rim agrees, and most of it is seen."""
        return self.unseen < 0.5 and self.worth > ENOUGH * (1.0 - self.unseen)


def lid_height(lid: Floats, x: Floats, y: Floats) -> Floats:
    """Return the lid's z (mm) at x, y (any shapes that go together, mm), part frame.

    Terms are grouped so that few are of both: for a row of x and a column of y only three sums and products are grids.
    """
    z: Floats = (lid[1] + lid[3] * x + lid[4] * y) * x + (lid[0] + (lid[2] + lid[5] * y) * y)
    return z


def lid_normal(lid: Floats, x: float, y: float) -> Floats:
    """Return the lid's unit normal at x, y (mm), (3,), z > 0."""
    normal = np.array([-lid[1] - 2.0 * lid[3] * x - lid[4] * y, -lid[2] - lid[4] * x - 2.0 * lid[5] * y, 1.0])
    return np.asarray(normal / np.linalg.norm(normal))


def measure_bend(lid: Floats, x: Floats, y: Floats) -> float:
    """Return by how much the lid's slope at x, y (N,), mm, differs from that in their middle, at most; 1 is 45 degrees."""
    dx, dy = x - x.mean(), y - y.mean()
    return float(np.hypot(2.0 * lid[3] * dx + lid[4] * dy, lid[4] * dx + 2.0 * lid[5] * dy).max())


def propose_lids(ground: Ground) -> Iterator[Floats]:
    """Yield lids, (6,) each, the likeliest first; each is fitted when it is asked for."""
    band = max(6.0 * ground.pitch, 0.06 * sqrt(float(ground.inside.sum())) * ground.pitch)
    border = ground.seen & _find_strip(np.pad(ground.inside, 1), ground.pitch, (1.5 * ground.pitch, band))[1:-1, 1:-1]
    yield _fit_lid(ground, border, ground.seen, first=FLAT)
    yield _fit_lid(ground, border, ground.seen, first=BENT)
    for pond in _find_ponds(ground):
        yield from fit_around(ground, pond, first=FLAT)


def fit_around(ground: Ground, region: Bools, *, first: int = BENT) -> Iterator[Floats]:
    """Yield lids fitted to what is seen around a region of the plan alone: by AROUND, then closely, where bezels differ.

    first: terms of the first look.
    """
    for wide in (max(AROUND, AROUND_SHARE * sqrt(float(region.sum())) * ground.pitch), CLOSE):
        near = ground.seen & reach_disc(region, radius=wide, pitch=ground.pitch)
        beside = near & ~reach_disc(region, radius=1.5 * ground.pitch, pitch=ground.pitch)
        if beside.sum() > FEWEST:
            yield _fit_lid(ground, beside, near, first=first)


def measure_agreement(ground: Ground, lid: Floats, region: Bools, *, beside: tuple[float, float] = BESIDE) -> Agreement:
    """Say how the scan between `beside` mm of a region of the plan lies to a lid."""
    wide = ceil(beside[1] / ground.pitch) + 1
    rows, cols = (np.flatnonzero(region.any(axis=axis)) for axis in (1, 0))
    window = tuple(slice(max(0, at[0] - wide), at[-1] + wide + 1) for at in (rows, cols))
    sizes = zip((rows, cols), region.shape, strict=True)
    short = [(max(0, wide - at[0]), max(0, at[-1] + wide + 1 - size)) for at, size in sizes]
    recess, seen = np.pad(region[window], short), np.pad(ground.seen[window], short)
    over = np.pad(ground.height[window] - lid_height(lid, ground.x[window], ground.y[window]), short)
    strip, inside = _find_strip(~recess, ground.pitch, beside), _find_strip(recess, ground.pitch, BESIDE)
    inner, outer = over[inside & seen], over[strip & seen]
    total, above = max(int(strip.sum()), 1), outer > AGREES
    return Agreement(
        agreeing=float((np.abs(outer) <= AGREES).sum() / total),
        above=float(above.sum() / total),
        unseen=1.0 - len(outer) / total,
        height=float(np.percentile(outer[above], 90.0)) if above.any() else 0.0,
        drop=float(np.median(inner) / over[recess & seen].min()) if len(inner) else 0.0,
    )


def _find_strip(within: Bools, pitch: float, beside: tuple[float, float]) -> Bools:
    """Return what of `within` is farther from all else than the one of `beside`, mm, and no farther than the other."""
    near, far = (reach_disc(~within, radius=each, pitch=pitch) for each in beside)
    return far & ~near


def _fit_lid(ground: Ground, use: Bools, within: Bools, *, first: int) -> Floats:
    """Fit the surround: start at `use`, forgive points that lie below, then take in all of `within` that agrees.

    first: terms of the first look. A plane is the sounder start, for a border strip says little about curvature.
    """
    height, x, y = ground.height, ground.x, ground.y
    grid = _choose_some(use, FIRST_POINTS)
    solution, lid = np.zeros(6), np.zeros(6)
    scale = float(max(np.abs(x).max(), np.abs(y).max()))
    for sweep in range(FITS):
        settled = SETTLED if sweep == FITS - 1 else FIRST_SETTLED
        pick = use & grid
        px, py, pz = x[pick] / scale, y[pick] / scale, height[pick].astype(np.float64)
        terms = np.column_stack([np.ones_like(px), px, py, px * px, px * py, py * py])
        if sweep == 0:
            terms = terms[:, :first]
        if sweep < FITS - 1:
            solution, weight = np.zeros(terms.shape[1]), np.ones(len(pz))
        else:
            weight, _ = _weigh(pz - terms @ solution)  # not far from where it ends
        for _ in range(SWEEPS):
            weighed = terms * weight[:, None]  # six columns: the normal equations lose no digit that matters, and take a fifth
            found = np.linalg.lstsq(weighed.T @ weighed, weighed.T @ (pz * weight), rcond=None)[0]
            before, solution = solution, np.asarray(found)
            weight, spread = _weigh(pz - terms @ solution)
            if np.abs(terms @ (solution - before)).max(initial=0.0) < settled:
                break
        lid = np.pad(solution, (0, 6 - len(solution))) / np.array([1, scale, scale, scale**2, scale**2, scale**2])
        use = within & (np.abs(height - lid_height(lid, x, y)) < max(0.6, 4.0 * spread))
        grid = _choose_some(use, FIT_POINTS if sweep == FITS - 2 else FIRST_POINTS)
        if (use & grid).sum() <= FEWEST:
            break
    return np.asarray(lid, dtype=np.float64)


def _weigh(rest: Floats) -> tuple[Floats, float]:
    """Return the weights of nodes (N,), less the farther they lie below, from how far they lie off, mm; and their spread, mm."""
    spread = max(0.05, 1.4826 * float(np.median(np.abs(rest[rest >= np.quantile(rest, 0.25)]))))
    below = np.maximum(-rest - spread, 0.0) + 0.2 * np.maximum(rest - 3.0 * spread, 0.0)
    return np.sqrt(1.0 / (1.0 + (below / spread) ** 2)), spread


def _choose_some(use: Bools, points: int) -> Bools:
    """Return every so manieth row and column, so that some `points` of the nodes in use are on them."""
    step = max(1, int(sqrt(use.sum() / points)))
    grid = np.zeros_like(use)
    grid[::step, ::step] = True
    return grid


def _find_ponds(ground: Ground) -> list[Bools]:
    """Return hollows that would hold water, (R, C) each, the most voluminous first; the scan's own border lets it out."""
    from scipy import ndimage

    step = max(1, ceil(sqrt(ground.seen.size / POND_NODES)))
    seen, inside = ground.seen[::step, ::step], ground.inside[::step, ::step]
    nearest = ndimage.distance_transform_edt(~seen, return_distances=False, return_indices=True)
    level = np.where(inside, ground.height[::step, ::step][tuple(nearest)].astype(np.float64), -np.inf)
    water = _flood(np.pad(level, 1, constant_values=-np.inf))[1:-1, 1:-1] - np.where(inside, level, 0.0)
    label, count = ndimage.label(inside & (water > POND_DEPTH))
    volume = ndimage.sum_labels(np.where(inside, water, 0.0), label, index=np.arange(1, count + 1))
    best = 1 + np.argsort(-np.asarray(volume), kind="stable")[:PONDS]
    fine = np.repeat(np.repeat(label, step, axis=0), step, axis=1)[: ground.seen.shape[0], : ground.seen.shape[1]]
    return [np.asarray(fine == k) for k in best]


def _flood(level: Floats) -> Floats:
    """Return the level up to which water stands on a field (R, C) that lets it out wherever it is -inf."""
    rows, cols = level.shape
    heights = level.ravel().tolist()
    water = [None if h > -np.inf else h for h in heights]
    queue = [(h, k) for k, h in enumerate(heights) if h == -np.inf]
    while queue:
        here, k = heapq.heappop(queue)
        row, col = divmod(k, cols)
        for r, c in ((row - 1, col), (row + 1, col), (row, col - 1), (row, col + 1)):
            if 0 <= r < rows and 0 <= c < cols and water[n := r * cols + c] is None:
                water[n] = max(here, heights[n])
                heapq.heappush(queue, (water[n], n))
    return np.array(water, dtype=np.float64).reshape(level.shape)
