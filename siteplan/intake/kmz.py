"""KML and KMZ: what is checked before the reading library sees them.

Format: OGC KML 2.3 (OGC 12-007r2).  Coordinates are WGS 84 longitude, latitude and height in metres
by definition.  Folders are layers.
"""

from __future__ import annotations

from typing import Final

from siteplan.errors import Finding
from siteplan.intake.xmlcheck import check_xml

_ELSEWHERE: Final = {
    "NetworkLink": "links to other files are not followed",
    "GroundOverlay": "pictures laid on the ground are no outlines",
    "Track": "walked tracks (gx:Track) are not read: export them as GPX",
}


def check_kml(data: bytes, label: str) -> tuple[Finding, ...]:
    """Refuse KML that is unsafe or broken; tell what in it is not read.

    Raises
    ------
    DataError : not well-formed (with the line), a document type, a root other than ``kml``
    """
    counts = check_xml(data, label, "kml")
    return tuple(
        Finding("kml-left-out", "notice", f"{label}: {counts[name]} x {name}: {why}")
        for name, why in _ELSEWHERE.items()
        if name in counts
    )
