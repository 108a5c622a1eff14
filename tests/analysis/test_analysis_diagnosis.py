"""A season is judged: healthy zones stay quiet, faults get their own name, and what cannot be told is said."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from analysis.diagnosis.clogging import forecast, loss_now, service_effect
from analysis.diagnosis.season import diagnose
from analysis.diagnosis.study import study
from analysis.results import Estimate, Finding
from analysis.service import Service
from benchmarks.faults import look, names_on, upper
from benchmarks.planted import KINDS, seasons_with
from benchmarks.season_plan import no_faults, step, with_fault
from benchmarks.season_views import ALL, START, season_view
from benchmarks.seasons import make_plant, simulate

if TYPE_CHECKING:
    from benchmarks.season_plan import Seasons

DAYS = np.arange(120.0)


def _findings(seasons: Seasons, system: int, have: tuple[str, ...] = ALL) -> list[Finding]:
    return [x for x in diagnose(season_view(seasons, system, have)) if isinstance(x, Finding)]


def test_healthy_systems_stay_quiet() -> None:
    """Twelve sound systems with walking zeros and unknown temperature coefficients raise nothing in 120 days."""
    rng = np.random.default_rng(41)
    plant = make_plant(rng, 12)
    seasons = simulate(rng, plant, no_faults(12, 1, DAYS.size), DAYS)

    assert [f.kind for i in range(12) for f in _findings(seasons, i)] == []


@pytest.mark.parametrize("kind", KINDS)
def test_large_fault_gets_its_own_name(kind: str) -> None:
    """At the season's end every fault of a fully instrumented zone is named right or left open, never wrong."""
    seasons, (effect,) = seasons_with(43, 6, (kind,))
    told = [names_on(look(seasons, i), 89) for i in range(6) if effect[i, -1] > 0.04]

    assert told
    assert all(names <= {kind} for names in told)
    assert sum(names == {kind} for names in told) >= 0.6 * len(told)


def test_flow_alone_names_no_cause() -> None:
    """With one meter and nothing else a loss of flow is told, left open, and what would settle it is said."""
    have = ("meter", "temperature")
    seasons, (effect,) = seasons_with(44, 4, ("emitter clogging",), have)
    system = int(np.argmax(effect[:, -1]))
    view = season_view(seasons, system, have)
    said = diagnose(view)
    (finding,) = [x for x in said if isinstance(x, Finding)]
    (loss,) = [x for x in said if isinstance(x, Estimate) and x.quantity == "emitter flow loss"]

    assert finding.kind == "unexplained change"
    assert "What would settle it: " in finding.advice
    assert loss.status == "refused"
    assert "do not decide" in (loss.reason or "")


def test_other_zones_tell_a_meter_from_emitters() -> None:
    """With meter and end pressure only, three zones that move alike accuse the meter; one zone alone does not."""
    have = ("meter", "temperature", "rest", "lateral end")
    rng = np.random.default_rng(45)
    plant = make_plant(rng, 3, zones=3)
    drifted = np.concatenate([step(DAYS, np.full(3, 40.0), np.full(3, 0.06))] * 3, axis=1)
    faults = with_fault(no_faults(3, 3, DAYS.size), meter=drifted)
    seasons = simulate(rng, plant, faults, DAYS, points=("lateral end",))
    kinds = {f.kind for i in range(3) for f in _findings(seasons, i, have)}

    assert kinds == {"flow meter drift"}


def test_loss_and_date_hold_the_truth() -> None:
    """The interval of the loss holds the planted one, and the forecast's order is low, day, high."""
    seasons, (loss,) = seasons_with(46, 5, ("emitter clogging",))
    for i in range(5):
        now = loss_now(look(seasons, i))

        assert now is not None
        assert now.low <= loss[i, -1] <= now.high
        told = forecast(now, 0.3)
        assert told is None or told.low <= told.day <= told.high


def test_flush_that_helped_is_told() -> None:
    """A flush that brings back 5 % of the flow shows as its effect, and the loss since new stays known."""
    rng = np.random.default_rng(47)
    plant = make_plant(rng, 1)
    lost = step(DAYS, np.array([40.0]), np.array([0.08])) - step(DAYS, np.array([70.0]), np.array([0.05]))
    seasons = simulate(rng, plant, with_fault(no_faults(1, 1, DAYS.size), clogging=lost), DAYS)
    flushed = Service(START + pd.Timedelta(days=69.5), "A. Weller", "acid flush", "z1")
    view = season_view(seasons, 0, ALL, (flushed,))
    one = study(view.installation, view, "z1", (flushed,))
    assert one is not None
    effect, now = service_effect(one, (flushed,)), loss_now(one, (flushed,))

    assert effect is not None
    assert effect.low <= 0.97 / 0.92 - 1.0 <= effect.high
    assert effect.p < 0.001
    assert now is not None
    assert now.low <= 0.03 <= now.high


def test_zone_without_sensors_is_refused_with_a_reason() -> None:
    """A zone whose runs leave neither flow nor pressure gets a refusal that names what would carry it."""
    rng = np.random.default_rng(48)
    seasons = simulate(rng, make_plant(rng, 1), no_faults(1, 1, 30), np.arange(30.0), points=())
    (refusal,) = diagnose(season_view(seasons, 0, ("temperature",)))

    assert isinstance(refusal, Estimate)
    assert refusal.status == "refused"
    assert "flow meter" in (refusal.reason or "")


def test_poisson_bound_of_nothing_in_a_hundred_years() -> None:
    """No event in T years bounds the rate by three over T, computed: -ln 0.05 = 2.996."""
    assert upper(0, 100.0) == pytest.approx(0.02996, abs=1e-5)
