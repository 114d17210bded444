"""From the plan to what the map page shows: texts and WGS 84 positions."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from siteplan.errors import Finding
from siteplan.layers import Layer, corners_of_runs, run_lines
from siteplan.laying.order import OrderRow
from siteplan.laying.takeoff import Takeoff
from siteplan.lengths import BedMeasures
from siteplan.model import Features, PieceKind, Shapes
from siteplan.pictures import underlay
from siteplan.plans import RunPlan, laid_length
from siteplan.publish.webmap import (
    CountRow,
    FindingRow,
    MapCorners,
    MapData,
    MapLines,
    MapPicture,
    MapPieces,
    MapShapes,
    MapTapes,
)
from siteplan.sites import Site
from siteplan.types import ObjectArray
from siteplan.units import format_length, format_lengths, um_to_m

KINDS = {
    "section": PieceKind.SECTION,
    "closer": PieceKind.CLOSER,
    "corner": PieceKind.CORNER,
    "end": PieceKind.END,
}

BASIS = {
    "ground": "plan length on the ground",
    "slope": "length on the slope (stations and pieces), drawn in plan",
}

CAUTIONS = (
    "Have buried lines located and marked before anybody digs (in the United States call 811; "
    "29 CFR 1926.651(b)).",
    "Lay sleeves for irrigation and cables before the edging closes. Keep sight lines, drains, root zones, "
    "accessible routes and fire lanes clear.",
    "Cutting masonry makes silica dust: cut wet or follow 29 CFR 1926.1153, Table 1. "
    "Lift heavy units as a team.",
    "A planning aid, not a boundary survey. Local codes and licensed practice govern.",
)


def texts(values: Iterable[str]) -> ObjectArray:
    """Texts as an object array."""
    made: ObjectArray = np.array(list(values), dtype=object)
    return made


class _Lengths:
    """Lengths in the units the site shows."""

    def __init__(self, site: Site) -> None:
        self.unit = site.settings.show.units
        self.denominator = site.settings.show.inch_fraction

    def one(self, length_m: float) -> str:
        return format_length(float(length_m), self.unit, denominator=self.denominator)

    def many(self, length_um: np.ndarray) -> list[str]:
        return format_lengths(length_um.tolist(), self.unit, denominator=self.denominator)


def _shapes(site: Site, features: Features, shapes: Shapes, notes: Iterable[str]) -> MapShapes:
    return MapShapes(
        ids=features.ids,
        texts=texts(notes),
        lonlat=site.frame.wgs84(shapes.xy),
        ring_offsets=shapes.ring_offsets,
        ring_kind=shapes.ring_kind,
        ring_feature=shapes.ring_feature,
    )


def _bed_notes(site: Site, measures: BedMeasures, show: _Lengths) -> list[str]:
    rows = zip(site.beds.names, measures.perimeter_m, measures.area_m2, strict=True)
    return [
        f"{name}\nOutline {show.one(length)}" + (f"\nArea {area:.1f} m²" if area else "")
        for name, length, area in rows
    ]


def _run_notes(plan: RunPlan, result: Takeoff, show: _Lengths) -> list[str]:
    outside, inside = corners_of_runs(plan.runs)
    total = result.run_counts.sum(axis=1)
    return [
        f"{'Closed' if closed else 'Open'} run, ground length {show.one(ground)}"
        f"{'' if np.isnan(slope) else f', slope length {show.one(slope)}'}\n"
        f"{out} outside and {into} inside corners, {pieces} pieces{line}"
        for line, closed, ground, slope, out, into, pieces in zip(
            [f"\n{result.lines[k].name}" if len(result.lines) > 1 else "" for k in result.run_line.tolist()],
            plan.runs.closed,
            plan.lengths.run_ground_m,
            plan.lengths.run_slope_m,
            outside,
            inside,
            total,
            strict=True,
        )
    ]


def _unmet_lines(site: Site, plan: RunPlan, result: Takeoff, show: _Lengths) -> MapLines:
    runs, unmet = plan.runs, result.unmet
    legs = unmet.leg
    counts = np.diff(runs.offsets)[legs]
    offsets = np.concatenate([[0], np.cumsum(counts)])
    take = np.repeat(runs.offsets[:-1][legs] - offsets[:-1], counts) + np.arange(offsets[-1])
    return MapLines(
        ids=runs.leg_id[legs],
        texts=texts(
            f"Short {show.one(short)}: {why}" if short else str(why)
            for short, why in zip(unmet.short_m, unmet.why, strict=True)
        ),
        lonlat=site.frame.wgs84(runs.xy[take]),
        offsets=offsets,
    )


def _corners(site: Site, plan: RunPlan, result: Takeoff) -> MapCorners:
    runs = plan.runs
    outside = runs.corner_turn_deg > 0
    codes = [c.article.code for c in result.corner_units]
    notes = [
        f"{'Outside' if out else 'Inside'} corner, turn {abs(turn):.1f}°\n"
        + (f"{codes[unit]}, leg {leg}" if laid else f"no unit, leg {leg}")
        for out, turn, unit, laid, leg in zip(
            outside,
            runs.corner_turn_deg,
            result.corners.unit,
            result.corner_laid,
            runs.leg_id[runs.corner_leg],
            strict=True,
        )
    ]
    return MapCorners(lonlat=site.frame.wgs84(runs.corner_xy), outside=outside, texts=texts(notes))


def _pieces(site: Site, result: Takeoff, show: _Lengths) -> MapPieces:
    pieces = result.pieces
    starts, ends = show.many(pieces.from_um), show.many(pieces.to_um)
    lengths = show.many(pieces.to_um - pieces.from_um)
    return MapPieces(
        ids=pieces.piece_id,
        kind=pieces.kind,
        code=pieces.code,
        station=texts(f"{a} to {b}" for a, b in zip(starts, ends, strict=True)),
        length=texts(lengths),
        lonlat=site.frame.wgs84(pieces.xy),
        outline_lonlat=site.frame.wgs84(pieces.outline_xy),
        outline_offsets=pieces.outline_offsets,
    )


def _finding_rows(site: Site, findings: tuple[Finding, ...]) -> tuple[FindingRow, ...]:
    """Findings, the ones about a bed with the bed's first vertex as the place."""
    first = {
        bed: site.bed_shapes.ring_offsets[ring]
        for ring, bed in reversed(list(enumerate(site.beds.ids[site.bed_shapes.ring_feature])))
    }
    beds = [f.bed for f in findings]
    at = [first[bed] for bed in beds if bed in first]
    places = iter(site.frame.wgs84(site.bed_shapes.xy[np.array(at, dtype=np.int64)]).tolist() if at else [])
    return tuple(
        FindingRow(
            f.grade,
            f.text if f.bed is None else f"{f.bed}: {f.text}",
            tuple(next(places)) if f.bed in first else None,
        )
        for f in findings
    )


def _tapes(site: Site, layer: Layer | None, show: _Lengths) -> MapTapes | None:
    """The layer of tape differences as the map shows it; None without tapes."""
    if layer is None:
        return None
    columns = layer.columns
    labels, notes = [], []
    for k in range(len(layer)):
        off = float(columns["difference_m"][k])
        label = f"{'+' if off > 0 else ''}{show.one(off)}"
        labels.append(label)
        causes = columns["causes"][k]
        notes.append(
            f"{columns['of'][k]}, read {columns['reading'][k]}\n"
            f"Tape {show.one(columns['taped_m'][k])}, map {show.one(columns['map_m'][k])}\n"
            f"Tape less map {label} ({columns['in_sigmas'][k]:+.1f} sigma)"
            + (f"\n{causes}" if causes else "")
        )
    sign = {"tape longer": 1, "tape shorter": -1, "agree": 0}
    return MapTapes(
        ids=columns["reading_id"],
        texts=texts(notes),
        labels=texts(labels),
        sign=np.array([sign[s] for s in columns["sign"]], dtype=np.int64),
        lonlat=site.frame.wgs84(layer.xy),
        offsets=layer.ring_offsets,
    )


def map_data(
    site: Site,
    measures: BedMeasures,
    plan: RunPlan,
    result: Takeoff,
    order: tuple[OrderRow, ...],
    findings: tuple[Finding, ...],
    *,
    tapes: Layer | None = None,
) -> MapData:
    """Everything the map page shows; ``tapes`` is the layer of tape differences."""
    show = _Lengths(site)
    xy, offsets = run_lines(plan.runs)
    pieces = _pieces(site, result, show)
    several = len(result.lines) > 1
    lines = "; ".join(f"{x.name}, joint gap {show.one(um_to_m(x.gap_nominal_um))}" for x in result.lines)
    return MapData(
        title=site.settings.name,
        basis=(
            f"Lengths: {BASIS[laid_length(site)]}, {site.frame.name}, "
            f"combined factor {site.frame.combined_factor:.8f}",
            f"Product line{'s' if several else ''}: {lines}",
            *((site.settings.note,) if site.settings.note else ()),
        ),
        beds=_shapes(site, site.beds, site.bed_shapes, _bed_notes(site, measures, show)),
        abutments=_shapes(site, site.abutments, site.abutment_shapes, site.abutments.names),
        openings=_shapes(site, site.openings, site.opening_shapes, site.openings.names),
        runs=MapLines(plan.runs.run_id, texts(_run_notes(plan, result, show)), site.frame.wgs84(xy), offsets),
        unmet=_unmet_lines(site, plan, result, show),
        corners=_corners(site, plan, result),
        pieces=pieces,
        counts=tuple(
            CountRow(row.code, row.name, KINDS[row.kind], str(row.takeoff), str(row.order))
            for row in order
            if row.order
        ),
        findings=_finding_rows(site, findings),
        notes=CAUTIONS,
        picture=_picture(site),
        tapes=_tapes(site, tapes, show),
    )


def _picture(site: Site) -> MapPicture | None:
    """The first picture that covers the most beds, for the ground of the map."""
    if site.pictures is None:
        return None
    best = max(site.pictures.pictures, key=lambda p: int(p.covered.sum()))
    copy = underlay(best, site.frame, site.bed_shapes)
    return MapPicture(
        data=copy.data,
        mime=copy.mime,
        bounds=(copy.west, copy.south, copy.east, copy.north),
        text=f"{copy.name}, {copy.pixel_m:.2f} m a pixel here",
    )
