"""Section sheets read back: sizes on paper against exact sections by another library, bars, tiles, layers."""

from __future__ import annotations

import re
import shutil
import subprocess
from io import StringIO
from itertools import combinations
from pathlib import Path
from xml.etree import ElementTree

import ezdxf
import numpy as np
import pytest
import shapely
import trimesh
from PIL import Image

from mountgen.block import make_block
from mountgen.errors import ExportError
from mountgen.kernel import Mesh, tessellate
from mountgen.paper.sheets import WARNING, draw_pages
from mountgen.paper.template import Template, cut_templates
from mountgen.paper.tile import MARGIN, OVERLAP, PAPERS, lay_out
from mountgen.paper.vector import LAYERS, encode_dxf, encode_svg, place_column
from tests.pdf_reading import Page, read_pdf
from tests.prepared import prepare
from tests.recesses import box_recess

RECESS = box_recess(left=20.0)
NEAR = 0.05  # mm that an outline on paper may be off the section


def block(*extents: float) -> Mesh:
    """A block whose upper face lies in the mouth's plane."""
    mesh = trimesh.creation.box(extents)
    mesh.apply_translation([0.0, 0.0, -extents[2] / 2.0])
    return Mesh(np.asarray(mesh.vertices), np.asarray(mesh.faces))


@pytest.fixture(scope="module")
def cubby() -> tuple[Mesh, tuple[Template, ...]]:
    recess, space, shell = prepare("dash_cubby")
    mesh = tessellate(make_block(shell, space).solid)
    return mesh, cut_templates(mesh, recess)


def cut_exactly(mesh: Mesh, template: Template) -> shapely.Geometry:
    """Return the section as trimesh finds it, as a polygon in the template's plane, placed by the words of its caption."""
    axis, _, value = template.caption.partition(" mm")[0].partition(" = ")
    k = "xyz".index(axis)
    normal, origin = np.eye(3)[k], np.zeros(3)
    origin[k] = float(value)
    found = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).section(plane_normal=normal, plane_origin=origin)
    keep = [axis for axis in range(3) if axis != k]
    rings = [shapely.Polygon(points[:, keep]) for points in found.discrete]
    return shapely.Polygon(max(rings, key=lambda ring: ring.area).exterior)


def compare(points: np.ndarray, truth: shapely.Geometry) -> float:
    """Return how far a closed line is off a polygon's outline, whichever way it is turned and wherever it lies, mm."""
    best = np.inf
    outline = shapely.get_coordinates(truth.exterior)
    for turned in (outline, outline * (-1, 1), outline[:, ::-1], outline[:, ::-1] * (-1, 1), outline * (1, -1), -outline):
        moved = turned - turned.min(axis=0) + points.min(axis=0)
        best = min(best, shapely.hausdorff_distance(shapely.linearrings(moved), shapely.linearrings(points)))
    return best


def outlines(pages: list[Page]) -> list[np.ndarray]:
    """Return what is to be cut: closed lines both drawn and filled."""
    return [path.points for page in pages for path in page.paths if path.paint == "both" and path.closed]


@pytest.mark.parametrize("paper", sorted(PAPERS))
def test_outlines_on_paper_are_the_sections_in_true_size(paper: str, cubby: tuple[Mesh, tuple[Template, ...]]) -> None:
    mesh, templates = cubby
    pages = read_pdf(draw_pages(templates, name="cubby", paper=paper, clearance=0.5))
    whole = {tuple(np.round(line - line.min(axis=0), 3).ravel().tolist()): line for line in outlines(pages)}  # tiles repeat them
    assert len(templates) == 6
    assert len(whole) == 6
    for template, line in zip(templates, whole.values(), strict=True):
        assert compare(line, cut_exactly(mesh, template)) < NEAR
    assert {tuple(np.round(sorted(page.size), 2)) for page in pages} == {tuple(np.round(PAPERS[paper], 2))}


def test_both_check_bars_are_100_mm_on_every_page(cubby: tuple[Mesh, tuple[Template, ...]]) -> None:
    pages = read_pdf(draw_pages(cubby[1], name="cubby", paper="a4", clearance=0.5))
    for page in pages:
        spans = [np.ptp(path.points, axis=0) for path in page.paths if path.paint == "stroke" and not path.dash]
        assert sum(np.allclose(span, (100.0, 0.0), atol=1e-3) for span in spans) == 1
        assert sum(np.allclose(span, (0.0, 100.0), atol=1e-3) for span in spans) == 1
        assert page.words.count("this bar is 100 mm long") == 2
        assert WARNING in page.words
        corners = np.concatenate([path.points for path in page.paths if path.clip is None])
        assert corners.min() >= MARGIN - 1e-6  # printers do not reach the edge
        assert (corners.max(axis=0) <= np.array(page.size) - MARGIN + 1e-6).all()


def test_viewers_are_asked_not_to_scale_and_nothing_changes_from_run_to_run(cubby: tuple[Mesh, tuple[Template, ...]]) -> None:
    first, second = (draw_pages(cubby[1], name="cubby", paper="a4", clearance=0.5) for _ in range(2))
    assert first == second
    assert b"/PrintScaling /None" in first


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="no other program here that draws a PDF")
def test_another_program_draws_the_bar_as_long(tmp_path: Path, cubby: tuple[Mesh, tuple[Template, ...]]) -> None:
    path = tmp_path / "sections.pdf"
    path.write_bytes(draw_pages(cubby[1], name="cubby", paper="a4", clearance=0.5))
    subprocess.run(["pdftoppm", "-r", "254", "-gray", "-png", "-f", "1", "-l", "1", path, tmp_path / "page"], check=True)
    dark = np.asarray(Image.open(next(tmp_path.glob("page*.png"))).convert("L")) < 128  # 10 pixels a mm
    runs = [np.flatnonzero(row[50 : round(10 * (MARGIN + 101))]) for row in dark[-160:-90]]
    longest = max((np.ptp(run) + 1 for run in runs if len(run) > 900), default=0)
    assert abs(longest - 1000) <= 4  # the line's own ends among it


def test_sheets_that_lie_over_each_other_show_the_same_places() -> None:
    templates = cut_templates(block(400.0, 260.0, 60.0), RECESS, stations=[12.5])
    pages = lay_out(templates, paper="letter")
    assert len(pages) == 8  # as counted on paper: 2 x 2 for the section across, 2 for either upright one
    read = read_pdf(draw_pages(templates, name="big", paper="letter", clearance=0.5))
    covered = shapely.union_all([
        shapely.box(*(np.array(placed.window).reshape(2, 2) - placed.shift).ravel())
        for page in pages[:4] for placed in page.placed
    ])  # fmt: skip
    assert covered.covers(shapely.box(-200.0, -130.0, 200.0, 130.0))
    crosses: list[set[tuple[float, float]]] = []
    for page, drawn in zip(pages[:4], read[:4], strict=True):
        (placed,) = page.placed
        level = [path.points.mean(axis=0) for path in drawn.paths if np.allclose(np.ptp(path.points, axis=0), (6.0, 0.0))]
        crosses.append({tuple(np.round(middle - placed.shift, 3).tolist()) for middle in level})
        assert len(crosses[-1]) == 4  # two on either seam
        for _, _, other in placed.seams:
            assert f"{placed.name} meets {other}" in drawn.words
    assert len(set.union(*crosses)) == 8  # each place on exactly two sheets
    assert OVERLAP >= 6.0  # so that a whole cross is on both


def test_a_small_part_takes_one_page_and_its_sections_are_where_they_are_said_to_be() -> None:
    part = block(59.0, 39.0, 19.5)
    templates = cut_templates(part, RECESS)
    assert [each.label for each in templates] == ["1.5 mm", "7 mm", "12.5 mm", "18 mm", "12 - 6", "9 - 3"]
    (page,) = read_pdf(draw_pages(templates, name="block", paper="a4", clearance=0.5))
    for template in templates:
        assert f"{template.code}   {template.title}" in page.words
        assert f"{template.code}   {template.label}" in page.words  # on the card itself
    sizes = [tuple(np.round(np.ptp(line, axis=0), 3)) for line in outlines([page])]
    assert sizes == 4 * [(59.0, 39.0)] + [(19.5, 39.0), (59.0, 19.5)]
    upright = templates[4]
    assert sorted("".join(mark.words) for mark in upright.marks) == ["", "1.5", "12.5", "18", "7"]
    across = next(mark for mark in upright.marks if "12.5" in mark.words)
    assert (across.start[0], across.end[0]) == (12.5, 12.5)  # the mouth at the left, depth to the right
    assert all(len(line) > 1 for each in templates for line in each.recess)


@pytest.mark.parametrize("size", [(44.0, 24.0, 31.0), (24.0, 44.0, 15.5)])
def test_numbers_at_the_marks_of_neighbours_stay_apart(size: tuple[float, float, float]) -> None:
    pages = read_pdf(draw_pages(cut_templates(block(*size), RECESS), name="block", paper="a4", clearance=0.5))
    boxes = []
    for words, (x, y), letter in pages[0].texts:
        if re.fullmatch(r"[\d.]+", words):
            wide = letter * sum(0.278 if each == "." else 0.556 for each in words)  # from that font's metrics
            boxes.append(shapely.box(x, y, x + wide, y + 0.72 * letter))
    assert len(boxes) >= 16  # four sections across, each with its four hours
    assert min(a.distance(b) for a, b in combinations(boxes, 2)) > 1.0


def test_what_is_written_on_a_card_leaves_its_outline_alone() -> None:
    """What is filled without a line, the ground of words on the card, lies within what is to be cut, and none is left out."""
    (page,) = read_pdf(draw_pages(cut_templates(block(24.0, 44.0, 15.5), RECESS), name="block", paper="a4", clearance=0.5))
    cards = shapely.union_all([shapely.Polygon(line) for line in outlines([page])])
    grounds = [shapely.Polygon(path.points) for path in page.paths if path.paint == "fill"]
    assert len(grounds) == 4 * 2 + 2
    assert all(cards.contains_properly(ground) for ground in grounds)


def test_a_ring_too_narrow_for_words_has_them_in_its_opening() -> None:
    outer, inner = (trimesh.creation.box(size) for size in ((60.0, 40.0, 20.0), (56.0, 36.0, 18.0)))
    outer.apply_translation([0.0, 0.0, -10.0])
    inner.apply_translation([0.0, 0.0, -9.0])
    inner.invert()
    cup = trimesh.util.concatenate(outer, inner)  # both open upwards: sections below the mouth are rings 2 mm wide
    mesh = Mesh(np.asarray(cup.vertices), np.asarray(cup.faces))
    templates = cut_templates(mesh, RECESS, stations=[5.0])
    (page,) = read_pdf(draw_pages(templates, name="cup", paper="a4", clearance=0.5))
    assert "A   5 mm" in page.words
    cut = outlines([page])
    opening = next(shapely.Polygon(line) for line in cut if np.allclose(np.ptp(line, axis=0), (56.0, 36.0), atol=0.01))
    grounds = [shapely.Polygon(path.points) for path in page.paths if path.paint == "fill"][:2]
    assert all(opening.contains_properly(ground) for ground in grounds)


def test_sharp_corners_of_lines_do_not_stand_out() -> None:
    """A mitre at a corner of 12 degrees, such as a rippled edge seen end on has, is ten times as long as the line is wide."""
    pdf = draw_pages(cut_templates(block(59.0, 39.0, 19.5), RECESS), name="block", paper="a4", clearance=0.5)
    assert {path.join for page in read_pdf(pdf) for path in page.paths if path.paint != "fill"} == {"round"}


def test_a_wide_sky_facing_recess_is_drawn_with_its_mouth_up() -> None:
    from dataclasses import replace

    upright = cut_templates(block(59.0, 39.0, 19.5), replace(RECESS, up=np.array([0.0, 0.0, 1.0])), stations=[5.0])[-1]
    assert upright.label == "9 - 3"
    low, high = upright.bounds()
    assert (low[1], high[1]) == (-19.5, 0.0)


def test_depths_that_miss_the_part_are_refused_with_those_that_do_not() -> None:
    part = block(59.0, 39.0, 19.5)
    with pytest.raises(ExportError) as caught:
        cut_templates(part, RECESS, stations=[5.0, 30.0])
    assert caught.value.what == "30 mm below the mouth nothing of the part is cut"
    assert caught.value.where == "--station 30"
    assert caught.value.remedy == "give depths below the mouth between 0 and 19.5 mm"
    assert [each.label for each in cut_templates(part, RECESS, stations=[19.4, 0.1, 0.1])][:2] == ["0.1 mm", "19.4 mm"]
    with pytest.raises(ExportError, match="more than the alphabet has letters for"):
        cut_templates(part, RECESS, stations=[0.5 * k + 0.1 for k in range(30)])


def test_the_dxf_is_clean_in_mm_and_as_large(cubby: tuple[Mesh, tuple[Template, ...]]) -> None:
    mesh, templates = cubby
    content = encode_dxf(templates, name="cubby")
    assert content == encode_dxf(templates, name="cubby")
    document = ezdxf.read(StringIO(content.decode("utf-8")))
    audit = document.audit()
    assert not audit.has_errors
    assert not audit.has_fixes
    assert document.units == ezdxf.units.MM
    assert {layer.dxf.name for layer in document.layers} >= set(LAYERS)
    lines = [np.array(line.get_points("xy")) for line in document.modelspace().query('LWPOLYLINE[layer=="outline"]')]
    assert len(lines) == len(templates)
    for template, line in zip(templates, lines, strict=True):
        assert compare(line, cut_exactly(mesh, template)) < NEAR
    assert all(line.closed for line in document.modelspace().query('LWPOLYLINE[layer=="outline"]'))
    texts = [text.dxf.text for text in document.modelspace().query("TEXT")]
    assert all(any(template.title in text for text in texts) for template in templates)


def test_the_svg_is_in_mm_and_as_large(cubby: tuple[Mesh, tuple[Template, ...]]) -> None:
    mesh, templates = cubby
    root = ElementTree.fromstring(encode_svg(templates, name="cubby <&>"))
    width, height = (float(root.attrib[key].removesuffix("mm")) for key in ("width", "height"))
    assert [float(v) for v in root.attrib["viewBox"].split()] == [0.0, 0.0, width, height]  # so one unit is one mm
    space = "{http://www.w3.org/2000/svg}"
    layers = {group.attrib["id"]: group for group in root.findall(f"{space}g")}
    assert list(layers) == list(LAYERS)
    paths = layers["outline"].findall(f"{space}path")
    for template, path in zip(templates, paths, strict=True):
        assert path.attrib["d"].endswith("Z")
        line = np.array([[float(v) for v in pair.split()] for pair in path.attrib["d"].strip("MZ").split("L")])
        assert compare(line, cut_exactly(mesh, template)) < NEAR
        assert (line >= 0.0).all()
        assert (line <= (width, height)).all()
    assert any("cubby <&>" in (text.text or "") for text in layers["text"])


def test_nothing_lies_over_its_neighbour_in_the_column() -> None:
    templates = cut_templates(block(59.0, 39.0, 19.5), RECESS)
    boxes = [shapely.box(*(low + shift), *(high + shift)) for (low, high), shift in (
        (template.bounds(), shift) for template, shift in zip(templates, place_column(templates), strict=True)
    )]  # fmt: skip
    for k, box in enumerate(boxes):
        assert all(box.distance(other) > 6.0 for other in boxes[k + 1 :])
