"""What is said of a site, in ``site.toml`` and its record, and its outlines as they came.

The first half of loading a site; :mod:`siteplan.sites` puts them on the site's grid.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from siteplan.errors import DataError, Fault, Finding
from siteplan.intake import AnchorPoint, Reading, Source, Whereabouts, read_features
from siteplan.intake.features import told_of
from siteplan.intake.likely import whereabouts_faults
from siteplan.model import Features
from siteplan.record import RECORD_FILE, Content, Record
from siteplan.record.merging import input_notes, merged_settings, no_beds_yet
from siteplan.record.sources import input_hashes
from siteplan.settings import InputFile, SiteSettings
from siteplan.tomlfile import nearest, read_toml, validated
from siteplan.units import um_to_m

SITE_FILE: Final = "site.toml"


def empty_features(role: str, crs: str) -> Features:
    """Features of a role that has no input."""
    none = np.empty(0, dtype=object)
    return Features(
        role=role,
        crs=crs,
        ids=none,
        names=none,
        coords=np.empty((0, 2)),
        z=np.empty(0),
        ring_offsets=np.zeros(1, dtype=np.int64),
        ring_kind=np.empty(0, dtype=np.int8),
        ring_feature=np.empty(0, dtype=np.int64),
        file=none,
        row=np.empty(0, dtype=np.int64),
    )


def site_settings(
    beds: Path,
    line: str,
    *,
    abutments: Sequence[Path] = (),
    openings: Sequence[Path] = (),
    units: str | None = None,
    grid: str | None = None,
    mixed_crs: str | None = None,
    reading: Mapping[str, Any] | None = None,
) -> SiteSettings:
    """Settings for bare files, with the defaults for everything else.

    Parameters
    ----------
    beds : file of the bed outlines; paths are taken as they are
    line : key of a shipped product line, or a path to one
    abutments, openings : further files
    units : ``m`` or ``ft``, shown
    grid : ``auto``, ``local`` or a code
    mixed_crs : ``refuse`` or ``transform``
    reading : further keys of ``[[inputs.beds]]``, such as ``crs`` or ``layers``

    Raises
    ------
    DataError : a value ``site.toml`` would not take either.
    """

    def entries(paths: Sequence[Path]) -> list[dict[str, Any]]:
        return [{"file": str(p.absolute())} for p in paths]

    inputs: dict[str, Any] = {
        "beds": [{**entry, **(reading or {})} for entry in entries([beds])],
        "abutments": entries(abutments),
        "openings": entries(openings),
    }
    data: dict[str, Any] = {"name": beds.stem, "line": line, "inputs": inputs}
    if mixed_crs is not None:
        inputs["mixed_crs"] = mixed_crs
    if units is not None:
        data["show"] = {"units": units}
    if grid is not None:
        data["grid"] = {"name": grid}
    return validated(SiteSettings, data, "command line")


@dataclass(frozen=True, slots=True, eq=False)
class InputsRead:
    """What the inputs of a site gave: features of the roles that could be read, and what is wrong."""

    features: dict[str, Features]
    faults: tuple[Fault, ...]
    findings: tuple[Finding, ...]


def source_of(
    entry: InputFile,
    base: Path,
    height_m: float | None = None,
    whereabouts: Whereabouts | None = None,
) -> Source:
    """What the intake is asked for, from an input of ``site.toml``.

    Parameters
    ----------
    entry : the input
    base : folder its path starts from
    height_m : of the site above the ellipsoid, where known
    whereabouts : about where the site lies, where known
    """

    def metres(value: int | None) -> float | None:
        return None if value is None else um_to_m(value)

    pairs = entry.anchor
    return Source(
        path=base / entry.file,
        layer=entry.layer,
        where=entry.where,
        crs=entry.crs or entry.assume,
        height_m=height_m,
        assume=entry.assume,
        whereabouts=whereabouts or Whereabouts(),
        reading=Reading(
            layers=None if entry.layers is None else tuple(entry.layers),
            unit=entry.unit,
            unit_overrules=entry.unit_overrules,
            height_unit=entry.height_unit,
            columns=entry.columns,
            anchor=None
            if pairs is None
            else tuple(AnchorPoint((p.file[0], p.file[1]), (p.map[0], p.map[1]), p.name) for p in pairs),
            chord_tolerance_m=metres(entry.chord_tolerance),
            join_within_m=metres(entry.join_within),
            simplify_m=metres(entry.simplify),
            closed=entry.closed,
            close_within_m=metres(entry.close_within),
            hdop_limit=entry.hdop_limit,
            nested=entry.nested,
        ),
    )


def ellipsoidal_height_m(settings: SiteSettings) -> float | None:
    """Height of the site above the ellipsoid; None where it is not stated."""
    grid = settings.grid
    if grid.height is None:
        return None
    return um_to_m(grid.height + (grid.geoid_height or 0))


def whereabouts_of(settings: SiteSettings) -> Whereabouts:
    """About where the site lies, as its settings say."""
    given = settings.whereabouts
    return Whereabouts(
        near=None if given.near is None else (given.near[0], given.near[1]),
        within_m=None if given.within is None else um_to_m(given.within),
        region=given.region,
        weights=given.weights,
    )


@dataclass(frozen=True, slots=True, eq=False)
class SiteSaid:
    """What is known of a site before any outline is read."""

    settings: SiteSettings
    """of ``site.toml``, with the values of the record over them"""
    folder: Path
    """paths start from it"""
    content: Content | None = None
    """what the record holds; None where the site has none"""
    findings: tuple[Finding, ...] = ()


def read_said(said: SiteSaid, *, skip_faulty: bool = False) -> InputsRead:
    """Every role of a site: from its record, where it has one, else from its files.

    Nothing is raised for bad data.
    """
    if said.content is None:
        return read_inputs(said.settings, said.folder, skip_faulty=skip_faulty)
    features = {role: f for role, f in said.content.features.items() if len(f) or role == "beds"}
    faults = _of_settings(features, said.settings, said.content)
    told = tuple(finding for f in features.values() if len(f) for finding in told_of(f))
    return InputsRead(features, tuple(faults), (*said.findings, *told))


def _of_settings(
    features: dict[str, Features], settings: SiteSettings, content: Content | None = None
) -> list[Fault]:
    """What the settings ask of the outlines and these do not have."""
    beds = features["beds"]
    return [
        *_mixed_crs(features, settings),
        *_unknown_beds(beds, settings, content),
        *_unknown_vertices(beds, settings, content),
    ]


def read_inputs(
    settings: SiteSettings, base: Path, *, skip_faulty: bool = False, has_record: bool = False
) -> InputsRead:
    """Every role of a site from its files, as far as it can be read; nothing is raised for bad data.

    Parameters
    ----------
    settings : of the site
    base : folder the paths start from
    skip_faulty : leave faulty features out and say so, as ``inputs.skip_faulty`` does
    has_record : the beds may have been drawn at the desk, so that no file need be named for them
    """
    if not settings.inputs.beds and not has_record:
        return InputsRead({}, (_no_inputs(),), ())
    skip = skip_faulty or settings.inputs.skip_faulty
    height_m = ellipsoidal_height_m(settings)
    about = whereabouts_of(settings)
    faults: list[Fault] = list(whereabouts_faults(about, SITE_FILE))
    about = about if not faults else Whereabouts()
    findings: list[Finding] = []
    features: dict[str, Features] = {}
    for role in ("beds", "abutments", "openings"):
        sources = [source_of(entry, base, height_m, about) for entry in getattr(settings.inputs, role)]
        if not sources:
            continue
        try:
            of_beds = role == "beds"
            features[role], found = read_features(
                sources,
                role,
                id_attribute=settings.inputs.id_attribute if of_beds else None,
                name_attribute=settings.inputs.name_attribute if of_beds else None,
                skip_faulty=skip,
            )
            findings.extend(found)
        except DataError as error:
            faults.extend(error.faults)
            findings.extend(error.findings)
    if "beds" in features:
        faults.extend(_of_settings(features, settings))
    return InputsRead(features, tuple(faults), tuple(findings))


def _no_inputs() -> Fault:
    return Fault(
        "missing-key",
        "key inputs.beds is missing, and there is no record of beds drawn at the desk either",
        "Name the file of the beds under [[inputs.beds]], or draw them with 'siteplan desk'",
        SITE_FILE,
    )


def read_site_inputs(
    place: Path, *, skip_faulty: bool = False
) -> tuple[dict[str, Features], tuple[Finding, ...], tuple[Path, ...]]:
    """Outlines of a site alone: features by role, findings, and the files they came from.

    Of a site with a record these are the record's.

    Raises
    ------
    DataError : with every fault of every input
    """
    said = said_of(place)
    read = read_said(said, skip_faulty=skip_faulty)
    if read.faults:
        raise DataError(*read.faults)
    if not len(read.features["beds"]):
        raise no_beds_yet(said.folder / RECORD_FILE)
    given = said.settings.inputs
    entries = (*given.beds, *given.abutments, *given.openings)
    files = tuple(said.folder / e.file for e in entries)
    return (
        read.features,
        read.findings,
        files if said.content is None else (*files, said.folder / RECORD_FILE),
    )


def said_of(
    place: str | Path | SiteSettings,
    folder: Path | None = None,
    *,
    content: Content | None = None,
    input_changes: bool = False,
) -> SiteSaid:
    """Settings of a site and what its record holds.

    Parameters
    ----------
    place : site folder, its ``site.toml``, or settings, which count as they are: then no record is read
    folder : where relative paths start; the folder of ``site.toml`` by default
    content : to take in place of what the record holds, such as changes that are not saved
    input_changes : with a content given too, look for input files that changed since they were brought in

    Raises
    ------
    DataError : no ``site.toml``, faults in it or in the record
    """
    if isinstance(place, SiteSettings):
        return SiteSaid(place, folder or Path(), content)
    path = _site_file(place)
    base = folder or path.parent
    data = read_toml(path)
    record = path.parent / RECORD_FILE
    saved = content is None and record.exists()
    if saved:
        content = Record.open(record).content()
    if content is None:
        return SiteSaid(validated(SiteSettings, data, str(path)), base)
    settings, findings = merged_settings(data, path, content)
    if saved or input_changes:
        findings += input_notes(settings.inputs, input_hashes(settings.inputs, base), content)
    return SiteSaid(settings, base, content, findings)


def site_of(place: str | Path | SiteSettings, folder: Path | None = None) -> tuple[SiteSettings, Path]:
    """Settings of a site, and the folder its paths start from.

    Raises
    ------
    DataError : no ``site.toml``, or faults in it or in the record
    """
    said = said_of(place, folder)
    return said.settings, said.folder


def _site_file(place: str | Path) -> Path:
    """The ``site.toml`` of a site.

    Raises
    ------
    DataError : there is none
    """
    path = Path(place)
    path = path / SITE_FILE if path.is_dir() else path
    if not path.exists():
        raise DataError(
            Fault(
                "no-site",
                f"there is no {SITE_FILE}",
                "Name a site folder, or an outline file together with --line",
                str(place),
            )
        )
    return path


def line_place(line: str, base: Path) -> str | Path:
    """A product line named in ``site.toml`` is a key, or a path from the site folder."""
    return base / line if line.endswith(".toml") else line


def _mixed_crs(features: dict[str, Features], settings: SiteSettings) -> list[Fault]:
    """Roles that come in another CRS than the beds, unless the settings allow it."""
    if settings.inputs.mixed_crs == "transform":
        return []
    beds = features["beds"]
    return [
        Fault(
            "mixed-crs",
            f"{role} come in {other.crs[:60]}, the beds in {beds.crs[:60]}",
            'Convert one of them, or say inputs.mixed_crs = "transform" (--mixed-crs transform)',
            str(other.file[0]),
        )
        for role, other in features.items()
        if other.crs != beds.crs
    ]


def _said_in(content: Content | None, table: str, *keys: str) -> str:
    """The file to name for a value: the record, where it is set there."""
    value: Any = {} if content is None else content.overrides.get(table)
    if table == "bed":
        for key in keys:
            value = value.get(key) if isinstance(value, Mapping) else None
    return RECORD_FILE if value else SITE_FILE


def _unknown_beds(beds: Features, settings: SiteSettings, content: Content | None) -> list[Fault]:
    """Beds that the settings name and the data does not have."""
    known = {str(i) for i in beds.ids}
    named = {f"bed.{bed}": bed for bed in settings.bed}
    for number, entry in enumerate(settings.edge_owner, start=1):
        named.update({f"edge_owner[{number}] {bed}": bed for bed in entry.beds})
    for number, row in enumerate(settings.row, start=1):
        named.update({f"row[{number}].beds {bed}": bed for bed in row.beds or ()})
    faults = []
    for key, bed in named.items():
        if bed in known:
            continue
        like = nearest(bed, known)
        hint = f'Did you mean "{like}"?' if like else "Name a bed of the outlines"
        file = _said_in(content, key.partition("[")[0].partition(".")[0], bed)
        faults.append(Fault("unknown-bed", f'{key}: there is no bed "{bed}"', hint, file))
    return faults


def _unknown_vertices(beds: Features, settings: SiteSettings, content: Content | None) -> list[Fault]:
    """Vertices that the settings name and the bed as traced does not have."""
    index = {str(bed): k for k, bed in enumerate(beds.ids)}
    counts = np.bincount(beds.ring_feature, weights=np.diff(beds.ring_offsets), minlength=len(beds))
    return [
        Fault(
            "unknown-vertex",
            f"bed.{bed}.{key}: there is no vertex {number}, the bed has {int(counts[index[bed]])}",
            "Count the vertices as traced, from 1, outer ring first",
            _said_in(content, "bed", bed, key),
            bed,
            number,
        )
        for bed, own in settings.bed.items()
        if bed in index
        for key, numbers in (("corners", own.corners), ("not_corners", own.not_corners))
        for number in numbers
        if number > counts[index[bed]]
    ]
