"""Seconds and peak memory of reading and mending a scan, by format and number of triangles.

    python tests/bench/bench_read.py [TRIANGLES ...]      (default: 30000 365000 3000000)

Each run is a process of its own, so that the memory is its own; the time does not count starting Python and
importing numpy, numba and the package. "cold" is the first read of that process (compiled loops come from
numba's cache), "warm" the second.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SIZES = (30_000, 365_000, 3_000_000)
MOST_TEXT = 1_000_000  # triangles; larger scans do not come as text
RUN = """
import resource, sys, time
from pathlib import Path
from mountgen.scan import read_scan
for _ in range(2):
    begin, used = time.perf_counter(), time.process_time()
    scan = read_scan(Path(sys.argv[1]))
    print(f"{time.perf_counter() - begin:6.2f} {time.process_time() - used:6.2f}", end="  ")
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(f"{peak:7.0f} {len(scan.faces):11d} {scan.spacing:8.3f} {scan.noise:7.4f}")
"""


def write_scans(folder: Path, triangles: int) -> list[Path]:
    """Write one noisy tray with holes, crumbs and flipped faces in several formats."""
    import numpy as np

    from tests.sheets import cut_hole, make_sheet, tray, write_stl

    rng = np.random.default_rng(triangles)
    vertices, faces = make_sheet(tray, pitch=(120.0 * 90.0 * 2.0 / triangles) ** 0.5)
    vertices = vertices + rng.normal(0.0, 0.03, vertices.shape)
    for _ in range(30):
        x, y = rng.uniform(-40.0, 40.0, 2)
        faces = cut_hole(vertices, faces, centre=(x, y), radius=rng.uniform(0.3, 4.0))
    flip = rng.random(len(faces)) < 0.02
    faces = np.where(flip[:, None], faces[:, ::-1], faces)
    head = (
        f"ply\nformat binary_little_endian 1.0\nelement vertex {len(vertices)}\n"
        "property float x\nproperty float y\nproperty float z\n"
        f"element face {len(faces)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    rows = np.zeros(len(faces), np.dtype([("n", "u1"), ("v", "<i4", 3)]))
    rows["n"], rows["v"] = 3, faces
    ply = folder / f"{triangles}.ply"
    ply.write_bytes(head.encode() + vertices.astype("<f4").tobytes() + rows.tobytes())
    written = [ply, write_stl(folder / f"{triangles}.stl", vertices, faces)]
    if triangles <= MOST_TEXT:
        obj = folder / f"{triangles}.obj"
        with obj.open("w") as out:
            np.savetxt(out, vertices, "v %.5f %.5f %.5f")
            np.savetxt(out, faces + 1, "f %d %d %d")
        written.append(obj)
    return written


def main() -> None:
    sys.path.insert(0, str(ROOT))
    sizes = [int(word) for word in sys.argv[1:]] or list(SIZES)
    print("triangles file     MB    cold    cpu    warm    cpu   peak MB   triangles  spacing   noise")
    for triangles in sizes:
        with tempfile.TemporaryDirectory() as folder:
            for path in write_scans(Path(folder), triangles):
                done = subprocess.run(
                    [sys.executable, "-c", RUN, str(path)],
                    cwd=ROOT,
                    capture_output=True,
                    text=True,
                    check=True,
                )
                size = path.stat().st_size / 1e6
                print(f"{triangles:9d} {path.suffix[1:]:4s} {size:6.1f} {done.stdout.rstrip()}", flush=True)


if __name__ == "__main__":
    main()
