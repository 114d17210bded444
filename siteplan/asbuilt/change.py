"""The change order of what was laid against what was planned, made as between two revisions.

The plan is one revision; the other is the same plan with what was really laid in its runs, and with
what was really used in place of what was ordered.  Both then go the way every change order goes.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from typing import Final

import numpy as np
import shapely

from siteplan.asbuilt.stock import StockRow
from siteplan.asbuilt.ticking import Ticked
from siteplan.compare.changes import Change, CodeChange, compare_revisions
from siteplan.compare.revision import OrderPart, Revision, Summary
from siteplan.layers import Layer, geometries, plan_layers
from siteplan.laying.order import half_up
from siteplan.laying.takeoff import Takeoff
from siteplan.lengths import BedMeasures
from siteplan.model import PieceKind
from siteplan.ordering import Purchase
from siteplan.plans import RunPlan
from siteplan.publish.changeorder import Wording
from siteplan.publish.orderbook import purchase_data
from siteplan.publish.summary import summary, summary_text
from siteplan.sites import Site
from siteplan.types import FloatArray, ObjectArray


def instruction(x: CodeChange) -> str:
    """What to do about a code: ``order`` is delivered and used."""
    left = x.order[0] - x.order[1]
    if left > 0:
        return f"{left} left: keep, return or credit them"
    return f"{-left} more used than delivered: bill them" if left < 0 else ""


WORDING: Final = Wording(
    "AS BUILT: CHANGE ORDER", "planned -> laid", "delivered -> used", "PIECES", "all that came was used",
    instruction, bound=False,
)  # fmt: skip


def laid_change(
    site: Site,
    measures: BedMeasures,
    plan: RunPlan,
    result: Takeoff,
    bought: Purchase,
    ticked: Ticked,
    laid_m: FloatArray,
    stock: tuple[StockRow, ...],
) -> Change:
    """What was laid against what was planned; ``laid_m`` is (r,) metres of laid pieces of each run.

    A run counts with what is laid of it: one without a laid piece is removed.  Groundwork is left out
    of both sides, since nothing came back about it.
    """
    data = {**summary(site, measures, plan, result, bought.order.rows, ()), **purchase_data(bought)}
    data["groundwork"] = None
    planned = Summary.model_validate(json.loads(summary_text(data)))
    tax = bought.order.tax_percent
    delivered = _ordered(planned, stock, lambda r: r.delivered, lambda r: r.planned, tax)
    layers = plan_layers(site, measures, plan, result)
    beds, runs = (_shapes(site, layers[name]) for name in ("beds", "runs"))
    old = Revision("the plan", delivered, site.frame.crs_wkt, beds, runs)
    begun = ticked.run_state > 0
    laid = _ordered(
        _laid(planned, plan, result, ticked, laid_m), stock, lambda r: r.gone, lambda r: r.laid, tax,
        cut_stock=sum(r.cut_stock for r in stock),
    )  # fmt: skip
    new = Revision("as laid", laid, site.frame.crs_wkt, beds, runs[begun])
    change = compare_revisions(old, new)
    idle = int((ticked.run_state == 0).sum())
    if not idle:
        return change
    note = (
        f"{idle} runs have no laid piece and count as removed: what is still to be laid is among them. "
        "Groundwork is not compared."
    )
    return replace(change, notes=(*change.notes, note))


def _shapes(site: Site, layer: Layer) -> ObjectArray:
    wkb = geometries(layer, site.frame.grid(layer.xy))
    return np.asarray(shapely.from_wkb(wkb), dtype=object)


def _laid(planned: Summary, plan: RunPlan, result: Takeoff, ticked: Ticked, laid_m: FloatArray) -> Summary:
    """The summary of the plan with what was laid in its runs."""
    pieces = result.pieces
    counts: list[Counter[str]] = [Counter() for _ in plan.runs.run_id]
    for k in np.flatnonzero(ticked.laid).tolist():
        counts[pieces.run[k]][str(ticked.used[k]) or str(pieces.code[k])] += 1
    laid = ticked.laid
    rows = [
        run.model_copy(
            update={
                "pieces": dict(counts[r]),
                # a run that is laid whole has its planned length, joints and left-overs included
                "ground_m": run.ground_m if ticked.run_state[r] == 2 else round(float(laid_m[r]), 6),
            }
        )
        for r, run in enumerate(planned.runs)
        if ticked.run_state[r]
    ]
    kinds = np.bincount(pieces.kind[laid], minlength=len(PieceKind))
    named = {str(plan.runs.leg_id[leg]) for leg in range(len(plan.runs.leg_id))
             if ticked.run_state[plan.runs.leg_run[leg]]}  # fmt: skip
    return planned.model_copy(
        update={
            "runs": rows,
            "by_kind": {k.name.lower(): int(kinds[k]) for k in PieceKind},
            "unmet": [u for u in planned.unmet if u.leg in named],
        }
    )


def _ordered(
    of: Summary,
    stock: tuple[StockRow, ...],
    order: Callable[[StockRow], int],
    takeoff: Callable[[StockRow], int],
    tax_percent: Fraction,
    *,
    cut_stock: int | None = None,
) -> Summary:
    """A summary whose order is what came, or what was used, at the price of a piece."""
    known = {row.code: row for row in of.order}
    rows = []
    for r in stock:
        count = max(order(r), 0)
        pack, line = (known[r.code].pack, known[r.code].line) if r.code in known else (1, "")
        rows.append(
            OrderPart(
                code=r.code, name=r.name, takeoff=takeoff(r), cut_stock=r.cut_stock, order=count,
                pack=pack, packs=count // pack, singles=count % pack, amount=r.money(count),
                line=line,
            )
        )  # fmt: skip
    unpriced = [x.code for x in rows if x.amount is None and x.order]
    subtotal = tax = total = None
    if not unpriced and of.money.currency is not None:
        subtotal = sum(x.amount or 0 for x in rows)
        tax = half_up(tax_percent * subtotal / 100)
        total = subtotal + tax
    weights = [(r.weight_g, x.order) for r, x in zip(stock, rows, strict=True)]
    weighed = all(w is not None for w, n in weights if n)
    return of.model_copy(
        update={
            "order": rows,
            "takeoff": {x.code: x.takeoff for x in rows},
            "cut_plan": of.cut_plan
            if cut_stock is None
            else of.cut_plan.model_copy(update={"stock": cut_stock}),
            "money": of.money.model_copy(
                update={"subtotal": subtotal, "tax": tax, "total": total, "unpriced": unpriced}
            ),
            "weight_kg": sum((w or 0) * n for w, n in weights) / 1000 if weighed else None,
        }
    )
