"""Findings about the whole period: silent sensors."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import pandas as pd

from analysis.findings.rest import MESSAGES, SILENT
from analysis.quality.gaps import GAP_INTERVALS
from analysis.results import Finding
from analysis.table import clock

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from analysis.view import SeasonView

LEAST_SILENCE_S = 300.0
"""Shortest silence that a person is told of. [s] Shorter ones are gaps in the data only. No source."""

LATE_MESSAGES = 1.5
"""A message is missing after so many times the usual time between messages. [-] No source."""

ALL_SHARE = 0.8
"""Share of the sensors that must be silent at once for one common cause to be named. [-] No source."""

TOGETHER = pd.Timedelta(minutes=2)
"""Silences that begin and end within this of each other are one outage. No source."""


class Silence(NamedTuple):
    """One sensor's silence, joined across midnight."""

    sensor: str
    zone: str | None
    start: pd.Timestamp
    end: pd.Timestamp


def sensor_silent(season: SeasonView) -> Sequence[Finding]:
    """Find sensors that went silent.

    Parameters
    ----------
    season : SeasonView
        The whole period.

    Returns
    -------
    list of Finding
        ``sensor silent``: one a silence, or one for all sensors where nearly all were silent together. To act
        on while it lasts to the period's end, else to watch. A device that keeps its readings for a message now and
        then is silent once a message is `LATE_MESSAGES` times as late as usual.
    """
    seldom = {f.sensors[0]: f.value for f in season.features if f.name == MESSAGES}
    silences = [
        s
        for s in _joined(season)
        if (s.end - s.start).total_seconds()
        >= LEAST_SILENCE_S + (LATE_MESSAGES * seldom.get(s.sensor, 0.0) if s.end >= season.end else 0.0)
    ]
    due = sum(s.interval is not None for s in season.installation.sensor.values())
    outages, single = _outages(silences, due)
    return [_outage(season, start, end, names) for start, end, names in outages] + [
        _silent(season, silence) for silence in single
    ]


def _joined(season: SeasonView) -> list[Silence]:
    """Return each sensor's silences, those that meet at midnight as one."""
    found: list[Silence] = []
    features = [f for f in season.features if f.name == SILENT]
    for f in sorted(features, key=lambda f: (f.sensors, f.at)):
        end = f.at + pd.Timedelta(seconds=f.value)
        if found and found[-1].sensor == f.sensors[0] and found[-1].end >= f.at:
            found[-1] = found[-1]._replace(end=end)
        else:
            found.append(Silence(f.sensors[0], f.zone, f.at, end))
    return found


def _outages(
    silences: Iterable[Silence], due: int
) -> tuple[list[tuple[pd.Timestamp, pd.Timestamp, list[str]]], list[Silence]]:
    """Return silences that nearly all sensors share, and the rest."""
    groups: list[list[Silence]] = []
    for silence in sorted(silences, key=lambda s: (s.start, s.end)):
        for group in groups:
            first = group[0]
            if silence.start - first.start <= TOGETHER and abs(silence.end - first.end) <= TOGETHER:
                group.append(silence)
                break
        else:
            groups.append([silence])
    common = [g for g in groups if len(g) > 1 and len(g) >= ALL_SHARE * due]
    outages = [(g[0].start, max(s.end for s in g), sorted(s.sensor for s in g)) for g in common]
    return outages, [s for g in groups if g not in common for s in g]


def _silent(season: SeasonView, silence: Silence) -> Finding:
    """Return the finding of one silent sensor."""
    interval = season.installation.sensor[silence.sensor].interval or 0.0
    lasting = silence.end >= season.end
    length = (silence.end - silence.start).total_seconds()
    return Finding(
        kind="sensor silent",
        zone=silence.zone,
        sensor=silence.sensor,
        start=silence.start,
        end=silence.end,
        severity="act" if lasting else "watch",
        value=length,
        unit="s",
        evidence=(
            f"{silence.sensor} should send every {clock(interval)} and sent nothing for {clock(length)} "
            f"(more than {GAP_INTERVALS:.0f} intervals is a gap){', and is still silent' if lasting else ''}; "
            "other sensors went on sending"
        ),
        likely_causes=(
            "the sensor's battery or power",
            "its cable or plug",
            "its radio, or a name that changed in the device",
        ),
        advice="Check that the device has power and sends; what it should have seen then is not known.",
    )


def _outage(season: SeasonView, start: pd.Timestamp, end: pd.Timestamp, names: Sequence[str]) -> Finding:
    """Return the finding of nearly all sensors silent at once."""
    length, lasting = (end - start).total_seconds(), end >= season.end
    return Finding(
        kind="sensor silent",
        zone=None,
        sensor=None,
        start=start,
        end=end,
        severity="act" if lasting else "watch",
        value=length,
        unit="s",
        evidence=(
            f"{len(names)} sensors sent nothing for {clock(length)} together"
            f"{', and still do not' if lasting else ''}: {', '.join(names[:5])}"
            f"{' and more' if len(names) > 5 else ''}"  # noqa: PLR2004 - a line holds five names
        ),
        likely_causes=("power at the site", "the network or the broker", "the ingester was not running"),
        advice="Check power and network first, then that the broker and the ingester run.",
    )
