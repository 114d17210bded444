"""Field notes: the grammar, what is worked out, and every fault with its line."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplan.errors import DataError, UsageError
from siteplan.fieldnotes.anchor import anchor, lay
from siteplan.fieldnotes.notes import Notes, notes_of, read_notes, write_notes
from siteplan.fieldnotes.strings import ArcStrings, areas, edges_of, lengths, strings_of
from siteplan.fieldnotes.ties import check_square, from_base, square_pegs, tie
from siteplan.types import XYArray

FT = 0.3048


def notes(text: str, **how: float) -> Notes:
    return notes_of(text, "bed.txt", **how)  # type: ignore[arg-type]


def faults(text: str) -> list[str]:
    with pytest.raises(DataError) as error:
        notes(text)
    assert all(f.file == "bed.txt" and f.what and f.remedy for f in error.value.faults)
    return [f"{f.code}: {f.what}" for f in error.value.faults]


def outline(text: str) -> XYArray:
    return notes("outline a\n" + text).outlines.xy


# --- the worked examples of docs/field-notes.md ---------------------------------------------

WALKED = """
# behind the hall, taped on the ground
unit ft
outline back bed
start
leg N, 20
curve right, radius 10, delta 90
leg right 0, 12' 6-1/2"
leg right 90, 30 ft
leg right 90, 22 ft 6 in
close
"""


def test_worked_example_of_the_docs() -> None:
    """20 + 10 pi/2 + 12.5417 + 30 + 22.5417 ft if it closed; it misses by half an inch."""
    found = notes(WALKED)
    closure = found.closures[0].closure
    assert closure.miss_m == pytest.approx(0.5 * 0.0254, abs=1e-12)
    chord = 10 * math.sqrt(2)
    perimeter = 20 + chord + 12 + 6.5 / 12 + 30 + 22.5
    assert closure.perimeter_m == pytest.approx(perimeter * FT, rel=1e-12)
    assert closure.ratio == pytest.approx(perimeter * 24, rel=1e-9)
    # the compass rule takes its share of half an inch from every leg, going west again
    share = 0.5 / 12 / perimeter
    west = found.outlines.xy[:, 0] / FT
    np.testing.assert_allclose(west[1], -20 * share, atol=1e-12)
    np.testing.assert_allclose(west[2], 10 - (20 + chord) * share, atol=1e-12)
    assert found.outlines.closed.tolist() == [True]
    assert found.outlines.names.tolist() == ["back bed"]
    assert found.node_line.tolist() == [5, 6, 7, 8, 9]
    text = next(f.text for f in found.findings if f.code == "closure")
    assert "misclosure 0.013 m" in text
    assert "1 : 2 380" in text


TAPED = """
unit ft
point A, east 0, north 0
point B, east 40, north 0
outline bay
base A, B
at 10, left 6
at 20, left 16, through
at 30, left 6
close line
"""


def test_base_line_and_offsets_of_the_docs() -> None:
    """A half circle of 10 ft radius on a base of 20 ft."""
    found = notes(TAPED).outlines
    assert lengths(found)[0] == pytest.approx((20 + 10 * math.pi) * FT, rel=1e-12)
    assert abs(areas(found)[0]) == pytest.approx(50 * math.pi * FT**2, rel=1e-12)
    np.testing.assert_allclose(found.xy / FT, [[10, 6], [30, 6]], atol=1e-12)


def test_ties_of_the_docs() -> None:
    """Sides 50, 30 and 40 ft make a right angle at the tied point: 3-4-5 again."""
    found = notes(
        "unit ft\npoint A, east 0, north 0\npoint B, east 50, north 0\n"
        "tie A, 30, B, 40, left, as P\noutline a\nto A\nto P\nto B\nclose line\n"
    )
    np.testing.assert_allclose(found.ties[0].xy_m, np.array([18, 24]) * FT, atol=1e-12)
    np.testing.assert_allclose(found.ties[0].other_m, np.array([18, -24]) * FT, atol=1e-12)
    assert found.ties[0].cut_deg == pytest.approx(90)
    assert found.point_names.tolist() == ["A", "B", "P"]
    assert abs(areas(found.outlines)[0]) == pytest.approx(600 * FT**2, rel=1e-12)
    assert any("the other solution is east 5.486, north -7.315 m" in f.text for f in found.findings)


def examples(kind: str, page: str) -> list[str]:
    """Fenced blocks of one kind on a page of the docs."""
    text = (Path(__file__).parent.parent / "docs" / page).read_text(encoding="utf-8")
    return [part.split("```")[0] for part in text.split(f"```{kind}\n")[1:]]


def test_the_docs_hold_these_examples() -> None:
    """The notes printed on the page are worked out to the numbers printed beside them."""
    walked, bay, triangle, edge = (notes(t) for t in examples("notes", "field-notes.md"))
    np.testing.assert_array_equal(walked.outlines.xy, notes(WALKED).outlines.xy)
    assert walked.outlines.xy[1, 0] / FT == pytest.approx(-0.0084, abs=5e-5)
    assert lengths(bay.outlines)[0] == pytest.approx(15.672, abs=5e-4)
    np.testing.assert_allclose(triangle.ties[0].xy_m, np.array([18, 24]) * FT, atol=1e-12)
    # north in the notes is west on the map: a quarter turn to the left
    foot = 1200 / 3937
    fit, findings = anchor(list(edge.anchors.names), edge.anchors.local_xy, edge.anchors.coords * foot)
    assert fit.angle_deg == pytest.approx(90.0, abs=0.01)
    assert fit.sigma0_m < 0.005
    assert [f.code for f in findings] == ["anchored"]
    np.testing.assert_allclose(lengths(lay(edge.outlines, fit)), 70.0, rtol=1e-12)


def test_the_docs_show_what_is_really_reported() -> None:
    (text,) = examples("refused", "field-notes.md")
    (told,) = [t for t in examples("text", "field-notes.md") if "misclosure" in t and "notes  " not in t]
    assert " ".join(told.split()).rstrip(".") == faults(text)[0].removeprefix("misclosure: ")


# --- walking ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "legs",
    [
        ["leg N, 10 m", "leg E, 10 m", "leg S, 10 m", "leg W, 10 m"],
        ["leg az 0, 10 m", "leg right 90, 10 m", "leg right 90, 1000 cm", "leg right 90, 10 m"],
        [
            "leg N 0 E, 10 m",
            "leg angle right 270, 10 m",
            "leg angle left 90, 10 m",
            "leg angle right 270 00 00, 10 m",
        ],
        ["leg N 0 0 0 W, 10 m", "leg N 90 E, 10000 mm", "leg S 0 E, 10 m", "leg S 90 W, 10 m"],
    ],
)
def test_a_square_in_four_ways(legs: list[str]) -> None:
    found = notes("\n".join(["outline a", "start east 5 m, north -2 m", *legs, "close"]))
    np.testing.assert_allclose(found.outlines.xy, [[5, -2], [5, 8], [15, 8], [15, -2]], atol=1e-12)
    assert areas(found.outlines)[0] == pytest.approx(-100)


def test_mahun_loop_as_notes() -> None:
    """J. Mahun, self-study Traverse Adjustment, problem 2 (feet): adjusted latitudes and departures."""
    found = notes(
        "unit ft\noutline loop\nstart\nleg az 226 54 23, 639.15\nleg az 0 00 00, 523.69\n"
        "leg az 235-02-29, 409.54\n"
        "leg az 79°35'02\", 815.93\nclose\n"
    )
    xy = found.outlines.xy / FT
    np.testing.assert_allclose(xy[1], [-466.761, -436.631], atol=0.001)
    np.testing.assert_allclose(xy[2], [-466.761 - 0.023, -436.631 + 523.715], atol=0.0015)
    np.testing.assert_allclose(xy[3], [-802.447, -147.556], atol=0.001)


@pytest.mark.parametrize(
    "elements",
    [
        "radius 10 m, chord 10 m",
        "radius 10 m, delta 60",
        "radius 10 m, arc 10.47197551 m",
        "delta 60-00-00, chord 10 m",
        "radius 10 m, middle 1.33974596 m",
        "chord 10 m, middle 1.33974596 m",
        "radius 10 m, tangent 5.77350269 m",
    ],
)
@pytest.mark.parametrize("side", ["left", "right"])
def test_curves_by_any_two_elements(elements: str, side: str) -> None:
    """From (0, 0) going north, 60 degrees on a radius of 10 m: 5 m aside, 8.66 m on."""
    text = f"outline a\nstart\nleg N, 3 m\ncurve {side}, {elements}\nleg {side} 0, 2 m\n"
    found = notes(text).outlines
    sign = 1 if side == "right" else -1
    np.testing.assert_allclose(found.xy[2], [sign * 5, 3 + 5 * math.sqrt(3)], atol=1e-7)
    # the next leg leaves along the tangent: 60 degrees from north
    step = found.xy[3] - found.xy[2]
    np.testing.assert_allclose(step, [sign * math.sqrt(3), 1], atol=1e-7)
    assert edges_of(found).radius[1] == pytest.approx(-sign * 10, abs=1e-6)
    assert lengths(found)[0] == pytest.approx(5 + 10 * math.pi / 3, abs=1e-7)


def test_a_curve_may_leave_in_its_own_direction_and_be_major() -> None:
    xy = outline("start\ncurve right, radius 10 m, chord 20 m, from az 90\n")
    np.testing.assert_allclose(xy[1], [0, -20], atol=1e-12)
    found = notes("outline a\nstart\ncurve left, radius 10 m, chord 12 m, major, from N\n").outlines
    assert lengths(found)[0] == pytest.approx(10 * (2 * math.pi - 2 * math.asin(0.6)))


def test_a_circle_of_two_curves_closes() -> None:
    found = notes(
        "outline pond\nstart\ncurve left, radius 3 m, delta 180, from E\n"
        "curve left, radius 3 m, delta 180\nclose\n"
    ).outlines
    assert areas(found)[0] == pytest.approx(9 * math.pi, rel=1e-12)
    assert len(found.xy) == 2


def test_feet_fractions_metres_and_units_side_by_side() -> None:
    xy = outline("unit in\nstart\nleg E, 12' 6-1/2\"\nleg E, 12.5 ft\nleg E, 3.81 m\nleg E, 100\n")
    np.testing.assert_allclose(np.diff(xy[:, 0]), [3.8227, 3.81, 3.81, 2.54], atol=1e-12)


def test_several_outlines_share_points_and_lines_may_stay_open() -> None:
    found = notes(
        "point 1, east 1 m, north 1 m\noutline a, with a comma\nstart 1\nleg N, 5 m, as 2\nend\n"
        "outline b\nto 2\nto 1\nleg right 90, 3 m\n"
    )
    assert found.outlines.names.tolist() == ["a, with a comma", "b"]
    assert found.outlines.closed.tolist() == [False, False]
    # b walks south from 2 to 1, then turns right, which is west
    np.testing.assert_allclose(found.outlines.xy[-1], [-2, 1], atol=1e-12)


def test_closed_by_a_line_says_that_nothing_checks_it() -> None:
    found = notes("outline a\nstart\nleg N, 3 m\nleg E, 4 m\nclose line\n")
    assert lengths(found.outlines)[0] == pytest.approx(12)
    assert any(f.code == "not-checked" and "5.000 m" in f.text for f in found.findings)
    assert not found.closures


# --- closure refused ---------------------------------------------------------------------------


def test_a_misread_distance_is_refused_and_blamed() -> None:
    text = "outline a\nstart\nleg az 83, 31.2 m\nleg az 28, 28.2 m\nleg az 304, 32.4 m\nleg az 229, 37.6 m\n"
    raw = notes(text).outlines.xy
    gap = raw[0] - raw[-1]
    last = f"leg az {math.degrees(math.atan2(*gap)) % 360:.9f}, {math.hypot(*gap):.9f} m\nclose\n"
    assert notes(text + last).closures[0].closure.miss_m < 1e-8
    found = faults(text.replace("28.2 m", "38.2 m") + last)
    assert len(found) == 1
    assert found[0].startswith("misclosure: line 8: misclosure 10.000 m")
    assert (
        "Most likely the distance of leg 2 (line 4): 28.200 m instead of 38.200 m, which leaves 0.000 m"
        in found[0]
    )


def test_a_wrong_turn_is_refused_and_blamed() -> None:
    text = (
        "outline c\nstart\nleg N, 10 m\nleg right 90, 20 m\nleg right 95, 10 m\nleg right 90, 20 m\nclose\n"
    )
    assert "the angle at the start of leg 3 (line 5): 5.00 degrees counter-clockwise" in faults(text)[0]


def test_a_wrong_bearing_is_refused_and_blamed() -> None:
    text = "outline c\nstart\nleg N, 10 m\nleg N 82 E, 20 m\nleg S, 10 m\nleg W, 20 m\nclose\n"
    assert "the bearing of leg 2 (line 4): 8.00 degrees clockwise, which leaves 0.000 m" in faults(text)[0]


def test_two_slips_are_not_blamed_on_one_leg() -> None:
    text = "outline c\nstart\nleg N, 13 m\nleg E, 20 m\nleg S, 10 m\nleg W, 24 m\nclose\n"
    assert "there is more than one slip" in faults(text)[0]


def test_ratio_and_reading_are_settings() -> None:
    """Half a metre too long on 60.5 m is 1 : 121."""
    text = "outline c\nstart\nleg N, 10 m\nleg E, 20 m\nleg S, 10.5 m\nleg W, 20 m\nclose\n"
    assert "1 : 121, worse than 1 : 300 and more than 0.02 m" in faults(text)[0]
    assert notes(text, least_ratio=121).closures[0].closure.miss_m == pytest.approx(0.5)
    assert notes(text, reading_m=0.51).closures[0].closure.ratio == pytest.approx(121)
    with pytest.raises(DataError, match="worse than 1 : 122"):
        notes(text, least_ratio=122, reading_m=0.49)
    with pytest.raises(UsageError, match="least ratio"):
        notes(text, least_ratio=0)


# --- points by tape ------------------------------------------------------------------------------


def test_base_line_by_direction_and_offsets_on_both_sides() -> None:
    found = notes(
        "point A, east 10 m, north 10 m\nbase A, N 30 E\nat 10 m, on, as P\nat 10 m, left 2 m, as L\n"
        "at 10 m, right 2 m, as R\noutline a\nto P\nto L\n"
    )
    xy = dict(zip(found.point_names, found.point_xy, strict=True))
    np.testing.assert_allclose(xy["P"], [15, 10 + 10 * math.cos(math.pi / 6)], atol=1e-12)
    # left of N 30 E is N 60 W
    np.testing.assert_allclose(xy["L"] - xy["P"], [-2 * math.cos(math.pi / 6), 1.0], atol=1e-12)
    np.testing.assert_allclose(xy["R"] - xy["P"], [2 * math.cos(math.pi / 6), -1.0], atol=1e-12)


@given(
    st.tuples(st.floats(-50, 50), st.floats(-50, 50)),
    st.tuples(st.floats(-50, 50), st.floats(-50, 50)),
    st.tuples(st.floats(-50, 50), st.floats(-50, 50)),
)
@settings(deadline=None, derandomize=True, max_examples=300)
def test_a_tied_point_is_one_of_the_two_solutions(
    a: tuple[float, float], b: tuple[float, float], p: tuple[float, float]
) -> None:
    first, second, point = np.array([a]), np.array([b]), np.array([p])
    ra, rb = float(np.hypot(*(point - first)[0])), float(np.hypot(*(point - second)[0]))
    base = second - first
    if min(ra, rb, float(np.hypot(*base[0]))) < 0.5:
        return
    both = tie(first, second, np.array([ra]), np.array([rb]))
    side = base[0, 0] * (point - first)[0, 1] - base[0, 1] * (point - first)[0, 0]
    # in line with the base the height is the root of a rounding error
    within = 1e-9 if abs(side) > 1 else 1e-3
    assert abs(both.apart_m[0]) < 1e-6
    if both.apart_m[0] == 0:
        taken = both.left if side >= 0 else both.right
        np.testing.assert_allclose(taken, point, atol=within * 100)


def test_distances_to_one_point_of_a_published_network() -> None:
    """Ghilani, Adjustment Computations, chapter 14 example (feet), adjusted by two programs: the point
    from the adjusted distances to A and B, and its distance to C."""
    a, b, c = np.array([[865.40, 4527.15]]), np.array([[2432.55, 2047.25]]), np.array([2865.22, 27.15])
    both = tie(a, b, np.array([6048.9626]), np.array([4736.9068]))
    found = both.left if both.left[0, 0] > 0 else both.right
    np.testing.assert_allclose(found[0], [6861.3168, 3727.8186], atol=0.001)
    assert np.hypot(*(found[0] - c)) == pytest.approx(5446.4426, abs=0.001)
    # the wrong side is the false minimum's neighbourhood, far away
    other = both.right if both.left[0, 0] > 0 else both.left
    assert other[0, 0] < 0


def test_circles_that_do_not_meet_say_by_how_much() -> None:
    a, b = np.array([[0.0, 0.0]]), np.array([[10.0, 0.0]])
    both = tie(a.repeat(3, 0), b.repeat(3, 0), np.array([3.0, 15.0, 4.0]), np.array([6.0, 4.0, 6.0]))
    np.testing.assert_allclose(both.apart_m, [1.0, -1.0, 0.0], atol=1e-12)
    assert np.isnan(both.left[:2]).all()
    np.testing.assert_allclose(both.left[2], both.right[2], atol=1e-12)
    head = "point A, east 0 m, north 0 m\npoint B, east 10 m, north 0 m\n"
    assert faults(head + "tie A, 3 m, B, 6 m, left, as P\n")[0].startswith(
        'no-tie: line 3: the two tapes do not reach each other, by 1.000 m: "A" and "B" are 10.000 m apart'
    )
    assert (
        "one tape is too long for the other, by 1.000 m"
        in faults(head + "tie A, 15 m, B, 4 m, left, as P\n")[0]
    )


def test_a_tie_of_flat_angles_is_told() -> None:
    found = notes(
        "point A, east 0 m, north 0 m\npoint B, east 10 m, north 0 m\noutline a\nto A\n"
        "tie A, 5.01 m, B, 5.01 m, left\nto B\n"
    )
    assert any("cross at 7 degrees only: an error in them counts 8 times" in f.text for f in found.findings)


def test_square_by_3_4_5() -> None:
    pegs = square_pegs(np.array([10.0, 0.0]), 90.0, 0.6)
    np.testing.assert_allclose(pegs, [[8.2, 0], [10, 2.4]], atol=1e-12)
    assert np.hypot(*(pegs[1] - pegs[0])) == pytest.approx(3.0)
    right = square_pegs(np.array([10.0, 0.0]), 90.0, 0.6, left=False)
    np.testing.assert_allclose(right[1], [10, -2.4], atol=1e-12)
    np.testing.assert_allclose(
        from_base(np.zeros(2), 0.0, np.array([2.0]), np.array([1.0])), [[-1, 2]], atol=1e-12
    )


def test_how_much_a_triangle_is_not_square() -> None:
    """Law of cosines, and against an independent second path: coordinates of the triangle."""
    assert check_square(3, 4, 5).off_deg == pytest.approx(0, abs=1e-12)
    check = check_square(3, 4, 5.1)
    assert check.angle_deg == pytest.approx(math.degrees(math.acos((9 + 16 - 5.1**2) / 24)))
    assert check.diagonal_over_m == pytest.approx(0.1)
    corner = math.radians(check.angle_deg)
    far = np.array([4 * math.cos(corner), 4 * math.sin(corner)])
    assert np.hypot(*(far - [3, 0])) == pytest.approx(5.1)
    assert check.sideways_mm_per_m == pytest.approx(1000 * abs(far[0]) / 4)
    for sides, message in (((3, 4, 7), "too long"), ((3, 4, 0.9), "too short"), ((0, 4, 5), "above 0")):
        with pytest.raises(UsageError, match=message):
            check_square(*sides)
    text = "outline a\nstart\nleg N, 1 m\nend\nsquare 3 m, 4 m, 5.1 m\nsquare 3 ft, 4 ft, 5 ft\n"
    found = notes(text)
    assert len(found.squares) == 2
    told = [f.text for f in found.findings if f.code == "not-square"]
    assert len(told) == 1
    assert "line 5: the taped corner is 92.41 degrees, 2.41 more than square" in told[0]


# --- anchors --------------------------------------------------------------------------------------


def test_anchors_in_the_unit_of_their_crs() -> None:
    head = "point A, east 0 m, north 0 m\npoint B, east 10 m, north 0 m\noutline a\nto A\nto B\nend\n"
    found = notes(
        "crs EPSG:2230\n" + head + "anchor A, east 6250000.5 ftUS, north 1900000 ftUS\n"
        "anchor B, north 1900032.8 ftUS, east 6250000.5 ftUS\n"
    )
    assert found.anchors.crs == "EPSG:2230"
    assert found.anchors.names.tolist() == ["A", "B"]
    np.testing.assert_allclose(
        found.anchors.coords, [[6250000.5, 1900000], [6250000.5, 1900032.8]], rtol=1e-15
    )
    np.testing.assert_array_equal(found.anchors.local_xy, [[0, 0], [10, 0]])
    globe = notes("crs EPSG:4326\n" + head + "anchor A, lon -80.1, lat 32.2\n")
    assert globe.anchors.coords.tolist() == [[-80.1, 32.2]]
    assert notes(head).anchors.crs is None
    for wrong, code in (
        ("anchor A, east 1 ft, north 1 ft", "unit-contradicts"),
        ("anchor A, east 1, north 1", "no-unit"),
        ("anchor A, lon 1, lat 1", "field-missing"),
        ("anchor Q, east 1 ftUS, north 1 ftUS", "point-unknown"),
    ):
        assert faults("crs EPSG:2230\n" + head + wrong + "\n")[0].startswith(code)
    assert faults(head + "anchor A, lon 1, lat 2\nanchor B, lon 1, lat 2\n") == [
        "no-crs: line 7: the notes do not say in which CRS the anchor is"
    ]
    assert faults("crs nonsense\n" + head + "anchor A, lon 1, lat 2\n")[0].startswith("crs")
    assert faults("crs EPSG:4326\n" + head + "anchor A, lon 32.2, lat -100.1\n")[0].startswith("not-a-place")


# --- the same in a table ---------------------------------------------------------------------------


@pytest.mark.parametrize("mark", [",", ";", "\t"])
def test_the_same_notes_in_a_table(tmp_path: Path, mark: str) -> None:
    rows = ["do,what,distance,more"]
    for line in WALKED.strip().splitlines()[1:]:
        verb, _, rest = line.partition(" ")
        rows.append(",".join([verb, *[c.strip() for c in rest.split(",") if c.strip()]]))
    path = tmp_path / "bed.csv"
    path.write_text("\n".join(rows).replace(",", mark) + "\n", encoding="utf-8")
    np.testing.assert_array_equal(read_notes(path).outlines.xy, notes(WALKED).outlines.xy)


def test_decimal_commas_in_a_table() -> None:
    found = notes_of("do;a;b\noutline;Beet 1,5\nstart\nleg;az 12,5;3,25 m\n", "x", table=True)
    assert lengths(found.outlines)[0] == pytest.approx(3.25)
    assert found.outlines.names.tolist() == ["Beet 1,5"]
    with pytest.raises(DataError, match='first column is "verb", not do'):
        notes_of("verb,a\nstart,\n", "x", table=True)


def test_text_files(tmp_path: Path) -> None:
    path = tmp_path / "bed.txt"
    path.write_bytes(WALKED.encode("utf-8-sig").replace(b"\n", b"\r\n"))
    assert len(read_notes(path).outlines) == 1
    path.write_bytes(b"outline \xff")
    with pytest.raises(DataError, match="not UTF-8"):
        read_notes(path)


# --- faults --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("foo\n", "verb-unknown: line 1"),
        ("leg N, 3 m\nleg N, 4 m\nclose\n", "no-outline: line 1"),
        ("outline\nstart\nleg N, 3 m\n", "field-missing: line 1: outline lacks its name"),
        ("outline a\nleg N, 3 m\n", "no-start: line 2"),
        ("outline a\nstart\nstart\n", "start-twice: line 3"),
        ("outline a\nstart Q\n", 'point-unknown: line 2: point "Q" is not known here'),
        ("outline a\nstart east 3 m\n", "field-missing: line 2: start lacks east or north"),
        ("outline a\nstart\nleg N\n", "field-missing: line 3: leg lacks a distance"),
        ("outline a\nstart\nleg N, 3\n", 'no-unit: line 3: "3" has no unit'),
        ("outline a\nstart\nleg N, 3 furlongs\n", "not-understood: line 3: length"),
        ("outline a\nstart\nleg N, -3 m\n", 'not-positive: line 3: "-3 m" is not above 0'),
        ("outline a\nstart\nleg N, 3 m, 4 m\n", 'field-unknown: line 3: leg has no place for "4 m"'),
        ("outline a\nstart\nleg N 91 E, 3 m\n", "not-understood: line 3: bearing"),
        ("outline a\nstart\nleg right 90, 3 m\n", "not-understood: line 3: a turn needs a leg before it"),
        ("outline a\nstart\nleg N, 12' 13\"\n", "not-understood: line 3: length"),
        ("outline a\nstart\ncurve up, radius 3 m, arc 1 m, from N\n", "no-side: line 3"),
        ("outline a\nstart\ncurve left, radius 3 m, from N\n", "not-understood: line 3: a curve needs two"),
        (
            "outline a\nstart\ncurve left, radius 3 m, chord 7 m, from N\n",
            "not-understood: line 3: chord 7 is longer",
        ),
        ("outline a\nstart\ncurve left, radius 3 m, radius 4 m, from N\n", "field-twice: line 3"),
        ("outline a\nstart\ncurve left, radius 3 m, arc 3 m, major, from N\n", "stray-major: line 3"),
        ("outline a\nstart\nleg N, 3 m\nclose\n", "too-few-points: line 4"),
        ("outline a\nstart\nleg N, 3 m\nclose line\n", "too-few-points: line 4"),
        ("outline a\nstart\n", "too-few-points: line 1"),
        ("outline a\nstart\nleg N, 3 m\nleg E, 3 m\nclose line\nleg N, 3 m\n", "after-close: line 6"),
        ("outline a\nstart\nleg N, 3 m\noutline a\n", "outline-twice: line 4"),
        ("unit smoot\noutline a\nstart\nleg N, 3 m\n", "no-unit: line 1"),
        ("point N, east 0 m, north 0 m\n", 'bad-name: line 1: point name "N" reads as a direction'),
        ("point A, east 0 m, north 0 m\npoint A, east 1 m, north 0 m\n", "duplicate-point: line 2"),
        ("point A, east 0 m, north 0 m\nbase A, A\n", "same-place: line 2"),
        (
            "point A, east 0 m, north 0 m\nbase A, Q\n",
            'point-unknown: line 2: "Q" is neither a point nor a direction',
        ),
        ("at 3 m, on, as P\n", "no-base: line 1"),
        ("point A, east 0 m, north 0 m\nbase A, N\nat 3 m, as P\n", "no-side: line 3"),
        ("point A, east 0 m, north 0 m\nbase A, N\nat 3 m, left 1 m, right 1 m, as P\n", "no-side: line 3"),
        ("point A, east 0 m, north 0 m\nbase A, N\nat 3 m, on\n", "no-outline: line 3"),
        (
            "point A, east 0 m, north 0 m\npoint B, east 1 m, north 0 m\ntie A, 1 m, B, 1 m, up, as P\n",
            "no-side: line 3",
        ),
        (
            "square 3 m, 4 m, 9 m\n",
            "no-triangle: line 1: the diagonal is too long for the two sides, by 2.000 m",
        ),
        ("crs EPSG:4326\ncrs EPSG:4326\n", "crs-twice: line 2"),
        (
            "point A, east 0 m, north 0 m\noutline a\nto A\nto A\n",
            "same-place: line 2: the points of lines 3 and 4",
        ),
        ("point A, east 0 m, north 0 m\n", "no-outline: the notes make no outline"),
        ("# nothing\n", "no-notes"),
    ],
)
def test_one_fault(text: str, expected: str) -> None:
    found = faults(text)
    assert found[0].startswith(expected), found
    assert len(found) == 1, found


TAPE_POINTS = "point A, east 0 m, north 0 m\npoint B, east 9 m, north 0 m\nbase A, B\noutline a\n"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("at 0 m, on, through\nat 3 m, left 1 m\nat 6 m, on\n", "curve-at-end: line 4: the point of line 5"),
        (
            "at 0 m, on\nat 3 m, left 1 m, through\nat 6 m, left 1 m, through\nat 9 m, on\n",
            "curves-touch: line 4",
        ),
        ("at 0 m, on\nat 3 m, on, through\nat 6 m, on\n", "no-arc: line 4: the arc of line 6"),
        ("at 0 m, on\nat 3 m, left 1 m\nat 6 m, on\nclose\n", "close-unmeasured: line 8"),
    ],
)
def test_faults_of_taped_outlines(text: str, expected: str) -> None:
    found = faults(TAPE_POINTS + text)
    assert len(found) == 1
    assert found[0].startswith(expected), found


def test_all_faults_come_at_once_and_none_twice() -> None:
    """Whatever follows from a fault (a point that was not made, a turn after it) is not told again."""
    found = faults(
        "unit ft\npoint A, east x, north 0\nbase A, N\nat 3, left 1, as P\noutline a\nstart P\n"
        "leg N 95 E, 3\n"
        "leg right 90, 4\ncurve left, radius 2, arc 1\nclose\noutline b\nstart\n"
        "leg N, 3 parsecs\nclose line\nfoo\n"
    )
    assert [f.split(":")[0] for f in found] == [
        "not-understood",
        "not-understood",
        "not-understood",
        "verb-unknown",
    ]
    assert [f.split(":")[1] for f in found] == [" line 2", " line 7", " line 13", " line 15"]


# --- properties -------------------------------------------------------------------------------------------


@st.composite
def any_outlines(draw: st.DrawFn) -> ArcStrings:
    """Outlines of lines and arcs, open and closed, far from the origin or near it."""
    names, closed, nodes, bulges = [], [], [], []
    for k in range(draw(st.integers(1, 3))):
        count = draw(st.integers(3, 10))
        ring = draw(st.booleans())
        at = draw(st.tuples(st.floats(-5e3, 5e3), st.floats(-5e3, 5e3)))
        steps = draw(
            st.lists(st.tuples(st.floats(0.05, 40), st.floats(0, 360)), min_size=count, max_size=count)
        )
        angle = np.radians([a for _, a in steps])
        length = np.array([s for s, _ in steps])
        xy = np.cumsum(length[:, None] * np.column_stack([np.sin(angle), np.cos(angle)]), axis=0) + at
        bulge = np.array(
            draw(
                st.lists(
                    st.one_of(st.just(0.0), st.floats(0.001, 3), st.floats(-3, -0.001)),
                    min_size=count,
                    max_size=count,
                )
            )
        )
        if not ring:
            bulge[-1] = 0
        names.append(f"bed {k} #, {'x' * k}".strip())
        closed.append(ring)
        nodes.append(xy)
        bulges.append(bulge)
    return strings_of(names, closed, nodes, bulges)


@given(any_outlines())
@settings(deadline=None, derandomize=True, max_examples=150)
def test_any_outline_written_as_notes_and_read_back_is_the_same(made: ArcStrings) -> None:
    from siteplan.planar import neighbours

    _, after = neighbours(made.offsets, made.closed)
    far = np.arange(len(made.xy)) != after
    if np.hypot(*(made.xy[after] - made.xy)[far].T).min() < 0.01:
        return
    found = notes(write_notes(made)).outlines
    assert found.names.tolist() == made.names.tolist()
    assert found.closed.tolist() == made.closed.tolist()
    assert np.abs(found.xy - made.xy).max() < 1e-6
    np.testing.assert_allclose(found.bulge, made.bulge, rtol=1e-9)
    np.testing.assert_allclose(lengths(found), lengths(made), atol=1e-6)


def test_names_that_do_not_fit_in_notes_are_refused() -> None:
    for names in (["a\nb"], [" a"], [""], ["a", "a"]):
        made = strings_of(names, [False] * len(names), [np.eye(2)] * len(names), [np.zeros(2)] * len(names))
        with pytest.raises(UsageError, match="name"):
            write_notes(made)


@given(st.text(max_size=200))
@settings(deadline=None, derandomize=True, max_examples=300)
def test_any_text_is_read_or_refused_with_faults(text: str) -> None:
    for table in (False, True):
        try:
            notes_of("do,a\n" + text if table else text, "x", table=table)
        except DataError as error:
            told = error.faults
        else:
            continue
        assert told


VERB_LINES = st.lists(
    st.sampled_from(
        [
            "unit ft",
            "outline a",
            "outline b",
            "start",
            "start A",
            "leg N, 3",
            "leg right 90, 3 m",
            "close",
            "close line",
            "curve left, radius 3 m, delta 40",
            "point A, east 0 m, north 0 m",
            "base A, N",
            "at 3 m, on",
            "end",
            "at 3 m, left 1 m, through",
            "tie A, 3 m, B, 4 m, left",
            "point B, east 5 m, north 0 m",
            "to A",
            "to B, through",
            "square 3 m, 4 m, 5 m",
            "anchor A, lon 1, lat 2",
            "crs EPSG:4326",
            "leg N, 3, as C",
            "base A, B",
            "leg",
        ]
    ),
    max_size=14,
)


@given(VERB_LINES)
@settings(deadline=None, derandomize=True, max_examples=400)
def test_any_order_of_statements_is_worked_out_or_refused(lines: list[str]) -> None:
    try:
        found = notes("\n".join(lines))
    except DataError as error:
        told = error.faults
    else:
        assert np.isfinite(found.outlines.xy).all()
        return
    assert told
