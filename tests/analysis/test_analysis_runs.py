"""Runs are told from flow, valves, pressure or EC: planted schedules come back, rest stays rest."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analysis.prepare import find_runs
from analysis.runs.detect import runs_of
from analysis.runs.ec import runs_by_ec
from tests.support.plain import MIDNIGHT, PUMP, day, installation, on, sensor, series, zone

HEAD_FLOW = sensor("flow", "flow", "source", "L/h", accuracy='"2 %"')
EARLY, LATE = (6.0, 7.0), (7.0, 8.5)
"""Two runs that follow each other without a pause. [h]"""


def _valve(name: str, **keys: str) -> str:
    """Return the table of a zone's valve sensor."""
    return sensor(f"{name}_valve", "valve state", "zone", "1", zone=f'"{name}"', **keys)


def _flow(times: pd.DatetimeIndex, *runs: tuple[float, float], level: float = 1000.0) -> pd.Series:
    """Return the flow of runs with a slow start, noise and a small leak at rest. [L/h]"""
    rng = np.random.default_rng(11)
    total = sum((on(times, a, b) for a, b in runs), start=np.zeros(len(times)))
    filling = pd.Series(total).ewm(halflife=2).mean().to_numpy() * (total > 0)
    return series(level * filling * (1 + 0.005 * rng.standard_normal(len(times))) + 15.0, times)


def _seconds(found: list[tuple[pd.Timestamp, pd.Timestamp]]) -> list[tuple[float, float]]:
    """Return times as seconds after midnight."""
    return [((a - MIDNIGHT).total_seconds(), (b - MIDNIGHT).total_seconds()) for a, b in found]


def _near(
    found: list[tuple[pd.Timestamp, pd.Timestamp]], *runs: tuple[float, float], within_s: float
) -> bool:
    """Return whether the runs found are those planted, their ends within so many seconds."""
    planted = [(a * 3600, b * 3600) for a, b in runs]
    ends = zip(_seconds(found), planted, strict=True)
    return all(abs(x - y) <= within_s for one, two in ends for x, y in zip(one, two, strict=True))


def test_one_zone_and_one_meter() -> None:
    """A meter alone tells the runs of the only zone; its leak at rest is no run."""
    plain = installation(zone("a"), HEAD_FLOW)
    times = day()

    found = runs_of(plain, "a", {"flow": _flow(times, EARLY, (15.0, 15.25))})

    assert _near([(r.start, r.end) for r in found], EARLY, (15.0, 15.25), within_s=30.0)
    assert all(r.complete and r.by == ("flow",) for r in found)


@pytest.mark.parametrize("interval", ['"10 s"', ""], ids=["regular", "changes only"])
def test_shared_meter_and_valves(interval: str) -> None:
    """Zones that share a meter are told apart by their valves, sharply, though the water never stops."""
    plain = installation(
        zone("a"), zone("b"), HEAD_FLOW, _valve("a", interval=interval), _valve("b", interval=interval)
    )
    times = day()
    valves = {"a_valve": series(on(times, *EARLY), times), "b_valve": series(on(times, *LATE), times)}
    if not interval:
        valves = {name: s[s.diff() != 0] for name, s in valves.items()}
    readings = {"flow": _flow(times, EARLY, LATE), **valves}

    found = {name: [(r.start, r.end) for r in runs_of(plain, name, readings)] for name in ("a", "b")}

    assert _near(found["a"], EARLY, within_s=30.0)
    assert _near(found["b"], LATE, within_s=30.0)


def test_open_valve_without_water_is_no_run() -> None:
    """Flow is preferred to valves: a valve that opens while the supply is shut waters nothing."""
    plain = installation(zone("a"), zone("b"), HEAD_FLOW, _valve("a"), _valve("b"))
    times = day()
    shut = series(np.full(len(times), 5.0), times)

    assert runs_of(plain, "a", {"flow": shut, "a_valve": series(on(times, *EARLY), times)}) == []


def test_shared_meter_and_zone_pressure() -> None:
    """Without valve sensors, the pressure of the zone tells whose run it is."""
    gauge = [sensor(f"{n}_p", "pressure", "zone", "kPa", zone=f'"{n}"') for n in ("a", "b")]
    plain = installation(zone("a"), zone("b"), HEAD_FLOW, *gauge)
    times = day()
    readings = {
        "flow": _flow(times, EARLY, LATE),
        "a_p": series(5.0 + 100.0 * on(times, *EARLY), times),
        "b_p": series(5.0 + 100.0 * on(times, *LATE), times),
    }

    assert _near([(r.start, r.end) for r in runs_of(plain, "b", readings)], LATE, within_s=30.0)


def test_shared_meter_alone_tells_no_zone() -> None:
    """A meter that two zones share, and nothing else, tells no zone's runs: better none than a guess."""
    plain = installation(zone("a"), zone("b"), HEAD_FLOW)
    times = day()

    assert runs_of(plain, "a", {"flow": _flow(times, EARLY)}) == []


def test_valve_alone() -> None:
    """Where no meter exists, the valve tells."""
    plain = installation(zone("a"), _valve("a"))
    times = day()

    found = runs_of(plain, "a", {"a_valve": series(on(times, *EARLY), times)})

    assert _near([(r.start, r.end) for r in found], EARLY, within_s=10.0)
    assert found[0].how == "told by its valve is open"


@pytest.mark.parametrize(("pulses", "within_s"), [(10.0, 15.0), (1.0, 15.0), (0.1, 40.0)])
def test_pulse_register(pulses: float, within_s: float) -> None:
    """A register of pulses tells runs from its rise over several pulses; the coarser, the less sharply."""
    plain = installation(
        zone("a"), sensor("meter", "volume", "source", "count", pulses_per_litre=str(pulses))
    )
    times = day()
    litres = np.cumsum(on(times, *EARLY) + on(times, 12, 13)) * 1000.0 * 10 / 3600
    counted = np.floor(litres * pulses) / pulses

    found = runs_of(plain, "a", {"meter": series(counted, times)})

    assert _near([(r.start, r.end) for r in found], EARLY, (12.0, 13.0), within_s=within_s)


@pytest.mark.parametrize("seed", range(5))
def test_quiet_day_has_no_run(seed: int) -> None:
    """A day of rest with noise and single wrong readings has no run."""
    plain = installation(zone("a"), HEAD_FLOW)
    rng = np.random.default_rng(seed)
    values = rng.normal(0, 3, 8640)
    values[rng.integers(0, 8640, 5)] = 900.0

    assert runs_of(plain, "a", {"flow": series(values)}) == []


def test_short_pause_is_one_run() -> None:
    """A pause of 20 s, a controller that restarts, does not make two runs."""
    plain = installation(zone("a"), HEAD_FLOW)
    times = day()
    flow = _flow(times, (6.0, 6.5), (6.5 + 20 / 3600, 7.0))

    assert len(runs_of(plain, "a", {"flow": flow})) == 1


def test_hole_in_the_readings_of_a_run() -> None:
    """Five lost minutes in the middle of a run leave one run with its right ends."""
    plain = installation(zone("a"), HEAD_FLOW)
    flow = _flow(day(), EARLY).drop(day()[2300:2330])

    found = runs_of(plain, "a", {"flow": flow})

    assert _near([(r.start, r.end) for r in found], EARLY, within_s=30.0)


def test_volume_of_a_run_is_what_flowed() -> None:
    """A run's volume is its flow over its time; two zones at once through one meter have none."""
    plain = installation(zone("a"), zone("b"), HEAD_FLOW, _valve("a"), _valve("b"))
    times = day()
    flow = series(1000.0 * on(times, 6, 7) + 2000.0 * on(times, 12, 13), times)
    both = on(times, 12, 13)
    readings = {
        "flow": flow,
        "a_valve": series(on(times, 6, 7) + both, times),
        "b_valve": series(both, times),
    }

    found = find_runs(plain, readings)

    assert [r.zone for r in found] == ["a", "a", "b"]
    assert found[0].volume_l == pytest.approx(1000.0, rel=0.002)
    assert [r.volume_l for r in found[1:]] == [None, None]


def test_ec_alone_tells_a_run_around_each_injection() -> None:
    """With one EC cell and nothing else, each injection is a run that says what told it."""
    cell = sensor("ec", "conductivity", "lateral end", "mS/cm", zone='"a"')
    plain = installation(PUMP, zone("a"), cell)
    times = day()
    values = 0.5 + 1.6 * (on(times, 6, 6.5) + on(times, 18, 18.5))
    ec = series(values + np.random.default_rng(2).normal(0, 0.003, len(times)), times)

    found = runs_by_ec(plain, "a", {"ec": ec})

    assert [
        round((r.injection.start - MIDNIGHT).total_seconds() / 3600, 2) for r in found if r.injection
    ] == [
        6.0,
        18.0,
    ]
    assert all(r.told.startswith("told by EC alone") and r.volume_l is None for r in found)


def test_ec_alone_is_silent_on_clean_water() -> None:
    """Source water that wanders by 3 % over a day and some noise is no injection."""
    cell = sensor("ec", "conductivity", "lateral end", "mS/cm", zone='"a"')
    plain = installation(PUMP, zone("a"), cell)
    drift = 0.5 * (1 + 0.03 * np.sin(np.arange(8640) / 8640 * 2 * np.pi))
    ec = series(drift + np.random.default_rng(3).normal(0, 0.003, 8640))

    assert runs_by_ec(plain, "a", {"ec": ec}) == []


def test_ec_does_not_tell_where_a_meter_could() -> None:
    """Where a meter is described, its silence is not filled in from EC."""
    cell = sensor("ec", "conductivity", "lateral end", "mS/cm", zone='"a"')
    plain = installation(PUMP, zone("a"), cell, HEAD_FLOW)
    times = day()

    assert runs_by_ec(plain, "a", {"ec": series(0.5 + 1.6 * on(times, 6, 6.5), times)}) == []
