"""The change order: known changes come out as they were made, no change as none, damage as a report."""

from __future__ import annotations

import csv
import io
import json
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplan.compare.changes import Change, compare_revisions
from siteplan.compare.revision import Revision, read_revision
from siteplan.errors import DataError, Fault
from siteplan.matching import kept_ids, match_beds, match_runs
from siteplan.publish.changeorder import change_csv, change_data, change_json, change_text, read_place
from tests.command import siteplan
from tests.make_sites import kidney, line, polygon, rectangle, write_features

EVIL = "=1+1 [red]${7*7}<script>"


def site_at(folder: Path, beds: dict[str, Any], *, more: str = "", product: str = "flex-2m") -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    write_features(folder / "beds.geojson", beds)
    (folder / "site.toml").write_text(
        f'name = "Trial (invented)"\nline = "{product}"\n[[inputs.beds]]\nfile = "beds.geojson"\n{more}',
        encoding="utf-8",
    )
    return folder


def beds_before() -> dict[str, Any]:
    return {
        "A": polygon(rectangle(10, 5)),
        "B": polygon(rectangle(8, 3, at=(20, 0))),
        "C": polygon(kidney(at=(40, 0))),
        "D": polygon(rectangle(6, 4, at=(0, 20))),
        "E": line([(20, 20), (27, 20), (27, 26)]),
    }


def beds_after() -> dict[str, Any]:
    beds = beds_before()
    beds["A"] = polygon(rectangle(12, 5))  # 2 m longer
    del beds["B"]  # given up
    beds["C2"] = beds.pop("C")  # under another id
    beds["D"] = polygon(rectangle(6, 4, at=(0, 30)))  # moved by 10 m
    beds["F"] = polygon(rectangle(4, 4, at=(60, 20)))  # new
    return beds


def change_of(old: Path, new: Path) -> Change:
    return compare_revisions(read_place(old), read_place(new))


@pytest.fixture(scope="module")
def places(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("revisions")
    recipe = '[groundwork]\nrecipe = "strip-on-base"\n'
    return site_at(folder / "old", beds_before(), more=recipe), site_at(
        folder / "new", beds_after(), more=recipe
    )


@pytest.fixture(scope="module")
def change(places: tuple[Path, Path]) -> Change:
    return change_of(*places)


# ---------------------------------------------------------------- on the ground


def test_beds_as_they_were_changed(change: Change) -> None:
    got = {(x.old, x.new): x.status for x in change.beds}
    assert got == {
        ("A", "A"): "changed",
        ("B", None): "removed",
        ("C", "C2"): "changed",
        ("D", "D"): "changed",
        ("E", "E"): "unchanged",
        (None, "F"): "added",
    }
    moved = {x.bed: x.moved_m for x in change.beds}
    assert moved["A"] == pytest.approx(2.0, abs=1e-3)
    assert moved["D"] == pytest.approx(10.0, abs=1e-3)
    assert moved["C"] <= 1e-6


def test_runs_keep_their_ids(change: Change) -> None:
    got = {x.run: (x.status, x.old.run if x.old else None, x.new.run if x.new else None) for x in change.runs}
    assert got == {
        "A-1": ("changed", "A-1", "A-1"),
        "B-1": ("removed", "B-1", None),
        "C-1": ("unchanged", "C-1", "C2-1"),
        "D-1": ("changed", "D-1", "D-1"),
        "E-1": ("unchanged", "E-1", "E-1"),
        "F-1": ("added", None, "F-1"),
    }
    off = {x.run: x.difference_m for x in change.runs}
    assert off["A-1"] == pytest.approx(4.0, abs=1e-4)
    assert off["B-1"] == pytest.approx(-22.0, abs=1e-4)
    assert off["F-1"] == pytest.approx(16.0, abs=1e-4)
    assert off["D-1"] == pytest.approx(0.0, abs=1e-4)


def test_differences_add_up(change: Change) -> None:
    old_m, new_m = change.length_m
    assert sum(x.difference_m for x in change.runs) == pytest.approx(new_m - old_m, abs=1e-9)
    assert sum((x.new_m or 0) - (x.old_m or 0) for x in change.beds) == pytest.approx(new_m - old_m, abs=1e-9)
    data = change_data(change)
    assert data["length_m"]["difference"] == pytest.approx(-2.0, abs=1e-3)
    for codes in (data["order"],):
        assert sum(row["takeoff"]["difference"] for row in codes) == sum(
            sum((x.new.pieces if x.new else {}).values()) - sum((x.old.pieces if x.old else {}).values())
            for x in change.runs
        )
    money = data["money"]
    amounts = sum(row["amount"]["new"] - row["amount"]["old"] for row in data["order"])
    assert amounts == money["difference"]["subtotal"]
    assert money["difference"]["total"] == money["new"]["total"] - money["old"]["total"]


def test_there_and_back(places: tuple[Path, Path], change: Change) -> None:
    back = change_of(places[1], places[0])
    opposite = {"added": "removed", "removed": "added"}
    assert sorted((x.new or "", x.old or "", opposite.get(x.status, x.status)) for x in back.beds) == sorted(
        (x.old or "", x.new or "", x.status) for x in change.beds
    )
    one, two = change_data(change), change_data(back)
    for name in ("length_m", "unmet_m", "cut_sections", "weight_kg"):
        assert one[name]["difference"] == pytest.approx(-two[name]["difference"])
    off = {row["code"]: row["order"]["difference"] for row in one["order"]}
    assert off == {row["code"]: -row["order"]["difference"] for row in two["order"]}


def test_a_run_cut_in_two_keeps_its_id_with_the_longer_part(tmp_path: Path) -> None:
    """An opening on a straight border: the longer part is the run that was, the other one is new."""
    old = site_at(tmp_path / "old", {"L": line([(0, 0), (30, 0)])})
    new = site_at(
        tmp_path / "new", {"L": line([(0, 0), (30, 0)])}, more='[[inputs.openings]]\nfile = "gate.geojson"\n'
    )
    write_features(new / "gate.geojson", {"G": polygon(rectangle(2, 2, at=(8, -1)))})
    made = change_of(old, new)
    got = [(x.status, round(x.new.ground_m) if x.new else None, x.run) for x in made.runs]
    assert sorted(got) == [("added", 8, "L-2"), ("changed", 20, "L-1")]
    kept = next(x for x in made.runs if x.status == "changed")
    assert kept.new is not None
    assert kept.new.run == "L-2", "the new plan numbers along the line; the change order keeps the old id"
    assert "L-2 in the new plan" in change_text(made)


def test_beds_numbered_anew_are_found_by_their_ground() -> None:
    old = np.array([shapely.box(20 * k, 0, 20 * k + 10, 5) for k in range(4)], dtype=object)
    new = old[1:]
    names = np.array(["1", "2", "3", "4"], dtype=object)
    pairs = match_beds(old, new, names, names[:3])
    assert list(zip(pairs.old.tolist(), pairs.new.tolist(), strict=True)) == [(1, 0), (2, 1), (3, 2)]


@settings(deadline=None, derandomize=True, max_examples=60)
@given(
    st.permutations(range(12)),
    st.lists(st.floats(-0.2, 0.2), min_size=24, max_size=24),
    st.sets(st.integers(0, 11), max_size=6),
    st.booleans(),
)
def test_shuffled_shifted_and_renamed_runs_find_themselves(
    order: list[int], shift: list[float], gone: set[int], renamed: bool
) -> None:
    """Runs 20 m apart, moved by less than 0.3 m, in any order and under any name."""
    rng = np.random.default_rng(7)
    lines = [
        shapely.linestrings(np.cumsum(rng.uniform(0.5, 2, (6, 2)), axis=0) + (20 * k, 0)) for k in range(12)
    ]
    left = [k for k in order if k not in gone]
    moved = [shapely.transform(lines[k], lambda xy, k=k: xy + shift[2 * k : 2 * k + 2]) for k in left]
    old_ids = np.array([f"B-{k}" for k in range(12)], dtype=object)
    new_ids = np.array([f"B-{n}" if renamed else f"B-{k}" for n, k in enumerate(left)], dtype=object)
    beds = match_beds(
        *[np.array([shapely.box(0, 0, 300, 30)], dtype=object)] * 2, *[np.array(["B"], dtype=object)] * 2
    )  # fmt: skip
    pairs = match_runs(
        np.array(lines, dtype=object), np.array(moved, dtype=object), old_ids, new_ids,
        np.zeros(12, dtype=np.int64), np.zeros(len(left), dtype=np.int64), beds,
    )  # fmt: skip
    assert [left[j] for j in pairs.new.tolist()] == pairs.old.tolist()
    assert len(pairs.old) == len(left)
    kept = kept_ids(old_ids, new_ids, np.full(len(left), "B", dtype=object), pairs)
    assert list(kept) == [f"B-{k}" for k in left]
    assert len(set(kept)) == len(kept)


def test_new_runs_never_take_an_old_id() -> None:
    none = np.empty(0, dtype=np.int64)
    nothing = match_beds(*(np.empty(0, dtype=object) for _ in range(4)))
    assert len(nothing.old) == 0
    names = np.array(["A-1", "A-2", "A-9"], dtype=object)
    kept = kept_ids(names, names[:2], np.array(["A", "A"], dtype=object), type(nothing)(none, none))
    assert list(kept) == ["A-3", "A-4"]


# ---------------------------------------------------------------- no change


def test_no_change_is_none_exactly(places: tuple[Path, Path], tmp_path: Path) -> None:
    done = siteplan("takeoff", places[0], "--out", "o", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    for old, new in ((places[0], tmp_path / "o"), (tmp_path / "o", tmp_path / "o" / "summary.json")):
        made = change_of(old, new)
        assert made.none
        assert "No change" in change_text(made)
        data = change_data(made)
        assert (data["no_change"], data["beds"], data["runs"], data["notes"]) == (True, [], [], [])
        assert all(row["order"]["difference"] == 0 for row in data["order"])


def test_another_grid_is_told_and_changes_no_place(tmp_path: Path) -> None:
    """WGS 84 / UTM zone 15N against the local grid: the same ground, other coordinates."""
    old = site_at(tmp_path / "old", beds_before())
    new = site_at(tmp_path / "new", beds_before(), more='[grid]\nname = "EPSG:32615"\n')
    made = change_of(old, new)
    assert {x.status for x in made.beds} == {x.status for x in made.runs} == {"unchanged"}
    assert max(x.moved_m for x in made.runs) < 1e-5, "a grid brought into another one and back"
    assert not made.none
    assert any("different grids" in note for note in made.notes)


def test_another_line_lists_codes_by_line(tmp_path: Path) -> None:
    old = site_at(tmp_path / "old", beds_before())
    new = site_at(tmp_path / "new", beds_before(), product="rigid-900mm")
    made = change_of(old, new)
    assert {x.line for x in made.codes} == {"flex-2m", "rigid-900mm"}
    assert all(x.order[1] == 0 for x in made.codes if x.line == "flex-2m")
    assert {x.status for x in made.runs} == {"laid anew"}
    assert {x.status for x in made.beds} == {"unchanged"}
    assert any("flex-2m to rigid-900mm" in note for note in made.notes)
    assert made.money_compared


def test_money_of_two_currencies_has_no_difference(tmp_path: Path, sample_data: Path) -> None:
    old = site_at(tmp_path / "old", beds_before())
    new = site_at(tmp_path / "new", beds_before(), product="line.toml")
    text = (sample_data.parent / "siteplan" / "lines" / "flex-2m.toml").read_text(encoding="utf-8")
    (new / "line.toml").write_text(text.replace('"USD"', '"EUR"'), encoding="utf-8")
    made = change_of(old, new)
    data = change_data(made)
    assert data["money"]["compared"] is False
    assert set(data["money"]["difference"].values()) == {None}
    page = change_text(made)
    assert any("no difference is taken" in note for note in made.notes)
    assert "USD ->" in page
    assert "EUR" in page


def test_price_and_pack_that_changed_are_told(tmp_path: Path, sample_data: Path) -> None:
    old = site_at(tmp_path / "old", beds_before())
    new = site_at(tmp_path / "new", beds_before(), product="line.toml")
    text = (sample_data.parent / "siteplan" / "lines" / "flex-2m.toml").read_text(encoding="utf-8")
    text = text.replace('price = "24.00"', 'price = "25.50"').replace("pack = 4", "pack = 5", 1)
    (new / "line.toml").write_text(text, encoding="utf-8")
    page = change_text(change_of(old, new))
    assert "price 24.00 -> 25.50" in page
    assert "packs of 5, not 4" in page


# ---------------------------------------------------------------- page, CSV, JSON


def test_csv_carries_the_numbers_of_the_json(change: Change) -> None:
    data = json.loads(change_json(change))
    rows = list(csv.DictReader(io.StringIO(change_csv(change))))
    order = {r["id"]: r for r in rows if r["part"] == "order" and r["unit"] == "pieces ordered"}
    for row in data["order"]:
        assert int(order[row["code"]]["difference"]) == row["order"]["difference"]
        assert order[row["code"]]["remark"] == row["do"]
    runs = {r["id"]: float(r["difference"]) for r in rows if r["part"] == "run"}
    assert runs == {x["run"]: x["difference_m"] for x in data["runs"]}
    total = next(r for r in rows if r["part"] == "money" and r["id"] == "total")
    assert round(float(total["difference"]) * 100) == data["money"]["difference"]["total"]


def test_the_page_is_one_page(tmp_path: Path) -> None:
    """66 lines is a letter sheet at six lines to the inch."""
    many = {f"N{k}": polygon(rectangle(5, 3, at=(8 * (k % 10), 8 * (k // 10)))) for k in range(40)}
    new = {f"M{k}": polygon(rectangle(6, 2, at=(8 * (k % 10), 200 + 8 * (k // 10)))) for k in range(40)}
    recipe = '[groundwork]\nrecipe = "strip-on-base"\n'
    made = change_of(
        site_at(tmp_path / "a", many), site_at(tmp_path / "b", new, product="rigid-900mm", more=recipe)
    )
    page = change_text(made).splitlines()
    assert len(page) <= 66
    assert max(map(len, page)) <= 120
    assert any("more beds, in change.csv" in text for text in page)


def test_hostile_names_stay_text(tmp_path: Path) -> None:
    old = site_at(tmp_path / "old", {"A": polygon(rectangle(10, 5))})
    new = site_at(
        tmp_path / "new", {"A": polygon(rectangle(10, 5)), EVIL: polygon(rectangle(4, 4, at=(20, 0)))}
    )
    text = (
        (new / "site.toml").read_text(encoding="utf-8").replace("Trial (invented)", "\\u001b[31m\\u202eTrial")
    )
    (new / "site.toml").write_text(text, encoding="utf-8")
    made = change_of(old, new)
    cells = [cell for row in csv.reader(io.StringIO(change_csv(made))) for cell in row]
    assert f"'{EVIL}" in cells
    assert not any(cell.startswith(("=", "@", "+")) for cell in cells)
    page = change_text(made)
    assert EVIL[:16] in page
    assert "\x1b" not in page
    assert "\u202e" not in page
    assert json.loads(change_json(made))["new"]["name"] == "\x1b[31m\u202eTrial"


def test_negative_differences_are_numbers_in_csv(change: Change) -> None:
    rows = list(csv.DictReader(io.StringIO(change_csv(change))))
    removed = next(r for r in rows if r["part"] == "run" and r["status"] == "removed")
    assert float(removed["difference"]) < 0


# ---------------------------------------------------------------- damage


@dataclass(frozen=True)
class Output:
    """What a run wrote for the old plan."""

    folder: Path
    revision: Revision
    text: str
    """of summary.json"""


@pytest.fixture(scope="module")
def output(places: tuple[Path, Path], tmp_path_factory: pytest.TempPathFactory) -> Output:
    folder = tmp_path_factory.mktemp("output")
    done = siteplan("takeoff", places[0], "--out", "o", cwd=folder)
    assert done.returncode == 0, done.stderr
    text = (folder / "o" / "summary.json").read_text(encoding="utf-8")
    return Output(folder / "o", read_revision(folder / "o"), text)


def spoil(folder: Path, how: str) -> None:
    summary, plan = folder / "summary.json", folder / "plan.gpkg"
    data = json.loads(summary.read_text(encoding="utf-8"))
    if how == "no summary":
        summary.unlink()
    elif how == "no plan":
        plan.unlink()
    elif how == "empty plan":
        plan.write_bytes(b"")
    elif how == "cut plan":
        plan.write_bytes(plan.read_bytes()[:50_000])
    elif how == "foreign plan":
        plan.unlink()
        write_features(folder / "plan.gpkg", {"A": polygon(rectangle(10, 5))})
    elif how == "not utf-8":
        summary.write_bytes(b"\xff\xfe\x00")
    elif how == "not json":
        summary.write_text("{", encoding="utf-8")
    elif how == "deep":
        summary.write_text("[" * 100_000, encoding="utf-8")
    elif how == "list":
        summary.write_text("[]", encoding="utf-8")
    elif how == "nan":
        summary.write_text(json.dumps({**data, "weight_kg": float("nan")}), encoding="utf-8")
    elif how == "huge":
        summary.write_text(json.dumps({**data, "weight_kg": 1e300}), encoding="utf-8")
    elif how == "text for a number":
        summary.write_text(json.dumps({**data, "weight_kg": "12"}), encoding="utf-8")
    elif how == "negative":
        data["order"][0]["order"] = -5
        summary.write_text(json.dumps(data), encoding="utf-8")
    elif how == "another schema":
        summary.write_text(json.dumps({**data, "schema_version": 2}), encoding="utf-8")
    elif how == "missing key":
        del data["cut_plan"]
        summary.write_text(json.dumps(data), encoding="utf-8")
    elif how == "another plan":
        data["runs"][0]["run"] = "Z-9"
        summary.write_text(json.dumps(data), encoding="utf-8")
    elif how == "doubled run":
        data["runs"].append(data["runs"][0])
        summary.write_text(json.dumps(data), encoding="utf-8")
    elif how == "stray bed":
        data["runs"][0]["bed"] = "Z"
        summary.write_text(json.dumps(data), encoding="utf-8")
    else:
        raise AssertionError(how)


@pytest.mark.parametrize(
    ("how", "code"),
    [
        ("no summary", "no-such-file"),
        ("no plan", "no-such-file"),
        ("empty plan", "not-a-plan"),
        ("cut plan", "not-a-plan"),
        ("foreign plan", "not-a-plan"),
        ("not utf-8", "not-utf8"),
        ("not json", "not-json"),
        ("deep", "not-json"),
        ("list", "not-a-summary"),
        ("nan", "not-json"),
        ("huge", "not-a-summary"),
        ("text for a number", "not-a-summary"),
        ("negative", "not-a-summary"),
        ("another schema", "not-a-summary"),
        ("missing key", "not-a-summary"),
        ("another plan", "not-of-one-plan"),
        ("doubled run", "not-of-one-plan"),
        ("stray bed", "not-of-one-plan"),
    ],
)
def test_damaged_and_foreign_files(output: Output, tmp_path: Path, how: str, code: str) -> None:
    folder = tmp_path / "bad"
    shutil.copytree(output.folder, folder)
    spoil(folder, how)
    with pytest.raises(DataError) as caught:
        read_revision(folder)
    assert code in [fault.code for fault in caught.value.faults]
    assert all(fault.file and fault.remedy for fault in caught.value.faults)
    assert all(len(fault.text) < 900 for fault in caught.value.faults)


JSON_VALUES = st.one_of(
    st.none(), st.booleans(), st.integers(-(10**20), 10**20), st.floats(allow_nan=False), st.text(max_size=5),
    st.just("\ud800"), st.just([]), st.just({}), st.just({"\x00": 1}), st.just([None]), st.just(10**4000),
)  # fmt: skip


@settings(deadline=None, derandomize=True, max_examples=100)
@given(st.data())
def test_any_value_in_any_place_is_read_or_reported(output: Output, data: st.DataObject) -> None:
    """One value of a summary replaced by anything: a report or a change order, never a traceback."""
    summary = json.loads(output.text)
    node, key = summary, data.draw(st.sampled_from(sorted(summary)))
    while isinstance(node[key], (dict, list)) and node[key] and data.draw(st.booleans()):
        node = node[key]
        key = data.draw(st.sampled_from(sorted(node))) if isinstance(node, dict) else 0
    node[key] = data.draw(JSON_VALUES)
    path = output.folder / "summary.json"
    path.write_text(json.dumps(summary), encoding="utf-8")
    made: Change | None = None
    faults: tuple[Fault, ...] = ()
    try:
        made = compare_revisions(read_revision(output.folder), output.revision)
    except DataError as error:
        faults = error.faults
    finally:
        path.write_text(output.text, encoding="utf-8")
    assert (made is None) == bool(faults)
    assert all(fault.remedy for fault in faults)
    for text in () if made is None else (change_text(made), change_json(made), change_csv(made)):
        text.encode("utf-8")


def test_command(places: tuple[Path, Path], output: Output, tmp_path: Path, change: Change) -> None:
    done = siteplan("compare", output.folder, places[1], "--out", "c", "--json", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    data = json.loads(done.stdout)
    assert data["order"] == json.loads(change_json(change))["order"]
    assert (tmp_path / "c" / "change.json").read_text(encoding="utf-8") == done.stdout
    assert sorted(p.name for p in (tmp_path / "c").iterdir()) == ["change.csv", "change.json", "change.txt"]
    done = siteplan("compare", output.folder, places[1], cwd=tmp_path)
    assert done.stdout.startswith("CHANGE ORDER  Trial (invented)")


def test_faults_of_both_sides_in_one_report(output: Output, tmp_path: Path) -> None:
    folder = tmp_path / "bad"
    shutil.copytree(output.folder, folder)
    spoil(folder, "not json")
    done = siteplan("compare", folder, tmp_path / "nowhere", cwd=tmp_path)
    assert done.returncode == 1
    assert "2 faults" in done.stderr
    assert "not-json" in done.stderr
    assert "no-such-file" in done.stderr
    assert "Traceback" not in done.stderr
