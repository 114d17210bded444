"""The site's grid: local or a surveyor's, heights, datums, and the way there and back."""

from __future__ import annotations

import dataclasses
import math
import pickle
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Transformer, database
from pyproj.enums import PJType
from pyproj.exceptions import ProjError

from siteplan.errors import DataError, UsageError
from siteplan.frame import LOCAL_EASTING_M, LOCAL_NORTHING_M, Frame, make_frame
from siteplan.geodesy import GRS80, WGS84, crs_facts, direct, height_factor, inverse, project
from siteplan.types import FloatArray
from tests.earth_centred import chord_lengths
from tests.make_features import bed, features


def box(lon: float, lat: float, half_m: float = 100.0) -> FloatArray:
    """Corners of a square round a place."""
    centre = np.tile([lon, lat], (4, 1))
    return direct(centre, np.array([45.0, 135, 225, 315]), np.full(4, half_m * math.sqrt(2)))


def frame_at(lon: float, lat: float, half_m: float = 100.0, crs: str = "EPSG:4326", **options: Any) -> Frame:
    """Frame of a square bed round a place given on the datum of ``crs``."""
    return make_frame(bed(project(crs, box(lon, lat, half_m)), crs), **options)[0]


def codes(findings: tuple[Any, ...]) -> list[str]:
    return [f.code for f in findings]


# --- the local grid ----------------------------------------------------------------


@pytest.mark.parametrize("lat", [-41.26, 0.0, 40.013, 64.5])
@pytest.mark.parametrize("height_m", [0.0, 300.0, 2500.0])
def test_local_grid_length_is_ground_length_over_2_km(lat: float, height_m: float) -> None:
    frame = frame_at(-83.0, lat, 1000.0, height_m=height_m)
    rng = np.random.default_rng(3)
    xy = rng.uniform(-1000, 1000, (400, 2)) + frame.ground_xy(np.array([[-83.0, lat]]), "EPSG:4326")
    a, b = xy[:200], xy[200:]
    grid = np.hypot(*(frame.grid(b) - frame.grid(a)).T)
    start, end = frame.lonlat(a), frame.lonlat(b)
    ground = inverse(start, end)[0] * (1 + height_m / float(WGS84.gaussian_radius_m(lat)))
    assert np.all(np.abs(grid / ground - 1) < 1e-7)
    # Chords between places really at that height.  Height stretches north-south and east-west
    # a little differently (radius of curvature), which no grid true to angles can follow.
    other = chord_lengths(start, end, WGS84, height_m)
    assert np.all(np.abs(grid / other - 1) < 1e-7 + 0.0034 * height_m / 6_356_000)


def test_local_grid_over_the_whole_of_the_largest_site() -> None:
    frame = frame_at(-83.0, 40.0, 9_900.0)
    least, greatest = frame.scale_variation
    assert abs(least) < 1e-9
    assert 1e-6 < greatest < 1.4e-6  # x^2 / 2 R^2 at 10.5 km
    ends = np.array([[9900.0, -50], [9900, 50]]) + frame.ground_xy(np.array([[-83.0, 40.0]]), "EPSG:4326")
    lonlat = frame.lonlat(ends)
    length = inverse(lonlat[:1], lonlat[1:])[0][0]
    assert 100 / length - 1 == pytest.approx(greatest, abs=3e-7)


@pytest.mark.parametrize(("vertices", "radius"), [(48, 3.0), (360, 50.0)])
@pytest.mark.parametrize("height_m", [0.0, 1500.0])
def test_closed_forms_on_the_ground(vertices: int, radius: float, height_m: float) -> None:
    # Regular polygon in a circle, square, and stadium, drawn in ground metres, measured on the ellipsoid
    frame = frame_at(11.3, 48.1, 300.0, height_m=height_m)
    turn = 2 * math.pi * np.arange(vertices) / vertices
    circle = np.column_stack([np.cos(turn), np.sin(turn)]) * radius
    half = turn[: vertices // 2 + 1] - math.pi / 2
    cap = np.column_stack([20 + radius * np.cos(half), radius * np.sin(half)])
    shapes = {
        "circle": (circle, 2 * vertices * radius * math.sin(math.pi / vertices)),
        "square": (np.array([[0.0, 0], [radius, 0], [radius, radius], [0, radius]]), 4 * radius),
        "stadium": (np.vstack([cap, -cap]), 80 + 2 * vertices * radius * math.sin(math.pi / vertices)),
    }
    for xy, expected in shapes.values():
        lonlat = frame.lonlat(xy)
        geodesic = inverse(lonlat, np.roll(lonlat, -1, axis=0))[0].sum()
        ground = geodesic / height_factor(height_m, 48.1)
        assert ground == pytest.approx(expected, abs=1e-7 * expected + 1e-7)


def test_local_grid_in_words_and_numbers() -> None:
    features_ = bed(box(-83.004, 40.012), "EPSG:4326")
    frame, findings = make_frame(features_, height_m=250.0)
    assert (frame.name, frame.unit, frame.combined_factor, frame.code) == ("local grid", "m", 1.0, None)
    assert "longitude and latitude" in frame.why
    assert findings == ()
    operation = CRS.from_wkt(frame.crs_wkt).coordinate_operation
    assert operation is not None
    assert operation.method_name == "Transverse Mercator"
    lat_0, lon_0, scale, *false_origin = (float(p.value) for p in operation.params)
    assert (lat_0, lon_0) == (40.01, -83.0)
    assert false_origin == [LOCAL_EASTING_M, LOCAL_NORTHING_M]
    radius = float(WGS84.gaussian_radius_m(40.01))
    assert scale == pytest.approx(1 + 250 / radius, abs=1e-10)
    text = frame.describe()
    assert "250 m above the ellipsoid" in text
    assert "ppm" in text
    assert "grid lengths are ground lengths" in text
    # an easting cannot be taken for a northing, nor either for a surveyor's
    east, north = frame.grid(frame.ground_xy(features_.coords, "EPSG:4326")).T
    assert np.all(np.abs(east - LOCAL_EASTING_M) < 1000)
    assert np.all(np.abs(north - LOCAL_NORTHING_M) < 1000)


def test_local_coordinates_outlive_a_new_bed() -> None:
    one = [shapely.Polygon(box(-83.003, 40.012))]
    two = [*one, shapely.Polygon(box(-83.001, 40.014))]
    a, b = (make_frame(features(g, "EPSG:4326"))[0] for g in (one, two))
    assert a.crs_wkt == b.crs_wkt
    assert a.origin == b.origin


@pytest.mark.slow
def test_no_regional_grid_has_the_coordinates_of_a_local_grid() -> None:
    clash = []
    x = LOCAL_EASTING_M + np.array([-1e4, 0, 1e4])
    y = LOCAL_NORTHING_M + np.array([-1e4, 0, 1e4])
    east, north = (g.ravel() for g in np.meshgrid(x, y))
    for info in database.query_crs_info(auth_name="EPSG", pj_types=PJType.PROJECTED_CRS):
        area = info.area_of_use
        if area is None or (area.east - area.west) % 360 > 40 or area.north - area.south > 40:
            continue
        crs = CRS.from_authority(info.auth_name, info.code)
        try:
            lon, lat = Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True).transform(east, north)
        except ProjError:  # a few entries are descriptions without arithmetic
            continue
        lon, lat = np.where(np.isfinite(lon), lon, 999.0), np.where(np.isfinite(lat), lat, 999.0)
        within = (lon - area.west) % 360 <= (area.east - area.west) % 360
        if (within & (lat >= area.south) & (lat <= area.north)).any():
            clash.append(info.name)
    assert clash == []


# --- there and back ----------------------------------------------------------------

WAYS = [
    ("EPSG:4326", "auto", -83.0, 40.0),
    ("EPSG:4326", "EPSG:32617", -83.0, 40.0),
    ("EPSG:3857", "auto", 14.4, 50.1),
    ("EPSG:2230", "auto", -117.19, 32.73),
    ("EPSG:2230", "local", -117.19, 32.73),
    ("EPSG:27700", "auto", -2.95, 53.4),
    ("EPSG:2921", "auto", -111.9, 41.2),
    ("EPSG:4807", "auto", 0.02, 48.85),
    ("EPSG:27571", "auto", 0.02, 49.5),
    ("EPSG:4326", "auto", 180.0, -16.8),
    ("EPSG:4326", "auto", -180.0, -16.8),
]


@pytest.mark.parametrize(("crs", "grid", "lon", "lat"), WAYS)
def test_there_and_back(crs: str, grid: str, lon: float, lat: float) -> None:
    frame = frame_at(lon, lat, 900.0, crs, grid=grid, height_m=120.0)
    centre = frame.ground_xy(project(crs, np.array([[lon, lat]])), crs)
    xy = np.random.default_rng(5).uniform(-900, 900, (500, 2)) + centre
    back = frame.ground_xy(project(frame.datum_crs, frame.lonlat(xy)), frame.datum_crs)
    assert np.abs(back - xy).max() < 1e-8
    assert np.abs(frame.ground_xy(frame.grid(xy), frame.crs_wkt) - xy).max() < 1e-9
    assert np.abs(xy).max() < 3000  # small numbers to work with
    if frame.to_wgs84 is None:
        assert frame.wgs84(xy).tolist() == frame.lonlat(xy).tolist()


@settings(deadline=None, derandomize=True, max_examples=60)
@given(st.floats(-179.99, 179.99), st.floats(-70, 70), st.floats(-400, 4000), st.integers(0, 2**31))
def test_there_and_back_anywhere(lon: float, lat: float, height_m: float, seed: int) -> None:
    frame = frame_at(lon, lat, 500.0, height_m=height_m)
    lonlat = direct(np.tile([lon, lat], (30, 1)), np.linspace(0, 350, 30), np.linspace(1, 1500, 30))
    xy = frame.ground_xy(lonlat, "EPSG:4326")
    # back to the same place, and a figure keeps its size where it is moved to
    assert inverse(frame.lonlat(xy), lonlat)[0].max() < 1e-8
    rng = np.random.default_rng(seed)
    shape = rng.uniform(-20, 20, (12, 2))
    near, far = (frame.lonlat(shape + xy[0] + rng.uniform(-800, 800, 2)) for _ in range(2))
    lengths = [inverse(p, np.roll(p, -1, axis=0))[0].sum() for p in (near, far)]
    assert lengths[0] == pytest.approx(lengths[1], rel=1e-7, abs=1e-7)


def test_a_frame_is_numbers_and_text() -> None:
    frame = frame_at(-2.95, 53.4, crs="EPSG:27700", height_m=20.0)
    copy = pickle.loads(pickle.dumps(frame))
    assert copy == frame
    assert hash(copy) == hash(frame)
    xy = np.array([[12.5, -7.25]])
    assert copy.wgs84(xy).tolist() == frame.wgs84(xy).tolist()
    with pytest.raises(dataclasses.FrozenInstanceError):
        copy.unit = "ft"


# --- named grids -------------------------------------------------------------------


def test_combined_factor_by_hand() -> None:
    # Illinois East, k0 0.999975 at its meridian (EPSG data set), 200 m above the ellipsoid
    frame = frame_at(-88.3333, 41.0, crs="EPSG:3435", height_m=200.0)
    assert (frame.code, frame.unit, frame.is_local) == ("EPSG:3435", "ftUS", False)
    assert frame.grid_scale == pytest.approx(0.999975, abs=1e-9)
    radius = float(GRS80.gaussian_radius_m(41.0))
    assert frame.combined_factor == pytest.approx(0.999975 * radius / (radius + 200), abs=6e-9)
    text = frame.describe()
    assert f"{frame.combined_factor:.8f}" in text
    assert f"{frame.grid_scale:.8f}" in text
    assert "ftUS" in text


@pytest.mark.parametrize(
    ("crs", "lon", "lat"),
    [
        ("EPSG:26916", -84.2, 40.0),  # UTM, near the edge of its zone
        ("EPSG:2230", -117.19, 32.73),  # Lambert, survey feet
        ("EPSG:2921", -111.9, 41.2),  # Lambert, international feet
        ("EPSG:28355", 144.42, -37.95),  # south
        ("EPSG:2056", 7.44, 46.95),  # oblique Mercator
    ],
)
def test_ground_is_grid_over_combined_factor(crs: str, lon: float, lat: float) -> None:
    height_m = 430.0
    frame = frame_at(lon, lat, 100.0, crs, height_m=height_m)
    facts = crs_facts(crs)
    rng = np.random.default_rng(1)
    a, b = (
        frame.ground_xy(project(crs, box(lon, lat)), crs).mean(axis=0) + rng.uniform(-80, 80, (50, 2))
        for _ in "ab"
    )
    ground = np.hypot(*(b - a).T)
    grid_m = np.hypot(*(frame.grid(b) - frame.grid(a)).T) * float(facts.metres_per_unit or math.nan)
    assert ground == pytest.approx(grid_m / frame.combined_factor, abs=2e-8)
    start, end = frame.lonlat(a), frame.lonlat(b)
    true = inverse(start, end, ellipsoid=facts.ellipsoid)[0] / height_factor(height_m, lat)
    worst = max(map(abs, frame.scale_variation)) + 1e-8
    assert np.all(np.abs(ground / true - 1) <= worst)
    assert worst < 2e-6
    # and against chords between places really at that height
    chords = chord_lengths(start, end, facts.ellipsoid, height_m)
    assert np.all(np.abs(ground / chords - 1) <= worst + 0.0034 * height_m / 6_356_000)


def test_coordinates_of_the_grid_come_back_as_they_were() -> None:
    coords = project("EPSG:2230", box(-117.19, 32.73))
    frame, _ = make_frame(bed(coords, "EPSG:2230"))
    assert np.abs(frame.grid(frame.ground_xy(coords, "EPSG:2230")) - coords).max() < 2e-9
    assert all(float(o).is_integer() for o in frame.origin)


def test_lonlat_and_state_plane_of_the_same_bed_agree() -> None:
    degrees = box(-117.19, 32.73)
    feet = project("EPSG:2230", degrees)
    from_degrees, _ = make_frame(bed(degrees, "EPSG:4269"), grid="EPSG:2230")
    from_feet, _ = make_frame(bed(feet, "EPSG:2230"))
    a = from_degrees.ground_xy(degrees, "EPSG:4269")
    b = from_feet.ground_xy(feet, "EPSG:2230")
    assert from_degrees.combined_factor == from_feet.combined_factor
    assert np.abs(a - b).max() < 1e-8


def test_reading_survey_feet_as_feet_would_move_the_site() -> None:
    # 2 ppm of six million feet are 12 ft or so: check values FT-03
    coords = project("EPSG:2227", box(dms_lon := -121.374, 37.508))
    as_feet = coords * (0.3048 / (1200 / 3937))
    assert np.hypot(*(as_feet - coords)[0]) == pytest.approx(12.6 * math.hypot(1, 2 / 6.3), abs=0.6)
    assert dms_lon < 0


def test_published_combined_factor() -> None:
    # SCL-17, Mahun, ch. L: ground 1305.1901 m at combined 1.00016082 is 1305.4000 m of grid
    frame = dataclasses.replace(frame_at(-84.2, 40.0, crs="EPSG:26916"), combined_factor=1.00016082)
    ends = np.array([[0.0, 0.0], [1305.1901 * 0.6, 1305.1901 * 0.8]])
    assert np.hypot(*np.diff(frame.grid(ends), axis=0)[0]) == pytest.approx(1305.4000, abs=1e-4)


# --- choosing ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("crs", "lon", "lat", "local", "why"),
    [
        ("EPSG:4326", -83.0, 40.0, True, "longitude and latitude"),
        ("EPSG:3857", -83.0, 40.0, True, "not metres on the ground"),
        ("EPSG:26917", -83.0, 40.0, False, "it is kept"),
        ("EPSG:2263", -73.97, 40.78, False, "it is kept"),
        ("EPSG:26917", -75.0, 45.0, True, "more than 0.001 from 1"),  # 6 degrees off its meridian
        ("EPSG:3395", -83.0, 40.0, True, "more than 0.001 from 1"),
        ("EPSG:3035", 10.0, 52.5, True, "stretches one direction"),  # equal-area, near its middle
        ("EPSG:2053", 29.0, -26.0, True, "do not point east and north"),
        ("EPSG:2314", -61.4, 10.4, True, "counts in Clarke's foot"),
    ],
)
def test_choice_of_grid(crs: str, lon: float, lat: float, local: bool, why: str) -> None:
    frame = frame_at(lon, lat, crs=crs)
    assert frame.is_local is local
    assert why in frame.why
    assert frame.why in frame.describe()
    assert (crs_facts(crs).name in frame.name) is not local


def test_local_when_asked() -> None:
    frame = frame_at(-83.0, 40.0, crs="EPSG:26917", grid="local")
    assert frame.is_local
    assert frame.why == "A local grid was asked for, so the site has a local grid of its own."


@pytest.mark.parametrize(
    ("grid", "says"),
    [
        ("EPSG:4326", "longitude and latitude, not a grid"),
        ("EPSG:3857", "web map"),
        ("EPSG:2314", "counts in Clarke's foot"),
        ("EPSG:32630", "does not reach the site|more than 0.01 from 1"),
        ("EPSG:3395", "more than 0.01 from 1"),
        ("EPSG:2053", "do not point east and north"),
        ("EPSG:5070", "stretches one direction|more than 0.01"),
        ("EPSG:99999", "is not understood"),
        ("feet", "is not understood"),
    ],
)
def test_grids_that_do_not_fit_are_refused(grid: str, says: str) -> None:
    with pytest.raises(DataError, match=says) as caught:
        frame_at(-83.0, 40.0, grid=grid)
    assert caught.value.faults[0].remedy


def test_a_grid_far_from_its_place_is_a_finding() -> None:
    coords = box(-79.0, 40.0, 3000.0)  # one zone east of where UTM 16 belongs is too far, half a zone is not
    frame, findings = make_frame(bed(coords, "EPSG:4269"), grid="EPSG:26916", height_m=0.0)
    assert codes(findings)[:2] == ["grid-scale-varies", "outside-area-of-use"]
    assert "mm in 100 m" in findings[0].text
    assert max(map(abs, frame.scale_variation)) > 1e-5


# --- heights -----------------------------------------------------------------------


def test_no_height_says_what_it_would_change() -> None:
    frame, findings = make_frame(bed(box(-83.0, 40.0), "EPSG:4326"))
    assert codes(findings) == ["no-height"]
    assert "16 ppm" in findings[0].text
    assert "1.6 mm in 100 m" in findings[0].text
    assert frame.height_factor == 1
    assert "none" in frame.describe()


def test_height_above_sea_level_needs_the_geoid() -> None:
    square = bed(box(-83.0, 40.0), "EPSG:4326")
    sea, _ = make_frame(square, height_m=283.4, height_kind="sea_level", geoid_height_m=-33.4)
    above, _ = make_frame(square, height_m=250.0)
    assert sea.ellipsoidal_height_m == pytest.approx(250.0, abs=1e-9)
    assert sea.crs_wkt == above.crs_wkt
    assert "above sea level + geoid height -33.4 m = 250 m above the ellipsoid" in sea.describe()
    with pytest.raises(DataError, match="geoid height is not given"):
        make_frame(square, height_m=283.4, height_kind="sea_level")


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"height_m": 100.0, "geoid_height_m": 20.0}, "without a height above sea level"),
        ({"height_kind": "sea_level", "geoid_height_m": 20.0}, "without a height above sea level"),
        ({"height_m": 12_000.0}, "not on land"),
        ({"height_m": math.nan}, "not on land"),
        ({"height_m": 1.0, "height_kind": "sea_level", "geoid_height_m": 1000.0}, "does not exist"),
    ],
)
def test_heights_that_cannot_be(options: dict[str, Any], says: str) -> None:
    with pytest.raises(DataError, match=says):
        frame_at(-83.0, 40.0, **options)


def test_unknown_height_kind() -> None:
    with pytest.raises(UsageError, match="use ellipsoidal or sea_level"):
        frame_at(-83.0, 40.0, height_m=1.0, height_kind="orthometric")


# --- extent and places -------------------------------------------------------------


def test_a_site_over_20_km_is_refused_and_the_far_bed_named() -> None:
    beds = [shapely.Polygon(box(-83.0 + 0.003 * k, 40.0)) for k in range(4)]
    far = features([*beds, shapely.Polygon(box(-81.0, 40.0))], "EPSG:4326")
    with pytest.raises(DataError, match="a site is at most 20 km") as caught:
        make_frame(far)
    assert [f.code for f in caught.value.faults] == ["site-extent", "far-away"]
    assert caught.value.faults[1].feature == "bed 5"
    assert caught.value.faults[1].file == "beds.geojson"


@pytest.mark.parametrize(("half_m", "fits"), [(9_950.0, True), (10_050.0, False)])
def test_where_20_km_end(half_m: float, fits: bool) -> None:
    if fits:
        assert frame_at(-83.0, 40.0, half_m).extent_m == pytest.approx((2 * half_m, 2 * half_m), rel=2e-3)
    else:
        with pytest.raises(DataError, match="20 km"):
            frame_at(-83.0, 40.0, half_m)


def test_a_site_across_the_180th_meridian_is_one_site() -> None:
    frame = frame_at(180.0, -16.8, 500.0)
    assert frame.extent_m == pytest.approx((1000, 1000), abs=0.1)
    assert abs(frame.centre_lonlat[0]) == pytest.approx(180, abs=1e-6)


def test_no_beds_and_no_places() -> None:
    with pytest.raises(DataError, match="no beds"):
        make_frame(features([], "EPSG:4326"))
    ring = box(-83.0, 40.0)
    ring[2, 1] = 142.0
    with pytest.raises(DataError, match="142") as caught:
        make_frame(bed(ring, "EPSG:4326"))
    assert (caught.value.faults[0].feature, caught.value.faults[0].vertex) == ("bed 1", 3)


def test_shapes_name_every_feature_they_cannot_place() -> None:
    frame = frame_at(-83.0, 40.0)
    good = shapely.Polygon(box(-83.0, 40.0))
    wall = features([good, good, good], "EPSG:26917", role="abutments")
    wall.coords[:] = project("EPSG:26917", wall.coords)
    assert len(frame.shapes(wall).xy) == 12
    wall.coords[5] = [1e30, 4e6]
    wall.coords[9:] = [math.nan, 0]
    with pytest.raises(DataError, match="are no place of EPSG:26917") as caught:
        frame.shapes(wall)
    assert [(f.feature, f.vertex, f.file) for f in caught.value.faults] == [
        ("bed 2", 2, "abutments.geojson"),
        ("bed 3", 2, "abutments.geojson"),
    ]
    with pytest.raises(DataError, match="can reach"):
        frame.site_lonlat(np.array([[1e30, 0.0]]), "EPSG:26917")


# --- datums ------------------------------------------------------------------------


def test_wgs84_needs_no_change() -> None:
    frame, findings = make_frame(bed(project("EPSG:3857", box(14.4, 50.1)), "EPSG:3857"), height_m=200.0)
    assert frame.to_wgs84 is None
    assert frame.transformations == ()
    assert findings == ()


def test_every_change_of_datum_is_a_finding() -> None:
    beds = bed(project("EPSG:27700", box(-2.95, 53.4)), "EPSG:27700")
    walls = features([shapely.Polygon(box(-2.95, 53.4))], "EPSG:4258", role="abutments")
    frame, findings = make_frame(beds, height_m=20.0, others=[walls])
    assert codes(findings) == ["datum-change", "datum-change"]
    assert "The abutments were brought from" in findings[0].text
    assert "accuracy 3 m" in findings[0].text
    assert "Positions in GeoJSON" in findings[1].text
    assert "accuracy 2 m" in findings[1].text
    assert len(frame.transformations) == 2
    # OSGB36 to WGS 84 and ETRS89 to WGS 84 together bring a wall back to where the map shows it
    xy = frame.shapes(walls).xy
    assert inverse(frame.wgs84(xy), walls.coords)[0].max() < 1e-3


def test_grid_of_another_datum_than_the_beds() -> None:
    beds = bed(box(-117.19, 32.73), "EPSG:4326")
    frame, findings = make_frame(beds, grid="EPSG:2230", height_m=0.0)
    assert frame.datum == "North American Datum 1983"
    assert frame.ellipsoid == GRS80
    assert "The beds were brought from" in findings[0].text
    assert "accuracy 4 m" in findings[0].text
    assert inverse(frame.wgs84(frame.shapes(beds).xy), beds.coords)[0].max() < 1e-8


def test_datum_nobody_has_described_is_refused() -> None:
    with pytest.raises(DataError, match="no published way") as caught:
        frame_at(-83.0, 40.0, crs="+proj=utm +zone=17 +ellps=GRS80")
    assert caught.value.faults[0].code == "ballpark-datum"
    assert "Give all layers in one CRS" in str(caught.value)


def test_a_shift_the_file_prescribes_is_used() -> None:
    crs = "+proj=tmerc +lat_0=49 +lon_0=-2 +k=0.9996 +ellps=airy +towgs84=446.448,-125.157,542.06 +units=m"
    frame = frame_at(-2.95, 53.4, crs=crs)
    xy = np.zeros((1, 2))
    moved = inverse(frame.lonlat(xy), frame.wgs84(xy))[0][0]
    assert 50 < moved < 200
    assert frame.to_wgs84 is not None
    assert "accuracy not stated" in frame.to_wgs84.text
    # the local grid on the same datum keeps it
    local = frame_at(-2.95, 53.4, crs=crs, grid="local")
    there = local.wgs84(local.ground_xy(project(crs, frame.lonlat(xy)), crs))
    assert inverse(there, frame.wgs84(xy))[0][0] < 1e-8


def test_degrees_of_paris_in_grads() -> None:
    frame = frame_at(0.02, 48.85, 500.0, "EPSG:4807", height_m=35.0)
    corners = frame.ground_xy(project("EPSG:4807", box(0.02, 48.85, 500.0)), "EPSG:4807")
    assert np.hypot(*(corners[1] - corners[0])) == pytest.approx(1000 * (1 + 35 / 6.37e6), abs=1e-2)
    assert frame.wgs84(corners).mean(axis=0) == pytest.approx([2.3565, 48.85], abs=1e-3)
