"""Adjusted outlines as the site will have them, and as a new revision of its record."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from typing import Final

import numpy as np

from siteplan.adjust.renamed import names_after
from siteplan.adjust.site import Adjustment
from siteplan.eaves import roofs_to_walls
from siteplan.errors import SiteplanError, UsageError
from siteplan.model import Features
from siteplan.planar import part_of
from siteplan.reconcile.control import laid_texts
from siteplan.reconcile.tapes import Tapes
from siteplan.record import Change, PutFeature, Record, Revision, SetOverride
from siteplan.record.table import entry_of
from siteplan.sites import Site
from siteplan.types import BoolArray, FloatArray, ObjectArray, XYArray
from siteplan.units import um_to_m

USED: Final = ("reconcile", "adjust", "used")
"""where the record keeps which readings are in the outlines already"""
STAYED_M: Final = 1e-7
"""a vertex that would move by less keeps its coordinates as they came"""


def fingerprints(tapes: Tapes, names: ObjectArray | None = None) -> tuple[str, ...]:
    """(n,) a short text for each reading: what was taped, with which tape, what was read.

    Parameters
    ----------
    tapes : the readings
    names : (n,) what is written for what was taped, where it is not as in ``tapes``

    Notes
    -----
    It stays the same where rows come between or a correction of the tape becomes known: neither makes
    another reading of it.  Of equal ones (something taped twice) it says which one it is.
    """
    made, seen = [], Counter[str]()
    names = tapes.name if names is None else names
    for k in range(len(tapes)):
        read = tapes.reading[k]
        text = f"{names[k]}|{tapes.tapes[tapes.tape[k]].name}|{read.text}|{read.metres}"
        seen[text] += 1
        made.append(hashlib.sha256(f"{text}|{seen[text]}".encode("utf-8", "surrogatepass")).hexdigest()[:12])
    return tuple(made)


def already_used(site: Site, tapes: Tapes) -> BoolArray:
    """(n,) readings that are in the outlines already, from an adjustment that was accepted.

    Used again they would count twice: the outlines would be pulled further each time.
    """
    known = set(site.settings.reconcile.adjust.used)
    return np.array([f in known for f in fingerprints(tapes)], dtype=bool)


def _with_coords(site: Site, features: Features, before: XYArray, after: XYArray) -> Features:
    """Features with moved vertices in their own CRS; those that stay keep their exact coordinates."""
    moved = np.hypot(*(after - before).T) > STAYED_M
    if not moved.any():
        return features
    coords: FloatArray = features.coords.copy()
    coords[moved] = site.frame.coords(after[moved], features.crs)
    return replace(features, coords=coords)


def adjusted_features(site: Site, made: Adjustment) -> dict[str, Features]:
    """Beds, abutments and openings with the adjusted coordinates, by role, in their own CRSs.

    Walls and openings only move with their picture.
    """
    raw = {"abutments": site.frame.shapes(site.abutments).xy, "openings": site.opening_shapes.xy}
    setup, x = made.setup, made.solution.x
    laid = {
        role: setup.placing.out(x, xy, picture)
        for (role, xy), picture in zip(raw.items(), setup.wall_picture, strict=True)
    }
    return {
        "beds": _with_coords(site, site.beds, site.bed_shapes.xy, made.xy),
        "abutments": _with_coords(site, site.abutments, raw["abutments"], laid["abutments"]),
        "openings": _with_coords(site, site.openings, raw["openings"], laid["openings"]),
    }


def adjusted_site(site: Site, features: Mapping[str, Features]) -> Site:
    """The site as it is once :func:`adjusted_features` are accepted, heights and pictures with it.

    The coordinates have gone to the CRS of the inputs and come back, as they do in the record, so that
    a plan of this site is the plan of the accepted outlines to the last piece.
    """
    eave = site.settings.outline.eave
    walls = site.frame.shapes(features["abutments"])
    return replace(
        site,
        beds=features["beds"],
        abutments=features["abutments"],
        openings=features["openings"],
        bed_shapes=site.frame.shapes(features["beds"]),
        abutment_shapes=roofs_to_walls(features["abutments"], walls, None if eave is None else um_to_m(eave))[
            0
        ],
        opening_shapes=site.frame.shapes(features["openings"]),
    )


def changes(site: Site, features: Mapping[str, Features]) -> list[Change]:
    """What the record has to take up: features with a vertex that moved."""
    before = {"beds": site.beds, "abutments": site.abutments, "openings": site.openings}
    made: list[Change] = []
    for role, now in features.items():
        old = before[role]
        if now is old:
            continue
        moved = (now.coords != old.coords).any(axis=1)
        of = now.ring_feature[part_of(now.ring_offsets)]
        made += [_put(now, role, k) for k in np.unique(of[moved]).tolist()]
    return made


def _put(features: Features, role: str, k: int) -> PutFeature:
    was = entry_of(features, k)
    return PutFeature(role, was.id, was.name, was.rings, was.kinds, was.attributes)


class NotAcceptedError(SiteplanError):
    """The adjusted outlines cannot be kept: an error stands against them."""


def refuse_errors(made: Adjustment) -> None:
    """Refuse an adjustment with a finding of grade ``error``.

    Raises
    ------
    NotAcceptedError : it has one
    """
    wrong = [f"{f.text} [{f.code}]" for f in made.findings if f.grade == "error"]
    if wrong:
        raise NotAcceptedError(f"not accepted, the outlines stay as they are. {' '.join(wrong)}")


def accept(
    record: Record, site: Site, made: Adjustment, tapes: Tapes, *, who: str, base: Revision | None = None
) -> Revision:
    """Keep the adjusted outlines as a new revision.  What was there before stays in the record.

    Parameters
    ----------
    record : of the site, whose newest revision ``site`` was loaded from
    site, made, tapes : the site, its adjustment and the readings
    who : for the list of revisions
    base : the revision the site was loaded from; the newest one where not given

    Raises
    ------
    UsageError : nothing new to accept
    NotAcceptedError : a finding of grade ``error`` stands against it
    Conflict : somebody saved since the site was loaded
    """
    refuse_errors(made)
    features = adjusted_features(site, made)
    kept = made.setup.kept
    used = np.asarray(fingerprints(tapes))[kept]
    control = made.setup.control.fingerprint.tolist()
    if not len(used) and not control:
        raise UsageError("there is nothing to accept: all readings are in the outlines already")
    known = list(site.settings.reconcile.adjust.used)
    # whoever writes the rows with the legs' new numbers tapes nothing anew
    after = np.asarray(fingerprints(tapes, names_after(tapes, made.drawn_runs, made.plan.runs, made.leg)))
    laid = laid_texts(made.setup.groups, made.setup.placing.frame >= 0)
    listed = list(dict.fromkeys([*known, *used.tolist(), *after[kept].tolist(), *control, *laid]))
    head = record.newest() if base is None else base
    what = f"outlines adjusted to {len(used)} tape reading{'s' if len(used) != 1 else ''}"
    if control:
        what += f" and {len(control)} surveyed point{'s' if len(control) > 1 else ''}"
    out = [f.suspect for f in made.freed if made.suspects.kind[f.suspect] in ("reading", "control")]
    left = [str(made.suspects.name[k]) for k in out]
    if left:
        what += f", {len(left)} of them left out ({', '.join(left[:6])}{', ...' if len(left) > 6 else ''})"
    todo = [*changes(site, features), SetOverride(USED, listed)]
    return record.save(head.number, todo, who=who, what=what, etag=head.etag)
