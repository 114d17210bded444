"""``summary.json`` of what was laid: schema version 1, described in docs/as-built.md."""

from __future__ import annotations

import json
from typing import Any, Final

import numpy as np

from siteplan import __version__
from siteplan.asbuilt.make import AsBuilt
from siteplan.asbuilt.surveyed import RunSurvey
from siteplan.asbuilt.tables import moment, run_words

SCHEMA_VERSION: Final = 1


def _number(value: float, decimals: int = 6) -> float | None:
    """A number of JSON; None where it is not known."""
    return round(float(value), decimals) + 0.0 if np.isfinite(value) else None


def asbuilt_data(built: AsBuilt) -> dict[str, Any]:
    """Everything as JSON-ready data."""
    site, order, tally = built.site, built.bought.order, built.tally
    said = site.settings.asbuilt
    change = built.change
    return {
        "schema_version": SCHEMA_VERSION,
        "program": f"siteplan {__version__}",
        "site": {
            "name": site.settings.name,
            "line": ", ".join(line.key for line in built.result.lines),
            "plan": built.digest,
        },
        "rules": {
            "point_within_m": said.point_within / 1e6,
            "corner_within_m": said.corner_within / 1e6,
            "line_within_m": said.line_within / 1e6,
            "survey_sigma_m": said.survey_sigma / 1e6,
            "tick_within_m": said.tick_within / 1e6,
            "tape": said.tape,
        },
        "files": [
            {
                "file": label,
                "plan": file.plan,
                "this_plan": file.plan == built.digest,
                "revision": file.revision,
                "saved": moment(file.saved.timestamp()),
                "phone": file.phone,
                "ticks": len(file.ticks),
            }
            for file, label in zip(built.sheaf.files, built.sheaf.labels, strict=True)
        ],
        "pieces": {
            "planned": int(tally.pieces.sum()),
            "laid": int(tally.laid.sum()),
            "missing": int(tally.missing.sum()),
            "taken_back": int(tally.taken_back.sum()),
            "not_started": int(tally.not_started.sum()),
            "of_another_plan": len(built.ticked.strays),
        },
        "length_m": {
            "planned": _number(built.plan.lengths.run_ground_m.sum()),
            "laid": _number(tally.laid_m.sum()),
        },
        "runs": _runs(built),
        "legs": [
            {"leg": str(name), "status": str(status)}
            for name, status in zip(built.plan.runs.leg_id, built.leg_status, strict=True)
            if status in ("missing", "part laid")
        ],
        "of_another_plan": [
            {"piece": s.tick.piece, "run": s.tick.run, "code": s.tick.code, "plan": s.plan, "why": s.why}
            for s in built.ticked.strays
        ],
        "stock": {
            "currency": order.currency,
            "digits": order.currency_digits,
            "left_value": _sum([r.left_value for r in built.stock if r.rest]),
            "codes": [
                {
                    "code": r.code,
                    "name": r.name,
                    "planned": r.planned,
                    "laid": r.laid,
                    "laid_cut": r.laid_cut,
                    "cut_stock": r.cut_stock,
                    "of_another_plan": r.elsewhere,
                    "extra": r.extra,
                    "broken": r.broken,
                    "used": r.used,
                    "delivered": r.delivered,
                    "left": r.left,
                    "used_by_count": r.used_by_count,
                    "unexplained": r.unexplained,
                    "used_value": r.used_value,
                    "left_value": r.left_value,
                }
                for r in built.stock
            ],
        },
        "rates": [
            {
                "run": None if r.run < 0 else str(built.plan.runs.run_id[r.run]),
                "pieces": r.pieces,
                "laid_m": _number(r.metres),
                "crew_hours": _number(r.crew_hours),
                "person_hours": _number(r.person_hours),
                "pieces_per_crew_hour": _number(r.per_crew_hour(r.pieces)),
                "metres_per_crew_hour": _number(r.per_crew_hour(r.metres)),
                "pieces_per_person_hour": _number(r.per_person_hour(r.pieces)),
                "metres_per_person_hour": _number(r.per_person_hour(r.metres)),
            }
            for r in built.rates
        ],
        "lengths": [
            {
                "of": t.of,
                "as_typed": t.text,
                "laid_m": _number(t.laid_m),
                "planned_m": _number(t.planned_m),
                "difference_m": _number(t.difference_m),
                "sigma_m": _number(t.sigma_m),
                "sigmas": _number(t.sigmas, 3),
                "p_value": float(f"{t.p_value:.3g}"),
            }
            for t in built.taped
        ],
        "survey": _survey(built),
        "change": None
        if change is None
        else {
            "runs_unchanged": sum(x.status == "unchanged" for x in change.runs),
            "runs_changed": sum(x.status in ("changed", "laid anew") for x in change.runs),
            "runs_removed": sum(x.status == "removed" for x in change.runs),
            "delivered_total": change.old.summary.money.total,
            "used_total": change.new.summary.money.total,
        },
        "notes": [{"of": f"{n.what} {n.of}".strip(), "text": n.text} for n in built.sheaf.notes],
        "findings": [
            {"code": f.code, "grade": f.grade, "text": f.text, "bed": f.bed} for f in built.findings
        ],
    }


def _sum(values: list[int | None]) -> int | None:
    """Together; None where one is not known."""
    known = [v for v in values if v is not None]
    return sum(known) if len(known) == len(values) else None


def _runs(built: AsBuilt) -> list[dict[str, Any]]:
    tally, runs = built.tally, built.plan.runs
    return [
        {
            "run": str(runs.run_id[r]),
            "bed": str(built.site.beds.ids[runs.bed[r]]),
            "status": str(status),
            "pieces": int(tally.pieces[r]),
            "laid": int(tally.laid[r]),
            "missing": int(tally.missing[r]),
            "taken_back": int(tally.taken_back[r]),
            "planned_m": _number(built.plan.lengths.run_ground_m[r]),
            "laid_m": _number(tally.laid_m[r]),
        }
        for r, status in enumerate(run_words(built))
    ]


def _survey(built: AsBuilt) -> dict[str, Any] | None:
    survey = built.surveyed
    if survey is None:
        return None
    runs = built.plan.runs
    return {
        "points": len(survey.shots),
        "matched": int((survey.matched.run >= 0).sum()),
        "unmatched": [str(survey.shots.number[k]) for k in survey.unmatched],
        "ambiguous": [str(n) for n in survey.shots.number[survey.ambiguous]],
        "corners_found": int((survey.corner_point >= 0).sum()),
        "corners_missed": [
            str(name)
            for name, run, at in zip(survey.corner_name, survey.corner_run, survey.corner_point, strict=True)
            if at < 0 and run in survey.surveyed_runs
        ],
        "runs": [_run_survey(str(runs.run_id[r.run]), r) for r in survey.runs],
    }


def _run_survey(name: str, r: RunSurvey) -> dict[str, Any]:
    return {
        "run": name,
        "points": r.points,
        "mean_m": _number(r.mean_m),
        "rms_m": _number(r.rms_m),
        "greatest_m": _number(r.greatest_m),
        "greatest_point": r.greatest_point,
        "shift": None
        if r.shift is None
        else {
            "moved_m": _number(r.shift.moved_m),
            "bearing_deg": _number(r.shift.bearing_deg, 3),
            "towards_bed_m": _number(r.shift.towards_bed_m),
            "rest_m": _number(r.shift.rest_m),
            "sigma_m": _number(r.shift.sigma_m),
            "bed_sigma_m": _number(r.shift.bed_sigma_m),
        },
        "corners": r.corners,
        "corners_found": r.corners_found,
        "longest_gap_m": _number(r.longest_gap_m),
        "laid_m": _number(r.laid_m),
        "planned_m": _number(r.planned_m),
    }


def asbuilt_json(built: AsBuilt) -> str:
    """:func:`asbuilt_data` as text."""
    return json.dumps(asbuilt_data(built), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
