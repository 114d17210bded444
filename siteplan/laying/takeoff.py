"""From runs and a product line to pieces, counts and what could not be met.

First what is certain is taken off each leg: corner arms, end units, clearances.  The rest
is filled exactly (:mod:`siteplan.laying.fit`), and every piece is put in its place
(:mod:`siteplan.laying.placement`).

A leg shorter than what stands at its two ends is unmet: a unit is left out
(:mod:`siteplan.laying.leg_ends`) and the leg takes no sections.

Legs on a curve.  A flexible line follows a curve down to its least radius; a tighter curve is
unmet, and the units at its ends stand.  Pieces of a rigid line have their ends on the curve
(:mod:`siteplan.laying.rigid`); stretches too tight for any of them are unmet.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Final, get_args

import numpy as np

from siteplan.errors import UsageError
from siteplan.laying.band import Band, Stations, build_band, stations
from siteplan.laying.chords import least_radius
from siteplan.laying.corner_units import (
    WAYS,
    CornerChoice,
    CornerHow,
    CornerWay,
    CornerWays,
    corner_ways,
    leaving_legs,
)
from siteplan.laying.curves import CurveRules
from siteplan.laying.fit import FitReason, LegFits, fit_legs
from siteplan.laying.goals import GOALS, curve_goals, run_goals
from siteplan.laying.leg_ends import Units, choose_units, first_units, standing
from siteplan.laying.mitres import SawnPieces, one_piece, required, share_out, with_one_piece
from siteplan.laying.orientation import best_orientation, can_turn, less
from siteplan.laying.placement import LayFrom, LegPlan, MakeUp, place
from siteplan.laying.play import LegRests, Play, propose
from siteplan.laying.rigid import CurvePieces, lay_curves
from siteplan.laying.run_ends import clearances
from siteplan.laying.sideways import can_move, shift_legs
from siteplan.laying.tight import kinds_of
from siteplan.model import NodeKind, PieceKind, Pieces, Runs
from siteplan.products import Prefer, ProductLine
from siteplan.slope import Steps
from siteplan.types import BoolArray, FloatArray, IntArray, ObjectArray, XYArray
from siteplan.units import format_length, um_to_m

NO_CORNER: Final = "no-corner-unit"
SHORT_LEG: Final = "short-leg"
RIGID_CURVE: Final = "rigid-curve"
RADIUS: Final = "radius"
NOTHING_FITS: Final = "nothing-fits"
NO_ROOM: Final = "no-room"


@dataclass(frozen=True, slots=True)
class LayRules:
    """How legs are filled and laid."""

    prefer: Prefer = "pieces"
    closer_limit: int = 3
    """closers a leg may take"""
    fit_short_um: int = 6_000
    """how much shorter than its leg a fill may be"""
    fit_over_um: int = 6_000
    """how much longer; never on a leg that ends at an abutment or a tee"""
    lay_from: LayFrom = "start"
    """end of each leg that laying begins at"""
    make_up: MakeUp = "far"
    """where closers and cut pieces go, seen from there"""
    fair_within_um: int = 20_000
    """how far a fair line may go from the traced one where rigid pieces lie on a curve; 0 for never"""
    play_um: int = 0
    """how far a leg may be moved sideways where that saves cuts"""
    corner_by: tuple[CornerWay, ...] = WAYS
    """ways to make a corner, in the order they are tried; what the line cannot is passed over"""
    corner_by_bed: tuple[tuple[str, tuple[CornerWay, ...]], ...] = ()
    """other orders for single beds, by id"""

    def __post_init__(self) -> None:
        for name, value, known in (
            ("lay_from", self.lay_from, get_args(LayFrom)),
            ("make_up", self.make_up, get_args(MakeUp)),
        ):
            if value not in known:
                raise UsageError(f'{name} = "{value}" is not known; use {" or ".join(known)}')
        for ways in (self.corner_by, *(w for _, w in self.corner_by_bed)):
            for way in ways:
                if way not in WAYS:
                    raise UsageError(f'corner_by = "{way}" is not known; use {", ".join(WAYS)}')
        if self.play_um < 0:
            raise UsageError(f"play_um is {self.play_um}; it must not be negative")


@dataclass(frozen=True, slots=True, eq=False)
class Unmet:
    """What the line cannot make.  u rows, in order of leg."""

    bed: ObjectArray
    """(u,) str"""
    run: IntArray
    leg: IntArray
    """(u,) the leg; of a corner the arriving one"""
    short_m: FloatArray
    """(u,) length left bare; of a corner on both its legs together"""
    why: ObjectArray
    """(u,) str for people"""
    code: ObjectArray
    """(u,) str: ``no-corner-unit``, ``short-leg``, ``rigid-curve``, ``radius``,
    ``nothing-fits`` or ``no-room``"""

    def __len__(self) -> int:
        return len(self.leg)


@dataclass(frozen=True, slots=True, eq=False)
class Takeoff:
    """The takeoff of a site.  r runs, l legs, c corners, a articles."""

    line: ProductLine
    rules: LayRules
    stations: Stations
    corners: CornerChoice
    corner_laid: BoolArray
    """(c,) True where the chosen unit stands; False where none fits or it was left out"""
    legs: LegPlan
    """what is taken off each leg, its end units, and its fill"""
    rest_um: IntArray
    """(l,) what is left of each leg for sections and closers"""
    laid: BoolArray
    """(l,) False for a leg that takes no sections: too short, or a curve the line cannot follow"""
    fits: LegFits
    """the fill of every leg; of a leg not laid, the rule of thumb and an empty fill"""
    codes: tuple[str, ...]
    """(a,) article codes in catalogue order: the columns of the counts"""
    leg_counts: IntArray
    """(l, a) pieces of each leg; a cut piece counts as one of the section it is cut from"""
    run_counts: IntArray
    """(r, a)"""
    by_kind: dict[str, int]
    """pieces by kind: section, closer, corner, end, cut"""
    unmet: Unmet
    narrow_run: IntArray
    """(m,) runs with places where the laying line turns tighter than the depth allows"""
    narrow_xy: XYArray
    """(m, 2) those places: footprints are drawn narrower there, and may touch others"""
    pieces: Pieces
    curved: CurvePieces | None
    """pieces on the curves of a rigid line; None for a flexible line"""
    curve_um: IntArray
    """(l,) how much longer a leg is than pieces, gaps and left-over: what curves have over their
    chords, and the traced line over the fair one; 0 but on the curves of a rigid line"""
    faired_m: FloatArray
    """(l,) how far the line rigid pieces lie on goes from the traced one"""
    steps: Steps | None = None
    """where level pieces step; None where the edging does not step down the slope"""
    play: Play | None = None
    """legs moved sideways, and the runs as moved, on which everything here lies; None where no leg may
    be moved"""

    @property
    def counts(self) -> dict[str, int]:
        """Pieces of every code that is used, in catalogue order."""
        return _named(self.codes, self.leg_counts.sum(axis=0))

    def counts_of_run(self, run: int) -> dict[str, int]:
        """Pieces of every code that a run uses."""
        return _named(self.codes, self.run_counts[run])

    def counts_of_leg(self, leg: int) -> dict[str, int]:
        """Pieces of every code that a leg uses; a corner counts on its arriving leg."""
        return _named(self.codes, self.leg_counts[leg])

    def cuts_in(self, legs: BoolArray) -> int:
        """Cut pieces of the legs that are flagged, sawn ones at mitres among them."""
        return int(np.count_nonzero(legs[self.pieces.leg] & (self.pieces.kind == PieceKind.CUT)))

    @property
    def rule_sections(self) -> int:
        """Sections of the whole site by the rule of thumb."""
        return int(self.fits.rule_sections.sum())

    @property
    def rule_left_over_um(self) -> int:
        """What those sections leave over (short of the legs is positive), summed."""
        return int(self.fits.rule_left_over_um.sum())


def _named(codes: tuple[str, ...], counts: IntArray) -> dict[str, int]:
    return {code: int(n) for code, n in zip(codes, counts, strict=True) if n}


@dataclass(frozen=True, slots=True, eq=False)
class _Filled:
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


def lay(
    runs: Runs,
    bed_ids: ObjectArray | Sequence[str],
    line: ProductLine,
    rules: LayRules,
    *,
    held: BoolArray | None = None,
) -> Takeoff:
    """Take off and place every piece.

    Parameters
    ----------
    runs : runs with legs and corners, on the laying line
    bed_ids : (n,) id of each bed, as ``runs.bed`` counts them
    line : product line
    rules : how legs are filled and laid
    held : (l,) legs that stay where they are, whatever play there is

    Returns
    -------
    Takeoff.

    Raises
    ------
    UsageError : from the fit, for settings that cannot be used with this line.
    """
    beds = {str(bed): k for k, bed in enumerate(bed_ids)}
    by_bed = {beds[bed]: ways for bed, ways in rules.corner_by_bed if bed in beds}
    filled, play = _filled(runs, by_bed, line, rules), None
    if rules.play_um:
        filled, play = _played(filled, by_bed, line, rules, held)
    return replace(_placed(filled, bed_ids, line, rules), play=play)


def _filled(
    runs: Runs, by_bed: Mapping[int, Sequence[CornerWay]], line: ProductLine, rules: LayRules
) -> _Filled:
    """Units and fills of runs."""
    part = stations(runs)
    band = build_band(runs, line.depth_um)
    ways = corner_ways(runs, line, rules.corner_by, by_bed)
    curve = _curve_faults(runs, line)
    units = _turned_units(runs, part, ways, curve, line, clearances(runs, part, band, line), rules)
    laid = ~units.short & (curve == "")
    rest = part.leg_um - units.start_um - units.far_um
    fits, sawn = _fit(runs, np.arange(len(rest)), rest, laid, units, line, rules)
    bent = np.flatnonzero(~runs.straight & ~units.short)
    curved = _lay_curves(runs, part, bent, units.start_um, units.far_um, units, line, rules)
    curve_um, faired_m = np.zeros(len(rest), dtype=np.int64), np.zeros(len(rest))
    if curved is not None:
        fits, curve_um = _with_curves(fits, curved, rest, line)
        faired_m[curved.leg] = curved.moved_m
        laid[curved.leg] = np.diff(curved.first) > 0
    return _Filled(runs, part, band, units, curve, laid, rest, fits, sawn, curved, curve_um, faired_m)


def _played(
    filled: _Filled,
    by_bed: Mapping[int, Sequence[CornerWay]],
    line: ProductLine,
    rules: LayRules,
    held: BoolArray | None,
) -> tuple[_Filled, Play]:
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
        new = _filled(shift_legs(runs, moved), by_bed, line, rules)
        after = _goals_of_runs(new, line, rules)
        pairs = [g[:, [names.index("unmet"), names.index("cuts")]] for g in (after, goals)]
        saves = less(pairs[0], pairs[1]) & less(after, goals)
        worse = (moved != 0) & ~saves[runs.leg_run]
        if not worse.any():
            return new, Play(new.runs, moved, cuts, unmet)
        moved[worse] = 0.0
    return filled, Play(runs, moved, cuts, unmet)


def _goals_of_runs(filled: _Filled, line: ProductLine, rules: LayRules) -> IntArray:
    """(r, g) goals of what lies in each run."""
    goals = run_goals(filled.fits, filled.sawn, line, rules.prefer)
    if filled.curved is not None:
        goals[filled.curved.leg] = curve_goals(filled.curved, line, rules.prefer)
    out = np.zeros((len(filled.runs.run_id), goals.shape[1]), dtype=np.int64)
    np.add.at(out, filled.runs.leg_run, goals)
    return out


def _leg_rests(filled: _Filled, line: ProductLine, rules: LayRules) -> LegRests:
    """What play needs to know of the fills."""
    runs, units, corners = filled.runs, filled.units, filled.units.corners
    return LegRests(
        rest_um=filled.rest_um,
        units=units.start_unit.astype(np.int64) + units.far_unit,
        short_um=np.full(len(filled.rest_um), rules.fit_short_um, dtype=np.int64),
        over_um=np.where(_stopped(runs, units), 0, rules.fit_over_um),
        fixed=~runs.straight | ~filled.laid | units.sawn.start | units.sawn.far,
        start_corner=units.start_corner,
        far_corner=units.far_corner,
        free=(True if runs.corner_exchanged is None else runs.corner_exchanged == 0)
        & can_turn(units.unit_standing, corners.arriving_um, corners.leaving_um, line),
        more_um=corners.arriving_um - corners.leaving_um,
    )


def _placed(
    filled: _Filled, bed_ids: ObjectArray | Sequence[str], line: ProductLine, rules: LayRules
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
    return Takeoff(
        line=line,
        rules=rules,
        stations=part,
        corners=corners,
        corner_laid=units.corner_laid,
        legs=legs,
        rest_um=filled.rest_um,
        laid=filled.laid,
        fits=fits,
        codes=tuple(a.code for a in line.articles),
        leg_counts=leg_counts,
        run_counts=np.diff(sums[runs.leg_offsets], axis=0),
        by_kind={k.name.lower(): int(kinds[k]) for k in PieceKind},
        unmet=_unmet(runs, bed_ids, corners, units, filled.curve, filled.rest_um, fits, line, curved),
        narrow_run=np.searchsorted(band.first, band.narrow, side="right") - 1,
        narrow_xy=band.xy[band.narrow],
        pieces=pieces,
        curved=curved,
        curve_um=filled.curve_um,
        faired_m=filled.faired_m,
    )


def _curve_faults(runs: Runs, line: ProductLine) -> ObjectArray:
    """Code of why each leg's curve cannot be laid, empty where it can."""
    fault = np.full(len(runs.leg_id), "", dtype=object)
    if line.behaviour == "rigid":
        fault[~runs.straight] = RIGID_CURVE
        return fault
    for radius_m, least_um in (
        (runs.left_radius_m, line.outward_radius_um),
        (runs.right_radius_m, line.inward_radius_um),
    ):
        if least_um is not None:
            fault[np.rint(radius_m * 1e6) < least_um] = RADIUS
    return fault


def _turned_units(
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
    fits, sawn = _fit(runs, leg, rest, ~short & ~bent, units, line, rules)
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
        laid = _lay_curves(runs, part, which, start, far, units, line, rules)
        if laid is not None:
            goals[row] = curve_goals(laid, line, rules.prefer)
        left = np.setdiff1d(left, row)


def _stopped(runs: Runs, units: Units) -> BoolArray:
    """(l,) legs that end at a face, which no fill may go beyond."""
    blocked = (NodeKind.ABUTTED, NodeKind.TEE, NodeKind.JOINT, NodeKind.SET)
    stopped: BoolArray = np.isin(runs.start_kind, blocked) | np.isin(runs.far_kind, blocked) | _at_butt(units)
    return stopped


def _fit(
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
    stopped, ends = _stopped(runs, units)[leg], units.sawn.take(leg)
    short_um = np.full(len(rest_um), rules.fit_short_um, dtype=np.int64)
    over_um = np.where(stopped, 0, rules.fit_over_um)
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


def _lay_curves(
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
    stopped = _stopped(runs, units)
    return lay_curves(
        runs,
        part,
        which,
        start_um,
        far_um,
        units.start_unit,
        units.far_unit,
        np.full(len(stopped), rules.fit_short_um, dtype=np.int64),
        np.where(stopped, 0, rules.fit_over_um),
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


def _unmet(
    runs: Runs,
    bed_ids: ObjectArray | Sequence[str],
    corners: CornerChoice,
    units: Units,
    curve: ObjectArray,
    rest_um: IntArray,
    fits: LegFits,
    line: ProductLine,
    curved: CurvePieces | None,
) -> Unmet:
    """Table of corners without a unit and legs without a fill."""
    rows: list[tuple[int, int, str, str]] = []  # leg, short_um, why, code
    leg_um = np.rint(runs.length_m * 1e6).astype(np.int64)
    leaving = leaving_legs(runs)
    for c in np.flatnonzero((corners.how == CornerHow.BARE) & ~units.left_out):
        # no leg is left bare for more than it is long, however sharp the corner
        bare = int(
            min(corners.arriving_um[c], leg_um[runs.corner_leg[c]])
            + min(corners.leaving_um[c], leg_um[leaving[c]])
        )
        rows.append((int(runs.corner_leg[c]), bare, str(corners.why[c]), NO_CORNER))
    told = np.zeros(len(fits), dtype=np.bool_)
    if curved is not None:
        rows += _bare_rows(curved, line)
        told[curved.bare_leg] = True
        curve = curve.copy()
        curve[curved.leg] = ""
    for i in np.flatnonzero((units.short | (curve != "") | fits.unmet) & ~told):
        code, why = _why(int(i), runs, units, curve, rest_um, fits, line)
        rows.append((int(i), int(fits.left_over_um[i]), why, code))
    rows.sort(key=lambda r: r[0])
    leg = np.array([r[0] for r in rows], dtype=np.int64)
    run = runs.leg_run[leg]

    def text(values: list[str]) -> ObjectArray:
        out = np.empty(len(values), dtype=object)
        out[:] = values
        return out

    return Unmet(
        bed=text([str(bed_ids[b]) for b in runs.bed[run]]),
        run=run,
        leg=leg,
        short_m=np.array([um_to_m(r[1]) for r in rows], dtype=np.float64),
        why=text([r[2] for r in rows]),
        code=text([r[3] for r in rows]),
    )


def _bare_rows(curved: CurvePieces, line: ProductLine) -> list[tuple[int, int, str, str]]:
    """Rows of the unmet table for stretches of curves that stay bare."""
    shortest_um = int(kinds_of(line).length_um.min())
    least_m, _ = least_radius(
        um_to_m(shortest_um),
        um_to_m(line.gap_least_um),
        um_to_m(line.gap_greatest_um),
        um_to_m(line.depth_um),
        line.deflection_deg,
    )
    rows = []
    for leg, start, to, radius in zip(
        curved.bare_leg.tolist(),
        curved.bare_from_um.tolist(),
        curved.bare_to_um.tolist(),
        curved.bare_radius_m.tolist(),
        strict=True,
    ):
        place = f"from {_metres(start)} to {_metres(to)} of the leg"
        if radius < least_m:
            limit = f"follows {format_length(least_m)} or more" if np.isfinite(least_m) else "follows none"
            rows.append((leg, to - start, (
                f"a curve of radius {format_length(radius)} {place}: {line.name} is rigid and with its "
                f"shortest piece, {_metres(shortest_um)}, {limit}"
            ), RIGID_CURVE))  # fmt: skip
        else:
            rows.append((leg, to - start, (
                f"no piece closes the curve {place} within the limits of the joints"
            ), NOTHING_FITS))  # fmt: skip
    return rows


def _metres(um: int) -> str:
    return format_length(um_to_m(um))


def _why(
    i: int,
    runs: Runs,
    units: Units,
    curve: ObjectArray,
    rest_um: IntArray,
    fits: LegFits,
    line: ProductLine,
) -> tuple[str, str]:
    """Code and text for one leg that is not met."""
    if units.short[i]:
        return SHORT_LEG, (
            f"what stands at its ends takes {_metres(int(units.over_um[i]))} more than the leg of "
            f"{format_length(float(runs.length_m[i]))} has; a unit is left out and the leg takes no sections"
        )
    if curve[i] == RIGID_CURVE:
        least = min(float(runs.left_radius_m[i]), float(runs.right_radius_m[i]))
        radius = f" of radius {format_length(least)}" if np.isfinite(least) else ""
        return RIGID_CURVE, f"a curve{radius}: {line.name} is rigid and is laid on straight legs only"
    if curve[i] == RADIUS:
        return RADIUS, " and ".join(
            f"a curve {way} of radius {format_length(float(radius[i]))}: "
            f"the line follows {_metres(least)} or more"
            for way, radius, least in (
                ("outward", runs.left_radius_m, line.outward_radius_um),
                ("inward", runs.right_radius_m, line.inward_radius_um),
            )
            if least is not None and np.rint(radius[i] * 1e6) < least
        )
    if fits.reason[i] == FitReason.NO_ROOM:
        return NO_ROOM, f"its rest of {_metres(int(rest_um[i]))} has room for no piece"
    return NOTHING_FITS, (
        f"no fill meets its rest of {_metres(int(rest_um[i]))}: the longest one leaves "
        f"{_metres(int(fits.left_over_um[i]))} bare"
    )
