"""Several product lines on one site: who says so, and that each line is laid as on a site of its own."""

from __future__ import annotations

import json
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from siteplan.catalog import load_line, shipped_lines
from siteplan.desk.choices import choice_rows
from siteplan.desk.state import site_after
from siteplan.errors import DataError, UsageError
from siteplan.laying.cutting import plan_site_cuts
from siteplan.laying.lines import lines_in_use
from siteplan.laying.order import OrderRules, plan_order
from siteplan.laying.overlaps import footprints
from siteplan.laying.takeoff import LayRules, Takeoff, lay
from siteplan.model import NodeKind, Runs
from siteplan.ordering import purchase
from siteplan.outline.arrange import take_runs
from siteplan.own_lines import check_together
from siteplan.phases import owner_rows, run_owners
from siteplan.plans import plan_runs
from siteplan.record import Content, PutFeature
from siteplan.sites import load_site, measure
from siteplan.takeoffs import takeoff

from .make_runs import Path as Way
from .make_runs import make_runs, random_paths
from .make_sites import kidney, polygon, rectangle, write_features
from .test_run_settings import planned

FLEX, KERB, BLOCK = (load_line(key) for key in ("flex-2m", "rigid-900mm", "block-1ft"))


def alone(runs: Runs, which: np.ndarray, line: Any, rules: LayRules, ids: list[str]) -> Takeoff:
    """Some runs as a site of their own."""
    return lay(replace(take_runs(runs, which), line=None), ids, line, rules)


def piece_rows(result: Takeoff, run_id: np.ndarray) -> dict[str, tuple[Any, ...]]:
    """Everything of every piece, by its id."""
    p = result.pieces
    shapes = footprints(p)
    columns = (
        run_id[p.run].tolist(), p.kind.tolist(), p.code.tolist(), p.from_um.tolist(), p.to_um.tolist(),
        p.gap_um.tolist(), p.left_over_um.tolist(), p.cut_um.tolist(), p.xy.round(9).tolist(),
        [s.wkb for s in shapes],
    )  # fmt: skip
    return dict(zip(p.piece_id.tolist(), zip(*columns, strict=True), strict=True))


@pytest.mark.parametrize("play_um", [0, 20_000])
@settings(
    deadline=None,
    derandomize=True,
    max_examples=3,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(seed=st.integers(0, 10_000), data=st.data())
def test_each_line_as_on_a_site_of_its_own(play_um: int, seed: int, data: st.DataObject) -> None:
    """Where beds do not touch: the pieces of each line's site, and an order that is the sum of theirs."""
    paths = random_paths(seed, 6)
    runs = make_runs(paths)
    n = len(runs.run_id)
    of_run = np.array(data.draw(st.lists(st.integers(0, 2), min_size=n, max_size=n)), dtype=np.int64)
    lines, ids = (FLEX, KERB, BLOCK), [f"R{k + 1}" for k in range(n)]
    rules = LayRules(play_um=play_um)
    both = lay(replace(runs, line=of_run), ids, lines, rules)
    expected: dict[str, tuple[Any, ...]] = {}
    counts: dict[str, int] = {}
    unmet: list[tuple[str, float, str]] = []
    orders = []
    order_rules = OrderRules(spare_percent=Fraction(0), tax_percent=Fraction(0))
    for k, line in enumerate(lines):
        which = np.flatnonzero(of_run == k)
        if not len(which):
            continue
        one = alone(runs, which, line, rules, ids)
        expected.update(piece_rows(one, runs.run_id[which]))
        counts.update(one.counts)
        legs = np.flatnonzero(np.isin(runs.leg_run, which))
        unmet += [
            (str(runs.leg_id[legs[leg]]), float(m), str(w))
            for leg, m, w in zip(one.unmet.leg, one.unmet.short_m, one.unmet.why, strict=True)
        ]
        for name in ("rest_um", "laid", "curve_um", "faired_m"):
            np.testing.assert_array_equal(getattr(both, name)[legs], getattr(one, name))
        np.testing.assert_array_equal(both.fits.left_over_um[legs], one.fits.left_over_um)
        if play_um and one.play is not None and both.play is not None:
            np.testing.assert_array_equal(both.play.moved_m[legs], one.play.moved_m)
        orders.append(plan_order(one, plan_site_cuts(one), order_rules))
    assert piece_rows(both, runs.run_id) == expected
    assert both.counts == counts
    assert sorted(unmet) == sorted(
        (str(runs.leg_id[leg]), float(m), str(w))
        for leg, m, w in zip(both.unmet.leg, both.unmet.short_m, both.unmet.why, strict=True)
    )
    whole = plan_order(both, plan_site_cuts(both), order_rules)
    assert [r for r in whole.rows if r.order] == [r for o in orders for r in o.rows if r.order]
    assert whole.subtotal == sum(o.subtotal or 0 for o in orders)
    assert whole.weight_g == sum(o.weight_g or 0 for o in orders)
    assert whole.cuts.stock == sum(o.cuts.stock for o in orders)


def test_the_index_of_lines() -> None:
    runs = make_runs([Way([(0, 0), (5, 0)]), Way([(0, 9), (5, 9)])])
    assert lines_in_use(runs, FLEX)[0] == (FLEX,)
    again = load_line("flex-2m")
    lines, of_run = lines_in_use(replace(runs, line=np.array([2, 0])), (FLEX, KERB, again))
    assert lines == (FLEX,)
    assert of_run.tolist() == [0, 0]
    lines, of_run = lines_in_use(replace(runs, line=np.array([1, 1])), (FLEX, KERB))
    assert (lines, of_run.tolist()) == ((KERB,), [0, 0])
    with pytest.raises(UsageError, match="has product line 3"):
        lines_in_use(replace(runs, line=np.array([0, 3])), (FLEX, KERB))
    result = lay(replace(runs, line=np.array([1, 0])), ["a"], (FLEX, KERB), LayRules())
    with pytest.raises(UsageError, match="several product lines"):
        _ = result.line


@pytest.mark.parametrize("angle", [40.0, 65.0, 90.0, 130.0])
@pytest.mark.parametrize("own", [0, 1])
def test_a_tee_clears_the_other_line_s_depth(angle: float, own: int) -> None:
    """Closed form d_other / 2 / sin a + d_own / 2 cot a + the own clearance; second path: shapely."""
    at = np.radians(angle)
    lines = (FLEX, KERB)
    mine, other = lines[own], lines[1 - own]
    leg = [(5 * np.cos(at), 5 * np.sin(at)), (0, 0)]
    runs = make_runs([Way([(-6, 0), (6, 0)]), Way(leg, far=NodeKind.TEE)])
    runs = replace(runs, line=np.array([1 - own, own]))
    result = lay(runs, ["b"], lines, LayRules(fit_short_um=0, fit_over_um=0))
    taken = result.fills[own].legs.far_um[0]
    closed = other.depth_um / 2 / np.sin(at) + mine.depth_um / 2 * abs(np.cos(at) / np.sin(at))
    assert taken == pytest.approx(closed + mine.end_clearance_um, abs=2)
    shapes = footprints(result.pieces)
    of_run = result.pieces.run
    last = shapes[np.flatnonzero(of_run == 1)[-1]]
    apart = shapely.distance(last, shapely.union_all(shapes[of_run == 0]))
    left = result.fits.left_over_um[1] / 1e6
    assert apart == pytest.approx((mine.end_clearance_um / 1e6 + left) * np.sin(at), abs=2e-6)


def two_sides(path: Path, **settings: Any) -> Any:
    """Three beds apart from each other, with settings."""
    beds = {
        "A": polygon(rectangle(8, 5)),
        "B": polygon(rectangle(7, 4, at=(20, 0))),
        "C": polygon(kidney(at=(0, 30))),
    }
    return planned(path, beds, **settings)


def keys_of(site: Any, plan: Any) -> dict[str, str]:
    lines, of_run = lines_in_use(plan.runs, site.lines)
    return dict(zip(plan.runs.run_id.tolist(), [lines[k].key for k in of_run], strict=True))


def test_who_says_the_line(tmp_path: Path) -> None:
    """Run before row before bed before attribute before site; courses follow their run."""
    said: dict[str, Any] = {
        "bed": {"B": {"line": "rigid-900mm"}},
        "run": {"A-1": {"line": "block-1ft"}, "B-1r2": {"line": "flex-2m"}},
        "row": [{"offset": "400 mm", "beds": ["A", "B"], "line": "rigid-900mm"}],
    }
    site, plan = two_sides(tmp_path, **said)
    assert keys_of(site, plan) == {
        "A-1": "block-1ft",
        "A-1r2": "rigid-900mm",
        "B-1": "rigid-900mm",
        "B-1r2": "flex-2m",
        "C-1": "flex-2m",
    }
    site, plan = two_sides(tmp_path, **said, courses={"count": 2})
    assert keys_of(site, plan)["A-1c2"] == "block-1ft"
    assert keys_of(site, plan)["B-1c2"] == "rigid-900mm"
    beds = [({"bed": "A", "line": " rigid-900mm "}, polygon(rectangle(8, 5))),
            ({"bed": "B", "line": None}, polygon(rectangle(7, 4, at=(20, 0))))]  # fmt: skip
    write_features(tmp_path / "given.geojson", beds)
    inputs: dict[str, Any] = {"beds": [{"file": "given.geojson"}]}
    site, plan = planned(tmp_path, {"X": polygon(rectangle(1, 1))}, inputs=inputs)
    assert keys_of(site, plan) == {"A-1": "rigid-900mm", "B-1": "flex-2m"}
    inputs["line_attribute"] = ""
    site, plan = planned(tmp_path, {"X": polygon(rectangle(1, 1))}, inputs=inputs)
    assert plan.runs.line is None
    assert keys_of(site, plan) == {"A-1": "flex-2m", "B-1": "flex-2m"}


def test_the_desk_asks_the_attribute_the_site_names(tmp_path: Path) -> None:
    """A bed that is drawn with a line, and what the desk says holds for it."""
    beds = [({"bed": "A", "laid_with": None}, polygon(rectangle(8, 5))),
            ({"bed": "B", "laid_with": None}, polygon(rectangle(7, 4, at=(20, 0))))]  # fmt: skip
    write_features(tmp_path / "given.geojson", beds)
    inputs = {"beds": [{"file": "given.geojson"}], "line_attribute": "laid_with"}
    site, _ = planned(tmp_path, {"X": polygon(rectangle(1, 1))}, inputs=inputs)

    def held(of: Any, bed: str) -> Any:
        return {tuple(r["path"]): r["value"] for r in choice_rows(of, {}, {}, bed)}[("bed", bed, "line")]

    assert site.own_lines.lines == ()
    assert [held(site, bed) for bed in "AB"] == ["flex-2m", "flex-2m"]
    after = {**site.beds.attributes, "laid_with": np.array([None, "rigid-900mm"], dtype=object)}
    content = Content({"beds": replace(site.beds, attributes=after)})
    edited = site_after(site, content, [PutFeature("beds", "B", "B", [], [])])
    assert [line.key for line in edited.own_lines.lines] == ["rigid-900mm"]
    assert edited.own_lines.bed is not None
    assert edited.own_lines.bed.tolist() == [0, 1]
    assert [held(edited, bed) for bed in "AB"] == ["flex-2m", "rigid-900mm"]


def test_a_line_that_is_none_is_told_by_who_says_it(tmp_path: Path) -> None:
    with pytest.raises(DataError) as caught:
        two_sides(
            tmp_path,
            bed={"B": {"line": "rigid-900"}},
            run={"A-1": {"line": "no.toml"}},
            row=[{"offset": "1 m", "line": "rigid-900"}],
        )
    told = str(caught.value)
    assert 'bed."B".line: "rigid-900" is no product line' in told
    assert "no.toml" in told
    assert len(caught.value.faults) == 2


def changed(line_of: Any, path: Path, key: str, **words: str) -> Path:
    """A copy of a shipped line under another key, words in its file replaced."""
    text = (Path(__file__).parent.parent / "siteplan" / "lines" / f"{line_of}.toml").read_text(
        encoding="utf-8"
    )
    text = text.replace(f'key = "{line_of}"', f'key = "{key}"')
    for old, new in words.items():
        text = text.replace(old.replace("__", "-"), new)
    (path / f"{key}.toml").write_text(text, encoding="utf-8")
    return path / f"{key}.toml"


def test_lines_that_do_not_go_together(tmp_path: Path) -> None:
    changed("flex-2m", tmp_path, "near")
    changed("rigid-900mm", tmp_path, "far", USD="NOK")
    site, plan = two_sides(tmp_path, bed={"A": {"line": "near.toml"}})
    with pytest.raises(DataError) as caught:
        takeoff(site, plan)
    assert [f.code for f in caught.value.faults] == ["code-in-two-lines"]
    assert "F-2000" in str(caught.value)
    site, plan = two_sides(tmp_path, bed={"A": {"line": "far.toml"}})
    with pytest.raises(DataError) as caught:
        takeoff(site, plan)
    assert [f.code for f in caught.value.faults] == ["two-currencies"]
    assert "far in NOK" in str(caught.value)
    with pytest.raises(DataError, match="have the key"):
        check_together([FLEX, replace(KERB, key="flex-2m")], "site.toml")
    # what no run uses is not looked at
    site, plan = two_sides(tmp_path, bed={k: {"line": "far.toml"} for k in "ABC"})
    assert [x.key for x in takeoff(site, plan).lines] == ["far"]


def test_a_colour_mix_for_a_line_that_is_none_names_the_lines(tmp_path: Path) -> None:
    """Every mistyped key is told; a mix for a shipped line or one that no run has is not."""
    path = changed("flex-2m", tmp_path, "near")
    beds = {"A": polygon(rectangle(2, 1)), "B": polygon(rectangle(2, 1, at=(9, 0)))}
    mixes: dict[str, Any] = {"block-1ft": {}, "near": {}, "flex-2m": {}}
    said: dict[str, Any] = {"bed": {"B": {"skip": True, "line": path.name}}}
    site, plan = planned(tmp_path, beds, **said, order={"line_colours": mixes})
    result = takeoff(site, plan)
    assert purchase(site, plan, result).order.rows
    wrong = {**mixes, "flex2m": {"grey": 1}, "blok-1ft": {}}
    site, plan = planned(tmp_path, beds, **said, order={"line_colours": wrong})
    with pytest.raises(DataError) as caught:
        purchase(site, plan, result)
    assert [f.code for f in caught.value.faults] == ["no-such-line"] * 2
    for key in ("flex2m", "blok-1ft"):
        assert f'order.line_colours: there is no product line "{key}"' in str(caught.value)
    assert "Known product lines: flex-2m, near, block-1ft" in str(caught.value)


def test_owners_and_phases_add_up(tmp_path: Path) -> None:
    said: dict[str, Any] = {
        "bed": {"A": {"owner": "north", "line": "rigid-900mm"}, "B": {"phase": "1"}},
        "run": {"C-1": {"owner": "south", "phase": "2"}, "A-1": {"phase": "2"}},
        "order": {"tax_percent": "8.25", "packs_per": "phase"},
        "spares": {"percent": 7},
        "courses": {"count": 2},
    }
    for packs in ("site", "phase"):
        said["order"]["packs_per"] = packs
        site, plan = two_sides(tmp_path, **said)
        result = takeoff(site, plan)
        owners = run_owners(site, plan.runs)
        assert owners is not None
        assert dict(zip(plan.runs.run_id.tolist(), owners.tolist(), strict=True)) == {
            "A-1": "north", "A-1c2": "north", "B-1": "", "B-1c2": "", "C-1": "south", "C-1c2": "south",
        }  # fmt: skip
        rows = owner_rows(site, plan, result)
        assert sum(r.runs for r in rows) == len(plan.runs.run_id)
        assert sum(r.ground_m for r in rows) == pytest.approx(plan.lengths.run_ground_m.sum(), abs=1e-9)
        total: dict[str, int] = {}
        for row in rows:
            for code, n in row.counts.items():
                total[code] = total.get(code, 0) + n
        assert total == result.counts
        order = purchase(site, plan, result).order
        assert [s.owner for s in order.owners] == ["", "north", "south"]
        for name in ("subtotal", "tax", "total", "weight_g"):
            assert sum(getattr(s, name) for s in order.owners) == getattr(order, name)
        assert sum(s.wanted for s in order.owners) == sum(x.wanted for x in order.lines)
        own = {s.owner: {code for code, _, _ in s.rows} for s in order.owners}
        assert all(code.startswith("R-") for code in own["north"])
        assert {d.phase for d in order.deliveries} == {"1", "2"}
        kerb = {code for d in order.deliveries if d.phase == "1" for code, _, _ in d.rows}
        assert not any(code.startswith("R-") for code in kerb)


def test_owner_of_what_is_over_in_a_pack() -> None:
    """The example of docs/lines.md: twelve pieces in packs of ten, seven and five."""
    runs = make_runs([Way([(0, 0), (14.0, 0)]), Way([(0, 9), (10.0, 9)])])
    section = replace(
        FLEX.sections[0],
        article=replace(FLEX.sections[0].article, price=1000, pack=10),
    )
    line_of = replace(
        FLEX,
        sections=(section,),
        ends=(),
        gap_least_um=0,
        gap_nominal_um=0,
        gap_greatest_um=0,
        cuttable=False,
    )
    result = lay(runs, ["b"], line_of, LayRules())
    assert result.counts == {"F-2000": 12}
    order = plan_order(
        result, plan_site_cuts(result), OrderRules(), run_owner=np.array(["A", "B"], dtype=object)
    )
    assert [s.subtotal for s in order.owners] == [11667, 8333]
    assert [s.wanted for s in order.owners] == [7, 5]


def test_everything_written_of_several_lines(tmp_path: Path) -> None:
    """The line stands with every run and piece, and the money of the lines adds up."""
    from siteplan.publish.write import write_plan

    site, plan = two_sides(
        tmp_path, bed={"A": {"line": "rigid-900mm"}, "C": {"line": "block-1ft", "owner": "=1+1"}}
    )
    result = takeoff(site, plan)
    written = write_plan(site, measure(site), plan, result, tmp_path / "out", formats="geopackage")
    data = json.loads(written.summary_text)
    assert data["site"]["lines"] == ["flex-2m", "rigid-900mm", "block-1ft"]
    assert {r["run"]: r["line"] for r in data["runs"]} == {
        "A-1": "rigid-900mm", "B-1": "flex-2m", "C-1": "block-1ft",
    }  # fmt: skip
    assert sum(x["subtotal"] for x in data["by_line"]) == data["money"]["subtotal"]
    assert sum(x["total"] for x in data["owner_shares"]) == data["money"]["total"]
    assert {row["line"] for row in data["order"]} == {"flex-2m", "rigid-900mm", "block-1ft"}
    lines = (tmp_path / "out" / "order.csv").read_text(encoding="utf-8").splitlines()
    assert lines[0].endswith(",line")
    assert any(row.endswith(",block-1ft") for row in lines)
    import pyogrio

    pieces = pyogrio.read_dataframe(tmp_path / "out" / "plan.gpkg", layer="pieces")
    assert set(pieces.loc[pieces["bed"] == "A", "line"]) == {"rigid-900mm"}
    assert set(pieces.loc[pieces["bed"] == "C", "owner"]) == {"=1+1"}


def test_comparing_lines_replaces_the_site_s_own_alone(tmp_path: Path) -> None:
    from siteplan.compare.lines import LineResult, NotPlanned, compare_lines

    site, plan = two_sides(tmp_path, bed={"A": {"line": "rigid-900mm"}})
    changed("flex-2m", tmp_path, "abroad", USD="NOK")
    compared = compare_lines(site, (FLEX, BLOCK, load_line(tmp_path / "abroad.toml")))
    flex, block, abroad = compared.lines
    assert isinstance(flex, LineResult)
    assert isinstance(block, LineResult)
    result = takeoff(site, plan)
    bought = purchase(site, plan, result)
    assert flex.pieces == len(result.pieces)
    assert flex.cost is not None
    assert flex.cost.material == bought.order.subtotal
    kerb = result.lines.index(KERB)
    of_line = result.run_line[result.pieces.run]
    assert flex.cost.laying == sum(
        int((of_line == k).sum()) * x.laying_cost for k, x in enumerate(result.lines)
    )
    assert any("1 runs keep rigid-900mm" in note for note in flex.notes)
    other = takeoff(replace(site, line=BLOCK), plan)
    assert block.pieces == len(other.pieces)
    assert int((of_line == kerb).sum()) == int((other.run_line[other.pieces.run] == 1).sum())
    assert isinstance(abroad, NotPlanned)
    assert "different currencies" in abroad.why


def test_bends_are_those_of_the_run_s_own_line(tmp_path: Path) -> None:
    """One line bends its corners, the other makes them with units: neither does to the other's."""
    text = shipped_lines()["flex-2m"].read_text(encoding="utf-8")
    text = text.replace('key = "flex-2m"', 'key = "bendy"')
    for code in ("F-2000", "F-CO", "F-CI", "F-BO", "F-E"):
        text = text.replace(f'"{code}"', f'"Z{code}"')
    (tmp_path / "bendy.toml").write_text(text, encoding="utf-8")
    bendy = load_line(tmp_path / "bendy.toml")
    beds = {"A": polygon(rectangle(8, 5)), "B": polygon(rectangle(8, 5, at=(20, 0)))}
    site, _ = planned(tmp_path, beds, bed={"A": {"line": "bendy.toml"}}, corners={"by": ["bend", "unit"]})
    soft = replace(bendy, corner_rules=replace(bendy.corner_rules, bend_radius_um=400_000))
    site = replace(site, own_lines=replace(site.own_lines, lines=(soft,)))
    plan = plan_runs(site)
    assert plan.bends is not None
    assert set(plan.runs.run_id[plan.bends.run]) == {"A-1"}
    corners = plan.runs.run_id[plan.runs.leg_run[plan.runs.corner_leg]]
    assert corners.tolist() == ["B-1"] * 4


def test_the_whole_of_a_site_with_fewer_words(sample_data: Path) -> None:
    """A site whose beds all name the site's line is the site that does not name it."""
    site = load_site(sample_data / "larkspur_close")
    named = replace(
        site,
        own_lines=replace(site.own_lines, lines=(site.line,), bed=np.ones(len(site.beds), dtype=np.int64)),
    )
    one, other = (takeoff(s, plan_runs(s)) for s in (site, named))
    assert one.lines == other.lines
    assert piece_rows(one, plan_runs(site).runs.run_id) == piece_rows(other, plan_runs(named).runs.run_id)


@pytest.mark.parametrize("play_um", [20_000, 40_000])
def test_the_moved_runs_count_into_the_lines_that_were_given(play_um: int) -> None:
    """Not into those in use: whoever holds the moved runs beside the same lines reads the same line."""
    runs = make_runs([Way(rectangle(2.1 + k, 1.3, at=(20 * k, 0)), closed=True) for k in range(3)])
    lines = (FLEX, KERB, BLOCK)
    for of_run in ([1, 2, 1], [2, 2, 1], [2] * 3, [0, 1, 2]):
        given_runs = replace(runs, line=np.array(of_run))
        result = lay(given_runs, [f"R{k + 1}" for k in range(3)], lines, LayRules(play_um=play_um))
        assert result.play is not None
        assert result.play.runs.line is not None
        assert result.play.runs.line.tolist() == of_run
        named = [result.line_of_run(r).key for r in range(3)]
        assert [lines[k].key for k in result.play.runs.line] == named


def test_steps_on_moved_runs_are_half_as_high_as_their_own_line(tmp_path: Path) -> None:
    """Ground that falls 1 in 5, a site's line that no run has, and legs that play moves."""

    def on_a_slope(ring: np.ndarray) -> dict[str, Any]:
        shape = polygon(ring)
        heights = [*(100 + 0.2 * ring[:, 0]), 100 + 0.2 * ring[0, 0]]
        placed = [[*xy, z] for xy, z in zip(shape["coordinates"][0], heights, strict=True)]
        return {"type": "Polygon", "coordinates": [placed]}

    beds = {"A": on_a_slope(rectangle(6.95, 4.21)), "B": on_a_slope(rectangle(7.13, 4.37, at=(20, 0)))}
    site, plan = planned(
        tmp_path, beds, bed={"A": {"line": "rigid-900mm"}, "B": {"line": "block-1ft"}}, slope_by="step",
        heights={"use": "outline"}, fit={"play": "40 mm", "closers_per_leg": 0},
    )  # fmt: skip
    result = takeoff(site, plan)
    assert result.play is not None
    assert result.play.moved_m.any()
    assert result.steps is not None
    half_m = {"A-1": KERB.height_um / 2e6, "B-1": BLOCK.height_um / 2e6}
    names = plan.runs.run_id[result.steps.run]
    assert set(names) == set(half_m)
    assert result.steps.limit_m.tolist() == [half_m[n] for n in names]
