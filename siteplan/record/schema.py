"""The tables of ``record.gpkg``, and a new file of them.

A GeoPackage (OGC 12-128) with three layers of features, which hold the newest state, and four tables of
attributes, which hold the history.  A row of history is good from the revision ``first`` up to, and
without, the revision ``until``; rows without ``until`` are the newest state.  Nothing is ever deleted.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from pathlib import Path
from typing import Final

import numpy as np
from pyogrio import raw, set_gdal_config_options
from pyogrio.errors import CRSError, DataLayerError, DataSourceError

from siteplan.errors import DataError, Fault, OutputError
from siteplan.intake.features import ROLES
from siteplan.record.connection import FORMAT, VERSION

HISTORY: Final = {
    "record_meta": """
        CREATE TABLE record_meta (
            fid INTEGER PRIMARY KEY NOT NULL, key TEXT NOT NULL UNIQUE, value TEXT NOT NULL)""",
    "record_revisions": """
        CREATE TABLE record_revisions (
            number INTEGER PRIMARY KEY NOT NULL, who TEXT NOT NULL, made_at TEXT NOT NULL, what TEXT NOT NULL,
            back_to INTEGER, etag TEXT NOT NULL)""",
    "record_features": """
        CREATE TABLE record_features (
            fid INTEGER PRIMARY KEY NOT NULL, role TEXT NOT NULL, id TEXT NOT NULL, place INTEGER NOT NULL,
            first INTEGER NOT NULL, until INTEGER, facts TEXT NOT NULL, shape BLOB NOT NULL,
            digest TEXT NOT NULL)""",
    "record_items": """
        CREATE TABLE record_items (
            fid INTEGER PRIMARY KEY NOT NULL, kind TEXT NOT NULL, key TEXT NOT NULL, place INTEGER NOT NULL,
            first INTEGER NOT NULL, until INTEGER, value TEXT NOT NULL,
            digest TEXT NOT NULL)""",
}
"""``facts`` and ``value`` are JSON.  Kinds of item: override (key: its path), tape, source, grid, columns
(the attributes of a role in their order), runs (their names, by bed).  ``place`` gives the order, and is
the ``fid`` in the layer.
``digest`` is that of :func:`siteplan.record.history.row_digest`: the database itself does not notice when a
byte of a row changes on the disk."""
_INDEXES: Final = (
    "CREATE INDEX record_features_by_id ON record_features (role, id)",
    "CREATE INDEX record_features_by_place ON record_features (role, place)",
    "CREATE INDEX record_items_by_key ON record_items (kind, key)",
    "CREATE UNIQUE INDEX record_features_newest ON record_features (role, id) WHERE until IS NULL",
    "CREATE UNIQUE INDEX record_items_newest ON record_items (kind, key) WHERE until IS NULL",
)
_TELL: Final = {
    "record_meta": "what this file is",
    "record_revisions": "who saved what, and when",
    "record_features": "every state of every feature",
    "record_items": "every state of values, tapes, input files and the grid",
}
_REFUSE: Final = (
    "This layer shows the newest revision of a siteplan record and is written by siteplan only. Export a "
    "copy to edit it elsewhere."
)


def make_file(path: Path, crs: Mapping[str, str], *, token: str) -> None:
    """A new, empty file with all tables; no revision yet.

    Parameters
    ----------
    path : file to make; must not exist
    crs : CRS of each role
    token : text that no other record has

    Raises
    ------
    OutputError : it cannot be written
    DataError : a CRS that is not understood
    """
    _make_layers(path, crs)
    base = sqlite3.connect(path, isolation_level=None)
    try:
        base.execute("BEGIN")
        base.execute("UPDATE gpkg_geometry_columns SET z = 2")
        for name, statement in HISTORY.items():
            base.execute(statement)
            base.execute(
                "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, srs_id) "
                "VALUES (?, 'attributes', ?, ?, 0)",
                (name, name, _TELL[name]),
            )
        for statement in _INDEXES:
            base.execute(statement)
        meta = {"format": FORMAT, "version": str(VERSION), "token": token, "writing": "no"}
        meta |= {f"crs of {role}": text for role, text in crs.items()}
        base.executemany("INSERT INTO record_meta (key, value) VALUES (?, ?)", list(meta.items()))
        for table in (*ROLES, "record_revisions", "record_features", "record_items"):
            _guard(base, table)
        base.execute("COMMIT")
    finally:
        base.close()


def _make_layers(path: Path, crs: Mapping[str, str]) -> None:
    """Empty layers by the OGR library, so that the CRS and what surrounds it are right."""
    texts = np.empty(0, dtype=object)
    numbers = np.empty(0, dtype=np.int64)
    set_gdal_config_options({"OGR_SQLITE_SYNCHRONOUS": "OFF"})
    try:
        for role in ROLES:
            raw.write(
                str(path),
                texts,
                [texts, texts, texts, texts, numbers],
                ["id", "name", "attributes", "source_file", "source_row"],
                layer=role,
                driver="GPKG",
                geometry_type="Unknown",
                crs=crs[role],
                append=role != ROLES[0],
                dataset_options={"ADD_GPKG_OGR_CONTENTS": "NO"} if role == ROLES[0] else None,
                layer_options={"SPATIAL_INDEX": "NO", "FID": "fid", "GEOMETRY_NAME": "geom"},
            )
    except CRSError:
        raise DataError(
            Fault("crs-unknown", f"the CRS {crs[role][:60]} is not understood", "Name it by its code")
        ) from None
    except (DataSourceError, DataLayerError, OSError) as error:
        raise OutputError(f'"{path.name}" cannot be written: {error}') from None
    finally:
        set_gdal_config_options({"OGR_SQLITE_SYNCHRONOUS": None})


def _guard(base: sqlite3.Connection, table: str) -> None:
    """Other programs are refused in words when they try to change a table."""
    for verb in ("INSERT", "UPDATE", "DELETE"):
        base.execute(
            f"CREATE TRIGGER {table}_{verb.lower()}_by_siteplan BEFORE {verb} ON {table} "
            "WHEN (SELECT value FROM record_meta WHERE key = 'writing') <> 'yes' "
            f"BEGIN SELECT RAISE(ABORT, '{_REFUSE}'); END"
        )
