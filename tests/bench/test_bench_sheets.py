"""Time and size of the plan sheets.

Run by hand::

    pytest tests/bench/test_bench_sheets.py -s

Aims: the larger sample site under 20 s and 5 MB, pictures included; 5,000 pieces in a second or two.
"""

from __future__ import annotations

import resource
import time
from pathlib import Path

import numpy as np
import pytest

from siteplan.sheets.options import sheet_options
from siteplan.sheets.write import PDF_NAME, write_sheets
from tests.make_sheets import Plan, plan_of, sample

LIMIT_S = 20.0
LIMIT_MB = 5.0


def timed(plan: Plan, folder: Path, **options: object) -> tuple[float, float, str]:
    """Processor seconds of this process, megabytes of the sheets, and a line about them."""
    begun, clock = time.process_time(), time.perf_counter()
    report = write_sheets(
        plan.site,
        plan.measures,
        plan.plan,
        plan.result,
        folder,
        sheet_options(**options),  # type: ignore[arg-type]
    )
    spent, passed = time.process_time() - begun, time.perf_counter() - clock
    size = (folder / PDF_NAME).stat().st_size / 1e6
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    return (
        spent,
        size,
        (
            f"{report.pieces} pieces, {report.sheets} sheets at {report.scale}: {spent:.2f} s processor, "
            f"{passed:.2f} s passed, {size:.2f} MB, {report.numbered} numbered, peak {peak:.2f} GB"
        ),
    )


@pytest.mark.parametrize("paper", ["letter", "tabloid", "a4"])
def test_sample_site(sample_data: Path, tmp_path: Path, paper: str) -> None:
    plan = sample(sample_data / "fennel_row")
    spent, size, said = timed(plan, tmp_path, paper=paper)
    print(f"\n{paper}, with pictures: {said}")
    assert spent < LIMIT_S
    assert size < LIMIT_MB


@pytest.mark.parametrize(("paper", "scale"), [("36inx48in", "1:250"), ("a1", "1:200"), ("tabloid", "1:250")])
def test_five_thousand_pieces(tmp_path: Path, paper: str, scale: str) -> None:
    """250 beds of about 20 pieces on a lattice of 170 x 130 m."""
    angle = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    rings = {}
    for k in range(250):
        radius = 5.4 * (1 + 0.12 * np.sin(3 * angle + k))
        at = (k % 18) * 14.0, (k // 18) * 14.0
        rings[f"B{k}"] = np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]) + np.array(at)
    plan = plan_of(tmp_path, rings)
    spent, size, said = timed(plan, tmp_path / "out", paper=paper, scale=scale, pictures=False)
    print(f"\n{paper}: {said}")
    assert len(plan.result.pieces) > 4_000
    assert spent < 5.0
    assert size < LIMIT_MB
