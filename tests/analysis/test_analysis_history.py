"""What a service ended stays in the history, and the days that numbers are compared with are told with their reason."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analysis.diagnosis.period import baseline_of
from analysis.diagnosis.season import LOSS, diagnose
from analysis.diagnosis.study import study
from analysis.results import Estimate, Finding
from analysis.service import Service
from benchmarks.season_plan import Seasons, no_faults, ramp, step, with_fault
from benchmarks.season_views import ALL, START, season_view
from benchmarks.seasons import make_plant, simulate

FLUSH_DAY = 42


def _flush() -> Service:
    return Service(START + pd.Timedelta(days=FLUSH_DAY - 0.5), "A. Weller", "acid flush", "z1")


def _clogged(days: int, *, filter_too: bool = False) -> Seasons:
    """Return two zones that lose half a per cent a day from day 22 until they are flushed on day 42."""
    rng, time, n = np.random.default_rng(96), np.arange(float(days)), 2
    loss = ramp(time, np.full(n, 22.0), np.full(n, 0.005))
    loss[..., FLUSH_DAY:] = 0.0
    planted = with_fault(no_faults(n, 1, days), clogging=loss)
    if filter_too:
        planted = with_fault(planted, filter=step(time, np.full(n, 33.0), np.full(n, 0.8)))
    return simulate(rng, make_plant(rng, n), planted, time)


def _said(seasons: Seasons, system: int, *services: Service) -> tuple[list[Finding], list[Estimate]]:
    said = diagnose(season_view(seasons, system, ALL, services))
    return [x for x in said if isinstance(x, Finding)], [x for x in said if isinstance(x, Estimate)]


@pytest.mark.parametrize("days", [50, 80])
def test_what_was_flushed_stays_in_the_history(days: int) -> None:
    """Clogging that a flush ended is told with its size of the day before, until then, and what ended it."""
    seasons = _clogged(days)
    for system in range(2):
        (found,), _ = _said(seasons, system, _flush())

        assert found.kind == "emitter clogging"
        assert found.end == START + pd.Timedelta(days=FLUSH_DAY - 1)
        assert found.value == pytest.approx(0.005 * (FLUSH_DAY - 1 - 22), abs=0.015)
        assert "before 'acid flush' of 11 April 2026" in found.evidence


def test_what_was_flushed_stays_beside_a_fault_that_goes_on() -> None:
    """A filter that stays clogged keeps the alarm; the emitters' clogging before the flush is told all the same."""
    seasons = _clogged(80, filter_too=True)
    for system in range(2):
        found, _ = _said(seasons, system, _flush())
        by_kind = {f.kind: f for f in found}

        assert sorted(f.kind for f in found) == ["emitter clogging", "filter clogging"]
        assert by_kind["emitter clogging"].end == START + pd.Timedelta(days=FLUSH_DAY - 1)
        assert by_kind["filter clogging"].end > START + pd.Timedelta(days=79)


def test_healthy_zone_with_services_stays_quiet() -> None:
    """Services cut no alarm out of a sound zone."""
    rng = np.random.default_rng(97)
    seasons = simulate(rng, make_plant(rng, 4), no_faults(4, 1, 90), np.arange(90.0))
    cleaned = Service(START + pd.Timedelta(days=60.5), "A. Weller", "filter cleaned")

    assert [f.kind for i in range(4) for f in _said(seasons, i, _flush(), cleaned)[0]] == []


def test_wait_after_a_service_counts_from_the_service() -> None:
    """Eight days after a flush the loss is refused; the reason counts the days since the flush and names it."""
    _, estimates = _said(_clogged(50), 0, _flush())
    (loss,) = [e for e in estimates if e.quantity == LOSS]

    assert loss.status == "refused"
    assert loss.reason == (
        "the baseline needs 11 days with runs of this zone alone since 'acid flush' of 11 April 2026, 8 are there"
    )


def test_wait_of_a_new_zone_counts_from_its_first_run() -> None:
    """A zone of eight days says how many days it has and needs, and no service."""
    rng = np.random.default_rng(98)
    seasons = simulate(rng, make_plant(rng, 1), no_faults(1, 1, 8), np.arange(8.0))
    _, estimates = _said(seasons, 0)
    (loss,) = [e for e in estimates if e.quantity == LOSS]

    assert loss.reason == "the baseline needs 11 days with runs of this zone alone, 8 are there"
    assert f"[{loss.reason}]" in loss.method


@pytest.mark.parametrize(
    ("services", "words"),
    [
        ((), "from 1 March 2026 to 20 March 2026 (20 days with runs, the first with readings)"),
        (
            (_flush(),),
            "from 12 April 2026 to 1 May 2026 (20 days with runs, the first after 'acid flush' of 11 April 2026)",
        ),
    ],
)
def test_baseline_is_told_with_its_reason(services: tuple[Service, ...], words: str) -> None:
    """Finding and estimate say from when to when the baseline runs, and what began it."""
    rng, time = np.random.default_rng(99), np.arange(100.0)
    planted = with_fault(no_faults(1, 1, 100), clogging=ramp(time, np.full(1, 75.0), np.full(1, 0.004)))
    found, estimates = _said(simulate(rng, make_plant(rng, 1), planted, time), 0, *services)
    (loss,) = [e for e in estimates if e.quantity == LOSS]

    assert [f.kind for f in found] == ["emitter clogging"]
    assert words in found[0].evidence
    since = "lost since 1 March 2026, the first day with readings, changes judged against the baseline "
    assert f"[{since}{words}]" in loss.method.split(";")[0]


def test_growing_baseline_leaves_the_newest_days_out() -> None:
    """Sixteen days make a baseline of eleven: the newest five are what is compared with it."""
    rng = np.random.default_rng(100)
    view = season_view(simulate(rng, make_plant(rng, 1), no_faults(1, 1, 16), np.arange(16.0)), 0)
    one = study(view.installation, view, "z1")
    assert one is not None
    base = baseline_of(one, 0, 15, ())

    assert (base.days, base.there, base.service) == (11, 16, None)
    assert base.first == START
    assert base.last == START + pd.Timedelta(days=10)
