"""Heights from elevation models and from the outlines: exact on planes, against a second library, and
every way they can be wrong."""

from __future__ import annotations

import json
import warnings
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
import shapely
from pyproj import Transformer
from rasterio import Affine
from rasterio.control import GroundControlPoint
from scipy.ndimage import map_coordinates

from siteplan import geodesy, heights
from siteplan.errors import DataError
from siteplan.frame import Frame, make_frame
from siteplan.heights import (
    GroundHeights,
    HeightSource,
    ground_profile,
    model_heights,
    open_models,
    outline_heights,
    outline_z,
    read_heights,
)
from siteplan.model import Runs, Shapes
from siteplan.plans import plan_runs
from siteplan.publish.write import write_plan
from siteplan.rasters import from_cells, to_cells
from siteplan.sites import load_site, measure, site_settings
from siteplan.slope import noise_lengthening
from siteplan.takeoffs import takeoff
from siteplan.types import FloatArray, XYArray

from .make_features import features
from .make_runs import Path as Line
from .make_runs import make_runs
from .make_sites import ORIGIN, lonlat_of, polygon, rectangle, write_features

UTM = "EPSG:32615"
EAST, NORTH = Transformer.from_crs("EPSG:4326", UTM, always_xy=True).transform(*ORIGIN)


@pytest.fixture(scope="module")
def frame() -> Frame:
    beds = features([shapely.Polygon(lonlat_of(rectangle(100, 80)))], "EPSG:4326")
    return make_frame(beds)[0]


def north_up(west: float, north: float, across: float, down: float) -> Affine:
    return Affine(across, 0, west, 0, -down, north)


def turned_by(degrees: float, west: float, north: float, across: float, down: float) -> Affine:
    """A raster turned clockwise about its first corner."""
    cos, sin = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return Affine(across * cos, -down * sin, west, -across * sin, -down * cos, north)


def write_model(
    path: Path, z: FloatArray, *, cell: float = 1.0, unit: str | None = "metre", **more: Any
) -> Path:
    """An elevation model round the tests' invented place, in UTM unless said otherwise."""
    rows, columns = z.shape
    corner = north_up(np.floor(EAST) - 20, np.floor(NORTH) - 20 + rows * cell, cell, cell)
    options = {"crs": UTM, "transform": corner, "dtype": "float64", **more}
    scale, offset = options.pop("scale", 1.0), options.pop("offset", 0.0)
    with rasterio.open(
        path, "w", driver="GTiff", width=columns, height=rows, count=1, **options
    ) as model:  # fmt: skip
        model.write(z.astype(options["dtype"]), 1)
        model.scales, model.offsets = (scale,), (offset,)
        if unit is not None:
            model.units = (unit,)
    return path


def tilted(shape: tuple[int, int], transform: Affine, east: float, north: float) -> FloatArray:
    """A plane in the model's own coordinates, at cell centres."""
    row, column = np.mgrid[: shape[0], : shape[1]] + 0.5
    x = transform.a * column + transform.b * row + transform.c - EAST
    y = transform.d * column + transform.e * row + transform.f - NORTH
    return np.asarray(300 + east * x + north * y)


def in_utm(frame: Frame, xy: XYArray) -> XYArray:
    lonlat = frame.wgs84(xy)
    return np.column_stack(
        Transformer.from_crs("EPSG:4326", UTM, always_xy=True).transform(lonlat[:, 0], lonlat[:, 1])
    )


def places(n: int = 500) -> XYArray:
    """Ground metres well within the tests' models."""
    return np.random.default_rng(3).uniform((-40, -30), (40, 30), (n, 2))


def codes(error: pytest.ExceptionInfo[DataError]) -> list[str]:
    return [f.code for f in error.value.faults]


def opened(path: Path, frame: Frame, **more: Any) -> heights.ElevationModel:
    return open_models([HeightSource(path, **more)], frame)[0]


# ---------------------------------------------------------------- reading a model


@pytest.mark.parametrize("turned", [0.0, 27.0])
def test_a_plane_is_read_exactly(frame: Frame, tmp_path: Path, turned: float) -> None:
    """Bilinear reading of a plane is the plane, also where the model is turned and its cells not square."""
    shape = (420, 420)
    transform = turned_by(turned, EAST - 100, NORTH + 180, 0.9, 0.8)
    z = tilted(shape, transform, 0.11, -0.07)
    path = write_model(tmp_path / "dem.tif", z, transform=transform)
    xy = places() + (50, 40)
    height, why = model_heights(opened(path, frame), frame, xy)
    assert set(why) == {""}
    at = in_utm(frame, xy) - (EAST, NORTH)
    np.testing.assert_allclose(height, 300 + at @ (0.11, -0.07), atol=1e-6)


def test_against_a_second_library_window_by_window(
    frame: Frame, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SciPy's map_coordinates of first order on rough ground; small windows give the same."""
    z = np.random.default_rng(8).normal(300, 4, (200, 240))
    path = write_model(tmp_path / "dem.tif", z)
    model, xy = opened(path, frame), places() + (50, 40)
    whole, _ = model_heights(model, frame, xy)
    with rasterio.open(path) as raster:
        column, row = to_cells(raster.transform, in_utm(frame, xy)).T
    want = map_coordinates(z, [np.asarray(row) - 0.5, np.asarray(column) - 0.5], order=1)
    np.testing.assert_allclose(whole, want, atol=1e-6)
    monkeypatch.setattr(heights, "_TILE", 16)
    np.testing.assert_array_equal(model_heights(model, frame, xy)[0], whole)


def test_whole_centimetres_and_feet(frame: Frame, tmp_path: Path) -> None:
    """Scale and offset of the band are used, and feet become metres."""
    transform = north_up(np.floor(EAST) - 20, np.floor(NORTH) + 180, 1, 1)
    z = tilted((200, 240), transform, 0.1, 0.02)
    metres = write_model(tmp_path / "m.tif", z)
    centi = write_model(
        tmp_path / "cm.tif", np.rint((z - 250) * 100), dtype="int16", scale=0.01, offset=250.0
    )
    feet = write_model(tmp_path / "ft.tif", z / 0.3048, unit="foot")
    survey = write_model(tmp_path / "ftus.tif", z * 3937 / 1200, unit=None)
    xy = places() + (50, 40)
    want = model_heights(opened(metres, frame), frame, xy)[0]
    np.testing.assert_allclose(model_heights(opened(centi, frame), frame, xy)[0], want, atol=0.006)
    np.testing.assert_allclose(model_heights(opened(feet, frame), frame, xy)[0], want, atol=1e-9)
    found = opened(survey, frame, unit="ftUS")
    assert (found.unit, found.unit_why) == ("ftUS", "as declared")
    np.testing.assert_allclose(model_heights(found, frame, xy)[0], want, atol=1e-9)


def test_the_unit_may_come_from_a_compound_crs(frame: Frame, tmp_path: Path) -> None:
    """EPSG:6360 counts heights in US survey feet (EPSG data set)."""
    assert geodesy.vertical_unit("EPSG:6360") == "ftUS"
    assert geodesy.vertical_unit("EPSG:5703") == "m"
    assert geodesy.vertical_unit("EPSG:8228") == "ft"
    assert geodesy.vertical_unit(UTM) is None
    path = write_model(tmp_path / "dem.tif", np.full((200, 240), 1000.0), unit=None, crs="EPSG:26915+6360")
    model = opened(path, frame)
    assert model.unit == "ftUS"
    height, _ = model_heights(model, frame, places(5) + (50, 40))
    np.testing.assert_allclose(height, 1000 * 1200 / 3937, atol=1e-9)


def test_the_edge_of_a_model(frame: Frame, tmp_path: Path) -> None:
    """Up to the centres of the outermost cells there is something to read between; beyond, there is not."""
    path = write_model(tmp_path / "dem.tif", np.full((50, 60), 5.0))
    with rasterio.open(path) as raster:
        transform = raster.transform
    cells = np.array([(0.5, 0.5), (59.5, 49.5), (0.49, 20), (59.51, 20), (30, 0.4), (30, 49.6), (-400, 3)])
    xy = frame.ground_xy(from_cells(transform, cells), UTM)
    height, why = model_heights(opened(path, frame), frame, xy)
    assert why.tolist() == ["", "", *["outside"] * 5]
    np.testing.assert_allclose(height[:2], 5.0)


def test_a_place_without_a_height_is_a_fault_that_names_it(frame: Frame, tmp_path: Path) -> None:
    z = np.full((200, 240), 7.0)
    z[90:110, 100:130] = -9999
    path = write_model(tmp_path / "dem.tif", z, nodata=-9999)
    model = opened(path, frame)
    hole = frame.ground_xy(np.array([[EAST - 20 + 115, NORTH - 20 + 100]]), UTM)
    xy = np.vstack([places(3) * 0.1, hole, hole + (0.3, 0), (5000.0, 0.0)])
    bed, ids = np.array([0, 0, 0, 1, 1, 2]), np.array(["A", "B", "C"], dtype=object)
    with pytest.raises(DataError) as error:
        read_heights([model], frame, xy, bed, ids)
    assert codes(error) == ["height-nodata", "height-outside"]
    nodata, outside = error.value.faults
    assert (nodata.feature, outside.feature) == ("B", "C")
    lon, lat = frame.lonlat(hole)[0]
    assert f"at {lon:.7f}, {lat:.7f} (lon, lat); 2 places of this bed" in nodata.text
    # a second model fills the gap; its absence is not made up for by anything else
    other = opened(write_model(tmp_path / "more.tif", np.full((200, 240), 8.0)), frame)
    np.testing.assert_allclose(read_heights([model, other], frame, xy[:5], bed[:5], ids), [7, 7, 7, 8, 8])


def test_nan_is_no_height(frame: Frame, tmp_path: Path) -> None:
    z = np.full((200, 240), np.nan)
    model = opened(write_model(tmp_path / "dem.tif", z), frame)
    assert set(model_heights(model, frame, places(9) + (50, 40))[1]) == {"nodata"}


FAULTY: list[tuple[str, dict[str, Any], dict[str, Any], str]] = [
    ("no-height-unit", {"unit": None}, {}, 'Add unit = "m"'),
    ("no-height-unit", {"unit": "furlong"}, {}, 'its band says "furlong"'),
    ("height-unit-conflict", {}, {"unit": "ft"}, "the file counts heights in m, site.toml says ft"),
    ("no-crs", {"crs": None}, {}, 'Add crs = "EPSG:..."'),
    ("crs-conflict", {}, {"crs": "EPSG:26915"}, "site.toml says EPSG:26915"),
    ("which-band", {}, {"band": 2}, "there is no band 2 of 1"),
]


@pytest.mark.parametrize(("code", "file", "said", "text"), FAULTY)
def test_models_that_cannot_be_used(
    frame: Frame, tmp_path: Path, code: str, file: dict[str, Any], said: dict[str, Any], text: str
) -> None:
    path = write_model(tmp_path / "dem.tif", np.full((20, 20), 5.0), **file)
    with pytest.raises(DataError) as error:
        opened(path, frame, **said)
    assert codes(error) == [code]
    assert text in error.value.faults[0].text


def test_files_that_are_no_models_are_told_together(frame: Frame, tmp_path: Path) -> None:
    (tmp_path / "text.tif").write_text("not a picture")
    bare = {"crs": UTM, "dtype": "float32", "width": 9, "height": 9, "driver": "GTiff"}
    points = [GroundControlPoint(r, c, EAST + c, NORTH - r) for r, c in ((0, 0), (0, 9), (9, 0))]
    for name, more in (("bare.tif", {}), ("gcp.tif", {"gcps": points})):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)
            with rasterio.open(tmp_path / name, "w", count=1, **bare, **more) as file:
                file.write(np.zeros((1, 9, 9), np.float32))
    two = {**bare, "transform": north_up(EAST, NORTH, 1, 1)}
    with rasterio.open(tmp_path / "two.tif", "w", count=2, **two) as file:
        file.write(np.zeros((2, 9, 9), np.float32))
    names = ("none.tif", "text.tif", "bare.tif", "gcp.tif", "two.tif")
    with pytest.raises(DataError) as error:
        open_models([HeightSource(tmp_path / n, unit="m") for n in names], frame)
    assert codes(error) == [
        "no-such-file", "not-a-raster", "no-georeference", "no-georeference", "which-band",
    ]  # fmt: skip
    assert "control points" in error.value.faults[3].text


# ---------------------------------------------------------------- real ground


def invented_beds(count: int, seed: int) -> Runs:
    """Rings of about 40 m and straight lines, scattered over 2 km."""
    rng = np.random.default_rng(seed)
    angle = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    lines = []
    for _ in range(count):
        middle = rng.uniform(-900, 900, 2)
        shape = np.column_stack([7 * np.cos(angle), 5 * np.sin(angle)])
        lines.append(Line(shape + middle, closed=True))
        way = rng.uniform(0, 2 * np.pi)
        lines.append(Line(np.vstack([middle, middle + 35 * np.array([np.cos(way), np.sin(way)])])))
    return make_runs(lines)


def no_outlines() -> Shapes:
    return Shapes(
        np.empty(0, object),
        np.empty((0, 2)),
        np.zeros(1, np.int64),
        np.empty(0, np.int8),
        np.empty(0, np.int64),
    )


def profiled(ground: GroundHeights, frame: Frame, runs: Runs) -> Any:
    ids = np.array([f"B{k}" for k in range(len(runs.run_id))], dtype=object)
    return ground_profile(
        ground, frame, runs, outlines=no_outlines(), vertex=np.empty(0, np.int64), bed_ids=ids
    )


def test_invented_beds_on_real_ground(shared_data: Path) -> None:
    """Colorado, one third of an arc second (10 m), metres not said in the file: read as SciPy reads it;
    every run is longer on the slope than in plan, and by what the model's own cells say."""
    path = shared_data / "colorado_dem_10m.tif"
    with rasterio.open(path) as raster:
        z = raster.read(1).astype(np.float64)
        transform, crs = raster.transform, raster.crs.to_wkt()
    middle = from_cells(transform, np.array([[500, 300]]))[0]
    beds = features([shapely.Point(middle).buffer(0.01)], crs)
    frame, _ = make_frame(beds)
    with pytest.raises(DataError, match="the unit of its heights is not known"):
        opened(path, frame)
    model = opened(path, frame, unit="m")
    # a third of an arc second is 10.3 m of meridian
    assert model.cell_m[1] == pytest.approx(10.28, abs=0.03)
    # a third of a second of longitude over one of latitude: N cos / M of GRS 80
    lat, e2 = np.radians(middle[1]), 0.00669438002290
    ratio = np.cos(lat) * (1 - e2 * np.sin(lat) ** 2) / (1 - e2)
    assert model.cell_m[0] / model.cell_m[1] == pytest.approx(ratio, abs=1e-4)
    runs = invented_beds(150, 4)
    found, _ = model_heights(model, frame, runs.xy)
    column, row = to_cells(transform, frame.lonlat(runs.xy)).T
    want = map_coordinates(z, [np.asarray(row) - 0.5, np.asarray(column) - 0.5], order=1)
    np.testing.assert_allclose(found, want, atol=1e-4)
    profile = profiled(GroundHeights((model,), None, 3.0), frame, runs)
    assert (profile.slope_m > runs.length_m).all()
    # mountains: on average more than 1 %, and no more than their steepest grade allows
    stretch = profile.slope_m / runs.length_m
    assert 1.01 < stretch.mean() < 1.5
    assert (stretch <= np.hypot(1, profile.steepest[runs.leg_run]) + 1e-9).all()
    # smoothing over less than a cell changes little
    raw = profiled(GroundHeights((model,), None, 0.0), frame, runs)
    np.testing.assert_allclose(profile.slope_m.sum(), raw.slope_m.sum(), rtol=2e-3)


def test_noise_in_a_model_of_level_ground(frame: Frame, tmp_path: Path) -> None:
    """Cells of 1 m with 5 cm of noise: raw heights lengthen by up to the formula for the cells'
    centres, smoothed ones by less than 0.03 %."""
    z = 300 + np.random.default_rng(6).normal(0, 0.05, (300, 320))
    corner = north_up(np.floor(EAST) - 120, np.floor(NORTH) + 150, 1, 1)
    model = opened(write_model(tmp_path / "dem.tif", z, transform=corner), frame)
    runs = make_runs([Line([(-12, y), (88, y)]) for y in np.arange(-12, 60, 3.0)])
    raw = profiled(GroundHeights((model,), None, 0.0), frame, runs).slope_m.sum() / runs.length_m.sum() - 1
    kept = profiled(GroundHeights((model,), None, 3.0), frame, runs).slope_m.sum() / runs.length_m.sum() - 1
    assert 0.2 * noise_lengthening(0.05, 1.0) < raw < 1.05 * noise_lengthening(0.05, 1.0)
    assert kept < 0.0003
    assert kept < 0.2 * raw


# ---------------------------------------------------------------- the outlines' own Z


def with_z(z: Any, file: str = "beds.geojson") -> Any:
    beds = features([shapely.Polygon(rectangle(4, 3)), shapely.Polygon(rectangle(4, 3, at=(9, 0)))], UTM)
    return replace(beds, z=np.asarray(z, float), file=np.array([file] * 2, dtype=object))


NAN = float("nan")


@pytest.mark.parametrize(
    ("z", "state"),
    [
        ([NAN] * 8, "none"),
        ([0] * 8, "zero"),
        ([1, 2, 3, 4, NAN, NAN, NAN, NAN], "mixed"),
        ([0, 0, 0, 0, NAN, NAN, NAN, NAN], "zero"),
        ([0, 0, 0, 0, 5, 6, 7, 8], "mixed"),
        ([1, 2, 3, 4, 5, 6, 7, 8], "good"),
    ],
)
def test_what_the_z_of_outlines_is_like(z: list[float], state: str) -> None:
    beds = with_z(z)
    assert outline_z(beds).state == state
    told = heights.outline_findings(beds, None)
    assert [f.code for f in told] == (["z-not-used"] if state == "good" else [])
    if state != "good":
        with pytest.raises(DataError, match=r"\[\[inputs\.heights\]\]"):
            outline_heights(beds, "m")


def test_the_unit_of_z() -> None:
    """GeoJSON and KML count in metres by their standards; other files need it said."""
    z = [1, 2, 3, 4, 5, 6, 7, 8]
    np.testing.assert_array_equal(outline_heights(with_z(z), None), z)
    np.testing.assert_array_equal(outline_heights(with_z(z, "beds.kml, layer beds"), None), z)
    with pytest.raises(DataError) as error:
        outline_heights(with_z(z, "beds.shp"), None)
    assert codes(error) == ["no-height-unit"]
    np.testing.assert_allclose(outline_heights(with_z(z, "beds.shp"), "ft"), np.array(z) * 0.3048)


def ramp_site(folder: Path, z_of: Any, **more: Any) -> Any:
    """One rectangle of 20 x 6 m with heights in its GeoJSON, and settings."""
    ring = rectangle(20, 6, turn_deg=30)
    geometry = polygon(ring)
    points = [[*p, z_of(*xy)] for p, xy in zip(geometry["coordinates"][0][:-1], ring, strict=True)]
    geometry["coordinates"] = [[*points, points[0]]]
    path = write_features(folder / "beds.geojson", {"A": geometry})
    base = site_settings(path, "flex-2m")
    return type(base).model_validate({**base.model_dump(), "show": base.show, **more}) if more else base


def site_folder(folder: Path, toml: str) -> Path:
    (folder / "site.toml").write_text(
        f'name = "T"\nline = "flex-2m"\n{toml}\n[[inputs.beds]]\nfile = "beds.geojson"\n', encoding="utf-8"
    )
    return folder


def test_a_bed_on_a_ramp_by_its_own_z(tmp_path: Path) -> None:
    """Heights rise with 8 % along the long side: legs are 20 sqrt(1 + g^2) and 6 m."""
    along = np.array([np.cos(np.radians(30)), np.sin(np.radians(30))])
    ramp_site(tmp_path, lambda x, y: 100 + 0.08 * float(np.array([x, y]) @ along))
    site = load_site(site_folder(tmp_path, 'length_basis = "slope"\n[heights]\nuse = "outline"\n'))
    plan = plan_runs(site)
    want = np.sort([20 * np.hypot(1, 0.08)] * 2 + [6.0] * 2)
    # GeoJSON's places are good to a few nanometres; ground is at no height here
    np.testing.assert_allclose(np.sort(plan.lengths.slope_m), want, atol=2e-4)
    result = takeoff(site, plan)
    np.testing.assert_allclose(result.stations.leg_um, plan.lengths.slope_m * 1e6, atol=1)


def test_z_that_is_not_used_is_told(tmp_path: Path) -> None:
    ramp_site(tmp_path, lambda x, y: 100 + x)
    site = load_site(site_folder(tmp_path, ""))
    assert [f.code for f in site.findings if f.code.startswith("z-")] == ["z-not-used"]
    assert np.isnan(plan_runs(site).lengths.slope_m).all()
    ramp_site(tmp_path, lambda x, y: 0)
    site = load_site(site_folder(tmp_path, ""))
    assert [f.code for f in site.findings if f.code.startswith("z-")] == ["z-zero"]


@pytest.mark.parametrize(
    ("toml", "code"),
    [
        ('length_basis = "slope"', "no-heights"),
        ('slope_by = "step"', "no-heights"),
        ('[heights]\nuse = "model"', "no-heights"),
        ('[heights]\nuse = "outline"', "z-zero"),
        ('[[inputs.heights]]\nfile = "none.tif"', "no-such-file"),
    ],
)
def test_heights_asked_for_and_not_there(tmp_path: Path, toml: str, code: str) -> None:
    ramp_site(tmp_path, lambda x, y: 0)
    with pytest.raises(DataError) as error:
        load_site(site_folder(tmp_path, toml))
    assert codes(error) == [code]


# ---------------------------------------------------------------- a whole site


def changed_site(sample_data: Path, folder: Path, old: str, new: str) -> Path:
    """A copy of Fennel Row with one line of its settings changed."""
    for file in (sample_data / "fennel_row").iterdir():
        (folder / file.name).write_bytes(file.read_bytes())
    text = (folder / "site.toml").read_text(encoding="utf-8")
    (folder / "site.toml").write_text(text.replace(old, new, 1), encoding="utf-8")
    return folder


LINE_KEY = 'line = "flex-2m"\n'


def test_a_site_laid_on_its_slope(sample_data: Path, tmp_path: Path) -> None:
    site = load_site(changed_site(sample_data, tmp_path, LINE_KEY, LINE_KEY + 'length_basis = "slope"\n'))
    plan = plan_runs(site)
    plain = load_site(sample_data / "fennel_row")
    ground = plan_runs(plain)
    np.testing.assert_array_equal(ground.lengths.slope_m, plan.lengths.slope_m)
    extra = plan.lengths.run_slope_m.sum() / plan.lengths.run_ground_m.sum() - 1
    assert 0.0005 < extra < 0.005
    result = takeoff(site, plan)
    assert result.stations.run_um.sum() / 1e6 == pytest.approx(plan.lengths.run_slope_m.sum(), abs=1e-4)
    flat = takeoff(plain, ground)
    assert flat.stations.run_um.sum() / 1e6 == pytest.approx(plan.lengths.run_ground_m.sum(), abs=1e-4)
    pieces = result.pieces
    assert (np.diff(pieces.from_um)[np.diff(pieces.run) == 0] > 0).all()
    written = write_plan(site, measure(site), plan, result, tmp_path / "out")
    data = json.loads(written.summary_text)
    assert (data["site"]["length_basis"], data["site"]["laid_length"]) == ("slope", "slope")
    assert data["heights"]["steepest"]["grade_percent"] == pytest.approx(9.8, abs=0.5)
    leg = data["runs"][0]["legs"][0]
    assert leg["slope_m"] == pytest.approx(float(plan.lengths.slope_m[0]), abs=1e-6)
    assert b"length on the slope" in (tmp_path / "out" / "map.html").read_bytes()


def test_a_site_that_steps_down_its_slope(sample_data: Path, tmp_path: Path) -> None:
    folder = changed_site(sample_data, tmp_path, LINE_KEY, LINE_KEY + 'slope_by = "step"\n')
    text = (folder / "site.toml").read_text(encoding="utf-8")
    (folder / "site.toml").write_text(text + '\n[heights]\nstep = "120 mm"\n', encoding="utf-8")
    site = load_site(folder)
    plan = plan_runs(site)
    result = takeoff(site, plan)
    assert result.steps is not None
    within = result.steps.rise_m[~result.steps.too_high]
    assert np.abs(within).max() <= 0.12 + 1e-9
    assert result.stations.run_um.sum() / 1e6 == pytest.approx(plan.lengths.run_ground_m.sum(), abs=1e-4)
    written = write_plan(site, measure(site), plan, result, tmp_path / "out")
    data = json.loads(written.summary_text)
    assert len(data["steps"]) == len(result.steps)
    assert data["heights"]["greatest_step_m"] == 0.12
    said = [f["code"] for f in data["findings"]]
    assert "steps" in said
    assert ("step-too-high" in said) == bool(result.steps.too_high.any())
    import pyogrio

    table = pyogrio.read_dataframe(tmp_path / "out" / "plan.gpkg", layer="steps")
    assert len(table) == len(result.steps)
    np.testing.assert_allclose(table.rise_m, result.steps.rise_m, atol=1e-9)
