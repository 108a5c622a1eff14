"""The record's tables: findings with what was done, service, hand measurements, completeness, refusals."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

import pandas as pd

from analysis.findings.preventer import TESTS, last_test
from analysis.uniformity.catch import uniformity
from dashboard.display import Units, scale
from dashboard.paper.dates import at, on, written
from dashboard.paper.document import Section, Table
from dashboard.paper.record_numbers import percent
from dashboard.paper.record_words import ORDER, severity, withdrawn

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analysis.results import Estimate, Finding
    from analysis.service import Service
    from dashboard.cases import Case, Remark
    from dashboard.paper.completeness import Completeness
    from ingest.installation import Installation

NONE = (
    "No finding is told for this period. That is no proof that nothing was wrong: what could not be told stands below, "
    "and what a service has mended is told with the service."
)
"""Where the analysis tells nothing."""

GONE = "Told at the time, and not any more with all readings at hand:"
"""Before what was seen of a finding that the analysis of the whole period does not tell."""

STATES = {"open": "open", "acknowledged": "seen by a person, goes on", "past": "over"}
"""What becomes of a case."""


def place(finding: Finding) -> str:
    """Return where a finding was seen."""
    return ", ".join(part for part in (finding.zone, finding.sensor) if part) or "head"


def findings(cases: Sequence[Case], installation: Installation, units: Units) -> Section:
    """Return every finding of the period with what was done about it, worst first."""
    title = "What was found, and what was done"
    if not cases:
        return Section(title, words=(NONE,))
    ordered = sorted(cases, key=lambda c: (ORDER[c.finding.severity], c.finding.start))
    rows = tuple(_case(case, installation, units) for case in ordered)
    return Section(title, table=Table(("", "When", "Finding", "What was seen", "What was done"), rows))


def _case(case: Case, installation: Installation, units: Units) -> tuple[str, ...]:
    """Return one case as a row."""
    finding, tz = case.finding, installation.tz
    first, last = on(finding.start, tz, units), on(finding.end, tz, units)
    when = first if first == last else f"{first} to {last}"
    said = "; ".join(_remark(remark, installation, units) for remark in case.remarks)
    done = f"{said} ({STATES[case.state]})" if said else f"nothing is noted; first: {finding.advice}"
    seen = finding.evidence
    if withdrawn(case):
        seen, done = f"{GONE} {seen}", said or "nothing is noted"
    return severity(finding.severity), when, f"{finding.kind} ({place(finding)})", seen, done


def _remark(remark: Remark, installation: Installation, units: Units) -> str:
    """Return what a person did."""
    words = f"{remark.person}, {at(remark.time, installation.tz, units)}: {remark.action}"
    return f"{words}, {remark.note}" if remark.note else words


def services(log: Sequence[Service], installation: Installation, units: Units) -> Section:
    """Return the service log of the period."""
    if not log:
        return Section("Service", words=("No service was entered in this period.",))
    rows = tuple(
        (
            at(s.time, installation.tz, units),
            s.kind,
            ", ".join(p for p in (s.zone, s.sensor) if p) or "head",
            s.person,
            s.note,
        )
        for s in log
    )
    return Section("Service", table=Table(("When", "What", "Where", "By", "Note"), rows))


def uniformities(entries: Sequence[Mapping[str, Any]], installation: Installation, units: Units) -> Section:
    """Return the catch tests of the period: how evenly each zone waters."""
    title = "How evenly the zones water"
    tests = [e for e in entries if e.get("what") == "catch test"]
    missing = [name for name in installation.zone if name not in {str(e["zone"]) for e in tests}]
    lack = ""
    if missing:
        lack = (
            f"No catch test of {', '.join(missing)} is on record in this period; how evenly they water is not known. "
            "Catch at least 18 emitters of each and enter the catches."
        )
    if not tests:
        return Section(title, words=(lack,))
    shown = scale("L/h", units)
    rows = []
    for test in tests:
        moment = at(pd.Timestamp(test["time"]).tz_convert("UTC"), installation.tz, units)
        try:
            found = uniformity([float(flow) for flow in test["flow_l_h"]])
        except ValueError as error:
            rows.append(
                (str(test["zone"]), moment, str(test["person"]), f"could not be told: {error}", "", "")
            )
            continue
        low, high = found.statistical_limits
        mean = f"{found.mean * shown.factor:.3g}\N{NO-BREAK SPACE}{shown.unit}"
        even = f"{found.statistical:.1f} % ({max(low, 0.0):.1f} to {high:.1f})"
        counts = f"{found.count} emitters, mean {mean}" + (f"; {found.warning}" if found.warning else "")
        rows.append(
            (str(test["zone"]), moment, str(test["person"]), counts, f"{found.low_quarter:.1f} %", even)
        )
    titles = ("Zone", "When", "By", "Catches", "Low quarter DU", "Statistical Us (95 %)")
    return Section(title, words=(lack,) if lack else (), table=Table(titles, tuple(rows), (4, 5)))


def preventer(
    log: Sequence[Service], installation: Installation, until: pd.Timestamp, units: Units
) -> Section:
    """Return what is on record of the backflow preventer and its tests.

    Parameters
    ----------
    log : sequence of Service
        Every entry of the service log, also before the period.
    installation : Installation
        Whose supply.
    until : pandas.Timestamp
        End of the period: what was done later is left out. [UTC]
    units : {"metric", "us"}
        How dates are written.
    """
    supply, newest = installation.supply, last_test(installation, log, until)
    tested = "no test is on record"
    if newest is not None:
        how = "last tested" if newest.passed else "did not pass its last test,"
        tested = f"{how} on {written(newest.day, units)}"
    rows = tuple(
        (
            on(s.time, installation.tz, units),
            "passed" if TESTS[s.kind] else "not passed",
            s.person,
            s.note,
        )
        for s in log
        if s.kind in TESTS and s.time <= until
    )
    words = (
        f"Supply: {supply.kind}. Preventer: {supply.backflow_preventer}; {tested}. Tests are due as the local code asks, "
        "usually every year, by a licensed tester."
    )
    table = Table(("Tested on", "Result", "By", "Note"), rows) if rows else None
    return Section("Backflow preventer", words=(words,), table=table)


def complete(found: Sequence[Completeness]) -> Section:
    """Return how complete the readings are."""
    rows = tuple(
        (
            one.sensor,
            f"{one.readings:,}".replace(",", "\N{NARROW NO-BREAK SPACE}"),
            "no interval is stated" if one.share is None else percent(one.share),
            str(one.bad),
        )
        for one in found
    )
    titles = ("Sensor", "Readings", "Of those expected", "Flagged as they came in")
    return Section("How complete the readings are", table=Table(titles, rows, (1, 2, 3)))


def refusals(estimates: Sequence[Estimate]) -> Section:
    """Return what could not be told, and why, counted."""
    title = "What could not be told, and why"
    counted = Counter(
        (e.quantity, e.zone or "head", e.reason or "") for e in estimates if e.status == "refused"
    )
    if not counted:
        return Section(title, words=("Every number that was looked for was found.",))
    rows = tuple(
        (quantity, zone, str(count), reason) for (quantity, zone, reason), count in counted.most_common()
    )
    return Section(title, table=Table(("Number", "Zone", "Times", "Why"), rows, (2,)))


def methods(estimates: Sequence[Estimate]) -> list[str]:
    """Return one sentence for each quantity: the method used most."""
    used: dict[str, Counter[str]] = {}
    for estimate in estimates:
        if (
            estimate.status == "ok"
            and estimate.run_start is not None
            and estimate.quantity != "service effect"
        ):
            used.setdefault(estimate.quantity, Counter())[estimate.method.split(" [")[0]] += 1
    return [f"{quantity}: {found.most_common(1)[0][0]}." for quantity, found in sorted(used.items())]
