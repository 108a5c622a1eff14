"""The clear-out time of a run, and whether the run flushed long enough."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.clearout import ClearOut, NotCarriedError, observed
from analysis.clearout_curve import Seen, far_curve
from analysis.clearout_edges import NEAR_POINTS
from analysis.clearout_superpose import superposed
from analysis.results import ESTIMATE_UNITS, Estimate, Finding, refused
from analysis.uncertainty import COVERAGE_FACTOR

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.view import RunView

QUANTITY = "clear-out time"

FAR_POINTS = ("lateral end", "zone")
"""Where a zone's clear-out can be seen, the farthest first; a cell at the head only where it is alone."""

CLOCK_U = 1.5
"""Standard uncertainty of a device's clock. [s] Assumed: devices on network time; no source."""


def clear_out(view: RunView) -> Sequence[Estimate | Finding]:
    """Estimate how long after its injection a run's far point ran clean.

    Parameters
    ----------
    view : RunView
        The run.

    Returns
    -------
    list of Estimate or Finding
        Nothing for a run without injection; else the estimate, or its refusal, and the finding
        ``short flush`` where the water stopped too early.
    """
    if view.run.injection is None:
        return []
    sensors = view.sensors("conductivity", *FAR_POINTS) or view.sensors("conductivity", *NEAR_POINTS[::-1])
    if not sensors:
        return [refused(QUANTITY, "EC at the far point", "no EC sensor after the injector has readings")]
    try:
        seen = far_curve(view, sensors[0])
        found = _best(seen, view.zone.clear_share)
    except NotCarriedError as reason:
        return [refused(QUANTITY, "EC at the far point", str(reason), (sensors[0],))]
    estimate = _estimate(seen, found, view.zone.clear_share)
    flushed = (view.run.end - view.run.injection.end).total_seconds()
    if found.seconds <= flushed or not view.run.complete:
        return [estimate]
    return [estimate, _short_flush(view, estimate, flushed)]


def _best(seen: Seen, level: float) -> ClearOut:
    """Return the clear-out as observed, or else superposed."""
    try:
        return observed(seen.far, level)
    except NotCarriedError:
        return superposed(seen.far, level)


def _estimate(seen: Seen, found: ClearOut, level: float) -> Estimate:
    """Return the estimate with the far sensor's lag taken off and its interval."""
    edge = "start" if found.method == "superposed" else "end"
    terms = {
        **found.terms,
        "response time of the far sensor": seen.lag_u,
        f"{edge} of the injection": seen.start_u if edge == "start" else seen.end_u,
        "clocks": CLOCK_U * float(np.sqrt(2.0)),
    }
    total = sum(u * u for u in terms.values())
    half = COVERAGE_FACTOR * float(np.sqrt(total))
    value = found.seconds - seen.lag_s
    scale = "EC, taken as concentration," if seen.linear else "concentration"
    method = (
        f"{found.method}: excess {scale} at {seen.sensors[0]} down to {100 * level:.3g} % of the step; "
        f"{seen.how}; response time {seen.lag_s:.3g} s taken off"
    )
    return Estimate(
        QUANTITY,
        None,
        None,
        value,
        ESTIMATE_UNITS[QUANTITY],
        max(value - half, 0.0),
        value + half,
        method,
        seen.sensors,
        budget={name: u * u / total for name, u in terms.items()} if total else {},
    )


def _short_flush(view: RunView, estimate: Estimate, flushed: float) -> Finding:
    """Return the finding that the water stopped before the far point was clean."""
    value = estimate.value or 0.0
    missing = value - flushed
    return Finding(
        kind="short flush",
        zone=view.run.zone,
        sensor=estimate.sensors[0],
        start=view.run.injection.end if view.run.injection else view.run.start,
        end=view.run.end,
        severity="watch",
        value=missing,
        unit="s",
        evidence=(
            f"water ran for {flushed / 60:.1f} min after the injection; the far point needs "
            f"{value / 60:.1f} min to fall to {100 * view.zone.clear_share:.3g} % of the step"
        ),
        likely_causes=("the injection began too late in the run", "the run was cut short"),
        advice=(
            f"Let clean water run {np.ceil(missing / 60):.0f} min longer, or start the injection that much "
            "earlier, so that no feed is left in the lines between runs."
        ),
    )
