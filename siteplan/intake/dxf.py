"""Drawings (DXF): layers by name to outlines, with the drawing's unit and its place on the map.

Format: the DXF reference of the drawing interchange format, read by ezdxf.  A drawing states the
unit of its numbers in $INSUNITS or nowhere, and hardly ever where on earth it lies; neither is
guessed.  docs/dxf.md has the rules and a worked example.
"""

from __future__ import annotations

import logging
import os
import tempfile
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Final

import numpy as np
import shapely
from ezdxf.filemanagement import readfile

from siteplan.errors import DataError, Fault, Finding
from siteplan.fieldnotes.strings import CHORD_TOLERANCE_M, ArcStrings, densify, strings_of
from siteplan.geodesy import CrsFacts, crs_facts
from siteplan.intake.crs import missing_crs_fault
from siteplan.intake.drawn import Drawn, table_of
from siteplan.intake.dxf_entities import (
    SILENT,
    TEXTS,
    BlockLayers,
    Gathered,
    Piece,
    TooMuch,
    gather,
    layer_of,
)
from siteplan.intake.joining import GAP_TIMES, Joined, join
from siteplan.intake.paths import EXPORT_AGAIN, file_fault, listed
from siteplan.intake.placing import ANCHOR_REMEDY, anchored, z_in_crs
from siteplan.intake.source import JOIN_WITHIN_M, Source, Table, unused_keys
from siteplan.intake.troubles import Trouble, place
from siteplan.intake.vertex_values import numbers_text
from siteplan.types import FloatArray, ObjectArray
from siteplan.units import INCH_M, METRES, SURVEY_FOOT_M

INSUNITS: Final[dict[int, tuple[str, Fraction]]] = {
    1: ("in", INCH_M), 2: ("ft", METRES["ft"]), 3: ("mi", METRES["ft"] * 5280), 4: ("mm", METRES["mm"]),
    5: ("cm", METRES["cm"]), 6: ("m", METRES["m"]), 7: ("km", METRES["km"]), 8: ("microinch", INCH_M / 10**6),
    9: ("mil", INCH_M / 1000), 10: ("yd", METRES["yd"]), 13: ("um", METRES["um"]),
    14: ("dm", Fraction(1, 10)), 15: ("dam", Fraction(10)), 16: ("hm", Fraction(100)),
    21: ("ftUS", SURVEY_FOOT_M),
    22: ("inUS", SURVEY_FOOT_M / 12), 23: ("ydUS", SURVEY_FOOT_M * 3), 24: ("miUS", SURVEY_FOOT_M * 5280),
}  # fmt: skip
"""Codes of $INSUNITS: our name, and metres in one, exactly."""


@dataclass(frozen=True, slots=True)
class _Unit:
    name: str
    metres: Fraction
    declared: bool
    """said in ``site.toml``, not in the drawing"""


def read_dxf(data: bytes, label: str, source: Source) -> Table:
    """Outlines on layers of a drawing.

    Parameters
    ----------
    data : the file
    label : the file, for messages
    source : ``layers`` (or ``layer``) by name, ``unit`` where the drawing has none, ``crs`` and
        perhaps ``anchor``, ``join_within_m``, ``chord_tolerance_m``, ``nested``

    Returns
    -------
    One row for each outline or open line.  Attributes: ``layer``, ``handle`` (of its first entity),
    ``id`` and ``name`` (the text that stands in it), ``vertex_radius_m``.

    Raises
    ------
    DataError : every fault that can be told: damaged, layers, unit, CRS, anchor points
    """
    doc, said = _document(data, label)
    faults = unused_keys(source, "drawing", label)
    space = doc.modelspace()
    blocks = BlockLayers(doc)
    wanted, wrong = _layers(_linework(space, blocks), source, label)
    faults += wrong
    unit, wrong = _unit(_stated_unit(doc, data), source, label)
    faults += wrong
    facts, wrong, findings = _crs(source, unit, label)
    faults += wrong
    if wanted is not None and source.crs is None:
        faults.append(
            missing_crs_fault(
                label, _places(space, wanted, blocks, label), ANCHOR_REMEDY, whereabouts=source.whereabouts
            )
        )
    if faults or wanted is None or unit is None or facts is None or source.crs is None:
        raise DataError(*faults)
    reading = source.reading
    per_unit = float(unit.metres)
    tolerance_m = CHORD_TOLERANCE_M if reading.chord_tolerance_m is None else reading.chord_tolerance_m
    within_m = JOIN_WITHIN_M if reading.join_within_m is None else reading.join_within_m
    found = _gathered(space, wanted, blocks, tolerance_m / per_unit, label)
    if not found.pieces:
        faults.append(
            Fault(
                "no-features", "the layers hold no line or curve that can be read", EXPORT_AGAIN, file=label
            )
        )
        raise DataError(*faults)
    findings += said + _left_out(found, label)
    findings += _other_statements(doc, label)
    strings, z, first, troubles, told = _outlines(found.pieces, within_m / per_unit, unit, label)
    findings += told
    made = densify(strings, tolerance_m / per_unit)
    heights = _heights(z, made.edge, strings)
    coords, laid = _placed(made.xy, unit, facts, source, label)
    findings += laid
    labels, told = _labels(found, strings, label)
    findings += told
    drawn = Drawn(
        coords=coords,
        z=z_in_crs(heights * per_unit, source.crs),
        offsets=made.offsets,
        closed=made.closed,
        names=_names(labels, first, found.pieces),
        attributes={
            "layer": _objects([found.pieces[k].layer for k in first]),
            "handle": _objects([found.pieces[k].handle or None for k in first]),
            "id": labels,
            "name": labels.copy(),
        },
        vertex={"radius_m": numbers_text(made.radius * per_unit)},
        troubles=tuple(troubles),
    )
    return table_of(drawn, label, crs=None, crs_source="none", findings=findings, nested=reading.nested)


class _Remarks(logging.Handler):
    """Keeps what the reading library logs, which would otherwise go to standard error or nowhere."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.said: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        """Keep a remark."""
        self.said.append(record.getMessage())


def _document(data: bytes, label: str) -> tuple[Any, list[Finding]]:
    """The drawing, and what the library remarked.

    The library reads files by path, so the bytes go through a file of our own.
    """
    if data[:2] == b"AC" and not data.startswith(b"AutoCAD Binary DXF"):
        raise file_fault("not-a-known-format", "the file is a DWG, not a DXF", "Save it as DXF", label)
    remarks = _Remarks()
    logger = logging.getLogger("ezdxf")
    logger.addHandler(remarks)
    handle, name = tempfile.mkstemp(suffix=".dxf")
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
        doc = readfile(name)
        said = dict.fromkeys(s.replace(name, label) for s in remarks.said)
        return doc, [Finding("reader-says", "notice", f"{label}: while reading: {s}") for s in said]
    except Exception as error:
        # a damaged drawing fails in many ways in the library: whatever it says is told, without the path
        why = " ".join(str(error).replace(name, label).split()) or type(error).__name__
        raise file_fault("damaged-file", f"the drawing cannot be read: {why}", EXPORT_AGAIN, label) from None
    finally:
        logger.removeHandler(remarks)
        os.unlink(name)  # noqa: PTH108


# -- layers --------------------------------------------------------------------


def _linework(space: Any, blocks: BlockLayers) -> Counter[str]:
    """How many entities that may be outlines each layer has; a block counts once for each of its layers."""
    counts: Counter[str] = Counter()
    for entity in space:
        layer, kind = layer_of(entity), entity.dxftype()
        if kind == "INSERT":
            counts.update(layer if n == "0" else n for n in blocks.of(str(entity.dxf.name)))
        elif kind not in SILENT and kind not in TEXTS:
            counts[layer] += 1
        else:
            counts[layer] += 0
    return counts


def _layers(
    counts: Counter[str], source: Source, label: str
) -> tuple[Callable[[str], bool] | None, list[Fault]]:
    """Which layers to read, and a fault for each that is not there."""
    lined = [name for name, n in counts.items() if n]
    shown = ", ".join(f'"{name}" ({n})' for name, n in counts.most_common(30) if n) or "none with lines"
    asked = source.reading.layers
    if source.layer is not None:
        asked = (*(asked or ()), source.layer)
    if asked is None:
        if len(lined) > 1:
            what = f"the drawing has {len(lined)} layers with lines (entities in brackets): {shown}"
            return None, [
                Fault("several-layers", what, f'Name those to read: layers = ["{lined[0]}"]', file=label)
            ]
        if not lined:
            return None, [
                Fault("no-features", "the drawing has no lines in its model space", EXPORT_AGAIN, file=label)
            ]
        asked = (lined[0],)
    folded = {name.casefold() for name in counts}
    faults = [
        Fault(
            "layer-not-found",
            f'there is nothing on a layer "{name}"; there are {shown}',
            "Name layers of the drawing; capitals do not matter",
            file=label,
        )
        for name in asked
        if name.casefold() not in folded
    ]
    if faults:
        return None, faults
    wanted = {name.casefold() for name in asked}
    return (lambda layer: layer.casefold() in wanted), []


# -- unit and CRS ----------------------------------------------------------------


def _stated_unit(doc: Any, data: bytes) -> int | None:
    """$INSUNITS as the file has it, None where it has none.

    The library makes a header of its own, in metres, for a drawing without one.
    """
    if b"$INSUNITS" not in data or "$INSUNITS" not in doc.header:
        return None
    return int(doc.header["$INSUNITS"])


def _unit(said: int | None, source: Source, label: str) -> tuple[_Unit | None, list[Fault]]:
    """Unit of the drawing's numbers: what it states, or what was declared where it says nothing."""
    declared = source.reading.unit
    if declared is not None and declared not in METRES:
        what = f'unit = "{declared}" is not known'
        return None, [Fault("bad-unit", what, f"Use one of {', '.join(METRES)}", file=label)]
    mine = _Unit(declared, METRES[declared], True) if declared is not None else None
    if not said:
        if mine is not None:
            return mine, []
        return None, [
            Fault(
                "no-unit",
                "the drawing does not say which unit its numbers are in ($INSUNITS is "
                + ("missing)" if said is None else "unitless)"),
                'Ask whoever drew it, and state it: unit = "ft", "ftUS", "in", "m" or "mm"',
                file=label,
            )
        ]
    if said not in INSUNITS:
        if mine is not None and source.reading.unit_overrules:
            return mine, []
        what = f"the drawing states the unit {said} ($INSUNITS), which no plan is drawn in"
        return None, [Fault("unit-unknown", what, _OVERRULE, file=label)]
    name, metres = INSUNITS[said]
    if mine is None or mine.metres == metres:
        return _Unit(name, metres, False), []
    if source.reading.unit_overrules:
        return mine, []
    return None, [
        Fault(
            "unit-contradicts",
            f'the drawing states the unit {name} ($INSUNITS = {said}), but unit = "{declared}" is declared',
            _OVERRULE,
            file=label,
        )
    ]


_OVERRULE: Final = (
    "Take the declaration away; or, if the drawing is wrong about itself, say so: unit_overrules = true"
)


def _crs(
    source: Source, unit: _Unit | None, label: str
) -> tuple[CrsFacts | None, list[Fault], list[Finding]]:
    """Facts of the declared CRS, and whether the drawing's unit goes with it."""
    if source.crs is None:
        return None, [], []
    try:
        facts = crs_facts(source.crs)
    except DataError as error:
        return None, [Fault(f.code, f.what, f.remedy, file=label) for f in error.faults], []
    if unit is None or source.reading.anchor:
        return facts, [], []
    if facts.is_geographic or facts.metres_per_unit is None:
        what = f"the drawing counts in {unit.name}, but {facts.label} counts in {facts.unit_name}"
        return (
            facts,
            [Fault("unit-contradicts", what, f"State the grid it was drawn in. {ANCHOR_REMEDY}", file=label)],
            [],
        )
    if unit.metres == facts.metres_per_unit:
        return facts, [], []
    feet = {METRES["ft"], METRES["ftUS"]}
    if unit.metres in feet and facts.metres_per_unit in feet:
        if unit.name == "ft" and not unit.declared:
            text = (
                f'{label}: the drawing says "feet", which in a drawing may be either foot; {facts.label} '
                f"counts in {facts.unit}, so its numbers are taken in {facts.unit}"
            )
            return facts, [], [Finding("drawing-foot", "notice", text)]
        what = f"the drawing counts in {unit.name}, {facts.label} in {facts.unit}: two different feet"
        return (
            facts,
            [Fault("unit-contradicts", what, "Declare the CRS in the drawing's foot", file=label)],
            [],
        )
    text = (
        f"{label}: the drawing counts in {unit.name}; its coordinates are converted to {facts.unit_name} "
        f"of {facts.label}"
    )
    return facts, [], [Finding("drawing-unit", "notice", text)]


def _placed(
    xy: FloatArray, unit: _Unit, facts: CrsFacts, source: Source, label: str
) -> tuple[FloatArray, tuple[Finding, ...]]:
    """Coordinates in the declared CRS: laid by anchor points, or as drawn, in its unit."""
    anchors = source.reading.anchor
    per_unit = float(unit.metres)
    if anchors:
        return anchored(
            xy * per_unit,
            [a.name or f"anchor {k}" for k, a in enumerate(anchors, 1)],
            np.array([a.file for a in anchors]) * per_unit,
            np.array([a.map for a in anchors]),
            crs=source.crs or "",
            height_m=source.height_m,
            label=label,
        )
    grid = facts.metres_per_unit or Fraction(1)
    both_feet = {unit.metres, grid} <= {METRES["ft"], METRES["ftUS"]}
    return xy if both_feet or unit.metres == grid else xy * float(unit.metres / grid), ()


# -- entities to outlines ----------------------------------------------------------


def _gathered(
    space: Any, wanted: Callable[[str], bool], blocks: BlockLayers, tolerance: float, label: str
) -> Gathered:
    try:
        return gather(space, wanted, blocks, tolerance)
    except TooMuch as error:
        raise file_fault(
            "drawing-too-large", f"the drawing cannot be taken apart: {error}",
            "Explode and clean the blocks in the drawing program, and keep only the layers needed", label,
        ) from None  # fmt: skip


def _places(space: Any, wanted: Callable[[str], bool], blocks: BlockLayers, label: str) -> FloatArray:
    """Nodes as drawn, to tell what they look like."""
    pieces = _gathered(space, wanted, blocks, 1.0, label).pieces
    return np.concatenate([np.zeros((0, 2)), *(p.xyz[:, :2] for p in pieces)])


def _outlines(
    pieces: Sequence[Piece], within: float, unit: _Unit, label: str
) -> tuple[ArcStrings, FloatArray, list[int], list[Trouble], list[Finding]]:
    """Strings of closed pieces and of open ones joined, in the order of their first piece.

    Returns
    -------
    strings : in the drawing's unit
    z : (v,) height of each node
    first : piece each string begins with
    troubles, findings : what is wrong with single strings; what was done
    """
    parts: list[tuple[int, FloatArray, FloatArray, bool]] = [
        (k, p.xyz, p.bulge, True) for k, p in enumerate(pieces) if p.closed
    ]
    findings: list[Finding] = []
    troubles: list[tuple[int, Trouble]] = []
    for layer in dict.fromkeys(p.layer for p in pieces):
        at = [k for k, p in enumerate(pieces) if p.layer == layer and not p.closed]
        if not at:
            continue
        joined = join(
            np.array([pieces[k].xyz[0, :2] for k in at]),
            np.array([pieces[k].xyz[-1, :2] for k in at]),
            within,
            same=[_shape_key(pieces[k]) for k in at],
        )
        for chain in joined.chains:
            xyz, bulge = _strung([pieces[at[k]] for k in chain.pieces], chain.reversed, closed=chain.closed)
            parts.append((at[min(chain.pieces)], xyz, bulge, chain.closed))
        owner = {at[k]: at[min(c.pieces)] for c in joined.chains for k in c.pieces}
        troubles += _branch_troubles(joined, at, owner, layer)
        findings += _join_findings(joined, layer, unit, within, label)
    parts.sort(key=lambda p: p[0])
    first = [p[0] for p in parts]
    index = {k: n for n, k in enumerate(first)}
    strings = strings_of(
        [str(k) for k in first], [p[3] for p in parts], [p[1][:, :2] for p in parts], [p[2] for p in parts]
    )
    z = np.concatenate([p[1][:, 2] for p in parts])
    told = [Trouble(index[k], t.code, t.what, t.remedy) for k, t in troubles if k in index]
    return strings, z, first, told, findings


def _shape_key(piece: Piece) -> object:
    """Equal for two pieces that differ in direction at most, once their ends are known to be equal."""
    inner = [(round(x, 9), round(y, 9)) for x, y in piece.xyz[1:-1, :2].tolist()]
    bulge = [round(b, 9) + 0.0 for b in piece.bulge[:-1].tolist()]
    forward = (tuple(inner), tuple(bulge))
    backward = (tuple(inner[::-1]), tuple(-b + 0.0 for b in bulge[::-1]))
    return frozenset((forward, backward)) if inner or any(bulge) else "line"


def _strung(
    pieces: Sequence[Piece], turned: Sequence[bool], *, closed: bool
) -> tuple[FloatArray, FloatArray]:
    """Nodes and bulges of a chain; where two ends meet, the end of the piece walked first stands."""
    nodes: list[FloatArray] = []
    bulges: list[FloatArray] = []
    for k, (piece, back) in enumerate(zip(pieces, turned, strict=True)):
        xyz, bulge = piece.xyz, piece.bulge
        if back:
            xyz, bulge = xyz[::-1], np.append(-bulge[:-1][::-1], 0.0)
        if k:
            bulges[-1] = np.append(bulges[-1][:-1], bulge[0])
            xyz, bulge = xyz[1:], bulge[1:]
        nodes.append(xyz)
        bulges.append(bulge)
    xyz, bulge = np.concatenate(nodes), np.concatenate(bulges)
    return (xyz[:-1], bulge[:-1]) if closed else (xyz, bulge)


def _branch_troubles(
    joined: Joined, at: Sequence[int], owner: dict[int, int], layer: str
) -> list[tuple[int, Trouble]]:
    out = []
    for xy, pieces in joined.branches:
        for chain in dict.fromkeys(owner[at[k]] for k in pieces):
            what = (
                f'on layer "{layer}", {len(pieces)} lines meet at {place(xy)}: no single way round is drawn'
            )
            remedy = (
                "Draw each outline as a closed polyline, or put lines that are no outline on another layer"
            )
            out.append((chain, Trouble(0, "lines-branch", what, remedy)))
    return out


def _join_findings(joined: Joined, layer: str, unit: _Unit, within: float, label: str) -> list[Finding]:
    findings = []
    many = [c for c in joined.chains if len(c.pieces) > 1]
    if many:
        rings = sum(c.closed for c in many)
        text = (
            f'{label}, layer "{layer}": {sum(len(c.pieces) for c in many)} lines and arcs joined into '
            f"{rings} outlines and {len(many) - rings} open lines; ends were up to {joined.moved:.6g} "
            f"{unit.name} apart (up to {within:.6g} {unit.name} is joined)"
        )
        findings.append(Finding("drawing-joined", "notice", text))
    for xy, size, _ in joined.gaps:
        text = (
            f'{label}, layer "{layer}": two ends at {place(xy)} are {size:.6g} {unit.name} apart and not '
            f"joined (up to {within:.6g} {unit.name} is); the outline stays open there. Mend the drawing, or "
            f"raise join_within (ends up to {GAP_TIMES:g} times as far apart are told)"
        )
        findings.append(Finding("drawing-gap", "error", text))
    if joined.twice:
        text = f'{label}, layer "{layer}": {len(joined.twice)} lines lie exactly on another and are left out'
        findings.append(Finding("drawing-twice", "notice", text))
    return findings


def _heights(z: FloatArray, edge: Any, strings: ArcStrings) -> FloatArray:
    """Height of each vertex: of its node, and along an arc in equal steps to the next node.

    A drawing whose heights are all zero has none.
    """
    if not len(z) or not z.any():
        return np.full(len(edge), np.nan)
    count = np.bincount(edge, minlength=len(z))
    first = np.cumsum(count) - count
    share = (np.arange(len(edge)) - first[edge]) / count[edge]
    after = np.arange(1, len(z) + 1)
    after[strings.offsets[1:] - 1] = strings.offsets[:-1]
    return np.asarray(z[edge] + share * (z[after][edge] - z[edge]))


# -- what is told --------------------------------------------------------------------


def _left_out(found: Gathered, label: str) -> list[Finding]:
    out = []
    for (why, layer), kinds in sorted(found.left_out.items()):
        shown = ", ".join(f"{n} {kind}" for kind, n in sorted(Counter(kinds).items()))
        text = (
            f'{label}, layer "{layer}": {shown} left out: they {why}. '
            "Draw them as closed polylines if they are outlines"
        )
        out.append(Finding("drawing-left-out", "error", text))
    if found.inserts:
        text = f"{label}: {found.inserts} entities come out of blocks, which were taken apart"
        out.append(Finding("drawing-blocks", "notice", text))
    return out


def _other_statements(doc: Any, label: str) -> list[Finding]:
    """What a drawing says beside its lines that is not used here."""
    out = []
    if doc.modelspace().get_geodata() is not None:
        text = f"{label}: the drawing holds a geographic location (GEODATA), which is not used: declare crs"
        out.append(Finding("drawing-geodata", "notice", text))
    outside = sorted(b.name for b in doc.blocks if b.block is not None and b.block.is_xref)
    if outside:
        text = f"{label}: drawings attached from outside are not read: {listed(outside)}"
        out.append(Finding("drawing-xref", "error", text))
    return out


def _labels(found: Gathered, strings: ArcStrings, label: str) -> tuple[ObjectArray, list[Finding]]:
    """The text that stands in each closed outline, None where none or several do."""
    out = np.full(len(strings), None, object)
    if not found.labels:
        return out, []
    made = densify(strings, _label_tolerance(strings))
    cuts = made.offsets
    rings = np.flatnonzero(strings.closed & (np.diff(cuts) >= 3))
    shapes = np.array([shapely.Polygon(made.xy[cuts[k] : cuts[k + 1]]) for k in rings], dtype=object)
    tree = shapely.STRtree(shapes)
    spots = shapely.points([(x, y) for _, x, y in found.labels])
    text_of: dict[int, list[str]] = {}
    homeless = 0
    for n, (text, _, _) in enumerate(found.labels):
        hits = tree.query(spots[n], predicate="within")
        if not len(hits):
            homeless += 1
            continue
        # a text in an island ring stands in the outline round it too; the smallest is meant
        inner = hits[np.argmin(shapely.area(shapes[hits]))]
        text_of.setdefault(int(rings[inner]), []).append(text)
    findings = []
    several = [texts for texts in text_of.values() if len(texts) > 1]
    for k, texts in text_of.items():
        out[k] = texts[0] if len(texts) == 1 else None
    if homeless or several:
        text = (
            f"{label}: {homeless} texts stand in no outline, and {len(several)} outlines hold several; "
            "these are not used as names"
        )
        findings.append(Finding("drawing-texts", "notice", text))
    return out, findings


def _label_tolerance(strings: ArcStrings) -> float:
    """Coarse chords do to tell which outline a text stands in."""
    spread = float(np.ptp(strings.xy, axis=0).max()) if len(strings.xy) else 1.0
    return max(spread, 1e-9) * 1e-4


def _names(labels: ObjectArray, first: Sequence[int], pieces: Sequence[Piece]) -> ObjectArray:
    return _objects(
        [
            text or f"{pieces[k].layer} {pieces[k].handle}".strip()
            for text, k in zip(labels, first, strict=True)
        ]
    )


def _objects(values: Sequence[object]) -> ObjectArray:
    out = np.empty(len(values), object)
    out[:] = values
    return out
