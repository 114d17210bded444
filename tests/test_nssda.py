"""Positional accuracy after FGDC-STD-007.3-1998 (rows ACC-* of the shared check values)."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from siteplan.errors import DataError, UsageError
from siteplan.reconcile.accuracy import ONE_AXIS, RADIAL, nssda, places, read_check_points


def cross(east: float, north: float, n: int = 20) -> np.ndarray:
    """n offsets with these root mean squares and no mean."""
    sign = np.where(np.arange(n) % 2, 1.0, -1.0)
    other = np.where(np.arange(n) // 2 % 2, 1.0, -1.0)
    return np.column_stack([sign * east, other * north])


FIELD = np.column_stack([np.arange(20.0), np.arange(20.0) ** 2])


def test_factors() -> None:
    """ACC-01: 2.4477 and 1.7308, to the digits the standard prints."""
    assert pytest.approx(2.4477, abs=5e-5) == ONE_AXIS
    assert pytest.approx(1.7308, abs=5e-5) == RADIAL


def test_equal_axes() -> None:
    """ACC-01: 1.7308 RMSE_r = 2.4477 RMSE_x where both axes are equal."""
    found = nssda(FIELD + cross(0.3, 0.3), FIELD, source_rmse_m=0.05)
    assert found.form == "equal axes"
    assert found.accuracy_m == pytest.approx(1.7308 * found.rmse_radial_m, rel=3e-5)
    assert found.accuracy_m == pytest.approx(2.4477 * 0.3, rel=3e-5)


@pytest.mark.parametrize("north", [0.18, 0.24, 0.45])
def test_two_axes(north: float) -> None:
    """ACC-02: 2.4477 x 0.5 (RMSE_x + RMSE_y) from a ratio of 0.6."""
    found = nssda(FIELD + cross(0.3, north), FIELD)
    assert found.form == "two axes"
    assert found.accuracy_m == pytest.approx(2.4477 * 0.5 * (0.3 + north), rel=3e-5)
    assert found.accuracy_m != pytest.approx(1.7308 * found.rmse_radial_m, rel=1e-4)


@pytest.mark.parametrize("north", [0.179, 0.0, 0.51])
def test_outside_the_ratio_there_is_no_figure(north: float) -> None:
    """ACC-02: outside 0.6 to 1.0 no closed form is given."""
    found = nssda(FIELD + cross(0.3, north), FIELD)
    assert found.form == "not applicable"
    assert math.isnan(found.accuracy_m)
    assert any("no figure" in n for n in found.notes)


def test_few_points_and_a_poor_source_are_told() -> None:
    """ACC-04 at least 20 points; ACC-06 a source at least three times better."""
    few = nssda(FIELD[:19] + cross(0.3, 0.3)[:19], FIELD[:19], source_rmse_m=0.2)
    assert any("19 check points" in n for n in few.notes)
    assert any("not three times better" in n for n in few.notes)
    enough = nssda(FIELD + cross(0.3, 0.3), FIELD, source_rmse_m=0.1)
    assert not any("check points" in n or "three times" in n for n in enough.notes)
    assert any("three times better" in n for n in nssda(FIELD, FIELD).notes)


def test_a_shift_of_the_whole_map_is_told_and_kept_in_the_figure() -> None:
    found = nssda(FIELD + cross(0.1, 0.1) + (0.5, -0.5), FIELD)
    assert (found.mean_east_m, found.mean_north_m) == pytest.approx((0.5, -0.5))
    assert any("+0.500 m east and -0.500 m north" in n for n in found.notes)
    assert found.rmse_east_m == pytest.approx(math.hypot(0.5, 0.1))


def test_never_a_length() -> None:
    assert all(any("not lengths" in n for n in nssda(FIELD + 0.1 * k, FIELD).notes) for k in range(3))


def test_points_of_a_file_are_brought_to_ground_metres(tmp_path: Path) -> None:
    """Values in ground distance (3.2.2): feet of a grid times metres of a foot over the combined factor."""
    file = tmp_path / "points.csv"
    lines = ["point,map_east,map_north,field_east,field_north"]
    for k, (x, y) in enumerate(cross(1.0, 1.0)):
        lines.append(f"p{k},{1000 + 10 * k + x},{2000 + y},{1000 + 10 * k},2000")
    file.write_text("\n".join(lines))
    found = places(read_check_points(file), 0.3048 / 0.9999, "20 mm")
    assert found is not None
    assert found.rmse_east_m == pytest.approx(0.3048 / 0.9999)
    assert found.points == 20


def test_faults_of_the_file_come_at_once(tmp_path: Path) -> None:
    file = tmp_path / "points.csv"
    file.write_text("point,map_east,map_north,field_east,field_north\na,1,2,x,4\nb,1,,3,4\n")
    with pytest.raises(DataError) as caught:
        read_check_points(file)
    assert [f.feature for f in caught.value.faults] == ["a", "b"]
    file.write_text("point,east,north\na,1,2\n")
    with pytest.raises(DataError, match="map_east"):
        read_check_points(file)


def test_arrays_that_do_not_match() -> None:
    with pytest.raises(UsageError, match="as many"):
        nssda(FIELD, FIELD[:3])
    with pytest.raises(UsageError):
        nssda(np.empty((0, 2)), np.empty((0, 2)))
