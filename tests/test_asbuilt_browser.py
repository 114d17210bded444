"""The way there and back: the crew page in a real browser writes a file, and the as-built reads it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from siteplan.asbuilt.make import as_built

from .browser import PHONE, visit
from .field_model import save
from .make_crew import page_file
from .make_sheets import sample
from .test_crew_browser import key, lay, saved, text

if TYPE_CHECKING:
    from playwright.sync_api import Browser

pytestmark = pytest.mark.browser


def test_what_was_ticked_on_the_phone_is_what_was_laid(
    browser: Browser, sample_data: Path, tmp_path: Path
) -> None:
    """Three pieces ticked, one taken back, a file saved with the network off, and read."""
    plan = sample(sample_data / "larkspur_close")
    seen = visit(browser, page_file(tmp_path, plan, revision="B"), PHONE)
    page = seen.page
    page.fill("[data-hold=find]", "c2")
    lay(page, "C2-2")
    for _ in range(3):
        key(page, "Laid")
    key(page, "Undo")
    assert "2 of 19 laid" in text(page, ".card-run")
    file: dict[str, Any] = saved(page)
    page.context.close()
    path = save(tmp_path / "field.json", file)
    built = as_built(plan.site, plan.measures, plan.plan, plan.result, [path])
    laid = built.result.pieces.piece_id[built.ticked.laid]
    assert [str(p) for p in laid] == [t["piece"] for t in file["ticks"] if t["laid"]]
    assert len(laid) == 2
    assert np.isfinite(built.ticked.first_s[built.ticked.laid]).all()
    assert not built.ticked.strays
    assert {f.code for f in built.findings} & {"older-plan", "unknown-keys", "not-of-this-plan"} == set()
    assert int((built.status == "taken back").sum()) == 1
