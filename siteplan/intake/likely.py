"""The likely CRSs of numbers without one, which every reader names with its refusal."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from siteplan.crs_database import region_boxes
from siteplan.detective import Evidence, Place, Weights, examine, one_line
from siteplan.errors import Fault, SiteplanError
from siteplan.intake.rings import finite_rows
from siteplan.intake.source import Whereabouts
from siteplan.types import FloatArray

_SHORT: Final = 3


def most_plausible(xy: FloatArray, whereabouts: Whereabouts) -> str:
    """The three most plausible CRSs of numbers without one, as the end of a sentence.

    Parameters
    ----------
    xy : (n, 2) coordinates; may be empty or not finite
    whereabouts : what the site's settings say

    Raises
    ------
    UsageError : a region or weight that is not known.
    """
    xy = xy[finite_rows(xy)]
    if not len(xy):
        return ""
    report = examine(
        Evidence(xy, place=place_of(whereabouts), region=whereabouts.region),
        weights=weights_of(whereabouts.weights),
        most=_SHORT,
    )
    lines = [f"({h.rank}) {one_line(h)}" for h in report.hypotheses]
    return "; most plausible: " + "; ".join(lines)


def place_of(whereabouts: Whereabouts) -> Place | None:
    """The known place of a site's settings."""
    if whereabouts.near is None:
        return None
    lon, lat = whereabouts.near
    return Place(lon, lat) if whereabouts.within_m is None else Place(lon, lat, whereabouts.within_m)


def weights_of(given: Mapping[str, float]) -> Weights:
    """The rule's weights with those of a site's settings."""
    return Weights().changed(given)


def whereabouts_faults(whereabouts: Whereabouts, file: str) -> list[Fault]:
    """What is wrong with the whereabouts of ``site.toml``, whether or not they are needed."""
    faults = []
    checks = (
        lambda: place_of(whereabouts),
        lambda: weights_of(whereabouts.weights),
        lambda: None if whereabouts.region is None else region_boxes(whereabouts.region),
    )
    for check in checks:
        try:
            check()
        except SiteplanError as error:
            faults.append(Fault("whereabouts", str(error), "Mend [whereabouts]", file))
    return faults
