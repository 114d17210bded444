"""Saving at the desk's page in a real browser, where answers are late or lost and hands are quick."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Any

import pytest
from playwright.sync_api import Error

from . import test_desk_page as shared
from .make_desk import Desk, Guest, place
from .test_desk_page import metres

if TYPE_CHECKING:
    from playwright.sync_api import Route

pytestmark = pytest.mark.browser

serve, guests, desk = shared.serve, shared.guests, shared.desk
LOST = ("ERR_FAILED", "412 ")
SAVED = "/api/features?bbox=-180,-90,180,90"


class Held:
    """Requests of one address that wait until they are let go; the program may have answered them already."""

    def __init__(self, guest: Guest, path: str, *, answered: bool = False) -> None:
        self.guest, self.pattern, self.answered = guest, f"**{path}*", answered
        self.routes: list[Any] = []

    def __enter__(self) -> Held:
        self.guest.page.route(self.pattern, self._hold)
        return self

    def _hold(self, route: Route) -> None:
        self.routes.append((route, route.fetch() if self.answered else None))

    def __exit__(self, *_: object) -> None:
        self.let_go()

    def let_go(self) -> None:
        """Answer what waits, and hold no more."""
        self.guest.page.unroute(self.pattern)
        for route, answer in self.routes:
            # the page may have given it up, and asked anew
            with suppress(Error):
                if answer is None:
                    route.continue_()
                else:
                    route.fulfill(response=answer)
        self.routes = []

    def one(self) -> None:
        """Wait until one is held."""
        self.guest.until(lambda: self.routes, "a request that waits")


@contextmanager
def losing(guest: Guest, path: str) -> Iterator[list[int]]:
    """The first answer to this path reaches the page never, though the program does what it was asked."""
    times: list[int] = []

    def lose(route: Route) -> None:
        times.append(1)
        if len(times) > 1:
            route.continue_()
            return
        route.fetch()
        route.abort()

    guest.page.route(f"**{path}", lose)
    yield times
    guest.page.unroute(f"**{path}")


def choose(guest: Guest, at: tuple[float, float] = (690, 540)) -> None:
    """Choose the bed there, for changing it."""
    guest.page.click("#mode-draw")
    guest.page.mouse.click(*guest.screen(place(*at)))
    guest.until(lambda: guest.page.locator(".points output").count(), "chosen")


def draw_bed(guest: Guest) -> None:
    """A new bed of four corners; it is not waited for."""
    guest.page.click("#mode-draw")
    guest.page.evaluate("desk.state.snap = false")
    guest.page.click('[data-draw="bed"]')
    for corner in ((120, 120), (220, 120), (220, 180), (120, 180)):
        guest.click(place(*corner))
    guest.page.click("#strip-done")


def stored(desk: Desk) -> list[dict[str, Any]]:
    """Beds as the program has them."""
    return [f for f in desk.get(SAVED)["features"] if f["role"] == "beds"]


def has(feature: dict[str, Any], column: float, row: float) -> bool:
    """Whether a corner of it lies there."""
    return min(metres(p, place(column, row)) for ring in feature["rings"] for p in ring) < 0.3


# ---------------------------------------------------------------- answers that are lost


@pytest.mark.parametrize("reload", [False, True], ids=["", "over a reload"])
def test_a_new_bed_whose_answer_is_lost_is_there_once(desk: Desk, guests: Any, reload: bool) -> None:
    guest = guests(desk)
    page = guest.page
    guest.expected = LOST
    with losing(guest, "/api/edit") as times:
        draw_bed(guest)
        guest.until(lambda: times, "it went out")
        if reload:
            page.reload()
            page.wait_for_selector("html[data-ready]")
        guest.until(lambda: page.evaluate("desk.state.revision") == 2, "its answer is made up for")
        guest.settle()
    if reload:
        choose(guest, (170, 150))
    # it is known by the program's id: what is done next is done to it
    with guest.saving():
        guest.drag(place(220, 180), place(240, 190))
    assert desk.get("/api/head")["revision"] == 3
    beds = stored(desk)
    assert len(beds) == 2
    assert sum(has(bed, 240, 190) for bed in beds) == 1
    assert {f["id"] for f in guest.features()} == {bed["id"] for bed in beds}


def test_what_was_taken_back_before_it_went_out_is_done_again_to_the_same_bed(
    desk: Desk, guests: Any
) -> None:
    guest = guests(desk)
    page = guest.page
    with Held(guest, "/api/edit") as held:
        draw_bed(guest)
        held.one()
        guest.drag(place(220, 180), place(240, 190))
        guest.until(lambda: page.evaluate("desk.saving.waiting()") == 2, "two wait")
        page.click("#undo")
        held.let_go()
        guest.until(lambda: page.evaluate("desk.state.revision") == 2, "drawn")
    with guest.saving():
        page.click("#redo")
    beds = stored(desk)
    assert len(beds) == 2
    assert sum(has(bed, 240, 190) for bed in beds) == 1
    assert not any(f["id"].startswith("new-") for f in guest.features())


# ---------------------------------------------------------------- one after the other


def test_an_island_is_not_lost_to_an_older_outline(desk: Desk, guests: Any) -> None:
    """While it is being cut the page does not know the outline: a put of the old one is refused, and said."""
    guest = guests(desk)
    page = guest.page
    choose(guest)
    page.evaluate("desk.state.snap = false")
    with Held(guest, "/api/edit") as held:
        page.click("text=Cut an island")
        for corner in ((670, 530), (700, 530), (700, 545), (670, 545)):
            guest.click(place(*corner))
        page.click("#strip-done")
        held.one()
        page.fill("#feature-name", "Not on top of the old outline")
        page.press("#feature-name", "Enter")
        page.wait_for_selector("#dialog[open]")
        assert "still being saved" in page.inner_text("#dialog")
        page.click("#dialog button")
        guest.drag(place(740, 560), place(760, 570))
        assert page.evaluate("desk.saving.waiting()") == 1
    guest.until(lambda: page.evaluate("desk.state.revision") == 2, "saved")
    guest.settle()
    guest.until(lambda: guest.features()[0]["kinds"] == [0, 1], "the island is seen")
    (bed,) = stored(desk)
    assert bed["kinds"] == [0, 1]


def test_words_go_with_the_outline_as_it_is_now(desk: Desk, guests: Any) -> None:
    """A name is typed before a point is moved, and kept after it: the point stays moved."""
    guest = guests(desk)
    page = guest.page
    choose(guest)
    page.evaluate("desk.state.snap = false")
    page.fill("#feature-name", "Bed by the lane")
    with guest.saving():
        guest.drag(place(740, 560), place(760, 570))
    with guest.saving():
        page.fill("#feature-name", "Bed by the lane")
        page.press("#feature-name", "Enter")
    (bed,) = stored(desk)
    assert bed["name"] == "Bed by the lane"
    assert has(bed, 760, 570)


def test_another_tab_is_followed_once_its_outlines_are_here(desk: Desk, guests: Any) -> None:
    """A put made while they are still on their way does not bring the old outline back."""
    one, two = guests(desk), guests(desk)
    two.expected = ("412 ",)
    choose(one)
    choose(two)
    with Held(two, "/api/features") as held:
        with one.saving():
            one.drag(place(740, 560), place(760, 570))
        held.one()
        assert two.page.evaluate("desk.state.revision") == 1
        two.page.fill("#feature-name", "Too soon")
        two.page.press("#feature-name", "Enter")
    two.until(lambda: two.page.evaluate("desk.state.revision") == 2, "followed")
    assert has(stored(desk)[0], 760, 570)
    two.until(lambda: has(two.features()[0], 760, 570), "seen in the second tab")


# ---------------------------------------------------------------- quick hands


def test_a_drag_quicker_than_the_screen_is_saved(desk: Desk, guests: Any) -> None:
    guest = guests(desk)
    page = guest.page
    choose(guest)
    page.evaluate("desk.state.snap = false")
    start, end = guest.screen(place(740, 560)), guest.screen(place(780, 590))
    page.mouse.move(*start)
    with guest.saving():
        page.evaluate(
            """([a, b]) => {
              const box = desk.map().getContainer();
              const tell = (type, [x, y]) => box.dispatchEvent(new PointerEvent(type, { clientX: x,
                clientY: y, pointerId: 1, pointerType: "mouse", isPrimary: true, bubbles: true, button: 0 }));
              tell("pointerdown", a); tell("pointermove", b); tell("pointerup", b);
            }""",
            [start, end],
        )
    assert has(stored(desk)[0], 780, 590)


def test_a_point_let_go_is_saved_though_another_is_taken_at_once(desk: Desk, guests: Any) -> None:
    """The program still says where the first one snaps to when the second is taken."""
    guest = guests(desk)
    choose(guest)
    with Held(guest, "/api/geometry") as held:
        guest.drag(place(740, 560), place(780, 590))
        held.one()
        guest.drag(place(640, 520), place(600, 500))
    guest.until(lambda: desk.get("/api/head")["revision"] == 3, "both are saved")
    (bed,) = stored(desk)
    assert has(bed, 780, 590)
    assert has(bed, 600, 500)


def test_a_drag_given_up_while_it_snaps_is_not_saved(desk: Desk, guests: Any) -> None:
    guest = guests(desk)
    page = guest.page
    choose(guest)
    with Held(guest, "/api/geometry") as held:
        guest.drag(place(740, 560), place(780, 590))
        held.one()
        page.focus("#map_siteplan")
        page.keyboard.press("Escape")
    page.wait_for_timeout(200)
    guest.settle()
    assert desk.get("/api/head")["revision"] == 1
    assert has(guest.features()[0], 740, 560)


# ---------------------------------------------------------------- the plan on the map


def test_a_plan_from_before_an_edit_does_not_come_over_it(desk: Desk, guests: Any) -> None:
    guest = guests(desk)
    page = guest.page
    choose(guest)
    page.evaluate("desk.state.snap = false")
    with Held(guest, "/api/plan", answered=True) as held:
        page.evaluate("void desk.store.look({ afresh: true })")
        held.one()
        with guest.saving():
            guest.drag(place(740, 560), place(780, 590))
    guest.until(lambda: page.evaluate("desk.store.plan.layers[0].revision") == 2, "a new plan is asked for")
    corners = page.evaluate("desk.store.plan.all('runs').flatMap((run) => run.line)")
    assert min(metres(p, place(780, 590)) for p in corners) < 0.3


def test_pieces_of_a_try_go_with_the_edit_that_is_refused(desk: Desk, guests: Any) -> None:
    guest = guests(desk)
    page = guest.page
    guest.expected = ("422 ",)
    choose(guest)
    page.evaluate("desk.state.snap = false")
    page.route(
        "**/api/edit", lambda route: route.fulfill(status=422, json={"faults": [{"what": "Invented."}]})
    )
    page.mouse.move(*guest.screen(place(740, 560)))
    page.mouse.down()
    page.mouse.move(*guest.screen(place(780, 590)), steps=4)
    guest.until(lambda: page.evaluate("desk.store.plan.layers.length") == 2, "pieces of a try")
    page.mouse.up()
    guest.until(lambda: page.get_attribute("#saving", "data-state") == "not", "refused")
    guest.until(lambda: page.evaluate("desk.store.plan.layers.length") == 1, "they are gone")


# ---------------------------------------------------------------- mistakes, choices, a site that is only read


def test_a_mistake_in_one_listener_does_not_end_saving(desk: Desk, guests: Any) -> None:
    guest = guests(desk)
    page = guest.page
    guest.expected = ("an invented mistake",)
    choose(guest)
    page.evaluate(
        "['saved', 'features', 'saving'].forEach((name) =>"
        " desk.on(name, () => { throw new Error('an invented mistake'); }))"
    )
    for corner, to in (((740, 560), (780, 590)), ((640, 520), (600, 500))):
        with guest.saving():
            guest.drag(place(*corner), place(*to))
    assert desk.get("/api/head")["revision"] == 3
    assert any("an invented mistake" in text for text in guest.said)


def test_theirs_are_taken_and_ours_are_downloaded(desk: Desk, guests: Any) -> None:
    one, two = guests(desk), guests(desk)
    two.expected = ("412 ",)
    for guest in (one, two):
        choose(guest)
        guest.page.evaluate("desk.state.snap = false")
    two.page.mouse.move(*two.screen(place(640, 520)))
    two.page.mouse.down()
    two.page.mouse.move(*two.screen(place(600, 500)), steps=4)
    with one.saving():
        one.drag(place(740, 560), place(780, 590))
    two.page.mouse.up()
    two.page.wait_for_selector("#dialog[open]")
    with two.page.expect_download() as kept:
        two.page.click("#dialog button >> text=Take theirs")
    assert "Moved a point" in kept.value.path().read_text()
    two.until(lambda: "revision 2" in two.page.inner_text("#saving"), "theirs")
    (bed,) = two.features()
    assert has(bed, 780, 590)
    assert not has(bed, 600, 500)
    assert desk.get("/api/head")["revision"] == 2
    assert two.page.is_hidden("#banner")


def test_a_site_that_is_only_read(desk: Desk, guests: Any) -> None:
    """Nothing can be drawn or moved; it says so, and why."""
    guest = guests(desk)
    page = guest.page

    def shut(route: Route) -> None:
        answer = route.fetch()
        route.fulfill(
            response=answer, json={**answer.json(), "can_write": False, "why_not": "it is on a disc"}
        )

    page.route("**/api/site", shut)
    page.reload()
    page.wait_for_selector("html[data-ready]")
    assert "it is on a disc" in page.inner_text("#banner")
    assert page.get_attribute("#saving", "data-state") == "not"
    choose(guest)
    guest.drag(place(740, 560), place(780, 590))
    page.click('[data-draw="bed"]')
    assert not page.evaluate("desk.sketch.active()")
    assert page.is_disabled("#undo")
    assert desk.get("/api/head")["revision"] == 1
