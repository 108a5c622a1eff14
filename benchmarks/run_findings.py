"""What the findings about runs cost: how large a fault they find, how soon, and false alarms on clean runs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from analysis.pipeline import analyse
from tests.analysis.conftest import Garden, grown
from tests.support.plain import MIDNIGHT, frame

if TYPE_CHECKING:
    from collections.abc import Callable

SEED = 20260501
CLEAN_GARDENS = 12
CLEAN_DAYS = 30
TRIALS = 30

ONE = (("a", 6.0, 7.0, 6.2, 6.6),)
GAINS = {"flow": 0.02, "stock": 0.02, "water": 0.01, "feed": 0.01, "pressure": 0.0}
"""Limits of the gains that meters are drawn from, as their accuracy states. [-]"""

KINDS = (
    "no injection",
    "injection off target",
    "stock strength",
    "injection without flow",
    "flow outside injector range",
    "EC out of band",
    "over pressure",
    "sensor silent",
)

Change = dict[str, pd.Series]


def drawn(garden: Garden, rng: np.random.Generator) -> Change:
    """Return the garden's readings as meters of random gain within their accuracy would give them."""
    gains = {name: 1.0 + rng.uniform(-limit, limit) for name, limit in GAINS.items()}
    noise = {name: 1.0 + 0.002 * rng.standard_normal(len(s)) for name, s in garden.readings.items()}
    return {
        name: s * gains[name] * noise[name] if name in gains else s for name, s in garden.readings.items()
    }


def fed(readings: Change, factor: float) -> Change:
    """Return readings with the stock at a factor of what it should be."""
    step = readings["feed"] - readings["water"]
    inside = step > 0.3
    feed = readings["feed"].where(~inside, readings["water"] + factor * step)
    return {**readings, "stock": readings["stock"] * factor, "feed": feed}


def slowed(readings: Change, factor: float) -> Change:
    """Return readings with flow and stock at a factor of their level."""
    return {**readings, "flow": readings["flow"] * factor, "stock": readings["stock"] * factor}


def raised(readings: Change, factor: float) -> Change:
    """Return readings with the pressure at rest at a factor of the injector's limit of 350 kPa."""
    rest = readings["flow"] < 50.0
    return {**readings, "pressure": readings["pressure"].where(~rest, 350.0 * factor)}


def quiet(readings: Change, minutes: float) -> Change:
    """Return readings with the feed's cell silent for some minutes."""
    feed, start = readings["feed"], MIDNIGHT + pd.Timedelta("9h")
    gone = (feed.index >= start) & (feed.index < start + pd.Timedelta(minutes=minutes))
    return {**readings, "feed": feed[~gone]}


def weakened(readings: Change, factor: float) -> Change:
    """Return readings with as much stock as is set, of a factor of its strength: EC shows it, the meter does not."""
    step = readings["feed"] - readings["water"]
    return {**readings, "feed": readings["feed"].where(step <= 0.3, readings["water"] + factor * step)}


def alone(readings: Change, minutes: float) -> Change:
    """Return readings with stock running for some minutes while no water does."""
    stock, start = readings["stock"], MIDNIGHT + pd.Timedelta("9h")
    on = (stock.index >= start) & (stock.index < start + pd.Timedelta(minutes=minutes))
    return {**readings, "stock": stock.where(~on, 10.0)}


FAULTS: tuple[tuple[str, str, Callable[[Change, float], Change], tuple[float, ...]], ...] = (
    ("no injection", "stock over set", fed, (0.0, 0.1, 0.3)),
    ("injection off target", "stock over set", fed, (0.85, 0.90, 0.93, 0.95, 0.97)),
    ("EC out of band", "stock over set", fed, (0.80, 0.84, 0.86, 0.90)),
    ("stock strength", "strength over stated", weakened, (0.80, 0.85, 0.90, 0.95)),
    ("injection without flow", "minutes", alone, (5.0, 2.0, 1.5, 0.5)),
    ("flow outside injector range", "flow over 1000 L/h", slowed, (0.15, 0.19, 0.21, 0.30)),
    ("over pressure", "pressure over limit", raised, (1.10, 1.02, 1.005, 0.98)),
    ("sensor silent", "minutes", quiet, (60.0, 10.0, 6.0, 4.0)),
)
"""Kind, what its size is, how it is planted, and sizes."""


def found(garden: Garden, readings: Change) -> list[tuple[str, str]]:
    """Return kind and severity of every finding."""
    said = analyse(garden.installation, frame(readings), MIDNIGHT, garden.end).findings
    return [(f.kind, f.severity) for f in said if f.kind in KINDS]


def clean(gardens: int, days: int) -> None:
    """Print false alarms on clean gardens of two zones."""
    shift = [(z, a, 24.0 * d) for d in range(days) for z, a in (("a", 6.0), ("b", 7.0))]
    garden = grown(tuple((z, d + a, d + a + 1, d + a + 0.2, d + a + 0.6) for z, a, d in shift), 24.0 * days)
    alarms = [
        alarm
        for seed in range(gardens)
        for alarm in found(garden, drawn(garden, np.random.default_rng([SEED, seed])))
    ]
    years = gardens * days * 2 / 365.25
    upper = float(stats.chi2.ppf(0.95, 2 * (len(alarms) + 1)) / 2.0 / years)
    print(f"clean: {len(alarms)} alarms in {years:.2f} zone-years; 95 % upper bound {upper:.2f} a zone-year")
    for kind, severity in alarms:
        print(f"  {kind} ({severity})")


def planted(trials: int) -> None:
    """Print the share of gardens in which each planted fault is found, and how gravely."""
    garden = grown(ONE, 12.0)
    print(f"\n{'finding':30s}{'size':>28s}{'found':>8s}{'act or stop':>13s}   in one run, {trials} gardens")
    for kind, words, plant, sizes in FAULTS:
        for size in sizes:
            marks = [
                [
                    s
                    for k, s in found(garden, plant(drawn(garden, np.random.default_rng([SEED, n])), size))
                    if k == kind
                ]
                for n in range(trials)
            ]
            seen = sum(bool(m) for m in marks) / trials
            grave = sum(any(s != "watch" for s in m) for m in marks) / trials
            print(f"{kind:30s}{f'{words} {size:g}':>28s}{seen:8.0%}{grave:13.0%}")


def main(gardens: int = CLEAN_GARDENS, days: int = CLEAN_DAYS, trials: int = TRIALS) -> None:
    """Print both tables."""
    clean(gardens, days)
    planted(trials)


if __name__ == "__main__":
    main()
