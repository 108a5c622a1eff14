"""From what is sent to the stored unit: calibrations by date, signals, pulses, ranges."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.conversion import Converter, Curve
from ingest.readings import Quality
from tests.support.bench import DEVICE, NOW_S, bench, decode, message, readings

NUMBERS = st.floats(-1e6, 1e6)


def _pressure(current: float, *, month: int = 6, unit: str | None = None) -> tuple[float, int]:
    """Return value and quality of the bench's 4 to 20 mA pressure sensor, some time in 2026."""
    seconds = NOW_S if month == 6 else NOW_S - 90 * 86_400
    record = {"n": DEVICE + "pressure", "v": current, "t": seconds} | ({"u": unit} if unit else {})
    decoded = decode(message([record]))
    return float(decoded.value[0]), int(decoded.quality[0])


@pytest.mark.parametrize(
    ("current", "kpa", "quality"),
    [
        (4.1, 0.0, Quality.NOT_EVALUATED),
        (12.1, 300.0, Quality.NOT_EVALUATED),
        (20.1, 600.0, Quality.NOT_EVALUATED),
        (4.05, -1.875, Quality.NOT_EVALUATED),
        (3.9, -7.5, Quality.BAD),
        (3.59, -19.125, Quality.BAD),
        (0.0, -153.75, Quality.BAD),
        (21.2, 641.25, Quality.BAD),
    ],
)
def test_current_loop_is_a_two_point_calibration(current: float, kpa: float, quality: Quality) -> None:
    """A loop's current lies on the line of its two points; below 3.6 and above 21 mA it reports a failure.

    A little below the range is within the sensor's accuracy there, and no fault.
    """
    value, found = _pressure(current)

    assert value == pytest.approx(kpa)
    assert found == quality


def test_failure_signal_is_bad_without_a_range() -> None:
    """A failure signal is bad by itself, whether or not the sensor has a range."""
    more = """
[sensor.bare]
quantity = "pressure"
point = "source"
unit = "mA"
calibration = [{ from = 2026-01-01, points = [[4, "0 bar"], [20, "6 bar"]] }]
source = { senml = "bare" }
"""
    converter = Converter(bench(more))
    code = len(converter.sensors) - 1
    done = converter.convert(np.full(3, code), np.array([3.5, 12.0, 21.5]), np.full(3, NOW_S * 1e6))

    assert done.value == pytest.approx([-18.75, 300.0, 656.25])
    assert done.quality.tolist() == [Quality.BAD, Quality.NOT_EVALUATED, Quality.BAD]


def test_calibration_of_the_day_is_used() -> None:
    """A reading from before a recalibration is read by the calibration that was valid then."""
    assert _pressure(12.0, month=3)[0] == pytest.approx(300.0)
    assert _pressure(12.0)[0] == pytest.approx(296.25)


def test_calibration_begins_at_local_midnight() -> None:
    """A calibration's first day begins with the day of the installation's own time zone."""
    curves = next(s for s in Converter(bench()).sensors if s.name == "pressure").curves

    assert [curve.from_us for curve in curves] == [1_767_225_600_000_000, 1_777_590_000_000_000]


def test_signal_in_amperes_is_the_same_signal() -> None:
    """A SenML pack that gives the current in A means the same as one in mA."""
    assert _pressure(0.0121, unit="A")[0] == pytest.approx(300.0)


def test_counts_become_the_volume_that_the_register_shows() -> None:
    """A pulse counter's register is stored as a volume; roll-over is left to those who see the series."""
    decoded = decode(message([{"n": DEVICE + "pulses", "u": "count", "v": 12345}]))

    assert readings(decoded) == [("pulses", 0.0, pytest.approx(1234.5))]
    assert bench().sensor["pulses"].rolls_over_at == pytest.approx(100_000.0)


def test_volume_unit_for_a_pulse_counter_is_refused() -> None:
    """A device that sends litres where counts were described is refused rather than divided."""
    decoded = decode(message([{"n": DEVICE + "pulses", "u": "m3", "v": 1}]))

    assert [r.reason for r in decoded.rejects] == ["unit"]


@pytest.mark.parametrize(
    ("flow", "quality"),
    [
        (-0.1, Quality.BAD),
        (0.0, Quality.NOT_EVALUATED),
        (3060.0, Quality.NOT_EVALUATED),
        (3061.0, Quality.BAD),
    ],
)
def test_reading_outside_the_range_is_kept_and_bad(flow: float, quality: Quality) -> None:
    """What a sensor cannot measure is stored with its value and marked bad; its accuracy widens the range."""
    decoded = decode(message([{"n": DEVICE + "flow", "v": flow}]))

    assert decoded.value.tolist() == [flow]
    assert decoded.quality.tolist() == [quality]


@pytest.mark.parametrize("state", [True, 1, 1.0])
def test_valve_state_may_be_a_truth_value(state: object) -> None:
    """A valve's state is the one quantity that a truth value may carry."""
    key = "vb" if state is True else "v"

    assert readings(decode(message([{"n": DEVICE + "valve", key: state}]))) == [("valve", 0.0, 1.0)]


def test_valve_state_beyond_open_is_bad() -> None:
    """A valve cannot be more than open."""
    assert decode(message([{"n": DEVICE + "valve", "v": 2}])).quality.tolist() == [Quality.BAD]


def test_many_point_calibration_is_met_at_its_points() -> None:
    """A curve of several points passes through each and follows straight lines between and beyond."""
    curve = Curve(0, np.array([0.0, 100.0, 1000.0]), np.array([0.0, 110.0, 1012.0]))

    assert curve.apply(np.array([0.0, 100.0, 1000.0, 50.0, -100.0, 1100.0])) == pytest.approx(
        [0.0, 110.0, 1012.0, 55.0, -110.0, 1012.0 + 100 * 902 / 900]
    )


def test_one_point_calibration_shifts() -> None:
    """A single point moves every value by the same amount."""
    assert Curve(0, np.array([10.0]), np.array([10.4])).apply(np.array([0.0, 20.0])) == pytest.approx(
        [0.4, 20.4]
    )


@given(points=st.lists(NUMBERS, min_size=2, max_size=8, unique=True), raw=NUMBERS)
def test_identity_curve_changes_nothing(points: list[float], raw: float) -> None:
    """Points whose true values are their raw values leave every reading as it is."""
    ascending = np.array(sorted(points))
    if np.diff(ascending).min() < 1e-3:
        return
    drawn = Curve(0, ascending, ascending.copy()).apply(np.array([raw]))

    assert drawn == pytest.approx([raw], rel=1e-9, abs=1e-6)


@given(raws=st.lists(NUMBERS, min_size=2, max_size=50))
def test_rising_curve_keeps_order(raws: list[float]) -> None:
    """A curve that rises never turns two readings round."""
    curve = Curve(0, np.array([4.0, 12.0, 20.0]), np.array([0.0, 310.0, 600.0]))
    drawn = curve.apply(np.array(sorted(raws)))

    assert (np.diff(drawn) >= 0).all()
