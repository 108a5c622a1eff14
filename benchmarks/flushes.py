"""Flushes that end too soon, and stock left in the lines: how large is found, and false alarms on long flushes.

The demo's garden with the far EC cell and without, other sensors in each trial; one bench is watered every hour, each
second time with a flush of a given share of what the last emitter needs, the times between with a thorough one.
``python -m benchmarks.flushes 6`` takes six gardens of ten runs for each size.
"""

from __future__ import annotations

import sys
from collections import Counter

import pandas as pd

from analysis.pipeline import analyse
from benchmarks.faults import upper
from ingest.installation import Installation
from ingest.load_installation import load
from sample_data.folder import INSTALLATION
from sample_data.plant import Plant, wet
from sample_data.schedule import Irrigation, Scenario
from sample_data.truth import clear_out, left_in_pipes
from tests.support.simulated import readings_of

ZONE, FAR = "bench1", "bench1_end_ec"
BEGIN = 1_780_020_000
"""When the first run begins. [s since 1970]"""

RUNS = 10
"""Runs with the flush in question in each garden."""

THOROUGH_S = 1200
"""A flush of more than twice what the last emitter needs. [s]"""

SHARES = (1.3, 1.1, 1.0, 0.95, 0.9, 0.8, 0.6, 0.4, 0.3, 0.2, 0.1)
"""Flush over what the last emitter needs to fall to the zone's share of the step. [-]"""

KINDS = ("short flush", "carry-over")


def described(*, far: bool) -> Installation:
    """Return the demo's installation, with the bench's far EC cell or without."""
    whole = load(INSTALLATION)
    if far:
        return whole
    return whole.model_copy(update={"sensor": {k: s for k, s in whole.sensor.items() if k != FAR}})


def plans(flush_s: int) -> list[Irrigation]:
    """Return the runs: a thorough flush, then the one in question, in turn."""
    each = ((THOROUGH_S, ""), (flush_s, "in question"))
    return [
        Irrigation(ZONE, BEGIN + 3600 * n, 180, 540, flush, planted=planted)
        for n in range(2 * RUNS + 1)
        for flush, planted in [each[n % 2]]
    ]


def garden(share: float, seed: int, *, far: bool) -> tuple[Counter[str], float, int]:
    """Return how often each kind was told of the runs in question, the stock left in them, and how often of others."""
    installation = described(far=far)
    scenario = Scenario(seed, 0, ((BEGIN, BEGIN),))
    first = wet(installation, scenario, plans(THOROUGH_S)[0])
    needs = clear_out(first, installation.zone[ZONE].clear_share) or 0.0
    runs = tuple(wet(installation, scenario, plan) for plan in plans(round(share * needs)))
    start, end = BEGIN - 3600, runs[-1].plan.end + 3600
    plant = Plant(installation, scenario, runs, end)
    known = readings_of(plant, start, end)
    said = analyse(installation, known, *(pd.Timestamp(at, unit="s", tz="UTC") for at in (start, end)))
    mine = [(r.plan.start, r.plan.end) for r in runs if r.plan.planted]
    found: Counter[str] = Counter()
    others = 0
    for finding in said.findings:
        if finding.kind in KINDS:
            hit = any(a - 60 <= finding.start.timestamp() <= b + 60 for a, b in mine)
            found[finding.kind] += hit
            others += not hit
    return found, left_in_pipes(runs[1]), others


def main(gardens: int = 6) -> None:
    """Print the share of runs in which each is told, by size."""
    for far in (True, False):
        words = "EC cell at the far end" if far else "pipes alone"
        print(
            f"\n{words}\n{'flush over need':>16s}{'stock left':>12s}{'short flush':>13s}{'carry-over':>12s}"
        )
        wrong, thorough = 0, 0
        for share in SHARES:
            said = [garden(share, 300 + n, far=far) for n in range(gardens)]
            counts, trials = sum((s[0] for s in said), Counter()), RUNS * gardens
            wrong += sum(s[2] for s in said)
            thorough += (RUNS + 1) * gardens
            told = "".join(
                f"{counts[kind] / trials:>{width}.0%}" for kind, width in zip(KINDS, (13, 12), strict=True)
            )
            print(f"{share:16.2f}{said[0][1]:12.1%}{told}", flush=True)
        print(f"told of {thorough} thorough flushes: {wrong}; 95 % upper bound {upper(wrong, thorough):.2%}")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:2]))
