"""How each corner is made, and what that takes of its legs on the laying line.

A corner is made with a corner *unit*; by a *mitre*, two sections sawn to half the turn; or by
a *butt*, where the longer leg runs through and the other stops at its face.  (A flexible line
may also be *bent* round: :mod:`siteplan.laying.bends` does that before anything is laid.)
docs/corners.md has the geometry with worked examples.

An arm of a unit is measured on a face: the outer (convex) face, the centre or the inner face.
The laying line is the centre, so an arm measured on the outer face is longer than its share of
the line by ``depth / 2 x tan(turn / 2)``, and one measured on the inner face is shorter by as
much (plane trigonometry: the two faces meet on the line that halves the corner).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import IntEnum
from typing import Final, Literal

import numpy as np

from siteplan.model import Runs
from siteplan.products import CornerUnit, Face, ProductLine
from siteplan.types import BoolArray, FloatArray, IntArray, KindArray, ObjectArray

TURN_TOLERANCE_DEG: Final = 1e-6
"""Turns come from coordinates; 1e-6 degrees is 17 nm in a metre.  A square corner must
not lose its square unit to the last digits of a projection."""

CornerWay = Literal["unit", "mitre", "bend", "butt"]
WAYS: Final[tuple[CornerWay, ...]] = ("unit", "mitre", "bend", "butt")
"""the ways to make a corner, in the order they are tried by default"""

_FACE_SIGN: Final[dict[Face, int]] = {"outer": -1, "centre": 0, "inner": 1}
_SQUARE_STOP: Final = 0.5
"""a square end may stop at an oblique face where the wedge behind it opens by half the depth at most"""


class CornerHow(IntEnum):
    """How a corner is made in the end."""

    BARE = 0
    """not at all: both legs end there"""
    UNIT = 1
    MITRE = 2
    BUTT = 3


_CODE: Final[dict[CornerWay, CornerHow]] = {
    "unit": CornerHow.UNIT,
    "mitre": CornerHow.MITRE,
    "butt": CornerHow.BUTT,
}


@dataclass(frozen=True, slots=True, eq=False)
class CornerChoice:
    """How each corner is made.  c corners, in the order of the runs' corners."""

    unit: IntArray
    """(c,) index into the line's corners, -1 where no unit makes this corner"""
    exchanged: BoolArray
    """(c,) True where a reversible unit is laid with its two arms exchanged"""
    arriving_um: IntArray
    """(c,) what the corner takes of the arriving leg, on the laying line: the arm; half the joint of
    a mitre; where a leg stops at a face, what lies before the face, and where it runs through,
    what it goes past the corner, as a negative number; where nothing makes the corner, the length
    over which the footprints of the two legs would overlap"""
    leaving_um: IntArray
    """(c,) the same for the leaving leg"""
    why: ObjectArray
    """(c,) str: why nothing makes it, empty where something does"""
    how: KindArray
    """(c,) CornerHow"""
    arriving_saw_deg: FloatArray
    """(c,) angle off square at which the last piece of the arriving leg is sawn, positive where its
    right face is the longer one; NaN where it is not sawn"""
    leaving_saw_deg: FloatArray
    """(c,) the same for the first piece of the leaving leg"""
    through: KindArray
    """(c,) the leg that runs through at a butt: 1 the arriving one, 2 the leaving one, else 0"""

    def __len__(self) -> int:
        return len(self.unit)


@dataclass(frozen=True, slots=True, eq=False)
class CornerWays:
    """Every way each corner can be made, in the order they are tried.  c corners, w ways.

    Rows are the values of CornerHow.
    """

    can: BoolArray
    """(4, c) the way makes the corner; bare always does"""
    arriving_um: IntArray
    leaving_um: IntArray
    arriving_saw_deg: FloatArray
    leaving_saw_deg: FloatArray
    """(4, c)"""
    unit: IntArray
    """(c,)"""
    through: KindArray
    """(c,) at a butt"""
    order: IntArray
    """(c, w + 1) ways to try, CornerHow, ending in bare; ways that cannot be are passed over"""
    why: ObjectArray
    """(c,) str: why no way makes it, empty where one does"""
    exchanged: BoolArray
    """(c,) the unit is laid with its arms exchanged; its row of arms says so already"""

    def with_exchanged(self, which: BoolArray) -> CornerWays:
        """The same with the units of the corners ``which`` turned round.

        Parameters
        ----------
        which : (c,) corners whose (reversible) unit is laid the other way
        """
        arriving, leaving = self.arriving_um.copy(), self.leaving_um.copy()
        arriving[CornerHow.UNIT, which] = self.leaving_um[CornerHow.UNIT, which]
        leaving[CornerHow.UNIT, which] = self.arriving_um[CornerHow.UNIT, which]
        return replace(self, arriving_um=arriving, leaving_um=leaving, exchanged=self.exchanged ^ which)

    def next(self, level: IntArray) -> IntArray:
        """(c,) place in the order of the first way at ``level`` or after that makes the corner."""
        c = np.arange(len(level))
        can = self.can[self.order, c[:, None]]
        can &= np.arange(can.shape[1]) >= level[:, None]
        found: IntArray = can.argmax(axis=1)
        return found

    def chosen(self, level: IntArray) -> CornerChoice:
        """The corners made the way their level says."""
        c = np.arange(len(level))
        how = self.order[c, level]
        return CornerChoice(
            unit=np.where(how == CornerHow.UNIT, self.unit, -1),
            exchanged=self.exchanged & (how == CornerHow.UNIT),
            arriving_um=self.arriving_um[how, c],
            leaving_um=self.leaving_um[how, c],
            why=self.why,
            how=how.astype(np.int8),
            arriving_saw_deg=self.arriving_saw_deg[how, c],
            leaving_saw_deg=self.leaving_saw_deg[how, c],
            through=np.where(how == CornerHow.BUTT, self.through, 0).astype(np.int8),
        )


def mitre_um(depth_um: int, turn_deg: FloatArray) -> IntArray:
    """Distance from a corner to where the faces of two strips of this depth part, in um.

    Parameters
    ----------
    depth_um : front to back
    turn_deg : (n,) turns, either sign, below 180 in size

    Returns
    -------
    (n,) ``depth / 2 x tan(|turn| / 2)``, rounded to whole um; 0 for no turn.
    """
    half = np.radians(np.abs(turn_deg)) / 2
    return np.rint(depth_um / 2 * np.tan(half)).astype(np.int64)


def centre_arms(unit: CornerUnit, depth_um: int, turn_deg: FloatArray) -> tuple[IntArray, IntArray]:
    """Arriving and leaving arm of a unit on the laying line, in whole um.

    Parameters
    ----------
    unit : a corner unit, its arms on the face they are measured on
    depth_um : depth of the line
    turn_deg : (n,) turns at which the unit is to be laid

    Returns
    -------
    Two (n,) arrays; negative where the face arm is shorter than the corner itself.
    """
    shift = mitre_um(depth_um, turn_deg) * _FACE_SIGN[unit.measured_on]
    return unit.arriving_um + shift, unit.leaving_um + shift


def leaving_legs(runs: Runs) -> IntArray:
    """(c,) the leg that leaves each corner."""
    arriving = runs.corner_leg
    run = runs.leg_run[arriving]
    return np.where(arriving + 1 == runs.leg_offsets[run + 1], runs.leg_offsets[run], arriving + 1)


def corner_ways(
    runs: Runs,
    line: ProductLine,
    by: Sequence[CornerWay] = WAYS,
    by_bed: Mapping[int, Sequence[CornerWay]] | None = None,
    *,
    reasons: bool = True,
) -> CornerWays:
    """Every way each corner can be made.

    Parameters
    ----------
    runs : runs with their corners
    line : product line
    by : ways in the order they are tried
    by_bed : other orders for single beds, by index
    reasons : say why nothing makes a corner

    Returns
    -------
    CornerWays.  ``bend`` is passed over: it has been made before, or cannot be.
    """
    turn = runs.corner_turn_deg
    count = len(turn)
    shape = (len(CornerHow), count)
    can, saw = np.zeros(shape, dtype=np.bool_), np.full((2, *shape), np.nan)
    taken = np.zeros((2, *shape), dtype=np.int64)
    can[CornerHow.BARE] = True
    taken[:, CornerHow.BARE] = mitre_um(line.depth_um, turn)
    unit = _units(turn, line, taken[:, CornerHow.UNIT])
    can[CornerHow.UNIT] = unit >= 0
    can[CornerHow.MITRE] = _mitres(runs, line, taken[:, CornerHow.MITRE], saw[:, CornerHow.MITRE])
    can[CornerHow.BUTT], through = _butts(runs, line, taken[:, CornerHow.BUTT], saw[:, CornerHow.BUTT])
    order = _orders(runs, by, by_bed or {})
    why = np.full(count, "", dtype=object)
    as_catalogued = np.zeros(count, dtype=np.bool_)
    ways = CornerWays(can, taken[0], taken[1], saw[0], saw[1], unit, through, order, why, as_catalogued)
    first = order[np.arange(count), ways.next(np.zeros(count, dtype=np.int64))]
    for c in np.flatnonzero(first == CornerHow.BARE) if reasons else ():
        ways.why[c] = _no_way(float(turn[c]), line, [CornerHow(k) for k in order[c]])
    return ways


def choose_corners(
    runs: Runs,
    line: ProductLine,
    by: Sequence[CornerWay] = WAYS,
    by_bed: Mapping[int, Sequence[CornerWay]] | None = None,
) -> CornerChoice:
    """How each corner is made where there is room: the first way that can make it.

    A unit makes a corner if its turn (left: outside, right: inside) and its range of
    angles, limits inclusive, hold it, and if neither arm falls short of the corner point; of
    several the first in catalogue order does.

    Parameters
    ----------
    runs, line, by, by_bed : as for :func:`corner_ways`

    Returns
    -------
    CornerChoice.  A corner nothing makes has a reason, and both legs end there as bare
    ends, each shortened so that their footprints touch and do not overlap.
    """
    ways = corner_ways(runs, line, by, by_bed)
    return ways.chosen(ways.next(np.zeros(len(runs.corner_leg), dtype=np.int64)))


def _orders(runs: Runs, by: Sequence[CornerWay], by_bed: Mapping[int, Sequence[CornerWay]]) -> IntArray:
    """(c, w + 1) CornerHow in the order the ways are tried, filled up with bare."""
    bed = runs.bed[runs.leg_run[runs.corner_leg]]
    order = np.full((len(bed), len(WAYS) + 1), CornerHow.BARE, dtype=np.int64)
    for which, ways in ((np.ones(len(bed), bool), by), *((bed == b, w) for b, w in by_bed.items())):
        codes = [_CODE[way] for way in ways if way in _CODE]
        order[which] = CornerHow.BARE
        order[which, : len(codes)] = codes
    return order


def _units(turn: FloatArray, line: ProductLine, taken_um: IntArray) -> IntArray:
    """First unit in catalogue order that makes each turn, -1 for none; its arms into ``taken_um``."""
    size = np.abs(turn)
    unit = np.full(len(turn), -1, dtype=np.int64)
    # from the last to the first, so that the first unit that fits is written last
    for k in range(len(line.corners) - 1, -1, -1):
        record = line.corners[k]
        first, second = centre_arms(record, line.depth_um, turn)
        fits = (
            (turn > 0 if record.turn == "outside" else turn < 0)
            & (size >= record.least_deg - TURN_TOLERANCE_DEG)
            & (size <= record.greatest_deg + TURN_TOLERANCE_DEG)
            & (np.minimum(first, second) >= 0)
            & (first + second > 0)
        )
        unit[fits] = k
        taken_um[0, fits], taken_um[1, fits] = first[fits], second[fits]
    return unit


def _sawn_legs(runs: Runs, line: ProductLine) -> tuple[BoolArray, BoolArray]:
    """(c,) the arriving, and the leaving, leg can end in a sawn piece: a rigid one lies straight."""
    able = runs.straight | (line.behaviour == "flexible")
    able = able & line.cuttable & (line.usable_ends != "both")
    return able[runs.corner_leg], able[leaving_legs(runs)]


def _joint_um(line: ProductLine) -> int:
    """Space between two sawn ends on the laying line; they cannot overlap."""
    return max(line.gap_nominal_um, 0)


def saw_reaches(off_square_deg: FloatArray, line: ProductLine) -> BoolArray:
    """(n,) A piece sawn so far off square can be had from the longest section.

    Its longer face is ``depth x tan(angle)`` longer than its shorter one, which is no shorter
    than the least cut.
    """
    longest = max((s.laying_um for s in line.sections), default=0)
    slope = np.tan(np.radians(np.minimum(np.abs(off_square_deg), 89.999)))
    reaches: BoolArray = 2 * np.ceil(line.depth_um / 2 * slope) + max(line.least_cut_um, 1) <= longest
    return reaches


def _mitres(runs: Runs, line: ProductLine, taken_um: IntArray, saw_deg: FloatArray) -> BoolArray:
    """Corners a mitre makes; each leg gives half the joint and is sawn to half the turn."""
    turn = runs.corner_turn_deg
    taken_um[0], taken_um[1] = (_joint_um(line) + 1) // 2, _joint_um(line) // 2
    saw_deg[:] = turn / 2
    arriving, leaving = _sawn_legs(runs, line)
    within = np.abs(turn) / 2 <= line.corner_rules.greatest_saw_deg + TURN_TOLERANCE_DEG
    return within & saw_reaches(turn / 2, line) & arriving & leaving & line.corner_rules.mitre


def _butts(
    runs: Runs, line: ProductLine, taken_um: IntArray, saw_deg: FloatArray
) -> tuple[BoolArray, KindArray]:
    """Corners a butt makes, and the leg that runs through there: the longer one, else the arriving one."""
    turn, half = np.radians(np.abs(runs.corner_turn_deg)), line.depth_um / 2
    off_square = np.abs(runs.corner_turn_deg) - 90.0
    arriving, leaving = runs.corner_leg, leaving_legs(runs)
    first = np.round(runs.length_m[arriving], 6) >= np.round(runs.length_m[leaving], 6)
    able = np.where(first, *_sawn_legs(runs, line)[::-1])
    square = np.abs(off_square) <= TURN_TOLERANCE_DEG
    within = np.abs(off_square) <= line.corner_rules.greatest_saw_deg
    bevelled = able & ~square & within & saw_reaches(off_square, line)
    tangent = np.tan(turn / 2)
    # rounded so that nothing overlaps: the one that runs through down, the one that stops up
    past = np.floor(half * np.minimum(tangent, 1 / tangent) + 1e-3).astype(np.int64)
    before = half * np.where(bevelled, 1 / np.sin(turn), np.maximum(tangent, 1 / tangent))
    stop = np.ceil(before - 1e-3).astype(np.int64) + _joint_um(line)
    taken_um[0], taken_um[1] = np.where(first, -past, stop), np.where(first, stop, -past)
    angle = np.where(bevelled, np.sign(runs.corner_turn_deg) * off_square, np.nan)
    saw_deg[0], saw_deg[1] = np.where(first, np.nan, angle), np.where(first, angle, np.nan)
    wedge = 2 * np.abs(np.cos(turn) / np.sin(turn)) * half
    can = (bevelled | (wedge <= _SQUARE_STOP * line.depth_um)) & line.corner_rules.butt
    if line.behaviour == "rigid":
        can &= runs.straight[arriving] & runs.straight[leaving]
    return can, np.where(first, 1, 2).astype(np.int8)


def _no_way(turn_deg: float, line: ProductLine, order: Sequence[CornerHow]) -> str:
    """Say why a corner is not made: no unit, and nothing else that is asked for."""
    rules, reasons = line.corner_rules, []
    if CornerHow.UNIT in order:
        reasons.append(_no_unit(turn_deg, line))
    else:
        side = "outside" if turn_deg > 0 else "inside"
        reasons.append(f"the {side} corner of {_degrees(turn_deg)} degrees is not to be made with a unit")
        if CornerHow.MITRE in order and not rules.mitre:
            reasons.append(f"{line.name} is not mitred")
        if CornerHow.BUTT in order and not rules.butt:
            reasons.append(f"{line.name} is not butted")
    for how, word, allowed, angle in (
        (CornerHow.MITRE, "mitre", rules.mitre, abs(turn_deg) / 2),
        (CornerHow.BUTT, "butt", rules.butt, abs(abs(turn_deg) - 90)),
    ):
        if how in order and allowed:
            reasons.append(
                f"a {word} is sawn {_degrees(angle)} degrees off square, and {line.name} allows "
                f"{rules.greatest_saw_deg:g}"
                if angle > rules.greatest_saw_deg
                else f"a {word} needs pieces that can be cut, a section long enough for the saw, "
                "and, if rigid, straight legs"
            )
    return "; ".join(reasons)


def _degrees(angle: float) -> str:
    return f"{abs(angle):.2f}".rstrip("0").rstrip(".")


def _no_unit(turn_deg: float, line: ProductLine) -> str:
    """Say which turn no unit makes, and what the line offers for such turns."""
    side = "outside" if turn_deg > 0 else "inside"
    offered = [
        f"{u.article.code} {u.least_deg:g} to {u.greatest_deg:g} degrees"
        for u in line.corners
        if u.turn == side
    ]
    size = _degrees(turn_deg)
    if not offered:
        return f"no unit for the {side} corner of {size} degrees: the line has no {side} corner"
    fits = any(
        u.turn == side
        and u.least_deg - TURN_TOLERANCE_DEG <= abs(turn_deg) <= u.greatest_deg + TURN_TOLERANCE_DEG
        for u in line.corners
    )
    # the range holds the turn, so the arms were what failed
    reason = ", but the arms end short of the corner point at this angle" if fits else ""
    return f"no unit for the {side} corner of {size} degrees: the line offers {', '.join(offered)}{reason}"
