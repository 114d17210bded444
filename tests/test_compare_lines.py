"""Product lines side by side: the same numbers as each line alone, money apart by currency, safe text."""

from __future__ import annotations

import csv
import io
import itertools
import json
from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pytest

from siteplan.catalog import load_line, shipped_lines
from siteplan.compare.lines import (
    LineComparison,
    LineResult,
    NotPlanned,
    compare_lines,
    named_lines,
    runs_for,
    unbent,
)
from siteplan.errors import DataError, UsageError
from siteplan.ordering import purchase
from siteplan.plans import plan_runs
from siteplan.publish.chart import FILLS, Bar, Panel, bar_chart
from siteplan.publish.linestable import (
    CSV_COLUMNS,
    least,
    lines_csv,
    lines_data,
    lines_json,
    lines_svg,
    notes,
    print_lines,
    run_lines,
    write_lines,
)
from siteplan.sites import Site, load_site
from siteplan.takeoffs import laid_plan, takeoff
from tests.command import siteplan
from tests.make_sites import kidney, polygon, rectangle, write_features

SVG = "{http://www.w3.org/2000/svg}"
EVIL = '=1+1 </text><script>alert("x")</script> [red]${7*7}{{7*7}}'


def site_of(folder: Path, beds: dict[str, Any], more: str = "", name: str = "Trial (invented)") -> Site:
    folder.mkdir(parents=True, exist_ok=True)
    write_features(folder / "beds.geojson", beds)
    said = json.dumps(name)
    (folder / "site.toml").write_text(
        f'name = {said}\nline = "flex-2m"\n[[inputs.beds]]\nfile = "beds.geojson"\n{more}', encoding="utf-8"
    )
    return load_site(folder)


def planned(comparison: LineComparison, key: str) -> LineResult:
    return next(x for x in comparison.planned if x.key == key)


@pytest.fixture(scope="module")
def rectangle_site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    return site_of(tmp_path_factory.mktemp("lines") / "site", {"A": polygon(rectangle(10, 5))})


@pytest.fixture(scope="module")
def two(rectangle_site: Site) -> LineComparison:
    return compare_lines(rectangle_site, named_lines(["flex-2m", "rigid-900mm"]))


# ---------------------------------------------------------------- the numbers


def test_rectangle_by_hand(two: LineComparison) -> None:
    """10 x 5 m with flex-2m, reckoned with pencil and paper from the line's page.

    Arms 250 mm on the outer face are 225 on the laying line (depth 50 mm).  Legs leave 9.55 m and 4.55 m:
    4 sections and a cut, 2 sections and a cut.  Long cuts are about 1.538 m, short ones 0.542: two long ones
    do not share a section of 2 m, nor does a long and a short one, the two short ones do: 3 sections.
    """
    x = planned(two, "flex-2m")
    assert (x.sections, x.cuts, x.corners, x.closers, x.ends, x.pieces) == (12, 4, 4, 0, 0, 20)
    assert (x.unmet, x.unmet_m) == (0, 0.0)
    assert (x.cut_stock, x.cut_least) == (3, 3)
    # 12 + 3 sections and one spare: two packs of ten; 4 corners and one spare: two packs of four
    assert (x.ordered, x.order_over) == (28, 9)
    assert x.cost is not None
    assert (x.cost.material, x.cost.laying, x.cost.cutting) == (20 * 2400 + 8 * 1400, 20 * 150, 4 * 125)
    assert x.cost.together == 59200 + 3000 + 500
    assert x.weight_kg == pytest.approx(20 * 5 + 8 * 1.4)
    assert x.hours is None, "no recipe, no hours"
    # what is bought to be cut is pieces, kept offcuts and waste
    cuts_m = 2 * (10 - 0.45 - 4 * 2 - 6 * 0.002) + 2 * (5 - 0.45 - 2 * 2 - 4 * 0.002)
    assert x.kept_m + x.waste_m == pytest.approx(3 * 2 - cuts_m, abs=2e-5)  # lengths within 10 um of 10 m
    assert x.waste_percent == pytest.approx(100 * x.waste_m / (15 * 2))


def test_same_as_each_line_alone(sample_data: Path) -> None:
    """A second path: the whole way with each line as the site's own, outlines and all."""
    site = load_site(sample_data / "larkspur_close")
    keys = ["rigid-900mm", "flex-2m"]
    comparison = compare_lines(site, named_lines(keys))
    assert [x.key for x in comparison.lines] == keys, "in the order they were asked for"
    for key in keys:
        own = replace(site, line=load_line(key))
        plan = plan_runs(own)
        result = takeoff(own, plan)
        order = purchase(own, plan, result).order
        x = planned(comparison, key)
        assert x.pieces == len(result.pieces)
        assert [x.sections, x.closers, x.cuts, x.corners, x.ends] == list(result.by_kind.values()) or (
            {"section": x.sections, "closer": x.closers, "cut": x.cuts, "corner": x.corners, "end": x.ends}
            == result.by_kind
        )
        assert x.unmet == len(result.unmet)
        assert x.unmet_m == pytest.approx(float(result.unmet.short_m.sum()))
        assert x.cost is not None
        assert x.cost.material == order.subtotal
        assert x.weight_kg == (order.weight_g or 0) / 1000
        assert x.ordered == sum(line.order for line in order.lines)
        assert comparison.runs == len(plan.runs.run_id)
        assert comparison.legs == len(plan.runs.leg_id)


def test_runs_are_found_once_and_are_the_lines_own(rectangle_site: Site) -> None:
    base = plan_runs(replace(rectangle_site, line=unbent(load_line("flex-2m"))))
    lines = [load_line(key) for key in shipped_lines()]
    lines.append(replace(lines[0], corner_rules=replace(lines[0].corner_rules, bend_radius_um=400_000)))
    for line in lines:
        shared = runs_for(rectangle_site, line, base)
        own = plan_runs(replace(rectangle_site, line=line))
        assert (shared is base) == (line.behaviour == "rigid" or line.corner_rules.bend_radius_um is None)
        assert np.array_equal(shared.runs.xy, own.runs.xy)
        assert list(shared.runs.leg_id) == list(own.runs.leg_id)


def test_bent_corners_are_told(tmp_path: Path) -> None:
    """A quarter bend of radius r makes a run 2 r - r pi / 2 shorter (plane trigonometry)."""
    site = site_of(tmp_path, {"A": polygon(rectangle(10, 5))}, '[corners]\nby = ["bend", "unit"]\n')
    line = load_line("flex-2m")
    line = replace(line, corner_rules=replace(line.corner_rules, bend_radius_um=400_000))
    comparison = compare_lines(site, [load_line("rigid-900mm"), line])
    x = planned(comparison, "flex-2m")
    assert x.bends == 4
    assert planned(comparison, "rigid-900mm").bends == 0
    assert comparison.length_m - x.length_m == pytest.approx(4 * 0.4 * (2 - np.pi / 2), abs=2e-3)
    assert any("bent round 4 corners" in note for note in notes(comparison))


def test_play_moves_each_line_by_itself(tmp_path: Path) -> None:
    """Legs moved sideways make the runs of one line longer or shorter, not those of the others."""
    site = site_of(tmp_path, {"A": polygon(rectangle(10.43, 4.9))}, '[fit]\nplay = "80 mm"\n')
    comparison = compare_lines(site, named_lines(["flex-2m", "rigid-900mm"]))
    for x in comparison.planned:
        own = replace(site, line=load_line(x.key))
        plan = plan_runs(own)
        laid = laid_plan(own, plan, takeoff(own, plan))
        assert x.length_m == float(laid.lengths.run_ground_m.sum())
    assert len({x.length_m for x in comparison.planned}) == 2, "at least one of them moves"


def test_hours_are_those_of_the_recipe(tmp_path: Path) -> None:
    site = site_of(tmp_path, {"A": polygon(rectangle(10, 5))}, '[groundwork]\nrecipe = "strip-on-base"\n')
    x = planned(compare_lines(site, named_lines(["flex-2m", "rigid-900mm"])), "flex-2m")
    by_key = {key: hours for key, _, hours in x.hour_items}
    # the recipe's invented rates: 4 min a piece, 6 min a cut, 1 h for 15 m of base, 1 h for 0.6 m3 of trench
    assert by_key["lay_hours"] == pytest.approx(20 * 4 / 60)
    assert by_key["cut_hours"] == pytest.approx(4 * 6 / 60)
    assert by_key["base_hours"] == pytest.approx(30 / 15, abs=1e-4)
    assert by_key["dig_hours"] == pytest.approx(30 * 0.2 * 0.15 / 0.6, abs=1e-4)
    assert x.hours == pytest.approx(sum(by_key.values()))


# ---------------------------------------------------------------- what is not compared


def other_line(folder: Path, name: str, **changes: str) -> str:
    text = (
        (shipped_lines()["flex-2m"]).read_text(encoding="utf-8").replace('key = "flex-2m"', f'key = "{name}"')
    )
    for old, new in changes.items():
        text = text.replace(old.replace("__", " = "), new)
    path = folder / f"{name}.toml"
    path.write_text(text, encoding="utf-8")
    return str(path)


def test_currencies_are_kept_apart(rectangle_site: Site, tmp_path: Path) -> None:
    euro = other_line(tmp_path, "euro-strip", currency='currency = "EUR"\n#')
    text = (tmp_path / "euro-strip.toml").read_text(encoding="utf-8")
    assert 'currency = "EUR"' in text
    comparison = compare_lines(rectangle_site, named_lines(["flex-2m", euro]))
    assert comparison.currencies == ("EUR", "USD")
    assert "cost" not in least(comparison)
    assert set(least(comparison)) >= {"pieces", "cuts", "weight_kg"}, "what is no money is still ranked"
    assert any("neither added nor ranked" in note for note in notes(comparison))
    chart = lines_svg(comparison)
    assert "Cost before tax, EUR" in chart
    assert "Cost before tax, USD" in chart


def test_only_lines_that_make_everything_are_ranked(tmp_path: Path) -> None:
    site = site_of(tmp_path, {"K": polygon(kidney(size=1.2))})
    comparison = compare_lines(site, named_lines(["flex-2m", "rigid-900mm", "block-1ft"]))
    bare = [x.key for x in comparison.planned if x.unmet]
    assert bare, "a kidney of a metre and a half is too tight for rigid pieces"
    ranked = least(comparison)
    assert all(key not in bare for keys in ranked.values() for key in keys)
    for key in bare:
        assert any(note.startswith(key) and "not ranked" in note for note in notes(comparison))


def test_line_without_prices(rectangle_site: Site, tmp_path: Path) -> None:
    path = other_line(tmp_path, "no-price")
    text = Path(path).read_text(encoding="utf-8").replace('price = "24.00"\n', "")
    Path(path).write_text(text, encoding="utf-8")
    comparison = compare_lines(rectangle_site, named_lines(["flex-2m", path]))
    x = planned(comparison, "no-price")
    assert x.cost is None
    assert x.unpriced == ("F-2000",)
    assert "cost" not in least(comparison)
    assert any("no-price has no cost" in note and "F-2000" in note for note in notes(comparison))
    _, row = csv.DictReader(io.StringIO(lines_csv(comparison)))
    assert (row["currency"], row["together"]) == ("", "")


def test_line_that_cannot_be_planned_leaves_the_others(tmp_path: Path) -> None:
    site = site_of(tmp_path, {"A": polygon(rectangle(10, 5))}, '[fit]\nprefer = "cost"\n')
    path = other_line(tmp_path, "no-price")
    text = Path(path).read_text(encoding="utf-8").replace('price = "24.00"\n', "")
    Path(path).write_text(text, encoding="utf-8")
    comparison = compare_lines(site, named_lines([path, "flex-2m"]))
    first, second = comparison.lines
    assert isinstance(first, NotPlanned)
    assert "price" in first.why
    assert isinstance(second, LineResult)
    assert lines_data(comparison)["lines"][0] == {
        "line": "no-price", "name": first.name, "planned": False, "why_not": first.why,
    }  # fmt: skip
    assert "cannot be planned" in lines_svg(comparison)
    assert next(csv.DictReader(io.StringIO(lines_csv(comparison))))["planned"] == "no"
    with pytest.raises(UsageError, match="price"):
        compare_lines(site, [load_line(Path(path))])
    asked: dict[str, Any] = {"out": None, "as_json": True, "skip_faulty": False}
    assert run_lines(site.folder, f"{path},flex-2m", **asked) == 1, "the command tells that one is missing"
    assert run_lines(site.folder, "rigid-900mm,flex-2m", **asked) == 0


def test_settings_of_another_line_are_left_out_and_told(tmp_path: Path) -> None:
    site = site_of(tmp_path, {"A": polygon(rectangle(10, 5))}, "[spares]\ncount = { F-2000 = 4 }\n")
    comparison = compare_lines(site, named_lines(["flex-2m", "rigid-900mm"]))
    assert planned(comparison, "flex-2m").notes == ()
    assert "F-2000" in planned(comparison, "rigid-900mm").notes[0]
    coloured = site_of(
        tmp_path / "c", {"A": polygon(rectangle(10, 5))}, "[order]\ncolours = { grey = 1, sand = 1 }\n"
    )
    assert "colour mix" in planned(compare_lines(coloured, [load_line("flex-2m")]), "flex-2m").notes[0]


def test_colour_mixes_of_the_lines_compared_are_no_faults_of_one_another(tmp_path: Path) -> None:
    lines = [replace(load_line("flex-2m"), key=key, colours=("grey",)) for key in ("near", "far")]
    beds, mixes = {"A": polygon(rectangle(2, 1))}, "near = { grey = 1 }, far = { grey = 1 }"
    site = site_of(tmp_path, beds, f"[order]\nline_colours = {{ {mixes} }}\n")
    assert [x.key for x in compare_lines(site, lines).planned] == ["near", "far"]
    site = site_of(tmp_path, beds, f"[order]\nline_colours = {{ {mixes}, fra = {{ grey = 1 }} }}\n")
    with pytest.raises(DataError, match='no product line "fra"'):
        compare_lines(site, lines)


@pytest.mark.parametrize(
    ("names", "error", "said"),
    [
        (["flex-2m"], UsageError, "two product lines or more"),
        ([], UsageError, "two product lines or more"),
        (["flex-2m", "flex-2m"], UsageError, "named twice"),
        (["flex-2m", "no-such-line"], UsageError, "no-such-line"),
        (["one.toml", "two.toml"], DataError, "(?s)one.toml.*two.toml"),
    ],
)
def test_lines_named_wrongly(names: list[str], error: type[Exception], said: str) -> None:
    with pytest.raises(error, match=said):
        named_lines(names)


# ---------------------------------------------------------------- table, JSON, CSV, chart


def test_json_and_csv_carry_the_same_numbers(two: LineComparison) -> None:
    data = json.loads(lines_json(two))
    rows = list(csv.DictReader(io.StringIO(lines_csv(two))))
    assert tuple(rows[0]) == CSV_COLUMNS
    for row, line in zip(rows, data["lines"], strict=True):
        for name in (
            "pieces",
            "sections",
            "closers",
            "corners",
            "ends",
            "cuts",
            "unmet",
            "ordered",
            "order_over",
        ):
            assert int(row[name]) == line[name]
        for name in ("kept_m", "waste_m", "waste_percent"):
            assert float(row[name]) == line["cut_plan"][name]
        assert round(float(row["together"]) * 100) == line["cost"]["together"]
        assert line["cost"]["together"] == sum(line["cost"][k] for k in ("material", "laying", "cutting"))


def test_equal_comparisons_give_equal_bytes(
    rectangle_site: Site, two: LineComparison, tmp_path: Path
) -> None:
    again = compare_lines(rectangle_site, named_lines(["flex-2m", "rigid-900mm"]))
    assert (lines_json(two), lines_csv(two), lines_svg(two)) == (
        lines_json(again), lines_csv(again), lines_svg(again),
    )  # fmt: skip
    assert write_lines(two, tmp_path / "out") == ("lines.json", "lines.csv", "lines.svg")
    assert (tmp_path / "out" / "lines.svg").read_text(encoding="utf-8") == lines_svg(two)


def test_bars_are_as_long_as_their_numbers(two: LineComparison) -> None:
    root = ET.fromstring(lines_svg(two))
    wide = [float(r.get("width") or 0) for r in root.iter(f"{SVG}rect") if r.get("height") == "15"]
    costs = [x.cost for x in two.planned if x.cost is not None]
    longest = max(c.together for c in costs)
    for cost in costs:
        for part in (cost.material, cost.laying, cost.cutting):
            if part:
                assert any(abs(w - 712 * part / longest) < 0.01 for w in wide), part
    texts = [t for t in root.itertext() if t.strip()]
    for cost in costs:
        assert any(f"{cost.together / 100:,.2f}" in t for t in texts), "the number stands beside its bar"


def luminance(colour: str) -> float:
    """Relative luminance (W3C, Web Content Accessibility Guidelines 2.2, definition of the term)."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    r, g, b = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def test_neighbouring_parts_differ_in_grey() -> None:
    light = [luminance(fill) for fill in FILLS]
    assert all(abs(a - b) > 0.25 for a, b in itertools.pairwise(light))


def test_empty_bars_draw_nothing() -> None:
    root = ET.fromstring(bar_chart("t", [Panel("p", (), (Bar("a", (0.0,), "0"), Bar("b", (), "none")))], []))
    assert not [r for r in root.iter(f"{SVG}rect") if r.get("height") == "15"]


def test_hostile_names_stay_text(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    site = site_of(tmp_path, {"A": polygon(rectangle(10, 5))}, name=EVIL + "\u202e")
    text = (shipped_lines()["flex-2m"]).read_text(encoding="utf-8")
    evil = text.replace('key = "flex-2m"', 'key = "evil"')
    at = evil.index('name = "')
    evil = evil[:at] + f"name = {json.dumps(EVIL)}" + evil[evil.index("\n", at) :]
    (tmp_path / "evil.toml").write_text(evil, encoding="utf-8")
    comparison = compare_lines(site, named_lines([str(tmp_path / "evil.toml"), "rigid-900mm"]))
    root = ET.fromstring(lines_svg(comparison))
    tags = {e.tag.removeprefix(SVG) for e in root.iter()}
    assert tags <= {"svg", "rect", "text", "tspan", "line"}
    assert "alert" in "".join(root.itertext()), "shown as it is"
    assert "\u202e" not in lines_svg(comparison)
    cells = [cell for row in csv.reader(io.StringIO(lines_csv(comparison))) for cell in row]
    assert "'" + EVIL in cells
    assert not any(cell.startswith("=") for cell in cells)
    print_lines(comparison)
    shown = capsys.readouterr().out
    assert "[red]${7*7}{{7*7}}" in shown
    assert "\u202e" not in shown


# ---------------------------------------------------------------- the command


def test_command(rectangle_site: Site, two: LineComparison, tmp_path: Path) -> None:
    place = rectangle_site.folder
    done = siteplan("compare", place, "--lines", "flex-2m,rigid-900mm", "--json", "--out", "o", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert done.stdout == lines_json(two)
    assert (tmp_path / "o" / "lines.json").read_text(encoding="utf-8") == done.stdout
    done = siteplan("compare", place, "--lines", "flex-2m, rigid-900mm", cwd=tmp_path)
    assert done.returncode == 0
    assert "627.00 USD" in done.stdout
    assert not (tmp_path / "siteplan-out").exists(), "nothing is written unless asked for"


@pytest.mark.parametrize(
    ("args", "said"),
    [
        ((), "say what to compare"),
        (("--lines", "flex-2m"), "two product lines"),
        (("--lines", ","), "two product lines"),
        ((".", "--lines", "flex-2m,rigid-900mm"), "say what to compare"),
    ],
)
def test_wrong_usage(rectangle_site: Site, tmp_path: Path, args: tuple[str, ...], said: str) -> None:
    done = siteplan("compare", rectangle_site.folder, *args, cwd=tmp_path)
    assert done.returncode == 2, done.stderr
    assert said in done.stderr
