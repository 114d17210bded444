"""Traverses: where legs lead, how well they close, and which one is most likely wrong.

A *latitude* is how far a leg goes north, a *departure* how far it goes east.  Azimuths are
degrees clockwise from north.  The north is the notes' own (magnetic, or anything): how the
notes lie on the map is the business of :mod:`siteplan.fieldnotes.anchor`.

Sources
-------
Compass rule (Bowditch): the correction of a leg's latitude is the misclosure in latitude,
sign reversed, times the length of the leg over that of all legs; departures likewise.
J. Mahun, Open Access Surveying Library, Traverse Computations, chapters D and I.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from siteplan.errors import UsageError
from siteplan.types import FloatArray, XYArray

LEAST_RATIO: Final = 300.0
"""A traverse must close to one part in this many.  Common practice for beds walked with a tape
and a compass or a square, no published source; a property survey needs 1 : 3000 or better."""
READING_M: Final = 0.02
"""A misclosure up to this is taken for the reading of the tape, whatever the ratio."""


def latitudes_departures(azimuth_deg: FloatArray, length_m: FloatArray) -> XYArray:
    """How far each leg goes east and north: (n, 2), departure first, as x comes before y."""
    a = np.radians(np.asarray(azimuth_deg, dtype=np.float64))
    length = np.asarray(length_m, dtype=np.float64)
    return np.column_stack([length * np.sin(a), length * np.cos(a)])


def azimuth_of(vector: XYArray) -> FloatArray:
    """Azimuth of each row in degrees, [0, 360): (n,)."""
    return np.asarray(np.degrees(np.arctan2(vector[:, 0], vector[:, 1])) % 360.0)


@dataclass(frozen=True, slots=True, eq=False)
class Closure:
    """A traverse, raw and adjusted.  n legs, n + 1 stations."""

    step_m: XYArray
    """(n, 2) departure and latitude of each leg as measured"""
    length_m: FloatArray
    """(n,)"""
    raw_m: XYArray
    """(n + 1, 2) stations as measured"""
    misclosure_m: XYArray
    """(2,) east and north, from where the traverse should end to where it does"""
    correction_m: XYArray
    """(n, 2) of departure and latitude, by the compass rule"""
    adjusted_m: XYArray
    """(n + 1, 2) stations after the corrections; the last one is exactly where it should be"""

    @property
    def perimeter_m(self) -> float:
        """Length of all legs."""
        return float(self.length_m.sum())

    @property
    def miss_m(self) -> float:
        """Length of the misclosure."""
        return float(np.hypot(*self.misclosure_m))

    @property
    def ratio(self) -> float:
        """Perimeter over misclosure: 15146 means 1 : 15146.  inf where it closes exactly."""
        return self.perimeter_m / self.miss_m if self.miss_m else float("inf")

    @property
    def text(self) -> str:
        """One line for people, in metres."""
        ratio = "exact" if self.ratio > 1e7 else f"1 : {self.ratio:,.0f}".replace(",", " ")
        return (
            f"misclosure {self.miss_m:.3f} m ({self.misclosure_m[1]:+.3f} north, "
            f"{self.misclosure_m[0]:+.3f} east) on {self.perimeter_m:.3f} m, {ratio}"
        )


def close_traverse(step_m: XYArray, start_m: XYArray, end_m: XYArray | None = None) -> Closure:
    """Misclosure of a traverse, and its stations adjusted by the compass rule.

    Parameters
    ----------
    step_m : (n, 2) departure and latitude of each leg; a curve counts as its chord
    start_m : (2,) first station
    end_m : (2,) where the traverse should end; the start where it is a loop

    Raises
    ------
    UsageError : no leg, a leg that is not a number, or no length at all
    """
    step = np.asarray(step_m, dtype=np.float64).reshape(-1, 2)
    start = np.asarray(start_m, dtype=np.float64)
    length = np.hypot(step[:, 0], step[:, 1])
    if not len(step) or not np.isfinite(step).all() or not length.sum() > 0:
        raise UsageError("a traverse needs at least one leg with a length")
    end = start if end_m is None else np.asarray(end_m, dtype=np.float64)
    travelled = np.vstack([np.zeros(2), np.cumsum(step, axis=0)])
    raw = start + travelled
    miss = (start - end) + travelled[-1]
    correction = -miss[None, :] * (length / length.sum())[:, None]
    adjusted = raw + np.vstack([np.zeros(2), np.cumsum(correction, axis=0)])
    adjusted[-1] = end
    return Closure(step, length, raw, miss, correction, adjusted)


def is_acceptable(
    closure: Closure, *, least_ratio: float = LEAST_RATIO, reading_m: float = READING_M
) -> bool:
    """Whether a traverse closes well enough: by its ratio, or within the reading of the tape."""
    # limits are inclusive, and 60.5 m / 0.5 m must be 121 whatever the last bit says
    slack = 1 + 1e-9
    return closure.miss_m <= reading_m * slack or closure.perimeter_m * slack >= closure.miss_m * least_ratio


# --- one blunder -----------------------------------------------------------------------

Kind = Literal["distance", "bearing", "angle"]


@dataclass(frozen=True, slots=True)
class Suspect:
    """One measurement that, were it wrong alone, would explain a misclosure.

    Parameters
    ----------
    kind : ``distance`` of a leg; ``bearing`` of a leg, the others keeping theirs; or ``angle``
        turned at the station where a leg begins, everything after it turning along
    leg : index of the leg
    amount : metres (distance) or degrees clockwise (bearing, angle) to add to the measured value
    left_m : misclosure that would remain
    """

    kind: Kind
    leg: int
    amount: float
    left_m: float


def suspects(closure: Closure) -> dict[Kind, tuple[Suspect, ...]]:
    """Measurements that alone would explain the misclosure, most likely first, of each kind.

    Notes
    -----
    A wrong distance moves the end along its leg: the leg whose bearing is parallel to the
    misclosure.  A wrong angle swings all that follows about its station: the station lies on the
    perpendicular bisector of the misclosure.  A wrong bearing swings its own leg only: that leg
    is the base of a triangle with two equal sides and the misclosure between them.
    Each is rated by the misclosure left after the best correction of that measurement.
    """
    miss = closure.misclosure_m
    if not closure.miss_m:
        return {"distance": (), "bearing": (), "angle": ()}
    end_at = closure.raw_m[-1] - miss
    every = np.arange(len(closure.length_m))
    length = np.maximum(closure.length_m, 1e-12)
    along = closure.step_m / length[:, None]
    add = -(along @ miss)
    # a leg cannot become shorter than nothing
    add = np.maximum(add, -closure.length_m)
    left = np.hypot(*(miss[None, :] + add[:, None] * along).T)
    wanted = closure.step_m - miss
    bearing_left = np.abs(np.hypot(wanted[:, 0], wanted[:, 1]) - closure.length_m)
    bearing = _clockwise(closure.step_m, wanted)
    arm, arm_to = closure.raw_m[-1] - closure.raw_m[:-1], end_at - closure.raw_m[:-1]
    angle_left = np.abs(np.hypot(arm[:, 0], arm[:, 1]) - np.hypot(arm_to[:, 0], arm_to[:, 1]))
    angle = _clockwise(arm, arm_to)
    # at the first station of a loop the whole traverse turns about its own end: explains nothing
    near = np.hypot(arm_to[:, 0], arm_to[:, 1]) < 1e-9
    angle_left = np.where(near, closure.miss_m, angle_left)
    return {
        "distance": _ranked("distance", every, add, left),
        "bearing": _ranked("bearing", every, bearing, bearing_left),
        "angle": _ranked("angle", every[~near], angle[~near], angle_left[~near]),
    }


def _clockwise(a: XYArray, b: XYArray) -> FloatArray:
    """Degrees clockwise from a to b, (-180, 180]."""
    cross = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    return np.asarray(-np.degrees(np.arctan2(cross, (a * b).sum(axis=1))))


def _ranked(kind: Kind, leg: np.ndarray, amount: FloatArray, left: FloatArray) -> tuple[Suspect, ...]:
    order = np.lexsort((np.abs(amount), np.round(left, 9)))
    return tuple(Suspect(kind, int(leg[k]), float(amount[k]), float(left[k])) for k in order)
