"""Surveyed marks, the pictures they are seen in, and which pictures are laid out together.

A mark of ``[[control]]`` with ``use = "control"`` has a say in the adjustment: by where it is seen in
a picture, by tapes from it, or both.  One with ``use = "check"`` has none, and checks it.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from siteplan.errors import DataError, Fault, UsageError
from siteplan.marks import marks, place_xy
from siteplan.model import Shapes
from siteplan.planar import part_of
from siteplan.plans import RunPlan
from siteplan.reconcile.names import Names
from siteplan.sites import SITE_FILE, Site
from siteplan.stakeout_settings import SurveyedMark
from siteplan.types import BoolArray, FloatArray, IntArray, ObjectArray, XYArray
from siteplan.units import um_to_m

SNAPPED_M: Final = 1e-3
"""vertices closer than this are one, and move together"""
APART_M: Final = 1_000.0
"""a mark seen farther than this from where it was surveyed: one of the two is in another grid"""
ONE_PLACE_M: Final = 1e-3
"""two marks seen closer together than this are seen at one place"""


# ---------------------------------------------------------------- pictures


def snapped(xy: XYArray) -> IntArray:
    """(v,) first vertex of the group within 1 mm each vertex belongs to; chains belong together."""
    from scipy.spatial import cKDTree

    count = len(xy)
    if not count:
        return np.zeros(0, dtype=np.int64)
    pairs = cKDTree(xy).query_pairs(SNAPPED_M, output_type="ndarray")
    graph = sparse.coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(count, count))
    label = connected_components(graph, directed=False)[1]
    first = np.full(int(label.max()) + 1, count, dtype=np.int64)
    np.minimum.at(first, label, np.arange(count))
    return np.asarray(first[label], dtype=np.int64)


@dataclass(frozen=True, slots=True, eq=False)
class PictureGroups:
    """The g pictures the outlines of a site come from, and how they hang together."""

    name: tuple[str, ...]
    number: IntArray
    """(g,) number among the site's pictures, -1 for none"""
    of_bed: IntArray
    """(b,)"""
    of_vertex: IntArray
    """(v,) picture of each vertex; one that several beds share is of the first bed's"""
    middle: XYArray
    """(g, 2) point each picture grows about"""
    frame: IntArray
    """(g,) pictures with one number share vertices, and are laid out together"""
    pivot: XYArray
    """(f, 2) point they are turned about: the middle of their outlines"""
    radius_m: FloatArray
    """(f,) from there to the farthest vertex"""

    def at(self, shapes: Shapes, xy: XYArray) -> IntArray:
        """Picture of the vertex of a bed that is nearest to each place."""
        from scipy.spatial import cKDTree

        if len(self.name) == 1 or not len(xy) or not len(shapes.xy):
            return np.zeros(len(xy), dtype=np.int64)
        nearest = np.asarray(cKDTree(shapes.xy).query(xy)[1])
        return np.asarray(self.of_vertex[nearest], dtype=np.int64)

    def frame_name(self, frame: int) -> str:
        """Names of the pictures that are laid out together."""
        return " and ".join(self.name[k] for k in np.flatnonzero(self.frame == frame).tolist())


def picture_groups(site: Site) -> PictureGroups:
    """Pictures of a site's outlines; without pictures the whole map is one."""
    shapes = site.bed_shapes
    number, group = np.array([-1]), np.zeros(len(site.beds), dtype=np.int64)
    names: tuple[str, ...] = ("the map",)
    if site.pictures is not None:
        number, group = np.unique(site.pictures.of_bed, return_inverse=True)
        names = tuple("no picture" if k < 0 else site.pictures.pictures[k].name for k in number.tolist())
    of_bed = np.asarray(group, dtype=np.int64).ravel()
    bed = shapes.ring_feature[part_of(shapes.ring_offsets)]
    own = of_bed[bed]
    count = len(names)
    if count == 1:
        vertex, frame = own, np.zeros(1, dtype=np.int64)
    else:
        vertex = own[snapped(shapes.xy)]
        graph = sparse.coo_array((np.ones(len(own)), (own, vertex)), shape=(count, count))
        frame = np.asarray(connected_components(graph, directed=False)[1], dtype=np.int64)
    frames = int(frame.max(initial=-1)) + 1
    pivot = _middles(shapes.xy, frame[vertex], frames)
    away = np.hypot(*(shapes.xy - pivot[frame[vertex]]).T) if len(vertex) else np.zeros(0)
    radius = np.zeros(frames)
    np.maximum.at(radius, frame[vertex], away)
    return PictureGroups(
        name=names,
        number=np.asarray(number, dtype=np.int64),
        of_bed=of_bed,
        of_vertex=np.asarray(vertex, dtype=np.int64),
        middle=_middles(shapes.xy, vertex, count),
        frame=frame,
        pivot=pivot,
        radius_m=radius,
    )


def _middles(xy: XYArray, group: IntArray, count: int) -> XYArray:
    made = np.zeros((count, 2))
    for k in range(count):
        own = xy[group == k]
        if len(own):
            made[k] = (own.min(axis=0) + own.max(axis=0)) / 2
    return made


# ---------------------------------------------------------------- marks


@dataclass(frozen=True, slots=True, eq=False)
class Surveyed:
    """k marks whose places are known, in ground metres."""

    name: ObjectArray
    xy: XYArray
    """(k, 2) as surveyed"""
    sigma_m: FloatArray
    """(k,) NaN where nobody said; each way"""
    seen_xy: XYArray
    """(k, 2) on the map as drawn; NaN where it is not said where it is seen"""
    seen_sigma_m: FloatArray
    """(k,) NaN where it is that of a traced vertex"""
    at_vertex: BoolArray
    """(k,) seen at a vertex of an outline, and so as sure as that"""
    picture: IntArray
    """(k,) number among the picture groups, -1 where it is not seen"""
    fingerprint: ObjectArray
    """(k,) a short text, the same for the same mark seen at the same place"""

    def __len__(self) -> int:
        return len(self.name)

    def those(self, which: BoolArray) -> Surveyed:
        """Some of them."""
        return Surveyed(
            self.name[which], self.xy[which], self.sigma_m[which], self.seen_xy[which],
            self.seen_sigma_m[which], self.at_vertex[which], self.picture[which], self.fingerprint[which],
        )  # fmt: skip


def surveyed(site: Site, plan: RunPlan, groups: PictureGroups, use: str) -> Surveyed:
    """The marks of a site that are seen on the map, of one use.

    Parameters
    ----------
    site, plan : the map
    groups : its pictures
    use : ``check`` or ``control``; of the latter those are left aside whose say is in the outlines already,
        from an adjustment that was accepted

    Raises
    ------
    DataError : a mark far from the site or from where it is seen, two of one name or place, a picture or
        vertex that is not there, several pictures of which none is named; one seen at a place of a picture
        whose outlines were moved away from it, by an adjustment that was accepted
    """
    given = [p for p in site.settings.control if p.use == use and p.is_seen]
    if not given:
        none = np.zeros(0)
        empty = np.empty(0, dtype=object)
        xy = np.zeros((0, 2))
        return Surveyed(
            empty, xy, none, xy, none, np.zeros(0, dtype=bool), np.zeros(0, dtype=np.int64), empty
        )
    faults: list[Fault] = []
    xy = np.full((len(given), 2), np.nan)
    try:
        every = marks(site, site.settings.control, "control")
        place = {p.name: k for k, p in enumerate(site.settings.control)}
        xy = every.xy[[place[p.name] for p in given]]
    except DataError as error:
        # what is wrong with where they are seen is told in the same report
        faults += error.faults
    names = Names(site, plan)
    seen = np.full((len(given), 2), np.nan)
    picture = np.full(len(given), -1, dtype=np.int64)
    for k, mark in enumerate(given):
        try:
            seen[k] = _seen(site, names, mark)
            picture[k] = _picture(site, groups, mark, seen[k])
        except UsageError as error:
            faults.append(Fault("control-unseen", f'control point "{mark.name}": {error}', _MEND, SITE_FILE))
    faults += _faults(given, xy, seen, picture)
    if faults:
        raise DataError(*faults)
    made = Surveyed(
        name=_texts([p.name for p in given]),
        xy=xy,
        sigma_m=np.array([np.nan if p.sigma is None else um_to_m(p.sigma) for p in given]),
        seen_xy=seen,
        seen_sigma_m=np.array([np.nan if p.seen_sigma is None else um_to_m(p.seen_sigma) for p in given]),
        at_vertex=np.array([p.seen_at is not None for p in given]),
        picture=picture,
        fingerprint=_texts([_fingerprint(p) for p in given]),
    )
    if use != "control":
        return made
    used = set(site.settings.reconcile.adjust.used)
    new = np.array([f not in used for f in made.fingerprint], dtype=bool)
    _refuse_moved(made.those(new & ~made.at_vertex), groups, used)
    return made.those(new)


def control_of(site: Site, plan: RunPlan, groups: PictureGroups) -> Surveyed:
    """The marks that have a say where the outlines lie: see :func:`surveyed`."""
    return surveyed(site, plan, groups, "control")


def moved_by_control(site: Site) -> bool:
    """Whether surveyed points had a say in outlines that were accepted."""
    return any(f.startswith(_LAID) for f in site.settings.reconcile.adjust.used)


def laid_texts(groups: PictureGroups, which: BoolArray) -> list[str]:
    """What the record remembers of pictures (g,) whose outlines were moved away from them."""
    return [_laid_text(name) for name, laid in zip(groups.name, which.tolist(), strict=True) if laid]


def _laid_text(picture: str) -> str:
    return _LAID + hashlib.sha256(picture.encode("utf-8", "surrogatepass")).hexdigest()[:12]


def _refuse_moved(given: Surveyed, groups: PictureGroups, used: set[str]) -> None:
    """Refuse marks seen at a place of a picture that outlines no longer lie in: they would move again."""
    laid = {f for f in used if f.startswith(_LAID)}
    of_group = [_laid_text(name) for name in groups.name]
    if laid <= set(of_group):
        given = given.those(np.array([of_group[g] in laid for g in given.picture.tolist()], dtype=bool))
    # else a picture has another name since, and any may be the one
    if not laid or not len(given):
        return
    several = len(given) > 1
    raise DataError(
        Fault(
            "control-after",
            f"control point{'s' if several else ''} {', '.join(str(n) for n in given.name)} "
            f"{'are' if several else 'is'} new or changed, and the outlines were moved away from the picture "
            f"{'they are' if several else 'it is'} seen in since, by an adjustment that was accepted: they "
            "would be moved a second time",
            "Go back to the revision before that one (siteplan record --back N) and adjust all points "
            'together; or say where it is seen by a vertex (seen_at), or take it as a check (use = "check")',
            SITE_FILE,
        )
    )


_LAID: Final = "laid-"
_MEND: Final = "Correct the row of [[control]], or leave out what says where it is seen"


def _texts(listed: list[str]) -> ObjectArray:
    made = np.empty(len(listed), dtype=object)
    made[:] = listed
    return made


def _fingerprint(mark: SurveyedMark) -> str:
    # what it is called and how sure it is makes no other observation of it
    said = mark.model_dump(exclude={"name", "height", "use", "sigma", "seen_sigma"})
    text = "control|" + "|".join(f"{k}={said[k]}" for k in sorted(said))
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:12]


def _seen(site: Site, names: Names, mark: SurveyedMark) -> XYArray:
    if mark.seen_at is None:
        try:
            return place_xy(site, (mark.seen_lon, mark.seen_lat), (mark.seen_east, mark.seen_north))
        except UsageError as error:
            raise UsageError(f"where it is seen: {error}") from None
    if not names.is_vertex(mark.seen_at):
        raise UsageError(f'seen_at "{mark.seen_at}" is no vertex of an outline; write it like B07.v14')
    return np.array(names.point(mark.seen_at))


def _picture(site: Site, groups: PictureGroups, mark: SurveyedMark, seen: XYArray) -> int:
    """Number of the group of a mark."""
    at = int(groups.at(site.bed_shapes, seen[None])[0])
    if mark.picture is None:
        if len(groups.name) > 1 and mark.seen_at is None:
            raise UsageError(
                f"the outlines come from several pictures ({', '.join(groups.name)}), and nothing says in "
                "which of them it is seen: add picture"
            )
        return at
    pictures = () if site.pictures is None else site.pictures.pictures
    found = [
        k for k, p in enumerate(pictures) if mark.picture == p.name or site.folder / mark.picture == p.path
    ]
    if not found:
        known = ", ".join(p.name for p in pictures) or "the site has none"
        raise UsageError(f'there is no picture "{mark.picture}" (pictures: {known})')
    mine = np.flatnonzero(np.isin(groups.number, found))
    if len(mine) != 1:
        raise UsageError(
            f'no outline was traced from picture "{mark.picture}", so it tells nothing of any'
            if not len(mine)
            else f'several pictures are called "{mark.picture}": write its path'
        )
    if mark.seen_at is not None and int(mine[0]) != at:
        raise UsageError(f'"{mark.seen_at}" is of {groups.name[at]}, not of picture "{mark.picture}"')
    return int(mine[0])


def _faults(given: list[SurveyedMark], xy: XYArray, seen: XYArray, picture: IntArray) -> list[Fault]:
    faults = []
    for k, mark in enumerate(given):
        apart = float(np.hypot(*(seen[k] - xy[k])))
        if apart > APART_M:
            faults.append(
                Fault(
                    "control-apart",
                    f'control point "{mark.name}" is seen {apart / 1000:,.1f} km from where it was surveyed',
                    "One of the two places is in another grid or unit, or its axes are exchanged",
                    SITE_FILE,
                )
            )
        for j in range(k):
            if picture[j] == picture[k] and np.hypot(*(seen[j] - seen[k])) < ONE_PLACE_M:
                faults.append(
                    Fault(
                        "control-twice",
                        f'control points "{given[j].name}" and "{mark.name}" are seen at one place',
                        "Two marks cannot be: correct one of them",
                        SITE_FILE,
                    )
                )
    return faults
