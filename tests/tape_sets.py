"""Invented tape sets with known truth, for the tests of the diagnosis."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from siteplan.reconcile.compare import Comparison, compare
from siteplan.reconcile.diagnosis import Diagnosis, diagnose
from siteplan.reconcile.rows import Row
from siteplan.reconcile.tapes import Tapes, read_tapes
from siteplan.sites import RunPlan, Site
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


def rows_of(truth: Truth, legs: Sequence[int], texts: Sequence[str], tapes: Sequence[str]) -> list[Row]:
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


Plant = Callable[[np.ndarray, np.ndarray, np.random.Generator], tuple[list[str], str, str]]
