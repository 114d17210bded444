"""Tiles of the site's pictures, cut from the file when the page asks for them.

A picture of any size is never read whole: a tile reads the window it shows, from the file's own
overviews where it is zoomed out.  A large file without overviews gets them once, beside a small file in
a temporary folder that stands for it; until they are there, zoomed-out tiles are asked for again.
"""

from __future__ import annotations

import hashlib
import logging
import math
import tempfile
import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np

from siteplan.desk.wire import Refused
from siteplan.errors import DataError
from siteplan.frame import Frame
from siteplan.pictures import DRIVERS, Picture, colours_of, webp
from siteplan.rasters import CACHE_MB, from_cells, open_raster, to_cells
from siteplan.types import FloatArray

LOG: Final = logging.getLogger(__name__)

TILE_PX: Final = 256
QUALITY: Final = 80
DEEPEST: Final = 24
LARGE_PX: Final = 6_000
"""a file with a longer side than this needs overviews to be shown zoomed out"""
_RADIUS_M: Final = 6378137.0
_HALF_M: Final = math.pi * _RADIUS_M
_COARSE: Final = 6.0
"""pixels of the file averaged to one of a tile: more than this needs overviews"""
_PROBES: Final = 9
MOST_IDLE: Final = 4
"""readers of a picture kept open"""
_FILTERS: Final = threading.Lock()
PREPARING: Final = "The picture is being prepared for zooming out; ask again in a moment"


def tile_bounds(z: int, x: int, y: int) -> tuple[float, float, float, float]:
    """Left, bottom, right, top of a tile in EPSG:3857."""
    size = 2 * _HALF_M / 2**z
    left, top = -_HALF_M + x * size, _HALF_M - y * size
    return left, top - size, left + size, top


@dataclass(eq=False)
class TiledPicture:
    """One picture of the site, and how it is read."""

    id: str
    """changes with the file, so that a browser never shows tiles it kept of another"""
    picture: Picture
    frame: Frame
    bounds: tuple[float, float, float, float]
    """west, south, east, north in degrees"""
    native_zoom: int
    least_zoom: int
    ready: threading.Event
    """set when zoomed-out tiles can be read"""
    stand_in: Path | None = None
    """the small file with the overviews"""
    _idle: list[Any] = field(default_factory=list)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    @property
    def row(self) -> dict[str, Any]:
        """What the page is told."""
        across = self.picture.mean_gsd_m
        return {
            "id": self.id,
            "name": self.picture.name,
            "bounds": list(self.bounds),
            "min_zoom": self.least_zoom,
            "max_native_zoom": self.native_zoom,
            "attribution": "",
            "text": f"{self.picture.name}, {across:.3f} m a pixel",
            "url": f"/tiles/{self.id}/{{z}}/{{x}}/{{y}}",
            "preparing": not self.ready.is_set(),
        }

    @contextmanager
    def _opened(self) -> Iterator[Any]:
        """A reader of its own for each thread at work; kept open between tiles."""
        import rasterio

        with self._lock:
            raster = self._idle.pop() if self._idle else None
        with rasterio.Env(GDAL_CACHEMAX=CACHE_MB):
            if raster is None:
                # filters of warnings belong to all threads
                with _FILTERS, warnings.catch_warnings():
                    warnings.simplefilter("ignore")
                    raster = rasterio.open(self.stand_in or self.picture.path)
            try:
                yield raster
            finally:
                with self._lock:
                    now = str(self.stand_in or self.picture.path)
                    keep = len(self._idle) < MOST_IDLE and raster.name == now
                    if keep:
                        self._idle.append(raster)
                if not keep:
                    raster.close()

    def tile(self, z: int, x: int, y: int) -> bytes | None:
        """One tile as WebP; None where the picture does not reach or is blank.

        Raises
        ------
        Refused : 503 while overviews are made, 422 for a file that cannot be read any more
        """
        from rasterio.errors import RasterioError

        if not 0 <= z <= DEEPEST or not (0 <= x < 2**z and 0 <= y < 2**z):
            return None
        try:
            with self._opened() as raster:
                colours = self._cut(raster, tile_bounds(z, x, y))
        except RasterioError as error:
            raise Refused(422, f"{self.picture.name} cannot be read: {error}", "Save it anew") from None
        if colours is None or not colours[3].any():
            return None
        return webp(colours, QUALITY)

    def _cut(self, raster: Any, bounds: tuple[float, float, float, float]) -> Any:
        from rasterio import Affine
        from rasterio.crs import CRS
        from rasterio.enums import Resampling
        from rasterio.warp import reproject, transform

        left, bottom, right, top = bounds
        crs = raster.crs or CRS.from_user_input(self.picture.crs)
        web = CRS.from_epsg(3857)
        xs, ys = np.meshgrid(np.linspace(left, right, _PROBES), np.linspace(bottom, top, _PROBES))
        place = np.column_stack(transform(web, crs, xs.ravel().tolist(), ys.ravel().tolist()))
        cells = to_cells(raster.transform, place)
        cells = cells[np.isfinite(cells).all(axis=1)]
        size = np.array([raster.width, raster.height])
        if not len(cells):
            return None
        span = np.maximum(cells.max(axis=0) - cells.min(axis=0), 1.0)
        shrink = max(1.0, float(span.max()) / TILE_PX)
        margin = math.ceil(2 * shrink)
        low = np.floor(cells.min(axis=0)).astype(int) - margin
        high = np.ceil(cells.max(axis=0)).astype(int) + margin
        low, high = np.clip(low, 0, size), np.clip(high, 0, size)
        if (high <= low).any():
            return None
        if shrink > _COARSE and not self.ready.is_set():
            raise Refused(503, PREPARING)
        columns, rows = (int(v) for v in high - low)
        shape = (max(1, round(rows / shrink)), max(1, round(columns / shrink)))
        source = colours_of(raster, self.picture, (int(low[0]), int(low[1]), columns, rows), shape)
        t = raster.transform
        across, down = columns / shape[1], rows / shape[0]
        first = from_cells(t, np.array([low], dtype=np.float64))[0]
        out = np.zeros((4, TILE_PX, TILE_PX), dtype=np.uint8)
        reproject(
            source,
            out,
            src_transform=Affine(t.a * across, t.b * down, first[0], t.d * across, t.e * down, first[1]),
            src_crs=crs,
            src_alpha=4,
            dst_transform=Affine((right - left) / TILE_PX, 0, left, 0, (bottom - top) / TILE_PX, top),
            dst_crs=web,
            dst_alpha=4,
            resampling=Resampling.bilinear,
        )
        return out


def picture_id(number: int, picture: Picture) -> str:
    """Short text that differs where the file, its time or size, or what is shown of it does.

    Raises
    ------
    OSError : the file is not there any more
    """
    file = picture.path.stat()
    shown = (picture.crs, picture.shown, picture.stretch, picture.nodata)
    said = repr((number, str(picture.path.resolve()), file.st_size, file.st_mtime_ns, shown))
    return hashlib.sha256(said.encode("utf-8", "surrogatepass")).hexdigest()[:16]


def tiled(number: int, picture: Picture, frame: Frame) -> TiledPicture:
    """A picture made ready for tiles.

    Raises
    ------
    DataError : the file is not there any more
    """
    with open_raster(picture.path, DRIVERS) as raster:
        overviews = bool(raster.overviews(picture.shown[0]))
        transform = raster.transform
    columns, rows = picture.size
    t = np.linspace(0, 1, 9)
    rim = np.concatenate(
        [np.column_stack([t, 0 * t]), np.column_stack([t, 0 * t + 1]), np.column_stack([0 * t, t]),
         np.column_stack([0 * t + 1, t])]
    )  # fmt: skip
    edge: FloatArray = from_cells(transform, rim * (columns, rows))
    lonlat = frame.wgs84(frame.ground_xy(edge, picture.crs))
    (west, south), (east, north) = lonlat.min(axis=0).tolist(), lonlat.max(axis=0).tolist()
    pixel_m = 2 * _HALF_M / TILE_PX * math.cos(math.radians((south + north) / 2))
    native = math.ceil(math.log2(pixel_m / min(picture.gsd_m)) - 0.2)
    native = max(0, min(DEEPEST, native))
    least = max(0, native - math.ceil(math.log2(max(columns, rows) / 64)))
    ready = threading.Event()
    if overviews or max(columns, rows) <= LARGE_PX:
        ready.set()
    return TiledPicture(
        picture_id(number, picture), picture, frame, (west, south, east, north), native, least, ready
    )


class Tiles:
    """The pictures of a site."""

    def __init__(self, pictures: tuple[Picture, ...], frame: Frame) -> None:
        self.pictures = [tiled(k, p, frame) for k, p in enumerate(pictures)]
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        waiting = [p for p in self.pictures if not p.ready.is_set()]
        if waiting:
            self._folder = tempfile.TemporaryDirectory(prefix="siteplan-tiles-", ignore_cleanup_errors=True)
            threading.Thread(
                target=_prepare, args=(waiting, Path(self._folder.name)), name="overviews", daemon=True
            ).start()

    def get(self, picture: str, z: int, x: int, y: int) -> bytes | None:
        """One tile.

        Raises
        ------
        Refused : 404 for a picture that is not there; see :meth:`TiledPicture.tile`
        """
        found = next((p for p in self.pictures if p.id == picture), None)
        if found is None:
            raise Refused(404, "There is no such picture")
        return found.tile(z, x, y)

    def close(self) -> None:
        """Take away what was made for the time being."""
        if self._folder is not None:
            self._folder.cleanup()


def _prepare(pictures: list[TiledPicture], folder: Path) -> None:
    """Overviews for large files that have none, one file after the other."""
    for each in pictures:
        try:
            each.stand_in = with_overviews(each.picture, folder / f"{each.id}.vrt")
        except (OSError, DataError) as error:
            LOG.warning("%s is read without overviews, which takes longer: %s", each.picture.name, error)
        each.ready.set()


def with_overviews(picture: Picture, path: Path) -> Path:
    """A small file that stands for a picture, with overviews beside it; the picture is left alone."""
    import rasterio
    from rasterio.enums import Resampling
    from rasterio.errors import RasterioError
    from rasterio.shutil import copy

    factor, factors = 4, []
    while max(picture.size) / factor > TILE_PX / 2:
        factors.append(factor)
        factor *= 2
    how = Resampling.nearest if picture.palette else Resampling.average
    try:
        with rasterio.Env(GDAL_CACHEMAX=CACHE_MB, COMPRESS_OVERVIEW="DEFLATE", PREDICTOR_OVERVIEW="2"):
            copy(str(picture.path.resolve()), str(path), driver="VRT")
            with rasterio.open(path, "r+") as raster:
                raster.build_overviews(factors, how)
    except RasterioError as error:
        raise OSError(str(error)) from error
    return path
