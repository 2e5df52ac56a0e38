"""The controls of the 3D view, its legend, and the meshes it unpacks."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from mountgen.page.layers import Layer
from mountgen.page.markup import Child, Markup, element, embed_json, join
from mountgen.part_picture import INSIDE, SCAN, word_zones
from mountgen.ramp import COLLISION, LEAST_MIDDLE, NEUTRAL, Ramp, ramp_gap

COLOURS = {"scan": SCAN, "inside": INSIDE, "device": (62, 68, 78), "keepOut": (84, 52, 20), "mark": (20, 24, 30)}
LOOKS = {"corner": "from upper right", "mouth": "into the mouth", "side": "from 3 o'clock", "below": "from below",
         "behind": "from behind"}  # fmt: skip
LABELS = {"scan": "scan", "part": "part", "device": "device", "keep-out": "keep-outs"}
CUTS = {"": "none", "x": "x: left to right", "y": "y: bottom to top", "z": "z: depth"}
HOW = (
    "Drag to turn, with Shift or two fingers to shift; wheel (once the view was clicked) or pinch to zoom; drag the double arrow "
    "to move the cut; click to read a point. Keys, once the view has the focus: arrows turn, Shift and arrows shift, + and "
    "\N{MINUS SIGN} zoom, Enter reads the point in the middle."
)


def lay_out_view(report: Mapping[str, Any], layers: Sequence[Layer]) -> Markup:
    """Return the view's figure: canvas, controls, legend, and what stands there while and where it cannot be shown."""
    kinds = list(dict.fromkeys(layer.kind for layer in layers))
    shown = [
        element("label", element("input", type="checkbox", data_layer=kind, checked=True), f" {LABELS[kind]}") for kind in kinds
    ]
    shown.append(element("label", element("input", type="checkbox", id="see-through"), " see through the scan"))
    looks = [element("button", words, type="button", data_look=look) for look, words in LOOKS.items()]
    axes = [element("option", words, value=axis) for axis, words in CUTS.items()]
    controls: list[Child] = [
        element("fieldset", element("legend", "show"), *shown),
        element("fieldset", element("legend", "look"), *looks),
        element(
            "fieldset",
            element("legend", "cut"),
            element("label", "plane ", element("select", *axes, id="cut-axis")),
            element("label", "place ", _slider("cut-place", low=-1, high=1, step="0.1")),
            element("output", "no cut", id="cut-read", for_="cut-place"),
            element("label", element("input", type="checkbox", id="cut-turned"), " take away the other side"),
        ),
        element(
            "fieldset",
            element("legend", "take out"),
            element("label", "way ", _slider("way-out", low=0, high=100, step="1")),
            element("output", "seated", id="way-out-read", for_="way-out"),
        ),
    ]
    canvas = element("canvas", id="view-canvas", tabindex="0", role="application", aria_describedby="view-how",
                     aria_label="3D view of the part in the scan")  # fmt: skip
    return element(
        "figure",
        element(
            "div",
            canvas,
            element("img", id="view-print", alt="3D view as it was when printed", src=BLANK),
            element("p", "Unpacking the meshes \N{HORIZONTAL ELLIPSIS}", id="view-message", role="status"),
            element("noscript", element("p", "The 3D view needs JavaScript, which is switched off. All else is complete.")),
            class_="stage",
        ),
        element("div", *controls, class_="controls"),
        element("p", "Click a point to read it.", id="pick-read", role="status"),
        draw_legend(find_zones(report)),
        element("figcaption", HOW, id="view-how"),
        id="view",
        data_state="loading",
    )


def find_zones(report: Mapping[str, Any]) -> dict[str, float]:
    """Return the zones of the scan with the gap asked for in each, mm."""
    fit, general = report["recipe"]["fit"], float(report["fit"]["clearance"])
    return {zone: general if fit.get(zone) is None else float(fit[zone]) for zone in ("floor", "walls", "rim")}


def _choose_ramp(zones: Mapping[str, float]) -> tuple[Ramp, bool]:
    """Return the ramp for gaps in mm, and True; where zones differ that for their shares of what was asked for, and False."""
    gaps = {max(gap, LEAST_MIDDLE) for gap in zones.values()}
    return (ramp_gap(gaps.pop()), True) if len(gaps) == 1 else (ramp_gap(1.0), False)


def draw_legend(zones: Mapping[str, float]) -> Markup:
    """Return the colours of the gap with their sizes. zones: the gap asked for in each zone of the scan, mm."""
    ramp, in_mm = _choose_ramp(zones)
    middle = ramp.high / 2.0
    last = len(ramp.anchors) - 1
    stops = [element("stop", offset=k / last, stop_color=_hex(colour * 255)) for k, colour in enumerate(ramp.anchors)]
    width, left = 400.0, 20.0
    ticks = [
        element("text", f"{share * middle:.2f}", x=left + share / 2.0 * width, y=44, text_anchor="middle")
        for share in (0.0, 0.5, 1.0, 1.5, 2.0)
    ]
    words = [
        element("text", text, x=left + share / 2.0 * width, y=61, text_anchor=anchor)
        for share, text, anchor in ((0.0, "touches", "start"), (1.0, "asked for", "middle"), (2.0, "or more", "end"))
        if share != 1.0 or not in_mm or middle in zones.values()
    ]
    title = "gap between part and scan, mm"
    if not in_mm:
        title = f"gap between part and scan as a share of what was asked for there ({word_zones(zones)})"
    bar = element(
        "svg",
        element("title", "Colours of the gap"),
        element("defs", element("linearGradient", *stops, id="gap-colours")),
        element("rect", x=left, y=4, width=width, height=24, fill="url(#gap-colours)", class_="outlined"),
        *ticks,
        *words,
        viewBox=f"0 0 {width + 2 * left:g} 68",
        font_size=14.0,
        role="img",
        aria_label=f"{title}: red 0, pale yellow {middle:.2f}, blue {ramp.high:.2f} or more",
    )
    far = f"over {ramp.limit:g} " + ("mm" if in_mm else "times as much")
    swatches = ((COLLISION, "inside the panel"), (NEUTRAL, f"{far}, or not scanned"), (SCAN, "scan"),
                (INSIDE, "cut through the part"))  # fmt: skip
    key = [element("li", _swatch(colour), text) for colour, text in swatches]
    return element("div", element("p", title), bar, element("ul", *key, class_="key"), class_="legend")


def embed_view(report: Mapping[str, Any], layers: Sequence[Layer], *, travel: float) -> Markup:
    """Return the data of the view: its settings, and a script element that runs nothing for each mesh.

    Args:
        report: as in report.json.
        layers: what is shown.
        travel: mm that the part moves to be clear of the mouth.
    """
    zones = find_zones(report)
    ramp, _ = _choose_ramp(zones)
    assert ramp.below is not None
    settings = {
        "ramp": {
            "anchors": [[round(float(v), 4) for v in anchor] for anchor in ramp.anchors],
            "low": ramp.low,
            "high": ramp.high,
            "limit": ramp.limit,
            "below": [v / 255 for v in ramp.below],
            "neutral": [v / 255 for v in NEUTRAL],
        },
        "colours": {name: _hex(colour) for name, colour in COLOURS.items()},
        "least": LEAST_MIDDLE,
        "reach": ramp_gap(max(zones.values())).limit,
        "travel": travel,
    }
    return join([embed_json(settings, name="view-settings"), *(_embed_layer(layer) for layer in layers)])


def _embed_layer(layer: Layer) -> Markup:
    mesh = layer.mesh
    return element(
        "script",
        Markup(mesh.data),  # base64
        type="text/plain",
        class_="mesh",
        data_kind=layer.kind,
        data_name=layer.name,
        data_vertices=mesh.vertices,
        data_triangles=mesh.triangles,
        data_low=" ".join(repr(v) for v in mesh.low),
        data_step=repr(mesh.step),
        data_value_low=repr(mesh.value_low),
        data_value_step=repr(mesh.value_step),
        data_asked_low=repr(mesh.asked_low),
        data_asked_step=repr(mesh.asked_step),
        data_legs=json.dumps(layer.legs),
    )


def _slider(name: str, *, low: int, high: int, step: str) -> Markup:
    return element("input", type="range", id=name, min=low, max=high, step=step, value=0)


def _swatch(colour: Sequence[float]) -> Markup:
    shape = element("rect", x=0.5, y=0.5, width=15, height=15, fill=_hex(colour), class_="outlined")
    return element("svg", shape, viewBox="0 0 16 16", class_="swatch", aria_hidden="true")


def _hex(colour: Sequence[float]) -> str:
    return "#" + "".join(f"{round(v):02x}" for v in colour)


# one transparent pixel, until there is something to print
BLANK = "data:image/gif;base64,R0lGODlhAQABAIAAAAAAAP///yH5BAEAAAAALAAAAAABAAEAAAIBRAA7"
