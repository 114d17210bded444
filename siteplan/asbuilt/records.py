"""What stands in a field file, as checked models: one class for each list of it.

The format is the crew page's (docs/crew-page.md); names and limits come from
:mod:`siteplan.crew.fieldfile`.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import Annotated, Any, Final, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from siteplan.crew.fieldfile import LIMITS

_TIME: Final = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d{1,6})?(?:Z|[+-]\d\d:\d\d)")


def _time(value: Any) -> Any:
    """ISO 8601 with an offset; the text of the file becomes a moment in UTC."""
    if isinstance(value, datetime):
        return value
    if not isinstance(value, str) or not _TIME.fullmatch(value):
        raise ValueError("is no time such as 2026-05-04T07:15:00-05:00")
    try:
        # a date of the calendar may have none in UTC, and its last microsecond is rounded beyond it
        made = datetime.fromisoformat(value).astimezone(UTC)
        datetime.fromtimestamp(made.timestamp(), UTC)
    except (ValueError, OverflowError):
        raise ValueError("is no time of a calendar") from None
    return made


def _words(value: Any) -> Any:
    """Text that has a UTF-8 form: half of a surrogate pair becomes a question mark."""
    return value.encode("utf-8", "replace").decode("utf-8") if isinstance(value, str) else value


Time = Annotated[datetime, BeforeValidator(_time)]
Words = Annotated[str, BeforeValidator(_words), Field(max_length=LIMITS["text"])]
Id = Annotated[str, BeforeValidator(_words), Field(min_length=1, max_length=LIMITS["id"])]
MaybeId = Annotated[str, BeforeValidator(_words), Field(max_length=LIMITS["id"])]
Station = Annotated[int, Field(ge=0, le=10**12)]
Count = Annotated[int, Field(ge=0, le=LIMITS["count"])]
Kind = Literal["section", "closer", "cut", "corner", "end"]


class Record(BaseModel):
    """Base: keys nobody knows are passed over (and told), values are never bent to a type."""

    model_config = ConfigDict(extra="ignore", frozen=True, strict=True)


class RunFacts(Record):
    """A run the file speaks of, as it was in the plan of the file."""

    run: Id
    bed: Id
    length_um: Station
    closed: bool
    pieces: Count


class Tick(Record):
    """One piece ticked off, or taken back."""

    piece: Id
    run: Id
    code: Id
    kind: Kind
    from_um: Station
    to_um: Station
    lon: Annotated[float, Field(ge=-180, le=180, allow_inf_nan=False)]
    lat: Annotated[float, Field(ge=-90, le=90, allow_inf_nan=False)]
    laid: bool
    used: MaybeId | None = None
    cut: Words | None = None
    when: Time
    by: MaybeId


class Noted(Record):
    """Base of what has an id of its own and may be taken back."""

    id: Id
    when: Time
    by: MaybeId
    removed: bool


class Taped(Noted):
    """An as-laid length."""

    what: Literal["run", "leg"]
    of: Id
    run: MaybeId
    planned_um: Station
    text: Words


class Note(Noted):
    """A remark."""

    what: Literal["site", "run", "leg", "piece"]
    of: MaybeId
    run: MaybeId
    text: Words


class Lot(Noted):
    """Pieces broken, or laid beyond the plan."""

    run: MaybeId
    code: Id
    count: Count
    text: Words


class Left(Noted):
    """Stock counted on the site."""

    code: Id
    count: Count


class Spell(Noted):
    """A time of work on a run."""

    run: Id
    start: Time
    stop: Time | None
    people: Annotated[int, Field(ge=1, le=LIMITS["people"])]


def _at_most(key: str) -> Any:
    return Field(max_length=LIMITS[key])


class FieldFile(Record):
    """A whole field file, checked."""

    format: str
    version: int
    site: Words
    plan: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    revision: Words
    line: MaybeId
    units: Literal["ft", "m"]
    basis: Literal["ground", "slope"]
    saved: Time
    phone: MaybeId
    phones: dict[MaybeId, Words]
    runs: Annotated[list[RunFacts], _at_most("ticks")]
    ticks: Annotated[list[Tick], _at_most("ticks")]
    lengths: Annotated[list[Taped], _at_most("records")]
    notes: Annotated[list[Note], _at_most("records")]
    broken: Annotated[list[Lot], _at_most("records")]
    extra: Annotated[list[Lot], _at_most("records")]
    leftover: Annotated[list[Left], _at_most("records")]
    times: Annotated[list[Spell], _at_most("records")]


PARTS: Final[dict[str, type[Record]]] = {
    "runs": RunFacts, "ticks": Tick, "lengths": Taped, "notes": Note, "broken": Lot, "extra": Lot,
    "leftover": Left, "times": Spell,
}  # fmt: skip
"""lists of the file and what they hold"""
