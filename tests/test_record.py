"""The record: kept to the last bit, one revision after the other, nothing lost."""

from __future__ import annotations

import math
import sqlite3
import threading
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

import fiona
import hypothesis.strategies as st
import numpy as np
import pyogrio
import pytest
import shapely
from hypothesis import HealthCheck, given, settings

from siteplan.errors import DataError, Fault, UsageError
from siteplan.record import (
    Change,
    Conflict,
    Content,
    DropFeature,
    DropTape,
    PutFeature,
    PutSource,
    PutTape,
    Record,
    SetOverride,
    applied,
)
from siteplan.record.blobs import blob_of, box_of, digest_of, rings_of_blobs, wkb_of
from siteplan.record.plain import from_json, to_json
from siteplan.record.table import entries_of, entry_of
from siteplan.tables import picked
from tests.make_records import (
    GRID,
    assert_same_content,
    assert_same_features,
    beds,
    entry,
    new_record,
    put,
    square,
)

EVIL = "<b>{{7*7}}</b> ${7*7} \"'`\\ \u202e\u0000\U0001f333\ud800 \u2028"


# -- exactly as it came ---------------------------------------------------------------

PLAIN = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(min_value=-(2**80), max_value=2**80)
    | st.floats(allow_nan=True, allow_infinity=True)
    | st.text(st.characters(exclude_categories=()), max_size=20)
    | st.binary(max_size=10)
    | st.dates()
    | st.times()
    | st.datetimes(),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3) | st.just("$"), inner, max_size=3)
    ),
    max_leaves=8,
)


def alike(a: object, b: object) -> bool:
    if type(a) is not type(b):
        return False
    if isinstance(a, list) and isinstance(b, list):
        return len(a) == len(b) and all(map(alike, a, b))
    if isinstance(a, dict) and isinstance(b, dict):
        return list(a) == list(b) and all(alike(a[k], b[k]) for k in a)
    return a == b or (isinstance(a, float) and isinstance(b, float) and math.isnan(a) and math.isnan(b))


@given(PLAIN)
def test_plain_values_come_back(value: Any) -> None:
    text = to_json(value)
    assert text.isascii()
    assert alike(from_json(text), value)


def test_numbers_of_numpy_are_plain_and_odd_things_refused() -> None:
    value = {
        "a": np.float64(0.1),
        "b": np.int64(3),
        "c": np.bool_(True),
        "d": np.array([1, 2]),
        "e": (1, "x"),
    }
    assert from_json(to_json(value)) == {"a": 0.1, "b": 3, "c": True, "d": [1, 2], "e": [1, "x"]}
    for odd in (object(), {1: 2}, {"a": {1, 2}}, 1j):
        with pytest.raises(DataError, match="cannot be kept in the record"):
            to_json(odd)
    for when in (date(2026, 1, 2), time(3, 4, 5, 6), datetime(2026, 1, 2, 3, 4, 5, 6)):
        assert alike(from_json(to_json(when)), when)


# Coordinates of a size that real CRSs have, every bit pattern of theirs.
NUMBER = st.floats(min_value=-1e7, max_value=1e7, allow_nan=False)


@st.composite
def shapes(draw: st.DrawFn) -> tuple[list[np.ndarray], list[int]]:
    """Rings of any mixture of kinds; crossings do not matter to the geometry's own store."""
    width = draw(st.sampled_from([2, 3]))

    def vertices(least: int) -> np.ndarray:
        count = draw(st.integers(least, least + 3))
        rows = [[draw(NUMBER) for _ in range(2)] for _ in range(count)]
        if width == 3:
            rows = [[*r, draw(NUMBER | st.just(float("nan")))] for r in rows]
        return np.array(rows)

    rings: list[np.ndarray] = []
    kinds: list[int] = []
    for _ in range(draw(st.integers(1, 3))):
        part = draw(st.sampled_from(["polygon", "line", "point"]))
        if part == "polygon":
            islands = draw(st.integers(0, 2))
            rings += [vertices(3) for _ in range(1 + islands)]
            kinds += [0, *[1] * islands]
        else:
            rings.append(vertices(2) if part == "line" else vertices(1)[:1])
            kinds.append(2 if part == "line" else 3)
    return rings, kinds


@given(shapes())
def test_geometry_comes_back_bit_for_bit(shape: tuple[list[np.ndarray], list[int]]) -> None:
    rings, kinds = shape
    blob = blob_of(rings, kinds, 26916)
    table = rings_of_blobs([blob])
    assert table.kind.tolist() == kinds
    assert table.coords.tobytes() == np.vstack([r[:, :2] for r in rings]).tobytes()
    z = np.concatenate([r[:, 2] if r.shape[1] == 3 else np.full(len(r), np.nan) for r in rings])
    assert np.array_equal(table.z, z, equal_nan=True)
    flat = np.vstack([r[:, :2] for r in rings])
    assert box_of(blob) == (*flat.min(axis=0), *flat.max(axis=0))


def test_geometry_is_what_another_library_writes() -> None:
    """Well-known binary against that of GEOS, by shapely."""
    ring, hole, line = square(), square()[::-1] * 0.5, square()[:2]
    cases = [
        (shapely.Polygon(ring, [hole]), [ring, hole], [0, 1]),
        (shapely.MultiPolygon([shapely.Polygon(ring), shapely.Polygon(hole)]), [ring, hole], [0, 0]),
        (shapely.LineString(line), [line], [2]),
        (shapely.MultiLineString([line, ring]), [line, ring], [2, 2]),
        (shapely.Point(1.5, 2.5), [np.array([[1.5, 2.5]])], [3]),
        (shapely.Point(1.5, 2.5, 9.0), [np.array([[1.5, 2.5, 9.0]])], [3]),
        (shapely.GeometryCollection([shapely.Polygon(ring), shapely.LineString(line)]), [ring, line], [0, 2]),
    ]
    for shape, rings, kinds in cases:
        assert wkb_of(blob_of(rings, kinds, 1)) == shapely.to_wkb(shape, flavor="iso", byte_order=1)


def test_everything_of_a_feature_comes_back(tmp_path: Path) -> None:
    tall = np.column_stack([square(), [1.0, np.nan, -0.0, 3.0]])
    own = [
        entry(
            "B1",
            text=EVIL,
            whole=2**70,
            real=0.1 + 0.2,
            yes=True,
            list=[1, "x"],
            none=None,
        ),
        entry("B 2", tall, kinds=(0,), real=float("nan"), when=date(2026, 5, 4)),
        entry("\u202eB3", square(40), square(60), kinds=(0, 0), text="", big=float("inf")),
        entry("B4", square(80)[:2] - 1e-9, kinds=(2,)),
    ]
    walls = [entry("A1", square(90)[:3], square(95)[:2], kinds=(2, 2))]
    gates = [entry("O1", square(1)[:1], kinds=(3,), width="3 ft", width_m=0.9144)]
    roles = {
        "beds": beds(*own),
        "abutments": beds(*walls, role="abutments"),
        "openings": beds(*gates, role="openings"),
    }
    record = Record.create(tmp_path / "r.gpkg", roles, who="Ann", what=EVIL, sources={}, grid=GRID)
    kept = Record.open(record.path).content().features
    for role, features in roles.items():
        assert_same_features(kept[role], features)
    assert record.newest().what.startswith("<b>{{7*7}}</b>")


@pytest.mark.parametrize("crs", ["EPSG:4326", "OGC:CRS84", "EPSG:3418", "EPSG:3857"])
def test_the_crs_comes_back_as_it_was_written(tmp_path: Path, crs: str) -> None:
    record = Record.create(tmp_path / "r.gpkg", {}, crs=crs, who="a", what="b", sources={}, grid=GRID)
    content = record.content()
    assert content.is_empty
    assert {f.crs for f in content.features.values()} == {crs}
    assert pyogrio.read_info(record.path, layer="beds")["crs"] is not None


def test_wkt_of_a_crs_nobody_has_a_code_for(tmp_path: Path) -> None:
    wkt = (
        'PROJCS["site grid",GEOGCS["WGS 84",DATUM["WGS_1984",SPHEROID["WGS 84",6378137,298.257223563]],'
        'PRIMEM["Greenwich",0],UNIT["degree",0.0174532925199433]],PROJECTION["Transverse_Mercator"],'
        'PARAMETER["latitude_of_origin",41],PARAMETER["central_meridian",-93],PARAMETER["scale_factor",1],'
        'PARAMETER["false_easting",0],PARAMETER["false_northing",0],UNIT["metre",1]]'
    )
    record = Record.create(tmp_path / "r.gpkg", {}, crs=wkt, who="a", what="b", sources={}, grid=GRID)
    assert record.content().features["beds"].crs == wkt
    with pytest.raises(DataError, match="is not understood"):
        Record.create(tmp_path / "s.gpkg", {}, crs="EPSG:1", who="a", what="b", sources={}, grid=GRID)
    assert not (tmp_path / "s.gpkg").exists()


# -- any GIS opens it -------------------------------------------------------------------


def test_the_newest_state_is_layers_of_a_geopackage(tmp_path: Path) -> None:
    record = new_record(tmp_path)
    record.save(
        1, [put("B2", square(200), note="é"), DropFeature("beds", "B1"), put("B3")], who="Bo", what="x"
    )
    layers = dict(pyogrio.list_layers(record.path).tolist())
    assert {"beds", "abutments", "openings"} <= {k for k, kind in layers.items() if kind is not None}
    assert {k for k, kind in layers.items() if kind is None} == {
        "record_meta", "record_revisions", "record_features", "record_items",
    }  # fmt: skip
    frame = pyogrio.read_dataframe(record.path, layer="beds")
    assert frame["id"].tolist() == ["B2", "B3"]
    assert frame.crs.to_epsg() == 26916
    assert shapely.get_coordinates(frame.geometry[0])[:-1].tobytes() == square(200).tobytes()
    assert frame["attributes"][0] == '{"note": "é"}'
    with fiona.open(record.path, layer="beds") as layer:
        assert [f["properties"]["id"] for f in layer] == ["B2", "B3"]
        assert layer.bounds == (500000.1, 4500000.2, 500210.3, 4500006.7)
    history = pyogrio.read_dataframe(record.path, layer="record_features")
    assert len(history) == 4
    with sqlite3.connect(record.path) as base:
        assert base.execute("PRAGMA application_id").fetchone() == (0x47504B47,)
        assert base.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert base.execute("PRAGMA foreign_key_check").fetchall() == []
        assert not base.execute("SELECT * FROM sqlite_master WHERE name LIKE 'rtree%'").fetchall()
    base.close()


def test_other_programs_cannot_edit_the_layers(tmp_path: Path) -> None:
    record = new_record(tmp_path)
    before = record.content()
    base = sqlite3.connect(record.path)
    for statement in (
        "UPDATE beds SET name = 'x'",
        "DELETE FROM beds",
        "INSERT INTO beds (id) VALUES ('x')",
        "DELETE FROM record_revisions",
        "UPDATE record_features SET until = 1",
    ):
        with pytest.raises(sqlite3.IntegrityError, match="written by siteplan only"):
            base.execute(statement)
    base.close()
    assert_same_content(record.content(), before)


# -- revisions -------------------------------------------------------------------------


def test_revisions_tell_who_when_and_what(tmp_path: Path) -> None:
    record = new_record(tmp_path, when="2026-05-04T09:30:00Z")
    made = record.save(
        1, [SetOverride(("line",), "flex-2m")], who=" Bo\n ", what="line\tset", when="2026-05-04T10:00:00Z"
    )
    assert (made.number, made.who, made.when, made.what, made.back_to) == (
        2,
        "Bo",
        "2026-05-04T10:00:00Z",
        "line set",
        None,
    )
    assert [r.number for r in record.revisions()] == [1, 2]
    assert record.revisions()[1] == made == record.newest()
    assert record.head == 2
    assert record.etag == made.etag != record.revisions()[0].etag
    for who in ("", " \n"):
        with pytest.raises(UsageError, match="say who"):
            record.save(2, [], who=who, what="x")
    with pytest.raises(UsageError, match="no revision 3"):
        record.content(3)
    assert record.head == 2


def test_two_records_never_share_an_etag(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    one = new_record(tmp_path / "a", when="2026-05-04T09:30:00Z")
    two = new_record(tmp_path / "b", when="2026-05-04T09:30:00Z")
    assert one.etag != two.etag
    with pytest.raises(Conflict):
        one.save(1, [], who="x", what="y", etag=two.etag)


def test_a_save_on_an_old_revision_is_a_conflict(tmp_path: Path) -> None:
    record = new_record(tmp_path)
    record.save(1, [put("B3")], who="Bo", what="a bed", when="2026-05-04T10:00:00Z")
    with pytest.raises(Conflict) as caught:
        record.save(1, [DropFeature("beds", "B1")], who="Cy", what="gone")
    conflict = caught.value
    assert (conflict.head, conflict.base, conflict.who, conflict.what) == (2, 1, "Bo", "a bed")
    assert "nothing was saved" in str(conflict)
    with pytest.raises(Conflict):
        record.go_back(1, 1, who="Cy")
    with pytest.raises(Conflict):
        record.undo(1, 1, who="Cy")
    assert record.head == 2


def test_all_or_nothing(tmp_path: Path) -> None:
    record = new_record(tmp_path)
    before = record.path.read_bytes()
    cases: list[Change] = [
        DropFeature("beds", "nobody"),
        DropTape("t"),
        put("B4", [(0, 0), (1, 1)]),
        put("B4", [(0, 0), (1, 1), (0, 1), (1, 0)]),
    ]
    for bad in ([put("B3"), case] for case in cases):
        with pytest.raises(DataError):
            record.save(1, bad, who="a", what="b")
        with pytest.raises(DataError):
            applied(record.content(), bad)
    assert record.path.read_bytes() == before


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (put(""), "1 to 40 characters"),
        (put("x" * 41), "1 to 40 characters"),
        (put("a\nb"), "line break"),
        (put("B", [(0, 0), (1, 0), (float("nan"), 1)]), "vertex 3: a coordinate is not a number"),
        (put("B", square(), kinds=(3,)), "only openings may be points"),
        (put("B", [(0, 0), (4, 4), (4, 0), (0, 4)]), "cross"),
        (put("B", square(), square(), kinds=(1, 0)), "no outline round it"),
        (PutFeature("openings", "O", "O", [[(0.0, 0.0)]], [3], {}), "without a width"),
        (
            PutFeature("openings", "O", "O", [[(0.0, 0.0)]], [3], {"width": "1 m", "width_m": 2.0}),
            "Give one of the two",
        ),
        (put("B", thing=object()), "cannot be kept"),
    ],
)
def test_what_cannot_be_kept_is_refused_with_its_place(change: Change, said: str) -> None:
    from siteplan.record.checking import checked

    with pytest.raises(DataError) as caught:
        checked(change)
    assert said in str(caught.value)
    assert "record.gpkg" in str(caught.value) or "cannot be kept" in said


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (PutFeature("roads", "B", "B", [square()], [0]), "role"),
        (SetOverride((), 1), "list of words"),
        (SetOverride(("inputs", "beds"), []), "cannot be set in the record"),
        (SetOverride(("grid", "name"), "local"), "cannot be set in the record"),
        (PutFeature("beds", "B", "B", [square()], [9]), "no kind of ring 9"),
        (PutFeature("beds", "B", "B", [square()], [0, 1]), "1 rings and 2 kinds"),
        (PutTape("", {}), "has a key"),
    ],
)
def test_what_nobody_could_mean(change: Change, said: str) -> None:
    from siteplan.record.checking import checked

    with pytest.raises(UsageError, match=said):
        checked(change)


def test_the_width_of_an_opening_is_read_as_from_a_file(tmp_path: Path) -> None:
    record = new_record(tmp_path)
    gate = PutFeature("openings", "O1", "gate", [[(500_000.0, 4_500_000.0)]], [3], {"width": "3 ft"})
    record.save(1, [gate], who="a", what="b")
    assert record.content().features["openings"].attributes["width_m"].tolist() == [0.9144]


def test_an_edited_feature_keeps_its_place_and_where_it_came_from(tmp_path: Path) -> None:
    record = new_record(tmp_path, entry("B1"), entry("B2", square(20)), entry("B3", square(40)))
    record.save(1, [put("B2", square(21), note=1), put("C9", square(60))], who="a", what="b")
    content = record.content()
    features = content.features["beds"]
    assert features.ids.tolist() == ["B1", "B2", "B3", "C9"]
    assert features.file.tolist() == ["beds.geojson"] * 3 + ["record.gpkg"]
    assert features.attributes["note"].tolist() == [None, 1, None, None]
    assert content.edited == {"B2"}
    record.save(2, [put("B2", square(20)), DropFeature("beds", "B1")], who="a", what="back as it was")
    assert record.content().edited == frozenset()
    assert record.content().dropped == {"B1"}


def test_a_bed_taken_out_takes_its_values_with_it(tmp_path: Path) -> None:
    record = new_record(tmp_path)
    values = [
        SetOverride(("bed", "B1"), {"skip": True, "offset": "2 in"}),
        SetOverride(("bed", "B2", "skip"), True),
    ]
    record.save(1, values, who="a", what="b")
    record.save(2, [DropFeature("beds", "B1")], who="a", what="b")
    assert record.content().overrides == {"bed": {"B2": {"skip": True}}}
    record.go_back(3, 2, who="a")
    assert record.content().overrides["bed"]["B1"] == {"skip": True, "offset": "2 in"}


def test_values_are_set_by_leaf_and_taken_back_by_table(tmp_path: Path) -> None:
    record = new_record(tmp_path)
    record.save(1, [SetOverride(("fit",), {"prefer": "cost", "short": "5 mm"})], who="a", what="b")
    record.save(2, [SetOverride(("fit", "short"), None), SetOverride(("line",), "x")], who="a", what="b")
    assert record.content().overrides == {"fit": {"prefer": "cost"}, "line": "x"}
    record.save(3, [SetOverride(("fit",), None)], who="a", what="b")
    assert record.content().overrides == {"line": "x"}
    assert record.content(2).overrides == {"fit": {"prefer": "cost", "short": "5 mm"}}


def test_going_back_loses_nothing(tmp_path: Path) -> None:
    record = new_record(tmp_path)
    record.save(
        1, [DropFeature("beds", "B1"), PutTape("t", {"of": "B2-1-1", "reading": "3 m"})], who="a", what="b"
    )
    record.save(2, [put("B2", square(300)), PutSource("beds.geojson", None)], who="a", what="c")
    states = {k: record.content(k) for k in (1, 2, 3)}
    made = record.go_back(3, 1, who="Bo")
    assert (made.number, made.back_to, made.what) == (4, 1, "back to revision 1")
    assert_same_features(record.content().features["beds"], states[1].features["beds"])
    assert record.content().sources == {"beds.geojson": "00"}
    assert record.go_back(4, 3, who="Bo").number == 5
    for number, state in states.items():
        assert_same_content(record.content(number), state)
    assert_same_features(record.content().features["beds"], states[3].features["beds"])
    with pytest.raises(UsageError, match="no revision 9"):
        record.go_back(5, 9, who="Bo")
    assert record.head == 5


def test_undo_takes_back_one_revision_and_leaves_the_others(tmp_path: Path) -> None:
    record = new_record(tmp_path)
    record.save(1, [put("B1", square(5)), SetOverride(("line",), "x")], who="Ann", what="a")
    record.save(2, [put("B2", square(400))], who="Bo", what="b")
    made = record.undo(3, 2, who="Ann")
    assert (made.number, made.what) == (4, "revision 2 undone")
    beds_now = record.content().features["beds"]
    assert entry_of(beds_now, 0).rings[0].tobytes() == square().tobytes()
    assert entry_of(beds_now, 1).rings[0].tobytes() == square(400).tobytes()
    assert record.content().overrides == {}
    assert record.undo(4, 4, who="Ann").number == 5  # an undo is undone like anything else
    assert record.content().overrides == {"line": "x"}
    record.save(5, [put("B1", square(6))], who="Bo", what="c")
    with pytest.raises(DataError, match="bed B1 was changed again in revision 6"):
        record.undo(6, 2, who="Ann")
    record.undo(6, 6, who="Bo")
    assert record.undo(7, 2, who="Ann").number == 8  # all is again as revision 2 left it
    assert record.content().overrides == {}
    with pytest.raises(UsageError, match="nothing before it"):
        record.undo(8, 1, who="Ann")
    record.save(8, [PutSource("beds.geojson", "11")], who="Ann", what="brought in")
    with pytest.raises(DataError, match="brought in input files"):
        record.undo(9, 9, who="Ann")


def test_steps_are_undone_one_after_the_other_beside_what_somebody_else_saved(tmp_path: Path) -> None:
    record = new_record(tmp_path)
    start = record.content()
    record.save(1, [put("B1", square(7)), SetOverride(("line",), "x")], who="a", what="b")
    record.save(2, [put("B1", square(8)), SetOverride(("line",), "y")], who="a", what="b")
    record.save(3, [DropFeature("beds", "B1")], who="a", what="b")
    record.save(4, [put("B9", square(40))], who="Bob", what="beside")
    with pytest.raises(DataError, match="was changed again in revision 4"):
        record.undo(5, 3, who="a")
    for base, revision in ((5, 4), (6, 3), (7, 2)):
        record.undo(base, revision, who="a")
    now = record.content()
    assert now.overrides == start.overrides
    (b1,) = (entry_of(c.features["beds"], c.features["beds"].ids.tolist().index("B1")).rings for c in [now])
    np.testing.assert_array_equal(b1[0], entry_of(start.features["beds"], 0).rings[0])
    assert "B9" in now.features["beds"].ids
    # and again, the other way: each undo is undone
    for base, revision in ((8, 8), (9, 7), (10, 6)):
        record.undo(base, revision, who="a")
    assert "B1" not in record.content().features["beds"].ids
    assert record.content().overrides["line"] == "y"


def test_undo_of_a_drawn_bed_minds_what_was_set_for_it_since(tmp_path: Path) -> None:
    record = new_record(tmp_path)
    record.save(1, [put("B5", square(40)), SetOverride(("bed", "B5", "priority"), 1)], who="a", what="drawn")
    record.save(2, [SetOverride(("bed", "B5", "skip"), True)], who="a", what="set")
    with pytest.raises(DataError, match="bed B5 was changed again in revision 3"):
        record.undo(3, 2, who="a")
    record.undo(3, 3, who="a")
    record.undo(4, 2, who="a")  # with what was set in the same breath
    assert record.content().overrides == {}
    # a bed that was there before keeps what is set for it
    record.save(5, [put("B1", square(7))], who="a", what="moved")
    record.save(6, [SetOverride(("bed", "B1", "skip"), True)], who="a", what="set")
    assert record.undo(7, 6, who="a").number == 8
    assert record.content().overrides == {"bed": {"B1": {"skip": True}}}


def test_what_is_turned_to_is_looked_at_before_it_is_kept(tmp_path: Path) -> None:
    record = new_record(tmp_path)
    record.save(1, [put("B2", square(9)), SetOverride(("line",), "x")], who="a", what="b")
    shown: list[Content] = []

    def refuse(content: Content) -> None:
        shown.append(content)
        raise DataError(Fault("no", "not this", "Another"))

    before = record.newest()
    with pytest.raises(DataError, match="not this"):
        record.undo(2, 2, who="a", check=refuse)
    with pytest.raises(DataError, match="not this"):
        record.go_back(2, 1, who="a", check=refuse)
    assert record.newest() == before
    assert record.content().overrides == {"line": "x"}
    record.undo(2, 2, who="a", check=shown.append)
    record.go_back(3, 1, who="a", check=shown.append)
    for content in shown:
        assert_same_content(content, record.content())


# A history of any changes: what is saved is what was applied in memory, and every revision stays what it was.
CHANGE = st.one_of(
    st.builds(lambda k, e: put(f"B{k}", square(e), note=e), st.integers(1, 4), st.integers(0, 9)),
    st.builds(lambda k: put(f"B{k}", square()[:2], kinds=(2,)), st.integers(1, 4)),
    st.builds(lambda k: DropFeature("beds", f"B{k}"), st.integers(1, 4)),
    st.builds(
        lambda k, v: SetOverride(("bed", f"B{k}", "skip"), v),
        st.integers(1, 4),
        st.sampled_from([None, True]),
    ),
    st.builds(
        lambda v: SetOverride(("fit",), v), st.sampled_from([None, {"prefer": "cost"}, {"short": "1 mm"}])
    ),
    st.builds(
        lambda k, v: PutTape(f"t{k}", {"reading": v}), st.integers(1, 3), st.sampled_from(["1 m", "2 m"])
    ),
    st.builds(lambda k: DropTape(f"t{k}"), st.integers(1, 3)),
)


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=st.lists(st.lists(CHANGE, max_size=4) | st.integers(0, 20), max_size=8))
def test_any_history(tmp_path_factory: pytest.TempPathFactory, steps: list[list[Change] | int]) -> None:
    record = new_record(tmp_path_factory.mktemp("history"))
    states = [record.content()]
    for step in steps:
        head = len(states)
        if isinstance(step, int):
            to = step % head + 1
            record.go_back(head, to, who="a")
            now = record.content()
            for role, features in states[to - 1].features.items():
                assert_same_features(now.features[role], picked(features, np.arange(len(features))))
            assert (now.overrides, now.tapes) == (states[to - 1].overrides, states[to - 1].tapes)
            states.append(now)
            continue
        try:
            wanted = applied(states[-1], step)
        except DataError:
            with pytest.raises(DataError):
                record.save(head, step, who="a", what="b")
            assert record.head == head
            continue
        record.save(head, step, who="a", what="b")
        now = record.content()
        assert_same_features(now.features["beds"], wanted.features["beds"])
        assert (now.overrides, now.tapes, now.tape_keys) == (wanted.overrides, wanted.tapes, wanted.tape_keys)
        assert now.dropped == wanted.dropped
        states.append(now)
    for number, state in enumerate(states, start=1):
        assert_same_content(record.content(number), state)
    layer = pyogrio.read_dataframe(record.path, layer="beds")
    assert layer["id"].tolist() == states[-1].features["beds"].ids.tolist()


def test_many_threads_save_one_after_the_other(tmp_path: Path) -> None:
    """Every thread tries until its bed is in; all beds are there in the end, each in one revision."""
    record = new_record(tmp_path)
    conflicts = []

    def work(name: str) -> None:
        mine = Record.open(record.path)
        while True:
            try:
                mine.save(mine.head, [put(name, square(50))], who=name, what=f"bed {name}")
            except Conflict as conflict:
                conflicts.append(conflict)
                continue
            return

    threads = [threading.Thread(target=work, args=(f"T{k}",)) for k in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert record.head == 9
    assert sorted(record.content().features["beds"].ids) == ["B1", "B2", *(f"T{k}" for k in range(8))]
    for revision in record.revisions()[1:]:
        added = set(record.content(revision.number).features["beds"].ids) - set(
            record.content(revision.number - 1).features["beds"].ids
        )
        assert added == {revision.who}


def test_a_large_site_is_quick_to_save_and_to_read(tmp_path: Path) -> None:
    """A thousand beds: only what changed is written."""
    own = [entry(f"B{k}", square(20 * k)) for k in range(1000)]
    record = new_record(tmp_path, *own)
    size = record.path.stat().st_size
    for k in range(20):
        record.save(k + 1, [put("B500", square(k))], who="a", what="drag")
    assert record.path.stat().st_size - size < 40_000
    content = record.content()
    assert len(content.features["beds"]) == 1000
    assert [e.id for e in entries_of(content.features["beds"])] == [f"B{k}" for k in range(1000)]


def test_digest_knows_nothing_of_the_file() -> None:
    assert digest_of(blob_of([square()], [0], 1)) == digest_of(blob_of([square()], [0], 2))
    assert digest_of(blob_of([square()], [0], 1)) != digest_of(blob_of([square(1e-9)], [0], 1))
