"""What of the scan the part rests on: whether its unit is likely, how much was seen and how finely, whether any is there twice.

`survey` judges a scan before anything is made and fails it; a part made from it stays out of what nobody saw, so here the same
findings are cautions.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from mountgen.datum import Recess
from mountgen.faces import measure_faces
from mountgen.scan import Scan
from mountgen.service.case import Finding
from mountgen.survey_holes import Hole, find_holes
from mountgen.survey_points import find_bearing
from mountgen.survey_sheets import find_dropped, find_islands, find_spikes, find_twin, select_inside
from mountgen.survey_verdicts import (
    find_seen,
    judge_grain,
    judge_islands,
    judge_seen,
    judge_spacing,
    judge_spikes,
    judge_twin,
    judge_unit,
    select_open,
)
from mountgen.verdict import Check

# repairs without which nothing is missing
TELLING = {"open holes", "folded holes", "uneven holes", "tangled holes", "separate pieces"}


def judge_scan_use(scan: Scan, recess: Recess, *, clearance: float) -> Finding:
    """Say what of the scan is doubtful: its unit, loose pieces, spikes, what nobody saw, what is there twice, too few points.

    Args:
        scan: as read and mended.
        recess: the scan in the part frame.
        clearance: asked for, mm.

    Returns:
        Finding: three checks, and more where points are too far apart or rounded too far, or loose pieces or spikes doubtful;
            none of them a fail.
    """
    mouth = float(np.ptp(recess.rim[:, :2], axis=0).max())
    holes: tuple[Hole, ...] = ()
    if TELLING & {mend.what for mend in scan.mended}:
        holes = select_open(find_holes(recess))
    area = float(measure_faces(recess.vertices, recess.faces[find_bearing(recess)])[1].sum())
    pieces = find_islands(recess) if "separate pieces" in {mend.what for mend in scan.mended} else ()
    doubtful = judge_islands((*select_inside(recess, pieces), *find_dropped(recess, scan.dropped)))
    spikes = judge_spikes(find_spikes(recess, scan.spikes), clearance)
    coarse = judge_spacing(scan.spacing, clearance)
    checks = (
        *(check for check in (coarse, doubtful, spikes) if check.verdict != "pass"),
        *judge_grain(scan, clearance),
        judge_unit(scan, mouth),
        judge_seen(find_seen(area, holes), holes, mouth),
        judge_twin(find_twin(recess, noise=scan.noise), clearance),
    )
    return Finding(checks=tuple(_soften(check) for check in checks))


def _soften(check: Check) -> Check:
    return replace(check, verdict="caution") if check.verdict == "fail" else check
