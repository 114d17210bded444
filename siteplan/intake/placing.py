"""Coordinates of a drawing's or tape's own, laid on the map by points known in both."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from siteplan.errors import DataError, Fault, Finding
from siteplan.fieldnotes.anchor import anchor
from siteplan.geodesy import crs_facts, height_factor, project, unproject
from siteplan.intake.rings import finite_rows
from siteplan.types import FloatArray, LonLatArray, XYArray

ANCHOR_REMEDY: Final = (
    "Give at least two points known in the file and on the map, far apart: "
    "anchor = [{ file = [x, y], map = [east, north] }, ...], with the CRS of the map points as crs"
)


def ground_plane(crs: str, lonlat: LonLatArray, height_m: float | None) -> str:
    """A grid in ground metres round some places: transverse Mercator, scaled to the height.

    Parameters
    ----------
    crs : gives the ellipsoid
    lonlat : (n, 2) places on the datum of ``crs``; their mean is the middle of the grid
    height_m : of the ground above the ellipsoid; None counts as 0

    Notes
    -----
    A kilometre from the middle the grid is long by 1.2e-8 of a length.
    """
    figure = crs_facts(crs).ellipsoid
    off = lonlat - lonlat[0]
    off[:, 0] = (off[:, 0] + 180) % 360 - 180
    lon, lat = (lonlat[0] + off.mean(axis=0)).tolist()
    scale = 1 / height_factor(height_m, lat, ellipsoid=figure) if height_m is not None else 1.0
    shape = f"+rf={1 / figure.f!r}" if figure.f else f"+b={figure.a_m!r}"
    return (
        f"+proj=tmerc +lat_0={lat!r} +lon_0={lon!r} +k={scale!r} +x_0=0 +y_0=0 "
        f"+a={figure.a_m!r} {shape} +units=m +type=crs"
    )


def anchored(
    xy_m: XYArray,
    names: Sequence[str],
    local_m: XYArray,
    target: FloatArray,
    *,
    crs: str,
    height_m: float | None,
    label: str,
) -> tuple[FloatArray, tuple[Finding, ...]]:
    """Lay local metres on the map by a rigid fit: turned and moved, never stretched.

    Parameters
    ----------
    xy_m : (m, 2) what is to be laid, metres on the ground
    names : (n) names of the common points
    local_m : (n, 2) the common points, in the axes of ``xy_m``
    target : (n, 2) the same points in ``crs``, easting or longitude first
    height_m : height of the ground above the ellipsoid; lengths are kept at this height

    Returns
    -------
    (m, 2) in ``crs``; findings with residuals, redundancy and the scale a similarity would take.

    Raises
    ------
    DataError : map points that are no places in the CRS; and what
        :func:`siteplan.fieldnotes.anchor.anchor` refuses
    """
    lonlat = unproject(crs, target)
    if (
        not finite_rows(lonlat).all()
        or (np.abs(lonlat[:, 1]) > 90).any()
        or (np.abs(lonlat[:, 0]) > 360).any()
    ):
        raise DataError(
            Fault(
                "anchor-off-map",
                f"map coordinates of the anchor points are no places in {crs_facts(crs).label}",
                "Write easting before northing, longitude before latitude, in the unit of the CRS",
                file=label,
            )
        )
    plane = ground_plane(crs, lonlat, height_m)
    fit, findings = anchor(list(names), local_m, project(plane, lonlat), file=label)
    return project(crs, unproject(plane, fit.apply(xy_m))), findings


def z_in_crs(height_m: FloatArray, crs: str) -> FloatArray:
    """Heights in the unit of a grid; metres beside longitude and latitude."""
    facts = crs_facts(crs)
    return height_m / float(facts.metres_per_unit) if facts.metres_per_unit is not None else height_m
