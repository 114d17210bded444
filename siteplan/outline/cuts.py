"""What is left to edge of each outline once the breaks are taken out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from siteplan.outline.breaks_table import Breaks
from siteplan.outline.fitted import Fitted
from siteplan.planar import part_of, slices
from siteplan.types import BoolArray, FloatArray, IntArray

SAME_M: Final = 2e-6
"""stations this close are one: twice the micrometre of the tables"""


@dataclass(frozen=True, slots=True, eq=False)
class Gaps:
    """Breaks on the fitted outline, in order, free of overlap."""

    ring: IntArray
    from_m: FloatArray
    to_m: FloatArray
    """> from_m; beyond the length where the stretch straddles the first vertex"""
    row: IntArray
    """row of the Breaks"""
    breaks: Breaks

    def __len__(self) -> int:
        return len(self.ring)


def gaps_of(breaks: Breaks, fitted: Fitted) -> Gaps:
    """Carry the breaks over to the fitted outline."""
    order = np.lexsort((breaks.from_m, breaks.ring))
    ring = breaks.ring[order]
    length = fitted.line.part_length
    start = fitted.station_of(ring, breaks.from_m[order])
    stop = _station_beyond(fitted, ring, breaks.to_m[order])
    total, around = length[ring], fitted.closed[ring]
    # Carrying over can put a start just before the first vertex.
    shift = np.where(around, np.floor(start / np.where(total > 0.0, total, 1.0)) * total, 0.0)
    start, stop = start - shift, stop - shift
    start = np.where(around, start, np.clip(start, 0.0, total))
    stop = np.where(around, stop, np.clip(stop, 0.0, total))
    order2 = np.lexsort((stop, start, ring))
    ring, start, stop, order = ring[order2], start[order2], stop[order2], order[order2]
    start, stop = _apart(ring, start, stop, fitted)
    keep = stop > start
    return Gaps(ring[keep], start[keep], stop[keep], order[keep], breaks)


def _station_beyond(fitted: Fitted, ring: IntArray, traced_m: FloatArray) -> FloatArray:
    """Fitted stations of traced ones that may lie beyond the length of the ring."""
    traced_length = fitted.traced_length_m[ring]
    over = traced_m > traced_length
    at = fitted.station_of(ring, np.where(over, traced_m - traced_length, traced_m))
    return np.where(over, at + fitted.line.part_length[ring], at)


def _apart(
    ring: IntArray, start: FloatArray, stop: FloatArray, fitted: Fitted
) -> tuple[FloatArray, FloatArray]:
    """Take off each stretch what the ones before it on its ring already cover."""
    if not len(ring):
        return start, stop
    length = fitted.line.part_length
    room = 3.0 * length + 1.0
    base = (np.cumsum(room) - room)[ring]
    reach = np.maximum.accumulate(base + stop)
    before = np.concatenate(([-np.inf], reach[:-1])) - base
    first = np.concatenate(([True], ring[1:] != ring[:-1]))
    # The last stretch of a ring may go on over its first vertex.
    last = np.searchsorted(ring, ring, side="right") - 1
    over = reach[last] - base - length[ring]
    before = np.where(first, -np.inf, before)
    before = np.where(fitted.closed[ring] & (np.arange(len(ring)) != last), np.maximum(before, over), before)
    return np.maximum(start, np.minimum(before, stop)), stop


@dataclass(frozen=True, slots=True, eq=False)
class Spans:
    """What is left to edge: one row for each run, in order of ring and place.  Fitted stations."""

    ring: IntArray
    from_m: FloatArray
    to_m: FloatArray
    closed: BoolArray
    before: IntArray
    """gap the run starts behind, -1 where it starts at the end of a line or is closed"""
    behind: IntArray
    """gap the run ends at, -1 likewise"""

    def take(self, chosen: BoolArray | IntArray) -> Spans:
        """Some of the spans, in the order chosen."""
        return Spans(
            self.ring[chosen],
            self.from_m[chosen],
            self.to_m[chosen],
            self.closed[chosen],
            self.before[chosen],
            self.behind[chosen],
        )

    def __len__(self) -> int:
        return len(self.ring)


def spans_of(gaps: Gaps, fitted: Fitted) -> Spans:
    """Runs of every ring, walked from its start point."""
    rings = len(fitted.closed)
    length = fitted.line.part_length
    begin = _start_stations(fitted)
    count = np.bincount(gaps.ring, minlength=rings)
    here = np.arange(len(gaps))
    first = np.searchsorted(gaps.ring, np.arange(rings), side="left")
    ring = gaps.ring
    is_last = here == first[ring] + count[ring] - 1
    following = np.where(is_last, first[ring], here + 1)
    goes_round = fitted.closed[ring]
    to_next = np.where(
        is_last,
        np.where(goes_round, gaps.from_m[following] + length[ring], length[ring]),
        gaps.from_m[following],
    )
    # Whole rings and lines, and what lies before the first break of a line.
    whole = np.flatnonzero((count == 0) & (np.diff(fitted.offsets) > 1))
    heads = np.flatnonzero((count > 0) & ~fitted.closed)
    whole_m = np.where(fitted.closed[whole], begin[whole], 0.0)
    behind_gaps = Spans(
        ring=ring,
        from_m=gaps.to_m,
        to_m=to_next,
        closed=np.zeros(len(ring), dtype=np.bool_),
        before=here,
        behind=np.where(is_last & ~goes_round, -1, following),
    )
    alone = np.full(len(whole), -1, dtype=np.int64)
    wholes = Spans(whole, whole_m, whole_m + length[whole], fitted.closed[whole], alone, alone)
    lead = Spans(
        ring=heads,
        from_m=np.zeros(len(heads)),
        to_m=gaps.from_m[first[heads]],
        closed=np.zeros(len(heads), dtype=np.bool_),
        before=np.full(len(heads), -1, dtype=np.int64),
        behind=first[heads],
    )
    spans = _joined(behind_gaps, wholes, lead)
    return _in_order(spans.take(spans.to_m - spans.from_m > SAME_M), begin, fitted)


def _joined(*parts: Spans) -> Spans:
    """Tables of spans, one after the other."""
    return Spans(
        np.concatenate([p.ring for p in parts]),
        np.concatenate([p.from_m for p in parts]),
        np.concatenate([p.to_m for p in parts]),
        np.concatenate([p.closed for p in parts]),
        np.concatenate([p.before for p in parts]),
        np.concatenate([p.behind for p in parts]),
    )


def _in_order(spans: Spans, begin: FloatArray, fitted: Fitted) -> Spans:
    """Spans by ring, then by place from the start point; starts taken round into the ring."""
    total = fitted.line.part_length[spans.ring]
    around = fitted.closed[spans.ring]
    start = np.where(around, np.mod(spans.from_m, total), spans.from_m)
    start = np.where(around & (total - start < SAME_M), 0.0, start)
    spans = replace(spans, from_m=start, to_m=start + (spans.to_m - spans.from_m))
    place = np.where(around, np.mod(start - begin[spans.ring] + SAME_M, total), start)
    return spans.take(np.lexsort((place, spans.ring)))


def _start_stations(fitted: Fitted) -> FloatArray:
    """(r,) station of the start point of closed rings, 0 for lines.

    It is the south-most corner, or the south-most point of a ring without corners; of several
    within two micrometres the west-most.  A polygon's south-most point is a vertex, or lies on a
    level edge, whose west end is a vertex.
    """
    rings = len(fitted.closed)
    part = part_of(fitted.offsets)
    cornered = np.bincount(part[fitted.corner_vertex], minlength=rings) > 0
    allowed = fitted.closed[part] & ~cornered[part]
    allowed[fitted.corner_vertex] = fitted.closed[part[fitted.corner_vertex]]
    out = np.zeros(rings)
    vertex = np.flatnonzero(allowed)
    if not len(vertex):
        return out
    ring = part[vertex]
    x, y = fitted.xy[vertex, 0], fitted.xy[vertex, 1]
    least = np.full(rings, np.inf)
    np.minimum.at(least, ring, y)
    low = y <= least[ring] + SAME_M
    vertex, ring, x = vertex[low], ring[low], x[low]
    order = np.lexsort((x, ring))
    present, first = np.unique(ring[order], return_index=True)
    out[present] = fitted.line.station[vertex[order[first]]]
    return out


def edged_edges(spans: Spans, fitted: Fitted) -> BoolArray:
    """(v,) True where the edge leaving a vertex takes edging, at least in part."""
    out = np.zeros(len(fitted.xy), dtype=np.bool_)
    if len(spans):
        pieces = slices(fitted.index, spans.ring, spans.from_m, spans.to_m)
        last = np.zeros(len(pieces.edge), dtype=np.bool_)
        last[pieces.offsets[1:] - 1] = True
        out[pieces.edge[~last]] = True
    return out
