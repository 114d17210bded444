"""What is known before the adjustment: unknowns with their usual errors, readings, suspects."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import sparse

from siteplan.adjust.lines import carried_rows, line_gradient
from siteplan.adjust.model import OUTSIDE, Fixes, Lengths, Read, Rows
from siteplan.adjust.pictures import PER_FRAME, Layout, Placing
from siteplan.model import Shapes
from siteplan.planar import part_of
from siteplan.plans import RunPlan
from siteplan.reconcile.compare import Comparison, vertex_sigma
from siteplan.reconcile.control import PictureGroups, Surveyed, snapped
from siteplan.reconcile.reader import Target
from siteplan.reconcile.tapes import Tapes, reading_sigma
from siteplan.sites import Site
from siteplan.types import BoolArray, FloatArray, IntArray, XYArray
from siteplan.units import um_to_m

FIXED: Final = 1e-12
"""standard deviation of a scale that is said to be exact: it has to have one"""


@dataclass(frozen=True, slots=True)
class Limits:
    """Settings of the tests."""

    alpha: float
    power: float
    clear_ratio: float


@dataclass(frozen=True, slots=True, eq=False)
class Setup:
    """Unknowns, their direct observations, and the readings.  v vertices, p points, g pictures, t tapes."""

    settings: Limits
    layout: Layout
    prior: FloatArray
    prior_sigma: FloatArray
    read: Read
    reading_name: tuple[str, ...]
    kept: IntArray
    """(n,) number among the tapes' readings of each reading that takes part"""
    tape_name: tuple[str, ...]
    fixes: Fixes
    control: Surveyed
    """(k) the surveyed points of ``fixes``"""
    groups: PictureGroups
    placing: Placing
    placed: IntArray
    """(f,) which of the groups' frames are laid out by surveyed points"""
    tie_frame: IntArray
    """(n,) which of ``placed`` a reading from a surveyed point on the ground to a picture is of; others -1"""
    wall_picture: tuple[IntArray, IntArray]
    """picture of each vertex of abutments and openings"""
    point_picture: IntArray
    point_name: tuple[str, ...]
    seen_point: IntArray
    """(k,) loose point of each surveyed one, -1 where it is a vertex"""
    drawn: XYArray
    """(v, 2)"""
    walls_drawn: tuple[XYArray, XYArray]
    vertex_name: tuple[str, ...]
    """(v) such as ``B07.v14``"""
    sigma_from: str
    leg_name: tuple[str, ...]
    """(l) as drawn"""
    wanted: BoolArray
    """(l,) legs whose gradient is needed"""

    @property
    def fixed_place(self) -> IntArray:
        """(k,) number of each surveyed point among vertices and loose points."""
        return self.fixes.node - 2 * len(self.wanted)

    def tells(self, points: BoolArray, readings: BoolArray) -> IntArray:
        """(f,) how many observations tell where each of ``placed`` lies.

        A point that is seen counts two, a distance one, however often it was taped.

        Parameters
        ----------
        points : (k,) surveyed points that count
        readings : (n,) readings that count
        """
        count = len(self.placed)
        made = 2 * np.bincount(self.placing.frame[self.control.picture[points]], minlength=count)
        at = np.flatnonzero(readings & (self.tie_frame >= 0))
        ties = np.column_stack([self.tie_frame[at], np.sort(self.read.ends[at], axis=1)])
        return np.asarray(made + np.bincount(np.unique(ties, axis=0)[:, 0], minlength=count), dtype=np.int64)

    @property
    def picture(self) -> IntArray:
        """(v,) picture of each vertex of the beds."""
        return self.groups.of_vertex

    @property
    def picture_name(self) -> tuple[str, ...]:
        """(g) names of the pictures."""
        return self.groups.name

    @classmethod
    def of(
        cls,
        site: Site,
        plan: RunPlan,
        tapes: Tapes | None,
        made: Comparison | None,
        values_m: FloatArray | None,
        *,
        control: Surveyed,
        groups: PictureGroups,
        every_leg: bool,
    ) -> Setup:
        """From a site, its tapes and its surveyed points."""
        said = site.settings.reconcile
        shapes = site.bed_shapes
        sigma, sigma_from = vertex_sigma(site)
        bed = shapes.ring_feature[part_of(shapes.ring_offsets)]
        walls = (site.abutment_shapes, site.opening_shapes)
        points = _Points(site, plan, groups, sigma[bed], tapes, control)
        kept, read = _read(plan, tapes, made, values_m, points)
        tape_names = () if tapes is None else tuple(t.name for t in tapes.tapes)
        tied, from_ground = points.tied(read.ends)
        placed = np.unique(np.concatenate([groups.frame[control.picture], tied[tied >= 0]]))
        layout = Layout(len(shapes.xy), len(points.xy), len(groups.name), len(tape_names), len(placed))
        number = np.full(len(groups.pivot), -1, dtype=np.int64)
        number[placed] = np.arange(len(placed))
        scale_sigma = np.full(len(groups.name), max(said.adjust.picture_scale_ppm * 1e-6, FIXED))
        tape_sigma = np.array([] if tapes is None else [max(t.scale, FIXED) for t in tapes.tapes])
        shift, turn = um_to_m(said.adjust.picture_shift), np.radians(said.adjust.picture_turn_deg)
        others = len(groups.name) + len(tape_names) + PER_FRAME * len(placed)
        return cls(
            settings=Limits(said.adjust.alpha, said.adjust.power, said.clear_ratio),
            layout=layout,
            prior=np.concatenate([shapes.xy.ravel(), points.xy.ravel(), np.zeros(others)]),
            prior_sigma=np.concatenate(
                [
                    np.repeat(sigma[bed], 2),
                    np.repeat(points.sigma, 2),
                    scale_sigma,
                    tape_sigma,
                    np.tile([shift, shift, turn], len(placed)),
                ]
            ),
            read=read,
            reading_name=() if tapes is None else tuple(str(i) for i in tapes.ids[kept]),
            kept=kept,
            tape_name=tape_names,
            fixes=Fixes(points.of_control, control.xy, control.sigma_m),
            control=control,
            groups=groups,
            placing=Placing(layout, groups.middle, number[groups.frame], groups.pivot[placed]),
            placed=placed,
            tie_frame=np.where(from_ground, number[tied], -1),
            wall_picture=(groups.at(shapes, walls[0].xy), groups.at(shapes, walls[1].xy)),
            point_picture=points.picture,
            point_name=tuple(points.name),
            seen_point=np.where(
                points.of_control >= points.first_loose, points.of_control - points.first_loose, -1
            ),
            drawn=shapes.xy,
            walls_drawn=(walls[0].xy, walls[1].xy),
            vertex_name=_vertex_names(shapes),
            sigma_from=sigma_from,
            leg_name=tuple(str(i) for i in plan.runs.leg_id),
            wanted=_wanted(plan, tapes, points, shapes, every_leg),
        )

    def lengths(self, rows: Rows) -> Lengths:
        """Lengths as functions of the unknowns, about given rows."""
        return Lengths(self.placing, rows, self.drawn, self.picture, self.point_picture)

    def first_rows(self, site: Site, plan: RunPlan) -> Rows:
        """The laying line as drawn."""
        every = np.arange(len(plan.runs.leg_id))
        return self._rows(site, plan, every, self.drawn, self.prior)

    def later_rows(self, work: Site, plan: RunPlan, leg: IntArray, ground: XYArray, x: FloatArray) -> Rows:
        """The laying line about outlines that have moved; ``leg`` (l,) are the legs as drawn in this plan."""
        return self._rows(work, plan, leg, self.placing.back(x, ground, self.picture), x)

    def _rows(self, site: Site, plan: RunPlan, leg: IntArray, about: XYArray, x: FloatArray) -> Rows:
        return Rows(
            runs=plan.runs,
            leg=leg,
            gradient=line_gradient(site, plan, legs=leg[self.wanted]),
            about_xy=about,
            about_scale=self.placing.scale(x),
            about_laid=x[self.layout.first_frame :],
            grown=self._grown(site, plan, x),
            laid=self._laid(site, plan, x),
        )

    def _parts(self, site: Site, plan: RunPlan) -> list[tuple[XYArray, IntArray]]:
        """Vertices of beds, abutments and openings and rows of the runs, each with their pictures."""
        shapes = (site.bed_shapes, site.abutment_shapes, site.opening_shapes)
        pictures = (self.picture, *self.wall_picture)
        row = self.groups.of_bed[plan.runs.bed[plan.runs.leg_run]][part_of(plan.runs.offsets)]
        return [*((s.xy, p) for s, p in zip(shapes, pictures, strict=True)), (plan.runs.xy, row)]

    def _grown(self, site: Site, plan: RunPlan, x: FloatArray) -> FloatArray:
        """(2w, g) how the rows follow the scales."""
        made, parts = [np.zeros((2 * len(plan.runs.xy), 0))], self._parts(site, plan)
        for g, scale in enumerate(self.placing.scale(x).tolist()):
            a, b, c, rows = ((p == g)[:, None] * self.placing.arm(x, xy, g) for xy, p in parts)
            made.append((carried_rows(site, plan, (a, b, c), rows, step=1e-6) / (1 + scale)).reshape(-1, 1))
        return np.hstack(made)

    def _laid(self, site: Site, plan: RunPlan, x: FloatArray) -> FloatArray:
        """(2w, 3f) how the rows follow shifts and turns of the pictures."""
        made, parts = [np.zeros((2 * len(plan.runs.xy), 0))], self._parts(site, plan)
        for f, shift in enumerate(self.placing.laid(x)[0]):
            inside = [(self.placing.frame[p] == f)[:, None] for _, p in parts]
            for k, step in enumerate((1e-4, 1e-4, 1e-6)):
                arms = [xy - self.placing.pivot[f] - shift for xy, _ in parts]
                ways = [np.column_stack([-v[:, 1], v[:, 0]]) if k == 2 else np.eye(2)[[k]] for v in arms]
                a, b, c, rows = (i * w for i, w in zip(inside, ways, strict=True))
                if not all(i.all() for i in inside):
                    rows = carried_rows(site, plan, (a, b, c), rows, step=step)
                # where everything moves alike, so does the plan
                made.append(rows.reshape(-1, 1))
        return np.hstack(made)

    def walls(self, site: Site, x: FloatArray) -> tuple[XYArray, XYArray]:
        """Abutments and openings, laid out with their picture."""
        a, b = (self.placing.out(x, xy, p) for xy, p in zip(self.walls_drawn, self.wall_picture, strict=True))
        return a, b


class _Points:
    """Where named points are: ends of legs, vertices, and loose points (q) that are unknowns of their own.

    Loose are points of walls, points seen in a picture, and surveyed points on the ground.
    """

    def __init__(
        self,
        site: Site,
        plan: RunPlan,
        groups: PictureGroups,
        sigma_m: FloatArray,
        tapes: Tapes | None,
        control: Surveyed,
    ) -> None:
        """``sigma_m`` (v,) is that of the vertices."""
        runs, shapes = plan.runs, site.bed_shapes
        self.groups, self.runs, self.shapes = groups, runs, shapes
        self.owner = snapped(shapes.xy)
        self.ends = np.column_stack([runs.offsets[:-1], runs.offsets[1:] - 1]).ravel()
        self.first_loose = len(self.ends) + len(shapes.xy)
        none = np.zeros((0, 2))
        xy = none if tapes is None else tapes.point_xy
        names = [] if tapes is None else [str(n) for n in tapes.point_name]
        mark_sigma = np.zeros(0) if tapes is None else tapes.point_sigma_m
        usual = float(np.median(sigma_m)) if len(sigma_m) else 1.0
        self.xy, self.name = none, list[str]()
        self.sigma, self.picture = np.zeros(0), np.zeros(0, dtype=np.int64)
        self.node, on_map = np.full(len(xy), -1, dtype=np.int64), np.isnan(mark_sigma)
        self.node[on_map] = self._on_map(xy[on_map])
        loose = np.flatnonzero(on_map & (self.node < 0))
        self.node[loose] = self._loose(
            xy[loose], [names[k] for k in loose], np.full(len(loose), usual), groups.at(shapes, xy[loose])
        )
        own = [np.median(sigma_m[groups.of_vertex == g]) if (groups.of_vertex == g).any() else usual
               for g in control.picture]  # fmt: skip
        seen_sigma = np.where(
            np.isnan(control.seen_sigma_m), np.array(own, dtype=float), control.seen_sigma_m
        )
        self.of_control = np.full(len(control), -1, dtype=np.int64)
        at = np.flatnonzero(control.at_vertex)
        self.of_control[at] = self._on_map(control.seen_xy[at])
        # the end of a leg at a corner of a wall is not that corner: it follows the outline
        self.of_control[self.of_control < len(self.ends)] = -1
        at = np.flatnonzero(self.of_control < 0)
        self.of_control[at] = self._loose(
            control.seen_xy[at], [str(n) for n in control.name[at]], seen_sigma[at], control.picture[at]
        )
        seen = {str(n): int(k) for n, k in zip(control.name, self.of_control, strict=True)}
        for k in np.flatnonzero(~on_map).tolist():
            # one that is seen is one unknown, whatever tells of it
            self.node[k] = seen[names[k]] if names[k] in seen else self._loose(
                xy[[k]], [names[k]], mark_sigma[[k]], np.array([-1])
            )[0]  # fmt: skip
        self.mark = np.unique(self.node[~on_map])

    def _on_map(self, xy: XYArray) -> IntArray:
        """(k,) nodes at these places, -1 where there is no end of a leg and no vertex."""
        from scipy.spatial import cKDTree

        made = np.full(len(xy), -1, dtype=np.int64)
        if not len(xy):
            return made
        every = np.concatenate([self.runs.xy[self.ends], self.shapes.xy])
        gap, at = cKDTree(every).query(xy)
        near = np.asarray(gap) <= OUTSIDE
        # of an end and a vertex at one place the vertex is taken: it is what was traced
        gap_v, at_v = cKDTree(self.shapes.xy).query(xy)
        vertex = np.asarray(gap_v) <= OUTSIDE
        made[near] = np.asarray(at)[near]
        made[vertex] = len(self.ends) + self.owner[np.asarray(at_v)[vertex]]
        return made

    def _loose(self, xy: XYArray, names: list[str], sigma: FloatArray, picture: IntArray) -> IntArray:
        """(k,) nodes of places that are none of the map's."""
        first = self.first_loose + len(self.xy)
        self.xy, self.name = np.concatenate([self.xy, xy]), [*self.name, *names]
        self.sigma, self.picture = np.append(self.sigma, sigma), np.append(self.picture, picture)
        return first + np.arange(len(xy))

    def tied(self, ends: IntArray) -> tuple[IntArray, BoolArray]:
        """Frames of pictures that distances (n, 2) tie to a surveyed point, and which tell where they lie.

        Returns
        -------
        (n,) frame, -1 where it is no tie; (n,) the surveyed point is on the ground.  A tie from one that is
        seen in a picture is a length within it.
        """
        mark = np.isin(ends, self.mark)
        tie = np.flatnonzero(mark[:, 0] != mark[:, 1])
        first = mark[tie, 0]
        own, other = (np.where(first == one, ends[tie, 0], ends[tie, 1]) for one in (True, False))
        of_end = np.repeat(self.groups.of_bed[self.runs.bed[self.runs.leg_run]], 2)
        picture = np.concatenate([of_end, self.groups.of_vertex, self.picture])
        made, ground = np.full(len(ends), -1, dtype=np.int64), np.zeros(len(ends), dtype=bool)
        made[tie] = np.where(picture[other] >= 0, self.groups.frame[picture[other]], -1)
        ground[tie] = (picture[own] < 0) & (made[tie] >= 0)
        return made, ground


def _read(
    plan: RunPlan, tapes: Tapes | None, made: Comparison | None, values_m: FloatArray | None, points: _Points
) -> tuple[IntArray, Read]:
    """The readings that take part."""
    none = np.zeros(0, dtype=np.int64)
    count = len(plan.runs.leg_id)
    if tapes is None or made is None:
        empty = sparse.csr_array((0, count))
        return none, Read(empty, np.zeros((0, 2), dtype=np.int64), none, np.zeros(0), np.zeros(0))
    value = tapes.taped_m if values_m is None else values_m
    kept = np.flatnonzero(~np.isnan(value))
    slope = plan.lengths.slope_m / np.where(plan.lengths.ground_m > 0, plan.lengths.ground_m, 1.0)
    along = (
        sparse.diags_array(made.on_slope.astype(float))
        @ made.legs
        @ sparse.diags_array(np.nan_to_num(slope, nan=1.0))
    )
    level = sparse.diags_array((~made.on_slope).astype(float)) @ made.legs
    ends = np.where(tapes.point >= 0, points.node[np.maximum(tapes.point, 0)] if len(points.node) else -1, -1)
    return kept, Read(
        legs=sparse.csr_array(along + level)[kept],
        ends=ends[kept],
        tape=tapes.tape[kept],
        value_m=value[kept],
        sigma_m=reading_sigma(tapes, made.map_m)[kept],
    )


def _vertex_names(shapes: Shapes) -> tuple[str, ...]:
    feature = shapes.ring_feature[part_of(shapes.ring_offsets)]
    first = np.searchsorted(feature, np.arange(len(shapes.ids)))
    number = np.arange(len(feature)) - first[feature] + 1
    return tuple(f"{b}.v{n}" for b, n in zip(shapes.ids[feature], number.tolist(), strict=True))


def _wanted(
    plan: RunPlan, tapes: Tapes | None, points: _Points, shapes: Shapes, every_leg: bool
) -> BoolArray:
    """(l,) legs of the beds anything was taped or surveyed of."""
    runs = plan.runs
    bed = runs.bed[runs.leg_run]
    if every_leg:
        return np.full(len(bed), True)
    touched = [np.zeros(0, dtype=np.int64)]
    if tapes is not None:
        runs_taped = np.where(tapes.what == Target.LEG, runs.leg_run[np.maximum(tapes.leg, 0)], tapes.run)
        touched.append(runs.bed[runs_taped[runs_taped >= 0]])
    rows = len(points.ends)
    node = np.concatenate([points.node, points.of_control])
    touched.append(bed[node[node < rows] // 2])
    at_vertex = node[(node >= rows) & (node < points.first_loose)] - rows
    touched.append(shapes.ring_feature[part_of(shapes.ring_offsets)][at_vertex])
    return np.asarray(np.isin(bed, np.concatenate(touched)))
