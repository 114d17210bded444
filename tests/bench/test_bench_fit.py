"""How fast the fit is: 100,000 legs that all differ, each mode, each regime.

Run by hand: ``pytest tests/bench/test_bench_fit.py --benchmark-only``.  Target: about a second on
two cores for one section and up to four closers.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from siteplan.laying.fit import fit_legs
from siteplan.products import Prefer, ProductLine
from tests.test_fit_bruteforce import make_line

LEGS = 100_000
MM = 1000


def one_section(closers: int, *, cuttable: bool) -> ProductLine:
    """Section of 900 mm with closers of 600, 450, 300 and 150 mm, joints 2 to 10 mm."""
    return make_line(
        [(900 * MM, 1800)],
        [(600 * MM, 1400), (450 * MM, 1100), (300 * MM, 900), (150 * MM, 700)][:closers],
        gaps=(2 * MM, 6 * MM, 10 * MM),
        cuttable=cuttable,
        least_cut=200 * MM,
        kerf=4 * MM,
        cut_cost=300,
        laying_cost=100,
    )


def distinct_legs() -> tuple[Any, ...]:
    """Rests of 0.2 to 40 m, no two alike."""
    rng = np.random.default_rng(7)
    rest = rng.permutation(np.linspace(200 * MM, 40_000 * MM, LEGS).astype(np.int64))
    assert len(np.unique(rest)) == LEGS
    return rest, rng.integers(0, 3, LEGS), rng.random(LEGS) < 0.05, 5 * MM, 2 * MM


@pytest.mark.parametrize("prefer", ["pieces", "fit", "cost"])
@pytest.mark.parametrize("closers", [0, 1, 4])
@pytest.mark.parametrize("cuttable", [True, False])
def test_hundred_thousand_legs(benchmark: Any, prefer: Prefer, closers: int, cuttable: bool) -> None:
    line = one_section(closers, cuttable=cuttable)
    rest, units, closed, short, over = distinct_legs()
    fits = benchmark.pedantic(
        lambda: fit_legs(rest, units, closed, short, over, line, prefer=prefer), rounds=3
    )
    assert len(fits) == LEGS


def test_equal_legs_are_fitted_once(benchmark: Any) -> None:
    """A property of many like beds has few legs that differ."""
    rest, units, _, short, over = distinct_legs()
    line = one_section(4, cuttable=True)
    fits = benchmark.pedantic(
        lambda: fit_legs(rest[:500].repeat(200), units[:500].repeat(200), False, short, over, line), rounds=3
    )
    assert len(fits) == LEGS


def test_three_sections(benchmark: Any) -> None:
    """Sections of 3, 2 and 1 m and a closer: all but the longest are enumerated."""
    line = make_line(
        [(3000 * MM, 9), (2000 * MM, 7), (1000 * MM, 4)], [(250 * MM, 2)], gaps=(0, 2 * MM, 4 * MM)
    )
    rest, units, _, short, over = distinct_legs()
    fits = benchmark.pedantic(
        lambda: fit_legs(rest[:10_000], units[:10_000], False, short, over, line), rounds=1
    )
    assert len(fits) == 10_000
