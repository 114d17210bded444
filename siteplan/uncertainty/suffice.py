"""From what may be off to an order: true sites drawn, what each of them needs, the least-cost order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING, Final

import numpy as np

from siteplan.laying.corner_units import CornerHow, CornerWay, leaving_legs
from siteplan.laying.filling import Beside, Filled, fill_runs
from siteplan.laying.lay_rules import LayRules
from siteplan.laying.needs import needs
from siteplan.laying.needs_anew import Turned, may_be_laid_anew
from siteplan.laying.takeoff import Takeoff
from siteplan.outline.arrange import rows_of, take_runs
from siteplan.plans import laid_length
from siteplan.products import ProductLine
from siteplan.sites import Site
from siteplan.slope import sloped
from siteplan.types import FloatArray, IntArray, ObjectArray
from siteplan.uncertainty.components import bed_facts, said_of
from siteplan.uncertainty.lengths import LengthModel
from siteplan.uncertainty.sufficing import LeastOrder, Share, share_of, tuned_order

if TYPE_CHECKING:
    from siteplan.model import Runs
    from siteplan.plans import RunPlan

SAMPLES: Final = 3
"""one the order is fitted to, one it is held against, one that says what it reaches"""
NEAR_SIGMAS: Final = 2.0
LEVELS: Final = tuple(Fraction(p, 100) for p in (80, 90, 95, 99))
"""levels of the table of what more certainty costs"""


@dataclass(frozen=True, slots=True, eq=False)
class Crew:
    """What is the same all over a true site, d draws."""

    batch: FloatArray
    """(d,) length of the pieces over what it should be"""
    joint_m: FloatArray
    """(d,) mean joint less the nominal one"""


@dataclass(frozen=True, slots=True, eq=False)
class Laid:
    """One product line of the plan, ready to be filled again."""

    line: ProductLine
    leg: IntArray
    """(k,) its legs among those of the plan"""
    filled: Filled
    joints: IntArray
    """(k,) joints of each leg as planned"""
    units: IntArray
    """(a,) corner and end units; 0 at sections and closers"""
    corner: IntArray
    """(c,) its corners among those of the plan"""
    by_bed: Mapping[int, Sequence[CornerWay]]
    """ways to make the corners of single beds, by index"""


def laid_runs(site: Site, plan: RunPlan, result: Takeoff) -> Runs:
    """The runs the pieces were fitted to: moved sideways, or with their lengths on the slope."""
    if result.play is not None:
        return result.play.runs
    if plan.ground is not None and laid_length(site) == "slope":
        return sloped(plan.runs, plan.ground)
    return plan.runs


def lay_again(runs: Runs, bed_ids: ObjectArray | Sequence[str], result: Takeoff) -> tuple[Laid, ...]:
    """The lines of a takeoff, with what stands at the ends of their legs."""
    beds = {str(bed): k for k, bed in enumerate(bed_ids)}
    rules: LayRules = result.rules
    by_bed = {beds[bed]: ways for bed, ways in rules.corner_by_bed if bed in beds}
    made, column = [], 0
    several = len(result.lines) > 1
    whole = replace(runs, line=result.run_line) if several else runs
    for k, line in enumerate(result.lines):
        own = np.flatnonzero(result.run_line == k)
        beside = Beside(whole, result.lines, own) if several else None
        part = take_runs(whole, own) if several else runs
        filled = fill_runs(part, by_bed, line, rules, beside)
        width = len(line.articles)
        counts = result.leg_counts[:, column : column + width].sum(axis=0)
        counts[: len(line.straights)] = 0
        column += width
        corner = np.arange(len(runs.corner_leg))
        if several:
            corner = np.flatnonzero(np.isin(runs.leg_run[runs.corner_leg], own))
            corner = corner[np.argsort(runs.corner_leg[corner])]
        legs = rows_of(runs.leg_offsets, own)
        made.append(Laid(line, legs, filled, filled.fits.joints, counts, corner, by_bed))
    return tuple(made)


def draw_crews(rng: np.random.Generator, count: int, batch_ppm: float, habit_m: float) -> Crew:
    """Deliveries and crews, a stream each."""
    batch, habit = rng.spawn(2)
    return Crew(batch.standard_normal(count) * batch_ppm * 1e-6, habit.standard_normal(count) * habit_m)


def needed(
    laid: Sequence[Laid],
    rules: LayRules,
    leg_m: FloatArray,
    crew: Crew,
    breakage: Fraction,
    rng: np.random.Generator,
    curve_lengths: int,
    turn_off_deg: FloatArray | None = None,
) -> tuple[IntArray, FloatArray]:
    """Pieces each true site needs of every code.

    Parameters
    ----------
    laid : lines of the plan
    rules : how legs are filled
    leg_m : (d, l) lengths of the legs as laid, metres
    crew : d deliveries and crews
    breakage : share of the pieces that break, each by itself
    rng : for the breakage
    curve_lengths : as for :func:`siteplan.laying.needs.needs`
    turn_off_deg : (d, c) errors of the turns of the corners; None: they turn as planned

    Returns
    -------
    (d, a) pieces needed, broken ones among them, and (a,) share of the draws in which the number of
    sections to cut is proven.

    Notes
    -----
    Pieces all longer by the share e lie on a leg as true ones lie on one shorter by 1 + e.  That takes
    arms, gaps and tolerances to be longer by e too: e of a gap, below a micrometre at 500 ppm and a gap of
    a millimetre.  A crew whose joints are wider by h fills a leg of J joints as if it were J h shorter,
    J as planned: a piece more or less changes that by h.  Breakage: from a pile of N pieces, each of
    which breaks with probability p, n good ones come if those that break before the n-th good one do
    not use it up: n + negative binomial (n, 1 - p), which is the same as N less a binomial.
    """
    parts, proven = [], []
    for one in laid:
        shift = np.outer(crew.joint_m, one.joints)
        length = (leg_m[:, one.leg] - shift) / (1 + crew.batch)[:, None]
        leg_um = np.maximum(np.floor(length * 1e6 + 0.5), 0).astype(np.int64)
        turned = None
        if turn_off_deg is not None:
            turn = one.filled.runs.corner_turn_deg + turn_off_deg[:, one.corner]
            turned = Turned(turn, one.by_bed)
        made = needs(one.filled, one.line, rules, leg_um, curve_lengths, turned)
        own = np.tile(one.units, (len(leg_um), 1))
        straights = made.total.shape[1]
        own[:, :straights] += made.total
        own[:, straights:] += made.more_units
        parts.append(own)
        sure = (made.cut_stock == made.cut_least).mean(axis=0)
        proven.append(np.concatenate([sure, np.ones(own.shape[1] - straights)]))
    need = np.concatenate(parts, axis=1)
    if breakage > 0:
        broken = np.zeros_like(need)
        some = need > 0
        broken[some] = rng.negative_binomial(need[some], float(1 - breakage))
        need = need + broken
    return need, np.concatenate(proven)


@dataclass(frozen=True, slots=True, eq=False)
class Reach:
    """An order, what it costs and how often it suffices."""

    order: IntArray
    """(a,) pieces"""
    cost: int | None
    """minor units; None without prices"""
    share: Share
    """of the sample it was not fitted to"""


@dataclass(frozen=True, slots=True, eq=False)
class Level:
    """The least-cost order at one probability."""

    probability: Fraction
    least: LeastOrder
    check: Share


@dataclass(frozen=True, slots=True, eq=False)
class Confidence:
    """The order that suffices with a stated probability, and how sure that is.  a codes, d draws."""

    codes: tuple[str, ...]
    probability: Fraction
    draws: int
    seed: int
    planned: IntArray
    """(a,) what the plan itself needs"""
    mean: FloatArray
    """(a,) mean need of the draws, broken pieces among them"""
    spread: FloatArray
    """(a,) standard deviation"""
    quantiles: IntArray
    """(3, a) needs at 5, 50 and 95 %, code by code"""
    proven_cuts: FloatArray
    """(a,) share of the draws whose number of sections to cut is proven"""
    wanted: Level
    levels: tuple[Level, ...]
    sample: IntArray
    check: IntArray
    """(d, a) needs of the draws the orders are fitted to, and of those they are checked with"""
    priced: bool
    """False: codes have no price, so the fewest pieces are wanted instead of the least cost"""
    lengths: LengthModel
    near_limit: tuple[str, ...]
    """legs that arrive at a corner which may turn beyond the range of its unit on the ground: within
    ``NEAR_SIGMAS`` of a limit"""
    held: tuple[str, ...]
    """those of them where that is not drawn: a rigid line on a run with curves, outlines adjusted to tapes"""

    def at(self, probability: Fraction) -> Level:
        """The order at one of the levels."""
        return next(x for x in (self.wanted, *self.levels) if x.probability == probability)

    def share(self, order: IntArray) -> Share:
        """How often an order suffices in the draws it was not fitted to."""
        return share_of(order, self.check)


def prices(result: Takeoff, need: IntArray) -> tuple[IntArray, bool]:
    """(a,) cost of a piece of each code, and whether these are prices: where one that is needed has none,
    every piece counts 1.
    """
    articles = result.articles
    used = need.any(axis=0)
    known = np.array([a.price is not None for a in articles])
    if not known[used].all():
        return np.ones(len(articles), dtype=np.int64), False
    # a piece that costs nothing counts the least there is, so that no more of it is wanted than needed
    return np.array([max(a.price or 0, 1) for a in articles], dtype=np.int64), True


def confidence(
    site: Site,
    plan: RunPlan,
    result: Takeoff,
    planned: IntArray,
    probability: Fraction,
    breakage: Fraction,
    lengths: LengthModel,
    *,
    levels: Sequence[Fraction] = LEVELS,
) -> Confidence:
    """The least-cost order that suffices with a probability.

    Parameters
    ----------
    site, plan, result : the plan
    planned : (a,) what it needs: whole pieces, sections to cut, sections for unmet legs
    probability : that every code suffices, for the whole site
    breakage : share of the pieces that break
    lengths : how sure the lengths are
    levels : further probabilities, for comparison
    """
    said = said_of(site)
    runs = laid_runs(site, plan, result)
    laid = lay_again(runs, site.beds.ids, result)
    stretch = np.divide(
        runs.length_m, plan.runs.length_m, out=np.ones(len(runs.length_m)), where=plan.runs.length_m > 0
    )
    off, turn_off, crews = [], [], []
    streams = np.random.default_rng(said.seed).spawn(4)
    for rng in streams[:SAMPLES]:
        on_ground, crew = rng.spawn(2)
        drawn, turn = lengths.draw_with_turns(on_ground, said.draws)
        off.append(drawn - lengths.planned_m)
        turn_off.append(np.zeros((said.draws, len(runs.corner_leg))) if turn is None else turn)
        crews.append(draw_crews(crew, said.draws, said.batch_ppm, said.joint_habit / 1e6))
    together = Crew(np.concatenate([c.batch for c in crews]), np.concatenate([c.joint_m for c in crews]))
    need, proven = needed(
        laid, result.rules, runs.length_m + np.concatenate(off) * stretch, together, breakage,
        streams[SAMPLES], said.curve_lengths, np.concatenate(turn_off),
    )  # fmt: skip
    sample, tuning, check = np.split(need, SAMPLES)
    cost, priced = prices(result, np.vstack([need, planned]))

    def level(p: Fraction) -> Level:
        least = tuned_order(sample, tuning, cost, p, said.solve_seconds)
        return Level(p, least, share_of(least.order, check))

    near = corners_near_limits(plan.runs, result, bed_facts(site).sigma_m)
    return Confidence(
        codes=result.codes,
        probability=probability,
        draws=said.draws,
        seed=said.seed,
        planned=planned,
        mean=sample.mean(axis=0),
        spread=sample.std(axis=0, ddof=1),
        quantiles=np.quantile(sample, [0.05, 0.5, 0.95], axis=0, method="higher").astype(np.int64),
        proven_cuts=proven,
        wanted=level(probability),
        levels=tuple(level(p) for p in levels if p != probability),
        sample=sample,
        check=check,
        priced=priced,
        lengths=lengths,
        near_limit=near,
        held=_held(runs, laid, lengths, near),
    )


def _held(runs: Runs, laid: Sequence[Laid], lengths: LengthModel, near: Sequence[str]) -> tuple[str, ...]:
    """Ids of arriving legs of corners that stay as planned on every drawn site, of those that are near."""
    drawn = np.zeros(len(runs.corner_leg), dtype=np.bool_)
    for one in laid:
        own = one.filled.runs
        drawn[one.corner] = may_be_laid_anew(own, one.line)[own.leg_run[own.corner_leg]]
    if lengths.turns is None:
        drawn[:] = False
    else:
        drawn &= lengths.turns.sigma_deg > 0
    held = set(runs.leg_id[runs.corner_leg[~drawn]].tolist())
    return tuple(leg for leg in near if leg in held)


def corners_near_limits(runs: Runs, result: Takeoff, sigma_m: FloatArray) -> tuple[str, ...]:
    """Ids of the legs that arrive at corners whose unit the true turn may be out of the range of.

    Parameters
    ----------
    runs : the plan
    result : its takeoff
    sigma_m : (b,) standard deviation of a traced vertex of each bed, each way

    Notes
    -----
    A turn t between edges a and b changes with its three vertices by 1/a, by the two together, and by 1/b,
    so var t = s^2 (1/a^2 + 1/b^2 + 1/a^2 + 1/b^2 + 2 cos t / ab), vertices independent.
    """
    arriving, leaving = runs.corner_leg, leaving_legs(runs)
    last, first = runs.offsets[arriving + 1] - 1, runs.offsets[leaving]
    a = np.hypot(*(runs.xy[last] - runs.xy[last - 1]).T)
    b = np.hypot(*(runs.xy[first + 1] - runs.xy[first]).T)
    turn = np.abs(runs.corner_turn_deg)
    spread = 2 / a**2 + 2 / b**2 + 2 * np.cos(np.radians(turn)) / (a * b)
    sigma_deg = np.degrees(sigma_m[runs.bed[runs.leg_run[arriving]]] * np.sqrt(np.maximum(spread, 0.0)))
    unit = np.where(result.corners.how == CornerHow.UNIT, result.corners.unit, -1)
    limits = np.array([(c.least_deg, c.greatest_deg) for c in result.corner_units] + [(-np.inf, np.inf)])
    margin = np.minimum(turn - limits[unit, 0], limits[unit, 1] - turn)
    return tuple(runs.leg_id[arriving[margin < NEAR_SIGMAS * sigma_deg]].tolist())
