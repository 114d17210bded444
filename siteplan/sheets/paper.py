"""Paper sizes and true scales."""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from siteplan.errors import UsageError
from siteplan.units import FOOT_M, METRES, parse_length

POINT_M: Final = Fraction(254, 720_000)
"""metres in a point: 1/72 inch"""
MM_PT: Final = 72 / 25.4
"""points in a millimetre"""
LEAST_SIDE_MM: Final = 190.0
GREATEST_SIDE_MM: Final = 1_600.0

ENGINEERING_FT: Final = (5, 10, 20, 30, 40, 50, 60, 100)
"""1 in = this many feet"""
METRIC: Final = (50, 100, 200, 250, 500)
"""1 : this"""
OVERVIEW_FT: Final = (
    *ENGINEERING_FT[:-1],
    80,
    100,
    120,
    150,
    200,
    300,
    400,
    500,
    600,
    800,
    1_000,
    2_000,
    3_000,
    5_000,
)
OVERVIEW_METRIC: Final = (
    *METRIC,
    750,
    1_000,
    1_250,
    1_500,
    2_000,
    2_500,
    5_000,
    10_000,
    20_000,
    25_000,
    50_000,
)
LEAST_ONE_TO: Final = 5
GREATEST_ONE_TO: Final = 100_000


@dataclass(frozen=True, slots=True)
class Paper:
    """A sheet of paper, width by height as it is held, in millimetres."""

    name: str
    width_mm: float
    height_mm: float

    @property
    def width_pt(self) -> float:
        """Width in points."""
        return self.width_mm * MM_PT

    @property
    def height_pt(self) -> float:
        """Height in points."""
        return self.height_mm * MM_PT

    @property
    def text(self) -> str:
        """Name and size, for the title block."""
        size = f"{self.width_mm:g} x {self.height_mm:g} mm"
        return f"{self.name}, {size}" if self.name else size

    def turned(self) -> Paper:
        """The same paper held the other way."""
        return Paper(self.name, self.height_mm, self.width_mm)


# ISO 216:2007 (A series); ANSI/ASME Y14.1 sizes A and B in inches, as in that standard's title.
SIZES: Final = {
    "letter": Paper("Letter", 215.9, 279.4),
    "tabloid": Paper("Tabloid", 279.4, 431.8),
    "a4": Paper("A4", 210.0, 297.0),
    "a3": Paper("A3", 297.0, 420.0),
    "a2": Paper("A2", 420.0, 594.0),
    "a1": Paper("A1", 594.0, 841.0),
}


def parse_paper(text: str) -> Paper:
    """Paper named by a person: ``letter``, ``a3``, or width x height such as ``24inx36in``.

    Raises
    ------
    UsageError : not known, no unit, or smaller than the title block needs.
    """
    known = SIZES.get(text.strip().lower())
    if known is not None:
        return known
    parts = re.split(r"\s*[x×]\s*", text.strip())
    if len(parts) != 2:
        raise UsageError(
            f'paper "{text}" is not known; use {", ".join(SIZES)} or a size such as 24inx36in or 594mmx841mm'
        )
    if not re.search(r"[A-Za-z\"]", parts[0]):
        unit = re.sub(r"[\d.\s]+", "", parts[1])
        parts[0] += unit
    sides = [float(parse_length(p) * 1000) for p in parts]
    if min(sides) < LEAST_SIDE_MM:
        raise UsageError(
            f'paper "{text}" is too small: a side of {min(sides):g} mm, and the title block and a legible '
            f"drawing need {LEAST_SIDE_MM:g} mm; use letter, a4 or larger"
        )
    if max(sides) > GREATEST_SIDE_MM:
        raise UsageError(f'paper "{text}" is larger than {GREATEST_SIDE_MM:g} mm')
    return Paper("", *(round(s, 3) for s in sides))


@dataclass(frozen=True, slots=True)
class Scale:
    """A drawing scale.  ``one_to`` ground lengths make one paper length."""

    one_to: Fraction
    foot: int | None = None
    """of ``1 in = foot ft``; None for a scale written 1 : n"""

    @property
    def pt_per_m(self) -> float:
        """Points on paper for a metre on the ground."""
        return float(1 / (self.one_to * POINT_M))

    @property
    def text(self) -> str:
        """The scale as people write it."""
        ratio = f"1:{float(self.one_to):g}"
        return ratio if self.foot is None else f"1 in = {self.foot} ft ({ratio})"

    def check_line(self) -> tuple[float, str, int]:
        """A length to print: ground metres, what to say of it, and the parts it is divided into."""
        if self.foot is not None:
            return float(4 * self.foot * FOOT_M), f"{4 * self.foot} ft on the ground = 4 in on paper", 4
        ground = self.one_to / 10
        return float(ground), f"{float(ground):g} m on the ground = 100 mm on paper", 5

    def bar_numbers(self) -> tuple[list[str], str]:
        """Numbers at the divisions of the check line, and their unit."""
        _, _, parts = self.check_line()
        whole = 4 * self.foot if self.foot is not None else self.one_to / 10
        return [f"{float(Fraction(whole) * k / parts):g}" for k in range(parts + 1)], (
            "m" if self.foot is None else "ft"
        )


def engineering(foot: int) -> Scale:
    """The scale 1 in = ``foot`` ft."""
    return Scale(foot * FOOT_M / METRES["in"], foot)


def metric(one_to: int | Fraction) -> Scale:
    """The scale 1 : ``one_to``."""
    return Scale(Fraction(one_to))


def sheet_scales(units: str) -> tuple[Scale, ...]:
    """Scales sheets are drawn at, largest drawing first."""
    return tuple(map(engineering, ENGINEERING_FT)) if units == "ft" else tuple(map(metric, METRIC))


def overview_scales(units: str) -> tuple[Scale, ...]:
    """Round scales for one drawing of everything, largest drawing first."""
    return tuple(map(engineering, OVERVIEW_FT)) if units == "ft" else tuple(map(metric, OVERVIEW_METRIC))


def parse_scale(text: str) -> Scale:
    """Scale written by a person: ``1:200``, ``10ft`` or ``1in=10ft``.

    Raises
    ------
    UsageError : not a scale, or one nobody draws at.
    """
    ratio = re.fullmatch(r"\s*1\s*[:/]\s*(\d{1,9}(?:\.\d{1,3})?)\s*", text)
    feet = re.fullmatch(r"\s*(?:1\s*(?:in|\")\s*=\s*)?(\d{1,6})\s*(?:ft|')\s*", text, re.IGNORECASE)
    if ratio is None and feet is None:
        raise UsageError(f'scale "{text}" is not understood; write 1:200, or 10ft for one inch to ten feet')
    made = metric(Fraction(ratio[1])) if ratio else engineering(int(feet[1])) if feet else metric(1)
    if not LEAST_ONE_TO <= made.one_to <= GREATEST_ONE_TO:
        raise UsageError(f'scale "{text}" is no scale to lay edging by; use 1:50 to 1:500, or 5ft to 100ft')
    return made
