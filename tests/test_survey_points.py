"""Survey points from files, their linework, and the arcs it makes."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplan.errors import DataError, UsageError
from siteplan.fieldnotes.curves import (
    arc_through,
    curve_elements,
    radius_of_degree,
    round_corner,
    tangent_through,
)
from siteplan.fieldnotes.strings import areas, densify, edges_of, lengths, strings_of
from siteplan.fieldnotes.survey import Survey, far_points, read_survey, survey_of
from siteplan.fieldnotes.tables import read_table, rows_text
from siteplan.geodesy import inverse

FT = 0.3048


def local(text: str) -> Survey:
    return survey_of(text, "points.csv", crs="local", unit="m")


def faults(text: str, **how: str | None) -> list[str]:
    options = {"crs": "local", "unit": "m"} | how
    with pytest.raises(DataError) as error:
        survey_of(text, "points.csv", **options)  # type: ignore[arg-type]
    assert all(f.file == "points.csv" and f.remedy and f.what for f in error.value.faults)
    return [f"{f.code}: {f.what}" for f in error.value.faults]


# --- elements of curves -----------------------------------------------------------------


def test_degree_of_curve_by_both_definitions() -> None:
    """1 degree: 5729.578 ft by arc (US Army FM 5-430-00-1, appendix F), 5729.651 ft by chord."""
    assert radius_of_degree(1.0, definition="arc")[0] == pytest.approx(5729.578, abs=0.001)
    assert radius_of_degree(1.0, definition="chord")[0] == pytest.approx(5729.651, abs=0.001)
    for wrong in (0.0, -1.0, 181.0):
        with pytest.raises(UsageError, match="degree of curve"):
            radius_of_degree(wrong, definition="chord")
    with pytest.raises(UsageError, match="use arc or chord"):
        radius_of_degree(1.0, definition="rail")


def test_penn_state_deflection() -> None:
    """Penn State horizontal-curve lecture: 4 degrees by arc, 76.62 ft from the point of curvature."""
    radius = radius_of_degree(4.0, definition="arc")
    curve = curve_elements(radius=radius, arc=76.62)
    assert radius[0] == pytest.approx(1432.39, abs=0.01)
    assert curve.delta_deg[0] / 2 == pytest.approx(1 + 31 / 60 + 57 / 3600, abs=1 / 3600)
    assert curve.chord[0] == pytest.approx(76.61, abs=0.01)


@pytest.mark.parametrize(
    ("two", "expected", "within"),
    [
        # public textbook solution (highway engineering): D 8, I 103°30'
        ({"radius": 5729.57795 / 8, "delta_deg": 103.5}, {"tangent": 908.49, "arc": 1293.75}, 0.02),
        # public problem set "34 Surveying: Horizontal Curves 1", bearings N 65°30' E and S 85°10' E
        (
            {"radius": 249.17, "delta_deg": 29 + 1 / 3},
            {"tangent": 65.2136, "chord": 126.1773, "middle": 8.119},
            5e-4,
        ),
        # two layouts recalled from memory, recomputed by hand (check CRV-06, CRV-07)
        (
            {"radius": 381.97186, "delta_deg": 45.0},
            {"tangent": 158.22, "arc": 300.0, "external": 31.47, "middle": 29.08, "chord": 292.35},
            0.01,
        ),
        (
            {"radius": 2864.78898, "delta_deg": 8.4},
            {"tangent": 210.38, "arc": 420.0, "chord": 419.62, "external": 7.71, "middle": 7.69},
            0.01,
        ),
    ],
)
def test_curves_of_handbooks(two: dict[str, Any], expected: dict[str, float], within: float) -> None:
    curve = curve_elements(**two)
    for name, value in expected.items():
        assert getattr(curve, name)[0] == pytest.approx(value, abs=within), name


@pytest.mark.parametrize(
    ("delta", "tangent", "external"),
    [
        (43.0, 2257.0, 428.5),
        (50.0, 2671.8, 592.3),
        (51.0, 2732.9, 618.4),
        (58.0, 3176.0, 821.4),
        (59.0, 3241.7, 853.5),
    ],
)
def test_railway_table_of_a_one_degree_curve(delta: float, tangent: float, external: float) -> None:
    """Railway field-book table IV, chord of 100 ft, as scanned by the planning office of Dane
    County, Wisconsin (public document 972061).  Printed to 0.1 ft."""
    curve = curve_elements(radius=radius_of_degree(1.0, definition="chord"), delta_deg=delta)
    assert curve.tangent[0] == pytest.approx(tangent, abs=0.06)
    assert curve.external[0] == pytest.approx(external, abs=0.06)


def test_the_curve_page_that_is_wrong() -> None:
    """A public page gives 630.266 for the arc of R 420, 71°39'; its tangent 303.19 is right.

    The arc is 525.222.
    """
    curve = curve_elements(radius=420.0, delta_deg=71 + 39 / 60)
    assert curve.tangent[0] == pytest.approx(303.19, abs=0.005)
    assert curve.arc[0] == pytest.approx(525.222, abs=0.001)


def test_radius_from_chord_and_middle_ordinate() -> None:
    """c^2/8m + m/2, the standard identity."""
    curve = curve_elements(chord=[20, 10, 24, 62, 100], middle=[1, 0.5, 6, 0.5, 2])
    np.testing.assert_allclose(curve.radius, [50.5, 25.25, 15, 961.25, 626], rtol=1e-12)


PAIRS = [
    ("radius", "delta_deg"),
    ("radius", "arc"),
    ("radius", "chord"),
    ("radius", "middle"),
    ("radius", "tangent"),
    ("delta_deg", "arc"),
    ("delta_deg", "chord"),
    ("delta_deg", "middle"),
    ("delta_deg", "tangent"),
    ("delta_deg", "external"),
    ("chord", "middle"),
    ("chord", "arc"),
    ("arc", "middle"),
]


@given(st.floats(0.2, 500), st.floats(2, 178), st.sampled_from(PAIRS))
@settings(deadline=None, derandomize=True, max_examples=400)
def test_any_two_elements_give_the_curve_back(radius: float, delta: float, pair: tuple[str, str]) -> None:
    whole = curve_elements(radius=radius, delta_deg=delta)
    again = curve_elements(**{name: getattr(whole, name) for name in pair})
    # a flat arc and its chord differ in the seventh digit only, so the rest comes back with fewer
    within = 1e-5 if pair in (("chord", "arc"), ("arc", "middle")) else 1e-8
    for name in ("radius", "delta_deg", "arc", "chord", "middle", "tangent", "external"):
        assert getattr(again, name)[0] == pytest.approx(getattr(whole, name)[0], rel=within), name


def test_more_than_half_a_circle() -> None:
    minor = curve_elements(radius=10.0, chord=12.0)
    major = curve_elements(radius=10.0, chord=12.0, major=True)
    assert minor.delta_deg[0] + major.delta_deg[0] == pytest.approx(360)
    assert curve_elements(chord=12.0, middle=18.0).delta_deg[0] == pytest.approx(major.delta_deg[0])
    assert curve_elements(chord=12.0, arc=major.arc[0]).radius[0] == pytest.approx(10.0)
    assert math.isnan(major.tangent[0])


@pytest.mark.parametrize(
    ("two", "message"),
    [
        ({"radius": 5.0, "chord": 12.0}, "chord 12 is longer than the diameter 10, by 2"),
        ({"radius": 5.0, "middle": 10.0}, "not below the diameter"),
        ({"chord": 5.0, "arc": 5.0}, "not longer than its chord"),
        ({"arc": 3.0, "middle": 1.0}, "more than half a circle"),
        ({"radius": 1.0, "arc": 7.0}, "full circle"),
        ({"radius": -1.0, "arc": 7.0}, "above 0"),
        ({"radius": math.nan, "arc": 7.0}, "above 0"),
        ({"radius": 1.0}, "needs two"),
        ({"radius": 1.0, "arc": 1.0, "chord": 1.0}, "needs two"),
        ({"radius": 1.0, "sagitta": 1.0}, "sagitta is none"),
        ({"middle": 1.0, "tangent": 1.0}, "not found from"),
        ({"delta_deg": 180.0, "tangent": 1.0}, "below 180"),
    ],
)
def test_curves_that_cannot_be(two: dict[str, Any], message: str) -> None:
    with pytest.raises(UsageError, match=message):
        curve_elements(**two)


# --- arcs from points and legs ------------------------------------------------------------


@given(
    st.floats(-1e6, 1e6),
    st.floats(0.05, 1e4),
    st.floats(0, 360),
    st.floats(1, 350),
    st.floats(0.05, 0.95),
    st.booleans(),
)
@settings(deadline=None, derandomize=True, max_examples=300)
def test_arc_through_three_points_of_a_circle(
    far: float, radius: float, start: float, sweep: float, share: float, left: bool
) -> None:
    sign = 1 if left else -1
    at = np.radians(start + sign * sweep * np.array([0.0, share, 1.0]))
    p = np.array([far, -far]) + radius * np.column_stack([np.cos(at), np.sin(at)])
    arc = arc_through(p[:1], p[1:2], p[2:])
    rounding = max(abs(far) * 2.3e-16 / (radius * math.radians(sweep) ** 2 * min(share, 1 - share)), 1e-15)
    expected = math.tan(math.radians(sign * sweep) / 4)
    assert arc.bulge[0] == pytest.approx(expected, rel=1e-9 + 1e3 * rounding, abs=1e3 * rounding)


def test_arc_through_points_in_line_or_together() -> None:
    a, b, c = np.array([[0.0, 0]]), np.array([[1.0, 0]]), np.array([[3.0, 0]])
    assert arc_through(a, b, c).bulge[0] == 0
    assert np.isinf(arc_through(a, c, b).bulge[0])
    for p in ((a, a, b), (a, b, b), (a, b, a)):
        assert np.isnan(arc_through(*p).bulge[0])


def test_rounded_corner_by_hand() -> None:
    """A square corner rounded by 3 m: the arc begins and ends 3 m from it, and is a quarter of a circle."""
    arc = round_corner(
        np.array([[0.0, 0]]), np.array([[10.0, 0]]), np.array([[10.0, 8]]), radius=np.array([3.0])
    )
    np.testing.assert_allclose([arc.start[0], arc.end[0]], [[7, 0], [10, 3]], atol=1e-12)
    assert arc.bulge[0] == pytest.approx(math.tan(math.pi / 8))
    again = round_corner(
        np.array([[0.0, 0]]), np.array([[10.0, 0]]), np.array([[10.0, 8]]), tangent=np.array([3.0])
    )
    assert again.radius[0] == pytest.approx(3.0)
    straight = round_corner(
        np.array([[0.0, 0]]), np.array([[1.0, 0]]), np.array([[2.0, 0]]), radius=np.array([3.0])
    )
    assert np.isnan(straight.bulge[0])
    with pytest.raises(UsageError, match="one of them"):
        round_corner(arc.start, arc.start, arc.end)


@given(st.floats(5, 160), st.booleans(), st.floats(0.5, 50), st.floats(0.02, 0.98), st.floats(0, 360))
@settings(deadline=None, derandomize=True, max_examples=300)
def test_arc_tangent_to_both_legs_through_a_point(
    delta: float, left: bool, radius: float, share: float, turn: float
) -> None:
    """Make the arc, take a point of it, and find the arc again from the legs and that point."""
    a = math.radians(turn)
    u = np.array([[math.cos(a), math.sin(a)]])
    b = a + math.radians(delta if left else -delta)
    w = np.array([[math.cos(b), math.sin(b)]])
    corner = np.array([[100.0, -40.0]])
    t = radius * math.tan(math.radians(delta) / 2)
    before, after = corner - (t + 3) * u, corner + (t + 3) * w
    arc = round_corner(before, corner, after, radius=np.array([radius]))
    made = strings_of(["x"], [False], [np.vstack([arc.start, arc.end])], [np.array([arc.bulge[0], 0.0])])
    dense = densify(made, 1e-4 * radius).xy
    point = dense[max(1, min(len(dense) - 2, int(share * len(dense))))][None]
    found = tangent_through(before, before + u, point, after - w, after)
    assert found.radius[0] == pytest.approx(radius, rel=1e-5)
    np.testing.assert_allclose(found.start, arc.start, atol=2e-5 * (radius + t))
    assert found.bulge[0] == pytest.approx(arc.bulge[0], rel=1e-9)


def test_no_tangent_arc_for_parallel_legs_or_a_point_outside() -> None:
    leg = (np.array([[0.0, 0]]), np.array([[5.0, 0]]))
    back = (np.array([[5.0, 4]]), np.array([[0.0, 4]]))
    assert np.isnan(tangent_through(*leg, np.array([[7.0, 2]]), *back).bulge[0])
    up = (np.array([[10.0, 5]]), np.array([[10.0, 9]]))
    for outside in ([11.0, -1.0], [12.0, 3.0], [-40.0, -1.0]):
        assert np.isnan(tangent_through(*leg, np.array([outside]), *up).bulge[0])


def test_densified_arc_stays_within_the_tolerance() -> None:
    """A full circle of two half arcs: chords on the circle, no chord further than 1 mm from it."""
    circle = strings_of(["c"], [True], [np.array([[5.0, 0], [-5, 0]])], [np.array([1.0, 1.0])])
    assert lengths(circle)[0] == pytest.approx(10 * math.pi, rel=1e-14)
    assert areas(circle)[0] == pytest.approx(25 * math.pi, rel=1e-14)
    made = densify(circle, 0.001)
    np.testing.assert_allclose(np.hypot(*made.xy.T), 5.0, rtol=1e-14)
    middle = (made.xy + np.roll(made.xy, -1, axis=0)) / 2
    sagitta = 5 - np.hypot(*middle.T)
    assert 0.0008 < sagitta.max() <= 0.001
    assert set(made.radius.tolist()) == {5.0}
    # the chords are short by s^2 / 24 r^2
    chord = np.hypot(*(np.roll(made.xy, -1, axis=0) - made.xy).T)
    assert 1 - chord.sum() / (10 * math.pi) == pytest.approx(chord[0] ** 2 / 24 / 25, rel=1e-3)
    with pytest.raises(UsageError, match="tolerance"):
        densify(circle, 0.0)


def test_edges_and_areas_of_a_stadium() -> None:
    """Two straights of 10 m and two half circles of radius 2 m, either way round."""
    xy = np.array([[0.0, -2], [10, -2], [10, 2], [0, 2]])
    both = strings_of(
        ["l", "r"], [True, True], [xy, xy[::-1]], [np.array([0, 1.0, 0, 1.0]), np.array([0, -1.0, 0, -1.0])]
    )
    np.testing.assert_allclose(lengths(both), 20 + 4 * math.pi, rtol=1e-14)
    np.testing.assert_allclose(areas(both), [40 + 4 * math.pi, -40 - 4 * math.pi], rtol=1e-14)
    np.testing.assert_allclose(edges_of(both).radius, [np.inf, 2, np.inf, 2, np.inf, -2, np.inf, -2])
    ring = shapely.Polygon(densify(both, 1e-6).xy[: densify(both, 1e-6).offsets[1]])
    assert ring.area == pytest.approx(40 + 4 * math.pi, abs=1e-4)


# --- reading ---------------------------------------------------------------------------------

SQUARE = "point,N,E,line,seq\n1,0,0,bed,1\n2,0,10,bed,2\n3,8,10,bed,3\n4,8,0,bed,4\n1,0,0,bed,5\n"


def test_a_square_bed_closed_by_its_first_point() -> None:
    survey = local(SQUARE)
    assert survey.outlines.closed.tolist() == [True]
    assert lengths(survey.outlines)[0] == 36.0
    assert areas(survey.outlines)[0] == 80.0
    assert survey.points.used.all()
    assert survey.node_point.tolist() == [0, 1, 2, 3]


@pytest.mark.parametrize(
    "header",
    [
        "Point,Northing,Easting,Elevation,Description",
        "pt no,y,x,z,code",
        "PNT;North;East;H;desc",
        "ID\tLocal_N\tLocal_E\tLocal_Z\tRemarks",
        "Number|N (m)|E [m]|Elev_m|Feature Code",
        "\ufeffname;Northings;Eastings;Level;Remark",
    ],
)
def test_headers_delimiters_and_byte_order_mark(header: str) -> None:
    mark = next(d for d in "\t;|," if d in header)
    survey = survey_of(
        (header + "\r\n" + mark.join(["7", "5.25", "1e1", "100.5", "tree"]) + "\r\n").lstrip("\ufeff"),
        "x",
        crs="local",
        unit="m",
    )
    assert survey.points.coords.tolist() == [[10.0, 5.25]]
    assert survey.points.height_m.tolist() == [100.5]
    assert survey.points.code.tolist() == ["tree"]
    assert survey.delimiter == mark


def test_any_order_and_blank_rows() -> None:
    survey = local("code,E,height,point,N\n\nx,1,2,P,3\n,,,,\n\n")
    assert (survey.points.number[0], survey.points.coords.tolist(), survey.points.row[0]) == (
        "P",
        [[1.0, 3.0]],
        3,
    )


def test_bytes_with_a_mark_and_bytes_that_are_not_utf_8(tmp_path: Path) -> None:
    good = tmp_path / "good.csv"
    good.write_bytes("point;N;E\nBäume;1,5;-2,25\n".encode("utf-8-sig"))
    survey = read_survey(good, crs="local", unit="m")
    assert survey.points.coords.tolist() == [[-2.25, 1.5]]
    bad = tmp_path / "bad.csv"
    bad.write_bytes("point;N;E\n1;1;1\nBäume;1;2\n".encode("latin-1"))
    with pytest.raises(DataError, match="line 3 holds the byte 0xe4, which is not UTF-8"):
        read_survey(bad, crs="local", unit="m")
    for content, message in (
        (b"", "empty"),
        (b"PK\x03\x04zip", "spreadsheet"),
        ("a,b".encode("utf-16"), "UTF-16"),
    ):
        bad.write_bytes(content)
        with pytest.raises(DataError, match=message):
            read_survey(bad, crs="local", unit="m")
    with pytest.raises(DataError, match="cannot be read"):
        read_survey(tmp_path / "none.csv", crs="local", unit="m")


def test_quoted_cells_and_row_numbers_after_a_line_end_in_a_cell() -> None:
    table = read_table('point,N,E,code\n1,1,1,"a, ""b""\nand c"\n2,x,1,\n', "x")
    assert table.row == (2, 4)
    assert table.rows[0][3] == 'a, "b"\nand c'


def test_rows_text() -> None:
    assert rows_text([5]) == "row 5"
    assert rows_text([2, 10]) == "rows 2, 10"
    assert rows_text([3, 4, 5, 9]) == "rows 3 to 5, 9"
    assert rows_text(range(2, 200, 2)).endswith("and 87 more places")


# --- CRS and foot: declared, never guessed --------------------------------------------------

GRID = "point,N,E,Z,line,seq\n1,2000000,6000000,100,a,1\n2,2000000,6000100,100,a,2\n"


def test_both_feet_are_declared() -> None:
    us = survey_of(GRID, "x", crs="EPSG:2230", unit="ftUS")
    assert us.metres_per_unit == pytest.approx(1200 / 3937, rel=1e-15)
    assert us.points.height_m[0] == pytest.approx(100 * 1200 / 3937)
    feet = survey_of(GRID, "x", crs="local", unit="ft", height_unit="m")
    assert feet.metres_per_unit == FT
    assert feet.points.height_m[0] == 100
    # the international foot of the same grid: 6,000,000 ft differ by 3.7 m, the length of 100 ft by 0.06 mm
    assert 6e6 * (us.metres_per_unit - feet.metres_per_unit) == pytest.approx(3.66, abs=0.01)
    np.testing.assert_array_equal(us.vertices().coords, us.points.coords)


def test_what_is_not_declared_is_refused() -> None:
    assert any(f.startswith("no-crs") for f in faults(GRID, crs=None, unit=None))
    assert any(f.startswith("no-unit") for f in faults(GRID, unit=None))
    assert faults(GRID, crs="EPSG:2230", unit="ft") == [
        "unit-contradicts: the unit ft is declared, "
        "but EPSG:2230 (NAD83 / California zone 6 (ftUS)) counts in ftUS"
    ]
    assert any("says m, declared is ft" in f for f in faults("point,N (m),E (m)\n1,1,1\n", unit="ft"))
    assert any(f.startswith("crs-contradicts") for f in faults(GRID, crs="EPSG:4326", unit=None))
    assert any("not understood" in f for f in faults(GRID, crs="EPSG:999999", unit=None))
    assert any("degrees" in f for f in faults("point,lon,lat\n1,1,1\n", crs="EPSG:4326", unit="m"))
    assert any(
        "unit of the heights" in f for f in faults("point,lon,lat,z\n1,1,1,5\n", crs="EPSG:4326", unit=None)
    )


def test_longitude_and_latitude_with_an_arc() -> None:
    """A half circle of 20 m radius, its points set out on the ellipsoid, found again within 0.1 mm."""
    lon, lat, radius = -80.2, 32.1, 20.0
    text = "point,lon,lat,line,seq,curve\n"
    from siteplan.geodesy import GRS80, direct

    centre = np.array([[lon, lat]])
    for k, (azimuth, curve) in enumerate(((180.0, ""), (90.0, "through"), (0.0, "")), start=1):
        ((x, y),) = direct(centre, np.array([azimuth]), np.array([radius]), ellipsoid=GRS80)
        text += f"{k},{x!r},{y!r},arc,{k},{curve}\n".replace("np.float64(", "").replace(")", "")
    survey = survey_of(text, "x", crs="EPSG:6318", unit=None)
    assert survey.plane is not None
    assert lengths(survey.outlines)[0] == pytest.approx(math.pi * radius, abs=1e-4)
    made = survey.vertices()
    away, _, _ = inverse(np.repeat(centre, len(made.coords), axis=0), made.coords, ellipsoid=GRS80)
    np.testing.assert_allclose(away, radius, atol=1e-4)
    np.testing.assert_allclose(made.radius_m[:-1], radius, atol=1e-4)
    np.testing.assert_array_equal(made.coords[[0, -1]], survey.points.coords[[0, 2]])


# --- linework ----------------------------------------------------------------------------


def rows(*lines: str) -> str:
    return "point,N,E,line,seq,curve,radius,close\n" + "\n".join(lines) + "\n"


def test_half_circle_through_a_point() -> None:
    """The worked example of docs/survey-points.md: a D of radius 3 m on a straight of 6 m."""
    survey = local(rows("1,0,0,D,1,,,", "2,0,6,D,2,,,", "3,3,3,D,3,through,,yes"))
    assert survey.outlines.closed[0]
    assert lengths(survey.outlines)[0] == pytest.approx(6 + 3 * math.pi, rel=1e-14)
    assert areas(survey.outlines)[0] == pytest.approx(4.5 * math.pi, rel=1e-14)
    assert survey.points.used.all()
    assert survey.node_point.tolist() == [0, 1]


def test_the_docs_hold_this_example() -> None:
    page = (Path(__file__).parent.parent / "docs" / "survey-points.md").read_text(encoding="utf-8")
    survey = local(page.split("```csv\n")[1].split("```")[0])
    assert lengths(survey.outlines)[0] == pytest.approx(15.425, abs=5e-4)
    assert areas(survey.outlines)[0] == pytest.approx(14.137, abs=5e-4)
    assert survey.points.used.tolist() == [True, True, True, False]
    made = survey.vertices()
    step = np.hypot(*(np.roll(made.coords, -1, axis=0) - made.coords).T)
    arc = made.radius_m < np.inf
    assert int(arc.sum()) == 61
    assert step[arc].sum() == pytest.approx(9.4237, abs=5e-5)
    assert step[arc][0] == pytest.approx(0.1545, abs=5e-5)
    np.testing.assert_allclose(made.radius_m[arc], 3.0, rtol=1e-12)


def test_a_ring_may_begin_in_the_middle_of_an_arc() -> None:
    survey = local(rows("3,3,3,D,1,through,,", "1,0,0,D,2,,,", "2,0,6,D,3,,,", "3,3,3,D,4,,,"))
    assert lengths(survey.outlines)[0] == pytest.approx(6 + 3 * math.pi, rel=1e-14)


def test_rounded_corners_by_hand() -> None:
    """10 x 8 m with corners of 2 m: 2 (10 + 8) - 8 x 2 + 2 pi 2 and 80 - (4 - pi) 4."""
    survey = local(
        rows(
            *(
                f"{k},{n},{e},bed,{k},round,2,{'yes' if k == 4 else ''}"
                for k, (n, e) in enumerate([(0, 0), (0, 10), (8, 10), (8, 0)], start=1)
            )
        )
    )
    assert lengths(survey.outlines)[0] == pytest.approx(36 - 16 + 4 * math.pi, rel=1e-14)
    assert areas(survey.outlines)[0] == pytest.approx(80 - 4 * (4 - math.pi), rel=1e-14)
    np.testing.assert_allclose(np.abs(edges_of(survey.outlines).radius[::2]), 2.0)
    assert len(survey.outlines.xy) == 8
    assert (survey.node_point == -1).all()


def test_tangent_point_between_two_legs() -> None:
    """Legs east to (6, 0) and north from (10, 4), a point of the circle of radius 4 round (6, 4)."""
    n, e = 4 - 4 * math.sin(math.radians(30)), 6 + 4 * math.cos(math.radians(30))
    survey = local(
        rows("1,0,0,w,1,,,", "2,0,5,w,2,,,", f"3,{n!r},{e!r},w,3,tangent,,", "4,5,10,w,4,,,", "5,9,10,w,5,,,")
    )
    assert survey.outlines.closed.tolist() == [False]
    assert lengths(survey.outlines)[0] == pytest.approx(6 + 2 * math.pi + 5, rel=1e-12)
    np.testing.assert_allclose(survey.outlines.xy[2:4], [[6, 0], [10, 4]], atol=1e-12)
    assert survey.node_point.tolist() == [0, 1, -1, -1, 3, 4]
    # where the arc begins on the surveyed point itself, that point is the node
    exact = local(
        rows("1,0,0,w,1,,,", "2,0,6,w,2,,,", f"3,{n!r},{e!r},w,3,tangent,,", "4,4,10,w,4,,,", "5,9,10,w,5,,,")
    )
    assert exact.node_point.tolist() == [0, 1, 3, 4]
    assert lengths(exact.outlines)[0] == pytest.approx(6 + 2 * math.pi + 5, rel=1e-12)


def test_two_arcs_may_share_their_end() -> None:
    """An S of two half circles."""
    survey = local(
        rows("1,0,0,s,1,,,", "2,1,1,s,2,through,,", "3,0,2,s,3,,,", "4,-1,3,s,4,through,,", "5,0,4,s,5,,,")
    )
    assert lengths(survey.outlines)[0] == pytest.approx(2 * math.pi, rel=1e-14)
    np.testing.assert_allclose(survey.outlines.bulge, [-1, 1, 0], rtol=1e-14)


def test_several_lines_unused_points_and_a_shared_point() -> None:
    survey = local(rows("9,50,50,,,,,", "1,0,0,a,2,,,", "2,0,5,a,1,,,", "1,0,0,b,1,,,", "4,7,7,b,2,,,"))
    assert survey.outlines.names.tolist() == ["a", "b"]
    assert survey.outlines.xy[:2].tolist() == [[5.0, 0.0], [0.0, 0.0]]
    assert survey.points.used.tolist() == [False, True, True, True, True]


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        (["1,0,0,a,1,,,", "2,0,5,a,3,,,"], ["seq-gap: seq 2 is missing"]),
        (["1,0,0,a,2,,,", "2,0,5,a,3,,,"], ["seq-gap: seq 1 is missing"]),
        (["1,0,0,a,1,,,", "2,0,5,a,1,,,"], ["seq-repeated: seq 1 stands 2 times: rows 2, 3"]),
        (["1,0,0,a,1,,,"], ["too-few-points: an open line needs 2 points, this one has 1: row 2"]),
        (["1,0,0,a,1,,,", "2,0,5,a,2,,,yes"], ["too-few-points: a closed line needs 3 points"]),
        (
            ["1,0,0,a,1,,,", "2,0,0.0004,a,2,,,"],
            ["same-place: row 3, point 2: the point lies where point 1 (row 2)"],
        ),
        (
            ["1,0,0,a,1,,,", "2,0,5,a,2,through,,", "3,0,9,a,3,,,"],
            ["no-arc: row 3, point 2: the three points are in line"],
        ),
        (
            ["1,0,0,a,1,,,", "2,0.0005,5,a,2,through,,", "3,0,9,a,3,,,"],
            ["no-arc: row 3, point 2: the three points are in"],
        ),
        (
            ["1,0,0,a,1,through,,", "2,0,5,a,2,,,"],
            ["curve-at-end: row 2, point 1: a through point needs 1 point before"],
        ),
        (
            ["1,0,0,a,1,,,", "2,1,5,a,2,tangent,,", "3,0,9,a,3,,,"],
            ["curve-at-end: row 3, point 2: a tangent point needs 2"],
        ),
        (
            ["1,0,0,a,1,,,", "2,1,5,a,2,through,,", "3,1,9,a,3,through,,", "4,0,12,a,4,,,"],
            ["curves-touch: row 3", "curves-touch: row 4"],
        ),
        (["1,0,0,a,1,,,", "2,0,5,a,2,round,,", "3,5,5,a,3,,,"], ["no-radius: row 3, point 2"]),
        (["1,0,0,a,1,,,", "2,0,5,a,2,round,-2,", "3,5,5,a,3,,,"], ["no-radius: row 3, point 2"]),
        (
            ["1,0,0,a,1,,,", "2,0,5,a,2,round,2,", "3,0,9,a,3,,,"],
            ["no-arc: row 3, point 2: the legs are in line"],
        ),
        (
            ["1,0,0,a,1,,,", "2,0,5,a,2,round,6,", "3,9,5,a,3,,,"],
            ["arc-too-long: row 3, point 2: the arc would begin 1.000 m beyond point 1 (row 2)"],
        ),
        (
            ["1,0,0,a,1,,,", "2,0,5,a,2,round,3,", "3,5,5,a,3,round,3,", "4,5,0,a,4,,,"],
            ["arc-too-long: row 3, point 2: the arcs at this point and at point 3 (row 4) overlap by 1.000"],
        ),
        (
            ["1,0,0,a,1,,,", "2,0,5,a,2,wiggle,,", "3,9,5,a,3,,,"],
            ['bad-curve: row 3: curve "wiggle" is not known'],
        ),
        (["1,0,0,a,1,,,", "2,0,5,a,x,,,"], ['bad-seq: row 3: seq "x"']),
        (["1,0,0,a,1,,4,", "2,0,5,a,2,,,"], ["stray-radius: row 2"]),
        (["1,0,0,a,1,,,maybe", "2,0,5,a,2,,,"], ['bad-close: row 2: close "maybe"']),
        (
            ["1,0,0,a,1,,,yes", "2,0,5,a,2,,,", "3,4,5,a,3,,,"],
            ["closed-early: row 2, point 1: the line is closed at seq 1"],
        ),
        (["1,0,0,,1,,,", "2,0,5,,,,,"], ["no-line: row 2: seq without a line"]),
        (["1,0,0,a,1,,,", "1,0,5,a,2,,,"], ["duplicate-point: point 1 stands in rows 2, 3"]),
        (
            ["1,0,0,,,,,", "1,0,0,,,,,"],
            ["duplicate-point: point 1 stands in rows 2, 3 with the same coordinates"],
        ),
        (
            ["1,,0,a,1,,,", "2,,,a,3,,,", "3,1,,,,,,"],
            [
                "missing-coordinates: row 2: no northing (1 of 3",
                "missing-coordinates: row 3: no e",
                "missing-coordinates: row 4: no easting",
                "seq-gap: seq 2",
            ],
        ),
        (
            ["1,abc,0,a,1,,,", '2,"1,234.5",1,a,2,,,'],
            ['not-a-number: row 2: northing "abc"', 'not-a-number: row 3: northing "1,234.5"'],
        ),
        (
            ["1,nan,0,,,,,", "2,inf,0,,,,,", "3,1_0,0,,,,,"],
            ["not-a-number: row 2", "not-a-number: row 3", "not-a-number: row 4"],
        ),
        ([",1,0,,,,,"], ["no-point-number: row 2"]),
        (["1,1,0,,,,,9"], ["no-line: row 2: close without a line"]),
        (["1,1,2,3,4,5,6,7,8"], None),
    ],
)
def test_faults_of_linework(lines: list[str], expected: list[str] | None) -> None:
    found = faults(rows(*lines))
    if expected is None:
        assert found[0].startswith("too-many-cells: row 2: more cells than the 8 columns")
        return
    for wanted, got in zip(sorted(expected), sorted(found), strict=True):
        assert got.startswith(wanted), got


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("point,N,Northing,E\n1,1,1,1\n", 'ambiguous-columns: "N" and "Northing" can both be the northing'),
        ("point,E\n1,1\n", "missing-column: no column holds the northing"),
        ("N,E\n1,1\n", "missing-column: no column holds the point number"),
        ("point,N,E,lat,lon\n1,1,1,1,1\n", "mixed-coordinates"),
        ("point,N,lat\n1,1,1\n", "mixed-coordinates"),
        ("point,N,E,line\n1,1,1,a\n", "missing-column: there is a column line but none named seq"),
        ("point,N,E,curve\n1,1,1,\n", "missing-column: there is a column curve but no line"),
        ("point,N,E,E\n1,1,1,1\n", "repeated-column"),
        ("point\n1\n", "one-column"),
        ("point,N,E\n", "no-points"),
        (
            "point;N;E\n1;1,5;2.5\n",
            "mixed-decimals: decimal comma and point are mixed: 1,5 (row 2), 2.5 (row 2)",
        ),
        ("point,N,E\n1,2e9,1\n", "not-a-place: row 2: northing 2000000000 is not on earth"),
    ],
)
def test_faults_of_the_header_and_numbers(text: str, expected: str) -> None:
    if expected == "one-column":
        with pytest.raises(DataError, match="one column only"):
            local(text)
        return
    assert any(f.startswith(expected) for f in faults(text))


def test_missing_columns_show_what_was_found() -> None:
    with pytest.raises(DataError, match="The columns found are: point, hoch, rechts"):
        local("point,hoch,rechts\n1,1,1\n")
    chosen = survey_of(
        "point,hoch,rechts\n1,1,2\n",
        "x",
        crs="local",
        unit="m",
        columns={"northing": "hoch", "easting": "rechts"},
    )
    assert chosen.points.coords.tolist() == [[2.0, 1.0]]
    with pytest.raises(DataError, match='there is no column "up"'):
        survey_of("point,N,E\n1,1,2\n", "x", crs="local", unit="m", columns={"height": "up"})
    # a plainer word wins over a vague one
    assert local("point,name,N,E\n1,oak,1,2\n").points.number[0] == "1"


def test_swapped_longitude_and_latitude_are_told() -> None:
    with pytest.raises(DataError, match="look swapped"):
        survey_of("point,lon,lat\n1,32.1,-100.2\n", "x", crs="EPSG:4326")


def test_all_faults_come_at_once() -> None:
    text = rows("1,0,0,a,1,,,", "2,zz,5,a,3,,,", "2,1,1,b,1,,,", "4,,1,b,3,odd,,", "5,1,2e9,,7,,,")
    codes = {f.split(":")[0] for f in faults(text, crs=None)}
    assert codes >= {
        "no-crs",
        "not-a-number",
        "missing-coordinates",
        "duplicate-point",
        "bad-curve",
        "seq-gap",
        "not-a-place",
        "no-line",
    }


def test_a_long_list_of_faults_is_shortened() -> None:
    found = faults("point,N,E\n" + "".join(f"{k},x,1\n" for k in range(500)))
    assert len([f for f in found if f.startswith("not-a-number")]) == 20
    assert any("and 481 more like these" in f for f in found)


# --- real files ------------------------------------------------------------------------------


def test_real_total_station_survey(shared_data: Path) -> None:
    """689 points; 109 numbers come twice, in stretches that count up again; (0, 0) stands alone."""
    survey = read_survey(shared_data / "survey_ertola.csv", crs="local", unit="m")
    assert len(survey.points) == 689
    assert len(survey.outlines) == 0
    assert not survey.points.used.any()
    assert np.flatnonzero(survey.points.far).tolist() == [131]
    assert survey.points.coords[131].tolist() == [0.0, 0.0]
    assert survey.points.coords.max(axis=0) == pytest.approx([540.484, 533.896])
    notes = {f.code: f.text for f in survey.findings}
    assert set(notes) == {"survey-read", "numbers-restart", "far-point"}
    assert "rows 385 to 493" in notes["numbers-restart"]
    assert "row 133: point 132 at (0, 0)" in notes["far-point"]


def test_messy_file_gives_one_clear_report(shared_data: Path) -> None:
    """Tabs in a .csv, empty coordinates, unscaled numbers, a repeated point."""
    with pytest.raises(DataError) as error:
        read_survey(shared_data / "bad" / "messy_survey.csv", crs="local", unit="m")
    text = str(error.value)
    assert [f.code for f in error.value.faults] == [
        "missing-coordinates",
        "not-a-place",
        "not-a-place",
        "duplicate-point",
    ]
    assert "rows 3 to 11: no easting and no northing (9 of 10 points)" in text
    assert "row 2: northing 16556174237 is not on earth" in text
    assert "point 108 stands in rows 2, 10" in text


# --- far points --------------------------------------------------------------------------------


def test_far_points_rule() -> None:
    rng = np.random.default_rng(1)
    crowd = rng.normal(500, 20, (200, 2))
    assert not far_points(crowd).any()
    assert far_points(np.vstack([crowd, [[0, 0], [5000, 500]]])).nonzero()[0].tolist() == [200, 201]
    # a dense corner does not make a string of other points look far
    path = np.column_stack([np.linspace(500, 1500, 150), np.full(150, 500.0)])
    assert not far_points(np.vstack([rng.normal(500, 1, (200, 2)), path])).any()
    assert not far_points(np.array([[0.0, 0], [1, 1], [1e6, 1e6]])).any()


# --- properties -------------------------------------------------------------------------------


@given(
    st.lists(
        st.tuples(st.integers(-500_000, 500_000), st.integers(-500_000, 500_000)),
        min_size=3,
        max_size=12,
        unique=True,
    ),
    st.sampled_from([",", ";", "\t", "|"]),
    st.booleans(),
    st.permutations(["point", "N", "E", "line", "seq", "close"]),
)
@settings(deadline=None, derandomize=True, max_examples=100)
def test_any_outline_written_and_read_is_the_same(
    mm: list[tuple[int, int]], mark: str, comma: bool, order: list[str]
) -> None:
    xy = np.array(mm) / 1000 * 3
    step = np.roll(xy, -1, axis=0) - xy
    if np.hypot(*step.T).min() < 0.001:
        return
    text = mark.join(order) + "\n"
    for k, (e, n) in enumerate(xy.tolist(), start=1):
        cells = {
            "point": f"P{k}",
            "N": f"{n!r}",
            "E": f"{e!r}",
            "line": "bed 1",
            "seq": str(k),
            "close": "yes" if k == len(xy) else "",
        }
        row = mark.join(cells[c] for c in order)
        text += (row.replace(".", ",") if comma and mark != "," else row) + "\n"
    survey = local(text)
    np.testing.assert_array_equal(survey.vertices().coords, xy)
    assert survey.outlines.closed.tolist() == [True]


@given(st.text(max_size=300))
@settings(deadline=None, derandomize=True, max_examples=300)
def test_any_text_is_read_or_refused_with_faults(text: str) -> None:
    for head in ("", "point,N,E,line,seq,curve,radius,close\n"):
        try:
            local(head + text)
        except DataError as error:
            told = error.faults
        else:
            continue
        assert told
