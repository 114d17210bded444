"""Drawings from the page to changes of the record: places, ids, splits, merges, islands."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import shapely

from siteplan.desk.choices import typed
from siteplan.desk.figures import filled, is_closed, merged_parts, split_parts
from siteplan.desk.wire import Refused
from siteplan.errors import DataError
from siteplan.frame import Frame
from siteplan.geodesy import crs_facts
from siteplan.model import Features, RingKind
from siteplan.record import Change, DropFeature, DropTape, PutFeature, PutTape, SetOverride
from siteplan.record.table import entry_of
from siteplan.types import FloatArray, LonLatArray

_TEN: Final = 1e10
WORDS: Final = {"beds": "bed", "abutments": "abutment", "openings": "opening"}


def wire_key(lonlat: LonLatArray) -> list[tuple[int, int]]:
    """Places as the page has them, to the tenth decimal, as whole numbers."""
    return [(int(a), int(b)) for a, b in np.rint(np.asarray(lonlat) * _TEN).astype(np.int64).tolist()]


@dataclass(frozen=True, eq=False)
class Places:
    """Where the vertices the page was sent come from: their exact source coordinates."""

    frame: Frame
    crs: str
    known: dict[tuple[int, int], tuple[float, float]] = field(default_factory=dict)
    heights: dict[tuple[int, int], float] = field(default_factory=dict)

    def learn(self, features: Features) -> None:
        """Remember the vertices of some features; those of another CRS are left out."""
        if features.crs != self.crs or not len(features.coords):
            return
        keys = wire_key(wire_places(self.frame, features))
        self.known.update(zip(keys, map(tuple, features.coords.tolist()), strict=True))
        some = np.flatnonzero(np.isfinite(features.z))
        self.heights.update({keys[k]: float(features.z[k]) for k in some.tolist()})

    def source(self, lonlat: Sequence[Sequence[float]], kind: int) -> FloatArray:
        """(n, 2 or 3) source coordinates; exactly the old ones of a vertex that came back as it was sent.

        With heights where any of the vertices has one: those of new vertices between their neighbours'.

        Parameters
        ----------
        lonlat : vertices of a ring
        kind : of the ring
        """
        keys = wire_key(np.array(lonlat, dtype=np.float64).reshape(-1, 2))
        new = [k for k, key in enumerate(keys) if key not in self.known]
        out = np.array([self.known.get(key, (np.nan, np.nan)) for key in keys], dtype=np.float64)
        if new:
            places = np.array([lonlat[k] for k in new], dtype=np.float64)
            out[new] = to_source(self.frame, self.crs, places)
        z = np.array([self.heights.get(key, np.nan) for key in keys])
        if not np.isfinite(z).any():
            return out
        return np.column_stack([out, filled(out, z, closed=is_closed(kind))])


def places_of(frame: Frame, features: Mapping[str, Features]) -> dict[str, Places]:
    """Places of each role in the CRS it is kept in; roles of one CRS share theirs."""
    of_crs = {table.crs: Places(frame, table.crs) for table in features.values()}
    made = {role: of_crs[table.crs] for role, table in features.items()}
    for role, table in features.items():
        made[role].learn(table)
    return made


def to_source(frame: Frame, crs: str, lonlat: LonLatArray) -> FloatArray:
    """WGS 84 places in a source CRS.

    Raises
    ------
    Refused : a place the CRS does not have
    """
    if crs_facts(crs).code == "EPSG:4326":
        return lonlat
    try:
        coords = frame.coords(frame.ground_xy(lonlat, "EPSG:4326"), crs)
    except DataError as error:
        raise Refused(422, error.faults[0].what, error.faults[0].remedy) from None
    if not np.isfinite(coords).all():
        raise Refused(422, "a vertex lies where the site's grid does not reach", "Draw it on the site")
    return coords


def wire_places(frame: Frame, features: Features) -> LonLatArray:
    """(v, 2) vertices as the page gets them, before rounding."""
    if not len(features.coords):
        return np.zeros((0, 2))
    if crs_facts(features.crs).code == "EPSG:4326":
        return features.coords
    return frame.wgs84(frame.ground_xy(features.coords, features.crs))


def new_id(role: str, taken: Sequence[str]) -> str:
    """An id in the manner of those there are: the commonest beginning, and the next number."""
    word = {"beds": "B", "abutments": "A", "openings": "O"}[role]
    parts = [m for m in (re.fullmatch(r"(.*?)(\d{1,9})", i) for i in taken) if m]
    stem, width = word, 2
    if parts:
        stems = [m[1] for m in parts]
        stem = max(dict.fromkeys(stems), key=stems.count)
        width = max(len(m[2]) for m in parts if m[1] == stem)
    held = set(taken)
    number = max((int(m[2]) for m in parts if m[1] == stem), default=0) + 1
    while f"{stem}{number:0{width}d}" in held:
        number += 1
    return f"{stem}{number:0{width}d}"


@dataclass(eq=False)
class Drawing:
    """Changes of one request, on the features there are.

    Parameters
    ----------
    features : by role, before the changes
    places : source coordinates of known vertices, by role
    tapes : keys of the readings there are
    """

    features: Mapping[str, Features]
    places: Mapping[str, Places]
    tapes: Sequence[str] = ()
    made: list[Change] = field(default_factory=list)
    new: list[tuple[str, str]] = field(default_factory=list)
    """role and id of what was put, in order"""
    _held: dict[tuple[str, str], PutFeature | None] = field(default_factory=dict)

    def change(self, change: Mapping[str, Any]) -> None:
        """Take one change of the wire.

        Raises
        ------
        Refused : it cannot be done, with why
        """
        getattr(self, f"_{change['op']}")(change)

    # --- what is there

    def _ids(self, role: str) -> list[str]:
        own = {i for (r, i), put in self._held.items() if r == role and put is not None}
        gone = {i for (r, i), put in self._held.items() if r == role and put is None}
        there = [str(i) for i in self.features[role].ids if str(i) not in gone]
        return [*there, *(i for i in own if i not in set(there))]

    def _get(self, role: str, feature_id: str) -> PutFeature:
        held = self._held.get((role, feature_id), "")
        if isinstance(held, PutFeature):
            return held
        table = self.features[role]
        at = np.flatnonzero(table.ids == feature_id)
        if held is None or not len(at):
            raise Refused(
                422, f'there is no {WORDS[role]} "{feature_id}" any more', "Look at the newest revision"
            )
        was = entry_of(table, int(at[0]))
        return PutFeature(role, was.id, was.name, was.rings, was.kinds, was.attributes)

    def _keep(self, put: PutFeature) -> None:
        self.made.append(put)
        self._held[put.role, put.id] = put
        self.new.append((put.role, put.id))

    def _take_out(self, role: str, feature_id: str) -> None:
        self.made.append(DropFeature(role, feature_id))
        self._held[role, feature_id] = None

    # --- changes

    def _put(self, change: Mapping[str, Any]) -> None:
        role, given = change["role"], change["id"]
        feature_id = new_id(role, self._ids(role)) if given is None else given
        known = given is not None and given in self._ids(role)
        before = self._get(role, feature_id) if known else None
        if change["name"] is not None:
            name = change["name"]
        else:
            name = before.name if before is not None else feature_id
        attributes = dict(before.attributes) if before is not None else {}
        attributes.update(change["attributes"])
        self._keep(
            PutFeature(
                role,
                feature_id,
                name or feature_id,
                [
                    self.places[role].source(ring, kind)
                    for ring, kind in zip(change["rings"], change["kinds"], strict=True)
                ],
                change["kinds"],
                {k: v for k, v in attributes.items() if v is not None},
            )
        )

    def _drop(self, change: Mapping[str, Any]) -> None:
        self._get(change["role"], change["id"])
        self._take_out(change["role"], change["id"])

    def _island(self, change: Mapping[str, Any]) -> None:
        bed = self._get("beds", change["id"])
        ring = self.places["beds"].source(change["ring"], RingKind.ISLAND)
        hole = shapely.Polygon(ring[:, :2])
        outers = [k for k, kind in enumerate(bed.kinds) if kind == RingKind.OUTER]
        for k in outers:
            end = next((j for j in range(k + 1, len(bed.kinds)) if bed.kinds[j] != RingKind.ISLAND), None)
            if shapely.Polygon(np.asarray(bed.rings[k])[:, :2]).contains(hole):
                at = len(bed.kinds) if end is None else end
                rings, kinds = list(bed.rings), list(bed.kinds)
                rings.insert(at, ring)
                kinds.insert(at, int(RingKind.ISLAND))
                self._keep(PutFeature("beds", bed.id, bed.name, rings, kinds, bed.attributes))
                return
        raise Refused(
            422,
            f'the island does not lie wholly inside bed "{bed.id}"',
            "Draw it inside the outline, or split the bed",
        )

    def _split(self, change: Mapping[str, Any]) -> None:
        role = change["role"]
        whole = self._get(role, change["id"])
        cut = shapely.LineString(self.places[role].source(change["line"], RingKind.LINE)[:, :2])
        parts = split_parts(whole, cut)
        if len(parts) < 2:
            raise Refused(
                422,
                f'the line does not divide {WORDS[role]} "{whole.id}"',
                "Draw it right across, from outside to outside",
            )
        for k, (rings, kinds) in enumerate(parts):
            feature_id = whole.id if k == 0 else new_id(role, self._ids(role))
            name = whole.name if k == 0 else f"{whole.name}, part {k + 1}"
            name = feature_id if whole.name == whole.id else name
            self._keep(PutFeature(role, feature_id, name, rings, kinds, whole.attributes))

    def _merge(self, change: Mapping[str, Any]) -> None:
        role = change["role"]
        ids = list(dict.fromkeys(change["ids"]))
        if len(ids) < 2:
            raise Refused(422, "name two different features to merge", "")
        all_of = [self._get(role, i) for i in ids]
        rings, kinds = merged_parts(all_of)
        first = all_of[0]
        for other in all_of[1:]:
            self._take_out(role, other.id)
        self._keep(PutFeature(role, first.id, first.name, rings, kinds, first.attributes))

    def _set(self, change: Mapping[str, Any]) -> None:
        path = tuple(change["path"])
        self.made.append(SetOverride(path, typed(path, change["value"])))

    def _tape(self, change: Mapping[str, Any]) -> None:
        key = change["key"]
        if key is None:
            held = {*self.tapes, *(c.key for c in self.made if isinstance(c, PutTape))}
            key = next(f"d{n}" for n in range(1, len(held) + 2) if f"d{n}" not in held)
        row = {"id": key, "of": change["leg"], "reading": change["reading"]}
        kind = change["kind"] or ""
        if kind.startswith("tape:"):
            row["tape"] = kind.removeprefix("tape:")
        elif kind:
            row["kind"] = kind
        self.made.append(PutTape(key, row))

    def _drop_tape(self, change: Mapping[str, Any]) -> None:
        self.made.append(DropTape(change["key"]))
