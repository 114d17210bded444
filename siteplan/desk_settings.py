"""What ``site.toml`` says about the desk."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import Field, field_validator

from siteplan.tomlfile import Table


class TileSource(Table):
    """Tiles from another computer, laid under the site at the desk; asked for only where a site names it."""

    name: Annotated[str, Field(min_length=1, max_length=100)]
    url: Annotated[str, Field(max_length=500)]
    """``https://.../{z}/{x}/{y}...``, in the numbering of web maps"""
    attribution: Annotated[str, Field(min_length=1, max_length=300)]
    """whose they are, shown on the map"""

    @field_validator("url")
    @classmethod
    def _an_address(cls, value: str) -> str:
        host = re.match(r"https://(\{s\}\.)?[A-Za-z0-9][A-Za-z0-9.-]*(:\d{1,5})?/", value)
        if host is None or not all(key in value for key in ("{z}", "{x}", "{y}")):
            raise ValueError('must be such as "https://tiles.example.org/{z}/{x}/{y}.png"')
        if re.search(r"[\s\"'<>;,]", value):
            raise ValueError("must not hold spaces, quotes, commas or semicolons")
        return value

    @property
    def origin(self) -> str:
        """Scheme and host, for the page's policy."""
        scheme, _, rest = self.url.partition("://")
        return f"{scheme}://{rest.split('/')[0].replace('{s}.', '*.')}"


class DeskSettings(Table):
    """The desk."""

    tiles: list[TileSource] = []  # noqa: RUF012  (pydantic copies defaults)
    """online pictures the page may show; none by default, and then it asks no other computer"""
