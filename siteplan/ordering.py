"""From a takeoff to what is bought and done: cut plan, order, groundwork of a site."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING, Final

import numpy as np
import shapely

from siteplan.catalog import shipped_lines
from siteplan.groundwork import Groundwork, Quantities, load_recipe, reckon
from siteplan.laying.cutting import SiteCuts, plan_site_cuts
from siteplan.laying.order import Order, OrderRules, plan_order
from siteplan.model import RingKind
from siteplan.phases import run_owners, run_phases
from siteplan.plans import RunPlan
from siteplan.sites import Site
from siteplan.takeoffs import laid_plan
from siteplan.types import FloatArray, ObjectArray
from siteplan.uncertainty.components import length_model
from siteplan.uncertainty.lengths import LengthModel
from siteplan.uncertainty.suffice import Confidence, confidence
from siteplan.units import round_um

if TYPE_CHECKING:
    from siteplan.laying.takeoff import Takeoff
    from siteplan.model import Runs, Shapes


@dataclass(frozen=True, slots=True)
class Drop:
    """Where the delivery of a phase is put down, and how far its pieces are carried."""

    phase: str
    drop: str
    mean_carry_m: float | None
    """straight-line distance from the drop point to the pieces, None where no point is given"""
    greatest_carry_m: float | None


@dataclass(frozen=True, slots=True)
class Purchase:
    """Everything bought and done for a plan."""

    order: Order
    drops: tuple[Drop, ...]
    """beside ``order.deliveries``, in the same order"""
    groundwork: Groundwork | None
    """None where the site names no recipe"""
    confidence: Confidence | None = None
    """None where the site asks for no probability and says nothing of uncertainty"""
    flat: Order | None = None
    """beside it: the order by percentage, whether that is the one that is bought or not"""

    @property
    def cuts(self) -> SiteCuts:
        """The cut plan the order rests on."""
        return self.order.cuts


def purchase(
    site: Site,
    plan: RunPlan,
    result: Takeoff,
    *,
    lengths: LengthModel | None = None,
    levels: Sequence[Fraction] = (),
) -> Purchase:
    """Cut plan, order, deliveries and groundwork of a plan.

    Parameters
    ----------
    site, plan, result : the plan and its takeoff
    lengths : how sure the lengths are, in place of what the settings say, such as after an adjustment
    levels : probabilities whose orders stand beside the one that is bought, for whoever shows them: each
        takes the solver's time

    Raises
    ------
    DataError : a colour or code the product line does not have, a colour mix for a line that is none, a
        recipe with faults, beds or tapes the settings of uncertainty name and the site does not have.
    """
    plan = laid_plan(site, plan, result)
    settings = site.settings
    recipe = settings.groundwork.recipe
    loaded = None
    if recipe is not None:
        loaded = load_recipe(site.folder / recipe if recipe.endswith(".toml") else recipe)
    cuts = plan_site_cuts(result, time_limit_s=float(settings.order.cut_plan_seconds))
    phase = run_phases(site, plan.runs)
    phases, owner = [p.name for p in settings.phase], run_owners(site, plan.runs)

    def ordered(rules: OrderRules) -> Order:
        return plan_order(result, cuts, rules, run_phase=phase, phases=phases, run_owner=owner)

    flat = ordered(order_rules(site))
    sure = _confidence(site, plan, result, flat, lengths, levels)
    order = flat
    if sure is not None and settings.spares.suffice is not None:
        order = ordered(replace(order_rules(site), wanted=wanted_pieces(site, flat, sure)))
    return Purchase(
        order=order,
        drops=_drops(site, result, phase, order),
        groundwork=None if loaded is None else reckon(loaded, quantities(site, plan, result)),
        confidence=sure,
        flat=None if sure is None else flat,
    )


USUAL: Final = Fraction(95, 100)
"""the probability looked at where a site says what is uncertain and orders by percentage"""


def _confidence(
    site: Site,
    plan: RunPlan,
    result: Takeoff,
    flat: Order,
    lengths: LengthModel | None,
    levels: Sequence[Fraction],
) -> Confidence | None:
    spares = site.settings.spares
    if spares.suffice is None and site.settings.uncertainty is None:
        return None
    return confidence(
        site,
        plan,
        result,
        np.array([row.need for row in flat.rows], dtype=np.int64),
        spares.suffice or USUAL,
        Fraction(str(spares.breakage_percent)) / 100,
        length_model(site, plan) if lengths is None else lengths,
        levels=levels,
    )


def wanted_pieces(site: Site, flat: Order, sure: Confidence) -> dict[str, int]:
    """Pieces of each code: what suffices, and no fewer than the plan takes with the spares by count."""
    count = site.settings.spares.count
    return {
        row.code: max(int(n), row.need + count.get(row.code, 0))
        for row, n in zip(flat.rows, sure.wanted.least.order.tolist(), strict=True)
    }


def order_rules(site: Site) -> OrderRules:
    """The settings of the order, percentages exact as written."""
    spares, order = site.settings.spares, site.settings.order
    return OrderRules(
        # the shortest decimals of the number are what the person wrote
        spare_percent=Fraction(str(spares.percent)),
        spare_count=dict(spares.count),
        least_special=spares.least_special,
        breakage_percent=Fraction(str(spares.breakage_percent)),
        broken_packs=order.broken_packs,
        packs_per=order.packs_per,
        colours=tuple(order.colours.items()),
        line_colours={key: tuple(mix.items()) for key, mix in order.line_colours.items()},
        known_lines=(*(line.key for line in site.lines), *shipped_lines()),
        tax_percent=order.tax_percent,
        returns=order.returns,
        restocking_percent=order.restocking_percent,
    )


def _drops(site: Site, result: Takeoff, phase: ObjectArray | None, order: Order) -> tuple[Drop, ...]:
    told = {p.name: p for p in site.settings.phase}
    pieces = result.pieces
    made = []
    for delivery in order.deliveries:
        said = told.get(delivery.phase)
        mean = greatest = None
        if said is not None and said.drop_lonlat is not None:
            at = site.frame.ground_xy(np.array([said.drop_lonlat], dtype=np.float64), "EPSG:4326")
            here = np.ones(len(pieces), bool) if phase is None else phase[pieces.run] == delivery.phase
            if here.any():
                far = np.hypot(*(pieces.xy[here] - at[0]).T)
                mean, greatest = float(far.mean()), float(far.max())
        made.append(Drop(delivery.phase, "" if said is None else said.drop, mean, greatest))
    return tuple(made)


# ---------------------------------------------------------------- what recipes are reckoned from


def quantities(site: Site, plan: RunPlan, result: Takeoff) -> Quantities:
    """Lengths, counts and areas of a plan, ground metres."""
    runs, kinds, pieces = plan.runs, result.by_kind, result.pieces
    per_run = np.bincount(pieces.run, minlength=len(runs.run_id))
    # a closed run has a joint after every piece, an open one between every two
    joints = np.where(runs.closed, per_run, np.maximum(per_run - 1, 0))
    area, inner = bed_areas(plan.outlines, runs, result.run_depth_um / 1e6)
    # courses lie on the same ground
    lowest = np.ones(len(runs.run_id), dtype=bool) if runs.course is None else runs.course == 1
    return Quantities(
        length_m=_exact(plan.lengths.run_ground_m[lowest].sum()),
        runs=int(lowest.sum()),
        pieces=len(pieces),
        sections=kinds["section"],
        closers=kinds["closer"],
        corners=kinds["corner"],
        ends=kinds["end"],
        cuts=kinds["cut"],
        joints=int(joints.sum()),
        beds=len(np.unique(plan.outlines.ring_feature)),
        bed_area_m2=_exact(area.sum()),
        inner_area_m2=_exact(inner.sum()),
    )


def _exact(value: float) -> Fraction:
    """A measured number to the millionth, exact from there on."""
    return Fraction(round_um(float(value)), 1_000_000)


def bed_areas(outlines: Shapes, runs: Runs, depth_m: float | FloatArray) -> tuple[FloatArray, FloatArray]:
    """Area of each bed, and what of it lies inside the back face of the edging.

    Parameters
    ----------
    outlines : repaired outlines of the beds
    runs : their runs, on the laying line
    depth_m : depth of the edging, of all runs or (r,) of each; half of it lies on the bed's side of
        the laying line

    Returns
    -------
    Two (n,) arrays, square metres on the ground; a bed that is a line has none.

    Notes
    -----
    The inner area is the bed less the strip of ground under its edging, corners mitred: a rectangle
    a by b with its laying line on the outline keeps (a - d)(b - d).  Where the laying line stands more
    than half a depth away from the bed, the strip between outline and edging is not counted.
    """
    beds = _polygons(outlines)
    if not len(beds):
        return np.zeros(0), np.zeros(0)
    offsets = runs.offsets[runs.leg_offsets]
    index = np.repeat(np.arange(len(runs.run_id)), np.diff(offsets))
    strips = np.empty(len(runs.run_id), dtype=object)
    half_m = np.broadcast_to(np.asarray(depth_m, dtype=np.float64) / 2, len(runs.run_id))
    for closed, make in ((True, shapely.linearrings), (False, shapely.linestrings)):
        which = np.flatnonzero(runs.closed == closed)
        take = np.isin(index, which)
        if len(which):
            lines = make(runs.xy[take], indices=np.searchsorted(which, index[take]))
            strips[which] = shapely.buffer(
                lines, half_m[which], cap_style="flat", join_style="mitre", mitre_limit=10.0
            )
    # a strip takes ground from whichever bed lies under it: a shared edge takes from both
    tree = shapely.STRtree(beds)
    strip, bed = tree.query(strips, predicate="intersects")
    inner = beds.copy()
    for b in np.unique(bed):
        inner[b] = shapely.difference(beds[b], shapely.union_all(strips[strip[bed == b]]))
    return shapely.area(beds), shapely.area(inner)


def _polygons(outlines: Shapes) -> ObjectArray:
    """(beds with an area,) their polygons."""
    area = np.flatnonzero(np.isin(outlines.ring_kind, (RingKind.OUTER, RingKind.ISLAND)))
    if not len(area):
        return np.empty(0, dtype=object)
    lengths = np.diff(outlines.ring_offsets)[area]
    starts, ends = outlines.ring_offsets[area], outlines.ring_offsets[area + 1]
    take = np.concatenate([np.append(np.arange(a, b), a) for a, b in zip(starts, ends, strict=True)])
    rings = np.concatenate([[0], np.cumsum(lengths + 1)])
    outer = np.flatnonzero(outlines.ring_kind[area] == RingKind.OUTER)
    parts: ObjectArray = shapely.from_ragged_array(
        shapely.GeometryType.POLYGON, outlines.xy[take], (rings, np.append(outer, len(area)))
    )
    feature = outlines.ring_feature[area][outer]
    _, first, count = np.unique(feature, return_index=True, return_counts=True)
    made = parts[first]
    for k in np.flatnonzero(count > 1):
        made[k] = shapely.multipolygons(parts[first[k] : first[k] + count[k]])
    return made
