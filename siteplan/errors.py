"""Faults, findings and the exceptions that carry them.

A *fault* is something wrong with an input that stops the work; all faults of an
input are gathered and raised together in one :class:`DataError`.  A *finding* is
something the reader of the result should know; it never stops the work.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Grade = Literal["error", "notice"]


def sentences(first: str, second: str) -> str:
    """Two sentences, one full stop between them whether the first has its own or not.

    Examples
    --------
    >>> sentences("The file is empty.", "Export it again")
    'The file is empty. Export it again'
    """
    return f"{first if first.endswith(('.', '?', '!')) else f'{first}.'} {second}"


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with an input: what, where, and how to mend it.

    Parameters
    ----------
    code : short stable word, such as ``swapped-axes``
    what : the fault in one sentence, with the offending value
    remedy : what the user can do about it
    file : file (and layer) the fault is in
    feature : bed, abutment or other feature, as the data names it
    vertex : number of the vertex within its feature, counted from 1
    place_xy : where it is, in the site's working axes (metres); the front door turns it into
        longitude and latitude
    """

    code: str
    what: str
    remedy: str
    file: str | None = None
    feature: str | None = None
    vertex: int | None = None
    place_xy: tuple[float, float] | None = None

    @property
    def where(self) -> str:
        """File, feature and vertex, as far as they are known."""
        parts = [
            self.file,
            f'feature "{self.feature}"' if self.feature is not None else None,
            f"vertex {self.vertex}" if self.vertex is not None else None,
        ]
        return ", ".join(p for p in parts if p)

    @property
    def text(self) -> str:
        """The whole fault as one line."""
        place = f"{self.where}: " if self.where else ""
        return f"{place}{sentences(self.what, self.remedy)} [{self.code}]"


@dataclass(frozen=True, slots=True)
class Finding:
    """Something the reader of a result should know.

    Parameters
    ----------
    code : short stable word, such as ``no-height``
    grade : ``error`` where a number is not what it should be (an unmet leg, a
        feature left out), ``notice`` otherwise
    text : one or two sentences for people
    bed : bed id, where it belongs to one
    vertex : vertex number from 1, where it belongs to one
    """

    code: str
    grade: Grade
    text: str
    bed: str | None = None
    vertex: int | None = None


class SiteplanError(Exception):
    """Base of every error siteplan raises on purpose."""

    exit_code = 1


class DataError(SiteplanError, ValueError):
    """An input cannot be used.  Carries every fault found in it.

    Parameters
    ----------
    faults : one or more faults
    findings : what was found besides, before the faults stopped the work
    """

    exit_code = 1

    def __init__(self, *faults: Fault, findings: tuple[Finding, ...] = ()) -> None:
        self.faults: tuple[Fault, ...] = faults
        self.findings: tuple[Finding, ...] = findings
        super().__init__("\n".join(f.text for f in faults))


class UsageError(SiteplanError, ValueError):
    """The program or a function was asked for something it does not do."""

    exit_code = 2


class OutputError(SiteplanError, OSError):
    """A result cannot be written."""

    exit_code = 1
