"""False alarms of all findings together: healthy systems that drift, from readings of every run to the season.

Each system has a season of runs, every second day. Around each run its sensors are drawn at 10 s: gains and
zeros that walk, a temperature coefficient that nobody is told, cells that age, source water that changes by a
fifth on two runs in a hundred, a supply that wanders. Every run step, judge, period step and season step of
`analysis.steps` sees them as views; what lies before the views (decoding, flags, finding the runs) does not
take part, and what cannot happen to these systems (a drain, samples by hand, several stations) is not drawn.
Valves tell their state and every reading its receipt; `benchmarks.valves`, `clocks` and `edges` draw worse ones.

What is counted: every finding of every kind, but for the reminder that a preventer's test is due, which the
calendar makes. ``python -m benchmarks.healthy 10`` runs ten systems.
"""

from __future__ import annotations

import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.pipeline import look_at_run
from analysis.results import Interval, Run
from analysis.said import Heard, StretchSaid, together
from analysis.season import conclude
from analysis.steps import PERIOD_STEPS
from analysis.view import PeriodView, RunView
from benchmarks.faults import upper
from benchmarks.season_plan import no_faults
from benchmarks.season_views import ALL, START, described, sensor_name
from benchmarks.seasons import make_plant, simulate, walk
from ingest.installation import Installation
from ingest.readings import Quality

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.results import Finding
    from benchmarks.season_plan import Seasons

    Array = NDArray[np.float64]

SYSTEMS = 104
"""Healthy system-years."""

DAYS = np.arange(0.0, 365.0, 2.0)
"""Days with a run. [d]"""

STEP = pd.Timedelta(seconds=10)
LEAD, LENGTH, TAIL = (pd.Timedelta(minutes=m) for m in (20, 36, 10))
FED = (pd.Timedelta(minutes=8), pd.Timedelta(minutes=18))
"""Rest that is seen before a run, the run, what is seen after it, and from when to when it is fed."""

DILUTIONS = [("water", 0.5), ("1:400", 0.92), ("1:200", 1.33), ("1:100", 2.13), ("1:50", 3.68)]
RATIO = 100.0
POINTS = ("mixed", "after filter", "lateral end")

CELL_WALK, PUMP_SCATTER = 0.01, 0.004
"""Walk of a cell's gain in a year, and how a pump's ratio varies from run to run. [-] Prototype: 1 % gain."""

NETWORK = 0.4
"""Scatter of a network's delay, of its logarithm. [-] No source."""

SWITCHED, SWITCH = 0.02, 0.2
"""Share of runs in which the source water changes, and by how much. [-]"""


def fed_installation(seasons: Seasons) -> Installation:
    """Return the description of the first system, with a pump, its stock, two cells and a stock meter."""
    whole = described(seasons.plant, 0, ALL)
    whole["injector"] = {
        "pump": {
            "kind": "proportional pump",
            "ratio": "1:100",
            "flow_range": ["100 L/h", "3000 L/h"],
            "max_static_pressure": "500 kPa",
        }
    }
    stock = [[words, f"{ec} mS/cm"] for words, ec in DILUTIONS]
    whole["stock"] = {"A": {"injector": "pump", "nutrients": {"N": "20 g/L"}, "dilutions": stock}}
    whole["zone"]["z1"] |= {
        "injector": "pump",
        "target": {"ratio": "1:100", "ec": ["1.75 mS/cm", "2.5 mS/cm"]},
    }
    cell = {"quantity": "conductivity", "unit": "mS/cm", "accuracy": "2 %", "lag": ["3 s", "5 s"]}
    whole["sensor"] |= {
        "stock": {"quantity": "flow", "point": "stock", "unit": "L/h", "accuracy": "2 %", "injector": "pump"},
        "ec_water": {**cell, "point": "source"},
        "ec_feed": {**cell, "point": "mixed"},
        "valve": {"quantity": "valve state", "point": "zone", "zone": "z1", "unit": "1"},
    }
    for name, sensor in whole["sensor"].items():
        sensor |= {"source": {"csv": name}, "interval": "10 s"}
    return Installation.model_validate(whole)


def run_of(start: pd.Timestamp, flow: float) -> Run:
    """Return one run with its injection."""
    fed = Interval(start + FED[0], start + FED[1])
    hours = LENGTH.total_seconds() / 3600.0
    return Run("z1", start, start + LENGTH, flow * hours, flow, injection=fed)


def cells(rng: np.random.Generator, days: Array) -> dict[str, Array]:
    """Return the gains of cells and stock meter, run by run."""
    n = days.size
    walked = {name: CELL_WALK * walk(rng, (n,), days) for name in ("ec_water", "ec_feed")}
    gains = {name: 1.0 + rng.normal(0.0, 0.007) + step for name, step in walked.items()}
    return {**gains, "stock": 1.0 + rng.normal(0.0, 0.007) + 0.003 * walk(rng, (n,), days)}


def readings(
    rng: np.random.Generator,
    seasons: Seasons,
    day: int,
    gains: dict[str, Array],
    start: pd.Timestamp,
    dosed: float,
) -> dict[str, pd.Series]:
    """Return what every sensor shows around one run."""
    times = pd.date_range(start - LEAD, start + LENGTH + TAIL, freq=STEP, inclusive="left")
    seconds = (times - start).total_seconds().to_numpy()
    length = LENGTH.total_seconds()
    on = np.clip(seconds / 30.0, 0.0, 1.0) * (seconds < length)
    fed = ((seconds >= FED[0].total_seconds()) & (seconds < FED[1].total_seconds())).astype(float)
    flow = float(seasons.flow[0, 0, day])
    fraction = dosed * (1.0 + PUMP_SCATTER * rng.standard_normal()) / (RATIO + 1.0)
    water = 0.5 * (1.0 + 0.01 * rng.standard_normal()) * np.ones(times.size)
    if rng.uniform() < SWITCHED:
        water[int(rng.integers(times.size)) :] *= 1.0 + SWITCH * float(rng.choice([-1.0, 1.0]))
    excess = float(np.interp(fraction, [0.0, 1 / 401, 1 / 201, 1 / 101, 1 / 51], _excess()))
    true = {
        "meter": flow * on,
        "stock": flow * fraction / (1.0 - fraction) * fed * gains["stock"][day],
        "ec_water": water * gains["ec_water"][day],
        "ec_feed": (water + excess * fed) * gains["ec_feed"][day],
        "water": np.full(times.size, float(seasons.temperature[0, 0, day])),
    }
    even = np.ones(times.size)
    noise = {"meter": 0.004 * flow * on, "stock": 0.004 * flow / RATIO * fed, "water": 0.02 * even}
    noise |= {"ec_water": 0.002 * even, "ec_feed": 0.003 * even}
    for point in POINTS:
        name = sensor_name(point, 0)
        rest, running = (float(x[point][0, 0, day]) for x in (seasons.rest, seasons.pressure))
        true[name], noise[name] = rest + (running - rest) * on, 0.2 * even
    shown = {
        name: pd.Series(value + noise[name] * rng.standard_normal(times.size), times, name=name)
        for name, value in true.items()
    }
    return {**shown, "valve": pd.Series((on > 0).astype(float), times, name="valve")}


def late(rng: np.random.Generator, series: dict[str, pd.Series]) -> dict[str, pd.Series]:
    """Return the time from each reading to its receipt: a network's, with clocks that wander by tenths. [s]"""
    usual = rng.uniform(0.3, 2.0) + rng.normal(0.0, 0.2)
    return {
        name: pd.Series(usual * rng.lognormal(0.0, NETWORK, len(s)), s.index, name=name)
        for name, s in series.items()
    }


def _excess() -> list[float]:
    return [ec - DILUTIONS[0][1] for _, ec in DILUTIONS]


def told(
    seed: int, days: Array = DAYS, dosed: float = 1.0
) -> tuple[Installation, list[StretchSaid], pd.Timestamp]:
    """Return one system, what is said of each of its days, and the end; healthy where its pump doses what it should."""
    rng = np.random.default_rng([861, seed])
    seasons = simulate(rng, make_plant(rng, 1), no_faults(1, 1, days.size), days, points=POINTS)
    network = np.random.default_rng([862, seed])
    installation, gains, said = fed_installation(seasons), cells(rng, days), list[StretchSaid]()
    for day, at in enumerate(days):
        start = START + pd.Timedelta(days=float(at))
        series = readings(rng, seasons, day, gains, start, dosed)
        run = run_of(start, float(seasons.flow[0, 0, day]))
        flags = {n: pd.Series(np.int8(Quality.GOOD), s.index) for n, s in series.items()}
        ends = (start - LEAD, start + LENGTH + TAIL)
        period = PeriodView(installation, *ends, series, flags, (run,), late(network, series))
        passing = Heard()
        for step in PERIOD_STEPS:
            passing.ask(step, period)
        said.append(together(ends[1], [look_at_run(RunView(installation, run, series))], passing))
    return installation, said, START + pd.Timedelta(days=float(days[-1]) + 1.0)


def year(seed: int, days: Array = DAYS, dosed: float = 1.0) -> tuple[Finding, ...]:
    """Return every finding of one system's year."""
    installation, said, end = told(seed, days, dosed)
    return conclude(installation, START, end, said, tuple(e for day in said for e in day.estimates)).findings


def main(systems: int = SYSTEMS) -> None:
    """Print what was found in healthy years, kind by kind."""
    kinds: Counter[str] = Counter()
    with ProcessPoolExecutor() as pool:
        for seed, found in enumerate(pool.map(year, range(systems))):
            alarms = [f for f in found if f.kind != "preventer test due"]
            kinds.update(f"{f.kind} ({f.severity})" for f in alarms)
            for one in alarms:
                print(f"  system {seed}, {one.kind}: {one.evidence}", flush=True)
    count, years = kinds.total(), float(systems)
    print(
        f"healthy: {count} findings of all kinds in {systems} system-years, {systems * DAYS.size} runs; "
        f"{count / years:.3f} a system-year, 95 % upper bound {upper(count, years):.3f}"
    )
    for kind, number in kinds.most_common():
        print(f"  {kind}: {number}")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:2]))
