"""Valves that do not close or open, and valve sensors that are not true: what is found, and false alarms.

Invented gardens of two zones (`benchmarks.valve_plant`) at 10 s or 60 s, with six sets of sensors. Clean ones have
noise, meters with a zero of their own, jitter, lost readings, silences, draining lines, and zones opened by hand.
``python -m benchmarks.valves 4 3`` runs four clean gardens of each set, and three trials of each fault.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import pandas as pd

from analysis.pipeline import analyse
from benchmarks.faults import upper
from benchmarks.valve_plant import START, Plan, installation_of, readings
from tests.support.plain import frame

CLEAN_DAYS = 20
KINDS = ("valve fault", "flow at rest", "no water", "long run", "sensor fault")
HEAD = ("valves", "head", "gauge")
METERS = ("valves", "meters", "head", "gauge")
SETS = (
    METERS,
    HEAD,
    ("head", "gauges", "gauge"),
    ("valves", "register", "gauge"),
    ("valves", "gauges"),
    ("meters",),
)
"""What gardens are seen by."""

FAULTS = (
    *(
        ("valve fault", f"{s:.0%} past, meter in the zone", Plan(past={"a": s}))
        for s in (0.01, 0.02, 0.03, 0.04, 0.06)
    ),
    *(
        ("flow at rest", f"{s:.0%} past, shared meter", Plan(have=HEAD, past={"a": s}))
        for s in (0.01, 0.02, 0.03, 0.04, 0.06)
    ),
    *(
        ("flow at rest", f"{s:.0%} past, shared pulses", Plan(have=SETS[3], past={"a": s}))
        for s in (0.02, 0.04, 0.08)
    ),
    ("valve fault", "does not open, meter", Plan(blocked=("a",))),
    ("valve fault", "does not open, shared", Plan(have=HEAD, blocked=("a",))),
    ("no water", "does not open, no gauge", Plan(have=("valves", "meters"), blocked=("a",))),
    ("no water", "supply lost", Plan(supply=False)),
    ("sensor fault", "stuck at closed", Plan(said={"a": 0.0})),
    ("sensor fault", "stuck at open", Plan(said={"a": 1.0})),
    ("sensor fault", "swapped", Plan(swapped=True)),
    ("long run", "90 % past, no valve", Plan(days=8, from_day=6, have=SETS[2], past={"a": 0.9})),
)
"""The kind that is right, what is planted, and how."""


def found(plan: Plan) -> set[tuple[str, str | None]]:
    """Return kind and zone of every finding about valves."""
    end = START + pd.Timedelta(days=plan.days)
    said = analyse(installation_of(plan), frame(readings(plan)), START, end).findings
    return {(f.kind, f.zone) for f in said if f.kind in KINDS}


def main(gardens: int = 4, trials: int = 5) -> None:
    """Print false alarms on clean gardens, and the share of planted faults that are found and rightly named."""
    alarms = [
        (have, alarm)
        for n, have in enumerate(SETS)
        for seed in range(gardens)
        for alarm in found(
            Plan(
                days=CLEAN_DAYS,
                seed=900 + 10 * seed + n,
                have=have,
                by_hand=seed % 2 == 1,
                step_s=(10.0, 60.0)[seed % 2],
            )
        )
        if not (seed % 2 == 1 and alarm == ("flow at rest", None))  # a zone opened by hand is that
    ]
    years = gardens * len(SETS) * CLEAN_DAYS / 365.25
    print(
        f"clean: {len(alarms)} findings in {years:.2f} garden-years of two zones; 95 % upper bound "
        f"{upper(len(alarms), years):.1f} a garden-year"
    )
    for have, (kind, zone) in alarms:
        print(f"  {kind} of {zone} with {', '.join(have)}")
    for kind, what, plan in FAULTS:
        said = [{k for k, _ in found(replace(plan, seed=n))} for n in range(trials)]
        right, wrong = sum(s == {kind} for s in said), sum(bool(s - {kind}) for s in said)
        print(f"{kind:14s}{what:32s}  found {right} of {trials}, named otherwise {wrong}")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:3]))
