"""Sources are never overwritten, whatever name they go by."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from mountgen.errors import ExportError
from mountgen.outputs import guard_sources, name_outputs


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
