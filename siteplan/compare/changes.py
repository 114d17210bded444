"""Two revisions of a plan compared: what changed on the ground, in the order, in money and weight.

docs/compare.md says the rules in words.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import Final, Literal

import numpy as np
import shapely

from siteplan.compare.revision import OrderPart, Revision, RunPart, Summary
from siteplan.frame import Frame, make_frame
from siteplan.matching import Matches, kept_ids, match_beds, match_runs
from siteplan.model import Features, RingKind
from siteplan.types import FloatArray, ObjectArray

SAME_M: Final = 0.001
"""nothing has moved or grown that differs by no more than this"""
_RUNS_TOLD: Final = 8
"""runs named in one sentence; the others are counted"""

Status = Literal["added", "removed", "changed", "laid anew", "unchanged"]
"""``laid anew``: a run in its old place whose pieces are others"""


@dataclass(frozen=True, slots=True)
class BedChange:
    """One bed; ids and lengths are None on the side that does not have it."""

    status: Status
    old: str | None
    new: str | None
    old_m: float | None
    """ground length of its edging"""
    new_m: float | None
    moved_m: float
    """greatest distance between the two outlines; 0 where there is one"""

    @property
    def bed(self) -> str:
        """The id it is known by: the old one where there is one."""
        return self.old if self.old is not None else str(self.new)


@dataclass(frozen=True, slots=True)
class RunChange:
    """One run; what belongs to a revision that does not have it is None."""

    status: Status
    run: str
    """id that is kept: the old one where the run is matched"""
    old: RunPart | None
    new: RunPart | None
    moved_m: float
    """greatest distance between the two lines"""

    @property
    def difference_m(self) -> float:
        """New ground length less old."""
        return (self.new.ground_m if self.new else 0.0) - (self.old.ground_m if self.old else 0.0)


@dataclass(frozen=True, slots=True)
class CodeChange:
    """One code of the order.  Pairs are (old, new); 0 where a revision does not take the code."""

    line: str
    """product line the code belongs to"""
    code: str
    name: str
    takeoff: tuple[int, int]
    order: tuple[int, int]
    packs: tuple[int, int]
    singles: tuple[int, int]
    pack: tuple[int, int]
    """pieces in a pack; 0 where a revision does not order the code"""
    amount: tuple[int | None, int | None]
    """minor units; None where the price is missing"""
    each: tuple[Fraction | None, Fraction | None]
    """minor units for a piece, where no single pieces blur it"""

    @property
    def changed(self) -> bool:
        """Whether anything of it differs."""
        pairs: tuple[tuple[object, object], ...] = (
            self.takeoff, self.order, self.packs, self.singles, self.pack, self.amount,
        )  # fmt: skip
        return any(a != b for a, b in pairs)


@dataclass(frozen=True, slots=True)
class WorkChange:
    """One item of the groundwork, in its unit."""

    key: str
    name: str
    unit: str
    old: float
    new: float


@dataclass(frozen=True, slots=True)
class Change:
    """Everything that differs between two revisions."""

    old: Revision
    new: Revision
    beds: tuple[BedChange, ...]
    """in order of the old plan, then what was added in order of the new one"""
    runs: tuple[RunChange, ...]
    codes: tuple[CodeChange, ...]
    work: tuple[WorkChange, ...]
    money_compared: bool
    """True where both revisions are in one currency"""
    notes: tuple[str, ...]

    @property
    def none(self) -> bool:
        """Whether the two plans are the same: not one number differs."""
        a, b = self.old.summary, self.new.summary
        return (
            all(x.status == "unchanged" for x in self.beds)
            and all(x.status == "unchanged" and x.difference_m == 0 for x in self.runs)
            and not any(x.changed for x in self.codes)
            and all(x.old == x.new for x in self.work)
            and (a.site, a.by_kind, a.takeoff, a.cut_plan, a.money, a.weight_kg, a.unmet, a.groundwork)
            == (b.site, b.by_kind, b.takeoff, b.cut_plan, b.money, b.weight_kg, b.unmet, b.groundwork)
            and self.old.crs == self.new.crs
        )

    @property
    def length_m(self) -> tuple[float, float]:
        """Ground length of all runs, old and new."""
        return _length(self.old.summary), _length(self.new.summary)


def _length(summary: Summary) -> float:
    return sum(run.ground_m for run in summary.runs)


def compare_revisions(old: Revision, new: Revision) -> Change:
    """What changed from one revision to another.

    Raises
    ------
    DataError : grids that cannot be brought together
    """
    old_xy, new_xy = _on_one_grid(old, new)
    a, b = old.summary, new.summary
    old_ids, new_ids = _texts(x.bed for x in a.beds), _texts(x.bed for x in b.beds)
    beds = match_beds(old_xy[0], new_xy[0], old_ids, new_ids)
    old_runs, new_runs = _texts(x.run for x in a.runs), _texts(x.run for x in b.runs)
    runs = match_runs(
        old_xy[1], new_xy[1], old_runs, new_runs, _bed_of(a), _bed_of(b), beds,
    )  # fmt: skip
    keep = kept_ids(old_runs, new_runs, _texts(x.bed for x in b.runs), runs)
    run_rows = _run_rows(a, b, runs, keep, _apart(old_xy[1], new_xy[1], runs))
    return Change(
        old=old,
        new=new,
        beds=_bed_rows(a, b, beds, _apart(old_xy[0], new_xy[0], beds)),
        runs=run_rows,
        codes=_code_rows(a, b),
        work=_work_rows(a, b),
        money_compared=(a.money.currency, a.money.digits) == (b.money.currency, b.money.digits)
        and a.money.currency is not None,
        notes=tuple(_notes(old, new, run_rows)),
    )


def _texts(values: Iterable[str]) -> ObjectArray:
    listed = list(values)
    made = np.empty(len(listed), dtype=object)
    made[:] = listed
    return made


def _bed_of(summary: Summary) -> np.ndarray:
    """(runs,) index of the bed of each run."""
    place = {bed.bed: k for k, bed in enumerate(summary.beds)}
    return np.array([place[run.bed] for run in summary.runs], dtype=np.int64)


# ---------------------------------------------------------------- on the ground

_Shapes = tuple[ObjectArray, ObjectArray]


def _on_one_grid(old: Revision, new: Revision) -> tuple[_Shapes, _Shapes]:
    """Beds and runs of both in ground metres of the new revision's grid."""
    frame = _frame(new if len(new.beds) else old)

    def placed(revision: Revision, shapes: ObjectArray) -> ObjectArray:
        if frame is None or not len(shapes):
            return shapes
        return np.asarray(
            shapely.transform(shapes, lambda xy: frame.ground_xy(xy, revision.crs)), dtype=object
        )

    return (placed(old, old.beds), placed(old, old.runs)), (placed(new, new.beds), placed(new, new.runs))


def _frame(revision: Revision) -> Frame | None:
    """A grid in which the beds of a revision lie; None where there are none."""
    if not len(revision.beds):
        return None
    coords, index = shapely.get_coordinates(revision.beds, return_index=True)
    ids = _texts(bed.bed for bed in revision.summary.beds)
    file = np.full(len(ids), revision.label, dtype=object)
    frame, _ = make_frame(
        Features(
            role="beds",
            crs=revision.crs,
            ids=ids,
            names=ids,
            coords=coords,
            z=np.full(len(coords), np.nan),
            ring_offsets=np.searchsorted(index, np.arange(len(ids) + 1)).astype(np.int64),
            ring_kind=np.full(len(ids), RingKind.LINE, dtype=np.int8),
            ring_feature=np.arange(len(ids), dtype=np.int64),
            file=file,
            row=np.arange(1, len(ids) + 1, dtype=np.int64),
        )
    )
    return frame


def _apart(old: ObjectArray, new: ObjectArray, pairs: Matches) -> FloatArray:
    """(m,) greatest distance of the vertices of either outline from the other one."""
    one, two = old[pairs.old], new[pairs.new]
    area_1, area_2 = shapely.get_dimensions(one) == 2, shapely.get_dimensions(two) == 2
    one[area_1], two[area_2] = shapely.boundary(one[area_1]), shapely.boundary(two[area_2])
    apart = np.zeros(len(one))
    differ = ~shapely.equals_exact(one, two, tolerance=0.0) if len(one) else np.zeros(0, dtype=bool)
    apart[differ] = shapely.hausdorff_distance(one[differ], two[differ])
    return apart


def _bed_rows(a: Summary, b: Summary, pairs: Matches, apart: FloatArray) -> tuple[BedChange, ...]:
    old_m, new_m = _edging(a), _edging(b)
    partner = dict(zip(pairs.old.tolist(), zip(pairs.new.tolist(), apart.tolist(), strict=True), strict=True))
    rows = []
    for i, bed in enumerate(a.beds):
        if i not in partner:
            rows.append(BedChange("removed", bed.bed, None, old_m[bed.bed], None, 0.0))
            continue
        j, moved = partner[i]
        other = b.beds[j]
        one, two = old_m[bed.bed], new_m[other.bed]
        same = (
            moved <= SAME_M and abs(one - two) <= SAME_M and bed.bed == other.bed and bed.name == other.name
        )
        rows.append(BedChange("unchanged" if same else "changed", bed.bed, other.bed, one, two, moved))
    matched = set(pairs.new.tolist())
    rows += [
        BedChange("added", None, bed.bed, None, new_m[bed.bed], 0.0)
        for j, bed in enumerate(b.beds)
        if j not in matched
    ]
    return tuple(rows)


def _edging(summary: Summary) -> dict[str, float]:
    """Ground length of the runs of each bed."""
    length = {bed.bed: 0.0 for bed in summary.beds}
    for run in summary.runs:
        length[run.bed] += run.ground_m
    return length


def _run_rows(
    a: Summary, b: Summary, pairs: Matches, keep: ObjectArray, apart: FloatArray
) -> tuple[RunChange, ...]:
    partner = dict(zip(pairs.old.tolist(), zip(pairs.new.tolist(), apart.tolist(), strict=True), strict=True))
    rows = []
    for i, run in enumerate(a.runs):
        if i not in partner:
            rows.append(RunChange("removed", run.run, run, None, 0.0))
            continue
        j, moved = partner[i]
        rows.append(RunChange(_run_status(run, b.runs[j], moved), str(keep[j]), run, b.runs[j], moved))
    matched = set(pairs.new.tolist())
    rows += [
        RunChange("added", str(keep[j]), None, run, 0.0) for j, run in enumerate(b.runs) if j not in matched
    ]
    return tuple(rows)


def _run_status(old: RunPart, new: RunPart, moved_m: float) -> Status:
    same_ground = (
        moved_m <= SAME_M
        and abs(old.ground_m - new.ground_m) <= SAME_M
        and old.closed == new.closed
        and (old.outside_corners, old.inside_corners) == (new.outside_corners, new.inside_corners)
    )
    if not same_ground:
        return "changed"
    return "unchanged" if old.pieces == new.pieces else "laid anew"


# ---------------------------------------------------------------- the order


def _each(row: OrderPart | None) -> Fraction | None:
    if row is None or row.amount is None or row.singles or not row.order:
        return None
    return Fraction(row.amount, row.order)


def _code_rows(a: Summary, b: Summary) -> tuple[CodeChange, ...]:
    """A row for each code of each line, in the order of the old plan, then of the new one."""
    old = {(row.line or a.site.line, row.code): row for row in a.order}
    new = {(row.line or b.site.line, row.code): row for row in b.order}
    rows = []
    for key in dict.fromkeys((*old, *new)):
        one, two = old.get(key), new.get(key)
        known = two or one
        rows.append(
            CodeChange(
                line=key[0],
                code=key[1],
                name=known.name if known is not None else "",
                takeoff=(one.takeoff if one else 0, two.takeoff if two else 0),
                order=(one.order if one else 0, two.order if two else 0),
                packs=(one.packs if one else 0, two.packs if two else 0),
                singles=(one.singles if one else 0, two.singles if two else 0),
                pack=(one.pack if one else 0, two.pack if two else 0),
                amount=(one.amount if one else 0, two.amount if two else 0),
                each=(_each(one), _each(two)),
            )
        )
    return tuple(rows)


def _work_rows(a: Summary, b: Summary) -> tuple[WorkChange, ...]:
    """Items of both recipes by key and unit; an item of one of them alone is 0 in the other."""
    old = {(x.key, x.unit): x for x in (a.groundwork.items if a.groundwork else ())}
    new = {(x.key, x.unit): x for x in (b.groundwork.items if b.groundwork else ())}
    rows = []
    for key in dict.fromkeys((*old, *new)):
        one, two = old.get(key), new.get(key)
        name = two.name if two is not None else one.name if one is not None else ""
        rows.append(WorkChange(key[0], name, key[1], one.amount if one else 0.0, two.amount if two else 0.0))
    return tuple(rows)


# ---------------------------------------------------------------- what must be said


def _notes(old: Revision, new: Revision, runs: tuple[RunChange, ...]) -> Iterable[str]:
    a, b = old.summary, new.summary
    if a.site.name != b.site.name:
        yield f'The plans have different names: "{a.site.name}" and "{b.site.name}".'
    if a.site.all_lines != b.site.all_lines:
        several = "s" if a.site.lines or b.site.lines else ""
        yield (
            f"The product line{several} changed from {a.site.all_lines} to {b.site.all_lines}:"
            " codes are listed by line."
        )
    other = [
        run.run
        for run in runs
        if run.old is not None
        and run.new is not None
        and (run.old.line or a.site.line) != (run.new.line or b.site.line)
    ]
    if other and (a.site.lines or b.site.lines):
        more = f" and {len(other) - _RUNS_TOLD} more" if len(other) > _RUNS_TOLD else ""
        yield f"Laid in another product line now: {', '.join(other[:_RUNS_TOLD])}{more}."
    if old.crs != new.crs:
        yield (
            f"The plans are in different grids ({a.site.grid.name} and {b.site.grid.name}); the old one was"
            " brought into the new one's to compare places."
        )
    if a.site.laid_length != b.site.laid_length:
        yield (
            f"Pieces were fitted to {a.site.laid_length} lengths and are fitted to {b.site.laid_length}"
            " lengths; the lengths here are ground lengths."
        )
    one, two = a.money, b.money
    if (one.currency, one.digits) != (two.currency, two.digits):
        yield (
            f"The money is in {one.currency or 'no currency'} and {two.currency or 'no currency'}:"
            " no difference is taken."
        )
    for which, money in (("old", one), ("new", two)):
        if money.currency is not None and money.total is None:
            missing = ", ".join(money.unpriced) or "some codes"
            yield f"The {which} plan has no total: no price for {missing}."
    recipes = [None if s.groundwork is None else s.groundwork.recipe for s in (a, b)]
    if recipes[0] != recipes[1]:
        yield f"The groundwork recipe changed from {recipes[0] or 'none'} to {recipes[1] or 'none'}."
    matched = sum(1 for run in runs if run.old is not None and run.new is not None)
    if a.runs and b.runs and not matched:
        yield "Not one run of the old plan is in the new one: check that both are plans of the same site."
