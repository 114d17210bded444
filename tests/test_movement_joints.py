"""Movement joints: where they are, what they take off, and that each part is filled exactly."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplan import measure, takeoff
from siteplan.errors import DataError
from siteplan.layers import plan_layers
from siteplan.laying.takeoff import LayRules, lay
from siteplan.model import NodeKind
from siteplan.outline.joints import joint_places, joint_um, with_movement_joints
from siteplan.outline.rules import OutlineRules

from .make_runs import LINE, footprints, make_line, make_runs, overlaps, random_paths
from .make_runs import Path as RunPath
from .make_sites import line, polygon, rectangle, write_features
from .test_run_settings import planned

RULES = OutlineRules()


@given(st.lists(st.floats(0.01, 400.0), min_size=1, max_size=8), st.floats(0.5, 30.0))
@settings(deadline=None, derandomize=True, max_examples=200)
def test_places_are_equal_and_as_few_as_can_be(lengths: list[float], every: float) -> None:
    leg, at = joint_places(np.array(lengths), every)
    for k, length in enumerate(lengths):
        bounds = np.concatenate([[0.0], at[leg == k], [length]])
        parts = np.diff(bounds)
        np.testing.assert_allclose(parts, length / len(parts), rtol=1e-9)
        # within a micrometre: a leg of 12.0000000001 m takes one joint at 6 m, not two
        assert parts.max() <= every + 1e-6
        fewer = len(parts) - 1
        assert not fewer or length / fewer > every - 1e-6


def test_a_straight_run_by_hand() -> None:
    """13 m from a wall to a wall, a joint of 20 mm every 5 m: three parts of 4.3333 m.

    A clear 20 mm at each wall and at two joints leaves 13 - 4 x 0.02 = 12.92 m for pieces.
    """
    runs = make_runs([RunPath([(0, 0), (13, 0)], start=NodeKind.ABUTTED, far=NodeKind.ABUTTED)])
    runs = with_movement_joints(runs, 5.0, 20_000, True, RULES)
    assert runs.leg_id.tolist() == ["R1-1-1p1", "R1-1-1p2", "R1-1-1p3"]
    np.testing.assert_allclose(runs.length_m, 13 / 3)
    made = lay(runs, ["R1"], LINE, LayRules())
    third = round(13e6 / 3)
    assert made.rest_um.tolist() == [third - 30_000, third - 20_000, third - 30_000]
    assert made.rest_um.sum() == pytest.approx(12_920_000, abs=2)
    assert (made.fits.left_over_um >= 0).all(), "never over a joint"
    pieces = made.pieces
    last = np.flatnonzero(np.diff(pieces.leg))
    clear = pieces.from_um[last + 1] - pieces.to_um[last]
    assert (clear >= 20_000).all()
    assert (clear <= 20_000 + made.fits.left_over_um[:-1] + made.fits.left_over_um[1:]).all()


def test_end_clearance_is_the_line_s_where_no_joint_is() -> None:
    runs = make_runs([RunPath([(0, 0), (4, 0)], start=NodeKind.ABUTTED, far=NodeKind.TEE)])
    plain = lay(runs, ["R1"], LINE, LayRules()).rest_um
    jointed = with_movement_joints(runs, None, 25_000, True, RULES)
    made = lay(jointed, ["R1"], LINE, LayRules()).rest_um
    assert made.tolist() == [plain[0] + LINE.end_clearance_um - 25_000]
    start, far = joint_um(jointed)
    assert (start.tolist(), far.tolist()) == ([25_000], [-1])


@given(st.integers(0, 5_000), st.sampled_from([1.5, 2.7, 6.0]), st.sampled_from([9_999, 10_000, 25_000]))
@settings(deadline=None, derandomize=True, max_examples=25)
def test_random_runs(seed: int, every_m: float, width_um: int) -> None:
    """Lengths, corners and everything taken off add up; no piece reaches into a joint."""
    plain = make_runs(random_paths(seed, 6))
    runs = with_movement_joints(plain, every_m, width_um, True, RULES)
    assert runs.length_m.max() <= every_m + 1e-6
    np.testing.assert_allclose(
        np.bincount(runs.leg_run, weights=runs.length_m),
        np.bincount(plain.leg_run, weights=plain.length_m),
        atol=1e-9,
    )
    np.testing.assert_array_equal(runs.corner_xy, plain.corner_xy)
    ends = runs.offsets[runs.corner_leg + 1] - 1
    np.testing.assert_allclose(runs.xy[ends], runs.corner_xy, atol=1e-9)
    assert (runs.far_kind[runs.corner_leg] == NodeKind.CORNER).all()
    # every part ends where the next begins
    inner = np.flatnonzero(runs.far_kind == NodeKind.JOINT)
    after = np.where(
        inner == runs.leg_offsets[runs.leg_run[inner] + 1] - 1,
        runs.leg_offsets[runs.leg_run[inner]],
        inner + 1,
    )
    np.testing.assert_allclose(runs.xy[runs.offsets[inner + 1] - 1], runs.xy[runs.offsets[after]], atol=1e-9)
    assert (runs.start_kind[after] == NodeKind.JOINT).all()
    start, far = joint_um(runs)
    assert (far[inner] + start[after] == width_um).all()
    made = lay(runs, [f"R{k}" for k in range(6)], make_line(outward_radius_um=None), LayRules())
    fits = made.fits
    stopped = (runs.far_kind == NodeKind.JOINT) | (runs.start_kind == NodeKind.JOINT)
    assert (fits.left_over_um[stopped] >= 0).all()
    # the pieces' own stations: what is between the last piece of a part and the first of the next
    pieces = made.pieces
    for leg, following in zip(inner.tolist(), after.tolist(), strict=True):
        of, to = np.flatnonzero(pieces.leg == leg), np.flatnonzero(pieces.leg == following)
        if len(of) and len(to) and following == leg + 1:
            assert pieces.from_um[to].min() - pieces.to_um[of].max() >= width_um


def test_pieces_beside_joints_do_not_overlap() -> None:
    runs = with_movement_joints(make_runs(random_paths(3, 6)), 2.0, 15_000, False, RULES)
    made = lay(runs, [f"R{k}" for k in range(6)], LINE, LayRules())
    _, area = overlaps(footprints(made.pieces))
    assert area.max(initial=0.0) < 1e-6


def test_a_ring_has_a_joint_at_its_start() -> None:
    angle = np.arange(240) * (2 * np.pi / 240)
    ring = RunPath(np.column_stack([5 * np.cos(angle), 5 * np.sin(angle)]), closed=True)
    plain = make_runs([ring])
    length = float(plain.length_m[0])
    runs = with_movement_joints(plain, 8.0, 10_000, False, RULES)
    # 31.4 m in parts of at most 8 m: four parts, four joints
    assert len(runs.leg_id) == 4
    assert (runs.far_kind == NodeKind.JOINT).all()
    made = lay(runs, ["R1"], LINE, LayRules())
    assert made.rest_um.sum() == pytest.approx(length * 1e6 - 4 * 10_000, abs=4)
    short = with_movement_joints(plain, 40.0, 10_000, False, RULES)
    assert short.far_kind.tolist() == [NodeKind.SEAM]


def test_the_layer_lists_them(tmp_path: Path) -> None:
    """A bed of 12 m by 4 m with a wall along one short side: joints in the long sides and at the wall."""
    write_features(tmp_path / "walls.geojson", {"W": line([(-0.1, -3), (-0.1, 7)])})
    inputs = {"beds": [{"file": "beds.geojson"}], "abutments": [{"file": "walls.geojson"}]}
    more = {"inputs": inputs, "movement_joints": {"every": "6 m", "width": "10 mm", "at_buildings": True}}
    site, plan = planned(tmp_path, {"N1": polygon(rectangle(12, 4))}, **more)
    result = takeoff(site, plan)
    layer = plan_layers(site, measure(site), plan, result)["movement_joints"]
    columns = layer.columns
    n = len(layer)
    assert columns["joint"].tolist() == [f"N1-1-j{k + 1}" for k in range(n)]
    assert columns["place"][[0, -1]].tolist() == ["at a building"] * 2
    assert (columns["width_mm"] == 10.0).all()
    total = result.stations.run_um[0] / 1e6
    assert columns["station_m"][0] == 0.0
    assert columns["station_m"][-1] == pytest.approx(total, abs=1e-6)
    # 12.1 m to the wall's face: three parts, two joints on each long side
    assert n == 2 + 2 * (int(np.ceil(12.1 / 6)) - 1)
    np.testing.assert_allclose(
        site.frame.grid(layer.xy), np.column_stack([columns["east"], columns["north"]])
    )


@pytest.mark.parametrize(
    ("own", "said"),
    [
        ({"every": "6"}, "no unit"),
        ({"every": "10 mm", "width": "6 mm"}, "two widths"),
        ({"widht": "1 m"}, '"width"'),
    ],
)
def test_what_is_refused(tmp_path: Path, own: dict[str, Any], said: str) -> None:
    with pytest.raises(DataError, match=said):
        planned(tmp_path, {"N1": polygon(rectangle(12, 4))}, movement_joints=own)
