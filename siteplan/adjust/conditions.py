"""The adjustment seen from its conditions: what observations must fulfil, and how well each is checked.

Every observation beyond the least number gives a condition: a taped length less the length
between the traced vertices should be nothing.  With c conditions B(l - v) = const and the
misclosures w, everything about checking follows from the c x c matrix W = (B S B')^-1: residuals,
redundancy numbers, tests for blunders, reliability, and the covariance of the result.  People tape
hundreds of lengths, and vertices are tens of thousands, so c is small.

This is a second formulation of :mod:`siteplan.adjust.network`; the tests hold the two together.

Sources
-------
Adjustment by conditions, redundancy numbers r_i with sum equal to the degrees of freedom, test
w_i = v_i / (s_i sqrt r_i), least detectable blunder s_i delta0 / sqrt r_i: W. Baarda, A testing
procedure for use in geodetic networks, Netherlands Geodetic Commission, 1968 (the formulas are in
any text on the subject; the paper was not at hand).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import linalg, sparse
from scipy.sparse.csgraph import connected_components
from scipy.special import ndtri

from siteplan.adjust.network import Network, Solution
from siteplan.errors import UsageError
from siteplan.types import FloatArray

MOST_UNKNOWN: Final = 3_000
"""unknowns of a network whose conditions are found by a dense factorisation"""
UNCONTROLLED: Final = 0.01
"""redundancy below which an observation is not checked by the others: a blunder hides in it"""
COMMON: Final = 24
"""conditions an observation must be in to be one that many have in common"""
_NOTHING: Final = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class Conditions:
    """c conditions on u direct observations and t readings, with m shifts left free."""

    prior: sparse.csr_array
    """(c, u) what one unit of each direct observation adds to each condition"""
    value: sparse.csr_array
    """(c, t) the same for each reading"""
    prior_sigma: FloatArray
    """(u,) 0 where there is no direct observation"""
    sigma: FloatArray
    """(t,)"""
    misclosure: FloatArray
    """(c,)"""
    full: FloatArray
    """(c, c) W with no shift left free"""
    weight: FloatArray
    """(c, c) W, with the shifts left free: W F = 0 for their columns F"""
    free: FloatArray
    """(c, m) columns of the shifts that are left free"""
    solved: FloatArray
    """(m, c) the shifts from the misclosures"""

    @property
    def freedom(self) -> int:
        """Conditions less shifts."""
        return len(self.misclosure) - int(self.free.shape[1])

    @property
    def chi2(self) -> float:
        """Sum of squared residuals in standard deviations."""
        return float(self.misclosure @ self.weight @ self.misclosure)

    @property
    def residual(self) -> FloatArray:
        """(t,) residuals of the readings: observed less adjusted."""
        return np.asarray(self.sigma**2 * (self.value.T @ (self.weight @ self.misclosure)))

    @property
    def prior_residual(self) -> FloatArray:
        """(u,) residuals of the direct observations."""
        return np.asarray(self.prior_sigma**2 * (self.prior.T @ (self.weight @ self.misclosure)))

    @property
    def redundancy(self) -> FloatArray:
        """(t,) share of an error of each reading that shows in its own residual."""
        return self._redundancy(self.value, self.sigma)

    @property
    def prior_redundancy(self) -> FloatArray:
        """(u,) the same for the direct observations."""
        return self._redundancy(self.prior, self.prior_sigma)

    def _redundancy(self, columns: sparse.csr_array, sigma: FloatArray) -> FloatArray:
        """Diagonal of S B'WB, in blocks of columns so that memory stays small."""
        csc = sparse.csc_array(columns)
        made = np.zeros(columns.shape[1])
        block = max(1, 4_000_000 // max(len(self.misclosure), 1))
        busy = np.flatnonzero(np.diff(csc.indptr))
        for first in range(0, len(busy), block):
            at = busy[first : first + block]
            part = csc[:, at]
            # W is symmetric: from this side the library need not copy all of it for every block
            made[at] = np.asarray(part.multiply((part.T @ self.weight).T).sum(axis=0)).ravel()
        return np.asarray(np.clip(made * sigma**2, 0.0, 1.0))

    def freed(self, columns: FloatArray) -> Conditions:
        """The same with more shifts left free.

        Parameters
        ----------
        columns : (c, k) what one of each adds to the conditions; independent of those left free before

        Raises
        ------
        UsageError : a shift nothing would determine
        """
        free = np.column_stack([self.free, columns])
        return self.released(free)

    def released(self, free: FloatArray) -> Conditions:
        """The same with exactly these shifts left free, whatever was free before."""
        turned = self.full @ free
        inner = free.T @ turned
        size = np.sqrt(np.maximum(np.diag(inner), 0.0))
        if (size <= 0).any() or (
            len(size) and np.linalg.eigvalsh(inner / np.outer(size, size))[0] < _NOTHING
        ):
            raise UsageError("a shift is left free that no observation determines")
        solved = np.linalg.solve(inner, turned.T) if len(size) else np.zeros((0, len(self.full)))
        weight = self.full - turned @ solved
        return Conditions(
            self.prior, self.value, self.prior_sigma, self.sigma, self.misclosure, self.full,
            np.asarray((weight + weight.T) / 2), free, np.asarray(solved),
        )  # fmt: skip

    def columns_of(self, prior: sparse.csr_array, value: sparse.csr_array) -> FloatArray:
        """(c, k) what shifts of observations, (u, k) and (t, k), add to the conditions."""
        return np.asarray((self.prior @ prior + self.value @ value).todense())


def _weight(
    prior: sparse.csr_array, value: sparse.csr_array, prior_sigma: FloatArray, sigma: FloatArray
) -> FloatArray:
    """(B S B')^-1.

    What many conditions have in common (the scale of a tape) is few columns; without them the conditions
    fall into parts that have nothing to do with each other, one for a bed or two.  Each part is
    inverted by itself, and the common columns are brought in by the identity of Woodbury.
    """
    count = prior.shape[0]
    if not count:
        return np.zeros((0, 0))
    both = [prior @ sparse.diags_array(prior_sigma), value @ sparse.diags_array(sigma)]
    columns = sparse.csc_array(sparse.hstack(both, format="csc"))
    many = np.diff(columns.indptr) > COMMON
    own, common = sparse.csr_array(columns[:, ~many]), np.asarray(columns[:, many].todense())
    inverse = _by_parts(sparse.csr_array(own @ own.T))
    if common.shape[1]:
        turned = inverse @ common
        small = np.eye(common.shape[1]) + common.T @ turned
        inverse = inverse - turned @ np.linalg.solve(small, turned.T)
    return np.asarray((inverse + inverse.T) / 2)


def _by_parts(matrix: sparse.csr_array) -> FloatArray:
    """Inverse of a positive definite matrix that may fall into parts, parts of one size at once."""
    count = matrix.shape[0]
    label = connected_components(matrix, directed=False)[1]
    order = np.argsort(label, kind="stable")
    sizes = np.bincount(label)
    first = np.concatenate([[0], np.cumsum(sizes)])
    made = np.zeros((count, count))
    dense = np.asarray(matrix.todense())
    for size in np.unique(sizes).tolist():
        parts = np.flatnonzero(sizes == size)
        at = order[first[parts][:, None] + np.arange(size)]
        rows, columns = at[:, :, None], at[:, None, :]
        made[rows, columns] = np.linalg.inv(dense[rows, columns])
    return made


def conditions_of(network: Network, x: FloatArray) -> Conditions:
    """Conditions of a network, linear about given unknowns, with no shift left free.

    Parameters
    ----------
    network : where every unknown has a direct observation, the conditions are the readings less
        what the direct observations make of them.  Otherwise they are found by a dense factorisation.
    x : (u,) where the readings are taken as linear, usually the solution

    Raises
    ------
    UsageError : no redundancy at all; more than 3,000 unknowns of which some are not observed directly
    """
    made, jacobian = network.predict(x)
    direct = network.direct
    sigma_p = np.where(direct, network.prior_sigma, 0.0)
    left = network.value - made
    own = np.where(direct, network.prior - x, 0.0)
    if direct.all():
        prior = sparse.csr_array(-jacobian)
        value = sparse.csr_array(sparse.eye_array(len(left), format="csr"))
    else:
        if len(x) > MOST_UNKNOWN:
            raise UsageError(f"conditions of more than {MOST_UNKNOWN} unknowns that are not observed")
        rows = np.flatnonzero(direct)
        every = np.vstack([np.eye(len(x))[rows], np.asarray(jacobian.todense())])
        spread = np.concatenate([sigma_p[rows], network.sigma])
        basis = linalg.null_space((every / spread[:, None]).T).T / spread
        if not len(basis):
            raise UsageError("there are no conditions: as many unknowns as observations")
        of_prior = np.zeros((len(basis), len(x)))
        of_prior[:, rows] = basis[:, : len(rows)]
        prior, value = sparse.csr_array(of_prior), sparse.csr_array(basis[:, len(rows) :])
    misclosure = prior @ own + value @ left
    none = np.zeros((len(misclosure), 0))
    full = _weight(prior, value, sigma_p, network.sigma)
    return Conditions(prior, value, sigma_p, network.sigma, np.asarray(misclosure), full, full, none, none.T)


# ---------------------------------------------------------------- reliability


def noncentrality(alpha: float, power: float) -> float:
    """delta0: how many standard deviations a test of size alpha must be moved to find it with this power.

    4.132 for 0.001 and 0.80; its square, 17.07, is the usual lambda0.  The chance of the far tail,
    below 1e-12 here, is left out, as is usual.
    """
    return float(ndtri(power) - ndtri(alpha / 2))


def least_detectable(sigma: FloatArray, redundancy: FloatArray, delta0: float) -> FloatArray:
    """Smallest blunder of each observation the test finds with the stated power; inf where uncontrolled."""
    checked = redundancy >= UNCONTROLLED
    root = np.sqrt(np.where(checked, redundancy, 1.0))
    return np.where(checked, delta0 * sigma / root, np.inf)


@dataclass(frozen=True, slots=True, eq=False)
class Spread:
    """Covariance of the adjusted unknowns, as factors: nothing of size u x u is made."""

    jacobian: sparse.csr_array
    """(t, u)"""
    prior_sigma: FloatArray
    sigma: FloatArray
    weight: FloatArray
    """(t, t) W with the shifts left free"""
    full: FloatArray
    """(t, t) W with none left free"""
    shift_prior: sparse.csr_array
    """(u, m)"""
    free: FloatArray
    """(t, m) columns of the shifts"""
    solved: FloatArray
    """(m, t)"""

    @classmethod
    def of(cls, solution: Solution, made: Conditions) -> Spread:
        """Of a network in which every unknown has a direct observation.

        Raises
        ------
        UsageError : it is not such a network
        """
        if not solution.network.direct.all():
            raise UsageError("the covariance by conditions needs a direct observation of every unknown")
        return cls(
            solution.jacobian, solution.network.prior_sigma, solution.network.sigma, made.weight, made.full,
            solution.shifts.prior, made.free, made.solved,
        )  # fmt: skip

    def _reach(self, functions: sparse.csr_array) -> tuple[sparse.csr_array, FloatArray, FloatArray]:
        """Covariance of functions of the direct observations with what they make of the readings, (k, t).

        As own + left @ right: what many readings have in common (a scale) would fill the whole matrix,
        and is of small rank.
        """
        many = np.diff(sparse.csc_array(self.jacobian).indptr) > COMMON
        own = functions @ sparse.diags_array(np.where(many, 0.0, self.prior_sigma**2)) @ self.jacobian.T
        at = np.flatnonzero(many)
        left = np.asarray(sparse.csc_array(functions)[:, at].todense()) * self.prior_sigma[at] ** 2
        right = np.asarray(sparse.csc_array(self.jacobian)[:, at].todense()).T
        return sparse.csr_array(own), left, right

    def gain(self, functions: sparse.csr_array) -> FloatArray:
        """(k, t) how far linear functions (k, u) of the unknowns follow a change of each reading."""
        own, left, right = self._reach(functions)
        made = own @ self.weight + left @ (right @ self.weight)
        if len(self.solved):
            made = made - np.asarray((functions @ self.shift_prior).todense()) @ self.solved
        return np.asarray(made)

    def covariance(self, functions: sparse.csr_array) -> FloatArray:
        """(k, k) covariance of linear functions (k, u) of the adjusted unknowns.

        Notes
        -----
        The error is (I - G J) e + G r with e of the direct observations and r of the readings, so the
        covariance is a sum of two squares and never turns negative by rounding.
        """
        gain = self.gain(functions)
        own = functions @ sparse.diags_array(self.prior_sigma)
        pulled = gain @ (self.jacobian @ sparse.diags_array(self.prior_sigma))
        cross = np.asarray(own @ pulled.T)
        first = np.asarray((own @ own.T).todense()) - cross - cross.T + pulled @ pulled.T
        read = gain * self.sigma
        made = first + read @ read.T
        return np.asarray((made + made.T) / 2)

    def variances(self, functions: sparse.csr_array, *, block: int = 2_000) -> FloatArray:
        """(k,) the diagonal of :meth:`covariance` by another formula, quick for many functions.

        Notes
        -----
        S - S J'WJ S, and for shifts M (F'WF)^-1 M' with M = C + S J'WF: the shifts have no
        direct observation.  Rounding may cost the last digits, so it is held at 0.
        """
        made = np.zeros(functions.shape[0])
        spread = np.linalg.inv(self.free.T @ self.full @ self.free)
        for first in range(0, len(made), block):
            part = sparse.csr_array(functions[first : first + block])
            own = part @ sparse.diags_array(self.prior_sigma)
            near, left, right = self._reach(part)
            square = np.asarray(own.multiply(own).sum(axis=1)).ravel()
            turned = near @ self.full + left @ (right @ self.full)
            known = np.asarray(near.multiply(turned).sum(axis=1)).ravel()
            known += ((turned @ right.T) * left).sum(axis=1)
            loose = np.asarray((part @ self.shift_prior).todense()) + turned @ self.free
            made[first : first + block] = square - known + ((loose @ spread) * loose).sum(axis=1)
        return np.maximum(made, 0.0)

    def draw(self, rng: np.random.Generator, count: int) -> FloatArray:
        """(count, u) errors of the unknowns, adjusted less true, exactly as they are distributed."""
        e = rng.standard_normal((count, len(self.prior_sigma))) * self.prior_sigma
        r = rng.standard_normal((count, len(self.sigma))) * self.sigma
        heard = r - (self.jacobian @ e.T).T
        moved = (self.jacobian.T @ (heard @ self.weight).T).T * self.prior_sigma**2
        if len(self.solved):
            moved = moved - (self.shift_prior @ (heard @ self.solved.T).T).T
        return np.asarray(e + moved)
