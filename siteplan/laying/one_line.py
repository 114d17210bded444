"""Runs of one product line, from units and fills to pieces in their places."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from siteplan.laying.corner_units import CornerWay
from siteplan.laying.filling import Beside, Filled, fill_runs, stopped
from siteplan.laying.fit_types import LegFits
from siteplan.laying.goals import GOALS, curve_goals, run_goals
from siteplan.laying.lay_rules import LayRules
from siteplan.laying.leg_ends import Units, standing
from siteplan.laying.mitres import SawnPieces, corner_sections
from siteplan.laying.orientation import can_turn, less
from siteplan.laying.placement import LegPlan, place
from siteplan.laying.play import LegRests, Play, propose
from siteplan.laying.result import LineFill, Takeoff
from siteplan.laying.rigid import CurvePieces
from siteplan.laying.sideways import can_move, shift_legs
from siteplan.laying.unmet import unmet_of
from siteplan.model import NodeKind, PieceKind, Runs
from siteplan.products import ProductLine
from siteplan.types import BoolArray, IntArray, ObjectArray
from siteplan.units import um_to_m


def lay_one(
    runs: Runs,
    bed_ids: ObjectArray | Sequence[str],
    line: ProductLine,
    rules: LayRules,
    *,
    held: BoolArray | None = None,
    beside: Beside | None = None,
) -> Takeoff:
    """Take off and place the pieces of runs of one line.

    Parameters
    ----------
    runs, bed_ids, line, rules, held : as in :func:`siteplan.laying.takeoff.lay`, for one line
    beside : all runs of the site, where others are of another line
    """
    beds = {str(bed): k for k, bed in enumerate(bed_ids)}
    by_bed = {beds[bed]: ways for bed, ways in rules.corner_by_bed if bed in beds}
    filled, play = fill_runs(runs, by_bed, line, rules, beside), None
    if rules.play_um:
        filled, play = _played(filled, by_bed, line, rules, held, beside)
    return replace(_placed(filled, bed_ids, line, rules), play=play)


def _played(
    filled: Filled,
    by_bed: Mapping[int, Sequence[CornerWay]],
    line: ProductLine,
    rules: LayRules,
    held: BoolArray | None,
    beside: Beside | None,
) -> tuple[Filled, Play]:
    """Runs whose legs are moved sideways where that saves cuts, and their fills.

    A run is moved only if, taken off again as moved, it has fewer unmet legs, or as many and
    fewer cuts, and is no worse by the list of goals.
    """
    runs = filled.runs
    may = can_move(runs, um_to_m(line.depth_um + 2 * rules.play_um), held)
    goals = _goals_of_runs(filled, line, rules)
    names = GOALS[rules.prefer]
    unmet, cuts = goals[:, names.index("unmet")], goals[:, names.index("cuts")]
    moved = np.zeros(len(may))
    movable = np.bincount(runs.leg_run, weights=may, minlength=len(unmet)) > 0
    which = np.flatnonzero(movable & ((unmet > 0) | (cuts > 0)))
    if len(which):
        moved = propose(
            runs, which, may, _leg_rests(filled, line, rules), rules.play_um, line, rules.closer_limit
        )
    while moved.any():
        new = fill_runs(shift_legs(runs, moved), by_bed, line, rules, beside)
        after = _goals_of_runs(new, line, rules)
        pairs = [g[:, [names.index("unmet"), names.index("cuts")]] for g in (after, goals)]
        saves = less(pairs[0], pairs[1]) & less(after, goals)
        worse = (moved != 0) & ~saves[runs.leg_run]
        if not worse.any():
            return new, Play(new.runs, moved, cuts, unmet)
        moved[worse] = 0.0
    return filled, Play(runs, moved, cuts, unmet)


def _goals_of_runs(filled: Filled, line: ProductLine, rules: LayRules) -> IntArray:
    """(r, g) goals of what lies in each run."""
    goals = run_goals(filled.fits, filled.sawn, line, rules.prefer)
    if filled.curved is not None:
        goals[filled.curved.leg] = curve_goals(filled.curved, line, rules.prefer)
    out = np.zeros((len(filled.runs.run_id), goals.shape[1]), dtype=np.int64)
    np.add.at(out, filled.runs.leg_run, goals)
    return out


def _leg_rests(filled: Filled, line: ProductLine, rules: LayRules) -> LegRests:
    """What play needs to know of the fills."""
    runs, units, corners = filled.runs, filled.units, filled.units.corners
    return LegRests(
        rest_um=filled.rest_um,
        units=units.start_unit.astype(np.int64) + units.far_unit,
        short_um=np.full(len(filled.rest_um), rules.fit_short_um, dtype=np.int64),
        over_um=np.where(stopped(runs, units), 0, rules.fit_over_um),
        fixed=~runs.straight | ~filled.laid | units.sawn.start | units.sawn.far,
        start_corner=units.start_corner,
        far_corner=units.far_corner,
        free=(True if runs.corner_exchanged is None else runs.corner_exchanged == 0)
        & can_turn(units.unit_standing, corners.arriving_um, corners.leaving_um, line),
        more_um=corners.arriving_um - corners.leaving_um,
    )


def _placed(
    filled: Filled, bed_ids: ObjectArray | Sequence[str], line: ProductLine, rules: LayRules
) -> Takeoff:
    """Pieces, counts and what is unmet."""
    runs, part, band, units, curved = filled.runs, filled.part, filled.band, filled.units, filled.curved
    fits, corners = filled.fits, filled.units.corners
    legs = _leg_plan(runs, units, fits, filled.sawn)
    laid_corner = np.where(units.corner_laid, corners.unit, -1)
    pieces = place(
        runs, part, band, legs, laid_corner, corners.leaving_um, line,
        lay_from=rules.lay_from, make_up=rules.make_up, curved=curved, corners=corners,
    )  # fmt: skip
    leg_counts = _leg_counts(legs, laid_corner, line, curved)
    sums = np.concatenate([np.zeros((1, leg_counts.shape[1]), np.int64), np.cumsum(leg_counts, axis=0)])
    kinds = np.bincount(pieces.kind, minlength=len(PieceKind))
    leg = np.arange(len(runs.leg_id))
    return Takeoff(
        lines=(line,),
        run_line=np.zeros(len(runs.run_id), dtype=np.int64),
        rules=rules,
        stations=part,
        corners=corners,
        corner_laid=units.corner_laid,
        corner_sections=corner_sections(runs, corners, legs, line.depth_um),
        fills=(LineFill(line, np.arange(len(runs.run_id)), leg, legs, curved),),
        rest_um=filled.rest_um,
        laid=filled.laid,
        fits=fits,
        codes=tuple(a.code for a in line.articles),
        leg_counts=leg_counts,
        run_counts=np.diff(sums[runs.leg_offsets], axis=0),
        by_kind={k.name.lower(): int(kinds[k]) for k in PieceKind},
        unmet=unmet_of(runs, bed_ids, corners, units, filled.curve, filled.rest_um, fits, line, curved),
        narrow_run=np.searchsorted(band.first, band.narrow, side="right") - 1,
        narrow_xy=band.xy[band.narrow],
        pieces=pieces,
        curve_um=filled.curve_um,
        faired_m=filled.faired_m,
    )


def _leg_plan(runs: Runs, units: Units, fits: LegFits, sawn: SawnPieces) -> LegPlan:
    """What placement needs of units and fills."""
    ring = runs.far_kind == NodeKind.SEAM
    corner_stands = standing(units.corner_laid, units.far_corner)
    return LegPlan(
        start_um=units.start_um + sawn.start_um,
        far_um=units.far_um + sawn.far_um,
        start_end=units.start_end,
        far_end=units.far_end,
        far_corner=np.where(corner_stands, units.far_corner, -1),
        start_joint=units.start_unit,
        far_joint=units.far_unit | ring,
        ring=ring,
        start_free=runs.start_kind == NodeKind.FREE,
        far_free=runs.far_kind == NodeKind.FREE,
        counts=fits.counts,
        cut_um=fits.cut_um,
        cut_from=fits.cut_from,
        gap_total_um=fits.gap_total_um,
        left_over_um=fits.left_over_um,
        sawn=sawn,
        sawn_ends=units.sawn,
    )


def _leg_counts(
    legs: LegPlan, laid_corner: IntArray, line: ProductLine, curved: CurvePieces | None
) -> IntArray:
    """Pieces of each article on each leg."""
    n_straights, n_corners = len(line.straights), len(line.corners)
    counts = np.zeros((len(legs), n_straights + n_corners + len(line.ends)), dtype=np.int64)
    counts[:, :n_straights] = legs.counts
    for nth in (0, 1):
        rows = np.flatnonzero(legs.cut_um[:, nth] > 0)
        counts[rows, legs.cut_from[rows, nth]] += 1
    if legs.sawn is not None and legs.sawn.source >= 0:
        counts[:, legs.sawn.source] += legs.sawn.count
    if curved is not None:
        counts[curved.leg] = 0
        np.add.at(counts, (curved.piece_leg, curved.straight), 1)
    rows = np.flatnonzero(legs.far_corner >= 0)
    counts[rows, n_straights + laid_corner[legs.far_corner[rows]]] += 1
    for end in (legs.start_end, legs.far_end):
        rows = np.flatnonzero(end >= 0)
        counts[rows, n_straights + n_corners + end[rows]] += 1
    return counts
