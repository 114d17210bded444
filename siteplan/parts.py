"""A plan of some of the beds of a site: those an edit touches.

What is planned for a bed depends on what lies near it, and on nothing else.  So the beds of a
site fall into *neighbourhoods*, and each can be planned by itself::

    near = Neighbours.of(site)
    part = plan_part(site, near.whole(touched))

Two beds are neighbours when their outlines come within :func:`reach_m` of each other, or one lies
over the other; a neighbourhood is everything reached from neighbour to neighbour.  That is enough,
because every look from one bed at another is bounded:

- a shared edge is looked for within ``shared_within`` of an outline (twice that where stretches are
  joined);
- a leg that butts another bed's edging is followed to a face within ``2 ahead + absorb`` of its
  end, where ``ahead`` is ``shared_within / sin 30`` and ``absorb`` is ``shared_within``
  (:class:`siteplan.outline.ends.Meeting`), so within 5 times ``shared_within``, and a face is taken
  as ``shared_within`` longer at its ends: 6 times in all;
- beds that lie over each other are told of, and touch;
- pieces that lie on one another are told of: those of two beds within ``2 offset + depth``, at square
  corners half as much again.  Where a sharper corner reaches a bed farther off, only the findings of
  the whole site tell of it, not those of the part: no piece, length or count depends on it;
- where legs may be moved sideways (``play``), those along a shared edge are held, and those so close to
  one of another product line that the two could meet: legs whose laying lines lie within
  ``shared_within + depth + 2 play`` of each other.  The laying line lies ``offset`` from the outline,
  at a corner as much more as its mitre is long.

The rest of the pipeline (corners, curves, offset, legs, rows, courses, fits, places) looks at one bed,
or one run, at a time.  Abutments and openings act on beds and not on each other, so they carry
nothing from bed to bed; a part takes along those near its beds.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np
import shapely

from siteplan.laying.takeoff import Takeoff
from siteplan.model import RingKind, Shapes
from siteplan.outline.shared import polygons
from siteplan.planar import ring_lines
from siteplan.plans import RunPlan, per_bed, plan_runs
from siteplan.settings import SiteSettings
from siteplan.sites import Site
from siteplan.tables import taken, vertices_of
from siteplan.takeoffs import laid_plan, takeoff
from siteplan.types import BoolArray, ObjectArray
from siteplan.units import um_to_m

_MITRE: Final = 12.0
"""how many times the offset a mitre may be long: turns up to 170 degrees"""
_SQUARE: Final = 1.5
"""the same for square corners, and a little more"""
_SLACK_M: Final = 0.01


def reach_m(site: Site) -> float:
    """Beds farther from each other than this plan apart, in ground metres."""
    offset_m = _greatest_offset_m(site)
    deepest = max(x.depth_um for x in (site.line, *site.own_lines.lines))
    shared = um_to_m(site.settings.outline.shared_within)
    reach = max(8 * shared, 2 * _SQUARE * offset_m + um_to_m(deepest)) + _SLACK_M
    if site.settings.fit.play:
        reach += 2 * _MITRE * offset_m + um_to_m(deepest + 2 * site.settings.fit.play)
    return reach


def things_reach_m(site: Site) -> float:
    """Abutments and openings farther from a bed than this do nothing to it.

    An outline is alongside an abutment within ``abut_within``; a leg is followed to a face of one
    within ``2 abut_within / sin 30 + abut_least`` of its end.  An opening acts within
    ``opening_reach``, from where it is, and takes its width along the outline it is nearest to.
    """
    outline = site.settings.outline
    walls = 5 * um_to_m(outline.abut_within) + um_to_m(outline.abut_least)
    return max(walls, 2 * um_to_m(outline.opening_reach), 8 * um_to_m(outline.shared_within)) + _SLACK_M


def _greatest_offset_m(site: Site) -> float:
    offsets = [abs(int(um)) for um in per_bed(site, "offset", site.settings.outline.offset)]
    offsets += [abs(int(row.offset)) for row in site.settings.row]
    return um_to_m(max(offsets, default=0))


def forms(shapes: Shapes) -> ObjectArray:
    """One shapely geometry for each feature: its rings as lines, and the ground inside them."""
    counts = np.diff(shapes.ring_offsets)
    first = shapes.ring_offsets[:-1]
    point = np.flatnonzero(counts == 1)
    rings = np.flatnonzero(counts > 1)
    closed = (shapes.ring_kind == RingKind.OUTER) | (shapes.ring_kind == RingKind.ISLAND)
    lines = ring_lines(shapes.xy, shapes.ring_offsets, closed)[rings]
    areas, of_area = polygons(shapes, np.flatnonzero((shapes.ring_kind == RingKind.OUTER) & (counts > 2)))
    made = np.concatenate([lines, shapely.points(shapes.xy[first[point]]), areas])
    owner = np.concatenate([shapes.ring_feature[rings], shapes.ring_feature[point], of_area])
    order = np.argsort(owner, kind="stable")
    out = np.full(len(shapes), shapely.geometrycollections([]), dtype=object)
    if len(made):
        shapely.geometrycollections(made[order], indices=owner[order], out=out)
    return out


def _forms_after(old: ObjectArray, shapes: Shapes, ids: Sequence[str]) -> ObjectArray:
    """Forms of changed shapes: made anew where the features are not the same ones in the same order."""
    if not ids:
        return old
    changed = index_of(shapes.ids, ids)
    if len(old) != len(shapes) or changed.sum() != len(set(ids)):
        return forms(shapes)
    out = old.copy()
    out[changed] = forms(taken(shapes, changed))
    return out


@dataclass(frozen=True, eq=False)
class Neighbours:
    """Which beds of a site plan together."""

    beds: ObjectArray
    """(n,) geometry of each bed"""
    reach: float
    things_reach: float
    abutments: ObjectArray
    openings: ObjectArray

    @classmethod
    def of(cls, site: Site) -> Neighbours:
        """The neighbours of a site."""
        return cls(
            forms(site.bed_shapes),
            reach_m(site),
            things_reach_m(site),
            forms(site.abutment_shapes),
            forms(site.opening_shapes),
        )

    def after(self, site: Site, changed: Mapping[str, Sequence[str]]) -> Neighbours:
        """The neighbours of the site as changed, the forms of all else as they were.

        Parameters
        ----------
        site : after; with the same settings and product lines
        changed : role to the ids that were put or taken out
        """
        return replace(
            self,
            beds=_forms_after(self.beds, site.bed_shapes, changed.get("beds", ())),
            abutments=_forms_after(self.abutments, site.abutment_shapes, changed.get("abutments", ())),
            openings=_forms_after(self.openings, site.opening_shapes, changed.get("openings", ())),
        )

    @cached_property
    def _tree(self) -> shapely.STRtree:
        return shapely.STRtree(self.beds)

    @cached_property
    def _thing_trees(self) -> tuple[shapely.STRtree, shapely.STRtree]:
        return shapely.STRtree(self.abutments), shapely.STRtree(self.openings)

    def whole(self, seeds: BoolArray) -> BoolArray:
        """(n,) everything reached from some beds, from neighbour to neighbour."""
        found = seeds.copy()
        new = np.flatnonzero(seeds)
        while len(new):
            _, other = self._tree.query(self.beds[new], predicate="dwithin", distance=self.reach)
            other = np.unique(other)
            new = other[~found[other]]
            found[new] = True
        return found

    def beside(self, things: ObjectArray) -> BoolArray:
        """(n,) beds that some abutments or openings may act on."""
        near = np.zeros(len(self.beds), dtype=np.bool_)
        if len(things):
            near[self._tree.query(things, predicate="dwithin", distance=self.things_reach)[1]] = True
        return near

    def things(self, keep: BoolArray) -> tuple[BoolArray, BoolArray]:
        """Abutments, and openings, that may act on some beds."""
        out = []
        for tree, count in zip(self._thing_trees, (len(self.abutments), len(self.openings)), strict=True):
            near = np.zeros(count, dtype=np.bool_)
            near[tree.query(self.beds[keep], predicate="dwithin", distance=self.things_reach)[1]] = True
            out.append(near)
        return out[0], out[1]


@dataclass(frozen=True, eq=False)
class Part:
    """Some beds of a site, planned."""

    site: Site
    """the site with these beds alone, in the same grid"""
    plan: RunPlan
    """where the pieces are laid"""
    result: Takeoff


def reduced(site: Site, keep: BoolArray, near: Neighbours) -> Site:
    """A site with some of its beds alone, and what stands near them; the grid stays.

    Parameters
    ----------
    site : n beds
    keep : (n,) whole neighbourhoods
    near : of the site
    """
    abutments, openings = near.things(keep)
    beds = taken(site.beds, keep)
    heights, pictures, own_lines = site.heights, site.pictures, site.own_lines
    if own_lines.bed is not None:
        own_lines = replace(own_lines, bed=own_lines.bed[keep])
    if heights is not None and heights.outline_z_m is not None:
        heights = replace(heights, outline_z_m=heights.outline_z_m[vertices_of(site.beds, keep)])
    if pictures is not None:
        pictures = replace(
            pictures, of_bed=pictures.of_bed[keep], outline_sigma_m=pictures.outline_sigma_m[keep]
        )
    return replace(
        site,
        settings=settings_of(site.settings, {str(i) for i in beds.ids}),
        beds=beds,
        bed_shapes=taken(site.bed_shapes, keep),
        abutments=taken(site.abutments, abutments),
        abutment_shapes=taken(site.abutment_shapes, abutments),
        openings=taken(site.openings, openings),
        opening_shapes=taken(site.opening_shapes, openings),
        heights=heights,
        pictures=pictures,
        own_lines=own_lines,
    )


def settings_of(settings: SiteSettings, beds: set[str]) -> SiteSettings:
    """Settings without what is said of other beds and their runs."""
    return settings.model_copy(
        update={
            "bed": {bed: own for bed, own in settings.bed.items() if bed in beds},
            "run": {run: own for run, own in settings.run.items() if beds_of_run(run) & beds},
            "edge_owner": [e for e in settings.edge_owner if set(e.beds) <= beds],
        }
    )


def beds_of_run(run: str) -> set[str]:
    """Ids a bed can have whose run this is: what stands before one of the hyphens."""
    return {run[:k] for k, sign in enumerate(run) if sign == "-"}


def plan_part(site: Site, keep: BoolArray, near: Neighbours | None = None) -> Part:
    """Plan some of the beds.

    Parameters
    ----------
    site : n beds
    keep : (n,) whole neighbourhoods, see :meth:`Neighbours.whole`
    near : of the site, where it is at hand

    Raises
    ------
    DataError : as :func:`siteplan.plans.plan_runs`, of these beds
    """
    small = reduced(site, keep, near or Neighbours.of(site))
    return planned(small)


def planned(site: Site) -> Part:
    """A site planned as it is."""
    plan = plan_runs(site)
    result = takeoff(site, plan)
    return Part(site, laid_plan(site, plan, result), result)


def index_of(ids: ObjectArray, wanted: Iterable[str]) -> BoolArray:
    """(n,) features of some ids."""
    found: BoolArray = np.isin(ids.astype(str), list(wanted)) if len(ids) else np.zeros(0, dtype=np.bool_)
    return found
