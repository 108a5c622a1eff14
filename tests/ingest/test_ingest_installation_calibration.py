"""Calibrations in the installation file are read into stored units."""

from __future__ import annotations

import pytest

from tests.support.bench import bench


def test_true_values_of_a_calibration_are_stored() -> None:
    """A calibration's true values are in the stored unit, whether written with a unit or in the device's."""
    more = """
[sensor.bar]
quantity = "pressure"
point = "source"
unit = "bar"
calibration = [{ from = 2026-02-01, points = [[6, 6.1], [0, "2 kPa"]] }]
source = { csv = "P1" }
"""
    calibration = bench(more).sensor["bar"].calibration[0]

    assert [raw for raw, _ in calibration.points] == [0.0, 6.0]
    assert [true for _, true in calibration.points] == pytest.approx([2.0, 610.0])
