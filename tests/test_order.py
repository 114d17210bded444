"""The order: hand-computed rows, sums that must agree, and money in whole minor units."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplan.errors import DataError
from siteplan.laying.cutting import plan_site_cuts
from siteplan.laying.order import OrderRules, half_up, money_text, pack_up, plan_order, share_out
from siteplan.model import PieceKind
from siteplan.plans import plan_runs
from siteplan.products import Article
from siteplan.sites import load_site
from siteplan.takeoffs import takeoff


@pytest.fixture(scope="module")
def fennel(sample_data: Path) -> Any:
    site = load_site(sample_data / "fennel_row")
    result = takeoff(site, plan_runs(site))
    return site, result, plan_site_cuts(result)


def with_articles(result: Any, **changes: Any) -> Any:
    """The takeoff with every section's article changed."""
    line = result.line
    sections = tuple(replace(s, article=replace(s.article, **changes)) for s in line.sections)
    return replace(result, lines=(replace(line, sections=sections),))


def test_row_of_the_sections_by_hand(fennel: Any) -> None:
    """Whole sections and planned ones, 3 % of them rounded up, packs of ten, price, weight."""
    _, result, cuts = fennel
    order = plan_order(result, cuts, OrderRules(spare_percent=Fraction(3), least_special=1))
    row = order.rows[0]
    whole, cut = result.by_kind["section"], result.by_kind["cut"]
    assert row.takeoff == whole + cut == result.counts["F-2000"]
    need = whole + cuts.stock
    assert row.need == need
    assert row.spares == -(-3 * need // 100)
    assert row.packs == -(-(need + row.spares) // 10)
    assert row.order == 10 * row.packs
    assert row.amount == row.order * 2400
    assert row.weight_g == row.order * 5000
    assert row.left_over == row.order - need
    assert row.order < row.takeoff + row.spares + 10  # the cut plan buys no more than one section a piece


def test_totals_and_tax(fennel: Any) -> None:
    _, result, cuts = fennel
    order = plan_order(result, cuts, OrderRules(tax_percent=Fraction("8.875"), least_special=1))
    amounts = [row.amount for row in order.rows]
    assert order.subtotal == sum(a for a in amounts if a is not None)
    # half up, in whole cents: reckoned here in tenths of a hundredth of a cent
    assert order.tax == (order.subtotal * 8875 + 50_000) // 100_000
    assert order.total == order.subtotal + order.tax
    assert order.weight_g == sum(row.weight_g or 0 for row in order.rows)
    specials = [r for r in order.rows if r.kind != "section" and r.takeoff]
    assert specials
    assert all(r.spares == 1 for r in specials)


def test_percentages_are_exact(fennel: Any) -> None:
    """1.1 % of 1000 is 11 spares, not the 12 that the nearest binary fraction gives."""
    _, result, cuts = fennel
    need = result.by_kind["section"] + cuts.stock
    percent = Fraction(1100, need)
    order = plan_order(result, cuts, OrderRules(spare_percent=percent))
    assert order.rows[0].spares == 11


def test_spares_by_count_and_breakage_apart(fennel: Any) -> None:
    _, result, cuts = fennel
    rules = OrderRules(
        spare_percent=Fraction(3), spare_count={"F-2000": 7}, breakage_percent=Fraction(2), least_special=2
    )
    rows = {r.code: r for r in plan_order(result, cuts, rules).rows}
    need = rows["F-2000"].need
    assert rows["F-2000"].spares == 7
    assert rows["F-2000"].breakage == -(-2 * need // 100)
    assert rows["F-CO"].spares == max(2, -(-3 * rows["F-CO"].need // 100))
    assert rows["F-BI"].order == rows["F-BI"].spares == 0  # not used: nothing is ordered


def test_no_price_gives_no_cost_and_says_so(fennel: Any) -> None:
    _, result, cuts = fennel
    order = plan_order(with_articles(result, price=None), cuts, OrderRules())
    assert (order.subtotal, order.tax, order.total) == (None, None, None)
    assert order.unpriced == ("F-2000",)
    assert [f.code for f in order.findings] == ["no-price"]
    assert "F-2000" in order.findings[0].text
    assert order.rows[1].amount is not None


@pytest.mark.parametrize(
    ("wanted", "article", "broken", "expected"),
    [
        (0, {"pack": 10}, False, (0, 0)),
        (20, {"pack": 10}, False, (2, 0)),
        (21, {"pack": 10}, False, (3, 0)),
        (21, {"pack": 10, "price": 100, "single_price": 130}, True, (2, 1)),
        (21, {"pack": 10, "price": 100, "single_price": 130}, False, (3, 0)),
        (28, {"pack": 10, "price": 100, "single_price": 130}, True, (3, 0)),  # 8 x 130 > 10 x 100
        (21, {"pack": 10, "price": 100}, True, (3, 0)),  # no single price: packs are not broken
        (3, {"pack": 10, "least_order": 25}, False, (3, 0)),
        (3, {"pack": 1}, False, (3, 0)),
    ],
)
def test_packs(wanted: int, article: dict[str, Any], broken: bool, expected: tuple[int, int]) -> None:
    assert pack_up(wanted, Article("X", "X", **article), broken_packs=broken) == expected


def test_broken_pack_in_the_order(fennel: Any) -> None:
    _, result, cuts = fennel
    row = plan_order(with_articles(result, single_price=2500), cuts, OrderRules(broken_packs=True)).rows[0]
    assert (row.packs, row.singles) == divmod(row.need, 10)
    assert row.amount == row.packs * 24000 + row.singles * 2500
    assert row.left_over == 0


@given(st.integers(0, 10_000), st.lists(st.integers(0, 50), min_size=1, max_size=9))
@settings(deadline=None, derandomize=True, max_examples=300)
def test_shares(total: int, weights: list[int]) -> None:
    """Parts add up, and each is its share rounded down or up: the quota rule."""
    if not sum(weights):
        weights = [1, *weights]
    parts = share_out(total, weights)
    assert sum(parts) == total
    for part, weight in zip(parts, weights, strict=True):
        assert abs(part - Fraction(total * weight, sum(weights))) < 1


def test_shares_by_hand() -> None:
    """Largest remainder: 100 over 47, 16, 15.8, 12, 6.1 and 3.1 thousand votes with ten seats.

    The example of the method in public texts: 5, 2, 1, 1, 1, 0 seats; remainders .7, .6, .58, .2, .61, .31.
    """
    assert share_out(10, [47000, 16000, 15800, 12000, 6100, 3100]) == [5, 2, 1, 1, 1, 0]


def run_beds(result: Any) -> Any:
    """(r,) bed of each run; every run of the sample has a piece."""
    return result.pieces.bed[np.searchsorted(result.pieces.run, np.arange(len(result.run_line)))]


def coloured(result: Any) -> Any:
    return replace(result, lines=(replace(result.line, colours=("grey", "sand")),))


@pytest.mark.parametrize("packs_per", ["site", "phase"])
def test_phases_and_colours_add_up(fennel: Any, packs_per: Any) -> None:
    """Pieces wanted by phase and colour are those of the site; deliveries are all that is ordered."""
    site, result, cuts = fennel
    phase = np.array([("north", "south", "west")[k % 3] for k in range(len(site.beds))], dtype=object)
    plain = plan_order(result, cuts, OrderRules(spare_percent=Fraction(3), least_special=1))
    rules = OrderRules(
        spare_percent=Fraction(3), least_special=1, packs_per=packs_per, colours=(("grey", 60), ("sand", 40))
    )
    order = plan_order(
        coloured(result), cuts, rules, run_phase=phase[run_beds(result)], phases=["south", "north"]
    )
    for one, other in zip(plain.rows, order.rows, strict=True):
        assert (one.need, one.spares, one.breakage) == (other.need, other.spares, other.breakage)
        own = [x for x in order.lines if x.code == one.code]
        assert sum(x.wanted for x in own) == one.need + one.spares
        grey = sum(x.wanted for x in own if x.colour == "grey")
        assert grey == share_out(one.need + one.spares, [60, 40])[0]
        assert all(x.order % one.pack == 0 and x.order >= x.wanted for x in own)
    sent: dict[str, int] = {}
    for delivery in order.deliveries:
        for code, _, n in delivery.rows:
            sent[code] = sent.get(code, 0) + n
    assert sent == {r.code: r.order for r in order.rows if r.order}
    assert [d.phase for d in order.deliveries] == ["south", "north", "west"]
    assert sum(d.weight_g or 0 for d in order.deliveries) == order.weight_g


def test_whole_pieces_of_each_phase(fennel: Any) -> None:
    """Without spares and packs a phase gets its own whole pieces and the sections it cuts first."""
    site, result, cuts = fennel
    rank = np.arange(len(site.beds)) % 2
    phase = np.array(["a", "b"], dtype=object)[rank]
    order = plan_order(with_articles(result, pack=1), cuts, OrderRules(), run_phase=phase[run_beds(result)])
    pieces = result.pieces
    whole = (pieces.code == "F-2000") & (pieces.kind != PieceKind.CUT)
    plan, rows = cuts.parts[0].plan, cuts.parts[0].rows
    first = {s: min(rank[pieces.bed[rows[plan.stock == s]]]) for s in range(plan.count)}
    for k, delivery in enumerate(order.deliveries):
        got = {code: n for code, _, n in delivery.rows}
        own = int((whole & (rank[pieces.bed] == k)).sum())
        assert got["F-2000"] == own + sum(1 for v in first.values() if v == k)


def test_pallets(fennel: Any) -> None:
    _, result, cuts = fennel
    line = result.line
    parts = {
        name: tuple(replace(p, article=replace(p.article, pallet=6)) for p in getattr(line, name))
        for name in ("sections", "corners", "ends")
    }
    order = plan_order(replace(result, lines=(replace(line, **parts),)), cuts, OrderRules())
    expected = sum(-(-r.packs // 6) for r in order.rows if r.order)
    assert order.deliveries[0].pallets == expected
    assert plan_order(result, cuts, OrderRules()).deliveries[0].pallets is None


def test_returns(fennel: Any) -> None:
    """Left-over whole packs go back at their value less the seller's part."""
    _, result, cuts = fennel
    rules = OrderRules(spare_percent=Fraction(5), returns=True, restocking_percent=Fraction(15))
    row = plan_order(result, cuts, rules).rows[0]
    assert row.return_packs == row.left_over // 10
    assert row.return_packs > 0
    assert row.return_value == row.return_packs * 24000 * 85 // 100
    assert row.left_over_value == row.left_over * 2400


def test_faults_by_name(fennel: Any) -> None:
    _, result, cuts = fennel
    rules = OrderRules(colours=(("mauve", 1),), spare_count={"F-9": 1})
    with pytest.raises(DataError) as caught:
        plan_order(result, cuts, rules)
    assert [f.code for f in caught.value.faults] == ["unknown-colour", "unknown-code"]
    assert "mauve" in str(caught.value)
    assert "F-9" in str(caught.value)


def test_money() -> None:
    assert [half_up(Fraction(n, 2)) for n in (0, 1, 2, 3)] == [0, 1, 1, 2]
    assert money_text(123456, 2) == "1234.56"
    assert money_text(-5, 2) == "-0.05"
    assert money_text(7, 0) == "7"
    assert money_text(None, 2) == ""
