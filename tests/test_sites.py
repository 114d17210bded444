"""The whole way as a library: what must not change the plan, and what the plan must add up to."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Transformer

import siteplan
from siteplan.errors import DataError
from siteplan.layers import geodataframe, plan_layers
from siteplan.plans import RunPlan, plan_runs
from siteplan.sites import Site, load_site, measure, site_settings
from siteplan.takeoffs import overlap_findings, takeoff
from tests.make_sites import kidney, line, lonlat_of, polygon, rectangle, write_features

LINE = "flex-2m"


def plan_of(path: Path, **more: Any) -> tuple[Site, RunPlan, Any]:
    site = load_site(site_settings(path, LINE, **more))
    plan = plan_runs(site)
    return site, plan, takeoff(site, plan)


def outlines() -> dict[str, np.ndarray]:
    """Metres: a kidney, an L with an inside corner, a turned rectangle, a ring."""
    ell = np.array([(0, 0), (9.3, 0), (9.3, 2.2), (2.7, 2.2), (2.7, 7.1), (0, 7.1)]) + (20, 0)
    angle = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    ring = 5 * np.column_stack([np.cos(angle), np.sin(angle)]) + (60, 5)
    return {
        "K": kidney(60, at=(0, 0)),
        "L": ell,
        "R": rectangle(12.4, 3.3, at=(35, 0), turn_deg=23),
        "O": ring,
    }


def changed(ring: np.ndarray, how: str, k: int) -> np.ndarray:
    if how == "reversed":
        return ring[::-1]
    if how == "start":
        return np.roll(ring, k % len(ring), axis=0)
    if how == "added":
        at = k % len(ring)
        middle = 0.37 * ring[at] + 0.63 * ring[(at + 1) % len(ring)]
        return np.insert(ring, at + 1, middle, axis=0)
    return ring


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Any, Any, Any]:
    path = tmp_path_factory.mktemp("plain") / "beds.geojson"
    write_features(path, {k: polygon(r) for k, r in outlines().items()})
    return (path, *plan_of(path))


@settings(deadline=None, derandomize=True, max_examples=12)
@given(how=st.sampled_from(["reversed", "start", "added"]), k=st.integers(0, 71))
def test_drawing_does_not_change_the_plan(plain: Any, how: str, k: int) -> None:
    """Direction, start vertex and a vertex on an edge change no count, and no length by 1e-6 m.

    A vertex put on an edge in degrees lies nanometres off the edge in metres.
    """
    path, _site, plan, result = plain
    other = path.with_name(f"{how}-{k}.geojson")
    write_features(other, {name: polygon(changed(r, how, k)) for name, r in outlines().items()})
    _, plan2, result2 = plan_of(other)
    assert result2.counts == result.counts
    assert result2.by_kind == result.by_kind
    np.testing.assert_allclose(plan2.lengths.run_grid_m, plan.lengths.run_grid_m, atol=1e-6)
    assert list(plan2.runs.run_id) == list(plan.runs.run_id)


def test_state_plane_and_lonlat_give_the_same_plan(tmp_path: Path, plain: Any) -> None:
    """The same beds in NAD83 degrees and in Iowa South survey feet (EPSG:3418), one grid."""
    forth = Transformer.from_crs("EPSG:4269", "EPSG:3418", always_xy=True)
    lonlat = {k: lonlat_of(r) for k, r in outlines().items()}
    for name, crs, coords in (
        ("degrees", "EPSG:4269", lonlat),
        ("feet", "EPSG:3418", {k: np.column_stack(forth.transform(*v.T)) for k, v in lonlat.items()}),
    ):
        shapes = shapely.to_wkb(np.array([shapely.Polygon(v) for v in coords.values()]))
        pyogrio.raw.write(
            str(tmp_path / f"{name}.gpkg"),
            shapes,
            [np.array(list(coords), dtype=object)],
            ["bed"],
            layer="beds",
            driver="GPKG",
            geometry_type="Polygon",
            crs=crs,
        )
    plans = {n: plan_of(tmp_path / f"{n}.gpkg", grid="EPSG:3418") for n in ("degrees", "feet")}
    a, b = plans["degrees"], plans["feet"]
    assert a[2].counts == b[2].counts
    np.testing.assert_allclose(a[1].lengths.run_grid_m, b[1].lengths.run_grid_m, atol=1e-6)
    np.testing.assert_allclose(a[1].lengths.run_geodesic_m, b[1].lengths.run_geodesic_m, atol=1e-6)


def test_counts_need_no_particular_grid(plain: Any) -> None:
    """A local grid and UTM with its combined factor count the same pieces."""
    path, _site, plan, result = plain
    _, plan2, result2 = plan_of(path, grid="EPSG:32615")
    assert result2.counts == result.counts
    np.testing.assert_allclose(plan2.lengths.run_ground_m, plan.lengths.run_ground_m, rtol=2e-7)


def test_every_leg_is_reproduced_by_its_pieces(sample_data: Path) -> None:
    """Units, sections, closers, cuts, gaps, clearances and left-over of a leg are the leg, to 1 mm."""
    site = load_site(sample_data / "fennel_row")
    plan = plan_runs(site)
    result = takeoff(site, plan)
    legs, fits = result.legs, result.fits
    laying = np.array([s.laying_um for s in site.line.straights])
    fill = fits.counts @ laying + fits.cut_um.sum(axis=1) + fits.gap_total_um + fits.left_over_um
    total = legs.start_um + legs.far_um + fill
    np.testing.assert_allclose(total / 1e6, plan.runs.length_m, atol=1e-3)
    assert int(result.leg_counts.sum()) == len(result.pieces)


def test_no_two_pieces_lie_on_one_another(sample_data: Path) -> None:
    for name in ("fennel_row", "larkspur_close"):
        site = load_site(sample_data / name)
        result = takeoff(site, plan_runs(site))
        pieces = result.pieces
        shapes = shapely.from_ragged_array(
            shapely.GeometryType.POLYGON,
            *_closed(pieces.outline_xy, pieces.outline_offsets),
        )
        assert shapely.is_valid(shapes).all()
        a, b = shapely.STRtree(shapes).query(shapes, predicate="intersects")
        pair = a < b
        overlap = shapely.area(shapely.intersection(shapes[a[pair]], shapes[b[pair]]))
        # a joint's own strip is at most gap x depth; 1 mm2 is rounding of vertices
        assert overlap.max(initial=0.0) < 1e-6


def _closed(xy: Any, offsets: Any) -> Any:
    take = np.insert(np.arange(len(xy)), offsets[1:], offsets[:-1])
    closed = offsets + np.arange(len(offsets))
    return xy[take], (closed, np.arange(len(offsets)))


def test_offset_of_a_rectangle_is_eight_offsets(tmp_path: Path) -> None:
    """Corners are mitred: each of four corners adds twice the offset."""
    write_features(tmp_path / "beds.geojson", {"R": polygon(rectangle(10, 4))})
    toml = 'name = "r"\nline = "flex-2m"\n[[inputs.beds]]\nfile = "beds.geojson"\n[outline]\noffset = "{}"\n'
    lengths = []
    for offset in ("0 m", "100 mm", "-100 mm"):
        (tmp_path / "site.toml").write_text(toml.format(offset))
        lengths.append(plan_runs(load_site(tmp_path)).lengths.run_ground_m.sum())
    assert lengths[1] - lengths[0] == pytest.approx(0.8, abs=1e-7)
    assert lengths[2] - lengths[0] == pytest.approx(-0.8, abs=1e-7)


def test_leg_running_square_into_a_wall_keeps_its_length(tmp_path: Path) -> None:
    """Design page, section 5: it goes to the face, less the end clearance, not 0.3 m short of it."""
    write_features(tmp_path / "beds.geojson", {"B": polygon(rectangle(8, 3, at=(0, 0.08)))})
    wall = write_features(tmp_path / "walls.geojson", {"W": polygon(rectangle(30, 6, at=(-10, -6)))})
    site, plan, result = plan_of(tmp_path / "beds.geojson", abutments=[wall])
    runs = plan.runs
    assert runs.closed.tolist() == [False]
    # 3 m sides go 0.08 m further, to the wall face
    np.testing.assert_allclose(runs.length_m, [3.08, 8.0, 3.08], atol=1e-6)
    clearance = site.line.end_clearance_um
    assert result.legs.start_um[0] == clearance
    assert result.legs.far_um[-1] == clearance


def test_open_strip_with_two_free_ends(tmp_path: Path) -> None:
    write_features(tmp_path / "beds.geojson", {"S": line([(0, 0), (10, 0)])})
    site, plan, result = plan_of(tmp_path / "beds.geojson")
    assert result.by_kind["end"] == 2
    assert plan.lengths.run_ground_m[0] == pytest.approx(10.0, abs=1e-6)
    assert measure(site).area_m2[0] == 0


def test_settings_name_beds_and_vertices_that_exist(tmp_path: Path) -> None:
    write_features(tmp_path / "beds.geojson", {"R": polygon(rectangle(10, 4))})
    head = 'name = "r"\nline = "flex-2m"\n[[inputs.beds]]\nfile = "beds.geojson"\n'
    (tmp_path / "site.toml").write_text(head + "[bed.Q]\npriority = 1\n")
    with pytest.raises(DataError, match='there is no bed "Q"'):
        load_site(tmp_path)
    (tmp_path / "site.toml").write_text(head + "[bed.R]\ncorners = [9]\n")
    with pytest.raises(DataError, match="9"):
        plan_runs(load_site(tmp_path))


def test_bed_overrides(tmp_path: Path) -> None:
    write_features(
        tmp_path / "beds.geojson",
        {
            "R": polygon(rectangle(10, 4)),
            "Q": polygon(rectangle(6, 4, at=(20, 0))),
            "S": line([(0, 20), (9, 20)]),
        },
    )
    (tmp_path / "site.toml").write_text(
        'name = "r"\nline = "flex-2m"\n[[inputs.beds]]\nfile = "beds.geojson"\n'
        '[bed.R]\noffset = "50 mm"\nnot_corners = [1]\n[bed.Q]\nskip = true\n'
        '[bed.S]\nstart_end = "abutted"\n'
    )
    site = load_site(tmp_path)
    plan = plan_runs(site)
    result = takeoff(site, plan)
    assert set(site.beds.ids[plan.runs.bed]) == {"R", "S"}
    assert (plan.runs.corner_turn_deg > 0).sum() == 3
    assert result.by_kind["end"] == 1


def test_roles_in_other_crs_are_refused_until_allowed(tmp_path: Path) -> None:
    write_features(tmp_path / "beds.geojson", {"R": polygon(rectangle(10, 4))})
    forth = Transformer.from_crs("EPSG:4326", "EPSG:32615", always_xy=True)
    wall = np.column_stack(forth.transform(*lonlat_of(rectangle(30, 6, at=(-10, -6))).T))
    pyogrio.raw.write(
        str(tmp_path / "walls.gpkg"),
        shapely.to_wkb(np.array([shapely.Polygon(wall)])),
        [np.array(["W"], dtype=object)],
        ["id"],
        driver="GPKG",
        geometry_type="Polygon",
        crs="EPSG:32615",
    )
    with pytest.raises(DataError, match="abutments come in EPSG:32615"):
        plan_of(tmp_path / "beds.geojson", abutments=[tmp_path / "walls.gpkg"])
    _, plan, _ = plan_of(
        tmp_path / "beds.geojson", abutments=[tmp_path / "walls.gpkg"], mixed_crs="transform"
    )
    assert plan.unedged.length_m.sum() == pytest.approx(10.0, abs=1e-3)


def test_library_front_door(sample_data: Path) -> None:
    site = siteplan.load_site(sample_data / "larkspur_close")
    plan = siteplan.plan_runs(site)
    result = siteplan.takeoff(site, plan)
    layers = plan_layers(site, siteplan.measure(site), plan, result)
    pieces = geodataframe(site, layers["pieces"])
    assert len(pieces) == sum(result.counts.values())
    assert pieces.crs.to_epsg() == 3418
    beds = geodataframe(site, layers["beds"])
    assert set(beds.geom_type) <= {"Polygon", "MultiPolygon", "LineString"}
    # survey feet of the grid against ground metres: the printed factor and the unit
    foot = 1200 / 3937 / site.frame.combined_factor
    assert pieces.area.sum() * foot**2 == pytest.approx(_area(result.pieces), rel=1e-9)


def _area(pieces: Any) -> float:
    shapes = shapely.from_ragged_array(
        shapely.GeometryType.POLYGON, *_closed(pieces.outline_xy, pieces.outline_offsets)
    )
    return float(shapely.area(shapes).sum())


def test_beds_closer_than_the_edging_is_deep_are_told(tmp_path: Path) -> None:
    """Two beds 8 cm apart, edging 12 cm deep: pieces lie on one another, and it is an error finding."""
    two = {"P": polygon(rectangle(5, 3)), "Q": polygon(rectangle(5, 3, at=(5.08, 0)))}
    path = write_features(tmp_path / "beds.geojson", two)
    site = load_site(site_settings(path, "rigid-900mm"))
    plan = plan_runs(site)
    found = overlap_findings(site, plan, takeoff(site, plan))
    assert [(f.code, f.grade) for f in found] == [("pieces-overlap", "error")]
    assert "P-1" in found[0].text
    assert "Q-1" in found[0].text


def test_beds_that_keep_clear_say_nothing_of_overlaps(sample_data: Path) -> None:
    for name in ("fennel_row", "larkspur_close"):
        site = load_site(sample_data / name)
        plan = plan_runs(site)
        assert overlap_findings(site, plan, takeoff(site, plan)) == ()


def test_a_line_that_folds_back_is_short_by_no_more_than_it_is_long(tmp_path: Path) -> None:
    """A turn of nearly 180 degrees has no bound on d/2 tan(turn/2); a 10 m line cannot lack 1,200 m."""
    fold = [(0, 10), (5, 10), (0, 10.001)]
    path = write_features(tmp_path / "beds.geojson", {"F": line(fold)})
    for key in ("rigid-900mm", "flex-2m"):
        site = load_site(site_settings(path, key))
        assert takeoff(site, plan_runs(site)).unmet.short_m.max() <= 10.001


def test_a_gate_is_as_wide_on_an_offset_line(tmp_path: Path) -> None:
    """A 1 m gate at 2 m along an 8 m side is cut square to the side, however far out the edging lies."""
    write_features(tmp_path / "beds.geojson", {"G": polygon(rectangle(8, 3))})
    write_features(tmp_path / "gates.geojson", [({"id": "g"}, line([(2, 0), (3, 0)]))])
    toml = (
        'name = "g"\nline = "flex-2m"\n[[inputs.beds]]\nfile = "beds.geojson"\n'
        '[[inputs.openings]]\nfile = "gates.geojson"\n[outline]\noffset = "{}"\n'
    )
    for offset, meters in (("0 m", 0.0), ("400 mm", 0.4), ("-400 mm", -0.4)):
        (tmp_path / "site.toml").write_text(toml.format(offset))
        runs = plan_runs(load_site(tmp_path)).runs
        ends = np.array([runs.xy[0], runs.xy[-1]])
        assert np.hypot(*(ends[0] - ends[1])) == pytest.approx(1.0, abs=1e-6)
        # the two parts of the gate's side: 2 m and 5 m, and the offset past each corner
        assert sorted([runs.length_m[0], runs.length_m[-1]]) == pytest.approx(
            [2 + meters, 5 + meters], abs=1e-6
        )


def test_faults_of_outlines_say_where_on_earth(tmp_path: Path) -> None:
    """An offset no bed has room for: file, bed, vertex, and a place a map shows."""
    write_features(tmp_path / "beds.geojson", {"R": polygon(rectangle(5, 5))})
    (tmp_path / "site.toml").write_text(
        'name = "r"\nline = "flex-2m"\n[[inputs.beds]]\nfile = "beds.geojson"\n[outline]\noffset = "-3 m"\n'
    )
    with pytest.raises(
        DataError, match=r'beds\.geojson.*"R", vertex \d.*longitude -93\.\d+, latitude 41\.\d+'
    ):
        plan_runs(load_site(tmp_path))
