"""Crew pages for tests, and a reader of their data that does not know how it is packed."""

from __future__ import annotations

import base64
import json
import re
from pathlib import Path
from typing import Any

import numpy as np

from siteplan.crew.data import crew_data, crew_plan
from siteplan.crew.page import crew_page
from siteplan.crew.picture import CrewPicture
from siteplan.takeoffs import laid_plan
from tests.make_sheets import Plan

PAYLOADS = [
    "{{7*7}}",
    "${window.pwned=1}",
    "</script><script>window.pwned=1</script>",
    "<img src=x onerror=window.pwned=1>",
    "\"double\" 'single' \\back `tick`",
    "\u202eright to left\u202c \u200fmark\u200e",
    "\u05d2\u05d9\u05e0\u05d4 \u0645\u0633\u062a\u0634\u0641\u0649",
    "<!--crew:plan--><!-- <script>",
    "&lt;b&gt; &amp;amp;",
]


def page_bytes(plan: Plan, picture: CrewPicture | None = None, **options: Any) -> bytes:
    crew = crew_plan(plan.site, plan.plan, plan.result, **options)
    return crew_page(crew_data(crew, picture))


def page_file(folder: Path, plan: Plan, name: str = "crew.html", **options: Any) -> Path:
    path = folder / name
    path.write_bytes(page_bytes(plan, **options))
    return path


def held(page: bytes) -> dict[str, Any]:
    """The data a page holds."""
    text = page.decode("utf-8")
    found = re.search(r'<script type="application/json" id="crew-plan">(.*?)</script>', text, re.DOTALL)
    assert found
    made: dict[str, Any] = json.loads(found[1])
    return made


def numbers(text: str, kind: str) -> np.ndarray:
    return np.frombuffer(base64.b64decode(text), dtype=kind)


def ground(data: dict[str, Any], text: str) -> np.ndarray:
    """(n, 2) ground metres of packed places."""
    made: np.ndarray = numbers(text, "<i4").reshape(-1, 2) / data["per_m"] + data["where"]["origin"]
    return made


def piece_ids(data: dict[str, Any]) -> list[str]:
    """Ids in laying order, put together as the page does."""
    legs = numbers(data["pieces"]["leg"], "<u4")
    return [
        tail[1:] if tail.startswith(" ") else f"{data['legs']['ids'][leg]}-{tail}"
        for tail, leg in zip(data["pieces"]["ids"], legs.tolist(), strict=True)
    ]


def laid_runs(plan: Plan) -> Any:
    return laid_plan(plan.site, plan.plan, plan.result).runs
