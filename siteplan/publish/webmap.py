"""The plan as one web page that opens from disk with no network.

folium draws the frame of the page, and the frame alone: :func:`_frame` takes no argument,
so no text and no coordinate of a user can reach a folium or branca object (they compile
text as a template).  The plan travels as JSON, escaped for a script element and placed
into the finished frame; the page's own script shows it with ``textContent``.  A content
policy names the sum of every script and style of the frame, made before any data is
there, so a script that came with the data would not run even if it got through.

Numbers are text made here or by the caller; the page computes none but its scale bar.
Positions are WGS 84, packed as whole 1e-8 degrees (about 1 mm).  Equal input gives equal
bytes: no clock, no random names.
"""

from __future__ import annotations

import base64
import functools
import json
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Any, Final

import numpy as np

from siteplan.errors import Grade, OutputError, UsageError
from siteplan.model import PieceKind
from siteplan.publish.assets import asset_path, script_text, style_text
from siteplan.publish.pageframe import Page, SiteMap, Verbatim, content_sum
from siteplan.types import BoolArray, FloatArray, IntArray, KindArray, LonLatArray, ObjectArray, OffsetArray

PIECE_LIMIT: Final = 60_000
"""The map draws at most this many pieces unless told otherwise; beyond, runs only."""

_HERE: Final = Path(__file__).parent
_UNIT: Final = 1e8
"""packed units in a degree"""

_POLICY_MARK: Final = "<!--siteplan:policy-->"
_TITLE_MARK: Final = "<!--siteplan:title-->"
_DATA_MARK: Final = "<!--siteplan:data-->"

_KIND_KEYS: Final = {
    PieceKind.SECTION: "section",
    PieceKind.CLOSER: "closer",
    PieceKind.CUT: "cut",
    PieceKind.CORNER: "corner",
    PieceKind.END: "end",
}
_GRADE_WORDS: Final[dict[Grade, str]] = {"error": "Look at this", "notice": "Note"}


# ---------------------------------------------------------------- what the map shows


@dataclass(frozen=True, slots=True, eq=False)
class MapShapes:
    """Beds, abutments or openings: n features, r rings, v vertices."""

    ids: ObjectArray
    """(n,) str, written as they are"""
    texts: ObjectArray
    """(n,) str shown when the feature is pointed at; lines divided by a newline"""
    lonlat: LonLatArray
    """(v, 2)"""
    ring_offsets: OffsetArray
    """(r + 1,); closed rings repeat no vertex"""
    ring_kind: KindArray
    """(r,) RingKind; an ISLAND follows the OUTER ring it lies in"""
    ring_feature: IntArray
    """(r,) not decreasing"""


@dataclass(frozen=True, slots=True, eq=False)
class MapLines:
    """Runs, or unmet legs: n lines, v vertices."""

    ids: ObjectArray
    """(n,) str"""
    texts: ObjectArray
    """(n,) str: lengths of a run, or how much an unmet leg lacks and why"""
    lonlat: LonLatArray
    """(v, 2)"""
    offsets: OffsetArray
    """(n + 1,); at least two vertices each, a closed run repeats its first"""


@dataclass(frozen=True, slots=True, eq=False)
class MapTapes:
    """Readings of tapes beside the map: n lines, v vertices."""

    ids: ObjectArray
    """(n,) str"""
    texts: ObjectArray
    """(n,) str: what was read, what the map says, what may be wrong"""
    labels: ObjectArray
    """(n,) str written on the map: the signed difference"""
    sign: IntArray
    """(n,) 1 where the tape is longer than the map, -1 where it is shorter, 0 where they agree"""
    lonlat: LonLatArray
    """(v, 2)"""
    offsets: OffsetArray
    """(n + 1,)"""


@dataclass(frozen=True, slots=True, eq=False)
class MapCorners:
    """c corners of the laying line."""

    lonlat: LonLatArray
    """(c, 2)"""
    outside: BoolArray
    """(c,) True for an outside corner"""
    texts: ObjectArray
    """(c,) str"""


@dataclass(frozen=True, slots=True, eq=False)
class MapPieces:
    """p pieces in laying order, v footprint vertices."""

    ids: ObjectArray
    """(p,) str"""
    kind: KindArray
    """(p,) PieceKind"""
    code: ObjectArray
    """(p,) str"""
    station: ObjectArray
    """(p,) str such as ``12.300 m to 13.500 m``"""
    length: ObjectArray
    """(p,) str"""
    lonlat: LonLatArray
    """(p, 2) where the sign of the piece stands"""
    outline_lonlat: LonLatArray
    """(v, 2) footprint rings without the repeated vertex"""
    outline_offsets: OffsetArray
    """(p + 1,)"""

    def __len__(self) -> int:
        return len(self.ids)


@dataclass(frozen=True, slots=True)
class CountRow:
    """One row of the table of counts; numbers are text."""

    code: str
    name: str
    kind: PieceKind
    count: str
    order: str


@dataclass(frozen=True, slots=True)
class FindingRow:
    """One finding, with the place it is about where there is one."""

    grade: Grade
    text: str
    lonlat: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class MapPicture:
    """A picture from above, laid under everything else."""

    data: bytes
    mime: str
    """``image/webp``, ``image/jpeg`` or ``image/png``"""
    bounds: tuple[float, float, float, float]
    """west, south, east, north; the picture is in the web map's own projection"""
    text: str
    """what it is, for people"""


@dataclass(frozen=True, slots=True, eq=False)
class MapData:
    """Everything the map page shows; plain arrays and text, positions in WGS 84."""

    title: str
    basis: tuple[str, ...]
    """lines under the title: grid, length basis, product line"""
    beds: MapShapes
    abutments: MapShapes
    openings: MapShapes
    runs: MapLines
    unmet: MapLines
    corners: MapCorners
    pieces: MapPieces
    counts: tuple[CountRow, ...]
    findings: tuple[FindingRow, ...]
    notes: tuple[str, ...] = ()
    """cautions and remarks under the legend"""
    picture: MapPicture | None = None
    tapes: MapTapes | None = None
    """where tapes were compared with the map"""


# ---------------------------------------------------------------- writing


def write_map(path: Path, data: MapData, *, piece_limit: int = PIECE_LIMIT) -> None:
    """Write the map page.

    Parameters
    ----------
    path : file to write; an existing one is replaced
    data : what to show
    piece_limit : with more pieces than this the page draws runs only, and says so

    Raises
    ------
    UsageError : arrays that do not fit together, or positions that are not WGS 84 degrees.
    OutputError : the file cannot be written, or the browser library is not installed.
    """
    page = map_page(data, piece_limit=piece_limit)
    try:
        path.write_bytes(page)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise OutputError(f'the map "{path}" cannot be written: {reason}') from error


def map_page(data: MapData, *, piece_limit: int = PIECE_LIMIT) -> bytes:
    """The map page as UTF-8 bytes; see :func:`write_map`."""
    plan = script_json(_plan(data, piece_limit))
    before, title_on = _frame().split(_TITLE_MARK)
    middle, after = title_on.split(_DATA_MARK)
    parts = (
        before,
        f"<title>{escape(data.title)}</title>",
        middle,
        f'<script type="application/json" id="siteplan-data">{plan}</script>',
        after,
    )
    # half a surrogate pair in a title has no UTF-8 form; in the JSON it is escaped already
    return "".join(parts).encode("utf-8", errors="xmlcharrefreplace")


def script_json(value: Any) -> str:
    """JSON that may stand in a script element whatever text is in it.

    Parameters
    ----------
    value : plain Python values; NaN and infinity raise ValueError

    Returns
    -------
    JSON text without ``<``, ``>``, ``&``, the line ends U+2028 and U+2029 and lone
    surrogates, all of which stand as escapes, so that no text can end the element.
    """
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return _UNSAFE.sub(lambda match: f"\\u{ord(match[0]):04x}", text)


_UNSAFE: Final = re.compile("[&<>\u2028\u2029\ud800-\udfff]")


# ---------------------------------------------------------------- the plan as plain values


def _plan(data: MapData, piece_limit: int) -> dict[str, Any]:
    _check(data)
    drawn = data.pieces if len(data.pieces) <= piece_limit else _no_pieces()
    pack = _Packer(_everywhere(data))
    return {
        "title": data.title,
        "basis": list(data.basis),
        "notes": list(data.notes),
        "piece_note": _piece_note(data, piece_limit),
        "origin": [int(v) for v in pack.origin],
        "bounds": pack.bounds,
        "beds": _shapes(data.beds, pack),
        "abutments": _shapes(data.abutments, pack),
        "openings": _shapes(data.openings, pack),
        "runs": _lines(data.runs, pack),
        "unmet": _lines(data.unmet, pack),
        "tapes": _tapes(data.tapes, pack),
        "corners": {
            "xy": pack(data.corners.lonlat),
            "outside": _bytes(data.corners.outside, "u1"),
            "texts": _texts(data.corners.texts),
        },
        "pieces": _pieces(drawn, pack),
        "picture": _picture(data.picture),
        "amounts": _amounts(data),
        "to_check": _to_check(data),
        "counts": [
            {"code": r.code, "name": r.name, "kind": int(r.kind), "count": r.count, "order": r.order}
            for r in data.counts
        ],
        "findings": [
            {
                "grade": f.grade,
                "word": _GRADE_WORDS[f.grade],
                "text": f.text,
                "at": None if f.lonlat is None else pack.offsets(np.array([f.lonlat], float))[0].tolist(),
            }
            for f in data.findings
        ],
    }


_MIMES: Final = ("image/webp", "image/jpeg", "image/png")


def _picture(picture: MapPicture | None) -> dict[str, Any] | None:
    """The picture as a data address, and its corners."""
    if picture is None:
        return None
    west, south, east, north = picture.bounds
    if not (-180 <= west < east <= 180 and -89 <= south < north <= 89) or picture.mime not in _MIMES:
        raise UsageError(f"the map's picture: {picture.mime} at {picture.bounds} cannot be shown")
    data = base64.b64encode(picture.data).decode("ascii")
    return {
        "url": f"data:{picture.mime};base64,{data}",
        "bounds": [[south, west], [north, east]],
        "text": picture.text,
    }


def _piece_note(data: MapData, piece_limit: int) -> str:
    n = len(data.pieces)
    if n > piece_limit:
        return (
            f"This plan has {n:,} pieces. The map draws at most {piece_limit:,}, so it shows the runs "
            "and not the single pieces; every piece is in the GeoPackage written beside this page."
        )
    return "Pieces are drawn to scale once you have zoomed in far enough to tell them apart." if n else ""


def _to_check(data: MapData) -> str:
    errors = sum(f.grade == "error" for f in data.findings)
    total = errors + len(data.unmet.ids)
    return f"{total:,}" if total else ""


def _amounts(data: MapData) -> dict[str, str]:
    """How many there are of everything that can be switched on and off, as text."""
    outside = int(np.count_nonzero(data.corners.outside))
    numbers = {
        "beds": len(data.beds.ids),
        "abutments": len(data.abutments.ids),
        "openings": len(data.openings.ids),
        "runs": len(data.runs.ids),
        "unmet": len(data.unmet.ids),
        "outside": outside,
        "inside": len(data.corners.outside) - outside,
    }
    by_kind = np.bincount(data.pieces.kind, minlength=len(PieceKind))
    numbers.update({key: int(by_kind[kind]) for kind, key in _KIND_KEYS.items()})
    return {key: f"{number:,}" for key, number in numbers.items()}


def _shapes(shapes: MapShapes, pack: _Packer) -> dict[str, Any]:
    return {
        "ids": _texts(shapes.ids),
        "texts": _texts(shapes.texts),
        "xy": pack(shapes.lonlat),
        "ends": _bytes(shapes.ring_offsets, "<u4"),
        "kind": _bytes(shapes.ring_kind, "u1"),
        "feature": _bytes(shapes.ring_feature, "<u4"),
    }


def _lines(lines: MapLines, pack: _Packer) -> dict[str, Any]:
    return {
        "ids": _texts(lines.ids),
        "texts": _texts(lines.texts),
        "xy": pack(lines.lonlat),
        "ends": _bytes(lines.offsets, "<u4"),
    }


def _tapes(tapes: MapTapes | None, pack: _Packer) -> dict[str, Any] | None:
    """Tape differences; None where no tape was compared, and the page then has no such layer."""
    if tapes is None:
        return None
    lines = MapLines(tapes.ids, tapes.texts, tapes.lonlat, tapes.offsets)
    return {
        **_lines(lines, pack),
        "labels": _texts(tapes.labels),
        "sign": _bytes(np.asarray(tapes.sign) + 1, "u1"),
    }


def _pieces(pieces: MapPieces, pack: _Packer) -> dict[str, Any]:
    codes, code = _dictionary(pieces.code)
    lengths, length = _dictionary(pieces.length)
    return {
        "ids": _texts(pieces.ids),
        "kind": _bytes(pieces.kind, "u1"),
        "codes": codes,
        "code": code,
        "stations": _texts(pieces.station),
        "lengths": lengths,
        "length": length,
        "middle": pack(pieces.lonlat),
        "xy": pack(pieces.outline_lonlat),
        "ends": _bytes(pieces.outline_offsets, "<u4"),
    }


def _no_pieces() -> MapPieces:
    none, nowhere = np.empty(0, object), np.empty((0, 2))
    return MapPieces(none, np.empty(0, np.int8), none, none, none, nowhere, nowhere, np.zeros(1, np.int64))


def _texts(values: Iterable[Any]) -> list[str]:
    return [str(v) for v in values]


def _dictionary(values: ObjectArray) -> tuple[list[str], str]:
    """Every different text once, in order of first use, and which one each row has."""
    table: dict[str, int] = {}
    index = [table.setdefault(str(v), len(table)) for v in values]
    return list(table), _bytes(np.array(index, np.int64), "<u4")


def _bytes(values: Any, kind: str) -> str:
    return base64.b64encode(np.ascontiguousarray(values, dtype=kind).tobytes()).decode("ascii")


class _Packer:
    """Positions as whole 1e-8 degrees from the south-west corner of the plan.

    Parameters
    ----------
    lonlat : (n, 2) every position of the plan; longitudes either side of the date line are
        counted on from the first one, so that a plan across it stays in one piece
    """

    def __init__(self, lonlat: LonLatArray) -> None:
        self.first = float(lonlat[0, 0]) if len(lonlat) else 0.0
        units = np.rint(self._unwrapped(lonlat) * _UNIT)
        self.origin = units.min(axis=0).astype(np.int64) if len(units) else np.zeros(2, np.int64)
        self.bounds: list[int] | None = None
        if len(units):
            span = units.max(axis=0).astype(np.int64) - self.origin
            if span.max() > np.iinfo(np.int32).max:
                raise UsageError("the map cannot show a plan more than 21 degrees across")
            self.bounds = [0, 0, int(span[0]), int(span[1])]

    def _unwrapped(self, lonlat: LonLatArray) -> FloatArray:
        out = np.array(lonlat, dtype=np.float64).reshape(-1, 2)
        turns = np.rint((out[:, 0] - self.first) / 360)
        out[:, 0] -= 360 * turns
        return out

    def offsets(self, lonlat: LonLatArray) -> IntArray:
        """(n, 2) whole units from the origin."""
        return np.rint(self._unwrapped(lonlat) * _UNIT).astype(np.int64) - self.origin

    def __call__(self, lonlat: LonLatArray) -> str:
        """The same, as little-endian 32-bit integers in base64."""
        return _bytes(self.offsets(lonlat), "<i4")


def _positions(data: MapData) -> dict[str, LonLatArray]:
    places = [f.lonlat for f in data.findings if f.lonlat is not None]
    return {
        "beds": data.beds.lonlat,
        "abutments": data.abutments.lonlat,
        "openings": data.openings.lonlat,
        "runs": data.runs.lonlat,
        "unmet legs": data.unmet.lonlat,
        **({} if data.tapes is None else {"tape differences": data.tapes.lonlat}),
        "corners": data.corners.lonlat,
        "pieces": data.pieces.lonlat,
        "piece outlines": data.pieces.outline_lonlat,
        "findings": np.array(places, dtype=np.float64).reshape(-1, 2),
    }


def _everywhere(data: MapData) -> LonLatArray:
    return np.concatenate([np.asarray(v, np.float64).reshape(-1, 2) for v in _positions(data).values()])


# ---------------------------------------------------------------- checks


def _check(data: MapData) -> None:
    """Refuse arrays that do not fit together: a browser would draw them without a word."""
    for name, lonlat in _positions(data).items():
        _check_positions(name, lonlat)
    for name, shapes in (("beds", data.beds), ("abutments", data.abutments), ("openings", data.openings)):
        _same_length(name, len(shapes.ids), texts=shapes.texts)
        _same_length(
            f"{name} rings",
            len(shapes.ring_offsets) - 1,
            ring_kind=shapes.ring_kind,
            ring_feature=shapes.ring_feature,
        )
        _check_offsets(name, shapes.ring_offsets, shapes.lonlat)
        feature = shapes.ring_feature
        if len(feature) and (
            feature.min() < 0 or feature.max() >= len(shapes.ids) or np.any(np.diff(feature) < 0)
        ):
            raise UsageError(f"map {name}: ring_feature is not in order, or points outside the features")
    for name, lines in (("runs", data.runs), ("unmet legs", data.unmet)):
        _same_length(name, len(lines.ids), texts=lines.texts, offsets=lines.offsets[1:])
        _check_offsets(name, lines.offsets, lines.lonlat)
    if data.tapes is not None:
        tapes = data.tapes
        columns_of = {"texts": tapes.texts, "labels": tapes.labels, "sign": tapes.sign}
        _same_length("tape differences", len(tapes.ids), offsets=tapes.offsets[1:], **columns_of)
        _check_offsets("tape differences", tapes.offsets, tapes.lonlat)
    _same_length("corners", len(data.corners.lonlat), outside=data.corners.outside, texts=data.corners.texts)
    pieces = data.pieces
    columns: dict[str, Sequence[Any] | Any] = {
        "kind": pieces.kind,
        "code": pieces.code,
        "station": pieces.station,
        "length": pieces.length,
        "lonlat": pieces.lonlat,
        "outline_offsets": pieces.outline_offsets[1:],
    }
    _same_length("pieces", len(pieces), **columns)
    _check_offsets("pieces", pieces.outline_offsets, pieces.outline_lonlat)
    if len(pieces) and (pieces.kind.min() < 0 or pieces.kind.max() >= len(PieceKind)):
        raise UsageError("map pieces: a kind is not one of PieceKind")


def _check_positions(name: str, lonlat: LonLatArray) -> None:
    if lonlat.ndim != 2 or lonlat.shape[1] != 2:
        raise UsageError(f"map {name}: positions have shape {lonlat.shape}, expected (n, 2) as lon, lat")
    bad = ~np.isfinite(lonlat).all(axis=1) | (np.abs(lonlat[:, 0]) > 360) | (np.abs(lonlat[:, 1]) > 89)
    if bad.any():
        row = int(np.argmax(bad))
        lon, lat = (float(v) for v in lonlat[row])
        raise UsageError(
            f"map {name}, position {row + 1}: lon {lon}, lat {lat} is not a place in WGS 84 degrees "
            "(longitude first; the web map ends at 89 degrees of latitude)"
        )


def _same_length(name: str, n: int, **columns: Any) -> None:
    for column, values in columns.items():
        if len(values) != n:
            raise UsageError(f"map {name}: {column} has {len(values)} rows where {n} are expected")


def _check_offsets(name: str, offsets: OffsetArray, lonlat: LonLatArray) -> None:
    if len(offsets) < 1 or offsets[0] != 0 or offsets[-1] != len(lonlat) or np.any(np.diff(offsets) < 1):
        raise UsageError(f"map {name}: offsets do not divide the {len(lonlat)} vertices into parts")


# ---------------------------------------------------------------- the frame: constants only


@functools.cache
def _frame() -> str:
    """The whole page but for the plan and the title.  Takes no argument, on purpose."""
    page = Page()
    site_map = SiteMap()
    licence = asset_path("leaflet/LICENSE").read_text(encoding="utf-8").replace("--", "- -")
    head = (
        _POLICY_MARK,
        _TITLE_MARK,
        f"<!-- This page holds Leaflet.\n{licence}-->",
        f"<style>{style_text('leaflet/dist/leaflet.css')}</style>",
        f"<style>{_own('map_page.css')}</style>",
        f"<script>{script_text('leaflet/dist/leaflet.js')}</script>",
    )
    body = (
        _own("map_page.html"),
        _DATA_MARK,
        f"<script>{_own('map_draw.js')}</script>",
        f"<script>{_own('map_page.js')}</script>",
    )
    page.add_child(site_map)
    for text in head:
        page.header.add_child(Verbatim(text))
    for text in body:
        page.html.add_child(Verbatim(text))
    text = page.render()
    return text.replace(
        _POLICY_MARK, f'<meta http-equiv="Content-Security-Policy" content="{_policy(text)}">'
    )


def _own(name: str) -> str:
    return (_HERE / name).read_text(encoding="utf-8")


def _policy(frame: str) -> str:
    """Content policy that lets the scripts and styles of the frame run, and nothing else.

    The page may reach no address at all; pictures may stand in it as data only.
    """
    scripts = " ".join(content_sum(text) for text in re.findall(r"<script>(.*?)</script>", frame, re.DOTALL))
    styles = " ".join(content_sum(text) for text in re.findall(r"<style>(.*?)</style>", frame, re.DOTALL))
    return (
        f"default-src 'none'; script-src {scripts}; style-src {styles}; img-src data:; "
        "base-uri 'none'; form-action 'none'"
    )
