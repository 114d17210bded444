"""What orientation and play add to the takeoff of 1,000 beds with corners.

Run by hand::

    pytest tests/bench/test_bench_whole_run.py -s
"""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np

from siteplan.laying.takeoff import LayRules, Takeoff, lay
from siteplan.model import Runs
from siteplan.products import ProductLine
from tests.make_runs import Path, make_runs, steps
from tests.test_orientation import turning_line

BEDS = 1_000


def beds() -> Runs:
    """Beds in steps, 4 to 10 corners each, 40 m apart."""
    rng = np.random.default_rng(20261125)
    paths = []
    for k in range(BEDS):
        xy = steps(rng) * 1.5
        paths.append(Path(xy + [40.0 * (k % 40), 40.0 * (k // 40)], range(len(xy)), closed=True))
    return make_runs(paths)


def timed(runs: Runs, line: ProductLine, rules: LayRules) -> tuple[float, Takeoff]:
    best, result = np.inf, None
    for _ in range(1 if rules.play_um else 5):
        start = time.perf_counter()
        result = lay(runs, ["A"], line, rules)
        best = min(best, time.perf_counter() - start)
    assert result is not None
    return best, result


def test_orientation_and_play_of_a_thousand_beds() -> None:
    runs, line = beds(), turning_line()
    stiff = replace(line, corners=tuple(replace(u, reversible=False) for u in line.corners))
    rows = []
    for name, with_line, rules in (
        ("units as catalogued", stiff, LayRules()),
        ("units the way that is best", line, LayRules()),
        ("the same with play of 20 mm", line, LayRules(play_um=20_000)),
    ):
        seconds, result = timed(runs, with_line, rules)
        moved = 0 if result.play is None else int(np.count_nonzero(result.play.moved_m))
        rows.append((seconds, int(result.fits.unmet.sum()), result.by_kind["cut"], len(result.pieces)))
        print(
            f"\n{name}: {seconds:.2f} s; {len(runs.leg_id)} legs, {rows[-1][3]} pieces, {rows[-1][1]} unmet, "
            f"{rows[-1][2]} cuts, {int(result.corners.exchanged.sum())} turned round, {moved} legs moved"
        )
    assert rows[1][1:3] <= rows[0][1:3]
    assert rows[2][1:3] <= rows[1][1:3]
