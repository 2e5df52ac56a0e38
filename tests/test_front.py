"""What is carried along a front, held against the front itself, an outline's own distances and Pappus' theorem."""

from __future__ import annotations

from math import cos, hypot, radians, sin

import numpy as np
import pytest
import shapely
import trimesh

from mountgen.arrays import Floats
from mountgen.features.front import PATH_ERROR, follow_front
from mountgen.features.profile import Profile, find_front
from mountgen.kernel import Mesh, Solid, tessellate
from mountgen.mesh_measure import measure_volume
from mountgen.shape import Outline, fit_circle, round_polygon

ABOVE, BEYOND = 3.0, 5.0
CHORD = 0.004
OUTLINE = round_polygon([(-2.0, -3.0), (2.5, -3.0), (2.5, 1.0), (-2.0, 1.0)], [0.0, 0.0, 1.0, 0.0])
LEVEL = (0.0, 0.08, 0.0, 0.0, 0.0, 0.0)  # a front that leans but does not bow
FRONTS = {  # z = a + b y + c x + d x² + ...: of the surround across the mouth; out of the recess is +z
    "straight": LEVEL,
    "slanting": (0.0, 0.08, 0.06, 0.0, 0.0, 0.0),
    "bowed out": (0.0, 0.08, 0.02, -5e-4, 0.0, 0.0),
    "bowed in": (0.0, -0.05, 0.0, 6e-4, 0.0, 0.0),
    "twisted": (0.0, 0.0, 0.0, -5e-4, 4e-4, 1e-4),
    "much bowed": (0.0, 0.0, 0.0, -5e-3, 0.0, 0.0),
}
PLAIN = ("Plane", "Cylinder", "Cone", "Torus")
LOW, HIGH = -60.0, 55.0


def profile_of(name: str, *, recline: float = 0.0, tilt: float = 4.0) -> Profile:
    a, b, c, d, e, f = FRONTS[name]
    up = np.array([0.0, cos(radians(recline)), sin(radians(recline))])
    inwards = np.array([0.0, up[2], -up[1]])
    lid = np.array([a, c, b, d, e, f])  # 1, x, y, x², xy, y²
    deck_s = float(find_front(lid, up, inwards, -20.0, np.zeros(1), 8.0)[0])
    return Profile(up=up, inwards=inwards, base=-20.0, top=40.0, lid=lid, deck_s=deck_s, deck_h=8.0, tilt_deg=tilt,
                   lip_height=ABOVE, lip_thickness=2.0)  # fmt: skip


def carried(profile: Profile, outline: Outline = OUTLINE) -> Solid:
    return follow_front(profile, outline, LOW, HIGH, above=ABOVE, beyond=BEYOND)


def to_trimesh(mesh: Mesh) -> trimesh.Trimesh:
    return trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)


def find_edge(profile: Profile, x: Floats) -> Floats:
    return profile.place(x, profile.front_edge(x, ABOVE))


def list_kinds(solid: Solid) -> set[str]:
    from OCP.BRepAdaptor import BRepAdaptor_Surface
    from OCP.TopAbs import TopAbs_FACE
    from OCP.TopExp import TopExp_Explorer
    from OCP.TopoDS import TopoDS

    kinds, explorer = set(), TopExp_Explorer(solid, TopAbs_FACE)
    while explorer.More():
        kinds.add(str(BRepAdaptor_Surface(TopoDS.Face_s(explorer.Current())).GetType()).rpartition("_")[2])
        explorer.Next()
    return kinds


def along_edge(profile: Profile, points: Floats) -> tuple[Floats, Floats]:
    """Return where points (N, 3) lie square to the edge's nearest point: (s, h) about that, and its x."""
    x = np.linspace(LOW - 3.0 * BEYOND, HIGH + 3.0 * BEYOND, 4001)
    edge = find_edge(profile, x)
    flat, path = (np.column_stack([each[:, 0], each @ inwards(profile)]) for each in (points, edge))
    line = shapely.LineString(path)
    far = shapely.line_locate_point(line, shapely.points(flat))
    foot, ahead = (shapely.get_coordinates(shapely.line_interpolate_point(line, far + step)) for step in (0.0, 0.01))
    tangent = ahead - foot
    side = (tangent[:, 0] * (flat - foot)[:, 1] - tangent[:, 1] * (flat - foot)[:, 0]) / np.linalg.norm(tangent, axis=1)
    rise = (points - edge[0]) @ square(profile)
    tilt = radians(profile.tilt_deg)
    s, h = cos(tilt) * side + sin(tilt) * rise, -sin(tilt) * side + cos(tilt) * rise
    return np.column_stack([s, h]), foot[:, 0]


def inwards(profile: Profile) -> Floats:
    tilt = radians(profile.tilt_deg)
    return np.asarray(cos(tilt) * profile.inwards - sin(tilt) * profile.up)


def square(profile: Profile) -> Floats:
    tilt = radians(profile.tilt_deg)
    return np.asarray(sin(tilt) * profile.inwards + cos(tilt) * profile.up)


@pytest.mark.parametrize("recline", [0.0, 20.0])
@pytest.mark.parametrize("name", [name for name in FRONTS if name != "much bowed"])
def test_an_outline_turns_with_the_front_and_leaves_plain_faces(name: str, recline: float) -> None:
    profile = profile_of(name, recline=recline)
    solid = carried(profile)
    assert list_kinds(solid) <= set(PLAIN)
    points, _ = trimesh.sample.sample_surface(to_trimesh(tessellate(solid, chord=CHORD)), 3000, seed=1)
    flat, x = along_edge(profile, np.asarray(points))
    inside = (x > LOW) & (x < HIGH)
    border = shapely.LinearRing(OUTLINE.points(chord=1e-4))
    assert inside.sum() > 2000
    assert shapely.distance(border, shapely.points(flat[inside])).max() < PATH_ERROR + CHORD
    assert (x.min(), x.max()) == pytest.approx((LOW - BEYOND, HIGH + BEYOND), abs=0.1)


@pytest.mark.parametrize("name", [name for name in FRONTS if name != "much bowed"])
def test_its_volume_is_that_of_pappus(name: str) -> None:
    """Area times the way of its centroid."""
    profile = profile_of(name)
    volume = measure_volume(tessellate(carried(profile), chord=CHORD))
    area = shapely.Polygon(OUTLINE.points(chord=1e-4))
    centroid = area.centroid
    edge = find_edge(profile, np.linspace(LOW - BEYOND, HIGH + BEYOND, 4001))
    path = np.column_stack([edge[:, 0], edge @ inwards(profile)])
    tilt = radians(profile.tilt_deg)
    aside = centroid.x * cos(tilt) - centroid.y * sin(tilt)
    moved = shapely.LineString(path).length + aside * turn_of(path)
    assert volume == pytest.approx(area.area * moved, rel=1e-3)


def turn_of(path: Floats) -> float:
    """Return by how much a path (N, 2) turns towards its left, radians; a curve to its left is so much longer on its right."""
    step = np.diff(path, axis=0)
    angle = np.unwrap(np.arctan2(step[:, 1], step[:, 0]))
    return -float(angle[-1] - angle[0])


def test_a_front_that_is_no_arc_is_swept_along() -> None:
    profile = profile_of("much bowed", tilt=0.0)
    points, _ = trimesh.sample.sample_surface(to_trimesh(tessellate(carried(profile), chord=CHORD)), 3000, seed=1)
    points = points[np.abs(points[:, 0] - 0.5 * (LOW + HIGH)) < 0.5 * (HIGH - LOW)]
    flat = profile.flatten(points) - profile.front_edge(points[:, 0], ABOVE)
    border = shapely.LinearRing(OUTLINE.points(chord=1e-4))
    assert shapely.distance(border, shapely.points(flat)).max() < PATH_ERROR + CHORD
    assert hypot(*np.ptp(flat, axis=0)) == pytest.approx(hypot(4.5, 4.0), abs=0.02)


@pytest.mark.parametrize("turn", [0.03, 1.0, 6.0])
def test_a_circle_is_found_from_an_arc_and_its_error_is_what_stands_off(turn: float) -> None:
    angle = 0.7 + np.linspace(-0.5, 0.5, 25) * turn
    arc = np.array([300.0, -900.0]) + 898.0 * np.column_stack([np.cos(angle), np.sin(angle)])
    found = fit_circle(arc)
    assert found.middle == pytest.approx([300.0, -900.0], abs=1e-4)
    assert found.radius == pytest.approx(898.0, abs=1e-4)
    assert found.error < 1e-6
    arc[12] += 0.1 * (arc[12] - found.middle) / found.radius  # one point a tenth of a millimetre outside
    assert 0.05 < fit_circle(arc).error < 0.1
