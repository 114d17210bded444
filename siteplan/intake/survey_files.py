"""Survey points and field notes as inputs: told from other text by their first line, laid on the map."""

from __future__ import annotations

import re
from pathlib import PurePosixPath
from typing import Final, Literal

import numpy as np

from siteplan.errors import DataError, Fault, Finding
from siteplan.fieldnotes.columns import match_columns
from siteplan.fieldnotes.notes import Notes, notes_of
from siteplan.fieldnotes.statements import VERBS
from siteplan.fieldnotes.strings import CHORD_TOLERANCE_M, densify
from siteplan.fieldnotes.survey import LOCAL, OutlineVertices, Survey, survey_of
from siteplan.fieldnotes.tables import decode
from siteplan.intake.crs import missing_crs_fault
from siteplan.intake.drawn import Drawn, large_arcs, table_of, taken
from siteplan.intake.paths import file_fault, listed
from siteplan.intake.placing import ANCHOR_REMEDY, anchored, z_in_crs
from siteplan.intake.source import AnchorPoint, Source, Table, unused_keys
from siteplan.intake.vertex_values import numbers_text
from siteplan.types import BoolArray, FloatArray, ObjectArray
from siteplan.units import Unit

TEXT_SUFFIXES: Final = frozenset({".csv", ".tsv", ".txt"})
_UNITS: Final[dict[str, Unit]] = {"m": "m", "ft": "ft", "ftUS": "ftUS"}
_HEAD: Final = 8192
TextKind = Literal["survey", "notes", "features"]


def text_kind(data: bytes, name: str) -> TextKind | None:
    """What a text file is, by its first line that is no comment.

    Returns
    -------
    ``survey`` : a header that names coordinates; in a ``.csv`` or ``.tsv``, any header else
    ``notes`` : a header whose first column is ``do``, or a first word of the notes' grammar
    ``features`` : a table with a column ``WKT``, which the reading library takes
    None : a ``.txt`` that is none of them
    """
    head = data[:_HEAD].decode("utf-8-sig", errors="replace")
    first = next((s for line in head.splitlines() if (s := line.strip()) and not s.startswith("#")), "")
    cells = tuple(c.strip().strip('"') for c in re.split(r"[\t;|,]", first))
    if cells[0].lower() == "do":
        return "notes"
    if any(c.lower() == "wkt" for c in cells):
        return "features"
    place = match_columns(cells, None, name)[0].place
    if {"easting", "northing"} <= set(place) or {"lon", "lat"} <= set(place):
        return "survey"
    if cells[0].split(" ")[0].lower() in VERBS:
        return "notes"
    return None if PurePosixPath(name).suffix.lower() == ".txt" else "survey"


def read_text_file(data: bytes, name: str, label: str, source: Source) -> Table:
    """Outlines of a survey file or of field notes.

    Raises
    ------
    DataError : every fault of the file; a text that is neither
    """
    kind = text_kind(data, name)
    text = decode(data, label)
    # numbers beyond what a float holds are told as faults, once every other fault has been looked for
    with np.errstate(invalid="ignore", over="ignore"):
        if kind == "survey":
            return _read_survey(text, label, source)
        if kind == "notes":
            table = PurePosixPath(name).suffix.lower() in (".csv", ".tsv")
            return _read_notes(text, label, source, table=table)
    raise file_fault(
        "not-a-known-format",
        "the text is neither survey points (a header that names point, easting, northing) nor field notes "
        f"(lines that begin with one of {', '.join(VERBS)})",
        "See docs/survey-points.md and docs/field-notes.md",
        label,
    )


# -- survey points -------------------------------------------------------------


def _read_survey(text: str, label: str, source: Source) -> Table:
    reading = source.reading
    faults = unused_keys(source, "survey file", label)
    unit, wrong = _unit(reading.unit, "unit", label)
    height_unit, more = _unit(reading.height_unit, "height_unit", label)
    faults += wrong + more
    anchors = reading.anchor or ()
    declared = source.crs
    if declared is None:
        raise DataError(*faults, *_survey_without_crs(text, label, source, unit))
    local = bool(anchors) or declared.strip().lower() == LOCAL
    if local and declared.strip().lower() == LOCAL:
        faults.append(_needs_map_crs(label))
    try:
        survey = survey_of(
            text, label, crs=LOCAL if local else declared, unit=unit, height_unit=height_unit,
            columns=reading.columns,
        )  # fmt: skip
    except DataError as error:
        raise DataError(*faults, *error.faults) from None
    faults += _no_outlines(survey, label)
    tolerance_m = reading.chord_tolerance_m or CHORD_TOLERANCE_M
    faults += large_arcs(survey.outlines, tolerance_m / survey.metres_per_unit, label)
    if faults:
        raise DataError(*faults)
    made = survey.vertices(tolerance_m)
    coords, findings = made.coords, list(survey.findings)
    if local:
        metres = survey.metres_per_unit
        coords, told = _laid(coords * metres, anchors, declared, metres, label, source)
        findings += told
    codes = _outline_codes(survey)
    drawn = Drawn(
        coords=coords,
        z=z_in_crs(_heights(survey, made), declared),
        offsets=made.offsets,
        closed=made.closed,
        names=survey.outlines.names,
        attributes={"id": survey.outlines.names, "code": codes},
        vertex={"radius_m": numbers_text(made.radius_m)},
    )
    keep = _picked(codes, source, "code", label)
    return table_of(
        taken(drawn, keep), label, crs=None, crs_source="none", findings=findings, nested=reading.nested
    )


def _unit(text: str | None, key: str, label: str) -> tuple[Unit | None, list[Fault]]:
    """A unit surveys come in."""
    if text is None or text in _UNITS:
        return (_UNITS[text] if text is not None else None), []
    return None, [
        Fault(
            "bad-unit", f'{key} = "{text}": survey coordinates are in m, ft or ftUS', "State one", file=label
        )
    ]


def _needs_map_crs(label: str) -> Fault:
    return Fault(
        "not-anchored",
        'the coordinates are on axes of the site\'s own (crs = "local")',
        ANCHOR_REMEDY,
        file=label,
    )


def _survey_without_crs(text: str, label: str, source: Source, unit: Unit | None) -> list[Fault]:
    """The fault of a survey without a CRS, with what its numbers look like, and every other fault of it."""
    columns = source.reading.columns
    try:
        survey = survey_of(text, label, crs=LOCAL, unit=unit or "m", columns=columns)
    except DataError as error:
        others = [f for f in error.faults if f.code not in ("crs-contradicts", "no-crs")]
        return [missing_crs_fault(label, np.empty((0, 2)), ANCHOR_REMEDY), *others]
    return [
        missing_crs_fault(label, survey.points.coords, ANCHOR_REMEDY, whereabouts=source.whereabouts),
        *_no_outlines(survey, label),
    ]


def _no_outlines(survey: Survey, label: str) -> list[Fault]:
    if len(survey.outlines):
        return []
    return [
        Fault(
            "no-outlines",
            f"the file has {len(survey.points)} points but no outline among them",
            "Add the columns line and seq: which outline a point is of, and its place in it; see "
            "docs/survey-points.md",
            file=label,
        )
    ]


def _laid(
    xy_m: FloatArray, anchors: tuple[AnchorPoint, ...], crs: str, metres: float, label: str, source: Source
) -> tuple[FloatArray, tuple[Finding, ...]]:
    """Local metres laid on the map by the anchor points of ``site.toml``."""
    return anchored(
        xy_m,
        [a.name or f"anchor {k}" for k, a in enumerate(anchors, 1)],
        np.array([a.file for a in anchors], dtype=np.float64).reshape(-1, 2) * metres,
        np.array([a.map for a in anchors], dtype=np.float64).reshape(-1, 2),
        crs=crs,
        height_m=source.height_m,
        label=label,
    )


def _outline_codes(survey: Survey) -> ObjectArray:
    """Code of the first surveyed point of each outline, None where it has none."""
    out = np.empty(len(survey.outlines), object)
    cuts = survey.outlines.offsets
    for k in range(len(out)):
        points = survey.node_point[cuts[k] : cuts[k + 1]]
        known = points[points >= 0]
        out[k] = str(survey.points.code[known[0]]) or None if len(known) else None
    return out


def _picked(values: ObjectArray, source: Source, what: str, label: str) -> BoolArray:
    """Which outlines have one of the names asked for.

    Raises
    ------
    DataError : a name that is not there, with those that are
    """
    wanted = source.reading.layers
    if wanted is None:
        return np.ones(len(values), np.bool_)
    folded = [None if v is None else str(v).casefold() for v in values]
    has = list(dict.fromkeys(str(v) for v in values if v is not None))
    faults = [
        Fault(
            "layer-not-found",
            f'no outline has the {what} "{name}"; there are {listed(has) or "none"}',
            "Name one of these in layers",
            file=label,
        )
        for name in wanted
        if name.casefold() not in folded
    ]
    if faults:
        raise DataError(*faults)
    asked = {name.casefold() for name in wanted}
    return np.array([f in asked for f in folded], dtype=np.bool_)


def _heights(survey: Survey, made: OutlineVertices) -> FloatArray:
    """Height of each vertex in metres: surveyed, or between its surveyed neighbours along the outline.

    Where a surveyed point of an outline has no height, nothing is filled in on that outline.
    """
    z = np.where(made.point >= 0, survey.points.height_m[made.point], np.nan)
    known = made.point >= 0
    for k in range(len(made.closed)):
        a, b = int(made.offsets[k]), int(made.offsets[k + 1])
        inside, part = known[a:b], z[a:b]
        if inside.all() or not inside.any() or np.isnan(part[inside]).any():
            continue
        xy = made.coords[a:b]
        ring = np.vstack([xy, xy[:1]]) if made.closed[k] else xy
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ring, axis=0).T))])
        at = along[: b - a]
        period = float(along[-1]) if made.closed[k] else None
        part[~inside] = np.interp(at[~inside], at[inside], part[inside], period=period)
    return z


# -- field notes ---------------------------------------------------------------


def _read_notes(text: str, label: str, source: Source, *, table: bool) -> Table:
    reading = source.reading
    faults = unused_keys(source, "file of field notes", label)
    try:
        notes = notes_of(text, label, table=table)
    except DataError as error:
        raise DataError(*faults, *error.faults) from None
    faults += large_arcs(notes.outlines, reading.chord_tolerance_m or CHORD_TOLERANCE_M, label)
    own, given = notes.anchors.crs is not None, bool(reading.anchor)
    if own and given:
        faults.append(
            Fault(
                "anchored-twice",
                "anchor points are given both in the notes and in site.toml",
                "Take one of the two away",
                file=label,
            )
        )
    elif not own and not given:
        faults.append(
            Fault(
                "not-anchored",
                "the notes do not say where on the map they lie",
                "Write in the notes: crs EPSG:..., and two or more lines: anchor NAME, east ..., "
                "north ...; or: " + ANCHOR_REMEDY,
                file=label,
            )
        )
    elif given and source.crs is None:
        faults.append(
            missing_crs_fault(
                label, np.array([a.map for a in reading.anchor or ()]), "It is that of the map points"
            )
        )
    if faults:
        raise DataError(*faults)
    crs = notes.anchors.crs or source.crs or ""
    coords, findings, radius, drawn_offsets = _laid_notes(notes, crs, label, source)
    drawn = Drawn(
        coords=coords,
        z=np.full(len(coords), np.nan),
        offsets=drawn_offsets,
        closed=notes.outlines.closed,
        names=notes.outlines.names,
        attributes={"id": notes.outlines.names},
        vertex={"radius_m": numbers_text(radius)},
    )
    keep = _picked(notes.outlines.names, source, "name", label)
    return table_of(
        taken(drawn, keep), label,
        crs=notes.anchors.crs, crs_source="file" if own else "none",
        findings=[*notes.findings, *findings], nested=reading.nested,
    )  # fmt: skip


def _laid_notes(
    notes: Notes, crs: str, label: str, source: Source
) -> tuple[FloatArray, tuple[Finding, ...], FloatArray, np.ndarray]:
    """Vertices of notes in the CRS of their anchor points, with the radius of each chord's arc."""
    made = densify(notes.outlines, source.reading.chord_tolerance_m or CHORD_TOLERANCE_M)
    if source.reading.anchor:
        coords, findings = _laid(made.xy, source.reading.anchor, crs, 1.0, label, source)
    else:
        a = notes.anchors
        coords, findings = anchored(
            made.xy, [str(n) for n in a.names], a.local_xy, a.coords,
            crs=crs, height_m=source.height_m, label=label,
        )  # fmt: skip
    return coords, findings, made.radius, made.offsets
