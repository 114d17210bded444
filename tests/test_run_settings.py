"""Runs left out, pinned and begun elsewhere, by name in ``site.toml``."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplan import load_site, plan_runs, takeoff
from siteplan.errors import DataError
from siteplan.model import Runs
from siteplan.outline import arrange
from siteplan.plans import RunPlan
from siteplan.settings import SiteSettings
from siteplan.sites import Site
from siteplan.tomlfile import validated

from .make_runs import make_runs, random_paths
from .make_sites import kidney, line, lonlat_of, polygon, rectangle, write_features

Beds = dict[str, Any]


def planned(folder: Path, beds: Beds, **more: Any) -> tuple[Site, RunPlan]:
    """A site of these beds in a folder, with more settings, and its runs."""
    write_features(folder / "beds.geojson", beds)
    data = {"name": "n", "line": "flex-2m", "inputs": {"beds": [{"file": "beds.geojson"}]}, **more}
    site = load_site(validated(SiteSettings, data, "site.toml"), folder=folder)
    return site, plan_runs(site)


def two_runs(folder: Path) -> dict[str, Any]:
    """Settings of a rectangle of 10 m by 6 m with openings of 1 m in its two long sides."""
    write_features(
        folder / "gates.geojson",
        {"G1": line([(4, -0.2), (4, 0.2)]), "G2": line([(4, 5.8), (4, 6.2)])},
        width_m=1.0,
    )
    return {"inputs": {"beds": [{"file": "beds.geojson"}], "openings": [{"file": "gates.geojson"}]}}


BED: Beds = {"N1": polygon(rectangle(10, 6))}


def test_a_run_left_out_is_unedged_and_renumbers_nothing(tmp_path: Path) -> None:
    more = two_runs(tmp_path)
    site, whole = planned(tmp_path, BED, **more)
    assert whole.runs.run_id.tolist() == ["N1-1", "N1-2"]
    site, part = planned(tmp_path, BED, **more, run={"N1-1": {"skip": True}})
    assert part.runs.run_id.tolist() == ["N1-2"]
    row = part.unedged.why == "skipped"
    # the laying line of the run, to the micrometre
    np.testing.assert_allclose(part.unedged.length_m[row], whole.lengths.run_ground_m[:1], atol=1e-6)
    np.testing.assert_allclose(part.lengths.run_ground_m, whole.lengths.run_ground_m[1:], atol=1e-9)
    everything, rest = takeoff(site, whole), takeoff(site, part)
    assert rest.counts == everything.counts_of_run(1)
    assert set(rest.pieces.run.tolist()) == {0}


def test_a_bed_left_out_by_attribute(tmp_path: Path) -> None:
    ring = polygon(rectangle(4, 3))
    other = polygon(rectangle(4, 3, at=(20, 0)))
    for value, kept in (
        (True, ["B-1"]),
        ("yes", ["B-1"]),
        (1, ["B-1"]),
        (False, ["A-1", "B-1"]),
        (None, ["A-1", "B-1"]),
    ):
        write_features(
            tmp_path / "beds.geojson", [({"bed": "A", "skip": value}, ring), ({"bed": "B"}, other)]
        )
        data = {"name": "n", "line": "flex-2m", "inputs": {"beds": [{"file": "beds.geojson"}]}}
        site = load_site(validated(SiteSettings, data, "site.toml"), folder=tmp_path)
        assert plan_runs(site).runs.run_id.tolist() == kept


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("N1-3", ('Did you mean "N1-', "Bed N1 has N1-1, N1-2")),
        ("M1-1", ('Did you mean "N1-1"?', "number")),
    ],
)
def test_a_run_that_is_not_there_is_a_fault_by_name(tmp_path: Path, name: str, said: tuple[str, ...]) -> None:
    with pytest.raises(DataError) as caught:
        planned(tmp_path, BED, **two_runs(tmp_path), run={name: {"skip": True}})
    assert f'run."{name}"' in str(caught.value)
    assert all(part in str(caught.value) for part in said)


def test_a_pin_tells_a_run_that_was_renumbered(tmp_path: Path) -> None:
    """An opening is added before the run that was meant, so its number goes to another run."""
    at = lonlat_of([(0.0, 3.0)])[0].tolist()
    here = {"N1-1": {"pin_lonlat": at}}
    _, plan = planned(tmp_path, BED, run=here)
    assert plan.runs.run_id.tolist() == ["N1-1"]
    more = two_runs(tmp_path)
    _, plan = planned(tmp_path, BED, **more)
    west = [
        k
        for k in range(2)
        if arrange.nearest_on(
            plan.runs.xy[slice(*plan.runs.offsets[plan.runs.leg_offsets[k : k + 2]])],
            plan.runs.xy.min(axis=0) + (0, 3),
        )[2]
        < 0.1
    ]
    name, wrong = plan.runs.run_id[west[0]], plan.runs.run_id[1 - west[0]]
    planned(tmp_path, BED, **more, run={name: {"pin_lonlat": at}})
    with pytest.raises(DataError) as caught:
        planned(tmp_path, BED, **more, run={wrong: {"pin_lonlat": at}})
    assert f'The run nearest to the pin is "{name}"' in str(caught.value)


@pytest.mark.parametrize("number", [1, 2, 3, 4])
def test_a_closed_run_begins_with_the_leg_named(tmp_path: Path, number: int) -> None:
    site, plain = planned(tmp_path, BED)
    site, plan = planned(tmp_path, BED, run={"N1-1": {"start_leg": number}})
    order = [(number - 1 + k) % 4 for k in range(4)]
    assert plan.runs.leg_id.tolist() == [plain.runs.leg_id[k] for k in order]
    np.testing.assert_array_equal(plan.runs.length_m, plain.runs.length_m[order])
    a, b = takeoff(site, plain), takeoff(site, plan)
    assert a.counts == b.counts
    np.testing.assert_array_equal(b.rest_um, a.rest_um[order])
    assert sorted(a.pieces.piece_id) == sorted(b.pieces.piece_id)
    place = dict(zip(a.pieces.piece_id, a.pieces.xy.round(9).tolist(), strict=True))
    for piece, xy in zip(b.pieces.piece_id, b.pieces.xy, strict=True):
        np.testing.assert_allclose(xy, place[piece], atol=2e-6)


def test_a_closed_run_begins_at_the_corner_nearest_to_a_place(tmp_path: Path) -> None:
    for corner in ((0, 0), (10, 0), (10, 6), (0, 6)):
        at = lonlat_of([(corner[0] + 0.7, corner[1] - 0.4)])[0].tolist()
        site, plan = planned(tmp_path, BED, run={"N1-1": {"start_lonlat": at}})
        want = site.frame.ground_xy(lonlat_of([corner]), "EPSG:4326")[0]
        np.testing.assert_allclose(plan.runs.xy[0], want, atol=1e-3)
        grid = site.frame.grid(plan.runs.xy[:1])[0].tolist()
        _, again = planned(tmp_path, BED, run={"N1-1": {"start_grid": grid}})
        np.testing.assert_array_equal(again.runs.xy, plan.runs.xy)


def test_a_ring_begins_at_the_nearest_point(tmp_path: Path) -> None:
    beds = {"K": polygon(kidney())}
    at = lonlat_of([(6.0, 0.3)])[0].tolist()
    site, plain = planned(tmp_path, beds)
    site, plan = planned(tmp_path, beds, run={"K-1": {"start_lonlat": at}})
    place = site.frame.ground_xy(np.array([at]), "EPSG:4326")[0]
    # brute force: no point of the ring is nearer
    dense = np.concatenate(
        [np.linspace(a, b, 200) for a, b in zip(plain.runs.xy[:-1], plain.runs.xy[1:], strict=True)]
    )
    nearest = np.hypot(*(dense - place).T).min()
    assert np.hypot(*(plan.runs.xy[0] - place)) <= nearest + 1e-9
    np.testing.assert_allclose(plan.runs.xy[0], plan.runs.xy[-1], atol=0)
    np.testing.assert_allclose(plan.lengths.run_ground_m, plain.lengths.run_ground_m, atol=1e-9)
    assert takeoff(site, plan).counts == takeoff(site, plain).counts


@pytest.mark.parametrize(
    ("own", "said"),
    [
        ({"start_leg": 7}, "The run has N1-1-1"),
        ({"start_leg": 1, "start_grid": [0.0, 0.0]}, "a run has one start"),
        ({"start_lonlat": [200.0, 0.0]}, "longitude, then latitude"),
        ({"skp": True}, 'Did you mean "skip"?'),
    ],
)
def test_what_is_refused(tmp_path: Path, own: dict[str, Any], said: str) -> None:
    with pytest.raises(DataError) as caught:
        planned(tmp_path, BED, run={"N1-1": own})
    assert said in str(caught.value)


def test_an_open_run_has_no_start_to_choose(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="the run is open"):
        planned(tmp_path, BED, **two_runs(tmp_path), run={"N1-1": {"start_leg": 1}})


def test_every_column_of_runs_is_carried() -> None:
    known = {
        *arrange.PER_RUN,
        *arrange.PER_LEG,
        *arrange.OPTIONAL_PER_LEG,
        *arrange.PER_VERTEX,
        *arrange.PER_CORNER,
        *arrange.INDICES,
    }
    assert known == {f.name for f in fields(Runs)}


@given(st.integers(0, 10_000), st.integers(2, 7))
@settings(deadline=None, derandomize=True, max_examples=30)
def test_taking_and_joining_undo_each_other(seed: int, count: int) -> None:
    runs = make_runs(random_paths(seed, count))
    order = np.random.default_rng(seed).permutation(count)
    parts = [arrange.take_runs(runs, np.array([k])) for k in order]
    again = arrange.take_runs(arrange.join_runs(parts), np.argsort(order))
    for f in fields(Runs):
        a, b = getattr(runs, f.name), getattr(again, f.name)
        assert (a is None and b is None) or np.array_equal(a, b), f.name


@given(st.integers(0, 10_000))
@settings(deadline=None, derandomize=True, max_examples=30)
def test_another_start_and_back(seed: int) -> None:
    runs = make_runs(random_paths(seed, 4))
    rng = np.random.default_rng(seed)
    first = runs.leg_offsets[:-1].copy()
    count = np.diff(runs.leg_offsets)
    first[runs.closed] += rng.integers(0, count)[runs.closed]
    turned = arrange.begin_with_leg(runs, first)
    assert turned.leg_id[turned.leg_offsets[:-1]].tolist() == runs.leg_id[first].tolist()
    # every corner still stands where its leg ends and the next one begins
    ends = turned.xy[turned.offsets[1:] - 1]
    np.testing.assert_array_equal(ends[turned.corner_leg], turned.corner_xy)
    home = np.array([np.flatnonzero(turned.leg_id == leg)[0] for leg in runs.leg_id[runs.leg_offsets[:-1]]])
    again = arrange.begin_with_leg(turned, home)
    for f in fields(Runs):
        a, b = getattr(runs, f.name), getattr(again, f.name)
        assert (a is None and b is None) or np.array_equal(a, b), f.name
