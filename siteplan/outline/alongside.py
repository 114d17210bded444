"""Where an outline runs alongside an abutment."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from siteplan.outline.edges import (
    GRAZE_M,
    SAME_M,
    TINY_M,
    Edges,
    Pairs,
    beside,
    dot,
    look,
    members,
    near_pairs,
)
from siteplan.outline.stretches import Rows, group, kept_rows, next_gaps, no_rows, union
from siteplan.types import BoolArray, FloatArray, IntArray, OffsetArray, XYArray

SHARPEST_DEG = 120.0
"""the way round a corner is reckoned for turns up to this; beyond, the mitre would run away"""


@dataclass(frozen=True, slots=True, eq=False)
class _Touching:
    """Parts of edges alongside an abutment, before gaps are closed.  s parts."""

    edge: IntArray
    from_m: FloatArray
    to_m: FloatArray
    """along the edge"""
    pair: IntArray
    """the pair whose other edge is nearest"""


def alongside(
    edges: Edges, walls: Edges, rank: IntArray, *, within_m: float, least_m: float, angle_deg: float
) -> Rows:
    """Stretches of outlines alongside abutments.

    A point of an outline is alongside an abutment edge when the edge lies within ``within_m``, the
    foot of the point falls on it, the two directions differ by ``angle_deg`` at most (either way
    round), and no abutment edge at a steeper angle is nearer.  The nearest such edge is the reason.
    Gaps between such stretches are closed when they are shorter than ``least_m``, when they pass
    the corner of an abutment, or when an edge is alongside all through with a steeper one nearer;
    what is then longer than ``least_m`` takes no edging.

    Parameters
    ----------
    edges, walls : of the outlines, and of the abutments
    rank : (n,) order of the abutments by id, for ties
    within_m, least_m : metres
    angle_deg : degrees

    Returns
    -------
    Rows of whole stretches; ``other`` is the abutment.
    """
    edge, wall = near_pairs(edges, walls, within_m)
    if not len(edge):
        return no_rows()
    pairs = look(edges, walls, edge, wall)
    parallel = np.abs(pairs.cos) >= np.cos(np.radians(angle_deg)) - 1e-12
    level = pairs.where(parallel)
    low, high = beside(level, edges, walls, within_m)
    real = high - low > TINY_M
    level, low, high = level.where(real), low[real], high[real]
    if not len(level):
        return no_rows()
    parts = _nearest(edges, walls, level, low, high, pairs.where(~parallel), rank)
    if not len(parts.edge):
        return no_rows()
    return _closed_up(edges, walls, level, low, high, parts, within_m=within_m, least_m=least_m)


def _nearest(
    edges: Edges, walls: Edges, level: Pairs, low: FloatArray, high: FloatArray,
    steep: Pairs, rank: IntArray,
) -> _Touching:  # fmt: skip
    """Parts of the edges where a level wall edge is the nearest of all."""
    # an edge with one abutment and nothing steep near it needs no comparison
    feature = walls.feature[level.other]
    alone = np.ones(len(edges), dtype=np.bool_)
    alone[steep.edge] = False
    first = np.full(len(edges), -1, dtype=np.int64)
    first[level.edge[::-1]] = feature[::-1]
    alone[level.edge[first[level.edge] != feature]] = False
    easy = np.flatnonzero(alone[level.edge])
    hard = np.flatnonzero(~alone[level.edge])
    parts = _Touching(level.edge[easy], low[easy], high[easy], easy)
    if not len(hard):
        return parts
    compared = _compared(edges, walls, level, low, high, hard, steep, rank)
    return _Touching(
        *(np.concatenate([getattr(parts, name), getattr(compared, name)]) for name in _Touching.__slots__)
    )


def _offsets(owner: IntArray, count: int) -> OffsetArray:
    """Offsets of rows sorted by owner."""
    return np.searchsorted(owner, np.arange(count + 1)).astype(np.int64)


def _compared(
    edges: Edges, walls: Edges, level: Pairs, low: FloatArray, high: FloatArray, hard: IntArray,
    steep: Pairs, rank: IntArray,
) -> _Touching:  # fmt: skip
    """The same for edges with several abutments, or steep wall edges, near them.

    Every place where the nearest edge can change is worked out exactly; between two such places
    the middle decides.
    """
    mine = level.where(hard)
    low, high = low[hard], high[hard]
    at_level = _offsets(mine.edge, len(edges))
    steep = steep.where(at_level[steep.edge + 1] > at_level[steep.edge])
    at_steep = _offsets(steep.edge, len(edges))
    edge, mark = _marks(edges, walls, mine, low, high, steep, at_level, at_steep)
    middle, length = (mark[1:] + mark[:-1]) / 2, mark[1:] - mark[:-1]
    cell = np.flatnonzero((edge[1:] == edge[:-1]) & (length > TINY_M))
    cell_edge, middle = edge[cell], middle[cell]

    row, pair = members(cell_edge, at_level)
    t = middle[row]
    covered = (t >= low[pair]) & (t <= high[pair])
    row, pair, t = row[covered], pair[covered], t[covered]
    away = np.abs(mine.off_m[pair] + t * mine.sin[pair])
    nearest = np.full(len(cell), np.inf)
    np.minimum.at(nearest, row, away)
    tied = away <= nearest[row] + TINY_M
    row, pair, away = row[tied], pair[tied], away[tied]
    order = np.lexsort((away, rank[walls.feature[mine.other[pair]]], row))
    row, pair = row[order], pair[order]
    one = np.concatenate([[True], row[1:] != row[:-1]]) if len(row) else np.empty(0, dtype=np.bool_)
    row, pair = row[one], pair[one]

    rival, other = members(cell_edge[row], at_steep)
    away = _distance(steep, other, middle[row][rival])
    closest = np.full(len(row), np.inf)
    np.minimum.at(closest, rival, away)
    wins = nearest[row] <= closest + TINY_M
    row, pair = row[wins], pair[wins]
    return _Touching(cell_edge[row], mark[:-1][cell[row]], mark[1:][cell[row]], hard[pair])


def _distance(pairs: Pairs, pair: IntArray, t: FloatArray) -> FloatArray:
    """Distance from the point at t of each pair's edge to its other edge."""
    foot = (t - pairs.start_along_m[pair]) * pairs.cos[pair] - pairs.start_aside_m[pair] * pairs.sin[pair]
    length = np.hypot(pairs.far_along_m - pairs.start_along_m, pairs.far_aside_m - pairs.start_aside_m)[pair]
    foot = np.clip(foot, 0.0, length)
    along = pairs.start_along_m[pair] + foot * pairs.cos[pair] - t
    aside = pairs.start_aside_m[pair] + foot * pairs.sin[pair]
    return np.hypot(along, aside)


def _marks(
    edges: Edges, walls: Edges, level: Pairs, low: FloatArray, high: FloatArray, steep: Pairs,
    at_level: OffsetArray, at_steep: OffsetArray,
) -> tuple[IntArray, FloatArray]:  # fmt: skip
    """Places along the edges where the nearest wall edge can change, sorted: (edge, along)."""
    one, two = members(level.edge, at_level)
    keep = (one < two) & (walls.feature[level.other[one]] != walls.feature[level.other[two]])
    keep &= (low[one] <= high[two]) & (low[two] <= high[one])
    one, two = one[keep], two[keep]
    found = [
        (level.edge, low),
        (level.edge, high),
        *((level.edge[one], t) for t in _even(level, one, level, two)),
    ]
    one, two = members(level.edge, at_steep)
    near = _may_be_nearer(level, low, high, one, steep, two)
    one, two = one[near], two[near]
    found += [(level.edge[one], t) for t in _even(level, one, steep, two)]
    for along, aside in (
        (steep.start_along_m, steep.start_aside_m),
        (steep.far_along_m, steep.far_aside_m),
    ):
        found += [(level.edge[one], t) for t in _even_point(level, one, along[two], aside[two])]
    edge = np.concatenate([e for e, _ in found])
    mark = np.concatenate([t for _, t in found])
    inside = (mark >= 0) & (mark <= edges.length_m[edge])
    edge, mark = edge[inside], mark[inside]
    order = np.lexsort((mark, edge))
    return edge[order], mark[order]


def _may_be_nearer(
    level: Pairs, low: FloatArray, high: FloatArray, one: IntArray, steep: Pairs, two: IntArray
) -> BoolArray:
    """Pairs in which the steep wall edge can be nearer than the level one somewhere alongside it.

    A kerb surveyed every few centimetres has hundreds of edges beside one edge of an outline; only
    neighbours compete.
    """
    farthest = np.maximum(np.abs(level.off_m + low * level.sin), np.abs(level.off_m + high * level.sin))
    one_side = steep.start_aside_m * steep.far_aside_m > 0
    aside = np.where(one_side, np.minimum(np.abs(steep.start_aside_m), np.abs(steep.far_aside_m)), 0.0)
    room = farthest[one] ** 2 - aside[two] ** 2
    reach = np.sqrt(np.maximum(room, 0.0)) + SAME_M
    near: BoolArray = room > -SAME_M
    near &= np.minimum(steep.start_along_m, steep.far_along_m)[two] - reach <= high[one]
    near &= np.maximum(steep.start_along_m, steep.far_along_m)[two] + reach >= low[one]
    return near


def _even(first: Pairs, one: IntArray, second: Pairs, two: IntArray) -> tuple[FloatArray, FloatArray]:
    """Where two wall lines are equally far from an edge's point; NaN where nowhere."""
    with np.errstate(divide="ignore", invalid="ignore"):
        less = (second.off_m[two] - first.off_m[one]) / (first.sin[one] - second.sin[two])
        more = -(second.off_m[two] + first.off_m[one]) / (first.sin[one] + second.sin[two])
    return less, more


def _even_point(
    level: Pairs, one: IntArray, along: FloatArray, aside: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Where a wall line and a point are equally far from an edge's point; NaN where nowhere.

    (off + t sin)^2 = (t - along)^2 + aside^2, a quadratic in t whose first factor is -cos^2.
    """
    off, sin = level.off_m[one], level.sin[one]
    a = level.cos[one] ** 2
    b = -(along + off * sin)
    c = along**2 + aside**2 - off**2
    with np.errstate(invalid="ignore"):
        root = np.sqrt(b * b - a * c)
    return (-b - root) / a, (-b + root) / a


def _closed_up(
    edges: Edges, walls: Edges, level: Pairs, low: FloatArray, high: FloatArray, parts: _Touching,
    *, within_m: float, least_m: float,
) -> Rows:  # fmt: skip
    """Close the gaps that count as alongside, and keep what is long enough."""
    base, ring = edges.from_m[parts.edge], edges.ring[parts.edge]
    feature = walls.feature[level.other[parts.pair]]
    features = int(walls.ring_feature.max()) + 1
    block, from_m, to_m, joined = union(ring * features + feature, base + parts.from_m, base + parts.to_m)
    ring, feature = block // features, block % features
    head = _extreme(joined, base + parts.from_m)
    tail = _extreme(joined, -(base + parts.to_m))
    # a wall that grazes the reach for less than this must not close a gap
    real = np.flatnonzero(to_m - from_m > GRAZE_M)
    order = real[np.lexsort((from_m[real], ring[real]))]
    ring, feature, from_m, to_m = ring[order], feature[order], from_m[order], to_m[order]
    head, tail = head[order], tail[order]
    following, gap = next_gaps(ring, ring, from_m, to_m, edges)
    after = np.where(following >= 0, following, 0)
    close = gap < least_m - TINY_M
    close |= _round_corner(edges, level, parts, tail, head[after], gap, within_m)
    close |= _covered(edges, level, low, high, ring, to_m, gap)
    close &= following >= 0
    groups = group(ring, ring, from_m, to_m, edges, close)
    return kept_rows(groups, ring, feature, edges, least_m)


def _extreme(part: IntArray, value: FloatArray) -> IntArray:
    """Member of each part with the least value."""
    order = np.lexsort((value, part))
    return order[np.flatnonzero(np.concatenate([[True], np.diff(part[order]) > 0]))]


def _round_corner(
    edges: Edges,
    level: Pairs,
    parts: _Touching,
    tail: IntArray,
    head: IntArray,
    gap: FloatArray,
    within_m: float,
) -> BoolArray:
    """Gaps that go round the corner of an abutment both neighbours reach to.

    Past an outside corner of a wall the foot falls beyond the wall on either side; the way round,
    at the greatest distance and mitred, is 2 x distance x tan(turn / 2).
    """
    here, there = parts.edge[tail], parts.edge[head]
    foot_here = _foot(edges, level, parts.pair[tail], parts.to_m[tail])
    foot_there = _foot(edges, level, parts.pair[head], parts.from_m[head])
    turn = np.arccos(np.clip(dot(edges.unit[here], edges.unit[there]), -1.0, 1.0))
    around = 2 * within_m * np.tan(np.minimum(turn, np.radians(SHARPEST_DEG)) / 2)
    same = np.hypot(*(foot_here - foot_there).T) <= SAME_M
    result: BoolArray = same & (gap <= around + SAME_M)
    return result


def _foot(edges: Edges, level: Pairs, pair: IntArray, t: FloatArray) -> XYArray:
    """Foot on the wall edge of the point at t of a pair's edge."""
    edge = level.edge[pair]
    away = level.off_m[pair] + t * level.sin[pair]
    unit = edges.unit[edge]
    cos, sin = level.cos[pair], level.sin[pair]
    # the wall's direction is the edge's turned by the angle; its left normal likewise
    normal = np.stack([-(unit[:, 0] * sin + unit[:, 1] * cos), unit[:, 0] * cos - unit[:, 1] * sin], axis=1)
    return edges.start[edge] + unit * t[:, None] + normal * away[:, None]


def _covered(
    edges: Edges,
    level: Pairs,
    low: FloatArray,
    high: FloatArray,
    ring: IntArray,
    to_m: FloatArray,
    gap: FloatArray,
) -> BoolArray:
    """Gaps through which some abutment edge, if not the nearest, is alongside.

    In an inside corner the wall ahead is nearer for the last bit; across the line between two
    houses the wall between them is.
    """
    base = edges.from_m[level.edge]
    block, first, last, _ = union(edges.ring[level.edge], base + low, base + high, gap_m=GRAZE_M)
    length = edges.ring_length_m[ring]
    far = to_m + np.where(np.isfinite(gap), gap, 0.0)
    over = np.maximum(far - length, 0.0)

    def inside(start: FloatArray, end: FloatArray) -> BoolArray:
        row = np.searchsorted(block + 1j * first, ring + 1j * (start + SAME_M)) - 1
        held = (row >= 0) & (block[row] == ring) & (last[row] >= end - SAME_M)
        result: BoolArray = held | (end - start <= SAME_M)
        return result

    return inside(to_m, np.minimum(far, length)) & inside(np.zeros(len(ring)), over)
