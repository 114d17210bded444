"""How long heights and pictures take: ``pytest tests/bench/test_bench_heights.py -s``.

A very large property: 1,000 beds and strips, about 27 km of edging, on a model of 1 m cells;
and a picture of 20,000 pixels a side.
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from rasterio import Affine

from siteplan.frame import make_frame
from siteplan.heights import GroundHeights, HeightSource, model_heights, open_models
from siteplan.laying.takeoff import LayRules, lay
from siteplan.slope import leg_points, profile, samples, sloped, smooth, steps
from tests.make_features import bed
from tests.make_runs import LINE, make_runs, random_paths
from tests.make_sites import lonlat_of, rectangle
from tests.test_pictures import EAST, HUGE, NORTH, UTM


@pytest.fixture(scope="module")
def model(tmp_path_factory: pytest.TempPathFactory) -> tuple[Any, Any]:
    """A model of 2,100 x 1,000 cells of rolling ground, and the site's grid."""
    path = tmp_path_factory.mktemp("dem") / "dem.tif"
    row, column = np.mgrid[:1000, :2100]
    z = 300 + 6 * np.sin(column / 90) * np.cos(row / 70) + np.random.default_rng(1).normal(0, 0.05, row.shape)
    with rasterio.open(
        path, "w", driver="GTiff", width=2100, height=1000, count=1, dtype="float32", crs=UTM,
        transform=Affine(1, 0, np.floor(EAST) - 50, 0, -1, np.floor(NORTH) + 950), compress="deflate",
    ) as file:  # fmt: skip
        file.write(z.astype(np.float32), 1)
        file.units = ("metre",)
    frame, _ = make_frame(bed(lonlat_of(rectangle(100, 80)), "EPSG:4326"))
    return open_models([HeightSource(path)], frame)[0], frame


def timed(label: str, work: Any) -> Any:
    start = time.perf_counter()
    out = work()
    print(f"  {label:<34}{(time.perf_counter() - start) * 1e3:9.0f} ms")
    return out


def test_heights_of_a_very_large_property(model: tuple[Any, Any]) -> None:
    source, frame = model
    runs = make_runs(random_paths(1, 1000))
    ground = GroundHeights((source,), None, 3.0)
    print(f"\n{len(runs.run_id)} runs, {runs.length_m.sum() / 1000:.1f} km")
    given = timed("samples along the runs", lambda: samples(runs, ground.spacing_m))
    points = timed("points of the legs", lambda: leg_points(runs, ground.spacing_m))
    raw = timed(f"{len(given.xy):,} heights read", lambda: model_heights(source, frame, given.xy)[0])
    assert np.isfinite(raw).all()
    height = timed(f"{len(points.xy):,} heights smoothed", lambda: smooth(given, raw, points, 3.0))
    found = timed("slope lengths and grades", lambda: profile(runs, points, height))
    ids = [f"B{k}" for k in range(1000)]
    flat = timed("laid in plan", lambda: lay(runs, ids, LINE, LayRules()))
    timed("laid on the slope", lambda: lay(sloped(runs, found), ids, LINE, LayRules()))
    made = timed("steps", lambda: steps(runs, flat.pieces, found, 0.1))
    ratio = found.slope_m.sum() / runs.length_m.sum()
    print(f"  {len(flat.pieces):,} pieces, {len(made):,} steps, slope / plan {ratio:.5f}")


def test_a_huge_picture(tmp_path: Path) -> None:
    root = Path(__file__).resolve().parent.parent.parent
    start = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", HUGE, str(tmp_path / "huge.tif")],
        capture_output=True, text=True, check=True, cwd=root,
    )  # fmt: skip
    _, columns, rows, megabytes = done.stdout.split()
    took = time.perf_counter() - start
    print(f"\n20,000 x 20,000 x 3 to {columns} x {rows}: {took:.1f} s, {megabytes} MB more")
