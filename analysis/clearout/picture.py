"""A run's clear-out as a picture: what the far cell read, the water under it, the step, the threshold, the curve."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.clearout.curve import Seen, far_curve
from analysis.clearout.estimate import best, far_cells
from analysis.clearout.times import ClearOut, NotCarriedError
from analysis.pipeline import run_view
from analysis.prepare import prepare
from analysis.runs.windows import LEAD, TAIL

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.pipeline import Reader
    from analysis.results import Run
    from analysis.view import RunView
    from ingest.installation import Installation

    Array = NDArray[np.float64]

DRAWN_TO = 0.005
"""Share of the step at which the curve ends: what is left then is thinner than a line. [-] Computed."""


@dataclass(frozen=True, slots=True)
class Picture:
    """What the clear-out time of one run was read from.

    Attributes
    ----------
    sensor : str
        The far cell.
    times, ec, water : ndarray
        Of its readings while water flowed [s since 1970, UTC]; what it read, and what the source water alone
        would read there. [mS/cm at 25 °C]
    began, ended : float
        The injection at the injector. [s since 1970, UTC]
    plateau, threshold : float
        EC that the whole step, and the share that counts as clear, would read on the water at the end of the
        injection. [mS/cm at 25 °C]
    level : float
        That share. [-]
    curve_times, curve_ec : ndarray
        The falling curve that crosses the threshold; empty where none does. [s since 1970, UTC], [mS/cm at 25 °C]
    method : str
        How the curve was found; empty where there is none.
    reason : str
        Why there is no curve; empty where there is one.
    """

    sensor: str
    times: Array
    ec: Array
    water: Array
    began: float
    ended: float
    plateau: float
    threshold: float
    level: float
    curve_times: Array
    curve_ec: Array
    method: str
    reason: str


def picture(installation: Installation, read: Reader, run: Run) -> Picture | str:
    """Return what the clear-out time of one run was read from.

    Parameters
    ----------
    installation : Installation
        The system.
    read : callable
        Returns the readings between two instants, as the pipeline asks for them.
    run : Run
        One of the runs that an analysis found.

    Returns
    -------
    Picture or str
        Why there is none, in words.
    """
    ready = prepare(installation, read(run.start - LEAD, run.end + TAIL))
    return picture_of(run_view(installation, ready, run))


def picture_of(view: RunView) -> Picture | str:
    """Return the picture of a run whose readings are at hand; as `picture`."""
    if view.run.injection is None:
        return "no stock went in, so there is nothing to clear out"
    reason = "no EC cell after the injector has readings in this run"
    for name in far_cells(view)[0]:
        try:
            seen = far_curve(view, name)
        except NotCarriedError as problem:
            reason = str(problem)
            continue
        try:
            return _drawn(seen, view.zone.clear_share, best(seen, view.zone.clear_share), "")
        except NotCarriedError as problem:
            return _drawn(seen, view.zone.clear_share, None, str(problem))
    return reason


def _drawn(seen: Seen, level: float, found: ClearOut | None, reason: str) -> Picture:
    """Return the picture in EC and in time."""
    ended = seen.began_s + seen.far.injection_s
    times = seen.began_s + seen.far.seconds

    def reading(at: Array | float, share: Array | float) -> Array:
        return np.asarray(np.interp(at, times, seen.water) + np.interp(share, *seen.rises), float)

    after, shares = (
        found.curve if found is not None and found.curve is not None else (np.empty(0), np.empty(0))
    )
    kept = slice(0, int(np.flatnonzero(shares > DRAWN_TO)[-1]) + 2 if (shares > DRAWN_TO).any() else 0)
    curve_times = ended + after[kept]
    return Picture(
        sensor=seen.sensors[0],
        times=times,
        ec=seen.ec,
        water=seen.water,
        began=seen.began_s,
        ended=ended,
        plateau=float(reading(ended, 1.0)),
        threshold=float(reading(ended, level)),
        level=level,
        curve_times=curve_times,
        curve_ec=reading(curve_times, shares[kept]),
        method=found.method if found is not None else "",
        reason=reason,
    )
