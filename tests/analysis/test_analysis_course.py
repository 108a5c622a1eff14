"""How a change went is told: its shape, its first day, its size, and a cause that an old baseline could not tell."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.diagnosis.course import courses
from analysis.diagnosis.episodes import judged
from benchmarks.faults import look
from benchmarks.season_plan import Array, Faults, no_faults, ramp, step, with_fault
from benchmarks.seasons import make_plant, simulate

DAYS = np.arange(160.0)
ONSET = 130


def _looked_at(seed: int, **planted: Array) -> list[tuple[str, int]]:
    """Return the shape and first day that are told for six systems with one fault, on the last day."""
    rng = np.random.default_rng(seed)
    plant = make_plant(rng, 6)
    faults: Faults = with_fault(no_faults(6, 1, DAYS.size), **planted)
    seasons = simulate(rng, plant, faults, DAYS)
    said: list[tuple[str, int]] = []
    for system in range(6):
        one = look(seasons, system)
        went = judged(one, ONSET, DAYS.size - 1)[0].course
        assert went.onset is not None
        said.append((went.shape, went.onset))
    return said


def test_leak_that_came_at_once_is_dated() -> None:
    """A leak of 4 % that came at once is told as such, and to within a day, four months after the baseline."""
    said = _looked_at(61, leak=step(DAYS, np.full(6, float(ONSET)), np.full(6, 0.04)))

    assert {shape for shape, _ in said} == {"step"}
    assert all(abs(day - ONSET) <= 1 for _, day in said)


def test_clogging_that_grows_is_told_as_growing() -> None:
    """Emitters that lose 6 % in a month are told as a ramp, dated to within a week and a half."""
    said = _looked_at(62, clogging=ramp(DAYS, np.full(6, float(ONSET - 5)), np.full(6, 0.002)))

    assert {shape for shape, _ in said} == {"ramp"}
    assert all(abs(day - ONSET + 5) <= 10 for _, day in said)


def test_small_leak_is_named_on_an_old_baseline() -> None:
    """Half a year after the baseline, 3 % more flow is called a leak in most systems and no other name in any."""
    rng = np.random.default_rng(63)
    plant, days = make_plant(rng, 8), np.arange(200.0)
    faults = with_fault(no_faults(8, 1, 200), leak=step(days, np.full(8, 180.0), np.full(8, 0.03)))
    seasons = simulate(rng, plant, faults, days)
    named = []
    for system in range(8):
        one = look(seasons, system)
        told = judged(one, 181, 199)[0].judged
        named.append({one.faults[i].kind for i in told.named})

    assert all(names <= {"leak"} for names in named)
    assert sum(names == {"leak"} for names in named) >= 6


def test_step_and_ramp_are_both_offered() -> None:
    """A healthy zone yields one step and one ramp, with finite shifts and covariances that can be inverted."""
    rng = np.random.default_rng(64)
    seasons = simulate(rng, make_plant(rng, 1), no_faults(1, 1, 60), np.arange(60.0))
    (ways,) = courses(look(seasons, 0), 59)

    assert [way.shape for way in ways] == ["step", "ramp"]
    for way in ways:
        assert np.isfinite(way.case.shift).all()
        assert np.linalg.eigvalsh(way.case.covariance).min() > 0.0


@pytest.mark.parametrize("missing", [range(100, 120), range(20, 60)])
def test_gap_in_the_readings_is_bridged(missing: range) -> None:
    """Weeks without readings of one pressure sensor leave shifts finite, and the leak's date where it was."""
    rng = np.random.default_rng(65)
    faults = with_fault(
        no_faults(1, 1, DAYS.size), leak=step(DAYS, np.full(1, float(ONSET)), np.full(1, 0.06))
    )
    seasons = simulate(rng, make_plant(rng, 1), faults, DAYS)
    holed = seasons.pressure["after filter"].copy()
    holed[..., list(missing)] = np.nan
    seasons = replace(seasons, pressure={**seasons.pressure, "after filter": holed})
    went = judged(look(seasons, 0), ONSET, DAYS.size - 1)[0].course

    assert np.isfinite(went.case.shift).all()
    assert abs(went.onset - ONSET) <= 1


def test_two_changes_add_up_to_what_moved() -> None:
    """A leak and a filter that clogs from the same week are two changes that together moved as the readings did.

    Neither is the other in disguise: the leak is told as a step of the flow, the filter as a ramp of its loss.
    """
    rng = np.random.default_rng(66)
    n, days = 6, np.arange(90.0)
    planted = {
        "leak": step(days, np.full(n, 31.0), np.full(n, 0.09)),
        "filter": ramp(days, np.full(n, 30.0), np.full(n, 0.02)),
    }
    seasons = simulate(rng, make_plant(rng, n), with_fault(no_faults(n, 1, 90), **planted), days)
    for system in range(n):
        one = look(seasons, system)
        parts = courses(one, 89)
        assert len(parts) == 2
        went = {way.shape: way.case.shift for (way,) in parts}
        truly = one.series[-3:].mean(axis=0) - one.series[:28].mean(axis=0)

        assert went["step"][0] + went["ramp"][0] == pytest.approx(truly[0], abs=0.02)
        assert went["step"][1] + went["ramp"][1] == pytest.approx(truly[1], abs=0.1)
        assert abs(went["ramp"][0]) < 0.02
