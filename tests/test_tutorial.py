"""The page "A first part in ten minutes": every command of it runs, writes what it says, and prints what it shows."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest
from PIL import Image

ROOT = Path(__file__).resolve().parent.parent
PAGE = ROOT / "examples" / "first-part.md"
TEXT = PAGE.read_text(encoding="utf-8")
COMMANDS = re.findall(r"^```bash\n(.*?)^```$", TEXT, re.MULTILINE | re.DOTALL)
SHOWN = [line for block in re.findall(r"^```text\n(.*?)^```$", TEXT, re.MULTILINE | re.DOTALL) for line in block.splitlines()]
MOST = 300_000  # bytes of a picture


@dataclass(frozen=True)
class Run:
    """What all commands together did: exit code, their folder, what they printed."""

    code: int
    folder: Path
    printed: str


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    """Run the page's commands, one after the other, in a copy of the project's folder, with an empty cache of their own."""
    start = tmp_path_factory.mktemp("tutorial")
    (start / "examples" / "scans").mkdir(parents=True)
    shutil.copy(ROOT / "examples" / "scans" / "switch_opening.ply", start / "examples" / "scans")
    script = f'set -e\nmountgen() {{ "{sys.executable}" -m mountgen "$@"; }}\n' + "".join(COMMANDS)
    paths = os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")]).rstrip(os.pathsep)
    settings = os.environ | {"MOUNTGEN_CACHE": str(start / "cache"), "PYTHONPATH": paths, "COLUMNS": "200"}
    done = subprocess.run(["bash", "-c", script], cwd=start, env=settings, capture_output=True, text=True)
    return Run(done.returncode, start / "first-part", done.stdout + done.stderr)


def test_every_command_of_the_page_succeeds(run: Run) -> None:
    assert sum(block.count("mountgen ") for block in COMMANDS) == 6
    assert run.code == 0, run.printed[-3000:]


def test_every_file_that_the_page_names_is_there(run: Run) -> None:
    named = set(re.findall(r"`(opening[\w.-]*\.\w+|report\.html)`", TEXT))
    assert len(named) >= 5
    for name in named:
        assert (run.folder / name).stat().st_size > 500, name
    for other in ("opening-plug-sections.svg", "opening-plug-gauge.stl", "opening-plug-gauge.json", "looser/opening-plug.stl"):
        assert (run.folder / other).exists(), other


def test_what_the_page_shows_is_printed(run: Run) -> None:
    assert len(SHOWN) == 6
    printed = re.sub(r"\s+", " ", run.printed)
    for line in SHOWN:
        assert line in printed, line


def test_pictures_are_the_tool_s_own_and_small(run: Run) -> None:
    pictures = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", TEXT)
    assert len(pictures) == 5
    for name in pictures:
        path = PAGE.parent / name
        assert path.stat().st_size < MOST, name
    drawn = {"survey": "opening-survey", "section": "opening-plug-section", "behind": "opening-plug-behind"}
    for shown, made in (drawn | {"gauge": "opening-plug-gauge-behind"}).items():
        small = []
        for path in (PAGE.parent / "pictures" / f"first-part-{shown}.png", run.folder / f"{made}.png"):
            with Image.open(path) as picture:
                small.append(picture.convert("L").resize((96, 70)).tobytes())
        apart = sum(abs(a - b) for a, b in zip(*small, strict=True)) / len(small[0])
        assert apart < 6.0, f"{shown}: the page's picture is not what the tool draws now; of 255 grey levels {apart:.1f} apart"


def test_the_gauge_is_inserted_by_the_proof_that_the_part_is(run: Run) -> None:
    part, gauge = (json.loads((run.folder / name).read_bytes()) for name in ("report.json", "opening-plug-gauge.json"))
    proofs = ("clearance at rest", "clearance over the insertion")
    (of_part, of_gauge) = ([c for c in each["checks"] if c["name"].startswith(proofs)] for each in (part, gauge))
    assert len(of_part) >= 2
    assert [(c["name"], c["limit"], c["verdict"]) for c in of_gauge] == [(c["name"], c["limit"], "pass") for c in of_part]
    saved = gauge["service"]["gauge"]
    assert saved["gauge"]["mass"] < 0.5 * saved["whole_part"]["mass"]
    assert saved["gauge"]["minutes"] < 0.6 * saved["whole_part"]["minutes"]


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="no other program here that draws a PDF")
def test_the_sheet_shown_is_the_one_that_is_drawn(run: Run) -> None:
    drawn = run.folder / "sheet"
    subprocess.run(
        ["pdftoppm", "-r", "85", "-png", "-singlefile", run.folder / "opening-plug-sections.pdf", drawn], check=True
    )
    small = []
    for path in (PAGE.parent / "pictures" / "first-part-sheet.png", drawn.with_suffix(".png")):
        with Image.open(path) as picture:
            small.append(picture.convert("L").resize((96, 132)).tobytes())
    apart = sum(abs(a - b) for a, b in zip(*small, strict=True)) / len(small[0])
    assert apart < 2.0, f"the page's sheet is not what the tool draws now; of 255 grey levels {apart:.1f} apart"


def test_the_page_is_found_from_the_readme() -> None:
    assert "examples/first-part.md" in (ROOT / "README.md").read_text(encoding="utf-8")
