"""What was laid against what was planned, put together from field files and survey points."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from siteplan.asbuilt.change import laid_change
from siteplan.asbuilt.merging import Sheaf, listed, merge
from siteplan.asbuilt.rates import RateRow, rate_rows
from siteplan.asbuilt.reader import looks_like_field_file, read_field_file
from siteplan.asbuilt.stock import StockRow, stock_rows
from siteplan.asbuilt.surveyed import Surveyed, hold_points, read_shots
from siteplan.asbuilt.taped import TapedRow, hold_lengths
from siteplan.asbuilt.ticking import LAID, Ticked, hold_ticks, piece_status
from siteplan.compare.changes import Change
from siteplan.errors import DataError, Fault, Finding, UsageError
from siteplan.laying.takeoff import Takeoff
from siteplan.lengths import BedMeasures
from siteplan.ordering import Purchase, purchase
from siteplan.plans import RunPlan, laid_length
from siteplan.sheets.revision import plan_hash
from siteplan.sites import Site
from siteplan.takeoffs import laid_plan
from siteplan.types import BoolArray, FloatArray, IntArray, ObjectArray
from siteplan.units import Unit, format_length


@dataclass(frozen=True, slots=True, eq=False)
class RunTally:
    """Pieces of each run.  r runs."""

    pieces: IntArray
    laid: IntArray
    taken_back: IntArray
    missing: IntArray
    """(r,) not ticked in a run that was begun"""
    not_started: IntArray
    """(r,) not ticked in a run nobody began"""
    laid_m: FloatArray
    """(r,) along the laying line, from the start of each laid piece to its end"""
    seen: IntArray
    """(r,) survey points matched to the run"""


@dataclass(frozen=True, slots=True, eq=False)
class AsBuilt:
    """Everything that came back from the field, against the plan."""

    site: Site
    measures: BedMeasures
    plan: RunPlan
    """with its runs where they are laid"""
    result: Takeoff
    bought: Purchase
    digest: str
    sheaf: Sheaf
    ticked: Ticked
    status: ObjectArray
    """(p,) words: laid, laid as another, taken back, missing, not started"""
    tally: RunTally
    leg_status: ObjectArray
    """(l,) words: laid, part laid, missing, not started, no piece"""
    stock: tuple[StockRow, ...]
    rates: tuple[RateRow, ...]
    taped: tuple[TapedRow, ...]
    surveyed: Surveyed | None
    """None without survey points"""
    change: Change | None
    """None without field files: nothing is known of what was laid and used"""
    files: tuple[str, ...]
    findings: tuple[Finding, ...]
    """errors first"""

    def show(self, length_m: float) -> str:
        """A length as people read it."""
        said = self.site.settings.show
        return format_length(float(length_m), said.units, denominator=said.inch_fraction)

    @property
    def begun(self) -> BoolArray:
        """(r,) runs with a laid piece."""
        made: BoolArray = self.ticked.run_state > 0
        return made


def as_built(
    site: Site,
    measures: BedMeasures,
    plan: RunPlan,
    result: Takeoff,
    paths: Sequence[Path],
    *,
    crs: str | None = None,
    unit: Unit | None = None,
) -> AsBuilt:
    """Field files and survey files against a plan.

    Parameters
    ----------
    site, measures, plan, result : the plan
    paths : field files of the crew page, and survey files with columns, in any order
    crs, unit : of the survey files; the site's grid by default

    Raises
    ------
    DataError : every fault of every file; files of another site
    UsageError : no file, or ``crs`` and ``unit`` without a survey file
    """
    plan = laid_plan(site, plan, result)
    field, survey = _sorted(paths)
    if (crs or unit) and not survey:
        raise UsageError("--crs and --unit go with survey files, and none of the files is one")
    faults: list[Fault] = []
    findings: list[Finding] = []
    read = []
    for path in field:
        try:
            file, found = read_field_file(path)
            read.append((file, str(path)))
            findings.extend(found)
        except DataError as error:
            faults.extend(error.faults)
    shots = None
    if survey:
        try:
            shots = read_shots(site, survey, crs=crs, unit=unit)
        except DataError as error:
            faults.extend(error.faults)
    digest = plan_hash(site, plan, result)
    sheaf = None
    try:
        sheaf = merge([f for f, _ in read], [label for _, label in read], site.settings.name, digest)
    except DataError as error:
        faults.extend(error.faults)
    if faults or sheaf is None:
        raise DataError(*faults)
    bought = purchase(site, plan, result)
    ticked = hold_ticks(site, plan, result, sheaf, digest)
    stock, about_stock = stock_rows(site, result, bought, ticked, sheaf)
    rates, about_rates = rate_rows(plan.runs, result, ticked, sheaf)
    taped, about_tapes = hold_lengths(site, plan, sheaf)
    surveyed = None if shots is None else hold_points(site, plan.runs, shots)
    status = piece_status(ticked, result.pieces.run)
    tally = _tally(plan, result, ticked, status, surveyed)
    legs = _leg_status(plan, result, ticked)
    findings += [
        # what is left out of the site is in no plan, so nothing that was laid there counts
        *(f for f in site.findings if f.code == "left-out"),
        *_file_findings(site, sheaf),
        *sheaf.findings,
        *ticked.findings,
        *(_gap_findings(site, plan, ticked, status, result, legs) if field else ()),
        *(about_stock if field else ()),
        *about_rates,
        *about_tapes,
        *(() if surveyed is None else surveyed.findings),
        *_cross_findings(site, plan, ticked, tally, surveyed, with_ticks=bool(field)),
    ]
    return AsBuilt(
        site=site,
        measures=measures,
        plan=plan,
        result=result,
        bought=bought,
        digest=digest,
        sheaf=sheaf,
        ticked=ticked,
        status=status,
        tally=tally,
        leg_status=legs,
        stock=stock,
        rates=rates,
        taped=taped,
        surveyed=surveyed,
        change=laid_change(site, measures, plan, result, bought, ticked, tally.laid_m, stock)
        if field
        else None,
        files=tuple(str(p) for p in (*field, *survey)),
        findings=tuple(sorted(findings, key=lambda f: f.grade != "error")),
    )


def _sorted(paths: Sequence[Path]) -> tuple[list[Path], list[Path]]:
    """Field files and survey files; a file named twice is read once."""
    if not paths:
        raise UsageError("name at least one field file or survey file")
    field: list[Path] = []
    survey: list[Path] = []
    seen: set[Path] = set()
    for path in paths:
        if path.resolve() in seen:
            continue
        seen.add(path.resolve())
        named = path.suffix.lower() == ".json"
        (field if named or looks_like_field_file(path) else survey).append(path)
    return field, survey


def _tally(
    plan: RunPlan, result: Takeoff, ticked: Ticked, status: ObjectArray, surveyed: Surveyed | None
) -> RunTally:
    runs, pieces = len(plan.runs.run_id), result.pieces

    def of(rows: BoolArray) -> IntArray:
        return np.bincount(pieces.run[rows], minlength=runs)

    laid = ticked.laid
    span = np.bincount(pieces.run[laid], weights=(pieces.to_um - pieces.from_um)[laid], minlength=runs)
    hit = np.zeros(0, dtype=np.int64) if surveyed is None else surveyed.matched.run
    return RunTally(
        pieces=np.bincount(pieces.run, minlength=runs),
        laid=of(laid),
        taken_back=of(status == "taken back"),
        missing=of(status == "missing"),
        not_started=of(status == "not started"),
        laid_m=span / 1e6,
        seen=np.bincount(hit[hit >= 0], minlength=runs),
    )


def _leg_status(plan: RunPlan, result: Takeoff, ticked: Ticked) -> ObjectArray:
    """(l,) how much of each leg is laid; ``missing`` where nothing is, in a run that was begun."""
    legs = len(plan.runs.leg_id)
    all_of = np.bincount(result.pieces.leg, minlength=legs)
    laid = np.bincount(result.pieces.leg[ticked.state == LAID], minlength=legs)
    words = np.full(legs, "part laid", dtype=object)
    begun = ticked.run_state[plan.runs.leg_run] > 0
    words[laid == 0] = "not started"
    words[(laid == 0) & begun] = "missing"
    words[laid == all_of] = "laid"
    words[all_of == 0] = "no piece"
    return words


# ---------------------------------------------------------------- what there is to say


def _file_findings(site: Site, sheaf: Sheaf) -> list[Finding]:
    found = []
    basis = laid_length(site)
    for file, label in zip(sheaf.files, sheaf.labels, strict=True):
        if file.basis != basis:
            found.append(
                Finding(
                    "other-basis",
                    "notice",
                    f"{label} was made with {file.basis} lengths; this plan is laid to {basis} lengths.",
                )
            )
    if not sheaf.files:
        found.append(
            Finding(
                "no-field-file",
                "notice",
                "No field file was given: nothing is known of ticks, stock and hours.",
            )
        )
    return found


def _gap_findings(
    site: Site, plan: RunPlan, ticked: Ticked, status: ObjectArray, result: Takeoff, legs: ObjectArray
) -> list[Finding]:
    """Legs and pieces that are missing in runs that were begun, and what was taken back."""
    runs, pieces = plan.runs, result.pieces
    found = []
    for run in np.flatnonzero(ticked.run_state == 1).tolist():
        own = np.arange(runs.leg_offsets[run], runs.leg_offsets[run + 1])
        gone = own[legs[own] == "missing"]
        bed = str(site.beds.ids[runs.bed[run]])
        for leg in gone.tolist():
            count = int((pieces.leg == leg).sum())
            found.append(
                Finding(
                    "leg-missing",
                    "error",
                    f"Leg {runs.leg_id[leg]} is missing: none of its {count} "
                    "pieces is ticked, and others of its run are.",
                    bed,
                )
            )
        part = (pieces.run == run) & (status == "missing") & ~np.isin(pieces.leg, gone)
        if part.any():
            names = pieces.piece_id[part]
            found.append(
                Finding(
                    "pieces-missing",
                    "error",
                    f"Run {runs.run_id[run]}: {int(part.sum())} pieces are not "
                    f"ticked in legs that are begun: {listed(names)}.",
                    bed,
                )
            )
    back = status == "taken back"
    if back.any():
        found.append(
            Finding(
                "taken-back",
                "notice",
                f"Pieces ticked and taken back ({int(back.sum())}): {listed(pieces.piece_id[back])}.",
            )
        )
    other = status == "laid as another"
    if other.any():
        found.append(
            Finding(
                "laid-as-another",
                "notice",
                f"Pieces laid as another code or cut otherwise ({int(other.sum())}): "
                f"{listed(pieces.piece_id[other])}.",
            )
        )
    return found


def _cross_findings(
    site: Site, plan: RunPlan, ticked: Ticked, tally: RunTally, surveyed: Surveyed | None, *, with_ticks: bool
) -> list[Finding]:
    """Where ticks and survey do not speak of the same runs."""
    if surveyed is None or not with_ticks:
        return []
    seen, begun = tally.seen > 0, ticked.run_state > 0
    found = []
    ids = plan.runs.run_id
    # a single point may be a stray: two of a run are no accident
    quiet = (tally.seen >= 2) & ~begun
    if quiet.any():
        found.append(
            Finding(
                "surveyed-not-ticked",
                "error",
                f"Runs with survey points and no ticked piece ({int(quiet.sum())}): {listed(ids[quiet])}.",
            )
        )
    bare = begun & ~seen
    if bare.any():
        found.append(
            Finding(
                "ticked-not-surveyed",
                "notice",
                f"Runs with laid pieces and no survey point ({int(bare.sum())}): {listed(ids[bare])}.",
            )
        )
    return found
