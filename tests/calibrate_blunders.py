"""Is a blunder found where it is, and is its cause named?  The second experiment of docs/calibration.md.

    python -m tests.calibrate_blunders --sets 480 --out FILE
    python -m tests.calibrate_blunders --sets 240 --world both
    python -m tests.calibrate_blunders --sets 1400 --only-seven
    python -m tests.calibrate_blunders --table FILE...

Each set is one invented site with its crew (``tests/blunder_sets.py``), read four times: with nothing
wrong, with one reading off by 7 of its standard deviations, with one off by another number of them, and with
one blunder of the list.  Seeds are [experiment, number of the set].  Every set is counted once in every
share, so the counts are independent.

What theory says comes from a model of its own: unknowns eliminated, C = S + G P G' over the readings alone,
redundancy S_ii (C^-1)_ii, test (C^-1 d)_i / sqrt((C^-1)_ii), its mean under a blunder size x sqrt((C^-1)_ii).
(Baarda 1968; any text on the reliability of networks.)
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from scipy.stats import binomtest, norm

from siteplan.adjust.outcome import reliability
from siteplan.adjust.site import Adjustment, adjust_site
from siteplan.adjust.together import Together, together
from siteplan.reconcile.compare import compare
from siteplan.reconcile.diagnosis import Diagnosis, diagnose
from siteplan.reconcile.tapes import load_tapes
from tests.blunder_sets import (
    CAUSES,
    STYLES,
    TAPES,
    WRITTEN_IN,
    Crew,
    Planted,
    World,
    crew_of,
    csv_of,
    from_list,
    metres_of,
    sized,
)

EXPERIMENT: Final = 20_262
ALPHA: Final = 0.001
SIGMAS: Final = (3, 4, 5, 6, 9, 12)
CHECKED: Final = 0.3
"""redundancy from which a blunder shall be locatable"""
LARGE: Final = 7.0
SAVED_AFTER: Final = 10
"""sets, so that a long run that is ended is not lost"""
STATED: Final = World()
WORLDS: Final = {
    "stated": STATED,
    "heavy": World(heavy=True),
    "alike": World(correlation_m=10.0),
    "both": World(heavy=True, correlation_m=10.0),
}


def _sum_says(chance: float, alpha: float) -> str:
    told = Together(chance, alpha)
    return "unusual" if told.unusual else "large" if told.too_large else ""


@dataclass
class Found:
    """What both engines say of one reading of a set."""

    cause: str
    off_m: float
    sigmas: float
    """size of the blunder in standard deviations of the reading"""
    difference_sigmas: float
    """in standard deviations of tape less map, as the diagnosis sees it"""
    redundancy: float
    power: float
    """chance that its own test fails, by theory"""
    own_test: bool
    """its own test does fail, by the theory's own arithmetic"""
    detected: bool
    """data snooping leaves anything free"""
    named: bool
    """the reading is left out, or said not to be told apart from what is"""
    left_out: bool
    """the reading is left out"""
    located: bool
    """it is left out, no other reading is, and it is told apart from every other reading"""
    honest: bool
    """not located, yet nothing else is blamed alone: nothing is left free, or it is among the named"""
    diagnosed: bool
    """the diagnosis names something at this reading"""
    first: bool
    first_two: bool
    anything: bool
    """the diagnosis names anything"""
    sum_chance: float = float("nan")
    """of a sum of squares as large, with what is left free, were nothing wrong"""
    sum_alpha: float = float("nan")
    """where the chance is below this the report says that something may be off and cannot be located"""

    @property
    def told(self) -> str:
        """What is made of the blunder, one of ``TOLD``."""
        if self.located:
            return "located"
        if self.named:
            return "named among several"
        if self.detected:
            return "another blamed"
        return {"unusual": "detected, not locatable", "large": "possible, not locatable"}.get(
            _sum_says(self.sum_chance, self.sum_alpha), "missed"
        )


@dataclass
class Outcome:
    """One set."""

    number: int
    style: str
    vertex_m: float
    readings: int
    clean_named: int = 0
    """causes the diagnosis names with nothing wrong"""
    clean_freed: int = 0
    clean_sum_chance: float = float("nan")
    clean_sum_alpha: float = float("nan")
    freedom: int = 0
    """checks left on the clean set"""
    tests: int = 0
    """suspects data snooping tests"""
    clean_own: float = 0.0
    """share of readings whose own test fails, by the theory's own arithmetic"""
    gap: float = 0.0
    """greatest difference of the engine's redundancy numbers from the theory's"""
    seven: Found | None = None
    other: Found | None = None
    listed: Found | None = None


# ---------------------------------------------------------------- what theory says


@dataclass(frozen=True)
class Theory:
    """The readings with all unknowns eliminated."""

    weight: np.ndarray
    """(n, n) inverse covariance of tape less map"""
    sigma: np.ndarray
    map_m: np.ndarray
    total: np.ndarray
    """(n,) standard deviation of tape less map"""

    def redundancy(self) -> np.ndarray:
        """(n,) share of its own error that shows."""
        made: np.ndarray = self.sigma**2 * np.diag(self.weight)
        return made

    def tests(self, taped_m: np.ndarray) -> np.ndarray:
        """(n,) normal with standard deviation 1 where nothing is wrong."""
        made: np.ndarray = self.weight @ (taped_m - self.map_m) / np.sqrt(np.diag(self.weight))
        return made

    def power(self, reading: int, off_m: float) -> float:
        """Chance that the two-sided test of this reading fails."""
        k = float(norm.isf(ALPHA / 2))
        delta = abs(off_m) * float(np.sqrt(self.weight[reading, reading]))
        return float(norm.sf(k - delta) + norm.cdf(-k - delta))


def theory_of(crew: Crew) -> Theory:
    """Covariance of the differences, with the settings' standard deviations."""
    n, v = len(crew.texts), len(crew.traced_xy)
    a, b = crew.ends.T
    step = crew.traced_xy[b] - crew.traced_xy[a]
    long = np.hypot(*step.T)
    gradient = np.zeros((n, v, 2))
    np.add.at(gradient, (np.arange(n), a), -step / long[:, None])
    np.add.at(gradient, (np.arange(n), b), step / long[:, None])
    flat = gradient.reshape(n, -1)
    sigma = crew.sigma()
    covariance = np.diag(sigma**2) + crew.vertex_m**2 * flat @ flat.T + (300e-6) ** 2 * np.outer(long, long)
    for t, tape in enumerate(TAPES):
        own = np.where(crew.tape == t, long, 0.0)
        covariance += tape.scale**2 * np.outer(own, own)
    without_picture = covariance - (300e-6) ** 2 * np.outer(long, long)
    return Theory(np.linalg.inv(covariance), sigma, long, np.sqrt(np.diag(without_picture)))


# ---------------------------------------------------------------- one set


def judged(
    crew: Crew, texts: Sequence[str], folder: Path, *, adjusting: bool = True, diagnosing: bool = True
) -> tuple[Diagnosis | None, Adjustment | None]:
    """What the program says of a tape file."""
    path = folder / "tapes.csv"
    path.write_text(csv_of(crew, texts), encoding="utf-8")
    tapes = load_tapes(crew.site, crew.plan, path)
    made = compare(crew.site, crew.plan, tapes)
    found = diagnose(crew.site, crew.plan, tapes, made) if diagnosing else None
    return found, adjust_site(crew.site, crew.plan, tapes, comparison=made) if adjusting else None


def summed(adjusted: Adjustment) -> Together:
    """What the report has to say of all readings together."""
    said = adjusted.setup.settings
    return together(adjusted.conditions, said.alpha, said.power)


def looked(crew: Crew, theory: Theory, planted: Planted, folder: Path, *, diagnosing: bool = True) -> Found:
    """Both engines on a set with a blunder, or the adjustment alone."""
    diagnosis, adjusted = judged(crew, planted.texts, folder, diagnosing=diagnosing)
    assert adjusted is not None
    k = planted.reading
    target = f"r{k}"
    suspects = adjusted.suspects
    groups = [[f.suspect, *(r.suspect for r in f.rivals)] for f in adjusted.freed]
    own = [g for g in groups if suspects.kind[g[0]] == "reading" and suspects.name[g[0]] == target]
    out = [g for g in groups if suspects.kind[g[0]] == "reading"]

    def readings(group: list[int]) -> list[str]:
        return [str(suspects.name[s]) for s in group if suspects.kind[s] == "reading"]

    named = any(target in readings(g) for g in groups)
    located = bool(own) and len(out) == 1 and readings(own[0]) == [target]
    causes = () if diagnosis is None else diagnosis.named
    hit = [c for c in causes if c.target == target]
    order = [hit[0].cause, *(a.cause for a in hit[0].alternatives)] if hit else []
    read = np.array([metres_of(t) for t in planted.texts])
    return Found(
        cause=planted.cause,
        off_m=planted.off_m,
        sigmas=abs(planted.off_m) / float(theory.sigma[k]),
        difference_sigmas=abs(planted.off_m) / float(theory.total[k]),
        redundancy=float(theory.redundancy()[k]),
        power=theory.power(k, planted.off_m),
        own_test=bool(abs(theory.tests(read)[k]) > norm.isf(ALPHA / 2)),
        detected=bool(groups),
        named=named,
        left_out=bool(own),
        located=located,
        honest=not located and (not groups or named),
        diagnosed=bool(hit),
        first=order[:1] == [planted.cause],
        first_two=planted.cause in order[:2],
        anything=bool(causes),
        sum_chance=summed(adjusted).chance,
        sum_alpha=summed(adjusted).alpha,
    )


def one_set(
    number: int, world: World, folder: Path, *, adjusting: bool = True, only_seven: bool = False
) -> Outcome:
    """Invent, trace, tape, plant, and ask; without ``adjusting`` only the clean set is diagnosed.

    ``only_seven``: the clean set and the one with a blunder of 7 sigma are adjusted, and that is all.
    """
    rng = np.random.default_rng([EXPERIMENT, number])
    inventing, planting = rng.spawn(2)
    cause = CAUSES[number % len(CAUSES)]
    crew = crew_of(inventing, folder, number, world, WRITTEN_IN.get(cause, STYLES))
    theory = theory_of(crew)
    made = Outcome(number, crew.style, crew.vertex_m, len(crew.texts))
    diagnosis, adjusted = judged(crew, crew.texts, folder, adjusting=adjusting, diagnosing=not only_seven)
    made.clean_named = 0 if diagnosis is None else len(diagnosis.named)
    read = np.array([metres_of(t) for t in crew.texts])
    made.clean_own = float((np.abs(theory.tests(read)) > norm.isf(ALPHA / 2)).mean())
    if adjusted is None:
        return made
    made.clean_freed, made.tests = len(adjusted.freed), len(adjusted.suspects)
    made.freedom = adjusted.conditions.freedom
    made.clean_sum_chance, made.clean_sum_alpha = summed(adjusted).chance, summed(adjusted).alpha
    if not adjusted.freed:
        made.gap = float(np.abs(reliability(adjusted).redundancy - theory.redundancy()).max())
    made.seven = looked(crew, theory, sized(planting, crew, LARGE), folder, diagnosing=not only_seven)
    if only_seven:
        return made
    made.other = looked(crew, theory, sized(planting, crew, SIGMAS[number % len(SIGMAS)]), folder)
    planted = from_list(planting, crew, cause)
    if planted is not None:
        made.listed = looked(crew, theory, planted, folder)
    return made


def run(numbers: Iterable[int], world: World, *, only_seven: bool = False) -> list[Outcome]:
    """Outcomes of sets, each in a folder of its own that is taken away again."""
    made = []
    for number in numbers:
        with tempfile.TemporaryDirectory() as folder:
            made.append(one_set(number, world, Path(folder), only_seven=only_seven))
    return made


# ---------------------------------------------------------------- tables


def share(hits: Sequence[bool]) -> str:
    """A share with its 95 % confidence limits (Clopper and Pearson)."""
    if not hits:
        return "no set"
    low, high = binomtest(int(sum(hits)), len(hits)).proportion_ci(0.95, method="exact")
    return f"{100 * np.mean(hits):.1f} ({100 * low:.1f} to {100 * high:.1f})"


def errors_off(found: Sequence[Found], what: str) -> float:
    """By how many standard errors a share of sets lies off the mean power of theory."""
    power = np.array([f.power for f in found])
    hits = np.array([getattr(f, what) for f in found], dtype=float)
    spread = float(np.sqrt((power * (1 - power)).sum()))
    return float((hits - power).sum()) / spread if spread > 0 else 0.0


TOLD: Final = (
    "located", "named among several", "detected, not locatable", "possible, not locatable", "another blamed",
    "missed",
)  # fmt: skip
"""what is made of a blunder, best first"""
FINE: Final = ((0.3, 0.4), (0.4, 0.5), (0.5, 0.7), (0.7, 1.0))
BINS: Final = ((0.0, 0.1), (0.1, 0.2), (0.2, 0.3), (0.3, 0.5), (0.5, 1.0))


def _row(name: str, found: Sequence[Found]) -> str:
    if not found:
        return f"| {name} | 0 |" + " |" * 7
    power = 100 * np.mean([f.power for f in found])
    cells = [share([bool(getattr(f, w)) for f in found]) for w in ("own_test", "named", "located", "honest")]
    off = errors_off(found, "named")
    return f"| {name} | {len(found)} | {power:.1f} | {' | '.join(cells)} | {off:+.1f} |"


def told_table(outcomes: Sequence[Outcome]) -> str:
    """What is made of a blunder of 7 sigma, by redundancy from ``CHECKED`` on, and of clean sets."""
    seven = [o.seven for o in outcomes if o.seven and o.seven.redundancy >= CHECKED]
    rows = [
        f"| redundancy | sets | {' | '.join(TOLD)} | first three | first four |",
        "| --- " + "| ---: " * (len(TOLD) + 3) + "|",
    ]
    for low, high in (*FINE, (CHECKED, 1.0)):
        own = [f.told for f in seven if low <= f.redundancy < high]
        cells = [share([t == name for t in own]) for name in TOLD]
        cells += [share([t in TOLD[:n] for t in own]) for n in (3, 4)]
        rows.append(f"| {low:g} to {high:g} | {len(own)} | {' | '.join(cells)} |")
    freed = [bool(o.clean_freed) for o in outcomes]
    says = [_sum_says(o.clean_sum_chance, o.clean_sum_alpha) for o in outcomes]
    return "\n".join([
        *rows,
        f"\n- clean sets: nothing left free in {share([not a for a in freed])}, {len(freed)} sets",
        *(
            f"- clean sets, nothing left free, and yet {word}: "
            f"{share([s == key and not a for a, s in zip(freed, says, strict=True)])}"
            for key, word in (("unusual", TOLD[2]), ("large", TOLD[3]))
        ),
        f"- checks left: {np.mean([o.freedom for o in outcomes]):.1f} on the average",
    ])  # fmt: skip


def table(outcomes: Sequence[Outcome]) -> str:
    """The tables of one world."""
    seven = [o.seven for o in outcomes if o.seven]
    other = [o.other for o in outcomes if o.other]
    listed = [o.listed for o in outcomes if o.listed]
    head = (
        "| | sets | power by theory | own test fails | named | located | left open | "
        "named, standard errors off |"
    )
    rows = [f"7 sigma of the reading\n\n{head}", "| --- " + "| ---: " * 7 + "|"]
    for low, high in BINS:
        own = [f for f in seven if low <= f.redundancy < high]
        rows.append(_row(f"redundancy {low:g} to {high:g}", own))
    rows.append(_row(f"all of {CHECKED:g} or more", [f for f in seven if f.redundancy >= CHECKED]))
    rows.append(_row("all", seven))
    rows += ["\nother sizes\n", head, "| --- " + "| ---: " * 7 + "|"]
    sizes = [o for o in outcomes if o.other]
    for s in SIGMAS:
        rows.append(_row(f"{s} sigma", [o.other for o in sizes if o.other and SIGMAS[o.number % 6] == s]))
    rows.append(_row("all", other))
    rows += ["\nblunders of the list\n", "| cause | sets | of 7 sigma or more | found at its place | "
             "named first | among the first two | all sets: among the first two | left out |",
             "| --- " + "| ---: " * 7 + "|"]  # fmt: skip
    for cause in (*CAUSES, "all"):
        every = [f for f in listed if cause in ("all", f.cause)]
        large = [f for f in every if f.difference_sigmas >= LARGE]
        cells = [share([bool(getattr(f, w)) for f in large]) for w in ("diagnosed", "first", "first_two")]
        rows.append(
            f"| {cause} | {len(every)} | {len(large)} | {' | '.join(cells)} | "
            f"{share([f.first_two for f in every])} | {share([f.left_out for f in large])} |"
        )
    clean = [not o.clean_named for o in outcomes]
    rows += ["\nnothing wrong\n", f"- diagnosis names nothing: {share(clean)}, {len(clean)} sets"]
    rows.append(f"- adjustment leaves nothing free: {share([not o.clean_freed for o in outcomes])}")
    tests = float(np.mean([o.tests for o in outcomes]))
    rows.append(f"- tests a set: {tests:.0f}; expected with none failing were they independent: "
                f"{100 * (1 - ALPHA) ** tests:.1f} %")  # fmt: skip
    rows.append(f"- own tests of readings failing: {100 * np.mean([o.clean_own for o in outcomes]):.3f} %")
    rows.append(f"- redundancy, engine less theory, at most: {max(o.gap for o in outcomes):.1e}")
    return "\n".join(rows)


def loaded(rows: Iterable[dict[str, Any]]) -> list[Outcome]:
    """Outcomes from JSON."""
    made = [Outcome(**row) for row in rows]
    for o in made:
        for name in ("seven", "other", "listed"):
            value = getattr(o, name)
            if value is not None:
                setattr(o, name, Found(**value))
    return made


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--sets", type=int, default=480)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--world", choices=WORLDS, default="stated")
    parser.add_argument("--only-seven", action="store_true", help="clean sets and 7 sigma, adjusted only")
    parser.add_argument("--out", type=Path)
    parser.add_argument("--table", type=Path, nargs="*")
    given = parser.parse_args()

    def told(made: Sequence[Outcome]) -> str:
        return told_table(made) if given.only_seven else f"{table(made)}\n\n{told_table(made)}"

    if given.table:
        print(told(loaded(row for file in given.table for row in json.loads(file.read_text("utf-8")))))
        return
    outcomes: list[Outcome] = []
    for first in range(given.first, given.first + given.sets, SAVED_AFTER):
        last = min(first + SAVED_AFTER, given.first + given.sets)
        outcomes += run(range(first, last), WORLDS[given.world], only_seven=given.only_seven)
        print(f"{len(outcomes)} sets", file=sys.stderr, flush=True)
        if given.out:
            given.out.write_text(json.dumps([asdict(o) for o in outcomes]), encoding="utf-8")
    print(told(outcomes))


if __name__ == "__main__":
    main()
