"""The adjustment as data (JSON), as layers for a map, and in words for a terminal."""

from __future__ import annotations

import json
import math
from typing import Any, Final

import numpy as np

from siteplan import __version__
from siteplan.adjust.conditions import UNCONTROLLED
from siteplan.adjust.outcome import Outcome
from siteplan.adjust.placed import beside, picture_data, picture_lines
from siteplan.adjust.site import Adjustment
from siteplan.adjust.snooping import Freed
from siteplan.adjust.together import UNUSUAL, together
from siteplan.layers import Layer
from siteplan.model import RingKind
from siteplan.reconcile.report import Shown
from siteplan.reconcile.tapes import Tapes
from siteplan.sites import Site
from siteplan.types import FloatArray

SCHEMA_VERSION: Final = 1
GLOBAL_CHANCE: Final = 2 * UNUSUAL
"""below this the sum of squares is told as unusual"""
ARROWS: Final = 200
"""movements are drawn this many times as long as they are, so that they can be seen"""
CORNERS: Final = 36
"""of the polygon an ellipse is drawn as"""
NO_BLUNDER: Final = "Nothing is named as grossly wrong."
WORDS: Final = {
    "leg": "the outline at leg", "vertex": "the tracing of vertex", "picture": "the scale of",
    "control": "surveyed point", "shift": "the place of", "turn": "the direction of",
}  # fmt: skip


def _number(value: float, digits: int = 6) -> float | None:
    return round(float(value), digits) if math.isfinite(value) else None


# ---------------------------------------------------------------- words


def freed_text(made: Adjustment, freed: Freed, shown: Shown) -> str:
    """A suspect that was left free, in a sentence or two."""
    k = freed.suspect
    kind, name = str(made.suspects.kind[k]), str(made.suspects.name[k])
    size = _size(made, freed)
    if kind == "reading":
        off = shown(size, sign=True)
        text = f"Reading {name} is left out: it is off by {off}"
    elif kind == "control":
        text = f"Surveyed point {name} is left out: picture and survey are {shown(abs(size))} apart there"
    elif kind == "shift":
        text = f"What was traced from {name} lies {shown(abs(size))} off, far more than was assumed"
        text += "; it is laid out by what was measured alone"
    elif kind == "turn":
        text = (
            f"What was traced from {name} is turned by {abs(math.degrees(size)):.3f} degrees, far more than "
        )
        text += "was assumed"
        text += "; its direction is found by what was measured alone"
    elif kind in ("tape", "picture"):
        scale = _scale(made, kind, name)
        what = "longer than it says" if scale > 0 else "shorter than it says"
        text = f"Tape {name} is {abs(scale) * 1e6:,.0f} ppm {what}"
        if kind == "picture":
            text = f"What was traced from {name} is out of scale by {scale * 1e6:+,.0f} ppm (true less map)"
        text += "; its scale is found from the readings instead of assumed"
    elif kind == "leg":
        way = "long" if size > 0 else "short"
        text = f"The outline is off at leg {name}: as drawn it is {shown(abs(size))} too {way}"
    else:
        text = (
            f"Vertex {name} is traced {shown(abs(size))} from where it is; it is placed by the readings alone"
        )
    text += f" ({math.sqrt(freed.statistic):,.1f} standard deviations)."
    if freed.rivals:
        names = [_named(made, r.suspect) for r in freed.rivals]
        listed = ", ".join(names[:4]) + (f" or {len(names) - 4} more" if len(names) > 4 else "")
        again = (
            "Survey it again, and look at where it is seen"
            if kind in ("control", "shift", "turn")
            else "Tape it again, and look at the outline there"
        )
        text += f" It cannot be told apart from {listed}. {again}."
    return text


def _named(made: Adjustment, suspect: int) -> str:
    kind = str(made.suspects.kind[suspect])
    return f"{WORDS.get(kind, kind)} {made.suspects.name[suspect]}"


def _first_shift(made: Adjustment, freed: Freed) -> int:
    at = 0
    for f in made.freed:
        if f is freed:
            return at
        at += len(f.along)
    raise KeyError(freed.suspect)


def _size(made: Adjustment, freed: Freed) -> float:
    """By how much a suspect is off: its shift, of two the length."""
    first = _first_shift(made, freed)
    shift = made.solution.shift[first : first + len(freed.along)]
    return float(shift[0]) if len(shift) == 1 else float(np.hypot(*shift))


def _scale(made: Adjustment, kind: str, name: str) -> float:
    lay, setup = made.setup.layout, made.setup
    if kind == "tape":
        return float(made.solution.x[lay.first_tape + setup.tape_name.index(name)])
    return float(made.solution.x[lay.first_picture + setup.picture_name.index(name)])


def global_text(made: Adjustment, out: Outcome) -> str:
    """What the sum of squares says, in words."""
    c = made.conditions
    if c.freedom <= 0:
        return "Nothing is left to check the readings by: not enough evidence to say whether they are right."
    usual = f"where about {c.freedom} is usual"
    start = f"{c.freedom} checks are left; the squared residuals add up to {c.chi2:.1f}, {usual}"
    said = together(c, made.setup.settings.alpha, made.setup.settings.power)
    still = " still" if made.freed else ""
    if said.unusual:
        return (
            f"{start} (chance {out.chance:.1g}). The readings together{still} disagree more than they "
            "should: a slip is detected, but cannot be located, or the stated standard deviations are too "
            "small; not enough evidence says what. The results are less certain than printed."
        )
    if said.too_large:
        return (
            f"{start}; as much or more comes by chance in {100 * said.chance:.0f} of 100 sets with nothing "
            f"wrong. There may{still} be a slip that no test by itself shows: it could not be located. Where "
            "much depends on it, tape again what is checked least."
        )
    if not out.chance < GLOBAL_CHANCE:
        return f"{start} (within chance)."
    return (
        f"{start} (chance {out.chance:.1g}): outlines and tapes agree better than their standard deviations "
        "say. These are stated too large, and so are the ones printed here."
    )


def uncontrolled(made: Adjustment, out: Outcome) -> list[str]:
    """Ids of readings nothing checks."""
    r = out.reliability
    lone = (r.redundancy < UNCONTROLLED) & ~r.left_out
    return [made.setup.reading_name[k] for k in np.flatnonzero(lone).tolist()]


def summary_lines(site: Site, tapes: Tapes, made: Adjustment, out: Outcome, used: int) -> list[str]:
    """The adjustment in a few sentences."""
    shown = Shown(site)
    n, fixed = len(made.setup.reading_name), len(made.setup.fixes)
    lines = []
    if used:
        lines.append(
            f"{used} of {len(tapes)} readings are in the outlines already, from an adjustment that was "
            "accepted, and are not used again."
        )
    if not n and not fixed:
        return [*lines, "There is no new reading to adjust the outlines to: nothing changes."]
    what = f"{n} readings" + (f" and {fixed} surveyed point{'s' if fixed > 1 else ''}" if fixed else "")
    lines.append(f"{what} against outlines as drawn ({made.setup.sigma_from}). {global_text(made, out)}")
    told = [freed_text(made, f, shown) for f in made.freed]
    lines += told or [NO_BLUNDER]
    lone = uncontrolled(made, out)
    if lone:
        listed = ", ".join(lone[:8]) + (", ..." if len(lone) > 8 else "")
        lines.append(f"Not checked by anything else, so that a mistake in it would go unseen: {listed}.")
    lines += picture_lines(made, shown)
    scale = made.solution.x[made.setup.layout.first_picture : made.setup.layout.first_tape]
    for name, s in zip(made.setup.picture_name, scale.tolist(), strict=True):
        if abs(s) > 5e-7:
            lines.append(
                f"All that was traced from {name} grows by {s * 1e6:+,.0f} ppm "
                f"({shown(s * 100, sign=True)} in {shown(100.0)})."
            )
    far = np.hypot(*(beside(made, out.site.bed_shapes.xy) - made.setup.drawn).T)
    if len(far):
        k = int(far.argmax())
        within = " within its picture" if made.setup.layout.frames else ""
        lines.append(
            f"Greatest movement{within}: {shown(float(far[k]))}, vertex {made.setup.vertex_name[k]}."
        )
    before, after = float(np.sum(out.run_before_m)), float(np.sum(out.plan.lengths.ground_m))
    lines.append(f"Edging of the whole plan: {shown(before)} as drawn, {shown(after)} adjusted.")
    return [*lines, *(f.text for f in made.findings)]


# ---------------------------------------------------------------- data


def data(site: Site, tapes: Tapes, made: Adjustment, out: Outcome, used: int) -> dict[str, Any]:
    """``adjustment.json`` (schema in docs/adjustment.md)."""
    c, r, setup = made.conditions, out.reliability, made.setup
    runs = made.drawn_runs
    return {
        "schema_version": SCHEMA_VERSION,
        "program": {"name": "siteplan", "version": __version__},
        "site": {"name": site.settings.name},
        "text": summary_lines(site, tapes, made, out, used),
        "readings_used_before": used,
        "test": {
            "chi2": _number(c.chi2, 4),
            "freedom": c.freedom,
            "variance_factor": _number(c.chi2 / c.freedom, 6) if c.freedom > 0 else None,
            "chance": None if math.isnan(out.chance) else out.chance,
            **_together(made),
            "alpha0": setup.settings.alpha,
            "beta0": setup.settings.power,
            "delta0": _number(r.delta0, 4),
            "lambda0": _number(r.delta0**2, 4),
            "steps": made.solution.steps,
            "settled_m": _number(made.settled_m, 9),
        },
        "named": [
            {
                "kind": str(made.suspects.kind[f.suspect]),
                "name": str(made.suspects.name[f.suspect]),
                "off": _number(_size(made, f), 9),
                "statistic": _number(f.statistic, 3),
                "chance": f.chance,
                "text": freed_text(made, f, Shown(site)),
                "not_told_apart_from": [
                    {
                        "kind": str(made.suspects.kind[v.suspect]),
                        "name": str(made.suspects.name[v.suspect]),
                        "correlation": _number(v.correlation, 4),
                    }
                    for v in f.rivals
                ],
            }
            for f in made.freed
        ],
        "scales": [
            {"of": name, "kind": kind, "scale": _number(value, 9), "sigma": _number(sigma, 9)}
            for kind, names, first in (
                ("picture", setup.picture_name, setup.layout.first_picture),
                ("tape", setup.tape_name, setup.layout.first_tape),
            )
            for name, value, sigma in zip(
                names,
                made.solution.x[first : first + len(names)].tolist(),
                _unknown_sigmas(made, first, len(names)).tolist(),
                strict=True,
            )
        ],
        "readings": [
            {
                "id": name,
                "used": not bool(r.left_out[k]),
                "residual_m": _number(made.solution.residual[k]),
                "standardised": _number(r.standardised[k], 3),
                "redundancy": _number(r.redundancy[k], 4),
                "least_detectable_m": _number(r.least_detectable_m[k]),
                "own_effect_m": _number(r.own_effect_m[k]),
                "greatest_effect_m": _number(r.greatest_effect_m[k]),
                "greatest_effect_on": str(runs.leg_id[r.greatest_leg[k]]) if len(runs.leg_id) else None,
            }
            for k, name in enumerate(setup.reading_name)
        ],
        "runs": [
            {
                "run": str(name),
                "before_m": _number(a),
                "after_m": _number(b),
                "sigma_before_m": _number(s),
                "sigma_after_m": _number(t),
            }
            for name, a, b, s, t in zip(
                made.drawn_runs.run_id, out.run_before_m, out.run_after_m, out.run_sigma_before_m,
                out.run_sigma_after_m, strict=True,
            )
        ],
        "vertices": _vertices(made, out),
        **picture_data(made),
        "codes": [
            {
                "line": x.line,
                "code": x.code,
                "name": x.name,
                "takeoff_before": x.takeoff_before,
                "takeoff_after": x.takeoff_after,
                "needed_before": x.needed_before,
                "needed_after": x.needed_after,
                "order_before": x.order_before,
                "order_after": x.order_after,
            }
            for x in out.codes
        ],
        "ellipse_level": site.settings.reconcile.adjust.ellipse,
        "findings": [{"code": f.code, "grade": f.grade, "text": f.text} for f in made.findings],
    }  # fmt: skip


def _together(made: Adjustment) -> dict[str, Any]:
    """The test of all readings together."""
    said = together(made.conditions, made.setup.settings.alpha, made.setup.settings.power)
    return {
        "sum_chance": None if math.isnan(said.chance) else said.chance,
        "sum_alpha": None if math.isnan(said.alpha) else _number(said.alpha),
        "not_locatable": "detected" if said.unusual else "possible" if said.too_large else "",
    }


def data_text(made: dict[str, Any]) -> str:
    """``adjustment.json`` as text."""
    return json.dumps(made, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def _unknown_sigmas(made: Adjustment, first: int, count: int) -> FloatArray:
    from scipy import sparse

    pick = sparse.csr_array(
        (np.ones(count), (np.arange(count), first + np.arange(count))), shape=(count, made.setup.layout.count)
    )
    return np.sqrt(made.spread.variances(pick))


def _vertices(made: Adjustment, out: Outcome) -> list[dict[str, Any]]:
    e = out.ellipses
    return [
        {
            "vertex": made.setup.vertex_name[v],
            "moved_east_m": _number(out.moved[v, 0]),
            "moved_north_m": _number(out.moved[v, 1]),
            "long_m": _number(a),
            "short_m": _number(b),
            "bearing_deg": _number(w, 2),
            "before_m": _number(before),
        }
        for v, a, b, w, before in zip(
            e.vertex.tolist(), e.long_m, e.short_m, e.bearing_deg, e.before_m, strict=True
        )
    ]


# ---------------------------------------------------------------- layers


def layers(made: Adjustment, out: Outcome) -> tuple[Layer, ...]:
    """Layers ``adjustment_moves`` (from where it is drawn, 200 times as long) and ``adjustment_ellipses``."""
    e = out.ellipses
    at = e.vertex
    count = len(at)
    names = np.empty(count, dtype=object)
    names[:] = [made.setup.vertex_name[k] for k in at]
    drawn, moved = made.setup.drawn[at], out.moved[at]
    # a picture as a whole moves too far to be drawn so many times as long
    arrow = ARROWS * (beside(made, out.site.bed_shapes.xy)[at] - drawn)
    columns = {
        "vertex": names,
        "moved_east_m": moved[:, 0],
        "moved_north_m": moved[:, 1],
        "moved_m": np.hypot(moved[:, 0], moved[:, 1]),
        "drawn_times": np.full(count, ARROWS, dtype=np.int64),
    }
    lines = np.stack([drawn, drawn + arrow], axis=1).reshape(-1, 2)
    moves = Layer(
        "adjustment_moves", "LineString", columns, lines, np.arange(count + 1, dtype=np.int64) * 2,
        np.full(count, RingKind.LINE, np.int8), np.arange(count),
    )  # fmt: skip
    turn = np.linspace(0, 2 * np.pi, CORNERS, endpoint=False)
    bearing = np.radians(e.bearing_deg)[:, None]
    along, across = e.long_m[:, None] * np.cos(turn), e.short_m[:, None] * np.sin(turn)
    east = along * np.sin(bearing) - across * np.cos(bearing)
    north = along * np.cos(bearing) + across * np.sin(bearing)
    tip = (drawn + arrow)[:, None, :]
    ring = tip + ARROWS * np.stack([east, north], axis=2)
    about = {
        "vertex": names,
        "long_m": e.long_m,
        "short_m": e.short_m,
        "bearing_deg": e.bearing_deg,
        "drawn_times": np.full(count, ARROWS, dtype=np.int64),
    }
    ellipses = Layer(
        "adjustment_ellipses", "Polygon", about, ring.reshape(-1, 2),
        np.arange(count + 1, dtype=np.int64) * CORNERS,
        np.full(count, RingKind.OUTER, np.int8), np.arange(count),
    )  # fmt: skip
    return moves, ellipses
