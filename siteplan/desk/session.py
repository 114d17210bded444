"""The desk's session: the record, the planned state of its newest revision, trying and saving changes.

One lock holds the state; what takes time is done on states that never change.
"""

from __future__ import annotations

import tempfile
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from siteplan.desk.drawing import Drawing, places_of
from siteplan.desk.looking import Looking
from siteplan.desk.panels import bed_panel, tried_panel
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
from siteplan.desk.view import plan_answer
from siteplan.desk.wire import ROLES, Refused
from siteplan.desk.words import seen_from
from siteplan.errors import DataError, Fault, OutputError, SiteplanError, UsageError
from siteplan.model import Features
from siteplan.parts import Part
from siteplan.plans import run_names
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
from siteplan.record.merging import value_at
from siteplan.revise import start_record
from siteplan.settings import SiteSettings
from siteplan.sites import SITE_FILE, Site, load_site
from siteplan.tables import taken
from siteplan.tomlfile import read_toml


class Session(Looking):
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
        self.places = places_of(self.state.site.frame, self.state.content.features)
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
            if made.part is None or self.state.etag != state.etag:
                return
            if self.state.shown[0].view.part.plan is not made.part.plan:
                self.state = with_shown(self.state, (shown_part(made.part),))
            if made.why is None:
                self.state.shown[0].view.__dict__["findings"] = made.found

    def whole(self, state: State) -> Part:
        """The whole site of a state, planned in one piece.

        Raises
        ------
        Refused : it has no bed yet, or cannot be planned
        """
        made = self.worker.wait(state)
        if made.part is None and made.why is not None:
            raise Refused(422, made.why)
        if made.part is None:
            raise Refused(422, "There is no bed yet, so there is no plan", "Draw a bed first")
        return made.part

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
        made = self._with(self.state, self.record.content(newest.number))
        return numbered(made, newest.number, newest.etag)

    def _with(self, state: State, content: Content) -> State:
        """The state with another content: what differs is planned."""
        for role in ROLES:
            self.places[role].learn(content.features[role])
        return self._moved_to(state, content, changes_between(state.content, content)).state

    def head(self) -> dict[str, Any]:
        """Number and tag of the newest revision."""
        newest = self.record.newest()
        return {"revision": newest.number, "etag": newest.etag}

    def _edited(self, state: State, changes: Sequence[Change]) -> Edited:
        content = applied(state.content, changes)
        self._refuse_named(state, content.dropped - state.content.dropped)
        return self._moved_to(state, content, changes)

    def _moved_to(self, state: State, content: Content, changes: Sequence[Change]) -> Edited:
        """The state with another content, to which the changes lead."""
        gone, come = (a.dropped - b.dropped for a, b in ((content, state.content), (state.content, content)))
        # settings say nothing of beds that are gone, and again what they said of those that come back
        if (
            any(isinstance(c, (SetOverride, PutTape, DropTape)) for c in changes)
            or come
            or gone & _named(state.site.settings).keys()
        ):
            site = self._site(content)
        else:
            site = site_after(state.site, content, changes)
        return edited(state, content, site, changes)

    def _refuse_named(self, state: State, gone: frozenset[str]) -> None:
        """Refuse to take out beds that site.toml speaks of."""
        named = {bed: where for bed, where in _named(state.site.settings).items() if bed in gone}
        # what was set for a bed at the desk goes with it
        if gone & state.content.overrides.get("bed", {}).keys():
            said = read_toml(self.folder / SITE_FILE)
            own = {bed for bed, where in named.items() if where == f"[bed.{bed}]"}
            named = {b: w for b, w in named.items() if b not in own or value_at(said, ("bed", b))[0]}
        faults = [
            Fault(
                "named-in-settings",
                f'bed "{bed}" is named in {where} of site.toml',
                "Take it out there first, or leave the bed and skip its edging",
                feature=bed,
            )
            for bed, where in sorted(named.items())
        ]
        if faults:
            raise DataError(*faults)

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
        self.worker.put_off()
        done = self._planned(state, drawing.made)
        return self._answer(done, drawing, tried_panel(done.state))

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
        answer = self._answer(done, drawing, self._site_panel(done.state))
        return {**answer, "revision": revision.number, "etag": revision.etag}

    def undo(self, base: int, revision: int) -> dict[str, Any]:
        """What one revision changed, taken back."""
        return self._turned(base, lambda check: self.record.undo(base, revision, who=self.who, check=check))

    def back(self, base: int, to: int) -> dict[str, Any]:
        """Back to the content of a revision."""
        return self._turned(base, lambda check: self.record.go_back(base, to, who=self.who, check=check))

    def _turned(self, base: int, save: Callable[[Callable[[Content], None]], Revision]) -> dict[str, Any]:
        """A revision the record makes of earlier ones, saved only where it can be planned."""
        made: list[State] = []
        with self.lock:
            state = self._at(base)
            revision = self._saving(lambda: save(lambda content: made.append(self._with(state, content))))
            self.state = numbered(made[0], revision.number, revision.etag)
            self.worker.want(self.state)
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
            raise refused(error, self.state.site) from None
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
            self.places[role].learn(_one(table, feature_id))

    def _answer(self, done: Edited, drawing: Drawing, site: dict[str, Any]) -> dict[str, Any]:
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
            panel = bed_panel(shown.view, k, state.revision)
        return {
            "revision": state.revision,
            "plan": plan_answer(done.fresh),
            "affected": list(done.affected),
            "panel": panel,
            "site": site,
            "features": [
                f
                for role, i in put
                if (role, i) not in kept
                for f in feature_rows(state.site.frame, role, _one(state.content.features[role], i))
            ],
            "dropped": gone,
            "faults": [],
        }


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


def _named(said: SiteSettings) -> dict[str, str]:
    """Beds that settings speak of, and where."""
    named = {bed: f"[bed.{bed}]" for bed in said.bed}
    for row in said.row:
        named.update(dict.fromkeys(row.beds or (), "[[row]] beds"))
    for entry in said.edge_owner:
        named.update(dict.fromkeys(entry.beds, "[[edge_owner]]"))
    return named


def refused(error: SiteplanError, site: Site | None) -> Refused:
    """Faults as an answer."""
    error = error if site is None else seen_from(site.folder, error)
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
