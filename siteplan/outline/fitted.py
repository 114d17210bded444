"""The outline as it will be edged: corners where the legs meet, straight legs straight.

The traced vertices are kept wherever a leg is a curve.  A map carries stations of the repaired
outline over to the fitted one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from siteplan.outline.corners import Corners
from siteplan.planar import Edges, StationIndex, cross_dot, edges, kept_offsets, offsets_of, part_of
from siteplan.types import BoolArray, FloatArray, IntArray, OffsetArray, XYArray


@dataclass(frozen=True, slots=True, eq=False)
class Fitted:
    """Fitted outlines.  r rings as before, v fitted vertices, c corners."""

    xy: XYArray
    offsets: OffsetArray
    closed: BoolArray
    line: Edges
    index: StationIndex
    traced: IntArray
    """(v,) traced vertex each one is, or lies nearest to (a corner)"""
    corner_vertex: IntArray
    """(c,) vertices corners stand at, in order of ring and station"""
    corner_row: IntArray
    """(c,) row of the table of corners each of them is"""
    traced_length_m: FloatArray
    """(r,) length of the repaired outlines"""
    edge_straightened_m: FloatArray
    """(v,) for the edge that is a straight leg: how far its farthest traced vertex was moved"""
    map_base: FloatArray
    map_from: FloatArray
    map_to: FloatArray

    def station_of(self, ring: IntArray, traced_m: FloatArray) -> FloatArray:
        """Stations of the repaired outline as stations of the fitted one.

        Stations from 0 to the length of the repaired ring are expected.  What comes back for a
        closed ring may lie somewhat outside [0, length], so that order is kept.
        """
        base = self.map_base[ring]
        if not len(self.map_from):
            return traced_m
        out: FloatArray = np.interp(base + traced_m, self.map_from, self.map_to) - base
        return out


def fit_outline(
    xy: XYArray, offsets: OffsetArray, closed: BoolArray, corners: Corners, straight_within_m: float
) -> Fitted:
    """Put corners where legs meet, and make legs straight that nearly are.

    Parameters
    ----------
    xy, offsets, closed : the repaired outlines
    corners : from :func:`siteplan.outline.corners.find_corners`
    straight_within_m : a leg between two corners (or an end) is straight where none of its
        vertices is farther than this from the line between its ends

    Returns
    -------
    Fitted.  Rings without a corner keep every traced vertex.  A ring whose only two legs would
    fall together keeps its vertices too.
    """
    nodes = _nodes(xy, offsets, closed, corners)
    legs = _ring_legs(nodes)
    away, along, chord = _from_chord(nodes, legs)
    straight, moved = _straight_legs(nodes, legs, away, along, chord, straight_within_m)
    gone = legs.leg >= 0
    gone[gone] = straight[legs.leg[gone]]
    keep = ~gone
    new_offsets = kept_offsets(nodes.offsets, keep)
    new_xy = nodes.xy[keep]
    line = edges(new_xy, new_offsets, closed)
    number = np.cumsum(keep) - 1
    corner = nodes.corner[keep]
    stands = np.flatnonzero(corner >= 0)
    straightened = np.zeros(len(new_xy))
    straightened[number[legs.start[straight]]] = moved[straight]
    # Stations of the vertices left out: where they fall on their straight leg.
    place = np.zeros(len(keep))
    place[keep] = line.station
    start = legs.start[legs.leg[gone]]
    on_leg = line.station[number[start]] + np.clip(along[gone], 0.0, chord[legs.leg[gone]])
    wrapped = np.flatnonzero(gone) < start
    ring_of_gone = nodes.ring[gone]
    place[gone] = on_leg - np.where(wrapped, line.part_length[ring_of_gone], 0.0)
    base, map_from, map_to = _station_map(nodes, closed, line, place)
    return Fitted(
        xy=new_xy,
        offsets=new_offsets,
        closed=closed,
        line=line,
        index=StationIndex.of(line, new_offsets, closed),
        traced=nodes.traced[keep],
        corner_vertex=stands,
        corner_row=corner[stands],
        traced_length_m=nodes.length,
        edge_straightened_m=straightened,
        map_base=base,
        map_from=map_from,
        map_to=map_to,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Nodes:
    """Traced vertices outside corners, and the corners, in order of ring and station."""

    xy: XYArray
    offsets: OffsetArray
    ring: IntArray
    station: FloatArray
    traced: IntArray
    corner: IntArray
    closed: BoolArray
    length: FloatArray
    end: BoolArray
    """True at the ends of open lines"""


def _nodes(xy: XYArray, offsets: OffsetArray, closed: BoolArray, corners: Corners) -> _Nodes:
    line = edges(xy, offsets, closed)
    part = part_of(offsets)
    inside = np.zeros(len(xy), dtype=np.bool_)
    first_local = corners.first - offsets[corners.ring]
    count = np.diff(offsets)[corners.ring]
    owner = np.repeat(np.arange(len(corners)), corners.size)
    step = np.arange(len(owner)) - np.repeat(offsets_of(corners.size)[:-1], corners.size)
    member = offsets[corners.ring[owner]] + np.mod(first_local[owner] + step, count[owner])
    inside[member] = True
    inside[corners.first[corners.keep_first]] = False
    inside[corners.last[corners.keep_last]] = False
    single = corners.size == 1
    inside[corners.first[single]] = True
    rest = np.flatnonzero(~inside)
    total = line.part_length[corners.ring]
    extent = np.mod(line.station[corners.last] - line.station[corners.first], np.where(total > 0, total, 1.0))
    middle = np.mod(line.station[corners.first] + 0.5 * extent, np.where(total > 0, total, 1.0))
    middle = np.where(single, line.station[corners.first], middle)
    ring = np.concatenate([part[rest], corners.ring])
    station = np.concatenate([line.station[rest], middle])
    order = np.lexsort((station, ring))
    ring = ring[order]
    new_offsets = offsets_of(np.bincount(ring, minlength=len(closed)))
    end = np.zeros(len(order), dtype=np.bool_)
    some = ~closed & (np.diff(new_offsets) > 0)
    end[new_offsets[:-1][some]] = True
    end[new_offsets[1:][some] - 1] = True
    return _Nodes(
        xy=np.concatenate([xy[rest], corners.xy])[order],
        offsets=new_offsets,
        ring=ring,
        station=station[order],
        traced=np.concatenate([rest, corners.nearest])[order],
        corner=np.concatenate([np.full(len(rest), -1), np.arange(len(corners))])[order],
        closed=closed,
        length=line.part_length,
        end=end,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _RingLegs:
    """Legs of whole rings and lines, before any break.  m legs."""

    leg: IntArray
    """(nodes,) leg of each node inside a leg; -1 at corners, line ends and on rings without one"""
    start: IntArray
    """(m,) node each leg starts at"""
    far: IntArray
    """(m,) node each leg ends at; the start itself on a ring with one corner"""
    ring: IntArray


def _ring_legs(nodes: _Nodes) -> _RingLegs:
    stop = (nodes.corner >= 0) | nodes.end
    stops = np.flatnonzero(stop)
    ring = nodes.ring[stops]
    first = np.searchsorted(ring, ring, side="left")
    last = np.searchsorted(ring, ring, side="right") - 1
    here = np.arange(len(stops))
    following = np.where(here < last, here + 1, first)
    begins = nodes.closed[ring] | (here < last)
    number = np.cumsum(begins) - 1
    # The stop before each node; nodes before the first corner of a ring belong to its last leg.
    before = np.cumsum(stop) - 1
    has = np.zeros(len(nodes.closed), dtype=np.bool_)
    has[ring] = True
    last_of = np.zeros(len(nodes.closed), dtype=np.int64)
    last_of[ring] = last
    first_of = np.zeros(len(nodes.closed), dtype=np.int64)
    first_of[ring] = first
    owner = np.where(before < first_of[nodes.ring], last_of[nodes.ring], before)
    inner = ~stop & has[nodes.ring]
    leg = np.full(len(stop), -1, dtype=np.int64)
    leg[inner] = number[owner[inner]]
    return _RingLegs(leg, stops[begins], stops[following][begins], ring[begins])


def _from_chord(nodes: _Nodes, legs: _RingLegs) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Distance of each node from the line between the ends of its leg, place along it, and its length."""
    vector = nodes.xy[legs.far] - nodes.xy[legs.start]
    chord = np.hypot(vector[:, 0], vector[:, 1])
    unit = vector / np.where(chord > 0.0, chord, 1.0)[:, None]
    away, along = np.zeros(len(nodes.xy)), np.zeros(len(nodes.xy))
    inner = np.flatnonzero(legs.leg >= 0)
    leg = legs.leg[inner]
    cross, dot = cross_dot(unit[leg], nodes.xy[inner] - nodes.xy[legs.start[leg]])
    away[inner], along[inner] = np.abs(cross), dot
    return away, along, chord


def _straight_legs(
    nodes: _Nodes,
    legs: _RingLegs,
    away: FloatArray,
    along: FloatArray,
    chord: FloatArray,
    within: float,
) -> tuple[BoolArray, FloatArray]:
    """(m,) straight or not, and the greatest distance a vertex of the leg is moved."""
    inner = np.flatnonzero(legs.leg >= 0)
    leg = legs.leg[inner]
    moved = np.zeros(len(legs.start))
    np.maximum.at(moved, leg, away[inner])
    outside = np.maximum(-along[inner], along[inner] - chord[leg])
    beyond = np.full(len(legs.start), -np.inf)
    np.maximum.at(beyond, leg, outside)
    straight = (moved <= within) & (beyond <= within) & (chord > 0.0)
    # Two straight legs between the same two corners would enclose nothing.
    legs_of_ring = np.bincount(legs.ring, minlength=len(nodes.closed))
    curved = np.bincount(legs.ring, weights=~straight, minlength=len(nodes.closed))
    pinched = nodes.closed & (legs_of_ring <= 2) & (curved == 0)
    straight &= ~pinched[legs.ring]
    return straight, np.where(straight, moved, 0.0)


def _station_map(
    nodes: _Nodes, closed: BoolArray, line: Edges, place: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Knots of the map of stations, all rings behind one another.

    Closed rings get the last knot again before the first, and the first again behind the last.
    """
    size = np.diff(nodes.offsets)
    extra = np.where(closed & (size > 0), 1, 0)
    counts = size + 2 * extra
    knots = offsets_of(counts)
    ring = np.repeat(np.arange(len(size)), counts)
    local = np.arange(len(ring)) - knots[ring] - extra[ring]
    turns_round = np.floor_divide(local, np.maximum(size[ring], 1))
    node = nodes.offsets[ring] + np.mod(local, np.maximum(size[ring], 1))
    from_m = nodes.station[node] + turns_round * nodes.length[ring]
    to_m = place[node] + turns_round * line.part_length[ring]
    room = 3.0 * np.maximum(nodes.length, line.part_length) + 3.0
    base = np.cumsum(room) - room * 0.5
    return base, base[ring] + from_m, np.maximum.accumulate(base[ring] + to_m)
