"""Processor time and memory of placing pieces, by hand: ``pytest tests/bench -s``.

A very large property: 1,000 beds of 48 vertices, some 45,000 pieces; and twenty times that.
"""

from __future__ import annotations

import time
import tracemalloc

import numpy as np
import pytest

from siteplan.laying.band import build_band, stations
from siteplan.laying.placement import place
from siteplan.laying.takeoff import LayRules, lay
from siteplan.model import PieceKind, Runs
from tests.make_runs import LINE, Path, make_runs


def property_of(beds: int) -> Runs:
    """Lobed beds of 48 vertices and L-shaped ones with six corners, some 45 m round."""
    at = np.arange(48) * (2 * np.pi / 48)
    lobes = (1 + 0.15 * np.sin(3 * at))[:, None] * np.column_stack([np.cos(at), 0.8 * np.sin(at)])
    ell = np.array([(0, 0), (1, 0), (1, 0.8), (0.5, 0.8), (0.5, 0.4), (0, 0.4)])
    paths = []
    for k in range(beds):
        origin = np.array([20.0 * (k % 100), 20.0 * (k // 100)])
        size = 1 + 0.1 * np.sin(k)
        if k % 4:
            paths.append(Path(7.0 * size * lobes + origin, closed=True))
        else:
            paths.append(Path(12.0 * size * ell + origin, range(6), closed=True))
    return make_runs(paths)


@pytest.mark.parametrize("beds", [1_000, 20_000])
def test_placement_is_fast_linear_and_small(beds: int) -> None:
    runs = property_of(beds)
    started = time.process_time()
    result = lay(runs, ["bed"], LINE, LayRules())
    whole_s = time.process_time() - started
    corner = np.where(result.corner_laid, result.corners.unit, -1)

    def placed() -> int:
        band = build_band(runs, LINE.depth_um)
        return len(place(runs, stations(runs), band, result.legs, corner, result.corners.leaving_um, LINE))

    best_s = np.inf
    for _ in range(5):
        started = time.process_time()
        n = placed()
        best_s = min(best_s, time.process_time() - started)
    tracemalloc.start()
    placed()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    corners = np.count_nonzero(result.pieces.kind == PieceKind.CORNER)
    print(
        f"\n{beds} beds, {n} pieces, {corners} corners: placed in {best_s:.3f} s of processor "
        f"({best_s / n * 1e6:.2f} us each), peak {peak / 1e6:.0f} MB; the whole takeoff {whole_s:.3f} s"
    )
    # a wide margin over what a small machine takes, so that only a change of kind fails
    assert best_s / n < 10e-6
    assert peak / n < 1_000
