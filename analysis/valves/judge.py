"""The season's judgement on valves: do they close, do they open, do their sensors tell the truth."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.valves import words
from analysis.valves.book import events_of, rows, usual_flow
from analysis.valves.events import (
    AT_REST,
    DRY,
    FLOWED,
    GONE,
    HELD,
    PAST,
    ROSE,
    STILL,
    UNSURE,
    WENT,
    WHOLE,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.results import Finding
    from analysis.valves.book import Event
    from analysis.view import SeasonView

CONTRADICTIONS = 3
"""Times in a row that water must come with the valve said closed before its sensor is doubted. No source: once or
twice it was opened by hand."""

CAME_AND_WENT = 2
"""Times in a row that water must stop with the valve said open before its sensor is doubted. No source."""

PARDON = 3
"""Closings in a row that hold, after which a valve that did not close counts as mended. No source."""

SHARED = 0.8
"""Share of a flow's time in which other zones were watered, from which it comes with them. [-] No source."""

LONG_H = 3.0
"""Length from which a whole zone's flow past a closed valve is told the first time. [h] No source."""

ACT_SHARE = 0.05
"""Share of the usual flow from which one closing that leaks is to be acted on. [-] No source."""


def valve_faults(season: SeasonView) -> Sequence[Finding]:
    """Judge every valve and every shared meter by what followed openings and closings.

    Parameters
    ----------
    season : SeasonView
        The season.

    Returns
    -------
    list of Finding
        ``valve fault``, ``flow at rest``, ``no water`` or, for a valve sensor, ``sensor fault``.
    """
    book = events_of(season)
    everything = [event for events in book.values() for event in events]
    found: list[Finding] = []
    for events in book.values():
        if not any(e.name in (PAST, ROSE, DRY, GONE, UNSURE, WENT, AT_REST) for e in events):
            continue
        doubted = _untrue(season, events, everything)
        found += doubted
        if not doubted:
            found += [*_not_closing(season, events), *_not_opening(season, events, everything)]
        found += _at_rest(season, events, everything)
    return found


def _untrue(season: SeasonView, events: Sequence[Event], everything: Sequence[Event]) -> list[Finding]:
    """Return the finding of a valve sensor that water contradicts."""
    if len(events[0].sensors) == 1:
        return []
    usual = usual_flow(season, events[0].zone)
    kept = frozenset({FLOWED, PAST})
    shut = [
        e
        for e in events
        if e.name in kept or (e.name == ROSE and _whole(season, e, usual) and e.company < SHARED)
    ]
    said_shut = [r for r in rows(shut, frozenset({ROSE}), kept, pardon=1) if len(r) >= CONTRADICTIONS]
    kept = frozenset({HELD, FLOWED})
    said_open = [r for r in rows(events, frozenset({WENT}), kept, pardon=1) if len(r) >= CAME_AND_WENT]
    swapped = [e for e in events if e.name == DRY and _elsewhere(e, everything)]
    found = [words.said_closed(season, row) for row in said_shut[-1:]]
    found += [words.said_open(season, row) for row in said_open[-1:]]
    if not found and len(swapped) >= CAME_AND_WENT:
        found.append(words.swapped(season, swapped, _elsewhere(swapped[-1], everything)))
    return found


def _whole(season: SeasonView, event: Event, usual: float | None) -> bool:
    """Return whether an event's water is that of a zone that is watered."""
    if season.installation.sensor[event.sensors[-1]].quantity == "pressure":
        return True
    return usual is not None and event.level > WHOLE * usual


def _elsewhere(event: Event, everything: Sequence[Event]) -> str | None:
    """Return the zone in which water came past a closed valve while this one was open and dry."""
    return next(
        (e.zone for e in everything if e.name == ROSE and e.zone != event.zone and _at_once(e, event)),
        None,
    )


def _not_closing(season: SeasonView, events: Sequence[Event]) -> list[Finding]:
    """Return the findings of a valve that lets water past."""
    usual = usual_flow(season, events[0].zone)
    kept = [e for e in events if e.name != ROSE or _leaks(season, e, usual)]
    found = []
    for row in rows(kept, frozenset({PAST, ROSE}), frozenset({HELD}), pardon=PARDON):
        by_runs = len(row[0].sensors) == 1
        if by_runs and len(row) < PARDON:
            continue
        held = sum(e.name == HELD for e in kept if row[0].start <= e.start <= row[-1].end)
        share = None if usual is None else max(e.level for e in row) / usual
        grave = len(row) >= PARDON or (share is not None and share >= ACT_SHARE)
        found.append(words.past(season, row, usual=usual, held=held, grave=grave and not by_runs))
    return found


def _leaks(season: SeasonView, event: Event, usual: float | None) -> bool:
    """Return whether water that came past a closed valve is no opening by hand."""
    return not _whole(season, event, usual) or event.company >= SHARED or event.hours >= LONG_H


def _not_opening(season: SeasonView, events: Sequence[Event], everything: Sequence[Event]) -> list[Finding]:
    """Return the findings of an open valve that brought no water."""
    mine = [e for e in events if e.name != DRY or _elsewhere(e, everything) is None]
    against = frozenset({FLOWED, WENT})
    found = [words.dry(season, row) for row in rows(mine, frozenset({DRY}), against, pardon=1)]
    dry = rows(mine, frozenset({GONE, UNSURE}), frozenset({FLOWED, WENT, DRY}), pardon=1)
    return [*found, *(words.no_water(season, row) for row in dry)]


def _at_rest(season: SeasonView, events: Sequence[Event], everything: Sequence[Event]) -> list[Finding]:
    """Return the findings of a shared meter that goes on with every zone closed, where no zone's meter tells more."""
    usual = usual_flow(season, None)
    named = [e for e in everything if e.name in (PAST, ROSE) and e.zone is not None]
    open_ = [e for e in events if e.name != AT_REST or not any(_at_once(e, other) for other in named)]
    return [
        words.at_rest(season, row, usual=usual)
        for row in rows(open_, frozenset({AT_REST}), frozenset({STILL}), pardon=PARDON)
    ]


def _at_once(one: Event, two: Event) -> bool:
    return one.start < two.end and one.end > two.start
