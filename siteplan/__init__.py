"""siteplan: plans modular landscape edging on large properties.

Outlines in, measured runs, exact takeoff, layers with piece markers out::

    import siteplan

    site = siteplan.load_site("sample_data/fennel_row")
    measures = siteplan.measure(site)
    plan = siteplan.plan_runs(site)
    result = siteplan.takeoff(site, plan)
    print(result.counts)
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from siteplan.plans import plan_runs
    from siteplan.sites import load_site, measure
    from siteplan.takeoffs import takeoff

__all__ = ["__version__", "load_site", "measure", "plan_runs", "takeoff"]


FRONT_DOOR = {"load_site": "sites", "measure": "sites", "plan_runs": "plans", "takeoff": "takeoffs"}
"""functions of the front door, and the modules they live in"""


def __getattr__(name: str) -> Any:
    """Load the library only when it is used: asking the program for help stays quick."""
    if name in FRONT_DOOR:
        return getattr(importlib.import_module(f"siteplan.{FRONT_DOOR[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
