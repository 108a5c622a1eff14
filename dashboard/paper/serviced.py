"""The before/after variant of the record: what one entry of the service log changed, and how sure that is."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from analysis.before_after import BeforeAfter, compare
from analysis.service import NEW_EMITTERS, SERVICE_KINDS
from analysis.uniformity.catch import change, uniformity
from dashboard.display import Units, scale
from dashboard.paper import record_tables as tables
from dashboard.paper.dates import at, on
from dashboard.paper.document import Document, Section, Table
from dashboard.paper.record import Matter, basis, framed
from dashboard.paper.record_words import percent, signed
from dashboard.paper.zone_charts import pictures

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analysis.results import Results
    from analysis.service import Service
    from ingest.installation import Installation

COMPARED = ("flow at reference pressure", "filter pressure loss", "clear-out time")
"""What is compared, run by run."""

FIRST_DAYS = 10
"""Days from which the emitters' first flow is taken, for the loss before and after. [d] As in the baseline."""

Row = tuple[str, ...]


def serviced(matter: Matter, entry: Service, installation: Installation, units: Units) -> Document:
    """Return the record of what a service changed.

    Parameters
    ----------
    matter : Matter
        What it is made from; its period holds days before and after the service.
    entry : Service
        Which entry of the service log.
    installation : Installation
        The system.
    units : {"metric", "us"}
        What the reader wants.

    Returns
    -------
    Document
        For HTML and PDF.
    """
    zones = [entry.zone] if entry.zone else list(installation.zone)
    found = {zone: effects(zone, entry, matter, installation) for zone in zones}
    sections = (
        Section("In short", words=tuple(_summary(entry, found, installation, units))),
        _entry(entry, installation, units),
        *(_zone(zone, found[zone], matter, entry, installation, units) for zone in zones),
        tables.uniformities(matter.entries, installation, units),
        tables.findings(matter.cases, installation, units),
        tables.services(matter.logged, installation, units),
        *basis(matter),
    )
    return framed("Service record, before and after", sections, matter, installation, units)


def effects(zone: str, entry: Service, matter: Matter, installation: Installation) -> list[BeforeAfter]:
    """Return every quantity of a zone before and after a service.

    Other services of the zone end the days that are compared, so that no two effects are mixed.
    """
    others = [
        s.time
        for s in matter.services
        if s.zone in (None, zone) and s.kind not in ("note", "preventer tested", "backflow cleared")
    ]
    since = max((t for t in others if t < entry.time), default=None)
    until = min((t for t in others if t > entry.time), default=None)
    results = matter.results
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
        evenness(matter.entries, zone, entry.time),
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
        return f"{_capital(one.quantity)}: cannot be told; {one.reason}."
    before, after = (_value(end[0], one, units) for end in (one.before, one.after))
    verdict = "more than chance" if one.changed else "no more than chance may do"
    return f"{_capital(one.quantity)}: {before} before, {after} after, {_moved(one, units)}; {probability(one.p)}: {verdict}."


def _moved(one: BeforeAfter, units: Units) -> str:
    """Return a change with its interval; a flow's as a share of what it was."""
    assert one.change is not None  # noqa: S101 - for the type checker; callers have asked
    assert one.before is not None  # noqa: S101 - as above
    if one.quantity == "statistical uniformity":
        points = f"{100 * one.change[0]:+.1f}".replace("-", "\N{MINUS SIGN}")
        return f"{points} points"
    if one.quantity == "flow at reference pressure":
        middle, low, high = (signed(end / one.before[0]) for end in one.change)
        return f"{middle} ({low} to {high})"
    shown = scale(one.unit, units)
    middle, low, high = (_signed_number(end * shown.factor) for end in one.change)
    return f"{middle}\N{NO-BREAK SPACE}{shown.unit} ({low} to {high})"


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


def _value(value: float, one: BeforeAfter, units: Units) -> str:
    """Return a value in the reader's units."""
    if one.unit == "1":
        return percent(value)
    return scale(one.unit, units).text(value)


def _capital(words: str) -> str:
    return words[0].upper() + words[1:]


def _summary(
    entry: Service, found: Mapping[str, Sequence[BeforeAfter]], installation: Installation, units: Units
) -> list[str]:
    """Return the plain words: what was done, and what it changed in each zone."""
    done = f"{_capital(entry.kind)} ({entry.zone or 'head'}) on {on(entry.time, installation.tz, units)} by {entry.person}."
    said = [f"{zone}: " + " ".join(told(one, units) for one in effects_) for zone, effects_ in found.items()]
    changed = [zone for zone, effects_ in found.items() if any(one.changed for one in effects_)]
    blank = all(one.p is None for effects_ in found.values() for one in effects_)
    if blank:
        verdict = "Whether it changed anything cannot be told from the data; the reasons stand below."
    elif changed:
        verdict = f"Something changed by more than chance in: {', '.join(changed)}."
    else:
        verdict = "Nothing that was measured changed by more than chance."
    return [done, verdict, *said]


def _entry(entry: Service, installation: Installation, units: Units) -> Section:
    """Return the entry itself."""
    rows = (
        ("When", at(entry.time, installation.tz, units)),
        ("What", f"{entry.kind}: {SERVICE_KINDS.get(entry.kind, '')}"),
        ("Where", ", ".join(p for p in (entry.zone, entry.sensor) if p) or "head"),
        ("By", entry.person),
        ("Note", entry.note or "none"),
    )
    return Section("The service", table=Table(("", "Entry"), rows))


def _zone(
    zone: str,
    found: Sequence[BeforeAfter],
    matter: Matter,
    entry: Service,
    installation: Installation,
    units: Units,
) -> Section:
    """Return one zone's comparison as a table, with its pictures."""
    rows = [_row(one, units) for one in found]
    first = first_flow(matter.results, zone, matter.services, entry.time)
    flow = found[0]
    if first and flow.before and flow.after:
        lost = [1.0 - side[0] / first for side in (flow.before, flow.after)]
        rows.insert(
            1, ("flow lost since the emitters' first days", percent(lost[0]), percent(lost[1]), "", "", "")
        )
    titles = (
        "Quantity",
        "Before (95 % interval)",
        "After (95 % interval)",
        "Change",
        "By chance",
        "Days or tests",
    )
    words = tuple(f"{_capital(one.quantity)} cannot be told: {one.reason}." for one in found if one.reason)
    drawn = tuple(pictures(zone, matter.results, installation, units, [entry]))
    return Section(
        f"Zone {zone}", words=words, table=Table(titles, tuple(rows), (1, 2, 3, 4)), pictures=drawn[-1:]
    )


def _row(one: BeforeAfter, units: Units) -> Row:
    """Return one comparison as a row."""
    days = f"{one.days[0]} and {one.days[1]}"
    if one.before is None or one.after is None or one.p is None:
        return one.quantity, "\N{EN DASH}", "\N{EN DASH}", "\N{EN DASH}", "\N{EN DASH}", days
    sides = [
        f"{_value(side[0], one, units)} ({_value(side[1], one, units)} to {_value(side[2], one, units)})"
        for side in (one.before, one.after)
    ]
    return one.quantity, *sides, _moved(one, units), probability(one.p), days
