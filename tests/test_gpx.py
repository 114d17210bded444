"""GNSS walks: what is read, what is taken out by the rule, what is told, what is refused."""

from __future__ import annotations

import itertools
import time
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio.raw
import pytest
import shapely
from geographiclib.geodesic import Geodesic
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplan.errors import DataError, Fault, Finding
from siteplan.intake import Reading, Source, read_features, vertex_numbers, vertex_texts
from siteplan.intake.walk import LONGEST_SPIKE, find_spikes, jumps, simplified
from siteplan.model import Features, RingKind
from tests.make_sites import lonlat_of

EVERY_POINT = Reading(simplify_m=0.0)


def gpx(*tracks: Any, extra: str = "", version: str = "1.1") -> str:
    """A GPX text.  A track is (name, points); a point is (lon, lat) or (lon, lat, {element: text})."""
    parts = []
    for name, points in tracks:
        rows = []
        for lon, lat, *more in points:
            inner = "".join(f"<{k}>{v}</{k}>" for k, v in (more[0] if more else {}).items())
            rows.append(f'<trkpt lat="{float(lat)!r}" lon="{float(lon)!r}">{inner}</trkpt>')
        parts.append(f"<trk><name>{name}</name><trkseg>{''.join(rows)}</trkseg></trk>")
    space = f"http://www.topografix.com/GPX/{version.replace('.', '/')}"
    return f'<?xml version="1.0"?><gpx version="{version}" xmlns="{space}">{extra}{"".join(parts)}</gpx>'


def walk(path: Path, text: str, reading: Reading = EVERY_POINT) -> tuple[Features, tuple[Finding, ...]]:
    path.write_text(text, encoding="utf-8")
    return read_features([Source(path, reading=reading)], "beds")


def faults_of(path: Path, text: str | bytes, reading: Reading = EVERY_POINT) -> tuple[Fault, ...]:
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(DataError) as caught:
        read_features([Source(path, reading=reading)], "beds")
    return caught.value.faults


def told(findings: tuple[Finding, ...], code: str) -> list[Finding]:
    return [f for f in findings if f.code == code]


def ring(count: int = 60, radius: float = 30.0) -> np.ndarray:
    """Points of a walk round a circle, metres, about 3 m apart."""
    angle = np.linspace(0, 2 * np.pi, count, endpoint=False)
    return radius * np.column_stack([np.cos(angle), np.sin(angle)])


# -- real walks ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "lengths", "gap"),
    [
        # lengths and gaps as the note beside the data gives them, to the metre
        ("korita-zbevnica.gpx", (8644, 2285, 3986), 9.2),
        ("around-visnjan-with-car.gpx", (2736,), 26.4),
    ],
)
def test_real_walks_against_a_second_reader(
    shared_data: Path, name: str, lengths: tuple[int, ...], gap: float
) -> None:
    path = shared_data / name
    found, findings = read_features([Source(path, reading=EVERY_POINT)], "beds")
    # the reading library has the points of all tracks as one layer
    meta, _, wkb, fields = pyogrio.raw.read(path, layer="track_points")
    points = shapely.get_coordinates(shapely.from_wkb(wkb))
    assert np.array_equal(found.coords, points)
    ele = fields[list(meta["fields"]).index("ele")]
    assert np.array_equal(found.z, ele, equal_nan=True)
    assert not told(findings, "gpx-spike")
    assert (found.ring_kind == RingKind.LINE).all()
    for k, expected in enumerate(lengths):
        xy = found.coords[found.ring_offsets[k] : found.ring_offsets[k + 1]]
        legs = [Geodesic.WGS84.Inverse(a[1], a[0], b[1], b[0])["s12"] for a, b in itertools.pairwise(xy)]
        assert sum(legs) == pytest.approx(expected, abs=0.6)
    assert f"{gap} m apart" in told(findings, "gpx-open")[0].text


def test_a_walk_says_what_it_is_worth_also_after_it_was_written_elsewhere(shared_data: Path) -> None:
    _, findings = read_features([Source(shared_data / "korita-zbevnica.gpx")], "beds")
    (worth,) = told(findings, "gnss-walk")
    assert "3 to 5 m" in worth.text
    assert "no source for counting pieces" in worth.text


def test_times_stay_with_their_vertices(shared_data: Path) -> None:
    path = shared_data / "around-visnjan-with-car.gpx"
    found, _ = read_features([Source(path)], "beds")
    times = {
        (float(p.attrib["lon"]), float(p.attrib["lat"])): p.findtext("{*}time")
        for p in ET.parse(path).iter("{http://www.topografix.com/GPX/1/1}trkpt")
    }
    texts = vertex_texts(found, "time")
    assert len(texts) == len(found.coords) < len(times) + 1
    for place, text in zip(found.coords, texts, strict=True):
        assert times[(float(place[0]), float(place[1]))] == text


# -- spikes --------------------------------------------------------------------


@pytest.mark.parametrize("count", [1, 2, 3])
@pytest.mark.parametrize("timed", [False, True])
def test_points_far_out_and_back_are_taken_out(count: int, timed: bool) -> None:
    xy = ring()
    out = xy[20] * 3 + np.arange(count)[:, None]
    wild = np.vstack([xy[:21], out, xy[21:]])
    seconds = np.arange(len(wild), dtype=np.float64) * 2.0 if timed else None
    (spike,) = find_spikes(wild, seconds)
    assert (spike.first, spike.count) == (21, count)
    assert spike.out_m == pytest.approx(float(np.hypot(*(out[0] - xy[20]))))


def test_four_points_far_out_are_a_place_somebody_went_to() -> None:
    xy = ring()
    out = xy[20] * 3 + np.arange(LONGEST_SPIKE + 1)[:, None]
    assert not find_spikes(np.vstack([xy[:21], out, xy[21:]]), None)


def test_what_is_no_spike() -> None:
    there = np.column_stack([np.arange(0, 60, 3.0), np.zeros(20)])
    assert not find_spikes(np.vstack([there, there[::-1]]), None)  # turned back
    sparse = np.vstack([there, [(150.0, 0.0), (300.0, 0.0)], there + (303.0, 0.0)])
    assert not find_spikes(sparse, None)  # long legs that do not come back
    near = ring()
    near[20] *= 1.2  # 6 m out: less than 10 m, as receivers wander
    assert not find_spikes(near, None)
    corner = np.array([(0.0, 0.0), (30.0, 0.0), (30.0, 30.0), (0.0, 30.0), (0.0, 0.0)])
    assert not find_spikes(corner, None)  # few points, ordinary legs
    far = np.vstack([ring()[:21], ring()[20] * 3, ring()[21:]])
    minutes = np.arange(61, dtype=np.float64) * 60  # 60 m in a minute: time enough to walk there
    assert not find_spikes(far, minutes)
    assert find_spikes(far, minutes / 60)


def test_each_spike_is_told_with_its_place_and_number(tmp_path: Path) -> None:
    xy = ring()
    wild = np.vstack([xy[:11], xy[10] * 4, xy[11:41], xy[40] * 4, xy[41:]])
    found, findings = walk(tmp_path / "a.gpx", gpx(("walk", lonlat_of(wild))))
    spikes = told(findings, "gpx-spike")
    assert [f.vertex for f in spikes] == [12, 43]
    assert "90.0 m out" in spikes[0].text
    assert len(found.coords) == 60
    assert np.array_equal(found.coords, lonlat_of(xy))


def test_a_jump_is_told_and_kept(tmp_path: Path) -> None:
    xy = np.column_stack([np.arange(0, 60, 3.0), np.zeros(20)])
    xy[10:] += (200.0, 0)
    assert jumps(xy).tolist() == [10]
    found, findings = walk(tmp_path / "a.gpx", gpx(("walk", lonlat_of(xy))))
    assert "between points 10 and 11" in told(findings, "gpx-jump")[0].text
    assert len(found.coords) == 20


# -- closing -------------------------------------------------------------------


def test_a_walk_whose_ends_meet_is_an_outline(tmp_path: Path) -> None:
    open_ring = lonlat_of(ring(60)[:-1])  # the last leg, 6.3 m, is missing
    path = tmp_path / "a.gpx"
    text = gpx(("walk", open_ring))
    found, findings = walk(path, text)
    assert found.ring_kind.tolist() == [RingKind.LINE]
    assert "6.3 m apart, more than 5 m" in told(findings, "gpx-open")[0].text
    found, findings = walk(path, text, Reading(simplify_m=0.0, close_within_m=7.0))
    assert found.ring_kind.tolist() == [RingKind.OUTER]
    assert "within 7 m" in told(findings, "gpx-closed")[0].text
    found, findings = walk(path, text, Reading(simplify_m=0.0, closed="yes"))
    assert found.ring_kind.tolist() == [RingKind.OUTER]
    assert 'closed = "yes"' in told(findings, "gpx-closed")[0].text
    found, _ = walk(path, gpx(("walk", lonlat_of(ring()))), Reading(simplify_m=0.0, closed="no"))
    assert found.ring_kind.tolist() == [RingKind.LINE]


def test_a_short_line_does_not_close_on_itself(tmp_path: Path) -> None:
    found, _ = walk(tmp_path / "a.gpx", gpx(("walk", lonlat_of([(0, 0), (1, 0), (2, 1), (3, 0)]))))
    assert found.ring_kind.tolist() == [RingKind.LINE]


def test_a_repeated_first_point_closes_and_is_dropped(tmp_path: Path) -> None:
    lonlat = lonlat_of(ring())
    found, _ = walk(tmp_path / "a.gpx", gpx(("walk", np.vstack([lonlat, lonlat[:1]]))))
    assert np.array_equal(found.coords, lonlat)


# -- HDOP, time, standing still --------------------------------------------------


def test_hdop_and_time_are_kept_and_bad_hdop_is_told(tmp_path: Path) -> None:
    lonlat = lonlat_of(ring(12, 10.0))
    values = [1.1, 0.9, 7.5, 1.0, 2.0, 5.0, 12.0, 1.0, 1.0, 1.0, 1.0, 1.0]
    points = [
        (lon, lat, {"ele": 100 + k, "time": f"2026-05-01T08:00:{k:02d}Z", **({"hdop": v} if k != 3 else {})})
        for k, ((lon, lat), v) in enumerate(zip(lonlat, values, strict=True))
    ]
    found, findings = walk(tmp_path / "a.gpx", gpx(("walk", points)))
    (bad,) = told(findings, "gpx-hdop")
    assert "2 of 12 points have an HDOP above 5, up to 12 (points 3, 7)" in bad.text
    assert np.array_equal(
        vertex_numbers(found, "hdop"), [np.nan if k == 3 else v for k, v in enumerate(values)], equal_nan=True
    )
    assert vertex_texts(found, "time")[4] == "2026-05-01T08:00:04Z"
    assert found.z.tolist() == [100 + k for k in range(12)]
    assert found.attributes["time_end"][0] == "2026-05-01T08:00:11Z"
    _, findings = walk(tmp_path / "a.gpx", gpx(("walk", points)), Reading(hdop_limit=20.0))
    assert not told(findings, "gpx-hdop")


def test_points_of_one_who_stands_still(tmp_path: Path) -> None:
    lonlat = lonlat_of(ring())
    still = np.repeat(lonlat, [3] * 10 + [1] * 50, axis=0)
    found, findings = walk(tmp_path / "a.gpx", gpx(("walk", still)))
    assert np.array_equal(found.coords, lonlat)
    assert "20 points repeat" in told(findings, "gpx-standing")[0].text


# -- simplifying -----------------------------------------------------------------


@settings(deadline=None, derandomize=True, max_examples=60)
@given(st.integers(0, 2**31), st.floats(0.05, 3.0), st.booleans())
def test_no_point_left_out_lies_further_off_than_the_tolerance(
    seed: int, tolerance: float, closed: bool
) -> None:
    noise = np.random.default_rng(seed)
    xy = ring(80) + noise.normal(0, 0.7, (80, 2))
    keep = simplified(xy, tolerance, closed=closed)
    left = xy[keep]
    line = shapely.LineString(np.vstack([left, left[:1]]) if closed else left)
    assert shapely.distance(line, shapely.points(xy)).max() <= tolerance + 1e-9
    assert keep[0]
    assert closed or keep[-1]
    assert not closed or shapely.is_valid(shapely.Polygon(left)) >= shapely.is_valid(shapely.Polygon(xy))


def test_simplifying_is_told_with_both_lengths(tmp_path: Path) -> None:
    found, findings = walk(tmp_path / "a.gpx", gpx(("walk", lonlat_of(ring(120)))), Reading())
    (text,) = [f.text for f in told(findings, "gpx-simplified")]
    assert f"from 120 to {len(found.coords)} points" in text
    # the perimeter of a 120-gon in a circle of 30 m: 2 n r sin(pi / n)
    assert f"{2 * 120 * 30 * np.sin(np.pi / 120):.1f} m to" in text
    # half a metre from a circle of 30 m: chords of at most 2 sqrt(2 r t), so at least 17 of them
    assert 17 <= len(found.coords) <= 40


# -- what is in the file -----------------------------------------------------------


def test_tracks_segments_routes_and_waypoints(tmp_path: Path) -> None:
    a, b, c = (lonlat_of(ring(20) + (100 * k, 0)) for k in range(3))
    rows = [[f'<trkpt lat="{y!r}" lon="{x!r}"/>' for x, y in part.tolist()] for part in (a, b)]
    route = "".join(f'<rtept lat="{y!r}" lon="{x!r}"/>' for x, y in c.tolist())
    text = gpx(
        extra='<wpt lat="1" lon="2"><name>gate</name></wpt>'
        f"<rte><name>planned</name>{route}</rte>"
        f"<trk><trkseg>{''.join(rows[0])}</trkseg><trkseg/><trkseg>{''.join(rows[1])}</trkseg>"
        "<name>late name</name></trk>"
    )
    path = tmp_path / "a.gpx"
    found, findings = walk(path, text, Reading(simplify_m=0.0, closed="yes"))
    assert found.names.tolist() == ["planned", "late name", "late name"]
    assert found.attributes["kind"].tolist() == ["route", "track", "track"]
    assert found.attributes["segment"].tolist() == [1, 1, 3]
    assert np.array_equal(found.coords, np.vstack([c, a, b]))
    assert told(findings, "gpx-empty")
    assert "1 single waypoints" in told(findings, "gpx-waypoints")[0].text
    found, _ = walk(path, text, Reading(layers=("planned",), closed="yes"))
    assert found.names.tolist() == ["planned"]
    (fault,) = faults_of(path, text, Reading(layers=("plannd",)))
    assert fault.code == "layer-not-found"
    assert '"planned", "late name"' in fault.what


def test_version_1_0_reads_the_same(tmp_path: Path) -> None:
    lonlat = lonlat_of(ring())
    old, _ = walk(tmp_path / "a.gpx", gpx(("w", lonlat), version="1.0"))
    new, _ = walk(tmp_path / "b.gpx", gpx(("w", lonlat)))
    assert np.array_equal(old.coords, new.coords)
    assert old.crs == "EPSG:4326"


def test_every_bad_place_in_one_report(tmp_path: Path) -> None:
    text = (
        "<gpx>\n<trk><name>w</name><trkseg>\n"
        '<trkpt lat="x" lon="1"/>\n<trkpt lat="91" lon="1"/>\n<trkpt lat="1"/>\n<trkpt lat="nan" lon="1"/>\n'
        '<trkpt lat="1" lon="1"/></trkseg></trk></gpx>'
    )
    faults = faults_of(tmp_path / "a.gpx", text, Reading(simplify_m=0.0, layers=("q",)))
    assert [f.code for f in faults] == ["layer-not-found"]
    faults = faults_of(tmp_path / "a.gpx", text, Reading(unit="ft"))
    assert [f.code for f in faults] == ["key-not-used"] + ["not-a-place"] * 4
    assert [f.vertex for f in faults[1:]] == [1, 2, 3, 4]
    assert "line 4" in faults[2].what


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("<gpx></gpx>", "no-features"),
        ('<gpx><wpt lat="1" lon="1"/></gpx>', "no-features"),
        ("<kml></kml>", "not-a-known-format"),
        ("<gpx><trk>", "damaged-file"),
        ("no xml at all", "damaged-file"),
        ('<?xml version="1.0" encoding="klingon"?><gpx/>', "damaged-file"),
    ],
)
def test_files_that_are_no_walk(tmp_path: Path, text: str, code: str) -> None:
    assert [f.code for f in faults_of(tmp_path / "a.gpx", text)] == [code]


def test_one_point_is_no_line(tmp_path: Path) -> None:
    faults = faults_of(tmp_path / "a.gpx", gpx(("w", [(1, 2)])))
    assert {f.code for f in faults} == {"zero-length"}


# -- safety ------------------------------------------------------------------------


LAUGHS = "".join(f'<!ENTITY l{k} "{f"&l{k - 1};" * 10}">' for k in range(1, 12))
BOMBS = {
    "laughs": f'<!DOCTYPE gpx [<!ENTITY l0 "ha">{LAUGHS}]><gpx>&l11;</gpx>',
    "quadratic": f'<!DOCTYPE gpx [<!ENTITY a "{"a" * 50_000}">]><gpx>{"&a;" * 50_000}</gpx>',
    "outside": '<!DOCTYPE gpx [<!ENTITY x SYSTEM "file:///etc/hostname">]><gpx><trk><name>&x;</name></trk></gpx>',
    "parameter": '<!DOCTYPE gpx SYSTEM "http://localhost:1/x.dtd"><gpx/>',
}


@pytest.mark.parametrize("name", list(BOMBS))
@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_document_types_are_refused_before_anything_is_expanded(
    tmp_path: Path, name: str, encoding: str
) -> None:
    begun = time.process_time()
    faults = faults_of(tmp_path / "a.gpx", BOMBS[name].encode(encoding))
    assert time.process_time() - begun < 2
    assert [f.code for f in faults] == ["xml-doctype"]


# -- there and back ------------------------------------------------------------------


@settings(deadline=None, derandomize=True, max_examples=40)
@given(st.integers(0, 2**31), st.integers(3, 40), st.floats(-179, 179), st.floats(-80, 80))
def test_any_outline_written_as_a_track_reads_back_to_the_last_digit(
    tmp_path_factory: pytest.TempPathFactory, seed: int, count: int, lon: float, lat: float
) -> None:
    noise = np.random.default_rng(seed)
    turn = np.sort(noise.uniform(0, 2 * np.pi, count)) + np.arange(count) * 1e-3
    radius = noise.uniform(20, 40, count)
    xy = radius[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])
    lonlat = np.array([lon, lat]) + xy * 1e-5
    path = tmp_path_factory.mktemp("gpx") / "a.gpx"
    path.write_text(gpx(("w", lonlat)))
    faulty: tuple[Fault, ...] = ()
    found: Features | None = None
    try:
        found, _ = read_features([Source(path, reading=Reading(simplify_m=0.0, closed="yes"))], "beds")
    except DataError as error:
        faulty = error.faults
    if found is None:
        # a random outline may run through itself; then that is said
        assert not shapely.is_valid(shapely.Polygon(lonlat))
        assert faulty
    elif len(found.coords) == count:
        assert np.array_equal(found.coords, lonlat)
    else:
        pytest.fail("points were lost though nothing was to be simplified")
