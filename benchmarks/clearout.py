"""Clear-out at 5 % against the truth: observed, cut short, and residence times of shapes that no fit uses.

Systems of ``benchmarks.scenarios`` go through the whole analysis, from readings to estimates; the foreign
shapes also come from the light generator of ``benchmarks.residence``. Seeds were never used in development.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from analysis.clearout.estimate import clear_out
from analysis.pipeline import analyse
from analysis.results import Estimate, Finding
from benchmarks.residence import FOREIGN, virtual_run
from benchmarks.scenarios.make import Scenario, make

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

LEVEL = 0.05
"""Share of the step that counts as clear. [-]"""

SEEDS = range(8000, 8160)
"""Systems a row of the main table."""

SHAPE_SEEDS = range(8400, 8440)
"""Systems a row of the foreign shapes by the engines."""

LIGHT_SEEDS = range(8600, 8700)
"""Runs a row of the foreign shapes by the light generator."""

SHAPES = ("two paths", "partly laminar", "power tail", "slow tail")
"""Foreign shapes of ``benchmarks.scenarios``."""


@dataclass(slots=True)
class Row:
    """Errors of one row."""

    name: str
    asked: str
    errors: list[float] = field(default_factory=list)
    held: list[bool] = field(default_factory=list)
    scaled: list[float] = field(default_factory=list)
    refused: int = 0
    findings_wrong: int = 0

    def add(self, estimate: Estimate | None, truth: float) -> None:
        """Take in one estimate."""
        if estimate is None or estimate.value is None or estimate.low is None or estimate.high is None:
            self.refused += 1
            return
        self.errors.append(estimate.value / truth - 1.0)
        self.held.append(estimate.low <= truth <= estimate.high)
        self.scaled.append((estimate.value - truth) / ((estimate.high - estimate.low) / 3.92))

    def text(self) -> str:
        """Return the row for people."""
        e = 100.0 * np.abs(np.array(self.errors))
        held = 100.0 * float(np.mean(self.held))
        rms = float(np.sqrt(np.mean(np.square(self.scaled))))
        return (
            f"{self.name:38s} {e.size:5d} {np.median(e):7.2f} {np.quantile(e, 0.95):7.2f} "
            f"{100 * np.mean(self.errors):+7.2f} {held:8.1f} {rms:7.2f} {self.refused:8d}   {self.asked}"
        )


def analysed(scenario: Scenario) -> tuple[Estimate | None, bool]:
    """Return the clear-out estimate of a scenario's one run through the whole analysis, and `short flush`."""
    readings = scenario.readings
    results = analyse(
        scenario.installation,
        readings,
        readings["time"].min().floor("D"),
        readings["time"].max().ceil("D"),
    )
    found = [e for e in results.estimates if e.quantity == "clear-out time"]
    return (found[0] if found else None), any(f.kind == "short flush" for f in results.findings)


def scenarios(row: Row, seeds: Iterable[int], flush: str, shape: str) -> Row:
    """Fill a row from the engines' systems."""
    for seed in seeds:
        scenario = make(seed, flush=flush, shape=shape, compensating=seed % 3 == 0)  # type: ignore[arg-type]
        estimate, short = analysed(scenario)
        row.add(estimate, scenario.truth.clear_s[LEVEL])
        row.findings_wrong += short != (flush == "short")
    return row


def light(row: Row, seeds: Iterable[int], shape: str) -> Row:
    """Fill a row from the light generator's runs, cut short."""
    for seed in seeds:
        run = virtual_run(shape, seed, short=True)
        said: Sequence[Estimate | Finding] = clear_out(run.view)
        row.add(next(e for e in said if isinstance(e, Estimate)), run.truth)
    return row


def rows() -> Iterator[Row]:
    """Yield every row as it is done."""
    asked = {"full": "median 0.35, p95 1.2", "short": "p95 1.5"}
    for flush, words in (("full", "observed"), ("short", "cut short")):
        yield scenarios(Row(words, asked[flush] + ", 92 to 98 held"), SEEDS, flush, "inverse Gaussian")
    for shape in SHAPES:
        yield scenarios(Row(f"cut short, {shape}", "p95 5"), SHAPE_SEEDS, "short", shape)
    for shape in FOREIGN:
        yield light(Row(f"cut short, {shape} (light)", "p95 5"), LIGHT_SEEDS, shape)


def main() -> None:
    """Print one row for each kind of run."""
    print(
        f"{'clear-out at 5 %':38s} {'n':>5s} {'median':>7s} {'p95':>7s} {'bias':>7s} {'held, %':>8s} "
        f"{'rms z':>7s} {'refused':>8s}   asked (errors in %)"
    )
    for row in rows():
        print(row.text())
        if row.findings_wrong:
            print(f"    short flush told wrongly or missed: {row.findings_wrong}")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
