"""Outlines of known shape for the tests of the outline stage."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from siteplan.model import NodeKind, RingKind, Shapes
from siteplan.outline.breaks_table import Breaks

Points = NDArray[np.float64]


def shapes(
    rings: Sequence[ArrayLike], kinds: Sequence[RingKind] | None = None, features: Sequence[int] | None = None
) -> Shapes:
    """Beds B0, B1, ... from rings, each its own bed and an outer ring unless said otherwise."""
    points = [np.asarray(ring, dtype=np.float64) for ring in rings]
    feature = np.array(features if features is not None else range(len(points)), dtype=np.int64)
    return Shapes(
        ids=np.array([f"B{k}" for k in range(int(feature.max()) + 1)], dtype=object),
        xy=np.concatenate(points),
        ring_offsets=np.cumsum([0] + [len(p) for p in points]).astype(np.int64),
        ring_kind=np.array(kinds if kinds is not None else [RingKind.OUTER] * len(points), dtype=np.int8),
        ring_feature=feature,
    )


def rectangle(width: float, height: float) -> Points:
    """Counter-clockwise from the origin."""
    return np.array([[0, 0], [width, 0], [width, height], [0, height]], dtype=np.float64)


def polygon(count: int, radius: float, start: float = 0.0) -> Points:
    """Regular polygon in a circle: also a circle traced with so many vertices."""
    at = start + np.arange(count) * 2.0 * np.pi / count
    return radius * np.stack([np.cos(at), np.sin(at)], axis=1)


def rounded(width: float, height: float, radius: float, count: int) -> Points:
    """Rectangle with its corners rounded off, each traced with ``count`` vertices, ends included."""
    out = []
    for x, y, start in (
        (width - radius, radius, -90.0),
        (width - radius, height - radius, 0.0),
        (radius, height - radius, 90.0),
        (radius, radius, 180.0),
    ):
        at = np.radians(start + np.linspace(0.0, 90.0, count))
        out.append(np.stack([x + radius * np.cos(at), y + radius * np.sin(at)], axis=1))
    return np.concatenate(out)


def kidney(count: int, scale: float = 1.0) -> Points:
    """Kidney about 7 m by 4 m; its dent turns inward with a radius of 1.3 m."""
    at = np.arange(count) * 2.0 * np.pi / count
    reach = scale * (2.8 + 0.8 * np.cos(2.0 * at) + 0.4 * np.sin(at))
    return np.stack([reach * np.cos(at), reach * np.sin(at)], axis=1)


def stadium(straight: float, radius: float, count: int) -> Points:
    """Two straight sides and two half circles of ``count`` chords."""
    at = np.radians(np.linspace(-90.0, 90.0, count + 1))
    cap = radius * np.stack([np.cos(at), np.sin(at)], axis=1)
    side = np.array([straight / 2, 0.0])
    return np.concatenate([cap + side, -cap - side])


def moved(xy: Points, heading_deg: float, shift: tuple[float, float]) -> Points:
    """Turned about the origin and then shifted."""
    a = np.radians(heading_deg)
    turn = np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
    out: Points = xy @ turn + np.asarray(shift)
    return out


def breaks(rows: Sequence[tuple[int, float, float]], **points: ArrayLike) -> Breaks:
    """Abutments on rings from one station to another, with both run ends abutted."""
    count = len(rows)
    nowhere = np.full((count, 2), np.nan)
    abutted = np.full(count, NodeKind.ABUTTED, dtype=np.int8)
    return Breaks(
        ring=np.array([r for r, _, _ in rows], dtype=np.int64),
        from_m=np.array([f for _, f, _ in rows], dtype=np.float64),
        to_m=np.array([t for _, _, t in rows], dtype=np.float64),
        why=np.full(count, "abutment", dtype=object),
        other=np.full(count, "wall", dtype=object),
        start_end=abutted,
        far_end=abutted,
        start_xy=np.asarray(points.get("start_xy", nowhere), dtype=np.float64),
        far_xy=np.asarray(points.get("far_xy", nowhere), dtype=np.float64),
    )


def random_bed(rng: np.random.Generator) -> Points:
    """Star-shaped bed of 5 to 40 vertices, smooth, angular or rough."""
    count = int(rng.integers(5, 41))
    at = np.sort(rng.uniform(0.0, 2.0 * np.pi, count))
    at = np.where(rng.uniform() < 0.5, at, np.arange(count) * 2.0 * np.pi / count)
    reach = rng.uniform(1.0, 6.0) * (1.0 + rng.uniform(0.0, 0.5) * rng.uniform(-1.0, 1.0, count))
    return np.stack([reach * np.cos(at), reach * np.sin(at)], axis=1)
