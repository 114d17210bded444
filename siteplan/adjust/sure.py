"""How sure the legs of an adjusted plan are: the adjustment's joint covariance in place of the tracing's."""

from __future__ import annotations

import numpy as np
from scipy import sparse

from siteplan.adjust.placed import known_of
from siteplan.adjust.site import Adjustment
from siteplan.plans import RunPlan
from siteplan.sites import Site
from siteplan.types import FloatArray, IntArray
from siteplan.uncertainty.components import AdjustedLegs, length_model
from siteplan.uncertainty.lengths import LengthModel


def adjusted_legs(made: Adjustment, plan_after: RunPlan) -> AdjustedLegs | None:
    """The legs an adjustment covers, and the scales of pictures that surveyed points tell of.

    None where it has neither, or the plan has other legs.

    Parameters
    ----------
    made : the adjustment
    plan_after : with the adjusted outlines.  Its legs may have other numbers than those of the plan as
        drawn: a ring starts at its south-most corner, and that may be another one now
    """
    legs = np.flatnonzero(made.wanted)
    place = made.legs_in(plan_after.runs)[legs]
    scales = surveyed_scales(made)
    if not made.same_legs or not (len(legs) or len(scales)) or (place < 0).any():
        return None
    own = made.leg_functions(legs) @ sparse.diags_array(made.spread.prior_sigma)
    return AdjustedLegs(
        legs=place,
        leg_m=made.leg_after_m[legs],
        covariance_m2=made.leg_covariance(legs),
        before_m2=np.asarray((own @ own.T).todense()),
        scale_of_bed=_scale_of_bed(made, scales) if len(scales) else None,
        scale_covariance=_scale_covariance(made, scales, legs) if len(scales) else None,
    )


def surveyed_scales(made: Adjustment) -> IntArray:
    """(s,) pictures whose scales surveyed points tell of: what is left of these reaches every leg of them.

    Where they tell nothing of a scale it stays what the settings of uncertainty say, and not what the
    adjustment assumed of it.
    """
    laid = np.flatnonzero(made.setup.placing.frame >= 0)
    known = known_of(made, made.setup.layout.first_picture + laid)
    return np.asarray(laid[np.array([k.better for k in known], dtype=bool)], dtype=np.int64)


def _scale_of_bed(made: Adjustment, scales: IntArray) -> IntArray:
    number = np.full(len(made.setup.picture_name), -1, dtype=np.int64)
    number[scales] = np.arange(len(scales))
    return np.asarray(number[made.setup.groups.of_bed])


def _scale_covariance(made: Adjustment, scales: IntArray, legs: IntArray) -> FloatArray:
    """(s, s + k) joint covariance of scales with each other and with legs."""
    lay = made.setup.layout
    pick = sparse.csr_array(
        (np.ones(len(scales)), (np.arange(len(scales)), lay.first_picture + scales)),
        shape=(len(scales), lay.count),
    )
    every = sparse.csr_array(sparse.vstack([pick, made.leg_functions(legs)]))
    return np.asarray(made.spread.covariance(every)[: len(scales)])


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
