"""Tape corrections against published examples (ids of the shared check values; sources beside each).

Feet and pounds stay feet and pounds here: the formulas do not care, and the published numbers
can be read beside the test.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplan.errors import UsageError
from siteplan.reconcile.corrections import (
    STEEL_PER_C,
    Tension,
    corrections,
    level_length,
    pull,
    reading_to_set_out,
    sag,
    slope_length,
    standardisation,
    temperature,
    true_length,
)
from siteplan.types import FloatArray

NAN = float("nan")


def a(*values: float) -> FloatArray:
    return np.array(values, dtype=float)


def tension(**said: float) -> Tension:
    names = ("nominal_m", "true_m", "temperature_c", "pull_n", "standard_n", "area_m2")
    base: dict[str, Any] = dict.fromkeys(names, NAN)
    base |= {"standard_c": 20.0, "per_c": STEEL_PER_C, "modulus_pa": 2e11, "sag_m": 0.0}
    return Tension(**{k: a(v) for k, v in {**base, **said}.items()})


def test_steel_per_degree() -> None:
    """TAP-01 US Navy, Engineering Aid Basic, ch. 12: 0.00065 ft per degree F per 100 ft, 0.01 ft per 15;
    TAP-02 the finer pair 6.45e-6 per F = 1.161e-5 per C."""
    assert temperature(a(100), a(69), a(68), a(6.5e-6))[0] == pytest.approx(0.00065, abs=1e-9)
    assert temperature(a(100), a(83), a(68), a(6.5e-6))[0] == pytest.approx(0.01, abs=5e-4)
    assert pytest.approx(6.45e-6 * 9 / 5, abs=1e-8) == STEEL_PER_C


def test_temperature_of_a_cold_day() -> None:
    """TAP-04, university lecture, Taping Corrections: 368.50 ft at 22 F gives -0.11, 368.39 ft."""
    c = temperature(a(368.50), a(22), a(68), a(6.5e-6))
    assert c[0] == pytest.approx(-0.1102, abs=5e-5)
    assert 368.50 + c[0] == pytest.approx(368.39, abs=0.005)


def test_sag_is_per_span() -> None:
    """TAP-05, university lecture: 2.8 lb per 100 ft, 12 lb, spans 3 x 100 + 48.75 ft: -0.71 ft."""
    spans = a(100, 100, 100, 48.75)
    assert sag(spans, a(0.028), a(12)).sum() == pytest.approx(-0.7068, abs=5e-5)


def test_sag_trap_of_a_published_answer() -> None:
    """Shared check values, section 12: -0.5702 puts the whole length into a per-span formula; per span
    it is -0.5437 (389.28 ft in three full spans and one of 89.28, 2.25 lb per 100 ft, 12 lb)."""
    got = sag(a(100, 100, 100, 89.28), a(0.0225), a(12)).sum()
    assert got == pytest.approx(-0.5437, abs=5e-5)
    assert abs(got + 0.5702) > 0.02


def test_slope() -> None:
    """TAP-08, university lecture: 300.00 ft at 5 degrees: level 298.86, rise 26.15, correction 1.14."""
    rise = 300 * np.sin(np.radians(5))
    assert rise == pytest.approx(26.15, abs=0.005)
    level = level_length(a(300), a(rise))[0]
    assert level == pytest.approx(298.86, abs=0.005)
    assert 300 - level == pytest.approx(1.14, abs=0.005)
    assert rise**2 / 600 == pytest.approx(1.14, abs=0.005)
    assert slope_length(a(level), a(rise))[0] == pytest.approx(300, abs=1e-9)


def test_measuring_and_laying_out_have_opposite_signs() -> None:
    """TAP-09, university lecture: a tape truly 100.02 reads 500.00 for 500.10;
    to set out 500.00 read 499.90."""
    t = tension(nominal_m=100, true_m=100.02)
    assert true_length(a(500), t)[0] == pytest.approx(500.10, abs=0.005)
    assert reading_to_set_out(a(500), t)[0] == pytest.approx(499.90, abs=0.005)
    # what the mark set by reading 500.00 would be
    assert true_length(reading_to_set_out(a(500), t), t)[0] == pytest.approx(500, abs=1e-9)


def test_short_tape() -> None:
    """TAP-10, Mahun, Distances ch. E: a tape of 99.970 takes 0.030 ft off every full length."""
    assert standardisation(a(100), a(100), a(99.970))[0] == pytest.approx(-0.030, abs=1e-9)


def test_everything_at_once() -> None:
    """TAP-11, inputs from Mahun, Distances ch. E, Example 1 (its answer recomputed by hand)."""
    weight = 2.2 / 102
    hung = sag(a(100, 100, 36.48), a(weight), a(15)).sum()
    t = tension(
        nominal_m=100, true_m=100.004, temperature_c=50, standard_c=70, per_c=6.5e-6, pull_n=15,
        standard_n=23, area_m2=0.004, modulus_pa=2.9e7, sag_m=hung,
    )  # fmt: skip
    c = corrections(a(436.48), t)
    assert c.standard_m[0] == pytest.approx(0.0175, abs=5e-5)
    assert c.temperature_m[0] == pytest.approx(-0.0567, abs=5e-5)
    assert c.pull_m[0] == pytest.approx(-0.0301, abs=5e-5)
    assert c.sag_m[0] == pytest.approx(-0.1765, abs=5e-5)
    assert true_length(a(436.48), t)[0] == pytest.approx(436.234, abs=0.001)


def test_more_pull_adds() -> None:
    """TAP-15, public exam bank (prints a minus sign): 30 m, 15 x 1 mm, 30 to 40 kg, 2.2e6 kg/cm2."""
    got = pull(a(30), a(40), a(30), a(1.5 * 0.1), a(2.2e6))[0]
    assert got == pytest.approx(0.000909, abs=1e-6)


def test_what_is_not_known_changes_nothing() -> None:
    assert true_length(a(30.5), tension())[0] == 30.5
    assert sag(a(30), a(NAN), a(50))[0] == 0


def test_rise_as_long_as_the_tape_is_refused() -> None:
    with pytest.raises(UsageError, match="rise"):
        level_length(a(3.0), a(3.0))


@settings(deadline=None, derandomize=True, max_examples=150)
@given(
    st.floats(0.5, 200), st.floats(0.99, 1.01), st.floats(-20, 45), st.floats(10, 200), st.floats(-0.05, 0)
)
def test_laying_out_undoes_measuring(
    wanted: float, factor: float, warm: float, hand: float, hang: float
) -> None:
    t = tension(
        nominal_m=30,
        true_m=30 * factor,
        temperature_c=warm,
        pull_n=hand,
        standard_n=50,
        area_m2=2.5e-6,
        sag_m=hang,
    )
    assert true_length(reading_to_set_out(a(wanted), t), t)[0] == pytest.approx(wanted, abs=1e-9)
