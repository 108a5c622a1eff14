"""What a service changed in a zone, in numbers and in words; for the record before and after it, and the periodic one."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from analysis.before_after import BeforeAfter, compare
from analysis.findings.preventer import TESTS
from analysis.service import NEW_EMITTERS
from analysis.uniformity.catch import change, uniformity
from dashboard.display import duration, scale
from dashboard.paper.record_numbers import percent, signed

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analysis.results import Results
    from analysis.service import Service
    from dashboard.display import Units
    from ingest.installation import Installation

COMPARED = ("flow at reference pressure", "filter pressure loss", "clear-out time")
"""What is compared, run by run."""

FIRST_DAYS = 10
"""Days from which the emitters' first flow is taken, for the loss before and after. [d] As in the baseline."""


def effects(
    zone: str,
    entry: Service,
    results: Results,
    services: Sequence[Service],
    entries: Sequence[Mapping[str, Any]],
    installation: Installation,
) -> list[BeforeAfter]:
    """Return every quantity of a zone before and after a service.

    Other services of the zone end the days that are compared, so that no two effects are mixed.
    """
    others = [
        s.time
        for s in services
        if s.zone in (None, zone) and s.kind not in ("note", "backflow cleared", *TESTS)
    ]
    since = max((t for t in others if t < entry.time), default=None)
    until = min((t for t in others if t > entry.time), default=None)
    return [
        *(
            compare(
                quantity,
                [e for e in results.estimates if (e.quantity, e.zone) == (quantity, zone)],
                entry.time,
                installation.tz,
                since=since,
                until=until,
            )
            for quantity in COMPARED
        ),
        evenness(entries, zone, entry.time),
    ]


def evenness(entries: Sequence[Mapping[str, Any]], zone: str, service: pd.Timestamp) -> BeforeAfter:
    """Return a zone's statistical uniformity in the last catch test before a service and the first after it.

    References
    ----------
    `analysis.uniformity.catch.change`.
    """
    tests = sorted(
        (
            (pd.Timestamp(e["time"]).tz_convert("UTC"), e["flow_l_h"])
            for e in entries
            if e.get("what") == "catch test" and e.get("zone") == zone
        ),
        key=lambda test: test[0],
    )
    before = [flows for moment, flows in tests if moment < service]
    after = [flows for moment, flows in tests if moment >= service]
    counts = (len(before), len(after))
    name = "statistical uniformity"
    if not before or not after:
        lack = "before it" if not before else "after it"
        lack = "before or after it" if not before and not after else lack
        reason = f"there is no catch test of {zone} {lack}; one on each side of a service tells"
        return BeforeAfter(name, "1", days=counts, reason=reason)
    try:
        judged = [uniformity(flows) for flows in (before[-1], after[0])]
        moved = change(before[-1], after[0])
    except ValueError as error:
        return BeforeAfter(name, "1", days=counts, reason=f"a catch test will not do: {error}")
    sides = [
        (one.statistical / 100.0, one.statistical_limits[0] / 100.0, one.statistical_limits[1] / 100.0)
        for one in judged
    ]
    by = moved.statistical / 100.0
    return BeforeAfter(
        name, "1", sides[0], sides[1], (by, float("nan"), float("nan")), moved.variation_p, counts
    )


def first_flow(
    results: Results, zone: str, services: Sequence[Service], before: pd.Timestamp
) -> float | None:
    """Return the mean flow at reference pressure of the first days since the emitters were new. [L/h]"""
    new = [s.time for s in services if s.kind in NEW_EMITTERS and s.zone in (None, zone) and s.time < before]
    start = max([results.start, *new])
    values = [
        float(e.value)
        for e in results.estimates
        if (e.quantity, e.zone, e.status) == ("flow at reference pressure", zone, "ok")
        and e.value is not None
        and e.run_start is not None
        and start <= e.run_start < min(start + pd.Timedelta(days=FIRST_DAYS), before)
    ]
    return sum(values) / len(values) if values else None


def told(one: BeforeAfter, units: Units) -> str:
    """Return the sentence of one comparison: before, after, the change with its interval, and what it means."""
    if one.before is None or one.after is None or one.change is None or one.p is None:
        return f"{capital(one.quantity)}: cannot be told; {one.reason}."
    before, after = (shown(end[0], one, units) for end in (one.before, one.after))
    verdict = "more than chance" if one.changed else "no more than chance may do"
    return f"{capital(one.quantity)}: {before} before, {after} after, {moved(one, units)}; {probability(one.p)}: {verdict}."


def moved(one: BeforeAfter, units: Units) -> str:
    """Return a change with its interval; a flow's as a share of what it was."""
    assert one.change is not None  # noqa: S101 - for the type checker; callers have asked
    assert one.before is not None  # noqa: S101 - as above
    if one.quantity == "statistical uniformity":
        points = f"{100 * one.change[0]:+.1f}".replace("-", "\N{MINUS SIGN}")
        return f"{points} points"
    if one.quantity == "flow at reference pressure":
        middle, low, high = (signed(end / one.before[0]) for end in one.change)
        return f"{middle} ({low} to {high})"
    unit = scale(one.unit, units)
    middle, low, high = (_signed_number(end * unit.factor) for end in one.change)
    return f"{middle}\N{NO-BREAK SPACE}{unit.unit} ({low} to {high})"


def _signed_number(value: float) -> str:
    """Return a number with its sign and one decimal."""
    return f"{value:+.1f}".replace("-", "\N{MINUS SIGN}")


def probability(p: float) -> str:
    """Return a probability by chance.

    Examples
    --------
    >>> probability(0.0), probability(0.0312)
    ('p < 0.001', 'p = 0.031')
    """
    return "p < 0.001" if p < 0.001 else f"p = {p:.2g}"  # noqa: PLR2004 - smaller ones say no more


def shown(value: float, one: BeforeAfter, units: Units) -> str:
    """Return a value in the reader's units."""
    if one.unit == "1":
        return percent(value)
    if one.unit == "s":
        return duration(value)
    return scale(one.unit, units).text(value)


def capital(words: str) -> str:
    """Return words with a capital first."""
    return words[0].upper() + words[1:]
