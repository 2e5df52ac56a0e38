"""Stage 7: gauge the finished mesh against the scan's triangles, at rest and on its way in, and judge it.

Nothing of the making is used here: no height field, no section, no solid, only the mesh that will be printed
and the triangles that were scanned. Where both agree on a part, they agree for different reasons.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import ceil, cos, floor, radians

import numpy as np

from mountgen.arrays import Bools, Floats, Ints
from mountgen.child import beside
from mountgen.datum import Recess, lid_height
from mountgen.errors import InspectionError
from mountgen.faces import find_middles, list_used, measure_faces
from mountgen.feather import stays_whole
from mountgen.gap import (
    TOLERANCE,
    Gap,
    PathGap,
    Probe,
    Standing,
    clip_mesh,
    find_spikes,
    make_standing,
    measure_path,
    probe_body,
)
from mountgen.kernel import Mesh
from mountgen.nearest import Tree, build_tree, find_nearest
from mountgen.place import describe_place
from mountgen.rows import dot, extent, lies_within
from mountgen.sampling import Indices, Samples, sort_nearby
from mountgen.soundness import START, TILT, Soundness, Thinnest, check_soundness, find_thinnest
from mountgen.surface import Signed, Surface, surface_of
from mountgen.verdict import PROOF, Check, Verdict

EDGE = (
    1.0  # mm, longest edge of the triangles sampled near the scan; their centroids are 0.5 mm apart or less
)
CONTACT = 3.0  # clearances; the part's surface nearer to the scan than this is its contact surface
BAND_AT_REST = CONTACT - 1.0  # clearances beyond the clearance, within which the surface is sampled densely
BAND = 0.25  # mm beyond the clearance; contact surface within it conforms
RIM_ZONE = 3.0  # mm below the lid; scan above this is the rim's
WALL_SLOPE = 45.0  # degrees from the plane of the mouth; steeper is wall, flatter is floor
ZONES = ("floor", "walls", "rim")
UNSEEN_LIMIT = 0.15  # share of the contact surface that may face scan nobody saw
RAY_SAMPLES = 60_000  # points from which walls are measured, at most
HAIR = 0.01  # mm; what lacks less is told with more digits
FLOORWARDS = -0.5  # normal z below this faces the floor

_classified: list[tuple[Floats, Ints, Floats, Ints]] = []


@dataclass(frozen=True, eq=False)
class Inspection:
    """What gauging found. Lengths in mm, part frame; shares from 0 to 1.

    rest         : gap over the contact surface at rest, its place on the part.
    insertion    : least gap over the whole way in, its place on the scan.
    zones        : least gap at rest to each zone of the scan ("floor", "walls", "rim") that the part is near.
    in_band      : share of the contact surface whose gap is within the clearance asked for and 0.25 mm more.
    unseen       : share of the contact surface that faces scan nobody saw.
    contact_area : mm².
    touching     : gap over the regions that are meant to touch or flex; None where there are none.
    thinnest     : the thinnest wall.     sound: manifold, pieces, hollows.     size: (3,) of the part, mm.
    bearing      : (F,) mm², of each face of the mesh, the area that bears on the recess.
    standing     : the scan, ready for further questions.
    checks       : the verdicts.
    """

    rest: Gap
    insertion: PathGap
    zones: dict[str, float]
    in_band: float
    unseen: float
    contact_area: float
    touching: Gap | None
    thinnest: Thinnest
    sound: Soundness
    size: tuple[float, float, float]
    bearing: Floats
    standing: Standing
    checks: tuple[Check, ...]

    @property
    def is_clear(self) -> bool:
        """Whether the part keeps its clearance, at rest and on its way in."""
        return all(check.verdict == "pass" for check in self.checks if check.name.startswith(PROOF))


def inspect_body(
    mesh: Mesh,
    recess: Recess,
    *,
    clearance: float,
    floor: float | None = None,
    walls: float | None = None,
    rim: float | None = None,
    wall_min: float,
    line_width: float,
    flexible: Bools | None = None,
    probe: Probe | None = None,
    advise_wall: Callable[[float, float, Floats], str] | None = None,
    advise_sound: Callable[[], str] | None = None,
    runs_out: bool = False,
) -> Inspection:
    """Gauge a part against the scan it was made from.

    Args:
        mesh: the part, part frame. recess: the scan, part frame. clearance: asked for, mm; floor, walls, rim:
        the same for one zone of the scan, default clearance. wall_min: least wall that is strong enough, mm;
        thinner is a caution. line_width: of the printer, mm; walls under two lines fail.
        flexible: (F,) bool, faces that are meant to touch or flex (hooks of retaining tabs, tape pads). They are gauged at
            rest, but not held against the clearance.
        probe: of this very mesh, its faces put in order by `sort_soft`, at `find_travel` and `BAND_AT_REST`; made where
            it is not at hand.
        advise_wall: of the thickness found, of what is enough and of the place, (3,), all mm, to what makes it so.
        advise_sound: finds what makes the part one whole body, where it is not.
        runs_out: whether the recipe asks for no wall: what is thin then is an edge in which the room in the recess runs out, and
            a caution as long as the part is one body without it.

    Returns:
        Inspection. A part that fails is a result, not an error.

    Raises:
        InspectionError: the mesh is empty or not finite, or no scan lies near it.
        ValueError: `flexible` has the wrong shape.
    """
    if len(mesh.faces) == 0 or not np.isfinite(mesh.vertices).all():
        raise InspectionError(
            "the part has no triangles, or some without a place", "the finished mesh", "make the part again"
        )
    soft = (
        np.zeros(len(mesh.faces), dtype=np.bool_)
        if flexible is None
        else np.asarray(flexible, dtype=np.bool_)
    )
    if soft.shape != (len(mesh.faces),):
        raise ValueError(f"flexible has one value a face, shape ({len(mesh.faces)},), got {soft.shape}")
    wanted = {"floor": clearance if floor is None else floor, "walls": clearance if walls is None else walls,
              "rim": clearance if rim is None else rim}  # fmt: skip
    order = sort_soft(soft)
    if soft.any():
        mesh, soft = Mesh(mesh.vertices, np.asarray(mesh.faces)[order]), soft[order]
    low, high = extent(np.take(mesh.vertices, list_used(mesh.faces, len(mesh.vertices)), axis=0))
    size = (float(high[0] - low[0]), float(high[1] - low[1]), float(high[2] - low[2]))

    body = surface_of(mesh)
    stiff = body.faces[~soft]
    tree = build_tree(body.vertices, stiff) if 0 < len(stiff) < len(soft) else body.tree
    with beside(lambda: (check_soundness(body.vertices, body.faces), _gauge_walls(body))) as prove:
        widest = max(wanted.values())
        travel = find_travel(recess, low, high, widest=widest)
        scan = surface_of(recess)
        zone = classify_faces(scan.vertices, scan.faces, recess.lid)
        asked = np.array([wanted[name] for name in ZONES])
        standing = make_standing(scan, asked[zone])
        if probe is None:
            probe = probe_body(body.vertices, body.faces, standing, edge=EDGE, travel=travel, band=BAND_AT_REST * widest)
        samples, signed = probe.samples, probe.signed
        hard = ~soft[samples.face]
        asked_here = standing.clearance[signed.face]
        bearing, hidden = _find_contact(samples, signed, asked_here, scan, body, recess)
        bearing, hidden = bearing & hard, hidden & hard
        seen = bearing & ~hidden
        basis = (
            seen
            if samples.area[seen].sum() > 0.0
            else hard
            if samples.area[hard].sum() > 0.0
            else np.ones_like(hard)
        )

        gap, point, foot = _least_by_zone(samples, signed, standing.tree.widest, hard, standing, zone, asked)
        margin = gap - asked
        spikes, which = find_spikes(body, tree, standing, beyond=float(margin.min(initial=np.inf)))
        if len(which) and len(stiff):
            owner = _zone_of_corners(scan.faces, zone, asked, len(scan.vertices))[which]
            lying = np.where(soft[spikes.face], np.inf, spikes.gap)
            for k in range(len(asked)):
                mine = np.flatnonzero((owner == k) & (lying < gap[k]))
                if len(mine):
                    least = mine[int(np.argmin(lying[mine]))]
                    gap[k], point[k], foot[k] = lying[least], spikes.foot[least], scan.vertices[which[least]]
        margin = np.where(np.isfinite(gap), gap - asked, np.inf)
        worst = int(np.argmin(margin))
        rest = _summarise(
            signed.gap[basis], samples.area[basis], samples.points[basis], least=(float(gap[worst]), point[worst])
        )

        x, y, z = (float(v) for v in foot[worst])
        touch = 0.0 if gap[worst] < 0.0 else None
        start = PathGap(float(gap[worst]), float(asked[worst]), 0.0, touch, describe_place((x, y, z)), (x, y, z))
        insertion = measure_path(samples.pick(hard), standing, body, tree, travel=travel, rest=start)
        reach = 0
        if margin.min() < -TOLERANCE or insertion.min < insertion.limit - TOLERANCE:
            short = hard & (signed.gap < asked_here - TOLERANCE)
            reach = _find_clear_reach(samples, short, standing, body, tree, travel)
        sound, thinnest = prove()
    conforming = seen & (signed.gap >= asked_here - TOLERANCE) & (signed.gap <= asked_here + BAND)
    contact_area, seen_area = float(samples.area[bearing].sum()), float(samples.area[seen].sum())
    unseen = float(samples.area[hidden].sum()) / contact_area if contact_area > 0.0 else 0.0
    flexing = ~hard
    touching = (
        _summarise(signed.gap[flexing], samples.area[flexing], samples.points[flexing])
        if flexing.any()
        else None
    )
    named = {name: float(gap[k]) for k, name in enumerate(ZONES) if np.isfinite(gap[k])}
    checks = (
        *_judge_rest(named, wanted, {name: point[k] for k, name in enumerate(ZONES)}, reach),
        _judge_insertion(insertion, reach, wanted),
        _judge_unseen(unseen, samples, hidden),
        _judge_walls(thinnest, wall_min, line_width, advise_wall or _advise_any_wall, mesh if runs_out else None),
        *_judge_soundness(sound, advise_sound or _advise_any_soundness),
    )
    return Inspection(
        rest=rest, insertion=insertion, zones=named,
        in_band=float(samples.area[conforming].sum()) / seen_area if seen_area > 0.0 else 0.0,
        unseen=unseen, contact_area=contact_area, touching=touching, thinnest=thinnest, sound=sound,
        size=size, bearing=_sum_bearing(samples, bearing, order), standing=standing, checks=checks,
    )  # fmt: skip


def _sum_bearing(samples: Samples, bearing: Bools, order: Indices) -> Floats:
    """Return the bearing area of each face, (F,) mm², in the order that the mesh came in."""
    area = np.zeros(len(order))
    area[order] = np.bincount(samples.face[bearing], weights=samples.area[bearing], minlength=len(order))
    return area


def sort_soft(soft: Bools) -> Indices:
    """Return the order of faces for a probe, the soft ones first: a corner shared with a soft face then counts as soft."""
    return np.argsort(~soft, kind="stable")


def find_travel(recess: Recess, low: Floats, high: Floats, *, widest: float) -> float:
    """Return how far a part between two corners must move along +z to be clear of the scan about it, mm.

    Args:
        recess: the scan; all of it counts where the part comes near none of it.
        low, high: (3,) mm.
        widest: the greatest clearance asked for, mm.

    Raises:
        InspectionError: the part lies beside or above the scan.
    """
    around = CONTACT * widest + 1.0
    near, faces, _ = clip_mesh(recess, low - around, np.array([high[0] + around, high[1] + around, np.inf]))
    if len(faces) == 0:
        near = np.asarray(recess.vertices)
        if len(recess.faces) == 0 or (near.min(axis=0) > high).any() or (near.max(axis=0)[:2] < low[:2]).any():
            raise InspectionError(
                "no scan lies near the part", "the whole part", "make the part from this scan, in its part frame"
            )
    return max(float(near[:, 2].max() - low[2]), 0.0) + widest


def classify_faces(vertices: Floats, faces: Ints, lid: Floats) -> Ints:
    """Return each scan face's zone, (F,), as an index into ZONES: the rim's by depth, the others by slope.

    What was found last is remembered: it is asked for when facets are drawn back and when the part is gauged.
    """
    for known in tuple(_classified):
        if known[0] is vertices and known[1] is faces and (known[2] == lid).all():
            return known[3]
    zone = _classify_faces(vertices, faces, lid)
    _classified[:] = [(vertices, faces, np.array(lid), zone)]
    return zone


def _classify_faces(vertices: Floats, faces: Ints, lid: Floats) -> Ints:
    vectors, areas = measure_faces(vertices, faces)
    upright = np.abs(vectors[:, 2]) < cos(radians(WALL_SLOPE)) * areas
    middle = find_middles(vertices, faces)
    at_rim = lid_height(lid, middle[:, 0], middle[:, 1]) - middle[:, 2] < RIM_ZONE
    zone: Ints = np.where(at_rim, 2, np.where(upright, 1, 0)).astype(np.int32)
    zone.setflags(write=False)
    return zone


def _gauge_walls(body: Surface) -> Thinnest:
    """Measure walls from points spread evenly over the surface, whatever the triangles' sizes."""
    corners = body.vertices[body.faces]
    area = 0.5 * np.linalg.norm(
        np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1
    )
    total = float(area.sum())
    if total <= 0.0:
        return Thinnest(float("inf"), (0.0, 0.0, 0.0))
    count = int(min(RAY_SAMPLES, max(2000.0, total * 2.0)))
    # one ray in each equal share of the area: the i-th falls where the running area passes (i + 1/2) / count
    face = np.searchsorted(np.cumsum(area), (np.arange(count) + 0.5) * (total / count)).clip(0, len(area) - 1)
    u, v = np.random.default_rng(0).uniform(0.02, 0.98, (2, count))
    over = u + v > 1.0
    u, v = np.where(over, 1.0 - u, u), np.where(over, 1.0 - v, v)
    a, b, c = (corners[face, k] for k in range(3))
    return find_thinnest(
        body,
        a + u[:, None] * (b - a) + v[:, None] * (c - a),
        face,
        np.full(count, total / count),
    )


def _find_contact(
    samples: Samples, signed: Signed, asked: Floats, scan: Surface, body: Surface, recess: Recess
) -> tuple[Bools, Bools]:
    """Return which samples bear on the recess, and which of them face scan nobody saw.

    Seen contact is near a face of the scan that it looks at. Unseen contact looks into the recess, past no
    other part of the body, and meets no scan: a ray along the draw direction where it faces the floor, along
    its normal where it faces a wall.
    """
    normal, points = samples.normals, samples.points
    away = signed.foot - points
    looks = dot(away, normal) > 0.5 * np.abs(signed.gap)
    close = np.abs(signed.gap) <= CONTACT * asked
    seen = close & ~signed.border & (looks | (signed.gap <= 0.0)) & (samples.area > 0.0)
    below = points[:, 2] < lid_height(recess.lid, points[:, 0], points[:, 1]) - RIM_ZONE
    floorwards = normal[:, 2] < FLOORWARDS
    sidewards = (
        (np.abs(normal[:, 2]) <= -FLOORWARDS) & (normal @ recess.up < 0.5) & ~_faces_open_side(normal, recess)
    )
    maybe = np.flatnonzero(
        (samples.area > 0.0)
        & below
        & (floorwards | sidewards)
        & (signed.border | ~close)
        & (signed.gap > 0.0)
    )
    hidden = np.zeros(len(points), dtype=np.bool_)
    if len(maybe):
        down = floorwards[maybe]
        direction = np.where(down[:, None], [0.0, 0.0, -1.0], normal[maybe])
        direction = direction + np.random.default_rng(1).uniform(-TILT, TILT, direction.shape)
        start = points[maybe] + START * normal[maybe]
        blocked, _ = body.cast(start, direction)
        open_way = maybe[~np.isfinite(blocked)]
        start, direction = start[~np.isfinite(blocked)], direction[~np.isfinite(blocked)]
        far, _ = scan.cast(start, direction)
        hidden[open_way[~np.isfinite(far)]] = True
        # near a border, yet its ray does meet the scan close by: it bears on that
        bears = np.isfinite(far) & (far <= CONTACT * asked[open_way]) & signed.border[open_way]
        seen[open_way[bears]] = True
    return seen | hidden, hidden


def _faces_open_side(normal: Floats, recess: Recess) -> Bools:
    if recess.open_side_deg is None:
        return np.zeros(len(normal), dtype=np.bool_)
    start, end = recess.open_side_deg
    clock = np.degrees(np.arctan2(normal[:, 0], normal[:, 1])) % 360.0
    return np.asarray((clock - start) % 360.0 <= (end - start) % 360.0)


def _least_by_zone(
    samples: Samples,
    signed: Signed,
    widest: float,
    hard: Bools,
    standing: Standing,
    zone: Ints,
    asked: Floats,
) -> tuple[Floats, Floats, Floats]:
    """Return the least gap to each zone of the scan, inf where none is near, and where on part and scan, (3, 3)."""
    gap, point, foot = np.full(len(asked), np.inf), np.zeros((len(asked), 3)), np.zeros((len(asked), 3))
    nearest_zone = zone[signed.face]
    distance, opposite = signed.gap.copy(), signed.foot.copy()
    if np.ptp(asked) > 0.0:
        # the nearest face is not always the one that lacks most: look again where another zone asks for more
        again = np.flatnonzero(hard & (signed.gap < widest) & (signed.gap > 0.0))
        found = find_nearest(
            standing.tree,
            samples.points[again],
            travel=0.0,
            bound=signed.gap[again] - asked[nearest_zone[again]],
        )
        better = found.face >= 0
        nearest_zone[again[better]] = zone[found.face[better]]
        distance[again[better]] = found.distance[better]
        opposite[again[better]] = standing.surface.measure_to(found.face[better], samples.points[again[better]]).foot
    for k in range(len(asked)):
        mine = np.flatnonzero(hard & (nearest_zone == k) & (distance < CONTACT * widest))
        if len(mine):
            least = mine[int(np.argmin(distance[mine]))]
            gap[k], point[k], foot[k] = distance[least], samples.points[least], opposite[least]
    if not np.isfinite(gap).any() and hard.any():
        mine = np.flatnonzero(hard)
        least = mine[int(np.argmin(distance[mine]))]
        k = int(nearest_zone[least])
        gap[k], point[k], foot[k] = distance[least], samples.points[least], opposite[least]
    return gap, point, foot


def _zone_of_corners(faces: Ints, zone: Ints, asked: Floats, count: int) -> Ints:
    """Return each vertex's zone: of the faces around it, the one that asks for most."""
    owner = np.zeros(count, dtype=np.int32)
    for k in np.argsort(asked, kind="stable"):
        owner[faces[zone == k]] = k
    return owner


def _summarise(
    gap: Floats, area: Floats, points: Floats, *, least: tuple[float, Floats] | None = None
) -> Gap:
    """Return percentiles by area; `least`, where given, stands in for the least of them."""
    order = np.argsort(gap)
    share = np.cumsum(area[order])
    at = np.searchsorted(share, np.array([0.05, 0.5, 0.95]) * share[-1]).clip(0, len(gap) - 1)
    p05, p50, p95 = (float(v) for v in gap[order[at]])
    value, point = (float(gap[order[0]]), points[order[0]]) if least is None else least
    x, y, z = (float(v) for v in point)
    return Gap(value, p05, p50, p95, float(gap[order[-1]]), describe_place((x, y, z)), (x, y, z))


def _round_up(value: float, step: float = 0.05) -> float:
    return round(ceil(value / step - 1e-6) * step, 3)


def _tell_lack(lack: float) -> str:
    return f"{lack:.2f}" if lack >= HAIR else f"{lack:.4f}"


def _find_clear_reach(samples: Samples, short: Bools, standing: Standing, body: Surface, tree: Tree, travel: float) -> int:
    """Return how deep a part may go, mm, so as to end above all that it comes too near to at rest or on its way; 0 if nowhere.

    short: (N,) bool, samples that are too near to the scan at rest; the rest as for `measure_path`.
    """
    points, widest = standing.surface.vertices, float(standing.corner_clearance.max())
    low, high = extent(body.vertices)
    about = np.flatnonzero(lies_within(points, low - widest, np.array([*(high[:2] + widest), np.inf])))
    about = about[sort_nearby(points[about])]
    start = points[about] - [0.0, 0.0, travel]
    met = find_nearest(tree, start, travel=travel, bound=standing.corner_clearance[about] - TOLERANCE).face >= 0
    highest = np.concatenate([samples.points[short, 2], points[about[met], 2]]).max(initial=-np.inf)
    return max(floor(-highest - widest), 0) if np.isfinite(highest) else 0


def _advise_room(key: str, reach: int) -> str:
    """Return what helps where a part comes too near to the scan. reach: mm, how deep it may go and end above all such places."""
    end = f", or end the part above it: set fit.reach = {reach}" if reach >= 1 else ""
    return (
        f"move the feature at that place, or cut out of the scan what is no part of the recess{end}; "
        f"a larger {key} asks for as much more there and is no help"
    )


def _judge_rest(
    zones: dict[str, float], wanted: dict[str, float], places: dict[str, Floats], reach: int
) -> list[Check]:
    apart = len(set(wanted.values())) > 1
    groups = [(f"clearance at rest, {name}", f"fit.{name}", [name]) for name in zones] if apart else [
        ("clearance at rest", "fit.clearance", list(zones))
    ]  # fmt: skip
    checks = []
    for title, key, names in groups:
        name = min(names, key=lambda n: zones[n])
        value, ask = zones[name], wanted[name]
        limit = round(ask - TOLERANCE, 6)
        verdict: Verdict = "pass" if value >= limit else "fail"
        remedy = ""
        if verdict == "fail":
            state = (
                f"the part stands {-value:.2f} mm inside the scan there"
                if value < 0.0
                else f"{_tell_lack(limit - value)} mm are lacking there"
            )
            remedy = f"{state}: {_advise_room(key, reach)}"
        source = f"recipe: {key} = {ask:g}, less {TOLERANCE:g} mm for the surface's own tolerance"
        checks.append(
            Check(title, verdict, value, limit, "mm", source, remedy, describe_place(places[name].tolist()))
        )
    return checks


def _judge_insertion(found: PathGap, reach: int, wanted: dict[str, float]) -> Check:
    limit = round(found.limit - TOLERANCE, 6)
    verdict: Verdict = "pass" if found.min >= limit else "fail"
    remedy = ""
    if verdict == "fail":
        hits = found.first_touch is not None
        remedy = f"it hits the scan {found.first_touch:.1f}" if hits else f"it comes too near {found.lift:.1f}"
        here = [name for name in ZONES if wanted[name] == found.limit]  # that ask for what is lacking there
        key = "fit.clearance" if len(here) == len(ZONES) else f"fit.{here[0]}"
        remedy += f" mm before its seat: {_advise_room(key, reach)}"
    return Check(
        "clearance over the insertion", verdict, found.min, limit, "mm",
        f"recipe: {found.limit:g} mm there, less {TOLERANCE:g} mm for the surface's own tolerance",
        remedy, f"{found.place}, {found.lift:.1f} mm from the seat",
    )  # fmt: skip


def _judge_unseen(share: float, samples: Samples, hidden: Bools) -> Check:
    verdict: Verdict = "caution" if share > UNSEEN_LIMIT else "pass"
    place = ""
    if hidden.any():
        weight = samples.area[hidden]
        middle = np.average(samples.points[hidden], axis=0, weights=weight)
        inside = samples.points[hidden]
        place = describe_place(inside[int(np.argmin(((inside - middle) ** 2).sum(axis=1)))].tolist())
    remedy = (
        "scan that place again, from straight in front of it: nothing proves yet that the part clears it"
        if verdict != "pass"
        else ""
    )
    source = "our rule: as much of the contact surface may face ground that nobody saw, which is taken as near as it may be"
    return Check("contact with unseen scan", verdict, share, UNSEEN_LIMIT, "share", source, remedy, place)


def _advise_any_wall(found: float, enough: float, place: Floats) -> str:
    return f"set body.wall = {_round_up(enough, 0.1):g} when hollow, or the thickness of the feature there to as much"


def _judge_walls(
    thinnest: Thinnest, wall_min: float, line_width: float, advise: Callable[[float, float, Floats], str], solid: Mesh | None
) -> Check:
    """solid: the part, if all that is thin of it are edges in which the recess runs out."""
    least = 2.0 * line_width
    limit = round(max(wall_min, least) - TOLERANCE, 6)
    # a wall made to measure comes back from the tessellation short by as much as its chords
    source = (
        "common practice: two printed lines at least; recipe: wall for strength; "
        f"less {TOLERANCE:g} mm for the surface's own tolerance"
    )
    if not np.isfinite(thinnest.thickness):
        return Check("wall thickness", "pass", None, limit, "mm", source)
    value = thinnest.thickness
    verdict: Verdict = "fail" if value < least - TOLERANCE else "caution" if value < limit else "pass"
    remedy = "" if verdict == "pass" else advise(value, max(wall_min, least), np.asarray(thinnest.point))
    if verdict == "fail" and solid is not None:
        if stays_whole(solid.vertices, solid.faces, least=least):
            verdict, remedy = "caution", f"{remedy} (the part is one body without it: what is printed of it can be sanded off)"
        else:
            remedy = f"{remedy} (without what is thinner than two lines the part is in pieces)"
    if verdict == "fail":
        limit = round(least - TOLERANCE, 6)
    return Check(
        "wall thickness", verdict, value, limit, "mm", source, remedy, describe_place(thinnest.point)
    )


def _advise_any_soundness() -> str:
    return "leave out one feature after the other to find the one that does it"


def _judge_soundness(sound: Soundness, advise: Callable[[], str]) -> list[Check]:
    manifold: Verdict = "pass" if sound.manifold else "fail"
    pieces: Verdict = "fail" if sound.pieces != 1 else "caution" if sound.hollows else "pass"
    advice = "" if (manifold, pieces) == ("pass", "pass") else advise()
    loose = "" if pieces == "pass" else (
        f"a shut hollow cannot be cleaned out and traps air: {advice}" if pieces == "caution"
        else f"it is in {sound.pieces} pieces: {advice}"
    )  # fmt: skip
    broken = "" if sound.manifold else f"{sound.reason}: {advice}"
    closed = "by definition: a mesh bounds a solid only if it is closed and agrees with itself"
    return [
        Check("manifold", manifold, float(sound.manifold), 1.0, "", closed, broken),
        Check("one piece", pieces, float(sound.pieces), 1.0, "", "by definition: a part is one body", loose),
    ]
