"""A raw mesh made fit to work with: welded, freed of crumbs, turned to the free side, small holes bridged;
every repair is listed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mountgen.arrays import Bools, Floats, Ints
from mountgen.errors import ScanError
from mountgen.faces import measure_diagonal, measure_faces, touch_faces
from mountgen.holes import bridge_holes, cover_holes, measure_extent
from mountgen.links import Loop, find_duplicates, link_faces, trace_loops
from mountgen.lump import open_lump
from mountgen.quadric import list_quadric_terms
from mountgen.rows import lengths
from mountgen.weld import weld_points

# of the diagonal: well above float32 rounding of coordinates (6e-8), well below any spacing
WELD_SHARE = 1.0e-5
WELD_MOST = 0.002  # mm; a tenth of the finest noise of a hand-held scanner
# vertices a face, from which on faces hang together by chance alone (closed meshes: half of one, lone faces: three), and so many
# faces at least; they are welded again by a share of an edge, which is well below what makes two points of it
SOUP, SOUP_FACES, SOUP_WELD = 1.5, 100, 0.05
BROKEN_MOST = 0.25  # share of faces that may be unusable before the file itself is to blame
# of the total area: smaller pieces are loose fragments (test scans: crumbs 0.0006, floors 0.05 and more)
CRUMB_SHARE = 0.003
NO_AREA = 1e-9  # of the square of its diagonal: what has no more lies on a line
CRUMB_AREA = 400.0  # mm²; but a piece of this size (20 x 20 mm) is kept in a large scan too
BALL_SHARE = 0.02  # of the total area: a closed piece below this floats in the air, no part of a surface
TORN, TORN_SHARE = 12, 0.2  # pieces from which on a scan is refused, if none is so much of its area
CLOSED_OPENING = 0.1  # a mesh whose widest opening is below this share of its size is a closed object
# recess volume over area^1.5, from which on the hollow side is beyond doubt (a plate: 0; a tray 5 mm deep:
# 0.01)
DEEPER = 1.0e-3
SPECK = 6.0  # mm²; a dropped piece as large as this may be the top of something whose sides were not seen
COVERED = 15.0  # mm; across a wider hole that stays open a hull would take room that may well be free
SIDE_SAMPLES = 50_000  # faces looked at to tell the hollow side

SINGULAR = {"indices": "index", "vertices": "vertex"}  # of what a repair counts; others lose their s


@dataclass(frozen=True)
class Mend:
    """One kind of repair done to the scan: what was mended, how often, and a sentence for the user."""

    what: str  # short fixed word, e.g. "duplicate faces"
    count: int
    note: str = ""

    def tell(self) -> str:
        """Return it in words, such as "1 open hole: wider than 6 mm"."""
        *before, last = self.what.split(" ")
        if self.count == 1:
            last = SINGULAR.get(last, last.removesuffix("s"))
        return f"{self.count} {' '.join([*before, last])}" + (f": {self.note}" if self.note else "")


@dataclass(frozen=True, eq=False)
class MendedMesh:
    """vertices (V, 3) float64, mm, all in use; faces (F, 3) int32, normals to the free side; the repairs in
    the order done; dropped (K, 4): middle, mm, and area, mm², of each piece that was dropped and is no mere speck;
    covers (C, 3) int32: hulls of holes that were left open.
    """

    vertices: Floats
    faces: Ints
    mended: tuple[Mend, ...]
    dropped: Floats
    covers: Ints


def mend_mesh(
    vertices: Floats, faces: NDArray[np.signedinteger[Any]], *, bridge: float, where: str
) -> MendedMesh:
    """Mend a raw scan.

    Args:
        vertices: (V, 3) float64, mm; may hold NaN.
        faces: (F, 3) integers; may point outside the vertices.
        bridge: holes up to this extent (largest distance across), mm, are closed.
        where: what to call the scan in messages.

    Returns:
        MendedMesh.

    Raises:
        ScanError: most faces are unusable, nothing is left, or the mesh is torn to pieces or a closed object
            without a recess.
        ValueError: wrong shapes, or a negative bridge.
    """
    for name, array in (("vertices", vertices), ("faces", faces)):
        if array.ndim != 2 or array.shape[1] != 3:
            raise ValueError(f"{name} must have shape (N, 3), got {array.shape}")
    if not bridge >= 0.0:
        raise ValueError(f"bridge must be 0 mm or more, got {bridge}")
    log: list[Mend] = []
    usable = _drop_broken(vertices, faces, log, where)
    vertices, clean = _weld(vertices, usable, log, where)
    return _mend_pieces(vertices, clean, log, bridge, where)


def _drop_broken(
    vertices: Floats, faces: NDArray[np.signedinteger[Any]], log: list[Mend], where: str
) -> NDArray[np.signedinteger[Any]]:
    """Drop faces that point outside the vertices or at points that are not numbers."""
    total = len(faces)
    stray = _find_stray(faces, len(vertices))
    if stray is not None:
        faces = faces[~stray]
        gone = total - len(faces)
        _refuse_most(
            gone, total, f"{gone} of {total} faces point at vertices that are not in the file", where
        )
        log.append(
            Mend("stray indices", gone, f"{gone} faces pointed at vertices that are not in the file; dropped")
        )
    if not np.isfinite(vertices).all():
        finite: Bools = np.asarray(np.isfinite(vertices).all(axis=1))
        bad = ~finite[faces].all(axis=1)
        gone = int(bad.sum())
        _refuse_most(
            gone,
            total,
            f"{gone} of {total} faces have coordinates that are not numbers (NaN or infinite)",
            where,
        )
        faces = faces[~bad]
        if gone:
            log.append(
                Mend("invalid coordinates", gone, f"{gone} faces with NaN or infinite coordinates dropped")
            )
    return faces


def _find_stray(faces: NDArray[np.signedinteger[Any]], count: int) -> Bools | None:
    if faces.min(initial=0) >= 0 and faces.max(initial=-1) < count:
        return None
    return np.asarray(((faces < 0) | (faces >= count)).any(axis=1))


def _refuse_most(gone: int, total: int, what: str, where: str) -> None:
    if gone > BROKEN_MOST * total:
        raise ScanError(what, where, "export the scan again; this much damage cannot be mended")


def _weld(
    vertices: Floats, faces: NDArray[np.signedinteger[Any]], log: list[Mend], where: str
) -> tuple[Floats, Ints]:
    """Weld vertices, then drop faces without area and faces that are there twice."""
    used = np.zeros(len(vertices), np.bool_)
    used[faces] = True
    if not used.all():
        log.append(Mend("unused points", int((~used).sum()), "points that no face uses dropped"))
        vertices, faces = _compact(vertices, faces, used)
    number, first = weld_points(vertices, min(WELD_SHARE * measure_diagonal(vertices, faces), WELD_MOST))
    how = ""
    if len(first) > SOUP * len(faces) and len(faces) >= SOUP_FACES:
        number, first, how = _weld_soup(vertices, faces, where)
    merged = len(vertices) - len(first)
    if merged:
        log.append(Mend("welded vertices", merged, f"{len(vertices)} vertices became {len(first)}{how}"))
        vertices = vertices[first]
        faces = number[faces]
    small = np.ascontiguousarray(faces, dtype=np.int32)
    flat = (small[:, 0] == small[:, 1]) | (small[:, 1] == small[:, 2]) | (small[:, 2] == small[:, 0])
    if flat.any():
        log.append(Mend("degenerate faces", int(flat.sum()), "faces with two corners in one point dropped"))
        small = small[~flat]
    twice = find_duplicates(small, len(vertices))
    if twice.any():
        log.append(
            Mend(
                "duplicate faces", int(twice.sum()), "faces that were there before, either way round, dropped"
            )
        )
        small = small[~twice]
    if not len(small):
        raise ScanError("no face of the scan has any area", where, "export the scan again as a triangle mesh")
    return vertices, small


def _weld_soup(vertices: Floats, faces: NDArray[np.signedinteger[Any]], where: str) -> tuple[Ints, Ints, str]:
    """Weld the vertices of lone faces that nearly meet: as `weld_points`, and a word on how far they were apart."""
    reach = SOUP_WELD * float(np.median(lengths(vertices[faces[:, 0]] - vertices[faces[:, 1]])))
    number, first = weld_points(vertices, reach)
    if len(first) > SOUP * len(faces):
        raise ScanError(
            f"nearly all of its {len(faces)} triangles stand alone: their corners do not meet, not even to {reach:.2g} mm", where,
            "export it as one connected mesh: in the scanner's program, fuse or weld it first",
        )
    return number, first, f"; the corners of its triangles were up to {reach:.2g} mm apart"


def _compact(
    vertices: Floats, faces: NDArray[np.signedinteger[Any]], used: Bools
) -> tuple[Floats, NDArray[np.signedinteger[Any]]]:
    number = (np.cumsum(used) - 1).astype(np.int32)
    return vertices[used], number[faces]


def _mend_pieces(
    vertices: Floats, faces: Ints, log: list[Mend], bridge: float, where: str, *, opened: bool = False
) -> MendedMesh:
    """opened: whether the mesh was closed and has lost its back, so that its normals are known to point outwards."""
    before = list(log)
    links = link_faces(faces, len(vertices))
    if links.crowded:
        log.append(Mend("crowded edges", links.crowded, "edges with three or more faces left as they are"))
    if links.twisted:
        log.append(
            Mend(
                "twisted edges", links.twisted, "edges across which the normals cannot agree left as they are"
            )
        )
    count = int(links.piece.max()) + 1
    vectors, sizes = measure_faces(vertices, faces)
    if not float(sizes.sum()) > NO_AREA * measure_diagonal(vertices, faces) ** 2:
        raise ScanError("no face of the scan has any area", where, "export the scan again as a triangle mesh")
    areas: Floats = np.bincount(links.piece, sizes, count).astype(np.float64)
    edged = np.bincount(links.piece, touch_faces(faces, links.on_border), count) > 0
    if not edged.any() and count >= TORN:
        raise ScanError(
            f"nothing but {count} loose pieces, all of them closed, the largest {areas.max():.1f} mm²", where,
            "scan the recess itself with 20 mm of the panel around it, and export its surface, not what flew about it",
        )
    kept = _choose_pieces(areas, edged, log)
    _refuse_torn(areas[kept], where)
    flip = _agree_normals(links.piece, links.flip, sizes, count, kept, log)
    keep = kept[links.piece]
    dropped = _list_dropped(vertices, faces, sizes, links.piece, np.flatnonzero(~kept & (areas >= SPECK)))
    piece = links.piece[keep]
    faces = _reverse(faces, flip)[keep]
    if flip.any():
        vectors[flip] *= -1.0
    vectors = vectors[keep]
    loops = trace_loops(faces, links.on_border)
    extents = np.array([measure_extent(vertices[loop.vertices]) for loop in loops])
    if not loops or extents.max() < CLOSED_OPENING * measure_diagonal(vertices, faces):
        front = None if opened else open_lump(vertices, faces)
        if front is None:
            why = f"its widest opening is {extents.max():.1f} mm" if loops else "it has no border at all"
            raise _closed_error(where, why)
        note = f"the back, {len(faces) - len(front)} faces, cut off: the recess is sought on the side that is hollow"
        log[:] = [*before, Mend("closed mesh", 1, note)]
        return _mend_pieces(vertices, front, log, bridge, where, opened=True)
    owner = np.array([piece[loop.face] for loop in loops])
    order = np.argsort(extents, kind="stable")
    outer = np.full(count, -1)
    outer[owner[order]] = order  # the widest loop of each piece comes last and stays
    turned = np.zeros(count, np.bool_) if opened else _choose_free_side(
        vertices, faces, vectors, piece, areas, kept, loops, outer, log
    )  # fmt: skip
    if turned.any():
        faces = _reverse(faces, turned[piece])
        loops = [_reverse_loop(loop) if turned[o] else loop for loop, o in zip(loops, owner, strict=True)]
    inner = np.ones(len(loops), np.bool_)
    inner[outer[outer >= 0]] = False
    vertices, faces, covers = _mend_holes(vertices, faces, loops, extents, inner, bridge, log)
    used = np.zeros(len(vertices), np.bool_)
    used[faces] = True
    if not used.all():
        vertices, packed = _compact(vertices, np.vstack([faces, covers]), used)
        faces, covers = np.split(packed.astype(np.int32), [len(faces)])
    return MendedMesh(vertices, faces, tuple(log), dropped, covers)


def _refuse_torn(areas: Floats, where: str) -> None:
    """Refuse a scan of many pieces none of which is most of it: which side of each is the free one is not known."""
    share = float(areas.max() / areas.sum())
    if len(areas) >= TORN and share < TORN_SHARE:
        raise ScanError(
            f"the scan is torn into {len(areas)} pieces, the largest of which is {100.0 * share:.0f} % of it", where,
            "fuse them into one mesh in the scanner's program, or scan again, slowly and with more overlap",
        )


def _closed_error(where: str, why: str) -> ScanError:
    return ScanError(
        f"a closed object, not a scan of a recess: {why}",
        where,
        "scan the recess itself, open towards the scanner, with 20 mm of the panel around it; "
        "cut off what closes the mesh",
    )


def _choose_pieces(areas: Floats, edged: Bools, log: list[Mend]) -> Bools:
    """Which connected pieces belong to the recess; a floor that is an island of its own does, crumbs in the
    air do not.
    """
    total = float(areas.sum())
    crumb = areas < min(CRUMB_SHARE * total, CRUMB_AREA)
    ball = ~edged & (areas < BALL_SHARE * total)
    kept: Bools = ~(crumb | ball)
    kept[areas.argmax()] = True
    gone = int((~kept).sum())
    if gone:
        lost = areas[~kept]
        log.append(
            Mend("loose fragments", gone, f"{lost.sum():.1f} mm² dropped, the largest {lost.max():.1f} mm²")
        )
    if kept.sum() > 1:
        apart = np.sort(areas[kept])[::-1][1:]
        listed = ", ".join(f"{a:.0f}" for a in apart[:6]) + (", ..." if len(apart) > 6 else "")
        log.append(
            Mend(
                "separate pieces", len(apart), f"kept though not connected to the largest piece: {listed} mm²"
            )
        )
    return kept


def _list_dropped(vertices: Floats, faces: Ints, sizes: Floats, piece: Ints, which: NDArray[np.intp]) -> Floats:
    """Middle and area, (K, 4), of some pieces."""
    found = np.empty((len(which), 4))
    for row, one in zip(found, which, strict=True):
        rows = piece == one
        row[:3] = np.average(_centres(vertices, faces[rows]), axis=0, weights=sizes[rows])
        row[3] = sizes[rows].sum()
    return found


def _agree_normals(
    piece: Ints, flip: Bools, sizes: Floats, count: int, kept: Bools, log: list[Mend]
) -> Bools:
    """Faces to reverse so that each piece is of one mind, the mind of the greater part of its area."""
    if not flip.any():
        return flip
    against = np.bincount(piece, np.where(flip, sizes, -sizes), count) > 0
    flip = flip ^ against[piece]
    mixed = int((flip & kept[piece]).sum())
    if mixed:
        log.append(Mend("mixed normals", mixed, f"{mixed} faces reversed to agree with their neighbours"))
    return flip


def _choose_free_side(
    vertices: Floats,
    faces: Ints,
    vectors: Floats,
    piece: Ints,
    areas: Floats,
    kept: Bools,
    loops: list[Loop],
    outer: NDArray[np.int64],
    log: list[Mend],
) -> Bools:
    """Pieces to turn over, (P,) bool, so that normals point to the side the scanner was on.

    The largest piece first: its area vector points out of the recess when the surface lies, on the whole,
        below a smooth lid
    through its outer border. Then a scanner is imagined on that side, and every other piece is turned to face
    it.
    """
    turned = np.zeros(len(areas), np.bool_)
    main = int(np.where(kept, areas, 0.0).argmax())
    if outer[main] < 0:
        main = int(np.where(outer >= 0, areas, 0.0).argmax())
    rows = np.flatnonzero(piece == main)
    rim = vertices[loops[outer[main]].vertices]
    way = vectors[rows].sum(axis=0)
    some = rows[:: -(-len(rows) // SIDE_SAMPLES)]
    volume = (
        _volume_below_lid(rim, _centres(vertices, faces[some]), vectors[some], way) * len(rows) / len(some)
    )
    if volume < -DEEPER * float(areas[main]) ** 1.5:
        turned[main] = True
        way = -way
    if np.count_nonzero(kept) > 1:
        direction = way / max(float(np.linalg.norm(way)), np.finfo(np.float64).tiny)
        middle = rim.mean(axis=0)
        scanner = middle + direction * measure_extent(rim)
        rest = np.flatnonzero(piece != main)
        sight = scanner - _centres(vertices, faces[rest])
        sight /= np.maximum(np.linalg.norm(sight, axis=1, keepdims=True), np.finfo(np.float64).tiny)
        facing = np.bincount(piece[rest], np.einsum("ij,ij->i", sight, vectors[rest]), len(areas))
        others = kept.copy()
        others[main] = False
        turned |= others & (facing < 0.0)
    if turned.any():
        faced = int(turned[piece].sum())
        said = "the whole scan" if turned[piece].all() else f"{int(turned.sum())} of {int(kept.sum())} pieces"
        log.append(
            Mend("inverted normals", faced, f"{said} turned over: normals now point out of the recess")
        )
    return turned


def _centres(vertices: Floats, faces: Ints) -> Floats:
    centres: Floats = (vertices[faces[:, 0]] + vertices[faces[:, 1]] + vertices[faces[:, 2]]) / 3.0
    return centres


def _volume_below_lid(rim: Floats, centres: Floats, vectors: Floats, way: Floats) -> float:
    """Signed volume between the surface and a quadric lid through the rim, mm³; 0 where the surface has no
    direction.

    The lid is quadric, not flat, because a panel bows: the middle of a bowed panel stands above the rim's
        corners.
    """
    length = float(np.linalg.norm(way))
    if length < np.finfo(np.float64).tiny:
        return 0.0
    up = way / length
    u = np.cross(up, np.eye(3)[int(np.abs(up).argmin())])
    u /= np.linalg.norm(u)
    axes = np.array([u, np.cross(up, u), up])
    middle = rim.mean(axis=0)
    scale = measure_extent(rim)
    p = (rim - middle) @ axes.T / scale
    q = (centres - middle) @ axes.T / scale
    lid = np.linalg.lstsq(list_quadric_terms(p), p[:, 2], rcond=1.0e-3)[0]
    return float(((list_quadric_terms(q) @ lid - q[:, 2]) * (vectors @ up)).sum() * scale)


def _mend_holes(
    vertices: Floats,
    faces: Ints,
    loops: list[Loop],
    extents: Floats,
    inner: Bools,
    bridge: float,
    log: list[Mend],
) -> tuple[Floats, Ints, Ints]:
    small = inner & (extents <= bridge) & np.array([loop.clean for loop in loops])
    tried = [loop for loop, s in zip(loops, small, strict=True) if s]
    done = bridge_holes(vertices, faces, tried)
    apart = inner & ~small & (extents <= COVERED)
    left = [tried[k] for k in done.left] + [loop for loop, a in zip(loops, apart, strict=True) if a]
    if done.filled:
        note = f"up to {done.largest:.1f} mm across, bridged on the free side"
        if done.raised:
            note += f"; {done.raised} of them raised over a bulging surface"
        log.append(Mend("small holes", done.filled, note))
    if done.folded:
        log.append(
            Mend("folded holes", done.folded, "small holes whose border folds over left open, as unseen")
        )
    if done.uneven:
        note = "small, but with a ridge or an edge perhaps, nobody saw how high; left open, as unseen"
        log.append(Mend("uneven holes", done.uneven, note))
    wide = inner & (extents > bridge)
    tangled = inner & ~small & ~wide
    if tangled.any():
        log.append(Mend("tangled holes", int(tangled.sum()), "small holes whose border is no simple loop left open, as unseen"))
    if wide.any():
        note = f"more than {bridge:g} mm from end to end, the longest {extents[wide].max():.1f} mm; left open, as unseen"
        log.append(Mend("open holes", int(wide.sum()), note))
    return done.vertices, done.faces, cover_holes(done.vertices, left)


def _reverse(faces: Ints, flip: Bools) -> Ints:
    if not flip.any():
        return faces
    return np.where(flip[:, None], faces[:, ::-1], faces)


def _reverse_loop(loop: Loop) -> Loop:
    return Loop(loop.vertices[::-1], loop.face, loop.clean)
