"""The desk's page in a real browser, served by the real program as a process of its own."""

from __future__ import annotations

import itertools
import json
import re
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from .browser import DESKTOP, PHONE
from .make_desk import (
    Desk,
    Guest,
    leave,
    picture_site,
    place,
    polygon,
    running,
    sample_site,
    visit,
    write_layer,
)
from .test_webmap_browser import PAYLOADS

if TYPE_CHECKING:
    from playwright.sync_api import Browser

pytestmark = pytest.mark.browser

PAGE = Path(__file__).parent.parent / "siteplan" / "desk" / "page"
TABLET: dict[str, Any] = {"viewport": {"width": 820, "height": 1180}, "has_touch": True}
PLACE_TEXT = r"E [\d,.]+ N [\d,.]+ m\s+41\.\d+° N, 94\.\d+° W"
GONE = ("ERR_CONNECTION", "ERR_EMPTY_RESPONSE", "ERR_SOCKET")
"""what the browser itself writes when nobody answers"""


@pytest.fixture
def serve() -> Iterator[Any]:
    """Serves sites, until the pages that look at them are closed."""
    with ExitStack() as stack:
        yield lambda folder, **more: stack.enter_context(running(folder, **more))


@pytest.fixture
def guests(browser: Browser, serve: Any) -> Iterator[Any]:
    """Opens pages, and afterwards looks at what each of them did."""
    opened: list[Guest] = []

    def open_page(desk: Desk, device: dict[str, Any] | None = None) -> Guest:
        opened.append(visit(browser, desk, device))
        return opened[-1]

    yield open_page
    for guest in opened:
        leave(guest)


@pytest.fixture
def desk(tmp_path: Path, serve: Any) -> Desk:
    """The picture site, served."""
    served: Desk = serve(picture_site(tmp_path / "orchard"))
    return served


def metres(a: tuple[float, float] | list[float], b: tuple[float, float] | list[float]) -> float:
    """Geodesic between two places, after Karney, by geographiclib: not the way the page's numbers come."""
    return float(Geodesic.WGS84.Inverse(a[1], a[0], b[1], b[0])["s12"])


# ---------------------------------------------------------------- a whole job


def test_a_whole_job(tmp_path: Path, serve: Any, guests: Any) -> None:
    """Look at a picture, trace beds, correct, lay, tape, lose the program, go on, and take the plan along."""
    # a process of its own, as people start it: one that can be killed
    desk: Desk = serve(picture_site(tmp_path / "orchard"), inside=False)
    guest = guests(desk)
    page = guest.page
    guest.expected = GONE
    assert page.inner_text("#site-name") == "Orchard Court (invented)"
    guest.until(
        lambda: page.locator("img.picture-tile, .picture-tile img").count() > 3, "the picture is there"
    )
    page.click("#mode-draw")

    # bed 1: by the mouse alone, corners of the soil in the picture
    page.click('[data-draw="bed"]')
    for corner in ((100, 100), (300, 100), (300, 180), (100, 180)):
        guest.click(place(*corner))
    with guest.saving():
        page.click("#strip-done")
    first = page.evaluate("desk.state.chosen")
    assert first.startswith("beds ")
    guest.until(lambda: "Edging" in page.inner_text("#draw-live"), "the takeoff is there")
    assert re.search(r"Pieces\s+\d", page.inner_text("#draw-live"))

    # bed 2: typed lengths, square; metric and feet as people write them
    page.click('[data-draw="bed"]')
    guest.click(place(100, 360))
    page.mouse.move(*guest.screen(place(200, 362)))
    page.fill("#strip-length", "12 m")
    page.press("#strip-length", "Enter")
    guest.until(lambda: len(guest.drawn()) == 2, "the typed side")
    page.check("#strip-square")
    page.mouse.move(*guest.screen(place(225, 440)))
    page.fill("#strip-length", "39' 4-1/2\"")
    page.press("#strip-length", "Enter")
    guest.until(lambda: len(guest.drawn()) == 3, "the square side")
    drawn = guest.drawn()
    assert metres(drawn[0], drawn[1]) == pytest.approx(12.0, abs=0.001)
    assert metres(drawn[1], drawn[2]) == pytest.approx(39.375 * 0.3048, abs=0.001)
    # square: by the three sides of the triangle, on the ellipsoid (Pythagoras at this size: 1e-9)
    assert metres(drawn[0], drawn[2]) == pytest.approx(np.hypot(12.0, 39.375 * 0.3048), abs=0.002)
    page.uncheck("#strip-square")
    guest.click(place(100, 480))
    with guest.saving():
        page.click("#strip-done")

    # bed 3: an arc through a third point, closed by a click on its first point
    page.click('[data-draw="bed"]')
    guest.click(place(390, 430))
    page.click("#strip-arc")
    page.mouse.click(*guest.screen(place(480, 340)))
    guest.until(
        lambda: page.evaluate("document.querySelector('#strip-say').textContent").startswith("Arc: now"),
        "through",
    )
    page.mouse.click(*guest.screen(place(570, 430)))
    guest.until(lambda: len(guest.drawn()) > 5, "the arc has points")
    guest.click(place(480, 520))
    with guest.saving():
        page.mouse.click(*guest.screen(place(390, 430)))
    round_bed = page.evaluate("desk.state.chosen")
    assert len(guest.features()) == 4

    # an island in it
    page.click('[data-draw="island"]')
    for corner in ((460, 420), (500, 420), (500, 450), (460, 450)):
        guest.click(place(*corner))
    with guest.saving():
        page.click("#strip-done")
    ringed = guest.until(
        lambda: [f for f in guest.features() if f"beds {f['id']}" == round_bed and f["kinds"] == [0, 1]],
        "the island",
    )
    assert len(ringed[0]["rings"][1]) == 4

    # the house beside it is an abutment, drawn as an area
    page.click('[data-draw="abutment"]')
    for corner in ((480, 60), (700, 60), (700, 220), (480, 220)):
        guest.click(place(*corner))
    with guest.saving():
        page.mouse.click(*guest.screen(place(480, 60)))
    (house,) = guest.features("abutments")
    assert house["kinds"] == [0]

    # another product line, and back again
    page.click("#mode-order")
    page.wait_for_selector('#site-settings [data-path="line"]')
    before = page.inner_text("#site-counts")
    with guest.saving():
        page.select_option('#site-settings [data-path="line"]', "flex-2m")
    guest.until(lambda: "F-2000" in page.inner_text("#site-counts"), "the other line's pieces")
    with guest.saving():
        page.click("#undo")
    guest.until(lambda: page.inner_text("#site-counts") == before, "the first line's pieces")

    # tape a leg by a click on it
    page.click("#mode-check")
    leg = guest.until(
        lambda: page.evaluate(
            "(key) => desk.store.plan.all('legs').filter((l) => 'beds ' + l.bed === key && l.line)", first
        ),
        "legs with their lines",
    )[0]
    middle = np.mean(leg["line"], axis=0) if len(leg["line"]) == 2 else leg["line"][len(leg["line"]) // 2]
    page.mouse.click(*guest.screen([float(v) for v in middle]))
    page.wait_for_selector("#tape-reading")
    page.fill("#tape-reading", "20.05 m")
    with guest.saving():
        page.press("#tape-reading", "Enter")
    guest.until(lambda: "20.050" in page.inner_text("#tape-list"), "the tape in the list", 30)

    # reload: everything is there
    ids = sorted(f["id"] for f in guest.features())
    page.reload()
    page.wait_for_selector("html[data-ready]")
    assert sorted(f["id"] for f in guest.features()) == ids

    # the program dies while one goes on drawing
    page.click("#mode-draw")
    desk.kill()
    # the banner comes when the page asks next, and moves the map down: a hand goes on once it stands still
    guest.until(lambda: "does not answer" in page.inner_text("#banner"), "the banner")
    guest.still()
    x, y = guest.screen(place(300, 180))
    page.mouse.click(x - 20, y - 20)
    guest.until(lambda: page.evaluate("desk.state.chosen") == first, "chosen")
    guest.drag(place(300, 180), place(310, 190))
    guest.until(lambda: page.get_attribute("#saving", "data-state") == "not", "it says that it is not saved")
    guest.until(lambda: "One edit waits" in page.inner_text("#banner"), "the point that was moved")
    guest.still()
    page.click('[data-draw="opening"]')
    for corner in ((180, 180), (195, 180)):
        guest.click(place(*corner))
    page.click("#strip-done")
    guest.until(lambda: "2 edits wait" in page.inner_text("#banner"), "both edits in the banner")
    assert "does not answer" in page.inner_text("#banner")
    with page.expect_download() as kept:
        page.click("#banner >> text=Download the drawing")
    saved = json.loads(Path(kept.value.path()).read_text())
    unsaved = [f for f in saved["features"] if not f["properties"]["saved"]]
    assert sorted(f["properties"]["role"] for f in unsaved) == ["beds", "openings"]

    # it comes back: the page goes on by itself, nothing is lost
    desk.start()
    guest.settle()
    guest.until(lambda: page.is_hidden("#banner"), "the banner goes")
    (opening,) = guest.features("openings")
    assert opening["kinds"] == [2]
    moved = next(
        f for f in desk.get("/api/features?bbox=-180,-90,180,90")["features"] if f"beds {f['id']}" == first
    )
    assert min(metres(corner, place(310, 190)) for corner in moved["rings"][0]) < 0.3

    # the plan goes along
    page.click("#mode-order")
    assert page.locator("#exports a").count() >= 3
    with page.expect_download() as got:
        page.locator("#exports a", has_text=re.compile("geojson", re.IGNORECASE)).first.click()
    assert Path(got.value.path()).stat().st_size > 500


# ---------------------------------------------------------------- changing what is drawn


def test_the_takeoff_follows_a_drag_and_undo_brings_it_back(desk: Desk, guests: Any) -> None:
    guest = guests(desk)
    page = guest.page
    page.click("#mode-draw")
    page.mouse.click(*guest.screen(place(690, 540)))
    guest.until(lambda: "Edging" in page.inner_text("#draw-live"), "the bed's panel")
    before = page.inner_text("#draw-live")
    corner = place(740, 560)
    page.mouse.move(*guest.screen(corner))
    page.mouse.down()
    page.mouse.move(*guest.screen(place(780, 590)), steps=4)
    # nothing is saved yet, and the panel has new numbers: they come from a try
    guest.until(lambda: page.inner_text("#draw-live") != before, "the takeoff follows")
    assert desk.get("/api/head")["revision"] == 1
    with guest.saving():
        page.mouse.up()
    assert desk.get("/api/head")["revision"] == 2
    after = guest.until(
        lambda: page.inner_text("#draw-live") != before and page.inner_text("#draw-live"), "laid anew"
    )

    # a new point in the middle of a side, by its diamond; and out again by the keyboard
    page.mouse.move(*guest.screen(place(690, 520)))
    page.mouse.down()
    page.mouse.move(*guest.screen(place(690, 500)), steps=3)
    with guest.saving():
        page.mouse.up()
    (bed,) = guest.features()
    assert len(bed["rings"][0]) == 5
    page.focus("#map_siteplan")
    page.keyboard.press("Delete")
    guest.until(lambda: len(guest.features()[0]["rings"][0]) == 4, "the point is out")
    guest.settle()

    for left in (3, 2, 1):
        with guest.saving():
            page.click("#undo")
        guest.until(lambda left=left: page.is_enabled("#undo") == (left > 1), "one step back")
    guest.until(lambda: page.inner_text("#draw-live") == before, "all undone")
    with guest.saving():
        page.click("#redo")
    guest.until(lambda: page.inner_text("#draw-live") == after, "done again")
    # every vertex the hand never touched is where the file had it, to the last decimal
    (bed,) = desk.get("/api/features?bbox=-180,-90,180,90")["features"]
    for corner in ((640, 520), (740, 520), (640, 560)):
        assert min(np.abs(np.array(p) - place(*corner)).max() for p in bed["rings"][0]) < 1e-10


def test_split_and_join(desk: Desk, guests: Any) -> None:
    guest = guests(desk)
    page = guest.page
    page.click("#mode-draw")
    page.mouse.click(*guest.screen(place(660, 540)))
    page.click("text=Split it")
    guest.click(place(690, 505))
    guest.click(place(690, 575))
    with guest.saving():
        page.click("#strip-done")
    guest.until(lambda: len(guest.features()) == 2, "two beds")
    page.mouse.click(*guest.screen(place(660, 540)))
    page.click("text=Join with another")
    with guest.saving():
        page.mouse.click(*guest.screen(place(720, 540)))
    guest.until(lambda: len(guest.features()) == 1, "one bed again")


def test_drawing_by_keys_alone(desk: Desk, guests: Any) -> None:
    """No pointer: Tab to the tool, arrow keys for the direction, typed lengths for the sides."""
    guest = guests(desk)
    page = guest.page
    page.keyboard.press("Alt+2")
    page.focus('[data-draw="bed"]')
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "map_siteplan"
    page.keyboard.press("Enter")  # the first point, at the pen
    guest.until(lambda: len(guest.drawn()) == 1, "a point")
    for turn, (key, length) in enumerate(
        (("ArrowRight", "6 m"), ("ArrowDown", "4 m"), ("ArrowLeft", "6 m")), start=2
    ):
        for _ in range(4):
            page.keyboard.press(key)
        page.keyboard.type(length)
        assert page.evaluate("document.activeElement.id") == "strip-length"
        page.keyboard.press("Enter")
        guest.until(lambda turn=turn: len(guest.drawn()) == turn, "the next point")
        assert page.evaluate("document.activeElement.id") == "map_siteplan"
    drawn = guest.drawn()
    assert [metres(a, b) for a, b in itertools.pairwise(drawn)] == pytest.approx([6, 4, 6], abs=0.001)
    page.keyboard.press("f")
    guest.until(lambda: len(guest.features()) == 2, "the bed")
    guest.settle()
    # a point of it, moved by keys, is saved when the keys rest
    page.keyboard.press("n")
    guest.until(lambda: page.inner_text(".points output") == "Point 1 of 4", "the point is taken up")
    before = desk.get("/api/head")["revision"]
    page.keyboard.press("Shift+ArrowUp")
    page.keyboard.press("ArrowUp")
    guest.until(lambda: desk.get("/api/head")["revision"] == before + 1, "saved")


def test_a_crossing_outline_is_told_kept_and_mended(desk: Desk, guests: Any) -> None:
    guest = guests(desk)
    page = guest.page
    guest.expected = ("422 ",)
    page.click("#mode-draw")
    page.click('[data-draw="bed"]')
    for corner in ((120, 120), (220, 120), (120, 180), (220, 180)):
        guest.click(place(*corner))
    page.click("#strip-done")
    guest.until(lambda: page.get_attribute("#saving", "data-state") == "not", "not saved")
    assert "cross" in page.inner_text("#chosen-draw .fault").lower()
    assert desk.get("/api/head")["revision"] == 1
    # it survives a reload, because it is the person's work
    page.reload()
    page.wait_for_selector("html[data-ready]")
    guest.until(lambda: len(guest.features()) == 2, "the drawing is still there")
    assert page.get_attribute("#saving", "data-state") == "not"
    page.click("#mode-draw")
    page.mouse.click(*guest.screen(place(170, 130)))
    guest.until(lambda: page.evaluate("desk.state.chosen") is not None, "chosen")
    guest.drag(place(120, 180), place(225, 160))
    guest.quiet()
    with guest.saving():
        guest.drag(place(220, 180), place(110, 180))
    assert desk.get("/api/head")["revision"] >= 2
    assert len(desk.get("/api/features?bbox=-180,-90,180,90")["features"]) == 2


# ---------------------------------------------------------------- not saved, and why


def test_a_full_disk_is_told_and_the_edit_waits(desk: Desk, guests: Any) -> None:
    guest = guests(desk)
    page = guest.page
    guest.expected = ("507 ",)
    full = {"on": True}

    def disk(route: Any) -> None:
        if full["on"]:
            route.fulfill(status=507, json={"why": "The disk is full (invented)."})
        else:
            route.continue_()

    page.route("**/api/edit", disk)
    page.click("#mode-draw")
    page.mouse.click(*guest.screen(place(690, 540)))
    guest.drag(place(640, 520), place(630, 515))
    guest.until(lambda: "disk is full" in page.inner_text("#banner"), "the reason")
    assert "disk is full" in page.inner_text("#saving")
    page.reload()  # the edit waits in the browser, over a reload too
    page.wait_for_selector("html[data-ready]")
    guest.until(lambda: "One edit waits" in page.inner_text("#banner"), "it waits")
    full["on"] = False
    with guest.saving():
        page.click("text=Try again now")
    assert desk.get("/api/head")["revision"] == 2


def test_two_tabs(desk: Desk, guests: Any) -> None:
    """The second of two edits at once is told, and may go on top; nothing is overwritten unseen."""
    one, two = guests(desk), guests(desk)
    two.expected = ("412 ",)
    for guest in (one, two):
        guest.page.click("#mode-draw")
        guest.page.mouse.click(*guest.screen(place(690, 540)))
        guest.until(lambda guest=guest: guest.page.evaluate("desk.state.chosen") is not None, "chosen")
    # a hand in the second tab holds a point while the first tab saves: the map is not pulled from under it
    two.page.evaluate("desk.state.snap = false")
    two.page.mouse.move(*two.screen(place(640, 520)))
    two.page.mouse.down()
    two.page.mouse.move(*two.screen(place(630, 510)), steps=4)
    with one.saving():
        one.drag(place(740, 560), place(750, 570))
    two.page.mouse.up()
    two.page.wait_for_selector("#dialog[open]")
    text = two.page.inner_text("#dialog")
    assert "Tester" in text
    assert "Moved a point" in text
    two.page.click("text=Decide later")
    assert two.page.get_attribute("#saving", "data-state") == "not"
    two.page.click("#banner button >> text=Choose")
    with two.saving():
        two.page.click("text=Put mine on top")
    revisions = desk.get("/api/revisions")["revisions"]
    assert len(revisions) == 3
    # the other tab follows by itself
    one.until(lambda: "revision 3" in one.page.inner_text("#saving"), "the first tab follows")
    (bed,) = one.features()
    assert min(metres(p, place(630, 510)) for p in bed["rings"][0]) < 0.3


def test_going_back_to_a_revision(desk: Desk, guests: Any) -> None:
    guest = guests(desk)
    page = guest.page
    page.click("#mode-draw")
    page.mouse.click(*guest.screen(place(690, 540)))
    with guest.saving():
        guest.drag(place(740, 560), place(760, 580))
    page.click("#history")
    page.wait_for_selector("#dialog[open]")
    assert "Moved a point" in page.inner_text("#dialog")
    page.click("text=Go back to this")
    guest.until(lambda: desk.get("/api/head")["revision"] == 3, "a new revision")
    guest.settle()
    guest.until(
        lambda: min(metres(p, place(740, 560)) for p in guest.features()[0]["rings"][0]) < 1e-3, "as it was"
    )


# ---------------------------------------------------------------- hostile names


def test_hostile_names_are_shown_as_written(tmp_path: Path, serve: Any, guests: Any) -> None:
    folder = picture_site(tmp_path / "hostile", name=PAYLOADS[3])
    beds = []
    for k, name in enumerate(PAYLOADS):
        left, top = 40 + 120 * (k % 6), 60 + 120 * (k // 6)
        corners = [place(left, top), place(left + 80, top), place(left + 80, top + 60), place(left, top + 60)]
        beds.append(
            (
                {"bed": f"{name}-{k}".replace("\u2028", " ").replace("\u2029", " "), "name": name},
                polygon(corners),
            )
        )
    write_layer(folder / "beds.geojson", beds)
    desk = serve(folder, who="<img src=x onerror=window.pwned=1>")
    guest = guests(desk)
    page = guest.page
    assert page.text_content("#site-name") == PAYLOADS[3]
    held = {f["name"] for f in guest.features()}
    assert held == set(PAYLOADS)
    listed = page.locator("#find-list .said").all_text_contents()
    assert set(listed) == set(PAYLOADS)
    page.click("#mode-draw")
    for k in (0, 2, 8):
        left, top = 40 + 120 * (k % 6), 60 + 120 * (k // 6)
        page.mouse.click(*guest.screen(place(left + 40, top + 30)))
        guest.until(
            lambda k=k: (
                page.input_value("#feature-name") == PAYLOADS[k]
                if page.locator("#feature-name").count()
                else False
            ),
            "its name in the field",
        )
        guest.until(lambda: "Edging" in page.inner_text("#draw-live"), "its panel")
    page.fill("#feature-name", PAYLOADS[4] + PAYLOADS[3])
    with guest.saving():
        page.press("#feature-name", "Enter")
    for mode in ("look", "check", "order"):
        page.click(f"#mode-{mode}")
        page.wait_for_timeout(150)
    page.click("#history")
    page.wait_for_selector("#dialog[open]")
    assert "<img src=x onerror=window.pwned=1>" in page.inner_text("#dialog")
    assert (
        page.evaluate(
            "document.querySelectorAll('#side img, #top img, dialog img, iframe, object, embed').length"
        )
        == 0
    )


# ---------------------------------------------------------------- sizes and hands


@pytest.mark.parametrize(
    "device",
    [PHONE, TABLET, {"viewport": {"width": 700, "height": 450}}, DESKTOP],
    ids=["phone", "tablet", "200 %", "desktop"],
)
def test_everything_is_in_reach(desk: Desk, guests: Any, device: dict[str, Any]) -> None:
    """No sideways scrolling, every mode and the state of saving in sight, fingers find the buttons."""
    guest = guests(desk, device)
    page = guest.page
    width, height = device["viewport"]["width"], device["viewport"]["height"]
    for mode in ("look", "draw", "check", "order"):
        page.click(f"#mode-{mode}")
        page.wait_for_timeout(80)
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        wide = page.evaluate(
            "[...document.querySelectorAll('[role=tabpanel]:not([hidden])')]"
            ".filter((n) => n.scrollWidth > n.clientWidth + 1).length"
        )
        assert wide == 0, mode
        for name in (
            "#mode-look",
            "#mode-draw",
            "#mode-check",
            "#mode-order",
            "#saving",
            "#undo",
            "#history",
        ):
            box = page.locator(name).bounding_box()
            assert box is not None, name
            assert box["x"] >= 0, name
            assert box["y"] >= 0, name
            assert box["x"] + box["width"] <= width + 1, name
            assert box["y"] + box["height"] <= height + 1, name
    small = page.evaluate(
        "[...document.querySelectorAll('button')].filter((n) => n.offsetParent"
        " && n.getBoundingClientRect().height < 28).map((n) => n.textContent)"
    )
    assert small == []
    unnamed = page.evaluate(
        "[...document.querySelectorAll('button, input, select, a')].filter((n) => n.offsetParent"
        " && !(n.textContent.trim() || n.labels?.length || n.ariaLabel)).length"
    )
    assert unnamed == 0


def test_a_finger_draws_and_drags(desk: Desk, guests: Any) -> None:
    guest = guests(desk, PHONE)
    page = guest.page
    page.tap("#mode-draw")
    page.tap('[data-draw="bed"]')
    for corner in ((120, 110), (260, 110), (260, 175)):
        n = len(guest.drawn())
        page.touchscreen.tap(*guest.screen(place(*corner)))
        guest.until(lambda n=n: len(guest.drawn()) == n + 1, "a point")
    page.tap("#strip-done")
    guest.until(lambda: len(guest.features()) == 2, "a bed")
    guest.settle()
    before = desk.get("/api/head")["revision"]
    start, end = guest.screen(guest.features()[1]["rings"][0][1]), guest.screen(place(300, 90))
    touch = page.context.new_cdp_session(page)
    touch.send(
        "Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [{"x": start[0], "y": start[1]}]}
    )
    for t in np.linspace(0, 1, 8):
        at = {"x": start[0] + t * (end[0] - start[0]), "y": start[1] + t * (end[1] - start[1])}
        touch.send("Input.dispatchTouchEvent", {"type": "touchMove", "touchPoints": [at]})
    touch.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    guest.until(lambda: desk.get("/api/head")["revision"] == before + 1, "the drag is saved")


# ---------------------------------------------------------------- only what is in view; measuring; reading


def test_the_sample_site(tmp_path: Path, serve: Any, guests: Any) -> None:
    desk = serve(sample_site(tmp_path / "fennel"))
    guest = guests(desk)
    page = guest.page
    assert len(guest.features()) == 71
    # measuring: the words are the program's, and right by the ellipsoid
    page.click("#measure")
    a, b = page.evaluate("[desk.toLonLat(L.point(300, 500)), desk.toLonLat(L.point(420, 540))]")
    page.click("label:has(#strip-snap)")
    guest.click(a)
    guest.click(b)
    text = guest.until(lambda: page.inner_text("#measured"), "measured")
    shown = float(re.search(r"Geodesic\s+([\d.]+) m", text)[1])  # type: ignore[index]
    assert shown == pytest.approx(metres(*guest.drawn()), abs=0.01)
    assert "Ground" in text
    page.click("#strip-stop")
    # coordinates at the pointer, in the grid and in degrees
    page.mouse.move(300, 500)
    guest.until(
        lambda: re.search(PLACE_TEXT, page.inner_text("#where")),
        "where the pointer is",
    )
    # only what is in view is sent
    before = len(guest.requests)
    page.click("#find-list button")
    guest.until(lambda: any("/api/plan" in url for url in guest.requests[before:]), "a new view is asked for")
    guest.until(
        lambda: page.evaluate("desk.store.plan.layers.some((l) => l.pieces && l.pieces.n > 0)"),
        "pieces come",
    )
    asked = [url for url in guest.requests if "/api/plan?" in url]
    boxes = [[float(v) for v in url.split("bbox=")[1].split("&")[0].split(",")] for url in asked]
    assert boxes[-1][2] - boxes[-1][0] < (boxes[0][2] - boxes[0][0]) / 3
    # compare two lines at a click
    page.click("#mode-order")
    page.click("#compare button")
    guest.until(lambda: page.locator("#compared tbody tr").count() > 3, "two lines beside each other", 30)


# ---------------------------------------------------------------- the files themselves


def test_the_page_makes_no_markup_from_text_and_needs_no_inline_handler() -> None:
    banned = (
        r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|srcdoc|\beval\b|new Function|import\("
        r"|bindTooltip|bindPopup|[dD]ivIcon|XMLHttpRequest|WebSocket|https?://"
    )
    for path in sorted(PAGE.glob("*.js")):
        script = path.read_text(encoding="utf-8")
        assert re.findall(banned, script) == [], path.name
        assert len(script.splitlines()) <= 400, path.name
    page = (PAGE / "page.html").read_text(encoding="utf-8")
    assert (
        re.findall(
            r"\son\w+=|javascript:|<style|style=|https?://|<script(?! src=\"/assets/desk/[a-z_]+\.js\">)",
            page,
        )
        == []
    )
    assert "url(" not in (PAGE / "desk.css").read_text(encoding="utf-8")


def test_every_script_of_the_page_is_there() -> None:
    named = re.findall(r'src="/assets/desk/([a-z_]+\.js)"', (PAGE / "page.html").read_text(encoding="utf-8"))
    assert sorted(named) == sorted([*(path.name for path in PAGE.glob("*.js")), "map_draw.js"])
