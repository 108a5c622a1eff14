"""The clear-out time of a run, and whether the run flushed long enough."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.clearout.curve import Seen, far_curve
from analysis.clearout.edges import NEAR_POINTS
from analysis.clearout.fit import fitted
from analysis.clearout.pipes import predicted
from analysis.clearout.superpose import superposed
from analysis.clearout.times import ClearOut, NotCarriedError, observed
from analysis.clearout.washout import washout
from analysis.hydraulics.travel_estimate import pipe_travel
from analysis.results import ESTIMATE_UNITS, Estimate, Finding, refused
from analysis.samples import is_spot
from analysis.uncertainty import COVERAGE_FACTOR

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.view import RunView

QUANTITY = "clear-out time"

METHOD = "EC at the far point"

FAR_POINTS = ("lateral end", "zone")
"""Where a zone's clear-out can be seen, the farthest first; a cell at the head only where it is alone."""

CLOCK_U = 1.5
"""Standard uncertainty of a device's clock. [s] Assumed: devices on network time; no source."""

SILENT_S = 120.0
"""A far cell whose readings end this long before the water stops was lifted out or failed: then the next
nearer cell is asked too. [s] No source."""

STEEPEST = 0.8
"""Largest response time, as a share of the tail's own fall, at which the delay is still worked out. [-] Beyond
it the cell, not the pipes, makes the tail."""

LEAST_MISSING_S = 30.0
"""Shortest missing time of flush that is worth a word. [s] No source."""

MUCH_LEFT = 0.5
"""Share of the step left at the far point when the water stopped, from which a short flush asks for action:
the last emitters then still deliver feed. [-] No source."""


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
        ``short flush`` where the water stopped too early. Where the farthest cell fell silent before the
        run ended, the next nearer one is told too. Where the time from the end of the injection cannot be told
        because nothing near the injector saw that end, what each cell's own fall tells stands in its place.
    """
    if view.run.injection is None:
        return []
    names, far = far_cells(view)
    if not far and view.zone.laterals is not None:
        return _from_pipes(view)
    said: list[Estimate | Finding] = []
    for name in names:
        told, silent_s = _at(view, name)
        said += told
        if silent_s < SILENT_S:
            break
    if any(isinstance(one, Estimate) and one.status == "refused" for one in said):
        own = washout(view)
        told = [one for one in said if not (isinstance(one, Estimate) and one.status == "refused")]
        said = [*told, *own] if own else said
    return said or [refused(QUANTITY, METHOD, "no EC sensor after the injector has readings in this run")]


def far_cells(view: RunView) -> tuple[list[str], bool]:
    """Return the cells that may tell a run's clear-out, the farthest first, and whether they stand in the zone."""
    far = [n for n in view.sensors("conductivity", *FAR_POINTS) if not is_spot(view.installation.sensor[n])]
    near = [n for n in view.sensors("conductivity", *NEAR_POINTS) if not is_spot(view.installation.sensor[n])]
    return far or near[::-1], bool(far)


def _at(view: RunView, name: str) -> tuple[list[Estimate | Finding], float]:
    """Return what one far cell tells, and how long before the end of the run it fell silent. [s]"""
    level = view.zone.clear_share
    silent_s = (view.run.end - view.series[name].loc[: view.run.end].index.max()).total_seconds()
    try:
        seen = far_curve(view, name)
        found = best(seen, level)
    except NotCarriedError as reason:
        return [refused(QUANTITY, METHOD, str(reason), (name,))], silent_s
    estimate = _estimate(seen, found, level)
    short = _short_flush(view, estimate, seen) if found.method != "observed" else None
    return [estimate, *([short] if short else [])], seen.silent_s


def best(seen: Seen, level: float) -> ClearOut:
    """Return the clear-out as observed, or else superposed, or else from a curve that fits.

    Raises
    ------
    NotCarriedError
        If the readings carry none of them.
    """
    try:
        return observed(seen.far, level)
    except NotCarriedError:
        pass
    try:
        return superposed(seen.far, level)
    except NotCarriedError as reason:
        try:
            return fitted(seen.far, level, noise=seen.noise)
        except NotCarriedError:
            raise reason from None


def lag_delay(lag: tuple[float, float], fall_s: float) -> tuple[float, float]:
    """Return how much later a slow cell shows the end of a tail, and its standard uncertainty. [s]

    Parameters
    ----------
    lag : tuple of float
        Limits of the cell's response time, taken as equally likely in between. [s]
    fall_s : float
        Time in which the tail falls to 1/e. [s]

    Returns
    -------
    delay, delay_u : float
        A first-order cell of response time r shows exp(-t/T) later by -T ln(1 - r/T): r for a slow tail,
        more for a steep one. [s]

    References
    ----------
    First principles: the answer of a first-order system to an exponential.

    Examples
    --------
    >>> [round(x, 2) for x in lag_delay((3.0, 12.0), 1e6)]
    [7.5, 2.6]
    """
    response = np.linspace(lag[0], lag[1], 201)
    delays = -fall_s * np.log1p(-np.minimum(response / fall_s, STEEPEST))
    middle = (
        float(np.trapezoid(delays, response) / max(lag[1] - lag[0], 1e-9))
        if lag[1] > lag[0]
        else float(delays[0])
    )
    return middle, float(np.std(delays))


def _terms(seen: Seen, found: ClearOut, level: float, lag_u: float) -> dict[str, float]:
    """Return all terms of the standard uncertainty. [s]"""
    from_end = found.method == "observed"
    bend = abs(float(np.log(level))) if seen.linear else 1.0
    curve_u = seen.dilution_u * bend if from_end else seen.slope_u
    return {
        **found.terms,
        "EC taken as concentration" if seen.linear else "dilution curve": curve_u * level / found.slope,
        "response time of the far sensor": lag_u,
        f"{'end' if from_end else 'start'} of the injection": seen.end_u if from_end else seen.start_u,
        "clocks": CLOCK_U * float(np.sqrt(2.0)),
    }


def _estimate(seen: Seen, found: ClearOut, level: float) -> Estimate:
    """Return the estimate with the far sensor's lag taken off and its interval."""
    lag_s, lag_u = lag_delay(seen.lag, level / found.slope)
    terms = _terms(seen, found, level, lag_u)
    total = sum(u * u for u in terms.values())
    half = COVERAGE_FACTOR * float(np.sqrt(total))
    value = max(found.seconds - lag_s, 0.0)
    scale = "EC, taken as concentration," if seen.linear else "concentration"
    method = (
        f"{found.method}: excess {scale} at {seen.sensors[0]} down to {100 * level:.3g} % of the step; "
        f"{seen.how}; {lag_s:.1f} s for its response time of {seen.lag[0]:g} to {seen.lag[1]:g} s taken off"
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


def _from_pipes(view: RunView) -> list[Estimate | Finding]:
    """Return the predicted clear-out for a zone without a far cell."""
    level, method = view.zone.clear_share, "predicted from the pipes, since no EC cell stands in the zone"
    try:
        pipes = pipe_travel(view)
    except ValueError as problem:
        return [refused(QUANTITY, method, str(problem))]
    found = predicted(pipes, level)
    words = (
        f"{method}: down to {100 * level:.3g} % of the step at the last emitter; travel time "
        f"{pipes.times.last:.0f} s, of it {100 * found.laminar:.0f} % in laminar flow; bounds: plug flow, and "
        f"laminar flow that nothing stirs; {pipes.how}"
    )
    estimate = Estimate(
        QUANTITY,
        None,
        None,
        found.seconds,
        ESTIMATE_UNITS[QUANTITY],
        found.low,
        found.high,
        words,
        pipes.sensors,
        budget={"mixing in the laterals": 1.0},
    )
    short = _short_flush(view, estimate, None)
    return [estimate, *([short] if short else [])]


def _short_flush(view: RunView, estimate: Estimate, seen: Seen | None) -> Finding | None:
    """Return the finding that the water surely stopped before the far point was clean, or None."""
    injection = view.run.injection
    if injection is None or estimate.value is None or estimate.low is None or not view.run.complete:
        return None
    flushed = seen.flushed_s if seen else (view.run.end - injection.end).total_seconds()
    missing = estimate.value - flushed
    if estimate.low <= flushed or missing < LEAST_MISSING_S:
        return None
    left = float(np.median(seen.far.share[-5:])) if seen else None
    where = f"; {100 * left:.0f} % of the step was left there when the water stopped" if left else ""
    return Finding(
        kind="short flush",
        zone=view.run.zone,
        sensor=estimate.sensors[0] if seen else None,
        start=injection.end,
        end=view.run.end,
        severity="act" if left is not None and left >= MUCH_LEFT else "watch",
        value=missing,
        unit="s",
        evidence=(
            f"clean water ran for {max(flushed, 0.0) / 60:.1f} min after the injection; the far point needs "
            f"{estimate.value / 60:.1f} min ({estimate.low / 60:.1f} to {(estimate.high or 0.0) / 60:.1f}) to "
            f"fall to {100 * view.zone.clear_share:.3g} % of the step{where}"
        ),
        likely_causes=(
            "the injection began too late in the run",
            "the run was cut short",
            "the flow was lower than planned, so that the same minutes flush less",
        ),
        advice=(
            f"Run clean water at least {np.ceil(missing / 60):.0f} min longer, or start the injection that much "
            "earlier. Feed left in the lines reaches the next crop or run, and feeds slime in the laterals."
        ),
    )
