"""The short summary a person reads at the end of a run, and the progress before it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import islice

from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Table

from siteplan.layers import corners_of_runs
from siteplan.laying.order import money_text
from siteplan.laying.takeoff import Takeoff
from siteplan.lengths import BedMeasures
from siteplan.plans import RunPlan, laid_length
from siteplan.publish.sureness import confidence_texts
from siteplan.publish.write import Written
from siteplan.sites import Site
from siteplan.takeoffs import laid_plan
from siteplan.units import format_length

STAGES = 5
SHOWN = 8
"""rows of a list before it is cut short"""


@contextmanager
def progress() -> Iterator[Callable[[str], None]]:
    """A progress bar on standard error, shown only to a person at a terminal.

    Yields
    ------
    A function that names the stage that begins.
    """
    console = Console(stderr=True)
    bar = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TimeElapsedColumn(),
        console=console,
        transient=True,
        disable=not console.is_terminal,
    )
    with bar:
        task = bar.add_task("starting", total=STAGES)
        begun = 0

        def stage(name: str) -> None:
            nonlocal begun
            bar.update(task, description=name, completed=begun)
            begun += 1

        yield stage


def _length(site: Site, length_m: float) -> str:
    return format_length(
        float(length_m), site.settings.show.units, denominator=site.settings.show.inch_fraction
    )


def print_report(site: Site, measures: BedMeasures, plan: RunPlan, result: Takeoff, written: Written) -> None:
    """Print beds, runs, lengths, counts, unmet legs and what to look at first."""
    plan = laid_plan(site, plan, result)
    out = Console(highlight=False, soft_wrap=True)
    out.print(f"[bold]{escape(site.settings.name)}[/bold]")
    out.print(escape(site.frame.describe()))
    for k, line in enumerate(result.lines):
        runs_of = f": {int((result.run_line == k).sum())} runs" if len(result.lines) > 1 else ""
        out.print(f"Product line: {escape(line.name)} ({escape(line.key)}){runs_of}")
    if not (site.folder / "site.toml").is_file():
        out.print(escape(defaults_text(site)))
    runs, lengths = plan.runs, plan.lengths
    outside, inside = corners_of_runs(runs)
    out.print()
    out.print(
        f"{len(site.beds)} beds, outline {_length(site, measures.perimeter_m.sum())} on the ellipsoid; "
        f"{len(runs.run_id)} runs ({int(runs.closed.sum())} closed), {len(runs.leg_id)} legs, "
        f"{int(outside.sum())} outside and {int(inside.sum())} inside corners"
    )
    out.print(
        f"Edging: {_length(site, lengths.run_ground_m.sum())} plan length on the ground "
        f"({_length(site, lengths.run_geodesic_m.sum())} geodesic, "
        f"{_length(site, lengths.run_grid_m.sum())} grid)"
    )
    if runs.course is not None:
        out.print(
            f"Laid in {int(runs.course.max(initial=1))} courses: runs, legs and lengths are of all of them"
        )
    if plan.ground is not None:
        out.print(
            f"On the slope: {_length(site, lengths.run_slope_m.sum())}; the pieces are fitted to "
            f"{'slope' if laid_length(site) == 'slope' else 'plan'} lengths"
        )
    if result.play is not None:
        out.print(
            f"Moved sideways: {int((result.play.moved_m != 0).sum())} legs, by at most "
            f"{_length(site, result.play.greatest_m)}"
        )
    for why, word in (
        ("abutment", "alongside abutments"),
        ("opening", "in openings"),
        ("shared", "edged with the next bed"),
        ("short", "too short to edge"),
        ("skipped", "in runs left out by name"),
    ):
        length = plan.unedged.length_m[plan.unedged.why == why].sum()
        if length:
            out.print(f"No edging: {_length(site, length)} {word}")
    out.print()
    out.print(_counts(result, written))
    out.print(
        f"Rule of thumb (rest / nominal section, rounded): {result.rule_sections} sections. "
        f"The takeoff has {result.by_kind['section']} sections, {result.by_kind['closer']} closers "
        f"and {result.by_kind['cut']} cut pieces."
    )
    for text in (*purchase_texts(site, written), *confidence_texts(site, result, written.bought)):
        out.print(escape(text))
    _print_unmet(out, site, plan, result)
    _print_findings(out, written)
    out.print()
    out.print(f"Written to {escape(str(written.folder))}: {', '.join(written.files)}")


def purchase_texts(site: Site, written: Written) -> list[str]:
    """Cut plan with its bound, and what the order costs and weighs."""
    order = written.bought.order
    texts = []
    for part in order.cuts.parts:
        plan = part.plan
        texts.append(
            f"Cuts of {part.code}: {len(plan.cut_um)} pieces from {plan.count} sections; no plan takes fewer"
            f" than {plan.least} (bound {float(plan.bound):.4f}, {plan.bound_kind}). Offcuts to keep"
            f" {_length(site, plan.kept_um / 1e6)}, waste {_length(site, plan.waste_um / 1e6)}."
        )
    if order.total is not None:
        tax = f" with {float(order.tax_percent):g} % tax" if order.tax else ", no tax"
        weight = "" if order.weight_g is None else f"; {order.weight_g / 1000:.0f} kg"
        cost = f"{money_text(order.total, order.currency_digits)} {order.currency or ''}"
        texts.append(f"Order: {cost}{tax}{weight}")
    for share in order.owners:
        cost = money_text(share.total, order.currency_digits)
        money = f", {cost} {order.currency or ''}{' with tax' if order.tax else ''}" if cost else ""
        texts.append(f"For {share.owner or '(no owner)'}: {share.wanted} pieces{money}")
    return texts


def defaults_text(site: Site) -> str:
    """The settings in force when only files were given."""
    s = site.settings
    lengths = {
        "offset": s.outline.offset,
        "corner within": s.outline.corner_stretch,
        "alongside within": s.outline.abut_within,
        "shared within": s.outline.shared_within,
        "fit short": s.fit.short,
        "fit over": s.fit.over,
    }
    shown = ", ".join(f"{name} {_length(site, um / 1e6)}" for name, um in lengths.items())
    return (
        f"Defaults: {shown}, corner from {s.outline.corner_turn_deg:g} degrees, prefer {s.fit.prefer}, "
        f"{s.fit.closers_per_leg} closers a leg, spares {s.spares.percent:g} %"
    )


def _counts(result: Takeoff, written: Written) -> Table:
    table = Table(box=None, pad_edge=False, header_style="bold")
    # on a narrow screen the names wrap; codes and numbers stay whole
    table.add_column("code", no_wrap=True, min_width=max(len(r.code) for r in written.order))
    table.add_column("piece", overflow="fold")
    for heading in ("takeoff", "to buy", "unmet", "spares", "order"):
        table.add_column(heading, justify="right", no_wrap=True, min_width=len(heading))
    for row in written.order:
        if row.order:
            table.add_row(
                escape(row.code),
                escape(row.name),
                str(row.takeoff),
                str(row.need - row.for_unmet),
                str(row.for_unmet or ""),
                str(row.spares + row.breakage),
                str(row.order),
            )
    return table


def _print_unmet(out: Console, site: Site, plan: RunPlan, result: Takeoff) -> None:
    unmet = result.unmet
    if not len(unmet):
        out.print("Unmet: none, every leg and corner is made.")
        return
    out.print(f"[bold]Unmet: {len(unmet)}[/bold], together {_length(site, unmet.short_m.sum())} bare")
    for leg, short, why in islice(zip(unmet.leg, unmet.short_m, unmet.why, strict=True), SHOWN):
        out.print(escape(f"  {plan.runs.leg_id[leg]}: {_length(site, short)} short, {why}"))
    if len(unmet) > SHOWN:
        out.print(f"  and {len(unmet) - SHOWN} more, in summary.json and on the map")


def _print_findings(out: Console, written: Written) -> None:
    findings = written.findings
    if not findings:
        return
    out.print("[bold]Look at first[/bold]")
    for finding in findings[:SHOWN]:
        bed = f"bed {finding.bed}: " if finding.bed is not None else ""
        out.print(escape(f"  {finding.grade}: {bed}{finding.text}"))
    if len(findings) > SHOWN:
        out.print(f"  and {len(findings) - SHOWN} more, in summary.json")
