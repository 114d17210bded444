"""What may be grossly wrong, as suspects for data snooping."""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy import sparse

from siteplan.adjust.conditions import Conditions
from siteplan.adjust.model import Lengths
from siteplan.adjust.pictures import PER_FRAME
from siteplan.adjust.setup import FIXED, Setup
from siteplan.adjust.snooping import Kind, Suspects
from siteplan.types import FloatArray, IntArray

TWO: Final = ("control", "shift", "vertex")
"""kinds with a shift east and one north"""
CHECKED: Final = 3
"""observations that tell where a picture lies: fewer are not checked, and a wrong one would move it all"""


def _pairs(first: IntArray) -> IntArray:
    """(2k,) each number and the next one."""
    return np.asarray(np.column_stack([first, first + 1]).ravel(), dtype=np.int64)


def suspects_of(setup: Setup, lengths: Lengths, x: FloatArray, made: Conditions) -> Suspects:
    """Everything that may be grossly wrong.

    Readings; surveyed points; tapes with two readings or more; scales of pictures, and where surveyed points
    say where they lie their shifts and turns; legs of which two readings or more speak (with one the reading
    is the suspect: nothing tells them apart); and every vertex a reading depends on.  Shift and turn are not
    left free where one surveyed point, or two ties, are all that tells of them.
    """
    lay, taped, fixed = setup.layout, len(setup.read.value_m), len(setup.fixes)
    n = taped + 2 * fixed
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

    every = sparse.csc_array(sparse.eye_array(n, format="csc"))
    add("reading", list(setup.reading_name), None, sparse.csc_array(every[:, :taped]))
    # seen or surveyed at a wrong place: the two cannot be told apart, and are one suspect
    add("control", [str(c) for c in setup.control.name], None, sparse.csc_array(every[:, taped:]))
    tied = np.flatnonzero(setup.point_picture < 0)
    add("control", [setup.point_name[k] for k in tied], unit(_pairs(lay.first_point + 2 * tied)), None)
    many = np.flatnonzero(np.bincount(setup.read.tape, minlength=lay.tapes) >= 2)
    add("tape", [setup.tape_name[k] for k in many], unit(lay.first_tape + many), None)
    pictures = np.arange(lay.pictures) + lay.first_picture
    pictures = pictures[setup.prior_sigma[pictures] > FIXED]
    add("picture", [setup.picture_name[k - lay.first_picture] for k in pictures], unit(pictures), None)
    first = lay.first_frame + PER_FRAME * np.arange(lay.frames)
    frames = [setup.groups.frame_name(k) for k in setup.placed.tolist()]
    add("shift", frames, unit(_pairs(first)), None)
    add("turn", frames, unit(first + 2), None)
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
    # surveyed points are suspects already
    loose = lay.vertices + np.concatenate([tied, setup.seen_point[setup.seen_point >= 0]])
    touched[_pairs(2 * loose)] = False
    places = np.flatnonzero(touched[: lay.first_picture].reshape(-1, 2).any(axis=1))
    place_names = [*setup.vertex_name, *setup.point_name]
    add("vertex", [place_names[k] for k in places], unit(_pairs(2 * places)), None)
    kind, name = np.empty(len(kinds), dtype=object), np.empty(len(kinds), dtype=object)
    kind[:], name[:] = kinds, names
    # what is suspected of a point seen in a picture is both, seeing and surveying
    own = np.full(len(kind), np.nan)
    at = np.flatnonzero(kind == "control")[:fixed]
    seen = setup.prior_sigma[2 * setup.fixed_place]
    own[at] = 1 / (setup.fixes.sigma_m**2 + seen**2)
    of_survey = kind == "control"
    of_survey[:taped] = setup.tie_frame >= 0
    held = np.zeros(len(kind), dtype=bool)
    few = setup.tells(np.ones(fixed, dtype=bool), np.ones(taped, dtype=bool)) < CHECKED
    for word in ("shift", "turn"):
        held[np.flatnonzero(kind == word)] = few
    width = np.where(np.isin(kind.astype(str), TWO), 2, 1).astype(np.int64)
    return Suspects(
        kind=kind,
        name=name,
        first=np.concatenate([[0], np.cumsum(width)])[:-1].astype(np.int64),
        width=width,
        prior=sparse.csc_array(sparse.hstack(prior, format="csc")),
        value=sparse.csc_array(sparse.hstack(value, format="csc")),
        own=own,
        held=held,
        of_survey=of_survey,
    )
