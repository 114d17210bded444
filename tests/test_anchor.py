"""Laying local coordinates on the map: closed forms, a second path, and data that cannot be."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from siteplan.errors import DataError
from siteplan.fieldnotes.anchor import anchor, lay, rigid_fit
from siteplan.fieldnotes.strings import areas, lengths, strings_of
from siteplan.types import FloatArray, XYArray

HALL = np.array([[0.0, 0.0], [40.0, 0.0], [40.0, 25.0], [0.0, 25.0]])
NAMES = ["A", "B", "C", "D"]


def moved(xy: XYArray, angle_deg: float, shift: FloatArray) -> XYArray:
    a = math.radians(angle_deg)
    return np.asarray(xy @ np.array([[math.cos(a), math.sin(a)], [-math.sin(a), math.cos(a)]]) + shift)


@given(
    st.lists(st.tuples(st.floats(-100, 100), st.floats(-100, 100)), min_size=2, max_size=9),
    st.floats(-180, 180), st.floats(-1e5, 1e5), st.floats(-1e5, 1e5),
)  # fmt: skip
@settings(deadline=None, derandomize=True, max_examples=200)
def test_a_random_motion_is_recovered(
    points: list[tuple[float, float]], angle: float, east: float, north: float
) -> None:
    local = np.array(points)
    if np.ptp(local, axis=0).max() < 1.0:
        return
    target = moved(local, angle, np.array([east, north]))
    fit = rigid_fit(local, target)
    assert abs((fit.angle_deg - angle + 180) % 360 - 180) < 1e-8
    np.testing.assert_allclose(fit.apply(local), target, atol=1e-8)
    assert fit.sigma0_m < 1e-8
    assert fit.scale == pytest.approx(1.0, abs=1e-9)


def test_against_least_squares_by_iteration() -> None:
    """scipy.optimize.least_squares on the same three unknowns, with its own covariance."""
    rng = np.random.default_rng(7)
    target = moved(HALL, 37.0, np.array([1000.0, 500.0])) + rng.normal(0, 0.03, HALL.shape)

    def misfit(v: FloatArray) -> FloatArray:
        return (moved(HALL, math.degrees(v[0]), v[1:]) - target).ravel()

    again = least_squares(
        misfit, [0.5, 990.0, 510.0], xtol=1e-15, ftol=1e-15, gtol=1e-15, x_scale=[0.01, 10, 10]
    )
    fit = rigid_fit(HALL, target)
    assert math.radians(fit.angle_deg) == pytest.approx(again.x[0], abs=1e-8)
    np.testing.assert_allclose(fit.apply(np.zeros((1, 2)))[0], again.x[1:], atol=1e-6)
    assert fit.redundancy == 5
    assert fit.sigma0_m == pytest.approx(math.sqrt(2 * again.cost / 5), rel=1e-9)
    slope = np.asarray(again.jac)
    covariance = np.linalg.inv(slope.T @ slope) * 2 * again.cost / 5
    assert math.radians(fit.angle_sigma_deg) == pytest.approx(math.sqrt(covariance[0, 0]), rel=1e-3)


def test_against_rotation_of_vectors() -> None:
    """scipy's rotation fit (three-dimensional, singular values) on points from their centroids."""
    rng = np.random.default_rng(3)
    target = moved(HALL, -120.0, np.array([5.0, 6.0])) + rng.normal(0, 0.05, HALL.shape)
    flat = np.zeros((4, 1))
    turn, rssd = Rotation.align_vectors(
        np.hstack([target - target.mean(axis=0), flat]), np.hstack([HALL - HALL.mean(axis=0), flat])
    )
    fit = rigid_fit(HALL, target)
    assert turn.as_rotvec(degrees=True)[2] == pytest.approx(fit.angle_deg, abs=1e-8)
    assert rssd == pytest.approx(math.sqrt((fit.residual_m**2).sum()), rel=1e-9)


def test_similarity_scale_and_its_sigma_against_linear_least_squares() -> None:
    """Four parameters a, b, c, d of x' = a x - b y + c, y' = b x + a y + d by normal equations."""
    rng = np.random.default_rng(11)
    target = moved(HALL * 1.0005, 20.0, np.array([10.0, -3.0])) + rng.normal(0, 0.004, HALL.shape)
    x, y = HALL.T
    one, zero = np.ones(4), np.zeros(4)
    design = np.vstack([np.column_stack([x, -y, one, zero]), np.column_stack([y, x, zero, one])])
    seen = np.concatenate([target[:, 0], target[:, 1]])
    a, b, *_ = solution = np.linalg.solve(design.T @ design, design.T @ seen)
    left = seen - design @ solution
    sigma = math.sqrt(left @ left / 4 * np.linalg.inv(design.T @ design)[0, 0])
    fit = rigid_fit(HALL, target)
    assert fit.scale == pytest.approx(math.hypot(a, b), abs=1e-12)
    assert fit.scale_sigma == pytest.approx(sigma, rel=1e-9)
    assert fit.scale == pytest.approx(1.0005, abs=4 * sigma)


def test_two_points_by_hand() -> None:
    """Closed form: 30 m in the notes, 30.1 m on the map due north, so 0.05 m is left at each end."""
    fit, findings = anchor(["A", "B"], np.array([[0.0, 0], [30, 0]]), np.array([[100.0, 200], [100, 230.1]]))
    assert fit.angle_deg == pytest.approx(90.0)
    np.testing.assert_allclose(fit.residual_m, [[0, -0.05], [0, 0.05]], atol=1e-12)
    assert fit.redundancy == 1
    assert fit.sigma0_m == pytest.approx(math.sqrt(0.005), rel=1e-9)
    assert fit.scale == pytest.approx(30.1 / 30)
    assert math.isnan(fit.scale_sigma)
    np.testing.assert_allclose(fit.apply(np.array([[15.0, 1.0]])), [[99.0, 215.05]], atol=1e-12)
    assert [f.code for f in findings] == ["anchored", "anchor-mirror-open"]


def test_scale_is_a_diagnosis_and_not_applied() -> None:
    stretched = moved(HALL * 1.001, 10.0, np.array([7.0, 8.0]))
    fit, findings = anchor(NAMES, HALL, stretched)
    laid = fit.apply(HALL)
    assert np.hypot(*(laid[1] - laid[0])) == pytest.approx(40.0, abs=1e-9)
    assert fit.scale == pytest.approx(1.001, abs=1e-12)
    assert [f.code for f in findings] == ["anchored", "anchor-scale"]
    assert "+1000 ppm" in findings[1].text


def codes(error: pytest.ExceptionInfo[DataError]) -> list[str]:
    return [f.code for f in error.value.faults]


@pytest.mark.parametrize("count", [0, 1])
def test_too_few_points(count: int) -> None:
    with pytest.raises(DataError, match="can be moved but not turned") as error:
        anchor(NAMES[:count], HALL[:count], HALL[:count])
    assert codes(error) == ["too-few-anchors"]


def test_coincident_points() -> None:
    target = HALL.copy()
    target[2] = target[1] + 0.001
    with pytest.raises(DataError, match='"B" and "C" are at one place on the map') as error:
        anchor(NAMES, HALL, target)
    assert codes(error) == ["anchors-coincide"]


def test_not_a_number_names_the_point() -> None:
    target = HALL.copy()
    target[3, 0] = np.nan
    with pytest.raises(DataError, match='feature "D"') as error:
        anchor(NAMES, HALL, target)
    assert codes(error) == ["not-a-number"]


@pytest.mark.parametrize("noise", [0.0, 0.02])
def test_mirror_image_is_recognised(noise: float) -> None:
    rng = np.random.default_rng(5)
    swapped = HALL[:, ::-1] + np.array([500.0, 900.0]) + rng.normal(0, 1, HALL.shape) * noise
    with pytest.raises(DataError, match="mirror image") as error:
        anchor(NAMES, HALL, swapped, file="bed.txt")
    assert codes(error) == ["mirror-image"]
    assert error.value.faults[0].file == "bed.txt"


def test_points_in_line_cannot_show_a_mirror() -> None:
    line = np.array([[0.0, 0], [10, 0], [30, 0]])
    _, findings = anchor(NAMES[:3], line, moved(line, 45, np.zeros(2)))
    assert "anchor-mirror-open" in [f.code for f in findings]


def test_one_wrong_point_is_named() -> None:
    five = np.vstack([HALL, [[20.0, 12.0]]])
    target = moved(five, 30.0, np.array([100.0, 100.0]))
    target[2, 0] += 2.0
    with pytest.raises(DataError, match=r'without "C" the others fit within 0\.000 m') as error:
        anchor([*NAMES, "E"], five, target)
    assert codes(error) == ["anchor-residual"]


def test_feet_taken_for_metres_are_told() -> None:
    with pytest.raises(DataError, match="feet were read as metres"):
        anchor(NAMES, HALL, moved(HALL * 0.3048, 30.0, np.zeros(2)))
    with pytest.raises(DataError, match="metres were read as feet"):
        anchor(NAMES, HALL, moved(HALL / 0.3048, 30.0, np.zeros(2)))


def test_limit_is_a_setting() -> None:
    target = HALL.copy()
    target[0] += 0.4
    with pytest.raises(DataError, match=r"more than 0\.25 m"):
        anchor(NAMES, HALL, target)
    fit, _ = anchor(NAMES, HALL, target, limit_m=0.5)
    assert fit.sigma0_m > 0.1


def test_laying_outlines_keeps_lengths_and_arcs() -> None:
    made = strings_of(["d"], [True], [np.array([[0.0, 0], [6, 0]])], [np.array([0.0, 1.0])])
    fit, _ = anchor(NAMES, HALL, moved(HALL * 1.0002, 77.0, np.array([300.0, 400.0])))
    laid = lay(made, fit)
    np.testing.assert_allclose(lengths(laid), lengths(made), rtol=1e-12)
    np.testing.assert_allclose(areas(laid), areas(made), rtol=1e-12)
    np.testing.assert_array_equal(laid.bulge, made.bulge)
