"""The picture under the crew's map: small, and placed on the ground."""

from __future__ import annotations

import base64
from dataclasses import dataclass
from typing import Final

import numpy as np

from siteplan.crew.packing import affine
from siteplan.pictures import underlay
from siteplan.sites import Site
from siteplan.types import FloatArray

LONGEST_PX: Final = 3072
"""side of the picture: 9.4 million pixels, 38 MB in a phone's memory once unpacked"""
QUALITY: Final = 70


@dataclass(frozen=True, slots=True)
class CrewPicture:
    """A picture with its place."""

    url: str
    """as a data address"""
    size: tuple[int, int]
    """columns, rows"""
    affine: tuple[float, ...]
    """a, b, c, d, e, f: x = a column + b row + c, y = d column + e row + f in ground metres"""
    text: str
    """what it is, and how well it is placed"""


def crew_picture(site: Site) -> CrewPicture | None:
    """The picture that covers the most beds, reduced; None for a site without pictures.

    It is warped to the web map's projection and laid on the ground by one affine change of
    coordinates, whose greatest miss over the picture is stated where it is more than half a pixel.

    Raises
    ------
    DataError : the picture cannot be read.
    """
    if site.pictures is None or not site.pictures.pictures:
        return None
    best = max(site.pictures.pictures, key=lambda p: int(p.covered.sum()))
    copy = underlay(best, site.frame, site.bed_shapes, longest_px=LONGEST_PX, quality=QUALITY)
    columns, rows = copy.size
    cells = np.stack(
        np.meshgrid(np.linspace(0, columns, 5), np.linspace(0, rows, 5)), axis=-1
    ).reshape(-1, 2)  # fmt: skip
    lonlat = _lonlat(cells, copy.size, (copy.west, copy.south, copy.east, copy.north))
    made, miss = affine(cells, site.frame.ground_xy(lonlat, "EPSG:4326"))
    text = f"{copy.name}, {copy.pixel_m:.2f} m a pixel here"
    if miss > copy.pixel_m / 2:
        text += f", placed within {miss:.2f} m"
    data = base64.b64encode(copy.data).decode("ascii")
    return CrewPicture(f"data:{copy.mime};base64,{data}", copy.size, tuple(made), text)


def _lonlat(
    cells: FloatArray, size: tuple[int, int], bounds: tuple[float, float, float, float]
) -> FloatArray:
    """(n, 2) degrees of places in a picture in the web map's projection."""
    west, south, east, north = bounds
    lon = west + (east - west) * cells[:, 0] / size[0]
    low, high = np.arctanh(np.sin(np.radians([south, north])))
    up = high + (low - high) * cells[:, 1] / size[1]
    return np.column_stack([lon, np.degrees(np.arctan(np.sinh(up)))])
