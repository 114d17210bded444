"""The order to send: ``order.xlsx``, ``order.csv`` and ``cutlist.csv``.

Every text is written as text, so that a name that begins like a formula is shown and never run.
Equal plans give equal bytes: the workbook's date is fixed.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from siteplan.layers import Layer, table
from siteplan.laying.order import Order, known_sum, money_text
from siteplan.publish.cells import safe_cell
from siteplan.publish.sureness import confidence_sheet
from siteplan.types import FloatArray, IntArray
from siteplan.units import format_length

if TYPE_CHECKING:
    from siteplan.laying.takeoff import Takeoff
    from siteplan.ordering import Purchase
    from siteplan.sites import Site

_CREATED: Final = datetime(2000, 1, 1)
_CAUTIONS: Final = (
    "Planning aid: check the order against the product data before it is sent.",
    "Have buried lines located and marked before digging (in the US, 811; 29 CFR 1926.651(b)).",
    "Cutting masonry: wet cutting or the controls of 29 CFR 1926.1153, Table 1, or the local rule.",
    "Heavy units: team lifts (NIOSH lifting equation). Local codes govern.",
)

Cell = str | int | float | None
Sheet = list[Sequence[Cell]]


def saw_layer(result: Takeoff, bought: Purchase) -> Layer:
    """The saw list as a table, in order of sawing."""
    saw = bought.cuts.saw_list()
    return table(
        "saw_list",
        {
            "stock": saw.stock,
            "code": saw.code,
            "nth": saw.nth,
            "piece": result.pieces.piece_id[saw.row],
            "from_m": saw.from_um / 1e6,
            "cut_m": saw.cut_um / 1e6,
            "offcut_m": saw.offcut_um / 1e6,
            "keep": saw.kept,
            **saw_faces(result, saw.row),
        },
    )


def saw_faces(result: Takeoff, row: IntArray) -> dict[str, FloatArray]:
    """Angles off square and lengths of the two faces of pieces that are cut.

    Parameters
    ----------
    result : the takeoff
    row : (k,) pieces

    Returns
    -------
    ``start_saw_deg``, ``far_saw_deg``: NaN where the end is square, positive where the right face,
    walking, is the longer one.  ``centre_m``, ``right_m``, ``left_m``: with depth d the right face is
    ``d / 2 x (tan start + tan far)`` longer than the centre, the left one as much shorter.
    """
    pieces = result.pieces
    none = np.full(len(row), np.nan)
    start = none if pieces.start_saw_deg is None else pieces.start_saw_deg[row]
    far = none if pieces.far_saw_deg is None else pieces.far_saw_deg[row]
    half_m = result.run_depth_um[pieces.run[row]] / 2e6
    more = half_m * (np.tan(np.radians(np.nan_to_num(start))) + np.tan(np.radians(np.nan_to_num(far))))
    centre = pieces.cut_um[row] / 1e6
    return {
        "start_saw_deg": start,
        "far_saw_deg": far,
        "centre_m": centre,
        "right_m": centre + more,
        "left_m": centre - more,
    }


CUT_COLUMNS: Final = (
    "stock", "code", "nth", "piece", "bed", "from_m", "cut_m", "cut", "offcut_m", "keep",
    "start_saw_deg", "far_saw_deg", "right_m", "left_m",
)  # fmt: skip


def _cut_rows(site: Site, result: Takeoff, bought: Purchase) -> Sheet:
    saw, pieces = bought.cuts.saw_list(), result.pieces
    show = site.settings.show
    faces = saw_faces(result, saw.row)
    angled = ~(np.isnan(faces["start_saw_deg"]) & np.isnan(faces["far_saw_deg"]))

    def told(name: str, decimals: int) -> list[float | None]:
        """A number where the piece is sawn off square."""
        values = np.round(faces[name], decimals).tolist()
        return [v if a and not math.isnan(v) else None for v, a in zip(values, angled.tolist(), strict=True)]

    return [
        [
            stock, code, nth, str(pieces.piece_id[row]), str(site.beds.ids[pieces.bed[row]]),
            start / 1e6, cut / 1e6,
            format_length(cut / 1e6, show.units, denominator=show.inch_fraction),
            offcut / 1e6 if offcut else None, "keep" if kept else ("waste" if offcut else ""), *saws,
        ]
        for stock, code, nth, row, start, cut, offcut, kept, *saws in zip(
            saw.stock.tolist(), saw.code.tolist(), saw.nth.tolist(), saw.row.tolist(),
            saw.from_um.tolist(), saw.cut_um.tolist(), saw.offcut_um.tolist(), saw.kept.tolist(),
            told("start_saw_deg", 2), told("far_saw_deg", 2), told("right_m", 6), told("left_m", 6),
            strict=True,
        )
    ]  # fmt: skip


def cutlist_csv(site: Site, result: Takeoff, bought: Purchase) -> str:
    """The saw list as CSV."""
    return rows_csv([CUT_COLUMNS, *_cut_rows(site, result, bought)])


ORDER_COLUMNS: Final = (
    "code", "name", "colour", "phase", "wanted", "packs", "singles", "order",
    "amount", "currency", "weight_kg", "line",
)  # fmt: skip


def _order_lines(order: Order) -> Sheet:
    digits = order.currency_digits
    return [
        [
            x.code, x.name, x.colour, x.phase, x.wanted, x.packs, x.singles, x.order,
            money_text(x.amount, digits), order.currency or "" if x.amount is not None else "",
            None if x.weight_g is None else x.weight_g / 1000, x.line,
        ]
        for x in order.lines
    ]  # fmt: skip


def order_csv(order: Order) -> str:
    """The lines to send as CSV, a line for each code, colour and phase."""
    return rows_csv([ORDER_COLUMNS, *_order_lines(order)])


def rows_csv(rows: Iterable[Sequence[Cell]]) -> str:
    """Rows as CSV (RFC 4180); text is never taken for a formula, None is an empty cell."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    for row in rows:
        writer.writerow([safe_cell(v) if isinstance(v, str) else "" if v is None else v for v in row])
    return out.getvalue()


# ---------------------------------------------------------------- the workbook


def write_workbook(path: Path, site: Site, result: Takeoff, bought: Purchase) -> None:
    """Write ``order.xlsx``: sheets order, takeoff, cut list, phases, groundwork."""
    import xlsxwriter

    options = {
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
        "in_memory": True,
    }
    with xlsxwriter.Workbook(str(path), options) as book:
        book.set_properties({"title": site.settings.name[:200], "created": _CREATED})
        styles = {
            "bold": book.add_format({"bold": True}),
            "head": book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"}),
            "money": book.add_format({"num_format": _money_format(bought.order.currency_digits)}),
        }
        for name, title, rows, money in (
            ("order", "Order", _order_sheet(result, bought), (8,)),
            ("takeoff", "Takeoff and order by code", _takeoff_sheet(bought.order), (15, 18, 20)),
            ("cut list", "Cut list, in order of sawing", _cut_sheet(site, result, bought), ()),
            ("phases", "Deliveries", _phase_sheet(bought), ()),
            *([("owners", "What each owner pays", _owner_sheet(bought.order), (4, 5, 6))]
              if bought.order.owners else []),
            *([("how sure", "How far the order reaches", confidence_sheet(site, result, bought), (3,))]
              if bought.confidence is not None else []),
            ("groundwork", "Groundwork and bed quantities", _ground_sheet(bought), (8, 9)),
        ):  # fmt: skip
            sheet = book.add_worksheet(name)
            sheet.set_landscape()
            sheet.fit_to_pages(1, 0)
            sheet.write_string(0, 0, f"{title}: {site.settings.name}", styles["bold"])
            _fill(sheet, rows, styles, money)


def _money_format(digits: int) -> str:
    return "#,##0." + "0" * digits if digits else "#,##0"


def _fill(sheet: Any, rows: Sheet, styles: dict[str, Any], money: Sequence[int]) -> None:
    """Rows from the third line on; the first is the heading; widths after the longest text."""
    widths: dict[int, int] = {}
    for r, row in enumerate(rows):
        for c, value in enumerate(row):
            if value is None or value == "":
                continue
            if isinstance(value, str):
                sheet.write_string(r + 2, c, value, styles["head"] if r == 0 else None)
                if len(row) > 1:
                    widths[c] = max(widths.get(c, 8), min(len(value) if r else 10, 48))
            else:
                sheet.write_number(r + 2, c, value, styles["money"] if c in money else None)
    for c, width in widths.items():
        sheet.set_column(c, c, width + 1)


def _units(amount: int | None, digits: int) -> float | None:
    """Money for a cell: a number of major units, which spreadsheets show with its decimals."""
    return None if amount is None else amount / 10**digits


def _order_sheet(result: Takeoff, bought: Purchase) -> Sheet:
    order = bought.order
    digits = order.currency_digits
    rows: Sheet = [
        ["code", "piece", "colour", "phase", "pieces wanted", "packs", "singles", "pieces ordered",
         f"amount {order.currency or ''}".strip(), "weight kg", "line"]
    ]  # fmt: skip
    rows += [
        [x.code, x.name, x.colour, x.phase, x.wanted, x.packs, x.singles or None, x.order,
         _units(x.amount, digits), None if x.weight_g is None else x.weight_g / 1000, x.line]
        for x in order.lines
    ]  # fmt: skip
    rows.append([])
    blank = [None] * 7
    for label, amount in (
        ("Subtotal", order.subtotal),
        (f"Tax {float(order.tax_percent):g} %", order.tax),
        ("Total", order.total),
        ("Value of what is left over", order.left_over_value),
        ("Value of what can go back", order.return_value),
    ):
        if amount is not None:
            rows.append([label, *blank, _units(amount, digits)])
    if order.weight_g is not None:
        rows.append(["Weight", *blank, None, order.weight_g / 1000])
    rows.append([])
    rows.append([f"Product line{'s' if len(result.lines) > 1 else ''}: {result.line_names}"])
    rows += [[finding.text] for finding in order.findings]
    rows += [[part] for part in (*(x.note for x in result.lines), *_CAUTIONS) if part]
    return rows


def _takeoff_sheet(order: Order) -> Sheet:
    digits = order.currency_digits
    rows: Sheet = [
        ["code", "piece", "kind", "takeoff pieces", "of them cut", "sections for the cuts", "for unmet legs",
         "needed", "breakage", "spares", "together", "pack", "packs", "singles", "ordered", "amount",
         "weight kg", "left over", "left-over value", "packs to return", "return value", "line"]
    ]  # fmt: skip
    rows += [
        [r.code, r.name, r.kind, r.takeoff, r.cut_pieces, r.cut_stock, r.for_unmet,
         r.need, r.breakage, r.spares,
         r.need + r.breakage + r.spares, r.pack, r.packs, r.singles, r.order, _units(r.amount, digits),
         None if r.weight_g is None else r.weight_g / 1000, r.left_over, _units(r.left_over_value, digits),
         r.return_packs, _units(r.return_value, digits), r.line]
        for r in order.rows
        if r.order or r.takeoff
    ]  # fmt: skip
    rows.append([])
    rows.append(["needed = takeoff pieces - of them cut + sections for the cuts + for unmet legs"])
    return rows


def _cut_sheet(site: Site, result: Takeoff, bought: Purchase) -> Sheet:
    rows: Sheet = [
        [
            "section no.",
            "code",
            "cut",
            "piece",
            "bed",
            "from m",
            "length m",
            "length",
            "offcut m",
            "",
            "saw at start, degrees off square",
            "saw at far end",
            "right face m",
            "left face m",
        ]
    ]
    cuts = _cut_rows(site, result, bought)
    rows += cuts
    rows.append([])
    if any(row[-4] is not None or row[-3] is not None for row in cuts):
        rows.append(
            [
                "Saw: degrees off square, positive where the right face, walking with the bed on the left, "
                "is the longer one; empty where square. length: what it takes of its section, point to point."
            ]
        )
    for part in bought.cuts.parts:
        plan = part.plan
        rows.append(
            [
                f"{part.code}: {len(plan.cut_um)} cut pieces from {plan.count} sections; no plan takes fewer"
                f" than {plan.least} (bound {float(plan.bound):.4f}, {plan.bound_kind}). Offcuts to keep"
                f" {plan.kept_um / 1e6:.3f} m, waste {plan.waste_um / 1e6:.3f} m, of it kerf"
                f" {plan.kerf_total_um / 1e6:.3f} m."
            ]
        )
    if not bought.cuts.parts:
        rows.append(["Nothing is cut."])
    return rows


def _phase_sheet(bought: Purchase) -> Sheet:
    rows: Sheet = [
        [
            "phase",
            "code",
            "colour",
            "pieces",
            "packs",
            "pallets",
            "weight kg",
            "drop",
            "carry mean m",
            "greatest m",
        ]
    ]
    for delivery, drop in zip(bought.order.deliveries, bought.drops, strict=True):
        name = delivery.phase or "(no phase)"
        rows += [[name, code, colour, pieces] for code, colour, pieces in delivery.rows]
        rows.append(
            [name, "all", None, delivery.pieces, delivery.packs, delivery.pallets,
             None if delivery.weight_g is None else delivery.weight_g / 1000, drop.drop,
             _rounded(drop.mean_carry_m), _rounded(drop.greatest_carry_m)]
        )  # fmt: skip
    rows.append([])
    rows.append(["Carry: straight line from the drop point to the middle of each piece."])
    return rows


def _owner_sheet(order: Order) -> Sheet:
    digits = order.currency_digits
    unit = f" {order.currency}" if order.currency else ""
    rows: Sheet = [
        [
            "owner",
            "code",
            "colour",
            "pieces wanted",
            f"amount{unit}",
            f"tax{unit}",
            f"with tax{unit}",
            "weight kg",
        ]
    ]
    for share in order.owners:
        name = share.owner or "(no owner)"
        rows += [[name, code, colour, pieces] for code, colour, pieces in share.rows]
        rows.append(
            [name, "all", None, share.wanted, _units(share.subtotal, digits), _units(share.tax, digits),
             _units(share.total, digits), None if share.weight_g is None else share.weight_g / 1000]
        )  # fmt: skip
    rows.append([])
    rows.append(
        [
            "Packs are bought for the site. What is over in them is paid by the owners of a code in "
            "proportion to the pieces they want; a section cut for several of them is the first one's."
        ]
    )
    return rows


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 1)


def _ground_sheet(bought: Purchase) -> Sheet:
    work = bought.groundwork
    if work is None:
        return [["No recipe: set groundwork.recipe in site.toml."]]
    rows: Sheet = [["item", "reckoned from", "", "working", "net", "amount", "unit", "note", "price", "cost"]]
    rows += [
        [x.name, float(x.basis_amount), x.basis_unit, x.working, float(x.net), float(x.amount), x.unit,
         x.note, None if x.price is None else _units(x.price, bought.order.currency_digits),
         _units(x.cost, bought.order.currency_digits)]
        for x in work.rows
    ]  # fmt: skip
    rows.append([])
    rows.append([f"Recipe: {work.name}"])
    rows.append([work.note])
    return rows


def purchase_data(bought: Purchase) -> dict[str, Any]:
    """Cut plan, money, deliveries and groundwork for ``summary.json``."""
    order, cuts = bought.order, bought.cuts
    return {
        "cut_plan": {
            "stock": cuts.stock,
            "least": cuts.least,
            "sections": [
                {
                    "code": part.code,
                    "pieces": len(part.plan.cut_um),
                    "stock": part.plan.count,
                    "bound": round(float(part.plan.bound), 6),
                    "bound_kind": part.plan.bound_kind,
                    "status": part.plan.status,
                    "gap": part.plan.gap,
                    "kept_m": part.plan.kept_um / 1e6,
                    "waste_m": part.plan.waste_um / 1e6,
                    "kerf_m": part.plan.kerf_total_um / 1e6,
                }
                for part in cuts.parts
            ],
        },
        "money": {
            "currency": order.currency,
            "digits": order.currency_digits,
            "subtotal": order.subtotal,
            "tax": order.tax,
            "total": order.total,
            "left_over_value": order.left_over_value,
            "return_value": order.return_value,
            "unpriced": list(order.unpriced),
        },
        "weight_kg": None if order.weight_g is None else order.weight_g / 1000,
        "deliveries": [
            {
                "phase": delivery.phase,
                "pieces": delivery.pieces,
                "packs": delivery.packs,
                "pallets": delivery.pallets,
                "weight_kg": None if delivery.weight_g is None else delivery.weight_g / 1000,
                "drop": drop.drop,
                "mean_carry_m": _rounded(drop.mean_carry_m),
                "greatest_carry_m": _rounded(drop.greatest_carry_m),
            }
            for delivery, drop in zip(order.deliveries, bought.drops, strict=True)
        ],
        **_lines_and_owners(order),
        "groundwork": None
        if bought.groundwork is None
        else {
            "recipe": bought.groundwork.key,
            "note": bought.groundwork.note,
            "items": [
                {
                    "key": x.key,
                    "name": x.name,
                    "working": x.working,
                    "net": round(float(x.net), 6),
                    "amount": round(float(x.amount), 6),
                    "unit": x.unit,
                    "cost": x.cost,
                }
                for x in bought.groundwork.rows
            ],
        },
    }


def _lines_and_owners(order: Order) -> dict[str, Any]:
    """Money and weight by product line, where there are several, and by owner, where there are any."""
    data: dict[str, Any] = {}
    keys = list(dict.fromkeys(row.line for row in order.rows))
    if len(keys) > 1:
        data["by_line"] = [
            {
                "line": key,
                "ordered": sum(row.order for row in own),
                "subtotal": known_sum(row.amount for row in own),
                "weight_kg": None
                if (grams := known_sum(row.weight_g for row in own)) is None
                else grams / 1000,
            }
            for key in keys
            for own in [[row for row in order.rows if row.line == key and row.order]]
        ]
    if order.owners:
        data["owner_shares"] = [
            {
                "owner": share.owner,
                "wanted": share.wanted,
                "subtotal": share.subtotal,
                "tax": share.tax,
                "total": share.total,
                "weight_kg": None if share.weight_g is None else share.weight_g / 1000,
            }
            for share in order.owners
        ]
    return data
