"""A plan to its pieces: the exact takeoff with the site's settings, and what there is to say of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely

from siteplan.errors import Finding
from siteplan.laying.lines import lines_in_use, per_run
from siteplan.laying.overlaps import overlaps
from siteplan.laying.slides import face_slides
from siteplan.laying.takeoff import Takeoff, lay
from siteplan.lengths import run_lengths
from siteplan.model import NodeKind, RingKind
from siteplan.own_lines import check_together
from siteplan.planar import linestrings
from siteplan.plans import RunPlan, ground_along, laid_length, lay_rules, per_bed
from siteplan.sites import SITE_FILE, Site
from siteplan.slope import sloped, steps
from siteplan.types import BoolArray
from siteplan.units import format_length, um_to_m


def takeoff(site: Site, plan: RunPlan) -> Takeoff:
    """Pieces and counts of a plan: the exact takeoff with the product lines of its runs.

    Raises
    ------
    DataError : lines of the runs that cannot be told apart, or paid together
    """
    used, _ = lines_in_use(plan.runs, site.lines)
    check_together(used, SITE_FILE)
    fit, rules = site.settings.fit, lay_rules(site)
    on_slope = plan.ground is not None and laid_length(site) == "slope"
    runs = sloped(plan.runs, plan.ground) if on_slope and plan.ground is not None else plan.runs
    held = _held_legs(site, plan) if fit.play else None
    if fit.play and fit.slide_at_walls:
        start, far = face_slides(runs, site.abutment_shapes, um_to_m(fit.play))
        runs = replace(runs, start_slide=start, far_slide=far)
    result = lay(runs, site.beds.ids, site.lines, rules, held=held)
    plan = laid_plan(site, plan, result)
    if plan.ground is None or site.settings.slope_by != "step":
        return result
    greatest = site.settings.heights.step
    if greatest is None:
        half_high_m = per_run(plan.runs, site.lines, lambda line: line.height_um) / 2e6
        return replace(result, steps=steps(plan.runs, result.pieces, plan.ground, half_high_m))
    return replace(result, steps=steps(plan.runs, result.pieces, plan.ground, um_to_m(greatest)))


def laid_plan(site: Site, plan: RunPlan, result: Takeoff) -> RunPlan:
    """The plan with its runs where they are laid.

    Parameters
    ----------
    site, plan, result : the plan as the outlines have it, and its takeoff

    Returns
    -------
    The same plan where no leg was moved; else one with the moved runs, measured again.
    """
    if result.play is None or not result.play.moved_m.any() or plan.runs is result.play.runs:
        return plan
    runs, ground = result.play.runs, plan.ground
    if ground is not None and plan.vertex is not None:
        ground, _ = ground_along(site, runs, plan.outlines, plan.vertex)
    slope_m = None if ground is None else ground.slope_m
    return replace(plan, runs=runs, lengths=run_lengths(site.frame, runs, slope_m=slope_m), ground=ground)


def _held_legs(site: Site, plan: RunPlan) -> BoolArray:
    """(l,) legs that play leaves where they are: at openings, and along edges two beds share."""
    runs, unedged = plan.runs, plan.unedged
    # free ends move with their leg only where a line was drawn to end there
    run_ring, per_ring = runs.ring, np.bincount(runs.ring, minlength=len(plan.outlines.ring_kind))
    whole = (plan.outlines.ring_kind == RingKind.LINE) & (per_ring == 1)
    whole[unedged.ring] = False
    own = whole[run_ring][runs.leg_run]
    held: BoolArray = ~own & ((runs.start_kind == NodeKind.FREE) | (runs.far_kind == NodeKind.FREE))
    shared = np.flatnonzero(unedged.why == "shared")
    if not len(shared) or not len(runs.leg_id):
        return held
    rows, legs = (linestrings(of.xy, of.offsets) for of in (unedged, runs))
    offset = max((abs(int(um)) for um in per_bed(site, "offset", site.settings.outline.offset)), default=0)
    deepest = max(line.depth_um for line in lines_in_use(runs, site.lines)[0])
    near = um_to_m(site.settings.outline.shared_within + offset + deepest)
    found = shapely.STRtree(legs).query(rows[shared], predicate="dwithin", distance=near)
    held[found[1]] = True
    return held


def play_findings(site: Site, plan: RunPlan, result: Takeoff) -> tuple[Finding, ...]:
    """What to say of legs that were moved sideways."""
    play = result.play
    if play is None:
        return ()
    units = site.settings.show.units
    most = f"[fit] play = {format_length(um_to_m(result.rules.play_um), units)}"
    moved = np.flatnonzero(play.moved_m)
    if not len(moved):
        return (Finding("play", "notice", f"No leg was moved sideways: within {most} that saves no cut."),)
    runs = np.unique(plan.runs.leg_run[moved])
    in_runs = np.isin(plan.runs.leg_run, runs)
    saved = int(play.cuts_before[runs].sum()) - result.cuts_in(in_runs)
    met = int(play.unmet_before[runs].sum()) - int(result.fits.unmet[in_runs].sum())
    worst = int(np.argmax(np.abs(play.moved_m)))
    farthest = format_length(play.greatest_m, units)
    side = "away from" if play.moved_m[worst] > 0 else "into"
    gains = [f"{saved} fewer cuts"] * (saved > 0) + [f"{met} more legs met"] * (met > 0)
    return (
        Finding(
            "moved-legs",
            "notice",
            f"{len(moved)} legs in {len(runs)} runs are laid beside the outline's line, within {most}: "
            f"{' and '.join(gains)}. The farthest is {plan.runs.leg_id[worst]}, {farthest} {side} the bed. "
            "Set out the moved line; the table of legs has every movement.",
        ),
    )


def step_findings(result: Takeoff) -> tuple[Finding, ...]:
    """What to say of edging that steps down a slope."""
    steps = result.steps
    if steps is None:
        return ()
    high = int(steps.too_high.sum())
    greatest = format_length(steps.greatest_m)
    found = [
        Finding(
            "steps",
            "notice",
            f"The edging steps down the slope: {len(steps)} steps of at most {greatest} at joints between "
            "level pieces, listed in steps. Pieces are fitted to plan lengths.",
        )
    ]
    if high:
        worst = int(np.argmax(np.where(steps.too_high, np.abs(steps.rise_m), 0.0)))
        limit = format_length(float(steps.limit_m[worst]))
        rise = format_length(abs(float(steps.rise_m[worst])))
        found.append(
            Finding(
                "step-too-high",
                "error",
                f"{high} steps are higher than {limit if len(result.lines) == 1 else 'allowed'}, "
                f"the worst {rise} before piece {result.pieces.piece_id[steps.after[worst]]}: the ground "
                "rises more than that under one piece. Take shorter pieces, follow the slope, or allow a "
                "higher step ([heights] step).",
            )
        )
    return tuple(found)


OVERLAPS_TOLD = 20
"""pairs of runs told of one by one"""


def tight_findings(site: Site, plan: RunPlan, result: Takeoff) -> tuple[Finding, ...]:
    """What to say of neighbours in a run that a fill longer than its leg brings too close together."""
    pieces = result.pieces
    n = len(pieces)
    run_um = result.stations.run_um
    first = np.searchsorted(pieces.run, pieces.run, side="left")
    last = np.searchsorted(pieces.run, pieces.run, side="right") - 1
    begins = np.arange(n) == first
    before = np.where(begins, last, np.arange(n) - 1)
    behind_um = pieces.to_um[before] - np.where(begins, run_um[pieces.run], 0)
    opening = pieces.gap_um + pieces.left_over_um
    # what is over at an end without a joint sticks out there, and nothing is tight
    joint = (pieces.from_um - behind_um == opening) & (~begins | plan.runs.closed[pieces.run])
    least = np.array([x.gap_least_um for x in result.lines])[result.run_line][pieces.run]
    tight = np.flatnonzero(joint & (pieces.left_over_um < 0) & (opening < least))
    if not len(tight):
        return ()
    worst = int(tight[np.argmin((opening - least)[tight])])
    several = len(tight) != 1
    lies = opening[worst] < min(int(least[worst]), 0)
    return (
        Finding(
            "tight-joint",
            "error" if lies else "notice",
            f"{len(tight)} joint{'s are' if several else ' is'} tighter than the least gap of the line, "
            f"{'the worst' if several else 'it is'} {opening[worst] / 1e3:.1f} mm before piece "
            f"{pieces.piece_id[worst]} (least {least[worst] / 1e3:.1f} mm): the fill of leg "
            f"{plan.runs.leg_id[pieces.leg[worst]]} is longer than the leg, and its joints together cannot "
            "take it. Make [fit] over less than its joints can give, or move the outline by as much.",
            bed=str(site.beds.ids[pieces.bed[worst]]),
        ),
    )


def overlap_findings(site: Site, plan: RunPlan, result: Takeoff) -> tuple[Finding, ...]:
    """What to say of pieces that lie on one another: the worst place of every pair of runs.

    Neighbours in a run share ground only where a fill is longer than its leg: their joints are looked
    at one by one.
    """
    pieces, run_id = result.pieces, plan.runs.run_id
    found = overlaps(pieces, plan.runs)
    pair = np.column_stack([pieces.run[found.first], pieces.run[found.second]])
    _, first, count = np.unique(pair, axis=0, return_index=True, return_counts=True)
    told = []
    for at, many in sorted(zip(first.tolist(), count.tolist(), strict=True))[:OVERLAPS_TOLD]:
        a, b = int(found.first[at]), int(found.second[at])
        one = pieces.run[a] == pieces.run[b]
        where = f"Run {run_id[pieces.run[a]]} lies on itself" if one else (
            f"Runs {run_id[pieces.run[a]]} and {run_id[pieces.run[b]]} lie on one another"
        )  # fmt: skip
        told.append(
            Finding(
                "pieces-overlap",
                "error",
                f"{where} in {many} place{'s' if many != 1 else ''}, worst at "
                f"{pieces.piece_id[a]} and {pieces.piece_id[b]} ({found.area_m2[at] * 1e4:.0f} cm²). "
                "The outlines are closer there than the edging is deep: share the edge "
                "(outline.shared_within), skip one run, or move an outline.",
                bed=str(site.beds.ids[pieces.bed[a]]),
            )
        )
    if len(first) > OVERLAPS_TOLD:
        more = f"{len(first) - OVERLAPS_TOLD} more pairs of runs lie on one another."
        told.append(Finding("pieces-overlap", "error", more))
    return (*told, *tight_findings(site, plan, result))
