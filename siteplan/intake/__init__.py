"""Every input file to one layer model; all faults of all files in one report."""

from siteplan.intake.features import MOST_FAULTS, read_features
from siteplan.intake.files import Source

__all__ = ["MOST_FAULTS", "Source", "read_features"]
