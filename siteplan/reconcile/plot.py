"""The differences as a picture: SVG written here, so that the report needs no drawing library.

One row per reading, the difference in sigmas from left to right.  Signs differ by shape as
well as colour (Okabe and Ito's palette).  Text from the data is escaped.
"""

from __future__ import annotations

from html import escape
from typing import Final

from siteplan.reconcile.compare import Comparison
from siteplan.reconcile.diagnosis import Diagnosis
from siteplan.reconcile.tapes import Tapes

AGREES: Final = 2.0
"""differences up to this many sigmas agree"""
REACH: Final = 6.0
"""sigmas from the middle to the edge; what lies beyond is drawn at the edge with its number"""
BLUE, VERMILION, GREY = "#0072B2", "#D55E00", "#595959"
LONGER, SHORTER, AGREEING = "M0-5L5 4H-5Z", "M0 5L5-4H-5Z", "M4 0A4 4 0 1 1-4 0A4 4 0 1 1 4 0Z"
ROW, LEFT, WIDTH, RIGHT = 17.0, 190.0, 430.0, 90.0


def sign_of(in_sigmas: float) -> int:
    """1 where the tape is longer than the map, -1 where it is shorter, 0 where they agree."""
    return 0 if abs(in_sigmas) <= AGREES else (1 if in_sigmas > 0 else -1)


def _x(sigmas: float) -> float:
    return LEFT + WIDTH / 2 * (1 + max(-REACH, min(REACH, sigmas)) / REACH)


def plot(tapes: Tapes, made: Comparison, found: Diagnosis, order: list[int]) -> str:
    """SVG of the readings in the given order."""
    height = ROW * len(order) + 46
    total = LEFT + WIDTH + RIGHT
    named = {i for n in found.named if n.scope == "reading" for i in n.readings}
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {total:g} {height:g}" role="img" '
        'aria-label="Tape less map of each reading, in standard deviations">',
        f'<rect x="{_x(-AGREES):.1f}" y="18" width="{_x(AGREES) - _x(-AGREES):.1f}" '
        f'height="{height - 40:.1f}" '
        'fill="#EAF3F8"/>',
    ]
    for mark in range(-int(REACH), int(REACH) + 1, 2):
        x = _x(mark)
        parts.append(
            f'<path d="M{x:.1f} 18V{height - 22:.1f}" stroke="#999" '
            f'stroke-width="{1.2 if not mark else 0.4}"/>'
            f'<text x="{x:.1f}" y="{height - 8:.1f}" text-anchor="middle">{mark:+d}</text>'.replace("+0", "0")
        )
    parts.append(
        f'<text x="{_x(-3.6):.1f}" y="12" text-anchor="middle">tape shorter than map</text>'
        f'<text x="{_x(3.6):.1f}" y="12" text-anchor="middle">tape longer than map</text>'
    )
    for row, k in enumerate(order):
        parts.append(_row(tapes, made, k, 18 + ROW * (row + 0.6), str(tapes.ids[k]) in named))
    parts.append("</svg>")
    return "".join(parts)


def _row(tapes: Tapes, made: Comparison, k: int, y: float, named: bool) -> str:
    sigmas = float(made.in_sigmas[k])
    sign = sign_of(sigmas)
    colour = {1: BLUE, -1: VERMILION, 0: GREY}[sign]
    path = {1: LONGER, -1: SHORTER, 0: AGREEING}[sign]
    x = _x(sigmas)
    label = f"{tapes.ids[k]}  {tapes.name[k]}"
    label = label if len(label) <= 32 else label[:31] + "\u2026"
    far = ""
    if abs(sigmas) > REACH:
        far = f'<text x="{LEFT + WIDTH + 8:.1f}" y="{y + 4:.1f}">{sigmas:+.0f} sigma</text>'
    weight = ' font-weight="bold"' if named else ""
    return (
        f'<text x="{LEFT - 8:.1f}" y="{y + 4:.1f}" text-anchor="end"{weight}>{escape(label)}</text>'
        f'<path d="M{_x(0):.1f} {y:.1f}H{x:.1f}" stroke="{colour}" stroke-width="1.5"/>'
        f'<path d="{path}" transform="translate({x:.1f} {y:.1f})" fill="{colour if sign else "#fff"}" '
        f'stroke="{colour}" stroke-width="1.3"/>{far}'
    )
