"""Settings for all tests: the root on the path, and no test ever touches the user's own cache folder."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))


@pytest.fixture(autouse=True, scope="session")
def _own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("MOUNTGEN_CACHE", str(tmp_path_factory.mktemp("cache")))
        yield


@dataclass(frozen=True)
class Juniper:
    """The README's example, made once by the command line with all that it can draw: exit code, folder, stdout, stderr."""

    code: int
    folder: Path
    printed: str
    told: str


@pytest.fixture(scope="session")
def juniper(_own_cache: None, tmp_path_factory: pytest.TempPathFactory) -> Juniper:
    """Make the example shelf, as whoever reads the README does."""
    folder = tmp_path_factory.mktemp("juniper")
    command = [sys.executable, "-m", "mountgen", "make", str(ROOT / "examples" / "juniper-shelf.toml"), "--out", str(folder)]
    paths = os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")]).rstrip(os.pathsep)
    settings = os.environ | {"PYTHONPATH": paths, "COLUMNS": "120"}
    done = subprocess.run(
        [*command, "--pictures", "--sheets", "--drawing"], env=settings, cwd=folder, capture_output=True, text=True
    )
    return Juniper(done.returncode, folder, done.stdout, done.stderr)
