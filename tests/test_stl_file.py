"""Binary STL, read back by trimesh and by the letter of the format."""

from __future__ import annotations

import io
import struct

import numpy as np
import pytest
import trimesh

from mountgen.errors import ExportError
from mountgen.kernel import Mesh
from mountgen.mesh_measure import is_closed, measure_area, measure_volume
from mountgen.stl_file import RECORD, encode_stl, round_mesh
from tests.solids import ball_mesh, box_mesh, tessellate, wavy_solid


def test_trimesh_reads_back_the_same_closed_mesh() -> None:
    mesh = tessellate(wavy_solid(30), 0.05)
    read = trimesh.load(io.BytesIO(encode_stl(mesh, name="part")), file_type="stl")
    assert len(read.faces) == len(mesh.faces)
    assert read.is_watertight
    assert read.is_winding_consistent
    assert read.volume == pytest.approx(measure_volume(mesh), rel=1e-6)
    assert read.area == pytest.approx(measure_area(mesh), rel=1e-6)
    np.testing.assert_allclose(
        read.triangles, mesh.vertices[mesh.faces], atol=4e-6
    )  # half a step of single precision at 64 mm


def test_layout_is_that_of_the_format() -> None:
    """80 bytes, a count, then normal, three corners and two bytes; unpacked here by struct."""
    box = box_mesh()
    content = encode_stl(box, name="juniper-shelf")
    assert RECORD.itemsize == 50
    assert len(content) == 84 + 50 * 12
    assert content[:80].decode("ascii").rstrip() == "mountgen, mm, juniper-shelf"
    assert struct.unpack_from("<I", content, 80) == (12,)
    for number, face in enumerate(box.faces):
        *values, attribute = struct.unpack_from("<12fH", content, 84 + 50 * number)
        normal, a, b, c = np.array(values).reshape(4, 3)
        np.testing.assert_array_equal([a, b, c], box.vertices[face])
        np.testing.assert_allclose(
            normal, np.cross(b - a, c - a) / np.linalg.norm(np.cross(b - a, c - a)), atol=1e-7
        )
        assert attribute == 0


def test_a_name_neither_breaks_the_header_nor_makes_it_ascii_stl() -> None:
    for name in ("solid", "Ablage für Juniper é", "x" * 300, "\U0001f690"):
        content = encode_stl(box_mesh(), name=name)
        assert len(content) == 84 + 50 * 12
        assert content.startswith(b"mountgen, mm, ")
        assert content[:80].isascii()
    assert b"Ablage fur Juniper e" in encode_stl(box_mesh(), name="Ablage für Juniper é")


def test_vertices_that_single_precision_cannot_tell_apart_are_merged() -> None:
    """One corner split in two, 1e-7 mm apart at 50 mm: the sliver vanishes, the rest is closed."""
    box = box_mesh((10.0, 20.0, 30.0), corner=(20.0, 20.0, 20.0))
    vertices = np.vstack([box.vertices, box.vertices[6] + (0.0, 0.0, -1e-7)])
    faces = box.faces.copy()
    faces[6, 2] = faces[7, 0] = faces[7, 1] = 6
    faces[6] = (1, 2, 8)
    faces[7] = (1, 8, 5)
    faces[8] = (2, 3, 7)
    faces = np.vstack([faces, [[8, 6, 5], [2, 6, 8]]])
    faces[9] = (2, 7, 6)
    split = Mesh(vertices, faces)
    assert is_closed(split)
    rounded = round_mesh(split, where="part.stl")
    assert len(rounded.vertices) == 8
    assert len(rounded.faces) == 12
    assert is_closed(rounded)
    assert measure_volume(rounded) == pytest.approx(6000.0)


def test_zeros_of_both_signs_are_one_place() -> None:
    box = box_mesh((10.0, 20.0, 30.0), corner=(0.0, 0.0, 0.0))
    vertices = np.vstack([box.vertices, [[-0.0, -0.0, -0.0]]])
    faces = box.faces.copy()
    faces[0, 0] = 8  # the corner at the origin, under another number
    rounded = round_mesh(Mesh(vertices, faces), where="part.stl")
    assert len(rounded.vertices) == 8
    assert is_closed(rounded)


def test_rounding_a_clean_mesh_keeps_its_order_and_moves_nothing_visibly() -> None:
    ball = ball_mesh(50.0, rings=30)
    rounded = round_mesh(ball, where="part.stl")
    np.testing.assert_array_equal(rounded.faces, ball.faces)
    np.testing.assert_allclose(rounded.vertices, ball.vertices, atol=2e-6)
    np.testing.assert_array_equal(rounded.vertices, rounded.vertices.astype(np.float32))


def test_an_empty_or_infinite_mesh_is_refused() -> None:
    box = box_mesh()
    with pytest.raises(ExportError) as caught:
        encode_stl(Mesh(box.vertices, np.zeros((0, 3), dtype=int)), name="part")
    assert "no triangle" in caught.value.what
    assert caught.value.where == "part.stl"
    for value in (np.nan, np.inf, 1e39):
        vertices = box.vertices.copy()
        vertices[3, 1] = value
        with pytest.raises(ExportError) as caught:
            encode_stl(Mesh(vertices, box.faces), name="part")
        assert "not a finite number" in caught.value.what
        assert "report this" in caught.value.remedy
