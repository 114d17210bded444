"""Marks on the ground whose places are known, in ground metres."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from siteplan.errors import DataError, Fault, UsageError
from siteplan.sites import SITE_FILE, Site
from siteplan.stakeout_settings import ControlPoint
from siteplan.types import FloatArray, ObjectArray, XYArray
from siteplan.units import um_to_m

FARTHEST_M: Final = 10_000.0
"""a control point farther from the site than this is a mistake in its coordinates"""


@dataclass(frozen=True, slots=True, eq=False)
class Marks:
    """Marks of a site.  c points."""

    name: ObjectArray
    xy: XYArray
    height_m: FloatArray
    """(c,) NaN where not given"""

    def __len__(self) -> int:
        return len(self.name)


def place_xy(
    site: Site, lonlat: tuple[float | None, float | None], grid: tuple[float | None, float | None]
) -> XYArray:
    """(2,) ground metres of a place on WGS 84 in degrees or, where that is not given, in the site's grid.

    Raises
    ------
    UsageError : coordinates the site's grid cannot reach, or a place farther from the beds than
        :data:`FARTHEST_M`
    """
    here, crs = (grid, site.frame.crs_wkt) if None in lonlat else (lonlat, "EPSG:4326")
    try:
        xy = site.frame.ground_xy(np.array([here], dtype=np.float64), crs)[0]
    except DataError as error:
        # these faults speak of a vertex of a layer, and this is none
        raise UsageError("; ".join(f.what for f in error.faults)) from None
    away = float(np.hypot(*(site.bed_shapes.xy - xy).T).min())
    if not away <= FARTHEST_M:
        far = f"{away / 1000:,.1f} km" if away < 1e9 else "more than a million km"
        raise UsageError(f"it lies {far} from the nearest bed")
    return np.asarray(xy)


def marks(site: Site, given: Sequence[ControlPoint], what: str) -> Marks:
    """Marks with their places.

    Parameters
    ----------
    site : its grid, and its beds, which marks are near
    given : of the settings
    what : which kind they are of, for the faults

    Raises
    ------
    DataError : two of one name or of one place, or a place far from the site.
    """
    xy = np.empty((len(given), 2))
    faults = []
    seen: dict[str, int] = {}
    for k, point in enumerate(given):
        try:
            xy[k] = place_xy(site, (point.lon, point.lat), (point.east, point.north))
        except UsageError as error:
            xy[k] = np.nan
            faults.append(
                Fault(
                    "control-far",
                    f'{what} point "{point.name}": {error}',
                    f"Check its coordinates: lon and lat on WGS 84, or east and north in {site.frame.name}",
                    SITE_FILE,
                )
            )
        other = next((j for j in range(k) if np.hypot(*(xy[j] - xy[k])) < 0.01), None)
        if point.name in seen or other is not None:
            why = (
                "has the name of another"
                if point.name in seen
                else f'lies where "{given[other or 0].name}" is'
            )
            faults.append(
                Fault(
                    "control-twice", f'{what} point {k + 1} "{point.name}" {why}',
                    "Give each mark once, with a name of its own", SITE_FILE,
                )
            )  # fmt: skip
        seen[point.name] = k
    if faults:
        raise DataError(*faults)
    names = np.empty(len(given), dtype=object)
    names[:] = [p.name for p in given]
    height = np.array([np.nan if p.height is None else um_to_m(p.height) for p in given])
    return Marks(names, xy, height)
