"""What the adjustment would change: vertices, lengths, and the order, by planning again."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.stats import chi2 as chi2_law

from siteplan.adjust.accept import adjusted_features, adjusted_site
from siteplan.adjust.conditions import least_detectable, noncentrality
from siteplan.adjust.site import Adjustment, lengths_after
from siteplan.adjust.sure import adjusted_lengths
from siteplan.laying.order import OrderRow
from siteplan.laying.takeoff import Takeoff
from siteplan.ordering import purchase
from siteplan.planar import part_of, sums
from siteplan.plans import RunPlan, plan_runs
from siteplan.sites import Site
from siteplan.takeoffs import takeoff
from siteplan.types import BoolArray, FloatArray, IntArray, XYArray

_BLOCK = 1_000
MOVED_M = 5e-4
"""movements smaller than this are not listed"""


@dataclass(frozen=True, slots=True)
class CodeChange:
    """One code of the order, before and after."""

    line: str
    code: str
    name: str
    takeoff_before: int
    takeoff_after: int
    """pieces in the plan"""
    needed_before: int
    needed_after: int
    """pieces to buy without spares and packs: whole ones, stock to cut, and for legs nothing fits"""
    order_before: int
    order_after: int


@dataclass(frozen=True, slots=True, eq=False)
class Ellipses:
    """Where vertices (k) may truly lie, within their picture, at the stated level."""

    vertex: IntArray
    """(k,) number of the vertex"""
    long_m: FloatArray
    short_m: FloatArray
    """(k,) half axes"""
    bearing_deg: FloatArray
    """(k,) of the long axis, clockwise from grid north, [0, 180)"""
    before_m: FloatArray
    """(k,) half axis of the circle as traced"""


@dataclass(frozen=True, slots=True, eq=False)
class Reliability:
    """How well each reading (t) is checked by the others."""

    redundancy: FloatArray
    standardised: FloatArray
    """residual over its standard deviation; NaN where the reading is not checked or left out"""
    least_detectable_m: FloatArray
    """inf where it is not checked"""
    own_effect_m: FloatArray
    """what a mistake of that size, not found, does to the adjusted length of what was taped"""
    greatest_effect_m: FloatArray
    """the most it does to any leg"""
    greatest_leg: IntArray
    left_out: BoolArray
    delta0: float


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """The adjustment beside the plan as drawn."""

    site: Site
    """with the adjusted outlines"""
    plan: RunPlan
    result: Takeoff
    codes: tuple[CodeChange, ...]
    run_before_m: FloatArray
    run_after_m: FloatArray
    """(r,) NaN where a run is no longer there"""
    run_sigma_before_m: FloatArray
    run_sigma_after_m: FloatArray
    """(r,) NaN for runs of beds that were not taped"""
    leg_sigma_before_m: FloatArray
    leg_sigma_after_m: FloatArray
    moved: XYArray
    """(v, 2) metres east and north, of every vertex"""
    ellipses: Ellipses
    reliability: Reliability
    chance: float
    """of a chi-square as far from what is usual, either way; NaN without redundancy"""


def outcome(site: Site, plan: RunPlan, result: Takeoff, made: Adjustment) -> Outcome:
    """Plan again with the adjusted outlines, and set everything beside what was before.

    Parameters
    ----------
    site, plan, result : as drawn
    made : the adjustment

    Raises
    ------
    DataError : the adjusted outlines cannot be planned
    """
    after = adjusted_site(site, adjusted_features(site, made))
    plan_after = plan_runs(after)
    result_after = takeoff(after, plan_after)
    before_s, after_s = made.leg_sigmas()
    runs = plan.runs
    functions = made.leg_functions()
    legs = np.arange(len(runs.leg_id))
    of_run = sparse.csr_array((np.ones(len(legs)), (runs.leg_run, legs)), shape=(len(runs.run_id), len(legs)))
    run_functions = sparse.csr_array(of_run @ functions)
    own = run_functions @ sparse.diags_array(made.spread.prior_sigma)
    known = ~(of_run @ (~made.wanted).astype(float)).astype(bool)
    return Outcome(
        site=after,
        plan=plan_after,
        result=result_after,
        codes=_codes(site, plan, result, after, plan_after, result_after, made),
        run_before_m=plan.lengths.run_ground_m,
        run_after_m=sums(lengths_after(plan_after, made.legs_in(plan_after.runs)), runs.leg_offsets),
        run_sigma_before_m=np.where(
            known, np.sqrt(np.asarray(own.multiply(own).sum(axis=1)).ravel()), np.nan
        ),
        run_sigma_after_m=np.where(known, np.sqrt(made.spread.variances(run_functions)), np.nan),
        leg_sigma_before_m=before_s,
        leg_sigma_after_m=after_s,
        moved=made.xy - site.bed_shapes.xy,
        ellipses=_ellipses(site, made),
        reliability=reliability(made),
        chance=global_chance(made.conditions.chi2, made.conditions.freedom),
    )


def global_chance(chi2: float, freedom: int) -> float:
    """Chance of a chi-square as far from what is usual, on either side; NaN without degrees of freedom."""
    if freedom <= 0:
        return float("nan")
    return float(min(1.0, 2 * min(chi2_law.sf(chi2, freedom), chi2_law.cdf(chi2, freedom))))


def _codes(
    site: Site,
    plan: RunPlan,
    result: Takeoff,
    after: Site,
    plan_after: RunPlan,
    result_after: Takeoff,
    made: Adjustment,
) -> tuple[CodeChange, ...]:
    old = {(r.line, r.code): r for r in purchase(site, plan, result).order.rows}
    # an order with a stated probability uses the joint covariance of the adjustment
    sure = adjusted_lengths(after, plan_after, made)
    bought = purchase(after, plan_after, result_after, lengths=sure)
    new = {(r.line, r.code): r for r in bought.order.rows}
    changes: list[CodeChange] = []
    for key in [*old, *(k for k in new if k not in old)]:
        a, b = old.get(key), new.get(key)
        changes.append(
            CodeChange(
                line=key[0],
                code=key[1],
                name=a.name if a is not None else (b.name if b is not None else ""),
                takeoff_before=0 if a is None else a.takeoff,
                takeoff_after=0 if b is None else b.takeoff,
                needed_before=_needed(a),
                needed_after=_needed(b),
                order_before=0 if a is None else a.order,
                order_after=0 if b is None else b.order,
            )
        )
    return tuple(changes)


def _needed(row: OrderRow | None) -> int:
    return 0 if row is None else row.takeoff - row.cut_pieces + row.cut_stock + row.for_unmet


def _ellipses(site: Site, made: Adjustment) -> Ellipses:
    """Of the vertices of taped beds that moved by more than the scale of the map moves them."""
    lay = made.setup.layout
    shapes = site.bed_shapes
    vertex_bed = shapes.ring_feature[part_of(shapes.ring_offsets)]
    runs = made.drawn_runs
    beds = np.unique(runs.bed[runs.leg_run[made.wanted]])
    moved = made.solution.x[: lay.first_point].reshape(-1, 2) - made.setup.drawn
    at = np.flatnonzero(np.isin(vertex_bed, beds) & (np.hypot(*moved.T) > MOVED_M))
    ones = np.ones(len(at))
    rows = np.arange(len(at))

    def pick(x: float, y: float) -> sparse.csr_array:
        return sparse.csr_array(
            (
                np.concatenate([x * ones, y * ones]),
                (np.concatenate([rows, rows]), np.concatenate([2 * at, 2 * at + 1])),
            ),
            shape=(len(at), lay.count),
        )

    xx, yy, both = (made.spread.variances(pick(*w)) for w in ((1, 0), (0, 1), (1, 1)))
    xy = (both - xx - yy) / 2
    level = float(np.sqrt(chi2_law.ppf(site.settings.reconcile.adjust.ellipse, 2)))
    middle, half = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    # the direction of the long axis: half the angle of (xx - yy, 2 xy), counted from east to the left
    angle = np.degrees(np.arctan2(2 * xy, xx - yy) / 2)
    return Ellipses(
        vertex=at,
        long_m=level * np.sqrt(middle + half),
        short_m=level * np.sqrt(np.maximum(middle - half, 0.0)),
        bearing_deg=np.mod(90 - angle, 180.0),
        before_m=level * made.setup.prior_sigma[2 * at],
    )


def reliability(made: Adjustment) -> Reliability:
    """Redundancy, least detectable mistakes and their effects."""
    c, said = made.conditions, made.setup.settings
    delta0 = noncentrality(said.alpha, said.power)
    # after the tapes come the coordinates of surveyed points, which have a table of their own
    count = len(made.setup.reading_name)
    redundancy = c.redundancy[:count]
    sigma = c.sigma[:count]
    least = least_detectable(sigma, redundancy, delta0)
    left = np.zeros(len(sigma), dtype=bool)
    for f in made.freed:
        if made.suspects.kind[f.suspect] == "reading":
            left[f.suspect] = True
    standard = np.full(len(sigma), np.nan)
    ok = np.isfinite(least)
    standard[ok] = made.solution.residual[:count][ok] / (sigma[ok] * np.sqrt(redundancy[ok]))
    functions = made.leg_functions()
    most, greatest = np.zeros(len(sigma)), np.zeros(len(sigma), dtype=np.int64)
    for first in range(0, functions.shape[0], _BLOCK):
        effect = np.abs(made.spread.gain(sparse.csr_array(functions[first : first + _BLOCK])))[:, :count]
        top = effect.argmax(axis=0)
        value = effect[top, np.arange(len(sigma))]
        greatest = np.where(value > most, first + top, greatest)
        most = np.maximum(most, value)
    most = most * np.where(ok, least, 0.0)
    own = np.where(ok, (1 - redundancy) * np.where(ok, least, 0.0), np.nan)
    return Reliability(
        redundancy=redundancy,
        standardised=standard,
        least_detectable_m=least,
        own_effect_m=own,
        greatest_effect_m=np.where(ok, most, np.nan),
        greatest_leg=np.asarray(greatest, dtype=np.int64),
        left_out=left,
        delta0=delta0,
    )
