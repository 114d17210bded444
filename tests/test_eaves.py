"""Roof edges brought back to the wall by the eave."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplan.eaves import roofs_to_walls
from siteplan.errors import DataError
from siteplan.frame import make_frame
from siteplan.model import Features, RingKind, Shapes
from siteplan.plans import plan_runs
from siteplan.sites import load_site

from .make_features import features
from .make_sites import line, polygon, rectangle, write_features

GRID = "EPSG:32615"
X, Y = 450_000.0, 4_605_000.0


def abutments(*shapes: Any, **columns: list[Any]) -> tuple[Features, Shapes]:
    """Abutments in metres, with attributes."""
    moved = [shapely.transform(s, lambda c: c + (X, Y)) for s in shapes]
    made = features(moved, GRID, role="abutments")
    attributes = {k: np.array(v, dtype=object) for k, v in columns.items()}
    made = replace(made, attributes=attributes)
    frame, _ = make_frame(made, grid="local")
    return made, frame.shapes(made)


def area(shapes: Shapes, feature: int) -> float:
    """Area of a feature, islands off."""
    total = 0.0
    for ring in np.flatnonzero(shapes.ring_feature == feature):
        xy = shapes.xy[shapes.ring_offsets[ring] : shapes.ring_offsets[ring + 1]]
        signed = shapely.Polygon(xy).area
        total += -signed if shapes.ring_kind[ring] == RingKind.ISLAND else signed
    return total


HOUSE = shapely.Polygon(rectangle(12, 8))
COURT = shapely.Polygon(rectangle(20, 16), [rectangle(8, 6, at=(6, 5))])


def codes(error: pytest.ExceptionInfo[DataError]) -> list[str]:
    return [f.code for f in error.value.faults]


def test_a_rectangle_loses_the_eave_on_every_side() -> None:
    """(12 - 1) x (8 - 1) m after half a metre; corners stay corners, a wall stays what it was."""
    made, shapes = abutments(HOUSE, HOUSE, source=["roof", "wall"])
    moved, findings = roofs_to_walls(made, shapes, 0.5)
    scale = area(shapes, 0) / 96.0  # grid to ground
    assert area(moved, 0) / scale == pytest.approx(11 * 7, rel=1e-3)
    assert np.count_nonzero(moved.ring_feature == 0) == 1
    assert moved.ring_offsets[1] == 4
    assert area(moved, 1) == area(shapes, 1)
    assert [f.code for f in findings] == ["eave"]
    assert "0.500 m" in findings[0].text


def test_a_courtyard_grows() -> None:
    """The roof overhangs the court too: 19 x 15 less 9 x 7."""
    made, shapes = abutments(COURT, source=["roof"])
    moved, _ = roofs_to_walls(made, shapes, 0.5)
    assert area(moved, 0) == pytest.approx(19 * 15 - 9 * 7, rel=1e-3)
    assert moved.ring_kind.tolist() == [RingKind.OUTER, RingKind.ISLAND]


@settings(deadline=None, derandomize=True, max_examples=40)
@given(st.integers(3, 9), st.floats(0.05, 1.0), st.integers(0, 1000))
def test_every_wall_lies_an_eave_inside_its_roof(corners: int, eave: float, seed: int) -> None:
    """Convex roofs: each edge of the wall is parallel to one of the roof's, an eave away."""
    rng = np.random.default_rng(seed)
    angle = np.sort(rng.uniform(0, 2 * np.pi, corners) * 0.2 + np.arange(corners) * 2 * np.pi / corners)
    roof = shapely.Polygon(np.column_stack([9 * np.cos(angle), 7 * np.sin(angle)]))
    made, shapes = abutments(roof, source=["Roof"])
    moved, _ = roofs_to_walls(made, shapes, eave)
    edge = shapely.Polygon(shapes.xy).exterior
    middles = (moved.xy + np.roll(moved.xy, -1, axis=0)) / 2
    np.testing.assert_allclose(shapely.distance(edge, shapely.points(middles)), eave, atol=1e-6)


def test_own_eaves_go_before_the_sites() -> None:
    made, shapes = abutments(
        HOUSE, HOUSE, HOUSE,
        source=["roof"] * 3, eave=["2 ft", None, None], eave_m=[None, 0.0, float("nan")],
    )  # fmt: skip
    moved, findings = roofs_to_walls(made, shapes, 0.4)
    eaves = np.array([2 * 0.3048, 0.0, 0.4])
    found = [area(moved, k) for k in range(3)]
    np.testing.assert_allclose(found, (12 - 2 * eaves) * (8 - 2 * eaves), rtol=1e-3)
    assert "0.400 m or 0.610 m" in findings[0].text


def test_a_roof_without_an_eave_is_told_as_an_error() -> None:
    made, shapes = abutments(HOUSE, HOUSE, source=["roof", None])
    moved, findings = roofs_to_walls(made, shapes, None)
    np.testing.assert_array_equal(moved.xy, shapes.xy)
    assert [(f.code, f.grade) for f in findings] == [("roof-without-eave", "error")]
    assert "bed 1: drawn along the roof" in findings[0].text
    assert "0.3 to 0.6 m" in findings[0].text


def test_a_roof_that_falls_into_parts() -> None:
    """Two wings joined by a roof of 0.8 m: with half a metre off each side nothing joins them."""
    wings = shapely.union_all(
        [shapely.box(0, 0, 6, 6), shapely.box(10, 0, 16, 6), shapely.box(5, 2.6, 11, 3.4)]
    )
    made, shapes = abutments(wings, HOUSE, source=["roof", "wall"])
    moved, findings = roofs_to_walls(made, shapes, 0.5)
    assert np.count_nonzero(moved.ring_feature == 0) == 2
    assert area(moved, 0) == pytest.approx(50, rel=1e-3)
    assert [f.code for f in findings] == ["eave", "roof-in-parts"]
    # features after it are still what they were
    assert area(moved, 1) == area(shapes, 1)


@pytest.mark.parametrize(
    ("shape", "columns", "code"),
    [
        (shapely.Polygon(rectangle(12, 0.9)), {"source": ["roof"]}, "eave-too-wide"),
        (shapely.LineString([(0, 0), (5, 0)]), {"source": ["roof"]}, "roof-line"),
        (HOUSE, {"source": ["roofs"]}, "abutment-source"),
        (HOUSE, {"source": ["roof"], "eave": ["half a metre"]}, "eave"),
        (HOUSE, {"source": ["roof"], "eave": ["0.5"]}, "eave"),
        (HOUSE, {"source": ["roof"], "eave_m": [-0.5]}, "eave"),
        (HOUSE, {"source": ["roof"], "eave_m": ["wide"]}, "eave"),
    ],
)
def test_roofs_that_cannot_be_moved(shape: Any, columns: dict[str, list[Any]], code: str) -> None:
    made, shapes = abutments(shape, **columns)
    with pytest.raises(DataError) as error:
        roofs_to_walls(made, shapes, 0.5)
    assert codes(error) == [code]
    assert error.value.faults[0].feature == "bed 1"


def test_all_faults_at_once() -> None:
    made, shapes = abutments(HOUSE, HOUSE, source=["roof edge", "roof"], eave=[None, "x"])
    with pytest.raises(DataError) as error:
        roofs_to_walls(made, shapes, None)
    assert codes(error) == ["abutment-source", "eave"]


def test_a_leg_goes_on_to_the_wall(tmp_path: Path) -> None:
    """A hedge line runs square into a roof edge; with an eave of 0.5 m its leg is 0.5 m longer."""
    write_features(tmp_path / "beds.geojson", {"H": line([(0, 4), (9.98, 4)])})
    write_features(
        tmp_path / "walls.geojson", [({"id": "R", "source": "roof"}, polygon(rectangle(8, 8, at=(10, 0))))]
    )
    lengths = []
    for eave in ("0 m", "0.5 m"):
        (tmp_path / "site.toml").write_text(
            f'name = "T"\nline = "flex-2m"\n[outline]\neave = "{eave}"\nabut_within = "700 mm"\n'
            '[[inputs.beds]]\nfile = "beds.geojson"\n[[inputs.abutments]]\nfile = "walls.geojson"\n',
            encoding="utf-8",
        )
        site = load_site(tmp_path)
        lengths.append(float(plan_runs(site).runs.length_m.sum()))
    assert lengths[0] == pytest.approx(10.0, abs=1e-3)
    assert lengths[1] == pytest.approx(10.5, abs=1e-3)
