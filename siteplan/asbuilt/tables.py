"""The as-built layers and tables: plain columns for GeoPackage, GeoJSON, CSV and the workbook."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

import numpy as np

from siteplan.asbuilt.make import AsBuilt
from siteplan.asbuilt.surveyed import RunSurvey, Surveyed, side_words
from siteplan.layers import KIND_WORDS, Layer, point_layer, run_lines, simple_layer, table, words
from siteplan.laying.order import money_text
from siteplan.model import RingKind
from siteplan.types import FloatArray, ObjectArray


def texts(values: Sequence[Any]) -> ObjectArray:
    """A column of text; None stays None."""
    made = np.empty(len(values), dtype=object)
    made[:] = [None if v is None else str(v) for v in values]
    return made


def moment(seconds: float) -> str | None:
    """A moment as ISO 8601 in UTC; None where there is none."""
    if not np.isfinite(seconds):
        return None
    return datetime.fromtimestamp(seconds, UTC).replace(tzinfo=None).isoformat(timespec="seconds") + "Z"


def asbuilt_layers(built: AsBuilt) -> dict[str, Layer]:
    """Every layer and table by name, in the order they are written."""
    made = [
        _run_layer(built),
        _piece_layer(built),
        *(
            ()
            if built.surveyed is None
            else (_point_layer(built, built.surveyed), _corner_layer(built, built.surveyed))
        ),
        _stray_layer(built),
        *asbuilt_tables(built),
    ]
    return {layer.name: layer for layer in made}


def _run_layer(built: AsBuilt) -> Layer:
    runs, tally, plan = built.plan.runs, built.tally, built.plan
    by_run: dict[int, RunSurvey] = {} if built.surveyed is None else {r.run: r for r in built.surveyed.runs}

    def survey(value: Any) -> FloatArray:
        return np.array([float(value(by_run[r])) if r in by_run else np.nan for r in range(len(runs.run_id))])

    nan = float("nan")
    columns = {
        "run": runs.run_id,
        "bed": built.site.beds.ids[runs.bed],
        "status": run_words(built),
        "pieces": tally.pieces,
        "laid": tally.laid,
        "missing": tally.missing,
        "taken_back": tally.taken_back,
        "not_started": tally.not_started,
        "planned_m": plan.lengths.run_ground_m,
        "laid_m": tally.laid_m,
        "survey_points": tally.seen,
        "mean_mm": survey(lambda r: r.mean_m * 1e3),
        "rms_mm": survey(lambda r: r.rms_m * 1e3),
        "greatest_mm": survey(lambda r: r.greatest_m * 1e3),
        "moved_mm": survey(lambda r: nan if r.shift is None else r.shift.moved_m * 1e3),
        "moved_bearing_deg": survey(
            lambda r: nan if r.shift is None or np.isnan(r.shift.moved_m) else r.shift.bearing_deg
        ),
        "towards_bed_mm": survey(lambda r: nan if r.shift is None else r.shift.towards_bed_m * 1e3),
        "corners": survey(lambda r: r.corners),
        "corners_found": survey(lambda r: r.corners_found),
        "longest_gap_m": survey(lambda r: r.longest_gap_m),
        "surveyed_m": survey(lambda r: r.laid_m),
        "surveyed_planned_m": survey(lambda r: r.planned_m),
    }
    if built.surveyed is None:
        for name in list(columns)[10:]:
            del columns[name]
    xy, offsets = run_lines(runs)
    return simple_layer("asbuilt_runs", "LineString", RingKind.LINE, columns, xy, offsets)


def run_words(built: AsBuilt) -> ObjectArray:
    """(r,) laid, part laid or not started."""
    made: ObjectArray = np.array(["not started", "part laid", "laid"], dtype=object)[built.ticked.run_state]
    return made


def _piece_layer(built: AsBuilt) -> Layer:
    pieces, runs, ticked = built.result.pieces, built.plan.runs, built.ticked
    columns = {
        "piece": pieces.piece_id,
        "run": runs.run_id[pieces.run],
        "leg": runs.leg_id[pieces.leg],
        "kind": words(pieces.kind, KIND_WORDS),
        "code": pieces.code,
        "status": built.status,
        "used": texts([u or None for u in ticked.used]),
        "cut": texts([c or None for c in ticked.cut]),
        "by": texts([built.sheaf.name_of(p) or None for p in ticked.by]),
        "when": texts([moment(s) for s in ticked.first_s]),
        "from_m": pieces.from_um / 1e6,
        "to_m": pieces.to_um / 1e6,
    }
    return simple_layer(
        "asbuilt_pieces", "Polygon", RingKind.OUTER, columns, pieces.outline_xy, pieces.outline_offsets
    )


def _point_layer(built: AsBuilt, survey: Surveyed) -> Layer:
    shots, found, runs = survey.shots, survey.matched, built.plan.runs
    hit = found.run >= 0
    state = np.where(hit, np.where(survey.ambiguous, "ambiguous", "matched"), "matches nothing")
    grid = built.site.frame.grid(shots.xy)
    columns = {
        "point": shots.number,
        "code": shots.code,
        "status": state.astype(object),
        "run": texts([runs.run_id[r] if r >= 0 else None for r in found.run]),
        "leg": texts([runs.leg_id[k] if k >= 0 else None for k in found.leg]),
        "station_m": survey.station_m,
        "offset_mm": found.offset_m * 1e3,
        "side": texts([side_words(o) if h else None for o, h in zip(found.offset_m, hit, strict=True)]),
        "beyond_end_mm": np.where(hit, found.beyond_m * 1e3, np.nan),
        "nearest_run": texts([runs.run_id[r] if r >= 0 else None for r in found.nearest_run]),
        "nearest_m": np.where(np.isfinite(found.nearest_m), found.nearest_m, np.nan),
        "east": grid[:, 0],
        "north": grid[:, 1],
        "file": shots.file,
        "row": shots.row,
    }
    return point_layer("asbuilt_points", columns, shots.xy)


def _corner_layer(built: AsBuilt, survey: Surveyed) -> Layer:
    at = survey.corner_point
    hit = at >= 0
    surveyed = np.isin(survey.corner_run, survey.surveyed_runs)
    off = np.full((len(at), 2), np.nan)
    off[hit] = survey.shots.xy[at[hit]] - survey.corner_xy[hit]
    state = np.where(hit, "found", np.where(surveyed, "missed", "run not surveyed"))
    columns = {
        "corner": survey.corner_name,
        "run": built.plan.runs.run_id[survey.corner_run],
        "status": state.astype(object),
        "point": texts([survey.shots.number[k] if k >= 0 else None for k in at]),
        "off_mm": np.hypot(off[:, 0], off[:, 1]) * 1e3,
        "off_east_mm": off[:, 0] * 1e3,
        "off_north_mm": off[:, 1] * 1e3,
    }
    return point_layer("asbuilt_corners", columns, survey.corner_xy)


def _stray_layer(built: AsBuilt) -> Layer:
    strays = built.ticked.strays
    columns = {
        "piece": texts([s.tick.piece for s in strays]),
        "run": texts([s.tick.run for s in strays]),
        "code": texts([s.tick.used or s.tick.code for s in strays]),
        "from_m": np.array([s.tick.from_um / 1e6 for s in strays]),
        "to_m": np.array([s.tick.to_um / 1e6 for s in strays]),
        "why": texts([s.why for s in strays]),
        "plan": texts([s.plan for s in strays]),
        "file": texts([s.file for s in strays]),
    }
    return point_layer("asbuilt_other_plan", columns, built.ticked.stray_xy)


def asbuilt_tables(built: AsBuilt) -> list[Layer]:
    """Tables without geometry."""
    money = built.bought.order
    digits, runs = money.currency_digits, built.plan.runs

    def value(amount: int | None) -> str | None:
        return None if amount is None else money_text(amount, digits)

    def number(values: Sequence[float | None]) -> FloatArray:
        return np.array([np.nan if v is None else float(v) for v in values])

    stock, rates, taped = built.stock, built.rates, built.taped
    name = built.sheaf.name_of
    return [
        table(
            "asbuilt_stock",
            {
                "code": texts([r.code for r in stock]),
                "name": texts([r.name for r in stock]),
                **{
                    key: np.array([getattr(r, key) for r in stock], dtype=np.int64)
                    for key in ("planned", "laid", "laid_cut", "cut_stock", "elsewhere", "extra", "broken",
                                "used", "delivered")
                },
                "left": number([r.left for r in stock]),
                "used_by_count": number([r.used_by_count for r in stock]),
                "unexplained": number([r.unexplained for r in stock]),
                "used_value": texts([value(r.used_value) for r in stock]),
                "left_value": texts([value(r.left_value) for r in stock]),
                "currency": texts([money.currency if r.price is not None else None for r in stock]),
            },
        ),
        table(
            "asbuilt_rates",
            {
                "run": texts([runs.run_id[r.run] if r.run >= 0 else "all" for r in rates]),
                "pieces": np.array([r.pieces for r in rates], dtype=np.int64),
                "laid_m": number([r.metres for r in rates]),
                "crew_hours": number([r.crew_hours for r in rates]),
                "person_hours": number([r.person_hours for r in rates]),
                "pieces_per_crew_hour": number([r.per_crew_hour(r.pieces) for r in rates]),
                "metres_per_crew_hour": number([r.per_crew_hour(r.metres) for r in rates]),
                "pieces_per_person_hour": number([r.per_person_hour(r.pieces) for r in rates]),
                "metres_per_person_hour": number([r.per_person_hour(r.metres) for r in rates]),
            },
        ),
        table(
            "asbuilt_lengths",
            {
                "of": texts([t.of for t in taped]),
                "what": texts([t.what for t in taped]),
                "as_typed": texts([t.text for t in taped]),
                "laid_m": number([t.laid_m for t in taped]),
                "planned_m": number([t.planned_m for t in taped]),
                "difference_mm": number([t.difference_m * 1e3 for t in taped]),
                "sigma_mm": number([t.sigma_m * 1e3 for t in taped]),
                "sigmas": number([t.sigmas for t in taped]),
                "p_value": number([t.p_value for t in taped]),
                "by": texts([name(t.by) for t in taped]),
            },
        ),
        table(
            "asbuilt_notes",
            {
                "of": texts([f"{n.what} {n.of}".strip() for n in built.sheaf.notes]),
                "text": texts([n.text for n in built.sheaf.notes]),
                "when": texts([moment(n.when.timestamp()) for n in built.sheaf.notes]),
                "by": texts([name(n.by) for n in built.sheaf.notes]),
            },
        ),
        table(
            "asbuilt_findings",
            {
                "code": texts([f.code for f in built.findings]),
                "grade": texts([f.grade for f in built.findings]),
                "bed": texts([f.bed for f in built.findings]),
                "text": texts([f.text for f in built.findings]),
            },
        ),
    ]  # fmt: skip
