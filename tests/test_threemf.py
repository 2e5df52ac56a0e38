"""3MF, read back by the consortium's own library in strict mode and held against its core specification."""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ElementTree
import zipfile
from typing import Any

import numpy as np
import pytest

from mountgen.errors import ExportError
from mountgen.kernel import Mesh
from mountgen.threemf import OWN_NAMESPACE, encode_3mf
from tests.solids import box_mesh, tessellate, wavy_solid

CORE = "{http://schemas.microsoft.com/3dmanufacturing/core/2015/02}"
# ST_Number of the core specification's schema (appendix B.1)
NUMBER = re.compile(r"((-|\+)?(([0-9]+(\.[0-9]+)?)|(\.[0-9]+))((e|E)(-|\+)?[0-9]+)?)")
METADATA = {"Application": "mountgen", "clearance": "0.4 mm", "Description": 'a <shelf> & "lip"'}


def read_strictly(content: bytes) -> Any:
    lib3mf = pytest.importorskip("lib3mf")
    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromBuffer(content)
    assert [reader.GetWarning(k) for k in range(reader.GetWarningCount())] == []
    return model


def read_model_part(content: bytes) -> ElementTree.Element:
    return ElementTree.fromstring(zipfile.ZipFile(io.BytesIO(content)).read("3D/3dmodel.model"))


def test_the_strict_reader_gives_back_the_mesh_unit_names_and_metadata() -> None:
    lib3mf = pytest.importorskip("lib3mf")
    mesh = tessellate(wavy_solid(30), 0.05)
    model = read_strictly(encode_3mf(mesh, name="juniper-shelf", metadata=METADATA))
    assert model.GetUnit() == lib3mf.ModelUnit.MilliMeter
    objects = model.GetMeshObjects()
    assert objects.MoveNext()
    part = objects.GetCurrentMeshObject()
    assert not objects.MoveNext()
    assert part.IsValid()
    assert part.IsManifoldAndOriented()
    assert part.GetName() == "juniper-shelf"
    assert part.GetType() == lib3mf.ObjectType.Model
    points = np.array([list(corner.Coordinates) for corner in part.GetVertices()])
    np.testing.assert_array_equal(points, mesh.vertices.astype(np.float32))
    np.testing.assert_array_equal([list(face.Indices) for face in part.GetTriangleIndices()], mesh.faces)
    group = model.GetMetaDataGroup()
    entries = [group.GetMetaData(k) for k in range(group.GetMetaDataCount())]
    found = {(entry.GetNameSpace(), entry.GetName()): entry.GetValue() for entry in entries}
    assert found == {
        ("", "Title"): "juniper-shelf",
        ("", "Application"): "mountgen",
        ("", "Description"): 'a <shelf> & "lip"',
        (OWN_NAMESPACE, "clearance"): "0.4 mm",
    }


def test_the_transform_moves_the_part_as_column_vectors_would() -> None:
    """A quarter turn about x and a shift, asked of the library as the build item's own matrix."""
    pytest.importorskip("lib3mf")
    turn = np.array([[1.0, 0, 0, 5], [0, 0, -1, 6], [0, 1, 0, 7.25], [0, 0, 0, 1]])
    model = read_strictly(encode_3mf(box_mesh(), name="part", transform=turn))
    items = model.GetBuildItems()
    assert items.MoveNext()
    fields = np.array([list(row) for row in items.GetCurrent().GetObjectTransform().Fields])  # row vectors
    np.testing.assert_allclose(np.array([2.0, 3.0, 4.0, 1.0]) @ fields, (turn @ (2, 3, 4, 1))[:3])
    item = read_model_part(encode_3mf(box_mesh(), name="part", transform=turn)).find(
        f"{CORE}build/{CORE}item"
    )
    assert item is not None
    assert item.get("transform") == "1.0 0.0 0.0 0.0 0.0 1.0 0.0 -1.0 0.0 5.0 6.0 7.25"


def test_package_parts_are_those_of_the_open_packaging_conventions() -> None:
    archive = zipfile.ZipFile(io.BytesIO(encode_3mf(box_mesh(), name="part")))
    assert archive.namelist() == ["[Content_Types].xml", "_rels/.rels", "3D/3dmodel.model"]
    types = ElementTree.fromstring(archive.read("[Content_Types].xml"))
    by_ending = {entry.get("Extension"): entry.get("ContentType") for entry in types}
    # core specification 1.3, appendix C: content types and relationship of the 3D model part
    assert by_ending == {
        "rels": "application/vnd.openxmlformats-package.relationships+xml",
        "model": "application/vnd.ms-package.3dmanufacturing-3dmodel+xml",
    }
    (relation,) = ElementTree.fromstring(archive.read("_rels/.rels"))
    assert relation.get("Type") == "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
    assert relation.get("Target") == "/3D/3dmodel.model"


def test_model_part_keeps_the_rules_of_the_core_specification() -> None:
    mesh = tessellate(wavy_solid(30), 0.05)
    small = Mesh(mesh.vertices * 1e-4, mesh.faces)  # numbers with exponents
    model = read_model_part(encode_3mf(small, name="part", metadata=METADATA))
    assert model.get("unit") == "millimeter"
    (item,) = model.findall(f"{CORE}build/{CORE}item")
    (part,) = model.findall(f"{CORE}resources/{CORE}object")
    assert part.get("type") == "model"
    assert item.get("objectid") == part.get("id") == "1"
    vertices = part.findall(f"{CORE}mesh/{CORE}vertices/{CORE}vertex")
    triangles = part.findall(f"{CORE}mesh/{CORE}triangles/{CORE}triangle")
    texts = [vertex.get(axis, "") for vertex in vertices for axis in "xyz"]
    assert any("e" in text for text in texts)
    assert all(NUMBER.fullmatch(text) for text in texts)
    edges: dict[tuple[int, int], int] = {}
    for triangle in triangles:
        corners = [int(triangle.get(f"v{k}", "")) for k in (1, 2, 3)]
        assert len(set(corners)) == 3
        assert max(corners) < len(vertices)
        for start, stop in zip(corners, corners[1:] + corners[:1], strict=True):
            edges[start, stop] = edges.get((start, stop), 0) + 1
    assert set(edges.values()) == {1}  # manifold and consistently oriented: each edge once in each direction
    assert all((stop, start) in edges for start, stop in edges)
    names = [entry.get("name", "") for entry in model.findall(f"{CORE}metadata")]
    assert len(names) == len(set(names))
    assert "mountgen:clearance" in names


def test_an_open_or_inside_out_mesh_is_not_called_a_solid() -> None:
    box = box_mesh()
    for mesh in (Mesh(box.vertices, box.faces[:-1]), Mesh(box.vertices, box.faces[:, ::-1])):
        content = encode_3mf(mesh, name="part")
        part = read_model_part(content).find(f"{CORE}resources/{CORE}object")
        assert part is not None
        assert part.get("type") == "surface"
        read_strictly(content)


def test_the_same_mesh_gives_the_same_bytes_whatever_the_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    first = encode_3mf(box_mesh(), name="part", metadata=METADATA)
    monkeypatch.setattr("time.time", lambda: 2.0e9)
    monkeypatch.setattr("time.localtime", lambda *_: (2033, 5, 18, 3, 33, 20, 2, 138, 0))
    monkeypatch.setattr("sys.platform", "win32")
    assert encode_3mf(box_mesh(), name="part", metadata=METADATA) == first


def test_control_characters_and_other_scripts_in_names() -> None:
    model = read_strictly(
        encode_3mf(box_mesh(), name='Ablage "für"\x00\x1b <Juniper> 窓', metadata={"note": "a\ud800b"})
    )
    objects = model.GetMeshObjects()
    objects.MoveNext()
    assert objects.GetCurrentMeshObject().GetName() == 'Ablage "für" <Juniper> 窓'


@pytest.mark.parametrize("key", ["", "two words", "1st", "a:b", 'a"b'])
def test_a_metadata_name_that_xml_does_not_allow(key: str) -> None:
    with pytest.raises(ValueError, match="a letter first"):
        encode_3mf(box_mesh(), name="part", metadata={key: "text"})


@pytest.mark.parametrize(
    ("transform", "message"),
    [
        (np.eye(3), r"\(4, 4\); got \(3, 3\)"),
        (np.diag([1.0, 1, -1, 1]), "mirrors"),
        (np.diag([1.0, 1, 0, 1]), "flattens"),
        (np.eye(4) * 2, "0 0 0 1"),
        (np.diag([np.nan, 1, 1, 1]), "finite"),
    ],
)
def test_a_transform_that_no_part_can_take(transform: Any, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        encode_3mf(box_mesh(), name="part", transform=transform)


def test_an_empty_mesh_is_refused() -> None:
    with pytest.raises(ExportError) as caught:
        encode_3mf(Mesh(np.zeros((0, 3)), np.zeros((0, 3), dtype=int)), name="part")
    assert "no triangle" in caught.value.what
    assert caught.value.where == "part.3mf"
    assert "report this" in caught.value.remedy
