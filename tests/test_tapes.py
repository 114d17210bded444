"""Readings in: names, units, faults all at once, what is still usable."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplan.errors import DataError, UsageError
from siteplan.plans import RunPlan, plan_runs
from siteplan.reconcile.readings import celsius, grade, newtons, read, spans
from siteplan.reconcile.rows import Row, file_rows
from siteplan.reconcile.tapes import load_tapes, read_tapes
from siteplan.settings import SiteSettings
from siteplan.sites import Site, load_site
from siteplan.tape_settings import Reconcile, TapeRow
from siteplan.tomlfile import validated

HEAD = "id,of,from,to,reading,inches,tape,kind,basis,support,temperature,pull,rise\n"


@pytest.fixture(scope="module")
def place(sample_data: Path) -> tuple[Site, RunPlan]:
    site = load_site(sample_data / "fennel_row")
    return site, plan_runs(site)


def faults(place: tuple[Site, RunPlan], tmp_path: Path, body: str) -> dict[str, list[str]]:
    file = tmp_path / "t.csv"
    file.write_text(HEAD + body, encoding="utf-8")
    with pytest.raises(DataError) as caught:
        load_tapes(*place, file)
    found: dict[str, list[str]] = {}
    for f in caught.value.faults:
        found.setdefault(f.feature or "", []).append(f.code)
    return found


def test_names_on_paper(place: tuple[Site, RunPlan], tmp_path: Path) -> None:
    file = tmp_path / "t.csv"
    file.write_text(
        HEAD + "1,W9-1-2,,,14 m,,A,steel,,,,,\n2,W9-1,,,36 m,,A,,,,,,\n"
        "3,,W9-1-c1,W9-1-c3,14.56 m,,A,,,,,,\n4,,W9-1-2.start,W9-1-2.end,14 m,,A,,,,,,\n"
        "5,,W9.v1,W9.v2,4 m,,A,,,,,,\n"
    )
    tapes = load_tapes(*place, file)
    runs = place[1].runs
    leg = list(runs.leg_id).index("W9-1-2")
    assert tapes.leg[0] == leg
    assert runs.run_id[tapes.run[1]] == "W9-1"
    a, b = tapes.point_xy[tapes.point[3]]
    assert np.hypot(*(b - a)) == pytest.approx(runs.length_m[leg], abs=1e-9)
    # corner 1 is the far end of leg 1, which is the start of leg 2
    c1 = tapes.point_xy[tapes.point[2][0]]
    assert c1 == pytest.approx(a, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "metres", "step"),
    [
        ("13 ft 10 in", 166 * 0.0254, 0.0254),
        ("12' 6-1/2\"", 150.5 * 0.0254, 0.0127),
        ("12.54 ft", 12.54 * 0.3048, 0.003048),
        ("150 in", 3.81, 0.0254),
        ("3.82 m", 3.82, 0.01),
        ("3820 mm", 3.82, 0.001),
    ],
)
def test_readings_as_people_write_them(text: str, metres: float, step: float) -> None:
    made = read(text)
    assert float(made.metres) == pytest.approx(metres, abs=1e-12)
    assert made.step_m == pytest.approx(step)
    assert float(read(made.like(metres)).metres) == pytest.approx(metres, abs=1e-9)


@settings(deadline=None, derandomize=True, max_examples=200)
@given(st.integers(0, 400), st.integers(0, 11), st.integers(0, 7))
def test_written_and_read_again(feet: int, inches: int, eighths: int) -> None:
    metres = (feet * 12 + inches + eighths / 8) * 0.0254
    if metres == 0:
        return
    text = f"{feet} ft {inches} {eighths}/8 in" if eighths else f"{feet} ft {inches} in"
    made = read(text)
    assert float(made.metres) == pytest.approx(metres, abs=1e-12)
    assert float(read(made.like(float(made.metres))).metres) == pytest.approx(metres, abs=1e-12)


@pytest.mark.parametrize(
    "text", ["", "0 m", "-3 m", "13.5", "13-10", "12 ft 14 in", "77,9 m", "3 cubits", "1e99 m m"]
)
def test_readings_that_are_none(text: str) -> None:
    with pytest.raises(UsageError):
        read(text)


def test_thirteen_feet_ten_is_166_inches_not_165(place: tuple[Site, RunPlan], tmp_path: Path) -> None:
    assert faults(place, tmp_path, "1,W9-1-2,,,13 ft 10 in,165,A,steel,,,,,\n")["1"] == ["two-units-disagree"]
    file = tmp_path / "ok.csv"
    file.write_text(HEAD + "1,W9-1-2,,,13 ft 10 in,166,A,steel,,,,,\n")
    assert load_tapes(*place, file).reading_m[0] == pytest.approx(4.2164)


def test_second_unit_may_be_coarser(place: tuple[Site, RunPlan], tmp_path: Path) -> None:
    """4.22 m is 13 ft 10 in to the nearest inch, and 13 ft 11 in is not."""
    for text, good in (("4.22 m", True), ("4.25 m", False)):
        file = tmp_path / "t.csv"
        file.write_text(f"of,reading,also,kind\nW9-1-2,13 ft 10 in,{text},steel\n")
        if good:
            assert len(load_tapes(*place, file)) == 1
        else:
            with pytest.raises(DataError, match="not"):
                load_tapes(*place, file)


def test_every_fault_at_once(place: tuple[Site, RunPlan], tmp_path: Path) -> None:
    found = faults(
        place,
        tmp_path,
        "1,W1-1-99,,,12.0 m,,A,steel,,,,,\n"
        "2,W9-1-2,,,14.1,,A,,,,50,,\n"
        "3,W9-1,,,36.02 m,,B,glass,sideways,,,,\n"
        "4,,W9-1-c1,W9-1-c7,-14.56 m,,A,,,,,,\n"
        "5,,W9.v1,W9.v99,0 m,,A,,,,,,\n"
        "6,L2-1-1,,,77.9 m,,C,,,,,,\n"
        "7,,W9.v1,,9 m,,A,,,,,,\n"
        "8,W9-1-2,,,14 m,,A,,,,,,\n8,W9-1-2,,,15 m,,A,,,,,,\n"
        "9,W9-1-1,,,4.0 m,,A,wheel,,,,,\n"
        "10,W9-1-1,,,,,A,,,,,,\n"
        "11,W9-1-1,,,4 m,,A,,slope,,,,5 m\n"
        "12,W9-1-1,,,4 m,,A,,,hung 3 m; 4 m,,,\n",
    )
    assert found["1"] == ["unknown-target"]
    assert found["2"] == ["bad-reading", "bad-temperature"]
    assert found["3"] == ["unknown-kind", "bad-basis"]
    assert found["4"] == found["5"] == ["unknown-target", "bad-reading"]
    assert found["6"] == ["no-tape-kind"]
    assert found["7"] == ["unknown-target"]
    assert found["8"] == ["contradictory-duplicate"]
    assert found["9"] == ["two-kinds"]
    assert found["10"] == ["no-reading"]
    assert found["11"] == ["rise-too-great"]
    assert found["12"] == ["spans-too-long"]


def test_nearest_name_and_what_is_still_usable(place: tuple[Site, RunPlan], tmp_path: Path) -> None:
    file = tmp_path / "t.csv"
    file.write_text(HEAD + "1,W9-1-22,,,14 m,,A,steel,,,,,\n2,W9-1-2,,,14 m,,A,steel,,,,,\n")
    with pytest.raises(DataError) as caught:
        load_tapes(*place, file)
    assert 'did you mean "W9-1-2"' in str(caught.value)
    assert "1 of 2 readings can be used" in str(caught.value)
    left = load_tapes(*place, file, skip_faulty=True)
    assert list(left.ids) == ["2"]
    assert [f.code for f in left.findings] == ["reading-left-out"]


def test_same_row_twice_counts_once(place: tuple[Site, RunPlan], tmp_path: Path) -> None:
    file = tmp_path / "t.csv"
    file.write_text(HEAD + "1,W9-1-2,,,14 m,,A,steel,,,,,\n1,W9-1-2,,,14 m,,A,steel,,,,,\n")
    made = load_tapes(*place, file)
    assert len(made) == 1
    assert [f.code for f in made.findings] == ["reading-twice"]


def test_two_tapings_that_cannot_both_be_right_are_kept_and_told(
    place: tuple[Site, RunPlan], tmp_path: Path
) -> None:
    file = tmp_path / "t.csv"
    file.write_text(HEAD + "1,W9-1-2,,,14 m,,A,steel,,,,,\n2,W9-1-2,,,15 m,,A,steel,,,,,\n")
    made = load_tapes(*place, file)
    assert len(made) == 2
    assert [f.code for f in made.findings] == ["readings-contradict"]


def test_unit_in_the_head_of_the_column(place: tuple[Site, RunPlan], tmp_path: Path) -> None:
    file = tmp_path / "t.csv"
    file.write_text("leg;reading (ft);tape kind\nW9-1-2;45.93;steel\n")
    assert load_tapes(*place, file).reading_m[0] == pytest.approx(45.93 * 0.3048)


def test_unknown_columns(tmp_path: Path) -> None:
    file = tmp_path / "t.csv"
    file.write_text("leg,reeding,kind\nW9-1-2,45.93 ft,steel\n")
    with pytest.raises(DataError, match='Did you mean "reading"'):
        file_rows(file)


def test_rows_in_site_toml(place: tuple[Site, RunPlan]) -> None:
    site, plan = place
    data = {
        "name": "x",
        "line": "flex-2m",
        "inputs": {"beds": [{"file": "b"}]},
        "tape": [{"from": "W9-1-c1", "to": "W9-1-c3", "reading": "14.56 m", "kind": "steel"}],
    }
    said = validated(SiteSettings, data, "site.toml")
    made = load_tapes(replace(site, settings=said), plan)
    assert made.name[0] == "W9-1-c1 to W9-1-c3"


def test_no_reading_at_all(place: tuple[Site, RunPlan]) -> None:
    with pytest.raises(DataError, match="no reading"):
        read_tapes(*place, [])


def test_steel_corrections_reach_the_length(place: tuple[Site, RunPlan]) -> None:
    """TAP-04 by way of a row: 368.50 ft at 22 F is 0.110 ft too long (6.45e-6 per F here: 0.109)."""
    site, plan = place
    facts = {"A": {"kind": "steel", "length": "100 ft", "true_length": "100.02 ft"}}
    settings_ = site.settings.model_copy(update={"reconcile": validated(Reconcile, {"tape": facts}, "x")})
    text = TapeRow.model_validate(
        {"of": "W9-1-2", "reading": "368.50 ft", "tape": "A", "temperature": "22 F"}
    )
    made = read_tapes(replace(site, settings=settings_), plan, [Row(text, "x", 1, None, None)])
    cold = 368.5 * -46 * 6.45e-6
    assert made.taped_m[0] / 0.3048 == pytest.approx(368.5 + cold + 368.5 * 0.0002, abs=1e-6)


def test_only_steel_is_corrected(place: tuple[Site, RunPlan], tmp_path: Path) -> None:
    file = tmp_path / "t.csv"
    file.write_text(HEAD + "1,W9-1-2,,,14 m,,A,fibreglass,,hung,0 C,50 N,\n")
    made = load_tapes(*place, file)
    assert made.taped_m[0] == 14.0
    assert [f.code for f in made.findings] == ["not-corrected"]


def test_rise_brings_to_level(place: tuple[Site, RunPlan], tmp_path: Path) -> None:
    file = tmp_path / "t.csv"
    file.write_text(
        "of,reading,kind,basis,rise,grade\nW9-1-2,5 m,steel,slope,3 m,\nW9-1-4,5 m,steel,slope,,75 %\n"
    )
    assert load_tapes(*place, file).taped_m == pytest.approx([4.0, 4.0])


def test_quantities() -> None:
    assert celsius("50 F") == pytest.approx(10)
    assert celsius("-5 \u00b0C") == -5
    assert newtons("15 lb") == pytest.approx(66.723, abs=1e-3)
    assert grade("1:20") == pytest.approx(0.05)
    assert grade("45 deg") == pytest.approx(1)
    hung, lengths = spans("hung 100, 36.48 ft")
    assert hung
    assert lengths == pytest.approx((30.48, 11.119104))
    assert spans("supported") == (False, ())
    for bad in (
        lambda: celsius("50"),
        lambda: newtons("3 stone"),
        lambda: grade("steep"),
        lambda: spans("x"),
    ):
        with pytest.raises(UsageError):
            bad()
