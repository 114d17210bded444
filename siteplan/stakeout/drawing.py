"""Staked points as files of open standards: DXF, GPX 1.1, KML 2.2.

Every text from the data stays text: XML is escaped by the library, control characters that XML
does not allow become ?, and the signs DXF reads as commands are broken up.
"""

from __future__ import annotations

import io
import math
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Final
from xml.etree import ElementTree as Xml

import ezdxf
from ezdxf import options  # type: ignore[attr-defined]
from ezdxf.enums import TextEntityAlignment
from ezdxf.math import Vec2

from siteplan.types import FloatArray, LonLatArray, ObjectArray
from siteplan.units import Unit

FINDING_ONLY: Final = "for finding, not for setting out"
INSUNITS: Final[dict[str, int]] = {"m": 6, "ft": 2, "ftUS": 21}
"""$INSUNITS of the DXF reference: metres, feet, US survey feet"""
DEGREE_DECIMALS: Final = 8
GPX_NS: Final = "http://www.topografix.com/GPX/1/1"
KML_NS: Final = "http://www.opengis.net/kml/2.2"
_NOT_XML: Final = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_CONTROL: Final = re.compile("[\x00-\x1f\x7f-\x9f\ud800-\udfff\u2028\u2029]")

LAYERS: Final = {
    "LAYING_LINE": 7,
    "OUTLINE": 8,
    "POINTS": 5,
    "POINT_NAMES": 5,
    "PEGS": 30,
    "PEG_NAMES": 30,
    "CONTROL": 1,
    "CONTROL_NAMES": 1,
    "HOUSE_CORNERS": 4,
    "BASE_POINTS": 4,
    "HOUSE_CORNER_NAMES": 4,
    "BASE_POINT_NAMES": 4,
}
"""layers of the drawing and their colour numbers; shape and layer tell them apart, not colour"""


@dataclass(frozen=True, slots=True, eq=False)
class Marks:
    """Points of one kind.  n points."""

    layer: str
    names: ObjectArray
    coords: FloatArray
    """(n, 2) in the grid"""
    height: FloatArray
    """(n,) in the grid's unit, NaN where not known"""


@dataclass(frozen=True, slots=True, eq=False)
class Lines:
    """Lines of one kind, in the grid."""

    layer: str
    coords: list[FloatArray]
    closed: list[bool]


def xml_text(text: str) -> str:
    """Text without the characters XML 1.0 has no place for."""
    return _NOT_XML.sub("?", text)


def dxf_text(text: str) -> str:
    """Text a drawing shows as it is: no control characters, no caret, percent or backslash commands."""
    plain = _CONTROL.sub("?", text).replace("^", "^ ")
    while "%%" in plain:
        plain = plain.replace("%%", "% %")
    return re.sub(r"\\(?=[UuMm]\+)", "/", plain)


@contextmanager
def _fixed_dates() -> Iterator[None]:
    """Drawings without the clock and random ids in their heads."""
    before = options.write_fixed_meta_data_for_testing
    options.write_fixed_meta_data_for_testing = True
    try:
        yield
    finally:
        options.write_fixed_meta_data_for_testing = before


def dxf(marks: Sequence[Marks], lines: Sequence[Lines], unit: Unit, text_height: float) -> str:
    """A drawing (R2010) in the grid, with its unit set.

    Parameters
    ----------
    marks, lines : what it shows; layers are those of :data:`LAYERS`
    unit : of the coordinates
    text_height : of names, in ``unit``
    """
    with _fixed_dates():
        drawing = ezdxf.new("R2010")  # type: ignore[attr-defined]
        drawing.header["$INSUNITS"] = INSUNITS[unit]
        drawing.header["$MEASUREMENT"] = 1 if unit == "m" else 0
        # points as small crosses, at a size on the ground
        drawing.header["$PDMODE"] = 3
        drawing.header["$PDSIZE"] = text_height
        for name, colour in LAYERS.items():
            drawing.layers.add(name, color=colour)
        space = drawing.modelspace()
        for line in lines:
            for coords, closed in zip(line.coords, line.closed, strict=True):
                space.add_lwpolyline(coords.tolist(), close=closed, dxfattribs={"layer": line.layer})
        for of in marks:
            texts = of.layer.removesuffix("S") + "_NAMES"
            for name, (x, y), z in zip(of.names, of.coords.tolist(), of.height.tolist(), strict=True):
                space.add_point((x, y, z if math.isfinite(z) else 0.0), dxfattribs={"layer": of.layer})
                space.add_text(
                    dxf_text(str(name)), height=text_height, dxfattribs={"layer": texts}
                ).set_placement(Vec2(x + text_height, y), align=TextEntityAlignment.BOTTOM_LEFT)
        out = io.StringIO()
        drawing.write(out)
    return out.getvalue()


def _document(root: Any) -> str:
    Xml.indent(root, " ")
    text: str = Xml.tostring(root, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{text}\n'


def _child(parent: Any, name: str, text: str) -> None:
    Xml.SubElement(parent, name).text = xml_text(text)


def _degrees(value: float) -> str:
    return f"{value:.{DEGREE_DECIMALS}f}"


def gpx(title: str, names: Sequence[str], notes: Sequence[str], lonlat: LonLatArray) -> str:
    """Waypoints as GPX 1.1, in WGS 84; the warning stands in every name and description there is."""
    root = Xml.Element("gpx", {"version": "1.1", "creator": "siteplan", "xmlns": GPX_NS})
    head = Xml.SubElement(root, "metadata")
    _child(head, "name", f"{title} ({FINDING_ONLY})")
    _child(head, "desc", f"Positions on WGS 84, {FINDING_ONLY}.")
    for name, note, (lon, lat) in zip(names, notes, lonlat.tolist(), strict=True):
        point = Xml.SubElement(root, "wpt", {"lat": _degrees(lat), "lon": _degrees(lon)})
        _child(point, "name", name)
        _child(point, "desc", f"{note}; {FINDING_ONLY}")
    return _document(root)


def kml(title: str, names: Sequence[str], notes: Sequence[str], lonlat: LonLatArray) -> str:
    """Placemarks as KML 2.2, in WGS 84."""
    root = Xml.Element("kml", {"xmlns": KML_NS})
    head = Xml.SubElement(root, "Document")
    _child(head, "name", f"{title} ({FINDING_ONLY})")
    _child(head, "description", f"Positions on WGS 84, {FINDING_ONLY}.")
    for name, note, (lon, lat) in zip(names, notes, lonlat.tolist(), strict=True):
        place = Xml.SubElement(head, "Placemark")
        _child(place, "name", name)
        # viewers show a description as HTML, so its markup is escaped once more
        _child(place, "description", _no_markup(f"{note}; {FINDING_ONLY}"))
        _child(Xml.SubElement(place, "Point"), "coordinates", f"{_degrees(lon)},{_degrees(lat)}")
    return _document(root)


def _no_markup(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
