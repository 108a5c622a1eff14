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
    names = dict.fromkeys(name for panel in panels for name in panel.sensors)
    told = [one for one in context.snapshot.flags if one.sensor in names]
    if not told:
        return section(say("flags.title"), html.P(say("flags.none")), testid="quality")
    rows: dict[tuple[str, int], list[Count]] = {}
    for one in told:
        rows.setdefault((one.sensor, one.day.value), []).append(one)
    order = sorted(rows, key=lambda key: (list(names).index(key[0]), -key[1]))
    head = [
        say(f"flags.{key}") for key in ("sensor", "day", "status", "good", "not_evaluated", "flagged", "why")
    ]
    shown = table(
        head,
        [_row(rows[key]) for key in order],
        caption=say("flags.title"),
        testid="quality-table",
        row_ids=[f"{rows[key][0].sensor} {rows[key][0].day:%Y-%m-%d}" for key in order],
    )
    return section(say("flags.title"), html.P(say("flags.intro")), shown, testid="quality")


def _row(found: list[Count]) -> tuple[object, ...]:
    """Return one sensor's day."""
    first = found[0]
    flagged = [one for one in found if one.flag >= Quality.SUSPECT]
    why = [say("flags.reason", test=WORDS[one.outcome], count=one.count) for one in flagged]
    return (
        first.sensor.replace("_", " "),
        f"{first.day:%Y-%m-%d}",
        badge(MARKS[first.status], say(f"flags.{first.status}")),
        _number(sum(one.count for one in found if one.outcome == Outcome.PASSED)),
        _number(sum(one.count for one in found if one.outcome == Outcome.WAITING)),
        _number(sum(one.count for one in flagged)),
        ", ".join(why) or say("flags.nothing"),
    )


def _number(count: int) -> Component:
    return html.Span(str(count), className="number")
