"""What the evidence cannot tell apart, and what would: a tape, a control point, or only a person."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from siteplan.detective.evidence import Weights
from siteplan.detective.report import Apart, Hypothesis
from siteplan.detective.scoring import distances_m

_FEET: Final = {"ft", "ftUS"}


def apart(weights: Weights, fits: Sequence[Hypothesis]) -> tuple[Apart, ...]:
    """The first of those that fit against each other one.

    Parameters
    ----------
    fits : hypotheses with a place, in order of rank
    """
    if len(fits) < 2:
        return ()
    first, *others = fits
    here = np.array([first.lonlat])
    there = np.array([h.lonlat for h in others])
    distance = distances_m(np.broadcast_to(here, there.shape), there)
    return tuple(_pair(weights, first, other, float(d)) for other, d in zip(others, distance, strict=True))


def _pair(weights: Weights, a: Hypothesis, b: Hypothesis, apart_m: float) -> Apart:
    ppm = _length_ppm(a, b)
    text = f"{_both(a, b)} lie {metres(apart_m)} apart here and differ by {share(ppm)} in length: "
    text += _tape(weights, ppm) + "; " + _point(a, b, apart_m) + "."
    return Apart(a.rank, b.rank, apart_m, ppm, text)


def _both(a: Hypothesis, b: Hypothesis) -> str:
    """Names of two explanations by what they differ in."""
    names = [h.name.split(",")[0].split(" (")[0] for h in (a, b)]
    if {a.unit, b.unit} == _FEET and names[0] == names[1]:
        return f"{a.unit} and {b.unit}"
    if a.swapped != b.swapped:
        return "the axes as they stand and the axes swapped"
    return f"{a.code or a.name} and {b.code or b.name}"


def _length_ppm(a: Hypothesis, b: Hypothesis) -> float:
    if not a.metres_per_unit or not b.metres_per_unit:
        return float("nan")
    return (b.metres_per_unit / a.metres_per_unit - 1) * 1e6


def _tape(weights: Weights, ppm: float) -> str:
    """Whether a taped length would decide."""
    if not abs(ppm) > 3e6 * weights.tape_share:
        return "no tape shows this"
    return "one taped length decides"


def _point(a: Hypothesis, b: Hypothesis, apart_m: float) -> str:
    """Whether a point of known place would decide, and how good it must be."""
    change = _between_datums_m(a, b)
    ask = "or ask the surveyor"
    if change is None and a.datum == b.datum:
        return f"a point known to {metres(apart_m / 4)} in {a.datum} decides, {ask}"
    if change is None:
        return (
            "no published change leads from one datum to the other here, so only a point known in one of "
            f"the two datums decides, {ask}"
        )
    if a.datum != b.datum and apart_m <= change:
        return (
            f"the two datums are tied only within {metres(change)} here, so the two places are the same as "
            "far as anybody can say; whoever made the file knows the datum"
        )
    needed = apart_m / 4
    if change > needed:
        return (
            f"not decidable by way of WGS 84, to which the datum is tied only within {metres(change)} here; "
            f"a point known to {metres(needed)} in {_datums(a, b)} decides, {ask}"
        )
    return f"a point whose place is known to {metres(needed)} decides, {ask}"


def _datums(a: Hypothesis, b: Hypothesis) -> str:
    return a.datum if a.datum == b.datum else "one of the two datums"


def _between_datums_m(a: Hypothesis, b: Hypothesis) -> float | None:
    """How well the two places can be compared: 0 on one datum, None where nobody says."""
    if a.datum == b.datum:
        return a.datum_accuracy_m
    if a.datum_accuracy_m is None or b.datum_accuracy_m is None:
        return None
    return math.hypot(a.datum_accuracy_m, b.datum_accuracy_m)


def metres(value_m: float) -> str:
    """A distance for people: three figures at most."""
    if not np.isfinite(value_m):
        return "no distance"
    if value_m >= 10_000:
        return f"{value_m / 1000:,.0f} km"
    if value_m >= 1_000:
        return f"{value_m / 1000:.1f} km"
    if value_m >= 10:
        return f"{value_m:.0f} m"
    return f"{value_m:.1f} m" if value_m >= 1 else f"{value_m:.2f} m"


def share(ppm: float) -> str:
    """A relative difference for people: percent or parts per million."""
    if np.isnan(ppm):
        return "an unknown share"
    size = abs(ppm)
    if size >= 10_000:
        return f"{size / 1e4:.0f} %"
    if size >= 1_000:
        return f"{size / 1e4:.1f} %"
    return f"{size:.0f} ppm" if size >= 0.5 else "less than 1 ppm"
