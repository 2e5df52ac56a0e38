"""Accuracy of the whole way from a raw scan to the finished plug, on seven scans of known truth. `pytest -s` prints a table.

Scans: noise 0.03 mm, drop-outs, markers, fragments, any pose, about 120 000 triangles, one seed. The part: a plug at
clearance 0.5 mm and draft 1 degree. The ideal is the largest body that keeps both from the *true* shape along the direction
found; it comes from exact sums over the truth's triangles and shares nothing with the product.

Where the scan never saw what the part bears on, the part stays clear of it on purpose: such samples are counted apart.

Targets: gap to the ideal p50 <= 0.05, p95 <= 0.12, p99 <= 0.25 mm; nowhere more than 0.03 mm (and 0.02 mm of tessellation) on
the wrong side of the clearance as measured against the scan; volume >= 98.5 % of the largest insertable; gap to the true
shape >= clearance - 0.15 mm at rest and all the way in; at most 12 faces, 40 for the L-pocket; chord error 0.02 mm.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cadquery
import igl
import numpy as np
import pytest
import shapely

from mountgen.arrays import Bools, Floats
from mountgen.block import Block, make_block
from mountgen.datum import Recess, lid_height
from mountgen.errors import MountgenError
from mountgen.field import InsertableSpace, build_space
from mountgen.inspection import Inspection, inspect_body
from mountgen.kernel import Mesh, count_faces, solids_of, tessellate
from mountgen.mesh_measure import measure_volume
from mountgen.shell_relief import fit_clear_shell
from mountgen.soundness import check_soundness
from tests.checks import is_valid
from tests.known import Known, known_recess, make_fit
from tests.shapes import SEVEN
from tests.truth import ideal_gap, ideal_height

CLEARANCE, DRAFT = 0.5, 1.0
SEED, TRIANGLES = 3, 120_000
SAMPLES = 20_000  # 4,000 left the 95th percentile uncertain by 0.004 mm
WRONG_SIDE = 0.03 + 0.02  # mm: of the surface, and of its tessellation
SCAN_ERROR = 0.15  # mm that the scan itself may be off
PLAN = 0.6  # mm; grid on which the ideal's volume is summed


@dataclass(frozen=True)
class Limits:
    """What a specimen's plug must hold; the defaults are the targets.

    p50, p95, p99: quantiles of the distance to the ideal, mm.  share: of its volume.  wrong: on the wrong side of the scan, mm.
    faces: of the solid.
    """

    p50: float = 0.05
    p95: float = 0.12
    p99: float = 0.25
    share: float = 0.985
    wrong: float = WRONG_SIDE
    faces: int = 12


# Every figure written here is a ratchet, not a target: the state reached, with a tenth to spare, so that nothing gets worse
# unnoticed. When a specimen reaches a target, take its figure out.
LIMITS = {name: Limits() for name in SEVEN} | {"l_pocket": Limits(faces=40)}
SEEN = 0.3  # mm: what bears on true ground farther than this from the scan bears on what nobody saw, and stays clear of it
LEAST_SEEN = 0.8  # of the samples


@dataclass(frozen=True, eq=False)
class Made:
    """A specimen's plug and what was measured on it.

    away: (SAMPLES,) mm, from the ideal surface, positive inside it; seen: (SAMPLES,) bool, where the scan saw what it bears on.
    """

    known: Known
    space: InsertableSpace
    block: Block
    mesh: Mesh
    away: Floats
    seen: Bools
    ideal_volume: float
    scan: Inspection
    truth: Inspection


@cache
def _make(name: str) -> Made:
    known = known_recess(name, seed=SEED, triangles=TRIANGLES, dropouts=5, markers=6, fragments=4)
    space = build_space(known.recess, fit=make_fit(clearance=CLEARANCE, draft=DRAFT))
    try:
        gaps = dict.fromkeys(("floor", "walls", "rim"), CLEARANCE)
        shell = fit_clear_shell(space, known.recess, clearance=gaps)
    except MountgenError:  # as the pipeline does: the block is then made of facets
        shell = None
    block = make_block(shell, space)
    mesh = tessellate(block.solid)
    points = _sample(mesh, space)
    away = ideal_gap(points, known.truth, known.shape.truth_faces, clearance=CLEARANCE, draft_deg=DRAFT)
    options = {"clearance": CLEARANCE, "wall_min": 0.0, "line_width": 0.4}
    recess = known.recess
    true = Recess(
        known.truth, known.shape.truth_faces, recess.rim, recess.lid, recess.part_to_scan, recess.up, recess.depth
    )
    made = Made(
        known, space, block, mesh, away, _find_seen(points, known), _ideal_volume(known, space),
        inspect_body(mesh, recess, **options), inspect_body(mesh, true, **options),  # type: ignore[arg-type]
    )
    _tell(name, made)
    return made


def _sample(mesh: Mesh, space: InsertableSpace) -> Floats:
    """Return points strewn evenly over the mesh, but for the lid and its edge, (SAMPLES, 3)."""
    rng = np.random.default_rng(0)
    a, b, c = (mesh.vertices[mesh.faces[:, k]] for k in range(3))
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1)
    face = rng.choice(len(area), 4 * SAMPLES, p=area / area.sum())
    u, v = np.sort(rng.random((2, len(face))), axis=0)[..., None]
    points = a[face] * u + b[face] * (v - u) + c[face] * (1.0 - v)
    below = lid_height(space.lid, points[:, 0], points[:, 1]) - points[:, 2] > 0.3
    return points[below][:SAMPLES]


def _find_seen(points: Floats, known: Known) -> Bools:
    """Return whether the scan has the true ground nearest to each point (N, 3)."""
    truth = known.truth, known.shape.truth_faces.astype(np.int64)
    scan = np.asarray(known.recess.vertices), known.recess.faces.astype(np.int64)
    foot = igl.point_mesh_squared_distance(points, *truth)[2]
    return np.asarray(igl.point_mesh_squared_distance(foot, *scan)[0] < SEEN**2)


def _ideal_volume(known: Known, space: InsertableSpace) -> float:
    """Return the volume between the ideal height and the lid within the mouth, mm³."""
    low, high = space.mouth.min(axis=0), space.mouth.max(axis=0)
    x, y = (g.ravel() for g in np.meshgrid(np.arange(low[0], high[0], PLAN), np.arange(low[1], high[1], PLAN)))
    inside = shapely.contains_xy(shapely.Polygon(space.mouth), x, y)
    plan = np.column_stack([x, y])[inside]
    floor = ideal_height(plan, known.truth, known.shape.truth_faces, clearance=CLEARANCE, draft_deg=DRAFT)
    return float(np.maximum(lid_height(space.lid, plan[:, 0], plan[:, 1]) - floor, 0.0).sum() * PLAN**2)


def _tell(name: str, made: Made) -> None:
    p50, p95, p99 = np.quantile(np.abs(made.away[made.seen]), [0.5, 0.95, 0.99])
    print(  # noqa: T201
        f"\n{name:12s} seen {made.seen.mean():.2f}  p50 {p50:.3f}  p95 {p95:.3f}  p99 {p99:.3f}"
        f"  scan: rest {made.scan.rest.min:.3f} way {made.scan.insertion.min:.3f}"
        f"  truth: rest {made.truth.rest.min:.3f} way {made.truth.insertion.min:.3f}"
        f"  volume {measure_volume(made.mesh) / made.ideal_volume:.4f}  faces {count_faces(made.block.solid)}"
        f"  triangles {len(made.mesh.faces)}{'  faceted' if made.block.faceted else ''}", end="",
    )  # fmt: skip


@pytest.mark.parametrize("name", SEVEN)
def test_surface_lies_on_the_ideal_one(name: str) -> None:
    made, limits = _make(name), LIMITS[name]
    p50, p95, p99 = np.quantile(np.abs(made.away[made.seen]), [0.5, 0.95, 0.99])
    assert len(made.away) == SAMPLES
    assert made.seen.mean() >= LEAST_SEEN
    assert made.away[~made.seen].min(initial=0.0) > -SCAN_ERROR  # never taken for free space
    assert p50 <= limits.p50
    assert p95 <= limits.p95
    assert p99 <= limits.p99


@pytest.mark.parametrize("name", SEVEN)
def test_nothing_is_on_the_wrong_side_of_the_scan(name: str) -> None:
    made, least = _make(name), CLEARANCE - LIMITS[name].wrong
    assert made.scan.rest.min >= least, made.scan.rest.place
    assert made.scan.insertion.min >= least, made.scan.insertion.place


@pytest.mark.parametrize("name", SEVEN)
def test_the_true_shape_is_cleared_at_rest_and_on_the_way_in(name: str) -> None:
    made = _make(name)
    assert made.truth.rest.min >= CLEARANCE - SCAN_ERROR, made.truth.rest.place
    assert made.truth.insertion.min >= CLEARANCE - SCAN_ERROR, made.truth.insertion.place


@pytest.mark.parametrize("name", SEVEN)
def test_nearly_all_of_the_insertable_volume_is_filled(name: str) -> None:
    made = _make(name)
    share = measure_volume(made.mesh) / made.ideal_volume
    assert LIMITS[name].share <= share <= 1.002  # noise rounds the scan's corners a little either way
    assert made.space.volume() == pytest.approx(made.ideal_volume, rel=0.012)


@pytest.mark.parametrize("name", SEVEN)
def test_one_valid_solid_of_few_faces_and_a_closed_mesh(name: str) -> None:
    made = _make(name)
    assert not made.block.faceted, made.block.notes
    assert is_valid(made.block.solid)
    assert len(solids_of(made.block.solid)) == 1
    assert count_faces(made.block.solid) <= LIMITS[name].faces
    sound = check_soundness(np.asarray(made.mesh.vertices), np.asarray(made.mesh.faces))
    assert sound.manifold, sound.reason
    assert (sound.pieces, sound.hollows) == (1, 0)
    assert len(made.mesh.faces) <= 100_000
    fine = tessellate(made.block.solid, chord=0.005)
    assert measure_volume(made.mesh) == pytest.approx(measure_volume(fine), rel=0.002)
    others = cadquery.Shape.cast(made.block.solid).Volume()  # as others integrate it
    assert others == pytest.approx(measure_volume(fine), rel=0.003)
