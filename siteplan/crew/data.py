"""What the crew page holds: the plan as plain values, packed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from siteplan.crew.fieldfile import FORMAT, LIMITS, LISTS, SAME_PLACE_M, VERSION
from siteplan.crew.packing import LONLAT_UNIT, UNITS_PER_M, Places, affine, bits, packed
from siteplan.crew.picture import CrewPicture
from siteplan.crew.turns import Laid, joint_places, laid_order
from siteplan.crew.words import leg_rows, piece_notes
from siteplan.layers import KIND_WORDS
from siteplan.laying.takeoff import Takeoff
from siteplan.model import NodeKind, Runs, Shapes
from siteplan.phases import bed_phases
from siteplan.planar import ragged
from siteplan.plans import RunPlan, laid_length
from siteplan.publish.mapdata import CAUTIONS
from siteplan.sheets.content import Points, choose_beds, point_words, run_points
from siteplan.sheets.revision import plan_hash, short_hash
from siteplan.sites import Site
from siteplan.takeoffs import laid_plan
from siteplan.types import BoolArray, FloatArray, IntArray, ObjectArray
from siteplan.units import format_length

SCHEMA: Final = 1
"""of the data within the page; the field file has its own"""
BASIS: Final = {
    "ground": "Lengths are plan lengths on the ground",
    "slope": "Lengths are measured along the slope; the map is drawn in plan",
}


@dataclass(frozen=True, slots=True, eq=False)
class CrewPlan:
    """A plan with the parts a crew is sent out with."""

    site: Site
    plan: RunPlan
    result: Takeoff
    revision: str
    chosen: BoolArray
    """(beds,) True where shown in full"""
    runs: IntArray
    legs: IntArray
    laid: Laid
    points: Points
    digest: str
    subject: str

    def show(self, length_m: float) -> str:
        """A length as people read it."""
        said = self.site.settings.show
        return format_length(float(length_m), said.units, denominator=said.inch_fraction)


def crew_plan(
    site: Site,
    plan: RunPlan,
    result: Takeoff,
    *,
    beds: Sequence[str] = (),
    phase: str | None = None,
    revision: str = "",
) -> CrewPlan:
    """Choose what a crew is sent out with.

    Raises
    ------
    UsageError : unknown beds or phase.
    """
    plan = laid_plan(site, plan, result)
    chosen = choose_beds(site, beds, phase)
    runs = np.flatnonzero(chosen[plan.runs.bed])
    names = [str(i) for i in site.beds.ids[chosen]]
    subject = f"phase {phase}" if phase is not None else "whole site"
    if len(names) < len(chosen) and phase is None:
        subject = f"bed {names[0]}" if len(names) == 1 else f"{len(names)} beds"
    return CrewPlan(
        site=site,
        plan=plan,
        result=result,
        revision=revision,
        chosen=chosen,
        runs=runs,
        legs=np.flatnonzero(chosen[plan.runs.bed[plan.runs.leg_run]]),
        laid=laid_order(plan.runs, result, runs),
        points=run_points(plan.runs),
        digest=plan_hash(site, plan, result),
        subject=subject,
    )


def crew_data(crew: CrewPlan, picture: CrewPicture | None = None) -> dict[str, Any]:
    """Everything the page shows, as plain values for JSON."""
    site, runs, pieces = crew.site, crew.plan.runs, crew.result.pieces
    shapes = (site.bed_shapes, site.abutment_shapes, site.opening_shapes)
    places = Places.of(*(s.xy for s in shapes), runs.xy, pieces.outline_xy[_vertices_of(crew)])
    said = site.settings.show
    return {
        "schema": SCHEMA,
        "field": {"format": FORMAT, "version": VERSION, "lists": list(LISTS), "limits": LIMITS,
                  "same_place_m": SAME_PLACE_M},
        "site": site.settings.name,
        "note": site.settings.note,
        "plan": crew.digest,
        "plan_short": short_hash(crew.digest),
        "revision": crew.revision,
        "subject": crew.subject,
        "line": ", ".join(line.key for line in crew.result.lines),
        "lines": [line.name for line in crew.result.lines],
        "units": said.units,
        "inch_fraction": said.inch_fraction,
        "basis": laid_length(site),
        "basis_text": BASIS[laid_length(site)],
        "grid_text": f"Grid: {site.frame.name}, combined factor {site.frame.combined_factor:.8f}",
        "cautions": list(CAUTIONS),
        "lay_from": crew.result.rules.lay_from,
        "depth_um": max(line.depth_um for line in crew.result.lines),
        "per_m": UNITS_PER_M,
        "where": {**_where(crew), "origin": places.origin_m.tolist()},
        "codes": _codes(crew),
        "beds": {**_shapes(site.bed_shapes, places), **_bed_columns(crew)},
        "abutments": {**_shapes(site.abutment_shapes, places), "names": _texts(site.abutments.names)},
        "openings": {**_shapes(site.opening_shapes, places), "names": _texts(site.openings.names)},
        "runs": _runs(crew),
        "legs": {**leg_rows(crew.plan, crew.result, crew.legs, crew.runs), **_lines(crew, places)},
        "points": _points(crew, places),
        "pieces": _pieces(crew, places),
        "picture": None if picture is None else _picture(picture, places),
    }  # fmt: skip


def _texts(values: Any) -> list[str]:
    return [str(v) for v in values]


def _vertices_of(crew: CrewPlan) -> IntArray:
    offsets = crew.result.pieces.outline_offsets
    rows = crew.laid.order
    return ragged(offsets[:-1][rows], np.diff(offsets)[rows])


def _codes(crew: CrewPlan) -> list[dict[str, str]]:
    """Articles of the product lines, each code once, in catalogue order."""
    made: dict[str, dict[str, str]] = {}
    for line in crew.result.lines:
        by_kind = {
            "section": [p.article for p in line.sections],
            "closer": [p.article for p in line.closers],
            "corner": [p.article for p in line.corners],
            "end": [p.article for p in line.ends],
        }
        for kind, articles in by_kind.items():
            for one in articles:
                made.setdefault(one.code, {"code": one.code, "name": one.name, "kind": kind})
    return list(made.values())


def _shapes(shapes: Shapes, places: Places) -> dict[str, str]:
    return {
        "xy": places(shapes.xy),
        "ends": packed(shapes.ring_offsets, "<u4"),
        "kind": packed(shapes.ring_kind, "u1"),
        "of": packed(shapes.ring_feature, "<u4"),
    }


def _bed_columns(crew: CrewPlan) -> dict[str, Any]:
    site = crew.site
    phase = bed_phases(site)
    return {
        "ids": _texts(site.beds.ids),
        "names": _texts(site.beds.names),
        "phases": [] if phase is None else _texts(phase),
        "shown": bits(crew.chosen),
    }


def _runs(crew: CrewPlan) -> dict[str, Any]:
    runs, stations = crew.plan.runs, crew.result.stations
    r = crew.runs
    of_run = np.searchsorted(r, crew.result.pieces.run[crew.laid.order])
    unmet = crew.result.unmet
    here = np.flatnonzero(np.isin(unmet.run, r))
    return {
        "ids": _texts(runs.run_id[r]),
        "bed": runs.bed[r].tolist(),
        "closed": runs.closed[r].tolist(),
        "um": stations.run_um[r].tolist(),
        "line": crew.result.run_line[r].tolist(),
        "gap_um": [crew.result.line_of_run(k).gap_nominal_um for k in r.tolist()],
        "course": [] if runs.course is None else runs.course[r].tolist(),
        "pieces": np.bincount(of_run, minlength=len(r)).tolist(),
        "unmet": [
            {
                "run": int(np.searchsorted(r, unmet.run[k])),
                "leg": str(runs.leg_id[unmet.leg[k]]),
                "short_um": round(float(unmet.short_m[k]) * 1e6),
                "why": str(unmet.why[k]),
            }
            for k in here.tolist()
        ],
    }


def _lines(crew: CrewPlan, places: Places) -> dict[str, str]:
    runs = crew.plan.runs
    counts = np.diff(runs.offsets)[crew.legs]
    return {
        "xy": places(runs.xy[ragged(runs.offsets[:-1][crew.legs], counts)]),
        "ends": packed(np.concatenate([[0], np.cumsum(counts)]), "<u4"),
    }


def _points(crew: CrewPlan, places: Places) -> dict[str, Any]:
    points = crew.points
    rows = np.flatnonzero(np.isin(points.run, crew.runs))
    return {
        "run": np.searchsorted(crew.runs, points.run[rows]).tolist(),
        "letter": _texts(points.letter[rows]),
        "words": [
            point_words(kind, turn)
            for kind, turn in zip(points.kind[rows].tolist(), points.turn_deg[rows].tolist(), strict=True)
        ],
        "corner": _corner_sides(points, rows),
        "xy": places(points.xy[rows]),
    }


def _corner_sides(points: Points, rows: IntArray) -> list[int]:
    """1 at an outside corner, -1 at an inside one, 0 elsewhere."""
    corner = points.kind[rows] == NodeKind.CORNER
    sides: list[int] = np.where(corner, np.sign(points.turn_deg[rows]), 0).astype(int).tolist()
    return sides


def _pieces(crew: CrewPlan, places: Places) -> dict[str, Any]:
    pieces, laid = crew.result.pieces, crew.laid
    rows = laid.order
    leg = np.searchsorted(crew.legs, pieces.leg[rows])
    codes = {c["code"]: k for k, c in enumerate(_codes(crew))}
    lonlat = crew.site.frame.wgs84(pieces.xy[rows]) if len(rows) else np.empty((0, 2))
    first = np.rint(lonlat * LONLAT_UNIT).min(axis=0) if len(rows) else np.zeros(2)
    turned = bool(np.any(pieces.deflection_deg[rows]))
    counts = np.diff(pieces.outline_offsets)[rows]
    start_xy, start_deg = joint_places(crew.plan.runs, crew.result, rows)
    return {
        "ids": _short_ids(pieces.piece_id[rows], crew.plan.runs, pieces.leg[rows]),
        "leg": packed(leg, "<u4"),
        "kind": packed(pieces.kind[rows], "u1"),
        "code": packed([codes[str(c)] for c in pieces.code[rows]], "<u2"),
        "from": packed(pieces.from_um[rows], "<u8"),
        "um": packed((pieces.to_um - pieces.from_um)[rows], "<i4"),
        "gap": packed(_joint_before(crew, pieces.gap_um), "<i4"),
        "left_over": packed(_joint_before(crew, pieces.left_over_um), "<i4"),
        "space": packed(laid.space_um, "<i4"),
        "cut": packed(pieces.cut_um[rows], "<i4"),
        "joint": packed(_tenths(laid.joint_deg), "<i2"),
        "bend": packed(_tenths(laid.bend_deg), "<i2"),
        "heading": packed(_tenths(pieces.heading_deg[rows]), "<i2"),
        "inner": packed(np.rint(_joint_before(crew, pieces.inner_um)), "<i4") if turned else "",
        "outer": packed(np.rint(_joint_before(crew, pieces.outer_um)), "<i4") if turned else "",
        "at": places(pieces.xy[rows]),
        "start": places(start_xy),
        "start_heading": packed(_tenths(start_deg), "<i2"),
        "lonlat": packed(np.rint(lonlat * LONLAT_UNIT - first).astype(np.int64), "<i4"),
        "lonlat_from": [int(v) for v in first],
        "xy": places(pieces.outline_xy[_vertices_of(crew)]),
        "ends": packed(np.concatenate([[0], np.cumsum(counts)]), "<u4"),
        "notes": piece_notes(crew.plan, crew.result, rows, crew.show),
        "words": [KIND_WORDS[k] for k in sorted(KIND_WORDS)],
    }


def _joint_before(crew: CrewPlan, values: Any) -> Any:
    """(p,) a column about the joint before each piece, walking, as the joint before it in laying order.

    Laid backwards, that is the joint of the piece after it; the first of a run has the joint a
    closed run closes with, 0 in an open one.
    """
    rows = crew.laid.order
    if crew.result.rules.lay_from == "start" or not len(rows):
        return np.asarray(values)[rows]
    run = crew.result.pieces.run
    after = np.minimum(rows + 1, len(run) - 1)
    follows = (after != rows) & (run[after] == run[rows])
    return np.asarray(values)[np.where(follows, after, np.searchsorted(run, run[rows]))]


def _tenths(degrees: FloatArray) -> IntArray:
    return np.rint(np.asarray(degrees) * 10).astype(np.int64)


def _short_ids(ids: ObjectArray, runs: Runs, leg: IntArray) -> list[str]:
    """What follows the leg's id and a hyphen; a space and the whole id where that does not hold."""
    made = []
    for text, name in zip(map(str, ids), map(str, runs.leg_id[leg]), strict=True):
        made.append(text[len(name) + 1 :] if text.startswith(f"{name}-") else f" {text}")
    return made


def _where(crew: CrewPlan) -> dict[str, Any]:
    """From WGS 84 degrees to ground metres, for the dot that says where the phone is."""
    frame, xy = crew.site.frame, crew.site.bed_shapes.xy
    low, high = (xy.min(axis=0), xy.max(axis=0)) if len(xy) else (np.zeros(2), np.zeros(2))
    low, high = low - 50.0, high + 50.0
    grid = np.stack(np.meshgrid(*np.linspace(low, high, 4).T), axis=-1).reshape(-1, 2)
    lonlat = frame.wgs84(grid)
    centre = lonlat.mean(axis=0)
    made, miss = affine(lonlat - centre, grid)
    return {"centre": centre.tolist(), "affine": made, "miss_m": round(miss, 3)}


def _picture(picture: CrewPicture, places: Places) -> dict[str, Any]:
    a, b, c, d, e, f = picture.affine
    origin = places.origin_m
    return {
        "url": picture.url,
        "size": list(picture.size),
        "affine": [a, b, c - float(origin[0]), d, e, f - float(origin[1])],
        "text": picture.text,
    }


__all__ = ["CrewPlan", "crew_data", "crew_plan"]
