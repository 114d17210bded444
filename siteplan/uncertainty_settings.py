"""What ``site.toml`` says about uncertainty: what may be off, and by how much.

Every number is one standard deviation.  None of the defaults has a published source; each says so
and where it is from: *common practice* of the trade, or *invented* to have something to start with.
docs/uncertainty.md tells how to find one's own.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, Field

from siteplan.tomlfile import LengthUm, Table, not_negative, positive

PositiveUm = Annotated[LengthUm, AfterValidator(positive)]
NotNegativeUm = Annotated[LengthUm, AfterValidator(not_negative)]
Ppm = Annotated[float, Field(ge=0, le=100_000)]


class Uncertainty(Table):
    """Standard deviations of what may be off, and how many draws are taken."""

    vertex_sigma: PositiveUm | None = None
    """of a traced vertex, each way; else ``outline.tracing_sigma``, else that of the tapes' comparison
    (its setting, the pictures traced from, what it assumes)"""
    correlation_length: NotNegativeUm = 1_000_000
    """along the line, over which the errors of vertices fall to 1/e of likeness; 0: they are
    independent (invented default)"""
    offset_bed: NotNegativeUm = 10_000
    """common to the outline of a bed, square to it: mulch that hides the edge (invented default)"""
    offset_operator: NotNegativeUm = 10_000
    """common to everything one person traced: which side of the edge is taken (invented default)"""
    offset_picture: NotNegativeUm = 20_000
    """common to everything traced from one picture: shadow, canopy (invented default)"""
    picture_scale_ppm: Ppm = 300
    """scale of a picture (invented default)"""
    operators: dict[str, list[str]] = Field(default_factory=dict)
    """who traced which beds; beds not named were traced by one further person"""
    taped: dict[str, list[str]] = Field(default_factory=dict)
    """tape to the beds that were drawn from its readings and not traced; the tapes and kinds of
    ``[reconcile]`` say how good it is"""
    batch_ppm: Ppm = 500
    """length of all pieces of a delivery, long or short together (invented default)"""
    joint_habit: NotNegativeUm = 500
    """mean joint of the crew, off the nominal one (invented default)"""
    draws: Annotated[int, Field(ge=100, le=20_000)] = 1_000
    """true sites drawn for the order, and as many again to check it"""
    seed: Annotated[int, Field(ge=0, le=2**32 - 1)] = 1
    curve_lengths: Annotated[int, Field(ge=3, le=99)] = 9
    """lengths at which each curve of a rigid line is laid; a draw takes the nearest"""
    solve_seconds: Annotated[float, Field(gt=0, le=86_400)] = 20.0
    """for each probability that is looked at: the least-cost order takes the best it has after this time,
    with its bound beside it"""
