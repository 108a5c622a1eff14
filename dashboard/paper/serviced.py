"""The before/after variant of the record: what one entry of the service log changed, and how sure that is."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.service import SERVICE_KINDS
from dashboard.paper import record_tables as tables
from dashboard.paper.dates import at, on
from dashboard.paper.document import Document, Section, Table
from dashboard.paper.effects import capital, effects, first_flow, moved, probability, shown, told
from dashboard.paper.record import Matter, basis, framed
from dashboard.paper.record_numbers import percent
from dashboard.paper.zone_charts import pictures

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analysis.before_after import BeforeAfter
    from analysis.service import Service
    from dashboard.display import Units
    from ingest.installation import Installation

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
    matter = matter.read_in(units)
    found = {
        zone: effects(zone, entry, matter.results, matter.services, matter.entries, installation)
        for zone in zones
    }
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


def _summary(
    entry: Service, found: Mapping[str, Sequence[BeforeAfter]], installation: Installation, units: Units
) -> list[str]:
    """Return the plain words: what was done, and what it changed in each zone."""
    done = f"{capital(entry.kind)} ({entry.zone or 'head'}) on {on(entry.time, installation.tz, units)} by {entry.person}."
    said = [f"{zone}: " + " ".join(told(one, units) for one in effects_) for zone, effects_ in found.items()]
    changed = [
        f"{zone}: {', '.join(one.quantity for one in effects_ if one.changed)}"
        for zone, effects_ in found.items()
        if any(one.changed for one in effects_)
    ]
    blank = all(one.p is None for effects_ in found.values() for one in effects_)
    if blank:
        verdict = "Whether it changed anything cannot be told from the data; the reasons stand below."
    elif changed:
        verdict = f"Changed by more than chance: {'; '.join(changed)}."
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
    words = tuple(f"{capital(one.quantity)} cannot be told: {one.reason}." for one in found if one.reason)
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
        f"{shown(side[0], one, units)} ({shown(side[1], one, units)} to {shown(side[2], one, units)})"
        for side in (one.before, one.after)
    ]
    return one.quantity, *sides, moved(one, units), probability(one.p), days
