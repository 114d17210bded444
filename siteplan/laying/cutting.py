"""The cuts of a whole site planned together: which cut piece comes from which section.

docs/cutting.md says in words what is decided here.  A plan is checked in whole micrometres before
it is handed out; how few sections it takes, and what bounds that, is :mod:`siteplan.laying.cutting_lp`.

The kerf.  n pieces of one section are parted by n - 1 cuts, and a further cut frees the last one
from what is left, unless nothing is.  If what is left is thinner than the blade, that last cut takes
all of it.  So n pieces fit if, and only if, sum(length) + (n - 1) kerf <= section, which is
sum(length + kerf) <= section + kerf: lengths and section each grow by one kerf and the blade is gone
from the arithmetic, exactly.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike

from siteplan.errors import UsageError
from siteplan.laying.cutting_lp import Deadline, Packing, Pattern, instance, pack, pair
from siteplan.laying.takeoff import Takeoff
from siteplan.model import PieceKind
from siteplan.products import ProductLine, UsableEnds
from siteplan.types import BoolArray, IntArray, ObjectArray

Status = Literal["optimal", "feasible", "stopped"]
"""``optimal``: no plan takes fewer sections; ``feasible``: the steps ended above the bound;
``stopped``: the time limit ended them"""

TIME_LIMIT_S: Final = 45.0


@dataclass(frozen=True, slots=True, eq=False)
class CutPlan:
    """Sections to cut, and where each piece comes from.  p cut pieces, s sections."""

    stock_um: int
    """length of a section"""
    kerf_um: int
    usable_ends: UsableEnds
    cut_um: IntArray
    """(p,) lengths of the pieces, as given"""
    stock: IntArray
    """(p,) section each piece comes from, counted from 0"""
    nth: IntArray
    """(p,) place of the piece in its section, from 0: the order of sawing"""
    from_um: IntArray
    """(p,) where the piece begins in its section"""
    count: int
    """sections to cut"""
    bound: Fraction
    """proven: no plan takes fewer than this, rounded up"""
    bound_kind: str
    """what the bound is, for people"""
    status: Status
    offcut_um: IntArray
    """(s,) what is left of each section in one piece; 0 where nothing is"""
    kept: BoolArray
    """(s,) True where the offcut is worth keeping"""

    @property
    def least(self) -> int:
        """The bound rounded up: no plan takes fewer sections."""
        return -(-self.bound.numerator // self.bound.denominator)

    @property
    def gap(self) -> int:
        """Sections that a better plan, if there is one, could save at most."""
        return self.count - self.least

    @property
    def kept_um(self) -> int:
        """Offcuts worth keeping, summed."""
        return int(self.offcut_um[self.kept].sum())

    @property
    def kerf_total_um(self) -> int:
        """What the blade takes: everything that is neither piece nor offcut."""
        return self.count * self.stock_um - int(self.cut_um.sum()) - int(self.offcut_um.sum())

    @property
    def waste_um(self) -> int:
        """Offcuts not worth keeping, and what the blade takes."""
        return self.count * self.stock_um - int(self.cut_um.sum()) - self.kept_um

    def patterns(self) -> list[tuple[int, tuple[int, ...]]]:
        """How often each way to cut a section occurs, with its lengths, most frequent first."""
        ways: dict[tuple[int, ...], int] = {}
        for s in range(self.count):
            way = tuple(sorted(self.cut_um[self.stock == s].tolist(), reverse=True))
            ways[way] = ways.get(way, 0) + 1
        return sorted(((n, way) for way, n in ways.items()), key=lambda w: (-w[0], [-x for x in w[1]]))


def plan_cuts(
    cut_um: ArrayLike,
    stock_um: int,
    *,
    kerf_um: int = 0,
    usable_ends: UsableEnds = "any",
    least_offcut_um: int = 0,
    time_limit_s: float | None = TIME_LIMIT_S,
) -> CutPlan:
    """Cut pieces from as few sections as can be.

    Parameters
    ----------
    cut_um : (p,) whole micrometres, more than 0
    stock_um : length of a section
    kerf_um : width the blade takes
    usable_ends : ``any``: both ends of a cut piece may be sawn; ``one_factory_end``: one end must be
        an uncut end of its section, so a section gives two pieces at most; ``both`` is refused
    least_offcut_um : shortest offcut worth keeping.  With ``one_factory_end`` what is left between
        two pieces has no uncut end and is never kept
    time_limit_s : seconds after which the best plan found stands; None: none

    Returns
    -------
    The plan, sections in order of their first piece.  No pieces give no sections.

    Raises
    ------
    UsageError : lengths that are not whole or not positive, a piece longer than the section, a
        negative kerf, ``usable_ends = "both"``.
    """
    cut = _checked(cut_um, stock_um, kerf_um, usable_ends)
    if not len(cut):
        none = np.empty(0, dtype=np.int64)
        return CutPlan(
            stock_um, kerf_um, usable_ends, none, none, none, none, 0, Fraction(0),
            "nothing to cut", "optimal", none, np.empty(0, dtype=bool),
        )  # fmt: skip
    inst, which = instance(stock_um + kerf_um, cut + kerf_um)
    if usable_ends == "one_factory_end" or inst.most_in_a_bin <= 2:
        bins = pair(inst)
        packing, kind = Packing(bins, Fraction(len(bins)), True, True, False), "two pieces a section, exact"
    else:
        packing = pack(inst, Deadline.after(time_limit_s))
        kind = "linear program" if packing.closed else "below the linear program"
        if not packing.closed and packing.optimal:
            kind = "below the linear program, equal when rounded up"
    stock = _numbered(packing.bins, which)
    return _laid_out(cut, stock, stock_um, kerf_um, usable_ends, least_offcut_um, packing, kind)


def _checked(cut_um: ArrayLike, stock_um: int, kerf_um: int, usable_ends: UsableEnds) -> IntArray:
    cut = np.asarray(cut_um)
    if cut.size == 0:
        return np.empty(0, dtype=np.int64)
    if cut.ndim != 1 or not np.issubdtype(cut.dtype, np.integer):
        raise UsageError(f"cut_um must be a row of whole micrometres, not {cut.dtype} of shape {cut.shape}")
    if usable_ends == "both":
        raise UsageError(
            'usable_ends = "both" asks for cut pieces with two uncut ends, and a saw cut always leaves a sawn'
            ' one: use "any" or "one_factory_end", or cut nothing'
        )
    if usable_ends not in ("any", "one_factory_end"):
        raise UsageError(f'usable_ends = "{usable_ends}" is not known; use "any" or "one_factory_end"')
    if kerf_um < 0 or stock_um <= 0:
        raise UsageError(f"a section of {stock_um} um and a kerf of {kerf_um} um cannot be cut")
    if cut.min() <= 0 or cut.max() > stock_um:
        wrong = int(cut.min() if cut.min() <= 0 else cut.max())
        raise UsageError(f"a piece of {wrong} um cannot be cut from a section of {stock_um} um")
    return cut.astype(np.int64)


def _numbered(bins: list[Pattern], which: IntArray) -> IntArray:
    """(p,) section of each piece: pieces in their order, sections in order of their first piece."""
    slots: dict[int, list[int]] = {}
    # bins that use the same sizes lie together, so that a bin is filled from pieces near each other
    for s, pattern in enumerate(sorted(bins)):
        for size, times in pattern:
            slots.setdefault(size, []).extend([s] * times)
    taken = dict.fromkeys(slots, 0)
    stock = np.empty(len(which), dtype=np.int64)
    number: dict[int, int] = {}
    for p, size in enumerate(which.tolist()):
        s = slots[size][taken[size]]
        taken[size] += 1
        stock[p] = number.setdefault(s, len(number))
    return stock


def _laid_out(
    cut: IntArray,
    stock: IntArray,
    stock_um: int,
    kerf_um: int,
    usable_ends: UsableEnds,
    least_offcut_um: int,
    packing: Packing,
    kind: str,
) -> CutPlan:
    """Where in its section each piece lies, the longest first, and what is left."""
    order = np.lexsort((np.arange(len(cut)), -cut, stock))
    count = int(stock.max()) + 1
    first = np.searchsorted(stock[order], np.arange(count))
    nth = np.empty(len(cut), dtype=np.int64)
    nth[order] = np.arange(len(cut)) - first[stock[order]]
    with_blade = (cut + kerf_um)[order]
    before = np.cumsum(with_blade) - with_blade
    start = np.empty(len(cut), dtype=np.int64)
    start[order] = before - before[first][stock[order]]
    pieces = np.bincount(stock, minlength=count)
    used = np.bincount(stock, weights=cut, minlength=count).astype(np.int64) + pieces * kerf_um
    offcut = np.maximum(stock_um - used, 0)
    kept = offcut >= max(least_offcut_um, 1)
    if usable_ends == "one_factory_end":
        # the second piece is sawn off the other end
        second = nth == 1
        start[second] = stock_um - cut[second]
        kept &= pieces == 1
    if np.any(used - kerf_um > stock_um) or count != len(packing.bins):
        raise AssertionError("a cut plan does not fit its sections")
    status: Status = "optimal" if packing.optimal else "stopped" if packing.stopped else "feasible"
    return CutPlan(
        stock_um, kerf_um, usable_ends, cut, stock, nth, start, count,
        packing.bound, kind, status, offcut, kept,
    )  # fmt: skip


# ---------------------------------------------------------------- the cuts of a site


@dataclass(frozen=True, slots=True, eq=False)
class SectionCuts:
    """The plan for one code of section."""

    code: str
    first_stock: int
    """number of its first section on the saw list, from 1"""
    rows: IntArray
    """(p,) pieces of the takeoff that the plan cuts"""
    plan: CutPlan


@dataclass(frozen=True, slots=True, eq=False)
class SawList:
    """Cut pieces in order of sawing.  p rows."""

    stock: IntArray
    """(p,) number of the section, from 1, through all codes"""
    code: ObjectArray
    nth: IntArray
    """(p,) from 1"""
    row: IntArray
    """(p,) piece of the takeoff"""
    from_um: IntArray
    cut_um: IntArray
    offcut_um: IntArray
    """(p,) what is left of the section after its last piece, on the row of that piece, else 0"""
    kept: BoolArray

    def __len__(self) -> int:
        return len(self.stock)


@dataclass(frozen=True, slots=True, eq=False)
class SiteCuts:
    """Cut plans of a site, a plan for every code of section that is cut."""

    parts: tuple[SectionCuts, ...]

    def stock_of(self, code: str) -> int:
        """Sections of a code that are bought to be cut."""
        return sum(part.plan.count for part in self.parts if part.code == code)

    @property
    def stock(self) -> int:
        """Sections to cut."""
        return sum(part.plan.count for part in self.parts)

    @property
    def least(self) -> int:
        """No plan takes fewer sections: the bounds of the codes, each rounded up."""
        return sum(part.plan.least for part in self.parts)

    def saw_list(self) -> SawList:
        """All cut pieces by section, in order of sawing."""
        columns: list[list[np.ndarray]] = [[] for _ in range(8)]
        for part in self.parts:
            plan = part.plan
            order = np.lexsort((plan.nth, plan.stock))
            stock = plan.stock[order]
            last = np.append(stock[1:] != stock[:-1], True) if len(stock) else np.empty(0, dtype=bool)
            code = np.full(len(order), part.code, dtype=object)
            made = (
                stock + part.first_stock, code, plan.nth[order] + 1, part.rows[order], plan.from_um[order],
                plan.cut_um[order], np.where(last, plan.offcut_um[stock], 0), last & plan.kept[stock],
            )  # fmt: skip
            for column, values in zip(columns, made, strict=True):
                column.append(values)
        kinds: tuple[type, ...] = (np.int64, object, np.int64, np.int64, np.int64, np.int64, np.int64, bool)
        return SawList(
            *(np.concatenate(c) if c else np.empty(0, dtype=k) for c, k in zip(columns, kinds, strict=True))
        )


def plan_site_cuts(takeoff: Takeoff, *, time_limit_s: float | None = TIME_LIMIT_S) -> SiteCuts:
    """Plan the cuts of a whole site together, code by code.

    No code is of two lines, so sections of different lines never mix.

    Parameters
    ----------
    takeoff : the takeoff; its cut pieces are planned
    time_limit_s : seconds for each code
    """
    pieces = takeoff.pieces
    cut = pieces.kind == PieceKind.CUT
    # a mitred piece takes more of its section than its centre is long
    length_um = pieces.cut_um if pieces.stock_um is None else pieces.stock_um
    parts: list[SectionCuts] = []
    number = 1
    for line, section in ((x, s) for x in takeoff.lines for s in x.sections):
        rows = np.flatnonzero(cut & (pieces.code == section.article.code))
        if not len(rows):
            continue
        plan = plan_cuts(
            length_um[rows],
            section.laying_um,
            kerf_um=line.kerf_um,
            usable_ends=line.usable_ends,
            least_offcut_um=worth_keeping_um(line),
            time_limit_s=time_limit_s,
        )
        parts.append(SectionCuts(section.article.code, number, rows, plan))
        number += plan.count
    return SiteCuts(tuple(parts))


def worth_keeping_um(line: ProductLine) -> int:
    """Shortest offcut worth keeping: the line's, and never less than its least cut."""
    return max(line.least_offcut_um, line.least_cut_um)


def first_uses(parts: Iterable[SectionCuts], rank: IntArray) -> dict[str, IntArray]:
    """Least rank of the pieces of each section to cut, by code.

    Parameters
    ----------
    parts : the plans
    rank : (all pieces,) such as the phase a piece is laid in
    """
    least = {}
    for part in parts:
        ranks = np.full(part.plan.count, np.iinfo(np.int64).max)
        np.minimum.at(ranks, part.plan.stock, rank[part.rows])
        least[part.code] = ranks
    return least
