"""The fit against every fill there is, in small worlds of whole numbers.

The enumeration below shares nothing with the program: it walks over all counts, all cut lengths and
all sums of gaps one by one, and judges each fill by the words of the design page.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from random import Random
from typing import Any

import numpy as np
import pytest

from siteplan.laying.fit import FitReason, LegFits, fit_legs
from siteplan.products import Article, Prefer, ProductLine, Straight

MODES: tuple[Prefer, ...] = ("pieces", "fit", "cost")


def make_line(
    sections: Sequence[tuple[int, int | None]],
    closers: Sequence[tuple[int, int | None]] = (),
    *,
    gaps: tuple[int, int, int] = (0, 0, 0),
    cuttable: bool = False,
    least_cut: int = 1,
    kerf: int = 0,
    cut_cost: int = 0,
    laying_cost: int = 0,
    nominal: int | None = None,
) -> ProductLine:
    """Product line of (laying length, price) pairs, for tests of the fit."""

    def straight(code: str, laying: int, price: int | None) -> Straight:
        return Straight(Article(code, code, price=price), laying, laying, nominal or laying)

    return ProductLine(
        key="invented",
        name="invented",
        note="invented for a test",
        behaviour="flexible",
        depth_um=1,
        height_um=1,
        gap_least_um=gaps[0],
        gap_nominal_um=gaps[1],
        gap_greatest_um=gaps[2],
        deflection_deg=0.0,
        outward_radius_um=None,
        inward_radius_um=None,
        end_clearance_um=0,
        cuttable=cuttable,
        least_cut_um=least_cut,
        kerf_um=kerf,
        usable_ends="any",
        cut_cost=cut_cost,
        laying_cost=laying_cost,
        currency="XXX",
        currency_digits=2,
        sections=tuple(straight(f"S{i}", *s) for i, s in enumerate(sections)),
        closers=tuple(straight(f"C{i}", *c) for i, c in enumerate(closers)),
        corners=(),
        ends=(),
    )


@dataclass(frozen=True)
class Leg:
    rest: int
    units: int
    closed: bool
    short: int
    over: int


@dataclass(frozen=True)
class Fill:
    counts: tuple[int, ...]
    cuts: tuple[int, ...]
    source: int
    joints: int
    gap: int
    left: int
    cost: int
    pieces: int
    closers: int

    def deviation(self, nominal: int) -> int:
        """Spread the gaps as evenly as whole numbers allow and look at each of them."""
        if self.joints == 0:
            return 0
        each, extra = divmod(self.gap, self.joints)
        gaps = [each + 1] * extra + [each] * (self.joints - extra)
        return max(abs(g - nominal) for g in gaps)


def joints_of(leg: Leg, pieces: int) -> int:
    if leg.closed:
        return pieces
    if pieces == 0:
        return 1 if leg.units == 2 else 0
    return pieces + leg.units - 1


def all_counts(leg: Leg, line: ProductLine, limit: int) -> Iterator[tuple[int, ...]]:
    """Every count vector that could possibly not be over, allowed number of closers."""
    lengths = [s.laying_um for s in line.straights]
    least_gap = line.gap_least_um
    n_sections = len(line.sections)
    free_closers = leg.rest < min(lengths[:n_sections])
    # generous: at most this many of any piece can lie within the leg at the least gaps
    most = [max(0, (leg.rest + leg.over + abs(least_gap)) // (n + least_gap)) for n in lengths]
    for counts in itertools.product(*(range(m + 1) for m in most)):
        if free_closers or sum(counts[n_sections:]) <= limit:
            yield counts


def all_cuts(line: ProductLine, k: int) -> Iterator[tuple[int, tuple[int, ...]]]:
    if k == 0:
        yield -1, ()
        return
    if not line.cuttable:
        return
    for i, section in enumerate(line.sections):
        widths = range(line.least_cut_um, section.laying_um - line.kerf_um + 1)
        for cut in itertools.product(widths, repeat=k):
            if k == 1 or cut[0] - cut[1] in (0, 1):
                yield i, cut


def all_fills(leg: Leg, line: ProductLine, limit: int, k: int) -> Iterator[Fill]:
    """Every fill with k cut pieces that meets the leg within its tolerances."""
    short, over = (0, 0) if leg.closed else (leg.short, leg.over)
    n_sections = len(line.sections)
    for counts in all_counts(leg, line, limit):
        whole = sum(c * s.laying_um for c, s in zip(counts, line.straights, strict=True))
        for source, cut in all_cuts(line, k):
            pieces = sum(counts) + k
            if leg.closed and pieces == 0:
                continue
            joints = joints_of(leg, pieces)
            prices = sum(c * (s.article.price or 0) for c, s in zip(counts, line.straights, strict=True))
            if k:
                prices += k * (line.sections[source].article.price or 0)
            cost = prices + pieces * line.laying_cost + k * line.cut_cost
            for gap in range(joints * line.gap_least_um, joints * line.gap_greatest_um + 1):
                left = leg.rest - whole - sum(cut) - gap
                if -over <= left <= short:
                    closers = sum(counts[n_sections:])
                    yield Fill(counts, cut, source, joints, gap, left, cost, pieces, closers)


def judged(fill: Fill, line: ProductLine, mode: Prefer) -> tuple[Any, ...]:
    """The list of goals of the design page, then catalogue order, then what makes it unique."""
    nominal = line.gap_nominal_um
    deviation, miss, cuts = fill.deviation(nominal), abs(fill.left), len(fill.cuts)
    goals = {
        "pieces": (cuts, fill.pieces, fill.closers, fill.cost, deviation, miss),
        "fit": (cuts, miss, deviation, fill.pieces, fill.cost),
        "cost": (fill.cost, fill.pieces, deviation, miss, cuts),
    }[mode]
    order = tuple(-c for c in fill.counts)
    return (goals, order, fill.source, abs(fill.gap - fill.joints * nominal))


def best_fill(leg: Leg, line: ProductLine, limit: int, mode: Prefer) -> Fill | None:
    for ks in ((0, 1), (2,)) if mode == "cost" else ((0,), (1,), (2,)):
        found = [f for k in ks for f in all_fills(leg, line, limit, k)]
        if found:
            keys = sorted((judged(f, line, mode), f.left, f.gap) for f in found)
            least = min(found, key=lambda f: judged(f, line, mode))
            # the goals leave exactly one fill: nothing is left to chance
            assert len(keys) == 1 or keys[0][0] < keys[1][0]
            return least
    return None


def longest_fill(leg: Leg, line: ProductLine, limit: int, mode: Prefer) -> Fill | None:
    """Longest uncut fill that is not over, whatever it is short."""
    if leg.rest < 0:
        return None
    anything = Leg(leg.rest, leg.units, leg.closed, leg.rest + 1, 0)
    n_sections = len(line.sections)
    found = []
    for counts in all_counts(anything, line, limit):
        pieces = sum(counts)
        if leg.closed and pieces == 0:
            continue
        joints = joints_of(leg, pieces)
        whole = sum(c * s.laying_um for c, s in zip(counts, line.straights, strict=True))
        cost = sum(
            c * ((s.article.price or 0) + line.laying_cost)
            for c, s in zip(counts, line.straights, strict=True)
        )
        for gap in range(joints * line.gap_least_um, joints * line.gap_greatest_um + 1):
            left = leg.rest - whole - gap
            if left >= 0:
                found.append(Fill(counts, (), -1, joints, gap, left, cost, pieces, sum(counts[n_sections:])))
    return min(found, key=lambda f: (f.left, judged(f, line, mode)), default=None)


def random_line(rng: Random, *, priced: bool) -> ProductLine:
    """Invented line in a world of a few units, with many ties."""
    kinds = rng.choice([(1, 0), (1, 1), (1, 2), (1, 2), (2, 0), (2, 1)])
    sections = [rng.randint(3, 11) for _ in range(kinds[0])]
    closers = [rng.randint(2, 6) for _ in range(kinds[1])]
    least = rng.choice([0, 0, 0, 1, -1])
    nominal = least + rng.choice([0, 0, 1, 2])
    greatest = nominal + rng.choice([0, 0, 1, 2, 5])

    def price() -> int | None:
        return rng.randint(0, 6) if priced or rng.random() < 0.5 else None

    return make_line(
        [(s, price()) for s in sections],
        [(c, price()) for c in closers],
        gaps=(least, nominal, greatest),
        cuttable=rng.random() < 0.6,
        least_cut=rng.randint(2, 5),
        kerf=rng.choice([0, 0, 1]),
        cut_cost=rng.randint(0, 4),
        laying_cost=rng.randint(0, 2),
    )


def random_leg(rng: Random, most: int) -> Leg:
    return Leg(
        rest=rng.randint(-3, most),
        units=rng.choice([0, 1, 2]),
        closed=rng.random() < 0.2,
        short=rng.choice([0, 0, 1, 2, 7]),
        over=rng.choice([0, 0, 1, 2, 7]),
    )


def fit_of(legs: list[Leg], line: ProductLine, limit: int, mode: Prefer) -> LegFits:
    return fit_legs(
        np.array([g.rest for g in legs]),
        np.array([g.units for g in legs]),
        np.array([g.closed for g in legs]),
        np.array([g.short for g in legs]),
        np.array([g.over for g in legs]),
        line,
        prefer=mode,
        closer_limit=limit,
    )


def check(fits: LegFits, i: int, leg: Leg, line: ProductLine, limit: int, mode: Prefer) -> str:
    """Compare one leg with the enumeration; says how the leg ended."""
    expected, reason = best_fill(leg, line, limit, mode), FitReason.MET
    if expected is None:
        expected, reason = longest_fill(leg, line, limit, mode), FitReason.NOTHING_FITS
    if expected is None:
        reason = FitReason.NO_ROOM
        none = (0,) * len(line.straights)
        joints = joints_of(leg, 0)
        expected = Fill(none, (), -1, joints, 0, leg.rest, 0, 0, 0)
    k = len(expected.cuts)
    got = {
        "reason": FitReason(int(fits.reason[i])),
        "unmet": bool(fits.unmet[i]),
        "counts": tuple(fits.counts[i].tolist()),
        "cuts": tuple(fits.cut_um[i].tolist()),
        "source": tuple(fits.cut_from[i].tolist()),
        "joints": int(fits.joints[i]),
        "gap": int(fits.gap_total_um[i]),
        "left": int(fits.left_over_um[i]),
        "cost": int(fits.cost[i]),
    }
    want = {
        "reason": reason,
        "unmet": reason != FitReason.MET,
        "counts": expected.counts,
        "cuts": expected.cuts + (0,) * (2 - k),
        "source": (expected.source,) * k + (-1,) * (2 - k),
        "joints": expected.joints,
        "gap": expected.gap,
        "left": expected.left,
        "cost": expected.cost,
    }
    assert got == want, f"{mode} limit {limit} {leg}\n{line}"
    return f"{reason.name} {k} cuts" + (" closed" if leg.closed else "")


@pytest.mark.parametrize("mode", MODES)
def test_equal_to_every_fill(mode: Prefer) -> None:
    """4,000 random legs a mode over 400 random lines: the chosen fill is the same in every part."""
    count_ways(Random(f"every fill, {mode}"), mode, lines=400, most=26)


@pytest.mark.parametrize("mode", MODES)
def test_equal_to_every_fill_where_many_numbers_fit(mode: Prefer) -> None:
    """Short sections, wide gaps, coarse tolerances: many numbers of one piece meet the same leg."""
    rng = Random(f"many numbers, {mode}")
    for _ in range(400):
        least = rng.choice([-1, 0, 0, 1])
        nominal = least + rng.randint(0, 4)
        line = make_line(
            [(rng.randint(max(1, 1 - least), 6), rng.randint(0, 3))],
            [(rng.randint(2, 4), rng.randint(0, 3))] if rng.random() < 0.2 else [],
            gaps=(least, nominal, nominal + rng.choice([0, 0, 1, 4])),
        )
        legs = [
            Leg(rng.randint(0, 24), rng.choice([0, 1, 2]), False, rng.choice([0, 12]), rng.choice([0, 12]))
            for _ in range(5)
        ]
        fits = fit_of(legs, line, 2, mode)
        for i, leg in enumerate(legs):
            check(fits, i, leg, line, 2, mode)


@pytest.mark.slow
@pytest.mark.parametrize("mode", MODES)
def test_equal_to_every_fill_of_longer_legs(mode: Prefer) -> None:
    """The same with 30,000 legs a mode and more pieces to a leg."""
    count_ways(Random(f"longer legs, {mode}"), mode, lines=3000, most=42)


def count_ways(rng: Random, mode: Prefer, *, lines: int, most: int) -> None:
    """Compare ten random legs of each of ``lines`` random lines with the enumeration."""
    seen: dict[str, int] = {}
    for _ in range(lines):
        line = random_line(rng, priced=mode == "cost")
        limit = rng.choice([0, 1, 2, 3])
        legs = [random_leg(rng, most) for _ in range(10)]
        fits = fit_of(legs, line, limit, mode)
        for i, leg in enumerate(legs):
            how = check(fits, i, leg, line, limit, mode)
            seen[how] = seen.get(how, 0) + 1
    # the sample reaches every way a leg can end
    assert min(seen.get(f"MET {k} cuts", 0) for k in (0, 1)) > 50, seen
    assert seen.get("MET 2 cuts", 0) > 5, seen
    assert seen.get("MET 0 cuts closed", 0) > 20, seen
    assert seen.get("NOTHING_FITS 0 cuts", 0) > 50, seen
    assert seen.get("NO_ROOM 0 cuts", 0) > 20, seen
