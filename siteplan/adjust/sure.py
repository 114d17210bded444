"""How sure the legs of an adjusted plan are: the adjustment's joint covariance in place of the tracing's."""

from __future__ import annotations

import numpy as np
from scipy import sparse

from siteplan.adjust.site import Adjustment
from siteplan.plans import RunPlan
from siteplan.sites import Site
from siteplan.uncertainty.components import AdjustedLegs, length_model
from siteplan.uncertainty.lengths import LengthModel


def adjusted_legs(made: Adjustment) -> AdjustedLegs | None:
    """The legs an adjustment covers; None where it has none, or its plan has other legs."""
    legs = np.flatnonzero(made.wanted & np.isfinite(made.leg_after_m))
    if not made.same_legs or not len(legs):
        return None
    own = made.leg_functions(legs) @ sparse.diags_array(made.spread.prior_sigma)
    return AdjustedLegs(
        legs=legs,
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
    return length_model(after, plan_after, adjusted=adjusted_legs(made))
