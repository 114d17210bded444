"""The desk's session: the record, the planned state of its newest revision, and every answer but pictures.

One lock holds the state; what takes time is done on states that never change.
"""

from __future__ import annotations

import hashlib
import tempfile
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from siteplan.catalog import load_line, shipped_lines
from siteplan.desk import measuring, wire
from siteplan.desk.choices import choice_rows
from siteplan.desk.comparing import compared, tape_kinds, tape_rows
from siteplan.desk.drawing import Drawing, Places
from siteplan.desk.exports import export_rows, made_export, write_files
from siteplan.desk.panels import bed_panel, site_panel
from siteplan.desk.reckoning import Reckoned, Worker
from siteplan.desk.rows import feature_rows
from siteplan.desk.state import (
    Edited,
    State,
    changes_between,
    edited,
    numbered,
    shown_part,
    site_after,
    whole_state,
    with_shown,
)
from siteplan.desk.tiles import Tiles
from siteplan.desk.view import MOST_PIECES, Box, plan_answer
from siteplan.desk.wire import Refused
from siteplan.errors import DataError, Fault, OutputError, SiteplanError, UsageError
from siteplan.model import Features
from siteplan.parts import Part
from siteplan.plans import run_names
from siteplan.publish.write import default_folder
from siteplan.record import (
    Change,
    Conflict,
    Content,
    DropFeature,
    DropTape,
    PutRunNames,
    PutTape,
    Record,
    Revision,
    SetOverride,
    applied,
)
from siteplan.revise import start_record
from siteplan.sites import SITE_FILE, Site, load_site
from siteplan.tables import taken
from siteplan.tomlfile import read_toml

ROLES = ("beds", "abutments", "openings")


class Session:
    """One site at the desk.

    Parameters
    ----------
    folder : of the site
    who : name kept with every revision
    """

    def __init__(self, folder: Path, who: str, record: Record | None = None) -> None:
        self.folder = folder
        self.who = who
        self.lock = threading.RLock()
        self.record = record or start_record(folder, who=who)
        self.state = self._loaded()
        self.places = Places(self.state.site.frame, self.state.site.beds.crs)
        for role in ROLES:
            self.places.learn(self.state.content.features[role])
        self.can_write, self.why_not = _writable(folder)
        pictures = self.state.site.pictures
        self.tiles = Tiles(() if pictures is None else pictures.pictures, self.state.site.frame)
        self.worker = Worker(self._consolidated)
        self.worker.want(self.state)

    def close(self) -> None:
        """End what runs beside the answers."""
        self.worker.stop()
        self.tiles.close()

    # --- states

    def _loaded(self) -> State:
        """The newest revision, planned from the start."""
        revision = self.record.newest()
        content = self.record.content(revision.number)
        return whole_state(revision.number, revision.etag, content, self._site(content))

    def _site(self, content: Content) -> Site:
        return load_site(self.folder, content=content, allow_empty=True)

    def _consolidated(self, state: State, made: Reckoned) -> None:
        """The whole site planned in one piece takes the place of the parts it was put together from."""
        with self.lock:
            if made.part is not None and self.state.etag == state.etag and len(self.state.shown) > 1:
                self.state = with_shown(self.state, (shown_part(made.part),))

    def whole(self) -> Part:
        """The whole site, planned in one piece.

        Raises
        ------
        Refused : it has no bed yet
        """
        part = self.worker.wait(self.now()).part
        if part is None:
            raise Refused(422, "There is no bed yet, so there is no plan", "Draw a bed first")
        return part

    def now(self) -> State:
        """The state of the newest revision; read again where somebody else has saved."""
        with self.lock:
            newest = self.record.newest()
            if newest.etag != self.state.etag:
                self.state = self._followed(newest)
                self.worker.want(self.state)
            return self.state

    def _followed(self, newest: Revision) -> State:
        """The state of a revision somebody else made, or that was gone back to: what differs is planned."""
        content = self.record.content(newest.number)
        changes = changes_between(self.state.content, content)
        for role in ROLES:
            self.places.learn(content.features[role])
        made = self._moved_to(self.state, content, changes).state
        return numbered(made, newest.number, newest.etag)

    def head(self) -> dict[str, Any]:
        """Number and tag of the newest revision."""
        newest = self.record.newest()
        return {"revision": newest.number, "etag": newest.etag}

    def _edited(self, state: State, changes: Sequence[Change]) -> Edited:
        made = self._moved_to(state, applied(state.content, changes), changes)
        _refuse_named(made.state.site, changes)
        return made

    def _moved_to(self, state: State, content: Content, changes: Sequence[Change]) -> Edited:
        """The state with another content, to which the changes lead."""
        if any(isinstance(c, (SetOverride, PutTape, DropTape)) for c in changes):
            site = self._site(content)
        else:
            site = site_after(state.site, content, changes)
        return edited(state, content, site, changes)

    # --- changes

    def drawn(self, state: State, changes: Sequence[dict[str, Any]]) -> Drawing:
        """Changes of the wire as changes of the record."""
        drawing = Drawing(state.content.features, self.places, state.content.tape_keys)
        for change in changes:
            drawing.change(change)
        return drawing

    def attempt(self, base: int, changes: Sequence[dict[str, Any]]) -> dict[str, Any]:
        """What changes would make of the plan; nothing is saved."""
        state = self._at(base)
        drawing = self.drawn(state, changes)
        return self._answer(self._planned(state, drawing.made), drawing)

    def save(
        self, base: int, etag: str | None, what: str, changes: Sequence[dict[str, Any]]
    ) -> dict[str, Any]:
        """Changes saved as the next revision.

        Raises
        ------
        Refused : 412 where somebody saved in between, 422 for what cannot be planned, 507 for a disk that
            takes nothing
        """
        with self.lock:
            state = self._at(base, etag)
            drawing = self.drawn(state, changes)
            done = self._planned(state, drawing.made)
            # what runs are called is kept with the revision, so that they keep their names later on
            parts = [each.view.part for each in done.fresh]
            names = [PutRunNames(bed, n) for part in parts for bed, n in run_names(part.site).items()]
            kept = [*drawing.made, *names]
            revision = self._saving(lambda: self.record.save(base, kept, who=self.who, what=what, etag=etag))
            content = applied(done.state.content, names) if names else None
            self.state = numbered(done.state, revision.number, revision.etag, content)
            self._learn(drawing)
            self.worker.want(self.state)
            done = Edited(self.state, done.affected, done.fresh)
        answer = self._answer(done, drawing)
        return {**answer, "revision": revision.number, "etag": revision.etag}

    def undo(self, base: int, revision: int) -> dict[str, Any]:
        """What one revision changed, taken back."""
        return self._turned(lambda: self.record.undo(base, revision, who=self.who))

    def back(self, base: int, to: int) -> dict[str, Any]:
        """Back to the content of a revision."""
        return self._turned(lambda: self.record.go_back(base, to, who=self.who))

    def _turned(self, save: Callable[[], Revision]) -> dict[str, Any]:
        with self.lock:
            revision = self._saving(save)
            self.now()
            return {"revision": revision.number, "etag": revision.etag, "reload": True}

    def _saving(self, save: Callable[[], Revision]) -> Revision:
        try:
            return save()
        except Conflict as conflict:
            raise self._conflict(conflict) from None
        except OutputError as error:
            raise Refused(
                507, f"Not saved: {error}", "Your drawing is still in the page", why=str(error)
            ) from None
        except DataError as error:
            raise refused(error, None) from None
        except UsageError as error:
            raise Refused(422, str(error)) from None

    def _conflict(self, conflict: Conflict) -> Refused:
        made = Refused(412, str(conflict), "Look at the newer revision, then make the change again")
        made.more = {
            "conflict": conflict.head,
            "who": conflict.who,
            "what": conflict.what,
            "when": conflict.when,
        }
        return made

    def _at(self, base: int, etag: str | None = None) -> State:
        """The state the changes were made on.

        Raises
        ------
        Refused : 412, it is not the newest revision
        """
        state = self.now()
        if base != state.revision or (etag is not None and etag != state.etag):
            raise self._conflict(Conflict(self.record.newest(), base))
        return state

    def _planned(self, state: State, changes: Sequence[Change]) -> Edited:
        try:
            return self._edited(state, changes)
        except DataError as error:
            raise refused(error, state.site) from None
        except UsageError as error:
            raise Refused(422, str(error)) from None

    def _learn(self, drawing: Drawing) -> None:
        for role, feature_id in drawing.new:
            table = self.state.content.features[role]
            self.places.learn(_one(table, feature_id))

    def _answer(self, done: Edited, drawing: Drawing) -> dict[str, Any]:
        state = done.state
        beds = [i for role, i in drawing.new if role == "beds"]
        beds += [
            c.path[1]
            for c in drawing.made
            if isinstance(c, SetOverride) and c.path[0] == "bed" and c.path[1:]
        ]
        gone = [{"role": c.role, "id": c.id} for c in drawing.made if isinstance(c, DropFeature)]
        kept = {(g["role"], g["id"]) for g in gone}
        put = list(dict.fromkeys(drawing.new))
        panel = None
        found = state.find(beds[0]) if beds else None
        if found is not None:
            shown, k = found
            panel = bed_panel(shown.view.part, k, state.revision)
        return {
            "revision": state.revision,
            "plan": plan_answer(done.fresh),
            "affected": list(done.affected),
            "panel": panel,
            "site": self._site_panel(state),
            "features": [
                f
                for role, i in put
                if (role, i) not in kept
                for f in feature_rows(state.site.frame, role, _one(state.content.features[role], i))
            ],
            "dropped": gone,
            "faults": [],
        }

    # --- looking

    def site(self) -> dict[str, Any]:
        """What the page asks first."""
        state = self.now()
        site = state.site
        own = site.line
        lines = [{"key": key, "name": load_line(key).name} for key in shipped_lines()]
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
            "bounds": self._bounds(state),
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
        for role in ROLES:
            table = state.content.features[role]
            made += feature_rows(state.site.frame, role, table, box)
        return {"revision": state.revision, "features": made}

    def plan(self, box: Box | None, zoom: float | None) -> dict[str, Any]:
        """The plan in view."""
        state = self.now()
        return {"revision": state.revision, **plan_answer(state.shown, box=box, zoom=zoom)}

    def panel(self, bed: str | None) -> dict[str, Any]:
        """The panel of a bed, or of the site."""
        state = self.now()
        if bed is None:
            return self._site_panel(state)
        found = state.find(bed)
        if found is None:
            raise Refused(404, f'there is no bed "{bed[:80]}" in the plan')
        shown, k = found
        return bed_panel(shown.view.part, k, state.revision)

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
        found = tape_rows(self.whole(), bed, keys) if len(state.site.beds) else []
        return {"rows": found, "kinds": tape_kinds(state.site)}

    def compare(self, lines: list[str]) -> dict[str, Any]:
        """Product lines side by side."""
        return compared(self.whole().site, lines)

    def export(self, name: str) -> tuple[bytes, str, str]:
        """A download."""
        return made_export(name, self.whole(), self.state.revision)

    def write(self) -> dict[str, Any]:
        """The plan's folder, as the command line writes it."""
        folder = default_folder(self.folder).resolve()
        written = write_files(self.whole(), folder)
        return {"folder": str(written.folder), "files": list(written.files)}

    def revisions(self) -> dict[str, Any]:
        """Every revision, the newest first."""
        made = [
            {"number": r.number, "who": r.who, "when": r.when, "what": r.what, "back_to": r.back_to}
            for r in reversed(self.record.revisions())
        ]
        return {"revisions": made}


# ---------------------------------------------------------------- helpers


def _writable(folder: Path) -> tuple[bool, str | None]:
    """Whether the folder takes a file, and why not."""
    try:
        with tempfile.TemporaryFile(dir=folder):
            return True, None
    except OSError as error:
        return False, f'"{folder.name}" takes no file: {error.strerror or error}'


def _one(table: Features, feature_id: str) -> Features:
    return taken(table, table.ids == feature_id)


def _refuse_named(site: Site, changes: Sequence[Change]) -> None:
    """Refuse to take out a bed that site.toml speaks of."""
    gone = {c.id for c in changes if isinstance(c, DropFeature) and c.role == "beds"}
    if not gone:
        return
    gone -= {str(i) for i in site.beds.ids}
    said = site.settings
    named = {bed: f"[bed.{bed}]" for bed in said.bed}
    for row in said.row:
        named.update(dict.fromkeys(row.beds or (), "[[row]] beds"))
    for entry in said.edge_owner:
        named.update(dict.fromkeys(entry.beds, "[[edge_owner]]"))
    faults = [
        Fault(
            "named-in-settings",
            f'bed "{bed}" is named in {named[bed]} of site.toml',
            "Take it out there first, or leave the bed and skip its edging",
            feature=bed,
        )
        for bed in sorted(gone & set(named))
    ]
    if faults:
        raise DataError(*faults)


def refused(error: SiteplanError, site: Site | None) -> Refused:
    """Faults as an answer."""
    faults = error.faults if isinstance(error, DataError) else ()
    rows = [
        {
            "what": f.what,
            "where": f.where or None,
            "mend": f.remedy,
            "bed": f.feature,
            "at": None
            if f.place_xy is None or site is None
            else np.round(site.frame.wgs84(np.array([f.place_xy]))[0], 10).tolist(),
        }
        for f in faults
    ]
    answer = Refused(422, str(error))
    answer.more = {"faults": rows} if rows else {}
    return answer
