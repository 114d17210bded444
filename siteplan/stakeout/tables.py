"""The tables of a stakeout as rows of text, and as CSV that spreadsheets and instruments read."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final, TypeAlias

import numpy as np

from siteplan.model import Runs
from siteplan.outline.curve_data import arc_data
from siteplan.publish.cells import safe_cell
from siteplan.stakeout.control import Levels, to_unit
from siteplan.stakeout.make import Stakeout
from siteplan.stakeout.points import StakePoints, along_legs
from siteplan.stakeout.walls import BASE, HOUSE
from siteplan.types import FloatArray, IntArray, ObjectArray, XYArray

GRID_DECIMALS: Final = 4


def csv_text(rows: Sequence[Sequence[Any]]) -> str:
    """Rows as CSV (RFC 4180); text from the data is never taken for a formula."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    for row in rows:
        # numbers are made here; everything from the data is text, and made safe
        writer.writerow([c.text if isinstance(c, _Number) else safe_cell(one_line(str(c))) for c in row])
    return out.getvalue()


def one_line(text: str) -> str:
    """Text on one line: instruments read line by line, whatever is quoted."""
    return " ".join(text.split()) if any(c in text for c in "\n\r\v\f\x85\u2028\u2029") else text


@dataclass(frozen=True, slots=True)
class _Number:
    """A number as it is written; it may begin with a minus sign."""

    text: str


def _number(value: float, decimals: int = GRID_DECIMALS) -> _Number:
    if not np.isfinite(value):
        return _Number("")
    text = f"{value:.{decimals}f}"
    return _Number(text.lstrip("-") if float(text) == 0 else text)


Rows: TypeAlias = list[list[Any]]
"""a head, then its rows"""


def _place_rows(
    made: Stakeout, names: ObjectArray, xy: XYArray, height_m: FloatArray, codes: Iterable[str]
) -> Rows:
    """Rows of point, northing, easting, height, code."""
    grid = made.grid.coords(made.site.frame, xy)
    height = to_unit(height_m, made.grid.unit)
    return [
        [str(n), _number(y), _number(x), _number(z, 3), code]
        for n, (x, y), z, code in zip(names, grid.tolist(), height.tolist(), codes, strict=True)
    ]


HEAD: Final = ["point", "northing", "easting", "height", "code"]


def stakeout_tables(made: Stakeout) -> dict[str, Rows]:
    """Every table by name, head first."""
    points, corners, control = made.points, made.corners, made.control
    top = np.full(len(points), np.nan) if made.levels is None else made.levels.top_m
    used = used_corners(made)
    house, base = used[corners.kind[used] == HOUSE], corners.of(BASE)
    none = np.full(len(corners), np.nan)
    tables: dict[str, Rows] = {
        "points": [HEAD, *_place_rows(made, points.name, points.xy, top, points.code)],
        "pegs": _peg_table(made),
        "control": [
            HEAD,
            *_place_rows(
                made, control.name, control.xy, control.height_m, ["CONTROL"] * len(control)
            ),
        ],
        "house_corners": [
            HEAD,
            *_place_rows(
                made, corners.name[house], corners.xy[house], none[: len(house)],
                ["HOUSE-CORNER"] * len(house),
            ),
        ],
        "ties": _tie_table(made),
        "wall_offsets": _offset_table(made),
        "checks": _check_table(made),
        "curves": _curve_table(made),
    }  # fmt: skip
    if len(base):
        tables["base_points"] = [
            HEAD,
            *_place_rows(made, corners.name[base], corners.xy[base], none[: len(base)], ["BASE"] * len(base)),
        ]
    if made.levels is not None:
        tables["levels"] = _level_table(made, made.levels)
    return tables


def used_corners(made: Stakeout) -> IntArray:
    """Corners and marks that are taped from, each once."""
    ties, offsets, faces = made.ties, made.offsets, made.faces
    own = offsets.face[offsets.given]
    return np.unique(
        np.concatenate([ties.first[ties.tied], ties.second[ties.tied], faces.start[own], faces.far[own]])
    )


def _peg_table(made: Stakeout) -> Rows:
    pegs, points, runs = made.pegs, made.points, made.plan.runs
    height = np.full(len(pegs), np.nan) if made.levels is None else made.levels.peg_ground_m
    codes = ["PEG-BISECTOR" if c.startswith("CORNER") else "PEG-SQUARE" for c in points.code]
    head = [
        *HEAD, "offset_from", "laying_line", "square_to_line_m", "from_point_m", "from_point",
        "bearing_deg", "note",
    ]  # fmt: skip
    rows = _place_rows(made, pegs.name, pegs.xy, height, codes)
    for k, row in enumerate(rows):
        note = "inside an abutment" if pegs.in_wall[k] else "will be dug out" if pegs.in_trench[k] else ""
        row += [
            str(points.name[k]), str(runs.run_id[points.run[k]]), _number(pegs.square_m[k]),
            _number(pegs.from_point_m[k]), made.show(pegs.from_point_m[k]), _number(pegs.bearing_deg[k]),
            note,
        ]  # fmt: skip
    return [head, *rows]


def _tie_table(made: Stakeout) -> Rows:
    ties, corners = made.ties, made.corners
    names = np.concatenate([made.points.name, made.pegs.name])
    rows: Rows = [
        ["point", "first_corner", "tape_1_m", "tape_1", "second_corner", "tape_2_m", "tape_2", "side",
         "crossing_deg", "sigma_mm", "worst_sigma_mm", "corners_apart_m", "corners_apart", "first_is",
         "second_is"]
    ]  # fmt: skip
    for k in np.flatnonzero(ties.tied).tolist():
        a, b = int(ties.first[k]), int(ties.second[k])
        apart = float(np.hypot(*(corners.xy[b] - corners.xy[a])))
        rows.append(
            [str(names[k]), corners.name[a], _number(ties.to_first_m[k], 3), made.show(ties.to_first_m[k]),
             corners.name[b], _number(ties.to_second_m[k], 3), made.show(ties.to_second_m[k]),
             "left" if ties.left[k] else "right", _number(ties.cut_deg[k], 1),
             _number(ties.sigma_m[k] * 1e3, 1),
             _number(ties.greatest_m[k] * 1e3, 1), _number(apart, 3), made.show(apart), corners.kind[a],
             corners.kind[b]]
        )  # fmt: skip
    return rows


def _offset_table(made: Stakeout) -> Rows:
    offsets, corners, faces = made.offsets, made.corners, made.faces
    names = np.concatenate([made.points.name, made.pegs.name])
    rows: Rows = [
        [
            "point",
            "from_corner",
            "towards_corner",
            "station_m",
            "station",
            "offset_m",
            "offset",
            "side",
            "sigma_mm",
        ]
    ]
    for k in np.flatnonzero(offsets.given).tolist():
        face = int(offsets.face[k])
        away = float(offsets.offset_m[k])
        rows.append(
            [str(names[k]), corners.name[faces.start[face]], corners.name[faces.far[face]],
             _number(offsets.station_m[k], 3), made.show(offsets.station_m[k]), _number(abs(away), 3),
             made.show(abs(away)), "left" if away > 0 else "right", _number(offsets.sigma_m[k] * 1e3, 1)]
        )  # fmt: skip
    return rows


def _check_table(made: Stakeout) -> Rows:
    rows: Rows = [["check", "from", "to", "ground_m", "ground", "grid", "taped"]]
    factor = made.grid.combined_factor
    for c in made.checks:
        on_grid = to_unit(np.array([c.ground_m * factor]), made.grid.unit)[0]
        rows.append(
            [c.kind, c.start, c.far, _number(c.ground_m, 3), made.show(c.ground_m), _number(on_grid), ""]
        )
    return rows


def _curve_table(made: Stakeout) -> Rows:
    """Elements of each arc, and where it begins (PC), ends (PT) and has its centre."""
    runs, arcs = made.plan.runs, made.arcs
    data = arc_data(runs, arcs)
    rows: Rows = [
        ["leg", "turns", "radius_m", "radius", "chord_m", "chord", "middle_ordinate_m", "misfit_mm", "arc_m",
         "arc", "turn_deg", "tangent_m", "tangent", "external_m", "begins_at", "begins_northing",
         "begins_easting", "ends_at", "ends_northing", "ends_easting", "centre_northing", "centre_easting",
         "is"]
    ]  # fmt: skip
    chosen = made.chosen[runs.bed[runs.leg_run[arcs.leg]]]
    at = along_legs(runs)
    names = point_names(made.points, runs)
    places = [runs.xy[arcs.first], runs.xy[arcs.last], arcs.centre]
    pc, pt, centre = (made.grid.coords(made.site.frame, xy) for xy in places)
    for k in np.flatnonzero(chosen).tolist():
        leg = int(arcs.leg[k])
        radius, chord, arc = (float(v[k]) for v in (data.radius_m, data.chord_m, data.arc_m))
        tangent = float(data.tangent_m[k])
        rows.append(
            [str(runs.leg_id[leg]), "left" if arcs.radius_m[k] > 0 else "right", _number(radius, 3),
             made.show(radius), _number(chord, 3), made.show(chord), _number(data.middle_m[k], 3),
             _number(arcs.away_m[k] * 1e3, 1), _number(arc, 3), made.show(arc),
             _number(abs(data.turn_deg[k]), 4), _number(tangent, 3),
             made.show(tangent) if np.isfinite(tangent) else "", _number(data.external_m[k], 3),
             names.get((leg, round(float(at[arcs.first[k]]), 3)), ""), _number(pc[k, 1]), _number(pc[k, 0]),
             names.get((leg, round(float(at[arcs.last[k]]), 3)), ""), _number(pt[k, 1]), _number(pt[k, 0]),
             _number(centre[k, 1]), _number(centre[k, 0]), "fitted" if arcs.fitted[k] else "found"]
        )  # fmt: skip
    return rows


def point_names(points: StakePoints, runs: Runs) -> dict[tuple[int, float], str]:
    """Name of the point at a place of a leg: metres along it, to the millimetre.

    Where a leg ends at a corner, the point there is the first one of the next leg.
    """
    made: dict[tuple[int, float], str] = {}
    for name, leg, at in zip(points.name, points.leg.tolist(), points.at_m.tolist(), strict=True):
        made[leg, round(at, 3)] = str(name)
    length = along_legs(runs)[runs.offsets[1:] - 1]
    for leg, run in enumerate(runs.leg_run.tolist()):
        last = leg + 1 == runs.leg_offsets[run + 1]
        after = int(runs.leg_offsets[run]) if last else leg + 1
        if (after, 0.0) in made and (not last or runs.closed[run]):
            made.setdefault((leg, round(float(length[leg]), 3)), made[after, 0.0])
    return made


def _level_table(made: Stakeout, of: Levels) -> Rows:
    """Top of edging against the ground, at the point and at its peg."""
    unit = made.grid.unit
    rows: Rows = [["point", "at", "ground", "top_of_edging", "cut_or_fill", "amount"]]
    for names, at, ground in (
        (made.points.name, "line", of.ground_m),
        (made.pegs.name, "peg", of.peg_ground_m),
    ):
        amount = to_unit(of.top_m - ground, unit)
        for n, g, t, d in zip(
            names,
            to_unit(ground, unit).tolist(),
            to_unit(of.top_m, unit).tolist(),
            amount.tolist(),
            strict=True,
        ):
            word = (
                ""
                if not np.isfinite(d)
                else "fill"
                if round(d, 3) > 0
                else "cut"
                if round(d, 3) < 0
                else "level"
            )
            rows.append([str(n), at, _number(g, 3), _number(t, 3), word, _number(abs(d), 3)])
    return rows
