"""The routes of the desk: each reads its request, asks the session, and writes the answer."""

from __future__ import annotations

import json
import logging
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import orjson
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import Route

from siteplan.desk import wire
from siteplan.desk.guards import Guard
from siteplan.desk.page import ALL_SCRIPTS, PAGE, all_scripts, desk_page, policy
from siteplan.desk.session import Session, refused
from siteplan.desk.view import Box
from siteplan.desk.wire import Refused
from siteplan.desk.words import seen_from
from siteplan.errors import OutputError, SiteplanError
from siteplan.publish.assets import VENDOR, script_text

LOG: Final = logging.getLogger("siteplan.desk")
KINDS: Final = {".js": "text/javascript", ".css": "text/css", ".png": "image/png"}
_PLAIN_NAME: Final = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_.-]*")


def make_app(session: Session, *, token: str, port: int | None = None) -> Guard:
    """The desk as an ASGI application.

    Parameters
    ----------
    session : the site
    token : of this start
    port : it listens on; None in tests
    """
    desk = _Desk(session, token)
    app = Starlette(
        routes=desk.routes(),
        exception_handlers=dict.fromkeys((Refused, SiteplanError, HTTPException, Exception), _told),
    )
    app.state.folder = session.folder
    return Guard(app, token=token, port=port)


def answer(data: Any, status: int = 200) -> Response:
    """JSON."""
    try:
        body = orjson.dumps(data)
    except TypeError:
        # half a surrogate pair in a text has no UTF-8 form: it goes as an escape
        body = json.dumps(data, ensure_ascii=True, separators=(",", ":"), allow_nan=False).encode("ascii")
    return Response(body, status_code=status, media_type="application/json")


def _told(request: Request, error: Exception) -> Response:
    """The answer to a request that failed."""
    if isinstance(error, Refused):
        return answer(error.body, error.status)
    if isinstance(error, OutputError):
        made = Refused(507, str(error), why=str(error))
    elif isinstance(error, SiteplanError):
        made = refused(seen_from(request.app.state.folder, error), None)
    elif isinstance(error, HTTPException):
        made = Refused(error.status_code, error.detail)
    else:
        LOG.exception("the desk stumbled over %s", request.url.path, exc_info=error)
        made = Refused(500, f"The desk stumbled over this ({type(error).__name__}). Please report it")
    return answer(made.body, made.status)


class _Desk:
    """The routes, with the session they ask."""

    def __init__(self, session: Session, token: str) -> None:
        self.session = session
        self.token = token

    def routes(self) -> list[Route]:
        """Every route."""
        reads: dict[str, Callable[[Request], Any]] = {
            "/api/site": lambda r: self.session.site(),
            "/api/head": lambda r: self.session.head(),
            "/api/features": lambda r: self.session.features(_box(r)),
            "/api/plan": lambda r: self.session.plan(_box(r), _zoom(r)),
            "/api/panel": lambda r: self.session.panel(r.query_params.get("bed")),
            "/api/revisions": lambda r: self.session.revisions(),
            "/api/settings": lambda r: self.session.settings(r.query_params.get("bed")),
            "/api/tapes": lambda r: self.session.tapes(r.query_params.get("bed")),
            "/api/at": lambda r: self.session.at(_degrees(r, "lon", 180), _degrees(r, "lat", 89)),
        }
        writes: dict[str, Callable[[Request, dict[str, Any]], Any]] = {
            "/api/try": self._try,
            "/api/edit": self._edit,
            "/api/undo": self._undo,
            "/api/back": self._back,
            "/api/geometry": lambda r, body: self.session.geometry(body),
            "/api/measure": lambda r, body: self.session.measure(body),
            "/api/compare": self._compare,
            "/api/write": lambda r, body: self.session.write(),
        }
        return [
            Route("/", self._page),
            Route("/assets/leaflet/{path:path}", self._leaflet),
            Route("/assets/desk/{name}", self._own),
            Route("/tiles/{picture}/{z}/{x}/{y}", self._tile),
            Route("/api/export/{name}", self._export),
            *(Route(path, _read(make)) for path, make in reads.items()),
            *(Route(path, _write(make), methods=["POST"]) for path, make in writes.items()),
        ]

    # --- the page and its files

    async def _page(self, request: Request) -> Response:
        title = self.session.state.site.settings.name
        sources = self.session.state.site.settings.desk.tiles
        text = await run_in_threadpool(desk_page, self.token, title)
        # half a surrogate pair in a title has no UTF-8 form
        body = text.encode("utf-8", errors="xmlcharrefreplace")
        return Response(
            body,
            media_type="text/html; charset=utf-8",
            headers={"Content-Security-Policy": policy(text, [t.origin for t in sources])},
        )

    async def _leaflet(self, request: Request) -> Response:
        name = request.path_params["path"]
        if name == "leaflet.js":
            return _text(script_text("leaflet/dist/leaflet.js"), ".js")
        if name == "leaflet.css" or re.fullmatch(r"images/[a-z0-9-]+\.png", name):
            path = VENDOR / "leaflet" / "dist" / name
            if path.is_file():
                return _file(path)
        raise HTTPException(404, "There is no such file")

    async def _own(self, request: Request) -> Response:
        name = request.path_params["name"]
        if name == ALL_SCRIPTS:
            return _text(all_scripts(), ".js")
        path = PAGE / name
        if not _PLAIN_NAME.fullmatch(name) or path.suffix != ".css" or not path.is_file():
            raise HTTPException(404, "There is no such file")
        return _file(path)

    # --- pictures and downloads

    async def _tile(self, request: Request) -> Response:
        given = request.path_params
        numbers = [given[k] for k in ("z", "x", "y")]
        if not all(n.isdecimal() and len(n) <= 9 for n in numbers):
            raise HTTPException(404, "There is no such tile")
        z, x, y = (int(n) for n in numbers)

        def cut() -> Response:
            tile = self.session.tiles.get(given["picture"], z, x, y)
            if tile is None:
                return Response(status_code=204)
            keep = {"Cache-Control": "private, max-age=3600"}
            return Response(tile, media_type="image/webp", headers=keep)

        return await run_in_threadpool(_answered, request, cut)

    async def _export(self, request: Request) -> Response:
        def made() -> Response:
            content, mime, name = self.session.export(request.path_params["name"])
            attached = {"Content-Disposition": f'attachment; filename="{name}"'}
            return Response(content, media_type=mime, headers=attached)

        return await run_in_threadpool(_answered, request, made)

    # --- changes

    def _compare(self, request: Request, body: dict[str, Any]) -> Any:
        names = wire.items(body.get("lines"), "lines", least=2, most=8)
        return self.session.compare([wire.text(n, "lines", most=200, empty=False) for n in names])

    def _try(self, request: Request, body: dict[str, Any]) -> Any:
        return self.session.attempt(wire.whole(body.get("base"), "base"), wire.changes(body.get("changes")))

    def _edit(self, request: Request, body: dict[str, Any]) -> Any:
        etag = request.headers.get("if-match")
        if etag is None:
            raise Refused(428, "A change names the revision it was made on (If-Match)")
        return self.session.save(
            wire.whole(body.get("base"), "base"),
            etag.strip().removeprefix("W/").strip('"'),
            wire.text(body.get("what"), "what", most=500, empty=False),
            wire.changes(body.get("changes")),
        )

    def _undo(self, request: Request, body: dict[str, Any]) -> Any:
        base = wire.whole(body.get("base"), "base")
        return self.session.undo(base, wire.whole(body.get("revision"), "revision"))

    def _back(self, request: Request, body: dict[str, Any]) -> Any:
        return self.session.back(wire.whole(body.get("base"), "base"), wire.whole(body.get("to"), "to"))


def _read(make: Callable[[Request], Any]) -> Callable[[Request], Any]:
    async def endpoint(request: Request) -> Response:
        return await run_in_threadpool(_answered, request, lambda: make(request))

    return endpoint


def _write(make: Callable[[Request, dict[str, Any]], Any]) -> Callable[[Request], Any]:
    async def endpoint(request: Request) -> Response:
        given = await request.body()
        return await run_in_threadpool(_answered, request, lambda: make(request, wire.parsed(given)))

    return endpoint


def _answered(request: Request, make: Callable[[], Any]) -> Response:
    """The answer, or what went wrong: here, so that a mistake of ours does not cut the connection."""
    try:
        made = make()
        return made if isinstance(made, Response) else answer(made)
    except Exception as error:
        return _told(request, error)


def _file(path: Path) -> Response:
    return FileResponse(path, media_type=KINDS[path.suffix], headers={"Cache-Control": "no-cache"})


def _text(text: str, suffix: str) -> Response:
    return Response(text, media_type=KINDS[suffix], headers={"Cache-Control": "no-cache"})


def _box(request: Request) -> Box | None:
    given = request.query_params.get("bbox")
    if given is None:
        return None
    parts = given.split(",")
    try:
        numbers = [float(p) for p in parts]
    except ValueError:
        numbers = []
    if len(numbers) != 4:
        wire.bad("bbox must be west,south,east,north")
    west, south, east, north = (wire.number(n, "bbox", least=-1000, most=1000) for n in numbers)
    return west, south, east, north


def _degrees(request: Request, name: str, most: float) -> float:
    try:
        return wire.number(float(request.query_params.get(name, "")), name, least=-most, most=most)
    except ValueError:
        wire.bad(f"{name} must be degrees")


def _zoom(request: Request) -> float | None:
    given = request.query_params.get("zoom")
    if given is None:
        return None
    try:
        return wire.number(float(given), "zoom", least=0, most=30)
    except ValueError:
        wire.bad("zoom must be a number")
