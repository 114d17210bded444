"""Legs: spans cut at corners, their ends moved to faces, straight where they nearly are."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from siteplan.errors import Finding
from siteplan.outline.cuts import SAME_M, Gaps, Spans
from siteplan.outline.fitted import Fitted
from siteplan.outline.rules import OutlineRules
from siteplan.planar import STATION_EPS_M, cross_dot, edges, offsets_of, part_of, ragged, slices
from siteplan.types import BoolArray, FloatArray, IntArray, ObjectArray, OffsetArray, XYArray


@dataclass(frozen=True, slots=True, eq=False)
class Legs:
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

    def take(self, chosen: BoolArray) -> Legs:
        """Legs that are chosen."""
        rows = np.repeat(chosen, np.diff(self.offsets))
        return Legs(
            self.span[chosen],
            self.xy[rows],
            offsets_of(np.diff(self.offsets)[chosen]),
            self.edge[rows],
            self.direction[rows],
            self.start_corner[chosen],
            self.far_corner[chosen],
            self.straightened_m[chosen],
        )


def cut_legs(spans: Spans, fitted: Fitted, laying: XYArray) -> Legs:
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
    return Legs(
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


def move_ends(
    legs: Legs, spans: Spans, gaps: Gaps, ring_id: ObjectArray, square_to: XYArray | None = None
) -> tuple[Legs, list[Finding]]:
    """Make first and last legs of runs longer or shorter, up to the points the breaks give.

    ``square_to`` has the vertices of the legs on the outline, NaN where the laying line is the
    outline.  A break that gives no point of its own ends an offset leg square to where it ends the
    outline: the same fraction of the edge would make a gate wider on the longer, outer line.
    """
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
        breaks, row = gaps.breaks, gaps.row[gap[leg]]
        target = (breaks.far_xy if at_start else breaks.start_xy)[row]
        faces = breaks.far_face if at_start else breaks.start_face
        on_face = breaks.far_face_xy if at_start else breaks.start_face_xy
        face = np.full_like(target, np.nan) if faces is None else faces[row]
        if on_face is not None:
            # an offset laying line meets an oblique face farther on, or sooner, than the outline
            target = np.where(np.isnan(target), on_face[row], target)
        if square_to is not None:
            end = legs.offsets[leg] if at_start else legs.offsets[leg + 1] - 1
            target = np.where(np.isnan(target), square_to[end], target)
        given = np.isfinite(target).all(axis=1)
        leg, target, face = leg[given], target[given], face[given]
        stuck += _move(legs, leg, target, face, at_start, xy, drop)
    counts = np.diff(legs.offsets) - np.add.reduceat(drop, legs.offsets[:-1])
    keep = ~drop
    out = replace(
        legs, xy=xy[keep], offsets=offsets_of(counts), edge=legs.edge[keep], direction=legs.direction[keep]
    )
    text = "the leg here lies wholly beyond the face it runs into; its end stays where the outline has it"
    return out, [
        Finding("end-not-moved", "error", text, bed=str(ring_id[spans.ring[legs.span[k]]])) for k in stuck
    ]


_LEAST_SINE = 0.25
"""a face at less than this to the leg (14.5 degrees) cannot say where the leg meets it"""


def _level(unit: XYArray, to: XYArray, face: XYArray) -> FloatArray:
    """(m,) how far along each leg it meets the face, or is level with a point without a face."""
    sine, _ = cross_dot(unit, face)
    met, _ = cross_dot(to, face)
    _, along = cross_dot(to, unit)
    oblique = np.abs(np.nan_to_num(sine)) >= _LEAST_SINE
    return np.where(oblique, met / np.where(oblique, sine, 1.0), along)


def _move(
    legs: Legs, leg: IntArray, target: XYArray, face: XYArray, at_start: bool, xy: XYArray, drop: BoolArray
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
        along = _level(unit, target[todo] - xy[inner[todo]], face[todo])
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


def straighten(legs: Legs, within_m: float) -> Legs:
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


def without_short(
    spans: Spans, legs: Legs, rules: OutlineRules, ring_id: ObjectArray
) -> tuple[Spans, Legs, Spans, list[Finding]]:
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
