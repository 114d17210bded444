"""Small GeoJSON files for the tests of the intake, written without any geometry library."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

SQUARE = [[0.0, 0.0], [4.0, 0.0], [4.0, 4.0], [0.0, 4.0], [0.0, 0.0]]
GRID = "EPSG:32619"


def moved(ring: Sequence[Sequence[float]], dx: float, dy: float, scale: float = 1.0) -> list[list[float]]:
    return [[x * scale + dx, y * scale + dy, *rest] for x, y, *rest in ring]


def on_grid(ring: Sequence[Sequence[float]]) -> list[list[float]]:
    """A ring of small numbers, put where UTM zone 19 north is used."""
    return moved(ring, 330_000.0, 4_690_000.0)


def in_degrees(ring: Sequence[Sequence[float]]) -> list[list[float]]:
    """A ring of small numbers as longitude and latitude, about 11 m a unit."""
    return moved(ring, -71.0, 42.0, 1e-4)


def polygon(*rings: Sequence[Sequence[float]]) -> dict[str, Any]:
    return {"type": "Polygon", "coordinates": [list(r) for r in rings]}


def multipolygon(*parts: Sequence[Sequence[Sequence[float]]]) -> dict[str, Any]:
    return {"type": "MultiPolygon", "coordinates": [[list(r) for r in p] for p in parts]}


def line(*xy: Sequence[float]) -> dict[str, Any]:
    return {"type": "LineString", "coordinates": list(xy)}


def point(x: float, y: float) -> dict[str, Any]:
    return {"type": "Point", "coordinates": [x, y]}


def feature(geometry: dict[str, Any] | None, *, fid: object = None, **properties: object) -> dict[str, Any]:
    made: dict[str, Any] = {"type": "Feature", "properties": properties, "geometry": geometry}
    return made if fid is None else {**made, "id": fid}


def collection(*features: dict[str, Any], crs: str | None = None) -> dict[str, Any]:
    made: dict[str, Any] = {"type": "FeatureCollection"}
    if crs is not None:
        name = "urn:ogc:def:crs:" + crs.replace(":", "::", 1)
        made["crs"] = {"type": "name", "properties": {"name": name}}
    return {**made, "features": list(features)}


def written(path: Path, content: object) -> Path:
    path.write_text(json.dumps(content, ensure_ascii=False), encoding="utf-8")
    return path
