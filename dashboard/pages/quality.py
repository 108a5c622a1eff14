"""How many readings are flagged and why, sensor by sensor: provisional today, final once a day is closed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import html

from analysis.quality.outcomes import WORDS, Outcome
from dashboard.parts import badge, section, table
from dashboard.texts import say
from ingest.readings import Quality

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd
    from dash.development.base_component import Component

    from analysis.quality.outcomes import Count
    from dashboard.context import Context
    from dashboard.panels import Panel

MARKS = {"provisional": "unknown", "final": "fresh"}
"""Status of a day to the mark beside its word."""


def quality_part(context: Context, panels: Sequence[Panel]) -> Component:
    """Return the counts of flags of the sensors that a chart shows, by day and sensor.

    Parameters
    ----------
    context : Context
        What the page is made from.
    panels : sequence of Panel
        The chart's panels.
    """
    names = list(dict.fromkeys(name for panel in panels for name in panel.sensors))
    told = [one for one in context.snapshot.flags if one.sensor in names]
    if not told:
        return section(say("flags.title"), html.P(say("flags.none")), testid="quality")
    rows = [row for day in sorted({one.day for one in told}, reverse=True) for row in _day(told, day, names)]
    head = [
        say(f"flags.{key}") for key in ("day", "status", "sensor", "good", "not_evaluated", "flagged", "why")
    ]
    shown = table(head, rows, caption=say("flags.title"), testid="quality-table")
    return section(say("flags.title"), html.P(say("flags.intro")), shown, testid="quality")


def _day(told: Sequence[Count], day: pd.Timestamp, names: Sequence[str]) -> list[tuple[object, ...]]:
    """Return a day's rows: all sensors together, then each that has something flagged."""
    mine = [one for one in told if one.day == day]
    rows = [_row(mine, say("flags.all", count=len({one.sensor for one in mine})))]
    for name in names:
        found = [one for one in mine if one.sensor == name]
        if any(one.flag >= Quality.SUSPECT for one in found):
            rows.append(_row(found, name.replace("_", " ")))
    return rows


def _row(found: Sequence[Count], label: str) -> tuple[object, ...]:
    """Return the counts of one sensor's day, or of all sensors of a day."""
    first = found[0]
    why: dict[Outcome, int] = {}
    for one in found:
        if one.flag >= Quality.SUSPECT:
            why[one.outcome] = why.get(one.outcome, 0) + one.count
    said = [say("flags.reason", test=WORDS[outcome], count=why[outcome]) for outcome in sorted(why)]
    return (
        f"{first.day:%Y-%m-%d}",
        badge(MARKS[first.status], say(f"flags.{first.status}")),
        label,
        _number(sum(one.count for one in found if one.outcome == Outcome.PASSED)),
        _number(sum(one.count for one in found if one.outcome == Outcome.WAITING)),
        _number(sum(why.values())),
        ", ".join(said) or say("flags.nothing"),
    )


def _number(count: int) -> Component:
    return html.Span(str(count), className="number")
