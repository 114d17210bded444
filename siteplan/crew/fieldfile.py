"""The field file: what a crew's phone writes after a run.  The format is told in docs/crew-page.md.

The page writes and merges these files; here stand only the names and limits both sides keep to.
"""

from __future__ import annotations

from typing import Final

FORMAT: Final = "siteplan field file"
VERSION: Final = 1
LISTS: Final = ("ticks", "lengths", "notes", "broken", "extra", "leftover", "times")
"""keys that hold lists of records"""
SAME_PLACE_M: Final = 0.02
"""a tick of another plan is taken over where its piece has the same id and code and lies this near"""

LIMITS: Final = {
    "ticks": 200_000,
    "records": 20_000,
    "text": 4_000,
    "id": 400,
    "count": 1_000_000,
    "people": 99,
}
"""most ticks, most records of any other list, longest text and id, greatest numbers"""
