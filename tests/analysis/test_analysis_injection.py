"""The injection fraction: right on virtual systems, combined where ways agree, refused with its own reason."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from analysis.injection.ec import conductivity
from analysis.injection.flow import meters
from analysis.injection.fraction import injection_fraction, ways
from analysis.injection.ways import NoWay, Way, disagreement
from analysis.results import Interval
from analysis.view import RunView
from benchmarks.scenarios.chemistry import STOCKS
from tests.support.virtual import (
    virtual,
    with_injector,
    with_readings,
    with_sensor,
    with_stock,
    without,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from analysis.results import Estimate


def only(view: RunView) -> Estimate:
    """Return the single estimate of a run."""
    (estimate,) = injection_fraction(view)
    return estimate


@pytest.mark.parametrize("stock", STOCKS)
def test_method_alone_is_within_half_a_percent(stock: str) -> None:
    """With faultless sensors and dilutions the reported fraction is within 0.6 % for every stock."""
    scenario = virtual(900_010, ideal=True, stock=stock)
    estimate = only(scenario.view())

    assert estimate.value == pytest.approx(scenario.truth.fraction, rel=0.006)


def test_interval_holds_the_truth_and_names_both_ways() -> None:
    """A usual system: the interval holds the true fraction; the method names meters, EC and every choice."""
    scenario = virtual()
    estimate = only(scenario.view())

    assert estimate.low is not None
    assert estimate.high is not None
    assert estimate.low < scenario.truth.fraction < estimate.high
    assert "stock_meter" in estimate.method
    assert "dilution curve" in estimate.method
    assert "%/K" in estimate.method
    assert sum(estimate.budget.values()) == pytest.approx(1.0)


def test_water_meter_before_the_injection_is_corrected() -> None:
    """Read as if it stood after the injection, a meter before it gives f / (1 - f)."""
    view = virtual(900_020, ideal=True, stock="potassium nitrate").view()
    point = view.installation.sensor["main_meter"].point
    other = "mixed" if point == "source" else "source"
    right, wrong = meters(view), meters(with_sensor(view, "main_meter", point=other))

    assert isinstance(right, Way)
    assert isinstance(wrong, Way)
    fraction, told = math.exp(right.log.value), math.exp(wrong.log.value)
    expected = fraction / (1 - fraction) if point == "source" else fraction / (1 + fraction)
    assert told == pytest.approx(expected, rel=1e-9)


def test_slow_register_is_read_between_its_counts() -> None:
    """A stock register of one pulse for 50 mL, some forty pulses in a run, is still read within 0.5 %."""
    scenario = virtual(900_030, ideal=True, stock="A")
    view = scenario.view()
    coarse = with_readings(
        with_sensor(view, "stock_meter", quantity="volume", unit="count", pulses_per_litre=20.0),
        "stock_meter",
        lambda _: _register(scenario.truth.fraction * scenario.truth.flow, view, pulses=20.0),
    )
    answer = meters(coarse)

    assert isinstance(answer, Way)
    assert math.exp(answer.log.value) == pytest.approx(scenario.truth.fraction, rel=0.005)


def _register(flow: float, view: RunView, *, pulses: float) -> pd.Series:
    """Return a register that counts a steady stock flow [L/h] during the injection."""
    times = pd.DatetimeIndex(view.series["mixed_ec"].index)
    injection = view.run.injection
    assert injection is not None
    hours = np.clip((times - injection.start).total_seconds(), 0.0, None) / 3600.0
    hours = np.minimum(hours, (injection.end - injection.start).total_seconds() / 3600.0)
    return pd.Series(np.floor(hours * flow * pulses + 0.3) / pulses, times)


def test_cells_that_differ_are_matched_on_the_source_water() -> None:
    """A source cell that reads 5 % high changes the fraction by EC by less than 0.1 %."""
    view = virtual(900_040, stock="A").view()
    high = with_readings(view, "source_ec", lambda s: s * 1.05)
    one, other = conductivity(view, "mixed_ec"), conductivity(high, "mixed_ec")

    assert isinstance(one, Way)
    assert isinstance(other, Way)
    assert other.log.value == pytest.approx(one.log.value, abs=0.001)


def test_without_a_source_cell_the_mixed_cell_is_its_own_base() -> None:
    """Without any source cell EC still gives the fraction, with an interval that holds it and is no narrower."""
    scenario = virtual(900_040, stock="A")
    full, alone = (
        conductivity(v, "mixed_ec") for v in (scenario.view(), without(scenario.view(), "source_ec"))
    )

    assert isinstance(full, Way)
    assert isinstance(alone, Way)
    assert "itself" in alone.method
    assert abs(alone.log.value - math.log(scenario.truth.fraction)) < 2.5 * alone.log.sd


def test_one_dilution_is_called_linear_and_widened() -> None:
    """With one dilution twice as strong as the ratio the method says so and the interval holds the truth."""
    scenario = virtual(900_050, ideal=True, stock="magnesium sulfate")
    view = scenario.view()
    rows = view.installation.stock["S"].dilutions
    strong = min((r for r in rows if r[0] > 1.3 * scenario.truth.fraction), key=lambda r: r[0])
    answer = conductivity(with_stock(view, dilutions=(rows[0], strong)), "mixed_ec")

    assert isinstance(answer, Way)
    assert "assumed linear" in answer.method
    assert answer.log.sd > 0.02
    assert abs(answer.log.value - math.log(scenario.truth.fraction)) < 1.96 * answer.log.sd


def _flat(view: RunView) -> RunView:
    """Return the view with a mixed cell that sees only the source's water, drift and all."""
    source = view.series["source_ec"]
    return with_readings(
        view,
        "mixed_ec",
        lambda s: source.reindex(s.index.union(source.index)).interpolate("time").ffill().bfill()[s.index],
    )


def _cold_cells(view: RunView) -> RunView:
    """Return the view without any thermometer."""
    return without(view, *(n for n in view.series if n.endswith("temperature")))


def _brief(view: RunView) -> RunView:
    """Return the view with an injection of 25 s."""
    start = view.run.injection.start if view.run.injection else view.run.start
    run = replace(view.run, injection=Interval(start, start + pd.Timedelta(seconds=25)))
    return RunView(view.installation, run, view.series, view.others)


def _no_water_seen(view: RunView) -> RunView:
    """Return the view without a source cell and with the mixed cell's readings during the injection alone."""
    injection = view.run.injection
    assert injection is not None
    return with_readings(
        without(view, "source_ec"),
        "mixed_ec",
        lambda s: s[(s.index > injection.start) & (s.index < injection.end)],
    )


REFUSALS: dict[str, tuple[Callable[[RunView], RunView], str]] = {
    "no curve": (lambda v: with_stock(v, dilutions=()), "no dilution curve"),
    "urea": (lambda v: with_stock(v, conducting=False), "does not conduct"),
    "no thermometer": (_cold_cells, "does not compensate"),
    "at the limit": (
        lambda v: with_sensor(v, "mixed_ec", range=(0.0, float(v.series["mixed_ec"].median() * 1.02))),
        "meter's limit",
    ),
    "beyond the strongest": (
        lambda v: with_stock(v, dilutions=v.installation.stock["S"].dilutions[:3]),
        "not extrapolated",
    ),
    "below the weakest": (
        lambda v: with_stock(
            v,
            dilutions=(v.installation.stock["S"].dilutions[0], *v.installation.stock["S"].dilutions[-2:]),
        ),
        "weakest dilution",
    ),
    "no rise": (_flat, "does not rise"),
    "too short": (_brief, "settled|readings during the injection"),
    "cells far apart": (
        lambda v: with_readings(v, "source_ec", lambda s: s * 1.4),
        "clean and check both cells",
    ),
    "no water seen": (_no_water_seen, "saw no source water"),
}


@pytest.mark.parametrize("case", REFUSALS)
def test_ec_refuses_with_its_own_reason(case: str) -> None:
    """Each case that EC cannot carry is refused with a reason of its own, which stands in the estimate."""
    change, words = REFUSALS[case]
    broken = without(change(virtual(900_060, stock="A").view()), "stock_meter", "stock_level")
    estimate = only(broken)

    assert estimate.status == "refused"
    assert estimate.value is None
    assert re.search(words, estimate.reason or "")


def test_meters_refuse_with_their_own_reason() -> None:
    """No stock meter, long gaps, no counts and a balance that does not close each have their own reason."""
    view = virtual(900_060, stock="A").view()
    injection = view.run.injection
    assert injection is not None
    middle = injection.start + 0.5 * (injection.end - injection.start)
    gap = with_readings(view, "main_meter", lambda s: s[(s.index < injection.start) | (s.index > middle)])
    still = with_readings(view, "stock_meter", lambda s: s * 0.0 + (0.0 if s.max() < 50 else s.iloc[0]))
    broken = {
        "no stock meter": without(view, "stock_meter"),
        "readings over only": gap,
        "counted nothing|pulses": still,
        "do not balance": _open(view),
    }
    for words, changed in broken.items():
        answer = meters(changed)

        assert isinstance(answer, NoWay)
        assert re.search(words, answer.reason)


def _open(view: RunView) -> RunView:
    """Return the view with a second main meter after a leak of a fifth of the flow."""
    sensors = dict(view.installation.sensor)
    sensors["zone_meter"] = sensors["main_meter"].model_copy(update={"point": "zone", "zone": "z1"})
    installation = view.installation.model_copy(update={"sensor": sensors})
    first = float(view.series["main_meter"].iloc[0])
    less = (view.series["main_meter"] - first) * 0.8 + first
    return RunView(installation, view.run, {**view.series, "zone_meter": less}, view.others)


def test_tank_has_no_single_ratio() -> None:
    """A displacement tank's ratio is refused with the reason that its strength falls."""
    estimate = only(with_injector(virtual().view(), kind="displacement tank"))

    assert estimate.status == "refused"
    assert "no single ratio" in (estimate.reason or "")


def test_ways_that_disagree_are_not_averaged() -> None:
    """With stock at two thirds of its strength meters and EC are told apart, neither as a mean of both."""
    view = virtual(900_070, stock="A").view()
    weak = with_readings(view, "stock_meter", lambda s: s * 1.5)
    found, _ = ways(weak)
    estimates = injection_fraction(weak)

    assert disagreement(found) is not None
    assert len(estimates) == 2
    assert all("not averaged" in e.method for e in estimates)
    assert sorted(e.value or 0.0 for e in estimates) == pytest.approx(
        sorted(math.exp(way.log.value) for way in found)
    )


def test_compensated_cell_is_left_alone() -> None:
    """A cell that compensates itself gives its readings unchanged, and its coefficient's doubt is in the budget."""
    view = virtual(900_080, stock="A").view()
    compensated = with_sensor(with_sensor(view, "mixed_ec", compensated=True), "source_ec", compensated=True)
    answer = conductivity(compensated, "mixed_ec")

    assert isinstance(answer, Way)
    assert "compensates to 25 °C itself" in answer.method
    assert any("temperature coefficient (mixed_ec)" in name for name in answer.log.budget())
