"""What the page's 3D view shows: the scan about the mouth, the part with its gap, the device, keep-outs."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Literal

import numpy as np

from mountgen.arrays import Bools, Floats, Ints
from mountgen.datum import Recess
from mountgen.faces import average_normals, measure_faces, number_used
from mountgen.features.part import Device
from mountgen.gap import Standing
from mountgen.kernel import Mesh
from mountgen.nearest import is_within
from mountgen.page.pack import Packed, pack_mesh
from mountgen.ramp import ramp_gap
from mountgen.sampling import sort_nearby
from mountgen.surface import lies_behind
from mountgen.weld import merge_in_cells

SCAN_TRIANGLES = 60_000  # shown of the scan; 99 % of its points are then within 0.08 mm of what is shown
PART_TRIANGLES = 150_000  # of the part at most, before long edges are halved; it seldom has more than 90 000
KEEP_OUT_TRIANGLES = 15_000  # shown of each body that must stay free; it may be a scan of its own
CROWDED = 1.5  # times that many triangles are first drawn together cube by cube, which costs a tenth of thinning
PART_EDGE = 3.0  # mm; longer edges of the part are halved, so that the gap is measured between its corners too
SPLITS = 7  # rounds of halving; each halves the longest edges, so 384 mm come down to PART_EDGE
SURROUND, LEAST_SURROUND = 0.25, 15.0  # share of the mouth's size, mm: panel shown about the mouth

Kind = Literal["scan", "part", "device", "keep-out"]


@dataclass(frozen=True)
class Layer:
    """One thing in the view.

    kind : what it is; name: as shown.
    mesh : part frame, mm; its values are the gap to the scan, mm.
    legs : straight movements (x, y, z), mm, one after the other, that take it out before the part leaves.
    """

    kind: Kind
    name: str
    mesh: Packed
    legs: tuple[tuple[float, float, float], ...] = ()


def pack_scan(recess: Recess) -> Packed:
    """Return what the view shows of the scan, whatever part is made for it."""
    return pack_mesh(*thin_mesh(*crop_scan(recess), target=SCAN_TRIANGLES))


def make_layers(
    part: Mesh,
    scan: Packed,
    standing: Standing,
    *,
    device: Device | None = None,
    keep_outs: Sequence[tuple[str, Mesh]] = (),
) -> tuple[Layer, ...]:
    """Prepare all that the view shows.

    Args:
        part: the finished mesh, part frame.
        scan: as from `pack_scan`.
        standing: the scan about the part, as the gauge made it.
        device: at its seat, with its way out.
        keep_outs: name and body of what must stay free, part frame.

    Returns:
        The layers, the scan first.
    """
    reach = ramp_gap(float(standing.clearance.max())).limit  # as far as the colours of the widest gap reach

    def bears(middle: Floats, half: Floats) -> Bools:
        return is_within(standing.tree, middle, travel=0.0, bound=half + reach)

    vertices, faces = thin_mesh(part.vertices, part.faces, target=PART_TRIANGLES)
    vertices, faces = split_edges(vertices, faces, longest=PART_EDGE, chosen=bears)
    gap, asked = gauge_gap(vertices, standing, reach=reach, normals=average_normals(vertices, faces))
    alike = bool((standing.clearance == standing.clearance[0]).all())
    layers = [
        Layer("scan", "scan", scan),
        Layer("part", "part", pack_mesh(vertices, faces, gap, None if alike else asked)),
    ]
    if device is not None:
        legs = tuple((float(x), float(y), float(z)) for x, y, z in device.legs)
        layers.append(Layer("device", "device", pack_mesh(device.mesh.vertices, device.mesh.faces), legs))
    for name, body in keep_outs:
        layers.append(Layer("keep-out", name, pack_mesh(*thin_mesh(body.vertices, body.faces, target=KEEP_OUT_TRIANGLES))))
    return tuple(layers)


def gauge_gap(
    points: Floats, standing: Standing, *, reach: float, normals: Floats | None = None
) -> tuple[Floats, Floats]:
    """Measure the gap of points to the scan.

    Args:
        points: (N, 3) float64, mm.
        standing: the scan about them.
        reach: mm; what is further away is not measured.
        normals: (N, 3) of the body that has them, outwards.

    Returns:
        (N,) float64, mm, negative inside the panel; NaN beyond the reach, where the nearest of the scan is its border, so that
        the side is not known, and where it lies behind the body's own wall.
        (N,) float64, mm, the gap asked for there; the widest beyond the reach.
    """
    order = sort_nearby(points)
    near = order[is_within(standing.tree, points[order], travel=0.0, bound=np.full(len(points), reach))]
    gap, asked = np.full(len(points), np.nan), np.full(len(points), standing.clearance.max())
    measured = standing.surface.measure(np.ascontiguousarray(points[near]))
    unknown = measured.border | (measured.gap > reach)
    if normals is not None:
        unknown |= lies_behind(points[near], normals[near], measured)
    gap[near] = np.where(unknown, np.nan, measured.gap)
    asked[near] = standing.clearance[measured.face]
    return gap, asked


def crop_scan(recess: Recess) -> tuple[Floats, Ints]:
    """Return the scan, vertices and faces, without the panel further from the rim than the page shows."""
    low, high = recess.rim[:, :2].min(axis=0), recess.rim[:, :2].max(axis=0)
    margin = max(SURROUND * float((high - low).max()), LEAST_SURROUND)
    near = np.ones(len(recess.vertices), dtype=np.bool_)
    for k in range(2):
        near &= (recess.vertices[:, k] > low[k] - margin) & (recess.vertices[:, k] < high[k] + margin)
    a, b, c = recess.faces.T
    return recess.vertices, recess.faces[near[a] & near[b] & near[c]]


def thin_mesh(vertices: Floats, faces: Ints, *, target: int) -> tuple[Floats, Ints]:
    """Return a mesh with about `target` triangles that looks the same; as it is where it has no more than that.

    What is far too much is first drawn together cube by cube; the rest goes where it bends least.

    References:
        M. Garland, P. Heckbert (1997), Surface simplification using quadric error metrics, SIGGRAPH 97,
        doi:10.1145/258734.258849.
    """
    if len(faces) <= target:
        return vertices, faces
    if len(faces) > CROWDED * target:
        area = float(measure_faces(vertices, faces)[1].sum())
        size = sqrt(2.0 * area / (CROWDED * target))  # a square of that side holds two faces
        vertices, faces = merge_in_cells(vertices, faces, size=size)
        if len(faces) <= target:  # so many were slivers that drawing together was enough
            return vertices, faces
    import fast_simplification

    used, corners = number_used(faces, len(vertices))
    thin, left = fast_simplification.simplify(np.array(vertices[used]), corners, target_count=target)
    return np.asarray(thin, dtype=np.float64), np.asarray(left, dtype=np.int32)



def split_edges(
    vertices: Floats, faces: Ints, *, longest: float, chosen: Callable[[Floats, Floats], Bools]
) -> tuple[Floats, Ints]:
    """Halve long edges until none of those chosen is long, at most SPLITS times; faces stay joined along them.

    Args:
        vertices: (V, 3) float64, mm.
        faces: (F, 3) int32.
        longest: mm.
        chosen: tells of edges, by their middles (N, 3) and half their lengths (N,), mm, which may be halved.

    Returns:
        Vertices, the given ones first, and faces of the same surface, turned the same way.
    """
    done = []
    for _ in range(SPLITS):
        ahead = np.roll(faces, -1, axis=1)  # side k runs from corner k to k + 1
        long = ((vertices[faces] - vertices[ahead]) ** 2).sum(axis=2) > longest**2
        key = np.minimum(faces, ahead)[long].astype(np.int64) * len(vertices) + np.maximum(faces, ahead)[long]
        sides, at = np.unique(key, return_inverse=True)
        first, second = np.divmod(sides, len(vertices))
        between = (vertices[first] + vertices[second]) / 2.0
        halved = chosen(between, np.linalg.norm(vertices[second] - between, axis=1))
        if not halved.any():
            break
        middle = np.full(faces.shape, -1, dtype=np.int32)
        middle[long] = np.where(halved, np.cumsum(halved) - 1 + len(vertices), -1)[at]
        vertices = np.vstack([vertices, between[halved]])
        whole = (middle < 0).all(axis=1)
        done.append(faces[whole])
        faces = _split_faces(faces[~whole], middle[~whole])
    return vertices, np.concatenate([*done, faces])


def _split_faces(faces: Ints, middle: Ints) -> Ints:
    """Cut faces (F, 3) at the middles of their sides; middle: (F, 3), -1 where a side stays whole, as not all may."""
    count = (middle >= 0).sum(axis=1)
    # turned so that one split side comes first, two come first and second
    start = np.where(count == 2, (np.argmin(middle >= 0, axis=1) + 1) % 3, np.argmax(middle >= 0, axis=1))
    turn = (start[:, None] + np.arange(3)) % 3
    a, b, c = np.take_along_axis(faces, turn, axis=1).T
    ab, bc, ca = np.take_along_axis(middle, turn, axis=1).T
    patterns = {
        1: ((a, ab, c), (ab, b, c)),
        2: ((a, ab, c), (ab, bc, c), (ab, b, bc)),
        3: ((a, ab, ca), (ab, b, bc), (bc, c, ca), (ab, bc, ca)),
    }
    cut = [np.column_stack(corners)[count == sides] for sides, each in patterns.items() for corners in each]
    return np.concatenate(cut).astype(np.int32)
