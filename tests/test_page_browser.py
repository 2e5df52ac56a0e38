"""The page in a real browser, without a network: what is seen, moved, read and refused."""

from __future__ import annotations

import io
import json
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import igl
import numpy as np
import pytest
import trimesh
from PIL import Image

from tests.conftest import ROOT, Juniper
from tests.pages import CLEARANCE, DEPTH, HEIGHT, LEGS, draw_block
from tests.test_page import ATTACK, attacked_report

CHROMIUM = next((path for name in ("chromium", "chromium-browser") if (path := shutil.which(name))), None)
if CHROMIUM is None:
    pytest.skip("no chromium on the path: install it (Debian: apt-get install chromium)", allow_module_level=True)
sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed: pip install '.[dev]'")

ARGUMENTS = (
    "--no-sandbox", "--disable-gpu", "--use-angle=swiftshader", "--enable-unsafe-swiftshader", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip
READY = '#view[data-state="ready"]'
SHADED = 25  # of 255, by which a pixel must differ to count as changed
HALF = np.array([42.0, 32.0, 20.0])  # of the scene: the scan's panel, and 20 mm up (keep-out) and down (floor)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with sync_api.sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=list(ARGUMENTS))
        yield started
        started.close()


class Opened:
    """A page that was opened, with all that it said and asked for."""

    def __init__(self, browser: Any, path: Path, *, before: str = "", state: str = READY, **context: Any) -> None:
        options = {"viewport": {"width": 800, "height": 640}, "offline": True} | context
        self.context = browser.new_context(**options)
        self.page = self.context.new_page()
        self.errors: list[str] = []
        self.requests: list[str] = []
        self.page.on("pageerror", lambda error: self.errors.append(str(error)))
        self.page.on("console", lambda message: message.type == "error" and self.errors.append(message.text))
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.refused: list[str] = []
        self.page.on("requestfailed", lambda request: request.failure == "csp" and self.refused.append(request.url))
        listen = "addEventListener('securitypolicyviolation', (event) => refused.push(event.blockedURI));"
        self.page.add_init_script(f"window.refused = []; {listen} {before}")
        self.page.goto(path.as_uri())
        self.page.wait_for_selector(state, timeout=60_000)

    def see(self) -> np.ndarray[Any, np.dtype[np.int64]]:
        """Return the view as pixels, rows x columns x 3."""
        self.page.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
        shot = self.page.locator("#view-canvas").screenshot()
        return np.asarray(Image.open(io.BytesIO(shot)).convert("RGB")).astype(np.int64)[2:-2, 2:-2]

    def place(self, x: float, y: float) -> tuple[float, float]:
        """Return where a point of the mouth's plane, mm, is on the screen when one looks into the mouth."""
        self.page.evaluate("document.getElementById('view-canvas').scrollIntoView({ block: 'center' })")
        box = self.page.locator("#view-canvas").bounding_box()
        width, height = box["width"], box["height"]
        mm = 2 * 1.04 * max(HALF[1], HALF[0] * height / width) / height  # millimetres a pixel: all of the scene fits in
        return box["x"] + width / 2 + x / mm, box["y"] + height / 2 - y / mm

    def slide(self, name: str, value: float) -> None:
        self.page.evaluate(
            """([name, value]) => {
                const slider = document.getElementById(name);
                slider.value = value;
                slider.dispatchEvent(new Event("input"));
            }""",
            [name, value],
        )

    def read(self, name: str) -> str:
        return str(self.page.inner_text(f"#{name}")).replace("\N{MINUS SIGN}", "-")


def changed(before: Any, after: Any) -> float:
    """Return the share of pixels that differ."""
    return float((np.abs(before - after).max(axis=2) > SHADED).mean())


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("page") / "report.html"
    file.write_text(draw_block(), encoding="utf-8")
    return file


@pytest.fixture
def opened(browser: Any, path: Path) -> Iterator[Opened]:
    page = Opened(browser, path)
    page.page.locator("#view-canvas").scroll_into_view_if_needed()
    yield page
    assert page.errors == []
    page.context.close()


def test_it_opens_without_an_error_and_asks_for_nothing(opened: Opened, path: Path) -> None:
    assert [url for url in opened.requests if not url.startswith("data:")] == [path.as_uri()]
    assert opened.page.evaluate("refused") == []
    assert opened.page.title() == "juniper-block: caution"
    assert opened.page.is_hidden("#view-message")


def test_what_the_page_would_ask_for_is_refused(browser: Any, path: Path) -> None:
    opened = Opened(browser, path, offline=False)
    for script in (
        "new Image().src = 'http://127.0.0.1:9/x.png'",
        "fetch('http://127.0.0.1:9/').catch(() => 0)",
        "document.body.append(Object.assign(document.createElement('script'), { textContent: 'window.taken = 1' }))",
    ):
        opened.page.evaluate(f"() => {{ {script} }}")
    opened.page.wait_for_function("refused.length >= 3")
    assert opened.page.evaluate("window.taken") is None
    assert [url for url in opened.requests if url.startswith("http") and url not in opened.refused] == []
    opened.context.close()


def test_the_view_shows_scan_and_part_in_their_colours(opened: Opened) -> None:
    opened.page.click("text=into the mouth")
    seen = opened.see()
    ground = seen[0, 0]
    assert 0.3 < (np.abs(seen - ground).max(axis=2) > 8).mean() < 0.9
    for name, share in (("scan", 0.1), ("device", 0.1), ("part", 0.05), ("keep-out", 0.003)):
        opened.page.uncheck(f'input[data-layer="{name}"]')
        hidden = opened.see()
        assert changed(seen, hidden) > share / 2, name
        seen = hidden
    assert (np.abs(seen - ground).max(axis=2) <= 2).all()  # nothing is left


def test_the_bottom_has_the_colour_of_its_gap(opened: Opened) -> None:
    opened.page.click("text=from behind")
    opened.page.uncheck('input[data-layer="scan"]')
    seen = opened.see()
    x, y = opened.place(3.0, 4.0)
    box = opened.page.locator("#view-canvas").bounding_box()
    pixel = seen[int(y - box["y"]) - 2, int(x - box["x"]) - 2] / 255
    assert pixel / pixel.max() == pytest.approx(np.array([255, 255, 191]) / 255, abs=0.04)  # the ramp's middle: as asked for


def test_a_click_reads_place_and_gap(opened: Opened) -> None:
    opened.page.click("text=into the mouth")
    opened.page.uncheck('input[data-layer="device"]')
    opened.page.mouse.click(*opened.place(-12.0, 7.0))
    numbers = [float(v) for v in re.findall(r"-?\d+\.\d+", opened.read("pick-read"))]
    assert opened.read("pick-read").startswith("part: ")
    assert numbers[:3] == pytest.approx([-12.0, 7.0, 0.0], abs=0.25)
    assert "no scan within 2 mm" in opened.read("pick-read")
    opened.page.click("text=from behind")
    opened.page.uncheck('input[data-layer="scan"]')
    opened.page.mouse.click(*opened.place(12.0, 7.0))  # right is 9 o'clock now
    numbers = [float(v) for v in re.findall(r"-?\d+\.\d+", opened.read("pick-read"))]
    assert numbers[:3] == pytest.approx([-12.0, 7.0, CLEARANCE - DEPTH], abs=0.25)
    assert "10:00 o'clock" in opened.read("pick-read")
    assert numbers[-1] == pytest.approx(CLEARANCE, abs=0.01)
    opened.page.mouse.click(*opened.place(0.0, 31.9))
    assert opened.read("pick-read") == "Nothing there."


def test_the_cut_takes_away_what_lies_before_it(opened: Opened) -> None:
    before = opened.see()
    assert opened.page.is_disabled("#cut-place")
    opened.page.select_option("#cut-axis", "x")
    assert changed(before, opened.see()) > 0.05
    opened.page.click("text=from 3 o'clock")
    for layer in ("device", "keep-out", "scan"):
        opened.page.uncheck(f'input[data-layer="{layer}"]')
    seen = opened.see()
    inside = (np.abs(seen - (153, 163, 176)).max(axis=2) <= 3).mean()
    box = opened.page.locator("#view-canvas").bounding_box()
    mm = 2 * 1.04 * max(HALF[1], HALF[2] * box["height"] / box["width"]) / box["height"]
    area = (HEIGHT - 1.0) * (DEPTH - 0.5) / mm**2 / (box["width"] * box["height"])
    assert inside == pytest.approx(area, rel=0.03)  # the cut face, in its own colour
    x, y = box["x"] + box["width"] / 2 + 10.0 / mm, box["y"] + box["height"] / 2
    opened.page.mouse.click(x, y)
    assert "inside the part, on the cut" in opened.read("pick-read")
    opened.slide("cut-place", 12.0)
    assert opened.read("cut-read") == "x = 12.0 mm"
    opened.page.mouse.click(x, y)
    assert re.match(r"part: x 12\.00  y -?0\.\d+  z -10\.\d+ mm", opened.read("pick-read"))
    opened.page.check("#cut-turned")
    opened.page.mouse.click(x, y)
    assert re.match(r"part: x 29\.50 ", opened.read("pick-read"))


def test_the_cut_is_dragged_by_its_handle_and_moved_by_key(opened: Opened) -> None:
    opened.page.click("text=into the mouth")
    opened.page.select_option("#cut-axis", "x")
    opened.slide("cut-place", 0.0)
    before = opened.see()
    x, y = opened.place(0.0, HALF[1] + 0.5)  # the frame stands half a millimetre off
    moved_x, _ = opened.place(15.0, 0.0)
    opened.page.mouse.move(x, y + 2)
    opened.page.mouse.down()
    opened.page.mouse.move((x + moved_x) / 2, y + 2)
    opened.page.mouse.move(moved_x, y + 2)
    opened.page.mouse.up()
    at = float(opened.read("cut-read").split()[2])
    assert at == pytest.approx(15.0, abs=0.5)
    assert float(opened.page.input_value("#cut-place")) == pytest.approx(at, abs=0.06)
    assert changed(before, opened.see()) > 0.03
    opened.page.focus("#cut-place")
    opened.page.keyboard.press("ArrowRight")
    assert float(opened.read("cut-read").split()[2]) == pytest.approx(at + 0.1, abs=0.06)


def test_taken_out_the_device_goes_first_then_the_part(opened: Opened) -> None:
    opened.page.click("text=from 3 o'clock")
    before = opened.see()
    legs = sum(float(np.linalg.norm(leg)) for leg in LEGS)
    opened.slide("way-out", 100)
    part, device = (float(v) for v in re.findall(r"-?\d+\.\d+", opened.read("way-out-read")))
    assert part == pytest.approx(DEPTH - CLEARANCE + 5.0, abs=0.1)  # to 5 mm before the mouth
    assert device == pytest.approx(legs + part, abs=0.1)
    assert changed(before, opened.see()) > 0.02
    opened.slide("way-out", 30)
    part, device = (float(v) for v in re.findall(r"-?\d+\.\d+", opened.read("way-out-read")))
    assert part == 0.0
    assert device == pytest.approx(0.3 * (legs + DEPTH - CLEARANCE + 5.0), abs=0.1)
    opened.slide("way-out", 100)
    opened.page.click("text=into the mouth")
    opened.page.uncheck('input[data-layer="device"]')
    opened.page.mouse.click(*opened.place(-12.0, 7.0))
    numbers = [float(v) for v in re.findall(r"-?\d+\.\d+", opened.read("pick-read"))]
    assert numbers[2] == pytest.approx(0.0, abs=0.1)  # its own coordinates, wherever it has been moved
    opened.slide("way-out", 0)
    assert opened.read("way-out-read") == "seated"


def test_the_view_is_used_by_keyboard_alone(opened: Opened) -> None:
    opened.page.focus("#view-canvas")
    before = opened.see()
    for key, least in (("ArrowLeft", 0.01), ("ArrowDown", 0.01), ("+", 0.01), ("-", 0.01), ("Shift+ArrowUp", 0.01)):
        opened.page.keyboard.press(key)
        after = opened.see()
        assert changed(before, after) > least, key
        before = after
    opened.page.keyboard.press("Enter")
    assert " mm, " in opened.read("pick-read")
    reached = set()
    opened.page.focus("a.skip")
    for _ in range(60):
        reached.add(opened.page.evaluate("(({ id, dataset }) => id || dataset.layer || dataset.look)(document.activeElement)"))
        opened.page.keyboard.press("Tab")
    assert {"view-canvas", "scan", "part", "device", "keep-out", "see-through"} <= reached
    assert {"mouth", "behind", "cut-axis", "way-out"} <= reached


def test_drag_turns_and_the_wheel_zooms_only_once_the_view_was_chosen(opened: Opened) -> None:
    x, y = opened.place(0.0, 0.0)
    opened.page.evaluate("scrollTo(0, 0)")
    opened.page.locator("#view-canvas").scroll_into_view_if_needed()
    before = opened.see()
    opened.page.mouse.move(x, y)
    opened.page.mouse.wheel(0, -300)
    opened.page.locator("#view-canvas").scroll_into_view_if_needed()
    assert changed(before, opened.see()) < 0.001
    opened.page.focus("#view-canvas")
    x, y = opened.place(0.0, 0.0)
    opened.page.mouse.move(x, y)
    opened.page.mouse.wheel(0, -300)
    zoomed = opened.see()
    assert changed(before, zoomed) > 0.05
    opened.page.mouse.down()
    opened.page.mouse.move(x + 120, y + 30, steps=4)
    opened.page.mouse.up()
    assert changed(zoomed, opened.see()) > 0.05


def test_a_phone_shows_all_of_it_without_scrolling_sideways(browser: Any, path: Path) -> None:
    opened = Opened(browser, path, viewport={"width": 360, "height": 740}, has_touch=True, is_mobile=True, color_scheme="dark")
    assert opened.page.evaluate("document.documentElement.scrollWidth") == 360
    targets = "[...document.querySelectorAll('button, select, fieldset label, nav a')]"
    heights = opened.page.evaluate(f"{targets}.map((each) => each.getBoundingClientRect().height)")
    assert min(heights) >= 24  # WCAG 2.2, 2.5.8: a target is 24 px at least
    assert len(np.unique(opened.see().reshape(-1, 3), axis=0)) > 200
    assert opened.errors == []
    opened.context.close()


def test_two_fingers_zoom_and_shift_the_view(browser: Any, path: Path) -> None:
    opened = Opened(browser, path, viewport={"width": 360, "height": 740}, has_touch=True, is_mobile=True)
    x, y = opened.place(0.0, 0.0)
    before = opened.see()
    touch = opened.context.new_cdp_session(opened.page)

    def send(kind: str, *spots: tuple[float, float]) -> None:
        points = [{"x": u, "y": v, "id": k} for k, (u, v) in enumerate(spots)]
        touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    send("touchStart", (x - 30, y), (x + 30, y))
    for spread in (40, 50, 60):
        send("touchMove", (x - spread, y), (x + spread, y))
    send("touchEnd")
    zoomed = opened.see()
    seen = [(np.abs(each - each[0, 0]).max(axis=2) > 8).sum() for each in (before, zoomed)]
    assert seen[1] > 1.5 * seen[0]  # twice as far apart: up to four times the area, less what has left the picture
    assert opened.read("pick-read") == "Click a point to read it."  # two fingers read nothing
    send("touchStart", (x, y))
    send("touchMove", (x + 60, y))
    send("touchEnd")
    assert changed(zoomed, opened.see()) > 0.05  # one turns
    assert opened.errors == []
    opened.context.close()


def test_on_paper_the_view_is_a_picture_and_controls_are_left_out(opened: Opened) -> None:
    opened.page.emulate_media(media="print")
    opened.page.evaluate("dispatchEvent(new Event('beforeprint'))")
    opened.page.wait_for_function("document.getElementById('view-print').naturalWidth > 100")
    assert opened.page.is_hidden(".controls")
    assert opened.page.is_visible("#view-print")
    assert opened.page.is_visible("details.values table")
    shot = np.asarray(Image.open(io.BytesIO(opened.page.locator("#view-print").screenshot())).convert("RGB"))
    assert len(np.unique(shot.reshape(-1, 3), axis=0)) > 200
    assert opened.page.pdf()[:5] == b"%PDF-"


def test_without_webgl_the_page_says_so_and_the_rest_is_there(browser: Any, path: Path) -> None:
    opened = Opened(
        browser, path, before="HTMLCanvasElement.prototype.getContext = () => null;", state='#view[data-state="failed"]'
    )
    assert "needs WebGL 2, which this browser does not offer" in opened.page.inner_text("#view-message")
    assert opened.page.is_hidden(".controls")
    assert opened.page.is_visible("table.checks")
    assert opened.errors == []
    opened.context.close()


def test_without_scripts_the_page_says_so_and_the_rest_is_there(browser: Any, path: Path) -> None:
    opened = Opened(browser, path, state="table.checks", java_script_enabled=False)
    assert opened.page.is_visible("noscript p")
    assert "The 3D view needs JavaScript" in opened.page.inner_text("noscript")
    assert opened.page.is_hidden(".controls")
    opened.context.close()


def test_what_users_write_runs_nothing(browser: Any, tmp_path: Path) -> None:
    file = tmp_path / "report.html"
    file.write_text(draw_block(report=attacked_report(), recipe=ATTACK, keep_out=ATTACK), encoding="utf-8")
    opened = Opened(browser, file)
    assert opened.page.title() == "juniper-block: fail"
    assert opened.page.evaluate("refused") == []
    assert opened.page.evaluate("document.querySelectorAll('img').length") == 1
    opened.page.click("text=into the mouth")
    opened.page.mouse.click(*opened.place(36.0, 0.0))
    assert opened.read("pick-read").startswith("</script><script>document.title=")
    assert opened.errors == []
    opened.context.close()


# --- the page of a real run: the README's example ---


@pytest.fixture(scope="module")
def made(juniper: Juniper) -> Path:
    assert juniper.code == 0, juniper.told[-2000:]
    return juniper.folder / "report.html"


@pytest.fixture
def real(browser: Any, made: Path) -> Iterator[Opened]:
    page = Opened(browser, made, viewport={"width": 1100, "height": 800})
    page.page.locator("#view-canvas").scroll_into_view_if_needed()
    yield page
    assert page.errors == []
    assert [url for url in page.requests if not url.startswith("data:")] == [made.as_uri()]
    assert page.page.evaluate("refused") == []
    page.context.close()


def test_a_real_page_opens_small_and_shows_scan_part_and_device(real: Opened, made: Path) -> None:
    assert made.stat().st_size < 8_000_000
    for look in ("from upper right", "into the mouth", "from 3 o'clock", "from below", "from behind"):
        real.page.click(f"text={look}")
        seen = real.see()
        assert 0.1 < (np.abs(seen - seen[0, 0]).max(axis=2) > 8).mean() < 0.9, look
        assert len(np.unique(seen.reshape(-1, 3), axis=0)) > 200, look
    real.page.click("text=from upper right")
    seen = real.see()
    for layer in ("device", "scan", "part"):
        real.page.uncheck(f'input[data-layer="{layer}"]')
        hidden = real.see()
        assert changed(seen, hidden) > 0.02, layer
        seen = hidden
    assert len(np.unique(seen.reshape(-1, 3), axis=0)) < 5  # nothing is left
    real.page.check('input[data-layer="part"]')
    assert changed(seen, real.see()) > 0.02


def test_a_gap_read_by_a_click_is_the_distance_to_the_scan_file(real: Opened, made: Path) -> None:
    """Points on the part's back, by another library's distances to the raw scan, through the report's own transformation."""
    report = json.loads(made.with_name("report.json").read_bytes())
    scan = trimesh.load(ROOT / "examples" / "scans" / "dash_cubby.ply", process=False)
    real.page.click("text=from behind")
    real.page.uncheck('input[data-layer="scan"]')
    real.page.uncheck('input[data-layer="device"]')
    seen = real.see()
    yellow = (seen.min(axis=2) > 110) & (seen[..., 1] - seen[..., 2] > 20) & (np.abs(seen[..., 0] - seen[..., 1]) < 14)
    rows, cols = np.nonzero(yellow)
    assert len(rows) > 2000  # the back follows the panel at the gap that was asked for
    box = real.page.locator("#view-canvas").bounding_box()
    told = []
    for k in np.linspace(0.05, 0.95, 15):
        row, col = (int(each[int(k * len(rows))]) for each in (rows, cols))
        real.page.mouse.click(box["x"] + col + 2, box["y"] + row + 2)
        told.append([float(v) for v in re.findall(r"-?\d+\.\d+", real.read("pick-read"))])
        assert real.read("pick-read").startswith("part: ")
    numbers = np.array([[*each[:3], each[-1]] for each in told])
    to_scan = np.array(report["part_to_scan"])
    points = numbers[:, :3] @ to_scan[:3, :3].T + to_scan[:3, 3]
    away = np.sqrt(igl.point_mesh_squared_distance(points, np.asarray(scan.vertices), np.asarray(scan.faces))[0])
    close = np.abs(numbers[:, 3] - away) < 0.05  # corners 3 mm apart, and two digits of the place
    assert close.sum() >= 13  # but where the file has a drop-out that was bridged
    assert np.ptp(numbers[:, 0]) > 20.0


def test_a_real_part_is_cut_open_and_taken_out(real: Opened) -> None:
    real.page.click("text=from 3 o'clock")
    whole = real.see()
    real.page.select_option("#cut-axis", "x")
    cut = real.see()
    assert changed(whole, cut) > 0.05
    assert (np.abs(cut - (153, 163, 176)).max(axis=2) <= 3).mean() > 0.02  # the cut face
    real.page.focus("#cut-place")
    before = real.read("cut-read")
    for _ in range(20):
        real.page.keyboard.press("ArrowRight")
    assert real.read("cut-read") != before
    real.page.select_option("#cut-axis", "")
    real.slide("way-out", 100)
    part, device = (float(v) for v in re.findall(r"-?\d+\.\d+", real.read("way-out-read")))
    assert part > 55.0  # all of its depth
    assert device > part
    assert changed(whole, real.see()) > 0.05
    real.slide("way-out", 0)
    assert real.read("way-out-read") == "seated"
    assert changed(whole, real.see()) < 0.002


@pytest.mark.parametrize("width", [360, 768])
def test_a_real_page_fits_a_narrow_screen_with_everything_opened(browser: Any, made: Path, width: int) -> None:
    narrow = Opened(browser, made, viewport={"width": width, "height": 740}, has_touch=True, is_mobile=True)
    narrow.page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
    assert narrow.page.evaluate("document.documentElement.scrollWidth") == width
    beyond = """[...document.querySelectorAll('main *')].filter((each) => !each.closest('.wide, pre, svg, .skip'))
        .filter((each) => each.getBoundingClientRect().right > innerWidth + 1 && each.getBoundingClientRect().width > 0)
        .map((each) => each.outerHTML.slice(0, 80))"""
    assert narrow.page.evaluate(beyond) == []
    assert narrow.errors == []
    narrow.context.close()


def test_a_real_page_prints_with_all_values_and_nothing_cut_off(real: Opened) -> None:
    real.page.emulate_media(media="print")
    real.page.set_viewport_size({"width": 690, "height": 1000})  # A4 less its margins, at 96 to the inch
    real.page.evaluate("dispatchEvent(new Event('beforeprint'))")
    real.page.wait_for_function("document.getElementById('view-print').naturalWidth > 100")
    assert real.page.evaluate("document.documentElement.scrollWidth") <= 690
    assert real.page.locator("details.values:not([open])").count() == 0
    shot = np.asarray(Image.open(io.BytesIO(real.page.locator("#view-print").screenshot())).convert("RGB"))
    assert len(np.unique(shot.reshape(-1, 3), axis=0)) > 200


def look_at_words(page: Any, drawings: str) -> list[list[dict[str, Any]]]:
    """Return the boxes of all texts of each drawing that is shown, as the browser lays them out, where none runs into another."""
    boxes = """(drawings) => [...document.querySelectorAll(drawings)].filter((svg) => svg.getBoundingClientRect().width > 0).map(
        (svg) => [...svg.querySelectorAll('text')].map((each) => {
            const { left, right, top, bottom } = each.getBoundingClientRect();
            return { words: each.textContent, box: [left, top + 0.2 * (bottom - top), right, bottom - 0.2 * (bottom - top)] };
        }))"""
    found: list[list[dict[str, Any]]] = page.evaluate(boxes, drawings)
    for texts in found:
        for k, first in enumerate(texts):
            for second in texts[k + 1 :]:
                a, b = first["box"], second["box"]
                apart = a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]
                assert apart, (first["words"], second["words"])
    return found


def test_words_of_a_plot_and_of_sections_do_not_run_together(real: Opened) -> None:
    assert len(look_at_words(real.page, "main svg")) >= 6


@pytest.mark.parametrize("width", [320, 360, 412])
def test_a_phone_shows_plots_whole_and_large_enough_to_read(browser: Any, made: Path, width: int) -> None:
    """The limits are written at the right end of the plot of heat: nobody scrolls a plot sideways to find them."""
    narrow = Opened(browser, made, viewport={"width": width, "height": 740}, has_touch=True, is_mobile=True)
    plots = look_at_words(narrow.page, ".plot svg")
    assert len(plots) == 2
    for texts in plots:
        assert len(texts) > 8
        for text in texts:
            left, top, right, bottom = text["box"]
            assert left >= 0.0, text
            assert right <= width, text
            assert (bottom - top) / 0.6 >= 12.0, text  # px, of a line
    assert any("passes to" in text["words"] for text in plots[0])
    narrow.page.emulate_media(media="print")
    wide = narrow.page.evaluate("[...document.querySelectorAll('.plot svg')].map((each) => each.getBoundingClientRect().width)")
    assert sum(each > 0 for each in wide) == 2  # on paper each is there once
    narrow.context.close()
