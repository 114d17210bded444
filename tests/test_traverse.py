"""Traverses: handbook loops, the compass rule, and the blame for one slip."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplan.errors import UsageError
from siteplan.fieldnotes.angles import Direction, parse_angle, parse_direction
from siteplan.fieldnotes.traverse import (
    azimuth_of,
    close_traverse,
    is_acceptable,
    latitudes_departures,
    suspects,
)
from siteplan.types import XYArray


def loop(*legs: tuple[str, float]) -> XYArray:
    az = [parse_direction(d).azimuth(None) for d, _ in legs]
    return latitudes_departures(np.array(az), np.array([length for _, length in legs]))


# J. Mahun, Open Access Surveying Library, self-study Traverse Adjustment, problem 2 (feet)
MAHUN_2 = loop(
    ("az 226 54 23", 639.15), ("az 0 00 00", 523.69), ("az 235 02 29", 409.54), ("az 79 35 02", 815.93)
)
# the same library, Traverse Computations, chapter I, section C, bearing traverse (feet)
MAHUN_I = loop(
    ("S 68°05'35\" W", 472.68),
    ("N 19°46'00\" W", 216.13),
    ("N 45°55'20\" E", 276.52),
    ("S 54°59'15\" E", 382.24),
)
# a university homework solution in public circulation, four bearings (feet); its coordinates are not used
HOMEWORK = loop(
    ("N 22-36-40 W", 314.02), ("S 60-39-24 W", 264.49), ("S 38-46-10 E", 213.50), ("N 88-22-58 E", 217.69)
)
# "Sample Traverse Computations", public document scribd.com/doc/279716815 (six legs that close badly)
SIX_LEGS = loop(
    ("N 5 30 E", 495.85),
    ("N 46 02 E", 850.62),
    ("S 67 38 E", 855.45),
    ("S 12 25 E", 1020.87),
    ("S 83 44 W", 1117.26),
    ("N 55 09 W", 660.08),
)


@pytest.mark.parametrize(
    ("steps", "latitudes", "departures"),
    [
        (MAHUN_2, [-436.662, 523.690, -234.660, 147.517], [-466.732, 0.0, -335.645, 802.484]),
        (MAHUN_I, [-176.357, 203.395, 192.357, -219.312], [-438.548, -73.093, 198.651, 313.065]),
        (HOMEWORK, [289.883, -129.611, -166.460, 6.144], [-120.733, -230.556, 133.691, 217.603]),
    ],
)
def test_latitudes_and_departures_of_the_handbooks(
    steps: XYArray, latitudes: list[float], departures: list[float]
) -> None:
    np.testing.assert_allclose(steps[:, 1], latitudes, atol=0.001)
    np.testing.assert_allclose(steps[:, 0], departures, atol=0.001)


def test_mahun_problem_2_closure_and_compass_rule() -> None:
    closure = close_traverse(MAHUN_2, np.zeros(2))
    assert closure.perimeter_m == pytest.approx(2388.31, abs=1e-9)
    np.testing.assert_allclose(closure.misclosure_m, [0.1070, -0.1158], atol=1e-4)
    assert 0.157 <= closure.miss_m <= 0.158
    assert 15_100 <= closure.ratio <= 15_200
    adjusted = np.diff(closure.adjusted_m, axis=0)
    np.testing.assert_allclose(adjusted[:, 1], [-436.631, 523.715, -234.640, 147.556], atol=0.001)
    np.testing.assert_allclose(adjusted[:, 0], [-466.761, -0.023, -335.663, 802.447], atol=0.001)


def test_mahun_chapter_i_sums() -> None:
    closure = close_traverse(MAHUN_I, np.array([2000.0, 500.0]))
    assert closure.perimeter_m == pytest.approx(1347.57, abs=1e-9)
    np.testing.assert_allclose(closure.misclosure_m, [0.075, 0.083], atol=0.001)
    np.testing.assert_allclose(closure.raw_m[-1], [2000.075, 500.083], atol=0.001)
    np.testing.assert_array_equal(closure.adjusted_m[[0, -1]], [[2000.0, 500.0], [2000.0, 500.0]])


def test_link_traverse_to_a_known_end() -> None:
    """Mahun, chapter I, link traverse.  The page prints a latitude error of +0.555; its own
    coordinates 2713.835 and 2713.780 give +0.055, which is what is right."""
    steps = loop(("S 56 23 38 E", 398.75), ("S 75 17 42 W", 422.89), ("N 43 05 47 E", 604.49))
    np.testing.assert_allclose(steps[:, 1], [-220.700, -107.347, 441.402], atol=0.001)
    np.testing.assert_allclose(steps[:, 0], [332.104, -409.038, 413.004], atol=0.001)
    end = np.array([1727.810, 2713.780])
    closure = close_traverse(steps, np.array([1391.670, 2600.480]), end)
    np.testing.assert_allclose(closure.misclosure_m, [-0.070, 0.055], atol=0.0011)
    np.testing.assert_array_equal(closure.adjusted_m[-1], end)


def test_homework_loop() -> None:
    closure = close_traverse(HOMEWORK, np.zeros(2))
    assert closure.miss_m == pytest.approx(0.045, abs=0.001)
    assert closure.ratio == pytest.approx(22_500, rel=0.02)


def test_six_legs_that_close_badly() -> None:
    """Printed: misclosure 24.6876 on 5000.13 (1/200), every correction and adjusted value."""
    closure = close_traverse(SIX_LEGS, np.zeros(2))
    assert closure.miss_m == pytest.approx(24.6876, abs=1e-3)
    assert closure.perimeter_m == pytest.approx(5000.13, abs=1e-9)
    np.testing.assert_allclose(
        closure.correction_m[:, 1], [-1.6677, -2.8609, -2.8772, -3.4335, -3.7577, -2.2201], atol=2e-4
    )
    np.testing.assert_allclose(
        closure.correction_m[:, 0], [-1.7923, -3.0747, -3.0922, -3.6901, -4.0385, -2.3860], atol=2e-4
    )
    assert not is_acceptable(closure)
    assert is_acceptable(closure, least_ratio=200)


def test_departure_west_of_south_is_negative() -> None:
    """A five-leg compass-rule solution in circulation has +40.86 for this leg: azimuth 196°59' goes west."""
    ((east, north),) = latitudes_departures(np.array([parse_angle("196 59")]), np.array([139.872]))
    assert east == pytest.approx(-40.86, abs=0.005)
    assert north == pytest.approx(-133.77, abs=0.005)


@given(
    st.lists(st.tuples(st.floats(-50, 50), st.floats(-50, 50)), min_size=3, max_size=12, unique=True),
    st.tuples(st.floats(-1e4, 1e4), st.floats(-1e4, 1e4)),
)
@settings(deadline=None, derandomize=True, max_examples=200)
def test_any_polygon_closes(points: list[tuple[float, float]], start: tuple[float, float]) -> None:
    corners = np.array(points)
    steps = np.roll(corners, -1, axis=0) - corners
    keep = np.hypot(steps[:, 0], steps[:, 1]) > 1e-6
    if keep.sum() < 2:
        return
    az, length = azimuth_of(steps), np.hypot(steps[:, 0], steps[:, 1])
    closure = close_traverse(latitudes_departures(az, length), np.array(start))
    assert closure.miss_m < 1e-9
    assert is_acceptable(closure)
    np.testing.assert_allclose(closure.adjusted_m[:-1], corners - corners[0] + np.array(start), atol=1e-8)


@given(st.integers(0, 4), st.floats(0.5, 5.0), st.booleans())
@settings(deadline=None, derandomize=True, max_examples=100)
def test_a_wrong_distance_is_found(leg: int, slip: float, short: bool) -> None:
    """Five legs, no two of them parallel: the one that was misread comes first, with its size."""
    corners = np.array([[0.0, 0.0], [31.0, 4.0], [44.0, 29.0], [17.0, 47.0], [-12.0, 22.0]])
    steps = np.roll(corners, -1, axis=0) - corners
    length = np.hypot(steps[leg, 0], steps[leg, 1])
    wrong = -slip if short else slip
    steps[leg] *= (length + wrong) / length
    first = suspects(close_traverse(steps, np.zeros(2)))["distance"][0]
    assert first.leg == leg
    assert first.amount == pytest.approx(-wrong, abs=1e-9)
    assert first.left_m < 1e-9


@given(st.integers(1, 4), st.floats(2.0, 25.0), st.booleans())
@settings(deadline=None, derandomize=True, max_examples=100)
def test_a_wrong_angle_is_found_on_the_bisector(leg: int, slip_deg: float, left: bool) -> None:
    corners = np.array([[0.0, 0.0], [31.0, 4.0], [44.0, 29.0], [17.0, 47.0], [-12.0, 22.0]])
    steps = np.roll(corners, -1, axis=0) - corners
    slip = -slip_deg if left else slip_deg
    az, length = azimuth_of(steps), np.hypot(steps[:, 0], steps[:, 1])
    az[leg:] += slip
    closure = close_traverse(latitudes_departures(az, length), np.zeros(2))
    first = suspects(closure)["angle"][0]
    assert first.left_m < 1e-9
    assert first.leg == leg
    assert first.amount == pytest.approx(-slip, abs=1e-9)
    # the perpendicular bisector of the misclosure passes through the station
    middle = (closure.raw_m[0] + closure.raw_m[-1]) / 2
    off = (closure.raw_m[leg] - middle) @ closure.misclosure_m / closure.miss_m
    assert abs(off) < 1e-9


@given(st.integers(0, 4), st.floats(2.0, 40.0))
@settings(deadline=None, derandomize=True, max_examples=100)
def test_a_wrong_bearing_is_found(leg: int, slip_deg: float) -> None:
    corners = np.array([[0.0, 0.0], [31.0, 4.0], [44.0, 29.0], [17.0, 47.0], [-12.0, 22.0]])
    steps = np.roll(corners, -1, axis=0) - corners
    az, length = azimuth_of(steps), np.hypot(steps[:, 0], steps[:, 1])
    az[leg] += slip_deg
    found = suspects(close_traverse(latitudes_departures(az, length), np.zeros(2)))["bearing"]
    hit = next(s for s in found if s.leg == leg)
    assert hit.left_m < 1e-9
    assert hit.amount == pytest.approx(-slip_deg, abs=1e-9)
    assert found[0].left_m < 1e-9


def test_exact_closure_has_no_suspects_and_an_infinite_ratio() -> None:
    closure = close_traverse(np.array([[1.0, 0], [0, 1], [-1, 0], [0, -1]]), np.zeros(2))
    assert math.isinf(closure.ratio)
    assert "exact" in closure.text
    assert suspects(closure) == {"distance": (), "bearing": (), "angle": ()}


def test_a_traverse_without_length_is_refused() -> None:
    for steps in (np.zeros((0, 2)), np.zeros((3, 2)), np.array([[np.nan, 1.0]])):
        with pytest.raises(UsageError, match="at least one leg"):
            close_traverse(steps, np.zeros(2))


# --- angles -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "degrees"),
    [
        ("45.5", 45.5),
        ("45 30", 45.5),
        ("45-30", 45.5),
        ("45 30 15", 45.50416666666667),
        ("45-30-15", 45.50416666666667),
        ("45°30'15\"", 45.50416666666667),
        ("45° 30′ 15″", 45.50416666666667),
        ("45d30m15s", 45.50416666666667),
        ("45 deg 30 min", 45.5),
        ("0", 0.0),
        ("7°", 7.0),
        ("45 30.25", 45.50416666666667),
        ("360", 360.0),
    ],
)
def test_angles(text: str, degrees: float) -> None:
    assert parse_angle(text) == pytest.approx(degrees, abs=1e-12)


@pytest.mark.parametrize(
    "text", ["", "x", "-5", "4530", "453015", "45 60", "45 30 60", "45.5 30", "361", "45 30 15 2", "1" * 200]
)
def test_angles_that_are_none(text: str) -> None:
    with pytest.raises(UsageError, match="angle"):
        parse_angle(text)


@pytest.mark.parametrize(
    ("text", "azimuth"),
    [
        ("N 45 30 15 E", 45.50416666666667),
        ("S 45 30 E", 134.5),
        ("S45W", 225.0),
        ("n 10 w", 350.0),
        ("N0W", 0.0),
        ("N", 0.0),
        ("due south", 180.0),
        ("West", 270.0),
        ("az 226-54-23", 226.9063888888889),
        ("azimuth 12.5", 12.5),
        ("az 360", 0.0),
    ],
)
def test_directions(text: str, azimuth: float) -> None:
    assert parse_direction(text).azimuth(None) == pytest.approx(azimuth, abs=1e-12)


def test_turns_follow_the_leg_before() -> None:
    assert parse_direction("right 90").azimuth(350.0) == 80.0
    assert parse_direction("left 90").azimuth(350.0) == 260.0
    # clockwise from the backsight: 90 to the right after walking north leads west
    assert parse_direction("angle right 90").azimuth(0.0) == 270.0
    assert parse_direction("angle left 90").azimuth(0.0) == 90.0
    with pytest.raises(UsageError, match="leg before"):
        Direction("turn", 90.0).azimuth(None)


@pytest.mark.parametrize("text", ["", "N 95 E", "N 45 S", "up", "45", "N 45", "right", "az"])
def test_directions_that_are_none(text: str) -> None:
    with pytest.raises(UsageError):
        parse_direction(text)
