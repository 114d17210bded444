"""Every piece in its place: the order within a leg, stations, footprints.

Order.  A leg is laid from its start, or from its far end (``lay_from``), and "first",
"last" and "far" below are meant in that direction.  Sections come in catalogue order.
The make-up pieces (closers and cut pieces) stand together last, first or in the middle;
beside a free end a section is put between, where the leg has one, and two cut pieces
are kept apart by the closers, or else by a section.

Joints.  The gaps of a leg differ by no more than a micrometre: the first joints get the
odd ones.  The left-over of the fill stands at one joint: the one before the first
make-up piece (after it, where none is before), else the last joint of the leg, else, in a
leg without joints, its far end.  It is written on the piece after that joint, walking
along the run; where no piece of the leg comes after, on the last piece of the leg; where
the leg has no piece of its own, in the table of legs only.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from siteplan.laying.band import Band, Stations, headings, line_points, slice_band
from siteplan.laying.chords import openings_um
from siteplan.laying.mitres import SawnEnds, SawnPieces, clear_ends, point_um, sawn_outlines
from siteplan.model import PieceKind, Pieces, Runs
from siteplan.products import ProductLine
from siteplan.types import BoolArray, FloatArray, IntArray, KindArray, ObjectArray, OffsetArray, XYArray

if TYPE_CHECKING:
    from siteplan.laying.corner_units import CornerChoice
    from siteplan.laying.rigid import CurvePieces

MakeUp = Literal["far", "start", "middle"]
LayFrom = Literal["start", "far"]


@dataclass(frozen=True, slots=True, eq=False)
class LegPlan:
    """What each leg is to hold.  l legs, s straights.

    ``start_um + rest + far_um`` is the leg, and the rest is what the fill, its joint gaps
    and its left-over come to.
    """

    start_um: IntArray
    """(l,) taken off at the start: corner arm, end unit or clearance"""
    far_um: IntArray
    """(l,) taken off at the far end"""
    start_end: IntArray
    """(l,) index of the end unit at the start, -1 for none"""
    far_end: IntArray
    """(l,) index of the end unit at the far end, -1 for none"""
    far_corner: IntArray
    """(l,) index of the corner whose unit stands at the far end, -1 for none"""
    start_joint: BoolArray
    """(l,) True where the first piece has a joint before it: a unit stands at the start"""
    far_joint: BoolArray
    """(l,) True where the last piece has a joint after it, as it has on a smooth ring"""
    ring: BoolArray
    """(l,) True for a smooth ring: the joint after its last piece is the one before its first"""
    start_free: BoolArray
    """(l,) True where the leg starts at a free end"""
    far_free: BoolArray
    """(l,)"""
    counts: IntArray
    """(l, s) whole pieces of each straight"""
    cut_um: IntArray
    """(l, 2) cut pieces, 0 for none"""
    cut_from: IntArray
    """(l, 2) section each is cut from, -1 for none"""
    gap_total_um: IntArray
    """(l,)"""
    left_over_um: IntArray
    """(l,) signed, positive where the fill is short"""
    sawn: SawnPieces | None = None
    """sawn pieces at the ends of the legs; ``start_um`` and ``far_um`` hold their lengths"""
    sawn_ends: SawnEnds | None = None

    def __len__(self) -> int:
        return len(self.start_um)

    def turned(self) -> LegPlan:
        """The same legs seen from their far ends; a ring ends in its seam either way."""
        return LegPlan(
            self.far_um, self.start_um, self.far_end, self.start_end, self.far_corner,
            self.far_joint & ~self.ring, self.start_joint | self.ring, self.ring,
            self.far_free, self.start_free,
            self.counts, self.cut_um, self.cut_from, self.gap_total_um, self.left_over_um,
        )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Fill:
    """Pieces between the units of each leg, in laying order.  q pieces, l legs."""

    first: OffsetArray
    """(l + 1,) pieces of each leg"""
    leg: IntArray
    straight: IntArray
    """(q,) index of the section or closer; of the section a cut piece is cut from"""
    cut_um: IntArray
    laying_um: IntArray
    at_um: IntArray
    """(q,) distance from the end of what was taken off the leg to where the piece begins"""
    gap_before_um: IntArray
    gap_after_um: IntArray
    left_over_before_um: IntArray
    left_over_after_um: IntArray
    first_gap_um: IntArray
    """(l,) gap of the leg's joint before everything else, 0 where there is none"""
    last_gap_um: IntArray
    """(l,) gap of the leg's last joint if no piece comes after it, else 0"""
    first_left_over_um: IntArray
    last_left_over_um: IntArray
    """(l,) left-over before the first and after the last piece"""


def fill_legs(plan: LegPlan, line: ProductLine, make_up: MakeUp) -> Fill:
    """Put the pieces of each leg in laying order and space them.

    Parameters
    ----------
    plan : legs, seen from the end they are laid from
    line : product line
    make_up : where the make-up pieces go

    Returns
    -------
    Fill.
    """
    leg, straight, cut = _listed(plan, len(line.sections))
    first = np.searchsorted(leg, np.arange(len(plan) + 1)).astype(np.int64)
    made_up = (straight >= len(line.sections)) | (cut > 0)
    rank, lead = _ranks(plan, leg, made_up, first, make_up)
    order = np.empty(len(leg), dtype=np.int64)
    order[first[leg] + rank] = np.arange(len(leg))
    straight, cut = straight[order], cut[order]
    lengths = np.array([s.laying_um for s in line.straights], dtype=np.int64)
    laying = np.where(cut > 0, cut, lengths[straight])
    return _spaced(plan, first, leg, straight, cut, laying, lead, line.gap_least_um)


def _listed(plan: LegPlan, n_sections: int) -> tuple[IntArray, IntArray, IntArray]:
    """Pieces of all legs: sections, first cut, closers, second cut, as leg, straight, cut length."""
    n, s = plan.counts.shape
    cuts = plan.cut_um > 0
    codes = np.arange(s)
    columns = np.column_stack(
        [plan.counts[:, :n_sections], cuts[:, :1], plan.counts[:, n_sections:], cuts[:, 1:]]
    )
    leg = np.repeat(np.arange(n), columns.sum(axis=1))
    column = np.repeat(np.tile(np.arange(s + 2), n), columns.reshape(-1))
    # the column of the first cut pushes the closers on by one
    straight = np.concatenate([codes[:n_sections], [-1], codes[n_sections:], [-1]])[column]
    cut = np.zeros(len(leg), dtype=np.int64)
    for nth, at in ((0, n_sections), (1, s + 1)):
        here = column == at
        cut[here] = plan.cut_um[leg[here], nth]
        straight[here] = plan.cut_from[leg[here], nth]
    return leg, straight, cut


def _ranks(
    plan: LegPlan, leg: IntArray, made_up: BoolArray, first: OffsetArray, make_up: MakeUp
) -> tuple[IntArray, IntArray]:
    """Place of each piece in its leg, and of the leg's first make-up piece (-1: none)."""
    n_made = np.bincount(leg[made_up], minlength=len(plan))
    sections = np.diff(first) - n_made
    apart = (n_made == 2) & (plan.cut_um > 0).all(axis=1)
    low = np.minimum(plan.start_free, sections)
    high = np.maximum(sections - plan.far_free, 0)
    low = np.minimum(low, high)
    if make_up == "start":
        one = low
    elif make_up == "far":
        one = high - apart
    else:
        one = (sections - apart) // 2
    # sections before the first make-up piece, and before the second of two lone cut pieces
    one = np.clip(one, low, high)
    two = np.clip(one + apart, low, high)

    nth = np.arange(len(leg)) - first[leg]
    section_rank = (
        nth + np.where(apart, 1, n_made)[leg] * (nth >= one[leg]) + (apart[leg] & (nth >= two[leg]))
    )
    of_made = nth - sections[leg]
    made_rank = np.where(apart[leg] & (of_made == 1), two[leg], one[leg]) + of_made
    return np.where(made_up, made_rank, section_rank), np.where(n_made > 0, one, -1)


def _spaced(
    plan: LegPlan,
    first: OffsetArray,
    leg: IntArray,
    straight: IntArray,
    cut: IntArray,
    laying: IntArray,
    lead: IntArray,
    gap_least_um: int,
) -> Fill:
    """Share out the gaps, put the left-over at its joint, add everything up.

    A fill that is over would make that joint tighter than the least gap where it stands alone: it is
    spread over all joints of the leg then, as a crew would do it.
    """
    n = np.diff(first)
    # places 0..n of each leg: before the first piece, between two, after the last
    place_first = first + np.arange(len(first))
    place_leg = np.repeat(np.arange(len(plan)), n + 1)
    nth = np.arange(place_first[-1]) - place_first[place_leg]
    last = n[place_leg]
    begin, end = plan.start_joint[place_leg], plan.far_joint[place_leg]
    joint = np.where(
        last == 0, begin & end, (nth > 0) & (nth < last) | (nth == 0) & begin | (nth == last) & end
    )
    joints = np.where(n == 0, plan.start_joint & plan.far_joint, n - 1 + plan.start_joint + plan.far_joint)
    base, odd = np.divmod(plan.gap_total_um, np.maximum(joints, 1))
    number = nth - ~begin
    gap = np.where(joint, base[place_leg] + (number < odd[place_leg]), 0)

    left_over = np.zeros(len(gap), dtype=np.int64)
    at_joint = place_first[:-1] + _left_over_place(plan, n, lead)
    left_over[at_joint] = plan.left_over_um
    tight = (plan.left_over_um < 0) & joint[at_joint] & (gap[at_joint] + plan.left_over_um < gap_least_um)
    if tight.any():
        # what is left of the gaps, as even as whole micrometres allow: no joint is tighter than it must be
        base, odd = np.divmod(plan.gap_total_um + plan.left_over_um, np.maximum(joints, 1))
        spread = joint & tight[place_leg]
        even = base[place_leg] + (number < odd[place_leg])
        left_over = np.where(tight[place_leg], np.where(spread, even - gap, 0), left_over)

    ahead = np.cumsum(gap + left_over)
    laid = np.cumsum(laying) - laying
    piece_place = place_first[leg] + np.arange(len(leg)) - first[leg]
    start_of = place_first[:-1]
    before_leg = (ahead - gap - left_over)[start_of]
    laid_before = np.concatenate([[0], np.cumsum(laying)]).astype(np.int64)[first[:-1]]
    at = ahead[piece_place] - before_leg[leg] + laid - laid_before[leg]
    final = place_first[1:] - 1
    return Fill(
        first=first,
        leg=leg,
        straight=straight,
        cut_um=cut,
        laying_um=laying,
        at_um=at,
        gap_before_um=gap[piece_place],
        gap_after_um=gap[piece_place + 1],
        left_over_before_um=left_over[piece_place],
        left_over_after_um=left_over[piece_place + 1],
        first_gap_um=gap[start_of],
        last_gap_um=gap[final],
        first_left_over_um=left_over[start_of],
        last_left_over_um=left_over[final],
    )


def _left_over_place(plan: LegPlan, n: IntArray, lead: IntArray) -> IntArray:
    """Place (0..n) of each leg's left-over."""
    last_joint = np.where(plan.far_joint | (n == 0) | ((n == 1) & ~plan.start_joint), n, n - 1)
    # a make-up piece that begins the leg has no joint before it unless a unit stands there
    beside = np.where((lead > 0) | plan.start_joint, lead, 1)
    return np.where(lead >= 0, beside, last_joint)


@dataclass(frozen=True, slots=True, eq=False)
class _Rows:
    """Pieces before they have ids and footprints.  p pieces."""

    leg: IntArray
    number: IntArray
    article: IntArray
    """(p,) index into the articles of the line"""
    kind: KindArray
    from_um: IntArray
    to_um: IntArray
    gap_um: IntArray
    left_over_um: IntArray
    cut_um: IntArray
    corner: IntArray
    """(p,) index of the corner a corner unit stands at, else -1"""
    deflection: FloatArray
    """(p,) angle at the joint before the piece, radians"""
    curved: IntArray
    """(p,) index into the pieces on curves of a rigid line, else -1"""
    start_saw: FloatArray
    """(p,) angle off square the piece is sawn at where it starts, NaN where it is square"""
    far_saw: FloatArray


def place(
    runs: Runs,
    part: Stations,
    band: Band,
    plan: LegPlan,
    corner_unit: IntArray,
    leaving_um: IntArray,
    line: ProductLine,
    *,
    lay_from: LayFrom = "start",
    make_up: MakeUp = "far",
    curved: CurvePieces | None = None,
    corners: CornerChoice | None = None,
) -> Pieces:
    """Pieces of all legs with their stations and footprints.

    Parameters
    ----------
    runs, part, band : runs, their stations, their strips of ground
    plan : what each leg holds
    corner_unit : (c,) index of the unit at each corner, -1 for none
    leaving_um : (c,) arm on the leaving leg
    line : product line
    lay_from : end of each leg that laying begins at
    make_up : where make-up pieces go, seen from there
    curved : pieces on the curves of a rigid line; what ``plan`` says of their legs' fill is not used
    corners : how the corners are made, where some are made by a mitre or a butt

    Returns
    -------
    Pieces in walking order: run by run, leg by leg.
    """
    rows = _rows(part, plan, corner_unit, leaving_um, line, lay_from, make_up, curved)
    run = runs.leg_run[rows.leg]
    middle = (rows.from_um + rows.to_um) / 2
    xy, heading = line_points(band, run, middle)
    units = np.flatnonzero(rows.corner >= 0)
    at = rows.corner[units]
    xy[units] = runs.corner_xy[at]
    heading[units] = _corner_headings(runs)[at]
    if curved is None or not len(curved.straight):
        outline, offsets = slice_band(band, run, rows.from_um, rows.to_um)
    else:
        on_curve = np.flatnonzero(rows.curved >= 0)
        of = rows.curved[on_curve]
        along = curved.end_xy[of] - curved.start_xy[of]
        xy[on_curve] = (curved.start_xy[of] + curved.end_xy[of]) / 2
        heading[on_curve] = headings(along)
        outline, offsets = _with_rectangles(band, run, rows, curved, line.depth_um / 1e6)
    if corners is not None:
        ends = clear_ends(runs, part, corners, rows.leg, rows.from_um, rows.to_um, line.depth_um)
        outline, offsets = sawn_outlines(
            runs, part, band, ends, rows.leg, rows.from_um, rows.to_um,
            rows.start_saw, rows.far_saw, line.depth_um, outline, offsets,
        )  # fmt: skip
    inner, outer = openings_um(rows.gap_um.astype(np.float64), rows.deflection, line.depth_um)
    codes = np.array([a.code for a in line.articles], dtype=object)
    return Pieces(
        piece_id=piece_ids(runs.leg_id, rows.leg, rows.number),
        bed=runs.bed[run],
        run=run,
        leg=rows.leg,
        kind=rows.kind,
        code=codes[rows.article] if len(codes) else np.empty(0, dtype=object),
        from_um=rows.from_um,
        to_um=rows.to_um,
        gap_um=rows.gap_um,
        left_over_um=rows.left_over_um,
        cut_um=rows.cut_um,
        heading_deg=heading,
        xy=xy,
        outline_xy=outline,
        outline_offsets=offsets,
        deflection_deg=np.degrees(rows.deflection),
        inner_um=inner,
        outer_um=outer,
        start_saw_deg=rows.start_saw,
        far_saw_deg=rows.far_saw,
        stock_um=np.where(
            rows.cut_um > 0,
            rows.cut_um + point_um(line.depth_um, rows.start_saw) + point_um(line.depth_um, rows.far_saw),
            0,
        ),
    )


def _with_rectangles(
    band: Band, run: IntArray, rows: _Rows, curved: CurvePieces, depth_m: float
) -> tuple[XYArray, OffsetArray]:
    """Footprints: slices of the strip, and true rectangles where rigid pieces lie on a curve."""
    sliced, on_curve = np.flatnonzero(rows.curved < 0), np.flatnonzero(rows.curved >= 0)
    xy, offsets = slice_band(band, run[sliced], rows.from_um[sliced], rows.to_um[sliced])
    of = rows.curved[on_curve]
    start, end = curved.start_xy[of], curved.end_xy[of]
    along = end - start
    along /= np.hypot(along[:, 0], along[:, 1])[:, None]
    left = np.column_stack([-along[:, 1], along[:, 0]]) * (depth_m / 2)
    corners = np.stack([start - left, end - left, end + left, start + left], axis=1)
    size = np.full(len(run), 4, dtype=np.int64)
    size[sliced] = np.diff(offsets)
    first = np.concatenate([[0], np.cumsum(size)]).astype(np.int64)
    out = np.empty((first[-1], 2))
    out[first[on_curve][:, None] + np.arange(4)] = corners
    of_slice = np.repeat(first[sliced] - offsets[:-1], size[sliced]) + np.arange(len(xy))
    out[of_slice] = xy
    return out, first


def _rows(
    part: Stations,
    plan: LegPlan,
    corner_unit: IntArray,
    leaving_um: IntArray,
    line: ProductLine,
    lay_from: LayFrom,
    make_up: MakeUp,
    curved: CurvePieces | None,
) -> _Rows:
    """Fill, end units and corners merged in walking order."""
    back = lay_from == "far"
    straights = plan if curved is None else _without(plan, curved.leg)
    fill = fill_legs(straights.turned() if back else straights, line, make_up)
    n = np.diff(fill.first)
    if curved is not None:
        n[curved.leg] = np.diff(curved.first)
    has_start, has_far = plan.start_end >= 0, (plan.far_end >= 0) | (plan.far_corner >= 0)
    if plan.sawn is not None:
        has_start = has_start | (plan.sawn.start_um > 0)
        has_far = has_far | (plan.sawn.far_um > 0)
    size = has_start + n + has_far
    first = np.concatenate([[0], np.cumsum(size)]).astype(np.int64)
    total = int(first[-1])
    leg = np.repeat(np.arange(len(plan)), size)
    out = {
        name: np.zeros(total, dtype=np.int64)
        for name in ("article", "from_um", "to_um", "gap_um", "left_over_um", "cut_um")
    }
    kind = np.zeros(total, dtype=np.int8)
    corner = np.full(total, -1, dtype=np.int64)
    on_curve = np.full(total, -1, dtype=np.int64)
    deflection = np.zeros(total)
    saw = np.full((2, total), np.nan)
    n_straights, n_corners = len(line.straights), len(line.corners)
    origin, length = part.leg_from_um, part.leg_um

    # the fill, mirrored where it was laid from the far end
    nth = np.arange(len(fill.leg)) - fill.first[fill.leg]
    row = first[fill.leg] + has_start[fill.leg] + (n[fill.leg] - 1 - nth if back else nth)
    begin = (
        origin[fill.leg] + length[fill.leg] - plan.far_um[fill.leg] - fill.at_um - fill.laying_um
        if back
        else origin[fill.leg] + plan.start_um[fill.leg] + fill.at_um
    )
    out["article"][row] = fill.straight
    out["from_um"][row], out["to_um"][row] = begin, begin + fill.laying_um
    out["gap_um"][row] = fill.gap_after_um if back else fill.gap_before_um
    out["left_over_um"][row] = fill.left_over_after_um if back else fill.left_over_before_um
    out["cut_um"][row] = fill.cut_um
    kind[row] = _fill_kind(fill.straight, fill.cut_um, line)
    far_gap = fill.first_gap_um if back else fill.last_gap_um
    far_over = fill.first_left_over_um if back else fill.last_left_over_um
    far_deflection = np.zeros(len(plan))
    if curved is not None:
        leg_of = curved.piece_leg
        row = (
            first[leg_of]
            + has_start[leg_of]
            + np.arange(len(leg_of))
            - np.repeat(curved.first[:-1], n[curved.leg])
        )
        out["article"][row] = curved.straight
        out["from_um"][row], out["to_um"][row] = (
            origin[leg_of] + curved.from_um,
            origin[leg_of] + curved.to_um,
        )
        out["gap_um"][row], out["left_over_um"][row] = curved.gap_um, curved.left_over_um
        out["cut_um"][row] = curved.cut_um
        kind[row] = _fill_kind(curved.straight, curved.cut_um, line)
        on_curve[row], deflection[row] = np.arange(len(row)), curved.deflection
        far_gap, far_over = far_gap.copy(), far_over.copy()
        far_gap[curved.leg], far_over[curved.leg] = curved.far_gap_um, curved.far_left_over_um
        far_deflection[curved.leg] = curved.far_deflection

    ends = np.array([e.laying_um for e in line.ends], dtype=np.int64)
    legs = np.flatnonzero(plan.start_end >= 0)
    row, unit = first[legs], plan.start_end[legs]
    out["article"][row] = n_straights + n_corners + unit
    out["from_um"][row] = origin[legs]
    out["to_um"][row] = origin[legs] + ends[unit]
    kind[row] = PieceKind.END

    legs = np.flatnonzero(plan.far_end >= 0)
    row, unit = first[legs + 1] - 1, plan.far_end[legs]
    out["article"][row] = n_straights + n_corners + unit
    out["from_um"][row] = origin[legs] + length[legs] - ends[unit]
    out["to_um"][row] = origin[legs] + length[legs]
    kind[row] = PieceKind.END

    legs = np.flatnonzero(plan.far_corner >= 0)
    row, at = first[legs + 1] - 1, plan.far_corner[legs]
    out["article"][row] = n_straights + corner_unit[at]
    out["from_um"][row] = origin[legs] + length[legs] - plan.far_um[legs]
    out["to_um"][row] = origin[legs] + length[legs] + leaving_um[at]
    kind[row] = PieceKind.CORNER
    corner[row] = at

    _sawn_rows(part, plan, first, out, kind, saw)
    legs = np.flatnonzero(has_far)
    row = first[legs + 1] - 1
    out["gap_um"][row], out["left_over_um"][row] = far_gap[legs], far_over[legs]
    deflection[row] = far_deflection[legs]
    # a left-over at a bare far end has no piece after it
    legs = np.flatnonzero(~has_far & (size > 0) & (far_over != 0))
    out["left_over_um"][first[legs + 1] - 1] += far_over[legs]
    if not back:
        # rings of rigid curves come with their seam's joint before the first piece
        ring = plan.ring if curved is None else plan.ring & ~np.isin(np.arange(len(plan)), curved.leg)
        _ring_joints(ring, first, far_gap, far_over, out)
    return _Rows(
        leg=leg,
        number=np.arange(total) - first[leg] + 1,
        kind=kind,
        corner=corner,
        deflection=deflection,
        curved=on_curve,
        start_saw=saw[0],
        far_saw=saw[1],
        **out,
    )


def _sawn_rows(
    part: Stations,
    plan: LegPlan,
    first: OffsetArray,
    out: dict[str, IntArray],
    kind: KindArray,
    saw: FloatArray,
) -> None:
    """Sawn pieces at the ends of the legs; a joint stands before one that follows a corner."""
    if plan.sawn is None or plan.sawn_ends is None:
        return
    sawn, ends = plan.sawn, plan.sawn_ends
    for length, at_far in ((sawn.start_um, False), (sawn.far_um, True)):
        legs = np.flatnonzero(length > 0)
        row = first[legs + 1] - 1 if at_far else first[legs]
        end = part.leg_from_um[legs] + (
            part.leg_um[legs] - plan.far_um[legs] + length[legs] if at_far else plan.start_um[legs]
        )
        out["article"][row] = sawn.source
        out["from_um"][row], out["to_um"][row] = end - length[legs], end
        out["cut_um"][row] = length[legs]
        kind[row] = PieceKind.CUT
        both = sawn.one[legs]
        if at_far:
            saw[1, row] = ends.far_deg[legs]
        else:
            saw[0, row] = ends.start_deg[legs]
            saw[1, row[both]] = ends.far_deg[legs[both]]
            out["gap_um"][row] = ends.corner_gap_um


def _without(plan: LegPlan, legs: IntArray) -> LegPlan:
    """The plan with nothing to fill in ``legs``."""
    changed = {}
    for name in ("counts", "cut_um", "gap_total_um", "left_over_um"):
        values = getattr(plan, name).copy()
        values[legs] = 0
        changed[name] = values
    return replace(plan, **changed)


def _fill_kind(straight: IntArray, cut_um: IntArray, line: ProductLine) -> KindArray:
    """Section, closer or cut piece."""
    whole = np.where(straight >= len(line.sections), PieceKind.CLOSER, PieceKind.SECTION)
    return np.where(cut_um > 0, PieceKind.CUT, whole).astype(np.int8)


def _ring_joints(
    ring: BoolArray, first: OffsetArray, far_gap: IntArray, far_over: IntArray, out: dict[str, IntArray]
) -> None:
    """A smooth ring laid from its start ends in a joint, and the piece after it is its first."""
    legs = np.flatnonzero(ring & (first[1:] > first[:-1]))
    out["gap_um"][first[legs]] = far_gap[legs]
    out["left_over_um"][first[legs + 1] - 1] -= far_over[legs]
    out["left_over_um"][first[legs]] += far_over[legs]


def piece_ids(leg_id: ObjectArray, leg: IntArray, number: IntArray) -> ObjectArray:
    """Ids ``<leg_id>-<nn>``: two digits, more where a leg has a hundred pieces or more.

    Parameters
    ----------
    leg_id : (l,) ids of the legs
    leg : (p,) leg of each piece
    number : (p,) number of each piece in its leg, from 1

    Returns
    -------
    (p,) str.
    """
    if len(leg) == 0:
        return np.empty(0, dtype=object)
    tails = np.array([f"-{k:02d}" for k in range(int(number.max()) + 1)], dtype=object)
    ids: ObjectArray = leg_id[leg] + tails[number]
    return ids


def _corner_headings(runs: Runs) -> FloatArray:
    """Heading halfway between the arriving and the leaving direction of each corner."""
    arriving = runs.corner_leg
    run = runs.leg_run[arriving]
    following = arriving + 1
    leaving = np.where(following == runs.leg_offsets[run + 1], runs.leg_offsets[run], following)
    last = runs.offsets[arriving + 1] - 1
    head = runs.offsets[leaving]
    one = runs.xy[last] - runs.xy[last - 1]
    two = runs.xy[head + 1] - runs.xy[head]
    one = one / np.hypot(one[:, 0], one[:, 1])[:, None]
    two = two / np.hypot(two[:, 0], two[:, 1])[:, None]
    return headings(one + two)
