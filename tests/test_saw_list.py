"""Saw angles and faces of the saw list, against plane trigonometry and the pieces as drawn."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from siteplan.laying.overlaps import footprints
from siteplan.ordering import purchase
from siteplan.publish.orderbook import cutlist_csv, saw_faces, saw_layer
from siteplan.takeoffs import takeoff

from .make_sites import polygon, rectangle
from .test_run_settings import planned

HEXAGON = np.array([(4 * np.cos(a), 4 * np.sin(a)) for a in np.radians(np.arange(0, 360, 60))])
L_SHAPE = np.array([(0, 0), (9, 0), (9, 4), (5, 4), (5, 8), (0, 8)], dtype=float)


def mitred(path: Path, outline: Any) -> Any:
    """A bed of the 900 mm kerb, corners mitred."""
    site, plan = planned(path, {"A": polygon(outline)}, line="rigid-900mm", corners={"by": ["mitre"]})
    result = takeoff(site, plan)
    return site, result, purchase(site, plan, result)


@pytest.mark.parametrize(("outline", "turn"), [(rectangle(7, 5), 90), (HEXAGON, 60), (L_SHAPE, 90)])
def test_faces_are_those_of_the_piece_as_it_lies(tmp_path: Path, outline: Any, turn: float) -> None:
    """Depth 120 mm: right and left differ from the centre by 60 mm x tan(turn / 2) for each sawn end."""
    _, result, bought = mitred(tmp_path, outline)
    row = bought.cuts.saw_list().row
    faces = saw_faces(result, row)
    angles = np.column_stack([faces["start_saw_deg"], faces["far_saw_deg"]])
    sawn = ~np.isnan(angles).all(axis=1)
    assert sawn.sum() >= len(outline)
    assert np.abs(angles[~np.isnan(angles)]) == pytest.approx(turn / 2, abs=0.01)
    x = 0.06 * np.tan(np.radians(turn / 2))
    expected = x * np.nansum(np.sign(angles), axis=1)
    assert faces["right_m"] - faces["centre_m"] == pytest.approx(expected, abs=2e-5)
    assert faces["centre_m"] - faces["left_m"] == pytest.approx(expected, abs=2e-5)
    # second path: the long sides of the footprint
    for k in np.flatnonzero(sawn):
        ring = shapely.get_coordinates(footprints(result.pieces)[row[k]])[:-1]
        along = np.radians(result.pieces.heading_deg[row[k]])
        ahead, right = np.array([np.sin(along), np.cos(along)]), np.array([np.cos(along), -np.sin(along)])
        side = (ring - result.pieces.xy[row[k]]) @ right
        for face, which in (("right_m", side > 0.03), ("left_m", side < -0.03)):
            assert np.ptp(ring[which] @ ahead) == pytest.approx(faces[face][k], abs=1e-4)


def test_the_list_says_angles_where_there_are_any(tmp_path: Path) -> None:
    site, result, bought = mitred(tmp_path, rectangle(7, 5))
    rows = list(csv.DictReader(io.StringIO(cutlist_csv(site, result, bought))))
    columns = saw_layer(result, bought).columns
    assert [r["piece"] for r in rows] == columns["piece"].tolist()
    for k, r in enumerate(rows):
        start = columns["start_saw_deg"][k]
        assert r["start_saw_deg"] == ("" if np.isnan(start) else f"{round(float(start), 2)}")
        if r["start_saw_deg"] or r["far_saw_deg"]:
            # what it takes of its section reaches from point to point
            assert float(r["cut_m"]) >= max(float(r["right_m"]), float(r["left_m"])) - 2e-6
        else:
            assert r["right_m"] == r["left_m"] == ""
    assert any(r["start_saw_deg"] for r in rows)
