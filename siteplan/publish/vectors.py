"""Layers as GeoPackage and GeoJSON files, through the OGR library.

GeoPackage is OGC standard 12-128; GeoJSON is RFC 7946.  Files are byte-equal between runs
on equal input and library versions: the change date GeoPackage asks for is pinned.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from pyogrio import raw, set_gdal_config_options
from pyogrio.errors import DataLayerError, DataSourceError, FeatureError, FieldError, GeometryError

from siteplan.errors import OutputError
from siteplan.layers import Layer, geometries
from siteplan.types import FloatArray

PINNED_DATE = "2000-01-01T00:00:00Z"
LONLAT_DECIMALS = 9
"""decimals of a degree in GeoJSON: 0.1 mm"""


def _columns(columns: Mapping[str, Any]) -> tuple[list[str], list[Any], list[Any]]:
    """Names, values and null masks as pyogrio wants them."""
    names, values, masks = [], [], []
    for name, column in columns.items():
        data = np.asarray(column)
        mask = None
        if data.dtype == object:
            mask = np.array([v is None for v in data], dtype=bool)
        elif data.dtype.kind == "f":
            mask = np.isnan(data)
        names.append(name)
        values.append(data)
        masks.append(mask if mask is not None and mask.any() else None)
    return names, values, masks


def _write(path: Path, layer: Layer, coords: FloatArray | None, **options: Any) -> None:
    names, values, masks = _columns(layer.columns)
    set_gdal_config_options({"OGR_CURRENT_DATE": PINNED_DATE, "OGR_SQLITE_SYNCHRONOUS": "OFF"})
    try:
        raw.write(
            str(path),
            geometries(layer, coords),
            values,
            names,
            field_mask=masks,
            layer=layer.name,
            geometry_type=layer.geometry_type,
            **options,
        )
    except (DataLayerError, DataSourceError, FeatureError, FieldError, GeometryError, OSError) as error:
        raise OutputError(f'layer "{layer.name}" cannot be written to "{path.name}": {error}') from None
    finally:
        set_gdal_config_options({"OGR_CURRENT_DATE": None, "OGR_SQLITE_SYNCHRONOUS": None})


def write_geopackage(
    path: Path, layers: Mapping[str, Layer], coords: Mapping[str, FloatArray], crs: str
) -> None:
    """Every layer and table into one new GeoPackage.

    Parameters
    ----------
    path : file to make; must not exist
    layers : layers in the order they are written
    coords : per layer with a geometry, its vertices in ``crs``
    crs : WKT or authority code of the site's grid

    Raises
    ------
    OutputError : the file cannot be written.
    """
    for number, layer in enumerate(layers.values()):
        options: dict[str, Any] = {"driver": "GPKG", "append": number > 0}
        if layer.geometry_type is None:
            _write(path, layer, None, **options)
        else:
            _write(path, layer, coords[layer.name], crs=crs, **options)


def write_geojson(path: Path, layer: Layer, lonlat: FloatArray) -> None:
    """One layer as GeoJSON in WGS 84 longitude and latitude, nine decimals.

    Raises
    ------
    OutputError : the file cannot be written.
    """
    # GDAL takes a row of noughts near the last decimal for noise and writes 10.000000096 as 10.0
    # where it is asked for nine decimals: a centimetre.  Asked for twelve, it gives nine as they are.
    _write(
        path,
        layer,
        np.round(lonlat, LONLAT_DECIMALS),
        driver="GeoJSON",
        crs="EPSG:4326",
        RFC7946="YES",
        COORDINATE_PRECISION=LONLAT_DECIMALS + 3,
    )
