"""The sentences of the record's first paragraph; each says no more than its numbers."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from dashboard.display import Units, ratio, scale, share

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from analysis.results import Estimate, Results, Run
    from dashboard.paper.completeness import Completeness
    from ingest.installation import Installation

WHOLE = "in the whole period"
"""How the analysis words an estimate over the whole period."""

POOR = 0.95
"""Sensors that sent less than this share are named. [-] No source."""


def severity(word: str) -> str:
    """Return a severity as paper says it."""
    return {"stop": "STOP", "act": "Act", "watch": "Watch"}[word]


def of_period(results: Results, zone: str, quantity: str, nutrient: str | None = None) -> Estimate | None:
    """Return a zone's estimate over the whole period, where there is one."""
    return next(
        (
            e
            for e in results.estimates
            if (e.quantity, e.zone, e.run_start, e.nutrient, e.status)
            == (quantity, zone, None, nutrient, "ok")
            and WHOLE in e.method
        ),
        None,
    )


def spread(estimate: Estimate, units: Units) -> str:
    """Return a number with its interval, in the reader's units."""
    if estimate.quantity == "injection fraction":
        return f"{ratio(estimate.value)} ({ratio(estimate.high)} to {ratio(estimate.low)})"
    if estimate.unit == "1":
        return f"{share(estimate.value, 1)} ({share(estimate.low, 1)} to {share(estimate.high, 1)})"
    shown = scale(estimate.unit, units)
    low, high = (shown.text(end, unit=False) for end in (estimate.low, estimate.high))
    return f"{shown.text(estimate.value)} ({low} to {high})"


def runs_of(results: Results, zone: str) -> list[Run]:
    """Return a zone's runs."""
    return [run for run in results.runs if run.zone == zone]


def water_of(runs: Sequence[Run]) -> float | None:
    """Return the water of some runs; None where no meter saw all of them. [L]"""
    volumes = [run.volume_l for run in runs]
    return (
        None
        if not volumes or any(v is None for v in volumes)
        else float(sum(v for v in volumes if v is not None))
    )


def summary(
    results: Results, complete: Sequence[Completeness], installation: Installation, units: Units
) -> list[str]:
    """Return the record's first paragraphs: zones, then findings, then the readings.

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

    Returns
    -------
    list of str
        Sentences.
    """
    return [
        *(_zone(name, results, installation, units) for name in installation.zone),
        _found(results),
        *_gaps(complete),
    ]


def _zone(name: str, results: Results, installation: Installation, units: Units) -> str:
    """Return one zone's sentence."""
    runs = runs_of(results, name)
    if not runs:
        return f"{name}: no run was seen."
    water, fed = water_of(runs), sum(run.injection is not None for run in runs)
    parts = [f"{name}: {len(runs)} runs, {fed} with stock"]
    if water is not None:
        parts.append(f"{scale('L', units).text(water)} of water")
    fraction = of_period(results, name, "injection fraction")
    key = installation.injector_of(name)
    if fraction is not None and key is not None and fraction.low is not None and fraction.high is not None:
        injector = installation.injector[key]
        said = f"mean ratio {spread(fraction, units)}"
        if injector.ratio is not None:
            judged = _judged(fraction.low, fraction.high, injector.ratio, injector.ratio_tolerance)
            said += f" against {ratio(injector.ratio)}, {judged}"
        parts.append(said)
    return "; ".join(parts) + "."


def _judged(low: float, high: float, target: float, tolerance: float) -> str:
    """Return what an interval says of a target with a tolerance."""
    least, most = target * (1.0 - tolerance), target * (1.0 + tolerance)
    if least <= low and high <= most:
        return f"the whole interval within {100 * tolerance:.0f} %"
    if high < least or low > most:
        return f"the whole interval more than {100 * tolerance:.0f} % off"
    return f"the interval reaches over the edge of {100 * tolerance:.0f} %"


def _found(results: Results) -> str:
    """Return the sentence on the findings."""
    if not results.findings:
        return "Nothing was found that needs a person."
    counted = Counter((finding.severity, finding.kind) for finding in results.findings)
    order = {"stop": 0, "act": 1, "watch": 2}
    named = sorted(counted.items(), key=lambda item: (order[item[0][0]], item[0][1]))
    return (
        f"{len(results.findings)} findings: "
        + "; ".join(
            f"{severity(level)}: {kind}" + (f", {n} times" if n > 1 else "") for (level, kind), n in named
        )
        + "."
    )


def _gaps(complete: Sequence[Completeness]) -> Iterator[str]:
    """Return the sentence on sensors that sent too little."""
    poor = [one for one in complete if one.share is not None and one.share < POOR]
    if poor:
        named = ", ".join(f"{one.sensor} ({100 * (one.share or 0.0):.0f} %)" for one in poor)
        yield f"Sensors that sent less than {100 * POOR:.0f} % of what they should: {named}."
    else:
        yield f"Every sensor that states an interval sent at least {100 * POOR:.0f} % of what it should."
