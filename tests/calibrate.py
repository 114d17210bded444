"""The calibration experiment of docs/calibration.md: stated against reached, on invented true sites.

    python -m tests.calibrate --sites 500 --world stated
    python -m tests.calibrate --table FILE...

Each site is invented, seen by people, planned, ordered for, and then laid as it truly is.  Seeds are
[experiment, number of the site].
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path

import numpy as np
from scipy import sparse
from scipy.stats import binomtest, kstest, norm

from siteplan.plans import plan_runs
from siteplan.takeoffs import takeoff
from siteplan.uncertainty.components import length_model
from siteplan.uncertainty.suffice import confidence, prices
from tests.true_sites import (
    World,
    invent,
    is_enough,
    planned_need,
    settings_toml,
    traced,
    truth_of,
    write_site,
)

EXPERIMENT = 20_261
STATED = World()
WORLDS: dict[str, World] = {
    "stated": STATED,
    "half": replace(STATED, vertex_m=STATED.vertex_m / 2, bed_m=STATED.bed_m / 2,
                    person_m=STATED.person_m / 2, picture_m=STATED.picture_m / 2),
    "double": replace(STATED, vertex_m=STATED.vertex_m * 2, bed_m=STATED.bed_m * 2,
                      person_m=STATED.person_m * 2, picture_m=STATED.picture_m * 2),
    "heavy": replace(STATED, noise="heavy"),
    "other": replace(STATED, noise="heavy", correlation_m=5.0),
    "bias": replace(STATED, hidden_m=-0.03),
    "exact": STATED,
}  # fmt: skip
"""what the world does, while the settings say what ``stated`` does"""
PROBABILITIES = tuple(Fraction(p, 100) for p in (50, 80, 90, 95, 99))
PERCENTS = (0, 3, 5, 10)


@dataclass
class Outcome:
    """What came of one site."""

    number: int
    enough: dict[str, bool] = field(default_factory=dict)
    """order to whether it sufficed"""
    cost: dict[str, float] = field(default_factory=dict)
    """order to its cost over that of the plan itself"""
    one_fewer: dict[str, bool] = field(default_factory=dict)
    """code to whether the 95 % order suffices with one piece fewer of it"""
    same_corners: bool = True
    """the corners of the true site are made as planned"""
    z_site: float = 0.0
    z_run: float = 0.0
    sigma_site_m: float = 0.0
    z_all: list[float] = field(default_factory=list)


def one_site(
    number: int,
    world: World,
    folder: Path,
    *,
    draws: int = 500,
    said: World = STATED,
    exact: bool = False,
    probabilities: Sequence[Fraction] = PROBABILITIES,
) -> Outcome:
    """Invent, see, plan, order, lay; without probabilities lengths alone are looked at."""
    rng = np.random.default_rng([EXPERIMENT, number])
    inventing, seeing, laying, breaking = rng.spawn(4)
    site = invent(inventing, number, exact=exact)
    toml = settings_toml(site, said, draws=draws, seed=number)
    seen = write_site(folder / "seen", site, traced(seeing, site, world), toml)
    truth = truth_of(laying, folder / "true", site, world)
    plan = plan_runs(seen)
    result = takeoff(seen, plan)
    planned = planned_need(seen, plan)
    out = Outcome(number)
    lengths = length_model(seen, plan)
    _lengths(out, lengths, plan, truth.plan, rng)
    special = slice(len(result.straights), None)
    same = np.array_equal(result.corners.how, truth.how)
    out.same_corners = same and bool((planned[special] == truth.need[special]).all())
    if not probabilities:
        return out
    piece, _ = prices(result, planned[None])
    base = float(piece @ planned)
    breakage = Fraction(str(said.breakage))
    made = confidence(seen, plan, result, planned, Fraction(95, 100), breakage, lengths, levels=probabilities)
    orders = {f"{float(p) * 100:g} %": made.at(p).least.order for p in probabilities}
    specials = len(result.straights) - len(result.line.closers)
    for percent in PERCENTS:
        extra = np.ceil(planned * percent / 100) + np.ceil(planned * said.breakage)
        extra[specials:] = np.maximum(extra[specials:], percent > 0)
        orders[f"flat {percent} %"] = planned + np.where(planned > 0, extra, 0).astype(int)
    for name, order in orders.items():
        enough = is_enough(breaking, order, truth.need, world.breakage)
        out.enough[name] = bool(enough.all())
        out.cost[name] = float(piece @ order) / base
    order = orders["95 %"]
    for a in np.flatnonzero(order).tolist():
        fewer = order.copy()
        fewer[a] -= 1
        enough = is_enough(breaking, fewer, truth.need, world.breakage)
        out.one_fewer[result.codes[a]] = bool(enough.all())
    return out


def _lengths(out: Outcome, lengths, plan, true_plan, rng) -> None:  # type: ignore[no-untyped-def]
    """How far the true lengths of site and runs lie from what is said of them, in sigmas."""
    runs = plan.runs
    if list(runs.run_id) != list(true_plan.runs.run_id):
        raise AssertionError(f"site {out.number}: the plan has other runs than the truth")
    legs = len(runs.leg_id)
    of_run = sparse.csr_array((np.ones(legs), (runs.leg_run, np.arange(legs))))
    off = true_plan.lengths.run_ground_m - of_run @ lengths.mean_m
    z = off / lengths.sigma(of_run)
    whole = sparse.csr_array(np.ones((1, legs)))
    out.sigma_site_m = float(lengths.sigma(whole)[0])
    out.z_site = float(off.sum() / out.sigma_site_m)
    out.z_run = float(z[rng.integers(len(z))])
    out.z_all = z.tolist()


def run(
    numbers: Iterable[int], world: World, *, draws: int = 500, exact: bool = False, told: bool = False
) -> list[Outcome]:
    """Outcomes of sites, each in a folder of its own that is taken away again."""
    made = []
    for number in numbers:
        with tempfile.TemporaryDirectory() as folder:
            made.append(one_site(number, world, Path(folder), draws=draws, exact=exact))
        if told:
            print(number, made[-1].enough["95 %"], file=sys.stderr, flush=True)
    return made


# ---------------------------------------------------------------- tables


def share(hits: Sequence[bool]) -> str:
    """A share with its 95 % confidence limits (Clopper and Pearson)."""
    if not hits:
        return "no site"
    low, high = binomtest(sum(hits), len(hits)).proportion_ci(0.95, method="exact")
    return f"{100 * np.mean(hits):.1f} % ({100 * low:.1f} to {100 * high:.1f})"


def table(outcomes: Sequence[Outcome]) -> str:
    """The table of one world."""
    flexible = [o for o in outcomes if o.number % 2 == 0]
    rigid = [o for o in outcomes if o.number % 2]
    groups = {
        "all": outcomes,
        "flexible": flexible,
        "rigid": rigid,
        "rigid, corners made as planned": [o for o in rigid if o.same_corners],
    }
    head = " | ".join(f"{name} ({len(own)})" for name, own in groups.items())
    rows = [f"| order | {head} | cost over the plan's own pieces |", "| --- " * 6 + "|"]
    for name in outcomes[0].enough:
        cost = 100 * (np.mean([o.cost[name] for o in outcomes]) - 1)
        hits = " | ".join(share([o.enough[name] for o in own]) for own in groups.values())
        rows.append(f"| {name} | {hits} | {cost:+.2f} % |")
    one: dict[str, list[bool]] = {}
    for o in outcomes:
        for code, hit in o.one_fewer.items():
            one.setdefault(code, []).append(hit)
    rows += ["", "| code, one piece fewer than the 95 % order | suffices |", "| --- | --- |"]
    rows += [f"| {code} | {share(hits)} |" for code, hits in sorted(one.items())]
    rows += ["", "| length | inside 90 % | inside 95 % | mean of z | sd of z | uniform PIT (KS) |"]
    rows += ["| --- | --- | --- | --- | --- | --- |"]
    for what, z in (
        ("of the site", np.array([o.z_site for o in outcomes])),
        ("of one run of each site", np.array([o.z_run for o in outcomes])),
    ):
        inside = [share((np.abs(z) < norm.ppf(0.5 + p / 2)).tolist()) for p in (0.90, 0.95)]
        p = kstest(norm.cdf(z), "uniform").pvalue
        rows.append(f"| {what} | {inside[0]} | {inside[1]} | {z.mean():+.3f} | {z.std():.3f} | p = {p:.2f} |")
    return "\n".join(rows)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sites", type=int, default=500)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--world", choices=WORLDS, default="stated")
    parser.add_argument("--draws", type=int, default=500)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--table", type=Path, nargs="*")
    given = parser.parse_args()
    if given.table:
        outcomes = [Outcome(**row) for file in given.table for row in json.loads(file.read_text("utf-8"))]
        print(table(outcomes))
        return
    outcomes = run(
        range(given.first, given.first + given.sites), WORLDS[given.world], draws=given.draws, told=True,
        exact=given.world == "exact",
    )  # fmt: skip
    if given.out:
        given.out.write_text(json.dumps([vars(o) for o in outcomes]), encoding="utf-8")
    print(table(outcomes))


if __name__ == "__main__":
    main()
