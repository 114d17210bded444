"""The fit against a mixed-integer program, one goal after the other.

An independent second path for legs with more pieces than an enumeration can reach: each goal is
made least by HiGHS (through scipy.optimize.milp), then held while the next one is made least.  The
answers of the solver are rounded and checked again in whole numbers before they count.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from random import Random
from typing import Any

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp

from siteplan.laying.fit import LegFits
from siteplan.products import Prefer, ProductLine
from tests.test_fit_bruteforce import MODES, Leg, fit_of, joints_of, make_line


@dataclass
class Program:
    """All fills of one leg with at least one piece and exactly k cuts from one section.

    Columns: a count for each straight, sum of the cuts, sum of the gaps, short, over.
    """

    leg: Leg
    line: ProductLine
    limit: int
    k: int
    source: int
    rows: list[tuple[list[int], float, float]] = field(default_factory=list)

    def __post_init__(self) -> None:
        line, leg = self.line, self.leg
        lengths = [s.laying_um for s in line.straights]
        self.s = len(lengths)
        # joints = pieces + extra, so both gap limits are linear in the counts
        self.extra = self.k + (0 if leg.closed else leg.units - 1)
        self.rows += [
            ([*lengths, 1, 1, 1, -1], leg.rest, leg.rest),
            self.gap_row(line.gap_least_um, at_least=True),
            self.gap_row(line.gap_greatest_um, at_least=False),
            ([1] * self.s + [0] * 4, 1 - self.k, np.inf),
        ]
        if leg.rest >= min(lengths[: len(line.sections)]):
            self.rows.append((self.closers, 0, self.limit))
        greatest = line.sections[self.source].laying_um - line.kerf_um
        short, over = (0, 0) if leg.closed else (leg.short, leg.over)
        most = (leg.rest + over) // max(1, min(lengths) + line.gap_least_um) + 2
        self.lower = np.array([0] * self.s + [self.k * line.least_cut_um, -np.inf, 0, 0])
        self.upper = np.array([max(most, 0)] * self.s + [self.k * greatest, np.inf, short, over])

    @property
    def closers(self) -> list[int]:
        n = len(self.line.sections)
        return [0] * n + [1] * (self.s - n) + [0] * 4

    @property
    def pieces(self) -> list[int]:
        return [1] * self.s + [0] * 4

    @property
    def cost(self) -> list[int]:
        each = [(s.article.price or 0) + self.line.laying_cost for s in self.line.straights]
        return [*each, 0, 0, 0, 0]

    @property
    def miss(self) -> list[int]:
        return [0] * self.s + [0, 0, 1, 1]

    def gap_row(self, gap: int, *, at_least: bool) -> tuple[list[int], float, float]:
        """G >= gap x joints, or <=."""
        row = [-gap] * self.s + [0, 1, 0, 0]
        bound = gap * self.extra
        return (row, bound, np.inf) if at_least else (row, -np.inf, bound)

    def solve(self, goal: list[int], more: Any = ()) -> int | None:
        """Least value of a goal, from the rounded answer, checked in whole numbers."""
        rows = [*self.rows, *more]
        if np.any(self.lower > self.upper):
            return None
        answer = milp(
            goal,
            integrality=np.ones(self.s + 4, np.int64),
            bounds=Bounds(self.lower, self.upper),
            constraints=LinearConstraint(
                np.array([r[0] for r in rows]), [r[1] for r in rows], [r[2] for r in rows]
            ),
            options={"mip_rel_gap": 0},
        )
        if answer.status == 2:
            return None
        assert answer.status == 0, answer.message
        x = [round(v) for v in answer.x]
        assert all(low <= v <= high for low, v, high in zip(self.lower, x, self.upper, strict=True))
        for row, low, high in rows:
            assert low <= sum(int(a) * v for a, v in zip(row, x, strict=True)) <= high
        return sum(int(a) * v for a, v in zip(goal, x, strict=True))

    def hold(self, goal: list[int], value: int) -> None:
        self.rows.append((goal, value, value))

    def least(self, goal: list[int]) -> int | None:
        value = self.solve(goal)
        if value is not None:
            self.hold(goal, value)
        return value

    def least_deviation(self) -> int:
        """Least d with |G - nominal x joints| <= d x joints: by halving, each step a program."""
        nominal = self.line.gap_nominal_um

        def within(d: int) -> list[Any]:
            return [self.gap_row(nominal - d, at_least=True), self.gap_row(nominal + d, at_least=False)]

        low = 0
        high = max(nominal - self.line.gap_least_um, self.line.gap_greatest_um - nominal)
        while low < high:
            middle = (low + high) // 2
            if self.solve(self.pieces, within(middle)) is None:
                low = middle + 1
            else:
                high = middle
        self.rows += within(low)
        return low


def goals_of(program: Program, mode: Prefer) -> tuple[int, ...] | None:
    """The list of goals, least one after the other."""
    k, line = program.k, program.line
    cut = k * ((line.sections[program.source].article.price or 0) + line.laying_cost + line.cut_cost)

    def pieces() -> int | None:
        value = program.least(program.pieces)
        return None if value is None else value + k

    def cost() -> int | None:
        value = program.least(program.cost)
        return None if value is None else value + cut

    steps: dict[str, Any] = {
        "pieces": pieces,
        "cost": cost,
        "closers": lambda: program.least(program.closers),
        "miss": lambda: program.least(program.miss),
        "deviation": program.least_deviation,
    }
    order = {
        "pieces": ("pieces", "closers", "cost", "deviation", "miss"),
        "fit": ("miss", "deviation", "pieces", "cost"),
        "cost": ("cost", "pieces", "deviation", "miss"),
    }[mode]
    values = []
    for name in order:
        value = steps[name]()
        if value is None:
            return None
        values.append(value)
    return tuple(values)


def empty_goals(leg: Leg, line: ProductLine, mode: Prefer) -> tuple[int, ...] | None:
    """Goals of the fill without any piece: its only freedom is the one joint between two units."""
    if leg.closed:
        return None
    joints = joints_of(leg, 0)
    least, nominal, greatest = line.gap_least_um, line.gap_nominal_um, line.gap_greatest_um
    tries = []
    for gap in range(joints * least, joints * greatest + 1):
        left = leg.rest - gap
        if -leg.over <= left <= leg.short:
            deviation, miss = joints * abs(gap - nominal), abs(left)
            tries.append(
                {
                    "pieces": (0, 0, 0, deviation, miss),
                    "fit": (miss, deviation, 0, 0),
                    "cost": (0, 0, deviation, miss),
                }[mode]
            )
    return min(tries, default=None)


def best_goals(leg: Leg, line: ProductLine, limit: int, mode: Prefer) -> tuple[int, tuple[int, ...]] | None:
    """Cuts and goals of the best fill; None where the leg cannot be met."""
    for ks in ((0, 1), (2,)) if mode == "cost" else ((0,), (1,), (2,)):
        found = []
        for k in ks:
            sources = range(len(line.sections)) if k and line.cuttable else [0] * (k == 0)
            for source in sources:
                goals = goals_of(Program(leg, line, limit, k, source), mode)
                if goals is not None:
                    found.append((goals, k))
            empty = empty_goals(leg, line, mode) if k == 0 else None
            if empty is not None:
                found.append((empty, 0))
        if found:
            goals, k = min(found)
            return k, goals
    return None


def goals_reached(fits: LegFits, i: int, line: ProductLine, mode: Prefer) -> tuple[int, tuple[int, ...]]:
    joints, gap = int(fits.joints[i]), int(fits.gap_total_um[i])
    away = abs(gap - joints * line.gap_nominal_um)
    value = {
        "pieces": int(fits.pieces[i]),
        "closers": int(fits.counts[i, len(line.sections) :].sum()),
        "cost": int(fits.cost[i]),
        "deviation": -(-away // joints) if joints else 0,
        "miss": abs(int(fits.left_over_um[i])),
    }
    order = {
        "pieces": ("pieces", "closers", "cost", "deviation", "miss"),
        "fit": ("miss", "deviation", "pieces", "cost"),
        "cost": ("cost", "pieces", "deviation", "miss"),
    }[mode]
    return int(fits.cuts[i]), tuple(value[name] for name in order)


def random_line(rng: Random) -> ProductLine:
    """Invented line of a few hundred units, so that the solver's tolerance stays far below one unit."""
    sections = [rng.randint(300, 900) for _ in range(rng.choice([1, 1, 2]))]
    closers = [rng.randint(60, 250) for _ in range(rng.choice([0, 1, 2, 3]))]
    least = rng.choice([-5, 0, 2])
    nominal = least + rng.randint(0, 6)
    return make_line(
        [(s, rng.randint(100, 900)) for s in sections],
        [(c, rng.randint(50, 400)) for c in closers],
        gaps=(least, nominal, nominal + rng.randint(0, 6)),
        cuttable=rng.random() < 0.6,
        least_cut=rng.randint(60, 200),
        kerf=rng.choice([0, 4]),
        cut_cost=rng.randint(0, 200),
        laying_cost=rng.randint(0, 30),
    )


@pytest.mark.parametrize("mode", MODES)
def test_equal_to_the_program(mode: Prefer) -> None:
    """100 random legs a mode, up to some twenty pieces, over 50 random lines: same goals, met or not."""
    rng = Random(f"program, {mode}")
    met = 0
    for _ in range(50):
        line, limit = random_line(rng), rng.choice([1, 3])
        legs = [
            Leg(
                rest=rng.randint(50, 8000),
                units=rng.choice([0, 1, 2]),
                closed=rng.random() < 0.2,
                short=rng.choice([0, 3, 12]),
                over=rng.choice([0, 3, 12]),
            )
            for _ in range(2)
        ]
        fits = fit_of(legs, line, limit, mode)
        for i, leg in enumerate(legs):
            best = best_goals(leg, line, limit, mode)
            assert bool(fits.unmet[i]) == (best is None), f"{leg}\n{line}"
            if best is not None:
                met += 1
                assert goals_reached(fits, i, line, mode) == best, f"{leg}\n{line}"
    assert met > 40
