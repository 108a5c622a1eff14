"""Spoil what runs leave for the season, and look whether any step over the season breaks off.

``python -m fuzz.seasons 1000`` spoils a season a thousand times, from a different place each time with ``--from``.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.season import conclude
from benchmarks.healthy import told
from benchmarks.season_views import START
from fuzz.spoil import CHANGES, options, tell

if TYPE_CHECKING:
    import pandas as pd

    from analysis.results import Feature, Finding
    from analysis.said import StretchSaid
    from ingest.installation import Installation

DAYS = np.arange(70.0)
"""Days of the season, one run each."""

MOST = 6
"""Things spoiled in one season, at most."""

Season = tuple["Installation", "list[StretchSaid]", "pd.Timestamp"]


def season() -> Season:
    """Return a sound season."""
    return told(1, DAYS)


def trial(sound: Season, number: int) -> tuple[list[Finding], list[str]]:
    """Spoil a season and judge it.

    Parameters
    ----------
    sound : tuple
        As `season` returns it.
    number : int
        Which trial; the same number spoils the same.

    Returns
    -------
    list of Finding, list of str
        Steps that broke off, and what was spoiled.
    """
    rng = np.random.default_rng(number)
    installation, said, end = sound
    said = list(said[: int(rng.integers(1, len(said) + 1))])
    words = []
    for _ in range(int(rng.integers(1, MOST + 1))):
        keys = sorted({(f.name, f.sensors) for part in said for f in part.features})
        if not keys:
            break
        key = keys[int(rng.integers(len(keys)))]
        first, last = np.sort(rng.integers(0, len(said), 2)) if rng.random() < 0.7 else (0, len(said) - 1)
        what = str(rng.choice([*CHANGES, "gone", "twice", "uncertain"]))
        said[first : last + 1] = spoiled(said[first : last + 1], key, what, rng)
        words.append(f"{key[0]} of {', '.join(key[1])} {what}")
    if rng.random() < 0.2:
        said = [replace(part, estimates=()) if rng.random() < 0.5 else part for part in said]
        words.append("estimates gone")
    findings = conclude(
        installation, START, end, said, tuple(e for part in said for e in part.estimates)
    ).findings
    return [f for f in findings if f.kind == "not judged"], words


def spoiled(
    said: list[StretchSaid], key: tuple[str, tuple[str, ...]], what: str, rng: np.random.Generator
) -> list[StretchSaid]:
    """Return some days with one feature spoiled."""
    mine = [f for part in said for f in part.features if (f.name, f.sensors) == key]
    if not mine:
        return said
    new: list[list[Feature]]
    if what in CHANGES:
        values = CHANGES[what](np.array([f.value for f in mine]), rng)
        new = [[replace(f, value=float(v))] for f, v in zip(mine, values, strict=True)]
    elif what == "uncertain":
        new = [[replace(f, deviation=f.deviation * 1e4)] for f in mine]
    else:
        new = [[] if what == "gone" else [f, f] for f in mine]
    changed = dict(zip(map(id, mine), new, strict=True))
    return [
        replace(part, features=tuple(n for f in part.features for n in changed.get(id(f), [f])))
        for part in said
    ]


def main() -> None:
    """Print what broke off."""
    parser = options(__doc__)
    given = parser.parse_args()
    sound = season()
    tell(given, lambda number: trial(sound, number))


if __name__ == "__main__":
    main()
