"""Results as text for a terminal, in local time and in the units that the installation asks for."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from analysis.amounts import US_UNITS, estimate_in, finding_in
from analysis.uncertainty_words import narrower
from ingest.quantities import convert

if TYPE_CHECKING:
    from collections.abc import Iterator

    import pandas as pd

    from analysis.results import Estimate, Finding, Results, Run
    from ingest.installation import Installation

WIDTH = 100
"""Columns of text."""


def table(results: Results, installation: Installation, *, explain: bool = False) -> str:
    """Return results as text.

    Parameters
    ----------
    results : Results
        What an analysis said.
    installation : Installation
        Whose time zone and units are used.
    explain : bool
        Also print each estimate's uncertainty budget.

    Returns
    -------
    str
        Lines for a terminal.
    """
    return "\n".join(lines(results, installation, explain=explain))


def lines(results: Results, installation: Installation, *, explain: bool = False) -> Iterator[str]:
    """Yield the lines of `table`, so that long results need not be in memory as a whole."""
    start, end = _when(results.start, installation), _when(results.end, installation)
    yield f"{results.installation}: {start} to {end}"
    yield ""
    for run, estimates in _by_run(results):
        yield from _run_lines(run, installation)
        for estimate in estimates:
            yield from _estimate_lines(estimate, installation, explain=explain)
        yield ""
    others = [e for e in results.estimates if e.run_start is None]
    if others:
        yield "Of the whole period"
        for estimate in others:
            yield from _estimate_lines(estimate, installation, explain=explain)
        yield ""
    yield f"{len(results.findings)} findings" if results.findings else "No findings."
    for finding in results.findings:
        yield from _finding_lines(finding, installation)


def _by_run(results: Results) -> Iterator[tuple[Run, list[Estimate]]]:
    """Yield every run with its estimates.

    Estimates come in the order of the runs, but for those that the season adds at the end: they are picked
    out first, and are few.
    """
    late: dict[int, list[Estimate]] = {}
    for place, estimate, in_order in _placed(results):
        if not in_order:
            late.setdefault(place, []).append(estimate)
    following = ((place, estimate) for place, estimate, in_order in _placed(results) if in_order)
    ready = next(following, None)
    for at, run in enumerate(results.runs):
        mine = []
        while ready is not None and ready[0] == at:
            mine.append(ready[1])
            ready = next(following, None)
        yield run, mine + late.get(at, [])


def _placed(results: Results) -> Iterator[tuple[int, Estimate, bool]]:
    """Yield each estimate of a run with the run's place, and whether none of a later run came before."""
    places = {(run.zone, run.start): place for place, run in enumerate(results.runs)}
    here = 0
    for estimate in results.estimates:
        place = None if estimate.run_start is None else places.get((estimate.zone or "", estimate.run_start))
        if place is not None:
            here = max(here, place)
            yield place, estimate, place == here


def _run_lines(run: Run, installation: Installation) -> Iterator[str]:
    """Yield one run's head line and how it was told."""
    water = "" if run.volume_l is None else f", {_value(run.volume_l, 'L', installation)}"
    going = "" if run.complete else ", still going"
    yield f"{run.zone}  {_when(run.start, installation)}, {_length(run.end - run.start)}{water}{going}"
    if run.injection is not None:
        since = _length(run.injection.start - run.start)
        yield f"  stock from {since} on, for {_length(run.injection.end - run.injection.start)}"
    if run.told:
        yield f"  {run.told} ({', '.join(run.seen_by)})"


def _estimate_lines(estimate: Estimate, installation: Installation, *, explain: bool) -> Iterator[str]:
    """Yield one estimate, and its budget where asked for."""
    estimate = estimate_in(estimate, installation.units)
    name = f"{estimate.quantity} {estimate.nutrient}" if estimate.nutrient else estimate.quantity
    where = f" [{estimate.zone}]" if estimate.run_start is None and estimate.zone else ""
    if estimate.value is None or estimate.low is None or estimate.high is None:
        yield from _wrapped(f"  {name}{where}: no number: {estimate.reason}")
        return
    if estimate.quantity == "injection fraction" and estimate.low > 0:
        shown = f"1:{1 / estimate.value:.4g} (1:{1 / estimate.high:.4g} to 1:{1 / estimate.low:.4g})"
    else:
        low, high = (_value(v, estimate.unit, installation) for v in (estimate.low, estimate.high))
        shown = f"{_value(estimate.value, estimate.unit, installation)} ({low} to {high})"
    yield from _wrapped(f"  {name}{where}: {shown}; {estimate.method}")
    if explain:
        for term, share in estimate.budget.items():
            yield f"      {share:6.1%}  {term}"
        for advice in narrower(estimate.budget):
            yield from _wrapped(f"      narrower: {advice}")


def _finding_lines(finding: Finding, installation: Installation) -> Iterator[str]:
    """Yield one finding: what was seen, why it may be, what to do."""
    finding = finding_in(finding, installation.units)
    place = ", ".join(filter(None, (finding.zone, finding.sensor))) or "head"
    yield f"{finding.severity.upper()}  {finding.kind} ({place}) {_when(finding.start, installation)}"
    yield from _wrapped(f"  seen: {finding.evidence}")
    if finding.likely_causes:
        yield from _wrapped(f"  check: {'; '.join(finding.likely_causes)}")
    yield from _wrapped(f"  first: {finding.advice}")


def _wrapped(line: str) -> list[str]:
    """Return one long line as several."""
    return textwrap.wrap(line, WIDTH, subsequent_indent="      ", break_long_words=False)


def _when(instant: pd.Timestamp, installation: Installation) -> str:
    """Return an instant in local time."""
    return instant.tz_convert(installation.tz).strftime("%Y-%m-%d %H:%M:%S")


def _length(duration: pd.Timedelta) -> str:
    """Return a duration in hours, minutes and seconds."""
    return clock(duration.total_seconds())


def clock(seconds: float) -> str:
    """Return a duration as people say it.

    Parameters
    ----------
    seconds : float
        Duration. [s]

    Returns
    -------
    str
        For example ``"1 h 5 min"``.

    Examples
    --------
    >>> clock(3900), clock(95.4), clock(7)
    ('1 h 5 min', '1 min 35 s', '7 s')
    """
    whole = round(abs(seconds))
    hours, rest = divmod(whole, 3600)
    minutes, left = divmod(rest, 60)
    sign = "-" if seconds < 0 else ""
    if hours:
        return f"{sign}{hours} h {minutes} min"
    if minutes:
        return f"{sign}{minutes} min {left} s"
    return f"{sign}{left} s"


def _value(value: float, unit: str, installation: Installation) -> str:
    """Return a number with its unit as the installation wants to read it."""
    if unit == "s":
        return clock(value)
    wanted = US_UNITS.get(unit, unit) if installation.units == "us" else unit
    shown = convert(value, unit, wanted) if wanted != unit else value
    return f"{shown:.4g}" if wanted == "1" else f"{shown:.4g} {wanted}"
