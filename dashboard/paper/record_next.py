"""What to do next, as the record's findings, forecasts, refusals and dates say it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from analysis.findings.preventer import TEST_EVERY, TESTABLE, last_test
from dashboard.paper.dates import on, written
from dashboard.paper.document import Section, Table
from dashboard.paper.emitters import forecasts, latest
from dashboard.paper.record_words import ORDER, POOR, lasting, severity, withdrawn
from dashboard.paper.verdicts import held

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from analysis.results import Results
    from analysis.service import Service
    from dashboard.cases import Case
    from dashboard.display import Units
    from dashboard.paper.completeness import Completeness
    from ingest.installation import Installation

NOTHING = "Nothing is open. Go on as now."
"""Where nothing is to be done."""

Row = tuple[str, str, str]


def next_section(
    results: Results,
    cases: Sequence[Case],
    complete: Sequence[Completeness],
    services: Sequence[Service],
    installation: Installation,
    units: Units,
) -> Section:
    """Return the section on what comes next.

    Parameters
    ----------
    results : Results
        The analysis.
    cases : sequence of Case
        Its findings with what people did about them.
    complete : sequence of Completeness
        What each sensor sent.
    services : sequence of Service
        Every entry of the service log, also before the period.
    installation : Installation
        The system.
    units : {"metric", "us"}
        What the reader wants.

    Returns
    -------
    Section
        One row a task: how pressing, what, and why; what nobody has closed comes first.
    """
    rows = [
        *_open(cases, results.end, installation, units),
        *_forecasts(results, installation),
        *_unknown(results, installation),
        *_silent(complete),
        *_preventer(services, installation, results, units),
    ]
    if not rows:
        return Section("What next", words=(NOTHING,))
    return Section("What next", table=Table(("", "What to do", "Why"), tuple(rows)))


def _open(
    cases: Sequence[Case], end: pd.Timestamp, installation: Installation, units: Units
) -> Iterator[Row]:
    """Return the first step of every finding that goes on, and of every graver one that nobody has answered."""
    wanted = [c for c in cases if lasting(c, end) or _unanswered(c)]
    still = sorted(wanted, key=lambda c: ORDER[c.finding.severity])
    told: dict[tuple[str, str, str], list[str]] = {}
    for case in still:
        f = case.finding
        where = f.zone or f.sensor or "head"
        begun = on(f.start, installation.tz, units)
        since = f"{where}, since {begun}" if lasting(case, end) else f"{where}, on {begun}, nothing noted yet"
        seen = ", acknowledged" if case.state == "acknowledged" else ""
        told.setdefault((severity(f.severity), f.advice, f.kind), []).append(since + seen)
    for (level, advice, kind), places in told.items():
        more = f"; and {len(places) - MOST_PLACES} more" if len(places) > MOST_PLACES else ""
        yield level, advice, f"{kind}: {'; '.join(places[:MOST_PLACES])}{more}"


def _unanswered(case: Case) -> bool:
    """Return whether a finding that called for an act is over without a word of what was done."""
    return case.finding.severity != "watch" and not case.remarks and not withdrawn(case)


MOST_PLACES = 4
"""Places named of one kind of finding. [-]"""


def _forecasts(results: Results, installation: Installation) -> Iterator[Row]:
    """Return the service that the emitters will need."""
    for zone in installation.zone:
        said = list(forecasts(zone, results))
        if said:
            yield severity("watch"), f"Plan a service of the emitters of {zone} before then.", " ".join(said)


def _unknown(results: Results, installation: Installation) -> Iterator[Row]:
    """Return what would let a dose or a loss be told that was not; the reason names it."""
    reasons: dict[str, list[str]] = {}
    for zone in installation.zone:
        for one in held(results, zone, installation):
            if one.reason and one.told < one.fed:
                name = "the ratio" if one.what == "ratio" else f"the dose of {one.what}"
                reasons.setdefault(one.reason, []).append(
                    f"{zone}: {name} is unknown in {one.fed - one.told} of {one.fed} runs"
                )
        loss = latest(results, zone, "emitter flow loss")
        if loss is not None and loss.status == "refused" and loss.reason:
            reasons.setdefault(loss.reason, []).append(f"{zone}: the emitters' loss is unknown")
    for reason, places in reasons.items():
        yield "", f"Let it be measured: {reason}.", "; ".join(places)


def _silent(complete: Sequence[Completeness]) -> Iterator[Row]:
    """Return the sensors to look at."""
    poor = [one for one in complete if one.share is not None and one.share < POOR]
    if poor:
        named = ", ".join(f"{one.sensor} ({100 * (one.share or 0.0):.0f}\N{NO-BREAK SPACE}%)" for one in poor)
        yield (
            severity("watch"),
            "Find out why readings are missing, and see that these sensors send.",
            f"readings that came in: {named}",
        )


def _preventer(
    services: Sequence[Service], installation: Installation, results: Results, units: Units
) -> Iterator[Row]:
    """Return when the preventer is due for its test."""
    if installation.supply.backflow_preventer not in TESTABLE:
        return
    test = last_test(installation, services, results.end)
    if test is None:
        yield severity("act"), "Have a licensed tester test the backflow preventer.", "no test is on record"
        return
    if not test.passed:
        return  # an open finding, which says what to do
    due = (pd.Timestamp(test.day) + TEST_EVERY).date()
    late = due <= results.end.tz_convert(installation.tz).date()
    what = f"Have a licensed tester test the backflow preventer by {written(due, units)}, or sooner where the local code asks."
    yield severity("act" if late else "watch"), what, f"last tested on {written(test.day, units)}"
