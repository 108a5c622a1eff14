"""One fault is one finding: across midnight and from run to run, while other faults stay apart."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from analysis.join import chained, joined
from analysis.results import Finding, Run
from tests.analysis.conftest import at

RUNS = [Run("a", at(h), at(h + 1), None, None) for h in (6, 12, 18, 30)]
OTHERS = [Run("b", at(h + 2), at(h + 3), None, None) for h in (6, 12, 18, 30)]
WEAK = Finding(
    "injection off target", "a", "s", at(6), at(7), "watch", -0.1, "1", "10 % weaker", ("seals",), "look"
)


def _in(run: Run, **changed: Any) -> tuple[Run, Finding]:
    """Return the weak ratio as it was found in one run."""
    return run, replace(WEAK, start=run.start, end=run.end, **changed)


def test_run_after_run_is_one() -> None:
    """What is found in three runs of a zone in a row is one finding that says so, other zones between."""
    found = chained([_in(r) for r in RUNS[:3]], sorted([*RUNS, *OTHERS], key=lambda r: r.start))

    assert [(f.start, f.end) for f in found] == [(at(6), at(19))]
    assert found[0].evidence == "10 % weaker (so in 3 runs in a row, since 2026-05-01 06:00 UTC)"


def test_clean_run_ends_the_chain() -> None:
    """A run without it in between makes two findings."""
    found = chained([_in(RUNS[0]), _in(RUNS[2])], RUNS)

    assert [f.start for f in found] == [at(6), at(18)]
    assert [f.evidence for f in found] == ["10 % weaker"] * 2


def test_chain_speaks_of_the_latest_with_the_gravest_severity() -> None:
    """The latest run's numbers stand in a chain, and it is as grave as its gravest run."""
    found = chained([_in(RUNS[0], severity="act"), _in(RUNS[1], value=-0.2, evidence="20 % weaker")], RUNS)

    assert [(f.value, f.severity) for f in found] == [(-0.2, "act")]
    assert found[0].evidence.startswith("20 % weaker (so in 2 runs")


@pytest.mark.parametrize(
    "changed", [{"kind": "leak"}, {"sensor": "t"}, {"unit": "L"}, {"likely_causes": ("meter",)}]
)
def test_other_faults_are_not_chained(changed: dict[str, Any]) -> None:
    """Another kind, sensor, unit or cause is another fault."""
    assert len(chained([_in(RUNS[0]), _in(RUNS[1], **changed)], RUNS)) == 2


def test_two_findings_of_one_run_stay_two() -> None:
    """Two findings in the same run are not one after the other."""
    assert len(chained([_in(RUNS[0]), _in(RUNS[0])], RUNS)) == 2


def test_touching_stretches_are_joined_and_distant_ones_not() -> None:
    """Findings of stretches within ten minutes are one, in the words of the graver; an hour apart they are two."""
    first = replace(WEAK, start=at(22), end=at(24), evidence="mild")
    second = replace(WEAK, start=at(24), end=at(25), severity="stop", evidence="grave")
    third = replace(WEAK, start=at(26), end=at(27))

    found = joined([third, second, first])

    assert [(f.start, f.end, f.evidence) for f in found] == [
        (at(22), at(25), "grave"),
        (at(26), at(27), "10 % weaker"),
    ]
