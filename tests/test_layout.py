"""The shape of the project: import order, public names, who prints, what is shipped, what the README runs."""

from __future__ import annotations

import ast
import re
import shlex
import subprocess
import sys
import tomllib
from fnmatch import fnmatch
from functools import cache
from pathlib import Path

import pytest

import mountgen

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "mountgen"
HEAVY = {
    "OCP",
    "cadquery",
    "igl",
    "manifold3d",
    "matplotlib",
    "numba",
    "numpy",
    "scipy",
    "shapely",
    "trimesh",
    "vtk",
}
HEAVY |= {"vtkmodules"}
LEAVES = (
    "errors",
    "arrays",
    "verdict",
    "length",
    "recipe_fields",
    "recipe_tables",
    "recipe",
    "material",
    "safe_write",
    "platform_check",
)
ON_TOP = {
    "cli",
    "entries",
    "gauge_print",
    "ground",
    "outputs",
    "pipeline",
    "progress",
    "prove",
    "store",
    "survey",
    "terminal",
    "whole",
}


@cache
def modules() -> dict[str, ast.Module]:
    """Return every module of the package, by dotted name below `mountgen`."""
    found = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(PACKAGE).with_suffix("").parts
        name = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
        found[name] = ast.parse(path.read_text(encoding="utf-8"))
    return found


@cache
def imports_of(name: str) -> frozenset[str]:
    """Return which of our modules a module imports, also inside functions, but not for type checking only."""
    found: set[str] = set()
    waiting: list[ast.AST] = [modules()[name]]
    while waiting:
        node = waiting.pop()
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
            waiting.extend(node.orelse)
            continue
        waiting.extend(ast.iter_child_nodes(node))
        if isinstance(node, ast.Import):
            full = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{name} imports relatively"
            base = node.module or ""
            full = [base, *(f"{base}.{alias.name}" for alias in node.names)]
        else:
            continue
        for each in full:
            own = each.removeprefix("mountgen.")
            if each != own and own in modules():
                found.add(own)
    return frozenset(found - {name})


def reach(name: str) -> set[str]:
    """Return everything of our own that is loaded for a module, directly or not."""
    found: set[str] = set()
    waiting = [name]
    while waiting:
        for each in imports_of(waiting.pop()) - found:
            found.add(each)
            waiting.append(each)
    return found


def stage_table() -> list[str]:
    """Return the stages as DEVELOPERS.md lists them, first to last."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = text.split("## Stage table")[1].split("\n## ")[0]
    return [
        name.strip("/").removesuffix(".py") for name in re.findall(r"^\| `([^`]+)`", section, re.MULTILINE)
    ]


def test_the_stage_table_names_the_pipeline() -> None:
    assert stage_table() == ["scan", "datum", "field", "section", "loft", "features", "inspection", "service", "export"]


def test_every_module_has_its_place_in_the_notes() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split("## Stage table")[1].split("\n## ")[0]
    told = {name.split("/")[-1].removesuffix(".py") for name in re.findall(r"`([^`]+)`", text)}
    packages = {"", "data", "features", "page", "paper", "service"}
    assert {name.split(".")[-1] for name in modules() if name not in packages} - told == {"__main__"}


@pytest.mark.parametrize("stage", stage_table())
def test_imports_point_up_the_stage_table(stage: str) -> None:
    if stage not in modules():
        pytest.fail(f"the stage table names {stage}, which does not exist")
    later = stage_table()[stage_table().index(stage) + 1 :]
    loaded = {each.split(".")[0] for each in reach(stage)}
    assert not loaded & set(later), f"{stage} loads a later stage"
    assert not loaded & ON_TOP, f"{stage} loads what stands above the stages"


@pytest.mark.parametrize("leaf", [name for name in LEAVES if (PACKAGE / f"{name}.py").exists()])
def test_leaves_import_no_stage(leaf: str) -> None:
    assert not {each.split(".")[0] for each in reach(leaf)} & ({*stage_table()} | ON_TOP)


def test_nothing_imports_in_a_circle() -> None:
    circles = sorted(name for name in modules() if name and name in reach(name))
    assert circles == []


def test_the_check_shares_nothing_with_the_making() -> None:
    making = {"field", "section", "loft", "features"}
    assert not {each.split(".")[0] for each in reach("inspection")} & making


def test_only_the_terminal_prints_and_only_the_command_line_reads_options() -> None:
    users: dict[str, set[str]] = {}
    for name, tree in modules().items():
        for node in ast.walk(tree):
            if isinstance(node, ast.Name) and node.id in {"print", "pprint", "input"}:
                users.setdefault(node.id, set()).add(name)
            if isinstance(node, ast.Import | ast.ImportFrom):
                names = (
                    [node.module or ""] if isinstance(node, ast.ImportFrom) else [a.name for a in node.names]
                )
                for used in {each.split(".")[0] for each in names} & {"rich", "typer", "click"}:
                    users.setdefault(used, set()).add(name)
    assert users == {"rich": {"terminal"}, "typer": {"cli"}}


def test_errors_are_one_tree_and_one_place_catches_it() -> None:
    catchers = {
        name
        for name, tree in modules().items()
        for node in ast.walk(tree)
        if isinstance(node, ast.ExceptHandler) and node.type and "MountgenError" in ast.unparse(node.type)
    }
    assert catchers == {"cli"}


@pytest.mark.parametrize(
    "code",
    [
        "from mountgen.cli import main\ntry: main(['--help'])\nexcept SystemExit: pass",
        "from mountgen.cli import main\ntry: main(['make', '--help'])\nexcept SystemExit: pass",
        "import mountgen; dir(mountgen)",
        "import mountgen.recipe_file",
    ],
    ids=["help", "make help", "import", "recipe"],
)
def test_light_work_loads_nothing_heavy(code: str) -> None:
    tail = "\nimport sys\nprint('loaded:', *sorted({m.split('.')[0] for m in sys.modules}))"
    done = subprocess.run(
        [sys.executable, "-c", code + tail], capture_output=True, text=True, cwd=ROOT, check=True
    )
    loaded = set(done.stdout.splitlines()[-1].split()[1:])
    assert "mountgen" in loaded
    assert not loaded & HEAVY


def test_public_names_are_pinned_sorted_and_there() -> None:
    assert mountgen.__all__ == sorted(mountgen.__all__)
    assert len(set(mountgen.__all__)) == len(mountgen.__all__)
    for name in mountgen.__all__:
        value = getattr(mountgen, name)
        assert value.__name__ == name
        assert value.__doc__, f"{name} has no docstring"
        assert value.__module__.split(".")[0] == "mountgen"
    assert set(mountgen.__all__) <= set(dir(mountgen))
    with pytest.raises(AttributeError, match="no_such_name"):
        mountgen.no_such_name  # noqa: B018


def test_type_checkers_see_the_public_names() -> None:
    """What `__getattr__` gives at run time, type checkers see as plain imports from the same modules."""
    told: dict[str, str] = {}
    for node in modules()[""].body:
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
            for each in node.body:
                assert isinstance(each, ast.ImportFrom)
                told |= {alias.name: str(each.module) for alias in each.names}
    assert sorted(told) == mountgen.__all__
    assert {name: getattr(mountgen, name).__module__ for name in told} == told


def test_every_package_and_data_file_is_shipped() -> None:
    with open(ROOT / "pyproject.toml", "rb") as file:
        setuptools = tomllib.load(file)["tool"]["setuptools"]
    for folder in {path.parent for path in PACKAGE.rglob("*.py")}:
        assert ".".join(folder.relative_to(ROOT).parts) in setuptools["packages"]
    where = {name: ROOT / folder for name, folder in setuptools["package-dir"].items()}
    for name in setuptools["packages"]:
        folder = where.get(name, ROOT.joinpath(*name.split(".")))
        patterns = setuptools["package-data"].get(name, [])
        for path in folder.iterdir():
            if path.is_file() and path.suffix not in {".py", ".pyc", ".nbi", ".nbc"}:
                assert any(fnmatch(path.name, pattern) for pattern in patterns), f"{path} is not shipped"
    assert (PACKAGE / "py.typed").exists()


def readme() -> str:
    return (ROOT / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize(("label", "script"), [("main", ".ci/example"), ("tests", ".ci/test")])
def test_readme_runs_from_a_fresh_clone(label: str, script: str) -> None:
    blocks = re.findall(rf"^<!-- run: {label} -->\n```\w*\n(.*?)\n```$", readme(), re.MULTILINE | re.DOTALL)
    assert len(re.findall(rf"run: {label}\b", readme())) == len(blocks) == 1
    assert "\n" not in blocks[0]
    assert shlex.split(blocks[0]) == ["bash", script]
    done = subprocess.run(["bash", "-n", script], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert "bash .ci/setup" in (ROOT / script).read_text(encoding="utf-8")


def test_readme_points_at_what_exists_and_ends_with_changes() -> None:
    for target in re.findall(r"\]\(([^)#:]+)\)", readme()):
        assert (ROOT / target).exists(), target
    for named in re.findall(r"`((?:examples|recipes|\.ci|mountgen)/[\w./-]+)`", readme()):
        assert (ROOT / named).exists(), named
    headings = re.findall(r"^## (.*)$", readme(), re.MULTILINE)
    assert headings[-1] == "Changes"


def test_readme_states_the_exit_codes_of_the_command_line() -> None:
    from mountgen import terminal

    section = readme().split("## Exit codes")[1].split("\n## ")[0]
    told = {int(code) for code in re.findall(r"^\| (\d+) \|", section, re.MULTILINE)}
    assert told == {terminal.MADE, terminal.NOT_MADE, 2, terminal.CHECK_FAILED, terminal.STOPPED}
