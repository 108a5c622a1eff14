"""Clocks of devices by the time of receipt: how small an error is found, how soon, and false alarms.

Each site has three devices that send every 30 s for a year. Their networks delay by a second or two, in the
evening more, now and then by minutes for hours; they go silent and deliver what they kept; clocks that are set
over the network wander by tenths of a second. ``python -m benchmarks.clocks 10`` runs ten site-years.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.clocks.delays import clock_levels
from analysis.clocks.judge import clock_faults
from analysis.view import PeriodView, SeasonView
from benchmarks.faults import upper
from ingest.installation import Installation

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.results import Feature, Finding

    Array = NDArray[np.float64]

START = pd.Timestamp("2026-05-01", tz="UTC")
DEVICES = ("one", "two", "three")
STEP_S = 30.0
DAY_S = 86400.0
SITES = 30
YEAR = 365


@dataclass(frozen=True, slots=True)
class Wrong:
    """What is wrong with the clock of the first device, or of all.

    Attributes
    ----------
    day : float
        From when. [d]
    jump : float
        How far it jumps ahead. [s]
    rate : float
        How fast it runs. [s/d]
    everywhere : bool
        Whether all devices show it.
    """

    day: float = 5.4
    jump: float = 0.0
    rate: float = 0.0
    everywhere: bool = False


def installation() -> Installation:
    """Return the description of a site."""
    sensor = {"quantity": "flow", "point": "source", "unit": "L/h", "interval": f"{STEP_S:g} s"}
    return Installation.model_validate(
        {
            "name": "Invented",
            "timezone": "UTC",
            "supply": {"kind": "well", "backflow_preventer": "none"},
            "zone": {"z": {}},
            "sensor": {name: {**sensor, "source": {"csv": name}} for name in DEVICES},
        }
    )


def delays(rng: np.random.Generator, day: int, usual: float, wrong: Wrong | None) -> pd.Series:
    """Return receipt minus own time of one device's readings of a day. [s]"""
    true = day * DAY_S + np.arange(0.0, DAY_S, STEP_S) + rng.uniform(0.0, 1.0)
    network = usual * rng.lognormal(0.0, 0.4, true.size)
    network *= 1.0 + 2.0 * ((true % DAY_S) > 0.75 * DAY_S)
    if rng.uniform() < 0.05:
        start = rng.uniform(0.0, 0.9)
        network += (
            rng.uniform(5.0, 90.0)
            * ((true % DAY_S) > start * DAY_S)
            * ((true % DAY_S) < (start + 0.1) * DAY_S)
        )
    received = true + network
    if rng.uniform() < 0.1:
        start = day * DAY_S + rng.uniform(0.0, 0.8) * DAY_S
        kept = (true > start) & (true < start + rng.uniform(600.0, 9000.0))
        received[kept] = true[kept].max(initial=start) + rng.uniform(1.0, 20.0)
    own = true + 0.2 * np.sin(day / 9.0) + rng.normal(0.0, 0.05)
    if wrong is not None:
        after = np.maximum(true / DAY_S - wrong.day, 0.0)
        own = own + wrong.jump * (after > 0) + wrong.rate * after
    index = START + pd.to_timedelta(np.round(own * 1e6), unit="us")
    return pd.Series(np.round(received - own, 6), pd.DatetimeIndex(index).as_unit("us")).sort_index()


def site(seed: int, days: int, wrong: Wrong | None = None) -> tuple[Finding, ...]:
    """Return every finding about the clocks of one site."""
    rng = np.random.default_rng([4711, seed])
    system, usual = installation(), rng.uniform(0.3, 2.0, len(DEVICES))
    features: list[Feature] = []
    for day in range(days):
        seen = {
            name: delays(rng, day, float(usual[n]), wrong if n == 0 or (wrong and wrong.everywhere) else None)
            for n, name in enumerate(DEVICES)
        }
        start = START + pd.Timedelta(days=day)
        features += clock_levels(PeriodView(system, start, start + pd.Timedelta(days=1), {}, {}, (), seen))
    end = START + pd.Timedelta(days=days)
    by_time = tuple(sorted(features, key=lambda f: f.at))
    return tuple(clock_faults(SeasonView(system, START, end, (), (), (), by_time)))


FAULTS = (
    *(("jump ahead", f"{s:g} s", Wrong(jump=s)) for s in (10.0, 30.0, 60.0, 3600.0)),
    *(("jump back", f"{s:g} s", Wrong(jump=-s)) for s in (10.0, 30.0, 60.0, 3600.0)),
    *(("runs fast", f"{s:g} s/d", Wrong(rate=s)) for s in (0.3, 0.7, 1.5, 3.0)),
    *(("runs slow", f"{s:g} s/d", Wrong(rate=-s)) for s in (0.3, 0.7, 1.5, 3.0)),
    ("all jump", "60 s", Wrong(jump=60.0, everywhere=True)),
)
"""What is planted, how large, and how."""


def main(sites: int = SITES, trials: int = 20) -> None:
    """Print what was found on sound clocks, and the share of planted faults that are found within 30 days."""
    alarms = [f for seed in range(sites) for f in site(seed, YEAR)]
    print(
        f"sound clocks: {len(alarms)} findings in {sites} site-years of {len(DEVICES)} devices; 95 % upper bound "
        f"{upper(len(alarms), float(sites)):.2f} a site-year"
    )
    for alarm in alarms:
        print(f"  {alarm.sensor}: {alarm.evidence}")
    for what, size, wrong in FAULTS:
        said = [site(1000 + n, 30, wrong) for n in range(trials)]
        right = sum(
            bool(s) and all(f.sensor == (None if wrong.everywhere else "one") for f in s) for s in said
        )
        other = sum(any(f.sensor in DEVICES[1:] for f in s) for s in said)
        print(
            f"{what:12s}{size:>10s}  found {right / trials:4.0%} of {trials}, another device named in {other}"
        )


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:3]))
