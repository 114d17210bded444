"""The desk started: a port, the server, the browser."""

from __future__ import annotations

import secrets
import socket
import threading
import webbrowser
from collections.abc import Callable
from pathlib import Path
from typing import Final

import uvicorn

from siteplan.desk.app import make_app
from siteplan.desk.session import Session
from siteplan.errors import UsageError

HOST: Final = "127.0.0.1"
FIRST_PORT: Final = 8760
TRIED: Final = 40


def listening(port: int | None) -> socket.socket:
    """A socket on this machine alone.

    Parameters
    ----------
    port : asked for; None: the first free one from 8760 on

    Raises
    ------
    UsageError : the port is taken, or may not be used
    """
    ports = [port] if port is not None else [*range(FIRST_PORT, FIRST_PORT + TRIED), 0]
    why = ""
    for number in ports:
        # named as TCP, so that the event loop turns off the delay of small packets (40 ms an answer)
        sock = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            sock.bind((HOST, number))
            sock.listen(128)
        except OSError as error:
            sock.close()
            why = error.strerror or str(error)
            continue
        return sock
    raise UsageError(
        f"port {port} cannot be used ({why}): another desk may be open on it. "
        "Name another one with --port, or leave it out and a free one is taken"
    )


def run_desk(folder: Path, *, who: str, port: int | None, browser: bool, say: Callable[[str], None]) -> None:
    """Serve a site until Ctrl-C.

    Parameters
    ----------
    folder : of the site
    who : name kept with every revision
    port : None for a free one
    browser : open it
    say : prints a line

    Raises
    ------
    UsageError : the port cannot be used
    DataError, OutputError : the site cannot be opened
    """
    sock = listening(port)
    try:
        number = sock.getsockname()[1]
        session = Session(folder, who)
        app = make_app(session, token=secrets.token_urlsafe(32), port=number)
        address = f"http://{HOST}:{number}/"
        name = session.state.site.settings.name
        say(f"{name} is open at {address} (on this machine alone). Ctrl-C to stop.")
        if browser:
            threading.Timer(0.3, webbrowser.open, [address]).start()
        config = uvicorn.Config(
            app, log_level="warning", access_log=False, server_header=False, timeout_graceful_shutdown=5
        )
        try:
            uvicorn.Server(config).run(sockets=[sock])
        finally:
            session.close()
    finally:
        sock.close()
    say("Stopped. Everything that was shown as saved is saved.")
