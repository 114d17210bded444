"""``summary.json``: the numbers of a plan as plain data (schema in docs/outputs.md)."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np

from siteplan import __version__
from siteplan.errors import Finding
from siteplan.layers import corners_of_runs
from siteplan.laying.order import OrderRow
from siteplan.laying.takeoff import Takeoff
from siteplan.lengths import BedMeasures
from siteplan.phases import PhaseRow, owner_rows, phase_rows, run_owners, run_phases
from siteplan.plans import RunPlan, laid_length
from siteplan.sites import Site

SCHEMA_VERSION = 1
LENGTH_DECIMALS = 6
"""metres are given to the micrometre"""


def _metres(value: float) -> float | None:
    """Metres for JSON; not known is null."""
    return None if not math.isfinite(value) else round(float(value), LENGTH_DECIMALS)


def _um(value: int) -> float:
    return round(int(value) / 1e6, LENGTH_DECIMALS)


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "code": finding.code,
        "grade": finding.grade,
        "bed": finding.bed,
        "vertex": finding.vertex,
        "text": finding.text,
    }


def _leg_rows(plan: RunPlan, result: Takeoff) -> list[dict[str, Any]]:
    runs, fits = plan.runs, result.fits
    codes = [s.article.code for s in result.straights]
    fill = fits.counts.copy()
    for cut in (0, 1):
        cut_legs = np.flatnonzero(fits.cut_from[:, cut] >= 0)
        np.add.at(fill, (cut_legs, fits.cut_from[cut_legs, cut]), 1)
    return [
        {
            "leg": leg_id,
            "ground_m": _metres(ground),
            "slope_m": _metres(slope),
            "rest_m": _um(rest),
            "counts": {code: n for code, n in zip(codes, counts, strict=True) if n},
            "left_over_m": _um(left),
            **({} if moved is None else {"moved_m": _metres(moved)}),
            "cut_m": [_um(c) for c in cuts if c],
            "rule_of_thumb": {"sections": sections, "left_over_m": _um(rule_left)},
        }
        for moved, leg_id, ground, slope, rest, counts, left, cuts, sections, rule_left in zip(
            [None] * len(runs.leg_id) if result.play is None else result.play.moved_m.tolist(),
            runs.leg_id,
            runs.length_m,
            plan.lengths.slope_m,
            result.rest_um.tolist(),
            fill.tolist(),
            fits.left_over_um.tolist(),
            fits.cut_um.tolist(),
            fits.rule_sections.tolist(),
            fits.rule_left_over_um.tolist(),
            strict=True,
        )
    ]


def _run_rows(site: Site, plan: RunPlan, result: Takeoff) -> list[dict[str, Any]]:
    runs, lengths = plan.runs, plan.lengths
    legs = _leg_rows(plan, result)
    outside, inside = corners_of_runs(runs)
    of_run = {"phase": run_phases(site, runs), "owner": run_owners(site, runs)}
    said = {name: values for name, values in of_run.items() if values is not None}
    return [
        {
            "run": run_id,
            "bed": site.beds.ids[runs.bed[k]],
            **({} if runs.course is None else {"course": int(runs.course[k])}),
            "closed": bool(runs.closed[k]),
            "geodesic_m": _metres(lengths.run_geodesic_m[k]),
            "grid_m": _metres(lengths.run_grid_m[k]),
            "ground_m": _metres(lengths.run_ground_m[k]),
            "slope_m": _metres(lengths.run_slope_m[k]),
            "outside_corners": int(outside[k]),
            "inside_corners": int(inside[k]),
            "pieces": result.counts_of_run(k),
            "line": result.lines[result.run_line[k]].key,
            **{name: str(values[k]) for name, values in said.items()},
            "legs": legs[runs.leg_offsets[k] : runs.leg_offsets[k + 1]],
        }
        for k, run_id in enumerate(runs.run_id)
    ]


def _outline_sigma(site: Site) -> list[float]:
    """Standard deviation of the vertices of each bed, NaN where nobody knows."""
    known = site.pictures
    return [math.nan] * len(site.beds) if known is None else known.outline_sigma_m.tolist()


def _heights(site: Site, plan: RunPlan, result: Takeoff) -> dict[str, Any]:
    """Where heights come from, the steepest place, and the steps; nothing for a site without heights."""
    if site.heights is None or plan.ground is None:
        return {}
    runs, ground = plan.runs, plan.ground
    steepest = None
    if len(runs.run_id):
        worst = int(np.argmax(ground.steepest))
        lon, lat = site.frame.wgs84(ground.steepest_xy[worst : worst + 1])[0].tolist()
        grade = round(float(ground.steepest[worst]) * 100, 2)
        steepest = {"run": runs.run_id[worst], "grade_percent": grade, "lon": lon, "lat": lat}
    data: dict[str, Any] = {
        "source": site.heights.describe(),
        "smooth_m": site.heights.smooth_m,
        "slope_by": site.settings.slope_by,
        "steepest": steepest,
    }
    if result.steps is None:
        return {"heights": data}
    steps, pieces = result.steps, result.pieces
    rows = zip(
        steps.run,
        steps.leg,
        steps.station_m,
        steps.before,
        steps.after,
        steps.rise_m,
        steps.too_high,
        strict=True,
    )
    return {
        "heights": {**data, "greatest_step_m": _metres(steps.greatest_m)},
        "steps": [
            {
                "run": runs.run_id[run],
                "leg": runs.leg_id[leg],
                "station_m": _metres(station),
                "after_piece": pieces.piece_id[before],
                "before_piece": pieces.piece_id[after],
                "rise_m": _metres(rise),
                "too_high": bool(high),
            }
            for run, leg, station, before, after, rise, high in rows
        ],
    }


def _courses(plan: RunPlan, result: Takeoff) -> dict[str, Any]:
    """The takeoff by course; nothing for a site of one."""
    course = plan.runs.course
    if course is None:
        return {}
    rows = []
    for number in np.unique(course).tolist():
        counts = result.run_counts[course == number].sum(axis=0)
        pairs = zip(result.codes, counts.tolist(), strict=True)
        rows.append({"course": number, "takeoff": {code: n for code, n in pairs if n}})
    return {"courses": rows}


def _phases(site: Site, plan: RunPlan, result: Takeoff) -> dict[str, Any]:
    """The takeoff by phase and by owner; nothing for a site without them."""
    return {
        **_by_group("phases", "phase", phase_rows(site, plan, result)),
        **_by_group("owners", "owner", owner_rows(site, plan, result)),
    }


def _by_group(key: str, name: str, rows: tuple[PhaseRow, ...]) -> dict[str, Any]:
    if not rows:
        return {}
    return {
        key: [
            {
                name: row.phase,
                "beds": row.beds,
                "runs": row.runs,
                "ground_m": _metres(row.ground_m),
                "takeoff": row.counts,
                "by_kind": row.by_kind,
                "unmet": row.unmet,
            }
            for row in rows
        ]
    }


def _pictures(site: Site) -> dict[str, Any]:
    """Facts of the pictures; nothing for a site without one."""
    if site.pictures is None:
        return {}
    return {
        "pictures": [
            {
                "file": p.name,
                "crs": p.crs_label,
                "columns": p.size[0],
                "rows": p.size[1],
                "bands": p.count,
                "type": p.dtype,
                "gsd_across_m": round(p.gsd_m[0], 6),
                "gsd_down_m": round(p.gsd_m[1], 6),
                "turned_deg": round(p.turned_deg, 4),
                "sheared_deg": round(p.sheared_deg, 4),
                "traced": p.traced,
                "beds_covered": int(p.covered.sum()),
            }
            for p in site.pictures.pictures
        ]
    }


def _play(result: Takeoff) -> dict[str, Any]:
    """Legs moved sideways; nothing where no leg may be moved."""
    play = result.play
    if play is None:
        return {}
    return {
        "play": {
            "play_m": _um(result.rules.play_um),
            "moved_legs": int(np.count_nonzero(play.moved_m)),
            "greatest_m": _metres(play.greatest_m),
            "cuts_before": int(play.cuts_before.sum()),
            "cuts": result.by_kind["cut"],
        }
    }


def summary(
    site: Site,
    measures: BedMeasures,
    plan: RunPlan,
    result: Takeoff,
    order: tuple[OrderRow, ...],
    findings: tuple[Finding, ...],
) -> dict[str, Any]:
    """The plan's numbers as JSON-ready data, schema version 1."""
    frame, runs, unmet = site.frame, plan.runs, result.unmet
    return {
        "schema_version": SCHEMA_VERSION,
        "program": f"siteplan {__version__}",
        "site": {
            "name": site.settings.name,
            "line": site.line.key,
            **({} if result.lines == (site.line,) else {"lines": [x.key for x in result.lines]}),
            "length_basis": site.settings.length_basis,
            "laid_length": laid_length(site),
            "grid": {
                "name": frame.name,
                "unit": frame.unit,
                "combined_factor": frame.combined_factor,
                "why": frame.why,
            },
        },
        "beds": [
            {
                "bed": bed,
                "name": name,
                "area_m2": round(float(area), 6),
                "perimeter_m": _metres(perimeter),
                "outline_sigma_m": _metres(sigma),
            }
            for bed, name, area, perimeter, sigma in zip(
                site.beds.ids,
                site.beds.names,
                measures.area_m2,
                measures.perimeter_m,
                _outline_sigma(site),
                strict=True,
            )
        ],
        "runs": _run_rows(site, plan, result),
        "takeoff": result.counts,
        "by_kind": result.by_kind,
        "order": [
            {
                "code": row.code,
                "name": row.name,
                "line": row.line,
                "takeoff": row.takeoff,
                "cut_pieces": row.cut_pieces,
                "cut_stock": row.cut_stock,
                "for_unmet": row.for_unmet,
                "breakage": row.breakage,
                "spares": row.spares,
                "order": row.order,
                "pack": row.pack,
                "packs": row.packs,
                "singles": row.singles,
                "amount": row.amount,
                "left_over": row.left_over,
            }
            for row in order
            if row.order
        ],
        **_phases(site, plan, result),
        **_courses(plan, result),
        "rule_of_thumb": {
            "sections": result.rule_sections,
            "left_over_m": _um(result.rule_left_over_um),
        },
        "unmet": [
            {"run": runs.run_id[run], "leg": runs.leg_id[leg], "short_m": _metres(short), "why": why}
            for run, leg, short, why in zip(unmet.run, unmet.leg, unmet.short_m, unmet.why, strict=True)
        ],
        "unedged": [
            {"bed": site.beds.ids[bed], "why": why, "other": other, "length_m": _metres(length)}
            for bed, why, other, length in zip(
                plan.unedged.bed, plan.unedged.why, plan.unedged.other, plan.unedged.length_m, strict=True
            )
        ],
        **_heights(site, plan, result),
        **_pictures(site),
        **_play(result),
        "findings": [_finding(f) for f in findings],
    }


def summary_text(data: dict[str, Any]) -> str:
    """``summary.json`` as text: UTF-8, two spaces, keys in the order of the schema."""
    return json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
