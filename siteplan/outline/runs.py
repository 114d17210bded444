"""Runs and legs: the laying line cut where there is no edging, and at corners."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from siteplan.errors import DataError, Fault, Finding
from siteplan.model import NodeKind, Runs, Shapes, Unedged
from siteplan.outline.breaks_table import Breaks
from siteplan.outline.corners import Corners, find_corners
from siteplan.outline.curves import least_radii
from siteplan.outline.cuts import SAME_M, Gaps, Spans, edged_edges, gaps_of, spans_of
from siteplan.outline.fitted import Fitted, fit_outline
from siteplan.outline.legs import Legs, cut_legs, move_ends, straighten, without_short
from siteplan.outline.offset import crossing_faults, laying_line
from siteplan.outline.refit import refit_outline
from siteplan.outline.refit_runs import offset_arcs, with_arcs, with_corrections
from siteplan.outline.repair import closed_rings, vertex_numbers
from siteplan.outline.rules import OutlineRules
from siteplan.planar import (
    Edges,
    cross_dot,
    edges,
    offsets_of,
    part_of,
    slices,
)
from siteplan.types import FloatArray, IntArray, KindArray, ObjectArray, OffsetArray


def build_runs(
    beds: Shapes,
    breaks: Breaks,
    rules: OutlineRules | None = None,
    *,
    offset_m: FloatArray | float = 0.0,
    bed_ids: ObjectArray | None = None,
    number: IntArray | None = None,
    overrides: Mapping[tuple[str, int], bool] | None = None,
    tracing_sigma_m: FloatArray | float = np.nan,
    refit: bool = False,
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
    tracing_sigma_m : (n,) or one for all: standard deviation of a traced vertex, each way; NaN where it
        is not known, and nothing is corrected
    refit : vertices on arcs and straight lines are replaced by the arcs and lines

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
    sigma = np.broadcast_to(np.asarray(tracing_sigma_m, dtype=np.float64), (len(beds),))
    known = ~np.isnan(sigma).all() if len(sigma) else False
    refitted = refit_outline(fitted, sigma[beds.ring_feature]) if refit and known else None
    fitted = fitted if refitted is None else refitted.fitted
    gaps = gaps_of(breaks, fitted)
    spans = spans_of(gaps, fitted)
    ring_offset = np.broadcast_to(np.asarray(offset_m, dtype=np.float64), (len(beds),))[beds.ring_feature]
    ring_id = ids[beds.ring_feature]
    fitted_number = number[fitted.traced]
    laying, faults = laying_line(
        fitted.xy,
        fitted.offsets,
        closed,
        ring_offset,
        edged=edged_edges(spans, fitted),
        feature=ring_id,
        number=fitted_number,
    )
    if faults:
        raise DataError(*faults)
    if refitted is not None:
        laying = offset_arcs(refitted, laying, ring_offset)
    legs = cut_legs(spans, fitted, laying)
    square_to = None
    if ring_offset.any():
        on_outline = cut_legs(spans, fitted, fitted.xy).xy
        beside = ring_offset[spans.ring[legs.span]] != 0.0
        square_to = np.where(np.repeat(beside, np.diff(legs.offsets))[:, None], on_outline, np.nan)
    legs, moved = move_ends(legs, spans, gaps, ring_id, square_to)
    legs = straighten(legs, rules.straight_within_m)
    spans, legs, short, too_short = without_short(spans, legs, rules, ring_id)
    runs = _table(spans, legs, gaps, corners, fitted, beds, ids, rules)
    if refitted is not None:
        runs = with_arcs(runs, refitted, legs, spans, ring_offset)
    if known:
        runs = with_corrections(runs, refitted, legs, spans, sigma[runs.bed][runs.leg_run])
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


def _table(
    spans: Spans,
    legs: Legs,
    gaps: Gaps,
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
    start_meet, far_meet = _meet_angles(spans, legs, gaps, line)
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
        start_meet_deg=start_meet,
        far_meet_deg=far_meet,
    )


def _kinds(spans: Spans, legs: Legs, gaps: Gaps) -> tuple[KindArray, KindArray]:
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


def _meet_angles(spans: Spans, legs: Legs, gaps: Gaps, line: Edges) -> tuple[FloatArray, FloatArray]:
    """Angle in degrees between each leg and the face at its start and at its far end; 90 where none."""
    out = []
    for corner, gap, faces, row in (
        (legs.start_corner, spans.before[legs.span], gaps.breaks.far_face, legs.offsets[:-1]),
        (legs.far_corner, spans.behind[legs.span], gaps.breaks.start_face, legs.offsets[1:] - 2),
    ):
        angle = np.full(len(legs.span), 90.0)
        some = np.flatnonzero((gap >= 0) & (corner < 0))
        if faces is not None and len(some):
            face = faces[gaps.row[gap[some]]]
            known = np.isfinite(face).all(axis=1)
            some, face = some[known], face[known]
            cross, dot = cross_dot(line.vector[row[some]], face)
            angle[some] = np.degrees(np.arctan2(np.abs(cross), np.abs(dot)))
        out.append(angle)
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
    runs: Runs, legs: Legs, offset_m: FloatArray, ring_id: ObjectArray, number: IntArray
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


def _unedged(gaps: Gaps, short: Spans, fitted: Fitted, beds: Shapes) -> Unedged:
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
