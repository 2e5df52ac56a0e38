"""Reading STL, PLY, OBJ and 3MF: files written by hand and by other libraries, and all the ways to be broken."""


from __future__ import annotations

import io
import os
import struct
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from mountgen import mesh_3mf, mesh_file
from mountgen.arrays import Floats, Ints
from mountgen.errors import ScanError
from mountgen.mesh_file import RawMesh, check_file, load_bytes, read_mesh
from mountgen.mesh_text import read_numbers
from tests.sheets import make_sheet, obj_text, ply_bytes, stl_bytes, stl_text, tray

VERTICES, FACES = make_sheet(tray, pitch=15.0)
TRIANGLES = VERTICES[FACES]
LISTS: list[list[int]] = FACES.tolist()
QUADS = [[0, 1, 10, 9], [1, 2, 11, 10], [2, 3, 12]]
FAN_OF_QUADS = [[0, 1, 10], [0, 10, 9], [1, 2, 11], [1, 11, 10], [2, 3, 12]]


def read(data: bytes, name: str = "scan.stl") -> RawMesh:
    return read_mesh(data, Path(name))


def corners(mesh: RawMesh) -> Floats:
    triangles: Floats = mesh.vertices[mesh.faces]
    return triangles


@pytest.mark.parametrize(
    ("data", "name", "kind", "exact"),
    [
        (stl_bytes(VERTICES, FACES), "a.stl", "binary STL", False),
        (stl_bytes(VERTICES, FACES, header=b"solid as a rock facet"), "a.stl", "binary STL", False),
        (stl_text(VERTICES, FACES), "a.STL", "ASCII STL", True),
        (stl_text(VERTICES, FACES, upper=True), "a.stl", "ASCII STL", True),
        (stl_text(VERTICES, FACES).replace(b"\n", b"\r\n"), "a.stl", "ASCII STL", True),
        (obj_text(VERTICES, LISTS), "a.obj", "OBJ", True),
        (ply_bytes(VERTICES, LISTS), "a.ply", "binary PLY", True),
        (ply_bytes(VERTICES, LISTS, order=">"), "a.ply", "binary PLY", True),
        (ply_bytes(VERTICES, LISTS, order=""), "a.ply", "ASCII PLY", True),
        (ply_bytes(VERTICES, LISTS, extra=True), "a.ply", "binary PLY", True),
        (ply_bytes(VERTICES, LISTS, order=">", extra=True), "a.ply", "binary PLY", True),
        (ply_bytes(VERTICES, LISTS, order="", extra=True), "a.ply", "ASCII PLY", True),
    ],
)
def test_same_triangles_from_every_format(data: bytes, name: str, kind: str, exact: bool) -> None:
    mesh = read(data, name)
    assert mesh.kind == kind
    assert mesh.mended == ()
    wanted = TRIANGLES if exact else TRIANGLES.astype(np.float32)
    np.testing.assert_array_equal(corners(mesh), wanted)


@pytest.mark.parametrize("order", ["<", ">", ""])
@pytest.mark.parametrize("extra", [False, True])
def test_polygons_of_ply_become_fans(order: str, extra: bool) -> None:
    mesh = read(ply_bytes(VERTICES, QUADS, order=order, extra=extra), "a.ply")
    assert mesh.faces.tolist() == FAN_OF_QUADS
    np.testing.assert_array_equal(mesh.vertices, VERTICES)


def test_polygons_of_obj_become_fans() -> None:
    assert read(obj_text(VERTICES, QUADS), "a.obj").faces.tolist() == FAN_OF_QUADS


def test_obj_statements() -> None:
    text = b"""# comment
mtllib nothing.mtl
vn 0 0 1
vt 0.5 0.5
v 0 0 0 1.0
v\t1e1 0 -0.0
v 10 1.0E+1 .5   # end of line
v 0 10. 0
g lid
f 1/1/1 2//1 3/1
f -4 -2 \\
  -1
l 1 2
"""
    mesh = read(text, "a.obj")
    assert mesh.vertices.tolist() == [[0, 0, 0], [10, 0, 0], [10, 10, 0.5], [0, 10, 0]]
    assert mesh.faces.tolist() == [[0, 1, 2], [0, 2, 3]]


def _write_with_vtk(kind: str, path: Path) -> None:
    from vtkmodules.util.numpy_support import numpy_to_vtk, numpy_to_vtkIdTypeArray
    from vtkmodules.vtkCommonCore import vtkPoints
    from vtkmodules.vtkCommonDataModel import vtkCellArray, vtkPolyData
    from vtkmodules.vtkIOGeometry import vtkOBJWriter, vtkSTLWriter
    from vtkmodules.vtkIOPLY import vtkPLYWriter

    points = vtkPoints()
    points.SetData(numpy_to_vtk(VERTICES.astype(np.float32), deep=True))
    cells = vtkCellArray()
    table = np.column_stack([np.full(len(FACES), 3), FACES]).astype(np.int64)
    cells.ImportLegacyFormat(numpy_to_vtkIdTypeArray(table.ravel(), deep=True))
    poly = vtkPolyData()
    poly.SetPoints(points)
    poly.SetPolys(cells)
    writer: Any = {"stl": vtkSTLWriter, "ply": vtkPLYWriter, "obj": vtkOBJWriter}[path.suffix[1:]]()
    if kind == "text" and path.suffix != ".obj":
        writer.SetFileTypeToASCII()
    if kind == "big":
        writer.SetDataByteOrderToBigEndian()
    writer.SetInputData(poly)
    writer.SetFileName(str(path))
    assert writer.Write() == 1


@pytest.mark.parametrize(
    ("kind", "name"),
    [
        ("binary", "a.stl"),
        ("text", "a.stl"),
        ("binary", "a.ply"),
        ("big", "a.ply"),
        ("text", "a.ply"),
        ("text", "a.obj"),
    ],
)
def test_files_of_another_library(kind: str, name: str, tmp_path: Path) -> None:
    _write_with_vtk(kind, tmp_path / name)
    mesh = read_mesh((tmp_path / name).read_bytes(), tmp_path / name)
    np.testing.assert_allclose(corners(mesh), TRIANGLES, atol=2e-4)  # its text writers print six digits


@pytest.mark.parametrize("kind", ["stl", "stl_ascii", "ply", "obj"])
def test_files_of_a_second_library(kind: str) -> None:
    import trimesh

    data: Any = trimesh.Trimesh(VERTICES, FACES, process=False).export(file_type=kind)
    mesh = read(data if isinstance(data, bytes) else data.encode(), f"a.{kind.split('_')[0]}")
    np.testing.assert_allclose(corners(mesh), TRIANGLES, atol=1e-5)


@pytest.mark.parametrize("form", ["r", "e", "f", "g", ".0f", ".17e"])
def test_numbers_read_as_python_reads_them(form: str) -> None:
    bits = np.random.default_rng(7).integers(0, 2**64, 3000, np.uint64).view(np.float64)
    values = [
        *bits[np.isfinite(bits)].tolist(),
        0.0,
        -0.0,
        5e-324,
        1.7976931348623157e308,
        0.1,
        1e22,
        1e23,
        123456789.0,
    ]
    words = [repr(v) if form == "r" else format(v, form) for v in values]
    got, code, _ = read_numbers(np.frombuffer(" \n".join(words).encode(), np.uint8), 0)
    assert code == 0
    np.testing.assert_allclose(got, [float(w) for w in words], rtol=2e-15, atol=1e-300)


def _lib3mf_bytes(unit: str, *, nested: bool = False) -> bytes:
    lib3mf = pytest.importorskip("lib3mf")
    model = lib3mf.get_wrapper().CreateModel()
    model.SetUnit(getattr(lib3mf.ModelUnit, unit))
    mesh = model.AddMeshObject()
    points = [lib3mf.Position((lib3mf.ctypes.c_float * 3)(*p)) for p in VERTICES.tolist()]
    triangles = [lib3mf.Triangle((lib3mf.ctypes.c_uint32 * 3)(*f)) for f in LISTS]
    mesh.SetGeometry(points, triangles)
    quarter = [[0, 1, 0], [-1, 0, 0], [0, 0, 1], [5, 6, 7]]  # x to y, y to -x, then the shift
    rows = (lib3mf.ctypes.c_float * 3 * 4)(*[(lib3mf.ctypes.c_float * 3)(*row) for row in quarter])
    transform = lib3mf.Transform(rows)
    if nested:
        group = model.AddComponentsObject()
        group.AddComponent(mesh, transform)
        model.AddBuildItem(group, transform)
    else:
        model.AddBuildItem(mesh, transform)
    return bytes(model.QueryWriter("3mf").WriteToBuffer())


@pytest.mark.parametrize(
    ("unit", "ours"),
    [
        ("MilliMeter", "mm"),
        ("CentiMeter", "cm"),
        ("Meter", "m"),
        ("Inch", "inch"),
        ("Foot", "foot"),
        ("MicroMeter", "micron"),
    ],
)
def test_3mf_states_its_unit(unit: str, ours: str) -> None:
    mesh = read(_lib3mf_bytes(unit), "a.3mf")
    assert mesh.unit == ours
    moved = TRIANGLES[..., [1, 0, 2]] * [-1, 1, 1] + [5, 6, 7]
    np.testing.assert_allclose(corners(mesh), moved, atol=1e-4)


def test_3mf_components_are_placed_twice() -> None:
    mesh = read(_lib3mf_bytes("MilliMeter", nested=True), "a.3mf")
    once = TRIANGLES[..., [1, 0, 2]] * [-1, 1, 1] + [5, 6, 7]
    twice = once[..., [1, 0, 2]] * [-1, 1, 1] + [5, 6, 7]
    np.testing.assert_allclose(corners(mesh), twice, atol=1e-4)


def test_content_counts_not_the_name() -> None:
    mesh = read(ply_bytes(VERTICES, LISTS), "a.stl")
    assert mesh.kind == "binary PLY"
    assert [m.what for m in mesh.mended] == ["wrong suffix"]
    assert "binary PLY" in mesh.mended[0].note


@pytest.mark.parametrize("name", ["a.stl", "a.ply"])
def test_trailing_bytes_are_passed_over(name: str) -> None:
    data = stl_bytes(VERTICES, FACES) if name == "a.stl" else ply_bytes(VERTICES, LISTS)
    mesh = read(data + b"seven b", name)
    np.testing.assert_array_equal(mesh.vertices[mesh.faces].astype(np.float32), TRIANGLES.astype(np.float32))
    assert [(m.what, m.count) for m in mesh.mended] == [("trailing bytes", 7)]


STL = stl_bytes(VERTICES, FACES)
PLY = ply_bytes(VERTICES, LISTS)
TEXT_PLY = ply_bytes(VERTICES, LISTS, order="")
POINTS = obj_text(VERTICES, [])
COUNT = len(FACES)


def _zip(name: str, content: bytes, *, packed: bool = True) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED if packed else zipfile.ZIP_STORED) as archive:
        archive.writestr(name, content)
    return out.getvalue()


@pytest.mark.parametrize(
    ("data", "name", "what", "remedy"),
    [
        (STL[:60], "a.stl", "60 bytes are too few", "again"),
        (STL[:-20], "a.stl", f"cut off: {COUNT - 1} of {COUNT} triangles", "copy"),
        (STL[:80] + struct.pack("<I", COUNT - 1) + STL[84:], "a.stl", "wrong triangle count", "export the scan again"),
        (STL[:80] + struct.pack("<I", 0) + STL[84:], "a.stl", "wrong triangle count", "export the scan again"),
        (STL[:80] + struct.pack("<I", 0), "a.stl", "no triangles", "triangle mesh"),
        (bytes(np.random.default_rng(1).integers(1, 256, 5000, np.uint8)), "a.stl", "not an STL", "save the scan as"),
        (bytes(np.random.default_rng(2).integers(0, 256, 5000, np.uint8)), "a.ply", "not a mesh", "save the scan as"),
        (b"hello, this is a letter\n" * 20, "a.obj", "not a mesh", "STL, PLY, OBJ or 3MF"),
        (b"%PDF-1.7 and so on", "scan", "not a mesh", "STL, PLY, OBJ or 3MF"),
        (stl_text(VERTICES, FACES)[:-300], "a.stl", "cut off", "copy"),
        (stl_text(VERTICES, FACES).replace(b"endloop", b"vertex 0 0 0\nendloop", 1), "a.stl", "three corners", "triangle mesh"),
        (stl_text(VERTICES, FACES).replace(b"vertex -60.0", b"vertex -60,0", 1), "a.stl", '"-60,0" is not a number', "point"),
        (b"solid nothing\nendsolid nothing\n", "a.stl", "no triangles", "triangle mesh"),
        (PLY[:-5], "a.ply", 'cut off: the 96 rows of "face"', "copy"),
        (PLY[:500], "a.ply", 'cut off: the 63 rows of "vertex"', "copy"),
        (PLY[:100], "a.ply", "header has no end", "copy"),
        (PLY.replace(b"property double x", b"property quaternion x"), "a.ply", "header makes no sense", "export"),
        (PLY.replace(b"element face 96", b"element face -6"), "a.ply", "header makes no sense", "export"),
        (PLY.replace(b"element face 96", b"element face 999999999999999999999"), "a.ply", "cut off", "copy"),
        (PLY.replace(b"double x", b"double r"), "a.ply", "no x, y and z", "export"),
        (PLY.replace(b"format binary_little_endian 1.0\n", b""), "a.ply", "does not say its format", "export"),
        (PLY.replace(b"element vertex", b"element corner"), "a.ply", "lists no vertices", "export"),
        (PLY.replace(b"vertex_indices", b"neighbourhood_"), "a.ply", "do not list their vertices", "export"),
        (TEXT_PLY[:-30], "a.ply", "cut off", "copy"),
        (TEXT_PLY.replace(b"-60.0", b"-60.0mm", 1), "a.ply", '"-60.0mm" is not a number', "point"),
        (ply_bytes(VERTICES, []), "a.ply", f"{len(VERTICES)} points and no faces: a point cloud", "triangle mesh"),
        (POINTS, "a.obj", f"{len(VERTICES)} points and no faces: a point cloud", "triangle mesh"),
        (POINTS + b"f 1 2\n", "a.obj", "fewer than three corners", "triangle mesh"),
        (POINTS + b"f 1 2 x\n", "a.obj", '"x" is not a number', "again"),
        (POINTS + b"v 1 2", "a.obj", "cut off", "copy"),
        (_zip("letter.txt", b"hello"), "a.3mf", "zip archive without a 3MF model", "unpack"),
        (_zip("3D/3dmodel.model", b"<model"), "a.3mf", "3MF file is broken", "copy"),
        (_zip("3D/3dmodel.model", b"<model" * 500)[:-30], "a.3mf", "3MF file is broken", "copy"),
    ],
)  # fmt: skip
def test_broken_content_says_what_and_what_to_do(data: bytes, name: str, what: str, remedy: str) -> None:
    with pytest.raises(ScanError) as caught:
        read(data, name)
    assert what in caught.value.what
    assert remedy in caught.value.remedy
    assert name in caught.value.where


def test_malformed_number_gives_its_line() -> None:
    text = b"v 0 0 0\nv 1 0 0\nv 1 one 0\nf 1 2 3\n"
    with pytest.raises(ScanError) as caught:
        read(text, "a.obj")
    assert caught.value.where.endswith("line 3")


def test_archive_that_unpacks_to_too_much(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mesh_3mf, "ARCHIVE_LIMIT", 1_000_000)
    bomb = _zip("3D/3dmodel.model", b"\0" * 3_000_000)
    with pytest.raises(ScanError) as caught:
        read(bomb, "a.3mf")
    assert "would unpack from 0.0 MB" in caught.value.what
    assert "PLY" in caught.value.remedy
    lying = bomb.replace(struct.pack("<I", 3_000_000), struct.pack("<I", 3_000))  # both places say 3 kB
    with pytest.raises(ScanError) as caught:
        read(lying, "a.3mf")
    assert "3MF file is broken" in caught.value.what


def test_archive_that_packs_as_no_mesh_does() -> None:
    bomb = _zip("3D/3dmodel.model", b" " * 60_000_000)
    with pytest.raises(ScanError) as caught:
        read(bomb, "a.3mf")
    assert "times as much" in caught.value.what
    assert "export" in caught.value.remedy


def test_a_flat_grid_of_whole_numbers_is_no_such_archive(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mesh_3mf, "PACKED_ANYHOW", 0)  # as if it were large
    side = 60
    vertices = "".join(f'<vertex x="{i}" y="{j}" z="0"/>' for i in range(side) for j in range(side))
    cells = [i * side + j for i in range(side - 1) for j in range(side - 1)]
    triangles = "".join(f'<triangle v1="{k}" v2="{k + side}" v3="{k + 1}"/>' for k in cells)
    mesh = f"<mesh><vertices>{vertices}</vertices><triangles>{triangles}</triangles></mesh>"
    model = _model(f'<object id="1">{mesh}</object>', '<item objectid="1"/>')
    scan = read(_zip("3D/3dmodel.model", model), "a.3mf")
    assert len(scan.faces) == len(cells)


def _model(resources: str, build: str, head: str = "") -> bytes:
    text = f'<?xml version="1.0"?>{head}<model unit="inch" xmlns="urn:core" xmlns:p="urn:production">'
    return f"{text}<resources>{resources}</resources><build>{build}</build></model>".encode()


ONE_TRIANGLE = (
    "<mesh><vertices><vertex x='0' y='0' z='0' /><vertex z=\"0\" x=\"1e1\" y=\"0\"/>\n<!-- <vertex> -->"
    "<vertex\tx = '0' y='10' z='0'></vertex></vertices><triangles><triangle p1='7' v3='2' v1='0' v2='1'/></triangles></mesh>"
)


def test_3mf_attributes_in_any_order_and_parts_in_other_files() -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        inner = f'<object id="3">{ONE_TRIANGLE}</object><object id="4"><mesh><vertices/><triangles/></mesh></object>'
        archive.writestr("3D/inner.model", _model(inner, ""))
        parts = '<components><component objectid="3" p:path="/3D/inner.model"/><component objectid="2"/></components>'
        own = f'<object id="2">{ONE_TRIANGLE}</object><object id="1">{parts}</object>'
        archive.writestr(
            "3D/start.model", _model(own, '<item objectid="1" transform="1 0 0 0 1 0 0 0 1 0 0 5"/>')
        )
        link = '<Relationship Type="http://x/3dmodel" Target="/3D/start.model"/>'
        archive.writestr("_rels/.rels", f'<Relationships xmlns="urn:r">{link}</Relationships>')
    mesh = read(out.getvalue(), "a.3mf")
    assert mesh.unit == "inch"
    assert corners(mesh).tolist() == [[[0, 0, 5], [10, 0, 5], [0, 10, 5]]] * 2


@pytest.mark.parametrize(
    ("model", "what"),
    [
        (_model(f'<object id="1">{ONE_TRIANGLE}</object>', '<item objectid="1" transform="1 0 0"/>'), "3 numbers, not 12"),
        (_model('<object id="1"><mesh><vertices><vertex x="0" y="1"/></vertices></mesh></object>', ""), "three numbers"),
        (_model('<object id="1"><mesh><vertices><vertex x="0"', ""), "has no end"),
        (_model("", "", '<!DOCTYPE m [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;">]>'), "entities"),
        (
            _model('<object id="1"><components><component objectid="1"/></components></object>', '<item objectid="1"/>'),
            "nested more than 16 deep",
        ),
        (_model(f'<object id="1">{ONE_TRIANGLE}</object>', '<item objectid="1" p:path="/no.model"/>'), '"no.model" is missing'),
    ],
)  # fmt: skip
def test_broken_3mf_model(model: bytes, what: str) -> None:
    with pytest.raises(ScanError) as caught:
        read(_zip("3D/3dmodel.model", model), "a.3mf")
    assert what in caught.value.what
    assert "again" in caught.value.remedy


def test_3mf_that_multiplies_its_objects(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mesh_3mf, "FACE_LIMIT", 5000)
    levels = "".join(
        f'<object id="{k}"><components>{f"""<component objectid="{k - 1}"/>""" * 10}</components></object>'
        for k in range(1, 9)
    )
    model = _model(f'<object id="0">{ONE_TRIANGLE}</object>{levels}', '<item objectid="8"/>')
    with pytest.raises(ScanError) as caught:
        read(_zip("3D/3dmodel.model", model), "a.3mf")
    assert "more than 5000 triangles" in caught.value.what


SPECIMENS: list[tuple[bytes, str]] = [
    (STL, "a.stl"), (stl_text(VERTICES, FACES), "a.stl"), (PLY, "a.ply"), (ply_bytes(VERTICES, QUADS, extra=True), "a.ply"),
    (TEXT_PLY, "a.ply"), (obj_text(VERTICES, QUADS), "a.obj"),
    (_zip("3D/3dmodel.model", _model(f'<object id="1">{ONE_TRIANGLE}</object>', '<item objectid="1"/>'), packed=False), "a.3mf"),
]  # fmt: skip


@pytest.mark.parametrize(
    "specimen", SPECIMENS, ids=["stl", "text stl", "ply", "odd ply", "text ply", "obj", "3mf"]
)
def test_damage_gives_a_mesh_or_a_scan_error(specimen: tuple[bytes, str]) -> None:
    refused = 0
    for seed in range(120):
        rng = np.random.default_rng(seed)
        data, name = bytearray(specimen[0]), specimen[1]
        reach = len(data) if seed % 2 else min(400, len(data))  # half of them in the header
        for _ in range(seed % 13):
            data[int(rng.integers(reach))] = int(rng.integers(256))
        if seed % 3 == 0:
            del data[int(rng.integers(len(data))) :]
        try:
            mesh = read(bytes(data), name)
        except ScanError:  # any other exception fails the test
            refused += 1
            continue
        assert mesh.vertices.shape[1:] == (3,)
        assert len(mesh.faces)
        assert mesh.faces.shape[1:] == (3,)
    assert 30 < refused < 120


def test_what_is_not_a_file(tmp_path: Path) -> None:
    (tmp_path / "empty.stl").touch()
    for path, what, remedy in [
        (tmp_path, "a folder", "inside the folder"),
        (tmp_path / "none.stl", "no such scan file", "path"),
        (tmp_path / "empty.stl", "empty (0 bytes)", "again"),
    ]:
        with pytest.raises(ScanError) as caught:
            load_bytes(path)
        assert what in caught.value.what
        assert remedy in caught.value.remedy
        assert str(path) in caught.value.where


@pytest.mark.skipif(os.name != "posix", reason="pipes and links are made otherwise there")
def test_neither_a_pipe_nor_a_link_to_itself_is_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.stl")
    (tmp_path / "circle.stl").symlink_to(tmp_path / "circle.stl")
    for name, what, remedy in [
        ("pipe.stl", "not an ordinary file", "copy the scan into a file"),
        ("circle.stl", "no such scan file, the link leads to none", "check the path"),
    ]:
        with pytest.raises(ScanError) as caught:
            check_file(tmp_path / name)
        assert what in caught.value.what
        assert remedy in caught.value.remedy


def test_too_large_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mesh_file, "FILE_LIMIT", 1000)
    (tmp_path / "a.stl").write_bytes(STL)
    with pytest.raises(ScanError) as caught:
        load_bytes(tmp_path / "a.stl")
    assert "the limit is" in caught.value.what
    assert "thin the scan" in caught.value.remedy


def test_index_types_do_not_wrap() -> None:
    """An index above 2^31 stays out of range; it must not come back as a small one."""
    head = (
        b"ply\nformat binary_little_endian 1.0\nelement vertex 3\nproperty float x\nproperty float y\nproperty float z\n"
        b"element face 1\nproperty list uchar uint vertex_index\nend_header\n"
    )
    body = np.zeros(9, "<f4").tobytes() + struct.pack("<B3I", 3, 0, 1, 2**32 - 1)
    assert read(head + body, "a.ply").faces.tolist() == [[0, 1, 2**32 - 1]]


def test_faces_are_whole_numbers() -> None:
    faces: Ints = np.asarray(read(obj_text(VERTICES, LISTS), "a.obj").faces)
    assert np.issubdtype(faces.dtype, np.signedinteger)
