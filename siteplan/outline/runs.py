"""Runs and legs: the laying line cut where there is no edging, and at corners."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from siteplan.errors import DataError, Fault, Finding
from siteplan.model import NodeKind, Runs, Shapes, Unedged
from siteplan.outline.breaks_table import Breaks
from siteplan.outline.corners import Corners, find_corners
from siteplan.outline.curves import least_radii
from siteplan.outline.fitted import Fitted, fit_outline
from siteplan.outline.offset import crossing_faults, laying_line
from siteplan.outline.repair import closed_rings, vertex_numbers
from siteplan.outline.rules import OutlineRules
from siteplan.planar import (
    STATION_EPS_M,
    Edges,
    cross_dot,
    edges,
    offsets_of,
    part_of,
    ragged,
    slices,
)
from siteplan.types import BoolArray, FloatArray, IntArray, KindArray, ObjectArray, OffsetArray, XYArray

SAME_M = 2e-6
"""stations this close are one: twice the micrometre of the tables"""


def build_runs(
    beds: Shapes,
    breaks: Breaks,
    rules: OutlineRules | None = None,
    *,
    offset_m: FloatArray | float = 0.0,
    bed_ids: ObjectArray | None = None,
    number: IntArray | None = None,
    overrides: Mapping[tuple[str, int], bool] | None = None,
) -> tuple[Runs, Unedged, tuple[Finding, ...]]:
    """Runs with their legs and corners, from repaired outlines.

    Parameters
    ----------
    beds : repaired outlines (:func:`siteplan.outline.repair.repair`), bed on the left
    breaks : stretches with no edging, in stations of these outlines
    rules : settings; the defaults where None
    offset_m : (n,) or one for all: laying line from the outline, positive away from the bed
    bed_ids : (n,) ids that run and leg ids begin with; those of ``beds`` by default
    number : (v,) number of each vertex within its feature as drawn, for messages and overrides;
        counted along ``beds`` by default
    overrides : bed id and vertex number to True (a corner) or False (no corner)

    Returns
    -------
    Runs on the laying line, the stretches of outline without edging, and findings: stretches too
    short to edge, ends that could not be moved to a face, overrides that met no vertex.

    Raises
    ------
    DataError : an offset an edge, an arc or a whole ring leaves no room for, with its place; an
        override for a bed or vertex that is not there
    """
    rules = rules or OutlineRules()
    ids = beds.ids if bed_ids is None else bed_ids
    number = vertex_numbers(beds) if number is None else number
    closed = closed_rings(beds)
    forced, findings = _forced(beds, ids, number, overrides or {})
    corners = find_corners(beds.xy, beds.ring_offsets, closed, rules, forced=forced)
    fitted = fit_outline(beds.xy, beds.ring_offsets, closed, corners, rules.straight_within_m)
    gaps = _gaps(breaks, fitted)
    spans = _spans(gaps, fitted)
    ring_offset = np.broadcast_to(np.asarray(offset_m, dtype=np.float64), (len(beds),))[beds.ring_feature]
    ring_id = ids[beds.ring_feature]
    fitted_number = number[fitted.traced]
    laying, faults = laying_line(
        fitted.xy,
        fitted.offsets,
        closed,
        ring_offset,
        edged=_edged(spans, fitted),
        feature=ring_id,
        number=fitted_number,
    )
    if faults:
        raise DataError(*faults)
    legs = _legs(spans, fitted, laying)
    legs, moved = _move_ends(legs, spans, gaps, ring_id)
    legs = _straighten(legs, rules.straight_within_m)
    spans, legs, short, too_short = _without_short(spans, legs, rules, ring_id)
    runs = _table(spans, legs, gaps, corners, fitted, beds, ids, rules)
    faults = _crossings(runs, legs, ring_offset, ring_id, fitted_number)
    if faults:
        raise DataError(*faults)
    return runs, _unedged(gaps, short, fitted, beds), (*findings, *moved, *too_short)


def _forced(
    beds: Shapes, ids: ObjectArray, number: IntArray, overrides: Mapping[tuple[str, int], bool]
) -> tuple[KindArray, list[Finding]]:
    """(v,) 1 for corners by name, -1 for vertices named no corner; findings for names without a vertex."""
    forced = np.zeros(len(beds.xy), dtype=np.int8)
    findings: list[Finding] = []
    if not overrides:
        return forced, findings
    feature = beds.ring_feature[part_of(beds.ring_offsets)]
    place = {(str(ids[f]), int(n)): k for k, (f, n) in enumerate(zip(feature, number, strict=True))}
    known = {str(i) for i in ids}
    faults = []
    for (bed, vertex), corner in sorted(overrides.items()):
        at = place.get((bed, vertex))
        if at is not None:
            forced[at] = 1 if corner else -1
        elif bed not in known or vertex < 1:
            what = f'an override names vertex {vertex} of bed "{bed}", which is not there'
            faults.append(Fault("override", what, "Name a bed and a vertex number from 1 as drawn."))
        else:
            text = (
                f"vertex {vertex} is named in an override, but it is a repeated vertex, lies on a straight "
                "edge, or is beyond the last one; the override does nothing"
            )
            findings.append(Finding("override-unused", "error", text, bed=bed, vertex=vertex))
    if faults:
        raise DataError(*faults)
    return forced, findings


@dataclass(frozen=True, slots=True, eq=False)
class _Gaps:
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


def _gaps(breaks: Breaks, fitted: Fitted) -> _Gaps:
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
    return _Gaps(ring[keep], start[keep], stop[keep], order[keep], breaks)


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
class _Spans:
    """What is left to edge: one row for each run, in order of ring and place.  Fitted stations."""

    ring: IntArray
    from_m: FloatArray
    to_m: FloatArray
    closed: BoolArray
    before: IntArray
    """gap the run starts behind, -1 where it starts at the end of a line or is closed"""
    behind: IntArray
    """gap the run ends at, -1 likewise"""

    def take(self, chosen: BoolArray | IntArray) -> _Spans:
        return _Spans(
            self.ring[chosen],
            self.from_m[chosen],
            self.to_m[chosen],
            self.closed[chosen],
            self.before[chosen],
            self.behind[chosen],
        )

    def __len__(self) -> int:
        return len(self.ring)


def _spans(gaps: _Gaps, fitted: Fitted) -> _Spans:
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
    behind_gaps = _Spans(
        ring=ring,
        from_m=gaps.to_m,
        to_m=to_next,
        closed=np.zeros(len(ring), dtype=np.bool_),
        before=here,
        behind=np.where(is_last & ~goes_round, -1, following),
    )
    alone = np.full(len(whole), -1, dtype=np.int64)
    wholes = _Spans(whole, whole_m, whole_m + length[whole], fitted.closed[whole], alone, alone)
    lead = _Spans(
        ring=heads,
        from_m=np.zeros(len(heads)),
        to_m=gaps.from_m[first[heads]],
        closed=np.zeros(len(heads), dtype=np.bool_),
        before=np.full(len(heads), -1, dtype=np.int64),
        behind=first[heads],
    )
    spans = _joined(behind_gaps, wholes, lead)
    return _in_order(spans.take(spans.to_m - spans.from_m > SAME_M), begin, fitted)


def _joined(*parts: _Spans) -> _Spans:
    """Tables of spans, one after the other."""
    return _Spans(
        np.concatenate([p.ring for p in parts]),
        np.concatenate([p.from_m for p in parts]),
        np.concatenate([p.to_m for p in parts]),
        np.concatenate([p.closed for p in parts]),
        np.concatenate([p.before for p in parts]),
        np.concatenate([p.behind for p in parts]),
    )


def _in_order(spans: _Spans, begin: FloatArray, fitted: Fitted) -> _Spans:
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


def _edged(spans: _Spans, fitted: Fitted) -> BoolArray:
    """(v,) True where the edge leaving a vertex takes edging, at least in part."""
    out = np.zeros(len(fitted.xy), dtype=np.bool_)
    if len(spans):
        pieces = slices(fitted.index, spans.ring, spans.from_m, spans.to_m)
        last = np.zeros(len(pieces.edge), dtype=np.bool_)
        last[pieces.offsets[1:] - 1] = True
        out[pieces.edge[~last]] = True
    return out


@dataclass(frozen=True, slots=True, eq=False)
class _Legs:
    """Legs on the laying line, in order of span and walking."""

    span: IntArray
    xy: XYArray
    offsets: OffsetArray
    edge: IntArray
    """(w,) fitted edge each row lies on"""
    direction: XYArray
    """(w, 2) direction of the laying edge each row lies on"""
    start_corner: IntArray
    far_corner: IntArray
    straightened_m: FloatArray

    def take(self, chosen: BoolArray) -> _Legs:
        rows = np.repeat(chosen, np.diff(self.offsets))
        return _Legs(
            self.span[chosen],
            self.xy[rows],
            offsets_of(np.diff(self.offsets)[chosen]),
            self.edge[rows],
            self.direction[rows],
            self.start_corner[chosen],
            self.far_corner[chosen],
            self.straightened_m[chosen],
        )


def _legs(spans: _Spans, fitted: Fitted, laying: XYArray) -> _Legs:
    """Cut every span at the corners inside it, and take its vertices from the laying line."""
    rings = len(fitted.closed)
    part = part_of(fitted.offsets)
    at_corner = fitted.corner_vertex
    station = fitted.line.station[at_corner]
    corner_offsets = offsets_of(np.bincount(part[at_corner], minlength=rings))
    index = _corner_index(fitted, station, corner_offsets)
    total = fitted.line.part_length[spans.ring]
    first, size = corner_offsets[spans.ring], np.diff(corner_offsets)[spans.ring]
    begin = _corners_to(index, corner_offsets, spans.ring, spans.from_m + SAME_M)
    over = spans.to_m > total
    end_at = np.where(over, spans.to_m - total, spans.to_m) - SAME_M
    stop = _corners_to(index, corner_offsets, spans.ring, end_at) + np.where(over, size, 0)
    inside = np.maximum(stop - begin, 0)
    owner = np.repeat(np.arange(len(spans)), inside)
    local = ragged(begin, inside)
    corner = first[owner] + np.mod(local, np.maximum(size[owner], 1))
    corner_m = station[corner] + np.where(local >= size[owner], total[owner], 0.0)

    # Bounds of the legs: start, corners, end; a leg lies between two that follow one another.
    bounds = offsets_of(inside + 2)
    rows = ragged(bounds[:-1] + 1, inside)
    bound_m = np.empty(int(bounds[-1]))
    bound_corner = np.full(int(bounds[-1]), -1, dtype=np.int64)
    bound_m[bounds[:-1]], bound_m[bounds[1:] - 1], bound_m[rows] = spans.from_m, spans.to_m, corner_m
    bound_corner[rows] = corner
    # A closed run starts and ends at a corner, if it has any.
    ring_corner = spans.closed & (size > 0)
    at_start = first + _corners_to(index, corner_offsets, spans.ring, spans.from_m + SAME_M) - 1
    bound_corner[bounds[:-1][ring_corner]] = at_start[ring_corner]
    bound_corner[bounds[1:][ring_corner] - 1] = at_start[ring_corner]
    begins = np.ones(len(bound_m), dtype=np.bool_)
    begins[bounds[1:] - 1] = False
    leg = np.flatnonzero(begins)
    span = np.repeat(np.arange(len(spans)), inside + 1)
    ring = spans.ring[span]
    length = fitted.line.part_length[ring]
    from_m, to_m = bound_m[leg], bound_m[leg + 1]
    shift = np.where(fitted.closed[ring] & (from_m >= length - STATION_EPS_M), length, 0.0)
    from_m, to_m = np.maximum(from_m - shift, 0.0), to_m - shift
    pieces = slices(fitted.index, ring, from_m, to_m)
    line = edges(laying, fitted.offsets, fitted.closed)
    return _Legs(
        span=span,
        xy=pieces.of(laying, line),
        offsets=pieces.offsets,
        edge=pieces.edge,
        direction=line.vector[pieces.edge],
        start_corner=bound_corner[leg],
        far_corner=bound_corner[leg + 1],
        straightened_m=_straightened(fitted, pieces.edge, pieces.offsets),
    )


def _straightened(fitted: Fitted, edge: IntArray, offsets: OffsetArray) -> FloatArray:
    """(l,) how far the farthest traced vertex of a straight leg was moved on the outline."""
    return np.where(np.diff(offsets) == 2, fitted.edge_straightened_m[edge[offsets[:-1]]], 0.0)


def _corner_index(
    fitted: Fitted, station: FloatArray, corner_offsets: OffsetArray
) -> tuple[FloatArray, FloatArray]:
    """Keys of all corners, rings behind one another, and where each ring begins."""
    base = fitted.index.base
    return base, base[part_of(corner_offsets)] + station


def _corners_to(
    index: tuple[FloatArray, FloatArray], offsets: OffsetArray, ring: IntArray, station: FloatArray
) -> IntArray:
    """Number of corners of the ring at or before a station."""
    base, key = index
    found = np.searchsorted(key, base[ring] + station, side="right")
    return np.clip(found, offsets[ring], offsets[ring + 1]) - offsets[ring]


def _move_ends(legs: _Legs, spans: _Spans, gaps: _Gaps, ring_id: ObjectArray) -> tuple[_Legs, list[Finding]]:
    """Make first and last legs of runs longer or shorter, up to the points the breaks give."""
    count = len(legs.span)
    if not count or not len(gaps):
        return legs, []
    first = np.concatenate(([True], legs.span[1:] != legs.span[:-1]))
    last = np.concatenate((legs.span[1:] != legs.span[:-1], [True]))
    xy, drop = legs.xy.copy(), np.zeros(len(legs.xy), dtype=np.bool_)
    stuck: list[int] = []
    for at_start in (True, False):
        gap = (spans.before if at_start else spans.behind)[legs.span]
        leg = np.flatnonzero((first if at_start else last) & (gap >= 0))
        table = gaps.breaks.far_xy if at_start else gaps.breaks.start_xy
        target = table[gaps.row[gap[leg]]]
        given = np.isfinite(target).all(axis=1)
        leg, target = leg[given], target[given]
        stuck += _move(legs, leg, target, at_start, xy, drop)
    counts = np.diff(legs.offsets) - np.add.reduceat(drop, legs.offsets[:-1])
    keep = ~drop
    out = replace(
        legs, xy=xy[keep], offsets=offsets_of(counts), edge=legs.edge[keep], direction=legs.direction[keep]
    )
    text = "the leg here lies wholly beyond the face it runs into; its end stays where the outline has it"
    return out, [
        Finding("end-not-moved", "error", text, bed=str(ring_id[spans.ring[legs.span[k]]])) for k in stuck
    ]


def _move(
    legs: _Legs, leg: IntArray, target: XYArray, at_start: bool, xy: XYArray, drop: BoolArray
) -> list[int]:
    """Move one kind of end in place; vertices passed on the way are marked to be dropped.

    Returns the legs whose end had to stay.
    """
    step = 1 if at_start else -1
    end = legs.offsets[leg] if at_start else legs.offsets[leg + 1] - 1
    stuck: list[int] = []
    inner, reach = end + step, end.copy()
    todo = np.arange(len(leg))
    while len(todo):
        edge_row = np.minimum(inner, inner - step)[todo]
        vector = xy[reach[todo]] - xy[inner[todo]]
        short = np.hypot(vector[:, 0], vector[:, 1]) < SAME_M
        vector[short] = -step * legs.direction[edge_row[short]]
        unit = vector / np.hypot(vector[:, 0], vector[:, 1])[:, None]
        _, along = cross_dot(target[todo] - xy[inner[todo]], unit)
        fine = along > SAME_M
        done = todo[fine]
        xy[end[done]] = xy[inner[done]] + along[fine, None] * unit[fine]
        # Rows between the end and the inner vertex have been passed.
        for k in done[reach[done] != end[done]].tolist():
            rows = np.arange(end[k] + step, inner[k], step)
            drop[rows] = True
        todo = todo[~fine]
        reach[todo] = inner[todo]
        inner[todo] += step
        outside = np.where(
            at_start, inner[todo] >= legs.offsets[leg[todo] + 1], inner[todo] < legs.offsets[leg[todo]]
        )
        stuck += leg[todo[outside]].tolist()
        todo = todo[~outside]
    return stuck


def _straighten(legs: _Legs, within_m: float) -> _Legs:
    """Take parts of curved legs as straight where all their vertices lie close enough to a line."""
    count = len(legs.span)
    if not count:
        return legs
    size = np.diff(legs.offsets)
    start, far = legs.xy[legs.offsets[:-1]], legs.xy[legs.offsets[1:] - 1]
    vector = far - start
    chord = np.hypot(vector[:, 0], vector[:, 1])
    unit = vector / np.where(chord > 0.0, chord, 1.0)[:, None]
    part = part_of(legs.offsets)
    away, along = cross_dot(unit[part], legs.xy - start[part])
    farthest = np.maximum.reduceat(np.abs(away), legs.offsets[:-1])
    beyond = np.maximum.reduceat(np.maximum(-along, along - chord[part]), legs.offsets[:-1])
    # A leg between two corners has been judged on the outline; so has a ring without corners.
    cut = (legs.start_corner < 0) ^ (legs.far_corner < 0)
    cut |= (legs.start_corner < 0) & (legs.far_corner < 0) & (chord > SAME_M)
    straight = cut & (size > 2) & (farthest <= within_m) & (beyond <= within_m) & (chord > 0.0)
    keep = ~straight[part]
    keep[legs.offsets[:-1]] = True
    keep[legs.offsets[1:] - 1] = True
    return replace(
        legs,
        xy=legs.xy[keep],
        offsets=offsets_of(np.where(straight, 2, size)),
        edge=legs.edge[keep],
        direction=legs.direction[keep],
        straightened_m=np.where(straight, farthest, legs.straightened_m),
    )


def _without_short(
    spans: _Spans, legs: _Legs, rules: OutlineRules, ring_id: ObjectArray
) -> tuple[_Spans, _Legs, _Spans, list[Finding]]:
    """Leave out runs between breaks that are too short to edge; they are found and listed."""
    line = edges(legs.xy, legs.offsets, np.zeros(len(legs.span), dtype=np.bool_))
    length = np.bincount(legs.span, weights=line.part_length, minlength=len(spans))
    cut = (spans.before >= 0) | (spans.behind >= 0)
    short = cut & (length < rules.least_run_m)
    findings = [
        Finding(
            "short-stretch",
            "notice",
            f"a stretch of {length[k]:.3f} m between two gaps takes no edging, being shorter than "
            f"{rules.least_run_m:g} m",
            bed=str(ring_id[spans.ring[k]]),
        )
        for k in np.flatnonzero(short).tolist()
    ]
    left = spans.take(short)
    kept = legs.take(~short[legs.span])
    number = np.cumsum(~short) - 1
    kept = replace(kept, span=number[kept.span])
    return spans.take(~short), kept, left, findings


def _table(
    spans: _Spans,
    legs: _Legs,
    gaps: _Gaps,
    corners: Corners,
    fitted: Fitted,
    beds: Shapes,
    ids: ObjectArray,
    rules: OutlineRules,
) -> Runs:
    """Fill the tables of runs, legs and corners."""
    count = len(legs.span)
    leg_offsets = np.searchsorted(legs.span, np.arange(len(spans) + 1)).astype(np.int64)
    start_kind, far_kind = _kinds(spans, legs, gaps)
    bed = beds.ring_feature[spans.ring]
    run_id, leg_id = _names(bed, leg_offsets, ids)
    open_leg = np.zeros(count, dtype=np.bool_)
    line = edges(legs.xy, legs.offsets, open_leg)
    straight = np.diff(legs.offsets) == 2
    left, right = np.full(count, np.inf), np.full(count, np.inf)
    curved = np.flatnonzero(~straight)
    rows = np.repeat(~straight, np.diff(legs.offsets))
    left[curved], right[curved] = least_radii(
        legs.xy[rows],
        offsets_of(np.diff(legs.offsets)[curved]),
        (start_kind == NodeKind.SEAM)[curved],
        rules.corner_stretch_m,
        float(np.radians(rules.corner_turn_deg)),
    )
    arriving = np.flatnonzero(far_kind == NodeKind.CORNER)
    is_last = arriving == leg_offsets[legs.span[arriving] + 1] - 1
    leaving = np.where(is_last, leg_offsets[legs.span[arriving]], arriving + 1)
    turn = _turns_between(line, legs.offsets, arriving, leaving)
    start_turn, far_turn = np.zeros(count), np.zeros(count)
    far_turn[arriving], start_turn[leaving] = turn, turn
    return Runs(
        run_id=run_id,
        bed=bed,
        ring=spans.ring,
        closed=spans.closed,
        leg_offsets=leg_offsets,
        leg_id=leg_id,
        leg_run=legs.span,
        xy=legs.xy,
        offsets=legs.offsets,
        length_m=line.part_length,
        start_kind=start_kind,
        far_kind=far_kind,
        start_turn_deg=start_turn,
        far_turn_deg=far_turn,
        straight=straight,
        left_radius_m=left,
        right_radius_m=right,
        straightened_m=legs.straightened_m,
        corner_xy=legs.xy[legs.offsets[arriving + 1] - 1],
        corner_leg=arriving,
        corner_turn_deg=turn,
        corner_moved_m=corners.moved_m[fitted.corner_row[legs.far_corner[arriving]]],
    )


def _kinds(spans: _Spans, legs: _Legs, gaps: _Gaps) -> tuple[KindArray, KindArray]:
    """What stands at the start and at the far end of every leg."""
    out = []
    for corner, gap, end in (
        (legs.start_corner, spans.before[legs.span], gaps.breaks.far_end),
        (legs.far_corner, spans.behind[legs.span], gaps.breaks.start_end),
    ):
        kind = np.full(len(legs.span), NodeKind.FREE, dtype=np.int8)
        some = gap >= 0
        kind[some] = end[gaps.row[gap[some]]]
        kind[spans.closed[legs.span]] = NodeKind.SEAM
        kind[corner >= 0] = NodeKind.CORNER
        out.append(kind)
    return out[0], out[1]


def _names(bed: IntArray, leg_offsets: OffsetArray, ids: ObjectArray) -> tuple[ObjectArray, ObjectArray]:
    """Run and leg ids: bed id, number of the run in its bed, number of the leg in its run, from 1."""
    number = np.arange(len(bed)) - np.searchsorted(bed, bed, side="left") + 1
    run_id = np.array(
        [f"{b}-{n}" for b, n in zip(ids[bed].tolist(), number.tolist(), strict=True)], dtype=object
    )
    run = part_of(leg_offsets)
    local = np.arange(len(run)) - leg_offsets[run] + 1
    leg_id = np.array(
        [f"{r}-{m}" for r, m in zip(run_id[run].tolist(), local.tolist(), strict=True)], dtype=object
    )
    return run_id, leg_id


def _turns_between(line: Edges, offsets: OffsetArray, arriving: IntArray, leaving: IntArray) -> FloatArray:
    """Turn in degrees from the last edge of one leg to the first of another, left positive."""
    cross, dot = cross_dot(line.vector[offsets[arriving + 1] - 2], line.vector[offsets[leaving]])
    out: FloatArray = np.degrees(np.arctan2(cross, dot))
    return out


def _crossings(
    runs: Runs, legs: _Legs, offset_m: FloatArray, ring_id: ObjectArray, number: IntArray
) -> list[Fault]:
    """Faults of rings whose laying line crosses itself."""
    if not (offset_m != 0.0).any():
        return []
    # A corner is the last row of one leg and the first of the next: one of the two is enough.
    first_leg = np.zeros(len(runs.leg_run), dtype=np.bool_)
    first_leg[runs.leg_offsets[:-1]] = True
    keep = np.ones(len(runs.xy), dtype=np.bool_)
    keep[runs.offsets[:-1][~first_leg]] = False
    rows = np.bincount(runs.leg_run[part_of(runs.offsets)][keep], minlength=len(runs.run_id))
    return crossing_faults(
        runs.xy[keep],
        offsets_of(rows),
        runs.ring,
        runs.closed,
        offset_m=offset_m,
        feature=ring_id,
        number=number[legs.edge[keep]],
    )


def _unedged(gaps: _Gaps, short: _Spans, fitted: Fitted, beds: Shapes) -> Unedged:
    """Stretches without edging as polylines on the fitted outline."""
    real = gaps.to_m - gaps.from_m > SAME_M
    ring = np.concatenate([gaps.ring[real], short.ring])
    from_m = np.concatenate([gaps.from_m[real], short.from_m])
    to_m = np.concatenate([gaps.to_m[real], short.to_m])
    left_over = np.full(len(short), "short", dtype=object)
    no_one = np.full(len(short), "", dtype=object)
    why = np.concatenate([gaps.breaks.why[gaps.row[real]], left_over])
    other = np.concatenate([gaps.breaks.other[gaps.row[real]], no_one])
    order = np.lexsort((from_m, ring))
    ring = ring[order]
    pieces = slices(fitted.index, ring, from_m[order], to_m[order])
    xy = pieces.of(fitted.xy, fitted.line)
    line = edges(xy, pieces.offsets, np.zeros(len(ring), dtype=np.bool_))
    return Unedged(
        bed=beds.ring_feature[ring],
        ring=ring,
        why=why[order],
        other=other[order],
        length_m=line.part_length,
        xy=xy,
        offsets=pieces.offsets,
    )
