"""How long the order with a stated probability takes on the sample site: run by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from siteplan.catalog import load_line
from siteplan.ordering import purchase
from siteplan.plans import plan_runs
from siteplan.settings import Spares
from siteplan.sites import load_site
from siteplan.takeoffs import takeoff
from siteplan.tomlfile import validated
from siteplan.uncertainty_settings import Uncertainty

SAMPLE = Path(__file__).resolve().parents[2] / "sample_data" / "fennel_row"


@pytest.mark.parametrize(("line", "draws"), [("flex-2m", 500), ("flex-2m", 2000), ("rigid-900mm", 500)])
def test_bench_suffice(benchmark: Any, line: str, draws: int) -> None:
    site = load_site(SAMPLE)
    spares = validated(Spares, {"suffice": "95 %"}, "site.toml")
    update = {"spares": spares, "uncertainty": Uncertainty(draws=draws)}
    site = replace(site, line=load_line(line), settings=site.settings.model_copy(update=update))
    plan = plan_runs(site)
    result = takeoff(site, plan)
    bought = benchmark.pedantic(purchase, (site, plan, result), rounds=1)
    assert bought.confidence is not None
