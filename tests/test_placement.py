"""Order within a leg, joints, ids and footprints."""

from __future__ import annotations

import pathlib
import warnings
from dataclasses import replace
from typing import Any

import numpy as np
import pyogrio
import pytest
import shapely
from numpy.typing import NDArray

from siteplan.laying.band import build_band, stations
from siteplan.laying.corner_units import choose_corners
from siteplan.laying.placement import LayFrom, LegPlan, MakeUp, piece_ids, place
from siteplan.laying.takeoff import LayRules, lay
from siteplan.model import NodeKind, PieceKind, Pieces
from siteplan.products import ProductLine
from tests.make_runs import LINE, Path, footprints, make_line, make_runs, overlaps, random_paths, straight

LETTERS = {
    PieceKind.SECTION: "s",
    PieceKind.CLOSER: "c",
    PieceKind.CUT: "x",
    PieceKind.END: "E",
    PieceKind.CORNER: "K",
}


def leg_of(
    line: ProductLine,
    counts: tuple[int, ...],
    cuts: tuple[int, ...] = (),
    *,
    start: NodeKind = NodeKind.ABUTTED,
    far: NodeKind = NodeKind.ABUTTED,
    gap: int = 0,
    left_over: int = 0,
    lay_from: LayFrom = "start",
    make_up: MakeUp = "far",
) -> Pieces:
    """One straight leg with a fill made by hand; free ends carry an end unit if the line has one."""
    end = line.ends[0].laying_um if line.ends else 0
    ends = [0 if kind == NodeKind.FREE and line.ends else -1 for kind in (start, far)]
    taken = [end if k == 0 else 0 for k in ends]
    lengths = [s.laying_um for s in line.straights]
    total = (
        sum(n * u for n, u in zip(counts, lengths, strict=True)) + sum(cuts) + gap + left_over + sum(taken)
    )
    runs = make_runs([Path([(0, 0), (total / 1e6, 0)], start=start, far=far)])
    padded = [*cuts, 0, 0][:2]

    def one(value: Any) -> Any:
        return np.array([value])

    plan = LegPlan(
        start_um=one(taken[0]), far_um=one(taken[1]), start_end=one(ends[0]), far_end=one(ends[1]),
        far_corner=one(-1), start_joint=one(ends[0] == 0), far_joint=one(ends[1] == 0), ring=one(False),
        start_free=one(start == NodeKind.FREE), far_free=one(far == NodeKind.FREE),
        counts=one(list(counts)), cut_um=one(padded), cut_from=one([0 if c else -1 for c in padded]),
        gap_total_um=one(gap), left_over_um=one(left_over),
    )  # fmt: skip
    none = np.empty(0, dtype=np.int64)
    band = build_band(runs, line.depth_um)
    return place(runs, stations(runs), band, plan, none, none, line, lay_from=lay_from, make_up=make_up)


def word(pieces: Pieces) -> str:
    return "".join(LETTERS[PieceKind(k)] for k in pieces.kind)


BARE = make_line(ends=())
FREE, WALL = NodeKind.FREE, NodeKind.ABUTTED


@pytest.mark.parametrize(
    ("counts", "cuts", "start", "far", "make_up", "expected"),
    [
        ((4, 2), (), WALL, WALL, "far", "sssscc"),
        ((4, 2), (), WALL, WALL, "start", "ccssss"),
        ((4, 2), (), WALL, WALL, "middle", "ssccss"),
        ((5, 1), (), WALL, WALL, "middle", "sscsss"),
        # a section is put between a make-up piece and a free end
        ((4, 2), (), WALL, FREE, "far", "sssccs"),
        ((4, 2), (), FREE, WALL, "far", "sssscc"),
        ((4, 2), (), FREE, WALL, "start", "sccsss"),
        ((4, 0), (400_000,), WALL, FREE, "far", "sssxs"),
        ((1, 1), (), FREE, FREE, "far", "cs"),
        ((0, 2), (), FREE, FREE, "far", "cc"),
        # two cut pieces never stand side by side where that can be avoided
        ((4, 0), (600_000, 500_000), WALL, WALL, "far", "sssxsx"),
        ((4, 0), (600_000, 500_000), WALL, FREE, "far", "ssxsxs"),
        ((4, 0), (600_000, 500_000), WALL, WALL, "start", "xsxsss"),
        ((4, 0), (600_000, 500_000), FREE, WALL, "start", "sxsxss"),
        ((5, 0), (600_000, 500_000), WALL, WALL, "middle", "ssxsxss"),
        ((4, 2), (600_000, 500_000), WALL, WALL, "far", "ssssxccx"),
        ((1, 0), (600_000, 500_000), WALL, WALL, "far", "xsx"),
        ((0, 0), (600_000, 500_000), WALL, WALL, "far", "xx"),
        ((0, 0), (600_000,), FREE, FREE, "far", "x"),
        ((3, 0), (), FREE, FREE, "middle", "sss"),
    ],
)
def test_order(
    counts: tuple[int, ...],
    cuts: tuple[int, ...],
    start: NodeKind,
    far: NodeKind,
    make_up: MakeUp,
    expected: str,
) -> None:
    pieces = leg_of(BARE, counts, cuts, start=start, far=far, make_up=make_up)
    assert word(pieces) == expected
    # laid from the far end a leg is the mirror image of the turned leg
    back = leg_of(BARE, counts, cuts, start=far, far=start, make_up=make_up, lay_from="far")
    assert word(back) == expected[::-1]
    total = pieces.to_um[-1]
    assert (total - back.to_um[::-1]).tolist() == pieces.from_um.tolist()


def test_sections_come_in_catalogue_order() -> None:
    line = make_line(
        sections=(straight("L", 900_000), straight("M", 600_000), straight("S", 300_000)), ends=()
    )
    pieces = leg_of(line, (1, 2, 1, 1))
    assert pieces.code.tolist() == ["L", "M", "M", "S", "C250"]


def test_the_longer_cut_first_with_its_section() -> None:
    pieces = leg_of(BARE, (2, 0), (600_000, 500_000))
    assert pieces.cut_um.tolist() == [0, 600_000, 0, 500_000]
    assert pieces.code.tolist() == ["S1000"] * 4
    assert (pieces.to_um - pieces.from_um).tolist() == [1_000_000, 600_000, 1_000_000, 500_000]


@pytest.mark.parametrize("total", [20_000, 20_003, -20_000, -20_003, 0, 3])
def test_gaps_are_even_to_the_micrometre_and_the_first_take_the_odd_ones(total: int) -> None:
    pieces = leg_of(LINE, (3, 0), start=FREE, far=FREE, gap=total)
    assert word(pieces) == "EsssE"
    gaps = pieces.gap_um[1:]
    assert pieces.gap_um[0] == 0
    assert gaps.sum() == total
    assert (np.diff(gaps) <= 0).all()
    assert np.ptp(gaps) <= 1
    assert (pieces.from_um[1:] - pieces.to_um[:-1]).tolist() == gaps.tolist()


@pytest.mark.parametrize(
    ("line", "counts", "cuts", "start", "far", "make_up", "where", "behind"),
    [
        # before the first make-up piece
        (LINE, (3, 2), (), FREE, WALL, "far", 4, False),
        (LINE, (3, 2), (), FREE, FREE, "far", 3, False),
        (LINE, (3, 0), (300_000,), WALL, FREE, "far", 2, False),
        # the make-up piece begins the leg and nothing stands before it: after it
        (BARE, (3, 1), (), WALL, WALL, "start", 1, False),
        # no make-up piece: the last joint
        (LINE, (3, 0), (), FREE, WALL, "far", 3, False),
        (LINE, (3, 0), (), FREE, FREE, "far", 4, False),
        (LINE, (0, 0), (), FREE, FREE, "far", 1, False),
        # no joint at all: the far end, told on the last piece
        (BARE, (1, 0), (), WALL, WALL, "far", 0, True),
        (BARE, (0, 1), (), WALL, WALL, "far", 0, True),
        (LINE, (0, 0), (), FREE, WALL, "far", 0, True),
        (LINE, (0, 0), (), WALL, FREE, "far", 0, False),
    ],
)
@pytest.mark.parametrize("left_over", [4_000, -4_000])
def test_place_of_the_left_over(
    line: ProductLine,
    counts: tuple[int, ...],
    cuts: tuple[int, ...],
    start: NodeKind,
    far: NodeKind,
    make_up: MakeUp,
    where: int,
    behind: bool,
    left_over: int,
) -> None:
    # a line that laps: no joint is too tight for what is over
    line = replace(line, gap_least_um=-10_000)
    pieces = leg_of(line, counts, cuts, start=start, far=far, make_up=make_up, left_over=left_over)
    expected = np.zeros(len(pieces), dtype=np.int64)
    expected[where] = left_over
    assert pieces.left_over_um.tolist() == expected.tolist()
    ends = np.concatenate([[0], pieces.to_um[:-1]])
    assert (pieces.from_um - ends).tolist() == ([0] * len(pieces) if behind else expected.tolist())


@pytest.mark.parametrize("over", [1_000, 4_001, 12_000, 20_000])
@pytest.mark.parametrize("make_up", ["far", "start", "middle"])
def test_what_is_over_is_spread_where_one_joint_would_be_too_tight(over: int, make_up: MakeUp) -> None:
    """Five joints of 4 mm, least 2 mm: one joint takes 2 mm; more is spread, as even as may be."""
    line = replace(LINE, gap_least_um=2_000)
    pieces = leg_of(line, (3, 1), start=FREE, far=FREE, gap=20_000, left_over=-over, make_up=make_up)
    opening = pieces.from_um[1:] - pieces.to_um[:-1]
    assert opening.tolist() == (pieces.gap_um + pieces.left_over_um)[1:].tolist()
    assert pieces.gap_um.tolist() == [0, *[4_000] * 5]
    assert pieces.left_over_um.sum() == -over
    if over <= 2_000:
        assert np.count_nonzero(pieces.left_over_um) == 1
    else:
        # none tighter than it must be: within the least gap as long as that can be
        assert opening.min() == (20_000 - over) // 5
        assert np.ptp(opening) <= 1
        assert opening.min() >= 2_000 or over > 10_000


def test_ids_count_from_one_and_grow_past_two_digits() -> None:
    ids = piece_ids(np.array(["B07-1-2", "B8-1-1"], dtype=object), np.array([0, 0, 1]), np.array([5, 123, 1]))
    assert ids.tolist() == ["B07-1-2-05", "B07-1-2-123", "B8-1-1-01"]
    assert all(type(i) is str for i in ids)


def test_a_corner_comes_last_in_its_arriving_leg_and_stands_at_its_point() -> None:
    runs = make_runs([Path([(0, 0), (4, 0), (4, 3), (0, 3)], range(4), closed=True, bed=7)])
    pieces = lay(runs, [""] * 8, LINE, LayRules()).pieces
    corners = np.flatnonzero(pieces.kind == PieceKind.CORNER)
    assert pieces.leg[corners].tolist() == [0, 1, 2, 3]
    assert (np.append(pieces.leg[1:], 99)[corners] > pieces.leg[corners]).all()
    assert pieces.xy[corners].tolist() == [[4, 0], [4, 3], [0, 3], [0, 0]]
    # halfway between arriving and leaving: north-east, north-west, south-west, south-east
    assert pieces.heading_deg[corners] == pytest.approx([45, 315, 225, 135])
    assert set(pieces.bed.tolist()) == {7}
    # the last corner straddles the start of the ring
    assert pieces.from_um[-1] < 14_000_000 < pieces.to_um[-1]


def test_footprints_of_a_straight_run_closed_form() -> None:
    runs = make_runs([Path([(0, 0), (6.03, 0)], start=WALL, far=WALL)])
    pieces = lay(runs, ["b"], LINE, LayRules()).pieces
    shapes = footprints(pieces)
    assert shapely.area(shapes) == pytest.approx((pieces.to_um - pieces.from_um) * 1e-6 * 0.15)
    assert shapely.get_coordinates(shapely.centroid(shapes)) == pytest.approx(pieces.xy, abs=1e-9)


def test_footprints_of_a_rectangle_closed_form() -> None:
    """Outside less inside rectangle less what the gaps leave open."""
    runs = make_runs([Path([(0, 0), (8, 0), (8, 5), (0, 5)], range(4), closed=True)])
    result = lay(runs, ["b"], LINE, LayRules())
    open_um = result.legs.gap_total_um.sum() + result.legs.left_over_um.sum()
    expected = 8.15 * 5.15 - 7.85 * 4.85 - open_um * 1e-6 * 0.15
    assert sum(p.area for p in footprints(result.pieces)) == pytest.approx(expected, abs=1e-9)


def test_lapped_pieces_overlap_by_the_lap_and_no_more() -> None:
    line = make_line(gap_least_um=-20_000, gap_nominal_um=-20_000, gap_greatest_um=-20_000, ends=())
    runs = make_runs([Path([(0, 0), (2.96, 0)], start=FREE, far=FREE)])
    result = lay(runs, ["b"], line, LayRules())
    assert word(result.pieces) == "sss"
    pairs, area = overlaps(footprints(result.pieces))
    assert pairs.T.tolist() == [[0, 1], [1, 2]]
    assert area == pytest.approx([0.02 * 0.15] * 2)


def test_thousands_of_random_beds() -> None:
    """Every footprint valid, counter-clockwise, of its own size, and on its own ground."""
    runs = make_runs(random_paths(101, 2_000))
    result = lay(runs, ["b"], LINE, LayRules())
    pieces = result.pieces
    shapes = footprints(pieces)
    assert len(pieces) > 30_000
    assert shapely.is_valid(shapes).all()
    assert shapely.is_ccw(shapely.get_exterior_ring(shapes)).all()
    pairs, area = overlaps(shapes)
    over = np.maximum(-pieces.left_over_um, 0) * 1e-6 * 0.15
    assert (area <= over[pairs[0]] + over[pairs[1]] + 1e-9).all()
    # a straight piece is a rectangle of its length and the depth
    four = np.diff(pieces.outline_offsets) == 4
    size = (pieces.to_um - pieces.from_um) * 1e-6
    flat = four & runs.straight[pieces.leg] & (pieces.kind != PieceKind.CORNER)
    assert flat.sum() > 15_000
    # a leg is rounded by half a micrometre, worth 0.5e-6 x 0.15 m2
    assert shapely.area(shapes[flat]) == pytest.approx(size[flat] * 0.15, abs=0.8e-7)
    # the middle lies in the piece
    assert shapely.contains_xy(shapes, pieces.xy[:, 0], pieces.xy[:, 1]).all()
    assert ((pieces.heading_deg >= 0) & (pieces.heading_deg < 360)).all()


def test_corners_that_no_unit_makes_leave_the_two_legs_apart() -> None:
    runs = make_runs(random_paths(7, 300))
    line = make_line(corners=())
    assert (choose_corners(runs, line).unit < 0).all()
    pieces = lay(runs, ["b"], line, LayRules(fit_short_um=0, fit_over_um=0)).pieces
    _, area = overlaps(footprints(pieces))
    assert area.max() < 1e-9


def beds_of_helsinki(folder: pathlib.Path) -> list[Path]:
    """Rings of the shrub beds and lawns as closed runs, every turn of 35 degrees a corner.

    Metres of EPSG:3879; the outline's own rules are tested elsewhere, here only hard shapes
    are wanted.  Data: OpenStreetMap contributors (see the README of the folder).
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # the extract cuts some rings open
        beds = pyogrio.read_dataframe(folder / "helsinki.osm.pbf", layer="multipolygons", on_invalid="ignore")
    beds = beds[beds.geometry.notna() & ((beds["landuse"] == "grass") | (beds["natural"] == "scrub"))]
    parts = shapely.get_parts(beds.to_crs(3879).geometry.to_numpy())
    paths = []
    for part in parts[shapely.is_valid(parts)]:
        outline = shapely.geometry.polygon.orient(part)
        for ring in (outline.exterior, *outline.interiors):
            xy = np.asarray(ring.coords)[:-1, :2] - [25_497_000, 6_672_000]
            after = np.roll(xy, -1, axis=0) - xy
            corners = np.flatnonzero(np.abs(turns(np.roll(after, 1, axis=0), after)) >= 35)
            first = int(corners[0]) if len(corners) else 0
            paths.append(Path(np.roll(xy, -first, axis=0), (corners - first).tolist(), closed=True))
    return paths


def turns(one: NDArray[np.float64], two: NDArray[np.float64]) -> NDArray[np.float64]:
    cross = one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0]
    degrees: NDArray[np.float64] = np.degrees(np.arctan2(cross, np.einsum("ij,ij->i", one, two)))
    return degrees


@pytest.mark.parametrize("depth_um", [60_000, 300_000])
def test_real_beds(shared_data: pathlib.Path, depth_um: int) -> None:
    """Some 13.9 km of real edge: valid footprints, and none of a run lies over another of it."""
    runs = make_runs(beds_of_helsinki(shared_data))
    assert len(runs.run_id) > 150
    pieces = lay(runs, ["b"], make_line(depth_um=depth_um), LayRules()).pieces
    shapes = footprints(pieces)
    assert len(pieces) > 10_000
    assert shapely.is_valid(shapes).all()
    pairs, area = overlaps(shapes)
    over = np.maximum(-pieces.left_over_um, 0) * 1e-6 * depth_um * 1e-6
    same = pieces.run[pairs[0]] == pieces.run[pairs[1]]  # two beds may share an edge
    assert (area <= over[pairs[0]] + over[pairs[1]] + 1e-9)[same].all()
