"""The adjustment in the report for the client's file: HTML and a drawing, every text escaped."""

from __future__ import annotations

from html import escape
from typing import Final

import numpy as np

from siteplan.adjust.outcome import Outcome
from siteplan.adjust.placed import beside, picture_tables
from siteplan.adjust.report import ARROWS, CORNERS, layers, summary_lines
from siteplan.adjust.site import Adjustment
from siteplan.model import RingKind
from siteplan.reconcile.report import Shown
from siteplan.reconcile.tapes import Tapes
from siteplan.sites import Site
from siteplan.types import XYArray

MOST_ROWS: Final = 14
"""rows of each table; the rest is in adjustment.json"""
WIDTH, HEIGHT, MARGIN = 720.0, 300.0, 14.0
BLUE, GREY = "#0072B2", "#8a8a8a"


def _cells(texts: list[str], numbers: list[str]) -> str:
    left = "".join(f"<td>{escape(t)}</td>" for t in texts)
    return f"<tr>{left}{''.join(f'<td class=n>{escape(n)}</td>' for n in numbers)}</tr>"


def _table(heads: list[str], numbers_from: int, rows: list[str]) -> str:
    head = "".join(f"<th{' class=n' if k >= numbers_from else ''}>{h}</th>" for k, h in enumerate(heads))
    body = f"<table><thead><tr>{head}</tr></thead><tbody>{''.join(rows)}</tbody></table>"
    # on a phone a wide table is moved under the finger, not the page
    return f'<div style="overflow-x:auto">{body}</div>'


def section(site: Site, tapes: Tapes, made: Adjustment, out: Outcome, used: int) -> str:
    """``What the adjustment would change``, as a section of the page."""
    lines = "".join(f"<li>{escape(t)}</li>" for t in summary_lines(site, tapes, made, out, used))
    parts = [
        "<h2>What adjusting the outlines would change</h2>",
        '<p class="small">Every traced vertex may be off by a little, and every tape. Each is moved by as '
        "little as makes them all fit, the less certain ones more. Nothing is kept until somebody accepts "
        "it.</p>",
        f"<ul>{lines}</ul>",
    ]
    if len(made.setup.reading_name) or len(made.setup.fixes):
        parts += [_codes(out), *_pictures(site, made), _runs(site, made, out)]
        parts += [_drawing(site, made, out), _vertices(site, made, out)]
    if len(made.setup.reading_name):
        parts.append(_reliability(site, made, out))
    return "\n".join(p for p in parts if p)


def _pictures(site: Site, made: Adjustment) -> list[str]:
    return [
        f"<h2>{escape(title)}</h2>"
        + _table(heads, len(rows[0][0]), [_cells(*row) for row in rows])
        + f'<p class="small">{escape(below)}</p>'
        for title, heads, rows, below in picture_tables(made, Shown(site))
        if rows
    ]


def _codes(out: Outcome) -> str:
    rows = [
        _cells(
            [c.code, c.name],
            [
                f"{c.takeoff_before:,}", f"{c.takeoff_after:,}",
                f"{c.needed_before:,}", f"{c.needed_after:,}",
                f"{c.order_before:,}", f"{c.order_after:,}", f"{c.order_after - c.order_before:+,}",
            ],
        )
        for c in out.codes
        if c.takeoff_before or c.takeoff_after or c.order_before or c.order_after
    ]  # fmt: skip
    heads = ["code", "", "in the plan", "adjusted", "to buy", "adjusted", "ordered", "adjusted", "change"]
    return (
        "<h2>The order before and after</h2>"
        + _table(heads, 2, rows)
        + '<p class="small">To buy: whole pieces and sections to cut, without spares. Ordered: with spares, '
        "in whole packs.</p>"
    )


def _runs(site: Site, made: Adjustment, out: Outcome) -> str:
    shown = Shown(site)
    known = np.flatnonzero(~np.isnan(out.run_sigma_after_m) & ~np.isnan(out.run_after_m))
    change = np.abs(out.run_after_m - out.run_before_m)[known]
    order = known[np.argsort(-change, kind="stable")][:MOST_ROWS]
    rows = [
        _cells(
            [str(made.drawn_runs.run_id[k])],
            [
                shown(out.run_before_m[k]), shown(out.run_after_m[k]),
                shown(out.run_after_m[k] - out.run_before_m[k], sign=True),
                f"{out.run_sigma_before_m[k] * 1000:.0f} mm", f"{out.run_sigma_after_m[k] * 1000:.0f} mm",
            ],
        )
        for k in order.tolist()
    ]  # fmt: skip
    if not rows:
        return ""
    heads = ["run", "as drawn", "adjusted", "change", "sigma before", "sigma after"]
    return "<h2>Runs of the beds that were taped</h2>" + _table(heads, 1, rows)


def _vertices(site: Site, made: Adjustment, out: Outcome) -> str:
    shown, e = Shown(site), out.ellipses
    if not len(e.vertex):
        return ""
    moved = (beside(made, out.site.bed_shapes.xy) - made.setup.drawn)[e.vertex]
    far = np.hypot(*moved.T)
    rows = [
        _cells(
            [made.setup.vertex_name[e.vertex[k]]],
            [
                shown(far[k]), f"{moved[k, 0] * 1000:+.0f} mm",
                f"{moved[k, 1] * 1000:+.0f} mm", f"{e.before_m[k] * 1000:.0f} mm",
                f"{e.long_m[k] * 1000:.0f} x {e.short_m[k] * 1000:.0f} mm", f"{e.bearing_deg[k]:.0f}",
            ],
        )
        for k in np.argsort(-far, kind="stable")[:MOST_ROWS].tolist()
    ]  # fmt: skip
    level = f"{100 * site.settings.reconcile.adjust.ellipse:g} %"
    heads = ["vertex", "moved", "east", "north", "circle as traced", "ellipse adjusted", "bearing"]
    return (
        "<h2>Vertices that move most</h2>"
        + _table(heads, 1, rows)
        + '<p class="small">The true vertex lies within the circle or ellipse with a chance of '
        f"{level}, within its picture; half axes, and the bearing of the long one.</p>"
    )


def _reliability(site: Site, made: Adjustment, out: Outcome) -> str:
    shown, r = Shown(site), out.reliability
    order = np.argsort(r.redundancy, kind="stable")[:MOST_ROWS]
    rows = []
    for k in order.tolist():
        checked = np.isfinite(r.least_detectable_m[k])
        rows.append(
            _cells(
                [
                    made.setup.reading_name[k],
                    "left out" if r.left_out[k] else ("" if checked else "not checked"),
                ],
                [
                    f"{r.redundancy[k]:.2f}",
                    f"{r.standardised[k]:+.1f}" if checked else "",
                    shown(r.least_detectable_m[k]) if checked else "",
                    shown(r.greatest_effect_m[k]) if checked else "",
                ],
            )
        )
    said = made.setup.settings
    heads = ["reading", "", "checked", "residual, sigmas", "least mistake found", "what a smaller one does"]
    return (
        "<h2>How well the readings check each other</h2>"
        + _table(heads, 2, rows)
        + '<p class="small">The least checked ones. Checked: the share of a mistake that shows (0: none, '
        f"1: all). A mistake of the size given is found {100 * said.power:g} times in 100, by a test that is "
        f"wrong {100 * said.alpha:g} times in 100; a smaller one may stay, and moves a leg by up to the last "
        "number.</p>"
    )


def _drawing(site: Site, made: Adjustment, out: Outcome) -> str:
    """Outlines with the movements of their vertices, and where each may lie; north is up."""
    moves, ellipses = layers(made, out)
    if not len(moves):
        return ""
    shapes = site.bed_shapes
    every = np.concatenate([moves.xy, ellipses.xy, shapes.xy])
    low, high = every.min(axis=0), every.max(axis=0)
    scale = min((WIDTH - 2 * MARGIN) / max(high[0] - low[0], 1.0), 2 * HEIGHT / max(high[1] - low[1], 1.0))
    tall = (high[1] - low[1]) * scale + 2 * MARGIN

    def path(xy: XYArray, close: bool) -> str:
        x = MARGIN + (xy[:, 0] - low[0]) * scale
        y = tall - MARGIN - (xy[:, 1] - low[1]) * scale
        return "M" + "L".join(f"{a:.1f} {b:.1f}" for a, b in zip(x, y, strict=True)) + ("Z" if close else "")

    beds = "".join(
        path(shapes.xy[a:b], kind != RingKind.LINE)
        for a, b, kind in zip(
            shapes.ring_offsets[:-1].tolist(), shapes.ring_offsets[1:].tolist(), shapes.ring_kind, strict=True
        )
    )
    rings = "".join(path(r, True) for r in ellipses.xy.reshape(-1, CORNERS, 2))
    arrows = "".join(path(a, False) for a in moves.xy.reshape(-1, 2, 2))
    tips = "".join(f"{path(a[1:], False)}h.01" for a in moves.xy.reshape(-1, 2, 2))
    text = (
        f"Movements and ellipses drawn {ARROWS} times as large as they are: a dot where the vertex would be, "
        "a line from where it is drawn."
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {tall:.0f}" role="img" '
        f'aria-label="{escape(text)}"><path d="{beds}" fill="none" stroke="{GREY}" stroke-width=".6"/>'
        f'<path d="{rings}" fill="none" stroke="{BLUE}" stroke-width=".5" stroke-dasharray="2 1.5"/>'
        f'<path d="{arrows}" fill="none" stroke="{BLUE}" stroke-width="1.2"/>'
        f'<path d="{tips}" fill="none" stroke="{BLUE}" stroke-width="3.4" stroke-linecap="round"/></svg>'
        f'<p class="small">{escape(text)}</p>'
    )
