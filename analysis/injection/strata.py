"""The injection fraction piece by piece through one injection: a ratio that sags while its mean looks right."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.injection.ec import conductivity, over
from analysis.injection.flow import inner, meters
from analysis.injection.fraction import CELLS
from analysis.injection.signal import Signal, signal
from analysis.injection.ways import Way
from analysis.results import Finding, Interval
from analysis.uncertainty import Uncertain, linear

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from analysis.view import RunView

PIECES = 5
"""An injection is told in this many pieces."""

SHORTEST_S = 120.0
"""Shorter pieces are not made. [s] No source."""

SURE = 3.0
"""The change must be this many standard uncertainties, random terms alone. Computed: 0.3 % false by noise."""

LEAST_CHANGE = 0.05
"""Smaller changes are not told where the injector states no tolerance. [-] Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Strata:
    """ln f piece by piece, by one way.

    Attributes
    ----------
    name : str
        The way.
    sensor : str
        Its first sensor.
    pieces : tuple of Interval
        When. [UTC]
    logs : tuple of Uncertain
        ln f of each piece. [-]
    """

    name: str
    sensor: str
    pieces: tuple[Interval, ...]
    logs: tuple[Uncertain, ...]

    @property
    def change(self) -> Uncertain:
        """Change of ln f from the first piece to the last, by a straight line through all of them. [-]

        What all pieces share, such as a meter's gain, falls out.
        """
        x = np.linspace(-0.5, 0.5, len(self.logs))
        weights = x / float(x @ x)
        return linear(weights.tolist(), self.logs)


def strata(view: RunView) -> list[Strata]:
    """Return the fraction piece by piece, by EC and by the meters where they can tell.

    Parameters
    ----------
    view : RunView
        One run with its injection.

    Returns
    -------
    list of Strata
        Those with all pieces.
    """
    found = []
    for name in view.sensors("conductivity", *CELLS):
        seen, whole = signal(view, name), conductivity(view, name)
        if isinstance(seen, Signal) and isinstance(whole, Way):
            pieces = _pieces(whole.window)
            found += _told([over(view, seen, piece) for piece in pieces], pieces)
            break
    window = inner(view)
    if window is not None:
        pieces = _pieces(window)
        found += _told([meters(view, window=piece) for piece in pieces], pieces)
    return found


def _pieces(window: Interval) -> tuple[Interval, ...]:
    """Cut a window into equal pieces, fewer where they would be too short."""
    length = (window.end - window.start).total_seconds()
    count = max(1, min(PIECES, int(length // SHORTEST_S)))
    step = (window.end - window.start) / count
    return tuple(Interval(window.start + i * step, window.start + (i + 1) * step) for i in range(count))


def _told(answers: Sequence[object], pieces: tuple[Interval, ...]) -> list[Strata]:
    """Return the strata of one way, if every piece has an answer and there are at least three."""
    ways = [answer for answer in answers if isinstance(answer, Way)]
    if len(ways) < len(answers) or len(ways) < 3:  # noqa: PLR2004 - a trend and something to judge it by
        return []
    return [Strata(ways[0].name, ways[0].sensors[0], pieces, tuple(way.log for way in ways))]


def sagging(view: RunView) -> list[Finding]:
    """Find a ratio that drifts through the injection.

    Parameters
    ----------
    view : RunView
        One run.

    Returns
    -------
    list of Finding
        One ``injection off target`` where the fraction changes from the first piece to the last by more than
        the injector's tolerance and three standard uncertainties. Never for a displacement tank, whose
        strength must fall.
    """
    injector = view.injector
    if injector is None or injector.kind == "displacement tank" or view.run.injection is None:
        return []
    told = strata(view)
    tolerance = injector.ratio_tolerance or LEAST_CHANGE
    moved = [one for one in told if _moves(one, tolerance)]
    if not moved or view.run.injection is None:
        return []
    still = [one for one in told if one not in moved]
    return [_finding(view, moved, still, view.run.injection.start, view.run.injection.end)]


def _moves(one: Strata, tolerance: float) -> bool:
    """Return whether a way's fraction changes beyond tolerance and noise."""
    change = one.change
    return abs(change.value) > max(math.log1p(tolerance), SURE * change.part(random=True))


def _finding(
    view: RunView, moved: Sequence[Strata], still: Sequence[Strata], start: pd.Timestamp, end: pd.Timestamp
) -> Finding:
    """Return the finding of a drifting ratio."""
    first, change = moved[0], math.expm1(moved[0].change.value)
    pieces = ", ".join(f"1:{math.exp(-log.value):.0f}" for log in first.logs)
    also = "".join(f"; {one.name} steady" for one in still) + "".join(
        f"; {one.name} too" for one in moved[1:]
    )
    mean = float(np.mean([math.exp(log.value) for log in first.logs]))
    by_ec_alone = first.name == "EC" and bool(still)
    causes = (
        (
            "the stock tank is layered: stir it",
            "the stock changed during the run",
            "the source water changed unseen",
        )
        if by_ec_alone
        else (
            "the stock runs low or air enters the suction line",
            "a strainer that plugs",
            "pressure or flow that drifts out of the injector's range",
        )
    )
    return Finding(
        "injection off target",
        view.run.zone,
        first.sensor,
        start,
        end,
        "watch",
        change,
        "1",
        f"by {first.name} the ratio went {pieces} through the injection, {change:+.1%}, while its mean is "
        f"1:{1 / mean:.0f}{also}",
        causes,
        "Look at the stock tank and the suction line while it injects; compare the first and the last minutes.",
    )
