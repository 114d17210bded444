"""The CRS detective: real files, published coordinates, random trials, and what it must not claim."""

from __future__ import annotations

import json
import math
from collections import Counter
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplan import crs_database as database
from siteplan.detective import Control, Evidence, Known, Place, Weights, as_data, as_text, examine
from siteplan.detective.scoring import beyond, extent_factor, known_factor
from siteplan.errors import DataError, UsageError
from siteplan.geodesy import crs_facts, direct, inverse, project, ring_areas, ring_lengths, unproject
from siteplan.intake import Source, Whereabouts, read_features
from siteplan.intake.detect import Clues, examine_file, parse_area, parse_control, parse_place
from siteplan.intake.files import read_table
from siteplan.intake.likely import most_plausible, whereabouts_faults
from siteplan.types import FloatArray
from siteplan.units import FOOT_M
from tests.command import siteplan

ATLANTA = Place(-84.45, 33.62)
"""a few kilometres from the square the Atlanta test files show, by the header of their picture"""
UTM_16N = np.array([[736338.0, 3722747.0], [736351.0, 3722747.0], [736351.0, 3722758.0]])


def coords_of(path: Path, layer: str | None = None, where: str | None = None) -> FloatArray:
    table = read_table(Source(path, layer=layer, where=where))
    return np.asarray(shapely.get_coordinates(shapely.from_wkb(table.wkb, on_invalid="ignore")))


def square(crs: str, lon: float, lat: float, side_m: float = 100.0) -> FloatArray:
    """Corners of about a square, in the numbers of a CRS."""
    start = np.repeat([[lon, lat]], 4, axis=0)
    places = direct(start, np.array([45.0, 135.0, 225.0, 315.0]), np.full(4, side_m / math.sqrt(2)))
    return project(crs, places - [crs_facts(crs).prime_meridian_deg, 0.0])


# --- real files --------------------------------------------------------------------------


def test_utm_without_crs_is_among_the_first_three(shared_data: Path) -> None:
    xy = coords_of(shared_data / "bad" / "utm_coords_no_crs.geojson")
    report = examine(Evidence(xy, place=ATLANTA))
    assert report.rank_of("EPSG:32616") in (1, 2, 3)
    assert report.rank_of("EPSG:26916") in (1, 2, 3)
    best = report.best
    assert best.unit == "m"
    assert "Georgia" in best.region
    assert best.outside_km == 0
    # where the picture beside it says it lies (atlanta_pan_050m.tif: 84.452 W, 33.618 N)
    assert best.lonlat == pytest.approx((-84.4524, 33.6184), abs=2e-4)
    # the grid box of the polygon, less the scale of UTM here (within 1e-3)
    assert best.extent_m == pytest.approx(np.ptp(xy, axis=0), rel=2e-3, abs=0.35)
    # NAD83 and WGS 84 both fit, so neither may be called certain
    assert report.status == "several"
    assert {"EPSG:32616", "EPSG:26916"} <= {c for h in report.hypotheses if h.fits for c in h.codes}


def test_utm_without_crs_and_without_a_place_is_any_zone(shared_data: Path) -> None:
    report = examine(Evidence(coords_of(shared_data / "bad" / "utm_coords_no_crs.geojson")))
    assert "UTM" in report.best.name
    # these numbers lie inside the area of use of every zone, north and south
    assert report.best.alike == 119
    assert report.status == "several"
    assert "--near" in report.verdict


def test_the_refusal_names_three_candidates_with_place_unit_and_region(shared_data: Path) -> None:
    source = Source(
        shared_data / "bad" / "utm_coords_no_crs.geojson",
        whereabouts=Whereabouts(near=(-84.45, 33.62), region="US"),
    )
    with pytest.raises(DataError) as caught:
        read_features([source], "beds")
    text = str(caught.value)
    assert "EPSG:32616" in text
    assert "(1) " in text
    assert "(3) " in text
    assert "(4) " not in text
    assert "in m: the site at -84.45" in text
    assert "inside the region" in text
    assert "from the known place" in text


def test_a_shapefile_without_prj_is_refused_with_candidates(shared_data: Path) -> None:
    """Near the places the same points have in degrees, EPSG:2249 stands first."""
    points = coords_of(shared_data / "bad" / "points_wgs84_no_prj.shp")
    lon, lat = np.median(points, axis=0).tolist()
    source = Source(
        shared_data / "bad" / "points_epsg2249_no_prj.shp", whereabouts=Whereabouts(near=(lon, lat))
    )
    with pytest.raises(DataError) as caught:
        read_features([source], "openings")
    text = next(f.what for f in caught.value.faults if f.code == "no-crs")
    assert "(1) EPSG:2249 (NAD83 / Massachusetts Mainland (ftUS)), in ftUS" in text
    assert "outside its area of use" in text


def test_the_same_points_in_feet_and_in_degrees(shared_data: Path) -> None:
    feet = coords_of(shared_data / "bad" / "points_epsg2249_no_prj.shp")
    degrees = coords_of(shared_data / "bad" / "points_wgs84_no_prj.shp")
    lon, lat = np.median(degrees, axis=0).tolist()
    report = examine(Evidence(feet, place=Place(lon, lat)))
    assert report.best.code == "EPSG:2249"
    assert report.best.unit == "ftUS"
    # far outside Massachusetts and 100 km wide: the first of the list, and still no clean fit
    assert report.status == "nothing"
    assert report.best.outside_km == pytest.approx(3200, abs=50)
    assert "area of use" in report.verdict
    plain = examine(Evidence(degrees, place=Place(lon, lat)))
    assert plain.best.code == "EPSG:4326"
    # points known in both: they agree to the 7 decimals of the degrees (1 cm), and the foot is settled
    pairs = tuple(
        Control(f[0], f[1], d[0], d[1], "EPSG:4269", 0.5)
        for f, d in zip(feet[:5].tolist(), degrees[:5].tolist(), strict=True)
    )
    sure = examine(Evidence(feet, controls=pairs))
    assert sure.best.code == "EPSG:2249"
    assert max(sure.best.control_m) < 0.02
    assert sure.best.share > 0.999


def test_projected_without_crs_is_metres_of_a_wide_grid(shared_data: Path) -> None:
    """Nobody says which grid it is; what can be said is the unit and that no zone grid has such numbers."""
    report = examine(
        Evidence(coords_of(shared_data / "bad" / "projected_coords_no_crs.geojson"), region="US")
    )
    assert report.status == "several"
    names = {h.name for h in report.hypotheses}
    assert "NAD83 / Conus Albers" in names
    assert all("UTM" not in h.name for h in report.hypotheses)
    assert report.best.unit == "m"
    assert report.best.reading == "grid"


def test_pixels_are_no_place_on_earth(shared_data: Path) -> None:
    xy = coords_of(shared_data / "bad" / "pixel_coords_no_crs.geojson")
    for report in (examine(Evidence(xy, declared="EPSG:4326")), examine(Evidence(xy, place=ATLANTA))):
        assert report.best.reading == "pixels"
        assert report.best.lonlat is None
    assert report.status == "nothing"
    assert "No place on earth" in report.verdict


def test_a_wrong_prj_is_a_grid_declared_as_degrees(shared_data: Path) -> None:
    path = shared_data / "bad" / "wrong_prj_multipolygons.shp"
    xy = coords_of(path)
    report = examine(Evidence(xy, declared="EPSG:4326", region="US"))
    assert report.status == "several"
    assert all("declared as degrees" in h.explains for h in report.hypotheses if h.lonlat)
    # with the place one Albers leads to, that Albers is the only one of its size and unit
    lon, lat = unproject("EPSG:5070", xy).mean(axis=0).tolist()
    near = examine(Evidence(xy, place=Place(lon + 0.02, lat), declared=read_table(Source(path)).crs))
    assert near.best.code == "EPSG:5070"
    assert near.best.explains.startswith("a grid in m declared as degrees")


def test_runways_in_survey_feet_read_as_feet(shared_data: Path) -> None:
    """EPSG:2230 in ftUS, read as the international foot, moves 4 m: a point tells, no tape does."""
    table = read_table(Source(shared_data / "air_runways_usft.shp"))
    shapes = shapely.from_wkb(table.wkb)
    ring = shapely.get_coordinates(shapely.get_exterior_ring(shapely.get_parts(shapes[:1])[0]))[:-1]
    lon, lat = unproject("EPSG:2230", ring).mean(axis=0).tolist()
    perimeter = float(np.hypot(*(np.roll(ring, -1, axis=0) - ring).T).sum())
    tape = Known("the first runway", ring, True, length_m=perimeter * 1200 / 3937)
    report = examine(Evidence(ring, place=Place(lon, lat), known=(tape,)))
    assert report.best.code == "EPSG:2230"
    feet = report.hypotheses[1]
    assert feet.unit == "ft"
    assert feet.code is None
    assert feet.fits
    assert report.status == "several"
    # 2 ppm of the distance from the grid's zero, about 2,000 km: 4 m
    northing_m, easting_m = ring.mean(axis=0)[::-1] * 1200 / 3937
    assert report.apart[0].apart_m == pytest.approx(2e-6 * math.hypot(northing_m, easting_m), rel=0.02)
    assert report.apart[0].apart_m == pytest.approx(4.0, abs=0.3), "4 m by the data README"
    assert report.apart[0].length_ppm == pytest.approx(-2.0, abs=0.01)
    assert "no tape shows this" in report.apart[0].text
    assert report.apart[0].text.startswith("ftUS and ft lie 4.")
    # one vertex known within half a metre on the grid's own datum settles it
    own = unproject("EPSG:2230", ring[:1])[0].tolist()
    x, y = ring[0].tolist()
    sure = examine(Evidence(ring, controls=(Control(x, y, own[0], own[1], "EPSG:4269", 0.5),)))
    assert sure.status == "one"
    assert sure.best.code == "EPSG:2230"
    # through WGS 84, to which NAD83 is tied only within 4 m, the same point does not
    loose = examine(Evidence(ring, controls=(Control(x, y, own[0], own[1], within_m=0.5),)))
    assert loose.status == "several"


def test_the_foot_variant_is_a_crs_of_its_own() -> None:
    wkt = database.counted_in("EPSG:2230", "ft")
    facts = crs_facts(wkt)
    assert facts.unit == "ft"
    assert facts.code is None
    place = np.array([[-117.1, 32.7]])
    # the same ground metres in both, by each foot's own definition
    both = [project(crs, place)[0] * factor for crs, factor in (("EPSG:2230", 1200 / 3937), (wkt, 0.3048))]
    assert both[0] == pytest.approx(both[1], abs=1e-6)
    with pytest.raises(UsageError, match="not a map grid"):
        database.counted_in("EPSG:4326", "ft")


def test_buildings_in_the_plane_of_web_maps(shared_data: Path) -> None:
    xy = coords_of(shared_data / "bubenec.gpkg", layer="buildings")
    report = examine(Evidence(xy, place=Place(14.40, 50.10)))
    assert report.status == "one"
    assert report.best.code == "EPSG:3857"
    # a metre of the plane at 50.1 north is 0.6427 m east-west (data README: 1.558 times too long)
    assert report.best.metres_per_unit == pytest.approx(1 / 1.558, rel=3e-3)
    assert "Czechia" in report.best.region


def test_taped_length_says_what_the_plane_of_web_maps_does(shared_data: Path) -> None:
    """A true length beside a file whose CRS was taken for metres of a grid."""
    xy = coords_of(shared_data / "bubenec.gpkg", layer="buildings")[:8]
    ground = ring_lengths(unproject("EPSG:3857", xy), np.array([0, 8]), np.array([True]))[0]
    tape = Known("B1", xy, True, length_m=float(ground))
    report = examine(Evidence(xy, place=Place(14.40, 50.10), known=(tape,), declared="EPSG:32633"), most=60)
    assert report.best.code == "EPSG:3857"
    assert report.best.measured[0] == pytest.approx(ground, rel=1e-9)
    assert "web maps" in report.best.explains
    wrong = next(h for h in report.hypotheses if h.code == "EPSG:32633")
    assert not wrong.fits
    assert any("they agree" in f.why for f in report.best.factors)
    # the plane's own numbers are 1.558 times the ground (data README), as a local drawing in metres shows
    local = next(h for h in report.hypotheses if h.reading == "local")
    assert local.unit == "m"
    assert local.measured[0] / ground == pytest.approx(1.558, rel=3e-3)


def test_longitude_and_latitude_swapped(shared_data: Path) -> None:
    xy = coords_of(shared_data / "liechtenstein.osm.pbf", "multipolygons", "building is not null")
    for evidence in (
        Evidence(xy[:, ::-1], declared="EPSG:4326", region="Liechtenstein"),
        Evidence(xy[:, ::-1], place=Place(9.53, 47.14)),
    ):
        best = examine(evidence).best
        assert best.swapped
        assert best.code == "EPSG:4326"
        assert best.crs is None, "no declaration mends swapped axes"
        assert "swapped" in best.explains
        assert "longitude first" in best.remedy
        assert "Liechtenstein" in best.region
    straight = examine(Evidence(xy, declared="EPSG:4326", region="Liechtenstein"))
    assert not straight.best.swapped
    assert straight.best.explains == "the file is as it says"


def test_a_total_station_survey_has_no_place(shared_data: Path) -> None:
    rows = [
        line.split(",")
        for line in (shared_data / "survey_ertola.csv").read_text(encoding="utf-8").splitlines()[1:]
    ]
    xy = np.array([(float(r[1]), float(r[2])) for r in rows])
    report = examine(Evidence(xy))
    assert report.best.reading == "local"
    assert "control points" in report.best.remedy


# --- published coordinates ------------------------------------------------------------------

FOOT_PAIR = [
    # IOGP GIGS test data, series 5103 parts 2 and 3 (as PROJ's own copy has them), tolerance 0.03 ft
    ((2003937.27, 6452491.70), "EPSG:2921", "ft"),
    ((2003933.27, 6452478.80), "EPSG:3568", "ftUS"),
]


@pytest.mark.parametrize(("xy", "code", "unit"), FOOT_PAIR)
def test_gigs_pair_of_feet_at_one_place(xy: tuple[float, float], code: str, unit: str) -> None:
    """Both feet stand first; only a point on the grid's own datum parts them."""
    loose = examine(Evidence(np.array([xy]), place=Place(-110.0, 49.0)))
    assert {h.unit for h in loose.hypotheses[:2]} == {"ft", "ftUS"}
    assert loose.hypotheses[0].likelihood == pytest.approx(loose.hypotheses[1].likelihood)
    # 13.5 ft apart in the table's own numbers
    assert loose.apart[0].apart_m == pytest.approx(math.hypot(4.0, 12.9) * 0.3048, abs=0.1)
    assert "no tape shows this" in loose.apart[0].text
    sure = examine(Evidence(np.array([xy]), controls=(Control(*xy, -110.0, 49.0, "EPSG:4152", 0.1),)))
    assert sure.best.code == code
    assert sure.best.unit == unit
    assert sure.best.share > 0.999
    assert sure.best.control_m[0] < 0.03 * 0.3048


def degrees(value: str) -> float:
    d, m, s = (float(p) for p in value.split())
    return math.copysign(abs(d) + m / 60 + s / 3600, d)


PLANE_COORDINATES = [
    # NMD program l176 list for SPCS 83, carried in PROJ's NAD83 tests (tolerance 0.002 ft)
    ((6308189.835, 2008776.145), ("-121 22 26.019", "37 30 30.324"), "EPSG:2227"),
    ((1042839.901, 1858837.259), ("-88 07 06.790", "41 46 11.855"), "EPSG:3435"),
    ((2435851.621, 234309.717), ("-80 49 28.238", "40 17 50.894"), "EPSG:3734"),
    ((3000000.000, 1518981.963), ("-105 30 0", "39 15 30"), "EPSG:2232"),
]


@pytest.mark.parametrize(("xy", "lonlat", "code"), PLANE_COORDINATES)
def test_published_state_plane_coordinates(
    xy: tuple[float, float], lonlat: tuple[str, str], code: str
) -> None:
    lon, lat = (degrees(v) for v in lonlat)
    about = examine(Evidence(np.array([xy]), place=Place(lon + 0.03, lat - 0.02)))
    assert about.best.code == code
    assert about.best.unit == "ftUS"
    assert about.status == "several", "a foot cannot be told from a US survey foot by a place"
    sure = examine(Evidence(np.array([xy]), controls=(Control(*xy, lon, lat, "EPSG:4269", 0.1),)))
    assert sure.status == "one"
    assert sure.best.code == code
    assert sure.best.control_m[0] < 0.002 * 0.3048 * 1.5
    # neither by the region alone: another state's zone may have the same numbers
    assert examine(Evidence(np.array([xy]), region="US")).status == "several"


def test_lambert_of_1927_in_survey_feet() -> None:
    """EPSG:32040 at 28 30 N 96 W (IOGP 373-7-2, Lambert Conic Conformal (2SP) example)."""
    report = examine(Evidence(np.array([[2963503.91, 254759.80]]), place=Place(-96.0, 28.5)))
    assert report.best.code == "EPSG:32040"
    assert report.best.unit == "ftUS"
    assert report.best.datum_change.startswith("North American Datum 1927")
    assert "accuracy" in report.best.datum_change


def test_british_grid_and_the_plane_of_web_maps() -> None:
    """IOGP 373-7-2: 50 30 N 0 30 E, and 24 22 54.433 N 100 20 W."""
    grid = examine(Evidence(np.array([[577274.99, 69740.50]]), place=Place(0.5, 50.5)))
    assert grid.best.code == "EPSG:27700"
    web = examine(Evidence(np.array([[-11169055.58, 2800000.00]]), place=Place(-100.33, 24.38)))
    assert web.best.code == "EPSG:3857"


# --- what went wrong with a declaration -------------------------------------------------------


def declared_as(true: str, declared: str, lon: float, lat: float) -> Any:
    return examine(Evidence(square(true, lon, lat), place=Place(lon, lat), declared=declared))


@pytest.mark.parametrize(
    ("true", "declared", "lon", "lat", "says"),
    [
        ("EPSG:32616", "EPSG:32617", -86.0, 40.0, "the wrong UTM zone: 16 N, where the file says 17 N"),
        (
            "EPSG:32733",
            "EPSG:32633",
            15.0,
            -22.0,
            "the wrong hemisphere: UTM zone 33 S, where the file says N",
        ),
        ("EPSG:4326", "EPSG:26916", -86.0, 40.0, "degrees declared as a grid"),
        ("EPSG:26916", "EPSG:4326", -86.0, 40.0, "a grid in m declared as degrees"),
        ("EPSG:2230", "EPSG:26946", -117.1, 32.8, "the wrong unit: counted in ftUS, where the file says m"),
        ("EPSG:2230", "EPSG:2229", -117.1, 32.8, "another grid: NAD83 / California zone 6"),
        ("EPSG:3857", "EPSG:26916", -86.0, 40.0, "the plane of web maps (EPSG:3857)"),
        ("EPSG:5514", "EPSG:4326", 14.4, 50.1, "a grid in m declared as degrees"),
    ],
)
def test_what_went_wrong(true: str, declared: str, lon: float, lat: float, says: str) -> None:
    report = declared_as(true, declared, lon, lat)
    hit = next(h for h in report.hypotheses if true in h.codes)
    assert hit.rank <= 3
    assert says in hit.explains
    assert report.best.lonlat is not None
    assert inverse(np.array([report.best.lonlat]), np.array([[lon, lat]]))[0][0] < 1000


def test_a_right_declaration_is_left_alone() -> None:
    report = declared_as("EPSG:32616", "EPSG:32616", -86.0, 40.0)
    assert report.best.code == "EPSG:32616"
    assert report.best.explains == "the file is as it says"
    assert report.best.remedy == "Nothing to mend"


def test_easting_and_northing_swapped() -> None:
    xy = square("EPSG:26916", -86.0, 40.0)[:, ::-1]
    report = examine(Evidence(xy, place=Place(-86.0, 40.0)))
    assert report.best.swapped
    assert "EPSG:26916" in report.best.codes
    assert "easting first" in report.best.remedy
    # the box of the file turns with the axes: width is east-west on the ground
    wide = square("EPSG:26916", -86.0, 40.0) * [1, 1]
    wide[:, 0] = 5 * (wide[:, 0] - wide[:, 0].mean()) + wide[:, 0].mean()
    best = examine(Evidence(wide[:, ::-1], place=Place(-86.0, 40.0))).best
    assert best.extent_m is not None
    assert best.extent_m[0] > 4 * best.extent_m[1]


def test_a_grid_counted_in_a_foot_nobody_has_a_code_for() -> None:
    """UTM in international feet: found, with the text to declare it by."""
    xy = square("EPSG:26916", -86.0, 40.0) / 0.3048
    report = examine(Evidence(xy, place=Place(-86.0, 40.0)))
    hit = next(h for h in report.hypotheses if h.name.startswith("NAD83 / UTM zone 16N, counted in ft"))
    assert hit.rank <= 3
    assert hit.code is None
    assert hit.crs is not None
    assert unproject(hit.crs, xy).mean(axis=0) == pytest.approx((-86.0, 40.0), abs=1e-6)


# --- datums ---------------------------------------------------------------------------------


def test_1927_and_1983_are_told_apart_only_by_what_can() -> None:
    """UTM 16 at Atlanta: the datums lie 200 m apart; a place within 5 km says nothing of it, a point all."""
    report = examine(Evidence(UTM_16N, place=ATLANTA))
    pair = next(a for a in report.apart if "EPSG:26716" in a.text)
    assert pair.apart_m == pytest.approx(209, abs=10)
    assert "no tape shows this" in pair.text
    assert "52 m decides" in pair.text
    old = next(h for h in report.hypotheses if h.code == "EPSG:26716")
    # the shift grids are not installed: its accuracy is printed, and what would be better
    assert old.datum_accuracy_m == 10
    assert "not installed here" in old.datum_change
    assert old.factors[-1].value == pytest.approx(0.3 * 1.0)
    true = report.best.lonlat
    assert true is not None
    x, y = UTM_16N[0].tolist()
    sure = examine(Evidence(UTM_16N, controls=(Control(x, y, true[0], true[1], within_m=10),)))
    assert "EPSG:26716" not in {h.code for h in sure.hypotheses if h.fits}


def test_two_datums_tied_loosely_are_the_same_place() -> None:
    report = examine(Evidence(UTM_16N, place=ATLANTA))
    pair = next(a for a in report.apart if "EPSG:26916 and EPSG:32616" in a.text)
    assert pair.apart_m < 4
    assert "the same as far as anybody can say" in pair.text


def test_a_datum_nobody_ties_to_wgs84_is_said_so() -> None:
    xy = square("EPSG:26739", -169.1, 64.2)
    report = examine(Evidence(xy, place=Place(-169.1, 64.2)))
    hit = next(h for h in report.hypotheses if h.code == "EPSG:26739")
    assert hit.datum_change == ""
    assert hit.datum_accuracy_m is None
    assert "no published change" in as_text(report)


# --- measured lengths and areas ----------------------------------------------------------------


def test_a_length_tells_feet_from_metres_without_a_place() -> None:
    xy = square("EPSG:2230", -117.1, 32.8)
    edge = float(inverse(*(unproject("EPSG:2230", xy[[k]]) for k in (0, 1)))[0][0])
    tape = Known("a bed, vertex 1 to 2", xy[:2], False, length_m=edge)
    units = {h.unit for h in examine(Evidence(xy, region="US", known=(tape,))).hypotheses if h.fits}
    assert units <= {"ft", "ftUS"}
    without = {h.unit for h in examine(Evidence(xy, region="US"), most=40).hypotheses if h.fits}
    assert "ft" in without or "ftUS" in without


def test_a_wrong_tape_is_said_with_its_ratio() -> None:
    tape = Known("edge", UTM_16N[:2], False, length_m=13.0 * float(FOOT_M))
    report = examine(Evidence(UTM_16N, place=ATLANTA, known=(tape,)))
    assert report.status == "nothing"
    utm = next(h for h in report.hypotheses if "EPSG:26916" in h.codes)
    why = next(f.why for f in utm.factors if f.name == "measured 1")
    assert "as when feet are read as metres" in why
    assert "ratio 3.2799" in why, "13 over 3.9624, by the scale of UTM 236 km from its middle, 1.0003"


def test_an_area_is_evidence_too() -> None:
    lonlat = unproject("EPSG:26916", square("EPSG:26916", -86.0, 40.0))
    xy = project("EPSG:26916", lonlat)
    true_m2 = float(ring_areas(lonlat, np.array([0, 4]))[0][0])
    report = examine(Evidence(xy, place=Place(-86.0, 40.0), known=(Known("bed", xy, True, area_m2=true_m2),)))
    assert report.best.measured[0] == pytest.approx(true_m2, rel=1e-4)
    assert "EPSG:26916" in report.best.codes
    half = Known("bed", xy, True, area_m2=true_m2 / 2)
    assert examine(Evidence(xy, place=Place(-86.0, 40.0), known=(half,))).status == "nothing"


def test_a_local_grid_in_feet_is_known_by_a_tape() -> None:
    xy = np.array([[0.0, 0.0], [41.0, 0.0], [41.0, 20.5], [0.0, 20.5]])
    tape = Known("the south edge", xy[:2], False, length_m=41 * float(FOOT_M))
    report = examine(Evidence(xy, known=(tape,)))
    local = next(h for h in report.hypotheses if h.reading == "local")
    assert local.unit == "ft"
    assert local.measured[0] == pytest.approx(41 * 0.3048)


# --- the rule, in closed form --------------------------------------------------------------------


def test_factors_in_closed_form() -> None:
    w = Weights()
    assert beyond(np.array([0.0, 5.0, 10.0, 50.0]), 5.0, 4, 1e-9).tolist() == pytest.approx(
        [1, 1, 1 / 16, 1e-4]
    )
    assert beyond(np.array([np.inf]), 5.0, 4, 1e-9).tolist() == [1e-9]
    given_m = np.array([0.0, 1.0, 20_000.0, 200_000.0, 0.1, np.inf])
    assert extent_factor(given_m, w).tolist() == pytest.approx([1, 1, 1, 0.01, 0.01, 1e-9])
    # one standard deviation of a 100 m tape: 1 % and 0.1 m in quadrature
    sigma = math.hypot(0.01, 0.001)
    known = Known("k", np.zeros((2, 2)), False, length_m=100.0)
    at = known_factor(known, np.array([100.0, 100 * math.exp(sigma), 328.08]), w)
    assert at.tolist() == pytest.approx([1, math.exp(-0.5), 1e-9])


def test_the_score_is_the_product_of_what_is_printed() -> None:
    report = examine(Evidence(UTM_16N, place=ATLANTA, region="Georgia"))
    for h in report.hypotheses:
        *evidence, weight = [f.value for f in h.factors]
        assert h.likelihood == pytest.approx(math.prod(evidence))
        assert h.prior == pytest.approx(weight)
    shares = [h.share for h in report.hypotheses]
    assert shares == sorted(shares, reverse=True)
    assert sum(shares) <= 1 + 1e-9
    scores = [h.likelihood * h.prior for h in report.hypotheses]
    assert np.diff(np.array(shares) / np.array(scores)) == pytest.approx(0, abs=1e-6)


def test_weights_are_settings() -> None:
    for item in fields(Weights):
        with pytest.raises(UsageError, match="above zero"):
            Weights().changed({item.name: 0.0})
    with pytest.raises(UsageError, match="no weight"):
        Weights().changed({"utmm": 1.0})
    heavy = Weights().changed({"older_datum": 5.0})
    assert examine(Evidence(UTM_16N, place=ATLANTA), weights=heavy).best.code in ("EPSG:26716", "EPSG:32216")
    assert "UTM 1," in as_text(examine(Evidence(UTM_16N, place=ATLANTA)))


@settings(deadline=None, derandomize=True, max_examples=60)
@given(
    west=st.integers(-180, 179), wide=st.integers(1, 300), south=st.floats(-80, 70), tall=st.floats(0, 10),
    lon=st.floats(-180, 180), lat=st.floats(-89, 89),
)  # fmt: skip
def test_distance_to_a_box(west: int, wide: int, south: float, tall: float, lon: float, lat: float) -> None:
    """0 inside, and never less than the nearest of many points of the box (an independent search)."""
    east = (west + wide + 180) % 360 - 180
    box = np.array([[west, south, east, south + tall]])
    found = float(database.box_distance_km(box, np.array([lon, lat]))[0])
    inside_lon = (lon - west) % 360 <= (east - west) % 360
    if inside_lon and south <= lat <= south + tall:
        assert found == 0
        return
    grid = np.array([(west + wide * a, south + tall * b) for a in np.linspace(0, 1, 60) for b in (0, 0.5, 1)])
    grid[:, 0] = (grid[:, 0] + 180) % 360 - 180
    nearest = inverse(np.repeat([[lon, lat]], len(grid), axis=0), grid)[0].min() / 1000
    # not under the true distance by more than the sphere's half percent and the grid's own step
    assert found >= nearest * 0.99 - 111.2 * wide / 59 - 111.2 * tall / 2


# --- the data set --------------------------------------------------------------------------------


def test_siblings_put_a_file_at_one_place() -> None:
    """Realisations under one row agree within a metre, checked on every fifth row with any."""
    table = database.entries()
    points = np.array([[500_000.0, 500_000.0], [300_000.0, 5_000_000.0]])
    rows = [k for k in range(len(table)) if table.siblings[k]][::5]
    assert len(rows) > 50
    for k in rows:
        lead = database.placer(str(table.codes[k]))
        assert lead is not None
        for code in table.siblings[k]:
            other = database.placer(code)
            assert other is not None
            assert other.metres_per_unit == lead.metres_per_unit, code
            both = np.stack([lead.lonlat(points), other.lonlat(points)])
            fine = np.isfinite(both).all(axis=(0, 2))
            assert np.abs(both[0, fine] - both[1, fine]).max(initial=0.0) < 1e-5, code


def test_placing_agrees_with_the_frame_s_own_way() -> None:
    """A second path: :func:`siteplan.geodesy.unproject` on full CRS facts, Paris and grads included."""
    for code, lon, lat in (("EPSG:27561", 2.5, 49.5), ("EPSG:2230", -117.1, 32.8), ("EPSG:5514", 14.4, 50.1)):
        facts = crs_facts(code)
        xy = project(code, np.array([[lon - facts.prime_meridian_deg, lat]]))
        placer = database.placer(code)
        assert placer is not None
        assert placer.lonlat(xy)[0] == pytest.approx((lon, lat), abs=1e-9)


def test_regions_by_name() -> None:
    assert database.box_distance_km(database.region_boxes("US"), np.array([-84.4, 33.6])).min() == 0
    assert database.box_distance_km(database.region_boxes("germany"), np.array([-84.4, 33.6])).min() > 5000
    assert (
        database.box_distance_km(database.region_boxes("Massachusetts"), np.array([-71.5, 42.3])).min() == 0
    )
    for wrong in ("Atlantis", "", "  "):
        with pytest.raises(UsageError, match="not known"):
            database.region_boxes(wrong)


def test_a_near_place_makes_few_crss() -> None:
    """Speed, as a count that does not depend on the machine: half a millisecond each."""
    database.placer.cache_clear()
    examine(Evidence(UTM_16N, place=ATLANTA))
    assert database.placer.cache_info().misses < 400
    examine(Evidence(UTM_16N))
    every = database.placer.cache_info().misses
    assert every < 3200
    examine(Evidence(UTM_16N))
    assert database.placer.cache_info().misses == every


# --- random trials -------------------------------------------------------------------------------

COMMON = [
    4326, 4269, 4258, 3857, 26910, 26913, 26916, 26918, 32610, 32616, 32618, 32631, 32633, 32755, 32719,
    25831, 25832, 25833, 2225, 2226, 2227, 2229, 2230, 2231, 2232, 2236, 2237, 2240, 2249, 2263,
    2264, 2272, 2274, 2276, 2277, 2278, 2285, 2286, 3418, 3435, 3734, 26945, 26946, 26986, 32118,
    2868, 2913, 2256, 26716, 26711, 27700, 28992, 31370, 2154, 5514, 2056, 31467, 3006, 28355, 2193,
]  # fmt: skip
"""sixty CRSs people really use, from memory; the test does not rest on the choice"""


def random_site(code: int, rng: np.random.Generator) -> tuple[FloatArray, Place]:
    """Eight points of a random site in the CRS's area, and a place within 5 km of its middle."""
    facts = crs_facts(f"EPSG:{code}")
    assert facts.area_of_use is not None
    west, south, east, north = facts.area_of_use
    if code in (4326, 3857):
        south, north = -60.0, 70.0
    lon = west + ((east - west) % 360 or 360) * rng.uniform(0.05, 0.95)
    middle = np.array([[(lon + 180) % 360 - 180, south + (north - south) * rng.uniform(0.05, 0.95)]])
    places = direct(np.repeat(middle, 8, axis=0), rng.uniform(0, 360, 8), rng.uniform(1, 120, 8))
    xy = project(f"EPSG:{code}", places - [facts.prime_meridian_deg, 0.0])
    off = direct(middle, rng.uniform(0, 360, 1), 5000 * np.sqrt(rng.uniform(0, 1, 1)))[0]
    return np.round(xy, 8 if facts.is_geographic else 3), Place(*off.tolist())


def trials(count: int, seed: int) -> tuple[Counter[int], Counter[str], list[str]]:
    """Rank of the true CRS over random sites, statuses, and wrong claims of certainty.

    Explanations with equal scores share a rank, since nothing orders them.
    """
    rng = np.random.default_rng(seed)
    ranks: Counter[int] = Counter()
    status: Counter[str] = Counter()
    wrong = []
    for k in range(count):
        code = COMMON[k % len(COMMON)]
        xy, near = random_site(code, rng)
        report = examine(Evidence(xy, place=near), most=20)
        true = next((h for h in report.hypotheses if f"EPSG:{code}" in h.codes), None)
        # Whatever its rank, it is as likely by the evidence as the best one.
        assert true is not None, f"EPSG:{code} at {near}"
        assert true.likelihood > 0.2 * max(h.likelihood for h in report.hypotheses), f"EPSG:{code} at {near}"
        ranks[1 + sum(bool(h.share > true.share * 1.000001) for h in report.hypotheses)] += 1
        status[report.status] += 1
        fit_as_well = [h for h in report.hypotheses if h.likelihood >= report.best.likelihood / 100]
        if report.status == "one" and (true.rank != 1 or len(fit_as_well) > 1):
            wrong.append(f"EPSG:{code} at {near}: {report.best.code}")
    return ranks, status, wrong


def test_sixty_common_crss_at_random_places() -> None:
    """Near a place good to 5 km the true one is among the first three, and no wrong one is called certain."""
    ranks, status, wrong = trials(len(COMMON), seed=20)
    assert wrong == []
    assert set(ranks) <= {1, 2, 3}, ranks
    assert ranks[1] >= 0.7 * len(COMMON)
    assert status["nothing"] == 0


@pytest.mark.slow
def test_sixty_common_crss_at_many_random_places() -> None:
    """Where four or more datums of one zone fit alike, the true one may stand behind three of them."""
    ranks, _, wrong = trials(20 * len(COMMON), seed=21)
    assert wrong == []
    assert set(ranks) <= {1, 2, 3, 4, 5, 6}, ranks
    assert sum(ranks[k] for k in (1, 2, 3)) >= 0.98 * 20 * len(COMMON), ranks


@settings(deadline=None, derandomize=True, max_examples=12)
@given(zone=st.integers(1, 60), east=st.floats(300_000, 700_000), north=st.floats(1_000_000, 7_500_000))
def test_a_neighbouring_utm_zone_is_never_taken_for_certain(zone: int, east: float, north: float) -> None:
    """Declared one zone off: the true zone stands first, the declared one says so by its distance."""
    true, said = f"EPSG:{32600 + zone}", f"EPSG:{32600 + zone % 60 + 1}"
    xy = np.array([[east, north], [east + 50, north + 30]])
    lon, lat = unproject(true, xy)[0].tolist()
    report = examine(Evidence(xy, place=Place(lon, lat), declared=said), most=20)
    hit = next(h for h in report.hypotheses if true in h.codes)
    assert hit.fits
    assert all(said not in h.codes for h in report.hypotheses if h.fits)
    assert hit.rank <= 3
    assert "UTM zone" in hit.explains


# --- evidence that is none ---------------------------------------------------------------------


@pytest.mark.parametrize(
    "make",
    [
        lambda: Place(200, 0),
        lambda: Place(0, 91),
        lambda: Place(float("nan"), 0),
        lambda: Place(0, 0, 0.0),
        lambda: Place(0, 0, float("inf")),
        lambda: Control(float("nan"), 0, 0, 0),
        lambda: Control(0, 0, 0, 95),
        lambda: Known("k", np.zeros((2, 2)), False, length_m=0.0),
        lambda: Known("k", np.zeros((2, 2)), False),
        lambda: Known("k", np.zeros((1, 2)), False, length_m=1.0),
        lambda: Known("k", np.zeros((2, 2)), True, area_m2=1.0),
        lambda: Evidence(np.zeros((0, 2))),
        lambda: Evidence(np.full((3, 2), np.nan)),
        lambda: examine(Evidence(UTM_16N, region="Atlantis")),
        lambda: parse_place("12"),
        lambda: parse_place("1e,2"),
        lambda: parse_control("1,2"),
        lambda: parse_control("1,2=3"),
        lambda: parse_area("12"),
        lambda: parse_area("12 m"),
    ],
)
def test_evidence_that_is_none_is_refused(make: Any) -> None:
    with pytest.raises(UsageError):
        make()


def test_declared_nonsense_is_a_fault() -> None:
    with pytest.raises(DataError):
        examine(Evidence(UTM_16N, declared="EPSG:999999"))


@settings(deadline=None, derandomize=True, max_examples=5)
@given(
    xy=st.lists(
        st.tuples(st.floats(allow_nan=True, allow_infinity=True), st.floats(-1e9, 1e9)),
        min_size=1,
        max_size=6,
    )
)
def test_any_numbers_give_an_answer(xy: list[tuple[float, float]]) -> None:
    """Whatever the numbers: a report that is valid JSON and text, or a refusal; nothing else."""
    coords = np.array(xy)
    with np.errstate(over="ignore", invalid="ignore"):
        try:
            report = examine(Evidence(coords, place=ATLANTA))
        except UsageError:
            assert not np.isfinite(coords).all(axis=1).any()
            return
    json.dumps(as_data(report), allow_nan=False)
    assert as_text(report).startswith(report.verdict)
    assert report.hypotheses


def test_lines_of_the_text_say_nothing_was_applied() -> None:
    text = as_text(examine(Evidence(UTM_16N, place=ATLANTA)))
    assert "Nothing was applied" in text
    assert "EPSG:26916" in text
    assert "What this evidence cannot tell apart" in text


# --- files, consent, settings ---------------------------------------------------------------------


def write_beds(path: Path, xy: FloatArray, **members: Any) -> Path:
    ring = [*xy.tolist(), xy[0].tolist()]
    feature = {
        "type": "Feature",
        "properties": {"bed": "B07", "name": "Pond"},
        "geometry": {"type": "Polygon", "coordinates": [ring]},
    }
    path.write_text(json.dumps({"type": "FeatureCollection", **members, "features": [feature]}))
    return path


def test_clues_name_features_edges_and_areas(tmp_path: Path) -> None:
    xy = square("EPSG:2230", -117.1, 32.8)
    path = write_beds(tmp_path / "beds.geojson", xy)
    edge = float(np.hypot(*(xy[1] - xy[0])))
    for clues in (
        Clues(near="-117.1,32.8", within="2 km", lengths=(f"B07={4 * edge:.3f} ftUS",)),
        Clues(near="-117.1,32.8", lengths=(f"B07:1-2={edge:.3f} ftUS",)),
        Clues(near="-117.1,32.8", lengths=(f"Pond={4 * edge:.3f} ftUS", f"1:4-1={edge:.3f}ft")),
        Clues(near="-117.1,32.8", areas=(f"B07={edge * edge:.1f} ft2",)),
    ):
        report = examine_file(Source(path), clues)
        assert report.best.code == "EPSG:2230", clues
        assert report.best.likelihood > 0.9
    wrong = ("B08=41ft", "B07=41", "B07:1-9=41ft", "B07:2-2=41ft", "=41ft", "B07", "2=41ft")
    for text in wrong:
        with pytest.raises(UsageError):
            examine_file(Source(path), Clues(lengths=(text,)))
    for clues in (
        Clues(within="5 km"),
        Clues(weights=("utm",)),
        Clues(weights=("utm=x",)),
        Clues(near="a,b"),
    ):
        with pytest.raises(UsageError):
            examine_file(Source(path), clues)


def test_nothing_is_assumed_without_consent_and_consent_is_recorded(tmp_path: Path) -> None:
    path = write_beds(tmp_path / "beds.geojson", square("EPSG:26916", -86.0, 40.0))
    with pytest.raises(DataError):
        read_features([Source(path)], "beds")
    features, findings = read_features([Source(path, assume="EPSG:26916")], "beds")
    assert features.crs == "EPSG:26916"
    told = [f for f in findings if f.code == "crs-assumed"]
    assert len(told) == 1
    assert "assumed with your consent" in told[0].text
    assert "EPSG:26916" in told[0].text


def test_consent_overrules_a_file_that_is_wrong(tmp_path: Path) -> None:
    member = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::26917"}}
    path = write_beds(tmp_path / "beds.geojson", square("EPSG:26916", -86.0, 40.0), crs=member)
    with pytest.raises(DataError, match="crs-contradicts"):
        read_features([Source(path, crs="EPSG:26916")], "beds")
    features, findings = read_features([Source(path, assume="EPSG:26916")], "beds")
    assert features.crs == "EPSG:26916"
    assert any("the file says EPSG:26917" in f.text for f in findings)
    # consent does not switch the checks off: degrees cannot be UTM
    lonlat = write_beds(tmp_path / "lonlat.geojson", square("EPSG:4326", -86.0, 40.0))
    with pytest.raises(DataError, match="degrees-in-grid"):
        read_features([Source(lonlat, assume="EPSG:26916")], "beds")


def test_whereabouts_are_checked_even_where_not_needed() -> None:
    assert whereabouts_faults(Whereabouts(near=(-84.0, 33.0), region="US"), "site.toml") == []
    wrong = Whereabouts(near=(33.0, -184.0), region="Atlantis", weights={"utmm": 1.0})
    assert len(whereabouts_faults(wrong, "site.toml")) == 3
    assert most_plausible(np.empty((0, 2)), Whereabouts()) == ""


def test_report_is_the_same_again() -> None:
    """No clock, no order of a set: two runs give the same text."""
    evidence = Evidence(UTM_16N, place=ATLANTA)
    first, second = (as_text(replace(examine(evidence))) for _ in range(2))
    assert first == second


# --- the command line ------------------------------------------------------------------------------


def test_crs_command_tells_people_and_programs(tmp_path: Path) -> None:
    path = write_beds(tmp_path / "beds.geojson", square("EPSG:2230", -117.1, 32.8))
    said = siteplan("crs", path, "--near", "-117.1,32.8", "--most", "2")
    assert said.returncode == 0, said.stderr
    assert said.stderr == ""
    assert "1. EPSG:2230  NAD83 / California zone 6 (ftUS)" in said.stdout
    assert "ftUS and ft lie" in said.stdout
    assert "ask the surveyor" in said.stdout
    data = json.loads(
        siteplan(
            "crs", path, "--near=-117.1,32.8", "--length", "B07=1312.33ftUS", "--json", "--weight", "utm=0.5"
        ).stdout
    )
    assert data["schema_version"] == 1
    assert data["hypotheses"][0]["code"] == "EPSG:2230"
    assert data["weights"]["utm"] == 0.5
    assert data["status"] == "several"
    wrong = siteplan("crs", path, "--near", "33")
    assert wrong.returncode == 2
    assert "two numbers" in wrong.stderr
    assert "Traceback" not in wrong.stderr
    gone = siteplan("crs", tmp_path / "none.geojson")
    assert gone.returncode == 1
    assert "Traceback" not in gone.stderr


def test_check_takes_consent_and_records_it(tmp_path: Path) -> None:
    path = write_beds(tmp_path / "beds.geojson", square("EPSG:26916", -86.0, 40.0))
    refused = siteplan("check", path)
    assert refused.returncode == 1
    assert "grid-in-degrees" in refused.stdout
    assert "most plausible: (1) EPSG:" in " ".join(refused.stdout.split())
    data = json.loads(siteplan("check", path, "--assume", "EPSG:26916", "--json").stdout)
    assert data["errors"] == 0
    assert [r["code"] for r in data["rows"]].count("crs-assumed") == 1
    both = siteplan("check", path, "--assume", "EPSG:26916", "--crs", "EPSG:26916")
    assert both.returncode == 1
    assert "only assume overrules" in both.stderr
