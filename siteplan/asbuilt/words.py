"""What the reports say in short tables: the same rows for the page of paper and the page of HTML."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from siteplan.asbuilt.make import AsBuilt
from siteplan.asbuilt.surveyed import compass
from siteplan.asbuilt.tables import run_words
from siteplan.laying.order import money_text

Rows = Sequence[tuple[str, ...]]


@dataclass(frozen=True, slots=True)
class Board:
    """A table of texts with its heading."""

    title: str
    head: tuple[str, ...]
    rows: Rows
    right: tuple[int, ...] = ()
    """columns of numbers"""


def figures(built: AsBuilt) -> Rows:
    """The numbers first looked at: what, and how much."""
    tally, survey = built.tally, built.surveyed
    order = built.bought.order
    rows: list[tuple[str, ...]] = [
        ("Pieces laid", f"{int(tally.laid.sum())} of {int(tally.pieces.sum())}"),
        ("Missing, taken back", f"{int(tally.missing.sum())}, {int(tally.taken_back.sum())}"),
        ("Not started", f"{int(tally.not_started.sum())} in {int((~built.begun).sum())} runs"),
        ("Of another plan", f"{len(built.ticked.strays)} pieces"),
        (
            "Edging laid",
            f"{built.show(float(tally.laid_m.sum()))} of "
            f"{built.show(float(built.plan.lengths.run_ground_m.sum()))}",
        ),
    ]
    for r in built.rates:
        if r.run < 0:
            rows.append(
                ("A crew hour", f"{r.per_crew_hour(r.pieces):.1f} pieces, "
                 f"{built.show(r.per_crew_hour(r.metres)) if r.crew_hours else 'n/a'}")
            )  # fmt: skip
    left = [r.left_value for r in built.stock if r.rest]
    if order.currency is not None and all(v is not None for v in left):
        value = sum(v or 0 for v in left)
        rows.append(("Stock left, its value", f"{money_text(value, order.currency_digits)} {order.currency}"))
    if survey is not None:
        found = int((survey.corner_point >= 0).sum())
        asked = np.isin(survey.corner_run, survey.surveyed_runs)
        rows += [
            ("Survey points", f"{len(survey.shots)}, {len(survey.unmatched)} of no run"),
            ("Corners found", f"{found} of {int(asked.sum())} on surveyed runs"),
        ]
    return rows


def run_board(built: AsBuilt, *, every: bool) -> Board:
    """Runs: all of them, or those that were begun or surveyed and are not laid as planned."""
    runs, tally = built.plan.runs, built.tally
    by_run = {} if built.surveyed is None else {r.run: r for r in built.surveyed.runs}
    limit = built.site.settings.asbuilt.line_within / 1e6
    rows: list[tuple[str, ...]] = []
    for r, status in enumerate(run_words(built)):
        of = by_run.get(r)
        odd = tally.missing[r] or tally.taken_back[r] or (of is not None and abs(of.greatest_m) > limit)
        if not every and not odd:
            continue
        survey = ("", "", "", "") if of is None else (
            f"{of.mean_m * 1e3:+.0f}", f"{of.rms_m * 1e3:.0f}", f"{of.greatest_m * 1e3:+.0f}",
            "" if of.shift is None or np.isnan(of.shift.moved_m)
            else f"{of.shift.moved_m * 1e3:.0f} {compass(of.shift.bearing_deg)}",
        )  # fmt: skip
        rows.append(
            (
                str(runs.run_id[r]), str(status), f"{tally.laid[r]} of {tally.pieces[r]}",
                str(tally.missing[r]), built.show(float(tally.laid_m[r])),
                built.show(float(built.plan.lengths.run_ground_m[r])), *survey,
            )
        )  # fmt: skip
    return Board(
        "Runs" if every else "Runs to look at",
        ("run", "state", "pieces", "missing", "laid", "planned", "mean mm", "rms mm", "worst mm", "moved mm"),
        rows,
        (2, 3, 4, 5, 6, 7, 8),
    )


def stock_board(built: AsBuilt) -> Board:
    """Pieces by code."""
    order = built.bought.order
    digits = order.currency_digits
    rows = [
        (
            r.code, str(r.planned), str(r.laid), str(r.broken), str(r.extra + r.elsewhere), str(r.used),
            str(r.delivered), "not counted" if r.left is None else str(r.left),
            "" if r.unexplained is None else f"{r.unexplained:+d}" if r.unexplained else "0",
            money_text(r.left_value, digits),
        )
        for r in built.stock
    ]  # fmt: skip
    return Board(
        "Pieces",
        ("code", "planned", "laid", "broken", "other", "used", "delivered", "left", "unexplained",
         f"value left {order.currency or ''}".strip()),
        rows,
        tuple(range(1, 10)),
    )  # fmt: skip


def rate_board(built: AsBuilt) -> Board:
    """Pieces and metres in an hour."""
    runs = built.plan.runs
    rows = [
        (
            str(runs.run_id[r.run]) if r.run >= 0 else "all", str(r.pieces), built.show(r.metres),
            f"{r.crew_hours:.2f}", f"{r.person_hours:.2f}", f"{r.per_crew_hour(r.pieces):.1f}",
            built.show(r.per_crew_hour(r.metres)),
        )
        for r in built.rates
    ]  # fmt: skip
    return Board(
        "Production",
        ("run", "pieces", "laid", "crew h", "person h", "pieces / crew h", "length / crew h"),
        rows,
        tuple(range(1, 7)),
    )


def taped_board(built: AsBuilt) -> Board:
    """As-laid lengths."""
    rows = [
        (t.of, t.text, built.show(t.planned_m), f"{t.difference_m * 1e3:+.0f}", f"{t.sigma_m * 1e3:.0f}",
         f"{t.sigmas:+.1f}")
        for t in built.taped
    ]  # fmt: skip
    return Board(
        "As-laid lengths", ("of", "as taped", "planned", "differs mm", "sigma mm", "in sigmas"), rows,
        (2, 3, 4, 5),
    )  # fmt: skip


def notes_board(built: AsBuilt) -> Board:
    """Remarks of the crew."""
    rows = [(f"{n.what} {n.of}".strip(), n.text, built.sheaf.name_of(n.by)) for n in built.sheaf.notes]
    return Board("Notes", ("of", "note", "by"), rows)


def findings_board(built: AsBuilt) -> Board:
    """What to look at first."""
    rows = [("look at" if f.grade == "error" else "note", f.bed or "", f.text) for f in built.findings]
    return Board("Findings", ("", "bed", "finding"), rows)
