"""The analysis is pure, walks day by day without a seam, and says what was planted and nothing else."""

from __future__ import annotations

import dataclasses
import json
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from analysis import season, steps
from analysis.document import document, dumps
from analysis.pipeline import analyse, analyse_stretches
from analysis.results import Estimate, Finding
from analysis.runs import windows
from tests.analysis.conftest import RUNS, Garden, at, grown
from tests.support.plain import MIDNIGHT, frame

if TYPE_CHECKING:
    from analysis.results import Results
    from analysis.view import PeriodView, RunView


@pytest.fixture(scope="module")
def results(garden: Garden) -> Results:
    """Tell what the analysis says of the clean garden."""
    return analyse(garden.installation, garden.frame, MIDNIGHT, garden.end)


def test_every_run_once_with_its_injection(results: Results) -> None:
    """Each planted run comes back once, the one over midnight whole, with its injection and its water."""
    found = [
        (
            r.zone,
            *(
                round((t - MIDNIGHT).total_seconds() / 3600, 2)
                for t in (r.start, r.end, r.injection.start, r.injection.end)
            ),
        )
        for r in results.runs
        if r.injection is not None
    ]

    assert found == [(z, *(round(x, 2) for x in ends)) for z, *ends in RUNS]
    assert [r.volume_l for r in results.runs] == [
        pytest.approx(1000.0 * (b - a), rel=0.005) for _, a, b, _, _ in RUNS
    ]


def test_every_run_has_its_ratio(results: Results) -> None:
    """Each run's injection fraction is told, and its interval covers what was planted."""
    found = [e for e in results.estimates if e.quantity == "injection fraction" and e.run_start is not None]

    assert len(found) == len(RUNS)
    assert all(e.status == "ok" and (e.low or 1) < 10.1 / 1010.1 < (e.high or 0) for e in found)


def test_clean_garden_has_no_finding(results: Results) -> None:
    """Three clean days raise nothing."""
    assert results.findings == ()


def test_estimates_stand_in_their_run(results: Results) -> None:
    """Every estimate of a run carries its zone and its start, so that it can be found again."""
    places = {(r.zone, r.start) for r in results.runs}

    assert all((e.zone, e.run_start) in places for e in results.estimates if e.run_start is not None)


def test_same_input_same_bytes(garden: Garden, results: Results) -> None:
    """The order of the rows does not matter: the document is the same to the byte."""
    shuffled = garden.frame.sample(frac=1.0, random_state=1)

    again = analyse(garden.installation, shuffled, MIDNIGHT, garden.end)

    assert dumps(again) == dumps(results)


def test_input_is_left_as_it_was(garden: Garden) -> None:
    """The analysis does not touch the frame that it is given."""
    given = garden.frame
    before = given.copy(deep=True)

    analyse(garden.installation, given, MIDNIGHT, at(8))

    pd.testing.assert_frame_equal(given, before)


def test_reader_is_asked_for_a_day_at_a_time(garden: Garden) -> None:
    """A reader is asked for a day and the hours around it at a time, never for the whole archive."""
    asked: list[pd.Timedelta] = []
    rows = garden.frame

    def read(since: pd.Timestamp, until: pd.Timestamp) -> pd.DataFrame:
        asked.append(until - since)
        return rows[(rows["time"] >= since) & (rows["time"] < until)]

    analyse_stretches(garden.installation, read, MIDNIGHT, garden.end)

    assert len(asked) == 3
    assert max(asked) <= windows.DAY + windows.LEAD + windows.TAIL


def test_run_longer_than_the_tail_is_read_on(garden: Garden) -> None:
    """A run that goes on for twenty hours past midnight is one run, whole."""
    long = grown((("a", 20.0, 44.0, 20.5, 21.0),))

    found = analyse(long.installation, long.frame, MIDNIGHT, long.end).runs

    assert [(r.start, r.end) for r in found] == [(at(20) - pd.Timedelta("5s"), at(44) - pd.Timedelta("5s"))]
    assert garden.installation == long.installation


def test_period_takes_the_runs_that_start_in_it(garden: Garden) -> None:
    """A run belongs to the period in which it starts: two periods side by side have each run once."""
    parts = [
        analyse(garden.installation, garden.frame, a, b)
        for a, b in ((MIDNIGHT, at(24)), (at(24), garden.end))
    ]

    starts = [r.start for part in parts for r in part.runs]

    assert len(starts) == len(RUNS)
    assert starts == sorted(set(starts))


def test_run_going_on_at_the_end_is_told_so(garden: Garden) -> None:
    """A run that still goes on at the end of the period is incomplete, and not blamed for its flush."""
    found = analyse(garden.installation, garden.frame, MIDNIGHT, at(6.5))

    assert [r.complete for r in found.runs] == [False]
    assert found.findings == ()


def test_empty_period_says_nothing(garden: Garden) -> None:
    """A period without readings has no run and says that every sensor was silent, once."""
    later = at(1000.0)

    found = analyse(garden.installation, garden.frame, later, later + pd.Timedelta("1D"))

    assert (found.runs, found.estimates) == ((), ())
    assert [(f.kind, f.sensor, f.severity) for f in found.findings] == [("sensor silent", None, "act")]


def test_unknown_sensors_are_left_out(garden: Garden) -> None:
    """Readings of sensors that the installation does not name change nothing."""
    stranger = garden.readings["flow"].rename("stranger")

    found = analyse(garden.installation, frame({**garden.readings, "stranger": stranger}), MIDNIGHT, at(8))

    assert dumps(found) == dumps(analyse(garden.installation, garden.frame, MIDNIGHT, at(8)))


def test_number_that_is_none_becomes_a_refusal(garden: Garden, monkeypatch: pytest.MonkeyPatch) -> None:
    """A step whose number is not finite is refused with a reason, and never reaches the document."""

    def careless(view: RunView) -> list[Estimate]:  # noqa: ARG001 - a step is called with its view
        return [Estimate("mean EC", None, None, float("nan"), "mS/cm", 0.0, 1.0, "none", ())]

    monkeypatch.setattr(steps, "RUN_STEPS", (careless,))
    found = analyse(garden.installation, garden.frame, MIDNIGHT, at(8))

    assert {e.status for e in found.estimates} == {"refused"}
    assert all(e.reason for e in found.estimates)
    assert "NaN" not in dumps(found)


def test_finding_over_midnight_is_one(garden: Garden, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a period step finds on both sides of midnight becomes one finding, in the words of the graver."""

    def grumble(period: PeriodView) -> list[Finding]:
        grave = "stop" if period.start >= at(24) else "watch"
        words = f"from {period.start}"
        return [Finding("leak", None, None, period.start, period.end, grave, 1.0, "L/h", words, (), "")]  # type: ignore[arg-type]

    monkeypatch.setattr(steps, "PERIOD_STEPS", (grumble,))
    found = analyse(garden.installation, garden.frame, MIDNIGHT, garden.end).findings

    assert [(f.kind, f.start, f.end, f.severity) for f in found] == [("leak", MIDNIGHT, garden.end, "stop")]
    assert found[0].evidence == f"from {at(24)}"


def test_progress_ends_at_one(garden: Garden) -> None:
    """The watcher is told rising shares, the last of them all."""
    told: list[float] = []
    rows = garden.frame

    def read(since: pd.Timestamp, until: pd.Timestamp) -> pd.DataFrame:
        return rows[(rows["time"] >= since) & (rows["time"] < until)]

    analyse_stretches(garden.installation, read, MIDNIGHT, garden.end, watch=told.append)

    assert told == sorted(told)
    assert told[-1] == 1.0


def test_bad_readings_do_not_move_the_ratio(garden: Garden, results: Results) -> None:
    """Spikes, dry readings and readings called bad at the door leave every ratio within its interval."""
    rng = np.random.default_rng(8)
    spoilt = {name: s.copy() for name, s in garden.readings.items()}
    for name, wrong in (("feed", 9.0), ("water", 0.001), ("stock", 39.0), ("flow", 2900.0)):
        spoilt[name].iloc[rng.choice(len(spoilt[name]), 150, replace=False)] = wrong
    rows = frame(spoilt)
    rows.loc[rng.choice(len(rows), 500, replace=False), ["value", "quality"]] = [77.0, 4]

    found = analyse(garden.installation, rows, MIDNIGHT, garden.end)

    ratios = [[e for e in r.estimates if e.quantity == "injection fraction"] for r in (found, results)]
    assert len(ratios[0]) == len(ratios[1])
    assert all(
        (clean.low or 1) < (e.value or 0) < (clean.high or 0) for e, clean in zip(*ratios, strict=True)
    )


def test_document_is_plain_json(results: Results) -> None:
    """The document survives a round through JSON, with the contract's top keys in their order."""
    plain = document(results)

    assert json.loads(dumps(results)) == plain
    assert list(plain) == ["installation", "from", "to", "software", "runs", "estimates", "findings"]


def test_explained_document_has_budgets(results: Results) -> None:
    """Asked to explain, every number carries the shares of its variance, which sum to one."""
    numbers = [e for e in document(results, explain=True)["estimates"] if e["status"] == "ok"]

    assert numbers
    assert all(sum(e["budget"].values()) == pytest.approx(1.0) for e in numbers)
    assert all("budget" not in e for e in document(results)["estimates"])


def test_steps_are_called_with_their_views(garden: Garden, monkeypatch: pytest.MonkeyPatch) -> None:
    """A run's view starts a quarter of an hour before the run and ends where the next run begins."""
    seen: list[RunView] = []

    def look(view: RunView) -> list[Estimate]:
        seen.append(view)
        return []

    monkeypatch.setattr(steps, "RUN_STEPS", (look,))
    analyse(garden.installation, garden.frame, MIDNIGHT, garden.end)
    first = seen[0].series["flow"]

    assert first.index[0] == at(6) - pd.Timedelta("5s") - windows.VIEW_LEAD + pd.Timedelta("5s")
    assert first.index[-1] < seen[1].run.start
    assert [v.run.zone for v in seen] == [z for z, *_ in RUNS]


def test_results_are_immutable(results: Results) -> None:
    """Results are values: nobody changes them by accident."""
    with pytest.raises(dataclasses.FrozenInstanceError, match="cannot assign"):
        results.runs = ()  # type: ignore[misc]


def test_software_names_itself() -> None:
    """The document says which version made it."""
    assert season.software().startswith("tricklebook ")
