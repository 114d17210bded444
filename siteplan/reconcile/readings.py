"""One reading as a person wrote it: its length, its digits, and quantities beside it."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from siteplan.errors import UsageError
from siteplan.units import FOOT_M, INCH_M, METRES, parse_length

_DECIMAL: Final = re.compile(r"^\s*(?P<digits>\d+(?:\.\d*)?|\.\d+)\s*(?P<unit>[A-Za-z']+)\s*$")
_FEET_INCHES: Final = re.compile(
    r"^\s*(?P<feet>\d+)\s*(?:'|\u2032|\u2019|ft|feet|foot)\s*-?\s*(?P<inches>.*?)\s*"
    r"(?:\"|\u2033|\u201d|''|in|inch|inches)?\s*$",
    re.IGNORECASE,
)
_UNITS: Final = {
    **{name.lower(): name for name in METRES},
    "'": "ft", "feet": "ft", "foot": "ft", "inch": "in", "inches": "in",
}  # fmt: skip
_COMMA: Final = re.compile(r"^\s*\d+,\d+\s*[A-Za-z]*\s*$")


@dataclass(frozen=True, slots=True)
class Reading:
    """A length as it stands on paper.

    Examples
    --------
    >>> read("13 ft 10 in").step_m
    0.0254
    """

    text: str
    metres: Fraction
    digits: str | None
    """digits and point of a decimal reading, ``24.37``; None for feet and inches"""
    unit: str
    """unit of ``digits``; ``ft in`` for feet and inches"""
    feet: int | None
    """whole feet of a reading in feet and inches"""
    inches: Fraction | None
    feet_digits: str | None = None
    """whole feet as written: ``05`` of ``05 ft 4 in``, where a nought in front tells of 50"""

    @property
    def step_m(self) -> float:
        """The last place it was written to, in metres: 0.01 m for ``24.37 m``, 1/4 in for ``3 1/4 in``."""
        if self.digits is not None:
            places = len(self.digits.partition(".")[2])
            return float(METRES[self.unit] / 10**places)
        return float(INCH_M / (self.inches.denominator if self.inches is not None else 1))

    def like(self, metres: float) -> str:
        """Another length written the way this one is."""
        if self.digits is not None:
            places = len(self.digits.partition(".")[2])
            return f"{metres / float(METRES[self.unit]):.{places}f} {self.unit}"
        below = self.inches.denominator if self.inches is not None else 1
        parts = round(metres / float(INCH_M) * below)
        feet, rest = divmod(parts, 12 * below)
        inches, over = divmod(rest, below)
        fraction = Fraction(over, below)
        tail = f" {fraction.numerator}/{fraction.denominator}" if over else ""
        return f"{feet} ft {inches}{tail} in"


def read(text: str, unit: str | None = None) -> Reading:
    """A reading from its text.

    Parameters
    ----------
    text : as :func:`siteplan.units.parse_length` takes it; a lone number takes ``unit``
    unit : unit the head of the column states, None where it states none

    Raises
    ------
    UsageError : no unit, not a length, zero, negative
    """
    text = text.strip()
    if _COMMA.match(text):
        raise UsageError(f'length "{text}" has a comma; write a point for decimals and nothing for thousands')
    whole = f"{text} {unit}" if unit is not None and re.fullmatch(r"[-+\u2212]?[\d.]+", text) else text
    metres = parse_length(whole)
    if metres <= 0:
        kind = "zero" if metres == 0 else "negative"
        raise UsageError(f'length "{text}" is {kind}; a taped length is more than nothing')
    match = _DECIMAL.match(whole)
    known = _UNITS.get(match["unit"].lower()) if match else None
    if match and known:
        return Reading(text, metres, match["digits"], known, None, None)
    match = _FEET_INCHES.match(whole)
    feet = int(match["feet"]) if match else 0
    digits = match["feet"] if match else None
    return Reading(text, metres, None, "ft in", feet, (metres - feet * FOOT_M) / INCH_M, digits)


_POUND_N: Final = 4.4482216152605
_KILOGRAM_N: Final = 9.80665
_QUANTITY: Final = re.compile(r"^\s*(?P<value>[-+\u2212]?\d+(?:\.\d+)?)\s*(?P<unit>[^\d\s].*?)\s*$")


def _quantity(text: str, what: str, example: str) -> tuple[float, str]:
    match = _QUANTITY.match(text)
    if not match:
        raise UsageError(f'{what} "{text}" is not understood; write for example {example}')
    return float(match["value"].replace("\u2212", "-")), match["unit"].lower().replace("\u00b0", "").strip()


def celsius(text: str) -> float:
    """Temperature with its unit, ``50 F`` or ``10 C``; ``UsageError`` without."""
    value, unit = _quantity(text, "temperature", '"50 F" or "10 C"')
    if unit not in ("f", "c"):
        raise UsageError(f'temperature "{text}": write F or C behind it')
    made = (value - 32) / 1.8 if unit == "f" else value
    if not -60 <= made <= 80:
        raise UsageError(f'temperature "{text}" is not one anybody tapes in')
    return made


def newtons(text: str) -> float:
    """Pull with its unit: ``15 lb``, ``70 N``, ``7 kg``."""
    value, unit = _quantity(text, "pull", '"15 lb" or "70 N"')
    factor = {
        "lb": _POUND_N, "lbs": _POUND_N, "lbf": _POUND_N, "n": 1.0, "kg": _KILOGRAM_N, "kgf": _KILOGRAM_N,
    }.get(unit)  # fmt: skip
    if factor is None or value <= 0:
        raise UsageError(f'pull "{text}" is not understood; write for example "15 lb" or "70 N"')
    return value * factor


def grade(text: str) -> float:
    """Rise over level run: ``5 %``, ``3 deg``, ``1:20``."""
    ratio = re.fullmatch(r"\s*1\s*:\s*(\d+(?:\.\d+)?)\s*", text)
    if ratio and float(ratio[1]) > 0:
        return 1 / float(ratio[1])
    value, unit = _quantity(text, "grade", '"5 %", "3 deg" or "1:20"')
    made = {"%": value / 100, "percent": value / 100}.get(unit)
    if made is None and unit in ("", "deg", "degree", "degrees") and abs(value) < 80:
        made = math.tan(math.radians(value))
    if made is None or not math.isfinite(made) or abs(made) > 5:
        raise UsageError(f'grade "{text}" is not understood; write for example "5 %", "3 deg" or "1:20"')
    return made


def spans(text: str) -> tuple[bool, tuple[float, ...]]:
    """Whether a tape hung, and over which spans: ``supported``, ``hung``, ``hung 100, 36.48 ft``.

    Without spans a hung tape hung in one span from end to end, and the tuple is empty.
    """
    words = text.strip().lower()
    if words in ("", "supported", "on the ground", "ground"):
        return False, ()
    match = re.fullmatch(r"(?:hung|hanging)\b(?P<list>.*)", words)
    if not match:
        raise UsageError(
            f'support "{text}" is not understood; write "supported", "hung" or "hung 100, 36.5 ft"'
        )
    parts = [p.strip() for p in re.split(r"[,;+]", match["list"]) if p.strip()]
    if not parts:
        return True, ()
    last = re.search(r"[a-z]+$", parts[-1])
    unit = last[0] if last else None
    return True, tuple(float(read(p, unit).metres) for p in parts)
