"""Lengths as people write them, and as the program holds them.

Inside, lengths are metres (``float``) or whole micrometres (``int``).  Feet and
inches live at the edges only, and everything that reads or writes them goes
through this module.

Sources
-------
International foot: 0.3048 m exactly; US survey foot: 1200/3937 m exactly (National
Institute of Standards and Technology and National Geodetic Survey, final notice,
85 FR 62698, 5 October 2020; EPSG units 9002 and 9003).
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from fractions import Fraction
from typing import Final, Literal

from siteplan.errors import UsageError

Unit = Literal["m", "ft", "ftUS"]

FOOT_M: Final = Fraction(3048, 10000)
SURVEY_FOOT_M: Final = Fraction(1200, 3937)
INCH_M: Final = FOOT_M / 12

METRES: Final[dict[str, Fraction]] = {
    "m": Fraction(1),
    "mm": Fraction(1, 1000),
    "cm": Fraction(1, 100),
    "km": Fraction(1000),
    "um": Fraction(1, 1_000_000),
    "ft": FOOT_M,
    "ftUS": SURVEY_FOOT_M,
    "in": INCH_M,
    "yd": FOOT_M * 3,
}
"""Metres in one of each unit, exactly."""

_UM: Final = 1_000_000

_UNIT_BY_LOWER: Final = {name.lower(): name for name in METRES}
# Long enough for any length a person writes; keeps "1e999999999 m" from filling the memory.
_LONGEST: Final = 60

_NUMBER = r"(?:\d+(?:\.\d*)?|\.\d+)"
_MIXED = rf"(?P<{{n}}>{_NUMBER}(?:[\s-]+\d+\s*/\s*\d+)?|\d+\s*/\s*\d+)"
_FEET_INCHES = re.compile(
    r"^\s*(?P<sign>[-+\u2212]?)\s*"
    rf"(?:(?P<feet>{_NUMBER})\s*(?:'(?!')|\u2032|\u2019|ft\b|feet\b|foot\b)\s*-?\s*)?"
    r"(?:" + _MIXED.format(n="inches") + r"\s*(?:\"|\u2033|\u201d|''|in\b|inch(?:es)?\b))?\s*$",
    re.IGNORECASE,
)
_PLAIN = re.compile(
    rf"^\s*(?P<sign>[-+\u2212]?)\s*(?P<value>{_NUMBER}(?:[eE][-+]?\d{{1,2}})?)\s*(?P<unit>[A-Za-z]+)\s*$"
)


def _mixed(text: str) -> Fraction:
    """Value of ``6``, ``6.25``, ``6 1/2``, ``6-1/2`` or ``1/2``."""
    total = Fraction(0)
    for part in re.split(r"[\s-]+", re.sub(r"\s*/\s*", "/", text.strip())):
        total += Fraction(part)
    return total


def parse_length(text: str) -> Fraction:
    r"""Length written by a person, in metres, exactly.

    Parameters
    ----------
    text : such as ``3.81 m``, ``250 mm``, ``12.5 ft``, ``41 ftUS``, ``12' 6-1/2"``,
        ``6 1/2 in``, ``12 ft 6 in``; a unit is required, upper and lower case are the same

    Returns
    -------
    Metres as an exact fraction.

    Raises
    ------
    UsageError : no unit, an unknown unit, inches of 12 or more beside feet, a decimal
        part beside a smaller unit or a fraction (``12.5' 6"``, ``6.5 1/2 in``: two ways of
        writing the same thing, of which one is a slip), or text that is not a length.

    Examples
    --------
    >>> float(parse_length("12' 6-1/2\""))
    3.8227
    """
    if len(text) > _LONGEST:
        raise UsageError(f'length "{text[:_LONGEST]}..." is too long to be a length')
    plain = _PLAIN.match(text)
    unit = _UNIT_BY_LOWER.get(plain["unit"].lower()) if plain else None
    if plain and unit:
        sign = -1 if plain["sign"] in ("-", "\u2212") else 1
        return sign * Fraction(plain["value"]) * METRES[unit]
    match = _FEET_INCHES.match(text)
    if match and (match["feet"] is not None or match["inches"] is not None):
        try:
            inches = _mixed(match["inches"]) if match["inches"] else Fraction(0)
        except ZeroDivisionError:
            raise UsageError(f'length "{text}" has a fraction with a zero below the line') from None
        if match["inches"] and (
            "." in (match["feet"] or "") or ("." in match["inches"] and "/" in match["inches"])
        ):
            raise UsageError(f'length "{text}" mixes decimals with inches or a fraction; write one of them')
        if match["feet"] is not None and inches >= 12:
            raise UsageError(f'length "{text}": inches beside feet must be less than 12')
        feet = Fraction(match["feet"]) if match["feet"] is not None else Fraction(0)
        sign = -1 if match["sign"] in ("-", "\u2212") else 1
        return sign * (feet * FOOT_M + inches * INCH_M)
    if re.fullmatch(r"\s*[-+\u2212]?\s*[\d./\s-]+\s*", text):
        raise UsageError(
            f'length "{text}" has no unit; write for example "{text.strip()} ft" or "{text.strip()} m"'
        )
    if plain:
        raise UsageError(
            f'length "{text}": unit "{plain["unit"]}" is not known; use m, mm, cm, ft, ftUS, in or yd'
        )
    raise UsageError(f'length "{text}" is not understood; write for example 3.81 m, 12.5 ft or 12\' 6-1/2"')


def parse_um(text: str) -> int:
    """Length written by a person, in whole micrometres (half away from zero)."""
    return round_um(parse_length(text))


def round_um(metres: Fraction | float) -> int:
    """Metres to whole micrometres, half away from zero; ``UsageError`` where not finite."""
    if isinstance(metres, float) and not math.isfinite(metres):
        raise UsageError(f"length {metres} is not a number of metres")
    scaled = Fraction(metres) * _UM
    sign = -1 if scaled < 0 else 1
    return sign * int(abs(scaled) + Fraction(1, 2))


def um_to_m(value_um: int) -> float:
    """Whole micrometres to metres."""
    return value_um / _UM


def to_unit(length_m: float, unit: Unit) -> float:
    """Metres to a number of ``unit``."""
    return length_m / float(METRES[unit])


def format_length(length_m: float, unit: Unit = "m", *, denominator: int = 8, decimals: int = 3) -> str:
    r"""Length as people read it.

    Parameters
    ----------
    length_m : metres; NaN and infinity give ``n/a``
    unit : ``m`` gives decimals; ``ft`` gives feet, inches and a fraction; ``ftUS``
        gives decimal survey feet, since fractions of an inch belong to the foot of trade
    denominator : smallest fraction of an inch is ``1/denominator``; a power of two
    decimals : decimals for metres and survey feet

    Returns
    -------
    Text with its unit, rounded to the stated resolution (half away from zero).

    Examples
    --------
    >>> format_length(3.8227, "ft")
    '12\' 6-1/2"'
    >>> format_length(3.8227)
    '3.823 m'
    """
    if not math.isfinite(length_m):
        return "n/a"
    if unit != "ft":
        return f"{_decimal(Fraction(length_m) / METRES[unit], decimals)} {unit}"
    if denominator < 1 or denominator & (denominator - 1):
        raise UsageError(f"denominator {denominator} is not a power of two")
    parts = _round_half_away(abs(Fraction(length_m)) / INCH_M * denominator)
    sign = "-" if length_m < 0 and parts else ""
    feet, rest = divmod(parts, 12 * denominator)
    inches, over = divmod(rest, denominator)
    fraction = Fraction(over, denominator)
    tail = f"-{fraction.numerator}/{fraction.denominator}" if over else ""
    return f"{sign}{feet}' {inches}{tail}\""


def _round_half_away(value: Fraction) -> int:
    """Nearest whole number of a value that is not negative, half upwards."""
    return int(value + Fraction(1, 2))


def _decimal(value: Fraction, decimals: int) -> str:
    """Decimals of an exact value, half away from zero, no minus before a zero."""
    parts = _round_half_away(abs(value) * 10**decimals)
    sign = "-" if value < 0 and parts else ""
    whole, rest = divmod(parts, 10**decimals)
    return f"{sign}{whole}.{rest:0{decimals}d}" if decimals else f"{sign}{whole}"


def format_lengths(
    length_um: Sequence[int], unit: Unit = "m", *, denominator: int = 8, decimals: int = 3
) -> list[str]:
    """Many whole micrometres as :func:`format_length` would show them, quickly.

    Parameters
    ----------
    length_um : whole micrometres, negative allowed
    unit, denominator, decimals : as in :func:`format_length`

    Returns
    -------
    One text for each length.
    """
    step = Fraction(1, 12 * denominator) if unit == "ft" else Fraction(1, 10**decimals)
    per_um = 1 / (step * METRES[unit] * _UM)
    up, down = per_um.numerator, per_um.denominator
    # half away from zero, in integers
    parts = [(2 * abs(int(v)) * up + down) // (2 * down) for v in length_um]
    signs = ["-" if v < 0 and p else "" for v, p in zip(length_um, parts, strict=True)]
    if unit == "ft":
        eighths = [Fraction(k, denominator) for k in range(denominator)]
        tails = [f"-{f.numerator}/{f.denominator}" if f else "" for f in eighths]
        inches = [divmod(p, denominator) for p in parts]
        return [
            f"{s}{whole // 12}' {whole % 12}{tails[over]}\""
            for s, (whole, over) in zip(signs, inches, strict=True)
        ]
    ones = 10**decimals
    if not decimals:
        return [f"{s}{p} {unit}" for s, p in zip(signs, parts, strict=True)]
    return [f"{s}{p // ones}.{p % ones:0{decimals}d} {unit}" for s, p in zip(signs, parts, strict=True)]
