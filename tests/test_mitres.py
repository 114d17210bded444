"""Corners made by a mitre, a butt or a bend: geometry, fit, footprints."""

from __future__ import annotations

from pathlib import Path as ObjectPath
from random import Random

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplan.catalog import read_line, shipped_lines
from siteplan.errors import DataError, UsageError
from siteplan.layers import plan_layers
from siteplan.laying.bends import bend_corners
from siteplan.laying.corner_units import CornerHow, CornerWay, choose_corners, saw_reaches
from siteplan.laying.fit import Sawn, fit_legs
from siteplan.laying.mitres import corner_sections, point_um
from siteplan.laying.takeoff import LayRules, Takeoff, lay
from siteplan.model import NodeKind, PieceKind, Runs
from siteplan.plans import plan_runs
from siteplan.products import CornerRules, Prefer, ProductLine
from siteplan.sites import load_site, measure
from siteplan.takeoffs import takeoff
from tests import test_fit_bruteforce as brute
from tests.make_runs import LINE, Path, footprints, make_line, make_runs, overlaps, random_paths, straight
from tests.make_sites import polygon, rectangle, write_features

DEPTH = LINE.depth_um
ALL = CornerRules(mitre=True, butt=True, bend_radius_um=400_000)


def line_of(**changes: object) -> ProductLine:
    return make_line(**{"corner_rules": ALL, "gap_least_um": 2_000, "ends": (), **changes})


def laid(paths: list[Path], line: ProductLine, *by: CornerWay, **rules: object) -> tuple[Runs, Takeoff]:
    """Paths bent as far as asked, and laid; a fill is never over, so that no joint is overlapped."""
    runs, _ = bend_corners(make_runs(paths), line, by)
    beds = [f"B{k}" for k in range(len(paths))]
    return runs, lay(runs, beds, line, LayRules(corner_by=by, fit_over_um=0, **rules))  # type: ignore[arg-type]


def elbow(turn: float, one: float = 3.0, two: float = 2.5) -> Path:
    at = np.radians(turn)
    return Path([(-one, 0), (0, 0), (two * np.cos(at), two * np.sin(at))], [1])


# ---------------------------------------------------------------- closed forms


def test_points_of_sawn_pieces() -> None:
    """depth / 2 x tan(angle): tan 45 = 1, tan 30 = 1 / sqrt 3, tan 60 = sqrt 3; hand-checked."""
    angles = np.array([45.0, -45.0, 30.0, 60.0, 0.0, np.nan])
    assert point_um(150_000, angles).tolist() == [75_000, 75_000, 43_302, 129_904, 0, 0]


@pytest.mark.parametrize("turn", [90.0, -90.0])
def test_square_mitre_is_half_a_depth_longer_outside(turn: float) -> None:
    runs, result = laid([elbow(turn)], line_of(), "mitre")
    assert result.corners.how.tolist() == [CornerHow.MITRE]
    made = corner_sections(runs, result.corners, result.legs, DEPTH)
    for part in (made.arriving, made.leaving):
        assert part.saw_deg == pytest.approx([45.0])
        assert part.outer_um - part.centre_um == pytest.approx([DEPTH / 2])
        assert part.centre_um - part.inner_um == pytest.approx([DEPTH / 2])
        # the section is long enough for the point
        assert part.outer_um <= 1_000_000
    sawn = result.pieces.stock_um[result.pieces.cut_um > 0]  # type: ignore[index]
    assert sorted(sawn) == sorted([made.arriving.outer_um[0], made.leaving.outer_um[0]])


@pytest.mark.parametrize("turn", [-119.0, -90.0, -50.0, 36.0, 60.0, 90.0, 118.0])
@pytest.mark.parametrize("way", ["mitre", "butt"])
def test_faces_are_read_back_from_the_footprints(turn: float, way: CornerWay) -> None:
    """Second path: outer and inner length of the sawn pieces, measured on the drawing."""
    runs, result = laid([elbow(turn)], line_of(), way)
    made = corner_sections(runs, result.corners, result.legs, DEPTH)
    shapes, pieces = footprints(result.pieces), result.pieces
    for leg, part in ((0, made.arriving), (1, made.leaving)):
        here = np.flatnonzero((pieces.leg == leg) & (pieces.cut_um > 0) & (pieces.stock_um != pieces.cut_um))
        if np.isnan(part.saw_deg[0]):
            assert not len(here)
            continue
        (row,) = here
        xy = shapely.get_coordinates(shapes[row])[:-1]
        assert len(xy) == 4
        right, left = np.hypot(*(xy[1] - xy[0])) * 1e6, np.hypot(*(xy[3] - xy[2])) * 1e6
        outer, inner = (right, left) if turn > 0 else (left, right)
        assert (outer, inner) == pytest.approx((part.outer_um[0], part.inner_um[0]), abs=1.0)
        assert pieces.kind[row] == PieceKind.CUT
        assert pieces.stock_um is not None
        assert pieces.stock_um[row] == pytest.approx(max(outer, inner), abs=2.0)


@pytest.mark.parametrize("turn", [-130.0, -90.0, -60.0, 60.0, 75.0, 90.0, 110.0, 140.0])
def test_butt_stops_at_the_face_of_the_longer_leg(turn: float) -> None:
    _runs, result = laid([elbow(turn)], line_of(), "butt")
    assert result.corners.how.tolist() == [CornerHow.BUTT]
    assert result.corners.through.tolist() == [1]  # 3 m against 2.5 m
    t, half, gap = np.radians(abs(turn)), DEPTH / 2, LINE.gap_nominal_um
    past = half * min(np.tan(t / 2), 1 / np.tan(t / 2))
    before = half / np.sin(t) + gap
    assert result.corners.arriving_um[0] == pytest.approx(-past, abs=1)
    assert result.corners.leaving_um[0] == pytest.approx(before, abs=1)
    # the end of the one lies along the face of the other, a joint away measured along the leg
    shapes, leg = footprints(result.pieces), result.pieces.leg
    through, stops = shapely.union_all(shapes[leg == 0]), shapes[np.flatnonzero(leg == 1)[0]]
    face = shapely.LineString([(-9, 0), (9, 0)]).buffer(half / 1e6, cap_style="flat")
    assert shapely.distance(stops, face) == pytest.approx(gap / 1e6 * np.sin(t), abs=2e-6)
    assert shapely.area(shapely.intersection(through, stops)) == 0.0
    if abs(turn) != 90:
        assert result.corners.leaving_saw_deg[0] == pytest.approx(np.sign(turn) * (abs(turn) - 90))


def test_a_line_that_is_not_cut_butts_square_within_half_a_depth() -> None:
    """The wedge behind a square end opens by depth x |cot|: half a depth is 26.6 degrees off square."""
    line = line_of(cuttable=False, corners=())
    turns = [90.0, 64.0, 63.0, 116.0, 117.0]
    choice = choose_corners(make_runs([elbow(t) for t in turns]), line, ("butt",))
    expected = [CornerHow.BUTT, CornerHow.BUTT, CornerHow.BARE, CornerHow.BUTT, CornerHow.BARE]
    assert choice.how.tolist() == expected
    assert np.isnan(choice.leaving_saw_deg).all()
    half = DEPTH / 2
    for c in (0, 1, 3):
        tangent = np.tan(np.radians(turns[c]) / 2)
        assert choice.leaving_um[c] == pytest.approx(
            half * max(tangent, 1 / tangent) + LINE.gap_nominal_um, abs=1
        )
    for turn in turns:
        _, result = laid([elbow(turn)], line, "butt")
        assert overlaps(footprints(result.pieces))[1].max(initial=0.0) < 1e-12


def test_saw_limit() -> None:
    line = line_of(corner_rules=CornerRules(mitre=True, butt=True, greatest_saw_deg=45.0))
    choice = choose_corners(make_runs([elbow(t) for t in (90.0, 91.0, 136.0)]), line, ("mitre", "butt"))
    assert choice.how.tolist() == [CornerHow.MITRE, CornerHow.BUTT, CornerHow.BARE]
    assert choice.why[2].startswith(
        "the outside corner of 136 degrees is not to be made with a unit; a mitre is"
    )
    assert "68 degrees off square, and Test line allows 45; a butt is sawn 46" in choice.why[2]


# ---------------------------------------------------------------- order of the ways


def test_the_first_way_that_can_is_taken() -> None:
    runs = make_runs([elbow(t) for t in (90.0, 45.0, 140.0)])  # the units make 60 to 120 degrees
    by: tuple[CornerWay, ...] = ("unit", "mitre", "butt")
    assert choose_corners(runs, line_of(), by).how.tolist() == [
        CornerHow.UNIT,
        CornerHow.MITRE,
        CornerHow.BUTT,
    ]
    assert choose_corners(runs, line_of(), by[::-1]).how.tolist() == [CornerHow.BUTT] * 3
    only = choose_corners(runs, line_of(), ("butt",), {0: ("mitre",)})
    assert only.how.tolist() == [CornerHow.MITRE, CornerHow.MITRE, CornerHow.BARE]  # all are of bed 0


def test_a_line_without_rules_is_laid_as_before() -> None:
    runs = make_runs(random_paths(3, 60))
    before = lay(runs, ["b"], LINE, LayRules(corner_by=("unit",)))
    after = lay(runs, ["b"], LINE, LayRules())
    assert after.counts == before.counts
    assert after.unmet.why.tolist() == before.unmet.why.tolist()
    assert (after.pieces.outline_xy == before.pieces.outline_xy).all()


def test_a_leg_too_short_for_two_units_is_mitred() -> None:
    """0.34 m between square corners: the arms take 0.125 and 0.225 m, a sawn piece 0.175 m or more."""
    short = Path([(-3, 0), (0, 0), (0, 0.34), (-3, 0.34)], [1, 2])
    line = line_of()
    _, result = laid([short], line, "unit")
    assert result.unmet.code.tolist() == ["short-leg"]
    _runs, result = laid([short], line, "unit", "mitre")
    assert len(result.unmet) == 0
    # the far corner is mitred, the other keeps its unit
    assert result.corners.how.tolist() == [CornerHow.UNIT, CornerHow.MITRE]
    assert overlaps(footprints(result.pieces))[1].max(initial=0.0) < 1e-12


def test_one_piece_may_be_sawn_at_both_ends() -> None:
    """0.6 m between two mitres: one piece; outer and inner differ by twice its half depth or not at all."""
    for far_turn, faces in (((-3.0, 0.6), (0.745, 0.445)), ((3.0, 0.6), (0.595, 0.595))):
        path = Path([(-3, 0), (0, 0), (0, 0.6), far_turn], [1, 2])
        runs, result = laid([path], line_of(), "mitre")
        assert len(result.unmet) == 0
        rows = np.flatnonzero(result.pieces.leg == 1)
        assert len(rows) == 1
        made = corner_sections(runs, result.corners, result.legs, DEPTH)
        gap = LINE.gap_nominal_um / 1e6
        assert made.arriving.centre_um[1] / 1e6 == pytest.approx(0.6 - gap, abs=1e-6)
        assert (made.arriving.outer_um[1] / 1e6, made.arriving.inner_um[1] / 1e6) == pytest.approx(
            faces, abs=2e-6
        )
        assert result.pieces.stock_um is not None
        assert result.pieces.stock_um[rows[0]] == 595_000 + 150_000
        assert overlaps(footprints(result.pieces))[1].max(initial=0.0) < 1e-12


def test_factory_ends_need_two_pieces() -> None:
    line = line_of(usable_ends="one_factory_end")
    path = Path([(-3, 0), (0, 0), (0, 0.6), (-3, 0.6)], [1, 2])
    _, result = laid([path], line, "mitre")
    assert (result.pieces.leg == 1).sum() == 2


# ---------------------------------------------------------------- the fit, against every fill there is


@pytest.mark.parametrize("mode", brute.MODES)
def test_fit_with_sawn_pieces_is_the_best_of_all(mode: Prefer) -> None:
    """Every sum of the sawn pieces, every count, every cut, every gap, in worlds of small numbers."""
    rng = Random(f"sawn {mode}")
    met = unmet = 0
    for _ in range(250):
        sections = [(rng.randint(9, 16), rng.randint(1, 9)) for _ in range(rng.randint(1, 2))]
        closers = [(rng.randint(2, 8), rng.randint(1, 9)) for _ in range(rng.randint(0, 2))]
        least = rng.randint(-1, 1)
        nominal = least + rng.randint(0, 2)
        line = brute.make_line(
            sections, closers, gaps=(least, nominal, nominal + rng.randint(0, 1)),
            cuttable=rng.random() < 0.7, least_cut=rng.randint(3, 5), kerf=rng.randint(0, 1),
            cut_cost=rng.randint(0, 3), laying_cost=rng.randint(0, 2),
        )  # fmt: skip
        pieces = rng.randint(1, 2)
        low = rng.randint(3, 8) * pieces
        high = low + rng.randint(0, 9)
        units, rest, limit = rng.randint(pieces, 2), rng.randint(0, 55), rng.randint(0, 2)
        short, over = rng.randint(0, 2), rng.randint(0, 2)
        cost = rng.randint(0, 20)
        one = np.array([1])
        fits = fit_legs(
            [rest], [units], [False], [short], [over], line, prefer=mode, closer_limit=limit,
            sawn=Sawn(one * pieces, one * low, one * high, one * cost),
        )  # fmt: skip
        best = None
        for ks in ((0, 1), (2,)) if mode == "cost" else ((0,), (1,), (2,)):
            found = [
                (brute.judged(f, line, mode)[0], f, total)
                for total in range(low, high + 1)
                for k in ks
                for f in brute.all_fills(brute.Leg(rest - total, units, False, short, over), line, limit, k)
                if sum(f.counts[len(sections):]) <= limit
            ]  # fmt: skip
            if found:
                best = min(key for key, _, _ in found)
                break
        assert bool(fits.unmet[0]) is (best is None)
        assert fits.sawn_um is not None
        sawn, cut = int(fits.sawn_um[0]), fits.cut_um[0]
        counts, gap, left = fits.counts[0], int(fits.gap_total_um[0]), int(fits.left_over_um[0])
        laying = np.array([s.laying_um for s in line.straights])
        assert counts @ laying + cut.sum() + sawn + gap + left == rest
        if best is None:
            unmet += 1
            continue
        met += 1
        assert low <= sawn <= high
        prices = sum(
            int(n) * ((s.article.price or 0) + line.laying_cost)
            for n, s in zip(counts, line.straights, strict=True)
        )
        for length, source in zip(cut, fits.cut_from[0], strict=True):
            if length:
                assert line.least_cut_um <= length <= line.sections[source].laying_um - line.kerf_um
                prices += (line.sections[source].article.price or 0) + line.laying_cost + line.cut_cost
        assert fits.cost[0] == prices + cost
        number = int(counts.sum() + (cut > 0).sum())
        fill = brute.Fill(
            tuple(counts.tolist()), tuple(c for c in cut.tolist() if c), int(fits.cut_from[0, 0]),
            int(fits.joints[0]), gap, left, prices, number, int(counts[len(sections):].sum()),
        )  # fmt: skip
        assert brute.judged(fill, line, mode)[0] == best
    assert met > 120
    assert unmet > 10


def test_sawn_pieces_change_nothing_where_none_are() -> None:
    rest = np.arange(0, 5_000_000, 33_333)
    none = np.zeros(len(rest), dtype=np.int64)
    plain = fit_legs(rest, none + 2, none > 0, 6000, 6000, LINE)
    given = fit_legs(rest, none + 2, none > 0, 6000, 6000, LINE, sawn=Sawn(none, none, none, none))
    for name in ("counts", "cut_um", "gap_total_um", "left_over_um", "reason", "cost"):
        assert (getattr(plain, name) == getattr(given, name)).all()


# ---------------------------------------------------------------- on the ground


@pytest.mark.parametrize("behaviour", ["flexible", "rigid"])
@pytest.mark.parametrize(
    "by", [("mitre",), ("butt",), ("mitre", "butt"), ("bend", "mitre"), ("unit", "mitre", "bend", "butt")]
)
def test_no_two_footprints_overlap(by: tuple[CornerWay, ...], behaviour: str) -> None:
    """A thousand runs of every kind: steps, lobes, strips with corners of any angle and end."""
    paths = random_paths(7, 900)
    if behaviour == "rigid":
        paths = [p for p in paths if p.corners]
    _runs, result = laid(paths, line_of(behaviour=behaviour), *by)
    shapes = footprints(result.pieces)
    assert shapely.is_valid(shapes).all()
    _, area = overlaps(shapes)
    assert area.max(initial=0.0) < 1e-12
    legs, fits, straights = result.legs, result.fits, result.line.straights
    laying = np.array([s.laying_um for s in straights])
    fill = fits.counts @ laying + fits.cut_um.sum(axis=1) + fits.gap_total_um + fits.left_over_um
    assert (legs.start_um + legs.far_um + fill == result.stations.leg_um).all()
    assert int(result.leg_counts.sum()) == len(result.pieces)
    # of turns to 125 degrees a mitre saws those to 120; a butt makes every one
    assert (result.corners.how == CornerHow.BARE).sum() < (10 if "butt" in by else 100)


def test_strips_cover_what_a_mitred_buffer_covers() -> None:
    """Second path: shapely's mitred buffer. Without gaps the pieces and what is left over fill it."""
    paths = [p for p in random_paths(11, 300) if p.closed and p.corners]
    line = line_of(gap_least_um=0, gap_nominal_um=0, gap_greatest_um=0)
    for by in (("mitre",), ("butt",)):
        runs, result = laid(paths, line, *by)
        shapes = footprints(result.pieces)
        for r in range(len(paths)):
            xy = runs.xy[runs.offsets[runs.leg_offsets[r] : runs.leg_offsets[r + 1]]]
            ring = shapely.LinearRing(xy)
            whole = ring.buffer(DEPTH / 2e6, join_style="mitre", mitre_limit=20)
            legs = runs.leg_run == r
            left = result.fits.left_over_um[legs].sum() / 1e6 * DEPTH / 1e6
            mine = shapes[result.pieces.run == r]
            assert shapely.area(mine).sum() + left == pytest.approx(whole.area, abs=2e-6)
            assert shapely.area(shapely.difference(shapely.union_all(mine), whole)) < 1e-9


@settings(deadline=None, derandomize=True, max_examples=40)
@given(seed=st.integers(0, 10_000), by=st.sampled_from([("mitre",), ("butt",), ("bend",), ("unit", "mitre")]))
def test_mirrored_and_walked_back_the_takeoff_is_the_same(seed: int, by: tuple[CornerWay, ...]) -> None:
    """The mirror image of a bed, walked back so that the bed stays on the left: same pieces."""
    path = random_paths(seed, 3)[2]
    xy = np.asarray(path.xy)[::-1] * (-1.0, 1.0)
    back = Path(xy, [len(xy) - 1 - c for c in reversed(list(path.corners))], start=path.far, far=path.start)
    line = line_of(corners=())
    (_, one), (_, two) = laid([path], line, *by), laid([back], line, *by)
    assert one.counts == two.counts
    assert one.by_kind == two.by_kind
    assert sorted(one.pieces.cut_um) == pytest.approx(sorted(two.pieces.cut_um), abs=3)


def test_cost_counts_the_sawn_pieces() -> None:
    line = line_of(cut_cost=7, laying_cost=3, sections=(straight("S1000", 1_000_000),))
    _runs, result = laid([elbow(90.0)], line, "mitre")
    assert result.fits.cost.sum() == 3 * len(result.pieces) + 7 * 2


# ---------------------------------------------------------------- bends


def test_bent_rectangle() -> None:
    """Four quarter circles of 0.4 m: the ring is shorter by 4 (2 r - pi r / 2) and has no corner."""
    path = Path([(0, 0), (5, 0), (5, 3), (0, 3)], range(4), closed=True)
    runs, bends = bend_corners(make_runs([path]), line_of(), ("bend",))
    assert len(bends) == 4
    assert bends.shorter_m == pytest.approx(np.full(4, 0.8 - 0.2 * np.pi))
    assert bends.away_m == pytest.approx(np.full(4, 0.4 * (np.sqrt(2) - 1)))
    assert runs.length_m == pytest.approx([16 - 4 * (0.8 - 0.2 * np.pi)])
    assert runs.start_kind.tolist() == runs.far_kind.tolist() == [NodeKind.SEAM]
    assert len(runs.corner_leg) == 0
    chords = np.hypot(*np.diff(runs.xy, axis=0).T).sum()
    assert chords == pytest.approx(runs.length_m[0], abs=2e-4)
    # second path: opened with a disc of the radius, shapely rounds the rectangle off the same way
    ring = shapely.box(0, 0, 5, 3).buffer(-0.4).buffer(0.4, quad_segs=200)
    assert shapely.hausdorff_distance(shapely.LinearRing(runs.xy[:-1]), ring.exterior) < 5e-5


@pytest.mark.parametrize("turn", [-120.0, -90.0, 36.0, 90.0, 125.0])
def test_bent_elbow(turn: float) -> None:
    runs, bends = bend_corners(make_runs([elbow(turn)]), line_of(), ("bend",))
    t = np.radians(abs(turn))
    assert bends.shorter_m == pytest.approx([2 * 0.4 * np.tan(t / 2) - 0.4 * t])
    assert runs.leg_id.tolist() == ["R1-1-1"]
    assert runs.length_m == pytest.approx([5.5 - bends.shorter_m[0]])
    assert not runs.straight[0]
    # the middle of the arc is the radius from its centre: r (1 / cos(t / 2) - 1) from the corner
    away = shapely.distance(shapely.Point(0, 0), shapely.LineString(runs.xy))
    assert away == pytest.approx(0.4 * (1 / np.cos(t / 2) - 1), abs=1e-4)


def test_bends_that_want_the_same_stretch() -> None:
    """A leg of 0.7 m has no room for two tangents of 0.4 m: its far corner is left to the next way."""
    path = Path([(-3, 0), (0, 0), (0, 0.7), (-3, 0.7)], [1, 2])
    runs, bends = bend_corners(make_runs([path]), line_of(), ("bend", "mitre"))
    assert bends.corner_xy.tolist() == [[0.0, 0.0]]
    assert runs.leg_id.tolist() == ["R1-1-1", "R1-1-3"]
    assert runs.corner_xy.tolist() == [[0.0, 0.7]]
    _, result = laid([path], line_of(), "bend", "mitre")
    assert result.corners.how.tolist() == [CornerHow.MITRE]
    assert len(result.unmet) == 0


def test_a_closed_run_starts_at_its_first_corner_that_is_left() -> None:
    """Units make the two square corners; the blunt one at the start is bent."""
    path = Path([(0, 0), (3, 1), (3, 4), (-3, 4), (-3, 1)], range(5), closed=True)
    runs, bends = bend_corners(make_runs([path]), line_of(), ("unit", "bend"))
    assert bends.turn_deg == pytest.approx([36.8698976], abs=1e-6)
    assert runs.corner_xy[-1].tolist() == runs.xy[0].tolist()
    assert len(runs.leg_id) == len(runs.corner_leg) == 4
    assert runs.length_m.sum() == pytest.approx(make_runs([path]).length_m.sum() - bends.shorter_m.sum())
    ends = runs.xy[runs.offsets[1:] - 1]
    assert ends == pytest.approx(np.roll(runs.xy[runs.offsets[:-1]], -1, axis=0))


def test_rigid_lines_and_lines_without_a_radius_are_not_bent() -> None:
    runs = make_runs([elbow(90.0)])
    for line in (line_of(behaviour="rigid"), make_line(corner_rules=CornerRules(mitre=True))):
        same, bends = bend_corners(runs, line, ("bend",))
        assert same is runs
        assert len(bends) == 0


# ---------------------------------------------------------------- what is written and read


def test_rules_of_a_product_line(tmp_path: ObjectPath) -> None:
    text = shipped_lines()["flex-2m"].read_text(encoding="utf-8")

    def line_with(rules: str) -> ProductLine:
        path = tmp_path / "line.toml"
        path.write_text(text.replace("[[section]]", rules + "\n[[section]]", 1), encoding="utf-8")
        return read_line(path)

    assert line_with("").corner_rules == CornerRules()
    read = line_with(
        '[corner_rules]\nmitre = true\nbend_least_radius = "1 ft"\ngreatest_saw_deg = 45'
    ).corner_rules
    assert read == CornerRules(mitre=True, bend_radius_um=304_800, greatest_saw_deg=45.0)
    with pytest.raises(DataError, match="20 mm is less than the depth of 50 mm"):
        line_with('[corner_rules]\nbend_least_radius = "20 mm"')
    with pytest.raises(DataError, match=r"corner_rules\.mitered"):
        line_with("[corner_rules]\nmitered = true")
    rigid = shipped_lines()["rigid-900mm"].read_text(encoding="utf-8")
    path = tmp_path / "rigid.toml"
    path.write_text(rigid.replace("mitre = true", 'bend_least_radius = "1 m"'), encoding="utf-8")
    with pytest.raises(DataError, match="belongs to flexible lines"):
        read_line(path)


def test_settings_of_a_site(tmp_path: ObjectPath) -> None:
    """Site, then bed: the one bed is mitred, the other bent round."""
    write_features(
        tmp_path / "beds.geojson", {"A": polygon(rectangle(6, 4)), "B": polygon(rectangle(6, 4, at=(20, 0)))}
    )
    head = 'name = "r"\nline = "ours.toml"\n[[inputs.beds]]\nfile = "beds.geojson"\n'
    text = shipped_lines()["flex-2m"].read_text(encoding="utf-8")
    rules = '[corner_rules]\nmitre = true\nbend_least_radius = "400 mm"\n'
    text = text.replace("[[section]]", rules + "[[section]]", 1)
    (tmp_path / "ours.toml").write_text(text, encoding="utf-8")
    (tmp_path / "site.toml").write_text(
        head + '[corners]\nby = "bend"\n[bed.A]\ncorner_by = ["mitre", "unit"]\n'
    )
    site = load_site(tmp_path)
    plan = plan_runs(site)
    result = takeoff(site, plan)
    assert plan.bends is not None
    assert len(plan.bends) == 4
    assert plan.runs.length_m[-1] == pytest.approx(20 - 4 * (0.8 - 0.2 * np.pi), abs=1e-6)
    assert [f.code for f in plan.findings].count("bent-corners") == 1
    assert result.corners.how.tolist() == [CornerHow.MITRE] * 4
    layers = plan_layers(site, measure(site), plan, result)
    corners = layers["corners"].columns
    assert corners["how"].tolist() == ["mitre"] * 4
    assert corners["arriving_saw_deg"] == pytest.approx([45.0] * 4)
    assert corners["arriving_outer_m"] - corners["arriving_inner_m"] == pytest.approx([0.05] * 4)
    cut = ~np.isnan(layers["pieces"].columns["stock_m"])
    sawn = cut & (layers["pieces"].columns["stock_m"] > layers["pieces"].columns["cut_m"])
    assert sawn.sum() == 8
    (tmp_path / "site.toml").write_text(head + '[corners]\nby = ["mitre", "mitre"]\n')
    with pytest.raises(DataError, match="each way is named once"):
        load_site(tmp_path)
    (tmp_path / "site.toml").write_text(head + "[corners]\nby = []\n")
    with pytest.raises(DataError, match="name at least one way"):
        load_site(tmp_path)


def test_an_unknown_way_is_refused() -> None:
    with pytest.raises(UsageError, match='corner_by = "weld" is not known'):
        LayRules(corner_by=("weld",))  # type: ignore[arg-type]


def test_no_corner_is_sawn_from_more_than_a_section() -> None:
    """A mitre 59 degrees off square asked for 330 mm of a 305 mm block: then it is no way to go."""
    line = make_line(depth_um=152_400, sections=(straight("B-12", 304_800),), closers=(), least_cut_um=76_200)
    angles = np.array([0.0, 45.0, 56.0, 56.5, 59.04])
    longer = 2 * np.ceil(152_400 / 2 * np.tan(np.radians(angles))) + 76_200
    assert (
        saw_reaches(angles, line).tolist() == (longer <= 304_800).tolist() == [True, True, True, False, False]
    )
