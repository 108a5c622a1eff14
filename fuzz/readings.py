"""Spoil readings as broken sensors, loggers and lines do, and look whether any part of the analysis breaks off.

``python -m fuzz.readings 1000 demo`` spoils a thousand stretches of the demo's garden, from a different place each time
with ``--from``; it prints the number of each that broke something off, what was spoiled, and what broke.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.pipeline import analyse
from benchmarks.passing import GARDENS
from fuzz.spoil import CHANGES, options, tell

if TYPE_CHECKING:
    from analysis.results import Finding
    from ingest.installation import Installation

HOURS = (0.3, 5.0)
"""Shortest and longest stretch that is analysed. [h]"""

MOST = 5
"""Things spoiled in one stretch, at most."""

Spoil = Callable[[pd.DataFrame, np.ndarray, np.random.Generator], pd.DataFrame]


def _valued(change: Callable[[np.ndarray, np.random.Generator], np.ndarray]) -> Spoil:
    """Return a spoiling that changes the values of some rows."""

    def spoil(known: pd.DataFrame, rows: np.ndarray, rng: np.random.Generator) -> pd.DataFrame:
        values = known["value"].to_numpy(copy=True)
        values[rows] = change(values[rows], rng)
        return known.assign(value=values)

    return spoil


def _kept(known: pd.DataFrame, rows: np.ndarray, share: float, rng: np.random.Generator) -> pd.DataFrame:
    gone = rows[rng.random(len(rows)) >= share]
    return known.drop(known.index[gone]).reset_index(drop=True)


def _shifted(known: pd.DataFrame, rows: np.ndarray, rng: np.random.Generator) -> pd.DataFrame:
    by = pd.Timedelta(seconds=float(rng.choice([-3600, -60, -7, 13, 60, 600, 7200])))
    moved = known["time"].copy()
    moved.iloc[rows] = moved.iloc[rows] + by
    return known.assign(time=moved)


def _graded(known: pd.DataFrame, rows: np.ndarray, rng: np.random.Generator) -> pd.DataFrame:
    quality = known["quality"].to_numpy(copy=True)
    quality[rows] = rng.choice([1, 2, 3, 4, 9])
    return known.assign(quality=quality)


SPOILINGS: dict[str, Spoil] = {
    "gone": lambda known, rows, rng: _kept(known, rows, 0.0, rng),
    "sparse": lambda known, rows, rng: _kept(known, rows, 0.05, rng),
    "twice": lambda known, rows, _: pd.concat([known, known.iloc[rows]], ignore_index=True),
    "shifted": _shifted,
    "graded": _graded,
    **{name: _valued(change) for name, change in CHANGES.items()},
}
"""What can happen to a part of one sensor's readings."""


def spoiled(known: pd.DataFrame, rng: np.random.Generator) -> tuple[pd.DataFrame, str]:
    """Return readings with one sensor's spoiled, all of them or a part, and what was done."""
    name = str(rng.choice(sorted(known["sensor"].unique())))
    rows = np.flatnonzero((known["sensor"] == name).to_numpy())
    if len(rows) > 1 and rng.random() < 0.7:
        first, last = np.sort(rng.choice(len(rows), 2, replace=False))
        rows = rows[first : last + 1]
    what = str(rng.choice(list(SPOILINGS)))
    return SPOILINGS[what](known, rows, rng), f"{name} {what}"


def trial(installation: Installation, known: pd.DataFrame, number: int) -> tuple[list[Finding], list[str]]:
    """Spoil and analyse one stretch.

    Parameters
    ----------
    installation : Installation
        The garden.
    known : pandas.DataFrame
        Its readings.
    number : int
        Which trial; the same number spoils the same.

    Returns
    -------
    list of Finding, list of str
        Parts that broke off, and what was spoiled.
    """
    rng = np.random.default_rng(number)
    first, last = known["time"].min(), known["time"].max()
    start = first + rng.uniform(0.0, 0.9) * (last - first)
    end = start + pd.Timedelta(hours=float(rng.uniform(*HOURS)))
    part = known[(known["time"] >= start) & (known["time"] < end)].reset_index(drop=True)
    words = []
    for _ in range(int(rng.integers(1, MOST + 1))):
        if len(part):
            part, what = spoiled(part, rng)
            words.append(what)
    said = analyse(installation, part, start, end).findings
    return [finding for finding in said if finding.kind == "not judged"], words


def main() -> None:
    """Print what broke off."""
    parser = options(__doc__)
    parser.add_argument("garden", choices=sorted(GARDENS))
    given = parser.parse_args()
    installation, known = GARDENS[given.garden](0)
    tell(given, lambda number: trial(installation, known, number))


if __name__ == "__main__":
    main()
