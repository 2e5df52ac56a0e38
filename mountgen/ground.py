"""All that comes before the part: the scan read, its mouth found, the space in it that a part may occupy, wall and floor of that.

What has been found before is taken from the store; what is worth knowing is told as it is found.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from hashlib import sha256
from importlib import import_module
from math import isfinite
from typing import TYPE_CHECKING

import numpy as np

from mountgen.child import beside
from mountgen.clearance import find_enlargement, resolve_clearance
from mountgen.datum import Recess, find_datum
from mountgen.entries import (
    pack_recess,
    pack_scan,
    pack_shell,
    pack_space,
    unpack_recess,
    unpack_scan,
    unpack_shell,
    unpack_space,
)
from mountgen.errors import LoftError, ScanError
from mountgen.field import InsertableSpace, build_space
from mountgen.loading import loading
from mountgen.loft import Shell
from mountgen.material import find_material, load_materials
from mountgen.mesh_file import check_file
from mountgen.rows import extent
from mountgen.scan import Scan, mend_scan, parse_scan
from mountgen.shell_relief import fit_clear_shell
from mountgen.store import Entry, Store, make_key
from mountgen.surface import surface_of

if TYPE_CHECKING:
    from mountgen.material import Material
    from mountgen.progress import Clock
    from mountgen.recipe import Recipe

GAPS = ("clearance", "floor", "walls", "rim", "draft")  # of a recipe's fit: what the space and its faces depend on
MUCH_GAP = 0.1  # of the narrower side of the mouth; a gap that takes more of it, on both sides, is told of
LATER = tuple(f"mountgen.{name}" for name in ("features", "relief", "inspection", "service", "export", "report", "page"))
LIBRARIES = ("scipy.ndimage", "scipy.linalg", "contourpy", "shapely")  # of the stages between scan and part


@dataclass(frozen=True, eq=False)
class Spot:
    """What a recipe's scan shows, whatever is made to fit it.

    recipe    : with the clearance resolved.
    material  : that of the recipe; materials: all rows.
    recess    : the scan in the part frame; recess_key: its own in the store.
    store     : where results are kept.
    """

    recipe: Recipe
    material: Material
    materials: Mapping[str, Material]
    scan: Scan
    recess: Recess
    recess_key: str
    store: Store


@dataclass(frozen=True, eq=False)
class Ground:
    """What a recipe's scan gives before anything is made for it.

    recipe   : with the clearance resolved.
    material : that of the recipe; materials: all rows.
    recess   : the scan in the part frame; space: what a part may occupy of it.
    shell    : wall and floor fitted to that; None where they could not be, and a body is made of facets.
    key      : of the shell in the store; recess_key: of the recess.
    store    : where results are kept, what the solid kernel makes among them; None for nowhere.
    """

    recipe: Recipe
    material: Material
    materials: Mapping[str, Material]
    scan: Scan
    recess: Recess
    space: InsertableSpace
    shell: Shell | None
    key: str = ""
    recess_key: str = ""
    store: Store | None = None

    @property
    def gaps(self) -> dict[str, float]:
        """Return the clearance asked for in each zone of the scan, mm."""
        return self.recipe.fit.gaps


def lay_ground(recipe: Recipe, *, store: Store, clock: Clock) -> Ground:
    """Do all that comes before the part: read the scan, find the mouth, build the space that a part may occupy.

    Arguments and errors as for `find_spot`.
    """
    return fit_ground(lay_space(find_spot(recipe, store=store, clock=clock), clock=clock), clock=clock)


def find_spot(recipe: Recipe, *, store: Store, clock: Clock) -> Spot:
    """Read the scan and find the mouth.

    Args:
        recipe: complete recipe.
        store: where results are kept.
        clock: times the stages and tells of findings.

    Raises:
        MountgenError: the scan is missing, or no recess is found in it.
    """
    materials = load_materials(recipe.sheet)
    material = find_material(recipe.material, materials)
    find_enlargement(recipe, material)  # or what it is to make good is not known: better said now than at the end

    with clock.stage("read the scan"):
        scan, scan_key = _recall_scan(recipe, store)
    for line in describe_scan(scan):
        clock.progress.say(line)

    with clock.stage("find mouth and draw direction"):
        recess_key = make_key("datum", scan_key, recipe.mouth.model_dump(mode="json"))
        recess = store.remember(
            recess_key, lambda: unpack_recess(_beside_kernel(lambda: pack_recess(find_datum(scan, mouth=recipe.mouth)))),
            pack=pack_recess, unpack=unpack_recess,
        )
    for line in describe_recess(recess):
        clock.progress.say(line)

    for note in list_odd_sizes(recipe, recess):
        clock.progress.say(f"note       {note}")
    asked, recipe = recipe, resolve_clearance(recipe, noise=scan.noise, rim=recess.rim, material=material)
    if recipe is not asked:
        clock.progress.say(f"clearance  {recipe.fit.clearance:g} mm, which is what a {recipe.fit.sits} fit needs here")
    return Spot(recipe, material, materials, scan, recess, recess_key, store)


def lay_space(spot: Spot, *, clock: Clock) -> Ground:
    """Build the space that a part may occupy; the scan is made ready to be asked for distances meanwhile.

    Raises:
        MountgenError: nothing is left of the space.
    """
    recipe, recess, store = spot.recipe, spot.recess, spot.store
    with clock.stage("build the insertable space"):
        shape = recipe.fit.model_dump(mode="json", include=set(GAPS))
        key = make_key("field", spot.recess_key, shape)
        with ThreadPoolExecutor(1) as pool:
            ready = pool.submit(lambda: surface_of(recess).tree)
            space = store.remember(key, lambda: build_space(recess, fit=recipe.fit), pack=pack_space, unpack=unpack_space)
            ready.result()
    for note in list_raised_gaps(recipe, space):
        clock.progress.say(f"note       {note}")
    key = make_key("shell", key)
    return Ground(recipe, spot.material, spot.materials, spot.scan, recess, space, None, key, spot.recess_key, store)


def fit_ground(ground: Ground, *, clock: Clock) -> Ground:
    """Return the ground with wall and floor fitted to its space; without them where they cannot be."""
    assert ground.store is not None

    def fit() -> Shell | None:
        try:
            return fit_clear_shell(ground.space, ground.recess, clearance=ground.gaps)
        except LoftError:
            return None

    with clock.stage("fit wall and floor"):
        shell = ground.store.remember(ground.key, fit, pack=pack_shell, unpack=unpack_shell)
    return replace(ground, shell=shell)


def load_kernel() -> None:
    """Load the solid kernel, and what of this package and of others a part is found, made and judged with.

    Raises:
        KernelError: the kernel cannot be loaded.
    """
    from mountgen.platform_check import require_kernel

    require_kernel()
    with loading():
        for name in (*LIBRARIES, *LATER):
            import_module(name)


def _beside_kernel(make: Callable[[], Entry]) -> Entry:
    """Do something that does not need the solid kernel; what is done to it afterwards does, and that is loaded meanwhile."""
    if "OCP" in sys.modules:
        return make()
    with beside(make) as done:
        load_kernel()
        return done()


def _recall_scan(recipe: Recipe, store: Store) -> tuple[Scan, str]:
    path = recipe.scan.file
    assert path is not None
    unit, how = recipe.scan.unit, recipe.scan.model_dump(include={"bridge", "dots", "spikes"})
    check_file(path)
    digest = sha256()
    try:
        with open(path, "rb") as file:
            while block := file.read(1 << 20):
                digest.update(block)
    except OSError as error:
        remedy = "check scan.file in the recipe, or give another with --scan FILE"
        raise ScanError(f"the scan cannot be read ({error.strerror})", str(path), remedy) from error
    # The suffix counts because the reader may go by it; the name and place of the file do not.
    key = make_key("scan", digest.hexdigest(), path.suffix.lower(), unit, *how.values())

    def read() -> Scan:
        parsed = parse_scan(path)  # what is no scan is told at once
        return unpack_scan(_beside_kernel(lambda: pack_scan(mend_scan(parsed, unit=unit, **how))))

    scan = store.remember(key, read, pack=pack_scan, unpack=unpack_scan)
    return replace(scan, path=path), key


def describe_scan(scan: Scan) -> list[str]:
    """Return what was read and mended, one finding a line."""
    size = np.subtract(*reversed(extent(scan.vertices)))
    lines = [
        f"scan       {scan.path.name}: {len(scan.faces)} triangles, unit {scan.unit}, "
        f"its box {size[0]:.0f} x {size[1]:.0f} x {size[2]:.0f} mm, spacing {scan.spacing:.2f} mm, "
        f"noise {scan.noise:.3f} mm"
    ]
    for mend in scan.mended:
        lines.append(f"mended     {mend.tell()}")
    return lines


def describe_recess(recess: Recess) -> list[str]:
    """Return mouth, draw direction and depth, one finding a line."""
    width, height = recess.rim[:, :2].max(axis=0) - recess.rim[:, :2].min(axis=0)
    x, y, z = recess.part_to_scan[:3, 2]
    lines = [
        f"mouth      {width:.1f} x {height:.1f} mm, {recess.depth:.1f} mm deep",
        f"draw       ({x:+.4f}, {y:+.4f}, {z:+.4f}) in the scan's axes",
    ]
    return lines + [f"note       {note}" for note in recess.notes]


def list_odd_sizes(recipe: Recipe, recess: Recess) -> list[str]:
    """Return what of the recipe's `[fit]` can be done but is hardly meant, one sentence each."""
    fit, notes = recipe.fit, []
    if fit.reach != "full" and fit.reach > recess.depth:
        notes.append(f"fit.reach = {fit.reach:g} is deeper than the recess ({recess.depth:.1f} mm): the part goes all the way in")
    low, high = recess.rim[:, :2].min(axis=0), recess.rim[:, :2].max(axis=0)
    narrow = float((high - low).min())
    for key in ("clearance", "floor", "walls", "rim"):
        gap = getattr(fit, key)
        if gap is not None and isfinite(gap) and 2.0 * gap > MUCH_GAP * narrow:  # auto is inf until it is resolved
            notes.append(f"fit.{key} = {gap:g} takes {2.0 * gap:.3g} of the mouth's {narrow:.0f} mm, half of it on each side")
    return notes


def list_raised_gaps(recipe: Recipe, space: InsertableSpace) -> list[str]:
    """Return which gaps of the recipe are smaller than the space can tell, one sentence each; it leaves as much as that."""
    asked = {key: getattr(recipe.fit, key) for key in ("clearance", "floor", "walls", "rim")}
    return [
        f"fit.{key} = {gap:g} is less than can be told on a mouth of this size: about {space.pitch:.2f} mm are left"
        for key, gap in asked.items() if gap is not None and gap < space.pitch
    ]  # fmt: skip
