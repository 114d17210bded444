"""How long fitting arcs takes: ``pytest tests/bench/test_bench_refit.py -s``."""

from __future__ import annotations

import time

import numpy as np
import pytest

from siteplan.outline.corners import find_corners
from siteplan.outline.fitted import fit_outline
from siteplan.outline.refit import refit_outline
from siteplan.outline.rules import OutlineRules
from siteplan.outline.tracing_bias import expected_bias
from tests.test_refit import KIDNEY, ring, traced


@pytest.mark.parametrize("sigma_m", [0.0, 0.005, 0.02])
def test_a_thousand_beds_of_four_arcs(sigma_m: float) -> None:
    """1,000 rings of 48 vertices, every one four tangent arcs: seconds of one processor."""
    rules = OutlineRules()
    xy = np.concatenate(traced(ring(KIDNEY, 48, 0.2), 1000, sigma_m, seed=1))
    offsets, closed = np.arange(1001) * 48, np.ones(1000, dtype=bool)
    corners = find_corners(xy, offsets, closed, rules)
    fitted = fit_outline(xy, offsets, closed, corners, rules.straight_within_m)
    sigma = np.full(1000, sigma_m)
    begin = time.process_time()
    made = refit_outline(fitted, sigma)
    fit_s = time.process_time() - begin
    begin = time.process_time()
    expected_bias(fitted.xy, fitted.offsets, closed, sigma)
    bias_s = time.process_time() - begin
    print(f"sigma {sigma_m:g} m: {len(made.ring)} stretches in {fit_s:.2f} s, expectation {bias_s:.2f} s")
    assert fit_s < 4.0
    assert bias_s < 1.0
