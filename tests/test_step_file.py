"""STEP, re-read by the kernel's own reader and checker and by the layer above it."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from mountgen.errors import ExportError
from mountgen.kernel import count_faces
from mountgen.mesh_measure import is_closed, measure_bounds, measure_volume
from mountgen.step_file import encode_step
from tests.solids import ball_solid, box_solid, hollow_box_solid, tessellate, wavy_solid


def write_step(folder: Path, solid: Any, **texts: str) -> Path:
    """A solid encoded, written as it is."""
    path = folder / "part.step"
    path.write_bytes(encode_step(solid, **({"name": "part"} | texts)))
    return path


def read_solids(path: Path) -> list[Any]:
    """Every solid of a STEP file, in mm."""
    from OCP.IFSelect import IFSelect_ReturnStatus
    from OCP.STEPControl import STEPControl_Reader
    from OCP.TopAbs import TopAbs_ShapeEnum
    from OCP.TopExp import TopExp_Explorer

    from mountgen.step_file import quiet_kernel

    with quiet_kernel():
        reader = STEPControl_Reader()
        assert reader.ReadFile(str(path)) == IFSelect_ReturnStatus.IFSelect_RetDone
        reader.TransferRoots()
    explorer, solids = TopExp_Explorer(reader.OneShape(), TopAbs_ShapeEnum.TopAbs_SOLID), []
    while explorer.More():
        solids.append(explorer.Current())
        explorer.Next()
    return solids


def unfold(content: bytes) -> str:
    """The text of a STEP file without its line breaks, which carry no meaning."""
    return re.sub(r"\n\s*", "", content.decode("ascii"))


def test_the_kernel_reads_back_one_valid_closed_solid_in_millimetres(tmp_path: Path) -> None:
    from OCP.BRep import BRep_Tool
    from OCP.BRepCheck import BRepCheck_Analyzer
    from OCP.TopAbs import TopAbs_ShapeEnum
    from OCP.TopExp import TopExp_Explorer

    solid = wavy_solid()
    path = write_step(tmp_path, solid, name="juniper-shelf", description="a shelf")
    (read,) = read_solids(path)
    assert BRepCheck_Analyzer(read).IsValid()
    shells = TopExp_Explorer(read, TopAbs_ShapeEnum.TopAbs_SHELL)
    assert BRep_Tool.IsClosed_s(shells.Current())
    shells.Next()
    assert not shells.More()
    assert count_faces(read) == count_faces(solid) == 6
    mesh, original = tessellate(read, 0.02), tessellate(solid, 0.02)
    assert is_closed(mesh)
    assert measure_volume(mesh) == pytest.approx(measure_volume(original), rel=1e-6)
    assert measure_bounds(mesh)[:, 0] == pytest.approx((-45.0, 45.0), abs=1e-6)
    assert re.search(r"SI_UNIT\(\.MILLI\.,\.METRE\.\)", unfold(path.read_bytes()))


def test_edges_are_written_in_space_only() -> None:
    """Whoever reads both must make them agree: a valid tray was not valid once read, and files are a quarter larger."""
    assert b"PCURVE" not in encode_step(wavy_solid(), name="part")


def test_the_layer_above_the_kernel_reads_it_too(tmp_path: Path) -> None:
    cadquery = pytest.importorskip("cadquery")
    path = write_step(tmp_path, box_solid())
    (read,) = cadquery.importers.importStep(str(path)).solids().vals()
    assert read.isValid()
    assert read.Volume() == pytest.approx(10.0 * 20.0 * 30.0)
    bounds = read.BoundingBox()
    assert (bounds.xmin, bounds.ymin, bounds.zmin) == pytest.approx((-1.0, 2.0, -30.0), abs=1e-6)


def test_a_closed_cavity_survives(tmp_path: Path) -> None:
    path = write_step(tmp_path, hollow_box_solid(20.0, 2.0), name="hollow")
    (read,) = read_solids(path)
    assert count_faces(read) == 12
    assert measure_volume(tessellate(read, 0.1)) == pytest.approx(20.0**3 - 16.0**3)
    assert "BREP_WITH_VOIDS('hollow'" in unfold(path.read_bytes())


def test_schema_names_and_header() -> None:
    text = unfold(
        encode_step(box_solid(), name="juniper-shelf", description="a shelf, 0.4 mm", author="Ann O'Neil")
    )
    # ISO 10303-242:2014 names this schema and object identifier
    assert "FILE_SCHEMA(('AP242_MANAGED_MODEL_BASED_3D_ENGINEERING_MIM_LF {1 0 10303 442 1 1 4 }'))" in text
    assert "FILE_DESCRIPTION(('a shelf, 0.4 mm'),'2;1')" in text
    assert "FILE_NAME('juniper-shelf.step','1980-01-01T00:00:00',('Ann O''Neil'),('')," in text
    assert "PRODUCT('juniper-shelf','juniper-shelf','',(#8))" in text
    assert "MANIFOLD_SOLID_BREP('juniper-shelf',#16)" in text


def test_the_same_solid_gives_the_same_bytes_every_time() -> None:
    """The kernel on its own stamps the clock and numbers products on within a process."""
    first = encode_step(wavy_solid(20), name="part")
    assert encode_step(box_solid(), name="other") != first
    assert encode_step(wavy_solid(20), name="part") == first


def test_letters_outside_ascii_are_spelt_as_the_format_asks(tmp_path: Path) -> None:
    """Codes from ISO 10646; the kernel breaks a long run within a letter, which must be mended."""
    from OCP.STEPControl import STEPControl_Reader

    name = "ü" * 150 + "窓\U0001f690"
    content = encode_step(box_solid(), name=name, author="Jörg\n\\ Ćosić")
    assert content.isascii()
    spelt = r"\X4" + "\\" + "000000FC" * 150 + "00007A93" + "0001F690" + "\\X0\\"
    assert f"PRODUCT('{spelt}','{spelt}','',(#8))" in unfold(content)
    assert r"J\X2\00F6\X0\rg \\ \X2\0106\X0\osi\X2\0107\X0" in unfold(content)
    path = tmp_path / "part.step"
    path.write_bytes(content)
    assert len(read_solids(path)) == 1
    reader = STEPControl_Reader()
    reader.ReadFile(str(path))
    product = next(
        entity
        for entity in (reader.StepModel().Value(k + 1) for k in range(reader.StepModel().NbEntities()))
        if type(entity).__name__ == "StepBasic_Product"
    )
    assert product.Name().ToCString().startswith("ü" * 150 + "窓")


def test_nothing_is_printed_and_the_kernel_keeps_its_printers(capfd: pytest.CaptureFixture[str]) -> None:
    from OCP.Interface import Interface_Static
    from OCP.Message import Message

    printers = len(list(Message.DefaultMessenger_s().Printers()))
    assert printers > 0
    encode_step(box_solid(), name="part")
    Interface_Static.SetCVal_s("write.step.schema", "AP214IS")
    encode_step(box_solid(), name="part")
    captured = capfd.readouterr()
    assert captured.out == captured.err == ""
    assert len(list(Message.DefaultMessenger_s().Printers())) == printers
    assert Interface_Static.CVal_s("write.step.schema") == "AP214IS"


def test_a_body_that_is_not_one_solid_is_refused() -> None:
    from OCP.BRepAlgoAPI import BRepAlgoAPI_Fuse
    from OCP.TopoDS import TopoDS_Shape

    apart = BRepAlgoAPI_Fuse(box_solid(), ball_solid(1.0)).Shape()
    for shape, count in ((apart, "2"), (TopoDS_Shape(), "0"), (None, "0")):
        with pytest.raises(ExportError) as caught:
            encode_step(shape, name="part")
        assert f"made of {count} solids" in caught.value.what
        assert caught.value.where == "part.step"
        assert "stands apart" in caught.value.remedy


def test_a_compound_around_one_solid_is_taken(tmp_path: Path) -> None:
    from OCP.BRep import BRep_Builder
    from OCP.TopoDS import TopoDS_Compound

    compound, builder = TopoDS_Compound(), BRep_Builder()
    builder.MakeCompound(compound)
    builder.Add(compound, box_solid())
    assert len(read_solids(write_step(tmp_path, compound))) == 1
