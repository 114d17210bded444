"""Sites for the tests of the desk, its program as a process of its own, and its page in a browser."""

from __future__ import annotations

import json
import secrets
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import rasterio
import uvicorn
from pyproj import Transformer
from rasterio import Affine

from siteplan.desk.app import make_app
from siteplan.desk.serve import listening
from siteplan.desk.session import Session

from .browser import DESKTOP

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

SAMPLES = Path(__file__).parent.parent / "sample_data"
LAWN, SOIL, ROOF, PATH = (92, 120, 70), (96, 74, 54), (170, 160, 152), (200, 190, 172)
WEST_M, NORTH_M, PIXEL_M = 398_000.0, 4_577_000.0, 0.1


def picture_site(folder: Path, *, name: str = "Orchard Court (invented)", units: str = "m") -> Path:
    """A made-up lawn from above, to be traced: two square beds, a ring, a house and a path.

    UTM zone 15 north, 0.1 m a pixel, 80 m x 60 m.  One small bed is already drawn.
    """
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(11)
    picture = np.empty((3, 600, 800), np.uint8)
    rows, columns = np.mgrid[0:600, 0:800]

    def paint(where: Any, colour: tuple[int, int, int]) -> None:
        grain = rng.normal(0, 7, where.shape)
        for band in range(3):
            picture[band][where] = np.clip(colour[band] + grain, 0, 255).astype(np.uint8)[where]

    paint(np.ones_like(rows, bool), LAWN)
    paint((columns >= 480) & (columns < 700) & (rows >= 60) & (rows < 220), ROOF)
    paint((rows >= 280) & (rows < 300), PATH)
    paint((columns >= 100) & (columns < 300) & (rows >= 100) & (rows < 180), SOIL)
    paint((columns >= 100) & (columns < 220) & (rows >= 360) & (rows < 480), SOIL)
    paint((columns - 480) ** 2 + (rows - 430) ** 2 < 90**2, SOIL)
    paint((columns - 480) ** 2 + (rows - 430) ** 2 < 30**2, LAWN)
    with rasterio.open(
        folder / "air.tif", "w", driver="GTiff", width=800, height=600, count=3, dtype="uint8",
        crs="EPSG:26915", transform=Affine(PIXEL_M, 0, WEST_M, 0, -PIXEL_M, NORTH_M), photometric="RGB",
    ) as out:  # fmt: skip
        out.write(picture)
    bed = [place(640, 520), place(740, 520), place(740, 560), place(640, 560)]
    write_layer(folder / "beds.geojson", [({"bed": "A1", "name": "Bed by the gate"}, polygon(bed))])
    (folder / "site.toml").write_text(
        f'schema_version = 1\nname = {json.dumps(name)}\nnote = "Invented."\nline = "rigid-900mm"\n'
        '[[inputs.beds]]\nfile = "beds.geojson"\n[[inputs.pictures]]\nfile = "air.tif"\n'
        f'[show]\nunits = "{units}"\n',
        encoding="utf-8",
    )
    return folder


_TO_LONLAT = Transformer.from_crs("EPSG:26915", "EPSG:4326", always_xy=True)


def place(column: float, row: float) -> tuple[float, float]:
    """Longitude and latitude of a pixel of the picture."""
    lon, lat = _TO_LONLAT.transform(WEST_M + column * PIXEL_M, NORTH_M - row * PIXEL_M)
    return float(lon), float(lat)


def polygon(corners: Sequence[tuple[float, float]]) -> dict[str, Any]:
    """GeoJSON of one outline."""
    return {"type": "Polygon", "coordinates": [[*map(list, corners), list(corners[0])]]}


def write_layer(path: Path, features: Sequence[tuple[dict[str, Any], dict[str, Any]]]) -> None:
    """A GeoJSON file of properties and geometries."""
    listed = [{"type": "Feature", "properties": p, "geometry": g} for p, g in features]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": listed}), encoding="utf-8")


def sample_site(folder: Path, name: str = "fennel_row") -> Path:
    """A copy of a sample site."""
    shutil.copytree(SAMPLES / name, folder)
    return folder


# ---------------------------------------------------------------- the program


def free_port() -> int:
    """A port nobody listens on."""
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


@dataclass
class Desk:
    """``siteplan desk`` as a process."""

    folder: Path
    port: int = field(default_factory=free_port)
    who: str = "Tester"
    process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        """Address of its page."""
        return f"http://127.0.0.1:{self.port}/"

    @property
    def log(self) -> Path:
        """What the program says of trouble."""
        return self.folder.parent / "desk.log"

    def start(self) -> Desk:
        """Start it and wait until it answers."""
        run = "import sys; from siteplan.cli import main; sys.exit(main())"
        options = ("--no-browser", "--port", str(self.port), "--who", self.who)
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-c", run, "desk", str(self.folder), *options],
                stdout=subprocess.DEVNULL,
                stderr=log,
            )
        until = time.monotonic() + 120
        while time.monotonic() < until and self.process.poll() is None:
            try:
                self.get("/api/head")
            except (OSError, TimeoutError):  # it listens before the site is read
                time.sleep(0.05)
            else:
                return self
        self.kill()
        raise AssertionError(f"the desk did not start: {self.log.read_text()[-3000:]}")

    def kill(self) -> None:
        """As a power cut: no warning."""
        if self.process is not None:
            self.process.send_signal(signal.SIGKILL)
            self.process.wait()
            self.process = None

    def get(self, path: str) -> Any:
        """A JSON answer."""
        with urllib.request.urlopen(f"http://127.0.0.1:{self.port}{path}", timeout=20) as answer:
            return json.load(answer)


@dataclass
class Inside(Desk):
    """The same program in a thread of this process: its modules are read in once for all tests."""

    server: uvicorn.Server | None = None
    session: Session | None = None
    thread: threading.Thread | None = None

    def start(self) -> Desk:
        """Start it and wait until it listens."""
        sock = listening(self.port)
        self.session = Session(self.folder, self.who)
        app = make_app(self.session, token=secrets.token_urlsafe(32), port=self.port)
        self.server = uvicorn.Server(uvicorn.Config(app, log_level="error", lifespan="off"))
        self.thread = threading.Thread(target=self.server.run, kwargs={"sockets": [sock]})
        self.thread.start()
        while not self.server.started:
            assert self.thread.is_alive()
            time.sleep(0.01)
        return self

    def kill(self) -> None:
        """End it."""
        if self.server is not None and self.thread is not None and self.session is not None:
            self.server.should_exit = self.server.force_exit = True
            self.thread.join(20)
            self.session.close()
            self.server = None


@contextmanager
def running(folder: Path, *, inside: bool = True, **more: Any) -> Iterator[Desk]:
    """A desk, ended afterwards; a process of its own where it is to be killed."""
    desk = (Inside if inside else Desk)(folder, **more).start()
    try:
        yield desk
    finally:
        desk.kill()


# ---------------------------------------------------------------- the page


@dataclass
class Guest:
    """A person at the page: opens it, and afterwards it is told what it asked for and said."""

    page: Page
    desk: Desk
    requests: list[str] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    blocked: list[str] = field(default_factory=list)
    expected: tuple[str, ...] = ()

    def settle(self) -> None:
        """Wait until everything is saved."""
        self.page.wait_for_selector('#saving[data-state="saved"]', timeout=20_000)

    def quiet(self) -> None:
        """Wait until no point is held and no edit is on its way, saved or not."""
        self.until(
            lambda: self.page.evaluate("!desk.dragging && !desk.saving.waiting()"), "nothing is on its way"
        )

    def still(self) -> None:
        """Wait until the map stands where it stood: what is told above it moves it down."""
        box = (
            "(() => { const node = desk.map().getContainer(), b = node.getBoundingClientRect(),"
            " s = desk.map().getSize();"
            " return [b.x, b.y, node.clientWidth, node.clientHeight, s.x, s.y]; })()"
        )
        seen: list[Any] = []

        def again() -> bool:
            seen.append(self.page.evaluate(box))
            return len(seen) > 1 and seen[-1] == seen[-2] and seen[-1][2:4] == seen[-1][4:6]

        self.until(again, "the map stands still")

    @contextmanager
    def saving(self) -> Iterator[None]:
        """What is done in here is saved at its end."""
        before = self.page.evaluate("desk.state.revision")
        yield
        self.until(lambda: self.page.evaluate("desk.state.revision") > before, "a new revision", 30)
        self.settle()

    def until(self, holds: Callable[[], Any], what: str, wait_s: float = 20) -> Any:
        """Wait until something holds; pages under our policy may not be asked by ``wait_for_function``."""
        end = time.monotonic() + wait_s
        while time.monotonic() < end:
            found = holds()
            if found:
                return found
            self.page.wait_for_timeout(30)
        raise AssertionError(
            f"{what}: not within {wait_s} s; saving says {self.page.inner_text('#saving')!r}"
        )

    def screen(self, lonlat: Sequence[float]) -> tuple[float, float]:
        """Where a place is on the screen."""
        x, y = self.page.evaluate(
            "(p) => { const at = desk.toScreen(p), box = desk.map().getContainer().getBoundingClientRect();"
            " return [at.x + box.x, at.y + box.y]; }",
            list(lonlat),
        )
        return float(x), float(y)

    def click(self, lonlat: Sequence[float]) -> None:
        """Click a place, as a hand does: go there, press, release, and see it taken."""
        x, y = self.screen(lonlat)
        self.page.mouse.move(x, y)
        before = self.drawn()
        self.page.mouse.click(x, y)
        if self.page.evaluate("desk.sketch.active()"):
            self.until(
                lambda: self.drawn() != before or not self.page.evaluate("desk.sketch.active()"),
                "the point is taken",
            )

    def drawn(self) -> list[list[float]]:
        """Points of what is being drawn."""
        return list(self.page.evaluate("desk.sketch.points()"))

    def features(self, role: str = "beds") -> list[dict[str, Any]]:
        """What the page holds."""
        fields = "role, id, name, rings, kinds, attributes"
        return list(
            self.page.evaluate(
                "(role) => [...desk.store.features.values()].filter((f) => f.role === role)"
                f".map(({{{fields}}}) => ({{{fields}}}))",
                role,
            )
        )

    def drag(self, start: Sequence[float], end: Sequence[float], steps: int = 6) -> None:
        """Drag from a place to another."""
        self.page.mouse.move(*self.screen(start))
        self.page.mouse.down()
        self.page.mouse.move(*self.screen(end), steps=steps)
        self.page.mouse.up()


def visit(browser: Browser, desk: Desk, device: dict[str, Any] | None = None) -> Guest:
    """Open the page; a request to anywhere else is blocked and kept account of."""
    context = browser.new_context(reduced_motion="reduce", accept_downloads=True, **(device or DESKTOP))
    page = context.new_page()
    guest = Guest(page, desk)

    def gate(route: Any) -> None:
        if route.request.url.startswith((desk.url, "data:", "blob:")):
            route.continue_()
        else:
            guest.blocked.append(route.request.url)
            route.abort()

    context.route("**/*", gate)
    page.on("request", lambda request: guest.requests.append(request.url))
    page.on("websocket", lambda socket: guest.blocked.append(socket.url))
    page.on(
        "console",
        lambda message: (
            guest.said.append(message.text)
            if message.type in ("error", "warning") and "Failed to load resource" not in message.text
            else None
        ),
    )
    page.on("pageerror", lambda error: guest.said.append(f"{error} {error.stack}"))
    page.goto(desk.url)
    page.wait_for_selector("html[data-ready]", timeout=30_000)
    return guest


def leave(guest: Guest) -> None:
    """Close the page and look at what it did: no request outside, no complaint, no foreign script."""
    pwned = guest.page.evaluate("window.pwned ?? null")
    guest.page.context.close()
    assert guest.blocked == []
    assert pwned is None
    complaints = [text for text in guest.said if not any(known in text for known in guest.expected)]
    assert complaints == [], "\n".join(complaints)
