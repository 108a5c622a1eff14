"""Injection ratio and stock volume on virtual systems, through the whole analysis: error, interval, bound."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.injection.fraction import ways
from analysis.injection.volume import stock_ways
from analysis.injection.ways import disagreement
from analysis.pipeline import analyse
from analysis.uncertainty import COVERAGE_FACTOR
from benchmarks.scenarios.chemistry import STOCKS
from benchmarks.scenarios.hydraulics import balance, draw_layout
from benchmarks.scenarios.make import Scenario, make

if TYPE_CHECKING:
    from analysis.results import Estimate

SEEDS = range(1, 361)
"""Systems that nothing was developed on."""

IDEAL_SEEDS = range(5001, 5036)
"""Systems without any meter's error, five of each stock."""

GOALS = {"median": 0.85, "p95": 2.4, "low": 0.92, "high": 0.98, "rms": 1.15}
"""What the combined ratio shall reach. [%], [%], [-], [-], [GUM]"""


@dataclass(slots=True)
class Tally:
    """Errors of one quantity by one way, in the logarithm."""

    errors: list[float] = field(default_factory=list)
    sds: list[float] = field(default_factory=list)

    def add(self, error: float, sd: float) -> None:
        """Add one error and its claimed standard uncertainty."""
        self.errors.append(error)
        self.sds.append(sd)

    def row(self, name: str) -> str:
        """Return the row of the table."""
        error, sd = np.array(self.errors), np.array(self.sds)
        covered = np.abs(error) <= COVERAGE_FACTOR * sd
        slack = 196.0 * math.sqrt(0.95 * 0.05 / len(error))
        return (
            f"{name:28s} {len(error):4d} {100 * error.mean():7.2f} {100 * np.median(np.abs(error)):7.2f} "
            f"{100 * np.quantile(np.abs(error), 0.95):7.2f} {covered.mean():8.3f} (± {slack / 100:.3f}) "
            f"{math.sqrt(float(np.mean((error / sd) ** 2))):7.2f} {100 * sd.mean():7.2f}"
        )


HEADER = (
    f"{'':28s} {'n':>4s} {'bias %':>7s} {'median':>7s} {'p95 %':>7s} {'coverage of 95 %':>18s} "
    f"{'rms/u':>7s} {'u %':>7s}"
)


def results_of(scenario: Scenario) -> tuple[list[Estimate], list[str]]:
    """Return the run's estimates and the kinds of findings by the whole analysis."""
    readings = scenario.readings
    start, end = readings["time"].min(), readings["time"].max() + pd.Timedelta(seconds=1)
    found = analyse(scenario.installation, readings, start, end)
    return [e for e in found.estimates if e.run_start is not None], [f.kind for f in found.findings]


def log_sd(estimate: Estimate) -> float:
    """Return the standard uncertainty of an estimate's logarithm, from its interval."""
    return math.log((estimate.high or 1.0) / (estimate.low or 1.0)) / (2.0 * COVERAGE_FACTOR)


def main(seeds: range = SEEDS) -> None:
    """Print the tables."""
    tallies: dict[str, Tally] = {}
    findings: dict[str, int] = {}
    refused = apart = 0
    for seed in seeds:
        scenario = make(seed, transport=False)
        truth = scenario.truth
        estimates, kinds = results_of(scenario)
        for kind in set(kinds):
            findings[kind] = findings.get(kind, 0) + 1
        first = next(e for e in estimates if e.quantity == "injection fraction")
        if first.value is None:
            refused += 1
            print(f"seed {seed}: refused: {first.reason}")
        else:
            _add(tallies, "ratio, what is reported", math.log(first.value / truth.fraction), log_sd(first))
        apart += sum(e.quantity == "injection fraction" for e in estimates) > 1
        for way in ways(scenario.view())[0]:
            _add(tallies, f"ratio by {way.name}", way.log.value - math.log(truth.fraction), way.log.sd)
        volume = next((e for e in estimates if e.quantity == "stock volume" and e.value), None)
        if volume is not None and volume.value:
            _add(tallies, "stock volume", math.log(volume.value / truth.stock_l), log_sd(volume))
        dose = next((e for e in estimates if e.quantity == "nutrient dose" and e.value), None)
        if dose is not None and dose.value:
            true = truth.grams[dose.nutrient or ""]
            _add(tallies, "dose of the first nutrient", math.log(dose.value / true), log_sd(dose))
    print(f"{len(seeds)} systems, seven stocks, 10 to 30 °C; goal for the ratio: {GOALS}")
    print(HEADER)
    for name in sorted(tallies):
        print(tallies[name].row(name))
    print(f"refused {refused}; ways that disagree, none averaged {apart}; systems with a finding: {findings}")
    _conservation(len(seeds))


def _add(tallies: dict[str, Tally], name: str, error: float, sd: float) -> None:
    """Add an error to the tally of a name."""
    tallies.setdefault(name, Tally()).add(error, sd)


def _conservation(count: int) -> None:
    """Print whether stock by meter, by EC and by tank level agree, and whether the engine keeps its tracer."""
    seeds = IDEAL_SEEDS[: max(len(STOCKS), min(count, len(IDEAL_SEEDS)))]
    names, agree, largest = list(STOCKS), 0, 0.0
    for place, seed in enumerate(seeds):
        scenario = make(seed, transport=False, ideal=True, stock=names[place % len(names)])
        found, _ = stock_ways(scenario.view())
        agree += len(found) == 3 and disagreement(found) is None
        largest = max([largest, *(abs(w.log.value - math.log(scenario.truth.stock_l)) for w in found)])
    print(
        f"stock volume by meter, EC and tank level: all three agree on {agree} of {len(seeds)} faultless systems; "
        f"largest error {100 * largest:.2f} %"
    )
    drift = [
        balance(draw_layout(np.random.default_rng(seed), compensating=seed % 3 == 0)) for seed in seeds[:5]
    ]
    worst = max(abs(out / entered - 1.0) for entered, out in drift)
    print(f"tracer out over tracer in by EPANET, {len(drift)} zones: largest gap {100 * worst:.6f} %")


if __name__ == "__main__":
    main()
