"""Georeferenced pictures from above: what they are, whether they cover the beds, and one
small copy for the map.

A picture is never read whole: facts come from its header and from a copy of at most a
thousand pixels, and the map's copy is resampled once, in windows.

The *ground sample distance* is the length on the ground of one pixel, across and down.  It
is measured through the site's grid, so a picture in EPSG:3857, whose pixels are said to be
longer than they are (by 1 / cos latitude), gets its true one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from siteplan.errors import DataError, Fault, Finding
from siteplan.frame import Frame
from siteplan.geodesy import crs_facts
from siteplan.model import Shapes
from siteplan.rasters import from_cells, georeferenced, open_raster, pixel_m, raster_crs, to_cells
from siteplan.types import BoolArray, FloatArray, IntArray, LonLatArray, ObjectArray

DRIVERS: Final = ("GTiff", "PNG", "JPEG", "WEBP")
LONGEST_PX: Final = 4096
"""side of the map's copy"""
MARGIN_M: Final = 25.0
"""ground shown round the beds"""
_LOOK_PX: Final = 1024
"""side of the copy facts are taken from"""
_NAMED: Final = 5
_SQUARE: Final = 1e-3
"""pixels whose sides differ by less than this fraction count as square"""
_ROTATED_DEG: Final = 0.01


@dataclass(frozen=True, slots=True)
class PictureSource:
    """One picture to look at."""

    path: Path
    crs: str | None = None
    """the CRS, for a file that does not say"""
    bands: tuple[int, ...] | None = None
    """one band or three; chosen from the file where None"""
    traced: bool = True


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """What a picture is."""

    path: Path
    crs: str
    crs_label: str
    crs_declared: bool
    """the CRS is from the settings: the file does not say"""
    size: tuple[int, int]
    """columns, rows"""
    count: int
    """bands in the file"""
    dtype: str
    nodata: float | None
    shown: tuple[int, ...]
    """bands shown: three, or one"""
    palette: bool
    """its one band holds numbers of colours"""
    gsd_m: tuple[float, float]
    """ground metres of a pixel, across and down, at the site"""
    said_m: tuple[float, float] | None
    """what the file's CRS makes of a pixel, in metres; None for a picture in degrees"""
    turned_deg: float
    """direction of its rows from the site's east, counter-clockwise"""
    sheared_deg: float
    """how far its columns are from square to its rows"""
    stretch: tuple[tuple[float, float], ...]
    """values shown as black and white, for each band shown; 0 and 255 are shown as they are"""
    traced: bool
    covered: BoolArray
    """(n,) beds that lie in it with every vertex, and with no more than half of them where it is blank"""
    transform: Any
    """its cells to coordinates in its CRS"""
    filled: NDArray[np.bool_]
    """a small copy: where it is not blank"""

    def covers(self, frame: Frame, beds: Shapes) -> BoolArray:
        """(n,) whether other beds lie in it, by the same rule as ``covered``."""
        return _covered(self.size, self.filled, _cells(self.transform, frame, self.crs, beds), beds)

    @property
    def name(self) -> str:
        """File name for messages."""
        return self.path.name

    @property
    def square(self) -> bool:
        """Whether a pixel is as long as it is wide."""
        across, down = self.gsd_m
        return abs(across / down - 1) < _SQUARE

    @property
    def mean_gsd_m(self) -> float:
        """Root mean square of the two sides of a pixel."""
        return math.hypot(*self.gsd_m) / math.sqrt(2)

    def describe(self) -> str:
        """The picture in a few sentences."""
        across, down = self.gsd_m
        size = (
            f"{across:.4f} m" if self.square else f"{across:.4f} m across and {down:.4f} m down (not square)"
        )
        declared = ", as declared" if self.crs_declared else ""
        parts = [
            f"{self.name}: {self.size[0]} x {self.size[1]} pixels of {size} on the ground, "
            f"{self.count} band{'s' if self.count > 1 else ''} of {self.dtype}, {self.crs_label}{declared}."
        ]
        if self.said_m is not None and abs(self.said_m[0] / across - 1) > 0.005:
            parts.append(
                f"Its CRS calls a pixel {self.said_m[0]:.4f} m; {self.crs_label} is no measure of ground, "
                "and the figure above is the true one."
            )
        if abs(self.turned_deg) > _ROTATED_DEG:
            parts.append(f"Its rows are turned {self.turned_deg:+.2f} degrees from grid east.")
        if abs(self.sheared_deg) > _ROTATED_DEG:
            parts.append(f"It is sheared by {self.sheared_deg:+.2f} degrees.")
        if self.count > len(self.shown):
            parts.append(f"Shown: band{'s' * (len(self.shown) > 1)} {', '.join(map(str, self.shown))}.")
        if self.stretch != ((0.0, 255.0),) * len(self.stretch):
            shown = ", ".join(f"{low:g} to {high:g}" for low, high in self.stretch)
            parts.append(f"Shown from black to white: {shown}.")
        return " ".join(parts)


@dataclass(frozen=True, slots=True, eq=False)
class PictureCheck:
    """All pictures of a site, and what they mean for its beds.  n beds."""

    pictures: tuple[Picture, ...]
    of_bed: IntArray
    """(n,) the traced picture with the smallest pixels that covers the bed, -1 for none"""
    outline_sigma_m: FloatArray
    """(n,) standard deviation of a traced vertex, each way; NaN where no traced picture covers the bed"""
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class Underlay:
    """A picture resampled for the map."""

    data: bytes
    mime: str
    west: float
    south: float
    east: float
    north: float
    """WGS 84 degrees of its edges"""
    size: tuple[int, int]
    """columns, rows"""
    pixel_m: float
    """ground metres of one of its pixels"""
    name: str


# ---------------------------------------------------------------- facts


def check_pictures(
    sources: Sequence[PictureSource],
    frame: Frame,
    beds: Shapes,
    *,
    tracing_error_m: float | None = None,
    tracing_error_px: float = 2.0,
    stretch: tuple[float, float] = (2.0, 98.0),
) -> PictureCheck:
    """Open and check every picture.

    Parameters
    ----------
    sources : pictures, the preferred first
    frame : the site's grid
    beds : outlines in ground metres
    tracing_error_m : standard deviation of a traced vertex, where it is known
    tracing_error_px : the same in pixels, an assumption, where it is not
    stretch : percentiles shown as black and white, of pictures with more than 8 bits

    Returns
    -------
    PictureCheck.

    Raises
    ------
    DataError : with the faults of all files: no picture, no CRS, no georeference, bands that
        are not there, or a picture that lies nowhere near the beds.
    """
    pictures: list[Picture] = []
    faults: list[Fault] = []
    for source in sources:
        try:
            pictures.append(_look_at(source, frame, beds, stretch))
        except DataError as error:
            faults.extend(error.faults)
    if faults:
        raise DataError(*faults)
    covered = [p.covered for p in pictures]
    of_bed, sigma = traced_from(pictures, covered, len(beds), tracing_error_m, tracing_error_px)
    findings = [Finding("picture", "notice", p.describe()) for p in pictures]
    findings += _coverage_findings(pictures, beds)
    findings += _tracing_findings(pictures, of_bed, sigma, tracing_error_m, tracing_error_px)
    return PictureCheck(tuple(pictures), of_bed, sigma, tuple(findings))


def _look_at(source: PictureSource, frame: Frame, beds: Shapes, stretch: tuple[float, float]) -> Picture:
    with open_raster(source.path, DRIVERS) as raster:
        georeferenced(raster, source.path)
        crs = raster_crs(raster, source.crs, source.path)
        facts = crs_facts(crs)
        shown, palette = _shown_bands(raster, source)
        steps = pixel_m(frame, crs, raster.transform, raster.shape)
        across, down = (float(np.hypot(*s)) for s in steps)
        turned = math.degrees(math.atan2(steps[0, 1], steps[0, 0]))
        cross = steps[0, 0] * steps[1, 1] - steps[0, 1] * steps[1, 0]
        # rows go right and columns down: square to each other, the cross product is negative
        angle = math.degrees(math.asin(max(-1.0, min(1.0, float(steps[0] @ steps[1]) / (across * down)))))
        t = raster.transform
        said = None
        if not facts.is_geographic and facts.metres_per_unit is not None:
            unit = float(facts.metres_per_unit)
            said = (math.hypot(t.a, t.d) * unit, math.hypot(t.b, t.e) * unit)
        cells = _cells(raster.transform, frame, crs, beds)
        _refuse_elsewhere(raster, frame, crs, cells, source.path)
        size, filled = (raster.width, raster.height), _filled(raster)
        return Picture(
            path=source.path,
            crs=crs,
            crs_label=facts.code or facts.name,
            crs_declared=raster.crs is None or not raster.crs,
            size=(raster.width, raster.height),
            count=raster.count,
            dtype=str(raster.dtypes[shown[0] - 1]),
            nodata=None if raster.nodata is None else float(raster.nodata),
            shown=shown,
            palette=palette,
            gsd_m=(across, down),
            said_m=said,
            turned_deg=turned,
            sheared_deg=-angle if cross < 0 else angle,
            stretch=_stretch(raster, shown, stretch),
            traced=source.traced,
            covered=_covered(size, filled, cells, beds),
            transform=raster.transform,
            filled=filled,
        )


def _shown_bands(raster: Any, source: PictureSource) -> tuple[tuple[int, ...], bool]:
    """Bands to show, and whether the one band holds numbers of colours."""
    from rasterio.enums import ColorInterp

    if source.bands is not None:
        missing = [b for b in source.bands if b > raster.count]
        if missing:
            raise DataError(
                Fault(
                    "which-band",
                    f"there is no band {missing[0]}: it has {raster.count}",
                    "Correct bands in its entry",
                    str(source.path),
                )
            )
        return source.bands, False
    meaning = list(raster.colorinterp)
    if meaning[0] == ColorInterp.palette:
        return (1,), True
    rgb = (ColorInterp.red, ColorInterp.green, ColorInterp.blue)
    if all(c in meaning for c in rgb):
        return tuple(meaning.index(c) + 1 for c in rgb), False
    data = [k + 1 for k, c in enumerate(meaning) if c != ColorInterp.alpha]
    return (tuple(data[:3]) if len(data) >= 3 else (data[0],)), False


def _stretch(
    raster: Any, shown: tuple[int, ...], percentiles: tuple[float, float]
) -> tuple[tuple[float, float], ...]:
    """Values shown as black and white; 8-bit pictures are shown as they are."""
    if all(raster.dtypes[b - 1] == "uint8" for b in shown):
        return ((0.0, 255.0),) * len(shown)
    shrink = max(1.0, max(raster.width, raster.height) / _LOOK_PX)
    shape = (max(1, round(raster.height / shrink)), max(1, round(raster.width / shrink)))
    found = []
    for band in shown:
        values = raster.read(band, out_shape=shape, masked=True).compressed().astype(np.float64)
        values = values[np.isfinite(values)]
        low, high = np.percentile(values, percentiles) if len(values) else (0.0, 1.0)
        found.append((float(low), float(high) if high > low else float(low) + 1.0))
    return tuple(found)


def _cells(transform: Any, frame: Frame, crs: str, beds: Shapes) -> FloatArray:
    """(v, 2) column and row of every vertex."""
    return to_cells(transform, frame.coords(beds.xy, crs))


def _refuse_elsewhere(raster: Any, frame: Frame, crs: str, cells: FloatArray, path: Path) -> None:
    """Refuse a picture in which no vertex of a bed lies."""
    if len(cells) and not _inside(cells, (raster.width, raster.height)).any():
        lon, lat = frame.lonlat(
            frame.ground_xy(from_cells(raster.transform, np.array([_middle(raster)])), crs)
        )[0]
        raise DataError(
            Fault(
                "picture-elsewhere",
                f"no bed lies in it: its middle is at {lon:.6f}, {lat:.6f}, the site's at "
                f"{frame.centre_lonlat[0]:.6f}, {frame.centre_lonlat[1]:.6f} (lon, lat)",
                "Check its CRS and its georeference, or take it out",
                str(path),
            )
        )


def _filled(raster: Any) -> NDArray[np.bool_]:
    """A copy of at most a thousand pixels a side: where the picture is not blank."""
    shrink = max(1.0, max(raster.width, raster.height) / _LOOK_PX)
    shape = (max(1, round(raster.height / shrink)), max(1, round(raster.width / shrink)))
    mask: NDArray[np.uint8] = np.asarray(raster.dataset_mask(out_shape=shape), dtype=np.uint8)
    return mask.astype(np.bool_)


def _inside(cells: FloatArray, size: tuple[int, int]) -> BoolArray:
    with np.errstate(invalid="ignore"):
        within = (cells >= 0) & (cells <= np.array(size))
    inside: BoolArray = np.logical_and(within[:, 0], within[:, 1])
    return inside


def _covered(size: tuple[int, int], filled: NDArray[np.bool_], cells: FloatArray, beds: Shapes) -> BoolArray:
    """(n,) beds that lie in the picture."""
    inside = _inside(cells, size)
    at = np.flatnonzero(inside)
    rows, columns = filled.shape
    r = np.clip((cells[at, 1] * rows / size[1]).astype(np.int64), 0, rows - 1)
    c = np.clip((cells[at, 0] * columns / size[0]).astype(np.int64), 0, columns - 1)
    blank = np.zeros(len(inside), dtype=bool)
    blank[at] = ~filled[r, c]
    bed = np.repeat(beds.ring_feature, np.diff(beds.ring_offsets))
    every, outside, empty = (
        np.bincount(bed, weights=w, minlength=len(beds)) for w in (np.ones(len(bed)), ~inside, blank)
    )
    # a white pixel may look blank where white stands for no value: half a bed of them does not
    covered: BoolArray = (outside == 0) & (2 * empty <= every)
    return covered


def _middle(raster: Any) -> tuple[float, float]:
    return raster.width / 2, raster.height / 2


# ---------------------------------------------------------------- what follows for the beds


def traced_from(
    pictures: Sequence[Picture],
    covered: Sequence[BoolArray],
    beds: int,
    error_m: float | None,
    error_px: float,
) -> tuple[IntArray, FloatArray]:
    """Picture each bed was traced from, and the standard deviation of its vertices.

    Parameters
    ----------
    pictures : of the site
    covered : of each picture (n,) beds that lie in it
    beds : how many there are
    error_m, error_px : standard deviation of a traced vertex, where it is known, and in pixels where not
    """
    of_bed = np.full(beds, -1, dtype=np.int64)
    sigma = np.full(beds, np.nan)
    for number, picture in enumerate(pictures):
        if not picture.traced:
            continue
        gsd = picture.mean_gsd_m
        before = np.array([pictures[k].mean_gsd_m if k >= 0 else np.inf for k in of_bed.tolist()])
        better = covered[number] & (gsd < before)
        of_bed[better] = number
        sigma[better] = error_px * gsd if error_m is None else error_m
    return of_bed, sigma


def _names(ids: ObjectArray) -> str:
    more = f" and {len(ids) - _NAMED} more" if len(ids) > _NAMED else ""
    return ", ".join(str(i) for i in ids[:_NAMED]) + more


def _coverage_findings(pictures: Sequence[Picture], beds: Shapes) -> list[Finding]:
    findings = []
    for picture in pictures:
        missed = beds.ids[~picture.covered]
        if len(missed):
            findings.append(
                Finding(
                    "picture-misses-beds",
                    "notice",
                    f"{picture.name} does not cover {len(missed)} of {len(beds)} beds: {_names(missed)}.",
                )
            )
    return findings


def _tracing_findings(
    pictures: Sequence[Picture],
    of_bed: IntArray,
    sigma_m: FloatArray,
    error_m: float | None,
    error_px: float,
) -> list[Finding]:
    findings = []
    for number, picture in enumerate(pictures):
        traced = of_bed == number
        if not traced.any():
            continue
        sigma = float(sigma_m[traced][0])
        how = (
            f"{sigma:.2f} m, as stated"
            if error_m is not None
            else f"{error_px:g} pixels = {sigma:.2f} m, an assumption until you state yours "
            "([pictures] tracing_error)"
        )
        findings.append(
            Finding(
                "tracing-error",
                "notice",
                f"{int(traced.sum())} beds are taken as traced from {picture.name}: a vertex is off by a "
                f"standard deviation of {how}. Say traced = false in its entry if they were surveyed.",
            )
        )
    return findings


# ---------------------------------------------------------------- the map's copy


def underlay(
    picture: Picture, frame: Frame, beds: Shapes, *, longest_px: int = LONGEST_PX, quality: int = 80
) -> Underlay:
    """One copy of a picture for the map: the part round the beds, in EPSG:3857.

    Parameters
    ----------
    picture : as :func:`check_pictures` found it
    frame : the site's grid
    beds : outlines in ground metres; the copy reaches 25 m beyond them, where the picture does
    longest_px : greatest side of the copy; never more pixels than the picture has
    quality : of the WebP file, 1 to 100

    Returns
    -------
    Underlay, see-through where the picture is blank or does not reach.

    Raises
    ------
    DataError : the picture cannot be read.
    """
    from rasterio.errors import RasterioError

    view = _web_view(picture, frame, beds, longest_px)
    try:
        data = webp(_warped(picture, view), quality)
    except RasterioError as error:
        raise DataError(
            Fault("picture-unreadable", f"cannot be read: {error}", "Save it anew", str(picture.path))
        ) from None
    left, bottom, right, top = view.bounds
    radius = 6378137.0
    west, east = (math.degrees(v / radius) for v in (left, right))
    south, north = (math.degrees(math.atan(math.sinh(v / radius))) for v in (bottom, top))
    ends = frame.ground_xy(np.array([[west, (south + north) / 2], [east, (south + north) / 2]]), "EPSG:4326")
    return Underlay(
        data=data,
        mime="image/webp",
        west=west,
        south=south,
        east=east,
        north=north,
        size=view.size,
        pixel_m=float(np.hypot(*(ends[1] - ends[0]))) / view.size[0],
        name=picture.name,
    )


def _web_mercator(lonlat: LonLatArray) -> FloatArray:
    radius = 6378137.0
    lon, lat = np.radians(lonlat).T
    return np.column_stack([lon, np.arctanh(np.sin(lat))]) * radius


@dataclass(frozen=True, slots=True)
class _View:
    """The copy before it has colours."""

    bounds: tuple[float, float, float, float]
    """left, bottom, right, top in EPSG:3857"""
    size: tuple[int, int]
    """columns, rows"""
    window: tuple[int, int, int, int]
    """first column, first row, columns, rows of the picture it is made from"""
    shrink: int
    """so many pixels a side of the picture are averaged to one before it is warped"""


def _web_view(picture: Picture, frame: Frame, beds: Shapes, longest_px: int) -> _View:
    """Which part of a picture to show, and how finely."""
    with open_raster(picture.path, DRIVERS) as raster:
        transform = raster.transform
    box = _shown_box(picture, transform, frame, beds)
    wgs84 = frame.wgs84(box)
    web = _web_mercator(wgs84)
    left, bottom, right, top = (float(v) for v in (*web.min(axis=0), *web.max(axis=0)))
    # a metre on the ground is 1 / cos(latitude) of the web map's
    finest = min(picture.gsd_m) / math.cos(math.radians(float(wgs84[:, 1].mean())))
    step = max(finest, (right - left) / longest_px, (top - bottom) / longest_px)
    size = (
        min(longest_px, max(1, math.ceil((right - left) / step))),
        min(longest_px, max(1, math.ceil((top - bottom) / step))),
    )
    cells = to_cells(transform, frame.coords(box, picture.crs))
    columns, rows = picture.size
    low = np.clip(np.floor(cells.min(axis=0)).astype(int) - 2, 0, (columns - 1, rows - 1))
    high = np.clip(np.ceil(cells.max(axis=0)).astype(int) + 2, low + 1, (columns, rows))
    window = (int(low[0]), int(low[1]), int(high[0] - low[0]), int(high[1] - low[1]))
    return _View((left, bottom, right, top), size, window, max(1, round(step / finest)))


def _shown_box(picture: Picture, transform: Any, frame: Frame, beds: Shapes) -> FloatArray:
    """(64, 2) ground metres round the edge of the part shown: beds and margin, within the picture."""
    columns, rows = picture.size
    t = np.linspace(0, 1, 16, endpoint=False)
    unit = np.concatenate(
        [
            np.column_stack([t, 0 * t]),
            np.column_stack([0 * t + 1, t]),
            np.column_stack([1 - t, 0 * t + 1]),
            np.column_stack([0 * t, 1 - t]),
        ]
    )
    whole = frame.ground_xy(from_cells(transform, unit * (columns, rows)), picture.crs)
    low = np.maximum(beds.xy.min(axis=0) - MARGIN_M, whole.min(axis=0))
    high = np.minimum(beds.xy.max(axis=0) + MARGIN_M, whole.max(axis=0))
    box: FloatArray = low + unit * (high - low)
    return box


def _warped(picture: Picture, view: _View) -> NDArray[np.uint8]:
    """(4, rows, columns) red, green, blue and opacity of the copy.

    The wanted part is read once, averaged down where the copy is coarser, turned to 8 bits,
    and warped; so the memory depends on the copy's size, not on the picture's.
    """
    from rasterio import Affine
    from rasterio.crs import CRS
    from rasterio.enums import Resampling
    from rasterio.warp import reproject

    column, row, columns, rows = view.window
    with open_raster(picture.path, DRIVERS) as raster:
        shape = (max(1, round(rows / view.shrink)), max(1, round(columns / view.shrink)))
        source = colours_of(raster, picture, view.window, shape)
        t = raster.transform
        across, down = columns / shape[1], rows / shape[0]
        first = from_cells(t, np.array([[column, row]], dtype=np.float64))[0]
        near = Affine(t.a * across, t.b * down, first[0], t.d * across, t.e * down, first[1])
        crs = raster.crs or CRS.from_user_input(picture.crs)
    left, bottom, right, top = view.bounds
    out = np.zeros((4, view.size[1], view.size[0]), dtype=np.uint8)
    reproject(
        source,
        out,
        src_transform=near,
        src_crs=crs,
        src_alpha=4,
        dst_transform=Affine((right - left) / view.size[0], 0, left, 0, (bottom - top) / view.size[1], top),
        dst_crs=CRS.from_epsg(3857),
        dst_alpha=4,
        resampling=Resampling.bilinear,
        warp_mem_limit=64,
    )
    return out


def colours_of(
    raster: Any, picture: Picture, window: tuple[int, int, int, int], shape: tuple[int, int]
) -> NDArray[np.uint8]:
    """(4, rows, columns) red, green, blue and opacity of a part of a picture, averaged to a shape."""
    from rasterio.enums import Resampling
    from rasterio.windows import Window

    part = Window(*window)
    out = np.empty((4, *shape), dtype=np.uint8)
    out[3] = raster.dataset_mask(window=part, out_shape=shape)
    if picture.palette:
        index = raster.read(1, window=part, out_shape=shape)
        table = np.zeros((256, 4), dtype=np.uint8)
        for number, colour in raster.colormap(1).items():
            table[number & 255] = colour
        out[:3] = np.moveaxis(table[index, :3], -1, 0)
        out[3] = np.minimum(out[3], table[index, 3])
        return out
    for place, (band, (low, high)) in enumerate(zip(picture.shown, picture.stretch, strict=True)):
        values = raster.read(band, window=part, out_shape=shape, resampling=Resampling.average)
        if values.dtype == np.uint8 and (low, high) == (0.0, 255.0):
            out[place] = values
            continue
        grey = (values.astype(np.float32) - low) * (255.0 / (high - low))
        bad = ~np.isfinite(grey)
        out[place] = np.clip(np.where(bad, 0, grey), 0, 255).round().astype(np.uint8)
        out[3][bad] = 0
    if len(picture.shown) == 1:
        out[1] = out[2] = out[0]
    return out


def webp(colours: NDArray[np.uint8], quality: int) -> bytes:
    """A picture as WebP."""
    from rasterio import Affine, Env
    from rasterio.io import MemoryFile

    _, rows, columns = colours.shape
    solid = bool((colours[3] == 255).all())
    # The copy's place travels beside it, not in it.  Any place but none keeps rasterio from warning, and
    # without GDAL's side file it is written nowhere: filters of warnings belong to all threads, and tiles are
    # made in several at once.
    with Env(GDAL_PAM_ENABLED="NO"), MemoryFile() as memory:
        with memory.open(
            driver="WEBP", width=columns, height=rows, count=3 if solid else 4, dtype="uint8",
            quality=quality, transform=Affine.translation(1, 1),
        ) as target:  # fmt: skip
            target.write(colours[:3] if solid else colours)
        return bytes(memory.read())
