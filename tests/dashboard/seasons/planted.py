"""Planted seasons of the sample garden, what a record is made from, and its words read back."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from analysis.results import Estimate, Finding, Interval, Results, Run
from analysis.service import Service
from dashboard.cases import Book, Case, Remark, cases
from dashboard.paper.completeness import Completeness
from dashboard.paper.contractor import read
from dashboard.paper.document import Document
from dashboard.paper.record import Matter

ROOT = Path(__file__).parents[3]
START = pd.Timestamp("2026-04-02", tz="UTC")
DAYS = 40
END = START + pd.Timedelta(days=DAYS)
SERVICE = Service(
    START + pd.Timedelta(days=28, hours=1), "R. Alder", "acid flush", "bench2", None, "30 minutes"
)
SILENT = "no EC, level or stock meter saw this run; bring feed_ec back"
FULL = tuple(Completeness(name, 3456, 0, 3456) for name in ("water_flow", "feed_ec"))


def plain(words: str) -> str:
    """Return words with plain blanks and signs."""
    return (
        words.replace("\N{NO-BREAK SPACE}", " ")
        .replace("\N{NARROW NO-BREAK SPACE}", "")
        .replace("\N{MINUS SIGN}", "-")
    )


def _estimates(run: Run, fraction: float, flow: float, *, known: bool) -> list[Estimate]:
    """Return what the analysis says of one run."""
    at = (run.zone, run.start)
    grams = fraction / 0.01 * 0.41
    if not known:
        return [
            Estimate(q, *at, None, u, None, None, "m", (), "refused", SILENT, nutrient=n)
            for q, u, n in (("injection fraction", "1", None), ("nutrient dose per area", "g/m2", "N"))
        ]
    return [
        Estimate(
            "injection fraction", *at, fraction, "1", 0.985 * fraction, 1.015 * fraction, "EC", ("feed_ec",)
        ),
        Estimate(
            "nutrient dose per area",
            *at,
            grams,
            "g/m2",
            0.97 * grams,
            1.03 * grams,
            "EC",
            ("feed_ec",),
            nutrient="N",
        ),
        Estimate(
            "flow at reference pressure", *at, flow, "L/h", 0.98 * flow, 1.02 * flow, "meter", ("water_flow",)
        ),
    ]


def season(
    fraction: float = 0.01,
    *,
    known: slice = slice(None),
    losses: np.ndarray | None = None,
    findings: tuple[Finding, ...] = (),
) -> Results:
    """Return a season of the bench zones, one run a day, with the sums over it as the analysis makes them."""
    rng, runs, estimates = np.random.default_rng(5), [], []
    days = np.arange(DAYS)
    told = np.isin(days, days[known])
    for zone in ("bench1", "bench2"):
        pooled: dict[str, list[Estimate]] = {}
        for day in days:
            start = START + pd.Timedelta(days=int(day), hours=5)
            run = Run(zone, start, start + pd.Timedelta(minutes=24), 320.0, 800.0, Interval(start, start))
            lost = float(losses[day]) if losses is not None and zone == "bench2" else 0.0
            found = _estimates(
                run, fraction, 650.0 * (1 - lost) * (1 + 0.003 * rng.standard_normal()), known=bool(told[day])
            )
            runs.append(run)
            estimates += found
            for e in found:
                pooled.setdefault(e.quantity, []).extend([e] if e.status == "ok" else [])
        for quantity, count in (("injection fraction", None), ("nutrient dose per area", 1)):
            parts = pooled[quantity]
            if len(parts) > 1:
                scale = 1.0 if count is None else len(parts)
                value, low, high = (
                    scale * float(getattr(parts[0], end) or 0.0) for end in ("value", "low", "high")
                )
                method = f"sum of {len(parts)} runs in the whole period"
                nutrient = parts[0].nutrient
                estimates.append(
                    Estimate(
                        quantity,
                        zone,
                        None,
                        value,
                        parts[0].unit,
                        low,
                        high,
                        method,
                        ("feed_ec",),
                        nutrient=nutrient,
                    )
                )
    return Results("Quillfen", START, END, "tricklebook 0", tuple(runs), tuple(estimates), findings)


def finding_of(
    kind: str, severity: str, zone: str | None, evidence: str, advice: str, *, days: tuple[int, int]
) -> Finding:
    """Return a finding that begins and ends on days of the season."""
    first, last = (START + pd.Timedelta(days=day) for day in days)
    sensor = None if zone else "supply_pressure"
    return Finding(kind, zone, sensor, first, last, severity, 1.0, "1", evidence, (), advice)  # type: ignore[arg-type] # a word of the test's own


def matter_of(
    results: Results,
    complete: tuple[Completeness, ...] = FULL,
    services: tuple[Service, ...] = (),
    remarks: tuple[Remark, ...] = (),
) -> Matter:
    """Return what the record is made from; remarks are of the first finding."""
    known = cases(results.findings, Book())
    noted = tuple(Case(c.mark, c.finding, c.current, remarks if n == 0 else ()) for n, c in enumerate(known))
    return Matter(results, complete, services, noted, house=read(ROOT / "sample_data" / "contractor.toml"))


def words_of(document: Document, title: str) -> str:
    """Return a section's words and cells."""
    section = next(s for s in document.sections if s.title == title)
    rows = [] if section.table is None else [cell for row in section.table.rows for cell in row]
    return plain("\n".join([*section.words, *rows]))
