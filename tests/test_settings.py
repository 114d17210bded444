"""site.toml: what is taken, what is refused, and that the page about it tells the truth."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from typing import Any

import pytest
from pydantic import BaseModel

from siteplan.errors import DataError
from siteplan.settings import SiteSettings
from siteplan.tomlfile import nearest, tables_in, validated

from .conftest import ROOT

PAGE = (ROOT / "docs" / "site-toml.md").read_text(encoding="utf-8")
MINIMAL: dict[str, Any] = {"name": "n", "line": "flex-2m", "inputs": {"beds": [{"file": "b.geojson"}]}}


def example() -> dict[str, Any]:
    """The example on the page, all its blocks together."""
    return tomllib.loads("\n".join(re.findall(r"```toml\n(.*?)```", PAGE, flags=re.DOTALL)))


def keys(model: type[BaseModel]) -> Iterator[str]:
    for name, info in model.model_fields.items():
        yield info.alias or name
        for inner in tables_in(info.annotation):
            yield from keys(inner)


def test_the_example_on_the_page_is_a_site() -> None:
    validated(SiteSettings, example(), "docs/site-toml.md")


def test_every_key_is_documented() -> None:
    """On the page about site.toml, or on the page of its subject that this one leads to."""
    subjects = (ROOT / "docs" / name for name in re.findall(r"\(([a-z-]+\.md)\)", PAGE))
    text = PAGE + "".join(page.read_text(encoding="utf-8") for page in subjects)
    missing = {key for key in keys(SiteSettings) if not re.search(rf"\b{re.escape(key)}\b", text)}
    assert not missing


def test_least_settings_have_defaults_for_all_the_rest() -> None:
    made = validated(SiteSettings, MINIMAL, "site.toml")
    assert made.outline.offset == 0
    assert made.grid.name == "auto"
    assert made.fit.prefer == "pieces"


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"lien": "x"}, 'Did you mean "line"?'),
        ({"outline": {"offset": 3}}, "has no unit"),
        ({"outline": {"abut_within": "-1 m"}}, "must not be negative"),
        ({"outline": {"corner_stretch": "0 m"}}, "must be more than zero"),
        ({"outline": {"corner_turn_deg": 200.0}}, "less than 180"),
        ({"grid": {"height_kind": "sea_level"}}, "needs both height and geoid_height"),
        ({"grid": {"geoid_height": "-30 m"}}, "goes with"),
        ({"grid": {"name": "my grid"}}, "EPSG:3418"),
        ({"fit": {"prefer": "luck"}}, "'pieces', 'fit' or 'cost'"),
        ({"edge_owner": [{"beds": ["a", "b"], "owner": "c"}]}, "is not one of the two beds"),
        ({"inputs": {"beds": []}}, "at least 1"),
        ({"inputs": {"beds": [{"fil": "x"}]}}, 'Did you mean "file"?'),
        ({"schema_version": 2}, "1"),
    ],
)
def test_what_is_refused(change: dict[str, Any], said: str) -> None:
    with pytest.raises(DataError) as caught:
        validated(SiteSettings, {**MINIMAL, **change}, "site.toml")
    assert said in str(caught.value)
    assert "site.toml" in str(caught.value)


def test_all_faults_at_once() -> None:
    with pytest.raises(DataError) as caught:
        validated(SiteSettings, {"nam": "n", "fit": {"short": 3, "prefer": "luck"}}, "site.toml")
    assert len(caught.value.faults) >= 5


def test_nearest_spelling() -> None:
    assert nearest("ofset", ["offset", "bed_side"]) == "offset"
    assert nearest("zzz", ["offset", "bed_side"]) is None
