"""Readings that make no sense break nothing off; what breaks off is told, and takes nothing else with it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from analysis import broken, steps
from analysis.pipeline import analyse
from analysis.season import conclude
from benchmarks.passing import GARDENS
from benchmarks.season_views import START
from fuzz import seasons
from fuzz.readings import SPOILINGS, trial
from fuzz.spoil import CHANGES
from tests.support.plain import MIDNIGHT

if TYPE_CHECKING:
    from analysis.results import Finding, Results
    from analysis.view import PeriodView, RunView, SeasonView
    from ingest.installation import Installation
    from tests.analysis.conftest import Garden

SURVIVED = broken.SURVIVED
"""What users' analyses survive; the tests' do not."""


@pytest.fixture(scope="module", params=sorted(GARDENS))
def made(request: pytest.FixtureRequest) -> tuple[Installation, pd.DataFrame]:
    """Return a garden and its readings."""
    return GARDENS[request.param](0)


@pytest.mark.slow
@pytest.mark.parametrize("number", range(40))
def test_no_part_breaks_off_on_spoiled_readings(made: tuple[Installation, pd.DataFrame], number: int) -> None:
    """Whatever a sensor says, every part of the analysis comes to an end by itself, without a warning either."""
    found, _ = trial(*made, number)

    assert found == []


@pytest.fixture(scope="module")
def sound() -> seasons.Season:
    """Return a sound season."""
    return seasons.season()


@pytest.mark.slow
@pytest.mark.parametrize("number", range(25))
def test_no_step_breaks_off_on_spoiled_seasons(sound: seasons.Season, number: int) -> None:
    """Whatever runs leave for the season, every step over it comes to an end by itself, without a warning either."""
    found, _ = seasons.trial(sound, number)

    assert found == []


def breaking(view: RunView | PeriodView | SeasonView) -> list[Finding]:
    """Stand for a part with a fault in it."""
    raise ZeroDivisionError(str(view.installation.name))


def results(garden: Garden) -> Results:
    """Return what the analysis says of the garden."""
    return analyse(garden.installation, garden.frame, MIDNIGHT, garden.end)


@pytest.mark.parametrize(
    ("list_", "where"), [("RUN_STEPS", ["a", "b"]), ("PERIOD_STEPS", [None]), ("SEASON_STEPS", [None])]
)
def test_part_that_breaks_off_is_told_and_alone(
    garden: Garden, monkeypatch: pytest.MonkeyPatch, list_: str, where: list[str | None]
) -> None:
    """A part that breaks off leaves all others' words as they were, and one finding a place that it broke off."""
    sound = results(garden)
    monkeypatch.setattr(broken, "SURVIVED", SURVIVED)
    monkeypatch.setattr(steps, list_, (breaking, *getattr(steps, list_)))

    said = results(garden)

    told = [finding for finding in said.findings if finding.kind == "not judged"]
    assert sorted({finding.zone for finding in told}, key=str) == where
    assert all('"breaking" broke off: ZeroDivisionError, Plain' in finding.evidence for finding in told)
    assert [f for f in said.findings if f not in told] == list(sound.findings)
    assert said.estimates == sound.estimates


def test_full_memory_ends_the_analysis(garden: Garden, monkeypatch: pytest.MonkeyPatch) -> None:
    """What another try may get past is not told as a result."""

    def hungry(view: RunView) -> list[Finding]:
        raise MemoryError(view.run.zone)

    monkeypatch.setattr(broken, "SURVIVED", SURVIVED)
    monkeypatch.setattr(steps, "RUN_STEPS", (hungry,))

    with pytest.raises(MemoryError):
        results(garden)


def test_unwatched_backflow_says_so_first(garden: Garden, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the part that looks for backflow breaks off, the first words of what to do are about it."""

    def backflow(view: PeriodView) -> list[Finding]:
        return breaking(view)

    monkeypatch.setattr(broken, "SURVIVED", SURVIVED)
    monkeypatch.setattr(steps, "PERIOD_STEPS", (backflow,))

    told = [f for f in results(garden).findings if f.kind == "not judged"]

    assert told
    assert all(f.advice.startswith("Nobody looks for backflow") for f in told)


def test_parts_that_look_for_backflow_are_called() -> None:
    """The names whose breaking off is told with words about backflow are those of steps that there are."""
    every = {step.__name__ for step in (*steps.RUN_STEPS, *steps.PERIOD_STEPS, *steps.SEASON_STEPS)}

    assert set(broken.WATCHES_WATER) <= every


@pytest.mark.parametrize("what", sorted(SPOILINGS))
def test_no_part_breaks_off_on_one_spoiled_sensor(garden: Garden, what: str) -> None:
    """Each sensor of a garden, all of its readings spoiled in each way."""
    known = garden.frame[garden.frame["time"] < MIDNIGHT + pd.Timedelta("9h")].reset_index(drop=True)
    for sensor in sorted(known["sensor"].unique()):
        rows = np.flatnonzero((known["sensor"] == sensor).to_numpy())
        part = SPOILINGS[what](known, rows, np.random.default_rng(1))

        assert analyse(garden.installation, part, MIDNIGHT, MIDNIGHT + pd.Timedelta("9h")).runs is not None, (
            sensor
        )


@pytest.mark.slow
@pytest.mark.parametrize(
    "what", sorted({*CHANGES} - {"spiked"})
)  # a billion times as much is told as not judged
def test_no_step_breaks_off_on_one_spoiled_feature(sound: seasons.Season, what: str) -> None:
    """Each feature of a season, all of its values spoiled in each way: a meter that runs backward, a flow of nothing."""
    installation, said, end = sound
    for key in sorted({(f.name, f.sensors) for part in said for f in part.features}):
        parts = seasons.spoiled(said, key, what, np.random.default_rng(1))
        estimates = tuple(e for part in parts for e in part.estimates)

        assert conclude(installation, START, end, parts, estimates).end == end, key
