"""The truth beside the data, checked by other ways than it was made."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import numpy as np
import pytest

from sample_data.plant import PECLET_END, fraction_at, runs_through
from sample_data.signals import true_value
from sample_data.truth import true_run, truth
from tests.sample_data.conftest import ANCHOR

if TYPE_CHECKING:
    from sample_data.plant import Plant


def test_stock_is_the_integral_of_the_stock_flow(plant: Plant) -> None:
    """The stock that the truth states is what the stock line let through, moment by moment."""
    sensor = plant.installation.sensor["stock_flow"]
    run = runs_through(plant, zone="bench2")[-1]
    moments = np.arange(run.plan.start, run.plan.end, 0.1)

    flowed = np.trapezoid(true_value(plant, sensor, moments), moments) / 3600.0

    assert true_run(plant, run).stock_volume_l == pytest.approx(flowed, rel=1e-3)


@pytest.mark.parametrize("zone", ["bench1", "bench2", "border"])
def test_clear_out_is_where_the_far_end_crosses(plant: Plant, zone: str) -> None:
    """Reading the far end second by second gives the stated clear-out time to within 2 s."""
    run = runs_through(plant, zone=zone)[-2]
    moments = np.arange(run.plan.start, run.plan.end, 1.0)
    far = fraction_at(runs_through(plant, zone=zone), moments, mean_s=None, peclet=PECLET_END)
    above = moments[far > 0.05 * far.max()]
    stated = true_run(plant, run).clear_out_s

    assert stated is not None
    assert above[-1] - run.plan.injection[1] == pytest.approx(stated, abs=2.0)


def test_dose_is_stock_times_strength(plant: Plant) -> None:
    """A bench run of 1.23 L of stock at 20 g/L gives 24.7 g of nitrogen."""
    run = true_run(plant, runs_through(plant, zone="bench1")[-1])

    assert run.dose_g["N"] == pytest.approx(run.stock_volume_l * 20.0)
    assert run.dose_g["N"] == pytest.approx(24.7, abs=0.1)


def test_run_without_stock_has_no_injection(plant: Plant) -> None:
    """The planted run without stock states no injection, no dose and no clear-out time."""
    run = next(run for run in plant.runs if run.plan.planted == "no injection")
    stated = true_run(plant, run)

    assert stated.injection_start is None
    assert stated.clear_out_s is None
    assert stated.dose_g["N"] == 0.0


def test_truth_is_json_and_lists_every_ended_run(plant: Plant) -> None:
    """The document survives JSON and has one entry for each run that has ended, in order."""
    document = json.loads(json.dumps(truth(plant, until=ANCHOR)))
    ended = [run for run in plant.runs if run.plan.end <= ANCHOR]

    assert [run["zone"] for run in document["runs"]] == [run.plan.zone for run in ended]
    assert {fault["kind"] for fault in document["planted"]} == {
        "no injection",
        "short flush",
        "weak injection",
        "silent sensor",
        "emitter clogging",
    }
