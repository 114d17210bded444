"""Tiles of pictures: in the right place, from a small part of the file, whatever its size."""

from __future__ import annotations

import io
import math
import time
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from PIL import Image
from rasterio import Affine

from siteplan import geodesy
from siteplan.desk.tiles import tile_bounds
from siteplan.pictures import webp
from siteplan.sites import load_site

from .desk_sites import Desk, desk, put, rectangle, ring, two_beds
from .make_sites import lonlat_of

GRID = "EPSG:26915"


def write_picture(path: Path, pixels: np.ndarray, *, gsd: float = 0.1, **profile: Any) -> Path:
    """A picture whose middle is the middle of the tests' beds, in UTM."""
    middle = geodesy.project(GRID, lonlat_of([(20, 7)]))[0]
    _, rows, columns = pixels.shape
    transform = Affine(gsd, 0, middle[0] - columns / 2 * gsd, 0, -gsd, middle[1] + rows / 2 * gsd)
    with rasterio.open(
        path, "w", driver="GTiff", width=columns, height=rows, count=len(pixels), dtype="uint8",
        crs=GRID, transform=transform, **profile,
    ) as out:  # fmt: skip
        out.write(pixels)
    return path


PICTURE = '[[inputs.pictures]]\nfile = "aerial.tif"\n'


def quarters(size: int) -> np.ndarray:
    """Red north-west, green north-east, blue south-west, white south-east."""
    made = np.zeros((3, size, size), dtype=np.uint8)
    half = size // 2
    for colour, rows, columns in (
        ((255, 0, 0), slice(0, half), slice(0, half)),
        ((0, 255, 0), slice(0, half), slice(half, size)),
        ((0, 0, 255), slice(half, size), slice(0, half)),
        ((255, 255, 255), slice(half, size), slice(half, size)),
    ):
        made[:, rows, columns] = np.array(colour, dtype=np.uint8)[:, None, None]
    return made


@pytest.fixture(scope="module")
def pictured(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    folder = two_beds(tmp_path_factory.mktemp("tiles") / "site", more=PICTURE)
    write_picture(folder / "aerial.tif", quarters(1000))
    with desk(folder) as made:
        yield made


def tile_at(lonlat: Any, zoom: int) -> tuple[int, int, float, float]:
    """Tile that holds a place, and the place's pixel in it."""
    lon, lat = lonlat
    across = (lon + 180) / 360 * 2**zoom
    down = (1 - math.asinh(math.tan(math.radians(lat))) / math.pi) / 2 * 2**zoom
    return int(across), int(down), (across % 1) * 256, (down % 1) * 256


def tiles(made: Desk) -> str:
    """Where the tiles of the first picture are."""
    return f"/tiles/{made.get('/api/site')['pictures'][0]['id']}"


def colour(made: Desk, metres: tuple[float, float], zoom: int) -> tuple[int, ...] | None:
    x, y, column, row = tile_at(lonlat_of([metres])[0], zoom)
    answer = made.client.get(f"{tiles(made)}/{zoom}/{x}/{y}")
    if answer.status_code == 204:
        return None
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == "image/webp"
    image = Image.open(io.BytesIO(answer.content)).convert("RGBA")
    assert image.size == (256, 256)
    pixel = image.getpixel((int(column), int(row)))
    assert isinstance(pixel, tuple)
    return pixel


def test_the_picture_is_told(pictured: Desk) -> None:
    (row,) = pictured.get("/api/site")["pictures"]
    assert row["name"] == "aerial.tif"
    assert row["url"] == f"/tiles/{row['id']}/{{z}}/{{x}}/{{y}}"
    assert row["preparing"] is False
    west, south, east, north = row["bounds"]
    middle = lonlat_of([(20, 7)])[0]
    assert abs((west + east) / 2 - middle[0]) < 1e-6
    assert abs((south + north) / 2 - middle[1]) < 1e-6
    # 0.1 m at this latitude: a pixel of zoom 20 is 0.112 m, of zoom 21 0.056 m
    assert row["max_native_zoom"] in (20, 21)
    assert row["min_zoom"] < 18


@pytest.mark.parametrize("zoom", [17, 19, 21, 23])
def test_tiles_lie_where_the_ground_is(pictured: Desk, zoom: int) -> None:
    """Colours at places some metres from where four colours meet, through the whole chain of projections."""
    for metres, want in (
        ((10, 17), (255, 0, 0)),
        ((30, 17), (0, 255, 0)),
        ((10, -3), (0, 0, 255)),
        ((30, -3), (255, 255, 255)),
    ):
        got = colour(pictured, metres, zoom)
        assert got is not None
        assert got[3] == 255
        assert max(abs(a - b) for a, b in zip(got[:3], want, strict=True)) < 30, (metres, got)


def test_the_edge_of_two_colours_is_within_a_pixel(pictured: Desk) -> None:
    """Along a line across the middle the colour changes within 0.15 m of where the picture says."""
    changes = []
    steps = np.linspace(19.0, 21.0, 21)
    for x in steps:
        got = colour(pictured, (float(x), 12.0), 23)
        assert got is not None
        changes.append(got[0] > got[1])
    at = steps[int(np.argmin(changes))]
    # the picture is in UTM, whose north is turned here by -0.4 degrees: 5 m north of the middle that is 35 mm
    assert abs(at - 20.0) < 0.15


def test_beyond_the_picture_there_is_nothing(pictured: Desk) -> None:
    for path in (f"{tiles(pictured)}/{tile}" for tile in ("3/0/0", "20/0/0", "24/5/5", "20/9999999/0")):
        assert pictured.client.get(path).status_code == 204
    assert pictured.client.get("/tiles/7/1/0/0").status_code == 404
    west, south, east, north = tile_bounds(0, 0, 0)
    assert (west, south) == (-east, -north)
    assert abs(east - 20037508.342789244) < 1e-6  # EPSG:3857, half the equator of its sphere


def test_the_rim_is_see_through(pictured: Desk) -> None:
    row = pictured.get("/api/site")["pictures"][0]
    west, _, _, north = row["bounds"]
    x, y, column, line = tile_at((west, north), 20)
    image = Image.open(io.BytesIO(pictured.client.get(f"{tiles(pictured)}/20/{x}/{y}").content)).convert(
        "RGBA"
    )
    outside = image.getpixel((max(0, int(column) - 3), max(0, int(line) - 3)))
    assert isinstance(outside, tuple)
    assert outside[3] == 0


def test_how_well_a_bed_was_traced_follows_it(tmp_path: Path) -> None:
    """A bed dragged off the picture, and a new one on it, as a fresh start would judge them."""
    folder = two_beds(tmp_path / "site", more=PICTURE)
    write_picture(folder / "aerial.tif", quarters(1000))
    with desk(folder) as made:
        far = put(made.feature("B3"), rings=[ring(rectangle(7, 4, at=(140, 10)))])
        made.edit(far)
        made.edit(put(far, id=None, rings=[ring(rectangle(3, 3, at=(30, 20)))]))
        now = made.session.state.site.pictures
        fresh = load_site(folder).pictures
        assert now is not None
        assert fresh is not None
        np.testing.assert_array_equal(now.of_bed, fresh.of_bed)
        np.testing.assert_array_equal(now.outline_sigma_m, fresh.outline_sigma_m)
        assert np.isnan(now.outline_sigma_m).tolist() == [False, False, True, False]


def test_another_picture_has_tiles_of_its_own(tmp_path: Path) -> None:
    """A browser keeps tiles for an hour: one of another file must not be asked for under the same address."""
    folder = two_beds(tmp_path / "site", more=PICTURE)
    write_picture(folder / "aerial.tif", quarters(400))
    with desk(folder) as made:
        (before,) = made.get("/api/site")["pictures"]
        assert made.client.get(f"/tiles/{before['id']}/3/0/0").status_code == 204
    with desk(folder) as made:
        assert made.get("/api/site")["pictures"] == [before]
    write_picture(folder / "aerial.tif", 255 - quarters(400))
    with desk(folder) as made:
        (after,) = made.get("/api/site")["pictures"]
        assert after["url"] != before["url"]
        assert made.client.get(f"/tiles/{before['id']}/3/0/0").status_code == 404


def test_a_large_file_without_overviews_is_made_ready(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Its own file stays as it is; until the overviews are there, zoomed-out tiles are asked for again."""
    folder = two_beds(tmp_path / "site", more=PICTURE)
    small = np.kron(quarters(100), np.ones((1, 70, 70), dtype=np.uint8))
    path = write_picture(
        folder / "aerial.tif", small, gsd=0.02, tiled=True, blockxsize=256, blockysize=256, compress="deflate"
    )
    before = path.read_bytes()
    with desk(folder) as made:
        picture = made.session.tiles.pictures[0]
        x, y, _, _ = tile_at(lonlat_of([(20, 7)])[0], 18)
        assert made.client.get(f"{tiles(made)}/18/{x}/{y}").status_code in (200, 503)
        assert picture.ready.wait(60)
        assert "without overviews" not in caplog.text
        assert picture.stand_in is not None
        assert colour(made, (15, 12), 18) is not None
        got = colour(made, (30, 17), 19)
        assert got is None or got[1] > 200 > got[0]
        scratch = picture.stand_in.parent
        assert made.get("/api/site")["pictures"][0]["preparing"] is False
    assert path.read_bytes() == before
    assert [p.name for p in folder.iterdir() if "ovr" in p.name] == []
    assert not scratch.exists()


def test_a_tile_reads_a_small_part_of_a_huge_file(tmp_path: Path) -> None:
    """20,000 x 20,000 pixels, never read whole: a tile at native zoom takes as long as of a small file."""
    import resource

    folder = two_beds(tmp_path / "site", more=PICTURE)
    path = folder / "aerial.tif"
    middle = geodesy.project(GRID, lonlat_of([(20, 7)])[0:1])[0]
    size, gsd = 20_000, 0.05
    transform = Affine(gsd, 0, middle[0] - size / 2 * gsd, 0, -gsd, middle[1] + size / 2 * gsd)
    with rasterio.open(
        path, "w", driver="GTiff", width=size, height=size, count=3, dtype="uint8", crs=GRID,
        transform=transform, tiled=True, blockxsize=512, blockysize=512, compress="deflate", sparse_ok=True,
    ) as out:  # fmt: skip
        block = np.full((3, 1024, 1024), 120, dtype=np.uint8)
        out.write(block, window=rasterio.windows.Window(size // 2 - 512, size // 2 - 512, 1024, 1024))
        out.build_overviews([8, 32, 128], rasterio.enums.Resampling.nearest)
    with desk(folder) as made:
        assert made.session.tiles.pictures[0].ready.is_set()
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        begin = time.perf_counter()
        for zoom in (21, 20, 17, 15):
            assert colour(made, (20, 7), zoom) is not None
        took = time.perf_counter() - begin
        grown_mb = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
    # the file unpacked is 1,200 MB; the reader's cache is held to 128 MB
    assert grown_mb < 400
    assert took < 20


def test_a_tile_is_written_without_touching_what_belongs_to_all_threads(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Filters of warnings do: changed for a moment in one thread, they would not hold in another."""
    monkeypatch.setattr(warnings, "catch_warnings", None)
    colours = np.full((4, 64, 64), 255, dtype=np.uint8)
    assert Image.open(io.BytesIO(webp(colours, 80))).size == (64, 64)
