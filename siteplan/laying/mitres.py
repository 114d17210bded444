"""Sawn pieces at the ends of legs: what they may be, what they come to, how they lie.

At a mitre, and where a leg stops at an oblique face, a section is sawn off square.  Such a
piece is free in length: its make-up is done with the same cut.  With ``d`` the depth and
``a`` the angle off square, one face is longer than the centre by ``x = d / 2 x tan(a)`` and
the other shorter by as much; the piece is sawn from a section that is as long as the piece
and its point, so the centre comes to ``section - x`` at most, and the shorter face is never
less than the least cut length.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING

import numpy as np

from siteplan.laying.band import Band, Stations, cross_sections, slice_band
from siteplan.laying.corner_units import CornerChoice, leaving_legs, mitre_um
from siteplan.laying.fit_types import FitReason, LegFits, Sawn
from siteplan.model import Runs
from siteplan.planar import ragged
from siteplan.products import ProductLine
from siteplan.types import BoolArray, FloatArray, IntArray, OffsetArray, XYArray

if TYPE_CHECKING:
    from siteplan.laying.placement import LegPlan


def point_um(depth_um: int, saw_deg: FloatArray) -> IntArray:
    """How much longer a sawn piece is than its centre, at one end, in um.

    Parameters
    ----------
    depth_um : front to back
    saw_deg : (n,) angles off square, either sign; NaN: not sawn

    Returns
    -------
    (n,) ``depth / 2 x tan(|angle|)``, rounded up; 0 where the end is not sawn.

    Examples
    --------
    >>> point_um(120_000, np.array([45.0, -30.0, np.nan])).tolist()
    [60000, 34642, 0]
    """
    tangent = np.tan(np.radians(np.abs(np.nan_to_num(saw_deg))))
    return np.ceil(depth_um / 2 * tangent - 1e-3).astype(np.int64)


@dataclass(frozen=True, slots=True, eq=False)
class SawnEnds:
    """Sawn pieces the legs must have.  l legs."""

    start_deg: FloatArray
    """(l,) angle off square at the leg's start, NaN where no sawn piece stands there"""
    far_deg: FloatArray
    start_point_um: IntArray
    far_point_um: IntArray
    least_um: int
    """least length of the shorter face"""
    section_um: int
    """what they are sawn from"""
    source: int
    """its index; -1 where the line cuts nothing"""
    one_may_do: bool
    """a piece may be sawn at both ends"""
    joint_um: int
    """least space between two pieces"""
    corner_gap_um: int
    """space between two sawn ends, or a sawn end and a face, on the laying line"""

    def take(self, which: IntArray) -> SawnEnds:
        """Those of the legs ``which``, each as often as it is named."""
        return replace(
            self,
            start_deg=self.start_deg[which],
            far_deg=self.far_deg[which],
            start_point_um=self.start_point_um[which],
            far_point_um=self.far_point_um[which],
        )

    @property
    def start(self) -> BoolArray:
        """(l,)"""
        return ~np.isnan(self.start_deg)

    @property
    def far(self) -> BoolArray:
        """(l,)"""
        return ~np.isnan(self.far_deg)

    @property
    def least_room_um(self) -> IntArray:
        """(l,) what the sawn pieces of a leg take at the least; 0 without one."""
        points = self.start_point_um + self.far_point_um
        one = np.where(self.start | self.far, self.least_um + points, 0)
        both = 2 * self.least_um + points + max(self.joint_um, 0)
        return np.where(self.start & self.far & (not self.one_may_do), both, one)


def sawn_ends(start_deg: FloatArray, far_deg: FloatArray, line: ProductLine) -> SawnEnds:
    """Sawn pieces at the ends of legs.

    Parameters
    ----------
    start_deg, far_deg : (l,) angles off square, NaN where a leg's end is not sawn
    line : product line; sawn pieces come from its longest section
    """
    lengths = [s.laying_um for s in line.sections]
    source = int(np.argmax(lengths)) if lengths and line.cuttable else -1
    return SawnEnds(
        start_deg=start_deg,
        far_deg=far_deg,
        start_point_um=point_um(line.depth_um, start_deg),
        far_point_um=point_um(line.depth_um, far_deg),
        least_um=max(line.least_cut_um, 1),
        section_um=lengths[source] if source >= 0 else 0,
        source=source,
        one_may_do=line.usable_ends == "any",
        joint_um=line.gap_least_um,
        corner_gap_um=max(line.gap_nominal_um, 0),
    )


def no_sawn(count: int, line: ProductLine) -> SawnEnds:
    """No sawn piece on any of ``count`` legs."""
    none = np.full(count, np.nan)
    return sawn_ends(none, none.copy(), line)


def required(ends: SawnEnds, line: ProductLine) -> Sawn | None:
    """What the fit must know of the sawn pieces: None where no leg has one."""
    start, far = ends.start, ends.far
    pieces = start.astype(np.int64) + far
    if not pieces.any():
        return None
    points = ends.start_point_um + ends.far_point_um
    article = line.sections[ends.source].article
    each = (article.price or 0) + line.laying_cost + line.cut_cost
    return Sawn(
        pieces=pieces,
        least_um=pieces * ends.least_um + points,
        greatest_um=np.maximum(pieces * ends.section_um - points, pieces * ends.least_um + points),
        cost=pieces * each,
    )


@dataclass(frozen=True, slots=True, eq=False)
class SawnPieces:
    """The sawn pieces as laid.  l legs."""

    start_um: IntArray
    """(l,) centre length of the sawn piece at the leg's start, 0 for none"""
    far_um: IntArray
    one: BoolArray
    """(l,) one piece, in ``start_um``, is sawn at both ends and is all the leg has"""
    source: int
    """section they are sawn from"""

    @property
    def count(self) -> IntArray:
        """(l,) 0, 1 or 2"""
        return (self.start_um > 0).astype(np.int64) + (self.far_um > 0)


def one_piece(
    ends: SawnEnds, rest_um: IntArray, short_um: IntArray, over_um: IntArray
) -> tuple[BoolArray, IntArray]:
    """Legs that one piece fills which is sawn at both ends, and its length.

    Where it can be, it is the best fill of any list of goals: no other has as few pieces, cut
    pieces or sections, and it misses the leg only if its limits do.
    """
    points = ends.start_point_um + ends.far_point_um
    least, greatest = ends.least_um + points, ends.section_um - points
    length = np.clip(rest_um, least, np.maximum(greatest, least))
    left = rest_um - length
    fits = ends.start & ends.far & ends.one_may_do & (greatest >= least)
    fits = fits & (left <= short_um) & (left >= -over_um)
    return fits, np.where(fits, length, 0)


def share_out(ends: SawnEnds, fits: LegFits, one: BoolArray, one_um: IntArray) -> SawnPieces:
    """Lengths of the sawn pieces of each leg, two as equal as their limits allow.

    Parameters
    ----------
    ends : where sawn pieces stand
    fits : fills; their ``sawn_um`` is shared out
    one, one_um : legs with one piece sawn at both ends, and its length
    """
    total = np.zeros(len(one), dtype=np.int64) if fits.sawn_um is None else fits.sawn_um
    start, far = ends.start & (total > 0), ends.far & (total > 0)
    low = np.maximum(ends.least_um + ends.start_point_um, total - (ends.section_um - ends.far_point_um))
    high = np.minimum(ends.section_um - ends.start_point_um, total - (ends.least_um + ends.far_point_um))
    half = np.clip((total + 1) // 2, low, np.maximum(high, low))
    start_um = np.where(start & far, half, np.where(start, total, 0))
    far_um = np.where(far, total - start_um, 0)
    return SawnPieces(np.where(one, one_um, start_um), np.where(one, 0, far_um), one, ends.source)


def with_one_piece(
    fits: LegFits, one: BoolArray, one_um: IntArray, rest_um: IntArray, cost: IntArray
) -> LegFits:
    """Fills with those of ``one`` replaced by one piece sawn at both ends."""
    if not one.any():
        return fits
    empty = {
        "cut_from": -1, "left_over_um": rest_um - one_um, "sawn_um": one_um, "cost": cost,
        "unmet": False, "reason": FitReason.MET,
    }  # fmt: skip
    changed = {}
    for name in (f.name for f in fields(fits) if not f.name.startswith("rule_")):
        values = getattr(fits, name).copy()
        other = empty.get(name, 0)
        values[one] = other[one] if isinstance(other, np.ndarray) else other
        changed[name] = values
    return replace(fits, **changed)


# ---------------------------------------------------------------- what the corners list


@dataclass(frozen=True, slots=True, eq=False)
class CornerPiece:
    """The sawn piece beside each corner, of one of its legs.  c corners, NaN where there is none."""

    saw_deg: FloatArray
    """(c,) angle off square, never negative"""
    outer_um: FloatArray
    """(c,) length on the convex side of the corner"""
    centre_um: FloatArray
    inner_um: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class CornerSections:
    """The sawn pieces beside each corner."""

    arriving: CornerPiece
    leaving: CornerPiece


def corner_sections(runs: Runs, corners: CornerChoice, plan: LegPlan, depth_um: int) -> CornerSections:
    """Lengths and angles of the sawn pieces beside each corner.

    Parameters
    ----------
    runs : runs with their corners
    corners : how each corner is made
    plan : what each leg holds, its sawn pieces among it
    depth_um : front to back
    """
    nothing = np.full(len(corners), np.nan)
    if plan.sawn is None or plan.sawn_ends is None:
        none = CornerPiece(nothing, nothing, nothing, nothing)
        return CornerSections(none, none)
    sawn, ends = plan.sawn, plan.sawn_ends
    made = []
    for leg, length, angle, other in (
        (runs.corner_leg, np.where(sawn.one, sawn.start_um, sawn.far_um), ends.far_deg, ends.start_deg),
        (leaving_legs(runs), sawn.start_um, ends.start_deg, ends.far_deg),
    ):
        tangent = np.tan(np.radians(angle[leg]))
        # a piece sawn at both ends is longer or shorter at its other end too
        tangent = tangent + np.where(sawn.one[leg], np.tan(np.radians(np.nan_to_num(other[leg]))), 0.0)
        more = np.sign(runs.corner_turn_deg) * depth_um / 2 * tangent
        laid = length[leg] > 0
        centre = np.where(laid & ~np.isnan(angle[leg]), length[leg], np.nan)
        made.append(
            CornerPiece(
                np.where(np.isnan(centre), np.nan, np.abs(angle[leg])), centre + more, centre, centre - more
            )
        )
    return CornerSections(made[0], made[1])


# ---------------------------------------------------------------- how they lie on the ground


@dataclass(frozen=True, slots=True, eq=False)
class ClearEnds:
    """Piece ends that lie where the strip turns, on a leg that runs through there.  p pieces.

    Up to the corner point and past it such a leg goes straight on.
    """

    from_near_start: BoolArray
    """(p,) where the piece starts, at a through end at the leg's start"""
    from_near_far: BoolArray
    to_near_start: BoolArray
    to_near_far: BoolArray
    fan_start_um: IntArray
    """(l,) how far from its start a leg's strip begins to turn; 0 where nothing is sawn or runs through"""
    fan_far_um: IntArray


def clear_ends(
    runs: Runs,
    part: Stations,
    corners: CornerChoice,
    leg: IntArray,
    from_um: IntArray,
    to_um: IntArray,
    depth_um: int,
) -> ClearEnds:
    """Find the piece ends beside the corners that legs run through.

    Parameters
    ----------
    runs, part : runs and their stations
    corners : how each corner is made
    leg, from_um, to_um : (p,) pieces
    depth_um : front to back
    """
    count = len(runs.leg_id)
    fan = mitre_um(depth_um, runs.corner_turn_deg) + 1
    turned = np.zeros((2, count), dtype=np.int64)
    through = np.zeros((2, count), dtype=np.bool_)
    leaving, made = leaving_legs(runs), ~np.isnan(corners.arriving_saw_deg) | (corners.through > 0)
    made |= ~np.isnan(corners.leaving_saw_deg)
    turned[0, leaving[made]], turned[1, runs.corner_leg[made]] = fan[made], fan[made]
    through[0, leaving[corners.through == 2]] = True
    through[1, runs.corner_leg[corners.through == 1]] = True
    low = part.leg_from_um + turned[0]
    high = part.leg_from_um + part.leg_um - turned[1]
    return ClearEnds(
        through[0, leg] & (from_um < low[leg]),
        through[1, leg] & (from_um > high[leg]),
        through[0, leg] & (to_um < low[leg]),
        through[1, leg] & (to_um > high[leg]),
        turned[0],
        turned[1],
    )


def sawn_outlines(
    runs: Runs,
    part: Stations,
    band: Band,
    ends: ClearEnds,
    leg: IntArray,
    from_um: IntArray,
    to_um: IntArray,
    start_saw_deg: FloatArray,
    far_saw_deg: FloatArray,
    depth_um: int,
    outline_xy: XYArray,
    offsets: OffsetArray,
) -> tuple[XYArray, OffsetArray]:
    """Footprints with those of sawn pieces, and of pieces that run through a corner, as they lie.

    Parameters
    ----------
    runs, part, band : runs, their stations, their strips
    ends : piece ends beside corners that legs run through
    leg, from_um, to_um : (p,) pieces
    start_saw_deg, far_saw_deg : (p,) angles off square, NaN where an end is square
    depth_um : front to back
    outline_xy, offsets : footprints as slices of the strips

    Returns
    -------
    The footprints and their offsets.
    """
    at_start = ends.from_near_start | ends.from_near_far | ~np.isnan(start_saw_deg)
    at_far = ends.to_near_start | ends.to_near_far | ~np.isnan(far_saw_deg)
    some = np.flatnonzero(at_start | at_far)
    if not len(some):
        return outline_xy, offsets
    of, run = leg[some], runs.leg_run[leg[some]]
    low = part.leg_from_um[of] + ends.fan_start_um[of]
    high = np.maximum(part.leg_from_um[of] + part.leg_um[of] - ends.fan_far_um[of], low + 2)
    # the part of the piece whose cross-sections are square to its leg, and at least 2 um of it
    first = np.where(at_start[some], np.clip(from_um[some], low, high - 2), from_um[some])
    last = np.where(at_far[some], np.clip(to_um[some], first + 2, np.maximum(high, first + 2)), to_um[some])
    xy, new = slice_band(band, run, first, last)
    _, right = cross_sections(band, run, last)
    size = np.diff(new)
    ring = np.repeat(np.arange(len(some)), size)
    away = np.hypot(*(xy - right[ring]).T)
    away[new[:-1]] = np.inf
    order = np.lexsort((away, ring))
    right_to = order[new[:-1]]
    for which, station, saw, near_start, first_row, second_row, sign in (
        (
            at_start,
            from_um,
            start_saw_deg,
            ends.from_near_start | ~np.isnan(start_saw_deg),
            new[:-1],
            new[1:] - 1,
            -1,
        ),
        (at_far, to_um, far_saw_deg, ends.to_near_start, right_to, right_to + 1, 1),
    ):
        rows = np.flatnonzero(which[some])
        piece = some[rows]
        on, along = _beyond(runs, part, leg[piece], station[piece], near_start[piece])
        normal = np.column_stack([-along[:, 1], along[:, 0]]) * (depth_um / 2e6)
        slope = np.tan(np.radians(np.nan_to_num(saw[piece]))) * (depth_um / 2e6) * sign
        shift = along * slope[:, None]
        xy[first_row[rows]] = on - normal + shift
        xy[second_row[rows]] = on + normal - shift
    return _replaced(outline_xy, offsets, some, xy, new)


def _beyond(
    runs: Runs, part: Stations, leg: IntArray, at_um: IntArray, from_start: BoolArray
) -> tuple[XYArray, XYArray]:
    """Points at stations of legs that go straight on past their ends, and the direction there."""
    end = np.where(from_start, runs.offsets[leg], runs.offsets[leg + 1] - 1)
    other = np.where(from_start, end + 1, end - 1)
    step = np.where(from_start[:, None], runs.xy[other] - runs.xy[end], runs.xy[end] - runs.xy[other])
    length = np.hypot(step[:, 0], step[:, 1])
    along = step / length[:, None]
    scale = np.full(len(leg), 1e-6)
    if runs.walked_m is not None:
        scale *= length / np.abs(runs.walked_m[other] - runs.walked_m[end])
    zero = part.leg_from_um[leg] + np.where(from_start, 0, part.leg_um[leg])
    return runs.xy[end] + along * ((at_um - zero) * scale)[:, None], along


def _replaced(
    xy: XYArray, offsets: OffsetArray, which: IntArray, new_xy: XYArray, new_offsets: OffsetArray
) -> tuple[XYArray, OffsetArray]:
    """Rings with those of ``which`` replaced."""
    size = np.diff(offsets)
    size[which] = np.diff(new_offsets)
    out_offsets = np.concatenate([[0], np.cumsum(size)]).astype(np.int64)
    out = np.empty((out_offsets[-1], 2))
    kept = np.ones(len(size), dtype=np.bool_)
    kept[which] = False
    same = np.flatnonzero(kept)
    out[ragged(out_offsets[same], size[same])] = xy[ragged(offsets[same], size[same])]
    out[ragged(out_offsets[which], size[which])] = new_xy
    return out, out_offsets
