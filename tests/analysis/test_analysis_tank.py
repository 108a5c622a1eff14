"""Displacement tanks: the decay found, the gain of the meter in the interval, refusals."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.injection.ways import NoWay
from analysis.results import Estimate, Finding, Interval
from analysis.tank.decay import TankFit, tank_fit
from analysis.tank.estimate import QUANTITIES, displacement_tank
from analysis.tank.fit import fit_decay, litres_until, strength_after
from analysis.view import RunView
from benchmarks.scenarios.chemistry import STOCKS
from tests.support.virtual import virtual, with_readings, with_stock, without


def tank() -> RunView:
    """Return a run through a displacement tank."""
    return virtual(900_101, kind="displacement tank").view()


@given(st.floats(20.0, 2000.0), st.floats(0.005, 0.5))
def test_decay_is_found_exactly_without_noise(decay: float, initial: float) -> None:
    """An exponential without noise gives its own decay volume and strength back."""
    water = np.linspace(0.0, 1.5 * decay, 60)
    fitted = fit_decay(water, initial * np.exp(-water / decay))

    assert math.exp(fitted.log_decay) == pytest.approx(decay, rel=1e-6)
    assert math.exp(fitted.log_initial) == pytest.approx(initial, rel=1e-6)
    assert fitted.misfit < 1e-6


def test_fit_needs_readings_and_a_fall() -> None:
    """Few readings, and a strength that hardly falls, are told as such."""
    water = np.linspace(0.0, 10.0, 40)

    with pytest.raises(ValueError, match="12 are needed"):
        fit_decay(water[:5], np.full(5, 0.05))
    with pytest.raises(ValueError, match="fell by less than"):
        fit_decay(water, 0.05 * np.exp(-water / 1000.0))


def test_four_tank_volumes_leave_two_percent() -> None:
    """The usual advice of four tank volumes leaves 1.8 %, and 5 % takes three."""
    assert strength_after(4.0) == pytest.approx(0.0183, abs=5e-5)
    assert litres_until(100.0, 0.0) == pytest.approx(299.6, abs=0.05)
    assert litres_until(100.0, 400.0) == 0.0


@pytest.mark.parametrize("stock", STOCKS)
def test_method_alone_finds_the_decay_volume(stock: str) -> None:
    """With faultless sensors the decay volume is within 0.5 % and the strength within 1 %."""
    scenario = virtual(900_110, kind="displacement tank", ideal=True, stock=stock)
    fit = tank_fit(scenario.view())

    assert isinstance(fit, TankFit)
    assert math.exp(fit.decay.value) == pytest.approx(scenario.truth.tank["decay_l"], rel=0.005)
    assert math.exp(fit.initial.value) == pytest.approx(scenario.truth.tank["initial"], rel=0.01)


def test_meter_gain_moves_the_decay_volume_and_its_interval_knows() -> None:
    """A main meter 3 % off moves Va by 3 %, leaves the strength at the start alone, and dominates the budget."""
    view = tank()
    fit, moved = tank_fit(view), tank_fit(with_readings(view, "main_meter", lambda s: s * 1.03))

    assert isinstance(fit, TankFit)
    assert isinstance(moved, TankFit)
    assert moved.decay.value - fit.decay.value == pytest.approx(math.log(1.03), abs=1e-6)
    assert moved.initial.value == pytest.approx(fit.initial.value, abs=1e-6)
    assert next(iter(fit.decay.budget())) == "meter gain (main_meter)"
    assert fit.decay.sd > 0.01


def test_mass_given_and_left_add_up_to_the_start() -> None:
    """Stock given and stock left together are what the tank held at the start, within the delay's doubt."""
    fit = tank_fit(tank())

    assert isinstance(fit, TankFit)
    held = math.exp(fit.initial.value + fit.decay.value)
    left = held * math.exp(fit.left.value)
    assert math.exp(fit.given.value) + left == pytest.approx(held, rel=1e-9)


def test_every_quantity_is_estimated_and_holds_the_truth() -> None:
    """One run gives all seven quantities; decay, dose and stock left hold the truth."""
    scenario = virtual(900_101, kind="displacement tank")
    found = {e.quantity: e for e in displacement_tank(scenario.view()) if isinstance(e, Estimate)}
    truth = scenario.truth

    assert tuple(found) == QUANTITIES
    for name, true in (
        ("tank decay volume", truth.tank["decay_l"]),
        ("stock volume", truth.stock_l),
        ("tank volume left", truth.tank["volume_l"] * truth.tank["left"]),
    ):
        low, high = found[name].low, found[name].high
        assert low is not None
        assert high is not None
        assert low < true < high
    litres, seconds = found["water to depletion"].value, found["time to depletion"].value
    assert litres is not None
    assert seconds == pytest.approx(3600.0 * litres / truth.flow, rel=0.03)


def test_refilled_tank_is_refused() -> None:
    """A tank refilled in the middle of the run does not follow one decay, and is refused with that reason."""
    view = tank()
    injection = view.run.injection
    assert injection is not None
    middle = injection.start + 0.5 * (injection.end - injection.start)

    def refill(series: pd.Series) -> pd.Series:
        during = series[(series.index > injection.start) & (series.index < middle)].to_numpy(float)
        later = series.index > middle
        count = int(later.sum())
        jumped = series.copy()
        jumped[later] = np.resize(during[10:], count)
        return jumped

    answer = tank_fit(with_readings(view, "mixed_ec", refill))

    assert isinstance(answer, NoWay)
    assert "refilled" in answer.reason


def test_tank_whose_injection_has_only_begun_is_refused() -> None:
    """A minute into the injection there is nothing to fit yet, and that is the reason."""
    view = tank()
    injection = view.run.injection
    assert injection is not None
    now = injection.start + pd.Timedelta("60s")
    run = replace(view.run, end=now, injection=Interval(injection.start, now), complete=False)
    begun = replace(view, run=run, series={name: s[s.index <= now] for name, s in view.series.items()})

    answer = tank_fit(begun)

    assert isinstance(answer, NoWay)
    assert "readings" in answer.reason


@pytest.mark.parametrize("seed", [900_101, 900_103, 900_104])
def test_water_after_the_stock_does_not_move_the_decay(seed: int) -> None:
    """An injection seen to end two minutes late, at the cell's reading of bare water, leaves the decay as it was."""
    view = virtual(seed, kind="displacement tank").view()
    injection = view.run.injection
    assert injection is not None
    late = replace(view.run, injection=Interval(injection.start, injection.end + pd.Timedelta("120s")))

    known, seen = tank_fit(view), tank_fit(replace(view, run=late))

    assert isinstance(known, TankFit)
    assert isinstance(seen, TankFit)
    assert seen.decay.value == pytest.approx(known.decay.value, abs=known.decay.sd)


def test_tank_without_curve_meter_or_cell_is_refused_for_that() -> None:
    """Each missing piece has its own reason, in every quantity."""
    view = tank()
    cases = {
        "no dilution curve": with_stock(view, dilutions=()),
        "no main meter": without(view, "main_meter"),
        "no conductivity cell": without(view, "mixed_ec"),
    }
    for words, broken in cases.items():
        said = displacement_tank(broken)

        assert [e.quantity for e in said if isinstance(e, Estimate)] == list(QUANTITIES)
        assert all(words in (e.reason or "") for e in said if isinstance(e, Estimate))


def test_tank_that_is_used_up_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """With the limit above the strength that is left the tank is told as used up; with the usual one it is not."""
    view = tank()
    usual = [f for f in displacement_tank(view) if isinstance(f, Finding)]
    monkeypatch.setattr("analysis.tank.estimate.DEPLETED", 0.9)
    (told,) = [f for f in displacement_tank(view) if isinstance(f, Finding)]

    assert usual == []
    assert told.kind == "injection off target"
    assert "Refill" in told.advice
    assert "under pressure" in told.advice
