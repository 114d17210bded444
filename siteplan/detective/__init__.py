"""Which coordinate reference system explains the numbers of a file?

:func:`examine` takes the numbers, whatever else is known (a place, a region, taped lengths,
control points) and what the file declares, and ranks the explanations.  It names, it never
applies: a CRS is used only when a person says so.  ``docs/crs-detective.md`` explains the
rule in plain words.
"""

from siteplan.detective.evidence import Control, Evidence, Known, Place, Weights
from siteplan.detective.examine import examine
from siteplan.detective.report import Apart, CrsReport, Factor, Hypothesis
from siteplan.detective.words import as_data, as_text, one_line

__all__ = [
    "Apart",
    "Control",
    "CrsReport",
    "Evidence",
    "Factor",
    "Hypothesis",
    "Known",
    "Place",
    "Weights",
    "as_data",
    "as_text",
    "examine",
    "one_line",
]
