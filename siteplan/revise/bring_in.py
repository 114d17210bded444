"""Changed input files brought into the record as a new revision."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from siteplan.errors import DataError, Fault, Finding
from siteplan.geodesy import crs_facts
from siteplan.inputs import said_of
from siteplan.intake.crs import crs_key
from siteplan.intake.features import ROLES
from siteplan.model import Features
from siteplan.record import RECORD_FILE, Change, Content, PutRunNames, PutSource, Record, Revision, applied
from siteplan.record.sources import input_hashes
from siteplan.revise.differences import FeatureChange, differences, with_kept_ids
from siteplan.revise.start import names_of_runs, start_record
from siteplan.settings import SiteSettings
from siteplan.sites import load_site, read_inputs
from siteplan.units import format_length


@dataclass(frozen=True, slots=True)
class BroughtIn:
    """What bringing in came to."""

    revision: Revision | None
    """the new revision; None where nothing had changed"""
    rows: tuple[FeatureChange, ...]
    """every feature of the files, and every one that is gone"""
    findings: tuple[Finding, ...]
    """what the files tell of themselves"""
    started: bool = False
    """True where the site had no record before"""

    def count(self, status: str) -> int:
        """How many features have a status."""
        return sum(row.status == status for row in self.rows)


def bring_in(place: str | Path, *, who: str, prefer_file: bool = False, when: str | None = None) -> BroughtIn:
    """Read the input files of a site again, and make a revision of what changed in them.

    Parameters
    ----------
    place : site folder, or its ``site.toml``
    who : for the revision
    prefer_file : where the file and the record both changed a feature, the file's state is taken; else the
        record's stands, and the row says so
    when : UTC as ISO 8601 text

    Notes
    -----
    Three states are compared: as the file was when it was last brought in, as it is now, and the record.
    What the file did not change is left alone, so that work done at the desk is kept.  A site without a
    record gets one.

    Raises
    ------
    DataError : faults of the files; a role in another CRS than before; an id drawn at the desk too; a site
        that cannot be loaded as it would be
    Conflict : somebody saved in between
    OutputError : the record cannot be written
    """
    path = (Path(place) if Path(place).is_dir() else Path(place).parent) / RECORD_FILE
    if not path.exists():
        record = start_record(place, who=who, when=when)
        return BroughtIn(record.newest(), (), (), started=True)
    record = Record.open(path)
    base = record.newest()
    content, brought = record.content(base.number), record.brought()
    said = said_of(place, content=content)
    hashes = input_hashes(said.settings.inputs, said.folder)
    if (
        not said.settings.inputs.beds
        and not said.settings.inputs.abutments
        and not said.settings.inputs.openings
    ):
        return BroughtIn(None, (), ())
    read = read_inputs(said.settings, said.folder, has_record=True)
    if read.faults:
        raise DataError(*read.faults)
    _check_crs(content, read.features)
    frame = load_site(place, content=content, allow_empty=True).frame
    rows: list[FeatureChange] = []
    changes: list[Change] = []
    faults: list[Fault] = []
    for role in ROLES:
        file = read.features.get(role)
        if file is not None:
            taken = frozenset([*content.features[role].ids.tolist(), *brought[role].ids.tolist()])
            file = with_kept_ids(brought[role], file, frame, taken)
        try:
            told, made = differences(
                brought[role],
                content.features[role],
                file,
                frame=frame,
                length=_shown(said.settings),
                prefer_file=prefer_file,
            )
        except DataError as error:
            faults.extend(error.faults)
            continue
        rows += told
        changes += made
    if faults:
        raise DataError(*faults)
    changes += [PutSource(f, h) for f, h in hashes.items() if h is not None and content.sources.get(f) != h]
    changes += [PutSource(f, None) for f in content.sources if f not in hashes]
    if not changes:
        return BroughtIn(None, tuple(rows), read.findings)
    after = load_site(place, content=applied(content, changes), allow_empty=True)
    changes += [PutRunNames(bed, names) for bed, names in names_of_runs(after).items()]
    revision = record.save(base.number, changes, who=who, what=_what(rows), etag=base.etag, when=when)
    return BroughtIn(revision, tuple(rows), read.findings)


def _shown(settings: SiteSettings) -> Callable[[float], str]:
    show = settings.show
    return lambda metres: format_length(metres, show.units, denominator=show.inch_fraction)


def _what(rows: list[FeatureChange]) -> str:
    counts = [(word, sum(r.status == word for r in rows)) for word in ("new", "changed", "gone", "kept")]
    told = ", ".join(f"{n} {word}" for word, n in counts if n)
    return f"brought in changed input files: {told or 'no outline changed'}"


def _check_crs(content: Content, features: dict[str, Features]) -> None:
    """Refuse files in another CRS than the record keeps a role in."""
    faults = []
    for role, file in features.items():
        kept = content.features[role].crs
        if crs_key(crs_facts(file.crs)) != crs_key(crs_facts(kept)):
            faults.append(
                Fault(
                    "record-crs",
                    f"the file is in {crs_facts(file.crs).label}, and the record keeps {role} in "
                    f"{crs_facts(kept).label}",
                    "Convert the file to that CRS in your GIS, or begin a new site",
                    str(file.file[0]),
                )
            )
    if faults:
        raise DataError(*faults)
