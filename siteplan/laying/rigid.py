"""All curved legs of a rigid line: tried, chosen, and turned into walking order."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from siteplan.laying.band import Stations
from siteplan.laying.closing import lay_tight, too_tight_for_sections
from siteplan.laying.curves import (
    Bare,
    CurveLegs,
    CurveRules,
    Laid,
    OnCurves,
    curve_legs,
    fair_lines,
    joined,
    lay_sections,
    traced_lines,
    track_of,
)
from siteplan.laying.fairing import FairLines
from siteplan.laying.fit_types import FitReason
from siteplan.model import Runs
from siteplan.products import ProductLine
from siteplan.types import BoolArray, FloatArray, IntArray

_BLOCK: Final = 1_000
"""legs laid together; bounds the memory"""


@dataclass(frozen=True, slots=True, eq=False)
class CurvePieces(OnCurves):
    """Pieces on all curved legs, in walking order.  b bare stretches."""

    leg: IntArray
    """(c,) legs, increasing"""
    bare_leg: IntArray
    bare_from_um: IntArray
    bare_to_um: IntArray
    bare_radius_m: FloatArray
    """(b,) least radius in the stretch"""

    @property
    def piece_leg(self) -> IntArray:
        """(p,) leg of each piece."""
        return np.repeat(self.leg, np.diff(self.first))

    @property
    def gap_total_um(self) -> IntArray:
        """(c,) sum of the joint gaps."""
        return self._sum(self.gap_um) + self.far_gap_um

    @property
    def left_over_total_um(self) -> IntArray:
        """(c,) sum of what is left bare."""
        return self._sum(self.left_over_um) + self.far_left_over_um

    @property
    def length_total_um(self) -> IntArray:
        """(c,) sum of the lengths of the pieces."""
        return self._sum(self.length_um)

    def _sum(self, values: IntArray) -> IntArray:
        sums = np.concatenate([[0], np.cumsum(values)]).astype(np.int64)
        return sums[self.first[1:]] - sums[self.first[:-1]]


def lay_curves(
    runs: Runs,
    part: Stations,
    which: IntArray,
    start_um: IntArray,
    far_um: IntArray,
    start_joint: BoolArray,
    far_joint: BoolArray,
    short_um: IntArray,
    over_um: IntArray,
    line: ProductLine,
    rules: CurveRules,
) -> CurvePieces:
    """Lay the curved legs ``which`` of a rigid line.

    Parameters
    ----------
    runs, part : the runs and their stations
    which : (c,) legs, increasing
    start_um, far_um : (l,) what stands at the ends of the legs
    start_joint, far_joint : (l,) True where a unit stands there
    short_um, over_um : (l,) fit tolerances
    line : a rigid product line
    rules : how legs are filled and laid

    Returns
    -------
    CurvePieces.
    """
    parts: list[tuple[CurveLegs, Laid, Bare]] = []
    for at in range(0, len(which), _BLOCK):
        legs = curve_legs(
            runs, part, which[at : at + _BLOCK], start_um, far_um, start_joint, far_joint, short_um, over_um,
            back=rules.lay_from == "far",
        )  # fmt: skip
        parts.append((legs, *_lay_block(legs, line, rules)))
    return _walking_order(parts, back=rules.lay_from == "far")


def _lay_block(legs: CurveLegs, line: ProductLine, rules: CurveRules) -> tuple[Laid, Bare]:
    """Sections all along, on the traced or else on the fair line; shorter pieces on the fairest."""
    laid: list[Laid] = []
    left, lines = np.arange(len(legs)), traced_lines(legs)
    for within_m in (0.0, rules.within_m):
        if not len(left) or (within_m == 0.0 and laid):
            break
        if within_m > 0.0:
            lines = fair_lines(legs, line, left, within_m)
        track = track_of(legs, line, left, lines)
        made, good = lay_sections(legs, track, left, line, rules)
        laid.append(_with_closers(legs, lines, left, made, line, rules))
        left, lines = left[~good], lines.take(np.flatnonzero(~good))
    if not len(left):
        none = np.empty(0, np.int64)
        return joined(laid), Bare(none, none, none, np.empty(0))
    made, bare = lay_tight(legs, track_of(legs, line, left, lines), left, line, rules)
    return joined([*laid, made]), bare


def _with_closers(
    legs: CurveLegs,
    lines: FairLines,
    rows: IntArray,
    made: Laid,
    line: ProductLine,
    rules: CurveRules,
) -> Laid:
    """Legs that the limit of closers leaves unmet, laid with more where they are too tight for sections."""
    unmet = np.flatnonzero(np.isin(rows, made.row[made.reason != FitReason.MET]))
    if not len(unmet):
        return made
    own = track_of(legs, line, rows[unmet], lines.take(unmet))
    again = unmet[too_tight_for_sections(legs, own, rows[unmet], line)]
    if not len(again):
        return made
    if len(again) < len(unmet):
        own = track_of(legs, line, rows[again], lines.take(again))
    better, _ = lay_tight(legs, own, rows[again], line, rules)
    met = better.reason == FitReason.MET
    return joined([made.take(~np.isin(made.row, better.row[met])), better.take(met)])


def _walking_order(parts: list[tuple[CurveLegs, Laid, Bare]], *, back: bool) -> CurvePieces:
    """Tables of all blocks as one, turned round where legs were laid from their far ends."""
    turned = [_turned(legs, laid, bare) if back else (laid, bare) for legs, laid, bare in parts]
    laid_of = [a for a, _ in turned]
    legs_of = [legs for legs, _, _ in parts]

    def column(name: str) -> np.ndarray:
        values = [getattr(a, name) for a in laid_of]
        if values:
            return np.concatenate(values)
        kind = (
            np.float64
            if name in {"deflection", "far_deflection", "moved_m", "start_xy", "end_xy"}
            else np.int64
        )
        return np.empty((0, 2) if name.endswith("_xy") else 0, kind)

    def bare_column(name: str) -> np.ndarray:
        return np.concatenate([getattr(b, name) for _, b in turned]) if turned else np.empty(0)

    count = np.concatenate([np.diff(a.first) for a in laid_of]) if laid_of else np.empty(0, np.int64)
    leg = np.concatenate(
        [g.leg[a.row] for g, a in zip(legs_of, laid_of, strict=True)] or [np.empty(0, np.int64)]
    )
    bare_leg = np.concatenate(
        [g.leg[b.row] for g, (_, b) in zip(legs_of, turned, strict=True)] or [np.empty(0, np.int64)]
    )
    ring = np.concatenate(
        [g.ring[a.row] for g, a in zip(legs_of, laid_of, strict=True)] or [np.empty(0, bool)]
    )
    first = np.concatenate([[0], np.cumsum(count)]).astype(np.int64)
    gap, left, deflection = (
        column("gap_um").copy(),
        column("left_over_um").copy(),
        column("deflection").copy(),
    )
    far_gap, far_left = column("far_gap_um").copy(), column("far_left_over_um").copy()
    far_deflection = column("far_deflection").copy()
    # the joint that closes a ring is the one before its first piece
    seam = np.flatnonzero(ring & (count > 0))
    for before, behind in ((gap, far_gap), (left, far_left), (deflection, far_deflection)):
        before[first[seam]] += behind[seam]
        behind[seam] = 0
    return CurvePieces(
        leg=leg,
        first=first,
        straight=column("straight"),
        cut_um=column("cut_um"),
        length_um=column("length_um"),
        from_um=column("from_um"),
        to_um=column("to_um"),
        start_xy=column("start_xy"),
        end_xy=column("end_xy"),
        gap_um=gap,
        left_over_um=left,
        deflection=deflection,
        far_gap_um=far_gap,
        far_left_over_um=far_left,
        far_deflection=far_deflection,
        cost=column("cost"),
        reason=column("reason"),
        moved_m=column("moved_m"),
        bare_leg=bare_leg,
        bare_from_um=bare_column("from_um").astype(np.int64),
        bare_to_um=bare_column("to_um").astype(np.int64),
        bare_radius_m=bare_column("radius_m").astype(np.float64),
    )


def _turned(legs: CurveLegs, laid: Laid, bare: Bare) -> tuple[Laid, Bare]:
    """A table laid from the far ends, in walking order."""
    count = np.diff(laid.first)
    leg = np.repeat(np.arange(len(count)), count)
    n = len(leg)
    other = (laid.first[:-1] + laid.first[1:] - 1)[leg] - np.arange(n)
    length = legs.length_um[laid.row][leg]
    # joints of a leg, one more than its pieces, the other way round
    last = np.zeros(n, dtype=np.bool_)
    last[laid.first[1:][count > 0] - 1] = True

    def joints(before: np.ndarray, behind: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        after = np.append(before[1:], 0)
        after[last] = behind[count > 0]
        new_behind = behind.copy()
        new_behind[count > 0] = before[laid.first[:-1][count > 0]]
        return after[other], new_behind

    gap, far_gap = joints(laid.gap_um, laid.far_gap_um)
    left, far_left = joints(laid.left_over_um, laid.far_left_over_um)
    deflection, far_deflection = joints(-laid.deflection, -laid.far_deflection)
    order = np.lexsort((-bare.from_um, bare.row))
    total = legs.length_um[bare.row[order]]
    return Laid(
        row=laid.row,
        first=laid.first,
        straight=laid.straight[other],
        cut_um=laid.cut_um[other],
        length_um=laid.length_um[other],
        from_um=length - laid.to_um[other],
        to_um=length - laid.from_um[other],
        start_xy=laid.end_xy[other],
        end_xy=laid.start_xy[other],
        gap_um=gap,
        left_over_um=left,
        deflection=deflection,
        far_gap_um=far_gap,
        far_left_over_um=far_left,
        far_deflection=far_deflection,
        cost=laid.cost,
        reason=laid.reason,
        moved_m=laid.moved_m,
    ), Bare(bare.row[order], total - bare.to_um[order], total - bare.from_um[order], bare.radius_m[order])
