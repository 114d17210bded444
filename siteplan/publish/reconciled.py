"""Tapes against the map: the files, and what a person reads at the end of the run."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from siteplan.adjust.make import Adjusted
from siteplan.laying.takeoff import Takeoff
from siteplan.lengths import BedMeasures
from siteplan.plans import RunPlan
from siteplan.publish.write import Written, write_plan
from siteplan.reconcile.report import (
    Reconciliation,
    Shown,
    accuracy_text,
    cause_text,
    csv_text,
    data,
    data_text,
    layer,
    page,
    power_text,
)
from siteplan.sites import Site

TABLE_WIDTH = 120
"""characters; a narrower terminal wraps"""
SHOWN = 40
"""rows of the table before it is cut short"""


@dataclass(frozen=True, slots=True)
class Reconciled:
    """What a reconciliation wrote."""

    written: Written
    json_text: str


def write_reconciliation(
    site: Site,
    measures: BedMeasures,
    plan: RunPlan,
    result: Takeoff,
    made: Reconciliation,
    folder: Path,
    adjusted: Adjusted | None = None,
) -> Reconciled:
    """Write the plan with its layer of tape differences, and the reconciliation beside it.

    With an adjustment, what it would change stands on the page, in ``adjustment.json`` and in two layers
    more; the plan itself is the one of the outlines as they are.

    Raises
    ------
    OutputError : a file cannot be written; the old files stay as they were.
    """
    text = data_text(data(site, made))
    more = "" if adjusted is None else adjusted.html
    texts = {
        "reconcile.json": text,
        "reconcile.csv": csv_text(made),
        "reconcile.html": page(site, made, more),
    }
    if adjusted is not None:
        texts["adjustment.json"] = adjusted.json_text
    layers = () if adjusted is None else adjusted.layers
    written = write_plan(site, measures, plan, result, folder, tapes=layer(made), texts=texts, more=layers)
    return Reconciled(written, text)


def print_reconciliation(
    site: Site, made: Reconciliation, done: Reconciled, adjusted: Adjusted | None = None
) -> None:
    """Print the comparison, the causes, and what the readings could not show."""
    out = Console(highlight=False, soft_wrap=True)
    out.width = max(out.width, TABLE_WIDTH)
    shown = Shown(site)
    t, c = made.tapes, made.comparison
    out.print(f"[bold]{escape(site.settings.name)}[/bold]: {len(t)} readings with {len(t.tapes)} tapes")
    out.print(escape(f"Map: {c.sigma_from}"))
    out.print()
    out.print(_table(made, shown))
    if len(t) > SHOWN:
        out.print(f"and {len(t) - SHOWN} more, in reconcile.csv")
    for run, how, d, s in zip(
        made.runs.run, made.runs.how, made.runs.difference_m, made.runs.sigma_m, strict=True
    ):
        out.print(escape(f"Run {run} ({how}): tape less map {shown(d, sign=True)} +/- {shown(s)}"))
    out.print()
    out.print(f"[bold]{escape(made.diagnosis.text)}[/bold]")
    for number, named in enumerate(made.diagnosis.named, start=1):
        first, *rest = cause_text(named, shown, made.total_m)
        out.print(escape(f"{number}. {first}"))
        for line in rest:
            out.print(escape(f"   {line}"))
    out.print()
    out.print(escape(power_text(made)))
    for row in made.diagnosis.scale.rows:
        out.print(escape(f"  {row.scale:.6f}  {row.words}: {row.verdict}"))
    if made.accuracy is not None:
        out.print(escape(f"Places (NSSDA): {accuracy_text(made.accuracy, shown)}"))
    for finding in (*t.findings, *c.findings):
        out.print(escape(f"{finding.grade}: {finding.text}"))
    if adjusted is not None:
        _print_adjusted(out, adjusted)
    out.print()
    out.print(f"Written to {escape(str(done.written.folder))}: {', '.join(done.written.files)}")


def _print_adjusted(out: Console, adjusted: Adjusted) -> None:
    out.print()
    out.print("[bold]What adjusting the outlines would change[/bold]")
    for line in adjusted.lines:
        out.print(escape(line))
    changed = [c for c in adjusted.out.codes if c.takeoff_before or c.takeoff_after or c.order_after]
    setup = adjusted.made.setup
    if not (setup.reading_name or len(setup.fixes)) or not changed:
        return
    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in ("code", "name"):
        table.add_column(heading, no_wrap=True)
    for heading in ("in the plan", "adjusted", "to buy", "adjusted", "ordered", "adjusted", "change"):
        table.add_column(heading, justify="right", no_wrap=True)
    for c in changed:
        numbers = (
            c.takeoff_before, c.takeoff_after, c.needed_before, c.needed_after, c.order_before, c.order_after,
        )  # fmt: skip
        table.add_row(
            escape(c.code),
            escape(c.name),
            *(f"{n:,}" for n in numbers),
            f"{c.order_after - c.order_before:+,}",
        )
    out.print(table)


def _table(made: Reconciliation, shown: Shown) -> Table:
    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in ("id", "taped", "read", "tape"):
        table.add_column(heading, no_wrap=True)
    for heading in ("corrected", "map", "tape less map", "sigmas"):
        table.add_column(heading, justify="right", no_wrap=True)
    t, c = made.tapes, made.comparison
    for k in range(min(len(t), SHOWN)):
        table.add_row(
            escape(str(t.ids[k])),
            escape(str(t.name[k])),
            escape(t.reading[k].text),
            escape(t.tapes[t.tape[k]].name),
            shown(c.taped_m[k]),
            shown(c.map_m[k]),
            shown(c.difference_m[k], sign=True),
            f"{c.in_sigmas[k]:+.1f}",
        )
    return table
