"""A site as loaded: settings, inputs, grid and product line.

The library's front door is four functions of three modules::

    site = sites.load_site("sample_data/...")
    measures = sites.measure(site)
    plan = plans.plan_runs(site)
    result = takeoffs.takeoff(site, plan)

:func:`siteplan.layers.geodataframe` turns any layer of the result into a GeoDataFrame.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

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
from siteplan.inputs import (
    SITE_FILE,
    InputsRead,
    SiteSaid,
    empty_features,
    line_place,
    read_inputs,
    read_said,
    read_site_inputs,
    said_of,
    site_of,
    site_settings,
    source_of,
)
from siteplan.lengths import BedMeasures, bed_measures
from siteplan.model import Features, Shapes
from siteplan.own_lines import OwnLines, read_own_lines
from siteplan.pictures import PictureCheck, PictureSource, check_pictures
from siteplan.products import ProductLine
from siteplan.record import RECORD_FILE, Content
from siteplan.record.merging import no_beds_yet
from siteplan.settings import SiteSettings
from siteplan.units import um_to_m

__all__ = [
    "SITE_FILE",
    "InputsRead",
    "Site",
    "SiteSaid",
    "assemble",
    "load_site",
    "measure",
    "read_inputs",
    "read_said",
    "read_site_inputs",
    "said_of",
    "site_of",
    "site_settings",
    "source_of",
]


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
    own_lines: OwnLines = field(default_factory=OwnLines)
    """product lines of beds, rows and runs that have their own"""
    recorded: Content | None = None
    """what the site's record holds, where the outlines come from there"""

    @property
    def lines(self) -> tuple[ProductLine, ...]:
        """The site's line, and those that beds, rows and runs have of their own: what runs count into."""
        return (self.line, *self.own_lines.lines)


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


def measure(site: Site) -> BedMeasures:
    """Area and perimeter of every bed on the ellipsoid, islands counted."""
    return bed_measures(site.frame, site.beds)
