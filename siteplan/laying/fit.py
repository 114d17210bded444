"""The best fill of each leg, exactly, in whole micrometres.

A fill is sections, closers, cut pieces and joint gaps that meet the rest of a leg within its
tolerances; the best one is the lexicographic least of a list of goals.  docs/takeoff.md says in
words what is decided here, and why it is the optimum.

How it is found: every kind of piece but one (the *free* kind, the longest section as a rule) is
enumerated in a table of rows, one row per combination of the other kinds and of cut pieces.  For a
leg and a row the numbers of free pieces that fit are an interval, whose ends follow from the limits
by one division each; which number within it is best follows in closed form too, because along a row
each goal rises one way, or falls and then rises.  What is left is one candidate (two where the fit
comes first) per leg and row, and the least of them is the optimum over all fills.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields
from typing import Any, Final, get_args

import numpy as np
from numpy.typing import ArrayLike

from siteplan.errors import UsageError
from siteplan.laying.fit_types import FitReason, LegFits, Legs, Sawn, check_legs
from siteplan.products import Prefer, ProductLine
from siteplan.types import BoolArray, IntArray

__all__ = ["FitReason", "LegFits", "Sawn", "fit_legs"]

_CELLS: Final = 1 << 20
"""legs x rows looked at together; bounds the memory"""
_MOST_ROWS: Final = 4_000_000
"""combinations of the enumerated kinds of one leg; bounds the memory"""
_ANY: Final = 1 << 40
"""more pieces than any leg takes"""

_GOALS: Final[dict[Prefer, tuple[str, ...]]] = {
    "pieces": ("pieces", "closers", "cost", "deviation", "miss"),
    "fit": ("miss", "deviation", "pieces", "cost"),
    "cost": ("cost", "pieces", "deviation", "miss"),
}
"""what is made least, in order, among fills with equally many cuts (``cost``: among all)"""


def fit_legs(
    rest_um: ArrayLike,
    units: ArrayLike,
    closed: ArrayLike,
    short_um: ArrayLike,
    over_um: ArrayLike,
    line: ProductLine,
    *,
    prefer: Prefer = "pieces",
    closer_limit: int = 3,
    gap_least_um: ArrayLike | None = None,
    gap_greatest_um: ArrayLike | None = None,
    sawn: Sawn | None = None,
) -> LegFits:
    """Best fill of each leg.

    Parameters
    ----------
    rest_um : (l,) whole micrometres left for sections and closers, after corner arms, end units
        and clearances; may be negative
    units : (l,) ends of the leg at which a corner or an end unit stands: 0, 1 or 2
    closed : (l,) True for a closed run without corners; ``units`` and the tolerances are then
        not used: it has as many joints as pieces and closes exactly
    short_um, over_um : (l,) or a single number: how far a fill may miss the leg, not negative,
        limits inclusive
    line : the product line
    prefer : ``pieces``, ``fit`` or ``cost``: the list of goals
    closer_limit : closers a leg may take; a leg whose rest is less than the shortest section
        may take any number
    gap_least_um, gap_greatest_um : (l,) or a single number: limits of the joint gaps of each leg,
        within those of the line, where a leg has narrower ones; the line's by default
    sawn : pieces that must stand at ends of legs, such as mitred ones, their lengths free within
        limits; the fill and its best are then over all lengths they may have.  A leg with one is
        never too short for the closer limit.  Beside cut pieces they are as long as they can be

    Returns
    -------
    The fills, and the rule of thumb beside them.  No legs give empty arrays.

    Raises
    ------
    UsageError : an unknown list of goals, ``cost`` with a price missing, a negative closer limit,
        arrays that do not agree, an overlap as long as a piece, or a leg with more combinations
        of its pieces than can be compared.
    """
    if prefer not in get_args(Prefer):
        raise UsageError(f'prefer = "{prefer}" is not known; use pieces, fit or cost')
    if closer_limit < 0:
        raise UsageError(f"closer_limit is {closer_limit}; it must not be negative")
    least = line.gap_least_um if gap_least_um is None else gap_least_um
    greatest = line.gap_greatest_um if gap_greatest_um is None else gap_greatest_um
    if np.any(np.asarray(least) < line.gap_least_um) or np.any(np.asarray(greatest) > line.gap_greatest_um):
        raise UsageError("gap limits of a leg must lie within those of the product line")
    legs = check_legs(rest_um, units, closed, short_um, over_um, least, greatest, sawn)
    kit = _kit(line, prefer, closer_limit)
    distinct, same = legs.distinct()
    fills = _joined([_fill(distinct, block, kit) for block in _blocks(distinct, kit)], kit)
    fills = fills.take(np.argsort(fills.leg, kind="stable")).take(same)
    rule_sections, rule_left_over = _rule_of_thumb(legs, line)
    sawn_um = np.clip(
        fills.cut_total - fills.cuts * kit.cut_least,
        np.minimum(legs.sawn_least_um, fills.cut_total),
        legs.sawn_greatest_um,
    )
    cut = fills.cut_total - sawn_um
    first = cut - np.where(fills.cuts == 2, cut // 2, 0)
    return LegFits(
        counts=fills.counts,
        cut_um=np.column_stack([first, cut - first]),
        cut_from=np.where(np.arange(2) < fills.cuts[:, None], fills.cut_from[:, None], -1),
        joints=fills.joints,
        gap_total_um=fills.gap_total,
        left_over_um=fills.left_over,
        unmet=fills.reason != FitReason.MET,
        reason=fills.reason.astype(np.int8),
        rule_sections=rule_sections,
        rule_left_over_um=rule_left_over,
        cost=fills.cost + (0 if sawn is None else np.where(sawn_um > 0, sawn.cost, 0)),
        sawn_um=sawn_um,
    )


# ---------------------------------------------------------------- the product line as arrays


@dataclass(frozen=True, slots=True, eq=False)
class _Kit:
    """What the fit needs of a product line, and the estimator's choices."""

    laying: IntArray
    """(s,) sections, then closers"""
    cost: IntArray
    """(s,) price and laying"""
    sections: int
    cut_cost: int
    cut_from: IntArray
    """sections a cut piece can be cut from"""
    cut_least: int
    cut_greatest: IntArray
    """(s,)"""
    gap_least: int
    gap_nominal: int
    prefer: Prefer
    closer_limit: int

    @property
    def shortest_section(self) -> int:
        return int(self.laying[: self.sections].min())

    @property
    def has_closers(self) -> bool:
        return self.sections < len(self.laying)


def _kit(line: ProductLine, prefer: Prefer, closer_limit: int) -> _Kit:
    straights = line.straights
    laying = np.array([s.laying_um for s in straights], np.int64)
    if not line.sections:
        raise UsageError(f'product line "{line.key}" has no section')
    if laying.min() <= max(0, -line.gap_least_um):
        raise UsageError(f'product line "{line.key}": its overlap is as long as its shortest piece')
    bare = [s.article.code for s in straights if s.article.price is None]
    if prefer == "cost" and bare:
        raise UsageError(
            f'prefer = "cost" needs a price for every section and closer; product line "{line.key}" has none'
            f" for {', '.join(bare)}. Add the prices, or use prefer = pieces or fit"
        )
    cost = np.array([(s.article.price or 0) + line.laying_cost for s in straights], np.int64)
    sections = len(line.sections)
    greatest = laying - line.kerf_um
    can_cut = (greatest >= line.least_cut_um) & (np.arange(len(laying)) < sections) & line.cuttable
    return _Kit(
        laying=laying,
        cost=cost,
        sections=sections,
        cut_cost=line.cut_cost,
        cut_from=np.flatnonzero(can_cut),
        cut_least=line.least_cut_um,
        cut_greatest=greatest,
        gap_least=line.gap_least_um,
        gap_nominal=line.gap_nominal_um,
        prefer=prefer,
        closer_limit=closer_limit,
    )


def _rule_of_thumb(legs: Legs, line: ProductLine) -> tuple[IntArray, IntArray]:
    """Sections by rest over nominal length, halves up, and what they leave over."""
    first = line.sections[0]
    sections = np.maximum((2 * legs.rest_um + first.nominal_um) // (2 * first.nominal_um), 0)
    # the sawn pieces are among the sections it counts
    joints = np.where(
        sections > 0, np.maximum(sections + legs.extra_joints - legs.sawn_pieces, 0), legs.empty_joints
    )
    return sections, legs.rest_um - sections * first.laying_um - joints * line.gap_nominal_um


# ---------------------------------------------------------------- rows: all kinds but the free one


@dataclass(frozen=True, slots=True, eq=False)
class _Rows:
    """Combinations of all kinds but the free one, with ``cuts`` cut pieces each."""

    free: int
    """the kind whose number is solved for"""
    cuts: int
    counts: IntArray
    """(m, s), 0 for the free kind"""
    length: IntArray
    pieces: IntArray
    """cut pieces included"""
    closers: IntArray
    cost: IntArray
    cut_from: IntArray
    """section the cut pieces come from, -1 where there is none"""
    cut_least: IntArray
    """least and greatest sum of the cut pieces"""
    cut_greatest: IntArray
    free_least: IntArray
    """1 where the row has no piece of its own: a fill without any piece is a row by itself"""
    free_most: IntArray
    empty: bool
    """the last row is the fill without any piece"""

    def __len__(self) -> int:
        return len(self.length)


def _combinations(kinds: Sequence[int], kit: _Kit, budget: int, closer_limit: int | None) -> IntArray:
    """Every combination of ``kinds`` no longer than ``budget`` at least gaps, as (m, s) counts."""
    counts = np.zeros((1, len(kit.laying)), np.int64)
    used = np.zeros(1, np.int64)
    closers = np.zeros(1, np.int64)
    for kind in kinds:
        each = int(kit.laying[kind]) + kit.gap_least
        most = np.maximum((budget - used) // each, 0)
        if kind >= kit.sections and closer_limit is not None:
            most = np.minimum(most, closer_limit - closers)
        if int((most + 1).sum()) > _MOST_ROWS:
            raise UsageError(
                f"a leg of about {budget / 1e6:.1f} m has more combinations of the pieces of this product"
                " line than can be compared; split the run with an opening, or use fewer sections"
            )
        row = np.repeat(np.arange(len(counts)), most + 1)
        number = np.arange(len(row)) - np.repeat(np.cumsum(most + 1) - (most + 1), most + 1)
        counts = counts[row]
        counts[:, kind] = number
        used = used[row] + number * each
        closers = closers[row] + (number if kind >= kit.sections else 0)
    return counts


def _rows(counts: IntArray, free: int, cuts: int, kit: _Kit) -> _Rows:
    """Table of ``counts``, each with ``cuts`` cut pieces from each section that can be cut."""
    plain = len(counts)
    if cuts:
        counts = np.tile(counts, (len(kit.cut_from), 1))
        source = np.repeat(kit.cut_from, plain)
        each = kit.cost[source] + kit.cut_cost
        least = np.full(len(counts), cuts * kit.cut_least, np.int64)
        greatest = cuts * kit.cut_greatest[source]
    else:
        counts = np.vstack([counts, np.zeros((1, counts.shape[1]), np.int64)])
        source = np.full(len(counts), -1, np.int64)
        each = least = greatest = np.zeros(len(counts), np.int64)
    pieces = counts.sum(axis=1) + cuts
    free_most = np.full(len(counts), _ANY, np.int64)
    free_least = (pieces == 0).astype(np.int64)
    if not cuts:
        free_most[-1] = free_least[-1] = 0
    return _Rows(
        free=free,
        cuts=cuts,
        counts=counts,
        length=counts @ kit.laying,
        pieces=pieces,
        closers=counts[:, kit.sections :].sum(axis=1),
        cost=counts @ kit.cost + cuts * each,
        cut_from=source,
        cut_least=least,
        cut_greatest=greatest,
        free_least=free_least,
        free_most=free_most,
        empty=not cuts,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Block:
    """Legs looked at together, and the combinations they share."""

    legs: IntArray
    free: int
    combinations: IntArray


def _blocks(legs: Legs, kit: _Kit) -> Iterator[_Block]:
    """Legs in blocks of like rest, short ones (closers without limit) apart from the others."""
    everything = np.arange(len(legs))
    short = (legs.rest_um < kit.shortest_section) & kit.has_closers & (legs.sawn_pieces == 0)
    longest = int(np.argmax(kit.laying[: kit.sections]))
    shortest_closer = kit.sections + int(np.argmin(kit.laying[kit.sections :])) if kit.has_closers else -1
    for which, free, limit in (
        (everything[~short], longest, kit.closer_limit),
        (everything[short], shortest_closer, None),
    ):
        kinds = [k for k in range(len(kit.laying)) if k != free]
        # the table of the longest legs of a block serves all of it, so like lengths stand together
        which = which[np.argsort(-legs.rest_um[which], kind="stable")]  # noqa: PLW2901
        while len(which):
            budget = int((legs.rest_um[which] + legs.over_um[which]).max()) + abs(kit.gap_least)
            table = _combinations(kinds, kit, budget, limit)
            size = max(1, _CELLS // len(table))
            yield _Block(which[:size], free, table)
            which = which[size:]  # noqa: PLW2901


# ---------------------------------------------------------------- fills


@dataclass(frozen=True, slots=True, eq=False)
class _Fills:
    """Fills of legs, several or none for each, in order of leg, with what they are judged by."""

    leg: IntArray
    counts: IntArray
    cuts: IntArray
    cut_from: IntArray
    cut_total: IntArray
    joints: IntArray
    gap_total: IntArray
    left_over: IntArray
    pieces: IntArray
    closers: IntArray
    cost: IntArray
    deviation: IntArray
    """greatest deviation of a gap from nominal, the gaps as even as whole micrometres allow"""
    miss: IntArray
    """size of the left-over"""
    reason: IntArray

    def take(self, which: IntArray) -> _Fills:
        return _Fills(*(getattr(self, f.name)[which] for f in fields(self)))

    def keys(self, goals: Sequence[str]) -> list[IntArray]:
        return [getattr(self, goal) for goal in goals]


def _joined(parts: Sequence[_Fills], kit: _Kit) -> _Fills:
    def column(name: str) -> Any:
        columns = [getattr(p, name) for p in parts]
        if columns:
            return np.concatenate(columns)
        return np.zeros((0, len(kit.laying)) if name == "counts" else 0, np.int64)

    return _Fills(*(column(f.name) for f in fields(_Fills)))


def _fill(legs: Legs, block: _Block, kit: _Kit) -> _Fills:
    """Best fill of each leg of a block."""
    part = legs.take(block.legs)
    waiting = np.arange(len(part))
    done: list[_Fills] = []

    def settle(*cuts: int) -> None:
        """Fill those that wait with the best fill of ``cuts`` cut pieces."""
        nonlocal waiting
        found = [_best(part, waiting, block, k, kit) for k in cuts if k == 0 or len(kit.cut_from)]
        if len(found) > 1:
            found = [_best_of(found, kit)]
        for fills in found:
            done.append(fills)
            waiting = np.setdiff1d(waiting, fills.leg, assume_unique=True)

    if kit.prefer == "cost":
        settle(0, 1)
    else:
        settle(0)
        settle(1)
    settle(2)
    longest = _longest(part, waiting, block, kit)
    waiting = np.setdiff1d(waiting, longest.leg, assume_unique=True)
    fills = _joined([*done, longest, _nothing(part, waiting, kit)], kit)
    return _Fills(block.legs[fills.leg], *(getattr(fills, f.name) for f in fields(fills)[1:]))


def _best_of(found: Sequence[_Fills], kit: _Kit) -> _Fills:
    """Best of fills found apart; among equals the one with fewer cuts, then catalogue order."""
    fills = _joined(found, kit)
    fills = fills.take(np.argsort(fills.leg, kind="stable"))
    keys = [*fills.keys(_GOALS[kit.prefer]), fills.cuts, *_catalogue_order(fills)]
    return fills.take(_least(fills.leg, keys))


def _best(legs: Legs, which: IntArray, block: _Block, cuts: int, kit: _Kit) -> _Fills:
    """Best fill with exactly ``cuts`` cut pieces of each leg of ``which`` that has one."""
    rows = _rows(block.combinations, block.free, cuts, kit)
    part = legs.take(which)
    leg, row, least, most = _intervals(part, rows, kit)
    if kit.prefer == "fit":
        leg, row, number = _best_fitting(part, rows, kit, leg, row, least, most)
    else:
        # along a row, pieces and cost only rise with the number of free pieces
        number = least
    fills = _measured(part, rows, kit, leg, row, number)
    return _chosen(fills, which, _GOALS[kit.prefer])


def _chosen(fills: _Fills, which: IntArray, goals: Sequence[str]) -> _Fills:
    fills = fills.take(_least(fills.leg, fills.keys(goals)))
    # a row and a number of free pieces make one vector of counts, so one fill is left
    fills = fills.take(_least(fills.leg, _catalogue_order(fills)))
    return _Fills(which[fills.leg], *(getattr(fills, f.name) for f in fields(fills)[1:]))


def _catalogue_order(fills: _Fills) -> list[IntArray]:
    """More of the first piece of the catalogue, then of the second, ...; cut from the first section."""
    return [*(-fills.counts.T), fills.cut_from]


def _least(leg: IntArray, keys: Sequence[IntArray]) -> IntArray:
    """Positions of the lexicographic least of each leg, all equals; ``leg`` does not decrease."""
    keep = np.arange(len(leg))
    for key in keys:
        if not len(keep):
            break
        groups = leg[keep]
        starts = np.flatnonzero(np.r_[True, groups[1:] != groups[:-1]])
        values = key[keep]
        least = np.minimum.reduceat(values, starts)
        keep = keep[values == np.repeat(least, np.diff(np.r_[starts, len(keep)]))]
    return keep


def _ceil_div(a: IntArray, b: IntArray | int) -> IntArray:
    return -(-a // b)


def _intervals(legs: Legs, rows: _Rows, kit: _Kit) -> tuple[IntArray, IntArray, IntArray, IntArray]:
    """Where ``least..most`` free pieces fit: leg, row, least, most, in order of leg.

    n free pieces of laying length a, gaps g to h, cut pieces W to V, c and q the length and
    pieces of the row, j the joints beyond one per piece: the fill can be as short as
    n a + c + W + (n + q + j) g, which must not exceed rest + over, and as long as
    n a + c + V + (n + q + j) h, which must not be less than rest - short.  Sawn pieces are cut
    pieces whose limits are the leg's.
    """
    length = int(kit.laying[rows.free])
    g, h = legs.gap_least_um[:, None], legs.gap_greatest_um[:, None]
    extra = legs.extra_joints[:, None]
    most_um = legs.rest_um + legs.over_um - legs.sawn_least_um
    least_um = legs.rest_um - legs.short_um - legs.sawn_greatest_um
    room = most_um[:, None] - extra * g - (rows.length + rows.cut_least + rows.pieces * g)
    need = least_um[:, None] - extra * h - (rows.length + rows.cut_greatest + rows.pieces * h)
    if rows.empty:
        room[:, -1] = most_um - legs.empty_joints * legs.gap_least_um
        need[:, -1] = least_um - legs.empty_joints * legs.gap_greatest_um
    most = np.minimum(room // (length + g), rows.free_most)
    least = np.maximum(_ceil_div(need, length + h), rows.free_least)
    fits: BoolArray = (least <= most) & (g <= h)
    if rows.empty:
        fits[:, -1] &= ~legs.closed
    leg, row = np.nonzero(fits)
    return leg, row, least[leg, row], most[leg, row]


def _best_fitting(
    legs: Legs, rows: _Rows, kit: _Kit, leg: IntArray, row: IntArray, least: IntArray, most: IntArray
) -> tuple[IntArray, IntArray, IntArray]:
    """Candidates of the goals of ``fit``: leg, row, number of free pieces.

    Where some number meets the rest without left-over: the fewest pieces whose gaps deviate least.
    Elsewhere the left-over grows both ways from the rest, so the numbers next to it compete.
    """
    length = int(kit.laying[rows.free])
    target = legs.rest_um[leg] - rows.length[row]
    # joints less free pieces; the row without a piece has its number fixed, so any value serves it
    more = rows.pieces[row] + legs.extra_joints[leg]
    g, h = legs.gap_least_um[leg], legs.gap_greatest_um[leg]
    cut_least = rows.cut_least[row] + legs.sawn_least_um[leg]
    cut_greatest = rows.cut_greatest[row] + legs.sawn_greatest_um[leg]
    first = _ceil_div(target - cut_greatest - more * h, length + h)
    last = (target - cut_least - more * g) // (length + g)
    exact_least, exact_most = np.maximum(first, least), np.minimum(last, most)
    exact = exact_least <= exact_most

    # with n pieces the gaps are wide by (wide - n b) / (n + more), or narrow likewise: both
    # quotients run one way in n, so the least deviation stands next to where they change sign
    b = length + kit.gap_nominal
    wide = target - cut_greatest - more * kit.gap_nominal
    turn = _ceil_div(wide, b)
    ends = np.maximum(exact_most, exact_least)
    near = [np.clip(n, exact_least, ends) for n in (turn - 1, turn)]
    d = np.minimum(*(_measured(legs, rows, kit, leg, row, n).deviation for n in near))
    fewest = np.clip(np.maximum(exact_least, _ceil_div(wide - d * more, b + d)), least, most)

    below = np.where(exact, fewest, np.clip(last, least, most))
    above = np.clip(first, least, most)
    other = ~exact & (above != below)
    legs_both = np.concatenate([leg, leg[other]])
    order = np.argsort(legs_both, kind="stable")
    return (
        legs_both[order],
        np.concatenate([row, row[other]])[order],
        np.concatenate([below, above[other]])[order],
    )


def _measured(legs: Legs, rows: _Rows, kit: _Kit, leg: IntArray, row: IntArray, number: IntArray) -> _Fills:
    """Fills of ``number`` free pieces added to ``row``, their gaps and cuts at their best."""
    joints = np.maximum(number + rows.pieces[row] + legs.extra_joints[leg], 0)
    target = legs.rest_um[leg] - rows.length[row] - number * kit.laying[rows.free]
    cut_least = rows.cut_least[row] + legs.sawn_least_um[leg]
    cut_greatest = rows.cut_greatest[row] + legs.sawn_greatest_um[leg]
    nominal = joints * kit.gap_nominal
    gap_least = np.maximum(joints * legs.gap_least_um[leg], target - legs.short_um[leg] - cut_greatest)
    gap_most = np.minimum(joints * legs.gap_greatest_um[leg], target + legs.over_um[leg] - cut_least)
    if kit.prefer != "fit":
        # the deviation comes before the left-over: narrow the gaps to the least deviation first
        off = np.maximum(np.maximum(gap_least - nominal, nominal - gap_most), 0)
        spread = _ceil_div(off, joints.clip(1)) * joints
        gap_least, gap_most = np.maximum(gap_least, nominal - spread), np.minimum(gap_most, nominal + spread)
    total = np.clip(target, gap_least + cut_least, gap_most + cut_greatest)
    gap = np.clip(
        nominal, np.maximum(gap_least, total - cut_greatest), np.minimum(gap_most, total - cut_least)
    )
    return _assembled(rows, kit, leg, row, number, joints, gap, total - gap, target - total)


def _assembled(
    rows: _Rows,
    kit: _Kit,
    leg: IntArray,
    row: IntArray,
    number: IntArray,
    joints: IntArray,
    gap: IntArray,
    cut_total: IntArray,
    left_over: IntArray,
) -> _Fills:
    counts = rows.counts[row]
    counts[:, rows.free] += number
    return _Fills(
        leg=leg,
        counts=counts,
        cuts=np.full(len(leg), rows.cuts, np.int64),
        cut_from=rows.cut_from[row],
        cut_total=cut_total,
        joints=joints,
        gap_total=gap,
        left_over=left_over,
        pieces=rows.pieces[row] + number,
        closers=rows.closers[row] + (number if rows.free >= kit.sections else 0),
        cost=rows.cost[row] + number * kit.cost[rows.free],
        deviation=_ceil_div(np.abs(gap - joints * kit.gap_nominal), joints.clip(1)),
        miss=np.abs(left_over),
        reason=np.full(len(leg), FitReason.MET, np.int64),
    )


# ---------------------------------------------------------------- legs nothing meets


def _longest(legs: Legs, which: IntArray, block: _Block, kit: _Kit) -> _Fills:
    """Longest uncut fill that is not over, its gaps at their greatest, of legs that are not met.

    Sawn pieces have their greatest length.
    """
    which = which[legs.rest_um[which] >= legs.sawn_greatest_um[which]]
    part = legs.take(which)
    rest = part.rest_um - part.sawn_greatest_um
    rows = _rows(block.combinations, block.free, 0, kit)
    length = int(kit.laying[rows.free])
    h = part.gap_greatest_um
    room = (rest - part.extra_joints * h)[:, None] - (rows.length + rows.pieces * h[:, None])
    room[:, -1] = rest - part.empty_joints * h
    number = np.minimum(room // (length + h[:, None]), rows.free_most)
    fits: BoolArray = (number >= rows.free_least) & (part.gap_least_um <= h)[:, None]
    fits[:, -1] &= ~part.closed
    leg, row = np.nonzero(fits)
    free = number[leg, row]
    joints = np.maximum(free + rows.pieces[row] + part.extra_joints[leg], 0)
    gap = joints * h[leg]
    left_over = rest[leg] - rows.length[row] - free * length - gap
    fills = _assembled(rows, kit, leg, row, free, joints, gap, part.sawn_greatest_um[leg], left_over)
    fills.reason[:] = FitReason.NOTHING_FITS
    return _chosen(fills, which, ("miss", *(g for g in _GOALS[kit.prefer] if g != "miss")))


def _nothing(legs: Legs, which: IntArray, kit: _Kit) -> _Fills:
    """No piece at all: there is no room."""
    part = legs.take(which)
    none = np.zeros(len(which), np.int64)
    return _Fills(
        leg=which,
        counts=np.zeros((len(which), len(kit.laying)), np.int64),
        cuts=none,
        cut_from=none - 1,
        cut_total=none,
        joints=part.empty_joints,
        gap_total=none,
        left_over=part.rest_um,
        pieces=none,
        closers=none,
        cost=none,
        deviation=none,
        miss=np.abs(part.rest_um),
        reason=none + int(FitReason.NO_ROOM),
    )
