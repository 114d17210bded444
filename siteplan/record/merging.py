"""The record beside ``site.toml``: which value is heard, and what there is to say about it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from siteplan.errors import DataError, Fault, Finding
from siteplan.record.content import RECORD_FILE, Content, leaves
from siteplan.settings import Inputs, SiteSettings
from siteplan.tomlfile import validated


def merged_settings(
    data: Mapping[str, Any], path: Path, content: Content
) -> tuple[SiteSettings, tuple[Finding, ...]]:
    """Settings of a site that has a record: its values over those of ``site.toml``.

    Parameters
    ----------
    data : ``site.toml`` as it stands
    path : of ``site.toml``, for faults
    content : of the record

    Returns
    -------
    settings : checked as any ``site.toml``; the record's tapes stand behind those of ``site.toml``
    findings : every value of ``site.toml`` that is overruled, what is set beside it, and what
        ``site.toml`` says of beds that were taken out

    Raises
    ------
    DataError : faults of ``site.toml``, or those the record's values bring, which name the record
    """
    kept, findings = _without_dropped(dict(data), content)
    validated(SiteSettings, kept, str(path))
    both = _over(kept, content.overrides)
    rows = [
        {**row, "id": row.get("id") or key} for key, row in zip(content.tape_keys, content.tapes, strict=True)
    ]
    if rows:
        both["tape"] = [*both.get("tape", []), *rows]
    # site.toml was in order by itself, so what is wrong now came with the record.
    settings = validated(SiteSettings, both, str(path.parent / RECORD_FILE))
    findings += _overruling(kept, content.overrides)
    findings += _vertex_numbers(kept, content)
    return settings, tuple(findings)


def _over(data: Mapping[str, Any], overrides: Mapping[str, Any]) -> dict[str, Any]:
    """Tables of both, the second heard first."""
    made = dict(data)
    for key, value in overrides.items():
        under = made.get(key)
        if isinstance(value, Mapping):
            made[key] = _over(under if isinstance(under, Mapping) else {}, value)
        else:
            made[key] = value
    return made


def value_at(data: Mapping[str, Any], path: tuple[str, ...]) -> tuple[bool, Any]:
    """Whether there is a value at a key, and the value."""
    value: Any = data
    for step in path:
        if not isinstance(value, Mapping) or step not in value:
            return False, None
        value = value[step]
    return True, value


def _text(value: object) -> str:
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 80 else f"{text[:77]}..."


def _overruling(data: Mapping[str, Any], overrides: Mapping[str, Any]) -> list[Finding]:
    """A finding for every value that overrules another, and one for those that stand alone."""
    findings = []
    alone = []
    for path, value in leaves((), overrides):
        known, said = value_at(data, path)
        key = ".".join(path)
        if not known:
            alone.append(f"{key} = {_text(value)}")
        elif said != value:
            findings.append(
                Finding(
                    "record-overrules",
                    "notice",
                    f"{key} is {_text(value)}, as set in the record; site.toml says {_text(said)}",
                    bed=path[1] if path[0] == "bed" else None,
                )
            )
    if alone:
        shown = "; ".join(alone[:20]) + (f"; and {len(alone) - 20} more" if len(alone) > 20 else "")
        text = f"set in the record, where site.toml says nothing: {shown}"
        findings.append(Finding("record-sets", "notice", text))
    return findings


def _without_dropped(data: dict[str, Any], content: Content) -> tuple[dict[str, Any], list[Finding]]:
    """``site.toml`` without what it says of beds that were taken out at the desk.

    A bed that was never there stays, and is the fault it is without a record.
    """
    gone = content.dropped
    findings = []

    def told(bed: str, where: str) -> None:
        text = (
            f'{where} of site.toml is about bed "{bed}", which was taken out in the record; it is not heard'
        )
        findings.append(Finding("record-dropped-bed", "notice", text))

    beds = data.get("bed")
    if isinstance(beds, Mapping):
        for bed in beds:
            if bed in gone:
                told(bed, f"bed.{bed}")
        data["bed"] = {k: v for k, v in beds.items() if k not in gone}
    for table, key in (("edge_owner", "beds"), ("row", "beds")):
        rows = data.get(table)
        if not isinstance(rows, list):
            continue
        kept = []
        for number, row in enumerate(rows, start=1):
            named = row.get(key) if isinstance(row, Mapping) else None
            lost = [b for b in named if b in gone] if isinstance(named, list) else []
            for bed in lost:
                told(bed, f"{table}[{number}]")
            if lost and table == "row" and len(lost) < len(named or ()):
                kept.append({**row, key: [b for b in named or () if b not in gone]})
            elif not lost:
                kept.append(row)
        data[table] = kept
    return data, findings


def _vertex_numbers(data: Mapping[str, Any], content: Content) -> list[Finding]:
    """Numbers of vertices in ``site.toml`` for an outline that is not as it was traced any more."""
    findings = []
    for bed in content.edited:
        for key in ("corners", "not_corners"):
            known, _ = value_at(data, ("bed", bed, key))
            if known and not value_at(content.overrides, ("bed", bed, key))[0]:
                findings.append(
                    Finding(
                        "record-vertex-numbers",
                        "notice",
                        f"bed.{bed}.{key} of site.toml counts vertices, and the outline was changed in the "
                        "record since it was brought in; the numbers are taken for the outline as it is now",
                        bed=bed,
                    )
                )
    return sorted(findings, key=lambda f: f.text)


def input_notes(inputs: Inputs, hashes: Mapping[str, str | None], content: Content) -> tuple[Finding, ...]:
    """What changed in the input files since they were brought into the record.

    Parameters
    ----------
    inputs : of ``site.toml``
    hashes : of the input files as they are, by :func:`siteplan.record.sources.input_hashes`
    """
    findings = []
    how = "'siteplan record SITE --import' brings it in as a new revision and tells what changed"
    for file, now in hashes.items():
        was = content.sources.get(file)
        if now is None:
            if was is not None:
                text = (
                    f"{file} is not there any more; its outlines are in the record and are planned from there"
                )
                findings.append(Finding("record-input-gone", "notice", text))
        elif was is None:
            text = f"{file} was not brought into the record, so nothing of it is planned; {how}"
            findings.append(Finding("record-input-new", "notice", text))
        elif was != now:
            text = (
                f"{file} has changed since it was brought into the record, and the record is planned; {how}"
            )
            findings.append(Finding("record-input-changed", "notice", text))
    for file in content.sources:
        if file not in hashes:
            text = f"{file} is not named in site.toml any more; its outlines stay in the record"
            findings.append(Finding("record-input-gone", "notice", text))
    return tuple(findings)


def no_beds_yet(path: Path) -> DataError:
    """The fault of a site whose record has no bed."""
    return DataError(
        Fault(
            "no-beds",
            "there is no bed in the record yet, so there is nothing to plan",
            "Draw one at the desk, or bring one in with 'siteplan record SITE --import'",
            str(path),
        )
    )
