"""Field files read with care: whole and sound, or refused with every fault and its place.

A file comes from a telephone over whatever way: cut short, edited by hand, or no field file at all.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from pydantic import ValidationError

from siteplan.asbuilt.merging import listed
from siteplan.asbuilt.records import PARTS, FieldFile
from siteplan.crew.fieldfile import FORMAT, VERSION
from siteplan.errors import DataError, Fault, Finding

GREATEST_BYTES: Final = 200_000_000
"""several times what the greatest file within the limits takes"""
DEEPEST: Final = 6
FAULTS_SHOWN: Final = 20
_AGAIN: Final = "Export the file from the phone again; nothing on the phone is lost by that"


class _TwiceError(ValueError):
    """A key that stands twice in one object."""


def _pairs(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    made = dict(pairs)
    if len(made) != len(pairs):
        seen: set[str] = set()
        again = next(k for k, _ in pairs if k in seen or seen.add(k))  # type: ignore[func-returns-value]
        raise _TwiceError(f'the key "{again[:40]}" stands twice in one object')
    return made


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is no number of JSON")


def looks_like_field_file(path: Path) -> bool:
    """Whether a file is to be read as a field file: its first sign is a brace or bracket.

    A survey file begins with the names of its columns.
    """
    try:
        with path.open("rb") as handle:
            head = handle.read(4096)
    except OSError:
        return False
    return head.removeprefix(b"\xef\xbb\xbf").lstrip()[:1] in (b"{", b"[")


def read_field_file(path: Path) -> tuple[FieldFile, tuple[Finding, ...]]:
    """One field file.

    Parameters
    ----------
    path : the file; UTF-8, with or without a byte order mark

    Returns
    -------
    The file, and what was passed over in it: keys nobody knows.

    Raises
    ------
    DataError : not readable, too long, not UTF-8, not JSON, cut short, nested too deeply, another
        format or a later version, or values that cannot be; every one with its place
    """

    def fault(code: str, what: str, remedy: str = _AGAIN) -> DataError:
        return DataError(Fault(code, what, remedy, str(path)))

    try:
        size = path.stat().st_size
        if size > GREATEST_BYTES:
            raise fault("too-long", f"the file has {size:,} bytes; no field file is longer than 200 million")
        text = path.read_bytes().removeprefix(b"\xef\xbb\xbf").decode("utf-8")
    except FileNotFoundError:
        raise fault("no-such-file", "there is no such file", "Check the path") from None
    except IsADirectoryError:
        raise fault("not-a-file", "this is a folder, not a file", "Name the file") from None
    except UnicodeDecodeError as error:
        raise fault("not-utf8", f"byte {error.start} is not UTF-8 text") from None
    except OSError as error:
        raise fault("not-readable", f"cannot be read: {error.strerror or type(error).__name__}",
                    "Check the permissions") from None  # fmt: skip
    try:
        data = json.loads(text, parse_constant=_no_constant, object_pairs_hook=_pairs)
    except RecursionError:
        raise fault("too-deep", f"brackets are nested more than {DEEPEST} deep") from None
    except json.JSONDecodeError as error:
        if not text[error.pos :].strip() or "Unterminated string" in error.msg:
            raise fault(
                "cut-short",
                f"the file is cut short: it ends in the middle, at line {len(text.splitlines()) or 1}, after "
                f"{len(text):,} characters",
            ) from None
        raise fault(
            "not-json", f"not valid JSON at line {error.lineno}, column {error.colno}: {error.msg}"
        ) from None
    except ValueError as error:
        raise fault("not-json", f"not valid JSON: {error}") from None
    if _depth(data) > DEEPEST:
        raise fault("too-deep", f"brackets are nested more than {DEEPEST} deep")
    return _checked(data, path)


def _depth(data: Any) -> int:
    """How deep brackets are nested; looked at level by level, so that no stack can overflow."""
    level = [data]
    deep = 0
    while level and deep <= DEEPEST:
        level = [
            inner
            for value in level
            if isinstance(value, (dict, list))
            for inner in (value.values() if isinstance(value, dict) else value)
            if isinstance(inner, (dict, list))
        ]
        deep += 1
    return deep


def _checked(data: Any, path: Path) -> tuple[FieldFile, tuple[Finding, ...]]:
    label = str(path)
    if not isinstance(data, dict) or data.get("format") != FORMAT:
        raise DataError(
            Fault(
                "not-a-field-file",
                f'this is no field file: it does not say "format": "{FORMAT}"',
                "Name the file the crew page exported, or a survey file with columns",
                label,
            )
        )
    version = data.get("version")
    if isinstance(version, int) and not isinstance(version, bool) and version > VERSION:
        raise DataError(
            Fault(
                "later-version",
                f"the field file is of version {version}, this program reads up to {VERSION}",
                "Update the program, or export with the page of this plan",
                label,
            )
        )
    try:
        made = FieldFile.model_validate(data)
    except ValidationError as error:
        raise DataError(*_faults(error, label)) from None
    if made.version != VERSION:
        raise DataError(
            Fault("bad-version", f"version {made.version} never was: it is {VERSION}", _AGAIN, label)
        )
    faults = [
        Fault("bad-value", f"ticks[{k}]: the piece ends at {t.to_um} before it begins at {t.from_um}", _AGAIN,
              label, t.piece)
        for k, t in enumerate(made.ticks, 1)
        if t.to_um < t.from_um
    ]  # fmt: skip
    if faults:
        raise DataError(*_few(faults, label))
    return made, _unknown(data, label)


def _faults(error: ValidationError, label: str) -> list[Fault]:
    made = []
    for e in error.errors(include_url=False, include_context=False):
        where = ""
        for step in e["loc"]:
            where += f"[{step + 1}]" if isinstance(step, int) else (f".{step}" if where else str(step))
        value = e.get("input")
        shown = (
            "" if isinstance(value, (dict, list)) or e["type"] == "missing" else f" (given: {value!r:.60})"
        )
        message = str(e["msg"]).removeprefix("Value error, ")
        made.append(Fault("bad-value", f"{where}: {message[:1].lower() + message[1:]}{shown}", _AGAIN, label))
    return _few(made, label)


def _few(faults: Sequence[Fault], label: str) -> list[Fault]:
    if len(faults) <= FAULTS_SHOWN:
        return list(faults)
    more = Fault("bad-value", f"and {len(faults) - FAULTS_SHOWN} more faults like these", _AGAIN, label)
    return [*faults[:FAULTS_SHOWN], more]


def _unknown(data: dict[str, Any], label: str) -> tuple[Finding, ...]:
    """Keys that were passed over."""
    found = sorted(set(data) - set(FieldFile.model_fields))
    for name, model in PARTS.items():
        known = set(model.model_fields)
        inside = {key for row in data[name] for key in row if key not in known}
        found += sorted(f"{name}.{key}" for key in inside)
    if not found:
        return ()
    shown = listed(found, 8)
    return (Finding("unknown-keys", "notice", f"{label}: keys nobody knows here were passed over: {shown}"),)
