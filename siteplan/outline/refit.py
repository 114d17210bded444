"""Traced vertices on arcs and straight lines replaced by the arcs and lines themselves.

Numbers only.  docs/tracing.md says in words what is decided here.  Corners, the ends of open lines,
and kinks stay where they are; what no arc and no line goes through stays as traced.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from siteplan.outline.arc_chain import Stretches, fit, fit_circles, lengths, starting_turns
from siteplan.outline.arc_stretches import (
    LEAST_ARC_DEG,
    LEAST_ARC_VERTICES,
    LEAST_SIGMA_M,
    Chains,
    Powers,
    allowed,
    find_breaks,
)
from siteplan.outline.fitted import Fitted
from siteplan.planar import StationIndex, edges, offsets_of, part_of, ragged
from siteplan.types import BoolArray, FloatArray, IntArray, OffsetArray, XYArray

CHORD_M: Final = 0.001
"""an arc is drawn with vertices no farther apart than makes its chords leave it by this"""
_LEAST_EDGES: Final = 2
_ALIKE: Final = 1.5
"""an edge no longer than so many of those beside it is one of a row"""


@dataclass(frozen=True, slots=True, eq=False)
class Refitted:
    """An outline of arcs, lines and what stayed as traced.  v vertices, e stretches."""

    fitted: Fitted
    stretch: IntArray
    """(v,) stretch the edge after each vertex belongs to; -1 at the end of an open line"""
    tangent: BoolArray
    """(v,) the line runs through the vertex without a kink: vertices inside arcs, tangent points"""
    ring: IntArray
    """(e,)"""
    known: BoolArray
    """(e,) recognised as an arc or a line; False: as traced"""
    radius_m: FloatArray
    """(e,) left positive; inf for a line, NaN as traced"""
    centre: XYArray
    """(e, 2) NaN where there is none"""
    length_m: FloatArray
    """(e,) along the arc"""
    traced_m: FloatArray
    """(e,) along the traced vertices"""
    sigma_m: FloatArray
    """(e,) shares in the standard deviation of the length: their squares add up"""
    old: Fitted
    """the outline before"""
    from_m: FloatArray
    """(v,) station of the outline before that each vertex has; within one turn of its ring"""

    def traced_between(self, ring: IntArray, from_m: FloatArray, to_m: FloatArray) -> FloatArray:
        """Length along the outline before, between stations of this one (``to_m`` may be one turn on)."""
        back = _StationMap(
            self.fitted.offsets, self.fitted.closed, self.fitted.line.station, self.from_m,
            self.fitted.line.part_length, self.old.line.part_length,
        )  # fmt: skip
        return back.of(ring, to_m) - back.of(ring, from_m)


class _StationMap:
    """Stations of one set of lines as stations of another, by vertices both have."""

    def __init__(
        self, offsets: OffsetArray, closed: BoolArray, from_m: FloatArray, to_m: FloatArray,
        from_total: FloatArray, to_total: FloatArray,
    ) -> None:  # fmt: skip
        size = np.diff(offsets)
        turns = np.where(closed, 5, 1)
        counts = size * turns
        ring = np.repeat(np.arange(len(size)), counts)
        local = np.arange(int(counts.sum())) - offsets_of(counts)[:-1][ring]
        around = local // np.maximum(size, 1)[ring] - np.where(closed, 2, 0)[ring]
        row = offsets[:-1][ring] + local % np.maximum(size, 1)[ring]
        room = 6 * from_total + 6.0
        self._base = np.cumsum(room) - room / 2
        to_room = 6 * to_total + 6.0
        self._to_base = np.cumsum(to_room) - to_room / 2
        self._from = self._base[ring] + from_m[row] + around * from_total[ring]
        self._to = np.maximum.accumulate(self._to_base[ring] + to_m[row] + around * to_total[ring])

    def of(self, ring: IntArray, from_m: FloatArray) -> FloatArray:
        """Stations, where ``from_m`` lies within a turn and a half of the ring's own."""
        out: FloatArray = np.interp(self._base[ring] + from_m, self._from, self._to) - self._to_base[ring]
        return out


@dataclass(frozen=True, slots=True, eq=False)
class _Rows:
    """Vertices of all chains, a ring's twice: rows of the fitted outline, and their stations, unwrapped."""

    chains: Chains
    vertex: IntArray
    station: FloatArray
    ring: IntArray
    """(c,) outline ring of each chain"""


def _rows(fitted: Fitted, sigma_m: FloatArray) -> _Rows:
    """Chains of the outline: from corner to corner or end to end, and rings without a corner."""
    v = len(fitted.xy)
    part = part_of(fitted.offsets)
    stop = np.zeros(v, dtype=np.bool_)
    stop[fitted.corner_vertex] = True
    some = np.diff(fitted.offsets) > 0
    first, last = fitted.offsets[:-1], fitted.offsets[1:] - 1
    stop[first[some & ~fitted.closed]] = True
    stop[last[some & ~fitted.closed]] = True
    stops = np.flatnonzero(stop)
    ring = part[stops]
    low = np.searchsorted(ring, ring, side="left")
    high = np.searchsorted(ring, ring, side="right") - 1
    here = np.arange(len(stops))
    begins = fitted.closed[ring] | (here < high)
    following = stops[np.where(here < high, here + 1, low)]
    size = np.diff(fitted.offsets)[ring]
    count = np.mod(following - stops - 1, np.maximum(size, 1)) + 2
    starts, counts, rings = stops[begins], count[begins], ring[begins]
    bare = np.ones(len(fitted.closed), dtype=np.bool_)
    bare[ring] = False
    bare &= fitted.closed & (np.diff(fitted.offsets) >= 3)
    bare_at = np.flatnonzero(bare)
    starts = np.concatenate([starts, first[bare_at]])
    counts = np.concatenate([counts, np.diff(fitted.offsets)[bare_at]])
    rings = np.concatenate([rings, bare_at])
    whole = np.arange(len(rings)) >= len(rings) - len(bare_at)
    offsets = offsets_of(counts)
    chain = part_of(offsets)
    local = np.arange(int(offsets[-1])) - offsets[:-1][chain]
    origin = fitted.offsets[:-1][rings]
    total = np.maximum(np.diff(fitted.offsets)[rings], 1)
    vertex = origin[chain] + np.mod(starts[chain] - origin[chain] + local, total[chain])
    chains = Chains.of(fitted.xy[vertex], offsets, whole, sigma_m[rings])
    chain = part_of(chains.offsets)
    local = np.arange(len(chain)) - chains.offsets[:-1][chain]
    vertex = origin[chain] + np.mod(starts[chain] - origin[chain] + local, total[chain])
    turns = (starts[chain] - origin[chain] + local) // total[chain]
    station = fitted.line.station[vertex] + turns * fitted.line.part_length[rings[chain]]
    return _Rows(chains, vertex, station, rings)


def refit_outline(fitted: Fitted, sigma_m: FloatArray) -> Refitted:
    """Arcs and lines in place of the traced vertices that lie on them.

    Parameters
    ----------
    fitted : the outline with its corners
    sigma_m : (r,) standard deviation of a traced vertex of each ring, each way; a ring whose sigma
        is NaN stays as traced.  Less than 0.1 mm counts as 0.1 mm

    Returns
    -------
    Refitted.  Corners, ends of open lines and kinks are where they were.
    """
    rows = _rows(fitted, sigma_m)
    chains = rows.chains
    if not len(chains):
        return _as_it_is(fitted)
    unknown = np.isnan(chains.sigma_m)
    chains = replace(chains, sigma_m=np.where(unknown, LEAST_SIGMA_M, chains.sigma_m))
    rows = replace(rows, chains=chains)
    breaks, by_chain = find_breaks(chains)
    chain = part_of(by_chain)
    begins = np.ones(len(breaks), dtype=np.bool_)
    begins[by_chain[1:] - 1] = False
    k = np.flatnonzero(begins)
    first, last, chain = breaks[k], breaks[k + 1], chain[k]
    alone = chains.ring[chain] & (np.diff(by_chain)[chain] == 2)
    table = _Cut(first, last, chain, alone)
    dropped = _edges_with_tangent_points(chains, table, unknown)
    if not dropped.any():
        made = fit(_stretches(chains, table, unknown), np.ones(len(first), dtype=np.bool_))
        return _assembled(fitted, rows, table, unknown, made)
    # once with the tangent points inside those edges; where that fails, with the edges as lines
    shorter = table.take(~dropped)
    tried = _stretches(chains, shorter, unknown)
    with_edges = np.zeros(len(chains), dtype=np.bool_)
    with_edges[chain[dropped]] = True
    made = fit(tried, ~with_edges[shorter.chain])
    failed = np.zeros(len(chains), dtype=np.bool_)
    failed[shorter.chain[tried.known & ~made.known]] = True
    failed &= with_edges
    if failed.any():
        second = table.take(failed[chain])
        other = fit(_stretches(chains, second, unknown), np.ones(len(second.first), dtype=np.bool_))
        made, shorter = _merged(made, shorter, ~failed[shorter.chain], other, second)
    return _assembled(fitted, rows, shorter, unknown, made)


@dataclass(frozen=True, slots=True, eq=False)
class _Cut:
    """Stretches of chains as rows: first and last, both included."""

    first: IntArray
    last: IntArray
    chain: IntArray
    alone: BoolArray
    """(k,) the one stretch of a ring"""

    def take(self, chosen: BoolArray) -> _Cut:
        """Stretches that are chosen."""
        return _Cut(self.first[chosen], self.last[chosen], self.chain[chosen], self.alone[chosen])

    def beside(self, chains: Chains) -> tuple[IntArray, IntArray]:
        """(k,) stretch before and stretch after each, -1 at the ends of open chains."""
        k = len(self.first)
        heads = np.concatenate([[True], self.chain[1:] != self.chain[:-1]])
        ends = np.concatenate([heads[1:], [True]])
        ring = chains.ring[self.chain]
        here = np.arange(k)
        head_of = np.maximum.accumulate(np.where(heads, here, 0))
        end_of = np.flatnonzero(ends)[np.cumsum(heads) - 1]
        before = np.where(heads, np.where(ring, end_of, -1), here - 1)
        after = np.where(ends, np.where(ring, head_of, -1), here + 1)
        return before, after


def _kinds(chains: Chains, cut: _Cut, unknown: BoolArray) -> tuple[BoolArray, BoolArray, FloatArray]:
    """What stretches are taken for before the fit: lines, arcs, and how they turn."""
    count = cut.last - cut.first + 1
    line_square, _ = Powers(chains).chi_squares(cut.chain, cut.first, cut.last)
    line = (line_square <= allowed(count - 2)) | (count == 2)
    turn = starting_turns(chains.xy, cut.first, cut.last)
    arc = ~line & (count >= LEAST_ARC_VERTICES) & (np.abs(turn) >= np.radians(LEAST_ARC_DEG))
    can = ~cut.alone & ~unknown[cut.chain]
    return line & can, arc & can, turn


def _edges_with_tangent_points(chains: Chains, cut: _Cut, unknown: BoolArray) -> BoolArray:
    """(k,) single edges between two arcs, or an arc and a line, no longer than the edges beside them.

    Where a curve changes its radius between two vertices, their edge belongs to neither side.
    """
    line, arc, _ = _kinds(chains, cut, unknown)
    before, after = cut.beside(chains)
    single = (cut.last - cut.first == 1) & (before >= 0) & (after >= 0) & (before != after)
    b, a = np.maximum(before, 0), np.maximum(after, 0)
    single &= (arc[b] & (arc[a] | line[a])) | (line[b] & arc[a])
    length = np.zeros(len(chains.xy))
    length[:-1] = np.hypot(*np.diff(chains.xy, axis=0).T)
    spacing = np.maximum(length[cut.last[b] - 1], length[cut.first[a]])
    out: BoolArray = single & (length[cut.first] <= _ALIKE * spacing) & ~single[b] & ~single[a]
    return out


def _merged(
    one: Stretches, one_cut: _Cut, keep: BoolArray, other: Stretches, other_cut: _Cut
) -> tuple[Stretches, _Cut]:
    """Two sets of stretches as one, in the order of their chains; of the first those to be kept."""
    n, k = len(one.node), len(one.start)
    chain = np.concatenate([one_cut.chain, other_cut.chain])
    chosen = np.flatnonzero(np.concatenate([keep, np.ones(len(other.start), dtype=np.bool_)]))
    order = chosen[np.argsort(chain[chosen], kind="stable")]
    number = np.full(len(chain), -1)
    number[order] = np.arange(len(order))

    def put(a: IntArray, b: IntArray, shift: int) -> IntArray:
        return np.concatenate([a, np.where(b >= 0, b + shift, b)])

    at = number[put(one.at, other.at, k)]
    near, far_next = put(one.near, other.near, k), put(one.far_next, other.far_next, k)
    near, far_next = (np.where(v >= 0, number[v], -1) for v in (near, far_next))
    both = {
        name: np.concatenate([getattr(one, name), getattr(other, name)])
        for name in ("turn", "arc", "known", "sigma_m", "length_sigma_m")
    }
    cut = [np.concatenate([getattr(one_cut, f), getattr(other_cut, f)])[order] for f in ("first", "last")]
    made = Stretches(
        node=np.concatenate([one.node, other.node]),
        free=np.concatenate([one.free, other.free]),
        start=put(one.start, other.start, n)[order],
        far=put(one.far, other.far, n)[order],
        far_next=far_next,
        near=near,
        xy=np.concatenate([one.xy, other.xy])[at >= 0],
        at=at[at >= 0],
        own_node=put(one.own_node, other.own_node, n)[at >= 0],
        **{name: values[order] for name, values in both.items()},
    )
    alone = np.concatenate([one_cut.alone, other_cut.alone])[order]
    return made, _Cut(cut[0], cut[1], chain[order], alone)


def _as_it_is(fitted: Fitted) -> Refitted:
    """An outline without anything to fit."""
    none = np.empty(0)
    return Refitted(
        fitted, np.full(len(fitted.xy), -1), np.zeros(len(fitted.xy), dtype=np.bool_),
        np.empty(0, dtype=np.int64), np.empty(0, dtype=np.bool_), none, np.empty((0, 2)), none, none, none,
        fitted, fitted.line.station,
    )  # fmt: skip


def _stretches(chains: Chains, cut: _Cut, unknown: BoolArray) -> Stretches:
    """Stretches as first taken, with their nodes.

    The node between two stretches is the vertex they share, or, where they share none, the middle of
    the edge between them.
    """
    k = len(cut.first)
    line, arc, turn = _kinds(chains, cut, unknown)
    known = line | arc
    before, after = cut.beside(chains)
    # nodes: one at the start of each stretch, and one at the far end of each open chain
    ends = after < 0
    start = np.arange(k) + np.concatenate([[0], np.cumsum(ends)[:-1]])
    n = k + int(ends.sum())
    far = np.where(ends, start + 1, start[np.maximum(after, 0)])
    node = np.empty((n, 2))
    near, far_next = np.full(n, -1), np.full(n, -1)
    near[far], far_next[start] = np.arange(k), np.arange(k)
    # between two that share no vertex: the last of one and the first of the next, in the ring's own turn
    a = chains.xy[cut.last[np.maximum(before, 0)]]
    apart = (before >= 0) & (np.abs(a - chains.xy[cut.first]).max(axis=1) > 0)
    node[start] = np.where(apart[:, None], 0.5 * (a + chains.xy[cut.first]), chains.xy[cut.first])
    node[far[ends]] = chains.xy[cut.last[ends]]
    inner = (near >= 0) & (far_next >= 0) & (near != far_next)
    both = inner & known[near] & known[far_next]
    # two lines meet at a kink
    free = both & ~(line[near] & line[far_next])
    apart_behind = np.zeros(k, dtype=np.bool_)
    apart_behind[before[apart]] = True
    first = cut.first + np.where(apart, 0, 1)
    inside = np.where(known, cut.last + np.where(apart_behind, 1, 0) - first, 0)
    at = np.repeat(np.arange(k), inside)
    shared = np.flatnonzero(free & ~_of(apart, far_next))
    return Stretches(
        node=node,
        free=free,
        start=start,
        far=far,
        far_next=far_next,
        near=near,
        turn=np.where(arc, turn, 0.0),
        arc=arc,
        known=known,
        xy=np.concatenate([chains.xy[ragged(first, inside)], node[shared]]),
        at=np.concatenate([at, far_next[shared]]),
        own_node=np.concatenate([np.full(len(at), -1), shared]),
        sigma_m=chains.sigma_m[cut.chain],
    )


def _of(values: BoolArray, at: IntArray) -> BoolArray:
    """Values at numbers, False where the number is -1."""
    return np.where(at >= 0, values[np.maximum(at, 0)], False)


def _place_on(made: Stretches, of: IntArray, xy: XYArray) -> FloatArray:
    """(n,) where points lie beside their arc or line, as a share of it, in [0, 1]."""
    a, b = made.node[made.start[of]], made.node[made.far[of]]
    chord, off = b - a, xy - a
    z = (off[:, 0] + 1j * off[:, 1]) / (chord[:, 0] + 1j * chord[:, 1])
    half = made.turn[of] / 2
    bent = np.abs(half) > 1e-9
    tan = np.tan(np.where(bent, half, 1.0))
    # centre of the arc in the frame of its chord
    centre = 0.5 + 0.5j / tan
    angle = np.angle((z - centre) / (0 - centre) * np.exp(-1j * half)) * np.sign(half) + np.abs(half)
    share = np.where(bent, angle / np.where(bent, 2 * np.abs(half), 1.0), z.real)
    return np.clip(share, 0.0, 1.0)


def _arc_points(
    made: Stretches, of: IntArray, share: FloatArray, step: FloatArray, outward: FloatArray
) -> XYArray:
    """(n, 2) vertices of arcs and lines; inner ones lie outside by so much that lengths are the arcs'."""
    a, b = made.node[made.start[of]], made.node[made.far[of]]
    chord = (b - a)[:, 0] + 1j * (b - a)[:, 1]
    turn = made.turn[of]
    bent = np.abs(turn) > 1e-9
    tan = np.tan(np.where(bent, turn, 1.0) / 2)
    centre = np.where(bent, 0.5 + 0.5j / tan, 0.0)
    out = np.where(step > 1, outward[of], 1.0)
    z = np.where(bent, centre - centre * np.exp(1j * turn * share) * out, share)
    point = a[:, 0] + 1j * a[:, 1] + z * chord
    return np.column_stack([point.real, point.imag])


def _outward(edges_: FloatArray, turn: FloatArray) -> FloatArray:
    """Factor of the radius of inner vertices that makes so many chords as long as the arc.

    The two ends stay on the arc: 2 sqrt(1 + f^2 - 2 f cos t) + (m - 2) 2 f sin(t/2) = m t for m chords
    that turn by t each, solved by Newton's rule.
    """
    t = np.abs(turn) / edges_
    f = np.ones(len(t))
    bent = (t > 1e-6) & (edges_ > 1)
    t, edges_ = np.where(bent, t, 1.0), np.where(bent, edges_, 2.0)
    for _ in range(8):
        end = np.sqrt(1 + f * f - 2 * f * np.cos(t))
        value = 2 * end + (edges_ - 2) * 2 * f * np.sin(t / 2) - edges_ * t
        slope = 2 * (f - np.cos(t)) / end + (edges_ - 2) * 2 * np.sin(t / 2)
        f = f - value / slope
    return np.where(bent, f, 1.0)


def _assembled(fitted: Fitted, rows: _Rows, cut: _Cut, unknown: BoolArray, made: Stretches) -> Refitted:
    """The outline anew: nodes, vertices of arcs, and what stayed as traced."""
    chains = rows.chains
    first, last, chain = cut.first, cut.last, cut.chain
    alone = cut.alone & ~unknown[chain]
    k = len(first)
    made, circle, centre, radius, circle_sigma = _circles(chains, first, last, alone, made)
    known = made.known | circle
    length = np.where(circle, 2 * np.pi * np.abs(radius), lengths(made))
    bent = known & (np.abs(made.turn) > 1e-9) & ~circle
    arc_radius = np.where(bent, length / np.where(bent, made.turn, 1.0), np.where(circle, radius, np.inf))
    step = np.sqrt(8 * np.abs(np.where(np.isinf(arc_radius), 1.0, arc_radius)) * CHORD_M)
    pieces = np.where(np.isinf(arc_radius), 1, np.maximum(np.ceil(length / step), _LEAST_EDGES)).astype(
        np.int64
    )
    pieces = np.where(circle, np.maximum(pieces, 8), pieces)
    count = np.where(known, pieces, last - first)
    # knots: traced vertices, as a share of their stretch
    place, knot_m = _knots(rows, first, last, made, circle, centre, radius)
    of = np.repeat(np.arange(k), count)
    local = np.arange(len(of)) - offsets_of(count)[:-1][of]
    share = local / count[of]
    xy = chains.xy[first[of] + np.where(known[of], 0, local)]
    on = np.flatnonzero(made.known[of])
    inner = np.where(local[on] > 0, count[of[on]], 1).astype(np.float64)
    xy[on] = np.where(
        (local[on] > 0)[:, None],
        _arc_points(made, of[on], share[on], inner, _outward(count.astype(np.float64), made.turn)),
        made.node[made.start[of[on]]],
    )
    ring_on = np.flatnonzero(circle[of])
    if len(ring_on):
        xy[ring_on] = _circle_points(chains, first, of[ring_on], share[ring_on], count, centre, radius)
    # an open chain's last node belongs to no stretch: it is the next chain's first, or the end of a line
    station = np.interp(of + share, place, knot_m)
    return _joined(fitted, rows, made, chain, of, local, xy, station, known, circle, arc_radius, length,
                   centre, radius, circle_sigma, first, last)  # fmt: skip


def _circles(
    chains: Chains, first: IntArray, last: IntArray, alone: BoolArray, made: Stretches
) -> tuple[Stretches, BoolArray, XYArray, FloatArray, FloatArray]:
    """Rings that are one circle each."""
    k = len(first)
    circle = np.zeros(k, dtype=np.bool_)
    centre, radius, spread = np.full((k, 2), np.nan), np.full(k, np.nan), np.zeros(k)
    at = np.flatnonzero(alone & (last - first >= LEAST_ARC_VERTICES))
    if not len(at):
        return made, circle, centre, radius, spread
    size = last[at] - first[at]
    xy = chains.xy[ragged(first[at], size)]
    middle, r, fine, sigma = fit_circles(xy, np.repeat(np.arange(len(at)), size), len(at), made.sigma_m[at])
    area = starting_area(chains.xy, first[at], size)
    # a ring that turns once round its circle, not one whose noise happens to lie on a large one
    fine &= np.abs(np.abs(area) / (np.pi * r**2) - 1) < 0.5
    circle[at], centre[at] = fine, middle
    radius[at], spread[at] = r * np.sign(area), sigma
    return made, circle, centre, radius, spread


def starting_area(xy: XYArray, first: IntArray, size: IntArray) -> FloatArray:
    """Signed area of rings of ``size`` rows from ``first``, whose next row is the first again."""
    rows = ragged(first, size)
    of = np.repeat(np.arange(len(first)), size)
    a, b = xy[rows] - xy[first[of]], xy[rows + 1] - xy[first[of]]
    twice = np.bincount(of, weights=a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0], minlength=len(first))
    return np.asarray(0.5 * twice, dtype=np.float64)


def _circle_points(
    chains: Chains, first: IntArray, of: IntArray, share: FloatArray, count: IntArray, centre: XYArray,
    radius: FloatArray,
) -> XYArray:  # fmt: skip
    """Vertices of whole circles, from beside their first traced vertex on, as long as the circle."""
    off = chains.xy[first[of]] - centre[of]
    half = np.pi / count[of]
    angle = np.arctan2(off[:, 1], off[:, 0]) + 2 * np.pi * share * np.sign(radius[of])
    out = np.abs(radius[of]) * half / np.sin(half)
    xy: XYArray = centre[of] + np.column_stack([np.cos(angle), np.sin(angle)]) * out[:, None]
    return xy


def _knots(
    rows: _Rows, first: IntArray, last: IntArray, made: Stretches, circle: BoolArray, centre: XYArray,
    radius: FloatArray,
) -> tuple[FloatArray, FloatArray]:  # fmt: skip
    """Places (stretch + share of it) of traced vertices, and their stations; not decreasing."""
    k = len(first)
    size = last - first + 1
    row = ragged(first, size)
    of = np.repeat(np.arange(k), size)
    local = row - first[of]
    share = local / (size[of] - 1)
    xy = rows.chains.xy[row]
    station = rows.station[row]
    on = np.flatnonzero(made.known[of])
    # a free node may have moved past vertices: those beyond an end are held at it and left out below
    share[on] = _place_on(made, of[on], xy[on])
    ring_on = np.flatnonzero(circle[of])
    if len(ring_on):
        start = rows.chains.xy[first[of[ring_on]]] - centre[of[ring_on]]
        here = xy[ring_on] - centre[of[ring_on]]
        turn = np.angle((here[:, 0] + 1j * here[:, 1]) / (start[:, 0] + 1j * start[:, 1]))
        turn = np.mod(turn * np.sign(radius[of[ring_on]]), 2 * np.pi) / (2 * np.pi)
        turn = np.where(
            local[ring_on] == 0, 0.0, np.where(local[ring_on] == size[of[ring_on]] - 1, 1.0, turn)
        )
        share[ring_on] = turn
    inner = (local > 0) & (local < size[of] - 1) & (share > 1e-9) & (share < 1 - 1e-9)
    # stations of the nodes: of the vertex where held, else beside it along the traced line
    node_m = _node_stations(rows, first, last, made)
    place = np.concatenate([of[inner] + share[inner], np.arange(k), np.arange(k) + 1 - 1e-12])
    metres = np.concatenate([station[inner], node_m[0], node_m[1]])
    order = np.lexsort((metres, place))
    place, metres = place[order], metres[order]
    # within a chain stations do not decrease
    chain_of = np.searchsorted(first, rows.chains.offsets[:-1], side="left")
    owner = np.searchsorted(
        chain_of, np.clip(np.floor(place + 1e-13).astype(np.int64), 0, k - 1), side="right"
    )
    shift = owner * (np.ptp(metres) + 1.0 if len(metres) else 1.0)
    return place, np.maximum.accumulate(metres + shift) - shift


def _node_stations(
    rows: _Rows, first: IntArray, last: IntArray, made: Stretches
) -> tuple[FloatArray, FloatArray]:
    """Station of the node at the start and at the far end of each stretch, increasing within a chain."""
    xy = rows.chains.xy
    chain = np.searchsorted(rows.chains.offsets, first, side="right") - 1
    low, high = rows.chains.offsets[:-1][chain], rows.chains.offsets[1:][chain] - 1
    along = xy[np.minimum(first + 1, high)] - xy[np.maximum(first - 1, low)]
    length = np.hypot(*along.T)
    moved = made.node[made.start] - xy[first]
    start = rows.station[first] + (moved * along).sum(axis=1) / np.where(length > 0, length, 1.0)
    far = rows.station[last].copy()
    after = np.concatenate([chain[1:] == chain[:-1], [False]])
    on = np.flatnonzero(after)
    far[on] = start[on + 1]
    heads = np.flatnonzero(np.concatenate([[True], ~after[:-1]]))
    tails = np.flatnonzero(~after)
    ring = rows.chains.ring[chain[tails]]
    size = rows.chains.size[chain[tails]]
    turn = rows.station[np.minimum(low[tails] + size, high[tails])] - rows.station[low[tails]]
    far[tails] = np.where(ring, start[heads] + turn, far[tails])
    return start, far


def _joined(
    fitted: Fitted, rows: _Rows, made: Stretches, chain: IntArray, of: IntArray, local: IntArray, xy: XYArray,
    station: FloatArray, known: BoolArray, circle: BoolArray, arc_radius: FloatArray, length: FloatArray,
    centre: XYArray, radius: FloatArray, circle_sigma: FloatArray, first: IntArray, last: IntArray,
) -> Refitted:  # fmt: skip
    """Vertices of all stretches in the order of their rings, and the table of stretches."""
    total = fitted.line.part_length
    ring = rows.ring[chain[of]]
    tangent = (local > 0) & known[of]
    tangent |= (local == 0) & (made.free[made.start[of]] | circle[of])
    # ends of open lines
    some = ~fitted.closed & (np.diff(fitted.offsets) > 0)
    ends = fitted.offsets[1:][some] - 1
    used = np.zeros(len(fitted.closed), dtype=np.bool_)
    used[ring] = True
    part = part_of(fitted.offsets)
    # rings of fewer than three vertices and no corner have no chain: they stay
    bare = np.flatnonzero(~used[part])
    ends = ends[used[part[ends]]]
    extra = np.concatenate([ends, bare])
    ring = np.concatenate([ring, part[extra]])
    xy = np.concatenate([xy, fitted.xy[extra]])
    at = np.concatenate([station, fitted.line.station[extra]])
    stretch = np.concatenate([of, np.full(len(extra), -1)])
    tangent = np.concatenate([tangent, np.zeros(len(extra), dtype=np.bool_)])
    # the corner a chain starts at keeps its row
    vertex = np.full(len(ring), -1)
    held = np.flatnonzero((local == 0) & ~made.free[made.start[of]] & ~circle[of])
    vertex[held] = rows.vertex[first[of[held]]]
    vertex[len(of) :] = extra
    at = np.where(vertex >= 0, fitted.line.station[np.maximum(vertex, 0)], at)
    whole = np.where(fitted.closed, total, np.inf)[ring]
    at = np.where(fitted.closed[ring], at - np.floor(at / whole) * np.where(np.isinf(whole), 0.0, whole), at)
    order = np.lexsort((np.arange(len(at)), at, ring))
    ring, xy, at = ring[order], xy[order], at[order]
    stretch, tangent, vertex = stretch[order], tangent[order], vertex[order]
    offsets = offsets_of(np.bincount(ring, minlength=len(fitted.closed)))
    new = _new_fitted(fitted, xy, offsets, at, vertex)
    node_m = _node_stations(rows, first, last, made)
    wraps = node_m[1] - node_m[0]
    arc_centre = _centres(made, known & ~circle)
    return Refitted(
        fitted=new,
        stretch=stretch,
        tangent=tangent,
        ring=rows.ring[chain],
        known=known,
        radius_m=np.where(known, arc_radius, np.nan),
        centre=np.where(circle[:, None], centre, arc_centre),
        length_m=np.where(known, length, wraps),
        traced_m=wraps,
        sigma_m=_sigmas(rows, first, last, made, circle, circle_sigma),
        old=fitted,
        from_m=at,
    )


def _centres(made: Stretches, known: BoolArray) -> XYArray:
    a, b = made.node[made.start], made.node[made.far]
    bent = known & (np.abs(made.turn) > 1e-9)
    chord = b - a
    cot = 1 / np.tan(np.where(bent, made.turn, 1.0) / 2)
    left = np.column_stack([-chord[:, 1], chord[:, 0]])
    out: XYArray = np.where(bent[:, None], 0.5 * (a + b) + 0.5 * left * cot[:, None], np.nan)
    return out


def _sigmas(
    rows: _Rows, first: IntArray, last: IntArray, made: Stretches, circle: BoolArray, circle_sigma: FloatArray
) -> FloatArray:
    """(e,) standard deviation of each stretch's length."""
    size = last - first
    row = ragged(first, size)
    of = np.repeat(np.arange(len(first)), size)
    edge = rows.chains.xy[row + 1] - rows.chains.xy[row]
    unit = edge / np.maximum(np.hypot(*edge.T), 1e-12)[:, None]
    before = np.where((row > first[of])[:, None], np.roll(unit, 1, axis=0), 0.0)
    slope = ((before - unit) ** 2).sum(axis=1)
    raw = made.sigma_m * np.sqrt(np.bincount(of, weights=slope, minlength=len(first)) + 1.0)
    fit_sigma = np.zeros(len(first)) if made.length_sigma_m is None else made.length_sigma_m
    return np.where(circle, circle_sigma, np.where(made.known, fit_sigma, raw))


def _new_fitted(
    fitted: Fitted, xy: XYArray, offsets: OffsetArray, at: FloatArray, vertex: IntArray
) -> Fitted:
    """The same tables for the new vertices."""
    line = edges(xy, offsets, fitted.closed)
    number = np.full(len(fitted.xy), -1)
    rows = np.flatnonzero(vertex >= 0)
    number[vertex[rows]] = rows
    ring = part_of(offsets)
    edge, fraction = fitted.index.locate(ring, at)
    last = fitted.offsets[1:][ring] - 1
    following = np.where(
        edge < last, edge + 1, np.where(fitted.closed[ring], fitted.offsets[:-1][ring], edge)
    )
    nearest = np.where(fraction > 0.5, following, edge)
    straightened = np.zeros(len(xy))
    straightened[rows] = fitted.edge_straightened_m[vertex[rows]]
    forward = _StationMap(offsets, fitted.closed, at, line.station, fitted.line.part_length, line.part_length)
    # knots of the map from the repaired outline, whose base they keep
    of_knot = np.searchsorted(
        fitted.map_base - 1.5 * np.maximum(fitted.traced_length_m, fitted.line.part_length) - 1.4,
        fitted.map_to, side="right",
    ) - 1  # fmt: skip
    of_knot = np.clip(of_knot, 0, len(fitted.closed) - 1)
    base = fitted.map_base[of_knot]
    map_to = forward.of(of_knot, fitted.map_to - base) + base
    return Fitted(
        xy=xy,
        offsets=offsets,
        closed=fitted.closed,
        line=line,
        index=StationIndex.of(line, offsets, fitted.closed),
        traced=fitted.traced[nearest],
        corner_vertex=number[fitted.corner_vertex],
        corner_row=fitted.corner_row,
        traced_length_m=fitted.traced_length_m,
        edge_straightened_m=straightened,
        map_base=fitted.map_base,
        map_from=fitted.map_from,
        map_to=np.maximum.accumulate(map_to),
    )
