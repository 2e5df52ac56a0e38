"""Do part and device keep away from what else is in the vehicle: levers, screens, lids, vents, switches, airbags.

Distances are those of the gauge: exact from points to triangles, over whole movements, both ways. What is moved is the
part on its way out of the recess and the device on its way out of its seat; at rest is where both begin.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, floor

import numpy as np

from mountgen.arrays import Floats, Ints
from mountgen.datum import lid_height
from mountgen.errors import RecipeError, ScanError
from mountgen.features.device_advice import advise_tried
from mountgen.features.part import Device
from mountgen.gap import PathGap, sweep_clear
from mountgen.kernel import Mesh
from mountgen.mesh_measure import measure_volume
from mountgen.recipe import PhoneShelfRecipe, Recipe
from mountgen.recipe_settings import with_settings
from mountgen.recipe_tables import KeepOut
from mountgen.scan import MM_PER_STATED
from mountgen.service.case import Case, Finding
from mountgen.verdict import Check, Verdict

OUT = 5.0  # mm past the mouth; a part this far out can be moved any way
TOUCH = 0.0  # mm; nothing may pass through a keep-out, whatever its margin
SHIFT, SHIFTS = 1.0, 8  # mm; how finely another place for a device is given, and how often it is looked for farther away
BOX_FACES = np.array(
    [[0, 2, 1], [0, 3, 2], [4, 5, 6], [4, 6, 7], [0, 1, 5], [0, 5, 4], [1, 2, 6], [1, 6, 5], [2, 3, 7], [2, 7, 6], [3, 0, 4],
     [3, 4, 7]], dtype=np.int32,
)  # fmt: skip
SOURCES = {
    "airbag": "owner's manuals: nothing on or near an airbag's cover (one was read)",
    "airbag-seam": "owner's manuals: nothing on or near an airbag's cover (one was read)",
    "vent": "air that leaves a vent needs room",
}


@dataclass(frozen=True)
class Nearest:
    """What comes nearest to a keep-out. who: "part" or "device"; gap: mm, over its whole way."""

    who: str
    gap: PathGap


def judge_keep_outs(case: Case) -> Finding:
    """Say whether part and device keep their distance from every keep-out of the recipe, at rest and on their way out.

    Args:
        case: the part and its surroundings.

    Returns:
        Finding: one check a keep-out, and whether airbags have been looked up at all.

    Raises:
        RecipeError: a keep-out's mesh cannot be read.
    """
    checks, facts = [], []
    for keep_out in case.recipe.keep_out:
        body = place_keep_out(keep_out, case)
        found = [Nearest("part", measure_part(case, body))]
        if case.part.device is not None:
            found.append(Nearest("device", measure_device(case.part.device, body)))
        checks.append(_judge(keep_out, found, body, case))
        gaps = {each.who: each.gap.min for each in found}
        facts.append({"name": keep_out.name, "kind": keep_out.kind, "distance": keep_out.distance, **gaps})
    return Finding(checks=(*checks, _judge_airbags(case.recipe)), facts={"keep_outs": facts})


def place_keep_out(keep_out: KeepOut, case: Case) -> Mesh:
    """Return a keep-out's body in the part frame, mm, normals outwards where it is closed.

    Raises:
        RecipeError: its mesh cannot be read; says why.
    """
    mm = case.scan.mm_per_unit if keep_out.axes == "scan" else 1.0
    if keep_out.file is not None:
        vertices, faces = _read_body(keep_out, mm, chosen=keep_out.axes == "scan" and case.recipe.scan.unit != "mm")
    else:
        assert keep_out.low is not None
        assert keep_out.high is not None
        (x0, y0, z0), (x1, y1, z1) = keep_out.low, keep_out.high
        level = [(x0, y0), (x1, y0), (x1, y1), (x0, y1)]
        vertices = mm * np.array([(x, y, z) for z in (z0, z1) for x, y in level])
        faces = BOX_FACES
    if keep_out.axes == "scan":
        turn, shift = case.recess.part_to_scan[:3, :3], case.recess.part_to_scan[:3, 3]
        vertices = (vertices - shift) @ turn
    mesh = Mesh(vertices, faces)
    return Mesh(vertices, faces[:, ::-1]) if measure_volume(mesh) < 0.0 else mesh


def _read_body(keep_out: KeepOut, mm: float, *, chosen: bool) -> tuple[Floats, Ints]:
    """Read a body, mm in its own axes: in the unit that the file states, as a scan's is, unless the user has chosen one."""
    from mountgen.mesh_file import read_mesh

    assert keep_out.file is not None
    where, remedy = f'keep_out "{keep_out.name}", file', "give another file, or a box"
    try:
        if keep_out.file.exists() and not keep_out.file.is_file():
            raise RecipeError(f"{keep_out.file} is not an ordinary file", where, remedy)
        raw = read_mesh(keep_out.file.read_bytes(), keep_out.file)
    except OSError as error:
        raise RecipeError(f"{keep_out.file} cannot be read ({error.strerror})", where, remedy) from error
    except ScanError as error:
        raise RecipeError(error.what, where, error.remedy) from error
    vertices, faces = np.asarray(raw.vertices, dtype=np.float64), np.asarray(raw.faces)
    if not len(faces):
        raise RecipeError(f"{keep_out.file} has no triangles", where, remedy)
    if faces.min() < 0 or faces.max() >= len(vertices) or not np.isfinite(vertices[faces]).all():
        raise RecipeError(f"{keep_out.file} has triangles whose corners are missing or not numbers", where, remedy)
    return (mm if chosen or not raw.unit else MM_PER_STATED[raw.unit]) * vertices, faces.astype(np.int32)


def measure_part(case: Case, body: Mesh) -> PathGap:
    """Return the least gap between a part, from its seat to out of the mouth, and a body, mm."""
    mesh = case.part.body.mesh
    x, y, z = mesh.vertices.T
    length = float(lid_height(case.recess.lid, x, y).max() - z.min()) + OUT
    return sweep_clear(mesh, body, direction=(0.0, 0.0, 1.0), length=max(length, 0.0))


def measure_device(device: Device, body: Mesh) -> PathGap:
    """Return the least gap between a device, from its seat to out of the mouth, and a body, mm."""
    at, best = device.mesh.vertices, None
    for leg in device.legs:
        found = sweep_clear(Mesh(at, device.mesh.faces), body, direction=leg.tolist(), length=float(np.linalg.norm(leg)))
        best = found if best is None or found.min < best.min else best
        at = at + leg
    return best or sweep_clear(device.mesh, body, direction=(0.0, 0.0, 1.0), length=0.0)


def _judge(keep_out: KeepOut, found: list[Nearest], body: Mesh, case: Case) -> Check:
    worst = min(found, key=lambda each: each.gap.min)
    gap, limit = worst.gap.min, keep_out.distance
    kept = gap >= limit and gap > TOUCH
    verdict: Verdict = "pass" if kept else "caution" if keep_out.kind == "vent" else "fail"
    source = f"recipe: margin of {limit:g} mm" if keep_out.margin is not None else (
        f"{SOURCES.get(keep_out.kind, 'nothing may touch it')}; {limit:g} mm is our rule"
    )  # fmt: skip
    remedy = "" if kept else _advise(keep_out, found, body, case)
    place = "" if kept else f"{worst.gap.place} ({worst.who}, {worst.gap.lift:.0f} mm from its seat)"
    return Check(f"distance from {keep_out.name}", verdict, gap, limit, "mm", source, remedy, place)


def _advise(keep_out: KeepOut, found: list[Nearest], body: Mesh, case: Case) -> str:
    """Return what brings part and device away from a body, with a value that was tried where there is one."""
    advice = []
    for each in found:
        if each.gap.min >= keep_out.distance and each.gap.min > TOUCH:
            continue
        if each.who == "device":
            advice.append(_advise_device(keep_out, body, case))
        else:
            advice.append(_advise_part(keep_out, each.gap, case))
    return "; ".join(advice)


def _advise_device(keep_out: KeepOut, body: Mesh, case: Case) -> str:
    device, recipe = case.part.device, case.recipe
    assert device is not None
    assert isinstance(recipe, PhoneShelfRecipe)
    place = recipe.device.place
    seats, shift = case.part.seats, find_shift(device, body, keep_out.distance, place=place)

    def keeps(tried: PhoneShelfRecipe) -> bool:
        seated = None if seats is None else seats(tried)
        return seated is not None and _keeps(seated, body, keep_out.distance)

    if shift is not None and (seats is None or keeps(with_settings(recipe, {"device.place": shift}))):
        return f"set device.place = {shift:g}"
    if seats is None:
        return "the device does not keep away from it wherever it stands across the mouth: give it another recess"
    other = advise_tried(keeps, recipe, top=case.recess.mouth_height)
    return f"the device keeps away from it nowhere across the mouth: {other}"


def _keeps(device: Device, body: Mesh, distance: float) -> bool:
    gap = measure_device(device, body).min
    return gap >= distance and gap > TOUCH


def find_shift(device: Device, body: Mesh, distance: float, *, place: float) -> float | None:
    """Return the place across the mouth, mm, nearest to `place` at which a device keeps its distance; None if there is none."""
    width = float(np.ptp(device.mesh.vertices[:, 0])) + float(np.ptp(body.vertices[:, 0])) + 2.0 * distance

    def keeps(x: float) -> bool:
        moved = Device(Mesh(device.mesh.vertices + np.array([x - place, 0.0, 0.0]), device.mesh.faces), device.legs)
        return _keeps(moved, body, distance)

    best = []
    for side in (-1.0, 1.0):
        near, far = 0.0, width
        if not keeps(place + side * far):
            continue
        for _ in range(SHIFTS):
            middle = 0.5 * (near + far)
            near, far = (near, middle) if keeps(place + side * middle) else (middle, far)
        best.append(ceil((place + far) / SHIFT) * SHIFT if side > 0 else floor((place - far) / SHIFT) * SHIFT)
    return min(best, key=lambda x: abs(x - place)) if best else None


def _advise_part(keep_out: KeepOut, gap: PathGap, case: Case) -> str:
    flange = getattr(case.recipe, "flange", None)
    lacking = keep_out.distance - gap.min
    if flange is not None and flange.width > lacking > 0.0 and gap.min >= 0.0:
        return f"set flange.width = {floor(10.0 * (flange.width - lacking)) / 10.0:g} if it is the flange that comes near"
    return "the part fills its recess, so nothing in the recipe moves it away: give it another recess, or correct the keep-out"


def _judge_airbags(recipe: Recipe) -> Check:
    source = "our rule, after owner's manuals: the whole panel may be an airbag's door, not its label only (one read)"
    verdict: Verdict = "pass" if recipe.place.airbags_checked else "caution"
    remedy = "" if verdict == "pass" else (
        "look up in the owner's manual where all airbags, their covers and seams are, mark those near as [[keep_out]] with "
        'kind = "airbag", then set place.airbags_checked = true'
    )  # fmt: skip
    return Check("airbags looked up", verdict, float(recipe.place.airbags_checked), 1.0, "", source, remedy)
