"""How sure the legs of an adjusted plan are: the adjustment's joint covariance in place of the tracing's."""

from __future__ import annotations

import numpy as np
from scipy import sparse

from siteplan.adjust.site import Adjustment
from siteplan.plans import RunPlan
from siteplan.sites import Site
from siteplan.uncertainty.components import AdjustedLegs, length_model
from siteplan.uncertainty.lengths import LengthModel


def adjusted_legs(made: Adjustment, plan_after: RunPlan) -> AdjustedLegs | None:
    """The legs an adjustment covers; None where it has none, or the plan has other legs.

    Parameters
    ----------
    made : the adjustment
    plan_after : with the adjusted outlines.  Its legs may have other numbers than those of the plan as
        drawn: a ring starts at its south-most corner, and that may be another one now
    """
    legs = np.flatnonzero(made.wanted)
    place = made.legs_in(plan_after.runs)[legs]
    if not made.same_legs or not len(legs) or (place < 0).any():
        return None
    own = made.leg_functions(legs) @ sparse.diags_array(made.spread.prior_sigma)
    return AdjustedLegs(
        legs=place,
        leg_m=made.leg_after_m[legs],
        covariance_m2=made.leg_covariance(legs),
        before_m2=np.asarray((own @ own.T).todense()),
    )


def adjusted_lengths(after: Site, plan_after: RunPlan, made: Adjustment) -> LengthModel | None:
    """Lengths of the adjusted plan, as they may be; None where the site asks for no probability.

    Parameters
    ----------
    after, plan_after : the site with the adjusted outlines, and its plan
    made : the adjustment

    Raises
    ------
    DataError : beds or tapes the settings of uncertainty name and the site does not have.
    """
    if after.settings.spares.suffice is None and after.settings.uncertainty is None:
        return None
    return length_model(after, plan_after, adjusted=adjusted_legs(made, plan_after))
