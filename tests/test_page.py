"""The page without a browser: packed meshes, gaps, sections, plots, words that cannot break it, its policy, its colours."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import zlib
from base64 import b64decode, b64encode
from contextlib import AbstractContextManager, nullcontext
from dataclasses import asdict
from hashlib import sha256
from itertools import pairwise
from pathlib import Path
from typing import Any

import html5lib
import igl
import numpy as np
import pytest
import trimesh

from mountgen.arrays import Floats, Ints
from mountgen.gap import make_standing
from mountgen.inspection import ZONES, classify_faces
from mountgen.outputs import name_outputs
from mountgen.page.cuts import cut_part, draw_cuts
from mountgen.page.layers import crop_scan, gauge_gap, make_layers, pack_scan, split_edges, thin_mesh
from mountgen.page.markup import element, embed_json
from mountgen.page.pack import NO_VALUE, Packed, pack_mesh
from mountgen.page.plots import Scale, plot_heat, plot_stack
from mountgen.page.viewer import BLANK, COLOURS, draw_legend
from mountgen.part_picture import INSIDE, SCAN
from mountgen.pipeline import make
from mountgen.ramp import COLLISION, NEUTRAL, ramp_gap, scale_gap
from mountgen.recipe_file import load_recipe
from mountgen.report import encode_report
from mountgen.store import Store
from mountgen.surface import Surface
from mountgen.verdict import Check
from tests.pages import (
    CLEARANCE,
    DEPTH,
    HEAT,
    HEIGHT,
    RECESS,
    RECIPE,
    STACK,
    WIDTH,
    block,
    block_report,
    box,
    draw_block,
    inspect_block,
)

PAGE = Path(__file__).resolve().parent.parent / "mountgen" / "page"
NS = "{http://www.w3.org/1999/xhtml}"
SVG = "{http://www.w3.org/2000/svg}"


def unpack(packed: Packed) -> tuple[Floats, Ints, Floats]:
    """Unpack as the format says, written anew here: places, corners, values."""
    raw = np.frombuffer(zlib.decompress(b64decode(packed.data)), dtype=np.uint8)
    at = 0

    def read(count: int, width: int) -> Any:
        nonlocal at
        planes = raw[at : at + count * width].reshape(width, count).astype(np.int64)
        at += count * width
        folded = (planes << (8 * np.arange(width))[:, None]).sum(axis=0)
        return np.where(folded % 2 == 1, -(folded + 1) // 2, folded // 2)

    places = np.column_stack([np.cumsum(read(packed.vertices, 3)) for _ in range(3)]) * packed.step + packed.low
    first = np.cumsum(read(packed.triangles, 4))
    second, third = read(packed.triangles, 4), read(packed.triangles, 4)
    corners = np.column_stack([first, first + second, first + second + third])
    values = np.zeros(0)
    if packed.value_step:
        numbers = np.cumsum(read(packed.vertices, 3))
        values = np.where(numbers == NO_VALUE, np.nan, packed.value_low + packed.value_step * numbers)
    if packed.asked_step:
        read(packed.vertices, 3)
    assert at == len(raw)
    return places, corners, values


def read_asked(packed: Packed) -> Floats:
    """Return what the values are held against: the last planes of three bytes a vertex."""
    raw = np.frombuffer(zlib.decompress(b64decode(packed.data)), dtype=np.uint8)[-3 * packed.vertices :]
    folded = (raw.reshape(3, -1).astype(np.int64) << np.array([[0], [8], [16]])).sum(axis=0)
    return packed.asked_low + packed.asked_step * np.cumsum(np.where(folded % 2 == 1, -(folded + 1) // 2, folded // 2))


def test_a_packed_mesh_is_the_mesh_with_its_values() -> None:
    ball = trimesh.creation.icosphere(subdivisions=3, radius=40.0)
    vertices, faces = np.asarray(ball.vertices) + np.array([5.0, -300.0, 20.0]), np.asarray(ball.faces).astype(np.int32)
    values = np.where(vertices[:, 2] > 20.0, vertices[:, 0] / 10.0, np.nan)
    packed = pack_mesh(vertices, faces, values)
    places, corners, gaps = unpack(packed)
    assert (packed.vertices, packed.triangles) == (len(vertices), len(faces))
    nearest = np.linalg.norm(vertices[:, None] - places[None], axis=2)
    old = nearest.argmin(axis=0)
    assert sorted(old) == list(range(len(vertices)))
    assert nearest.min(axis=0).max() <= packed.step * np.sqrt(3) / 2 + 1e-9
    assert packed.step < 0.0013  # 80 mm in 65535 steps
    assert np.array_equal(np.isnan(gaps), np.isnan(values[old]))
    known = ~np.isnan(gaps)
    assert np.abs(gaps[known] - values[old][known]).max() <= packed.value_step / 2 + 1e-12
    before = {tuple(np.roll(f, -int(np.argmin(f)))) for f in faces.tolist()}
    after = {tuple(np.roll(f, -int(np.argmin(f)))) for f in old[corners].tolist()}
    assert before == after  # the same triangles, turned the same way


def test_packing_leaves_out_what_is_not_seen_and_is_small() -> None:
    vertices = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0], [9, 9, 9]])
    packed = pack_mesh(vertices, np.array([[0, 1, 2], [0, 1, 1]], dtype=np.int32))
    assert (packed.vertices, packed.triangles) == (3, 1)
    grid = trimesh.creation.icosphere(subdivisions=6)
    plain = b64encode(np.asarray(grid.vertices, np.float32).tobytes() + np.asarray(grid.faces, np.int32).tobytes())
    assert len(pack_mesh(np.asarray(grid.vertices), np.asarray(grid.faces).astype(np.int32)).data) < 0.35 * len(plain)


@pytest.mark.parametrize(
    ("vertices", "faces", "values", "message"),
    [
        (np.zeros((4, 2)), np.zeros((1, 3), np.int32), None, r"\(V, 3\) and \(F, 3\), not \(4, 2\)"),
        (np.zeros((4, 3)), np.zeros((1, 3), np.int32), np.zeros(3), r"\(4,\), not \(3,\)"),
        (np.full((3, 3), np.nan), np.array([[0, 1, 2]], np.int32), None, "no finite place"),
    ],
)
def test_meshes_of_the_wrong_shape_are_named(vertices: Any, faces: Any, values: Any, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        pack_mesh(vertices, faces, values)


def test_split_edges_keep_the_surface_closed_and_leave_alone_what_was_not_chosen() -> None:
    mesh = block()
    vertices, faces = split_edges(mesh.vertices, mesh.faces, longest=4.0, chosen=lambda middle, _: middle[:, 2] < -10.0)
    fine = trimesh.Trimesh(vertices, faces, process=False)
    assert fine.is_watertight
    assert fine.is_winding_consistent
    assert fine.volume == pytest.approx((WIDTH - 1.0) * (HEIGHT - 1.0) * (DEPTH - 0.5))
    edges = vertices[fine.edges_unique]
    length = np.linalg.norm(edges[:, 0] - edges[:, 1], axis=1)
    low = edges.mean(axis=1)[:, 2] < -10.0
    assert length[low].max() <= 4.0
    assert length[~low].max() > 30.0  # the face's own edges
    assert np.array_equal(vertices[: len(mesh.vertices)], mesh.vertices)


def test_the_gap_is_measured_to_the_reach_and_not_past_a_border() -> None:
    standing = make_standing(Surface(RECESS.vertices, RECESS.faces), np.full(len(RECESS.faces), CLEARANCE))
    points = np.array([[0.0, 0, -19.4], [0, 0, -10], [29.0, 3.3, -10.2], [30.4, 3.3, -10.2], [44.0, 0.5, 1.0]])
    gap, asked = gauge_gap(points, standing, reach=2.0)
    assert (asked == CLEARANCE).all()
    assert gap[[0, 2, 3]] == pytest.approx([0.6, 1.0, -0.4])
    assert np.isnan(gap[[1, 4]]).all()  # the middle of the recess; past the end of the scanned panel


def test_a_thinned_scan_stays_where_it_was() -> None:
    y, x = np.mgrid[0:221, 0:221] * 0.5
    z = 6.0 * np.sin(x / 15.0) * np.cos(y / 20.0)
    vertices = np.column_stack([x.ravel(), y.ravel(), z.ravel()])
    corner = (np.arange(220)[:, None] * 221 + np.arange(220)).ravel()
    faces = np.concatenate(
        [np.column_stack([corner, corner + 1, corner + 222]), np.column_stack([corner, corner + 222, corner + 221])]
    ).astype(np.int32)
    same = thin_mesh(vertices, faces, target=len(faces))
    assert same[1] is faces
    for target in (60_000, 20_000):  # thinned only; drawn together first
        thin, left = thin_mesh(vertices, faces, target=target)
        assert 0.9 * target <= len(left) <= 1.01 * target
        inner = vertices[(np.abs(vertices[:, :2] - 55.0) < 50.0).all(axis=1)]
        away = np.sqrt(igl.point_mesh_squared_distance(inner, thin, left.astype(np.int64))[0])
        assert away.max() < 0.05
        assert (np.cross(thin[left[:, 1]] - thin[left[:, 0]], thin[left[:, 2]] - thin[left[:, 0]])[:, 2] > 0).mean() > 0.999


def test_slivers_may_leave_fewer_faces_than_asked_for() -> None:
    """Most faces of such a mesh vanish when it is drawn together, so that nothing is left to thin."""
    x = np.linspace(0.0, 10.0, 3001)
    vertices = np.concatenate([np.column_stack([x, np.full(3001, y), np.zeros(3001)]) for y in (0.0, 10.0)])
    k = np.arange(3000)
    faces = np.concatenate([np.column_stack([k, k + 1, k + 3002]), np.column_stack([k, k + 3002, k + 3001])]).astype(np.int32)
    thin, left = thin_mesh(vertices, faces, target=1000)
    assert 2 <= len(left) <= 1000
    assert (thin.min(axis=0), thin.max(axis=0)) == (pytest.approx((0, 0, 0), abs=0.2), pytest.approx((10, 10, 0), abs=0.2))


def test_only_the_scan_about_the_mouth_is_shown() -> None:
    wide = trimesh.creation.box((400.0, 400.0, 1.0)).subdivide_to_size(10.0)
    far = type(RECESS)(**{name: getattr(RECESS, name) for name in RECESS.__dataclass_fields__} | {
        "vertices": np.asarray(wide.vertices), "faces": np.asarray(wide.faces).astype(np.int32)})  # fmt: skip
    _, faces = crop_scan(far)
    shown = far.vertices[np.unique(faces)]
    assert np.abs(shown[:, 0]).max() <= WIDTH / 2 + 15.0
    assert np.abs(shown[:, 1]).max() > HEIGHT / 2 + 5.0


def test_sections_of_a_block_have_its_area_and_its_gaps() -> None:
    cuts = cut_part(block(), RECESS, clearance=CLEARANCE, least=(20.0, 0.0, -19.5))
    wide, tall, deep = WIDTH - 1.0, HEIGHT - 1.0, DEPTH - 0.5
    areas = [abs(_signed_area(ring)) for cut in cuts for ring in cut.part]
    assert areas == pytest.approx([tall * deep, tall * deep, wide * deep, wide * tall])
    assert [len(cut.part) for cut in cuts] == [1, 1, 1, 1]
    assert cuts[1].caption.startswith("Cut at x = 20 mm")
    for cut in cuts:
        sizes = np.linalg.norm(cut.gaps[:, 1] - cut.gaps[:, 0], axis=1)
        assert len(sizes) >= 6
        assert sizes == pytest.approx(CLEARANCE)


def test_the_least_gap_is_cut_along_not_across() -> None:
    at_end = cut_part(block(), RECESS, clearance=CLEARANCE, least=(WIDTH / 2.0 - CLEARANCE, 6.0, -8.0))  # a gap along x
    (cut,) = (cut for cut in at_end if "least gap" in cut.title)
    assert cut.title == "Through the least gap, 9 to 3 o'clock"
    assert cut.caption.startswith("Cut at y = 6 mm")
    assert "askew" not in cut.caption
    assert cut.gaps[0] == pytest.approx(np.array([[WIDTH / 2.0 - CLEARANCE, 8.0], [WIDTH / 2.0, 8.0]]))
    above = cut_part(block(), RECESS, clearance=CLEARANCE, least=(12.0, HEIGHT / 2.0, -8.0))
    assert [cut.title for cut in above if "least gap" in cut.title] == ["Through the least gap, 12 to 6 o'clock"]


def test_a_gap_that_runs_askew_to_its_section_is_told_at_its_true_size() -> None:
    corner = (WIDTH / 2.0, HEIGHT / 2.0, -8.0)  # of the block it is one clearance away both ways
    cuts = cut_part(block(), RECESS, clearance=CLEARANCE, least=corner)
    (told,) = (cut.caption for cut in cuts if "least gap" in cut.title)
    assert told.endswith(f"The least gap, {CLEARANCE * 2**0.5:.2f} mm, runs askew to it.")


def test_a_drawn_section_read_back_has_the_block_s_size() -> None:
    cut = cut_part(block(), RECESS, clearance=CLEARANCE, least=(0.0, 0.0, -19.5))[1]
    drawing = _parse(draw_cuts([cut]))
    svg = drawing.find(f".//{SVG}svg")
    assert svg is not None
    _, _, width, height = (float(v) for v in svg.get("viewBox").split())
    assert int(svg.get("width")) / width == pytest.approx(int(svg.get("height")) / height, rel=0.01)
    path = next(each for each in svg if each.get("class") == "part").get("d")
    points = np.array([[float(v) for v in pair.split()] for pair in re.findall(r"[\d.]+ [\d.]+", path)])
    assert np.ptp(points, axis=0) == pytest.approx((WIDTH - 1.0, DEPTH - 0.5), abs=0.02)
    written = [float(text.text) for text in svg.iter(f"{SVG}text") if "mm" not in text.text]
    assert written == pytest.approx([CLEARANCE] * len(written), abs=0.006)
    assert 4 <= len(written) <= 8
    bar = next(each for each in svg if each.get("class") == "bar").get("d")
    told = next(text.text for text in svg.iter(f"{SVG}text") if "mm" in text.text)
    assert re.search(r"h([\d.]+)", bar)[1] + " mm" == told  # type: ignore[index]


def test_no_size_of_a_gap_hides_another() -> None:
    cuts = cut_part(block(), RECESS, clearance=CLEARANCE, least=(0.0, 0.0, -19.5))
    drawing = _parse(draw_cuts(cuts))
    for svg in drawing.iter(f"{SVG}svg"):
        size = float(svg.get("font-size"))
        spots = [(float(t.get("x")), float(t.get("y"))) for t in svg.iter(f"{SVG}text") if "mm" not in t.text]
        for k, (x, y) in enumerate(spots):
            assert all(abs(x - u) > 2.2 * size or abs(y - v) > size for u, v in spots[k + 1 :])


def test_the_plot_of_heat_puts_the_curve_and_limits_where_they_belong() -> None:
    svg = _parse(plot_heat(HEAT)).find(f".//{SVG}svg")
    assert svg is not None
    curve = next(each for each in svg.iter() if each.get("class") == "curve").get("d")
    points = [tuple(float(v) for v in pair.split()) for pair in re.findall(r"[\d.]+ [\d.]+", curve)]
    (x0, y0), (x1, y1), (x2, y2) = points
    assert x1 - x0 == pytest.approx(x2 - x1, abs=0.2)
    assert (y0 - y1) / (y0 - y2) == pytest.approx((60 - 35) / (78 - 35), abs=0.01)
    lines = {g.get("class"): float(re.search(r"M[\d.]+ ([\d.]+)H", next(iter(g)).get("d"))[1])  # type: ignore[index]
             for g in svg if (g.get("class") or "").startswith("limit")}  # fmt: skip
    per_degree = (y0 - y2) / 43.0
    assert lines["limit"] - y2 == pytest.approx((78 - 70) * per_degree, abs=0.3)
    assert y2 - lines["limit-2"] == pytest.approx((85 - 78) * per_degree, abs=0.3)


def test_the_plot_of_the_stack_adds_up() -> None:
    svg = _parse(plot_stack(STACK)).find(f".//{SVG}svg")
    assert svg is not None
    bars = [(float(r.get("x")), float(r.get("width"))) for r in svg.iter(f"{SVG}rect")]
    assert len(bars) == 4
    for (x, width), (following, _) in pairwise(bars[:3]):
        assert x + width == pytest.approx(following, abs=0.01)
    assert bars[2][0] + bars[2][1] == pytest.approx(bars[3][0] + bars[3][1], abs=0.01)
    assert bars[0][1] / bars[3][1] == pytest.approx(0.2 / 0.6, abs=0.001)
    asked = next(g for g in svg if g.get("class") == "limit")
    x = float(re.search(r"M([\d.]+)", next(iter(asked)).get("d"))[1])  # type: ignore[index]
    assert (x - bars[3][0]) / bars[3][1] == pytest.approx(0.5 / 0.6, abs=0.001)


def test_a_plot_copes_with_a_material_without_limits() -> None:
    drawn = plot_heat(HEAT | {"passes_to_c": None, "caution_to_c": None})
    assert "no limit is known" in drawn
    assert 'class="limit"' not in drawn


@pytest.mark.parametrize(("low", "high"), [(0.0, 0.63), (35.0, 95.0), (0.0, 12.0), (0.0, 1234.0)])
def test_ticks_are_round_and_inside(low: float, high: float) -> None:
    ticks = Scale(low, high, 0.0, 1.0).ticks()
    assert 4 <= len(ticks) <= 9
    assert low - 1e-9 <= ticks[0]
    assert ticks[-1] <= high + 1e-9
    assert float(f"{ticks[1] - ticks[0]:.0e}") == pytest.approx(ticks[1] - ticks[0])


ATTACK = "</script><script>document.title='taken'</script><img src=x onerror=\"document.title='taken'\">{{viewer}}\u202e\x07&amp;"


def attacked_report() -> dict[str, Any]:
    check = Check(ATTACK, "fail", 1.0, 2.0, ATTACK, ATTACK, ATTACK, ATTACK)
    recipe = RECIPE | {"note": ATTACK, "material": ATTACK}
    facts = {"heat": HEAT | {"why": ATTACK, ATTACK: ATTACK, "material": ATTACK}, ATTACK: {ATTACK: [{ATTACK: ATTACK}]}}
    return block_report(recipe=recipe, checks=(check,), service=facts, files={ATTACK: ATTACK})


def test_what_users_write_stays_text() -> None:
    page = draw_block(report=attacked_report(), recipe=f"# {ATTACK}", keep_out=ATTACK)
    tree = html5lib.HTMLParser(strict=True).parse(page)
    scripts = [each for each in tree.iter(f"{NS}script") if each.get("type") is None]
    assert len(scripts) == 1  # the viewer
    assert [each.get("src") for each in tree.iter(f"{NS}img")] == [BLANK]
    assert not [key for each in tree.iter() for key in each.attrib if str(key).lower().startswith("on")]
    assert "\u202e" not in page
    assert "\x07" not in page
    shown = "".join(next(tree.iter(f"{NS}main")).itertext())
    assert shown.count("<img src=x onerror=") > 8
    assert "{{viewer}}" in shown
    assert json.loads(_find(tree, "report").text) == json.loads(encode_report(attacked_report()))


def test_markup_is_escaped_once_and_only_by_element() -> None:
    assert element("p", "a < b & c", element("b", "d"), class_='"x"', data_row=1.5, hidden=True, title=None) == (
        '<p class="&quot;x&quot;" data-row="1.5" hidden>a &lt; b &amp; c<b>d</b></p>'
    )
    embedded = embed_json({"a": "</script><!--"}, name="x")
    assert "</script><" not in embedded.removesuffix("</script>")
    assert json.loads(re.search(r">(.*)</script>", embedded)[1]) == {"a": "</script><!--"}  # type: ignore[index]


def test_the_page_is_valid_small_and_holds_the_report() -> None:
    report = block_report()
    page = draw_block(report=report)
    assert len(page.encode("utf-8")) < 8_000_000
    tree = html5lib.HTMLParser(strict=True).parse(page)
    assert json.loads(_find(tree, "report").text) == report
    ids = [each.get("id") for each in tree.iter() if each.get("id")]
    assert len(ids) == len(set(ids))
    for each in tree.iter():
        for key in ("aria-labelledby", "aria-describedby", "for"):
            if each.get(key):
                assert each.get(key) in ids
        if (each.get("href") or "").startswith("#"):
            assert each.get("href")[1:] in ids
        assert each.get("style") is None, "the policy forbids inline styles"
    for each in (*tree.iter(f"{NS}a"), *tree.iter(f"{SVG}image"), *tree.iter(f"{NS}link")):
        assert (each.get("href") or "#").startswith("#")


def test_the_scan_is_shown_without_its_folder() -> None:
    """A page is looked at by others; what it holds for programs stays report.json to the letter."""
    report = json.loads(encode_report(block_report()))
    path = Path(report["scan"]["file"])
    shown = "".join(next(html5lib.HTMLParser(strict=True).parse(draw_block(report=report)).iter(f"{NS}main")).itertext())
    assert len(path.parts) > 1
    assert f"Scan: {path.name}, SHA-256" in shown


def test_every_verdict_is_there_the_worst_first() -> None:
    checks = (
        Check("first", "pass", 1.0, 2.0, "mm", "recipe"),
        Check("second", "fail", -0.25, 0.0, "mm", "our rule", "set fit.clearance = 0.8", "x 1.0 y 2.0 z 3.0 mm"),
        Check("third", "caution", None, 3.0, "", "from memory", "set body.wall = 1.2"),
    )
    tree = html5lib.HTMLParser(strict=True).parse(draw_block(report=block_report(checks=checks)))
    table = next(each for each in tree.iter(f"{NS}table") if "checks" in (each.get("class") or ""))
    rows = [["".join(cell.itertext()).strip() for cell in row] for row in table.find(f"{NS}tbody")]
    assert [row[1] for row in rows] == ["second", "third", "first"]
    many = [Check(f"check {k}", "pass", 1.0, 2.0, "mm", "recipe") for k in range(5)]
    proof = Check("clearance at rest", "pass", 0.5, 0.47, "mm", "recipe")
    folded = html5lib.HTMLParser(strict=True).parse(draw_block(report=block_report(checks=(*many, *checks[1:], proof))))
    names = [
        [cell.text for cell in table.iter(f"{NS}th") if cell.get("scope") == "row"]
        for table in folded.iter(f"{NS}table")
        if "checks" in (table.get("class") or "")
    ]
    assert names == [["second", "third", "clearance at rest"], [check.name for check in many]]
    away = next(each for each in folded.iter(f"{NS}details") if each.find(f"{NS}table") is not None)
    assert away[0].text == "5 more checks that passed, with their limits"
    assert away.get("class") == "values"  # which is opened for printing
    assert rows[0][2:] == ["\N{MINUS SIGN}0.25", "0", "mm", "x 1.0 y 2.0 z 3.0 mm: set fit.clearance = 0.8", "our rule"]
    assert rows[1][2] == "\N{EN DASH}"
    banner = next(each for each in tree.iter(f"{NS}p") if "banner" in (each.get("class") or ""))
    assert "1 of 3 checks failed" in "".join(banner.itertext())


def test_a_report_without_service_and_cautions_makes_a_page_too() -> None:
    page = draw_block(report=block_report(service={}, checks=()))
    html5lib.HTMLParser(strict=True).parse(page)
    assert "service-" not in page.split("<script")[0].split("</style>")[1]


def test_the_policy_lets_run_the_viewer_and_nothing_else() -> None:
    page = draw_block()
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', page)[1]  # type: ignore[index]
    rules = dict(rule.split(" ", 1) for rule in policy.split("; "))
    script = page.rsplit("<script>", 1)[1].split("</script>")[0]
    style = page.split("<style>")[1].split("</style>")[0]
    for name, text in (("script-src", script), ("style-src", style)):
        digest = b64encode(sha256(text.encode()).digest()).decode()
        assert rules.pop(name) == f"'sha256-{digest}'"
    assert rules == {"default-src": "'none'", "img-src": "data:", "base-uri": "'none'", "form-action": "'none'"}


def test_the_viewer_is_built_from_its_sources() -> None:
    web = PAGE / "web"
    digest = sha256()
    for name in ("package-lock.json", *sorted(f"src/{path.name}" for path in (web / "src").iterdir())):
        digest.update(f"{name}\n".encode() + (web / name).read_bytes().replace(b"\r\n", b"\n"))
    first = (PAGE / "viewer.min.js").read_text(encoding="utf-8").split("\n", 1)[0]
    assert first == f"/* sources {digest.hexdigest()} */", "run npm ci and npm run build in mountgen/page/web"


@pytest.mark.skipif(
    shutil.which("node") is None or not (PAGE / "web" / "node_modules").exists(),
    reason="node, or the build's packages (npm ci in mountgen/page/web), are not there",
)
def test_building_again_gives_the_same_viewer(tmp_path: Path) -> None:
    copy = tmp_path / "page"
    shutil.copytree(PAGE / "web", copy / "web", symlinks=True)
    subprocess.run(["node", "build.mjs"], cwd=copy / "web", check=True, capture_output=True)
    for name in ("viewer.min.js", "viewer.licence.txt"):
        assert (copy / name).read_bytes() == (PAGE / name).read_bytes()


def test_the_licence_of_what_is_built_in_goes_with_the_page() -> None:
    licence = (PAGE / "viewer.licence.txt").read_text(encoding="utf-8")
    assert "MIT" in licence
    assert "Permission is hereby granted" in "".join(html5lib.parse(draw_block()).itertext())


TEXTS = [(text, ground) for text in ("ink", "muted", "accent", "pass", "caution", "fail") for ground in ("ground", "panel")]
SHAPES = [(shape, "ground") for shape in ("fill-1", "fill-2", "fill-3", "line")]


@pytest.mark.parametrize("theme", ["light", "dark", "print"])
def test_contrast_is_enough_in_every_theme(theme: str) -> None:
    """WCAG 2.2, 1.4.3: 4.5 for text; 1.4.11: 3 for what must be seen otherwise."""
    colours = _read_themes()[theme]
    for text, ground in TEXTS:
        assert _contrast(colours[text], colours[ground]) >= 4.5, (text, ground)
    for shape, ground in SHAPES:
        assert _contrast(colours[shape], colours[ground]) >= 3.0, (shape, ground)
    mark = "#" + "".join(f"{v:02x}" for v in COLOURS["mark"])
    assert _contrast(mark, colours["stage"]) >= 3.0  # handle and frame of the cut


def test_verdicts_differ_by_more_than_colour() -> None:
    page = draw_block()
    assert len(set(re.findall(r'class="mark" aria-hidden="true">(.)<', page))) > 1


# Linear RGB as seen without one kind of cone. G. M. Machado, M. M. Oliveira, L. A. F. Fernandes (2009), A physiologically-based
# model for simulation of color vision deficiency, IEEE TVCG 15(6):1291-1298, table for a severity of 1.0; from memory.
SIGHT = {
    "usual": np.eye(3),
    "protan": np.array([[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]),
    "deutan": np.array([[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]),
    "tritan": np.array([[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]),
}


@pytest.mark.parametrize("sight", SIGHT)
def test_colours_that_must_differ_do_for_every_kind_of_sight(sight: str) -> None:
    """CIELAB distances; 2.3 is just noticeable (M. Mahy and others 1994), 12 is told apart at a glance."""
    ramp = [tuple(ramp_gap(0.5).paint(np.array(gap)) * 255) for gap in (0.0, 0.25, 0.5, 0.75, 1.0)]
    fills = [[_channels(theme[f"fill-{k}"]) for k in (1, 2, 3)] for theme in _read_themes().values()]
    for group in (ramp, [ramp[0], ramp[2], ramp[4], COLLISION, NEUTRAL], [SCAN, INSIDE, NEUTRAL], *fills):
        seen = [_lab(SIGHT[sight] @ _linear(colour)) for colour in group]
        assert min(np.linalg.norm(a - b) for k, a in enumerate(seen) for b in seen[k + 1 :]) > 12.0


def test_a_part_that_is_to_touch_is_coloured_too() -> None:
    standing = make_standing(Surface(RECESS.vertices, RECESS.faces), np.zeros(len(RECESS.faces)))
    loose, touching = block(), box((WIDTH - 0.2, HEIGHT - 0.2, DEPTH - 0.1), (0.0, 0.0, -DEPTH / 2 + 0.05))
    far, near = (unpack(make_layers(part, pack_scan(RECESS), standing)[1].mesh)[2] for part in (loose, touching))
    assert np.isnan(far).all()  # half a millimetre is past the colours of a clearance of 0.1
    assert np.nanmin(near) == pytest.approx(0.1, abs=1e-4)
    legend = draw_legend(dict.fromkeys(ZONES, 0.0))
    assert "0.20" in legend
    assert "asked for" not in legend
    assert "asked for" in draw_legend(dict.fromkeys(ZONES, 0.5))


def test_where_zones_differ_each_place_knows_what_was_asked_for_there() -> None:
    """The page paints gap / asked then; the gap in mm is still what a click reads."""
    surface = Surface(RECESS.vertices, RECESS.faces)
    zones = {"floor": 0.25, "walls": 0.5, "rim": 0.75}
    asked = np.array([zones[name] for name in ZONES])[classify_faces(surface.vertices, surface.faces, RECESS.lid)]
    everywhere = np.full(len(asked), 0.5)
    alike, mixed = (make_layers(block(), pack_scan(RECESS), make_standing(surface, each))[1].mesh for each in (everywhere, asked))
    assert alike.asked_step == 0.0
    places, _, gap = unpack(mixed)
    wanted = read_asked(mixed)
    assert len(wanted) == len(gap)
    inner = np.abs(places[:, :2]) < np.array([WIDTH, HEIGHT]) / 2 - 6.0
    floor = inner.all(axis=1) & (places[:, 2] < -DEPTH + 1.0)
    wall = inner[:, 1] & (places[:, 0] > WIDTH / 2 - 1.0) & (np.abs(places[:, 2] + DEPTH / 2) < 4.0)
    assert min(floor.sum(), wall.sum()) > 4
    assert wanted[floor] == pytest.approx(0.25, abs=1e-4)
    assert wanted[wall] == pytest.approx(0.5, abs=1e-4)
    assert gap[floor] == pytest.approx(CLEARANCE, abs=1e-3)
    legend = draw_legend(zones)
    assert "floor 0.25, walls 0.5, rim 0.75 mm" in legend
    report = block_report()
    report["recipe"] = RECIPE | {"fit": RECIPE["fit"] | zones}  # type: ignore[operator]
    report["fit"]["gap_by_zone"] = {"floor": 0.24, "walls": 0.49}
    head = draw_block(report=report).split("</header>")[0]
    assert "floor 0.25, walls 0.5, rim 0.75 mm" in head
    assert "floor 0.24, walls 0.49 mm" in head
    assert "over 4 times as much" in legend
    values, ramp = scale_gap(np.array([0.25, 0.5, 0.5]), np.array([0.25, 0.5, 0.25]))
    assert values == pytest.approx([1.0, 1.0, 2.0])
    assert ramp.high == 2.0


def test_the_contrast_of_known_pairs() -> None:
    """Black on white is 21; #767676 on white is the lightest grey that passes, 4.54 (WCAG's own examples)."""
    assert _contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert _contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


def _read_themes() -> dict[str, dict[str, str]]:
    blocks = re.findall(r":root \{(.*?)\}", (PAGE / "page.css").read_text(encoding="utf-8"), re.DOTALL)
    themes = [dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", block)) for block in blocks]
    assert len(themes) == 3
    return dict(zip(("light", "dark", "print"), themes, strict=True))


def _contrast(first: str, second: str) -> float:
    """WCAG 2.2: relative luminance of sRGB colours, ratio of the lighter to the darker, 0.05 added to both."""

    weights = np.array([0.2126, 0.7152, 0.0722])
    light, dark = sorted((float(_linear(_channels(each)) @ weights) for each in (first, second)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def _channels(colour: str) -> tuple[int, ...]:
    return tuple(int(colour[k : k + 2], 16) for k in (1, 3, 5))


def _linear(colour: Any) -> Floats:
    """IEC 61966-2-1: 0..255 to linear shares."""
    share = np.asarray(colour, dtype=np.float64) / 255
    return np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)


def _lab(linear: Floats) -> Floats:
    """CIELAB of linear sRGB, D65."""
    to_xyz = np.array([[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]])
    xyz = to_xyz @ np.clip(linear, 0.0, 1.0) / (0.95047, 1.0, 1.08883)
    x, y, z = np.where(xyz > 0.008856, np.cbrt(xyz), 7.787 * xyz + 16 / 116)
    return np.array([116 * y - 16, 500 * (x - y), 200 * (y - z)])


def _signed_area(ring: Floats) -> float:
    x, y = ring.T
    return float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) / 2.0


def _parse(markup: str) -> Any:
    return html5lib.parse(markup)


def _find(tree: Any, name: str) -> Any:
    return next(each for each in tree.iter() if each.get("id") == name)


def test_the_least_gap_of_the_block_is_the_clearance() -> None:
    assert inspect_block().rest.min == pytest.approx(CLEARANCE)


def test_make_writes_the_page_with_the_report_that_it_writes(tmp_path: Path) -> None:
    """The one real run here: a blank for the switch opening, the smallest scan of the examples."""
    recipe = tmp_path / "blank.toml"
    recipe.write_text('name = "blank"\nbase = "plug"\nnote = "for <Juniper> & friends"\n', encoding="utf-8")
    loaded = load_recipe(recipe, overrides=[], scan=PAGE.parent.parent / "examples" / "scans" / "switch_opening.ply")

    class Silent:
        def stage(self, name: str) -> AbstractContextManager[None]:
            return nullcontext()

        def say(self, text: str) -> None:
            pass

    made = make(loaded, tmp_path / "out", store=Store(None), progress=Silent())
    text = made.files["report.html"].read_text(encoding="utf-8")
    assert len(text.encode("utf-8")) < 8_000_000
    tree = html5lib.HTMLParser(strict=True).parse(text)
    assert json.loads(_find(tree, "report").text) == json.loads(made.files["report.json"].read_bytes())
    assert json.loads(_find(tree, "report").text)["files"]["page"] == "report.html"
    kinds = [each.get("data-kind") for each in tree.iter(f"{NS}script") if each.get("class") == "mesh"]
    assert kinds == ["scan", "part"]
    assert "for &lt;Juniper&gt; &amp; friends" in text
    assert {"service-heat-chapter", "service-fit_stack-chapter", "cautions-chapter"} <= {each.get("id") for each in tree.iter()}
    assert "report.html" in name_outputs("blank")


def test_a_packed_mesh_from_elsewhere_is_taken_only_if_it_is_one() -> None:
    """What a page is given of a kept result goes into it as it is."""
    packed = pack_scan(RECESS)
    kept = json.loads(json.dumps(asdict(packed)))
    assert Packed.check(**kept) == packed
    for wrong in ({"data": "</script><script>"}, {"low": [0.0, 1.0]}, {"step": "0"}):
        with pytest.raises((TypeError, ValueError)):
            Packed.check(**(kept | wrong))
