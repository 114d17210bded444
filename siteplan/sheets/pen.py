"""A few primitives, and what puts them on paper: PDF and SVG.

Coordinates are points (1/72 inch) from the lower left of the sheet, y up.  Whatever is drawn
goes through :class:`Pen`, so that PDF and SVG show the same thing.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final, Literal
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from siteplan.sheets.fonts import Face, Fonts, normal
from siteplan.types import FloatArray, OffsetArray, XYArray

Anchor = Literal["left", "middle", "right"]
BATCH: Final = 200
"""rings in one path: longer paths are slow to draw in some readers"""
CAP_HEIGHT: Final = 0.73
"""height of a capital letter of the built-in font, in sizes"""


@dataclass(frozen=True, slots=True)
class Stroke:
    """How a line is drawn: colour as #rrggbb, width and dashes in points."""

    colour: str = "#000000"
    width: float = 0.5
    dash: tuple[float, ...] = ()
    round_ends: bool = False


@dataclass(frozen=True, slots=True)
class _Paint:
    """Fill, stroke and opacity of the fill of one shape."""

    fill: str | None
    stroke: Stroke | None
    opacity: float


class Pen(ABC):
    """Something to draw with."""

    fonts: Fonts

    def shapes(
        self,
        xy: XYArray,
        offsets: OffsetArray | Sequence[int],
        *,
        fill: str | None = None,
        stroke: Stroke | None = None,
        closed: bool = True,
        opacity: float = 1.0,
        together: bool = False,
    ) -> None:
        """Rings or lines: part k is ``xy[offsets[k]:offsets[k + 1]]``.

        With ``together`` all parts are one shape filled by the even-odd rule (a polygon with
        islands); otherwise they may be drawn in several paths.
        """
        ends = [int(o) for o in offsets]
        step = len(ends) if together else BATCH
        parts = list(pairwise(ends))
        # a part of one vertex draws nothing
        paths = [[(a, b) for a, b in parts[k : k + step] if b - a >= 2] for k in range(0, len(parts), step)]
        if any(paths):
            self._paths(
                np.asarray(xy), [path for path in paths if path], _Paint(fill, stroke, opacity), closed
            )

    @abstractmethod
    def _paths(self, xy: XYArray, paths: list[list[tuple[int, int]]], paint: _Paint, closed: bool) -> None:
        """Draw paths; each is a list of parts from a first vertex to the one behind the last."""

    @abstractmethod
    def text(
        self,
        x: float,
        y: float,
        text: str,
        size: float,
        *,
        face: Face = "regular",
        colour: str = "#000000",
        anchor: Anchor = "left",
        angle_deg: float = 0.0,
    ) -> None:
        """One line of text; ``y`` is its base line, turned about (x, y) counter-clockwise."""

    @abstractmethod
    def clip(self, x: float, y: float, width: float, height: float) -> Any:
        """Context in which only the rectangle is drawn into."""

    @abstractmethod
    def link(self, x: float, y: float, width: float, height: float, target: str) -> None:
        """Make a rectangle lead to a bookmark, where the medium can."""

    # --- made of these ---

    def texts(self, items: Sequence[tuple[float, float, str, float, Face, Anchor]]) -> None:
        """Many level black texts: x, y, text, size, face, anchor."""
        for x, y, text, size, face, anchor in items:
            self.text(x, y, text, size, face=face, anchor=anchor)

    def line(self, points: Sequence[tuple[float, float]] | XYArray, stroke: Stroke) -> None:
        """One open line."""
        xy = np.asarray(points, dtype=np.float64)
        self.shapes(xy, [0, len(xy)], stroke=stroke, closed=False)

    def segments(self, a: XYArray, b: XYArray, stroke: Stroke) -> None:
        """Many straight strokes, from a[k] to b[k]."""
        xy = np.stack([a, b], axis=1).reshape(-1, 2)
        self.shapes(xy, np.arange(0, len(xy) + 1, 2), stroke=stroke, closed=False)

    def box(
        self,
        x: float,
        y: float,
        width: float,
        height: float,
        *,
        fill: str | None = None,
        stroke: Stroke | None = None,
        opacity: float = 1.0,
    ) -> None:
        """An upright rectangle."""
        xy = np.array([(x, y), (x + width, y), (x + width, y + height), (x, y + height)])
        self.shapes(xy, [0, 4], fill=fill, stroke=stroke, opacity=opacity)

    def centred(
        self,
        x: float,
        y: float,
        text: str,
        size: float,
        *,
        face: Face = "regular",
        colour: str = "#000000",
        angle_deg: float = 0.0,
        backing: float = 0.0,
    ) -> None:
        """A text whose capitals are centred on (x, y); ``backing`` is the opacity of white behind it."""
        turn = np.radians(angle_deg)
        down = np.array([np.sin(turn), -np.cos(turn)]) * size * CAP_HEIGHT / 2
        if backing:
            half = self.fonts.width(text, size, face) / 2 + 0.6
            corners = np.array([(-half, -0.55), (half, -0.55), (half, 0.55), (-half, 0.55)]) * (1.0, size)
            spin = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
            self.shapes(corners @ spin + (x, y), [0, 4], fill="#FFFFFF", opacity=backing)
        self.text(
            x + down[0],
            y + down[1],
            text,
            size,
            face=face,
            colour=colour,
            anchor="middle",
            angle_deg=angle_deg,
        )


def _rgb(colour: str) -> tuple[float, float, float]:
    return tuple(int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5))  # type: ignore[return-value]


class _Path:
    """Path operators made elsewhere: reportlab writes its own number by number, which is slow."""

    def __init__(self, code: str) -> None:
        self._text = code

    def getCode(self) -> str:  # noqa: N802
        """What a reportlab path gives."""
        return self._text


class PdfPen(Pen):
    """Draws on a page of a reportlab canvas."""

    def __init__(self, canvas: Any, fonts: Fonts) -> None:
        self.canvas = canvas
        self.fonts = fonts
        self._offset = {"left": 0.0, "middle": 0.5, "right": 1.0}

    def _stroke(self, stroke: Stroke) -> None:
        c = self.canvas
        c.setStrokeColorRGB(*_rgb(stroke.colour))
        c.setLineWidth(stroke.width)
        c.setDash(list(stroke.dash))
        c.setLineCap(1 if stroke.round_ends else 0)

    def _paths(self, xy: XYArray, paths: list[list[tuple[int, int]]], paint: _Paint, closed: bool) -> None:
        points = [f"{px:.3f} {py:.3f}" for px, py in xy.tolist()]
        c = self.canvas
        c.saveState()
        c.setLineJoin(1)
        if paint.stroke is not None:
            self._stroke(paint.stroke)
        if paint.fill is not None:
            c.setFillColorRGB(*_rgb(paint.fill))
        if paint.opacity < 1:
            c.setFillAlpha(paint.opacity)
        drawn, filled = int(paint.stroke is not None), int(paint.fill is not None)
        for path in paths:
            code = [
                f"{points[a]} m {' l '.join(points[a + 1 : b])} l{' h' if closed else ''}" for a, b in path
            ]
            c.drawPath(_Path("\n".join(code)), stroke=drawn, fill=filled, fillMode=0)
        c.restoreState()

    def text(
        self,
        x: float,
        y: float,
        text: str,
        size: float,
        *,
        face: Face = "regular",
        colour: str = "#000000",
        anchor: Anchor = "left",
        angle_deg: float = 0.0,
    ) -> None:
        """See :meth:`Pen.text`."""
        if not text:
            return
        shift = -self._offset[anchor] * self.fonts.width(text, size, face) if anchor != "left" else 0.0
        c, turn = self.canvas, np.radians(angle_deg)
        cos, sin = float(np.cos(turn)), float(np.sin(turn))
        block = c.beginText()
        block.setFillColorRGB(*_rgb(colour))
        if angle_deg:
            block.setTextTransform(cos, sin, -sin, cos, x + shift * cos, y + shift * sin)
        else:
            block.setTextOrigin(x + shift, y)
        for name, letters in self.fonts.parts(text, face):
            block.setFont(name, size)
            block.textOut(letters)
        c.drawText(block)

    def texts(self, items: Sequence[tuple[float, float, str, float, Face, Anchor]]) -> None:
        """See :meth:`Pen.texts`; one text object for all of them."""
        block = self.canvas.beginText()
        block.setFillColorRGB(0, 0, 0)
        used: tuple[str, float] | None = None
        for x, y, text, size, face, anchor in items:
            if not text:
                continue
            shift = self._offset[anchor] * self.fonts.width(text, size, face) if anchor != "left" else 0.0
            block.setTextOrigin(round(x - shift, 3), round(y, 3))
            for name, letters in self.fonts.parts(text, face):
                if used != (name, size):
                    block.setFont(name, size)
                    used = name, size
                block.textOut(letters)
        self.canvas.drawText(block)

    @contextmanager
    def clip(self, x: float, y: float, width: float, height: float) -> Iterator[None]:
        """See :meth:`Pen.clip`."""
        c = self.canvas
        c.saveState()
        path = c.beginPath()
        path.rect(x, y, width, height)
        c.clipPath(path, stroke=0, fill=0)
        yield
        c.restoreState()

    def link(self, x: float, y: float, width: float, height: float, target: str) -> None:
        """See :meth:`Pen.link`."""
        self.canvas.linkRect(
            "", target, (x, y, x + width, y + height), relative=0, thickness=0, Border="[0 0 0]"
        )


class SvgPen(Pen):
    """Collects an SVG 1.1 document; one user unit is a point.

    Texts keep all their letters: a browser has more fonts than the sheets carry.  Every text
    has the width it has on the sheets (``textLength``), so that labels stay apart.
    """

    def __init__(self, width: float, height: float, fonts: Fonts, title: str) -> None:
        self.fonts = fonts
        self._size = (width, height)
        self._title = title
        self._body: list[str] = []
        self._clips = 0

    def _paint(self, fill: str | None, stroke: Stroke | None, opacity: float) -> str:
        parts = [f'fill="{fill or "none"}"']
        if fill is not None:
            parts.append('fill-rule="evenodd"')
        if opacity < 1:
            parts.append(f'fill-opacity="{opacity:g}"')
        if stroke is not None:
            parts.append(f'stroke="{stroke.colour}" stroke-width="{stroke.width:g}" stroke-linejoin="round"')
            if stroke.dash:
                parts.append(f'stroke-dasharray="{" ".join(f"{d:g}" for d in stroke.dash)}"')
            if stroke.round_ends:
                parts.append('stroke-linecap="round"')
        return " ".join(parts)

    def _paths(self, xy: XYArray, paths: list[list[tuple[int, int]]], paint: _Paint, closed: bool) -> None:
        flipped = np.column_stack([xy[:, 0], self._size[1] - xy[:, 1]])
        points = [f"{px:.2f} {py:.2f}" for px, py in flipped.tolist()]
        look = self._paint(paint.fill, paint.stroke, paint.opacity)
        for path in paths:
            d = "".join(f"M{'L'.join(points[a:b])}{'Z' if closed else ''}" for a, b in path)
            self._body.append(f'<path d="{d}" {look}/>')

    def text(
        self,
        x: float,
        y: float,
        text: str,
        size: float,
        *,
        face: Face = "regular",
        colour: str = "#000000",
        anchor: Anchor = "left",
        angle_deg: float = 0.0,
    ) -> None:
        """See :meth:`Pen.text`."""
        if not text:
            return
        down = self._size[1] - y
        anchors = {"left": "start", "middle": "middle", "right": "end"}
        parts = [
            f'x="{x:.2f}" y="{down:.2f}" font-size="{size:g}" fill="{colour}"',
            f'text-anchor="{anchors[anchor]}"',
        ]
        if not self.fonts.missing(text):
            parts.append(
                f'textLength="{self.fonts.width(text, size, face):.2f}" lengthAdjust="spacingAndGlyphs"'
            )
        if face == "bold":
            parts.append('font-weight="bold"')
        if face == "italic":
            parts.append('font-style="italic"')
        if angle_deg:
            parts.append(f'transform="rotate({-angle_deg:.2f} {x:.2f} {down:.2f})"')
        self._body.append(f"<text {' '.join(parts)}>{escape(_xml(normal(text)))}</text>")

    @contextmanager
    def clip(self, x: float, y: float, width: float, height: float) -> Iterator[None]:
        """See :meth:`Pen.clip`."""
        self._clips += 1
        name = f"clip{self._clips}"
        self._body.append(
            f'<clipPath id="{name}"><rect x="{x:.2f}" y="{self._size[1] - y - height:.2f}" '
            f'width="{width:.2f}" height="{height:.2f}"/></clipPath><g clip-path="url(#{name})">'
        )
        yield
        self._body.append("</g>")

    def link(self, x: float, y: float, width: float, height: float, target: str) -> None:
        """A picture has nowhere to lead to."""

    def document(self) -> str:
        """The whole document."""
        width, height = self._size
        mm = 25.4 / 72
        title = _xml(normal(self._title))
        return (
            '<?xml version="1.0" encoding="UTF-8"?>\n'
            '<svg xmlns="http://www.w3.org/2000/svg" '
            f'width="{width * mm:.3f}mm" height="{height * mm:.3f}mm" '
            f'viewBox="0 0 {width:.3f} {height:.3f}" role="img" aria-label={quoteattr(title)} '
            'font-family="Bitstream Vera Sans, DejaVu Sans, Verdana, sans-serif">\n'
            f"<title>{escape(title)}</title>\n" + "\n".join(self._body) + "\n</svg>\n"
        )


def _xml(text: str) -> str:
    """A text without the characters XML 1.0 cannot hold (section 2.2, production Char)."""
    return "".join(
        c if c in "\t\n\r" or " " <= c <= "\ud7ff" or "\ue000" <= c <= "\ufffd" or c >= "\U00010000" else "?"
        for c in text
    )


def turned(xy: XYArray, angle_deg: FloatArray | float, size: float) -> XYArray:
    """A shape of unit size, enlarged and turned counter-clockwise."""
    turn = np.radians(angle_deg)
    spin = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    made: XYArray = xy @ spin * size
    return made
