"""Help with drawing and measuring, reckoned in ground metres: the page itself reckons nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np
import shapely

from siteplan import geodesy
from siteplan.desk import wire
from siteplan.desk.drawing import wire_places
from siteplan.desk.view import places
from siteplan.desk.wire import Refused
from siteplan.desk.words import Words, rows
from siteplan.errors import DataError, UsageError
from siteplan.model import Features, RingKind
from siteplan.planar import edges, neighbours, signed_areas
from siteplan.sites import Site
from siteplan.types import FloatArray, LonLatArray, XYArray
from siteplan.units import METRES, parse_length

SAGITTA_M: Final = 0.002
"""an arc is drawn with chords this close to it"""
LEAST_CHORDS: Final = 6
MOST_CHORDS: Final = 720
SNAP_PIXELS: Final = 12.0
LONGEST_M: Final = 20_000.0
_WGS84: Final = "EPSG:4326"


def ground(site: Site, lonlat: Sequence[Sequence[float]]) -> XYArray:
    """Places of the page in ground metres.

    Raises
    ------
    Refused : where the site's grid does not reach
    """
    try:
        xy = site.frame.ground_xy(np.array(lonlat, dtype=np.float64).reshape(-1, 2), _WGS84)
    except DataError as error:
        raise Refused(422, error.faults[0].what, error.faults[0].remedy) from None
    if np.abs(xy).max(initial=0.0) > 50 * LONGEST_M:
        raise Refused(422, "this lies far from the site", "Draw on the site")
    return xy


def _back(site: Site, xy: XYArray) -> list[list[float]]:
    return places(site.frame.wgs84(xy))


@dataclass(frozen=True, eq=False)
class Snapping:
    """Vertices and edges of everything that is drawn, to snap to."""

    site: Site
    features: Mapping[str, Features]

    @cached_property
    def _vertices(self) -> tuple[LonLatArray, XYArray, list[tuple[str, str]], shapely.STRtree]:
        lonlat, xy, whose = [], [], []
        for role, shapes in self._shapes:
            lonlat.append(wire_places(self.site.frame, self.features[role]))
            xy.append(shapes.xy)
            ids = shapes.ids[np.repeat(shapes.ring_feature, np.diff(shapes.ring_offsets))]
            whose += [(role, str(i)) for i in ids.tolist()]
        together = np.concatenate(xy)
        return (
            np.concatenate(lonlat),
            together,
            whose,
            shapely.STRtree(np.asarray(shapely.points(together), dtype=object)),
        )

    @cached_property
    def _edges(self) -> tuple[XYArray, XYArray, list[tuple[str, str]], shapely.STRtree]:
        start, end, whose = [], [], []
        for role, shapes in self._shapes:
            closed = (shapes.ring_kind == RingKind.OUTER) | (shapes.ring_kind == RingKind.ISLAND)
            _, after = neighbours(shapes.ring_offsets, closed)
            real = np.flatnonzero(after != np.arange(len(after)))
            start.append(shapes.xy[real])
            end.append(shapes.xy[after[real]])
            ids = shapes.ids[np.repeat(shapes.ring_feature, np.diff(shapes.ring_offsets))[real]]
            whose += [(role, str(i)) for i in ids.tolist()]
        a, b = np.concatenate(start), np.concatenate(end)
        lines = np.asarray(shapely.linestrings(np.stack([a, b], axis=1)), dtype=object)
        return a, b, whose, shapely.STRtree(lines)

    @property
    def _shapes(self) -> list[tuple[str, Any]]:
        site = self.site
        return [
            ("beds", site.bed_shapes), ("abutments", site.abutment_shapes), ("openings", site.opening_shapes)
        ]  # fmt: skip

    def near(
        self, at: FloatArray, reach_m: float, out: set[tuple[str, str]]
    ) -> tuple[list[float], str] | None:
        """The vertex, else the point of an edge, nearest to a place within reach.

        Parameters
        ----------
        at : (2,) ground metres
        reach_m : how near
        out : role and id of what is not snapped to

        Returns
        -------
        The place as the page has it, and ``vertex`` or ``edge``; None where nothing is near.
        """
        lonlat, xy, whose, tree = self._vertices
        found = [int(k) for k in tree.query(shapely.Point(at), predicate="dwithin", distance=reach_m)]
        found = [k for k in found if whose[k] not in out]
        if found:
            away = np.hypot(*(xy[found] - at).T)
            return places(lonlat[[found[int(np.argmin(away))]]])[0], "vertex"
        a, b, of_edge, edge_tree = self._edges
        found = [int(k) for k in edge_tree.query(shapely.Point(at), predicate="dwithin", distance=reach_m)]
        found = [k for k in found if of_edge[k] not in out]
        if not found:
            return None
        step = b[found] - a[found]
        square = np.maximum((step * step).sum(axis=1), np.finfo(float).tiny)
        part = np.clip(((at - a[found]) * step).sum(axis=1) / square, 0.0, 1.0)
        foot = a[found] + part[:, None] * step
        best = int(np.argmin(np.hypot(*(foot - at).T)))
        return _back(self.site, foot[[best]])[0], "edge"


def squared(points: XYArray, towards: FloatArray) -> tuple[FloatArray, float]:
    """Direction from the last point towards the pointer: on along the last side, or square to it.

    Parameters
    ----------
    points : (n, 2) n >= 2
    towards : (2,)

    Returns
    -------
    (2,) direction of length 1, and how far the pointer lies along it.

    Raises
    ------
    Refused : the last side has no length
    """
    side = points[-1] - points[-2]
    length = float(np.hypot(*side))
    if length < 1e-6:
        raise Refused(422, "the last side has no length, so nothing is square to it", "Take the point back")
    along = side / length
    to = towards - points[-1]
    ways = np.array([along, [-along[1], along[0]], [along[1], -along[0]]])
    reach = ways @ to
    best = int(np.argmax(reach))
    return ways[best], float(reach[best])


def _length_m(text: str) -> float:
    try:
        length = float(parse_length(text))
    except UsageError as error:
        raise Refused(422, str(error), "") from None
    if not 0 < length <= LONGEST_M:
        raise Refused(422, f'a side of "{text}" cannot be drawn', "Type a length above 0, within the site")
    return length


def next_point(site: Site, body: Mapping[str, Any]) -> dict[str, Any]:
    """The next vertex: at a typed length, square where asked."""
    points = ground(site, wire.places(body.get("points"), "points", least=1))
    towards = ground(site, [wire.place(body.get("towards"), "towards")])[0]
    given = body.get("length")
    typed = None if given is None or given == "" else _length_m(wire.text(given, "length", most=60))
    if _flag(body.get("square"), "square") and len(points) > 1:
        way, reach = squared(points, towards)
    else:
        step = towards - points[-1]
        reach = float(np.hypot(*step))
        if reach < 1e-6:
            raise Refused(422, "the pointer lies on the last vertex, so there is no direction", "Move it")
        way = step / reach
    length = max(reach, 0.0) if typed is None else typed
    at = points[-1] + way * length
    return {"point": _back(site, at[None])[0], "text": Words.of(site).length(length)}


def arc(site: Site, body: Mapping[str, Any]) -> dict[str, Any]:
    """Vertices of the arc from a to b through a third place."""
    given = [wire.place(body.get(name), name) for name in ("a", "through", "b")]
    xy = ground(site, given)
    centre, radius = circle(xy)
    one, mid, two = (float(np.arctan2(*(p - centre)[::-1])) for p in xy)
    turn = (two - one) % (2 * np.pi)
    if (mid - one) % (2 * np.pi) > turn:
        turn -= 2 * np.pi
    step = 2 * np.arccos(max(0.0, 1 - SAGITTA_M / radius))
    count = int(np.clip(np.ceil(abs(turn) / step), LEAST_CHORDS, MOST_CHORDS))
    angle = one + turn * np.arange(1, count) / count
    inner = centre + radius * np.column_stack([np.cos(angle), np.sin(angle)])
    words = Words.of(site)
    text = f"Radius {words.length(radius)}, length {words.length(radius * abs(turn))}"
    return {"points": [given[0], *_back(site, inner), given[2]], "text": text}


def circle(xy: XYArray) -> tuple[FloatArray, float]:
    """Centre and radius of the circle through three points.

    Parameters
    ----------
    xy : (3, 2)

    Raises
    ------
    Refused : two of them are one, or they lie in a line (a radius beyond 20 km)

    Notes
    -----
    The centre is where the perpendicular bisectors meet: with a and b as seen from the first point,
    ``c = (|a|^2 b_perp - |b|^2 a_perp) / (2 a x b)``.
    """
    a, b = xy[1] - xy[0], xy[2] - xy[0]
    if min(np.hypot(*a), np.hypot(*b), np.hypot(*(b - a))) < 1e-6:
        raise Refused(422, "two of the three places are one", "Choose three different places")
    cross = float(a[0] * b[1] - a[1] * b[0])
    if abs(cross) * 2 * LONGEST_M < np.hypot(*a) * np.hypot(*b) * np.hypot(*(b - a)):
        raise Refused(422, "the three places lie in a line", "Take the third place off the line")
    a2, b2 = float(a @ a), float(b @ b)
    centre = np.array([b[1] * a2 - a[1] * b2, a[0] * b2 - b[0] * a2]) / (2 * cross)
    return xy[0] + centre, float(np.hypot(*centre))


def snap(site: Site, snapping: Snapping, body: Mapping[str, Any]) -> dict[str, Any]:
    """Where a place snaps to."""
    given = wire.place(body.get("at"), "at")
    at = ground(site, [given])[0]
    pixel_m = wire.number(body.get("pixel_m"), "pixel_m", least=0, most=1000)
    out = _exceptions(body.get("except"))
    if body.get("points") is not None and _flag(body.get("square"), "square"):
        before = ground(site, wire.places(body["points"], "points", most=1000))
        if len(before) > 1:
            way, reach = squared(before, at)
            return {"point": _back(site, (before[-1] + way * max(reach, 0.0))[None])[0], "to": "square"}
    reach_m = SNAP_PIXELS * pixel_m
    found = snapping.near(at, reach_m, out)
    if found is not None:
        return {"point": found[0], "to": found[1]}
    if body.get("points") is not None:
        before = ground(site, wire.places(body["points"], "points", most=1000))
        if len(before) > 1 and np.hypot(*(before[-1] - before[-2])) > 1e-6:
            way, reach = squared(before, at)
            foot = before[-1] + way * max(reach, 0.0)
            if np.hypot(*(foot - at)) <= reach_m:
                return {"point": _back(site, foot[None])[0], "to": "square"}
    return {"point": given, "to": None}


def _exceptions(value: Any) -> set[tuple[str, str]]:
    """Role and id of what is not snapped to: one object, or a list of them."""
    if value is None:
        return set()
    listed = wire.items(value if isinstance(value, list) else [value], "except", most=200)
    made = set()
    for entry in listed:
        if isinstance(entry, str):
            made |= {(role, entry) for role in wire.ROLES}
            continue
        if not isinstance(entry, dict):
            wire.bad("except must name features by role and id")
        role = wire.choice(entry.get("role"), "except: role", wire.ROLES)
        made.add((role, wire.text(entry.get("id"), "except: id")))
    return made


def _flag(value: Any, name: str) -> bool:
    if value is None:
        return False
    if not isinstance(value, bool):
        wire.bad(f"{name} must be true or false")
    return value


def side_lengths(site: Site, body: Mapping[str, Any]) -> dict[str, Any]:
    """Length of every side, of all of them, and the area."""
    xy = ground(site, wire.places(body.get("points"), "points", least=1))
    closed = _flag(body.get("closed"), "closed")
    offsets = np.array([0, len(xy)])
    line = edges(xy, offsets, np.array([closed]))
    words = Words.of(site)
    sides = line.length if closed else line.length[:-1]
    area = abs(float(signed_areas(xy, offsets)[0])) if len(xy) > 2 else 0.0
    return {
        "texts": words.lengths(sides),
        "total": words.length(float(line.part_length[0])),
        "area": words.area(area) if area else None,
    }


GEOMETRY: Final = ("next", "arc", "snap", "length")


def measured(site: Site, body: Mapping[str, Any]) -> dict[str, Any]:
    """Geodesic, grid and ground length along some places."""
    given = wire.places(body.get("points"), "points", least=2, most=10_000)
    xy = ground(site, given)
    words = Words.of(site)
    offsets, opened = np.array([0, len(xy)]), np.array([False])
    frame = site.frame
    geodesic = geodesy.ring_lengths(frame.lonlat(xy), offsets, opened, ellipsoid=frame.ellipsoid)[0]
    on_ground = float(edges(xy, offsets, opened).part_length[0])
    shown = [("Ground", words.length(on_ground)), ("Geodesic", words.length(float(geodesic)))]
    if not frame.is_local:
        shown.append(("Grid", words.length(on_ground * frame.combined_factor)))
    if len(given) > 2:
        area = abs(float(signed_areas(xy, offsets)[0]))
        shown.append(("Area inside, on the ground", words.area(area)))
    note = {
        "Ground": "plan length at the site's reference height",
        "Geodesic": "on the ellipsoid of the site's datum",
        "Grid": f"in {frame.name}, times its combined factor",
    }
    return {"rows": [{**row, "note": note.get(row["label"], "")} for row in rows(shown)]}


def place_text(site: Site, lon: float, lat: float) -> dict[str, str]:
    """A place in the site's grid, and in degrees."""
    xy = ground(site, [[lon, lat]])
    east, north = site.frame.grid(xy)[0].tolist()
    decimals = 3 if METRES[site.frame.unit] == 1 else 2
    return {
        "grid": f"E {east:,.{decimals}f} N {north:,.{decimals}f} {site.frame.unit}",
        "lonlat": f"{abs(lat):.7f}° {'N' if lat >= 0 else 'S'}, {abs(lon):.7f}° {'E' if lon >= 0 else 'W'}",
    }
