"""The worked examples of the pages on walks and drawings, as printed."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pytest

from siteplan.errors import DataError
from siteplan.geodesy import direct, inverse, project, ring_areas, unproject
from siteplan.intake import AnchorPoint, Reading, Source, read_features
from siteplan.intake.source import TAKES
from siteplan.model import RingKind
from siteplan.settings import InputFile

DOCS = Path(__file__).resolve().parent.parent / "docs"
GRID = "EPSG:32615"


def example(page: str, kind: str) -> str:
    found = re.search(rf"```{kind}\n(.*?)```", (DOCS / page).read_text(encoding="utf-8"), re.DOTALL)
    assert found is not None
    return found[1]


def test_the_walk(tmp_path: Path) -> None:
    path = tmp_path / "walk.gpx"
    path.write_text(example("gpx.md", "xml"))
    found, findings = read_features([Source(path, reading=Reading(simplify_m=0.0))], "beds")
    told = {f.code: f.text for f in findings}
    assert (
        "111.1 m out and 109.9 m back" in told["gpx-spike"]
        or "111.1 m out and 110.0 m back" in told["gpx-spike"]
    )
    assert "1.1 m apart" in told["gpx-closed"]
    assert "up to 9 (points 4)" in told["gpx-hdop"]
    assert found.ring_kind.tolist() == [RingKind.OUTER]
    assert len(found.coords) == 8
    raw = np.array(re.findall(r'lat="(.*?)" lon="(.*?)"', path.read_text()), dtype=float)[:, ::-1]
    legs = inverse(raw[:-1], raw[1:])[0]
    assert np.median(legs) == pytest.approx(9.17, abs=0.005)
    assert legs[2:4] == pytest.approx([111.07, 109.95], abs=0.005)
    step = inverse(raw[[0, 0]], np.array([[-93.5999, 41.6], [-93.6, 41.6001]]))[0]
    assert step == pytest.approx([8.34, 11.11], abs=0.005)
    found, _ = read_features([Source(path)], "beds")
    assert len(found.coords) == 4


def test_the_drawing(tmp_path: Path) -> None:
    path = tmp_path / "bed.dxf"
    path.write_text(example("dxf.md", "dxf"))
    with pytest.raises(DataError) as caught:
        read_features([Source(path)], "beds")
    assert [f.code for f in caught.value.faults] == ["no-unit", "no-crs"]
    start = np.array([[500_000.0, 4_600_000.0]])
    there = project(GRID, direct(unproject(GRID, start), np.array([90.0]), np.array([10.0])))[0]
    anchor = (AnchorPoint((0, 0), (500_000.0, 4_600_000.0)), AnchorPoint((10, 0), (there[0], there[1])))
    found, _ = read_features([Source(path, crs=GRID, reading=Reading(unit="m", anchor=anchor))], "beds")
    assert found.ids.tolist() == ["N1"]
    lonlat = unproject(GRID, found.coords)
    length = inverse(lonlat, np.roll(lonlat, -1, axis=0))[0].sum()
    exact = 26 + 3 * math.pi
    assert exact == pytest.approx(35.425, abs=5e-4)
    # s^2 / 24 r^2 of the arc, s^2 = 8 r x sagitta: at most 1 mm / 3 r of 3 pi r
    assert exact - 0.001 * math.pi / 3 <= length <= exact
    assert exact - length == pytest.approx(0.0010, abs=0.00005)
    area = abs(ring_areas(lonlat, np.array([0, len(lonlat)]))[0][0])
    assert area == pytest.approx(60 + 4.5 * math.pi, abs=0.001 * 3 * math.pi)


def test_every_key_of_an_input_is_known_to_a_reader_and_explained() -> None:
    keys = set(InputFile.model_fields) - {"file", "crs"}
    assert keys - {"assume", "crs_search"} <= set().union(*TAKES.values()) | {"assume"}
    page = (DOCS / "site-toml.md").read_text(encoding="utf-8")
    for key in keys:
        assert re.search(rf"\b{key}\b", page), key
