"""The reconciliation as data (JSON, CSV, a map layer) and as one printable page for the client's file."""

from __future__ import annotations

import csv
import io
import json
import math
from dataclasses import dataclass, replace
from html import escape
from pathlib import Path
from typing import Any, Final

import numpy as np

from siteplan import __version__
from siteplan.layers import Layer
from siteplan.model import RingKind
from siteplan.plans import RunPlan
from siteplan.reconcile.accuracy import Nssda, places, read_check_points
from siteplan.reconcile.compare import Comparison, RunRows, by_run, compare
from siteplan.reconcile.control import moved_by_control, picture_groups, surveyed
from siteplan.reconcile.diagnosis import Diagnosis, Named, diagnose
from siteplan.reconcile.plot import plot, sign_of
from siteplan.reconcile.reader import Target
from siteplan.reconcile.tapes import Tapes, load_tapes
from siteplan.sites import Site
from siteplan.units import Unit, format_length

SCHEMA_VERSION: Final = 1
MOST_ROWS: Final = 18
"""rows of the report's table and plot; the rest is in reconcile.csv"""
SIGN_WORDS: Final = {1: "tape longer", -1: "tape shorter", 0: "agree"}
COLUMNS: Final = (
    "id", "what", "of", "reading", "tape", "taped_m", "map_m", "compared_along", "difference_m",
    "sigma_tape_m", "sigma_map_m", "in_sigmas", "sign", "corrected_m", "causes",
)  # fmt: skip
"""of reconcile.csv, in the order of the rows of reconcile.json"""
TARGET_WORDS: Final = {Target.LEG: "leg", Target.RUN: "run", Target.DISTANCE: "distance"}


@dataclass(frozen=True, slots=True, eq=False)
class Reconciliation:
    """Tapes against the map, all of it."""

    tapes: Tapes
    comparison: Comparison
    runs: RunRows
    diagnosis: Diagnosis
    accuracy: Nssda | None
    total_m: float
    """edging of the plan, ground length"""


def reconcile(
    site: Site,
    plan: RunPlan,
    *,
    tapes: Path | None = None,
    points: Path | None = None,
    source: str | None = None,
    skip_faulty: bool = False,
) -> Reconciliation:
    """Read the tapes of a site, compare them with the map and say why they disagree.

    Parameters
    ----------
    site, plan : the map
    tapes : file of readings, in place of the one the settings name
    points : file of check points, for the positional accuracy
    source : how good the field coordinates of the check points are, a length with its unit
    skip_faulty : leave faulty readings out and say so

    Raises
    ------
    DataError : every fault of the readings or check points
    """
    surveyed_points = any(p.use == "control" and p.is_seen for p in site.settings.control)
    read = load_tapes(site, plan, tapes, skip_faulty=skip_faulty, may_be_none=surveyed_points)
    made = compare(site, plan, read)
    accuracy = _places(site, plan, points, source)
    return Reconciliation(
        tapes=read,
        comparison=made,
        runs=by_run(plan, read, made),
        diagnosis=diagnose(site, plan, read, made),
        accuracy=accuracy,
        total_m=float(plan.lengths.ground_m.sum()),
    )


def _places(site: Site, plan: RunPlan, points: Path | None, source: str | None) -> Nssda | None:
    """Accuracy of places at check points: those of a file, and marks of ``site.toml`` seen on the map."""
    of_file = None if points is None else read_check_points(points)
    seen = surveyed(site, plan, picture_groups(site), "check")
    control = [p.name for p in site.settings.control if p.use == "control"]
    made = places(
        of_file,
        site.frame.ground_m_per_grid_unit,
        source,
        marks=(seen.seen_xy, seen.xy, seen.sigma_m),
        control=control,
    )
    if made is None or not moved_by_control(site):
        return made
    note = (
        "the outlines were moved by surveyed points since: check points seen at a place of the picture judge "
        "the picture as it was, those seen at a vertex (seen_at) judge the outlines"
    )
    return replace(made, notes=(note, *made.notes))


# ---------------------------------------------------------------- data


def _number(value: float, digits: int = 6) -> float | None:
    return round(float(value), digits) if math.isfinite(value) else None


def _cause(named: Named) -> dict[str, Any]:
    return {
        "cause": named.cause,
        "scope": named.scope,
        "target": named.target or None,
        "words": named.words,
        "log10_likelihood_ratio": _number(named.log_ratio / math.log(10), 3),
        "log10_margin": _number(named.log_margin / math.log(10), 3),
        "clear": named.clear,
        "size": _number(named.size, 9),
        "size_sigma": _number(named.size_sigma, 9),
        "size_text": named.size_text or None,
        "readings": list(named.readings),
        "new_reading": named.new_reading or None,
        "new_total_m": _number(named.total_m),
        "probability": _number(named.probability, 4),
        "remedy": named.remedy,
        "alternatives": [
            {
                "cause": a.cause,
                "target": a.target or None,
                "words": a.words,
                "log10_likelihood_ratio": _number(a.log_ratio / math.log(10), 3),
            }
            for a in named.alternatives
        ],
    }


def data(site: Site, made: Reconciliation) -> dict[str, Any]:
    """``reconcile.json`` (schema in docs/reconcile.md)."""
    t, c, d = made.tapes, made.comparison, made.diagnosis
    return {
        "schema_version": SCHEMA_VERSION,
        "program": {"name": "siteplan", "version": __version__},
        "site": {"name": site.settings.name, "edging_m": _number(made.total_m)},
        "map_sigma": {"vertex_sigma_m": _number(float(np.median(c.vertex_sigma_m))), "from": c.sigma_from},
        "tapes": [
            {
                "tape": tape.name,
                "kind": tape.kind,
                "fixed_m": _number(tape.fixed_m),
                "per_length": tape.per_length,
                "scale_sigma": tape.scale,
                "readings": int((t.tape == k).sum()),
            }
            for k, tape in enumerate(t.tapes)
        ],
        "readings": _reading_rows(made),
        "runs": [
            {
                "run": str(run),
                "how": str(how),
                "map_m": _number(a),
                "taped_m": _number(b),
                "difference_m": _number(diff),
                "sigma_m": _number(s),
            }
            for run, how, a, b, diff, s in zip(
                made.runs.run, made.runs.how, made.runs.map_m, made.runs.taped_m, made.runs.difference_m,
                made.runs.sigma_m, strict=True,
            )
        ],
        "diagnosis": {
            "text": d.text,
            "chi2_before": _number(d.chi2_before, 3),
            "chi2_after": _number(d.chi2_after, 3),
            "readings": d.readings,
            "chance_before": d.p_before,
            "chance_after": d.p_after,
            "causes_tried": d.causes,
            "trials": d.trials,
            "false_alarm": d.alpha,
            "named": [_cause(n) for n in d.named],
        },
        "scale": {
            "taped_over_map": _number(d.scale.scale, 9),
            "sigma": _number(d.scale.sigma, 9),
            "smallest_shown": _number(d.scale.smallest, 9),
            "chi2": _number(d.scale.chi2, 3),
            "tested": [
                {
                    "cause": r.cause,
                    "words": r.words,
                    "scale": _number(r.scale, 9),
                    "chi2": _number(r.chi2, 3),
                    "log10_likelihood_ratio": _number(r.log_ratio / math.log(10), 3),
                    "verdict": r.verdict,
                }
                for r in d.scale.rows
            ],
        },
        "positional_accuracy": None if made.accuracy is None else _accuracy(made.accuracy),
        "findings": [{"code": f.code, "grade": f.grade, "text": f.text} for f in (*t.findings, *c.findings)],
    }  # fmt: skip


def _accuracy(a: Nssda) -> dict[str, Any]:
    return {
        "standard": "FGDC-STD-007.3-1998",
        "points": a.points,
        "mean_east_m": _number(a.mean_east_m),
        "mean_north_m": _number(a.mean_north_m),
        "rmse_east_m": _number(a.rmse_east_m),
        "rmse_north_m": _number(a.rmse_north_m),
        "rmse_radial_m": _number(a.rmse_radial_m),
        "form": a.form,
        "accuracy_95_m": _number(a.accuracy_m),
        "notes": list(a.notes),
    }


def _causes_of(made: Reconciliation) -> dict[str, list[str]]:
    """Causes named for each reading, those of single readings and legs only."""
    found: dict[str, list[str]] = {}
    for named in made.diagnosis.named:
        if named.scope in ("reading", "leg"):
            for reading in named.readings:
                found.setdefault(reading, []).append(named.words)
    return found


def _reading_rows(made: Reconciliation) -> list[dict[str, Any]]:
    t, c = made.tapes, made.comparison
    causes = _causes_of(made)
    return [
        {
            "id": str(t.ids[k]),
            "what": TARGET_WORDS[Target(t.what[k])],
            "of": str(t.name[k]),
            "reading": t.reading[k].text,
            "tape": t.tapes[t.tape[k]].name,
            "taped_m": _number(c.taped_m[k]),
            "map_m": _number(c.map_m[k]),
            "compared_along": "slope" if c.on_slope[k] else "level",
            "difference_m": _number(c.difference_m[k]),
            "sigma_tape_m": _number(c.sigma_tape_m[k]),
            "sigma_map_m": _number(c.sigma_map_m[k]),
            "in_sigmas": _number(c.in_sigmas[k], 3),
            "sign": SIGN_WORDS[sign_of(float(c.in_sigmas[k]))],
            "corrected_m": _number(made.diagnosis.corrected_m[k]),
            "causes": causes.get(str(t.ids[k]), []),
        }
        for k in range(len(t))
    ]


def data_text(made: dict[str, Any]) -> str:
    """``reconcile.json`` as text."""
    return json.dumps(made, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def _safe(text: str) -> str:
    """A cell a spreadsheet shows and never runs."""
    return f"'{text}" if text.startswith(("=", "+", "-", "@", "\t", "\r")) else text


def csv_text(made: Reconciliation) -> str:
    """``reconcile.csv``: one line per reading."""
    out = io.StringIO()
    rows = _reading_rows(made)
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for row in rows:
        cells = {**row, "causes": "; ".join(row["causes"])}
        writer.writerow(_safe(cells[c]) if isinstance(cells[c], str) else cells[c] for c in COLUMNS)
    return out.getvalue()


def layer(made: Reconciliation) -> Layer:
    """The map layer ``tape_differences``: the line of each reading with its signed difference."""
    c = made.comparison
    # the greatest first: where labels on a map collide, the first one is written
    order = sorted(range(len(c)), key=lambda k: (-abs(c.in_sigmas[k]), k))
    every = _reading_rows(made)
    rows = [every[k] for k in order]
    lines = [c.lines[k] for k in order]
    counts = np.array([len(line) for line in lines])
    offsets = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)

    def text(key: str) -> Any:
        column = np.empty(len(rows), dtype=object)
        column[:] = ["; ".join(r[key]) if isinstance(r[key], list) else r[key] for r in rows]
        return column

    def number(key: str) -> Any:
        return np.array([np.nan if r[key] is None else r[key] for r in rows], dtype=np.float64)

    columns = {
        "reading_id": text("id"), "of": text("of"), "reading": text("reading"), "tape": text("tape"),
        "taped_m": number("taped_m"), "map_m": number("map_m"), "difference_m": number("difference_m"),
        "sigma_tape_m": number("sigma_tape_m"), "sigma_map_m": number("sigma_map_m"),
        "in_sigmas": number("in_sigmas"),
        "sign": text("sign"), "causes": text("causes"),
    }  # fmt: skip
    return Layer(
        "tape_differences",
        "LineString",
        columns,
        np.concatenate([np.zeros((0, 2)), *lines]),
        offsets,
        np.full(len(rows), RingKind.LINE, np.int8),
        np.arange(len(rows)),
    )


# ---------------------------------------------------------------- words


class Shown:
    """Lengths in the site's units."""

    def __init__(self, site: Site) -> None:
        self.unit: Unit = site.settings.show.units
        self.denominator = site.settings.show.inch_fraction

    def __call__(self, length_m: float, *, sign: bool = False) -> str:
        """A length, with its plus where asked."""
        text = format_length(float(length_m), self.unit, denominator=self.denominator)
        return f"+{text}" if sign and length_m > 0 else text


def odds(log_ratio: float) -> str:
    """A likelihood ratio for people."""
    if log_ratio > math.log(1e6):
        return "more than a million times better"
    ratio = math.exp(log_ratio)
    return f"{ratio:,.0f} times better" if ratio >= 10 else f"{ratio:.2g} times better"


def cause_text(named: Named, shown: Shown, total_m: float) -> list[str]:
    """What a cause is, how strong the evidence is, what it would change, what to do."""
    where = {"map": "The map", "tape": f"Tape {named.target}", "leg": f"Leg {named.target}"}.get(
        named.scope, f"Reading {named.target}"
    )
    lines = [
        f"{where}: {named.words}",
        f"Explains the readings {odds(named.log_ratio)} than without it"
        + (f"; probability {named.probability:.3f} with the stated priors" if named.probability >= 0 else ""),
    ]
    if named.size_text:
        lines.append(named.size_text)
    if named.new_reading:
        lines.append(f"The reading would be {named.new_reading}")
    if abs(named.total_m - total_m) > 5e-4:
        lines.append(f"The edging of the whole plan would be {shown(named.total_m)}, not {shown(total_m)}")
    if not named.clear and named.alternatives:
        other = named.alternatives[0]
        place = f" ({other.target})" if other.target and other.target != named.target else ""
        lines.append(f"Not told apart from: {other.words}{place}")
    return [*lines, named.remedy]


def power_text(made: Reconciliation) -> str:
    """What these readings could show, and could not."""
    s = made.diagnosis.scale
    if not made.diagnosis.readings:
        return "Nothing was taped, so nothing can be said of a common scale of tapes and map."
    return (
        f"Common scale taped / map: {s.scale:.6f} +/- {s.sigma:.6f} (slips left out). "
        "The smallest scale error these readings would show four times in five is "
        f"{s.smallest * 1e6:,.0f} ppm; "
        "the difference of the two feet is 2 ppm, below any tape."
    )


# ---------------------------------------------------------------- the page


_STYLE: Final = """
@page{size:A4;margin:12mm}
body{font:10.5px/1.35 system-ui,sans-serif;color:#111;margin:12px auto;max-width:190mm}
h1{font-size:17px;margin:0}h2{font-size:12.5px;margin:9px 0 3px}p,ul,ol{margin:3px 0}
table{border-collapse:collapse;width:100%}th,td{padding:1px 5px;text-align:left;border-bottom:.5px solid #bbb}
td.n,th.n{text-align:right;font-variant-numeric:tabular-nums}
svg{width:100%;max-height:120mm}svg text{font-size:10px}
.answer{font-size:12px;border:1.5px solid #111;padding:4px 7px;margin:5px 0}.small{color:#333;font-size:9.5px}
li b{font-weight:600}tr{break-inside:avoid}
@media print{body{font-size:8.2px;line-height:1.22;margin:0}
svg{max-height:58mm}h1{font-size:14px}h2{font-size:10.5px;margin:5px 0 1px}
.answer{font-size:10.5px}.small{font-size:8px}td,th{padding:0 4px}}
"""


def page(site: Site, made: Reconciliation, more: str = "") -> str:
    """``reconcile.html``: one page to print; every text from the data is escaped, nothing is fetched.

    ``more`` is HTML to put before the notes: what the adjustment would change.
    """
    shown = Shown(site)
    t, d = made.tapes, made.diagnosis
    order = sorted(range(len(t)), key=lambda k: (-abs(made.comparison.in_sigmas[k]), k))[:MOST_ROWS]
    days = sorted({str(w) for w in t.when if w})
    when = f", taped {escape(days[0])}" + (f" to {escape(days[-1])}" if len(days) > 1 else "") if days else ""
    who = ", ".join(sorted({str(w) for w in t.who if w}))
    rest = len(t) - len(order)
    parts = [
        f"<h1>{escape(site.settings.name)}: tapes against the map</h1>",
        f"<p>{len(t)} readings with {len(t.tapes)} tapes{when}{f', by {escape(who)}' if who else ''}; "
        f"edging of the plan: {escape(shown(made.total_m))} ground length.</p>",
        f'<p class="answer">{escape(d.text)}</p>',
        _causes_html(made, shown),
        "<h2>Readings</h2>"
        + (f"<p>The {len(order)} that differ most; {rest} more in reconcile.csv.</p>" if rest else ""),
        plot(t, made.comparison, d, order),
        _table_html(made, shown, order),
        _runs_html(made, shown),
        "<h2>Scale</h2>",
        f"<p>{escape(power_text(made))}</p>",
        _scale_html(made),
        _accuracy_html(made, shown),
        more,
        "<h2>How sure this is</h2>",
        f'<p class="small">{escape(_how_sure(made))}</p>',
        _findings_html(made),
        '<p class="small">A planning aid, not a boundary survey. Tape again what is named before '
        "ordering. Have buried "
        "lines located and marked before anybody digs; local codes and licensed practice govern.</p>",
    ]
    policy = "default-src 'none'; style-src 'unsafe-inline'"
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(site.settings.name)}: tapes against the map</title>"
        f"<style>{_STYLE}</style></head><body>\n" + "\n".join(p for p in parts if p) + "\n</body></html>\n"
    )


def _causes_html(made: Reconciliation, shown: Shown) -> str:
    if not made.diagnosis.named:
        return ""
    items = []
    for named in made.diagnosis.named:
        first, *rest = cause_text(named, shown, made.total_m)
        items.append(f"<li><b>{escape(first)}.</b> {escape('. '.join(rest))}.</li>")
    return f"<h2>What is wrong, in order of evidence</h2><ol>{''.join(items)}</ol>"


def _table_html(made: Reconciliation, shown: Shown, order: list[int]) -> str:
    t, c = made.tapes, made.comparison
    head = "".join(
        f"<th{' class=n' if k > 3 else ''}>{h}</th>"
        for k, h in enumerate(("id", "what", "read", "tape", "corrected", "map", "tape less map", "sigmas"))
    )
    rows = []
    for k in order:
        texts = (str(t.ids[k]), str(t.name[k]), t.reading[k].text, t.tapes[t.tape[k]].name)
        numbers = (
            shown(c.taped_m[k]),
            shown(c.map_m[k]),
            shown(c.difference_m[k], sign=True),
            f"{c.in_sigmas[k]:+.1f}",
        )
        rows.append(
            "<tr>"
            + "".join(f"<td>{escape(x)}</td>" for x in texts)
            + "".join(f'<td class="n">{escape(x)}</td>' for x in numbers)
            + "</tr>"
        )
    return f"<table><thead><tr>{head}</tr></thead><tbody>{''.join(rows)}</tbody></table>"


def _runs_html(made: Reconciliation, shown: Shown) -> str:
    r = made.runs
    if not len(r.run):
        return ""
    rows = "; ".join(
        f"{run} ({how}): tape {shown(b)}, map {shown(a)}, {shown(d, sign=True)} +/- {shown(s)}"
        for run, how, a, b, d, s in zip(
            r.run, r.how, r.map_m, r.taped_m, r.difference_m, r.sigma_m, strict=True
        )
    )
    return f"<h2>Whole runs</h2><p>{escape(rows)}.</p>"


def _scale_html(made: Reconciliation) -> str:
    rows = "".join(
        f"<tr><td>{escape(r.words)}</td><td class=n>{r.scale:.6f}</td><td class=n>{r.chi2:,.1f}</td>"
        f"<td>{escape(r.verdict)}</td></tr>"
        for r in made.diagnosis.scale.rows
    )
    return (
        "<table><thead><tr><th>scale tested</th><th class=n>taped / map</th><th "
        "class=n>chi-square</th><th></th></tr>"
        f"</thead><tbody>{rows}</tbody></table>"
    )


def _accuracy_html(made: Reconciliation, shown: Shown) -> str:
    a = made.accuracy
    if a is None:
        return ""
    return f"<h2>Places (NSSDA)</h2><p>{escape(accuracy_text(a, shown))}</p>"


def accuracy_text(a: Nssda, shown: Shown) -> str:
    """The figure in the words the standard asks for, with what weakens it."""
    figure = (
        f"Tested {shown(a.accuracy_m)} horizontal accuracy at 95 % confidence level ({a.form})"
        if math.isfinite(a.accuracy_m)
        else "No figure at 95 % confidence: not applicable"
    )
    return (
        f"{figure}; {a.points} check points, mean offset {a.mean_east_m:+.3f} m east, "
        f"{a.mean_north_m:+.3f} m north, "
        f"root mean square {a.rmse_east_m:.3f} m east, {a.rmse_north_m:.3f} m north. "
        + "; ".join(a.notes)
        + "."
    )


def _how_sure(made: Reconciliation) -> str:
    d, c = made.diagnosis, made.comparison
    return (
        f"Standard deviation of a traced vertex: {float(np.median(c.vertex_sigma_m)):.3f} m each way "
        f"({c.sigma_from}). "
        f"{d.causes} causes, {d.trials} cases were tried; a cause is named only when the chance that "
        "anything is named "
        f"on readings with nothing wrong stays below {100 * d.alpha:g} %, all cases together. "
        f"Squared differences in sigmas: {d.chi2_before:,.1f} before, {d.chi2_after:,.1f} after, "
        f"{d.readings} readings."
    )


def _findings_html(made: Reconciliation) -> str:
    found = (*made.tapes.findings, *made.comparison.findings)
    if not found:
        return ""
    return "<h2>Notes</h2><ul>" + "".join(f"<li>{escape(f.text)}</li>" for f in found) + "</ul>"
