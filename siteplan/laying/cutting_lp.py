"""One-dimensional cutting stock: patterns, the linear-programming bound, whole-number plans.

Everything that decides is in whole numbers.  Sizes and the capacity are whole (micrometres over
their greatest common divisor: exact, never rounded).  The linear program over patterns is solved by
column generation in floating point, but its answer is only a guess of prices: the prices are
rounded down to whole numbers, the dearest pattern at those prices is found exactly, and

    bound = (sum of demand x price) / (price of the dearest pattern)

is a lower bound for *any* prices (Farley 1990, doi:10.1287/opre.38.5.922; it follows from weak
duality), so no rounding error can make it too high.  Column generation: Gilmore and Gomory 1961,
doi:10.1287/opre.9.6.849.

The dearest pattern is a bounded knapsack.  Its table is kept on a grid of at most ``_GRID`` cells on
which sizes are rounded *down*: a relaxation, hence an upper bound for every branch of a depth-first
search that itself works with the exact sizes.
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Final

import numpy as np

from siteplan.types import IntArray

Pattern = tuple[tuple[int, int], ...]
"""(size index, times) pairs, index rising"""

_GRID: Final = 4096
_SCALE: Final = 1 << 36
"""whole-number value of a price of 1"""
_TABLE_CELLS: Final = 16_000_000
"""cells of the knapsack table; bounds the memory to 128 MB"""
_ENOUGH: Final = 24
"""patterns a pricing round adds at most"""
_NODES: Final = 100_000
"""nodes of one knapsack search before it falls back to its upper bound"""
_NODES_ONCE_FOUND: Final = 300
"""nodes after a pattern worth adding was found: more of them are better than a better one"""
_CLOSE_WORK: Final = 12_000
_CLOSE_NODES: Final = 20_000
"""rounds x sizes, and nodes, spent on closing the program when its rounded-up value is known already"""


@dataclass(frozen=True, slots=True, eq=False)
class Instance:
    """Sizes with their demand, to be put in as few bins of one capacity as possible.  m sizes."""

    capacity: int
    sizes: IntArray
    """(m,) falling, each at most the capacity"""
    demand: IntArray
    """(m,) at least 1"""

    def __len__(self) -> int:
        return len(self.sizes)

    @property
    def material(self) -> Fraction:
        """Sum of all sizes over the capacity: the simplest lower bound."""
        return Fraction(
            sum(int(s) * int(d) for s, d in zip(self.sizes, self.demand, strict=True)), self.capacity
        )

    @property
    def most_in_a_bin(self) -> int:
        """Greatest number of the smallest sizes that fit together."""
        room, count = self.capacity, 0
        for size, demand in zip(self.sizes[::-1].tolist(), self.demand[::-1].tolist(), strict=True):
            taken = min(demand, room // size)
            room, count = room - taken * size, count + taken
            if taken < demand:
                break
        return count


def instance(capacity: int, sizes: IntArray) -> tuple[Instance, IntArray]:
    """Equal sizes grouped and everything divided by the greatest common divisor.

    Parameters
    ----------
    capacity : whole number
    sizes : (n,) whole numbers of 1 or more, none above the capacity

    Returns
    -------
    The instance, and (n,) the index of each size in it.
    """
    values, same, demand = np.unique(sizes, return_inverse=True, return_counts=True)
    # only the sizes need a common divisor: what of the capacity is no multiple of it cannot be used
    step = int(np.gcd.reduce(values)) if len(values) else 1
    made = Instance(capacity // step, (values // step)[::-1].copy(), demand[::-1].astype(np.int64).copy())
    return made, len(values) - 1 - same


# ---------------------------------------------------------------- plans without a program


def pair(inst: Instance) -> list[Pattern]:
    """Fewest bins when a bin holds two at most: the largest with the smallest that is left, if it fits.

    Optimal by exchange: if the largest fits with any, it fits with the smallest, and giving it the
    smallest leaves the others no worse partners than before.
    """
    items = np.repeat(np.arange(len(inst)), inst.demand).tolist()
    size = inst.sizes.tolist()
    low, high = 0, len(items) - 1  # sizes fall: ``high`` is the smallest
    made: list[Pattern] = []
    while low <= high:
        one = items[low]
        if low < high and size[one] + size[items[high]] <= inst.capacity:
            other = items[high]
            made.append(((one, 2),) if one == other else ((one, 1), (other, 1)))
            high -= 1
        else:
            made.append(((one, 1),))
        low += 1
    return made


def fill_greedily(inst: Instance, demand: IntArray) -> list[Pattern]:
    """Bins filled one at a time, each time with the largest size that still fits."""
    left = demand.tolist()
    sizes = inst.sizes.tolist()
    falling = -inst.sizes
    following = list(range(len(sizes) + 1))  # next size with demand, path-compressed

    def alive(k: int) -> int:
        root = k
        while following[root] != root:
            root = following[root]
        while following[k] != root:
            following[k], k = root, following[k]
        return root

    for k, n in enumerate(left):
        if n == 0:
            following[k] = k + 1
    made: list[Pattern] = []
    while (k := alive(0)) < len(sizes):
        room, chosen = inst.capacity, []
        while k < len(sizes):
            taken = min(left[k], room // sizes[k])
            if taken:
                chosen.append((k, taken))
                room -= taken * sizes[k]
                left[k] -= taken
                if left[k] == 0:
                    following[k] = k + 1
            k = alive(max(k + (taken == 0 or left[k] > 0), int(np.searchsorted(falling, -room))))
        made.append(tuple(chosen))
    return made


def fill_closely(inst: Instance) -> list[Pattern]:
    """Bins filled one at a time: the largest sizes that are left, then the pair that fills the rest."""
    left = inst.demand.copy()
    made: list[Pattern] = []
    while left.any():
        chosen = _closely(inst, left)
        np.subtract.at(left, chosen, 1)
        made.append(_pattern(tuple(chosen)))
    return made


def _closely(inst: Instance, demand: IntArray) -> list[int]:
    """Sizes of the next bin: of the largest once, twice and so on with a pair, what leaves least."""
    left = demand.copy()
    close = inst.capacity // _CLOSE
    placed: list[int] = []
    best: list[int] = []
    room, least = inst.capacity, inst.capacity
    alive = np.flatnonzero(left)
    while True:
        alive = alive[int(np.searchsorted(-inst.sizes[alive], -room)) :]
        alive = alive[left[alive] > 0]
        if not len(alive):
            return placed if room < least else best
        largest = int(inst.sizes[alive[0]])
        if placed and room < 3 * largest:
            pair = alive[_close_pair(inst.sizes[alive], left[alive], room, close)]
            rest = room - int(inst.sizes[pair].sum())
            if rest < least:
                best, least = [*placed, *pair.tolist()], rest
            if least <= close:
                return best
        placed.append(int(alive[0]))
        left[alive[0]] -= 1
        room -= largest


_CLOSE: Final = 20_000
"""a bin whose room left is this part of its capacity counts as full"""


def _close_pair(sizes: IntArray, left: IntArray, room: int, close: int) -> list[int]:
    """One or two of the sizes (falling, all at most the room) that fill it.

    Of all that leave no more than ``close``, the pair most alike, so that the small sizes, which fit
    anywhere, stay for the end; otherwise the one that leaves least.
    """
    index = np.arange(len(sizes))
    other = np.searchsorted(-sizes, sizes - room)
    # a pair of one size needs two of it; the next smaller size fits too
    other = np.where((other == index) & (left < 2), other + 1, other)
    paired = other < len(sizes)
    sums = sizes + np.where(paired, sizes[np.minimum(other, len(sizes) - 1)], 0)
    good = np.flatnonzero((sums >= min(room - close, int(sums.max()))) & (index <= other))
    best = int(good[-1])
    return [best, int(other[best])] if paired[best] else [best]


# ---------------------------------------------------------------- bounds without a program


def large_and_small(inst: Instance) -> Fraction:
    """Lower bound from sizes of which no two, or no two with a third, share a bin.

    For a threshold t up to half the capacity: a size above capacity - t fills a bin by itself; of
    the sizes above half, each has a bin of its own; the sizes from t to half fill what these leave
    and then further bins.  The greatest over all t; at t = 0 it is no less than the material.  It is
    the value of the linear program's dual at a dual-feasible function, so the program's value is no
    less.  Martello and Toth 1990, Discrete Applied Mathematics 28, 59-70, doi:10.1016/0166-218X(90)90094-S.
    """
    capacity = inst.capacity
    sizes, demand = inst.sizes[::-1], inst.demand[::-1]  # rising
    count = np.concatenate([[0], np.cumsum(demand)]).tolist()
    total = [0]
    for size, times in zip(sizes.tolist(), demand.tolist(), strict=True):
        total.append(total[-1] + size * times)
    half = int(np.searchsorted(2 * sizes, capacity, side="right"))
    best = Fraction(0)
    for first in range(half + 1):
        threshold = 0 if first == 0 else int(sizes[first - 1]) + 1 if first == half else int(sizes[first])
        if 2 * threshold > capacity:
            continue
        alone = int(np.searchsorted(sizes, capacity - threshold, side="right"))
        bins = count[-1] - count[half]
        spare = (count[alone] - count[half]) * capacity - (total[alone] - total[half])
        more = total[half] - total[first] - spare
        best = max(best, bins + max(Fraction(0), Fraction(more, capacity)))
    return best


# ---------------------------------------------------------------- the dearest pattern


class Knapsack:
    """Dearest pattern of an instance at whole-number prices, exactly."""

    def __init__(self, inst: Instance, most: IntArray) -> None:
        self.inst, self.most = inst, most
        cells = max(64, min(_GRID, _TABLE_CELLS // (len(inst) + 1)))
        self.cell = max(1, -(-(inst.capacity + 1) // cells))
        self.width = inst.capacity // self.cell + 1
        self.down = inst.sizes // self.cell
        self.sizes = inst.sizes
        self.nodes = 0

    def _table(self, price: IntArray) -> IntArray:
        """(m + 1, width) dearest filling of a grid capacity with the sizes from i on."""
        m = len(self.sizes)
        table = np.zeros((m + 1, self.width), dtype=np.int64)
        for i in range(m - 1, -1, -1):
            row, after = table[i], table[i + 1]
            row[:] = after
            weight, each, most = int(self.down[i]), int(price[i]), int(self.most[i])
            if each <= 0 or most == 0:
                continue
            if weight == 0:
                row += each * most
                continue
            for n in range(1, min(most, (self.width - 1) // weight) + 1):
                np.maximum(row[n * weight :], after[: -n * weight] + n * each, out=row[n * weight :])
        return table

    def dearest(self, price: IntArray, above: int) -> tuple[int, list[tuple[int, Pattern]]]:
        """Greatest value of a pattern, if it is more than ``above``, and the patterns found on the way.

        Parameters
        ----------
        price : (m,) whole numbers, not negative
        above : patterns that are worth no more are not looked for

        Returns
        -------
        An upper bound on the value of every pattern (exact unless the search grew too large, and
        never below ``above``), and (value, pattern) pairs, dearest first.
        """
        table = self._table(price)
        found: list[tuple[int, Pattern]] = []
        best = above
        nodes = since = 0
        room = self.inst.capacity
        top = int(table[0, room // self.cell])
        if top <= best:
            return best, found
        # (upper bound, first size, times left of it, room, value, chosen), deepest and dearest last
        stack: list[tuple[int, int, int, int, int, tuple[int, ...]]] = [
            (top, 0, int(self.most[0]), room, 0, ())
        ]
        while stack:
            upper, first, left, room, value, chosen = stack.pop()
            if upper <= best:
                continue
            nodes += 1
            self.nodes += 1
            since += bool(found)
            if nodes > _NODES or since > _NODES_ONCE_FOUND:
                return max([best, upper, *(s[0] for s in stack)]), _sorted(found)
            start = max(first + (left == 0), int(np.searchsorted(-self.sizes, -room)))
            if start >= len(self.sizes):
                continue
            # the column falls with i: beyond ``stop`` no pattern can be dear enough
            column = table[start:-1, room // self.cell]
            stop = start + int(np.searchsorted(-column, -(best - value)))
            if stop <= start:
                continue
            sizes = self.sizes[start:stop]
            uppers = value + price[start:stop] + table[np.arange(start, stop), (room - sizes) // self.cell]
            keep = np.flatnonzero((uppers > best) & (price[start:stop] > 0) & (self.most[start:stop] > 0))
            if not len(keep):
                continue
            keep = keep[np.argsort(uppers[keep], kind="stable")]
            for k in keep.tolist():
                i = start + k
                worth = value + int(price[i])
                line = (*chosen, i)
                if worth > best:
                    best = worth
                    found.append((worth, _pattern(line)))
                times = (left if i == first else int(self.most[i])) - 1
                stack.append((int(uppers[k]), i, times, room - int(self.sizes[i]), worth, line))
        return best, _sorted(found)


def _pattern(line: tuple[int, ...]) -> Pattern:
    counts: dict[int, int] = {}
    for i in line:
        counts[i] = counts.get(i, 0) + 1
    return tuple(sorted(counts.items()))


def _sorted(found: list[tuple[int, Pattern]]) -> list[tuple[int, Pattern]]:
    return sorted(found, key=lambda f: -f[0])


# ---------------------------------------------------------------- the linear program


@dataclass(slots=True)
class Deadline:
    """Time at which a plan takes what it has."""

    at: float | None

    @classmethod
    def after(cls, seconds: float | None) -> Deadline:
        """So many seconds from now; None for never."""
        return cls(None if seconds is None else time.monotonic() + seconds)

    @property
    def passed(self) -> bool:
        """True when it is over."""
        return self.at is not None and time.monotonic() >= self.at

    @property
    def left_s(self) -> float:
        """Seconds left."""
        return math.inf if self.at is None else max(0.0, self.at - time.monotonic())


def _solver() -> Any:
    """The HiGHS solver, silent.

    The wrapper's own constructor prints a banner on standard output, which belongs to the caller.
    """
    import highspy

    class Quiet(highspy.Highs):
        def __init__(self) -> None:
            super(highspy.Highs, self).__init__()
            self.setOptionValue("output_flag", False)

    solver = Quiet()
    solver.setOptionValue("threads", 1)
    solver.setOptionValue("random_seed", 0)
    return solver


class Master:
    """Linear program over the patterns found so far: fewest bins that meet the demand."""

    def __init__(self, inst: Instance, demand: IntArray) -> None:
        import highspy

        self.inst = inst
        self.patterns: list[Pattern] = []
        self._known: set[Pattern] = set()
        self._highs = _solver()
        empty = np.empty(0, dtype=np.int32), np.empty(0)
        for d in demand.tolist():
            self._highs.addRow(float(d), highspy.kHighsInf, 0, *empty)
        self._inf = highspy.kHighsInf

    def add(self, patterns: list[Pattern]) -> int:
        """Add the patterns that are new; how many were."""
        added = 0
        for pattern in patterns:
            if pattern in self._known:
                continue
            self._known.add(pattern)
            self.patterns.append(pattern)
            rows = np.array([i for i, _ in pattern], dtype=np.int32)
            times = np.array([float(n) for _, n in pattern])
            self._highs.addCol(1.0, 0.0, self._inf, len(rows), rows, times)
            added += 1
        return added

    def demand(self, demand: IntArray) -> None:
        """Change the demand; patterns stay."""
        for i, d in enumerate(demand.tolist()):
            self._highs.changeRowBounds(i, float(d), self._inf)

    def solve(self) -> tuple[float, Any, Any]:
        """Value, how often each pattern is used, and the price of each size."""
        self._highs.run()
        answer = self._highs.getSolution()
        used = np.asarray(answer.col_value)
        return float(used.sum()), used, np.asarray(answer.row_dual)


@dataclass(frozen=True, slots=True, eq=False)
class Relaxation:
    """What the linear program says of an instance."""

    bound: Fraction
    """proven lower bound on the number of bins"""
    closed: bool
    """True where ``bound`` is the value of the linear program, to 1e-6 bins"""
    used: Any
    """how often each pattern of the master is used"""


def relax(
    inst: Instance,
    demand: IntArray,
    master: Master,
    deadline: Deadline,
    *,
    least: Fraction = Fraction(0),
    rounds: int | None = None,
) -> Relaxation:
    """Column generation: add dear patterns until none is worth more than a bin.

    Parameters
    ----------
    inst : the sizes
    demand : (m,) what is to be met; 0 where nothing is left
    master : program with patterns that can meet the demand; it gets more
    deadline : when to stop with the bound there is
    least : lower bound that is known already
    rounds : pricing rounds at most
    """
    knapsack = Knapsack(inst, demand)
    best, used = least, np.empty(0)
    done = 0
    while True:
        value, used, dual = master.solve()
        price = np.floor(np.maximum(dual, 0.0) * _SCALE).astype(np.int64)
        price[demand == 0] = 0
        top, found = knapsack.dearest(price, _SCALE)
        worth = sum(p * d for p, d in zip(price.tolist(), demand.tolist(), strict=True))
        best = max(best, Fraction(worth, top))
        # HiGHS holds its optimality conditions to 1e-7, so prices are right to about that much
        if not found or found[0][0] <= _SCALE + _SCALE // 10**7 or value - best < Fraction(1, 10**7):
            return Relaxation(best, value - best < Fraction(1, 10**6), used)
        done += 1
        # the program's value lies between the bound and this value: if both round up to the same
        # number of bins, closing it can change no decision
        decided = value <= math.ceil(best) + 1e-9 and (
            done * len(inst) > _CLOSE_WORK or knapsack.nodes > _CLOSE_NODES
        )
        out_of_rounds = rounds is not None and done >= rounds
        if decided or out_of_rounds or deadline.passed or not master.add([p for _, p in found[:_ENOUGH]]):
            return Relaxation(best, False, used)


# ---------------------------------------------------------------- whole numbers


@dataclass(frozen=True, slots=True, eq=False)
class Packing:
    """A plan of bins and what is proven of it."""

    bins: list[Pattern]
    bound: Fraction
    """proven lower bound on the number of bins: the linear program's, as far as it was closed"""
    closed: bool
    """the linear program was solved to its end"""
    optimal: bool
    """no plan has fewer bins"""
    stopped: bool
    """the deadline cut the work short"""


def pack(inst: Instance, deadline: Deadline) -> Packing:
    """Few bins for all sizes, with the bound beside it.

    Notes
    -----
    In order, until the bound is met: largest first; the linear program, dived into by fixing its
    largest parts and pricing anew; all patterns in a mixed-integer program where they are few;
    the patterns of the linear program in one.  No step looks at the clock but for the deadline, so
    equal input gives equal plans.
    """
    known = large_and_small(inst)
    bins = _fewer(fill_greedily(inst, inst.demand), fill_closely(inst))
    if len(bins) > _LARGE:
        bins = _repacked(inst, bins, math.ceil(known), deadline)
    if len(inst) > _MANY and len(bins) == math.ceil(known):
        return Packing(bins, known, False, True, False)
    master = Master(inst, inst.demand)
    master.add(bins)
    master.add(
        [((k, min(int(inst.demand[k]), inst.capacity // int(inst.sizes[k]))),) for k in range(len(inst))]
    )
    relaxed = relax(inst, inst.demand, master, deadline, least=known)
    least = math.ceil(relaxed.bound)
    if len(bins) > least:
        bins = _fewer(bins, _dive(inst, master, relaxed.used, least, deadline))
    if len(bins) > least and len(bins) > _LARGE:
        bins = _repacked(inst, bins, least, deadline)
    proven = len(bins) <= least
    if not proven and not deadline.passed:
        every = all_patterns(inst, _FEW_PATTERNS)
        if every is not None:
            found, proven = _whole(inst, every, least, deadline)
        else:
            # whatever these patterns give, others might give fewer
            found, _ = _whole(inst, master.patterns, least, deadline)
            proven = False
        bins = _fewer(bins, found)
        proven = proven or len(bins) <= least
    return Packing(bins, relaxed.bound, relaxed.closed, proven, deadline.passed and not proven)


_LARGE: Final = 500
"""bins above which parts of a plan are packed anew"""
_EMPTY: Final = 40
_FULL: Final = 50
"""emptiest bins, and others, that are packed anew together"""
_REPACK_TURNS: Final = 8
_MANY: Final = 1000
"""sizes above which the linear program is not solved when the plan is proven without it"""
_FEW_PATTERNS: Final = 2_000
_MIP_CELLS: Final = 100_000
"""rows x patterns of a mixed-integer program at most"""
_MIP_NODES: Final = 400


def _fewer(one: list[Pattern], other: list[Pattern]) -> list[Pattern]:
    return other if other and len(other) < len(one) else one


def _repacked(inst: Instance, bins: list[Pattern], least: int, deadline: Deadline) -> list[Pattern]:
    """The same bins, the emptiest and some of the full ones packed anew, again and again."""
    for turn in range(_REPACK_TURNS):
        if len(bins) <= least or deadline.passed:
            break
        room = [inst.capacity - sum(n * int(inst.sizes[i]) for i, n in pattern) for pattern in bins]
        emptiest = sorted(range(len(bins)), key=lambda k: (-room[k], -k))[:_EMPTY]
        step = len(bins) // _FULL
        anew = {*emptiest, *range(turn * step // _REPACK_TURNS, len(bins), step)}
        demand = np.zeros(len(inst), dtype=np.int64)
        for k in anew:
            for i, n in bins[k]:
                demand[i] += n
        rows = np.flatnonzero(demand)
        rest = pack(Instance(inst.capacity, inst.sizes[rows], demand[rows]), deadline)
        kept = [pattern for k, pattern in enumerate(bins) if k not in anew]
        packed = [tuple((int(rows[i]), n) for i, n in pattern) for pattern in rest.bins]
        bins = _fewer(bins, kept + packed)
    return bins


def _trimmed(pattern: Pattern, left: IntArray) -> Pattern:
    """What of a pattern is still in demand."""
    return tuple((i, min(n, int(left[i]))) for i, n in pattern if left[i] > 0)


def _dive(inst: Instance, master: Master, used: Any, least: int, deadline: Deadline) -> list[Pattern]:
    """Fix the most used patterns, price the rest anew, and so on; the best plan met on the way."""
    left = inst.demand.copy()
    fixed: list[Pattern] = []
    best: list[Pattern] = []
    while left.any():
        before = len(fixed)
        whole = np.floor(used + 1e-6).astype(np.int64)
        for p in np.flatnonzero(whole).tolist():
            for _ in range(int(whole[p])):
                _fix(master.patterns[p], left, fixed)
        if len(fixed) == before:
            # all at least half used, a tenth of what is left at most, one at least
            falling = np.argsort(-used, kind="stable")
            most = max(1, int(used.sum()) // 10)
            for nth, p in enumerate(falling[:most].tolist()):
                if nth and used[p] < 0.5:
                    break
                _fix(master.patterns[p], left, fixed)
        rest = fill_greedily(inst, left)
        best = _fewer([*fixed, *rest], best)
        if len(best) <= least or deadline.passed or not left.any():
            break
        master.add(rest)
        master.demand(left)
        used = relax(inst, left, master, deadline, rounds=_DIVE_ROUNDS).used
    return best


_DIVE_ROUNDS: Final = 4


def _fix(pattern: Pattern, left: IntArray, fixed: list[Pattern]) -> None:
    taken = _trimmed(pattern, left)
    if taken:
        fixed.append(taken)
        for i, n in taken:
            left[i] -= n


def all_patterns(inst: Instance, limit: int) -> list[Pattern] | None:
    """Every pattern to which nothing can be added, or None where there are more than ``limit``."""
    sizes, most = inst.sizes.tolist(), inst.demand.tolist()
    made: list[Pattern] = []
    steps = 0

    def grow(i: int, room: int, slack: int, line: Pattern) -> bool:
        """``slack``: smallest size that was left out and could still be added."""
        nonlocal steps
        steps += 1
        if steps > 20 * limit:
            return False
        if i == len(sizes):
            if room < slack:
                made.append(line)
            return len(made) <= limit
        for n in range(min(most[i], room // sizes[i]), -1, -1):
            left_out = min(slack, sizes[i]) if n < most[i] else slack
            if not grow(i + 1, room - n * sizes[i], left_out, (*line, (i, n)) if n else line):
                return False
        return True

    if len(sizes) > _ENUMERATED_SIZES or not grow(0, inst.capacity, inst.capacity + 1, ()):
        return None
    return made


_ENUMERATED_SIZES: Final = 60


def _whole(
    inst: Instance, patterns: list[Pattern], least: int, deadline: Deadline
) -> tuple[list[Pattern], bool]:
    """Fewest of these patterns that meet the demand, and whether that is proven."""
    import highspy

    if len(inst) * len(patterns) > _MIP_CELLS:
        return [], False
    highs = _solver()
    # whole bins: a plan within less than one of the program's bound is its optimum
    options: dict[str, Any] = {
        "mip_max_nodes": _MIP_NODES,
        "mip_abs_gap": 0.999,
        "mip_rel_gap": 0.0,
        "objective_target": float(least),
    }
    if deadline.at is not None:
        options["time_limit"] = deadline.left_s
    for option, value in options.items():
        highs.setOptionValue(option, value)
    empty = np.empty(0, dtype=np.int32), np.empty(0)
    for d in inst.demand.tolist():
        highs.addRow(float(d), highspy.kHighsInf, 0, *empty)
    for pattern in patterns:
        rows = np.array([i for i, _ in pattern], dtype=np.int32)
        times = np.array([float(n) for _, n in pattern])
        highs.addCol(1.0, 0.0, highspy.kHighsInf, len(rows), rows, times)
    columns = np.arange(len(patterns), dtype=np.int32)
    highs.changeColsIntegrality(len(columns), columns, np.full(len(columns), highspy.HighsVarType.kInteger))
    highs.run()
    proven = highs.getModelStatus() == highspy.HighsModelStatus.kOptimal
    values = np.asarray(highs.getSolution().col_value)
    if len(values) != len(patterns):
        return [], False
    left = inst.demand.copy()
    bins: list[Pattern] = []
    for p, times_used in enumerate(np.rint(values).astype(np.int64).tolist()):
        for _ in range(times_used):
            _fix(patterns[p], left, bins)
    # the answer counts only if, in whole numbers, it meets the demand
    return ([], False) if left.any() else (bins, proven)
