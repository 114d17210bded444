"""Corners a flexible line is bent round: the corner becomes an arc and its two legs one.

With the radius ``r`` and the turn ``t`` the arc leaves each leg ``r tan(t / 2)`` before the
corner and is ``r t`` long, so the run gets shorter by ``2 r tan(t / 2) - r t`` (plane
trigonometry).  A bend is made where no way before it can make the corner and the legs are
straight that far; two bends that want the same stretch of a leg are not both made: walking
along the run, the one at the leg's far end is left to the ways after it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from siteplan.errors import UsageError
from siteplan.laying.corner_units import WAYS, CornerHow, CornerWay, corner_ways, leaving_legs
from siteplan.laying.leg_ends import first_of_streak
from siteplan.laying.lines import lines_in_use
from siteplan.model import NodeKind, Runs
from siteplan.planar import ragged
from siteplan.products import ProductLine
from siteplan.types import BoolArray, FloatArray, IntArray, ObjectArray, XYArray

_SAGITTA_M: Final = 2e-5
"""an arc's chords lie this close to it: a fiftieth of a millimetre"""
_LEAST_CHORDS: Final = 4


@dataclass(frozen=True, slots=True, eq=False)
class Bends:
    """Corners that were bent round.  b bends, in order of leg."""

    leg_id: ObjectArray
    """(b,) str: the leg that came to the corner; its own leg now, or part of the leg before it"""
    run: IntArray
    corner_xy: XYArray
    """(b, 2) where the corner was"""
    turn_deg: FloatArray
    radius_m: FloatArray
    """(b,) of the laying line"""
    arc_m: FloatArray
    shorter_m: FloatArray
    """(b,) how much shorter the run is than round the corner"""
    away_m: FloatArray
    """(b,) how far the arc stays from the corner: ``r / cos(t / 2) - r``"""

    def __len__(self) -> int:
        return len(self.run)


def bend_corners(
    runs: Runs,
    line: ProductLine | Sequence[ProductLine],
    by: Sequence[CornerWay] = WAYS,
    by_bed: Mapping[int, Sequence[CornerWay]] | None = None,
) -> tuple[Runs, Bends]:
    """Bend flexible lines round the corners that are to be made so.

    Parameters
    ----------
    runs : runs on the laying line, in plan
    line : product line, or the lines ``runs.line`` counts into; the corners of a line are not bent
        unless its corner rules give a least radius
    by, by_bed : ways in the order they are tried, for all beds and for single ones, by index

    Returns
    -------
    Runs in which the two legs of a bent corner are one curved leg, named after the first of the
    two, and the bends.  Other legs keep their ids.  A closed run whose first corner is bent
    starts at its first corner that is left; if none is left it starts where its first leg did,
    behind the bend there, and is a ring without corners.

    Raises
    ------
    UsageError : runs that follow a slope; they are bent before that.
    """
    lines, of_run = lines_in_use(runs, line)
    made = []
    # bends make legs one, and leave the runs as they are
    for k, one in enumerate(lines):
        runs, bends = _bend_line(runs, one, of_run == k, by, by_bed or {})
        made.append(bends)
    if len(made) == 1:
        return runs, made[0]
    run = np.concatenate([b.run for b in made])
    order = np.argsort(run, kind="stable")
    return runs, Bends(*(np.concatenate([getattr(b, n) for b in made])[order] for n in Bends.__slots__))


def _bend_line(
    runs: Runs,
    line: ProductLine,
    of_line: BoolArray,
    by: Sequence[CornerWay],
    by_bed: Mapping[int, Sequence[CornerWay]],
) -> tuple[Runs, Bends]:
    """Bend one line round corners of its runs, which ``of_line`` flags."""
    radius_um = line.corner_rules.bend_radius_um
    wanted = np.zeros(len(runs.corner_leg), dtype=np.bool_)
    if radius_um is not None and line.behaviour == "flexible" and len(wanted):
        if runs.walked_m is not None:
            raise UsageError("corners are bent before a run is laid along a slope")
        wanted = _wanted(runs, line, by, by_bed) & of_line[runs.leg_run[runs.corner_leg]]
    if not wanted.any() or radius_um is None:
        return runs, _no_bends()
    radius_m = radius_um / 1e6
    tangent_m = radius_m * np.tan(np.radians(np.abs(runs.corner_turn_deg)) / 2)
    bent = _with_room(runs, wanted, tangent_m)
    turn = np.radians(np.abs(runs.corner_turn_deg[bent]))
    arriving = runs.corner_leg[bent]
    bends = Bends(
        leg_id=runs.leg_id[arriving],
        run=runs.leg_run[arriving],
        corner_xy=runs.corner_xy[bent],
        turn_deg=runs.corner_turn_deg[bent],
        radius_m=np.full(len(turn), radius_m),
        arc_m=radius_m * turn,
        shorter_m=2 * tangent_m[bent] - radius_m * turn,
        away_m=radius_m / np.cos(turn / 2) - radius_m,
    )
    return (_bent(runs, bent, tangent_m, radius_m), bends) if len(bends) else (runs, bends)


def _no_bends() -> Bends:
    none = np.empty(0)
    return Bends(np.empty(0, object), np.empty(0, np.int64), np.empty((0, 2)), none, none, none, none, none)


def _wanted(
    runs: Runs, line: ProductLine, by: Sequence[CornerWay], by_bed: Mapping[int, Sequence[CornerWay]]
) -> BoolArray:
    """(c,) no way before the bend makes the corner."""

    def before(ways: Sequence[CornerWay]) -> tuple[CornerWay, ...]:
        return tuple(ways[: list(ways).index("bend")]) if "bend" in ways else ()

    bed = runs.bed[runs.leg_run[runs.corner_leg]]
    asked = np.full(len(bed), "bend" in by)
    for index, ways in by_bed.items():
        asked[bed == index] = "bend" in ways
    found = corner_ways(runs, line, before(by), {b: before(w) for b, w in by_bed.items()}, reasons=False)
    number = np.arange(len(bed))
    first = found.order[number, found.next(np.zeros(len(bed), dtype=np.int64))]
    asked &= first == CornerHow.BARE
    return asked


def _with_room(runs: Runs, wanted: BoolArray, tangent_m: FloatArray) -> BoolArray:
    """(c,) bends whose legs are straight far enough, no two of them on the same stretch."""
    step = np.zeros(len(runs.xy))
    step[:-1] = np.hypot(*np.diff(runs.xy, axis=0).T)
    first_m, last_m = step[runs.offsets[:-1]], step[runs.offsets[1:] - 2]
    arriving, leaving = runs.corner_leg, leaving_legs(runs)
    slack = 1e-9
    bent = wanted & (tangent_m <= last_m[arriving] + slack) & (tangent_m <= first_m[leaving] + slack)
    at_start = np.full(len(runs.leg_id), -1, dtype=np.int64)
    at_far = at_start.copy()
    at_start[leaving], at_far[arriving] = np.arange(len(bent)), np.arange(len(bent))
    both = (at_start >= 0) & (at_far >= 0) & runs.straight
    while True:
        crowded = both & bent[at_start] & bent[at_far]
        crowded &= tangent_m[at_start] + tangent_m[at_far] > first_m + slack
        if not crowded.any():
            return bent
        bent[at_far[first_of_streak(runs, crowded)]] = False


@dataclass(frozen=True, slots=True, eq=False)
class _Arcs:
    """Vertices of the arcs, tangent points included."""

    xy: XYArray
    first: IntArray
    """(c + 1,) vertices of each corner's arc, none where it is not bent"""


def _arcs(runs: Runs, bent: BoolArray, tangent_m: FloatArray, radius_m: float) -> _Arcs:
    """Arcs round the bent corners."""
    corner = np.flatnonzero(bent)
    arriving, leaving = runs.corner_leg[corner], leaving_legs(runs)[corner]
    last, first = runs.offsets[arriving + 1] - 1, runs.offsets[leaving]
    one, two = runs.xy[last] - runs.xy[last - 1], runs.xy[first + 1] - runs.xy[first]
    one, two = (v / np.hypot(v[:, 0], v[:, 1])[:, None] for v in (one, two))
    turn = np.arctan2(one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0], np.einsum("ij,ij->i", one, two))
    step = 2 * np.arccos(1 - _SAGITTA_M / radius_m)
    chords = np.maximum(np.ceil(np.abs(turn) / step).astype(np.int64), _LEAST_CHORDS)
    of = np.repeat(np.arange(len(corner)), chords + 1)
    nth = ragged(np.zeros(len(corner), dtype=np.int64), chords + 1)
    angle = (np.abs(turn) / chords)[of] * nth
    normal = np.sign(turn)[:, None] * np.column_stack([-one[:, 1], one[:, 0]])
    start = runs.corner_xy[corner] - one * tangent_m[corner, None]
    xy = start[of] + radius_m * (np.sin(angle)[:, None] * one[of] + (1 - np.cos(angle))[:, None] * normal[of])
    size = np.zeros(len(bent), dtype=np.int64)
    size[corner] = chords + 1
    return _Arcs(xy, np.concatenate([[0], np.cumsum(size)]).astype(np.int64))


def _bent(runs: Runs, bent: BoolArray, tangent_m: FloatArray, radius_m: float) -> Runs:
    """Runs with the bent corners taken out; only runs with a bend are looked at one by one."""
    bend_at = np.full(len(runs.leg_id), -1, dtype=np.int64)
    bend_at[runs.corner_leg[bent]] = np.flatnonzero(bent)
    groups = _groups(runs, bend_at)
    arcs = _arcs(runs, bent, tangent_m, radius_m)
    xy = [_group_xy(runs, legs, ring, bend_at, arcs) for legs, ring in groups]
    first = np.array([legs[0] for legs, _ in groups], dtype=np.int64)
    last = np.array([legs[-1] for legs, _ in groups], dtype=np.int64)
    ring = np.array([r for _, r in groups], dtype=np.bool_)
    joined = np.array([len(legs) > 1 for legs, _ in groups]) | ring
    flat = np.concatenate([legs for legs, _ in groups])
    offsets = np.concatenate([[0], np.cumsum([len(legs) for legs, _ in groups])])[:-1]
    less = np.zeros(len(runs.leg_id))
    turn = np.radians(np.abs(runs.corner_turn_deg[bent]))
    np.add.at(less, runs.corner_leg[bent], 2 * tangent_m[bent] - radius_m * turn)
    leg_run = runs.leg_run[first]
    new_leg = np.empty(len(runs.leg_id), dtype=np.int64)
    new_leg[flat] = np.repeat(np.arange(len(groups)), [len(legs) for legs, _ in groups])
    kept = np.flatnonzero(~bent)
    kept = kept[np.argsort(new_leg[runs.corner_leg[kept]], kind="stable")]

    def of(values: FloatArray | None, rows: IntArray, other: float) -> FloatArray | None:
        return None if values is None else np.where(ring, other, values[rows])

    def sums(values: FloatArray | None) -> FloatArray | None:
        """Lengths along the tracing are shorter by the same as those laid."""
        return None if values is None else np.add.reduceat((values - less)[flat], offsets)

    sigma = runs.corrected_sigma_m
    seam = np.int8(NodeKind.SEAM)
    return replace(
        runs,
        leg_offsets=np.searchsorted(leg_run, np.arange(len(runs.run_id) + 1)).astype(np.int64),
        leg_id=runs.leg_id[first],
        leg_run=leg_run,
        xy=np.concatenate(xy),
        offsets=np.concatenate([[0], np.cumsum([len(v) for v in xy])]).astype(np.int64),
        length_m=np.add.reduceat((runs.length_m - less)[flat], offsets),
        start_kind=np.where(ring, seam, runs.start_kind[first]),
        far_kind=np.where(ring, seam, runs.far_kind[last]),
        start_turn_deg=np.where(ring, 0.0, runs.start_turn_deg[first]),
        far_turn_deg=np.where(ring, 0.0, runs.far_turn_deg[last]),
        straight=runs.straight[first] & ~joined,
        left_radius_m=np.minimum.reduceat(runs.left_radius_m[flat], offsets),
        right_radius_m=np.minimum.reduceat(runs.right_radius_m[flat], offsets),
        straightened_m=np.maximum.reduceat(runs.straightened_m[flat], offsets),
        corner_xy=runs.corner_xy[kept],
        corner_leg=new_leg[runs.corner_leg[kept]],
        corner_turn_deg=runs.corner_turn_deg[kept],
        corner_moved_m=runs.corner_moved_m[kept],
        start_meet_deg=of(runs.start_meet_deg, first, 90.0),
        far_meet_deg=of(runs.far_meet_deg, last, 90.0),
        edge_radius_m=_group_radii(runs, groups, xy),
        traced_m=sums(runs.traced_m),
        corrected_m=sums(runs.corrected_m),
        corrected_sigma_m=None if sigma is None else np.sqrt(np.add.reduceat(sigma[flat] ** 2, offsets)),
    )


def _group_radii(runs: Runs, groups: list[tuple[IntArray, bool]], xy: list[XYArray]) -> FloatArray | None:
    """Radii of fitted arcs: kept on legs that stay as they are, not known on those joined by a bend."""
    if runs.edge_radius_m is None:
        return None
    made = [
        runs.edge_radius_m[runs.offsets[legs[0]] : runs.offsets[legs[0] + 1]]
        if len(legs) == 1 and not ring
        else np.full(len(line), np.nan)
        for (legs, ring), line in zip(groups, xy, strict=True)
    ]
    return np.concatenate(made)


def _groups(runs: Runs, bend_at: IntArray) -> list[tuple[IntArray, bool]]:
    """Legs that become one, in the new order; True where they make a whole ring."""
    groups: list[tuple[IntArray, bool]] = []
    joins = bend_at >= 0
    for run in range(len(runs.run_id)):
        legs = np.arange(runs.leg_offsets[run], runs.leg_offsets[run + 1])
        join = joins[legs]
        if not join.any():
            groups += [(legs[k : k + 1], False) for k in range(len(legs))]
            continue
        if join.all():
            groups.append((legs, True))
            continue
        if runs.closed[run] and join[-1]:
            # start behind the first corner that is left
            turn = int(np.flatnonzero(~join)[0]) + 1
            legs, join = np.roll(legs, -turn), np.roll(join, -turn)
        cuts = np.flatnonzero(~join) + 1
        groups += [(part, False) for part in np.split(legs, cuts) if len(part)]
    return groups


def _group_xy(runs: Runs, legs: IntArray, ring: bool, bend_at: IntArray, arcs: _Arcs) -> XYArray:
    """Vertices of legs that become one."""
    first, last = runs.offsets[legs], runs.offsets[legs + 1]
    if len(legs) == 1 and not ring:
        return runs.xy[first[0] : last[0]]
    out: list[XYArray] = []
    for k, corner in enumerate(bend_at[legs].tolist()):
        begins, ends = k > 0 or ring, k + 1 < len(legs) or ring
        out.append(runs.xy[first[k] + begins : last[k] - ends])
        if ends:
            out.append(arcs.xy[arcs.first[corner] : arcs.first[corner + 1]])
    if ring:
        # the ring starts where its first leg leaves the bend, and ends there
        out.insert(0, out[-1][-1:])
    xy = np.concatenate(out)
    step = np.diff(xy, axis=0)
    kept = np.ones(len(xy), dtype=np.bool_)
    kept[1:] = (np.abs(step) > 1e-9).any(axis=1)
    return xy[kept]
