"""The record of a site: what people made of it, kept as revisions in ``record.gpkg``.

Beds, abutments and openings as drawn or brought in, the values set at the desk, tapes.  Nothing in
it is reckoned, and nothing is ever taken out of it: see docs/record.md.
"""

from siteplan.record.applying import applied
from siteplan.record.content import (
    Change,
    Conflict,
    Content,
    DropFeature,
    DropTape,
    PutFeature,
    PutRunNames,
    PutSource,
    PutTape,
    Revision,
    RunNames,
    SetOverride,
)
from siteplan.record.store import RECORD_FILE, Record

__all__ = [
    "RECORD_FILE",
    "Change",
    "Conflict",
    "Content",
    "DropFeature",
    "DropTape",
    "PutFeature",
    "PutRunNames",
    "PutSource",
    "PutTape",
    "Record",
    "Revision",
    "RunNames",
    "SetOverride",
    "applied",
]
