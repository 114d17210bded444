"""Outlines of a site to its runs, legs and corners: the stages of :mod:`siteplan.outline` put together."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from siteplan.errors import DataError, Fault, Finding
from siteplan.heights import (
    ground_profile,
    profile_findings,
)
from siteplan.laying.bends import Bends, bend_corners
from siteplan.laying.corner_units import CornerWay
from siteplan.laying.courses import with_courses
from siteplan.laying.lay_rules import LayRules
from siteplan.lengths import RunLengths, run_lengths
from siteplan.model import NodeKind, RingKind, Runs, Shapes, Unedged
from siteplan.outline.arrange import take_runs
from siteplan.outline.breaks import BreakRules, find_breaks
from siteplan.outline.breaks_table import Breaks
from siteplan.outline.chosen import RunChoice, check_runs, started, without_skipped
from siteplan.outline.joints import with_movement_joints
from siteplan.outline.refit_runs import tracing_findings
from siteplan.outline.repair import Repaired, repair
from siteplan.outline.rows import with_rows
from siteplan.outline.rules import OutlineRules
from siteplan.outline.runs import build_runs
from siteplan.record import RunNames
from siteplan.run_names import names_of, with_kept_names
from siteplan.sites import SITE_FILE, Site
from siteplan.slope import Profile
from siteplan.types import FloatArray, IntArray
from siteplan.units import um_to_m


@dataclass(frozen=True, slots=True, eq=False)
class RunPlan:
    """Runs, legs and corners of a site, with their lengths and what takes no edging."""

    outlines: Shapes
    """repaired outlines of the beds, bed on the left"""
    runs: Runs
    unedged: Unedged
    lengths: RunLengths
    findings: tuple[Finding, ...]
    ground: Profile | None = None
    """heights along the runs; None where the site has none"""
    bends: Bends | None = None
    """corners a flexible line is bent round; they are no corners of the runs any more"""
    vertex: IntArray | None = None
    """of each vertex of ``outlines`` the vertex as it came, in the features of the beds"""


def per_bed(site: Site, name: str, default: Any) -> list[Any]:
    """A setting for every bed: the bed's own, else its default."""
    own = site.settings.bed
    values = []
    for bed in site.beds.ids:
        value = getattr(own[bed], name) if bed in own else None
        values.append(default if value is None else value)
    return values


def _outline_rules(site: Site) -> OutlineRules:
    s = site.settings.outline
    return OutlineRules(
        corner_turn_deg=s.corner_turn_deg,
        corner_stretch_m=um_to_m(s.corner_stretch),
        straight_within_m=um_to_m(s.straight_within),
        least_run_m=um_to_m(s.least_run),
    )


def _break_rules(site: Site) -> BreakRules:
    s = site.settings.outline
    return BreakRules(
        abut_within_m=um_to_m(s.abut_within),
        abut_least_m=um_to_m(s.abut_least),
        opening_reach_m=um_to_m(s.opening_reach),
        shared_within_m=um_to_m(s.shared_within),
    )


def _priorities(site: Site) -> FloatArray:
    """Priority of each bed: ``site.toml``, else attribute ``priority``, else 0."""
    attribute = site.beds.attributes.get("priority")
    given = per_bed(site, "priority", None)
    made = []
    for k, own in enumerate(given):
        value = own if own is not None else (attribute[k] if attribute is not None else None)
        made.append(float(value) if isinstance(value, (int, float, np.number)) else 0.0)
    return np.array(made)


def _edge_owners(site: Site) -> np.ndarray:
    """(k, 3) two beds and the owner of their shared edge, as indices."""
    index = {bed: k for k, bed in enumerate(site.beds.ids)}
    rows = [(index[e.beds[0]], index[e.beds[1]], index[e.owner]) for e in site.settings.edge_owner]
    return np.array(rows, dtype=np.int64).reshape(-1, 3)


def _opening_widths(site: Site) -> FloatArray:
    """Width of each opening in metres, NaN where it has none."""
    widths = site.openings.attributes.get("width_m")
    if widths is None:
        return np.full(len(site.openings), np.nan)
    return np.array([np.nan if w is None else float(w) for w in widths])


def _corner_overrides(site: Site) -> dict[tuple[str, int], bool]:
    """Bed and vertex number to True (a corner) or False (no corner), whatever the rule says."""
    own = site.settings.bed.items()
    return {
        **{(bed, number): True for bed, said in own for number in said.corners},
        **{(bed, number): False for bed, said in own for number in said.not_corners},
    }


def _without_skipped(site: Site) -> Shapes:
    """Outlines of the beds that are to be edged."""
    shapes = site.bed_shapes
    keep = ~np.array(_skipped(site), dtype=bool)[shapes.ring_feature]
    if keep.all():
        return shapes
    lengths = np.diff(shapes.ring_offsets)
    return replace(
        shapes,
        xy=shapes.xy[np.repeat(keep, lengths)],
        ring_offsets=np.concatenate([[0], np.cumsum(lengths[keep])]),
        ring_kind=shapes.ring_kind[keep],
        ring_feature=shapes.ring_feature[keep],
    )


def _tracing_sigma(site: Site) -> FloatArray:
    """Standard deviation of a traced vertex of each bed, each way; NaN where nobody said."""
    said = site.settings.outline.tracing_sigma
    if said is not None:
        return np.full(len(site.beds), um_to_m(said))
    if site.pictures is not None:
        return site.pictures.outline_sigma_m
    return np.full(len(site.beds), np.nan)


def _kept_vertices(site: Site) -> IntArray:
    """Index, among the vertices as they came, of each vertex of the beds that are to be edged."""
    shapes = site.bed_shapes
    keep = ~np.array(_skipped(site), dtype=bool)[shapes.ring_feature]
    return np.flatnonzero(np.repeat(keep, np.diff(shapes.ring_offsets)))


ENDS = {"free": NodeKind.FREE, "abutted": NodeKind.ABUTTED}


def _with_ends(site: Site, outlines: Shapes, runs: Runs) -> Runs:
    """Runs with the ends of open lines as the settings have them."""
    index = {bed: k for k, bed in enumerate(site.beds.ids)}
    start, far = runs.start_kind.copy(), runs.far_kind.copy()
    line_run = outlines.ring_kind[runs.ring] == RingKind.LINE
    first, last = runs.leg_offsets[:-1], runs.leg_offsets[1:] - 1
    for bed, own in site.settings.bed.items():
        of_bed = np.flatnonzero(line_run & (runs.bed == index[bed]) & ~runs.closed)
        if not len(of_bed):
            continue
        if own.start_end is not None:
            start[first[of_bed[0]]] = ENDS[own.start_end]
        if own.far_end is not None:
            far[last[of_bed[-1]]] = ENDS[own.far_end]
    return replace(runs, start_kind=start, far_kind=far)


def _skipped(site: Site) -> list[bool]:
    """Beds that take no edging: ``site.toml``, or attribute ``skip``."""
    own = site.settings.bed
    attribute = site.beds.attributes.get("skip")
    made = []
    for k, bed in enumerate(site.beds.ids):
        said = own[bed].skip if bed in own and "skip" in own[bed].model_fields_set else None
        value = None if attribute is None else attribute[k]
        made.append(_flag(value) if said is None else said)
    return made


def _flag(value: object) -> bool:
    """An attribute that says yes: true, 1, or ``true``, ``yes``, ``1`` as text."""
    if isinstance(value, str):
        return value.strip().lower() in {"true", "yes", "1"}
    return isinstance(value, (bool, int, float, np.bool_, np.number)) and bool(value == 1)


def run_choices(site: Site) -> dict[str, RunChoice]:
    """What the settings say about single runs, places in ground metres."""
    made = {}
    for name, own in site.settings.run.items():
        start = _place(site, own.start_lonlat, "EPSG:4326")
        if own.start_grid is not None:
            start = _place(site, own.start_grid, site.frame.crs_wkt)
        made[name] = RunChoice(
            skip=own.skip,
            start_leg=own.start_leg,
            start_xy=start,
            pin_xy=_place(site, own.pin_lonlat, "EPSG:4326"),
        )
    return made


def _place(site: Site, at: list[float] | None, crs: str) -> FloatArray | None:
    if at is None:
        return None
    xy: FloatArray = site.frame.ground_xy(np.array([at], dtype=np.float64), crs)[0]
    return xy


def _on_earth(site: Site, fault: Fault) -> Fault:
    """A fault of an outline with its file, and its place where the user can find it."""
    at = np.flatnonzero(site.beds.ids == fault.feature)
    file = str(site.beds.file[at[0]]) if fault.file is None and len(at) else fault.file
    if fault.place_xy is None:
        return replace(fault, file=file)
    (lon, lat), *_ = site.frame.wgs84(np.array([fault.place_xy])).tolist()
    return replace(fault, file=file, what=f"{fault.what} (longitude {lon:.7f}, latitude {lat:.7f})")


def plan_runs(site: Site) -> RunPlan:
    """Runs, legs and corners of every bed, and the stretches that take no edging.

    Raises
    ------
    DataError : outlines that cross themselves, curves too tight for the offset, vertices the
        settings name and the data does not have.
    """
    try:
        return _planned(site)
    except DataError as error:
        raise DataError(*(_on_earth(site, f) for f in error.faults), findings=error.findings) from None


def _planned(site: Site) -> RunPlan:
    """What :func:`plan_runs` returns."""
    outline = site.settings.outline
    repaired, breaks, found = _broken(site)
    offset_m = np.array(per_bed(site, "offset", outline.offset), dtype=np.float64) / 1e6
    runs, unedged, more = _rows(site, repaired, breaks, offset_m)
    choices = run_choices(site)
    check_runs(runs, choices, site.beds.ids, SITE_FILE)
    runs = site.own_lines.of_single_runs(runs)
    runs, unedged = without_skipped(runs, unedged, choices)
    runs, bends = bend_corners(runs, site.lines, tuple(site.settings.corners.by), _corner_by_bed(site))
    runs = started(runs, choices, SITE_FILE)
    runs = _with_movement_joints(site, runs)
    single = runs
    runs, in_courses = _with_courses(site, runs)
    more = (*more, *tracing_findings(runs, site.beds.ids, refit=outline.refit == "arcs"))
    vertex = _kept_vertices(site)[repaired.source]
    ground, told = ground_along(site, runs, repaired.shapes, vertex)
    return RunPlan(
        outlines=repaired.shapes,
        runs=runs,
        unedged=unedged,
        lengths=run_lengths(site.frame, runs, slope_m=None if ground is None else ground.slope_m),
        findings=(
            *repaired.findings,
            *found,
            *more,
            *_bend_findings(site, single, bends),
            *told,
            *in_courses,
        ),
        ground=ground,
        bends=bends,
        vertex=vertex,
    )


def _broken(site: Site) -> tuple[Repaired, Breaks, tuple[Finding, ...]]:
    """Repaired outlines, and where edging breaks off along them."""
    sides = np.array(per_bed(site, "bed_side", site.settings.outline.bed_side), dtype=object)
    repaired = repair(_without_skipped(site), _outline_rules(site), bed_side=sides)
    breaks, found = find_breaks(
        repaired.shapes,
        site.abutment_shapes,
        site.opening_shapes,
        _break_rules(site),
        bed_ids=site.beds.ids,
        edge_owner=_edge_owners(site),
        priority=_priorities(site),
        opening_width_m=_opening_widths(site),
    )
    return repaired, breaks, found


def run_names(site: Site) -> dict[str, RunNames]:
    """What the runs are called, to be kept in the site's record with its next revision.

    Parameters
    ----------
    site : as it is to be kept, or a part of it

    Returns
    -------
    By bed; only beds of which the record does not say it already.

    Raises
    ------
    DataError : as :func:`plan_runs`
    """
    plain = replace(site, settings=site.settings.model_copy(update={"row": []}))
    repaired, breaks, _ = _broken(plain)
    offset_m = np.array(per_bed(site, "offset", site.settings.outline.offset), dtype=np.float64) / 1e6
    runs, _, _ = _rows(plain, repaired, breaks, offset_m)
    kept = {} if site.recorded is None else site.recorded.run_names
    return names_of(runs, site.beds.ids, kept, site.frame)


def _with_kept_names(site: Site, runs: Runs) -> Runs:
    """Runs of the beds' own laying line, called as the site's record has it."""
    if site.recorded is None:
        return runs
    return with_kept_names(runs, site.beds.ids, site.recorded.run_names, site.frame)


def _with_courses(site: Site, runs: Runs) -> tuple[Runs, tuple[Finding, ...]]:
    """Runs of every course, and what to say of joints that stand above each other."""
    said = site.settings.courses
    if said.count == 1:
        return runs, ()
    made, alike = with_courses(
        runs, said.count, site.beds.ids, site.lines, lay_rules(site), _outline_rules(site),
        stagger=said.stagger == "half",
    )  # fmt: skip
    if not alike:
        return made, ()
    return made, (
        Finding(
            "joints-in-line",
            "notice",
            f"{alike} legs of every second course are laid as those below, their joints above each other: "
            "they are mitred, or curves of a rigid line, or no half piece can be had or cut",
        ),
    )


def _with_movement_joints(site: Site, runs: Runs) -> Runs:
    said = site.settings.movement_joints
    if said is None:
        return runs
    every_m = None if said.every is None else um_to_m(said.every)
    return with_movement_joints(runs, every_m, said.width, said.at_buildings, _outline_rules(site))


def _rows(
    site: Site, repaired: Repaired, breaks: Breaks, offset_m: FloatArray
) -> tuple[Runs, Unedged, tuple[Finding, ...]]:
    """Runs of the beds' own laying line and of the rows beside it, and what takes no edging.

    Raises
    ------
    DataError : an offset the outline leaves no room for, of every row
    """
    faults: list[Fault] = []

    def built(offset_m: FloatArray, row: int) -> tuple[Runs, Unedged, tuple[Finding, ...]] | None:
        try:
            runs, unedged, found = build_runs(
                repaired.shapes,
                breaks,
                _outline_rules(site),
                offset_m=offset_m,
                bed_ids=site.beds.ids,
                overrides=_corner_overrides(site),
                number=repaired.number,
                tracing_sigma_m=_tracing_sigma(site),
                refit=site.settings.outline.refit == "arcs",
            )
        except DataError as error:
            faults.extend(f if row == 1 else replace(f, what=f"row {row}: {f.what}") for f in error.faults)
            return None
        if row == 1:
            runs = _with_kept_names(site, runs)
        runs = site.own_lines.of_runs(_with_ends(site, repaired.shapes, runs), row)
        return runs, unedged, found

    own = built(offset_m, 1)
    rows: list[Runs] = []
    found: list[Finding] = []
    for number, row in enumerate(site.settings.row, start=2):
        of_bed = np.ones(len(site.beds), dtype=bool)
        if row.beds is not None:
            of_bed = np.isin(site.beds.ids.astype(str), row.beds)
        # beds without the row keep their own offset, so that no other one is asked of them
        made = built(np.where(of_bed, um_to_m(row.offset), offset_m), number)
        if made is not None:
            rows.append(take_runs(made[0], np.flatnonzero(of_bed[made[0].bed])))
            found += [f for f in made[2] if own is None or f not in own[2]]
    if faults or own is None:
        raise DataError(*dict.fromkeys(faults))
    if not rows:
        return own
    return with_rows(own[0], rows, site.beds.ids), own[1], (*own[2], *found)


def _corner_by_bed(site: Site) -> dict[int, tuple[CornerWay, ...]]:
    """Ways to make the corners of the beds that have their own, by index of the bed."""
    index = {bed: k for k, bed in enumerate(site.beds.ids)}
    return {
        index[bed]: tuple(own.corner_by)
        for bed, own in site.settings.bed.items()
        if own.corner_by is not None and bed in index
    }


def _bend_findings(site: Site, runs: Runs, bends: Bends) -> tuple[Finding, ...]:
    """What the bends of each run come to."""
    run, first, count = np.unique(bends.run, return_index=True, return_counts=True)
    shorter = np.bincount(bends.run, weights=bends.shorter_m)
    away = np.zeros(len(runs.run_id))
    np.maximum.at(away, bends.run, bends.away_m)
    return tuple(
        Finding(
            "bent-corners",
            "notice",
            f"run {runs.run_id[r]}: {n} corner{'s are' if n > 1 else ' is'} bent round with a radius of "
            f"{bends.radius_m[at]:.3f} m: the run is {shorter[r]:.3f} m shorter and stays "
            f"up to {away[r]:.3f} m from its corners",
            bed=str(site.beds.ids[runs.bed[r]]),
        )
        for r, at, n in zip(run.tolist(), first.tolist(), count.tolist(), strict=True)
    )


def ground_along(
    site: Site, runs: Runs, outlines: Shapes, vertex: IntArray
) -> tuple[Profile | None, tuple[Finding, ...]]:
    """Heights along the runs, and what to say about them."""
    if site.heights is None:
        return None, ()
    ground = ground_profile(
        site.heights, site.frame, runs, outlines=outlines, vertex=vertex, bed_ids=site.beds.ids
    )
    return ground, profile_findings(site.heights, site.frame, runs, ground, site.beds.ids)


def laid_length(site: Site) -> str:
    """Which length the pieces are fitted to: ``slope`` or ``ground``."""
    follows = site.settings.length_basis == "slope" and site.settings.slope_by == "follow"
    return "slope" if follows else "ground"


def lay_rules(site: Site) -> LayRules:
    """How legs are filled and laid, as the settings say."""
    fit = site.settings.fit
    return LayRules(
        prefer=fit.prefer,
        closer_limit=fit.closers_per_leg,
        fit_short_um=fit.short,
        fit_over_um=fit.over,
        lay_from=fit.lay_from,
        make_up=fit.make_up,
        play_um=fit.play,
        fair_within_um=site.settings.outline.straight_within,
        corner_by=tuple(site.settings.corners.by),
        corner_by_bed=tuple((str(site.beds.ids[b]), ways) for b, ways in _corner_by_bed(site).items()),
    )
