"""More courses than one: runs upon runs, the joints of every second course half a unit on.

Course 1 is the run itself; course k of run ``B07-1`` is the run ``B07-1ck`` on the same line.
Odd courses are laid as the first.  In even ones

- a ring without corners begins half a pitch on;
- a corner with a reversible unit of two different arms has it the other way round than below;
- any other leg (of a rigid line: any straight one) begins with a half piece, ``(section - gap) / 2``
  long, so that its joint stands over the middle of the section below.  It is a closer of that length
  where there is one, else a cut piece.  Where whole sections alone fill the leg below, it ends with one too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from siteplan.laying.corner_units import CornerHow, leaving_legs
from siteplan.laying.filling import Beside
from siteplan.laying.lay_rules import LayRules
from siteplan.laying.lines import lines_in_use
from siteplan.laying.one_line import lay_one
from siteplan.laying.orientation import can_turn
from siteplan.laying.result import Takeoff
from siteplan.model import NodeKind, Runs
from siteplan.outline.arrange import begin_rings_at, join_runs, take_runs
from siteplan.outline.joints import split_legs
from siteplan.outline.rules import OutlineRules
from siteplan.products import ProductLine
from siteplan.types import BoolArray, FloatArray, IntArray, ObjectArray


@dataclass(frozen=True, slots=True, eq=False)
class _Stagger:
    """What is done to the runs of an even course."""

    ring: IntArray
    """runs that begin elsewhere"""
    ring_m: FloatArray
    leg: IntArray
    """legs that begin with a half piece, and again those that end with one"""
    at_m: FloatArray
    """how far along them the joint beside it stands"""
    exchanged: IntArray
    """(c,) 1 to turn the unit round, -1 to leave it as the catalogue has it, 0 for any way"""
    bare: BoolArray
    """(l,) legs of a section or more that are laid as in the course below"""


def half_piece_um(line: ProductLine) -> int | None:
    """Length of the half piece; None where the line has no closer of it and it cannot be cut.

    A closer within the half gap of it stands in for it.
    """
    gap = max(line.gap_nominal_um, 0)
    half = (line.sections[0].laying_um - gap) // 2
    near = [c.laying_um for c in line.closers if abs(c.laying_um - half) <= (gap + 1) // 2]
    if near:
        return min(near, key=lambda um: (abs(um - half), um))
    return half if line.cuttable and half >= line.least_cut_um else None


def with_courses(
    runs: Runs,
    count: int,
    bed_ids: ObjectArray | Sequence[str],
    line: ProductLine | Sequence[ProductLine],
    rules: LayRules,
    outline: OutlineRules,
    *,
    stagger: bool = True,
) -> tuple[Runs, int]:
    """Runs of every course.

    Parameters
    ----------
    runs : runs of one course, in plan
    count : number of courses
    bed_ids, line, rules : as in :func:`siteplan.laying.takeoff.lay`
    outline : how a bend's radius is measured
    stagger : joints of even courses half a unit on; else all courses are alike

    Returns
    -------
    Runs, those of a bed together, course by course; and the number of legs of a section or more
    that cannot be staggered, in one even course.
    """
    first = replace(runs, course=np.ones(len(runs.run_id), dtype=np.int64))
    if count == 1:
        return first, 0
    lines, of_run = lines_in_use(runs, line)
    parts: list[Runs] = []
    place: list[IntArray] = []
    bare = 0
    for k, one in enumerate(lines):
        own = np.flatnonzero(of_run == k)
        beside = None if len(lines) == 1 else Beside(replace(runs, line=of_run), lines, own)
        made, alike = _courses_of(take_runs(runs, own), count, bed_ids, one, rules, outline, stagger, beside)
        parts += made
        place += [own * count + course for course in range(count)]
        bare += alike
    return take_runs(join_runs(_alike(parts)), np.argsort(np.concatenate(place))), bare


def _courses_of(
    runs: Runs,
    count: int,
    bed_ids: ObjectArray | Sequence[str],
    line: ProductLine,
    rules: LayRules,
    outline: OutlineRules,
    stagger: bool,
    beside: Beside | None,
) -> tuple[list[Runs], int]:
    """Runs of one line, course by course, and the number of legs that cannot be staggered."""
    even, bare = runs, 0
    if stagger:
        how = _stagger(runs, lay_one(runs, bed_ids, line, rules, beside=beside), line)
        bare = int(how.bare.sum())
        even = replace(runs, corner_exchanged=how.exchanged)
        even = begin_rings_at(even, how.ring, how.ring_m)
        gap = max(line.gap_nominal_um, 0)
        even = split_legs(even, how.leg, how.at_m, NodeKind.SET, gap, outline)
    return [_named(even if course % 2 == 0 else runs, course) for course in range(1, count + 1)], bare


def _alike(parts: list[Runs]) -> list[Runs]:
    """Tables that are to be joined: what one of them has all have."""
    held = any(p.start_joint_um is not None for p in parts)
    made = []
    for own in parts:
        if own.corner_exchanged is None:
            own = replace(own, corner_exchanged=np.zeros(len(own.corner_leg), dtype=np.int64))  # noqa: PLW2901
        if held and own.start_joint_um is None:
            none = np.full(len(own.leg_id), -1, dtype=np.int64)
            own = replace(own, start_joint_um=none, far_joint_um=none)  # noqa: PLW2901
        made.append(own)
    return made


def _named(runs: Runs, course: int) -> Runs:
    """Runs as those of a course."""
    number = np.full(len(runs.run_id), course, dtype=np.int64)
    if course == 1:
        return replace(runs, course=number)
    run_id, leg_id = np.empty_like(runs.run_id), np.empty_like(runs.leg_id)
    run_id[:] = [f"{r}c{course}" for r in runs.run_id]
    leg_id[:] = [
        f"{runs.run_id[r]}c{course}{leg[len(runs.run_id[r]) :]}"
        for leg, r in zip(runs.leg_id.tolist(), runs.leg_run.tolist(), strict=True)
    ]
    return replace(runs, run_id=run_id, leg_id=leg_id, course=number)


def _stagger(runs: Runs, below: Takeoff, line: ProductLine) -> _Stagger:
    """How an even course differs from the one below."""
    section = line.sections[0].laying_um
    gap, half = max(line.gap_nominal_um, 0), half_piece_um(line)
    corners = below.corners
    unit = np.where((corners.how == CornerHow.UNIT) & below.corner_laid, corners.unit, -1)
    turn = can_turn(unit, corners.arriving_um, corners.leaving_um, line)
    exchanged = np.where(turn, np.where(corners.exchanged, -1, 1), 0)
    turned = np.zeros(len(runs.leg_id), dtype=np.bool_)
    turned[leaving_legs(runs)[turn]] = True
    turned_far = np.zeros(len(runs.leg_id), dtype=np.bool_)
    turned_far[runs.corner_leg[turn]] = True
    seam = runs.far_kind == NodeKind.SEAM
    long = below.laid & ~below.fits.unmet & (below.rest_um >= section)
    sawn = np.zeros(len(runs.leg_id), dtype=np.bool_)
    if below.legs.sawn_ends is not None:
        sawn = below.legs.sawn_ends.start | below.legs.sawn_ends.far
    # rigid pieces have their ends on a curve: the half piece of a straight leg is not theirs
    able = long & ~seam & ~turned & ~sawn & (runs.straight | (line.behaviour == "flexible"))
    joint_um = np.where(below.legs.start_joint, gap, 0)
    at_um = below.legs.start_um + joint_um + (half or 0) + gap // 2
    leg = np.flatnonzero(able) if half is not None else np.zeros(0, dtype=np.int64)
    both = leg[_whole(below, leg) & ~turned_far[leg]]
    behind_um = below.legs.far_um + np.where(below.legs.far_joint, gap, 0) + (half or 0) + gap - gap // 2
    at = np.concatenate([at_um[leg], below.stations.leg_um[both] - behind_um[both]])
    split = np.concatenate([leg, both])
    order = np.lexsort((at, split))
    ring = np.flatnonzero(seam & long)
    pieces = np.maximum(below.leg_counts[ring].sum(axis=1), 1)
    pitch_m = np.where(_whole(below, ring), runs.length_m[ring] / pieces, (section + gap) / 1e6)
    done = turned | (seam & long)
    done[leg] = True
    return _Stagger(
        ring=runs.leg_run[ring],
        ring_m=pitch_m / 2,
        leg=split[order],
        at_m=at[order] / 1e6,
        exchanged=exchanged,
        bare=long & ~done,
    )


def _whole(below: Takeoff, leg: IntArray) -> BoolArray:
    """(k,) legs that at least two whole sections of the first kind fill, and nothing else."""
    counts = below.fits.counts[leg]
    only: BoolArray = (below.fits.cut_um[leg].sum(axis=1) == 0) & (counts[:, 1:].sum(axis=1) == 0)
    return only & (counts[:, 0] >= 2)
