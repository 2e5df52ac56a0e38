"""What stands on a floor is found, led past the wall it touches, and taken away, on height fields of boxes in closed form."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import radians, tan

import numpy as np
import pytest
import shapely

from mountgen import loft
from mountgen.arrays import Floats
from mountgen.block import shell_solid
from mountgen.crossing import meet_field
from mountgen.errors import FieldError, LoftError
from mountgen.field import InsertableSpace
from mountgen.kernel import tessellate
from mountgen.loft import fit_shell
from mountgen.mesh_measure import measure_volume
from mountgen.post import Post, blunt_post, cover_ground, grow_post, leave_foot, level_posts
from mountgen.post_search import find_posts, lift_islands
from mountgen.spline import Surface

PITCH = 0.125
WIDTH, HEIGHT, DEPTH = 60.0, 40.0, 30.0  # mm of the box recess
LEAN = tan(radians(85.0))  # slope of every wall and face
ROUND = 0.5  # mm, as a clearance of as much leaves every edge
SPLIT = 60.0  # degrees


def _nodes() -> tuple[Floats, Floats]:
    x = np.arange(-0.5 * WIDTH - 2.0, 0.5 * WIDTH + 2.0, PITCH)
    y = np.arange(-0.5 * HEIGHT - 2.0, 0.5 * HEIGHT + 2.0, PITCH)
    return tuple(np.meshgrid(x, y))  # type: ignore[return-value]


def _box(low: tuple[float, float], high: tuple[float, float], top: float) -> Floats:
    """Return a box's height field: flat at `top` over the rectangle, its faces leaning, its upright edges rounded."""
    x, y = _nodes()
    out_x = np.maximum(np.maximum(low[0] - x, x - high[0]) + ROUND, 0.0)
    out_y = np.maximum(np.maximum(low[1] - y, y - high[1]) + ROUND, 0.0)
    return np.asarray(top - LEAN * np.maximum(np.hypot(out_x, out_y) - ROUND, 0.0))


def _space(*standing: Floats) -> InsertableSpace:
    """Return a box recess with things standing in it."""
    x, y = _nodes()
    wall = LEAN * np.maximum(np.abs(x) - 0.5 * WIDTH, np.abs(y) - 0.5 * HEIGHT)
    height = np.maximum.reduce([wall, np.full_like(x, -DEPTH), *standing])
    half = np.array([0.5 * WIDTH, 0.5 * HEIGHT])
    mouth = half * np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
    seen = np.ones(x.shape, dtype=bool)
    return InsertableSpace(height.astype(np.float32), seen, mouth, np.zeros(6), (float(x[0, 0]), float(y[0, 0])), PITCH, 1.0, 0.0)


def _pit(inside: Floats, top: float) -> Floats:
    """Return ground at `top` with a pit down to DEPTH: `inside`, mm, is how far inside the pit's outline a node lies."""
    return np.asarray(np.maximum(top - LEAN * np.maximum(inside, 0.0), -DEPTH))


BOSS = ((-5.0, -4.0), (3.0, 4.0), -18.0)
RIB = ((-5.0, -25.0), (0.0, 5.0), -15.0)  # from the lower wall
RIDGE = ((-4.0, -25.0), (4.0, 25.0), -12.0)  # from wall to wall
STEP = ((-35.0, -25.0), (-10.0, 25.0), -14.0)  # the whole left end


@pytest.mark.parametrize("top", [-18.0, -4.0, -1.5])
def test_a_boss_amid_the_mouth_is_found_however_near_the_lid_its_top_is(top: float) -> None:
    low, high, _ = BOSS
    posts = find_posts(_space(_box(low, high, top)), SPLIT)
    assert len(posts) == 1
    assert posts[0].island.sum() * PITCH**2 >= (high[0] - low[0]) * (high[1] - low[1])


def test_a_ledge_along_the_mouth_is_the_rims_flare_and_no_post() -> None:
    ledge = _box((-29.0, -25.0), (-26.0, 25.0), -2.0)
    assert not find_posts(_space(ledge), SPLIT)


@pytest.mark.parametrize("thing", [BOSS, RIB, RIDGE, STEP])
def test_a_box_is_found_with_the_area_it_takes(thing: tuple[tuple[float, float], tuple[float, float], float]) -> None:
    (low, high, top) = thing
    (post,) = find_posts(_space(_box(*thing)), SPLIT)
    foot = (DEPTH + top) / LEAN  # how far a face leans out
    wall = (DEPTH) / LEAN
    x = [max(low[0] - foot, -0.5 * WIDTH + wall), min(high[0] + foot, 0.5 * WIDTH - wall)]
    y = [max(low[1] - foot, -0.5 * HEIGHT + wall), min(high[1] + foot, 0.5 * HEIGHT - wall)]
    inside = (x[1] - x[0]) * (y[1] - y[0])
    past = 2.0 * (wall + 1.5) * max(x[1] - x[0], y[1] - y[0])  # at most, where it is carried on past the wall
    assert 0.93 * inside < post.island.sum() * PITCH**2 < inside + past + 0.07 * inside
    assert post.foot == pytest.approx(-DEPTH, abs=0.05)
    xx, yy = _nodes()
    in_x = (xx > x[0] + foot + ROUND) & (xx < x[1] - foot - ROUND)
    top_nodes = in_x & (yy > y[0] + foot + ROUND) & (yy < y[1] - foot - ROUND)
    np.testing.assert_allclose(post.surface[top_nodes & post.island], top, atol=1e-4)


@pytest.mark.parametrize("thing", [RIB, RIDGE, STEP])
def test_what_touches_a_wall_goes_on_past_it(thing: tuple[tuple[float, float], tuple[float, float], float]) -> None:
    space = _space(_box(*thing))
    (post,) = find_posts(space, SPLIT)
    past = post.island & (space.height >= space.top)
    assert past.any()
    np.testing.assert_allclose(post.surface[past], thing[2], atol=LEAN * PITCH)  # its top's edge, not the wall's height


def test_a_plain_floor_a_pit_and_a_low_bump_have_none() -> None:
    x, y = _nodes()
    pit = _space()
    deeper = pit.height - np.where((np.abs(x) < 5.0) & (np.abs(y) < 5.0), 8.0, 0.0).astype(np.float32)
    pit = InsertableSpace(deeper, pit.seen, pit.mouth, pit.lid, pit.origin, pit.pitch, pit.draft_deg, pit.top)
    assert find_posts(_space(), SPLIT) == ()
    assert find_posts(pit, SPLIT) == ()  # the floor surrounds it: a pocket's business
    assert find_posts(_space(_box((-5.0, -5.0), (5.0, 5.0), -DEPTH + 0.8)), SPLIT) == ()


def test_stairs_are_two_posts_the_higher_first_and_the_lower_runs_under_it() -> None:
    upper = ((-35.0, -25.0), (-18.0, 25.0), -10.0)
    lower = ((-35.0, -25.0), (-4.0, 25.0), -20.0)
    first, second = find_posts(_space(_box(*upper), _box(*lower)), SPLIT)
    assert float(first.surface[first.island].max()) == pytest.approx(-10.0, abs=0.05)
    assert float(second.surface[second.island].max()) == pytest.approx(-20.0, abs=0.05)
    x, y = _nodes()
    middle = (np.abs(x + 24.0) < 3.0) & (np.abs(y) < 10.0)
    assert first.island[middle].all()
    assert second.island[middle].all()


@pytest.mark.parametrize("thing", [BOSS, RIB, RIDGE, STEP])
def test_taken_away_the_floor_goes_on_and_the_walls_go_down_to_it(
    thing: tuple[tuple[float, float], tuple[float, float], float],
) -> None:
    space, bare = _space(_box(*thing)), _space()
    level = level_posts(space, find_posts(space, SPLIT))
    x, y = _nodes()
    well_inside = (np.abs(x) < 0.5 * WIDTH - 4.0) & (np.abs(y) < 0.5 * HEIGHT - 4.0)
    np.testing.assert_allclose(level.height[well_inside], bare.height[well_inside], atol=LEAN * PITCH)
    high = bare.height > thing[2] + LEAN * PITCH
    np.testing.assert_array_equal(level.height[high], space.height[high])  # the wall above it stays as it was


def test_a_ridge_a_step_and_a_boss_are_cut_out_of_one_floor() -> None:
    space = _space(_box((8.0, -25.0), (14.0, 25.0), -12.0), _box((-35.0, -25.0), (-18.0, 25.0), -14.0), _box(*BOSS))
    shell = fit_shell(space)
    assert len(shell.posts) == 3
    assert shell.pockets == ()


def test_what_hardly_rises_from_the_ground_is_left_to_the_floor_and_nothing_else() -> None:
    space = _space(_box(*BOSS))
    (post,) = find_posts(space, SPLIT)
    rise = np.where(post.island, space.height + DEPTH, np.inf)
    foot, face = (np.unravel_index(int(np.argmin(np.abs(rise - high))), rise.shape) for high in (0.5, 6.0))
    uncut = np.zeros(rise.shape, dtype=bool)
    uncut[foot] = uncut[face] = True
    kept = leave_foot(space, post, uncut)
    assert np.argwhere(post.island & ~kept.island).tolist() == [list(foot)]
    level = level_posts(space, [kept])
    assert level.height[foot] == space.height[foot]  # it stays ground, which the floor may not go below
    assert level.height[face] < space.height[face] - 5.0


def test_a_post_whose_fit_does_not_get_better_is_given_up_and_the_floor_goes_over_it(monkeypatch: pytest.MonkeyPatch) -> None:
    space = _space(_box(*BOSS))
    (post,) = find_posts(space, SPLIT)
    rounds: list[int] = []

    def stuck(*given: object) -> object:
        rounds.append(1)
        return np.where(post.island & (space.height > -25.0), 0.1, 0.0)

    monkeypatch.setattr(loft, "measure_uncut", stuck)
    shell = fit_shell(space)
    assert len(rounds) == 4 * len(loft.BLUNT)  # two for the post and each blunter one, each way of taking what stands apart
    assert shell.posts == ()
    x, y = _nodes()
    top = (np.abs(x + 1.0) < 3.0) & (np.abs(y) < 3.0)
    over = shell.floor.at_points(x[top].astype(np.float64), y[top].astype(np.float64))[:, 0]
    assert over.min() > BOSS[2] - 0.03


def test_a_post_grows_wider_where_it_stands_out_at_its_edge() -> None:
    """One node of its outline stood out: all within a millimetre of it is the post's now, and nothing else."""
    space = _space(_box(*BOSS))
    (post,) = find_posts(space, SPLIT)
    x, y = _nodes()
    row, col = np.argwhere(post.island)[np.argmax(x[post.island])]
    out = np.zeros(space.height.shape, dtype=np.float32)
    out[row, col] = 0.1
    grown = grow_post(space, post, out)
    away = np.hypot(x - x[row, col], y - y[row, col])
    np.testing.assert_array_equal(grown.island & ~post.island, ~post.island & (away <= 1.0))
    assert (grown.surface >= post.surface).all()


def test_a_blunter_post_holds_the_post_has_no_notch_and_leans() -> None:
    """A slot 3 mm wide between two halves of a boss 12 mm tall, its faces 5 degrees from upright, then 20."""
    low, high, top = (-6.0, -5.0), (6.0, 5.0), -18.0
    space = _space(_box(low, (-1.5, high[1]), top), _box((1.5, low[1]), high, top))
    post = replace(find_posts(space, SPLIT)[0], island=_box(low, high, top) > 0.1 - DEPTH)
    blunt = blunt_post(space, post, radius=2.0, lean_deg=20.0)
    assert (blunt.surface >= post.surface).all()
    assert (blunt.island >= post.island).all()
    x, y = _nodes()
    slot = (np.abs(x) < 1.5) & (np.abs(y) < 4.0)
    np.testing.assert_allclose(blunt.surface[slot], top, atol=0.05)
    beside = (x > 7.5) & (x < 9.0) & (np.abs(y) < 4.0)
    np.testing.assert_allclose(blunt.surface[beside], top - (x[beside] - 6.0) / tan(radians(20.0)), atol=0.4)
    np.testing.assert_array_equal(blunt.island[beside], True)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_boss_that_is_ragged_on_one_side_is_cut_out(seed: int) -> None:
    """As where the scanner looked past it: splinters of any height stick out of its side by up to 2 mm."""
    rng = np.random.default_rng(seed)
    splinters = [
        _box((2.5, y), (3.0 + rng.uniform(0.3, 2.0), y + rng.uniform(0.2, 0.6)), rng.uniform(-28.0, -19.0))
        for y in np.arange(-3.8, 3.2, 0.8)
    ]
    space = _space(_box(*BOSS), *splinters)
    shell = fit_shell(space)
    assert len(shell.posts) == 1
    assert loft._measure_unused(shell, space) < 0.015 * space.volume()
    x, y = _nodes()
    boss = (np.abs(x + 1.0) < 6.0) & (np.abs(y) < 5.5) & (space.height > 1.0 - DEPTH)
    (post,) = shell.posts
    held = np.maximum(cover_ground(space, post.wall, post.floor), shell.floor.at(space.x, space.y)[..., 0].T)
    slope = np.hypot(*np.gradient(space.height, PITCH))
    assert ((space.height - held) / np.sqrt(1.0 + slope**2) > 0.035)[boss].sum() <= 2  # of splinters the tips, a node each


def test_room_about_a_post_that_is_cut_out_too_large_counts_as_unused() -> None:
    space = _space(_box(*BOSS))
    shell = fit_shell(space)
    (post,) = shell.posts
    taller = replace(shell, posts=(replace(post, floor=replace(post.floor, poles=post.floor.poles + 2.0)),))
    more = loft._measure_unused(taller, space) - loft._measure_unused(shell, space)
    assert more == pytest.approx(2.0 * 8.0 * 8.0, rel=0.15)  # mm³: 2 mm higher on a top of 8 x 8 mm


@pytest.mark.parametrize(("half", "goes_around"), [(6.0, True), (11.0, False)])
def test_what_can_neither_be_cut_out_nor_gone_over_is_gone_around_unless_that_costs_more_than_facets(
    monkeypatch: pytest.MonkeyPatch, half: float, goes_around: bool
) -> None:
    """A block at the lower wall whose top lies 15 mm below the mouth: going around it costs 3.6 % of the room, or 6 %."""
    block = ((-half, -25.0), (half, -12.0), -15.0)
    space = _space(_box(*block))
    fit_tube = loft._fit_tube

    def refuse(*given: object, **named: object) -> object:
        raise LoftError("it stands out of its fit", "the floor", "none")

    def go_over(given: InsertableSpace) -> object:
        return refuse() if given is space else fit_tube(given)

    monkeypatch.setattr(loft, "_fit_post", refuse)
    monkeypatch.setattr(loft, "_fit_tube", go_over)
    if not goes_around:
        with pytest.raises(LoftError, match="do not meet"):
            fit_shell(space)
        return
    shell = fit_shell(space)
    assert shell.posts == ()
    foot = meet_field(shell.wall, shell.floor)
    plan = shapely.Polygon(foot.space[:, :2])
    assert not plan.intersects(shapely.box(-half, -20.0, half, -12.0).buffer(-0.1))
    bare = (WIDTH - 2.0 * DEPTH / LEAN) * (HEIGHT - 2.0 * DEPTH / LEAN)
    taken = 2.0 * (half + 15.0 / LEAN) * (8.0 - 15.0 / LEAN)  # its faces lean out by as much as the wall comes in
    assert plan.area == pytest.approx(bare - taken, rel=0.03)  # corners are rounded
    around = shell.wall.at(np.linspace(0.0, 1.0, 200), np.array([-4.0]))[:, 0, :2]
    assert not shapely.Polygon(around).intersects(shapely.box(-half, -20.0, half, -12.0).buffer(-0.1))


@pytest.mark.parametrize(("thing", "goes_around"), [(RIB, True), (RIDGE, False), (BOSS, False)])
def test_what_cannot_be_cut_out_is_gone_around_at_the_wall_where_that_costs_less_room_than_going_over(
    monkeypatch: pytest.MonkeyPatch, thing: tuple[tuple[float, float], tuple[float, float], float], goes_around: bool
) -> None:
    """Around a ridge from wall to wall only half of the recess would be left, around a boss there is no wall."""
    space = _space(_box(*thing))
    monkeypatch.setattr(loft, "find_pockets", lambda *given: ())  # as where their walls cannot be fitted
    monkeypatch.setattr(loft, "MOST_UNUSED", 1.0)  # the ridge costs more than facets then
    over = loft._fit_pockets(space)
    lost = loft._measure_unused(over, space)

    def refuse(*given: object, **named: object) -> object:
        raise LoftError("it stands out of its fit", "the floor", "none")

    monkeypatch.setattr(loft, "_fit_post", refuse)
    shell = fit_shell(space)
    assert np.array_equal(shell.floor.poles, over.floor.poles) != goes_around
    if goes_around:
        left = measure_volume(tessellate(shell_solid(shell, space, below=0.0, reach=None)[0]))
        assert space.volume() - left < 0.6 * lost


@pytest.mark.parametrize("top", [-0.3, 0.0, 0.4])
def test_the_body_goes_in_a_ring_around_what_stands_up_to_the_lid(top: float) -> None:
    space = _space(_box((-5.0, -4.0), (3.0, 4.0), top))
    shell = fit_shell(space)
    assert len(shell.posts) == 1
    mesh = tessellate(shell_solid(shell, space, below=0.0, reach=None)[0])
    middle = mesh.vertices[mesh.faces].mean(axis=1)
    assert not ((middle[:, 0] > -4.0) & (middle[:, 0] < 2.0) & (np.abs(middle[:, 1]) < 3.0)).any()  # no skin over it
    edges = {tuple(sorted(edge)) for face in mesh.faces.tolist() for edge in zip(face, (*face[1:], face[0]), strict=True)}
    assert len(np.unique(mesh.faces)) - len(edges) + len(mesh.faces) == 0  # Euler: of a body with one hole through it
    room = float(np.maximum(-space.height, 0.0).sum()) * PITCH**2
    assert 0.975 * room < measure_volume(mesh) < 1.002 * room


def test_a_speck_up_to_the_lid_makes_no_ring() -> None:
    space = _space(_box((0.0, 0.0), (0.4, 0.4), -0.2))
    assert lift_islands(space) is space


def test_under_a_lid_that_bows_out_the_body_goes_around_what_stands_up_to_it() -> None:
    """The lid rises by 3 mm to its middle, where a block comes up to it; the mouth's outline lies on the lid's edge."""
    lid = np.array([3.0, 0.0, 0.0, -1.5 / 900.0, 0.0, -1.5 / 400.0])
    space = replace(_space(_box((-5.0, -4.0), (3.0, 4.0), 3.0)), lid=lid, top=1.5)
    assert lift_islands(space).top == pytest.approx(3.0, abs=0.01)
    shell = fit_shell(space)
    assert len(shell.posts) == 1
    mesh = tessellate(shell_solid(shell, space, below=0.0, reach=None)[0])
    middle = mesh.vertices[mesh.faces].mean(axis=1)
    assert not ((middle[:, 0] > -4.0) & (middle[:, 0] < 2.0) & (np.abs(middle[:, 1]) < 3.0)).any()  # no skin over it


def test_no_floor_goes_over_what_stands_up_to_the_lid(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*given: object, **named: object) -> object:
        raise LoftError("it stands out of its fit", "the floor", "none")

    monkeypatch.setattr(loft, "_fit_post", refuse)
    assert fit_shell(_space(_box(*BOSS))).posts == ()
    with pytest.raises(LoftError, match="stands up to the mouth"):
        fit_shell(_space(_box((-5.0, -4.0), (3.0, 4.0), 0.0)))


def test_faces_that_leave_much_of_the_room_are_not_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    """Over a ridge from wall to wall, with no pockets beside it, a floor leaves more than facets do."""
    monkeypatch.setattr(loft, "find_posts", lambda *given, **named: ())
    space = _space(_box(*RIDGE))
    fit_shell(space)
    monkeypatch.setattr(loft, "find_pockets", lambda *given: ())
    with pytest.raises(LoftError, match="cannot follow"):
        fit_shell(space)


def test_what_a_shell_leaves_is_what_its_solid_leaves() -> None:
    space = _space(_box(*STEP))
    shell = loft._fit_tube(space)
    left = space.volume() - measure_volume(tessellate(shell_solid(shell, space, below=0.0, reach=None)[0]))
    assert loft._measure_unused(shell, space) == pytest.approx(left, rel=0.1)


def test_a_place_that_does_not_part_is_given_up_when_no_slope_helps(monkeypatch: pytest.MonkeyPatch) -> None:
    """As if floor and wall did not part at one place, until it is given up: the foot goes around it, all else stays."""
    space, place = _space(), np.array([30.0 - DEPTH / LEAN, 3.0])
    tried: list[float] = []
    before = loft._fit_tube(space)

    def find_flaws(wall: Surface, floor: Surface, lid: Floats) -> Floats:
        plan = shapely.Polygon(meet_field(wall, floor).space[:, :2])
        tried.append(plan.exterior.distance(shapely.Point(place)))
        return np.empty((0, 2)) if tried[-1] > 1.5 else place[None]

    monkeypatch.setattr(loft, "find_flaws", find_flaws)
    shell = loft._fit_tube(space)
    assert len(tried) == len(loft.RELAXED) + 2
    plan = shapely.Polygon(meet_field(shell.wall, shell.floor).space[:, :2])
    assert not plan.intersects(shapely.Point(place).buffer(loft.GIVEN_UP - 0.1))
    whole = shapely.Polygon(meet_field(before.wall, before.floor).space[:, :2])
    assert whole.difference(plan).area < 25.0


@pytest.mark.parametrize("shape", ["round", "square", "at the wall"])
def test_a_pit_in_the_floor_is_filled_too(shape: str) -> None:
    """The floor comes down into it beside its walls, and the ring of room there is two pockets that close under that floor."""
    x, y = _nodes()
    middle = 4.0 if shape != "at the wall" else 16.0
    away = np.hypot(x - middle, y + 2.0) if shape == "round" else np.maximum(np.abs(x - middle), np.abs(y + 2.0))
    space = _space(_pit(14.0 - away, -14.0))
    shell = fit_shell(space)
    assert len(shell.pockets) + len(shell.posts) > 0
    assert loft._measure_unused(shell, space) < 0.012 * space.volume()


def test_a_boss_at_the_edge_of_a_step_ends_on_the_step() -> None:
    """The step's face under it leads uphill to the boss, and is the step's."""
    boss = ((-20.0, -4.0), (-10.5, 4.0), -5.0)
    space = _space(_box(*STEP), _box(*boss))
    high, low = find_posts(space, SPLIT, stacked=True)
    assert space.height[high.island].min() > STEP[2] - 1.0
    face = (_box(*STEP) > -DEPTH) & (space.height < STEP[2] - 1.0) & (np.abs(_nodes()[1]) < 15.0) & (_nodes()[0] > -25.0)
    assert face.sum() > 1000
    assert low.island[face].mean() > 0.9  # but for the foot, which may be rounded into the floor
    shell = fit_shell(space)
    assert len(shell.posts) == 2
    assert loft._measure_unused(shell, space) < 0.025 * space.volume()


@pytest.mark.parametrize(("half", "tall", "kept"), [(1.0, 2.0, 1), (1.0, 8.0, 1), (9.0, 8.0, 0)])
def test_what_little_stands_out_of_a_posts_fit_is_left_to_the_floor(
    monkeypatch: pytest.MonkeyPatch, half: float, tall: float, kept: int
) -> None:
    """A strip of a boss's face is never covered, or all its faces, which are too much of it."""
    space = _space(_box(*BOSS))
    x, y = _nodes()
    face = (np.abs(y) < half) & (np.abs(x - 5.0) < 2.0 * half)
    strip = face & (space.height > -DEPTH + 1.5) & (space.height < -DEPTH + tall)
    assert strip.any()
    monkeypatch.setattr(loft, "measure_uncut", lambda *given: np.where(strip, 0.1, 0.0))
    shell = fit_shell(space)
    assert len(shell.posts) == kept
    over = shell.floor.at_points(x[strip].astype(np.float64), y[strip].astype(np.float64))[:, 0]
    assert ((space.height[strip] - over) / LEAN < 0.035).all()  # mm it lies behind the face


@pytest.mark.parametrize("well", [True, False])
def test_a_second_way_that_fails_leaves_the_first_as_it_was(monkeypatch: pytest.MonkeyPatch, well: bool) -> None:
    """Its result where there is one, else its error: another one could forbid facets."""
    space, fit_posts = _space(_box(*BOSS)), loft._fit_posts

    def fit(given: InsertableSpace, standing: Sequence[Post], *, left: float) -> object:
        if left:
            raise FieldError("of the second", "the floor", "none")
        if not well:
            raise LoftError("of the first", "the floor", "none")
        return fit_posts(given, standing, left=left)

    def refuse(*given: object, **named: object) -> object:
        raise LoftError("it stands out of its fit", "the floor", "none")

    monkeypatch.setattr(loft, "_fit_post", refuse)
    monkeypatch.setattr(loft, "WELL_USED", 0.0)
    monkeypatch.setattr(loft, "_fit_posts", fit)
    if well:
        assert fit_shell(space).posts == ()
        return
    with pytest.raises(LoftError, match="of the first"):
        fit_shell(space)
