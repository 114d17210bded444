"""A small bar chart as SVG 1.1: the same bytes for the same numbers, no font or library needed.

Every bar has its number and its parts in words above it, so that nothing rests on colour alone.  The
fills are of the palette of Okabe and Ito (2008), chosen so that neighbours differ in lightness
too, and every part has a dark outline: the chart is read in grey as well.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final
from xml.sax.saxutils import escape

FILLS: Final = ("#0072B2", "#F0E442", "#D55E00", "#FFFFFF", "#56B4E9")
"""dark, light, middling, white, light: neighbours differ in lightness"""
INK: Final = "#1a1a1a"

WIDTH: Final = 760
_LEFT: Final = 24
_BAR: Final = 712
_ROW: Final = 42
_LONGEST_LABEL: Final = 40
_WRAP: Final = 112


@dataclass(frozen=True, slots=True)
class Bar:
    """One bar: its label, its parts in order, and what is written beside the label."""

    label: str
    parts: tuple[float, ...]
    """not negative; none where there is nothing to draw"""
    text: str


@dataclass(frozen=True, slots=True)
class Panel:
    """Bars on one scale."""

    title: str
    part_names: tuple[str, ...]
    """names of the parts, for the key; empty for bars of one part"""
    bars: tuple[Bar, ...]


def printable(text: str) -> str:
    """Text without control characters and signs that turn the writing round."""
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)


def shortened(text: str, most: int) -> str:
    """Text of at most so many characters."""
    return text if len(text) <= most else text[: most - 1] + "\N{HORIZONTAL ELLIPSIS}"


def _words(x: float, y: float, text: str, *, size: int = 13, bold: bool = False) -> str:
    weight = ' font-weight="bold"' if bold else ""
    return f'<text x="{x:g}" y="{y:g}" font-size="{size}"{weight}>{escape(printable(text))}</text>'


def _rect(x: float, y: float, width: float, height: float, fill: str) -> str:
    return (
        f'<rect x="{x:.2f}" y="{y:.2f}" width="{width:.2f}" height="{height:g}" fill="{fill}" '
        f'stroke="{INK}" stroke-width="0.8"/>'
    )


def wrapped(text: str, most: int = _WRAP) -> list[str]:
    """Lines of at most so many characters, broken at spaces where there are any."""
    made: list[str] = textwrap.wrap(text, most, break_on_hyphens=False)
    return made


def bar_chart(title: str, panels: Sequence[Panel], notes: Sequence[str]) -> str:
    """An SVG document of panels of bars, one under the other.

    Parameters
    ----------
    title : of the chart
    panels : each has its own scale, from zero to its longest bar
    notes : sentences under the chart
    """
    body: list[str] = []
    y = 34.0
    for line in wrapped(title, 76):
        body.append(_words(_LEFT, y, line, size=18, bold=True))
        y += 24
    for panel in panels:
        y = _panel(body, panel, y + 14)
    y += 10
    for note in notes:
        for line in wrapped(note):
            body.append(_words(_LEFT, y + 12, line, size=12))
            y += 16
        y += 4
    height = round(y + 16)
    label = escape(printable(title), {'"': "&quot;"})
    return "\n".join(
        [
            '<?xml version="1.0" encoding="UTF-8"?>',
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH}" height="{height}" '
            f'viewBox="0 0 {WIDTH} {height}" role="img" aria-label="{label}" '
            f'font-family="sans-serif" fill="{INK}">',
            f'<rect x="0" y="0" width="{WIDTH}" height="{height}" fill="#ffffff"/>',
            *body,
            "</svg>",
            "",
        ]
    )


def _panel(body: list[str], panel: Panel, y: float) -> float:
    """Draw one panel from ``y`` down; gives where the next one begins."""
    body.append(_words(_LEFT, y + 14, panel.title, size=15, bold=True))
    y += 24
    x = float(_LEFT)
    for name, fill in zip(panel.part_names, FILLS, strict=False):
        body.append(_rect(x, y, 12, 12, fill))
        body.append(_words(x + 18, y + 11, name, size=12))
        x += 34 + 7.2 * len(name)
    y += 20 if panel.part_names else 0
    longest = max((sum(bar.parts) for bar in panel.bars), default=0.0)
    for bar in panel.bars:
        label = shortened(bar.label, _LONGEST_LABEL)
        text = f'{escape(printable(label))}</tspan><tspan dx="10">{escape(printable(bar.text))}'
        body.append(
            f'<text x="{_LEFT}" y="{y + 13:g}" font-size="13"><tspan font-weight="bold">{text}</tspan></text>'
        )
        x = float(_LEFT)
        for part, fill in zip(bar.parts, FILLS, strict=False):
            width = _BAR * part / longest if longest else 0.0
            if part > 0:
                body.append(_rect(x, y + 19, width, 15, fill))
            x += width
        body.append(
            f'<line x1="{_LEFT}" y1="{y + 16:g}" x2="{_LEFT}" y2="{y + 37:g}" stroke="{INK}" '
            'stroke-width="1.5"/>'
        )
        y += _ROW
    return y
