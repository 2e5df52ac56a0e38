"""Time and memory of `mountgen make`, relative to `python -c "import cadquery"` in the same run.

    python -m tests.bench.bench_make [--triangles 30000 365000 3000000] [--folder FOLDER]

Prints tables for the contributors' guide: whole process and each stage by number of triangles, reruns in the
same process, growth with triangles and with the field's pitch. Scans are simulated and kept in FOLDER for the
next run; the store of results is a new, empty folder for every cold run.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from math import log
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parent.parent.parent
REPEATS = 3  # of each process; the quickest counts, since others may use the machine too
SHELF = ROOT / "examples" / "juniper-shelf.toml"  # a shelf that is known to go into the dash cubby
CLEARANCES = (0.3, 0.5, 0.8, 1.2)  # mm; the field's pitch is a set share of it
SEED = 11
LIMITS = {365_000: (3.5, 1.0), 3_000_000: (10.5, 2.5)}  # triangles: times the baseline, GB
RERUN_LIMITS = {"clearance": 1 / 3, "lip": 1 / 10}  # of the cold run of the same recipe

RERUN = """
import json, os, sys, tempfile, time
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does
from contextlib import nullcontext
from pathlib import Path
started = time.perf_counter(), 0.0
from mountgen.errors import MountgenError
from mountgen.pipeline import make
from mountgen.recipe_file import load_recipe
from mountgen.store import Store

class Quiet:
    def stage(self, name): return nullcontext()
    def say(self, text): pass

def spent():
    return time.perf_counter(), sum(os.times()[:4])  # that of children too

store, seconds = Store(Path(tempfile.mkdtemp(dir=sys.argv[2]))), {}
for name, overrides in json.loads(sys.argv[3]):
    recipe = load_recipe(Path(sys.argv[1]), overrides=overrides, scan=Path(sys.argv[4]))
    try:
        make(recipe, Path(sys.argv[2]) / name, store=store, progress=Quiet())
        seconds[name] = [now - before for now, before in zip(spent(), started)]
    except MountgenError as error:
        print(f"{name} could not be made: {error.what}", file=sys.stderr)
    started = spent()
print(json.dumps(seconds))
"""


@dataclass(frozen=True)
class Run:
    """One process. wall, cpu: s; peak: MB of resident memory; code: exit code; text: its stdout."""

    wall: float
    cpu: float
    peak: float
    code: int
    text: str


def run_process(arguments: Sequence[str], *, cache: Path | None = None, show_errors: bool = False) -> Run:
    """Run Python with `arguments` and measure it as the operating system sees it."""
    env = os.environ | {"PYTHONPATH": str(ROOT), "MOUNTGEN_CACHE": str(cache) if cache else "off"}
    with tempfile.TemporaryFile("w+", encoding="utf-8") as out:
        started = time.perf_counter()
        process = subprocess.Popen(
            [sys.executable, *arguments], env=env, stdout=out, stderr=None if show_errors else subprocess.DEVNULL
        )
        _, status, usage = os.wait4(process.pid, 0)
        wall = time.perf_counter() - started
        process.returncode = os.waitstatus_to_exitcode(status)
        out.seek(0)
        text = out.read()
    unit = 1.0 if platform.system() == "Darwin" else 1024.0  # bytes per unit of ru_maxrss
    return Run(wall, usage.ru_utime + usage.ru_stime, usage.ru_maxrss * unit / 1e6, process.returncode, text)


def quickest(runs: Sequence[Run]) -> Run:
    """Return the run with the least wall time."""
    return min(runs, key=lambda run: run.wall)


def find_scan(folder: Path, triangles: int) -> Path:
    """Return a simulated scan of the dash cubby with about that many triangles, made if not there yet."""
    path = folder / f"dash-cubby-{triangles}.ply"
    if not path.exists():
        from examples.juniper import dash_cubby
        from examples.simulate import simulate_scan, write_ply

        scan = simulate_scan(dash_cubby(), seed=SEED, triangles=triangles)
        write_ply(path, scan.vertices, scan.faces)
    return path


def write_recipe(folder: Path, base: str, scan: Path) -> Path:
    """Write the shortest recipe there is: a starter and a scan."""
    path = folder / f"{base}.toml"
    path.write_text(f'name = "bench"\nbase = "{base}"\n[scan]\nfile = {json.dumps(str(scan.resolve()))}\n')
    return path


def make_once(
    recipe: Path, out: Path, *, cache: Path, sets: Sequence[str] = ()
) -> tuple[Run, dict[str, float]]:
    """Run `mountgen make` in a process of its own; return what it took, and the seconds of its stages."""
    options = [part for each in sets for part in ("--set", each)]
    arguments = ["-m", "mountgen", "make", str(recipe), "--out", str(out), *options]
    run = run_process(arguments, cache=cache)
    if run.code not in (0, 3):
        raise SystemExit(
            f"{recipe} could not be made (exit code {run.code}): mountgen {' '.join(arguments[2:])}"
        )
    report = json.loads((out / "report.json").read_text(encoding="utf-8"))
    return run, dict(report["seconds"])


def make_cold(recipe: Path, work: Path, *, repeats: int, sets: Sequence[str] = ()) -> tuple[Run, dict[str, float]]:
    """Return the quickest of some cold runs, each with an empty store."""
    runs = [
        make_once(recipe, work / "out", cache=Path(tempfile.mkdtemp(dir=work)), sets=sets)
        for _ in range(repeats)
    ]
    return min(runs, key=lambda pair: pair[0].wall)


def print_table(title: str, head: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Print a table as Markdown."""
    print(f"\n**{title}**\n\n| {' | '.join(head)} |\n|{'---|' * len(head)}")
    for row in rows:
        print(f"| {' | '.join(row)} |")


def judge(value: float, limit: float | None) -> str:
    """Return a figure with its limit and whether it holds."""
    if limit is None:
        return f"{value:.2f}"
    return f"{value:.2f} (limit {limit:.2g}: {'holds' if value <= limit else 'MISSED'})"


def main() -> None:
    """Measure and print."""
    options = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    options.add_argument("--triangles", type=int, nargs="+", default=[30_000, 365_000, 3_000_000])
    options.add_argument("--repeats", type=int, default=REPEATS, help="runs of each process; the quickest counts")
    options.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()) / "mountgen-bench")
    chosen = options.parse_args()
    chosen.folder.mkdir(parents=True, exist_ok=True)
    scans = {count: find_scan(chosen.folder, count) for count in sorted(chosen.triangles)}
    with tempfile.TemporaryDirectory() as name:
        measure(scans, Path(name), repeats=chosen.repeats)


def measure(scans: dict[int, Path], work: Path, *, repeats: int = REPEATS) -> None:
    """Print all tables for scans by number of triangles, smallest first."""
    plugs = {}
    for count, scan in scans.items():
        (work / str(count)).mkdir()
        plugs[count] = write_recipe(work / str(count), "plug", scan)
    make_once(
        plugs[min(scans)], work / "out", cache=work / "first"
    )  # whatever is compiled once is compiled now
    baseline = quickest([run_process(["-c", "import cadquery"]) for _ in range(repeats)])
    help_run = quickest([run_process(["-m", "mountgen", "--help"]) for _ in range(repeats)])
    print(f"{date.today()}, {platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}")
    print(f"\nbaseline `import cadquery`: {baseline.wall:.2f} s wall, {baseline.cpu:.2f} s CPU")
    print(f"`mountgen --help`: {judge(help_run.cpu, 0.5)} s CPU, {help_run.wall:.2f} s wall")

    rows, stages = [], {}
    for count, recipe in plugs.items():
        cold, stages[count] = make_cold(recipe, work, repeats=repeats)
        kept = work / f"kept-{count}"
        make_once(recipe, work / "out", cache=kept)
        warm = quickest([make_once(recipe, work / "out", cache=kept)[0] for _ in range(repeats)])
        times, memory = LIMITS.get(count, (None, None))
        rows.append(
            [
                f"{count:,}".replace(",", " "),
                f"{cold.wall:.2f}",
                judge(cold.wall / baseline.wall, times),
                f"{cold.cpu:.2f}",
                f"{cold.cpu / baseline.cpu:.2f}",
                judge(cold.peak / 1000, memory),
                f"{warm.wall:.2f}",
            ]
        )
    head = ["triangles", "cold, s", "times baseline", "CPU, s", "times its CPU", "peak, GB", "next, kept, s"]
    print_table("Plug, whole process", head, rows)
    print("\nCPU tells more than wall time where others use the machine too.")
    print("`next, kept`: wall time of a new process with the results that the one before it kept.")

    counts = list(stages)
    rows = []
    for stage in stages[counts[0]]:
        seconds = [stages[count].get(stage, 0.0) for count in counts]
        grown = len(counts) > 1 and min(seconds[0], seconds[-1]) > 0.01
        power = f"{log(seconds[-1] / seconds[0]) / log(counts[-1] / counts[0]):.2f}" if grown else "-"
        rows.append([stage, *(f"{value:.3f}" for value in seconds), power])
    head = ["stage, s", *(f"{count:,}".replace(",", " ") for count in counts), "power of triangles"]
    print_table("Plug, by stage, cold", head, rows)

    middle = 365_000 if 365_000 in scans else max(scans)
    rows, fields = [], []
    for clearance in CLEARANCES:
        run, seconds_of = make_cold(plugs[middle], work, repeats=repeats, sets=[f"fit.clearance={clearance}"])
        field = seconds_of.get("build the insertable space", 0.0)
        fields.append(field)
        rows.append(
            [f"{clearance:g}", f"{field:.3f}", f"{sum(seconds_of.values()):.2f}", f"{run.peak / 1000:.2f}"]
        )
    print_table(
        f"Growth with pitch (a set share of the clearance), {middle} triangles",
        ["clearance, mm", "insertable space, s", "all stages, s", "peak, GB"],
        rows,
    )
    exponent = log(fields[0] / fields[-1]) / log(CLEARANCES[-1] / CLEARANCES[0])
    print(f"\nThe insertable space grows with the power {exponent:.2f} of 1/pitch.")

    rows = []
    for base, recipe, changes in [
        ("plug", plugs[middle], [("same", []), ("clearance", ["fit.clearance=0.6"])]),
        ("phone-shelf", SHELF, [("same", []), ("clearance", ["fit.clearance=0.6"]), ("lip", ["lip.height=5.5"])]),
    ]:
        script = json.dumps([("cold", []), *changes])
        arguments = ["-c", RERUN, str(recipe), str(work), script, str(scans[middle])]
        runs = [run_process(arguments, show_errors=True) for _ in range(repeats)]
        seconds_by = [json.loads(run.text.splitlines()[-1]) for run in runs if run.code == 0]
        if not seconds_by or "cold" not in seconds_by[0]:
            rows.append([base, "cold", "could not be made", "-", "-"])
            continue
        best = {step: np.min([seconds[step] for seconds in seconds_by], axis=0) for step in seconds_by[0]}
        for step, (wall, cpu) in best.items():
            shares = ["-"] * 2
            if step != "cold":
                limit = RERUN_LIMITS.get(step)
                shares = [judge(each / cold, limit) for each, cold in zip((wall, cpu), best["cold"], strict=True)]
            rows.append([base, step, f"{wall:.2f}", f"{cpu:.2f}", *shares])
    head = ["part", "change", "wall, s", "CPU, s", "wall, share of cold", "CPU, share of cold"]
    print_table(f"Reruns in one process, {middle} triangles", head, rows)


if __name__ == "__main__":
    main()
