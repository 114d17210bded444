"""Recipes: units that must match, volumes by definition, areas by closed form."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from siteplan.errors import DataError, UsageError
from siteplan.groundwork import (
    Quantities,
    cubic_yards,
    load_recipe,
    parse_amount,
    read_recipe,
    reckon,
    shipped_recipes,
)
from siteplan.ordering import bed_areas, quantities
from siteplan.plans import plan_runs
from siteplan.sites import load_site, site_settings
from siteplan.takeoffs import takeoff
from siteplan.units import FOOT_M
from tests.make_sites import polygon, rectangle, write_features

HEAD = 'key = "r"\nname = "r"\nnote = "invented for a test"\n'


def some(**more: Any) -> Quantities:
    base: dict[str, Any] = {
        "length_m": Fraction(100), "runs": 2, "pieces": 60, "sections": 50, "closers": 0, "corners": 4,
        "ends": 4, "cuts": 6, "joints": 58, "beds": 3, "bed_area_m2": Fraction(500),
        "inner_area_m2": Fraction(480),
    }  # fmt: skip
    return Quantities(**(base | more))


def recipe(tmp_path: Path, *items: str, head: str = HEAD) -> Any:
    path = tmp_path / "r.toml"
    path.write_text(head + "".join(f"[[item]]\n{item}\n" for item in items), encoding="utf-8")
    return read_recipe(path)


def item(key: str, basis: str, times: list[str], unit: str, more: str = "") -> str:
    return f'key = "{key}"\nname = "{key}"\nbasis = "{basis}"\ntimes = {times}\nunit = "{unit}"\n{more}'


@pytest.mark.parametrize(("inches", "feet2"), [(1, 324), (2, 162), (3, 108), (4, 81), (6, 54)])
def test_one_cubic_yard_covers(tmp_path: Path, inches: int, feet2: int) -> None:
    """QTY-01, QTY-02: 1 yd3 is 27 ft3 and covers 324 ft2 over the depth in inches, exactly."""
    mulch = recipe(tmp_path, item("mulch", "inner_area", [f"{inches} in"], "yd3"))
    row = reckon(mulch, some(inner_area_m2=feet2 * FOOT_M**2)).rows[0]
    assert row.amount == 1
    assert cubic_yards(27 * FOOT_M**3) == 1


@pytest.mark.parametrize(("percent", "rolled"), [(12, Fraction(88, 100)), (15, Fraction(85, 100))])
def test_gravel_loses_when_rolled(tmp_path: Path, percent: int, rolled: Fraction) -> None:
    """QTY-05: loose gravel with a binder loses 12 to 15 % rolled (A Treatise on Roads and Pavements, 1903):
    the loose amount, rolled, is the volume of the base again."""
    base = recipe(
        tmp_path, item("base", "length", ["200 mm", "80 mm"], "m3", f"compaction_percent = {percent}")
    )
    row = reckon(base, some()).rows[0]
    assert row.net == Fraction(16, 10)
    assert row.amount * rolled == row.net


def test_by_hand(tmp_path: Path) -> None:
    """100 m of trench 200 by 150 mm: 3 m3; 25 % swell 3.75 m3; 0.6 m3/h: 5 h; 7 stakes in 2 bundles of 5."""
    r = recipe(
        tmp_path,
        item("trench", "length", ["200 mm", "150 mm"], "m3"),
        item("spoil", "item:trench", [], "m3", "swell_percent = 25"),
        item("hours", "item:trench", ["1 h / 0.6 m3"], "h", 'price = "41.50"'),
        item("stakes", "corner", ["1.6 stake/corner"], "stake", "waste_percent = 5\nround_up = true"),
        item("bundles", "item:stakes", ["1 bundle / 5 stake"], "bundle", "round_up = true"),
        head=HEAD + '[counts]\nstake = "stakes"\nbundle = "bundles"\n',
    )
    rows = {row.key: row for row in reckon(r, some()).rows}
    amounts = {key: row.amount for key, row in rows.items()}
    assert amounts == {"trench": 3, "spoil": Fraction(15, 4), "hours": 5, "stakes": 7, "bundles": 2}
    assert rows["hours"].cost == 20750
    assert rows["spoil"].working == "3.000 m3 x 1.25 (swell)"


@pytest.mark.parametrize(
    ("bad", "code", "words"),
    [
        (item("mulch", "inner_area", ["75 mm", "2 m"], "m3"), "units-do-not-match", "length^4"),
        (item("trench", "length", ["200 mm"], "m3"), "units-do-not-match", "item[1] trench"),
        (item("pins", "piece", ["2 corner"], "corner"), "units-do-not-match", "corner x piece"),
        (item("pins", "section", ["2 pin/section"], "pin"), "bad-unit", 'unit "pin" is not known'),
        (item("x", "lenght", ["1 m"], "m2"), "unknown-basis", "lenght"),
        (item("x", "item:y", ["1 m"], "m2"), "unknown-basis", "no item above"),
        (item("x", "length", ["1 m / 0 m"], "m"), "bad-unit", "divides by zero"),
        (item("x", "length", ["one"], "m"), "bad-unit", "not known"),
        (item("length", "length", [], "m"), "repeated-key", "length"),
    ],
)
def test_faults_by_name(tmp_path: Path, bad: str, code: str, words: str) -> None:
    with pytest.raises(DataError) as caught:
        recipe(tmp_path, bad)
    assert code in [f.code for f in caught.value.faults]
    assert words in str(caught.value)


def test_every_fault_at_once(tmp_path: Path) -> None:
    with pytest.raises(DataError) as caught:
        recipe(
            tmp_path, item("a", "length", ["2 kg"], "m"), item("b", "length", ["2 kg"], "m"),
        )  # fmt: skip
    assert len(caught.value.faults) == 2


@pytest.mark.parametrize("text", ["", "/", "3 4", "1e9 m", "m m", "-3 m", "2 m*2", "9" * 90])
def test_amounts_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"understood|known|long"):
        parse_amount(text, {})


def test_shipped_recipes_say_they_are_invented() -> None:
    assert shipped_recipes()
    for key in shipped_recipes():
        r = load_recipe(key)
        assert r.key == key
        assert "invented" in r.name
        assert "nvented" in r.note
        assert reckon(r, some()).rows


def test_unknown_recipe() -> None:
    with pytest.raises(UsageError, match='Did you mean "strip-on-base"'):
        load_recipe("strip-on-bas")


@pytest.mark.parametrize("offset_m", [0.0, -0.025])
def test_inner_area_of_a_rectangle(tmp_path: Path, offset_m: float) -> None:
    """A rectangle a by b keeps (a - d)(b - d) inside edging of depth d on its outline; laid wholly
    inside, the whole strip is taken off."""
    write_features(tmp_path / "beds.geojson", {"R": polygon(rectangle(10, 4))})
    (tmp_path / "site.toml").write_text(
        f'name = "r"\nline = "flex-2m"\n[outline]\noffset = "{offset_m * 1000:g} mm"\n'
        '[[inputs.beds]]\nfile = "beds.geojson"\n',
        encoding="utf-8",
    )
    site = load_site(tmp_path)
    plan = plan_runs(site)
    depth = site.line.depth_um / 1e6
    area, inner = bed_areas(plan.outlines, plan.runs, depth)
    assert area[0] == pytest.approx(40, abs=1e-3)
    rest = depth - 2 * offset_m
    if offset_m == 0:
        assert inner[0] == pytest.approx((10 - rest) * (4 - rest), abs=1e-3)
    else:
        # the strip lies wholly inside: all of it is taken off
        outer = depth + 2 * offset_m
        strip = (10 - outer) * (4 - outer) - (10 - rest) * (4 - rest)
        assert inner[0] == pytest.approx(40 - strip, abs=1e-3)


def test_inner_area_of_a_ring(tmp_path: Path) -> None:
    """A regular polygon of 180 sides: pi (r - d/2)^2, less 0.02 % for the chords."""
    angle = np.linspace(0, 2 * np.pi, 180, endpoint=False)
    write_features(
        tmp_path / "b.geojson", {"O": polygon(5 * np.column_stack([np.cos(angle), np.sin(angle)]))}
    )
    site = load_site(site_settings(tmp_path / "b.geojson", "flex-2m"))
    plan = plan_runs(site)
    _, inner = bed_areas(plan.outlines, plan.runs, 0.05)
    chords = 180 / 2 * np.sin(2 * np.pi / 180) / np.pi
    assert inner[0] == pytest.approx(np.pi * 4.975**2 * chords, rel=2e-4)


def test_quantities_of_a_site(sample_data: Path) -> None:
    site = load_site(sample_data / "fennel_row")
    plan = plan_runs(site)
    result = takeoff(site, plan)
    q = quantities(site, plan, result)
    assert float(q.length_m) == pytest.approx(plan.lengths.run_ground_m.sum(), abs=1e-6)
    assert q.pieces == q.sections + q.closers + q.corners + q.ends + q.cuts == len(result.pieces)
    assert 0 < q.inner_area_m2 < q.bed_area_m2
    # the strip takes half its depth from the bed for every metre of edging, less at corners; strip
    # edgings without a bed (some of the length) take none
    strip = float(q.bed_area_m2 - q.inner_area_m2)
    with_bed = np.isin(plan.runs.bed, plan.outlines.ring_feature[plan.outlines.ring_kind < 2])
    length = plan.lengths.run_ground_m[with_bed].sum()
    assert strip == pytest.approx(length * site.line.depth_um / 2e6, rel=0.01)
