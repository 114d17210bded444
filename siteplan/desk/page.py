"""The page of the desk: folium's frame of the map, our head, and the body that lies in ``page/``."""

from __future__ import annotations

import functools
import re
from collections.abc import Sequence
from html import escape
from pathlib import Path
from typing import Final

from siteplan.publish.assets import VENDOR
from siteplan.publish.pageframe import Page, SiteMap, Verbatim, content_sum

PAGE: Final = Path(__file__).parent / "page"
_HEAD_MARK: Final = "<!--desk:head-->"
_MAP_MARK: Final = "<!--desk:map-->"
_SHARED: Final = {"map_draw.js": VENDOR.parent / "map_draw.js"}
"""scripts of other pages that this one uses too"""
ALL_SCRIPTS: Final = "desk.js"
_SCRIPT: Final = re.compile(r'<script src="/assets/desk/([a-z_]+\.js)"></script>\n')


@functools.cache
def _frame() -> str:
    """The whole page but for the head that differs from start to start.  Takes no argument, on purpose."""
    page = Page()
    site_map = SiteMap(zoom_control=False)
    page.add_child(site_map)
    for text in (_HEAD_MARK,):
        page.header.add_child(Verbatim(text))
    for text in (_own("page.html"),):
        page.html.add_child(Verbatim(_one_script(text)))
    return page.render()


def _own(name: str) -> str:
    return _SHARED.get(name, PAGE / name).read_text(encoding="utf-8")


def _one_script(body: str) -> str:
    """The body with one script for all: a browser that asks for each waits for each."""
    start, *_, end = (m.span() for m in _SCRIPT.finditer(body))
    return f'{body[: start[0]]}<script src="/assets/desk/{ALL_SCRIPTS}"></script>\n{body[end[1] :]}'


def all_scripts() -> str:
    """The scripts of the page, in the order the body names them."""
    return "\n".join(_own(name) for name in _SCRIPT.findall(_own("page.html")))


def desk_page(token: str, title: str) -> str:
    """The page.

    Parameters
    ----------
    token : of this start; the page gives it back with everything it asks
    title : of the site
    """
    head = (
        f'<meta charset="utf-8"><meta name="desk-token" content="{escape(token)}">'
        f"<title>{escape(title)}</title>"
        '<link rel="icon" href="data:,">'
        '<link rel="stylesheet" href="/assets/leaflet/leaflet.css">'
        '<link rel="stylesheet" href="/assets/desk/desk.css">'
        '<script src="/assets/leaflet/leaflet.js"></script>'
    )
    before, after = _frame().split(_HEAD_MARK)
    return f"{before}{head}{_map_first(after)}"


def _map_first(after: str) -> str:
    """The map's element where the body says, and folium's own script before the page's scripts.

    folium writes both at the end of the body; the order of elements is the order of the Tab key.
    """
    at = after.rindex("<script>")
    end = after.index("</script>", at) + len("</script>")
    script = after[at:end]
    rest = after[:at] + after[end:]
    element = re.search(r'<div class="folium-map".*?</div>', rest, re.DOTALL)
    if element is None:
        raise RuntimeError("folium's frame holds no element of the map")
    rest = rest[: element.start()] + rest[element.end() :]
    first = rest.index("<script ")
    return f"{rest[:first]}{script}{rest[first:]}".replace(_MAP_MARK, element[0], 1)


def policy(page: str, tiles: Sequence[str] = ()) -> str:
    """Content policy of the page: its own files, and the sums of the scripts that stand in it.

    Parameters
    ----------
    page : as sent
    tiles : origins of the tile sources the site names
    """
    scripts = " ".join(content_sum(t) for t in re.findall(r"<script>(.*?)</script>", page, re.DOTALL))
    images = " ".join(["'self'", "data:", "blob:", *tiles])
    return (
        f"default-src 'none'; script-src 'self' {scripts}; style-src 'self' 'unsafe-inline'; "
        f"img-src {images}; connect-src 'self'; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )
