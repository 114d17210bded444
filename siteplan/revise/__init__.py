"""What people do with the record of a site: begin one, bring in changed files, look back, take out a copy.

See docs/record.md.
"""

from siteplan.revise.bring_in import BroughtIn, bring_in
from siteplan.revise.export import export_revision
from siteplan.revise.start import names_of_runs, new_site, record_of, start_record

__all__ = [
    "BroughtIn",
    "bring_in",
    "export_revision",
    "names_of_runs",
    "new_site",
    "record_of",
    "start_record",
]
