"""Sites for the tests of the desk: a folder on disk, its session, and a client that asks it."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Coroutine, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

import httpx
import numpy as np

from siteplan.desk.app import make_app
from siteplan.desk.session import Session

from .make_sites import line, lonlat_of, polygon, rectangle, write_features

Answer = TypeVar("Answer")

TOKEN = "token-of-the-tests"
ORIGIN = "http://127.0.0.1"
HEADERS = {"X-Desk-Token": TOKEN, "Origin": ORIGIN}


def write_site(
    folder: Path,
    beds: Mapping[str, dict[str, Any]],
    *,
    abutments: Mapping[str, dict[str, Any]] | None = None,
    openings: Sequence[tuple[dict[str, Any], dict[str, Any]]] = (),
    more: str = "",
    product_line: str = "flex-2m",
) -> Path:
    """A site folder."""
    folder.mkdir(parents=True, exist_ok=True)
    text = f'name = "Test site"\nline = "{product_line}"\n'
    inputs = '[[inputs.beds]]\nfile = "beds.geojson"\n'
    write_features(folder / "beds.geojson", beds)
    if abutments:
        write_features(folder / "abutments.geojson", [({"id": k}, g) for k, g in abutments.items()])
        inputs += '[[inputs.abutments]]\nfile = "abutments.geojson"\n'
    if openings:
        write_features(folder / "openings.geojson", openings)
        inputs += '[[inputs.openings]]\nfile = "openings.geojson"\n'
    (folder / "site.toml").write_text(f"{text}{inputs}{more}", encoding="utf-8")
    return folder


def two_beds(folder: Path, **kwargs: Any) -> Path:
    """Two beds that share an edge, and one far away."""
    beds = {
        "B1": polygon(rectangle(8, 5)),
        "B2": polygon(rectangle(6, 5, at=(8, 0))),
        "B3": polygon(rectangle(7, 4, at=(40, 10))),
    }
    return write_site(folder, beds, **kwargs)


class Client:
    """Asks an ASGI application without a port; one request at a time.

    In a thread of its own: a browser of another test may keep an event loop in this one.
    """

    def __init__(self, app: Any) -> None:
        self._thread = ThreadPoolExecutor(1)
        self._runner = asyncio.Runner()
        transport = httpx.ASGITransport(app, raise_app_exceptions=False)
        self._client = httpx.AsyncClient(transport=transport, base_url=ORIGIN, timeout=None)

    def request(self, method: str, path: str, **kwargs: Any) -> httpx.Response:
        return self._run(self._client.request(method, path, **kwargs))

    def get(self, path: str, **kwargs: Any) -> httpx.Response:
        return self.request("GET", path, **kwargs)

    def post(self, path: str, **kwargs: Any) -> httpx.Response:
        return self.request("POST", path, **kwargs)

    def close(self) -> None:
        self._run(self._client.aclose())
        self._thread.submit(self._runner.close).result()
        self._thread.shutdown()

    def _run(self, asked: Coroutine[Any, Any, Answer]) -> Answer:
        return self._thread.submit(self._runner.run, asked).result()


class Desk:
    """A session, and a client that asks it."""

    def __init__(self, session: Session, client: Client) -> None:
        self.session = session
        self.client = client

    def get(self, path: str, status: int = 200) -> Any:
        answer = self.client.get(path)
        assert answer.status_code == status, (path, answer.status_code, answer.text[:400])
        return answer.json()

    def post(self, path: str, body: Any, status: int = 200, **headers: str) -> Any:
        answer = self.client.post(path, json=body, headers={**HEADERS, **headers})
        assert answer.status_code == status, (path, answer.status_code, answer.text[:600])
        return answer.json()

    def head(self) -> Any:
        return self.get("/api/head")

    def attempt(self, *changes: dict[str, Any], status: int = 200) -> Any:
        return self.post("/api/try", {"base": self.head()["revision"], "changes": list(changes)}, status)

    def edit(self, *changes: dict[str, Any], status: int = 200, what: str = "a test") -> Any:
        head = self.head()
        body = {"base": head["revision"], "what": what, "changes": list(changes)}
        return self.post("/api/edit", body, status, **{"If-Match": f'"{head["etag"]}"'})

    def feature(self, feature_id: str, role: str = "beds") -> Any:
        rows = self.get("/api/features")["features"]
        return next(f for f in rows if f["id"] == feature_id and f["role"] == role)


@contextmanager
def desk(folder: Path, who: str = "Ada") -> Iterator[Desk]:
    """A desk on a site folder."""
    session = Session(folder, who)
    try:
        client = Client(make_app(session, token=TOKEN))
        try:
            yield Desk(session, client)
        finally:
            client.close()
    finally:
        session.close()


def put(feature: Mapping[str, Any], **changed: Any) -> dict[str, Any]:
    """The change that puts a feature as the page got it."""
    keys = ("role", "id", "name", "rings", "kinds", "attributes")
    return {"op": "put", **{k: json.loads(json.dumps(feature[k])) for k in keys}, **changed}


def ring(points: Any) -> list[list[float]]:
    """Places on the wire from metres."""
    made: list[list[float]] = np.round(lonlat_of(points), 10).tolist()
    return made


__all__ = ["HEADERS", "ORIGIN", "TOKEN", "Desk", "desk", "line", "polygon", "put", "rectangle", "ring"]
