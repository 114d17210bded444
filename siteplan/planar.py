"""Plane geometry on ragged arrays of ground metres.  Knows no CRS and no features.

Every function takes all polylines at once: ``xy`` holds the vertices of every part one
after the other, part k is ``xy[offsets[k]:offsets[k + 1]]``, ``closed[k]`` says whether its
last vertex joins its first (which is not repeated).  Stations are metres along a part from
its first vertex.  Turns are radians, left positive.  An edge has the number of the vertex it
leaves; the last vertex of an open part leaves an edge of zero length, so that arrays of
edges and of vertices have the same shape.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from siteplan.types import BoolArray, FloatArray, IntArray, ObjectArray, OffsetArray, XYArray

STATION_EPS_M = 1e-9
"""Two stations closer than this are the same point (far below the micrometre of the fit)."""


def part_of(offsets: OffsetArray) -> IntArray:
    """Part of each vertex: (v,)."""
    return np.repeat(np.arange(len(offsets) - 1, dtype=np.int64), np.diff(offsets))


def ragged(starts: IntArray, counts: IntArray) -> IntArray:
    """Numbers ``start, start + 1, ...`` (``count`` of them) for each pair, one after the other.

    Examples
    --------
    >>> ragged(np.array([3, 10]), np.array([2, 3])).tolist()
    [3, 4, 10, 11, 12]
    """
    counts = np.asarray(counts, dtype=np.int64)
    shift = np.asarray(starts, dtype=np.int64) - (np.cumsum(counts) - counts)
    return np.repeat(shift, counts) + np.arange(int(counts.sum()), dtype=np.int64)


def offsets_of(counts: IntArray) -> OffsetArray:
    """Offsets of parts with these numbers of members."""
    out = np.zeros(len(counts) + 1, dtype=np.int64)
    np.cumsum(counts, out=out[1:])
    return out


def closed_rings(offsets: OffsetArray, closed: BoolArray) -> tuple[IntArray, OffsetArray]:
    """Rows and offsets of lines with the first vertex of each closed one repeated at its end.

    Parameters
    ----------
    offsets : (r + 1,) vertices of each line; a closed one repeats no vertex
    closed : (r,)

    Examples
    --------
    >>> closed_rings(np.array([0, 3, 5]), np.array([True, False]))[0].tolist()
    [0, 1, 2, 0, 3, 4]
    """
    take = np.insert(np.arange(offsets[-1]), offsets[1:][closed], offsets[:-1][closed])
    return take, offsets + np.concatenate([[0], np.cumsum(closed)])


def linestrings(xy: XYArray, offsets: OffsetArray) -> ObjectArray:
    """Every part as a shapely line: (r,).

    Parameters
    ----------
    xy, offsets : parts of two vertices or more; a closed one with its first vertex repeated at its end,
        as :func:`closed_rings` does
    """
    return np.asarray(shapely.linestrings(xy, indices=part_of(offsets)), dtype=object)


def ring_lines(xy: XYArray, offsets: OffsetArray, closed: BoolArray) -> ObjectArray:
    """Every part as a shapely line that ends where it starts if closed: (r,), None for a lone vertex."""
    counts = np.diff(offsets)
    some = counts > 1
    out = np.full(len(counts), None, dtype=object)
    take, bounds = closed_rings(offsets_of(counts[some]), closed[some])
    out[some] = linestrings(xy[np.repeat(some, counts)][take], bounds)
    return out


def kept_offsets(offsets: OffsetArray, keep: BoolArray) -> OffsetArray:
    """Offsets after the vertices that are not kept have been left out."""
    before = np.zeros(len(keep) + 1, dtype=np.int64)
    np.cumsum(keep, out=before[1:])
    return before[offsets]


def neighbours(offsets: OffsetArray, closed: BoolArray) -> tuple[IntArray, IntArray]:
    """Vertex before and vertex after each vertex; an end of an open part is its own neighbour."""
    count = int(offsets[-1])
    before = np.arange(-1, count - 1, dtype=np.int64)
    after = np.arange(1, count + 1, dtype=np.int64)
    some = np.diff(offsets) > 0
    first, last = offsets[:-1][some], offsets[1:][some] - 1
    ring = closed[some]
    before[first] = np.where(ring, last, first)
    after[last] = np.where(ring, first, last)
    return before, after


@dataclass(frozen=True, slots=True, eq=False)
class Edges:
    """Edges of all parts.  v vertices, r parts."""

    vector: XYArray
    """(v, 2) from each vertex to the next one"""
    length: FloatArray
    """(v,) metres"""
    station: FloatArray
    """(v,) metres from the first vertex of the part to each vertex"""
    part_length: FloatArray
    """(r,) metres, the closing edge included where the part is closed"""


def sums(values: FloatArray, offsets: OffsetArray) -> FloatArray:
    """Sum of each part, taken on its own, so that it does not depend on the other parts."""
    counts = np.diff(offsets)
    out = np.zeros(len(counts))
    some = counts > 0
    if some.any():
        out[some] = np.add.reduceat(values, offsets[:-1][some])
    return out


def edges(xy: XYArray, offsets: OffsetArray, closed: BoolArray) -> Edges:
    """Vectors, lengths and stations of every edge."""
    _, after = neighbours(offsets, closed)
    vector = xy[after] - xy
    length = np.hypot(vector[:, 0], vector[:, 1])
    total = np.cumsum(length)
    start = np.concatenate(([0.0], total))[offsets[:-1]]
    station = np.concatenate(([0.0], total))[:-1] - np.repeat(start, np.diff(offsets))
    return Edges(vector, length, station, sums(length, offsets))


def signed_areas(xy: XYArray, offsets: OffsetArray) -> FloatArray:
    """Area of each closed part, positive when it is walked counter-clockwise, in square metres.

    Coordinates are taken from the part's first vertex, so that no digits are lost far from the origin.
    """
    part = part_of(offsets)
    local = xy - xy[offsets[:-1][part]]
    _, after = neighbours(offsets, np.ones(len(offsets) - 1, dtype=np.bool_))
    cross = local[:, 0] * local[after, 1] - local[after, 0] * local[:, 1]
    return 0.5 * sums(cross, offsets)


def cross_dot(a: XYArray, b: XYArray) -> tuple[FloatArray, FloatArray]:
    """Cross product (z) and dot product of rows."""
    return a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0], a[:, 0] * b[:, 0] + a[:, 1] * b[:, 1]


def turns(line: Edges, offsets: OffsetArray, closed: BoolArray) -> FloatArray:
    """Turn at each vertex in radians, left positive, in (-pi, pi]; 0 at the ends of open parts."""
    before, after = neighbours(offsets, closed)
    here = np.arange(len(before))
    cross, dot = cross_dot(line.vector[before], line.vector)
    turn: FloatArray = np.arctan2(cross, dot)
    turn[(before == here) | (after == here)] = 0.0
    return turn


@dataclass(frozen=True, slots=True, eq=False)
class StationIndex:
    """Look up stations of many parts at once.

    All parts are laid behind one another with a metre between them, so that one sorted
    search answers for all; the keys keep 1e-9 m up to a total of some 4,000 km.
    """

    offsets: OffsetArray
    closed: BoolArray
    line: Edges
    base: FloatArray
    key: FloatArray

    @classmethod
    def of(cls, line: Edges, offsets: OffsetArray, closed: BoolArray) -> StationIndex:
        """Make the index of these parts."""
        step = line.part_length + 1.0
        base = np.cumsum(step) - step
        return cls(offsets, closed, line, base, base[part_of(offsets)] + line.station)

    def count_to(self, part: IntArray, station: FloatArray, *, inclusive: bool) -> IntArray:
        """Number of vertices of the part before the station (or up to it), within 1e-9 m.

        The station must lie in [0, length of the part].
        """
        shift = STATION_EPS_M if inclusive else -STATION_EPS_M
        at = self.base[part] + station + shift
        found = np.searchsorted(self.key, at, side="right" if inclusive else "left")
        first = self.offsets[part]
        return np.clip(found, first, self.offsets[part + 1]) - first

    def locate(self, part: IntArray, station: FloatArray) -> tuple[IntArray, FloatArray]:
        """Edge that holds each station, and how far along it, in [0, 1).

        Stations of closed parts are taken round the ring; those of open parts are held to its ends.
        """
        total = self.line.part_length[part]
        ring = self.closed[part]
        around = np.where(ring, np.mod(station, np.where(total > 0.0, total, 1.0)), station)
        at = np.clip(around, 0.0, total)
        last = self.offsets[part + 1] - np.where(ring, 1, 2)
        edge = np.searchsorted(self.key, self.base[part] + at, side="right") - 1
        edge = np.clip(edge, self.offsets[part], np.maximum(last, self.offsets[part]))
        length = self.line.length[edge]
        along = at - self.line.station[edge]
        # Stations at a vertex get the vertex itself, so that legs that meet there share the point.
        at_end = length - along < STATION_EPS_M
        following = np.where(edge + 1 < self.offsets[part + 1], edge + 1, self.offsets[part])
        edge = np.where(at_end & (ring | (edge < self.offsets[part + 1] - 1)), following, edge)
        at_vertex = at_end | (along < STATION_EPS_M)
        fraction = np.where(at_vertex, 0.0, along / np.where(length > 0.0, length, 1.0))
        return edge, fraction


def points_at(
    xy: XYArray, offsets: OffsetArray, closed: BoolArray, part: IntArray, station: FloatArray
) -> XYArray:
    """Points at stations along parts.

    Parameters
    ----------
    part : (n,) part of each station
    station : (n,) metres; taken round the ring on closed parts, held to the ends on open ones

    Returns
    -------
    (n, 2)
    """
    line = edges(xy, offsets, closed)
    edge, fraction = StationIndex.of(line, offsets, closed).locate(part, station)
    out: XYArray = xy[edge] + fraction[:, None] * line.vector[edge]
    return out


@dataclass(frozen=True, slots=True, eq=False)
class Slices:
    """Where cut-out stretches take their vertices from.

    Row q of the result lies on edge ``edge[q]`` at ``fraction[q]`` of it; a vertex is its own
    edge at fraction 0.  The same rows can be taken from any line with the same edges, such as
    the outline and its offset.
    """

    edge: IntArray
    fraction: FloatArray
    offsets: OffsetArray

    def of(self, xy: XYArray, line: Edges) -> XYArray:
        """Vertices of the stretches on a line with these edges: (w, 2)."""
        out: XYArray = xy[self.edge] + self.fraction[:, None] * line.vector[self.edge]
        return out


def slices(index: StationIndex, part: IntArray, from_m: FloatArray, to_m: FloatArray) -> Slices:
    """Stretches of parts between two stations, both ends included.

    Parameters
    ----------
    index : made from the parts
    part : (n,) part of each stretch
    from_m : (n,) start, 0 <= from < length of the part
    to_m : (n,) end, from < to; at most from + length on closed parts, at most length on open ones

    Returns
    -------
    Slices with at least two vertices each; vertices within 1e-9 m of an end are the end.
    """
    total = index.line.part_length[part]
    first = index.offsets[part]
    count = index.offsets[part + 1] - first
    begin = index.count_to(part, np.minimum(from_m, total), inclusive=True)
    over = to_m > total + STATION_EPS_M
    stop = index.count_to(part, np.where(over, to_m - total, np.minimum(to_m, total)), inclusive=False)
    stop = np.where(over, stop + count, stop)
    inside = np.maximum(stop - begin, 0)
    offsets = offsets_of(inside + 2)
    edge = np.empty(int(offsets[-1]), dtype=np.int64)
    fraction = np.zeros(len(edge))
    rows = ragged(offsets[:-1] + 1, inside)
    local = ragged(begin, inside)
    owner = np.repeat(np.arange(len(part)), inside)
    edge[rows] = first[owner] + np.mod(local, count[owner])
    edge[offsets[:-1]], fraction[offsets[:-1]] = index.locate(part, from_m)
    edge[offsets[1:] - 1], fraction[offsets[1:] - 1] = index.locate(part, to_m)
    return Slices(edge, fraction, offsets)


def mitre_offset(xy: XYArray, offsets: OffsetArray, closed: BoolArray, distance_m: FloatArray) -> XYArray:
    """Every line moved sideways, with mitred vertices.

    Parameters
    ----------
    distance_m : (r,) per part; positive to the right of the walking direction

    Returns
    -------
    (v, 2), one vertex for each vertex.  An edge of length s between turns a and b becomes
    s + d (tan(a/2) + tan(b/2)), left turns positive; where that is not positive the edge has
    turned round, which the caller must look for.  No two edges may double back (turn of pi),
    and no edge may have zero length.
    """
    line = edges(xy, offsets, closed)
    before, after = neighbours(offsets, closed)
    here = np.arange(len(xy))
    length = np.where(line.length > 0.0, line.length, 1.0)
    unit = line.vector / length[:, None]
    leaving = np.where((after == here)[:, None], unit[before], unit)
    arriving = np.where((before == here)[:, None], unit, unit[before])
    normal = np.stack([arriving[:, 1] + leaving[:, 1], -arriving[:, 0] - leaving[:, 0]], axis=1)
    _, dot = cross_dot(arriving, leaving)
    scale = distance_m[part_of(offsets)] / (1.0 + dot)
    out: XYArray = xy + scale[:, None] * normal
    return out


def line_crossings(p: XYArray, u: XYArray, q: XYArray, w: XYArray) -> XYArray:
    """Where the lines through ``p`` along ``u`` and through ``q`` along ``w`` meet: (n, 2).

    NaN where the directions are parallel within 1e-12 (unit vectors expected).
    """
    cross, _ = cross_dot(u, w)
    over, _ = cross_dot(q - p, w)
    parallel = np.abs(cross) < 1e-12
    t = np.where(parallel, np.nan, over / np.where(parallel, 1.0, cross))
    out: XYArray = p + t[:, None] * u
    return out
