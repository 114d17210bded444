"""Phases add up to the site, whatever beds they are made of."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from siteplan import load_site, measure, plan_runs, takeoff
from siteplan.errors import UsageError
from siteplan.layers import plan_layers
from siteplan.phases import choose_beds, phase_names, phase_rows
from siteplan.plans import RunPlan
from siteplan.publish.write import write_plan
from siteplan.settings import SiteSettings
from siteplan.sites import Site
from siteplan.tomlfile import validated

from .make_sites import kidney, polygon, rectangle, write_features

PHASE_OF: dict[str, Any] = {"A": "2", "B": 1, "C": None, "D": 2, "E": "1", "F": 1}


def site_of(folder: Path, *, attribute: bool = True, **more: Any) -> tuple[Site, RunPlan]:
    """Six beds of two shapes, in phases by attribute."""
    shapes = [
        rectangle(3 + 0.37 * k, 2, at=(20 * k, 0)) if k % 2 else kidney(at=(20 * k, 0)) for k in range(6)
    ]
    pairs = [
        ({"bed": bed, **({"phase": phase} if attribute else {})}, polygon(ring))
        for (bed, phase), ring in zip(PHASE_OF.items(), shapes, strict=True)
    ]
    write_features(folder / "beds.geojson", pairs)
    data = {"name": "n", "line": "flex-2m", "inputs": {"beds": [{"file": "beds.geojson"}]}, **more}
    site = load_site(validated(SiteSettings, data, "site.toml"), folder=folder)
    return site, plan_runs(site)


@pytest.mark.parametrize(
    "more", [{}, {"phase": [{"name": "2"}, {"name": "9"}], "bed": {"E": {"phase": "2"}}}]
)
def test_phases_add_up_to_the_site(tmp_path: Path, more: dict[str, Any]) -> None:
    site, plan = site_of(tmp_path, **more)
    result = takeoff(site, plan)
    rows = phase_rows(site, plan, result)
    assert sum((Counter(r.counts) for r in rows), Counter()) == Counter(result.counts)
    assert sum((Counter(r.by_kind) for r in rows), Counter()) == Counter(result.by_kind) - Counter()
    assert sum(r.runs for r in rows) == len(plan.runs.run_id)
    assert sum(r.beds for r in rows) == 6
    assert sum(r.unmet for r in rows) == len(result.unmet)
    assert sum(r.ground_m for r in rows) == pytest.approx(plan.lengths.run_ground_m.sum(), abs=1e-9)
    # the slow way: piece by piece
    index = dict(PHASE_OF) | ({"E": "2"} if more else {})
    for row in rows:
        own = [b for b, p in index.items() if row.phase == ("" if p is None else str(int(p)))]
        of = np.isin(site.beds.ids[result.pieces.bed].astype(str), own)
        assert Counter(result.pieces.code[of].tolist()) == Counter(row.counts)
    assert [r.phase for r in rows] == (["2", "", "1"] if more else ["", "1", "2"])


def test_phases_are_in_summary_and_layers(tmp_path: Path) -> None:
    site, plan = site_of(tmp_path, phase=[{"name": "1"}])
    result = takeoff(site, plan)
    layers = plan_layers(site, measure(site), plan, result)
    for name, count in (("runs", 6), ("pieces", len(result.pieces))):
        phase = layers[name].columns["phase"]
        assert len(phase) == count
        assert set(phase) == {"", "1", "2"}
    write_plan(site, measure(site), plan, result, tmp_path / "out", formats="geopackage")
    data = json.loads((tmp_path / "out" / "summary.json").read_text())
    assert [p["phase"] for p in data["phases"]] == ["1", "", "2"]
    total: Counter[str] = Counter()
    for row in data["phases"]:
        total.update(row["takeoff"])
    assert dict(total) == data["takeoff"]


def test_a_site_without_phases_says_nothing_of_them(tmp_path: Path) -> None:
    site, plan = site_of(tmp_path, attribute=False)
    result = takeoff(site, plan)
    assert phase_rows(site, plan, result) == ()
    layers = plan_layers(site, measure(site), plan, result)
    assert "phase" not in layers["runs"].columns
    assert "phase" not in layers["pieces"].columns


def test_order_of_phases(tmp_path: Path) -> None:
    site, _ = site_of(tmp_path, phase=[{"name": "2"}])
    assert phase_names(site, np.array(["1", "", "2"], dtype=object)) == ["2", "", "1"]


def test_beds_are_chosen_by_the_phase_of_site_toml_or_of_the_data(tmp_path: Path) -> None:
    """Sheets and stakeout once looked at the attribute alone: a phase of site.toml was not known."""
    site, _ = site_of(tmp_path, bed={"C": {"phase": "9"}, "A": {"phase": "1"}})
    assert [str(b) for b in site.beds.ids[choose_beds(site, (), "9")]] == ["C"]
    assert [str(b) for b in site.beds.ids[choose_beds(site, ("A", "D"), "1")]] == ["A"]
    assert choose_beds(site).all()
    with pytest.raises(UsageError, match="phases are 1, 2, 9"):
        choose_beds(site, (), "")
