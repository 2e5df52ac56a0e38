"""Templates as DXF and SVG, in mm, one above the other, for whoever cuts with a machine. Both have the same layers."""

from __future__ import annotations

from collections.abc import Sequence
from io import StringIO

import numpy as np

from mountgen.arrays import Floats
from mountgen.page.markup import element
from mountgen.paper.template import Template

LAYERS = {"outline": 7, "recess": 8, "marks": 5, "text": 3}  # name to its colour in the DXF: black or white, grey, blue, green
STROKES = {"outline": "#000000", "recess": "#808080", "marks": "#0057b8"}
APART = 16.0  # mm between two templates, for the title of the lower one
LETTER = 4.0  # mm
EDGE = 8.0  # mm around them all


def place_column(templates: Sequence[Template]) -> list[Floats]:
    """Return how far each template is moved, (2,) mm, so that they stand in a column, the last one on the x axis."""
    shifts: list[Floats] = []
    height = 0.0
    for template in reversed(templates):
        low, high = template.bounds()
        shifts.append(np.array([-low[0], height - low[1]]))
        height += float(high[1] - low[1]) + APART
    return shifts[::-1]


def encode_dxf(templates: Sequence[Template], *, name: str) -> bytes:
    """Return templates as a DXF of the 2010 format, in mm; the same arguments give the same bytes.

    Args:
        templates: from `cut_templates`.
        name: of the part.
    """
    from ezdxf._options import options
    from ezdxf.enums import TextEntityAlignment
    from ezdxf.filemanagement import new
    from ezdxf.units import MM

    kept, options.write_fixed_meta_data_for_testing = options.write_fixed_meta_data_for_testing, True
    try:  # no time stamps
        document = new("R2010", setup=False, units=MM)
        document.header["$MEASUREMENT"] = 1
        for layer, colour in LAYERS.items():
            document.layers.add(layer, color=colour)
        space = document.modelspace()
        for template, shift in zip(templates, place_column(templates), strict=True):
            for layer, lines, closed in (("outline", template.outline, True), ("recess", template.recess, False)):
                for line in lines:
                    space.add_lwpolyline((line + shift).tolist(), close=closed, dxfattribs={"layer": layer})
            for mark in template.marks:
                ends = (np.array([mark.start, mark.end]) + shift).tolist()
                space.add_line(ends[0], ends[1], dxfattribs={"layer": "marks"})
                for end, words in zip(ends, mark.words, strict=True):
                    if words:
                        text = space.add_text(words, height=0.7 * LETTER, dxfattribs={"layer": "text"})
                        text.set_placement(end, align=TextEntityAlignment.MIDDLE_CENTER)
            at = template.bounds()[1] + shift
            title = space.add_text(_entitle(template, name), height=LETTER, dxfattribs={"layer": "text"})
            title.set_placement((0.0, float(at[1]) + LETTER))
        stream = StringIO()
        document.write(stream)
    finally:
        options.write_fixed_meta_data_for_testing = kept
    return stream.getvalue().encode("utf-8")


def encode_svg(templates: Sequence[Template], *, name: str) -> bytes:
    """Return templates as an SVG whose units are mm, a group with an id for each layer.

    Args:
        templates: from `cut_templates`.
        name: of the part.
    """
    shifts = place_column(templates)
    tops = [template.bounds()[1] + shift for template, shift in zip(templates, shifts, strict=True)]
    width = max(float(top[0]) for top in tops) + 2.0 * EDGE
    height = max(float(top[1]) for top in tops) + APART + 2.0 * EDGE

    def flip(points: Floats) -> Floats:
        return np.asarray(points * (1.0, -1.0) + (EDGE, height - EDGE))

    def path(lines: Sequence[Floats], shift: Floats, end: str) -> str:
        drawn = (flip(line + shift).tolist() for line in lines)
        return "".join("M" + "L".join(f"{x:.4f} {y:.4f}" for x, y in line) + end for line in drawn)

    shapes: dict[str, list[str]] = {layer: [] for layer in LAYERS}
    for template, shift, top in zip(templates, shifts, tops, strict=True):
        for layer, lines, end in (("outline", template.outline, "Z"), ("recess", template.recess, "")):
            if lines:
                shapes[layer].append(element("path", id=f"{layer}-{template.code}", d=path(lines, shift, end)))
        for mark in template.marks:
            ends = np.array([mark.start, mark.end])
            shapes["marks"].append(element("path", d=path([ends], shift, "")))
            for (x, y), words in zip(flip(ends + shift).tolist(), mark.words, strict=True):
                if words:
                    shapes["text"].append(element("text", words, x=x, y=y + 1.0, text_anchor="middle", font_size=0.7 * LETTER))
        (_, y), words = flip(top).tolist(), _entitle(template, name)
        shapes["text"].append(element("text", words, x=EDGE, y=y - LETTER, font_size=LETTER))
    layers = []
    for layer, drawn in shapes.items():
        style = {"fill": "#2d6a2d", "font_family": "sans-serif"} if layer == "text" else {
            "fill": "none", "stroke": STROKES[layer], "stroke_width": 0.25 if layer == "outline" else 0.13,
        }  # fmt: skip
        layers.append(element("g", *drawn, id=layer, **style))
    whole = element(
        "svg", element("title", f"{name}: sections of the part, 1:1"), *layers, xmlns="http://www.w3.org/2000/svg",
        width=f"{width:.3f}mm", height=f"{height:.3f}mm", viewBox=f"0 0 {width:.3f} {height:.3f}",
    )  # fmt: skip
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{whole}\n'.encode()


def _entitle(template: Template, name: str) -> str:
    return f"{name} {template.code}: {template.title} ({template.caption})"
