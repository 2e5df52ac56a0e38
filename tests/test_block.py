"""A shell's solid: what is put together by its edges is what the kernel's own booleans make of the same faces."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import shapely
from OCP.BRep import BRep_Tool

from mountgen import block
from mountgen.block import combine_inner, lid_surface, post_tube, shell_solid, stack_inner
from mountgen.crossing import meet_field
from mountgen.errors import KernelError
from mountgen.field import InsertableSpace
from mountgen.kernel import Solid, count_faces, is_valid, solids_of, tessellate
from mountgen.loft import Shell, fit_shell
from mountgen.mesh_measure import measure_volume
from mountgen.patch import read_patches
from mountgen.tubes import closed_tube
from tests.checks import assert_printable
from tests.test_post_search import _box, _nodes, _pit, _space


@cache
def pitted() -> tuple[InsertableSpace, Shell]:
    """Return a box recess with a boss amid its floor and a rib at its wall, whose floor has a pit at the right."""
    x, y = _nodes()
    ground = _pit(np.minimum(4.0 - np.abs(x - 19.0), 10.0 - np.abs(y)), -22.0)
    space = _space(ground, _box((-14.0, 2.0), (-8.0, 8.0), -12.0), _box((-5.0, -25.0), (0.0, -10.0), -12.0))
    return space, fit_shell(space)


def combined(space: InsertableSpace, shell: Shell) -> float:
    """Return the volume of the same faces put together by the kernel, mm³."""
    lid = lid_surface(space, shell.floor, 0.0)
    trunk = closed_tube(shell.wall, meet_field(shell.wall, shell.floor), meet_field(shell.wall, lid))
    return measure_volume(tessellate(combine_inner(trunk, shell.floor, shell.pockets, shell.posts)))


def inner(space: InsertableSpace, shell: Shell) -> tuple[int, int, int]:
    """Return how many pockets and posts are faces of the solid, and how many pockets and posts are left to the kernel."""
    found = stack_inner(shell, meet_field(shell.wall, shell.floor), lid_surface(space, shell.floor, 0.0))
    assert len(found.caps) == len(found.sleeves) + 1
    return len(found.sleeves), len(found.pockets), len(found.posts)


def _dent(shell: Shell, by: float) -> Shell:
    """Return a shell whose own floor has a peak of about `by` mm amid what its wall encloses there."""
    plan = meet_field(shell.wall, shell.floor).space[:, :2]
    middle = 0.5 * (plan.min(axis=0) + plan.max(axis=0))
    floor = shell.floor
    x, y = (np.abs(axis.abscissae - at) for axis, at in zip((floor.u, floor.v), middle, strict=True))
    poles = floor.poles.copy()
    poles[(x[:, None] < 1.5) & (y[None, :] < 1.5)] += by
    assert not np.array_equal(poles, floor.poles)
    return replace(shell, floor=replace(floor, poles=poles))


def test_a_pit_and_a_boss_are_faces_and_a_rib_at_the_wall_is_cut_out() -> None:
    space, shell = pitted()
    assert (len(shell.pockets), len(shell.posts)) == (1, 2)
    assert inner(space, shell) == (2, 0, 1)
    solid, _ = shell_solid(shell, space, below=0.0, reach=None)
    assert is_valid(solid)
    assert len(solids_of(solid)) == 1
    mesh = tessellate(solid)
    assert_printable(mesh)
    assert measure_volume(mesh) == pytest.approx(combined(space, shell), rel=2e-4)  # a pocket reaches 0.6 mm into the body there


def test_a_solid_of_faces_alone_needs_no_boolean(monkeypatch: pytest.MonkeyPatch) -> None:
    space, shell = pitted()
    free = replace(shell, posts=tuple(post for post in shell.posts if len(stack_inner(
        replace(shell, pockets=(), posts=(post,)), meet_field(shell.wall, shell.floor), lid_surface(space, shell.floor, 0.0)
    ).sleeves)))  # fmt: skip
    assert len(free.posts) == 1
    wanted = combined(space, free)
    monkeypatch.setattr("mountgen.block.combine", None)
    solid, _ = shell_solid(free, space, below=0.0, reach=None)
    assert measure_volume(tessellate(solid)) == pytest.approx(wanted, rel=2e-4)
    assert count_faces(solid) == (1 + 4 + 1) + 2 * (2 + 1)  # of trunk, pit and boss; short walls are cut into two


def test_what_meets_another_thing_is_left_to_the_kernel() -> None:
    space, shell = pitted()
    (pit,) = shell.pockets
    twice = replace(shell, pockets=(pit, pit))
    assert inner(space, twice) == (1, 1, 2)  # a pocket united later would fill a post, so posts wait for it
    boss = next(post for post in shell.posts if inner(space, replace(shell, pockets=(), posts=(post,)))[0])
    assert inner(space, replace(shell, pockets=(), posts=(boss, boss))) == (1, 0, 1)
    assert inner(space, replace(shell, pockets=(), posts=(_dent(boss, -20.0),))) == (0, 0, 1)  # its top goes below the floor
    assert inner(space, replace(shell, pockets=(), posts=(_dent(boss, 20.0),))) == (0, 0, 1)  # or above the lid
    assert inner(space, replace(shell, pockets=(_dent(pit, 20.0),), posts=())) == (0, 1, 0)
    tall = replace(boss, floor=replace(boss.floor, poles=boss.floor.poles + 12.5))  # 0.5 mm above the lid
    assert inner(space, replace(shell, pockets=(), posts=(tall,))) == (0, 0, 1)


def test_what_is_cut_out_for_a_post_ends_on_one_level_patch() -> None:
    """On one of as many patches as its top has, each boolean with a rib took half a minute."""
    for post in pitted()[1].posts:
        assert post.floor.poles.size > 16
        tube = post_tube(post)
        mesh = tessellate(tube)
        low = mesh.vertices[:, 2].min()
        (level,) = [patch for patch in read_patches(tube) if np.ptp(patch.corners[:, 2]) < 1e-9]
        assert level.corners[0, 2] == pytest.approx(low)
        surface = BRep_Tool.Surface_s(level.face)
        assert (surface.NbUPoles(), surface.NbVPoles()) == (4, 4)


@pytest.mark.parametrize("uncut", [1, 9])
def test_a_post_that_the_kernel_leaves_uncut_is_cut_a_little_larger(monkeypatch: pytest.MonkeyPatch, uncut: int) -> None:
    """It does so without a word where the post's top grazes the floor: on one of forty random recesses 20 mm deep."""
    space, shell = pitted()
    tools, real = [], block.combine

    def combine(body: Solid, tool: Solid, how: str, *, what: str) -> Solid:
        tools.append(tessellate(tool).vertices[:, 2].max())
        return real(body, tool, how, what=what) if len(tools) > uncut else body

    monkeypatch.setattr(block, "combine", combine)
    if uncut >= len(block.LARGER):
        with pytest.raises(KernelError, match="leaves something standing at the post"):
            shell_solid(shell, space, below=0.0, reach=None)
        assert len(tools) == len(block.LARGER)
        return
    solid, _ = shell_solid(shell, space, below=0.0, reach=None)
    assert np.diff(tools) == pytest.approx(block.LARGER[1], abs=0.005)
    monkeypatch.setattr(block, "combine", real)
    faces = 6.0 * 12.0 + 2.0 * (6.0 + 12.0) * 20.0  # mm², its top and sides
    assert 0.0 < combined(space, shell) - measure_volume(tessellate(solid)) < 0.1 * faces


@pytest.mark.parametrize("by", [0.05, 0.2])
def test_a_larger_post_holds_the_smaller_one_all_round(by: float) -> None:
    for post in pitted()[1].posts:
        larger = block._enlarge(post, by)
        around = np.linspace(0.0, 1.0, 600, endpoint=False)
        for height in (post.wall.v.breaks[0], post.wall.v.breaks[-1]):
            small, large = (shapely.Polygon(each.wall.at(around, np.array([height]))[:, 0, :2]) for each in (post, larger))
            assert large.contains(small)
            away = shapely.distance(small.exterior, shapely.points(np.asarray(large.exterior.coords)))
            assert np.median(away) == pytest.approx(by, rel=0.1)
            assert away.max() < 1.6 * by  # at a corner
        np.testing.assert_allclose(larger.floor.poles, post.floor.poles + by)


@pytest.mark.parametrize("bad", ["refuses", "nothing"])
def test_a_post_that_the_kernel_cannot_cut_out_is_tried_larger(monkeypatch: pytest.MonkeyPatch, bad: str) -> None:
    """It may refuse, or leave nothing at all of the body."""
    space, shell = pitted()
    volumes, real = [], block.combine

    def combine(body: Solid, tool: Solid, how: str, *, what: str) -> Solid:
        volumes.append(measure_volume(tessellate(tool)))
        if len(volumes) > 1:
            return real(body, tool, how, what=what)
        if bad == "refuses":
            raise KernelError("no", "post", "none")
        return real(body, body, "cut", what=what)

    monkeypatch.setattr(block, "combine", combine)
    solid, _ = shell_solid(shell, space, below=0.0, reach=None)
    assert len(volumes) == 2
    assert volumes[1] > volumes[0]
    assert len(solids_of(solid)) == 1
