"""Pressures, flow and travel time against EPANET on seeded zones, slopes up and down, also compensating."""

from __future__ import annotations

import numpy as np

from analysis.hydraulics.friction import SMOOTH, Friction
from analysis.hydraulics.travel import travel_times
from analysis.hydraulics.zones import zone_at_pressure
from benchmarks.networks import REGULATES_FROM, Case, EpanetFlow, epanet, seeded_case

SEEDS = range(4000, 4050)
"""Zones that nothing was developed on."""

EXPONENTS = (("turbulent to laminar", None), ("compensating, 0.05", 0.05), ("compensating, 0", 0.0))
"""Kinds of emitters and their exponent; None draws one between 0.4 and 1."""


def errors(case: Case, engine: EpanetFlow, friction: Friction) -> tuple[float, float, float]:
    """Return relative errors of flow, end pressure and travel time against the engine. [-]"""
    ours = zone_at_pressure(case.layout, case.head_pressure, temperature=case.temperature, friction=friction)
    last = float(travel_times(case.layout, ours).places[-1, -1])
    return (
        ours.flow / engine.flow - 1.0,
        ours.end_pressure / engine.end_pressure - 1.0,
        last / engine.travel_s - 1.0,
    )


def main(seeds: range = SEEDS) -> None:
    """Print the errors over all zones, for the project's default friction and for Blasius."""
    print(f"{len(seeds)} zones a row; largest error of zone flow / lateral end pressure / travel time, %")
    for words, exponent in EXPONENTS:
        cases, engines = _usable(seeds, exponent)
        for name, friction in (("default", SMOOTH), ("Blasius", Friction("Blasius"))):
            table = 100.0 * np.array(
                [errors(c, e, friction) for c, e in zip(cases, engines, strict=True)],
            )
            worst, median = np.abs(table).max(axis=0), np.median(np.abs(table), axis=0)
            print(
                f"{words:22s} {name:8s} max {worst[0]:6.3f} {worst[1]:6.3f} {worst[2]:6.3f}   "
                f"median {median[0]:6.3f} {median[1]:6.3f} {median[2]:6.3f}"
            )
    _ages(seeds[:3])


def _usable(seeds: range, exponent: float | None) -> tuple[list[Case], list[EpanetFlow]]:
    """Return as many zones as there are seeds, those left out in which compensating emitters cannot."""
    cases: list[Case] = []
    engines: list[EpanetFlow] = []
    seed = seeds.start
    while len(cases) < len(seeds):
        case = seeded_case(seed, exponent=exponent)
        engine = epanet(case)
        if exponent is None or engine.pressures.min() >= REGULATES_FROM:
            cases.append(case)
            engines.append(engine)
        seed += 1
    return cases, engines


def _ages(seeds: range) -> None:
    """Print travel time against water age that EPANET transports, quality step 1 s."""
    for seed in seeds:
        case = seeded_case(seed)
        engine = epanet(case, age=True)
        ours = zone_at_pressure(
            case.layout, case.head_pressure, temperature=case.temperature, friction=SMOOTH
        )
        last = float(travel_times(case.layout, ours).places[-1, -1])
        age = engine.age_s or float("nan")
        print(f"seed {seed}: travel {last:.1f} s, water age {age:.1f} s, {100 * (last / age - 1):+.2f} %")


if __name__ == "__main__":
    main()
