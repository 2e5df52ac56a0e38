"""Which lid and which of the hollows below it are the recess: lids are tried in turn, and the scan beside each hollow decides.

`lid` proposes lids and says how far the scan agrees with them; here they are weighed against each other.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np

from mountgen.arrays import Bools, Floats
from mountgen.errors import DatumError
from mountgen.lid import Agreement, Ground, fit_around, lid_height, measure_agreement, measure_bend, propose_lids
from mountgen.rim import find_rim_level

SHALLOWEST = 2.0  # mm; a dent less deep than this is no recess to fit a part into
WORTH_TELLING = 5.0  # mm; a further recess less deep than this is not told of
OPENING = 10.0  # mm; a smaller hole in a plate is no mouth
MOST_BENT = 1.0  # slope by which a lid may differ from its middle's anywhere in the mouth
REGIONS, LEAST_SHARE = 4, 0.05  # deep regions looked at; of the greatest one's volume that a region has
LEAST_ISLAND = 0.002  # of the volume of what lies all around a part on a table, that a recess in the part has
OUTSIDE = "for an object seen from outside this is the wrong tool"


class ProudError(DatumError):
    """What was scanned stands out of its surround: the other side of that would be taken for a recess."""


@dataclass(frozen=True, eq=False)
class Trial:
    """What a lid makes of the scan.

    lid       : (6,) float64, its coefficients.
    region    : (R, C) bool, the recess in plan.
    deepest   : its greatest depth below the lid, mm.
    agreement : of the scan beside the recess with the lid.
    others    : further recesses below the same lid.
    """

    lid: Floats
    region: Bools
    deepest: float
    agreement: Agreement
    others: tuple[Trial, ...] = ()


def choose_lid(ground: Ground) -> Trial:
    """Return the first lid with which the scan beside the rim agrees, or else the one with which most of it does.

    Args:
        ground: the height field; where it has a node `at`, the recess is one that holds it.

    Returns:
        Trial: the lid, and the recess below it.

    Raises:
        DatumError: no lid leaves a recess.
    """
    best: Trial | None = None
    failed: DatumError | None = None
    for lid in propose_lids(ground):
        try:
            trial = try_lid(ground, lid)
        except DatumError as error:
            failed = failed or error
            continue
        if best is None or trial.agreement.worth > best.agreement.worth:
            best = trial
        if trial.agreement.settled:
            break
        for nearer in fit_around(ground, trial.region):
            with suppress(DatumError):
                trial = try_lid(ground, nearer)
                if trial.agreement.worth > best.agreement.worth:
                    best = trial
            if best.agreement.settled:
                return best
    if best is None:
        assert failed is not None
        raise failed if isinstance(failed, ProudError) else _find_opening(ground) or failed
    return best


def _find_opening(ground: Ground) -> DatumError | None:
    """Return what to say of an opening through the scan that has no floor; None where there is none as large as a mouth."""
    from scipy import ndimage

    label, count = ndimage.label(ground.inside & ~ground.seen)
    if not count:
        return None
    largest = label == 1 + int(np.argmax(np.bincount(label.ravel())[1:]))
    width, height = (float(np.ptp(each[largest])) + ground.pitch for each in (ground.x, ground.y))
    if min(width, height) < OPENING:
        return None
    return DatumError(
        f"an opening of {width:.0f} x {height:.0f} mm through the panel, in which no floor was seen, nor walls that lean inwards",
        "the whole scan",
        "scan what lies behind it too; if nothing does, hold a board there while you scan, as deep as a part may reach: where "
        "nothing was seen, no part is made",
    )


def try_lid(ground: Ground, lid: Floats) -> Trial:
    """Return the recess below a lid: of the deep regions the most voluminous one that the scan beside it agrees with.

    Args:
        ground: the height field; where it has a node `at`, the recess is one that holds it.
        lid: (6,) coefficients, in the ground's frame.

    Returns:
        Trial: the recess; as its others those that the scan agrees with as well.

    Raises:
        DatumError: there is none.
    """
    depth = measure_depth(ground, lid)
    deepest = float(np.nanpercentile(depth, 99.9))
    check_depth(deepest, depth)
    found: list[Trial] = []
    missed = False
    for region in _deep_regions(depth, ground.inside, deepest):
        if float(np.nansum(depth[region])) <= 0.0 or measure_bend(lid, ground.x[region], ground.y[region]) > MOST_BENT:
            continue  # a trench about something that stands out, or the cap of a ball below a lid carried on from its flanks
        if ground.at is not None and not region[ground.at]:
            missed = True
            continue
        found.append(Trial(lid, region, float(np.nanmax(depth[region])), measure_agreement(ground, lid, region)))
    if missed and not found:
        remedy = "give a point of the recess's floor, in the scan file's own unit and axes"
        raise DatumError("the point lies over no recess", "mouth.at", remedy)
    check_depth(found[0].deepest if found else 0.0, depth)
    settled = [trial for trial in found if trial.agreement.settled and trial.deepest >= SHALLOWEST]
    best = settled[0] if settled else max(found, key=lambda trial: trial.agreement.worth)
    check_depth(best.deepest, depth)
    return replace(best, others=tuple(trial for trial in settled if trial is not best and trial.deepest >= WORTH_TELLING))


def measure_depth(ground: Ground, lid: Floats) -> Floats:
    """Return how far the ground lies below a lid (6,), mm, (R, C); NaN where nothing is seen."""
    return np.where(ground.seen, lid_height(lid, ground.x, ground.y) - ground.height, np.nan)


def check_depth(deepest: float, depth: Floats) -> None:
    """Refuse what is too shallow for a recess.

    Args:
        deepest: greatest depth of the recess below the lid, mm.
        depth: (R, C) mm, of all the ground below it; NaN where nothing is seen.

    Raises:
        ProudError: it is shallow, and some of the ground stands well above the lid.
        DatumError: it is shallow otherwise.
    """
    if deepest >= SHALLOWEST:
        return
    proud = -float(np.nanpercentile(depth, 0.5))
    if proud > max(2 * SHALLOWEST, 2 * deepest):
        raise ProudError(
            f"no recess: the middle stands {proud:.1f} mm proud of its surround", "the whole scan",
            f"scan a recess from its mouth; {OUTSIDE}",
        )
    raise DatumError(
        f"a plate with no recess: nothing lies more than {max(deepest, 0.0):.1f} mm below the surround "
        f"(at least {SHALLOWEST:g} mm is needed)", "the whole scan",
        "scan the recess itself and at least 20 mm of the panel around it",
    )


def _deep_regions(depth: Floats, inside: Bools, deepest: float) -> Iterator[Bools]:
    """Yield the connected ground below the rim level in plan, unseen rings bridged: the most voluminous first."""
    from scipy import ndimage

    seen = ~np.isnan(depth)
    deep = np.nan_to_num(depth, nan=0.0) > find_rim_level(deepest)
    nearest = ndimage.distance_transform_edt(~seen, return_distances=False, return_indices=True)
    ground = deep[tuple(nearest)] & inside  # unseen ground goes with what lies nearest
    label, count = ndimage.label(ground)
    volume = np.asarray(ndimage.sum_labels(np.where(deep, np.nan_to_num(depth), 0.0), label, index=np.arange(1, count + 1)))
    most, left = 0.0, REGIONS
    for k in np.argsort(-volume, kind="stable"):
        if volume[k] < LEAST_SHARE * most or volume[k] < LEAST_ISLAND * volume.max() or not left:
            return
        region = deep & (label == 1 + k)  # at its edge unseen ground is no part of the mouth
        filled = np.asarray(ndimage.binary_fill_holes(region), dtype=bool)
        islands = np.unique(label[filled & ~region])
        if volume[islands[islands > 0] - 1].sum(initial=0.0) < LEAST_ISLAND * volume[k]:
            most = max(most, float(volume[k]))  # else it is what lies around a part that has a recess: a table, far below
        left -= 1
        yield filled
