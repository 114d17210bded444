"""Small sites written to disk for tests of the whole way: outlines in, plan out."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from siteplan.geodesy import direct

ORIGIN = (-93.6, 41.6)
"""longitude and latitude of the tests' invented places"""

Outline = Sequence[tuple[float, float]]


def lonlat_of(xy: Any, origin: tuple[float, float] = ORIGIN) -> np.ndarray:
    """Metres east and north of a place to longitude and latitude, along geodesics."""
    xy = np.asarray(xy, dtype=float).reshape(-1, 2)
    start = np.tile(origin, (len(xy), 1))
    azimuth = np.degrees(np.arctan2(xy[:, 0], xy[:, 1]))
    made: np.ndarray = direct(start, azimuth, np.hypot(xy[:, 0], xy[:, 1]))
    return made


def polygon(*rings: Any, origin: tuple[float, float] = ORIGIN) -> dict[str, Any]:
    """GeoJSON polygon from rings in metres."""
    closed = [lonlat_of(r, origin).tolist() for r in rings]
    return {"type": "Polygon", "coordinates": [[*r, r[0]] for r in closed]}


def line(points: Any, origin: tuple[float, float] = ORIGIN) -> dict[str, Any]:
    """GeoJSON line from points in metres."""
    return {"type": "LineString", "coordinates": lonlat_of(points, origin).tolist()}


def write_features(
    path: Path, features: Mapping[str, dict[str, Any]] | Sequence[Any], **properties: Any
) -> Path:
    """A GeoJSON file of features, id to geometry (or pairs of properties and geometry)."""
    pairs = (
        [({"bed": key, **properties}, geometry) for key, geometry in features.items()]
        if isinstance(features, Mapping)
        else features
    )
    collection = {
        "type": "FeatureCollection",
        "features": [{"type": "Feature", "properties": p, "geometry": g} for p, g in pairs],
    }
    path.write_text(json.dumps(collection), encoding="utf-8")
    return path


def rectangle(
    width: float, height: float, *, at: tuple[float, float] = (0, 0), turn_deg: float = 0
) -> np.ndarray:
    """Corners of a rectangle, counter-clockwise, in metres."""
    turn = np.radians(turn_deg)
    ring = np.array([(0, 0), (width, 0), (width, height), (0, height)], dtype=float)
    spin = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    placed: np.ndarray = ring @ spin + np.asarray(at)
    return placed


def kidney(vertices: int = 60, *, size: float = 4.0, at: tuple[float, float] = (0, 0)) -> np.ndarray:
    """A smooth bed with one hollow side."""
    angle = np.linspace(0, 2 * np.pi, vertices, endpoint=False)
    radius = size * (1 + 0.22 * np.cos(angle) + 0.12 * np.cos(2 * angle))
    ring: np.ndarray = np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]) + np.asarray(at)
    return ring
