"""Outlines made of straight lines and circular arcs, held exactly.

An edge from one node to the next is a straight line or an arc; its *bulge* is the tangent of
a quarter of the angle the arc turns through: 0 for a straight line, 1 for half a circle, positive
where the arc turns left.  Two nodes and a bulge determine an arc without rounding a centre or
a radius, and any arc short of a full circle can be written.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from siteplan.errors import UsageError
from siteplan.planar import neighbours, offsets_of, part_of, ragged, signed_areas, sums
from siteplan.types import BoolArray, FloatArray, IntArray, ObjectArray, OffsetArray, XYArray

CHORD_TOLERANCE_M: Final = 0.001
"""Greatest distance between an arc and the chords that stand for it."""
_GREATEST_STEP_RAD: Final = np.pi / 6
"""No chord spans more than this, however small the arc."""


@dataclass(frozen=True, slots=True, eq=False)
class ArcStrings:
    """Outlines of lines and arcs.  n outlines, v nodes.

    A closed outline does not repeat its first node.  The unit is the caller's (metres
    unless something else is said).
    """

    names: ObjectArray
    """(n,) str"""
    closed: BoolArray
    """(n,)"""
    xy: XYArray
    """(v, 2) x east, y north"""
    offsets: OffsetArray
    """(n + 1,) nodes of each outline"""
    bulge: FloatArray
    """(v,) of the edge that leaves the node; 0 at the last node of an open outline"""

    def __len__(self) -> int:
        return len(self.names)


@dataclass(frozen=True, slots=True, eq=False)
class Edges:
    """Exact figures of each edge.  v edges, numbered as the nodes they leave."""

    chord: FloatArray
    """(v,) straight length from node to node; 0 for the edge after an open end"""
    sweep_rad: FloatArray
    """(v,) angle turned through, left positive, 0 where straight"""
    radius: FloatArray
    """(v,) signed as the sweep, inf where straight"""
    length: FloatArray
    """(v,) along the arc"""


@dataclass(frozen=True, slots=True, eq=False)
class Vertices:
    """Vertices that stand for line and arc strings.  m vertices."""

    xy: XYArray
    """(m, 2); every node of the string is among them, untouched"""
    offsets: OffsetArray
    """(n + 1,) vertices of each outline"""
    closed: BoolArray
    """(n,)"""
    edge: IntArray
    """(m,) exact edge the chord that leaves the vertex belongs to"""
    radius: FloatArray
    """(m,) exact radius of that edge, left positive, inf where straight"""


def strings_of(
    names: list[str], closed: list[bool], nodes: list[FloatArray], bulges: list[FloatArray]
) -> ArcStrings:
    """Strings from one array of nodes, and one of bulges, for each outline."""
    label = np.empty(len(names), dtype=object)
    label[:] = names
    return ArcStrings(
        names=label,
        closed=np.array(closed, dtype=np.bool_),
        xy=np.concatenate([np.zeros((0, 2)), *nodes]),
        offsets=offsets_of(np.array([len(n) for n in nodes], dtype=np.int64)),
        bulge=np.concatenate([np.zeros(0), *bulges]),
    )


def edges_of(strings: ArcStrings) -> Edges:
    """Chord, sweep, radius and length of every edge.

    Notes
    -----
    With bulge b and chord c: sweep 4 atan b, radius c (1 + b^2) / 4b, length radius x sweep.
    """
    _, after = neighbours(strings.offsets, strings.closed)
    step = strings.xy[after] - strings.xy
    chord = np.hypot(step[:, 0], step[:, 1])
    sweep = 4 * np.arctan(strings.bulge)
    arc = strings.bulge != 0
    radius = np.full(len(chord), np.inf)
    b = strings.bulge[arc]
    radius[arc] = chord[arc] * (1 + b * b) / (4 * b)
    length = chord.copy()
    half = sweep[arc] / 2
    length[arc] = chord[arc] * half / np.sin(half)
    return Edges(chord, sweep, radius, length)


def lengths(strings: ArcStrings) -> FloatArray:
    """Length of each outline along its lines and arcs: (n,)."""
    return sums(edges_of(strings).length, strings.offsets)


def areas(strings: ArcStrings) -> FloatArray:
    """Area of each closed outline, positive counter-clockwise; NaN for an open one: (n,)."""
    edge = edges_of(strings)
    arc = strings.bulge != 0
    segment = np.zeros(len(edge.chord))
    sweep = edge.sweep_rad[arc]
    segment[arc] = 0.5 * edge.radius[arc] ** 2 * (sweep - np.sin(sweep))
    total = signed_areas(strings.xy, strings.offsets) + sums(segment, strings.offsets)
    return np.where(strings.closed, total, np.nan)


def densify(strings: ArcStrings, tolerance: float = CHORD_TOLERANCE_M) -> Vertices:
    """Vertices whose chords stay within a tolerance of the arcs.

    Parameters
    ----------
    strings : outlines
    tolerance : greatest distance from arc to chord, in the unit of the strings

    Returns
    -------
    Vertices with the exact radius of the edge each chord belongs to.  Chords of one arc are
    equal, lie inside it (so they are short by about s^2/24r^2), and span 30 degrees at most.

    Raises
    ------
    UsageError : the tolerance is not a positive number
    """
    if not (np.isfinite(tolerance) and tolerance > 0):
        raise UsageError(f"chord tolerance {tolerance} is not a positive length")
    edge = edges_of(strings)
    count = _chord_counts(edge, tolerance)
    _, after = neighbours(strings.offsets, strings.closed)
    owner = np.repeat(np.arange(len(count), dtype=np.int64), count)
    place = ragged(np.zeros(len(count), dtype=np.int64), count)
    xy = strings.xy[owner]
    inner = place > 0
    own = owner[inner]
    t = place[inner] / count[own]
    xy[inner] = arc_points(strings.xy[own], strings.xy[after[own]], edge.sweep_rad[own], t)
    total = np.zeros(len(strings) + 1, dtype=np.int64)
    np.cumsum(np.bincount(part_of(strings.offsets), weights=count, minlength=len(strings)), out=total[1:])
    return Vertices(xy, total, strings.closed, owner, edge.radius[owner])


def _chord_counts(edge: Edges, tolerance: float) -> IntArray:
    """Number of chords for each edge; the sagitta of a chord of angle a is r (1 - cos(a/2))."""
    count = np.ones(len(edge.chord), dtype=np.int64)
    arc = edge.sweep_rad != 0
    share = np.minimum(tolerance / np.abs(edge.radius[arc]), 1.0)
    # 1 - cos(a/2) = 2 sin^2(a/4): keeps its digits where the radius is large
    step = np.minimum(4 * np.arcsin(np.sqrt(share / 2)), _GREATEST_STEP_RAD)
    count[arc] = np.maximum(np.ceil(np.abs(edge.sweep_rad[arc]) / step - 1e-9), 1).astype(np.int64)
    return count


def arc_points(start: XYArray, end: XYArray, sweep_rad: FloatArray, t: FloatArray) -> XYArray:
    """Points at the share ``t`` of arcs from ``start`` to ``end``.

    Parameters
    ----------
    start, end : (m, 2)
    sweep_rad : (m,) not 0, less than a full turn
    t : (m,) 0 at the start, 1 at the end
    """
    chord = (end[:, 0] - start[:, 0]) + 1j * (end[:, 1] - start[:, 1])
    half = sweep_rad / 2
    moved = chord * np.exp(1j * half * (t - 1)) * (np.sin(half * t) / np.sin(half))
    return np.asarray(start + np.column_stack([moved.real, moved.imag]))
