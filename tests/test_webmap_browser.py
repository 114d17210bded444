"""The map page in a real browser: opened from disk, network off, by mouse, by touch and by keyboard."""

from __future__ import annotations

import math
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from siteplan.model import PieceKind
from siteplan.publish.webmap import MapData, write_map

from .browser import DESKTOP, PHONE, Visit, visit
from .make_map import demo_map
from .test_webmap import empty

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.browser

PAYLOADS = [
    "{{7*7}}",
    "${7*7}",
    "</script><script>window.pwned=1</script>",
    "<img src=x onerror=window.pwned=1>",
    "{% raw",
    "{# x #}",
    "`back-ticks` ${window.pwned=1}",
    "\"double\" 'single' \\back",
    "\u202eright to left\u202c \u200fmark\u200e",
    "line\u2028end\u2029s",
    "<!--siteplan:data--><!-- <script>",
    "&lt;b&gt; &amp;amp;",
    "javascript:window.pwned=1",
]


@pytest.fixture(scope="module")
def demo() -> MapData:
    return demo_map()


@pytest.fixture(scope="module")
def demo_file(demo: MapData, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("map") / "map.html"
    write_map(path, demo)
    return path


@pytest.fixture
def opened(browser: Browser) -> Iterator[Any]:
    """Opens pages, and afterwards asserts that none complained or asked for anything."""
    visits: list[Visit] = []

    def open_page(path: Path, device: dict[str, Any] = DESKTOP) -> Page:
        visits.append(visit(browser, path, device))
        return visits[-1].page

    yield open_page
    for seen in visits:
        assert seen.outside == []
        # the browser's advice about the tests' own look at the pixels is no complaint about the page
        assert [text for text in seen.said if not text.startswith("Canvas2D: Multiple readback")] == []
        assert seen.page.evaluate("window.pwned") is None
        seen.page.context.close()


def place_on_screen(page: Page, lonlat: Any) -> tuple[float, float]:
    lon, lat = (float(v) for v in lonlat)
    x, y = page.evaluate(
        "([lon, lat]) => { const p = map_siteplan.latLngToContainerPoint([lat, lon]);"
        " const box = map_siteplan.getContainer().getBoundingClientRect();"
        " return [p.x + box.x, p.y + box.y]; }",
        [lon, lat],
    )
    return float(x), float(y)


def look_at(page: Page, lonlat: Any, zoom: float) -> None:
    lon, lat = (float(v) for v in lonlat)
    page.evaluate(
        "([lon, lat, zoom]) => { map_siteplan.setView([lat, lon], zoom, { animate: false }); }",
        [lon, lat, zoom],
    )


def box_rows(page: Page) -> dict[str, str]:
    words = page.locator("#info dt").all_text_contents()
    return dict(zip(words, page.locator("#info dd").all_text_contents(), strict=True))


def pinned(page: Page) -> str:
    return " ".join((page.locator("#info-title").text_content() or "").split())


def expected_rows(demo: MapData, i: int, kind: str) -> dict[str, str]:
    pieces = demo.pieces
    return {"Kind": kind, "Code": pieces.code[i], "Station": pieces.station[i], "Length": pieces.length[i]}


def first(demo: MapData, kind: PieceKind) -> int:
    return int(np.flatnonzero(demo.pieces.kind == kind)[0])


# ---------------------------------------------------------------- look


def test_hover_tells_about_a_piece(opened: Any, demo: MapData, demo_file: Path) -> None:
    page = opened(demo_file)
    for kind, word in (
        (PieceKind.SECTION, "Section"),
        (PieceKind.CLOSER, "Closer"),
        (PieceKind.CUT, "Cut piece"),
        (PieceKind.CORNER, "Corner unit"),
        (PieceKind.END, "End unit"),
    ):
        i = first(demo, kind)
        look_at(page, demo.pieces.lonlat[i], 23)
        x, y = place_on_screen(page, demo.pieces.lonlat[i])
        page.mouse.move(x + 3, y + 1)
        page.mouse.move(x, y)
        page.wait_for_selector("#info dl", timeout=2000)
        assert pinned(page) == f"Piece {demo.pieces.ids[i]}"
        assert box_rows(page) == expected_rows(demo, i, word)
        page.mouse.move(x, y - 300)


def test_hover_ends_when_the_pointer_leaves_and_a_click_stays(
    opened: Any, demo: MapData, demo_file: Path
) -> None:
    page = opened(demo_file)
    look_at(page, demo.pieces.lonlat[3], 23)
    x, y = place_on_screen(page, demo.pieces.lonlat[3])
    page.mouse.move(x, y)
    page.wait_for_selector("#info", state="visible")
    page.mouse.move(x, y + 200)
    page.wait_for_selector("#info", state="hidden")
    page.mouse.click(x, y)
    page.mouse.move(x + 1, y)
    page.wait_for_timeout(100)
    assert page.locator("#info-steps").is_visible()
    page.mouse.move(x, y + 200)
    page.wait_for_timeout(100)
    assert pinned(page) == f"Piece {demo.pieces.ids[3]}"
    page.keyboard.press("Escape")
    page.wait_for_selector("#info", state="hidden")


def test_a_tap_tells_about_a_piece_on_a_phone(opened: Any, demo: MapData, demo_file: Path) -> None:
    page = opened(demo_file, PHONE)
    i = first(demo, PieceKind.CLOSER)
    look_at(page, demo.pieces.lonlat[i], 22.5)
    page.touchscreen.tap(*place_on_screen(page, demo.pieces.lonlat[i]))
    page.wait_for_selector("#info dl", timeout=2000)
    assert pinned(page) == f"Piece {demo.pieces.ids[i]}"
    assert box_rows(page) == expected_rows(demo, i, "Closer")


def test_other_things_tell_about_themselves(opened: Any, demo: MapData, demo_file: Path) -> None:
    page = opened(demo_file)
    for lonlat, title, said in (
        (demo.abutments.lonlat[:4].mean(axis=0), "Abutment tool house", "wall"),
        (demo.openings.lonlat[0], "Opening gate", "gate 1.2 m wide"),
        (demo.unmet.lonlat[:2].mean(axis=0), "Unmet leg LINE-1-1", "short by 0.412 m"),
        (demo.corners.lonlat[0], "Outside corner", "turn 90.0"),
        (demo.corners.lonlat[3], "Inside corner", "turn 90.0"),
        (demo.beds.lonlat[8:48].mean(axis=0), "Bed B02", "area 120.4 m\u00b2"),
        (demo.runs.lonlat[0], "Run B01-1", "ground length 46.210 m"),
    ):
        look_at(page, lonlat, 18.5 if "corner" in title else 17.5)
        if title.startswith("Run"):
            page.uncheck("input[data-layer=outside]")
        page.mouse.click(*place_on_screen(page, lonlat))
        assert pinned(page) == title
        assert said in (page.locator("#info-rows").text_content() or "")


def canvas_pixels(page: Page, pane: str) -> int:
    """How many pixels of a pane are painted."""
    return int(
        page.evaluate(
            """(pane) => {
              let n = 0;
              for (const canvas of document.querySelectorAll(`.leaflet-${pane}-pane canvas`)) {
                const data = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height).data;
                for (let i = 3; i < data.length; i += 4) { n += data[i] > 0; }
              }
              return n;
            }""",
            pane,
        )
    )


def test_every_layer_can_be_switched_off_and_on(opened: Any, demo: MapData, demo_file: Path) -> None:
    page = opened(demo_file, {"viewport": {"width": 800, "height": 400}})  # small: pixels are counted
    panes = {
        **dict.fromkeys(["section", "closer", "cut", "corner", "end", "outside", "inside"], "pieces"),
        **dict.fromkeys(["beds", "abutments", "openings"], "ground"),
        "runs": "edging",
        "unmet": "problems",
    }
    page.evaluate("map_siteplan._fadeAnimated = false")  # tiles of the view before go at once
    keys = page.locator("#switches input").evaluate_all("boxes => boxes.map((box) => box.dataset.layer)")
    assert sorted(keys) == sorted(panes)
    for key, pane in panes.items():
        look_at(page, middle_of(demo, key), 20)
        painted = []
        for _ in range(2):
            for switch in (page.uncheck, page.check):
                switch(f"input[data-layer={key}]")
                page.wait_for_timeout(60)
                painted.append(canvas_pixels(page, pane))
        assert painted[0] < painted[1], key
        assert painted[:2] == painted[2:], key


def middle_of(demo: MapData, key: str) -> Any:
    if key.upper() in PieceKind.__members__:
        return demo.pieces.lonlat[first(demo, PieceKind[key.upper()])]
    if key in ("outside", "inside"):
        return demo.corners.lonlat[0 if key == "outside" else 3]
    return getattr(demo, key).lonlat[:4].mean(axis=0)


@pytest.mark.parametrize("device", [DESKTOP, PHONE], ids=["desktop", "phone"])
def test_pieces_are_drawn_to_scale(
    opened: Any, demo: MapData, demo_file: Path, device: dict[str, Any]
) -> None:
    """The long side of one footprint on the screen against Web Mercator's own formula.

    EPSG Guidance Note 7-2, Popular Visualisation Pseudo-Mercator (method 1024): the scale at
    latitude phi is 1/cos(phi) of the equator's, 2 pi 6378137 m over 256 x 2^zoom pixels.
    """
    page, i, zoom = opened(demo_file, device), first(demo, PieceKind.END), 23
    look_at(page, demo.pieces.lonlat[i], zoom)
    page.wait_for_timeout(400)
    x, y = place_on_screen(page, demo.pieces.lonlat[i])
    painted = page.evaluate(
        """([x, y]) => {
          const at = (px) => {
            for (const tile of document.querySelectorAll('.leaflet-pieces-pane canvas')) {
              const box = tile.getBoundingClientRect(), fine = tile.width / box.width;
              if (px >= box.left && px < box.right && y >= box.top && y < box.bottom) {
                const ctx = tile.getContext('2d');
                return [...ctx.getImageData((px - box.left) * fine, (y - box.top) * fine, 1, 1).data];
              }
            }
            return [0, 0, 0, 0];
          };
          const out = [];
          for (let px = x - 200; px < x + 200; px += 0.25) { out.push(at(px)); }
          return out;
        }""",
        [x, y + 4],  # beside the sign, still inside the footprint
    )
    colour = np.array(painted, float)
    # the end unit's fill (reddish purple) has more red than blue's green; its neighbour's (sky blue) has not
    own = (colour[:, 3] > 0) & (colour[:, 0] > colour[:, 1] + 30)
    metre = 256 * 2**zoom / (2 * math.pi * 6378137 * math.cos(math.radians(demo.pieces.lonlat[i, 1])))
    shown_px = np.ptp(np.flatnonzero(own)) * 0.25
    assert shown_px == pytest.approx(1.19 * metre, abs=2.5)  # the outline's line, half inside on both sides


def test_pieces_wait_until_they_can_be_told_apart(opened: Any, demo_file: Path) -> None:
    page = opened(demo_file)
    hint = page.get_by_role("button", name="Zoom in to see the pieces")
    assert hint.is_visible()
    assert canvas_pixels(page, "edging") > 0
    page.evaluate("map_siteplan.setZoom(17, { animate: false })")
    page.wait_for_timeout(200)
    assert canvas_pixels(page, "pieces") == 0
    hint.click()
    page.wait_for_timeout(250)
    assert hint.is_hidden()
    assert canvas_pixels(page, "pieces") > 0


def test_beyond_the_limit_the_page_says_so(opened: Any, demo: MapData, tmp_path: Path) -> None:
    write_map(tmp_path / "map.html", demo, piece_limit=1000)
    page = opened(tmp_path / "map.html")
    assert (
        "This plan has 2,514 pieces. The map draws at most 1,000" in page.locator("#look-hint").text_content()
    )
    assert page.locator("input[data-layer=section]").is_disabled()
    assert page.locator(".switch", has_text="Sections").locator(".amount").text_content() == "2,163"
    assert page.get_by_role("button", name="Zoom in to see the pieces").is_hidden()
    look_at(page, demo.pieces.lonlat[0], 23)
    page.wait_for_timeout(200)
    page.mouse.click(*place_on_screen(page, demo.pieces.lonlat[0]))
    assert pinned(page) == "Run B01-1"


def test_a_plan_of_nothing_opens(opened: Any, tmp_path: Path) -> None:
    write_map(tmp_path / "map.html", empty())
    page = opened(tmp_path / "map.html")
    page.get_by_role("tab", name="Check").click()
    assert page.locator("#unmet-none").is_visible()
    assert page.locator("#finding-none").is_visible()
    page.get_by_role("tab", name="Count").click()
    assert page.locator("#count-none").is_visible()


# ---------------------------------------------------------------- check and count


def test_the_lists_lead_to_the_places(opened: Any, demo: MapData, demo_file: Path) -> None:
    page = opened(demo_file)
    page.get_by_role("tab", name="Check").click()
    page.locator("#unmet-list button").click()
    page.wait_for_timeout(150)
    assert pinned(page) == "Unmet leg LINE-1-1"
    inside = "([lon, lat]) => map_siteplan.getBounds().contains([lat, lon])"
    assert all(page.evaluate(inside, p.tolist()) for p in demo.unmet.lonlat)
    page.locator("#finding-list button").click()
    page.wait_for_timeout(150)
    assert pinned(page) == "Look at this"
    where = demo.findings[0].lonlat
    assert where is not None
    x, y = place_on_screen(page, where)
    box = page.locator("#map_siteplan").bounding_box()
    assert (x, y) == pytest.approx((box["x"] + box["width"] / 2, box["y"] + box["height"] / 2), abs=2)
    # a notice without a place is no button
    assert page.locator("#finding-list li").nth(1).locator("button").count() == 0
    assert page.locator("#check-count").text_content() == "2"


def test_the_table_shows_the_numbers_it_was_given(opened: Any, demo: MapData, demo_file: Path) -> None:
    page = opened(demo_file)
    page.get_by_role("tab", name="Count").click()
    rows = page.locator("#count-rows tr")
    got = [
        tuple(rows.nth(i).locator("th .code, th .name, td").all_text_contents()) for i in range(rows.count())
    ]
    words = {0: "Section", 1: "Closer", 2: "Cut piece", 3: "Corner unit", 4: "End unit"}
    assert got == [(r.code, r.name, words[r.kind], r.count, r.order) for r in demo.counts]


# ---------------------------------------------------------------- keyboard, phone, reader


def test_all_of_it_by_keyboard(opened: Any, demo: MapData, demo_file: Path) -> None:
    page = opened(demo_file)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.locator("#tab-look").focus()
    page.keyboard.press("ArrowRight")
    assert page.evaluate("document.activeElement.id") == "tab-check"
    assert page.locator("#pane-check").is_visible()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    page.locator("#find-text").focus()
    page.keyboard.type(str(demo.pieces.ids[10]).lower())
    page.keyboard.press("Enter")
    page.wait_for_timeout(150)
    assert pinned(page) == f"Piece {demo.pieces.ids[10]}"
    page.locator("#info-after").focus()
    page.keyboard.press("Enter")
    assert pinned(page) == f"Piece {demo.pieces.ids[11]}"
    spoken = page.locator("#spoken").text_content()
    assert spoken.startswith(f"Piece {demo.pieces.ids[11]}. Kind ")
    assert demo.pieces.station[11] in spoken
    page.keyboard.press("Escape")
    look_at(page, demo.pieces.lonlat[20], 23)
    page.locator("#map_siteplan").focus()
    page.keyboard.press("Enter")
    assert pinned(page) == f"Piece {demo.pieces.ids[20]}"


def test_the_phone_page_fits_and_its_panel_folds(opened: Any, demo_file: Path) -> None:
    page = opened(demo_file, PHONE)
    toggle = page.get_by_role("button", name="Show layers, checks and counts")
    assert toggle.get_attribute("aria-expanded") == "false"
    full = page.locator("#map_siteplan").bounding_box()
    assert full["height"] > 700
    toggle.tap()
    for tab in ("look", "check", "count"):
        page.locator(f"#tab-{tab}").tap()
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        wide = page.locator("[role=tabpanel]:visible").evaluate("node => node.scrollWidth - node.clientWidth")
        assert wide <= 0
    assert page.locator("#map_siteplan").bounding_box()["height"] > 250
    small = page.locator("button:visible, .switch:visible").evaluate_all(
        "nodes => nodes.filter((n) => n.getBoundingClientRect().height < 32).map((n) => n.textContent)"
    )
    assert small == []  # within the 24 px of WCAG 2.2, 2.5.8, with room for a glove


def test_everything_has_a_name_for_a_screen_reader(opened: Any, demo_file: Path) -> None:
    page = opened(demo_file)
    assert page.evaluate("document.documentElement.lang") == "en"
    for tab in ("look", "check", "count"):
        page.locator(f"#tab-{tab}").click()
        nameless = page.locator(
            "button:visible, input:visible, a:visible, [role=tabpanel]:visible"
        ).evaluate_all(
            "nodes => nodes.filter((n) => !(n.textContent.trim() || n.ariaLabel || n.title"
            " || n.labels?.length || n.getAttribute('aria-labelledby'))).map((n) => n.outerHTML)"
        )
        assert nameless == []
    assert "Map of the plan" in page.locator("#map_siteplan").get_attribute("aria-label")


# ---------------------------------------------------------------- hostile names


@pytest.fixture(scope="module")
def hostile_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("hostile") / "{{7*7}} ${7*7} {% raw <img src=x onerror=window.pwned=1>"
    folder.mkdir()
    path = folder / "`{# x #}` 'map' \"\u202e\u2028.html"
    write_map(path, demo_map(20, names=PAYLOADS, title=" | ".join(PAYLOADS)))
    return path


@pytest.mark.parametrize("device", [DESKTOP, PHONE], ids=["desktop", "phone"])
def test_hostile_names_show_as_written_and_never_run(
    opened: Any, hostile_file: Path, device: dict[str, Any]
) -> None:
    page = opened(hostile_file, device)
    title = " | ".join(PAYLOADS)
    assert page.locator("#title").text_content() == title
    assert page.evaluate("document.title") == title
    if device is PHONE:
        page.locator("#panel-toggle").tap()
    page.get_by_role("tab", name="Count").click()
    shown = page.locator("#count-rows .code").all_text_contents()
    assert shown == PAYLOADS[: len(shown)]
    assert page.locator("#count-rows .name").all_text_contents() == shown
    page.get_by_role("tab", name="Check").click()
    assert page.locator("#unmet-list .said").all_text_contents() == PAYLOADS[:1]
    assert page.locator("#finding-list .said").all_text_contents() == PAYLOADS[:2]
    assert page.evaluate("document.querySelectorAll('img, iframe, object, embed').length") == 0
    assert page.locator("script").count() == 5


def test_hostile_ids_are_found_told_about_and_drawn(opened: Any, hostile_file: Path) -> None:
    page = opened(hostile_file)
    found = page.evaluate(
        """(payloads) => payloads.map((payload) => {
          const $ = (id) => document.getElementById(id), out = [];
          $('find-text').value = payload;
          $('find').requestSubmit();
          for (const hit of [...document.querySelectorAll('#find-hits button')]) {
            hit.click();
            const [word, id] = $('info-title').children;
            const rows = [...document.querySelectorAll('#info dd')].map((node) => node.textContent);
            out.push([word.textContent.trim(), id.textContent, hit.lastChild.textContent, rows]);
          }
          return out;
        })""",
        PAYLOADS,
    )
    for payload, hits in zip(PAYLOADS, found, strict=True):
        own = {word: rows for word, title, hit, rows in hits if title == hit == payload}
        assert {"Bed", "Run", "Piece"} <= set(own), payload
        assert own["Piece"][1] == payload  # its code, spelled the same
    page.wait_for_timeout(300)  # anything that would run late


def test_the_policy_stops_what_gets_in_by_another_way(browser: Browser, demo_file: Path) -> None:
    """Put markup into the finished page as a fault of ours would: it must not run, nor reach out."""
    seen = visit(browser, demo_file, DESKTOP)
    seen.page.evaluate(
        """() => {
          const box = document.createElement('div');
          box.innerHTML = '<img src=x onerror="window.pwned=1">'
            + '<a href="javascript:window.pwned=1" id=bad>x</a>';
          document.body.append(box);
          const script = document.createElement('script');
          script.textContent = 'window.pwned=1';
          document.body.append(script);
        }"""
    )
    reached = seen.page.evaluate("fetch('http://127.0.0.1:9/').then(() => 'reached', () => 'stopped')")
    seen.page.evaluate("document.getElementById('bad').click()")
    seen.page.wait_for_timeout(300)
    assert reached == "stopped"
    assert seen.page.evaluate("window.pwned") is None
    refused = [text for text in seen.said if "Content Security Policy" in text]
    assert any("inline event handler" in text for text in refused)
    assert any("inline script" in text for text in refused)
    assert any("connect" in text.lower() for text in refused)
    seen.page.context.close()


# ---------------------------------------------------------------- by hand


@pytest.mark.slow
def test_how_long_a_very_large_plan_takes(browser: Browser, tmp_path: Path) -> None:
    """1,000 beds and about 60,000 pieces on a phone's screen with a fourfold slower processor; reported."""
    data = demo_map(760)
    began = time.perf_counter()
    write_map(tmp_path / "map.html", data)
    written = time.perf_counter() - began
    page = browser.new_context(offline=True, **PHONE).new_page()
    page.context.new_cdp_session(page).send("Emulation.setCPUThrottlingRate", {"rate": 4})
    began = time.perf_counter()
    page.goto((tmp_path / "map.html").as_uri())
    page.wait_for_selector("html[data-ready]", timeout=60_000)
    ready = time.perf_counter() - began
    began = time.perf_counter()
    look_at(page, data.pieces.lonlat[len(data.pieces) // 2], 19.5)
    page.evaluate("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
    close = time.perf_counter() - began
    size = (tmp_path / "map.html").stat().st_size / 1e6
    print(
        f"\n{len(data.pieces)} pieces: {size:.1f} MB, written {written:.2f} s, "
        f"ready {ready:.2f} s, near view {close:.2f} s"
    )
    page.context.close()
