"""The desk started: a port, the server, the browser."""

from __future__ import annotations

import gc
import secrets
import socket
import threading
import webbrowser
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import uvicorn

from siteplan.desk.app import make_app
from siteplan.desk.session import Session
from siteplan.errors import UsageError
from siteplan.revise import new_site
from siteplan.sites import SITE_FILE

HOST: Final = "127.0.0.1"
FIRST_PORT: Final = 8760
TRIED: Final = 40
FIRST_LINE: Final = "flex-2m"
"""product line of a new site until another is chosen: it bends round corners as they are traced"""


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


@dataclass(frozen=True, slots=True)
class NewSite:
    """A site to be begun at the desk: over a picture, or at a place."""

    name: str | None = None
    line: str | None = None
    units: str | None = None
    picture: Path | None = None
    at: str | None = None
    """longitude and latitude, with a comma between"""

    @property
    def asked(self) -> bool:
        """Whether anything of it was said."""
        return any(v is not None for v in (self.name, self.line, self.units, self.picture, self.at))


def site_folder(place: Path, who: str, new: NewSite) -> Path:
    """The folder of a site; a new one is begun where that was asked for.

    Raises
    ------
    UsageError : a new site where one is, or none and nothing said of where it is to be
    DataError, OutputError : from beginning it
    """
    folder = place.parent if place.name == SITE_FILE else place
    if (folder / SITE_FILE).exists():
        if new.asked:
            raise UsageError(
                f'there is a site in "{folder}" already: --name, --line, --units, --picture and --at '
                "begin a new one; what is there says all this in its site.toml, or at the desk"
            )
        return folder
    if (new.picture is None) == (new.at is None):
        raise UsageError(
            f'there is no {SITE_FILE} in "{folder}". To begin a new site there, say where it is: '
            "--picture FILE (a georeferenced picture), or --at LON,LAT"
        )
    new_site(
        folder,
        new.name or folder.resolve().name,
        new.line or FIRST_LINE,
        new.units or "m",
        who=who,
        picture=new.picture,
        lonlat=None if new.at is None else _lonlat(new.at),
    )
    return folder


def _lonlat(text: str) -> tuple[float, float]:
    try:
        lon, lat = (float(v) for v in text.split(","))
    except ValueError:
        raise UsageError(f'--at "{text}" is not a longitude and a latitude, such as -93.6,41.6') from None
    return lon, lat


def run_desk(
    place: Path,
    *,
    who: str,
    port: int | None,
    browser: bool,
    say: Callable[[str], None],
    new: NewSite | None = None,
) -> None:
    """Serve a site until Ctrl-C.

    Parameters
    ----------
    place : folder of the site, or its ``site.toml``
    who : name kept with every revision
    port : None for a free one
    browser : open it
    say : prints a line
    new : what is said of a site to be begun

    Raises
    ------
    UsageError : the port cannot be used
    DataError, OutputError : the site cannot be opened
    """
    sock = listening(port)
    try:
        number = sock.getsockname()[1]
        session = Session(site_folder(place, who, new or NewSite()), who)
        # the page that is opened now comes first
        session.worker.hold()
        # What is there now stays: the collector need not look through it again whenever an answer is made of
        # many small lists.
        gc.collect()
        gc.freeze()
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
        except KeyboardInterrupt:
            # the server has ended well, and passes Ctrl-C on
            pass
        finally:
            session.close()
    finally:
        sock.close()
    say("Stopped. Everything that was shown as saved is saved.")
