"""A copy of one revision, for other programs."""

from __future__ import annotations

import json
import os
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import shapely

from siteplan.convert import convert, geometries
from siteplan.errors import OutputError, UsageError
from siteplan.model import Features
from siteplan.record import RECORD_FILE, Content
from siteplan.sites import load_site

DECIMALS: Final = 10
"""of a degree: 0.01 mm"""


def export_revision(
    place: str | Path, content: Content, out: Path, *, overwrite: bool = False
) -> dict[str, int]:
    """Write the outlines of one revision.

    Parameters
    ----------
    place : the site they are of
    content : of the revision
    out : ``.gpkg``: a layer for each role, in the CRS of the record, every vertex as it is kept;
        ``.geojson``: all roles in one file, the attribute ``role`` tells them apart, in WGS 84 longitude and
        latitude as RFC 7946 asks
    overwrite : whether a file of that name may be replaced

    Returns
    -------
    Features of each role that were written.

    Raises
    ------
    UsageError : another ending, or nothing to write
    OutputError : it is there already, or cannot be written
    """
    roles = {role: f for role, f in content.features.items() if len(f)}
    if not roles:
        raise UsageError("the revision has no outlines to export")
    if out.suffix.lower() == ".gpkg":
        folder = Path(place) if Path(place).is_dir() else Path(place).parent
        convert(roles, out, inputs=[folder / RECORD_FILE], replace=overwrite)
    elif out.suffix.lower() in (".geojson", ".json"):
        frame = load_site(place, content=content, allow_empty=True).frame
        collection = {
            "type": "FeatureCollection",
            "features": [
                feature
                for features in roles.values()
                for feature in _features(
                    features, frame.wgs84(frame.ground_xy(features.coords, features.crs))
                )
            ],
        }
        _write(out, json.dumps(collection, ensure_ascii=False, indent=1), overwrite=overwrite)
    else:
        raise UsageError(f'"{out}" ends neither in .gpkg nor in .geojson')
    return {role: len(f) for role, f in roles.items()}


def _features(features: Features, lonlat: Any) -> list[dict[str, Any]]:
    word = features.role.removesuffix("s")
    places = np.round(lonlat, DECIMALS)
    flat = replace(features, crs="", coords=places, z=np.full(len(features.z), np.nan), attributes={})
    shapes = shapely.orient_polygons(geometries(flat))
    made = []
    for k, shape in enumerate(shapes):
        own = {n: _json(v[k]) for n, v in features.attributes.items() if v[k] is not None}
        own |= {word: str(features.ids[k]), "name": str(features.names[k]), "role": features.role}
        geometry = json.loads(shapely.to_geojson(shape))
        made.append({"type": "Feature", "id": str(features.ids[k]), "properties": own, "geometry": geometry})
    return made


def _json(value: Any) -> Any:
    if isinstance(value, (np.generic, np.ndarray)):
        value = value.tolist()
    try:
        json.dumps(value, allow_nan=False)
    except (TypeError, ValueError):
        return str(value)
    return value


def _write(out: Path, text: str, *, overwrite: bool) -> None:
    if out.exists() and not overwrite:
        raise OutputError(f'"{out}" is there already; give --replace to replace it')
    if out.exists() and not out.is_file():
        raise OutputError(f'"{out}" is not a file')
    try:
        with tempfile.TemporaryDirectory(prefix=".partial-", dir=out.parent) as folder:
            partial = Path(folder) / out.name
            with partial.open("w", encoding="utf-8", errors="replace", newline="\n") as stream:
                stream.write(text + "\n")
                stream.flush()
                os.fsync(stream.fileno())
            partial.replace(out)
    except OSError as error:
        raise OutputError(f'"{out}" cannot be written: {error.strerror or error}') from None
