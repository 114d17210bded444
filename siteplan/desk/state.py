"""The site as it stands at a revision, planned; and what a change makes of it.

A :class:`State` never changes: a change makes a new one, in which the parts it did not touch are
the very same objects.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Final

import numpy as np

from siteplan.desk.measuring import Snapping
from siteplan.desk.view import PartView, Shown
from siteplan.desk.words import Words
from siteplan.eaves import roofs_to_walls
from siteplan.inputs import line_place
from siteplan.model import Features, Shapes
from siteplan.own_lines import OwnLines, read_own_lines
from siteplan.parts import Neighbours, Part, forms, index_of, plan_part, planned
from siteplan.pictures import PictureCheck, traced_from
from siteplan.record import Change, Content, DropFeature, PutFeature, PutTape, SetOverride
from siteplan.record.content import leaves
from siteplan.sites import SITE_FILE, Site
from siteplan.tables import picked, taken, with_feature, without
from siteplan.types import FloatArray, IntArray
from siteplan.units import um_to_m

ONLY_THE_ORDER: Final = ("spares", "order", "phase", "groundwork", "reconcile", "stakeout")
"""settings that move no piece"""


@dataclass(frozen=True, eq=False)
class State:
    """A revision, planned."""

    revision: int
    etag: str
    content: Content
    site: Site
    """the whole site, in ground metres"""
    shown: tuple[Shown, ...]
    """parts, each with the beds it still stands for; every bed stands in one"""

    @cached_property
    def near(self) -> Neighbours:
        """Which beds plan together."""
        return Neighbours.of(self.site)

    def find(self, bed: str) -> tuple[Shown, int] | None:
        """The part of a bed, and its index there; None where there is no such bed."""
        for each in reversed(self.shown):
            k = each.view.index.get(bed)
            if k is not None and each.live[k]:
                return each, k
        return None

    @cached_property
    def snapping(self) -> Snapping:
        """What there is to snap to."""
        return Snapping(self.site, self.content.features)

    @property
    def words(self) -> Words:
        """How the site shows its numbers."""
        return Words.of(self.site)


def shown_part(part: Part) -> Shown:
    """A part with all of its beds."""
    return Shown(PartView(part, Words.of(part.site)), np.ones(len(part.site.beds), dtype=np.bool_))


def whole_state(revision: int, etag: str, content: Content, site: Site) -> State:
    """A state planned from the start.

    Raises
    ------
    DataError : what cannot be planned
    """
    shown = (shown_part(planned(site)),) if len(site.beds) else ()
    return State(revision, etag, content, site, shown)


def numbered(state: State, revision: int, etag: str, content: Content | None = None) -> State:
    """The same state, of another revision; with what the record keeps beside it, where that is given."""
    kept = state.content if content is None else content
    site = state.site if content is None else replace(state.site, recorded=content)
    return _carried(state, State(revision, etag, kept, site, state.shown))


def with_shown(state: State, shown: tuple[Shown, ...]) -> State:
    """The same state, planned in other parts."""
    return _carried(state, replace(state, shown=shown))


def _carried(before: State, after: State) -> State:
    """What was made of a state goes with it."""
    for name in ("near", "snapping", "bounds", "sent"):
        if name in before.__dict__:
            after.__dict__[name] = before.__dict__[name]
    return after


@dataclass(frozen=True, eq=False)
class Edited:
    """What a change makes of a state."""

    state: State
    affected: tuple[str, ...]
    """beds that were planned anew, and beds that are gone"""
    fresh: tuple[Shown, ...]
    """what was planned anew"""


def edited(state: State, content: Content, site: Site, changes: Sequence[Change]) -> Edited:
    """The state after changes: only the beds they touch are planned.

    Parameters
    ----------
    state : before
    content, site : after, see :func:`site_after`
    changes : that lead there

    Raises
    ------
    DataError : what cannot be planned
    """
    after = State(state.revision, state.etag, content, site, ())
    if site.settings is state.site.settings:
        # the same settings: neighbours reach as far as before
        after.__dict__["near"] = state.near.after(site, _ids_by_role(changes))
    touched, everything = _touched(state, after, changes)
    if everything:
        new = whole_state(state.revision, state.etag, content, site)
        beds = {str(i) for i in state.site.beds.ids} | {str(i) for i in site.beds.ids}
        return Edited(new, tuple(sorted(beds)), new.shown)
    old = (
        state.near.whole(index_of(state.site.beds.ids, touched))
        if len(state.site.beds)
        else np.zeros(0, bool)
    )
    stale = touched | {str(i) for i in state.site.beds.ids[old]}
    keep = index_of(site.beds.ids, stale)
    keep = after.near.whole(keep) if len(keep) else keep
    stale |= {str(i) for i in site.beds.ids[keep]}
    fresh = (shown_part(plan_part(site, keep, after.near)),) if keep.any() else ()
    kept = []
    for each in state.shown:
        live = each.live & ~index_of(each.view.part.site.beds.ids, stale)
        if live.any():
            kept.append(Shown(each.view, live))
    new = replace(after, shown=(*kept, *fresh))
    if "near" in after.__dict__:
        new.__dict__["near"] = after.near
    return Edited(new, tuple(sorted(stale)), fresh)


def _touched(before: State, after: State, changes: Sequence[Change]) -> tuple[set[str], bool]:
    """Beds the changes touch; or that they touch everything."""
    touched: set[str] = set()
    for change in changes:
        if isinstance(change, (PutFeature, DropFeature)):
            if change.role == "beds":
                touched.add(change.id)
                continue
            for state in (before, after):
                site = state.site
                shapes = site.abutment_shapes if change.role == "abutments" else site.opening_shapes
                one = taken(shapes, shapes.ids == change.id)
                if len(one) and len(site.beds):
                    touched |= {str(i) for i in site.beds.ids[state.near.beside(forms(one))]}
        elif isinstance(change, SetOverride):
            head = change.path[0]
            if head in ONLY_THE_ORDER:
                continue
            if head == "bed" and len(change.path) > 1:
                touched.add(change.path[1])
                continue
            return set(), True
    return touched, False


# ---------------------------------------------------------------- from one revision to another


def changes_between(old: Content, new: Content) -> list[Change]:
    """What is not the same in two contents, as changes that name it; their figures are left empty.

    Values that were set and tapes count as one change of each.
    """
    made: list[Change] = []
    for role, after in new.features.items():
        before = old.features[role]
        made += [PutFeature(role, i, i, [], []) for i in _not_same(before, after)]
        kept = {str(i) for i in after.ids}
        made += [DropFeature(role, str(i)) for i in before.ids if str(i) not in kept]
    a, b = (dict(leaves((), c.overrides)) for c in (old, new))
    made += [SetOverride(path, b.get(path)) for path in {**a, **b} if a.get(path) != b.get(path)]
    if (old.tapes, old.tape_keys) != (new.tapes, new.tape_keys):
        made.append(PutTape("any", {}))
    return made


def _not_same(before: Features, after: Features) -> list[str]:
    """Features of a table that the other does not have, or has otherwise."""
    place = {str(i): k for k, i in enumerate(before.ids)}
    one, two = _rows_of(before), _rows_of(after)
    made = []
    for k, name in enumerate(after.ids.tolist()):
        was = place.get(str(name))
        if was is None or not _same(before, was, one, after, k, two):
            made.append(str(name))
    return made


def _rows_of(table: Features) -> tuple[IntArray, IntArray]:
    """First ring of each feature, and first vertex of each; one more at the end."""
    ring = np.searchsorted(table.ring_feature, np.arange(len(table) + 1))
    return ring, table.ring_offsets[ring]


def _same(
    a: Features, i: int, of_a: tuple[IntArray, IntArray], b: Features, k: int, of_b: tuple[IntArray, IntArray]
) -> bool:
    rings = [slice(r[n], r[n + 1]) for (r, _), n in ((of_a, i), (of_b, k))]
    spans = [slice(v[n], v[n + 1]) for (_, v), n in ((of_a, i), (of_b, k))]
    return (
        a.names[i] == b.names[k]
        and np.array_equal(a.coords[spans[0]], b.coords[spans[1]])
        and np.array_equal(a.ring_kind[rings[0]], b.ring_kind[rings[1]])
        and np.array_equal(
            a.ring_offsets[rings[0]] - spans[0].start, b.ring_offsets[rings[1]] - spans[1].start
        )
        and np.array_equal(a.z[spans[0]], b.z[spans[1]], equal_nan=True)
        and _attributes(a, i) == _attributes(b, k)
    )


def _attributes(table: Features, k: int) -> dict[str, Any]:
    return {name: values[k] for name, values in table.attributes.items() if values[k] is not None}


# ---------------------------------------------------------------- the site after a change


def site_after(site: Site, content: Content, changes: Iterable[Change]) -> Site:
    """The site with features put and taken out; its grid and settings stay.

    Parameters
    ----------
    site : before
    content : after
    changes : that lead there; others than those of features count for nothing

    Raises
    ------
    DataError : a feature the site's grid cannot place
    """
    touched = _ids_by_role(changes)
    changed: dict[str, Any] = {"recorded": content}
    for role, ids in touched.items():
        features = content.features[role]
        name = {"beds": "bed_shapes", "abutments": "abutment_shapes", "openings": "opening_shapes"}[role]
        changed[role] = features
        changed[name] = _shapes_after(site, role, getattr(site, name), features, ids)
    if "beds" in touched:
        changed |= _of_beds(site, changed["beds"], changed["bed_shapes"])
        changed["own_lines"] = _own_lines(site, changed["beds"])
    return replace(site, **changed)


def _ids_by_role(changes: Iterable[Change]) -> dict[str, list[str]]:
    """Role to the ids that are put or taken out, each once, in order."""
    touched: dict[str, list[str]] = {}
    for change in changes:
        if isinstance(change, (PutFeature, DropFeature)):
            ids = touched.setdefault(change.role, [])
            if change.id not in ids:
                ids.append(change.id)
    return touched


def _shapes_after(site: Site, role: str, shapes: Shapes, features: Features, ids: Sequence[str]) -> Shapes:
    """Shapes with those of some features made anew, in the order of the features."""
    for feature_id in ids:
        one = taken(features, features.ids == feature_id)
        if not len(one):
            shapes = without(shapes, feature_id)
            continue
        made = site.frame.shapes(one)
        if role == "abutments":
            eave = site.settings.outline.eave
            made, _ = roofs_to_walls(one, made, None if eave is None else um_to_m(eave))
        shapes = with_feature(shapes, made)
    if len(shapes) == len(features) and (shapes.ids == features.ids).all():
        return shapes
    place = {str(i): k for k, i in enumerate(shapes.ids)}
    return picked(shapes, np.array([place[str(i)] for i in features.ids], dtype=np.int64))


def _own_lines(site: Site, beds: Features) -> OwnLines:
    """Lines that beds have of their own."""
    if not site.own_lines.lines and site.settings.inputs.line_attribute not in beds.attributes:
        return replace(site.own_lines, bed=None)
    return read_own_lines(site.settings, beds, lambda text: line_place(text, site.folder), SITE_FILE)


def _of_beds(site: Site, beds: Features, shapes: Shapes) -> dict[str, Any]:
    """What else goes with the beds: heights of their vertices, pictures they were traced from."""
    changed: dict[str, Any] = {}
    heights, pictures = site.heights, site.pictures
    if heights is not None and heights.outline_z_m is not None:
        from siteplan.heights import outline_heights

        z = outline_heights(beds, site.settings.heights.unit)
        changed["heights"] = replace(heights, outline_z_m=z)
    if pictures is not None:
        of_bed, sigma = _traced(site, pictures, shapes)
        changed["pictures"] = replace(pictures, of_bed=of_bed, outline_sigma_m=sigma)
    return changed


def _traced(site: Site, pictures: PictureCheck, shapes: Shapes) -> tuple[IntArray, FloatArray]:
    """Picture each bed was traced from, and how well."""
    said = site.settings.pictures
    error_m = None if said.tracing_error is None else um_to_m(said.tracing_error)
    covered = [p.covers(site.frame, shapes) for p in pictures.pictures]
    return traced_from(pictures.pictures, covered, len(shapes), error_m, said.tracing_error_px)
