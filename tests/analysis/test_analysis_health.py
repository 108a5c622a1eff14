"""Cells that foul, sensors in trouble, stock without water, drainage, water classes, restrictions in a run."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from analysis.diagnosis.features import CELL_RATIO
from analysis.diagnosis.within import departures
from analysis.drainage import band_with_memory, drain_fraction, leaching_requirement
from analysis.injection.faults import injection_without_flow
from analysis.results import Feature, Run
from analysis.sensors_health import FAILED, cell_fouling, troubled_sensors
from analysis.view import PeriodView, SeasonView
from analysis.water_quality import clogging_hazard
from benchmarks.measured_faults import DATASETS, exponents, judged, pulse_gallons
from ingest.installation import Installation

START = pd.Timestamp("2026-05-01T00:00Z")
INDEX = pd.date_range(START, periods=2880, freq="30s")


def _installation(**sensors: dict[str, Any]) -> Installation:
    for name, sensor in sensors.items():
        sensor.setdefault("source", {"csv": name})
    return Installation.model_validate(
        {
            "name": "Invented",
            "timezone": "UTC",
            "supply": {"kind": "well", "backflow_preventer": "none"},
            "zone": {"z": {}},
            "sensor": sensors,
        }
    )


CELLS = _installation(
    source={"quantity": "conductivity", "point": "source", "unit": "mS/cm"},
    feed={"quantity": "conductivity", "point": "mixed", "unit": "mS/cm"},
)
METERS = _installation(
    water={"quantity": "flow", "point": "source", "unit": "L/h"},
    stock={"quantity": "flow", "point": "stock", "unit": "L/h"},
    drain={"quantity": "volume", "point": "drain", "unit": "L", "zone": "z"},
)


def _season(features: list[Feature]) -> SeasonView:
    return SeasonView(CELLS, START, START + pd.Timedelta(days=60), (), (), (), tuple(features))


def _ratios(values: np.ndarray) -> list[Feature]:
    times = pd.date_range(START, periods=values.size, freq="D")
    return [
        Feature(CELL_RATIO, "z", t, float(v), 0.0, ("source", "feed"))
        for t, v in zip(times, values, strict=True)
    ]


def _period(**series: np.ndarray) -> PeriodView:
    run = Run("z", INDEX[720], INDEX[1440], 1000.0, 166.7)
    read = {name: pd.Series(values, INDEX) for name, values in series.items()}
    return PeriodView(METERS, START, START + pd.Timedelta(days=1), read, {}, (run,))


def test_fouling_cell_is_told_and_named() -> None:
    """A feed cell that comes to read 12 % low is told, as the likelier of the two."""
    rng = np.random.default_rng(71)
    values = rng.normal(0.01, 0.003, 60) - np.clip(np.arange(60) - 20, 0, 30) * 0.004
    (finding,) = cell_fouling(_season(_ratios(values)))

    assert (finding.kind, finding.sensor, finding.severity) == ("sensor fault", "feed", "act")
    assert finding.value == pytest.approx(-0.12, abs=0.02)


def test_sound_cells_stay_quiet() -> None:
    """Hundred pairs of cells that walk by 1 % in the season raise nothing."""
    rng = np.random.default_rng(72)
    told = [
        f
        for _ in range(100)
        for f in cell_fouling(
            _season(_ratios(np.cumsum(rng.normal(0, 0.01 / 60**0.5, 60)) + rng.normal(0, 0.003, 60)))
        )
    ]

    assert told == []


def test_sensor_in_trouble_is_told_after_two_days() -> None:
    """Two days of 40 % failed readings are told; one day is not."""
    shares = [0.0] * 5 + [0.4, 0.4]
    features = [
        Feature(FAILED, None, START + pd.Timedelta(days=i), s, 0.0, ("feed",)) for i, s in enumerate(shares)
    ]
    (finding,) = troubled_sensors(_season(features))

    assert finding.start == START + pd.Timedelta(days=5)
    assert troubled_sensors(_season(features[:-1])) == []


def test_stock_without_water_stops() -> None:
    """Stock that runs on for ten minutes after the water is told with its litres; within the run it is not."""
    water = np.zeros(2880)
    water[720:1440] = 1000.0
    stock = water / 100.0
    healthy = injection_without_flow(_period(water=water, stock=stock))
    stock[1440:1460] = 10.0
    (finding,) = injection_without_flow(_period(water=water, stock=stock))

    assert healthy == []
    assert (finding.kind, finding.severity) == ("injection without flow", "stop")
    assert finding.value == pytest.approx(10.0 * 9.5 / 60.0, rel=0.02)


def test_drain_fraction_is_drained_over_given() -> None:
    """120 L drained of 1000 L given is 12 %, inside its interval."""
    (estimate,) = drain_fraction(_period(drain=np.clip(np.arange(2880) - 800, 0, 600) * 0.2))

    assert estimate.value == pytest.approx(0.12)
    assert (estimate.low or 0.0) < 0.12 < (estimate.high or 0.0)


def test_too_salty_water_is_refused() -> None:
    """Water that no leaching mends is an error with both values."""
    with pytest.raises(ValueError, match=r"water of 5\.0 mS/cm"):
        leaching_requirement(5.0, 1.7)


def test_band_does_not_flicker() -> None:
    """Values that dance at the limit change sides once."""
    sides = band_with_memory([2.9, 3.05, 2.95, 3.05, 2.95, 2.6], low=1.0, high=3.0, margin=0.3)

    assert sides == ["in", "high", "high", "high", "high", "in"]


@pytest.mark.parametrize(
    ("factor", "value", "verdict"),
    [
        ("suspended solids", 49.0, "slight"),
        ("suspended solids", 101.0, "severe"),
        ("dissolved solids", 2001.0, "severe"),
        ("iron", 0.1, "moderate"),
        ("manganese", 1.6, "severe"),
        ("bacteria", 20_000.0, "moderate"),
    ],
)
def test_water_classes_are_the_published_ones(factor: str, value: float, verdict: str) -> None:
    """Limits on both sides are those of Bucks et al. (1979); the exchanged cells of one page are not followed."""
    assert clogging_hazard({factor: value})[0].verdict == verdict


def test_variants_differ_where_published() -> None:
    """Acidity of 7.6 and 0.3 mg/L of hydrogen sulfide are judged differently by the two tables."""
    water = {"pH": 7.6, "hydrogen sulfide": 0.3}
    bucks = {h.factor: h.verdict for h in clogging_hazard(water)}
    pitts = {h.factor: h.verdict for h in clogging_hazard(water, variant="Pitts")}

    assert bucks == {"pH": "moderate", "hydrogen sulfide": "slight"}
    assert pitts == {"pH": "severe", "hydrogen sulfide": "moderate"}


def test_unknown_factor_is_refused() -> None:
    """A misspelt factor is named with the known ones."""
    with pytest.raises(ValueError, match="'Iron' is not a factor"):
        clogging_hazard({"Iron": 1.0})


def test_steady_run_departs_nowhere() -> None:
    """An hour of steady flow with 1 % noise shows no departure."""
    times = pd.date_range(START, periods=3600, freq="1s")
    flow = pd.Series(100.0 + np.random.default_rng(73).normal(0, 1.0, 3600), times)

    assert departures(flow) == []


measured = pytest.mark.skipif(not DATASETS.exists(), reason="measured data are not beside the project")


@measured
def test_measured_loop_restrictions_are_found() -> None:
    """13 of 16 measured restrictions are found, none before its label, and the sound loop is quiet."""
    folder = DATASETS / "water_loop_faults"
    found = [judged(path) for path in sorted((folder / "valve1").glob("*.csv"))]

    assert judged(folder / "anomaly-free" / "anomaly-free.csv")[1] == 0
    assert sum(np.isfinite(delay) for delay, _ in found) >= 13
    assert sum(before for _, before in found) == 0


@measured
def test_measured_curves_and_pulses_agree_with_known_answers() -> None:
    """Exponents within 0.002 and volume within 0.1 % of the known answers."""
    found = exponents(Path(DATASETS) / "pressure_flow_curves")

    assert found["dosing tube"] == pytest.approx(0.9188, abs=0.002)
    assert found["sprinkler"] == pytest.approx(0.4145, abs=0.002)
    assert pulse_gallons(Path(DATASETS) / "pulse_water_meter") == pytest.approx(1207.6, rel=0.001)
