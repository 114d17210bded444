"""Faults in plain words: one full stop, one feature, numbers that can be read; and how to start."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from siteplan.check import check_file
from siteplan.errors import Fault, sentences
from siteplan.settings import InputFile
from siteplan.tomlfile import validated


def test_one_full_stop() -> None:
    assert Fault("x", "This ends.", "Mend it").text == "This ends. Mend it [x]"
    assert Fault("x", "This does not", "Mend it").text == "This does not. Mend it [x]"
    assert sentences("Was it?", "Look") == "Was it? Look"


def outline(*vertices: tuple[float, float]) -> dict[str, Any]:
    ring = [*vertices, vertices[0]]
    geometry = {"type": "Polygon", "coordinates": [ring]}
    feature = {"type": "Feature", "properties": {"id": "A"}, "geometry": geometry}
    return {"type": "FeatureCollection", "features": [feature]}


@pytest.mark.parametrize(
    ("vertices", "crs"),
    [
        (((-93.6, 41.6), (1e300, 41.6), (-93.59, 41.61)), None),
        (((1e300, 1e300), (2e300, 1e300), (2e300, 2e300)), None),
        (((1e300, 1e300), (2e300, 1e300), (2e300, 2e300)), "EPSG:3418"),
    ],
)
def test_huge_numbers_get_a_short_fault(
    tmp_path: Path, vertices: tuple[tuple[float, float], ...], crs: str | None
) -> None:
    """Once 300 digits were printed, and a grid in California was named as likely."""
    path = tmp_path / "b.geojson"
    path.write_text(json.dumps(outline(*vertices)), encoding="utf-8")
    given = {"file": str(path), **({} if crs is None else {"crs": crs})}
    report = check_file(validated(InputFile, given, "test"), Path(), "beds")
    (row,) = [r for r in report.rows if r.grade == "error"]
    assert row.code == "impossible-number"
    assert "1e+300" in row.text
    assert len(row.text) < 200
    assert "1 features" not in row.text


def test_millimetres_of_a_grid_are_still_explained(tmp_path: Path) -> None:
    """5e8 is a grid in millimetres and no damaged number."""
    path = tmp_path / "b.geojson"
    vertices = ((4.6e8, 4.6e9), (4.6e8 + 1e4, 4.6e9), (4.6e8, 4.6e9 + 1e4))
    path.write_text(json.dumps(outline(*vertices)), encoding="utf-8")
    report = check_file(validated(InputFile, {"file": str(path)}, "test"), Path(), "beds")
    assert "impossible-number" not in {r.code for r in report.rows}


def test_python_m_is_the_command(tmp_path: Path) -> None:
    run = [sys.executable, "-m", "siteplan"]
    done = subprocess.run([*run, "--help"], capture_output=True, text=True, check=False)
    assert done.returncode == 0
    assert "asbuilt" in done.stdout
    bad = tmp_path / "x.json"
    bad.write_text("{", encoding="utf-8")
    site = Path(__file__).resolve().parent.parent / "sample_data" / "fennel_row"
    failed = subprocess.run(
        [*run, "asbuilt", str(site), str(bad), "--out", str(tmp_path / "o")],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert failed.returncode == 1
    assert "cut short" in failed.stderr
    assert "Traceback" not in failed.stderr
    assert not (tmp_path / "o").exists()
