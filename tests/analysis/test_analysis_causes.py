"""What a cause is named on: signatures as they are felt now, warmth, fit, and the greater change first."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from analysis.diagnosis.decide import Case, verdict
from analysis.diagnosis.drift import VISCOSITY, wander
from analysis.diagnosis.episodes import judged
from analysis.diagnosis.faults import at_flow
from analysis.diagnosis.study import Study
from benchmarks.faults import SUBSETS, look, names_on
from benchmarks.planted import seasons_with
from benchmarks.season_plan import no_faults, ramp, step, with_fault
from benchmarks.seasons import make_plant, simulate

LAST = 89


def _sound() -> Study:
    """Return the study of a sound, fully instrumented zone."""
    rng = np.random.default_rng(91)
    return look(simulate(rng, make_plant(rng, 1), no_faults(1, 1, 60), np.arange(60.0)), 0)


def _named(one: Study, shift: np.ndarray) -> set[str]:
    """Return what is named for a shift that noise of one per mille stands against."""
    covariance = np.diag(np.full(shift.size, 0.001**2))
    told = verdict([Case(shift, covariance, 0.0, np.zeros(len(one.faults)))], one.faults)
    return {one.faults[i].kind for i in told.named}


def test_pressure_behind_pipes_falls_less_in_warm_water() -> None:
    """A sensor at a lateral's end gains what the pipes lose less as water thins: a quarter of the viscosity's change."""
    seasons, _ = seasons_with(92, 1, ("leak",), SUBSETS["flow, end"])
    one = look(seasons, 0, SUBSETS["flow, end"])
    place = next(i for i, r in enumerate(one.found) if r.kind == "regulated")
    lost = one.network.losses["main"] + one.network.losses["laterals"]
    share = lost / one.at.pressure[one.found[place].sensors[0]]

    assert one.usual.beta[place] == pytest.approx(0.25 * VISCOSITY * share)
    assert one.usual.beta_sd[place] > one.usual.beta[place]


def test_pressure_right_behind_the_regulator_does_not_feel_warmth() -> None:
    """Where no pipe lies between regulator and sensor, its temperature coefficient is nought."""
    one = _sound()
    place = next(i for i, r in enumerate(one.found) if r.kind == "regulated")

    assert wander(one.network, one.found).beta[place] == 0.0


def test_warmth_accuses_nobody() -> None:
    """A meter that drifts beside one pressure at a lateral's end is left open or named, never called by another name."""
    have = SUBSETS["flow, end"]
    seasons, _ = seasons_with(1618, 20, ("flow meter drift",), have)
    told = [names_on(look(seasons, i, have), day) for i in (4, 8, 14, 18) for day in (69, 79, 89)]

    assert all(names <= {"flow meter drift"} for names in told)


def test_offset_weighs_more_at_less_flow() -> None:
    """An offset enters a loss divided by the flow to its power, as the loss itself is brought to reference."""
    one = _sound()
    growth = np.log(np.full(len(one.found), 0.8))
    now = at_flow(one.faults, one.found, growth)
    for before, after in zip(one.faults, now, strict=True):
        for i, relation in enumerate(one.found):
            felt = (
                0.8**-relation.exponent if before.kind == "sensor fault" and relation.kind == "loss" else 1.0
            )
            assert after.signature[i] == pytest.approx(felt * before.signature[i])


def test_clogging_beside_an_offset_is_not_a_meter() -> None:
    """Emitters that lost a fifth beside a gauge that reads 20 kPa too little are not told as a meter that drifts."""
    rng, days, n = np.random.default_rng(93), np.arange(90.0), 6
    planted = with_fault(no_faults(n, 1, 90), clogging=ramp(days, np.full(n, 36.0), np.full(n, 0.2 / 54.0)))
    planted = replace(planted, offset={"lateral end": ramp(days, np.full(n, 36.0), np.full(n, -20.0 / 54.0))})
    seasons = simulate(rng, make_plant(rng, n), planted, days)
    told = [names_on(look(seasons, i), LAST) for i in range(n)]

    assert all(names <= {"emitter clogging", "sensor fault"} for names in told)
    assert sum(names == {"emitter clogging", "sensor fault"} for names in told) >= n - 1


def test_shift_that_no_cause_explains_gets_no_name() -> None:
    """What moves along a signature is named; the same beside a move that no fault makes is not."""
    one = _sound()
    filter_fault = next(f for f in one.faults if f.kind == "filter clogging")
    shift = 0.3 * filter_fault.signature
    strange = shift.copy()
    for i, _ in pairwise(range(strange.size)):
        strange[i] += 0.1 * (-1.0) ** i

    assert _named(one, shift) == {"filter clogging"}
    assert _named(one, strange) == set()


def test_lesser_change_is_not_named_while_the_greater_is_open() -> None:
    """Clogging and a filter that come as one change are left open; what they leave over accuses no regulator."""
    seasons, _ = seasons_with(777, 12, ("emitter clogging", "filter clogging"))
    one = look(seasons, 7)
    alarm = int(np.argmax(one.ratio > 1.0))
    told = judged(one, alarm, LAST)

    assert all(one.faults[i].kind != "pressure regulation" for e in told for i in e.judged.named)


@pytest.mark.parametrize("pair", [("emitter clogging", "valve fault"), ("leak", "filter clogging")])
def test_two_faults_get_no_third_name(pair: tuple[str, str]) -> None:
    """Of two faults at once one, both or none is named, and nothing else."""
    seasons, _ = seasons_with(94, 8, pair)
    told = [names_on(look(seasons, i), LAST) for i in range(8)]

    assert all(names <= {*pair, "none"} for names in told)
    assert sum(bool(names & set(pair)) for names in told) >= 6
    assert any(names == set(pair) for names in told)


def test_step_of_one_day_is_not_fitted_twice() -> None:
    """Two faults that come on the same day are one change, told by one course."""
    rng, days = np.random.default_rng(95), np.arange(90.0)
    planted = with_fault(
        no_faults(2, 1, 90),
        leak=step(days, np.full(2, 40.0), np.full(2, 0.06)),
        main=step(days, np.full(2, 40.0), np.full(2, 1.0)),
    )
    seasons = simulate(rng, make_plant(rng, 2), planted, days)
    for i in range(2):
        told = judged(look(seasons, i), 40, LAST)
        assert [e.course.onset for e in told] == [40]
