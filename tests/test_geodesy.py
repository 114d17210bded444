"""Lengths and areas on the ellipsoid, projections, scales, CRS facts, changes of datum.

Row names (GEO-, PRJ-, SCL-) are those of the shared page of check values, where each
publication is named in full.
"""

from __future__ import annotations

import math
import os
import subprocess
import sys
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from siteplan.errors import DataError
from siteplan.geodesy import (
    GRS80,
    WGS84,
    Ellipsoid,
    crs_facts,
    datum_change,
    direct,
    grid_factors,
    height_factor,
    inverse,
    next_vertex,
    part_sums,
    project,
    ring_areas,
    ring_lengths,
    same_datum,
    segment_lengths,
    unproject,
    web_mercator_factors,
)
from siteplan.types import FloatArray
from siteplan.units import SURVEY_FOOT_M
from tests.earth_centred import chord_lengths, earth_centred

BESSEL = Ellipsoid(6377397.155, 1 / 299.1528128)
INTERNATIONAL = Ellipsoid(6378388.0, 1 / 297)
CLARKE_66 = "+a=6378206.4 +es=0.00676866"


def dms(degrees: float, minutes: float = 0.0, seconds: float = 0.0) -> float:
    """Degrees of degrees, minutes and seconds; the sign of the degrees counts for all."""
    return math.copysign(abs(degrees) + minutes / 60 + seconds / 3600, degrees)


def place(lat: float, lon: float) -> FloatArray:
    """One place, longitude first."""
    return np.array([[lon, lat]])


# --- lines -------------------------------------------------------------------------

LINES = [
    # id, ellipsoid, lat lon lat lon, metres, tol m, az1, az2, tol degrees
    # Vincenty 1975, Survey Review XXIII no. 176, Table II, lines a, c, d
    ("GEO-01", BESSEL, (dms(55, 45), 0, dms(-33, 26), dms(108, 13)), 14110526.170, 1e-3,
     dms(96, 36, 8.79960), dms(137, 52, 22.01454), 2e-5 / 3600),
    ("GEO-03", INTERNATIONAL, (dms(35, 16, 11.24862), 0, dms(67, 22, 14.77638), dms(137, 47, 28.31435)),
     8084823.839, 1e-3, dms(15, 44, 23.74850), dms(144, 55, 39.92147), 2e-5 / 3600),
    ("GEO-04", INTERNATIONAL, (1, 0, dms(-0.0, 59, 53.83076), dms(179, 17, 48.02997)),
     19960000.000, 1e-3, 89.0 + 0.0, dms(91, 0, 6.11733), 0.002 / 3600),
    # GDA2020 Technical Manual, Table 5.1 (reverse azimuth turned round)
    ("GEO-06", GRS80, (dms(-37, 57, 3.72030), dms(144, 25, 29.52440), dms(-37, 39, 10.15610),
                       dms(143, 55, 35.38390)), 54972.271, 1e-3,
     dms(306, 52, 5.37) - 360, dms(127, 10, 25.07) - 180, 0.005 / 3600),
    # Karney 2013, J. Geod. 87:43-55, Table 3; azimuths to the 8 decimals doubles hold
    ("GEO-08", WGS84, (-30.12345, 0, -30.12344, 0.00005), 4.944208, 1e-6, 77.04353354, 77.04350845, 1e-8),
    # GeographicLib's tests: GeodSolve81, 82, 0, 76; its Python documentation; random set row 9
    ("GEO-13", WGS84, (0, 0, 1e-6, 1e-6), 0.157, 5e-4, None, None, 0),
    ("GEO-14", WGS84, (20.001, 0, 20.001, 0), 0.0, 0, None, None, 0),
    ("GEO-15", WGS84, (40.6, -73.8, dms(49, 1), dms(2, 33)), 5853226, 1, 53.47022, 111.59367, 1e-5),
    ("GEO-16", WGS84, (dms(-41, 19), dms(174, 49), dms(40, 58), dms(-5, 30)), 19960543.857179, 1e-6,
     160.39137649664, 19.50042925176, 1e-10),
    ("GEO-18", WGS84, (-41.32, 174.81, 40.96, -5.50), 19959679.267, 1e-3, None, None, 0),
    ("GEO-19", WGS84, (-58.93002, -8.90775, -8.91104, 133.13503), 11756066.0219864627, 2e-8, None, None, 0),
    # no publication: GeographicLib's tools, pyproj and 40-digit chords agree on these
    ("GEO-30", WGS84, (40, -100, 40.00001, -100), 1.1103463, 1e-7, None, None, 0),
    ("GEO-31", WGS84, (40, -100, 40.0001, -99.9999), 14.0074230, 1e-7, None, None, 0),
    ("GEO-33", WGS84, (40, -100, 40.001, -99.999), 140.0738955, 1e-7, None, None, 0),
    ("GEO-35", WGS84, (40, -100, 40.005, -99.99), 1018.5162734, 1e-7, None, None, 0),
]  # fmt: skip


@pytest.mark.parametrize("row", LINES, ids=lambda row: str(row[0]))
def test_published_lines(row: tuple[Any, ...]) -> None:
    _, ellipsoid, ends, length_m, tol_m, az1, az2, tol_deg = row
    got, start_az, end_az = inverse(place(*ends[:2]), place(*ends[2:]), ellipsoid=ellipsoid)
    assert abs(got[0] - length_m) <= tol_m
    if az1 is not None:
        assert abs(start_az[0] - az1) <= tol_deg
        assert abs(end_az[0] - az2) <= tol_deg
    # the same line as a part of two vertices
    line = np.vstack([place(*ends[:2]), place(*ends[2:])])
    lengths = ring_lengths(line, np.array([0, 2]), np.array([False]), ellipsoid=ellipsoid)
    assert lengths[0] == got[0]


def test_direct_line_of_karney() -> None:
    # GEO-07, Karney 2013, Table 2
    end = direct(place(40, 0), np.array([30.0]), np.array([1e7]))
    assert end[0] == pytest.approx([137.84490004377, 41.79331020506], abs=2e-11)


def test_quarter_meridian_by_quadrature() -> None:
    # GEO-22, GeographicLib's test TransverseMercatorProj2: 10001965.7293127228 m
    f = 1 / 298.257223563
    e2 = f * (2 - f)
    quarter, _ = quad(
        lambda t: 6378137 * (1 - e2) / (1 - e2 * math.sin(t) ** 2) ** 1.5, 0, math.pi / 2, epsabs=1e-8
    )
    length, *_ = inverse(place(0, 0), place(90, 0))
    assert abs(quarter - 10001965.7293127228) < 1e-6
    assert abs(length[0] - quarter) < 1e-6


def random_lines(count: int, reach_deg: float, seed: int) -> tuple[FloatArray, FloatArray]:
    rng = np.random.default_rng(seed)
    start = np.column_stack([rng.uniform(-180, 180, count), rng.uniform(-75, 75, count)])
    return start, start + rng.uniform(-reach_deg, reach_deg, (count, 2))


@pytest.mark.parametrize("reach_deg", [1e-5, 1e-4, 1e-3, 1e-2, 5e-2])
@pytest.mark.parametrize("ellipsoid", [WGS84, BESSEL])
def test_short_lines_against_earth_centred_chords(reach_deg: float, ellipsoid: Ellipsoid) -> None:
    # pyproj and geographiclib are one algorithm; this is another
    start, end = random_lines(400, reach_deg, 7)
    length, *_ = inverse(start, end, ellipsoid=ellipsoid)
    other = chord_lengths(start, end, ellipsoid)
    assert np.all(np.abs(length - other) <= 1e-9 * other + 1e-7)


def test_lines_against_geographiclib() -> None:
    start, end = random_lines(300, 0.02, 11)
    length, *_ = inverse(start, end)
    other = [
        Geodesic.WGS84.Inverse(a[1], a[0], b[1], b[0])["s12"]
        for a, b in zip(start.tolist(), end.tolist(), strict=True)
    ]
    assert np.abs(length - other).max() < 2e-8


def test_both_sides_of_the_180th_meridian() -> None:
    fiji = np.array([[179.9999, -16.8], [-179.9999, -16.8], [180.0001, -16.7999], [179.9999, -16.7999]])
    moved = fiji % 360 * [1, 0] + fiji * [0, 1] - [100, 0]
    offsets, closed = np.array([0, 4]), np.array([True])
    assert segment_lengths(fiji, offsets, closed) == pytest.approx(
        segment_lengths(moved, offsets, closed), abs=1e-7
    )
    assert ring_areas(fiji, offsets)[0] == pytest.approx(ring_areas(moved, offsets)[0], abs=1e-3)


# --- ragged parts ------------------------------------------------------------------


def test_where_lengths_stand() -> None:
    lonlat = np.array([[0, 0], [0.001, 0], [0.001, 0.001], [5, 5], [0, 0], [0.001, 0], [7, 7]])
    offsets = np.array([0, 3, 3, 4, 6, 7])
    closed = np.array([True, False, False, False, True])
    assert next_vertex(offsets, closed).tolist() == [1, 2, 0, 3, 5, 5, 6]
    lengths = segment_lengths(lonlat, offsets, closed)
    assert lengths[[3, 5, 6]].tolist() == [0, 0, 0]
    assert lengths[0] == lengths[4] > 111
    whole = ring_lengths(lonlat, offsets, closed)
    assert whole == pytest.approx([lengths[:3].sum(), 0, 0, lengths[4], 0], abs=1e-12)
    assert ring_lengths(np.zeros((0, 2)), np.array([0]), np.zeros(0, dtype=bool)).tolist() == []
    assert ring_areas(np.zeros((0, 2)), np.array([0]))[0].tolist() == []


@settings(deadline=None, derandomize=True, max_examples=100)
@given(st.lists(st.lists(st.floats(-1e6, 1e6), max_size=5), max_size=8))
def test_sums_of_parts(parts: list[list[float]]) -> None:
    offsets = np.concatenate([[0], np.cumsum([len(p) for p in parts])]).astype(np.int64)
    sums = part_sums(np.array([v for p in parts for v in p]), offsets)
    assert sums == pytest.approx([math.fsum(p) for p in parts], abs=1e-8)


@pytest.mark.parametrize("bad", [[0, 142.0], [0, -90.001], [math.nan, 0], [0, math.nan], [math.inf, 0]])
def test_no_place_is_refused_by_its_vertex(bad: list[float]) -> None:
    lonlat = np.array([[0, 0], [1, 1], bad])
    with pytest.raises(DataError, match="is not a place on earth") as caught:
        ring_areas(lonlat, np.array([0, 3]))
    assert caught.value.faults[0].vertex == 3
    with pytest.raises(DataError, match="longitude first"):
        segment_lengths(lonlat, np.array([0, 3]), np.array([True]))


# --- rings -------------------------------------------------------------------------

ANTARCTICA = [
    (-63.1, -58), (-72.9, -74), (-71.9, -102), (-74.9, -102), (-74.3, -131), (-77.5, -163), (-77.4, 163),
    (-71.7, 172), (-65.9, 140), (-65.7, 113), (-66.6, 88), (-66.9, 59), (-69.8, 25), (-70.0, -4),
    (-71.0, -14), (-77.3, -33), (-77.9, -46), (-74.7, -61),
]  # fmt: skip


@pytest.mark.parametrize(
    ("points", "perimeter_m", "tol_m", "area_m2", "tol_m2"),
    [
        # GEO-23, geographiclib-python documentation, Examples
        (ANTARCTICA, 16831067.893, 1e-3, 13662703680020.1, 1.0),
        # GEO-24, GeographicLib's tests Planimeter15 to 18 (perimeter recomputed)
        ([(2, 1), (1, 2), (3, 3)], 652827.202163, 1e-5, 18454562325.45119, 0.1),
        # GEO-26, Planimeter0: round the pole
        ([(89, 0), (89, 90), (89, 180), (89, 270)], 631819.8745, 1e-4, 24952305678.0, 1.0),
        # GEO-28, Planimeter19 and 20: one point
        ([(1, 1)], 0, 0, 0, 0),
        # GEO-29, recomputed: edges are geodesics, not parallels (those give 2029616 m, 2.535883763e11 m2)
        ([(41, -111.05), (41, -104.05), (45, -104.05), (45, -111.05)], 2029286.798, 1, 2.534641932e11, 1e3),
        # GEO-36, recomputed with GeographicLib's tools: a bed
        ([(40, -100), (40, -99.9998), (40.0001, -99.9998), (40.0001, -100)],
         56.3644446, 1e-6, 189.63337, 1e-3),
    ],
)  # fmt: skip
@pytest.mark.parametrize("turn", [1, -1])
def test_published_rings(
    points: list[tuple[float, float]],
    perimeter_m: float,
    tol_m: float,
    area_m2: float,
    tol_m2: float,
    turn: int,
) -> None:
    lonlat = np.array(points)[::turn, ::-1]
    offsets = np.array([0, len(points)])
    area, perimeter = ring_areas(lonlat, offsets)
    assert abs(area[0] - area_m2) <= tol_m2
    assert abs(perimeter[0] - perimeter_m) <= tol_m
    assert abs(ring_lengths(lonlat, offsets, np.array([True]))[0] - perimeter_m) <= tol_m


@pytest.mark.parametrize(("lat", "size"), [(40.0, 0.01), (-16.8, 0.002), (64.0, 0.0005)])
def test_area_of_a_quadrangle_by_quadrature(lat: float, size: float) -> None:
    # Area between two parallels and two meridians: the integral of M N cos(lat), by quadrature.
    # The parallels are drawn with 400 edges.
    e2 = WGS84.e2

    def strip(phi: float) -> float:
        return WGS84.a_m**2 * (1 - e2) * math.cos(phi) / (1 - e2 * math.sin(phi) ** 2) ** 2

    expected = math.radians(size) * quad(strip, math.radians(lat), math.radians(lat + size))[0]
    t = np.linspace(0, size, 401)
    ring = np.vstack(
        [
            np.column_stack([9 + t, np.full(401, lat)]),
            np.column_stack([9 + t[::-1], np.full(401, lat + size)]),
        ]
    )
    area, _ = ring_areas(ring, np.array([0, len(ring)]))
    # 1.5e-4 m2 is the method's own noise, 1e-8 the rest of the 400 edges
    assert abs(area[0] - expected) < 5e-4 + 1e-8 * expected


@settings(deadline=None, derandomize=True, max_examples=60)
@given(
    st.floats(-179, 179), st.floats(-70, 70), st.floats(2, 200), st.integers(3, 40), st.integers(0, 39),
    st.booleans(), st.integers(0, 2**31),
)  # fmt: skip
def test_a_ring_is_the_same_from_any_vertex_either_way(
    lon: float, lat: float, radius_m: float, n: int, shift: int, back: bool, seed: int
) -> None:
    azimuth = np.arange(n) * 360 / n
    radii = radius_m * np.random.default_rng(seed).uniform(0.5, 1.5, n)
    ring = direct(np.tile([lon, lat], (n, 1)), azimuth, radii)
    other = np.roll(ring, shift, axis=0)[:: -1 if back else 1]
    areas, perimeters = ring_areas(np.vstack([ring, other]), np.array([0, n, 2 * n]))
    assert perimeters[0] == pytest.approx(perimeters[1], abs=1e-7)
    assert areas[0] == pytest.approx(areas[1], abs=1e-3)
    assert areas[0] > 0


# --- projections -------------------------------------------------------------------

FT_US = "US survey foot"
PROJECTIONS = [
    # id, CRS, lat, lon, x, y, tol; IOGP 373-7-2 (Guidance Note 7-2) worked examples
    ("PRJ-01", "EPSG:27700", 50.5, 0.5, 577274.99, 69740.50, 0.015),
    ("PRJ-02", "EPSG:32040", 28.5, -96, 2963503.91, 254759.80, 0.006),
    ("PRJ-03", "EPSG:32040", dms(27, 50), -99, 2000000.00, 0.00, 0.001),
    ("PRJ-05", "EPSG:24200", dms(17, 55, 55.80), dms(-76, 56, 37.26), 255966.58, 142493.51, 0.01),
    ("PRJ-06", "EPSG:3857", dms(24, 22, 54.433), dms(-100, 20), -11169055.58, 2800000.00, 0.01),
    ("PRJ-09", "+proj=merc +lat_ts=42 +lon_0=51 +ellps=krass", 53, 53, 165704.29, 5171848.07, 0.01),
    # Snyder, Professional Paper 1395, pp. 269-270 and 266-268 (no y for PRJ-13: its print is doubtful)
    ("PRJ-11", f"+proj=tmerc +lon_0=-75 +k=0.9996 {CLARKE_66}", 40.5, -73.5, 127106.5, 4484124.4, 0.06),
    ("PRJ-13", f"+proj=merc +lon_0=180 {CLARKE_66}", 35, -75, 11688673.7, None, 0.06),
    ("PRJ-14", "+proj=tmerc +lon_0=-75 +R=1", 40.5, -73.5, 0.0199077, 0.7070276, 6e-8),
    # GDA2020 Technical Manual, Table C-1
    ("PRJ-15", "EPSG:28355", dms(-37, 57, 3.72030), dms(144, 25, 29.52440), 273741.297, 5796489.777, 1e-3),
    ("PRJ-17", "EPSG:28354", dms(-37, 39, 10.15610), dms(143, 55, 35.38390), 758173.797, 5828674.340, 1e-3),
    # IOGP GIGS series 5103, parts 2 and 3: international and survey foot of one zone
    ("PRJ-20", "EPSG:2921", 49, -110, 2003937.27, 6452491.70, 0.03),
    ("PRJ-21", "EPSG:3568", 49, -110, 2003933.27, 6452478.80, 0.03),
    # NMD program l176 list for SPCS 83, as carried in PROJ's NAD83 tests
    ("PRJ-23", "EPSG:2227", dms(37, 30, 30.324), dms(-121, 22, 26.019), 6308189.835, 2008776.145, 0.002),
    ("PRJ-24", "EPSG:3435", dms(41, 46, 11.855), dms(-88, 7, 6.790), 1042839.901, 1858837.259, 0.002),
    ("PRJ-26", "EPSG:3734", dms(40, 17, 50.894), dms(-80, 49, 28.238), 2435851.621, 234309.717, 0.002),
    ("PRJ-28", "EPSG:2232", dms(39, 15, 30), dms(-105, 30), 3000000.000, 1518981.963, 0.002),
]


@pytest.mark.parametrize("row", PROJECTIONS, ids=lambda row: str(row[0]))
def test_published_projections(row: tuple[str, str, float, float, float, float | None, float]) -> None:
    _, crs, lat, lon, x, y, tol = row
    coords = project(crs, place(lat, lon))
    assert abs(coords[0, 0] - x) <= tol
    if y is not None:
        assert abs(coords[0, 1] - y) <= tol
    assert unproject(crs, coords)[0] == pytest.approx([lon, lat], abs=1e-9)


@pytest.mark.parametrize(
    ("crs", "lat", "lon", "scale", "tol"),
    [
        # PRJ-11 and PRJ-13, Snyder
        (f"+proj=tmerc +lon_0=-75 +k=0.9996 {CLARKE_66}", 40.5, -73.5, 0.9997989, 6e-8),
        (f"+proj=merc +lon_0=180 {CLARKE_66}", 35, -75, 1.2194146, 6e-8),
        # PRJ-15 and PRJ-17, GDA2020 Technical Manual, Table C-1
        ("EPSG:28355", dms(-37, 57, 3.72030), dms(144, 25, 29.52440), 1.00023056, 5e-9),
        ("EPSG:28354", dms(-37, 39, 10.15610), dms(143, 55, 35.38390), 1.00042107, 5e-9),
        # SCL-06 and SCL-07: UTM on GRS 80, on its meridian and 3 degrees off
        ("EPSG:26916", 30, -87, 0.9996, 1e-10),
        ("EPSG:26916", 0, -84, 1.00098106, 1e-8),
        ("EPSG:26916", 35, -84, 1.00052402, 1e-8),
        ("EPSG:26916", 40, -90, 1.00040750, 1e-8),
        ("EPSG:26916", 45, -90, 1.00028750, 1e-8),
        # SCL-08, EPSG data set: Illinois East, New Jersey, on their meridians
        ("EPSG:3435", 40, dms(-88, 20), 0.999975, 1e-10),
        ("EPSG:3424", 40, -74.5, 0.9999, 1e-10),
        # SCL-09, recomputed
        ("EPSG:2227", dms(37, 30, 30.324), dms(-121, 22, 26.019), 0.99993810, 1e-8),
        ("EPSG:3734", dms(40, 17, 50.894), dms(-80, 49, 28.238), 1.00002880, 1e-8),
    ],
)
def test_published_point_scales(crs: str, lat: float, lon: float, scale: float, tol: float) -> None:
    factors = grid_factors(crs, place(lat, lon))
    assert abs(factors.scale[0] - scale) <= tol
    assert abs(factors.east_west[0] - scale) <= tol
    assert abs(factors.north_south[0] - scale) <= tol
    assert factors.stretch[0] < 1e-9  # all of them conformal


def test_published_convergence() -> None:
    # PRJ-15, PRJ-17: the manual prints -1 35 03.65 and +1 47 19.36, counted the other way round
    flinders = grid_factors("EPSG:28355", place(dms(-37, 57, 3.72030), dms(144, 25, 29.52440)))
    buninyong = grid_factors("EPSG:28354", place(dms(-37, 39, 10.15610), dms(143, 55, 35.38390)))
    assert flinders.convergence_deg[0] == pytest.approx(dms(1, 35, 3.65), abs=0.01 / 3600)
    assert buninyong.convergence_deg[0] == pytest.approx(-dms(1, 47, 19.36), abs=0.01 / 3600)


def test_convergence_turns_grid_azimuths_true() -> None:
    start, azimuth = place(40.1, -83.2), np.array([37.0])
    end = direct(start, azimuth, np.array([50.0]))
    step = np.diff(project("EPSG:26916", np.vstack([start, end])), axis=0)[0]
    grid_azimuth = math.degrees(math.atan2(step[0], step[1]))
    convergence = grid_factors("EPSG:26916", start).convergence_deg[0]
    assert grid_azimuth + convergence == pytest.approx(37.0, abs=1e-4)


def test_grid_against_ground_of_the_australian_manual() -> None:
    # PRJ-18: plane 54992.279 m, geodesic 54972.271 m, line scale factor 1.00036397
    ends = np.vstack(
        [
            place(dms(-37, 57, 3.72030), dms(144, 25, 29.52440)),
            place(dms(-37, 39, 10.15610), dms(143, 55, 35.38390)),
        ]
    )
    plane = float(np.hypot(*np.diff(project("EPSG:28355", ends), axis=0)[0]))
    length, azimuth, _ = inverse(ends[:1], ends[1:], ellipsoid=GRS80)
    middle = direct(ends[:1], azimuth, length / 2, ellipsoid=GRS80)
    geodesic = length[0]
    assert plane == pytest.approx(54992.279, abs=1e-3)
    assert plane / geodesic == pytest.approx(1.00036397, abs=5e-9)
    # Simpson's rule over the point scales (Mahun, ch. L; SCL-15) comes to the same
    k = grid_factors("EPSG:28355", np.vstack([ends[:1], middle, ends[1:]])).scale
    assert (k[0] + 4 * k[1] + k[2]) / 6 == pytest.approx(plane / geodesic, abs=2e-8)


# --- web mercator ------------------------------------------------------------------


def test_web_mercator_draws_too_long() -> None:
    # SCL-01, SCL-02, SCL-05: Snyder p. 267, numbers recomputed with pyproj and by hand
    ew, ns = web_mercator_factors(np.array([0.0, 30, 40, 45, 60]))
    assert ew[[0, 1, 3, 4]] == pytest.approx([1.0, 1.1537339, 1.4118448, 1.9949729], abs=1e-6)
    assert 100 * ew[2] == pytest.approx(130.3601, abs=1e-3)
    assert 100 * ns[2] == pytest.approx(130.876, abs=1e-3)
    secant = 1 / np.cos(np.radians([0.0, 40, 60]))
    assert 100 * (secant / ew[[0, 2, 4]] - 1) == pytest.approx([0, 0.139, 0.252], abs=2e-3)
    assert 100 * (1 - secant[:2] / ns[[0, 2]]) == pytest.approx([0.669, 0.256], abs=4e-3)


@pytest.mark.parametrize("lat", [-41.0, 0.0, 40.0, 64.0])
def test_scale_of_3857_is_the_ground_truth_not_the_spheres(lat: float) -> None:
    # pyproj's own get_factors gives 1.3054073 both ways at 40 degrees: the sphere's
    factors = grid_factors("EPSG:3857", place(lat, 10))
    ew, ns = web_mercator_factors(lat)
    assert factors.east_west[0] == pytest.approx(float(ew), abs=1e-9)
    assert factors.north_south[0] == pytest.approx(float(ns), abs=1e-9)
    # and both stand against the ground: 100 m of geodesic
    for azimuth, factor in ((90.0, ew), (0.0, ns)):
        ends = np.vstack(
            [direct(place(lat, 10), np.array([azimuth]), np.array([half])) for half in (-50.0, 50.0)]
        )
        drawn = float(np.hypot(*np.diff(project("EPSG:3857", ends), axis=0)[0]))
        assert drawn == pytest.approx(100 * float(factor), abs=1e-6)


# --- height ------------------------------------------------------------------------


def test_height_factor_against_the_published_rule() -> None:
    # SCL-12: R/(R + h) with R 6,372,000 m (study text); R here is the Gaussian mean radius
    for lat in (0.0, 25.0, 40.0, 50.0, 90.0):
        for h in (-100.0, 0.0, 500.0, 2500.0):
            rule = 6_372_000 / (6_372_000 + h)
            assert abs(height_factor(h, lat) - rule) <= 6.9e-10 * abs(h)
    # SCL-13: grid factor 0.999981 at 500 ft is 0.99995708 (surveyors' forum, 2011)
    assert 0.999981 * height_factor(152.4, 40) == pytest.approx(0.99995708, abs=5e-7)
    # SCL-18: combined 1.00016082 over grid 1.00021177 is about 324.6 m (Mahun, ch. L)
    assert 1.00021177 * height_factor(324.6, 43) == pytest.approx(1.00016082, abs=2e-7)


def test_radii() -> None:
    # of the ellipsoid's own constants: b^2/a at the equator, a^2/b at the pole
    b = WGS84.a_m * (1 - WGS84.f)
    assert float(WGS84.meridian_radius_m(0.0)) == pytest.approx(b**2 / WGS84.a_m, abs=1e-6)
    assert float(WGS84.meridian_radius_m(90.0)) == pytest.approx(WGS84.a_m**2 / b, abs=1e-6)
    assert float(WGS84.prime_vertical_radius_m(0.0)) == WGS84.a_m
    assert float(WGS84.gaussian_radius_m(90.0)) == pytest.approx(WGS84.a_m**2 / b, abs=1e-6)


# --- CRS facts ---------------------------------------------------------------------

ESRI_UTM = (
    'PROJCS["WGS_1984_UTM_Zone_33N",GEOGCS["GCS_WGS_1984",DATUM["D_WGS_1984",'
    'SPHEROID["WGS_1984",6378137.0,298.257223563]],PRIMEM["Greenwich",0.0],'
    'UNIT["Degree",0.0174532925199433]],PROJECTION["Transverse_Mercator"],'
    'PARAMETER["False_Easting",500000.0],PARAMETER["False_Northing",0.0],'
    'PARAMETER["Central_Meridian",15.0],PARAMETER["Scale_Factor",0.9996],'
    'PARAMETER["Latitude_Of_Origin",0.0],UNIT["Meter",1.0]]'
)
OLD_WEB = (
    "+proj=merc +a=6378137 +b=6378137 +lat_ts=0 +lon_0=0 +x_0=0 +y_0=0 +k=1 +units=m +nadgrids=@null +no_defs"
)


@pytest.mark.parametrize(
    ("crs", "code", "unit", "geographic", "web"),
    [
        ("EPSG:4326", "EPSG:4326", None, True, False),
        ("EPSG:4979", "EPSG:4326", None, True, False),  # three-dimensional
        ("OGC:CRS84", "OGC:CRS84", None, True, False),
        ("EPSG:2230", "EPSG:2230", "ftUS", False, False),
        ("EPSG:2921", "EPSG:2921", "ft", False, False),
        ("EPSG:7405", "EPSG:27700", "m", False, False),  # compound, with heights
        (ESRI_UTM, "EPSG:32633", "m", False, False),
        (ESRI_UTM.replace("15.0", "15.1"), None, "m", False, False),
        ("EPSG:2314", "EPSG:2314", None, False, False),  # Clarke's foot is neither of ours
        ("EPSG:3395", "EPSG:3395", "m", False, False),  # a true Mercator on the ellipsoid
        ("EPSG:3857", "EPSG:3857", "m", False, True),
        ("ESRI:102100", "ESRI:102100", "m", False, True),
        ("EPSG:3785", "EPSG:3857", "m", False, True),
        (OLD_WEB, "EPSG:3857", "m", False, True),
        ("EPSG:6871", "EPSG:3857", "m", False, True),
    ],
)
def test_crs_facts(crs: str, code: str | None, unit: str | None, geographic: bool, web: bool) -> None:
    facts = crs_facts(crs)
    assert (facts.code, facts.unit, facts.is_geographic, facts.is_web_mercator) == (
        code,
        unit,
        geographic,
        web,
    )
    assert facts.is_projected is not geographic
    assert crs_facts(facts.wkt).wkt == facts.wkt


def test_more_crs_facts() -> None:
    survey = crs_facts("EPSG:2230")
    assert survey.metres_per_unit == SURVEY_FOOT_M
    assert survey.ellipsoid == GRS80
    assert survey.datum == "North American Datum 1983"
    assert survey.area_of_use == pytest.approx((-118.15, 32.53, -114.42, 34.08), abs=0.1)
    clarke = crs_facts("EPSG:2314")
    assert clarke.unit_name == "Clarke's foot"
    assert clarke.metres_per_unit == Fraction(0.3047972654)
    assert not crs_facts("EPSG:2053").east_north  # west and south
    assert not crs_facts("EPSG:3031").east_north  # polar
    paris = crs_facts("EPSG:4807")
    assert paris.degrees_per_unit == pytest.approx(0.9, abs=1e-14)
    assert paris.prime_meridian_deg == pytest.approx(2.33722917, abs=1e-12)
    assert crs_facts("EPSG:4326").metres_per_unit is None


def test_degrees_pass_untouched_and_grads_do_not() -> None:
    here = place(48.8, 0.1)
    assert project("EPSG:4326", here).tolist() == here.tolist()
    assert unproject("EPSG:4807", project("EPSG:4807", here)) == pytest.approx(here, abs=1e-13)
    assert project("EPSG:4807", here)[0] == pytest.approx([0.1 / 0.9, 48.8 / 0.9], abs=1e-12)


@pytest.mark.parametrize(
    "crs", ["nonsense", "", "EPSG:0", "EPSG:4978", "EPSG:5703", 'LOCAL_CS["x",UNIT["m",1]]']
)
def test_no_crs_is_a_data_error_with_a_remedy(crs: str) -> None:
    with pytest.raises(DataError, match="State the CRS") as caught:
        crs_facts(crs)
    assert caught.value.faults[0].code == "crs"


# --- datums ------------------------------------------------------------------------

OHIO = (-83.1, 40.0, -83.0, 40.1)
LIVERPOOL = (-3.0, 53.3, -2.9, 53.4)


def test_same_datum() -> None:
    assert same_datum(crs_facts("EPSG:3857"), crs_facts("OGC:CRS84"))
    assert same_datum(crs_facts("EPSG:2227"), crs_facts("EPSG:4269"))
    assert not same_datum(crs_facts("EPSG:4269"), crs_facts("EPSG:4326"))
    for crs in ("EPSG:3857", "EPSG:32616", "OGC:CRS84", "EPSG:4979", ESRI_UTM):
        assert datum_change(crs, "EPSG:4326", OHIO) is None


def test_published_operation_and_its_accuracy() -> None:
    # EPSG data set: NAD83 to WGS 84 (1) is a change of name, 4 m
    change = datum_change("EPSG:2230", "EPSG:4326", OHIO)
    assert change is not None
    assert (change.operation, change.accuracy_m) == ("NAD83 to WGS 84 (1)", 4.0)
    assert change.moves_nothing
    here = place(40, -83)
    assert change.apply(here).tolist() == here.tolist()
    assert 'by "NAD83 to WGS 84 (1)", accuracy 4 m.' in change.text


def test_a_missing_grid_is_said() -> None:
    # EPSG data set: OSGB36 to WGS 84 (6) is 2 m, (9) 1 m by a grid
    change = datum_change("EPSG:27700", "EPSG:4326", LIVERPOOL)
    assert change is not None
    assert (change.operation, change.accuracy_m) == ("OSGB36 to WGS 84 (6)", 2.0)
    assert "needs uk_os_OSTN15_NTv2_OSGBtoETRS.tif, not installed here" in change.better


def test_helmert_against_own_arithmetic() -> None:
    # A file that prescribes its own shift, by 400, -125 and 542 m of earth-centred coordinates
    crs = "+proj=tmerc +lat_0=49 +lon_0=-2 +ellps=airy +towgs84=400,-125,542 +units=m"
    change = datum_change(crs, "EPSG:4326", LIVERPOOL)
    assert change is not None
    here = place(53.35, -2.95)
    moved = change.apply(here)
    there = earth_centred(here, crs_facts(crs).ellipsoid) + np.array([400.0, -125.0, 542.0])
    # the same point, but for its height over WGS 84
    lon = math.degrees(math.atan2(there[0, 1], there[0, 0]))
    assert moved[0, 0] == pytest.approx(lon, abs=1e-11)
    foot = earth_centred(moved, WGS84)
    up = (there - foot)[0] / np.linalg.norm(there - foot)
    normal = earth_centred(moved, WGS84, 1.0)[0] - foot[0]
    assert abs(up @ normal) == pytest.approx(1, abs=1e-9)
    assert change.accuracy_m is None
    assert "accuracy not stated" in change.text


def test_by_way_of_wgs84_where_the_straight_way_needs_a_grid() -> None:
    change = datum_change("EPSG:4269", "EPSG:6318", OHIO)
    assert change is not None
    assert change.accuracy_m == 6.0  # 4 m and 2 m
    assert " + " in change.operation
    assert "NADCON5" in change.better


def test_grads_and_another_meridian() -> None:
    # EPSG data set: Paris lies 2.5969213 grads east of Greenwich, and NTF to WGS 84 (1) moves by
    # (-168, -60, 320) m.  1e-8 degrees is 1 mm.
    change = datum_change("EPSG:4807", "EPSG:4326", (2.3, 48.8, 2.4, 48.9))
    assert change is not None
    moved = change.apply(place(48.85, 0.01))
    there = earth_centred(place(48.85, 0.01 + 2.5969213 * 0.9), crs_facts("EPSG:4807").ellipsoid)
    there += [-168, -60, 320]
    assert moved[0, 0] == pytest.approx(math.degrees(math.atan2(there[0, 1], there[0, 0])), abs=1e-8)


def test_ballpark_is_refused() -> None:
    with pytest.raises(DataError, match="no published way") as caught:
        datum_change("+proj=longlat +ellps=GRS80", "EPSG:4326", OHIO)
    assert caught.value.faults[0].code == "ballpark-datum"


def test_no_grids_from_the_network_whatever_the_environment_says() -> None:
    code = "import pyproj, siteplan.geodesy; print(pyproj.network.is_network_enabled())"
    done = subprocess.run(
        [sys.executable, "-c", code],
        env={**os.environ, "PROJ_NETWORK": "ON"},
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.strip() == "False"
