"""The same numbers on paper, on the map, in the spreadsheet and in the data; and docs/worked-order.md.

Three runs of the sample site are reckoned here from the lengths of their legs and the invented product
line alone, and held against every file a run writes; the tables of the page are held against the same.
"""

from __future__ import annotations

import base64
import csv
import json
import math
import re
import shutil
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pyogrio
import pypdfium2
import pytest

from siteplan.compare.changes import Change, compare_revisions
from siteplan.compare.lines import LineComparison, compare_lines, named_lines
from siteplan.compare.revision import read_revision
from siteplan.plans import plan_runs
from siteplan.publish.changeorder import change_data, change_text, read_place
from siteplan.publish.linestable import lines_data, lines_svg
from siteplan.publish.write import write_plan
from siteplan.sheets.options import sheet_options
from siteplan.sheets.write import write_sheets
from siteplan.sites import load_site, measure
from siteplan.takeoffs import takeoff
from siteplan.units import format_length

RUNS = ("W9-1", "T9-1", "E2-1")
# flex-2m, from its file: what the arithmetic below rests on
SECTION, GAP, CLEARANCE, KERF, LEAST_CUT = 2.0, 0.002, 0.005, 0.003, 0.2
ARM = 0.250 - 0.050 / 2 * math.tan(math.radians(45))


@dataclass(frozen=True)
class Output:
    """The files of one run, read by libraries that did not write them."""

    folder: Path
    summary: dict[str, Any]
    map: dict[str, Any]

    def layer(self, name: str) -> Any:
        return pyogrio.read_dataframe(self.folder / "plan.gpkg", layer=name)

    def sheet(self, name: str) -> list[list[Any]]:
        book = openpyxl.load_workbook(self.folder / "order.xlsx", data_only=True)
        return [list(row) for row in book[name].iter_rows(values_only=True)]

    def rows(self, name: str) -> list[dict[str, str]]:
        with (self.folder / name).open(encoding="utf-8", newline="") as file:
            return list(csv.DictReader(file))

    def run(self, name: str) -> dict[str, Any]:
        return next(run for run in self.summary["runs"] if run["run"] == name)


@pytest.fixture(scope="module")
def output(sample_data: Path, tmp_path_factory: pytest.TempPathFactory) -> Output:
    folder = tmp_path_factory.mktemp("worked") / "out"
    site = load_site(sample_data / "fennel_row")
    plan = plan_runs(site)
    result = takeoff(site, plan)
    measures = measure(site)
    write_plan(site, measures, plan, result, folder)
    write_sheets(site, measures, plan, result, folder, sheet_options(pictures=False))
    page = (folder / "map.html").read_text(encoding="utf-8")
    found = re.search(r'id="siteplan-data">(.*?)</script>', page, re.DOTALL)
    assert found is not None
    summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    return Output(folder, summary, json.loads(found[1]))


def page_tables(path: Path) -> list[list[list[str]]]:
    """Tables of a Markdown page, as text cells, headings first."""
    tables: list[list[list[str]]] = [[]]
    for text in path.read_text(encoding="utf-8").splitlines():
        if text.startswith("|"):
            if not re.fullmatch(r"[|\s:-]+", text):
                tables[-1].append([cell.strip() for cell in text.strip().strip("|").split("|")])
        elif tables[-1]:
            tables.append([])
    return [table for table in tables if table]


@pytest.fixture(scope="module")
def page(sample_data: Path) -> dict[str, list[list[list[str]]]]:
    """Tables of docs/worked-order.md by their first heading, in order."""
    named: dict[str, list[list[list[str]]]] = {}
    for table in page_tables(sample_data.parent / "docs" / "worked-order.md"):
        named.setdefault(table[0][0], []).append(table[1:])
    return named


# ---------------------------------------------------------------- from the leg to the cut


def by_hand(leg: str, length: float) -> tuple[float, int, int, list[float]]:
    """Taken off, whole sections, joints and cuts of a leg of the three runs."""
    if leg.startswith("T9"):
        whole = int(length // (SECTION + GAP))
        joints = whole + 1
        return 0.0, whole, joints, [length - whole * SECTION - joints * GAP]
    at_wall = leg in ("E2-1-1", "E2-1-4")
    off = CLEARANCE + ARM if at_wall else 2 * ARM
    rest = length - off
    for whole in range(int(rest // SECTION), -1, -1):
        joints = whole + 1 if at_wall else whole + 2
        cut = rest - whole * SECTION - joints * GAP
        if cut >= LEAST_CUT:
            return off, whole, joints, [cut]
        if cut > 0:
            # too short to be cut: shared with the last section
            half = (rest - (whole - 1) * SECTION - joints * GAP) / 2
            return off, whole - 1, joints, [half, half]
    raise AssertionError(leg)


def legs_of(output: Output) -> list[dict[str, Any]]:
    return [leg for name in RUNS for leg in output.run(name)["legs"]]


def test_legs_by_hand(output: Output) -> None:
    """Corners of the drawing are square within 0.002 degrees: 0.01 mm on an arm of a quarter metre."""
    layer = output.layer("legs").set_index("leg")
    for leg in legs_of(output):
        off, whole, joints, cuts = by_hand(leg["leg"], leg["ground_m"])
        row = layer.loc[leg["leg"]]
        assert leg["rest_m"] == pytest.approx(leg["ground_m"] - off, abs=1e-5)
        assert row["rest_m"] == pytest.approx(leg["rest_m"], abs=1e-9)
        assert sum(leg["counts"].values()) == whole + len(cuts)
        assert row["joints"] == joints
        assert sorted(leg["cut_m"]) == pytest.approx(sorted(cuts), abs=1.5e-5)
        assert [row["cut_1_m"], row["cut_2_m"]][: len(cuts)] == pytest.approx(leg["cut_m"], abs=1e-9)
        assert leg["left_over_m"] == 0


def test_page_legs(output: Output, page: dict[str, list[list[list[str]]]]) -> None:
    (table,) = page["leg"]
    assert [row[0] for row in table] == [leg["leg"] for leg in legs_of(output)]
    for row, leg in zip(table, legs_of(output), strict=True):
        length, off, rest, whole, joints, cut = (float(cell) for cell in row[1:])
        assert length == pytest.approx(leg["ground_m"], abs=6e-5)
        assert rest == pytest.approx(leg["rest_m"], abs=6e-5)
        assert off == pytest.approx(leg["ground_m"] - leg["rest_m"], abs=1e-5)
        assert whole == sum(leg["counts"].values()) - len(leg["cut_m"])
        assert all(cut == pytest.approx(made, abs=6e-5) for made in leg["cut_m"])
        # and the row by itself, to what its rounding allows
        shares = len(leg["cut_m"])
        assert rest == pytest.approx(length - off, abs=1.1e-4)
        assert cut == pytest.approx((rest - whole * SECTION - joints * GAP) / shares, abs=1.1e-4)


def test_page_runs(output: Output, page: dict[str, list[list[list[str]]]]) -> None:
    first, _ = page["run"]
    for name, whole, cuts, corners, pieces, length in first:
        run = output.run(name)
        n_cut = sum(len(leg["cut_m"]) for leg in run["legs"])
        assert int(cuts) == n_cut
        assert int(whole) == run["pieces"]["F-2000"] - n_cut
        assert int(corners) == run["pieces"].get("F-CO", 0)
        assert int(pieces) == int(whole) + int(cuts) + int(corners) == sum(run["pieces"].values())
        assert float(length) == pytest.approx(run["ground_m"], abs=6e-5)


# ---------------------------------------------------------------- the same numbers everywhere


def test_runs_on_paper_map_and_in_the_data(output: Output) -> None:
    runs = output.layer("runs").set_index("run")
    pieces = output.layer("pieces")
    notes = dict(zip(output.map["runs"]["ids"], output.map["runs"]["texts"], strict=True))
    paper = sheet_text(output)
    for name in RUNS:
        run = output.run(name)
        count = sum(run["pieces"].values())
        assert runs.loc[name, "ground_m"] == pytest.approx(run["ground_m"], abs=1e-6)
        assert runs.loc[name, "pieces"] == count == int((pieces["run"] == name).sum())
        shown = format_length(run["ground_m"])
        assert shown in notes[name]
        assert f"{count} pieces" in notes[name]
        assert sum(i.startswith(f"{name}-") for i in output.map["pieces"]["ids"]) == count
        assert re.search(rf"{name} .{{0,20}}, {re.escape(shown)} .{{0,3}} {count} pieces", paper), name


def sheet_text(output: Output) -> str:
    document = pypdfium2.PdfDocument(output.folder / "sheets.pdf")
    return "\n".join(page.get_textpage().get_text_range() for page in document)


def test_cuts_on_paper_map_spreadsheet_and_in_the_data(output: Output) -> None:
    wanted = {}
    table = output.layer("pieces")
    for _, row in table[table["run"].isin(RUNS) & (table["kind"] == "cut")].iterrows():
        wanted[row["piece"]] = row["cut_m"]
    assert len(wanted) == 11
    saw = output.layer("saw_list").set_index("piece")
    book = {row[3]: row[6] for row in output.sheet("cut list") if row[3] in wanted}
    listed = {
        row["piece"]: float(row["cut_m"]) for row in output.rows("cutlist.csv") if row["piece"] in wanted
    }
    on_map = output.map["pieces"]
    which = np.frombuffer(base64.b64decode(on_map["length"]), dtype="<u4").tolist()
    notes = {i: on_map["lengths"][k] for i, k in zip(on_map["ids"], which, strict=True)}
    paper = sheet_text(output)
    for piece, cut in wanted.items():
        assert saw.loc[piece, "cut_m"] == pytest.approx(cut, abs=1e-9)
        assert book[piece] == pytest.approx(cut, abs=1e-9)
        assert listed[piece] == pytest.approx(cut, abs=1e-9)
        assert notes[piece] == format_length(cut)
        assert f"cut {format_length(cut)}" in paper
    of_legs = sorted(cut for leg in legs_of(output) for cut in leg["cut_m"])
    assert sorted(wanted.values()) == pytest.approx(of_legs, abs=1e-9)


def test_takeoff_and_order_on_paper_map_spreadsheet_and_in_the_data(output: Output) -> None:
    order = {row["code"]: row for row in output.summary["order"]}
    table = output.layer("takeoff").set_index("code")
    book = {row[0]: row for row in output.sheet("takeoff")[3:] if row[0] in order}
    lines = {row["code"]: row for row in output.rows("order.csv")}
    by_code = {row["code"]: row for row in output.rows("takeoff.csv")}
    on_map = {row["code"]: row for row in output.map["counts"]}
    codes = output.layer("pieces")["code"].value_counts()
    paper = sheet_text(output)
    assert set(order) == set(book) == set(lines) == set(on_map)
    for code, row in order.items():
        assert row["takeoff"] == codes[code] == table.loc[code, "takeoff"] == book[code][3]
        assert str(row["takeoff"]) == by_code[code]["takeoff"] == on_map[code]["count"]
        assert row["order"] == table.loc[code, "ordered"] == book[code][14]
        assert str(row["order"]) == lines[code]["order"] == by_code[code]["order"] == on_map[code]["order"]
        assert row["amount"] == round(book[code][15] * 100) == round(float(lines[code]["amount"]) * 100)
        assert re.search(rf"{code} .*\b{row['takeoff']}\b.* {row['order']}\b", paper), code
    total = next(row for row in output.sheet("order") if row[0] == "Total")
    assert round(total[8] * 100) == output.summary["money"]["total"]


# ---------------------------------------------------------------- the cut list


def test_page_cut_list(output: Output, page: dict[str, list[list[list[str]]]]) -> None:
    """Each section on the page fills 2 m, and all of it is what the saw list says."""
    saw = output.rows("cutlist.csv")
    (table,) = page["section"]
    shown = set()
    for number, pieces, cuts, offcut, keep in table:
        names, lengths = pieces.split(", "), [float(cut) for cut in cuts.split(", ")]
        shown.update(names)
        over = SECTION - sum(lengths) - len(lengths) * KERF
        assert float(offcut) == pytest.approx(max(over, 0.0), abs=1.5e-6)
        assert keep == ("" if float(offcut) == 0 else "keep" if float(offcut) >= LEAST_CUT else "waste")
        rows = [row for row in saw if row["stock"] == number]
        assert [row["piece"] for row in rows] == names
        assert [float(row["cut_m"]) for row in rows] == pytest.approx(lengths, abs=1e-9)
        assert rows[-1]["keep"] == keep
    cut = output.layer("pieces")
    cut = cut[cut["run"].isin(RUNS) & (cut["kind"] == "cut")]
    assert set(cut["piece"]) <= shown, "every cut of the three runs is on the page"
    (plan,) = output.summary["cut_plan"]["sections"]
    assert (plan["stock"], math.ceil(plan["bound"]), plan["pieces"]) == (125, 125, 186)
    together = sum(float(row["cut_m"]) for row in saw)
    assert together == pytest.approx(207.680, abs=6e-4)
    assert plan["kept_m"] == pytest.approx(37.284, abs=6e-4)
    assert plan["waste_m"] == pytest.approx(125 * 2 - together - plan["kept_m"], abs=1e-6)


# ---------------------------------------------------------------- order, chart, change order


def order_by_hand(takeoff: int, cut: int, stock: int, pack: int, price: Fraction) -> list[Fraction]:
    """Rows of the order's table: takeoff ... amount."""
    needed = takeoff - cut + stock
    spares = math.ceil(Fraction(3, 100) * needed)
    packs = math.ceil(Fraction(needed + spares, pack))
    steps = [takeoff, cut, stock, needed, spares, needed + spares, packs, packs * pack]
    return [*map(Fraction, steps), packs * pack * price]


@pytest.mark.parametrize("nth", [0, 1])
def test_page_order(output: Output, change: Change, page: dict[str, list[list[list[str]]]], nth: int) -> None:
    """The order before and after the change, by hand, on the page and by the program."""
    summary = [change.old.summary, change.new.summary][nth]
    table = page["step"][nth]
    rows = {row.code: row for row in summary.order}
    for column, code, pack, price in ((1, "F-2000", 10, Fraction(24)), (2, "F-CO", 4, Fraction(14))):
        shown = [Fraction(row[column]) for row in table]
        cut, stock = (summary.by_kind["cut"], summary.cut_plan.stock) if code == "F-2000" else (0, 0)
        row = rows[code]
        assert shown == order_by_hand(row.takeoff, cut, stock, pack, price)
        assert shown[6:] == [Fraction(row.packs), Fraction(row.order), Fraction(row.amount or 0, 100)]


@pytest.fixture(scope="module")
def comparison(sample_data: Path) -> LineComparison:
    return compare_lines(load_site(sample_data / "fennel_row"), named_lines(["flex-2m", "rigid-900mm"]))


def test_page_chart(
    output: Output, comparison: LineComparison, page: dict[str, list[list[list[str]]]]
) -> None:
    (table,) = page["number"][:1]
    shown = {row[0]: Fraction(row[2]) for row in table}
    line = lines_data(comparison)["lines"][0]
    cost = line["cost"]
    assert shown["material"] * 100 == cost["material"] == output.summary["money"]["subtotal"]
    assert shown["laying"] * 100 == cost["laying"] == line["pieces"] * 150
    assert shown["cutting"] * 100 == cost["cutting"] == line["cuts"] * 125
    assert (
        shown["cost before tax"] * 100
        == cost["together"]
        == sum(cost[k] for k in ("material", "laying", "cutting"))
    )
    assert float(shown["waste"]) == pytest.approx(line["cut_plan"]["waste_m"], abs=6e-4)
    assert float(shown["waste of the length taken"]) == pytest.approx(
        100 * line["cut_plan"]["waste_m"] / (1161 * 2), abs=6e-5
    )
    items = {x["key"]: x["amount"] for x in output.summary["groundwork"]["items"]}
    length = sum(run["ground_m"] for run in output.summary["runs"])
    hours = length * 0.2 * 0.15 / 0.6 + length / 15 + line["pieces"] * 4 / 60 + line["cuts"] * 6 / 60
    assert line["hours"] == pytest.approx(hours + items["mulch"] / 2, abs=1e-3)
    assert float(shown["hours"]) == pytest.approx(line["hours"], abs=6e-4)
    chart = lines_svg(comparison)
    for text in (
        "32,776.50: material 30,528.00, laying 2,016.00, cutting 232.50",
        "5.035 m, 0.22 %",
        "598.2 h",
    ):
        assert text in chart


def revised(sample: Path, folder: Path) -> Path:
    """The sample site with T9 given up, W9 2 m longer, and a second E12 as E14."""
    shutil.copytree(sample, folder)
    path = folder / "beds.geojson"
    data = json.loads(path.read_text(encoding="utf-8"))
    kept = []
    for feature in data["features"]:
        bed = feature["properties"]["bed"]
        if bed == "T9":
            continue
        kept.append(feature)
        ring = np.array(feature["geometry"]["coordinates"][0]) if bed in ("W9", "E12") else np.empty((0, 2))
        if bed == "W9":
            a, b, c, d = ring[:4]
            ring = np.array([a, a + (b - a) * 8 / 7, d + (c - d) * 8 / 7, d, a])
            feature["geometry"]["coordinates"] = [ring.tolist()]
        if bed == "E12":
            copy = json.loads(json.dumps(feature))
            copy["properties"].update(bed="E14", name="East lawn, second slanting bed")
            copy["geometry"]["coordinates"] = [(ring + (0.0003, 0.0)).tolist()]
            kept.append(copy)
    data["features"] = kept
    path.write_text(json.dumps(data), encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def change(output: Output, sample_data: Path, tmp_path_factory: pytest.TempPathFactory) -> Change:
    new = revised(sample_data / "fennel_row", tmp_path_factory.mktemp("revised") / "site")
    return compare_revisions(read_revision(output.folder), read_place(new))


def test_page_change_order(change: Change, page: dict[str, list[list[list[str]]]]) -> None:
    data = change_data(change)
    _, table = page["run"]
    by_run = {x["run"]: x for x in data["runs"]}
    assert set(by_run) == {row[0] for row in table[:-1]}
    assert {x["bed"] for x in data["beds"]} == {"T9", "W9", "E14"}
    sums = np.zeros(4)
    for name, length, sections, cuts, corners in table[:-1]:
        run = by_run[name]
        one, two = ({} if run[side] is None else run[side]["pieces"] for side in ("old", "new"))
        assert float(length) == pytest.approx(run["difference_m"], abs=6e-4)
        assert int(sections) == two.get("F-2000", 0) - one.get("F-2000", 0)
        assert int(corners) == two.get("F-CO", 0) - one.get("F-CO", 0)
        sums += [float(length), int(sections), int(cuts), int(corners)]
    assert sums == pytest.approx([float(cell) for cell in table[-1][1:]], abs=1.1e-3)
    off = {row["code"]: row for row in data["order"]}
    assert off["F-2000"]["takeoff"]["difference"] == sums[1]
    assert data["by_kind"]["cut"]["difference"] == sums[2]
    assert off["F-CO"]["takeoff"]["difference"] == sums[3]
    assert data["length_m"]["difference"] == pytest.approx(28.483, abs=6e-4)
    # by hand: 20 sections and 4 corners more
    assert (off["F-2000"]["do"], off["F-CO"]["do"]) == ("order 20 more", "order 4 more")
    assert data["money"]["difference"]["total"] == 20 * 2400 + 4 * 1400 == 53600
    assert data["weight_kg"]["difference"] == pytest.approx(20 * 5 + 4 * 1.4)
    assert change.new.summary.cut_plan.least == change.new.summary.cut_plan.stock == 128
    text = change_text(change)
    assert "28.483" in text
    assert "+536.00" in text
