"""What a run delivered comes with an interval that covers it, or with the reason why not."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from analysis.pipeline import analyse
from analysis.prepare import find_runs
from analysis.view import RunView
from analysis.water import water_volume
from tests.analysis.conftest import Garden, at, grown
from tests.support.plain import MIDNIGHT, day, frame, installation, on, sensor, series, zone

if TYPE_CHECKING:
    from analysis.results import Estimate

ONE = (("a", 6.0, 7.0, 6.2, 6.6),)


def _estimate(garden: Garden, quantity: str) -> Estimate:
    """Return the only estimate of a quantity."""
    found = analyse(garden.installation, garden.frame, MIDNIGHT, garden.end).estimates
    (one,) = [e for e in found if e.quantity == quantity]
    return one


@pytest.fixture(scope="module")
def plain() -> Garden:
    """One fed run of an hour."""
    return grown(ONE, hours=12.0)


def test_water_of_a_run(plain: Garden) -> None:
    """A 2 % meter gives the run's water with an interval that covers it and is about 2 % wide either way."""
    found = _estimate(plain, "water volume")

    assert found.value == pytest.approx(1000.0, rel=0.005)
    assert (found.low or 0) < 1000.0 < (found.high or 0)
    assert ((found.high or 0) - (found.low or 0)) / 2000.0 == pytest.approx(1.96 * 0.02 / np.sqrt(3), rel=0.1)
    assert "water alone" in found.method


def test_hole_is_filled_and_told(plain: Garden) -> None:
    """Three lost minutes are filled with the run's mean flow, told, and widen the interval."""
    flow = plain.readings["flow"]
    holed = flow[(flow.index < at(6.3)) | (flow.index >= at(6.35))]

    found = _estimate(replace(plain, readings={**plain.readings, "flow": holed}), "water volume")

    assert (found.low or 0) < 1000.0 < (found.high or 0)
    assert "190 s without readings filled" in found.method
    assert any("holes" in term for term in found.budget)


def test_long_hole_is_refused(plain: Garden) -> None:
    """A quarter of an hour lost is too much: no number, and the reason."""
    flow = plain.readings["flow"]
    holed = flow[(flow.index < at(6.3)) | (flow.index >= at(6.44))]

    found = _estimate(replace(plain, readings={**plain.readings, "flow": holed}), "water volume")

    assert found.status == "refused"
    assert "no good readings for" in (found.reason or "")


def test_reset_register_is_refused() -> None:
    """A register that was reset within the run cannot tell its water."""
    plain = installation(zone("a"), sensor("meter", "volume", "zone", "L", zone='"a"', accuracy='"2 %"'))
    counted = np.cumsum(on(day(12), 6, 7)) * 1000 * 10 / 3600
    counted[2340:] -= counted[2339]

    said = analyse(plain, frame({"meter": series(counted)}), MIDNIGHT, at(12)).estimates
    (found,) = [e for e in said if e.quantity == "water volume"]

    assert found.status == "refused"
    assert "reset" in (found.reason or "")


def test_two_zones_at_once_are_refused() -> None:
    """Two zones that drew through one meter at once have no water of their own; a meter each would tell."""
    both = grown((("a", 6.0, 7.0, 6.2, 6.6), ("b", 6.5, 7.5, 6.7, 7.0)), hours=12.0)

    found = analyse(both.installation, both.frame, MIDNIGHT, both.end).estimates
    waters = [e for e in found if e.quantity == "water volume"]

    assert [e.status for e in waters] == ["refused", "refused"]
    assert all("a meter in each zone would tell" in (e.reason or "") for e in waters)


def test_zones_own_meter_is_preferred() -> None:
    """A meter in the zone is nearer than the head's, so it tells the zone's water."""
    own = sensor("own", "flow", "zone", "L/h", zone='"a"', accuracy='"1 %"')
    plain = installation(zone("a"), own, sensor("head", "flow", "source", "L/h"))
    running = on(day(12), 6, 7)
    rows = frame({"own": series(990.0 * running), "head": series(1400.0 * running)})

    (found,) = [e for e in analyse(plain, rows, MIDNIGHT, at(12)).estimates if e.quantity == "water volume"]

    assert found.sensors == ("own",)
    assert found.value == pytest.approx(990.0, rel=0.002)


def test_mean_ec_of_a_run(plain: Garden) -> None:
    """The mean EC is water's and feed's by their time, within the interval."""
    found = _estimate(plain, "mean EC")
    water = plain.readings["water"][at(6) : at(7)].mean()

    assert (found.low or 0) < water + 1.63 * 0.4 < (found.high or 0)
    assert found.sensors == ("feed",)


def test_mean_ec_is_weighted_by_flow(plain: Garden) -> None:
    """A litre counts as a litre: half an hour of feed at thrice the flow weighs three quarters."""
    times = pd.DatetimeIndex(plain.readings["flow"].index)
    flow = series(1500.0 * on(times, 6, 6.5) + 500.0 * on(times, 6.5, 7), times)
    fed = series(
        2.0 * on(times, 6, 6.5) + 1.0 * on(times, 6.5, 7) + 0.001 * np.sin(np.arange(len(times))), times
    )

    found = _estimate(replace(plain, readings={**plain.readings, "flow": flow, "feed": fed}), "mean EC")

    assert found.value == pytest.approx(0.75 * 2.0 + 0.25 * 1.0, rel=0.01)


def test_mean_ec_needs_the_whole_run(plain: Garden) -> None:
    """A cell that was silent for half of the run gives no mean."""
    feed = plain.readings["feed"]
    half = feed[feed.index < at(6.5)]

    found = _estimate(replace(plain, readings={**plain.readings, "feed": half}), "mean EC")

    assert found.status == "refused"
    assert "of the run" in (found.reason or "")


def test_water_interval_covers_as_often_as_it_says(plain: Garden) -> None:
    """Over 300 meters of random gain within their 2 %, the interval covers the water in 92 to 100 %."""
    rng = np.random.default_rng(77)
    (run,) = find_runs(plain.installation, {n: plain.readings[n] for n in ("flow", "a_valve", "b_valve")})
    covered = 0
    for gain in 1.0 + rng.uniform(-0.02, 0.02, 300):
        (found,) = water_volume(RunView(plain.installation, run, {"flow": plain.readings["flow"] * gain}))
        covered += int((found.low or 0) < 1000.0 < (found.high or 0))

    assert 276 <= covered <= 300
