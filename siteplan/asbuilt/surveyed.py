"""Survey points taken on the laid edging, against the laying lines: per point, run, leg and corner."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from siteplan.asbuilt.matching import Matched, Shift, fit_points, match_points
from siteplan.asbuilt.merging import listed
from siteplan.errors import DataError, Fault, Finding
from siteplan.fieldnotes.survey import LOCAL, survey_of
from siteplan.fieldnotes.tables import read_text
from siteplan.model import NodeKind, Runs
from siteplan.sheets.content import run_points
from siteplan.sites import Site
from siteplan.stakeout.points import leg_lengths
from siteplan.types import BoolArray, FloatArray, IntArray, ObjectArray, XYArray
from siteplan.units import Unit, um_to_m

SIGMAS: Final = 3.0
"""a shift is told where it is this many standard deviations long"""


@dataclass(frozen=True, slots=True, eq=False)
class Shots:
    """Survey points of all files together.  p points."""

    number: ObjectArray
    code: ObjectArray
    file: ObjectArray
    row: IntArray
    xy: XYArray
    """(p, 2) ground metres"""
    findings: tuple[Finding, ...]

    def __len__(self) -> int:
        return len(self.number)


@dataclass(frozen=True, slots=True)
class RunSurvey:
    """One run as surveyed."""

    run: int
    points: int
    mean_m: float
    """mean signed offset, towards the bed positive"""
    rms_m: float
    greatest_m: float
    """signed offset of the point farthest off"""
    greatest_point: str
    shift: Shift | None
    corners: int
    """corners and ends the plan has"""
    corners_found: int
    longest_gap_m: float
    """longest stretch of the run without a point"""
    laid_m: float
    """length as laid, NaN where not both ends of a single leg were found"""
    planned_m: float
    """planned length of the legs ``laid_m`` is of"""


@dataclass(frozen=True, slots=True, eq=False)
class Surveyed:
    """Survey points against the plan."""

    shots: Shots
    matched: Matched
    station_m: FloatArray
    """(p,) along the run, ground metres; NaN where not matched"""
    named: BoolArray
    """(p,) the code names the bed, run or leg the point is of"""
    ambiguous: BoolArray
    """(p,) another run lies as near, within what the survey can tell"""
    runs: tuple[RunSurvey, ...]
    """those with a point"""
    corner_xy: XYArray
    """(c, 2) corners and ends of the plan"""
    corner_run: IntArray
    corner_name: ObjectArray
    """(c,) str: run and letter, as on the sheets"""
    corner_point: IntArray
    """(c,) the point taken there, -1 where there is none"""
    leg_points: IntArray
    """(l,) points of each leg that are not at its ends"""
    leg_laid_m: FloatArray
    """(l,) length as laid between the points at both its ends; NaN where one is missing"""
    findings: tuple[Finding, ...]

    @property
    def unmatched(self) -> IntArray:
        """Points of no run."""
        return np.flatnonzero(self.matched.run < 0)

    @property
    def surveyed_runs(self) -> IntArray:
        """Runs with a point."""
        return np.array([r.run for r in self.runs], dtype=np.int64)


def read_shots(
    site: Site, paths: Sequence[Path], *, crs: str | None = None, unit: Unit | None = None
) -> Shots:
    """Survey points of files with columns, in ground metres.

    Parameters
    ----------
    site : the site
    paths : files; the same file twice counts once
    crs : CRS of the coordinates; the grid of the site by default
    unit : checked against the CRS

    Raises
    ------
    DataError : every fault of every file
    """
    faults: list[Fault] = []
    parts = []
    findings: list[Finding] = []
    if crs is not None and crs.strip().lower() == LOCAL:
        raise DataError(
            Fault(
                "not-anchored",
                "survey points on axes of the site's own cannot be placed on the plan",
                "Give them in the site's grid, or name the CRS they are in with --crs",
            )
        )
    for path in paths:
        try:
            survey = survey_of(read_text(path), str(path), crs=crs or site.frame.crs_wkt, unit=unit)
        except DataError as error:
            faults.extend(error.faults)
            continue
        points = survey.points
        parts.append(
            (
                points.number,
                points.code,
                np.full(len(points), str(path), dtype=object),
                points.row,
                site.frame.ground_xy(points.coords, crs or site.frame.crs_wkt),
            )
        )
        findings += [f for f in survey.findings if f.code != "far-point"]
    if faults:
        raise DataError(*faults)
    columns = [np.concatenate(column) for column in zip(*parts, strict=True)]
    number, code, file, row, xy = columns
    # one point exported twice, in two files, is one point
    key = np.round(xy, 4)
    name = np.array([str(n) for n in number], dtype=object)
    seen: set[tuple[str, float, float]] = set()
    keep = np.ones(len(xy), dtype=bool)
    for k, (n, (x, y)) in enumerate(zip(name, key.tolist(), strict=True)):
        keep[k] = (n, x, y) not in seen
        seen.add((n, x, y))
    if not keep.all():
        findings.append(
            Finding(
                "point-twice",
                "notice",
                "Survey points that stand in the files twice with one place, each counted once "
                f"({int((~keep).sum())}): {listed(name[~keep])}.",
            )
        )
    return Shots(name[keep], code[keep], file[keep], row[keep].astype(np.int64), xy[keep], tuple(findings))


def hold_points(site: Site, runs: Runs, shots: Shots) -> Surveyed:
    """Survey points against the laying lines of a plan."""
    said = site.settings.asbuilt
    allowed, named = _allowed(site, runs, shots)
    found = match_points(shots.xy, runs, um_to_m(said.point_within), allowed)
    sigma_m = um_to_m(said.survey_sigma)
    lengths = leg_lengths(runs)
    before = np.concatenate([[0.0], np.cumsum(lengths)])
    leg_from = before[:-1] - before[runs.leg_offsets[:-1]][runs.leg_run]
    hit = found.run >= 0
    station = np.where(hit, leg_from[found.leg] + found.along_m, np.nan)
    near = np.hypot(np.where(hit, found.offset_m, 0.0), found.beyond_m)
    ambiguous = hit & ~named & (found.other_run >= 0) & (found.other_m - near <= SIGMAS * sigma_m)
    corners = run_points(runs)
    lowest = np.ones(len(runs.run_id), dtype=bool) if runs.course is None else runs.course == 1
    real = (corners.kind != NodeKind.SEAM) & (corners.kind != NodeKind.JOINT) & (corners.kind != NodeKind.SET)
    rows = np.flatnonzero(real & lowest[corners.run])
    corner_xy, corner_run = corners.xy[rows], corners.run[rows]
    corner_point = _at_corners(shots, found, corner_xy, corner_run, um_to_m(said.corner_within))
    names = np.array(
        [f"{runs.run_id[r]} {x}" for r, x in zip(corner_run, corners.letter[rows], strict=True)], dtype=object
    )
    at_corner = np.zeros(len(shots), dtype=bool)
    at_corner[corner_point[corner_point >= 0]] = True
    inner = hit & ~at_corner
    leg_points = np.bincount(found.leg[inner], minlength=len(runs.leg_id))
    leg_laid = _laid_legs(runs, lengths, shots, found, corner_xy, corner_run, corner_point, inner)
    made = [
        _run_survey(int(r), runs, lengths, shots, found, station, corner_run, corner_point, leg_laid, sigma_m)
        for r in np.unique(found.run[hit])
    ]
    return Surveyed(
        shots,
        found,
        station,
        named,
        ambiguous,
        tuple(made),
        corner_xy,
        corner_run,
        names,
        corner_point,
        leg_points,
        leg_laid,
        tuple(
            _findings(
                site,
                runs,
                shots,
                found,
                ambiguous,
                made,
                names,
                corner_run,
                corner_point,
                leg_points,
                leg_laid,
            )
        ),
    )


def _allowed(site: Site, runs: Runs, shots: Shots) -> tuple[BoolArray, BoolArray]:
    """(p, r) runs each point may be of, and (p,) whether its code says so."""
    lowest = np.ones(len(runs.run_id), dtype=bool) if runs.course is None else runs.course == 1
    groups: dict[str, BoolArray] = {}
    for bed in np.unique(runs.bed).tolist():
        groups[str(site.beds.ids[bed]).casefold()] = (runs.bed == bed) & lowest
    for leg, run in zip(runs.leg_id, runs.leg_run.tolist(), strict=True):
        groups[str(leg).casefold()] = np.arange(len(lowest)) == run
    for r, name in enumerate(runs.run_id):
        groups[str(name).casefold()] = np.arange(len(lowest)) == r
    allowed = np.tile(lowest, (len(shots), 1))
    named = np.zeros(len(shots), dtype=bool)
    for k, code in enumerate(shots.code):
        text = str(code).strip().casefold()
        own = groups.get(text)
        if own is None and text:
            own = groups.get(text.split()[0])
        if own is not None:
            allowed[k], named[k] = own, True
    return allowed, named


def _at_corners(
    shots: Shots, found: Matched, corner_xy: XYArray, corner_run: IntArray, within_m: float
) -> IntArray:
    """(c,) the point taken at each corner: the nearest of its run, those called corner or end first."""
    made = np.full(len(corner_xy), -1, dtype=np.int64)
    called = np.array(
        [any(w in str(c).casefold() for w in ("corner", "end")) for c in shots.code], dtype=bool
    )
    taken = np.zeros(len(shots), dtype=bool)
    pairs: list[tuple[bool, float, int, int]] = []
    for c, (at, run) in enumerate(zip(corner_xy, corner_run.tolist(), strict=True)):
        own = np.flatnonzero(found.run == run)
        away = np.hypot(*(shots.xy[own] - at).T)
        near = away <= within_m
        pairs += [
            (not called[p], round(float(a), 6), c, int(p))
            for p, a in zip(own[near].tolist(), away[near].tolist(), strict=True)
        ]
    for _, _, c, p in sorted(pairs):
        if made[c] < 0 and not taken[p]:
            made[c], taken[p] = p, True
    return made


def _laid_legs(
    runs: Runs,
    length: FloatArray,
    shots: Shots,
    found: Matched,
    corner_xy: XYArray,
    corner_run: IntArray,
    corner_point: IntArray,
    inner: BoolArray,
) -> FloatArray:
    """(l,) length of each leg as laid: the planned length, and what the chords between the points differ.

    Chords are short of a curve; taking the difference of the chords of the same points on the plan
    and on the ground leaves that out.  A leg without a point at both ends has no length.
    """
    count = len(runs.leg_id)
    made = np.full(count, np.nan)
    of_run: dict[int, list[int]] = {}
    for c, run in enumerate(corner_run.tolist()):
        of_run.setdefault(run, []).append(c)
    point_at = {
        (run, round(float(x), 6), round(float(y), 6)): int(corner_point[c])
        for run, own in of_run.items()
        for c in own
        for x, y in (corner_xy[c],)
    }
    for leg in range(count):
        run = int(runs.leg_run[leg])
        a, b = runs.xy[runs.offsets[leg]], runs.xy[runs.offsets[leg + 1] - 1]
        keys = [(run, round(float(x), 6), round(float(y), 6)) for x, y in (a, b)]
        ends = [point_at.get(key, -1) for key in keys]
        if min(ends) < 0 or ends[0] == ends[1]:
            continue
        own = np.flatnonzero(inner & (found.leg == leg))
        own = own[np.argsort(found.along_m[own], kind="stable")]
        ground = np.vstack([shots.xy[ends[0]], shots.xy[own], shots.xy[ends[1]]])
        plan = np.vstack([a, found.foot[own], b])
        chords = [float(np.hypot(*np.diff(path, axis=0).T).sum()) for path in (ground, plan)]
        made[leg] = length[leg] + chords[0] - chords[1]
    return made


def _run_survey(
    run: int,
    runs: Runs,
    lengths: FloatArray,
    shots: Shots,
    found: Matched,
    station: FloatArray,
    corner_run: IntArray,
    corner_point: IntArray,
    leg_laid: FloatArray,
    sigma_m: float,
) -> RunSurvey:
    own = np.flatnonzero(found.run == run)
    off = found.offset_m[own]
    worst = int(np.argmax(np.abs(off)))
    at_run = corner_run == run
    legs = np.arange(runs.leg_offsets[run], runs.leg_offsets[run + 1])
    length = lengths[legs]
    total = float(length.sum())
    at = np.sort(station[own])
    gaps = np.diff(at)
    ends = [at[0] + total - at[-1]] if runs.closed[run] else [at[0], total - at[-1]]
    known = ~np.isnan(leg_laid[legs])
    return RunSurvey(
        run=run,
        points=len(own),
        mean_m=float(off.mean()),
        rms_m=float(np.sqrt((off**2).mean())),
        greatest_m=float(off[worst]),
        greatest_point=str(shots.number[own[worst]]),
        shift=fit_points(shots.xy, found, own, sigma_m),
        corners=int(at_run.sum()),
        corners_found=int((corner_point[at_run] >= 0).sum()),
        longest_gap_m=float(max([*gaps.tolist(), *ends])),
        laid_m=float(leg_laid[legs][known].sum()) if known.any() else float("nan"),
        planned_m=float(length[known].sum()) if known.any() else float("nan"),
    )


_POINTS: Final = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")


def compass(bearing_deg: float) -> str:
    """The nearest of eight points of the compass, on the grid."""
    return _POINTS[int((bearing_deg % 360 + 22.5) // 45) % 8]


def side_words(offset_m: float) -> str:
    """Which side of its line edging lies on."""
    return "towards the bed (left)" if offset_m >= 0 else "away from the bed (right)"


def _findings(
    site: Site,
    runs: Runs,
    shots: Shots,
    found: Matched,
    ambiguous: BoolArray,
    made: Sequence[RunSurvey],
    names: ObjectArray,
    corner_run: IntArray,
    corner_point: IntArray,
    leg_points: IntArray,
    leg_laid: FloatArray,
) -> list[Finding]:
    said = site.settings.asbuilt
    bed = [str(site.beds.ids[b]) for b in runs.bed]
    out = list(shots.findings)
    limit = um_to_m(said.line_within)
    for row in made:
        out += _run_findings(row, str(runs.run_id[row.run]), bed[row.run], limit, um_to_m(said.survey_sigma))
        missed = np.flatnonzero((corner_run == row.run) & (corner_point < 0))
        if len(missed):
            out.append(
                Finding(
                    "corner-missed",
                    "notice",
                    f"No survey point within {said.corner_within / 1e3:g} mm of {listed(names[missed])}.",
                    bed[row.run],
                )
            )
        legs = np.arange(runs.leg_offsets[row.run], runs.leg_offsets[row.run + 1])
        bare = legs[(leg_points[legs] == 0) & np.isnan(leg_laid[legs])]
        if len(bare):
            out.append(
                Finding(
                    "leg-not-surveyed",
                    "notice",
                    f"No survey point along {listed(runs.leg_id[bare])}, and not at both ends.",
                    bed[row.run],
                )
            )
    lost = np.flatnonzero(found.run < 0)
    if len(lost):
        parts = [
            f"{shots.number[k]} (row {shots.row[k]}"
            + (
                f", {found.nearest_m[k]:.3f} m from {runs.run_id[found.nearest_run[k]]})"
                if found.nearest_run[k] >= 0
                else ")"
            )
            for k in lost.tolist()
        ]
        out.append(
            Finding(
                "point-unmatched",
                "notice",
                f"Survey points farther than {said.point_within / 1e3:g} mm from every laying line they may "
                f"be of, which match nothing ({len(lost)}): {listed(parts)}.",
            )
        )
    if ambiguous.any():
        out.append(
            Finding(
                "point-ambiguous",
                "notice",
                "Survey points as near to another run as to the one they are counted to "
                f"({int(ambiguous.sum())}): {listed(shots.number[ambiguous])}. Give the run as their code.",
            )
        )
    return out


def _run_findings(row: RunSurvey, name: str, bed: str, limit_m: float, sigma_m: float) -> list[Finding]:
    """What to say of how a run lies."""
    shift = row.shift
    mm = 1e3
    found = []
    if shift is not None and shift.moved_m > max(limit_m, SIGMAS * shift.sigma_m):
        found.append(
            Finding(
                "run-moved",
                "error",
                f"Run {name} lies {shift.moved_m * mm:.0f} mm from its line as a whole, towards grid "
                f"{compass(shift.bearing_deg)} (bearing {shift.bearing_deg:.0f} degrees, standard deviation "
                f"{shift.sigma_m * mm:.0f} mm); with that taken off, {shift.rest_m * mm:.0f} mm remain.",
                bed,
            )
        )
    flat = row.mean_m if shift is None or np.isnan(shift.towards_bed_m) else shift.towards_bed_m
    # the mean of a few points has their standard deviation over the root of how many they are
    flat_sigma = sigma_m / float(np.sqrt(row.points)) if shift is None else shift.bed_sigma_m
    even = shift is None or np.isnan(shift.moved_m) or not np.isnan(shift.towards_bed_m)
    if even and abs(flat) > max(limit_m, SIGMAS * flat_sigma):
        found.append(
            Finding(
                "run-off-line",
                "error",
                f"Run {name} lies {abs(flat) * mm:.0f} mm {side_words(flat)} of its line all along.",
                bed,
            )
        )
    if not found and abs(row.greatest_m) > limit_m:
        found.append(
            Finding(
                "point-off-line",
                "notice",
                f"Run {name} is off its line by up to {abs(row.greatest_m) * mm:.0f} mm "
                f"{side_words(row.greatest_m)}, at point {row.greatest_point}; root mean square "
                f"{row.rms_m * mm:.0f} mm.",
                bed,
            )
        )
    return found
