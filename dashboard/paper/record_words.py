"""The sentences of a record's first paragraphs; each says no more than its numbers."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

import pandas as pd

from dashboard.cases import LATCHED
from dashboard.display import NO_VALUE, Units, ratio, scale
from dashboard.notices.own import ANALYSIS, INGEST
from dashboard.paper.dates import on
from dashboard.paper.emitters import emitters
from dashboard.paper.record_numbers import counted, signed
from dashboard.paper.verdicts import held, runs_of, verdict

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from analysis.results import Results, Run
    from analysis.service import Service
    from dashboard.cases import Case
    from dashboard.paper.completeness import Completeness
    from dashboard.paper.verdicts import Held
    from ingest.installation import Installation

POOR = 0.95
"""Sensors that sent less than this share are named. [-] No source."""

ORDER = {"stop": 0, "act": 1, "watch": 2}
"""Severities from worst to least."""

VERDICTS = {
    "right": "the dose was right",
    "mixed": "the dose was right on the whole, but not in every run",
    "too low": "the dose was too low",
    "too high": "the dose was too high",
    "not sure": "whether the dose was right cannot be told for sure",
    "not known": "whether the dose was right is not known",
}
"""What can be said of a zone's dose."""

INTERVALS = "Numbers in brackets are 95 % intervals: they hold the true value in 95 of 100 cases."
"""How sure the numbers are."""


def severity(word: str) -> str:
    """Return a severity as paper says it."""
    return {"stop": "STOP", "act": "Act", "watch": "Watch"}[word]


def water_of(runs: Sequence[Run]) -> float | None:
    """Return the water of some runs; None where no meter saw all of them. [L]"""
    volumes = [run.volume_l for run in runs if run.volume_l is not None]
    return float(sum(volumes)) if volumes and len(volumes) == len(runs) else None


def summary(
    results: Results,
    complete: Sequence[Completeness],
    installation: Installation,
    units: Units,
    *,
    cases: Sequence[Case] = (),
    services: Sequence[Service] = (),
) -> list[str]:
    """Return a record's first paragraphs: zones, findings, what was done, the readings.

    Parameters
    ----------
    results : Results
        The analysis.
    complete : sequence of Completeness
        What each sensor sent.
    installation : Installation
        The system.
    units : {"metric", "us"}
        What the reader wants.
    cases : sequence of Case
        The period's findings with what people did about them.
    services : sequence of Service
        The period's service log.

    Returns
    -------
    list of str
        Sentences.
    """
    return [
        *_stops(cases, installation, units),
        *(_zone(name, results, services, installation, units) for name in installation.zone),
        found(cases, results.end),
        _done(services, installation, units),
        *_gaps(complete),
        INTERVALS,
    ]


def _zone(
    name: str, results: Results, services: Sequence[Service], installation: Installation, units: Units
) -> str:
    """Return one zone's paragraph: the verdict, what it rests on, the water, the emitters."""
    runs = runs_of(results, name)
    if not runs:
        return f"{name}: no run was seen."
    fed, water = sum(run.injection is not None for run in runs), water_of(runs)
    poured = (
        "the water was not metered in every run"
        if water is None
        else f"{scale('L', units).text(water)} of water"
    )
    ran = f"{counted(len(runs), 'run')}, {fed} with stock; {poured}."
    found = held(results, name, installation)
    if installation.injector_of(name) is None:
        said = ["watered without an injector."]
    elif not found:
        said = ["no target for ratio or dose is described, so the dose is told without a judgement."]
    else:
        said = [f"{VERDICTS[verdict(found)]}.", *(against(one, units) for one in found)]
    return " ".join(
        [
            f"{name}:",
            *said,
            ran,
            *_off(name, results),
            *emitters(name, results, services, installation, units),
        ]
    )


def against(one: Held, units: Units) -> str:
    """Return the sentence of one target: the number, its interval, the target, and what comes of it."""
    scope = (
        "" if one.told >= one.fed else f" It is known in {one.told} of {counted(one.fed, 'run')} with stock."
    )
    why = f" Elsewhere: {one.reason}." if scope and one.reason else ""
    if one.value is None or one.low is None or one.high is None:
        reason = f": {one.reason}" if one.reason else ""
        return f"{_name(one)} could not be told{reason}."
    less = [end / one.target - 1.0 for end in (one.value, one.low, one.high)]
    outside = (
        f" In {one.off} of {one.told} runs the run's own whole interval lies outside." if one.off else ""
    )
    said = {
        "right": f"the whole interval within {100 * one.tolerance:.0f}\N{NO-BREAK SPACE}%",
        "not sure": f"the interval reaches over the edge of {100 * one.tolerance:.0f}\N{NO-BREAK SPACE}%",
    }.get(
        "right" if one.word == "mixed" else one.word,
        f"the whole interval more than {100 * one.tolerance:.0f}\N{NO-BREAK SPACE}% off",
    )
    off = f", {signed(less[0])} ({signed(less[1])} to {signed(less[2])})"
    return (
        f"{_name(one)} {amount(one, units)} against {wanted(one, units)}{off}: {said}.{outside}{scope}{why}"
    )


def _name(one: Held) -> str:
    """Return how a target is called in a sentence."""
    return "Mean ratio" if one.what == "ratio" else one.what


def amount(one: Held, units: Units) -> str:
    """Return what a zone got, with its interval."""
    if one.what == "ratio":
        return f"{ratio(one.value)} ({ratio(one.high)} to {ratio(one.low)})"
    value, low, high = (_grams(end, units) for end in (one.value, one.low, one.high))
    return f"{value}\N{NO-BREAK SPACE}{scale('g/m2', units).unit} a run ({low} to {high})"


def wanted(one: Held, units: Units) -> str:
    """Return what a zone should get, with its tolerance."""
    grams = f"{_grams(one.target, units)}\N{NO-BREAK SPACE}{scale('g/m2', units).unit}"
    aim = ratio(one.target) if one.what == "ratio" else grams
    return f"{aim} \N{PLUS-MINUS SIGN} {100 * one.tolerance:.0f}\N{NO-BREAK SPACE}%"


def _grams(value: float | None, units: Units) -> str:
    """Return a dose on the area with three figures: in US customary units its decimals would hide a deviation."""
    return NO_VALUE if value is None else f"{value * scale('g/m2', units).factor:#.3g}"


def _off(name: str, results: Results) -> Iterator[str]:
    """Return the sentence on single runs of a zone that missed their stock."""
    kinds = Counter(
        f.kind
        for f in results.findings
        if f.zone == name and f.kind in ("no injection", "injection off target", "short flush", "carry-over")
    )
    if kinds:
        yield f"Findings on its runs: {', '.join(f'{kind} ({n})' for kind, n in sorted(kinds.items()))}."


def lasting(case: Case, end: pd.Timestamp) -> bool:
    """Return whether a finding goes on at the period's end, or waits for a person to close it."""
    return case.state != "past" and (case.finding.kind in LATCHED or case.finding.end > end - LASTS)


def withdrawn(case: Case) -> bool:
    """Return whether a finding was told while it seemed so, and is not told any more with all readings at hand."""
    return not case.current and case.finding.kind not in {*LATCHED, INGEST, ANALYSIS}


LASTS = pd.Timedelta(days=1)
"""A finding that was seen within so long of the period's end goes on. No source; zones are watered daily."""


def _stops(cases: Sequence[Case], installation: Installation, units: Units) -> Iterator[str]:
    """Return what must be read before anything else: findings that say stop and that nobody has closed."""
    for case in cases:
        if case.finding.severity == "stop" and case.state != "past":
            since, where = (
                on(case.finding.start, installation.tz, units),
                case.finding.zone or case.finding.sensor or "head",
            )
            first = case.finding.advice.split(". ")[0].rstrip(".")
            yield f"STOP: {case.finding.kind} ({where}), since {since}, not closed by a person. {first}."


def _noted(noted: int, all_: int) -> str:
    """Say on how many findings a person has written something."""
    if noted == 0:
        return f"Nobody has noted anything on {'it' if all_ == 1 else 'them'}"
    return (
        "A person has noted something on it"
        if all_ == 1
        else f"A person has noted something on {noted} of them"
    )


def found(cases: Sequence[Case], end: pd.Timestamp) -> str:
    """Return the sentence on the findings: how many of which kind, what is noted, and what is still open."""
    gone = sum(withdrawn(case) for case in cases)
    cases = [case for case in cases if not withdrawn(case)]
    more = f" {gone} told at the time {'is' if gone == 1 else 'are'} not told any more." if gone else ""
    if not cases:
        return f"No finding is told for this period.{more}"
    kinds = Counter((case.finding.severity, case.finding.kind) for case in cases)
    named = sorted(kinds.items(), key=lambda item: (ORDER[item[0][0]], item[0][1]))
    words = [f"{severity(level)}: {kind}" + (f", {n} times" if n > 1 else "") for (level, kind), n in named]
    noted = sum(bool(case.remarks) for case in cases)
    still = sum(lasting(case, end) for case in cases)
    return (
        f"{counted(len(cases), 'finding')}: {'; '.join(words)}. {_noted(noted, len(cases))}; "
        f"{still} {'lasts' if still == 1 else 'last'} at the period's end.{more}"
    )


def _done(services: Sequence[Service], installation: Installation, units: Units) -> str:
    """Return the sentence on service."""
    if not services:
        return "No service was entered in this period."
    said = [
        f"{s.kind} ({s.zone or 'head'}) on {on(s.time, installation.tz, units)}"
        for s in services[:MOST_SERVICES]
    ]
    more = len(services) - len(said)
    return f"Service: {'; '.join(said)}{f'; and {more} more' if more else ''}."


MOST_SERVICES = 6
"""Entries of the service log named in the summary; the others stand in their section. [-]"""


def _gaps(complete: Sequence[Completeness]) -> Iterator[str]:
    """Return the sentence on sensors that sent too little."""
    poor = [one for one in complete if one.share is not None and one.share < POOR]
    if poor:
        named = ", ".join(f"{one.sensor} ({100 * (one.share or 0.0):.0f}\N{NO-BREAK SPACE}%)" for one in poor)
        yield f"Sensors that sent less than {100 * POOR:.0f}\N{NO-BREAK SPACE}% of what they should: {named}."
    elif any(one.share is not None for one in complete):
        yield f"Every sensor that states an interval sent at least {100 * POOR:.0f}\N{NO-BREAK SPACE}% of what it should."
    else:
        yield "No sensor states an interval, so how complete the readings are is not known."
