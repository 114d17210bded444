"""Survey points from a text file with columns, and the outlines their linework makes.

The CRS and the unit are declared by whoever calls, never guessed: the same numbers in
international and US survey feet lie metres apart.  See docs/survey-points.md.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from siteplan.errors import DataError, Fault, Finding
from siteplan.fieldnotes.columns import Columns, coordinate_faults, match_columns
from siteplan.fieldnotes.linework import build_lines
from siteplan.fieldnotes.strings import CHORD_TOLERANCE_M, ArcStrings, densify
from siteplan.fieldnotes.survey_rows import SurveyPoints, line_rows, number_faults, points_of, restarts
from siteplan.fieldnotes.tables import TextTable, read_table, read_text, rows_text
from siteplan.geodesy import CrsFacts, crs_facts, project, unproject
from siteplan.types import BoolArray, FloatArray, IntArray, OffsetArray, XYArray
from siteplan.units import METRES, Unit

LOCAL: Final = "local"
"""Declared in place of a CRS for axes of the site's own; the unit must be stated then."""
FAR_TIMES: Final = 10.0
"""A point this many times further from the middle of the survey than half of the points are."""
_PLACE_CODES: Final = {"not-a-place", "crs-contradicts", "unit-contradicts", "mixed-coordinates"}
"""Faults after which no plane can be laid under the points."""


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
    points, trouble = points_of(table, found, pair, heights_m)
    faults += trouble
    rows, trouble = line_rows(table, found, points)
    faults += trouble + number_faults(points, rows, label)
    lost = not np.isfinite(points.coords).all() or any(f.code in _PLACE_CODES for f in faults)
    if declared is None or lost:
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
    (p,) True for the points beyond an empty ring round the median point: further from it than
    :data:`FAR_TIMES` times as far as half of the points are, and than twice as far as the next
    nearer point.

    Notes
    -----
    Medians, so that the far points themselves do not move the measure: up to half of all may be
    wrong.  The ring must be empty, so that a dense corner of a survey does not make a long border
    look far.
    """
    xy = np.asarray(xy, dtype=np.float64)
    far = np.zeros(len(xy), dtype=np.bool_)
    if len(xy) < 4:
        return far
    away = np.hypot(*(xy - np.median(xy, axis=0)).T)
    half = float(np.median(away))
    order = np.argsort(away, kind="stable")
    out = away[order]
    jump = (out[1:] > FAR_TIMES * half) & (out[1:] > 2 * out[:-1])
    if half > 0 and jump.any():
        far[order[int(np.argmax(jump)) + 1 :]] = True
    return far


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
    restart = restarts(points)
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
                "of the survey as half of the points are, beyond an empty ring. "
                "An instrument station, or a point that was never measured?",
            )
        )
    return tuple(out)
