"""Lengths as people write them."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplan.errors import UsageError
from siteplan.units import (
    FOOT_M,
    METRES,
    SURVEY_FOOT_M,
    Unit,
    format_length,
    parse_length,
    parse_um,
    round_um,
    to_unit,
    um_to_m,
)


def test_both_feet() -> None:
    # 85 FR 62698 (5 Oct 2020) and EPSG units 9002, 9003: 0.3048 m and 1200/3937 m exactly.
    assert Fraction("0.3048") == FOOT_M
    assert Fraction(1200, 3937) == SURVEY_FOOT_M
    # NIST's page on the survey foot prints 0.304 800 609 601 2192...
    assert abs(float(SURVEY_FOOT_M) - 0.3048006096012192) < 1e-16
    # Their ratio is 1.000002000004, "two parts per million" (NGS webinar, 12 Dec 2019).
    assert Fraction("0.999998") == FOOT_M / SURVEY_FOOT_M
    assert abs(float(SURVEY_FOOT_M / FOOT_M) - 1.000002000004) < 1e-15


def test_size_of_the_foot_mistake() -> None:
    ratio = SURVEY_FOOT_M / FOOT_M - 1
    # 0.01 ft in a mile (NGS webinar, 12 Dec 2019)
    assert float(5280 * ratio) == pytest.approx(0.01056, abs=1e-5)
    # a false easting of 500,000 m: 3.281 ft, though a 40 ft run differs by a thousandth of an inch
    assert float(500_000 / FOOT_M - 500_000 / SURVEY_FOOT_M) == pytest.approx(3.281, abs=1e-3)
    assert float(40 * ratio) == pytest.approx(0.00008, abs=1e-6)


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        ("3.81 m", Fraction("3.81")),
        ("250mm", Fraction("0.25")),
        (" 25 cm ", Fraction("0.25")),
        ("12.5 ft", Fraction("3.81")),
        ("12.5 FT", Fraction("3.81")),
        ("12.5'", Fraction("3.81")),
        ("3937 ftUS", Fraction(1200)),
        ("3937 ftus", Fraction(1200)),
        ("1e3 mm", Fraction(1)),
        (".5 m", Fraction(1, 2)),
        ("2. m", Fraction(2)),
        ("2 yd", Fraction("1.8288")),
        ("12' 6-1/2\"", Fraction("3.8227")),
        ("12'6 1/2\"", Fraction("3.8227")),
        ("12' - 6 1/2''", Fraction("3.8227")),
        ("12\u2032 6\u20111/2\u2033".replace("\u2011", "-"), Fraction("3.8227")),
        ("12 ft 6-1/2 in", Fraction("3.8227")),
        ("12 feet 6.5 inches", Fraction("3.8227")),
        ("1/2 in", Fraction("0.0127")),
        ("6''", Fraction("0.1524")),
        ("-6 1/2 in", Fraction("-0.1651")),
        ("\u22126 in", Fraction("-0.1524")),
        ("3.81\u00a0m", Fraction("3.81")),
    ],
)
def test_what_people_write(text: str, metres: Fraction) -> None:
    assert parse_length(text) == metres


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("12.5", "no unit"),
        ("12 1/2", "no unit"),
        ("12 furlongs", '"furlongs" is not known'),
        ("12' 14\"", "less than 12"),
        ("12.5' 6\"", "mixes decimals"),
        ("6.5 1/2 in", "mixes decimals"),
        ("1/0 in", "zero below the line"),
        ("", "not understood"),
        ("ft", "not understood"),
        ("about 3 m", "not understood"),
        ("3,5 m", "not understood"),
        ("1,250 ft", "not understood"),
        ("1e999999999 m", "not understood"),
        ("9" * 5000 + " m", "too long"),
        ("12' 6\" 1/2", "not understood"),
        ("--3 m", "not understood"),
    ],
)
def test_what_is_refused_and_why(text: str, says: str) -> None:
    with pytest.raises(UsageError, match=says):
        parse_length(text)


def test_micrometres_round_half_away_from_zero() -> None:
    assert parse_um("46.75 in") == 1_187_450
    assert parse_um("0.0005 mm") == 1
    assert parse_um("-0.0005 mm") == -1
    assert parse_um("0.00049 mm") == 0
    assert round_um(Fraction(5, 10_000_000)) == 1
    assert um_to_m(1_187_450) == 1.18745
    for bad in (math.nan, math.inf):
        with pytest.raises(UsageError, match="not a number of metres"):
            round_um(bad)


@pytest.mark.parametrize(
    ("length_m", "unit", "text"),
    [
        (3.8227, "m", "3.823 m"),
        (3.8125, "m", "3.813 m"),  # a tie the binary number holds exactly
        (-0.0001, "m", "0.000 m"),
        (-3.8125, "m", "-3.813 m"),
        (1200.0, "ftUS", "3937.000 ftUS"),
        (3.8227, "ft", "12' 6-1/2\""),
        (0.3048, "ft", "1' 0\""),
        (0.0, "ft", "0' 0\""),
        (-0.0001, "ft", "0' 0\""),
        (-3.8227, "ft", "-12' 6-1/2\""),
        (3.657599, "ft", "12' 0\""),  # rounding carries into the feet
        (math.nan, "ft", "n/a"),
        (math.inf, "m", "n/a"),
    ],
)
def test_what_people_read(length_m: float, unit: Unit, text: str) -> None:
    assert format_length(length_m, unit) == text


def test_resolution_is_a_choice() -> None:
    assert format_length(3.8227, "ft", denominator=2) == "12' 6-1/2\""
    assert format_length(3.8227, "ft", denominator=1) == "12' 7\""
    assert format_length(3.8227, decimals=0) == "4 m"
    with pytest.raises(UsageError, match="power of two"):
        format_length(1.0, "ft", denominator=10)


def test_to_unit() -> None:
    assert to_unit(1200.0, "ftUS") == pytest.approx(3937, abs=1e-12)
    assert to_unit(3.048, "ft") == pytest.approx(10, abs=1e-14)


@settings(deadline=None, derandomize=True, max_examples=300)
@given(
    st.fractions(min_value=-500, max_value=500, max_denominator=10_000),
    st.sampled_from([1, 2, 4, 8, 16, 64]),
)
def test_feet_and_inches_read_back(metres: Fraction, denominator: int) -> None:
    text = format_length(float(metres), "ft", denominator=denominator)
    # half a fraction of an inch, and the rounding of the float
    assert abs(parse_length(text) - metres) <= Fraction("0.0254") / denominator / 2 + Fraction(1, 10**12)
    assert format_length(float(parse_length(text)), "ft", denominator=denominator) == text


@settings(deadline=None, derandomize=True, max_examples=200)
@given(st.integers(-(10**12), 10**12), st.sampled_from(sorted(METRES)))
def test_every_unit_is_exact(number: int, unit: str) -> None:
    assert parse_length(f"{number} {unit}") == number * METRES[unit]


@settings(deadline=None, derandomize=True, max_examples=500)
@given(st.text(alphabet="0123456789.-/'\" eftinmUSc\u2032\u2033\u2212", max_size=20))
def test_any_text_is_a_length_or_a_usage_error(text: str) -> None:
    try:
        length = parse_length(text)
    except UsageError:
        return
    assert isinstance(length, Fraction)
