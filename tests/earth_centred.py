"""An independent way to short lengths: earth-centred chords, with the arc put back."""

from __future__ import annotations

import numpy as np

from siteplan.geodesy import Ellipsoid
from siteplan.types import FloatArray, LonLatArray


def earth_centred(lonlat: LonLatArray, ellipsoid: Ellipsoid, height_m: float = 0.0) -> FloatArray:
    """(n, 3) earth-centred metres of places at a height above the ellipsoid."""
    lon, lat = np.radians(np.asarray(lonlat, dtype=np.float64).reshape(-1, 2)).T
    e2 = ellipsoid.f * (2 - ellipsoid.f)
    n = ellipsoid.a_m / np.sqrt(1 - e2 * np.sin(lat) ** 2)
    return np.column_stack(
        [
            (n + height_m) * np.cos(lat) * np.cos(lon),
            (n + height_m) * np.cos(lat) * np.sin(lon),
            (n * (1 - e2) + height_m) * np.sin(lat),
        ]
    )


def chord_lengths(
    start: LonLatArray, end: LonLatArray, ellipsoid: Ellipsoid, height_m: float = 0.0
) -> FloatArray:
    """Lengths at a height: the chord c plus c^3 / 24 R^2 (arc over chord, first term).

    R is that of a sphere; the true radius differs by at most 0.7 %, which over 10 km is
    7e-10 of the length.
    """
    chord = np.linalg.norm(
        earth_centred(end, ellipsoid, height_m) - earth_centred(start, ellipsoid, height_m), axis=1
    )
    length: FloatArray = chord + chord**3 / (24 * (6_371_000.0 + height_m) ** 2)
    return length
