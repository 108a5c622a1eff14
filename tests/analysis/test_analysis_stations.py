"""Sampled points tell the ratio each for itself; one that is out of line is named and left out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from analysis.results import Estimate, Finding, Interval, Run
from analysis.samples import Samples, sampled, tracer_balance
from analysis.stations import disagreeing, stations
from analysis.view import RunView
from tests.support.plain import MIDNIGHT, PUMP, day, installation, on, sensor, series, zone

if TYPE_CHECKING:
    from collections.abc import Sequence

TRACED = PUMP.replace("[stock.A]", '[stock.A]\ntracers = { Cl = "50 g/L" }')
INJECTION = Interval(MIDNIGHT + pd.Timedelta("1h"), MIDNIGHT + pd.Timedelta("2h"))
RUN = Run("a", MIDNIGHT + pd.Timedelta("30min"), MIDNIGHT + pd.Timedelta("3h"), None, None, INJECTION)
FRACTION = 0.01


def _bottles(name: str) -> str:
    """Return the table of a point where bottles are taken."""
    keys = {"analyte": '"Cl"', "zone": '"a"', "accuracy": '"2 % + 0.5 mg/L"', "interval": ""}
    return sensor(name, "concentration", "lateral end", "mg/L", **keys)


def _taken(before: Sequence[float], during: Sequence[float]) -> pd.Series:
    """Return samples of the water before the injection and of its late plateau."""
    first = [MIDNIGHT + pd.Timedelta("35min") + n * pd.Timedelta("1min") for n in range(len(before))]
    later = [MIDNIGHT + pd.Timedelta("100min") + n * pd.Timedelta("1min") for n in range(len(during))]
    return pd.Series([*before, *during], pd.DatetimeIndex([*first, *later]))


def _view(tables: Sequence[str], readings: dict[str, pd.Series], pump: str = TRACED) -> RunView:
    """Return the run with these points and samples."""
    return RunView(installation(pump, zone("a"), *tables), RUN, readings)


def _plateau(factor: float, seed: int, count: int = 5) -> list[float]:
    """Return bottles of a plateau at a factor of the true one, with 1 % scatter. [mg/L]"""
    true = 20.0 + FRACTION * (50_000.0 - 20.0) * factor
    return list(true * (1 + 0.01 * np.random.default_rng(seed).standard_normal(count)))


def _numbers(said: Sequence[Estimate | Finding]) -> dict[tuple[str, ...], Estimate]:
    """Return the estimates that are numbers, by their sensors."""
    return {e.sensors: e for e in said if isinstance(e, Estimate) and e.status == "ok"}


def test_points_that_agree_are_averaged() -> None:
    """Four points that agree give four numbers and their mean, which is tighter than any of them."""
    names = ["p1", "p2", "p3", "p4"]
    readings = {n: _taken([20.0], _plateau(1.0, seed)) for seed, n in enumerate(names)}

    said = stations(_view([_bottles(n) for n in names], readings))
    numbers = _numbers(said)
    mean = numbers.pop(tuple(names))

    assert set(numbers) == {(n,) for n in names}
    assert all((e.low or 1) < FRACTION < (e.high or 0) for e in [mean, *numbers.values()])
    assert (mean.high or 0) - (mean.low or 0) < min((e.high or 0) - (e.low or 0) for e in numbers.values())
    assert not [f for f in said if isinstance(f, Finding)]


@pytest.mark.parametrize("factor", [1.2, 0.8])
def test_point_that_is_not_mixed_is_named_and_left_out(factor: float) -> None:
    """A point 20 % off is named, keeps its own number, and is not in the mean."""
    names = ["p1", "p2", "p3", "p4"]
    readings = {
        n: _taken([20.0], _plateau(factor if n == "p1" else 1.0, seed)) for seed, n in enumerate(names)
    }

    said = stations(_view([_bottles(n) for n in names], readings))
    (finding,) = [f for f in said if isinstance(f, Finding)]

    assert (finding.kind, finding.sensor, finding.severity) == ("sensor fault", "p1", "watch")
    assert finding.value == pytest.approx(factor - 1, abs=0.03)
    assert ("p2", "p3", "p4") in _numbers(said)
    assert "not averaged" in _numbers(said)[("p1",)].method


def test_two_points_that_differ_are_both_named() -> None:
    """Of two points that differ nobody knows the odd one: both are named and nothing is averaged."""
    readings = {"p1": _taken([20.0], _plateau(1.0, 1)), "p2": _taken([20.0], _plateau(1.3, 2))}

    said = stations(_view([_bottles("p1"), _bottles("p2")], readings))
    (finding,) = [f for f in said if isinstance(f, Finding)]

    assert finding.sensor is None
    assert "no two points agree" in finding.evidence
    assert set(_numbers(said)) == {("p1",), ("p2",)}


def test_clean_points_are_seldom_called_odd() -> None:
    """Of 1000 sets of four clean points at most 2 % are called disagreeing; the test allows 1 %."""
    rng = np.random.default_rng(5)
    called = 0
    for _ in range(1000):
        points = [
            Samples(n, np.array([20.0]), rng.normal(520.0, 6.0, 5), Interval(MIDNIGHT, MIDNIGHT))
            for n in "abcd"
        ]
        called += bool(disagreeing(points))

    assert called <= 20


def test_hand_meter_through_the_curve() -> None:
    """EC by hand gives the ratio through the dilution curve."""
    keys = {"zone": '"a"', "accuracy": '"1 %"', "interval": ""}
    readings = {"hand": _taken([0.50, 0.51, 0.50], [2.13, 2.14, 2.13, 2.12])}

    said = stations(_view([sensor("hand", "conductivity", "lateral end", "mS/cm", **keys)], readings))
    found = _numbers(said)[("hand",)]

    assert found.value == pytest.approx(0.01, rel=0.01)
    assert (found.low or 1) < 0.01 < (found.high or 0)


@pytest.mark.parametrize(
    ("pump", "readings", "words"),
    [
        (PUMP, _taken([20.0], [520.0, 521.0]), "strength in the stock is not described"),
        (TRACED, _taken([20.0], [20.3, 19.8]), "no more than they scatter"),
    ],
    ids=["unknown strength", "no rise"],
)
def test_samples_that_cannot_tell_are_refused(pump: str, readings: pd.Series, words: str) -> None:
    """Samples of a substance that the stock does not state, or that do not rise, give a reason."""
    both = {"p1": readings, "p2": readings}

    said = stations(_view([_bottles("p1"), _bottles("p2")], both, pump))

    assert {e.status for e in said if isinstance(e, Estimate)} == {"refused"}
    assert all(words in (e.reason or "") for e in said if isinstance(e, Estimate))


def test_step_outside_the_curve_is_refused() -> None:
    """EC beyond the strongest dilution is not extrapolated."""
    keys = {"zone": '"a"', "accuracy": '"1 %"', "interval": ""}
    readings = {"hand": _taken([0.5], [9.0, 9.1])}

    (found,) = stations(_view([sensor("hand", "conductivity", "lateral end", "mS/cm", **keys)], readings))

    assert isinstance(found, Estimate)
    assert "not extrapolated" in (found.reason or "")


def test_samples_need_water_and_plateau() -> None:
    """A point without a sample of the water, or of the plateau, is no sampled point."""
    view = _view([_bottles("p1"), _bottles("p2")], {"p1": _taken([], [520.0]), "p2": _taken([20.0], [])})

    assert sampled(view) == {"laboratory": [], "hand meter": []}


def test_water_sampled_at_the_source_serves_all() -> None:
    """One bottle of the source water serves every point that has none of its own."""
    source = sensor("s", "concentration", "source", "mg/L", analyte='"Cl"', interval="")
    readings = {"p1": _taken([], [520.0, 519.0]), "s": _taken([20.0], [])}

    (found,) = sampled(_view([_bottles("p1"), source], readings))["laboratory"]

    assert found.rise == pytest.approx(499.5)


def test_second_cell_at_the_far_end_is_compared() -> None:
    """Two cells at the lateral ends that differ beyond their errors are a finding; alike they are two numbers."""
    keys = {"zone": '"a"', "accuracy": '"1 %"', "lag": '["3 s", "5 s"]'}
    tables = [sensor(n, "conductivity", "lateral end", "mS/cm", **keys) for n in ("e1", "e2")]
    times, rng = day(3), np.random.default_rng(1)

    def cell(factor: float) -> pd.Series:
        return series(0.5 + 1.63 * factor * on(times, 1, 2) + rng.normal(0, 0.003, len(times)), times)

    alike = stations(_view(tables, {"e1": cell(1.0), "e2": cell(1.0)}))
    apart = stations(_view(tables, {"e1": cell(1.0), "e2": cell(0.8)}))

    assert [type(s) for s in alike] == [Estimate]
    assert [s.sensor for s in apart if isinstance(s, Finding)] == ["e2"]


def test_balance_needs_a_stock_stronger_than_the_water() -> None:
    """A stock weaker than the water is a caller's mistake."""
    with pytest.raises(ValueError, match="no stronger"):
        tracer_balance(plateau=2.0, background=5.0, stock=5.0)
