"""Every input file to one layer model; all faults of all files in one report.

Read :func:`read_features` first.  The work is shared out: ``paths`` and
``files`` open files,
``rings`` makes ragged arrays, ``faults`` and
``invalid`` look at single geometries,
``crs`` at where they lie, ``ids`` names them; the report is here.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import accumulate, pairwise
from typing import Final

import numpy as np

from siteplan.errors import DataError, Fault, Finding, UsageError, sentences
from siteplan.geodesy import CrsFacts
from siteplan.intake.crs import assumed_finding, crs_key, crs_of, crs_text, extent_trouble, place_troubles
from siteplan.intake.faults import geometry_troubles
from siteplan.intake.files import feature_ids, read_table
from siteplan.intake.ids import name_features, opening_widths
from siteplan.intake.rings import Rings, rings_of
from siteplan.intake.source import GNSS_WALK, Source, Table
from siteplan.intake.troubles import Trouble
from siteplan.model import Features, RingKind
from siteplan.types import BoolArray, IntArray, ObjectArray

ROLES: Final = ("beds", "abutments", "openings")
MOST_FAULTS: Final = 200
"""Faults reported one by one; the rest are counted."""


@dataclass(frozen=True, eq=False)
class _Read:
    """One source, read: its table, geometry and what is wrong with it."""

    table: Table
    facts: CrsFacts | None
    crs: str
    geoms: ObjectArray
    rings: Rings
    troubles: list[Trouble]


def read_features(
    sources: Sequence[Source],
    role: str,
    *,
    id_attribute: str | None = None,
    name_attribute: str | None = None,
    skip_faulty: bool = False,
    mixed_crs: bool = False,
) -> tuple[Features, tuple[Finding, ...]]:
    """Features of one role from one or more files.

    Parameters
    ----------
    sources : files, in the order their features are to have
    role : ``beds``, ``abutments`` or ``openings``; only openings may be points, which then
        need a ``width`` (text with a unit, or a number of metres); the width of an opening is
        given back in metres as attribute ``width_m``, None where it has none
    id_attribute : attribute that holds the ids; without it the first of ``bed`` (``abutment``,
        ``opening``), ``id`` and ``ref`` that every feature has and no two share, else the
        number a GeoJSON feature has as its id, else B1, B2 ... (A1 ..., O1 ...) in file order
    name_attribute : attribute that holds the names; without it ``name``, else the id
    skip_faulty : leave faulty features out, with a finding ``left-out`` for each
    mixed_crs : whether the roles of the site may differ in CRS; the sources of one role
        never may

    Returns
    -------
    Features in the order of the files, and findings.

    Raises
    ------
    DataError : every fault of every source; with ``skip_faulty`` only faults that concern a
        file as a whole, or that leave no feature.  At most :data:`MOST_FAULTS` are listed.
    UsageError : unknown role, or no source
    """
    if role not in ROLES:
        raise UsageError(f'role "{role}" is not known; it is one of {", ".join(ROLES)}')
    if not sources:
        raise UsageError(f"no file with {role} was named")
    faults: list[Fault] = []
    reads: list[_Read] = []
    for source in sources:
        read, found = _read(source, role)
        faults.extend(found)
        if read is not None:
            reads.append(read)
    if not reads:
        raise _report(faults)
    columns = _joined_columns([r.table for r in reads])
    if len(reads) == len(sources):
        faults.extend(_no_such_attributes(columns, reads, (id_attribute, name_attribute)))
    rows = np.concatenate([np.arange(1, len(r.table) + 1) for r in reads])
    naming = name_features(
        columns, partial(_joined_feature_ids, reads), rows, role,
        id_attribute=id_attribute if id_attribute in columns else None,
        name_attribute=name_attribute if name_attribute in columns else None,
    )  # fmt: skip
    troubles = [*_joined_troubles(reads), *naming.troubles]
    if role == "openings":
        columns["width_m"], found_widths = opening_widths(columns, _are_points(reads))
        troubles += found_widths
    fatal = sorted((t for t in troubles if t.fatal), key=lambda t: t.feature)
    faulty = np.zeros(len(rows), np.bool_)
    faulty[[t.feature for t in fatal]] = True
    rings = _joined_rings(reads, ~faulty)
    crs_faults = _one_crs(reads, mixed_crs=mixed_crs)
    facts = reads[0].facts
    if facts is not None and not crs_faults and not any(t.whole for t in fatal):
        spread = extent_trouble(facts, rings, len(rows))
        fatal += [spread] if spread is not None else []
    labels, files = naming.labels, _joined_labels(reads)
    faults.extend(crs_faults)
    told = [t for t in fatal if t.whole or not skip_faulty]
    if not told and not faults and faulty.all():
        told = fatal
    faults.extend(_as_fault(t, labels, files) for t in told)
    if faults:
        told_too = [f for r in reads for f in r.table.findings]
        told_too += [_as_finding(t, naming.ids, labels, files) for t in troubles if not t.fatal]
        raise _report(faults, [*told_too, *naming.findings])
    kept = np.flatnonzero(~faulty)
    features = Features(
        role=role, crs=reads[0].crs, ids=naming.ids[kept], names=naming.names[kept],
        coords=rings.coords, z=rings.z, ring_offsets=rings.offsets, ring_kind=rings.kind,
        ring_feature=np.searchsorted(kept, rings.feature).astype(np.int64),
        file=files[kept], row=rows[kept],
        attributes={name: values[kept] for name, values in columns.items()},
    )  # fmt: skip
    here = set(features.ids.tolist())
    findings = [f for r in reads for f in r.table.findings]
    findings += _left_out(fatal, naming.ids, labels, files)
    findings += [_as_finding(t, naming.ids, labels, files) for t in troubles if not t.fatal]
    findings += naming.findings
    findings = [f for f in findings if f.code == "left-out" or f.bed is None or f.bed in here]
    findings += _walked(features) + _height_findings(features) + _repeated_shapes(reads, features, kept)
    if role != "beds":
        findings = [replace(f, bed=None) for f in findings]
    return features, tuple(findings)


def _read(source: Source, role: str) -> tuple[_Read | None, list[Fault]]:
    """One source, and the faults that concern it as a whole."""
    try:
        table = read_table(source)
    except DataError as error:
        return None, list(error.faults)
    faults: list[Fault] = []
    facts = None
    crs = ""
    geoms, rings, found = geometry_troubles(table.wkb, table.arcs, role)
    troubles = [*table.troubles, *found]
    try:
        facts = crs_of(table, source)
        crs = crs_text(facts, source.assume or source.crs or table.crs or "")
        table = replace(table, findings=(*table.findings, *assumed_finding(table, source, facts)))
    except DataError as error:
        faults.extend(error.faults)
    else:
        troubles += place_troubles(table, facts, source, rings)
    return _Read(table, facts, crs, geoms, rings, troubles), faults


def _one_crs(reads: Sequence[_Read], *, mixed_crs: bool) -> list[Fault]:
    """A fault for each source whose CRS is not that of the first."""
    known = [(r.table.label, r.facts) for r in reads if r.facts is not None]
    also = " (mixed_crs is about beds against abutments and openings)" if mixed_crs else ""
    return [
        Fault(
            "mixed-crs",
            f'is in {facts.label}, but "{known[0][0]}" is in {known[0][1].label}; '
            f"the files of one role must be in one CRS{also}",
            "Convert one of them in your GIS",
            file=label,
        )
        for label, facts in known[1:]
        if crs_key(facts) != crs_key(known[0][1])
    ]


def _no_such_attributes(
    columns: dict[str, ObjectArray], reads: Sequence[_Read], asked: Sequence[str | None]
) -> list[Fault]:
    """A fault for each attribute the user named that no file has."""
    has = ", ".join(f'"{n}"' for n in list(columns)[:30]) or "none"
    return [
        Fault(
            "no-such-attribute",
            f'no feature has the attribute "{word}"; attributes are {has}',
            "Name one of these",
            ", ".join(r.table.label for r in reads),
        )
        for word in asked
        if word is not None and word not in columns
    ]


# -- the report ----------------------------------------------------------------


def _report(faults: Sequence[Fault], findings: Sequence[Finding] = ()) -> DataError:
    """All faults in one error; beyond the most that are listed, the rest are counted by code."""
    if len(faults) <= MOST_FAULTS:
        return DataError(*faults, findings=tuple(findings))
    rest = Counter(f.code for f in faults[MOST_FAULTS:])
    kinds = ", ".join(f"{n} {code}" for code, n in sorted(rest.items()))
    more = Fault(
        "more-faults",
        f"and {len(faults) - MOST_FAULTS} more faults, {len(faults)} in all ({kinds})",
        "Mend the ones above first",
    )
    return DataError(*faults[:MOST_FAULTS], more, findings=tuple(findings))


def _as_fault(trouble: Trouble, labels: ObjectArray, files: ObjectArray) -> Fault:
    return Fault(
        trouble.code,
        trouble.what,
        trouble.remedy,
        file=files[trouble.feature],
        feature=labels[trouble.feature],
        vertex=trouble.vertex,
    )


def _as_finding(trouble: Trouble, ids: ObjectArray, labels: ObjectArray, files: ObjectArray) -> Finding:
    fault = _as_fault(trouble, labels, files)
    return Finding(
        trouble.code,
        "notice",
        f"{fault.where}: {sentences(fault.what, fault.remedy)}",
        ids[trouble.feature],
        trouble.vertex,
    )


def _left_out(
    fatal: Iterable[Trouble], ids: ObjectArray, labels: ObjectArray, files: ObjectArray
) -> list[Finding]:
    """One finding for each feature left out, with all that is wrong with it."""
    by_feature: dict[int, list[Trouble]] = {}
    for trouble in fatal:
        by_feature.setdefault(trouble.feature, []).append(trouble)
    return [
        Finding(
            "left-out", "error",
            f'{files[k]}, feature "{labels[k]}" is left out: '
            + "; ".join(f"{t.what} [{t.code}]" for t in troubles),
            ids[k], troubles[0].vertex,
        )
        for k, troubles in by_feature.items()
    ]  # fmt: skip


# -- joining the sources -------------------------------------------------------


def _joined_columns(tables: Sequence[Table]) -> dict[str, ObjectArray]:
    """Attributes of all tables, None where a table has no such attribute."""
    names = dict.fromkeys(name for t in tables for name in t.attributes)
    return {
        name: np.concatenate(
            [t.attributes[name] if name in t.attributes else np.full(len(t), None, object) for t in tables]
        )
        for name in names
    }


def _starts(reads: Sequence[_Read]) -> list[int]:
    """Index of the first feature of each source among those of all sources."""
    return [0, *accumulate(len(r.table) for r in reads[:-1])]


def _joined_feature_ids(reads: Sequence[_Read]) -> ObjectArray | None:
    ids = [feature_ids(r.table) for r in reads]
    return None if any(i is None for i in ids) else np.concatenate([i for i in ids if i is not None])


def _joined_labels(reads: Sequence[_Read]) -> ObjectArray:
    return np.concatenate([np.full(len(r.table), r.table.label, object) for r in reads])


def _joined_troubles(reads: Sequence[_Read]) -> list[Trouble]:
    return [
        replace(t, feature=t.feature + start)
        for r, start in zip(reads, _starts(reads), strict=True)
        for t in r.troubles
    ]


def _are_points(reads: Sequence[_Read]) -> BoolArray:
    """True for the features that are points, over all sources."""
    points = [np.zeros(len(r.table), np.bool_) for r in reads]
    for read, flags in zip(reads, points, strict=True):
        flags[read.rings.feature[read.rings.kind == RingKind.POINT]] = True
    return np.concatenate(points)


def _joined_rings(reads: Sequence[_Read], kept: BoolArray) -> Rings:
    """Ring table of the features kept, ``feature`` counted over all sources."""
    if len(reads) == 1 and kept.all():
        return reads[0].rings
    geoms = np.concatenate([r.geoms for r in reads])
    at = np.flatnonzero(kept)
    table = rings_of(geoms[at])
    return Rings(table.coords, table.z, table.offsets, table.kind, at[table.feature])


# -- what is only told ---------------------------------------------------------


def told_of(features: Features) -> tuple[Finding, ...]:
    """What there is to say of features that were read and checked before: those of a site's record."""
    shapes = [
        b"".join(
            bytes([kind]) + features.coords[start:end].tobytes()
            for kind, start, end in zip(kinds, starts, ends, strict=True)
        )
        for kinds, starts, ends in _rings_by_feature(features)
    ]
    findings = [*_walked(features), *_height_findings(features), *_same_outlines(features, shapes)]
    if features.role != "beds":
        findings = [replace(f, bed=None) for f in findings]
    return tuple(findings)


def _rings_by_feature(features: Features) -> Iterator[tuple[list[int], list[int], list[int]]]:
    """Kinds, first vertices and ends of the rings of each feature."""
    kinds, offsets = features.ring_kind.tolist(), features.ring_offsets.tolist()
    firsts = np.searchsorted(features.ring_feature, np.arange(len(features) + 1)).tolist()
    for first, end in pairwise(firsts):
        yield kinds[first:end], offsets[first:end], offsets[first + 1 : end + 1]


def _walked(features: Features) -> list[Finding]:
    """What outlines walked with a receiver are worth, for each file that has some."""
    values = features.attributes.get("measured_by")
    if values is None:
        return []
    walked = np.array([v == GNSS_WALK for v in values], dtype=np.bool_)
    return [
        Finding(
            "gnss-walk",
            "notice",
            f"{file}: walked with a satellite receiver. A hand-held one is worth 3 to 5 m under open sky and "
            "10 m or more beside walls and trees, so these outlines place beds and serve a first estimate; "
            "their lengths are no source for counting pieces. Tape or survey the edges before you order",
        )
        for file in dict.fromkeys(features.file[walked].tolist())
    ]


def _height_findings(features: Features) -> list[Finding]:
    """Heights that cannot all be meant: some missing, some zero among others, or all zero."""
    z = features.z
    known = ~np.isnan(z)
    if not known.any():
        return []
    text = None
    zero = known & (z == 0)
    if zero.sum() == known.sum():
        text = "all heights of the vertices are zero, so they say nothing"
        code = "z-zero"
    elif not known.all():
        text = f"{int((~known).sum())} of {len(z)} vertices have no height"
        code = "z-mixed"
    elif zero.any():
        text = f"{int(zero.sum())} of {len(z)} vertices have the height 0 among others up to {z.max():g}"
        code = "z-mixed"
    return [] if text is None else [Finding(code, "notice", f"{features.role}: {text}")]


def _repeated_shapes(reads: Sequence[_Read], features: Features, kept: IntArray) -> list[Finding]:
    """Features with the very same geometry: they would be edged twice."""
    return _same_outlines(features, np.concatenate([r.table.wkb for r in reads])[kept].tolist())


def _same_outlines(features: Features, shapes: Sequence[bytes]) -> list[Finding]:
    if len(set(shapes)) == len(shapes):
        return []
    first: dict[bytes, int] = {}
    found = []
    for k, shape in enumerate(shapes):
        if shape in first:
            text = f'"{features.ids[k]}" has the same outline as "{features.ids[first[shape]]}"'
            found.append(Finding("same-outline", "notice", f"{features.role}: {text}", bed=features.ids[k]))
        else:
            first[shape] = k
    return found
