"""The report in plain English, and as plain data for a program."""

from __future__ import annotations

import math
import re
from dataclasses import asdict
from typing import Any, Final

from siteplan import crs_database as database
from siteplan.detective.compare import metres, share
from siteplan.detective.evidence import Evidence, Known
from siteplan.detective.report import CrsReport, Hypothesis
from siteplan.geodesy import CrsFacts, crs_facts, web_mercator_factors
from siteplan.units import FOOT_M

OWN_AXES: Final = {"pixels": "columns and rows of a picture", "local": "a drawing's own axes"}
OWN_AXES_EXPLAINED: Final = {
    "pixels": "the numbers are columns and rows of a picture, not places",
    "local": "the numbers count from a corner of the drawing, so they are no place on earth",
}
OWN_AXES_REMEDY: Final = {
    "pixels": "Trace on the georeferenced picture, or export in map coordinates",
    "local": "It needs control points: two points or more of the drawing whose place on earth is known",
}
WHY_SHAPE: Final = {
    "pixels": "columns and rows are small, of one sign, and whole or half numbers",
    "local": "a drawing's own numbers are small",
}
WHY_OWN_UNITS: Final = {
    "pixels": "a pixel may have any size",
    "local": "what was measured against the plain numbers, in metres or feet, whichever is nearer",
}
_SHOWN: Final = 8
QUIET: Final = ("whole numbers",)
"""factors told only where they count against something"""


# --- one explanation --------------------------------------------------------------------


def why(name: str, h: Hypothesis, evidence: Evidence) -> str:
    """The number behind a factor."""
    if name == "place":
        within = evidence.about.within_m if evidence.about else 0.0
        return f"{_km(h.place_km)} from the known place, which is good to {metres(within)}"
    if name == "region":
        return f"in {evidence.region}" if not h.region_km else f"{_km(h.region_km)} outside {evidence.region}"
    if name == "area of use":
        return "inside" if not h.outside_km else f"{_km(h.outside_km)} outside"
    if name == "extent":
        width, height = h.extent_m or (math.nan, math.nan)
        return f"{metres(width)} by {metres(height)}; a site is between 1 m and 20 km"
    if name == "whole numbers":
        return "nearly all numbers are whole or half"
    group, number = name.split()
    if group == "control":
        return f"{metres(h.control_m[int(number) - 1])} from where control point {number} lies"
    return ratio_text(evidence.known[int(number) - 1], h.measured[int(number) - 1], h)


def why_weight(h: Hypothesis, older: bool, declared: bool) -> str:
    """Which weights apply."""
    parts = [h.reading if h.reading == "degrees" else h.name.split(" / ")[-1]]
    if h.code is None and "counted in" in h.name:
        parts.append("a unit without a code")
    if h.swapped:
        parts.append("swapped axes")
    if older:
        parts.append("a datum that is older, or not tied to WGS 84 here")
    if declared:
        parts.append("declared by the file")
    return ", ".join(parts)


def ratio_text(known: Known, measured: float, h: Hypothesis) -> str:
    """What a measured length says of a reading."""
    value = known.length_m if known.area_m2 is None else known.area_m2
    unit = "m" if known.area_m2 is None else "m2"
    if value is None or not math.isfinite(measured):
        return f"{known.name} has no length here"
    ratio = measured / value
    line = ratio if known.area_m2 is None else math.sqrt(ratio)
    head = f"{known.name} is {measured:,.2f} {unit} here, {value:,.2f} {unit} measured: ratio {ratio:.4f}"
    return f"{head}, {ratio_means(line, h.lonlat[1] if h.lonlat else None)}"


def ratio_means(ratio: float, lat_deg: float | None) -> str:
    """What a length of so many times the true one comes from."""
    foot = float(FOOT_M)
    stretch = float(web_mercator_factors(lat_deg)[0]) if lat_deg is not None and abs(lat_deg) < 85 else 1.0
    near = [
        (1.0, "they agree"),
        (1 / foot, "as when feet are read as metres"),
        (foot, "as when metres are read as feet"),
        (stretch, "as when a web map's plane is measured"),
        (1 / stretch, "as when metres are read as a web map's"),
    ]
    value, text = min(near, key=lambda n: abs(math.log(ratio / n[0])) if ratio > 0 else math.inf)
    off = ratio / value - 1
    if abs(off) > 0.03:
        return "which nothing usual explains"
    return text if abs(off) < 0.0005 else f"{text}, within {share(off * 1e6)}"


def explains(h: Hypothesis, facts: CrsFacts, evidence: Evidence) -> str:
    """What went wrong with the file, if this is it."""
    swapped = "the two axes are swapped" if h.swapped else ""
    if evidence.declared is None:
        what = f"the numbers are {_what(h)}"
        return f"{what}, {swapped}" if swapped else what
    said = crs_facts(evidence.declared)
    what = _against(h, facts, said)
    if not what:
        return swapped or "the file is as it says"
    return f"{what}, and {swapped}" if swapped else what


def _what(h: Hypothesis) -> str:
    if h.reading == "degrees":
        return f"longitude and latitude ({h.name})"
    return f"{h.name}, in {h.unit}"


def _against(h: Hypothesis, facts: CrsFacts, said: CrsFacts) -> str:
    """How an explanation differs from what the file declares; empty where it does not."""
    declared = said.label
    if said.code is not None and said.code in h.codes:
        return ""
    if h.reading == "degrees":
        if said.is_projected:
            return f"degrees declared as a grid: the file says {declared}"
        return f"another datum: {facts.datum}, where the file says {said.datum}"
    if said.is_geographic:
        return f"a grid in {h.unit} declared as degrees: the file says {declared}"
    if facts.is_web_mercator:
        return f"the plane of web maps (EPSG:3857), where the file says {declared}"
    return _other_grid(h, facts, said)


def _other_grid(h: Hypothesis, facts: CrsFacts, said: CrsFacts) -> str:
    here, there = database.utm_zone(facts.name), database.utm_zone(said.name)
    same_datum = database.datum_family(facts.name) == database.datum_family(said.name)
    if here is not None and there is not None and here != there:
        (number, half), (wrong, wrong_half) = here, there
        what = (
            f"the wrong hemisphere: UTM zone {number} {half}, where the file says {wrong_half}"
            if number == wrong
            else f"the wrong UTM zone: {number} {half}, where the file says {wrong} {wrong_half}"
        )
        return what if same_datum else f"{what}, on another datum ({facts.datum})"
    if _suffix(facts.name) == _suffix(said.name):
        parts = []
        if h.unit != (said.unit or said.unit_name):
            parts.append(
                f"the wrong unit: counted in {h.unit}, where the file says {said.unit or said.unit_name}"
            )
        if not same_datum:
            parts.append(f"another datum: {facts.datum}, where the file says {said.datum}")
        return ", and ".join(parts)
    return f"another grid: {h.name} in {h.unit}, where the file says {said.label}"


def _suffix(name: str) -> str:
    """Name of the projection, without datum and unit."""
    return re.sub(r" \((?:ftUS|ft|m)\)$", "", name.split(" / ", 1)[-1])


def remedy(h: Hypothesis, evidence: Evidence) -> str:
    """What to do if this is it; never done by itself."""
    if h.swapped:
        first = "longitude" if h.reading == "degrees" else "easting"
        return f"Export it again with {first} first"
    if h.code is None:
        return "Declare the CRS by its text (--json prints it)"
    if evidence.declared is not None and crs_facts(evidence.declared).code in h.codes:
        return "Nothing to mend"
    return f"If you know it to be so: --assume {h.code}"


# --- the verdict --------------------------------------------------------------------------


def verdict(report: CrsReport) -> str:
    """What the list amounts to, in two or three sentences."""
    best, fits = report.best, report.fit_count
    if report.status == "nothing":
        if best.lonlat is None:
            return f"No place on earth explains this. Most likely {best.explains}. {best.remedy}."
        worst = min(best.factors[:-1], key=lambda f: f.value)
        return (
            f"Nothing explains this well. The least bad is {best.code or best.name}; against it: "
            f"{worst.name}, {worst.why}. Check what is known beside the file."
        )
    if report.status == "one":
        return (
            f"Only {best.code or best.name} explains this among {report.looked_at:,} readings; the next is "
            f"more than {report.weights.told_apart:g} times less likely."
        )
    if best.lonlat is None:
        return (
            f"Not decided: {fits} explanations fit, and the likeliest has no place on earth. {_more(report)}"
        )
    if not report.apart or not math.isfinite(report.spread_m):
        return f"Not decided: {fits} explanations fit. {_more(report)}"
    spread = metres(report.spread_m)
    if report.spread_m < 1000:
        return (
            f"The place is clear within {spread}; which of {fits} explanations it is, is not. "
            "Ask whoever made the file, or give what is named below."
        )
    return f"Not decided: {fits} explanations fit, up to {spread} apart. {_more(report)}"


def _more(report: CrsReport) -> str:
    """What would help most, of what was not given."""
    evidence = report.evidence
    if evidence.about is None and evidence.region is None:
        return "Say about where the site lies (--near LON,LAT, or --region)."
    if evidence.about is None:
        return "Say about where the site lies (--near LON,LAT)."
    if not evidence.known:
        return "Give a taped length (--length), or a control point (--control)."
    return "Give a control point (--control), or ask whoever made the file."


# --- lists --------------------------------------------------------------------------------


def _km(value: float | None) -> str:
    return "an unknown distance" if value is None else metres(value * 1000)


def where_text(h: Hypothesis) -> str:
    """Where the site would lie, in which unit, inside or outside of what."""
    if h.lonlat is None:
        return "no place on earth"
    lon, lat = h.lonlat
    parts = [f"in {h.unit}: the site at {lon:.4f}, {lat:.4f}"]
    if h.region:
        parts.append(f"about {h.region}")
    parts.append(
        "inside its area of use" if not h.outside_km else f"{_km(h.outside_km)} outside its area of use"
    )
    if h.place_km is not None:
        parts.append(f"{_km(h.place_km)} from the known place")
    if h.region_km is not None:
        parts.append("inside the region" if h.region_km == 0 else f"{_km(h.region_km)} outside the region")
    return ", ".join(parts)


def one_line(h: Hypothesis) -> str:
    """An explanation in one line, for a refusal."""
    title = h.name if h.code is None else f"{h.code} ({h.name})"
    if h.swapped:
        title += " with the axes swapped"
    others = f" (and {h.alike} other zones or grids of its kind fit alike)" if h.alike else ""
    return f"{title}, {where_text(h)}{others}"


def as_text(report: CrsReport) -> str:
    """The report for people."""
    lines = [report.verdict, ""]
    for h in report.hypotheses:
        lines += _block(h)
    cannot = list(report.apart[:_SHOWN])
    if cannot:
        lines.append("What this evidence cannot tell apart:")
        lines += [f"  {a.first} and {a.second}: {a.text}" for a in cannot]
        lines.append("")
    lines += _rule(report)
    return "\n".join(lines) + "\n"


def _block(h: Hypothesis) -> list[str]:
    title = h.name if h.code is None else f"{h.code}  {h.name}"
    swapped = ", axes swapped" if h.swapped else ""
    mark = "fits" if h.fits else "does not fit"
    lines = [f"{h.rank}. {title}{swapped}   [{_percent(h.share)} of the score, {mark}]"]
    if h.siblings:
        more = f" and {len(h.siblings) - 6} more" if len(h.siblings) > 6 else ""
        lines.append(f"   the same within a metre or two: {', '.join(h.siblings[:6])}{more}")
    if h.alike:
        lines.append(
            f"   {h.alike} other zones or grids of its kind fit alike: their places are not known apart"
        )
    lines.append(f"   {h.explains}")
    if h.lonlat is not None:
        lines.append(f"   {where_text(h)}")
        width, height = h.extent_m or (math.nan, math.nan)
        lines.append(f"   on the ground {metres(width)} by {metres(height)}; made for: {h.area}")
    if h.datum_change:
        lines.append(f"   datum: {h.datum_change}")
    elif h.lonlat is not None and h.datum_accuracy_m is None:
        lines.append("   datum: no published change to WGS 84; the place may be hundreds of metres off")
    factors = "; ".join(
        f"{f.name} {f.value:.3g} ({f.why})" for f in h.factors if f.value != 1 or f.name not in QUIET
    )
    lines += [f"   evidence: {factors}", f"   {h.remedy}", ""]
    return lines


def _percent(value: float) -> str:
    if value < 0.0005:
        return "under 0.1 %"
    return "over 99.9 %" if value > 0.9995 else f"{100 * value:.1f} %"


def _rule(report: CrsReport) -> list[str]:
    w = report.weights
    common = {
        "degrees": w.degrees,
        "other datums": w.degrees_other,
        "UTM": w.utm,
        "survey grids": w.survey_grid,
        "map grids": w.map_grid,
        "web maps": w.web,
        "another unit": w.other_unit,
        "swapped": w.swapped,
        "older datum": w.older_datum,
        "withdrawn": w.withdrawn,
        "pixels": w.pixels,
        "own axes": w.local,
        "at a grid's zero": w.near_zero,
        "declared": w.declared,
    }
    return [
        f"{report.looked_at:,} readings were looked at. The score is the product of the factors above, each",
        "1 for a perfect fit, and of weights that say how common a reading is:",
        ", ".join(f"{name} {value:g}" for name, value in common.items()) + ".",
        "Nothing was applied. A CRS is used only when you say so (--assume, or crs in site.toml).",
    ]


def as_data(report: CrsReport) -> dict[str, Any]:
    """The report for programs: JSON types only, no NaN."""
    return {
        "schema_version": 1,
        "status": report.status,
        "verdict": report.verdict,
        "spread_m": _clean(report.spread_m),
        "looked_at": report.looked_at,
        "hypotheses": [_clean(asdict(h)) for h in report.hypotheses],
        "apart": [_clean(asdict(a)) for a in report.apart],
        "weights": asdict(report.weights),
    }


def _clean(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _clean(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_clean(v) for v in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
