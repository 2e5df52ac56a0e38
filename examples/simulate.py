"""A hand-held scanner, simulated: from a solid of known shape to the mesh that scanner software hands over.

1. Remesh. Scanner software fuses what it sees in a voxel grid and takes the surface out of it; so do we
   (surface nets on the signed distance to the truth, in a randomly turned grid), so that triangles are even
   and follow no edge of the truth. The points are then put on the truth, and round its edges a
   little beside it, so that the chords between them err to both sides.
2. See. A point stays if some scanner position sees it: not hidden, and not at grazing incidence. A ceiling
   behind a lip and the lower walls of a slot are lost, and a floor can become an island.
3. Spoil. Noise along the normal, a slow wobble, marker dots, drop-outs, loose fragments, a pose; on request
   also flipped and doubled faces, a loose island, another unit.

References:
    S. F. F. Gibson (1998), Constrained elastic surface nets, MICCAI, LNCS 1496:888-898,
    doi:10.1007/BFb0056277.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, pi, radians, sqrt
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from examples.panel import BACK, MARGIN, Specimen
from mountgen.arrays import Bools, Floats, Ints, freeze

POSITIONS = 13  # scanner positions in front of the mouth: one straight, the others on two rings
CONE_DEG = 40.0  # half-angle of the outer ring, where the scanner is not hindered
DISTANCE = 300.0  # mm from the mouth
GRAZING_DEG = 77.0  # a surface seen flatter than this gives no points
PANEL_SEEN = 25.0  # mm of panel scanned around the mouth, give or take RAGGED
RAGGED = 2.0  # mm
MARKER_RADIUS, MARKER_HEIGHT, MARKER_EDGE = 3.0, 0.15, 0.5  # mm; the edge is blurred
CHORD_SHIFT = -0.03, 0.1  # mm, into the material and out of it: the most that `_centre_chords` moves a point
MARKERS_APART = 20.0  # mm
SMALLEST_PIECE = 40  # faces; smaller pieces the scanner's software drops by itself
CRUMB_RADIUS = 0.4, 1.2  # mm; of the loose balls
PILOT = 6_000  # triangles of the coarse scan that tells how much of the surface can be seen
Index = NDArray[np.int64]  # grid places, too many for 32 bits
UNITS = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "inch": 25.4}


@dataclass(frozen=True, eq=False)
class SimulatedScan:
    """A simulated scan and its place in the truth frame.

    vertices       : (V, 3) float64, in `mm_per_unit` mm.    faces: (F, 3) int32, normals to the free side
    unless spoilt.
    truth_to_scan  : (4, 4) float64, rigid, mm: truth frame to scan axes, before the change of unit.
    """

    vertices: Floats
    faces: Ints
    truth_to_scan: Floats
    mm_per_unit: float = 1.0

    def __post_init__(self) -> None:
        freeze(self, "vertices", "float64")
        freeze(self, "faces", "int32")
        freeze(self, "truth_to_scan", "float64")

    def in_truth_frame(self) -> Floats:
        """Return the vertices in the truth frame, (V, 3) mm."""
        pose = self.truth_to_scan
        return np.asarray((self.vertices * self.mm_per_unit - pose[:3, 3]) @ pose[:3, :3])


def simulate_scan(
    specimen: Specimen,
    *,
    seed: int,
    triangles: int = 60_000,
    noise: float = 0.03,
    wobble: float = 0.0,
    dropouts: int = 6,
    markers: int = 6,
    fragments: int = 5,
    pose: str | Floats = "random",
    unit: str = "mm",
    flipped: float = 0.0,
    doubled: float = 0.0,
    island: bool = False,
    occlusion: bool = True,
    cone_deg: float = CONE_DEG,
    grazing_deg: float = GRAZING_DEG,
) -> SimulatedScan:
    """Scan a specimen.

    Args:
        specimen: the true shape.
        seed: every random choice follows from it.
        triangles: about how many; met within some per cent.
        noise: standard deviation along the normal, mm.
        wobble: greatest slow deviation along the normal, mm.
        dropouts: number of round holes, 1 to 8 mm across.
        markers: number of marker dots wanted on flat places; fewer where there is no room.
        fragments: number of loose crumbs in the air.
        pose: "random", "identity", or a rigid (4, 4), mm.
        unit: of the numbers handed over: mm, cm, m or inch.
        flipped: share of faces wound the wrong way.
        doubled: share of faces that occur twice.
        island: add a flat loose piece, 30 mm across, 60 mm beside the panel.
        occlusion: False keeps what no scanner position sees, as if the recess were scanned from all sides.
        cone_deg: half-angle of the cone of scanner positions; small where there is no room beside.
        grazing_deg: a surface seen flatter than this, from its normal, gives no points.

    Returns:
        SimulatedScan: the mesh, and the rigid motion from truth to scan.

    Raises:
        ValueError: the unit or the pose is none of those above.
    """
    if unit not in UNITS:
        raise ValueError(f"unit {unit!r} is none of {', '.join(UNITS)}")
    rng = np.random.default_rng(seed)
    truth = _Truth(specimen, cone_deg, grazing_deg)
    turn = random_rotation(rng)
    shift = rng.uniform(0.0, 1.0, 3)
    border = rng.uniform(0.0, 2.0 * pi, 3)
    pitch = sqrt(truth.area / PILOT)
    pilot = _see(truth, *_remesh(truth, pitch, turn, shift), border, occlusion)
    pitch *= sqrt(len(pilot[1]) / triangles)
    vertices, faces, normals = _see(truth, *_remesh(truth, pitch, turn, shift), border, occlusion)
    vertices = vertices + _centre_chords(truth, vertices, faces, normals)[:, None] * normals
    clean = vertices
    vertices = vertices + _marker_lift(clean, faces, normals, markers, rng)[:, None] * normals
    vertices = (
        vertices
        + (noise * rng.standard_normal(len(vertices)) + _wobble(clean, wobble, rng))[:, None] * normals
    )
    faces = _drop_out(clean, faces, dropouts, rng)
    vertices, faces = _pack(vertices, faces)
    loose = _crumbs(truth, fragments, rng)
    if island:
        loose.append(_flat_piece(specimen, pitch))
    for piece_vertices, piece_faces in loose:
        faces = np.vstack([faces, piece_faces + len(vertices)])
        vertices = np.vstack([vertices, piece_vertices])
    faces = _spoil_faces(faces, flipped, doubled, rng)
    motion = _pose(pose, rng)
    moved = vertices @ motion[:3, :3].T + motion[:3, 3]
    return SimulatedScan(moved / UNITS[unit], faces, motion, UNITS[unit])


def write_ply(path: Path, vertices: Floats, faces: Ints) -> None:
    """Write a mesh as binary little-endian PLY with float32 coordinates."""
    header = (
        "ply\nformat binary_little_endian 1.0\n"
        f"element vertex {len(vertices)}\nproperty float x\nproperty float y\nproperty float z\n"
        f"element face {len(faces)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    rows = np.empty(len(faces), dtype=[("count", "u1"), ("corners", "<i4", 3)])
    rows["count"], rows["corners"] = 3, faces
    with open(path, "wb") as file:
        file.write(header.encode("ascii"))
        file.write(np.ascontiguousarray(vertices, dtype="<f4").tobytes())
        file.write(rows.tobytes())


def random_rotation(rng: np.random.Generator) -> Floats:
    """Return a rotation (3, 3), uniform over all rotations: the unit quaternion along a Gaussian sample."""
    w, x, y, z = (q := rng.standard_normal(4)) / np.linalg.norm(q)
    return np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
            [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
            [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
        ]
    )


class _Truth:
    """The true shape with its search tree, built once a scan."""

    def __init__(self, specimen: Specimen, cone_deg: float, grazing_deg: float) -> None:
        import igl
        import shapely

        self.vertices = np.ascontiguousarray(specimen.truth_vertices)
        self.faces = np.ascontiguousarray(specimen.truth_faces, dtype=np.int64)
        self.flattest = cos(radians(grazing_deg))
        self.tree = igl.AABB()
        self.tree.init(self.vertices, self.faces)
        self.mouth = shapely.Polygon(specimen.mouth)
        shapely.prepare(self.mouth)
        self.low = np.append(specimen.mouth.min(axis=0) - MARGIN, -specimen.depth - 0.7 * BACK)
        self.high = np.append(specimen.mouth.max(axis=0) + MARGIN, np.inf)
        corners = self.vertices[self.faces]
        inside = ((corners > self.low) & (corners < self.high)).all(axis=(1, 2))
        self.area = float(np.linalg.norm(np.cross(*_sides(corners[inside])), axis=1).sum() / 2.0)
        rings = np.array(
            [(0.0, 0.0)]
            + [(1.0, k * pi / 3.0) for k in range(6)]
            + [(0.5, k * pi / 3.0 + 0.5) for k in range(6)]
        )
        tilt, around = radians(cone_deg) * rings[:POSITIONS, 0], rings[:POSITIONS, 1]
        self.eyes = DISTANCE * np.column_stack(
            [np.sin(tilt) * np.cos(around), np.sin(tilt) * np.sin(around), np.cos(tilt)]
        )

    def near(self, points: Floats) -> tuple[Floats, Floats]:
        """Return distance (N,) to the truth and nearest point on it (N, 3)."""
        square, _, nearest = self.tree.squared_distance(
            self.vertices, self.faces, np.ascontiguousarray(points)
        )
        return np.sqrt(square), nearest

    def signed(self, points: Floats) -> Floats:
        """Return the distance (N,) to the truth, negative inside the material."""
        import igl

        kind = igl.SignedDistanceType.SIGNED_DISTANCE_TYPE_PSEUDONORMAL
        return np.asarray(
            igl.signed_distance(np.ascontiguousarray(points), self.vertices, self.faces, kind)[0]
        )

    def hidden(self, points: Floats, rays: Floats) -> Bools:
        """Return which rays (N, 3) from points (N, 3) hit the truth."""
        hit, _, _ = self.tree.intersect_ray_first(
            self.vertices, self.faces, np.ascontiguousarray(points), np.ascontiguousarray(rays)
        )
        return np.asarray(hit >= 0)


def _sides(corners: Floats) -> tuple[Floats, Floats]:
    return corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]


def _find_cells(truth: _Truth, pitch: float, turn: Floats, shift: Floats) -> Index:
    """Return the grid cells (M, 3) that may hold surface, by halving coarse cells that lie near it."""
    level = 5
    size = pitch * 2**level
    corners = (
        np.array(np.meshgrid(*np.column_stack([truth.low, np.append(truth.high[:2], 60.0)]))).reshape(3, -1).T
    )
    local = corners @ turn / size
    axes = [
        np.arange(a - 1, b + 2) for a, b in zip(np.floor(local.min(0)), np.floor(local.max(0)), strict=True)
    ]
    cells = np.array(np.meshgrid(*axes, indexing="ij")).reshape(3, -1).T.astype(np.int64)
    halves = np.array(np.meshgrid([0, 1], [0, 1], [0, 1], indexing="ij")).reshape(3, -1).T
    while True:
        reach = size * sqrt(3.0) / 2.0
        centre = (cells + 0.5) * size @ turn.T + (shift * pitch) @ turn.T
        keep = ((centre > truth.low - reach) & (centre < truth.high + reach)).all(axis=1)
        cells, centre = cells[keep], centre[keep]
        cells = cells[truth.near(centre)[0] <= reach]
        if level == 0:
            return np.asarray(cells, dtype=np.int64)
        level -= 1
        size /= 2.0
        cells = (2 * cells[:, None, :] + halves).reshape(-1, 3)


def _remesh(truth: _Truth, pitch: float, turn: Floats, shift: Floats) -> tuple[Floats, Ints]:
    """Return surface nets of the truth: a point in each cell, a square across each edge it crosses."""
    cells = _find_cells(truth, pitch, turn, shift)
    base = cells.min(axis=0) - 1
    span = cells.max(axis=0) - base + 3
    stride = np.array([span[1] * span[2], span[2], 1])

    def keys(index: Index) -> Index:
        return np.asarray((index - base) @ stride)

    corner = np.array([(i, j, k) for i in (0, 1) for j in (0, 1) for k in (0, 1)])
    cell_keys = keys(cells)
    node_keys = np.unique(cell_keys[:, None] + corner @ stride)
    nodes = np.column_stack(np.unravel_index(node_keys, span)) + base
    value = truth.signed((nodes + shift) * pitch @ turn.T)

    # edges of the grid whose two ends lie on different sides
    crossing = np.zeros((len(cells), 3))
    hits = np.zeros(len(cells))
    order = np.argsort(cell_keys)
    ordered = cell_keys[order]
    squares: list[Ints] = []
    for axis in range(3):
        other = node_keys + stride[axis]
        at = np.searchsorted(node_keys, other)
        both = (at < len(node_keys)) & (node_keys[np.minimum(at, len(node_keys) - 1)] == other)
        start, end = np.flatnonzero(both), at[both]
        cross = (value[start] < 0) != (value[end] < 0)
        start, end = start[cross], end[cross]
        point = nodes[start].astype(np.float64)
        point[:, axis] += value[start] / (value[start] - value[end])
        u, v = stride[(axis + 1) % 3], stride[(axis + 2) % 3]
        # the four cells about the edge, turning about +axis
        around = node_keys[start][:, None] - np.array([0, u, u + v, v])
        place = np.minimum(np.searchsorted(ordered, around), len(ordered) - 1)
        found = ordered[place] == around
        index = order[place]
        for k in range(4):
            ok = found[:, k]
            np.add.at(crossing, index[ok, k], point[ok])
            np.add.at(hits, index[ok, k], 1.0)
        full = found.all(axis=1)
        square = index[full]
        outwards = value[start[full]] < 0  # material at the start: free side along +axis
        square[~outwards] = square[~outwards][:, ::-1]
        squares.append(square)
    used = hits > 0
    number = np.cumsum(used) - 1
    place = crossing[used] / hits[used][:, None]
    vertices = truth.near((place + shift) * pitch @ turn.T)[1]
    return vertices, _split_squares(vertices, number[np.vstack(squares)])


def _split_squares(vertices: Floats, squares: Ints) -> Ints:
    """Return the triangles of squares (Q, 4), each cut along its shorter diagonal; none collapsed."""
    a, b, c, d = (vertices[squares[:, k]] for k in range(4))
    first = ((a - c) ** 2).sum(axis=1) <= ((b - d) ** 2).sum(axis=1)
    s = np.where(first[:, None], squares, np.roll(squares, -1, axis=1))
    faces = np.vstack([s[:, [0, 1, 2]], s[:, [0, 2, 3]]])
    area = np.linalg.norm(np.cross(*_sides(vertices[faces])), axis=1)
    return np.asarray(faces[area > 1e-6 * np.median(area)])


def _vertex_normals(vertices: Floats, faces: Ints) -> Floats:
    """Return the area-weighted unit normals, (V, 3)."""
    normal = np.cross(*_sides(vertices[faces]))
    total = np.column_stack(
        [sum(np.bincount(faces[:, k], normal[:, axis], len(vertices)) for k in range(3)) for axis in range(3)]
    )
    length = np.linalg.norm(total, axis=1, keepdims=True)
    return np.asarray(total / np.where(length > 0, length, 1.0))


def _see(
    truth: _Truth, vertices: Floats, faces: Ints, border: Floats, occlusion: bool
) -> tuple[Floats, Ints, Floats]:
    """Return the part of a mesh that the scanner sees: vertices, faces and vertex normals."""
    import shapely

    normals = _vertex_normals(vertices, faces)
    angle = np.arctan2(vertices[:, 1], vertices[:, 0])
    edge = (
        PANEL_SEEN
        + RAGGED * sum(np.sin(k * angle + phase) for k, phase in zip((3, 7, 17), border, strict=True)) / 2.0
    )
    away = shapely.distance(plan_points(vertices), truth.mouth)
    scanned = (away < edge) & (vertices[:, 2] > truth.low[2])
    seen = np.zeros(len(vertices), dtype=bool)
    if occlusion:
        for eye in truth.eyes:
            todo = np.flatnonzero(scanned & ~seen)
            ray = eye - vertices[todo]
            ray /= np.linalg.norm(ray, axis=1, keepdims=True)
            steep = (ray * normals[todo]).sum(axis=1) > truth.flattest
            todo, ray = todo[steep], ray[steep]
            start = vertices[todo] + 0.02 * normals[todo] + 0.02 * ray
            seen[todo[~truth.hidden(start, ray)]] = True
    else:
        seen = scanned
    faces = faces[seen[faces].all(axis=1)]
    piece, size = label_pieces(faces, len(vertices))
    faces = faces[size[piece[faces[:, 0]]] >= SMALLEST_PIECE]
    used = np.zeros(len(vertices), dtype=bool)
    used[faces] = True
    number = np.cumsum(used) - 1
    return vertices[used], number[faces], normals[used]


def plan_points(vertices: Floats) -> Any:
    """Return the plan of points (N, 3) as an array of shapely points."""
    import shapely

    return shapely.points(vertices[:, 0], vertices[:, 1])


def label_pieces(faces: Ints, count: int) -> tuple[Ints, Ints]:
    """Return the piece that each of `count` vertices belongs to, and the number of faces of each piece."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    start, end = faces.ravel(), np.roll(faces, -1, axis=1).ravel()
    links = coo_array((np.ones(len(start), dtype=np.int8), (start, end)), shape=(count, count))
    pieces, label = connected_components(links, directed=False)
    size = np.bincount(label[faces[:, 0]], minlength=pieces)
    return np.asarray(label, dtype=np.int32), np.asarray(size, dtype=np.int32)


def _centre_chords(truth: _Truth, vertices: Floats, faces: Ints, normals: Floats) -> Floats:
    """Return the shift (V,) mm along the normals that spreads the chords' error to both sides."""
    edges = np.sort(np.vstack([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    a, b = edges.T
    bent = (normals[a] * normals[b]).sum(axis=1) < cos(radians(3.0))
    error = np.zeros(len(edges))
    error[bent] = truth.signed((vertices[a[bent]] + vertices[b[bent]]) / 2.0)
    count = np.bincount(a, minlength=len(vertices)) + np.bincount(b, minlength=len(vertices))
    total = np.bincount(a, error, len(vertices)) + np.bincount(b, error, len(vertices))
    return np.asarray(np.clip(-total / np.maximum(count, 1), *CHORD_SHIFT))


def _pack(vertices: Floats, faces: Ints) -> tuple[Floats, Ints]:
    used = np.zeros(len(vertices), dtype=bool)
    used[faces] = True
    return vertices[used], (np.cumsum(used) - 1)[faces]


def _marker_lift(
    vertices: Floats, faces: Ints, normals: Floats, markers: int, rng: np.random.Generator
) -> Floats:
    """Return how far (V,) mm marker dots raise each vertex. A dot needs flat ground about it, no border."""
    from scipy.spatial import cKDTree

    lift = np.zeros(len(vertices))
    tree = cKDTree(vertices)
    border = cKDTree(vertices[_border_vertices(faces, len(vertices))])
    placed: list[Floats] = []
    for pick in rng.permutation(len(vertices))[:4000]:
        if len(placed) == markers:
            break
        centre = vertices[pick]
        if any(np.linalg.norm(centre - other) < MARKERS_APART for other in placed):
            continue
        if border.query(centre)[0] < MARKER_RADIUS + 2.0:
            continue
        about = tree.query_ball_point(centre, MARKER_RADIUS + 2.0)
        if (normals[about] @ normals[pick]).min() < cos(radians(2.0)):
            continue
        placed.append(centre)
        from_centre = np.linalg.norm(vertices[about] - centre, axis=1)
        lift[about] = MARKER_HEIGHT * np.clip((MARKER_RADIUS - from_centre) / MARKER_EDGE + 0.5, 0.0, 1.0)
    return lift


def _border_vertices(faces: Ints, count: int) -> Ints:
    edges = np.sort(np.vstack([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1).astype(
        np.int64
    )
    key, times = np.unique(edges[:, 0] * count + edges[:, 1], return_counts=True)
    once = key[times == 1]
    return np.unique(np.concatenate([once // count, once % count]))


def _wobble(vertices: Floats, greatest: float, rng: np.random.Generator) -> Floats:
    """Return a slow deviation (V,) mm within +-greatest: a sum of four waves 60 to 150 mm long."""
    total = np.zeros(len(vertices))
    for _ in range(4):
        direction = rng.standard_normal(3)
        direction *= 2.0 * pi / (rng.uniform(60.0, 150.0) * np.linalg.norm(direction))
        total += np.sin(vertices @ direction + rng.uniform(0.0, 2.0 * pi))
    return np.asarray(greatest * total / 4.0)


def _drop_out(vertices: Floats, faces: Ints, dropouts: int, rng: np.random.Generator) -> Ints:
    """Return the faces left after round holes, 1 to 8 mm across: a face goes where its centre lies in one."""
    centre = vertices[faces].mean(axis=1)
    keep = np.ones(len(faces), dtype=bool)
    for pick in rng.integers(0, len(faces), dropouts):
        keep &= np.linalg.norm(centre - centre[pick], axis=1) > rng.uniform(0.5, 4.0)
    return np.asarray(faces[keep])


def _crumbs(truth: _Truth, count: int, rng: np.random.Generator) -> list[tuple[Floats, Ints]]:
    """Return tiny balls in the air in front of the panel or in the recess, at least 2 mm from it."""
    from manifold3d import Manifold

    if count == 0:
        return []
    # at least a third of the box is air, so forty tries a ball are plenty; one call, as each builds a tree
    tries = rng.uniform(truth.low, np.append(truth.high[:2], 40.0), (40 * count, 3))
    centres = tries[truth.signed(tries) > CRUMB_RADIUS[1] + 2.0][:count]
    balls: list[tuple[Floats, Ints]] = []
    for centre in centres:
        ball = Manifold.sphere(rng.uniform(*CRUMB_RADIUS), 12).to_mesh64()
        points = np.asarray(ball.vert_properties)[:, :3] + centre
        balls.append((points, np.asarray(ball.tri_verts).astype(np.int32)))
    return balls


def _flat_piece(specimen: Specimen, pitch: float) -> tuple[Floats, Ints]:
    """Return a flat square, 30 mm wide, facing the scanner, 60 mm beside the scanned panel."""
    count = max(3, round(30.0 / pitch))
    side = np.linspace(0.0, 30.0, count)
    x, y = np.meshgrid(side, side)
    left = specimen.mouth[:, 0].max() + PANEL_SEEN + 60.0
    vertices = np.column_stack([x.ravel() + left, y.ravel() - 15.0, np.zeros(count * count)])
    a = (np.arange(count - 1)[:, None] * count + np.arange(count - 1)).ravel()
    return vertices, np.vstack(
        [np.column_stack([a, a + 1, a + count + 1]), np.column_stack([a, a + count + 1, a + count])]
    )


def _spoil_faces(faces: Ints, flipped: float, doubled: float, rng: np.random.Generator) -> Ints:
    if flipped > 0.0:
        pick = rng.random(len(faces)) < flipped
        faces = np.where(pick[:, None], faces[:, ::-1], faces)
    if doubled > 0.0:
        faces = np.vstack([faces, faces[rng.random(len(faces)) < doubled]])
    return faces


def _pose(pose: str | Floats, rng: np.random.Generator) -> Floats:
    motion = np.eye(4)
    if isinstance(pose, str):
        if pose not in ("random", "identity"):
            raise ValueError(f"pose {pose!r} is none of random, identity, or a (4, 4) array")
        if pose == "random":
            motion[:3, :3] = random_rotation(rng)
            motion[:3, 3] = rng.uniform(-200.0, 200.0, 3)
        return motion
    given = np.asarray(pose, dtype=np.float64)
    if given.shape != (4, 4):
        raise ValueError(f"pose must have shape (4, 4), not {given.shape}")
    if (
        not np.allclose(given[:3, :3] @ given[:3, :3].T, np.eye(3), atol=1e-9)
        or np.linalg.det(given[:3, :3]) < 0
    ):
        raise ValueError("pose must be rigid: its upper left 3 x 3 is not a rotation")
    return given
