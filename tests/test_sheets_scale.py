"""The scale of the sheets, measured in the finished PDF by a reader that does not know how it was drawn."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from siteplan.errors import UsageError
from siteplan.model import PieceKind
from siteplan.sheets import signs
from siteplan.sheets.paper import MM_PT, parse_paper, parse_scale
from siteplan.units import METRES
from tests.make_sheets import (
    FOOT_M,
    Plan,
    grid_numbers,
    plan_of,
    read,
    read_grid,
    read_sample,
    sample,
    shape_boxes,
    strokes,
)
from tests.make_sites import rectangle

FIFTH_MM = 0.2 * MM_PT
"""what the printed scale may be off in 10 inches, in points"""


@pytest.fixture(scope="module")
def hundred_feet(tmp_path_factory: pytest.TempPathFactory) -> Plan:
    """One bed of 100 x 60 ft."""
    ring = rectangle(100 * FOOT_M, 60 * FOOT_M)
    return plan_of(tmp_path_factory.mktemp("hundred"), {"B1": ring}, units="ft")


@pytest.mark.parametrize(
    ("scale", "paper", "width_pt"),
    [
        # 100 ft at 1 in = 10 ft is 10 in, 720 pt; the others by the same division
        ("10ft", "tabloid", 720.0),
        ("20ft", "letter", 360.0),
        ("1in = 40ft", "a4", 180.0),
        ("1:100", "a3", 30.48 / 100 / 0.0254 * 72),
        ("1:250", "a4", 30.48 / 250 / 0.0254 * 72),
    ],
)
def test_hundred_feet_measure_as_they_should(
    hundred_feet: Plan, scale: str, paper: str, width_pt: float
) -> None:
    made = hundred_feet.pdf(paper=paper, scale=scale)
    (sheet,) = read(made).plans
    boxes = shape_boxes(sheet, signs.BED_FILL)
    widths, heights = boxes[:, 2] - boxes[:, 0], boxes[:, 3] - boxes[:, 1]
    bed = int(np.argmax(widths))  # the others are marks of the legend
    assert abs(widths[bed] - width_pt) < FIFTH_MM
    # the drawing itself is good to the thousandth of a point the file holds, and the beds to 1e-7
    assert abs(widths[bed] - width_pt) < 0.005
    assert abs(heights[bed] - width_pt * 0.6) < 0.005


def test_corner_units_of_the_bed_lie_as_far_apart(hundred_feet: Plan) -> None:
    """Corner units stand where the corners are: 100 ft apart, read off their signs."""
    made = hundred_feet.pdf(paper="tabloid", scale="10ft")
    (sheet,) = read(made).plans
    boxes = shape_boxes(sheet, signs.GREEN)
    middles = (boxes[:, :2] + boxes[:, 2:]) / 2
    middles = middles[middles[:, 1] > 150]  # not those of the legend
    assert len(middles) == 4
    apart = np.hypot(*(middles[:, None] - middles[None]).reshape(-1, 2).T)
    assert apart.max() == pytest.approx(72 * np.hypot(10, 6), abs=0.01)


@pytest.mark.parametrize(
    ("scale", "length_pt"), [("10ft", 4 * 72.0), ("1:200", 100 * MM_PT), ("1:333", 100 * MM_PT)]
)
def test_check_bar(hundred_feet: Plan, scale: str, length_pt: float) -> None:
    (sheet,) = read(hundred_feet.pdf(paper="tabloid", scale=scale)).plans
    ends, text = strokes(sheet, 0.4), sheet.extract_text()
    upright = ends[(abs(ends[:, 2] - ends[:, 0]) < 1e-6) & (abs(ends[:, 3] - ends[:, 1] - 9.0) < 1e-3)]
    assert np.ptp(upright[:, 0]) == pytest.approx(length_pt, abs=0.002)
    named = {"10ft": "40 ft on the ground = 4 in on paper", "1:200": "20 m on the ground = 100 mm on paper"}
    assert named.get(scale, "33.3 m on the ground = 100 mm on paper") in text
    assert "Measure the bar before use" in text


@pytest.mark.parametrize(
    ("folder", "unit", "paper"),
    [
        ("fennel_row", "m", "letter"),
        ("larkspur_close", "ftUS", "letter"),
        ("larkspur_close", "ftUS", "tabloid"),
        ("larkspur_close", "ftUS", "a4"),
    ],
)
def test_grid_numbers_are_spaced_at_scale(sample_data: Path, folder: str, unit: str, paper: str) -> None:
    """Printed coordinates lie apart what their difference is on the ground: grid / combined factor."""
    plan, document = sample(sample_data / folder), read_sample(sample_data / folder, paper)
    made, frame = document.made, plan.site.frame
    pt_per_unit = float(METRES[unit]) / frame.combined_factor * made.tiling.scale.pt_per_m
    assert frame.unit == unit
    for upright in (True, False):
        # of a site of many sheets every fourth: the tiles are alike
        for sheet in document.plans[:: 4 if len(document.plans) > 12 else 1]:
            values, places = np.array(grid_numbers(sheet, upright=upright)).T
            assert len(values) >= 2
            assert (np.diff(values) > 0).all()
            # a tick is drawn to 0.001 pt, so a spacing may be 0.001 pt off
            assert np.allclose(np.diff(places), np.diff(values) * pt_per_unit, atol=0.0011)


@pytest.mark.parametrize(
    ("kind", "colour"), [(PieceKind.CORNER, signs.GREEN), (PieceKind.SECTION, signs.BLUE)]
)
@pytest.mark.parametrize("folder", ["fennel_row", "larkspur_close"])
def test_signs_stand_at_their_grid_coordinates(
    sample_data: Path, folder: str, kind: PieceKind, colour: str
) -> None:
    """Read back off the sheets through the printed grid: every section and corner unit, and no other."""
    plan, document = sample(sample_data / folder), read_sample(sample_data / folder, "letter")
    window = document.made.tiling.window

    def places(page: Any) -> np.ndarray:
        boxes = shape_boxes(page, colour)
        middles = (boxes[:, :2] + boxes[:, 2:]) / 2
        inner = middles[middles[:, 1] > window.y]
        return read_grid(page).at(inner)

    found = np.concatenate([places(sheet) for sheet in document.plans])
    pieces = plan.result.pieces
    wanted = plan.site.frame.grid(pieces.xy[pieces.kind == kind])
    apart = np.hypot(*(found[:, None] - wanted[None]).reshape(-1, 2).T).reshape(len(found), len(wanted))
    # 0.002 pt on paper at 1:360 is 0.25 mm on the ground, and the grid is read off two ticks as good
    limit = 0.01 / plan.site.frame.ground_m_per_grid_unit
    assert (apart.min(axis=0) < limit).all(), "a piece is missing"
    assert (apart.min(axis=1) < limit).all(), "a sign stands where no piece is"


def test_match_lines_of_neighbours_coincide(sample_data: Path) -> None:
    """The same line on the ground, read through each sheet's own printed grid."""
    document = read_sample(sample_data / "fennel_row", "letter")
    tiling = document.made.tiling
    assert len(tiling.tiles) > 8

    def lines(page: Any) -> tuple[set[float], set[float]]:
        found = strokes(page, signs.MATCH.width)
        found = found[
            np.hypot(found[:, 2] - found[:, 0], found[:, 3] - found[:, 1]) > 100
        ]  # not the legend's
        upright = abs(found[:, 2] - found[:, 0]) < 1e-6
        grid = read_grid(page)
        at = grid.at(found[:, :2])
        return set(at[upright, 0].tolist()), set(at[~upright, 1].tolist())

    seen = [lines(sheet) for sheet in document.plans]
    checked = 0
    for number in range(len(tiling.tiles)):
        for side, other in tiling.neighbours(number).items():
            axis = 0 if side in ("east", "west") else 1
            own, theirs = seen[number][axis], seen[other][axis]
            nearest = min(abs(a - b) for a in own for b in theirs)
            assert nearest < 0.002, (side, number, other)  # metres on the ground; 0.008 mm on paper
            checked += 1
        assert sum(map(len, seen[number])) == len(tiling.neighbours(number))
    assert checked > 30


# ---------------------------------------------------------------- what people write


@pytest.mark.parametrize(
    ("text", "one_to", "shown"),
    [
        ("1:200", 200, "1:200"),
        (" 1 : 250 ", 250, "1:250"),
        ("10ft", 120, "1 in = 10 ft (1:120)"),
        ("1in=20 ft", 240, "1 in = 20 ft (1:240)"),
        ("30'", 360, "1 in = 30 ft (1:360)"),
    ],
)
def test_scales_as_written(text: str, one_to: int, shown: str) -> None:
    scale = parse_scale(text)
    assert scale.one_to == one_to
    assert scale.text == shown
    assert scale.pt_per_m == pytest.approx(72 / 0.0254 / one_to, rel=1e-15)


@pytest.mark.parametrize(
    "text", ["", "200", "1:0", "0ft", "2:100", "1:-5", "10 m", "1:1e9", "1:9999999999", "1:3"]
)
def test_scales_that_are_none(text: str) -> None:
    with pytest.raises(UsageError, match="scale"):
        parse_scale(text)


@pytest.mark.parametrize(
    ("text", "sides"),
    [
        ("letter", (215.9, 279.4)),
        ("Tabloid", (279.4, 431.8)),
        ("a4", (210.0, 297.0)),
        ("24inx36in", (609.6, 914.4)),
        ("24x36in", (609.6, 914.4)),
        ("594 mm x 841 mm", (594.0, 841.0)),
    ],
)
def test_papers_as_written(text: str, sides: tuple[float, float]) -> None:
    paper = parse_paper(text)
    assert (paper.width_mm, paper.height_mm) == pytest.approx(sides)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("100mmx150mm", "too small"),
        ("a6", "not known"),
        ("24x36", "no unit"),
        ("5mx3m", "larger than"),
        ("axb", "not"),
        ("", "not known"),
        ("24inx", "not"),
    ],
)
def test_papers_that_do_not_do(text: str, told: str) -> None:
    with pytest.raises(UsageError, match=told):
        parse_paper(text)
