"""What a reading may have been, had one slip happened: every variant of every single-tape mistake.

A variant is another reading that the paper could have said.  Where a rule turns readings into
readings one to one (swapping two digits, adding a tape length), the chance of a written reading
under the slip is the chance of the other reading without it, so the likelihoods of two variants
can be compared as they stand.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import Final, NamedTuple

import numpy as np

from siteplan.plans import RunPlan
from siteplan.reconcile.compare import Comparison
from siteplan.reconcile.corrections import level_length
from siteplan.reconcile.reader import Target
from siteplan.reconcile.readings import Reading
from siteplan.reconcile.tapes import Tapes
from siteplan.tape_settings import Reconcile
from siteplan.types import FloatArray, IntArray, ObjectArray
from siteplan.units import FOOT_M, INCH_M, METRES, um_to_m

EXTRA_LENGTH: Final = 0.2
"""share of miscounted tape lengths that are one too many and not one too few (assumed)"""


class Variant(NamedTuple):
    """Another reading, how likely this variant is within its cause, and what it means."""

    metres: float
    weight: float
    said: str


@dataclass(frozen=True, slots=True, eq=False)
class Variants:
    """Every variant of one cause, m of them over all readings."""

    cause: str
    reading: IntArray
    """(m,) which reading"""
    shift_m: FloatArray
    """(m,) what it adds to the difference tape less map"""
    weight: FloatArray
    """(m,) within the reading; they add up to 1"""
    metres: FloatArray
    """(m,) what the reading would be, NaN where it belongs elsewhere"""
    said: ObjectArray
    """(m,) the variant in words"""


def _imperial(reading: Reading) -> bool:
    return reading.unit in ("ft in", "ft", "ftUS", "in", "yd")


def _dropped(reading: Reading, lengths_m: list[float], own_m: float) -> Iterator[Variant]:
    lengths = [own_m] if not np.isnan(own_m) else lengths_m
    foot = float(FOOT_M)
    same = [v for v in lengths if (abs(v / foot - round(v / foot)) < 1e-6) == _imperial(reading)] or lengths
    for v in same:
        yield Variant(
            float(reading.metres) + v,
            (1 - EXTRA_LENGTH) / len(same),
            f"one tape length of {_size(v)} dropped",
        )
        yield Variant(
            float(reading.metres) - v, EXTRA_LENGTH / len(same), f"one tape length of {_size(v)} too many"
        )


def _size(metres: float) -> str:
    """A round size in the unit it is round in."""
    for unit in ("m", "ft", "in"):
        value = metres / float(METRES[unit])
        if abs(value - round(value)) < 1e-6 and (unit != "in" or value < 12):
            return f"{round(value)} {unit}"
    return f"{metres * 1000:.0f} mm"


def _swaps(digits: str) -> Iterator[str]:
    """Every exchange of two neighbouring digits; the point stays where it is."""
    places = [k for k, c in enumerate(digits) if c.isdigit()]
    for a, b in pairwise(places):
        if digits[a] != digits[b]:
            swapped = list(digits)
            swapped[a], swapped[b] = digits[b], digits[a]
            yield "".join(swapped)


def _transposed(reading: Reading) -> Iterator[Variant]:
    made: list[tuple[float, str]] = []
    if reading.digits is not None:
        for swapped in _swaps(reading.digits):
            made.append((float(Fraction(swapped) * METRES[reading.unit]), f"{swapped} {reading.unit}"))
    elif reading.feet is not None and reading.inches is not None:
        for swapped in _swaps(reading.feet_digits or str(reading.feet)):
            made.append((float(int(swapped) * FOOT_M + reading.inches * INCH_M), f"{swapped} ft"))
    for metres, said in made:
        yield Variant(metres, 1 / len(made), f"digits exchanged: {said}")


def _inches_as_tenths(reading: Reading) -> Iterator[Variant]:
    """``13.6 ft`` for 13 ft 6 in; ``13.11 ft`` for 13 ft 11 in."""
    if reading.unit != "ft" or reading.digits is None:
        return
    feet, _, behind = reading.digits.partition(".")
    inches = int(behind) if behind and (len(behind) == 1 or behind in ("10", "11")) else -1
    if 0 < inches < 12:
        metres = float(int(feet or 0) * FOOT_M + inches * INCH_M)
        yield Variant(metres, 1.0, f"inches written as decimals: {int(feet or 0)} ft {inches} in")


def _tenths_as_inches(reading: Reading) -> Iterator[Variant]:
    """``13 ft 6 in`` for 13.6 ft; ``13 ft 11 in`` for 13.11 ft."""
    if (
        reading.feet is None
        or reading.inches is None
        or reading.inches.denominator != 1
        or not reading.inches
    ):
        return
    behind = int(reading.inches)
    value = reading.feet + Fraction(behind, 10 if behind < 10 else 100)
    yield Variant(float(value * FOOT_M), 1.0, f"decimals written as inches: {reading.feet}.{behind} ft")


def _misread(reading: Reading) -> Iterator[Variant]:
    if _imperial(reading):
        steps = [(float(FOOT_M), "1 ft", 0.4), (10 * float(FOOT_M), "10 ft", 0.1)]
    else:
        steps = [(1.0, "1 m", 0.25), (0.1, "10 cm", 0.15), (10.0, "10 m", 0.1)]
    for step, name, weight in steps:
        yield Variant(float(reading.metres) + step, weight, f"{name} too little was read")
        yield Variant(float(reading.metres) - step, weight, f"{name} too much was read")


def _hook(reading: Reading, hooks_m: list[float]) -> Iterator[Variant]:
    for v in hooks_m:
        yield Variant(float(reading.metres) + v, 0.5 / len(hooks_m), f"zero {_size(v)} beyond the end held")
        yield Variant(float(reading.metres) - v, 0.5 / len(hooks_m), f"zero {_size(v)} short of the end held")


def _unit(reading: Reading) -> Iterator[Variant]:
    if reading.digits is None:
        return
    value = float(reading.metres / METRES[reading.unit])
    other = "m" if _imperial(reading) else "ft"
    if reading.unit in ("m", "ft", "ftUS"):
        yield Variant(value * float(METRES[other]), 1.0, f"the unit is {other}: {reading.digits} {other}")


def _gather(
    cause: str, tapes: Tapes, per_reading: list[list[Variant]], usable: list[bool] | None = None
) -> Variants:
    """Variants of all readings as arrays; those that leave no length are none, their weight goes."""
    least = np.maximum(1e-3, np.nan_to_num(tapes.rise_m)).tolist()
    rows = [
        (k, v)
        for k, variants in enumerate(per_reading)
        for v in variants
        if v.metres > least[k] and (usable is None or usable[k])
    ]
    reading = np.array([k for k, _ in rows], dtype=np.int64)
    metres = np.array([v.metres for _, v in rows])
    t = tapes.tension
    stretched = metres * (1 + t.stretch[reading]) + t.sag_m[reading]
    taped = level_length(stretched, tapes.rise_m[reading]) if rows else metres
    said = np.empty(len(rows), dtype=object)
    said[:] = [v.said for _, v in rows]
    weight = np.array([v.weight for _, v in rows])
    return Variants(cause, reading, taped - tapes.taped_m[reading], weight, metres, said)


def _wrong_leg(plan: RunPlan, tapes: Tapes, made: Comparison) -> Variants:
    """The reading belongs to another leg (or run): half the weight to those of the same bed."""
    runs = plan.runs
    leg_bed = runs.bed[runs.leg_run]
    run_map = np.bincount(runs.leg_run, weights=made.leg_map_m, minlength=len(runs.run_id))
    rows: list[tuple[FloatArray, FloatArray, list[str], int]] = []
    for k, what in enumerate(tapes.what):
        if what == Target.DISTANCE:
            continue
        one = what == Target.LEG
        own = tapes.leg[k] if one else tapes.run[k]
        lengths, beds = (made.leg_map_m, leg_bed) if one else (run_map, runs.bed)
        names = runs.leg_id if one else runs.run_id
        others = np.flatnonzero(np.arange(len(lengths)) != own)
        if not len(others):
            continue
        same = beds[others] == beds[own]
        near, far = int(same.sum()), int((~same).sum())
        share = 0.5 if near and far else 1.0
        weight = np.where(same, share / max(near, 1), share / max(far, 1))
        shift = made.map_m[k] - lengths[others]
        rows.append((shift, weight, [f"it is {names[j]}" for j in others], k))
    said = np.empty(sum(len(r[2]) for r in rows), dtype=object)
    said[:] = [text for r in rows for text in r[2]]
    join = [np.concatenate([r[j] for r in rows]) if rows else np.empty(0) for j in (0, 1)]
    reading = np.concatenate([np.full(len(r[2]), r[3]) for r in rows]) if rows else np.empty(0)
    return Variants(
        "wrong_leg", np.asarray(reading, dtype=np.int64), join[0], join[1], np.full(len(said), np.nan), said
    )


def all_variants(plan: RunPlan, tapes: Tapes, made: Comparison, said: Reconcile) -> tuple[Variants, ...]:
    """Variants of every single-tape cause, in a fixed order."""
    lengths = [um_to_m(v) for v in said.tape_lengths]
    hooks = [um_to_m(v) for v in said.hooks]
    own = [tapes.tapes[t].length_m for t in tapes.tape]
    stiff = [tapes.tapes[t].kind != "wheel" for t in tapes.tape]
    readings = tapes.reading
    return (
        _gather(
            "dropped_length",
            tapes,
            [list(_dropped(r, lengths, v)) for r, v in zip(readings, own, strict=True)],
            stiff,
        ),
        _gather("transposed", tapes, [list(_transposed(r)) for r in readings]),
        _gather("inches_as_tenths", tapes, [list(_inches_as_tenths(r)) for r in readings]),
        _gather("tenths_as_inches", tapes, [list(_tenths_as_inches(r)) for r in readings]),
        _gather("misread", tapes, [list(_misread(r)) for r in readings]),
        _gather("hook", tapes, [list(_hook(r, hooks)) for r in readings], stiff),
        _gather("wrong_unit", tapes, [list(_unit(r)) for r in readings]),
        _wrong_leg(plan, tapes, made),
    )
