"""Product line files: what they mean, and every way they can be wrong."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

import pytest

from siteplan.catalog import load_line, read_line, shipped_lines
from siteplan.errors import DataError, Fault, UsageError
from siteplan.products import ProductLine

GOOD = """
key = "test-line"
name = "Test line"
note = "invented for a test"
behaviour = "rigid"
depth = "100 mm"
height = "1 ft"
currency = "EUR"
laying_cost = "0.5"

[joint]
least_gap = "-2 mm"
nominal_gap = "3 mm"
greatest_gap = "0.25 in"
greatest_deflection_deg = 2

[cutting]
least_cut = "150 mm"
kerf = "4 mm"
usable_ends = "one_factory_end"
cost = "3"

[[section]]
code = "S"
name = "Section"
laying = "2 ft"
piece = "620 mm"
nominal = "600 mm"
price = "4.25"
weight_kg = 12.5
pack = 8

[[closer]]
code = "C"
name = "Closer"
laying = "200 mm"

[[corner]]
code = "K"
name = "Corner"
turn = "outside"
least_deg = 80
greatest_deg = 90
arriving = "250 mm"
leaving = "150 mm"
measured_on = "outer"
reversible = false

[[end]]
code = "E"
name = "End"
laying = "100 mm"
hand = "either"
"""


@pytest.fixture
def write(tmp_path: Path) -> Any:
    """Write GOOD with changes: each (old, new) must be found."""

    def write_changed(*changes: tuple[str, str]) -> Path:
        text = GOOD
        for old, new in changes:
            assert old in text
            text = text.replace(old, new)
        path = tmp_path / "line.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write_changed


def faults_of(path: Path) -> tuple[Fault, ...]:
    with pytest.raises(DataError) as caught:
        read_line(path)
    assert all(f.file == str(path) for f in caught.value.faults)
    assert all(f.remedy for f in caught.value.faults)
    return caught.value.faults


def test_values_are_whole_micrometres_and_minor_units(write: Any) -> None:
    line = read_line(write())
    section = line.sections[0]
    assert (section.laying_um, section.piece_um, section.nominal_um) == (609_600, 620_000, 600_000)
    assert (section.article.price, section.article.weight_g, section.article.pack) == (425, 12_500, 8)
    closer = line.closers[0]
    assert (closer.laying_um, closer.piece_um, closer.nominal_um) == (200_000,) * 3
    assert (closer.article.price, closer.article.weight_g, closer.article.pack) == (None, None, 1)
    assert (line.gap_least_um, line.gap_nominal_um, line.gap_greatest_um) == (-2000, 3000, 6350)
    assert (line.depth_um, line.height_um, line.end_clearance_um) == (100_000, 304_800, 0)
    assert (line.cuttable, line.least_cut_um, line.kerf_um) == (True, 150_000, 4000)
    assert (line.laying_cost, line.cut_cost, line.currency, line.currency_digits) == (50, 300, "EUR", 2)
    assert (line.outward_radius_um, line.inward_radius_um) == (None, None)
    assert [a.code for a in line.articles] == ["S", "C", "K", "E"]


def test_currency_without_minor_units(write: Any) -> None:
    path = write(
        ('currency = "EUR"', 'currency = "JPY"\ncurrency_digits = 0'),
        ('"4.25"', '"425"'),
        ('laying_cost = "0.5"\n', ""),
    )
    assert read_line(path).sections[0].article.price == 425


def test_without_cutting_nothing_is_cut(write: Any) -> None:
    start, end = GOOD.index("[cutting]"), GOOD.index("[[section]]")
    line = read_line(write((GOOD[start:end], "")))
    assert (line.cuttable, line.least_cut_um, line.kerf_um, line.cut_cost) == (False, 0, 0, 0)


@pytest.mark.parametrize(
    ("change", "code", "words"),
    [
        (('laying = "2 ft"', 'laying = "-2 ft"'), "bad-value", "section[1].laying: must be more than zero"),
        (('laying = "2 ft"', 'laying = "0 m"'), "bad-value", "section[1].laying: must be more than zero"),
        (('laying = "2 ft"', "laying = 2.0"), "bad-value", "section[1].laying: length 2.0 has no unit"),
        (('laying = "2 ft"', 'laying = "2"'), "bad-value", "has no unit"),
        (('laying = "2 ft"', 'laying = "2 rods"'), "bad-value", 'unit "rods" is not known'),
        (('laying = "2 ft"', 'laying = "2000 km"'), "bad-value", "more than 1 km"),
        (('laying = "2 ft"', "laying = true"), "bad-value", "section[1].laying"),
        (('depth = "100 mm"', 'depth = "0 mm"'), "bad-value", "depth: must be more than zero"),
        (('kerf = "4 mm"', 'kerf = "-1 mm"'), "bad-value", "cutting.kerf: must not be negative"),
        (("pack = 8", "pack = 0"), "bad-value", "section[1].pack"),
        (("pack = 8", "pack = 8.5"), "bad-value", "section[1].pack"),
        (("weight_kg = 12.5", "weight_kg = nan"), "bad-value", "section[1].weight_kg"),
        (('price = "4.25"', "price = 4.25"), "bad-value", 'such as "4.25"'),
        (('price = "4.25"', 'price = "-4.25"'), "bad-value", "not negative"),
        (('price = "4.25"', 'price = "$4"'), "bad-value", "no currency sign"),
        (('price = "4.25"', 'price = "4.255"'), "bad-value", "section[1].price: 4.255 has more decimals"),
        (('currency = "EUR"\n', ""), "missing-key", "currency is missing"),
        (('currency = "EUR"', 'currency = "euro"'), "bad-value", "currency"),
        (('nominal_gap = "3 mm"', 'nominal_gap = "7 mm"'), "contradictory-limits", "7 mm nominal"),
        (('nominal_gap = "3 mm"', 'nominal_gap = "-3 mm"'), "contradictory-limits", "-3 mm nominal"),
        (('least_gap = "-2 mm"', 'least_gap = "-150 mm"'), "overlap-too-long", "cutting.least_cut, 150 mm"),
        (('least_cut = "150 mm"', 'least_cut = "606 mm"'), "contradictory-limits", "cutting.least_cut"),
        (('laying = "200 mm"', 'laying = "2 ft"'), "contradiction", "closer[1].laying"),
        (('code = "C"', 'code = "S"'), "repeated-code", 'closer[1].code: "S" is the code of section[1]'),
        (('code = "C"', 'code = " C"'), "bad-value", "closer[1].code"),
        (('code = "C"\n', ""), "missing-key", "closer[1].code"),
        (("greatest_deflection_deg = 2\n", ""), "missing-key", "greatest_deflection_deg is missing"),
        (('behaviour = "rigid"', 'behaviour = "flexible"'), "contradiction", "belongs to rigid lines"),
        (('behaviour = "rigid"', 'behaviour = "stiff"'), "bad-value", "behaviour"),
        (("[cutting]", '[curve]\nleast_inward_radius = "1 m"\n[cutting]'), "contradiction", "rigid line has"),
        (("least_deg = 80", "least_deg = 0"), "bad-value", "corner[1].least_deg"),
        (("greatest_deg = 90", "greatest_deg = 180"), "bad-value", "corner[1].greatest_deg"),
        (("greatest_deg = 90", "greatest_deg = 70"), "contradictory-limits", "least_deg 80 is more than"),
        (('leaving = "150 mm"', 'leaving = "99 mm"'), "arm-too-short", "corner[1].leaving: 99 mm"),
        (('turn = "outside"', 'turn = "left"'), "bad-value", "corner[1].turn"),
        (("reversible = false", 'reversible = "no"'), "bad-value", "corner[1].reversible"),
        (('hand = "either"', 'hand = "left"'), "end-hands", "no end unit for the right hand"),
        (('key = "test-line"', 'key = "Test Line"'), "bad-value", "key"),
    ],
    ids=str,
)
def test_faults_of_values(write: Any, change: tuple[str, str], code: str, words: str) -> None:
    faults = faults_of(write(change))
    assert [f.code for f in faults] == [code], [f.text for f in faults]
    assert words in faults[0].what, faults[0].text


@pytest.mark.parametrize(
    ("change", "hint"),
    [
        (('nominal = "600 mm"', 'nominall = "600 mm"'), '"nominal"'),
        (("[[closer]]", "[[closers]]"), '"closer"'),
        (('behaviour = "rigid"', 'behavior = "rigid"'), '"behaviour"'),
        (("greatest_gap", "greatest_gab"), '"greatest_gap"'),
    ],
)
def test_unknown_keys_name_the_nearest_spelling(write: Any, change: tuple[str, str], hint: str) -> None:
    unknown = [f for f in faults_of(write(change)) if f.code == "unknown-key"]
    assert len(unknown) == 1
    assert unknown[0].remedy == f"Did you mean {hint}?"


def test_no_section_is_a_fault(write: Any) -> None:
    start, end = GOOD.index("[[section]]"), GOOD.index("[[corner]]")
    faults = faults_of(write((GOOD[start:end], "")))
    assert [f.code for f in faults] == ["no-piece"]


def test_a_corner_record_needs_no_listed_mirror_but_a_reversible_one_must_not_have_it(write: Any) -> None:
    start, end = GOOD.index("[[corner]]"), GOOD.index("[[end]]")
    record = GOOD[start:end]
    mirror = (
        record.replace('"K"', '"M"')
        .replace('arriving = "250 mm"', 'arriving = "150 mm"')
        .replace('leaving = "150 mm"', 'leaving = "250 mm"')
    )
    assert len(read_line(write((record, record + mirror))).corners) == 2
    both = record.replace("reversible = false", "reversible = true") + mirror
    (fault,) = faults_of(write((record, both)))
    assert (fault.code, "corner[1] K is reversible" in fault.what) == ("contradiction", True)


def test_arms_reach_round_the_turn(write: Any) -> None:
    """Closed form: square, both faces of a unit of depth d lie d apart, so an outer arm is at least d."""
    assert read_line(write(('leaving = "150 mm"', 'leaving = "100 mm"')))
    wide = ("greatest_deg = 90", "greatest_deg = 120")
    # tan 60 = 1.7320508: 173.2051 mm on the outer face, half of it on the centre
    assert [f.code for f in faults_of(write(wide, ('leaving = "150 mm"', 'leaving = "173.2 mm"')))] == [
        "arm-too-short"
    ]
    assert read_line(write(wide, ('leaving = "150 mm"', 'leaving = "173.21 mm"')))
    centre = ('measured_on = "outer"', 'measured_on = "centre"')
    assert read_line(write(wide, centre, ('leaving = "150 mm"', 'leaving = "86.61 mm"')))
    assert faults_of(write(wide, centre, ('leaving = "150 mm"', 'leaving = "86.5 mm"')))


def test_all_faults_come_in_one_report(write: Any) -> None:
    path = write(
        ('laying = "2 ft"', 'laying = "-2 ft"'),
        ('kerf = "4 mm"', 'kerv = "4 mm"'),
        ('nominal_gap = "3 mm"', 'nominal_gap = "9 mm"'),
        ('code = "E"', 'code = "C"'),
        ('leaving = "150 mm"', 'leaving = "10 mm"'),
        ('currency = "EUR"\n', ""),
    )
    codes = [f.code for f in faults_of(path)]
    assert sorted(codes) == [
        "arm-too-short",
        "bad-value",
        "contradictory-limits",
        "missing-key",
        "missing-key",
        "repeated-code",
        "unknown-key",
    ]


def test_shapes_that_are_not_a_product_line(tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    for text, code in (
        ("", "missing-key"),
        ("section = 3", "bad-value"),
        ("section = [3]", "bad-value"),
        ("joint = []", "bad-value"),
        ("end = 'x'", "bad-value"),
        ("currency_digits = 'x'\nlaying_cost = 4", "bad-value"),
        ("[section", "not-toml"),
        ("key = 1\nkey = 2", "not-toml"),
    ):
        path.write_text(text, encoding="utf-8")
        assert code in [f.code for f in faults_of(path)], text
    path.write_bytes(b"key = '\xff'")
    assert [f.code for f in faults_of(path)] == ["not-utf8"]


# ---------------------------------------------------------------- lines that come with the program


@pytest.mark.parametrize("key", shipped_lines())
def test_shipped_line(key: str) -> None:
    line = load_line(key)
    assert line.key == key
    assert "invented" in line.name.lower() or "invented" in line.note.lower()
    assert {c.turn for c in line.corners} == {"outside", "inside"}
    assert line.ends
    assert all(a.price is not None and a.weight_g is not None for a in line.articles)
    assert mirrors_missing(line) == []


def mirrors_missing(line: ProductLine) -> list[str]:
    """Corner units of one hand whose other hand is not in the line."""
    have = {(c.turn, c.least_deg, c.greatest_deg, c.arriving_um, c.leaving_um) for c in line.corners}
    return [
        c.article.code
        for c in line.corners
        if not c.reversible and (c.turn, c.least_deg, c.greatest_deg, c.leaving_um, c.arriving_um) not in have
    ]


def test_shipped_lines_are_three_and_differ() -> None:
    lines = [load_line(k) for k in shipped_lines()]
    assert len(lines) == 3
    assert {line.behaviour for line in lines} == {"flexible", "rigid"}
    assert sum(bool(line.closers) for line in lines) == 2
    assert any(not c.reversible for line in lines for c in line.corners)
    codes = [a.code for line in lines for a in line.articles]
    assert len(codes) == len(set(codes))


def test_shipped_sizes_are_not_those_of_the_trade_example() -> None:
    """The sizes of the worked example live in tests/test_fit.py only."""
    sizes = {round(inches * 25_400) for inches in (48, 46.75, 7.25, 4)}
    for line in map(load_line, shipped_lines()):
        used = {s.laying_um for s in line.straights} | {s.nominal_um for s in line.straights}
        used |= {c.arriving_um for c in line.corners} | {c.leaving_um for c in line.corners}
        used |= {e.laying_um for e in line.ends}
        assert not used & sizes


def test_shipped_arms_are_positive_on_the_laying_line() -> None:
    for line in map(load_line, shipped_lines()):
        for corner in line.corners:
            shift = line.depth_um / 2 * math.tan(math.radians(corner.greatest_deg) / 2)
            arm = min(corner.arriving_um, corner.leaving_um)
            assert arm - (shift if corner.measured_on == "outer" else 0) > 0


def test_load_line_by_key_and_by_path() -> None:
    for key, path in shipped_lines().items():
        assert load_line(key) == load_line(path) == load_line(str(path))


def test_unknown_line_names_the_nearest_and_all(tmp_path: Path) -> None:
    with pytest.raises(
        UsageError, match=r'no product line "rigid-90mm".*Did you mean "rigid-900mm"'
    ) as caught:
        load_line("rigid-90mm")
    assert all(key in str(caught.value) for key in shipped_lines())
    with pytest.raises(DataError, match="no such file"):
        load_line(tmp_path / "none.toml")
    with pytest.raises(DataError, match="no such file"):
        load_line("none.toml")


def test_every_key_is_documented() -> None:
    """docs/product-lines.md explains every key of the file format."""
    from siteplan import catalog

    page = (Path(__file__).parent.parent / "docs" / "product-lines.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`(\w+)`", page))
    for model in (
        catalog.LineTable,
        catalog.JointTable,
        catalog.CurveTable,
        catalog.CuttingTable,
        catalog.StraightTable,
        catalog.CornerTable,
        catalog.EndTable,
    ):
        assert set(model.model_fields) <= named, set(model.model_fields) - named
