"""The least-cost order with which every code suffices, jointly, in a stated share of the draws.

Given what each of D draws needs of each code, an order ``q`` suffices in draw d when ``q >= need[d]``
for every code.  Wanted is the least ``cost @ q`` that suffices in at least ``ceil(p D)`` of them: a
chance constraint over a sample, solved as a mixed-integer program over the levels each code takes in
the sample (Luedtke, Ahmed and Nemhauser 2010, doi:10.1007/s10107-008-0247-4, for the strengthening:
k draws may fail, so no code may stand below its (k + 1)-th greatest need).  The answer is proven
optimal for the sample, or comes with a proven bound.

The probability an order reaches is estimated from a second sample it was not fitted to, with the exact
lower confidence limit of a binomial share (Clopper and Pearson 1934, doi:10.1093/biomet/26.4.404).
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Final, Literal

import numpy as np
from scipy import sparse
from scipy.special import betaincinv

from siteplan.types import BoolArray, FloatArray, IntArray

CONFIDENCE: Final = 0.95
Status = Literal["optimal", "stopped"]
"""``optimal``: no order of less cost suffices in as many draws; ``stopped``: time ran out, see the bound"""


@dataclass(frozen=True, slots=True)
class Share:
    """A share of draws, and what it says of the probability."""

    hits: int
    draws: int

    @property
    def value(self) -> float:
        """The share itself."""
        return self.hits / self.draws

    @property
    def error(self) -> float:
        """Its standard error."""
        return math.sqrt(self.value * (1 - self.value) / self.draws)

    @property
    def lower(self) -> float:
        """With 95 % confidence the probability is no less (one-sided)."""
        return clopper_pearson(self.hits, self.draws, 2 * CONFIDENCE - 1)[0]


def clopper_pearson(hits: int, draws: int, confidence: float = 0.95) -> tuple[float, float]:
    """Exact two-sided confidence limits of a binomial probability.

    Examples
    --------
    >>> [round(x, 4) for x in clopper_pearson(81, 263)]
    [0.2527, 0.3677]
    """
    tail = (1 - confidence) / 2
    low = 0.0 if hits == 0 else float(betaincinv(hits, draws - hits + 1, tail))
    high = 1.0 if hits == draws else float(betaincinv(hits + 1, draws - hits, 1 - tail))
    return low, high


@dataclass(frozen=True, slots=True, eq=False)
class LeastOrder:
    """The least-cost order for a sample."""

    order: IntArray
    """(a,)"""
    cost: int
    bound: int
    """no order that suffices in as many draws costs less"""
    status: Status
    share: Share
    """of the sample it was fitted to"""


def suffices(order: IntArray, need: IntArray) -> BoolArray:
    """(d,) draws in which the order has enough of every code."""
    out: BoolArray = np.all(need <= order, axis=1)
    return out


def share_of(order: IntArray, need: IntArray) -> Share:
    """Share of the draws in which an order suffices."""
    return Share(int(suffices(order, need).sum()), len(need))


def least_order(
    need: IntArray,
    cost: IntArray,
    probability: Fraction,
    *,
    floor: IntArray | None = None,
    seconds: float = 20.0,
) -> LeastOrder:
    """The least-cost order that suffices in at least this share of the draws.

    Parameters
    ----------
    need : (d, a) pieces of each code each draw needs
    cost : (a,) of a piece, whole numbers above 0
    probability : above 0, at most 1
    floor : (a,) the order is never below this
    seconds : time the solver may take

    Returns
    -------
    The order with its cost and a proven bound below it.  Codes no draw needs are not ordered.

    Raises
    ------
    ValueError : no draw, a cost below 1, a probability out of its range.
    """
    draws = len(need)
    if not draws or not 0 < probability <= 1 or np.any(cost < 1):
        raise ValueError("there must be draws, costs of 1 or more, and a probability above 0, at most 1")
    must = math.ceil(probability * draws)
    least = np.zeros(need.shape[1], dtype=np.int64) if floor is None else floor.astype(np.int64)
    # the (k + 1)-th greatest need of each code: fewer, and more than k draws fail by this code alone
    least = np.maximum(least, np.sort(need, axis=0)[must - 1])
    above = np.maximum(need, least)
    rows, weight = np.unique(above, axis=0, return_counts=True)
    met = (rows == least).all(axis=1)
    base = int(weight[met].sum())
    rows, weight = rows[~met], weight[~met].astype(np.int64)
    if base >= must:
        order, bound, status = least, int(cost @ least), "optimal"
    else:
        order, bound, status = _program(rows, weight, must - base, least, cost, seconds)
        if status == "stopped":
            order = min(order, _alike(above, must), key=lambda q: int(cost @ q))
    return LeastOrder(order, int(cost @ order), bound, status, share_of(order, need))  # type: ignore[arg-type]


def tuned_order(
    need: IntArray, second: IntArray, cost: IntArray, probability: Fraction, seconds: float
) -> LeastOrder:
    """The least-cost order for a sample, at a share that holds in a second sample too.

    An order that is the cheapest for the draws it was made for has made use of their accidents, and
    suffices in fewer of others.  So the share asked of the first sample is raised by what lacks in the
    second, until nothing lacks there.

    Parameters
    ----------
    need, second : (d, a) two samples
    cost, probability : as for :func:`least_order`
    seconds : time the solver may take for all shares together.  Each takes no more than half of what is left,
        so that there is some for the next; what is stopped is still an order, with its bound
    """
    draws = len(need)
    asked = probability
    end = time.monotonic() + seconds
    while True:
        left = max(end - time.monotonic(), 0.0)
        made = least_order(need, cost, asked, seconds=left / 2)
        found = share_of(made.order, second)
        lacks = probability - Fraction(found.hits, found.draws)
        if lacks <= 0 or asked >= 1:
            return made
        asked = min(Fraction(1), asked + max(lacks / 2, Fraction(1, draws)))


def _alike(need: IntArray, must: int) -> IntArray:
    """The least order that suffices in enough draws and stands at the same quantile of every code."""
    ranked = np.sort(need, axis=0)
    low, high = must - 1, len(need) - 1
    while low < high:
        middle = (low + high) // 2
        if int(suffices(ranked[middle], need).sum()) >= must:
            high = middle
        else:
            low = middle + 1
    out: IntArray = ranked[low]
    return out


def _program(
    rows: IntArray, weight: IntArray, must: int, least: IntArray, cost: IntArray, seconds: float
) -> tuple[IntArray, int, str]:
    """The mixed-integer program: order, bound on the cost, status.

    Columns: one for every draw that is kept (between 0 and 1: it is whole where the levels are), one
    for every level of every code that is bought up to (0 or 1, falling with the level).
    """
    codes = [np.unique(rows[:, a][rows[:, a] > least[a]]) for a in range(rows.shape[1])]
    first = np.concatenate([[0], np.cumsum([len(c) for c in codes])])
    draws, levels = len(rows), int(first[-1])
    price, level_of = np.zeros(levels), np.full(rows.shape, -1, dtype=np.int64)
    for a, values in enumerate(codes):
        price[first[a] : first[a + 1]] = cost[a] * np.diff(np.concatenate([[least[a]], values]))
        high = rows[:, a] > least[a]
        level_of[high, a] = first[a] + np.searchsorted(values, rows[high, a])
    draw, code = np.nonzero(level_of >= 0)
    n = len(draw)
    keeps = sparse.csr_array(
        (np.concatenate([-np.ones(n), np.ones(n)]),
         (np.tile(np.arange(n), 2), np.concatenate([draw, draws + level_of[draw, code]]))),
        shape=(n, draws + levels),
    )  # fmt: skip
    second = np.setdiff1d(np.arange(levels), first[:-1])
    m = len(second)
    falls = sparse.csr_array(
        (np.concatenate([np.ones(m), -np.ones(m)]),
         (np.tile(np.arange(m), 2), np.concatenate([draws + second - 1, draws + second]))),
        shape=(m, draws + levels),
    )  # fmt: skip
    enough = sparse.csr_array((weight.astype(np.float64), (np.zeros(draws, int), np.arange(draws))),
                              shape=(1, draws + levels))  # fmt: skip
    matrix = sparse.vstack([keeps, falls, enough], format="csr")
    low = np.concatenate([np.zeros(n + m), [float(must)]])
    whole = np.arange(draws + levels) >= draws
    value, bound, status = _solved(np.concatenate([np.zeros(draws), price]), whole, matrix, low, seconds)
    bought = value[draws:] > 0.5
    order = least.copy()
    for a, values in enumerate(codes):
        up = int(bought[first[a] : first[a + 1]].sum())
        if up:
            order[a] = values[up - 1]
    # what the solver holds within its tolerances is counted again in whole numbers
    kept = int(weight[suffices(order, rows)].sum())
    if kept < must:
        raise AssertionError("the order of the solver does not suffice in as many draws as it must")
    # each code stands at its least in any order: that is a bound before the solver has one
    more = math.ceil(bound - 1e-6 * max(1.0, abs(bound))) if math.isfinite(bound) else 0
    return order, int(cost @ least) + max(more, 0), status


def _solved(
    cost: FloatArray, whole: BoolArray, matrix: sparse.csr_array, low: FloatArray, seconds: float
) -> tuple[FloatArray, float, str]:
    """Columns between 0 and 1 of least cost, the bound, and how it ended."""
    import highspy

    class Quiet(highspy.Highs):
        def __init__(self) -> None:
            # the wrapper's own constructor prints a banner
            super(highspy.Highs, self).__init__()
            self.setOptionValue("output_flag", False)

    solver: Any = Quiet()
    options = {
        "threads": 1, "random_seed": 0, "mip_rel_gap": 0.0, "mip_abs_gap": 0.5,
        "mip_feasibility_tolerance": 1e-7, "time_limit": seconds,
    }  # fmt: skip
    for option, value in options.items():
        solver.setOptionValue(option, value)
    program = highspy.HighsLp()
    program.num_col_, program.num_row_ = len(cost), len(low)
    program.col_cost_ = cost
    program.col_lower_, program.col_upper_ = np.zeros(len(cost)), np.ones(len(cost))
    program.row_lower_, program.row_upper_ = low, np.full(len(low), highspy.kHighsInf)
    program.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
    program.a_matrix_.start_ = matrix.indptr.astype(np.int32)
    program.a_matrix_.index_ = matrix.indices.astype(np.int32)
    program.a_matrix_.value_ = matrix.data
    kinds = highspy.HighsVarType
    program.integrality_ = [kinds.kInteger if w else kinds.kContinuous for w in whole]
    solver.passModel(program)
    # every draw kept is always a solution, so that there is one however short the time
    start = highspy.HighsSolution()
    start.col_value = np.ones(len(cost)).tolist()
    solver.setSolution(start)
    solver.run()
    done = solver.getModelStatus() == highspy.HighsModelStatus.kOptimal
    info = solver.getInfo()
    values = np.asarray(solver.getSolution().col_value, dtype=np.float64)
    bound = info.objective_function_value if done else info.mip_dual_bound
    return values, float(bound), "optimal" if done else "stopped"
