"""Straight chords stepped along polylines, exactly, many lines at once.

A rigid piece on a curve has both its ends on the laying line, so the place where it ends is
where the circle of its length round its start crosses the line ahead.  The line is a polyline:
along one edge the distance from the start is a convex function, so an edge that begins nearer
than the chord and ends no nearer holds exactly one crossing, found in closed form.  No point of
the line within the chord's length *along* the line can be farther than the chord, so the search
begins there and the first crossing is never missed.

An arc whose radius is known exactly is stepped on as a polyline whose vertices lie on it; the
chord then errs by no more than the sagitta of its edges (:func:`arc_points` keeps it below a
stated number).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from siteplan.types import BoolArray, FloatArray, IntArray, OffsetArray, XYArray

_APART_M: Final = 1_000.0
"""keeps the stations of one line clear of the next one's in the search keys"""


@dataclass(frozen=True, slots=True, eq=False)
class ChordLines:
    """Polylines made ready for stepping.  l lines, v vertices.

    Each line goes on beyond both its ends: an open one straight, a ring round again.
    """

    xy: XYArray
    offsets: OffsetArray
    at_m: FloatArray
    """(v,) distance of each vertex along its line; 0 where the line proper starts, negative before"""
    key_m: FloatArray
    """(v,) the same, shifted so that it increases over all lines"""
    shift_m: FloatArray
    """(l,)"""
    length_m: FloatArray
    """(l,) of the line proper"""

    def __len__(self) -> int:
        return len(self.length_m)


def chord_lines(xy: XYArray, offsets: OffsetArray, ring: BoolArray, beyond_m: float) -> ChordLines:
    """Make polylines ready for stepping.

    Parameters
    ----------
    xy : (v, 2) metres; a ring repeats its first vertex at its end
    offsets : (l + 1,) vertices of each line, two at least; no edge has length 0
    ring : (l,) True where the last vertex is the first
    beyond_m : how far the lines go on beyond their ends, the longest chord at least

    Returns
    -------
    ChordLines.
    """
    size = np.diff(offsets)
    step = np.zeros(len(xy))
    step[1:] = np.hypot(*np.diff(xy, axis=0).T)
    step[offsets[:-1]] = 0.0
    walked = np.cumsum(step)
    line = np.repeat(np.arange(len(size)), size)
    walked -= walked[offsets[:-1]][line]
    length = walked[offsets[1:] - 1]
    edges = size - 1
    before = np.where(ring, _edges_within(walked, offsets, length, beyond_m, back=True), 1)
    behind = np.where(ring, _edges_within(walked, offsets, length, beyond_m, back=False), 1)
    count = size + before + behind
    out = np.concatenate([[0], np.cumsum(count)]).astype(np.int64)
    line = np.repeat(np.arange(len(size)), count)
    nth = np.arange(out[-1]) - (out[:-1] + before)[line]
    around = np.where(ring[line], np.floor_divide(nth, edges[line]), 0)
    nth = np.where(ring[line], nth - around * edges[line], np.clip(nth, 0, edges[line]))
    source = offsets[:-1][line] + nth
    new, at = xy[source], walked[source] + around * length[line]
    open_lines = np.flatnonzero(~ring)
    for end, near, far in ((out[:-1], 1, 2), (out[1:] - 1, -1, -2)):
        rows = end[open_lines]
        along = new[rows + near] - new[rows + far]
        new[rows] += along / np.hypot(along[:, 0], along[:, 1])[:, None] * beyond_m
        at[rows] -= near * beyond_m
    reach = at[out[1:] - 1] - at[out[:-1]] + _APART_M
    shift = np.concatenate([[0.0], np.cumsum(reach)[:-1]])
    return ChordLines(new, out, at, at + shift[line], shift, length)


def _edges_within(
    walked_m: FloatArray, offsets: OffsetArray, length_m: FloatArray, within_m: float, *, back: bool
) -> IntArray:
    """(l,) edges a ring is walked on beyond its end, or back beyond its start, to cover a distance."""
    edges = np.diff(offsets) - 1
    turns = np.floor(within_m / np.maximum(length_m, 1e-9)).astype(np.int64)
    rest = within_m - turns * length_m
    # one search for all lines: stations of one kept clear of the next one's
    base = np.concatenate([[0.0], np.cumsum(length_m + 1.0)[:-1]])
    key = walked_m + np.repeat(base, np.diff(offsets))
    if back:
        nearest = np.searchsorted(key, length_m - rest + base, side="right") - 1
        part = offsets[1:] - 1 - nearest
    else:
        part = np.searchsorted(key, rest + base, side="left") - offsets[:-1]
    out: IntArray = turns * edges + np.clip(part, 1, edges)
    return out


def _edge_at(lines: ChordLines, line: IntArray, at_m: FloatArray) -> IntArray:
    """First vertex of the edge that holds each place."""
    edge = np.searchsorted(lines.key_m, at_m + lines.shift_m[line], side="right") - 1
    return np.clip(edge, lines.offsets[line], lines.offsets[line + 1] - 2)


def points(lines: ChordLines, line: IntArray, at_m: FloatArray) -> XYArray:
    """Points (n, 2) at distances along lines; beyond a line's extension it goes on straight."""
    edge = _edge_at(lines, line, at_m)
    span = lines.at_m[edge + 1] - lines.at_m[edge]
    u = (at_m - lines.at_m[edge]) / span
    xy: XYArray = lines.xy[edge] + u[:, None] * (lines.xy[edge + 1] - lines.xy[edge])
    return xy


def directions(lines: ChordLines, line: IntArray, at_m: FloatArray, *, arriving: bool) -> FloatArray:
    """Direction (n,) in radians of lines at places, at a vertex that of the edge before or after it."""
    nudge = -1e-9 if arriving else 1e-9
    edge = _edge_at(lines, line, at_m + nudge)
    along = lines.xy[edge + 1] - lines.xy[edge]
    out: FloatArray = np.arctan2(along[:, 1], along[:, 0])
    return out


def step(
    lines: ChordLines, line: IntArray, at_m: FloatArray, xy: XYArray, chord_m: FloatArray
) -> tuple[FloatArray, XYArray]:
    """Where chords that start on lines meet them again.

    Parameters
    ----------
    lines : the polylines
    line : (n,) line of each chord
    at_m, xy : (n,) and (n, 2) where each chord starts
    chord_m : (n,) length; ahead where positive, back where negative (an overlap), 0 stays

    Returns
    -------
    (n,) distance along the line and (n, 2) point of the first crossing.  Beyond a line's
    extension it goes on straight.
    """
    ahead = chord_m > 0
    if ahead.all():
        return _ahead(lines, line, at_m, xy, chord_m)
    out_at, out_xy = at_m.copy(), xy.copy()
    back = chord_m < 0
    for which, way in ((ahead, _ahead), (back, _back)):
        if which.any():
            out_at[which], out_xy[which] = way(
                lines, line[which], at_m[which], xy[which], np.abs(chord_m[which])
            )
    return out_at, out_xy


def _ahead(
    lines: ChordLines, line: IntArray, at_m: FloatArray, xy: XYArray, chord_m: FloatArray
) -> tuple[FloatArray, XYArray]:
    edge = _edge_at(lines, line, at_m + chord_m)
    last = lines.offsets[line + 1] - 2
    moving = np.arange(len(edge))
    while len(moving):
        off = lines.xy[edge[moving] + 1] - xy[moving]
        near = np.einsum("ij,ij->i", off, off) < chord_m[moving] ** 2
        moving = moving[near & (edge[moving] < last[moving])]
        edge[moving] += 1
    return _crossing(lines, edge, xy, chord_m, 1.0)


def _back(
    lines: ChordLines, line: IntArray, at_m: FloatArray, xy: XYArray, chord_m: FloatArray
) -> tuple[FloatArray, XYArray]:
    edge = _edge_at(lines, line, at_m - chord_m)
    first = lines.offsets[line]
    moving = np.arange(len(edge))
    while len(moving):
        off = lines.xy[edge[moving]] - xy[moving]
        near = np.einsum("ij,ij->i", off, off) < chord_m[moving] ** 2
        moving = moving[near & (edge[moving] > first[moving])]
        edge[moving] -= 1
    return _crossing(lines, edge, xy, chord_m, -1.0)


def _crossing(
    lines: ChordLines, edge: IntArray, xy: XYArray, chord_m: FloatArray, sign: float
) -> tuple[FloatArray, XYArray]:
    """Where the line through each edge crosses the circle: going out (``sign`` 1), coming in (-1)."""
    from_xy = lines.xy[edge]
    span = lines.at_m[edge + 1] - lines.at_m[edge]
    unit = (lines.xy[edge + 1] - from_xy) / span[:, None]
    off = from_xy - xy
    b = np.einsum("ij,ij->i", off, unit)
    # square of the distance from the start to the edge's line, without the loss of a difference
    side = off[:, 0] * unit[:, 1] - off[:, 1] * unit[:, 0]
    reach = np.sqrt(np.maximum(chord_m**2 - side**2, 0.0))
    u = sign * reach - b
    return lines.at_m[edge] + u, from_xy + unit * u[:, None]


@dataclass(frozen=True, slots=True, eq=False)
class Walk:
    """Pieces stepped along lines.  p pieces in the order of their offsets, l lines."""

    from_m: FloatArray
    """(p,) distance along the line where each piece starts"""
    to_m: FloatArray
    start_xy: XYArray
    end_xy: XYArray
    angle: FloatArray
    """(p,) direction of each piece, radians"""
    reach_m: FloatArray
    """(l,) where the last joint of each line ends"""


def walk(
    lines: ChordLines,
    line: IntArray,
    first: OffsetArray,
    at_m: FloatArray,
    before_m: FloatArray,
    chord_m: FloatArray,
    behind_m: FloatArray,
) -> Walk:
    """Lay pieces one after another, each line's first, then each line's second, and so on.

    Parameters
    ----------
    lines : the polylines
    line : (r,) line of each row of pieces
    first : (r + 1,) pieces of each row
    at_m : (r,) where each row starts
    before_m : (p,) chord of the joint before each piece
    chord_m : (p,) length of each piece
    behind_m : (r,) chord of the joint after the last piece

    Returns
    -------
    Walk, its ``reach_m`` for each row.
    """
    total = int(first[-1])
    from_m, to_m = np.empty(total), np.empty(total)
    start, end = np.empty((total, 2)), np.empty((total, 2))
    count = np.diff(first)
    order = np.argsort(-count, kind="stable")
    at, xy = at_m[order].astype(np.float64), points(lines, line[order], at_m[order])
    row_line, row_first, row_count = line[order], first[:-1][order], count[order]
    active = np.count_nonzero(row_count > 0)
    for nth in range(int(count.max(initial=0))):
        active = np.searchsorted(-row_count[:active], -nth, side="left")
        k, on = row_first[:active] + nth, row_line[:active]
        at[:active], xy[:active] = step(lines, on, at[:active], xy[:active], before_m[k])
        from_m[k], start[k] = at[:active], xy[:active]
        at[:active], xy[:active] = _ahead(lines, on, at[:active], xy[:active], chord_m[k])
        to_m[k], end[k] = at[:active], xy[:active]
    reach = np.empty(len(line))
    reach[order], _ = step(lines, row_line, at, xy, behind_m[order])
    along = end - start
    return Walk(from_m, to_m, start, end, np.arctan2(along[:, 1], along[:, 0]), reach)


def turned(one: FloatArray, two: FloatArray) -> FloatArray:
    """Angle from direction ``one`` to direction ``two``, radians, left positive, within half a turn."""
    out: FloatArray = (two - one + math.pi) % (2 * math.pi) - math.pi
    return out


# ---------------------------------------------------------------- closed forms on a circle


def openings_um(
    gap_um: FloatArray, deflection_rad: FloatArray, depth_um: int
) -> tuple[FloatArray, FloatArray]:
    """Space between two pieces at the inner and at the outer face of their joint.

    Parameters
    ----------
    gap_um : (n,) distance between the two ends on the laying line
    deflection_rad : (n,) angle between the two pieces, either sign
    depth_um : front to back; the laying line is the middle

    Returns
    -------
    Two (n,) arrays: ``g - d sin(delta / 2)`` and ``g + d sin(delta / 2)``.

    Notes
    -----
    Each end face is square to its piece and reaches d / 2 to either side of the line.  Against
    the direction halfway between the two pieces each face leans by delta / 2, so its inner edge
    lies (d / 2) sin(delta / 2) nearer to the other one, and its outer edge as much farther.
    """
    lean = depth_um * np.sin(np.abs(deflection_rad) / 2)
    return gap_um - lean, gap_um + lean


def circle_deflection(chord_m: float, gap_m: float, radius_m: float) -> float:
    """Angle in radians between two equal pieces on a circle: 2 asin(s / 2R) + 2 asin(g / 2R)."""
    return 2 * math.asin(chord_m / (2 * radius_m)) + 2 * math.asin(gap_m / (2 * radius_m))


def ring_radius(pieces: int, chord_m: float, gap_m: float) -> float:
    """Radius of the circle that n pieces and n gaps close: n (asin(s/2R) + asin(g/2R)) = pi.

    In closed form: chords s and g stand in the circle with half angles a and b, a + b = pi / n.
    They are two sides of a triangle with the outer angle pi / n between them, and 2R is its third
    side over the sine of that angle (law of sines).

    Examples
    --------
    >>> ring_radius(6, 1.0, 0.0)
    1.0
    """
    return _radius(chord_m, gap_m, math.pi / pieces)


def _radius(chord_m: float, gap_m: float, half_rad: float) -> float:
    """Radius on which two pieces of this chord and gap deflect by twice ``half_rad``."""
    sine = math.sin(half_rad)
    if sine <= 0.0:
        return math.inf
    third = math.sqrt(chord_m**2 + gap_m**2 + 2 * chord_m * gap_m * math.cos(half_rad))
    return round(third / (2 * sine), 12)


def least_radius(
    chord_m: float, gap_least_m: float, gap_greatest_m: float, depth_m: float, deflection_deg: float
) -> tuple[float, float]:
    """Least radius of a circle that equal pieces can follow, and the gap it takes, in metres.

    Parameters
    ----------
    chord_m : length of the pieces
    gap_least_m, gap_greatest_m : limits of the opening of a joint
    depth_m : front to back
    deflection_deg : greatest angle between two pieces

    Returns
    -------
    Radius (inf where the gaps leave no room for any deflection) and gap.

    Notes
    -----
    With sigma = sin(delta / 2) the openings ask for least + d sigma <= g <= greatest - d sigma, so
    sigma is at most (greatest - least) / 2d, and at most sin(D / 2) by the limit D of the deflection.
    The radius (see :func:`ring_radius`) falls with sigma and rises with g.  At the greatest sigma the
    least gap is least + d sigma; a smaller sigma would allow a smaller gap, but then R is about
    (s + g) / 2 sigma = (s + least) / 2 sigma + d / 2, which only rises.
    """
    sigma = min(math.sin(math.radians(deflection_deg) / 2), (gap_greatest_m - gap_least_m) / (2 * depth_m))
    gap = gap_least_m + depth_m * sigma
    return _radius(chord_m, gap, math.asin(min(sigma, 1.0))), gap


def arc_points(
    centre: tuple[float, float], radius_m: float, from_rad: float, sweep_rad: float, sagitta_m: float = 1e-6
) -> XYArray:
    """Vertices on an arc whose chords lie no farther from it than ``sagitta_m``.

    Parameters
    ----------
    centre, radius_m : the circle
    from_rad, sweep_rad : where the arc begins, and how far it goes, left positive
    sagitta_m : greatest distance of a chord from the arc

    Returns
    -------
    (n, 2), both ends included.
    """
    most = 2 * math.acos(max(1 - sagitta_m / radius_m, 0.0))
    edges = max(1, math.ceil(abs(sweep_rad) / most))
    at = from_rad + sweep_rad * np.arange(edges + 1) / edges
    return np.column_stack([centre[0] + radius_m * np.cos(at), centre[1] + radius_m * np.sin(at)])
