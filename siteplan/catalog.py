"""Product lines: read from TOML, checked, and turned into numbers.

Every key of a product line file is explained in docs/product-lines.md.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Annotated, Any, Final, Literal, TypeVar

from pydantic import AfterValidator, BeforeValidator, Field, ValidationError

from siteplan.errors import DataError, Fault
from siteplan.products import (
    Article,
    Behaviour,
    CornerRules,
    CornerUnit,
    EndUnit,
    Face,
    Hand,
    ProductLine,
    Straight,
    Turn,
    UsableEnds,
)
from siteplan.tomlfile import (
    LengthUm,
    Table,
    not_negative,
    positive,
    read_toml,
    shipped_or_path,
    validated,
)

LINES: Final = Path(__file__).resolve().parent / "lines"
"""Product lines that come with the program."""

_LONGEST_UM: Final = 1_000_000_000
"""1 km: longer than anything a product line can mean, and far from the limits of the numbers"""


# ---------------------------------------------------------------- values of a file


def _sane(value: int) -> int:
    if abs(value) > _LONGEST_UM:
        raise ValueError("more than 1 km; check the unit")
    return value


def _money(value: object) -> object:
    if isinstance(value, str) and re.fullmatch(r"\d{1,9}(\.\d{1,4})?", value):
        return Decimal(value)
    raise ValueError('write the amount as text in decimals, such as "4.25"; not negative, no currency sign')


def _code(value: str) -> str:
    if not value or value != value.strip() or not value.isprintable():
        raise ValueError("must be printable text without blanks at its ends")
    return value


AnyUm = Annotated[LengthUm, AfterValidator(_sane)]
PositiveUm = Annotated[AnyUm, AfterValidator(positive)]
NotNegativeUm = Annotated[AnyUm, AfterValidator(not_negative)]
Money = Annotated[Decimal, BeforeValidator(_money)]
Code = Annotated[str, Field(max_length=40), AfterValidator(_code)]
Name = Annotated[str, Field(max_length=120), AfterValidator(_code)]
Degrees = Annotated[float, Field(gt=0, lt=180, allow_inf_nan=False)]


class JointTable(Table):
    """``[joint]``."""

    least_gap: AnyUm
    nominal_gap: AnyUm
    greatest_gap: AnyUm
    greatest_deflection_deg: Annotated[float, Field(ge=0, lt=90, allow_inf_nan=False)] | None = None


class CurveTable(Table):
    """``[curve]``, flexible lines only."""

    least_outward_radius: PositiveUm | None = None
    least_inward_radius: PositiveUm | None = None


class CuttingTable(Table):
    """``[cutting]``; without it no section is cut."""

    least_cut: PositiveUm
    kerf: NotNegativeUm
    usable_ends: UsableEnds
    cost: Money = Decimal(0)
    least_offcut: PositiveUm | None = None


class CornerRulesTable(Table):
    """``[corner_rules]``: corners made without a corner unit."""

    mitre: bool = False
    butt: bool = False
    bend_least_radius: PositiveUm | None = None
    greatest_saw_deg: Annotated[float, Field(gt=0, lt=90, allow_inf_nan=False)] = 60.0


class ArticleTable(Table):
    """Keys that every piece has."""

    code: Code
    name: Name
    price: Money | None = None
    weight_kg: Annotated[float, Field(gt=0, le=100_000, allow_inf_nan=False)] | None = None
    pack: Annotated[int, Field(ge=1, le=1_000_000)] = 1
    pallet: Annotated[int, Field(ge=1, le=1_000_000)] | None = None
    single_price: Money | None = None
    least_order: Annotated[int, Field(ge=0, le=1_000_000)] = 0


class StraightTable(ArticleTable):
    """``[[section]]`` and ``[[closer]]``."""

    laying: PositiveUm
    piece: PositiveUm | None = None
    nominal: PositiveUm | None = None


class CornerTable(ArticleTable):
    """``[[corner]]``."""

    turn: Turn
    least_deg: Degrees
    greatest_deg: Degrees
    arriving: PositiveUm
    leaving: PositiveUm
    measured_on: Face
    reversible: bool


class EndTable(ArticleTable):
    """``[[end]]``."""

    laying: PositiveUm
    hand: Hand


class LineTable(Table):
    """A whole product line file."""

    schema_version: Literal[1] = 1
    key: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]*$", max_length=40)]
    name: Name
    note: str
    behaviour: Behaviour
    depth: PositiveUm
    height: PositiveUm
    end_clearance: NotNegativeUm = 0
    currency: Annotated[str, Field(pattern=r"^[A-Z]{3}$")] | None = None
    currency_digits: Annotated[int, Field(ge=0, le=4)] = 2
    laying_cost: Money = Decimal(0)
    colours: list[Name] = Field(default_factory=list)
    joint: JointTable
    curve: CurveTable | None = None
    cutting: CuttingTable | None = None
    corner_rules: CornerRulesTable | None = None
    section: list[StraightTable] = Field(default_factory=list)
    closer: list[StraightTable] = Field(default_factory=list)
    corner: list[CornerTable] = Field(default_factory=list)
    end: list[EndTable] = Field(default_factory=list)


# ---------------------------------------------------------------- what must agree with what

_T = TypeVar("_T", bound=Table)
_Numbered = list[tuple[int, _T]]
"""tables of a list that are good by themselves, with their number from 1"""


@dataclass(frozen=True, slots=True)
class _Parts:
    """The parts of a file that are good by themselves, so that a fault in one hides no other."""

    raw: dict[str, Any]
    joint: JointTable | None
    cutting: CuttingTable | None
    sections: _Numbered[StraightTable]
    closers: _Numbered[StraightTable]
    corners: _Numbered[CornerTable]
    ends: _Numbered[EndTable]
    depth_um: int | None

    @property
    def articles(self) -> list[tuple[str, ArticleTable]]:
        """Every piece with its key path."""
        return [
            (f"{kind}[{number}]", table)
            for kind, tables in (
                ("section", self.sections),
                ("closer", self.closers),
                ("corner", self.corners),
                ("end", self.ends),
            )
            for number, table in tables
        ]

    @property
    def straights(self) -> list[tuple[str, StraightTable]]:
        """Sections and closers with their key path."""
        return [(path, t) for path, t in self.articles if isinstance(t, StraightTable)]


def _table(model: type[_T], raw: object) -> _T | None:
    try:
        return model.model_validate(raw)
    except ValidationError:
        return None  # its faults are reported with those of the whole file


def _tables(model: type[_T], raw: object) -> _Numbered[_T]:
    tables = [_table(model, part) for part in raw] if isinstance(raw, list) else []
    return [(number, table) for number, table in enumerate(tables, 1) if table is not None]


class _Depth(Table):
    depth: PositiveUm


def _parts(raw: dict[str, Any]) -> _Parts:
    depth = _table(_Depth, {"depth": raw.get("depth")})
    return _Parts(
        raw=raw,
        joint=_table(JointTable, raw.get("joint")),
        cutting=_table(CuttingTable, raw.get("cutting")),
        sections=_tables(StraightTable, raw.get("section")),
        closers=_tables(StraightTable, raw.get("closer")),
        corners=_tables(CornerTable, raw.get("corner")),
        ends=_tables(EndTable, raw.get("end")),
        depth_um=depth.depth if depth else None,
    )


def _mm(value_um: float) -> str:
    return f"{value_um / 1000:g} mm"


_Wrong = tuple[str, str, str]
"""code, what, remedy"""


def _joint_faults(parts: _Parts) -> Iterator[_Wrong]:
    joint, behaviour = parts.joint, parts.raw.get("behaviour")
    if joint is None:
        return
    if not joint.least_gap <= joint.nominal_gap <= joint.greatest_gap:
        yield (
            "contradictory-limits",
            f"joint: the gaps are {_mm(joint.least_gap)} least, {_mm(joint.nominal_gap)} nominal and"
            f" {_mm(joint.greatest_gap)} greatest",
            "Put them in order: least_gap <= nominal_gap <= greatest_gap",
        )
    lengths = [(table.laying, f"{path}.laying") for path, table in parts.straights]
    if parts.cutting:
        lengths.append((parts.cutting.least_cut, "cutting.least_cut"))
    if lengths and -joint.least_gap >= min(lengths)[0]:
        shortest, path = min(lengths)
        yield (
            "overlap-too-long",
            f"joint.least_gap: an overlap of {_mm(-joint.least_gap)} is as long as the shortest piece"
            f" ({path}, {_mm(shortest)})",
            "Make the overlap smaller than every piece",
        )
    if behaviour == "rigid" and joint.greatest_deflection_deg is None:
        yield (
            "missing-key",
            "key joint.greatest_deflection_deg is missing: a rigid line needs it",
            "Add it; 0 keeps every joint straight",
        )
    if behaviour == "flexible" and joint.greatest_deflection_deg is not None:
        yield (
            "contradiction",
            "joint.greatest_deflection_deg belongs to rigid lines, and this one is flexible",
            "Remove it, or set behaviour to rigid",
        )


def _behaviour_faults(parts: _Parts) -> Iterator[_Wrong]:
    if parts.raw.get("behaviour") == "rigid" and "curve" in parts.raw:
        yield (
            "contradiction",
            "curve: a rigid line has no least radius",
            "Remove the table [curve], or set behaviour to flexible",
        )


def _straight_faults(parts: _Parts) -> Iterator[_Wrong]:
    if not parts.raw.get("section"):
        yield ("no-piece", "there is no section, so nothing can be laid", "Add a [[section]]")
    if not parts.sections:
        return
    longest = max(table.laying for _, table in parts.sections)
    for number, table in parts.closers:
        if table.laying >= longest:
            yield (
                "contradiction",
                f"closer[{number}].laying: a closer of {_mm(table.laying)} is not shorter than the longest"
                f" section ({_mm(longest)})",
                "Make it a section, or correct the length",
            )
    cutting = parts.cutting
    if cutting and cutting.least_cut + cutting.kerf > longest:
        yield (
            "contradictory-limits",
            f"cutting.least_cut: {_mm(cutting.least_cut)} and the kerf of {_mm(cutting.kerf)} cannot come"
            f" from the longest section ({_mm(longest)})",
            "Make least_cut smaller, or remove the table [cutting] if nothing is cut",
        )
    if cutting and cutting.usable_ends == "both":
        yield (
            "contradiction",
            'cutting.usable_ends: "both" asks for cut pieces with two uncut ends, and a saw cut always leaves'
            " a sawn one",
            'Use "any" or "one_factory_end", or remove the table [cutting] if nothing is cut',
        )


def _least_arm_um(corner: CornerTable, depth_um: int) -> float:
    """Shortest arm that still reaches the inner face: inner, centre and outer face lie depth/2 apart."""
    halves = {"outer": 2, "centre": 1, "inner": 0}[corner.measured_on]
    return halves * depth_um / 2 * math.tan(math.radians(corner.greatest_deg) / 2)


def _corner_faults(parts: _Parts) -> Iterator[_Wrong]:
    for number, corner in parts.corners:
        if corner.least_deg > corner.greatest_deg:
            yield (
                "contradictory-limits",
                f"corner[{number}]: least_deg {corner.least_deg:g} is more than greatest_deg"
                f" {corner.greatest_deg:g}",
                "Exchange or correct them",
            )
        if parts.depth_um is None:
            continue
        least = _least_arm_um(corner, parts.depth_um)
        for arm in ("arriving", "leaving"):
            length: int = getattr(corner, arm)
            if length + 1 < least:
                yield (
                    "arm-too-short",
                    f"corner[{number}].{arm}: {_mm(length)} on the {corner.measured_on} face does not reach"
                    f" round a turn of {corner.greatest_deg:g} degrees at a depth of {_mm(parts.depth_um)}",
                    f"Give at least {_mm(math.ceil(least / 100) * 100)}, or narrow the range of angles",
                )
    yield from _mirror_faults(parts.corners)


def _corner_rule_faults(parts: _Parts) -> Iterator[_Wrong]:
    rules = _table(CornerRulesTable, parts.raw.get("corner_rules"))
    if rules is None:
        return
    if rules.mitre and "cutting" not in parts.raw:
        yield (
            "contradiction",
            "corner_rules.mitre: a mitre is sawn, and this line has no table [cutting]",
            "Add [cutting], or set mitre = false",
        )
    radius = rules.bend_least_radius
    if radius is not None and parts.raw.get("behaviour") == "rigid":
        yield (
            "contradiction",
            "corner_rules.bend_least_radius belongs to flexible lines, and this one is rigid",
            "Remove it, or set behaviour to flexible",
        )
    if radius is not None and parts.depth_um is not None and radius < parts.depth_um:
        yield (
            "contradictory-limits",
            f"corner_rules.bend_least_radius: {_mm(radius)} is less than the depth of {_mm(parts.depth_um)}",
            "Give the radius of the middle of the piece, at least its depth",
        )


def _mirror_faults(corners: _Numbered[CornerTable]) -> Iterator[_Wrong]:
    for number, one in corners:
        for other_number, other in corners:
            if (
                one.reversible
                and one.arriving != one.leaving
                and (one.arriving, one.leaving) == (other.leaving, other.arriving)
                and (one.turn, one.measured_on) == (other.turn, other.measured_on)
                and max(one.least_deg, other.least_deg) <= min(one.greatest_deg, other.greatest_deg)
                and (not other.reversible or number < other_number)
            ):
                yield (
                    "contradiction",
                    f"corner[{number}] {one.code} is reversible, yet corner[{other_number}] {other.code}"
                    " is its mirror image",
                    "Set reversible = false for both, or remove the mirror image",
                )


def _end_faults(parts: _Parts) -> Iterator[_Wrong]:
    if len(parts.ends) != len(parts.raw.get("end") or []):
        return
    hands = {table.hand for _, table in parts.ends}
    if hands and "either" not in hands and hands != {"left", "right"}:
        missing = "right" if "left" in hands else "left"
        yield (
            "end-hands",
            f"end: there is no end unit for the {missing} hand, so one end of every open run has none",
            f'Add an [[end]] with hand = "{missing}", or "either"',
        )


def _code_faults(parts: _Parts) -> Iterator[_Wrong]:
    first: dict[str, str] = {}
    for path, table in parts.articles:
        if table.code in first:
            yield (
                "repeated-code",
                f'{path}.code: "{table.code}" is the code of {first[table.code]} already',
                "Give every piece its own code",
            )
        first.setdefault(table.code, path)


def _order_faults(parts: _Parts) -> Iterator[_Wrong]:
    for path, table in parts.articles:
        if table.single_price is not None and table.price is None:
            yield (
                "missing-key",
                f"key {path}.price is missing: single_price is the price of a piece out of a broken pack",
                "Add the price of a piece in a whole pack",
            )
    colours = parts.raw.get("colours")
    if isinstance(colours, list):
        for number, colour in enumerate(colours, 1):
            if colour in colours[: number - 1]:
                yield ("repeated-colour", f'colours[{number}]: "{colour}" is there already', "Name it once")


def _money_faults(parts: _Parts) -> Iterator[_Wrong]:
    amounts = [(f"{path}.price", t.price) for path, t in parts.articles if t.price is not None]
    amounts += [
        (f"{path}.single_price", t.single_price) for path, t in parts.articles if t.single_price is not None
    ]
    if parts.cutting and "cost" in parts.cutting.model_fields_set:
        amounts.append(("cutting.cost", parts.cutting.cost))
    laying = parts.raw.get("laying_cost")
    if isinstance(laying, str) and re.fullmatch(r"\d+(\.\d+)?", laying):
        amounts.append(("laying_cost", Decimal(laying)))
    if amounts and parts.raw.get("currency") is None:
        yield (
            "missing-key",
            f"key currency is missing: {amounts[0][0]} is an amount of money",
            'Add currency = "USD" or another code of ISO 4217',
        )
    digits = parts.raw.get("currency_digits", 2)
    if not isinstance(digits, int):
        return
    for path, amount in amounts:
        if amount != round(amount, digits):
            yield (
                "bad-value",
                f"{path}: {amount} has more decimals than the currency ({digits})",
                "Round it, or correct currency_digits",
            )


def _contradictions(raw: dict[str, Any], file: str) -> list[Fault]:
    parts = _parts(raw)
    checks = (
        _behaviour_faults,
        _joint_faults,
        _straight_faults,
        _corner_faults,
        _corner_rule_faults,
        _end_faults,
        _code_faults,
        _order_faults,
        _money_faults,
    )
    return [Fault(*wrong, file) for check in checks for wrong in check(parts)]


# ---------------------------------------------------------------- a product line


def _article(table: ArticleTable, digits: int) -> Article:
    return Article(
        code=table.code,
        name=table.name,
        price=None if table.price is None else _minor(table.price, digits),
        weight_g=None if table.weight_kg is None else round(table.weight_kg * 1000),
        pack=table.pack,
        pallet=table.pallet,
        single_price=None if table.single_price is None else _minor(table.single_price, digits),
        least_order=table.least_order,
    )


def _minor(amount: Decimal, digits: int) -> int:
    return int(amount.scaleb(digits))


def _straights(tables: Sequence[StraightTable], digits: int) -> tuple[Straight, ...]:
    return tuple(
        Straight(
            article=_article(t, digits),
            laying_um=t.laying,
            piece_um=t.laying if t.piece is None else t.piece,
            nominal_um=t.laying if t.nominal is None else t.nominal,
        )
        for t in tables
    )


def _line(table: LineTable) -> ProductLine:
    digits, curve, cutting = table.currency_digits, table.curve or CurveTable(), table.cutting
    rules = table.corner_rules or CornerRulesTable()
    return ProductLine(
        key=table.key,
        name=table.name,
        note=table.note,
        behaviour=table.behaviour,
        depth_um=table.depth,
        height_um=table.height,
        gap_least_um=table.joint.least_gap,
        gap_nominal_um=table.joint.nominal_gap,
        gap_greatest_um=table.joint.greatest_gap,
        deflection_deg=table.joint.greatest_deflection_deg or 0.0,
        outward_radius_um=curve.least_outward_radius,
        inward_radius_um=curve.least_inward_radius,
        end_clearance_um=table.end_clearance,
        cuttable=cutting is not None,
        least_cut_um=cutting.least_cut if cutting else 0,
        kerf_um=cutting.kerf if cutting else 0,
        usable_ends=cutting.usable_ends if cutting else "any",
        cut_cost=_minor(cutting.cost, digits) if cutting else 0,
        laying_cost=_minor(table.laying_cost, digits),
        currency=table.currency,
        currency_digits=digits,
        sections=_straights(table.section, digits),
        closers=_straights(table.closer, digits),
        corners=tuple(
            CornerUnit(
                article=_article(t, digits),
                turn=t.turn,
                least_deg=float(t.least_deg),
                greatest_deg=float(t.greatest_deg),
                arriving_um=t.arriving,
                leaving_um=t.leaving,
                measured_on=t.measured_on,
                reversible=t.reversible,
            )
            for t in table.corner
        ),
        ends=tuple(EndUnit(_article(t, digits), laying_um=t.laying, hand=t.hand) for t in table.end),
        least_offcut_um=(cutting.least_offcut or 0) if cutting else 0,
        colours=tuple(table.colours),
        corner_rules=CornerRules(
            mitre=rules.mitre,
            butt=rules.butt,
            bend_radius_um=rules.bend_least_radius,
            greatest_saw_deg=float(rules.greatest_saw_deg),
        ),
    )


def read_line(path: Path) -> ProductLine:
    """Product line of a TOML file.

    Parameters
    ----------
    path : file; its keys are explained in docs/product-lines.md

    Returns
    -------
    The line, lengths in whole micrometres and money in whole minor units.

    Raises
    ------
    DataError : every fault of the file: not TOML, unknown, missing or bad keys, and values
        that contradict each other.
    """
    raw = read_toml(path)
    faults: list[Fault] = []
    table = None
    try:
        table = validated(LineTable, raw, str(path))
    except DataError as error:
        faults += error.faults
    faults += _contradictions(raw, str(path))
    if faults or table is None:
        raise DataError(*faults)
    return _line(table)


def shipped_lines() -> dict[str, Path]:
    """Product lines that come with the program: key to file, in order of key."""
    return {path.stem: path for path in sorted(LINES.glob("*.toml"))}


def load_line(key_or_path: str | Path) -> ProductLine:
    """Product line by the key of a shipped one, or from a file.

    Parameters
    ----------
    key_or_path : such as ``rigid-900mm``, or a path that ends in ``.toml``

    Raises
    ------
    UsageError : neither a shipped key nor a path to a .toml file.
    DataError : the file is missing or has faults.

    Examples
    --------
    >>> load_line("rigid-900mm").sections[0].laying_um
    900000
    """
    return read_line(shipped_or_path(key_or_path, shipped_lines(), "product line"))
