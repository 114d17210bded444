"""Rows of a survey file: their cells, numbers and linework, and what is wrong with them."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from siteplan.errors import Fault
from siteplan.fieldnotes.columns import Columns
from siteplan.fieldnotes.linework import CURVES, NO, YES, LineRow
from siteplan.fieldnotes.tables import TextTable, number_of, rows_text
from siteplan.types import BoolArray, FloatArray, IntArray, ObjectArray

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


def points_of(
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


def line_rows(table: TextTable, found: Columns, points: SurveyPoints) -> tuple[list[LineRow], list[Fault]]:
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
        rows.append(row)
    return rows, faults


def _cell_fault(
    table: TextTable, k: int, code: str, what: str, remedy: str, line: str | None = None
) -> Fault:
    return Fault(code, f"row {table.row[k]}: {what}", remedy, file=table.label, feature=line)


def _line_row(table: TextTable, k: int, text: Mapping[str, str], number: str) -> tuple[LineRow, list[Fault]]:
    """One row of linework, and what is wrong with its cells."""
    faults: list[Fault] = []

    def wrong(code: str, what: str, remedy: str) -> None:
        faults.append(_cell_fault(table, k, code, what, remedy, text["line"]))

    seq = int(text["seq"]) if _WHOLE.fullmatch(text["seq"]) else 0
    if seq < 1:
        shown = f'seq "{text["seq"]}" is not a whole number from 1' if text["seq"] else "seq is empty"
        wrong("bad-seq", shown, "Number the points of a line 1, 2, 3 ...")
    curve, close = text["curve"].lower(), text["close"].lower()
    if curve not in CURVES:
        known = ", ".join(w for w in CURVES if w)
        wrong("bad-curve", f'curve "{text["curve"]}" is not known', f"Write {known}, or leave it empty")
    radius = number_of(text["radius"], table.delimiter) if text["radius"] else np.nan
    if radius is None:
        wrong(
            "not-a-number", f'radius "{text["radius"]}" is not a number', "Write it in the coordinates' unit"
        )
    elif not np.isnan(radius) and curve != "round":
        wrong("stray-radius", "a radius goes with the curve round only", "Write round, or empty the radius")
    if close not in YES | NO:
        wrong("bad-close", f'close "{text["close"]}" is not yes or no', "Write yes or no")
    row = LineRow(
        row=table.row[k],
        point=k,
        number=number,
        line=text["line"],
        seq=seq,
        curve=curve if curve in CURVES else "",
        radius=np.nan if radius is None else radius,
        close=close in YES,
        sound=not faults,
    )
    return row, faults


def restarts(points: SurveyPoints) -> BoolArray:
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


def number_faults(points: SurveyPoints, rows: list[LineRow], label: str) -> list[Fault]:
    """Numbers given twice.

    The same number at the same place in two rows of linework is one point named twice (the last
    point of a line that repeats the first, a point two lines share).
    """
    by_number: dict[str, list[int]] = {}
    for k, number in enumerate(points.number):
        if number:
            by_number.setdefault(number, []).append(k)
    in_line = {r.point for r in rows}
    restart = restarts(points)
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
