"""The simulated system conserves what it should, and its tank follows its law."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from sample_data.plant import PECLET_END, clock, fraction_at, runs_through
from sample_data.signals import fraction, true_value
from sample_data.transport import response

if TYPE_CHECKING:
    from sample_data.plant import Plant, WetRun

ZONES = ("bench1", "bench2", "border")


def _given_by_emitters(run: WetRun, seconds: float) -> float:
    """Return the stock that all emitters of a run's zone give, on a clock that goes on for so long. [L]"""
    now = np.arange(0.0, seconds, 5.0)
    begin, end = run.injected
    total = 0.0
    for travel, flow in zip(run.flow.travel.ravel(), run.flow.emitters.ravel(), strict=True):
        share = response(now, begin_s=begin, end_s=end, mean_s=travel, peclet=PECLET_END, decay=run.decay)
        total += float(share.sum()) * 5.0 * run.fraction * flow / 3600.0
    return total


@pytest.mark.parametrize("zone", ZONES)
def test_stock_in_is_stock_out(plant: Plant, zone: str) -> None:
    """All emitters together give, in the end, what the injector took in."""
    run = runs_through(plant, zone=zone)[-1]

    assert _given_by_emitters(run, 4000.0) == pytest.approx(run.stock_l, rel=1e-3)


def test_unflushed_line_gives_its_rest_to_the_next_run(plant: Plant) -> None:
    """After the short flush, solution stands at bench2's far end until the next run brings it out."""
    runs = runs_through(plant, zone="bench2")
    index = next(i for i, run in enumerate(runs) if run.plan.planted == "short flush")
    stopped, after = runs[index].plan.end, runs[index + 1].plan.start
    moments = np.array([stopped + 60.0, (stopped + after) / 2.0, float(after)])

    standing = fraction_at(runs, moments, mean_s=None, peclet=PECLET_END)

    assert standing[0] > 0.003
    assert standing == pytest.approx(np.full(3, standing[0]), rel=1e-6)


def test_clock_stands_still_between_runs(plant: Plant) -> None:
    """A line's clock counts full flow only: two valves' runs, and no second more."""
    runs = runs_through(plant, zone="bench1")
    moments = np.array([runs[0].plan.start - 10.0, runs[0].plan.end + 120.0, runs[1].plan.start - 1.0])

    now, _ = clock(runs, moments)

    assert now[0] == 0.0
    assert now[1] == now[2] == pytest.approx(runs[0].plan.end - runs[0].plan.start, abs=2.0)


def test_tank_strength_falls_with_the_water(plant: Plant) -> None:
    """Behind the tank, ln(fraction) falls by one for each tank volume over bypass share of water: 100 L."""
    run = runs_through(plant, zone="border")[0]
    sensor = plant.installation.sensor["tank_ec"]
    begin, end = run.plan.injection
    moments = np.arange(begin + 120.0, end - 60.0, 10.0)

    strength = fraction(plant, sensor, moments)
    water = (moments - begin) * run.flow.flow / 3600.0
    slope = np.polyfit(water, np.log(strength), 1)[0]

    assert -1.0 / slope == pytest.approx(100.0, rel=2e-3)
    assert run.stock_l < (plant.installation.injector["tank"].tank_volume or 0.0)


def test_meters_agree_on_the_mixture(plant: Plant) -> None:
    """While a pump injects, the stock meter sees 1 part in 100 of water and stock together."""
    sensors = plant.installation.sensor
    begin, end = runs_through(plant, zone="bench1")[-1].plan.injection
    moments = np.arange(begin + 60.0, end, 10.0)
    water = true_value(plant, sensors["water_flow"], moments)
    stock = true_value(plant, sensors["stock_flow"], moments)

    assert stock / (stock + water) == pytest.approx(np.full(len(moments), 0.01))


def test_water_meter_counts_the_flow(plant: Plant) -> None:
    """The counted volume is the integral of the flow meter's flow."""
    sensors = plant.installation.sensor
    run = plant.runs[3].plan
    moments = np.arange(run.start - 5.0, run.end + 60.0, 0.5)
    flow = true_value(plant, sensors["water_flow"], moments)
    volume = true_value(plant, sensors["water_meter"], moments)

    assert volume[-1] - volume[0] == pytest.approx(np.trapezoid(flow, moments) / 3600.0, rel=1e-4)


def test_place_without_a_meter_is_refused(plant: Plant) -> None:
    """The simulator says which measuring point it has not."""
    drain = plant.installation.sensor["bench1_end_ec"].model_copy(update={"point": "drain"})

    with pytest.raises(ValueError, match="no conductivity at drain"):
        true_value(plant, drain, np.array([0.0]))
