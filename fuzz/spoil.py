"""What the fuzzers of the analysis share: how values go wrong, how many trials, and what is printed."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from analysis.results import Finding

CHANGES: dict[str, Callable[[np.ndarray, np.random.Generator], np.ndarray]] = {
    "zero": lambda values, _: 0.0 * values,
    "flat": lambda values, _: np.full(len(values), values[0]),
    "negative": lambda values, _: -values,
    "scaled": lambda values, rng: values * rng.choice([1e-9, 1e-6, 0.01, 0.5, 2.0, 100.0, 1e6, 1e9]),
    "noisy": lambda values, rng: values + rng.normal(0.0, np.abs(values).mean() + 1e-9, len(values)),
    "spiked": lambda values, rng: np.where(
        rng.random(len(values)) < 0.02, values * rng.choice([-50.0, 50.0, 1e9]), values
    ),
    "backward": lambda values, _: values[::-1],
    "rounded": lambda values, _: np.round(values),
    "walking": lambda values, rng: (
        values + np.cumsum(rng.normal(0.0, 0.1 * np.abs(values).max() + 1e-9, len(values)))
    ),
    "two levels": lambda values, _: np.where(np.arange(len(values)) % 2 == 0, values, 2.0 * values),
}
"""What can become of values in the order of time, at least one."""


def options(words: str | None) -> argparse.ArgumentParser:
    """Return the parser of a fuzzer's command: how many trials, and from which on."""
    parser = argparse.ArgumentParser(description=words)
    parser.add_argument("trials", type=int)
    parser.add_argument("--from", dest="first", type=int, default=0)
    return parser


def tell(given: argparse.Namespace, trial: Callable[[int], tuple[list[Finding], list[str]]]) -> None:
    """Print what breaks off in the trials that were asked for, with what was spoiled."""
    count = 0
    for number in range(given.first, given.first + given.trials):
        found, words = trial(number)
        count += bool(found)
        for finding in found:
            print(f"{number}: {'; '.join(words)}: {finding.evidence}", flush=True)
    print(f"something broke off in {count} of {given.trials}")
