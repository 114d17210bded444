"""The crew page as one file: template, style, scripts and the plan, with a content policy."""

from __future__ import annotations

import base64
import functools
import hashlib
from html import escape
from pathlib import Path
from typing import Any, Final

from siteplan.publish.webmap import script_json

_HERE: Final = Path(__file__).parent
SCRIPTS: Final = (
    "crew_plan.js", "crew_words.js", "crew_field.js", "crew_map.js", "crew_file.js", "crew_page.js",
)  # fmt: skip
"""parts of the one script: the plan unpacked, what is said of pieces, what is noted down, the map,
saving and printing, the views"""
_MARKS: Final = ("<!--crew:policy-->", "<!--crew:title-->", "<!--crew:style-->", "<!--crew:plan-->",
                 "<!--crew:script-->")  # fmt: skip


@functools.cache
def _parts() -> tuple[list[str], str, str]:
    """The template divided at its marks, the style and the script.  Takes no argument, on purpose."""
    text = _own("crew_page.html")
    parts = []
    for mark in _MARKS:
        before, text = text.split(mark)
        parts.append(before)
    script = '(() => {\n"use strict";\n' + "".join(_own(name) for name in SCRIPTS) + "})();\n"
    return [*parts, text], _own("crew_page.css"), script


def _own(name: str) -> str:
    return (_HERE / name).read_text(encoding="utf-8")


def _sum(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode('ascii')}'"


def crew_page(data: dict[str, Any]) -> bytes:
    """The page as UTF-8 bytes.

    Parameters
    ----------
    data : as :func:`siteplan.crew.data.crew_data` makes it

    Notes
    -----
    Nothing of the plan stands in the page but as JSON with ``<``, ``>`` and ``&`` escaped, and
    in the title, escaped.  The content policy names the sums of the page's own style and
    script, made before any data is there, and allows no address to be reached.
    """
    parts, style, script = _parts()
    policy = (
        f"default-src 'none'; script-src {_sum(script)}; style-src {_sum(style)}; img-src data:; "
        "base-uri 'none'; form-action 'none'"
    )
    filled = (
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">',
        f"<title>{escape(str(data['site']))}: crew page</title>",
        f"<style>{style}</style>",
        f'<script type="application/json" id="crew-plan">{script_json(data)}</script>',
        f"<script>{script}</script>",
    )
    text = "".join(a + b for a, b in zip(parts, (*filled, ""), strict=True))
    # half a surrogate pair in a title has no UTF-8 form; in the JSON it is escaped already
    return text.encode("utf-8", errors="xmlcharrefreplace")
