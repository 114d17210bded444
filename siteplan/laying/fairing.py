"""Fair lines: traced curves made smooth within a stated distance.

A traced curve turns at its vertices only, and each vertex lies a little off.  Where sections are
shorter than the traced edges, or where noise turns the line to and fro, no crew would lay pieces
on the polyline as drawn: it would let them run fair.  :func:`fair` finds that line.  On nodes
some 0.1 m apart it minimises

    sum |p - q|^2 + (reach / h)^6 sum |third difference of p|^2

(q the traced line, h the spacing): the least squares smoothing that leaves straight lines and
circles alone and damps what repeats within some six times ``reach``.  A ladder of reaches is
solved, and along each line the longest one is used that moves no node nearby farther than
allowed: where the reach changes the lines of two reaches run into one another.  Where units stand
the nodes are held.

Source: penalised least squares on third differences goes back to E. T. Whittaker, On a new method
of graduation, Proceedings of the Edinburgh Mathematical Society 41 (1922), 63-75 (cited from memory;
nothing rests on it, the tests check what comes out).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy.fft
import scipy.linalg

from siteplan.types import BoolArray, FloatArray, IntArray, OffsetArray, XYArray

_SPACING_M: Final = 0.1
_REACHES_M: Final = (0.15, 0.22, 0.33, 0.5, 0.75, 1.1, 1.7, 2.5)
"""ladder of reaches, each about half as long again as the one before"""
_NEARBY_M: Final = 1.0
"""a reach is not used this near to a node that it moves too far"""
_HELD: Final = 1e15
"""weight of a node that must not move"""
_THIRD: Final = np.array([-1.0, 3.0, -3.0, 1.0])


@dataclass(frozen=True, slots=True, eq=False)
class FairLines:
    """Fair lines.  l lines, n vertices."""

    xy: XYArray
    offsets: OffsetArray
    traced_m: FloatArray
    """(n,) how far along the traced line each vertex was"""
    moved_m: FloatArray
    """(l,) greatest distance a node was moved"""

    def take(self, which: IntArray) -> FairLines:
        """The lines ``which``."""
        count = np.diff(self.offsets)[which]
        offsets = np.concatenate([[0], np.cumsum(count)]).astype(np.int64)
        source = np.repeat(self.offsets[which] - offsets[:-1], count) + np.arange(offsets[-1])
        return FairLines(self.xy[source], offsets, self.traced_m[source], self.moved_m[which])


def fair(
    xy: XYArray,
    walked_m: FloatArray,
    offsets: OffsetArray,
    ring: BoolArray,
    held_start_m: FloatArray,
    held_far_m: FloatArray,
    within_m: float,
    finest_m: float,
) -> FairLines:
    """Make lines fair.

    Parameters
    ----------
    xy : (v, 2) traced vertices; a ring repeats its first at its end
    walked_m : (v,) distance of each along its line
    offsets : (l + 1,)
    ring : (l,)
    held_start_m, held_far_m : (l,) the line is held up to the one and from the other on
    within_m : no node is moved farther
    finest_m : edges of the fair lines are no longer than this

    Returns
    -------
    FairLines.  Where no reach of the ladder serves, the line is as traced.
    """
    nodes = _nodes(xy, walked_m, offsets, ring, held_start_m, held_far_m)
    total, before = np.zeros_like(nodes.xy), np.zeros_like(nodes.xy)
    serves = np.ones(len(nodes.xy), dtype=np.bool_)
    which = np.ones(len(ring), dtype=np.bool_)
    for reach in _REACHES_M:
        shift = _smoothed(nodes, np.full(len(ring), reach), which)
        serves &= (np.hypot(shift[:, 0], shift[:, 1]) <= within_m) & which[nodes.line]
        clear = _mean_nearby(nodes, (~serves).astype(np.float64), _NEARBY_M) < 1e-9
        # averaged over half as far (rounded down), twice: its share is nothing at a node it must not move
        share = _mean_nearby(nodes, clear.astype(np.float64), _NEARBY_M / 2)
        share = _mean_nearby(nodes, share, _NEARBY_M / 2)
        # shares fall from reach to reach, so this sums to a mean of the lines that serve
        total += share[:, None] * (shift - before)
        before = shift
        which = np.logical_or.reduceat(clear, nodes.offsets[:-1])
        if not which.any():
            break
    moved = np.maximum.reduceat(np.hypot(total[:, 0], total[:, 1]), nodes.offsets[:-1])
    return _refined(nodes, nodes.xy + total, moved, finest_m)


def _mean_nearby(nodes: _Nodes, values: FloatArray, within_m: float) -> FloatArray:
    """Mean of values over the nodes within a distance along the line, round a ring."""
    first, edges = nodes.offsets[:-1][nodes.line], np.diff(nodes.offsets)[nodes.line] - 1
    half = np.minimum(np.floor(within_m / nodes.spacing_m).astype(np.int64)[nodes.line], edges // 2)
    sums = np.concatenate([[0.0], np.cumsum(values)])
    nth = np.arange(len(values)) - first
    low, high = nth - half, nth + half + 1
    ring = nodes.ring[nodes.line]
    # the last node of a ring is its first again: sums over the others, whole turns added
    whole = sums[first + edges] - sums[first]

    def upto(k: IntArray) -> FloatArray:
        turns = np.where(ring, np.floor_divide(k, edges), 0)
        within = np.where(ring, k - turns * edges, np.clip(k, 0, edges + 1))
        out: FloatArray = sums[first + within] + turns * whole
        return out

    count = np.where(ring, high - low, np.minimum(high, edges + 1) - np.maximum(low, 0))
    mean: FloatArray = (upto(high) - upto(low)) / count
    return mean


@dataclass(frozen=True, slots=True, eq=False)
class _Nodes:
    """Nodes on traced lines; a ring has a power of two of them and its first again at its end."""

    xy: XYArray
    at_m: FloatArray
    offsets: OffsetArray
    line: IntArray
    held: BoolArray
    spacing_m: FloatArray
    """(l,)"""
    ring: BoolArray


def _nodes(
    xy: XYArray,
    walked_m: FloatArray,
    offsets: OffsetArray,
    ring: BoolArray,
    held_start_m: FloatArray,
    held_far_m: FloatArray,
) -> _Nodes:
    length = walked_m[offsets[1:] - 1]
    edges = np.maximum(np.ceil(length / _SPACING_M).astype(np.int64), 8)
    edges = np.where(ring, 1 << np.ceil(np.log2(edges)).astype(np.int64), edges)
    new = np.concatenate([[0], np.cumsum(edges + 1)]).astype(np.int64)
    line = np.repeat(np.arange(len(edges)), edges + 1)
    at = (np.arange(new[-1]) - new[:-1][line]) / edges[line] * length[line]
    # one interpolation for all lines: stations of one kept clear of the next one's
    base = np.concatenate([[0.0], np.cumsum(length + 1.0)[:-1]])
    places = walked_m + base[np.repeat(np.arange(len(length)), np.diff(offsets))]
    sampled = np.column_stack([np.interp(at + base[line], places, xy[:, k]) for k in (0, 1)])
    held = ~ring[line] & ((at <= held_start_m[line]) | (at >= held_far_m[line]))
    return _Nodes(sampled, at, new, line, held, length / edges, ring)


def _smoothed(nodes: _Nodes, reach_m: FloatArray, which: BoolArray) -> XYArray:
    """How far each node of the lines ``which`` moves.

    Smoothed twice, what the first pass took off smoothed again and given back: the first pass
    draws a circle in by (reach / R)^6 of its radius, both together by the square of that.
    """
    shift = np.zeros_like(nodes.xy)
    edges = np.diff(nodes.offsets) - 1
    weight = (reach_m / nodes.spacing_m) ** 6
    for count in np.unique(edges[which & nodes.ring]):
        rings = np.flatnonzero(which & nodes.ring & (edges == count))
        rows = nodes.offsets[rings][:, None] + np.arange(count + 1)
        shift[rows] = _smoothed_rings(nodes.xy[rows], weight[rings])
    rows = np.flatnonzero((which & ~nodes.ring)[nodes.line])
    if len(rows):
        line = nodes.line[rows]
        shift[rows] = _smoothed_open(nodes.xy[rows], line, weight, nodes.held[rows])
    return shift


def _smoothed_rings(xy: FloatArray, weight: FloatArray) -> FloatArray:
    """The same for rings (k, n + 1, 2) of equally many nodes: each wave by itself, exactly periodic."""
    n = xy.shape[1] - 1
    penalty = weight[:, None] * (2 * np.sin(np.pi * np.arange(n // 2 + 1) / n)) ** 6
    off = (penalty / (1 + penalty)) ** 2
    waves = scipy.fft.rfft(xy[:, :-1], axis=1)
    shift = -scipy.fft.irfft(waves * off[:, :, None], n=n, axis=1)
    out: FloatArray = np.concatenate([shift, shift[:, :1]], axis=1)
    return out


def _smoothed_open(xy: XYArray, line: IntArray, line_weight: FloatArray, held: BoolArray) -> XYArray:
    """The same for open lines one after another."""
    n = len(xy)
    # third differences lie within one line
    weight = np.where(line[:-3] == line[3:], line_weight[line[3:]], 0.0)
    bands = np.zeros((4, n))
    bands[3] = np.where(held, _HELD, 1.0)
    for i in range(4):
        for j in range(i, 4):
            bands[3 - (j - i), j : n - 3 + j] += weight * _THIRD[i] * _THIRD[j]
    factor = scipy.linalg.cholesky_banded(bands, overwrite_ab=True, check_finite=False)

    def taken_off(values: XYArray) -> XYArray:
        """What smoothing takes off: (I + P)^-1 P applied to it."""
        third = np.zeros((n - 3, 2))
        for k, c in enumerate(_THIRD):
            third += c * values[k : n - 3 + k]
        third *= weight[:, None]
        right = np.zeros((n, 2))
        for k, c in enumerate(_THIRD):
            right[k : n - 3 + k] += c * third
        right[held] = 0.0
        off: XYArray = scipy.linalg.cho_solve_banded((factor, False), right, check_finite=False)
        return off

    # with S for smoothing: S q + S (q - S q) = q - (I - S)(I - S) q
    return -taken_off(taken_off(xy))


def _refined(nodes: _Nodes, xy: XYArray, moved_m: FloatArray, finest_m: float) -> FairLines:
    """Nodes of the lines proper, with points between them on cubics through four neighbours."""
    at, offsets = nodes.at_m, nodes.offsets
    rings = np.flatnonzero(nodes.ring)
    xy[offsets[rings + 1] - 1] = xy[offsets[rings]]
    for _ in range(max(0, int(np.ceil(np.log2(_SPACING_M / finest_m))))):
        xy, at, offsets = _halved(xy, at, offsets, nodes.ring)
    return FairLines(xy, offsets, at, moved_m)


def _halved(
    xy: XYArray, at: FloatArray, offsets: OffsetArray, ring: BoolArray
) -> tuple[XYArray, FloatArray, OffsetArray]:
    """A point put in the middle of every edge, on the cubic through the two vertices either side."""
    size = np.diff(offsets)
    line = np.repeat(np.arange(len(size)), size - 1)
    local = np.arange(len(line)) - np.repeat(np.cumsum(size - 1) - (size - 1), size - 1)
    edge = offsets[:-1][line] + local
    last = size[line] - 2
    before = np.where(local > 0, edge - 1, np.where(ring[line], edge + last, edge))
    behind = np.where(local < last, edge + 2, np.where(ring[line], edge + 2 - last - 1, edge + 1))
    middle = (9 * (xy[edge] + xy[edge + 1]) - xy[before] - xy[behind]) / 16
    # at an open end the parabola through the three vertices that are there
    for here, a, b, c in (
        ((local == 0) & ~ring[line], edge, edge + 1, edge + 2),
        ((local == last) & ~ring[line] & (last > 0), edge + 1, edge, edge - 1),
    ):
        rows = np.flatnonzero(here)
        middle[rows] = (3 * xy[a[rows]] + 6 * xy[b[rows]] - xy[c[rows]]) / 8
    new = np.concatenate([[0], np.cumsum(2 * size - 1)]).astype(np.int64)
    out, out_at = np.empty((new[-1], 2)), np.empty(new[-1])
    vertex_line = np.repeat(np.arange(len(size)), size)
    old = new[:-1][vertex_line] + 2 * (np.arange(len(xy)) - offsets[:-1][vertex_line])
    out[old], out_at[old] = xy, at
    put = new[:-1][line] + 2 * local + 1
    out[put], out_at[put] = middle, (at[edge] + at[edge + 1]) / 2
    return out, out_at, new
