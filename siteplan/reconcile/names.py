"""What the names on paper mean on the map.

A leg or run goes by its id as on the map (``B07-1-2``, ``B07-1``); the corner at the far end of
leg 2 of run ``B07-1`` is ``B07-1-c2``; the ends of a leg are ``B07-1-2.start`` and
``B07-1-2.end``; the 14th vertex of a bed, abutment or opening as traced is ``B07.v14``.  A surveyed
mark goes by its name.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import cached_property

import numpy as np

from siteplan.errors import UsageError
from siteplan.marks import marks
from siteplan.model import NodeKind
from siteplan.plans import RunPlan
from siteplan.sites import Site
from siteplan.tomlfile import nearest
from siteplan.types import FloatArray, XYArray
from siteplan.units import um_to_m


class Names:
    """What the names on paper mean on the map."""

    def __init__(self, site: Site, plan: RunPlan) -> None:
        runs = plan.runs
        self.site, self.runs = site, runs
        self.mark = {p.name: k for k, p in enumerate(site.settings.control)}
        self.leg = {str(name): k for k, name in enumerate(runs.leg_id)}
        self.run = {str(name): k for k, name in enumerate(runs.run_id)}
        self.shapes = [
            (features, shapes)
            for features, shapes in (
                (site.beds, site.bed_shapes),
                (site.abutments, site.abutment_shapes),
                (site.openings, site.opening_shapes),
            )
        ]
        self.feature: dict[str, list[tuple[int, int]]] = {}
        for role, (features, _) in enumerate(self.shapes):
            for k, name in enumerate(features.ids):
                self.feature.setdefault(str(name), []).append((role, k))

    def point(self, name: str) -> tuple[float, float]:
        """Place of a named point in ground metres.

        Raises
        ------
        UsageError : no such leg, run, corner, feature or vertex, with the nearest there is; a check point
        DataError : the marks of the site have faults
        """
        if name in self.mark:
            return self._mark(name)
        head, dot, tail = name.rpartition(".")
        if dot and tail.lower() in ("start", "end"):
            return self._leg_end(head, tail.lower(), name)
        if dot and (vertex := re.fullmatch(r"[vV](\d+)", tail)):
            return self._vertex(head, int(vertex[1]), name)
        if corner := re.fullmatch(r"(?P<run>.+)-[cC](?P<number>\d+)", name):
            return self._corner(corner["run"], int(corner["number"]), name)
        raise UsageError(
            f'point "{name}" is not understood; write a corner B07-1-c2, a leg end B07-1-2.start, '
            "or a vertex B07.v14"
        )

    def mark_sigma_m(self, name: str) -> float:
        """Standard deviation of a surveyed mark with a say, each way; NaN for a point of the map."""
        mark = self.site.settings.control[self.mark[name]] if name in self.mark else None
        return float("nan") if mark is None or mark.sigma is None else um_to_m(mark.sigma)

    def is_vertex(self, name: str) -> bool:
        """Whether a name is written like that of a vertex, and is no mark's."""
        return name not in self.mark and re.fullmatch(r"[vV]\d+", name.rpartition(".")[2]) is not None

    def _mark(self, name: str) -> tuple[float, float]:
        if self.site.settings.control[self.mark[name]].use != "control":
            raise UsageError(
                f'point "{name}" is a check point, which has no say in where the outlines lie; to tape '
                'from it give it use = "control" and sigma in [[control]]'
            )
        return _place(self._mark_xy[self.mark[name]])

    @cached_property
    def _mark_xy(self) -> XYArray:
        """(c, 2) places of the marks."""
        return marks(self.site, self.site.settings.control, "control").xy

    def _leg_end(self, leg: str, end: str, name: str) -> tuple[float, float]:
        if leg not in self.leg:
            raise UsageError(f'point "{name}": {self.no_such("leg", leg, self.leg)}')
        k = self.leg[leg]
        at = self.runs.offsets[k] if end == "start" else self.runs.offsets[k + 1] - 1
        return _place(self.runs.xy[at])

    def _corner(self, run: str, number: int, name: str) -> tuple[float, float]:
        if run not in self.run:
            raise UsageError(f'point "{name}": {self.no_such("run", run, self.run)}')
        k = self.run[run]
        first, last = self.runs.leg_offsets[k], self.runs.leg_offsets[k + 1]
        kinds = self.runs.far_kind[first:last]
        if not 1 <= number <= last - first or kinds[number - 1] != NodeKind.CORNER:
            there = [f"c{i + 1}" for i, kind in enumerate(kinds) if kind == NodeKind.CORNER]
            has = f"its corners are {', '.join(there)}" if there else "it has no corner"
            raise UsageError(f'point "{name}": run "{run}" has no corner {number}; {has}')
        return _place(self.runs.xy[self.runs.offsets[first + number] - 1])

    def _vertex(self, feature: str, number: int, name: str) -> tuple[float, float]:
        found = self.feature.get(feature, [])
        if len(found) != 1:
            what = (
                "is both a bed and another feature" if found else
                self.no_such("bed, abutment or opening", feature, self.feature)
            )  # fmt: skip
            raise UsageError(f'point "{name}": {what}')
        role, k = found[0]
        shapes = self.shapes[role][1]
        rings = np.flatnonzero(shapes.ring_feature == k)
        first, last = int(shapes.ring_offsets[rings[0]]), int(shapes.ring_offsets[rings[-1] + 1])
        if not 1 <= number <= last - first:
            raise UsageError(f'point "{name}": "{feature}" has {last - first} vertices')
        return _place(shapes.xy[first + number - 1])

    @staticmethod
    def no_such(what: str, name: str, known: Iterable[str]) -> str:
        """There is no such thing, and the nearest there is."""
        like = nearest(name, known)
        return f'there is no {what} "{name}"' + (f'; did you mean "{like}"?' if like else "")


def _place(xy: FloatArray) -> tuple[float, float]:
    return float(xy[0]), float(xy[1])
