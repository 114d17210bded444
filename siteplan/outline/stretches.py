"""Stretches of rings: joined, closed up, and laid over each other by precedence."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from siteplan.outline.edges import SAME_M, TINY_M, Edges
from siteplan.planar import ragged
from siteplan.types import BoolArray, FloatArray, IntArray, XYArray


@dataclass(frozen=True, slots=True, eq=False)
class Stretches:
    """Stretches along rings.  s stretches.

    ``from_m`` is in [0, ring length); ``to_m`` may lie beyond the ring length where a stretch
    of a closed ring passes the first vertex.
    """

    ring: IntArray
    from_m: FloatArray
    to_m: FloatArray
    other: IntArray
    """(s,) index of the abutment, opening or bed that is the reason"""
    start_xy: XYArray
    far_xy: XYArray
    """(s, 2) where the leg before, and the leg after, must end; NaN: at the station"""

    def __len__(self) -> int:
        return len(self.ring)

    def where(self, keep: BoolArray | IntArray) -> Stretches:
        """Stretches of a mask or an index."""
        return Stretches(*(getattr(self, name)[keep] for name in self.__slots__))


def stretches(ring: IntArray, from_m: FloatArray, to_m: FloatArray, other: IntArray) -> Stretches:
    """Stretches whose legs end at the stations."""
    nan = np.full((len(ring), 2), np.nan)
    return Stretches(ring, from_m, to_m, other, nan, nan.copy())


def no_stretches() -> Stretches:
    """No stretch at all."""
    none = np.empty(0, dtype=np.int64)
    return stretches(none, np.empty(0), np.empty(0), none)


def together(*parts: Stretches) -> Stretches:
    """Stretches of several tables in one."""
    return Stretches(*(np.concatenate([getattr(p, name) for p in parts]) for name in Stretches.__slots__))


def union(
    block: IntArray, from_m: FloatArray, to_m: FloatArray, *, gap_m: float = SAME_M
) -> tuple[IntArray, FloatArray, FloatArray, IntArray]:
    """Join stretches of the same block that overlap or touch.  The start of a ring is not passed.

    Parameters
    ----------
    block : (s,) stretches of different blocks (rings, say) never join
    gap_m : stretches this far apart touch

    Returns
    -------
    block, from_m, to_m of the joined stretches, sorted, and (s,) the joined stretch of each input.
    """
    if not len(block):
        return block, from_m, to_m, np.empty(0, dtype=np.int64)
    order = np.lexsort((to_m, from_m, block))
    b, low, high = block[order], from_m[order], to_m[order]
    first = np.concatenate([[True], b[1:] != b[:-1]])
    number = np.cumsum(first) - 1
    # blocks are pulled apart, so that one running maximum serves all of them
    apart = number * (float(np.ptp(np.concatenate([low, high]))) + 1.0)
    reached = np.maximum.accumulate(high + apart)
    new = first.copy()
    new[1:] |= (low + apart)[1:] > reached[:-1] + gap_m
    at = np.flatnonzero(new)
    part = np.empty(len(block), dtype=np.int64)
    part[order] = np.cumsum(new) - 1
    return b[at], low[at], np.maximum.reduceat(high, at), part


def next_gaps(
    block: IntArray, ring: IntArray, from_m: FloatArray, to_m: FloatArray, edges: Edges
) -> tuple[IntArray, FloatArray]:
    """The next stretch of the same block, and the gap before it.

    Parameters
    ----------
    block, ring, from_m, to_m : (s,) stretches sorted by block and start, without overlaps; a
        block lies on one ring
    edges : of the rings

    Returns
    -------
    (s,) index of the next stretch: the first one of the block after the last one on a closed
    ring, -1 after the last one on an open line; and (s,) the gap, inf where there is no next.
    """
    count = len(block)
    following = np.arange(1, count + 1)
    if not count:
        return following, np.empty(0)
    last = np.concatenate([block[1:] != block[:-1], [True]])
    first = np.flatnonzero(np.concatenate([[True], last[:-1]]))
    following[last] = first
    gap = from_m[following] - to_m
    gap[last] += edges.ring_length_m[ring[last]]
    open_end = last & ~edges.closed[ring]
    following[open_end] = -1
    gap[open_end] = np.inf
    return following, gap


@dataclass(frozen=True, slots=True, eq=False)
class Groups:
    """Stretches grouped by closing the gaps between them, in walking order.  s stretches, g groups."""

    source: IntArray
    """(s,) the stretch each row was"""
    group: IntArray
    """(s,) not decreasing"""
    from_m: FloatArray
    to_m: FloatArray
    """(s,) stations that grow within a group, beyond the ring length after the first vertex (and
    from below 0 where a group goes all round); a closed gap is shared half and half"""
    first: IntArray
    last: IntArray
    """(g,) first and last row of each group"""
    full: BoolArray
    """(g,) the group goes all round its ring"""

    @property
    def length_m(self) -> FloatArray:
        """(g,) from the first row's start to the last row's end."""
        return self.to_m[self.last] - self.from_m[self.first]


def group(
    block: IntArray, ring: IntArray, from_m: FloatArray, to_m: FloatArray, edges: Edges, close: BoolArray
) -> Groups:
    """Group stretches whose gap to the next one is closed.

    Parameters
    ----------
    block, ring, from_m, to_m, edges : as for :func:`next_gaps`
    close : (s,) the gap after this stretch is closed; False at the end of an open line
    """
    count = len(block)
    if not count:
        none = np.empty(0, dtype=np.int64)
        return Groups(none, none, from_m, to_m, none, none, np.empty(0, dtype=np.bool_))
    following, _ = next_gaps(block, ring, from_m, to_m, edges)
    opens = np.ones(count, dtype=np.bool_)
    opens[following[close]] = False
    new = np.concatenate([[True], block[1:] != block[:-1]])
    at, number = np.flatnonzero(new), np.cumsum(new) - 1
    full_block = ~np.logical_or.reduceat(opens, at)
    opens[at[full_block]] = True
    label = np.cumsum(opens) - 1
    # on a closed ring the stretches before the first opening one belong to the last group
    first_open = np.minimum.reduceat(np.where(opens, np.arange(count), count), at)
    passed = np.arange(count) < first_open[number]
    last_label = np.maximum.reduceat(label, at)
    label = np.where(passed, last_label[number], label)
    shift = np.where(passed, edges.ring_length_m[ring], 0.0)
    order = np.lexsort((from_m + shift, label))
    label, low, high = label[order], (from_m + shift)[order], (to_m + shift)[order]
    begins = np.concatenate([[True], label[1:] != label[:-1]])
    first = np.flatnonzero(begins)
    last = np.append(first[1:], count) - 1
    inner = np.flatnonzero(~begins)
    middle = (high[inner - 1] + low[inner]) / 2
    high[inner - 1] = middle
    low[inner] = middle
    full = full_block[number[order[first]]]
    # all round the ring the last gap is shared like the others, whatever the first vertex
    length = edges.ring_length_m[ring[order[first[full]]]]
    middle = (high[last[full]] + low[first[full]] + length) / 2
    high[last[full]] = middle
    low[first[full]] = middle - length
    return Groups(order, label, low, high, first, last, full)


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Whole stretches, row by row where the reason changes.  s rows, g whole stretches.

    Stations grow within a whole stretch, beyond the ring length after the first vertex.
    """

    ring: IntArray
    from_m: FloatArray
    to_m: FloatArray
    other: IntArray
    first: IntArray
    last: IntArray
    """(g,) first and last row of each whole stretch"""
    full: BoolArray
    """(g,) it goes all round its ring"""


def no_rows() -> Rows:
    """No stretch at all."""
    none = np.empty(0, dtype=np.int64)
    return Rows(none, np.empty(0), np.empty(0), none, none, none, np.empty(0, dtype=np.bool_))


def kept_rows(groups: Groups, ring: IntArray, other: IntArray, edges: Edges, least_m: float) -> Rows:
    """Rows of the groups that are longer than the least length, or go all round their ring.

    Parameters
    ----------
    groups : from :func:`group`
    ring, other : (s,) of the stretches the groups were made of
    edges : of the rings
    least_m : metres; a group of exactly this length is not kept
    """
    keep = groups.full | (groups.length_m > least_m + TINY_M)
    row = np.flatnonzero(keep[groups.group])
    number = np.cumsum(keep[groups.group]) - 1
    source = groups.source[row]
    return Rows(
        ring=ring[source],
        from_m=groups.from_m[row],
        to_m=groups.to_m[row],
        other=other[source],
        first=number[groups.first[keep]],
        last=number[groups.last[keep]],
        full=groups.full[keep],
    )


def on_ring(part: Stretches, edges: Edges) -> Stretches:
    """The same stretches with ``from_m`` brought into [0, ring length) on closed rings."""
    length = edges.ring_length_m[part.ring]
    turns = np.where(edges.closed[part.ring], np.floor((part.from_m + TINY_M) / length), 0.0)
    from_m = np.maximum(part.from_m - turns * length, 0.0)
    return replace(part, from_m=from_m, to_m=part.to_m - turns * length)


def layered(part: Stretches, layer: IntArray, edges: Edges) -> tuple[Stretches, IntArray]:
    """Lay stretches over each other so that none overlaps another.

    Parameters
    ----------
    part : stretches, overlapping as they may; they must not be longer than their ring
    layer : (s,) where stretches overlap the lowest layer wins, then the first in the table
    edges : of the rings

    Returns
    -------
    Stretches sorted by ring and start, and (s,) the layer of each.  Neighbours of the same layer
    and reason are one; a stretch that was cut keeps the leg end only at the end it still has.
    """
    if not len(part):
        return part, layer
    source, ring, low, high = _unwound(part, edges)
    ranks = np.empty(len(part), dtype=np.int64)
    ranks[np.lexsort((np.arange(len(part)), layer))] = np.arange(len(part))
    marks = np.unique(
        np.stack([np.concatenate([ring, ring]).astype(np.float64), np.concatenate([low, high])], 1), axis=0
    )
    begin, end = _find(marks, ring, low), _find(marks, ring, high)
    best = np.full(len(marks), len(part), dtype=np.int64)
    np.minimum.at(best, ragged(begin, end - begin), np.repeat(ranks[source], end - begin))
    cell = np.flatnonzero(best < len(part))
    winner = np.argsort(ranks)[best[cell]]
    cells = Stretches(
        ring=marks[cell, 0].astype(np.int64),
        from_m=marks[cell, 1],
        to_m=marks[cell + 1, 1],
        other=part.other[winner],
        start_xy=_kept(part.start_xy[winner], part.from_m[winner], marks[cell, 1]),
        far_xy=_kept(part.far_xy[winner], _far_station(part, edges)[winner], marks[cell + 1, 1]),
    )
    # what is left of a stretch under another one may be rounding only
    real = cells.to_m - cells.from_m > SAME_M
    return _joined(cells.where(real), layer[winner][real], edges)


def _unwound(part: Stretches, edges: Edges) -> tuple[IntArray, IntArray, FloatArray, FloatArray]:
    """Source, ring, from and to of stretches cut in two at the first vertex of their ring."""
    length = edges.ring_length_m[part.ring]
    over = np.flatnonzero(part.to_m > length + SAME_M)
    source = np.concatenate([np.arange(len(part)), over])
    low = np.concatenate([part.from_m, np.zeros(len(over))])
    high = np.concatenate([np.minimum(part.to_m, length), (part.to_m - length)[over]])
    return source, part.ring[source], low, high


def _far_station(part: Stretches, edges: Edges) -> FloatArray:
    """Station of the far end, in (0, ring length]."""
    length = edges.ring_length_m[part.ring]
    return np.where(part.to_m > length + SAME_M, part.to_m - length, np.minimum(part.to_m, length))


def _find(marks: XYArray, ring: IntArray, station_m: FloatArray) -> IntArray:
    """Row of (ring, station) in the sorted rows of ``marks``; it is there."""
    keys = marks[:, 0] + 1j * marks[:, 1]
    return np.searchsorted(keys, ring + 1j * station_m).astype(np.int64)


def _kept(xy: XYArray, station_m: FloatArray, now_m: FloatArray) -> XYArray:
    """Leg ends where the stretch still ends where it did."""
    return np.where((np.abs(station_m - now_m) <= SAME_M)[:, None], xy, np.nan)


def _joined(cells: Stretches, layer: IntArray, edges: Edges) -> tuple[Stretches, IntArray]:
    """Join touching cells of the same layer and reason, over the first vertex too."""
    following, gap = next_gaps(cells.ring, cells.ring, cells.from_m, cells.to_m, edges)
    same = (following >= 0) & (np.abs(gap) <= SAME_M)
    same &= (layer == layer[following]) & (cells.other == cells.other[following])
    groups = group(cells.ring, cells.ring, cells.from_m, cells.to_m, edges, same)
    first, last = groups.source[groups.first], groups.source[groups.last]
    joined = Stretches(
        ring=cells.ring[first],
        from_m=np.where(groups.full, 0.0, groups.from_m[groups.first]),
        to_m=np.where(groups.full, edges.ring_length_m[cells.ring[first]], groups.to_m[groups.last]),
        other=cells.other[first],
        start_xy=np.where(groups.full[:, None], np.nan, cells.start_xy[first]),
        far_xy=np.where(groups.full[:, None], np.nan, cells.far_xy[last]),
    )
    order = np.lexsort((joined.from_m, joined.ring))
    return joined.where(order), layer[first][order]


def without_slivers(
    part: Stretches, layer: IntArray, edges: Edges, sliver_m: float
) -> tuple[Stretches, IntArray]:
    """Close gaps too short to take edging.

    The stretch of the weaker reason (higher layer; the one before, when equal) grows over the gap.
    """
    if not len(part):
        return part, layer
    following, gap = next_gaps(part.ring, part.ring, part.from_m, part.to_m, edges)
    close = np.flatnonzero((gap > 0) & (gap < sliver_m))
    grows_before = layer[close] >= layer[following[close]]
    from_m, to_m = part.from_m.copy(), part.to_m.copy()
    start_xy, far_xy = part.start_xy.copy(), part.far_xy.copy()
    before, after = close[grows_before], following[close[~grows_before]]
    to_m[before] += gap[before]
    from_m[after] -= gap[close[~grows_before]]
    far_xy[close] = np.nan
    start_xy[following[close]] = np.nan
    under = np.where(from_m < 0, edges.ring_length_m[part.ring], 0.0)
    grown = Stretches(part.ring, from_m + under, to_m + under, part.other, start_xy, far_xy)
    order = np.lexsort((grown.from_m, grown.ring))
    return _joined(grown.where(order), layer[order], edges)
