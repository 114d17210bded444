"""Parallel rows against closed forms."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from siteplan import takeoff
from siteplan.errors import DataError
from siteplan.outline.arrange import take_runs
from siteplan.outline.rows import with_rows

from .make_sites import kidney, line, polygon, rectangle, write_features
from .test_run_settings import planned

L_SHAPE = np.array([(0, 0), (10, 0), (10, 4), (5, 4), (5, 8), (0, 8)], dtype=float)


@pytest.mark.parametrize("d", [0.3, 0.1, -0.2])
@pytest.mark.parametrize(("ring", "outside", "inside"), [(rectangle(10, 6), 4, 0), (L_SHAPE, 5, 1)])
def test_a_row_is_longer_by_its_corners(
    tmp_path: Path, ring: np.ndarray, outside: int, inside: int, d: float
) -> None:
    """Square corners: 2 d tan 45 more at each outside corner, as much less at an inside one."""
    _, plan = planned(tmp_path, {"N1": polygon(ring)}, row=[{"offset": f"{d} m"}])
    assert plan.runs.run_id.tolist() == ["N1-1", "N1-1r2"]
    own, row = plan.lengths.run_ground_m
    # the outline is drawn on the ellipsoid, so lengths agree to a millimetre
    assert row - own == pytest.approx(2 * d * (outside - inside), abs=1e-3)
    assert plan.runs.leg_id.tolist()[-1] == f"N1-1r2-{outside + inside}"
    own_line, row_line = (
        shapely.linearrings(plan.runs.xy[slice(*plan.runs.offsets[plan.runs.leg_offsets[k : k + 2]])])
        for k in (0, 1)
    )
    # every side of the row is d away from its own side
    assert float(shapely.distance(own_line, row_line)) == pytest.approx(abs(d), abs=1e-6)


def test_rows_by_bed_with_gaps_and_all_counts_added(tmp_path: Path) -> None:
    beds = {"A": polygon(rectangle(8, 5)), "B": polygon(rectangle(6, 4, at=(20, 0)))}
    write_features(tmp_path / "gates.geojson", {"G": line([(4, -0.4), (4, 0.4)])}, width_m=1.0)
    inputs = {"beds": [{"file": "beds.geojson"}], "openings": [{"file": "gates.geojson"}]}
    rows = [{"offset": "150 mm"}, {"offset": "300 mm", "beds": ["B"]}]
    site, plan = planned(tmp_path, beds, inputs=inputs, row=rows)
    assert plan.runs.run_id.tolist() == ["A-1", "A-1r2", "B-1", "B-1r2", "B-1r3"]
    result = takeoff(site, plan)
    total = sum((Counter(result.counts_of_run(k)) for k in range(5)), Counter())
    assert total == Counter(result.counts)
    # each row is what a site with that offset alone takes
    for k, (bed, offset) in enumerate(
        [("A", "0 m"), ("A", "150 mm"), ("B", "0 m"), ("B", "150 mm"), ("B", "300 mm")]
    ):
        alone_site, alone = planned(tmp_path, {bed: beds[bed]}, inputs=inputs, outline={"offset": offset})
        counts = takeoff(alone_site, alone).counts
        assert counts == result.counts_of_run(k)
        assert alone.lengths.run_ground_m[0] == pytest.approx(plan.lengths.run_ground_m[k], abs=1e-5)
    assert len(set(result.pieces.piece_id)) == len(result.pieces)


@pytest.mark.parametrize("gone", [0, 1, 2])
def test_a_stretch_too_short_in_one_row_keeps_the_other_numbers(tmp_path: Path, gone: int) -> None:
    """A run less in the row, or in the bed's own: the others go beside the same ones."""
    gates = {
        "G1": line([(7.0, 3.6), (7.0, 4.4)]),
        "G2": line([(-0.4, 6.0), (0.4, 6.0)]),
        "G3": line([(2, -1), (2, 1)]),
    }
    write_features(tmp_path / "gates.geojson", gates, width_m=1.0)
    inputs = {"beds": [{"file": "beds.geojson"}], "openings": [{"file": "gates.geojson"}]}
    site, own = planned(tmp_path, {"N": polygon(L_SHAPE)}, inputs=inputs)
    _, row = planned(tmp_path, {"N": polygon(L_SHAPE)}, inputs=inputs, outline={"offset": "280 mm"})
    ids = own.runs.run_id.tolist()
    assert ids == ["N-1", "N-2", "N-3"]
    left = np.delete(np.arange(3), gone)
    made = with_rows(own.runs, [take_runs(row.runs, left)], site.beds.ids)
    assert made.run_id.tolist() == [*ids, *(f"{ids[k]}r2" for k in left)]
    few = with_rows(take_runs(own.runs, left), [row.runs], site.beds.ids)
    # the two that are there keep their ids; the one beside none comes behind them
    want = [f"N-{left.max() + 2}r2"] * 3
    for k in left:
        want[k] = f"{ids[k]}r2"
    assert few.run_id.tolist()[2:] == want


def test_faults_of_a_row_name_it(tmp_path: Path) -> None:
    with pytest.raises(DataError) as caught:
        planned(tmp_path, {"K": polygon(kidney(size=1.0))}, row=[{"offset": "-2 m"}])
    assert "row 2: " in str(caught.value)
    with pytest.raises(DataError) as caught:
        planned(tmp_path, {"K": polygon(kidney())}, row=[{"offset": "1 m", "beds": ["J"]}])
    assert 'row[1].beds J: there is no bed "J"' in str(caught.value)


@pytest.mark.parametrize("row", [{}, {"offset": 3}, {"offset": "1 m", "beds": []}])
def test_what_is_refused(tmp_path: Path, row: dict[str, Any]) -> None:
    with pytest.raises(DataError, match=r"row\[1\]"):
        planned(tmp_path, {"K": polygon(kidney())}, row=[row])
