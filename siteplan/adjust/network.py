"""Least squares on sparse normal equations: unknowns, what was observed of them, and the best values.

Numbers only: nothing here knows a bed or a tape.  Two kinds of observation meet:

* *direct* ones, of an unknown itself: a traced coordinate, the usual scale of a tape (1 +/- its
  standard deviation).  Each unknown has one or none.
* *readings*, of any function of the unknowns: a taped length.

All are independent.  What several have in common (the scale of a tape, of a picture) is an
unknown of its own, with its direct observation; that is how they are correlated.

An observation may also carry a *shift*: an unknown amount with no direct observation at all, added
to one or several observations.  An observation with a shift of its own takes no part any more, and the
shift says by how much it is off: so blunders are handled without leaving rows out.

Sources
-------
Gauss-Newton iteration on the normal equations N dx = A'Pr: any text on least squares, such as
Ghilani, Adjustment Computations, ch. 11 to 16.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import splu

from siteplan.errors import DataError, Fault
from siteplan.types import BoolArray, FloatArray

TOLERANCE: Final = 1e-7
"""the iteration stops when no unknown would move by more than this share of its own standard deviation"""
MOST_STEPS: Final = 100
SINGULAR: Final = 1e-13
"""pivot of the normal equations, scaled to a unit diagonal, below which nothing holds an unknown"""

Predict = Callable[[FloatArray], tuple[FloatArray, sparse.csr_array]]
"""values of the readings at given unknowns (t,), and their gradient (t, u)"""


@dataclass(frozen=True, slots=True, eq=False)
class Network:
    """u unknowns, t readings."""

    prior: FloatArray
    """(u,) direct observation of each unknown; a first guess where there is none"""
    prior_sigma: FloatArray
    """(u,) its standard deviation; inf where the unknown is not observed directly"""
    value: FloatArray
    """(t,) readings"""
    sigma: FloatArray
    """(t,) their standard deviations"""
    predict: Predict

    @property
    def direct(self) -> BoolArray:
        """(u,) True where the unknown has a direct observation."""
        return np.isfinite(self.prior_sigma)


@dataclass(frozen=True, slots=True, eq=False)
class Shifts:
    """m unknown amounts added to observations."""

    prior: sparse.csr_array
    """(u, m) what one of each adds to the direct observations"""
    value: sparse.csr_array
    """(t, m) what it adds to the readings"""

    @classmethod
    def none(cls, network: Network) -> Shifts:
        """No shift at all."""
        empty = sparse.csr_array
        return cls(empty((len(network.prior), 0)), empty((len(network.value), 0)))

    def __len__(self) -> int:
        return int(self.value.shape[1])


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """The best values of the unknowns."""

    network: Network
    shifts: Shifts
    x: FloatArray
    """(u,)"""
    shift: FloatArray
    """(m,)"""
    prior_residual: FloatArray
    """(u,) direct observation less what is adjusted, with the shift taken off; NaN where there is none"""
    residual: FloatArray
    """(t,) reading less what is adjusted, with the shift taken off"""
    jacobian: sparse.csr_array
    """(t, u) gradient of the readings at the solution"""
    chi2: float
    """sum of squared residuals in standard deviations"""
    freedom: int
    """observations less unknowns and shifts"""
    steps: int
    factor: Any
    """factors of the scaled normal equations"""
    scale: FloatArray
    """(u + m,) what the unknowns were multiplied by"""

    @property
    def variance_factor(self) -> float:
        """Chi-square over degrees of freedom; NaN without any."""
        return self.chi2 / self.freedom if self.freedom > 0 else float("nan")

    def cofactors(self, columns: FloatArray) -> FloatArray:
        """N^-1 times columns: covariance of every unknown (and shift) with linear functions of them.

        Parameters
        ----------
        columns : (u + m, k) gradients of the k functions

        Returns
        -------
        (u + m, k).  One solution of the factored equations for each column: about the number of
        their non-zero entries, so ask for what is needed.
        """
        solved = self.factor.solve(np.asarray(self.scale[:, None] * columns, dtype=np.float64))
        return np.asarray(self.scale[:, None] * solved)


def solve(network: Network, shifts: Shifts | None = None, *, start: FloatArray | None = None) -> Solution:
    """Best unknowns by Gauss-Newton iteration.

    Parameters
    ----------
    network : unknowns and observations
    shifts : unknown amounts added to observations
    start : (u,) where the iteration starts; at the direct observations by default

    Returns
    -------
    Solution.  It stops when sqrt(d'Nd) of a step d is below 1e-7: by the inequality of Cauchy and
    Schwarz no unknown then moves by more than that share of its own standard deviation.

    Raises
    ------
    DataError : fewer observations than unknowns, unknowns that nothing holds (a network without
        datum), or no convergence: the start is too far off, or the readings contradict each other wildly
    """
    shifts = Shifts.none(network) if shifts is None else shifts
    u, m = len(network.prior), len(shifts)
    n = int(network.direct.sum()) + len(network.value)
    if n < u + m:
        what = f"there are {n} observations of {u + m} unknowns"
        raise DataError(Fault("too-few-observations", what, f"Observe {u + m - n} more things at least"))
    weigh = _Weigh(network, shifts)
    x = np.concatenate([network.prior if start is None else start, np.zeros(m)])
    misfit, gradient = weigh.at(x)
    chi2 = float(misfit @ misfit)
    for count in range(1, MOST_STEPS + 1):
        factor, scale = _factored(gradient)
        right = gradient.T @ misfit
        step = scale * factor.solve(scale * right)
        moved = float(np.sqrt(max(step @ right, 0.0)))
        share = 1.0
        while True:
            new_misfit, new_gradient = weigh.at(x + share * step)
            new_chi2 = float(new_misfit @ new_misfit)
            # a step must not make things worse; close to the end rounding may, by nothing that matters
            if new_chi2 <= chi2 * (1 + 1e-9) + 1e-9 or share < 1e-6:
                break
            share /= 2
        x = x + share * step
        misfit, gradient, chi2 = new_misfit, new_gradient, new_chi2
        if moved < TOLERANCE:
            factor, scale = _factored(gradient)
            return weigh.solution(x, misfit, chi2, count, factor, scale)
    raise DataError(
        Fault(
            "no-convergence",
            f"the adjustment does not settle: after {MOST_STEPS} steps it still moves by {moved:.2g} "
            "standard deviations",
            "Look for readings that are far off, and leave them out or mend them",
        )
    )


class _Weigh:
    """Residuals and gradients in standard deviations."""

    def __init__(self, network: Network, shifts: Shifts) -> None:
        self.network, self.shifts = network, shifts
        self.rows = np.flatnonzero(network.direct)
        self.count = len(network.prior)
        one = sparse.csr_array(sparse.eye_array(self.count, format="csr")[self.rows])
        own = sparse.hstack([one, shifts.prior[self.rows]], format="csr")
        self.direct = sparse.diags_array(1 / network.prior_sigma[self.rows]) @ own

    def at(self, x: FloatArray) -> tuple[FloatArray, sparse.csr_array]:
        """Misfit (n,) and gradient (n, u + m), direct observations first."""
        net, unknown, shift = self.network, x[: self.count], x[self.count :]
        made, jacobian = net.predict(unknown)
        left = net.value - made - self.shifts.value @ shift
        own = (net.prior - unknown - self.shifts.prior @ shift)[self.rows] / net.prior_sigma[self.rows]
        readings = sparse.diags_array(1 / net.sigma) @ sparse.hstack([jacobian, self.shifts.value])
        gradient = sparse.vstack([self.direct, readings], format="csr")
        return np.concatenate([own, left / net.sigma]), gradient

    def solution(
        self, x: FloatArray, misfit: FloatArray, chi2: float, steps: int, factor: Any, scale: FloatArray
    ) -> Solution:
        """What is returned."""
        net, rows = self.network, self.rows
        own = np.full(self.count, np.nan)
        own[rows] = misfit[: len(rows)] * net.prior_sigma[rows]
        jacobian = net.predict(x[: self.count])[1]
        freedom = len(misfit) - len(x)
        return Solution(
            net, self.shifts, x[: self.count], x[self.count :], own, misfit[len(rows) :] * net.sigma,
            jacobian, chi2, freedom, steps, factor, scale,
        )  # fmt: skip


def _factored(gradient: sparse.csr_array) -> tuple[Any, FloatArray]:
    """Factors of the normal equations scaled to a unit diagonal, and the scale.

    Raises
    ------
    DataError : unknowns nothing holds
    """
    normal = (gradient.T @ gradient).tocsc()
    diagonal = normal.diagonal()
    loose = int((diagonal <= 0).sum())
    if not loose:
        scale = 1 / np.sqrt(diagonal)
        scaled = (sparse.diags_array(scale) @ normal @ sparse.diags_array(scale)).tocsc()
        try:
            factor = splu(
                scaled, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True}
            )
            loose = int((np.abs(factor.U.diagonal()) < SINGULAR).sum())
        except RuntimeError:
            # the library's word for an exact zero pivot
            loose = 1
    if loose:
        raise DataError(
            Fault(
                "no-datum",
                f"nothing holds at least {loose} of the {len(diagonal)} unknowns: the network has no datum, "
                "or a part of it hangs loose",
                "Hold points or a direction fixed, or observe what is loose",
            )
        )
    return factor, scale
