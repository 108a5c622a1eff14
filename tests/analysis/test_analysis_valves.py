"""Valves that do not close or open, valve sensors that are not true, runs that do not end: planted, and clean."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd
import pytest

from analysis.pipeline import analyse
from analysis.results import Feature, Run
from analysis.valves.events import COMPANY, LASTS, ROSE
from analysis.valves.judge import valve_faults
from analysis.valves.long_runs import long_runs
from analysis.view import SeasonView
from benchmarks.valve_plant import START, Plan, installation_of, readings
from tests.support.plain import frame

if TYPE_CHECKING:
    from ingest.installation import Installation

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


def _changes_only(plan: Plan) -> tuple[Installation, dict[str, pd.Series]]:
    """Return a garden whose valve sensors send only when the valve moves."""
    sent, system = readings(plan), installation_of(plan)
    valves = [name for name in sent if name.endswith("_valve")]
    for name in valves:
        sent[name] = sent[name][sent[name].diff() != 0.0]
    changed = {
        n: s.model_copy(update={"interval": None}) if n in valves else s for n, s in system.sensor.items()
    }
    return system.model_copy(update={"sensor": changed}), sent


@pytest.mark.parametrize("share", [0.0, 0.3])
def test_valves_that_send_changes_only_are_judged_alike(share: float) -> None:
    """A valve sensor without an interval keeps its state until it speaks again."""
    system, sent = _changes_only(Plan(past={"a": share}))
    said = analyse(system, frame(sent), START, START + pd.Timedelta(days=4)).findings

    assert [f.zone for f in said if f.kind in KINDS] == (["a"] if share else [])


def _run(hours: float, day: int, *, complete: bool = True) -> Run:
    start = START + pd.Timedelta(days=day, hours=6)
    return Run("a", start, start + pd.Timedelta(hours=hours), None, None, complete=complete)


def _season(runs: list[Run], planned: float | None = None) -> SeasonView:
    """Return a season of runs of zone a, which are planned to last so long. [s]"""
    system = installation_of(Plan())
    zones = {n: z.model_copy(update={"planned_run": planned}) for n, z in system.zone.items()}
    system = system.model_copy(update={"zone": zones})
    return SeasonView(system, START, START + pd.Timedelta(days=30), tuple(runs), (), (), ())


def test_planned_length_tells_a_long_run_from_the_first_day() -> None:
    """Where a run's length is planned nothing need be learned, and twice as long is no fault."""
    (said,) = long_runs(_season([_run(5.0, 0)], 3600.0))

    assert (said.kind, said.severity, said.value) == ("long run", "watch", 18000.0)
    assert long_runs(_season([_run(2.0, 0)], 3600.0)) == []


def test_long_run_that_goes_on_is_to_be_acted_on() -> None:
    """After five runs of an hour one of eight that has no end is told; after four nothing is known."""
    usual = [_run(1.0, n) for n in range(5)]
    going = _run(8.0, 6, complete=False)

    assert [f.severity for f in long_runs(_season([*usual, going]))] == ["act"]
    assert long_runs(_season([*usual[1:], going])) == []


def test_run_that_does_not_end_is_told_without_a_valve_sensor() -> None:
    """A zone that goes on for days is one run; that it hides the others is said."""
    plan = Plan(days=8, from_day=6, have=("head", "gauges", "gauge"), past={"a": 0.9})

    assert _found(plan) == [("long run", "a", "act")]


@pytest.mark.parametrize(
    ("company", "kind", "sensor"), [(1.0, "valve fault", "a_flow"), (0.0, "sensor fault", "a_valve")]
)
def test_water_that_comes_with_other_zones_is_the_valve(company: float, kind: str, sensor: str) -> None:
    """A zone that is watered with its valve said closed: whenever others run it is the valve, else its sensor."""
    features = []
    for day in range(3):
        at = START + pd.Timedelta(days=day, hours=8)
        rows = ((ROSE, 990.0), (ROSE + LASTS, 2400.0), (COMPANY, company))
        features += [Feature(name, "a", at, value, 0.0, ("a_valve", "a_flow")) for name, value in rows]
    season = SeasonView(
        installation_of(Plan()), START, START + pd.Timedelta(days=3), (), (), (), tuple(features)
    )

    assert [(f.kind, f.sensor) for f in valve_faults(season)] == [(kind, sensor)]
