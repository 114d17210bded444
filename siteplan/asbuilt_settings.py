"""What ``site.toml`` says about coming back from the field: tolerances, tape, deliveries.

Every default is assumed or common practice; none has a published source.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, Field

from siteplan.tape_settings import TapeKind
from siteplan.tomlfile import LengthUm, Table, not_negative, positive

PositiveUm = Annotated[LengthUm, AfterValidator(positive)]
NotNegativeUm = Annotated[LengthUm, AfterValidator(not_negative)]


class AsBuiltSettings(Table):
    """How what was laid is held against the plan."""

    point_within: PositiveUm = 300_000
    """a survey point farther than this from every laying line is of none of them"""
    corner_within: PositiveUm = 150_000
    """a survey point this near to a corner or end of the plan was taken at it"""
    line_within: PositiveUm = 25_000
    """edging farther off its laying line than this is told"""
    survey_sigma: PositiveUm = 10_000
    """standard deviation of a surveyed point, each way"""
    tick_within: NotNegativeUm = 20_000
    """a tick made to another plan counts where its piece lies this near to where it lies now"""
    tape: TapeKind = "steel"
    """what as-laid lengths are taped with; how good it is stands in [reconcile.kind]"""
    delivered: dict[str, Annotated[int, Field(ge=0, le=10**9)]] = Field(default_factory=dict)
    """pieces delivered of a code, where it is not what the order has"""
