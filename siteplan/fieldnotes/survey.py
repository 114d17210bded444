"""Survey points from a text file with columns, and the outlines their linework makes.

The CRS and the unit are declared by whoever calls, never guessed: the same numbers in
international and US survey feet lie metres apart.  See docs/survey-points.md.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from siteplan.errors import DataError, Fault, Finding
from siteplan.fieldnotes.columns import Columns, coordinate_faults, match_columns
from siteplan.fieldnotes.linework import CURVES, NO, YES, LineRow, build_lines
from siteplan.fieldnotes.strings import CHORD_TOLERANCE_M, ArcStrings, densify
from siteplan.fieldnotes.tables import TextTable, number_of, read_table, read_text, rows_text
from siteplan.geodesy import CrsFacts, crs_facts, project, unproject
from siteplan.types import BoolArray, FloatArray, IntArray, ObjectArray, OffsetArray, XYArray
from siteplan.units import METRES, Unit

LOCAL: Final = "local"
"""Declared in place of a CRS for axes of the site's own; the unit must be stated then."""
FAR_TIMES: Final = 10.0
"""A point this many times further from the middle of the survey than half of the points are."""
GREATEST_COORDINATE: Final = 1.5e8
"""No grid on earth has greater coordinates: its circumference is 1.3e8 ft."""
RESTART_ROWS: Final = 10
"""Rows in a row that count up by one through numbers used before: a second job in the file."""
_WHOLE: Final = re.compile(r"\d{1,9}")


@dataclass(frozen=True, slots=True, eq=False)
class SurveyPoints:
    """All points of a file, used in an outline or not.  p points, in the order of the file."""

    number: ObjectArray
    """(p,) str"""
    coords: FloatArray
    """(p, 2) easting or longitude first, in the declared CRS"""
    height_m: FloatArray
    """(p,) NaN where the file has none"""
    code: ObjectArray
    """(p,) str, empty where the file has none"""
    row: IntArray
    """(p,) line of the file, from 1"""
    used: BoolArray
    """(p,) part of an outline"""
    far: BoolArray
    """(p,) far from all others: see :func:`far_points`"""

    def __len__(self) -> int:
        return len(self.number)


@dataclass(frozen=True, slots=True, eq=False)
class OutlineVertices:
    """Outlines as vertices in the declared CRS.  n outlines, m vertices."""

    coords: FloatArray
    """(m, 2)"""
    offsets: OffsetArray
    """(n + 1,)"""
    closed: BoolArray
    """(n,) the first vertex is not repeated"""
    radius_m: FloatArray
    """(m,) exact radius of the arc the chord leaving the vertex belongs to, left positive, inf
    where straight"""
    point: IntArray
    """(m,) survey point at the vertex, -1 where it was computed"""


@dataclass(frozen=True, slots=True, eq=False)
class Survey:
    """A survey file: its points, its outlines, and how they were read."""

    points: SurveyPoints
    outlines: ArcStrings
    """in ``plane``: exact lines and arcs"""
    node_point: IntArray
    """survey point of each node of ``outlines``, -1 where computed"""
    crs: str
    """as declared; ``local`` for axes of the site's own"""
    plane: str | None
    """CRS of the plane the arcs were made in where it is not the declared one (longitude and
    latitude, web Mercator): a transverse Mercator in metres on the middle of the survey"""
    metres_per_unit: float
    """of the plane"""
    columns: dict[str, str]
    """meaning to column name, as found"""
    delimiter: str
    findings: tuple[Finding, ...]

    def vertices(self, tolerance_m: float = CHORD_TOLERANCE_M) -> OutlineVertices:
        """Outlines as vertices in the declared CRS, chords within a tolerance of the arcs."""
        made = densify(self.outlines, tolerance_m / self.metres_per_unit)
        coords = made.xy
        if self.plane is not None:
            coords = project(self.crs, unproject(self.plane, made.xy))
        first = np.concatenate([[True], made.edge[1:] != made.edge[:-1]])[: len(made.edge)]
        point = np.where(first, self.node_point[made.edge], -1)
        known = point >= 0
        # a surveyed point keeps its own digits, whatever way the arcs beside it went
        coords = coords.copy()
        coords[known] = self.points.coords[point[known]]
        return OutlineVertices(
            coords=coords,
            offsets=made.offsets,
            closed=made.closed,
            radius_m=made.radius * self.metres_per_unit,
            point=point,
        )


def read_survey(
    path: Path,
    *,
    crs: str | None,
    unit: Unit | None = None,
    height_unit: Unit | None = None,
    columns: Mapping[str, str] | None = None,
) -> Survey:
    """Read survey points and linework from a file.

    Parameters
    ----------
    path : text with a header and one point a row; tab, semicolon, bar or comma between columns
    crs : CRS of the coordinates (such as ``EPSG:2230``), or ``local`` for axes of the site's own
    unit : unit of the coordinates; needed with ``local``, otherwise a check against the CRS
    height_unit : unit of the heights, where it is not that of the coordinates; needed for heights
        beside longitude and latitude
    columns : column for a meaning (see :data:`siteplan.fieldnotes.columns.MEANINGS`), for what the
        header's own words leave open

    Returns
    -------
    The survey.

    Raises
    ------
    DataError : every fault of the file at once, with row numbers
    """
    return survey_of(read_text(path), str(path), crs=crs, unit=unit, height_unit=height_unit, columns=columns)


def survey_of(
    text: str,
    label: str,
    *,
    crs: str | None,
    unit: Unit | None = None,
    height_unit: Unit | None = None,
    columns: Mapping[str, str] | None = None,
) -> Survey:
    """The same from a text; ``label`` stands for the file in messages."""
    declared, faults = _declared(crs, unit, label)
    table = read_table(text, label)
    found, trouble = match_columns(table.header, columns, label)
    geographic = declared.geographic if declared else None
    faults += trouble + coordinate_faults(found, table.header, label, geographic=geographic)
    has_height = "height" in found.place
    heights_m = 1.0
    if declared is not None:
        faults += _unit_faults(found, table, declared, height_unit)
        heights_m, missing = _height_factor(declared, height_unit, has_height=has_height, label=label)
        faults += missing
    pair = ("lon", "lat") if "lon" in found.place else ("easting", "northing")
    if not {"point", *pair} <= set(found.place):
        raise DataError(*faults)
    if not table.rows:
        raise DataError(
            *faults, Fault("no-points", "there is no row below the header", "Check the file", label)
        )
    points, trouble = _points(table, found, pair, heights_m)
    faults += trouble
    rows, trouble = _line_rows(table, found, points)
    faults += trouble + _number_faults(points, rows, label)
    if declared is None or not np.isfinite(points.coords).all():
        _, _, trouble = build_lines(rows, points.coords, metres_per_unit=1.0, label=label, places_known=False)
        raise DataError(*faults, *trouble)
    plane, xy = _plane(declared, points.coords)
    outlines, node_point, trouble = build_lines(
        rows, xy, metres_per_unit=declared.metres if plane is None else 1.0, label=label
    )
    faults += trouble
    if faults:
        raise DataError(*faults)
    used = np.zeros(len(points), dtype=np.bool_)
    used[[r.point for r in rows]] = True
    points = SurveyPoints(
        points.number, points.coords, points.height_m, points.code, points.row, used, far_points(xy)
    )
    return Survey(
        points=points,
        outlines=outlines,
        node_point=node_point,
        crs=declared.crs,
        plane=plane,
        metres_per_unit=declared.metres if plane is None else 1.0,
        columns={m: table.header[k] for m, k in found.place.items()},
        delimiter=table.delimiter,
        findings=_findings(points, table, found, declared),
    )


# --- what is declared ------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Declared:
    """CRS and unit of the coordinates."""

    crs: str
    unit: Unit | None
    metres: float
    facts: CrsFacts | None

    @property
    def geographic(self) -> bool:
        return self.facts is not None and self.facts.is_geographic

    @property
    def label(self) -> str:
        return self.facts.label if self.facts else "the site's own axes"


def _declared(crs: str | None, unit: Unit | None, label: str) -> tuple[_Declared | None, list[Fault]]:
    if crs is None:
        return None, [
            Fault(
                "no-crs",
                "the CRS of the points is not declared, and a survey file does not hold it",
                'Ask the surveyor and state it, for example crs = "EPSG:2230", or crs = "local" with a unit '
                "for axes of the site's own",
                file=label,
            )
        ]
    if crs.strip().lower() == LOCAL:
        if unit is None:
            return None, [
                Fault(
                    "no-unit",
                    "the unit of local coordinates is not declared",
                    "State m, ft or ftUS",
                    file=label,
                )
            ]
        return _Declared(LOCAL, unit, float(METRES[unit]), None), []
    try:
        facts = crs_facts(crs)
    except DataError as error:
        return None, [Fault(f.code, f.what, f.remedy, file=label) for f in error.faults]
    if facts.is_geographic:
        wrong = unit is not None
        what = f"the unit {unit} is declared for longitude and latitude, which are degrees"
    else:
        wrong = facts.metres_per_unit is None or (unit is not None and unit != facts.unit)
        what = f"the unit {unit} is declared, but {facts.label} counts in {facts.unit or facts.unit_name}"
    if wrong:
        return None, [
            Fault(
                "unit-contradicts",
                what,
                "Declare the CRS whose unit the numbers are in; "
                "international and US survey foot are two CRSs",
                file=label,
            )
        ]
    return _Declared(crs, facts.unit, float(facts.metres_per_unit or 1), facts), []


def _unit_faults(
    found: Columns, table: TextTable, declared: _Declared, height_unit: Unit | None
) -> list[Fault]:
    """A unit stated in the header must be the declared one (``ft`` may stand for either foot)."""
    faults = []
    for meaning, stated in found.unit.items():
        if meaning in ("northing", "easting", "radius"):
            wanted = declared.unit
        elif meaning == "height":
            wanted = height_unit or declared.unit
        else:
            continue
        if wanted is not None and stated != wanted and not (stated == "ft" and wanted == "ftUS"):
            name = table.header[found.place[meaning]]
            faults.append(
                Fault(
                    "unit-contradicts",
                    f'the column "{name}" says {stated}, declared is {wanted}',
                    "Declare the CRS and unit the numbers are in",
                    file=table.label,
                )
            )
    return faults


def _height_factor(
    declared: _Declared, height_unit: Unit | None, *, has_height: bool, label: str
) -> tuple[float, list[Fault]]:
    unit = height_unit or declared.unit
    if unit is None and has_height and declared.geographic:
        return 1.0, [
            Fault(
                "no-unit",
                "the unit of the heights is not declared; longitude and latitude do not tell",
                "State the height unit: m, ft or ftUS",
                file=label,
            )
        ]
    return (float(METRES[unit]) if unit else declared.metres), []


# --- cells -----------------------------------------------------------------------------


def _points(
    table: TextTable, found: Columns, pair: tuple[str, str], heights_m: float
) -> tuple[SurveyPoints, list[Fault]]:
    """Points of all rows, NaN where a coordinate is missing or wrong, and what is wrong."""
    faults: list[Fault] = []
    east, trouble = _numbers(table, found, pair[0], required=True)
    north, more = _numbers(table, found, pair[1], required=True)
    height, most = _numbers(table, found, "height", required=False)
    faults += _missing(table, found, pair) + trouble + more + most
    faults += _mixed_decimals(table, found, (*pair, "height"))
    coords = np.column_stack([east, north])
    faults += _range_faults(table, coords, pair)
    number = _cells(table, found, "point")
    unnamed = [table.row[k] for k, text in enumerate(number) if not text]
    if unnamed:
        faults.append(
            Fault(
                "no-point-number",
                f"{rows_text(unnamed)}: the point has no number",
                "Give every point a number or name of its own",
                file=table.label,
            )
        )
    none = np.zeros(len(number), dtype=np.bool_)
    points = SurveyPoints(
        number=number,
        coords=coords,
        height_m=height * heights_m,
        code=_cells(table, found, "code"),
        row=np.array(table.row, dtype=np.int64),
        used=none,
        far=none,
    )
    return points, faults


def _cells(table: TextTable, found: Columns, meaning: str) -> ObjectArray:
    out = np.empty(len(table.rows), dtype=object)
    place = found.place.get(meaning)
    out[:] = "" if place is None else [r[place] for r in table.rows]
    return out


def _numbers(
    table: TextTable, found: Columns, meaning: str, *, required: bool
) -> tuple[FloatArray, list[Fault]]:
    """Numbers of a column, NaN where empty or no number."""
    place = found.place.get(meaning)
    if place is None:
        return np.full(len(table.rows), np.nan), []
    cells = [r[place] for r in table.rows]
    values = [number_of(c, table.delimiter) if c else None for c in cells]
    faults = [
        Fault(
            "not-a-number",
            f'row {table.row[k]}: {meaning} "{cells[k][:40]}" is not a number',
            "Write it with digits and one decimal mark, no unit and no separator of thousands",
            file=table.label,
        )
        for k, v in enumerate(values)
        if v is None and cells[k]
    ]
    out = np.array([np.nan if v is None else v for v in values])
    return out, _shortened(faults)


def _shortened(faults: list[Fault], most: int = 20) -> list[Fault]:
    """The first faults of a kind, and how many more there are: a report must stay readable."""
    if len(faults) <= most:
        return faults
    last = faults[most - 1]
    more = Fault(last.code, f"and {len(faults) - most + 1} more like these", last.remedy, file=last.file)
    return [*faults[: most - 1], more]


def _missing(table: TextTable, found: Columns, pair: tuple[str, str]) -> list[Fault]:
    """Rows without coordinates: one fault for all that lack the same ones."""
    lacking: dict[tuple[str, ...], list[int]] = {}
    for row, cells in zip(table.row, table.rows, strict=True):
        empty = tuple(m for m in pair if not cells[found.place[m]])
        if empty:
            lacking.setdefault(empty, []).append(row)
    return [
        Fault(
            "missing-coordinates",
            f"{rows_text(rows)}: no {' and no '.join(empty)} ({len(rows)} of {len(table.rows)} points)",
            "Fill in the coordinates, or take the rows out",
            file=table.label,
        )
        for empty, rows in lacking.items()
    ]


def _mixed_decimals(table: TextTable, found: Columns, meanings: tuple[str, ...]) -> list[Fault]:
    """Decimal commas and points side by side: one of them separates thousands, or is a slip."""
    cells = [
        (row, cells[found.place[m]])
        for m in meanings
        if m in found.place
        for row, cells in zip(table.row, table.rows, strict=True)
    ]
    commas = [(row, c) for row, c in cells if "," in c and number_of(c, table.delimiter) is not None]
    dots = [(row, c) for row, c in cells if "." in c]
    if not commas or not dots:
        return []
    return [
        Fault(
            "mixed-decimals",
            f"decimal comma and point are mixed: {commas[0][1]} (row {commas[0][0]}), "
            f"{dots[0][1]} (row {dots[0][0]})",
            "Write all numbers with the same decimal mark",
            file=table.label,
        )
    ]


def _range_faults(table: TextTable, coords: FloatArray, pair: tuple[str, str]) -> list[Fault]:
    """Numbers that no place on earth has."""
    limits = (180.0, 90.0) if pair == ("lon", "lat") else (GREATEST_COORDINATE, GREATEST_COORDINATE)
    faults = []
    for axis, (meaning, limit) in enumerate(zip(pair, limits, strict=True)):
        # a longitude may be counted to 360
        most = 360.0 if meaning == "lon" else limit
        for k in np.flatnonzero((coords[:, axis] > most) | (coords[:, axis] < -limit)):
            swapped = pair == ("lon", "lat") and abs(coords[k, 1 - axis]) <= 90
            faults.append(
                Fault(
                    "not-a-place",
                    f"row {table.row[k]}: {meaning} {coords[k, axis]:.12g} is not on earth",
                    "Longitude and latitude look swapped"
                    if swapped
                    else "Decimal marks or the unit got lost; export the file again",
                    file=table.label,
                )
            )
    return _shortened(faults)


# --- linework and numbers ---------------------------------------------------------------


def _line_rows(table: TextTable, found: Columns, points: SurveyPoints) -> tuple[list[LineRow], list[Fault]]:
    """Rows that belong to a line."""
    if not {"line", "seq"} <= set(found.place):
        return [], []
    cells = {m: _cells(table, found, m) for m in ("line", "seq", "curve", "radius", "close")}
    rows: list[LineRow] = []
    faults: list[Fault] = []
    for k, line in enumerate(cells["line"]):
        text = {m: str(c[k]) for m, c in cells.items()}
        if not line:
            stray = [m for m in ("seq", "curve", "close") if text[m].lower() not in NO]
            if stray:
                faults.append(
                    _cell_fault(
                        table,
                        k,
                        "no-line",
                        f"{' and '.join(stray)} without a line",
                        "Name the line the point belongs to, or empty the cells",
                    )
                )
            continue
        row, trouble = _line_row(table, k, text, str(points.number[k]))
        faults += trouble
        if row:
            rows.append(row)
    return rows, faults


def _cell_fault(
    table: TextTable, k: int, code: str, what: str, remedy: str, line: str | None = None
) -> Fault:
    return Fault(code, f"row {table.row[k]}: {what}", remedy, file=table.label, feature=line)


def _line_row(
    table: TextTable, k: int, text: Mapping[str, str], number: str
) -> tuple[LineRow | None, list[Fault]]:
    """One row of linework, None where it cannot be used."""
    line, faults = text["line"], []
    if not _WHOLE.fullmatch(text["seq"]) or int(text["seq"]) < 1:
        shown = f'seq "{text["seq"]}" is not a whole number from 1' if text["seq"] else "seq is empty"
        faults.append(
            _cell_fault(table, k, "bad-seq", shown, "Number the points of a line 1, 2, 3 ...", line)
        )
    curve = text["curve"].lower()
    if curve not in CURVES:
        known = ", ".join(w for w in CURVES if w)
        faults.append(
            _cell_fault(
                table,
                k,
                "bad-curve",
                f'curve "{text["curve"]}" is not known',
                f"Write {known}, or leave it empty",
                line,
            )
        )
    radius = number_of(text["radius"], table.delimiter) if text["radius"] else np.nan
    if radius is None:
        faults.append(
            _cell_fault(
                table,
                k,
                "not-a-number",
                f'radius "{text["radius"]}" is not a number',
                "Write it in the unit of the coordinates",
                line,
            )
        )
    elif not np.isnan(radius) and curve != "round":
        faults.append(
            _cell_fault(
                table,
                k,
                "stray-radius",
                "a radius goes with the curve round only",
                "Write round in curve, or empty the radius",
                line,
            )
        )
    close = text["close"].lower()
    if close not in YES | NO:
        faults.append(
            _cell_fault(
                table, k, "bad-close", f'close "{text["close"]}" is not yes or no', "Write yes or no", line
            )
        )
    if faults:
        return None, faults
    return LineRow(
        table.row[k], k, number, line, int(text["seq"]), curve, float(radius or np.nan), close in YES
    ), []


def _restarts(points: SurveyPoints) -> BoolArray:
    """Rows of stretches that count up by one through numbers used before: another job begins."""
    value = np.array([int(t) if _WHOLE.fullmatch(t) else -10 for t in points.number], dtype=np.int64)
    seen: set[str] = set()
    again = np.zeros(len(value), dtype=np.bool_)
    for k, text in enumerate(points.number):
        again[k] = text in seen
        seen.add(text)
    breaks = np.flatnonzero((np.diff(value) != 1) | (again[1:] != again[:-1])) + 1
    out = np.zeros(len(value), dtype=np.bool_)
    for span in np.split(np.arange(len(value)), breaks):
        out[span] = again[span[0]] and len(span) >= RESTART_ROWS if len(span) else False
    return out


def _number_faults(points: SurveyPoints, rows: list[LineRow], label: str) -> list[Fault]:
    """Numbers given twice.

    The same number at the same place in two rows of linework is one point named twice (the last
    point of a line that repeats the first, a point two lines share).
    """
    by_number: dict[str, list[int]] = {}
    for k, number in enumerate(points.number):
        if number:
            by_number.setdefault(number, []).append(k)
    in_line = {r.point for r in rows}
    restart = _restarts(points)
    faults = []
    for number, where in by_number.items():
        if len(where) == 1:
            continue
        at_one_place = all(np.array_equal(points.coords[k], points.coords[where[0]]) for k in where)
        if at_one_place and all(k in in_line for k in where):
            continue
        strict = [k for k in where[1:] if not restart[k]] or any(k in in_line for k in where)
        if strict:
            same = " with the same coordinates" if at_one_place else ""
            faults.append(
                Fault(
                    "duplicate-point",
                    f"point {number} stands in " + rows_text(points.row[where].tolist()) + same,
                    "Give each point a number of its own, or take the wrong row out",
                    file=label,
                )
            )
    return _shortened(faults)


# --- the plane, far points, findings -----------------------------------------------------


def _plane(declared: _Declared, coords: FloatArray) -> tuple[str | None, XYArray]:
    """Plane the arcs are made in: the grid itself, or for degrees a grid on the survey's middle."""
    facts = declared.facts
    if facts is None or not (facts.is_geographic or facts.is_web_mercator):
        return None, coords
    lonlat = unproject(declared.crs, coords)
    lon, lat = np.median(lonlat, axis=0).tolist()
    rf = f"+rf={1 / facts.ellipsoid.f!r}" if facts.ellipsoid.f else f"+b={facts.ellipsoid.a_m!r}"
    plane = (
        f"+proj=tmerc +lat_0={lat!r} +lon_0={lon!r} +k=1 +x_0=0 +y_0=0 "
        f"+a={facts.ellipsoid.a_m!r} {rf} +units=m +type=crs"
    )
    return plane, project(plane, lonlat)


def far_points(xy: XYArray) -> BoolArray:
    """Points far from all others.

    Parameters
    ----------
    xy : (p, 2) in any unit

    Returns
    -------
    (p,) True where a point is more than :data:`FAR_TIMES` times as far from the median point as half
    of the points are, and nearer to no ordinary point than to half of that distance.

    Notes
    -----
    Medians, so that the far points themselves do not move the measure: up to half of all may be
    wrong.  The second condition keeps a dense corner of a survey from making the rest look far.
    """
    xy = np.asarray(xy, dtype=np.float64)
    if len(xy) < 4:
        return np.zeros(len(xy), dtype=np.bool_)
    away = np.hypot(*(xy - np.median(xy, axis=0)).T)
    far = away > FAR_TIMES * max(float(np.median(away)), 1e-9)
    near = xy[~far]
    for k in np.flatnonzero(far):
        far[k] = np.hypot(*(near - xy[k]).T).min() > away[k] / 2
    return np.asarray(far)


def _findings(
    points: SurveyPoints, table: TextTable, found: Columns, declared: _Declared
) -> tuple[Finding, ...]:
    out = [
        Finding(
            "survey-read",
            "notice",
            f"{table.label}: {len(points)} points in {declared.label}, "
            f"{int(points.used.sum())} of them in outlines; "
            + ", ".join(f"{m} from {table.header[k]}" for m, k in found.place.items())
            + (f"; not used: {', '.join(c for c in found.ignored if c)}" if any(found.ignored) else "")
            + ".",
        )
    ]
    restart = _restarts(points)
    if restart.any():
        out.append(
            Finding(
                "numbers-restart",
                "notice",
                f"{table.label}: {rows_text(points.row[restart].tolist())} count through point numbers "
                "used before, as if a second job had been added. All points are kept; "
                "tell them apart by their row.",
            )
        )
    for k in np.flatnonzero(points.far):
        east, north = points.coords[k].tolist()
        out.append(
            Finding(
                "far-point",
                "notice",
                f"{table.label}, row {points.row[k]}: point {points.number[k]} at "
                f"({east:.12g}, {north:.12g}) is more than {FAR_TIMES:g} times as far from the middle "
                "of the survey as half of the points are, and stands alone. "
                "An instrument station, or a point that was never measured?",
            )
        )
    return tuple(out)
