"""What stands before every answer: who may ask, and how much.

- Only this machine's own names as Host: a foreign name that points here (DNS rebinding) gets 400.
- Only our own page: a request that says it comes from another site (``Sec-Fetch-Site``, ``Origin``) gets 403.
- Writing takes the token of this start, our own Origin, and JSON; the body is counted as it is read.
- No header lets another site read an answer, and a policy holds the page to its own scripts.
"""

from __future__ import annotations

import hmac
import json
from collections.abc import Iterable
from typing import Any, Final

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from siteplan.desk.wire import MOST_BYTES

HEADERS: Final = (
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"x-frame-options", b"DENY"),
)
_READS: Final = ("GET", "HEAD")


class Guard:
    """ASGI middleware round the whole desk.

    Parameters
    ----------
    app : the desk
    token : of this start
    port : the desk listens on; None: any (tests)
    names : host names it answers to
    """

    def __init__(
        self, app: ASGIApp, *, token: str, port: int | None, names: Iterable[str] = ("127.0.0.1", "localhost")
    ) -> None:
        self.app = app
        self.token = token
        self.hosts = {name if port is None else f"{name}:{port}" for name in names}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, or refuse."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        headers = {k.lower(): v for k, v in scope["headers"]}
        refusal = self._refusal(scope, headers)
        if refusal is not None:
            await _refuse(send, *refusal)
            return
        if scope["method"] not in _READS:
            body = await _body(receive)
            if body is None:
                await _refuse(send, 413, f"The body is larger than {MOST_BYTES // 1_000_000} MB")
                return
            receive = _again(body, receive)
        await self.app(scope, receive, _with_headers(send))

    def _refusal(self, scope: Scope, headers: dict[bytes, bytes]) -> tuple[int, str] | None:
        if [k.lower() for k, _ in scope["headers"]].count(b"host") != 1:
            return 400, "A request names one host"
        host = headers[b"host"].decode("latin-1").lower()
        if host not in self.hosts:
            return 400, "This is the desk of a site on this machine, and does not answer to that name"
        site = headers.get(b"sec-fetch-site", b"none").decode("latin-1")
        if site not in ("same-origin", "none"):
            return 403, "Another site may not read from the desk"
        origin = headers.get(b"origin")
        if origin is not None and origin.decode("latin-1").lower() != f"http://{host}":
            return 403, "Another site may not read from the desk"
        if scope["method"] in _READS:
            return None
        if scope["method"] != "POST":
            return 405, "The desk takes GET and POST"
        if origin is None:
            return 403, "A change must come from the desk's own page (no Origin was named)"
        given = headers.get(b"x-desk-token", b"")
        if not hmac.compare_digest(given, self.token.encode("ascii")):
            return 403, "The desk was started anew since this page was opened: open the page again"
        kind = headers.get(b"content-type", b"").decode("latin-1").split(";")[0].strip().lower()
        if kind != "application/json":
            return 415, "A change must be JSON (Content-Type: application/json)"
        length = headers.get(b"content-length")
        if length is not None and (not length.isdigit() or int(length) > MOST_BYTES):
            return 413, f"The body is larger than {MOST_BYTES // 1_000_000} MB"
        return None


async def _body(receive: Receive) -> bytes | None:
    """The whole body, counted while it is read; None where it is too large."""
    parts: list[bytes] = []
    size = 0
    while True:
        message = await receive()
        if message["type"] != "http.request":
            break
        size += len(message.get("body", b""))
        if size > MOST_BYTES:
            return None
        parts.append(message.get("body", b""))
        if not message.get("more_body", False):
            break
    return b"".join(parts)


def _again(body: bytes, receive: Receive) -> Receive:
    sent = False

    async def give() -> Message:
        nonlocal sent
        if sent:
            return await receive()
        sent = True
        return {"type": "http.request", "body": body, "more_body": False}

    return give


def _with_headers(send: Send) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            given = {k.lower() for k, _ in message["headers"]}
            more: list[Any] = [pair for pair in HEADERS if pair[0] not in given]
            if b"cache-control" not in given:
                more.append((b"cache-control", b"no-store"))
            message["headers"] = [*message["headers"], *more]
        await send(message)

    return sending


async def _refuse(send: Send, status: int, what: str) -> None:
    body = json.dumps({"faults": [{"what": what, "where": None, "mend": "", "at": None}]}).encode()
    headers = [
        (b"content-type", b"application/json"),
        (b"content-length", str(len(body)).encode()),
        (b"cache-control", b"no-store"),
        *HEADERS,
    ]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
