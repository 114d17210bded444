"""A site as loaded: settings, inputs, grid and product line.

The library's front door is four functions of three modules::

    site = sites.load_site("sample_data/...")
    measures = sites.measure(site)
    plan = plans.plan_runs(site)
    result = takeoffs.takeoff(site, plan)

:func:`siteplan.layers.geodataframe` turns any layer of the result into a GeoDataFrame.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from siteplan.catalog import load_line
from siteplan.eaves import roofs_to_walls
from siteplan.errors import DataError, Fault, Finding
from siteplan.frame import Frame, make_frame
from siteplan.heights import (
    GroundHeights,
    HeightSource,
    open_models,
    outline_findings,
    outline_heights,
)
from siteplan.intake import AnchorPoint, Reading, Source, Whereabouts, read_features
from siteplan.intake.likely import whereabouts_faults
from siteplan.lengths import BedMeasures, bed_measures
from siteplan.model import Features, Shapes
from siteplan.own_lines import OwnLines, read_own_lines
from siteplan.pictures import PictureCheck, PictureSource, check_pictures
from siteplan.products import ProductLine
from siteplan.record import RECORD_FILE, Content, Record
from siteplan.record.merging import input_notes, merged_settings, no_beds_yet
from siteplan.record.sources import input_hashes
from siteplan.settings import InputFile, SiteSettings
from siteplan.tomlfile import nearest, read_toml, validated
from siteplan.units import um_to_m

SITE_FILE = "site.toml"


@dataclass(frozen=True, slots=True, eq=False)
class Site:
    """A site as loaded: settings, inputs, grid and product line.

    ``beds``, ``abutments`` and ``openings`` are the inputs as they came; the ``*_shapes``
    are the same in the site's ground metres.
    """

    settings: SiteSettings
    folder: Path
    line: ProductLine
    frame: Frame
    beds: Features
    abutments: Features
    openings: Features
    bed_shapes: Shapes
    abutment_shapes: Shapes
    opening_shapes: Shapes
    findings: tuple[Finding, ...]
    heights: GroundHeights | None = None
    """where heights come from; None where the site has none"""
    pictures: PictureCheck | None = None
    """pictures from above, checked; None where the site has none"""
    own_lines: OwnLines = OwnLines()
    """product lines of beds, rows and runs that have their own"""
    recorded: Content | None = None
    """what the site's record holds, where the outlines come from there"""

    @property
    def lines(self) -> tuple[ProductLine, ...]:
        """The site's line, and those that beds, rows and runs have of their own: what runs count into."""
        return (self.line, *self.own_lines.lines)


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
    faults = _of_settings(features, said.settings)
    return InputsRead(features, tuple(faults), said.findings)


def _of_settings(features: dict[str, Features], settings: SiteSettings) -> list[Fault]:
    """What the settings ask of the outlines and these do not have."""
    beds = features["beds"]
    return [
        *_mixed_crs(features, settings),
        *_unknown_beds(beds, settings),
        *_unknown_vertices(beds, settings),
    ]


def read_inputs(settings: SiteSettings, base: Path, *, skip_faulty: bool = False) -> InputsRead:
    """Every role of a site from its files, as far as it can be read; nothing is raised for bad data.

    Parameters
    ----------
    settings : of the site
    base : folder the paths start from
    skip_faulty : leave faulty features out and say so, as ``inputs.skip_faulty`` does
    """
    if not settings.inputs.beds:
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
    place: str | Path | SiteSettings, folder: Path | None = None, *, content: Content | None = None
) -> SiteSaid:
    """Settings of a site and what its record holds.

    Parameters
    ----------
    place : site folder, its ``site.toml``, or settings, which count as they are: then no record is read
    folder : where relative paths start; the folder of ``site.toml`` by default
    content : to take in place of what the record holds, such as changes that are not saved

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
    if saved:
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


def load_site(
    place: str | Path | SiteSettings,
    *,
    folder: Path | None = None,
    skip_faulty: bool = False,
    content: Content | None = None,
    allow_empty: bool = False,
) -> Site:
    """Read a site: its settings, outlines, grid and product line.

    Where ``record.gpkg`` stands beside ``site.toml``, the outlines are those of the record, its values go
    before those of ``site.toml``, and the grid stays where it was when the record was made.

    Parameters
    ----------
    place : site folder, its ``site.toml``, or settings made with :func:`site_settings`
    folder : where relative paths of settings start; the folder of ``site.toml`` by default
    skip_faulty : leave faulty features out and say so, as ``inputs.skip_faulty`` does
    content : to take in place of what the record holds, such as changes that are not saved
    allow_empty : a site whose record has no bed yet is given with none; nothing can be planned of it, but
        its grid is there to draw in

    Raises
    ------
    DataError : with every fault of every input.
    """
    said = said_of(place, folder, content=content)
    settings, base = said.settings, said.folder
    faults: list[Fault] = []
    line: ProductLine | None = None
    try:
        line = load_line(line_place(settings.line, base))
    except DataError as error:
        faults.extend(error.faults)
    read = read_said(said, skip_faulty=skip_faulty)
    faults.extend(read.faults)
    if faults or line is None:
        raise DataError(*faults)
    return assemble(said, line, read, allow_empty=allow_empty)


def assemble(said: SiteSaid, line: ProductLine, read: InputsRead, *, allow_empty: bool = False) -> Site:
    """A site from inputs read without fault: its grid, its outlines in it, heights and pictures.

    Raises
    ------
    DataError : what is wrong with grid, heights or pictures; no bed, unless that is allowed
    """
    settings, base = said.settings, said.folder
    if not len(read.features["beds"]) and not allow_empty:
        raise no_beds_yet(base / RECORD_FILE)
    features, findings = read.features, list(read.findings)
    beds = features["beds"]
    abutments = features.get("abutments", empty_features("abutments", beds.crs))
    openings = features.get("openings", empty_features("openings", beds.crs))
    frame, found = make_frame(
        beds,
        grid=settings.grid.name,
        height_m=None if settings.grid.height is None else um_to_m(settings.grid.height),
        height_kind=settings.grid.height_kind,
        geoid_height_m=None if settings.grid.geoid_height is None else um_to_m(settings.grid.geoid_height),
        others=tuple(f for role, f in features.items() if role != "beds"),
        centre_lonlat=None if said.content is None else _settled_centre(said.content),
    )
    findings.extend(found)
    bed_shapes = frame.shapes(beds)
    own_lines = read_own_lines(settings, beds, lambda text: line_place(text, base), SITE_FILE)
    extras, told = _extras(settings, base, frame, beds, bed_shapes, abutments)
    findings.extend(told)
    return Site(
        settings=settings,
        folder=base,
        line=line,
        frame=frame,
        beds=beds,
        abutments=abutments,
        openings=openings,
        bed_shapes=bed_shapes,
        abutment_shapes=extras.abutment_shapes,
        opening_shapes=frame.shapes(openings),
        findings=tuple(findings),
        heights=extras.heights,
        pictures=extras.pictures,
        own_lines=own_lines,
        recorded=said.content,
    )


def _settled_centre(content: Content) -> tuple[float, float] | None:
    """Where the site's grid was settled when the record was made."""
    centre = content.grid.get("centre_lonlat")
    return None if centre is None else (float(centre[0]), float(centre[1]))


@dataclass(frozen=True, slots=True, eq=False)
class _Extras:
    """What is read once the site's grid is known."""

    heights: GroundHeights | None
    pictures: PictureCheck | None
    abutment_shapes: Shapes


def _extras(
    settings: SiteSettings, base: Path, frame: Frame, beds: Features, bed_shapes: Shapes, abutments: Features
) -> tuple[_Extras, list[Finding]]:
    """Heights, pictures and roofs, with the faults of all three in one report."""
    faults: list[Fault] = []
    findings: list[Finding] = []
    heights: GroundHeights | None = None
    pictures: PictureCheck | None = None
    walls = frame.shapes(abutments)
    try:
        heights = _heights(settings, base, frame, beds)
        findings.extend(outline_findings(beds, None if heights is None else settings.heights.use))
    except DataError as error:
        faults.extend(error.faults)
    try:
        pictures = _pictures(settings, base, frame, bed_shapes)
        findings.extend(() if pictures is None else pictures.findings)
    except DataError as error:
        faults.extend(error.faults)
    try:
        eave = settings.outline.eave
        walls, found = roofs_to_walls(abutments, walls, None if eave is None else um_to_m(eave))
        findings.extend(found)
    except DataError as error:
        faults.extend(error.faults)
    if faults:
        raise DataError(*faults)
    rasters = [] if heights is None else [(m.name, m.crs) for m in heights.models]
    rasters += [] if pictures is None else [(p.name, p.crs) for p in pictures.pictures]
    for name, crs in rasters:
        change = frame.datum_change(crs)
        if change is not None:
            findings.append(Finding("datum-change", "notice", f"{name} was brought from {change.text}"))
    return _Extras(heights, pictures, walls), findings


def _pictures(settings: SiteSettings, base: Path, frame: Frame, beds: Shapes) -> PictureCheck | None:
    """The site's pictures, checked; None where it has none."""
    given, said = settings.inputs.pictures, settings.pictures
    if not given:
        return None
    sources = [
        PictureSource(base / p.file, p.crs, None if p.bands is None else tuple(p.bands), p.traced)
        for p in given
    ]
    return check_pictures(
        sources,
        frame,
        beds,
        tracing_error_m=None if said.tracing_error is None else um_to_m(said.tracing_error),
        tracing_error_px=said.tracing_error_px,
        stretch=said.stretch,
    )


def _heights(settings: SiteSettings, base: Path, frame: Frame, beds: Features) -> GroundHeights | None:
    """Where the site's heights come from.

    Raises
    ------
    DataError : heights asked for that are not there or cannot be used.
    """
    said, given = settings.heights, settings.inputs.heights
    smooth_m = um_to_m(said.smooth)
    if said.use == "outline":
        return GroundHeights((), outline_heights(beds, said.unit), smooth_m)
    if given:
        models = open_models([HeightSource(base / h.file, h.crs, h.unit, h.band) for h in given], frame)
        return GroundHeights(models, None, smooth_m)
    asked = [
        text
        for text, so in (
            ('length_basis is "slope"', settings.length_basis == "slope"),
            ('slope_by is "step"', settings.slope_by == "step"),
            ('[heights] use is "model"', said.use == "model"),
        )
        if so
    ]
    if asked:
        raise DataError(
            Fault(
                "no-heights",
                f"{' and '.join(asked)}, but the site has no heights",
                'Give an elevation model under [[inputs.heights]], or say [heights] use = "outline" where '
                'the outlines carry heights; otherwise use length_basis = "ground" and slope_by = "follow"',
                str(base / SITE_FILE),
            )
        )
    return None


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


def _unknown_beds(beds: Features, settings: SiteSettings) -> list[Fault]:
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
        faults.append(Fault("unknown-bed", f'{key}: there is no bed "{bed}"', hint, SITE_FILE))
    return faults


def _unknown_vertices(beds: Features, settings: SiteSettings) -> list[Fault]:
    """Vertices that the settings name and the bed as traced does not have."""
    index = {str(bed): k for k, bed in enumerate(beds.ids)}
    counts = np.bincount(beds.ring_feature, weights=np.diff(beds.ring_offsets), minlength=len(beds))
    return [
        Fault(
            "unknown-vertex",
            f"bed.{bed}.{key}: there is no vertex {number}, the bed has {int(counts[index[bed]])}",
            "Count the vertices as traced, from 1, outer ring first",
            SITE_FILE,
            bed,
            number,
        )
        for bed, own in settings.bed.items()
        if bed in index
        for key, numbers in (("corners", own.corners), ("not_corners", own.not_corners))
        for number in numbers
        if number > counts[index[bed]]
    ]


def measure(site: Site) -> BedMeasures:
    """Area and perimeter of every bed on the ellipsoid, islands counted."""
    return bed_measures(site.frame, site.beds)
