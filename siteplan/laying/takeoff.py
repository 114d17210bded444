"""From runs and a product line to pieces, counts and what could not be met.

First what is certain is taken off each leg: corner arms, end units, clearances.  The rest
is filled exactly (:mod:`siteplan.laying.fit`), and every piece is put in its place
(:mod:`siteplan.laying.placement`).

Legs that cannot hold their units.  A leg shorter than what stands at its two ends is
unmet, and nothing is ever laid over something else: walking along the run, the unit at
the far end of such a leg is left out (if it has none, the unit at its start), the corner
left out becomes bare on both its legs, and so on until everything fits.  The leg itself
takes no sections.

Legs on a curve.  A flexible line follows a curve down to its least radius.  A tighter
curve, or any curve under a rigid line, is unmet; the units at its ends stand.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Final

import numpy as np

from siteplan.laying.band import Stations, build_band, stations
from siteplan.laying.corner_units import CornerChoice, choose_corners, mitre_um
from siteplan.laying.fit import FitReason, LegFits, fit_legs
from siteplan.laying.placement import LayFrom, LegPlan, MakeUp, place
from siteplan.model import NodeKind, PieceKind, Pieces, Runs
from siteplan.products import Hand, Prefer, ProductLine
from siteplan.types import BoolArray, FloatArray, IntArray, ObjectArray
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
    make_up: MakeUp = "far"


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
    pieces: Pieces

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


def lay(runs: Runs, bed_ids: ObjectArray | Sequence[str], line: ProductLine, rules: LayRules) -> Takeoff:
    """Take off and place every piece.

    Parameters
    ----------
    runs : runs with legs and corners, on the laying line
    bed_ids : (n,) id of each bed, as ``runs.bed`` counts them
    line : product line
    rules : how legs are filled and laid

    Returns
    -------
    Takeoff.

    Raises
    ------
    UsageError : from the fit, for settings that cannot be used with this line.
    """
    part = stations(runs)
    corners = choose_corners(runs, line)
    units = _units(runs, part, corners, line)
    curve = _curve_faults(runs, line)
    laid = ~units.short & (curve == "")
    rest = part.leg_um - units.start_um - units.far_um
    fits = _fit(runs, rest, laid, units, line, rules)
    legs = _leg_plan(runs, units, fits)
    laid_corner = np.where(units.corner_laid, corners.unit, -1)
    pieces = place(
        runs, part, build_band(runs, line.depth_um), legs, laid_corner, corners.leaving_um, line,
        lay_from=rules.lay_from, make_up=rules.make_up,
    )  # fmt: skip
    leg_counts = _leg_counts(legs, laid_corner, line)
    sums = np.concatenate([np.zeros((1, leg_counts.shape[1]), np.int64), np.cumsum(leg_counts, axis=0)])
    kinds = np.bincount(pieces.kind, minlength=len(PieceKind))
    return Takeoff(
        line=line,
        rules=rules,
        stations=part,
        corners=corners,
        corner_laid=units.corner_laid,
        legs=legs,
        rest_um=rest,
        laid=laid,
        fits=fits,
        codes=tuple(a.code for a in line.articles),
        leg_counts=leg_counts,
        run_counts=np.diff(sums[runs.leg_offsets], axis=0),
        by_kind={k.name.lower(): int(kinds[k]) for k in PieceKind},
        unmet=_unmet(runs, bed_ids, corners, units, curve, rest, fits, line),
        pieces=pieces,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Units:
    """Units at the ends of the legs, and what they and the clearances take off.  l legs."""

    start_um: IntArray
    far_um: IntArray
    start_end: IntArray
    far_end: IntArray
    start_corner: IntArray
    """(l,) corner at the start, with or without a unit; -1 where there is none"""
    far_corner: IntArray
    corner_laid: BoolArray
    """(c,)"""
    short: BoolArray
    """(l,) the leg could not hold all its units"""
    over_um: IntArray
    """(l,) by how much, 0 elsewhere"""

    @property
    def start_unit(self) -> BoolArray:
        """(l,) True where a unit stands at the start."""
        return (self.start_end >= 0) | _standing(self.corner_laid, self.start_corner)

    @property
    def far_unit(self) -> BoolArray:
        """(l,) True where a unit stands at the far end."""
        return (self.far_end >= 0) | _standing(self.corner_laid, self.far_corner)


def _at_corner(values: IntArray, corner: IntArray) -> IntArray:
    """Values of the corners at legs' ends, 0 where there is no corner."""
    padded = np.concatenate([values, [0]])  # -1 finds the 0
    return padded[corner]


def _standing(corner_laid: BoolArray, corner: IntArray) -> BoolArray:
    """Whether a corner unit stands at legs' ends."""
    return _at_corner(corner_laid.astype(np.int64), corner) > 0


def choose_ends(runs: Runs, line: ProductLine) -> tuple[IntArray, IntArray]:
    """End unit at the start and at the far end of each leg, -1 for none.

    Only free ends take one: at a run's start the first in catalogue order whose hand is
    left or either, at its far end the first whose hand is right or either.  A free end for
    which the line has none is bare.
    """

    def first(hand: Hand) -> int:
        fitting = (k for k, e in enumerate(line.ends) if e.hand in (hand, "either"))
        return next(fitting, -1)

    start = np.where(runs.start_kind == NodeKind.FREE, first("left"), -1)
    far = np.where(runs.far_kind == NodeKind.FREE, first("right"), -1)
    return start.astype(np.int64), far.astype(np.int64)


def _leg_corners(runs: Runs) -> tuple[IntArray, IntArray]:
    """Corner at the start and at the far end of each leg, -1 for none."""
    n = len(runs.leg_id)
    start, far = np.full(n, -1, dtype=np.int64), np.full(n, -1, dtype=np.int64)
    arriving = runs.corner_leg
    run = runs.leg_run[arriving]
    leaving = np.where(arriving + 1 == runs.leg_offsets[run + 1], runs.leg_offsets[run], arriving + 1)
    far[arriving] = np.arange(len(arriving))
    start[leaving] = np.arange(len(arriving))
    return start, far


def _units(runs: Runs, part: Stations, corners: CornerChoice, line: ProductLine) -> _Units:
    """Choose the units, and leave out those a leg is too short for."""
    start_end, far_end = choose_ends(runs, line)
    start_corner, far_corner = _leg_corners(runs)
    units = _taken_off(
        runs, corners, line,
        _Units(
            start_um=start_end, far_um=far_end, start_end=start_end, far_end=far_end,
            start_corner=start_corner, far_corner=far_corner, corner_laid=corners.unit >= 0,
            short=np.zeros(len(start_end), bool), over_um=np.zeros(len(start_end), np.int64),
        ),
    )  # fmt: skip
    while True:
        over = units.start_um + units.far_um - part.leg_um
        short = units.short | (over > 0)
        units = replace(units, short=short, over_um=np.maximum(units.over_um, over))
        helpless = (over > 0) & (units.start_unit | units.far_unit)
        if not helpless.any():
            break
        units = _taken_off(runs, corners, line, _left_out(units, _first_of_streak(runs, helpless)))
    start_um = np.minimum(units.start_um, part.leg_um)
    return replace(units, start_um=start_um, far_um=np.minimum(units.far_um, part.leg_um - start_um))


def _taken_off(runs: Runs, corners: CornerChoice, line: ProductLine, units: _Units) -> _Units:
    """The units with what they and the clearances take off each leg."""
    ends = np.array([*(e.laying_um for e in line.ends), 0], dtype=np.int64)  # -1 takes nothing
    bare = mitre_um(line.depth_um, runs.corner_turn_deg)
    tee = (line.depth_um + 1) // 2 + line.end_clearance_um
    taken = []
    for kind, end, corner, arm in (
        (runs.start_kind, units.start_end, units.start_corner, corners.leaving_um),
        (runs.far_kind, units.far_end, units.far_corner, corners.arriving_um),
    ):
        at_corner = _at_corner(np.where(units.corner_laid, arm, bare), corner)
        clear = np.where(kind == NodeKind.ABUTTED, line.end_clearance_um, 0)
        taken.append(at_corner + ends[end] + np.where(kind == NodeKind.TEE, tee, clear))
    return replace(units, start_um=taken[0], far_um=taken[1])


def _first_of_streak(runs: Runs, flag: BoolArray) -> BoolArray:
    """Flagged legs whose leg before is not flagged; of a closed run all flagged, the first."""
    head, tail = runs.leg_offsets[:-1], runs.leg_offsets[1:] - 1
    before = np.concatenate([[False], flag[:-1]])
    count = np.concatenate([[0], np.cumsum(flag)])
    whole = count[tail + 1] - count[head] == tail + 1 - head
    before[head] = runs.closed & flag[tail] & ~whole
    return flag & ~before


def _left_out(units: _Units, which: BoolArray) -> _Units:
    """Without the far unit of the legs ``which``, or the start unit where there is no far one."""
    far = which & units.far_unit
    start = which & ~units.far_unit
    corner_laid = units.corner_laid.copy()
    for mask, corner in ((far, units.far_corner), (start, units.start_corner)):
        corner_laid[corner[mask & (corner >= 0)]] = False
    return replace(
        units,
        corner_laid=corner_laid,
        far_end=np.where(far, -1, units.far_end),
        start_end=np.where(start, -1, units.start_end),
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


def _fit(
    runs: Runs, rest_um: IntArray, laid: BoolArray, units: _Units, line: ProductLine, rules: LayRules
) -> LegFits:
    """Fill every leg; a leg that is not laid keeps its rule of thumb and nothing else."""
    blocked = (NodeKind.ABUTTED, NodeKind.TEE)
    stopped = np.isin(runs.start_kind, blocked) | np.isin(runs.far_kind, blocked)
    fits = fit_legs(
        rest_um,
        units.start_unit.astype(np.int64) + units.far_unit,
        runs.far_kind == NodeKind.SEAM,
        np.full(len(rest_um), rules.fit_short_um, dtype=np.int64),
        np.where(stopped, 0, rules.fit_over_um),
        line,
        prefer=rules.prefer,
        closer_limit=rules.closer_limit,
    )
    if laid.all():
        return fits
    empty = {"left_over_um": rest_um, "unmet": True, "reason": FitReason.NO_ROOM, "cut_from": -1}
    changed = {}
    for name in (f.name for f in fields(fits) if not f.name.startswith("rule_")):
        values = getattr(fits, name).copy()
        other = empty.get(name, 0)
        values[~laid] = other[~laid] if isinstance(other, np.ndarray) else other
        changed[name] = values
    return replace(fits, **changed)


def _leg_plan(runs: Runs, units: _Units, fits: LegFits) -> LegPlan:
    """What placement needs of units and fills."""
    ring = runs.far_kind == NodeKind.SEAM
    standing = _standing(units.corner_laid, units.far_corner)
    return LegPlan(
        start_um=units.start_um,
        far_um=units.far_um,
        start_end=units.start_end,
        far_end=units.far_end,
        far_corner=np.where(standing, units.far_corner, -1),
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
    )


def _leg_counts(legs: LegPlan, laid_corner: IntArray, line: ProductLine) -> IntArray:
    """Pieces of each article on each leg."""
    n_straights, n_corners = len(line.straights), len(line.corners)
    counts = np.zeros((len(legs), n_straights + n_corners + len(line.ends)), dtype=np.int64)
    counts[:, :n_straights] = legs.counts
    for nth in (0, 1):
        rows = np.flatnonzero(legs.cut_um[:, nth] > 0)
        counts[rows, legs.cut_from[rows, nth]] += 1
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
    units: _Units,
    curve: ObjectArray,
    rest_um: IntArray,
    fits: LegFits,
    line: ProductLine,
) -> Unmet:
    """Table of corners without a unit and legs without a fill."""
    rows: list[tuple[int, int, str, str]] = []  # leg, short_um, why, code
    for c in np.flatnonzero(corners.unit < 0):
        bare = int(corners.arriving_um[c] + corners.leaving_um[c])
        rows.append((int(runs.corner_leg[c]), bare, str(corners.why[c]), NO_CORNER))
    for i in np.flatnonzero(units.short | (curve != "") | fits.unmet):
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


def _metres(um: int) -> str:
    return format_length(um_to_m(um))


def _why(
    i: int,
    runs: Runs,
    units: _Units,
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
