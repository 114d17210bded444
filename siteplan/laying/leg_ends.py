"""What stands at the two ends of each leg, and what that takes off the leg.

A leg shorter than what stands at its ends is *short*, and nothing is ever laid over
something else.  Walking along the run, the corner at the far end of such a leg (else the one
at its start) is made the next way that can make it, if there is one.  Where there is none,
the unit at its far end is left out (if it has none, the unit at its start), the corner left
out becomes bare on both its legs, and so on until everything fits.  A leg for which something
was left out stays short and takes no sections.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from siteplan.laying.band import Stations
from siteplan.laying.corner_units import CornerChoice, CornerHow, CornerWays, leaving_legs
from siteplan.laying.mitres import SawnEnds, sawn_ends
from siteplan.model import NodeKind, Runs
from siteplan.products import Hand, ProductLine
from siteplan.types import BoolArray, IntArray


@dataclass(frozen=True, slots=True, eq=False)
class Units:
    """What stands at the ends of the legs, and what it and the clearances take off.  l legs."""

    start_um: IntArray
    """(l,) taken off at the start; less than 0 where the leg runs through at a butt.  What sawn
    pieces take is not in it: their lengths belong to the fill"""
    far_um: IntArray
    start_end: IntArray
    far_end: IntArray
    start_corner: IntArray
    """(l,) corner at the start, however it is made; -1 where there is none"""
    far_corner: IntArray
    corners: CornerChoice
    """how each corner is made in the end"""
    left_out: BoolArray
    """(c,) nothing makes the corner only because a leg is too short"""
    sawn: SawnEnds
    short: BoolArray
    """(l,) the leg could not hold all its units"""
    over_um: IntArray
    """(l,) by how much, 0 elsewhere"""

    def turned_round(self, which: BoolArray) -> Units:
        """The same with the units of the corners ``which`` laid with their arms exchanged."""
        old = self.corners
        more = np.where(which, old.arriving_um - old.leaving_um, 0)
        corners = replace(
            old,
            arriving_um=old.arriving_um - more,
            leaving_um=old.leaving_um + more,
            exchanged=old.exchanged ^ which,
        )
        return replace(
            self,
            start_um=self.start_um + _at_corner(more, self.start_corner),
            far_um=self.far_um - _at_corner(more, self.far_corner),
            corners=corners,
        )

    def where(self, leg: BoolArray, corner: BoolArray, other: Units) -> Units:
        """These units at the legs and corners that are flagged, the ``other`` ones elsewhere."""

        def mixed(one: Any, two: Any, flag: BoolArray) -> dict[str, Any]:
            pairs = {f.name: (getattr(one, f.name), getattr(two, f.name)) for f in fields(one)}
            return {
                n: np.where(flag, a, b)
                for n, (a, b) in pairs.items()
                if isinstance(a, np.ndarray) and n != "left_out"
            }

        own = mixed(self, other, leg) | {"left_out": np.where(corner, self.left_out, other.left_out)}
        return replace(
            self,
            **own,
            corners=replace(self.corners, **mixed(self.corners, other.corners, corner)),
            sawn=replace(self.sawn, **mixed(self.sawn, other.sawn, leg)),
        )

    @property
    def corner_laid(self) -> BoolArray:
        """(c,) a corner unit stands there."""
        laid: BoolArray = self.corners.how == CornerHow.UNIT
        return laid

    @property
    def unit_standing(self) -> IntArray:
        """(c,) index of the corner unit that stands there, -1 for none."""
        return np.where(self.corner_laid, self.corners.unit, -1)

    @property
    def start_unit(self) -> BoolArray:
        """(l,) True where a unit or a sawn piece stands at the start."""
        return (self.start_end >= 0) | standing(self.corner_laid, self.start_corner) | self.sawn.start

    @property
    def far_unit(self) -> BoolArray:
        """(l,) True where a unit or a sawn piece stands at the far end."""
        return (self.far_end >= 0) | standing(self.corner_laid, self.far_corner) | self.sawn.far


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
    number = np.arange(len(runs.corner_leg))
    far[runs.corner_leg], start[leaving_legs(runs)] = number, number
    return start, far


def first_units(
    runs: Runs, ways: CornerWays, line: ProductLine, clear_um: tuple[IntArray, IntArray]
) -> Units:
    """What would stand at the ends of the legs if none were too short for it.

    Parameters are those of :func:`choose_units`, which leaves out what a leg is too short for.
    """
    level = ways.next(np.zeros(len(runs.corner_leg), dtype=np.int64))
    return _standing(runs, ways, level, line, clear_um, *choose_ends(runs, line))


def choose_units(
    runs: Runs,
    part: Stations,
    ways: CornerWays,
    line: ProductLine,
    clear_um: tuple[IntArray, IntArray],
) -> Units:
    """Choose what stands at the ends of the legs, and leave out what a leg is too short for.

    Parameters
    ----------
    runs, part : runs and their stations
    ways : how each corner can be made
    line : product line
    clear_um : (l,) and (l,) what comes off at the start and far end of legs that end at a face or
        at another run (:func:`siteplan.laying.run_ends.clearances`)
    """
    start_end, far_end = choose_ends(runs, line)
    level = ways.next(np.zeros(len(runs.corner_leg), dtype=np.int64))
    first = ways.chosen(level)
    count = len(start_end)
    short, most_over = np.zeros(count, bool), np.zeros(count, np.int64)
    while True:
        units = _standing(runs, ways, level, line, clear_um, start_end, far_end)
        over = units.start_um + units.far_um + units.sawn.least_room_um - part.leg_um
        better = _next_level(ways, level)
        hope_start, hope_far = (_at_corner(better, c) > 0 for c in (units.start_corner, units.far_corner))
        hope = hope_start | hope_far
        short |= (over > 0) & ~hope
        most_over = np.maximum(most_over, over)
        made = (units.corners.how != CornerHow.BARE).astype(np.int64)
        at_start = (start_end >= 0) | (_at_corner(made, units.start_corner) > 0)
        at_far = (far_end >= 0) | (_at_corner(made, units.far_corner) > 0)
        which = first_of_streak(runs, (over > 0) & (at_start | at_far))
        if not which.any():
            break
        level, bare = level.copy(), ways.order.shape[1] - 1
        change = units.far_corner[which & hope_far], units.start_corner[which & hope_start & ~hope_far]
        for corner in change:
            level[corner] = better[corner]
        far, start = which & ~hope & at_far, which & ~hope & ~at_far
        for mask, corner in ((far, units.far_corner), (start, units.start_corner)):
            level[corner[mask & (corner >= 0)]] = bare
        far_end, start_end = np.where(far, -1, far_end), np.where(start, -1, start_end)
    corners = units.corners
    left_out = (corners.how == CornerHow.BARE) & (first.how != CornerHow.BARE)
    unit = np.where(left_out, first.unit, corners.unit)
    start_um = np.minimum(units.start_um, part.leg_um)
    return replace(
        units,
        start_um=start_um,
        far_um=np.minimum(units.far_um, part.leg_um - start_um),
        corners=replace(corners, unit=unit),
        left_out=left_out,
        short=short,
        over_um=np.where(short, most_over, 0),
    )


def _next_level(ways: CornerWays, level: IntArray) -> IntArray:
    """(c,) place of the next way that makes each corner; 0 where there is none but bare."""
    last = ways.order.shape[1] - 1
    found = ways.next(np.minimum(level + 1, last))
    how = ways.order[np.arange(len(level)), found]
    return np.where((level < last) & (how != CornerHow.BARE), found, 0)


def _standing(
    runs: Runs,
    ways: CornerWays,
    level: IntArray,
    line: ProductLine,
    clear_um: tuple[IntArray, IntArray],
    start_end: IntArray,
    far_end: IntArray,
) -> Units:
    """What stands at the ends of the legs, and what it takes off, corners made as ``level`` says."""
    start_corner, far_corner = _leg_corners(runs)
    corners = ways.chosen(level)
    ends = np.array([*(e.laying_um for e in line.ends), 0], dtype=np.int64)  # -1 takes nothing
    nan = np.array([np.nan])
    sawn = sawn_ends(
        np.concatenate([corners.leaving_saw_deg, nan])[start_corner],
        np.concatenate([corners.arriving_saw_deg, nan])[far_corner],
        line,
    )
    return Units(
        start_um=_at_corner(corners.leaving_um, start_corner) + ends[start_end] + clear_um[0],
        far_um=_at_corner(corners.arriving_um, far_corner) + ends[far_end] + clear_um[1],
        start_end=start_end,
        far_end=far_end,
        start_corner=start_corner,
        far_corner=far_corner,
        corners=corners,
        left_out=np.zeros(len(level), dtype=np.bool_),
        sawn=sawn,
        short=np.zeros(len(start_end), dtype=np.bool_),
        over_um=np.zeros(len(start_end), dtype=np.int64),
    )


def first_of_streak(runs: Runs, flag: BoolArray) -> BoolArray:
    """Flagged legs whose leg before is not flagged; of a closed run all flagged, the first."""
    head, tail = runs.leg_offsets[:-1], runs.leg_offsets[1:] - 1
    before = np.concatenate([[False], flag[:-1]])
    count = np.concatenate([[0], np.cumsum(flag)])
    whole = count[tail + 1] - count[head] == tail + 1 - head
    before[head] = runs.closed & flag[tail] & ~whole
    leading: BoolArray = flag & ~before
    return leading
