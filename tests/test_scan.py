"""The whole first stage: units, size, noise and spacing against what was put in, and a property: rigid
motions carry through.
"""

from __future__ import annotations

import hashlib
import zipfile
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np
import pytest

from mountgen.arrays import Floats
from mountgen.errors import ScanError
from mountgen.scan import MM_PER_UNIT, measure_noise, measure_spacing, read_scan
from tests.sheets import Surface, make_sheet, obj_text, ply_bytes, random_pose, stl_bytes, tray, write_stl

VERTICES, FACES = make_sheet(tray, pitch=5.0)
LISTS: list[list[int]] = FACES.tolist()


@pytest.mark.parametrize("unit", MM_PER_UNIT)
@pytest.mark.parametrize("name", ["a.stl", "a.ply", "a.obj"])
def test_every_unit_comes_out_in_mm(unit: str, name: str, tmp_path: Path) -> None:
    own = VERTICES / MM_PER_UNIT[unit]
    data = {"a.stl": stl_bytes(own, FACES), "a.ply": ply_bytes(own, LISTS), "a.obj": obj_text(own, LISTS)}[
        name
    ]
    (tmp_path / name).write_bytes(data)
    scan = read_scan(tmp_path / name, unit=unit)
    np.testing.assert_allclose(scan.vertices[scan.faces], VERTICES[FACES], atol=1e-5)
    assert (scan.unit, scan.mm_per_unit) == (unit, MM_PER_UNIT[unit])
    assert scan.path == tmp_path / name
    assert scan.sha256 == hashlib.sha256(data).hexdigest()
    assert [m.what for m in scan.mended] == (["welded vertices"] if name == "a.stl" else [])


def test_the_value_handed_on_cannot_be_edited(tmp_path: Path) -> None:
    (tmp_path / "a.ply").write_bytes(ply_bytes(VERTICES, LISTS))
    scan = read_scan(tmp_path / "a.ply")
    assert scan.vertices.dtype == np.float64
    assert scan.faces.dtype == np.int32
    with pytest.raises(ValueError, match="read-only"):
        scan.vertices[0, 0] = 1.0


@pytest.mark.parametrize(
    ("factor", "unit", "what", "remedy"),
    [
        (1e-3, "mm", "is 0.15", 'metres: set scan.unit = "m"'),
        (0.05, "mm", "is 7.56", 'centimetres or inches: set scan.unit = "cm" or scan.unit = "inch"'),
        (1.0, "m", "is 151246", 'millimetres or centimetres: set scan.unit = "mm" or'),
        (1e3, "mm", "is 151246", "cut stray points off"),
        (2e306, "mm", "is inf", "cut stray points off"),
        (1e-7, "mm", "is 1.51e-05", "no unit gives a likely size"),
    ],
)
def test_size_out_of_reason_names_the_likely_unit(
    factor: float, unit: str, what: str, remedy: str, tmp_path: Path
) -> None:
    (tmp_path / "a.ply").write_bytes(ply_bytes(VERTICES * factor, LISTS))
    with pytest.raises(ScanError) as caught:
        read_scan(tmp_path / "a.ply", unit=unit)
    assert what in caught.value.what
    assert remedy in caught.value.remedy


def test_unknown_unit(tmp_path: Path) -> None:
    with pytest.raises(ScanError) as caught:
        read_scan(tmp_path / "a.ply", unit="feet")
    assert caught.value.what == 'unknown unit "feet"'
    assert "mm, cm, m, inch" in caught.value.remedy


def write_bare_3mf(path: Path, vertices: Floats, faces: Iterable[Sequence[int]], *, unit: str) -> None:
    points = "".join(f'<vertex x="{x}" y="{y}" z="{z}"/>' for x, y, z in vertices)
    corners = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in faces)
    mesh = f"<mesh><vertices>{points}</vertices><triangles>{corners}</triangles></mesh>"
    body = f'<resources><object id="1">{mesh}</object></resources><build><item objectid="1"/></build>'
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("3D/3dmodel.model", f'<model unit="{unit}" xmlns="urn:x">{body}</model>')


@pytest.mark.parametrize(("asked", "factor"), [("mm", 25.4), ("cm", 10.0), ("inch", 25.4)])
def test_unit_stated_by_the_file_replaces_the_default_only(asked: str, factor: float, tmp_path: Path) -> None:
    write_bare_3mf(tmp_path / "a.3mf", VERTICES / 25.4, LISTS, unit="inch")
    scan = read_scan(tmp_path / "a.3mf", unit=asked)
    np.testing.assert_allclose(scan.vertices, VERTICES / 25.4 * factor, rtol=1e-9)
    assert scan.mm_per_unit == factor
    assert ("unit of the file" in [m.what for m in scan.mended]) == (asked != "inch")


def test_faces_that_all_point_nowhere(tmp_path: Path) -> None:
    (tmp_path / "a.obj").write_bytes(obj_text(VERTICES, [[900, 901, 902]]))
    with pytest.raises(ScanError) as caught:
        read_scan(tmp_path / "a.obj")
    assert "1 of 1 faces point at vertices that are not in the file" in caught.value.what


CYLINDER: Surface = lambda x, y: 20.0 - np.sqrt(400.0 - x**2)  # noqa: E731
SURFACES: dict[str, Surface] = {
    "plane": lambda x, y: 0.0 * x,
    "cylinder": CYLINDER,
    "tilted": lambda x, y: 0.7 * x + y,
}


@pytest.mark.parametrize("name", SURFACES)
@pytest.mark.parametrize("sigma", [0.02, 0.05, 0.1])
@pytest.mark.parametrize("seed", range(3))
def test_noise_is_what_was_put_in(name: str, sigma: float, seed: int) -> None:
    """Normal noise on a plane and inside a cylinder of radius 20 mm, a point every 0.5 mm; points also wander
    along the surface.
    """
    rng = np.random.default_rng(seed)
    vertices, faces = make_sheet(SURFACES[name], half=(12.0, 25.0), pitch=0.5)
    x, y = (
        vertices[:, 0] + rng.uniform(-0.1, 0.1, len(vertices)),
        vertices[:, 1] + rng.uniform(-0.1, 0.1, len(vertices)),
    )
    slope = (SURFACES[name](x + 1e-6, y) - SURFACES[name](x - 1e-6, y)) / 2e-6
    along = (SURFACES[name](x, y + 1e-6) - SURFACES[name](x, y - 1e-6)) / 2e-6
    normal = np.column_stack([-slope, -along, np.ones_like(x)])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    noisy = (
        np.column_stack([x, y, SURFACES[name](x, y)]) + sigma * rng.standard_normal(len(x))[:, None] * normal
    )
    assert measure_noise(noisy, faces) == pytest.approx(sigma, rel=0.1)
    turn, shift = random_pose(seed)
    assert measure_noise(noisy @ turn.T + shift, faces) == pytest.approx(
        measure_noise(noisy, faces), rel=1e-6
    )


def test_noise_does_not_mind_edges() -> None:
    """A stepped surface has an edge at every tenth point; the median does not see them."""
    rng = np.random.default_rng(0)
    vertices, faces = make_sheet(lambda x, y: 4.0 * np.floor(x / 6.0), half=(30.0, 30.0), pitch=0.5)
    vertices[:, 2] += rng.normal(0.0, 0.05, len(vertices))
    assert 0.045 < measure_noise(vertices, faces) < 0.09
    clean, faces = make_sheet(CYLINDER, half=(12.0, 12.0), pitch=0.5)
    assert measure_noise(clean, faces) < 0.001


def test_noise_of_too_small_a_mesh() -> None:
    assert measure_noise(np.eye(3), np.array([[0, 1, 2]], np.int32)) == 0.0


def test_spacing_is_the_median_edge() -> None:
    vertices, faces = make_sheet(lambda x, y: 0.0 * x, half=(30.0, 30.0), pitch=0.5)
    assert measure_spacing(vertices, faces) == pytest.approx(0.5, rel=1e-12)  # two of three edges are sides
    rng = np.random.default_rng(1)
    points: Floats = rng.normal(size=(3000, 3))
    corners = rng.integers(0, 3000, (5000, 3)).astype(np.int32)
    edges = np.concatenate([points[corners[:, k]] - points[corners[:, (k + 1) % 3]] for k in range(3)])
    assert measure_spacing(points, corners) == pytest.approx(
        np.median(np.linalg.norm(edges, axis=1)), rel=1e-12
    )


@pytest.mark.parametrize("seed", range(3))
def test_moving_the_file_moves_the_scan(seed: int, tmp_path: Path) -> None:
    rng = np.random.default_rng(seed)
    vertices, faces = make_sheet(tray, pitch=1.0)
    vertices = vertices + rng.normal(0.0, 0.03, vertices.shape)
    faces = faces[rng.random(len(faces)) < 0.995]
    turn, shift = random_pose(seed)
    plain = read_scan(write_stl(tmp_path / "a.stl", vertices, faces))
    moved = read_scan(write_stl(tmp_path / "b.stl", vertices @ turn.T + shift, faces))
    assert len(moved.faces) == len(plain.faces)
    assert [(m.what, m.count) for m in moved.mended] == [(m.what, m.count) for m in plain.mended]
    np.testing.assert_allclose(moved.vertices, plain.vertices @ turn.T + shift, atol=2e-3)
    assert moved.spacing == pytest.approx(plain.spacing, rel=1e-4)
    assert moved.noise == pytest.approx(plain.noise, rel=1e-2)


def test_simulated_scan_of_a_known_shape(tmp_path: Path) -> None:
    """A scan with every defect the simulator knows; the bridges lie on the truth's free side, but for the
    noise of their borders.
    """
    import igl

    from examples.juniper import cup_well
    from examples.simulate import simulate_scan, write_ply

    made = simulate_scan(
        cup_well(), seed=3, triangles=30_000, dropouts=30, flipped=0.02, doubled=0.01, unit="cm"
    )
    write_ply(tmp_path / "a.ply", made.vertices, made.faces)
    scan = read_scan(tmp_path / "a.ply", unit="cm")
    found = {m.what: m.count for m in scan.mended}
    assert found["loose fragments"] >= 5
    assert found["mixed normals"] == pytest.approx(0.02 * len(scan.faces), rel=0.2)
    assert found["duplicate faces"] == pytest.approx(0.01 * len(scan.faces), rel=0.2)
    assert scan.noise == pytest.approx(0.03, rel=0.15)
    local = (scan.vertices - made.truth_to_scan[:3, 3]) @ made.truth_to_scan[:3, :3]
    a, b, c = (local[scan.faces[:, k]] for k in range(3))
    assert np.cross(b - a, c - a)[:, 2].sum() > 0.0  # the truth's withdrawal is +z
    assert found["small holes"] >= 10
    before = len(read_scan(tmp_path / "a.ply", unit="cm", bridge=0.0).faces)
    weights = np.random.default_rng(0).dirichlet(np.ones(3), 15)
    points = np.einsum("pk,fki->fpi", weights, local[scan.faces[before:]]).reshape(-1, 3)
    truth = cup_well()
    over = igl.signed_distance(points, np.array(truth.truth_vertices), np.array(truth.truth_faces, np.int64))[
        0
    ]
    assert over.min() > -0.15  # five times the noise
    assert np.median(over) > 0.0
