"""How far an order reaches, as text, as data and as a sheet of the workbook (schema in docs/outputs.md)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from siteplan.laying.order import Order, money_text, pack_up
from siteplan.ordering import wanted_pieces
from siteplan.types import IntArray
from siteplan.uncertainty.components import vertex_sigma
from siteplan.uncertainty.suffice import SAMPLES, Confidence
from siteplan.uncertainty.sufficing import Share
from siteplan.units import format_length

if TYPE_CHECKING:
    from siteplan.laying.takeoff import Takeoff
    from siteplan.ordering import Purchase
    from siteplan.sites import Site

Cell = str | int | float | None
NAMED = 12
"""corners named one by one"""
CAUTION = (
    "Drawn from the settings of [uncertainty]: where they are wrong, so is the probability. None of their "
    "defaults has a published source."
)


@dataclass(frozen=True, slots=True, eq=False)
class OrderReach:
    """An order before and after packs, what it costs and how often it suffices."""

    name: str
    bought: bool
    wanted: IntArray
    packed: IntArray
    cost: int | None
    packed_cost: int | None
    """minor units; None without prices"""
    share: Share
    packed_share: Share


def percent(share: float) -> str:
    """A share as people read it: never 100 % unless it is."""
    text = f"{100 * share:.1f} %"
    return "above 99.9 %" if text == "100.0 %" and share < 1 else text


def order_reaches(site: Site, result: Takeoff, bought: Purchase) -> tuple[OrderReach, OrderReach]:
    """The order that suffices, and the one by percentage."""
    sure, flat = bought.confidence, bought.flat
    if sure is None or flat is None:
        raise ValueError("the order was made without looking at what is uncertain")
    spares = site.settings.spares
    by_chance = spares.suffice is not None
    by_code = wanted_pieces(site, flat, sure)
    wanted = np.array([by_code[row.code] for row in flat.rows], dtype=np.int64)
    name = f"suffices with {float(sure.probability) * 100:g} %"
    packed = None
    if by_chance:
        wanted, packed = _of(bought.order)
    return (
        _reach(name, by_chance, wanted, packed, site, result, sure),
        _reach(
            f"{spares.percent:g} % and at least {spares.least_special} of each special code",
            not by_chance, *_of(flat), site, result, sure,
        ),
    )  # fmt: skip


def _of(order: Order) -> tuple[IntArray, IntArray]:
    wanted = np.array([row.need + row.breakage + row.spares for row in order.rows], dtype=np.int64)
    return wanted, np.array([row.order for row in order.rows], dtype=np.int64)


def _reach(
    name: str,
    bought: bool,
    wanted: IntArray,
    packed: IntArray | None,
    site: Site,
    result: Takeoff,
    sure: Confidence,
) -> OrderReach:
    articles = result.articles
    if packed is None:
        broken = site.settings.order.broken_packs
        packs = [pack_up(int(n), a, broken_packs=broken) for n, a in zip(wanted, articles, strict=True)]
        packed = np.array([p * a.pack + s for (p, s), a in zip(packs, articles, strict=True)], dtype=np.int64)
    return OrderReach(
        name, bought, wanted, packed, _cost(wanted, result), _cost(packed, result),
        sure.share(wanted), sure.share(packed),
    )  # fmt: skip


def _cost(order: IntArray, result: Takeoff) -> int | None:
    """At the price of a piece, minor units."""
    total = 0
    for count, article in zip(order.tolist(), result.articles, strict=True):
        if count and article.price is None:
            return None
        total += count * (article.price or 0)
    return total


def _money(amount: int | None, order: Order) -> str:
    if amount is None:
        return "no price"
    return f"{money_text(amount, order.currency_digits)} {order.currency or ''}".strip()


def confidence_texts(site: Site, result: Takeoff, bought: Purchase) -> list[str]:
    """A few lines for the printed report; none where nobody asked."""
    sure, flat = bought.confidence, bought.flat
    if sure is None or flat is None:
        return []
    one = _row(np.ones((1, len(sure.lengths.mean_m))))
    texts = []
    for reach in order_reaches(site, result, bought):
        mark = "ordered" if reach.bought else "beside it"
        texts.append(f"Order that {reach.name}" if "suffices" in reach.name else f"Order with {reach.name}")
        texts[-1] += (
            f" ({mark}): {_money(reach.cost, flat)}, every code suffices in {percent(reach.share.value)} of "
            f"the drawn sites (no less than {percent(reach.share.lower)}, 95 % confidence); in packs "
            f"{_money(reach.packed_cost, flat)} and {percent(reach.packed_share.value)}"
        )
    sigma = float(sure.lengths.sigma(one)[0])
    most = max(sure.lengths.shares().items(), key=lambda x: x[1])
    texts.append(
        f"Edging {_long(site, float(sure.lengths.mean_m.sum()))}, standard deviation {_long(site, sigma)}; "
        f"most of it ({100 * most[1]:.0f} %) from {most[0]}. {SAMPLES} x {sure.draws} sites drawn, seed "
        f"{sure.seed}; vertices: {vertex_sigma(site)[2]}. {CAUTION}"
    )
    least = sure.wanted.least
    if least.status != "optimal":
        texts.append(
            f"The least-cost order is not proven: the time ended at {_money(least.cost, flat)}, and none "
            f"costs less than {_money(least.bound, flat)}"
            if sure.priced
            else f"The order of fewest pieces is not proven: the time ended at {least.cost:,}, and none has "
            f"fewer than {least.bound:,}"
        )
    if sure.near_limit:
        texts.append(
            f"{len(sure.near_limit)} corners may turn beyond the range of their unit on the ground and would "
            f"then be made another way: at the far end of legs {_some(sure.near_limit)}. The drawn sites "
            "make them so, and the order counts with it. It may get smaller once you measure their angles."
        )
    if sure.held:
        texts.append(
            f"Of these, {len(sure.held)} stay as planned on every drawn site (a rigid line on a run with "
            f"curves, or an outline adjusted to tapes), which the probability does not know: "
            f"{_some(sure.held)}. Measure their angles."
        )
    if not sure.priced:
        texts.append("Codes that are needed have no price: the fewest pieces were looked for.")
    return texts


def _some(legs: Sequence[str]) -> str:
    """The first of some legs, and how many more there are."""
    more = f" and {len(legs) - NAMED} more" if len(legs) > NAMED else ""
    return f"{', '.join(legs[:NAMED])}{more}"


def _row(values: Any) -> Any:
    from scipy import sparse

    return sparse.csr_array(values)


def _long(site: Site, metres: float) -> str:
    show = site.settings.show
    return format_length(metres, show.units, denominator=show.inch_fraction)


def _share(share: Share) -> dict[str, float]:
    return {
        "reached": round(share.value, 6),
        "standard_error": round(share.error, 6),
        "lower_95": round(share.lower, 6),
    }


def confidence_data(site: Site, result: Takeoff, bought: Purchase) -> dict[str, Any]:
    """For ``summary.json``; nothing where nobody asked."""
    sure = bought.confidence
    if sure is None:
        return {}
    codes, lengths, least = result.codes, sure.lengths, sure.wanted.least
    one = _row(np.ones((1, len(lengths.mean_m))))

    def pieces(order: IntArray) -> dict[str, int]:
        return {code: n for code, n in zip(codes, order.tolist(), strict=True) if n}

    return {
        "confidence": {
            "probability": float(sure.probability),
            "draws": sure.draws,
            "samples": SAMPLES,
            "seed": sure.seed,
            "vertex_sigma_from": vertex_sigma(site)[2],
            "edging": {
                "planned_m": round(float(lengths.planned_m.sum()), 6),
                "mean_m": round(float(lengths.mean_m.sum()), 6),
                "sigma_m": round(float(lengths.sigma(one)[0]), 6),
            },
            "components": [
                {"name": name, "share_of_variance": round(value, 6)}
                for name, value in lengths.shares().items()
            ],
            "optimum": {
                "order": pieces(least.order),
                "cost": least.cost if sure.priced else None,
                "bound": least.bound if sure.priced else None,
                "status": least.status,
                "in_sample": round(least.share.value, 6),
                "least": "cost" if sure.priced else "pieces",
            },
            "orders": [
                {
                    "name": reach.name,
                    "bought": reach.bought,
                    "pieces": pieces(reach.wanted),
                    "cost": reach.cost,
                    **_share(reach.share),
                    "in_packs": {
                        "pieces": pieces(reach.packed),
                        "cost": reach.packed_cost,
                        **_share(reach.packed_share),
                    },
                }
                for reach in order_reaches(site, result, bought)
            ],
            "corners_near_limit": list(sure.near_limit),
            "corners_held": list(sure.held),
            "levels": [
                {
                    "probability": float(level.probability),
                    "pieces": pieces(level.least.order),
                    "cost": level.least.cost if sure.priced else None,
                    "status": level.least.status,
                    **_share(level.check),
                }
                for level in sure.levels
            ],
            "codes": [
                {
                    "code": code,
                    "plan": int(sure.planned[a]),
                    "mean": round(float(sure.mean[a]), 3),
                    "sd": round(float(sure.spread[a]), 3),
                    "mean_error": round(float(sure.spread[a]) / sure.draws**0.5, 3),
                    "p5": int(sure.quantiles[0, a]),
                    "p50": int(sure.quantiles[1, a]),
                    "p95": int(sure.quantiles[2, a]),
                    "cuts_proven": round(float(sure.proven_cuts[a]), 4),
                }
                for a, code in enumerate(codes)
                if sure.planned[a] or sure.mean[a]
            ],
        }
    }


def confidence_sheet(site: Site, result: Takeoff, bought: Purchase) -> list[Sequence[Cell]]:
    """Sheet of the workbook, money in column 3."""
    sure, flat = bought.confidence, bought.flat
    if sure is None or flat is None:
        return []
    digits = flat.currency_digits
    rows: list[Sequence[Cell]] = [
        ["order", "", "pieces", f"cost {flat.currency or ''}".strip(), "every code suffices",
         "no less than (95 % confidence)"]
    ]  # fmt: skip

    def line(name: str, what: str, order: IntArray, cost: int | None, share: Share) -> list[Cell]:
        money = None if cost is None else cost / 10**digits
        return [name, what, int(order.sum()), money, percent(share.value), percent(share.lower)]

    for reach in order_reaches(site, result, bought):
        name = f"{reach.name}{' (ordered)' if reach.bought else ''}"
        rows.append(line(name, "pieces", reach.wanted, reach.cost, reach.share))
        rows.append(line(name, "in packs", reach.packed, reach.packed_cost, reach.packed_share))
    for level in sure.levels:
        name = f"suffices with {float(level.probability) * 100:g} %"
        rows.append(line(name, "pieces", level.least.order, _cost(level.least.order, result), level.check))
    rows.append([])
    rows.append(["code", "", "the plan takes", None, "mean of the drawn sites", "9 of 10 take", "suffices"])
    for a, code in enumerate(result.codes):
        if sure.planned[a] or sure.mean[a]:
            span = f"{sure.quantiles[0, a]} to {sure.quantiles[2, a]}"
            mean = round(float(sure.mean[a]), 1)
            rows.append([code, "", int(sure.planned[a]), None, mean, span, int(sure.wanted.least.order[a])])
    rows.append([])
    rows.append(["what may be off", "", "share of the variance of the whole length, %"])
    for name, value in sure.lengths.shares().items():
        rows.append([name, "", round(100 * value, 1)])
    rows.append([])
    rows += [[text] for text in confidence_texts(site, result, bought)[2:]]
    return rows
