"""The words and tables of the page, from what `report.json` holds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from mountgen.page.cuts import Cut, draw_cuts
from mountgen.page.facts import tabulate_facts, tabulate_rows, word_key, word_value
from mountgen.page.layers import Layer
from mountgen.page.markup import Child, Markup, element, join
from mountgen.page.plots import NARROW, WIDTH, list_kinds, plot_heat, plot_stack
from mountgen.page.viewer import find_zones, lay_out_view
from mountgen.part_picture import word_zones
from mountgen.verdict import SEVERITY, format_minutes, format_number, put_away

TIMES = " \N{MULTIPLICATION SIGN} "
MARKS = {"fail": "\N{MULTIPLICATION X}", "caution": "!", "pass": "\N{CHECK MARK}"}
SCREENS = {"broad": WIDTH, "narrow": NARROW}  # classes of page.css; one of the two is shown
PLOTTED = {"heat": ("hours", "warm_up_c"), "fit_stack": ("contributions",)}  # shown as a plot, not again as a table
CHAPTERS = {  # id to heading
    "view": "Part in the scan",
    "verdicts": "Verdicts",
    "cautions": "Cautions",
    "sections": "Sections",
    "service-heat": "Heat of the parked vehicle",
    "service-fit_stack": "What the clearance must cover",
    "service-print": "How it is printed",
    "judged": "What else was judged",
    "part": "Part and files",
    "scan": "Scan",
    "recipe": "Recipe and how to make it again",
    "licences": "Licences",
}


def write_content(
    report: Mapping[str, Any],
    *,
    schema: Mapping[str, Any],
    layers: Sequence[Layer],
    cuts: Sequence[Cut],
    recipe: str,
    licences: Mapping[str, str],
) -> Markup:
    """Return the body of the page.

    Args:
        report: as in report.json. schema: its JSON Schema, for the meaning of keys.
        layers: what the view shows. cuts: the sections.
        recipe: the complete recipe, TOML.
        licences: name of what is built in to its licence.
    """
    chapters: dict[str, Child] = {
        "view": lay_out_view(report, layers),
        "verdicts": _show_checks(report["checks"]),
        "cautions": _list_cautions(report),
        "sections": [_explain_cuts(), draw_cuts(cuts)] if cuts else element("p", "No section meets the part."),
    }
    told = schema.get("properties", {}).get("service", {}).get("properties", {})
    found = {topic: facts for topic, facts in report["service"].items() if facts}
    own = [topic for topic in found if f"service-{topic}" in CHAPTERS]
    chapters |= {f"service-{topic}": _describe_judged(topic, found[topic], told.get(topic, {})) for topic in own}
    others = [
        _fold(word_key(topic).capitalize(), tabulate_facts(facts, told.get(topic, {})))
        for topic, facts in found.items()
        if topic not in own
    ]
    if others:
        chapters["judged"] = others
    chapters["part"] = _describe_part(report, schema)
    chapters["scan"] = _describe_scan(report, schema)
    chapters["recipe"] = _tell_how(report, recipe)
    chapters["licences"] = [
        element("details", element("summary", name), element("pre", text, tabindex="0")) for name, text in licences.items()
    ]
    links = [element("li", element("a", CHAPTERS[key], href=f"#{key}-chapter")) for key in chapters]
    bodies = [
        element("section", element("h2", CHAPTERS[key], id=f"{key}-title"), body, id=f"{key}-chapter",
                aria_labelledby=f"{key}-title")
        for key, body in chapters.items()
    ]  # fmt: skip
    return join([_write_head(report), element("nav", element("ul", *links), aria_label="Contents"), element("main", *bodies)])


def sum_up(checks: Sequence[Mapping[str, Any]]) -> tuple[str, str]:
    """Return the worst verdict and what it means, in a sentence."""
    count = {verdict: sum(check["verdict"] == verdict for check in checks) for verdict in SEVERITY}
    if count["fail"]:
        return "fail", f"{count['fail']} of {len(checks)} checks failed: do not rely on this part."
    if count["caution"]:
        noun = "check calls" if count["caution"] == 1 else "checks call"
        return "caution", f"No check failed; {count['caution']} of {len(checks)} {noun} for caution."
    return "pass", f"All {len(checks)} checks passed."


def _write_head(report: Mapping[str, Any]) -> Markup:
    verdict, words = sum_up(report["checks"])
    fit, body = report["fit"], report["body"]
    low, high = body["bounds"]["min"], body["bounds"]["max"]
    size = TIMES.join(f"{b - a:.1f}" for a, b in zip(low, high, strict=True))
    zones = find_zones(report)  # where they differ, the least gap of each says more than the one that has least to spare
    kept = fit["gap_by_zone"] if len(set(zones.values())) > 1 else {"all": fit["gap_at_rest"]["min"]}
    figures = {
        "kind": report["recipe"].get("kind"),
        "size": f"{size} mm",
        "print": _word_print(report["service"].get("print")),
        "mass, solid": f"{format_number(round(body['mass'], 1))} g of {report['recipe'].get('material')}",
        "clearance asked for": word_zones(zones),
        "least gap in place": word_zones(kept),
        "least gap on the way in": f"{format_number(fit['gap_insertion']['min'])} mm",
    }
    note = report["recipe"].get("note")
    return element(
        "header",
        element("h1", report["name"]),
        element("p", element("span", MARKS[verdict], class_="mark", aria_hidden="true"), " ", words, class_=f"banner {verdict}"),
        element("p", note, class_="note") if note else None,
        element("dl", *(element("div", element("dt", name), element("dd", text)) for name, text in figures.items() if text)),
    )


def _show_checks(checks: Sequence[Mapping[str, Any]]) -> Child:
    """Return the table of verdicts; what need not be seen at once is opened when asked for, and for printing."""
    ranked = sorted(checks, key=lambda check: SEVERITY[check["verdict"]])
    away = put_away([(check["verdict"], check["name"]) for check in ranked])
    folded = [check for check in ranked if check["name"] in away]
    shown = [check for check in ranked if check["name"] not in away]
    table = _tabulate_checks(shown) if shown else None
    if not folded:
        return table
    title = f"{len(folded)} {'more checks' if shown else 'checks'} that passed, with their limits"
    return [table, _fold(title, _tabulate_checks(folded))]


def _tabulate_checks(checks: Sequence[Mapping[str, Any]]) -> Markup:
    advised = any(_advise(check) for check in checks)
    head = ("verdict", "check", "value", "limit", "unit", *["what to do"][:advised], "where the limit comes from")
    rows = [
        element(
            "tr",
            element("td", element("span", MARKS[check["verdict"]], class_="mark", aria_hidden="true"), " ", check["verdict"],
                    data_label="verdict", class_=f"verdict {check['verdict']}"),
            element("th", check["name"], scope="row"),
            element("td", word_value(check["value"]), data_label="value", class_="number"),
            element("td", word_value(check["limit"]), data_label="limit", class_="number"),
            element("td", check["unit"], data_label="unit", class_="unit"),
            element("td", _advise(check), data_label="what to do") if advised else None,
            element("td", _name_basis(check), check["source"], data_label="source", class_="source"),
        )
        for check in checks
    ]  # fmt: skip
    columns = element("thead", element("tr", *(element("th", word, scope="col") for word in head)))
    return element("table", columns, element("tbody", *rows), class_="cards checks")


def _advise(check: Mapping[str, Any]) -> str:
    if check["verdict"] == "pass":
        return ""
    return f"{check['place']}: {check['remedy']}" if check["place"] and check["remedy"] else check["remedy"] or check["place"]


def _explain_cuts() -> list[Markup]:
    colours = {"fill-2": "scan", "fill-3": "part"}
    key = [element("li", element("span", class_=f"swatch {fill}", aria_hidden="true"), word) for fill, word in colours.items()]
    words = "All to one scale. Each size is the gap in the plane of its section, mm; in space it is that or less."
    return [element("p", words), element("ul", *key, class_="key")]


def _name_basis(check: Mapping[str, Any]) -> Markup | None:
    """Say how sure the source is, unless it begins with that itself."""
    basis = check.get("basis")
    return None if not basis or check["source"].startswith(basis) else element("em", f"{basis}: ")


def _plot(topic: str, facts: Mapping[str, Any]) -> Markup | None:
    if topic not in PLOTTED or not all(facts.get(key) for key in PLOTTED[topic]):
        return None
    plot = plot_heat if topic == "heat" else plot_stack
    key = list_kinds(facts) if topic == "fit_stack" else None
    drawings = (element("div", plot(facts, width=width), class_=f"plot {screen}") for screen, width in SCREENS.items())
    return element("figure", *drawings, key)


def _describe_judged(topic: str, facts: Mapping[str, Any], schema: Mapping[str, Any]) -> Child:
    """Return what a judge found: as a plot or a list of what matters, and all of it to be opened."""
    shown = ("hours", "warm_up_c") if topic == "heat" else ()
    table = tabulate_facts({key: value for key, value in facts.items() if key not in shown}, schema)
    return [_plot(topic, facts), _list_print(facts) if topic == "print" else None, _fold("All values", table)]


def _word_print(facts: Mapping[str, Any] | None) -> str | None:
    """Return what a print takes, support included, in short."""
    if not facts or "estimate" not in facts:
        return None
    estimate = facts["estimate"]
    return f"about {estimate['mass'] + estimate['support_mass']:.0f} g, {format_minutes(estimate['time'] / 60.0)}"


def _list_print(facts: Mapping[str, Any]) -> Markup | None:
    """Return what whoever prints it wants to know."""
    if "estimate" not in facts:
        return None
    estimate = facts["estimate"]
    size, bed = (TIMES.join(f"{side:.0f}" for side in facts[key]) for key in ("size", "bed"))
    rows = {
        "plastic": f"{estimate['mass']:.0f} g, and {format_number(round(estimate['support_mass'], 1))} g of support",
        "filament": f"{estimate['filament'] / 1000.0:.1f} m",
        "time": f"about {format_minutes(estimate['time'] / 60.0)}, {estimate['layers']} layers",
        "size on the plate": f"{size} mm of {bed}",
        "thinnest wall": f"{facts['lines_in_thinnest_wall']:.1f} printed lines" if facts["lines_in_thinnest_wall"] else None,
        "longest bridge": f"{facts['longest_bridge']:.1f} mm",
    }
    return element("dl", *(element("div", element("dt", name), element("dd", text)) for name, text in rows.items() if text))


def _fold(title: str, *children: Child) -> Markup:
    """Return what is opened when asked for, and for printing."""
    return element("details", element("summary", title), *children, class_="values")


def _describe_part(report: Mapping[str, Any], schema: Mapping[str, Any]) -> Child:
    told = schema.get("properties", {})
    files = [element("li", f"{word_key(kind)}: ", element("code", name)) for kind, name in report["files"].items()]
    printer = report["recipe"].get("printer") or {}
    return [
        tabulate_facts(report["body"], told.get("body", {})),
        element("h3", "Printer of the recipe") if printer else None,
        _fold("All values", tabulate_facts(printer, {})) if printer else None,
        element("h3", "Fit"),
        _fold("All values", tabulate_facts(report["fit"], told.get("fit", {}))),
        element("h3", "Files"),
        element("ul", *files),
    ]


def _describe_scan(report: Mapping[str, Any], schema: Mapping[str, Any]) -> Child:
    scan = {key: value for key, value in report["scan"].items() if key != "mended"}
    mended = report["scan"]["mended"]
    return [
        tabulate_facts(scan, schema.get("properties", {}).get("scan", {})),
        element("h3", "Mended"),
        tabulate_rows(mended) if mended else element("p", "Nothing had to be mended."),
    ]


def _list_cautions(report: Mapping[str, Any]) -> Child:
    cautions = report.get("cautions") or ()
    told = [f"{each['topic'].capitalize()}: {each['brief']}. {each['more']}".strip() for each in cautions]
    general = (
        "What was checked is geometry, and what tables say of plastics and tapes. This program does not know the vehicle: it "
        "does not promise that the part stays in place in a crash, nor that it is legal or approved anywhere. Keep it clear of "
        "airbags and their covers, of the view, of controls, vents and belts. Local law and licensed workshops go first."
    )
    notes = report["notes"]
    return [
        element("p", general),
        element("ul", *(element("li", each) for each in told)) if told else None,
        [element("h3", "Notes"), element("ul", *(element("li", note) for note in notes))] if notes else None,
    ]


def _tell_how(report: Mapping[str, Any], recipe: str) -> Child:
    name = report["files"].get("recipe", f"{report['name']}.resolved.toml")
    versions = ", ".join(f"{key} {value or 'missing'}" for key, value in report["versions"].items())
    scan = report["scan"]
    return [
        element("p", "The complete recipe stands beside this page. To make the part again, with the same scan:"),
        element("pre", f"mountgen make {name}", tabindex="0"),
        element("p", "Scan: ", element("code", Path(scan["file"]).name), ", SHA-256 ", element("code", scan["sha256"])),
        element("p", f"Made with {versions}."),
        element("details", element("summary", "The recipe with every value that was used"), element("pre", recipe, tabindex="0")),
    ]
