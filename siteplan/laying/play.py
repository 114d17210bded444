"""Sideways movement of legs that saves cuts, as a crew would do it.

A straight leg moved sideways by ``t`` changes the lengths of its two neighbours, and each leg's
length follows from its own shift and those of its neighbours::

    change = (t_before - t cos a) / sin a + (t_after - t cos b) / sin b

with ``a`` and ``b`` the turns at its start and far corner (left positive) and shifts positive away
from the bed.  Opposite sides of a rectangle are thus coupled: to lengthen one, a side between them
moves, and that lengthens the other as well.

For every leg the lengths that a fill with no cut, one cut or two cuts meets are a union of
intervals, known exactly.  Which interval each leg goes for, how far each leg moves (and which way
reversible corner units lie beside them) is a mixed-integer linear program for each run that has a
cut: fewest unmet legs, then cuts, then pieces, then least movement.  What it says is only taken as
a proposal: the moved runs are taken off again in whole micrometres, and a run keeps its place
unless that saves a cut.  docs/whole-run.md says it in words.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from siteplan.laying.sideways import leg_neighbours, length_changes
from siteplan.laying.solver import solve
from siteplan.model import Runs
from siteplan.products import ProductLine
from siteplan.types import BoolArray, FloatArray, IntArray

_CLEAR_UM: Final = 5
"""kept from the ends of an interval of lengths, where it is wide enough, so that shifts can be whole um"""
_MM: Final = 1_000.0
"""the program works in millimetres: its tolerance of 1e-7 is then far below a micrometre"""


@dataclass(frozen=True, slots=True, eq=False)
class Play:
    """Legs that were moved sideways.  l legs."""

    runs: Runs
    """the runs as moved"""
    moved_m: FloatArray
    """(l,) how far each leg was moved, positive away from the bed"""
    cuts_before: IntArray
    """(r,) cut pieces of each run before"""
    unmet_before: IntArray
    """(r,) unmet legs of each run before"""

    @property
    def greatest_m(self) -> float:
        """Greatest movement of any leg."""
        return float(np.abs(self.moved_m).max(initial=0.0))


@dataclass(frozen=True, slots=True, eq=False)
class LegRests:
    """What is left of the legs to fill, and within what it is filled.  l legs, c corners."""

    rest_um: IntArray
    units: IntArray
    """(l,) ends at which a unit stands"""
    short_um: IntArray
    over_um: IntArray
    fixed: BoolArray
    """(l,) nothing is to be known of their fill: sawn pieces, curves, legs too short"""
    start_corner: IntArray
    far_corner: IntArray
    """(l,) -1 for none"""
    free: BoolArray
    """(c,) the unit may be turned round"""
    more_um: IntArray
    """(c,) how much more it then takes of the leaving leg, and less of the arriving one"""


# ---------------------------------------------------------------- lengths that can be filled


@dataclass(frozen=True, slots=True, eq=False)
class Ranges:
    """Intervals of rests that fills meet, limits inclusive.  k intervals, the best first."""

    least_um: IntArray
    greatest_um: IntArray
    cuts: IntArray
    pieces: IntArray

    def __len__(self) -> int:
        return len(self.cuts)


def fill_ranges(
    low_um: int,
    high_um: int,
    units: int,
    short_um: int,
    over_um: int,
    line: ProductLine,
    closer_limit: int,
) -> Ranges:
    """Rests between ``low_um`` and ``high_um`` that a fill meets, by its cuts and pieces.

    Parameters
    ----------
    low_um, high_um : least and greatest rest that is of interest
    units : ends at which a unit stands
    short_um, over_um : fit tolerances
    line : product line
    closer_limit : closers a leg may take; a rest less than the shortest section may take any number

    Returns
    -------
    Ranges in order of cuts, then pieces, then length.  An interval may overlap one with more cuts
    or pieces; one that lies within one that is no worse is left out.
    """
    shortest = min(s.laying_um for s in line.sections)
    parts = []
    for low, high, limit in (
        (max(low_um, shortest), high_um, closer_limit),
        (low_um, min(high_um, shortest - 1), None),
    ):
        if low > high:
            continue
        parts += [_met(low, high, units, short_um, over_um, line, limit, cuts) for cuts in (0, 1, 2)]
    rows = np.concatenate(parts) if parts else np.empty((0, 4), dtype=np.int64)
    return _tidy(rows)


def _met(
    low: int,
    high: int,
    units: int,
    short_um: int,
    over_um: int,
    line: ProductLine,
    limit: int | None,
    cuts: int,
) -> IntArray:
    """(k, 4) least, greatest, cuts and pieces of the fills with so many cuts."""
    lengths = [s.laying_um for s in line.straights]
    sections = len(line.sections)
    room = max(lengths[:sections]) - line.kerf_um
    if cuts and (not line.cuttable or room < line.least_cut_um):
        return np.empty((0, 4), dtype=np.int64)
    least_cut, greatest_cut = cuts * max(line.least_cut_um, 1), cuts * room
    g, h = line.gap_least_um, line.gap_greatest_um
    # every number of every kind but the longest section, by length, pieces and closers
    free = int(np.argmax(lengths[:sections]))
    table = np.zeros((1, 3), dtype=np.int64)
    for kind, each in enumerate(lengths):
        if kind == free:
            continue
        most = np.maximum((high + over_um + abs(g) - table[:, 0]) // max(each + g, 1), 0)
        is_closer = int(kind >= sections)
        if is_closer and limit is not None:
            most = np.minimum(most, limit - table[:, 2])
        row = np.repeat(np.arange(len(table)), most + 1)
        n = np.arange(len(row)) - np.repeat(np.cumsum(most + 1) - (most + 1), most + 1)
        table = table[row] + n[:, None] * np.array([each, 1, is_closer])
    length, pieces = table[:, 0], table[:, 1] + cuts
    a, joints = lengths[free], pieces + units - 1
    first = -((length + greatest_cut + joints * h + short_um - low) // (a + h))
    last = (high + over_um - length - least_cut - joints * g) // (a + g)
    first = np.maximum(first, (pieces == 0).astype(np.int64))
    many = np.maximum(last - first + 1, 0)
    row = np.repeat(np.arange(len(table)), many)
    n = first[row] + np.arange(len(row)) - np.repeat(np.cumsum(many) - many, many)
    joints = np.maximum(joints[row] + n, 0)
    least = length[row] + n * a + least_cut + joints * g - over_um
    greatest = length[row] + n * a + greatest_cut + joints * h + short_um
    out = np.column_stack([least, greatest, np.full(len(row), cuts), pieces[row] + n])
    if not cuts:
        none = max(units - 1, 0)
        out = np.vstack([out, [none * g - over_um, none * h + short_um, 0, 0]])
    out[:, 0], out[:, 1] = np.maximum(out[:, 0], low), np.minimum(out[:, 1], high)
    return out[out[:, 0] <= out[:, 1]]


def _tidy(rows: IntArray) -> Ranges:
    """Intervals of the same cuts and pieces joined, and those within a better one left out."""
    rows = rows[np.lexsort((rows[:, 1], rows[:, 0], rows[:, 3], rows[:, 2]))]
    kept: list[list[int]] = []
    for least, greatest, cuts, pieces in rows.tolist():
        if kept and kept[-1][2:] == [cuts, pieces] and least <= kept[-1][1] + 1:
            kept[-1][1] = max(kept[-1][1], greatest)
        elif not any(k[0] <= least and greatest <= k[1] for k in kept):
            kept.append([least, greatest, cuts, pieces])
    return Ranges(*np.array(kept, dtype=np.int64).reshape(-1, 4).T)


# ---------------------------------------------------------------- the program of a run


def propose(
    runs: Runs,
    which: IntArray,
    may: BoolArray,
    rests: LegRests,
    play_um: int,
    line: ProductLine,
    closer_limit: int,
) -> FloatArray:
    """Shifts of the legs of the runs ``which``: fewest unmet, cuts, pieces, then least movement.

    Parameters
    ----------
    runs : all runs
    which : runs to look at
    may : (l,) legs that may move
    rests : what is left of the legs as they lie
    play_um : greatest shift
    line : product line
    closer_limit : closers a leg may take

    Returns
    -------
    (l,) metres, positive away from the bed; a proposal, to be checked by taking off what it gives.
    """
    out = np.zeros(len(may))
    changes, neighbours = length_changes(runs), leg_neighbours(runs)
    known: dict[tuple[int, ...], Ranges] = {}
    for run in which.tolist():
        legs = np.arange(runs.leg_offsets[run], runs.leg_offsets[run + 1])
        program = _Program(legs, may, changes, neighbours, rests, play_um, line, closer_limit, known)
        out[legs] = program.solved() / 1e6
    return out


class _Program:
    """The mixed-integer program of one run.

    Columns: a shift of each leg that may move and its size, a 0 or 1 for each corner unit that may
    be turned round, and one for each interval of each leg whose length may change.
    """

    def __init__(
        self,
        legs: IntArray,
        may: BoolArray,
        changes: tuple[FloatArray, FloatArray, FloatArray],
        neighbours: tuple[IntArray, IntArray],
        rests: LegRests,
        play_um: int,
        line: ProductLine,
        closer_limit: int,
        known: dict[tuple[int, ...], Ranges],
    ) -> None:
        self.play_mm, self.size = play_um / _MM, len(legs)
        self.movers = legs[may[legs]]
        column = {int(leg): k for k, leg in enumerate(self.movers)}
        self.at = legs
        first = int(legs[0])
        # the change of each leg's rest: columns of shifts, in mm per mm
        shift = np.zeros((len(legs), len(self.movers)))
        for by, who in zip(changes, (neighbours[0], np.arange(len(may)), neighbours[1]), strict=True):
            for leg in legs.tolist():
                mover = column.get(int(who[leg]))
                if mover is not None:
                    shift[leg - first, mover] += by[leg]
        touched = (np.abs(shift).sum(axis=1) > 0) & ~rests.fixed[legs]
        turn = _turnings(legs, touched, rests)
        reach = np.abs(shift).sum(axis=1) * play_um + np.abs(turn).sum(axis=1) * _MM + 1
        self.rows = np.flatnonzero(touched)
        self.shift, self.turn = shift[self.rows], turn[self.rows]
        self.ranges = []
        for row in self.rows.tolist():
            leg, far = legs[row], int(np.ceil(reach[row]))
            key = (int(rests.rest_um[leg]), far, int(rests.units[leg]), int(rests.short_um[leg]),
                   int(rests.over_um[leg]))  # fmt: skip
            if key not in known:
                known[key] = fill_ranges(
                    key[0] - far, key[0] + far, key[2], key[3], key[4], line, closer_limit
                )
            self.ranges.append(known[key])
        self.rest = rests.rest_um[legs[self.rows]]

    def solved(self) -> FloatArray:
        """(legs,) shifts in um."""
        out = np.zeros(self.size)
        if not len(self.rows) or not len(self.movers):
            return out
        intervals = self._intervals()
        x = self._least(intervals)
        if x is None:
            return out
        picked = self._picked(intervals, x)
        # again with the intervals settled, a little within their ends: the least movement, cleanly
        settled = [rows[k : k + 1] for rows, k in zip(intervals, picked, strict=True)]
        tight = [np.column_stack([*_within(rows[:, 0], rows[:, 1]), rows[:, 2]]) for rows in settled]
        turned = np.rint(x[2 * len(self.movers) : 2 * len(self.movers) + self.turn.shape[1]])
        again = self._least(tight, turned)
        if again is None:
            again = self._least(settled, turned)
        x = x if again is None else again
        shift_um = np.clip(x[: len(self.movers)], -self.play_mm, self.play_mm) * _MM
        whole = np.rint(shift_um)
        change = self.shift @ whole / _MM + self.turn @ turned
        inside = [rows[0, 0] <= c <= rows[0, 1] for rows, c in zip(settled, change, strict=True)]
        out[self.movers - self.at[0]] = whole if all(inside) else shift_um
        return out

    def _intervals(self) -> list[FloatArray]:
        """Of each leg (k, 3): least and greatest change in mm, and what the interval counts for."""
        spread = sum(int(np.ptp(r.pieces)) for r in self.ranges if len(r)) + 1
        unmet = spread * (2 * len(self.ranges) + 1)
        out = []
        for ranges, rest in zip(self.ranges, self.rest, strict=True):
            fewest = ranges.pieces.min(initial=1 << 40)
            count = ranges.cuts * spread + ranges.pieces - fewest
            far = 10 * self.play_mm + 1e4
            rows = np.column_stack([(ranges.least_um - rest) / _MM, (ranges.greatest_um - rest) / _MM, count])
            out.append(np.vstack([rows, [-far, far, unmet]]))
        return out

    def _picked(self, intervals: list[FloatArray], x: FloatArray) -> list[int]:
        at, out = 2 * len(self.movers) + self.turn.shape[1], []
        for rows in intervals:
            out.append(int(np.argmax(x[at : at + len(rows)])))
            at += len(rows)
        return out

    def _least(self, intervals: list[FloatArray], turned: FloatArray | None = None) -> FloatArray | None:
        """Solution of the program; ``turned``: which units are turned round, where that is settled."""
        m, turns = len(self.movers), self.turn.shape[1]
        count = [len(rows) for rows in intervals]
        base = 2 * m + turns
        columns = base + sum(count)
        cost = np.zeros(columns)
        # all movement together counts for less than one piece
        cost[m : 2 * m] = 0.5 / max(m * self.play_mm, 1e-9)
        low, high = np.zeros(columns), np.ones(columns)
        low[:m], high[: 2 * m] = -self.play_mm, self.play_mm
        if turned is not None:
            low[2 * m : base] = high[2 * m : base] = turned
        whole = (np.arange(columns) >= 2 * m) & (turned is None)
        rows: list[FloatArray] = []
        lower: list[float] = []
        upper: list[float] = []

        def add(row: FloatArray, least: float, greatest: float) -> None:
            rows.append(row)
            lower.append(least)
            upper.append(greatest)

        for k in range(m):
            for sign in (1.0, -1.0):
                row = np.zeros(columns)
                row[m + k], row[k] = 1.0, sign
                add(row, 0.0, np.inf)
        at = base
        for leg, (table, size) in enumerate(zip(intervals, count, strict=True)):
            mine = slice(at, at + size)
            cost[mine] = table[:, 2]
            one, least, greatest = np.zeros(columns), np.zeros(columns), np.zeros(columns)
            one[mine] = 1.0
            add(one, 1.0, 1.0)
            for row, end in ((least, 0), (greatest, 1)):
                row[:m], row[2 * m : base] = self.shift[leg], self.turn[leg]
                row[mine] = -table[:, end]
            add(least, 0.0, np.inf)
            add(greatest, -np.inf, 0.0)
            at += size
        return solve(cost, low, high, whole, np.vstack(rows), np.array(lower), np.array(upper))


def _within(least: FloatArray, greatest: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Intervals (mm) a little within their ends, the middle of those that are too narrow."""
    clear = np.minimum(_CLEAR_UM / _MM, (greatest - least) / 2)
    return least + clear, greatest - clear


def _turnings(legs: IntArray, touched: BoolArray, rests: LegRests) -> FloatArray:
    """(legs, k) change of each leg's rest in mm when each of k corner units is turned round."""
    first = int(legs[0])
    starts = {
        int(c): int(leg) - first for leg, c in zip(legs, rests.start_corner[legs], strict=True) if c >= 0
    }
    fars = {int(c): int(leg) - first for leg, c in zip(legs, rests.far_corner[legs], strict=True) if c >= 0}
    corners = [
        c for c in sorted(starts) if rests.free[c] and c in fars and touched[starts[c]] and touched[fars[c]]
    ]
    out = np.zeros((len(legs), len(corners)))
    for k, c in enumerate(corners):
        out[starts[c], k] -= rests.more_um[c] / _MM
        out[fars[c], k] += rests.more_um[c] / _MM
    return out
