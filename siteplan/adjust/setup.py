"""What is known before the adjustment: unknowns with their usual errors, readings, suspects."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import sparse

from siteplan.adjust.conditions import Conditions
from siteplan.adjust.lines import grown, line_gradient
from siteplan.adjust.model import OUTSIDE, Layout, Lengths, Read, Rows
from siteplan.adjust.snooping import Kind, Suspects
from siteplan.model import Shapes
from siteplan.planar import part_of
from siteplan.plans import RunPlan
from siteplan.reconcile.compare import Comparison, vertex_sigma
from siteplan.reconcile.reader import Target
from siteplan.reconcile.tapes import Tapes, reading_sigma
from siteplan.sites import Site
from siteplan.types import BoolArray, FloatArray, IntArray, XYArray

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
    picture_name: tuple[str, ...]
    picture: IntArray
    """(v,) picture of each vertex of the beds"""
    wall_picture: tuple[IntArray, IntArray]
    """picture of each vertex of abutments and openings"""
    middle: XYArray
    """(g, 2) points the pictures grow about"""
    point_picture: IntArray
    point_name: tuple[str, ...]
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

    @classmethod
    def of(
        cls,
        site: Site,
        plan: RunPlan,
        tapes: Tapes | None,
        made: Comparison | None,
        values_m: FloatArray | None,
        *,
        every_leg: bool,
    ) -> Setup:
        """From a site and its tapes."""
        said = site.settings.reconcile
        shapes = site.bed_shapes
        sigma, sigma_from = vertex_sigma(site)
        bed = shapes.ring_feature[part_of(shapes.ring_offsets)]
        of_bed, names = _pictures(site)
        picture = of_bed[bed]
        walls = (site.abutment_shapes, site.opening_shapes)
        wall_picture = tuple(_nearest_picture(w, shapes, picture) for w in walls)
        points = _Points(plan, shapes, tapes)
        point_picture = _picture_at(points.loose_xy, shapes, picture)
        kept, read = _read(plan, tapes, made, values_m, points)
        tape_names = () if tapes is None else tuple(t.name for t in tapes.tapes)
        layout = Layout(len(shapes.xy), len(points.loose_xy), len(names), len(tape_names))
        usual = float(np.median(sigma)) if len(sigma) else 1.0
        scale_sigma = np.full(len(names), max(said.adjust.picture_scale_ppm * 1e-6, FIXED))
        tape_sigma = np.array([] if tapes is None else [max(t.scale, FIXED) for t in tapes.tapes])
        return cls(
            settings=Limits(said.adjust.alpha, said.adjust.power, said.clear_ratio),
            layout=layout,
            prior=np.concatenate(
                [shapes.xy.ravel(), points.loose_xy.ravel(), np.zeros(len(names) + len(tape_names))]
            ),
            prior_sigma=np.concatenate(
                [
                    np.repeat(sigma[bed], 2),
                    np.full(2 * len(points.loose_xy), usual),
                    scale_sigma,
                    tape_sigma,
                ]
            ),
            read=read,
            reading_name=() if tapes is None else tuple(str(i) for i in tapes.ids[kept]),
            kept=kept,
            tape_name=tape_names,
            picture_name=names,
            picture=picture,
            wall_picture=(wall_picture[0], wall_picture[1]),
            middle=_middles(shapes.xy, picture, len(names)),
            point_picture=point_picture,
            point_name=points.loose_name,
            drawn=shapes.xy,
            walls_drawn=(walls[0].xy, walls[1].xy),
            vertex_name=_vertex_names(shapes),
            sigma_from=sigma_from,
            leg_name=tuple(str(i) for i in plan.runs.leg_id),
            wanted=_wanted(plan, tapes, points, shapes, every_leg),
        )

    def lengths(self, rows: Rows) -> Lengths:
        """Lengths as functions of the unknowns, about given rows."""
        return Lengths(self.layout, rows, self.drawn, self.middle, self.picture, self.point_picture)

    def first_rows(self, site: Site, plan: RunPlan) -> Rows:
        """The laying line as drawn."""
        scale = np.zeros(self.layout.pictures)
        gradient = line_gradient(site, plan, legs=np.flatnonzero(self.wanted))
        every = np.arange(len(plan.runs.leg_id))
        return Rows(plan.runs, every, gradient, self.drawn, scale, self._grown(site, plan, scale))

    def later_rows(self, work: Site, plan: RunPlan, leg: IntArray, ground: XYArray, x: FloatArray) -> Rows:
        """The laying line about outlines that have moved; ``leg`` (l,) are the legs as drawn in this plan."""
        scale = x[self.layout.first_picture : self.layout.first_tape]
        middle = self.middle[self.picture]
        about = middle + (ground - middle) / (1 + scale[self.picture])[:, None]
        gradient = line_gradient(work, plan, legs=leg[self.wanted])
        return Rows(plan.runs, leg, gradient, about, scale, self._grown(work, plan, scale))

    def _grown(self, site: Site, plan: RunPlan, scale: FloatArray) -> FloatArray:
        groups = range(self.layout.pictures)
        made = [
            grown(
                site,
                plan,
                self.middle[g],
                tuple((p == g).astype(np.int64) for p in (self.picture, *self.wall_picture)),
            ).ravel()
            / (1 + scale[g])
            for g in groups
        ]
        return np.column_stack(made) if made else np.zeros((2 * len(plan.runs.xy), 0))

    def walls(self, site: Site, x: FloatArray) -> tuple[XYArray, XYArray]:
        """Abutments and openings, grown with their picture."""
        scale = x[self.layout.first_picture : self.layout.first_tape]
        made = [
            self.middle[p] + (1 + scale[p])[:, None] * (xy - self.middle[p])
            for xy, p in zip(self.walls_drawn, self.wall_picture, strict=True)
        ]
        return made[0], made[1]


class _Points:
    """Where the named points of distances are: ends of legs, vertices, or points of walls."""

    def __init__(self, plan: RunPlan, shapes: Shapes, tapes: Tapes | None) -> None:
        from scipy.spatial import cKDTree

        none = np.zeros((0, 2))
        xy = none if tapes is None else tapes.point_xy
        runs = plan.runs
        ends = np.column_stack([runs.offsets[:-1], runs.offsets[1:] - 1]).ravel()
        rows, vertices = len(ends), len(shapes.xy)
        self.node = np.full(len(xy), -1, dtype=np.int64)
        every = np.concatenate([runs.xy[ends], shapes.xy])
        if len(xy):
            gap, at = cKDTree(every).query(xy)
            near = np.asarray(gap) <= OUTSIDE
            # of an end and a vertex at one place the vertex is taken: it is what was traced
            gap_v, at_v = cKDTree(shapes.xy).query(xy)
            vertex = np.asarray(gap_v) <= OUTSIDE
            self.node[near] = np.asarray(at)[near]
            self.node[vertex] = rows + np.asarray(at_v)[vertex]
        loose = np.flatnonzero(self.node < 0)
        self.node[loose] = rows + vertices + np.arange(len(loose))
        self.loose_xy = xy[loose]
        self.loose_name = () if tapes is None else tuple(str(n) for n in tapes.point_name[loose])


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


def _pictures(site: Site) -> tuple[IntArray, tuple[str, ...]]:
    """(n,) picture of each bed, and their names."""
    if site.pictures is None:
        return np.zeros(len(site.beds), dtype=np.int64), ("the map",)
    found, group = np.unique(site.pictures.of_bed, return_inverse=True)
    names = tuple("no picture" if k < 0 else site.pictures.pictures[k].name for k in found.tolist())
    return np.asarray(group, dtype=np.int64).ravel(), names


def _picture_at(xy: XYArray, shapes: Shapes, picture: IntArray) -> IntArray:
    """Picture of the vertex of a bed that is nearest to each place."""
    from scipy.spatial import cKDTree

    if not len(xy) or not len(shapes.xy):
        return np.zeros(len(xy), dtype=np.int64)
    return np.asarray(picture[np.asarray(cKDTree(shapes.xy).query(xy)[1])], dtype=np.int64)


def _nearest_picture(walls: Shapes, shapes: Shapes, picture: IntArray) -> IntArray:
    return _picture_at(walls.xy, shapes, picture)


def _middles(xy: XYArray, picture: IntArray, count: int) -> XYArray:
    made = np.zeros((count, 2))
    for k in range(count):
        own = xy[picture == k]
        if len(own):
            made[k] = (own.min(axis=0) + own.max(axis=0)) / 2
    return made


def _vertex_names(shapes: Shapes) -> tuple[str, ...]:
    feature = shapes.ring_feature[part_of(shapes.ring_offsets)]
    first = np.searchsorted(feature, np.arange(len(shapes.ids)))
    number = np.arange(len(feature)) - first[feature] + 1
    return tuple(f"{b}.v{n}" for b, n in zip(shapes.ids[feature], number.tolist(), strict=True))


def _wanted(
    plan: RunPlan, tapes: Tapes | None, points: _Points, shapes: Shapes, every_leg: bool
) -> BoolArray:
    """(l,) legs of the beds anything was taped of."""
    runs = plan.runs
    bed = runs.bed[runs.leg_run]
    if every_leg or tapes is None:
        return np.full(len(bed), every_leg)
    runs_taped = np.where(tapes.what == Target.LEG, runs.leg_run[np.maximum(tapes.leg, 0)], tapes.run)
    touched = [runs.bed[runs_taped[runs_taped >= 0]]]
    rows = 2 * len(runs.leg_id)
    touched.append(bed[points.node[points.node < rows] // 2])
    at_vertex = points.node[(points.node >= rows) & (points.node < rows + len(shapes.xy))] - rows
    touched.append(shapes.ring_feature[part_of(shapes.ring_offsets)][at_vertex])
    return np.asarray(np.isin(bed, np.concatenate(touched)))


# ---------------------------------------------------------------- suspects


def suspects_of(setup: Setup, lengths: Lengths, x: FloatArray, made: Conditions) -> Suspects:
    """Everything that may be grossly wrong.

    Readings; tapes with two readings or more; pictures; legs of which two readings or more speak (with one
    the reading is the suspect: nothing tells them apart); and every vertex a reading depends on.
    """
    lay, n = setup.layout, len(setup.read.value_m)
    kinds: list[Kind] = []
    names: list[str] = []
    prior: list[sparse.csc_array] = []
    value: list[sparse.csc_array] = []

    def add(
        kind: Kind, found: list[str], of_prior: sparse.csc_array | None, of_value: sparse.csc_array | None
    ) -> None:
        kinds.extend([kind] * len(found))
        names.extend(found)
        width = (of_prior if of_prior is not None else of_value).shape[1]  # type: ignore[union-attr]
        prior.append(sparse.csc_array((lay.count, width)) if of_prior is None else of_prior)
        value.append(sparse.csc_array((n, width)) if of_value is None else of_value)

    def unit(at: IntArray) -> sparse.csc_array:
        ones = (np.ones(len(at)), (at, np.arange(len(at))))
        return sparse.csc_array(sparse.coo_array(ones, shape=(lay.count, len(at))))

    add("reading", list(setup.reading_name), None, sparse.csc_array(sparse.eye_array(n, format="csc")))
    many = np.flatnonzero(np.bincount(setup.read.tape, minlength=lay.tapes) >= 2)
    add("tape", [setup.tape_name[k] for k in many], unit(lay.first_tape + many), None)
    pictures = np.arange(lay.pictures) + lay.first_picture
    pictures = pictures[setup.prior_sigma[pictures] > FIXED]
    add("picture", [setup.picture_name[k - lay.first_picture] for k in pictures], unit(pictures), None)
    spoken = np.flatnonzero(
        np.bincount(sparse.csr_array(setup.read.legs).indices, minlength=len(setup.wanted)) >= 2
    )
    gradient = sparse.csr_array(lengths.legs(x)[1][spoken])
    spread = sparse.diags_array(setup.prior_sigma**2)
    ways = sparse.csr_array(gradient @ spread)
    size = np.asarray(ways.multiply(gradient).sum(axis=1)).ravel()
    spoken, ways = spoken[size > 0], sparse.csr_array(sparse.diags_array(1 / size[size > 0]) @ ways[size > 0])
    leg_names = [setup.leg_name[k] for k in spoken.tolist()]
    add("leg", leg_names, sparse.csc_array(ways.T), None)
    touched = np.zeros(lay.count, dtype=bool)
    touched[np.unique(sparse.csr_array(made.prior).indices)] = True
    places = np.flatnonzero(touched[: lay.first_picture].reshape(-1, 2).any(axis=1))
    place_names = [*setup.vertex_name, *setup.point_name]
    both = np.column_stack([2 * places, 2 * places + 1]).ravel()
    add("vertex", [place_names[k] for k in places], unit(both), None)
    kind, name = np.empty(len(kinds), dtype=object), np.empty(len(kinds), dtype=object)
    kind[:], name[:] = kinds, names
    width = np.where(kind == "vertex", 2, 1).astype(np.int64)
    return Suspects(
        kind=kind,
        name=name,
        first=np.concatenate([[0], np.cumsum(width)])[:-1].astype(np.int64),
        width=width,
        prior=sparse.csc_array(sparse.hstack(prior, format="csc")),
        value=sparse.csc_array(sparse.hstack(value, format="csc")),
    )
