"""GeoJSON positions as they are written."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

from siteplan.layers import Layer
from siteplan.model import RingKind
from siteplan.publish.vectors import write_geojson


def test_geojson_keeps_nine_decimals_beside_round_degrees(tmp_path: Path) -> None:
    """GDAL wrote 10.000000096 as 10.0, a centimetre off, when it was asked for nine decimals."""
    lonlat = np.array([[10.000000096, 50.000000004], [-93.500000041, 41.599999991], [7.123456789, -8.7e-8]])
    rows = np.arange(3)
    kind = np.full(3, RingKind.LINE)
    layer = Layer("points", "Point", {"n": rows}, lonlat, np.arange(4), kind, rows)
    write_geojson(tmp_path / "points.geojson", layer, lonlat)
    features = json.loads((tmp_path / "points.geojson").read_text())["features"]
    assert [f["geometry"]["coordinates"] for f in features] == lonlat.tolist()
