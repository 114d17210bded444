"""What stands at the two ends of each leg, and what that takes off the leg.

A leg shorter than what stands at its ends is *short*, and nothing is ever laid over
something else: walking along the run, the unit at the far end of such a leg is left out
(if it has none, the unit at its start), the corner left out becomes bare on both its
legs, and so on until everything fits.  A short leg stays short whatever is left out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from siteplan.laying.band import Stations
from siteplan.laying.corner_units import CornerChoice, mitre_um
from siteplan.model import NodeKind, Runs
from siteplan.products import Hand, ProductLine
from siteplan.types import BoolArray, IntArray


@dataclass(frozen=True, slots=True, eq=False)
class Units:
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
        return (self.start_end >= 0) | standing(self.corner_laid, self.start_corner)

    @property
    def far_unit(self) -> BoolArray:
        """(l,) True where a unit stands at the far end."""
        return (self.far_end >= 0) | standing(self.corner_laid, self.far_corner)


def _at_corner(values: IntArray, corner: IntArray) -> IntArray:
    """Values of the corners at legs' ends, 0 where there is no corner."""
    padded = np.concatenate([values, [0]])  # -1 finds the 0
    return padded[corner]


def standing(corner_laid: BoolArray, corner: IntArray) -> BoolArray:
    """Whether a corner unit stands at legs' ends."""
    laid: BoolArray = _at_corner(corner_laid.astype(np.int64), corner) > 0
    return laid


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


def choose_units(
    runs: Runs,
    part: Stations,
    corners: CornerChoice,
    line: ProductLine,
    clear_um: tuple[IntArray, IntArray],
) -> Units:
    """Choose the units, and leave out those a leg is too short for.

    Parameters
    ----------
    runs, part : runs and their stations
    corners : how each corner is made
    line : product line
    clear_um : (l,) and (l,) what comes off at the start and far end of legs that end at a face or
        at another run (:func:`siteplan.laying.run_ends.clearances`)
    """
    start_end, far_end = choose_ends(runs, line)
    start_corner, far_corner = _leg_corners(runs)
    units = _taken_off(
        runs, corners, line, clear_um,
        Units(
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
        units = _taken_off(runs, corners, line, clear_um, _left_out(units, _first_of_streak(runs, helpless)))
    start_um = np.minimum(units.start_um, part.leg_um)
    return replace(units, start_um=start_um, far_um=np.minimum(units.far_um, part.leg_um - start_um))


def _taken_off(
    runs: Runs, corners: CornerChoice, line: ProductLine, clear_um: tuple[IntArray, IntArray], units: Units
) -> Units:
    """The units with what they and the clearances take off each leg."""
    ends = np.array([*(e.laying_um for e in line.ends), 0], dtype=np.int64)  # -1 takes nothing
    bare = mitre_um(line.depth_um, runs.corner_turn_deg)
    taken = []
    for clear, end, corner, arm in (
        (clear_um[0], units.start_end, units.start_corner, corners.leaving_um),
        (clear_um[1], units.far_end, units.far_corner, corners.arriving_um),
    ):
        at_corner = _at_corner(np.where(units.corner_laid, arm, bare), corner)
        taken.append(at_corner + ends[end] + clear)
    return replace(units, start_um=taken[0], far_um=taken[1])


def _first_of_streak(runs: Runs, flag: BoolArray) -> BoolArray:
    """Flagged legs whose leg before is not flagged; of a closed run all flagged, the first."""
    head, tail = runs.leg_offsets[:-1], runs.leg_offsets[1:] - 1
    before = np.concatenate([[False], flag[:-1]])
    count = np.concatenate([[0], np.cumsum(flag)])
    whole = count[tail + 1] - count[head] == tail + 1 - head
    before[head] = runs.closed & flag[tail] & ~whole
    leading: BoolArray = flag & ~before
    return leading


def _left_out(units: Units, which: BoolArray) -> Units:
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
