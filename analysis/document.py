"""Results as the one JSON document of the contract."""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, Any

from analysis.results import Interval

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    import pandas as pd

    from analysis.results import Estimate, Finding, Results, Run

DIGITS = 10
"""Significant digits of every number: far finer than any meter, and the same on every machine."""


def document(results: Results, *, explain: bool = False) -> dict[str, Any]:
    """Return results as plain values.

    Parameters
    ----------
    results : Results
        What an analysis said.
    explain : bool
        Also give each estimate's ``budget``: uncertainty term to share of the variance.

    Returns
    -------
    dict
        With the keys of the contract, in their order. Times are ISO 8601 in UTC; a number that is not
        finite is null. ``nutrient`` stands in nutrient doses only; ``from`` and ``to`` of an estimate are the
        time that it speaks for: its run, its week, or the whole period.
    """
    return {
        **_head(results),
        "runs": [_run(run) for run in results.runs],
        "estimates": list(_estimates(results, explain=explain)),
        "findings": [_finding(finding) for finding in results.findings],
    }


def dumps(results: Results, *, explain: bool = False) -> str:
    """Return results as JSON text: the same results give the same bytes."""
    return "".join(pieces(results, explain=explain))


def pieces(results: Results, *, explain: bool = False) -> Iterator[str]:
    """Yield the text of `dumps` piece by piece, so that long results need not be in memory as a whole."""
    yield _text(_head(results)).removesuffix("\n}")
    yield from _list("runs", (_run(run) for run in results.runs))
    yield from _list("estimates", _estimates(results, explain=explain))
    yield from _list("findings", (_finding(finding) for finding in results.findings))
    yield "\n}"


def _text(value: dict[str, Any]) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, indent=1)


def _list(name: str, items: Iterable[dict[str, Any]]) -> Iterator[str]:
    """Yield one more key of the document, with a list, as `json` would write it."""
    between = f',\n "{name}": [\n'
    for item in items:
        yield between + "  " + _text(item).replace("\n", "\n  ")
        between = ",\n"
    yield "\n ]" if between == ",\n" else between.rstrip("\n") + "]"


def iso(instant: pd.Timestamp) -> str:
    """Return an instant as text.

    Examples
    --------
    >>> import pandas as pd
    >>> iso(pd.Timestamp("2026-05-01 06:00", tz="Europe/Lisbon"))
    '2026-05-01T05:00:00Z'
    """
    return instant.tz_convert("UTC").isoformat().replace("+00:00", "Z")


def number(value: float | None) -> float | None:
    """Return a number to `DIGITS` significant digits, or None where it is not finite.

    Examples
    --------
    >>> number(0.1 + 0.2), number(float("nan"))
    (0.3, None)
    """
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.{DIGITS}g}")


def _head(results: Results) -> dict[str, str]:
    return {
        "installation": results.installation,
        "from": iso(results.start),
        "to": iso(results.end),
        "software": results.software,
    }


def _estimates(results: Results, *, explain: bool) -> Iterator[dict[str, Any]]:
    """Yield every estimate with the time that it speaks for."""
    runs = {(run.zone, run.start): Interval(run.start, run.end) for run in results.runs}
    whole = Interval(results.start, results.end)
    for e in results.estimates:
        yield _estimate(e, e.period or _of_run(e, runs) or whole, explain=explain)


def _run(run: Run) -> dict[str, Any]:
    injection = run.injection
    return {
        "zone": run.zone,
        "start": iso(run.start),
        "end": iso(run.end),
        "volume_l": number(run.volume_l),
        "mean_flow_l_h": number(run.mean_flow_l_h),
        "injection": None
        if injection is None
        else {"start": iso(injection.start), "end": iso(injection.end)},
    }


def _of_run(estimate: Estimate, runs: Mapping[tuple[str, pd.Timestamp], Interval]) -> Interval | None:
    """Return the time of an estimate's run, or None where it belongs to none."""
    if estimate.zone is None or estimate.run_start is None:
        return None
    return runs.get((estimate.zone, estimate.run_start))


def _estimate(estimate: Estimate, period: Interval, *, explain: bool) -> dict[str, Any]:
    plain: dict[str, Any] = {
        "quantity": estimate.quantity,
        "zone": estimate.zone,
        "run_start": None if estimate.run_start is None else iso(estimate.run_start),
        "from": iso(period.start),
        "to": iso(period.end),
        "value": number(estimate.value),
        "unit": estimate.unit,
        "low": number(estimate.low),
        "high": number(estimate.high),
        "level": estimate.level,
        "method": estimate.method,
        "sensors": list(estimate.sensors),
        "status": estimate.status,
        "reason": estimate.reason,
    }
    if estimate.nutrient is not None:
        plain["nutrient"] = estimate.nutrient
    if explain:
        plain["budget"] = {term: number(share) for term, share in estimate.budget.items()}
    return plain


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "kind": finding.kind,
        "zone": finding.zone,
        "sensor": finding.sensor,
        "start": iso(finding.start),
        "end": iso(finding.end),
        "severity": finding.severity,
        "value": number(finding.value),
        "unit": finding.unit,
        "evidence": finding.evidence,
        "likely_causes": list(finding.likely_causes),
        "advice": finding.advice,
    }
