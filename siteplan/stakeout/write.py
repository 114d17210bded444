"""The files of a stakeout, written together or not at all."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from siteplan.errors import Finding
from siteplan.layers import run_lines
from siteplan.model import RingKind, Shapes
from siteplan.publish.files import output_set
from siteplan.publish.mapdata import CAUTIONS
from siteplan.stakeout.control import to_unit
from siteplan.stakeout.drawing import FINDING_ONLY, Lines, Marks, dxf, gpx, kml
from siteplan.stakeout.make import Stakeout
from siteplan.stakeout.tables import Rows, csv_text, one_line, stakeout_tables, used_corners
from siteplan.stakeout.walls import BASE, HOUSE
from siteplan.types import BoolArray, FloatArray, ObjectArray, XYArray
from siteplan.units import um_to_m

FOLDER: Final = "stakeout"
NOTES: Final = "stakeout.txt"
TEXT_HEIGHT_M: Final = 0.15


@dataclass(frozen=True, slots=True)
class StakeoutReport:
    """What was written."""

    folder: Path
    files: tuple[str, ...]
    points: int
    tied: int
    findings: tuple[Finding, ...]

    @property
    def text(self) -> str:
        """For people."""
        lines = [
            f"Stakeout: {self.points} points, each with an offset peg; {self.tied} of these "
            f"{2 * self.points} can be set out by two tapes",
            *(f"{f.grade}: {f.text}" for f in self.findings),
            f"Written to {self.folder}: {len(self.files)} files, begin with {NOTES}",
        ]
        return "\n".join(lines)


def write_stakeout(made: Stakeout, folder: Path, *, revision: str = "") -> StakeoutReport:
    """Write the stakeout into the folder ``stakeout`` of an output folder.

    Raises
    ------
    OutputError : a file cannot be written; the old files stay as they were.
    """
    tables = stakeout_tables(made)
    title = f"{made.site.settings.name}: stakeout"
    names, notes, lonlat = _to_find(made)
    texts = {
        "stakeout.dxf": _drawing(made),
        "stakeout.gpx": gpx(title, names, notes, lonlat),
        "stakeout.kml": kml(title, names, notes, lonlat),
        NOTES: _notes(made, revision, tables),
    }
    for name, rows in tables.items():
        texts[f"{name}.csv"] = csv_text(rows)
        texts[f"{name}.wkt"] = made.grid.wkt + "\n"
    target = folder / FOLDER
    with output_set(target) as partial:
        for name, text in texts.items():
            (partial / name).write_text(text, encoding="utf-8", errors="xmlcharrefreplace", newline="")
    if "levels" not in tables:
        # heights of an earlier run would be taken for those of this one
        for old in ("levels.csv", "levels.wkt"):
            (target / old).unlink(missing_ok=True)
    if "base_points" not in tables:
        for old in ("base_points.csv", "base_points.wkt"):
            (target / old).unlink(missing_ok=True)
    return StakeoutReport(
        target, tuple(sorted(texts)), len(made.points), int(made.ties.tied.sum()), made.findings
    )


def _to_find(made: Stakeout) -> tuple[list[str], list[str], FloatArray]:
    """What the files for finding show: control, house corners that are used, points."""
    names = [*map(str, made.control.name), *map(str, made.points.name)]
    codes = ["control point"] * len(made.control) + [str(c) for c in made.points.code]
    return names, codes, made.site.frame.wgs84(np.concatenate([made.control.xy, made.points.xy]))


def _drawing(made: Stakeout) -> str:
    frame, grid = made.site.frame, made.grid
    runs = made.plan.runs
    line_xy, line_offsets = run_lines(runs)
    keep = made.chosen[runs.bed]
    laying = [(r, line_xy[line_offsets[r] : line_offsets[r + 1]]) for r in np.flatnonzero(keep).tolist()]
    outlines = _rings(made.plan.outlines, made.chosen)
    used = used_corners(made)
    house, base = used[made.corners.kind[used] == HOUSE], made.corners.of(BASE)
    nan = np.full(max(len(made.corners), len(made.points)), np.nan)
    top = nan[: len(made.points)] if made.levels is None else made.levels.top_m
    ground = nan[: len(made.points)] if made.levels is None else made.levels.peg_ground_m

    def marks(layer: str, names: ObjectArray, xy: XYArray, height_m: FloatArray) -> Marks:
        return Marks(layer, names, grid.coords(frame, xy), to_unit(height_m, grid.unit))

    return dxf(
        [
            marks("POINTS", made.points.name, made.points.xy, top),
            marks("PEGS", made.pegs.name, made.pegs.xy, ground),
            marks("CONTROL", made.control.name, made.control.xy, made.control.height_m),
            marks("HOUSE_CORNERS", made.corners.name[house], made.corners.xy[house], nan[: len(house)]),
            marks("BASE_POINTS", made.corners.name[base], made.corners.xy[base], nan[: len(base)]),
        ],
        [
            Lines(
                "LAYING_LINE",
                [grid.coords(frame, xy[:-1] if runs.closed[r] else xy) for r, xy in laying],
                [bool(runs.closed[r]) for r, _ in laying],
            ),
            Lines(
                "OUTLINE", [grid.coords(frame, xy) for xy, _ in outlines], [closed for _, closed in outlines]
            ),
        ],
        grid.unit,
        float(to_unit(np.array([TEXT_HEIGHT_M]), grid.unit)[0]),
    )


def _rings(shapes: Shapes, chosen: BoolArray) -> list[tuple[XYArray, bool]]:
    return [
        (shapes.xy[shapes.ring_offsets[k] : shapes.ring_offsets[k + 1]], shapes.ring_kind[k] != RingKind.LINE)
        for k in np.flatnonzero(chosen[shapes.ring_feature]).tolist()
    ]


def _notes(made: Stakeout, revision: str, tables: dict[str, Rows]) -> str:
    """The page to read first."""
    grid, said = made.grid, made.site.settings.stakeout
    height = "none" if made.levels is None or made.site.heights is None else made.site.heights.describe()
    off = made.show(made.pegs.offset_m)
    lines = [
        f"Stakeout of {one_line(made.site.settings.name)}",
        f"Plan {made.digest[:12]}" + (f", revision {one_line(revision)}" if revision else ""),
        "",
        f"Grid: {grid.label}, coordinates in {grid.unit}. Its definition (WKT) stands beside every table.",
        f"Combined factor {grid.combined_factor:.8f} at the middle of the site: grid = ground x factor.",
        "Taped distances are level ground distances; never scale a tape to the grid.",
        f"True azimuth = grid bearing {'+' if grid.convergence_deg >= 0 else '-'} "
        f"{abs(grid.convergence_deg):.4f} degrees at the middle of the site.",
        f"Change of datum: {grid.accuracy or 'none'}",
        f"Heights: {height}",
        f"Top of edging: {made.show(um_to_m(said.top_above_ground))} above the smoothed ground."
        if made.levels is not None
        else "No heights: no top of edging, no cut, no fill.",
        "",
        f"Points lie on the laying line (the middle of the pieces) and are dug out. Pegs (name + -P) stand "
        f"{off} outside,",
        "away from the bed: square to the line; at corners on the bisector,",
        "where lines parallel to both legs meet.",
        "pegs.csv names the point and the laying line each peg is offset from, and how far.",
        f"Curve points lie on the line as it is drawn; curves.csv has the radius of arcs found within "
        f"{made.show(0.005)}.",
        "",
        f"Ties: tapes up to {made.show(made.rules.longest_m)}, crossing at {made.rules.least_deg:g} to "
        f"{made.rules.greatest_deg:g} degrees, from corners of walls, control points and "
        "base points in sight.",
        f"Predicted sigma: from a standard deviation of {made.rules.sigma_m * 1e3:g} mm of one tape; "
        "the corners are taken as they are on the map.",
        "Before the first tie, tape the distances between the corners and marks used (checks.csv, "
        "house-corners, marks, control): walls, not eaves.",
        "",
        f"stakeout.gpx and stakeout.kml are {FINDING_ONLY}.",
        "",
        "Tables:",
        *(f"  {name}.csv: {len(rows) - 1} rows" for name, rows in tables.items()),
        "",
        *(f"{f.grade}: {one_line(f.text)}" for f in made.findings),
        "",
        "Cautions:",
        *(f"- {c}" for c in CAUTIONS),
        "",
    ]
    return "\n".join(lines)
