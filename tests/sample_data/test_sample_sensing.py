"""Readings depend on the scenario alone: not on the window, not on who asks."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from sample_data.schedule import SILENT_SENSOR
from sample_data.sensing import error_of, readings
from sample_data.signals import true_value
from tests.sample_data.conftest import ANCHOR

if TYPE_CHECKING:
    from ingest.installation import Installation
    from sample_data.plant import Plant


@settings(max_examples=25, deadline=None)
@given(
    cut=st.integers(1, 7199), name=st.sampled_from(["feed_ec", "border_end_ec", "water_meter", "stock_flow"])
)
def test_windows_side_by_side_are_one_window(plant: Plant, cut: int, name: str) -> None:
    """Cutting a window anywhere changes no reading, to the last bit."""
    whole = readings(plant, name, ANCHOR, ANCHOR + 7200)
    parts = [readings(plant, name, ANCHOR, ANCHOR + cut), readings(plant, name, ANCHOR + cut, ANCHOR + 7200)]

    assert np.array_equal(np.concatenate([times for times, _ in parts]), whole[0])
    assert np.array_equal(np.concatenate([values for _, values in parts]), whole[1])


def test_another_seed_gives_other_readings(plant: Plant) -> None:
    """The seed decides the noise and the errors; the truth stays."""
    other = replace(plant, scenario=replace(plant.scenario, seed=8))
    ours, theirs = (readings(p, "feed_ec", ANCHOR, ANCHOR + 3600)[1] for p in (plant, other))

    assert not np.array_equal(ours, theirs)
    assert np.median(np.abs(ours / theirs - 1.0)) < 0.02


def test_errors_keep_within_the_stated_accuracy(installation: Installation) -> None:
    """No seed gives a sensor a gain or an offset beyond what its maker promises."""
    for seed in range(200):
        for name, sensor in installation.sensor.items():
            error = error_of(name, sensor, seed)
            assert abs(error.gain - 1.0) <= sensor.accuracy.share
            assert abs(error.offset) <= sensor.accuracy.absolute


def test_every_sensor_reads_near_the_truth(plant: Plant) -> None:
    """Over a round of runs each sensor's middle error is within twice its accuracy."""
    for name, sensor in plant.installation.sensor.items():
        times, values = readings(plant, name, ANCHOR, ANCHOR + 5400)
        if len(times) == 0 or (sensor.quantity == "conductivity" and sensor.compensated):
            continue
        truth = true_value(plant, sensor, times.astype(float))
        limit = np.array([sensor.accuracy.limit(value) for value in truth])

        assert np.median(np.abs(values - truth) - 2.0 * limit) <= 0.0, name


def test_silent_sensor_is_silent(plant: Plant) -> None:
    """The sensor with the flat battery sends nothing at the anchor, and did before."""
    assert len(readings(plant, SILENT_SENSOR, ANCHOR - 3600, ANCHOR + 3600)[0]) == 0
    assert len(readings(plant, SILENT_SENSOR, ANCHOR - 8 * 3600, ANCHOR - 7 * 3600 - 60)[0]) > 300


def test_no_flow_reads_as_no_flow(plant: Plant) -> None:
    """Between runs the flow meters read 0, and never minus 0."""
    quiet = plant.runs[0].plan.start - 3000

    for name in ("water_flow", "stock_flow"):
        values = readings(plant, name, quiet, quiet + 1000)[1]
        assert not values.any()
        assert not np.signbit(values).any()
