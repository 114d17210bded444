"""Invented tape sets with known truth, for the tests of the diagnosis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from siteplan.plans import RunPlan
from siteplan.reconcile.compare import Comparison, compare
from siteplan.reconcile.diagnosis import Diagnosis, diagnose
from siteplan.reconcile.readings import read
from siteplan.reconcile.rows import Row
from siteplan.reconcile.tapes import Tapes, read_tapes
from siteplan.sites import Site
from siteplan.tape_settings import TapeRow

FOOT = 0.3048


@dataclass(frozen=True)
class Truth:
    """A site as it is on the map, and the legs a crew would tape."""

    site: Site
    plan: RunPlan
    legs: np.ndarray
    """indices of straight legs"""


def truth_of(site: Site, plan: RunPlan, *, least_m: float = 2.0) -> Truth:
    straight = plan.runs.straight & (plan.runs.length_m > least_m)
    return Truth(site, plan, np.flatnonzero(straight))


def row(
    of: str, reading: str, *, tape: str = "A", kind: str = "steel", name: str = "", number: int = 1
) -> Row:
    text = TapeRow.model_validate({"id": name, "of": of, "reading": reading, "tape": tape, "kind": kind})
    return Row(text, "invented.csv", number, None, None)


def rows_of(
    truth: Truth, legs: Sequence[int] | np.ndarray, texts: Sequence[str], tapes: Sequence[str]
) -> list[Row]:
    ids = truth.plan.runs.leg_id
    return [
        row(str(ids[leg]), text, tape=tape, name=f"r{k}", number=k + 2)
        for k, (leg, text, tape) in enumerate(zip(legs, texts, tapes, strict=True))
    ]


def judged(truth: Truth, rows: list[Row]) -> tuple[Tapes, Comparison, Diagnosis]:
    tapes = read_tapes(truth.site, truth.plan, rows)
    made = compare(truth.site, truth.plan, tapes)
    return tapes, made, diagnose(truth.site, truth.plan, tapes, made)


def feet_inches(metres: float, below: int = 4) -> str:
    parts = round(metres / FOOT * 12 * below)
    feet, rest = divmod(parts, 12 * below)
    inches, over = divmod(rest, below)
    return f"{feet} ft {inches}{f' {over}/{below}' if over else ''} in"


def metric(metres: float) -> str:
    return f"{metres:.2f} m"


def decimal_feet(metres: float) -> str:
    return f"{metres / FOOT:.2f} ft"


def noisy_lengths(truth: Truth, legs: np.ndarray, tape: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """What careful people would read: true lengths, scattered as the stated standard deviations say.

    The vertices of the map are moved, not the lengths, so that legs that share a corner share its error.
    """
    runs = truth.plan.runs
    places, vertex = np.unique(np.round(runs.xy, 3), axis=0, return_inverse=True)
    sigma = float(compare_sigma(truth))
    moved = runs.xy + rng.normal(0, sigma, (len(places), 2))[np.asarray(vertex).ravel()]
    first, last = runs.offsets[legs], runs.offsets[legs + 1] - 1
    length = np.hypot(*(moved[last] - moved[first]).T)
    steel = truth.site.settings.reconcile.kind["steel"]
    scale = rng.normal(0, steel.scale_ppm * 1e-6, int(tape.max()) + 1)
    own = steel.fixed / 1e6 + steel.per_length_ppm * 1e-6 * length
    return np.asarray(length * (1 + scale[tape]) + rng.normal(0, own))


def compare_sigma(truth: Truth) -> float:
    from siteplan.reconcile.compare import vertex_sigma

    return float(vertex_sigma(truth.site)[0][0])


def _swapped(text: str) -> str | None:
    """Two neighbouring digits before the point or the unit exchanged, the first that differ."""
    head = len(text.split(" ", maxsplit=1)[0])
    for j in range(head - 1):
        a, b = text[j], text[j + 1]
        if a.isdigit() and b.isdigit() and a != b and not (j == 0 and b == "0"):
            return text[:j] + b + a + text[j + 2 :]
    return None


CAUSES = (
    "dropped_length", "transposed", "inches_as_tenths", "misread", "wrong_leg", "wrong_unit", "hook",
    "stretched_tape",
)  # fmt: skip


@dataclass(frozen=True)
class Planted:
    """A set of readings with one thing wrong."""

    rows: list[Row]
    target: str
    """id of the reading, or the tape"""
    sigmas: float
    """how large the mistake is, in standard deviations of a difference"""


def planted(truth: Truth, cause: str, rng: np.random.Generator, *, count: int = 24) -> Planted | None:
    """Readings with one cause planted; None where the draw leaves no room for it."""
    legs = rng.choice(truth.legs, count, replace=False)
    tape = rng.integers(0, 2, count)
    lengths = noisy_lengths(truth, legs, tape, rng)
    write = [metric, feet_inches, decimal_feet][int(rng.integers(3))]
    k = int(rng.integers(count))
    target = f"r{k}"
    if cause == "inches_as_tenths":
        write = decimal_feet
    texts = [write(x) for x in lengths]
    new: str | None = None
    if cause == "dropped_length":
        k = int(np.argmax(lengths))
        target, step = f"r{k}", 20.0 if write is metric else 15.24
        new = write(lengths[k] - step) if lengths[k] > step + 1 else None
    elif cause == "transposed":
        new = _swapped(texts[k])
    elif cause == "inches_as_tenths":
        feet, inches = divmod(round(lengths[k] / 0.0254), 12)
        new = f"{feet}.{inches} ft" if inches else None
    elif cause == "misread":
        new = write(lengths[k] + (1.0 if write is metric else FOOT) * (1 if rng.random() < 0.5 else -1))
    elif cause == "wrong_leg":
        new = write(float(truth.plan.runs.length_m[rng.choice(truth.legs)]))
    elif cause == "wrong_unit":
        swap = {metric: ("m", "ft"), decimal_feet: ("ft", "m")}.get(write)
        new = texts[k].replace(*swap) if swap else None
    elif cause == "hook":
        new = write(lengths[k] - 0.1524) if lengths[k] > 0.3 else None
    elif cause == "stretched_tape":
        texts = [write(x * (1 - 0.005 * (t == 0))) for x, t in zip(lengths, tape, strict=True)]
        long = float(np.sqrt((lengths[tape == 0] ** 2).sum())) * 0.005
        return Planted(rows_of(truth, legs, texts, [str("AB"[t]) for t in tape]), "A", long / 0.03)
    if new is None or new == texts[k]:
        return None
    off = float(read(new).metres - read(texts[k]).metres)
    texts[k] = new
    sigma = np.sqrt(2) * compare_sigma(truth)
    return Planted(rows_of(truth, legs, texts, [str("AB"[t]) for t in tape]), target, abs(off) / float(sigma))
