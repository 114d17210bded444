"""The small map of the as-built report: what is laid, what is missing, what lies elsewhere."""

from __future__ import annotations

from typing import Final

import numpy as np

from siteplan.asbuilt.make import AsBuilt
from siteplan.model import Runs
from siteplan.sheets.pen import Pen, Stroke
from siteplan.types import BoolArray, OffsetArray, XYArray
from siteplan.units import METRES

LAID: Final = Stroke("#0072B2", 1.8)
NOT_STARTED: Final = Stroke("#777777", 0.7, (2.0, 2.0))
MISSING: Final = Stroke("#D55E00", 2.2, (5.0, 2.0))
TICK: Final = "#000000"
_STEPS: Final = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000)
LEGEND: Final = (
    (LAID, "laid (whole or in part)"),
    (MISSING, "missing leg, or ticked pieces of another plan (x)"),
    (NOT_STARTED, "not started"),
)


def _parts(runs: Runs, keep: BoolArray) -> tuple[XYArray, OffsetArray]:
    """Vertices of some legs."""
    lengths = np.diff(runs.offsets)
    offsets = np.concatenate([[0], np.cumsum(lengths[keep])])
    return runs.xy[np.repeat(keep, lengths)], offsets


def draw_map(pen: Pen, built: AsBuilt, x: float, y: float, width: float, height: float) -> None:
    """Draw the map into a rectangle, north up, with its scale bar, as large as fits."""
    runs, survey = built.plan.runs, built.surveyed
    pen.box(x, y, width, height, stroke=Stroke("#000000", 0.5))
    ground = built.plan.outlines.xy
    low = np.minimum(ground.min(axis=0), runs.xy.min(axis=0))
    high = np.maximum(ground.max(axis=0), runs.xy.max(axis=0))
    foot = 26.0
    size = np.maximum(high - low, 1.0)
    scale = min((width - 12) / size[0], (height - foot - 10) / size[1])
    shift = np.array([x + width / 2, y + foot + (height - foot) / 2]) - (low + high) / 2 * scale

    def at(xy: XYArray) -> XYArray:
        placed: XYArray = xy * scale + shift
        return placed

    with pen.clip(x, y, width, height):
        rings = built.plan.outlines.ring_offsets
        pen.shapes(at(ground), rings, stroke=Stroke("#BBBBBB", 0.3))
        for stroke, keep in (
            (NOT_STARTED, np.isin(built.leg_status, ("not started", "no piece"))),
            (LAID, np.isin(built.leg_status, ("laid", "part laid"))),
            (MISSING, built.leg_status == "missing"),
        ):
            if keep.any():
                xy, offsets = _parts(runs, keep)
                pen.shapes(at(xy), offsets, stroke=stroke, closed=False)
        _crosses(pen, at(built.ticked.stray_xy), 2.2)
        if survey is not None:
            lost = survey.unmatched
            for px, py in at(survey.shots.xy[lost]).tolist():
                pen.box(px - 1.8, py - 1.8, 3.6, 3.6, stroke=Stroke("#000000", 0.6))
    _foot(pen, built, x, y, width, scale)


def _crosses(pen: Pen, xy: XYArray, half: float) -> None:
    if not len(xy):
        return
    for sign in (1.0, -1.0):
        arm = np.array([half, half * sign])
        pen.segments(xy - arm, xy + arm, Stroke(TICK, 0.6))


def _foot(pen: Pen, built: AsBuilt, x: float, y: float, width: float, scale: float) -> None:
    """Scale bar and which way is up."""
    unit = built.site.settings.show.units
    one = float(METRES[unit])
    steps = [s for s in _STEPS if s * one * scale <= width / 3]
    long = steps[-1] if steps else 1
    end = x + 8 + long * one * scale
    pen.line([(x + 8, y + 10), (end, y + 10)], Stroke("#000000", 1.2))
    for px in (x + 8, end):
        pen.line([(px, y + 7), (px, y + 13)], Stroke("#000000", 0.8))
    pen.text(end + 4, y + 7.5, f"{long} {unit}. Grid north is up. Not to a true scale.", 6.5)
