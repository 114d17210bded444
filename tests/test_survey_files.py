"""Survey points and field notes as inputs: told apart, placed, picked, with heights; all faults at once."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplan.errors import DataError, Fault, Finding
from siteplan.fieldnotes.notes import write_notes
from siteplan.fieldnotes.strings import lengths, strings_of
from siteplan.geodesy import direct, inverse, project, unproject
from siteplan.intake import AnchorPoint, Reading, Source, read_features, vertex_numbers
from siteplan.intake.survey_files import text_kind
from siteplan.model import Features, RingKind

GRID = "EPSG:3418"
"""Iowa South, US survey feet"""
E0, N0 = 1_590_000.0, 590_000.0
FTUS = 1200 / 3937


def read(
    path: Path, text: str, crs: str | None = GRID, **reading: Any
) -> tuple[Features, tuple[Finding, ...]]:
    role = reading.pop("role", "beds")
    height_m = reading.pop("height_m", None)
    path.write_text(text, encoding="utf-8")
    source = Source(path, crs=crs, reading=Reading(**reading), height_m=height_m)
    return read_features([source], role)


def faults_of(path: Path, text: str, crs: str | None = GRID, **reading: Any) -> tuple[Fault, ...]:
    with pytest.raises(DataError) as caught:
        read(path, text, crs, **reading)
    return caught.value.faults


Row = tuple[float | str, ...]


def survey(*lines: tuple[str, Sequence[Row]], closed: bool = True, header: str = "") -> str:
    """A survey text: outline name, then (easting, northing, height) or with words after them."""
    rows = [header or "point,northing,easting,height,line,seq,curve,radius,close"]
    number = itertools.count(1)
    for name, points in lines:
        for seq, point in enumerate(points, 1):
            height, curve, radius = [*point[2:], "", "", ""][:3]
            end = "yes" if closed and seq == len(points) else ""
            place = f"{N0 + float(point[1])!r},{E0 + float(point[0])!r}"
            rows.append(f"{next(number)},{place},{height},{name},{seq},{curve},{radius},{end}")
    return "\n".join(rows) + "\n"


SQUARE: list[tuple[float, float]] = [(0, 0), (60, 0), (60, 40), (0, 40)]


# -- which is which -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "name", "kind"),
    [
        ("point,northing,easting,line,seq\n", "a.csv", "survey"),
        ("# by hand\n\nPt;N (m);E (m);Z;Desc\n", "a.txt", "survey"),
        ("point\tlon\tlat\n", "a.tsv", "survey"),
        ("anything,at,all\n", "a.csv", "survey"),
        ("do,,\noutline,a,\n", "a.csv", "notes"),
        ('"do";"a"\n', "a.tsv", "notes"),
        ("unit ft\noutline x\n", "a.txt", "notes"),
        ("# walked on Monday\noutline bed, north\n", "a.txt", "notes"),
        ("point A, east 0 ft, north 0 ft\n", "a.txt", "notes"),
        ("id,WKT\n", "a.csv", "features"),
        ("dear sir,\n", "a.txt", None),
        ("", "a.txt", None),
    ],
)
def test_what_a_text_is(text: str, name: str, kind: str | None) -> None:
    assert text_kind(text.encode(), name) == kind
    assert text_kind(b"\xef\xbb\xbf" + text.encode(), name) == kind


def test_a_text_that_is_neither(tmp_path: Path) -> None:
    (fault,) = faults_of(tmp_path / "a.txt", "dear sir,\nplease find enclosed\n")
    assert fault.code == "not-a-known-format"
    assert "point, easting, northing" in fault.what


def test_a_table_of_wkt_and_a_json_named_txt_still_go_the_other_way(tmp_path: Path) -> None:
    found, _ = read(
        tmp_path / "a.csv",
        'id,WKT\nb1,"POLYGON ((1590000 590000,1590060 590000,1590060 590040,1590000 590000))"\n',
    )
    assert found.ids.tolist() == ["b1"]
    text = '{"type": "Polygon", "coordinates": [[[-93.6,41.6],[-93.599,41.6],[-93.599,41.601],[-93.6,41.6]]]}'
    found, _ = read(tmp_path / "a.txt", text, crs=None)
    assert found.crs == "EPSG:4326"


# -- survey points ------------------------------------------------------------------------


def test_a_square_keeps_its_digits(tmp_path: Path) -> None:
    found, findings = read(tmp_path / "a.csv", survey(("N1", SQUARE)))
    assert found.ids.tolist() == ["N1"]
    assert (found.coords - (E0, N0)).tolist() == [list(p) for p in SQUARE]
    assert found.ring_kind.tolist() == [RingKind.OUTER]
    assert found.crs == GRID
    assert np.isnan(found.z).all()
    assert [f.code for f in findings] == ["survey-read"]


def test_arcs_are_within_the_tolerance_and_keep_their_radius(tmp_path: Path) -> None:
    """Half a circle of 20 ft on a straight line of 40: area 2 pi 100, by the middle point on it."""
    points: list[Row] = [(0, 0), (40, 0), (20, 20, "", "through")]
    for tolerance in (0.001, 0.05):
        found, _ = read(tmp_path / "a.csv", survey(("N1", points)), chord_tolerance_m=tolerance)
        xy = (found.coords - (E0, N0)) * FTUS
        radius = vertex_numbers(found, "radius_m")
        arc = np.isfinite(radius)
        assert radius[arc] == pytest.approx(20 * FTUS)
        assert arc.sum() == len(xy) - 1
        off = np.hypot(*(xy - np.array([20 * FTUS, 0])).T)
        assert off == pytest.approx(20 * FTUS, abs=1e-6)
        middles = (xy + np.roll(xy, -1, axis=0))[arc] / 2
        assert (20 * FTUS - np.hypot(*(middles - np.array([20 * FTUS, 0])).T)).max() <= tolerance * (1 + 1e-6)


def test_heights_stay_in_the_unit_of_the_grid_and_run_along_arcs(tmp_path: Path) -> None:
    points: list[Row] = [(0, 0, 900), (40, 0, 910), (20, 20, "", "through")]
    found, findings = read(tmp_path / "a.csv", survey(("N1", points)))
    assert found.z[:2] == pytest.approx([900, 910], abs=1e-9)
    # equal chords of the arc back to the first point: equal steps down
    steps = np.diff(np.append(found.z[1:], 900))
    assert steps == pytest.approx(-10 / len(steps), abs=1e-6)
    assert "z-mixed" not in [f.code for f in findings]
    points[1] = (40, 0)  # a surveyed point without height: nothing is filled in
    found, findings = read(tmp_path / "a.csv", survey(("N1", points)))
    assert np.isfinite(found.z).tolist() == [True] + [False] * (len(found.z) - 1)
    assert "z-mixed" in [f.code for f in findings]
    found, _ = read(
        tmp_path / "a.csv", survey(("N1", [(0, 0, 300), (40, 0, 300), (20, 20, 300)])), height_unit="m"
    )
    assert found.z == pytest.approx(300 / FTUS)


def test_outlines_are_picked_by_code(tmp_path: Path) -> None:
    rows = ["point,northing,easting,code,line,seq,close"]
    for line, code in enumerate(("BED", "WALL", "Bed", "")):
        for seq, (e, n) in enumerate(SQUARE, 1):
            end = "yes" if seq == 4 else ""
            rows.append(f"{line}{seq},{N0 + n},{E0 + e + 100 * line},{code},L{line},{seq},{end}")
    text = "\n".join(rows)
    found, _ = read(tmp_path / "a.csv", text, layers=("bed",))
    assert found.ids.tolist() == ["L0", "L2"]
    found, _ = read(tmp_path / "a.csv", text, layers=("WALL",), role="abutments")
    assert found.ids.tolist() == ["L1"]
    assert found.attributes["code"].tolist() == ["WALL"]
    (fault,) = faults_of(tmp_path / "a.csv", text, layers=("KERB",))
    assert fault.code == "layer-not-found"
    assert '"BED", "WALL", "Bed"' in fault.what


def test_islands_within_outlines(tmp_path: Path) -> None:
    inner = [(20.0, 10.0), (30.0, 10.0), (30.0, 20.0)]
    found, findings = read(tmp_path / "a.csv", survey(("inner", inner), ("outer", SQUARE)))
    assert found.ids.tolist() == ["outer"]
    assert found.ring_kind.tolist() == [RingKind.OUTER, RingKind.ISLAND]
    assert '"inner" in "outer"' in next(f.text for f in findings if f.code == "islands")
    found, _ = read(tmp_path / "a.csv", survey(("inner", inner), ("outer", SQUARE)), nested="outlines")
    assert found.ids.tolist() == ["inner", "outer"]


def test_longitude_and_latitude(tmp_path: Path) -> None:
    lonlat = unproject(GRID, np.array(SQUARE) + (E0, N0))
    rows = ["point,lon,lat,line,seq,close"]
    rows += [
        f"{k},{x!r},{y!r},A,{k},{'yes' if k == 4 else ''}" for k, (x, y) in enumerate(lonlat.tolist(), 1)
    ]
    found, _ = read(tmp_path / "a.csv", "\n".join(rows), crs="EPSG:4326")
    assert np.array_equal(found.coords, lonlat)


def test_axes_of_the_site_s_own_with_anchor_points(tmp_path: Path) -> None:
    """A square of 60 by 40 ft, its axes turned by 30 degrees: its sides keep their ground length."""
    start = unproject(GRID, np.array([[E0, N0]]))
    side = {0: 60.0, 1: 40.0}
    anchors = [AnchorPoint((0, 0), (E0, N0))]
    for k, xy in ((0, (60.0, 0.0)), (1, (0.0, 40.0))):
        # x to the right and y ahead, turned 30 degrees clockwise: azimuths 120 and 30
        there = direct(start, np.array([120.0 - 90 * k]), np.array([side[k] * 0.3048]))
        anchors.append(AnchorPoint(xy, tuple(project(GRID, there)[0].tolist()), f"corner {k}"))
    rows = ["point,northing,easting,line,seq,close"]
    rows += [f"{k},{n},{e},A,{k},{'yes' if k == 4 else ''}" for k, (e, n) in enumerate(SQUARE, 1)]
    text = "\n".join(rows)
    found, findings = read(tmp_path / "a.csv", text, unit="ft", anchor=tuple(anchors))
    assert found.crs == GRID
    lonlat = unproject(GRID, found.coords)
    sides, azimuth, _ = inverse(lonlat, np.roll(lonlat, -1, axis=0))
    assert sides == pytest.approx([60 * 0.3048, 40 * 0.3048] * 2, abs=1e-5)
    assert azimuth % 360 == pytest.approx([120, 30, 300, 210], abs=1e-3)
    assert "anchored" in [f.code for f in findings]
    (fault,) = faults_of(tmp_path / "a.csv", text, anchor=tuple(anchors))
    assert fault.code == "no-unit"
    faults = faults_of(tmp_path / "a.csv", text, crs="local", unit="ft")
    assert [f.code for f in faults] == ["not-anchored"]


def test_the_real_survey_has_points_only(shared_data: Path) -> None:
    with pytest.raises(DataError) as caught:
        read_features([Source(shared_data / "survey_ertola.csv")], "beds")
    assert [f.code for f in caught.value.faults] == ["no-crs", "no-outlines"]
    assert "689 points" in caught.value.faults[1].what


def test_the_real_messy_file_in_one_report(shared_data: Path) -> None:
    with pytest.raises(DataError) as caught:
        read_features(
            [Source(shared_data / "bad" / "messy_survey.csv", reading=Reading(hdop_limit=3))], "beds"
        )
    codes = [f.code for f in caught.value.faults]
    assert codes[:2] == ["key-not-used", "no-crs"]
    assert {"missing-coordinates", "not-a-place", "duplicate-point"} <= set(codes)


def test_every_fault_of_a_survey_in_one_report(tmp_path: Path) -> None:
    text = (
        "point,northing,easting,line,seq,curve,close\n"
        "1,590000,1590000,A,1,,\n2,590000,1590060,A,3,,\n2,x,1590060,A,4,bent,yes\n"
    )
    codes = {f.code for f in faults_of(tmp_path / "a.csv", text, crs="EPSG:999999", join_within_m=0.1)}
    assert {"key-not-used", "crs", "seq-gap", "duplicate-point"} <= codes
    codes = {f.code for f in faults_of(tmp_path / "a.csv", text, unit="yd")}
    assert "bad-unit" in codes


def test_numbers_beyond_all_measure_are_faults(tmp_path: Path) -> None:
    text = survey(("A", SQUARE)).replace("1590060.0", "1e999")
    assert "not-a-place" in {f.code for f in faults_of(tmp_path / "a.csv", text)}


def test_an_arc_out_of_all_measure_is_a_fault(tmp_path: Path) -> None:
    points: list[Row] = [(0, 0), (1e7, 0), (5e6, 5e6, "", "through")]
    faults = faults_of(tmp_path / "a.csv", survey(("A", points)), chord_tolerance_m=1e-9)
    assert "arc-too-large" in {f.code for f in faults}


# -- field notes ------------------------------------------------------------------------------


NOTES = """
crs EPSG:3418
unit ftUS
point A, east 0, north 0
point B, east 60, north 0
anchor A, east 1590000 ftUS, north 590000 ftUS
anchor B, east 1590060 ftUS, north 590000 ftUS
outline N1
start A
leg E, 60
leg N, 40
leg W, 60
close line
outline N2
start east 100, north 0
leg E, 20
curve left, radius 10, delta 180
leg W, 20
"""


def test_notes_are_laid_by_their_own_anchors(tmp_path: Path) -> None:
    found, findings = read(tmp_path / "a.txt", NOTES, crs=None)
    assert found.crs == GRID
    assert found.ids.tolist() == ["N1", "N2"]
    assert found.ring_kind.tolist() == [RingKind.OUTER, RingKind.LINE]
    # two anchors 60 grid feet apart, taken as ground: within 1e-4 of the grid
    assert found.coords[:4] - (E0, N0) == pytest.approx(
        np.array([[0, 0], [60, 0], [60, 40], [0, 40]]), abs=0.01
    )
    radius = vertex_numbers(found, "radius_m")
    assert radius[np.isfinite(radius)] == pytest.approx(10 * FTUS)
    assert {"anchored", "anchor-mirror-open"} <= {f.code for f in findings}
    found, _ = read(tmp_path / "a.txt", NOTES, crs=None, layers=("n2",))
    assert found.ids.tolist() == ["N2"]
    faults = faults_of(tmp_path / "a.txt", NOTES, crs="EPSG:32615")
    assert [f.code for f in faults] == ["crs-contradicts"]


def test_notes_as_a_table(tmp_path: Path) -> None:
    rows = ["do,a,b,c"]
    for line in NOTES.strip().splitlines():
        verb, _, rest = line.partition(" ")
        rows.append(",".join([verb, *(p.strip() for p in rest.split(","))]))
    table, _ = read(tmp_path / "a.csv", "\n".join(rows), crs=None)
    plain, _ = read(tmp_path / "a.txt", NOTES, crs=None)
    assert np.array_equal(table.coords, plain.coords)


def test_notes_need_a_place_on_the_map_once(tmp_path: Path) -> None:
    loose = "\n".join(k for k in NOTES.splitlines() if not k.startswith(("anchor", "crs")))
    (fault,) = faults_of(tmp_path / "a.txt", loose, crs=None)
    assert fault.code == "not-anchored"
    pairs = (AnchorPoint((0, 0), (E0, N0)), AnchorPoint((60 * FTUS, 0), (E0 + 60, N0)))
    (fault,) = faults_of(tmp_path / "a.txt", loose, crs=None, anchor=pairs)
    assert fault.code == "no-crs"
    own, _ = read(tmp_path / "a.txt", NOTES, crs=None)
    given, _ = read(tmp_path / "a.txt", loose, anchor=pairs)
    assert given.coords == pytest.approx(own.coords, abs=1e-6)
    (fault,) = faults_of(tmp_path / "a.txt", NOTES, crs=None, anchor=pairs)
    assert fault.code == "anchored-twice"


def test_taped_lengths_are_ground_lengths_at_the_height_of_the_site(tmp_path: Path) -> None:
    low, _ = read(tmp_path / "a.txt", NOTES, crs=None)
    high, _ = read(tmp_path / "a.txt", NOTES, crs=None, height_m=1500.0)
    a, b = (float(np.hypot(*(f.coords[1] - f.coords[0]))) for f in (low, high))
    # R / (R + h) with a mean radius of 6,378 km here: 1 - 235e-6
    assert b / a == pytest.approx(6_378_000 / 6_379_500, abs=1e-6)


def test_every_fault_of_notes_in_one_report(tmp_path: Path) -> None:
    text = "outline A\nstart\nleg N, 20\nleg Q, 5 ft\nclose\n"
    codes = [f.code for f in faults_of(tmp_path / "a.txt", text, crs=None, unit="ft")]
    assert codes[0] == "key-not-used"
    assert len(codes) >= 3
    (fault, *_) = faults_of(tmp_path / "a.txt", "unit ft\n", crs=None)
    assert fault.code == "no-outline"


# -- there and back ---------------------------------------------------------------------------------


def outline(seed: int, count: int) -> np.ndarray:
    """Vertices round a middle, metres or feet."""
    noise = np.random.default_rng(seed)
    turn = np.linspace(0, 2 * np.pi, count, endpoint=False)
    made: np.ndarray = noise.uniform(20, 40, count)[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])
    return made


@settings(deadline=None, derandomize=True, max_examples=40)
@given(st.integers(0, 2**31), st.integers(3, 30), st.booleans(), st.sampled_from([",", ";", "\t", "|"]))
def test_any_outline_written_as_survey_points_reads_back_to_the_last_digit(
    tmp_path_factory: pytest.TempPathFactory, seed: int, count: int, closed: bool, mark: str
) -> None:
    xy = outline(seed, count)
    path = tmp_path_factory.mktemp("csv") / "a.csv"
    text = survey(("A", [tuple(p) for p in xy.tolist()]), closed=closed).replace(",", mark)
    found, _ = read(path, text)
    assert np.array_equal(found.coords, xy + (E0, N0))
    assert found.ring_kind.tolist() == [RingKind.OUTER if closed else RingKind.LINE]


@settings(deadline=None, derandomize=True, max_examples=40)
@given(st.integers(0, 2**31), st.integers(3, 16), st.booleans())
def test_any_outline_written_as_notes_reads_back_within_a_micrometre(
    tmp_path_factory: pytest.TempPathFactory, seed: int, count: int, with_arcs: bool
) -> None:
    xy = outline(seed, count) * FTUS
    noise = np.random.default_rng(seed + 1)
    bulge = noise.uniform(-0.1, 0.1, count) if with_arcs else np.zeros(count)
    strings = strings_of(["A"], [True], [xy], [bulge])
    plane = "EPSG:32615"
    anchor = (
        "crs EPSG:32615\npoint P, east 0 m, north 0 m\npoint Q, east 0 m, north 100 m\n"
        "anchor P, east 500000 m, north 4600000 m\nanchor Q, east 500000 m, north 4600099.96 m\n"
    )
    path = tmp_path_factory.mktemp("notes") / "a.txt"
    found, _ = read(path, anchor + write_notes(strings), crs=None)
    # UTM at its central meridian is the plane shrunk by 0.9996
    back = (found.coords - (500_000, 4_600_000)) / 0.9996
    away = np.hypot(*(back[:, None] - xy[None]).transpose(2, 0, 1)).min(axis=0)
    assert away.max() < 2e-5  # of which the plane against UTM is 1e-5: 0.1 ppm of the 100 m to Q
    assert found.crs == plane
    exact = lengths(strings)[0]
    assert exact - 0.01 * with_arcs - 1e-4 < shapely.LinearRing(back).length < exact + 1e-4
    assert math.isfinite(exact)
