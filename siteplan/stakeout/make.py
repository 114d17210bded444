"""What is set out of a plan: points, pegs, ties, checks, and what there is to say about them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from siteplan.errors import DataError, Fault, Finding, UsageError
from siteplan.laying.takeoff import Takeoff
from siteplan.phases import choose_beds
from siteplan.plans import RunPlan
from siteplan.sheets.revision import plan_hash
from siteplan.sites import SITE_FILE, Site
from siteplan.stakeout.checks import (
    Check,
    base_checks,
    control_checks,
    diagonal_checks,
    peg_checks,
    point_checks,
)
from siteplan.stakeout.control import (
    Control,
    Levels,
    StakeGrid,
    base_points,
    control_findings,
    control_points,
    levels,
    stake_grid,
)
from siteplan.stakeout.pegs import Pegs, offset_pegs
from siteplan.stakeout.points import Arcs, StakePoints, stake_points
from siteplan.stakeout.ties import OffsetTable, TapeRules, TieTable, best_offsets, best_ties
from siteplan.stakeout.walls import BASE, CONTROL, Faces, HouseCorners, house_corners, is_low, is_roof, solids
from siteplan.takeoffs import laid_plan
from siteplan.tomlfile import nearest
from siteplan.types import BoolArray, ObjectArray
from siteplan.units import FOOT_M, format_length, um_to_m

DEFAULTS_M: Final = {"m": (5.0, 30.0), "ft": (float(20 * FOOT_M), float(100 * FOOT_M))}
"""interval on curves and length of the tape, by the unit that is shown"""


@dataclass(frozen=True, slots=True, eq=False)
class Stakeout:
    """Everything that is set out."""

    site: Site
    plan: RunPlan
    points: StakePoints
    arcs: Arcs
    pegs: Pegs
    control: Control
    corners: HouseCorners
    """what tapes are held to: house corners, then control points, then base points"""
    faces: Faces
    rules: TapeRules
    ties: TieTable
    """of the points, then of their pegs: (2 k,)"""
    offsets: OffsetTable
    levels: Levels | None
    grid: StakeGrid
    checks: tuple[Check, ...]
    digest: str
    chosen: BoolArray
    findings: tuple[Finding, ...]

    def show(self, length_m: float) -> str:
        """A length as people read it."""
        said = self.site.settings.show
        return format_length(float(length_m), said.units, denominator=said.inch_fraction)


def make_stakeout(
    site: Site,
    plan: RunPlan,
    result: Takeoff,
    *,
    grid: str | None = None,
    beds: Sequence[str] = (),
    phase: str | None = None,
) -> Stakeout:
    """Points, pegs, ties and checks of a plan.

    Parameters
    ----------
    site, plan, result : the plan
    grid : code of the grid coordinates are given in; the site's own by default
    beds, phase : only these

    Raises
    ------
    DataError : control points that cannot be, names given twice, a grid only a ballpark leads to.
    UsageError : a grid that does not fit, unknown beds or phase, beds without edging.
    """
    plan = laid_plan(site, plan, result)
    said = site.settings.stakeout
    target = stake_grid(site.frame, grid)
    control = control_points(site)
    interval_m, tape_m = DEFAULTS_M[site.settings.show.units]
    chosen = choose_beds(site, beds, phase)
    if not chosen[plan.runs.bed].any():
        raise UsageError("the beds to stake out have no edging; there is nothing to set out")
    points, arcs = stake_points(
        plan.runs,
        interval_m=_given(said.interval, interval_m),
        straight_interval_m=None if said.straight_interval is None else um_to_m(said.straight_interval),
    )
    points = points.of_runs(chosen[plan.runs.bed])
    pegs = offset_pegs(points, plan.runs, site.abutment_shapes, um_to_m(said.peg_offset))
    base = base_points(site)
    _refuse_doubles(points, control, base)
    corners, faces = house_corners(site.abutments, site.abutment_shapes, said.see_over)
    corners = corners.with_marks(control.name, control.xy, CONTROL).with_marks(base.name, base.xy, BASE)
    rules = TapeRules(
        _given(said.tape_length, tape_m), um_to_m(said.tape_sigma),
        said.least_crossing_deg, said.greatest_crossing_deg,
    )  # fmt: skip
    _refuse_unknown(site)
    walls = _in_the_way(site)
    both = np.concatenate([points.xy, pegs.xy])
    ties = best_ties(both, corners, walls, rules, np.tile(plan.runs.bed[points.run], 2))
    offsets = best_offsets(both, corners, faces, walls, rules, ~ties.tied)
    checks = (
        *control_checks(control), *base_checks(ties, corners), *point_checks(points, plan.runs),
        *peg_checks(points, pegs, plan.runs), *diagonal_checks(points, plan.runs),
    )  # fmt: skip
    made = Stakeout(
        site, plan, points, arcs, pegs, control, corners, faces, rules, ties, offsets,
        levels(site, plan, points, pegs.xy), target, checks, plan_hash(site, plan, result), chosen, (),
    )  # fmt: skip
    return _with_findings(made)


def _given(value_um: int | None, default_m: float) -> float:
    return default_m if value_um is None else um_to_m(value_um)


def _refuse_unknown(site: Site) -> None:
    """Abutments the settings name and the data does not have."""
    known = [str(i) for i in site.abutments.ids]
    faults = []
    for name in site.settings.stakeout.see_over:
        if name not in known:
            like = nearest(name, known)
            hint = f'Did you mean "{like}"?' if like else "Name an abutment of the site"
            what = f'stakeout.see_over: there is no abutment "{name}"'
            faults.append(Fault("unknown-abutment", what, hint, SITE_FILE))
    if faults:
        raise DataError(*faults)


def _in_the_way(site: Site) -> ObjectArray:
    """Abutments no tape is pulled across, as polygons."""
    walls, feature = solids(site.abutment_shapes)
    low = is_low(site.abutments, site.settings.stakeout.see_over)
    made: ObjectArray = walls[~low[feature]]
    return made


def _refuse_doubles(points: StakePoints, control: Control, base: Control) -> None:
    """Two points of one name would be taken for each other in the field."""
    marks = [*map(str, control.name), *map(str, base.name)]
    names = [*map(str, points.name), *(f"{n}-P" for n in points.name), *marks]
    seen: set[str] = set()
    doubles = [n for n in names if n in seen or seen.add(n)]  # type: ignore[func-returns-value]
    if doubles:
        raise DataError(
            *(
                Fault("point-twice", f'two points to stake out are called "{n}"',
                      "Give the control point, or the bed, another name", SITE_FILE)
                for n in doubles[:20]
            )
        )  # fmt: skip


def _with_findings(made: Stakeout) -> Stakeout:
    found = [*control_findings(made.control, made.corners, made.show)]
    found += _peg_findings(made.pegs)
    found += _tape_findings(made)
    found += _height_findings(made)
    if made.grid.accuracy:
        found.append(
            Finding("stakeout-datum", "notice", f"Stakeout coordinates were brought to {made.grid.label}: "
                    f"{made.grid.accuracy}")
        )  # fmt: skip
    return replace(made, findings=tuple(found))


def _few(names: Iterable[Any], most: int = 6) -> str:
    listed = [str(n) for n in names]
    tail = f" and {len(listed) - most} more" if len(listed) > most else ""
    return ", ".join(listed[:most]) + tail


def _peg_findings(pegs: Pegs) -> list[Finding]:
    found = []
    for flag, what in (
        (pegs.in_wall, "would stand inside an abutment"),
        (pegs.in_trench & ~pegs.in_wall, "would stand where another part of the line is dug"),
    ):
        if flag.any():
            found.append(
                Finding("peg-place", "notice", f"{int(flag.sum())} pegs {what}: {_few(pegs.name[flag])}. "
                        "Place these elsewhere and write down the offset ([stakeout] peg_offset sets all).")
            )  # fmt: skip
    return found


def _tape_findings(made: Stakeout) -> list[Finding]:
    found = []
    roofs = is_roof(made.site.abutments)
    if roofs.any():
        found.append(
            Finding("roof-corners", "notice", f"Corners of {int(roofs.sum())} abutments traced as roofs are "
                    "not "
                    "taped from: a roof's corner is not the wall's.")
        )  # fmt: skip
    loose = ~(made.ties.tied | made.offsets.given)
    if loose.any():
        count = int(loose[: len(made.points)].sum())
        found.append(
            Finding("no-tie", "notice", f"{count} of {len(made.points)} points cannot be set out with a tape "
                    f"of {made.show(made.rules.longest_m)} from house corners, marks or walls in sight; they "
                    "need coordinates, or ties from points already set out.")
        )  # fmt: skip
    used = np.unique(np.concatenate([made.ties.first[made.ties.tied], made.ties.second[made.ties.tied]]))
    unsaid = int((~made.corners.said[used]).sum())
    if unsaid:
        found.append(
            Finding("wall-not-said", "notice", f"{unsaid} house corners used for ties come from abutments "
                    "that "
                    "do not say source = wall; make sure that they were not traced from roofs.")
        )  # fmt: skip
    return found


def _height_findings(made: Stakeout) -> list[Finding]:
    if made.levels is None:
        return [
            Finding("no-stake-heights", "notice", "The site has no heights, so the stakeout gives no top "
                    "of edging, no cut and no fill.")
        ]  # fmt: skip
    found = []
    if made.site.settings.slope_by == "step":
        found.append(
            Finding("stake-steps", "notice", "Heights of the stakeout are those of a line that follows the "
                    "ground; the edging steps, see layer steps for where and by how much.")
        )  # fmt: skip
    unknown = int(np.isnan(made.levels.ground_m).sum())
    if unknown:
        found.append(
            Finding("stake-no-ground", "notice", f"{unknown} points have a top of edging but no height of "
                    "the ground, so no cut or fill.")
        )  # fmt: skip
    return found
