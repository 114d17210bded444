"""The order as files: the same numbers everywhere, the same bytes every time, nothing that runs."""

from __future__ import annotations

import csv
import io
import json
import sqlite3
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from siteplan.ordering import purchase
from siteplan.plans import plan_runs
from siteplan.publish.orderbook import cutlist_csv, order_csv, write_workbook
from siteplan.publish.write import write_plan
from siteplan.sites import load_site, measure
from siteplan.takeoffs import takeoff
from tests.make_sites import polygon, rectangle, write_features

EVIL = '=HYPERLINK("http://example.com","x")'
TOML = """
name = "=1+1"
line = "line.toml"
[[inputs.beds]]
file = "beds.geojson"
[spares]
percent = 2.5
breakage_percent = 1
[order]
packs_per = "phase"
tax_percent = "7.25"
colours = { grey = 2, "@sand" = 1 }
[groundwork]
recipe = "strip-on-base"
[[phase]]
name = "1"
drop = "+north gate"
drop_lonlat = [-93.0, 41.5]
[bed."A"]
phase = "1"
[bed."B"]
phase = "2"
"""


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory, sample_data: Path) -> Any:
    folder = tmp_path_factory.mktemp("ordered")
    write_features(
        folder / "beds.geojson",
        {
            "A": polygon(rectangle(10.3, 4.7)),
            "B": polygon(rectangle(6.1, 3.4, at=(20, 0))),
        },
    )
    shipped = (sample_data.parent / "siteplan" / "lines" / "flex-2m.toml").read_text(encoding="utf-8")
    shipped = shipped.replace('key = "flex-2m"', 'key = "flex-2m"\ncolours = ["grey", "@sand"]')
    name = EVIL.replace('"', "'")
    (folder / "line.toml").write_text(shipped.replace("Section 2 m", name), encoding="utf-8")
    (folder / "site.toml").write_text(TOML, encoding="utf-8")
    return load_site(folder)


@pytest.fixture(scope="module")
def made(site: Any) -> Any:
    plan = plan_runs(site)
    result = takeoff(site, plan)
    return plan, result, purchase(site, plan, result)


def cells(path: Path, sheet: str) -> list[list[Any]]:
    return [list(row) for row in openpyxl.load_workbook(path)[sheet].iter_rows(values_only=True)]


def test_same_bytes(site: Any, made: Any, tmp_path: Path) -> None:
    for name in ("a.xlsx", "b.xlsx"):
        write_workbook(tmp_path / name, site, made[1], made[2])
    assert (tmp_path / "a.xlsx").read_bytes() == (tmp_path / "b.xlsx").read_bytes()


def test_nothing_in_the_workbook_is_a_formula_or_a_link(site: Any, made: Any, tmp_path: Path) -> None:
    path = tmp_path / "order.xlsx"
    write_workbook(path, site, made[1], made[2])
    book = openpyxl.load_workbook(path)
    found = set()
    for sheet in book:
        for row in sheet.iter_rows():
            for cell in row:
                assert cell.data_type != "f", (sheet.title, cell.coordinate, cell.value)
                assert cell.hyperlink is None
                found.add(cell.value)
    assert EVIL.replace('"', "'") in found
    assert {"@sand", "+north gate"} <= found
    assert book.sheetnames == ["order", "takeoff", "cut list", "phases", "groundwork"]


def test_csv_cells_are_quoted(site: Any, made: Any) -> None:
    _, result, bought = made
    for text in (order_csv(bought.order), cutlist_csv(site, result, bought)):
        for row in csv.reader(io.StringIO(text)):
            assert not any(cell.startswith(("=", "+", "@", "-")) for cell in row)


def test_the_same_numbers_in_every_file(site: Any, made: Any, tmp_path: Path) -> None:
    plan, result, bought = made
    written = write_plan(site, measure(site), plan, result, tmp_path / "out", formats="geopackage")
    assert {"order.xlsx", "order.csv", "cutlist.csv", "takeoff.csv"} <= set(written.files)
    data = json.loads((tmp_path / "out" / "summary.json").read_text(encoding="utf-8"))
    lines = list(csv.DictReader(io.StringIO((tmp_path / "out" / "order.csv").read_text(encoding="utf-8"))))
    sheet = cells(tmp_path / "out" / "order.xlsx", "order")
    rows = sheet[3 : 3 + len(lines)]
    for row, line, own in zip(rows, lines, bought.order.lines, strict=True):
        assert (row[0], row[7]) == (line["code"], int(line["order"])) == (own.code, own.order)
        assert f"{row[8]:.2f}" == line["amount"]
    total = next(r[8] for r in sheet if r[0] == "Total")
    assert round(total * 100) == bought.order.total == data["money"]["total"]
    assert sum(round(float(line["amount"]) * 100) for line in lines) == bought.order.subtotal
    ordered = {r["code"]: r["order"] for r in data["order"]}
    assert ordered == {r.code: r.order for r in bought.order.rows if r.order}
    # the saw list: once in the GeoPackage, once as CSV, once on paper
    saw = list(csv.DictReader(io.StringIO((tmp_path / "out" / "cutlist.csv").read_text(encoding="utf-8"))))
    with sqlite3.connect(tmp_path / "out" / "plan.gpkg") as base:
        stored = base.execute("select stock, piece, cut_m from saw_list").fetchall()
    base.close()
    assert [(int(r["stock"]), r["piece"], float(r["cut_m"])) for r in saw] == stored
    assert len(stored) == result.by_kind["cut"] > 0
    assert [r[3] for r in cells(tmp_path / "out" / "order.xlsx", "cut list")[3 : 3 + len(saw)]] == [
        r["piece"] for r in saw
    ]
    assert data["cut_plan"]["stock"] == len({r["stock"] for r in saw})
    assert data["cut_plan"]["sections"][0]["gap"] == 0
    assert [d["phase"] for d in data["deliveries"]] == ["1", "2"]
    assert data["groundwork"]["items"][0]["key"] == "trench"


def test_carry_from_the_drop_point(site: Any, made: Any) -> None:
    """Straight lines on the ground, checked on the ellipsoid from the pieces' longitudes and latitudes."""
    from geographiclib.geodesic import Geodesic

    _, result, bought = made
    drop = bought.drops[0]
    here = site.beds.ids[result.pieces.bed] == "A"
    lonlat = site.frame.wgs84(result.pieces.xy[here])
    far = [Geodesic.WGS84.Inverse(41.5, -93.0, lat, lon)["s12"] for lon, lat in lonlat]
    assert drop.drop == "+north gate"
    assert drop.mean_carry_m == pytest.approx(sum(far) / len(far), rel=1e-3)
    assert drop.greatest_carry_m == pytest.approx(max(far), rel=1e-3)
    assert bought.drops[1].mean_carry_m is None
