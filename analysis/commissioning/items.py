"""What the sheet is made of: facts that were computed, and remarks that somebody must act on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Severity = Literal["watch", "act", "stop"]

ORDER = ("stop", "act", "watch")
"""Severities, worst first."""


@dataclass(frozen=True, slots=True)
class Fact:
    """One computed number.

    Attributes
    ----------
    place : str
        Table of the file that it is about, such as ``"zone.bench1"``.
    name : str
        What it is.
    value : float
        The number. [stored unit of `dimension`]
    dimension : str
        A key of `ingest.quantities.DIMENSIONS`, or ``"velocity"`` [m/s], ``"number"``.
    source : str
        Formula or practice that it follows.
    """

    place: str
    name: str
    value: float
    dimension: str
    source: str


@dataclass(frozen=True, slots=True)
class Remark:
    """One thing that is wrong, doubtful or missing.

    Attributes
    ----------
    kind : str
        Short name, one a kind of mistake.
    place : str
        Table and key of the file that it is about.
    severity : {"watch", "act", "stop"}
        ``stop`` where somebody or something can be harmed, or injection cannot work.
    what : str
        What was found, with its numbers.
    mend : str
        What to do.
    source : str
        Rule, formula or practice behind it.
    """

    kind: str
    place: str
    severity: Severity
    what: str
    mend: str
    source: str


def worst_first(remarks: list[Remark]) -> list[Remark]:
    """Return remarks with the worst first, otherwise in their order.

    Examples
    --------
    >>> mild, hard = (Remark("k", "p", s, "w", "m", "s") for s in ("watch", "stop"))
    >>> [remark.severity for remark in worst_first([mild, hard])]
    ['stop', 'watch']
    """
    return sorted(remarks, key=lambda remark: ORDER.index(remark.severity))
