"""Heights of the ground: from an elevation model (GeoTIFF), or from the outlines' own Z.

Only differences of height matter here, so a model above sea level and one above the
ellipsoid serve alike.  A height is in metres once it leaves this module.

An elevation model is read bilinearly between the centres of its cells, in windows, so that
a model of any size costs little memory.  A place outside the model, or beside a cell
without a value, is a fault that names it; nothing is ever filled in.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import shapely

from siteplan import geodesy
from siteplan.errors import DataError, Fault, Finding
from siteplan.frame import Frame
from siteplan.model import Features, RingKind, Runs, Shapes
from siteplan.planar import closed_rings, linestrings
from siteplan.rasters import georeferenced, open_raster, pixel_m, raster_crs
from siteplan.slope import LEAST_SPACING_M, SPACING_M, Profile, leg_points, profile, samples, smooth
from siteplan.types import FloatArray, IntArray, ObjectArray, XYArray
from siteplan.units import METRES, Unit

_TILE: Final = 1024
"""cells a side read at once"""
_FAULTS: Final = 5
"""places named of one kind of fault"""
CLIFF: Final = 0.5
"""steeper than 1 in 2 over a metre: no lawn and no bed lies so without a wall"""
_UNIT_WORDS: Final[dict[str, Unit]] = {
    **dict.fromkeys(("m", "metre", "metres", "meter", "meters"), "m"),
    **dict.fromkeys(("ft", "foot", "feet", "international foot"), "ft"),
    **dict.fromkeys(
        ("ftus", "us-ft", "us_ft", "foot_us", "us survey foot", "us survey feet", "us_survey_foot"), "ftUS"
    ),
}
_STANDARD_Z: Final = (".geojson", ".json", ".kml", ".kmz", ".gpx")
"""formats whose own standard counts heights in metres (RFC 7946 section 3.1.1, OGC 12-007r2, GPX 1.1)"""


@dataclass(frozen=True, slots=True)
class HeightSource:
    """One elevation model to read."""

    path: Path
    crs: str | None = None
    """the CRS, for a file that does not say"""
    unit: Unit | None = None
    """of its heights, for a file that does not say"""
    band: int | None = None


@dataclass(frozen=True, slots=True, eq=False)
class ElevationModel:
    """An elevation model, opened and checked; its cells are read when they are needed."""

    path: Path
    crs: str
    band: int
    unit: Unit
    unit_why: str
    """where the unit is known from"""
    shape: tuple[int, int]
    """rows, columns"""
    inverse: tuple[float, ...]
    """a, b, c, d, e, f: column = a x + b y + c, row = d x + e y + f, of cell edges"""
    scale: float
    offset: float
    cell_m: tuple[float, float]
    """across and down a cell, in ground metres at the site"""

    @property
    def name(self) -> str:
        """File name for messages."""
        return self.path.name

    def describe(self) -> str:
        """The model in a sentence."""
        across, down = self.cell_m
        return (
            f"Heights from {self.name}: cells of {across:.2f} by {down:.2f} m, "
            f"in {self.unit} ({self.unit_why})"
        )


@dataclass(frozen=True, slots=True, eq=False)
class GroundHeights:
    """Where a site's heights come from: models, or the Z of the outlines."""

    models: tuple[ElevationModel, ...]
    outline_z_m: FloatArray | None
    """(v,) height of every vertex of the beds, where the outlines' own Z is used"""
    smooth_m: float
    """reach of the smoothing to either side, 0 for none"""

    @property
    def spacing_m(self) -> float:
        """How far apart runs are sampled."""
        cells = [min(m.cell_m) for m in self.models]
        return float(np.clip(min(cells, default=SPACING_M), LEAST_SPACING_M, SPACING_M))

    def describe(self) -> str:
        """Source and smoothing in a sentence."""
        source = "; ".join(m.describe() for m in self.models) or "Heights from the outlines' own Z"
        how = f"smoothed over {self.smooth_m:g} m to either side" if self.smooth_m else "not smoothed"
        return f"{source}; {how}."


# ---------------------------------------------------------------- elevation models


def open_models(sources: Sequence[HeightSource], frame: Frame) -> tuple[ElevationModel, ...]:
    """Open and check every elevation model.

    Raises
    ------
    DataError : with the faults of all files: not a GeoTIFF, no CRS, no georeference, several
        bands and none chosen, no unit of height.
    """
    models: list[ElevationModel] = []
    faults: list[Fault] = []
    for source in sources:
        try:
            models.append(_open_model(source, frame))
        except DataError as error:
            faults.extend(error.faults)
    if faults:
        raise DataError(*faults)
    return tuple(models)


def _open_model(source: HeightSource, frame: Frame) -> ElevationModel:
    with open_raster(source.path, ("GTiff",)) as raster:
        georeferenced(raster, source.path)
        crs = raster_crs(raster, source.crs, source.path)
        band = _band(raster.count, source)
        unit, why = _unit(raster.units[band - 1], crs, source)
        steps = pixel_m(frame, crs, raster.transform, raster.shape)
        inverse = ~raster.transform
        return ElevationModel(
            path=source.path,
            crs=crs,
            band=band,
            unit=unit,
            unit_why=why,
            shape=raster.shape,
            inverse=tuple(inverse)[:6],
            scale=float(raster.scales[band - 1]),
            offset=float(raster.offsets[band - 1]),
            cell_m=(float(np.hypot(*steps[0])), float(np.hypot(*steps[1]))),
        )


def _band(count: int, source: HeightSource) -> int:
    if source.band is None and count == 1:
        return 1
    if source.band is not None and 1 <= source.band <= count:
        return source.band
    what = f"it has {count} bands" if source.band is None else f"there is no band {source.band} of {count}"
    raise DataError(Fault("which-band", what, "Say which one holds the heights: band = 1", str(source.path)))


def _unit(band_unit: str | None, crs: str, source: HeightSource) -> tuple[Unit, str]:
    """Unit of a model's heights, and where it is known from."""
    word = (band_unit or "").strip().lower()
    own = _UNIT_WORDS.get(word) or geodesy.vertical_unit(crs)
    if source.unit is not None:
        if own is not None and own != source.unit:
            raise DataError(
                Fault(
                    "height-unit-conflict",
                    f"the file counts heights in {own}, site.toml says {source.unit}",
                    "Take unit out of its entry, or mend the file",
                    str(source.path),
                )
            )
        return source.unit, "as declared"
    if own is None:
        said = f'its band says "{band_unit}"' if word else "the file does not say"
        raise DataError(
            Fault(
                "no-height-unit",
                f"the unit of its heights is not known: {said}",
                'Add unit = "m" (or "ft", "ftUS") to its entry in site.toml',
                str(source.path),
            )
        )
    return own, "as the file says"


def model_heights(model: ElevationModel, frame: Frame, xy: XYArray) -> tuple[FloatArray, ObjectArray]:
    """Heights of an elevation model at places of the site.

    Parameters
    ----------
    model : the model
    frame : the site's grid
    xy : (n, 2) ground metres

    Returns
    -------
    (n,) metres, bilinear between cell centres; NaN where there is none
    (n,) why there is none: ``outside`` or ``nodata``; empty elsewhere.  The outermost half cell
    is outside: nothing lies beyond it to read between.
    """
    place = frame.coords(xy, model.crs)
    a, b, c, d, e, f = model.inverse
    column = a * place[:, 0] + b * place[:, 1] + c - 0.5
    row = d * place[:, 0] + e * place[:, 1] + f - 0.5
    # a place on the last centre itself may come out a hair beyond it
    column, row = (_snapped(v, n) for v, n in ((column, model.shape[1]), (row, model.shape[0])))
    with np.errstate(invalid="ignore"):
        inside = (column >= 0) & (column <= model.shape[1] - 1) & (row >= 0) & (row <= model.shape[0] - 1)
    why = np.where(inside, "", "outside").astype(object)
    height = np.full(len(xy), np.nan)
    at = np.flatnonzero(inside)
    if len(at):
        height[at] = _bilinear(model, column[at], row[at])
        why[at[np.isnan(height[at])]] = "nodata"
    return height, why


def _snapped(values: FloatArray, count: int) -> FloatArray:
    near = np.isfinite(values) & (values > -1e-6) & (values < count - 1 + 1e-6)
    return np.where(near, np.clip(values, 0.0, count - 1.0), values)


def _bilinear(model: ElevationModel, column: FloatArray, row: FloatArray) -> FloatArray:
    """Heights in metres at fractional cells, read window by window."""
    from rasterio.windows import Window

    rows, columns = model.shape
    left = np.minimum(np.floor(column).astype(np.int64), max(columns - 2, 0))
    top = np.minimum(np.floor(row).astype(np.int64), max(rows - 2, 0))
    tile = (top // _TILE) * (columns // _TILE + 1) + left // _TILE
    height = np.empty(len(column))
    metres = float(METRES[model.unit])
    with open_raster(model.path, ("GTiff",)) as raster:
        for one in np.unique(tile):
            at = np.flatnonzero(tile == one)
            l0, t0 = int(left[at].min()), int(top[at].min())
            l1 = min(int(left[at].max()) + 2, columns)
            t1 = min(int(top[at].max()) + 2, rows)
            window = Window(l0, t0, l1 - l0, t1 - t0)
            cells = raster.read(model.band, window=window, masked=True)
            grid = np.where(np.ma.getmaskarray(cells), np.nan, np.ma.getdata(cells).astype(np.float64))
            height[at] = _between(grid, row[at] - t0, column[at] - l0)
    return (height * model.scale + model.offset) * metres


def _between(grid: FloatArray, row: FloatArray, column: FloatArray) -> FloatArray:
    """Bilinear values of a grid; a cell without weight need not have a value."""
    rows, columns = grid.shape
    top = np.clip(np.floor(row).astype(np.int64), 0, max(rows - 2, 0))
    left = np.clip(np.floor(column).astype(np.int64), 0, max(columns - 2, 0))
    down, right = row - top, column - left
    low, far = np.minimum(top + 1, rows - 1), np.minimum(left + 1, columns - 1)
    total = np.zeros(len(row))
    for r, c, share in (
        (top, left, (1 - down) * (1 - right)),
        (top, far, (1 - down) * right),
        (low, left, down * (1 - right)),
        (low, far, down * right),
    ):
        total += np.where(share > 0, share * grid[r, c], 0.0)
    return total


def read_heights(
    models: Sequence[ElevationModel], frame: Frame, xy: XYArray, bed: IntArray, bed_ids: ObjectArray
) -> FloatArray:
    """Heights at places of the site, from the first model that has one there.

    Parameters
    ----------
    models : in order of preference
    frame : the site's grid
    xy : (n, 2) ground metres
    bed : (n,) the bed each place belongs to, for messages
    bed_ids : ids of the beds

    Returns
    -------
    (n,) metres.

    Raises
    ------
    DataError : places no model has a height for: one fault for each bed, with the first such place.
    """
    height = np.full(len(xy), np.nan)
    why = np.full(len(xy), "outside", dtype=object)
    for model in models:
        missing = np.flatnonzero(np.isnan(height))
        if len(missing):
            height[missing], reason = model_heights(model, frame, xy[missing])
            why[missing[reason == "nodata"]] = "nodata"
    missing = np.flatnonzero(np.isnan(height))
    if len(missing):
        raise DataError(*_missing_faults(models, frame, xy, bed, bed_ids, missing, why))
    return height


def _missing_faults(
    models: Sequence[ElevationModel],
    frame: Frame,
    xy: XYArray,
    bed: IntArray,
    bed_ids: ObjectArray,
    missing: IntArray,
    why: ObjectArray,
) -> list[Fault]:
    names = ", ".join(m.name for m in models)
    beds, first, count = np.unique(bed[missing], return_index=True, return_counts=True)
    lonlat = frame.lonlat(xy[missing[first]])
    faults = []
    for k, (one, times) in enumerate(zip(beds.tolist(), count.tolist(), strict=True)):
        nodata = why[missing[first[k]]] == "nodata"
        place = f"{lonlat[k, 0]:.7f}, {lonlat[k, 1]:.7f} (lon, lat)"
        what = "has no value" if nodata else "does not reach"
        faults.append(
            Fault(
                "height-nodata" if nodata else "height-outside",
                f"the elevation model {what} at {place}; {times} place{'s' if times > 1 else ''} of this bed",
                "Give a model that covers every run with half a cell to spare, or a second one under "
                '[[inputs.heights]], or use length_basis = "ground"',
                file=names,
                feature=str(bed_ids[one]),
            )
        )
    return faults


# ---------------------------------------------------------------- the outlines' own Z


@dataclass(frozen=True, slots=True)
class OutlineZ:
    """What the Z of the outlines is like."""

    state: str
    """``none``, ``zero``, ``mixed`` or ``good``"""
    text: str
    """for people; empty where there is none"""


def outline_z(beds: Features) -> OutlineZ:
    """Whether the outlines carry heights, and whether these can be used.

    Heights that are all zero, missing at some vertices, or zero in some beds and not in
    others are what software writes when it has none: they are never used.
    """
    known = np.isfinite(beds.z)
    if not known.any():
        return OutlineZ("none", "")
    zero = beds.z == 0
    if (known & zero).sum() == known.sum():
        return OutlineZ("zero", "the outlines carry heights, and every one is 0")
    counts = np.diff(beds.ring_offsets)
    feature = np.repeat(beds.ring_feature, counts)
    if not known.all():
        first = int(feature[np.argmin(known)])
        return OutlineZ(
            "mixed",
            f"{int((~known).sum())} of {len(known)} vertices of the outlines have no height, "
            f'the first in bed "{beds.ids[first]}"',
        )
    zeros = np.bincount(feature, weights=zero, minlength=len(beds))
    flat = np.flatnonzero(zeros > 0)
    if len(flat):
        return OutlineZ(
            "mixed",
            f"{int(zeros.sum())} of {len(known)} vertices of the outlines have height 0 and the others have "
            f'not, the first in bed "{beds.ids[int(flat[0])]}"',
        )
    return OutlineZ("good", f"the outlines carry heights from {beds.z.min():.2f} to {beds.z.max():.2f}")


def outline_findings(beds: Features, used: str | None) -> tuple[Finding, ...]:
    """What to say of good heights in the outlines that are not used; intake tells of bad ones."""
    z = outline_z(beds)
    if z.state != "good" or used == "outline":
        return ()
    text = f'{z.text[0].upper()}{z.text[1:]}. They are not used; [heights] use = "outline" would.'
    return (Finding("z-not-used", "notice", text),)


def outline_heights(beds: Features, unit: Unit | None) -> FloatArray:
    """Heights of the outlines' vertices in metres, asked for by the settings.

    Raises
    ------
    DataError : no heights, heights that cannot be used, or no unit.  GeoJSON, KML and GPX
        count in metres by their standards; every other format needs a declared unit.
    """
    z = outline_z(beds)
    if z.state != "good":
        raise DataError(
            Fault(
                "no-heights" if z.state == "none" else f"z-{z.state}",
                z.text or "the outlines carry no heights",
                'Give an elevation model under [[inputs.heights]], or use length_basis = "ground"',
                str(beds.file[0]) if len(beds) else None,
            )
        )
    standard = all(str(f).split(",")[0].strip().lower().endswith(_STANDARD_Z) for f in beds.file)
    if unit is None and not standard:
        unit = geodesy.vertical_unit(beds.crs)
        if unit is None:
            raise DataError(
                Fault(
                    "no-height-unit",
                    "the unit of the outlines' heights is not known",
                    'Add unit = "m" (or "ft", "ftUS") under [heights]',
                    str(beds.file[0]),
                )
            )
    return beds.z * float(METRES[unit or "m"])


def _along_outlines(xy: XYArray, ring: IntArray, outlines: Shapes, vertex_z_m: FloatArray) -> FloatArray:
    """Heights at places beside the outlines: of the nearest point of the place's own ring."""
    closed = (outlines.ring_kind == RingKind.OUTER) | (outlines.ring_kind == RingKind.ISLAND)
    take, offsets = closed_rings(outlines.ring_offsets, closed)
    whole, z = outlines.xy[take], vertex_z_m[take]
    rings = linestrings(whole, offsets)
    at = shapely.line_locate_point(rings[ring], shapely.points(xy))
    edge = np.zeros(len(whole))
    edge[1:] = np.hypot(*np.diff(whole, axis=0).T)
    edge[offsets[:-1]] = 1.0  # a metre between rings, so that one search serves all
    key = np.cumsum(edge)
    return np.asarray(np.interp(at + key[offsets[:-1]][ring], key, z), dtype=np.float64)


# ---------------------------------------------------------------- heights along the runs


def ground_profile(
    ground: GroundHeights,
    frame: Frame,
    runs: Runs,
    *,
    outlines: Shapes,
    vertex: IntArray,
    bed_ids: ObjectArray,
) -> Profile:
    """Heights, slope lengths and grades along every run.

    Parameters
    ----------
    ground : where heights come from
    frame : the site's grid
    runs : runs in plan
    outlines : the repaired outlines, as ``runs.ring`` counts their rings
    vertex : (v,) index of each of their vertices in the beds as they came
    bed_ids : ids of the beds

    Raises
    ------
    DataError : places without a height.
    """
    points = leg_points(runs, ground.spacing_m)
    given = samples(runs, ground.spacing_m) if ground.smooth_m else None
    if given is None:
        height = _heights(ground, frame, runs, points.xy, points.run, outlines, vertex, bed_ids)
        return profile(runs, points, height)
    run = np.repeat(np.arange(len(runs.run_id)), np.diff(given.offsets))
    raw = _heights(ground, frame, runs, given.xy, run, outlines, vertex, bed_ids)
    return profile(runs, points, smooth(given, raw, points, ground.smooth_m))


def _heights(
    ground: GroundHeights,
    frame: Frame,
    runs: Runs,
    xy: XYArray,
    run: IntArray,
    outlines: Shapes,
    vertex: IntArray,
    bed_ids: ObjectArray,
) -> FloatArray:
    if ground.outline_z_m is not None:
        return _along_outlines(xy, runs.ring[run], outlines, ground.outline_z_m[vertex])
    return read_heights(ground.models, frame, xy, runs.bed[run], bed_ids)


def profile_findings(
    ground: GroundHeights, frame: Frame, runs: Runs, found: Profile, bed_ids: ObjectArray
) -> tuple[Finding, ...]:
    """Source of the heights, what the slope adds, and the steepest place."""
    if not len(runs.run_id):
        return ()
    plan, slope = float(runs.length_m.sum()), float(found.slope_m.sum())
    worst = int(np.argmax(found.steepest))
    lon, lat = frame.wgs84(found.steepest_xy[worst : worst + 1])[0]
    findings = [
        Finding(
            "heights",
            "notice",
            f"{ground.describe()} Slope lengths come to {slope:.2f} m where plan lengths come to "
            f"{plan:.2f} m ({(slope / plan - 1) * 100:+.2f} %).",
        ),
        Finding(
            "steepest",
            "notice",
            f"the steepest grade of the site is {found.steepest[worst] * 100:.1f} %, on run "
            f"{runs.run_id[worst]} at {lon:.7f}, {lat:.7f} (lon, lat)",
            bed=str(bed_ids[runs.bed[worst]]),
        ),
    ]
    cliffs = np.flatnonzero(found.steepest > CLIFF)
    if len(cliffs):
        names = ", ".join(str(r) for r in runs.run_id[cliffs[:_FAULTS]])
        more = f" and {len(cliffs) - _FAULTS} more" if len(cliffs) > _FAULTS else ""
        findings.append(
            Finding(
                "cliff",
                "error",
                f"The ground along {names}{more} seems steeper than {CLIFF * 100:.0f} % over a metre. "
                "Edging does not lie on that: cells of the elevation model stand on a wall, a roof or a "
                "tree there. Check these slope lengths, smooth over a longer distance ([heights] smooth), "
                "or use a bare-earth model.",
            )
        )
    return tuple(findings)
