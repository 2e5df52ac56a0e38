"""Stage 2: rim, mouth plane, draw direction and up; the scan moved to the part frame.

The draw direction starts from the vector area of the scan (for an open sheet it depends on the border alone, so it is the
normal of the rim however deep the recess is) and is refined to the greatest insertable volume. The surround is carried across
the mouth as a quadratic surface, the lid; the rim is where the scan has dropped a set depth below the lid.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, radians, sin, sqrt
from typing import TYPE_CHECKING

import numpy as np

from mountgen.arrays import Bools, Floats, Ints, Singles, freeze
from mountgen.errors import DatumError
from mountgen.raster import EMPTY, raster_faces
from mountgen.topology import find_middles, measure_faces

if TYPE_CHECKING:
    from mountgen.recipe import Mouth
    from mountgen.scan import Scan

SMALLEST_MOUTH, LARGEST_MOUTH = 10.0, 1500.0  # mm; outside this a unit mistake is likelier than a recess
SHALLOWEST = 2.0  # mm; a dent less deep than this is no recess to fit a part into
RIM_DEPTH = (0.5, 0.8)  # mm below the lid at which the rim is drawn, 8 % of the depth within this
SEARCH_CONE = 15.0  # degrees about the first guess
SEARCH_STEPS = (6.0, 3.0, 1.5, 0.75, 0.375)  # degrees
TURN_COST = 0.001  # share of the insertable volume that each degree off the rim normal must win
SEARCH_FACES, SEARCH_NODES = 60_000, 50_000  # about so many, when volumes are compared; good to 0.05 % of them
ASKEW = 0.5  # radians between their grid and the frame
COARSE_NODES, FINE_NODES = 60_000, 400_000


@dataclass(frozen=True, eq=False)
class Recess:
    """The scan in the part frame, with its mouth.

    vertices       : (V, 3) float64, mm, part frame.      faces: (F, 3) int32, normals to the free side.
    rim            : (K, 3) float64, mm, part frame; counter-clockwise seen from +z, first point not repeated.
    lid            : (6,) float64; the surround's surface carried across the mouth: z = a + b x + c y + d x² + e x y + f y², mm.
    part_to_scan   : (4, 4) float64, rigid, mm; part frame to scan axes (scan already in mm).
    up             : (3,) unit vector, part frame: the vehicle's up.
    depth          : greatest depth below the lid, mm.
    open_side_deg  : clock angles (from, to) in degrees, clockwise from 12, where the rim is open; None where it is closed.
    notes          : sentences for the user.
    """

    vertices: Floats
    faces: Ints
    rim: Floats
    lid: Floats
    part_to_scan: Floats
    up: Floats
    depth: float
    open_side_deg: tuple[float, float] | None = None
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for name in ("vertices", "rim", "lid", "part_to_scan", "up"):
            freeze(self, name, "float64")
        freeze(self, "faces", "int32")


@dataclass(frozen=True, eq=False)
class _Mouth:
    """What one look along a trial draw direction finds, in that look's own frame."""

    lid: Floats  # (6,)
    rim: Floats  # (K, 2)
    depth: float
    open_arc: Bools  # (K,) rim points that lie on the scan's own border


def vector_area(vertices: Floats, faces: Ints) -> Floats:
    """Return the sum of the faces' area vectors, (3,) mm². For an open sheet it depends on the border loops alone."""
    total: Floats = measure_faces(vertices, faces)[0].sum(axis=0)
    return total


def lid_height(lid: Floats, x: Floats, y: Floats) -> Floats:
    """Return the lid's z (mm) at x, y (any shape, mm), part frame."""
    z: Floats = lid[0] + lid[1] * x + lid[2] * y + lid[3] * x * x + lid[4] * x * y + lid[5] * y * y
    return z


def find_datum(scan: Scan, *, mouth: Mouth) -> Recess:
    """Find mouth, draw direction and up, and move the scan to the part frame.

    Args:
        scan: the mended scan, mm.
        mouth: the recipe's `[mouth]` table: up (clock position), recline (degrees), and by hand: draw, rim, plane.

    Returns:
        Recess: the scan in the part frame, with rim and lid.

    Raises:
        DatumError: no recess is seen, its mouth has an implausible size, or what the recipe gives by hand does not fit the scan.
    """
    vertices, faces = scan.vertices, scan.faces
    notes: list[str] = []
    area = vector_area(vertices, faces)
    given = mouth.draw if mouth.draw is not None else (mouth.plane.normal if mouth.plane is not None else None)
    if given is not None:
        draw = np.asarray(given, dtype=np.float64)
        if np.linalg.norm(draw) == 0:
            raise DatumError("the draw direction has no length", "mouth.draw", "give a vector such as [0, 0, 1]")
        draw = draw / np.linalg.norm(draw)
        if draw @ area < 0:
            raise DatumError(
                "the draw direction given points into the panel", "mouth.draw or mouth.plane.normal",
                "reverse its sign: it points out of the recess, towards the scanner",
            )
    else:
        draw = _search_draw(scan, area / np.linalg.norm(area), notes)
    frame = _shape_frame(vertices, faces, draw)
    local = _into(frame, vertices)
    found = _find_mouth(local, faces, COARSE_NODES, scan, mouth, frame)
    turned = _canonical_frame(frame, found, mouth.up)
    local = _into(turned, vertices)
    found = _find_mouth(local, faces, FINE_NODES, scan, mouth, turned)
    rim = np.column_stack([found.rim, lid_height(found.lid, found.rim[:, 0], found.rim[:, 1])])
    open_side = _open_side(found)
    if open_side is not None:
        notes.append(
            f"the rim is open from {_clock(open_side[0])} to {_clock(open_side[1])}: "
            "closed by the hull of the rim and the mouth plane"
        )
    _check_size(found.rim, scan)
    tilt = radians(mouth.recline)
    return Recess(
        vertices=local, faces=faces, rim=rim, lid=found.lid, part_to_scan=turned,
        up=_find_up(found.lid, tilt), depth=found.depth, open_side_deg=open_side, notes=tuple(notes),
    )


def _find_up(lid: Floats, recline: float) -> Floats:
    """Return the vehicle's up, (3,), `recline` radians from the mouth's plane; its normal is the lid's, not the draw direction.

    It is kept in the plane x = 0, which the clock position of up defines.
    """
    leaning = np.arctan2(-lid[2], 1.0)  # of the mouth's normal from +z towards +y
    return np.array([0.0, cos(recline - leaning), sin(recline - leaning)])


def _clock(angle_deg: float) -> str:
    minutes = round(angle_deg * 2.0) % 720
    return f"{minutes // 60 or 12}:{minutes % 60:02d} o'clock"


def _into(frame: Floats, points: Floats) -> Floats:
    """Return points given in scan axes in the frame whose 4x4 pose in scan axes is `frame`."""
    moved: Floats = (points - frame[:3, 3]) @ frame[:3, :3]
    return moved


def _shape_frame(vertices: Floats, faces: Ints, draw: Floats) -> Floats:
    """Return a frame that moves with the scan: origin at its centre of area, z along `draw`, x along its longest spread."""
    weight = 2.0 * measure_faces(vertices, faces)[1]
    centre = find_middles(vertices, faces)
    origin = np.average(centre, axis=0, weights=weight)
    offset = centre - origin
    offset -= np.outer(offset @ draw, draw)
    _, axes = np.linalg.eigh((offset * weight[:, None]).T @ offset)
    x = axes[:, 2] - (axes[:, 2] @ draw) * draw
    x /= np.linalg.norm(x)
    if (weight * (offset @ x) ** 3).sum() < 0:  # third moment: an axis has no sign of its own
        x = -x
    frame = np.eye(4)
    frame[:3, 0], frame[:3, 1], frame[:3, 2], frame[:3, 3] = x, np.cross(draw, x), draw, origin
    return frame


def _search_draw(scan: Scan, guess: Floats, notes: list[str]) -> Floats:
    """Return the direction within a cone about the first guess that leaves the greatest insertable volume below the lid."""
    frame = _shape_frame(scan.vertices, scan.faces, guess)
    local = _into(frame, scan.vertices)
    look = _find_mouth(local, scan.faces, COARSE_NODES, scan, None, frame)
    starts = [np.zeros(2)]
    normal = np.array([-look.lid[1], -look.lid[2]])  # slope of the lid at the frame's origin: the surround's own normal
    if look.open_arc.any():
        starts.append(normal)  # an open rim tips the vector area
    points, corners = _thin_near(local, scan.faces, look)
    volumes = [_free_volume(points, corners, look, start) for start in starts]
    origin = starts[int(np.argmax(volumes))]
    best, here = max(volumes), origin.copy()
    limit = np.tan(radians(SEARCH_CONE))
    for step_deg in SEARCH_STEPS:
        step = np.tan(radians(step_deg))
        moved = True
        while moved:
            moved = False
            for k in range(8):
                trial = here + step * np.array([cos(k * np.pi / 4), sin(k * np.pi / 4)])
                off = float(np.linalg.norm(trial - origin))
                if off > limit:
                    continue
                score = _free_volume(points, corners, look, trial) * (1.0 - TURN_COST * np.degrees(np.arctan(off)))
                if score > best:
                    best, here, moved = score, trial, True
    direction: Floats = frame[:3, :3] @ np.array([here[0], here[1], 1.0])
    direction /= np.linalg.norm(direction)
    turn = np.degrees(np.arccos(np.clip(direction @ guess, -1.0, 1.0)))
    if turn > 0.05:
        notes.append(
            f"draw direction turned {turn:.1f} degrees from the rim normal, which leaves more room"
        )
    return direction


def _thin_near(local: Floats, faces: Ints, look: _Mouth) -> tuple[Floats, Ints]:
    """Return the mesh about the mouth with at most some SEARCH_FACES faces: vertices in one cell of a coarse grid become one."""
    room = look.depth * np.tan(radians(SEARCH_CONE)) + 5.0
    low, high = look.rim.min(axis=0) - room, look.rim.max(axis=0) + room
    near = ((local[:, :2] > low) & (local[:, :2] < high)).all(axis=1)
    faces = faces[near[faces].any(axis=1)]
    if len(faces) <= 1.5 * SEARCH_FACES:
        return local, faces
    area = float(measure_faces(local, faces)[1].sum())
    size = sqrt(2.0 * area / SEARCH_FACES)
    place = np.floor((local - local.min(axis=0)) / size).astype(np.int64)
    count = place.max(axis=0) + 1
    _, cell = np.unique((place[:, 0] * count[1] + place[:, 1]) * count[2] + place[:, 2], return_inverse=True)
    share = np.bincount(cell)
    points = np.column_stack([np.bincount(cell, local[:, k]) / share for k in range(3)])
    faces = cell[faces].astype(np.int32)
    return points, faces[(faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])]


def _free_volume(points: Floats, faces: Ints, look: _Mouth, slope: Floats) -> float:
    """Return the volume below the lid that is free along (slope, 1), mm³, from a z-buffer of the sheared mesh.

    The grid stands askew to the mouth: a straight wall along a grid line would come and go by a whole row of nodes.
    """
    askew = np.array([[cos(ASKEW), -sin(ASKEW)], [sin(ASKEW), cos(ASKEW)]])
    moved = np.column_stack([(points[:, :2] - points[:, 2:] * slope) @ askew, points[:, 2]])
    rim = look.rim @ askew
    low, high = rim.min(axis=0) - 2.0, rim.max(axis=0) + 2.0
    pitch = sqrt(float(np.prod(high - low)) / SEARCH_NODES)
    shape = (int((high[1] - low[1]) / pitch) + 1, int((high[0] - low[0]) / pitch) + 1)
    height = raster_faces(moved, faces, origin=(float(low[0]), float(low[1])), pitch=pitch, shape=shape)
    row, col = np.nonzero(height > EMPTY)  # unseen is never free
    top = height[row, col].astype(np.float64)
    x, y = (np.column_stack([low[0] + pitch * col, low[1] + pitch * row]) @ askew.T + top[:, None] * slope).T
    return float(np.maximum(lid_height(look.lid, x, y) - top, 0.0).sum() * pitch * pitch)


def _grid(local: Floats, nodes: int) -> tuple[tuple[float, float], float, tuple[int, int]]:
    low, high = local[:, :2].min(axis=0), local[:, :2].max(axis=0)
    size = high - low
    pitch = max(0.2, sqrt(float(size[0] * size[1]) / nodes))
    shape = (int(size[1] / pitch) + 4, int(size[0] / pitch) + 4)
    return (float(low[0] - 1.5 * pitch), float(low[1] - 1.5 * pitch)), pitch, shape


def _find_mouth(
    local: Floats, faces: Ints, nodes: int, scan: Scan, mouth: Mouth | None, frame: Floats
) -> _Mouth:
    """Look along -z of `local` and find lid, rim and depth."""
    from scipy import ndimage

    origin, pitch, shape = _grid(local, nodes)
    height = raster_faces(local, faces, origin=origin, pitch=pitch, shape=shape)
    seen = height > EMPTY
    inside = ndimage.binary_fill_holes(seen)
    x, y = np.meshgrid(origin[0] + pitch * np.arange(shape[1]), origin[1] + pitch * np.arange(shape[0]))
    if mouth is not None and mouth.plane is not None:
        lid = _given_lid(mouth.plane.point, scan, frame)
    else:
        lid = _fit_lid(height, seen, inside, x, y, pitch)
    depth = np.where(seen, lid_height(lid, x, y) - height, np.nan)
    deepest = float(np.nanpercentile(depth, 99.9))
    if mouth is not None and mouth.rim is not None:
        region = _given_region(mouth.rim, scan, frame, x, y)
        deepest = float(np.nanmax(np.where(region, depth, np.nan), initial=0.0))
        _check_depth(deepest, depth)
    else:
        _check_depth(deepest, depth)
        region = _deep_region(depth, inside, deepest, pitch)
        deepest = float(np.nanmax(np.where(region, depth, np.nan)))
        _check_depth(deepest, depth)
    level = _rim_level(deepest)
    rim = _trace_rim(depth, region, level, origin, pitch, explicit=mouth is not None and mouth.rim is not None)
    outside = ndimage.distance_transform_edt(np.pad(inside, 1))[1:-1, 1:-1] * pitch
    col = np.clip(np.rint((rim[:, 0] - origin[0]) / pitch).astype(int), 0, shape[1] - 1)
    row = np.clip(np.rint((rim[:, 1] - origin[1]) / pitch).astype(int), 0, shape[0] - 1)
    open_arc = outside[row, col] < max(3.0 * pitch, 1.5 * scan.spacing)
    if open_arc.mean() > 0.02:
        rim, open_arc = _close_open_side(rim, open_arc)
    else:
        open_arc[:] = False
    return _Mouth(lid=lid, rim=rim, depth=deepest, open_arc=open_arc)


def _rim_level(deepest: float) -> float:
    return float(np.clip(0.08 * deepest, *RIM_DEPTH))


def _check_depth(deepest: float, depth: Floats) -> None:
    if deepest >= SHALLOWEST:
        return
    proud = -float(np.nanpercentile(depth, 0.5))
    if proud > max(2 * SHALLOWEST, 2 * deepest):
        raise DatumError(
            f"no recess: the middle stands {proud:.1f} mm proud of its surround", "the whole scan",
            "scan a recess from its mouth; for an object seen from outside this is the wrong tool",
        )
    raise DatumError(
        f"a plate with no recess: nothing lies more than {max(deepest, 0.0):.1f} mm below the surround "
        f"(at least {SHALLOWEST:g} mm is needed)", "the whole scan",
        "scan the recess itself and at least 20 mm of the panel around it",
    )


def _fit_lid(height: Singles, seen: Bools, inside: Bools, x: Floats, y: Floats, pitch: float) -> Floats:
    """Fit the surround: start at the scan's border, forgive points that lie below, then take in all that agrees."""
    from scipy import ndimage

    reach = ndimage.distance_transform_edt(np.pad(inside, 1))[1:-1, 1:-1] * pitch
    band = max(6.0 * pitch, 0.06 * sqrt(float(inside.sum())) * pitch)
    use = seen & (reach > 1.5 * pitch) & (reach < band)
    step = max(1, int(sqrt(use.sum() / 20_000)))
    grid = np.zeros_like(use)
    grid[::step, ::step] = True
    lid = np.zeros(6)
    lid[0] = float(np.median(height[use]))
    scale = float(max(np.abs(x).max(), np.abs(y).max()))
    for sweep in range(3):
        pick = use & grid
        px, py, pz = x[pick] / scale, y[pick] / scale, height[pick].astype(np.float64)
        terms = np.column_stack([np.ones_like(px), px, py, px * px, px * py, py * py])
        if sweep == 0:
            terms = terms[:, :3]  # the first look is a plane: a border strip says little about curvature
        weight = np.ones(len(pz))
        for _ in range(25):
            solution, *_ = np.linalg.lstsq(terms * weight[:, None], pz * weight, rcond=None)
            rest = pz - terms @ solution
            spread = max(0.05, 1.4826 * float(np.median(np.abs(rest[rest >= np.quantile(rest, 0.25)]))))
            below = np.maximum(-rest - spread, 0.0) + 0.2 * np.maximum(rest - 3.0 * spread, 0.0)
            weight = np.sqrt(1.0 / (1.0 + (below / spread) ** 2))
        lid = np.pad(solution, (0, 6 - len(solution))) / np.array([1, scale, scale, scale**2, scale**2, scale**2])
        tolerance = max(0.6, 4.0 * spread)
        use = seen & (np.abs(height - lid_height(lid, x, y)) < tolerance)
        step = max(1, int(sqrt(use.sum() / 20_000)))
        grid = np.zeros_like(use)
        grid[::step, ::step] = True
        if not (use & grid).sum() > 50:
            break
    return np.asarray(lid, dtype=np.float64)


def _deep_region(depth: Floats, inside: Bools, deepest: float, pitch: float) -> Bools:
    """Return the recess in plan: of the connected ground below the rim level the most voluminous, unseen rings bridged."""
    from scipy import ndimage

    seen = ~np.isnan(depth)
    deep = np.nan_to_num(depth, nan=0.0) > _rim_level(deepest)
    nearest = ndimage.distance_transform_edt(~seen, return_distances=False, return_indices=True)
    ground = deep[tuple(nearest)] & inside  # unseen ground goes with what lies nearest
    label, count = ndimage.label(ground)
    volume = ndimage.sum_labels(np.where(deep, np.nan_to_num(depth), 0.0), label, index=np.arange(1, count + 1))
    region = deep & (label == 1 + int(np.argmax(volume)))  # at its edge unseen ground is no part of the mouth
    return np.asarray(ndimage.binary_fill_holes(region), dtype=bool)


def _trace_rim(
    depth: Floats, region: Bools, level: float, origin: tuple[float, float], pitch: float, *, explicit: bool
) -> Floats:
    """Return the longest contour of the region, sub-pixel where the scan is seen on both sides, (K, 2) mm, counter-clockwise."""
    from contourpy import contour_generator
    from scipy import ndimage

    if explicit:
        scalar = np.where(region, 1.0, -1.0)
    else:
        # depth about the level, cut off at one pitch of steepness so that a wall and a dent weigh alike
        scalar = np.where(region, np.maximum(np.nan_to_num(depth, nan=level + 1.0) - level, 1e-3), -1.0)
        near = ~region & ndimage.binary_dilation(region, iterations=2)
        scalar[near] = np.minimum(np.nan_to_num(depth[near], nan=level - 1.0) - level, -1e-3)
        scalar = np.clip(scalar, -1.0, 1.0)
    lines = contour_generator(z=np.pad(scalar, 1, constant_values=-1.0)).lines(0.0)
    longest: Floats = max(lines, key=len)  # type: ignore[arg-type]  # its line type is set by an option
    loop: Floats = longest[:-1] - 1.0
    loop = loop * pitch + np.asarray(origin)
    if signed_area(loop) < 0:
        loop = loop[::-1]
    return resample_loop(loop, step=max(0.5, pitch))


def signed_area(loop: Floats) -> float:
    """Return the area inside a closed loop (K, 2), mm²; positive where it runs counter-clockwise (shoelace formula)."""
    x, y = loop[:, 0], loop[:, 1]
    return float(0.5 * (x * np.roll(y, -1) - y * np.roll(x, -1)).sum())


def resample_loop(loop: Floats, *, step: float) -> Floats:
    """Return a closed loop (K, 2) with points at equal arc length of about `step` mm."""
    closed = np.vstack([loop, loop[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    count = max(16, int(along[-1] / step))
    at = np.arange(count) * along[-1] / count
    return np.column_stack([np.interp(at, along, closed[:, k]) for k in range(2)])


def _close_open_side(rim: Floats, open_arc: Bools) -> tuple[Floats, Bools]:
    """Keep the part of the region that the hull of the true rim covers."""
    import shapely

    true_rim = rim[~open_arc]
    if len(true_rim) < 8:
        raise DatumError(
            "no panel is seen around the recess", "the scan's border", "scan at least 20 mm past the rim all round"
        )
    hull = shapely.convex_hull(shapely.MultiPoint(true_rim))
    region = shapely.intersection(shapely.make_valid(shapely.Polygon(rim)), hull)
    if region.geom_type != "Polygon":
        region = max((g for g in shapely.get_parts(region) if g.geom_type == "Polygon"), key=lambda g: g.area)
    loop = np.asarray(region.exterior.coords)[:-1, :2]
    if signed_area(loop) < 0:
        loop = loop[::-1]
    loop = resample_loop(loop, step=0.5)
    away = shapely.distance(shapely.points(loop), shapely.MultiPoint(true_rim))
    return loop, np.asarray(away > 2.0, dtype=bool)


def _open_side(found: _Mouth) -> tuple[float, float] | None:
    """Return the clock angles (degrees clockwise from +y) between which the rim is open."""
    if not found.open_arc.any():
        return None
    middle = found.rim.mean(axis=0)
    offset = found.rim[found.open_arc] - middle
    angle = np.sort(np.degrees(np.arctan2(offset[:, 0], offset[:, 1])) % 360.0)
    gap = np.diff(np.concatenate([angle, angle[:1] + 360.0]))
    widest = int(np.argmax(gap))
    return float(angle[(widest + 1) % len(angle)]), float(angle[widest])


def _check_size(rim: Floats, scan: Scan) -> None:
    size = float((rim.max(axis=0) - rim.min(axis=0)).max())
    if SMALLEST_MOUTH <= size <= LARGEST_MOUTH:
        return
    likely = [u for u, mm in (("mm", 1.0), ("cm", 10.0), ("m", 1000.0), ("inch", 25.4))
              if u != scan.unit and 20.0 <= size / scan.mm_per_unit * mm <= 600.0]
    hint = f'the likely unit is {" or ".join(likely)}: set scan.unit = "{likely[0]}"' if likely else "check scan.unit"
    raise DatumError(
        f"the mouth is {size:.4g} mm across, read as {scan.unit} (plausible: {SMALLEST_MOUTH:g} to {LARGEST_MOUTH:g} mm)",
        "scan.unit", hint,
    )


def _canonical_frame(frame: Floats, found: _Mouth, up: float) -> Floats:
    """Return the part frame: origin at the mouth's centre of area, +x along its longer axis, then turned so that `up` is +y."""
    import shapely

    polygon = shapely.Polygon(found.rim)
    centre = np.array([polygon.centroid.x, polygon.centroid.y])
    offset = resample_loop(found.rim, step=0.5) - centre
    _, axes = np.linalg.eigh(offset.T @ offset)
    x = axes[:, 1]
    if ((offset @ x) ** 3).sum() < 0:
        x = -x
    angle = np.arctan2(x[1], x[0]) + radians(90.0 - 30.0 * (up % 12.0)) - radians(90.0)
    level = float(lid_height(found.lid, found.rim[:, 0], found.rim[:, 1]).mean())
    turn = np.eye(4)
    turn[:2, 0] = cos(angle), sin(angle)
    turn[:2, 1] = -sin(angle), cos(angle)
    turn[:3, 3] = centre[0], centre[1], level
    return np.asarray(frame @ turn, dtype=np.float64)


def _given_lid(point: tuple[float, float, float], scan: Scan, frame: Floats) -> Floats:
    lid = np.zeros(6)
    lid[0] = _into(frame, np.asarray([point], dtype=np.float64) * scan.mm_per_unit)[0, 2]
    return lid


def _given_region(
    picked: tuple[tuple[float, float, float], ...], scan: Scan, frame: Floats, x: Floats, y: Floats
) -> Bools:
    import shapely

    points = _into(frame, np.asarray(picked, dtype=np.float64) * scan.mm_per_unit)[:, :2]
    polygon = shapely.Polygon(points)
    if not polygon.is_valid or polygon.area < SMALLEST_MOUTH**2 / 4:
        raise DatumError(
            f"the {len(points)} rim points enclose no usable area", "mouth.rim",
            "pick the points in order around the rim, in the scan file's own unit",
        )
    region = shapely.contains_xy(polygon, x.ravel(), y.ravel()).reshape(x.shape)
    if not region.any():
        raise DatumError("the rim points lie beside the scan", "mouth.rim", "give them in the scan file's own unit and axes")
    return np.asarray(region, dtype=bool)
