"""Valves that do not close or open, valve sensors that are not true, runs that do not end: planted, and clean."""

from __future__ import annotations

import pandas as pd
import pytest

from analysis.pipeline import analyse
from benchmarks.valve_plant import START, Plan, installation_of, readings
from tests.support.plain import frame

KINDS = ("valve fault", "flow at rest", "no water", "long run", "sensor fault")
HEAD = ("valves", "head", "gauge")


def _found(plan: Plan) -> list[tuple[str, str | None, str]]:
    """Return kind, zone and severity of every finding about valves."""
    end = START + pd.Timedelta(days=plan.days)
    said = analyse(installation_of(plan), frame(readings(plan)), START, end).findings
    return [(f.kind, f.zone, f.severity) for f in said if f.kind in KINDS]


@pytest.mark.parametrize(
    "have",
    [
        ("valves", "meters", "head", "gauge"),
        HEAD,
        ("head", "gauges", "gauge"),
        ("valves", "register", "gauge"),
        ("valves", "gauges"),
        ("meters",),
    ],
)
def test_sound_valves_are_silent(have: tuple[str, ...]) -> None:
    """Noise, jitter, holes, a meter's zero and draining lines make no finding, whatever the sensors."""
    assert _found(Plan(have=have)) == []


def test_a_zone_opened_by_hand_once_is_no_fault() -> None:
    """Water past a valve that is said closed, once, for less than half an hour, is somebody at the valve."""
    assert _found(Plan(by_hand=True)) == []


@pytest.mark.parametrize("share", [0.05, 0.3, 1.0])
def test_valve_that_does_not_close_is_named(share: float) -> None:
    """From 5 % of its flow on, a zone with its own meter is named, and the shared meter says nothing beside it."""
    assert _found(Plan(past={"a": share})) == [("valve fault", "a", "act")]


def test_drip_below_the_meters_zero_is_not_told() -> None:
    """At 2 % of the zone's flow the meter's zero could be all there is."""
    assert _found(Plan(past={"a": 0.02})) == []


@pytest.mark.parametrize("have", [HEAD, ("valves", "register", "gauge"), ("head", "gauges", "gauge")])
def test_shared_meter_does_not_name_the_zone(have: tuple[str, ...]) -> None:
    """With only a shared meter water at rest is told, and no zone is blamed."""
    assert _found(Plan(have=have, past={"a": 0.1})) == [("flow at rest", None, "act")]


def test_pressure_names_the_zone_of_a_shared_meter() -> None:
    """A shared meter and a gauge in each zone tell which zone goes on past its closed valve."""
    plan = Plan(have=(*HEAD, "gauges"), past={"a": 0.9})

    assert _found(plan) == [("valve fault", "a", "act")]


def test_valve_that_does_not_open_is_named_while_the_supply_is_there() -> None:
    """No water, valve said open, pressure at the head: the valve."""
    assert _found(Plan(blocked=("a",))) == [("valve fault", "a", "act")]
    assert _found(Plan(have=HEAD, blocked=("a",))) == [("valve fault", "a", "act")]


def test_lost_supply_is_not_blamed_on_the_valves() -> None:
    """No water and no pressure at the head is told as no water, of every zone."""
    assert _found(Plan(supply=False)) == [("no water", "a", "act"), ("no water", "b", "act")]


def test_without_a_gauge_at_the_head_the_valve_is_not_named() -> None:
    """Where nothing tells whether the supply was there the name stays open."""
    assert _found(Plan(have=("valves", "meters"), blocked=("a",))) == [("no water", "a", "act")]


@pytest.mark.parametrize("says", [0.0, 1.0])
def test_valve_sensor_that_is_stuck_is_a_sensor_fault(says: float) -> None:
    """Water that comes and goes without the sensor clears the valve and blames the sensor."""
    assert _found(Plan(said={"a": says})) == [("sensor fault", "a", "act")]


def test_swapped_valve_sensors_are_sensor_faults() -> None:
    """Two sensors that follow each other's zones are both told, and no valve is."""
    assert _found(Plan(swapped=True)) == [("sensor fault", "a", "act"), ("sensor fault", "b", "act")]


def test_run_that_does_not_end_is_told_without_a_valve_sensor() -> None:
    """A zone that goes on for days is one run; that it hides the others is said."""
    plan = Plan(days=8, from_day=6, have=("head", "gauges", "gauge"), past={"a": 0.9})

    assert _found(plan) == [("long run", "a", "act")]
