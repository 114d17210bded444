"""Whether input files are as they were: their SHA-256, and that of what ``site.toml`` says about them."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from siteplan.intake.features import ROLES
from siteplan.settings import InputFile, Inputs

READING: Final = "site.toml [inputs]"
"""stands among the files for what ``site.toml`` says of how they are read"""
_BESIDE: Final = (".dbf", ".prj", ".cpg", ".shx")
"""parts of a shapefile that matter, beside the ``.shp``"""


def input_hashes(inputs: Inputs, base: Path) -> dict[str, str | None]:
    """SHA-256 of every input file of outlines as it is now, None for one that cannot be read.

    Parameters
    ----------
    inputs : of ``site.toml``
    base : folder its paths start from

    Returns
    -------
    By the file's name in ``site.toml``, in its order, and last, where there is any file, under
    :data:`READING` that of what is said of reading them.  A shapefile counts with the files beside it, a
    folder with everything in it.
    """
    entries = _entries(inputs)
    made: dict[str, str | None] = {}
    for _, entry in entries:
        if entry.file not in made:
            made[entry.file] = _hash(base / entry.file)
    if entries:
        said = [[role, entry.model_dump(mode="json", exclude_defaults=True)] for role, entry in entries]
        how = [said, inputs.id_attribute, inputs.name_attribute, inputs.mixed_crs, inputs.skip_faulty]
        made[READING] = hashlib.sha256(json.dumps(how, sort_keys=True).encode()).hexdigest()
    return made


def _entries(inputs: Inputs) -> list[tuple[str, InputFile]]:
    return [(role, entry) for role in ROLES for entry in getattr(inputs, role)]


def _parts(path: Path) -> Iterator[Path]:
    """The files an input consists of, in a fixed order."""
    if path.is_dir():
        yield from sorted(p for p in path.rglob("*") if p.is_file())
        return
    yield path
    if path.suffix.lower() == ".shp":
        beside = {p.suffix.lower(): p for p in path.parent.glob(f"{path.stem}.*")}
        yield from (beside[s] for s in _BESIDE if s in beside)


def _hash(path: Path) -> str | None:
    try:
        parts = list(_parts(path))
        if len(parts) == 1:
            return _of_file(parts[0])
        # Each part by itself, so that bytes cannot move from one to the next unseen.
        return hashlib.sha256("".join(_of_file(p) for p in parts).encode()).hexdigest()
    except OSError:
        return None


def _of_file(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
