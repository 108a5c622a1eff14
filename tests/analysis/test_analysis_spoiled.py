"""Readings that make no sense break nothing off; what breaks off is told, and takes nothing else with it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd
import pytest

from analysis import broken, steps
from analysis.pipeline import analyse
from benchmarks.passing import GARDENS
from fuzz import seasons
from fuzz.readings import trial
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
@pytest.mark.parametrize("number", [*range(30), 1372])
def test_no_part_breaks_off_on_spoiled_readings(made: tuple[Installation, pd.DataFrame], number: int) -> None:
    """Whatever a sensor says, every part of the analysis comes to an end by itself, without a warning either."""
    found, _ = trial(*made, number)

    assert found == []


@pytest.fixture(scope="module")
def sound() -> seasons.Season:
    """Return a sound season."""
    return seasons.season()


@pytest.mark.slow
@pytest.mark.parametrize("number", [*range(20), 193, 320, 505])
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
