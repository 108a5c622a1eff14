"""Findings of one kind, place and sensor that touch each other become one."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Iterable

    from analysis.results import Finding

TOUCH = pd.Timedelta(minutes=10)
"""Findings this near to each other are one. No source."""

SEVERITIES = ("watch", "act", "stop")
"""From mild to grave."""


def joined(findings: Iterable[Finding]) -> list[Finding]:
    """Join findings of the same kind, zone, sensor and unit whose times touch.

    Parameters
    ----------
    findings : iterable of Finding
        In any order.

    Returns
    -------
    list of Finding
        By start, then kind, zone and sensor. A joined one spans its parts and speaks with the words of the
        gravest, of those the largest.
    """
    open_: dict[tuple[str, str, str, str], Finding] = {}
    done: list[Finding] = []
    for finding in sorted(findings, key=_order):
        key = (finding.kind, finding.zone or "", finding.sensor or "", finding.unit or "")
        earlier = open_.get(key)
        if earlier is not None and finding.start - earlier.end <= TOUCH:
            open_[key] = _one(earlier, finding)
            continue
        if earlier is not None:
            done.append(earlier)
        open_[key] = finding
    return sorted([*done, *open_.values()], key=_order)


def _order(finding: Finding) -> tuple[pd.Timestamp, str, str, str]:
    """Return what findings are sorted by."""
    return finding.start, finding.kind, finding.zone or "", finding.sensor or ""


def _one(one: Finding, two: Finding) -> Finding:
    """Return two findings as one."""
    worse = max(one, two, key=lambda f: (SEVERITIES.index(f.severity), abs(f.value or 0.0)))
    return replace(worse, start=min(one.start, two.start), end=max(one.end, two.end))
