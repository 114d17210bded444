"""What a tape reading must be corrected by, and what to read to set out a length.

A tape that is too long reads too short.  So *measuring* with it the correction is added to
the reading, and *laying out* with it the correction is taken off the wanted length: the two
signs live in two functions here, :func:`true_length` and :func:`reading_to_set_out`, and
nowhere else.

Sources
-------
The formulas are those of taping in any surveying text: US Navy, Engineering Aid Basic, ch. 12
(thermal coefficient, standard temperature); J. Mahun, Open Access Surveying Library, Distances
ch. E (pull, sag, slope).  The numbers they are tested with stand in tests/test_corrections.py.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from siteplan.errors import UsageError
from siteplan.types import FloatArray

STEEL_PER_C: Final = 1.161e-5
"""6.45e-6 per degree Fahrenheit"""
STEEL_PA: Final = 2.0e11
STANDARD_C: Final = 20.0
"""68 degrees Fahrenheit"""


@dataclass(frozen=True, slots=True, eq=False)
class Corrections:
    """Corrections to n readings, metres, each with the sign it has when *measuring*."""

    standard_m: FloatArray
    """tape longer (+) or shorter (-) than it says"""
    temperature_m: FloatArray
    pull_m: FloatArray
    sag_m: FloatArray
    """never positive"""

    @property
    def total_m(self) -> FloatArray:
        """Sum of the four; the slope is no correction of the tape and comes after."""
        return self.standard_m + self.temperature_m + self.pull_m + self.sag_m


def standardisation(length_m: FloatArray, nominal_m: FloatArray, true_m: FloatArray) -> FloatArray:
    """Correction for a tape whose true length is not what it says.

    Parameters
    ----------
    length_m : (n,) readings
    nominal_m, true_m : (n,) what the tape says and what it is, under its standard conditions;
        NaN where it was not compared: no correction

    Returns
    -------
    (n,) length x (true - nominal) / nominal, the sign for measuring.
    """
    factor = (np.asarray(true_m) - nominal_m) / np.asarray(nominal_m)
    return np.asarray(np.where(np.isnan(factor), 0.0, factor) * length_m)


def temperature(
    length_m: FloatArray, temperature_c: FloatArray, standard_c: FloatArray, per_c: FloatArray
) -> FloatArray:
    """Correction for a tape warmer (+) or colder (-) than its standard temperature; NaN: none."""
    change = np.asarray(temperature_c) - standard_c
    return np.asarray(np.where(np.isnan(change), 0.0, change) * per_c * length_m)


def pull(
    length_m: FloatArray,
    pull_n: FloatArray,
    standard_n: FloatArray,
    area_m2: FloatArray,
    modulus_pa: FloatArray,
) -> FloatArray:
    """Correction for a pull above (+) or below (-) the standard one; NaN anywhere: none.

    A pull above the standard stretches the tape, so the reading is short: the correction is
    positive (a published example prints a minus sign; it is wrong).
    """
    strain = (np.asarray(pull_n) - standard_n) / (np.asarray(area_m2) * modulus_pa)
    return np.asarray(np.where(np.isnan(strain), 0.0, strain) * length_m)


def sag(span_m: FloatArray, weight_n_per_m: FloatArray, pull_n: FloatArray) -> FloatArray:
    """Correction for a tape that hangs between two supports, *per span*.

    Parameters
    ----------
    span_m : (n,) length of one unsupported span; a line hung in several spans has several rows,
        because the correction goes with the cube of the span
    weight_n_per_m : (n,) of the tape
    pull_n : (n,) of the hand

    Returns
    -------
    (n,) -w^2 l^3 / 24 P^2, never positive; 0 where an input is NaN.
    """
    made = -(np.asarray(weight_n_per_m) ** 2) * np.asarray(span_m) ** 3 / (24 * np.asarray(pull_n) ** 2)
    return np.asarray(np.where(np.isnan(made), 0.0, made))


def level_length(slope_m: FloatArray, rise_m: FloatArray) -> FloatArray:
    """Level length of a length taped along a slope: the leg of a right triangle, exactly.

    The usual correction v^2 / 2S is its first term.  NaN rise: taken as level.

    Raises
    ------
    UsageError : a rise as great as the length
    """
    rise = np.where(np.isnan(rise_m), 0.0, rise_m)
    if (np.abs(rise) >= np.asarray(slope_m)).any():
        raise UsageError("a rise must be smaller than the length taped along the slope")
    return np.asarray(np.sqrt((slope_m - rise) * (slope_m + rise)))


def slope_length(level_m: FloatArray, rise_m: FloatArray) -> FloatArray:
    """Length along the slope that makes a level length, for setting out.  NaN rise: level."""
    return np.asarray(np.hypot(level_m, np.where(np.isnan(rise_m), 0.0, rise_m)))


@dataclass(frozen=True, slots=True, eq=False)
class Tension:
    """Everything about n readings that changes a tape; NaN where it is not known or does not matter."""

    nominal_m: FloatArray
    true_m: FloatArray
    temperature_c: FloatArray
    standard_c: FloatArray
    per_c: FloatArray
    pull_n: FloatArray
    standard_n: FloatArray
    area_m2: FloatArray
    modulus_pa: FloatArray
    sag_m: FloatArray
    """(n,) sum of :func:`sag` over the spans of each reading; 0 where the tape was supported"""

    @property
    def stretch(self) -> FloatArray:
        """(n,) what one metre read is more than a metre: standard, temperature and pull together."""
        one = np.ones(len(self.nominal_m))
        return corrections(one, self).total_m - np.asarray(self.sag_m)


def corrections(reading_m: FloatArray, tension: Tension) -> Corrections:
    """Corrections to readings, with the signs for measuring."""
    t = tension
    return Corrections(
        standard_m=standardisation(reading_m, t.nominal_m, t.true_m),
        temperature_m=temperature(reading_m, t.temperature_c, t.standard_c, t.per_c),
        pull_m=pull(reading_m, t.pull_n, t.standard_n, t.area_m2, t.modulus_pa),
        sag_m=np.asarray(t.sag_m, dtype=np.float64),
    )


def true_length(reading_m: FloatArray, tension: Tension) -> FloatArray:
    """*Measuring*: the length that lies there, from what was read (along the slope, if there is one)."""
    return np.asarray(reading_m + corrections(reading_m, tension).total_m)


def reading_to_set_out(wanted_m: FloatArray, tension: Tension) -> FloatArray:
    """*Laying out*: what to read on the tape so that the wanted length lies there.

    The exact inverse of :func:`true_length`; to first order the corrections with their signs
    turned round.
    """
    return np.asarray((wanted_m - tension.sag_m) / (1 + tension.stretch))
