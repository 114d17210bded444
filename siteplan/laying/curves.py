"""Curved legs of rigid lines: which pieces lie in them, and where.

docs/curves.md says in words what is decided here, what is proven and what is not.  In short:

1. *Sections all along.*  The exact fit of straight legs is used with two corrections that are
   found by laying its answer along the curve: how much longer the curve is than its chords, and
   how much of each gap the lean of the end faces takes.  Two or three rounds bring both to rest.
2. *Fair lines.*  A leg that cannot be laid so on the line as traced is tried on the fair line
   (:mod:`siteplan.laying.fairing`).
3. *Shorter pieces where sections break the limits*, and bare stretches where nothing keeps them
   (:mod:`siteplan.laying.tight`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import Final

import numpy as np

from siteplan.laying.band import Stations
from siteplan.laying.chords import ChordLines, Walk, chord_lines, directions, turned, walk
from siteplan.laying.fairing import FairLines, fair
from siteplan.laying.fit import LegFits, fit_legs
from siteplan.laying.placement import Fill, LayFrom, LegPlan, MakeUp, fill_legs
from siteplan.model import NodeKind, Runs
from siteplan.products import Prefer, ProductLine
from siteplan.types import BoolArray, FloatArray, IntArray, KindArray, OffsetArray, XYArray

_UM: Final = 1e6
CLOSES_UM: Final = 2.0
"""a leg is closed when its last joint ends this near to where it should"""
LIMIT_DEG: Final = 1e-6
"""angles come from coordinates; 1e-6 degrees is 17 nm in a metre"""
_ROUNDS: Final = 12


@dataclass(frozen=True, slots=True)
class CurveRules:
    """How curved legs are filled: the estimator's choices of :class:`~siteplan.laying.takeoff.LayRules`."""

    prefer: Prefer
    closer_limit: int
    lay_from: LayFrom
    make_up: MakeUp
    within_m: float
    """a fair line goes no farther than this from the traced one"""


@dataclass(frozen=True, slots=True, eq=False)
class CurveLegs:
    """Curved legs seen in the direction they are laid.  c legs, v vertices."""

    leg: IntArray
    """(c,) index into the legs of the runs"""
    xy: XYArray
    """(v, 2) from each leg's own first vertex, scaled so that lengths are the leg's own"""
    walked_m: FloatArray
    offsets: OffsetArray
    origin: XYArray
    """(c, 2)"""
    scale: FloatArray
    """(c,) leg length over plan length: 1 but on a slope"""
    ring: BoolArray
    start_um: IntArray
    """(c,) what stands before the rest"""
    far_um: IntArray
    """(c,) what stands behind it"""
    length_um: IntArray
    start_joint: BoolArray
    far_joint: BoolArray
    """(c,) True where a joint follows the last piece; on a ring the joint to the first one"""
    start_free: BoolArray
    far_free: BoolArray
    start_angle: FloatArray
    """(c,) direction of what stands before the rest"""
    far_angle: FloatArray
    short_um: IntArray
    over_um: IntArray

    def __len__(self) -> int:
        return len(self.leg)

    @property
    def rest_um(self) -> IntArray:
        """(c,) what is to be filled, along the traced line."""
        return self.length_um - self.start_um - self.far_um


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """The lines pieces are laid on: as traced, or fair."""

    lines: ChordLines
    own_m: FloatArray
    """stations along the lines, every line clear of the next, and"""
    traced_m: FloatArray
    """what they are along the traced lines"""
    own_base: FloatArray
    traced_base: FloatArray
    moved_m: FloatArray
    """(c,) how far the line was moved at most"""
    start_m: FloatArray
    """(c,) where the rest starts, along the line"""
    far_m: FloatArray
    """(c,) where it ends"""

    def traced_um(self, leg: IntArray, at_m: FloatArray) -> IntArray:
        """Stations along the traced lines, whole um."""
        on = np.interp(at_m + self.own_base[leg], self.own_m, self.traced_m) - self.traced_base[leg]
        return np.rint(on * _UM).astype(np.int64)

    def own(self, leg: IntArray, traced_m: FloatArray) -> FloatArray:
        """Distances along the lines of stations along the traced ones, metres."""
        on: FloatArray = np.interp(traced_m + self.traced_base[leg], self.traced_m, self.own_m)
        return on - self.own_base[leg]


@dataclass(frozen=True, slots=True, eq=False)
class OnCurves:
    """Pieces on curved legs of a rigid line.  p pieces, c legs."""

    first: OffsetArray
    """(c + 1,) pieces of each leg"""
    straight: IntArray
    cut_um: IntArray
    length_um: IntArray
    """(p,) length of the piece, a chord of the line"""
    from_um: IntArray
    """(p,) station along the leg where the piece starts"""
    to_um: IntArray
    start_xy: XYArray
    """(p, 2) the two ends, on the laying line, ground metres"""
    end_xy: XYArray
    gap_um: IntArray
    """(p,) gap of the joint before the piece, 0 where there is none"""
    left_over_um: IntArray
    """(p,) what is left bare before the piece"""
    deflection: FloatArray
    """(p,) angle at the joint before the piece, left positive, radians; 0 where there is none"""
    far_gap_um: IntArray
    far_left_over_um: IntArray
    far_deflection: FloatArray
    """(c,) the same behind the last piece of each leg"""
    cost: IntArray
    reason: KindArray
    """(c,) FitReason"""
    moved_m: FloatArray
    """(c,) how far the fair line the pieces lie on goes from the traced one; 0 where they lie on that"""


@dataclass(frozen=True, slots=True, eq=False)
class Laid(OnCurves):
    """Pieces of some curved legs in laying order; stations are along the traced leg, the way laying goes."""

    row: IntArray
    """(c,) rows of the CurveLegs"""

    def take(self, which: BoolArray) -> Laid:
        """The legs ``which``."""
        count = np.diff(self.first)
        pieces = np.repeat(which, count)
        changed = {}
        for f in fields(self):
            values = getattr(self, f.name)
            changed[f.name] = (
                values[pieces if f.name in _OF_PIECE else which] if f.name != "first" else values
            )
        changed["first"] = np.concatenate([[0], np.cumsum(count[which])]).astype(np.int64)
        return Laid(**changed)


_OF_PIECE: Final = frozenset(
    {
        "straight", "cut_um", "length_um", "from_um", "to_um",
        "start_xy", "end_xy", "gap_um", "left_over_um", "deflection",
    }
)  # fmt: skip


def joined(parts: list[Laid]) -> Laid:
    """Several tables as one, in order of ``row``."""
    row = np.concatenate([p.row for p in parts])
    order = np.argsort(row, kind="stable")
    count = np.concatenate([np.diff(p.first) for p in parts])
    start = np.cumsum(count) - count
    first = np.concatenate([[0], np.cumsum(count[order])]).astype(np.int64)
    pieces = np.repeat(start[order] - first[:-1], count[order]) + np.arange(first[-1])
    out = {}
    for f in fields(Laid):
        if f.name != "first":
            values = np.concatenate([getattr(p, f.name) for p in parts])
            out[f.name] = values[pieces if f.name in _OF_PIECE else order]
    return Laid(first=first, **out)


@dataclass(frozen=True, slots=True, eq=False)
class Bare:
    """Stretches of curved legs that no piece of the line can follow.  b stretches."""

    row: IntArray
    from_um: IntArray
    """(b,) stations along the traced leg, in the direction of laying"""
    to_um: IntArray
    radius_m: FloatArray
    """(b,) least radius in the stretch, measured over two of the shortest pieces"""


# ---------------------------------------------------------------- the lines pieces are laid on


def curve_legs(
    runs: Runs,
    part: Stations,
    which: IntArray,
    start_um: IntArray,
    far_um: IntArray,
    start_joint: BoolArray,
    far_joint: BoolArray,
    short_um: IntArray,
    over_um: IntArray,
    *,
    back: bool,
) -> CurveLegs:
    """Legs ``which``, turned round where they are laid from their far ends.

    Parameters
    ----------
    runs, part : the runs and their stations
    which : (c,) legs
    start_um, far_um, start_joint, far_joint, short_um, over_um : (l,) of all legs, in walking order;
        a ring has no joint before its first piece and one behind its last
    back : True where legs are laid from their far ends
    """
    count = np.diff(runs.offsets)[which]
    offsets = np.concatenate([[0], np.cumsum(count)]).astype(np.int64)
    local = np.arange(offsets[-1]) - np.repeat(offsets[:-1], count)
    first, last = np.repeat(runs.offsets[which], count), np.repeat(runs.offsets[which + 1] - 1, count)
    source = last - local if back else first + local
    xy = runs.xy[source]
    leg = np.repeat(np.arange(len(which)), count)
    step = np.zeros(len(xy))
    step[1:] = np.hypot(*np.diff(xy, axis=0).T)
    step[offsets[:-1]] = 0.0
    keep = step > 0.0
    keep[offsets[:-1]] = True
    plan = np.add.reduceat(step, offsets[:-1])
    length = part.leg_um[which] / _UM
    scale = length / plan
    if runs.walked_m is None:
        walked = np.cumsum(step)
        walked = (walked - walked[offsets[:-1]][leg]) * scale[leg]
    else:
        whole = runs.walked_m[runs.offsets[which + 1] - 1][leg]
        at = runs.walked_m[source]
        walked = (whole - at if back else at) / whole * length[leg]
    origin = xy[offsets[:-1]]
    xy, walked, leg = ((xy - origin[leg]) * scale[leg][:, None])[keep], walked[keep], leg[keep]
    offsets = np.searchsorted(leg, np.arange(len(which) + 1)).astype(np.int64)
    ring = runs.far_kind[which] == NodeKind.SEAM
    xy[(offsets[1:] - 1)[ring]] = 0.0
    free = (runs.start_kind == NodeKind.FREE, runs.far_kind == NodeKind.FREE)
    taken, joints = (start_um, far_um), (start_joint, far_joint)
    if back:
        free, taken, joints = free[::-1], taken[::-1], joints[::-1]
    lines = chord_lines(xy, offsets, ring, 1.0)
    line = np.arange(len(which))
    rows = (taken[0][which], taken[1][which])
    return CurveLegs(
        leg=which,
        xy=xy,
        walked_m=walked,
        offsets=offsets,
        origin=origin,
        scale=scale,
        ring=ring,
        start_um=rows[0],
        far_um=rows[1],
        length_um=part.leg_um[which],
        start_joint=joints[0][which] & ~ring,
        far_joint=joints[1][which] | ring,
        start_free=free[0][which],
        far_free=free[1][which],
        start_angle=directions(lines, line, rows[0] / _UM, arriving=True),
        far_angle=directions(lines, line, lines.length_m - rows[1] / _UM, arriving=False),
        short_um=short_um[which],
        over_um=over_um[which],
    )


def traced_lines(legs: CurveLegs) -> FairLines:
    """The lines as traced."""
    return FairLines(legs.xy, legs.offsets, legs.walked_m, np.zeros(len(legs)))


def fair_lines(legs: CurveLegs, line: ProductLine, rows: IntArray, within_m: float) -> FairLines:
    """Fair lines of the legs ``rows``, held where units stand."""
    traced = traced_lines(legs).take(rows)
    shortest_m = min(s.laying_um for s in line.straights) / _UM
    ring = legs.ring[rows]
    made = fair(
        traced.xy,
        traced.traced_m,
        traced.offsets,
        ring,
        legs.start_um[rows] / _UM,
        (legs.length_um - legs.far_um)[rows] / _UM,
        within_m,
        max(shortest_m / 3, 0.0125),
    )
    # a ring no wider than the distance it may move by shrinks to a point: it stays as traced
    step = np.hypot(*np.diff(made.xy, axis=0).T)
    walked = np.concatenate([[0.0], np.cumsum(step)])
    lost = ring & (walked[made.offsets[1:] - 1] - walked[made.offsets[:-1]] < shortest_m)
    if not lost.any():
        return made
    both = FairLines(
        np.concatenate([made.xy, traced.xy]),
        np.concatenate([made.offsets, made.offsets[-1] + traced.offsets[1:]]),
        np.concatenate([made.traced_m, traced.traced_m]),
        np.concatenate([made.moved_m, traced.moved_m]),
    )
    return both.take(np.where(lost, len(rows), 0) + np.arange(len(rows)))


def track_of(legs: CurveLegs, line: ProductLine, rows: IntArray, made: FairLines) -> Track:
    """Lines of the legs ``rows`` ready for laying."""
    xy, traced, offsets = made.xy, made.traced_m, made.offsets
    ring = legs.ring[rows]
    start, far = legs.start_um[rows] / _UM, (legs.length_um - legs.far_um)[rows] / _UM
    beyond = 2 * max(s.laying_um for s in line.straights) / _UM + 1.0
    lines = chord_lines(xy, offsets, ring, beyond)
    # stations of the lines proper, walked again: their extensions are straight or go round
    step = np.zeros(len(xy))
    step[1:] = np.hypot(*np.diff(xy, axis=0).T)
    step[offsets[:-1]] = 0.0
    leg = np.repeat(np.arange(len(rows)), np.diff(offsets))
    own = np.cumsum(step)
    own -= own[offsets[:-1]][leg]
    own_base = np.concatenate([[0.0], np.cumsum(lines.length_m + 1.0)[:-1]])
    traced_base = np.concatenate([[0.0], np.cumsum(legs.length_um[rows] / _UM + 1.0)[:-1]])
    own_key, traced_key = own + own_base[leg], traced + traced_base[leg]
    return Track(
        lines=lines,
        own_m=own_key,
        traced_m=traced_key,
        own_base=own_base,
        traced_base=traced_base,
        moved_m=made.moved_m,
        start_m=np.interp(start + traced_base, traced_key, own_key) - own_base,
        far_m=np.interp(far + traced_base, traced_key, own_key) - own_base,
    )


# ---------------------------------------------------------------- sections all along


def lean_um(deflection: FloatArray, line: ProductLine) -> FloatArray:
    """What the lean of the end faces takes off and adds to a gap at the faces."""
    out: FloatArray = line.depth_um * np.sin(np.abs(deflection) / 2)
    return out


def deflections(
    legs: CurveLegs, rows: IntArray, first: OffsetArray, angle: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Angle at the joint before each piece, and behind the last of each leg; 0 where there is none."""
    count = np.diff(first)
    some = count > 0
    head, tail = first[:-1][some], first[1:][some] - 1
    before = np.zeros(len(angle))
    before[1:] = turned(angle[:-1], angle[1:])
    at_start = turned(legs.start_angle[rows][some], angle[head])
    before[head] = np.where(legs.start_joint[rows][some], at_start, 0.0)
    behind = np.zeros(len(rows))
    onward = np.where(legs.ring[rows][some], angle[head], legs.far_angle[rows][some])
    behind[some] = np.where(legs.far_joint[rows][some], turned(angle[tail], onward), 0.0)
    return before, behind


def _plan(legs: CurveLegs, rows: IntArray, fits: LegFits) -> LegPlan:
    """What the order of pieces and the sharing of gaps needs."""
    none = np.full(len(rows), -1, dtype=np.int64)
    return LegPlan(
        start_um=legs.start_um[rows],
        far_um=legs.far_um[rows],
        start_end=none,
        far_end=none,
        far_corner=none,
        start_joint=legs.start_joint[rows],
        far_joint=legs.far_joint[rows],
        ring=legs.ring[rows],
        start_free=legs.start_free[rows],
        far_free=legs.far_free[rows],
        counts=fits.counts,
        cut_um=fits.cut_um,
        cut_from=fits.cut_from,
        gap_total_um=fits.gap_total_um,
        left_over_um=fits.left_over_um,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Trial:
    """One answer of the fit laid along its curves."""

    fits: LegFits
    fill: Fill
    walk: Walk
    before: FloatArray
    behind: FloatArray
    off_um: FloatArray
    """(c,) how far the last joint ends from where it should"""
    need_um: IntArray
    """(c,) what the lean of the faces takes of the gaps at most"""
    bends: BoolArray
    """(c,) no joint turns by more than the line allows"""


def _try(
    legs: CurveLegs,
    track: Track,
    rows: IntArray,
    local: IntArray,
    excess_um: FloatArray,
    narrow_um: IntArray,
    line: ProductLine,
    rules: CurveRules,
) -> _Trial:
    """Fit the legs with these corrections, and lay the answer along the curves."""
    rest = np.rint((track.far_m - track.start_m)[local] * _UM - excess_um).astype(np.int64)
    units = legs.start_joint[rows].astype(np.int64) + (legs.far_joint & ~legs.ring)[rows]
    middle = (line.gap_least_um + line.gap_greatest_um) // 2
    fits = fit_legs(
        rest,
        units,
        legs.ring[rows],
        legs.short_um[rows],
        legs.over_um[rows],
        line,
        prefer=rules.prefer,
        closer_limit=rules.closer_limit,
        gap_least_um=np.minimum(line.gap_least_um + narrow_um, middle + 1),
        gap_greatest_um=np.maximum(line.gap_greatest_um - narrow_um, middle),
    )
    fill = fill_legs(_plan(legs, rows, fits), line, rules.make_up)
    laid = walk(
        track.lines,
        local,
        fill.first,
        track.start_m[local],
        (fill.gap_before_um + fill.left_over_before_um) / _UM,
        fill.laying_um / _UM,
        (fill.last_gap_um + fill.last_left_over_um) / _UM,
    )
    before, behind = deflections(legs, rows, fill.first, laid.angle)
    most = np.abs(behind)
    np.maximum.at(most, fill.leg, np.abs(before))
    return _Trial(
        fits=fits,
        fill=fill,
        walk=laid,
        before=before,
        behind=behind,
        off_um=(track.far_m[local] - laid.reach_m) * _UM,
        need_um=np.ceil(lean_um(most, line) - 1e-6).astype(np.int64),
        bends=most <= math.radians(line.deflection_deg + LIMIT_DEG),
    )


def lay_sections(
    legs: CurveLegs, track: Track, rows: IntArray, line: ProductLine, rules: CurveRules
) -> tuple[Laid, BoolArray]:
    """Lay legs with sections all along, make-up pieces as on a straight leg.

    Parameters
    ----------
    legs, track : the curved legs; the lines of the legs ``rows``
    rows : (c,)
    line, rules : product line and choices

    Returns
    -------
    The pieces of the legs whose joints keep the limits (met, or unmet because no fill meets
    them), and which of ``rows`` those are.
    """
    parts: list[Laid] = []
    good = np.zeros(len(rows), dtype=np.bool_)
    local = np.arange(len(rows))
    excess, narrow = np.zeros(len(rows)), np.zeros(len(rows), dtype=np.int64)
    for turn in range(_ROUNDS):
        if not len(local):
            break
        trial = _try(legs, track, rows[local], local, excess[local], narrow[local], line, rules)
        rests = (np.abs(trial.off_um) <= CLOSES_UM) & (trial.need_um <= narrow[local])
        possible = 2 * narrow[local] <= line.gap_greatest_um - line.gap_least_um
        done = rests & possible & trial.bends
        if done.any():
            parts.append(_laid(legs, track, rows[local], local, trial, line).take(done))
            good[local[done]] = True
        excess[local] -= trial.off_um
        # the first rounds are laid too far or too short: only later is a joint's need final
        narrow[local] = trial.need_um if turn < 2 else np.maximum(narrow[local], trial.need_um)
        hopeless = (turn >= 2) & (~trial.bends | ~possible) & rests
        local = local[~done & ~hopeless]
    return (joined(parts) if parts else _no_pieces()), good


def _no_pieces() -> Laid:
    whole = np.empty(0, np.int64)
    real = np.empty(0)
    xy = np.empty((0, 2))
    zero = np.zeros(1, np.int64)
    return Laid(
        zero, whole, whole, whole, whole, whole, xy, xy, whole, whole, real,
        whole, whole, real, whole, np.empty(0, np.int8), real, whole,
    )  # fmt: skip


def world(legs: CurveLegs, row: IntArray, xy: XYArray) -> XYArray:
    """Points of lines back in ground metres."""
    return legs.origin[row] + xy / legs.scale[row][:, None]


def _laid(
    legs: CurveLegs, track: Track, rows: IntArray, local: IntArray, trial: _Trial, line: ProductLine
) -> Laid:
    """A trial as a table of pieces."""
    fill, laid = trial.fill, trial.walk
    piece_row, piece_line = rows[fill.leg], local[fill.leg]
    return Laid(
        row=rows,
        first=fill.first,
        straight=fill.straight,
        cut_um=fill.cut_um,
        length_um=fill.laying_um,
        from_um=track.traced_um(piece_line, laid.from_m),
        to_um=track.traced_um(piece_line, laid.to_m),
        start_xy=world(legs, piece_row, laid.start_xy),
        end_xy=world(legs, piece_row, laid.end_xy),
        gap_um=fill.gap_before_um,
        left_over_um=fill.left_over_before_um,
        deflection=trial.before,
        far_gap_um=fill.last_gap_um,
        far_left_over_um=fill.last_left_over_um,
        far_deflection=trial.behind,
        cost=trial.fits.cost,
        reason=trial.fits.reason,
        moved_m=track.moved_m[local],
    )
