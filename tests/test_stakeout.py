"""Points to set out: closed forms, second paths, files read back by other libraries, hostile names."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import Any, cast
from xml.etree import ElementTree

import ezdxf
import numpy as np
import pyogrio
import pyproj
import pytest
import rasterio
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplan.cli import main
from siteplan.errors import DataError, UsageError
from siteplan.fieldnotes.ties import check_square, from_base, tie
from siteplan.geodesy import inverse
from siteplan.layers import run_lines
from siteplan.plans import plan_runs
from siteplan.sheets.content import run_points
from siteplan.sites import Site, load_site, site_settings
from siteplan.stakeout.control import longest_apart
from siteplan.stakeout.drawing import FINDING_ONLY, dxf_text
from siteplan.stakeout.make import Stakeout, make_stakeout
from siteplan.stakeout.points import outward
from siteplan.stakeout.ties import offset_sigma, tie_sigma
from siteplan.stakeout.walls import house_corners, in_sight
from siteplan.stakeout.write import write_stakeout
from siteplan.takeoffs import takeoff
from siteplan.tomlfile import validated
from tests.make_sites import line, lonlat_of, polygon, rectangle, write_features

FOOT_M = 0.3048
SITES = ("fennel_row", "larkspur_close")
ROOT = Path(__file__).resolve().parent.parent


@dataclass(frozen=True)
class Files:
    """A stakeout and the texts of its files."""

    made: Stakeout
    folder: Path

    def rows(self, name: str) -> list[dict[str, str]]:
        return list(csv.DictReader(io.StringIO((self.folder / f"{name}.csv").read_text(encoding="utf-8"))))


def stakeout(site: Site, **options: Any) -> Stakeout:
    plan = plan_runs(site)
    return make_stakeout(site, plan, takeoff(site, plan), **options)


@lru_cache(maxsize=4)
def of_sample(folder: Path) -> Stakeout:
    return stakeout(load_site(folder))


@pytest.fixture(scope="module", params=SITES)
def sample(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Files:
    made = of_sample(ROOT / "sample_data" / request.param)
    return Files(made, write_stakeout(made, tmp_path_factory.mktemp(request.param)).folder)


def site_of(
    folder: Path, beds: Any, walls: Any = None, *, units: str = "m", grid: str | None = None, **more: Any
) -> Site:
    """A site of beds (id to geometry) and walls, with further tables of ``site.toml``."""
    abutments = [] if walls is None else [write_features(folder / "walls.geojson", walls)]
    made = site_settings(
        write_features(folder / "beds.geojson", beds), "flex-2m", abutments=abutments, units=units, grid=grid
    )
    given = made.model_dump(mode="python")
    assert set(more) <= {"control", "stakeout"}
    extra = validated(
        type(made), {"name": "x", "line": "flex-2m", "inputs": {"beds": [{"file": "b"}]}, **more}, "x"
    )
    return load_site(made.model_copy(update={k: getattr(extra, k) for k in more if k in given}))


def house(
    *, at: tuple[float, float] = (0.0, 0.0), width: float = 12.0, depth: float = 8.0, **said: Any
) -> Any:
    return ({"id": said.pop("id", "house"), **said}, polygon(rectangle(width, depth, at=at)))


def codes(made: Stakeout) -> list[str]:
    return [str(c) for c in made.points.code]


# ---------------------------------------------------------------- points


def test_points_are_those_of_the_sheets_and_lie_on_the_line(sample: Files) -> None:
    made = sample.made
    runs = made.plan.runs
    nodes = run_points(runs)
    called = {f"{runs.run_id[r]}-{x}": xy for r, x, xy in zip(nodes.run, nodes.letter, nodes.xy, strict=True)}
    place = dict(zip(made.points.name, made.points.xy, strict=True))
    assert set(called) <= set(place)
    assert all(np.array_equal(place[n], xy) for n, xy in called.items())
    xy, offsets = run_lines(runs)
    lines = [shapely.LineString(xy[a:b]) for a, b in pairwise(offsets.tolist())]
    away = shapely.distance(shapely.points(made.points.xy), np.array(lines)[made.points.run])
    assert away.max() < 1e-9
    assert len(set(made.points.name)) == len(made.points)


def test_points_of_a_run_are_in_laying_order(sample: Files) -> None:
    points = sample.made.points
    key = np.column_stack([points.run, points.leg, points.at_m])
    assert all(tuple(a) < tuple(b) for a, b in pairwise(key.tolist()))


def test_a_circle_is_one_arc_with_points_at_the_interval(tmp_path: Path) -> None:
    """Closed form: 5 m along a circle of 6 m, drawn with 72 chords."""
    angle = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    made = stakeout(site_of(tmp_path, {"R": polygon(6 * np.column_stack([np.cos(angle), np.sin(angle)]))}))
    assert len(made.arcs) == 1
    assert made.arcs.radius_m[0] == pytest.approx(6.0, abs=1e-4)
    around = 72 * 2 * 6 * math.sin(math.pi / 72)
    assert codes(made).count("ON-CURVE") == math.floor(around / 5)
    assert codes(made).count("CURVE-MIDDLE") == 1
    middle = made.points.xy[codes(made).index("CURVE-MIDDLE")]
    # half round from where the run begins
    assert np.hypot(*(middle - made.points.xy[0])) == pytest.approx(12.0, abs=1e-4)


def test_an_arc_between_straight_parts_begins_and_ends_where_it_should(tmp_path: Path) -> None:
    """A line of 10 m, a quarter circle of 5 m to the left, 10 m: radius and tangent points."""
    angle = np.linspace(-np.pi / 2, 0, 13)
    arc = np.column_stack([10 + 5 * np.cos(angle), 5 + 5 * np.sin(angle)])
    made = stakeout(site_of(tmp_path, {"L": line([(0, 0), *arc.tolist(), (15, 15)])}))
    assert len(made.arcs) == 1
    assert made.arcs.radius_m[0] == pytest.approx(5.0, abs=0.03)
    start = made.points.xy[codes(made).index("CURVE-START")]
    end = made.points.xy[codes(made).index("CURVE-END")]
    first, last = made.points.xy[0], made.points.xy[-1]
    # within one chord of the tangent points
    chord = 2 * 5 * math.sin(math.pi / 48)
    assert np.hypot(*(start - first)) == pytest.approx(10.0, abs=chord)
    assert np.hypot(*(end - last)) == pytest.approx(10.0, abs=chord)


def test_a_free_form_has_no_arc() -> None:
    made = of_sample(ROOT / "sample_data" / "fennel_row")
    free = np.flatnonzero(made.plan.runs.leg_id == "F3-1-1")[0]
    assert free not in made.arcs.leg
    assert made.arcs.away_m.max() <= 0.005


def test_names_stay_when_another_bed_changes(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    still = polygon(rectangle(7, 4, at=(30, 0)))
    angle = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    ring = np.column_stack([np.cos(angle), np.sin(angle)])
    one = stakeout(site_of(tmp_path / "a", {"A": polygon(6 * ring), "B": still}))
    two = stakeout(site_of(tmp_path / "b", {"A": polygon(9 * ring), "B": still}))
    names = [[n for n in m.points.name if n.startswith("B-")] for m in (one, two)]
    assert names[0] == names[1] == ["B-1-A", "B-1-B", "B-1-C", "B-1-D"]


def test_points_on_straight_legs_when_asked(tmp_path: Path) -> None:
    made = stakeout(
        site_of(tmp_path, {"B": polygon(rectangle(10, 4))}, stakeout={"straight_interval": "3 m"})
    )
    assert codes(made).count("ON-LINE") == 2 * (3 + 1)
    a, b = made.points.xy[:2]
    assert np.hypot(*(b - a)) == pytest.approx(3.0, abs=1e-9)


# ---------------------------------------------------------------- pegs


def test_pegs_of_a_rectangle_are_a_larger_rectangle(tmp_path: Path) -> None:
    made = stakeout(site_of(tmp_path, {"B": polygon(rectangle(14, 6, turn_deg=20))}))
    sides = sorted(np.hypot(*(np.roll(made.pegs.xy, -1, axis=0) - made.pegs.xy).T).tolist())
    assert sides == pytest.approx([7.2, 7.2, 15.2, 15.2], abs=1e-5)
    assert made.pegs.from_point_m == pytest.approx([0.6 * math.sqrt(2)] * 4, abs=1e-6)
    assert made.pegs.square_m == pytest.approx([0.6] * 4, abs=1e-9)


def test_pegs_are_the_offset_from_the_line_on_its_outer_side(sample: Files) -> None:
    """By shapely: as far from the line of each leg beside the point as the table says."""
    made = sample.made
    runs, points, pegs = made.plan.runs, made.points, made.pegs
    node = np.flatnonzero([c.startswith(("CORNER", "END")) for c in points.code])
    assert len(node) > 20
    for k in node.tolist():
        leg = points.leg[k]
        a, b = runs.xy[runs.offsets[leg]], runs.xy[runs.offsets[leg] + 1]
        if points.at_m[k] > 0:
            a, b = runs.xy[runs.offsets[leg + 1] - 2], runs.xy[runs.offsets[leg + 1] - 1]
        along = (b - a) / np.hypot(*(b - a))
        off = pegs.xy[k] - points.xy[k]
        assert along[0] * off[1] - along[1] * off[0] == pytest.approx(-pegs.square_m[k], abs=1e-6)
    # between two chords the bisector of edges that hardly turn
    long = np.hypot(*(pegs.xy - points.xy).T)
    other = np.setdiff1d(np.arange(len(points)), node)
    assert long[other].min() >= 0.6 - 1e-12
    assert long[other].max() < 0.6 / math.cos(math.radians(35 / 2))
    assert pegs.from_point_m == pytest.approx(long, abs=1e-9)
    gentle = np.abs(points.turn_deg) < 119
    assert pegs.square_m[gentle] == pytest.approx(np.full(int(gentle.sum()), 0.6), abs=1e-9)


@settings(deadline=None, derandomize=True, max_examples=60)
@given(heading=st.floats(0, 360), turn=st.floats(-119, 119))
def test_the_way_out_is_one_from_both_edges(heading: float, turn: float) -> None:
    a, b = np.radians([heading, heading + turn])
    come, go = np.array([[np.cos(a), np.sin(a)]]), np.array([[np.cos(b), np.sin(b)]])
    out = outward(come, go)[0]
    for edge in (come[0], go[0]):
        assert edge[0] * out[1] - edge[1] * out[0] == pytest.approx(-1.0, abs=1e-9)


@pytest.mark.parametrize("turn", [130.0, 170.0, 180.0, -150.0])
def test_sharp_corners_keep_their_peg_near(turn: float) -> None:
    b = np.radians(turn)
    out = outward(np.array([[1.0, 0.0]]), np.array([[np.cos(b), np.sin(b)]]))[0]
    assert np.hypot(*out) <= 2.0 + 1e-9


def test_pegs_that_cannot_stand_are_told(tmp_path: Path) -> None:
    beds = {"A": polygon(rectangle(8, 4)), "B": polygon(rectangle(12, 4, at=(-2, 4.7)))}
    walls = [house(at=(8.3, -3), width=3, depth=5)]
    made = stakeout(site_of(tmp_path, beds, walls))
    assert made.pegs.in_trench.any()
    assert made.pegs.in_wall.any()
    notes = {f.code for f in made.findings}
    assert "peg-place" in notes
    flagged = made.pegs.xy[made.pegs.in_trench]
    xy, offsets = run_lines(made.plan.runs)
    lines = shapely.MultiLineString([xy[a:b] for a, b in pairwise(offsets.tolist())])
    assert shapely.distance(shapely.points(flagged), lines).max() < 0.3


# ---------------------------------------------------------------- ties


def test_ties_meet_in_their_points(sample: Files) -> None:
    """The solver of the field notes finds every point again, on the side that is told."""
    made = sample.made
    xy = np.concatenate([made.points.xy, made.pegs.xy])
    k = np.flatnonzero(made.ties.tied)
    assert len(k) > 100
    t = made.ties
    found = tie(made.corners.xy[t.first[k]], made.corners.xy[t.second[k]], t.to_first_m[k], t.to_second_m[k])
    place = np.where(t.left[k][:, None], found.left, found.right)
    assert np.abs(place - xy[k]).max() < 1e-6
    assert found.cut_deg == pytest.approx(t.cut_deg[k], abs=1e-6)
    assert t.cut_deg[k].min() >= 30
    assert t.cut_deg[k].max() <= 150
    assert max(t.to_first_m[k].max(), t.to_second_m[k].max()) <= made.rules.longest_m


def test_rounded_as_printed_the_ties_still_find_their_points(sample: Files) -> None:
    made = sample.made
    place = {r["point"]: r for name in ("points", "pegs") for r in sample.rows(name)}
    corner = {r["point"]: r for name in ("house_corners", "control") for r in sample.rows(name)}
    rows = sample.rows("ties")
    unit = made.site.frame.ground_m_per_grid_unit

    def at(table: dict[str, dict[str, str]], key: str) -> np.ndarray:
        return (
            np.array([[float(table[r[key]]["easting"]), float(table[r[key]]["northing"])] for r in rows])
            * unit
        )

    found = tie(
        at(corner, "first_corner"), at(corner, "second_corner"),
        np.array([float(r["tape_1_m"]) for r in rows]), np.array([float(r["tape_2_m"]) for r in rows]),
    )  # fmt: skip
    left = np.array([r["side"] == "left" for r in rows])[:, None]
    away = np.hypot(*(np.where(left, found.left, found.right) - at(place, "point")).T)
    # half a millimetre of rounding on two tapes that cross at 30 degrees
    assert away.max() < 0.0005 * math.sqrt(2) / math.sin(math.radians(30)) + 2e-4


def test_no_tape_is_pulled_through_a_house(sample: Files) -> None:
    made = sample.made
    shapes = made.site.abutment_shapes
    walls = [
        shapely.Polygon(shapes.xy[a:b]).buffer(-0.01)
        for k, (a, b) in enumerate(pairwise(shapes.ring_offsets.tolist()))
        if shapes.ring_kind[k] == 0
    ]
    k = np.flatnonzero(made.ties.tied)
    xy = np.concatenate([made.points.xy, made.pegs.xy])[k]
    # the base is taped first: through no house either
    bases = shapely.linestrings(
        np.stack([made.corners.xy[made.ties.first[k]], made.corners.xy[made.ties.second[k]]], axis=1)
    )
    assert not any(shapely.intersects(bases, w).any() for w in walls)
    for of in (made.ties.first[k], made.ties.second[k]):
        tapes = shapely.linestrings(np.stack([made.corners.xy[of], xy], axis=1))
        assert not any(shapely.intersects(tapes, w).any() for w in walls)


def test_a_tie_by_hand(tmp_path: Path) -> None:
    """3-4-5: a corner of a bed 4 m before the middle of a front of 6 m is 5 m from both corners."""
    beds = {"B": polygon(np.array([(3.0, -4.0), (0.5, -9.0), (5.5, -9.0)]))}
    made = stakeout(site_of(tmp_path, beds, [house(width=6, depth=5)]))
    k = int(np.argmax(made.points.xy[:, 1]))
    t = made.ties
    assert t.to_first_m[k] == pytest.approx(5.0, abs=1e-4)
    assert t.to_second_m[k] == pytest.approx(5.0, abs=1e-4)
    assert t.cut_deg[k] == pytest.approx(math.degrees(2 * math.atan(3 / 4)), abs=1e-3)
    assert t.sigma_m[k] == pytest.approx(0.010 * math.sqrt(2) / 0.96, rel=1e-4)


@pytest.mark.parametrize("cut", [30.0, 50.0, 90.0, 120.0, 150.0])
def test_predicted_sigma_of_a_tie_against_random_tapes(cut: float) -> None:
    """60,000 pairs of tapes with an error each, solved by the field notes' solver."""
    half = math.radians(cut) / 2
    a, b = np.array([[-20 * math.sin(half), 0.0]]), np.array([[20 * math.sin(half), 0.0]])
    point = np.array([0.0, 20 * math.cos(half)])
    n, sigma = 60_000, 0.010
    tapes = 20 + np.random.default_rng(7).normal(0, sigma, (2, n))
    found = tie(np.repeat(a, n, axis=0), np.repeat(b, n, axis=0), *tapes).left - point
    place, worst = tie_sigma(np.array([cut]), sigma)
    cov = np.cov(found.T)
    assert math.sqrt(np.trace(cov)) == pytest.approx(place[0], rel=0.015)
    assert math.sqrt(np.linalg.eigvalsh(cov)[-1]) == pytest.approx(worst[0], rel=0.015)


@pytest.mark.parametrize("offset", [0.0, 4.5, 25.0])
def test_predicted_sigma_of_an_offset_against_random_tapes(offset: float) -> None:
    """Triangle, station and offset taped with an error each."""
    sigma, rng = 0.010, np.random.default_rng(11)
    found = []
    for _ in range(4000):
        sides = np.array([3.0, 4.0, 5.0]) + rng.normal(0, sigma, 3)
        # a peg set by sides that read 3, 4, 5 stands at the angle of the true sides
        turn = check_square(*sides.tolist()).off_deg
        station, out = np.array([10.0, offset]) + rng.normal(0, sigma, 2)
        foot = from_base(np.zeros(2), 0.0, np.array([station]), np.array([0.0]))[0]
        found.append(foot + out * np.array([-math.cos(math.radians(turn)), math.sin(math.radians(turn))]))
    cov = np.cov(np.array(found).T)
    assert math.sqrt(np.trace(cov)) == pytest.approx(offset_sigma(np.array([offset]), sigma)[0], rel=0.03)


def test_offsets_from_a_wall_lead_to_their_points(sample: Files) -> None:
    made = sample.made
    xy = np.concatenate([made.points.xy, made.pegs.xy])
    k = np.flatnonzero(made.offsets.given)
    assert not (made.ties.tied & made.offsets.given).any()
    for j in k.tolist():
        face = made.offsets.face[j]
        a, b = made.corners.xy[made.faces.start[face]], made.corners.xy[made.faces.far[face]]
        azimuth = math.degrees(math.atan2(*(b - a)))
        station, left = made.offsets.station_m[[j]], made.offsets.offset_m[[j]]
        assert np.abs(from_base(a, azimuth, station, left)[0] - xy[j]).max() < 1e-9
        assert -1e-9 <= station[0] <= np.hypot(*(b - a)) + 1e-9


def test_a_bed_is_tied_from_few_corners(sample: Files) -> None:
    """Fewer than one pair of corners for two points and pegs, over all beds."""
    made = sample.made
    bed = np.tile(made.plan.runs.bed[made.points.run], 2)
    pairs = np.column_stack([made.ties.first, made.ties.second])
    used = [len(np.unique(pairs[(bed == b) & made.ties.tied], axis=0)) for b in np.unique(bed)]
    tied = [int((made.ties.tied & (bed == b)).sum()) for b in np.unique(bed)]
    assert sum(used) < sum(tied) / 2


def test_roofs_are_not_taped_from(tmp_path: Path) -> None:
    walls = [
        house(id="roof", source="roof", eave_m=0.5),
        house(id="wall", at=(30, 0), source="wall"),
        house(id="shed", at=(60, 0)),
    ]
    site = site_of(tmp_path, {"B": polygon(rectangle(6, 3, at=(14, -8)))}, walls)
    corners, _ = house_corners(site.abutments, site.abutment_shapes)
    assert {n.split()[0] for n in corners.name} == {"wall", "shed"}
    assert dict(zip(corners.name, corners.said, strict=True))["shed corner 1"] == np.False_
    made = stakeout(site)
    assert "roof-corners" in {f.code for f in made.findings}


def test_walks_can_be_seen_over(tmp_path: Path) -> None:
    beds = {"B": polygon(rectangle(6, 3, at=(3, -9)))}
    walls = [house(source="wall"), house(id="walk", at=(-20, -3), width=60, depth=1.5)]
    before = stakeout(site_of(tmp_path, beds, walls))
    after = stakeout(site_of(tmp_path, beds, walls, stakeout={"see_over": ["walk"]}))
    assert not any("house" in str(before.corners.name[f]) for f in before.ties.first[before.ties.tied])
    assert after.ties.tied.all()
    assert {str(n).split()[0] for n in after.corners.name} == {"house"}
    with pytest.raises(DataError, match='Did you mean "walk"'):
        stakeout(site_of(tmp_path, beds, walls, stakeout={"see_over": ["wlak"]}))


def test_a_tape_may_touch_a_wall_but_not_cross_it() -> None:
    wall = np.array([shapely.box(0, 0, 10, 5)], dtype=object)
    start = np.array([[0.0, 0.0], [0.0, 0.0], [-5.0, 2.0]])
    far = np.array([[-4.0, 3.0], [10.0, 5.0], [15.0, 2.0]])
    assert in_sight(wall, start, far).tolist() == [True, False, False]
    assert in_sight(wall, start[:1], np.array([[10.0, 0.0]])).all()


# ---------------------------------------------------------------- control and checks


def controls(site_xy: list[tuple[float, float]]) -> list[dict[str, Any]]:
    lonlat = lonlat_of(site_xy).tolist()
    return [{"name": f"nail {k}", "lon": p[0], "lat": p[1]} for k, p in enumerate(lonlat)]


def test_control_points_by_degrees_or_by_grid(tmp_path: Path) -> None:
    bed = {"B": polygon(rectangle(10, 5))}
    made = stakeout(site_of(tmp_path, bed, control=controls([(-3.0, -4.0), (40.0, 10.0)])))
    grid = made.site.frame.grid(made.control.xy)
    given = [
        {"name": f"g{k}", "east": e, "north": n, "height": "2 m"} for k, (e, n) in enumerate(grid.tolist())
    ]
    again = stakeout(site_of(tmp_path, bed, control=given))
    assert np.abs(again.control.xy - made.control.xy).max() < 1e-8
    assert again.control.height_m.tolist() == [2.0, 2.0]
    assert not {f.code for f in made.findings} & {"no-control"}
    check = next(c for c in made.checks if c.kind == "control")
    # a second path: the geodesic on the ellipsoid, which is the ground where no height is given
    lonlat = lonlat_of([(-3.0, -4.0), (40.0, 10.0)])
    assert check.ground_m == pytest.approx(float(inverse(lonlat[:1], lonlat[1:])[0][0]), abs=1e-5)


def test_without_control_the_two_farthest_house_corners_are_named() -> None:
    made = of_sample(ROOT / "sample_data" / "larkspur_close")
    text = next(f.text for f in made.findings if f.code == "no-control")
    xy = made.corners.xy
    apart = np.hypot(*(xy[:, None] - xy[None]).transpose(2, 0, 1))
    i, j = np.unravel_index(np.argmax(apart), apart.shape)
    assert str(made.corners.name[i]) in text
    assert str(made.corners.name[j]) in text
    assert longest_apart(xy)[2] == pytest.approx(apart.max())


@pytest.mark.parametrize(
    ("control", "message"),
    [
        ([{"name": "a", "lon": 1.0}], "give either lon and lat, or east and north"),
        ([{"name": "a", "lon": 1.0, "lat": 2.0, "east": 3.0}], "give either"),
        ([{"name": "a", "lon": 41.6, "lat": -93.6}], "lat: input should be greater"),
        ([{"name": "a", "lon": -93.6, "lat": 42.6}], "lies 1[0-9]{2}.[0-9] km from the nearest bed"),
        (
            [{"name": "a", "lon": -93.6, "lat": 41.6}, {"name": "a", "lon": -93.601, "lat": 41.6}],
            "has the name",
        ),
        (
            [{"name": "a", "lon": -93.6, "lat": 41.6}, {"name": "b", "lon": -93.6, "lat": 41.6}],
            'lies where "a" is',
        ),
        ([{"name": "B-1-A", "lon": -93.6, "lat": 41.6}], 'called "B-1-A"'),
    ],
)
def test_bad_control_points(tmp_path: Path, control: Any, message: str) -> None:
    with pytest.raises(DataError, match=message):
        stakeout(site_of(tmp_path, {"B": polygon(rectangle(10, 5))}, control=control))


def test_control_of_the_sample_is_listed_checked_and_taped_from(tmp_path: Path) -> None:
    """Four invented marks: distances by the geodesic, ties from them, no finding of missing control."""
    made = of_sample(ROOT / "sample_data" / "fennel_row")
    files = Files(made, write_stakeout(made, tmp_path).folder)
    assert "no-control" not in {f.code for f in made.findings}
    marks = made.site.settings.control
    rows = [r for r in files.rows("checks") if r["check"] == "control"]
    assert len(rows) == len(marks) * (len(marks) - 1) // 2 == 6
    place = {m.name: (m.lon, m.lat) for m in marks}
    height = made.site.frame.ellipsoidal_height_m
    assert height is not None
    for row in rows:
        a, b = (np.array([place[row[end]]]) for end in ("from", "to"))
        geodesic = float(inverse(a, b)[0][0])
        # ground metres are those at the height of the site: geodesic x (1 + h / R)
        assert float(row["ground_m"]) == pytest.approx(geodesic * (1 + height / 6.37e6), abs=2e-3)
    tied = [r for r in files.rows("ties") if "control point" in (r["first_is"], r["second_is"])]
    assert tied
    assert all(30 <= float(r["crossing_deg"]) <= 150 for r in tied)


def test_ties_from_the_nails_of_a_base_line(tmp_path: Path) -> None:
    """Two nails 8 m apart and no house at all: the ties are those of plane trigonometry."""
    nails = [(-4.0, -5.0), (4.0, -5.0)]
    lonlat = lonlat_of(nails).tolist()
    base = [{"name": f"nail {k}", "lon": lon, "lat": lat} for k, (lon, lat) in enumerate(lonlat, 1)]
    bed = {"A": polygon(rectangle(6, 4, at=(-3, 0)))}
    site = site_of(tmp_path, [({"id": "A"}, bed["A"])], stakeout={"base": base, "tape_sigma": "8 mm"})
    made = stakeout(site)
    files = Files(made, write_stakeout(made, tmp_path / "out").folder)
    assert {r["point"] for r in files.rows("base_points")} == {"nail 1", "nail 2"}
    ties = {r["point"]: r for r in files.rows("ties")}
    points = made.points
    nail_xy = made.corners.xy[made.corners.of("base point")]
    seen = 0
    for name, xy in zip(points.name, points.xy, strict=True):
        if str(name) not in ties:
            continue
        seen += 1
        row = ties[str(name)]
        assert {row["first_corner"], row["second_corner"]} == {"nail 1", "nail 2"}
        assert {row["first_is"], row["second_is"]} == {"base point"}
        order = [0, 1] if row["first_corner"] == "nail 1" else [1, 0]
        tapes = [float(np.hypot(*(nail_xy[k] - xy))) for k in order]
        assert [float(row["tape_1_m"]), float(row["tape_2_m"])] == pytest.approx(tapes, abs=6e-4)
        # law of cosines in the triangle of the two nails and the point
        cut = np.degrees(np.arccos((tapes[0] ** 2 + tapes[1] ** 2 - 64) / (2 * tapes[0] * tapes[1])))
        assert float(row["crossing_deg"]) == pytest.approx(cut, abs=0.06)
        assert float(row["sigma_mm"]) == pytest.approx(8 * np.sqrt(2) / np.sin(np.radians(cut)), abs=0.06)
    assert seen >= 2
    assert [r["check"] for r in files.rows("checks") if "nail 1" in (r["from"], r["to"])] == ["marks"]


def test_checks_are_distances_between_the_points_of_the_tables(sample: Files) -> None:
    made = sample.made
    names = ("points", "pegs", "house_corners", "control")
    table = {r["point"]: r for name in names for r in sample.rows(name)}
    unit = made.site.frame.ground_m_per_grid_unit
    kinds = set()
    for row in sample.rows("checks"):
        a, b = (np.array([float(table[row[k]][c]) for c in ("easting", "northing")]) for k in ("from", "to"))
        assert np.hypot(*(a - b)) * unit == pytest.approx(float(row["ground_m"]), abs=7e-4)
        # an instrument in the grid reads this from the coordinates
        assert np.hypot(*(a - b)) == pytest.approx(float(row["grid"]), abs=1e-3)
        kinds.add(row["check"])
    assert {"points", "pegs", "diagonal", "house-corners"} <= kinds


def test_diagonals_of_a_rectangle(tmp_path: Path) -> None:
    made = stakeout(site_of(tmp_path, {"B": polygon(rectangle(8, 6))}))
    found = [c.ground_m for c in made.checks if c.kind == "diagonal"]
    assert found == pytest.approx([10.0, 10.0], abs=1e-5)


# ---------------------------------------------------------------- files


def test_tables_read_back_are_the_points_in_the_grid(sample: Files) -> None:
    """Through pyproj alone: the WKT beside the table leads back to the places on the ellipsoid."""
    made = sample.made
    for name, xy in (("points", made.points.xy), ("pegs", made.pegs.xy)):
        rows = sample.rows(name)
        assert list(rows[0])[:5] == ["point", "northing", "easting", "height", "code"]
        crs = pyproj.CRS.from_wkt((sample.folder / f"{name}.wkt").read_text(encoding="utf-8"))
        back = pyproj.Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
        lon, lat = back.transform([float(r["easting"]) for r in rows], [float(r["northing"]) for r in rows])
        want = made.site.frame.lonlat(xy)
        away = inverse(np.column_stack([lon, lat]), want)[0]
        assert away.max() < 1e-4
    wkts = {p.stem for p in sample.folder.glob("*.wkt")}
    assert wkts == {p.stem for p in sample.folder.glob("*.csv")}


def test_a_named_grid_agrees_with_pyproj(tmp_path: Path) -> None:
    site = load_site(ROOT / "sample_data" / "larkspur_close")
    made = stakeout(site, grid="EPSG:26915")
    folder = write_stakeout(made, tmp_path).folder
    rows = Files(made, folder).rows("points")
    got = np.array([[float(r["easting"]), float(r["northing"])] for r in rows])
    want = pyproj.Transformer.from_crs("EPSG:3418", "EPSG:26915", always_xy=True)
    east, north = want.transform(*site.frame.grid(made.points.xy).T)
    assert np.abs(got - np.column_stack([east, north])).max() < 1e-4
    assert pyproj.CRS.from_wkt((folder / "points.wkt").read_text(encoding="utf-8")) == pyproj.CRS(
        "EPSG:26915"
    )
    factor = pyproj.Proj("EPSG:26915").get_factors(*site.frame.centre_lonlat).meridional_scale
    assert made.grid.combined_factor == pytest.approx(factor * site.frame.height_factor, abs=2e-7)
    assert f"Combined factor {made.grid.combined_factor:.8f}" in (folder / "stakeout.txt").read_text()
    drawing = ezdxf.readfile(folder / "stakeout.dxf")  # type: ignore[attr-defined]
    assert drawing.header["$INSUNITS"] == 6


def test_a_change_of_datum_is_told() -> None:
    made = stakeout(load_site(ROOT / "sample_data" / "fennel_row"), grid="EPSG:26915")
    text = next(f.text for f in made.findings if f.code == "stakeout-datum")
    assert "accuracy" in text


@pytest.mark.parametrize("grid", ["EPSG:4326", "EPSG:3857", "EPSG:27700", "EPSG:32733"])
def test_grids_that_do_not_fit_are_refused(grid: str) -> None:
    with pytest.raises((UsageError, DataError)):
        stakeout(load_site(ROOT / "sample_data" / "larkspur_close"), grid=grid)


def test_the_drawing_read_back(sample: Files) -> None:
    made = sample.made
    drawing = ezdxf.readfile(sample.folder / "stakeout.dxf")  # type: ignore[attr-defined]
    assert drawing.header["$INSUNITS"] == {"m": 6, "ft": 2, "ftUS": 21}[made.grid.unit]
    assert not drawing.audit().errors
    space = drawing.modelspace()
    grid = made.site.frame.grid(made.points.xy)
    found = np.array([(p.dxf.location.x, p.dxf.location.y) for p in space.query('POINT[layer=="POINTS"]')])
    assert np.abs(found - grid).max() < 1e-9
    texts = [t.dxf.text for t in space.query('TEXT[layer=="POINT_NAMES"]')]
    assert texts == [str(n) for n in made.points.name]
    pegs = np.array([(p.dxf.location.x, p.dxf.location.y) for p in space.query('POINT[layer=="PEGS"]')])
    assert np.abs(pegs - made.site.frame.grid(made.pegs.xy)).max() < 1e-9
    runs = made.plan.runs
    lines = list(space.query('LWPOLYLINE[layer=="LAYING_LINE"]'))
    assert [bool(entity.closed) for entity in lines] == runs.closed.tolist()
    length = sum(
        shapely.LineString([*p, p[0]] if e.closed else p).length
        for e in lines
        for p in [[(x, y) for x, y, *_ in e.get_points()]]
    )
    xy, offsets = run_lines(runs)
    want = sum(
        shapely.LineString(made.site.frame.grid(xy[a:b])).length for a, b in pairwise(offsets.tolist())
    )
    assert length == pytest.approx(want, rel=1e-9)
    assert len(space.query('LWPOLYLINE[layer=="OUTLINE"]')) == len(made.plan.outlines.ring_kind)


def test_gpx_and_kml_read_back_by_ogr_and_marked(sample: Files) -> None:
    made = sample.made
    want = made.site.frame.wgs84(np.concatenate([made.control.xy, made.points.xy]))
    for name in ("stakeout.gpx", "stakeout.kml"):
        layer = "waypoints" if name.endswith("gpx") else pyogrio.list_layers(sample.folder / name)[0, 0]
        rows = pyogrio.read_dataframe(sample.folder / name, layer=layer)
        rows.columns = [c.lower() for c in rows.columns]
        assert rows["name"].tolist() == [*map(str, made.control.name), *map(str, made.points.name)]
        assert rows.crs == "EPSG:4326"
        got = shapely.get_coordinates(rows.geometry.to_numpy())
        assert inverse(got, want)[0].max() < 0.002
        text = (sample.folder / name).read_text(encoding="utf-8")
        assert text.count(FINDING_ONLY) == len(rows) + 2
    gpx = ElementTree.parse(sample.folder / "stakeout.gpx").getroot()
    space = "{http://www.topografix.com/GPX/1/1}"
    # GPX 1.1 (schema of 2004): metadata before wpt; in wpt, name before desc
    assert next(iter(gpx)).tag == f"{space}metadata"
    assert {tuple(c.tag.removeprefix(space) for c in p) for p in gpx.iter(f"{space}wpt")} == {
        ("name", "desc")
    }
    kml = ElementTree.parse(sample.folder / "stakeout.kml").getroot()
    assert FINDING_ONLY in str(kml.findtext(".//{http://www.opengis.net/kml/2.2}name"))


def test_the_same_bytes_again(sample: Files, tmp_path: Path) -> None:
    again = write_stakeout(sample.made, tmp_path).folder
    assert {p.name for p in again.iterdir()} == {p.name for p in sample.folder.iterdir()}
    for path in sorted(sample.folder.iterdir()):
        assert path.read_bytes() == (again / path.name).read_bytes(), path.name


HOSTILE = ("=1+1", "<b>&\"'", "%%uline^J\\U+0041", "${7*7}", "@x,;y")


def test_hostile_names_stay_text(tmp_path: Path) -> None:
    beds = {name: polygon(rectangle(8, 4, at=(12.0 * k, -9))) for k, name in enumerate(HOSTILE)}
    walls = [house(id="=evil()", source="wall", width=70)]
    made = stakeout(site_of(tmp_path, beds, walls, control=[{"name": "+x<y>\nz", "lon": -93.6, "lat": 41.6}]))
    files = Files(made, write_stakeout(made, tmp_path / "out").folder)
    for path in files.folder.glob("*.csv"):
        for row in csv.reader(io.StringIO(path.read_text(encoding="utf-8"), newline="")):
            for cell in row:
                assert not re.match(r"[=+@\t\r]", cell), cell
                assert not cell.startswith("-") or float(cell) < 0
                assert "\n" not in cell
    names = {str(n) for n in made.points.name}
    space = "{http://www.topografix.com/GPX/1/1}"
    root = ElementTree.parse(files.folder / "stakeout.gpx").getroot()
    read = {p.findtext(f"{space}name") for p in root.iter(f"{space}wpt")}
    assert read == names | {"+x<y>\nz"}
    ElementTree.parse(files.folder / "stakeout.kml")
    drawing = ezdxf.readfile(files.folder / "stakeout.dxf")  # type: ignore[attr-defined]
    assert not drawing.audit().errors
    shown = {cast("Any", t).plain_text() for t in drawing.modelspace().query('TEXT[layer=="POINT_NAMES"]')}
    assert "=1+1-1-A" in shown
    assert "<b>&\"'-1-A" in shown
    assert "% %uline^J/U+0041-1-A" in shown


@pytest.mark.parametrize("text", ["a\x00b", "\ud800", "x\u2028y", "%%%%d", "^I"])
def test_drawing_text_has_no_commands(text: str) -> None:
    safe = dxf_text(text)
    assert "%%" not in safe
    assert not re.search("[\x00-\x1f\ud800-\udfff\u2028]", safe)
    assert not re.search(r"\^(?! )", safe)


# ---------------------------------------------------------------- heights


def test_heights_are_those_of_the_model(tmp_path: Path) -> None:
    """Ground by rasterio's own sampling within a cell's rise; top, cut and fill by arithmetic."""
    made = of_sample(ROOT / "sample_data" / "fennel_row")
    files = Files(made, write_stakeout(made, tmp_path).folder)
    assert made.levels is not None
    rows = files.rows("levels")
    assert len(rows) == 2 * len(made.points)
    with rasterio.open(ROOT / "sample_data" / "fennel_row" / "ground.tif") as model:
        to = pyproj.Transformer.from_crs("EPSG:4326", model.crs, always_xy=True)
        place = np.column_stack(to.transform(*made.site.frame.lonlat(made.points.xy).T))
        want = np.array([v[0] for v in model.sample(place)]) * model.scales[0] + model.offsets[0]
    got = np.array([float(r["ground"]) for r in rows[: len(made.points)]])
    assert np.abs(got - want).max() < 0.25
    assert np.abs(np.median(got - want)) < 0.02
    for r in rows:
        if r["cut_or_fill"]:
            sign = {"fill": 1, "cut": -1, "level": 0}[r["cut_or_fill"]]
            rise = float(r["top_of_edging"]) - float(r["ground"])
            assert rise == pytest.approx(sign * float(r["amount"]), abs=1.1e-3)
    top = {r["point"]: r["height"] for r in files.rows("points")}
    assert all(top[r["point"]] == r["top_of_edging"] for r in rows if r["at"] == "line")


def test_the_top_stands_above_the_ground_by_the_setting(sample_data: Path) -> None:
    site = load_site(sample_data / "fennel_row")
    said = site.settings.stakeout.model_copy(update={"top_above_ground": 25_000})
    higher = replace(site, settings=site.settings.model_copy(update={"stakeout": said}))
    one, two = of_sample(sample_data / "fennel_row").levels, stakeout(higher).levels
    assert one is not None
    assert two is not None
    assert two.top_m - one.top_m == pytest.approx(np.full(len(one.top_m), 0.025), abs=1e-9)


def test_without_heights_none_are_given_and_old_ones_go(tmp_path: Path, sample_data: Path) -> None:
    write_stakeout(of_sample(sample_data / "fennel_row"), tmp_path)
    made = of_sample(sample_data / "larkspur_close")
    files = Files(made, write_stakeout(made, tmp_path).folder)
    assert not (files.folder / "levels.csv").exists()
    assert {r["height"] for r in files.rows("points")} == {""}
    assert "no-stake-heights" in {f.code for f in made.findings}


# ---------------------------------------------------------------- the page, the command


def feet(text: str) -> float:
    """A length such as 69' 8" or 2' 9-3/8" in metres."""
    match = re.fullmatch(r"(\d+)' (\d+)(?:-(\d+)/(\d+))?\"", text)
    assert match, text
    whole, inch, up, down = match.groups()
    return (int(whole) * 12 + int(inch) + (int(up) / int(down) if up else 0)) * FOOT_M / 12


def page_rows() -> Iterator[list[str]]:
    text = (ROOT / "docs" / "stakeout.md").read_text(encoding="utf-8")
    for row in re.findall(r"^\| (C5-.*) \|$", text, re.MULTILINE):
        yield [c.strip() for c in row.split("|")]


def test_the_worked_bed_on_the_page(tmp_path: Path) -> None:
    """Every number of the example comes from the table, and the table alone gives the bed."""
    made = of_sample(ROOT / "sample_data" / "larkspur_close")
    files = Files(made, write_stakeout(made, tmp_path).folder)
    table = {r["point"]: r for r in files.rows("ties")}
    rows = list(page_rows())
    names = ["C5-1-A", "C5-1-B", "C5-1-C", "C5-1-D"]
    assert [r[0] for r in rows] == names
    for point, first, second, side, cut, sigma in rows:
        of = table[point]
        assert (of["first_corner"], of["second_corner"]) == ("house 3 corner 2", "house 4 corner 3")
        assert first == f"{of['tape_1']} ({of['tape_1_m']} m)"
        assert second == f"{of['tape_2']} ({of['tape_2_m']} m)"
        assert (side, cut, sigma) == (of["side"], of["crossing_deg"], f"{of['sigma_mm']} mm")
    page = (ROOT / "docs" / "stakeout.md").read_text(encoding="utf-8")
    assert f"{table[names[0]]['corners_apart']} ({table[names[0]]['corners_apart_m']} m)" in page
    assert f"standard deviation is {table[names[3]]['worst_sigma_mm']} mm" in page
    # set it out on a bare plane with what the crew reads, feet and inches
    n = len(rows)
    base = feet(table[names[0]]["corners_apart"])
    tape_1, tape_2 = (np.array([feet(r[k].split(" (")[0]) for r in rows]) for k in (1, 2))
    found = tie(np.zeros((n, 2)), np.tile([base, 0.0], (n, 1)), tape_1, tape_2).right
    # a reading to 1/8 in is off by up to 1/16 in; the tapes at D cross flat, which makes four times that
    reading = FOOT_M / 12 / 16
    reach = 3 * reading / np.sqrt(1 - np.abs(np.cos(np.radians([float(r[4]) for r in rows])))).min()
    checks = {frozenset((r["from"], r["to"])): r for r in files.rows("checks")}
    for i, j in ((0, 1), (1, 2), (2, 3), (3, 0), (0, 2), (1, 3)):
        pair = frozenset((names[i], names[j]))
        if pair in checks:
            of = checks[pair]
            assert np.hypot(*(found[i] - found[j])) == pytest.approx(float(of["ground_m"]), abs=reach)
            assert f"{of['ground']} ({of['ground_m']} m)" in page
        peg = checks.get(frozenset((f"{names[i]}-P", f"{names[j]}-P")))
        assert peg is None or f"{peg['ground']} ({peg['ground_m']} m)" in page
    b, p, q = (float(table[names[0]][k]) for k in ("corners_apart_m", "tape_1_m", "tape_2_m"))
    x = (b * b + p * p - q * q) / (2 * b)
    assert f"(b^2 + p^2 - q^2) / 2b = {x:.3f} m, square to it {math.sqrt(p * p - x * x):.3f} m" in page


def run(arguments: list[str], monkeypatch: pytest.MonkeyPatch) -> int:
    monkeypatch.setattr("sys.argv", ["siteplan", *arguments])
    with pytest.raises(SystemExit) as stopped:
        main()
    return int(stopped.value.code or 0)


def test_the_command_writes_the_folder(
    tmp_path: Path, sample_data: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    place = ["handout", str(sample_data / "larkspur_close"), "--no-pictures", "--out", str(tmp_path)]
    assert run([*place, "--bed", "C6"], monkeypatch) == 0
    assert "Stakeout: 4 points" in capsys.readouterr().out
    text = (tmp_path / "stakeout" / "points.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [r["point"] for r in rows] == ["C6-1-A", "C6-1-B", "C6-1-C", "C6-1-D"]
    assert run([*place, "--stakeout-grid", "EPSG:3857"], monkeypatch) == 2
    assert "is no grid to set out in" in capsys.readouterr().err
