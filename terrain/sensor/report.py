"""The report of a check: one HTML page that needs nothing else, and its data as JSON."""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Sequence
from html import escape
from pathlib import Path

from terrain.errors import ReadError
from terrain.sensor import plots
from terrain.sensor.adjust import Adjustment, mount_line
from terrain.sensor.alone import Alone
from terrain.sensor.data import CAUTIONS, as_text
from terrain.sensor.decide import FAIL, PASS, UNDECIDED, Quantity
from terrain.sensor.measure import Measured
from terrain.sensor.observe import FREEDOMS
from terrain.sensor.run import CheckRun, entry_of

ACROSS = "across targets"
SIGNS = {PASS: "\u2713", FAIL: "\u2717", UNDECIDED: "?"}
HEADLINES = {
    PASS: "Within every configured tolerance.",
    FAIL: "Past a configured tolerance. Do not believe a survey made with this sensor as it is stated.",
    UNDECIDED: "Not decided. What to measure is said below.",
}
NO_TARGETS = (
    "No target was used: what shifts or tilts all of a map alike, such as the height of the mount or a range offset, "
    "was not checked."
)
_STYLE = """
:root { color-scheme: light; }
body { font: 15px/1.45 "Iowan Old Style", Palatino, "Book Antiqua", Georgia, serif; color: #22303c; background: #fff;
  max-width: 61rem; margin: 2rem auto; padding: 0 1.2rem; }
h1 { font-size: 1.45rem; margin: 0 0 .2rem; } h2 { font-size: 1.12rem; margin: 2.2rem 0 .5rem;
  border-top: 3px double #22303c; padding-top: .5rem; } h3 { font-size: 1rem; margin: 1.4rem 0 .3rem; }
p { margin: .4rem 0; max-width: 46rem; } .meta { color: #56636d; }
.verdict { display: flex; gap: 1.1rem; align-items: center; padding: .7rem 1rem; margin: 1rem 0; border: 3px solid; }
.verdict b { font-size: 1.7rem; letter-spacing: .04em; white-space: nowrap; }
.pass { border-style: solid; color: #1f5558; } .fail { border-style: double; border-width: 7px; color: #8c2d17; }
.undecided { border-style: dashed; color: #6d5512; }
table { border-collapse: collapse; width: 100%; table-layout: fixed;
  font: 13px/1.35 "Source Sans 3", "Segoe UI", "DejaVu Sans", sans-serif; }
th { text-align: left; font-weight: 600; border-bottom: 1.5px solid #22303c; padding: .25rem .5rem; }
td { border-bottom: 1px solid #d5d9dc; padding: .22rem .5rem; vertical-align: top; }
td.n, th.n { text-align: right; white-space: nowrap; font-variant-numeric: tabular-nums; }
td.d { white-space: nowrap; font-weight: 600; } td.d.information { font-weight: 400; color: #56636d; }
td.d.pass, td.d.fail, td.d.undecided { border-width: 0 0 1px; }
td.d.pass, td.d.fail, td.d.undecided { border-bottom: 1px solid #d5d9dc; }
@media screen and (max-width: 50rem) { .wide { overflow-x: auto; } .wide table { min-width: 56rem; } }
td.a { color: #56636d; } pre { background: #f4f1e8; border-left: 4px solid #8a7a4d; padding: .6rem .8rem;
  white-space: pre-wrap; overflow-wrap: anywhere; font-size: 12px; } svg { width: 100%; height: auto; display: block; }
ul { margin: .4rem 0; padding-left: 1.2rem; } li { margin: .2rem 0; max-width: 46rem; }
section.target { break-inside: avoid; } .small { font-size: 13px; color: #56636d; }
@media print { h3 { break-after: avoid; }
  body { margin: 0; padding: 0; max-width: none; font-size: 10.5pt; } table { font-size: 8.5pt; }
  th, td { padding: .15rem .25rem; } h2 { break-after: avoid; } a { color: inherit; }
  @page { size: A4; margin: 14mm; } }
"""


def write_report(run: CheckRun) -> None:
    """Write page and data of a check, each whole or not at all.

    Raises
    ------
    ReadError
        A file cannot be written.
    """
    assert run.report is not None and run.data is not None
    _write(run.data, as_text(run))
    _write(run.report, page(run))


def _write(path: Path, text: str) -> None:
    part = path.with_name(f".{path.name}.part")
    try:
        part.write_text(text, encoding="utf-8")
        os.replace(part, path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise ReadError(f"{path}: {error.strerror or error}, expected to write the report there") from error


def page(run: CheckRun) -> str:
    """Return the page as HTML; every text that comes from a file is escaped."""
    checked, settings = run.checked, run.targets.settings
    title = f"Sensor check: {settings.name}" if checked.targets else f"Sensor check of {run.survey.name}"
    untold = "" if checked.targets else f" {NO_TARGETS}"
    parts = [
        f"<h1>{escape(title)}</h1>",
        f'<p class="meta">sensor {escape(run.sensor_name)} &middot; survey {escape(run.survey.name)} '
        f"({escape(run.survey.path.name)}) &middot; {escape(run.done_utc[:16].replace('T', ' '))} UTC &middot; "
        f"{run.points:,} points</p>",
        f'<div class="verdict {checked.verdict}"><b>{SIGNS[checked.verdict]} {checked.verdict.upper()}</b>'
        f"<span>{HEADLINES[checked.verdict]}{untold}</span></div>",
        _findings(run),
    ]
    telling = _telling(checked.quantities())
    if any(math.isfinite(one.value) and one.tolerance for _, one in telling):
        parts += ["<h2>At a glance</h2>", plots.draw_summary(telling)]
    if checked.adjustment is not None:
        parts.append(_across(checked.adjustment))
    if checked.relations:
        parts += ["<h2>Between targets</h2>", _table(checked.relations)]
    if checked.targets:
        parts.append("<h2>Target by target</h2>")
        parts += [_target(run, target) for target in checked.targets]
    if checked.alone:
        parts.append("<h2>Without targets</h2>")
        parts += [_alone(one) for one in checked.alone]
    parts += [_history(run), _reading(), "<h2>Cautions</h2>", _list(CAUTIONS)]
    body = "\n".join(part for part in parts if part)
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; "
        'img-src data:">'
        f"<title>{escape(title)}</title><style>{_STYLE}</style></head>\n<body>\n{body}\n</body></html>\n"
    )


def _list(lines: Iterable[str]) -> str:
    return "<ul>" + "".join(f"<li>{escape(line)}</li>" for line in lines) + "</ul>"


def _findings(run: CheckRun) -> str:
    checked = run.checked
    judged = checked.quantities()
    lines = [f"{one.name}: {_value(one)}, {FAIL}" for name, one in judged if one.decision == FAIL and name == ACROSS]
    for word, start in ((FAIL, "Past tolerance"), (UNDECIDED, "Undecided; what would decide it stands in its row")):
        named: dict[str, list[str]] = {}
        for name, one in judged:
            if one.decision == word and (name != ACROSS or word == UNDECIDED):
                named.setdefault(name, []).append(one.name)
        if named:
            lines.append(f"{start}: " + "; ".join(f"{name} ({', '.join(what)})" for name, what in named.items()))
    return _list(dict.fromkeys((*checked.notes, *lines, *run.warnings)))


def _telling(judged: Sequence[tuple[str, Quantity]]) -> list[tuple[str, Quantity]]:
    """Return the quantities to draw together: across targets, where targets lie, and whatever does not pass."""
    where = ("bias", "tilt", "centre")
    return [(name, one) for name, one in judged if name == ACROSS or one.name in where or one.decision != PASS]


def _figure(value: float) -> str:
    if not math.isfinite(value):
        return "&ndash;"
    digits = 0 if abs(value) >= 1000 else 1 if abs(value) >= 20 else 2 if abs(value) >= 0.2 else 3
    return f"{value:.{digits}f}".replace("-", "&minus;")


def _value(one: Quantity) -> str:
    unit = f" {one.shown_unit}" if one.shown_unit else ""
    value, u = one.shown(one.value), one.shown(one.expanded)
    return f"{value:.3g}{unit} (U {u:.2g}{unit})" if math.isfinite(value) else ""


def _table(quantities: Sequence[Quantity]) -> str:
    cells = []
    for one in quantities:
        decision = one.decision if one.tolerance is not None else "information"
        said = decision if one.tolerance is None else f"{SIGNS[one.decision]} {decision}"
        tolerance = "&ndash;" if one.tolerance is None else _figure(one.shown(one.tolerance))
        sources = ", ".join(f"{escape(key)} {_figure(one.shown(u))}" for key, u in one.budget.items())
        cells.append(
            f'<tr><td>{escape(one.name)}</td><td class="n">{_figure(one.shown(one.value))}</td>'
            f'<td class="n">{_figure(one.shown(one.expanded))}</td><td class="n">{tolerance}</td>'
            f'<td>{escape(one.shown_unit)}</td><td class="d {decision}">{said}</td>'
            f'<td class="a">{escape(one.advice) or sources}</td></tr>'
        )
    widths = "".join(f'<col style="width:{width}%">' for width in (17.0, 7.5, 8.5, 8.5, 5.0, 12.5))
    return (
        '<div class="wide" role="region" aria-label="quantities" tabindex="0">'
        f'<table><colgroup>{widths}<col></colgroup><thead><tr><th>quantity</th><th class="n">value</th>'
        '<th class="n">U (k = 2)</th><th class="n">tolerance</th><th>unit</th><th>decision</th>'
        f"<th>to decide it; or u by source</th></tr></thead><tbody>{''.join(cells)}</tbody></table></div>"
    )


def _across(found: Adjustment) -> str:
    seen = ", ".join(name for name, ok in zip(FREEDOMS, found.sees.seen, strict=True) if ok) or "none"
    unseen = ", ".join(name for name, ok in zip(FREEDOMS, found.sees.seen, strict=True) if not ok)
    values = ", ".join(f"{one:.3f}" for one in found.sees.singular)
    normals = ", ".join(f"{one:.3f}" for one in found.sees.translation)
    low, high = found.range_m
    parts = [
        "<h2>Across targets: mount, range, clock</h2>",
        "<p>Mount: what to add to the stated one, turns about and shifts along the body's axes (x forward, y left, "
        "z up). Range and clock: by how much the sensor is off.</p>",
        _table(found.quantities),
        f'<p class="small">Degrees of freedom these targets show: {seen}.'
        + (f" <b>Not shown: {unseen}.</b>" if unseen else "")
        + f" Singular values of the geometry {values}; of the stated normals {normals}."
        + (f" Ranges on targets of stated place: {low:.2f} to {high:.2f} m." if math.isfinite(low) else "")
        + "</p>",
    ]
    off = any(one.name.startswith("mount ") and one.decision != PASS for one in found.quantities)
    if "mount" not in found.refused and not off:
        parts.append("<p>The mount passes as it is stated: no correction is due.</p>")
    elif "mount" not in found.refused:
        parts += [
            "<p>The corrected mount, for the survey file. It holds only with the U above; check again with it.</p>",
            f"<pre>{escape(mount_line(found.mount))}</pre>",
        ]
    clock = [one for one in found.quantities if one.name == "clock offset" and one.decision != PASS]
    if clock and math.isfinite(clock[0].value):
        parts.append(f"<p>Add {clock[0].value:+.5f} to <code>time_offset_s</code>.</p>")
    return "\n".join(parts)


def _target(run: CheckRun, target: Measured) -> str:
    checked = run.checked
    aside = checked.adjustment.set_aside.get(target.name, "") if checked.adjustment else ""
    parts = [f'<section class="target"><h3>{escape(target.name)}</h3>', f'<p class="small">{_seen(target)}</p>']
    if aside:
        parts.append(f"<p><b>Set aside when the mount was computed:</b> {escape(aside)}.</p>")
    parts.append(_table(target.quantities))
    if target.name in checked.surfaces:
        parts.append(plots.draw_target(checked.surfaces[target.name], checked.stated))
    if checked.adjustment is not None and target.name in checked.adjustment.after:
        mean, rms = checked.adjustment.after[target.name]
        parts.append(
            f'<p class="small">Left with the corrected mount, range and clock: mean {_figure(1e3 * mean)} mm, '
            f"RMS {_figure(1e3 * rms)} mm.</p>"
        )
    return "\n".join(parts) + "</section>"


def _seen(target: Measured) -> str:
    facts = target.facts
    words = [f"{target.kind}, {target.points:,} points from {target.stands} stand{'s' if target.stands != 1 else ''}"]
    if math.isfinite(facts.get("range_min_m", math.nan)):
        words.append(f"ranges {facts['range_min_m']:.2f} to {facts['range_max_m']:.2f} m")
        words.append(f"incidence {facts['incidence_min_deg']:.0f} to {facts['incidence_max_deg']:.0f} deg")
    if "length_m" in facts:
        words.append(f"seen {facts['length_m']:.2f} by {facts['width_m']:.2f} m")
    if "noise_mm" in facts:
        words.append(f"noise {facts['noise_mm']:.2f} mm, stated {facts['noise_stated_mm']:.2f} mm")
    return escape("; ".join(words))


def _alone(check: Alone) -> str:
    parts = [f"<h3>{escape(check.name)}</h3>", f'<p class="small">{escape(check.words)}</p>']
    if check.why_not:
        parts.append(f"<p>Does not apply: {escape(check.why_not)}.</p>")
    else:
        parts += [_table(check.quantities), plots.draw_alone(check)]
    return "\n".join(parts)


def _history(run: CheckRun) -> str:
    own = [entry for entry in run.earlier if entry.sensor == run.sensor_name]
    if not own:
        return ""
    entries = [*own, entry_of(run, None)]
    return (
        f"<h2>History of sensor {escape(run.sensor_name)}</h2>"
        f'<p class="small">{len(own)} earlier check{"s" if len(own) != 1 else ""}; {plots.KEY}.</p>'
        + plots.draw_trend(entries)
    )


def _reading() -> str:
    return "<h2>How to read it</h2>" + _list(
        (
            "U is the expanded uncertainty with coverage factor 2, about 95 % (JCGM 100:2008). It holds the noise of "
            "the points, what was stated of the targets, and the errors of the poses, which are taken as alike within "
            "a stand and independent between stands.",
            "pass: |value| + U is within the tolerance. fail: |value| - U is past it. undecided: neither (guard bands "
            "after JCGM 106:2012).",
            "bias: mean distance from the stated surface, positive towards the sensor. noise over stated: what is left "
            "after a smooth surface, over range noise by the cosine of incidence. flatness: range of the smooth form "
            "from its best plane, beyond what noise makes. drift: change while one stand lasted.",
        )
    )
