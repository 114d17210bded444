"""What there is to say about the inputs of a site or a file, before anything is planned.

Nothing is written, and bad data raises nothing: it becomes rows.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

from siteplan.catalog import load_line
from siteplan.errors import DataError, Fault, Finding, Grade, UsageError
from siteplan.frame import make_frame
from siteplan.inputs import line_place
from siteplan.intake import read_features
from siteplan.outline.repair import repair
from siteplan.outline.rules import OutlineRules
from siteplan.plans import plan_runs
from siteplan.settings import InputFile
from siteplan.sites import SITE_FILE, InputsRead, assemble, read_said, said_of, source_of

SCHEMA_VERSION: Final = 1


@dataclass(frozen=True, slots=True)
class CheckRow:
    """One fault or finding."""

    grade: Grade
    code: str
    text: str
    remedy: str | None
    """what to do about it; a finding says so in its text"""
    file: str | None
    feature: str | None
    vertex: int | None


@dataclass(frozen=True, slots=True)
class CheckReport:
    """Everything found, errors first, each group in the order it was found."""

    path: str
    rows: tuple[CheckRow, ...]

    @property
    def errors(self) -> int:
        """How many rows are errors."""
        return sum(r.grade == "error" for r in self.rows)

    @property
    def notices(self) -> int:
        """How many rows are notices."""
        return len(self.rows) - self.errors

    def as_dict(self) -> dict[str, Any]:
        """The report as plain data; see docs/inputs.md."""
        return {
            "schema_version": SCHEMA_VERSION,
            "path": self.path,
            "errors": self.errors,
            "notices": self.notices,
            "rows": [asdict(r) for r in self.rows],
        }


def _of_faults(faults: Iterable[Fault]) -> list[CheckRow]:
    return [CheckRow("error", f.code, f.what, f.remedy, f.file, f.feature, f.vertex) for f in faults]


def _of_findings(findings: Iterable[Finding]) -> list[CheckRow]:
    return [CheckRow(f.grade, f.code, f.text, None, None, f.bed, f.vertex) for f in findings]


def _report(path: Path, rows: list[CheckRow]) -> CheckReport:
    # stages tell the same thing again where they meet it again
    once = dict.fromkeys(rows)
    return CheckReport(str(path), tuple(sorted(once, key=lambda r: r.grade != "error")))


def check_file(entry: InputFile, base: Path, role: str = "beds") -> CheckReport:
    """Look into one input file.

    Parameters
    ----------
    entry : the file, as ``site.toml`` would name it
    base : folder its path starts from
    role : ``beds``, ``abutments`` or ``openings``

    Returns
    -------
    Faults and findings of reading; for beds that can be read, also those of their grid and of
    repairing the outlines.
    """
    path = base / entry.file
    rows: list[CheckRow] = []
    try:
        features, findings = read_features([source_of(entry, base)], role)
        rows += _of_findings(findings)
        if role == "beds":
            frame, findings = make_frame(features)
            rows += _of_findings(findings)
            rows += _of_findings(repair(frame.shapes(features), OutlineRules()).findings)
    except DataError as error:
        rows += _of_faults(error.faults) + _of_findings(error.findings)
    return _report(path, rows)


def check_site(place: Path) -> CheckReport:
    """Look into everything a site takes in: settings, product line, every input, and its outlines.

    Parameters
    ----------
    place : site folder, or its ``site.toml``

    Notes
    -----
    Grid, heights, pictures, runs and corners are looked at once the inputs are read without fault;
    until then a row says that they were not.
    """
    rows: list[CheckRow] = []
    try:
        said = said_of(place)
    except DataError as error:
        return _report(place, _of_faults(error.faults))
    settings, base = said.settings, said.folder
    line = None
    try:
        line = load_line(line_place(settings.line, base))
    except DataError as error:
        rows += _of_faults(error.faults)
    except UsageError as error:
        rows.append(CheckRow("error", "no-such-line", str(error), None, str(base / SITE_FILE), None, None))
    read: InputsRead = read_said(said)
    rows += _of_faults(read.faults) + _of_findings(read.findings)
    if read.faults or line is None:
        text = "grid, heights, runs and corners were not looked at, because of the faults before them"
        rows.append(
            CheckRow("notice", "not-looked-at", text, "Mend the faults and check again", None, None, None)
        )
        return _report(place, rows)
    try:
        site = assemble(said, line, read)
        rows += _of_findings(site.findings)
        rows += _of_findings(plan_runs(site).findings)
    except DataError as error:
        rows += _of_faults(error.faults) + _of_findings(error.findings)
    return _report(place, rows)
