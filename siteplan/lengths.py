"""What the site measures: areas and perimeters of beds, lengths of runs and legs.

Each run and leg has four lengths, in metres: *geodesic* on the ellipsoid of the site's
datum, *grid* in the site's grid, *ground* at the reference height, and *slope*, which
needs heights along the run and is NaN without them.  ``docs/lengths.md`` says in plain
words how they differ.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from siteplan import geodesy
from siteplan.frame import Frame
from siteplan.geodesy import next_vertex, part_sums
from siteplan.model import Features, RingKind, Runs
from siteplan.types import FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class BedMeasures:
    """Areas and perimeters on the ellipsoid, n beds."""

    area_m2: FloatArray
    """(n,) islands taken off; 0 for a line"""
    perimeter_m: FloatArray
    """(n,) outer rings and island rings; the length of a line"""


@dataclass(frozen=True, slots=True, eq=False)
class RunLengths:
    """Lengths of l legs, and of r runs as the sum of their legs."""

    geodesic_m: FloatArray
    """(l,) on the ellipsoid of the site's datum"""
    grid_m: FloatArray
    """(l,) in the site's grid, in metres whatever the grid's unit"""
    ground_m: FloatArray
    """(l,) plan length at the reference height"""
    slope_m: FloatArray
    """(l,) along the ground; NaN where no heights are known"""
    run_geodesic_m: FloatArray
    """(r,)"""
    run_grid_m: FloatArray
    """(r,)"""
    run_ground_m: FloatArray
    """(r,)"""
    run_slope_m: FloatArray
    """(r,)"""


def bed_measures(frame: Frame, features: Features) -> BedMeasures:
    """Geodesic area and perimeter of every feature.

    Parameters
    ----------
    frame : the site's grid, for its datum and ellipsoid
    features : polygons and lines in any CRS; several rings of a feature add up

    Returns
    -------
    Measures.  A ring counts whichever way it turns; an island is taken off the area, and
    its ring counts in the perimeter.  A point gives 0 and 0.

    Raises
    ------
    DataError : the features cannot be brought to the site's datum.

    Notes
    -----
    The outline is measured from the coordinates as they came, edges as geodesics.
    """
    lonlat = frame.site_lonlat(features.coords, features.crs)
    offsets, kind = features.ring_offsets, features.ring_kind
    ring_m = np.zeros(len(kind))
    ring_m2 = np.zeros(len(kind))
    closed = (kind == RingKind.OUTER) | (kind == RingKind.ISLAND)
    if closed.all():
        ring_m2, ring_m = geodesy.ring_areas(lonlat, offsets, ellipsoid=frame.ellipsoid)
    elif len(kind):
        ring_m = geodesy.ring_lengths(lonlat, offsets, closed, ellipsoid=frame.ellipsoid)
        picked = np.repeat(closed, np.diff(offsets))
        sizes = np.concatenate([[0], np.cumsum(np.diff(offsets)[closed])])
        ring_m2[closed] = geodesy.ring_areas(lonlat[picked], sizes, ellipsoid=frame.ellipsoid)[0]
    signed_m2 = np.where(kind == RingKind.ISLAND, -ring_m2, ring_m2)
    # rings of a feature stand together, so features are parts of the table of rings
    rings = np.searchsorted(features.ring_feature, np.arange(len(features) + 1))
    return BedMeasures(area_m2=part_sums(signed_m2, rings), perimeter_m=part_sums(ring_m, rings))


def run_lengths(frame: Frame, runs: Runs, *, slope_m: FloatArray | None = None) -> RunLengths:
    """Lengths of every leg and run, measured along the vertices of the laying line.

    Parameters
    ----------
    frame : the site's grid
    runs : runs and legs in its working metres
    slope_m : (l,) slope length of each leg, where heights are known

    Returns
    -------
    Lengths.  ``grid_m`` is ``ground_m`` times the combined factor; the geodesic is found
    by itself, from the line taken back to longitude and latitude.

    Notes
    -----
    With a combined factor the geodesic length times (1 + h/R) is the ground length, within
    the variation of scale over the site.
    """
    open_parts = np.zeros(len(runs.offsets) - 1, dtype=bool)
    step = runs.xy[next_vertex(runs.offsets, open_parts)] - runs.xy
    ground = part_sums(np.hypot(step[:, 0], step[:, 1]), runs.offsets)
    geodesic = geodesy.ring_lengths(
        frame.lonlat(runs.xy), runs.offsets, open_parts, ellipsoid=frame.ellipsoid
    )
    grid = ground * frame.combined_factor
    slope = np.full(len(ground), np.nan) if slope_m is None else slope_m
    return RunLengths(
        geodesic_m=geodesic,
        grid_m=grid,
        ground_m=ground,
        slope_m=slope,
        run_geodesic_m=part_sums(geodesic, runs.leg_offsets),
        run_grid_m=part_sums(grid, runs.leg_offsets),
        run_ground_m=part_sums(ground, runs.leg_offsets),
        run_slope_m=part_sums(slope, runs.leg_offsets),
    )
