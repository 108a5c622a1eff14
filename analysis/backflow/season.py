"""Slow leak-back through a check valve, seen over many runs: the source cell reads high in water that stood."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.backflow.detect import LATER
from analysis.diagnosis.features import REST_EC
from analysis.results import Finding

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd
    from numpy.typing import NDArray

    from analysis.results import Feature
    from analysis.view import SeasonView

    Array = NDArray[np.float64]

LEARN_RUNS = 12
"""Runs that tell what standing water does to a sound system's cell: warming, settling. No source."""

LEAST_EXCESS = 0.02
"""Least excess over what the first runs showed. [mS/cm] Prototype: about 0.025 mS/cm, 1 to 2 % of the step of a
1:100 injection, can be told from the drift of a cell; within one run the cell does not drift."""

SURE = 6.0
"""Scatters of the first runs by which standing water must read high. [-] No source."""

IN_A_ROW = 3
"""Runs in a row. No source."""

OBVIOUS = 0.3
"""Excess that is told without first runs to compare with. [mS/cm] No source."""


def slow_leak_back(season: SeasonView) -> Sequence[Finding]:
    """Find stock that leaks back towards the source while nothing flows.

    Parameters
    ----------
    season : SeasonView
        The season.

    Returns
    -------
    list of Finding
        ``backflow``, to watch: EC alone proves nothing, though a new supply water would also show while water
        runs, and this does not.
    """
    names = sorted({f.sensors[0] for f in season.features if f.name == REST_EC})
    found = []
    for name in names:
        mine = sorted(
            (f for f in season.features if f.name == REST_EC and f.sensors[0] == name), key=lambda f: f.at
        )
        found += _of_cell(name, mine)
    return found


def _of_cell(name: str, features: list[Feature]) -> list[Finding]:
    """Return the finding of one source cell."""
    values = np.array([f.value for f in features])
    if values.size < IN_A_ROW:
        return []
    first = values[:LEARN_RUNS]
    usual, scatter = float(np.median(first)), _spread(first)
    limit = usual + max(LEAST_EXCESS, SURE * scatter)
    learned = np.arange(values.size) >= LEARN_RUNS
    high = (values > OBVIOUS) | (learned & (values > limit))
    start, stop = _longest(high)
    if stop - start < IN_A_ROW:
        return []
    return [
        _finding(name, features[start].at, features[stop - 1].at, float(np.median(values[start:stop])), usual)
    ]


def _spread(values: Array) -> float:
    return float(1.4826 * np.median(np.abs(values - np.median(values))))


def _longest(high: NDArray[np.bool_]) -> tuple[int, int]:
    """Return the longest stretch in a row; of equals, the last."""
    best, start = (0, 0), None
    for i, on in enumerate([*high.tolist(), False]):
        if on and start is None:
            start = i
        elif not on and start is not None:
            best = (start, i) if i - start >= best[1] - best[0] else best
            start = None
    return best


def _finding(name: str, start: pd.Timestamp, end: pd.Timestamp, size: float, usual: float) -> Finding:
    return Finding(
        kind="backflow",
        zone=None,
        sensor=name,
        start=start,
        end=end,
        severity="watch",
        value=size - usual,
        unit="mS/cm",
        evidence=(
            f"stock may seep back while the system stands: before runs, the water that stood at {name}, upstream of the "
            f"injector, read {size:.3f} mS/cm more than the same water once it ran (usual: {usual:.3f}); a change of "
            "supply water would show in both. How sure: EC alone tells it, so it is a suspicion"
        ),
        likely_causes=(
            "a check valve at or before the injector that leaks slowly while the system stands",
            "the injection line's check valve: stock that seeps in at rest",
            "a cell in a dead end, where salts settle or the sun warms it",
        ),
        advice=(
            "Close the suction line's valve after each run and see whether it stops; if it does, replace the injection "
            "check valve. If not, have the check valve and the preventer tested by a licensed tester; local codes say "
            f"how soon. Do not drink from the line meanwhile. {LATER}"
        ),
    )
