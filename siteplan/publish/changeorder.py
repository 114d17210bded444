"""The change order between two revisions: one page of text, JSON and CSV."""

from __future__ import annotations

import csv
import io
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any, Final

from siteplan import __version__
from siteplan.compare.changes import BedChange, Change, CodeChange, RunChange, compare_revisions
from siteplan.compare.revision import Revision, RunPart, read_revision
from siteplan.errors import DataError, Fault
from siteplan.laying.order import money_text
from siteplan.matching import SHARE, WITHIN_M
from siteplan.plans import plan_runs
from siteplan.publish.cells import safe_cell
from siteplan.publish.chart import printable, shortened, wrapped
from siteplan.publish.files import write_texts
from siteplan.publish.linestable import json_text, told_written
from siteplan.publish.printout import progress
from siteplan.publish.write import write_plan
from siteplan.sites import SITE_FILE, load_site, measure
from siteplan.takeoffs import takeoff

SCHEMA_VERSION: Final = 1
FILES: Final = ("change.json", "change.csv", "change.txt")
_SHOWN: Final = 6
"""rows of a list on the page before it is cut short"""
_CODES_SHOWN: Final = 12
_CAUTION: Final = (
    "Planning aid: check against what was delivered and laid. Have buried lines located and marked before"
    " digging (in the US, 811). Local codes govern."
)


def read_place(place: Path, *, skip_faulty: bool = False) -> Revision:
    """A revision from a site folder (planned anew), a folder a run wrote, or its ``summary.json``.

    Raises
    ------
    DataError : no such place, faults of the site, or damaged or foreign files
    """
    if not place.exists():
        raise DataError(
            Fault(
                "no-such-file",
                "there is no such file or folder",
                "Name a site folder, or a folder that a run wrote",
                str(place),
            )
        )
    if place.suffix != ".toml" and not (place / SITE_FILE).is_file():
        return read_revision(place)
    site = load_site(place, skip_faulty=skip_faulty)
    plan = plan_runs(site)
    result = takeoff(site, plan)
    # the same way as for a folder of results, so that a site and its own results never differ
    with tempfile.TemporaryDirectory() as folder:
        write_plan(site, measure(site), plan, result, Path(folder), formats="geopackage")
        return read_revision(Path(folder), str(place))


# ---------------------------------------------------------------- JSON


def change_data(change: Change, wording: Wording | None = None) -> dict[str, Any]:
    """The change order as JSON-ready data (schema in docs/compare.md)."""
    do = (wording or REVISIONS).do
    a, b = change.old.summary, change.new.summary
    return {
        "schema_version": SCHEMA_VERSION,
        "program": f"siteplan {__version__}",
        "no_change": change.none,
        "old": _plan_data(change.old),
        "new": _plan_data(change.new),
        "matching": {"within_m": WITHIN_M, "share": SHARE},
        "length_m": _pair(*change.length_m, 6),
        "by_kind": {
            kind: _pair(a.by_kind.get(kind, 0), b.by_kind.get(kind, 0))
            for kind in dict.fromkeys((*a.by_kind, *b.by_kind))
        },
        "unmet": _pair(len(a.unmet), len(b.unmet)),
        "unmet_m": _pair(sum(x.short_m for x in a.unmet), sum(x.short_m for x in b.unmet), 6),
        "cut_sections": _pair(a.cut_plan.stock, b.cut_plan.stock),
        "money": {
            "compared": change.money_compared,
            "old": _money_data(change.old),
            "new": _money_data(change.new),
            "difference": {name: _money_difference(change, name) for name in ("subtotal", "tax", "total")},
        },
        "weight_kg": _pair(a.weight_kg, b.weight_kg, 6),
        "beds": [_bed_data(x) for x in change.beds if x.status != "unchanged"],
        "runs": [_run_data(x) for x in change.runs if x.status != "unchanged" or _renamed(x)],
        "order": [_code_data(x, do) for x in change.codes],
        "groundwork": [
            {"key": x.key, "name": x.name, "unit": x.unit, **_pair(x.old, x.new, 6)} for x in change.work
        ],
        "notes": list(change.notes),
    }


def _pair(old: float | None, new: float | None, decimals: int = 0) -> dict[str, float | None]:
    """Old, new and difference; whole numbers stay whole."""
    known = old is not None and new is not None
    off = new - old if old is not None and new is not None else None
    if decimals:
        old = None if old is None else round(old, decimals)
        new = None if new is None else round(new, decimals)
        off = round(off, decimals) + 0.0 if off is not None else None
    return {"old": old, "new": new, "difference": off if known else None}


def _plan_data(revision: Revision) -> dict[str, Any]:
    s = revision.summary
    return {
        "place": revision.label,
        "name": s.site.name,
        "line": s.site.all_lines,
        "laid_length": s.site.laid_length,
        "grid": s.site.grid.name,
        "beds": len(s.beds),
        "runs": len(s.runs),
    }


def _money_data(revision: Revision) -> dict[str, Any]:
    money = revision.summary.money
    return {
        "currency": money.currency,
        "digits": money.digits,
        "subtotal": money.subtotal,
        "tax": money.tax,
        "total": money.total,
    }


def _money_difference(change: Change, name: str) -> int | None:
    """New less old in minor units; None in different currencies or where one is not known."""
    if not change.money_compared:
        return None
    old = getattr(change.old.summary.money, name)
    new = getattr(change.new.summary.money, name)
    return None if old is None or new is None else int(new) - int(old)


def _bed_data(x: BedChange) -> dict[str, Any]:
    return {
        "bed": x.bed,
        "status": x.status,
        "old": x.old,
        "new": x.new,
        "edging_m": _pair(x.old_m, x.new_m, 6),
        "moved_m": round(x.moved_m, 6),
    }


def _renamed(x: RunChange) -> bool:
    return x.new is not None and x.new.run != x.run


def _run_data(x: RunChange) -> dict[str, Any]:
    def of(run: RunPart | None) -> dict[str, Any] | None:
        if run is None:
            return None
        return {
            "run": run.run,
            "bed": run.bed,
            "closed": run.closed,
            "ground_m": run.ground_m,
            "outside_corners": run.outside_corners,
            "inside_corners": run.inside_corners,
            "pieces": run.pieces,
        }

    return {
        "run": x.run,
        "status": x.status,
        "difference_m": round(x.difference_m, 6) + 0.0,
        "moved_m": round(x.moved_m, 6),
        "old": of(x.old),
        "new": of(x.new),
    }


def _code_data(x: CodeChange, do: Callable[[CodeChange], str]) -> dict[str, Any]:
    return {
        "line": x.line,
        "code": x.code,
        "name": x.name,
        "takeoff": _pair(*x.takeoff),
        "order": _pair(*x.order),
        "packs": _pair(*x.packs),
        "singles": _pair(*x.singles),
        "pack": {"old": x.pack[0] or None, "new": x.pack[1] or None},
        "amount": {"old": x.amount[0], "new": x.amount[1]},
        "do": do(x),
    }


def instruction(x: CodeChange) -> str:
    """What to tell the supplier about a code."""
    more = x.order[1] - x.order[0]
    if more > 0:
        return f"order {more} more"
    return f"cancel {-more}, or return them" if more < 0 else ""


@dataclass(frozen=True, slots=True)
class Wording:
    """What a change order calls its columns: one plan against another, or what was laid against a plan."""

    title: str
    plan: str
    """what ``takeoff`` counts"""
    order: str
    """what ``order`` counts"""
    order_title: str
    nothing: str
    do: Callable[[CodeChange], str]
    bound: bool = True
    """whether both sides rest on a cut plan, so that its bound says something"""


REVISIONS: Final = Wording(
    "CHANGE ORDER", "in the plan", "ordered", "TO THE ORDER", "nothing to order or return", instruction
)


def change_json(change: Change, wording: Wording | None = None) -> str:
    """:func:`change_data` as text."""
    return json_text(change_data(change, wording))


# ---------------------------------------------------------------- CSV

CSV_COLUMNS: Final = ("part", "status", "line", "id", "name", "unit", "old", "new", "difference", "remark")


def change_csv(change: Change, wording: Wording | None = None) -> str:
    """Every difference as a row: beds, runs, order, groundwork, money and weight."""
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\r\n")
    rows.writerow(CSV_COLUMNS)
    for row in _csv_rows(change, wording or REVISIONS):
        rows.writerow(
            [safe_cell(printable(v)) if isinstance(v, str) and k != 8 else "" if v is None else v
             for k, v in enumerate(row)]
        )  # fmt: skip
    return out.getvalue()


def _csv_rows(change: Change, wording: Wording) -> Iterator[list[str | float | None]]:
    for x in change.beds:
        if x.status != "unchanged":
            off = _pair(x.old_m or 0.0, x.new_m or 0.0, 6)["difference"]
            yield ["bed", x.status, "", x.bed, "", "m", x.old_m, x.new_m, off, _bed_remark(x)]
    for y in change.runs:
        if y.status != "unchanged" or _renamed(y):
            old, new = y.old.ground_m if y.old else None, y.new.ground_m if y.new else None
            off = round(y.difference_m, 6) + 0.0
            yield ["run", y.status, "", y.run, "", "m", old, new, off, _run_remark(y)]
    for z in change.codes:
        for unit, pair in (
            (f"pieces {wording.plan}", z.takeoff),
            (f"pieces {wording.order}", z.order),
            ("packs", z.packs),
        ):
            remark = wording.do(z) if pair is z.order else ""
            status = "changed" if pair[0] != pair[1] else "unchanged"
            yield ["order", status, z.line, z.code, z.name, unit, *pair, pair[1] - pair[0], remark]
    for w in change.work:
        off = round(w.new - w.old, 6) + 0.0
        status = "changed" if off else "unchanged"
        yield ["groundwork", status, "", w.key, w.name, w.unit, w.old, w.new, off, ""]
    yield from _csv_totals(change)


def _csv_totals(change: Change) -> Iterator[list[str | float | None]]:
    a, b = change.old.summary, change.new.summary
    for name in ("subtotal", "tax", "total"):
        old, new = getattr(a.money, name), getattr(b.money, name)
        one, two = money_text(old, a.money.digits), money_text(new, b.money.digits)
        money_off = _money_difference(change, name)
        unit = a.money.currency or "" if change.money_compared else f"{a.money.currency} / {b.money.currency}"
        said = "" if change.money_compared else "no difference is taken"
        status = "unchanged" if money_off == 0 else "changed"
        yield ["money", status, "", name, "", unit, one, two, money_text(money_off, b.money.digits), said]
    off = _pair(a.weight_kg, b.weight_kg, 6)["difference"]
    yield [
        "weight",
        "changed" if off else "unchanged",
        "",
        "weight",
        "",
        "kg",
        a.weight_kg,
        b.weight_kg,
        off,
        "",
    ]


def _bed_remark(x: BedChange) -> str:
    parts = []
    if x.old is not None and x.new is not None and x.old != x.new:
        parts.append(f"now called {x.new}")
    if x.moved_m:
        parts.append(f"outline moved by up to {x.moved_m:.3f} m")
    return ", ".join(parts)


def _run_remark(x: RunChange) -> str:
    parts = []
    if _renamed(x) and x.new is not None:
        parts.append(f"{x.new.run} in the new plan")
    if x.old is not None and x.new is not None:
        if x.moved_m > 0.0005:
            parts.append(f"moved by up to {x.moved_m:.3f} m")
        one, two = (f"{r.outside_corners} out {r.inside_corners} in" for r in (x.old, x.new))
        if one != two:
            parts.append(f"corners {one} -> {two}")
        pieces = (sum(x.old.pieces.values()), sum(x.new.pieces.values()))
        if x.old.pieces != x.new.pieces:
            parts.append(f"pieces {pieces[0]} -> {pieces[1]}")
    else:
        run = x.old or x.new
        if run is not None:
            parts.append(f"{sum(run.pieces.values())} pieces")
    return ", ".join(parts)


# ---------------------------------------------------------------- one page of text


def change_text(change: Change, wording: Wording | None = None) -> str:
    """The change order on one page, to print and sign."""
    wording = wording or REVISIONS
    a, b = change.old.summary, change.new.summary
    lines = [
        shortened(f"{wording.title}  {printable(b.site.name)}", 100),
        shortened(f"from {printable(change.old.label)} ({printable(a.site.all_lines)})", 100),
        shortened(f"to   {printable(change.new.label)} ({printable(b.site.all_lines)})", 100),
        "",
    ]
    if change.none:
        lines.append("No change: beds, runs, pieces, order, money and weight are the same.")
        return "\n".join(lines) + "\n"
    lines += _ground_text(change)
    lines += _order_text(change, wording)
    lines += _money_lines(change)
    lines += _work_text(change)
    for note in change.notes:
        lines += wrapped(printable(note), 100)
    lines += [*([""] if change.notes else []), *wrapped(_CAUTION, 100)]
    lines += ["", "Agreed: ______________________________    Date: ______________"]
    return "\n".join(lines) + "\n"


def _signed(value: float, decimals: int = 3) -> str:
    rounded = round(value, decimals) + 0.0
    return f"{rounded:+,.{decimals}f}" if rounded else f"{0:.{decimals}f}"


def _tally(rows: Sequence[BedChange] | Sequence[RunChange]) -> str:
    count = {word: sum(1 for x in rows if x.status == word)
             for word in ("added", "removed", "changed", "laid anew", "unchanged")}  # fmt: skip
    return ", ".join(f"{n} {word}" for word, n in count.items() if n) or "none"


def _ground_text(change: Change) -> list[str]:
    old_m, new_m = change.length_m
    parts = {
        word: sum(x.difference_m for x in change.runs if x.status in of)
        for word, of in (
            ("added", ("added",)),
            ("removed", ("removed",)),
            ("changed", ("changed", "laid anew", "unchanged")),
        )
    }
    said = ", ".join(f"{word} {_signed(off)}" for word, off in parts.items() if round(off, 3))
    lines = [
        "ON THE GROUND",
        f"beds     {_tally(change.beds)}",
        f"runs     {_tally(change.runs)}",
        f"edging   {old_m:,.3f} m -> {new_m:,.3f} m, {_signed(new_m - old_m)} m{said and f' ({said})'}",
    ]
    beds = [x for x in change.beds if x.status != "unchanged"]
    runs = [x for x in change.runs if x.status != "unchanged" or _renamed(x)]
    if beds:
        lines.append("")
    lines += _listed(
        (f"{printable(x.bed)[:16]:16} {x.status:9} {_signed((x.new_m or 0) - (x.old_m or 0)):>12} m"
         f"  {printable(_bed_remark(x))}" for x in beds), len(beds), "beds",
    )  # fmt: skip
    if runs:
        lines.append("")
    lines += _listed(
        (f"{printable(x.run)[:16]:16} {x.status:9} {_signed(x.difference_m):>12} m"
         f"  {printable(_run_remark(x))}" for x in runs), len(runs), "runs",
    )  # fmt: skip
    return [*lines, ""]


def _listed(rows: Iterable[str], count: int, what: str) -> list[str]:
    """The first rows, and how many more there are."""
    made = [shortened(f"  {row}".rstrip(), 110) for row, _ in zip(rows, range(_SHOWN), strict=False)]
    return [*made, f"  and {count - _SHOWN} more {what}, in change.csv"] if count > _SHOWN else made


def _order_text(change: Change, wording: Wording) -> list[str]:
    rows = [x for x in change.codes if x.changed]
    a, b = change.old.summary, change.new.summary
    lines = [wording.order_title]
    if not rows:
        lines.append("nothing changes")
    else:
        lines.append(f"  {'code':14} {wording.plan:>17} {wording.order:>17} {'packs':>13}  what to do")
    shown = rows[:_CODES_SHOWN]
    for x in shown:
        plan, order, packs = (f"{one} -> {two}" for one, two in (x.takeoff, x.order, x.packs))
        said = [wording.do(x) or wording.nothing]
        if x.pack[0] and x.pack[1] and x.pack[0] != x.pack[1]:
            said.append(f"packs of {x.pack[1]}, not {x.pack[0]}")
        said += _price_change(change, x)
        text = f"  {printable(x.code)[:14]:14} {plan:>17} {order:>17} {packs:>13}  {'; '.join(said)}"
        lines.append(shortened(text, 118))
    if len(rows) > len(shown):
        lines.append(f"  and {len(rows) - len(shown)} more codes, in change.csv")
    bound = f"; fewer than {a.cut_plan.least} -> {b.cut_plan.least} cannot do" if wording.bound else ""
    lines.append(
        f"cuts     {a.by_kind.get('cut', 0)} -> {b.by_kind.get('cut', 0)} cut pieces, from {a.cut_plan.stock}"
        f" -> {b.cut_plan.stock} sections{bound}"
    )
    short = [sum(x.short_m for x in s.unmet) for s in (a, b)]
    lines.append(f"unmet    {len(a.unmet)} -> {len(b.unmet)} places, {short[0]:,.3f} m -> {short[1]:,.3f} m")
    return [*lines, ""]


def _price_change(change: Change, x: CodeChange) -> list[str]:
    """Words for a price that changed, where both are known."""
    old, new = x.each
    if not change.money_compared or old is None or new is None or old == new:
        return []
    digits = change.new.summary.money.digits
    return [f"price {_each_text(old, digits)} -> {_each_text(new, digits)}"]


def _each_text(each: Fraction, digits: int) -> str:
    return money_text(round(each), digits)


def _money_lines(change: Change) -> list[str]:
    a, b = change.old.summary, change.new.summary
    lines = ["MONEY AND WEIGHT"]
    for name in ("subtotal", "tax", "total"):
        old, new = getattr(a.money, name), getattr(b.money, name)
        one = (
            f"{money_text(old, a.money.digits)} {a.money.currency or ''}".strip()
            if old is not None
            else "n/a"
        )
        two = (
            f"{money_text(new, b.money.digits)} {b.money.currency or ''}".strip()
            if new is not None
            else "n/a"
        )
        off = _money_difference(change, name)
        sign = "" if off is None else f", {'+' if off > 0 else ''}{money_text(off, b.money.digits)}"
        lines.append(f"{name:8} {one} -> {two}{sign}")
    one, two = ("n/a" if s.weight_kg is None else f"{s.weight_kg:,.1f} kg" for s in (a, b))
    known = a.weight_kg is not None and b.weight_kg is not None
    off_kg = f", {_signed((b.weight_kg or 0) - (a.weight_kg or 0), 1)} kg" if known else ""
    return [*lines, f"weight   {one} -> {two}{off_kg}", ""]


def _work_text(change: Change) -> list[str]:
    rows = [x for x in change.work if x.old != x.new]
    if not rows:
        return []
    lines = ["GROUNDWORK"]
    lines += _listed(
        (f"{printable(x.name)[:40]:40} {x.old:,.2f} -> {x.new:,.2f} {x.unit}, {_signed(x.new - x.old, 2)}"
         for x in rows), len(rows), "items",
    )  # fmt: skip
    return [*lines, ""]


# ---------------------------------------------------------------- from the command line


def write_change(change: Change, folder: Path) -> tuple[str, ...]:
    """Write JSON, CSV and text into a folder; names of the files.

    Raises
    ------
    OutputError : the folder cannot be written
    """
    made = (change_json(change), change_csv(change), change_text(change))
    return write_texts(folder, dict(zip(FILES, made, strict=True)))


def run_change(old: Path, new: Path, *, out: Path | None, as_json: bool, skip_faulty: bool) -> Change:
    """Compare two revisions as the command line asks for it: print and write."""
    faults: list[Fault] = []
    read: list[Revision] = []
    with progress() as stage:
        for name, place in (("old", old), ("new", new)):
            stage(f"reading the {name} plan")
            try:
                read.append(read_place(place, skip_faulty=skip_faulty))
            except DataError as error:
                faults.extend(error.faults)
        if faults:
            raise DataError(*faults)
        stage("comparing")
        change = compare_revisions(*read)
        files = () if out is None else write_change(change, out)
    if as_json:
        sys.stdout.write(change_json(change))
    else:
        sys.stdout.write(change_text(change))
        told_written(out, files, before="\n")
    return change
