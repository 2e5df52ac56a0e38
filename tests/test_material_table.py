"""The material table as people see it: nothing left out, every value with how sure it is."""

from __future__ import annotations

import re
from dataclasses import fields, replace
from pathlib import Path

import pytest

from mountgen.cli import main
from mountgen.heat import rank_materials
from mountgen.material import Material, Quantity, Rating, find_material, load_materials
from mountgen.material_table import LEGEND, MARKS, tabulate_material, tabulate_materials, tabulate_ranking, word_value


def run(*arguments: str) -> int:
    with pytest.raises(SystemExit) as left:
        main(arguments)
    return int(left.value.code or 0)


def test_every_value_of_every_material_is_listed() -> None:
    materials = load_materials()
    grids = tabulate_materials(materials)
    for key, material in materials.items():
        shown = [cell for grid in grids for row in grid.rows if row[0] == key for cell in row[1:]]
        known = [getattr(material, f.name) for f in fields(Material)]
        values = [value for value in known if isinstance(value, Quantity | Rating)]
        assert sorted(cell for cell in shown if cell != "-") == sorted(word_value(value) for value in values)
    assert all(len(row) == len(grid.columns) for grid in grids for row in grid.rows)


def test_values_show_their_range_and_how_sure_they_are() -> None:
    asa, tpu = find_material("asa"), find_material("tpu-95a")
    assert asa.hdt_045 is not None
    assert word_value(asa.hdt_045) == "90-100 c"
    assert word_value(asa.glass_transition) == "98-105"
    assert word_value(asa.strength_z) == "19-35 r"
    assert word_value(find_material("petg").vicat) == "75-85 c"
    assert word_value(replace(asa.hdt_045, tag="from memory")) == "90-100 m"
    assert word_value(tpu.glass_transition) == "-45 to -20"
    assert word_value(tpu.modulus) == "-"
    assert word_value(asa.sun) == "good"
    for mark in filter(None, MARKS.values()):
        assert f"{mark.strip()}:" in LEGEND


def test_one_material_is_shown_with_its_sources() -> None:
    asa = find_material("asa")
    rows = {row[0]: row for row in tabulate_material(asa).rows}
    assert asa.hdt_045 is not None
    assert rows["hdt_045"][1:4] == ("90-100", "°C", "common practice")
    assert asa.hdt_045.source in rows["hdt_045"][4]
    assert set(rows) == {f.name for f in fields(Material) if isinstance(getattr(asa, f.name), Quantity | Rating)}


def test_a_ranking_says_why() -> None:
    ranked = rank_materials(load_materials().values(), 83.0)
    grid = tabulate_ranking(ranked)
    assert [row[1] for row in grid.rows] == [each.material for each in ranked]
    asa = next(row for row in grid.rows if row[1] == "asa")
    assert asa[:4] == ("caution", "asa", "70", "-13")
    assert asa[4] == "deflection temperature 90 °C under 0.45 MPa, less 20 K (common practice)"


def test_the_command_lists_them_all(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    assert run("materials") == 0
    text = capsys.readouterr().out
    for key in load_materials():
        assert len(re.findall(rf"^ {key} ", text, re.MULTILINE)) == 3  # one line in each of the three tables
    assert "m: from memory" in " ".join(text.split())
    for key, material in load_materials().items():  # nothing of a row goes on below it, letter by letter
        first = next(line for line in text.splitlines() if line.startswith(f" {key} "))
        assert first.rstrip().endswith(word_value(material.sun)), first
    assert max(map(len, text.splitlines())) <= 80


def test_the_command_ranks_them_for_a_place(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("materials", "--place", "recess_in_sunlit_car", "--ambient", "40") == 0
    text = capsys.readouterr().out
    assert "the part gets 83 °C" in text
    assert re.search(r"pass +pc +110 +\+27", text)
    assert re.search(r"fail +pla +33 +-50", text)
    assert text.index(" pc ") < text.index(" asa ") < text.index(" pla ")


def test_a_spools_own_sheet_is_laid_over_the_table(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "120")  # in a narrow terminal the row is broken
    sheet = tmp_path / "spool.toml"
    sheet.write_text('[asa]\nhdt_045 = 104\nhdt_180 = 95\nglass_transition = 112\n\n[mine]\nlike = "pc"\nname = "My PC"\n')
    assert run("materials", "--place", "recess_in_sunlit_car", "--ambient", "40", "--sheet", str(sheet)) == 0
    text = capsys.readouterr().out
    assert re.search(r"pass +asa +84 +\+1 +deflection temperature 104 °C", text)
    assert re.search(r"pass +mine +110 ", text)
    assert run("materials", "mine", "--sheet", str(sheet)) == 0
    assert "My PC (mine), amorphous" in capsys.readouterr().out
    assert run("materials", "mine") == 1
    assert 'unknown material "mine"' in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["--ambient", "40"], 2, "--ambient needs a --place"),
        (["asa", "--place", "dash_top_sun"], 2, "not both"),
        (["--place", "dash_top_son"], 1, 'did you mean "dash_top_sun"?'),
        (["--place", "recess"], 1, 'did you mean "recess_in_sunlit_car"?'),
        (["--place", "dash_top_sun", "--ambient", "95"], 1, "if 95 was meant in °F, that is 35 °C"),
        (["--sheet", "nowhere.toml"], 1, "the sheet cannot be read"),
        (["assa"], 1, 'did you mean "asa"?'),
    ],
)
def test_mistakes_are_explained(arguments: list[str], code: int, words: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("materials", *arguments) == code
    assert words in " ".join(capsys.readouterr().err.split())
