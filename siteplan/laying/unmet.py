"""What a line cannot make: corners without a unit, legs and curves without a fill, and why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from siteplan.laying.corner_units import CornerChoice, CornerHow, leaving_legs
from siteplan.laying.fit_types import FitReason, LegFits
from siteplan.laying.leg_ends import Units
from siteplan.laying.rigid import CurvePieces
from siteplan.laying.tight import kinds_of, least_radius_m
from siteplan.model import Runs
from siteplan.products import ProductLine
from siteplan.types import FloatArray, IntArray, ObjectArray
from siteplan.units import format_length, um_to_m

NO_CORNER: Final = "no-corner-unit"
SHORT_LEG: Final = "short-leg"
RIGID_CURVE: Final = "rigid-curve"
RADIUS: Final = "radius"
NOTHING_FITS: Final = "nothing-fits"
NO_ROOM: Final = "no-room"


@dataclass(frozen=True, slots=True, eq=False)
class Unmet:
    """What the line cannot make.  u rows, in order of leg."""

    bed: ObjectArray
    """(u,) str"""
    run: IntArray
    leg: IntArray
    """(u,) the leg; of a corner the arriving one"""
    short_m: FloatArray
    """(u,) length left bare; of a corner on both its legs together"""
    why: ObjectArray
    """(u,) str for people"""
    code: ObjectArray
    """(u,) str: ``no-corner-unit``, ``short-leg``, ``rigid-curve``, ``radius``,
    ``nothing-fits`` or ``no-room``"""

    def __len__(self) -> int:
        return len(self.leg)


def sections_for(short_um: IntArray, line: ProductLine) -> IntArray:
    """Sections added for so much of a leg that nothing fits: at least one each."""
    made: IntArray = np.maximum(1, -(-short_um // line.sections[0].laying_um))
    return made


def curve_faults(runs: Runs, line: ProductLine) -> ObjectArray:
    """Code of why each leg's curve cannot be laid, empty where it can."""
    fault = np.full(len(runs.leg_id), "", dtype=object)
    if line.behaviour == "rigid":
        fault[~runs.straight] = RIGID_CURVE
        return fault
    for radius_m, least_um in (
        (runs.left_radius_m, line.outward_radius_um),
        (runs.right_radius_m, line.inward_radius_um),
    ):
        if least_um is not None:
            fault[np.rint(radius_m * 1e6) < least_um] = RADIUS
    return fault


def unmet_of(
    runs: Runs,
    bed_ids: ObjectArray | Sequence[str],
    corners: CornerChoice,
    units: Units,
    curve: ObjectArray,
    rest_um: IntArray,
    fits: LegFits,
    line: ProductLine,
    curved: CurvePieces | None,
) -> Unmet:
    """Table of corners without a unit and legs without a fill."""
    rows: list[tuple[int, int, str, str]] = []  # leg, short_um, why, code
    leg_um = np.rint(runs.length_m * 1e6).astype(np.int64)
    leaving = leaving_legs(runs)
    for c in np.flatnonzero((corners.how == CornerHow.BARE) & ~units.left_out):
        # no leg is left bare for more than it is long, however sharp the corner
        bare = int(
            min(corners.arriving_um[c], leg_um[runs.corner_leg[c]])
            + min(corners.leaving_um[c], leg_um[leaving[c]])
        )
        rows.append((int(runs.corner_leg[c]), bare, str(corners.why[c]), NO_CORNER))
    told = np.zeros(len(fits), dtype=np.bool_)
    if curved is not None:
        rows += _bare_rows(curved, line)
        told[curved.bare_leg] = True
        curve = curve.copy()
        curve[curved.leg] = ""
    for i in np.flatnonzero((units.short | (curve != "") | fits.unmet) & ~told):
        code, why = _why(int(i), runs, units, curve, rest_um, fits, line)
        rows.append((int(i), int(fits.left_over_um[i]), why, code))
    rows.sort(key=lambda r: r[0])
    leg = np.array([r[0] for r in rows], dtype=np.int64)
    run = runs.leg_run[leg]

    def text(values: list[str]) -> ObjectArray:
        out = np.empty(len(values), dtype=object)
        out[:] = values
        return out

    return Unmet(
        bed=text([str(bed_ids[b]) for b in runs.bed[run]]),
        run=run,
        leg=leg,
        short_m=np.array([um_to_m(r[1]) for r in rows], dtype=np.float64),
        why=text([r[2] for r in rows]),
        code=text([r[3] for r in rows]),
    )


def _bare_rows(curved: CurvePieces, line: ProductLine) -> list[tuple[int, int, str, str]]:
    """Rows of the unmet table for stretches of curves that stay bare."""
    shortest_um = int(kinds_of(line).length_um.min())
    least_m = least_radius_m(line, shortest_um)
    rows = []
    for leg, start, to, radius in zip(
        curved.bare_leg.tolist(),
        curved.bare_from_um.tolist(),
        curved.bare_to_um.tolist(),
        curved.bare_radius_m.tolist(),
        strict=True,
    ):
        place = f"from {_metres(start)} to {_metres(to)} of the leg"
        if radius < least_m:
            limit = f"follows {format_length(least_m)} or more" if np.isfinite(least_m) else "follows none"
            rows.append((leg, to - start, (
                f"a curve of radius {format_length(radius)} {place}: {line.name} is rigid and with its "
                f"shortest piece, {_metres(shortest_um)}, {limit}"
            ), RIGID_CURVE))  # fmt: skip
        else:
            rows.append((leg, to - start, (
                f"no piece closes the curve {place} within the limits of the joints"
            ), NOTHING_FITS))  # fmt: skip
    return rows


def _metres(um: int) -> str:
    return format_length(um_to_m(um))


def _why(
    i: int,
    runs: Runs,
    units: Units,
    curve: ObjectArray,
    rest_um: IntArray,
    fits: LegFits,
    line: ProductLine,
) -> tuple[str, str]:
    """Code and text for one leg that is not met."""
    if units.short[i]:
        return SHORT_LEG, (
            f"what stands at its ends takes {_metres(int(units.over_um[i]))} more than the leg of "
            f"{format_length(float(runs.length_m[i]))} has; a unit is left out and the leg takes no sections"
        )
    if curve[i] == RIGID_CURVE:
        least = min(float(runs.left_radius_m[i]), float(runs.right_radius_m[i]))
        radius = f" of radius {format_length(least)}" if np.isfinite(least) else ""
        return RIGID_CURVE, f"a curve{radius}: {line.name} is rigid and is laid on straight legs only"
    if curve[i] == RADIUS:
        return RADIUS, " and ".join(
            f"a curve {way} of radius {format_length(float(radius[i]))}: "
            f"the line follows {_metres(least)} or more"
            for way, radius, least in (
                ("outward", runs.left_radius_m, line.outward_radius_um),
                ("inward", runs.right_radius_m, line.inward_radius_um),
            )
            if least is not None and np.rint(radius[i] * 1e6) < least
        )
    if fits.reason[i] == FitReason.NO_ROOM:
        return NO_ROOM, f"its rest of {_metres(int(rest_um[i]))} has room for no piece"
    return NOTHING_FITS, (
        f"no fill meets its rest of {_metres(int(rest_um[i]))}: the longest one leaves "
        f"{_metres(int(fits.left_over_um[i]))} bare"
    )
