"""Fronts are timed at their half height, and a cell's own fall is told with its threshold."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis.clearout.arrival import arrival
from analysis.clearout.estimate import clear_out
from analysis.clearout.fronts import travel_between
from analysis.clearout.washout import washout
from analysis.findings.feed import ec_band
from analysis.hydraulics.travel_estimate import travel_in_pipes
from analysis.results import Estimate, Interval, Run
from analysis.view import RunView
from tests.support.plain import MIDNIGHT, PUMP, day, hours_of, installation, sensor, series, zone
from tests.support.virtual import virtual, without

INJECTION = Interval(MIDNIGHT + pd.Timedelta("1h"), MIDNIGHT + pd.Timedelta("2h"))
RUN = Run("a", MIDNIGHT + pd.Timedelta("30min"), MIDNIGHT + pd.Timedelta("3h"), None, None, INJECTION)
TIMES = day(3)
SECONDS = hours_of(TIMES) * 3600.0


def _front(
    delay_s: float, width_s: float, *, sd: float = 0.003, seed: int = 1, step: float = 0.0
) -> pd.Series:
    """Return EC that rises by 1.6 at 1 h and falls at 2 h, both delayed and spread; `step` quantises it."""
    rise = np.array([0.5 * (1 + math.erf((s - 3600 - delay_s) / width_s)) for s in SECONDS])
    fall = np.array([0.5 * (1 + math.erf((s - 7200 - delay_s) / width_s)) for s in SECONDS])
    values = 0.5 + 1.6 * (rise - fall) + sd * np.random.default_rng(seed).standard_normal(len(SECONDS))
    return series(np.round(values / step) * step if step else values, TIMES)


def _cell(name: str, point: str, **keys: str) -> str:
    """Return the table of an EC cell of zone a, its lag known."""
    where = {"zone": '"a"'} if point in ("zone", "lateral end") else {}
    given = {"lag": '["3 s", "5 s"]', "accuracy": '"1 %"', **where, **keys}
    return sensor(name, "conductivity", point, "mS/cm", **given)


def _view(tables: list[str], readings: dict[str, pd.Series], pump: str = PUMP) -> RunView:
    """Return the run with these cells and readings."""
    return RunView(installation(pump, zone("a", clear_share='"10 %"'), *tables), RUN, readings)


@pytest.mark.parametrize("width_s", [5.0, 60.0, 300.0])
@pytest.mark.parametrize("step", [0.0, 0.2], ids=["fine", "coarse"])
def test_arrival_at_half_height(width_s: float, step: float) -> None:
    """The half height of a front is found whatever its spread, in fine and in coarse readings."""
    found = arrival(_front(600.0, width_s, step=step)[: INJECTION.end], INJECTION.start)

    assert not isinstance(found, str)
    assert (found[0] - INJECTION.start).total_seconds() == pytest.approx(
        600.0, abs=10.0 + 0.12 * width_s * (step > 0)
    )


@pytest.mark.parametrize(
    ("readings", "words"),
    [
        (series(np.full(len(TIMES), 0.5), TIMES), "no front"),
        (_front(0.0, 5.0)[MIDNIGHT + pd.Timedelta("65min") :], "too little"),
    ],
)
def test_what_is_no_front_says_why(readings: pd.Series, words: str) -> None:
    """Still water has no front, and a cell that was not there before it cannot time it."""
    found = arrival(readings, INJECTION.start)

    assert isinstance(found, str)
    assert words in found


@pytest.mark.parametrize("seed", range(5))
def test_travel_from_cell_to_cell(seed: int) -> None:
    """Between two cells the travel time is the delay between half heights, inside its interval."""
    readings = {"near": _front(20.0, 10.0, seed=seed), "far": _front(900.0, 200.0, seed=seed + 50)}

    (found,) = travel_between(_view([_cell("near", "mixed"), _cell("far", "lateral end")], readings))

    assert found.value == pytest.approx(880.0, abs=10.0)
    assert (found.low or 0) < 880.0 < (found.high or 0)
    assert found.sensors == ("near", "far")


def test_travel_from_the_stock_meter() -> None:
    """Where the stock's meter tells the start, travel counts from there, the cell's lag taken off."""
    meter = sensor("stock", "flow", "stock", "L/h", injector='"pump"')
    readings = {"stock": series(np.zeros(len(TIMES)), TIMES), "far": _front(904.0, 200.0)}

    (found,) = travel_between(_view([meter, _cell("far", "lateral end")], readings))

    assert found.value == pytest.approx(900.0, abs=10.0)
    assert "start of the injection" in found.method


def test_cell_that_saw_no_front_is_refused() -> None:
    """A cell that stood in still water gives its reason."""
    readings = {"near": _front(20.0, 10.0), "far": series(np.full(len(TIMES), 0.5), TIMES)}

    (found,) = travel_between(_view([_cell("near", "mixed"), _cell("far", "lateral end")], readings))

    assert found.status == "refused"
    assert "far" in (found.reason or "")


def test_tank_has_no_half_height() -> None:
    """A displacement tank's feed has no plateau, so its front is not timed at half height."""
    pump = PUMP.replace("proportional pump", "displacement tank").replace(
        'ratio = "1:100"', 'tank_volume = "60 L"'
    )
    cells = [_cell("near", "mixed"), _cell("far", "lateral end")]
    readings = {"near": _front(20.0, 10.0), "far": _front(900.0, 200.0)}

    (found,) = travel_between(
        _view(cells, readings, pump.replace('flow_range = ["200 L/h", "2500 L/h"]', ""))
    )

    assert "no half height" in (found.reason or "")


def test_washout_stands_in_the_place_of_the_refusal() -> None:
    """With nothing near the injector, the clear-out is told once, from the half height of the cell's own fall."""
    width = 120.0
    true = width * 0.9061938  # erfinv(0.8): half height to 10 %

    (found,) = clear_out(_view([_cell("far", "lateral end")], {"far": _front(900.0, width)}))

    assert isinstance(found, Estimate)
    assert found.value == pytest.approx(true, abs=5.0)
    assert (found.low or 0) < true < (found.high or 0)
    assert "0.1 of its step" in found.method
    assert "the travel from there to the cell is not in it" in found.method


def test_refusal_stands_where_the_cell_saw_no_fall_either() -> None:
    """A cell that was lifted out before the fall leaves the refusal alone, with its reason."""
    readings = {"far": _front(900.0, 120.0)[: INJECTION.end + pd.Timedelta("5min")]}

    said = [e for e in clear_out(_view([_cell("far", "lateral end")], readings)) if isinstance(e, Estimate)]

    assert [e.status for e in said] == ["refused"]


@pytest.mark.parametrize("case", ["a near cell tells", "lifted out", "coarse"])
def test_washout_is_silent_where_it_should_be(case: str) -> None:
    """It gives way to a near cell, and says nothing of a fall that it did not see."""
    readings = {"far": _front(900.0, 120.0)}
    tables = (
        [_cell("far", "lateral end", accuracy='"0.2 mS/cm"')]
        if case == "coarse"
        else [_cell("far", "lateral end")]
    )
    if case == "a near cell tells":
        tables, readings = [*tables, _cell("near", "mixed")], {**readings, "near": _front(5.0, 5.0)}
    if case == "lifted out":
        readings = {"far": readings["far"][: INJECTION.end + pd.Timedelta("5min")]}

    assert washout(_view(tables, readings)) == []


def test_two_travel_times_say_which_counts() -> None:
    """The measured time says that it counts before the pipes', and the pipes' says up to which cells."""
    view = virtual(900_220, transport=True).view()
    (measured,), (computed,) = travel_between(without(view, "zone_ec")), travel_in_pipes(view)

    assert "counts before any time from the pipes" in measured.method
    assert (
        "as far as zone_ec and lateral_end_ec the travel time that EC measured counts before it"
        in computed.method
    )
    assert (
        "no EC cell stands in the zone"
        in travel_in_pipes(without(view, "zone_ec", "lateral_end_ec"))[0].method
    )


@pytest.mark.parametrize("width_s", [60.0, 120.0, 300.0])
def test_front_told_while_it_comes_holds_what_is_told_at_the_end(width_s: float) -> None:
    """Cut at any moment, a front is refused or timed with an interval that holds its true time."""
    whole = _front(600.0, width_s)
    told = 0
    for cut_s in range(610, 3600, 50):
        now = INJECTION.start + pd.Timedelta(seconds=cut_s)
        run = replace(RUN, end=now, complete=False, injection=Interval(INJECTION.start, now))
        near = _front(0.0, 5.0)[:now]
        tables = [_cell("near", "mixed"), _cell("far", "lateral end")]
        view = RunView(
            installation(PUMP, zone("a", injector='"pump"'), *tables), run, {"near": near, "far": whole[:now]}
        )
        for one in travel_between(view):
            if one.status == "ok":
                told += 1
                assert (one.low or 0.0) < 600.0 < (one.high or 0.0), cut_s

    assert told > 10


@pytest.mark.parametrize("cut_s", [620.0, 660.0, 700.0])
def test_front_still_coming_is_no_front(cut_s: float) -> None:
    """Looked at before its plateau was seen for a while, a front has no half height yet."""
    coming = _front(600.0, 120.0)[: INJECTION.start + pd.Timedelta(seconds=cut_s)]

    found = arrival(coming, INJECTION.start)

    assert isinstance(found, str)
    assert "whole height" in found


def test_band_waits_for_the_front_at_a_far_cell() -> None:
    """Feed that is on its way to the only cell is not told as too weak; feed that came too weak is."""
    target = '{ ratio = "1:100", ec = ["1.9 mS/cm", "2.4 mS/cm"] }'
    told = {}
    for strength, until in ((1.0, "10min"), (1.0, "12min"), (1.0, "60min"), (0.8, "60min")):
        now = INJECTION.start + pd.Timedelta(until)
        run = replace(RUN, end=now, complete=False, injection=Interval(INJECTION.start, now))
        seen = (0.5 + strength * (_front(600.0, 120.0) - 0.5))[:now]
        described = installation(
            PUMP, zone("a", injector='"pump"', target=target), _cell("far", "lateral end")
        )
        told[strength, until] = ec_band(RunView(described, run, {"far": seen}))

    assert [len(findings) for findings in told.values()] == [0, 0, 0, 1]
    assert told[0.8, "60min"][0].value == pytest.approx(1.78, abs=0.01)


def test_band_tells_a_far_cell_that_no_stock_reached() -> None:
    """Where the run is over and EC never rose, the feed is told as too weak."""
    target = '{ ratio = "1:100", ec = ["1.9 mS/cm", "2.4 mS/cm"] }'
    described = installation(PUMP, zone("a", injector='"pump"', target=target), _cell("far", "lateral end"))

    told = ec_band(RunView(described, RUN, {"far": 0.5 + 0.0 * _front(600.0, 120.0)}))

    assert [finding.value for finding in told] == [0.5]
