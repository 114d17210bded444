"""A written GeoPackage, looked at with a second library before anybody gets it.

The file is written through pyogrio; fiona is another binding with its own opening of layers,
so a layer that was written short, empty or under another CRS does not reach the folder.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import fiona
from fiona.errors import FionaError

from siteplan.errors import OutputError
from siteplan.layers import Layer


def read_back(path: Path, layers: Mapping[str, Layer]) -> None:
    """Compare what a GeoPackage holds with what was to be written.

    Parameters
    ----------
    path : the file
    layers : layers and tables that were written into it

    Raises
    ------
    OutputError : a layer is missing, has another number of rows, or has lost its CRS.
    """
    try:
        for name, layer in layers.items():
            with fiona.open(path, layer=name) as written:
                rows, has_crs = len(written), bool(written.crs)
            if rows != len(layer):
                raise OutputError(f'layer "{name}" of "{path.name}" holds {rows} rows, not {len(layer)}')
            if layer.geometry_type is not None and not has_crs:
                raise OutputError(f'layer "{name}" of "{path.name}" has lost its CRS')
    except (FionaError, ValueError, OSError) as error:
        if isinstance(error, OutputError):
            raise
        raise OutputError(f'"{path.name}" cannot be read back after writing: {error}') from None
