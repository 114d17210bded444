"""Adjusting a large site, by hand: pytest tests/bench/test_bench_adjust.py -s

Times are of the processor, so that other work on the machine does not count.  The yardstick is the plan
itself, and one solution of the same equations by a library routine.
"""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest
from scipy.sparse.linalg import lsqr

from siteplan.adjust.network import solve
from siteplan.adjust.outcome import reliability
from siteplan.adjust.site import adjust_site
from siteplan.plans import plan_runs
from siteplan.reconcile.rows import Row
from siteplan.reconcile.tapes import read_tapes
from siteplan.sites import load_site
from siteplan.tape_settings import TapeRow
from tests.make_sites import polygon, write_features


@pytest.mark.parametrize("offset", ["0 mm", "60 mm"])
def test_a_thousand_beds_and_three_thousand_tapes(tmp_path: Path, offset: str) -> None:
    """1,000 beds of 20 vertices; three legs of each taped with four tapes."""
    rng = np.random.default_rng(0)
    turn = np.radians(np.arange(20) * 18)
    # ten corners of 90 degrees and more: a star with ten rays has twenty legs
    radius = np.where(np.arange(20) % 2, 2.4, 5.0)[:, None]
    star = radius * np.column_stack([np.cos(turn), np.sin(turn)])
    beds = {
        f"B{k}": polygon(star + [16 * (k % 40), 16 * (k // 40)] + rng.normal(0, 0.02, star.shape))
        for k in range(1_000)
    }
    write_features(tmp_path / "beds.geojson", beds)
    (tmp_path / "site.toml").write_text(
        'name = "bench"\nline = "flex-2m"\n[[inputs.beds]]\nfile = "beds.geojson"\n'
        f'[outline]\noffset = "{offset}"\n[reconcile]\nvertex_sigma = "20 mm"\n',
        encoding="utf-8",
    )
    site = load_site(tmp_path)
    start = time.process_time()
    plan = plan_runs(site)
    planning = time.process_time() - start
    runs = plan.runs
    first = runs.leg_offsets[:-1]
    legs = np.concatenate([first, first + 3, first + 7])[:3_000]
    rows = []
    for k, leg in enumerate(legs.tolist()):
        text = TapeRow.model_validate({
            "id": f"t{k}", "of": str(runs.leg_id[leg]), "kind": "steel", "tape": "ABCD"[k % 4],
            "reading": f"{runs.length_m[leg] + rng.normal(0, 0.02):.3f} m",
        })  # fmt: skip
        rows.append(Row(text, "bench.csv", k, None, None))
    tapes = read_tapes(site, plan, rows)
    start = time.process_time()
    made = adjust_site(site, plan, tapes)
    whole = time.process_time() - start
    start = time.process_time()
    solved = solve(made.solution.network, made.solution.shifts)
    solving = time.process_time() - start
    start = time.process_time()
    reliability(made)
    checking = time.process_time() - start
    net = solved.network
    start = time.process_time()
    scaled = made.solution.jacobian.multiply(1 / net.sigma[:, None]).tocsr()
    lsqr(scaled, solved.residual / net.sigma, damp=1.0, atol=1e-12, btol=1e-12)
    other = time.process_time() - start
    print(
        f"\noffset {offset}: {len(net.prior):,} unknowns, {len(net.value):,} readings; "
        f"plan {planning:.2f} s; "
        f"adjusted in {whole:.2f} s ({whole / planning:.1f} plans), of it the equations {solving:.2f} s "
        f"({solved.steps} steps; one lsqr {other:.2f} s), reliability {checking:.2f} s; settled "
        f"{made.settled_m:.1e} m, {len(made.freed)} left free"
    )
    assert made.settled_m < 5e-5
    assert whole < 60 * planning
