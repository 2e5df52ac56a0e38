"""The three files of a part agree with each other, appear together, with names that every system takes."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import numpy as np
import pytest
import trimesh

from mountgen import safe_write
from mountgen.errors import ExportError
from mountgen.export import MAX_NAME_BYTES, encode_part, export_part, name_files
from mountgen.kernel import Body, Mesh
from mountgen.mesh_measure import measure_volume
from tests.solids import box_mesh, box_solid, tessellate, wavy_solid
from tests.test_step_file import read_solids
from tests.test_threemf import read_model_part, read_strictly

BOX = Body(box_solid(), box_mesh())


def test_the_three_files_hold_the_same_part(tmp_path: Path) -> None:
    solid = wavy_solid()
    body = Body(solid, tessellate(solid, 0.02))
    paths = export_part(body, tmp_path / "out", name="juniper-shelf", extra={"report.json": b"{}"})
    assert [path.name for path in paths.values()] == [
        "juniper-shelf.stl", "juniper-shelf.step", "juniper-shelf.3mf", "report.json",
    ]  # fmt: skip
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == sorted(paths)
    stl = trimesh.load(paths["juniper-shelf.stl"], file_type="stl")
    (read,) = read_solids(paths["juniper-shelf.step"])
    objects = read_strictly(paths["juniper-shelf.3mf"].read_bytes()).GetMeshObjects()
    objects.MoveNext()
    printed = objects.GetCurrentMeshObject()
    assert printed.GetTriangleCount() == len(stl.faces)
    corners = np.array([list(corner.Coordinates) for corner in printed.GetVertices()])
    faces = np.array([list(face.Indices) for face in printed.GetTriangleIndices()])
    np.testing.assert_array_equal(corners[faces], stl.triangles)
    assert stl.volume == pytest.approx(measure_volume(tessellate(read, 0.02)), rel=0.002)


def test_description_author_and_metadata_reach_the_files() -> None:
    contents = encode_part(
        BOX,
        name="part",
        description="a shelf",
        author="Ann",
        metadata={"verdict": "fail"},
        transform=np.eye(4),
    )
    step = contents["part.step"].decode("ascii")
    assert "('a shelf')" in step
    assert "('Ann')" in step
    core = "{http://schemas.microsoft.com/3dmanufacturing/core/2015/02}"
    found = {
        entry.get("name"): entry.text
        for entry in read_model_part(contents["part.3mf"]).iter(f"{core}metadata")
    }
    assert found == {
        "Title": "part",
        "Application": "mountgen",
        "Description": "a shelf",
        "Designer": "Ann",
        "mountgen:verdict": "fail",
    }


def test_the_same_body_gives_the_same_bytes() -> None:
    assert encode_part(BOX, name="part") == encode_part(BOX, name="part")


def test_a_failure_in_one_format_leaves_all_old_files(tmp_path: Path) -> None:
    old = {path.name: path.read_bytes() for path in export_part(BOX, tmp_path, name="part").values()}
    empty = Mesh(box_mesh().vertices, np.zeros((0, 3), dtype=int))
    with pytest.raises(ExportError, match="no triangle"):
        export_part(Body(wavy_solid(20), empty), tmp_path, name="part")
    with pytest.raises(ExportError, match="0 solids"):
        export_part(Body(None, box_mesh((1.0, 1.0, 1.0))), tmp_path, name="part")
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == old


def test_a_failing_move_leaves_all_old_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    old = {path.name: path.read_bytes() for path in export_part(BOX, tmp_path, name="part").values()}
    real = os.replace

    def replace(source: Path, target: Path) -> None:
        if target.name == "part.3mf":
            raise OSError(errno.ENOSPC, "No space left on device")
        real(source, target)

    monkeypatch.setattr(safe_write.os, "replace", replace)
    with pytest.raises(ExportError) as caught:
        export_part(Body(box_solid((1, 1, 1)), box_mesh((1.0, 1.0, 1.0))), tmp_path, name="part")
    assert "no room" in caught.value.what
    assert caught.value.where == str(tmp_path / "part.3mf")
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == old


@pytest.mark.parametrize(
    "name", ["phone-shelf", "Ablage für Juniper", "v1.2", "窓", "x" * MAX_NAME_BYTES, "console"]
)
def test_names_that_stand_as_they_are(name: str, tmp_path: Path) -> None:
    assert name_files(name) == {"stl": f"{name}.stl", "step": f"{name}.step", "3mf": f"{name}.3mf"}
    assert len(export_part(BOX, tmp_path, name=name)) == 3


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("", "empty"),
        ("../up", "'/'"),
        ("a\\b", "'\\\\'"),
        ("a:b", "':'"),
        ("a\nb", "'\\n'"),
        (".hidden", "begins or ends with a dot"),
        ("part.", "ends with a dot"),
        ("part ", "a space"),
        ("NUL", "device"),
        ("com1.shelf", "device"),
        ("ü" * 101, "202 bytes"),
    ],
)
def test_names_that_cannot_be_file_names(name: str, reason: str, tmp_path: Path) -> None:
    with pytest.raises(ExportError) as caught:
        export_part(BOX, tmp_path / "out", name=name)
    assert reason in caught.value.what
    assert caught.value.where == "name in the recipe"
    assert 'name = "phone-shelf"' in caught.value.remedy
    assert not (tmp_path / "out").exists()
