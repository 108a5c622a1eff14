"""Runs that do not end: far longer than planned, or than every run of the zone before."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import pandas as pd

from analysis.amounts import amount
from analysis.results import Finding
from analysis.runs.windows import LONGEST_RUN
from analysis.table import clock
from analysis.valves.events import PAST

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.results import Run
    from analysis.view import SeasonView

TIMES = 3.0
"""How often the usual length a run must be. [-] No source: people double a run on a hot day."""

LEAST = pd.Timedelta(hours=2)
"""By how much it must be longer. No source."""

LEARN, MEMORY = 5, 30
"""Runs that tell how long runs usually are, at least and at most. No source."""

CAUSES = (
    "a valve that does not close: dirt, a torn diaphragm, a bleed screw left open, a solenoid that sticks",
    "a controller that never switched it off, or a program that was changed",
    "a burst or a leak that draws as much as a small zone",
    "a sensor that is stuck at what it showed during the run",
)
"""Why a run does not end, in the order to check. Common practice, from memory."""


class Long(NamedTuple):
    """A run that went on, and what it is compared with."""

    run: Run
    usual: pd.Timedelta
    planned: bool


def long_runs(season: SeasonView) -> Sequence[Finding]:
    """Find runs that went on far longer than they should.

    Parameters
    ----------
    season : SeasonView
        The season.

    Returns
    -------
    list of Finding
        ``long run``: to act on while it goes on where the readings end, else to watch. While such a run goes on
        no other run of its zone can be told, so that it must not stay unsaid. A run that a closed valve already
        tells of (`analysis.valves.judge`) is left to that.
    """
    found = []
    named: dict[str | None, list[pd.Timestamp]] = {}
    for f in season.features:
        if f.name == PAST:
            named.setdefault(f.zone, []).append(f.at)
    for zone in season.installation.zone:
        planned = season.installation.zone[zone].planned_run
        before: list[pd.Timedelta] = []
        for run in (r for r in season.runs if r.zone == zone):
            length = run.end - run.start
            usual = pd.Timedelta(seconds=planned) if planned else _usual(before)
            if usual is not None and length > TIMES * usual and length - usual > LEAST:
                if any(run.start <= at <= run.end for at in named.get(zone, ())):
                    continue
                found.append(_finding(Long(run, usual, bool(planned))))
            elif run.complete:
                before.append(length)
    return found


def _usual(before: Sequence[pd.Timedelta]) -> pd.Timedelta | None:
    """Return the longest of the last runs, where there were enough."""
    return max(before[-MEMORY:]) if len(before) >= LEARN else None


def _finding(long: Long) -> Finding:
    """Return the finding of one run."""
    run, length = long.run, long.run.end - long.run.start
    going = not run.complete or length >= LONGEST_RUN
    against = "planned" if long.planned else "the longest of the runs before"
    times = length / long.usual
    water = "" if run.mean_flow_l_h is None else f" at {amount(run.mean_flow_l_h, 'L/h')}"
    cost = "" if run.mean_flow_l_h is None else f" at about {amount(run.mean_flow_l_h, 'L')} an hour"
    return Finding(
        kind="long run",
        zone=run.zone,
        sensor=run.seen_by[0] if run.seen_by else None,
        start=run.start,
        end=run.end,
        severity="act" if going else "watch",
        value=length.total_seconds(),
        unit="s",
        evidence=(
            f"the run went on for {'at least ' if going else ''}{clock(length.total_seconds())}{water}, {times:.1f} times "
            f"{clock(long.usual.total_seconds())} ({against}){', and no end of it is seen' if going else ''}; that it was "
            "long is sure, why these sensors do not decide"
        ),
        likely_causes=CAUSES,
        advice=(
            "See whether the zone runs now and the controller wants it to; if not, shut its hand valve and look at its "
            f"valve. Let the pressure off before you open it. Waiting goes on wetting the zone{cost}, and until the run "
            "ends no later start of this zone can be told from it, nor what was fed then."
        ),
    )
