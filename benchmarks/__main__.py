"""Run the benchmarks: all of them in turn, or those that are named.

``python -m benchmarks`` runs all; ``python -m benchmarks ratio tank`` runs two; ``--list`` names them.
Figures that depend on the machine are ratios within one run.
"""

from __future__ import annotations

import sys
import time
from importlib import import_module

BENCHMARKS = {
    "ingest_throughput": "readings acknowledged on stable storage, beside a bare subscriber and raw Parquet",
    "decode": "payload decoders beside the bare libraries",
    "dilution": "inversion of the dilution curve against PHREEQC",
    "ratio": "injection ratio, stock volume and conservation on 360 virtual systems",
    "tank": "displacement tanks on 600 virtual systems",
    "travel": "flow, pressure and travel time against EPANET",
    "clearout": "clear-out time, observed and cut short, and on foreign residence times",
    "measured_hydraulics": "emitter exponents, pulses and salt slugs that were measured",
    "run_findings": "findings of single runs on planted faults and clean days",
    "flushes": "flushes that end too soon, stock left in the lines: size found, false alarms",
    "passing": "what is told while runs go on, beside what stays once they are over",
    "valves": "valves that do not close or open, and their sensors: size found, false alarms",
    "clocks": "clocks of devices by the time of receipt: size found, false alarms",
    "edges": "clocks and lags by the ends of runs: size found, false alarms",
    "healthy": "false alarms of all findings together, from readings",
    "faults": "diagnosis over seasons: false alarms, delay, cause by effect size",
    "backflow": "backflow: found, how soon, false alarms",
    "measured_faults": "restrictions of a measured water loop",
    "example_findings": "ten findings to read",
    "record": "service records of a month and a season, beside reading the same days",
    "analysis_scale": "the whole analysis of 1, 10 and 100 zone-months: time, memory, beside a bare scan",
    "reanalysis": "the analysis again after one late reading, beside the first time",
    "look_back": "the dashboard's analysis of 7, 60 and 120 days: first look, each next one, memory",
    "spread": "100 sites on two Dask workers beside one process, and with a worker killed",
    "dashboard_long": "a year of readings on the page",
    "dashboard_live": "new readings from the journal to the screen",
    "fleet_ingest": "a thousand sites through one ingester for ten minutes: lag, CPU, memory, each reading once",
    "fleet_page": "a thousand sites on one page: a round's cost, the page, how soon a finding stands first",
    "small_computer": "a year of one site within 512 MB: ingester, dashboard, analysis",
}
"""Module to what it shows, in the order they run."""


def main(arguments: list[str]) -> int:
    """Run what is named, or everything; return the exit status."""
    if "--list" in arguments:
        print("\n".join(f"{name:<20} {said}" for name, said in BENCHMARKS.items()))
        return 0
    unknown = [name for name in arguments if name not in BENCHMARKS]
    if unknown:
        print(f"no benchmark is called {unknown[0]!r}; --list names them", file=sys.stderr)
        return 2
    for name in arguments or BENCHMARKS:
        print(f"\n== {name}: {BENCHMARKS[name]}", flush=True)
        sys.argv = [name]  # a benchmark with options of its own takes its defaults
        begun = time.monotonic()
        import_module(f"benchmarks.{name}").main()
        print(f"-- {name} took {time.monotonic() - begun:.0f} s", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
