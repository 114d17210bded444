"""What stands in each leg before anything is placed: units at its ends, the exact fill between them.

First what is certain is taken off each leg: corner arms, end units, clearances.  The rest
is filled exactly (:mod:`siteplan.laying.fit`).

A leg shorter than what stands at its two ends is unmet: a unit is left out
(:mod:`siteplan.laying.leg_ends`) and the leg takes no sections.

Legs on a curve.  A flexible line follows a curve down to its least radius; a tighter curve is
unmet, and the units at its ends stand.  Pieces of a rigid line have their ends on the curve
(:mod:`siteplan.laying.rigid`); stretches too tight for any of them are unmet.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from siteplan.laying.band import Band, Stations, build_band, stations
from siteplan.laying.corner_units import CornerHow, CornerWay, CornerWays, corner_ways
from siteplan.laying.curves import CurveRules
from siteplan.laying.fit import FitReason, LegFits, fit_legs
from siteplan.laying.goals import curve_goals, run_goals
from siteplan.laying.lay_rules import LayRules
from siteplan.laying.leg_ends import Units, choose_units, first_units
from siteplan.laying.lines import per_run
from siteplan.laying.mitres import SawnPieces, one_piece, required, share_out, with_one_piece
from siteplan.laying.orientation import best_orientation, can_turn, less
from siteplan.laying.rigid import CurvePieces, lay_curves
from siteplan.laying.run_ends import clearances
from siteplan.laying.unmet import curve_faults
from siteplan.model import NodeKind, Runs
from siteplan.outline.arrange import join_runs, rows_of, take_runs
from siteplan.products import ProductLine
from siteplan.types import BoolArray, FloatArray, IntArray, ObjectArray
from siteplan.units import um_to_m


@dataclass(frozen=True, slots=True, eq=False)
class Filled:
    """Runs with their units and fills, before anything is placed."""

    runs: Runs
    part: Stations
    band: Band
    units: Units
    curve: ObjectArray
    laid: BoolArray
    rest_um: IntArray
    fits: LegFits
    sawn: SawnPieces
    curved: CurvePieces | None
    curve_um: IntArray
    faired_m: FloatArray
    clear_um: tuple[IntArray, IntArray]
    """(l,) and (l,) what comes off at the start and far end of legs that end at a face or another run"""


@dataclass(frozen=True, slots=True, eq=False)
class Beside:
    """All runs of a site of several lines, for the ends of runs that meet those of another line."""

    runs: Runs
    lines: tuple[ProductLine, ...]
    """as ``runs.line`` counts"""
    own: IntArray
    """the runs that are laid now, in their order"""

    def clearances(self, own: Runs, part: Stations, band: Band) -> tuple[IntArray, IntArray]:
        """What comes off each leg of the own runs where its run ends at a face or at another run.

        Parameters
        ----------
        own, part, band : the own runs as they lie now, their stations, their strips
        """
        line = self.lines[0 if self.runs.line is None or not len(self.own) else self.runs.line[self.own[0]]]
        if not np.isin(own.start_kind, NodeKind.TEE).any() and not np.isin(own.far_kind, NodeKind.TEE).any():
            return clearances(replace(own, line=None), part, band, line)
        others = np.setdiff1d(np.arange(len(self.runs.run_id)), self.own)
        place = np.concatenate([self.own, others])
        all_runs = take_runs(join_runs([own, take_runs(self.runs, others)]), np.argsort(place))
        all_runs = replace(all_runs, line=self.runs.line)
        start, far = clearances(
            all_runs,
            stations(all_runs),
            build_band(all_runs, per_run(all_runs, self.lines, lambda x: x.depth_um)),
            self.lines,
        )
        legs = rows_of(all_runs.leg_offsets, self.own)
        return start[legs], far[legs]


def fill_runs(
    runs: Runs,
    by_bed: Mapping[int, Sequence[CornerWay]],
    line: ProductLine,
    rules: LayRules,
    beside: Beside | None = None,
) -> Filled:
    """Units and fills of runs.

    Parameters
    ----------
    runs : runs of one line
    by_bed : ways to make the corners of single beds, by index
    line, rules : their product line; how legs are filled
    beside : all runs of the site, where some are of another line
    """
    part = stations(runs)
    band = build_band(runs, line.depth_um)
    ways = corner_ways(runs, line, rules.corner_by, by_bed)
    curve = curve_faults(runs, line)
    if beside is None:
        clear_um = clearances(replace(runs, line=None), part, band, line)
    else:
        clear_um = beside.clearances(runs, part, band)
    units = turned_units(runs, part, ways, curve, line, clear_um, rules)
    laid = ~units.short & (curve == "")
    rest = part.leg_um - units.start_um - units.far_um
    fits, sawn = fit_rests(runs, np.arange(len(rest)), rest, laid, units, line, rules)
    bent = np.flatnonzero(~runs.straight & ~units.short)
    curved = lay_bent(runs, part, bent, units.start_um, units.far_um, units, line, rules)
    curve_um, faired_m = np.zeros(len(rest), dtype=np.int64), np.zeros(len(rest))
    if curved is not None:
        fits, curve_um = _with_curves(fits, curved, rest, line)
        faired_m[curved.leg] = curved.moved_m
        laid[curved.leg] = np.diff(curved.first) > 0
    return Filled(
        runs, part, band, units, curve, laid, rest, fits, sawn, curved, curve_um, faired_m, clear_um
    )


def turned_units(
    runs: Runs,
    part: Stations,
    ways: CornerWays,
    curve: ObjectArray,
    line: ProductLine,
    clear_um: tuple[IntArray, IntArray],
    rules: LayRules,
) -> Units:
    """What stands at the ends of the legs, reversible corner units laid the way that is best.

    First before anything is left out of short legs, since a unit turned round may make it fit.
    Where a corner is made another way, or left out, all the same, once more with what stands then,
    and with what stands as the catalogue has the units: each run takes the better of the two.
    """
    arms = ways.arriving_um[CornerHow.UNIT], ways.leaving_um[CornerHow.UNIT]
    if not can_turn(ways.unit, *arms, line).any():
        return choose_units(runs, part, ways, line, clear_um)
    either: BoolArray = np.ones(len(ways.unit), dtype=np.bool_)
    if runs.corner_exchanged is not None:
        either = runs.corner_exchanged == 0
        ways = ways.with_exchanged((runs.corner_exchanged > 0) & can_turn(ways.unit, *arms, line))
    first = first_units(runs, ways, line, clear_um)
    free = either & can_turn(first.unit_standing, first.corners.arriving_um, first.corners.leaving_um, line)
    chosen = _orientation(runs, part, first, free, curve, line, rules, whole=False)
    made = choose_units(runs, part, ways.with_exchanged(chosen), line, clear_um)
    if not made.short.any() and (made.corners.how == first.corners.how).all():
        return made
    both, goals = [], []
    for units in (made, choose_units(runs, part, ways, line, clear_um)):
        still = free & (units.corners.how == CornerHow.UNIT)
        for corner in (units.start_corner[units.short], units.far_corner[units.short]):
            still[corner[corner >= 0]] = False
        # from the catalogue again, so that ties go to it
        units = units.turned_round(units.corners.exchanged & still)  # noqa: PLW2901
        turned = _orientation(runs, part, units, still, curve, line, rules, whole=True)
        both.append(units.turned_round(turned))
        goals.append(_run_goals(runs, part, both[-1], curve, line, rules))
    better = less(goals[0], goals[1])
    return both[0].where(better[runs.leg_run], better[runs.leg_run[runs.corner_leg]], both[1])


def _run_goals(
    runs: Runs, part: Stations, units: Units, curve: ObjectArray, line: ProductLine, rules: LayRules
) -> IntArray:
    """(r, g) goals of the runs with these units."""
    every = np.arange(len(curve))
    goals = _goals(runs, part, every, units.start_um, units.far_um, units, curve, line, rules, False)
    out = np.zeros((len(runs.run_id), goals.shape[1]), dtype=np.int64)
    np.add.at(out, runs.leg_run, goals)
    return out


def _orientation(
    runs: Runs,
    part: Stations,
    units: Units,
    free: BoolArray,
    curve: ObjectArray,
    line: ProductLine,
    rules: LayRules,
    *,
    whole: bool,
) -> BoolArray:
    """(c,) units to be turned round; ``whole``: never so that they take more than a leg has."""

    def measure(leg: IntArray, start_um: IntArray, far_um: IntArray) -> IntArray:
        return _goals(runs, part, leg, start_um, far_um, units, curve, line, rules, whole)

    return best_orientation(
        runs, free, units.start_corner, units.far_corner, units.start_um, units.far_um,
        units.corners.arriving_um - units.corners.leaving_um, measure,
    )  # fmt: skip


def _goals(
    runs: Runs,
    part: Stations,
    leg: IntArray,
    start_um: IntArray,
    far_um: IntArray,
    units: Units,
    curve: ObjectArray,
    line: ProductLine,
    rules: LayRules,
    whole: bool,
) -> IntArray:
    """(k, g) goals of legs of which so much is taken off; the first one: it cannot be."""
    rest = part.leg_um[leg] - start_um - far_um
    short = units.short[leg] | (rest < units.sawn.least_room_um[leg])
    bent = (curve[leg] != "") if line.behaviour == "flexible" else ~runs.straight[leg]
    fits, sawn = fit_rests(runs, leg, rest, ~short & ~bent, units, line, rules)
    goals = run_goals(fits, sawn, line, rules.prefer)
    # a curve the line cannot follow is unmet whichever way the units lie
    goals[bent] = 0
    goals[bent, 0] = 1
    if line.behaviour == "rigid":
        _curve_goals(runs, part, leg, start_um, far_um, bent & ~short, units, line, rules, goals)
    goals[short] = 0
    goals[short, 0] = 1
    goals[short, 1] = np.where(units.short[leg], rest, part.leg_um[leg])[short]
    return np.column_stack([short & whole & ~units.short[leg], goals])


def _curve_goals(
    runs: Runs,
    part: Stations,
    leg: IntArray,
    start_um: IntArray,
    far_um: IntArray,
    rows: BoolArray,
    units: Units,
    line: ProductLine,
    rules: LayRules,
    goals: IntArray,
) -> None:
    """Goals of the curves of a rigid line among ``rows``, into ``goals``."""
    left = np.flatnonzero(rows)
    while len(left):
        # each leg once at a time
        which, nth = np.unique(leg[left], return_index=True)
        row = left[nth]
        start, far = units.start_um.copy(), units.far_um.copy()
        start[which], far[which] = start_um[row], far_um[row]
        laid = lay_bent(runs, part, which, start, far, units, line, rules)
        if laid is not None:
            goals[row] = curve_goals(laid, line, rules.prefer)
        left = np.setdiff1d(left, row)


def stopped(runs: Runs, units: Units) -> BoolArray:
    """(l,) legs that end at a face, which no fill may go beyond."""
    blocked = (NodeKind.ABUTTED, NodeKind.TEE, NodeKind.JOINT, NodeKind.SET)
    out: BoolArray = np.isin(runs.start_kind, blocked) | np.isin(runs.far_kind, blocked) | _at_butt(units)
    return out


def fit_rests(
    runs: Runs,
    leg: IntArray,
    rest_um: IntArray,
    laid: BoolArray,
    units: Units,
    line: ProductLine,
    rules: LayRules,
) -> tuple[LegFits, SawnPieces]:
    """Fill legs, each as often as ``leg`` names it, with its rest.

    A leg that is not laid keeps its rule of thumb and nothing else.
    """
    ends = units.sawn.take(leg)
    short_um = np.full(len(rest_um), rules.fit_short_um, dtype=np.int64)
    over_um = np.where(stopped(runs, units)[leg], 0, rules.fit_over_um)
    must = required(ends, line)
    fits = fit_legs(
        rest_um,
        (units.start_unit.astype(np.int64) + units.far_unit)[leg],
        runs.far_kind[leg] == NodeKind.SEAM,
        short_um,
        over_um,
        line,
        prefer=rules.prefer,
        closer_limit=rules.closer_limit,
        sawn=must,
    )
    one, one_um = one_piece(ends, rest_um, short_um, over_um)
    one &= laid
    if must is not None:
        fits = with_one_piece(
            fits, one, one_um, rest_um, must.cost // np.maximum(must.pieces, 1) + line.cut_cost
        )
    fits = _without_fill(fits, ~laid, rest_um)
    return fits, share_out(ends, fits, one, one_um)


def _at_butt(units: Units) -> BoolArray:
    """(l,) the leg ends at the face of another one."""
    through = units.corners.through
    stops = np.concatenate([through == 1, [False]])[units.start_corner]
    stops_far = np.concatenate([through == 2, [False]])[units.far_corner]
    out: BoolArray = stops | stops_far
    return out


def _without_fill(fits: LegFits, which: BoolArray, rest_um: IntArray) -> LegFits:
    """Fills with nothing in the legs ``which``, their rule of thumb kept."""
    if not which.any():
        return fits
    empty = {"left_over_um": rest_um, "unmet": True, "reason": FitReason.NO_ROOM, "cut_from": -1}
    changed = {}
    for name in (f.name for f in fields(fits) if not f.name.startswith("rule_")):
        values = getattr(fits, name).copy()
        other = empty.get(name, 0)
        values[which] = other[which] if isinstance(other, np.ndarray) else other
        changed[name] = values
    return replace(fits, **changed)


def lay_bent(
    runs: Runs,
    part: Stations,
    which: IntArray,
    start_um: IntArray,
    far_um: IntArray,
    units: Units,
    line: ProductLine,
    rules: LayRules,
) -> CurvePieces | None:
    """Pieces of a rigid line on the curved legs ``which``, of which so much is taken off."""
    if line.behaviour != "rigid":
        return None
    over_um = np.where(stopped(runs, units), 0, rules.fit_over_um)
    return lay_curves(
        runs,
        part,
        which,
        start_um,
        far_um,
        units.start_unit,
        units.far_unit,
        np.full(len(over_um), rules.fit_short_um, dtype=np.int64),
        over_um,
        line,
        CurveRules(
            prefer=rules.prefer,
            closer_limit=rules.closer_limit,
            lay_from=rules.lay_from,
            make_up=rules.make_up,
            within_m=um_to_m(rules.fair_within_um),
        ),
    )


def _with_curves(
    fits: LegFits, curved: CurvePieces, rest_um: IntArray, line: ProductLine
) -> tuple[LegFits, IntArray]:
    """Fills with those of the curved legs, and what their curves have over chords and gaps."""
    at, leg = curved.leg, curved.piece_leg
    whole = curved.cut_um == 0
    names = (
        "counts",
        "cut_um",
        "cut_from",
        "joints",
        "gap_total_um",
        "left_over_um",
        "reason",
        "unmet",
        "cost",
    )
    new = {name: getattr(fits, name).copy() for name in names}
    new["counts"][at] = 0
    np.add.at(new["counts"], (leg[whole], curved.straight[whole]), 1)
    # the two longest cut pieces; a tight place may take more, which the table of pieces lists
    new["cut_um"][at], new["cut_from"][at] = 0, -1
    cut = np.flatnonzero(~whole)
    cut = cut[np.lexsort((-curved.cut_um[cut], leg[cut]))]
    nth = np.arange(len(cut)) - np.searchsorted(leg[cut], leg[cut], side="left")
    cut, nth = cut[nth < 2], nth[nth < 2]
    new["cut_um"][leg[cut], nth], new["cut_from"][leg[cut], nth] = curved.cut_um[cut], curved.straight[cut]
    joints = np.bincount(leg[curved.gap_um != 0], minlength=len(rest_um))[at] + (curved.far_gap_um != 0)
    new["joints"][at] = joints
    new["gap_total_um"][at] = curved.gap_total_um
    new["left_over_um"][at] = curved.left_over_total_um
    new["reason"][at] = curved.reason
    new["unmet"][at] = curved.reason != FitReason.MET
    new["cost"][at] = curved.cost
    more = np.zeros(len(rest_um), dtype=np.int64)
    more[at] = rest_um[at] - curved.length_total_um - curved.gap_total_um - curved.left_over_total_um
    return replace(fits, **new), more
