"""Product lines side by side: table, JSON, CSV and chart of one comparison."""

from __future__ import annotations

import csv
import io
import json
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Final

from rich.console import Console
from rich.table import Table
from rich.text import Text

from siteplan import __version__
from siteplan.compare.lines import (
    Cost,
    LineComparison,
    LineResult,
    NotPlanned,
    compare_lines,
    named_lines,
)
from siteplan.laying.order import money_text
from siteplan.publish.cells import safe_cell
from siteplan.publish.chart import Bar, Panel, bar_chart, printable, shortened
from siteplan.publish.files import write_texts
from siteplan.publish.printout import progress
from siteplan.sites import load_site
from siteplan.units import Unit, format_length

SCHEMA_VERSION: Final = 1
FILES: Final = ("lines.json", "lines.csv", "lines.svg")


def _thousands(value: int) -> str:
    return f"{value:,}"


def _money(amount: int, cost: Cost) -> str:
    whole, dot, part = money_text(amount, cost.digits).partition(".")
    return f"{int(whole):,}{dot}{part}"


def _places(value: float | None, decimals: int) -> float | None:
    return None if value is None else round(value, decimals)


# ---------------------------------------------------------------- JSON


def lines_data(comparison: LineComparison) -> dict[str, Any]:
    """The comparison as JSON-ready data (schema in docs/compare.md)."""
    return {
        "schema_version": SCHEMA_VERSION,
        "program": f"siteplan {__version__}",
        "site": comparison.site,
        "outline": {
            "beds": comparison.beds,
            "runs": comparison.runs,
            "closed": comparison.closed,
            "legs": comparison.legs,
            "outside_corners": comparison.outside,
            "inside_corners": comparison.inside,
            "ground_m": round(comparison.length_m, 6),
            "laid_length": comparison.laid_length,
        },
        "lines": [_line_data(x) for x in comparison.lines],
        "least": least(comparison),
        "notes": list(notes(comparison)),
    }


def _line_data(x: LineResult | NotPlanned) -> dict[str, Any]:
    if isinstance(x, NotPlanned):
        return {"line": x.key, "name": x.name, "planned": False, "why_not": x.why}
    cost = x.cost
    return {
        "line": x.key,
        "name": x.name,
        "planned": True,
        "behaviour": x.behaviour,
        "bends": x.bends,
        "ground_m": round(x.length_m, 6),
        "pieces": x.pieces,
        "sections": x.sections,
        "closers": x.closers,
        "corners": x.corners,
        "ends": x.ends,
        "cuts": x.cuts,
        "unmet": x.unmet,
        "unmet_m": round(x.unmet_m, 6),
        "left_over_m": round(x.left_over_m, 6),
        "cut_plan": {
            "stock": x.cut_stock,
            "least": x.cut_least,
            "kept_m": round(x.kept_m, 6),
            "waste_m": round(x.waste_m, 6),
            "waste_percent": round(x.waste_percent, 4),
        },
        "ordered": x.ordered,
        "order_over": x.order_over,
        "cost": None
        if cost is None
        else {
            "currency": cost.currency,
            "digits": cost.digits,
            "material": cost.material,
            "laying": cost.laying,
            "cutting": cost.cutting,
            "together": cost.together,
        },
        "unpriced": list(x.unpriced),
        "weight_kg": x.weight_kg,
        "hours": _places(x.hours, 6),
        "hour_items": [{"key": k, "name": n, "hours": round(h, 6)} for k, n, h in x.hour_items],
        "notes": list(x.notes),
    }


def lines_json(comparison: LineComparison) -> str:
    """:func:`lines_data` as text."""
    return json_text(lines_data(comparison))


def told_written(out: Path | None, files: Sequence[str], before: str = "") -> None:
    """Say what was written, if anything was."""
    if out is not None:
        sys.stdout.write(f"{before}Written to {printable(str(out))}: {', '.join(files)}\n")


def json_text(data: dict[str, Any]) -> str:
    """Data as JSON that any UTF-8 file or terminal takes: half a surrogate pair in a name is escaped."""
    text = json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False)
    return text.encode("utf-8", "backslashreplace").decode("utf-8") + "\n"


_RANKED: Final[dict[str, Callable[[LineResult], float | None]]] = {
    "cuts": lambda x: x.cuts,
    "pieces": lambda x: x.pieces,
    "cost": lambda x: None if x.cost is None else x.cost.together,
    "weight_kg": lambda x: x.weight_kg,
    "waste_m": lambda x: x.waste_m,
    "hours": lambda x: x.hours,
}


def least(comparison: LineComparison) -> dict[str, list[str]]:
    """Lines with the least of each measure, among those that leave nothing unmet.

    A measure is left out where a line that makes everything does not have it, or where the money is
    of more than one currency; so it is where fewer than two lines make everything.
    """
    whole = [x for x in comparison.planned if not x.unmet]
    made = {}
    for name, of in _RANKED.items():
        values = [of(x) for x in whole]
        if len(whole) < 2 or any(v is None for v in values):
            continue
        if name == "cost" and len({(x.cost.currency, x.cost.digits) for x in whole if x.cost}) > 1:
            continue
        low = min(v for v in values if v is not None)
        made[name] = [x.key for x, v in zip(whole, values, strict=True) if v == low]
    return made


def notes(comparison: LineComparison) -> tuple[str, ...]:
    """What a reader of the comparison must know before choosing by it."""
    said = []
    for x in comparison.lines:
        if isinstance(x, NotPlanned):
            said.append(f"{x.key} cannot be planned here: {x.why}")
            continue
        if x.unmet:
            said.append(
                f"{x.key} leaves {x.unmet} places unmet, {x.unmet_m:.3f} m: its cost, weight, waste and hours"
                " are of less edging, and are not ranked."
            )
        if x.bends:
            said.append(f"{x.key} is bent round {x.bends} corners, which are no corners of its runs.")
        if x.cost is None:
            missing = f" for {', '.join(x.unpriced)}" if x.unpriced else ""
            said.append(f"{x.key} has no cost: the product line gives no price{missing}.")
        said += [f"{x.key}: {note}." if not note.endswith(".") else f"{x.key}: {note}" for note in x.notes]
        if x.cut_stock > x.cut_least:
            said.append(
                f"{x.key}: its cut plan takes {x.cut_stock} sections; fewer than {x.cut_least} cannot do."
            )
    if len(comparison.currencies) > 1:
        said.append(
            f"The costs are in {', '.join(comparison.currencies)}: neither added nor ranked together."
        )
    return tuple(said)


# ---------------------------------------------------------------- CSV

CSV_COLUMNS: Final = (
    "line", "name", "planned", "pieces", "sections", "closers", "corners", "ends", "cuts", "unmet", "unmet_m",
    "left_over_m", "cut_stock", "cut_least", "kept_m", "waste_m", "waste_percent", "ordered", "order_over",
    "currency", "material", "laying", "cutting", "together", "weight_kg", "hours", "why_not",
)  # fmt: skip


def lines_csv(comparison: LineComparison) -> str:
    """A row for each line; money in decimals of its currency."""
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\r\n")
    rows.writerow(CSV_COLUMNS)
    for x in comparison.lines:
        rows.writerow([safe_cell(printable(v)) if isinstance(v, str) else v for v in _csv_row(x)])
    return out.getvalue()


def _csv_row(x: LineResult | NotPlanned) -> list[str | int | float]:
    if isinstance(x, NotPlanned):
        return [x.key, x.name, "no", *[""] * (len(CSV_COLUMNS) - 4), x.why]
    c = x.cost
    money: list[str | int | float] = (
        [""] * 5
        if c is None
        else [c.currency, *(money_text(v, c.digits) for v in (c.material, c.laying, c.cutting, c.together))]
    )
    return [
        x.key, x.name, "yes", x.pieces, x.sections, x.closers, x.corners, x.ends, x.cuts, x.unmet,
        round(x.unmet_m, 6), round(x.left_over_m, 6), x.cut_stock, x.cut_least, round(x.kept_m, 6),
        round(x.waste_m, 6), round(x.waste_percent, 4), x.ordered, x.order_over, *money,
        "" if x.weight_kg is None else x.weight_kg, "" if x.hours is None else round(x.hours, 3), "",
    ]  # fmt: skip


# ---------------------------------------------------------------- chart

_NOT_PLANNED: Final = "cannot be planned on this site"


def _label(x: LineResult | NotPlanned) -> str:
    """Key of a line; of one that leaves edging bare how much, wherever it is compared."""
    if isinstance(x, LineResult) and x.unmet:
        return f"{shortened(x.key, 24)} ({x.unmet_m:,.1f} m bare)"
    return x.key


def lines_svg(comparison: LineComparison) -> str:
    """The comparison as a chart: a panel for each measure, money by currency."""

    def panel(
        title: str, names: tuple[str, ...], of: Callable[[LineResult], tuple[tuple[float, ...], str]]
    ) -> Panel:
        bars = [
            Bar(_label(x), (), _NOT_PLANNED) if isinstance(x, NotPlanned) else Bar(_label(x), *of(x))
            for x in comparison.lines
        ]
        return Panel(title, names, tuple(bars))

    panels = [
        panel(
            "Pieces in the plan",
            ("sections", "cut pieces", "closers", "ends", "corners"),
            lambda x: (
                (x.sections, x.cuts, x.closers, x.ends, x.corners),
                f"{_thousands(x.pieces)}: {_thousands(x.sections)} sections, {_thousands(x.cuts)} cut, "
                f"{_thousands(x.closers)} closers, {x.ends} ends, {x.corners} corners",
            ),
        ),
        panel(
            "Edging that cannot be made, m",
            (),
            lambda x: (
                (x.unmet_m,),
                f"{x.unmet_m:,.3f} m in {x.unmet} places"
                if x.unmet
                else "none: every leg and corner is made",
            ),
        ),
        *(_cost_panel(comparison, currency) for currency in comparison.currencies),
        panel(
            "Waste of cutting, m",
            (),
            lambda x: (
                (x.waste_m,),
                f"{x.waste_m:,.3f} m, {x.waste_percent:.2f} % of the length taken; "
                f"{x.cut_stock} sections cut, bound {x.cut_least}",
            ),
        ),
        panel("Weight of the order, kg", (), _weight_bar),
        panel("Hours, by the groundwork recipe", (), _hours_bar),
    ]
    return bar_chart(f"Product lines compared: {comparison.site}", panels, notes(comparison))


def _weight_bar(x: LineResult) -> tuple[tuple[float, ...], str]:
    return ((), "not known") if x.weight_kg is None else ((x.weight_kg,), f"{x.weight_kg:,.0f} kg")


def _hours_bar(x: LineResult) -> tuple[tuple[float, ...], str]:
    return ((), "no hours: no recipe gives them") if x.hours is None else ((x.hours,), f"{x.hours:,.1f} h")


def _cost_panel(comparison: LineComparison, currency: str) -> Panel:
    bars = []
    for x in comparison.lines:
        cost = x.cost if isinstance(x, LineResult) else None
        if cost is None:
            bars.append(Bar(_label(x), (), _NOT_PLANNED if isinstance(x, NotPlanned) else "no price"))
        elif cost.currency == currency:
            scale = 10**cost.digits
            text = (
                f"{_money(cost.together, cost)}: material {_money(cost.material, cost)}, laying "
                f"{_money(cost.laying, cost)}, cutting {_money(cost.cutting, cost)}"
            )
            parts = (cost.material / scale, cost.laying / scale, cost.cutting / scale)
            bars.append(Bar(_label(x), parts, text))
    return Panel(f"Cost before tax, {currency}", ("material", "laying", "cutting"), tuple(bars))


# ---------------------------------------------------------------- table


def print_lines(
    comparison: LineComparison, unit: Unit = "m", denominator: int = 8, console: Console | None = None
) -> None:
    """The comparison as a table, a column for each line."""
    out = console or Console(highlight=False)
    if console is None and not out.is_terminal:
        out = Console(highlight=False, width=max(out.width, 40 + 24 * len(comparison.lines)))

    def length(value: float) -> str:
        return format_length(value, unit, denominator=denominator)

    out.print(Text(printable(comparison.site), style="bold"))
    fitted = "slope" if comparison.laid_length == "slope" else "plan"
    out.print(
        f"{comparison.beds} beds, {comparison.runs} runs ({comparison.closed} closed), "
        f"{comparison.legs} legs, {comparison.outside} outside and {comparison.inside} inside corners, "
        f"{length(comparison.length_m)} on the ground; pieces are fitted to {fitted} lengths"
    )
    made = Table(pad_edge=False)
    made.add_column("")
    for x in comparison.lines:
        made.add_column(Text(printable(x.key)), justify="right", overflow="fold")
    best = least(comparison)
    for title, measure, of in table_rows(length):
        cells = []
        for x in comparison.lines:
            if isinstance(x, NotPlanned):
                cells.append(Text("-"))
            else:
                mark = " (least)" if measure and x.key in best.get(measure, ()) else ""
                cells.append(Text(of(x) + mark))
        made.add_row(title, *cells)
    out.print(made)
    for note in notes(comparison):
        out.print(Text(printable(note)))


def table_rows(length: Callable[[float], str]) -> list[tuple[str, str, Callable[[LineResult], str]]]:
    """Title, measure it is ranked by (or none), and how it is shown."""

    def money(amount: Callable[[Cost], int]) -> Callable[[LineResult], str]:
        return lambda x: (
            "no price" if x.cost is None else f"{_money(amount(x.cost), x.cost)} {x.cost.currency}"
        )

    return [
        ("pieces", "pieces", lambda x: _thousands(x.pieces)),
        ("  sections", "", lambda x: _thousands(x.sections)),
        ("  closers", "", lambda x: _thousands(x.closers)),
        ("  corners", "", lambda x: _thousands(x.corners)),
        ("  ends", "", lambda x: _thousands(x.ends)),
        ("  cut pieces", "cuts", lambda x: _thousands(x.cuts)),
        ("unmet places", "", lambda x: _thousands(x.unmet)),
        ("unmet length", "", lambda x: length(x.unmet_m)),
        ("left-over of the legs met", "", lambda x: length(x.left_over_m)),
        ("sections for the cuts (bound)", "", lambda x: f"{x.cut_stock} ({x.cut_least})"),
        ("offcuts to keep", "", lambda x: length(x.kept_m)),
        ("waste", "waste_m", lambda x: length(x.waste_m)),
        ("waste of the length taken", "", lambda x: f"{x.waste_percent:.2f} %"),
        ("pieces ordered", "", lambda x: _thousands(x.ordered)),
        ("  beyond the plan", "", lambda x: _thousands(x.order_over)),
        ("material (the order)", "", money(lambda c: c.material)),
        ("laying", "", money(lambda c: c.laying)),
        ("cutting", "", money(lambda c: c.cutting)),
        ("cost before tax", "cost", money(lambda c: c.together)),
        ("weight of the order", "weight_kg", lambda x: _weight_bar(x)[1]),
        ("hours", "hours", lambda x: "-" if x.hours is None else f"{x.hours:,.1f} h"),
    ]  # fmt: skip


def write_lines(comparison: LineComparison, folder: Path) -> tuple[str, ...]:
    """Write JSON, CSV and chart into a folder; names of the files.

    Raises
    ------
    OutputError : the folder cannot be written
    """
    made = (lines_json(comparison), lines_csv(comparison), lines_svg(comparison))
    return write_texts(folder, dict(zip(FILES, made, strict=True)))


def run_lines(place: Path, lines: str, *, out: Path | None, as_json: bool, skip_faulty: bool) -> int:
    """Compare lines as the command line asks for it: print, write, and tell how it went.

    Returns
    -------
    0, or 1 where a line cannot be planned.
    """
    names = [name.strip() for name in lines.split(",") if name.strip()]
    with progress() as stage:
        stage("reading")
        chosen = named_lines(names)
        site = load_site(place, skip_faulty=skip_faulty)
        stage("laying and ordering every line")
        comparison = compare_lines(site, chosen)
        stage("writing")
        files = () if out is None else write_lines(comparison, out)
    if as_json:
        sys.stdout.write(lines_json(comparison))
    else:
        print_lines(comparison, site.settings.show.units, site.settings.show.inch_fraction)
        told_written(out, files)
    return 0 if len(comparison.planned) == len(comparison.lines) else 1
