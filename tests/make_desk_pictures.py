"""Pictures of the desk for docs/desk.md, made by hand: ``python -m tests.make_desk_pictures``.

The site, its picture and its names are made up (tests/make_desk.py).
"""

from __future__ import annotations

import io
import shutil
import tempfile
from pathlib import Path

from PIL import Image
from playwright.sync_api import sync_playwright

from .browser import ARGUMENTS, DESKTOP, PHONE
from .make_desk import Guest, picture_site, place, running, visit

OUT = Path(__file__).parent.parent / "docs" / "pictures-of-the-desk"
TABLET = {"viewport": {"width": 820, "height": 1180}, "has_touch": True}
SOIL = ((100, 100), (300, 100), (300, 180), (100, 180))
SQUARE = ((100, 360), (220, 360), (220, 480), (100, 480))
HOUSE = ((480, 60), (700, 60), (700, 220), (480, 220))


def shoot(guest: Guest, name: str) -> None:
    """One picture, small."""
    guest.page.wait_for_timeout(700)
    with Image.open(io.BytesIO(guest.page.screenshot(scale="css"))) as picture:
        picture.convert("RGB").save(OUT / f"{name}.webp", quality=70, method=6)
        picture.save(Path(tempfile.gettempdir()) / f"desk-{name}.png")


def draw(guest: Guest, what: str, corners: tuple[tuple[int, int], ...], *, closed: bool = False) -> None:
    """Something new, by the mouse."""
    page = guest.page
    page.click(f'[data-draw="{what}"]')
    for corner in corners:
        guest.click(place(*corner))
    with guest.saving():
        if closed:
            page.mouse.click(*guest.screen(place(*corners[0])))
        else:
            page.click("#strip-done")


def ring(guest: Guest) -> None:
    """The round bed, by two arcs."""
    page = guest.page
    page.click('[data-draw="bed"]')
    guest.click(place(390, 430))
    for through, end in (((480, 340), (570, 430)), ((480, 520), (391, 431))):
        page.click("#strip-arc")
        before = len(guest.drawn())
        page.mouse.click(*guest.screen(place(*through)))
        guest.until(lambda: "Arc: now" in page.inner_text("#strip-say"), "through")
        page.mouse.move(*guest.screen(place(*end)))
        page.mouse.click(*guest.screen(place(*end)))
        guest.until(lambda before=before: len(guest.drawn()) > before + 3, "the arc")  # type: ignore[misc]


def main() -> None:
    """Make them all."""
    OUT.mkdir(exist_ok=True)
    folder = Path(tempfile.mkdtemp())
    chromium = shutil.which("chromium") or shutil.which("google-chrome")
    with sync_playwright() as driver, running(picture_site(folder / "orchard"), who="Robin") as desk:
        browser = driver.chromium.launch(executable_path=chromium, args=list(ARGUMENTS))
        guest = visit(browser, desk, DESKTOP)
        page = guest.page
        page.click("#mode-draw")
        draw(guest, "bed", SOIL)
        draw(guest, "bed", SQUARE)
        ring(guest)
        shoot(guest, "drawing")
        with guest.saving():
            page.click("#strip-done")
        draw(guest, "island", ((460, 410), (500, 410), (500, 450), (460, 450)))
        draw(guest, "abutment", HOUSE, closed=True)
        page.mouse.click(*guest.screen(place(200, 140)))
        guest.until(lambda: "Edging" in page.inner_text("#draw-live"), "the panel")
        page.mouse.move(*guest.screen(place(300, 180)))
        page.mouse.down()
        page.mouse.move(*guest.screen(place(330, 200)), steps=5)
        shoot(guest, "changing")
        with guest.saving():
            page.mouse.up()
        page.click("#mode-look")
        shoot(guest, "looking")
        page.click("#mode-check")
        leg = page.evaluate(
            "desk.store.plan.all('legs').find((l) => 'beds ' + l.bed === desk.state.chosen).line"
        )
        page.mouse.click(*guest.screen([(leg[0][0] + leg[1][0]) / 2, (leg[0][1] + leg[1][1]) / 2]))
        page.fill("#tape-reading", "10.41 m")
        shoot(guest, "checking")
        with guest.saving():
            page.press("#tape-reading", "Enter")
        page.click("#mode-order")
        page.click("#compare button")
        guest.until(lambda: page.locator("#compared tbody tr").count() > 3, "two lines", 60)
        page.locator("#compare").scroll_into_view_if_needed()
        shoot(guest, "ordering")
        for name, device in (("tablet", TABLET), ("phone", PHONE)):
            other = visit(browser, desk, device)
            other.page.click("#mode-draw")
            other.page.touchscreen.tap(*other.screen(place(130, 400)))
            other.until(lambda other=other: "Edging" in other.page.inner_text("#draw-live"), "chosen")  # type: ignore[misc]
            shoot(other, name)
        browser.close()
    shutil.rmtree(folder)


if __name__ == "__main__":
    main()
