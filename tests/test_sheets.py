"""What stands on the sheets: every piece once, nothing over another thing, letters, links, bad input."""

from __future__ import annotations

import io
import re
import shutil
import sys
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pdfplumber
import pypdf
import pypdfium2
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from siteplan.cli import main
from siteplan.errors import OutputError, UsageError
from siteplan.layers import KIND_WORDS, words
from siteplan.model import NodeKind
from siteplan.sheets import signs
from siteplan.sheets.border import LEGEND, LEGEND_H, MARGIN, _legend_rows, content_window
from siteplan.sheets.content import letters, run_points
from siteplan.sheets.fonts import Fonts
from siteplan.sheets.labels import letter_sheet, upright
from siteplan.sheets.options import sheet_options
from siteplan.sheets.paper import MM_PT, SIZES, metric, sheet_scales
from siteplan.sheets.pen import Pen
from siteplan.sheets.pictures import BED_MM, PNG_DPI, file_stems
from siteplan.sheets.placing import Taken
from siteplan.sheets.revision import plan_hash
from siteplan.sheets.scene import Scene
from siteplan.sheets.tables import Column, Row, Section, flow
from siteplan.sheets.tiling import Ground, View, Window, choose_tiling
from siteplan.sheets.write import PDF_NAME, make_pdf, write_sheets
from siteplan.sites import load_site, site_settings
from tests.make_sheets import Plan, plan_of, planned, read, read_sample, sample
from tests.make_sites import line, rectangle, write_features

SITES = ("fennel_row", "larkspur_close")


def writer(plan: Plan, folder: Path, **options: Any) -> Any:
    return write_sheets(
        plan.site,
        plan.measures,
        plan.plan,
        plan.result,
        folder,
        sheet_options(**{"pictures": False, **options}),
    )


@pytest.fixture(scope="module")
def two_beds(tmp_path_factory: pytest.TempPathFactory) -> Plan:
    rings = {"A1": rectangle(14, 6), "A2": rectangle(5, 9, at=(30, 4), turn_deg=20)}
    return plan_of(tmp_path_factory.mktemp("two"), rings)


# ---------------------------------------------------------------- every piece


@pytest.mark.parametrize("folder", SITES)
def test_every_piece_is_listed_once_and_lies_on_its_sheet(sample_data: Path, folder: str) -> None:
    plan, document = sample(sample_data / folder), read_sample(sample_data / folder, "letter")
    pieces, tiling = plan.result.pieces, document.made.tiling
    rows = re.findall(r"(\S+) (section|closer|cut|corner|end) (\S+)", " ".join(document.texts))
    ids = set(map(str, pieces.piece_id))
    listed = Counter(row for row in rows if row[0] in ids)
    kinds = words(pieces.kind, KIND_WORDS)
    assert listed == Counter(
        zip(map(str, pieces.piece_id), map(str, kinds), map(str, pieces.code), strict=True)
    )
    owner = tiling.sheet_of(pieces.xy)
    assert (owner >= 0).all()
    ends = pieces.outline_offsets
    for k, number in enumerate(owner.tolist()):
        west, south, east, north = tiling.view(number).ground
        ring = pieces.outline_xy[ends[k] : ends[k + 1]]
        whole = (ring >= (west, south)).all() and (ring <= (east, north)).all()
        # a longer piece than the overlap goes on beyond the next match line
        assert whole or len(tiling.neighbours(number)) > 0


@pytest.mark.parametrize("folder", SITES)
@pytest.mark.parametrize("paper", ["letter", "a4", "tabloid"])
def test_no_part_of_a_piece_is_missing_from_the_sheets(sample_data: Path, folder: str, paper: str) -> None:
    plan = sample(sample_data / folder)
    content, _ = plan.content()
    fonts = Fonts()
    window = content_window(SIZES[paper].turned(), fonts)
    ground = Scene(content).ground()
    tiling, _ = choose_tiling(ground, [(SIZES[paper].turned(), window)], sheet_scales("m"), metric(100), 500)
    shown = shapely.union_all([shapely.box(*tiling.view(k).ground) for k in range(len(tiling.tiles))])
    shapely.prepare(shown)
    assert shapely.covers(shown, shapely.box(*ground.low.T, *ground.high.T)).all()


@settings(deadline=None, derandomize=True, max_examples=60)
@given(
    st.lists(
        st.tuples(st.floats(-400, 400), st.floats(-300, 300), st.floats(0, 3), st.floats(0, 3)),
        min_size=1,
        max_size=40,
    ),
    st.sampled_from([50, 100, 250, 500]),
    st.sampled_from(["letter", "a3"]),
)
def test_tiles_hold_everything_and_none_is_empty(
    things: list[tuple[float, float, float, float]], one_to: int, paper: str
) -> None:
    at = np.array(things)
    ground = Ground(at[:, :2], at[:, :2] - at[:, 2:], at[:, :2] + at[:, 2:], 2.0)
    window = Window(28, 100, SIZES[paper].height_pt - 56, SIZES[paper].width_pt - 130)
    tiling, _ = choose_tiling(
        ground, [(SIZES[paper].turned(), window)], (metric(one_to),), metric(one_to), 9999
    )
    owner = tiling.sheet_of(ground.middle)
    assert (owner >= 0).all(), "a thing belongs to no sheet"
    shown = shapely.union_all([shapely.box(*tiling.view(k).ground) for k in range(len(tiling.tiles))])
    assert shapely.covers(shapely.buffer(shown, 1e-6), shapely.box(*ground.low.T, *ground.high.T)).all()
    boxes = shapely.box(*ground.low.T, *ground.high.T)
    for k, tile in enumerate(tiling.tiles):
        area = shapely.box(tile.x0, tile.y0, tile.x0 + tile.width_m, tile.y0 + tile.height_m)
        assert shapely.intersects(boxes, area).any(), "an empty sheet"
        for side, other in tiling.neighbours(k).items():
            back = {"north": "south", "south": "north", "east": "west", "west": "east"}[side]
            assert tiling.neighbours(other)[back] == k


def test_fewer_sheets_are_chosen_by_turning_the_paper() -> None:
    """A tall site takes upright paper, a wide one lying paper: one sheet instead of two."""
    fonts = Fonts()
    papers = [(p, content_window(p, fonts)) for p in (SIZES["letter"].turned(), SIZES["letter"])]
    for height, width, upright_paper in ((34.0, 10.0, True), (10.0, 45.0, False)):
        at = np.array([(0.0, 0.0), (width, height)])
        made, _ = choose_tiling(Ground(at, at, at, 2.0), papers, (metric(200),), metric(200), 99)
        assert len(made.tiles) == 1
        assert (made.paper.height_mm > made.paper.width_mm) == upright_paper


# ---------------------------------------------------------------- labels


class Recorder(Pen):
    """Remembers where labels stand, and draws nothing."""

    def __init__(self) -> None:
        self.fonts = Fonts()
        self.labels: list[tuple[str, Any]] = []
        self.filled: list[Any] = []

    def _paths(self, xy: Any, paths: Any, paint: Any, closed: bool) -> None:
        if paint.fill and paint.fill != signs.WHITE:
            self.filled += [shapely.polygons(xy[a:b]) for path in paths for a, b in path if b - a > 2]

    def text(self, x: float, y: float, text: str, size: float, **how: Any) -> None:
        half = self.fonts.width(text, size, how.get("face", "regular")) / 2
        turn = np.radians(how.get("angle_deg", 0.0))
        spin = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
        # capitals and digits stand between the base line and 0.73 sizes
        corners = np.array([(-half, 0), (half, 0), (half, 0.73 * size), (-half, 0.73 * size)]) @ spin
        self.labels.append((text, shapely.polygons(corners + np.array([x, y]))))

    @contextmanager
    def clip(self, *_: Any) -> Iterator[None]:
        yield

    def link(self, *_: Any) -> None:
        pass


def to_ground(view: View, points: np.ndarray) -> np.ndarray:
    made: np.ndarray = (points - view.window.middle) / view.pt_per_m + view.centre
    return made


@pytest.mark.parametrize("folder", SITES)
@pytest.mark.parametrize("one_to", [100, 250, 500])
def test_labels_stand_apart_and_inside_their_sheet(sample_data: Path, folder: str, one_to: int) -> None:
    """No text over another, none over a piece, a joint or the edge, at any of three scales."""
    content, _ = sample(sample_data / folder).content()
    scene = Scene(content)
    paper = SIZES["tabloid"].turned()
    window = content_window(paper, Fonts())
    tiling, _ = choose_tiling(scene.ground(), [(paper, window)], (metric(one_to),), metric(one_to), 999)
    pieces = content.result.pieces
    drawn = np.array(
        [shapely.Polygon(pieces.outline_xy[a:b]) for a, b in pairwise(pieces.outline_offsets)], dtype=object
    )
    tree = shapely.STRtree(drawn)
    found = 0
    for k, tile in enumerate(tiling.tiles[:12]):
        view, pen = tiling.view(k), Recorder()
        owned = (tile.x0, tile.y0, tile.x0 + tile.width_m, tile.y0 + tile.height_m)
        done = letter_sheet(pen, view, scene, owned, inset_pt=0.0 if tiling.margin_pt else 12.0)
        boxes = np.array([b for _, b in pen.labels], dtype=object)
        found += len(boxes)
        if done.forced:
            continue  # told in the report: an id that stands over the drawing
        pairs = shapely.STRtree(boxes).query(boxes, predicate="intersects")
        crossing = [(pen.labels[a][0], pen.labels[b][0]) for a, b in pairs.T if a < b]
        assert not crossing
        on_ground = shapely.transform(boxes, partial(to_ground, view))
        edge = shapely.box(*owned)
        assert shapely.covers(shapely.buffer(edge, 1e-6), on_ground).all()
        over = tree.query(on_ground, predicate="intersects")[0]
        assert not len(over), [pen.labels[i][0] for i in over]
    assert found > 20


def test_every_fifth_first_and_last_piece_come_first(two_beds: Plan) -> None:
    """Where only some numbers have room, they are those."""
    content, _ = two_beds.content()
    scene = Scene(content)
    paper = SIZES["letter"].turned()
    tiling, _ = choose_tiling(
        scene.ground(), [(paper, content_window(paper, Fonts()))], (metric(500),), None, 9
    )
    tile = tiling.tiles[0]
    owned = (tile.x0, tile.y0, tile.x0 + tile.width_m, tile.y0 + tile.height_m)
    done = letter_sheet(Recorder(), tiling.view(0), scene, owned, inset_pt=12)
    assert 0 < len(done.pieces) < len(content.pieces)
    large = choose_tiling(scene.ground(), [(paper, content_window(paper, Fonts()))], (metric(200),), None, 9)[
        0
    ]
    tile = large.tiles[0]
    owned = (tile.x0, tile.y0, tile.x0 + tile.width_m, tile.y0 + tile.height_m)
    more = letter_sheet(Recorder(), large.view(0), scene, owned, inset_pt=12)
    assert len(more.pieces) > len(done.pieces)


@settings(deadline=None, derandomize=True, max_examples=40)
@given(
    st.lists(
        st.tuples(
            st.floats(0, 300), st.floats(0, 200), st.floats(2, 40), st.floats(2, 12), st.floats(-90, 90)
        ),
        min_size=2,
        max_size=40,
    )
)
def test_placed_rectangles_never_overlap(tried: list[tuple[float, float, float, float, float]]) -> None:
    taken = Taken(0, 0, 300, 200)
    placed = []
    for x, y, half_w, half_h, angle in tried:
        if taken.free(np.array([(x, y)]), (half_w, half_h), np.array([angle])) is None:
            continue
        taken.mark_box(np.array([x, y]), (half_w, half_h), angle)
        turn = np.radians(angle)
        spin = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
        corners = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * (half_w, half_h) @ spin + np.array([x, y])
        placed.append(shapely.polygons(corners))
    for k, a in enumerate(placed):
        assert shapely.covers(shapely.box(-1e-6, -1e-6, 301.5, 201.5), a)
        for b in placed[:k]:
            assert shapely.area(shapely.intersection(a, b)) < 0.35  # a corner within one cell of 1.1 pt


def test_angles_read_from_below_or_right() -> None:
    given_deg = np.array([0.0, 45, 90, 91, 135, 180, 270, -45, -90, -91, 360])
    assert upright(given_deg).tolist() == [0, 45, 90, -89, -45, 0, 90, -45, 90, 89, 0]


# ---------------------------------------------------------------- points and hash


def test_points_of_open_and_closed_runs(sample_data: Path) -> None:
    runs = sample(sample_data / "fennel_row").plan.runs
    points = run_points(runs)
    for run in range(len(runs.run_id)):
        of_run = np.flatnonzero(points.run == run)
        legs = runs.leg_offsets[run + 1] - runs.leg_offsets[run]
        assert len(of_run) == legs + (0 if runs.closed[run] else 1)
        assert list(points.letter[of_run]) == letters(len(of_run))
    corners = points.kind == NodeKind.CORNER
    # every corner of the runs is a point, with its turn
    assert corners.sum() == len(runs.corner_xy)
    order = np.lexsort(points.xy[corners].T)
    wanted = np.lexsort(runs.corner_xy.T)
    assert np.allclose(points.xy[corners][order], runs.corner_xy[wanted], atol=1e-9)
    assert np.allclose(points.turn_deg[corners][order], runs.corner_turn_deg[wanted])


def test_letters() -> None:
    assert letters(3) == ["A", "B", "C"]
    assert letters(28)[25:] == ["Z", "AA", "AB"]
    assert len(set(letters(2000))) == 2000


def test_stakeout_table_gives_the_grid(sample_data: Path) -> None:
    plan, document = (
        sample(sample_data / "larkspur_close"),
        read_sample(sample_data / "larkspur_close", "letter"),
    )
    text = " ".join(document.texts)
    grid = plan.site.frame.grid(run_points(plan.plan.runs).xy)
    for east, north in grid:
        assert f"{east:.3f} {north:.3f}" in text
    assert "East (ftUS)" in text


def test_hash_is_of_the_numbers(two_beds: Plan, tmp_path: Path) -> None:
    plan = two_beds
    digest = plan_hash(plan.site, plan.plan, plan.result)
    again = plan_of(tmp_path, {"A1": rectangle(14, 6), "A2": rectangle(5, 9, at=(30, 4), turn_deg=20)})
    assert plan_hash(again.site, again.plan, again.result) == digest
    pieces = plan.result.pieces
    moved = pieces.xy.copy()
    moved[3, 0] += 0.001
    for changed in (
        replace(pieces, xy=moved),
        replace(pieces, cut_um=pieces.cut_um + np.eye(1, len(pieces), 2, dtype=np.int64)[0] * 1000),
        replace(pieces, code=np.array([*pieces.code[:-1], "other"], dtype=object)),
    ):
        assert plan_hash(plan.site, plan.plan, replace(plan.result, pieces=changed)) != digest
    barely = pieces.xy + 1e-9
    assert plan_hash(plan.site, plan.plan, replace(plan.result, pieces=replace(pieces, xy=barely))) == digest


@pytest.mark.parametrize("folder", SITES)
def test_every_sheet_says_what_it_is(sample_data: Path, folder: str) -> None:
    plan, document = sample(sample_data / folder), read_sample(sample_data / folder, "letter")
    digest = plan_hash(plan.site, plan.plan, plan.result)
    shown = f"{digest[:4]} {digest[4:8]} {digest[8:12]}"
    count = len(document.sheets)
    assert count == document.made.count
    for number, text in enumerate(document.texts, start=1):
        for wanted in (
            f"Sheet {number} of {count}",
            plan.site.settings.name,
            shown,
            "Lengths: ground (plan, not slope)",
            f"{plan.site.frame.combined_factor:.8f}",
            plan.site.line.name,
        ):
            assert wanted in text, (number, wanted)
    for wanted in ("Before anybody digs", "811", "1926.1153"):
        assert wanted in document.texts[1]


# ---------------------------------------------------------------- the file


@pytest.mark.parametrize("folder", SITES)
def test_fonts_are_embedded_and_links_lead_somewhere(sample_data: Path, folder: str) -> None:
    document = read_sample(sample_data / folder, "letter")
    pdf: Any = pypdf.PdfReader(io.BytesIO(document.made.data))
    assert pdf.trailer["/Root"]["/ViewerPreferences"]["/PrintScaling"] == "/None"
    number_of = {page.indirect_reference.idnum: k for k, page in enumerate(pdf.pages)}
    first, tiling = document.made.first_plan - 1, document.made.tiling
    for k, page in enumerate(pdf.pages):
        fonts = page["/Resources"]["/Font"]
        assert all("/FontFile2" in fonts[name]["/FontDescriptor"] for name in fonts)
        notes = [note.get_object() for note in page.get("/Annots") or ()]
        leads_to = Counter(number_of[note["/Dest"][0].idnum] for note in notes)
        if first <= k < first + len(tiling.tiles):
            # the key plan leads to every plan sheet, a match line once more to the sheet it names
            beyond = {first + n for n in tiling.neighbours(k - first).values()}
            assert leads_to == {first + n: 1 + (first + n in beyond) for n in range(len(tiling.tiles))}
            named = {int(n) - 1 for n in re.findall(r"MATCH LINE SHEET (\d+)", document.texts[k])}
            assert named == beyond
    titles = [str(item.title) for item in _flat(pdf.outline)]
    assert sum("Plan:" in t for t in titles) == len(document.plans)
    for heading in ("Beds", "Order", "Runs and legs", "Stakeout", "Piece schedule"):
        assert any(heading in t for t in titles)


def _flat(items: Any) -> Iterator[Any]:
    for item in items:
        if isinstance(item, list):
            yield from _flat(item)
        else:
            yield item


def test_equal_input_gives_equal_bytes(two_beds: Plan, tmp_path: Path) -> None:
    for name in ("one", "two"):
        writer(two_beds, tmp_path / name, pictures=True)
    files = sorted(p.relative_to(tmp_path / "one") for p in (tmp_path / "one").rglob("*") if p.is_file())
    assert len(files) == 7  # sheets, overview and two beds as SVG and PNG
    for file in files:
        assert (tmp_path / "one" / file).read_bytes() == (tmp_path / "two" / file).read_bytes(), file


def test_legend_is_told_apart_without_colour(two_beds: Plan) -> None:
    """Marks of the legend in grey: any two differ in shape, not only in shade."""
    made = two_beds.pdf(paper="letter")
    pdf = pypdfium2.PdfDocument(made.data)
    scale = 6
    grey = np.asarray(pdf[made.first_plan - 1].render(scale=scale).to_pil().convert("L"), dtype=float)
    pdf.close()
    paper = made.tiling.paper
    window = content_window(paper, Fonts())
    places, _ = _legend_rows(Fonts(), paper.width_pt - 2 * MARGIN)
    marks = []
    for (x, row), _entry in zip(places, LEGEND, strict=True):
        middle = window.y - (row + 0.5) * LEGEND_H
        top, left = int((paper.height_pt - middle - 4.6) * scale), int((MARGIN + x - 1) * scale)
        cut = grey[top : top + int(9.2 * scale), left : left + 18 * scale]
        # black ink or not: shades are taken away
        marks.append(cut < 200)
    for k, a in enumerate(marks):
        assert a.any(), LEGEND[k][0]
        for j, b in enumerate(marks[:k]):
            assert (a != b).mean() > 0.012, (LEGEND[k][0], LEGEND[j][0])


def test_pictures_have_their_size_and_text(two_beds: Plan, tmp_path: Path) -> None:
    writer(two_beds, tmp_path, pictures=True)
    svg = ElementTree.parse(tmp_path / "pictures" / "bed-A1.svg").getroot()
    assert svg.attrib["width"] == f"{BED_MM[0]:.3f}mm"
    texts = [t.text or "" for t in svg.iter("{http://www.w3.org/2000/svg}text")]
    assert any(t.startswith("A1") for t in texts)
    assert any("of edging" in t for t in texts)
    with Image.open(tmp_path / "pictures" / "bed-A1.png") as image:
        assert image.size == pytest.approx([s / 25.4 * PNG_DPI for s in BED_MM], abs=1)
        assert image.info["dpi"] == pytest.approx((PNG_DPI, PNG_DPI), abs=0.1)
        assert np.asarray(image.convert("L")).std() > 5  # something is drawn


# ---------------------------------------------------------------- names

NAMES = {
    "plain": "Nördliches Beet, 2 × 3 m",
    "markup": "<b>bold</b> & </text> \"quotes\" 'n' {{7*7}} ${7*7}",
    "hebrew": "ערוגה צפונית",
    "kanji": "北の花壇",
    "control": "line\nbreak\x07bell",
}


def test_names_in_any_script_are_written_or_told(tmp_path: Path) -> None:
    rings = {key: rectangle(6, 4, at=(10 * k, 0)) for k, key in enumerate(NAMES)}
    plan = plan_of(tmp_path, rings)
    names = np.array([NAMES[str(b)] for b in plan.site.beds.ids], dtype=object)
    plan = replace(plan, site=replace(plan.site, beds=replace(plan.site.beds, names=names)))
    report = writer(plan, tmp_path / "out", pictures=True)
    lost = {f.bed: f.text for f in report.findings if f.code == "missing-letters"}
    assert set(lost) == {"hebrew", "kanji"}
    assert "北" in lost["kanji"]
    assert "--font" in lost["kanji"]
    data = (tmp_path / "out" / PDF_NAME).read_bytes()
    text = "\n".join(p.extract_text() for p in pypdf.PdfReader(io.BytesIO(data)).pages)
    for shown in ("Nördliches Beet, 2 × 3 m", "{{7*7}} ${7*7}", "<b>bold</b>", "line break bell", "????"):
        assert shown in text
    for path in (tmp_path / "out" / "pictures").glob("*.svg"):
        ElementTree.parse(path)
    picture = (tmp_path / "out" / "pictures" / "bed-kanji.svg").read_text(encoding="utf-8")
    assert "北の花壇" in picture  # a browser has the letters


def test_ids_that_cannot_be_written_get_a_number(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, {"東": rectangle(6, 4), "A/b\\c": rectangle(6, 4, at=(20, 0))})
    report = writer(plan, tmp_path / "out", pictures=True)
    (found,) = report.findings
    assert found.bed == "東"
    assert '"#1"' in found.text
    text = "\n".join(p.extract_text() for p in pypdf.PdfReader(tmp_path / "out" / PDF_NAME).pages)
    assert "#1-1-1-01" in text
    assert "A/b\\c-1-1-01" in text
    assert sorted(p.name for p in (tmp_path / "out" / "pictures").glob("bed*.png")) == [
        "bed-A-b-c.png",
        "bed-bed.png",
    ]


def test_a_named_font_brings_its_letters(tmp_path: Path) -> None:
    """Built here with fontTools' own builder: a font with one square letter."""
    builder = pytest.importorskip("fontTools.fontBuilder", reason="fontTools is not installed")
    pens = pytest.importorskip("fontTools.pens.ttGlyphPen")
    pen = pens.TTGlyphPen(None)
    for k, point in enumerate(((0, 0), (0, 700), (700, 700), (700, 0))):
        (pen.moveTo if k == 0 else pen.lineTo)(point)
    pen.closePath()
    glyph, empty = pen.glyph(), pens.TTGlyphPen(None).glyph()
    made = builder.FontBuilder(1000, isTTF=True)
    made.setupGlyphOrder([".notdef", "east"])
    made.setupCharacterMap({ord("東"): "east"})
    made.setupGlyf({".notdef": empty, "east": glyph})
    made.setupHorizontalMetrics({".notdef": (800, 0), "east": (800, 0)})
    made.setupHorizontalHeader(ascent=800, descent=-200)
    made.setupNameTable({"familyName": "Test", "styleName": "Regular", "psName": "Test-Regular"})
    made.setupOS2()
    made.setupPost()
    made.save(tmp_path / "test.ttf")
    plan = plan_of(tmp_path, {"東": rectangle(6, 4)})
    report = writer(plan, tmp_path / "out", fonts=[tmp_path / "test.ttf"])
    assert report.findings == ()
    text = "\n".join(p.extract_text() for p in pypdf.PdfReader(tmp_path / "out" / PDF_NAME).pages)
    assert "東-1-1-01" in text


def test_letters_that_need_more_than_a_font() -> None:
    fonts = Fonts()
    assert fonts.missing("Müller's Hof – 12'6\" ½ œ") == ()
    assert fonts.missing("ab東c東") == ("東",)
    assert fonts.missing("אב") == ("א", "ב")
    assert fonts.missing("e\u0301") == ()  # composes
    assert fonts.missing("x\u0301") == ("\u0301",)  # does not
    assert fonts.fit("a long name of a bed", 6, 30).endswith("…")
    assert fonts.wrap("one two three", 6, 30) == ["one two", "three"]
    assert "".join(fonts.wrap("x" * 50, 6, 30)) == "x" * 50


def test_letters_missing_elsewhere_are_told(two_beds: Plan, tmp_path: Path) -> None:
    named = two_beds.site.settings.model_copy(update={"name": "Сад", "note": "plain"})
    plan = replace(two_beds, site=replace(two_beds.site, settings=named))
    report = writer(plan, tmp_path, revision="第2版")
    told = [f.text for f in report.findings]
    assert len(told) == 2
    assert "site's name: ? stands for С а д" in told[0]
    assert "revision: ? stands for 第 版" in told[1]


def test_file_names_are_safe_and_differ() -> None:
    made = file_stems(["B1", "b1", "../../etc", "a/b", "a b", "東", "西", "é", "", "x" * 300])
    assert len({m.lower() for m in made}) == len(made)
    assert all(re.fullmatch(r"[A-Za-z0-9_-]{1,64}", m) for m in made)


# ---------------------------------------------------------------- choosing, and bad input


def test_only_the_beds_asked_for(sample_data: Path, tmp_path: Path) -> None:
    plan = sample(sample_data / "fennel_row")
    report = writer(plan, tmp_path, beds=["N8", "W6"])
    of_beds = np.isin(plan.site.beds.ids[plan.result.pieces.bed], ["N8", "W6"])
    assert report.pieces == of_beds.sum()
    text = "\n".join(p.extract_text() for p in pypdf.PdfReader(tmp_path / PDF_NAME).pages)
    assert "Beds W6, N8" in text
    assert "N8-1-1-01" in text
    assert "N12-1-1-01" not in text


def test_phase(sample_data: Path) -> None:
    plan = sample(sample_data / "fennel_row")
    phases = plan.site.beds.attributes["phase"]
    counts = [len(plan.content(sheet_options(phase=p))[0].pieces) for p in ("1", "2", "3")]
    assert min(counts) > 0
    assert sum(counts) == len(plan.result.pieces)
    assert {f"{v:g}" for v in phases} == {"1", "2", "3"}


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ({"beds": ["N88"]}, 'no bed "N88" \\(did you mean "N8"\\?\\)'),
        ({"beds": ["zzz", "qqq"]}, '"zzz".*"qqq"'),
        ({"phase": "9"}, 'no bed is of phase "9"; phases are 1, 2, 3'),
        ({"beds": ["N8"], "phase": "3"}, "of phase 3|no bed"),
        ({"scale": "1:50"}, "needs \\d+ plan sheets, more than 60; .*--most-sheets"),
        ({"fonts": [Path("nowhere.ttf")]}, "no font file"),
        ({"fonts": [Path(__file__)]}, "no TrueType font"),
    ],
)
def test_bad_wishes_are_told(sample_data: Path, tmp_path: Path, options: dict[str, Any], told: str) -> None:
    plan = sample(sample_data / "fennel_row")
    if options.get("phase") == "3":
        phase = f"{plan.site.beds.attributes['phase'][list(plan.site.beds.ids).index('N8')]:g}"
        options = {**options, "phase": "1" if phase != "1" else "2"}
        told = "none of the beds named is of phase"
    with pytest.raises(UsageError, match=told):
        writer(plan, tmp_path / "out", **options)
    assert not (tmp_path / "out").exists()


def test_phase_of_a_site_without_phases(two_beds: Plan, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match='no attribute "phase"'):
        writer(two_beds, tmp_path, phase="1")


def test_a_scale_too_small_is_told_and_kept(two_beds: Plan, tmp_path: Path) -> None:
    report = writer(two_beds, tmp_path, scale="1:1000")
    assert report.scale == "1:1000"
    (found,) = report.findings
    assert found.code == "small-scale"
    assert "2.0 mm long" in found.text


def test_sheets_beyond_the_limit_make_the_scale_smaller(sample_data: Path, tmp_path: Path) -> None:
    plan = sample(sample_data / "larkspur_close")
    assert writer(plan, tmp_path / "many").plan_sheets > 2
    report = writer(plan, tmp_path / "few", most_sheets=2)
    assert report.plan_sheets <= 2
    assert report.scale == "1 in = 40 ft (1:480)"
    assert [f.code for f in report.findings] == ["small-scale"]
    with pytest.raises(UsageError, match=r"needs \d+ plan sheets, more than 1;"):
        writer(plan, tmp_path / "none", scale="20ft", most_sheets=1)


def test_old_sheets_stay_when_new_ones_cannot_be_written(two_beds: Plan, tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("x")
    with pytest.raises(OutputError):
        writer(two_beds, blocked)
    writer(two_beds, tmp_path / "out")
    before = (tmp_path / "out" / PDF_NAME).read_bytes()
    with pytest.raises(UsageError):
        writer(two_beds, tmp_path / "out", beds=["no"])
    assert (tmp_path / "out" / PDF_NAME).read_bytes() == before


def command(monkeypatch: pytest.MonkeyPatch, *words: str) -> int:
    monkeypatch.setattr(sys, "argv", ["siteplan", *words])
    with pytest.raises(SystemExit) as left:
        main()
    return int(left.value.code or 0)


def test_command_line(
    sample_data: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    place = str(sample_data / "larkspur_close")
    out = str(tmp_path / "out")
    assert (
        command(
            monkeypatch, "handout", place, "--out", out, "--paper", "a4", "--bed", "C4", "--revision", "B"
        )
        == 0
    )
    said = capsys.readouterr().out
    assert "1 of them plan sheets" in said
    assert (tmp_path / "out" / "pictures" / "bed-C4.png").is_file()
    text = pypdf.PdfReader(tmp_path / "out" / PDF_NAME).pages[0].extract_text()
    assert "Revision B" in text
    for wrong in (["--bed", "C9"], ["--paper", "b5"], ["--scale", "7"], ["--most-sheets", "0"]):
        assert command(monkeypatch, "handout", place, "--out", str(tmp_path / "no"), *wrong) == 2
        assert "Traceback" not in capsys.readouterr().err
    assert command(monkeypatch, "handout", str(tmp_path / "nowhere"), "--out", str(tmp_path / "no")) == 1
    assert not (tmp_path / "no").exists()


# ---------------------------------------------------------------- tables


@settings(deadline=None, derandomize=True, max_examples=30)
@given(
    st.lists(st.tuples(st.integers(0, 80), st.booleans()), min_size=1, max_size=5),
    st.sampled_from([(500.0, 300.0), (760.0, 500.0), (400.0, 700.0)]),
)
def test_tables_keep_every_row_and_stay_inside(
    tables: list[tuple[int, bool]], size: tuple[float, float]
) -> None:
    window = Window(28.0, 70.0, *size)
    sections = [
        Section(
            f"Table {t}",
            ("A note of some length that may need several lines where the sheet is narrow. " * 2,),
            (Column("Id"), Column("Text", wrap=True), Column("Number", "right")),
            tuple(
                Row((f"band{t}x{r}",), band=True)
                if banded and r % 9 == 0
                else Row((f"id{t}x{r}", "some words " * (r % 4), str(r)))
                for r in range(rows)
            ),
        )
        for t, (rows, banded) in enumerate(tables)
    ]
    leaves = flow(sections, Fonts(), window)
    texts = [text for leaf in leaves for _, _, text, *_ in leaf.texts]
    for t, (rows, banded) in enumerate(tables):
        for r in range(rows):
            word = f"band{t}x{r}" if banded and r % 9 == 0 else f"id{t}x{r}"
            assert texts.count(word) == 1, word
    for leaf in leaves:
        for x, y, text, size_pt, face, align in leaf.texts:
            width = Fonts().width(text, size_pt, face)
            left = x - width if align == "right" else x
            assert window.x <= left
            assert left + width <= window.x + window.width + 0.1
            assert window.y + 2 <= y <= window.y + window.height
        boxes = [
            (x - Fonts().width(t, s, f) if a == "right" else x, y, t) for x, y, t, s, f, a in leaf.texts if t
        ]
        assert len({(round(x, 2), round(y, 2)) for x, y, _ in boxes}) == len(boxes), "one text over another"


def test_scale_that_suits_is_chosen(two_beds: Plan) -> None:
    """The whole plan on one sheet, as large as it fits; a usual piece is legible."""
    made = two_beds.pdf(paper="letter")
    assert len(made.tiling.tiles) == 1
    finer = make_pdf(Scene(two_beds.content()[0]), Fonts(), sheet_options(scale="1:100"))
    assert made.tiling.scale.text == "1:200"
    assert len(finer.tiling.tiles) > 1
    assert 2.0 * made.tiling.scale.pt_per_m > 4.4 * MM_PT
    assert len(read(made).plans) == 1


# ---------------------------------------------------------------- odd sites


def test_a_site_of_one_line(tmp_path: Path) -> None:
    """An open line has no area to write its id in."""
    beds = write_features(tmp_path / "beds.geojson", {"L1": line([(0, 0), (9.3, 0), (9.3, 5.1)])})
    plan = planned(load_site(site_settings(beds, "flex-2m")))
    report = writer(plan, tmp_path / "out", pictures=True)
    assert report.forced == 0
    text = " ".join(read(plan.pdf()).texts)
    assert "L1-1" in text
    assert "free end" in text


def test_a_site_nothing_can_be_laid_on(tmp_path: Path) -> None:
    """Too tight a curve for the line: no piece at all, and the sheets say so."""
    angle = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    plan = plan_of(tmp_path, {"T1": 0.3 * np.column_stack([np.cos(angle), np.sin(angle)])})
    assert len(plan.result.pieces) == 0
    assert len(plan.result.unmet) > 0
    report = writer(plan, tmp_path / "out", pictures=True)
    assert report.pieces == 0
    texts = read(plan.pdf()).texts
    assert any("UNMET" in t and "Plan: T1" in t for t in texts)
    assert any("These legs and corners cannot be made" in t for t in texts)


def test_smallest_paper_that_is_taken(two_beds: Plan) -> None:
    """Title block and legend keep inside a sheet of 190 mm, and no word runs over another."""
    (sheet,) = read(two_beds.pdf(paper="190mmx250mm", scale="1:500")).plans
    edge = MARGIN - 0.01
    for char in sheet.chars:
        assert edge <= char["x0"]
        assert char["x1"] <= float(sheet.width) - edge
        assert edge <= sheet.height - char["bottom"]
    below = [
        c for c in sheet.chars if c["upright"] and sheet.height - c["bottom"] < 200 and c["text"].strip()
    ]
    boxes = np.array(
        [shapely.box(c["x0"], c["y0"] + 1.5, c["x1"], c["y1"] - 1.5) for c in below], dtype=object
    )
    pairs = shapely.STRtree(boxes).query(boxes, predicate="intersects")
    areas = shapely.area(shapely.intersection(boxes[pairs[0]], boxes[pairs[1]]))
    over = [
        (below[a]["text"], below[b]["text"])
        for (a, b), s in zip(pairs.T, areas, strict=True)
        if a < b and s > 0.6
    ]
    assert not over


def test_a_site_laid_to_slope_lengths_says_so_and_gives_both(sample_data: Path, tmp_path: Path) -> None:
    """Once the sheets said "slope lengths" and printed plan lengths beside it."""
    folder = tmp_path / "sloping"
    shutil.copytree(sample_data / "fennel_row", folder)
    page = folder / "site.toml"
    text = page.read_text(encoding="utf-8")
    line = 'line = "flex-2m"\n'
    assert line in text
    page.write_text(text.replace(line, line + 'length_basis = "slope"\n', 1), encoding="utf-8")
    plan = sample(folder)
    made = plan.pdf(beds=["F1"])
    lengths = plan.plan.lengths
    runs = plan.plan.runs
    leg = int(np.flatnonzero(runs.run_id[runs.leg_run] == "F1-2")[0])
    slope, level = float(lengths.slope_m[leg]), float(runs.length_m[leg])
    assert f"{slope:.3f}" != f"{level:.3f}"
    with pdfplumber.open(io.BytesIO(made.data)) as book:
        texts = [" ".join((p.extract_text() or "").split()) for p in book.pages]
    for text in texts:
        assert "Drawn to scale: plan (level) lengths" in text
        assert "Dimensioned: slope lengths" in text
    (drawn,) = [t for t in texts if "Plan: F1" in t][:1]
    assert f"{slope:.3f} m" in drawn
    assert f"{level:.3f} m" not in drawn
    table = next(t for t in texts if "Runs and legs" in t and "Slope Plan" in t)
    assert f"{slope:.3f} m {level:.3f} m" in table
    assert "on the slope" in table
