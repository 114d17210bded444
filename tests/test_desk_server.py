"""The answers of the desk: looking, trying, saving, undoing, drawing, tapes, downloads."""

from __future__ import annotations

import base64
import io
import math
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest

from siteplan import geodesy
from siteplan.desk.bare import _cut, _longest
from siteplan.desk.drawing import new_id, wire_places
from siteplan.desk.serve import NewSite, listening, site_folder
from siteplan.desk.state import changes_between
from siteplan.errors import UsageError
from siteplan.record import Record
from siteplan.sites import load_site
from siteplan.units import parse_length

from .desk_sites import HEADERS, Desk, desk, line, polygon, put, rectangle, ring, two_beds, write_site


@pytest.fixture
def three(tmp_path: Path) -> Iterator[Desk]:
    """Two beds that share an edge and one far away, afresh for each test."""
    with desk(two_beds(tmp_path / "site")) as made:
        yield made


def metres(text: str) -> float:
    return float(parse_length(text))


# ---------------------------------------------------------------- looking


def test_the_site_is_told(three: Desk) -> None:
    site = three.get("/api/site")
    assert site["name"] == "Test site"
    assert site["revision"] == 1
    assert site["beds_count"] == 3
    assert site["units"] == "m"
    assert site["who"] == "Ada"
    assert site["can_write"] is True
    assert site["line"]["key"] == "flex-2m"
    assert {"key", "name"} <= set(site["lines"][0])
    west, south, east, north = site["bounds"]
    assert -93.6001 < west < east < -93.59
    assert 41.5999 < south < north < 41.601
    assert site["tile_sources"] == []
    assert three.get("/api/head") == {"revision": 1, "etag": site["etag"]}


def test_features_in_view(three: Desk) -> None:
    every = three.get("/api/features")["features"]
    assert [f["id"] for f in every] == ["B1", "B2", "B3"]
    assert every[0]["kind"] == "polygon"
    assert every[0]["kinds"] == [0]
    assert len(every[0]["rings"][0]) == 4  # not closed
    (lon, lat) = every[2]["rings"][0][0]
    near = three.get(f"/api/features?bbox={lon - 1e-5},{lat - 1e-5},{lon + 1e-5},{lat + 1e-5}")
    assert [f["id"] for f in near["features"]] == ["B3"]


def unpacked(text: str, kind: str) -> np.ndarray:
    return np.frombuffer(base64.b64decode(text), dtype=kind)


def test_the_plan_lies_where_the_pieces_are(three: Desk) -> None:
    answer = three.get("/api/plan?zoom=21")
    part = three.session.state.shown[0].view.part
    pieces = answer["pieces"]
    assert pieces["count"] == len(part.result.pieces) == len(pieces["id"])
    offsets = unpacked(pieces["offsets"], "<u4")
    corners = unpacked(pieces["ring"], "<i4").reshape(-1, 2) * pieces["scale"] + pieces["base"]
    assert offsets[-1] == len(corners)
    np.testing.assert_allclose(
        corners, part.site.frame.wgs84(part.result.pieces.outline_xy), rtol=0, atol=0.6e-8
    )
    assert [pieces["beds"][k] for k in unpacked(pieces["bed"], "<u4")] == [
        str(part.site.beds.ids[b]) for b in part.result.pieces.bed
    ]
    assert unpacked(pieces["kind"], "u1").tolist() == part.result.pieces.kind.tolist()
    assert {r["bed"] for r in answer["runs"]} == {"B1", "B2", "B3"}
    assert len(answer["corners"]) == len(part.plan.runs.corner_leg)
    assert answer["legs"][0]["text"].endswith(" m")


def test_pieces_too_small_to_see_are_not_sent(three: Desk) -> None:
    answer = three.get("/api/plan?zoom=10")
    assert answer["pieces"] is None
    assert "Zoom in" in answer["pieces_note"]
    assert answer["runs"]


def test_panels_of_bed_and_site(three: Desk) -> None:
    bed = three.get("/api/panel?bed=B3")
    rows = {r["label"]: r["text"] for r in bed["rows"]}
    assert abs(metres(rows["Outline"]) - 22) < 0.002
    assert len(bed["legs"]) == 4
    site = three.get("/api/panel")
    total = {r["code"]: r["count"] for r in site["counts"]}
    one_by_one: dict[str, int] = {}
    for name in ("B1", "B2", "B3"):
        for row in three.get(f"/api/panel?bed={name}")["counts"]:
            one_by_one[row["code"]] = one_by_one.get(row["code"], 0) + row["count"]
    assert total == one_by_one
    three.session.worker.wait(three.session.state)
    cost = three.get("/api/panel")["cost"]
    assert cost["pending"] is False
    assert cost["order"]["rows"]


# ---------------------------------------------------------------- trying and saving


def moved(feature: Any, vertex: int, east_m: float, north_m: float) -> dict[str, Any]:
    change = put(feature)
    at = change["rings"][0][vertex]
    at[0] += east_m / 83_000
    at[1] += north_m / 111_000
    return change


def test_trying_saves_nothing_and_plans_what_is_touched(three: Desk) -> None:
    before = three.head()
    whole = three.get("/api/panel")
    answer = three.attempt(moved(three.feature("B3"), 2, 2, 0))
    assert answer["affected"] == ["B3"]
    assert {r["bed"] for r in answer["plan"]["runs"]} == {"B3"}
    assert answer["panel"]["bed"] == "B3"
    assert answer["site"]["rows"][1]["text"] != whole["rows"][1]["text"]
    assert three.head() == before
    assert three.get("/api/panel")["rows"] == whole["rows"]
    assert three.attempt(moved(three.feature("B1"), 0, -1, 0))["affected"] == ["B1", "B2"]


def test_a_save_is_a_revision_and_is_what_a_new_start_finds(three: Desk, tmp_path: Path) -> None:
    tried = three.attempt(moved(three.feature("B3"), 2, 2, 0))
    saved = three.edit(moved(three.feature("B3"), 2, 2, 0), what="north-east corner moved")
    assert saved["revision"] == 2
    assert {k: v for k, v in tried["panel"].items() if k != "revision"} == {
        k: v for k, v in saved["panel"].items() if k != "revision"
    }
    told = three.get("/api/revisions")["revisions"][0]
    assert (told["number"], told["who"], told["what"]) == (2, "Ada", "north-east corner moved")
    with desk(three.session.folder, "Bob") as again:
        assert again.head() == three.head()
        for path in ("/api/features", "/api/panel?bed=B3", "/api/plan?zoom=21"):
            assert again.get(path) == three.get(path)
    site = load_site(three.session.folder)
    np.testing.assert_array_equal(site.beds.coords, three.session.state.site.beds.coords)


def test_vertices_nobody_moved_keep_their_source_coordinates(tmp_path: Path) -> None:
    """Also in a grid, where degrees and back would move them by a nanometre."""
    folder = two_beds(tmp_path / "site")
    site = load_site(folder)
    features = site.beds
    grid = "EPSG:26915"
    coords = geodesy.project(grid, features.coords)
    gpkg = folder / "beds.gpkg"
    _write_gpkg(
        gpkg,
        features.ids,
        [coords[a:b] for a, b in zip(features.ring_offsets, features.ring_offsets[1:], strict=False)],
        grid,
    )
    (folder / "site.toml").write_text(
        'name = "Grid"\nline = "flex-2m"\n[[inputs.beds]]\nfile = "beds.gpkg"\n', encoding="utf-8"
    )
    with desk(folder) as made:
        before = made.session.state.content.features["beds"].coords.copy()
        made.edit(moved(made.feature("B3"), 2, 1, 1))
        after = made.session.state.content.features["beds"].coords
        same = (before == after).all(axis=1)
        assert same.sum() == len(before) - 1
        assert not same[10]
        made.edit(put(made.feature("B3")))
        np.testing.assert_array_equal(made.session.state.content.features["beds"].coords, after)


def _write_gpkg(path: Path, ids: Any, rings: list[np.ndarray], crs: str) -> None:
    import pyogrio
    import shapely

    shapes = shapely.to_wkb(np.array([shapely.Polygon(r) for r in rings], dtype=object))
    pyogrio.raw.write(
        path, shapes, [np.array(ids, dtype=object)], ["bed"], geometry_type="Polygon", crs=crs, driver="GPKG"
    )


def test_a_new_bed_gets_an_id_in_the_manner_of_the_others(three: Desk) -> None:
    change: dict[str, Any] = {
        "op": "put", "role": "beds", "id": None, "name": None, "kinds": [0],
        "rings": [ring(rectangle(3, 3, at=(60, 0)))], "attributes": {},
    }  # fmt: skip
    answer = three.edit(change)
    assert answer["features"][0]["id"] == "B4"
    assert answer["affected"] == ["B4"]
    assert three.get("/api/site")["beds_count"] == 4
    assert new_id("beds", ["N01", "N02", "X9"]) == "N03"
    assert new_id("openings", []) == "O01"
    assert new_id("beds", ["lawn", "hedge"]) == "B01"


def test_two_tabs_get_a_conflict_and_nothing_is_overwritten(three: Desk) -> None:
    old = three.head()
    three.edit(moved(three.feature("B3"), 2, 2, 0), what="first")
    body = {"base": old["revision"], "what": "second", "changes": [moved(three.feature("B1"), 0, 0, -1)]}
    answer = three.post("/api/edit", body, 412, **{"If-Match": old["etag"]})
    assert answer["conflict"] == 2
    assert answer["who"] == "Ada"
    assert answer["what"] == "first"
    assert answer["when"].endswith("Z")
    assert answer["faults"]
    assert three.head()["revision"] == 2
    assert three.post("/api/try", body, 412)["conflict"] == 2
    # the right number, and a tag of another record
    body["base"] = 2
    assert three.post("/api/edit", body, 412, **{"If-Match": "2-another"})["conflict"] == 2
    answer = three.client.post("/api/edit", json=body, headers=HEADERS)
    assert answer.status_code == 428


def test_what_another_program_saved_is_seen(three: Desk) -> None:
    other = Record.open(three.session.folder / "record.gpkg")
    before = three.get("/api/features")
    from siteplan.record import DropFeature

    other.save(1, [DropFeature("beds", "B3")], who="Bob", what="taken out")
    assert three.head()["revision"] == 2
    assert [f["id"] for f in three.get("/api/features")["features"]] == ["B1", "B2"]
    assert len(before["features"]) == 3


def test_undo_and_back(three: Desk) -> None:
    start = three.get("/api/features")["features"]
    three.edit(moved(three.feature("B3"), 2, 2, 0))
    three.edit(moved(three.feature("B1"), 0, 0, -1))
    after = three.get("/api/features")["features"]
    answer = three.post("/api/undo", {"base": 3, "revision": 2})
    assert answer["revision"] == 4
    assert answer["reload"] is True
    now = three.get("/api/features")["features"]
    assert now[2] == start[2]
    assert now[0] == after[0]
    three.post("/api/undo", {"base": 4, "revision": 4})
    assert three.get("/api/features")["features"] == after
    three.post("/api/back", {"base": 5, "to": 1})
    assert three.get("/api/features")["features"] == start
    assert three.post("/api/undo", {"base": 6, "revision": 1}, 422)["faults"]
    assert three.post("/api/undo", {"base": 6, "revision": 99}, 422)["faults"]


def test_runs_keep_their_ids_when_a_gate_is_cut(three: Desk) -> None:
    """A gate makes two runs of one; the next edit and a fresh start call them the same."""
    for east in (41.0, 44.0):
        gate = {
            "op": "put", "role": "openings", "id": None, "name": "gate", "kinds": [3],
            "rings": [ring([(east, 14.1)])], "attributes": {"width": "1 m"},
        }  # fmt: skip
        three.edit(gate)
    named = [leg["id"] for leg in three.get("/api/panel?bed=B3")["legs"]]
    assert len({leg.rsplit("-", 1)[0] for leg in named}) == 2
    three.edit({"op": "drop", "role": "openings", "id": "O01"})
    left = {leg["id"].rsplit("-", 1)[0] for leg in three.get("/api/panel?bed=B3")["legs"]}
    assert left < {leg.rsplit("-", 1)[0] for leg in named}
    with desk(three.session.folder, "Bob") as again:
        assert again.get("/api/panel?bed=B3") == three.get("/api/panel?bed=B3")


def test_an_undo_plans_what_it_touches_and_is_what_a_fresh_start_finds(three: Desk) -> None:
    three.edit(moved(three.feature("B3"), 2, 2, 0))
    three.edit({"op": "set", "path": ["bed", "B1", "offset"], "value": "40 mm"})
    three.session.worker.stop()
    before = {bed: three.session.state.find(bed) for bed in ("B1", "B3")}
    three.post("/api/undo", {"base": 3, "revision": 2})
    after = {bed: three.session.state.find(bed) for bed in ("B1", "B3")}
    for bed, kept in (("B1", True), ("B3", False)):
        was, now = before[bed], after[bed]
        assert was is not None
        assert now is not None
        assert (was[0].view is now[0].view) == kept
    with desk(three.session.folder, "Bob") as again:
        for path in ("/api/features", "/api/panel?bed=B3", "/api/panel?bed=B1", "/api/settings"):
            assert again.get(path) == three.get(path)


def test_what_differs_between_two_contents_is_named(three: Desk) -> None:
    first = three.session.state.content
    assert changes_between(first, first) == []
    three.edit(moved(three.feature("B3"), 2, 2, 0))
    three.edit(put(three.feature("B1"), name="renamed"))
    three.edit({"op": "drop", "role": "beds", "id": "B2"})
    three.edit({"op": "set", "path": ["spares", "percent"], "value": "7"})
    found = changes_between(first, three.session.state.content)
    named = [(type(c).__name__, getattr(c, "id", None)) for c in found]
    assert named == [("PutFeature", "B1"), ("PutFeature", "B3"), ("DropFeature", "B2"), ("SetOverride", None)]


def test_what_cannot_be_planned_is_refused_and_not_saved(three: Desk) -> None:
    crossing = [(60, 0), (63, 3), (63, 0), (60, 3)]
    change = {"op": "put", "role": "beds", "id": None, "name": "x", "kinds": [0], "rings": [ring(crossing)]}
    fault = three.edit(change, status=422)["faults"][0]
    assert "crosses itself" in fault["what"]
    assert fault["mend"]
    assert three.head()["revision"] == 1
    assert three.edit({"op": "drop", "role": "beds", "id": "nobody"}, status=422)["faults"]
    assert three.edit({"op": "set", "path": ["outline", "offset"], "value": "fish"}, status=422)["faults"]
    assert three.edit({"op": "set", "path": ["inputs"], "value": "x"}, status=422)["faults"]
    assert three.head()["revision"] == 1


def test_a_fault_names_a_file_of_the_site_by_its_place_in_the_folder(three: Desk) -> None:
    bad = {"op": "set", "path": ["spares", "percent"], "value": "101"}
    for ask in (three.attempt, three.edit):
        fault = ask(bad, status=422)["faults"][0]
        assert fault["where"] == "record.gpkg"
        assert "percent" in fault["what"]
    (three.session.folder / "site.toml").write_text("name = ", encoding="utf-8")
    assert three.get("/api/settings", 422)["faults"][0]["where"] == "site.toml"
    three.edit(moved(three.feature("B3"), 2, 1, 1))
    text = three.session.worker.wait(three.session.now()).cost["text"]
    assert text.startswith("site.toml: ")
    assert str(three.session.folder) not in text


def test_a_bed_site_toml_speaks_of_is_not_taken_out(tmp_path: Path) -> None:
    with desk(two_beds(tmp_path / "site", more='[bed.B3]\noffset = "50 mm"\n')) as made:
        fault = made.edit({"op": "drop", "role": "beds", "id": "B3"}, status=422)["faults"][0]
        assert "site.toml" in fault["what"]
        assert made.edit({"op": "drop", "role": "beds", "id": "B2"})["dropped"] == [
            {"role": "beds", "id": "B2"}
        ]


def test_settings_are_offered_changed_and_given_back(three: Desk) -> None:
    rows = {tuple(r["path"]): r for r in three.get("/api/settings")["rows"]}
    assert rows["line",]["from"] == "site.toml"
    assert rows["outline", "offset"]["value"] == "0 mm"
    assert rows["outline", "offset"]["from"] == "default"
    three.edit({"op": "set", "path": ["outline", "offset"], "value": "50 mm"})
    three.edit({"op": "set", "path": ["fit", "closers_per_leg"], "value": "2"})
    three.edit({"op": "set", "path": ["bed", "B3", "skip"], "value": "true"})
    rows = {tuple(r["path"]): r for r in three.get("/api/settings")["rows"]}
    assert rows["outline", "offset"]["value"] == "50 mm"
    assert rows["outline", "offset"]["from"] == "desk"
    own = {tuple(r["path"]): r for r in three.get("/api/settings?bed=B3")["rows"]}
    assert own["bed", "B3", "skip"]["value"] == "true"
    assert own["bed", "B3", "offset"]["value"] == "50 mm"
    assert three.session.state.site.settings.fit.closers_per_leg == 2
    assert not three.get("/api/panel?bed=B3")["legs"]
    three.edit({"op": "set", "path": ["outline", "offset"], "value": None})
    assert three.session.state.site.settings.outline.offset == 0
    assert load_site(three.session.folder).settings.bed["B3"].skip


def test_another_line_is_a_plan_of_that_line(three: Desk) -> None:
    answer = three.edit({"op": "set", "path": ["line"], "value": "rigid-900mm"})
    assert set(answer["affected"]) == {"B1", "B2", "B3"}
    assert three.get("/api/site")["line"]["key"] == "rigid-900mm"
    codes = {r["code"] for r in answer["site"]["counts"]}
    assert codes
    assert codes.isdisjoint({"F-2000"})


def test_spares_change_the_order_and_no_piece(three: Desk) -> None:
    before = three.session.worker.wait(three.session.now())
    plan = three.get("/api/plan?zoom=21")
    answer = three.edit({"op": "set", "path": ["spares", "percent"], "value": "80"})
    assert answer["affected"] == []
    assert {**three.get("/api/plan?zoom=21"), "revision": 1} == plan
    after = three.session.worker.wait(three.session.now())
    ordered = [[int(r[4].replace(",", "")) for r in x.cost["order"]["rows"]] for x in (before, after)]
    assert sum(ordered[1]) > sum(ordered[0])


# ---------------------------------------------------------------- split, merge, island


def area_of(made: Desk, bed: str) -> float:
    rows = {r["label"]: r["text"] for r in made.get(f"/api/panel?bed={bed}")["rows"]}
    return float(rows["Area"].split()[0].replace(",", ""))


def test_split_and_merge_keep_the_ground(three: Desk) -> None:
    whole = area_of(three, "B3")
    answer = three.edit({"op": "split", "role": "beds", "id": "B3", "line": ring([(42, 5), (42, 20)])})
    assert [f["id"] for f in answer["features"]] == ["B3", "B4"]
    assert math.isclose(area_of(three, "B3") + area_of(three, "B4"), whole, abs_tol=0.011)
    assert math.isclose(area_of(three, "B4"), 8, abs_tol=0.02)
    answer = three.edit({"op": "merge", "role": "beds", "ids": ["B3", "B4"]})
    assert answer["dropped"] == [{"role": "beds", "id": "B4"}]
    assert math.isclose(area_of(three, "B3"), whole, abs_tol=0.011)
    fault = three.attempt({"op": "merge", "role": "beds", "ids": ["B1", "B3"]}, status=422)["faults"][0]
    assert "apart" in fault["what"]
    fault = three.attempt(
        {"op": "split", "role": "beds", "id": "B1", "line": ring([(60, 0), (60, 9)])}, status=422
    )["faults"][0]
    assert "does not divide" in fault["what"]


def test_an_island_is_cut_into_a_bed(three: Desk) -> None:
    whole = area_of(three, "B3")
    island = ring(rectangle(2, 1, at=(42, 11)))
    answer = three.edit({"op": "island", "id": "B3", "ring": island})
    assert answer["features"][0]["kinds"] == [0, 1]
    assert math.isclose(area_of(three, "B3"), whole - 2, abs_tol=0.02)
    outside = ring(rectangle(2, 1, at=(46, 11)))
    assert three.attempt({"op": "island", "id": "B3", "ring": outside}, status=422)["faults"]


def test_a_line_is_split(tmp_path: Path) -> None:
    folder = write_site(
        tmp_path / "s", {"A": line([(0, 0), (10, 0)]), "B": polygon(rectangle(4, 4, at=(30, 0)))}
    )
    with desk(folder) as made:
        answer = made.edit({"op": "split", "role": "beds", "id": "A", "line": ring([(4, -1), (4, 1)])})
        lengths = sorted(
            metres(made.get(f"/api/panel?bed={f['id']}")["rows"][0]["text"]) for f in answer["features"]
        )
        np.testing.assert_allclose(lengths, [4, 6], atol=0.002)


def test_walls_and_openings_act_on_the_beds_beside_them(three: Desk) -> None:
    wall = ring([(38, 9.9), (50, 9.9)])
    change = {"op": "put", "role": "abutments", "id": None, "name": "wall", "kinds": [2], "rings": [wall]}
    answer = three.edit(change)
    assert answer["affected"] == ["B3"]
    assert answer["features"][0]["id"] == "A01"
    rows = {r["label"]: r["text"] for r in three.get("/api/panel?bed=B3")["rows"]}
    assert abs(metres(rows["No edging"]) - 7) < 0.01
    gate = {
        "op": "put", "role": "openings", "id": None, "name": "gate", "kinds": [3],
        "rings": [ring([(44, 14.1)])], "attributes": {"width": "1 m"},
    }  # fmt: skip
    three.edit(gate)
    rows = {r["label"]: r["text"] for r in three.get("/api/panel?bed=B3")["rows"]}
    assert abs(metres(rows["No edging"]) - 8) < 0.01
    assert three.edit({"op": "drop", "role": "abutments", "id": "A01"})["affected"] == ["B3"]
    rows = {r["label"]: r["text"] for r in three.get("/api/panel?bed=B3")["rows"]}
    assert abs(metres(rows["No edging"]) - 1) < 0.01


# ---------------------------------------------------------------- help with drawing


def spaced(a: Any, b: Any) -> float:
    """Metres between two places, on the ellipsoid."""
    return float(geodesy.segment_lengths(np.array([a, b]), np.array([0, 2]), np.array([False]))[0])


def test_a_typed_length_is_that_length_on_the_ground(three: Desk) -> None:
    start, towards = ring([(0, 0), (3, 4)])
    answer = three.post(
        "/api/geometry", {"op": "next", "points": [start], "towards": towards, "length": "12' 6\""}
    )
    assert abs(spaced(start, answer["point"]) - 3.81) < 1e-4
    assert answer["text"] == "3.810 m"
    two = ring([(0, 0), (5, 0)])
    answer = three.post(
        "/api/geometry",
        {"op": "next", "points": two, "towards": ring([(5.4, 3)])[0], "length": "2 m", "square": True},
    )
    np.testing.assert_allclose(answer["point"], ring([(5, 2)])[0], rtol=0, atol=2e-10)
    for wrong in ("fish", "12", "-3 m", "0 m", "1e9 m"):
        body = {"op": "next", "points": [start], "towards": towards, "length": wrong}
        assert three.post("/api/geometry", body, 422)["faults"][0]["what"]


def test_an_arc_goes_through_its_third_place(three: Desk) -> None:
    a, through, b = ring([(0, 0), (2, 2), (4, 0)])  # radius 2, half a circle
    answer = three.post("/api/geometry", {"op": "arc", "a": a, "through": through, "b": b})
    assert answer["points"][0] == a
    assert answer["points"][-1] == b
    assert "Radius 2.000 m, length 6.283 m" in answer["text"]
    centre = ring([(2, 0)])[0]
    away = [spaced(centre, p) for p in answer["points"]]
    np.testing.assert_allclose(away, 2, atol=2e-4)
    assert min(spaced(through, p) for p in answer["points"]) < 0.1
    for wrong in ([(0, 0), (1, 0), (2, 0)], [(0, 0), (0, 0), (2, 0)]):
        one, two, three_ = ring(wrong)
        assert three.post("/api/geometry", {"op": "arc", "a": one, "through": two, "b": three_}, 422)[
            "faults"
        ]


def test_snapping_to_vertices_edges_and_square(three: Desk) -> None:
    corner = three.feature("B3")["rings"][0][0]
    at = ring([(40.05, 10.04)])[0]
    answer = three.post("/api/geometry", {"op": "snap", "at": at, "pixel_m": 0.02})
    assert answer == {"point": corner, "to": "vertex"}
    at = ring([(43, 10.05)])[0]
    answer = three.post("/api/geometry", {"op": "snap", "at": at, "pixel_m": 0.02})
    assert answer["to"] == "edge"
    np.testing.assert_allclose(answer["point"], ring([(43, 10)])[0], rtol=0, atol=2e-9)
    own = [{"role": "beds", "id": "B3"}]
    assert three.post("/api/geometry", {"op": "snap", "at": at, "pixel_m": 0.02, "except": own})["to"] is None
    body = {"op": "snap", "at": ring([(65.1, 3)])[0], "pixel_m": 0.02, "points": ring([(60, 0), (65, 0)])}
    answer = three.post("/api/geometry", body)
    assert answer["to"] == "square"
    np.testing.assert_allclose(answer["point"], ring([(65, 3)])[0], rtol=0, atol=2e-9)


def test_lengths_while_drawing(three: Desk) -> None:
    points = ring([(0, 0), (3, 0), (3, 4)])
    answer = three.post("/api/geometry", {"op": "length", "points": points, "closed": True})
    assert answer["texts"] == ["3.000 m", "4.000 m", "5.000 m"]
    assert answer["total"] == "12.000 m"
    assert answer["area"] == "6.00 m²"
    assert three.post("/api/geometry", {"op": "length", "points": points})["texts"] == ["3.000 m", "4.000 m"]


def test_measuring_agrees_with_the_ellipsoid(three: Desk) -> None:
    a, b = ring([(0, 0), (30, 40)])
    rows = {r["label"]: r["text"] for r in three.post("/api/measure", {"points": [a, b]})["rows"]}
    assert abs(metres(rows["Geodesic"]) - spaced(a, b)) < 6e-4
    assert abs(metres(rows["Ground"]) - 50) < 2e-3
    told = three.get(f"/api/at?lon={a[0]}&lat={a[1]}")
    assert told["lonlat"] == "41.6000000° N, 93.6000000° W"
    assert told["grid"].startswith("E ")


# ---------------------------------------------------------------- tapes, lines, downloads


def test_a_tape_on_a_leg(three: Desk) -> None:
    assert three.get("/api/tapes")["rows"] == []
    leg = three.get("/api/panel?bed=B3")["legs"][0]
    reading = f"{metres(leg['length']) + 0.5:.3f} m"
    three.edit({"op": "tape", "leg": leg["id"], "reading": reading, "kind": "steel", "key": None})
    rows = three.get("/api/tapes?bed=B3")["rows"]
    assert len(rows) == 1
    assert rows[0]["leg"] == leg["id"]
    assert rows[0]["reading"] == reading
    assert rows[0]["difference"].startswith("+0.5")
    assert three.get("/api/tapes?bed=B1")["rows"] == []
    key = rows[0]["key"]
    three.edit({"op": "tape", "leg": leg["id"], "reading": leg["length"], "kind": "steel", "key": key})
    assert abs(metres(three.get("/api/tapes")["rows"][0]["difference"].lstrip("+"))) < 0.002
    three.edit({"op": "drop_tape", "key": key})
    assert three.get("/api/tapes")["rows"] == []
    three.post("/api/undo", {"base": 4, "revision": 4})
    assert len(three.get("/api/tapes")["rows"]) == 1


def test_two_lines_side_by_side(three: Desk) -> None:
    answer = three.post("/api/compare", {"lines": ["flex-2m", "rigid-900mm"]})
    assert len(answer["columns"]) == 3
    rows = {r[0]: r[1:] for r in answer["rows"]}
    site = three.get("/api/panel")
    assert rows["pieces"][0] == next(r["text"] for r in site["rows"] if r["label"] == "Pieces")
    assert three.post("/api/compare", {"lines": ["flex-2m", "flex-2m"]}, 422)["faults"]
    assert three.post("/api/compare", {"lines": ["flex-2m", "nothing"]}, 422)["faults"]


def test_downloads(three: Desk) -> None:
    for export in three.get("/api/site")["exports"]:
        if "handout" in export["url"]:
            continue
        answer = three.client.get(export["url"])
        assert answer.status_code == 200, export
        assert answer.headers["content-disposition"].startswith("attachment;")
        assert len(answer.content) > 100
    archive = zipfile.ZipFile(io.BytesIO(three.client.get("/api/export/plan.zip").content))
    assert {"map.html", "plan.gpkg", "order.xlsx", "summary.json"} <= set(archive.namelist())
    page = three.client.get("/api/export/map.html").text
    assert "siteplan-data" in page


def test_the_plans_folder_is_written(three: Desk, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    answer = three.post("/api/write", {})
    folder = Path(answer["folder"])
    assert folder.is_relative_to(tmp_path)
    assert (folder / "plan.gpkg").exists()
    assert "summary.json" in answer["files"]


# ---------------------------------------------------------------- disks that take nothing


def test_a_full_disk_is_told(three: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    from siteplan.errors import OutputError

    def full(*args: Any, **kwargs: Any) -> Any:
        raise OutputError("the disk is full: No space left on device")

    before = three.head()
    change = moved(three.feature("B3"), 2, 2, 0)
    monkeypatch.setattr(three.session.record, "save", full)
    answer = three.edit(change, status=507)
    assert "disk is full" in answer["why"]
    assert answer["faults"][0]["mend"]
    monkeypatch.undo()
    assert three.head() == before
    assert three.edit(change)["revision"] == 2


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root writes everywhere")
def test_a_read_only_folder_is_told(tmp_path: Path) -> None:
    folder = two_beds(tmp_path / "site")
    with desk(folder) as made:
        folder.chmod(0o500)
        (folder / "record.gpkg").chmod(0o400)
        try:
            assert "why" in made.edit(moved(made.feature("B3"), 2, 2, 0), status=507)
        finally:
            folder.chmod(0o700)
            (folder / "record.gpkg").chmod(0o600)


# ---------------------------------------------------------------- a new site, starting and stopping


def test_a_site_drawn_from_nothing(tmp_path: Path) -> None:
    folder = site_folder(tmp_path / "new", "Ada", NewSite(at="-93.6,41.6", line="flex-2m"))
    with desk(folder) as made:
        site = made.get("/api/site")
        assert site["beds_count"] == 0
        assert made.get("/api/plan?zoom=20")["pieces"]["count"] == 0
        assert made.get("/api/panel")["rows"]
        assert made.client.get("/api/export/plan.zip").status_code == 422
        change: dict[str, Any] = {"op": "put", "role": "beds", "id": None, "name": "First", "kinds": [0],
                  "rings": [ring(rectangle(6, 4))], "attributes": {}}  # fmt: skip
        answer = made.edit(change)
        assert answer["affected"] == ["B01"]
        assert math.isclose(area_of(made, "B01"), 24, abs_tol=0.02)
        assert made.client.get("/api/export/takeoff.csv").status_code == 200
        made.edit({"op": "drop", "role": "beds", "id": "B01"})
        assert made.get("/api/site")["beds_count"] == 0
    with pytest.raises(UsageError, match="already"):
        site_folder(folder, "Ada", NewSite(at="-93.6,41.6"))
    with pytest.raises(UsageError, match="--picture"):
        site_folder(tmp_path / "none", "Ada", NewSite())
    with pytest.raises(UsageError, match="longitude"):
        site_folder(tmp_path / "none", "Ada", NewSite(at="here"))


def test_a_port_in_use_is_told() -> None:
    first = listening(None)
    try:
        number = first.getsockname()[1]
        assert first.getsockname()[0] == "127.0.0.1"
        with pytest.raises(UsageError, match=f"port {number} cannot be used"):
            listening(number)
        second = listening(None)
        assert second.getsockname()[1] != number
        second.close()
    finally:
        first.close()


def test_the_command_starts_answers_and_stops(tmp_path: Path) -> None:
    """The whole way: a process, a port, an answer, Ctrl-C."""
    folder = two_beds(tmp_path / "site")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    code = "from siteplan.cli import main; main()"
    started = subprocess.Popen(
        [sys.executable, "-u", "-c", code, "desk", str(folder), "--no-browser", "--port", str(port)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        assert started.stdout is not None
        said = started.stdout.readline()
        assert f"http://127.0.0.1:{port}/" in said
        base = f"http://127.0.0.1:{port}"
        begin = time.monotonic()
        while True:
            try:
                answer = httpx.get(f"{base}/api/head")
                break
            except httpx.TransportError:
                assert time.monotonic() - begin < 30
                time.sleep(0.1)
        assert answer.json()["revision"] == 1
        assert httpx.get(f"{base}/", headers={"Host": "example.org"}).status_code == 400
        assert "server" not in answer.headers
        started.send_signal(signal.SIGINT)
        out, err = started.communicate(timeout=30)
        assert started.returncode in (0, 130), err
        assert "Stopped" in out
        assert "Traceback" not in err
    finally:
        if started.poll() is None:
            started.kill()
            started.communicate()


def test_wire_places_of_degrees_are_the_source(three: Desk) -> None:
    site = three.session.state.site
    assert wire_places(site.frame, site.beds) is site.beds.coords


@pytest.fixture(autouse=True)
def _no_leftovers(tmp_path: Path) -> Iterator[None]:
    yield
    shutil.rmtree(tmp_path / "site", ignore_errors=True)


def test_what_is_bare_is_the_stretch_no_piece_covers() -> None:
    """[0, 10 m] with pieces to 3 m and from 7 m on: 3 to 7 m; joints are no stretches."""
    low = np.array([0, 1_502_000, 7_000_000, 8_500_000])
    high = np.array([1_500_000, 3_000_000, 8_498_000, 10_000_000])
    assert _longest(low, high, 10_000_000) == (3_000_000, 7_000_000)
    assert _longest(np.zeros(0, dtype=int), np.zeros(0, dtype=int), 10_000_000) == (0, 10_000_000)
    whole = np.array([0]), np.array([10_000_000])
    assert _longest(*whole, 10_000_000) == (0, 10_000_000)
    line_xy = np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 6.0]])
    cut = _cut(line_xy, 10_000_000, 3_000_000, 7_000_000)
    np.testing.assert_allclose(cut, [[3, 0], [4, 0], [4, 3]], atol=1e-12)


def test_an_unmet_corner_marks_its_place_alone(tmp_path: Path) -> None:
    """The line has no unit for a corner this sharp: bare at the corner, not along the leg."""
    triangle = [(0, 0), (9, 0), (4.5, 9 * 3**0.5 / 2)]
    by_unit = '[corners]\nby = "unit"\n'
    beds = {"A": polygon(triangle)}
    folder = write_site(tmp_path / "s", beds, product_line="rigid-900mm", more=by_unit)
    with desk(folder) as made:
        legs = {leg["id"]: metres(leg["length"]) for leg in made.get("/api/panel?bed=A")["legs"]}
        unmet = made.get("/api/plan?zoom=21")["unmet"]
        assert unmet
        for row in unmet:
            shown = sum(spaced(a, b) for a, b in zip(row["line"], row["line"][1:], strict=False))
            assert shown < 0.5 * legs[row["leg"]]
