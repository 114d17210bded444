"""The as-built report as one page of HTML: every row, no script, nothing from outside."""

from __future__ import annotations

from html import escape
from typing import Final

from siteplan.asbuilt.make import AsBuilt
from siteplan.asbuilt.picture import LEGEND, draw_map
from siteplan.asbuilt.words import (
    Board,
    figures,
    findings_board,
    notes_board,
    rate_board,
    run_board,
    stock_board,
    taped_board,
)
from siteplan.publish.chart import printable
from siteplan.publish.mapdata import CAUTIONS
from siteplan.sheets.fonts import Fonts
from siteplan.sheets.pen import SvgPen
from siteplan.sheets.revision import short_hash

MAP: Final = (760.0, 420.0)
_STYLE: Final = """
:root{color-scheme:light}
body{font:16px/1.45 system-ui,"Segoe UI",Roboto,"DejaVu Sans",sans-serif;color:#111;background:#fff;
margin:0 auto;padding:1rem;max-width:64rem}
h1{font-size:1.5rem;margin:.2rem 0}h2{font-size:1.15rem;margin:1.4rem 0 .4rem}
.wide{overflow-x:auto}table{border-collapse:collapse;font-size:.9rem}
th,td{padding:.25rem .6rem;border-bottom:1px solid #bbb;text-align:left;vertical-align:top}
th{border-bottom:2px solid #111}.n{text-align:right;font-variant-numeric:tabular-nums;white-space:nowrap}
dl{display:grid;grid-template-columns:max-content 1fr;gap:.15rem 1rem}dd{margin:0;font-weight:600}
.look td:first-child{font-weight:700}svg{max-width:100%;height:auto}
@media print{body{font-size:10pt;max-width:none;padding:0}.wide{overflow:visible}tr{break-inside:avoid}}
"""


def _text(text: str) -> str:
    """Text for HTML: escaped, without signs that turn the writing round."""
    return escape(printable(text))


def _table(board: Board) -> str:
    if not board.rows:
        return ""

    def cells(tag: str, row: tuple[str, ...]) -> str:
        return "".join(
            f"<{tag}{' class=n' if k in board.right else ''}>{_text(cell)}</{tag}>"
            for k, cell in enumerate(row)
        )

    body = "\n".join(
        f"<tr{' class=look' if row[0] == 'look at' else ''}>{cells('td', row)}</tr>" for row in board.rows
    )
    return (
        f"<h2>{_text(board.title)}</h2>\n<div class=wide><table><thead><tr>{cells('th', board.head)}</tr>"
        f"</thead>\n<tbody>{body}</tbody></table></div>\n"
    )


def asbuilt_html(built: AsBuilt) -> str:
    """The whole report as a document."""
    pen = SvgPen(*MAP, Fonts(), f"{built.site.settings.name}: as built")
    draw_map(pen, built, 1, 1, MAP[0] - 2, MAP[1] - 2)
    name = _text(built.site.settings.name)
    svg = pen.document().split("?>", 1)[1]
    key = "; ".join(f"{words}: {_stroke_words(k)}" for k, (_, words) in enumerate(LEGEND))
    files = ", ".join(name.rsplit("/", 1)[-1] for name in built.files)
    lists = "".join(f"<dt>{_text(label)}</dt><dd>{_text(value)}</dd>" for label, value in figures(built))
    boards = (
        findings_board(built), run_board(built, every=True), stock_board(built), rate_board(built),
        taped_board(built), notes_board(built),
    )  # fmt: skip
    return (
        "<!doctype html>\n<html lang=en><head><meta charset=utf-8>\n"
        '<meta name=viewport content="width=device-width, initial-scale=1">\n'
        "<meta http-equiv=Content-Security-Policy "
        "content=\"default-src 'none'; style-src 'unsafe-inline'\">\n"
        f"<title>{name}: as built</title>\n<style>{_STYLE}</style></head>\n<body>\n"
        f"<h1>As built: {name}</h1>\n"
        f"<p>Plan {short_hash(built.digest)}. From {_text(files)}.</p>\n<dl>{lists}</dl>\n"
        f"<div class=wide>{svg}</div>\n<p>{_text(key)}; small square: survey point of no run.</p>\n"
        + "".join(_table(b) for b in boards)
        + "<p>Offsets in millimetres: plus is towards the bed (left of the walk), minus away from it. "
        "“Other” pieces are laid beyond the plan or to another plan.</p>\n<ul>"
        + "".join(f"<li>{_text(c)}</li>" for c in CAUTIONS)
        + "</ul>\n</body></html>\n"
    )


def _stroke_words(k: int) -> str:
    return ("solid blue line", "broken orange line", "dotted grey line")[k]
