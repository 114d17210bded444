"""The stages put together: a site is loaded, measured, planned and taken off.

The four functions here are the library's front door::

    site = load_site("sample_data/...")
    measures = measure(site)
    plan = plan_runs(site)
    result = takeoff(site, plan)

:func:`siteplan.layers.geodataframe` turns any layer of the result into a GeoDataFrame.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from siteplan.catalog import load_line
from siteplan.eaves import roofs_to_walls
from siteplan.errors import DataError, Fault, Finding
from siteplan.frame import Frame, make_frame
from siteplan.heights import (
    GroundHeights,
    HeightSource,
    ground_profile,
    open_models,
    outline_findings,
    outline_heights,
    profile_findings,
)
from siteplan.intake import AnchorPoint, Reading, Source, Whereabouts, read_features
from siteplan.intake.likely import whereabouts_faults
from siteplan.laying.bends import Bends, bend_corners
from siteplan.laying.corner_units import CornerWay
from siteplan.laying.courses import with_courses
from siteplan.laying.overlaps import overlaps
from siteplan.laying.takeoff import LayRules, Takeoff, lay
from siteplan.lengths import BedMeasures, RunLengths, bed_measures, run_lengths
from siteplan.model import Features, NodeKind, RingKind, Runs, Shapes, Unedged
from siteplan.outline.arrange import take_runs
from siteplan.outline.breaks import BreakRules, find_breaks
from siteplan.outline.breaks_table import Breaks
from siteplan.outline.chosen import RunChoice, check_runs, started, without_skipped
from siteplan.outline.joints import with_movement_joints
from siteplan.outline.refit_runs import tracing_findings
from siteplan.outline.repair import Repaired, repair
from siteplan.outline.rows import with_rows
from siteplan.outline.rules import OutlineRules
from siteplan.outline.runs import build_runs
from siteplan.pictures import PictureCheck, PictureSource, check_pictures
from siteplan.products import ProductLine
from siteplan.settings import InputFile, SiteSettings, load_settings
from siteplan.slope import Profile, sloped, steps
from siteplan.tomlfile import nearest, validated
from siteplan.types import BoolArray, FloatArray, IntArray, ObjectArray, OffsetArray, XYArray
from siteplan.units import format_length, um_to_m

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


@dataclass(frozen=True, slots=True, eq=False)
class RunPlan:
    """Runs, legs and corners of a site, with their lengths and what takes no edging."""

    outlines: Shapes
    """repaired outlines of the beds, bed on the left"""
    runs: Runs
    unedged: Unedged
    lengths: RunLengths
    findings: tuple[Finding, ...]
    ground: Profile | None = None
    """heights along the runs; None where the site has none"""
    bends: Bends | None = None
    """corners a flexible line is bent round; they are no corners of the runs any more"""
    vertex: IntArray | None = None
    """of each vertex of ``outlines`` the vertex as it came, in the features of the beds"""


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


def read_inputs(settings: SiteSettings, base: Path, *, skip_faulty: bool = False) -> InputsRead:
    """Every role of a site, as far as it can be read; nothing is raised for bad data.

    Parameters
    ----------
    settings : of the site
    base : folder the paths start from
    skip_faulty : leave faulty features out and say so, as ``inputs.skip_faulty`` does
    """
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
        faults.extend(_mixed_crs(features, settings))
        faults.extend(_unknown_beds(features["beds"], settings))
        faults.extend(_unknown_vertices(features["beds"], settings))
    return InputsRead(features, tuple(faults), tuple(findings))


def read_site_inputs(
    place: Path, *, skip_faulty: bool = False
) -> tuple[dict[str, Features], tuple[Finding, ...], tuple[Path, ...]]:
    """Inputs of a site alone: features by role, findings, and the files they came from.

    Raises
    ------
    DataError : with every fault of every input
    """
    settings, base = site_of(place)
    read = read_inputs(settings, base, skip_faulty=skip_faulty)
    if read.faults:
        raise DataError(*read.faults)
    given = settings.inputs
    entries = (*given.beds, *given.abutments, *given.openings)
    return read.features, read.findings, tuple(base / e.file for e in entries)


def site_of(place: str | Path | SiteSettings, folder: Path | None = None) -> tuple[SiteSettings, Path]:
    """Settings of a site, and the folder its paths start from.

    Raises
    ------
    DataError : no ``site.toml``, or faults in it
    """
    if isinstance(place, SiteSettings):
        return place, folder or Path()
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
    return load_settings(path), folder or path.parent


def load_site(
    place: str | Path | SiteSettings, *, folder: Path | None = None, skip_faulty: bool = False
) -> Site:
    """Read a site: its settings, outlines, grid and product line.

    Parameters
    ----------
    place : site folder, its ``site.toml``, or settings made with :func:`site_settings`
    folder : where relative paths of settings start; the folder of ``site.toml`` by default
    skip_faulty : leave faulty features out and say so, as ``inputs.skip_faulty`` does

    Raises
    ------
    DataError : with every fault of every input.
    """
    settings, base = site_of(place, folder)
    faults: list[Fault] = []
    line: ProductLine | None = None
    try:
        line = load_line(line_place(settings.line, base))
    except DataError as error:
        faults.extend(error.faults)
    read = read_inputs(settings, base, skip_faulty=skip_faulty)
    faults.extend(read.faults)
    if faults or line is None:
        raise DataError(*faults)
    return assemble(settings, base, line, read)


def assemble(settings: SiteSettings, base: Path, line: ProductLine, read: InputsRead) -> Site:
    """A site from inputs read without fault: its grid, its outlines in it, heights and pictures.

    Raises
    ------
    DataError : what is wrong with grid, heights or pictures
    """
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
    )
    findings.extend(found)
    bed_shapes = frame.shapes(beds)
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
    )


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


def _per_bed(site: Site, name: str, default: Any) -> list[Any]:
    """A setting for every bed: the bed's own, else its default."""
    own = site.settings.bed
    values = []
    for bed in site.beds.ids:
        value = getattr(own[bed], name) if bed in own else None
        values.append(default if value is None else value)
    return values


def _outline_rules(site: Site) -> OutlineRules:
    s = site.settings.outline
    return OutlineRules(
        corner_turn_deg=s.corner_turn_deg,
        corner_stretch_m=um_to_m(s.corner_stretch),
        straight_within_m=um_to_m(s.straight_within),
        least_run_m=um_to_m(s.least_run),
    )


def _break_rules(site: Site) -> BreakRules:
    s = site.settings.outline
    return BreakRules(
        abut_within_m=um_to_m(s.abut_within),
        abut_least_m=um_to_m(s.abut_least),
        opening_reach_m=um_to_m(s.opening_reach),
        shared_within_m=um_to_m(s.shared_within),
    )


def _priorities(site: Site) -> FloatArray:
    """Priority of each bed: ``site.toml``, else attribute ``priority``, else 0."""
    attribute = site.beds.attributes.get("priority")
    given = _per_bed(site, "priority", None)
    made = []
    for k, own in enumerate(given):
        value = own if own is not None else (attribute[k] if attribute is not None else None)
        made.append(float(value) if isinstance(value, (int, float, np.number)) else 0.0)
    return np.array(made)


def _edge_owners(site: Site) -> np.ndarray:
    """(k, 3) two beds and the owner of their shared edge, as indices."""
    index = {bed: k for k, bed in enumerate(site.beds.ids)}
    rows = [(index[e.beds[0]], index[e.beds[1]], index[e.owner]) for e in site.settings.edge_owner]
    return np.array(rows, dtype=np.int64).reshape(-1, 3)


def _opening_widths(site: Site) -> FloatArray:
    """Width of each opening in metres, NaN where it has none."""
    widths = site.openings.attributes.get("width_m")
    if widths is None:
        return np.full(len(site.openings), np.nan)
    return np.array([np.nan if w is None else float(w) for w in widths])


def _corner_overrides(site: Site) -> dict[tuple[str, int], bool]:
    """Bed and vertex number to True (a corner) or False (no corner), whatever the rule says."""
    own = site.settings.bed.items()
    return {
        **{(bed, number): True for bed, said in own for number in said.corners},
        **{(bed, number): False for bed, said in own for number in said.not_corners},
    }


def _without_skipped(site: Site) -> Shapes:
    """Outlines of the beds that are to be edged."""
    shapes = site.bed_shapes
    keep = ~np.array(_skipped(site), dtype=bool)[shapes.ring_feature]
    if keep.all():
        return shapes
    lengths = np.diff(shapes.ring_offsets)
    return replace(
        shapes,
        xy=shapes.xy[np.repeat(keep, lengths)],
        ring_offsets=np.concatenate([[0], np.cumsum(lengths[keep])]),
        ring_kind=shapes.ring_kind[keep],
        ring_feature=shapes.ring_feature[keep],
    )


def _tracing_sigma(site: Site) -> FloatArray:
    """Standard deviation of a traced vertex of each bed, each way; NaN where nobody said."""
    said = site.settings.outline.tracing_sigma
    if said is not None:
        return np.full(len(site.beds), um_to_m(said))
    if site.pictures is not None:
        return site.pictures.outline_sigma_m
    return np.full(len(site.beds), np.nan)


def _kept_vertices(site: Site) -> IntArray:
    """Index, among the vertices as they came, of each vertex of the beds that are to be edged."""
    shapes = site.bed_shapes
    keep = ~np.array(_skipped(site), dtype=bool)[shapes.ring_feature]
    return np.flatnonzero(np.repeat(keep, np.diff(shapes.ring_offsets)))


ENDS = {"free": NodeKind.FREE, "abutted": NodeKind.ABUTTED}


def _with_ends(site: Site, outlines: Shapes, runs: Runs) -> Runs:
    """Runs with the ends of open lines as the settings have them."""
    index = {bed: k for k, bed in enumerate(site.beds.ids)}
    start, far = runs.start_kind.copy(), runs.far_kind.copy()
    line_run = outlines.ring_kind[runs.ring] == RingKind.LINE
    first, last = runs.leg_offsets[:-1], runs.leg_offsets[1:] - 1
    for bed, own in site.settings.bed.items():
        of_bed = np.flatnonzero(line_run & (runs.bed == index[bed]) & ~runs.closed)
        if not len(of_bed):
            continue
        if own.start_end is not None:
            start[first[of_bed[0]]] = ENDS[own.start_end]
        if own.far_end is not None:
            far[last[of_bed[-1]]] = ENDS[own.far_end]
    return replace(runs, start_kind=start, far_kind=far)


def _skipped(site: Site) -> list[bool]:
    """Beds that take no edging: ``site.toml``, or attribute ``skip``."""
    own = site.settings.bed
    attribute = site.beds.attributes.get("skip")
    made = []
    for k, bed in enumerate(site.beds.ids):
        said = own[bed].skip if bed in own and "skip" in own[bed].model_fields_set else None
        value = None if attribute is None else attribute[k]
        made.append(_flag(value) if said is None else said)
    return made


def _flag(value: object) -> bool:
    """An attribute that says yes: true, 1, or ``true``, ``yes``, ``1`` as text."""
    if isinstance(value, str):
        return value.strip().lower() in {"true", "yes", "1"}
    return isinstance(value, (bool, int, float, np.bool_, np.number)) and bool(value == 1)


def run_choices(site: Site) -> dict[str, RunChoice]:
    """What the settings say about single runs, places in ground metres."""
    made = {}
    for name, own in site.settings.run.items():
        start = _place(site, own.start_lonlat, "EPSG:4326")
        if own.start_grid is not None:
            start = _place(site, own.start_grid, site.frame.crs_wkt)
        made[name] = RunChoice(
            skip=own.skip,
            start_leg=own.start_leg,
            start_xy=start,
            pin_xy=_place(site, own.pin_lonlat, "EPSG:4326"),
        )
    return made


def _place(site: Site, at: list[float] | None, crs: str) -> FloatArray | None:
    if at is None:
        return None
    xy: FloatArray = site.frame.ground_xy(np.array([at], dtype=np.float64), crs)[0]
    return xy


def _on_earth(site: Site, fault: Fault) -> Fault:
    """A fault of an outline with its file, and its place where the user can find it."""
    at = np.flatnonzero(site.beds.ids == fault.feature)
    file = str(site.beds.file[at[0]]) if fault.file is None and len(at) else fault.file
    if fault.place_xy is None:
        return replace(fault, file=file)
    (lon, lat), *_ = site.frame.wgs84(np.array([fault.place_xy])).tolist()
    return replace(fault, file=file, what=f"{fault.what} (longitude {lon:.7f}, latitude {lat:.7f})")


def plan_runs(site: Site) -> RunPlan:
    """Runs, legs and corners of every bed, and the stretches that take no edging.

    Raises
    ------
    DataError : outlines that cross themselves, curves too tight for the offset, vertices the
        settings name and the data does not have.
    """
    try:
        return _planned(site)
    except DataError as error:
        raise DataError(*(_on_earth(site, f) for f in error.faults), findings=error.findings) from None


def _planned(site: Site) -> RunPlan:
    """What :func:`plan_runs` returns."""
    outline = site.settings.outline
    sides = np.array(_per_bed(site, "bed_side", outline.bed_side), dtype=object)
    repaired = repair(_without_skipped(site), _outline_rules(site), bed_side=sides)
    breaks, found = find_breaks(
        repaired.shapes,
        site.abutment_shapes,
        site.opening_shapes,
        _break_rules(site),
        bed_ids=site.beds.ids,
        edge_owner=_edge_owners(site),
        priority=_priorities(site),
        opening_width_m=_opening_widths(site),
    )
    offset_m = np.array(_per_bed(site, "offset", outline.offset), dtype=np.float64) / 1e6
    runs, unedged, more = _rows(site, repaired, breaks, offset_m)
    choices = run_choices(site)
    check_runs(runs, choices, site.beds.ids, SITE_FILE)
    runs, unedged = without_skipped(runs, unedged, choices)
    runs, bends = bend_corners(runs, site.line, tuple(site.settings.corners.by), _corner_by_bed(site))
    runs = started(runs, choices, SITE_FILE)
    runs = _with_movement_joints(site, runs)
    single = runs
    runs, in_courses = _with_courses(site, runs)
    more = (*more, *tracing_findings(runs, site.beds.ids, refit=outline.refit == "arcs"))
    vertex = _kept_vertices(site)[repaired.source]
    ground, told = _ground(site, runs, repaired.shapes, vertex)
    return RunPlan(
        outlines=repaired.shapes,
        runs=runs,
        unedged=unedged,
        lengths=run_lengths(site.frame, runs, slope_m=None if ground is None else ground.slope_m),
        findings=(
            *repaired.findings,
            *found,
            *more,
            *_bend_findings(site, single, bends),
            *told,
            *in_courses,
        ),
        ground=ground,
        bends=bends,
        vertex=vertex,
    )


def _with_courses(site: Site, runs: Runs) -> tuple[Runs, tuple[Finding, ...]]:
    """Runs of every course, and what to say of joints that stand above each other."""
    said = site.settings.courses
    if said.count == 1:
        return runs, ()
    made, alike = with_courses(
        runs, said.count, site.beds.ids, site.line, _lay_rules(site), _outline_rules(site),
        stagger=said.stagger == "half",
    )  # fmt: skip
    if not alike:
        return made, ()
    return made, (
        Finding(
            "joints-in-line",
            "notice",
            f"{alike} legs of every second course are laid as those below, their joints above each other: "
            "they are mitred, or curves of a rigid line, or no half piece can be had or cut",
        ),
    )


def _with_movement_joints(site: Site, runs: Runs) -> Runs:
    said = site.settings.movement_joints
    if said is None:
        return runs
    every_m = None if said.every is None else um_to_m(said.every)
    return with_movement_joints(runs, every_m, said.width, said.at_buildings, _outline_rules(site))


def _rows(
    site: Site, repaired: Repaired, breaks: Breaks, offset_m: FloatArray
) -> tuple[Runs, Unedged, tuple[Finding, ...]]:
    """Runs of the beds' own laying line and of the rows beside it, and what takes no edging.

    Raises
    ------
    DataError : an offset the outline leaves no room for, of every row
    """
    faults: list[Fault] = []

    def built(offset_m: FloatArray, row: int) -> tuple[Runs, Unedged, tuple[Finding, ...]] | None:
        try:
            runs, unedged, found = build_runs(
                repaired.shapes,
                breaks,
                _outline_rules(site),
                offset_m=offset_m,
                bed_ids=site.beds.ids,
                overrides=_corner_overrides(site),
                number=repaired.number,
                tracing_sigma_m=_tracing_sigma(site),
                refit=site.settings.outline.refit == "arcs",
            )
        except DataError as error:
            faults.extend(f if row == 1 else replace(f, what=f"row {row}: {f.what}") for f in error.faults)
            return None
        return _with_ends(site, repaired.shapes, runs), unedged, found

    own = built(offset_m, 1)
    rows: list[Runs] = []
    found: list[Finding] = []
    for number, row in enumerate(site.settings.row, start=2):
        of_bed = np.ones(len(site.beds), dtype=bool)
        if row.beds is not None:
            of_bed = np.isin(site.beds.ids.astype(str), row.beds)
        # beds without the row keep their own offset, so that no other one is asked of them
        made = built(np.where(of_bed, um_to_m(row.offset), offset_m), number)
        if made is not None:
            rows.append(take_runs(made[0], np.flatnonzero(of_bed[made[0].bed])))
            found += [f for f in made[2] if own is None or f not in own[2]]
    if faults or own is None:
        raise DataError(*dict.fromkeys(faults))
    if not rows:
        return own
    return with_rows(own[0], rows, site.beds.ids), own[1], (*own[2], *found)


def _corner_by_bed(site: Site) -> dict[int, tuple[CornerWay, ...]]:
    """Ways to make the corners of the beds that have their own, by index of the bed."""
    index = {bed: k for k, bed in enumerate(site.beds.ids)}
    return {
        index[bed]: tuple(own.corner_by)
        for bed, own in site.settings.bed.items()
        if own.corner_by is not None and bed in index
    }


def _bend_findings(site: Site, runs: Runs, bends: Bends) -> tuple[Finding, ...]:
    """What the bends of each run come to."""
    run, first, count = np.unique(bends.run, return_index=True, return_counts=True)
    shorter = np.bincount(bends.run, weights=bends.shorter_m)
    away = np.zeros(len(runs.run_id))
    np.maximum.at(away, bends.run, bends.away_m)
    return tuple(
        Finding(
            "bent-corners",
            "notice",
            f"run {runs.run_id[r]}: {n} corner{'s are' if n > 1 else ' is'} bent round with a radius of "
            f"{bends.radius_m[at]:.3f} m: the run is {shorter[r]:.3f} m shorter and stays "
            f"up to {away[r]:.3f} m from its corners",
            bed=str(site.beds.ids[runs.bed[r]]),
        )
        for r, at, n in zip(run.tolist(), first.tolist(), count.tolist(), strict=True)
    )


def _ground(
    site: Site, runs: Runs, outlines: Shapes, vertex: IntArray
) -> tuple[Profile | None, tuple[Finding, ...]]:
    """Heights along the runs, and what to say about them."""
    if site.heights is None:
        return None, ()
    ground = ground_profile(
        site.heights, site.frame, runs, outlines=outlines, vertex=vertex, bed_ids=site.beds.ids
    )
    return ground, profile_findings(site.heights, site.frame, runs, ground, site.beds.ids)


def laid_length(site: Site) -> str:
    """Which length the pieces are fitted to: ``slope`` or ``ground``."""
    follows = site.settings.length_basis == "slope" and site.settings.slope_by == "follow"
    return "slope" if follows else "ground"


def _lay_rules(site: Site) -> LayRules:
    """How legs are filled and laid, as the settings say."""
    fit = site.settings.fit
    return LayRules(
        prefer=fit.prefer,
        closer_limit=fit.closers_per_leg,
        fit_short_um=fit.short,
        fit_over_um=fit.over,
        lay_from=fit.lay_from,
        make_up=fit.make_up,
        play_um=fit.play,
        fair_within_um=site.settings.outline.straight_within,
        corner_by=tuple(site.settings.corners.by),
        corner_by_bed=tuple((str(site.beds.ids[b]), ways) for b, ways in _corner_by_bed(site).items()),
    )


def takeoff(site: Site, plan: RunPlan) -> Takeoff:
    """Pieces and counts of a plan: the exact takeoff with the site's product line."""
    fit, rules = site.settings.fit, _lay_rules(site)
    on_slope = plan.ground is not None and laid_length(site) == "slope"
    runs = sloped(plan.runs, plan.ground) if on_slope and plan.ground is not None else plan.runs
    held = _held_legs(site, plan) if fit.play else None
    result = lay(runs, site.beds.ids, site.line, rules, held=held)
    plan = laid_plan(site, plan, result)
    if plan.ground is None or site.settings.slope_by != "step":
        return result
    greatest = site.settings.heights.step
    greatest_m = site.line.height_um / 2e6 if greatest is None else um_to_m(greatest)
    return replace(result, steps=steps(plan.runs, result.pieces, plan.ground, greatest_m))


def laid_plan(site: Site, plan: RunPlan, result: Takeoff) -> RunPlan:
    """The plan with its runs where they are laid.

    Parameters
    ----------
    site, plan, result : the plan as the outlines have it, and its takeoff

    Returns
    -------
    The same plan where no leg was moved; else one with the moved runs, measured again.
    """
    if result.play is None or not result.play.moved_m.any() or plan.runs is result.play.runs:
        return plan
    runs, ground = result.play.runs, plan.ground
    if ground is not None and plan.vertex is not None:
        ground, _ = _ground(site, runs, plan.outlines, plan.vertex)
    slope_m = None if ground is None else ground.slope_m
    return replace(plan, runs=runs, lengths=run_lengths(site.frame, runs, slope_m=slope_m), ground=ground)


def _held_legs(site: Site, plan: RunPlan) -> BoolArray:
    """(l,) legs that play leaves where they are: at openings, and along edges two beds share."""
    runs, unedged = plan.runs, plan.unedged
    # free ends move with their leg only where a line was drawn to end there
    run_ring, per_ring = runs.ring, np.bincount(runs.ring, minlength=len(plan.outlines.ring_kind))
    whole = (plan.outlines.ring_kind == RingKind.LINE) & (per_ring == 1)
    whole[unedged.ring] = False
    own = whole[run_ring][runs.leg_run]
    held: BoolArray = ~own & ((runs.start_kind == NodeKind.FREE) | (runs.far_kind == NodeKind.FREE))
    shared = np.flatnonzero(unedged.why == "shared")
    if not len(shared) or not len(runs.leg_id):
        return held
    rows, legs = (_linestrings(of.xy, of.offsets) for of in (unedged, runs))
    offset = max((abs(int(um)) for um in _per_bed(site, "offset", site.settings.outline.offset)), default=0)
    near = um_to_m(site.settings.outline.shared_within + offset + site.line.depth_um)
    found = shapely.STRtree(legs).query(rows[shared], predicate="dwithin", distance=near)
    held[found[1]] = True
    return held


def _linestrings(xy: XYArray, offsets: OffsetArray) -> ObjectArray:
    """Lines of a ragged array."""
    line = np.repeat(np.arange(len(offsets) - 1), np.diff(offsets))
    return np.asarray(shapely.linestrings(xy, indices=line), dtype=object)


def play_findings(site: Site, plan: RunPlan, result: Takeoff) -> tuple[Finding, ...]:
    """What to say of legs that were moved sideways."""
    play = result.play
    if play is None:
        return ()
    units = site.settings.show.units
    most = f"[fit] play = {format_length(um_to_m(result.rules.play_um), units)}"
    moved = np.flatnonzero(play.moved_m)
    if not len(moved):
        return (Finding("play", "notice", f"No leg was moved sideways: within {most} that saves no cut."),)
    runs = np.unique(plan.runs.leg_run[moved])
    in_runs = np.isin(plan.runs.leg_run, runs)
    saved = int(play.cuts_before[runs].sum()) - result.cuts_in(in_runs)
    met = int(play.unmet_before[runs].sum()) - int(result.fits.unmet[in_runs].sum())
    worst = int(np.argmax(np.abs(play.moved_m)))
    farthest = format_length(play.greatest_m, units)
    side = "away from" if play.moved_m[worst] > 0 else "into"
    gains = [f"{saved} fewer cuts"] * (saved > 0) + [f"{met} more legs met"] * (met > 0)
    return (
        Finding(
            "moved-legs",
            "notice",
            f"{len(moved)} legs in {len(runs)} runs are laid beside the outline's line, within {most}: "
            f"{' and '.join(gains)}. The farthest is {plan.runs.leg_id[worst]}, {farthest} {side} the bed. "
            "Set out the moved line; the table of legs has every movement.",
        ),
    )


def step_findings(result: Takeoff) -> tuple[Finding, ...]:
    """What to say of edging that steps down a slope."""
    steps = result.steps
    if steps is None:
        return ()
    high = int(steps.too_high.sum())
    greatest = format_length(steps.greatest_m)
    found = [
        Finding(
            "steps",
            "notice",
            f"The edging steps down the slope: {len(steps)} steps of at most {greatest} at joints between "
            "level pieces, listed in steps. Pieces are fitted to plan lengths.",
        )
    ]
    if high:
        worst = int(np.argmax(np.abs(steps.rise_m)))
        rise = format_length(abs(float(steps.rise_m[worst])))
        found.append(
            Finding(
                "step-too-high",
                "error",
                f"{high} steps are higher than {greatest}, the worst {rise} before piece "
                f"{result.pieces.piece_id[steps.after[worst]]}: the ground rises more than that under one "
                "piece. Take shorter pieces, follow the slope, or allow a higher step ([heights] step).",
            )
        )
    return tuple(found)


OVERLAPS_TOLD = 20
"""pairs of runs told of one by one"""


def overlap_findings(site: Site, plan: RunPlan, result: Takeoff) -> tuple[Finding, ...]:
    """What to say of pieces that lie on one another: the worst place of every pair of runs."""
    pieces, run_id = result.pieces, plan.runs.run_id
    found = overlaps(pieces, plan.runs)
    pair = np.column_stack([pieces.run[found.first], pieces.run[found.second]])
    _, first, count = np.unique(pair, axis=0, return_index=True, return_counts=True)
    told = []
    for at, many in sorted(zip(first.tolist(), count.tolist(), strict=True))[:OVERLAPS_TOLD]:
        a, b = int(found.first[at]), int(found.second[at])
        one = pieces.run[a] == pieces.run[b]
        where = f"Run {run_id[pieces.run[a]]} lies on itself" if one else (
            f"Runs {run_id[pieces.run[a]]} and {run_id[pieces.run[b]]} lie on one another"
        )  # fmt: skip
        told.append(
            Finding(
                "pieces-overlap",
                "error",
                f"{where} in {many} place{'s' if many != 1 else ''}, worst at "
                f"{pieces.piece_id[a]} and {pieces.piece_id[b]} ({found.area_m2[at] * 1e4:.0f} cm²). "
                "The outlines are closer there than the edging is deep: share the edge "
                "(outline.shared_within), skip one run, or move an outline.",
                bed=str(site.beds.ids[pieces.bed[a]]),
            )
        )
    if len(first) > OVERLAPS_TOLD:
        more = f"{len(first) - OVERLAPS_TOLD} more pairs of runs lie on one another."
        told.append(Finding("pieces-overlap", "error", more))
    return tuple(told)
