"""The whole plan against the floor below it, measured in one process.

Run by hand::

    pytest tests/bench/test_bench_plan.py -s

The floor is what no planner can avoid: read the file, project it, one vectorised geodesic
inverse, build the piece polygons, write them in every format the run writes.
"""

from __future__ import annotations

import resource
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
import pyogrio
import pyproj
import pytest
import shapely

from siteplan.plans import RunPlan, plan_runs
from siteplan.publish.write import Formats, write_plan
from siteplan.sites import Site, load_site, measure, site_settings
from siteplan.takeoffs import takeoff

LINE = """
key = "bench"
name = "Flexible 600 mm with closers, for the benchmark (invented)"
note = "Invented."
behaviour = "flexible"
depth = "60 mm"
height = "100 mm"
end_clearance = "5 mm"
[joint]
least_gap = "0 mm"
nominal_gap = "2 mm"
greatest_gap = "5 mm"
[curve]
least_outward_radius = "500 mm"
least_inward_radius = "500 mm"
[cutting]
least_cut = "100 mm"
kerf = "3 mm"
usable_ends = "any"
[[section]]
code = "S"
name = "Section 600 mm"
laying = "600 mm"
[[closer]]
code = "C"
name = "Closer 200 mm"
laying = "200 mm"
"""


def many_beds(count: int, vertices: int = 48) -> np.ndarray:
    """Smooth lobed beds on a square lattice, about 27 m round, lon/lat."""
    rng = np.random.default_rng(20261125)
    side = int(np.ceil(np.sqrt(count)))
    angle = np.linspace(0, 2 * np.pi, vertices, endpoint=False)
    lobes = rng.integers(2, 4, count)[:, None]
    radius = 4.2 * (1 + 0.18 * np.sin(lobes * angle + rng.uniform(0, 6, count)[:, None]))
    radius *= rng.uniform(0.9, 1.1, count)[:, None]
    k = np.arange(count)
    x = (k % side)[:, None] * 12.0 + radius * np.cos(angle)
    y = (k // side)[:, None] * 12.0 + radius * np.sin(angle)
    lon = -93.6 + x / 83_000
    lat = 41.6 + y / 111_000
    return np.stack([lon, lat], axis=-1)


def write_beds(path: Path, count: int) -> None:
    rings = many_beds(count)
    closed = np.concatenate([rings, rings[:, :1]], axis=1)
    polygons = shapely.polygons(closed)
    ids = np.array([f"B{k}" for k in range(count)], dtype=object)
    pyogrio.raw.write(
        str(path), shapely.to_wkb(polygons), [ids], ["bed"], layer="beds",
        driver="GPKG", geometry_type="Polygon", crs="EPSG:4326",
    )  # fmt: skip


def timed(work: Callable[[], object]) -> tuple[float, object]:
    start = time.perf_counter()
    made = work()
    return time.perf_counter() - start, made


def whole_plan(source: Path, folder: Path, formats: Formats | None) -> tuple[Site, RunPlan]:
    line = source.with_name("bench.toml")
    line.write_text(LINE)
    site = load_site(site_settings(source, str(line)))
    measures = measure(site)
    plan = plan_runs(site)
    result = takeoff(site, plan)
    write_plan(site, measures, plan, result, folder, formats=formats)
    return site, plan


def floor(source: Path, folder: Path, pieces_from: Path, every_format: bool) -> None:
    meta, _fid, wkb, _fields = pyogrio.raw.read(str(source))
    coords, _index = shapely.get_coordinates(shapely.from_wkb(wkb), return_index=True)
    forth = pyproj.Transformer.from_crs(meta["crs"], "EPSG:32615", always_xy=True)
    forth.transform(coords[:, 0], coords[:, 1])
    pyproj.Geod(ellps="WGS84").inv(coords[:-1, 0], coords[:-1, 1], coords[1:, 0], coords[1:, 1])
    for layer, geometry in (("pieces", "Polygon"), ("piece_points", "Point")):
        info, _fid, data, fields = pyogrio.raw.read(str(pieces_from), layer=layer)
        names = list(info["fields"])
        shapes = shapely.from_wkb(data)
        xy, index = shapely.get_coordinates(shapes, return_index=True)
        if geometry == "Polygon":
            shapes = shapely.polygons(shapely.linearrings(xy, indices=index))
        pyogrio.raw.write(
            str(folder / "floor.gpkg"), shapely.to_wkb(shapes), fields, names, layer=layer,
            driver="GPKG", geometry_type=geometry, crs="EPSG:32615", append=layer != "pieces",
        )  # fmt: skip
        if every_format and geometry == "Polygon":
            back = pyproj.Transformer.from_crs(info["crs"], "EPSG:4326", always_xy=True)
            lon, lat = back.transform(xy[:, 0], xy[:, 1])
            lonlat = shapely.polygons(shapely.linearrings(np.column_stack([lon, lat]), indices=index))
            pyogrio.raw.write(
                str(folder / "floor.geojson"), shapely.to_wkb(lonlat), fields, names, layer=layer,
                driver="GeoJSON", geometry_type=geometry, crs="EPSG:4326",
                RFC7946="YES", COORDINATE_PRECISION=9,
            )  # fmt: skip


@pytest.mark.parametrize("count", [1_000, 20_000])
def test_whole_plan_against_its_floor(count: int, tmp_path: Path) -> None:
    source = tmp_path / "beds.gpkg"
    write_beds(source, count)
    every = count <= 5_000
    out = tmp_path / "out"
    best_plan, best_floor = np.inf, np.inf
    for repeat in range(3 if every else 1):
        seconds, _ = timed(lambda: whole_plan(source, out, None))
        best_plan = min(best_plan, seconds)
        under = tmp_path / f"floor{repeat}"
        under.mkdir()
        seconds, _ = timed(partial(floor, source, under, out / "plan.gpkg", every))
        best_floor = min(best_floor, seconds)
    pieces = pyogrio.read_info(str(out / "plan.gpkg"), layer="pieces")["features"]
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(
        f"\n{count} beds, {pieces} pieces: plan {best_plan:.2f} s, floor {best_floor:.2f} s, "
        f"ratio {best_plan / best_floor:.2f}, peak {peak:.2f} GB"
    )
    assert pieces > 10 * count
