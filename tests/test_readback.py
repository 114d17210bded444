"""A GeoPackage is read back with a second library before it goes into place."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from siteplan.errors import OutputError
from siteplan.layers import Layer, table
from siteplan.model import RingKind
from siteplan.publish.readback import read_back
from siteplan.publish.vectors import write_geopackage

POINTS = Layer(
    "places",
    "Point",
    {"name": np.array(["a", "b"], dtype=object)},
    np.array([(0.0, 0.0), (1.0, 2.0)]),
    np.arange(3),
    np.full(2, RingKind.POINT, np.int8),
    np.arange(2),
)
NOTES = table("notes", {"text": np.array(["x", None, "z"], dtype=object)})


@pytest.fixture
def written(tmp_path: Path) -> Path:
    path = tmp_path / "plan.gpkg"
    write_geopackage(path, {"places": POINTS, "notes": NOTES}, {"places": POINTS.xy}, "EPSG:32615")
    return path


def test_what_was_written_is_there(written: Path) -> None:
    read_back(written, {"places": POINTS, "notes": NOTES})


def test_a_short_layer_does_not_pass(written: Path) -> None:
    longer = replace(NOTES, columns={"text": np.array(["x"] * 4, dtype=object)})
    with pytest.raises(OutputError, match=r'"notes" .* holds 3 rows, not 4'):
        read_back(written, {"notes": longer})


def test_a_missing_layer_does_not_pass(written: Path) -> None:
    with pytest.raises(OutputError, match="cannot be read back"):
        read_back(written, {"gone": replace(NOTES, name="gone")})


def test_a_damaged_file_does_not_pass(written: Path) -> None:
    written.write_bytes(written.read_bytes()[:2000])
    with pytest.raises(OutputError, match="cannot be read back"):
        read_back(written, {"places": POINTS})
