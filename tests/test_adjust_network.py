"""Least squares: printed examples, closed forms, a second formulation, and other solvers.

Sources of printed values
-------------------------
Three distances to one point: data of C. Ghilani, Adjustment Computations, ch. 14, from its public
worksheet; the answer was reckoned with GNU Gama 2.03 and scipy (they agree).
Levelling with every leg run to and fro: sample output of GNU Gama 1.5.09 at
www.vrmapper.com/gama/1doutput.html (observed and adjusted heights, their standard deviations, [pvv], the
greatest normalised residual).
Levelling between three bench marks: data of G. Strang and K. Borre, Linear Algebra, Geodesy and GPS,
as given, with the sum of squared standardised residuals, at rplstoday.com ("How would you adjust
this leveling data?").
Levelling network of four points with data snooping: data and printed results of Z. Siki,
english/data_processing/level_net.rst of github.com/OSGeoLabBp/tutorials (heights, corrections, standard
deviations, the statistic called U, redundancy, sum of squares).
delta0 = 4.13 (lambda0 = 17.07) for 0.001 and 0.80: Baarda's value, in any text on reliability.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import sparse
from scipy.optimize import least_squares

from siteplan.adjust.conditions import Spread, conditions_of, least_detectable, noncentrality
from siteplan.adjust.network import Network, Shifts, Solution, solve
from siteplan.adjust.snooping import Snoop, Suspects, shifts_of, snoop
from siteplan.errors import DataError, UsageError
from siteplan.types import FloatArray


def linear(a: FloatArray, value: FloatArray, sigma: FloatArray, prior: FloatArray | None = None,
           prior_sigma: FloatArray | None = None) -> Network:  # fmt: skip
    """Readings that are linear in the unknowns."""
    matrix = sparse.csr_array(np.asarray(a, dtype=np.float64))
    u = matrix.shape[1]
    return Network(
        prior=np.zeros(u) if prior is None else prior,
        prior_sigma=np.full(u, np.inf) if prior_sigma is None else prior_sigma,
        value=np.asarray(value, dtype=np.float64),
        sigma=np.asarray(sigma, dtype=np.float64),
        predict=lambda x: (np.asarray(matrix @ x), matrix),
    )


def distances(
    start: FloatArray, held: FloatArray, pairs: FloatArray, value: FloatArray, sigma: FloatArray,
    point_sigma: float = np.inf,
) -> Network:  # fmt: skip
    """Distances between points (2 unknowns each) of which some are held fixed, ``held`` (n,) True."""
    xy = np.asarray(start, dtype=np.float64)
    a, b = np.asarray(pairs).T

    def predict(x: FloatArray) -> tuple[FloatArray, sparse.csr_array]:
        at = x.reshape(-1, 2)
        step = at[b] - at[a]
        length = np.hypot(step[:, 0], step[:, 1])
        unit = step / length[:, None]
        rows = np.tile(np.arange(len(a)), 4)
        columns = np.concatenate([2 * a, 2 * a + 1, 2 * b, 2 * b + 1])
        values = np.concatenate([-unit[:, 0], -unit[:, 1], unit[:, 0], unit[:, 1]])
        return length, sparse.csr_array((values, (rows, columns)), shape=(len(a), x.size))

    spread = np.where(np.repeat(held, 2), 1e-5, point_sigma)
    return Network(xy.ravel(), spread, np.asarray(value, float), np.asarray(sigma, float), predict)


# ---------------------------------------------------------------- printed examples


def test_three_distances_to_one_point() -> None:
    known = [[865.40, 4527.15], [2432.55, 2047.25], [2865.22, 27.15]]
    net = distances(
        np.array([*known, [6800.0, 3700.0]]), np.array([True, True, True, False]),
        np.array([[0, 3], [1, 3], [2, 3]]), np.array([6049.00, 4736.83, 5446.49]), np.ones(3),
    )  # fmt: skip
    made = solve(net)
    assert made.freedom == 1
    np.testing.assert_allclose(made.x[6:], [6861.3168, 3727.8186], atol=5e-4)
    np.testing.assert_allclose(net.value - made.residual, [6048.9626, 4736.9068, 5446.4426], atol=5e-4)
    s0 = made.variance_factor**0.5
    assert s0 == pytest.approx(0.0977, abs=5e-5)
    spread = np.sqrt(np.diag(made.cofactors(np.eye(8))))[6:] * s0
    np.testing.assert_allclose(spread, [0.0775, 0.1542], atol=5e-5)


def test_three_distances_from_the_wrong_side_end_in_the_false_minimum() -> None:
    """Two circles meet twice: least squares goes to the nearer place, and its residuals give it away."""
    known = [[865.40, 4527.15], [2432.55, 2047.25], [2865.22, 27.15]]
    net = distances(
        np.array([*known, [-2000.0, 0.0]]), np.array([True, True, True, False]),
        np.array([[0, 3], [1, 3], [2, 3]]), np.array([6049.00, 4736.83, 5446.49]), np.ones(3),
    )  # fmt: skip
    made = solve(net)
    np.testing.assert_allclose(made.x[6:], [-2237.9, -367.6], atol=0.1)
    assert made.variance_factor**0.5 == pytest.approx(666, abs=0.5)


GAMA_LEVELS = (
    # from, to (0 is the bench mark 1a; 1, 2, 3 are the points 2, 3, 4), observed, adjusted; in order
    (0, 3, -1.225, -1.22488), (3, 2, -0.848, -0.84187), (2, 1, 1.342, 1.34163), (1, 0, 0.720, 0.72513),
    (0, 1, -0.724, -0.72513), (1, 2, -1.335, -1.34163), (2, 3, 0.842, 0.84187), (3, 0, 1.231, 1.22488),
)  # fmt: skip


def gama_levels() -> Network:
    a = np.zeros((8, 3))
    value = np.zeros(8)
    for k, (start, end, seen, _) in enumerate(GAMA_LEVELS):
        value[k] = seen
        for point, sign in ((start, -1.0), (end, 1.0)):
            if point:
                a[k, point - 1] = sign
            else:
                value[k] -= sign * 1000.0
    return linear(a, value, np.full(8, 0.005))


def test_levelling_to_and_fro_as_printed() -> None:
    net = gama_levels()
    made = solve(net)
    np.testing.assert_allclose(made.x, [999.27487, 997.93325, 998.77513], atol=6e-6)
    np.testing.assert_allclose(
        net.value - made.residual, [v + (g[3] - g[2]) for v, g in zip(net.value, GAMA_LEVELS, strict=True)],
        atol=6e-6,
    )  # fmt: skip
    assert made.freedom == 5
    assert made.chi2 * 25 == pytest.approx(146.625, abs=1e-3)  # [pvv] there is in units of 5 mm
    assert 5 * made.variance_factor**0.5 == pytest.approx(5.42, abs=0.005)
    spread = np.sqrt(np.diag(made.cofactors(np.eye(3)))) * 1000
    np.testing.assert_allclose(spread, [3.1, 3.5, 3.1], atol=0.05)


def test_snooping_of_the_printed_levelling() -> None:
    """The greatest normalised residual is 1.68, observation 6, and 1.96 is not exceeded."""
    net = gama_levels()
    made = conditions_of(net, solve(net).x)
    w = np.abs(made.residual) / (made.sigma * np.sqrt(made.redundancy))
    assert w.max() == pytest.approx(1.68, abs=0.005)
    assert int(w.argmax()) == 5
    np.testing.assert_allclose(made.redundancy, 5 / 8, atol=1e-9)
    assert snoop(made, readings_of(net), alpha=0.05, clear=10) == ()


def test_levelling_between_bench_marks_as_printed() -> None:
    km = np.array([0.970, 1.002, 1.070, 1.110, 0.890])
    net = linear(
        np.array([[1, 0], [0, 1], [1, 0], [0, 1], [-1, 1]]),
        np.array([10.021 + 0.732, 10.021 + 1.978, 10.321 + 0.420, 11.002 + 0.988, 1.258]),
        0.006 * np.sqrt(km),
    )
    made = solve(net)
    assert made.freedom == 3
    assert made.chi2 == pytest.approx(4.636, abs=2e-3)
    assert made.variance_factor**0.5 == pytest.approx(1.243, abs=1e-3)


def siki_levels() -> Network:
    """Four points, the last one held; standard deviation 0.7 mm for each km."""
    pairs = np.array([[0, 1], [0, 2], [0, 3], [1, 2], [1, 3], [2, 3]])
    seen = np.array([-0.749, -1.274, -2.890, -0.530, -2.141, -1.614])
    km = np.array([1.1, 1.8, 1.4, 1.5, 1.9, 0.9])
    a = np.zeros((6, 4))
    a[np.arange(6), pairs[:, 0]], a[np.arange(6), pairs[:, 1]] = -1, 1
    return linear(a[:, :3], seen - a[:, 3] * 101.345, 0.7e-3 * km)


def test_levelling_network_with_snooping_as_printed() -> None:
    """The leg from 2 to 3 stands out with 2.6: named at 5 %, where 1.96 is the limit, not at 1 in 1,000."""
    net = siki_levels()
    found = solve(net)
    np.testing.assert_allclose(found.x, [104.2350, 103.4868, 102.9588], atol=5e-5)
    np.testing.assert_allclose(-1000 * found.residual, [0.81, -2.18, 0.00, 2.01, -0.81, 0.18], atol=5e-3)
    assert found.chi2 == pytest.approx(8.217, abs=5e-4)
    s0 = found.variance_factor**0.5
    assert s0 == pytest.approx(1.65, abs=5e-3)
    spread = 1000 * s0 * np.sqrt(np.diag(found.cofactors(np.eye(3))))
    np.testing.assert_allclose(spread, [1.13, 1.19, 0.91], atol=5e-3)
    made = conditions_of(net, found.x)
    np.testing.assert_allclose(made.redundancy, [0.3, 0.7, 0.5, 0.5, 0.7, 0.2], atol=0.05)
    w = np.abs(made.residual) / (made.sigma * np.sqrt(made.redundancy))
    np.testing.assert_allclose(w, [1.9, 2.1, 0.0, 2.6, 0.7, 0.6], atol=0.05)
    (freed,) = snoop(made, readings_of(net), alpha=0.05, clear=10)
    assert freed.suspect == 3
    assert freed.statistic**0.5 == pytest.approx(w[3], rel=1e-9)
    assert snoop(made, readings_of(net), alpha=0.001, clear=10) == ()


def readings_of(net: Network) -> Suspects:
    """Every reading a suspect."""
    t = len(net.value)
    names, kinds = np.empty(t, dtype=object), np.empty(t, dtype=object)
    names[:], kinds[:] = [str(k + 1) for k in range(t)], ["reading"] * t
    return Suspects(
        kinds, names, np.arange(t), np.ones(t, dtype=np.int64),
        sparse.csc_array((len(net.prior), t)), sparse.csc_array(sparse.eye_array(t, format="csc")),
    )  # fmt: skip


# ---------------------------------------------------------------- the braced quadrilateral


QUAD = np.array([[0.0, 0.0], [30.0, 2.0], [33.0, 21.0], [-4.0, 19.0]])
PAIRS = np.array([[0, 1], [1, 2], [2, 3], [3, 0], [0, 2], [1, 3]])


def quad(noise: FloatArray, sigma: float = 0.01) -> Network:
    """Four sides and two diagonals; one corner held, and the direction of one side."""
    true = np.hypot(*(QUAD[PAIRS[:, 1]] - QUAD[PAIRS[:, 0]]).T)
    net = distances(
        QUAD + 0.02, np.array([True, False, False, False]), PAIRS, true + noise, np.full(6, sigma)
    )
    spread = net.prior_sigma.copy()
    spread[3] = 1e-5
    return Network(net.prior, spread, net.value, net.sigma, net.predict)


def cayley_menger(d: FloatArray) -> float:
    """Zero where four points of a plane have these distances: 01, 12, 23, 30, 02, 13."""
    s = d**2
    m = np.ones((5, 5))
    np.fill_diagonal(m, 0)
    for value, (a, b) in zip(s, PAIRS, strict=True):
        m[a + 1, b + 1] = m[b + 1, a + 1] = value
    return float(np.linalg.det(m))


@pytest.mark.parametrize("seed", range(4))
def test_braced_quadrilateral_fulfils_its_condition(seed: int) -> None:
    """Six distances of four points have one condition: the determinant of Cayley and Menger vanishes.

    The adjusted distances must fulfil it, and among all that do be the nearest: the residuals stand
    across the surface, along the gradient of the determinant.
    """
    noise = np.random.default_rng(seed).normal(0, 0.01, 6)
    net = quad(noise)
    made = solve(net)
    assert made.freedom == 1
    adjusted = net.value - made.residual
    gradient = np.array([
        (cayley_menger(adjusted + h) - cayley_menger(adjusted - h)) / 2e-4 for h in np.eye(6) * 1e-4
    ])  # fmt: skip
    assert abs(cayley_menger(adjusted)) < 1e-8 * np.abs(gradient).max()
    across = gradient / np.linalg.norm(gradient)
    np.testing.assert_allclose(made.residual, across * (made.residual @ across), atol=1e-7)
    # one condition: all standardised residuals are equal, and no reading can be told from another
    c = conditions_of(net, made.x)
    w = c.residual / (c.sigma * np.sqrt(c.redundancy))
    np.testing.assert_allclose(np.abs(w), np.abs(w[0]), rtol=1e-5)
    assert c.redundancy.sum() == pytest.approx(1, abs=1e-6)
    look = Snoop(c, readings_of(net))
    assert look.correlation(0, 5, np.zeros((len(c.misclosure), 0))) == pytest.approx(1, abs=1e-9)


def test_a_blunder_in_one_condition_is_found_and_said_to_be_any_of_them() -> None:
    net = quad(np.array([0, 0, 0, 0, 0.30, 0]))
    made = conditions_of(net, solve(net).x)
    (freed,) = snoop(made, readings_of(net), alpha=0.001, clear=10)
    assert len(freed.rivals) == 5
    assert all(r.correlation == pytest.approx(1, abs=1e-9) for r in freed.rivals)


# ---------------------------------------------------------------- other ways to the same numbers


def random_network(seed: int, points: int = 7, readings: int = 16) -> tuple[Network, Solution]:
    rng = np.random.default_rng(seed)
    xy = rng.uniform(0, 40, (points, 2))
    every = [(a, b) for a in range(points) for b in range(a)]
    pairs = np.array([every[k] for k in rng.choice(len(every), readings, replace=False)])
    true = np.hypot(*(xy[pairs[:, 1]] - xy[pairs[:, 0]]).T)
    traced = xy + rng.normal(0, 0.05, xy.shape)
    net = distances(
        traced, np.zeros(points, bool), pairs, true + rng.normal(0, 0.01, readings),
        np.full(readings, 0.01), 0.05,
    )  # fmt: skip
    return net, solve(net)


@pytest.mark.parametrize("seed", range(5))
def test_scipy_finds_the_same_minimum(seed: int) -> None:
    net, made = random_network(seed)

    def misfit(x: FloatArray) -> FloatArray:
        return np.concatenate(
            [(net.value - net.predict(x)[0]) / net.sigma, (net.prior - x) / net.prior_sigma]
        )

    other = least_squares(misfit, net.prior, xtol=1e-15, ftol=1e-15, gtol=1e-12)
    np.testing.assert_allclose(made.x, other.x, atol=1e-7)
    assert made.chi2 == pytest.approx(2 * other.cost, rel=1e-9)
    jac = np.asarray(other.jac)
    dense = np.linalg.inv(jac.T @ jac)
    np.testing.assert_allclose(made.cofactors(np.eye(len(made.x))), dense, atol=1e-9)


@pytest.mark.parametrize("seed", range(5))
def test_conditions_give_what_the_normal_equations_give(seed: int) -> None:
    net, made = random_network(seed)
    c = conditions_of(net, made.x)
    np.testing.assert_allclose(c.residual, made.residual, atol=1e-9)
    np.testing.assert_allclose(c.prior_residual, made.prior_residual, atol=1e-8)
    assert c.chi2 == pytest.approx(made.chi2, rel=1e-7)
    assert c.freedom == made.freedom
    # redundancy numbers: sum, and one by one from the dense hat matrix
    assert c.redundancy.sum() + c.prior_redundancy.sum() == pytest.approx(made.freedom, abs=1e-9)
    qxx = made.cofactors(np.eye(len(made.x)))
    hat = np.einsum("ij,jk,ik->i", made.jacobian.toarray(), qxx, made.jacobian.toarray()) / net.sigma**2
    np.testing.assert_allclose(c.redundancy, 1 - hat, atol=1e-9)
    np.testing.assert_allclose(c.prior_redundancy, 1 - np.diag(qxx) / net.prior_sigma**2, atol=1e-9)
    spread = Spread.of(made, c)
    every = sparse.csr_array(sparse.eye_array(len(made.x), format="csr"))
    np.testing.assert_allclose(spread.covariance(every), qxx, atol=1e-11)
    np.testing.assert_allclose(spread.variances(every), np.diag(qxx), atol=1e-11)


@pytest.mark.parametrize("seed", range(3))
def test_conditions_without_direct_observations(seed: int) -> None:
    """Found by a dense factorisation; the same residuals and redundancy numbers."""
    rng = np.random.default_rng(seed)
    a = rng.normal(size=(9, 4))
    net = linear(a, rng.normal(size=9), rng.uniform(0.5, 2, 9))
    made = solve(net)
    c = conditions_of(net, made.x)
    np.testing.assert_allclose(c.residual, made.residual, atol=1e-10)
    hat = np.einsum("ij,jk,ik->i", a, np.linalg.inv(a.T @ np.diag(net.sigma**-2) @ a), a) / net.sigma**2
    np.testing.assert_allclose(c.redundancy, 1 - hat, atol=1e-10)


@pytest.mark.parametrize("seed", range(4))
def test_a_shift_is_the_same_as_leaving_the_reading_out(seed: int) -> None:
    net, _ = random_network(seed)
    t = len(net.value)
    one = sparse.csr_array(([1.0], ([3], [0])), shape=(t, 1))
    shifts = Shifts(sparse.csr_array((len(net.prior), 1)), one)
    made = solve(net, shifts)
    keep = np.arange(t) != 3

    def without(x: FloatArray) -> tuple[FloatArray, sparse.csr_array]:
        value, jacobian = net.predict(x)
        return value[keep], sparse.csr_array(jacobian[keep])

    other = solve(Network(net.prior, net.prior_sigma, net.value[keep], net.sigma[keep], without))
    np.testing.assert_allclose(made.x, other.x, atol=1e-8)
    assert made.chi2 == pytest.approx(other.chi2, rel=1e-8)
    assert made.freedom == other.freedom
    assert made.residual[3] == pytest.approx(0, abs=1e-9)
    # and the covariance with the shift is that of the network without the reading
    c = conditions_of(net, made.x)
    c = c.freed(c.columns_of(shifts.prior, shifts.value))
    every = sparse.csr_array(sparse.eye_array(len(net.prior), format="csr"))
    dense = other.cofactors(np.eye(len(net.prior)))
    spread = Spread.of(made, c)
    np.testing.assert_allclose(spread.covariance(every), dense, atol=1e-10)
    np.testing.assert_allclose(spread.variances(every), np.diag(dense), atol=1e-10)
    assert c.chi2 == pytest.approx(made.chi2, rel=1e-6)


@pytest.mark.parametrize("seed", range(3))
def test_a_shift_of_a_direct_observation(seed: int) -> None:
    """The unknown is then held by the readings alone; a very large standard deviation says the same."""
    net, _ = random_network(seed)
    one = sparse.csr_array(([1.0], ([4], [0])), shape=(len(net.prior), 1))
    shifts = Shifts(one, sparse.csr_array((len(net.value), 1)))
    made = solve(net, shifts)
    loose = net.prior_sigma.copy()
    loose[4] = 1e5
    other = solve(Network(net.prior, loose, net.value, net.sigma, net.predict))
    np.testing.assert_allclose(made.x, other.x, atol=1e-6)
    c = conditions_of(net, made.x)
    c = c.freed(c.columns_of(shifts.prior, shifts.value))
    every = sparse.csr_array(sparse.eye_array(len(net.prior), format="csr"))
    dense = other.cofactors(np.eye(len(net.prior)))
    spread = Spread.of(made, c)
    np.testing.assert_allclose(spread.covariance(every), dense, atol=1e-8)
    np.testing.assert_allclose(spread.variances(every), np.diag(dense), atol=1e-8)


def test_draws_have_the_covariance() -> None:
    """Monte Carlo: 20,000 draws; each entry within five standard errors."""
    net, made = random_network(1, points=4, readings=5)
    spread = Spread.of(made, conditions_of(net, made.x))
    every = sparse.csr_array(sparse.eye_array(len(made.x), format="csr"))
    want = spread.covariance(every)
    draws = spread.draw(np.random.default_rng(7), 20_000)
    size = np.sqrt(np.diag(want))
    error = np.sqrt((np.outer(np.diag(want), np.diag(want)) + want**2) / len(draws))
    assert (np.abs(np.cov(draws.T) - want) < 5 * error).all()
    assert (np.abs(draws.mean(axis=0)) < 5 * size / np.sqrt(len(draws))).all()


def test_adjusting_simulated_observations_scatters_as_the_covariance_says() -> None:
    """Monte Carlo of the whole adjustment: truth known, 200 sets, nothing taken from the formulas."""
    rng = np.random.default_rng(3)
    xy = rng.uniform(0, 40, (4, 2))
    pairs = np.array([[0, 1], [1, 2], [2, 3], [3, 0], [0, 2]])
    true = np.hypot(*(xy[pairs[:, 1]] - xy[pairs[:, 0]]).T)
    errors, chi2 = [], []
    for _ in range(200):
        net = distances(
            xy + rng.normal(0, 0.05, xy.shape), np.zeros(4, bool), pairs, true + rng.normal(0, 0.01, 5),
            np.full(5, 0.01), 0.05,
        )  # fmt: skip
        made = solve(net)
        errors.append(made.x - xy.ravel())
        chi2.append(made.chi2)
    want = Spread.of(made, conditions_of(net, xy.ravel())).covariance(
        sparse.csr_array(sparse.eye_array(8, format="csr"))
    )
    error = np.sqrt((np.outer(np.diag(want), np.diag(want)) + want**2) / len(errors))
    assert (np.abs(np.cov(np.array(errors).T) - want) < 5 * error).all()
    assert np.mean(chi2) == pytest.approx(5, abs=5 * np.sqrt(10 / len(chi2)))


# ---------------------------------------------------------------- reliability and snooping


def test_baardas_numbers() -> None:
    delta0 = noncentrality(0.001, 0.80)
    assert delta0 == pytest.approx(4.13, abs=0.005)
    assert delta0**2 == pytest.approx(17.07, abs=0.01)
    least = least_detectable(np.array([0.01, 0.01]), np.array([0.25, 0.001]), delta0)
    assert least[0] == pytest.approx(0.01 * delta0 / 0.5)
    assert np.isinf(least[1])


def test_a_blunder_of_the_least_detectable_size_is_found_as_often_as_stated() -> None:
    """80 % at 0.001; 2,000 sets, within four standard errors of the share."""
    net, made = random_network(2)
    c = conditions_of(net, made.x)
    k = int(np.argsort(c.redundancy)[8])
    least = float(least_detectable(c.sigma, c.redundancy, noncentrality(0.001, 0.80))[k])
    rng = np.random.default_rng(11)
    j = made.jacobian.toarray()
    sets = 2_000
    e = rng.normal(size=(sets, len(net.prior))) * net.prior_sigma
    r = rng.normal(size=(sets, len(net.value))) * net.sigma
    r[:, k] += least
    w = (r - e @ j.T) @ c.weight
    test = np.abs(w[:, k]) / np.sqrt(c.weight[k, k])
    assert np.mean(test > 3.2905) == pytest.approx(0.80, abs=4 * np.sqrt(0.16 / sets))


@pytest.mark.parametrize("seed", range(6))
def test_two_blunders_are_found_and_an_innocent_one_taken_back(seed: int) -> None:
    rng = np.random.default_rng(seed)
    net, _ = random_network(seed, points=8, readings=26)
    value = net.value.copy()
    bad = sorted(rng.choice(26, 2, replace=False).tolist())
    value[bad] += [0.9, -0.7]
    net = Network(net.prior, net.prior_sigma, value, net.sigma, net.predict)
    suspects = readings_of(net)
    start = solve(net)
    freed = snoop(conditions_of(net, start.x), suspects, alpha=0.001, clear=10)
    assert sorted(f.suspect for f in freed) == bad
    made = solve(net, shifts_of(suspects, freed))
    order = [f.suspect for f in freed]
    for k, size in zip(bad, (0.9, -0.7), strict=True):
        assert made.shift[order.index(k)] == pytest.approx(size, abs=0.12)
    # beginning with everything innocent left free, it is taken back
    extra = [k for k in range(26) if k not in bad][:1]
    again = snoop(
        conditions_of(net, start.x), suspects, alpha=0.001, clear=10,
        before=(*freed, *(type(freed[0])(k, 0.0, 0.0, ((1.0,),), ()) for k in extra)),
    )  # fmt: skip
    assert sorted(f.suspect for f in again) == bad


@given(seed=st.integers(0, 10_000), factor=st.floats(0.1, 10), shift=st.floats(-500, 500))
@settings(max_examples=25, deadline=None)
def test_units_and_place_do_not_matter(seed: int, factor: float, shift: float) -> None:
    net, made = random_network(seed % 50)

    def predict(x: FloatArray) -> tuple[FloatArray, sparse.csr_array]:
        value, jacobian = net.predict((x - shift) / factor)
        return factor * value, jacobian

    other = solve(
        Network(
            factor * net.prior + shift,
            factor * net.prior_sigma,
            factor * net.value,
            factor * net.sigma,
            predict,
        )
    )
    np.testing.assert_allclose((other.x - shift) / factor, made.x, atol=1e-6)
    assert other.chi2 == pytest.approx(made.chi2, rel=1e-6)


# ---------------------------------------------------------------- what cannot be done


def test_a_network_without_datum_is_told() -> None:
    net = distances(QUAD, np.zeros(4, bool), np.repeat(PAIRS, 2, axis=0), np.ones(12) * 20, np.full(12, 0.01))
    with pytest.raises(DataError, match="no datum") as found:
        solve(net)
    assert found.value.faults[0].code == "no-datum"


def test_fewer_observations_than_unknowns_are_told() -> None:
    with pytest.raises(DataError, match="1 observations of 2 unknowns"):
        solve(linear(np.array([[1.0, 1.0]]), np.array([1.0]), np.array([1.0])))


def test_conditions_where_there_are_none() -> None:
    with pytest.raises(UsageError, match="no conditions"):
        conditions_of(linear(np.eye(2), np.ones(2), np.ones(2)), np.ones(2))


def test_a_shift_nothing_determines_is_refused() -> None:
    net, made = random_network(0)
    c = conditions_of(net, made.x)
    with pytest.raises(UsageError, match="no observation determines"):
        c.freed(np.column_stack([np.eye(len(c.misclosure))[:, 0]] * 2))
