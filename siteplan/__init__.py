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

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from siteplan.sites import load_site, measure, plan_runs, takeoff

__all__ = ["__version__", "load_site", "measure", "plan_runs", "takeoff"]


def __getattr__(name: str) -> Any:
    """Load the library only when it is used: asking the program for help stays quick."""
    if name in {"load_site", "measure", "plan_runs", "takeoff"}:
        from siteplan import sites

        return getattr(sites, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
