"""The unit of each corner and its arms on the laying line."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from siteplan.laying.band import build_band, slice_band, stations
from siteplan.laying.corner_units import centre_arms, choose_corners, mitre_um
from siteplan.model import Runs
from siteplan.products import Article, CornerUnit, Face, Turn
from tests.make_runs import LINE, Path, make_line, make_runs

DEPTH = 150_000


def unit(
    code: str,
    turn: Turn = "outside",
    least: float = 60.0,
    greatest: float = 120.0,
    arms: tuple[int, int] = (300_000, 200_000),
    face: Face = "centre",
) -> CornerUnit:
    return CornerUnit(Article(code, code), turn, least, greatest, *arms, face, False)


def bends(*turns_deg: float) -> Runs:
    """One open run of two legs for every turn."""
    paths = []
    for turn in turns_deg:
        at = np.radians(turn)
        paths.append(Path([(-5, 0), (0, 0), (5 * np.cos(at), 5 * np.sin(at))], [1]))
    return make_runs(paths)


def test_mitre_closed_forms() -> None:
    # tan(45) = 1, tan(30) = 1 / sqrt 3, tan(60) = sqrt 3; trigonometry, hand-checked
    turns = np.array([90.0, -90.0, 60.0, 120.0, 0.0])
    assert mitre_um(DEPTH, turns).tolist() == [75_000, 75_000, 43_301, 129_904, 0]


@pytest.mark.parametrize(
    ("face", "expected"),
    [("outer", (225_000, 125_000)), ("centre", (300_000, 200_000)), ("inner", (375_000, 275_000))],
)
def test_square_arms_by_face(face: Face, expected: tuple[int, int]) -> None:
    arriving, leaving = centre_arms(unit("U", face=face), DEPTH, np.array([90.0]))
    assert (arriving[0], leaving[0]) == expected


@pytest.mark.parametrize("face", ["outer", "inner"])
@pytest.mark.parametrize("turn", [-119.0, -90.0, -61.3, 60.0, 77.7, 90.0, 118.5])
def test_footprint_has_the_catalogued_arms_on_the_face_they_are_measured_on(face: Face, turn: float) -> None:
    """Second path: the arms are read back from the drawn footprint."""
    arms = (640_000, 520_000)
    record = unit("U", "outside" if turn > 0 else "inside", arms=arms, face=face)
    runs = bends(turn)
    choice = choose_corners(runs, make_line(corners=(record,)))
    at = stations(runs).leg_um[:1]
    xy, offsets = slice_band(
        build_band(runs, DEPTH), np.array([0]), at - choice.arriving_um, at + choice.leaving_um
    )
    assert offsets.tolist() == [0, 6]
    right, left = xy[:3], xy[:2:-1]
    convex = right if turn > 0 else left
    side = convex if face == "outer" else (left if turn > 0 else right)
    drawn = np.hypot(*np.diff(side, axis=0).T) * 1e6
    assert drawn == pytest.approx(arms, abs=1.0)  # a micrometre: the arm is rounded once
    assert shapely.Polygon(xy).is_valid


def test_turn_range_and_catalogue_order() -> None:
    line = make_line(
        corners=(
            unit("SQUARE", least=90, greatest=90),
            unit("WIDE", least=45, greatest=135),
            unit("WIDE2", least=45, greatest=135),
            unit("INNER", "inside", 80, 100),
        )
    )
    turns = [90.0, 89.9, 45.0, 135.0, 44.9, 135.1, -90.0, -80.0, -100.0, -79.9, -45.0]
    choice = choose_corners(bends(*turns), line)
    assert choice.unit.tolist() == [0, 1, 1, 1, -1, -1, 3, 3, 3, -1, -1]
    assert not choice.exchanged.any()
    assert [bool(w) for w in choice.why] == [u < 0 for u in choice.unit]
    assert choice.why[4] == (
        "no unit for the outside corner of 44.9 degrees: the line offers "
        "SQUARE 90 to 90 degrees, WIDE 45 to 135 degrees, WIDE2 45 to 135 degrees"
    )
    assert "inside corner of 45 degrees: the line offers INNER 80 to 100 degrees" in choice.why[10]


def test_square_corner_far_from_the_origin_keeps_its_square_unit() -> None:
    """Ten kilometres out, coordinates carry 1e-12 m of rounding: no corner is square to the last digit."""
    at = np.radians(31.7)
    turn = np.array([[np.cos(at), np.sin(at)], [-np.sin(at), np.cos(at)]])
    xy = np.array([(0, 0), (3, 0), (3.1, 2), (0, 2)]) @ turn + 1e4
    xy[2] = xy[1] + xy[3] - xy[0]
    runs = make_runs([Path(xy, range(4), closed=True)])
    assert (runs.corner_turn_deg != 90.0).any()
    choice = choose_corners(runs, make_line(corners=(unit("SQUARE", least=90, greatest=90),)))
    assert choice.unit.tolist() == [0, 0, 0, 0]


def test_a_line_without_corners_leaves_both_legs_bare() -> None:
    choice = choose_corners(bends(90.0, -60.0), make_line(corners=()))
    assert choice.unit.tolist() == [-1, -1]
    assert choice.arriving_um.tolist() == choice.leaving_um.tolist() == [75_000, 43_301]
    assert choice.why[1] == "no unit for the inside corner of 60 degrees: the line has no inside corner"


def test_an_outer_arm_shorter_than_the_corner_is_no_corner() -> None:
    """At 120 degrees the corner itself takes 129.9 mm of a 100 mm outer arm."""
    line = make_line(corners=(unit("SHORT", arms=(100_000, 100_000), face="outer"),))
    choice = choose_corners(bends(90.0, 120.0), line)
    assert choice.unit.tolist() == [0, -1]
    assert choice.arriving_um.tolist() == [25_000, 129_904]
    assert choice.why[1].endswith("but the arms end short of the corner point at this angle")


def test_no_corners_at_all() -> None:
    choice = choose_corners(make_runs([Path([(0, 0), (4, 0)])]), LINE)
    assert len(choice) == 0
    assert choice.why.shape == (0,)
