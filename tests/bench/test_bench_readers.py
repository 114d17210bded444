"""How fast each reader is, in vertices (rows) a second: run by hand with ``pytest tests/bench -s``.

Each file holds 1,000 outlines of 48 vertices.  Processor time of all threads is taken, so that other
work on the machine counts little.  The floors are about a quarter of what a desk machine does.
"""

from __future__ import annotations

import itertools
import math
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import ezdxf.filemanagement
import geopandas as gpd
import numpy as np
import pytest
import shapely

from siteplan.fieldnotes.notes import write_notes
from siteplan.fieldnotes.strings import strings_of
from siteplan.geodesy import unproject
from siteplan.intake import Reading, Source, read_features
from tests.bench.test_bench_intake import best_s
from tests.test_gpx import gpx
from tests.test_kmz import kml

COUNT, VERTICES = 1_000, 48
GRID = "EPSG:32619"
E0, N0 = 330_000.0, 4_690_000.0


def outlines() -> np.ndarray:
    """(n, 48, 2) metres: beds on a raster of 30 m, traced with noise."""
    side = math.ceil(math.sqrt(COUNT))
    centres = np.array(list(itertools.islice(itertools.product(range(side), repeat=2), COUNT))) * 30.0
    turn = np.linspace(0, 2 * np.pi, VERTICES, endpoint=False)
    radius = np.random.default_rng(48).uniform(7.5, 8, (COUNT, VERTICES))
    made: np.ndarray = centres[:, None] + np.stack([radius * np.cos(turn), radius * np.sin(turn)], -1)
    return made


def lonlat() -> np.ndarray:
    xy = outlines() + (E0, N0)
    return unproject(GRID, xy.reshape(-1, 2)).reshape(xy.shape)


def vector(driver_suffix: str) -> Callable[[Path], Source]:
    def write(path: Path) -> Source:
        file = path / f"a.{driver_suffix}"
        ids = [f"B{k}" for k in range(COUNT)]
        gpd.GeoDataFrame({"bed": ids}, geometry=shapely.polygons(outlines() + (E0, N0)), crs=GRID).to_file(
            file
        )
        return Source(file)

    return write


def write_gpx(path: Path) -> Source:
    tracks = []
    for k, ring in enumerate(lonlat()):
        points = [
            (x, y, {"ele": 100.5, "time": f"2026-05-01T08:{n // 60:02d}:{n % 60:02d}Z", "hdop": 1.2})
            for n, (x, y) in enumerate(ring.tolist())
        ]
        tracks.append((f"B{k}", points))
    (path / "a.gpx").write_text(gpx(*tracks))
    return Source(path / "a.gpx", reading=Reading(closed="yes", simplify_m=0.0))


def write_kmz(path: Path) -> Source:
    shapes = {f"B{k}": ring for k, ring in enumerate(lonlat())}
    with zipfile.ZipFile(path / "a.kmz", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("doc.kml", kml(("beds", shapes)))
    return Source(path / "a.kmz")


def write_polylines(path: Path) -> Source:
    doc = ezdxf.filemanagement.new("R2010")
    doc.header["$INSUNITS"] = 6
    for ring in outlines() + (E0, N0):
        doc.modelspace().add_lwpolyline(ring.tolist(), close=True)
    doc.saveas(path / "a.dxf")
    return Source(path / "a.dxf", crs=GRID)


def write_lines(path: Path) -> Source:
    doc = ezdxf.filemanagement.new("R2010")
    doc.header["$INSUNITS"] = 6
    rings = outlines() + (E0, N0)
    ends = np.stack([rings, np.roll(rings, -1, axis=1)], axis=2).reshape(-1, 2, 2)
    for a, b in np.random.default_rng(1).permutation(ends).tolist():
        doc.modelspace().add_line(a, b)
    doc.saveas(path / "a.dxf")
    return Source(path / "a.dxf", crs=GRID)


def write_survey(path: Path) -> Source:
    rows = ["point,easting,northing,height,code,line,seq,close"]
    number = itertools.count(1)
    for k, ring in enumerate(outlines() + (E0, N0)):
        for seq, (x, y) in enumerate(ring.tolist(), 1):
            rows.append(
                f"{next(number)},{x!r},{y!r},100.5,EDGE,B{k},{seq},{'yes' if seq == VERTICES else ''}"
            )
    (path / "a.csv").write_text("\n".join(rows))
    return Source(path / "a.csv", crs=GRID)


def write_field_notes(path: Path) -> Source:
    rings = outlines()
    head = f"crs {GRID}\n"
    for name, (x, y) in {"P": (0, 0), "Q": (900, 0), "R": (0, 900)}.items():
        head += f"point {name}, east {x} m, north {y} m\n"
        head += f"anchor {name}, east {E0 + x * 0.99996} m, north {N0 + y * 0.99996} m\n"
    strings = strings_of(
        [f"B{k}" for k in range(COUNT)], [True] * COUNT, list(rings), [np.zeros(VERTICES)] * COUNT
    )
    (path / "a.txt").write_text(head + write_notes(strings))
    return Source(path / "a.txt")


READERS: dict[str, tuple[Callable[[Path], Any], int]] = {
    # vertices a second that must be reached
    "GeoPackage": (vector("gpkg"), 400_000),
    "shapefile": (vector("shp"), 400_000),
    "GeoJSON": (vector("geojson"), 100_000),
    "KMZ": (write_kmz, 25_000),
    "GPX": (write_gpx, 10_000),
    "DXF polylines": (write_polylines, 10_000),
    "DXF single lines": (write_lines, 2_000),
    "survey CSV": (write_survey, 10_000),
    "field notes": (write_field_notes, 1_500),
}


@pytest.mark.parametrize("name", list(READERS))
def test_vertices_a_second(tmp_path: Path, name: str) -> None:
    write, least = READERS[name]
    source = write(tmp_path)
    found, _ = read_features([source], "beds")
    assert len(found) == COUNT
    assert len(found.coords) == COUNT * VERTICES
    took = best_s(lambda: read_features([source], "beds"), times=2)
    rate = COUNT * VERTICES / took
    print(f"\n{name}: {took * 1e3:,.0f} ms for {COUNT * VERTICES:,} vertices, {rate:,.0f} a second")
    assert rate >= least
