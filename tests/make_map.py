"""An invented plan for the tests of the map: no place, no product, no measurement is real."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from siteplan.model import PieceKind, RingKind
from siteplan.publish.webmap import (
    CountRow,
    FindingRow,
    MapCorners,
    MapData,
    MapLines,
    MapPieces,
    MapShapes,
)

ORIGIN = (-91.2, 43.6)
DEPTH = 0.2
SECTION = 1.2


def lonlat(xy: Any) -> Any:
    """Metres to degrees, well enough for a picture."""
    xy = np.asarray(xy, float).reshape(-1, 2)
    radius = 6378137.0
    lat = ORIGIN[1] + np.degrees(xy[:, 1] / radius)
    lon = ORIGIN[0] + np.degrees(xy[:, 0] / radius / np.cos(np.radians(ORIGIN[1])))
    return np.column_stack([lon, lat])


def texts(values: Any) -> Any:
    return np.array(list(values), dtype=object)


def ragged(parts: Any) -> tuple[Any, Any]:
    """Parts of metres to one array of degrees and its offsets."""
    parts = [np.asarray(p, float).reshape(-1, 2) for p in parts]
    xy = np.concatenate(parts) if parts else np.empty((0, 2))
    return lonlat(xy), np.concatenate([[0], np.cumsum([len(p) for p in parts], dtype=np.int64)]).astype(
        np.int64
    )


@dataclass
class _Plan:
    """Pieces as they are gathered."""

    ids: list[str] = field(default_factory=list)
    kind: list[int] = field(default_factory=list)
    code: list[str] = field(default_factory=list)
    station: list[str] = field(default_factory=list)
    length: list[str] = field(default_factory=list)
    middle: list[Any] = field(default_factory=list)
    outline: list[Any] = field(default_factory=list)

    def add(
        self, name: str, kind: PieceKind, code: str, start: float, end: float, middle: Any, ring: Any
    ) -> None:
        self.ids.append(name)
        self.kind.append(kind)
        self.code.append(code)
        self.station.append(f"{start:.3f} m to {end:.3f} m")
        self.length.append(f"{end - start:.3f} m")
        self.middle.append(middle)
        self.outline.append(ring)


def _box(a: Any, b: Any) -> Any:
    """Footprint of a straight piece from a to b."""
    along = (b - a) / np.hypot(*(b - a))
    side = np.array([-along[1], along[0]]) * DEPTH / 2
    return np.array([a - side, b - side, b + side, a + side])


def _arms(corner: Any, before: Any, after: Any) -> Any:
    """Footprint of a corner unit with an arm of 0.3 m along each leg (a left turn)."""
    u = (corner - before) / np.hypot(*(corner - before))
    v = (after - corner) / np.hypot(*(after - corner))
    out = DEPTH / 2 * (u - v)
    return np.array(
        [
            corner - 0.3 * u + DEPTH / 2 * -v,
            corner + out,
            corner + 0.3 * v + DEPTH / 2 * u,
            corner + 0.3 * v - DEPTH / 2 * u,
            corner - out,
            corner - 0.3 * u + DEPTH / 2 * v,
        ]
    )


def _lay(plan: _Plan, run: str, path: Any, corners: bool) -> None:
    """Pieces along a closed path: sections, then a closer or a cut, a corner unit at each vertex."""
    station, n = 0.0, len(path)
    for k in range(n):
        a, b = path[k], path[(k + 1) % n]
        length = float(np.hypot(*(b - a)))
        along, count = (b - a) / length, 0
        at, stop = (0.3, length - 0.3) if corners else (0.0, length)
        while stop - at > 0.02:
            step = min(SECTION, stop - at)
            kind = PieceKind.SECTION if step == SECTION else PieceKind.CLOSER if step > 0.5 else PieceKind.CUT
            count += 1
            code = {PieceKind.SECTION: "S-1200", PieceKind.CLOSER: "C-600", PieceKind.CUT: "S-1200"}[kind]
            p, q = a + along * at, a + along * (at + step - 0.01)
            name = f"{run}-{k + 1}-{count:02d}"
            plan.add(name, kind, code, station + at, station + at + step, (p + q) / 2, _box(p, q))
            at += step
        station += length
        if corners:
            count += 1
            far = path[(k + 2) % n]
            name = f"{run}-{k + 1}-{count:02d}"
            plan.add(name, PieceKind.CORNER, "K-90", station - 0.3, station + 0.3, b, _arms(b, a, far))


def _outline(i: int, centre: Any) -> tuple[Any, bool]:
    """A rectangle, an oval or a wavy bed, by turns."""
    if i % 3 == 0:
        w, h = 9 + i % 4 * 2, 5 + i % 3
        return centre + np.array([[-w, -h], [w, -h], [w, h], [-w, h]]) / 1.0, True
    t = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    r = 8 + (i % 5) + (1.5 * np.sin(3 * t) if i % 3 == 1 else 0)
    return centre + np.column_stack([1.3 * r * np.cos(t), 0.8 * r * np.sin(t)]), False


def _path(outline: Any, is_square: bool) -> Any:
    """Chords of one section for a curve; the outline itself for a rectangle."""
    if is_square:
        return outline
    closed = np.vstack([outline, outline[:1]])
    steps = np.hypot(*np.diff(closed, axis=0).T)
    reached = np.concatenate([[0], np.cumsum(steps)])
    at = np.linspace(0, reached[-1], max(8, int(reached[-1] / SECTION)), endpoint=False)
    return np.column_stack([np.interp(at, reached, closed[:, c]) for c in (0, 1)])


def demo_map(
    beds: int = 42, *, names: list[str] | None = None, title: str = "Invented park, for tests"
) -> MapData:
    """A plan of ``beds`` beds; ``names`` replaces the first ids, codes and texts by whatever is given."""
    plan, outlines, squares = _Plan(), [], []
    across = int(np.ceil(np.sqrt(beds)))
    for i in range(beds):
        outline, square = _outline(i, np.array([i % across * 34.0, i // across * 26.0]))
        outlines.append(outline)
        squares.append(square)
        _lay(plan, f"B{i + 1:02d}-1", _path(outline, square), square)
    strip = np.array([[-20.0, -16.0], [across * 34.0, -16.0]])
    for k in range(12):
        a = strip[0] + np.array([k * 1.2, 0])
        kind = PieceKind.END if k in (0, 11) else PieceKind.SECTION
        b = a + np.array([1.19, 0])
        code = "E-300" if kind is PieceKind.END else "S-1200"
        plan.add(f"LINE-1-1-{k + 1:02d}", kind, code, k * 1.2, k * 1.2 + 1.2, (a + b) / 2, _box(a, b))
    names = names or []
    ids = texts([*names, *(f"B{i + 1:02d}" for i in range(len(names), beds))][:beds])
    island = [np.array([[-2.0, -1], [-2, 1], [2, 1], [2, -1]])] if beds else []
    rings = [*outlines[:1], *island, *outlines[1:]]
    bed_xy, bed_offsets = ragged(rings)
    ring_kind = np.array(
        [RingKind.OUTER, RingKind.ISLAND, *[RingKind.OUTER] * (beds - 1)][: len(rings)], np.int8
    )
    ring_feature = np.array([0, 0, *range(1, beds)][: len(rings)], np.int64)
    wall, wall_offsets = ragged([[[-18, 40], [-18, 70], [-24, 70], [-24, 40]]])
    gap, gap_offsets = ragged([[[20.0, -5.0]], [[34 + 8, -4], [34 + 12, -4]]])
    runs = [np.vstack([p, p[:1]]) for p in map(_path, outlines, squares)]
    run_xy, run_offsets = ragged([*runs, strip])
    leg, leg_offsets = ragged([[strip[0] + (14.4, 0), strip[1]]])
    corner = np.array([p for o, s in zip(outlines, squares, strict=True) if s for p in o]).reshape(-1, 2)
    middle, _ = ragged([plan.middle] if plan.middle else [])
    outline_xy, outline_offsets = ragged(plan.outline)
    codes = {
        "S-1200": "Section 1200 mm",
        "C-600": "Closer 600 mm",
        "K-90": "Corner, square",
        "E-300": "End unit",
    }
    say = dict(enumerate(names))
    piece_ids = texts([*names, *plan.ids[len(names) :]])
    code = texts([*names, *plan.code[len(names) :]])
    return MapData(
        title=title,
        basis=("Grid: transverse Mercator centred on the site, ground metres", "Lengths: ground plan length"),
        beds=MapShapes(
            ids,
            texts(f"{say.get(i, '')} area 120.4 m\u00b2\nedge 46.210 m" for i in range(beds)),
            bed_xy,
            bed_offsets,
            ring_kind,
            ring_feature,
        ),
        abutments=MapShapes(
            texts(["tool house"]),
            texts(["wall"]),
            wall,
            wall_offsets,
            np.array([RingKind.OUTER], np.int8),
            np.array([0]),
        ),
        openings=MapShapes(
            texts(["gate", "walk"]),
            texts(["gate 1.2 m wide", "walk 4 m wide"]),
            gap,
            gap_offsets,
            np.array([RingKind.POINT, RingKind.LINE], np.int8),
            np.array([0, 1]),
        ),
        runs=MapLines(
            texts([*names, *(f"B{i + 1:02d}-1" for i in range(len(names), beds)), "LINE-1"][-(beds + 1) :]),
            texts(["ground length 46.210 m, closed"] * (beds + 1)),
            run_xy,
            run_offsets,
        ),
        unmet=MapLines(
            texts(["LINE-1-1"]),
            texts([say.get(0, "short by 0.412 m: shorter than the least cut length")]),
            leg,
            leg_offsets,
        ),
        corners=MapCorners(
            lonlat(corner),
            np.arange(len(corner)) % 4 != 3,
            texts(say.get(i, "turn 90.0\u00b0, leg 1") for i in range(len(corner))),
        ),
        pieces=MapPieces(
            piece_ids,
            np.array(plan.kind, np.int8),
            code,
            texts(plan.station),
            texts(plan.length),
            middle,
            outline_xy,
            outline_offsets,
        ),
        counts=tuple(
            CountRow(say.get(k, c), say.get(k, n), kind, count, order)
            for k, (c, n, kind, count, order) in enumerate(
                [
                    ("S-1200", codes["S-1200"], PieceKind.SECTION, "1,702", "1,740"),
                    ("C-600", codes["C-600"], PieceKind.CLOSER, "61", "64"),
                    ("S-1200 (cut)", "cut from a section", PieceKind.CUT, "28", "28"),
                    ("K-90", codes["K-90"], PieceKind.CORNER, "56", "60"),
                    ("E-300", codes["E-300"], PieceKind.END, "2", "2"),
                ]
            )
        ),
        findings=(
            FindingRow(
                "error",
                say.get(0, "B02: an inside curve is tighter than the sections allow; its leg is left unmet."),
                (float(middle[0, 0]), float(middle[0, 1])),
            ),
            FindingRow(
                "notice",
                say.get(
                    1,
                    "No height is known, so ground lengths are lengths on the ellipsoid.",
                ),
            ),
        ),
        notes=(
            "Have buried lines located and marked before digging (in the US, call 811).",
            "A planning aid, not a boundary survey: property lines belong to licensed practice.",
        ),
    )
