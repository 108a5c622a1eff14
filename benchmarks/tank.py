"""Displacement tanks on virtual systems, through the whole analysis: decay volume, dose, what is left."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from benchmarks.ratio import HEADER, Tally, log_sd, results_of
from benchmarks.scenarios.make import make
from benchmarks.scenarios.sensors import SPREAD

if TYPE_CHECKING:
    from benchmarks.scenarios.make import Truth

SEEDS = range(10_001, 10_601)
"""Systems that nothing was developed on."""

METER_SD = math.hypot(SPREAD["flow gain"], SPREAD["flow repeatability"])
"""Standard deviation of a main meter's gain in one run: no way to the decay volume can do better. [-]"""

GOALS = "decay volume median 0.8 %, p95 2.2 %; mass p95 4 %; coverage 0.92 to 0.98"
"""What shall be reached."""


def truths(truth: Truth) -> dict[str, float]:
    """Return the true value of each quantity."""
    tank = truth.tank
    return {
        "tank decay volume": tank["decay_l"],
        "tank strength at start": tank["initial"],
        "tank strength left": tank["left"],
        "tank volume left": tank["volume_l"] * tank["left"],
        "stock volume": truth.stock_l,
    }


def main(seeds: range = SEEDS) -> None:
    """Print the table."""
    tallies: dict[str, Tally] = {}
    refused = 0
    for seed in seeds:
        scenario = make(seed, kind="displacement tank", transport=False)
        estimates, _ = results_of(scenario)
        known = truths(scenario.truth)
        gain = math.log(scenario.truth.gains["main_meter"])
        tallies.setdefault("(main meter's gain: bound)", Tally()).add(gain, METER_SD)
        for estimate in estimates:
            true = known.get(estimate.quantity)
            if estimate.quantity == "nutrient dose":
                true = scenario.truth.grams[estimate.nutrient or ""]
            if true is None:
                continue
            if estimate.value is None:
                refused += estimate.quantity == "tank decay volume"
                continue
            name = "mass of each nutrient" if estimate.nutrient else estimate.quantity
            tallies.setdefault(name, Tally()).add(math.log(estimate.value / true), log_sd(estimate))
    print(f"{len(seeds)} displacement tanks; goals: {GOALS}")
    print(HEADER)
    for name, tally in tallies.items():
        print(tally.row(name))
    print(f"refused {refused}")


if __name__ == "__main__":
    main()
