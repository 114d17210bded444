"""Angles and directions as people write them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final, Literal

from siteplan.errors import UsageError

_MARKS: Final = (r"(?:°|º|deg|d)", r"(?:'(?!')|′|’|min|m)", r"(?:\"|″|”|''|sec|s)")
_NUMBER: Final = r"\d+(?:\.\d*)?"


def _part(name: str, mark: str, rest: str) -> str:
    """One number, and behind it a separator (a mark, a blank or a hyphen) and a smaller unit."""
    between = rf"(?:\s*{mark}\s*-?\s*|\s*-\s*|\s+)"
    return (
        rf"(?P<{name}>{_NUMBER})(?:{between}{rest}|\s*{mark}?)"
        if rest
        else rf"(?P<{name}>{_NUMBER})\s*{mark}?"
    )


_ANGLE: Final = re.compile(
    rf"^\s*{_part('d', _MARKS[0], _part('m', _MARKS[1], _part('s', _MARKS[2], '')))}\s*$", re.IGNORECASE
)
_QUADRANT: Final = re.compile(r"^\s*(?P<ns>[NS])\s*(?P<angle>[\d.].*?)\s*(?P<ew>[EW])\s*$", re.IGNORECASE)
_AZIMUTH: Final = re.compile(r"^\s*(?:azimuth|az)\b\.?\s*(?P<angle>.*)$", re.IGNORECASE)
_TURN: Final = re.compile(
    r"^\s*(?:(?P<from>angle)\s+)?(?P<side>left|right)\b\s*(?P<angle>.*)$", re.IGNORECASE
)
_LONGEST: Final = 60
_CARDINAL: Final = {"N": 0.0, "E": 90.0, "S": 180.0, "W": 270.0}


def parse_angle(text: str) -> float:
    """Angle in degrees, written as ``45.5``, ``45 30``, ``45-30-15`` or ``45°30'15"``.

    Raises
    ------
    UsageError : not an angle, a negative one, minutes or seconds of 60 or more, a decimal
        part anywhere but in the last place, or more than 360 degrees

    Examples
    --------
    >>> parse_angle("45 30 15")
    45.50416666666667
    """
    match = _ANGLE.match(text) if len(text) <= _LONGEST else None
    if not match:
        raise UsageError(
            f'angle "{text.strip()[:_LONGEST]}" is not understood; write 45.5, 45 30 15 or 45-30-15'
        )
    parts = [p for p in (match["d"], match["m"], match["s"]) if p is not None]
    if any("." in p for p in parts[:-1]):
        raise UsageError(f'angle "{text.strip()}" has decimals before a smaller unit; write one of them')
    value = float(parts[0])
    for part, name, share in zip(parts[1:], ("minutes", "seconds"), (60, 3600), strict=False):
        if float(part) >= 60:
            raise UsageError(f'angle "{text.strip()}": {name} must be below 60')
        value += float(part) / share
    if value > 360:
        raise UsageError(f'angle "{text.strip()}" is more than 360 degrees')
    return value


@dataclass(frozen=True, slots=True)
class Direction:
    """A direction: of its own, or relative to the leg before.

    Parameters
    ----------
    kind : ``azimuth`` (clockwise from north), ``turn`` (clockwise from straight ahead) or
        ``backsight`` (clockwise from the leg before, looked at backwards)
    value_deg : degrees
    """

    kind: Literal["azimuth", "turn", "backsight"]
    value_deg: float

    def azimuth(self, before_deg: float | None) -> float:
        """Azimuth in degrees, [0, 360), after a leg of azimuth ``before_deg`` (None: no leg yet).

        Raises
        ------
        UsageError : relative to a leg that is not there
        """
        if self.kind == "azimuth":
            return self.value_deg % 360.0
        if before_deg is None:
            raise UsageError("a turn needs a leg before it; give the first leg a bearing or an azimuth")
        back = 180.0 if self.kind == "backsight" else 0.0
        return (before_deg + back + self.value_deg) % 360.0


def parse_direction(text: str) -> Direction:
    """Direction written by a person.

    Parameters
    ----------
    text : ``N 45 30 15 E`` (quadrant bearing, at most 90), ``N``, ``az 120.5``, ``right 90`` and
        ``left 90`` (turned from straight ahead), ``angle right 88 30`` and ``angle left``
        (turned from the leg before, looking back)

    Raises
    ------
    UsageError : none of these
    """
    word = text.strip().upper().removeprefix("DUE ").strip()
    full = {"NORTH": "N", "EAST": "E", "SOUTH": "S", "WEST": "W"}
    word = full.get(word, word)
    if word in _CARDINAL:
        return Direction("azimuth", _CARDINAL[word])
    if match := _QUADRANT.match(text):
        return Direction("azimuth", _quadrant(match["ns"], match["angle"], match["ew"]))
    if match := _AZIMUTH.match(text):
        return Direction("azimuth", parse_angle(match["angle"]))
    if match := _TURN.match(text):
        sign = 1.0 if match["side"].lower() == "right" else -1.0
        return Direction("backsight" if match["from"] else "turn", sign * parse_angle(match["angle"]))
    raise UsageError(
        f'direction "{text.strip()}" is not understood; write N 45 30 15 E, az 120.5, right 90, left 90 or '
        "angle right 88 30"
    )


def _quadrant(ns: str, angle: str, ew: str) -> float:
    value = parse_angle(angle)
    if value > 90:
        written = f"{ns.upper()} {angle.strip()} {ew.upper()}"
        raise UsageError(f'bearing "{written}" is more than 90 from north or south')
    if ns.upper() == "N":
        return value if ew.upper() == "E" else (360 - value) % 360
    return 180 - value if ew.upper() == "E" else 180 + value
