"""The README's example as a whole: it is made, what is printed can be read, and its pictures are those that are shown."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from mountgen.outputs import PICTURES
from tests.conftest import ROOT, Juniper
from tests.pdf_reading import read_pdf

SHOWN = ROOT / "examples" / "pictures"
ALIKE = 4.0  # of 255 grey levels, on average; another view of the same part is 10 and more apart


def shrink(path: Path) -> bytes:
    with Image.open(path) as picture:
        return picture.convert("L").resize((118, 80)).tobytes()


def differ(first: Path, second: Path) -> float:
    a, b = shrink(first), shrink(second)
    return sum(abs(x - y) for x, y in zip(a, b, strict=True)) / len(a)


def test_it_is_made_and_no_check_fails(juniper: Juniper) -> None:
    assert juniper.code == 0, juniper.told[-3000:]
    for ending in (*PICTURES, "-heat.png", "-sections.pdf", "-sections.dxf", "-sections.svg", "-drawing.pdf", ".3mf"):
        assert (juniper.folder / f"juniper-shelf{ending}").stat().st_size > 3000, ending


def test_the_terminal_shows_one_table_and_no_wall_of_text(juniper: Juniper) -> None:
    lines = juniper.printed.splitlines()
    assert sum(line.startswith("verdict ") for line in lines) == 1
    assert sum(not line.startswith("pass ") for line in lines) < 85  # what was found, what is no pass, cautions, 16 files
    assert max(len(line) for line in lines if not line.startswith("wrote ")) <= 120
    for name in ("clearance at rest", "clearance over the insertion"):
        (row,) = (line for line in lines if line.startswith("pass ") and name in line)
        assert re.search(r"0\.\d+ +0\.47 +mm +recipe$", row)
    assert not re.search(r"\[-?\d\.\d{3,}", juniper.printed)  # no raw vector


def test_the_readme_shows_what_is_drawn_now(juniper: Juniper) -> None:
    used = re.findall(r"!\[[^\]]+\]\(examples/pictures/([\w.-]+)\)", (ROOT / "README.md").read_text(encoding="utf-8"))
    assert {f"juniper-shelf-{look}.png" for look in ("mouth", "three-quarter", "section")} <= set(used)
    drawn = {name: juniper.folder / name for name in used if name.startswith("juniper-shelf-") and "drawing" not in name}
    for name, path in drawn.items():
        assert differ(SHOWN / name, path) < ALIKE, f"{name} in the README is not what the tool draws now"
    others = [differ(SHOWN / a, drawn[b]) for a in drawn for b in drawn if a != b]
    assert min(others) > 2.0 * ALIKE  # so that the bound above can tell


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="no other program here that draws a PDF")
def test_the_drawing_has_ink_in_all_its_views(juniper: Juniper, tmp_path: Path) -> None:
    source = juniper.folder / "juniper-shelf-drawing.pdf"
    subprocess.run(["pdftoppm", "-r", "60", "-png", "-singlefile", source, tmp_path / "page"], check=True)
    with Image.open(tmp_path / "page.png") as page:
        dark = page.convert("L").point(lambda v: 255 if v < 100 else 0)
    for box in ((0.1, 0.1, 0.45, 0.3), (0.45, 0.1, 0.6, 0.3), (0.1, 0.3, 0.45, 0.5), (0.0, 0.85, 1.0, 1.0)):
        part = dark.crop(tuple(round(share * side) for share, side in zip(box, 2 * page.size, strict=True)))
        assert part.getbbox() is not None, box


def test_no_line_of_the_drawing_crosses_a_plain_face(juniper: Juniper) -> None:
    """Seen from above the shelf has edges along it and across, and a bowed lip: nothing long that runs askew."""
    (page,) = read_pdf((juniper.folder / "juniper-shelf-drawing.pdf").read_bytes())
    spots = {text: spot for text, spot, _ in page.texts}
    below, above = spots["from 12 o'clock"], spots["from the mouth"]
    pieces = np.concatenate([
        np.stack([path.points[:-1], path.points[1:]], axis=1) for path in page.paths if path.paint == "stroke" and not path.dash
    ])  # fmt: skip
    middle, along = pieces.mean(axis=1), np.abs(pieces[:, 1] - pieces[:, 0])
    here = (middle[:, 1] > below[1]) & (middle[:, 1] < above[1]) & (middle[:, 0] < below[0] + 60.0)
    assert here.sum() > 50
    slope = np.degrees(np.arctan2(along[:, 1], along[:, 0]))
    askew = pieces[here & (slope > 10.0) & (slope < 80.0) & (np.hypot(*along.T) > 10.0)]
    assert askew.round(1).tolist() == []


def test_every_picture_that_is_kept_is_shown_somewhere() -> None:
    pages = "".join((ROOT / name).read_text(encoding="utf-8") for name in ("README.md", "examples/first-part.md"))
    for path in SHOWN.iterdir():
        assert f"pictures/{path.name}" in pages, path.name
