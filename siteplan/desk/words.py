"""Numbers as text, in the site's units: the page shows these and reckons nothing."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np

from siteplan.errors import DataError, Fault, SiteplanError
from siteplan.parts import Part
from siteplan.sites import Site
from siteplan.types import FloatArray
from siteplan.units import Unit, format_length, format_lengths

SQUARE_FOOT_M2: Final = 0.3048**2


@dataclass(frozen=True, slots=True)
class Words:
    """How a site shows its numbers."""

    unit: Unit
    denominator: int

    @classmethod
    def of(cls, site: Site) -> Words:
        """As the settings say."""
        return cls(site.settings.show.units, site.settings.show.inch_fraction)

    def length(self, length_m: float) -> str:
        """A length."""
        return format_length(float(length_m), self.unit, denominator=self.denominator)

    def lengths(self, length_m: FloatArray) -> list[str]:
        """Lengths, to the micrometre."""
        um = np.rint(np.asarray(length_m, dtype=np.float64) * 1e6).astype(np.int64)
        return format_lengths(um.tolist(), self.unit, denominator=self.denominator)

    def area(self, area_m2: float) -> str:
        """An area."""
        if self.unit == "m":
            return f"{area_m2:,.2f} m²"
        return f"{area_m2 / SQUARE_FOOT_M2:,.1f} ft²"

    def unmet(self, part: Part) -> list[str]:
        """What the legs lack that are not met, and why."""
        unmet = part.result.unmet
        return [
            f"{self.length(short)} short: {why}" if short else str(why)
            for short, why in zip(unmet.short_m.tolist(), unmet.why.tolist(), strict=True)
        ]

    def corners(self, part: Part) -> list[str]:
        """What stands at the corners."""
        runs, result = part.plan.runs, part.result
        codes = [c.article.code for c in result.corner_units]
        return [
            f"{'Outside' if turn > 0 else 'Inside'} corner, {abs(turn):.1f}°, "
            + (f"unit {codes[unit]}" if laid and unit >= 0 else "no unit")
            for turn, unit, laid in zip(
                runs.corner_turn_deg.tolist(),
                result.corners.unit.tolist(),
                result.corner_laid.tolist(),
                strict=True,
            )
        ]


def money(amount: int, currency: str, digits: int) -> str:
    """Whole minor units as people write them."""
    whole = f"{amount / 10**digits:,.{digits}f}" if digits else f"{amount:,}"
    return f"{whole} {currency}"


def counted(count: int, one: str, many: str | None = None) -> str:
    """A number and what it counts."""
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def rows(pairs: Iterable[tuple[str, Any]]) -> list[dict[str, str]]:
    """Rows of a panel."""
    return [{"label": label, "text": str(text)} for label, text in pairs]


def seen_from(folder: Path, error: SiteplanError) -> SiteplanError:
    """An error as it is told at the desk: a file of the site by its place in the folder, not on the disk."""

    def near(fault: Fault) -> Fault:
        try:
            return fault if not fault.file else replace(fault, file=str(Path(fault.file).relative_to(folder)))
        except ValueError:
            return fault

    if not isinstance(error, DataError):
        return error
    return DataError(*map(near, error.faults), findings=error.findings)
