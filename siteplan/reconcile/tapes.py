"""Readings in: rows of a file or of ``site.toml`` to arrays, every fault at once."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from siteplan.errors import DataError, Fault, Finding
from siteplan.plans import RunPlan
from siteplan.reconcile.corrections import (
    STANDARD_C,
    STEEL_PER_C,
    Tension,
    level_length,
    sag,
    true_length,
)
from siteplan.reconcile.reader import Read, Reader, Tape, Target
from siteplan.reconcile.readings import Reading
from siteplan.reconcile.rows import Row, file_rows, settings_rows
from siteplan.sites import Site
from siteplan.tape_settings import TapeFacts
from siteplan.types import BoolArray, FloatArray, IntArray, KindArray, ObjectArray, XYArray
from siteplan.units import um_to_m

__all__ = ["Tape", "Tapes", "Target", "load_tapes", "read_tapes", "reading_sigma"]

SLIP_SIGMAS: Final = 4.0
"""two readings of one thing that differ by more than this are told as a contradiction"""


@dataclass(frozen=True, slots=True, eq=False)
class Tapes:
    """n readings, p named points."""

    ids: ObjectArray
    """(n,) str, unique"""
    file: ObjectArray
    row: IntArray
    """(n,) line of the file, or number of the entry in ``site.toml``"""
    what: KindArray
    """(n,) Target"""
    name: ObjectArray
    """(n,) str: what was taped, as people call it"""
    leg: IntArray
    """(n,) index of the leg, -1 where it is none"""
    run: IntArray
    """(n,) index of the run of a leg or run, -1 for a distance"""
    point: IntArray
    """(n, 2) indices of the points of a distance, -1 otherwise"""
    point_name: ObjectArray
    """(p,) str"""
    point_xy: XYArray
    """(p, 2) ground metres"""
    point_sigma_m: FloatArray
    """(p,) of a surveyed mark its standard deviation, each way; NaN for a point of the map"""
    reading: tuple[Reading, ...]
    reading_m: FloatArray
    """(n,) as read"""
    tape: IntArray
    """(n,) index into ``tapes``"""
    tapes: tuple[Tape, ...]
    along_slope: BoolArray
    """(n,) taped along the slope, with no rise given: the map's slope length is the one to compare"""
    rise_m: FloatArray
    """(n,) NaN where none is given"""
    tension: Tension
    taped_m: FloatArray
    """(n,) corrected for the tape, and brought to level where a rise or grade is given"""
    who: ObjectArray
    when: ObjectArray
    note: ObjectArray
    findings: tuple[Finding, ...]

    def __len__(self) -> int:
        return len(self.ids)


def read_tapes(site: Site, plan: RunPlan, rows: Sequence[Row], *, skip_faulty: bool = False) -> Tapes:
    """Readings as arrays, corrected for the tape.

    Parameters
    ----------
    site, plan : the map
    rows : from :func:`file_rows` and :func:`settings_rows`
    skip_faulty : leave faulty rows out and say so

    Raises
    ------
    DataError : every fault of every row (and how many rows could be used); no usable row at all
    """
    reader = Reader(site, plan)
    good = [made for row in rows if (made := reader.row(row)) is not None]
    good, faults, told = _repeats(good)
    faults = [*reader.faults, *faults]
    if faults and skip_faulty and good:
        reader.findings += [Finding("reading-left-out", "error", f"Left out: {f.text}") for f in faults]
    elif faults or not good:
        raise DataError(*faults, *_still(len(good), len(rows)))
    return _arrays(reader, good, [*reader.findings, *told])


def _still(good: int, rows: int) -> list[Fault]:
    if not rows:
        return [
            Fault(
                "no-readings", "there is no reading", "Give --tapes FILE, [reconcile] tapes or [[tape]] rows"
            )
        ]
    if good:
        text = f"{good} of {rows} readings can be used as they are"
        return [Fault("still-usable", text, "Mend the others, or say --skip-faulty to go on without them")]
    return [Fault("none-usable", f"none of the {rows} readings can be used", "Mend them")]


def _repeats(read_rows: list[Read]) -> tuple[list[Read], list[Fault], list[Finding]]:
    """Rows with one id: the same twice is told and counts once, a contradiction is a fault."""
    kept: dict[str, Read] = {}
    faults, told = [], []
    bad: set[str] = set()
    for made in read_rows:
        first = kept.get(made.id)
        if first is None:
            kept[made.id] = made
        elif (first.name, first.tape) == (
            made.name,
            made.tape,
        ) and first.reading.metres == made.reading.metres:
            told.append(
                Finding("reading-twice", "notice", f"Reading {made.id} stands twice and counts once.")
            )
        else:
            bad.add(made.id)
            faults.append(
                Fault(
                    "contradictory-duplicate",
                    f'reading "{made.id}" stands twice: {first.name} {first.reading.text} '
                    f"(row {first.row.row}) and {made.name} {made.reading.text}",
                    "Leave out the one that is wrong, or give the second taping an id of its own",
                    made.row.file,
                    made.id,
                )
            )
    return [k for key, k in kept.items() if key not in bad], faults, told


def _column_of(values: Iterable[object]) -> ObjectArray:
    listed = list(values)
    made = np.empty(len(listed), dtype=object)
    made[:] = listed
    return made


def _tension(reader: Reader, good: list[Read]) -> Tension:
    """What each reading must be corrected for; only steel takes temperature, pull and sag."""
    nan = float("nan")

    def facts(made: Read) -> TapeFacts | None:
        return reader.facts[made.tape]

    def of(get: Callable[[TapeFacts], float | None]) -> FloatArray:
        found = [None if (f := facts(r)) is None else get(f) for r in good]
        return np.array([nan if v is None else float(v) for v in found])

    steel = np.array([reader.tapes[r.tape].kind == "steel" for r in good], dtype=bool)
    weight = of(lambda f: f.weight_n_per_m)
    hand = np.where(steel, np.array([r.pull_n for r in good]), nan)
    hung = [
        float(sag(np.array(r.sag_spans_m), np.array(w), np.array(p)).sum())
        for r, w, p in zip(good, weight, hand, strict=True)
    ]  # fmt: skip
    standard_c = of(lambda f: f.standard_temperature_c)
    per_c = of(lambda f: f.expansion_per_c)
    return Tension(
        nominal_m=of(lambda f: None if f.length is None else um_to_m(f.length)),
        true_m=of(lambda f: None if f.true_length is None else um_to_m(f.true_length)),
        temperature_c=np.where(steel, np.array([r.temperature_c for r in good]), nan),
        standard_c=np.where(np.isnan(standard_c), STANDARD_C, standard_c),
        per_c=np.where(np.isnan(per_c), STEEL_PER_C, per_c),
        pull_n=hand,
        standard_n=of(lambda f: f.standard_pull_n),
        area_m2=of(lambda f: None if f.area_mm2 is None else f.area_mm2 * 1e-6),
        modulus_pa=of(lambda f: f.modulus_gpa * 1e9),
        sag_m=np.where(steel, np.array(hung), 0.0),
    )


def _arrays(reader: Reader, good: list[Read], findings: list[Finding]) -> Tapes:
    names = sorted({r.tape for r in good}, key=list(reader.tapes).index)
    tape_at = {name: k for k, name in enumerate(names)}
    used = sorted({p for r in good if r.points is not None for p in r.points})
    point_at = {name: k for k, name in enumerate(used)}
    reading_m = np.array([float(r.reading.metres) for r in good])
    tension = _tension(reader, good)
    rise = np.array([r.rise_m for r in good])
    tapes = Tapes(
        ids=_column_of(r.id for r in good),
        file=_column_of(r.row.file for r in good),
        row=np.array([r.row.row for r in good], dtype=np.int64),
        what=np.array([r.what for r in good], dtype=np.int8),
        name=_column_of(r.name for r in good),
        leg=np.array([r.leg for r in good], dtype=np.int64),
        run=np.array([r.run for r in good], dtype=np.int64),
        point=np.array(
            [(-1, -1) if r.points is None else [point_at[p] for p in r.points] for r in good], dtype=np.int64
        ).reshape(-1, 2),
        point_name=_column_of(used),
        point_xy=np.array([reader.points[p] for p in used], dtype=np.float64).reshape(-1, 2),
        point_sigma_m=np.array([reader.names.mark_sigma_m(p) for p in used], dtype=np.float64),
        reading=tuple(r.reading for r in good),
        reading_m=reading_m,
        tape=np.array([tape_at[r.tape] for r in good], dtype=np.int64),
        tapes=tuple(reader.tapes[name] for name in names),
        along_slope=np.array([r.along_slope for r in good], dtype=bool),
        rise_m=rise,
        tension=tension,
        taped_m=level_length(true_length(reading_m, tension), rise),
        who=_column_of(r.row.text.who for r in good),
        when=_column_of(r.row.text.when for r in good),
        note=_column_of(r.row.text.note for r in good),
        findings=(),
    )
    return replace(tapes, findings=(*findings, *_curves(reader, tapes), *_contradictions(tapes)))


def _curves(reader: Reader, tapes: Tapes) -> list[Finding]:
    """Straight tapes along curves."""
    runs = reader.names.runs
    stiff = np.array([t.kind in ("steel", "fibreglass") for t in tapes.tapes], dtype=bool)[tapes.tape]
    bent = (tapes.leg >= 0) & ~runs.straight[np.maximum(tapes.leg, 0)] & stiff
    if not bent.any():
        return []
    shown = ", ".join(str(i) for i in tapes.ids[bent][:8])
    return [
        Finding(
            "tape-on-curve",
            "notice",
            f"{int(bent.sum())} readings follow a curve with a tape, which cuts the bends "
            f"unless it is laid in short bites: {shown}{', ...' if bent.sum() > 8 else ''}. "
            "A string or a wheel follows better.",
        )
    ]


def reading_sigma(tapes: Tapes, length_m: FloatArray) -> FloatArray:
    """Standard deviation a + b x length of each reading, without the tape's own scale: (n,) metres."""
    fixed = np.array([t.fixed_m for t in tapes.tapes])[tapes.tape]
    rate = np.array([t.per_length for t in tapes.tapes])[tapes.tape]
    return np.asarray(fixed + rate * length_m)


def _contradictions(tapes: Tapes) -> list[Finding]:
    """Two readings of one thing that cannot both be right; both are kept, the diagnosis looks at them."""
    first: dict[tuple[str, ...], int] = {}
    told = []
    scale = np.array([t.scale for t in tapes.tapes])[tapes.tape] * tapes.taped_m
    sigma = np.hypot(reading_sigma(tapes, tapes.taped_m), scale)
    for k in range(len(tapes)):
        key = (*sorted(str(tapes.name[k]).split(" to ")), str(bool(tapes.along_slope[k])))
        one = first.setdefault(key, k)
        gap = abs(tapes.taped_m[k] - tapes.taped_m[one])
        if one != k and gap > SLIP_SIGMAS * np.hypot(sigma[one], sigma[k]):
            told.append(
                Finding(
                    "readings-contradict",
                    "error",
                    f"{tapes.name[k]} was taped twice and the two cannot both be right: {tapes.ids[one]} "
                    f"{tapes.reading[one].text}, {tapes.ids[k]} {tapes.reading[k].text}. Both are kept; the "
                    "diagnosis says which one fits the rest.",
                )
            )
    return told


def load_tapes(
    site: Site,
    plan: RunPlan,
    file: Path | None = None,
    *,
    skip_faulty: bool = False,
    may_be_none: bool = False,
) -> Tapes:
    """Every reading of a site: ``[[tape]]`` rows, and the file named here or in ``[reconcile] tapes``.

    Parameters
    ----------
    site, plan : the map
    file : in place of the one the settings name
    skip_faulty : leave faulty rows out and say so
    may_be_none : a site without a reading has none; otherwise that is a fault

    Raises
    ------
    DataError : see :func:`read_tapes`
    """
    said = site.settings.reconcile.tapes
    path = file if file is not None else (None if said is None else site.folder / said)
    rows = settings_rows(site)
    if path is not None:
        rows += file_rows(path)
    if may_be_none and not rows:
        return _arrays(Reader(site, plan), [], [])
    return read_tapes(site, plan, rows, skip_faulty=skip_faulty)
