"""Small shapes for the tests of what takes no edging, and a slow second way to find it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from siteplan.model import RingKind, Shapes
from siteplan.outline.breaks import BreakRules, find_breaks
from siteplan.outline.breaks_table import Breaks
from siteplan.types import FloatArray, XYArray

RULES = BreakRules()
Pairs = Sequence[tuple[str, BaseGeometry]]


def shapes(items: Pairs) -> Shapes:
    """Shapes of (id, geometry); polygons are walked with their inside on the left."""
    ids, xy, kinds, features = [], [], [], []

    def add(coords: object, kind: RingKind, feature: int) -> None:
        points = np.asarray(coords, dtype=np.float64)[:, :2]
        xy.append(points[:-1] if kind in (RingKind.OUTER, RingKind.ISLAND) else points)
        kinds.append(kind)
        features.append(feature)

    for name, geometry in items:
        ids.append(name)
        for part in getattr(geometry, "geoms", [geometry]):
            if isinstance(part, shapely.Polygon):
                for n, ring in enumerate([part.exterior, *part.interiors]):
                    kind = RingKind.ISLAND if n else RingKind.OUTER
                    coords = list(ring.coords)
                    add(coords if ring.is_ccw == (n == 0) else coords[::-1], kind, len(ids) - 1)
            elif isinstance(part, shapely.Point):
                add(part.coords, RingKind.POINT, len(ids) - 1)
            else:
                add(part.coords, RingKind.LINE, len(ids) - 1)
    names = np.empty(len(ids), dtype=object)
    names[:] = ids
    return Shapes(
        ids=names,
        xy=np.concatenate(xy) if xy else np.empty((0, 2)),
        ring_offsets=np.concatenate([[0], np.cumsum([len(x) for x in xy], dtype=np.int64)]).astype(np.int64),
        ring_kind=np.array(kinds, dtype=np.int8),
        ring_feature=np.array(features, dtype=np.int64),
    )


def box(x0: float, y0: float, x1: float, y1: float) -> shapely.Polygon:
    """Rectangle, counter-clockwise from its least corner."""
    return shapely.Polygon([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])


def ring_points(part: Shapes, ring: int) -> XYArray:
    return part.xy[part.ring_offsets[ring] : part.ring_offsets[ring + 1]]


def ring_line(part: Shapes, ring: int) -> shapely.LineString:
    """The ring as a line from its first vertex, closed where it is."""
    points = ring_points(part, ring)
    if part.ring_kind[ring] in (RingKind.OUTER, RingKind.ISLAND):
        points = np.vstack([points, points[:1]])
    return shapely.LineString(points)


def at(part: Shapes, ring: int, station_m: float) -> FloatArray:
    line = ring_line(part, ring)
    point = line.interpolate(station_m % line.length if station_m > line.length + 1e-9 else station_m)
    return np.array([point.x, point.y])


def check(beds: Shapes, breaks: Breaks) -> None:
    """What every table of breaks must be."""
    order = np.lexsort((breaks.from_m, breaks.ring))
    assert np.array_equal(order, np.arange(len(breaks)))
    for ring in range(len(beds.ring_kind)):
        length = ring_line(beds, ring).length
        closed = beds.ring_kind[ring] in (RingKind.OUTER, RingKind.ISLAND)
        rows = np.flatnonzero(breaks.ring == ring)
        if not len(rows):
            continue
        low, high = breaks.from_m[rows], breaks.to_m[rows]
        assert np.all(high > low)
        assert np.all(low >= 0)
        assert np.all(low < length)
        assert np.all(low[1:] >= high[:-1] - 1e-9)
        assert high[-1] <= (low[0] + length if closed else length) + 1e-9
        for xy, other in ((breaks.start_xy, breaks.from_m), (breaks.far_xy, breaks.to_m)):
            for row in rows:
                if np.isfinite(xy[row]).all():
                    assert np.hypot(*(xy[row] - at(beds, ring, other[row]))) <= 0.61
    assert set(breaks.why) <= {"abutment", "opening", "shared"}


def run(beds: Pairs, abutments: Pairs = (), openings: Pairs = (), rules: BreakRules = RULES, **more: object):  # type: ignore[no-untyped-def]
    """Shapes of the beds, breaks, findings; with the checks that always hold."""
    of_beds = shapes(beds)
    breaks, findings = find_breaks(of_beds, shapes(abutments), shapes(openings), rules, **more)  # type: ignore[arg-type]
    check(of_beds, breaks)
    return of_beds, breaks, findings


def rows(breaks: Breaks) -> list[tuple[int, float, float, str, str]]:
    """Ring, from, to, why, other of each row."""
    return [
        (int(r), float(a), float(b), str(w), str(o))
        for r, a, b, w, o in zip(
            breaks.ring, breaks.from_m, breaks.to_m, breaks.why, breaks.other, strict=True
        )
    ]
