"""GPX: tracks and routes of a GNSS walk to outlines and lines.

Format: GPX 1.1 schema (topografix.com/GPX/1/1) and 1.0, which has the same elements.  Its
coordinates are WGS 84 longitude and latitude by definition, heights are metres.

A walk with a hand-held receiver tells where beds lie, not how long their edges are; every reading
says so.  See docs/gpx.md for each rule with its numbers.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, Final

import numpy as np

from siteplan.errors import DataError, Fault, Finding
from siteplan.geodesy import WGS84 as ELLIPSOID
from siteplan.geodesy import inverse
from siteplan.intake.drawn import Drawn, table_of
from siteplan.intake.paths import file_fault, listed
from siteplan.intake.source import (
    CLOSE_WITHIN_M,
    GNSS_WALK,
    HDOP_LIMIT,
    SIMPLIFY_M,
    Source,
    Table,
    unused_keys,
)
from siteplan.intake.troubles import number
from siteplan.intake.vertex_values import numbers_text
from siteplan.intake.walk import Spike, find_spikes, jumps, simplified
from siteplan.intake.xmlcheck import parse_xml
from siteplan.planar import offsets_of
from siteplan.types import BoolArray, FloatArray, IntArray, ObjectArray, XYArray

WGS84: Final = "EPSG:4326"
_POINTS: Final = {"trkpt", "rtept"}
_OF_POINT: Final = {"ele", "time", "hdop"}
_LINES: Final = {"trk": "track", "rte": "route"}
_MOST_NAMED: Final = 20
NEAR_TIMES: Final = 10.0
"""Ends this many closing distances apart may still have been meant to meet: told."""


@dataclass(slots=True)
class _Path:
    """One segment of a track, or a route, as written."""

    name: str | None
    kind: str
    segment: int
    lon: list[str] = field(default_factory=list)
    lat: list[str] = field(default_factory=list)
    line: list[int] = field(default_factory=list)
    values: dict[str, list[str]] = field(default_factory=lambda: {k: [] for k in _OF_POINT})


class _Reader:
    """Takes the elements of a GPX file, one after the other."""

    def __init__(self, label: str) -> None:
        self.label = label
        self.paths: list[_Path] = []
        self.waypoints = 0
        self._stack: list[str] = []
        self._text: list[str] = []
        self._name: str | None = None
        self._kind = ""
        self._first = 0
        self._now: dict[str, str] = {}
        self._parser: Any = None

    def attach(self, parser: Any) -> None:
        self._parser = parser

    def start(self, name: str, attributes: dict[str, str]) -> None:
        if not self._stack and name != "gpx":
            raise file_fault(
                "not-a-known-format", f"the file is XML, but its root is <{name}>, not <gpx>",
                "Export it as GPX", self.label,
            )  # fmt: skip
        self._stack.append(name)
        self._text.clear()
        if name in _LINES:
            self._kind, self._name, self._first = _LINES[name], None, len(self.paths)
            if name == "rte":
                self._open()
        elif name == "trkseg" and self._stack[-2] == "trk":
            self._open()
        elif name in _POINTS and self.paths:
            path = self.paths[-1]
            path.lon.append(attributes.get("lon", ""))
            path.lat.append(attributes.get("lat", ""))
            path.line.append(self._parser.CurrentLineNumber)
            self._now = {}
        elif name == "wpt":
            self.waypoints += 1

    def _open(self) -> None:
        self.paths.append(_Path(self._name, self._kind, len(self.paths) - self._first + 1))

    def characters(self, text: str) -> None:
        self._text.append(text)

    def end(self, name: str) -> None:
        self._stack.pop()
        above = self._stack[-1] if self._stack else ""
        if above in _POINTS and name in _OF_POINT:
            self._now[name] = "".join(self._text).strip()
        elif name in _POINTS and self.paths:
            for key, values in self.paths[-1].values.items():
                values.append(self._now.get(key, ""))
        elif name == "name" and above in _LINES:
            self._name = "".join(self._text).strip() or None
            for path in self.paths[self._first :]:
                path.name = self._name


@dataclass(frozen=True, eq=False)
class _Walk:
    """One path as numbers.  n points."""

    name: str
    given: str | None
    kind: str
    segment: int
    lonlat: FloatArray
    ele: FloatArray
    hdop: FloatArray
    time: ObjectArray
    """(n,) str as written"""
    time_s: FloatArray
    """(n,) seconds, NaN where there is none"""

    def __len__(self) -> int:
        return len(self.lonlat)

    def only(self, keep: BoolArray) -> _Walk:
        return _Walk(
            self.name, self.given, self.kind, self.segment, self.lonlat[keep], self.ele[keep],
            self.hdop[keep], self.time[keep], self.time_s[keep],
        )  # fmt: skip


def read_gpx(data: bytes, label: str, source: Source) -> Table:
    """Outlines and lines of a GPX file.

    Parameters
    ----------
    data : the file
    label : the file, for messages
    source : ``layers`` takes tracks and routes by name; ``closed``, ``close_within_m``,
        ``simplify_m`` and ``hdop_limit`` as docs/gpx.md says

    Returns
    -------
    One row for each track segment and route.  Times and HDOP of the vertices are in the attributes
    ``vertex_time`` and ``vertex_hdop``.

    Raises
    ------
    DataError : not GPX; no track or route; coordinates that are no place; a track name that is not there
    """
    reader = _Reader(label)
    parse_xml(
        data, label, start=reader.start, end=reader.end, characters=reader.characters, attach=reader.attach
    )
    faults = unused_keys(source, "GNSS walk", label)
    paths, missing = _named(reader.paths, source, label)
    faults += missing
    walks = []
    for path in paths:
        walk, wrong = _numbers(path, label)
        faults += wrong
        walks.append(walk)
    if faults:
        raise DataError(*faults)
    if not any(len(w) for w in walks):
        what = f"the file has no track or route with points in it ({reader.waypoints} single waypoints)"
        raise file_fault("no-features", what, "Record the walk round the bed as a track", label)
    findings: list[Finding] = []
    empty = sum(not len(w) for w in walks)
    if empty:
        findings.append(Finding("gpx-empty", "notice", f"{label}: {empty} track segments have no point"))
    if reader.waypoints:
        text = f"{label}: {reader.waypoints} single waypoints are not read; only tracks and routes are"
        findings.append(Finding("gpx-waypoints", "notice", text))
    drawn, told = _cleaned([w for w in walks if len(w)], label, source)
    return table_of(
        drawn, label, crs=WGS84, crs_source="file", findings=[*findings, *told], nested=source.reading.nested
    )


def _named(paths: Sequence[_Path], source: Source, label: str) -> tuple[list[_Path], list[Fault]]:
    """Paths of the names asked for, and a fault for each name there is none of."""
    wanted = source.reading.layers
    if wanted is None:
        return list(paths), []
    has = list(dict.fromkeys(p.name for p in paths if p.name is not None))
    faults = [
        Fault(
            "layer-not-found",
            f'there is no track or route named "{name}"; the file has {listed(has) or "none with a name"}',
            "Name one of these",
            file=label,
        )
        for name in wanted
        if name not in has
    ]
    return [p for p in paths if p.name in wanted], faults


def _numbers(path: _Path, label: str) -> tuple[_Walk, list[Fault]]:
    """Text of a path as numbers, and a fault for each place that is none."""
    whole = path.name or f"{path.kind} without a name"
    name = f"{whole}, segment {path.segment}" if path.segment > 1 else whole
    lonlat = np.column_stack([_floats(path.lon), _floats(path.lat)])
    with np.errstate(invalid="ignore"):
        bad = ~np.isfinite(lonlat).all(axis=1) | (np.abs(lonlat[:, 0]) > 180) | (np.abs(lonlat[:, 1]) > 90)
    faults = [
        Fault(
            "not-a-place",
            f'line {path.line[k]}: lon "{path.lon[k]}", lat "{path.lat[k]}" is no place',
            "Take the point out, or export the track again",
            file=label,
            feature=name,
            vertex=int(k) + 1,
        )
        for k in np.flatnonzero(bad)
    ]
    time = np.array(path.values["time"], dtype=object)
    walk = _Walk(
        name, path.name, path.kind, path.segment, lonlat,
        _floats(path.values["ele"]), _floats(path.values["hdop"]), time,
        np.array([_seconds(t) for t in time], dtype=np.float64),
    )  # fmt: skip
    return walk, faults


def _floats(texts: Sequence[str]) -> FloatArray:
    """Numbers of texts, NaN where one is none."""
    try:
        return np.array(texts, dtype=np.float64)
    except ValueError:
        return np.array([_float(t) for t in texts], dtype=np.float64)


def _float(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return math.nan


def _seconds(text: str) -> float:
    """Seconds of an ISO 8601 time; one without a zone counts as UTC, as GPX demands; NaN where it is none."""
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        return math.nan
    return (when if when.tzinfo is not None else when.replace(tzinfo=UTC)).timestamp()


# -- cleaning ------------------------------------------------------------------


def _cleaned(walks: Sequence[_Walk], label: str, source: Source) -> tuple[Drawn, list[Finding]]:
    """Walks without spikes, closed where they come back, simplified; and what was done to them."""
    findings: list[Finding] = []
    closed = np.zeros(len(walks), np.bool_)
    kept: list[_Walk] = []
    for k, walk in enumerate(walks):
        tidy, closed[k], told = _clean(walk, label, source)
        kept.append(tidy)
        findings += told
    counts = np.array([len(w) for w in kept], dtype=np.int64)
    columns: dict[str, list[object]] = {
        "name": [w.given for w in kept],
        "kind": [w.kind for w in kept],
        "measured_by": [GNSS_WALK] * len(kept),
        "segment": [w.segment for w in kept],
        "points": [len(w) for w in walks],
        "time_start": [next((t for t in w.time if t), None) for w in walks],
        "time_end": [next((t for t in w.time[::-1] if t), None) for w in walks],
    }
    drawn = Drawn(
        coords=np.concatenate([w.lonlat for w in kept]),
        z=np.concatenate([w.ele for w in kept]),
        offsets=offsets_of(counts),
        closed=closed,
        names=_objects([w.name for w in kept]),
        attributes={name: _objects(values) for name, values in columns.items()},
        vertex={
            "time": np.concatenate([w.time for w in kept]),
            "hdop": numbers_text(np.concatenate([w.hdop for w in kept])),
        },
    )
    return drawn, findings


def _objects(values: Sequence[object]) -> ObjectArray:
    out = np.empty(len(values), object)
    out[:] = values
    return out


def _clean(walk: _Walk, label: str, source: Source) -> tuple[_Walk, bool, list[Finding]]:
    """One walk cleaned, whether it is closed, and what was done to it."""
    reading = source.reading
    place = f'{label}, "{walk.name}"'
    findings = [*_hdop(walk, HDOP_LIMIT if reading.hdop_limit is None else reading.hdop_limit, place)]
    step = np.diff(walk.lonlat, axis=0)
    moved = np.ones(len(walk), np.bool_)
    moved[1:] = (step != 0).any(axis=1)
    if not moved.all():
        text = f"{place}: {int((~moved).sum())} points repeat the place of the point before and are left out"
        findings.append(Finding("gpx-standing", "notice", text))
    numbers = np.flatnonzero(moved)
    walk = walk.only(moved)
    xy = _plane_xy(walk)
    timed = bool(np.isfinite(walk.time_s).all())
    spikes = find_spikes(xy, walk.time_s if timed else None)
    findings += [_spike_finding(s, walk, numbers, place) for s in spikes]
    keep = np.ones(len(walk), np.bool_)
    for s in spikes:
        keep[s.first : s.first + s.count] = False
    walk, xy, numbers = walk.only(keep), xy[keep], numbers[keep]
    findings += [
        Finding(
            "gpx-jump", "notice",
            f"{place}: between points {numbers[k - 1] + 1} and {numbers[k] + 1} the walk jumps "
            f"{np.hypot(*(xy[k] - xy[k - 1])):.0f} m in a straight line; was the signal lost there?",
            vertex=int(numbers[k]) + 1,
        )
        for k in jumps(xy)
    ]  # fmt: skip
    closed, told = _closed(xy, reading.closed or "auto", reading.close_within_m, place)
    findings += told
    if closed and len(walk) > 3 and (walk.lonlat[0] == walk.lonlat[-1]).all():
        end = np.arange(len(walk)) < len(walk) - 1
        walk, xy = walk.only(end), xy[end]
    tolerance = SIMPLIFY_M if reading.simplify_m is None else reading.simplify_m
    stay = simplified(xy, tolerance, closed=closed)
    if not stay.all():
        was, now = _length(walk.lonlat, closed=closed), _length(walk.lonlat[stay], closed=closed)
        text = (
            f"{place}: simplified within {tolerance:g} m from {len(xy)} to {int(stay.sum())} points, "
            f"{was:.1f} m to {now:.1f} m"
        )
        findings.append(Finding("gpx-simplified", "notice", text))
    return walk.only(stay), closed, findings


def _plane_xy(walk: _Walk) -> XYArray:
    """Metres on a plane that touches the ellipsoid in the middle of the walk.

    It serves to find spikes and to simplify: a kilometre from the middle it is out by less than
    1e-4 of a length.  What is told of lengths is measured on the ellipsoid.
    """
    off = walk.lonlat - walk.lonlat[0]
    off[:, 0] = (off[:, 0] + 180) % 360 - 180
    lat = float(np.mean(walk.lonlat[:, 1]))
    east = float(ELLIPSOID.prime_vertical_radius_m(lat)) * math.cos(math.radians(lat))
    xy: XYArray = np.radians(off) * np.array([east, float(ELLIPSOID.meridian_radius_m(lat))])
    return xy


def _length(lonlat: FloatArray, *, closed: bool) -> float:
    ring = np.vstack([lonlat, lonlat[:1]]) if closed else lonlat
    return float(inverse(ring[:-1], ring[1:])[0].sum())


def _hdop(walk: _Walk, limit: float, place: str) -> Iterator[Finding]:
    """Points whose satellites stood badly."""
    bad = np.flatnonzero(walk.hdop > limit)
    if len(bad):
        shown = ", ".join(str(k + 1) for k in bad[:_MOST_NAMED])
        more = f" and {len(bad) - _MOST_NAMED} more" if len(bad) > _MOST_NAMED else ""
        yield Finding(
            "gpx-hdop", "notice",
            f"{place}: {len(bad)} of {len(walk)} points have an HDOP above {limit:g}, up to "
            f"{np.nanmax(walk.hdop):g} (points {shown}{more}); walk there again",
            vertex=int(bad[0]) + 1,
        )  # fmt: skip


def _spike_finding(spike: Spike, walk: _Walk, numbers: IntArray, place: str) -> Finding:
    first = int(numbers[spike.first]) + 1
    last = int(numbers[spike.first + spike.count - 1]) + 1
    which = f"point {first}" if first == last else f"points {first} to {last}"
    lon, lat = walk.lonlat[spike.first]
    return Finding(
        "gpx-spike", "notice",
        f"{place}: {which} at ({number(lon)}, {number(lat)}) taken out as a spike: "
        f"{spike.out_m:.1f} m out and {spike.back_m:.1f} m back",
        vertex=first,
    )  # fmt: skip


def _closed(xy: XYArray, asked: str, within_m: float | None, place: str) -> tuple[bool, list[Finding]]:
    """Whether a walk is an outline, and what is told about its ends."""
    limit = CLOSE_WITHIN_M if within_m is None else within_m
    gap = float(np.hypot(*(xy[-1] - xy[0])))
    around = float(np.hypot(*(xy - xy[0]).T).max())
    meets = gap <= limit and around > limit
    ends = f"{place}: the ends of the walk are {gap:.1f} m apart"
    if asked == "no" or len(xy) < 3:
        return False, []
    if asked == "yes":
        told = (
            []
            if meets
            else [Finding("gpx-closed", "notice", f'{ends}; closed because closed = "yes" says so')]
        )
        return True, told
    if meets:
        return True, [
            Finding("gpx-closed", "notice", f"{ends}, within {limit:g} m: taken as a closed outline")
        ]
    if gap <= NEAR_TIMES * limit:
        text = f'{ends}, more than {limit:g} m: taken as an open line; closed = "yes" makes it an outline'
        return False, [Finding("gpx-open", "notice", text)]
    return False, []
