"""The crew page in a real browser: a day's work on a phone, opened from disk with the network off."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pypdfium2
import pytest

from siteplan.errors import UsageError
from siteplan.sheets.revision import plan_hash
from siteplan.units import format_lengths, parse_um

from .browser import DESKTOP, PHONE, Visit, visit
from .make_crew import PAYLOADS, held, page_bytes, page_file, piece_ids
from .make_sheets import Plan, plan_of, sample
from .make_sites import kidney, rectangle

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.browser

CREW = Path(__file__).resolve().parent.parent / "siteplan" / "crew"
SCRIPTS = ("crew_plan.js", "crew_words.js", "crew_field.js")


@pytest.fixture(scope="module")
def larkspur(sample_data: Path) -> Plan:
    return sample(sample_data / "larkspur_close")


@pytest.fixture(scope="module")
def larkspur_file(larkspur: Plan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return page_file(tmp_path_factory.mktemp("crew"), larkspur, revision="B, for tender")


@pytest.fixture
def opened(browser: Browser) -> Iterator[Any]:
    """Opens pages, each on a phone of its own; afterwards none complained or asked for anything."""
    visits: list[Visit] = []

    def open_page(path: Path, device: dict[str, Any] = PHONE) -> Page:
        visits.append(visit(browser, path, device))
        return visits[-1].page

    yield open_page
    for seen in visits:
        assert [u for u in seen.outside if not u.startswith("blob:")] == []
        assert seen.said == []
        assert seen.page.evaluate("window.pwned") is None
        seen.page.context.close()


def text(page: Page, where: str) -> str:
    return " ".join(page.locator(where).first.inner_text().split())


def tab(page: Page, to: str) -> None:
    page.locator(f"#tabs [data-to={to}]").click()


def key(page: Page, words: str, inside: str = "body") -> None:
    page.locator(inside).get_by_role("button", name=words, exact=True).first.click()


def lay(page: Page, run: str) -> None:
    page.get_by_role("button", name=f"Lay run {run}", exact=True).click()


def saved(page: Page, where: str = "#save-now") -> dict[str, Any]:
    with page.expect_download() as waiting:
        page.locator(where).click()
    name = waiting.value.suggested_filename
    assert re.fullmatch(r"field-[A-Za-z0-9-]+-[0-9a-f]{8}-[0-9a-f]{8}-\d{8}-\d{4}\.json", name), name
    made: dict[str, Any] = json.loads(Path(str(waiting.value.path())).read_text(encoding="utf-8"))
    return made


def still(page: Page) -> None:
    """Wait until the map has come to rest."""
    seen = None
    for _ in range(100):
        now = page.evaluate(
            "[document.getElementById('bar-text').textContent, ...['bar', 'map'].flatMap((id) => {"
            " const b = document.getElementById(id).getBoundingClientRect();"
            " return [b.x, b.y, b.width, b.height]; })]"
        )
        if now == seen:
            return
        seen = now
        page.wait_for_timeout(60)


def text_of(file: dict[str, Any] | str) -> str:
    return file if isinstance(file, str) else json.dumps(file)


def give(page: Page, *files: dict[str, Any] | str) -> str:
    """Open field files in the page, and what it says of them."""
    tab(page, "file")
    payloads: list[Any] = [
        {"name": f"f{k}.json", "mimeType": "application/json", "buffer": text_of(one).encode()}
        for k, one in enumerate(files)
    ]
    page.set_input_files(".pick input", payloads)
    page.wait_for_selector("dialog[open]")
    said = text(page, "dialog")
    key(page, "Close", "dialog")
    return said


# ---------------------------------------------------------------- a day's work


def test_a_day_of_work(opened: Any, larkspur: Plan, larkspur_file: Path) -> None:
    """Open, find a bed, lay, undo, note, reload, save, and another phone takes it in."""
    page = opened(larkspur_file)
    assert "Before anybody digs" in text(page, "#panel")
    assert "811" in text(page, ".cautions")
    page.fill("[data-hold=find]", "c2")
    pieces, runs = larkspur.result.pieces, larkspur.plan.runs
    assert page.locator(".run-row").count() == sum(str(r).startswith("C2-") for r in runs.run_id)
    lay(page, "C2-2")
    mine = [k for k, p in enumerate(pieces.piece_id) if str(p).startswith("C2-2-")]
    assert text(page, ".call-kind") == "Next: End unit"
    assert text(page, ".call-code") == pieces.code[mine[0]] == "F-E"
    length = format_lengths([int(pieces.to_um[mine[0]] - pieces.from_um[mine[0]])], "ft")[0]
    assert text(page, ".call-length") == length
    assert f"Piece {pieces.piece_id[mine[0]]}" in text(page, ".call-notes")

    for _ in range(3):
        key(page, "Laid")
    assert "3 of 19 laid" in text(page, ".card-run")
    key(page, "Undo")
    assert "2 of 19 laid" in text(page, ".card-run")
    assert f"Piece {pieces.piece_id[mine[2]]}" in text(page, ".call-notes")

    # to the corner: large, by word, sign and turn
    while "corner" not in text(page, ".call-kind"):
        key(page, "Piece after")
    assert text(page, ".call-kind") == "Outside corner at B"
    assert text(page, ".call-turn") == "Turn left 90°"
    key(page, "List")
    assert "length as laid" in str(page.get_attribute('[data-hold="length run C2-2"]', "placeholder"))
    page.fill('[data-hold="length run C2-2"]', "91' 6-1/2\"")
    assert "than planned" in text(page, ".length [role=status]")
    page.fill('[data-hold="length leg C2-2-1"]', "about forty")
    assert "Not read as a length" in page.locator(".leg .length [role=status]").first.inner_text()
    page.locator("#panel h2").click()
    key(page, "Start work")
    key(page, "Add a note…")
    page.fill("dialog textarea", "tree root at <b>10 ft</b>")
    key(page, "Keep", "dialog")
    key(page, "Broken or extra pieces…")
    page.fill('dialog [aria-label="How many"]', "2")
    page.fill('dialog [aria-label="Why, where"]', "dropped")
    key(page, "Keep", "dialog")
    key(page, "Tick this leg", ".leg >> nth=1")
    assert "2 of 2 laid" in page.locator(".leg").nth(1).inner_text()
    tab(page, "left")
    page.fill('[data-hold="left F-2000"]', "17")
    page.locator("#panel h3").first.click()

    page.reload()
    page.wait_for_selector("html[data-ready]")
    page.fill("[data-hold=find]", "C2-2")
    assert "15 of 19 left" in text(page, ".run-row")
    page.locator(".run-open").click()
    assert "tree root at <b>10 ft</b>" in text(page, ".notes")
    assert page.input_value('[data-hold="length run C2-2"]') == "91' 6-1/2\""
    key(page, "Stop work")

    field = saved(page)
    assert page.locator("#save-now").is_hidden()
    assert field["format"] == "siteplan field file"
    assert field["version"] == 1
    assert field["plan"] == plan_hash(larkspur.site, larkspur.plan, larkspur.result)
    assert field["revision"] == "B, for tender"
    assert field["units"] == "ft"
    by_id = {str(p): k for k, p in enumerate(pieces.piece_id)}
    lonlat = larkspur.site.frame.wgs84(pieces.xy)
    assert len(field["ticks"]) == 5
    assert [t["laid"] for t in field["ticks"]] == [True, True, False, True, True]
    for tick in field["ticks"]:
        k = by_id[tick["piece"]]
        assert (tick["from_um"], tick["to_um"]) == (pieces.from_um[k], pieces.to_um[k])
        assert tick["code"] == pieces.code[k]
        assert tick["run"] == "C2-2"
        assert [tick["lon"], tick["lat"]] == pytest.approx(lonlat[k].tolist(), abs=1.1e-8)
        assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d[+-]\d\d:\d\d", tick["when"])
    assert [(x["what"], x["text"]) for x in field["lengths"]] == [
        ("run", "91' 6-1/2\""),
        ("leg", "about forty"),
    ]
    assert [(x["code"], x["count"], x["text"]) for x in field["broken"]] == [("F-2000", 2, "dropped")]
    assert [(x["code"], x["count"]) for x in field["leftover"]] == [("F-2000", 17)]
    assert len(field["times"]) == 1
    assert field["times"][0]["stop"] > field["times"][0]["start"]
    assert [r["run"] for r in field["runs"]] == ["C2-2"]

    # the second phone laid something else, and takes the first one's file
    other = opened(larkspur_file)
    lay(other, "C4-1")
    key(other, "Laid")
    assert "5 ticks and 6 other entries are new here" in give(other, field)
    assert "0 ticks and 0 other entries are new here; 11 were known" in give(other, field)
    both = saved(other)
    assert len(both["ticks"]) == 6
    assert {t["by"] for t in both["ticks"]} == {field["phone"], both["phone"]}
    assert both["lengths"] == field["lengths"]
    # and back: the first phone learns the one tick, and keeps its own undone one
    assert "1 tick and 0 other" in give(page, both)
    assert [t for t in saved(page)["ticks"] if not t["laid"]] == [t for t in field["ticks"] if not t["laid"]]


def test_a_finished_run_asks_for_the_file(opened: Any, larkspur_file: Path) -> None:
    page = opened(larkspur_file)
    page.locator(".run-open").first.click()
    run = text(page, "#panel h2 bdi")
    key(page, "Tick the whole run")
    assert f"All pieces of run {run} are ticked" in text(page, "dialog")
    with page.expect_download():
        key(page, "Save file", "dialog")
    assert "Whole run is laid" in text(page, "#panel")
    key(page, "Take back all its ticks")
    key(page, "Take back", "dialog")
    assert "Tick the whole run" in text(page, "#panel")
    assert page.locator("#save-now").is_visible()


def test_another_piece_than_planned(opened: Any, larkspur_file: Path) -> None:
    page = opened(larkspur_file)
    lay(page, "C2-2")
    key(page, "Other piece…")
    page.select_option("dialog select", "F-2000")
    page.fill('dialog [aria-label="Cut to"]', "1' 3\"")
    key(page, "Laid so", "dialog")
    other = saved(page)
    tick = other["ticks"][0]
    assert (tick["used"], tick["cut"], tick["code"]) == ("F-2000", "1' 3\"", "F-E")


def test_a_length_taken_out_leaves_none(opened: Any, larkspur_file: Path) -> None:
    """An older length must not stand again when the last one is taken out."""
    page = opened(larkspur_file)
    page.locator(".run-open").first.click()
    box = "#panel > .length input"
    for written in ("12 m", "13 m", ""):
        page.fill(box, written)
        page.locator("#panel h2").click()
    assert page.locator("#panel > .length [role=status]").inner_text().startswith("planned")
    page.reload()
    page.wait_for_selector("html[data-ready]")
    page.locator(".run-open").first.click()
    assert page.input_value(box) == ""
    lengths = saved(page)["lengths"]
    assert [(x["text"], x["removed"]) for x in lengths] == [("12 m", True), ("13 m", True)]


def test_sharing_where_the_browser_shares(browser: Browser, larkspur_file: Path) -> None:
    """A browser that shares text files but no .json, as the Web Share list of types has it."""
    context = browser.new_context(offline=True, **PHONE)
    page = context.new_page()
    page.add_init_script(
        "navigator.canShare = (d) => d.files.every((f) => f.name.endsWith('.txt'));"
        "navigator.share = async (d) => { window.shared_ = [d.files[0].name, await d.files[0].text()]; };"
    )
    page.goto(larkspur_file.as_uri())
    page.wait_for_selector("html[data-ready]")
    lay(page, "C2-2")
    key(page, "Laid")
    tab(page, "file")
    key(page, "Share file")
    page.wait_for_selector("#save-now", state="hidden")
    name, written = page.evaluate("window.shared_")
    assert name.endswith(".json.txt")
    assert len(json.loads(written)["ticks"]) == 1
    context.close()


# ---------------------------------------------------------------- field files of others


def empty_file(of: Plan, **values: Any) -> dict[str, Any]:
    lists = ("ticks", "lengths", "notes", "broken", "extra", "leftover", "times")
    return {
        "format": "siteplan field file", "version": 1, "site": of.site.settings.name,
        "plan": plan_hash(of.site, of.plan, of.result), "revision": "", "phones": {"aaaaaaaa": "Ana"},
        **{name: [] for name in lists}, **values,
    }  # fmt: skip


def tick_of(plan: Plan, k: int, when: str, *, laid: bool = True, by: str = "aaaaaaaa") -> dict[str, Any]:
    pieces = plan.result.pieces
    lon, lat = plan.site.frame.wgs84(pieces.xy[k : k + 1])[0].tolist()
    return {
        "piece": str(pieces.piece_id[k]), "run": str(plan.plan.runs.run_id[pieces.run[k]]),
        "code": str(pieces.code[k]), "kind": "section", "from_um": int(pieces.from_um[k]),
        "to_um": int(pieces.to_um[k]), "lon": lon, "lat": lat, "laid": laid, "when": when, "by": by,
    }  # fmt: skip


def test_bad_files_are_told_and_change_nothing(opened: Any, larkspur: Plan, larkspur_file: Path) -> None:
    page = opened(larkspur_file)
    good = empty_file(larkspur, ticks=[tick_of(larkspur, 0, "2026-05-01T10:00:00-05:00")])
    whole = json.dumps(good)
    assert "cut short" in give(page, whole[: len(whole) // 2])
    assert "not a field file" in give(page, {"format": "something else"})
    assert "of version 2" in give(page, {**good, "version": 2})
    assert "another site: Elsewhere" in give(page, {**good, "site": "Elsewhere"})
    bad = [{**good["ticks"][0], "from_um": "0"}, {**good["ticks"][0], "when": "yesterday"}]
    said = give(page, {**good, "ticks": [good["ticks"][0], *bad]})
    assert 'ticks, record 2: "from_um" is missing or not usable' in said
    assert 'ticks, record 3: "when"' in said
    assert "Nothing of it was taken" in said
    assert '"notes" is missing' in give(page, {k: v for k, v in good.items() if k != "notes"})
    assert "183 pieces left of 183" in text(page, "#which")
    assert page.locator("#save-now").is_hidden()
    # a byte order mark does no harm
    assert "1 tick and 0 other" in give(page, "\ufeff" + whole)


def test_a_file_of_an_older_plan(opened: Any, larkspur: Plan, larkspur_file: Path) -> None:
    """Only what stands for the same piece at the same place: the rest is told."""
    when = "2026-05-01T10:00:00-05:00"
    ticks = [tick_of(larkspur, k, when) for k in range(4)]
    ticks[1]["lat"] += 0.05 / 111_320  # 50 mm away
    ticks[2]["code"] = "OLD"
    ticks[3]["lat"] += 0.015 / 111_320  # 15 mm: within the tolerance
    ticks.append({**ticks[0], "piece": "GONE-1-1-01"})
    page = opened(larkspur_file)
    said = give(page, empty_file(larkspur, plan="0" * 64, revision="A", ticks=ticks))
    assert "of another plan of this site (000000000000, revision A)" in said
    assert "2 ticks and 0 other" in said
    assert "3 entries not taken" in said
    assert [t["piece"] for t in saved(page)["ticks"]] == [ticks[0]["piece"], ticks[3]["piece"]]


def test_ticks_of_beds_the_page_does_not_show_are_kept(opened: Any, larkspur: Plan, tmp_path: Path) -> None:
    page = opened(page_file(tmp_path, larkspur, beds=["C2"]))
    pieces = larkspur.result.pieces
    other = next(k for k, p in enumerate(pieces.piece_id) if not str(p).startswith("C2-"))
    give(page, empty_file(larkspur, ticks=[tick_of(larkspur, other, "2026-05-01T10:00:00Z")]))
    page.reload()
    page.wait_for_selector("html[data-ready]")
    assert [t["piece"] for t in saved(page)["ticks"]] == [str(pieces.piece_id[other])]


def merged(files: list[dict[str, Any]]) -> tuple[dict[str, Any], dict[str, Any]]:
    """The rules of docs/crew-page.md, written a second time."""
    from datetime import datetime

    def instant(record: dict[str, Any]) -> float:
        return datetime.fromisoformat(record["when"]).timestamp()

    ticks: dict[str, Any] = {}
    notes: dict[str, Any] = {}
    for file in files:
        for tick in file["ticks"]:
            old = ticks.get(tick["piece"])
            rank = (instant(tick), tick["laid"], tick["by"])
            if old is None or rank > (instant(old), old["laid"], old["by"]):
                ticks[tick["piece"]] = tick
        for note in file["notes"]:
            old = notes.get(note["id"])
            rank = (instant(note), note["removed"], note["by"])
            if old is None or rank > (instant(old), old["removed"], old["by"]):
                notes[note["id"]] = note
    return ticks, notes


def test_merging_against_the_rules(opened: Any, larkspur: Plan, larkspur_file: Path) -> None:
    """Files of three phones in random order: the page and the rules agree, and order does not matter."""
    rng = np.random.default_rng(11)
    files = []
    for phone in ("aaaaaaaa", "bbbbbbbb", "cccccccc"):
        ticks = []
        for k in range(12):
            hour = int(rng.integers(8, 11))
            # the same instant in two offsets too
            when = (
                f"2026-05-01T{hour:02d}:00:00-05:00"
                if rng.random() < 0.5
                else f"2026-05-01T{hour + 5:02d}:00:00Z"
            )
            ticks.append(tick_of(larkspur, k, when, laid=bool(rng.random() < 0.6), by=phone))
        notes = [
            {
                "id": f"x-{k}", "what": "site", "of": "", "run": "", "text": f"{phone} {k}",
                "when": f"2026-05-01T{int(rng.integers(8, 10)):02d}:00:00Z", "by": phone,
                "removed": bool(rng.random() < 0.3),
            }
            for k in range(6)
        ]  # fmt: skip
        files.append(empty_file(larkspur, ticks=ticks, notes=notes))
    wanted, wanted_notes = merged(files)
    results = []
    for order in ([0, 1, 2], [2, 0, 1, 0]):
        page = opened(larkspur_file)
        give(page, *(files[k] for k in order))
        results.append(saved(page))
    for found in results:
        assert {t["piece"]: t for t in found["ticks"]} == wanted
        assert {n["id"]: n for n in found["notes"]} == wanted_notes


# ---------------------------------------------------------------- lengths: a second path


def in_script(page: Page, data: dict[str, Any], expression: str, argument: Any) -> Any:
    """An expression evaluated among the page's own functions, with other data."""
    source = "".join((CREW / name).read_text(encoding="utf-8") for name in SCRIPTS)
    page.evaluate(
        "(data) => { document.body.innerHTML = ''; const s = document.createElement('script');"
        " s.type = 'application/json'; s.id = 'crew-plan'; s.textContent = data; document.body.append(s); }",
        json.dumps(data),
    )
    return page.evaluate(f"(argument) => {{ {source}\n return {expression}; }}", argument)


@pytest.mark.parametrize(("units", "fraction"), [("m", 8), ("ft", 8), ("ft", 16), ("ft", 2), ("ft", 64)])
def test_lengths_are_written_as_everywhere(
    browser: Browser, larkspur: Plan, units: str, fraction: int
) -> None:
    rng = np.random.default_rng(3)
    um = [0, 1, 499, 500, 501, 1587, 1588, 3_174, 3_175, 304_800, 999_500, 10**10 + 1]
    um += (
        [-v for v in um]
        + rng.integers(-(10**9), 10**9, 3000).tolist()
        + (np.arange(2000) * 1587.5).astype(int).tolist()
    )
    data = {**held(page_bytes(larkspur)), "units": units, "inch_fraction": fraction}
    page = browser.new_page()
    made = in_script(page, data, "argument.map(lengthText)", um)
    page.close()
    assert made == format_lengths(um, units, denominator=fraction)  # type: ignore[arg-type]


def test_lengths_are_read_as_everywhere(browser: Browser, larkspur: Plan) -> None:
    texts = [
        "3.81 m", "250 mm", "12.5 ft", "41 ftUS", "12' 6-1/2\"", "6 1/2 in", "12 ft 6 in", "12'6\"",
        "7\"", "5'", "-3 m", "\u22123 m", "12\u2032 6\u2033", "1e3 mm", "0.5 yd", "3/4 in",
        "12' 6 1/2''", " 4 M ", "2 km", "12' 12\"", "12.5' 6\"", "6.5 1/2 in", "3", "12-6", "", "abc",
        "3 furlongs", "5 constructor", "1/0 in", "m", "3 m 2", "12 ft 6 1/2", "0 m", "1" * 70 + " m",
        "12'-6\"", "3..4 m", "5' 6", ".5 m", "5. m",
    ]  # fmt: skip
    page = browser.new_page()
    made = in_script(page, held(page_bytes(larkspur)), "argument.map(parseLength)", texts)
    page.close()
    for written, um in zip(texts, made, strict=True):
        try:
            wanted: int | None = parse_um(written)
        except UsageError:
            wanted = None
        assert um == wanted, written


# ---------------------------------------------------------------- hostile, odd and empty plans


def test_hostile_names_are_shown_as_they_are(opened: Any, tmp_path: Path) -> None:
    rings = {name: rectangle(5, 4, at=(12 * k, 0)) for k, name in enumerate(PAYLOADS)}
    plan = plan_of(tmp_path, rings, name="</h2><img src=x onerror=window.pwned=2>" + "n" * 260)
    site = replace(plan.site, settings=plan.site.settings.model_copy(update={"name": " ".join(PAYLOADS)}))
    page = opened(
        page_file(tmp_path, Plan(site, plan.measures, plan.plan, plan.result), revision=PAYLOADS[3])
    )
    assert page.locator(".beds h2 > bdi:first-child").all_text_contents() == PAYLOADS
    assert page.locator("#site").inner_text().split() == " ".join(PAYLOADS).split()
    for k in range(len(PAYLOADS)):
        tab(page, "runs")
        page.locator(".run-row .main").nth(k).click()
        assert page.locator(".card-run bdi").inner_text() == f"{PAYLOADS[k]}-1"
        key(page, "Laid")
        narrow(page)
    key(page, "List")
    narrow(page)
    field = saved(page)
    assert [t["piece"] for t in field["ticks"]] == [f"{name}-1-1-01" for name in PAYLOADS]
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    assert page.locator("#paper h2 bdi:first-child").all_text_contents() == [f"{n}-1" for n in PAYLOADS]
    for tag in ("img:not(#picture)", "script:not([type])"):
        assert page.locator(tag).count() == (0 if "img" in tag else 1)


def narrow(page: Page) -> None:
    """Nothing is wider than the phone."""
    over = page.evaluate(
        "[...document.querySelectorAll('body, body *')].filter(e => e.offsetParent &&"
        " !e.closest('#map, #site, .card-run bdi') && e.getBoundingClientRect().right > innerWidth + 1)"
        ".map(e => e.tagName + '.' + e.className)"
    )
    assert over == []


def test_a_plan_without_pieces(opened: Any, tmp_path: Path) -> None:
    angle = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    ring = 0.35 * np.column_stack([np.cos(angle), np.sin(angle)])
    plan = plan_of(tmp_path, {"tiny": ring}, line="rigid-900mm")
    page = opened(page_file(tmp_path, plan))
    assert "0 pieces left of 0" in text(page, "#which")
    assert "not met" in text(page, ".run-row")
    lay(page, "tiny-1")
    assert "No piece of this run can be laid as planned" in text(page, "#card")
    key(page, "List")
    assert "Not met: tiny-1-1" in text(page, "#panel")
    for to in ("map", "left", "file", "runs"):
        tab(page, to)
    narrow(page)


def test_a_site_of_one_bed_laid_from_the_far_end(opened: Any, tmp_path: Path) -> None:
    plan = plan_of(tmp_path, {"B": rectangle(9, 5)})
    far = replace(plan.result, rules=replace(plan.result.rules, lay_from="far"))
    path = page_file(tmp_path, Plan(plan.site, plan.measures, plan.plan, far))
    page = opened(path)
    lay(page, "B-1")
    last = str(plan.result.pieces.piece_id[-1])
    assert f"Piece {last}" in text(page, ".call-notes")
    turns = []
    for _ in range(len(plan.result.pieces)):
        if "corner" in text(page, ".call-kind"):
            turns.append((text(page, ".call-kind").split(" at ")[0], text(page, ".call-turn")))
        key(page, "Piece after")
    # backwards the bed is on the right, and an outside corner turns right
    assert [t for t in turns if "Begin" not in t[1]].count(("Outside corner", "Turn right 90°")) >= 3
    key(page, "List")
    assert "bed is on your right" in text(page, "#panel")


def test_flow_of_a_whole_run_on_paper_and_page(opened: Any, tmp_path: Path) -> None:
    """The order the page calls pieces in is the order of the plan."""
    plan = plan_of(tmp_path, {"K": kidney()})
    page = opened(page_file(tmp_path, plan))
    lay(page, "K-1")
    seen = []
    while not page.locator("dialog[open]").count():
        found = re.search(r"Piece (\S+)", text(page, ".call-notes"))
        assert found
        seen.append(found[1])
        key(page, "Laid")
    assert seen == list(map(str, plan.result.pieces.piece_id))


@pytest.mark.slow
def test_random_acts(opened: Any, larkspur: Plan, larkspur_file: Path) -> None:
    """Ticks, legs, runs, undos, other pieces, reloads and files, against a model of what is laid."""
    rng = np.random.default_rng(7)
    ids = [str(p) for p in larkspur.result.pieces.piece_id]
    legs = larkspur.result.pieces.leg
    runs = list(map(str, larkspur.plan.runs.run_id))
    of_run = {r: [k for k in range(len(ids)) if ids[k].startswith(f"{r}-")] for r in runs}
    laid: dict[int, bool] = dict.fromkeys(range(len(ids)), False)
    stack: list[dict[int, bool]] = []
    page = opened(larkspur_file)

    def put(rows: list[int], value: bool) -> None:
        rows = [k for k in rows if laid[k] != value]
        if rows:
            stack.append({k: laid[k] for k in rows})
            laid.update(dict.fromkeys(rows, value))

    def shut() -> None:
        if page.locator("dialog[open]").count():
            key(page, "Later", "dialog")

    for turn in range(250):
        run = runs[int(rng.integers(len(runs)))]
        tab(page, "runs")
        if page.locator(".page-head").count():
            key(page, "‹ Runs")
        act = rng.choice(["next", "next", "piece", "leg", "run", "back", "undo", "reload", "file"])
        if act == "next":
            lay(page, run)
            open_ = [k for k in of_run[run] if not laid[k]]
            if open_:
                key(page, "Laid")
                put([open_[0]], True)
                shut()
        elif act == "reload":
            page.reload()
            page.wait_for_selector("html[data-ready]")
            stack.clear()
        elif act == "file":
            before = saved(page) if page.locator("#save-now").is_visible() else None
            if before:
                give(page, before)
                stack.clear()
        elif act == "undo" and stack:
            tab(page, "map")
            key(page, "Undo")
            laid.update(stack.pop())
        elif act in ("piece", "leg", "run", "back"):
            page.locator(f'.run-open:has(bdi:text-is("{run}"))').click()
            k = of_run[run][int(rng.integers(len(of_run[run])))]
            if act == "piece":
                page.locator(".piece").nth(of_run[run].index(k)).click()
                put([k], not laid[k])
            elif act == "leg":
                nth = int(legs[k] - legs[of_run[run][0]])
                rows = [j for j in of_run[run] if legs[j] == legs[k]]
                if not all(laid[j] for j in rows):
                    key(page, "Tick this leg", f".leg >> nth={nth}")
                put(rows, True)
            elif act == "run" and not all(laid[j] for j in of_run[run]):
                key(page, "Tick the whole run")
                put(of_run[run], True)
            elif act == "back" and any(laid[j] for j in of_run[run]):
                key(page, "Take back all its ticks")
                key(page, "Take back", "dialog")
                put(of_run[run], False)
            shut()
        left = len(ids) - sum(laid.values())
        assert f"{left} piece" in text(page, "#which"), (turn, act, run)
    tab(page, "file")
    with page.expect_download() as waiting:
        key(page, "Save file", "#panel")
    field = json.loads(Path(str(waiting.value.path())).read_text(encoding="utf-8"))
    assert {t["piece"] for t in field["ticks"] if t["laid"]} == {ids[k] for k in laid if laid[k]}


# ---------------------------------------------------------------- a browser that keeps nothing; a position


def test_without_storage_everything_works_and_is_told(browser: Browser, larkspur_file: Path) -> None:
    context = browser.new_context(offline=True, **PHONE)
    page = context.new_page()
    page.add_init_script(
        "Object.defineProperty(window, 'localStorage',"
        " { get() { throw new DOMException('no', 'SecurityError'); } })"
    )
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.goto(larkspur_file.as_uri())
    page.wait_for_selector("html[data-ready]")
    assert "keeps nothing" in text(page, "#told")
    lay(page, "C2-2")
    key(page, "Laid")
    assert len(saved(page)["ticks"]) == 1
    tab(page, "file")
    assert "save a file before you close" in text(page, "#panel .loud")
    assert errors == []
    context.close()


def test_a_full_store_is_told(browser: Browser, larkspur_file: Path) -> None:
    context = browser.new_context(offline=True, **PHONE)
    page = context.new_page()
    page.goto(larkspur_file.as_uri())
    page.wait_for_selector("html[data-ready]")
    # everything but a few characters of the five million
    page.evaluate(
        "() => { let t = 'x'.repeat(1 << 20), n = 0; while (t.length) {"
        " try { localStorage.setItem('f' + n++, t); } catch { t = t.slice(0, t.length >> 1); } } }"
    )
    lay(page, "C2-2")
    key(page, "Laid")
    tab(page, "file")
    assert "its store is full" in text(page, "#panel .loud")
    assert len(saved(page)["ticks"]) == 1
    context.close()


def test_two_windows_of_one_phone(browser: Browser, larkspur_file: Path) -> None:
    context = browser.new_context(offline=True, **PHONE)
    pages = []
    for _ in range(2):
        page = context.new_page()
        page.goto(larkspur_file.as_uri())
        page.wait_for_selector("html[data-ready]")
        lay(page, "C2-2")
        pages.append(page)
    key(pages[0], "Laid")
    for _ in range(50):
        if "1 of 19 laid" in text(pages[1], ".card-run"):
            break
        pages[1].wait_for_timeout(50)
    assert "1 of 19 laid" in text(pages[1], ".card-run")
    key(pages[1], "Piece after")
    key(pages[1], "Laid")
    assert len(saved(pages[1])["ticks"]) == 2
    context.close()


def test_two_windows_that_do_not_hear_each_other_keep_the_notes_of_both(
    browser: Browser, larkspur_file: Path
) -> None:
    """A window asleep in the background hears of the other's notes late; what it writes leaves them in."""
    context = browser.new_context(offline=True, **PHONE)
    context.add_init_script("addEventListener('storage', (event) => event.stopImmediatePropagation())")
    pages = []
    for _ in range(2):
        page = context.new_page()
        page.goto(larkspur_file.as_uri())
        page.wait_for_selector("html[data-ready]")
        pages.append(page)
        lay(page, "C2-2")
        key(page, "List")
    for k, words in ((0, "first"), (1, "second"), (0, "third")):
        key(pages[k], "Add a note…")
        pages[k].locator("dialog textarea").fill(words)
        key(pages[k], "Keep", "dialog")
    # the second window has not heard of the third note: what it writes to a file has it all the same
    assert "2 not in a file" in text(pages[1], "#save-now")
    assert {note["text"] for note in saved(pages[1])["notes"]} == {"first", "second", "third"}
    # so nothing is left to save
    pages[0].reload()
    pages[0].wait_for_selector("html[data-ready]")
    assert pages[0].locator("#save-now").is_hidden()
    context.close()


def test_position(browser: Browser, larkspur: Plan, larkspur_file: Path) -> None:
    lon, lat = larkspur.site.frame.wgs84(larkspur.site.bed_shapes.xy.mean(axis=0)[None])[0].tolist()
    place: Any = {"longitude": lon, "latitude": lat, "accuracy": 7}
    for geolocation, allowed, wanted in (
        (None, [], "The position is not allowed for this page. Find the bed on the map by hand."),
        (place, ["geolocation"], "The phone thinks it is here, within 7 m"),
        ({**place, "latitude": lat + 1}, ["geolocation"], "outside the plan"),
    ):
        known: dict[str, Any] = {**PHONE, "geolocation": geolocation, "permissions": allowed}
        context = browser.new_context(offline=True, **known)
        page = context.new_page()
        page.goto(larkspur_file.as_uri())
        page.wait_for_selector("html[data-ready]")
        tab(page, "map")
        page.locator("#locate").click()
        for _ in range(100):
            if wanted in text(page, "#told"):
                break
            page.wait_for_timeout(50)
        assert wanted in text(page, "#told")
        if wanted.endswith("7 m"):
            # the dot stands in the middle of the map
            dot, box = page.locator("#here").bounding_box(), page.locator("#map").bounding_box()
            assert dot
            assert box
            assert dot["x"] + dot["width"] / 2 == pytest.approx(box["x"] + box["width"] / 2, abs=1.5)
            assert dot["y"] + dot["height"] / 2 == pytest.approx(box["y"] + box["height"] / 2, abs=1.5)
        context.close()


# ---------------------------------------------------------------- the map


def scale_px_per_m(page: Page) -> float:
    """From the bar of scale that is shown."""
    box = page.locator("#bar").bounding_box()
    assert box
    number, unit = text(page, "#bar-text").split()
    return float(box["width"] / (float(number) * {"m": 1, "ft": 0.3048}[unit]))


def test_a_tap_on_a_piece_calls_it_out(opened: Any, larkspur: Plan, larkspur_file: Path) -> None:
    """Places on the screen reckoned from the plan and the bar of scale alone."""
    page = opened(larkspur_file)
    lay(page, "C2-2")
    pieces = larkspur.result.pieces
    first = next(k for k, p in enumerate(pieces.piece_id) if str(p).startswith("C2-2-"))
    still(page)
    box = page.locator("#map").bounding_box()
    assert box
    scale = scale_px_per_m(page)
    for k in (first + 1, first):
        east, north = pieces.xy[k] - pieces.xy[first]
        page.mouse.click(
            box["x"] + box["width"] / 2 + east * scale, box["y"] + box["height"] / 2 - north * scale
        )
        assert f"Piece {pieces.piece_id[k]}" in text(page, ".call-notes")


def test_pan_zoom_and_keys(opened: Any, larkspur_file: Path) -> None:
    page = opened(larkspur_file)
    tab(page, "map")
    still(page)
    whole = scale_px_per_m(page)
    page.locator("#zoom-in").click()
    still(page)
    assert scale_px_per_m(page) > whole * 1.2
    page.locator("#map").focus()
    for pressed in ("ArrowLeft", "ArrowUp", "+", "-"):
        page.keyboard.press(pressed)
    page.locator("#zoom-all").click()
    still(page)
    assert scale_px_per_m(page) == pytest.approx(whole, rel=1e-6)
    # something is drawn: pieces, outlines and names, not an empty sheet
    inked = page.evaluate(
        "() => { const c = document.getElementById('ink'); const d = c.getContext('2d')"
        ".getImageData(0, 0, c.width, c.height).data; let n = 0;"
        " for (let k = 3; k < d.length; k += 4) n += d[k] > 0; return n / (d.length / 4); }"
    )
    assert 0.005 < inked < 0.9


# ---------------------------------------------------------------- fingers, sun, paper


SMALL = """
[...document.querySelectorAll('button, input, select, textarea, summary, .pick')]
  .filter(e => e.offsetParent && !e.closest('.pick input'))
  .map(e => [e.getBoundingClientRect(), e.textContent || e.ariaLabel])
  .filter(([b]) => b.height < 47.9 || b.width < 47.9)
  .map(([b, t]) => `${t}: ${b.width} x ${b.height}`)
"""


@pytest.mark.parametrize("width", [412, 320])
def test_targets_are_large_and_nothing_is_cut_off(opened: Any, larkspur_file: Path, width: int) -> None:
    page = opened(larkspur_file, {**PHONE, "viewport": {"width": width, "height": 700}})
    lay(page, "C2-2")
    for to in ("", "List", "left", "file", "map"):
        if to == "List":
            key(page, to)
        elif to:
            tab(page, to)
        narrow(page)
        assert page.evaluate(SMALL) == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_contrast_serves_the_sun(opened: Any, larkspur_file: Path, scheme: str) -> None:
    """Text at 7 to 1 or more, signs and borders at 3 to 1 (WCAG 2.2, 1.4.6 and 1.4.11)."""
    page = opened(larkspur_file, {**PHONE, "color_scheme": scheme})
    words = (
        "ink/paper soft/paper main-ink/main loud/loud-paper ink/halo ink/done-fill soft/halo soft/done-fill"
    )
    signs = "rule/paper now/paper done/paper todo/paper cut/paper bed-line/ground ink/section ink/closer"
    names = sorted({name for pair in f"{words} {signs}".split() for name in pair.split("/")})
    colours = page.evaluate(
        "names => { const s = getComputedStyle(document.documentElement);"
        " return Object.fromEntries(names.map(n => [n, s.getPropertyValue('--' + n).trim()])); }",
        names,
    )

    def light(name: str) -> float:
        code = colours[name].lstrip("#")
        code = "".join(c * 2 for c in code) if len(code) == 3 else code
        parts = np.array([int(code[k : k + 2], 16) / 255 for k in (0, 2, 4)])
        linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
        return float(linear @ [0.2126, 0.7152, 0.0722])

    def ratio(pair: str) -> float:
        high, low = sorted(map(light, pair.split("/")), reverse=True)
        return (high + 0.05) / (low + 0.05)

    assert {pair: round(ratio(pair), 1) for pair in words.split() if ratio(pair) < 7} == {}
    assert {pair: round(ratio(pair), 1) for pair in signs.split() if ratio(pair) < 3} == {}


def test_printed(browser: Browser, larkspur: Plan, larkspur_file: Path, tmp_path: Path) -> None:
    """All runs with their pieces in laying order, on paper without cut-off rows."""
    context = browser.new_context(offline=True)
    page = context.new_page()
    page.goto(larkspur_file.as_uri())
    page.wait_for_selector("html[data-ready]")
    path = tmp_path / "page.pdf"
    page.pdf(path=path, format="Letter")
    context.close()
    document = pypdfium2.PdfDocument(path)
    words = " ".join(" ".join(sheet.get_textpage().get_text_range().split()) for sheet in document)
    # a hyphen at the end of a line is read as a soft one
    words = words.replace("\ufffe", "-")
    count = len(document)
    document.close()
    ids = piece_ids(held(larkspur_file.read_bytes()))
    at = -1
    for piece in ids:
        at = words.index(piece, at + 1)
    assert "811" in words
    assert "Larkspur Close" in words
    assert 4 <= count <= 14


def test_desk_shows_map_and_list_side_by_side(opened: Any, larkspur_file: Path) -> None:
    page = opened(larkspur_file, DESKTOP)
    assert page.locator("#map").is_visible()
    assert page.locator(".beds").is_visible()
    lay(page, "C2-2")
    key(page, "Laid")
    assert "18 of 19 left" in page.locator(".run-open", has_text="C2-2").inner_text()
    tab(page, "left")
    assert page.locator("#map").is_visible()
