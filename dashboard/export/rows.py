"""Rows of the tables that every export has: runs, estimates, findings, service log, sensors."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analysis.document import iso
from analysis.uncertainty import COVERAGE_FACTOR, EACH_RUN
from analysis.water_report import report
from ingest.quantities import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import pandas as pd

    from analysis.results import Estimate, Finding, Run
    from analysis.service import Service
    from ingest.installation import Installation

Row = dict[str, object]

SEPARATOR = "; "
"""Between the words of one cell."""


def run_name(zone: str | None, start: pd.Timestamp | None) -> str | None:
    """Return the word by which every table names a run.

    Examples
    --------
    >>> import pandas as pd
    >>> run_name("bench1", pd.Timestamp("2026-06-01T05:00:00Z"))
    'bench1 2026-06-01T05:00:00Z'
    """
    return None if zone is None or start is None else f"{zone} {iso(start)}"


def run_rows(runs: Sequence[Run], installation: Installation) -> Iterator[Row]:
    """Yield one row a run."""
    for run in runs:
        yield {
            "run": run_name(run.zone, run.start),
            "zone": run.zone,
            "start": run.start,
            "end": run.end,
            "day": run.start.tz_convert(installation.tz).date(),
            "duration": (run.end - run.start).total_seconds(),
            "volume": run.volume_l,
            "mean_flow": run.mean_flow_l_h,
            "injection_start": run.injection.start if run.injection else None,
            "injection_end": run.injection.end if run.injection else None,
            "complete": run.complete,
            "sensors": SEPARATOR.join(run.seen_by),
            "told": run.told,
        }


def estimate_rows(estimates: Sequence[Estimate]) -> Iterator[Row]:
    """Yield one row an estimate, its uncertainty split into what runs share and what they do not."""
    for number, e in enumerate(estimates, start=1):
        shared, random = split_sd(e)
        yield {
            "estimate": number,
            "run": run_name(e.zone, e.run_start),
            "zone": e.zone,
            "run_start": e.run_start,
            "quantity": e.quantity,
            "nutrient": e.nutrient,
            "value": e.value,
            "low": e.low,
            "high": e.high,
            "unit": e.unit,
            "level": e.level,
            "shared_sd": shared,
            "random_sd": random,
            "status": e.status,
            "reason": e.reason,
            "method": e.method,
            "sensors": SEPARATOR.join(e.sensors),
        }


def split_sd(estimate: Estimate) -> tuple[float | None, float | None]:
    """Return an estimate's standard uncertainty that all runs share, and that of each run alone. [its unit]

    Examples
    --------
    >>> from analysis.results import Estimate
    >>> budget = {"gain": 0.36, "noise, each run anew": 0.64}
    >>> e = Estimate("stock volume", "z", None, 10.0, "L", 9.02, 10.98, "m", (), budget=budget)
    >>> [round(sd, 2) for sd in split_sd(e)]
    [0.3, 0.4]
    """
    if estimate.low is None or estimate.high is None:
        return None, None
    sd = (estimate.high - estimate.low) / (2.0 * COVERAGE_FACTOR)
    own = sum(share for term, share in estimate.budget.items() if term.endswith(EACH_RUN))
    return sd * math.sqrt(max(0.0, 1.0 - own)), sd * math.sqrt(own)


def uncertainty_rows(estimates: Sequence[Estimate]) -> Iterator[Row]:
    """Yield one row a term of each estimate's uncertainty."""
    for number, e in enumerate(estimates, start=1):
        for term, share in e.budget.items():
            each = term.endswith(EACH_RUN)
            yield {"estimate": number, "term": term, "share": share, "each_run": each}


def finding_rows(findings: Sequence[Finding]) -> Iterator[Row]:
    """Yield one row a finding."""
    for f in findings:
        yield {
            "kind": f.kind,
            "zone": f.zone,
            "sensor": f.sensor,
            "start": f.start,
            "end": f.end,
            "severity": f.severity,
            "value": f.value,
            "unit": f.unit,
            "evidence": f.evidence,
            "likely_causes": SEPARATOR.join(f.likely_causes),
            "advice": f.advice,
        }


def service_rows(services: Sequence[Service]) -> Iterator[Row]:
    """Yield one row an entry of the service log, without who signed it."""
    for s in services:
        yield {"time": s.time, "kind": s.kind, "zone": s.zone, "sensor": s.sensor, "note": s.note}


def sensor_rows(installation: Installation) -> Iterator[Row]:
    """Yield one row a sensor."""
    for name, s in installation.sensor.items():
        yield {
            "sensor": name,
            "quantity": s.quantity,
            "analyte": s.analyte,
            "unit": QUANTITIES[s.quantity].ucum,
            "point": s.point,
            "zone": s.zone,
            "injector": s.injector,
            "accuracy_share": s.accuracy.share,
            "accuracy_absolute": s.accuracy.absolute,
            "range_low": s.range[0] if s.range else None,
            "range_high": s.range[1] if s.range else None,
            "interval": s.interval,
            "compensated": s.compensated if s.quantity == "conductivity" else None,
            "counter": s.counter,
        }


def calibration_rows(installation: Installation) -> Iterator[Row]:
    """Yield one row a point of each calibration."""
    for name, s in installation.sensor.items():
        for calibration in s.calibration:
            for raw, true in calibration.points:
                yield {
                    "sensor": name,
                    "valid_from": calibration.valid_from,
                    "raw": raw,
                    "raw_unit": s.unit,
                    "true": true,
                    "unit": QUANTITIES[s.quantity].ucum,
                }


def water_rows(installation: Installation) -> Iterator[Row]:
    """Yield one row an item of the water's analysis, the worst first."""
    for item in report(installation.water):
        hazard = item.hazard
        yield {
            "item": hazard.factor,
            "value": hazard.value,
            "unit": {"": None, "CFU/mL": "[CFU]/mL"}.get(item.unit, item.unit),
            "sampled": item.found.sampled,
            "from": item.found.origin,
            "hazard": hazard.verdict,
            "moderate_from": hazard.moderate[0],
            "moderate_to": hazard.moderate[1],
            "source": hazard.source,
            "other_hazard": hazard.other,
        }
