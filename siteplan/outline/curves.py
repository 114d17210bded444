"""Least radii of curved legs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from siteplan.planar import edges, offsets_of, part_of, turns
from siteplan.types import BoolArray, FloatArray, OffsetArray, XYArray

ALIKE: Final = 1.0 / 3.0
"""a neighbour turning the same way by at least this share belongs to the same curve"""
LONG_END: Final = 1.5
"""the first edge of a leg belongs to the curve when it is no longer than this many of the next"""
LEAST_TURN_RAD: Final = 1e-6
"""less turn than this in a metre is no curve"""


def least_radii(
    xy: XYArray, offsets: OffsetArray, ring: BoolArray, stretch_m: float, bend_rad: float = np.radians(35.0)
) -> tuple[FloatArray, FloatArray]:
    """Least radius of the left-turning and of the right-turning curve in each leg.

    The turn at a vertex is spread evenly over half of the edge on either side where the next
    vertex there turns alike, else over half of the stretch at most: a bend between straight
    edges is bent over no more than the stretch.  The radius is then the stretch divided by the
    greatest net turn over any piece of that length.  Where the leg is shorter, or a bend of two
    vertices or more that turns by ``bend_rad``, its own length takes the place of the stretch.

    Parameters
    ----------
    xy, offsets : legs as open polylines, both ends included
    ring : (l,) True where the leg is a closed run without corners, whose last vertex is its first
    stretch_m : length of the sliding window
    bend_rad : least turn of a bend that is measured over its own length

    Returns
    -------
    Left and right radius (l,), metres, inf where the leg does not turn that way.

    Notes
    -----
    A circle of radius r traced with chords s has radius s / (2 asin(s / 2r)) here, less than r by
    the fraction s^2 / 24 r^2 (1.6 % at ten chords to the circle, 0.3 % at 24), so never too large;
    the same holds for an arc between straight edges that is no shorter than the stretch.  A
    shorter arc (most of those are corners) can come out too large, by up to 9 % with six chords
    and 4 % with twelve.  A mitred offset moves the first and last chords of an arc unlike the
    others: with an offset of 0.1 m the radius can be some 6 % small at six chords, 3 % at twelve.
    """
    count = len(offsets) - 1
    if not count:
        return np.zeros(0), np.zeros(0)
    open_xy, open_offsets = _twice_round(xy, offsets, ring)
    line = edges(open_xy, open_offsets, np.zeros(count, dtype=np.bool_))
    turn = turns(line, open_offsets, np.zeros(count, dtype=np.bool_))
    spread = _spread(turn, line.length, open_offsets, stretch_m)
    # Direction along the leg: level, rising over the spread of each vertex.  Keys of legs lie
    # more than two stretches apart so that no window sees the next leg.
    part = part_of(open_offsets)
    room = line.part_length + 2.0 * stretch_m + 1.0
    base = np.cumsum(room) - room + stretch_m
    middle = base[part] + line.station
    knots = np.stack([middle - spread.before, middle + spread.behind], axis=1)
    window = np.minimum(np.minimum(stretch_m, line.part_length)[part], _bends(middle, turn, spread, bend_rad))
    knots = np.maximum.accumulate(knots.ravel())
    after = np.cumsum(turn)
    heading = np.stack([after - turn, after], axis=1).ravel()
    window = np.repeat(window, 2)
    ahead = (_heading(knots + window, knots, heading) - heading) / window
    back = (heading - _heading(knots - window, knots, heading)) / window
    starts = 2 * open_offsets[:-1]
    greatest = np.maximum.reduceat(np.maximum(ahead, back), starts)
    least = np.minimum.reduceat(np.minimum(ahead, back), starts)
    return _radius(greatest), _radius(-least)


def _bends(place: FloatArray, turn: FloatArray, spread: _Spread, bend_rad: float) -> FloatArray:
    """(v,) length of the bend each vertex belongs to, inf outside bends.

    A bend is two vertices or more in a row that turn alike, and by ``bend_rad`` or more together.
    Its length is that from the first to the last: what the last ones turn beyond may be half a
    curve only.
    """
    linked = np.concatenate(([False], spread.like_behind[:-1] & spread.like_before[1:]))
    linked &= np.concatenate(([False], (turn[:-1] != 0.0) & (turn[1:] != 0.0)))
    bend = np.cumsum(~linked) - 1
    first = np.flatnonzero(~linked)
    size = np.diff(np.concatenate((first, [len(turn)])))
    length = place[first + size - 1] - place[first]
    total = np.abs(np.add.reduceat(turn, first))
    real = (size >= 2) & (total >= bend_rad) & (length > 0.0)
    of_bend: FloatArray = np.where(real, length, np.inf)
    return np.take(of_bend, bend)


def _heading(at: FloatArray, knots: FloatArray, heading: FloatArray) -> FloatArray:
    out: FloatArray = np.interp(at, knots, heading)
    return out


def _radius(turn_per_m: FloatArray) -> FloatArray:
    """Radius of a curve that turns by so much for each metre; inf for no turn."""
    some = turn_per_m > LEAST_TURN_RAD
    return np.where(some, 1.0 / np.where(some, turn_per_m, 1.0), np.inf)


def _twice_round(xy: XYArray, offsets: OffsetArray, ring: BoolArray) -> tuple[XYArray, OffsetArray]:
    """Closed runs walked twice, so that the seam has all of its neighbours somewhere."""
    if not ring.any():
        return xy, offsets
    size = np.diff(offsets)
    counts = np.where(ring, 2 * size - 1, size)
    new = offsets_of(counts)
    part = part_of(new)
    local = np.arange(int(new[-1])) - new[:-1][part]
    around = np.where(ring[part], np.mod(local, np.maximum(size[part] - 1, 1)), local)
    return xy[offsets[:-1][part] + around], new


@dataclass(frozen=True, slots=True, eq=False)
class _Spread:
    """How far before and behind each vertex its turn is spread, and where its neighbours turn alike."""

    before: FloatArray
    behind: FloatArray
    like_before: BoolArray
    like_behind: BoolArray


def _spread(turn: FloatArray, length: FloatArray, offsets: OffsetArray, stretch_m: float) -> _Spread:
    """Spread the turn of each vertex over the edges beside it."""
    count = len(turn)
    first = np.zeros(count, dtype=np.bool_)
    last = np.zeros(count, dtype=np.bool_)
    first[offsets[:-1]] = True
    last[offsets[1:] - 1] = True
    edge_before = np.where(first, 0.0, np.concatenate(([0.0], length[:-1])))
    edge_behind = np.where(last, 0.0, length)
    turn_before = np.where(first, 0.0, np.concatenate(([0.0], turn[:-1])))
    turn_behind = np.where(last, 0.0, np.concatenate((turn[1:], [0.0])))
    like_before = turn_before * np.sign(turn) >= ALIKE * np.abs(turn)
    like_behind = turn_behind * np.sign(turn) >= ALIKE * np.abs(turn)
    # The first and the last edge of a leg have no turn at their far vertex to compare with.
    at_first = np.concatenate(([False], first[:-1]))
    at_last = np.concatenate((last[1:], [False]))
    like_before |= at_first & like_behind & (edge_before <= LONG_END * edge_behind)
    like_behind |= at_last & like_before & (edge_behind <= LONG_END * edge_before)
    reach_before, reach_behind = 0.5 * edge_before, 0.5 * edge_behind
    # At the end of a curve the turn goes no farther out than it goes in.
    out_before = np.minimum(np.where(like_behind, reach_behind, np.inf), 0.5 * stretch_m)
    out_behind = np.minimum(np.where(like_before, reach_before, np.inf), 0.5 * stretch_m)
    return _Spread(
        before=np.where(like_before, reach_before, np.minimum(reach_before, out_before)),
        behind=np.where(like_behind, reach_behind, np.minimum(reach_behind, out_behind)),
        like_before=like_before,
        like_behind=like_behind,
    )
