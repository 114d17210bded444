"""Where an outline has corners.

The rule (distances along the outline, W = ``corner_stretch_m``, 0.5 m by default; turns are
net, left positive, and compared without sign):

1. *Group.*  A corner is a group of neighbouring vertices, one or more, no more than W from the
   first to the last, that turn by at least ``corner_turn_deg`` (35) together.  The first and
   the last vertex of the group each turn by at least a third of the group's mean.
2. *Sharp.*  A vertex that turns by 55 degrees or more is a corner by itself, whatever lies round
   it: nobody traces a curve with six vertices to the circle.  So is a group within W/5 that
   does so and has, over twice its own extent (at least W/10) on either side, no more than a
   quarter of its turn: a nick, a double click, a small rounding.  A sharp vertex, too, needs
   that over W/10.  Sharp corners stay apart, however close they are.
3. *Standing out.*  Any other group is a corner only where its turn stands out.  Over W plus its
   own extent on either side (half the rest of a small ring at most), sharp corners left aside,
   the outline turns by no more than two fifths of it; and right behind the group, within one
   and a half of its mean vertex spacing, by less than half its mean vertex turn.  A smooth curve
   collects turn at the same rate before and after, so it fails; the second part fails every
   group that is only a piece of an arc longer than W.
4. *Choice.*  Of groups that overlap the one whose turn exceeds that of both flanks by most wins;
   a group of more than 150 degrees is no corner, nor is any part of it: the legs would not meet.
   A group may take one sharp corner in, not two.
5. *Place.*  A single vertex is the corner.  Otherwise a line is fitted to the outline on either
   side, over W or up to the next corner, and the corner lies where the two meet; it must lie within
   W of the group's end vertices.  Unless the group is sharp, the fitted lines must turn by
   ``corner_turn_deg`` too (a single vertex: by seven tenths of it, as its flanks may curve back); a
   slip of the hand on a smooth outline does not.  Where that fails, a sharp corner inside stands
   alone, else there is none.

A vertex can be named a corner, which then stands alone, or no corner, which then is in no group.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from siteplan.outline.rules import OutlineRules
from siteplan.planar import (
    Edges,
    StationIndex,
    cross_dot,
    edges,
    line_crossings,
    offsets_of,
    part_of,
    ragged,
    slices,
    turns,
)
from siteplan.types import BoolArray, FloatArray, IntArray, KindArray, OffsetArray, XYArray

SHARP_DEG: Final = 55.0
SHARP_STRETCH: Final = 0.2
SHARP_FLANK: Final = 0.1
SHARP_SHARE: Final = 0.25
FLANK_SHARE: Final = 0.4
END_SHARE: Final = 1.0 / 3.0
NEAR_SPACINGS: Final = 1.5
NEAR_SHARE: Final = 0.5
GREATEST_DEG: Final = 150.0
SINGLE_SHARE: Final = 0.7
_TIE_M: Final = 1e-6
_TIE_RAD: Final = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class Corners:
    """Corners of all rings, by ring and then by the station of their first vertex.  c corners."""

    ring: IntArray
    first: IntArray
    """(c,) index of the first vertex of the group"""
    last: IntArray
    """(c,) index of the last vertex; before the first one where the group straddles vertex 0"""
    size: IntArray
    """(c,) vertices in the group"""
    xy: XYArray
    """(c, 2) where the corner lies"""
    nearest: IntArray
    """(c,) the vertex of the group nearest to it"""
    moved_m: FloatArray
    """(c,) distance to that vertex"""
    keep_first: BoolArray
    """(c,) True where the first vertex stays on the arriving leg"""
    keep_last: BoolArray
    """(c,) True where the last vertex stays on the leaving leg"""

    def __len__(self) -> int:
        return len(self.ring)


@dataclass(frozen=True, slots=True, eq=False)
class _Outline:
    """The traced outline, ready for sums over neighbouring vertices."""

    xy: XYArray
    offsets: OffsetArray
    closed: BoolArray
    line: Edges
    index: StationIndex
    turn: FloatArray
    forced: KindArray
    part: IntArray

    def at(self, ring: IntArray, local: IntArray) -> IntArray:
        """Vertex of a position along a ring, taken round."""
        first = self.offsets[ring]
        vertex: IntArray = first + np.mod(local, self.offsets[ring + 1] - first)
        return vertex

    def total(self, running: FloatArray, ring: IntArray, start: IntArray, count: IntArray) -> FloatArray:
        """Sum over ``count`` vertices from position ``start``, from running sums (v + 1,)."""
        first = self.offsets[ring]
        size = self.offsets[ring + 1] - first
        begin = np.mod(start, size)
        stop = begin + count
        over = np.maximum(stop - size, 0)
        out: FloatArray = (
            running[first + np.minimum(stop, size)]
            - running[first + begin]
            + running[first + over]
            - running[first]
        )
        return out

    def extent(self, ring: IntArray, start: IntArray, count: IntArray) -> FloatArray:
        """Distance from the first to the last of ``count`` vertices."""
        stop = start + count - 1
        wrapped = stop >= self.offsets[ring + 1] - self.offsets[ring]
        span = self.line.station[self.at(ring, stop)] - self.line.station[self.at(ring, start)]
        return np.where(wrapped, span + self.line.part_length[ring], span)


@dataclass(frozen=True, slots=True, eq=False)
class _Groups:
    """Groups of neighbouring vertices: ``size`` of them from position ``start`` of a ring."""

    ring: IntArray
    start: IntArray
    size: IntArray
    turn: FloatArray
    extent: FloatArray

    def take(self, chosen: BoolArray | IntArray) -> _Groups:
        return _Groups(
            self.ring[chosen], self.start[chosen], self.size[chosen], self.turn[chosen], self.extent[chosen]
        )

    def __len__(self) -> int:
        return len(self.ring)


def find_corners(
    xy: XYArray,
    offsets: OffsetArray,
    closed: BoolArray,
    rules: OutlineRules | None = None,
    *,
    forced: KindArray | None = None,
) -> Corners:
    """Corners of repaired outlines; the rule is stated at the head of this module.

    Parameters
    ----------
    xy : (v, 2) metres, no repeated vertices
    offsets : (r + 1,)
    closed : (r,)
    rules : settings; the defaults where None
    forced : (v,) 1 where a vertex is a corner whatever the rule says, -1 where it is none,
        0 elsewhere; ends of open lines are never corners

    Returns
    -------
    Corners, the same for any first vertex, direction, place and heading of a ring.
    """
    rules = rules or OutlineRules()
    line = edges(xy, offsets, closed)
    if forced is None:
        forced = np.zeros(len(xy), dtype=np.int8)
    outline = _Outline(
        xy=xy,
        offsets=offsets,
        closed=closed,
        line=line,
        index=StationIndex.of(line, offsets, closed),
        turn=turns(line, offsets, closed),
        forced=forced,
        part=part_of(offsets),
    )
    sharp = _sharp(outline, rules)
    chosen, of_sharp = _choose(outline, sharp, rules)
    return _place(outline, chosen, sharp, of_sharp, rules)


def _groups(outline: _Outline, reach_m: float, least_rad: float) -> _Groups:
    """Every group within a reach that turns enough and whose end vertices take part.

    One pass for each group size, over the starts that still fit: the work grows with the
    number of vertices within the reach of a vertex, not with the size of a ring.
    """
    running = np.concatenate(([0.0], np.cumsum(outline.turn)))
    inner = np.ones(len(outline.xy), dtype=np.bool_)
    ends_of = np.flatnonzero(~outline.closed & (np.diff(outline.offsets) > 0))
    inner[outline.offsets[:-1][ends_of]] = False
    inner[outline.offsets[1:][ends_of] - 1] = False
    allowed = inner & (outline.forced == 0)
    vertex = np.flatnonzero(allowed)
    ring = outline.part[vertex]
    start = vertex - outline.offsets[ring]
    found: list[_Groups] = []
    size = 1
    while len(ring):
        count = np.full(len(ring), size, dtype=np.int64)
        extent = outline.extent(ring, start, count)
        last = outline.at(ring, start + size - 1)
        fits = (extent <= reach_m + _TIE_M) & allowed[last]
        fits &= size < outline.offsets[ring + 1] - outline.offsets[ring]
        ring, start, extent, last, count = ring[fits], start[fits], extent[fits], last[fits], count[fits]
        turn = outline.total(running, ring, start, count)
        share = np.abs(turn) * (END_SHARE / size)
        take_part = np.abs(outline.turn[outline.at(ring, start)]) >= share - _TIE_RAD
        take_part &= np.abs(outline.turn[last]) >= share - _TIE_RAD
        good = (np.abs(turn) >= least_rad - _TIE_RAD) & take_part
        found.append(_Groups(ring, start, count, turn, extent).take(good))
        size += 1
    return _joined(found)


def _joined(parts: list[_Groups]) -> _Groups:
    """Tables of groups, one after the other."""
    empty = np.zeros(0, dtype=np.int64)
    return _Groups(
        ring=np.concatenate([empty, *(p.ring for p in parts)]),
        start=np.concatenate([empty, *(p.start for p in parts)]),
        size=np.concatenate([empty, *(p.size for p in parts)]),
        turn=np.concatenate([np.zeros(0), *(p.turn for p in parts)]),
        extent=np.concatenate([np.zeros(0), *(p.extent for p in parts)]),
    )


def _flank_turns(
    outline: _Outline, groups: _Groups, running: FloatArray, reach_m: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Net turn within a reach before and behind each group, from running sums of turn."""
    ring, station, total = groups.ring, outline.line.station, outline.line.part_length
    around = total[ring]
    ring_closed = outline.closed[ring]
    size = outline.offsets[ring + 1] - outline.offsets[ring]
    room = np.where(ring_closed, 0.5 * (around - groups.extent), np.inf)
    reach = np.minimum(reach_m, room) + _TIE_M
    low = station[outline.at(ring, groups.start)] - reach
    wrapped = ring_closed & (low < 0.0)
    place = np.where(wrapped, np.maximum(low + around, 0.0), np.maximum(low, 0.0))
    begin = outline.index.count_to(ring, place, inclusive=False)
    before = np.maximum(groups.start - begin + np.where(wrapped, size, 0), 0)
    last = groups.start + groups.size - 1
    high = station[outline.at(ring, last)] + reach
    wrapped = ring_closed & (high > around)
    place = np.where(wrapped, np.minimum(high - around, around), np.minimum(high, around))
    end = outline.index.count_to(ring, place, inclusive=True) + np.where(wrapped, size, 0)
    behind = np.maximum(end - 1 - np.mod(last, size), 0)
    return (
        outline.total(running, ring, groups.start - before, np.minimum(before, size)),
        outline.total(running, ring, last + 1, np.minimum(behind, size)),
    )


def _best(outline: _Outline, groups: _Groups, score: FloatArray) -> IntArray:
    """Groups that win against every group they share a vertex with, then the best of the rest.

    Ties go to the smaller group, then to the earlier one.
    """
    order = np.lexsort((groups.start, groups.ring, -groups.size, np.round(score, 9)))
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.arange(len(order))
    alive = np.arange(len(order))
    best = np.full(len(outline.xy), -1, dtype=np.int64)
    winners: list[IntArray] = [np.zeros(0, dtype=np.int64)]
    while len(alive):
        size = groups.size[alive]
        owner = np.repeat(np.arange(len(alive)), size)
        member = outline.at(groups.ring[alive][owner], ragged(groups.start[alive], size))
        best[member] = -1
        np.maximum.at(best, member, rank[alive][owner])
        starts = offsets_of(size)[:-1]
        wins = np.logical_and.reduceat(best[member] == rank[alive][owner], starts)
        winners.append(alive[wins])
        taken = np.zeros(len(outline.xy), dtype=np.bool_)
        taken[member[wins[owner]]] = True
        alive = alive[~np.logical_or.reduceat(taken[member], starts)]
    return np.sort(np.concatenate(winners))


def _sharp(outline: _Outline, rules: OutlineRules) -> _Groups:
    """Groups that are corners by themselves, and the vertices named corners."""
    stretch = rules.corner_stretch_m
    groups = _groups(outline, SHARP_STRETCH * stretch, np.radians(max(SHARP_DEG, rules.corner_turn_deg)))
    groups = groups.take((groups.size == 1) | (np.abs(groups.turn) <= np.radians(GREATEST_DEG)))
    running = np.concatenate(([0.0], np.cumsum(outline.turn)))
    reach = np.maximum(2.0 * groups.extent, SHARP_FLANK * stretch)
    before, behind = _flank_turns(outline, groups, running, reach)
    amount = np.abs(groups.turn)
    clear = np.maximum(np.abs(before), np.abs(behind)) <= SHARP_SHARE * amount + _TIE_RAD
    groups = groups.take(clear)
    score = (amount - np.abs(before) - np.abs(behind))[clear]
    groups = groups.take(_best(outline, groups, score))
    vertex = np.flatnonzero((outline.forced > 0) & _inside(outline))
    ring = outline.part[vertex]
    named = _Groups(
        ring=ring,
        start=vertex - outline.offsets[ring],
        size=np.ones(len(vertex), dtype=np.int64),
        turn=outline.turn[vertex],
        extent=np.zeros(len(vertex)),
    )
    return _joined([groups, named])


def _inside(outline: _Outline) -> BoolArray:
    """(v,) False at the ends of open lines."""
    out = np.ones(len(outline.xy), dtype=np.bool_)
    some = ~outline.closed & (np.diff(outline.offsets) > 0)
    out[outline.offsets[:-1][some]] = False
    out[outline.offsets[1:][some] - 1] = False
    return out


def _choose(outline: _Outline, sharp: _Groups, rules: OutlineRules) -> tuple[_Groups, IntArray]:
    """All corners, and for each the sharp group it holds (-1 where none)."""
    owner = np.repeat(np.arange(len(sharp)), sharp.size)
    member = outline.at(sharp.ring[owner], ragged(sharp.start, sharp.size))
    held = np.full(len(outline.xy), -1, dtype=np.int64)
    held[member] = owner
    groups = _groups(outline, rules.corner_stretch_m, np.radians(rules.corner_turn_deg))
    of_sharp, whole = _sharp_inside(outline, groups, sharp, held)
    groups, of_sharp = groups.take(whole), of_sharp[whole]

    aside = np.where(held >= 0, 0.0, outline.turn)
    running = np.concatenate(([0.0], np.cumsum(aside)))
    before, behind = _flank_turns(outline, groups, running, rules.corner_stretch_m + groups.extent)
    spacing = groups.extent / np.maximum(groups.size - 1, 1)
    near_before, near_behind = _flank_turns(outline, groups, running, NEAR_SPACINGS * spacing)
    amount, sign = np.abs(groups.turn), np.sign(groups.turn)
    out = np.maximum(np.abs(before), np.abs(behind)) <= FLANK_SHARE * amount + _TIE_RAD
    limit = NEAR_SHARE * amount / groups.size - _TIE_RAD
    out &= np.maximum(sign * near_before, sign * near_behind) < limit
    long_way = amount > np.radians(GREATEST_DEG) + _TIE_RAD
    holds = of_sharp >= 0
    # What a sharp corner takes in must turn the same way and leave a turn that legs can make.
    out &= ~holds | (~long_way & (sign == np.sign(sharp.turn[of_sharp] if len(sharp) else sign)))
    groups, of_sharp, long_way = groups.take(out), of_sharp[out], long_way[out]
    score = (amount - np.abs(before) - np.abs(behind))[out]

    alone_before, alone_behind = _flank_turns(outline, sharp, running, rules.corner_stretch_m + sharp.extent)
    alone = np.abs(sharp.turn) - np.abs(alone_before) - np.abs(alone_behind)
    everything = _joined([groups, sharp])
    of_sharp = np.concatenate([of_sharp, np.arange(len(sharp))])
    long_way = np.concatenate([long_way, np.zeros(len(sharp), dtype=np.bool_)])
    winners = _best(outline, everything, np.concatenate([score, alone]))
    winners = winners[~long_way[winners]]
    return everything.take(winners), of_sharp[winners]


def _sharp_inside(
    outline: _Outline, groups: _Groups, sharp: _Groups, held: IntArray
) -> tuple[IntArray, BoolArray]:
    """Sharp group in each group (-1: none), and whether it is whole, the only one, and not all of it."""
    first = outline.at(groups.ring, groups.start)
    last = outline.at(groups.ring, groups.start + groups.size - 1)
    starts = np.zeros(len(outline.xy))
    starts[outline.at(sharp.ring, sharp.start)] = 1.0
    running = np.concatenate(([0.0], np.cumsum(starts)))
    heads = np.rint(outline.total(running, groups.ring, groups.start, groups.size)).astype(np.int64)
    inside = np.zeros(len(outline.xy))
    inside[held >= 0] = 1.0
    running = np.concatenate(([0.0], np.cumsum(inside)))
    members = np.rint(outline.total(running, groups.ring, groups.start, groups.size)).astype(np.int64)
    # The sum of the numbers of the members, divided by how many they are, is the number itself
    # where there is only one sharp group.
    running = np.concatenate(([0.0], np.cumsum(np.where(held >= 0, held, 0).astype(np.float64))))
    total = outline.total(running, groups.ring, groups.start, groups.size)
    which = np.where(members > 0, np.rint(total / np.maximum(members, 1)), -1).astype(np.int64)
    none = members == 0
    size = sharp.size[which] if len(sharp) else np.zeros(len(groups), dtype=np.int64)
    one = (heads == 1) & (members == size) & (members < groups.size)
    split = (held[first] >= 0) & (held[first] != which) | (held[last] >= 0) & (held[last] != which)
    return which, none | (one & ~split)


def _place(
    outline: _Outline, groups: _Groups, sharp: _Groups, of_sharp: IntArray, rules: OutlineRules
) -> Corners:
    """Put each group's corner where the legs fitted on either side of it meet."""
    corners, good = _meet(outline, groups, of_sharp >= 0, rules)
    if not good.all():
        back = ~good & (of_sharp >= 0)
        alone = sharp.take(of_sharp[back])
        groups = _joined([groups.take(good), alone])
        held = np.concatenate([of_sharp[good], of_sharp[back]]) >= 0
        corners, good = _meet(outline, groups, held, rules)
        if not good.all():
            corners, good = _meet(outline, groups.take(good), held[good], rules)
    return corners


def _meet(
    outline: _Outline, groups: _Groups, is_sharp: BoolArray, rules: OutlineRules
) -> tuple[Corners, BoolArray]:
    """Corners of groups, in order, and which of the *given* groups have one."""
    order = np.lexsort((groups.start, groups.ring))
    given = groups
    groups, sharp_here = given.take(order), is_sharp[order]
    first = outline.at(groups.ring, groups.start)
    last = outline.at(groups.ring, groups.start + groups.size - 1)
    xy = outline.xy[first].copy()
    nearest = first.copy()
    good = np.ones(len(groups), dtype=np.bool_)
    keep_first = np.zeros(len(groups), dtype=np.bool_)
    keep_last = keep_first.copy()
    many = np.flatnonzero((groups.size > 1) | ~sharp_here)
    if len(many):
        stretch = rules.corner_stretch_m
        left, right = _legs_beside(outline, groups, first, last, many, stretch)
        meet = line_crossings(left[0], left[1], right[0], right[1])
        cross, dot = cross_dot(left[1], right[1])
        turn = np.arctan2(cross, dot)
        to_first, to_last = meet - outline.xy[first[many]], outline.xy[last[many]] - meet
        reach = np.maximum(np.hypot(*to_first.T), np.hypot(*to_last.T))
        single = groups.size[many] == 1
        fine = np.isfinite(meet[:, 0]) & (np.nan_to_num(reach, nan=np.inf) <= stretch + _TIE_M)
        fine &= np.sign(turn) == np.sign(groups.turn[many])
        least = np.radians(rules.corner_turn_deg) * np.where(single, SINGLE_SHARE, 1.0)
        enough = (np.abs(turn) >= least - _TIE_RAD) & (np.sign(turn) == np.sign(groups.turn[many]))
        good[many] = (fine | single) & (sharp_here[many] | enough)
        xy[many] = np.where((fine & ~single)[:, None], meet, xy[many])
        keep_first[many] = ~single & (cross_dot(to_first, left[1])[1] > _TIE_M)
        keep_last[many] = ~single & (cross_dot(to_last, right[1])[1] > _TIE_M)
    owner = np.repeat(np.arange(len(groups)), groups.size)
    member = outline.at(groups.ring[owner], ragged(groups.start, groups.size))
    away = np.hypot(*(outline.xy[member] - xy[owner]).T)
    moved = np.minimum.reduceat(away, offsets_of(groups.size)[:-1]) if len(groups) else np.zeros(0)
    hit = np.flatnonzero(away == moved[owner])[::-1]
    nearest[owner[hit]] = member[hit]
    in_given = np.empty(len(groups), dtype=np.bool_)
    in_given[order] = good
    corners = Corners(groups.ring, first, last, groups.size, xy, nearest, moved, keep_first, keep_last)
    return corners, in_given


def _legs_beside(
    outline: _Outline,
    groups: _Groups,
    first: IntArray,
    last: IntArray,
    many: IntArray,
    stretch: float,
) -> tuple[tuple[XYArray, XYArray], tuple[XYArray, XYArray]]:
    """Lines fitted to the outline before and behind some groups: point and direction of each.

    ``groups`` are in order of ring and station; a fit ends at the neighbouring group.
    """
    station, length = outline.line.station, outline.line.part_length
    ring = groups.ring
    count = len(ring)
    here = np.arange(count)
    ring_first = np.searchsorted(ring, ring, side="left")
    ring_last = np.searchsorted(ring, ring, side="right") - 1
    before = np.where(here > ring_first, here - 1, ring_last)
    behind = np.where(here < ring_last, here + 1, ring_first)
    around, ring_closed = length[ring], outline.closed[ring]
    gap_before = station[first] - station[last[before]]
    gap_behind = station[first[behind]] - station[last]
    lone_before, lone_behind = here == ring_first, here == ring_last
    gap_before = np.where(
        ring_closed, np.mod(gap_before, around), np.where(lone_before, station[first], gap_before)
    )
    gap_behind = np.where(
        ring_closed, np.mod(gap_behind, around), np.where(lone_behind, around - station[last], gap_behind)
    )
    # The only corner of a ring has the whole ring on either side.
    gap_before = np.where(ring_closed & (gap_before <= 0.0), around, gap_before)
    gap_behind = np.where(ring_closed & (gap_behind <= 0.0), around, gap_behind)
    reach_before = np.minimum(gap_before, stretch)[many]
    reach_behind = np.minimum(gap_behind, stretch)[many]
    total = around[many]
    start = station[first[many]] - reach_before
    start = np.where(ring_closed[many], np.mod(start, total), np.maximum(start, 0.0))
    one = slices(outline.index, ring[many], start, start + reach_before)
    two = slices(outline.index, ring[many], station[last[many]], station[last[many]] + reach_behind)
    return (
        fit_lines(one.of(outline.xy, outline.line), one.offsets),
        fit_lines(two.of(outline.xy, outline.line), two.offsets),
    )


def fit_lines(xy: XYArray, offsets: OffsetArray) -> tuple[XYArray, XYArray]:
    """Straight line nearest to each open polyline in the sense of least squares over its length.

    Every point of the polyline counts, not its vertices, so a vertex added on an edge changes
    nothing.

    Parameters
    ----------
    xy : (w, 2) metres
    offsets : (n + 1,); at least two vertices each, of more than zero length together

    Returns
    -------
    A point on each line (n, 2), and its unit direction in walking order (n, 2).
    """
    count = len(offsets) - 1
    line = edges(xy, offsets, np.zeros(count, dtype=np.bool_))
    part = part_of(offsets)
    weight = line.length
    middle = xy + 0.5 * line.vector
    total = line.part_length
    starts = offsets[:-1]
    origin = xy[starts]
    local = middle - origin[part]
    centre = np.add.reduceat(weight[:, None] * local, starts) / total[:, None]
    local = local - centre[part]
    products = [
        np.add.reduceat(
            weight * (local[:, a] * local[:, b] + line.vector[:, a] * line.vector[:, b] / 12.0), starts
        )
        for a, b in ((0, 0), (0, 1), (1, 1))
    ]
    angle = 0.5 * np.arctan2(2.0 * products[1], products[0] - products[2])
    direction = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    ahead = xy[offsets[1:] - 1] - xy[starts]
    _, dot = cross_dot(ahead, direction)
    direction[dot < 0.0] *= -1.0
    return origin + centre, direction
