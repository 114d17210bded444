"""Groundwork and bed quantities by recipes: what else the edging takes, per metre, piece, corner or area.

A recipe is a TOML file of items.  Each item multiplies a basis (such as the length of the edging) by
factors with units (``300 mm``, ``2 stake/piece``, ``1 h / 8 m``), and the units must come out as the
item says: a recipe whose units do not match is a fault, by name.  Every key is explained in
docs/groundwork.md.  Rates that ship with the program are invented.

Sources
-------
1 yd3 = 27 ft3 and 1 ft = 0.3048 m exactly: see :mod:`siteplan.units`.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields
from fractions import Fraction
from pathlib import Path
from typing import Annotated, Final, Literal

from pydantic import Field, field_validator

from siteplan.errors import DataError, Fault
from siteplan.tomlfile import Table, nearest, read_toml, shipped_or_path, validated
from siteplan.units import FOOT_M, METRES

RECIPES: Final = Path(__file__).resolve().parent / "recipes"
"""Recipes that come with the program."""

Dimension = tuple[tuple[str, int], ...]
"""powers of ``length``, ``mass``, ``time`` and of things that are counted, by name; no zeros"""

BASES: Final[dict[str, tuple[str, str]]] = {
    "length": ("length_m", "m"),
    "run": ("runs", "run"),
    "piece": ("pieces", "piece"),
    "section": ("sections", "section"),
    "closer": ("closers", "closer"),
    "corner": ("corners", "corner"),
    "end": ("ends", "end"),
    "cut": ("cuts", "cut"),
    "joint": ("joints", "joint"),
    "bed": ("beds", "bed"),
    "bed_area": ("bed_area_m2", "m2"),
    "inner_area": ("inner_area_m2", "m2"),
}
"""what an item can be reckoned from: field of :class:`Quantities`, and its unit"""

_COUNTED: Final = ("run", "piece", "section", "closer", "corner", "end", "cut", "joint", "bed")


@dataclass(frozen=True, slots=True)
class Quantities:
    """What the recipes are reckoned from, of a site, a phase or a bed."""

    length_m: Fraction
    """laying line of all runs"""
    runs: int
    pieces: int
    sections: int
    closers: int
    corners: int
    ends: int
    cuts: int
    joints: int
    beds: int
    bed_area_m2: Fraction
    inner_area_m2: Fraction
    """bed area inside the back face of the edging"""


@dataclass(frozen=True, slots=True)
class Amount:
    """A number of a unit, exact, in metres, kilograms, hours and things counted."""

    value: Fraction
    dimension: Dimension


@dataclass(frozen=True, slots=True)
class WorkRow:
    """One item of the groundwork."""

    key: str
    name: str
    basis: str
    basis_amount: Fraction
    basis_unit: str
    working: str
    """the reckoning in words, to check by hand"""
    net: Fraction
    """before waste, compaction and swell, in ``unit``"""
    amount: Fraction
    """what to order or do, in ``unit``, rounded up where the recipe says so"""
    unit: str
    price: int | None
    """minor units for one ``unit``"""
    cost: int | None
    note: str


@dataclass(frozen=True, slots=True)
class Groundwork:
    """All items of a recipe for a site."""

    key: str
    name: str
    note: str
    rows: tuple[WorkRow, ...]
    quantities: Quantities


# ---------------------------------------------------------------- units

_LENGTHS: Final = {unit: METRES[unit] for unit in ("m", "mm", "cm", "km", "ft", "in", "yd", "ftUS")}
_LITRE: Final = Fraction(1, 1000)
_POUND_KG: Final = Fraction(45359237, 100_000_000)  # international pound, exact by definition


def _units() -> dict[str, Amount]:
    length, mass, hour = (("length", 1),), (("mass", 1),), (("time", 1),)
    known = {name: Amount(size, length) for name, size in _LENGTHS.items()}
    for name, size in _LENGTHS.items():
        known[f"{name}2"] = Amount(size**2, (("length", 2),))
        known[f"{name}3"] = Amount(size**3, (("length", 3),))
    known["l"] = Amount(_LITRE, (("length", 3),))
    known |= {
        "kg": Amount(Fraction(1), mass),
        "g": Amount(Fraction(1, 1000), mass),
        "t": Amount(Fraction(1000), mass),
        "lb": Amount(_POUND_KG, mass),
        "h": Amount(Fraction(1), hour),
        "min": Amount(Fraction(1, 60), hour),
    }
    known |= {name: Amount(Fraction(1), ((name, 1),)) for name in _COUNTED}
    return known


UNITS: Final = _units()
"""units of recipes; further names are things that the recipe counts"""

_TERM: Final = re.compile(r"\s*(?P<number>\d{1,9}(?:\.\d{1,9})?)?\s*(?P<unit>[A-Za-z_][A-Za-z_0-9]*)?\s*")


def combine(one: Amount, other: Amount, sign: int = 1) -> Amount:
    """Product (``sign`` 1) or quotient (-1) of two amounts."""
    powers = dict(one.dimension)
    for name, power in other.dimension:
        powers[name] = powers.get(name, 0) + sign * power
    value = one.value * other.value if sign > 0 else one.value / other.value
    return Amount(value, tuple(sorted((n, p) for n, p in powers.items() if p)))


def parse_amount(text: str, counted: Mapping[str, object]) -> Amount:
    """A factor of a recipe: ``300 mm``, ``2 stake/piece``, ``1 h / 8 m``, ``0.5``.

    Parameters
    ----------
    text : terms parted by ``/``; each a number, a unit, or both
    counted : names of things the recipe counts

    Raises
    ------
    ValueError : not understood, an unknown unit, a zero below the line.
    """
    if len(text) > 80:
        raise ValueError("is too long to be an amount")
    total = Amount(Fraction(1), ())
    for nth, term in enumerate(text.split("/")):
        match = _TERM.fullmatch(term)
        if match is None or not (match["number"] or match["unit"]):
            raise ValueError(f'"{text}" is not understood; write for example "300 mm" or "2 stake/piece"')
        value = Amount(Fraction(match["number"] or 1), ())
        if match["unit"]:
            value = combine(value, _unit(match["unit"], counted))
        if nth and not value.value:
            raise ValueError(f'"{text}" divides by zero')
        total = combine(total, value, -1 if nth else 1)
    return total


def _unit(name: str, counted: Mapping[str, object]) -> Amount:
    if name in counted:
        return Amount(Fraction(1), ((name, 1),))
    if name in UNITS:
        return UNITS[name]
    like = nearest(name, [*UNITS, *counted])
    hint = f'; did you mean "{like}"?' if like else ""
    raise ValueError(f'unit "{name}" is not known{hint} (name what the recipe counts in its key counts)')


def dimension_text(dimension: Dimension) -> str:
    """A dimension in words: ``length^2 x stake``."""
    if not dimension:
        return "a plain number"
    return " x ".join(name if power == 1 else f"{name}^{power}" for name, power in dimension)


# ---------------------------------------------------------------- the file

_Percent = Annotated[float, Field(ge=0, lt=1000, allow_inf_nan=False)]


class ItemTable(Table):
    """``[[item]]``."""

    key: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$", max_length=40)]
    name: Annotated[str, Field(min_length=1, max_length=120)]
    basis: str
    times: list[str] = Field(default_factory=list)
    unit: str
    waste_percent: _Percent = 0.0
    swell_percent: _Percent = 0.0
    compaction_percent: Annotated[float, Field(ge=0, lt=100, allow_inf_nan=False)] = 0.0
    round_up: bool = False
    price: str | None = None
    note: str = ""

    @field_validator("price")
    @classmethod
    def _money(cls, value: str | None) -> str | None:
        if value is not None and not re.fullmatch(r"\d{1,9}(\.\d{1,4})?", value):
            raise ValueError('write the amount as text in decimals, such as "4.25"')
        return value


class RecipeTable(Table):
    """A whole recipe file."""

    schema_version: Literal[1] = 1
    key: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]*$", max_length=40)]
    name: Annotated[str, Field(min_length=1, max_length=120)]
    note: str
    currency_digits: Annotated[int, Field(ge=0, le=4)] = 2
    counts: dict[Annotated[str, Field(pattern=r"^[a-z][a-z_]*$", max_length=40)], str] = Field(
        default_factory=dict
    )
    item: list[ItemTable] = Field(min_length=1)


@dataclass(frozen=True, slots=True)
class _Item:
    table: ItemTable
    base: str
    """basis, or the key of an item above"""
    factor: Amount
    unit: Amount


@dataclass(frozen=True, slots=True)
class Recipe:
    """A recipe whose units were checked."""

    key: str
    name: str
    note: str
    currency_digits: int
    items: tuple[_Item, ...]


def _checked(table: RecipeTable, file: str) -> Recipe:
    """Units, names and order of the items; every fault at once."""
    faults: list[Fault] = []
    items: list[_Item] = []
    made: dict[str, Dimension | None] = {}
    for name in table.counts:
        if name in UNITS:
            faults.append(
                Fault("repeated-unit", f'counts.{name}: "{name}" is a unit already', "Choose another", file)
            )
    for number, item in enumerate(table.item, 1):
        here = f"item[{number}] {item.key}"
        item_faults = list(_item_faults(item, here, table, made, file))
        faults += item_faults
        made[item.key] = None
        if not item_faults:
            checked = _item(item, table, made)
            made[item.key] = checked.unit.dimension
            items.append(checked)
    if faults:
        raise DataError(*faults)
    return Recipe(table.key, table.name, table.note, table.currency_digits, tuple(items))


def _item(item: ItemTable, table: RecipeTable, made: Mapping[str, Dimension | None]) -> _Item:
    factor = Amount(Fraction(1), ())
    for text in item.times:
        factor = combine(factor, parse_amount(text, table.counts))
    return _Item(item, item.basis.removeprefix("item:"), factor, _unit(item.unit, table.counts))


def _item_faults(
    item: ItemTable, here: str, table: RecipeTable, made: Mapping[str, Dimension | None], file: str
) -> Iterator[Fault]:
    if item.key in made or item.key in BASES:
        yield Fault("repeated-key", f"{here}: the key is there already", "Give every item its own key", file)
    basis: Dimension | None = None
    if item.basis.startswith("item:"):
        above = item.basis.removeprefix("item:")
        if above not in made:
            yield Fault(
                "unknown-basis", f'{here}.basis: no item above has the key "{above}"',
                f"Items above: {', '.join(made) or 'none'}", file,
            )  # fmt: skip
            return
        basis = made[above]
    elif item.basis in BASES:
        basis = UNITS[BASES[item.basis][1]].dimension
    else:
        like = nearest(item.basis, BASES)
        yield Fault(
            "unknown-basis", f'{here}.basis: "{item.basis}" is not known',
            f'Did you mean "{like}"?' if like else f"Use one of {', '.join(BASES)}, or item:KEY", file,
        )  # fmt: skip
    bad = False
    for nth, text in enumerate([*item.times, item.unit], 1):
        where = f"{here}.times[{nth}]" if nth <= len(item.times) else f"{here}.unit"
        try:
            parse_amount(text, table.counts) if nth <= len(item.times) else _unit(text, table.counts)
        except ValueError as error:
            bad = True
            yield Fault("bad-unit", f"{where}: {error}", "Correct the amount", file)
    if bad or basis is None:
        return
    checked = _item(item, table, made)
    got = combine(Amount(Fraction(1), basis), checked.factor).dimension
    if got != checked.unit.dimension:
        product = " x ".join([item.basis, *item.times])
        yield Fault(
            "units-do-not-match",
            f"{here}: {product} is {dimension_text(got)}, and the unit {item.unit} is"
            f" {dimension_text(checked.unit.dimension)}",
            "Correct the factors or the unit",
            file,
        )


def read_recipe(path: Path) -> Recipe:
    """Recipe of a TOML file, its units checked.

    Raises
    ------
    DataError : every fault of the file.
    """
    return _checked(validated(RecipeTable, read_toml(path), str(path)), str(path))


def shipped_recipes() -> dict[str, Path]:
    """Recipes that come with the program: key to file."""
    return {path.stem: path for path in sorted(RECIPES.glob("*.toml"))}


def load_recipe(key_or_path: str | Path) -> Recipe:
    """Recipe by the key of a shipped one, or from a file that ends in ``.toml``."""
    return read_recipe(shipped_or_path(key_or_path, shipped_recipes(), "recipe"))


# ---------------------------------------------------------------- the reckoning


def reckon(recipe: Recipe, quantities: Quantities) -> Groundwork:
    """Amounts of every item.

    Parameters
    ----------
    recipe : the recipe
    quantities : what it is reckoned from

    Notes
    -----
    amount = basis x factors x (1 + swell) x (1 + waste) / (1 - compaction), rounded up to whole
    units where the item says so.  Compaction is what loose material loses of its volume when it is
    compacted.  An item based on another starts from that one's amount, rounded if it is.
    """
    values: dict[str, Amount] = {}
    for field in fields(quantities):
        basis = next(b for b, (name, _) in BASES.items() if name == field.name)
        values[basis] = combine(Amount(Fraction(getattr(quantities, field.name)), ()), UNITS[BASES[basis][1]])
    units = {basis: unit for basis, (_, unit) in BASES.items()}
    rows = []
    for item in recipe.items:
        row, amount = _row(item, values[item.base], units[item.base], recipe.currency_digits)
        rows.append(row)
        values[item.table.key], units[item.table.key] = amount, item.table.unit
    return Groundwork(recipe.key, recipe.name, recipe.note, tuple(rows), quantities)


def _percent(value: float) -> Fraction:
    return Fraction(str(value)) / 100


def _row(item: _Item, base: Amount, base_unit: str, digits: int) -> tuple[WorkRow, Amount]:
    table = item.table
    net = combine(base, item.factor).value / item.unit.value
    swell, waste, lost = (
        _percent(v) for v in (table.swell_percent, table.waste_percent, table.compaction_percent)
    )
    amount = net * (1 + swell) * (1 + waste) / (1 - lost)
    if table.round_up:
        amount = Fraction(math.ceil(amount))
    price = None if table.price is None else Fraction(table.price) * 10**digits
    cost = None if price is None else math.floor(price * amount + Fraction(1, 2))
    base_value = base.value / (UNITS[base_unit].value if base_unit in UNITS else 1)
    row = WorkRow(
        key=table.key,
        name=table.name,
        basis=table.basis,
        basis_amount=base_value,
        basis_unit=base_unit,
        working=_working(table, base_value, base_unit),
        net=net,
        amount=amount,
        unit=table.unit,
        price=None if price is None else math.floor(price + Fraction(1, 2)),
        cost=cost,
        note=table.note,
    )
    return row, Amount(amount * item.unit.value, item.unit.dimension)


def _working(table: ItemTable, base: Fraction, unit: str) -> str:
    """The reckoning as a person would write it down."""
    parts = [f"{float(base):.3f} {unit}", *table.times]
    for percent, word in ((table.swell_percent, "swell"), (table.waste_percent, "waste")):
        if percent:
            parts.append(f"{1 + float(_percent(percent)):g} ({word})")
    text = " x ".join(parts)
    if table.compaction_percent:
        text += f" / {1 - float(_percent(table.compaction_percent)):g} (compaction)"
    return text + (", rounded up" if table.round_up else "")


def cubic_yards(volume_m3: Fraction) -> Fraction:
    """Cubic metres in cubic yards: 27 cubic feet each."""
    return volume_m3 / (27 * FOOT_M**3)


__all__ = [
    "BASES", "Amount", "Groundwork", "Quantities", "Recipe", "WorkRow", "cubic_yards", "load_recipe",
    "parse_amount", "read_recipe", "reckon", "shipped_recipes",
]  # fmt: skip
