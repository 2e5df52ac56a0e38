"""What a survey measures of a scan, against turned shapes in closed form and simulated scans of known noise and density."""

from __future__ import annotations

from dataclasses import replace
from math import atan2, degrees, pi, radians, sqrt, tan
from pathlib import Path

import numpy as np
import pytest

from examples.simulate import write_ply
from mountgen.datum import find_datum
from mountgen.faces import find_middles, measure_faces
from mountgen.place import clock_position, tell_arc, tell_clock, tell_spot
from mountgen.recipe_tables import Mouth
from mountgen.scan import read_scan
from mountgen.survey import measure_quality
from mountgen.survey_holes import find_holes
from mountgen.survey_points import find_bearing, find_coarsest, measure_points
from mountgen.survey_sheets import find_dropped, find_islands, find_twin
from mountgen.survey_sight import find_grazing, measure_border
from tests.lathe import as_recess, cut, join, move, roughen, turn, well
from tests.shapes import scan_specimen

R, DEPTH = 30.0, 40.0


def round_well(**options):
    return as_recess(well(**options), radius=options.get("radius", R), depth=options.get("depth", DEPTH))


def read_simulated(folder: Path, name: str, **options):
    simulated = scan_specimen(name, **options)
    path = folder / "scan.ply"
    write_ply(path, simulated.vertices, simulated.faces)
    scan = read_scan(path)
    return simulated, scan, find_datum(scan, mouth=Mouth())


# --- spacing and noise ---


@pytest.mark.parametrize("noise", [0.02, 0.06, 0.12])
def test_noise_of_walls_and_floor_is_that_put_in_not_the_panel_s(noise):
    mesh = well(step=1.0)
    recess = as_recess(roughen(mesh, np.where(mesh[0][:, 2] < -1.0, noise, 5.0 * noise), seed=3), radius=R, depth=DEPTH)
    assert measure_points(recess, find_bearing(recess)).noise == pytest.approx(noise, rel=0.1)


@pytest.mark.parametrize(("name", "triangles", "noise"), [("rounded_tray", 20_000, 0.03), ("two_level", 25_000, 0.1)])
def test_a_simulated_scan_is_measured_right(tmp_path, name, triangles, noise):
    """Noise is that of the simulation, an edge of a mesh of even triangles sqrt(4 / sqrt(3) A / F), nothing is there twice."""
    _, scan, recess = read_simulated(tmp_path, name, triangles=triangles, noise=noise)
    bearing = find_bearing(recess)
    points = measure_points(recess, bearing)
    assert points.noise == pytest.approx(noise, rel=0.1)
    area = measure_faces(recess.vertices, recess.faces)[1][bearing].sum()
    assert points.spacing == pytest.approx(sqrt(4.0 / sqrt(3.0) * area / bearing.sum()), rel=0.1)
    assert find_twin(recess, noise=scan.noise).share < 0.002


def test_spacing_is_that_of_walls_and_floor_not_the_panel_s():
    fine = turn([(30.0, -0.5), (28.0, -40.0), (20.0, -40.0)], step=0.8)
    coarse = turn([(60.0, 0.0), (30.0, 0.0)], step=3.0)
    recess = as_recess(join(coarse, fine), radius=R, depth=DEPTH)
    assert measure_points(recess, find_bearing(recess)).spacing == pytest.approx(0.8, rel=0.1)


def test_the_noisiest_place_is_found():
    mesh = well(step=1.0)
    spot = np.linalg.norm(mesh[0] - [0.0, 29.0, -20.0], axis=1) < 14.0
    recess = as_recess(roughen(mesh, np.where(spot, 0.2, 0.02), seed=5), radius=R, depth=DEPTH)
    worst = measure_points(recess, find_bearing(recess)).noisiest
    assert worst.value > 0.12
    assert np.linalg.norm([worst.x, worst.y - 29.0, worst.depth - 20.0]) < 15.0


def test_the_share_with_points_too_far_apart_and_its_place():
    wall, floor = turn([(30.0, 0.0), (28.0, -40.0)], step=1.0), turn([(28.0, -40.0), (1.0, -40.0)], step=4.0)
    recess = as_recess(join(wall, floor), radius=R, depth=DEPTH)
    share, place = find_coarsest(recess, find_bearing(recess), wider=2.0)
    flat = pi * 28.0**2
    slant = pi * (30.0 + 28.0) * sqrt(4.0 + 40.0**2) * 38.5 / 40.0  # less the 1.5 mm below the rim that do not count
    assert share == pytest.approx(flat / (flat + slant), rel=0.1)
    assert place.depth == pytest.approx(40.0, abs=0.1)
    assert find_coarsest(recess, find_bearing(recess), wider=6.0) == (0.0, None)


# --- what nobody saw ---


@pytest.mark.parametrize("hour", [1.0, 3.5, 6.0, 10.0])
@pytest.mark.parametrize("depth", [12.0, 31.0])
def test_a_hole_in_the_wall_is_found_at_its_clock_position_and_depth(hour, depth):
    way = np.array([np.sin(radians(30.0 * hour)), np.cos(radians(30.0 * hour)), 0.0])
    middle = (R - 2.0 * depth / DEPTH) * way - [0.0, 0.0, depth]
    recess = as_recess(cut(well(step=0.8), lambda p: np.linalg.norm(p - middle, axis=1) < 5.0), radius=R, depth=DEPTH)
    (hole,) = find_holes(recess)
    assert hole.tell_place(2.0 * R) == f"{tell_clock(way[0], way[1])}, {depth:.0f} mm deep"
    assert hole.area == pytest.approx(25.0 * pi, rel=0.1)
    assert hole.extent == pytest.approx(10.0, abs=1.2)
    assert hole.hidden == 0.0


def test_a_hole_in_a_simulated_scan_is_found_where_it_was_made(tmp_path):
    simulated = scan_specimen("rounded_tray", triangles=30_000, dropouts=0, fragments=0)
    at = np.array([-60.0, 12.0, -11.0])  # on the wall at x = -60
    keep = np.linalg.norm(simulated.in_truth_frame()[simulated.faces].mean(axis=1) - at, axis=1) > 5.0
    path = tmp_path / "torn.ply"
    write_ply(path, simulated.vertices, simulated.faces[keep])
    scan = read_scan(path)
    recess = find_datum(scan, mouth=Mouth())
    pose = simulated.truth_to_scan
    true = (pose[:3, :3] @ at + pose[:3, 3] - recess.part_to_scan[:3, 3]) @ recess.part_to_scan[:3, :3]
    (hole,) = [hole for hole in find_holes(recess) if hole.extent > 6.0]
    assert np.linalg.norm([hole.x - true[0], hole.y - true[1], hole.depth + true[2]]) < 1.0
    assert hole.area == pytest.approx(25.0 * pi, rel=0.15)
    assert abs(clock_position(hole.x, hole.y) - clock_position(true[0], true[1])) < 0.1


def test_holes_are_those_of_the_side_that_the_recess_is_on(tmp_path):
    """A scan whose normals were turned over for its recess: the faces of scan and torn scan are the other way round."""
    simulated = scan_specimen("rounded_tray", triangles=30_000, dropouts=0, fragments=0)
    middles = simulated.in_truth_frame()[simulated.faces].mean(axis=1)
    keep = np.linalg.norm(middles - [-60.0, 12.0, -11.0], axis=1) > 2.5  # a hole in a wall that is bridged
    write_ply(tmp_path / "scan.ply", simulated.vertices, simulated.faces[keep])
    scan, torn = (read_scan(tmp_path / "scan.ply", bridge=bridge) for bridge in (6.0, 0.0))
    recess = find_datum(scan, mouth=Mouth())
    over = [replace(each, faces=each.faces[:, ::-1]) for each in (scan, torn)]
    found, again = (measure_quality(a, recess, torn=b, clearance=0.4).holes for a, b in ((scan, torn), over))
    assert len(found) > 0
    assert [(hole.area, hole.hidden) for hole in again] == [(pytest.approx(hole.area), hole.hidden) for hole in found]


def test_a_floor_that_is_an_island_leaves_a_ring():
    whole = well(draft=0.5)
    torn = cut(whole, lambda p: (p[:, 2] < -20.0) & (p[:, 2] > -30.0))
    recess = as_recess(torn, radius=R, depth=DEPTH)
    (hole,) = find_holes(recess)
    assert hole.area == pytest.approx(measure_faces(*whole)[1].sum() - measure_faces(*torn)[1].sum(), rel=0.1)
    assert hole.tell_place(2.0 * R) == "all round, 19 to 30 mm deep"
    (island,) = find_islands(recess)
    assert island.why == ""


def test_what_a_lip_hides_is_told_apart():
    profile = [(55.0, 0.0), (25.0, 0.0), (25.0, -4.0), (35.0, -4.5), (35.0, -40.0), (0.0, -40.0)]
    mesh = cut(turn(profile, step=1.5), lambda p: (p[:, 2] < -4.2) & (p[:, 2] > -20.0) & (p[:, 1] > 5.0))
    (hole,) = find_holes(as_recess(mesh, radius=25.0, depth=40.0))
    assert hole.hidden > 0.9


def test_holes_in_the_panel_are_none():
    torn = cut(well(), lambda p: np.linalg.norm(p - [43.0, 0.0, 0.0], axis=1) < 5.0)
    assert find_holes(as_recess(torn, radius=R, depth=DEPTH)) == ()


# --- what is only seen flat ---


def test_the_foot_of_a_narrow_well_is_seen_flat_from_the_depth_that_follows_from_its_width():
    """At 20 degrees, the least tilt that sees an upright wall well, one looks down to 2 R / tan(20 deg) below the mouth."""
    recess = round_well(radius=10.0, depth=80.0, draft=0.02, step=1.0)
    bearing = find_bearing(recess)
    flat = find_grazing(recess, bearing)
    below = -find_middles(recess.vertices, recess.faces)[:, 2]
    wall = bearing & (below < 79.0)
    reach = 20.0 / tan(radians(20.0))
    assert flat[wall & (below > reach + 2.0)].all()
    assert not flat[wall & (below < reach * np.cos(pi / 8) - 3.0)].any()
    assert flat[bearing & (below > 79.9)].mean() < 0.03  # the floor is seen straight on


def test_a_wide_well_is_seen_well():
    recess = round_well()
    assert not find_grazing(recess, find_bearing(recess)).any()


# --- border, islands, the same surface twice ---


@pytest.mark.parametrize("panel", [8.0, 17.0])
def test_the_border_is_measured(panel):
    border = measure_border(round_well(panel=panel))
    assert border.least == pytest.approx(panel, abs=0.8)
    assert border.short.all()


def test_where_the_border_is_short_is_told():
    recess = as_recess(cut(well(), lambda p: p[:, 0] > R + 10.0), radius=R, depth=DEPTH)
    border = measure_border(recess)
    assert border.least == pytest.approx(10.0, abs=1.5)
    hours = [clock_position(x, y) for x, y, _ in recess.rim[border.short]]
    # 20 mm from the cut, x = 40, are rim points with x > 20: within acos(20 / 30) = 48 degrees of 3 o'clock
    assert tell_arc(hours) == "1:30 to 4:30 o'clock"
    assert max(abs(hour - 3.0) for hour in hours) == pytest.approx(degrees(np.arccos(20.0 / 30.0)) / 30.0, abs=0.15)


def test_an_open_side_needs_no_border():
    recess = as_recess(cut(well(), lambda p: p[:, 0] > R + 2.0), radius=R, depth=DEPTH, open_side_deg=(0.0, 180.0))
    assert measure_border(recess).least > 18.0


def test_beside_an_open_side_the_panel_ends_with_it_and_no_more_can_be_scanned():
    """A nook in a panel's edge at y = -18: the rim ends there on both sides; towards the other sides it counts as ever."""
    whole = cut(well(), lambda p: p[:, 1] < -18.0)
    rim_deg = degrees(np.arccos(18.0 / R))
    opened = {"radius": R, "depth": DEPTH, "open_side_deg": (180.0 - rim_deg, 180.0 + rim_deg)}
    assert measure_border(as_recess(whole, **opened)).least > 24.0
    short = measure_border(as_recess(cut(whole, lambda p: p[:, 0] > R + 10.0), **opened))
    assert short.least == pytest.approx(10.0, abs=1.5)


@pytest.mark.parametrize(
    ("height", "aside", "said"),
    [
        (8.0, 0.0, "floats 8 mm above the mouth's surface"),
        (-33.0, 0.0, "floats 7.0 mm in front of other scan"),
        (-1.0, 70.0, "lies beside the recess, apart from the panel"),
    ],
)
def test_a_doubtful_island_is_told_and_why(height, aside, said):
    disc = move(turn([(9.0, 0.0), (0.0, 0.0)], step=1.5), (aside, 0.0, height))
    recess = as_recess(join(well(), disc), radius=R, depth=DEPTH)
    (island,) = find_islands(recess)
    assert island.why == said
    assert island.area == pytest.approx(pi * 81.0, rel=0.02)


def test_a_dropped_piece_is_doubtful_where_nothing_was_seen_behind_it_and_where_it_is_large():
    """Over a hole in the floor at x = 8, over the floor seen at x = -8, above the mouth, and beside the recess."""
    holed = cut(well(), lambda p: (np.hypot(p[:, 0] - 8.0, p[:, 1]) < 4.0) & (p[:, 2] < 1.0 - DEPTH))
    recess = as_recess(holed, radius=R, depth=DEPTH)
    inside = [[8.0, 0.0, -20.0, 10.0], [-8.0, 0.0, -15.0, 10.0], [-8.0, 0.0, -12.0, 30.0]]
    dropped = np.array([*inside, [8.0, 0.0, 20.0, 40.0], [80.0, 0.0, -5.0, 50.0]])
    found = find_dropped(recess, dropped)
    assert [(each.area, each.why) for each in found] == [
        (30.0, "dropped as dirt"), (10.0, "dropped as dirt, though nothing was seen behind it"),
    ]  # fmt: skip
    assert [(each.x, each.depth) for each in found] == [(-8.0, pytest.approx(12.0)), (8.0, pytest.approx(20.0))]


def test_the_same_surface_twice_is_found_with_share_distance_and_place():
    mesh = well()
    copy = cut(mesh, lambda p: (p[:, 0] < 0.0) | (p[:, 2] > -1.0))
    recess = as_recess(join(mesh, move(copy, (-0.4, 0.0, 0.4))), radius=R, depth=DEPTH)
    twin = find_twin(recess, noise=0.02)
    assert twin.apart == pytest.approx(0.4, abs=0.05)
    areas = measure_faces(*mesh)[1].sum(), measure_faces(*copy)[1].sum()
    assert twin.share == pytest.approx(areas[1] / (areas[0] + areas[1]), rel=0.12)  # less where it moved along itself
    assert abs(degrees(atan2(twin.place.x, twin.place.y)) - 90.0) < 60.0


def test_the_two_sides_of_a_rib_are_no_second_surface():
    rib = [(55.0, 0.0), (30.0, 0.0), (28.0, -40.0), (16.0, -40.0), (15.6, -10.0), (14.4, -10.0), (14.0, -40.0), (0.0, -40.0)]
    assert find_twin(as_recess(turn(rib, step=1.0), radius=R, depth=DEPTH), noise=0.0).share < 0.002


# --- places in words ---


def test_places_in_words():
    assert tell_spot(10.0, 0.0, 12.4) == "3:00 o'clock, 12 mm deep"
    assert tell_spot(0.5, 0.5, 40.0) == "in the middle, 40 mm deep"
    assert tell_spot(0.0, -10.0, -8.0) == "6:00 o'clock, 8 mm above the mouth"
    assert tell_arc([11.5, 12.0, 1.0]) == "11:30 to 1:00 o'clock"
    assert tell_arc([4.4, 4.6]) == "4:30 o'clock"
    assert tell_arc(np.arange(0.5, 12.5, 0.5).tolist()) == "all round"


def test_moving_the_scan_changes_nothing_of_what_is_found():
    recess = as_recess(cut(well(), lambda p: np.linalg.norm(p - [29.0, 0.0, -20.0], axis=1) < 5.0), radius=R, depth=DEPTH)
    moved = replace(recess, part_to_scan=np.array([[0.0, 0, 1, 5], [1, 0, 0, 6], [0, 1, 0, 7], [0, 0, 0, 1]]))
    (one,), (other,) = find_holes(recess), find_holes(moved)
    assert (one.area, one.x, one.depth) == (other.area, other.x, other.depth)
