"""Stage 1: a scan file to a clean triangle mesh in millimetres, and the list of what was mended."""

from __future__ import annotations

import hashlib
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from math import sqrt
from pathlib import Path

import numpy as np

from mountgen.arrays import Floats, Ints, freeze
from mountgen.dots import flatten_dots
from mountgen.errors import ScanError
from mountgen.faces import measure_diagonal
from mountgen.grain import measure_grain
from mountgen.mend import Mend, MendedMesh, mend_mesh
from mountgen.mesh_file import RawMesh, load_bytes, read_mesh
from mountgen.modelled import divide_modelled
from mountgen.rings import gather_rings, list_neighbours
from mountgen.rows import lengths
from mountgen.spikes import flatten_spikes

__all__ = ["MM_PER_STATED", "MM_PER_UNIT", "Mend", "Scan", "measure_noise", "measure_spacing", "read_scan", "sample_noise"]

MM_PER_UNIT = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "inch": 25.4}
MM_PER_STATED = {**MM_PER_UNIT, "foot": 304.8, "micron": 0.001}  # 3MF files may be in some more
SMALLEST, LARGEST = 10.0, 5000.0  # mm; diagonal of a scan that can be a recess with its surround
_USUAL = (60.0, 2500.0)  # mm; diagonals of ordinary scans, to tell which unit a file is in
ROUNDED = 1.0 / sqrt(12.0)  # standard deviation of what rounding does, in steps: JCGM 100:2008, 4.3.7 (evenly spread)
NOISE_SAMPLES = 5000  # vertices looked at for the noise: the robust estimate is then good to 2 %
SPACING_SAMPLES = 200_000  # faces looked at for the spacing
_RING = 36  # most vertices of two rings looked at; a regular mesh has 19
_FEWEST = 12  # vertices a quadric (6 unknowns) is fitted through at least
_BENT = 0.05  # height over width of the piece looked at, from which on a quadric follows a rounding badly
_UNSURE = 1.5  # standard deviations of a bend that noise alone may make
_STRAIGHT = 0.15  # share of straighter places that is enough to go by these alone
MAD_TO_SIGMA = 1.4826  # standard deviation over median absolute deviation, for a normal distribution


@dataclass(frozen=True, eq=False)
class Scan:
    """A mended scan: one triangle mesh, consistently oriented, in mm, axes as in the file.

    vertices : (V, 3) float64, mm.
    faces    : (F, 3) int32; normals point to the free side (towards the scanner) wherever pieces could be
        oriented.
    unit     : unit of the file ("mm", "cm", "m", "inch"); mm_per_unit: its length in mm.
    sha256   : of the file's bytes, hex.
    spacing  : median edge length, mm.  noise: robust standard deviation along the normal, mm; no less than rounding makes.
    grain    : step that the file's coordinates come in, mm; 0 where none can be told.
    mended   : repairs, in the order done.
    dropped  : (K, 4) middle, mm, and area, mm², of loose pieces that were dropped and are no mere specks.
    covers   : (C, 3) int32, hulls of holes that were left open: triangles of their borders' vertices.
    spikes   : (K, 4) where single vertices stood that were taken back to the ground, mm, and how far off it, mm.
    """

    vertices: Floats
    faces: Ints
    path: Path
    sha256: str
    unit: str
    mm_per_unit: float
    spacing: float
    noise: float
    grain: float = 0.0
    mended: tuple[Mend, ...] = ()
    dropped: Floats = field(default_factory=lambda: np.empty((0, 4)))
    spikes: Floats = field(default_factory=lambda: np.empty((0, 4)))
    covers: Ints = field(default_factory=lambda: np.empty((0, 3), dtype=np.int32))

    def __post_init__(self) -> None:
        freeze(self, "dropped", "float64")
        freeze(self, "spikes", "float64")
        freeze(self, "vertices", "float64")
        freeze(self, "faces", "int32")
        freeze(self, "covers", "int32")


def read_scan(path: Path, *, unit: str = "mm", bridge: float = 6.0, dots: bool = True, spikes: bool = True) -> Scan:
    """Read a scan file (STL, PLY, OBJ or 3MF, told apart by content) and mend it.

    Args:
        path: the file.
        unit: unit of its coordinates: "mm", "cm", "m" or "inch". A 3MF file states its own unit, which
            replaces "mm" here.
        bridge: holes up to this extent, mm, are closed on the free side; wider ones stay open.
        dots: whether marker dots are taken off.
        spikes: whether single vertices far off the ground around them are taken back to it.

    Returns:
        Scan.

    Raises:
        ScanError: the file cannot be read, is empty, broken or without faces; its size is out of reason in
            this unit; it is a closed object.
        ValueError: a negative bridge.
    """
    _check_unit(unit)
    return mend_scan(parse_scan(Path(path)), unit=unit, bridge=bridge, dots=dots, spikes=spikes)


@dataclass(frozen=True, eq=False)
class Parsed:
    """A scan file as it came. sha256: of its bytes."""

    mesh: RawMesh
    path: Path
    sha256: str


def parse_scan(path: Path) -> Parsed:
    """Read a scan file and do no more.

    Raises:
        ScanError: it cannot be read, is empty, broken or without faces.
    """
    data = load_bytes(path)
    with ThreadPoolExecutor(max_workers=1) as helper:
        digest = helper.submit(hashlib.sha256, data)
        return Parsed(read_mesh(data, path), path, digest.result().hexdigest())


def mend_scan(parsed: Parsed, *, unit: str, bridge: float, dots: bool, spikes: bool) -> Scan:
    """Mend what was read from a scan file; arguments, result and other errors as for `read_scan`."""
    path, raw = parsed.path, parsed.mesh
    where = f"scan file {path}"
    _check_unit(unit)
    notes = list(raw.mended)
    unit, factor = _settle_unit(raw, unit, notes)
    vertices = raw.vertices if factor == 1.0 else raw.vertices * factor
    _check_size(raw, unit, factor, where)
    mesh = mend_mesh(vertices, raw.faces, bridge=bridge, where=where)
    notes += mesh.mended
    grain = measure_grain(raw.vertices, spacing=measure_spacing(mesh.vertices, mesh.faces) / factor) * factor
    mesh = _divide(mesh, notes)
    spacing = measure_spacing(mesh.vertices, mesh.faces)
    noise = max(measure_noise(mesh.vertices, mesh.faces), grain * ROUNDED)
    vertices, tips = _take_back_spikes(mesh, spacing, noise, notes) if spikes else (mesh.vertices, np.empty((0, 4)))
    if dots:
        vertices = _take_off_dots(vertices, mesh.faces, noise, notes)
    return Scan(
        vertices=vertices,
        faces=mesh.faces,
        path=path,
        sha256=parsed.sha256,
        unit=unit,
        mm_per_unit=factor,
        spacing=spacing,
        noise=noise,
        grain=grain,
        mended=tuple(notes),
        dropped=mesh.dropped,
        spikes=tips,
        covers=mesh.covers,
    )


def _check_unit(unit: str) -> None:
    if unit not in MM_PER_UNIT:
        raise ScanError(f'unknown unit "{unit}"', "scan.unit", f"use one of {', '.join(MM_PER_UNIT)}")


def _divide(mesh: MendedMesh, notes: list[Mend]) -> MendedMesh:
    """Return a mesh with the large faces of a model divided."""
    divided = divide_modelled(mesh.vertices, mesh.faces)
    if divided is None:
        return mesh
    note = f"as of a model and not of a scan, divided into {len(divided[1])}; how far the real one is off it is not known"
    notes.append(Mend("large flat faces", len(mesh.faces), note))
    return replace(mesh, vertices=divided[0], faces=divided[1])


def _take_back_spikes(mesh: MendedMesh, spacing: float, noise: float, notes: list[Mend]) -> tuple[Floats, Floats]:
    """Return the vertices without spikes, and as `Scan.spikes` where those stood."""
    found = flatten_spikes(mesh.vertices, mesh.faces, noise=noise, spacing=spacing)
    if len(found.heights):
        note = f"single points up to {found.heights.max():.1f} mm off the ground around them, taken back to it; "
        notes.append(Mend("spikes", len(found.heights), note + "scan.spikes = false leaves them as they are"))
    return found.vertices, np.column_stack([found.tips, found.heights])


def _take_off_dots(vertices: Floats, faces: Ints, noise: float, notes: list[Mend]) -> Floats:
    found = flatten_dots(vertices, faces, noise=noise)
    if found.radii:
        wide, tall = 2.0 * max(found.radii), max(found.heights)
        note = f"up to {wide:.0f} mm wide and {tall:.2f} mm thick, flattened; scan.dots = false leaves them as they are"
        notes.append(Mend("marker dots", len(found.radii), note))
    return found.vertices


def _settle_unit(raw: RawMesh, unit: str, notes: list[Mend]) -> tuple[str, float]:
    """A unit the file states replaces the default; one the user chose on purpose stays."""
    if raw.unit and raw.unit != unit:
        if unit == "mm":
            notes.append(
                Mend("unit of the file", 1, f"the file states that it is in {raw.unit}, and was read so")
            )
            return raw.unit, MM_PER_STATED[raw.unit]
        notes.append(
            Mend("unit of the file", 1, f"the file states {raw.unit}; read in {unit} as the recipe says")
        )
    return unit, MM_PER_UNIT[unit]


def _check_size(raw: RawMesh, unit: str, factor: float, where: str) -> None:
    """Refuse a scan too small or too large to be a recess, and name the unit that would make it one."""
    diagonal = measure_diagonal(raw.vertices, raw.faces)
    if diagonal == 0.0:
        return  # mending says what is wrong with it
    size = diagonal * factor
    if SMALLEST <= size <= LARGEST:
        return
    shown = f"{size:.0f}" if LARGEST < size < 1e6 else f"{size:.3g}"
    what = f"the scan is {shown} mm across when read in {unit}; possible are {SMALLEST:g} to {LARGEST:g}"
    remedy = suggest_unit(diagonal, unit) or (
        "no unit gives a likely size: cut stray points off the scan, or export it again in millimetres"
    )
    raise ScanError(what, where, remedy)


def suggest_unit(diagonal: float, unit: str) -> str:
    """Return what to set if a scan is of a usual size in other units than its own; nothing if it is as it is, or in none.

    diagonal: in the file's unit.
    """
    usual = {name for name, mm in MM_PER_UNIT.items() if _USUAL[0] <= diagonal * mm <= _USUAL[1]}
    if unit in usual or not usual:
        return ""
    likely = [name for name in MM_PER_UNIT if name in usual]
    names = {"mm": "millimetres", "cm": "centimetres", "m": "metres", "inch": "inches"}
    settings = " or ".join(f'scan.unit = "{name}"' for name in likely)
    return f"it looks like {' or '.join(names[name] for name in likely)}: set {settings}"


def measure_spacing(vertices: Floats, faces: Ints) -> float:
    """Return the median edge length, mm.

    Args:
        vertices: (V, 3) float64, mm.
        faces: (F, 3) int32, F >= 1; of more than `SPACING_SAMPLES` an even selection is looked at.

    Returns:
        Median over the edges of the faces, mm.

    Raises:
        Nothing: any non-empty mesh is valid.
    """
    some = faces[:: -(-len(faces) // SPACING_SAMPLES)]
    corners = np.take(vertices, some, axis=0)
    return float(np.median(lengths(corners - np.roll(corners, 1, axis=1))))


def measure_noise(vertices: Floats, faces: Ints) -> float:
    """Return the scan's noise along the normal: the standard deviation that `sample_noise` finds, robustly.

    Args:
        vertices: (V, 3) float64, mm.
        faces: (F, 3) int32.

    Returns:
        Standard deviation, mm; 0 where no vertex has enough neighbours.

    Raises:
        Nothing: any mesh is valid.

    References:
        F. R. Hampel (1974), J. Amer. Stat. Assoc. 69:383-393, doi:10.1080/01621459.1974.10482962 (median
        absolute deviation).
    """
    errors = sample_noise(vertices, faces)[1]
    return float(MAD_TO_SIGMA * np.median(errors)) if len(errors) else 0.0


def sample_noise(vertices: Floats, faces: Ints, *, most: int = NOISE_SAMPLES) -> tuple[Ints, Floats]:
    """Return how far single vertices lie off a quadric through their two rings of neighbours.

    The vertex takes part in the fit, so its residual is smaller than its error by sqrt(1 - h), h its
    leverage; this is divided out. The median of the absolute values makes edges and steps, where no quadric
    fits, harmless; where the surface bends so sharply that a quadric no longer follows it, form would pass for
    noise, so such vertices are left out as long as others remain. Waves longer than the two rings are form, not
    noise, and are not seen here.

    Args:
        vertices: (V, 3) float64, mm.
        faces: (F, 3) int32.
        most: vertices looked at, evenly chosen; those without enough neighbours say nothing.

    Returns:
        (N,) int32, the vertices; (N,) float64, how far each lies off, mm, 0 or more.

    Raises:
        Nothing: any mesh is valid.

    References:
        D. C. Hoaglin, R. E. Welsch (1978), Amer. Statistician 32(1):17-22, doi:10.1080/00031305.1978.10479237
        (leverage).
    """
    start, neighbour = list_neighbours(faces, len(vertices))
    centres = np.arange(0, len(vertices), -(-len(vertices) // most), dtype=np.int32)
    rings, counts = gather_rings(start, neighbour, centres, _RING)
    rings, counts = rings[counts >= _FEWEST], counts[counts >= _FEWEST]
    if not len(rings):
        return np.zeros(0, np.int32), np.zeros(0)
    weight = (np.arange(_RING) < counts[:, None]).astype(np.float64)
    p = (vertices[rings] - vertices[rings[:, :1]]) * weight[..., None]
    scale = np.sqrt((p**2).sum(axis=(1, 2)) / counts)
    p /= np.maximum(scale, np.finfo(np.float64).tiny)[:, None, None]
    mean = p.sum(axis=1, keepdims=True) / counts[:, None, None]
    spread = np.einsum("nki,nkj,nk->nij", p - mean, p - mean, weight)
    axes = np.linalg.eigh(spread)[1]  # the first one, of least spread, is the normal
    x, y, z = np.einsum("nki,nij->jnk", p, axes[:, :, [1, 2, 0]])
    terms = np.stack([weight, x, y, x * x, x * y, y * y], axis=2)
    inverse = np.linalg.pinv(np.einsum("nki,nkj->nij", terms, terms), hermitian=True)
    moment = np.einsum("nki,nk->ni", terms, z)
    fitted = np.einsum("nij,nj->ni", inverse, moment)
    leverage = inverse[:, 0, 0]
    free = leverage < 0.95  # the rest are held by themselves alone and say nothing
    rest = np.maximum((z**2).sum(axis=1) - np.einsum("ni,ni->n", fitted, moment), 0.0) / np.maximum(counts - 6, 1)
    unsure = np.sqrt(rest[:, None] * np.einsum("nii->ni", inverse)[:, 3:])  # noise bends what is straight
    straight = free & (np.abs(fitted[:, 3:]) < _BENT + _UNSURE * unsure).all(axis=1)
    if straight.sum() > _STRAIGHT * free.sum():
        free = straight
    errors = np.abs(fitted[free, 0]) / np.sqrt(1.0 - leverage[free]) * scale[free]
    return rings[free, 0], errors
