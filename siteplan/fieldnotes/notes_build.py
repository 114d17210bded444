"""Statements of field notes turned into points and outlines, one after the other.

A statement at fault leaves points that are not a number behind, so that what follows can still be
checked and no fault is told twice.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from siteplan.errors import DataError, Fault, Finding, UsageError
from siteplan.fieldnotes.angles import Direction, parse_angle, parse_direction
from siteplan.fieldnotes.curves import arc_through, curve_elements
from siteplan.fieldnotes.statements import VERBS, Fields, Statement, Wrong, known_unit, wrong_of
from siteplan.fieldnotes.strings import ArcStrings, strings_of
from siteplan.fieldnotes.ties import SquareCheck, check_square, from_base, tie
from siteplan.fieldnotes.traverse import (
    Closure,
    Kind,
    Suspect,
    azimuth_of,
    close_traverse,
    is_acceptable,
    latitudes_departures,
    suspects,
)
from siteplan.geodesy import CrsFacts, crs_facts
from siteplan.types import FloatArray, ObjectArray, XYArray
from siteplan.units import METRES, parse_length

SQUARE_DEG: Final = 0.25
"""A taped corner further from square than this is told."""
POOR_CUT_DEG: Final = 20.0
"""Two tapes that cross at less than this fix a point poorly."""
SAME_M: Final = 0.001
LEAST_RISE_M: Final = 0.001
_NUMBER: Final = re.compile(r"[-+\u2212]?\d+(?:\.\d*)?")
_RESERVED: Final = {"as", "east", "from", "left", "line", "north", "on", "right", "through"}
_ELEMENTS: Final = ("radius", "chord", "arc", "delta", "middle", "tangent")
_NAN: Final = np.array([np.nan, np.nan])


@dataclass(frozen=True, slots=True, eq=False)
class Anchors:
    """Points known in the notes and on the map.  n points."""

    names: ObjectArray
    local_xy: XYArray
    """(n, 2) metres, in the notes"""
    coords: FloatArray
    """(n, 2) easting or longitude first, in ``crs`` and its unit"""
    crs: str | None
    """None where the notes have no anchor"""


@dataclass(frozen=True, slots=True, eq=False)
class Closed:
    """How a walked outline closed."""

    outline: str
    line: int
    closure: Closure


@dataclass(frozen=True, slots=True)
class Tied:
    """A point tied from two known ones: the solution taken, and the other one."""

    line: int
    name: str | None
    side: str
    xy_m: tuple[float, float]
    other_m: tuple[float, float]
    cut_deg: float


@dataclass(frozen=True, slots=True)
class Squared:
    """A taped triangle that was to be square."""

    line: int
    check: SquareCheck


@dataclass(slots=True)
class _Node:
    xy: FloatArray
    line: int
    bulge: float = 0.0
    """of the edge that arrives"""
    through: bool = False
    relative: bool = False
    walked: bool = False


@dataclass(slots=True)
class _Outline:
    name: str
    line: int
    nodes: list[_Node] = field(default_factory=list)
    azimuth: float | None = None
    """direction in which the last leg or curve arrives"""
    closed: str | None = None
    """``measured`` or ``line``"""
    closed_line: int = 0
    bulge: list[float] = field(default_factory=list)
    """of the edges that leave, once finished"""
    faulty: bool = False


class Builder:
    """Takes statements, keeps what they make and what is wrong with them."""

    def __init__(self, label: str, least_ratio: float, reading_m: float) -> None:
        self.label = label
        self.least_ratio = least_ratio
        self.reading_m = reading_m
        self.unit: str | None = None
        self.crs: CrsFacts | None = None
        self.crs_stated = False
        self.crs_line = 0
        self.points: dict[str, FloatArray] = {}
        self.base: tuple[FloatArray, float] | None = None
        self.outlines: list[_Outline] = []
        self.outline_names: set[str] = set()
        self.open: _Outline | None = None
        self.anchored: list[tuple[str, FloatArray]] = []
        self.closures: list[Closed] = []
        self.ties: list[Tied] = []
        self.squares: list[Squared] = []
        self.faults: list[Fault] = []
        self.findings: list[Finding] = []
        self._do: dict[str, Callable[[Fields, int], None]] = {
            "unit": self._unit, "crs": self._crs, "point": self._point, "anchor": self._anchor,
            "outline": self._outline, "end": self._end, "start": self._start, "leg": self._leg,
            "curve": self._curve, "close": self._close, "base": self._base, "at": self._at, "tie": self._tie,
            "to": self._to, "square": self._square,
        }  # fmt: skip

    # --- the course of things ---------------------------------------------------------

    def take(self, statement: Statement) -> None:
        """Do one statement, or keep what is wrong with it."""
        fields = Fields(statement, self.unit)
        do = self._do.get(statement.verb)
        try:
            if do is None:
                raise Wrong(
                    "verb-unknown",
                    f'"{statement.verb}" is not a verb of field notes',
                    f"Known: {', '.join(VERBS)}",
                )
            do(fields, statement.line)
        except Wrong as wrong:
            self._fault(statement.line, wrong)
            self._leave_open(statement)
        except UsageError as error:
            self._fault(statement.line, wrong_of(error))
            self._leave_open(statement)

    def _fault(self, line: int, wrong: Wrong) -> None:
        self.faults.append(
            Fault(
                wrong.code,
                f"line {line}: {wrong.what}",
                wrong.remedy,
                file=self.label,
                feature=self.open.name if self.open else None,
            )
        )

    def _leave_open(self, statement: Statement) -> None:
        """Put no-numbers where a faulty statement should have put points."""
        for text in statement.fields:
            if text.lower().startswith("as "):
                self.points.setdefault(text[3:].strip(), _NAN)
        if statement.verb == "point" and statement.fields:
            self.points.setdefault(statement.fields[0], _NAN)
        if statement.verb == "outline":
            self._close_outline()
            self.open = _Outline("", statement.line, faulty=True)
        if statement.verb == "base":
            self.base = (_NAN, math.nan)
        if statement.verb == "crs":
            self.crs_stated = True
        if self.open is None and statement.verb in ("start", "leg", "curve", "close"):
            self.open = _Outline("", statement.line, faulty=True)
        if self.open is not None and statement.verb in ("start", "leg", "curve", "at", "tie", "to", "close"):
            self.open.faulty = True
            self.open.azimuth = math.nan
            self.open.nodes.append(_Node(_NAN, statement.line, walked=True))

    def finish(self) -> None:
        """Close the last outline and check what only shows at the end."""
        self._close_outline()
        if not self.outlines and not self.faults:
            self.faults.append(
                Fault(
                    "no-outline", "the notes make no outline", "Begin one with: outline NAME", file=self.label
                )
            )

    def strings(self) -> ArcStrings:
        """The outlines."""
        return strings_of(
            [o.name for o in self.outlines],
            [o.closed is not None for o in self.outlines],
            [np.array([n.xy for n in o.nodes]).reshape(-1, 2) for o in self.outlines],
            [np.array(o.bulge) for o in self.outlines],
        )

    def node_lines(self) -> list[int]:
        """Line of each node of :meth:`strings`."""
        return [n.line for o in self.outlines for n in o.nodes]

    def anchors(self) -> Anchors:
        """Common points, in the CRS's unit."""
        names = np.empty(len(self.anchored), dtype=object)
        names[:] = [name for name, _ in self.anchored]
        return Anchors(
            names=names,
            local_xy=np.array([self.points[n] for n in names]).reshape(-1, 2),
            coords=np.array([c for _, c in self.anchored]).reshape(-1, 2),
            crs=(self.crs.code or self.crs.wkt) if self.anchored and self.crs else None,
        )

    # --- what holds for the whole notes -----------------------------------------------

    def _unit(self, fields: Fields, line: int) -> None:
        self.unit = known_unit(fields.next("the unit"))
        fields.done()

    def _crs(self, fields: Fields, line: int) -> None:
        if self.crs_stated:
            raise Wrong("crs-twice", "the CRS is stated a second time", "Keep one")
        text = ", ".join(fields.left)
        try:
            self.crs = crs_facts(text)
        except DataError as error:
            first = error.faults[0]
            raise Wrong(first.code, first.what, first.remedy) from None
        self.crs_stated = True

    # --- points -----------------------------------------------------------------------

    def _known(self, name: str) -> FloatArray:
        if name not in self.points:
            known = ", ".join(self.points) or "none yet"
            raise Wrong("point-unknown", f'point "{name}" is not known here', f"Points so far: {known}")
        return self.points[name]

    def _named(self, name: str, xy: FloatArray) -> None:
        """Keep a point under its name."""
        if name in self.points:
            raise Wrong("duplicate-point", f'point "{name}" is there already', "Give each point its own name")
        try:
            parse_direction(name)
        except UsageError:
            pass
        else:
            raise Wrong("bad-name", f'point name "{name}" reads as a direction', "Choose another name")
        if not name or name.lower().split(" ")[0] in _RESERVED:
            raise Wrong("bad-name", f'the name of a point cannot begin as "{name}"', "Choose another name")
        self.points[name] = xy

    def _east_north(self, fields: Fields) -> FloatArray:
        east, north = fields.keyed("east"), fields.keyed("north")
        if east is None or north is None:
            raise Wrong(
                "field-missing",
                f"{fields.verb} lacks east or north",
                "Write for example: east 3.5 m, north 12 m",
            )
        return np.array([fields.length(east), fields.length(north)])

    def _point(self, fields: Fields, line: int) -> None:
        name = fields.next("the name")
        xy = self._east_north(fields)
        fields.done()
        self._named(name, xy)

    def _anchor(self, fields: Fields, line: int) -> None:
        name = fields.next("the name of the point")
        self._known(name)
        if any(name == n for n, _ in self.anchored):
            raise Wrong("anchor-twice", f'point "{name}" is anchored already', "Take one of the two out")
        if not self.crs_stated:
            self.crs_stated = True  # told once
            raise Wrong(
                "no-crs", "the notes do not say in which CRS the anchor is", "Write before it: crs EPSG:2230"
            )
        lon, lat = fields.keyed("lon"), fields.keyed("lat")
        east, north = fields.keyed("east"), fields.keyed("north")
        fields.done()
        if self.crs is None:
            return
        if self.crs.is_geographic:
            coords = _lonlat(lon, lat, self.crs)
        else:
            coords = np.array([_map_length(t, self.crs) for t in (east, north)])
        self.anchored.append((name, coords))

    # --- outlines -----------------------------------------------------------------------

    def _outline(self, fields: Fields, line: int) -> None:
        name = fields.next("its name")
        self._close_outline()
        fields.done()
        if name in self.outline_names:
            raise Wrong("outline-twice", f'outline "{name}" is there already', "Give each its own name")
        self.outline_names.add(name)
        self.open = _Outline(name, line)

    def _end(self, fields: Fields, line: int) -> None:
        fields.done()
        self._current()
        self._close_outline()

    def _current(self) -> _Outline:
        if self.open is None:
            raise Wrong("no-outline", "no outline has begun", "Write before it: outline NAME")
        return self.open

    def _growing(self) -> _Outline:
        out = self._current()
        if out.closed:
            raise Wrong(
                "after-close",
                f'outline "{out.name}" is closed on line {out.closed_line}',
                "Begin the next one with: outline NAME",
            )
        return out

    def _append(self, out: _Outline, node: _Node) -> None:
        """Add a node, and remember in which direction it was reached."""
        if out.nodes and not node.walked:
            step = (node.xy - out.nodes[-1].xy)[None]
            out.azimuth = None if node.through or out.nodes[-1].through else float(azimuth_of(step)[0])
        out.nodes.append(node)

    def _finish_point(self, fields: Fields, xy: FloatArray, line: int) -> None:
        """A point fixed by itself: name it, and add it to the outline that is open."""
        name = fields.keyed("as")
        through = fields.flag("through")
        fields.done()
        if self.open is None and name is None:
            raise Wrong(
                "no-outline",
                "the point is in no outline and has no name",
                "Write before it: outline NAME, or behind it: as NAME",
            )
        out = self._growing() if self.open is not None else None
        if name is not None:
            self._named(name, xy)
        if out is not None:
            self._append(out, _Node(xy, line, through=through))

    def _start(self, fields: Fields, line: int) -> None:
        out = self._growing()
        if out.nodes:
            raise Wrong("start-twice", "the outline has begun already", "Go on with leg, curve or to")
        name = fields.keyed("as")
        if not fields.left:
            xy = np.zeros(2)
        elif fields.left[0].lower().split(" ")[0] in ("east", "north"):
            xy = self._east_north(fields)
        else:
            xy = self._known(fields.next("a point"))
        fields.done()
        if name is not None:
            self._named(name, xy)
        self._append(out, _Node(xy, line, walked=True))

    def _standing(self) -> _Outline:
        out = self._growing()
        if not out.nodes:
            raise Wrong("no-start", "the outline has no first point", "Write before it: start, or start NAME")
        return out

    def _leg(self, fields: Fields, line: int) -> None:
        out = self._standing()
        name = fields.keyed("as")
        direction = parse_direction(fields.next("a direction"))
        length = fields.length(fields.next("a distance"), positive=True)
        fields.done()
        azimuth = direction.azimuth(out.azimuth)
        step = latitudes_departures(np.array([azimuth]), np.array([length]))[0]
        self._walk(out, step, azimuth, 0.0, line, name, relative=direction.kind != "azimuth")

    def _walk(
        self, out: _Outline, step: FloatArray, arrives: float, bulge: float, line: int, name: str | None,
        *, relative: bool,
    ) -> None:  # fmt: skip
        xy = out.nodes[-1].xy + step
        if name is not None:
            self._named(name, xy)
        out.nodes.append(_Node(xy, line, bulge=bulge, relative=relative, walked=True))
        out.azimuth = arrives

    def _curve(self, fields: Fields, line: int) -> None:
        out = self._standing()
        side = fields.next("left or right").lower()
        if side not in ("left", "right"):
            raise Wrong("no-side", f'a curve turns left or right, not "{side}"', "Write: curve left, ...")
        name = fields.keyed("as")
        start = fields.keyed("from")
        major = fields.flag("major")
        found = {word: text for word in _ELEMENTS if (text := fields.keyed(word)) is not None}
        fields.done()
        two = {
            "delta_deg" if w == "delta" else w: (
                parse_angle(t) if w == "delta" else fields.length(t, positive=True)
            )
            for w, t in found.items()
        }  # fmt: skip
        if major and set(two) != {"radius", "chord"}:
            raise Wrong("stray-major", "major goes with radius and chord only", "Take it out")
        curve = curve_elements(major=major, **two)
        direction = parse_direction(start) if start is not None else Direction("turn", 0.0)
        leaves = direction.azimuth(out.azimuth)
        turn = float(curve.delta_deg[0]) * (1 if side == "right" else -1)
        step = latitudes_departures(np.array([leaves + turn / 2]), curve.chord)[0]
        bulge = -math.tan(math.radians(turn) / 4)
        self._walk(out, step, (leaves + turn) % 360, bulge, line, name, relative=direction.kind != "azimuth")

    def _close(self, fields: Fields, line: int) -> None:
        out = self._standing()
        by_line = fields.flag("line")
        fields.done()
        if not by_line and not all(n.walked for n in out.nodes):
            raise Wrong(
                "close-unmeasured",
                "the outline has points that were not walked to, so its closing is not measured",
                "Write: close line",
            )
        if not by_line and len(out.nodes) < 3 and not out.faulty:
            raise Wrong(
                "too-few-points",
                "an outline of one leg cannot come back to its start",
                "Write the legs that are missing",
            )
        out.closed, out.closed_line = ("line" if by_line else "measured"), line

    # --- points by tape --------------------------------------------------------------------

    def _base(self, fields: Fields, line: int) -> None:
        a = self._known(fields.next("its first point"))
        other = fields.next("its second point or its direction")
        fields.done()
        if other in self.points:
            b = self.points[other]
            if np.hypot(*(b - a)) < SAME_M:
                raise Wrong("same-place", "the two points of the base line are at one place", "Choose others")
            self.base = (a, float(azimuth_of((b - a)[None])[0]))
            return
        try:
            direction = parse_direction(other)
        except UsageError:
            known = ", ".join(self.points)
            raise Wrong(
                "point-unknown", f'"{other}" is neither a point nor a direction', f"Points so far: {known}"
            ) from None
        self.base = (a, direction.azimuth(None))

    def _at(self, fields: Fields, line: int) -> None:
        if self.base is None:
            raise Wrong("no-base", "there is no base line", "Write before it: base A, B")
        station = fields.length(fields.next("the station"))
        left, right = fields.keyed("left"), fields.keyed("right")
        on = fields.flag("on")
        if (left is not None) + (right is not None) + on != 1:
            raise Wrong(
                "no-side", "the side of the offset is not stated", "Write left, right or on, one of them"
            )
        away = 0.0 if on else fields.length(left if left is not None else right or "", positive=True)
        start, azimuth = self.base
        xy = from_base(start, azimuth, np.array([station]), np.array([away if left is not None else -away]))[
            0
        ]
        self._finish_point(fields, xy, line)

    def _tie(self, fields: Fields, line: int) -> None:
        names, taped = [], []
        for which in ("first", "second"):
            names.append(fields.next(f"the {which} known point"))
            taped.append(fields.length(fields.next(f"the distance to the {which} point"), positive=True))
        side = fields.next("the side, left or right").lower()
        if side not in ("left", "right"):
            raise Wrong(
                "no-side",
                f'the side of a tie is left or right of the line from "{names[0]}" to '
                f'"{names[1]}", not "{side}"',
                "Two points have these distances; say which",
            )
        a, b = self._known(names[0]), self._known(names[1])
        if np.isnan(a).any() or np.isnan(b).any():
            self._finish_point(fields, _NAN, line)
            return
        both = tie(a[None], b[None], np.array([taped[0]]), np.array([taped[1]]))
        apart = float(both.apart_m[0])
        if apart:
            how = (
                "the two tapes do not reach each other" if apart > 0 else "one tape is too long for the other"
            )
            raise Wrong(
                "no-tie",
                f'{how}, by {abs(apart):.3f} m: "{names[0]}" and "{names[1]}" are '
                f"{np.hypot(*(b - a)):.3f} m apart, taped were {taped[0]:.3f} m and {taped[1]:.3f} m",
                "Check the two distances and the two points",
            )
        xy, other = (both.left[0], both.right[0]) if side == "left" else (both.right[0], both.left[0])
        name = next((f[3:].strip() for f in fields.left if f.lower().startswith("as ")), None)
        self._finish_point(fields, xy, line)
        cut = float(both.cut_deg[0])
        self.ties.append(Tied(line, name, side, tuple(xy.tolist()), tuple(other.tolist()), cut))
        self._tie_findings(self.ties[-1])

    def _tie_findings(self, tied: Tied) -> None:
        (x, y), (u, w) = tied.xy_m, tied.other_m
        sharp = min(tied.cut_deg, 180 - tied.cut_deg)
        poor = ""
        if sharp < POOR_CUT_DEG:
            factor = 1 / max(math.sin(math.radians(sharp)), 1e-3)
            poor = (
                f" The tapes cross at {sharp:.0f} degrees only: an error in them counts {factor:.0f} times."
            )
        self._note(
            "tie",
            f"line {tied.line}: the tie gives east {x:.3f}, north {y:.3f} m on the {tied.side}, taken; "
            f"the other solution is east {u:.3f}, north {w:.3f} m.{poor}",
        )

    def _note(self, code: str, text: str) -> None:
        self.findings.append(Finding(code, "notice", f"{self.label}, {text}"))

    def _to(self, fields: Fields, line: int) -> None:
        self._growing()
        xy = self._known(fields.next("a point"))
        self._finish_point(fields, xy, line)

    def _square(self, fields: Fields, line: int) -> None:
        sides = [
            fields.length(fields.next(w), positive=True) for w in ("a side", "the other side", "the diagonal")
        ]
        fields.done()
        try:
            check = check_square(*sides)
        except UsageError as error:
            raise Wrong("no-triangle", str(error), "Tape the three sides again") from None
        self.squares.append(Squared(line, check))
        if abs(check.off_deg) > SQUARE_DEG:
            self._note(
                "not-square",
                f"line {line}: the taped corner is {check.angle_deg:.2f} degrees, "
                f"{abs(check.off_deg):.2f} {'more' if check.off_deg > 0 else 'less'} than square; the "
                f"diagonal would be {check.diagonal_m:.3f} m, taped {1000 * check.diagonal_over_m:+.0f} mm; "
                "a line set out "
                f"by it strays {check.sideways_mm_per_m:.0f} mm a metre.",
            )

    # --- an outline done ---------------------------------------------------------------

    def _close_outline(self) -> None:
        """Finish the open outline: closing, arcs through points, least number of points."""
        out, self.open = self.open, None
        if out is None or out.faulty or any(np.isnan(n.xy).any() for n in out.nodes):
            return
        self.open = out
        try:
            if out.closed == "measured":
                self._adjust(out)
            self._shape(out)
            self.outlines.append(out)
        except Wrong as wrong:
            self._fault(out.closed_line or out.line, wrong)
        self.open = None

    def _adjust(self, out: _Outline) -> None:
        """Compass rule, or refusal with the measurement most likely wrong."""
        xy = np.array([n.xy for n in out.nodes])
        closure = close_traverse(np.diff(xy, axis=0), xy[0])
        if not is_acceptable(closure, least_ratio=self.least_ratio, reading_m=self.reading_m):
            raise Wrong(
                "misclosure",
                f"{closure.text}, worse than 1 : {self.least_ratio:g} and more than "
                f"{self.reading_m:g} m. {blame(closure, out.nodes[1:], self.reading_m)}",
                "Measure that again first; a slip of the pen is likelier than a bad tape",
            )
        for node, place in zip(out.nodes, closure.adjusted_m, strict=True):
            node.xy = place
        # the last station is the first again: its edge arrives there
        self.closures.append(Closed(out.name, out.closed_line, closure))
        self._note(
            "closure",
            f'line {out.closed_line}: outline "{out.name}" closes with {closure.text}; '
            "spread over the legs by the compass rule.",
        )

    def _shape(self, out: _Outline) -> None:
        """Nodes and leaving bulges; points marked through become arcs."""
        nodes = out.nodes
        ring = out.closed is not None
        if len(nodes) > 2 and ring and np.hypot(*(nodes[-1].xy - nodes[0].xy)) < SAME_M:
            last = nodes.pop()
            nodes[0].bulge, nodes[0].through = last.bulge, nodes[0].through or last.through
        elif out.closed == "line":
            gap = float(np.hypot(*(nodes[-1].xy - nodes[0].xy)))
            self._note(
                "not-checked",
                f'line {out.closed_line}: outline "{out.name}" is closed by a line of '
                f"{gap:.3f} m that was not measured, so nothing checks it.",
            )
        self._arcs(out, ring=ring)
        nodes = out.nodes
        out.bulge = [n.bulge for n in nodes[1:]] + [nodes[0].bulge if ring else 0.0]
        least = 2 if not ring or any(out.bulge) else 3
        if len(nodes) < least:
            raise Wrong(
                "too-few-points",
                f"{'a closed' if ring else 'an open'} outline needs {least} points, "
                f"this one has {len(nodes)}",
                "Add what is missing",
            )
        for a, b in zip(nodes, nodes[1:] + (nodes[:1] if ring else []), strict=False):
            if np.hypot(*(a.xy - b.xy)) < SAME_M:
                raise Wrong(
                    "same-place",
                    f"the points of lines {a.line} and {b.line} are at one place",
                    "Take one of them out",
                )

    def _arcs(self, out: _Outline, *, ring: bool) -> None:
        """Replace each point marked through by the arc through it and its neighbours."""
        nodes, n = out.nodes, len(out.nodes)
        for k, node in enumerate(nodes):
            if not node.through:
                continue
            if n < 3 or (not ring and k in (0, n - 1)):
                raise Wrong(
                    "curve-at-end",
                    f"the point of line {node.line} is marked through but has no neighbour on one side",
                    "Add the end of the arc",
                )
            before, after = nodes[k - 1], nodes[(k + 1) % n]
            if before.through or after.through:
                raise Wrong(
                    "curves-touch",
                    f"line {node.line} and its neighbour are both marked through",
                    "Fix a point between the two arcs",
                )
            arc = arc_through(before.xy[None], node.xy[None], after.xy[None])
            bulge, rise = float(arc.bulge[0]), float(arc.rise[0])
            if not math.isfinite(bulge) or rise < LEAST_RISE_M:
                raise Wrong(
                    "no-arc",
                    f"the arc of line {node.line} cannot be: its three points are in line or at one place",
                    "Take through off, or check the points",
                )
            after.bulge = bulge
        out.nodes = [n for n in nodes if not n.through]


def blame(closure: Closure, legs: list[_Node], reading_m: float) -> str:
    """Which measurement is most likely wrong, in words and numbers."""
    found = suspects(closure)
    kinds: list[Kind] = ["distance"]
    if any(n.relative for n in legs):
        kinds.append("angle")
    if any(not n.relative for n in legs):
        kinds.append("bearing")
    rated = [s for kind in kinds for s in found[kind] if kind == "distance" or _fits(kind, legs[s.leg])]
    rated.sort(key=lambda s: s.left_m)
    if not rated or rated[0].left_m > max(reading_m, 0.25 * closure.miss_m):
        return "No single measurement explains it: there is more than one slip"
    close = [s for s in rated if s.left_m <= rated[0].left_m + max(reading_m, 0.05 * closure.miss_m)]
    return "Most likely " + ", or ".join(_words(s, closure, legs) for s in close[:3])


def _fits(kind: Kind, leg: _Node) -> bool:
    """An angle was turned where the direction is relative; a bearing was read where it is not."""
    return (kind == "angle") == leg.relative


def _words(s: Suspect, closure: Closure, legs: list[_Node]) -> str:
    place = f"of leg {s.leg + 1} (line {legs[s.leg].line})"
    left = f"which leaves {s.left_m:.3f} m"
    if s.kind == "distance":
        was = float(closure.length_m[s.leg])
        return f"the distance {place}: {was + s.amount:.3f} m instead of {was:.3f} m, {left}"
    turn = f"{abs(s.amount):.2f} degrees {'clockwise' if s.amount > 0 else 'counter-clockwise'}"
    what = "bearing" if s.kind == "bearing" else "angle at the start"
    return f"the {what} {place}: {turn}, {left}"


def _lonlat(lon: str | None, lat: str | None, crs: CrsFacts) -> FloatArray:
    if lon is None or lat is None:
        raise Wrong(
            "field-missing",
            f"anchor lacks lon or lat, and {crs.label} counts in degrees",
            "Write for example: lon -80.1234567, lat 32.1234567",
        )
    if not (_NUMBER.fullmatch(lon) and _NUMBER.fullmatch(lat)):
        raise Wrong(
            "not-a-number", f"lon {lon}, lat {lat} are not decimal degrees", "West and south are negative"
        )
    value = np.array([float(lon.replace("\u2212", "-")), float(lat.replace("\u2212", "-"))])
    if abs(value[1]) > 90 or abs(value[0]) > 360:
        raise Wrong("not-a-place", f"lon {lon}, lat {lat} is not on earth", "Longitude first; check the two")
    return value


def _map_length(text: str | None, crs: CrsFacts) -> float:
    """A map coordinate in the unit of the CRS; its own unit must be stated, and be the CRS's."""
    if text is None:
        raise Wrong(
            "field-missing",
            f"anchor lacks east or north, and {crs.label} is a grid",
            f"Write for example: east 2000123.45 {crs.unit}, north 700321.09 {crs.unit}",
        )
    if _NUMBER.fullmatch(text):
        raise Wrong("no-unit", f"the map coordinate {text} has no unit", f"{crs.label} counts in {crs.unit}")
    metres = parse_length(text)
    if (
        crs.unit is None
        or crs.metres_per_unit is None
        or not re.search(rf"[\d\s]{crs.unit}$", text.strip(), re.IGNORECASE)
    ):
        raise Wrong(
            "unit-contradicts",
            f"the map coordinate {text} is not in {crs.unit or crs.unit_name}, the unit of {crs.label}",
            "International and US survey feet are two CRSs; state the one meant",
        )
    return float(metres / METRES[crs.unit])
