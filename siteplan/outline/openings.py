"""Stretches of outline in an opening: a gate, walk, ramp, drain outlet or utility box."""

from __future__ import annotations

import numpy as np
import shapely

from siteplan.errors import Finding
from siteplan.model import RingKind, Shapes
from siteplan.outline.edges import (
    SAME_M,
    TINY_M,
    Edges,
    beside,
    between,
    boxes,
    dot,
    edges_near,
    look,
    members,
    near_pairs,
    near_rings,
)
from siteplan.outline.shared import polygons
from siteplan.outline.stretches import Stretches, group, next_gaps, no_stretches, stretches, together, union
from siteplan.types import BoolArray, FloatArray, IntArray, XYArray

TOUCH_M = 0.001
"""an opening whose side lies this close along the outline touches it"""


def in_openings(
    edges: Edges,
    openings: Shapes,
    gates: Edges,
    width_m: FloatArray,
    *,
    reach_m: float,
    level_m: float,
    angle_deg: float,
) -> tuple[Stretches, tuple[Finding, ...]]:
    """Stretches of outlines in openings.

    A polygon takes the part of every outline inside it.  A line takes, of each bed within
    ``reach_m``, the stretch between the projections of its ends; with a width, a line that crosses
    an outline takes that width at the crossing.  A point takes its width, centred where it is
    nearest to each bed within reach.

    Parameters
    ----------
    edges : of the outlines
    openings, gates : the openings and their edges
    width_m : (n,) width of each opening that has one, else NaN
    reach_m : metres
    level_m : stretches of one bed whose distances from a line differ by no more than this are taken together
    angle_deg : greatest angle between a line and the outline it lies along

    Returns
    -------
    Stretches, ``other`` the opening, and findings for openings that change nothing.
    """
    lines = _along(edges, openings, gates, reach_m, level_m, angle_deg)
    crossing = width_m > 0
    crossing[lines.other] = False
    found = together(
        _inside(edges, openings, gates),
        lines,
        _centred(edges, *_crossings(edges, openings, gates, crossing), width_m),
        _centred(edges, *_nearest(edges, openings, reach_m), width_m),
    )
    return found, _findings(openings, width_m, found.other, reach_m)


def _kinds(openings: Shapes, *kinds: RingKind) -> IntArray:
    """Rings of some kinds."""
    return np.flatnonzero(np.isin(openings.ring_kind, [int(k) for k in kinds]))


def _inside(edges: Edges, openings: Shapes, gates: Edges) -> Stretches:
    """Parts of outlines inside opening polygons, or along their sides."""
    outer = _kinds(openings, RingKind.OUTER)
    ring, near = near_rings(boxes(edges), boxes(gates)[outer], TOUCH_M)
    if not len(ring):
        return no_stretches()
    index = edges_near(edges, ring, boxes(gates)[outer[near]], TOUCH_M)
    areas, feature = polygons(openings, outer[np.unique(near)])
    lines = edges.lines(index)
    area, line = shapely.STRtree(lines).query(areas, predicate="intersects")
    piece, source = shapely.get_parts(shapely.intersection(lines[line], areas[area]), return_index=True)
    straight = shapely.get_type_id(piece) == shapely.GeometryType.LINESTRING
    piece, source = piece[straight], source[straight]
    edge, opening = index[line[source]], feature[area[source]]
    one = _station(edges, edge, shapely.get_coordinates(shapely.get_point(piece, 0)))
    two = _station(edges, edge, shapely.get_coordinates(shapely.get_point(piece, -1)))
    sides = gates.of_rings(openings.ring_kind != RingKind.LINE)
    pairs = look(edges, sides, *near_pairs(edges, sides, TOUCH_M))
    pairs = pairs.where(np.abs(pairs.cos) > 0.5)
    low, high = beside(pairs, edges, sides, np.inf)
    # a side that crosses the outline at a shallow angle is not on it
    real = high > low
    for t in (low, high):
        real &= np.abs(pairs.off_m + t * pairs.sin) <= TOUCH_M
    pairs, low, high = pairs.where(real), low[real], high[real]
    base = edges.from_m[pairs.edge]
    return stretches(
        np.concatenate([edges.ring[edge], edges.ring[pairs.edge]]),
        np.concatenate([np.minimum(one, two), base + low]),
        np.concatenate([np.maximum(one, two), base + high]),
        np.concatenate([opening, sides.feature[pairs.other]]),
    )


def _station(edges: Edges, edge: IntArray, xy: XYArray) -> FloatArray:
    """Station of points on their edges."""
    along = np.clip(dot(xy - edges.start[edge], edges.unit[edge]), 0.0, edges.length_m[edge])
    station: FloatArray = edges.from_m[edge] + along
    return station


def _along(
    edges: Edges, openings: Shapes, gates: Edges, reach_m: float, level_m: float, angle_deg: float
) -> Stretches:
    """Stretches between the projections of the ends of lines that lie alongside."""
    lines = gates.of_rings(openings.ring_kind == RingKind.LINE)
    pairs = look(edges, lines, *near_pairs(edges, lines, reach_m))
    pairs = pairs.where(np.abs(pairs.cos) >= np.cos(np.radians(angle_deg)) - 1e-12)
    rise = pairs.sin / pairs.cos
    at_zero = pairs.start_aside_m - pairs.start_along_m * rise
    reach = np.full(len(pairs), reach_m + TINY_M)
    low = np.maximum(np.minimum(pairs.start_along_m, pairs.far_along_m), 0.0)
    high = np.minimum(np.maximum(pairs.start_along_m, pairs.far_along_m), edges.length_m[pairs.edge])
    low, high = between(at_zero, rise, -reach, reach, low, high)
    real = high - low > TINY_M
    pairs, low, high, at_zero, rise = pairs.where(real), low[real], high[real], at_zero[real], rise[real]
    one, two = at_zero + rise * low, at_zero + rise * high
    away = np.where(one * two <= 0, 0.0, np.minimum(np.abs(one), np.abs(two)))
    base = edges.from_m[pairs.edge]
    return _nearest_of_bed(
        edges,
        edges.ring[pairs.edge],
        base + low,
        base + high,
        lines.feature[pairs.other],
        away,
        reach_m,
        level_m,
    )


def _nearest_of_bed(
    edges: Edges, ring: IntArray, low: FloatArray, high: FloatArray, opening: IntArray, away: FloatArray,
    reach_m: float, level_m: float,
) -> Stretches:  # fmt: skip
    """Join the parts along one line, and keep for each bed those nearest to the line.

    A narrow bed has its far side within reach too; the line belongs to the near one.
    """
    if not len(ring):
        return no_stretches()
    count = int(opening.max()) + 1
    block, low, high, part = union(ring * count + opening, low, high)
    nearest = np.full(len(block), np.inf)
    np.minimum.at(nearest, part, away)
    ring, opening = block // count, block % count
    following, gap = next_gaps(block, ring, low, high, edges)
    # round a corner of the line, or across a jog, the projections leave up to twice the reach
    close = (following >= 0) & (following != np.arange(len(block))) & (gap <= 2 * reach_m)
    groups = group(block, ring, low, high, edges, close)
    best = np.minimum.reduceat(nearest[groups.source], groups.first)
    source = groups.source[groups.first]
    key = opening[source] * (int(edges.feature.max()) + 1) + edges.ring_feature[ring[source]]
    _, key = np.unique(key, return_inverse=True)
    of_bed = np.full(int(key.max()) + 1, np.inf)
    np.minimum.at(of_bed, key, best)
    row = np.flatnonzero((best <= of_bed[key] + level_m)[groups.group])
    source = groups.source[row]
    return stretches(ring[source], groups.from_m[row], groups.to_m[row], opening[source])


def _crossings(
    edges: Edges, openings: Shapes, gates: Edges, wanted: BoolArray
) -> tuple[IntArray, FloatArray, IntArray]:
    """Where lines of some openings cross outlines: ring, station and opening of each crossing."""
    lines = gates.of_rings((openings.ring_kind == RingKind.LINE) & wanted[openings.ring_feature])
    pairs = look(edges, lines, *near_pairs(edges, lines, 0.0))
    pairs = pairs.where(np.abs(pairs.sin) > 0.5)
    along = pairs.start_along_m - pairs.start_aside_m * pairs.cos / pairs.sin
    along = np.clip(along, 0.0, edges.length_m[pairs.edge])
    return edges.ring[pairs.edge], edges.from_m[pairs.edge] + along, lines.feature[pairs.other]


def _nearest(edges: Edges, openings: Shapes, reach_m: float) -> tuple[IntArray, FloatArray, IntArray]:
    """Where points are nearest to each bed within reach: ring, station and opening."""
    ring = _kinds(openings, RingKind.POINT)
    at = openings.xy[openings.ring_offsets[:-1][ring]]
    box, near = near_rings(boxes(edges), np.hstack([at, at]), reach_m + TINY_M)
    pair, edge = members(box, edges.offsets)
    point = near[pair]
    to = at[point] - edges.start[edge]
    along = np.clip(dot(to, edges.unit[edge]), 0.0, edges.length_m[edge])
    away = np.hypot(*(to - edges.unit[edge] * along[:, None]).T)
    keep = away <= reach_m + TINY_M
    point, edge, along, away = point[keep], edge[keep], along[keep], away[keep]
    order = np.lexsort((edge, away, edges.feature[edge], point))
    key = np.stack([point[order], edges.feature[edge[order]]], axis=1)
    one = (
        order[np.flatnonzero(np.concatenate([[True], np.any(np.diff(key, axis=0) != 0, axis=1)]))]
        if len(order)
        else order
    )
    return (
        edges.ring[edge[one]],
        edges.from_m[edge[one]] + along[one],
        openings.ring_feature[ring[point[one]]],
    )


def _centred(
    edges: Edges, ring: IntArray, station_m: FloatArray, opening: IntArray, width_m: FloatArray
) -> Stretches:
    """Stretches of the width of their openings, centred at stations."""
    width = width_m[opening]
    keep = width > 0
    ring, station_m, opening, width = ring[keep], station_m[keep], opening[keep], width[keep]
    length, closed = edges.ring_length_m[ring], edges.closed[ring]
    low, high = station_m - width / 2, station_m + width / 2
    whole = closed & (width >= length - SAME_M)
    low = np.where(closed, np.where(whole, 0.0, np.mod(low, length)), np.maximum(low, 0.0))
    high = np.where(closed, np.where(whole, length, low + width), np.minimum(high, length))
    return stretches(ring, low, high, opening)


def _findings(openings: Shapes, width_m: FloatArray, used: IntArray, reach_m: float) -> tuple[Finding, ...]:
    """Findings for openings that change nothing."""
    idle = np.ones(len(openings), dtype=np.bool_)
    idle[used] = False
    pointed = np.zeros(len(openings), dtype=np.bool_)
    pointed[openings.ring_feature[openings.ring_kind == RingKind.POINT]] = True
    wide = width_m > 0
    findings = []
    for opening in np.flatnonzero(idle).tolist():
        if pointed[opening] and not wide[opening]:
            code = "opening-without-width"
            why, how = "is a point without a width", "Give it a width, or draw it as a line along the edge"
        else:
            code = "opening-nowhere"
            why = "touches no outline"
            how = (
                "Where does it belong? Draw a polygon across the edge, or a line along it or a point "
                f"beside it (within {reach_m:g} m); a line across the edge needs a width"
            )
        text = f'Opening "{openings.ids[opening]}" {why}: it changes nothing. {how}.'
        findings.append(Finding(code, "error", text))
    return tuple(findings)
