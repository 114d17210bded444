"""Small shapes for the tests of what takes no edging, and a slow second way to find it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from siteplan.errors import Finding
from siteplan.model import RingKind, Shapes
from siteplan.outline.breaks import BreakRules, find_breaks
from siteplan.outline.breaks_table import Breaks
from siteplan.types import BoolArray, FloatArray, XYArray

RULES = BreakRules()
Pairs = Sequence[tuple[str, BaseGeometry]]
Row = tuple[int, float, float, str, str]


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


def run(
    beds: Pairs,
    abutments: Pairs = (),
    openings: Pairs = (),
    rules: BreakRules = RULES,
    **more: Any,
) -> tuple[Shapes, Breaks, tuple[Finding, ...]]:
    """Shapes of the beds, breaks, findings; with the checks that always hold."""
    of_beds = shapes(beds)
    breaks, findings = find_breaks(of_beds, shapes(abutments), shapes(openings), rules, **more)
    check(of_beds, breaks)
    return of_beds, breaks, findings


def rows(breaks: Breaks) -> list[Row]:
    """Ring, from, to, why, other of each row."""
    return [
        (int(r), float(a), float(b), str(w), str(o))
        for r, a, b, w, o in zip(
            breaks.ring, breaks.from_m, breaks.to_m, breaks.why, breaks.other, strict=True
        )
    ]


def segments(part: Shapes, rings: Sequence[int] | None = None) -> tuple[XYArray, XYArray, FloatArray]:
    """Starts, ends and features of every edge, one by one."""
    a: list[FloatArray] = []
    b: list[FloatArray] = []
    feature: list[int] = []
    for ring in range(len(part.ring_kind)) if rings is None else rings:
        coords = np.asarray(ring_line(part, ring).coords)
        a.extend(coords[:-1])
        b.extend(coords[1:])
        feature.extend([part.ring_feature[ring]] * (len(coords) - 1))
    return np.array(a).reshape(-1, 2), np.array(b).reshape(-1, 2), np.array(feature)


class Sampled:
    """One ring looked at every millimetre, each sample against every other edge."""

    def __init__(self, part: Shapes, ring: int, step_m: float = 0.001) -> None:
        a, b, _ = segments(part, [ring])
        long = np.hypot(*(b - a).T)
        self.length = float(long.sum())
        self.closed = part.ring_kind[ring] in (RingKind.OUTER, RingKind.ISLAND)
        self.station = (np.arange(int(self.length / step_m)) + 0.5) * step_m
        base = np.cumsum(long) - long
        edge = np.searchsorted(base, self.station, side="right") - 1
        self.unit = ((b - a) / long[:, None])[edge]
        self.xy = a[edge] + self.unit * (self.station - base[edge])[:, None]
        self.step = step_m

    def look(self, a: XYArray, b: XYArray) -> tuple[FloatArray, FloatArray, BoolArray, XYArray]:
        """Distance, cosine and whether the foot lies inside, (samples, edges); (samples, 2) nearest point."""
        v = b - a
        long = np.hypot(*v.T)
        v = v / long[:, None]
        along = self.xy @ v.T - (a * v).sum(axis=1)
        held = np.clip(along, 0, long)
        x, y = (a[:, k] + v[:, k] * held for k in (0, 1))
        away = np.hypot(self.xy[:, :1] - x, self.xy[:, 1:] - y)
        least = np.arange(len(away)), away.argmin(axis=1)
        near = np.stack([x[least], y[least]], axis=1)
        return away, self.unit @ v.T, (along >= 0) & (along <= long), near

    def gaps(self, mask: BoolArray) -> list[tuple[int, int]]:
        """First sample and count of every gap between two stretches, round the ring if closed."""
        if mask.all() or not mask.any():
            return []
        turned = int(np.flatnonzero(mask)[0]) if self.closed else 0
        found = blanks(np.roll(mask, -turned))
        if not self.closed:
            return [(i, n) for i, n in found if i > 0 and i + n < len(mask)]
        return [((i + turned) % len(mask), n) for i, n in found]

    def stretches(self, mask: BoolArray) -> list[tuple[int, int]]:
        """First sample and count of every stretch."""
        return self.gaps(~mask) if self.closed else blanks(~mask)

    def without_short(self, mask: BoolArray, least_m: float) -> BoolArray:
        """Leave out stretches no longer than the least length."""
        kept = mask.copy()
        for first, n in self.stretches(mask):
            if n * self.step <= least_m:
                kept[(first + np.arange(n)) % len(kept)] = False
        return kept


def blanks(mask: BoolArray) -> list[tuple[int, int]]:
    """First and count of every run of False."""
    edge = np.flatnonzero(np.diff(np.concatenate([[1], mask.astype(int), [1]])))
    return [(int(i), int(j - i)) for i, j in zip(edge[::2], edge[1::2], strict=True)]


def near_limit(
    counts: Sequence[tuple[int, int]], step_m: float, limit_m: float, tolerance_m: float = 0.003
) -> bool:
    """Some length is so near to a limit that millimetre samples cannot decide."""
    return any(abs(n * step_m - limit_m) < tolerance_m for _, n in counts)


def slow_alongside(
    part: Shapes, ring: int, walls: Shapes, rules: BreakRules = RULES
) -> tuple[Sampled, BoolArray, bool]:
    """Samples, whether each is alongside an abutment, and whether a limit was too near to tell."""
    look = Sampled(part, ring)
    a, b, _ = segments(walls)
    close = shapely.dwithin(shapely.linestrings(np.stack([a, b], axis=1)), ring_line(part, ring), 1.0)
    if not close.any():
        return look, np.zeros(len(look.station), dtype=np.bool_), False
    away, cos, inside, nearest = look.look(a[close], b[close])
    level = np.abs(cos) >= np.cos(np.radians(rules.abut_angle_deg))
    beside = level & inside & (away <= rules.abut_within_m)
    any_beside = beside.any(axis=1)
    steep = np.where(level, np.inf, away).min(axis=1)
    mask = any_beside & (np.where(beside, away, np.inf).min(axis=1) <= steep + 1e-9)
    mask = look.without_short(mask, 0.0011)
    gaps = look.gaps(mask)
    unsure = near_limit(gaps, look.step, rules.abut_least_m)
    count = len(mask)
    for first, n in gaps:
        index = (first + np.arange(n)) % count
        before, after = (first - 1) % count, (first + n) % count
        turn = np.arccos(np.clip(look.unit[before] @ look.unit[after], -1, 1))
        around = 2 * rules.abut_within_m * np.tan(min(turn, np.radians(120)) / 2)
        corner = bool(np.hypot(*(nearest[before] - nearest[after])) < 0.003)
        unsure |= corner and near_limit([(first, n)], look.step, around)
        covered = any_beside[index].sum() > n - 2.5
        if n * look.step < rules.abut_least_m or covered or (corner and n * look.step <= around):
            mask[index] = True
    unsure |= near_limit(look.stretches(mask), look.step, rules.abut_least_m)
    return look, look.without_short(mask, rules.abut_least_m), unsure


def slow_shared(
    part: Shapes, ring: int, owners: set[int], rules: BreakRules = RULES
) -> tuple[Sampled, BoolArray, bool]:
    """Samples, whether each is shared with a bed that owns, and whether a limit was too near to tell."""
    look = Sampled(part, ring)
    a, b, feature = segments(part)
    keep = np.isin(feature, sorted(owners))
    if not keep.any():
        return look, np.zeros(len(look.station), dtype=np.bool_), False
    away, cos, inside, _ = look.look(a[keep], b[keep])
    against = cos <= -np.cos(np.radians(rules.abut_angle_deg))
    mask = (against & inside & (away <= rules.shared_within_m)).any(axis=1)
    least = 2 * rules.shared_within_m
    gaps = look.gaps(mask)
    unsure = near_limit(gaps, look.step, least)
    for first, n in gaps:
        if n * look.step <= least:
            mask[(first + np.arange(n)) % len(mask)] = True
    unsure |= near_limit(look.stretches(mask), look.step, least)
    return look, look.without_short(mask, least), unsure


def assert_same(look: Sampled, mask: BoolArray, low: FloatArray, high: FloatArray) -> None:
    """Stretches agree with samples, but for 2 mm at their ends."""
    quick = np.zeros(len(mask), dtype=np.bool_)
    ends = np.zeros(len(mask), dtype=np.bool_)
    for start, end in zip(low, high, strict=True):
        for shift in (-look.length, 0.0, look.length) if look.closed else (0.0,):
            quick |= (look.station >= start + shift) & (look.station <= end + shift)
            ends |= np.abs(look.station - start - shift) <= 0.002
            ends |= np.abs(look.station - end - shift) <= 0.002
    wrong = (quick != mask) & ~ends
    assert not wrong.any(), f"{wrong.sum()} samples differ, first at {look.station[wrong][0]:.3f} m"
