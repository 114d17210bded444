"""Likelihood ratios of everything that may be wrong, against a model of what is wrong already.

The differences tape less map of n readings are taken as normal about what the model predicts,
with covariance C.  A cause either adds a known amount (a slip has its other reading; the
Web Mercator scale is a number) or a pattern times an unknown size, which has a normal prior of
zero mean and stated width; then the likelihood is the one averaged over the sizes, which costs
the freedom it takes.

Both kinds of likelihood ratio have mean 1 where nothing is wrong.  So, by Markov's inequality,
a ratio is above k with probability 1/k at most, and a weighted sum of ratios with weights that
add up to 1 is above 1/alpha with probability alpha at most, however many causes are tried and
however they depend on each other.  That is the rule for naming a cause, and it needs no
correction for multiple testing besides the weights.

Sources
-------
V. Vovk and R. Wang, E-values: calibration, combination and applications, Annals of Statistics
49 (2021) 1736-1754 (from memory; the argument above is complete without it).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from scipy.special import log_ndtr, logsumexp

from siteplan.reconcile.blunders import Variants
from siteplan.types import FloatArray

Scope = Literal["map", "tape", "leg", "reading"]
NEVER: Final = -np.inf


@dataclass(frozen=True, slots=True, eq=False)
class Pattern:
    """One thing that may be wrong with the map, a tape or a leg."""

    cause: str
    scope: Scope
    target: str
    """tape or leg; empty for the map"""
    column: FloatArray
    """(n,) what it adds to the differences: known amounts, or per unit of an unknown size"""
    width: float
    """prior standard deviation of the size; 0: the amounts are known"""
    one_sided: bool = False
    """the size is not negative"""


@dataclass(frozen=True, slots=True)
class Term:
    """One cause in the model: a pattern, or a slip of one reading."""

    cause: str
    pattern: int = -1
    reading: int = -1
    variant: int = -1
    """index into the variants of the cause; -1 for a mistake of unknown size"""
    width: float = 0.0
    """prior standard deviation of a mistake of unknown size, metres"""


@dataclass(frozen=True, slots=True)
class Ratio:
    """How much better the readings are explained with one more cause."""

    term: Term
    log_ratio: float
    """natural logarithm of the likelihood ratio"""
    log_score: float
    """the same with the weight of the cause: named from log(1/alpha)"""


@dataclass(frozen=True, slots=True, eq=False)
class Tried:
    """Everything that is tried."""

    patterns: tuple[Pattern, ...]
    variants: tuple[Variants, ...]
    unknown_m: tuple[float, ...]
    """usual sizes of a mistake of unknown cause, equally weighted: from small to the length of a site"""
    count: int
    """readings"""

    @property
    def causes(self) -> tuple[str, ...]:
        """Every cause once, in order."""
        return (*dict.fromkeys(p.cause for p in self.patterns), *(v.cause for v in self.variants), "unknown")

    def log_weight(self, cause: str) -> float:
        """Every cause has the same weight, shared equally by the tapes, legs or readings it may be."""
        targets = sum(p.cause == cause for p in self.patterns) or self.count
        return -float(np.log(len(self.causes) * targets))

    @property
    def trials(self) -> int:
        """How many causes of how many things are tried."""
        slips = sum(len(np.unique(v.reading)) for v in self.variants)
        return len(self.patterns) + slips + self.count


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """Differences and their inverse covariance, given a model."""

    residual_m: FloatArray
    weight: FloatArray
    """(n, n) inverse covariance"""

    @property
    def chi2(self) -> float:
        """Squared differences in sigmas."""
        return float(self.residual_m @ self.weight @ self.residual_m)


class Model:
    """The readings, and states of them under models."""

    def __init__(self, difference_m: FloatArray, covariance_m2: FloatArray, tried: Tried) -> None:
        self.difference_m, self.tried = difference_m, tried
        self.base: FloatArray = np.asarray(np.linalg.inv(covariance_m2), dtype=np.float64)
        self.by_cause = {v.cause: v for v in tried.variants}
        self.log_weight = {cause: tried.log_weight(cause) for cause in tried.causes}

    def state(self, terms: tuple[Term, ...]) -> State:
        """State under a model: known amounts are taken off, unknown sizes widen the covariance."""
        residual = self.difference_m.copy()
        columns = []
        for term in terms:
            if term.pattern >= 0:
                pattern = self.tried.patterns[term.pattern]
                if pattern.width:
                    columns.append(pattern.width * pattern.column)
                else:
                    residual = residual - pattern.column
            elif term.variant >= 0:
                residual[term.reading] += self.by_cause[term.cause].shift_m[term.variant]
            else:
                own = np.zeros(len(residual))
                own[term.reading] = term.width
                columns.append(own)
        if not columns:
            return State(residual, self.base)
        u = np.column_stack(columns)
        wu = self.base @ u
        small = np.linalg.inv(np.eye(u.shape[1]) + u.T @ wu)
        return State(residual, np.asarray(self.base - wu @ small @ wu.T, dtype=np.float64))

    def ratios(self, terms: tuple[Term, ...]) -> list[Ratio]:
        """Every cause that is not in the model yet, added to it; the best first."""
        state = self.state(terms)
        taken = {t.pattern for t in terms if t.pattern >= 0}
        slipped = {t.reading for t in terms if t.reading >= 0}
        made = [
            self._ratio(Term(p.cause, pattern=k), pattern_ratio(state, p))
            for k, p in enumerate(self.tried.patterns)
            if k not in taken
        ]
        for variants in self.tried.variants:
            made += self._slips(state, variants, slipped)
        made += self._unknown(state, slipped)
        return sorted(made, key=lambda r: -r.log_score)

    def _ratio(self, term: Term, log_ratio: float) -> Ratio:
        return Ratio(term, log_ratio, log_ratio + self.log_weight[term.cause])

    def _slips(self, state: State, variants: Variants, slipped: set[int]) -> list[Ratio]:
        """One ratio per reading: the weighted mean over the variants, with the best of them."""
        if not len(variants.reading):
            return []
        toward = state.weight @ state.residual_m
        own = np.diag(state.weight)
        k, shift = variants.reading, variants.shift_m
        each = np.log(variants.weight) - shift * toward[k] - 0.5 * shift**2 * own[k]
        first = np.flatnonzero(np.diff(k, prepend=-1))
        part = np.repeat(np.arange(len(first)), np.diff(np.append(first, len(k))))
        top = np.maximum.reduceat(each, first)
        mean = top + np.log(np.add.reduceat(np.exp(each - top[part]), first))
        at_top = np.flatnonzero(each >= top[part])
        best = at_top[np.unique(part[at_top], return_index=True)[1]]
        return [
            self._ratio(Term(variants.cause, reading=reading, variant=variant), ratio)
            for reading, variant, ratio in zip(k[first].tolist(), best.tolist(), mean.tolist(), strict=True)
            if reading not in slipped
        ]

    def _unknown(self, state: State, slipped: set[int]) -> list[Ratio]:
        own = np.diag(state.weight)
        toward = state.weight @ state.residual_m
        each = np.array([_averaged(own, toward, w) for w in self.tried.unknown_m])
        best = np.argmax(each, axis=0)
        mean = logsumexp(each, axis=0) - np.log(len(each))
        return [
            self._ratio(Term("unknown", reading=k, width=self.tried.unknown_m[best[k]]), float(mean[k]))
            for k in range(len(own))
            if k not in slipped
        ]


def _averaged(a: FloatArray | float, b: FloatArray | float, width: float) -> FloatArray:
    """Log ratio averaged over a size with a normal prior.

    Parameters
    ----------
    a, b : x'Wx and x'Wr of the pattern x
    width : standard deviation of the prior
    """
    spread = 1 + width**2 * np.asarray(a)
    return np.asarray(-0.5 * np.log(spread) + 0.5 * width**2 * np.asarray(b) ** 2 / spread)


def pattern_ratio(state: State, pattern: Pattern) -> float:
    """Log likelihood ratio of a pattern against the state without it."""
    x = pattern.column
    wx = state.weight @ x
    a, b = float(x @ wx), float(state.residual_m @ wx)
    if not pattern.width:
        return b - 0.5 * a
    value = float(_averaged(a, b, pattern.width))
    if not pattern.one_sided:
        return value
    # half the normal prior, doubled: the share of the posterior above zero counts twice
    middle = b / (a + pattern.width**-2)
    return value + float(np.log(2) + log_ndtr(middle * np.sqrt(a + pattern.width**-2)))


def size(state: State, pattern: Pattern) -> tuple[float, float]:
    """Least-squares size of a pattern and its standard deviation, NaN where nothing depends on it."""
    wx = state.weight @ pattern.column
    a = float(pattern.column @ wx)
    if not a > 0:
        return float("nan"), float("nan")
    return float(state.residual_m @ wx) / a, a**-0.5


MOST_TERMS: Final = 60
MOST_ROUNDS: Final = 4


def search(model: Model, alpha: float) -> tuple[Term, ...]:
    """Causes that are named: the best one is added while it passes, then each is tried against all others.

    Parameters
    ----------
    model : the readings and what is tried
    alpha : greatest chance of naming anything on readings with nothing wrong
    """
    least = float(np.log(1 / alpha))
    terms: tuple[Term, ...] = _forward(model, (), least)
    for _ in range(MOST_ROUNDS if terms else 0):
        before = terms
        for term in before:
            if term not in terms:
                continue
            rest = tuple(t for t in terms if t != term)
            best = model.ratios(rest)[0]
            if best.log_score < least:
                terms = rest
            elif best.term != term:
                terms = (*rest, best.term)
        terms = _forward(model, terms, least)
        if set(terms) == set(before):
            break
    return terms


def _forward(model: Model, terms: tuple[Term, ...], least: float) -> tuple[Term, ...]:
    while len(terms) < MOST_TERMS:
        found = model.ratios(terms)
        if not found or found[0].log_score < least:
            break
        terms = (*terms, found[0].term)
    return terms
