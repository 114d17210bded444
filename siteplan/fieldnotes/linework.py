"""Outlines from survey points: which points, in which order, with which arcs between.

The columns are our own: ``line`` names the outline, ``seq`` counts its points 1, 2, 3 ..., ``curve``
says what the outline does at the point (see :data:`CURVES`), ``radius`` goes with ``round``, and
``close`` holds ``yes`` at the last point of a closed outline.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from siteplan.errors import Fault
from siteplan.fieldnotes.curves import TangentArcs, arc_through, round_corner, tangent_through
from siteplan.fieldnotes.strings import ArcStrings, strings_of
from siteplan.fieldnotes.tables import rows_text
from siteplan.types import FloatArray, IntArray, XYArray

CURVES: Final = {
    "": "a corner, or a point on a straight line",
    "through": "the middle of an arc through the point before, this point and the point after",
    "tangent": "on an arc tangent to the leg before (the two points before) and the leg after",
    "round": "a corner rounded by an arc of the stated radius, tangent to both legs",
}
"""Words of the column ``curve``."""
YES: Final = {"yes", "y", "true", "1", "x", "close", "closed"}
NO: Final = {"", "no", "n", "false", "0"}

LEAST_RISE_M: Final = 0.001
"""An arc rises at least this far above its chord: flatter ones are lost in the rounding of a survey."""
SAME_M: Final = 0.001
"""Two neighbours in a line closer than this are one point."""


@dataclass(frozen=True, slots=True)
class LineRow:
    """One row of linework."""

    row: int
    """line of the file"""
    point: int
    """index of the survey point"""
    number: str
    line: str
    seq: int
    """0 where the cell is at fault"""
    curve: str
    radius: float
    """in plane units, NaN where the cell is empty"""
    close: bool
    sound: bool = True
    """False where another cell of the row is at fault: it counts in the order, but makes no line"""


@dataclass(slots=True)
class _Line:
    """An outline while it is made."""

    name: str
    rows: list[LineRow]
    closed: bool = False
    xy: list[FloatArray] = field(default_factory=list)
    point: list[int] = field(default_factory=list)
    bulge: list[float] = field(default_factory=list)


Report = Callable[[str, str, str, LineRow | None], None]


def build_lines(
    rows: Sequence[LineRow], xy: XYArray, *, metres_per_unit: float, label: str, places_known: bool = True
) -> tuple[ArcStrings, IntArray, list[Fault]]:
    """Outlines of all lines, in the order in which the file first names them.

    Parameters
    ----------
    rows : linework
    xy : (p, 2) survey points in the plane the arcs are made in
    metres_per_unit : of that plane
    label : the file, for messages
    places_known : False where coordinates are at fault already: only the order is checked then

    Returns
    -------
    Outlines; the survey point of each node, -1 where the node was computed (the end of a
    tangent arc); and every fault.  Lines with faults are left out.
    """
    by_line: dict[str, list[LineRow]] = {}
    for row in rows:
        by_line.setdefault(row.line, []).append(row)
    faults: list[Fault] = []
    made: list[_Line] = []
    for name, members in by_line.items():
        if any(r.seq == 0 for r in members):
            continue  # told already, and neither a gap nor the number of points is known
        before = len(faults)

        def report(code: str, what: str, remedy: str, row: LineRow | None, name: str = name) -> None:
            place = f"row {row.row}, point {row.number}: " if row else ""
            faults.append(Fault(code, place + what, remedy, file=label, feature=name))

        line = _ordered(name, members, xy, metres_per_unit, report)
        if len(faults) == before:
            _check_marks(line, report)
        if len(faults) == before and places_known and all(r.sound for r in members):
            _walk(line, xy, metres_per_unit, report)
        if len(faults) == before:
            made.append(line)
    strings = strings_of(
        [k.name for k in made],
        [k.closed for k in made],
        [np.array(k.xy).reshape(-1, 2) for k in made],
        [np.array(k.bulge) for k in made],
    )
    return strings, np.array([p for k in made for p in k.point], dtype=np.int64), faults


def _ordered(name: str, members: list[LineRow], xy: XYArray, metres_per_unit: float, report: Report) -> _Line:
    """Rows of a line in the order of ``seq``, its closing row taken off, and what is wrong."""
    _check_seq(members, report)
    rows = sorted(members, key=lambda r: r.seq)
    line = _Line(name, rows, closed=any(r.close for r in rows))
    early = [r for r in rows[:-1] if r.close]
    if early:
        report(
            "closed-early",
            f"the line is closed at seq {early[0].seq} but goes on to {rows[-1].seq}",
            "Write yes in close at the last point of the line only",
            early[0],
        )
    gap = np.hypot(*(xy[rows[-1].point] - xy[rows[0].point])) * metres_per_unit
    if len(rows) > 2 and gap < SAME_M:
        last = rows.pop()
        line.closed = True
        if last.curve and last.curve != rows[0].curve:
            report(
                "curve-contradicts",
                "the last point repeats the first, but their curve differs",
                "Mark the curve at the first point",
                last,
            )
    least = 3 if line.closed else 2
    if len(rows) < least:
        report(
            "too-few-points",
            f"a{' closed' if line.closed else 'n open'} line needs {least} points, "
            f"this one has {len(rows)}: {rows_text(r.row for r in rows)}",
            "Add the points that are missing, or take the line out",
            None,
        )
    pairs = list(zip(rows, rows[1:] + (rows[:1] if line.closed else []), strict=False))
    for a, b in pairs:
        if a is not b and np.hypot(*(xy[a.point] - xy[b.point])) * metres_per_unit < SAME_M:
            report(
                "same-place",
                f"the point lies where point {a.number} (row {a.row}) lies",
                "Take one of the two out of the line",
                b,
            )
    return line


def _check_seq(members: list[LineRow], report: Report) -> None:
    """``seq`` must count 1, 2, 3 ...: a gap is a point that got lost."""
    rows_of: dict[int, list[int]] = {}
    for r in members:
        rows_of.setdefault(r.seq, []).append(r.row)
    for seq, rows in sorted(rows_of.items()):
        if len(rows) > 1:
            report(
                "seq-repeated",
                f"seq {seq} stands {len(rows)} times: {rows_text(rows)}",
                "Number the points of a line 1, 2, 3 ... in walking order",
                None,
            )
    lacking = _missing(sorted(rows_of))
    if lacking:
        report(
            "seq-gap",
            f"seq {lacking} is missing",
            "Find the point that got lost, or number the points again from 1",
            None,
        )


def _missing(present: list[int]) -> str:
    """Numbers left out between 1 and the greatest, as text."""
    spans = []
    for a, b in zip([0, *present], present, strict=False):
        if b > a + 1:
            spans.append(f"{a + 1}" if b == a + 2 else f"{a + 1} to {b - 1}")
    return ", ".join(spans[:12])


def _check_marks(line: _Line, report: Report) -> None:
    """Whether every marked point has the plain points round it that its arc needs."""
    for k, row in enumerate(line.rows):
        if row.curve:
            _check_neighbours(line, k, report)


def _walk(line: _Line, xy: XYArray, metres_per_unit: float, report: Report) -> None:
    """Nodes and bulges of a line in order."""
    rows, n = line.rows, len(line.rows)
    marks = [k for k, r in enumerate(rows) if r.curve]
    arcs: dict[int, TangentArcs] = {}
    for k in marks:
        if rows[k].curve == "round":
            arcs[k] = _rounded(line, k, xy)
        elif rows[k].curve == "tangent" and (line.closed or 2 <= k <= n - 3):
            p = [xy[rows[(k + d) % n].point][None] for d in (-2, -1, 0, 1, 2)]
            arcs[k] = tangent_through(*p)
    for k, arc in arcs.items():
        _check_arc(line, k, arc, xy, metres_per_unit, report)
    _check_overlap(line, arcs, xy, metres_per_unit, report)
    for k, r in enumerate(rows):
        if k in arcs:
            _add_arc(line, arcs[k], xy, k, metres_per_unit)
        elif r.curve == "through":
            _add_through(line, k, xy, metres_per_unit, report)
        elif r.curve == "":
            line.xy.append(xy[r.point])
            line.point.append(r.point)
            line.bulge.append(0.0)
    _close_up(line, metres_per_unit)


def _check_neighbours(line: _Line, k: int, report: Report) -> None:
    """Whether a marked point has the plain points round it that its arc needs."""
    rows, n = line.rows, len(line.rows)
    reach = 2 if rows[k].curve == "tangent" else 1
    word = rows[k].curve
    if not line.closed and (k < reach or k >= n - reach):
        report(
            "curve-at-end",
            f"a {word} point needs {reach} point{'s' * (reach > 1)} before and after it in the line",
            "Leave curve empty at the ends of an open line, or add the points",
            rows[k],
        )
        return
    if line.closed and n < 2 * reach + 1:
        report(
            "curve-at-end",
            f"a {word} point needs {2 * reach} other points in a closed line",
            "Add the points",
            rows[k],
        )
        return
    # a corner may be rounded at each end of a leg; the ends of other arcs are points of the survey
    free = {"round"} if word == "round" else set[str]()
    for d in (-1, 1):
        other = rows[(k + d) % n]
        if other.curve and other.curve not in free:
            report(
                "curves-touch",
                f"the point is marked {word} and its neighbour, point {other.number} "
                f"(row {other.row}), {other.curve}: where one arc ends and the next begins is not known",
                "Survey a point between the two arcs, with an empty curve",
                rows[k],
            )
    for d in (-2, 2) if word == "tangent" else ():
        other = rows[(k + d) % n]
        if other.curve not in ("", "round"):
            report(
                "curves-touch",
                f"the leg beside this tangent point is an arc: point {other.number} "
                f"(row {other.row}) is marked {other.curve}",
                "Survey two points on the straight leg, with an empty curve",
                rows[k],
            )


def _rounded(line: _Line, k: int, xy: XYArray) -> TangentArcs:
    rows, n = line.rows, len(line.rows)
    p = [xy[rows[(k + d) % n].point][None] for d in (-1, 0, 1)]
    return round_corner(*p, radius=np.array([line.rows[k].radius]))


def _check_arc(line: _Line, k: int, arc: TangentArcs, xy: XYArray, unit_m: float, report: Report) -> None:
    """Whether a tangent arc exists and fits between the points before and after."""
    rows, n = line.rows, len(line.rows)
    row = rows[k]
    if row.curve == "round" and not row.radius > 0:
        shown = "none is given" if np.isnan(row.radius) else f"{row.radius:g} is given"
        report(
            "no-radius", f"a round corner needs a radius above 0, {shown}", "Fill in the column radius", row
        )
        return
    if np.isnan(arc.bulge[0]):
        why = (
            "the legs are in line or fold back, so there is no corner to round"
            if row.curve == "round"
            else "no arc tangent to both legs passes through it: the legs are parallel, or the point is not "
            "in the corner they make"
        )
        report("no-arc", why, "Mark the point through instead, or check its coordinates", row)
        return
    for d, tip, place in ((-1, arc.start[0], "begin"), (1, arc.end[0], "end")):
        beside = rows[(k + d) % n]
        # towards the corner along the leg: to the point itself, or on from the two points of the leg
        toward = xy[row.point] - xy[beside.point]
        if row.curve == "tangent":
            toward = xy[beside.point] - xy[rows[(k + 2 * d) % n].point]
        over = -float((tip - xy[beside.point]) @ toward) / float(np.hypot(*toward)) * unit_m
        if over > SAME_M:
            report(
                "arc-too-long",
                f"the arc would {place} {over:.3f} m beyond point {beside.number} (row {beside.row})",
                "The leg is too short for this arc: check the radius and the points",
                row,
            )


def _check_overlap(
    line: _Line, arcs: dict[int, TangentArcs], xy: XYArray, unit_m: float, report: Report
) -> None:
    """Two rounded corners must leave room for each other on the leg between them."""
    rows, n = line.rows, len(line.rows)
    for k, arc in arcs.items():
        j = (k + 1) % n
        if rows[k].curve != "round" or j not in arcs or rows[j].curve != "round" or j == k:
            continue
        leg = float(np.hypot(*(xy[rows[j].point] - xy[rows[k].point])))
        over = (float(arc.tangent[0]) + float(arcs[j].tangent[0]) - leg) * unit_m
        if over > SAME_M:
            report(
                "arc-too-long",
                f"the arcs at this point and at point {rows[j].number} (row {rows[j].row}) "
                f"overlap by {over:.3f} m",
                "The leg is too short for both: check the two radii",
                rows[k],
            )


def _add_arc(line: _Line, arc: TangentArcs, xy: XYArray, k: int, unit_m: float) -> None:
    """Both ends of a tangent arc; an end that falls on a surveyed neighbour is that point."""
    rows, n = line.rows, len(line.rows)
    for end, bulge, d in ((arc.start[0], float(arc.bulge[0]), -1), (arc.end[0], 0.0, 1)):
        beside = rows[(k + d) % n]
        near = np.hypot(*(end - xy[beside.point])) * unit_m < SAME_M and not beside.curve
        line.xy.append(xy[beside.point] if near else end)
        line.point.append(beside.point if near else -1)
        line.bulge.append(bulge)


def _add_through(line: _Line, k: int, xy: XYArray, unit_m: float, report: Report) -> None:
    """Set the bulge of the edge from the point before to the point after."""
    rows, n = line.rows, len(line.rows)
    a, m, b = (xy[rows[(k + d) % n].point][None] for d in (-1, 0, 1))
    arc = arc_through(a, m, b)
    bulge, rise = float(arc.bulge[0]), float(arc.rise[0]) * unit_m
    if np.isnan(bulge):
        report(
            "no-arc",
            "two of the three points of the arc are at one place",
            "Check their coordinates",
            rows[k],
        )
        return
    if np.isinf(bulge) or rise < LEAST_RISE_M:
        report(
            "no-arc",
            f"the three points are in line (the middle one is {1000 * rise:.2f} mm off), so no "
            "arc passes through them",
            "Leave curve empty for a straight line, or check the points",
            rows[k],
        )
        return
    # the edge leaves the node before; at the first row of a ring that is the last node, not made yet
    if line.bulge:
        line.bulge[-1] = bulge
    else:
        line.bulge.append(bulge)


def _close_up(line: _Line, unit_m: float) -> None:
    """Take out the doubles that arcs meeting at a point leave, and carry the first arc of a ring round."""
    if len(line.bulge) > len(line.xy):
        # a ring that begins in the middle of an arc: the arc belongs to the last node
        first = line.bulge.pop(0)
        line.bulge[-1] = first
    keep_xy: list[FloatArray] = []
    keep_point: list[int] = []
    keep_bulge: list[float] = []
    for xy, point, bulge in zip(line.xy, line.point, line.bulge, strict=True):
        if keep_xy and keep_bulge[-1] == 0 and np.hypot(*(xy - keep_xy[-1])) * unit_m < SAME_M:
            keep_point[-1] = max(keep_point[-1], point)
            keep_bulge[-1] = bulge
            continue
        keep_xy.append(xy)
        keep_point.append(point)
        keep_bulge.append(bulge)
    closes = len(keep_xy) > 1 and np.hypot(*(keep_xy[-1] - keep_xy[0])) * unit_m < SAME_M
    if line.closed and closes and keep_bulge[-1] == 0:
        keep_point[0] = max(keep_point[0], keep_point[-1])
        del keep_xy[-1], keep_point[-1], keep_bulge[-1]
    if not line.closed and keep_bulge:
        keep_bulge[-1] = 0.0
    line.xy, line.point, line.bulge = keep_xy, keep_point, keep_bulge
