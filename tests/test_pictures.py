"""Pictures from above: what they are, whether they cover the beds, and the copy for the map."""

from __future__ import annotations

import json
import math
import subprocess
import sys
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import rasterio
import shapely
from geographiclib.geodesic import Geodesic
from numpy.typing import NDArray
from pyproj import Transformer
from rasterio import Affine
from rasterio.control import GroundControlPoint
from rasterio.enums import ColorInterp
from rasterio.io import MemoryFile

from siteplan.errors import DataError, UsageError
from siteplan.frame import Frame, make_frame
from siteplan.model import Shapes
from siteplan.pictures import Picture, PictureSource, Underlay, check_pictures, underlay
from siteplan.plans import plan_runs
from siteplan.publish.webmap import MapPicture, map_page
from siteplan.publish.write import write_plan
from siteplan.rasters import from_cells
from siteplan.sites import load_site, measure
from siteplan.takeoffs import takeoff

from .browser import DESKTOP, visit
from .make_features import features
from .make_map import demo_map
from .make_sites import ORIGIN, lonlat_of, rectangle

if TYPE_CHECKING:
    from playwright.sync_api import Browser

UTM = "EPSG:32615"
EAST, NORTH = Transformer.from_crs("EPSG:4326", UTM, always_xy=True).transform(*ORIGIN)
Site = tuple[Frame, Shapes]


def site(*rings: Any, grid: str = "local") -> Site:
    """Beds given in metres from the tests' invented place."""
    beds = features([shapely.Polygon(lonlat_of(r)) for r in rings], "EPSG:4326")
    frame, _ = make_frame(beds, grid=grid)
    return frame, frame.shapes(beds)


@pytest.fixture(scope="module")
def two() -> Site:
    """One bed near the place, one 60 m east of it."""
    return site(rectangle(10, 6, at=(5, 5)), rectangle(8, 5, at=(65, 5)))


def picture(
    path: Path, cells: NDArray[Any], transform: Affine | None = None, *, crs: str | None = UTM, **more: Any
) -> Path:
    """A GeoTIFF; by default pixels of half a metre, north up, 20 m round the place."""
    if transform is None:
        transform = Affine(0.5, 0, EAST - 20, 0, -0.5, NORTH + 40)
    cells = cells[None] if cells.ndim == 2 else cells
    colours = more.pop("colours", None)
    palette = more.pop("palette", None)
    count, rows, columns = cells.shape
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)
        with rasterio.open(
            path, "w", driver=more.pop("driver", "GTiff"), width=columns, height=rows, count=count,
            dtype=cells.dtype, crs=crs, transform=transform, **more,
        ) as file:  # fmt: skip
            if colours:
                file.colorinterp = colours
            if palette:
                file.write_colormap(1, palette)
            file.write(cells)
    return path


def looked(path: Path, at: Site, **more: Any) -> Picture:
    said = {k: more.pop(k) for k in ("crs", "bands", "traced") if k in more}
    return check_pictures([PictureSource(path, **said)], *at, **more).pictures[0]


def decoded(found: Underlay) -> NDArray[np.uint8]:
    """(bands, rows, columns) of the map's copy, read by the raster library."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)
        with MemoryFile(found.data) as memory, memory.open() as file:
            return np.asarray(file.read())


def grey(rows: int = 120, columns: int = 220, value: int = 90) -> NDArray[np.uint8]:
    return np.full((3, rows, columns), value, np.uint8)


def codes(error: pytest.ExceptionInfo[DataError]) -> list[str]:
    return [f.code for f in error.value.faults]


# ---------------------------------------------------------------- facts


@pytest.mark.parametrize(
    ("name", "across", "down", "square", "bands", "dtype"),
    [
        # pixel sizes of the shared folder's own table; scale of the grids taken off below
        ("residential_ortho_015m.tif", 0.14982, 0.15000, False, 3, "uint8"),
        ("osbs_029.tif", 0.1, 0.1, True, 3, "uint8"),
        ("atlanta_pan_050m.tif", 0.5, 0.5, True, 1, "uint16"),
        ("rotterdam_ms_100cm_float64.tif", 1.00005, 1.00005, True, 4, "float64"),
    ],
)
def test_real_pictures(
    shared_data: Path, name: str, across: float, down: float, square: bool, bands: int, dtype: str
) -> None:
    """Ground sample distances against geodesics between pixels (geographiclib); coverage; the copy."""
    path = shared_data / name
    with rasterio.open(path) as file:
        transform, crs, size = file.transform, file.crs.to_wkt(), (file.width, file.height)
    w, h = size
    rings = [
        [(0.3, 0.3), (0.3, 0.5), (0.5, 0.5), (0.5, 0.3)],
        [(0.9, 0.5), (0.9, 0.7), (1.1, 0.7), (1.1, 0.5)],
    ]
    cells = [np.array(r) * (w, h) for r in rings]
    beds = features([shapely.Polygon(from_cells(transform, c)) for c in cells], crs)
    frame, _ = make_frame(beds, grid="local")
    found = check_pictures([PictureSource(path)], frame, frame.shapes(beds))
    one = found.pictures[0]
    assert (one.size, one.count, one.dtype, one.square) == (size, bands, dtype, square)
    assert one.covered.tolist() == [True, False]
    lonlat = frame.lonlat(
        frame.ground_xy(from_cells(transform, np.array([(w / 2, h / 2), (w / 2 + 50, h / 2)])), crs)
    )
    want = Geodesic.WGS84.Inverse(*lonlat[0][::-1], *lonlat[1][::-1])["s12"] / 50
    assert one.gsd_m[0] == pytest.approx(want, rel=2e-5)
    # a grid's scale is within 1 in 1000 of the ground's
    assert one.gsd_m == pytest.approx((across, down), rel=1e-3)
    assert one.said_m == pytest.approx((across, down), rel=1e-4)
    np.testing.assert_allclose(found.outline_sigma_m, [2 * one.mean_gsd_m, np.nan])
    copy = underlay(one, frame, frame.shapes(beds))
    shown = decoded(copy)
    assert shown.shape[1:] == copy.size[::-1]
    assert shown[:3].std() > 15  # there is something to see in it


def test_the_web_maps_pixels_are_not_what_they_are_said_to_be(tmp_path: Path, two: Site) -> None:
    """One metre of EPSG:3857 at 41.6 N is 0.749 m across: geodesic with geographiclib."""
    x, y = Transformer.from_crs("EPSG:4326", "EPSG:3857", always_xy=True).transform(*ORIGIN)
    path = picture(tmp_path / "web.tif", grey(), Affine(1, 0, x - 30, 0, -1, y + 60), crs="EPSG:3857")
    found = looked(path, two)
    back = Transformer.from_crs("EPSG:3857", "EPSG:4326", always_xy=True)
    (lon0, lon1), (lat0, lat1) = back.transform([x, x + 100], [y, y])
    across = Geodesic.WGS84.Inverse(lat0, lon0, lat1, lon1)["s12"] / 100
    assert found.said_m == (1.0, 1.0)
    assert found.gsd_m[0] == pytest.approx(across, rel=2e-5)
    assert found.gsd_m[0] == pytest.approx(0.7489, abs=1e-4)
    assert found.gsd_m[1] < found.gsd_m[0]  # along the meridian the ellipsoid is rounder
    assert "Its CRS calls a pixel 1.0000 m; EPSG:3857 is no measure of ground" in found.describe()


def test_turned_and_sheared(tmp_path: Path) -> None:
    """Rows turned 30 degrees, columns 8 degrees from square to them, pixels of 0.4 by 0.3 m."""
    at = site(rectangle(10, 6, at=(5, 5)))
    turn, shear = np.radians(30), np.radians(30 - 90 - 8)
    across, down = 0.4 * np.exp(1j * turn), 0.3 * np.exp(1j * shear)
    transform = Affine(across.real, down.real, EAST - 30, across.imag, down.imag, NORTH + 20)
    found = looked(picture(tmp_path / "t.tif", grey(400, 400), transform), at)
    # the zone's grid north lies 0.6 degrees of longitude x sin(latitude) off true north here
    assert found.turned_deg == pytest.approx(30 + 0.6 * np.sin(np.radians(ORIGIN[1])), abs=0.01)
    assert abs(found.sheared_deg) == pytest.approx(8, abs=0.01)
    assert found.gsd_m == pytest.approx((0.4, 0.3), rel=1e-3)
    assert not found.square
    assert "turned +30.40 degrees" in found.describe()
    assert "sheared by" in found.describe()


def test_what_covers_which_bed(tmp_path: Path, two: Site) -> None:
    half = picture(tmp_path / "half.tif", grey(columns=100), nodata=0)
    found = check_pictures([PictureSource(half)], *two)
    assert found.pictures[0].covered.tolist() == [True, False]
    told = [f.text for f in found.findings if f.code == "picture-misses-beds"]
    assert told == ["half.tif does not cover 1 of 2 beds: bed 2."]
    blank = grey()
    blank[:, :, :80] = 0
    found = check_pictures([PictureSource(picture(tmp_path / "b.tif", blank, nodata=0))], *two)
    assert found.pictures[0].covered.tolist() == [False, True]


def test_the_finest_picture_says_how_good_an_outline_is(tmp_path: Path, two: Site) -> None:
    """2 pixels unless stated otherwise, in ground metres; none for beds no traced picture shows."""
    wide = PictureSource(picture(tmp_path / "wide.tif", grey()))
    fine = Affine(0.1, 0, EAST - 2, 0, -0.1, NORTH + 20)
    near = PictureSource(picture(tmp_path / "near.tif", grey(220, 220), fine))
    found = check_pictures([wide, near], *two)
    assert found.of_bed.tolist() == [1, 0]
    np.testing.assert_allclose(found.outline_sigma_m, [0.2, 1.0], rtol=1e-3)
    assert [f.code for f in found.findings].count("tracing-error") == 2
    assert "an assumption until you state yours" in " ".join(f.text for f in found.findings)
    stated = check_pictures([wide, near], *two, tracing_error_m=0.15)
    np.testing.assert_allclose(stated.outline_sigma_m, 0.15)
    untraced = PictureSource(near.path, traced=False)
    found = check_pictures([untraced], *two)
    assert np.isnan(found.outline_sigma_m).all()
    assert found.of_bed.tolist() == [-1, -1]


def test_a_world_file_and_a_declared_crs(tmp_path: Path, two: Site) -> None:
    """A PNG with its .pgw: half-metre pixels, the world file names the middle of the first pixel."""
    path = tmp_path / "air.png"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)
        picture(path, grey(), Affine.identity(), crs=None, driver="PNG")
    for aux in tmp_path.glob("*.aux.xml"):
        aux.unlink()
    (tmp_path / "air.pgw").write_text(f"0.5\n0\n0\n-0.5\n{EAST - 19.75}\n{NORTH + 39.75}\n")
    found = looked(path, two, crs=UTM)
    assert found.crs_declared
    assert found.gsd_m == pytest.approx((0.5, 0.5), rel=1e-3)
    assert found.covered.tolist() == [True, True]
    same = looked(picture(tmp_path / "same.tif", grey()), two)
    one, other = (underlay(p, *two) for p in (found, same))
    assert (one.west, one.north) == pytest.approx((other.west, other.north), abs=1e-10)


def test_pictures_that_cannot_be_used_are_told_together(tmp_path: Path, two: Site) -> None:
    names = {
        "bare.tif": {"transform": Affine.identity(), "crs": None},
        "nocrs.tif": {"crs": None},
        "far.tif": {"transform": Affine(0.5, 0, EAST - 9000, 0, -0.5, NORTH)},
    }
    sources = [PictureSource(picture(tmp_path / n, grey(9, 9), **more)) for n, more in names.items()]
    gcps = [GroundControlPoint(r, c, EAST + c, NORTH - r) for r, c in ((0, 0), (0, 9), (9, 0))]
    gcp = picture(tmp_path / "gcp.tif", grey(9, 9), Affine.identity(), gcps=gcps)
    text = tmp_path / "text.tif"
    text.write_text("no picture")
    good = picture(tmp_path / "good.tif", grey())
    sources += [
        PictureSource(gcp),
        PictureSource(text),
        PictureSource(tmp_path / "none.tif"),
        PictureSource(good, bands=(1, 2, 9)),
        PictureSource(good, crs="EPSG:32616"),
    ]
    with pytest.raises(DataError) as error:
        check_pictures(sources, *two)
    assert codes(error) == [
        "no-georeference", "no-crs", "picture-elsewhere", "no-georeference", "not-a-raster",
        "no-such-file", "which-band", "crs-conflict",
    ]  # fmt: skip
    texts = " ".join(f.text for f in error.value.faults)
    assert "put a world file beside it and name the CRS" in texts
    assert "Rectify it first" in texts


# ---------------------------------------------------------------- the copy for the map


@pytest.mark.parametrize("crs", [UTM, "EPSG:26915", "EPSG:3857", "EPSG:4326", "EPSG:3418"])
def test_the_copy_lies_where_the_picture_does(tmp_path: Path, two: Site, crs: str) -> None:
    """White squares at known places, in pictures of five CRSs, are found on the map's copy within a
    pixel: the copy's pixels are even in EPSG:3857, as the map page lays them."""
    frame, beds = two
    marks = np.array([[12.0, 9.0], [40.0, 20.0], [70.0, -10.0]])
    lonlat = lonlat_of(marks)
    place = np.column_stack(Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(*lonlat.T))
    step = {"EPSG:4326": 2e-6, "EPSG:3418": 0.7}.get(crs, 0.2)
    low, high = place.min(axis=0) - 150 * step, place.max(axis=0) + 150 * step
    columns, rows = (math.ceil(v) for v in (high - low) / step)
    transform = Affine(step, 0, low[0], 0, -step, low[1] + rows * step)
    cells = grey(rows, columns, 40)
    column, row = (place[:, 0] - low[0]) / step, (low[1] + rows * step - place[:, 1]) / step
    for c, r in zip(np.rint(column).astype(int), np.rint(row).astype(int), strict=True):
        cells[:, r - 3 : r + 3, c - 3 : c + 3] = 255
    found = underlay(looked(picture(tmp_path / "m.tif", cells, transform, crs=crs), two), frame, beds)
    image = decoded(found)[0].astype(float)
    web = Transformer.from_crs("EPSG:4326", "EPSG:3857", always_xy=True)
    (left, right), (bottom, top) = web.transform([found.west, found.east], [found.south, found.north])
    x, y = web.transform(*lonlat.T)
    for px, py in zip(
        (np.asarray(x) - left) / (right - left) * found.size[0],
        (top - np.asarray(y)) / (top - bottom) * found.size[1],
        strict=True,
    ):
        c, r = round(px), round(py)
        around = np.clip(image[r - 9 : r + 9, c - 9 : c + 9] - 140, 0, None)
        assert around.sum() > 0
        rr, cc = np.mgrid[r - 9 : r + 9, c - 9 : c + 9] + 0.5
        assert (around * cc).sum() / around.sum() == pytest.approx(px, abs=0.8)
        assert (around * rr).sum() / around.sum() == pytest.approx(py, abs=0.8)


def test_the_copy_is_cut_to_the_beds_and_to_size(tmp_path: Path, two: Site) -> None:
    frame, beds = two
    path = picture(tmp_path / "wide.tif", grey(2400, 2400), Affine(0.2, 0, EAST - 240, 0, -0.2, NORTH + 240))
    look = looked(path, two)
    whole = underlay(look, frame, beds)
    # beds span 68 x 6 m, and 25 m are shown round them
    assert whole.size == pytest.approx((118 / 0.2, 56 / 0.2), rel=0.02)
    assert whole.pixel_m == pytest.approx(0.2, rel=0.01)
    small = underlay(look, frame, beds, longest_px=100)
    assert max(small.size) == 100
    assert small.pixel_m == pytest.approx(1.18, rel=0.02)
    assert (small.west, small.north) == pytest.approx((whole.west, whole.north), abs=1e-12)
    assert underlay(look, frame, beds).data == whole.data


def test_sixteen_bits_and_decimals_are_stretched_between_percentiles(tmp_path: Path, two: Site) -> None:
    rng = np.random.default_rng(1)
    cells = rng.gamma(2.0, 400, (120, 220)).astype(np.uint16)
    cells[:40, :40] = 65535
    cells[:5] = 0
    found = looked(picture(tmp_path / "u16.tif", cells, nodata=0), two, stretch=(5.0, 90.0))
    assert found.stretch[0] == pytest.approx(tuple(np.percentile(cells[cells > 0], (5, 90))))
    image = decoded(underlay(found, *two))
    assert image[0].min() < 10
    assert image[0].max() > 245
    decimals = np.where(cells > 0, cells / 7.0, np.nan)
    found = looked(picture(tmp_path / "f.tif", np.stack([decimals] * 4)), two)
    assert found.shown == (1, 2, 3)
    assert found.stretch[0] == pytest.approx(tuple(np.percentile(decimals[cells > 0], (2, 98))))
    assert "Shown: bands 1, 2, 3." in found.describe()
    assert looked(found.path, two, bands=(4,)).shown == (4,)


def test_colours_alpha_and_palettes(tmp_path: Path, two: Site) -> None:
    colours = np.stack([np.full((120, 220), v, np.uint8) for v in (20, 200, 90, 255)])
    colours[3, :, :80] = 0
    order = [ColorInterp.blue, ColorInterp.green, ColorInterp.red, ColorInterp.alpha]
    found = looked(picture(tmp_path / "bgra.tif", colours, colours=order), two)
    assert found.shown == (3, 2, 1)
    assert found.covered.tolist() == [False, True]
    image = decoded(underlay(found, *two))
    middle = image[:, image.shape[1] // 2, image.shape[2] * 3 // 4]
    assert np.abs(middle.astype(int) - (90, 200, 20, 255)).max() <= 4
    assert image[3, image.shape[1] // 2, 2] == 0
    index = np.ones((120, 220), np.uint8)
    found = looked(
        picture(tmp_path / "p.tif", index, palette={0: (0, 0, 0, 255), 1: (240, 30, 60, 255)}), two
    )
    assert found.palette
    image = decoded(underlay(found, *two))
    middle = image[:3, image.shape[1] // 2, image.shape[2] // 2]
    assert np.abs(middle.astype(int) - (240, 30, 60)).max() <= 6


HUGE = """
import resource, sys
from pathlib import Path
import numpy as np, rasterio
from rasterio import Affine
from siteplan.pictures import PictureSource, check_pictures, underlay
from tests.test_pictures import EAST, NORTH, UTM, site
from tests.make_sites import rectangle
at = site(rectangle(1900, 1900, at=(10, 10)))
path = Path(sys.argv[1])
side = 20_000
with rasterio.open(path, "w", driver="GTiff", width=side, height=side, count=3, dtype="uint8", crs=UTM,
                   transform=Affine(0.1, 0, EAST - 20, 0, -0.1, NORTH + 1980), tiled=True, blockxsize=512,
                   blockysize=512, compress="deflate", SPARSE_OK="TRUE", photometric="rgb") as file:
    tile = np.full((3, 512, 512), 200, np.uint8)
    for k in range(2, 37, 2):
        file.write(tile, window=rasterio.windows.Window(k * 512, k * 512, 512, 512))
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
found = check_pictures([PictureSource(path)], *at)
copy = underlay(found.pictures[0], *at)
grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
print(found.pictures[0].covered.all(), *copy.size, grown // 1024)
"""


@pytest.mark.slow
def test_a_picture_of_20_000_pixels_a_side_is_not_read_whole(tmp_path: Path) -> None:
    """1.2 GB as an array; the copy of 4,096 pixels takes less than 400 MB (50 MB are its own pixels)."""
    root = Path(__file__).resolve().parent.parent
    done = subprocess.run(
        [sys.executable, "-c", HUGE, str(tmp_path / "huge.tif")],
        capture_output=True, text=True, check=True, cwd=root,
    )  # fmt: skip
    covered, columns, rows, megabytes = done.stdout.split()
    assert covered == "True"
    assert max(int(columns), int(rows)) == 4096
    assert int(megabytes) < 400


# ---------------------------------------------------------------- on the map


def fennel(sample_data: Path, folder: Path, value: int = 60) -> Path:
    """Fennel Row with a drawn picture under it."""
    for file in (sample_data / "fennel_row").iterdir():
        (folder / file.name).write_bytes(file.read_bytes())
    place = load_site(folder)
    grid = place.frame.grid(place.bed_shapes.xy)
    west, north = float(grid[:, 0].min()) - 30, float(grid[:, 1].max()) + 30
    rows, columns = 620, 740
    checks = np.indices((rows, columns)).sum(axis=0) // 60 % 2 * 120
    cells = np.stack([checks + value, checks + value // 2, checks + value // 3]).astype(np.uint8)
    with rasterio.open(
        folder / "air.tif", "w", driver="GTiff", width=columns, height=rows, count=3, dtype="uint8",
        crs=place.frame.crs_wkt, transform=Affine(0.5, 0, west, 0, -0.5, north), photometric="rgb",
    ) as file:  # fmt: skip
        file.write(cells)
    text = (folder / "site.toml").read_text(encoding="utf-8")
    (folder / "site.toml").write_text(
        text.replace("[grid]", '[[inputs.pictures]]\nfile = "air.tif"\n\n[grid]', 1), encoding="utf-8"
    )
    return folder


@pytest.fixture(scope="module")
def with_picture(sample_data: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = fennel(sample_data, tmp_path_factory.mktemp("fennel"))
    place = load_site(folder)
    plan = plan_runs(place)
    write_plan(place, measure(place), plan, takeoff(place, plan), folder / "out")
    return folder / "out"


def test_a_picture_in_the_outputs(with_picture: Path) -> None:
    data = json.loads((with_picture / "summary.json").read_text(encoding="utf-8"))
    assert data["pictures"][0]["file"] == "air.tif"
    assert data["pictures"][0]["beds_covered"] == 71
    sigmas = {bed["outline_sigma_m"] for bed in data["beds"]}
    assert len(sigmas) == 1
    assert sigmas.pop() == pytest.approx(1.0, rel=1e-3)
    import pyogrio

    table = pyogrio.read_dataframe(with_picture / "plan.gpkg", layer="beds", read_geometry=False)
    np.testing.assert_allclose(table.outline_sigma_m, 1.0, rtol=1e-3)
    assert b"data:image/webp;base64," in (with_picture / "map.html").read_bytes()


@pytest.mark.browser
def test_the_picture_is_a_layer_of_the_map(with_picture: Path, browser: Browser) -> None:
    """It shows, lies under everything, is switched off and on, and nothing is asked of the network."""
    seen = visit(browser, with_picture / "map.html", DESKTOP)
    page = seen.page
    assert page.locator("img.picture").count() == 1
    box = page.locator("img.picture").evaluate(
        "i => [i.complete, i.naturalWidth, i.closest('.leaflet-pane').style.zIndex]"
    )
    assert box[0]
    assert box[1] > 500
    assert box[2] == "250"
    switch = page.locator("input[data-layer=picture]")
    assert page.locator("label:has(input[data-layer=picture])").inner_text().strip() == "Aerial picture"
    switch.uncheck()
    assert page.locator("img.picture").count() == 0
    switch.check()
    assert page.locator("img.picture").count() == 1
    assert not seen.outside
    assert not seen.said


def test_a_plan_without_a_picture_has_no_switch_for_one() -> None:
    page = map_page(demo_map()).decode("utf-8")
    assert '"picture":null' in page
    assert "data:image/webp" not in page


@pytest.mark.parametrize(
    "bad",
    [
        MapPicture(b"x", "text/html", (1.0, 2.0, 3.0, 4.0), ""),
        MapPicture(b"x", "image/webp", (3.0, 2.0, 1.0, 4.0), ""),
        MapPicture(b"x", "image/webp", (1.0, 2.0, float("nan"), 4.0), ""),
    ],
)
def test_a_picture_the_map_cannot_show_is_refused(bad: MapPicture) -> None:
    from dataclasses import replace

    with pytest.raises(UsageError, match="cannot be shown"):
        map_page(replace(demo_map(), picture=bad))
