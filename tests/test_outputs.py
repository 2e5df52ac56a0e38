"""Sources are never overwritten, whatever name they go by."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from mountgen.errors import ExportError
from mountgen.outputs import guard_sources, list_stale, name_outputs, tell_replaced


def test_an_output_never_takes_the_place_of_a_source(tmp_path: Path) -> None:
    scan, recipe = tmp_path / "cubby.stl", tmp_path / "cubby.toml"
    for path in (scan, recipe):
        path.write_text("precious")
    guard_sources((scan, recipe), out=tmp_path, names=name_outputs("shelf"))
    guard_sources((scan, recipe), out=tmp_path / "new", names=name_outputs("cubby"))
    with pytest.raises(ExportError) as caught:
        guard_sources((recipe, scan), out=tmp_path, names=name_outputs("cubby"))
    assert caught.value.what == "cubby.stl would overwrite what the part is made from"
    assert caught.value.where == str(scan)
    assert "--out" in caught.value.remedy
    resolved = tmp_path / "cubby.resolved.toml"
    resolved.write_text("used as a recipe itself")
    with pytest.raises(ExportError, match=r"cubby\.resolved\.toml would overwrite"):
        guard_sources((resolved,), out=tmp_path / "x" / "..", names=name_outputs("cubby"))


def test_the_same_file_under_another_name_is_a_source_too(tmp_path: Path) -> None:
    scan = tmp_path / "raw.stl"
    scan.write_text("precious")
    os.link(scan, tmp_path / "cubby.stl")
    with pytest.raises(ExportError, match=r"cubby\.stl would overwrite"):
        guard_sources((scan,), out=tmp_path, names=name_outputs("cubby"))


def test_files_of_an_earlier_run_are_told_and_those_of_other_parts_are_not(tmp_path: Path) -> None:
    for name in ("shelf.stl", "shelf-a.stl", "shelf-pieces.3mf", "shelf.toml", "plug-a.stl", "shelf-b.stl.bak"):
        (tmp_path / name).write_text("old")
    written = {"shelf.stl", "shelf.step", "report.json"}
    assert set(list_stale("shelf", out=tmp_path, written=written)) == {"shelf-a.stl", "shelf-pieces.3mf"}
    assert list_stale("shelf", out=tmp_path / "new", written=written) == ()


@pytest.mark.parametrize(
    ("text", "told"),
    [(json.dumps({"recipe": {"name": "plug"}}), "plug"), (json.dumps({"recipe": {"name": "shelf"}}), ""), ("{}", ""), ("[1]", ""),
     ("no JSON", "")],
)  # fmt: skip
def test_the_report_of_another_part_is_told_before_it_is_replaced(tmp_path: Path, text: str, told: str) -> None:
    assert tell_replaced("shelf", out=tmp_path) == ""
    (tmp_path / "report.json").write_text(text)
    assert tell_replaced("shelf", out=tmp_path) == told
