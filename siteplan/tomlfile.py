"""TOML files read and checked, with every fault of a file in one report.

Used for product lines and for ``site.toml``.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path
from types import UnionType
from typing import Annotated, Any, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, BeforeValidator, ConfigDict, ValidationError

from siteplan.errors import DataError, Fault, UsageError
from siteplan.units import parse_um

Model = TypeVar("Model", bound=BaseModel)


class Table(BaseModel):
    """Base of every table of a TOML file: unknown keys are refused, values are frozen."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


def _length_um(value: object) -> object:
    """Text with a unit to whole micrometres; numbers without a unit are refused."""
    if isinstance(value, str):
        try:
            return parse_um(value)
        except UsageError as error:
            raise ValueError(str(error)) from None
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        raise ValueError(f'length {value} has no unit; write for example "{value} ft" or "{value} m"')
    raise ValueError(f"{value!r} is not a length; write text with a unit")


def positive(value: int) -> int:
    """Validator: more than zero."""
    if value <= 0:
        raise ValueError("must be more than zero")
    return value


def not_negative(value: int) -> int:
    """Validator: zero or more."""
    if value < 0:
        raise ValueError("must not be negative")
    return value


LengthUm = Annotated[int, BeforeValidator(_length_um)]
"""A length written as text with a unit, held in whole micrometres."""


def read_toml(path: Path) -> dict[str, Any]:
    """Contents of a TOML file.

    Raises
    ------
    DataError : no such file, not readable, not UTF-8, or not TOML (with line and column).
    """
    try:
        text = path.read_bytes().decode("utf-8")
    except FileNotFoundError:
        raise DataError(Fault("no-such-file", "there is no such file", "Check the path", str(path))) from None
    except IsADirectoryError:
        raise DataError(
            Fault("not-a-file", "this is a folder, not a file", "Name the .toml file", str(path))
        ) from None
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise DataError(
            Fault("not-readable", f"cannot be read: {reason}", "Check the permissions", str(path))
        ) from None
    except UnicodeDecodeError as error:
        raise DataError(
            Fault("not-utf8", f"byte {error.start} is not UTF-8 text", "Save the file as UTF-8", str(path))
        ) from None
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise DataError(
            Fault("not-toml", f"not valid TOML: {error}", "Mend the line named", str(path))
        ) from None
    except RecursionError:
        raise DataError(
            Fault("not-toml", "nested too deeply", "Write the file by hand, flat", str(path))
        ) from None


def tables_in(annotation: object) -> Iterable[type[BaseModel]]:
    """Table models inside a type annotation, in order."""
    origin = get_origin(annotation)
    if origin in (Union, UnionType) or origin is not None:
        for part in get_args(annotation):
            yield from tables_in(part)
    elif isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation


def _known_keys(model: type[BaseModel], location: tuple[int | str, ...]) -> list[str]:
    """Keys allowed in the table that holds the key at ``location``."""
    tables: list[type[BaseModel]] = [model]
    for step in location[:-1]:
        if not isinstance(step, str):
            continue
        found = [
            inner
            for table in tables
            for name, info in table.model_fields.items()
            if step in (name, info.alias)
            for inner in tables_in(info.annotation)
        ]
        tables = found or tables
    return [info.alias or name for table in tables for name, info in table.model_fields.items()]


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word most like ``word``, or None when none is like it."""
    folded = {k.lower(): k for k in known}
    close = difflib.get_close_matches(word.lower(), folded, n=1, cutoff=0.5)
    return folded[close[0]] if close else None


def shipped_or_path(key_or_path: str | Path, shipped: Mapping[str, Path], kind: str) -> Path:
    """File of a shipped key, or the path given: anything that ends in ``.toml`` is a path.

    Parameters
    ----------
    key_or_path : key of a shipped file, or a path
    shipped : key to file
    kind : what the files hold, for the message: ``product line``

    Raises
    ------
    UsageError : a key that is not shipped, with the nearest spelling and the whole list.
    """
    text = str(key_or_path)
    if isinstance(key_or_path, Path) or text.endswith(".toml"):
        return Path(key_or_path)
    if text in shipped:
        return shipped[text]
    like = nearest(text, shipped)
    hint = f'Did you mean "{like}"? ' if like else ""
    many = f"{kind.rsplit(maxsplit=1)[-1]}s"
    raise UsageError(
        f'there is no {kind} "{text}". {hint}The {many} that come with the program are'
        f" {', '.join(shipped)}; or give a path to a .toml file"
    )


def _path(location: tuple[int | str, ...]) -> str:
    """Key path as a person reads it: ``section[2].length``."""
    text = ""
    for step in location:
        text += f"[{step + 1}]" if isinstance(step, int) else (f".{step}" if text else str(step))
    return text


def _fault(model: type[BaseModel], error: Any, file: str) -> Fault:
    """One pydantic error as a fault."""
    location = tuple(error["loc"])
    key = _path(location)
    if error["type"] == "extra_forbidden":
        known = _known_keys(model, location)
        like = nearest(str(location[-1]), known)
        hint = f'Did you mean "{like}"?' if like else f"Known keys here: {', '.join(sorted(known))}"
        return Fault("unknown-key", f"unknown key {key}", hint, file)
    if error["type"] == "missing":
        return Fault("missing-key", f"key {key} is missing", "Add it", file)
    message = str(error["msg"]).removeprefix("Value error, ")
    message = message[:1].lower() + message[1:]
    shown = "" if isinstance(error.get("input"), (dict, list)) else f" (given: {error.get('input')!r})"
    where = f"{key}: " if key else ""
    return Fault("bad-value", f"{where}{message}{shown}", "Correct the value", file)


def validated(model: type[Model], data: dict[str, Any], file: str) -> Model:
    """Data checked against a table model.

    Raises
    ------
    DataError : every unknown key (with the nearest spelling), missing key and bad value.
    """
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise DataError(*(_fault(model, e, file) for e in error.errors(include_url=False))) from None
