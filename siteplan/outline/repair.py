"""Outlines made fit for measuring: direction, repeated vertices, spikes, bow-ties.

Vertices are only left out, never moved, so what remains is exactly what was drawn.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from siteplan.errors import DataError, Fault, Finding, UsageError
from siteplan.model import RingKind, Shapes
from siteplan.outline.rules import OutlineRules
from siteplan.planar import (
    cross_dot,
    edges,
    kept_offsets,
    neighbours,
    offsets_of,
    part_of,
    ragged,
    signed_areas,
)
from siteplan.types import BoolArray, IntArray, ObjectArray, OffsetArray, XYArray

COLLINEAR_LENGTH_M = 1e-9
"""a vertex on a line is left out only where the length changes by less than this"""


@dataclass(frozen=True, slots=True, eq=False)
class Repaired:
    """Outlines ready for the later stages, and where their vertices came from."""

    shapes: Shapes
    """bed on the left of every ring and line"""
    source: IntArray
    """(v,) index of each vertex in the Shapes that were repaired"""
    number: IntArray
    """(v,) number of each vertex within its feature as it was drawn, from 1"""
    findings: tuple[Finding, ...]


def closed_rings(shapes: Shapes) -> BoolArray:
    """(r,) True for outer rings and islands."""
    kind = shapes.ring_kind
    closed: BoolArray = (kind == RingKind.OUTER) | (kind == RingKind.ISLAND)
    return closed


def vertex_numbers(shapes: Shapes) -> IntArray:
    """(v,) number of each vertex within its feature, from 1."""
    feature = shapes.ring_feature[part_of(shapes.ring_offsets)]
    start = np.searchsorted(feature, np.arange(len(shapes)), side="left")
    return np.arange(len(feature), dtype=np.int64) - start[feature] + 1


def repair(
    beds: Shapes, rules: OutlineRules | None = None, *, bed_side: ObjectArray | None = None
) -> Repaired:
    """Leave out what is no part of an outline's shape, and turn every ring the same way.

    Outer rings come out counter-clockwise, islands clockwise and lines so that the bed is on
    the left of the walking direction.  Repeated vertices, vertices on a straight edge and spikes
    without width are left out.

    Parameters
    ----------
    beds : outlines as the frame made them
    rules : settings; the defaults where None
    bed_side : (n,) ``left`` or ``right`` per bed, for open lines: side of the drawing direction
        the bed is on; all left where None

    Returns
    -------
    Repaired.  The vertices are a selection of the given ones, in walking order.  A vertex on a
    straight edge is left out only where the length changes by less than a nanometre.

    Raises
    ------
    DataError : with every outline that crosses or touches itself (the crossing point is named),
        and every outline that has too few vertices or no area
    UsageError : a ``bed_side`` other than left or right
    """
    rules = rules or OutlineRules()
    closed = closed_rings(beds)
    number = vertex_numbers(beds)
    keep, dropped, spikes = _thin(beds, closed, rules)
    source = np.flatnonzero(keep)
    offsets = kept_offsets(beds.ring_offsets, keep)
    faults = _faults(beds, closed, offsets, source, number, rules)
    if faults:
        raise DataError(*faults)
    source = source[_walking_order(beds, closed, offsets, source, bed_side)]
    shapes = Shapes(
        ids=beds.ids,
        xy=beds.xy[source],
        ring_offsets=offsets,
        ring_kind=beds.ring_kind,
        ring_feature=beds.ring_feature,
    )
    findings = _findings(beds, number, dropped, spikes, int(len(keep) - len(source)))
    return Repaired(shapes, source, number[source], findings)


def _thin(beds: Shapes, closed: BoolArray, rules: OutlineRules) -> tuple[BoolArray, IntArray, IntArray]:
    """Vertices to keep, repeated ones left out, and tips of spikes left out.

    Passes go on over the rings that changed in the pass before: leaving out a spike can bring
    two equal vertices together, and so on.
    """
    keep = np.ones(len(beds.xy), dtype=np.bool_)
    part = part_of(beds.ring_offsets)
    active = np.ones(len(closed), dtype=np.bool_)
    repeated: list[IntArray] = []
    spikes: list[IntArray] = []
    while active.any():
        index = np.flatnonzero(keep & active[part])
        rings = np.flatnonzero(active)
        counts = np.bincount(part[index], minlength=len(closed))[rings]
        drop, kind = _one_pass(beds.xy[index], offsets_of(counts), closed[rings], rules)
        gone = index[drop]
        if kind == "repeated":
            repeated.append(gone)
        elif kind == "spike":
            spikes.append(gone)
        keep[gone] = False
        left = np.bincount(part[keep], minlength=len(closed))
        if kind == "collinear" or not len(gone):
            active[:] = False
        # A pass looks for one kind only: rings without that kind must still be looked at for
        # the next, so all stay active until a pass finds nothing but vertices on edges.
        active[part[gone]] = True
        active &= left >= np.where(closed, 3, 2)
    empty = [np.zeros(0, dtype=np.int64)]
    return keep, np.concatenate(empty + repeated), np.concatenate(empty + spikes)


def _one_pass(
    xy: XYArray, offsets: OffsetArray, closed: BoolArray, rules: OutlineRules
) -> tuple[BoolArray, str]:
    """Vertices to leave out now, and why; never two neighbours."""
    before, after = neighbours(offsets, closed)
    here = np.arange(len(xy))
    line = edges(xy, offsets, closed)
    short = (line.length < rules.repeated_m) & (after != here)
    if short.any():
        candidate = np.zeros(len(xy), dtype=np.bool_)
        candidate[after[short]] = True
        # The last vertex of a line is its end and stays; the one before it goes instead.
        ends = candidate & (after == here)
        candidate[ends] = False
        candidate[before[ends & (before[before] != before)]] = True
        candidate[ends & (before[before] == before)] = True
        return _not_adjacent(candidate, before, offsets), "repeated"
    inner = (before != here) & (after != here)
    arriving = line.vector[before]
    cross, dot = cross_dot(arriving, line.vector)
    longer = np.maximum(line.length[before], line.length)
    width = np.abs(cross) / np.where(longer > 0.0, longer, 1.0)
    spike = inner & (dot < 0.0) & (width <= rules.collinear_m)
    if spike.any():
        return _not_adjacent(spike, before, offsets), "spike"
    across = line.vector + arriving
    direct = np.hypot(across[:, 0], across[:, 1])
    height = np.abs(cross) / np.where(direct > 0.0, direct, 1.0)
    # a + b - c without losing digits: (a + b)^2 - c^2 = 2 (a b - a.b)
    both = line.length[before] + line.length
    gain = 2.0 * (line.length[before] * line.length - dot) / np.where(both > 0.0, both + direct, 1.0)
    flat = inner & (dot > 0.0) & (height <= rules.collinear_m) & (gain < COLLINEAR_LENGTH_M)
    return _not_adjacent(flat, before, offsets), "collinear"


def _not_adjacent(candidate: BoolArray, before: IntArray, offsets: OffsetArray) -> BoolArray:
    """Some of the candidates, no two of them neighbours, at least one of each group."""
    local = np.arange(len(candidate)) - offsets[:-1][part_of(offsets)]
    first = candidate & ~candidate[before]
    chosen = candidate & ((local % 2 == 1) | first)
    out: BoolArray = chosen & (first | ~chosen[before])
    return out


def _feature_of(beds: Shapes, ring: int) -> str:
    return str(beds.ids[beds.ring_feature[ring]])


def _faults(
    beds: Shapes,
    closed: BoolArray,
    offsets: OffsetArray,
    source: IntArray,
    number: IntArray,
    rules: OutlineRules,
) -> list[Fault]:
    """Outlines with nothing left to edge, and outlines that cross or touch themselves."""
    xy = beds.xy[source]
    few = np.diff(offsets) < np.where(closed, 3, 2)
    rows = ~few[part_of(offsets)]
    crossed = np.zeros(len(few), dtype=np.bool_)
    crossed[~few] = ~simple_parts(xy[rows], offsets_of(np.diff(offsets)[~few]), closed[~few])
    # Two crossing lobes of equal size have no area either, and the crossing is the better news.
    flat = closed & (np.abs(signed_areas(xy, offsets)) <= rules.repeated_m**2)
    faults = []
    for ring in np.flatnonzero(few | flat | crossed).tolist():
        feature = str(beds.ids[beds.ring_feature[ring]])
        part = slice(int(offsets[ring]), int(offsets[ring + 1]))
        crossing = first_crossing(xy[part], bool(closed[ring])) if crossed[ring] else None
        if crossing is None:
            if few[ring] or flat[ring]:
                faults.append(_nothing_left(feature, bool(closed[ring])))
            continue
        vertex, place = crossing
        faults.append(
            Fault(
                code="self-crossing",
                what=f"the outline crosses or touches itself at x {place[0]:.3f} m, y {place[1]:.3f} m "
                "of the site's working axes",
                remedy="Move or delete the vertices there, or split the feature in two.",
                feature=feature,
                vertex=int(number[source[part]][vertex]),
                place_xy=(float(place[0]), float(place[1])),
            )
        )
    return faults


def _nothing_left(feature: str, closed: bool) -> Fault:
    """Fault of an outline without area, or a line without length."""
    what = "the outline encloses no area" if closed else "the line has no length"
    return Fault(
        code="no-area" if closed else "no-length",
        what=f"{what} once repeated vertices and spikes without width are left out",
        remedy="Draw it again, or leave the feature out.",
        feature=feature,
    )


def simple_parts(xy: XYArray, offsets: OffsetArray, closed: BoolArray) -> BoolArray:
    """(r,) True where a part neither crosses nor touches itself."""
    part = part_of(offsets)
    out = np.ones(len(closed), dtype=np.bool_)
    for ring, make in ((True, shapely.linearrings), (False, shapely.linestrings)):
        chosen = closed == ring
        rows = chosen[part]
        if rows.any():
            order = np.cumsum(chosen) - 1
            out[chosen] = shapely.is_simple(make(xy[rows], indices=order[part[rows]]))
    return out


def first_crossing(xy: XYArray, closed: bool) -> tuple[int, tuple[float, float]] | None:
    """First place where a line meets itself.

    Returns
    -------
    Index of the vertex the earlier of the two edges leaves, and the place; None where there is none.
    """
    count = len(xy) if closed else len(xy) - 1
    ends = np.stack([xy[:count], xy[(np.arange(count) + 1) % len(xy)]], axis=1)
    following = np.arange(1, count + 1)
    following[-1] = 0 if closed else -1
    return first_meeting(ends, following)


def first_meeting(ends: XYArray, following: IntArray) -> tuple[int, tuple[float, float]] | None:
    """First place where two of many segments meet other than end to end.

    Parameters
    ----------
    ends : (n, 2, 2) both ends of each segment
    following : (n,) the segment that goes on where each one ends, -1 where none

    Returns
    -------
    Index of the earlier of the two segments, and the place; None where there is none.
    """
    segments: ObjectArray = np.array([shapely.LineString(pair) for pair in ends], dtype=object)
    one, two = shapely.STRtree(segments).query(segments, predicate="intersects")
    pair = one < two
    one, two = one[pair], two[pair]
    meet = np.atleast_1d(shapely.intersection(segments[one], segments[two]))
    adjacent = (following[one] == two) | (following[two] == one)
    # Neighbouring edges share their vertex; anything more of them is a fold.
    wrong = ~adjacent | (shapely.get_dimensions(meet) > 0)
    one, two, meet = one[wrong], two[wrong], meet[wrong]
    if not len(one):
        return None
    first = int(np.lexsort((two, one))[0])
    place = shapely.get_coordinates(meet[first])[0]
    return int(one[first]), (float(place[0]), float(place[1]))


def _walking_order(
    beds: Shapes, closed: BoolArray, offsets: OffsetArray, source: IntArray, bed_side: ObjectArray | None
) -> IntArray:
    """Order of the vertices that puts the bed on the left of every ring and line."""
    area = signed_areas(beds.xy[source], offsets)
    outer = beds.ring_kind == RingKind.OUTER
    turn = closed & (np.where(outer, area, -area) < 0.0)
    if bed_side is not None:
        wrong = sorted({str(side) for side in bed_side} - {"left", "right"})
        if wrong:
            raise UsageError(f'bed_side "{wrong[0]}" is not known; write left or right')
        turn |= ~closed & (bed_side == "right")[beds.ring_feature]
    counts = np.diff(offsets)
    forward = ragged(offsets[:-1], counts)
    part = part_of(offsets)
    backward = (offsets[:-1] + offsets[1:] - 1)[part] - forward
    return np.where(turn[part], backward, forward)


def _findings(
    beds: Shapes, number: IntArray, repeated: IntArray, spikes: IntArray, left_out: int
) -> tuple[Finding, ...]:
    """What was left out, bed by bed; vertices on straight edges in one line for all."""
    feature = beds.ring_feature[part_of(beds.ring_offsets)]
    out = []
    which, first, count = np.unique(feature[np.sort(repeated)], return_index=True, return_counts=True)
    for bed, row, times in zip(which.tolist(), first.tolist(), count.tolist(), strict=True):
        vertex = int(number[np.sort(repeated)[row]])
        plural = "1 repeated vertex" if times == 1 else f"{times} repeated vertices"
        text = f"{plural} left out, the first is vertex {vertex}"
        out.append(Finding("repeated-vertex", "notice", text, bed=str(beds.ids[bed]), vertex=vertex))
    for vertex_index in np.sort(spikes).tolist():
        vertex = int(number[vertex_index])
        out.append(
            Finding(
                "spike",
                "notice",
                f"the outline runs out to vertex {vertex} and back on the same line; this spike is left out",
                bed=str(beds.ids[feature[vertex_index]]),
                vertex=vertex,
            )
        )
    on_edges = left_out - len(repeated) - len(spikes)
    if on_edges > 0:
        text = f"vertices on straight edges left out, in all {on_edges}; no length changes"
        out.append(Finding("collinear-vertex", "notice", text))
    return tuple(out)
