"""The whole way on real open data (sources and licences: README of the shared data folder)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from siteplan.errors import DataError
from siteplan.layers import plan_layers
from siteplan.plans import plan_runs
from siteplan.settings import SiteSettings
from siteplan.sites import load_site, measure
from siteplan.takeoffs import takeoff
from siteplan.tomlfile import validated

OSM = "multipolygons"


def site_of(folder: Path, beds: dict[str, str], abutments: dict[str, str] | None = None, **more: Any) -> Any:
    inputs: dict[str, Any] = {"beds": [beds], "skip_faulty": True}
    if abutments:
        inputs["abutments"] = [abutments]
    data = {"name": "real", "line": "flex-2m", "inputs": inputs, **more}
    return load_site(validated(SiteSettings, data, "test"), folder=folder)


def check_plan(site: Any) -> tuple[Any, Any]:
    """Plan a site and hold the result to what always is true."""
    plan = plan_runs(site)
    result = takeoff(site, plan)
    runs, pieces = plan.runs, result.pieces
    # every leg comes to its length
    laying = np.array([s.laying_um for s in site.line.straights])
    fits, legs = result.fits, result.legs
    fill = fits.counts @ laying + fits.cut_um.sum(axis=1) + fits.gap_total_um + fits.left_over_um
    laid = result.laid
    total = (legs.start_um + legs.far_um + fill)[laid] / 1e6
    np.testing.assert_allclose(total, runs.length_m[laid], atol=1e-3)
    assert np.isfinite(plan.lengths.run_geodesic_m).all()
    take = np.insert(
        np.arange(len(pieces.outline_xy)), pieces.outline_offsets[1:], pieces.outline_offsets[:-1]
    )
    rings = pieces.outline_offsets + np.arange(len(pieces.outline_offsets))
    shapes = shapely.from_ragged_array(
        shapely.GeometryType.POLYGON, pieces.outline_xy[take], (rings, np.arange(len(rings)))
    )
    assert shapely.is_valid(shapes).all()
    assert sum(result.counts.values()) == len(pieces) == sum(result.by_kind.values())
    plan_layers(site, measure(site), plan, result)
    return plan, result


def test_helsinki_beds_and_lawns_between_their_buildings(shared_data: Path) -> None:
    """69 shrub beds and 98 lawns, 494 buildings; 13.9 km of edge with real dirt in it."""
    lengths = 0.0
    for where, count, valid, length in (
        ("natural = 'scrub'", 69, 68, 4352.1),
        ("landuse = 'grass'", 98, 89, 9529.7),
    ):
        beds = {"file": "helsinki.osm.pbf", "layer": OSM, "where": where}
        walls = {"file": "helsinki.osm.pbf", "layer": OSM, "where": "building IS NOT NULL"}
        site = site_of(shared_data, beds, walls)
        left_out = [f for f in site.findings if f.code == "left-out"]
        assert len(site.beds) == valid
        assert len(site.beds) + sum("beds" in f.text or "bed" in f.text for f in left_out) >= count - valid
        perimeter = measure(site).perimeter_m.sum()
        assert perimeter == pytest.approx(length, abs=0.06)
        plan, _ = check_plan(site)
        total = plan.lengths.run_ground_m.sum() + plan.unedged.length_m.sum()
        assert total == pytest.approx(perimeter, rel=2e-3)
        lengths += perimeter
    assert lengths == pytest.approx(13_881.8, abs=0.2)


def test_helsinki_stops_without_skip_faulty(shared_data: Path) -> None:
    data = {
        "name": "real",
        "line": "flex-2m",
        "inputs": {"beds": [{"file": "helsinki.osm.pbf", "layer": OSM, "where": "landuse = 'grass'"}]},
    }
    with pytest.raises(DataError) as caught:
        load_site(validated(SiteSettings, data, "test"), folder=shared_data)
    assert len(caught.value.faults) == 9


def test_bubenec_stored_in_web_mercator(shared_data: Path) -> None:
    """Plane lengths are 1.558 times too long at 50 N; the plan is measured on the ellipsoid."""
    site = site_of(shared_data, {"file": "bubenec.gpkg", "layer": "buildings"})
    assert measure(site).perimeter_m.sum() == pytest.approx(10_494.2, abs=0.1)
    assert site.frame.is_local
    check_plan(site)


def test_liverpool_old_style_crs_member(shared_data: Path) -> None:
    site = site_of(shared_data, {"file": "liverpool_buildings_27700.geojson"})
    assert site.frame.code == "EPSG:27700"
    # 23,016.9 m is the WGS 84 figure; the site is measured on its own datum's ellipsoid (Airy),
    # whose lengths here are 28 ppm longer for the same grid coordinates
    assert measure(site).perimeter_m.sum() == pytest.approx(23_016.9, rel=3e-5)
    check_plan(site)


def test_runways_in_survey_feet(shared_data: Path) -> None:
    """One airfield of the county; the whole file lies over 100 km and is refused as one site."""
    with pytest.raises(DataError, match="at most 20 km"):
        site_of(shared_data, {"file": "air_runways_usft.shp"})
    field = {"file": "air_runways_usft.shp", "where": "NAME = 'McClellan-Palomar Airport'"}
    site = site_of(shared_data, field)
    assert site.frame.unit == "ftUS"
    # the publisher's own lengths, in survey feet of the grid, of the features taken
    given = np.array([float(v) for v in site.beds.attributes["SHAPE_LEN"]]) * 1200 / 3937
    grid_m = site.frame.combined_factor * ring_lengths_m(site)
    np.testing.assert_allclose(grid_m, given, rtol=1e-8, atol=1e-5)
    check_plan(site)


def ring_lengths_m(site: Any) -> Any:
    """(n,) ground metres round all rings of each bed."""
    shapes = site.bed_shapes
    rings = [
        shapely.linearrings(shapes.xy[a:b])
        for a, b in zip(shapes.ring_offsets, shapes.ring_offsets[1:], strict=False)
    ]
    return np.bincount(shapes.ring_feature, weights=shapely.length(rings), minlength=len(shapes))


def test_south_of_the_equator(shared_data: Path) -> None:
    site = site_of(
        shared_data, {"file": "somes_island.osm.pbf", "layer": OSM, "where": "\"natural\" = 'grassland'"}
    )
    check_plan(site)
