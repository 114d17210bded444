"""Signs, colours and line weights: one meaning, one shape, with or without colour.

The shapes are those of the map page: a disc for a section, a diamond for a closer, a cross
for a cut piece, a square for a corner unit, a ring for an end unit; a black triangle at an
outside corner, a white one upside down at an inside corner.

Colours: Okabe & Ito, "Color Universal Design" (2008), also Wong, Nature Methods 8:441 (2011),
doi:10.1038/nmeth.1618, darkened where they stand on white.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from siteplan.model import PieceKind
from siteplan.sheets.pen import Pen, Stroke
from siteplan.types import FloatArray, XYArray

INK: Final = "#000000"
GREY: Final = "#5A5A5A"
PALE: Final = "#9A9A9A"
WHITE: Final = "#FFFFFF"
BLUE: Final = "#005A8E"
ORANGE: Final = "#E69F00"
VERMILION: Final = "#C04A00"
GREEN: Final = "#00724F"
PURPLE: Final = "#8F3E6C"
SKY: Final = "#9AD1F0"
CLOSER_FILL: Final = "#F9DFA3"
CORNER_FILL: Final = "#A9D6C6"
BED_FILL: Final = "#EEF6F1"
BED_LINE: Final = "#3F7D68"
WALL_FILL: Final = "#F3F3F3"

_TURN = np.linspace(0, 2 * np.pi, 24, endpoint=False)
DISC: Final[XYArray] = np.column_stack([np.cos(_TURN), np.sin(_TURN)])
DIAMOND: Final[XYArray] = np.array([(0, 1.3), (-1.3, 0), (0, -1.3), (1.3, 0)])
SQUARE: Final[XYArray] = np.array([(-0.95, -0.95), (0.95, -0.95), (0.95, 0.95), (-0.95, 0.95)])
CROSS: Final[XYArray] = np.array([(-0.95, -0.95), (0.95, 0.95), (-0.95, 0.95), (0.95, -0.95)])
UP: Final[XYArray] = np.array([(0, 1.1), (-1.1, -0.8), (1.1, -0.8)])
DOWN: Final[XYArray] = -UP
ARROW: Final[XYArray] = np.array([(1.0, 0), (-0.9, 0.75), (-0.4, 0), (-0.9, -0.75)])
"""points along the laying direction (+x)"""


@dataclass(frozen=True, slots=True)
class Sign:
    """A shape of about unit radius."""

    xy: XYArray
    fill: str | None
    stroke: Stroke
    radius: float
    """in points, as drawn on a plan sheet"""
    closed: bool = True


PIECE_SIGNS: Final[dict[PieceKind, Sign]] = {
    PieceKind.SECTION: Sign(DISC, BLUE, Stroke(WHITE, 0.25), 1.15),
    PieceKind.CLOSER: Sign(DIAMOND, ORANGE, Stroke(INK, 0.5), 2.0),
    PieceKind.CUT: Sign(CROSS, None, Stroke(VERMILION, 1.15), 1.9, closed=False),
    PieceKind.CORNER: Sign(SQUARE, GREEN, Stroke(INK, 0.5), 2.2),
    PieceKind.END: Sign(DISC * 0.9, WHITE, Stroke(PURPLE, 1.1), 2.2),
}
OUTSIDE: Final = Sign(UP, INK, Stroke(INK, 0.3), 1.9)
INSIDE: Final = Sign(DOWN, WHITE, Stroke(INK, 0.6), 1.9)

PIECE_FILLS: Final[dict[PieceKind, str]] = {
    PieceKind.SECTION: SKY,
    PieceKind.CLOSER: CLOSER_FILL,
    PieceKind.CUT: WHITE,
    PieceKind.CORNER: CORNER_FILL,
    PieceKind.END: WHITE,
}
PIECE_EDGE: Final = Stroke(INK, 0.3)
JOINT: Final = Stroke(INK, 0.5)
BED: Final = Stroke(BED_LINE, 0.35)
OTHER_BED: Final = Stroke(PALE, 0.35, (2.0, 1.2))
WALL: Final = Stroke(GREY, 0.7)
HATCH: Final = Stroke("#B4B4B4", 0.35)
OPENING: Final = Stroke(GREY, 1.6, (1.6, 1.2))
BARE: Final = Stroke(GREY, 0.7, (0.2, 1.8), round_ends=True)
UNMET: Final = Stroke(VERMILION, 2.2, (4.5, 2.0))
MATCH: Final = Stroke(INK, 1.0, (9.0, 2.5, 2.0, 2.5))
FINE: Final = Stroke(INK, 0.25)
THIN: Final = Stroke(INK, 0.5)
FRAME: Final = Stroke(INK, 0.9)
GRID: Final = Stroke("#7A7A7A", 0.25)


def place(pen: Pen, sign: Sign, at: XYArray, *, size: FloatArray | float = 1.0) -> None:
    """Draw a sign at each of (n, 2) points, ``size`` times as large as usual (one number, or n)."""
    if not len(at):
        return
    sizes = np.broadcast_to(np.asarray(size, dtype=np.float64), (len(at),))
    xy = (at[:, None, :] + (sign.xy * sign.radius)[None, :, :] * sizes[:, None, None]).reshape(-1, 2)
    if sign.closed:
        pen.shapes(xy, np.arange(0, len(xy) + 1, len(sign.xy)), fill=sign.fill, stroke=sign.stroke)
        return
    halo = Stroke(WHITE, sign.stroke.width + 0.9)
    for stroke in (halo, sign.stroke):
        pen.shapes(xy, np.arange(0, len(xy) + 1, 2), stroke=stroke, closed=False)
