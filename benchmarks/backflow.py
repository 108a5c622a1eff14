"""Backflow: gross events and how soon they are told, slow leak-back and how little is told, false alarms.

Invented sensors at 5 s. A healthy day is two hours of watering and two of rest; supply pressure wanders,
zeros walk, and on two days in a hundred the source water changes by a fifth.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from analysis.backflow.detect import backflow
from analysis.backflow.season import slow_leak_back
from analysis.diagnosis.features import REST_EC
from analysis.results import Feature, Run
from analysis.view import PeriodView, SeasonView
from ingest.installation import Installation

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

INTERVAL = 5.0
"""Time between readings. [s]"""

REST_BEFORE, RUNNING, REST_AFTER = 720, 1440, 720
"""Readings of a day: rest, run, rest."""

START = pd.Timestamp("2026-04-01T04:00Z")
RHO_G = 9.79

SENSORS = {
    "p_supply": "supply",
    "p_mixed": "mixed",
    "p_filter": "after filter",
    "p_end": "lateral end",
}


def installation(rise: float, *, meter: bool = True) -> Installation:
    """Return a head with four pressure sensors, a meter that can run backwards, and a source cell."""
    span = "0.5 % of 600 kPa"
    sensors: dict[str, dict[str, Any]] = {
        name: {"quantity": "pressure", "point": point, "unit": "kPa", "accuracy": span}
        for name, point in SENSORS.items()
    }
    sensors["p_end"]["zone"] = "z"
    sensors["ec"] = {"quantity": "conductivity", "point": "source", "unit": "mS/cm"}
    if meter:
        sensors["q"] = {"quantity": "flow", "point": "mixed", "unit": "L/h", "accuracy": "2 %"}
    for name, sensor in sensors.items():
        sensor |= {"source": {"csv": name}, "interval": f"{INTERVAL} s"}
    order = ["backflow preventer", "pressure regulator", "flow meter", "injector", "filter", "valve"]
    return Installation.model_validate(
        {
            "name": "Invented",
            "timezone": "UTC",
            "supply": {"kind": "potable", "backflow_preventer": "reduced pressure"},
            "injector": {"i": {"kind": "proportional pump", "ratio": "1:100"}},
            "stock": {"s": {"injector": "i", "dilutions": [["water", "0.5 mS/cm"], ["1:100", "2.0 mS/cm"]]}},
            "head": {"order": order},
            "zone": {"z": {"elevation": f"{rise:.3f} m"}},
            "sensor": sensors,
        }
    )


def zeros(rng: np.random.Generator, system: float) -> dict[str, float]:
    """Return the sensors' zero errors after some years, within their limit. [kPa]"""
    return {name: float(np.clip(rng.normal(0.0, system), -2.5, 2.5)) for name in SENSORS}


def healthy_day(rng: np.random.Generator, rise: float, zero: dict[str, float], noise: float) -> dict[str, Array]:  # fmt: skip
    """Return one day's readings of a sound system."""
    n = REST_BEFORE + RUNNING + REST_AFTER
    run = np.zeros(n)
    run[REST_BEFORE : REST_BEFORE + RUNNING] = 1.0
    ramp = np.minimum(np.convolve(run, np.ones(6) / 6.0)[:n], 1.0)
    supply = 300.0 + 20.0 * np.sin(np.linspace(0, 6, n) + rng.uniform(0, 6)) + rng.normal(0, 10)
    standing = 210.0
    mixed = 200.0 * ramp + standing * (1 - ramp)
    filtered = mixed - 14.0 * ramp
    end = (filtered - 22.0 - RHO_G * rise) * (ramp > 0.99)
    values = {"p_supply": supply - 15.0 * ramp, "p_mixed": mixed, "p_filter": filtered, "p_end": end}
    day = {name: v + zero[name] + rng.normal(0.0, noise, n) for name, v in values.items()}
    day["q"] = 1000.0 * ramp * (1 + rng.normal(0, 0.005, n)) + rng.normal(0, 1.0, n)
    ec = np.full(n, 0.5 * (1 + rng.normal(0, 0.01)))
    if rng.uniform() < 0.02:
        ec[int(rng.integers(0, n)) :] *= 1 + rng.choice([-0.2, 0.2])
    day["ec"] = ec + rng.normal(0, 0.001, n)
    return day


def gross_day(
    rng: np.random.Generator, rise: float, zero: dict[str, float], noise: float, *, at: int, running: bool
) -> dict[str, Array]:
    """Return a day on which the supply loses its pressure and the field, higher up, pushes back."""
    day = healthy_day(rng, rise, zero, noise)
    n = day["q"].size
    after = np.arange(n) - at
    seconds = np.maximum(after, 0) * INTERVAL
    fall = np.where(after >= 0, 1 - np.exp(-seconds / rng.uniform(1.0, 4.0)), 0.0)
    field = 5.0 + RHO_G * rise if running else 180.0
    lost = rng.uniform(-10.0, 10.0)
    shares = rng.dirichlet([2.0, 2.0, 3.0])
    head = field - lost
    levels = {
        "p_supply": lost,
        "p_mixed": lost + head * shares[0],
        "p_filter": lost + head * (shares[0] + shares[1]),
        "p_end": 5.0 if running else 0.0,
    }
    for name, level in levels.items():
        day[name] = day[name] * (1 - fall) + (level + zero[name] + rng.normal(0, noise, n)) * fall
    day["q"] = day["q"] * (1 - fall) - rng.uniform(100, 600) * fall
    return day


def view(system: Installation, day: dict[str, Array], *, run_ends: int | None = None) -> PeriodView:
    """Return a day's readings as the period steps see them."""
    n = day["q"].size
    index = pd.date_range(START, periods=n, freq=f"{INTERVAL:.0f}s")
    series = {name: pd.Series(values, index) for name, values in day.items() if name in system.sensor}
    end = index[(REST_BEFORE + RUNNING) if run_ends is None else run_ends]
    run = Run("z", index[REST_BEFORE], end, 2000.0, 1000.0)
    flags = {name: pd.Series(np.int8(1), index) for name in series}
    return PeriodView(system, START, index[-1] + pd.Timedelta(seconds=INTERVAL), series, flags, (run,))


def false_alarms(seed: int, systems: int, days: int) -> tuple[int, int, float]:
    """Return hydraulic alarms, warnings by EC, and the system-years that were watched."""
    rng = np.random.default_rng(seed)
    hard = soft = 0
    for _ in range(systems):
        rise, noise = rng.uniform(-3.0, 6.0), rng.uniform(0.1, 0.6)
        system, zero = installation(rise), zeros(rng, 1.0)
        for _ in range(days):
            for finding in backflow(view(system, healthy_day(rng, rise, zero, noise))):
                hard += finding.severity != "watch"
                soft += finding.severity == "watch"
    return hard, soft, systems * days / 365.0


def gross(seed: int, events: int, *, running: bool, meter: bool) -> Array:
    """Return the latency of each gross event, infinite where it was missed. [s]"""
    rng = np.random.default_rng(seed)
    out = np.full(events, np.inf)
    for i in range(events):
        rise, noise = rng.uniform(2.0, 6.0), rng.uniform(0.1, 0.6)
        at = int(rng.integers(REST_BEFORE + 200, REST_BEFORE + RUNNING - 200)) if running else int(
            rng.integers(REST_BEFORE + RUNNING + 200, REST_BEFORE + RUNNING + 500)
        )  # fmt: skip
        system = installation(rise, meter=meter)
        day = gross_day(rng, rise, zeros(rng, 1.0), noise, at=at, running=running)
        seen = view(system, day, run_ends=at + 2 if running else None)
        happened = seen.series["p_mixed"].index[at] - pd.Timedelta(seconds=rng.uniform(0, INTERVAL))
        needed = pd.Timedelta(seconds=INTERVAL)
        told = [f.start + needed for f in backflow(seen) if f.severity == "stop" and f.start >= happened]
        if told:
            out[i] = (min(told) - happened).total_seconds()
    return out


def leak_back(seed: int, size: float, seasons: int, runs: int = 60) -> float:
    """Return the share of seasons in which a slow leak-back of some size is told within 20 runs. [-]"""
    rng = np.random.default_rng(seed)
    system = installation(0.0)
    found = 0
    for _ in range(seasons):
        warm, scatter = rng.uniform(0.0, 0.02), rng.uniform(0.001, 0.004)
        values = warm + rng.normal(0.0, scatter, runs)
        values[40:] += size * rng.uniform(0.7, 1.3, runs - 40)
        times = START + pd.to_timedelta(np.arange(runs), unit="D")
        features = tuple(
            Feature(REST_EC, "z", t, float(v), 0.0, ("ec",)) for t, v in zip(times, values, strict=True)
        )
        season = SeasonView(system, START, times[-1], (), (), (), features)
        found += bool(slow_leak_back(season))
    return found / seasons


def main(*, quick: bool = False) -> None:
    """Print the tables."""
    print("gross backflow: supply lost, field 2 to 6 m higher")
    for running in (True, False):
        for meter in (True, False):
            late = gross(701, 20 if quick else 100, running=running, meter=meter)
            told = np.isfinite(late)
            print(
                f"  {'running' if running else 'at rest'}, meter {'both ways' if meter else 'none'}: told "
                f"{told.mean():.0%}, within 20 s {np.mean(late <= 20):.0%}, median {np.median(late[told]):.0f} s, "
                f"p95 {np.quantile(late[told], 0.95):.0f} s"
            )
    print("slow leak-back, seen in the water that stood at the source cell; told within 20 runs")
    for size in (0.0, 0.01, 0.02, 0.025, 0.03, 0.05, 0.1):
        print(f"  {size:.3f} mS/cm: {leak_back(702, size, 100 if quick else 400):.0%}")
    hard, soft, years = false_alarms(703, 4 if quick else 60, 365)
    upper = 3.0 / years if hard == 0 else (hard + 2.0 * np.sqrt(hard) + 2.0) / years
    print(
        f"healthy: {hard} hydraulic alarms and {soft} EC warnings in {years:.0f} system-years; "
        f"{hard / years:.3f} a year, 95 % upper bound {upper:.3f}"
    )


if __name__ == "__main__":
    main()
