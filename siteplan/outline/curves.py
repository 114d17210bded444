"""Least radii of curved legs."""

from __future__ import annotations

from typing import Final

import numpy as np

from siteplan.planar import edges, offsets_of, part_of, turns
from siteplan.types import BoolArray, FloatArray, OffsetArray, XYArray

ALIKE: Final = 1.0 / 3.0
"""a neighbour turning the same way by at least this share belongs to the same curve"""
LONG_END: Final = 1.5
"""the first edge of a leg belongs to the curve when it is no longer than this many of the next"""
LEAST_TURN_RAD: Final = 1e-6
"""less turn than this over the whole stretch is no curve"""


def least_radii(
    xy: XYArray, offsets: OffsetArray, ring: BoolArray, stretch_m: float
) -> tuple[FloatArray, FloatArray]:
    """Least radius of the left-turning and of the right-turning curve in each leg.

    The turn at a vertex is spread evenly over half of the edge on either side where the next
    vertex there turns alike, else over half of the stretch at most: a bend between straight
    edges is bent over no more than the stretch.  The radius is then the stretch (or the leg, where it is
    shorter) divided by the greatest net turn over any piece of that length.

    Parameters
    ----------
    xy, offsets : legs as open polylines, both ends included
    ring : (l,) True where the leg is a closed run without corners, whose last vertex is its first
    stretch_m : length of the sliding window

    Returns
    -------
    Left and right radius (l,), metres, inf where the leg does not turn that way.

    Notes
    -----
    A circle of radius r traced with chords s has radius s / (2 asin(s / 2r)) here, less than r by
    the fraction s^2 / 24 r^2 (1.6 % at ten chords, 0.3 % at 24): never too large.
    """
    count = len(offsets) - 1
    if not count:
        return np.zeros(0), np.zeros(0)
    open_xy, open_offsets = _twice_round(xy, offsets, ring)
    open_line = np.zeros(count, dtype=np.bool_)
    line = edges(open_xy, open_offsets, open_line)
    turn = turns(line, open_offsets, open_line)
    before, behind = _spread(turn, line.length, open_offsets, stretch_m)
    # Direction along the leg: level, rising over the spread of each vertex.  Keys of legs lie
    # two stretches apart so that no window sees the next leg.
    part = part_of(open_offsets)
    room = line.part_length + 2.0 * stretch_m + 1.0
    base = np.cumsum(room) - room + stretch_m
    middle = base[part] + line.station
    knots = np.stack([middle - before, middle + behind], axis=1).ravel()
    after = np.cumsum(turn)
    heading = np.stack([after - turn, after], axis=1).ravel()
    knots = np.maximum.accumulate(knots)
    owner = np.repeat(part, 2)
    window = np.minimum(stretch_m, line.part_length)[owner]
    ahead = _heading(knots + window, knots, heading) - heading
    back = heading - _heading(knots - window, knots, heading)
    starts = 2 * open_offsets[:-1]
    greatest = np.maximum.reduceat(np.maximum(ahead, back), starts)
    least = np.minimum.reduceat(np.minimum(ahead, back), starts)
    stretch = np.minimum(stretch_m, line.part_length)
    return _radius(stretch, greatest), _radius(stretch, -least)


def _heading(at: FloatArray, knots: FloatArray, heading: FloatArray) -> FloatArray:
    out: FloatArray = np.interp(at, knots, heading)
    return out


def _radius(stretch_m: FloatArray, turn: FloatArray) -> FloatArray:
    """Radius of a stretch that turns by so much; inf for no turn."""
    some = turn > LEAST_TURN_RAD
    return np.where(some, stretch_m / np.where(some, turn, 1.0), np.inf)


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


def _spread(
    turn: FloatArray, length: FloatArray, offsets: OffsetArray, stretch_m: float
) -> tuple[FloatArray, FloatArray]:
    """How far before and behind each vertex its turn is spread."""
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
    half = 0.5 * stretch_m
    return (
        np.where(like_before, 0.5 * edge_before, np.minimum(0.5 * edge_before, half)),
        np.where(like_behind, 0.5 * edge_behind, np.minimum(0.5 * edge_behind, half)),
    )
