"""Data snooping: one suspect at a time is left free, and taken back when it proves innocent.

A suspect is something that may be grossly wrong: a reading, the scale of a tape, the outline at a
leg, a traced vertex.  Left free, it takes no part in the adjustment, and how far it is off comes out
as a shift.  Its test statistic T is the drop in chi-square when it is left free: chi-square
with one degree of freedom (a vertex: as many as the others check of its two).

The one with the smallest chance is left free while that chance is below ``alpha``.  Then every one that
is free is tested again, with the others free: one that passes now is taken back, since it was only
smeared by another's error.

Two suspects *cannot be told apart* where freeing one explains the other, and neither explains the
observations ``clear`` times better than the other (likelihood ratio).  Then the one is chosen whose
freeing changes least: a reading before a tape before the outline, because leaving a reading out moves
nothing.  A surveyed point, or a tie to one, that the others check so little that it is not tested by
itself is among them all the same: misread, it would else move all that was traced from a picture, only
because where that lies is known so much less.

Sources
-------
W. Baarda, A testing procedure for use in geodetic networks, 1968, and the iteration with one
observation at a time that is common practice after it.  Taking back is the usual backward step of
stepwise selection.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from scipy import sparse
from scipy.special import log_ndtr

from siteplan.adjust.conditions import UNCONTROLLED, Conditions
from siteplan.adjust.network import Shifts
from siteplan.types import BoolArray, FloatArray, IntArray, ObjectArray

Kind = Literal["reading", "control", "tape", "leg", "picture", "shift", "turn", "vertex"]
ORDER: Final[tuple[Kind, ...]] = (
    "reading", "control", "tape", "leg", "picture", "shift", "turn", "vertex",
)  # fmt: skip
"""of suspects that cannot be told apart the first is left free"""
MOST_FREE: Final = 200
_SEEN: Final = 1e-8
"""redundancy below which a suspect has no part in the others, and of what it had at first the least share"""
_LEFT: Final = 1e-6
_BLOCK: Final = 4_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Suspects:
    """s suspects with one or two columns each, all columns side by side."""

    kind: ObjectArray
    """(s,) Kind"""
    name: ObjectArray
    """(s,) str"""
    first: IntArray
    """(s,) first column of each"""
    width: IntArray
    """(s,) 1 or 2"""
    prior: sparse.csc_array
    """(u, columns) what a shift of one adds to the direct observations"""
    value: sparse.csc_array
    """(t, columns) the same for the readings"""
    own: FloatArray | None = None
    """(s,) weight of what is suspected, where it is more than one observation; NaN: that of its columns"""
    held: BoolArray | None = None
    """(s,) tested but never left free: nothing would check what comes out"""
    of_survey: BoolArray | None = None
    """(s,) surveyed points and ties to them: rivals of the rest also where they are hardly checked"""

    def __len__(self) -> int:
        return len(self.name)


@dataclass(frozen=True, slots=True, eq=False)
class Tests:
    """The tests of all suspects, given what is free."""

    statistic: FloatArray
    """(s,) T; 0 where it is not tested"""
    freedom: IntArray
    """(s,) degrees of freedom of T; 0 where the others do not check the suspect"""
    log_chance: FloatArray
    """(s,) natural logarithm of the chance of such a T where nothing is wrong"""
    redundancy: FloatArray
    """(s,) share of its error that shows; of a vertex the smaller of its two"""
    first_axis: FloatArray
    """(s, 2) direction in which a suspect of two columns is checked best"""


@dataclass(frozen=True, slots=True)
class Rival:
    """A suspect another one cannot be told apart from."""

    suspect: int
    correlation: float
    """of the two tests, without sign; NaN where one of them has two columns"""


@dataclass(frozen=True, slots=True)
class Freed:
    """A suspect that is left free."""

    suspect: int
    statistic: float
    """T, with the others free"""
    log_chance: float
    along: tuple[tuple[float, ...], ...]
    """combinations of its columns that are free: one tuple per shift"""
    rivals: tuple[Rival, ...]
    weak: bool = False
    """the others check it too little to be tested by itself: it is free in place of a rival"""

    @property
    def chance(self) -> float:
        """Of such a statistic, were nothing wrong with the suspect."""
        return float(np.exp(self.log_chance))


class Snoop:
    """Tests of suspects against conditions."""

    def __init__(self, made: Conditions, suspects: Suspects) -> None:
        self.made, self.suspects = made, suspects
        self.columns = sparse.csc_array(made.prior @ suspects.prior + made.value @ suspects.value)
        self.toward = made.full @ made.misclosure
        self.pull = np.asarray(self.columns.T @ self.toward)
        weights = [
            np.where(s > 0, 1 / np.where(s > 0, s, 1.0) ** 2, 0.0) for s in (made.prior_sigma, made.sigma)
        ]
        self.weight = [sparse.diags_array(w) for w in weights]
        a, b = suspects.first, suspects.first + suspects.width - 1
        self.a, self.b, self.two = a, b, suspects.width == 2
        self.aa, self.bb, self.ab = self._inner()
        self.own = self._own(a)
        if suspects.own is not None:
            self.own = np.where(np.isnan(suspects.own), self.own, suspects.own)

    def _inner(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """(s,) each a'Wa, b'Wb and a'Wb of the first and last column of every suspect, in blocks."""
        aa, bb, ab = np.zeros(len(self.a)), np.zeros(len(self.a)), np.zeros(len(self.a))
        block = max(1, _BLOCK // max(self.columns.shape[0], 1))
        for k in range(0, len(self.a), block):
            part = slice(k, k + block)
            left, right = self.columns[:, self.a[part]], self.columns[:, self.b[part]]
            # W is symmetric: from this side the library need not copy all of it for every block
            turned = (left.T @ self.made.full).T
            aa[part] = np.asarray(left.multiply(turned).sum(axis=0)).ravel()
            ab[part] = np.asarray(right.multiply(turned).sum(axis=0)).ravel()
            two = np.flatnonzero(self.two[part])
            bb[part] = aa[part]
            if len(two):
                last = right[:, two]
                bb[k + two] = np.asarray(last.multiply((last.T @ self.made.full).T).sum(axis=0)).ravel()
        return aa, bb, ab

    def _own(self, at: IntArray) -> FloatArray:
        """(s,) c'Pc in the weights of the observations themselves: 1/sigma^2 for a single one."""
        total = np.zeros(len(at))
        for matrix, weight in zip((self.suspects.prior, self.suspects.value), self.weight, strict=True):
            column = matrix[:, at]
            total += np.asarray(column.multiply(weight @ column).sum(axis=0)).ravel()
        return total

    def column(self, suspect: int, along: tuple[tuple[float, ...], ...]) -> FloatArray:
        """(c, k) columns of the conditions of a suspect left free."""
        first, width = int(self.suspects.first[suspect]), int(self.suspects.width[suspect])
        own = np.asarray(self.columns[:, first : first + width].todense())
        return np.asarray(own @ np.array(along).T)

    def free_columns(self, freed: Sequence[Freed]) -> FloatArray:
        """(c, m) of all that is free."""
        none = np.zeros((self.columns.shape[0], 0))
        return np.column_stack([none, *(self.column(f.suspect, f.along) for f in freed)])

    def tests(self, free: FloatArray, *, weak: bool = False) -> Tests:
        """Tests of every suspect, given the columns (c, m) of what is free.

        ``weak``: also of those the others hardly check.
        """
        aa, bb, ab, ga, gb = self.aa, self.bb, self.ab, self.pull[self.a], self.pull[self.b]
        if free.shape[1]:
            turned = self.made.full @ free
            inner = free.T @ turned
            met = np.asarray(self.columns.T @ turned)
            taken = np.linalg.solve(inner, met.T).T
            off = taken @ (free.T @ self.toward)
            ga, gb = ga - off[self.a], gb - off[self.b]
            aa = aa - (met[self.a] * taken[self.a]).sum(axis=1)
            bb = bb - (met[self.b] * taken[self.b]).sum(axis=1)
            ab = ab - (met[self.a] * taken[self.b]).sum(axis=1)
        pa = self.own
        one_r = np.where(pa > 0, aa / np.where(pa > 0, pa, 1.0), 0.0)
        least = _SEEN if weak else UNCONTROLLED
        checked = (one_r >= least) & (aa > _LEFT * self.aa)
        statistic = np.where(checked, ga**2 / np.where(checked, aa, 1.0), 0.0)
        freedom = checked.astype(np.int64)
        redundancy, axis = np.clip(one_r, 0.0, 1.0), np.tile([1.0, 0.0], (len(aa), 1))
        two = np.flatnonzero(self.two)
        if len(two):
            # the two columns of a vertex have one sigma: redundancy is M sigma^2, whatever way the axes lie
            s2 = 1 / np.where(pa[two] > 0, pa[two], 1.0)
            square = np.empty((len(two), 2, 2))
            square[:, 0, 0], square[:, 1, 1] = aa[two] * s2, bb[two] * s2
            square[:, 0, 1] = square[:, 1, 0] = ab[two] * s2
            share, way = np.linalg.eigh(square)
            pulled = np.einsum("kij,ki->kj", way, np.stack([ga[two], gb[two]], axis=1))
            left = _LEFT * s2 * (self.aa + self.bb)[two]
            good = (share >= least) & (share > left[:, None])
            part = np.where(good, pulled**2 * s2[:, None] / np.where(good, share, 1.0), 0.0)
            statistic[two], freedom[two] = part.sum(axis=1), good.sum(axis=1)
            redundancy[two], axis[two] = np.clip(share[:, 0], 0.0, 1.0), way[:, :, 1]
        # chi-square with two degrees of freedom is exponential, with one a squared normal: good for any T
        one = np.log(2.0) + log_ndtr(-np.sqrt(statistic))
        log_chance = np.where(freedom == 2, -statistic / 2, np.where(freedom == 1, one, 0.0))
        return Tests(statistic, freedom, log_chance, redundancy, axis)

    def correlation(self, one: int, other: int, free: FloatArray) -> float:
        """Correlation of the tests of two suspects of one column, without sign."""
        if self.two[one] or self.two[other]:
            return float("nan")
        pair = np.column_stack([self.column(k, ((1.0,),)) for k in (one, other)])
        inner = pair.T @ self.made.full @ pair
        if free.shape[1]:
            met = free.T @ self.made.full @ pair
            inner = inner - met.T @ np.linalg.solve(free.T @ self.made.full @ free, met)
        bottom = inner[0, 0] * inner[1, 1]
        return float(min(abs(inner[0, 1]) / np.sqrt(bottom), 1.0)) if bottom > 0 else float("nan")


def snoop(
    made: Conditions, suspects: Suspects, *, alpha: float, clear: float, before: Sequence[Freed] = ()
) -> tuple[Freed, ...]:
    """Which suspects are left free.

    Parameters
    ----------
    made : conditions with nothing left free
    suspects : what may be wrong
    alpha : a suspect is left free when the chance of its statistic is below this
    clear : two suspects are told apart when one explains the observations this many times better
    before : suspects free at the start, from an earlier pass with other linear terms

    Returns
    -------
    Suspects left free, the most significant first, each tested with the others free.  Deterministic.
    """
    look = Snoop(made, suspects)
    least, apart = float(np.log(alpha)), float(np.log(clear))
    freed: list[Freed] = list(before)
    seen: set[frozenset[int]] = set()
    while len(freed) < MOST_FREE:
        freed = _taken_back(look, freed, least)
        state = frozenset(f.suspect for f in freed)
        if state in seen:
            break
        seen.add(state)
        free = look.free_columns(freed)
        tests = look.tests(free)
        allowed = tests.freedom > 0
        if suspects.held is not None:
            allowed &= ~suspects.held
        allowed[[f.suspect for f in freed]] = False
        if not allowed.any():
            break
        chance = np.where(allowed, tests.log_chance, 0.0)
        best = int(np.argmin(chance))
        if chance[best] >= least:
            break
        freed.append(_chosen(look, tests, chance, best, free, least, apart))
    return tuple(sorted((_again(look, freed, f) for f in freed), key=lambda f: (f.log_chance, f.suspect)))


def _along(tests: Tests, suspect: int, two: bool) -> tuple[tuple[float, ...], ...]:
    """Which combinations of its columns are set free."""
    if not two:
        return ((1.0,),)
    if tests.freedom[suspect] == 2:
        return ((1.0, 0.0), (0.0, 1.0))
    x, y = tests.first_axis[suspect].tolist()
    return ((x, y),)


def _chosen(
    look: Snoop, tests: Tests, chance: FloatArray, best: int, free: FloatArray, least: float, apart: float
) -> Freed:
    """The suspect to free: the best, or of those it cannot be told apart from the one that changes least."""
    # half the difference of two drops in chi-square is the logarithm of their likelihood ratio
    near = (tests.statistic >= tests.statistic[best] - 2 * apart) & (chance < least)
    weak, more = np.zeros(len(near), dtype=bool), tests
    of_survey = look.suspects.of_survey
    if of_survey is not None and not of_survey[best]:
        more = look.tests(free, weak=True)
        weak = of_survey & (tests.freedom == 0) & (more.freedom > 0)
        near |= weak & (more.statistic >= tests.statistic[best] - 2 * apart) & (more.log_chance < least)
        chance = np.where(weak, more.log_chance, chance)
    close = np.flatnonzero(near)
    close = close[close != best]
    same: list[int] = []
    if len(close):
        taken = np.column_stack([free, look.column(best, _along(tests, best, look.two[best]))])
        with_best = _explained(look.tests(taken), least)
        if weak.any():
            with_best = np.where(weak, _explained(look.tests(taken, weak=True), least), with_best)
        same = close[with_best[close]].tolist()
    group = sorted([best, *same], key=lambda k: (ORDER.index(look.suspects.kind[k]), chance[k], k))
    first = group[0]
    rivals = tuple(Rival(k, look.correlation(first, k, free)) for k in group[1:])
    of = more if weak[first] else tests
    return Freed(
        first, float(of.statistic[first]), float(of.log_chance[first]),
        _along(of, first, bool(look.two[first])), rivals, bool(weak[first]),
    )  # fmt: skip


def _explained(tests: Tests, least: float) -> BoolArray:
    return np.asarray(tests.log_chance >= least)


def _taken_back(look: Snoop, freed: list[Freed], least: float) -> list[Freed]:
    """Without those that pass their test when the others are free; the least significant first."""
    left = list(freed)
    while left:
        again = [_again(look, left, f) for f in left]
        worst = max(range(len(left)), key=lambda k: (again[k].log_chance, left[k].suspect))
        if again[worst].log_chance < least:
            break
        del left[worst]
    return left


def _again(look: Snoop, freed: Sequence[Freed], one: Freed) -> Freed:
    """A suspect that is free, tested with the others free."""
    tests = look.tests(look.free_columns([f for f in freed if f is not one]), weak=one.weak)
    k = one.suspect
    return Freed(k, float(tests.statistic[k]), float(tests.log_chance[k]), one.along, one.rivals, one.weak)


def shifts_of(suspects: Suspects, freed: Sequence[Freed]) -> Shifts:
    """Shifts for :func:`siteplan.adjust.network.solve` of the suspects that are free."""
    prior, value = [], []
    for f in freed:
        first, width = int(suspects.first[f.suspect]), int(suspects.width[f.suspect])
        turn = sparse.csc_array(np.array(f.along).T)
        prior.append(suspects.prior[:, first : first + width] @ turn)
        value.append(suspects.value[:, first : first + width] @ turn)
    empty = sparse.csc_array
    prior = [empty((suspects.prior.shape[0], 0)), *prior]
    value = [empty((suspects.value.shape[0], 0)), *value]
    return Shifts(
        sparse.csr_array(sparse.hstack(prior, format="csr")),
        sparse.csr_array(sparse.hstack(value, format="csr")),
    )
