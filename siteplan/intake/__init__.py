"""Every input file to one layer model; all faults of all files in one report."""

from siteplan.intake.features import MOST_FAULTS, read_features
from siteplan.intake.source import AnchorPoint, Reading, Source, Whereabouts
from siteplan.intake.vertex_values import vertex_numbers, vertex_texts

__all__ = [
    "MOST_FAULTS",
    "AnchorPoint",
    "Reading",
    "Source",
    "Whereabouts",
    "read_features",
    "vertex_numbers",
    "vertex_texts",
]
