"""What the desk's page is told: the site, its plan in view, panels, settings, tapes, downloads."""

from __future__ import annotations

import hashlib
from abc import ABC, abstractmethod
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from siteplan.catalog import load_line, shipped_lines
from siteplan.desk import measuring, wire
from siteplan.desk.choices import choice_rows
from siteplan.desk.comparing import compared, tape_kinds, tape_rows
from siteplan.desk.exports import export_rows, made_export, write_files
from siteplan.desk.panels import bed_panel, site_panel
from siteplan.desk.reckoning import Worker
from siteplan.desk.rows import Sent
from siteplan.desk.state import State
from siteplan.desk.tiles import Tiles
from siteplan.desk.view import MOST_PIECES, Box, plan_answer
from siteplan.desk.wire import ROLES, Refused
from siteplan.parts import Part
from siteplan.publish.write import default_folder
from siteplan.record import Record
from siteplan.sites import SITE_FILE
from siteplan.tomlfile import read_toml

T = TypeVar("T")


class Looking(ABC):
    """Answers that change nothing."""

    folder: Path
    who: str
    record: Record
    state: State
    tiles: Tiles
    worker: Worker
    can_write: bool
    why_not: str | None

    @abstractmethod
    def now(self) -> State:
        """The state of the newest revision."""

    @abstractmethod
    def whole(self, state: State) -> Part:
        """The whole site of a state, planned in one piece."""

    def site(self) -> dict[str, Any]:
        """What the page asks first."""
        self.worker.hold()
        state = self.now()
        site = state.site
        own = site.line
        lines = [dict(row) for row in _shipped()]
        if own.key not in {line["key"] for line in lines}:
            lines.insert(0, {"key": site.settings.line, "name": own.name})
        return {
            "name": site.settings.name,
            "key": hashlib.sha256(str(self.folder.resolve()).encode()).hexdigest()[:16],
            "revision": state.revision,
            "etag": state.etag,
            "units": site.settings.show.units,
            "line": {"key": site.settings.line, "name": own.name},
            "lines": lines,
            "overrides": state.content.overrides,
            "bounds": _kept(state, "bounds", self._bounds),
            "beds_count": len(site.beds),
            "pictures": [p.row for p in self.tiles.pictures],
            "tile_sources": [
                {"name": t.name, "url": t.url, "attribution": t.attribution} for t in site.settings.desk.tiles
            ],
            "grid": {"name": site.frame.name, "unit": site.frame.unit},
            "length_basis": site.settings.length_basis,
            "who": self.who,
            "can_write": self.can_write,
            "why_not": self.why_not,
            "exports": export_rows(),
            "piece_limit": MOST_PIECES,
        }

    def _bounds(self, state: State) -> list[float]:
        """West, south, east, north of what is drawn; of the pictures where nothing is yet."""
        site = state.site
        xy = np.concatenate([s.xy for s in (site.bed_shapes, site.abutment_shapes, site.opening_shapes)])
        if len(xy):
            lonlat = site.frame.wgs84(xy)
            return [*lonlat.min(axis=0).tolist(), *lonlat.max(axis=0).tolist()]
        boxes = np.array([p.bounds for p in self.tiles.pictures]).reshape(-1, 4)
        if len(boxes):
            return [*boxes[:, :2].min(axis=0).tolist(), *boxes[:, 2:].max(axis=0).tolist()]
        lon, lat = site.frame.wgs84(np.zeros((1, 2)))[0].tolist()
        return [lon - 0.001, lat - 0.001, lon + 0.001, lat + 0.001]

    def features(self, box: Box | None) -> dict[str, Any]:
        """Features in view."""
        state = self.now()
        made: list[dict[str, Any]] = []
        for sent in _kept(state, "sent", _sent):
            made += sent.within(box)
        return {"revision": state.revision, "features": made}

    def plan(self, box: Box | None, zoom: float | None) -> dict[str, Any]:
        """The plan in view."""
        state = self.now()
        made = plan_answer(state.shown, box=box, zoom=zoom)
        self.worker.release()
        return {"revision": state.revision, **made}

    def panel(self, bed: str | None) -> dict[str, Any]:
        """The panel of a bed, or of the site."""
        state = self.now()
        if bed is None:
            return self._site_panel(state)
        found = state.find(bed)
        if found is None:
            raise Refused(404, f'there is no bed "{bed[:80]}" in the plan')
        shown, k = found
        return bed_panel(shown.view, k, state.revision)

    def _site_panel(self, state: State) -> dict[str, Any]:
        done = self.worker.get(state)
        return site_panel(
            state.site.settings.name,
            state.shown,
            state.revision,
            findings=None if done is None else done.findings,
            cost=None if done is None else done.cost,
        )

    def settings(self, bed: str | None) -> dict[str, Any]:
        """Settings of the site, or of a bed."""
        state = self.now()
        if bed is not None and bed not in {str(i) for i in state.site.beds.ids}:
            raise Refused(404, f'there is no bed "{bed[:80]}"')
        said = read_toml(self.folder / SITE_FILE)
        return {"rows": choice_rows(state.site, state.content.overrides, said, bed)}

    def geometry(self, body: dict[str, Any]) -> dict[str, Any]:
        """Help with drawing."""
        state = self.now()
        op = wire.choice(body.get("op"), "op", measuring.GEOMETRY)
        if op == "snap":
            return measuring.snap(state.site, state.snapping, body)
        make = {"next": measuring.next_point, "arc": measuring.arc, "length": measuring.side_lengths}
        return make[op](state.site, body)

    def measure(self, body: dict[str, Any]) -> dict[str, Any]:
        """Lengths along some places."""
        return measuring.measured(self.now().site, body)

    def at(self, lon: float, lat: float) -> dict[str, str]:
        """A place in the site's grid and in degrees."""
        return measuring.place_text(self.state.site, lon, lat)

    def tapes(self, bed: str | None) -> dict[str, Any]:
        """Readings beside the map."""
        state = self.now()
        content = state.content
        keys = {row.get("id") or key: key for key, row in zip(content.tape_keys, content.tapes, strict=True)}
        found = tape_rows(self.whole(state), bed, keys) if len(state.site.beds) else []
        return {"rows": found, "kinds": tape_kinds(state.site)}

    def compare(self, lines: list[str]) -> dict[str, Any]:
        """Product lines side by side."""
        return compared(self.whole(self.now()).site, lines)

    def export(self, name: str) -> tuple[bytes, str, str]:
        """A download."""
        state = self.now()
        return made_export(name, self.whole(state), state.revision)

    def write(self) -> dict[str, Any]:
        """The plan's folder, as the command line writes it."""
        folder = default_folder(self.folder).resolve()
        written = write_files(self.whole(self.now()), folder)
        return {"folder": str(written.folder), "files": list(written.files)}

    def revisions(self) -> dict[str, Any]:
        """Every revision, the newest first."""
        made = [
            {"number": r.number, "who": r.who, "when": r.when, "what": r.what, "back_to": r.back_to}
            for r in reversed(self.record.revisions())
        ]
        return {"revisions": made}


def _kept(state: State, name: str, make: Callable[[State], T]) -> T:
    """What is made of a state once, and kept with it."""
    if name not in state.__dict__:
        state.__dict__[name] = make(state)
    found: T = state.__dict__[name]
    return found


def _sent(state: State) -> list[Sent]:
    return [Sent(state.site.frame, role, state.content.features[role]) for role in ROLES]


@cache
def _shipped() -> tuple[dict[str, str], ...]:
    return tuple({"key": key, "name": load_line(key).name} for key in shipped_lines())
