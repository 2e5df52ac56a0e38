"""Pages of a block in a box-shaped recess, whose places and gaps are known."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import trimesh

from mountgen.datum import Recess
from mountgen.features.part import Device, Part
from mountgen.inspection import Inspection, inspect_body
from mountgen.kernel import Body, Mesh
from mountgen.page import draw_page, prepare_sight
from mountgen.report import encode_report
from tests.recesses import box_recess
from tests.solids import box_solid
from tests.test_report import make_report

CLEARANCE = 0.5
WIDTH, HEIGHT, DEPTH = 60.0, 40.0, 20.0  # of the recess; the block is a clearance smaller on all sides but its face
RECESS: Recess = box_recess(int(WIDTH), int(HEIGHT), left=DEPTH, right=DEPTH)
LEGS = ((0.0, 3.0, 0.0), (0.0, 0.0, 30.0))
HEAT: dict[str, Any] = {
    "material": "asa", "hours": [0.0, 1.0, 2.0], "warm_up_c": [35.0, 60.0, 78.0], "part_c": 78.0,
    "passes_to_c": 70.0, "caution_to_c": 85.0, "ranking": [{"material": "pc", "verdict": "pass", "margin_k": 32.0}],
}  # fmt: skip
STACK: dict[str, Any] = {
    "asked": 0.5, "needed": 0.6,
    "contributions": [
        {"what": "scan", "kind": "error", "mm": 0.2, "source": "noise", "tag": "read"},
        {"what": "heat", "kind": "closing", "mm": 0.1, "source": "expansion", "tag": "read"},
        {"what": "fit", "kind": "wanted", "mm": 0.3, "source": "our choice", "tag": "our rule"},
    ],
}  # fmt: skip
RECIPE = {
    "kind": "plug", "name": "juniper-block", "material": "asa", "note": "", "scan": {"file": "block.ply"},
    "fit": {"clearance": CLEARANCE, "floor": None, "walls": None, "rim": None, "draft": 1.0, "reach": "full"},
}  # fmt: skip


def box(extent: tuple[float, float, float], middle: tuple[float, float, float]) -> Mesh:
    mesh = trimesh.creation.box(extent)
    mesh.apply_translation(middle)
    return Mesh(np.asarray(mesh.vertices), np.asarray(mesh.faces).astype(np.int32))


def block() -> Mesh:
    tall = DEPTH - CLEARANCE
    return box((WIDTH - 2 * CLEARANCE, HEIGHT - 2 * CLEARANCE, tall), (0.0, 0.0, -tall / 2))


@cache
def inspect_block() -> Inspection:
    return inspect_body(block(), RECESS, clearance=CLEARANCE, wall_min=0.0, line_width=0.4)


def block_report(**changes: Any) -> dict[str, Any]:
    values: dict[str, Any] = {"recipe": RECIPE, "inspection": inspect_block(), "service": {"heat": HEAT, "fit_stack": STACK}}
    return make_report(**(values | changes))


def draw_block(*, report: dict[str, Any] | None = None, recipe: str = 'name = "juniper-block"\n', keep_out: str = "lever") -> str:
    """Return the page of the block with a device that lies on it and a keep-out body beside."""
    device = Device(box((50.0, 30.0, 8.0), (0.0, 0.0, 4.1)), np.array(LEGS))
    part = Part(body=Body(box_solid(), block()), device=device)
    beside = [(keep_out, box((6.0, 6.0, 20.0), (36.0, 0.0, 10.0)))]
    sight = prepare_sight(part, RECESS, inspect_block(), keep_outs=beside)
    return draw_page(encode_report(report or block_report()), sight, recipe=recipe).decode("utf-8")
