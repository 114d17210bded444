"""Drawings from the page: the CRS each role is kept in, and heights through splits and merges."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import pytest
import shapely

from siteplan import geodesy
from siteplan.desk.figures import filled, merged_parts, split_parts
from siteplan.record import PutFeature
from siteplan.sites import load_site

from .desk_sites import desk, put, rectangle, ring, two_beds, write_site
from .make_sites import lonlat_of

GRID = "EPSG:26915"


def mixed(folder: Path) -> Path:
    """Beds in degrees, a wall in a grid."""
    two_beds(folder)
    wall = geodesy.project(GRID, lonlat_of([(38, 9.9), (50, 9.9)]))
    pyogrio.raw.write(
        folder / "walls.gpkg",
        shapely.to_wkb(np.array([shapely.LineString(wall)], dtype=object)),
        [np.array(["W1"], dtype=object)],
        ["id"],
        geometry_type="LineString",
        crs=GRID,
        driver="GPKG",
    )
    text = (
        (folder / "site.toml")
        .read_text(encoding="utf-8")
        .replace("[[inputs", '[inputs]\nmixed_crs = "transform"\n[[inputs', 1)
    )
    (folder / "site.toml").write_text(text + '[[inputs.abutments]]\nfile = "walls.gpkg"\n', encoding="utf-8")
    return folder


def test_a_wall_kept_in_another_crs_is_stored_in_it(tmp_path: Path) -> None:
    folder = mixed(tmp_path / "s")
    with desk(folder) as made:
        before = made.session.state.content.features["abutments"].coords.copy()
        assert before[0, 0] > 1e5
        wall = made.feature("W1", "abutments")
        wall["rings"][0][1] = ring([(52, 9.9)])[0]
        made.edit(put(wall))
        new: dict[str, Any] = {"op": "put", "role": "abutments", "id": None, "name": "wall", "kinds": [2]}
        made.edit({**new, "rings": [ring([(-0.1, 0), (-0.1, 5)])]})
        coords = made.session.state.content.features["abutments"].coords
        np.testing.assert_array_equal(coords[0], before[0])
        expected = geodesy.project(GRID, lonlat_of([(52, 9.9), (-0.1, 0), (-0.1, 5)]))
        np.testing.assert_allclose(coords[1:], expected, atol=1e-4)
        shown = made.feature("W2", "abutments")["rings"][0]
        np.testing.assert_allclose(shown, ring([(-0.1, 0), (-0.1, 5)]), atol=2e-10)
    np.testing.assert_array_equal(load_site(folder).abutments.coords, coords)


# ---------------------------------------------------------------- heights


def tilted(xy: Any) -> np.ndarray:
    """Places on a plane that rises to the east and falls to the north."""
    xy = np.asarray(xy, dtype=float)
    return np.column_stack([xy, 100 + 0.1 * xy[:, 0] - 0.02 * xy[:, 1]])


def test_parts_of_a_split_outline_keep_its_heights() -> None:
    bed = PutFeature("beds", "B", "B", [tilted(rectangle(10, 4)), tilted(rectangle(1, 1, at=(1, 1)))], [0, 1])
    parts = split_parts(bed, shapely.LineString([(6, -1), (6, 2), (7, 3), (7, 9)]))
    assert [kinds for _, kinds in parts] == [[0, 1], [0]]
    for rings, _ in parts:
        for made in rings:
            on_rim = (np.isin(made[:, 1], (0, 4)) | np.isin(made[:, 0], (0, 10))) | (made[:, 0] < 3)
            np.testing.assert_allclose(made[on_rim], tilted(made[on_rim, :2]), atol=1e-12)
            assert np.isfinite(made).all()
    (cut,) = (rings[0][rings[0][:, 0] == 6] for rings, kinds in parts if len(kinds) == 1)
    # the bend of the line lies within, between the heights either side on the way
    assert cut[:, 2].min() > tilted([(6, 4)])[0, 2] - 1e-9
    assert cut[:, 2].max() < tilted([(7, 0)])[0, 2]


def test_a_split_line_has_the_height_where_it_was_cut() -> None:
    given = PutFeature("beds", "L", "L", [np.array([(0, 0, 5.0), (10, 0, 7.0)])], [2])
    parts = split_parts(given, shapely.LineString([(4, -1), (4, 1)]))
    assert [rings[0].tolist() for rings, _ in parts] == [
        [[0, 0, 5.0], [4, 0, 5.8]],
        [[4, 0, 5.8], [10, 0, 7.0]],
    ]


def test_merged_outlines_keep_their_heights() -> None:
    one = PutFeature("beds", "A", "A", [tilted(rectangle(5, 4))], [0])
    two = PutFeature("beds", "B", "B", [tilted(rectangle(5, 2, at=(4, 1)))], [0])
    rings, kinds = merged_parts([one, two])
    assert kinds == [0]
    assert len(rings[0]) == 8
    np.testing.assert_allclose(rings[0], tilted(rings[0][:, :2]), atol=1e-12)
    flat = PutFeature("beds", "B", "B", [rectangle(5, 2, at=(4, 1))], [0])
    assert np.isfinite(merged_parts([one, flat])[0][0]).all()
    assert merged_parts([flat, flat])[0][0].shape[1] == 2


def test_heights_between_neighbours_go_round_a_closed_ring() -> None:
    square = rectangle(1, 1)
    z = np.array([np.nan, 2.0, np.nan, 4.0])
    np.testing.assert_allclose(filled(square, z, closed=True), [3, 2, 3, 4])
    np.testing.assert_allclose(filled(square, z, closed=False), [2, 2, 3, 4])


@pytest.mark.parametrize("op", ["split", "merge"])
def test_heights_of_the_record_stay_through_the_desk(tmp_path: Path, op: str) -> None:
    folder = write_site(tmp_path / "s", {"A": high(rectangle(8, 5)), "B": high(rectangle(6, 5, at=(8, 0)))})
    with desk(folder) as made:
        before = made.session.state.content.features["beds"]
        known = dict(zip(map(tuple, before.coords.tolist()), before.z.tolist(), strict=True))
        if op == "split":
            made.edit({"op": "split", "role": "beds", "id": "A", "line": ring([(4, -1), (4, 9)])})
        else:
            made.edit({"op": "merge", "role": "beds", "ids": ["A", "B"]})
        after = made.session.state.content.features["beds"]
        assert np.isfinite(after.z).all()
        now = dict(zip(map(tuple, after.coords.tolist()), after.z.tolist(), strict=True))
        kept = known.keys() & now.keys()
        assert len(kept) >= 6
        assert all(now[at] == known[at] for at in kept)


def high(outline: Any) -> dict[str, Any]:
    """An outline on the tilted plane."""
    lonlat = lonlat_of(outline).tolist()
    made = [[*at, z] for at, z in zip(lonlat, tilted(outline)[:, 2].tolist(), strict=True)]
    return {"type": "Polygon", "coordinates": [[*made, made[0]]]}
