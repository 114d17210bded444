"""Raster files: opened with care, and where they lie on the ground.

Shared by elevation models and pictures.  rasterio is loaded only when a raster is opened.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from siteplan.errors import DataError, Fault
from siteplan.frame import Frame
from siteplan.geodesy import crs_facts
from siteplan.types import FloatArray

if TYPE_CHECKING:
    import rasterio


CACHE_MB: Final = 128
"""what the raster library may keep of blocks it has read; left alone it takes a share of the machine"""


@contextmanager
def open_raster(path: Path, drivers: Sequence[str]) -> Iterator[rasterio.DatasetReader]:
    """A raster file of one of some formats, open for reading.

    Raises
    ------
    DataError : no such file, or not one of them.
    """
    import rasterio

    if not path.is_file():
        raise DataError(Fault("no-such-file", "there is no such file", "Check the path", str(path)))
    with rasterio.Env(GDAL_CACHEMAX=CACHE_MB):
        raster = _first_that_opens(path, drivers)
        if raster is None:
            raise DataError(
                Fault(
                    "not-a-raster",
                    f"this is not a {' or '.join(drivers)} file that can be read",
                    "Save it as a GeoTIFF",
                    str(path),
                )
            )
        with raster:
            yield raster


def _first_that_opens(path: Path, drivers: Sequence[str]) -> rasterio.DatasetReader | None:
    """The file opened by the first driver that takes it."""
    import rasterio
    from rasterio.errors import NotGeoreferencedWarning, RasterioError

    with warnings.catch_warnings():
        # a raster without a georeference is refused later, with a remedy
        warnings.simplefilter("ignore", NotGeoreferencedWarning)
        for driver in drivers:
            try:
                return rasterio.open(path, driver=driver)
            except RasterioError:
                continue
    return None


def raster_crs(source: rasterio.DatasetReader, declared: str | None, path: Path) -> str:
    """CRS of a raster: its own, or the declared one where it has none.

    Raises
    ------
    DataError : neither, not understood, or the two are not the same.
    """
    own = source.crs.to_wkt() if source.crs else None
    if own is None and declared is None:
        raise DataError(
            Fault(
                "no-crs",
                "the file does not say its CRS",
                'Add crs = "EPSG:..." to its entry in site.toml',
                str(path),
            )
        )
    if own is not None and declared is not None:
        a, b = crs_facts(own), crs_facts(declared)
        if a.wkt != b.wkt and not (a.code is not None and a.code == b.code):
            raise DataError(
                Fault(
                    "crs-conflict",
                    f"the file says {a.label}, site.toml says {b.label}",
                    "Take crs out of its entry, or mend the file",
                    str(path),
                )
            )
    found = own or declared or ""
    crs_facts(found)
    return found


def georeferenced(source: rasterio.DatasetReader, path: Path) -> None:
    """Refuse a raster without a place.

    Raises
    ------
    DataError : no world file and no georeference, or one by control points only.
    """
    if not source.transform.is_identity and source.transform.determinant != 0:
        return
    if source.gcps[0]:
        what = "it is placed by control points and has not been rectified"
        remedy = "Rectify it first (any GIS can), and save it as a GeoTIFF"
    else:
        what = "it has no georeference: nothing says where on the earth it lies"
        remedy = "Give a GeoTIFF, or put a world file beside it and name the CRS in site.toml"
    raise DataError(Fault("no-georeference", what, remedy, str(path)))


def from_cells(transform: Any, cells: FloatArray) -> FloatArray:
    """(n, 2) coordinates in a raster's CRS, of (n, 2) column and row (cell edges are whole numbers)."""
    t = transform
    return np.column_stack(
        [
            t.a * cells[:, 0] + t.b * cells[:, 1] + t.c,
            t.d * cells[:, 0] + t.e * cells[:, 1] + t.f,
        ]
    )


def to_cells(transform: Any, coords: FloatArray) -> FloatArray:
    """(n, 2) column and row, of coordinates in a raster's CRS."""
    return from_cells(~transform, coords)


def pixel_m(frame: Frame, source_crs: str, transform: Any, shape: tuple[int, int]) -> FloatArray:
    """(2, 2) ground metres east and north of one step across and one step down a raster.

    Taken at the cell of the raster nearest to the site's middle, over up to 100 cells.
    """
    rows, columns = shape
    middle = frame.coords(frame.ground_xy(np.array([frame.centre_lonlat]), _lonlat_crs(frame)), source_crs)
    column, row = to_cells(transform, middle)[0].tolist()
    reach = (min(100.0, columns) / 2, min(100.0, rows) / 2)
    column = float(np.clip(column, reach[0], columns - reach[0])) if np.isfinite(column) else columns / 2
    row = float(np.clip(row, reach[1], rows - reach[1])) if np.isfinite(row) else rows / 2
    steps = [(-reach[0], 0.0), (reach[0], 0.0), (0.0, -reach[1]), (0.0, reach[1])]
    cells = np.array(steps) + np.array([column, row])
    xy = frame.ground_xy(from_cells(transform, cells), source_crs)
    return np.array([(xy[1] - xy[0]) / (2 * reach[0]), (xy[3] - xy[2]) / (2 * reach[1])])


def _lonlat_crs(frame: Frame) -> str:
    return crs_facts(frame.datum_crs).geographic_wkt
