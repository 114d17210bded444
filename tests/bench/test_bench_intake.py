"""How much reading costs above the bare read: run by hand with ``pytest tests/bench -s``."""

from __future__ import annotations

import itertools
import math
import time
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio.raw
import pytest
import shapely

from siteplan.intake import Source, read_features

VERTICES = 48


def beds(count: int) -> gpd.GeoDataFrame:
    """Beds of 48 vertices on a raster of 30 m, traced with noise, in UTM zone 19 north."""
    side = math.ceil(math.sqrt(count))
    centres = np.array(list(itertools.islice(itertools.product(range(side), repeat=2), count))) * 30.0
    turn = np.linspace(0, 2 * np.pi, VERTICES, endpoint=False)
    radius = np.random.default_rng(48).uniform(4, 8, (count, VERTICES))
    xy = centres[:, None] + np.stack([radius * np.cos(turn), radius * np.sin(turn)], -1)
    ids = [f"B{k}" for k in range(count)]
    return gpd.GeoDataFrame(
        {"bed": ids}, geometry=shapely.polygons(xy + np.array([330_000.0, 4_690_000.0])), crs="EPSG:32619"
    )


def best_s(call: Callable[[], object], times: int = 3) -> float:
    """Least processor time of some calls, all threads together: other work on the machine counts little."""
    found = []
    for _ in range(times):
        start = time.process_time()
        call()
        found.append(time.process_time() - start)
    return min(found)


@pytest.mark.parametrize("count", [1_000, 20_000])
@pytest.mark.parametrize("suffix", ["geojson", "gpkg", "shp"])
def test_reading_against_the_bare_read(tmp_path: Path, suffix: str, count: int) -> None:
    path = tmp_path / f"beds.{suffix}"
    beds(count).to_file(path)
    bare = best_s(lambda: pyogrio.raw.read(path))
    floor = best_s(lambda: shapely.is_valid(shapely.from_wkb(pyogrio.raw.read(path)[2])))
    ours = best_s(lambda: read_features([Source(path)], "beds"))
    print(
        f"\n{count} beds of {VERTICES} vertices, {suffix}: bare read {bare * 1e3:.1f} ms, with validity "
        f"{floor * 1e3:.1f} ms, intake {ours * 1e3:.1f} ms ({ours / bare:.2f} and {ours / floor:.2f} times)"
    )
    # The same for every bed and format: 60 us is about four times what one takes on a desk machine.
    assert ours - bare < 0.02 + count * 60e-6
