"""Clocks and lags told from the ends of runs: how small an error is found, and false alarms, without receipts.

Four sensors and more of an invented garden (`benchmarks.valve_plant`) at 10 s: meters of the zones and the head,
a gauge, valves. ``python -m benchmarks.edges 4 2`` runs four gardens of 40 days clean, and two trials of each fault.
"""

from __future__ import annotations

import sys
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.pipeline import analyse
from benchmarks.faults import upper
from benchmarks.valve_plant import START, Plan, installation_of, readings
from tests.support.plain import frame

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from analysis.results import Finding

Change = dict[str, pd.Series]

DAYS, FROM_DAY = 14, 6.0
"""Length of a planted garden, and when its fault begins. [d]"""

CLEAN_DAYS = 40
KINDS = ("clock fault", "sensor fault", "valve fault", "flow at rest", "no water", "long run")
LAG = (1.0, 5.0)
"""Lag that every sensor's description states. [s]"""


def clocked(sent: Change, name: str, *, jump: float = 0.0, rate: float = 0.0) -> Change:
    """Return readings with one sensor's clock that jumps [s] or runs fast [s/d] from `FROM_DAY` on."""
    series = sent[name]
    after = _seconds(series) / 86400.0 - FROM_DAY
    ahead = pd.to_timedelta(np.where(after > 0, jump + rate * np.maximum(after, 0.0), 0.0), unit="s")
    moved = pd.Series(series.to_numpy(), (pd.DatetimeIndex(series.index) + ahead).as_unit("us"), name=name)
    return {**sent, name: moved[~moved.index.duplicated()].sort_index()}


def _seconds(series: pd.Series) -> NDArray[np.float64]:
    """Return when readings were made. [s after START]"""
    return (pd.DatetimeIndex(series.index) - START).total_seconds().to_numpy(dtype=float)


def damped(sent: Change, name: str, lag_s: float) -> Change:
    """Return readings with one sensor that answers with a first-order lag from `FROM_DAY` on."""
    series = sent[name]
    at, seen = _seconds(series), series.to_numpy(dtype=float).copy()
    for i in np.flatnonzero(at > FROM_DAY * 86400.0):
        seen[i] = seen[i - 1] - np.expm1((at[i - 1] - at[i]) / lag_s) * (series.iloc[i] - seen[i - 1])
    return {**sent, name: pd.Series(seen, series.index, name=name)}


def found(plan: Plan, change: Callable[[Change], Change] = dict) -> list[Finding]:
    """Return the findings about sensors, clocks and valves of a garden whose readings were changed."""
    system = installation_of(plan)
    lagged = {n: s.model_copy(update={"lag": LAG}) for n, s in system.sensor.items()}
    system = system.model_copy(update={"sensor": lagged})
    end = START + pd.Timedelta(days=plan.days)
    said = analyse(system, frame(change(readings(plan))), START, end).findings
    return [f for f in said if f.kind in KINDS]


FAULTS: tuple[tuple[str, str, str, Callable[[Change], Change]], ...] = (
    *(
        ("clock fault", "gauge", f"jump {s:g} s", partial(clocked, name="gauge", jump=s))
        for s in (15.0, 30.0, -60.0, 240.0)
    ),
    *(
        ("clock fault", "a_flow", f"fast {s:g} s/d", partial(clocked, name="a_flow", rate=s))
        for s in (2.0, 4.0, 8.0)
    ),
    *(
        ("sensor fault", "gauge", f"lag {s:g} s", partial(damped, name="gauge", lag_s=s))
        for s in (10.0, 20.0, 40.0, 80.0)
    ),
)
"""Kind, sensor, what is planted, and how."""


def main(gardens: int = 6, trials: int = 3) -> None:
    """Print false alarms on clean gardens, and the share of planted faults that are found and rightly named."""
    alarms = [f for seed in range(gardens) for f in found(Plan(days=CLEAN_DAYS, seed=50 + seed))]
    years = gardens * CLEAN_DAYS / 365.25
    print(
        f"clean: {len(alarms)} findings in {years:.2f} garden-years of two zones; 95 % upper bound "
        f"{upper(len(alarms), years):.1f} a garden-year"
    )
    for alarm in alarms:
        print(f"  {alarm.kind} {alarm.sensor}: {alarm.evidence}")
    for kind, sensor, what, change in FAULTS:
        said = [[(f.kind, f.sensor) for f in found(Plan(days=DAYS, seed=n), change)] for n in range(trials)]
        right, wrong = (
            sum(s == [(kind, sensor)] for s in said),
            sum(s not in ([], [(kind, sensor)]) for s in said),
        )
        print(f"{kind:14s}{sensor:8s}{what:14s}  found {right} of {trials}, named otherwise {wrong}")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:3]))
