"""The ends of curved legs with tight places: make-up pieces, and one gap that closes the leg.

The sequences of :mod:`siteplan.laying.tight` that come near the leg's end are made up with closers, a
section or a cut piece in many combinations, in order of the goals.  The first that closes by one
common gap (held at each joint within what its own lean leaves), with every limit kept as laid, is
taken.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from siteplan.laying.chords import step, turned, walk
from siteplan.laying.curves import (
    CLOSES_UM,
    LIMIT_DEG,
    Bare,
    CurveLegs,
    CurveRules,
    Laid,
    Track,
    lean_um,
    world,
)
from siteplan.laying.fit import FitReason
from siteplan.laying.tight import Case, Kinds, Places, Waves, kinds_of, least_radius_m, places_of, reach_out
from siteplan.products import ProductLine
from siteplan.types import BoolArray, FloatArray, IntArray, OffsetArray

_UM: Final = 1e6
_TRIES: Final = 24
"""closings of a leg that are laid, of either set of make-up pieces, before it is left short"""
_EVERY_PIECES: Final = 6
"""a leg that takes no more is tried with every sequence there is, before it is left short"""
_EVERY_ROWS: Final = 20_000
"""such sequences of all kinds of piece; with more kinds, shorter ones"""
_EVERY_WAYS: Final = 1_000_000
"""of them on all legs looked at together; bounds the memory"""
_EVERY_TRIES: Final = 600
"""of them laid on one leg, in order of the goals"""
_STEPS: Final = 7
"""rounds in which the common gap is found"""


@dataclass(frozen=True, slots=True, eq=False)
class _Tails:
    """Make-up pieces at the end of a leg.  m combinations, of at most q pieces."""

    kind: IntArray
    """(m, q) index of the kind, -1 for none, -2 for the cut piece of free length"""
    count: IntArray
    length_um: IntArray
    """without the cut piece"""
    closers: IntArray
    cuts: IntArray
    cut_from: IntArray
    """(m,) section of the cut piece, -1"""
    plain: int
    """so many of them come first that are tried on every leg; the others only where none of those closes"""


def _tails(kinds: Kinds, line: ProductLine, closer_limit: int) -> _Tails:
    closer = np.flatnonzero(kinds.closer)
    made: list[tuple[tuple[int, ...], int]] = []
    most = min(closer_limit, 3)
    for n in range(most + 1):
        made += [(c, -1) for c in itertools.combinations_with_replacement(closer.tolist(), n)]
    cuttable = [
        k
        for k, s in enumerate(line.sections)
        if line.cuttable and s.laying_um - line.kerf_um >= line.least_cut_um
    ]
    for k in cuttable:
        made.append(((-2,), k))
        made += [((int(c), -2), k) for c in closer]
        made += [((-2, int(c)), k) for c in closer]
    plain = len(made)
    whole = np.flatnonzero(~kinds.cut).tolist()
    orders = [
        o
        for n in (1, 2, 3)
        for o in itertools.product(whole, repeat=n)
        if sum(bool(kinds.closer[k]) for k in o) <= most
    ]
    made += [(o, -1) for o in orders if (o, -1) not in made[:plain]]
    for k in cuttable:
        made += [((*o[:at], -2, *o[at:]), k) for o in orders if len(o) == 2 for at in (2, 1)]
    width = max(len(m) for m, _ in made)
    table = np.full((len(made), width), -1, dtype=np.int64)
    for i, (pieces, _) in enumerate(made):
        table[i, : len(pieces)] = pieces
    lengths = np.append(kinds.length_um, [0, 0])  # -1 and -2 have none
    return _Tails(
        kind=table,
        count=(table != -1).sum(axis=1),
        length_um=lengths[table].sum(axis=1),
        closers=((table >= 0) & np.append(kinds.closer, [False, False])[table]).sum(axis=1),
        cuts=(table == -2).sum(axis=1),
        cut_from=np.array([k for _, k in made], dtype=np.int64),
        plain=plain,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Closings:
    """Ways to end legs, best first within each leg."""

    leg: IntArray
    wave: IntArray
    label: IntArray
    tail: IntArray
    """index into the make-up combinations, -1 for an open end"""

    def take(self, which: IntArray) -> _Closings:
        return _Closings(self.leg[which], self.wave[which], self.label[which], self.tail[which])


def _closings(case: Case, tails: _Tails, waves: Waves, which: BoolArray, *, every: bool) -> _Closings:
    """Sequences and make-up pieces that may close the legs ``which``, in order of the goals."""
    legs, track, kinds, line = case.legs, case.track, case.kinds, case.line
    rem = (track.far_m[None, :, None] - waves.at_m) * _UM
    reach = (3 if every else 2) * int(kinds.length_um.max()) + 4 * line.gap_greatest_um
    near = np.isfinite(rem) & (rem <= reach) & which[None, :, None]
    near[:, :, -1] = False
    wave, leg, label = np.nonzero(near)
    most = len(tails.count) if every else tails.plain
    count, cut_from = tails.count[:most], tails.cut_from[:most]
    row = case.rows[leg]
    short, over = (np.where(legs.ring[row], 0, t[row]) for t in (legs.short_um, legs.over_um))
    joints = wave - 1 + legs.start_joint[row]
    more = count + legs.far_joint[row][:, None]
    left = rem[near][:, None] - tails.length_um[:most] - more * kinds.gap_um
    sections = np.array([s.laying_um for s in line.sections], dtype=np.int64)
    cut = np.clip(
        left,
        np.where(cut_from >= 0, line.least_cut_um, 0),
        np.where(cut_from >= 0, sections[cut_from] - line.kerf_um, 0),
    )
    left = left - cut
    # first with the whole range of the make-up pieces' joints, then with what their lean leaves of it
    tighter, wider = waves.tighter_um[near] + over, waves.wider_um[near] + short
    room = (kinds.gap_um - line.gap_least_um, line.gap_greatest_um - kinds.gap_um)
    fits = (left >= -(tighter[:, None] + more * room[0])) & (left <= wider[:, None] + more * room[1])
    k, tail = np.nonzero(fits)
    ways = _Closings(leg[k], wave[k], label[k], tail)
    bends, tail_wider, tail_tighter = _tail_bends(case, tails, waves, ways, cut[k, tail])
    missing = left[k, tail]
    # half a millimetre for what the curve takes as the gaps change; the closing is judged as laid
    bends &= (missing >= -(tighter[k] + tail_tighter + 500.0)) & (missing <= wider[k] + tail_wider + 500.0)
    k, missing, ways = k[bends], missing[bends], ways.take(np.flatnonzero(bends))
    w, g, lab, tail = ways.wave, ways.leg, ways.label, ways.tail
    keys = (
        np.abs(missing) / np.maximum(joints[k] + more[k, tail], 1),
        waves.closers[w, g, lab] + tails.closers[tail],
        w + tails.count[tail],
        waves.cuts[w, g, lab] + tails.cuts[tail],
        np.rint(waves.bare_m[w, g, lab] * 1e3),
        g,
    )
    return ways.take(np.lexsort(keys))


def _tail_bends(
    case: Case, tails: _Tails, waves: Waves, ways: _Closings, cut_um: FloatArray
) -> tuple[BoolArray, FloatArray, FloatArray]:
    """Whether the joints of make-up pieces keep the limit of deflection, and how far their gaps can go.

    Up and down from the gap they are laid with here.
    """
    legs, kinds, line = case.legs, case.kinds, case.line
    most = math.radians(line.deflection_deg + LIMIT_DEG)
    spot = (ways.wave, ways.leg, ways.label)
    at, xy, angle = waves.at_m[spot], waves.xy[spot], waves.angle[spot]
    good = np.ones(len(at), dtype=np.bool_)
    lean = np.zeros(len(at))
    joints = np.zeros(len(at), dtype=np.int64)
    lengths = np.append(kinds.length_um, [0, 0])  # -2 and -1 have none

    def turn(k: IntArray, onward: FloatArray) -> None:
        delta = turned(angle[k], onward)
        good[k] &= np.abs(delta) <= most
        lean[k] += lean_um(delta, line)
        joints[k] += 1
        angle[k] = onward

    for q in range(tails.kind.shape[1]):
        kind = tails.kind[ways.tail, q]
        k = np.flatnonzero(kind != -1)
        chord = np.where(kind[k] == -2, np.maximum(cut_um[k], 1), lengths[kind[k]]) / _UM
        gap = np.full(len(k), kinds.gap_um / _UM)
        begin, begin_xy = step(case.track.lines, ways.leg[k], at[k], xy[k], gap)
        at[k], xy[k] = step(case.track.lines, ways.leg[k], begin, begin_xy, chord)
        along = xy[k] - begin_xy
        turn(k, np.arctan2(along[:, 1], along[:, 0]))
    row = case.rows[ways.leg]
    ring = legs.ring[row]
    # the seam of a ring whose first stretch is not its last is bare or between two stretches
    k = np.flatnonzero(legs.far_joint[row] & ~(ring & (waves.bare_m[spot] > 0)))
    turn(k, np.where(ring, waves.head[spot], legs.far_angle[row])[k])
    return (
        good,
        joints * (line.gap_greatest_um - kinds.gap_um) - lean,
        joints * (kinds.gap_um - line.gap_least_um) - lean,
    )


# ---------------------------------------------------------------- laying what was chosen


@dataclass(frozen=True, slots=True, eq=False)
class _Stretches:
    """Pieces laid without a break, between the ends of a leg and its bare places.  s stretches, p pieces."""

    way: IntArray
    """(s,) which of the chosen closings"""
    leg: IntArray
    start_m: FloatArray
    joint: BoolArray
    """(s,) a joint before the first piece"""
    last: BoolArray
    """(s,) is to close at the end of the leg"""
    first: OffsetArray
    kind: IntArray
    """(p,), -2 for the cut piece of free length"""
    cut_from: IntArray
    """(s,) section of that cut piece"""

    @property
    def of_piece(self) -> IntArray:
        """(p,) stretch of each piece."""
        return np.repeat(np.arange(len(self.leg)), np.diff(self.first))


def _stretches(case: Case, waves: Waves, tails: _Tails, chosen: _Closings) -> _Stretches:
    """Walk back through the waves: the chosen sequences with their make-up pieces."""
    anew = len(case.kinds.length_um)
    wave, label = chosen.wave.copy(), chosen.label.copy()
    rows, nths, items, ats = [], [], [], []
    running = np.flatnonzero(wave > 0)
    while len(running):
        spot = (wave[running], chosen.leg[running], label[running])
        rows.append(running)
        nths.append(spot[0])
        items.append(spot[2])
        ats.append(waves.at_m[spot])
        label[running] = waves.parent[spot]
        wave[running] -= 1
        running = running[wave[running] > 0]
    for q in range(tails.kind.shape[1]):
        kind = np.where(chosen.tail >= 0, tails.kind[chosen.tail, q], -1)
        some = np.flatnonzero(kind != -1)
        rows.append(some)
        nths.append(chosen.wave[some] + 1 + q)
        items.append(kind[some])
        ats.append(np.zeros(len(some)))
    row, nth, item, at = (np.concatenate(parts) for parts in (rows, nths, items, ats))
    order = np.lexsort((nth, row))
    row, item, at = row[order], item[order], at[order]
    # a stretch begins with each row, and with each place where pieces begin anew
    begins = item == anew
    way = np.concatenate([np.arange(len(chosen.leg)), row[begins]])
    start = np.concatenate([case.track.start_m[chosen.leg], at[begins]])
    order = np.argsort(way, kind="stable")
    way, start = way[order], start[order]
    other = way[1:] != way[:-1]
    tail = chosen.tail[way]
    last = np.append(other, True)[: len(way)] & (tail >= 0)
    of_piece = (np.cumsum(begins) + row)[~begins]
    return _Stretches(
        way=way,
        leg=chosen.leg[way],
        start_m=start,
        joint=np.append(True, other)[: len(way)] & case.legs.start_joint[case.rows[chosen.leg[way]]],
        last=last,
        first=np.searchsorted(of_piece, np.arange(len(way) + 1)).astype(np.int64),
        kind=item[~begins],
        cut_from=np.where(last, tails.cut_from[tail], -1),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Spaced:
    """Stretches laid, with the gaps and the cut piece that close them.  p pieces, s stretches."""

    length_um: IntArray
    gap_um: IntArray
    """(p,) before each piece"""
    far_gap_um: IntArray
    """(s,)"""
    from_m: FloatArray
    to_m: FloatArray
    start_xy: FloatArray
    end_xy: FloatArray
    before: FloatArray
    """(p,) deflection of the joint before each piece, 0 where there is none"""
    behind: FloatArray
    """(s,)"""
    off_um: FloatArray
    """(s,) what is left to the end of the leg; nan where it is not to be closed"""
    keeps: BoolArray
    """(s,) every limit is kept"""


class _Spacing:
    """The one gap that closes each stretch, found in rounds: lay, see what is left, share it out."""

    def __init__(self, case: Case, part: _Stretches) -> None:
        self.case, self.part = case, part
        kinds, line = case.kinds, case.line
        count = np.diff(part.first)
        self.count, self.of = count, part.of_piece
        self.row = case.rows[part.leg]
        self.ring = case.legs.ring[self.row]
        self.head = np.zeros(len(self.of), dtype=np.bool_)
        self.head[part.first[:-1][count > 0]] = True
        self.joint = ~self.head | part.joint[self.of]
        self.far_joint = part.last & case.legs.far_joint[self.row] & (count > 0)
        self.target = np.where(part.last, case.track.far_m[part.leg], np.nan)
        # the seam's joint leads to the first piece of the leg
        first_of_way = np.searchsorted(part.way, part.way, side="left")
        self.seam_head = np.minimum(part.first[:-1][first_of_way], max(len(self.of) - 1, 0))
        self.least, self.most = float(line.gap_least_um), float(line.gap_greatest_um)
        self.free = np.flatnonzero(part.kind == -2)
        sections = np.array([s.laying_um for s in line.sections], dtype=np.int64)
        self.cut_most = (sections[part.cut_from] - line.kerf_um)[self.of[self.free]]
        self.length = np.append(kinds.length_um, [0, 0])[part.kind].astype(np.float64)
        self.length[self.free] = line.least_cut_um
        self.common = np.full(len(count), float(kinds.gap_um))
        self.lean, self.far_lean = np.zeros(len(self.of)), np.zeros(len(count))

    def gaps(self) -> tuple[FloatArray, FloatArray]:
        """The common gap, held at each joint within what its lean leaves."""
        both = []
        for joint, common, lean in (
            (self.joint, self.common[self.of], self.lean),
            (self.far_joint, self.common, self.far_lean),
        ):
            low = self.least + lean
            both.append(np.where(joint, np.clip(common, low, np.maximum(self.most - lean, low)), 0.0))
        return both[0], both[1]

    def lay(self, gap: FloatArray, far_gap: FloatArray) -> _Spaced:
        """Lay the stretches with these gaps."""
        part, legs = self.part, self.case.legs
        laid = walk(
            self.case.track.lines, part.leg, part.first, part.start_m,
            gap / _UM, self.length / _UM, far_gap / _UM,
        )  # fmt: skip
        before = np.zeros(len(self.of))
        before[1:] = turned(laid.angle[:-1], laid.angle[1:])
        heads = np.flatnonzero(self.head)
        at_start = turned(legs.start_angle[self.row[self.of[heads]]], laid.angle[heads])
        before[heads] = np.where(part.joint[self.of[heads]], at_start, 0.0)
        behind = np.zeros(len(self.count))
        k = np.flatnonzero(self.far_joint)
        onward = np.where(self.ring[k], laid.angle[self.seam_head[k]], legs.far_angle[self.row[k]])
        behind[k] = turned(laid.angle[part.first[1:][k] - 1], onward)
        off = (self.target - laid.reach_m) * _UM
        keeps = np.bincount(self.of[~self._keeps(self.joint, gap, before)], minlength=len(self.count)) == 0
        keeps &= self._keeps(self.far_joint, far_gap, behind) & self._closes(off)
        whole = [np.rint(v).astype(np.int64) for v in (self.length, gap, far_gap)]
        return _Spaced(
            whole[0], whole[1], whole[2], laid.from_m, laid.to_m, laid.start_xy, laid.end_xy,
            before, behind, off, keeps,
        )  # fmt: skip

    def _keeps(self, joint: BoolArray, gap: FloatArray, turn: FloatArray) -> BoolArray:
        line = self.case.line
        lean = lean_um(turn, line)
        good: BoolArray = ~joint | (
            (np.abs(turn) <= math.radians(line.deflection_deg + LIMIT_DEG))
            & (gap - lean >= self.least - 1.0)
            & (gap + lean <= self.most + 1.0)
        )
        return good

    def _closes(self, off_um: FloatArray) -> BoolArray:
        """Within the tolerance of the leg; a ring has none but what whole micrometres of its gaps make."""
        legs = self.case.legs
        rounding = np.maximum(self.count, CLOSES_UM)
        short = np.where(self.ring, rounding, np.maximum(legs.short_um[self.row], rounding))
        over = np.where(self.ring, rounding, np.maximum(legs.over_um[self.row], rounding))
        good: BoolArray = ~self.part.last | ((off_um <= short) & (off_um >= -over))
        return good

    def share(self, laid: _Spaced, gap: FloatArray, far_gap: FloatArray) -> None:
        """Let a cut piece take up what is left, else the joints that still can."""
        line = self.case.line
        self.lean = np.where(self.joint, lean_um(laid.before, line), 0.0)
        self.far_lean = np.where(self.far_joint, lean_um(laid.behind, line), 0.0)
        move = np.where(self.part.last & (self.count > 0), laid.off_um, 0.0)
        free, of = self.free, self.of[self.free]
        new = np.clip(self.length[free] + move[of], line.least_cut_um, self.cut_most)
        move[of] -= new - self.length[free]
        self.length[free] = new
        up = move > 0
        can = self.joint & _can(up[self.of], gap, self.least + self.lean, self.most - self.lean)
        far = self.far_joint & _can(up, far_gap, self.least + self.far_lean, self.most - self.far_lean)
        n = np.bincount(self.of[can], minlength=len(self.count)) + far
        self.common = np.clip(self.common + move / np.maximum(n, 1), self.least, self.most)


def _can(up: BoolArray, gap: FloatArray, least: FloatArray, most: FloatArray) -> BoolArray:
    """Whether gaps can still go up, or down."""
    out: BoolArray = np.where(up, gap < most - 0.5, gap > least + 0.5)
    return out


def _spaced(case: Case, part: _Stretches) -> _Spaced:
    """Lay stretches; those that are to close do so by one gap."""
    spacing = _Spacing(case, part)
    for _ in range(_STEPS - 1):
        gap, far_gap = spacing.gaps()
        laid = spacing.lay(gap, far_gap)
        spacing.share(laid, gap, far_gap)
    gap, far_gap = spacing.gaps()
    spacing.length = np.rint(spacing.length)
    return spacing.lay(np.rint(gap), np.rint(far_gap))


# ---------------------------------------------------------------- the whole


def lay_tight(
    legs: CurveLegs, track: Track, rows: IntArray, line: ProductLine, rules: CurveRules
) -> tuple[Laid, Bare]:
    """Lay legs with shorter pieces where sections break the limits.

    Parameters
    ----------
    legs, track : the curved legs; the lines of the legs ``rows``
    rows : (c,)
    line, rules : product line and choices

    Returns
    -------
    The pieces of every leg of ``rows``, and the stretches left bare.
    """
    case = Case(legs, track, rows, kinds_of(line), line)
    tails = _tails(case.kinds, line, rules.closer_limit)
    places = places_of(case)
    waves = reach_out(case, places)
    chosen = _farthest(case, waves)
    open_end = np.ones(len(rows), dtype=np.bool_)
    for every in (False, True):
        if not open_end.any():
            break
        ways = _closings(case, tails, waves, open_end, every=every)
        found = _first_that_keeps(case, waves, tails, ways)
        some = np.flatnonzero(found >= 0)
        for name in ("wave", "label", "tail"):
            getattr(chosen, name)[some] = getattr(ways, name)[found[some]]
        open_end[some] = False
    if open_end.any():
        whole = _every_sequence(case.kinds)
        few = _few_pieces(case, whole, open_end)
        step_legs = max(1, _EVERY_WAYS // len(whole.count))
        for at in range(0, len(few), step_legs):
            ways = _whole_ways(case, whole, few[at : at + step_legs])
            found = _first_that_keeps(case, waves, whole, ways, tries=_EVERY_TRIES)
            some = np.flatnonzero(found >= 0)
            chosen.wave[some], chosen.label[some] = 0, len(case.kinds.length_um)
            # behind the make-up pieces in one table
            chosen.tail[some] = len(tails.count) + ways.tail[found[some]]
        tails = _both(tails, whole)
    part = _stretches(case, waves, tails, chosen)
    return _table(case, places, part, _spaced(case, part))


def _every_sequence(kinds: Kinds) -> _Tails:
    """Every sequence of pieces, in place of make-up pieces, for legs so short that they can all be tried."""
    t = len(kinds.length_um)
    most = _EVERY_PIECES
    while most > 1 and sum(t**n for n in range(1, most + 1)) > _EVERY_ROWS:
        most -= 1
    table = np.concatenate(
        [
            np.pad(
                np.stack(np.meshgrid(*[np.arange(t)] * n, indexing="ij"), axis=-1).reshape(-1, n),
                ((0, 0), (0, most - n)),
                constant_values=-1,
            )
            for n in range(1, most + 1)
        ]
    ).astype(np.int64)
    lengths = np.append(kinds.length_um, 0)
    return _Tails(
        kind=table,
        count=(table != -1).sum(axis=1),
        length_um=lengths[table].sum(axis=1),
        closers=np.append(kinds.closer, False)[table].sum(axis=1),
        cuts=np.append(kinds.cut, False)[table].sum(axis=1),
        cut_from=np.full(len(table), -1, dtype=np.int64),
        plain=len(table),
    )


def _both(one: _Tails, two: _Tails) -> _Tails:
    """Two tables of pieces, one behind the other."""
    width = max(one.kind.shape[1], two.kind.shape[1])
    kind = [np.pad(t.kind, ((0, 0), (0, width - t.kind.shape[1])), constant_values=-1) for t in (one, two)]
    return _Tails(
        kind=np.concatenate(kind),
        count=np.concatenate([one.count, two.count]),
        length_um=np.concatenate([one.length_um, two.length_um]),
        closers=np.concatenate([one.closers, two.closers]),
        cuts=np.concatenate([one.cuts, two.cuts]),
        cut_from=np.concatenate([one.cut_from, two.cut_from]),
        plain=one.plain,
    )


def _few_pieces(case: Case, whole: _Tails, which: BoolArray) -> IntArray:
    """Legs of ``which`` that the longest sequence fills; there are too many sequences for longer ones."""
    rest = (case.track.far_m - case.track.start_m) * _UM
    longest = int(whole.length_um.max()) + (int(whole.count.max()) + 1) * case.line.gap_greatest_um
    return np.flatnonzero(which & (rest <= 1.05 * longest))


def _whole_ways(case: Case, whole: _Tails, leg: IntArray) -> _Closings:
    """Sequences that may fill these legs from end to end, in order of the goals."""
    legs, kinds, line, track = case.legs, case.kinds, case.line, case.track
    row, rest = case.rows[leg], (track.far_m - track.start_m)[leg] * _UM
    short, over = (np.where(legs.ring[row], 0, t[row]) for t in (legs.short_um, legs.over_um))
    joints = (
        whole.count
        - 1
        + np.where(legs.ring[row], 1, legs.start_joint[row].astype(np.int64) + legs.far_joint[row])[:, None]
    )
    left = rest[:, None] - whole.length_um - joints * kinds.gap_um
    # arcs are longer than their chords by up to (half the turn)^2 / 6, and no joint turns more than it may
    bend = math.radians(line.deflection_deg) ** 2 / 6 * whole.length_um
    fits = left >= -(joints * (kinds.gap_um - line.gap_least_um) + over[:, None] + 500.0)
    fits &= left <= joints * (line.gap_greatest_um - kinds.gap_um) + short[:, None] + bend + 500.0
    k, tail = np.nonzero(fits)
    keys = (
        np.abs(left[k, tail]) / np.maximum(joints[k, tail], 1),
        whole.closers[tail],
        whole.count[tail],
        whole.cuts[tail],
        leg[k],
    )
    order = np.lexsort(keys)
    start = np.full(len(order), len(kinds.length_um))
    return _Closings(leg[k][order], np.zeros(len(order), dtype=np.int64), start, tail[order])


def too_tight_for_sections(legs: CurveLegs, track: Track, rows: IntArray, line: ProductLine) -> BoolArray:
    """(c,) legs with a place that turns tighter than the shortest sections can follow.

    Closers stand there because no section can; the limit of closers a leg takes does not count them.

    Parameters
    ----------
    legs, track : the curved legs; the lines of the legs ``rows``
    rows : (c,)
    line : product line
    """
    kinds = kinds_of(line)
    places = places_of(Case(legs, track, rows, kinds, line))
    leg = np.repeat(np.arange(len(rows)), np.diff(places.offsets))
    reach = (2 * int(kinds.length_um.min()) + kinds.gap_um) / _UM
    inside = places.at_m + reach <= track.far_m[leg]
    radius = np.where(inside, places.radius_m, np.inf)
    least = least_radius_m(line, min(s.laying_um for s in line.sections))
    out: BoolArray = np.minimum.reduceat(radius, places.offsets[:-1]) < least
    return out


def _first_that_keeps(
    case: Case, waves: Waves, tails: _Tails, ways: _Closings, *, tries: int = _TRIES
) -> IntArray:
    """(r,) the first closing of each leg that keeps every limit as laid, -1 where none does."""
    found = np.full(len(case.rows), -1)
    nth = np.arange(len(ways.leg)) - np.searchsorted(ways.leg, ways.leg, side="left")
    # the best way of every leg first; then some at once of those that are left
    for low, high in ((0, 1), (1, 6), (6, _TRIES), *((n, n + 96) for n in range(_TRIES, tries, 96))):
        k = np.flatnonzero((nth >= low) & (nth < high) & (found[ways.leg] < 0))
        if not len(k):
            continue
        part = _stretches(case, waves, tails, ways.take(k))
        fails = part.way[~_spaced(case, part).keeps]
        good = k[np.bincount(fails, minlength=len(k)) == 0][::-1]
        found[ways.leg[good]] = good  # the first of each leg is written last
    return found


def _farthest(case: Case, waves: Waves) -> _Closings:
    """Of each leg the sequence that leaves least bare, its end open.

    Before a unit, or the first piece of a ring, so much stays bare that nothing can touch.
    """
    far = case.track.far_m
    bare = waves.bare_m + far[None, :, None] - waves.at_m
    clear = (case.line.gap_greatest_um + case.line.depth_um) / _UM
    end = far - np.where(case.legs.far_joint[case.rows], clear, -1e-9)
    ends = np.isfinite(bare) & (waves.at_m <= end[None, :, None])
    ends[0] = np.isfinite(bare[0])  # a leg may stay without a piece
    nth = np.arange(len(bare))[:, None, None]
    cost = np.where(ends, bare * 1e6 + nth * 1e-3, np.inf)
    r, u = bare.shape[1:]
    flat = cost.transpose(1, 0, 2).reshape(r, len(bare) * u).argmin(axis=1)
    wave, label = np.divmod(flat, u)
    return _Closings(np.arange(r), wave, label, np.full(r, -1))


def _without_islands(case: Case, part: _Stretches, laid: _Spaced) -> BoolArray:
    """(s,) stretches that are laid: nobody sets two pieces by themselves between bare places."""
    count = np.diff(part.first)
    length_m, some = np.zeros(len(count)), count > 0
    length_m[some] = laid.to_m[part.first[1:][some] - 1] - laid.from_m[part.first[:-1][some]]
    alone = (np.bincount(part.leg, minlength=len(case.rows))[part.leg] == 1) & part.last
    island = (count < 3) | (length_m < case.kinds.length_um.max() / _UM)
    stays: BoolArray = some & (alone | ~island)
    return stays


def _table(case: Case, places: Places, part: _Stretches, laid: _Spaced) -> tuple[Laid, Bare]:
    """Stretches as a table of pieces and a table of bare places."""
    legs, kinds, line, track = case.legs, case.kinds, case.line, case.track
    r = len(case.rows)
    of = part.of_piece
    pieces = np.flatnonzero(_without_islands(case, part, laid)[of])
    of = of[pieces]
    leg, kind = part.leg[of], part.kind[pieces]
    row = case.rows[leg]
    first = np.searchsorted(leg, np.arange(r + 1)).astype(np.int64)
    from_um, to_um = track.traced_um(leg, laid.from_m[pieces]), track.traced_um(leg, laid.to_m[pieces])
    length, gap = laid.length_um[pieces], laid.gap_um[pieces]
    # what is bare before the first piece of each stretch
    head, leg_head = np.ones(len(pieces), dtype=np.bool_), np.ones(len(pieces), dtype=np.bool_)
    head[1:], leg_head[1:] = of[1:] != of[:-1], leg[1:] != leg[:-1]
    begin = np.where(leg_head, legs.start_um[row], np.concatenate([[0], to_um[:-1]])[: len(to_um)])
    left = np.where(head, from_um - begin - gap, 0)
    left[np.abs(left) <= CLOSES_UM] = 0
    # and behind the last piece of each leg
    has = np.diff(first) > 0
    tail = first[1:][has] - 1
    end, stop = (legs.length_um - legs.far_um)[case.rows], legs.start_um[case.rows].copy()
    far_gap, far_turn, closes = np.zeros(r, np.int64), np.zeros(r), np.zeros(r, dtype=np.bool_)
    stop[has], far_gap[has], far_turn[has] = to_um[tail], laid.far_gap_um[of[tail]], laid.behind[of[tail]]
    closes[has] = part.last[of[tail]]
    far_left = end - stop - far_gap
    off = np.rint(laid.off_um[of[tail]][closes[has]]).astype(np.int64)
    far_left[closes] = np.where(np.abs(off) <= np.maximum(np.diff(first)[closes], CLOSES_UM), 0, off)
    bare = _bare(
        case,
        places,
        np.concatenate([leg[left != 0], np.flatnonzero(~closes & (far_left != 0))]),
        np.concatenate([begin[left != 0], stop[~closes & (far_left != 0)]]),
        np.concatenate([(from_um - gap)[left != 0], end[~closes & (far_left != 0)]]),
    )
    short = np.isin(case.rows, bare.row)
    is_cut = (kind == -2) | np.append(kinds.cut, [False, False])[kind]
    straight = np.where(kind >= 0, np.append(kinds.straight, [0, 0])[kind], part.cut_from[of])
    price = np.array([(s.article.price or 0) + line.laying_cost for s in line.straights], dtype=np.int64)
    costs = np.concatenate([[0], np.cumsum(price[straight] + is_cut * line.cut_cost)]).astype(np.int64)
    return Laid(
        row=case.rows,
        first=first,
        straight=straight,
        cut_um=np.where(is_cut, length, 0),
        length_um=length,
        from_um=from_um,
        to_um=to_um,
        start_xy=world(legs, row, laid.start_xy[pieces]),
        end_xy=world(legs, row, laid.end_xy[pieces]),
        gap_um=gap,
        left_over_um=left,
        deflection=laid.before[pieces],
        far_gap_um=far_gap,
        far_left_over_um=far_left,
        far_deflection=far_turn,
        cost=costs[first[1:]] - costs[first[:-1]],
        reason=np.where(
            short, np.where(has, FitReason.NOTHING_FITS, FitReason.NO_ROOM), FitReason.MET
        ).astype(np.int8),
        moved_m=track.moved_m,
    ), bare


def _bare(case: Case, places: Places, leg: IntArray, from_um: IntArray, to_um: IntArray) -> Bare:
    """Bare places in order, with the least radius in each."""
    order = np.lexsort((from_um, leg))
    leg, from_um, to_um = leg[order], from_um[order], to_um[order]
    low, high = (places.node(case.track, leg, case.track.own(leg, at / _UM)) for at in (from_um, to_um))
    # a piece that begins a little before the place is stopped by it as well
    low = np.maximum(low - 1, places.offsets[leg])
    spans = np.column_stack([low, np.maximum(high, low + 1)]).reshape(-1)
    radius = np.minimum.reduceat(np.append(places.radius_m, np.inf), spans)[::2] if len(leg) else np.empty(0)
    return Bare(case.rows[leg], from_um, to_um, radius)
