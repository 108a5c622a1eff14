"""What is told while runs go on: the analysis at every instant of some days, beside that of the whole days.

A page is looked at while a run is half over, and each sensor's newest reading is a few seconds old, not equally many.
What is told then and not told once the days are over was said too early. Two sorts of invented gardens: two zones with
meters and cells drawn within their accuracy, where nothing is wrong, and the demo's garden with what is planted in it.
``python -m benchmarks.passing 4 3 60`` takes four of the first sort, three of the second, every 60 s.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.pipeline import analyse
from benchmarks.run_findings import drawn
from ingest.load_installation import load
from sample_data.folder import INSTALLATION
from sample_data.plant import build
from sample_data.schedule import Scenario, session
from tests.analysis.conftest import grown
from tests.support.plain import frame
from tests.support.simulated import readings_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from analysis.results import Estimate, Finding, Results
    from ingest.installation import Installation

SEED = 20260601
ANCHOR = 1_780_000_000
"""2026-05-28T20:26:40Z: the demo's last session. [s]"""

LATEST_S = 12.0
"""A sensor's readings arrive up to so long after they were taken, each sensor by a delay of its own. [s]"""

AROUND = pd.Timedelta("10min")
"""Instants this near to a run are looked at densely, others every quarter of an hour."""

STEADY = (
    "injection fraction",
    "clear-out time",
    "travel time",
    "tank decay volume",
    "tank strength at start",
    "flow at reference pressure",
    "filter pressure loss",
)
"""What a running run can be asked for: it does not grow with the run."""

Told = tuple[str, str | None, str | None, str]
"""Kind, zone, sensor and severity of a finding."""


def told(findings: tuple[Finding, ...]) -> set[Told]:
    """Return what is said, without when and how much."""
    return {(f.kind, f.zone, f.sensor, f.severity) for f in findings}


def arriving(known: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Return readings with the time at which each arrived."""
    names = sorted(known["sensor"].unique())
    delays = dict(zip(names, rng.uniform(0.5, LATEST_S, len(names)), strict=True))
    late = pd.to_timedelta(known["sensor"].astype(str).map(delays), unit="s")
    return known.assign(received=(known["time"] + late).astype("datetime64[us, UTC]"))


def plain(number: int) -> tuple[Installation, pd.DataFrame]:
    """Return a garden in which nothing is wrong, for two days."""
    rng = np.random.default_rng([SEED, number])
    garden = grown()
    return garden.installation, arriving(frame(drawn(garden, rng)), rng)


def demo(number: int) -> tuple[Installation, pd.DataFrame]:
    """Return the demo's garden of one day and a round by hand, with other sensors for each number."""
    installation = load(INSTALLATION)
    scenario = Scenario(100 + number, 1, (session(ANCHOR),))
    origin, end = scenario.origin(installation.tz), ANCHOR + 5400
    plant = build(installation, scenario, until=end)
    known = readings_of(plant, origin, end)
    return installation, arriving(known, np.random.default_rng([SEED, 1, number]))


GARDENS = {"plain": plain, "demo": demo}
"""Name to what makes one of its sort."""


def instants(
    ends: list[tuple[pd.Timestamp, pd.Timestamp]], last: pd.Timestamp, step_s: float
) -> Iterator[pd.Timestamp]:
    """Yield when to look: densely around runs."""
    at, dense = min(start for start, _ in ends) - AROUND, pd.Timedelta(seconds=step_s)
    while at < last:
        yield at
        near = any(start - AROUND <= at <= end + 3 * AROUND for start, end in ends)
        at += dense if near else pd.Timedelta("15min")


@dataclass
class Early:
    """What was told at some instant and contradicted by the whole days.

    Attributes
    ----------
    looked : int
        How often was looked.
    findings : dict
        Finding to the instants at which it was told.
    compared : int
        Intervals of running and finished runs that were held against the last ones.
    estimates : dict
        Quantity and zone to the instants at which its interval shared nothing with the last one.
    """

    looked: int = 0
    findings: dict[Told, list[pd.Timestamp]] = field(default_factory=lambda: defaultdict(list))
    compared: int = 0
    estimates: dict[tuple[str, str | None], list[pd.Timestamp]] = field(
        default_factory=lambda: defaultdict(list)
    )

    def look(self, at: pd.Timestamp, now: Results, whole: Results) -> None:
        """Hold one look against the whole days."""
        self.looked += 1
        for said in told(now.findings) - told(whole.findings):
            self.findings[said].append(at)
        for mine, last in _pairs(now, whole):
            self.compared += 1
            if mine.high < last.low or mine.low > last.high:  # type: ignore[operator]
                self.estimates[mine.quantity, mine.zone].append(at)

    def lines(self) -> Iterator[str]:
        """Yield what to print."""
        yield f"{self.looked} looks: {len(self.findings)} findings told and taken back"
        for said, at in sorted(self.findings.items(), key=lambda pair: pair[1][0]):
            yield f"  {', '.join(str(word) for word in said if word)}: {_when(at)}"
        wrong = sum(len(at) for at in self.estimates.values())
        yield f"  {self.compared} intervals told, {wrong} share nothing with the last one"
        for (quantity, zone), at in self.estimates.items():
            yield f"    {quantity} of {zone}: {_when(at)}"


def _when(at: list[pd.Timestamp]) -> str:
    return f"{len(at)} looks, {at[0]:%d %H:%M:%S} to {at[-1]:%d %H:%M:%S}"


def _pairs(now: Results, whole: Results) -> Iterator[tuple[Estimate, Estimate]]:
    """Yield each estimate of what does not grow with the run, with the last one of the same way and run."""
    last = {
        (e.quantity, e.zone, e.nutrient, e.sensors, e.run_start): e
        for e in whole.estimates
        if e.status == "ok"
    }
    for e in now.estimates:
        if e.quantity in STEADY and e.status == "ok":
            other = last.get((e.quantity, e.zone, e.nutrient, e.sensors, e.run_start))
            if other is not None:
                yield e, other


def early(installation: Installation, known: pd.DataFrame, step_s: float) -> Early:
    """Return what was told at some instant and contradicted at the end."""
    first = pd.Timestamp(known["time"].min()).floor("D")
    last = pd.Timestamp(known["time"].max()) + pd.Timedelta("1us")
    whole = analyse(installation, known, first, last)
    said = Early()
    for at in instants([(r.start, r.end) for r in whole.runs], last, step_s):
        said.look(at, analyse(installation, known[known["received"] <= at], first, at), whole)
    return said


def main(plains: int = 3, demos: int = 2, step_s: float = 60.0) -> None:
    """Print what was told too early, garden by garden."""
    for name, count in zip(GARDENS, (plains, demos), strict=True):
        for number in range(count):
            print(
                f"{name} garden {number}:",
                *early(*GARDENS[name](number), step_s).lines(),
                sep="\n",
                flush=True,
            )


if __name__ == "__main__":
    main(*(float(word) if n == 2 else int(word) for n, word in enumerate(sys.argv[1:4])))  # type: ignore[arg-type]
