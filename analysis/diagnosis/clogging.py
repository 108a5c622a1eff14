"""How much emitter flow is lost, how fast it goes on, when it will matter, and whether the last service helped."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import norm

from analysis.diagnosis.baseline_line import CORRELATION, lonely
from analysis.diagnosis.decide import masked
from analysis.diagnosis.fitting import fitted
from analysis.diagnosis.loss_line import LEVEL_WALK, Known, loss_line, rate_walk
from analysis.diagnosis.table import day_after
from analysis.service import EMITTER_SERVICES, NEW_EMITTERS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analysis.diagnosis.loss_line import LossLine
    from analysis.diagnosis.study import Study
    from analysis.service import Service

    Array = NDArray[np.float64]

LIMITS = (0.05, 0.10)
"""Losses of flow at which people act. [-] Common extension practice: 5 to 10 %, from memory."""

FARTHEST = 730.0
"""Days that a forecast looks ahead. [d] No source."""

BESIDE_SERVICE = 10
"""Most days before and after a service that are compared. No source."""

FEWEST_BESIDE = 3
"""Fewest days before and after a service for a comparison. No source."""

LEAST_LEVEL = -0.999
"""A line through flows that falls below this is held there: more than all cannot be lost. [-] No source."""

Z = 1.959963984540054
"""Half width of a 95 % interval in standard uncertainties."""


@dataclass(frozen=True, slots=True)
class Loss:
    """Emitter flow lost since the emitters were new, at the last day.

    Attributes
    ----------
    value, low, high : float
        Share of the flow, and its 95 % interval. [-]
    rate : float
        Growth. [1/d]
    deviation : float
        Standard uncertainty of `value`. [-]
    line : LossLine
        The change of the flow since the emitters were new.
    fixed : float
        Variance of the log flow that no averaging takes away: what drifts in the sensors. [-]
    day : float
        The last day. [d since 1970]
    """

    value: float
    low: float
    high: float
    rate: float
    deviation: float
    line: LossLine
    fixed: float
    day: float


@dataclass(frozen=True, slots=True)
class Forecast:
    """When a zone crosses a limit.

    Attributes
    ----------
    limit : float
        Share of flow lost. [-]
    day, low, high : float
        Days from now, and the 95 % interval; infinite where it may never come. [d]
    """

    limit: float
    day: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Effect:
    """What a service did to the emitters' flow.

    Attributes
    ----------
    service : Service
        The entry.
    change, low, high : float
        Change of the flow coefficient, and its 95 % interval. [-]
    p : float
        Two-sided probability of as much by chance.
    before, after : int
        Days compared.
    """

    service: Service
    change: float
    low: float
    high: float
    p: float
    before: int
    after: int


def since_new(one: Study, services: Sequence[Service]) -> LossLine:
    """Return the change of a zone's flow coefficient since its emitters were new, at the last day.

    Parameters
    ----------
    one : Study
        The zone; its first relation must be the flow's.
    services : sequence of Service
        What people did.

    Returns
    -------
    LossLine
        Level and rate, at the baseline's temperature.
    """
    flow, size = one.series[:, 0], one.table.days.size
    mine = [s for s in services if s.zone in (None, one.zone)]
    start = max((day_after(one.table, s.time) for s in mine if s.kind in NEW_EMITTERS), default=0)
    sound = ~lonely(flow, one.slow.scatter[:, 0, 0], one.restarts[:, 0])
    values = np.where((np.arange(size) >= start) & sound, flow, np.nan)
    served, calibrated = np.zeros((2, size), dtype=bool)
    for service in mine:
        place = day_after(one.table, service.time)
        if start < place < size:
            served[place] |= service.kind in EMITTER_SERVICES
            touched = service.kind.startswith("sensor ") and service.sensor in one.found[0].sensors
            calibrated[place] |= touched
    coefficient = (float(one.usual.beta[0]), float(one.usual.beta_sd[0]))
    noise = float(one.slow.scatter[-1, 0, 0])
    return loss_line(values, one.table.days, Known(one.slow.warmth, coefficient, noise, served, calibrated))


def loss_now(one: Study, services: Sequence[Service] = (), also: Sequence[int] = ()) -> Loss | None:
    """Estimate the emitter flow lost since the emitters were new.

    Parameters
    ----------
    one : Study
        The zone.
    services : sequence of Service
        What people did.
    also : sequence of int
        Other faults that are there and whose sizes are fitted beside it.

    Returns
    -------
    Loss or None
        None where the flow relation has no baseline yet.
    """
    clogging = next((i for i, f in enumerate(one.faults) if f.kind == "emitter clogging"), None)
    if clogging is None or one.found[0].kind != "flow" or not one.slow.ready[-1, 0]:
        return None
    seen, known = _at_rest(one)
    line = since_new(one, services)
    line = replace(line, level=max((1.0 + line.level) * float(np.exp(-seen)) - 1.0, LEAST_LEVEL))
    fitted_too = float(one.slow.beta_variance[-1, 0] * one.slow.warmer[-1, 0] ** 2)
    fixed = float(one.slow.drift[-1, 0, 0]) - fitted_too - known
    size, sd = _size(one, line, fixed, [clogging, *(a for a in also if a != clogging)])
    low, value, high = (float(-np.expm1(-x)) for x in (size - Z * sd, size, size + Z * sd))
    day = float(one.table.days[-1])
    return Loss(value, low, high, -line.slope, sd * (1.0 - value), line, fixed, day)


def _at_rest(one: Study) -> tuple[float, float]:
    """Return what a drained line shows of its sensor's zero, as the flow relation feels it, and its variance."""
    rests = [i for i, r in enumerate(one.found) if r.kind == "rest" and one.slow.ready[-1, i]]
    shared = one.slow.drift[-1][0, rests]
    if not rests or not np.abs(shared).max() > 0.0:
        return 0.0, 0.0
    gain = np.linalg.solve(one.slow.covariance[-1][np.ix_(rests, rests)], shared)
    return float(gain @ one.slow.shift[-1, rests]), float(gain @ shared)


def _size(one: Study, line: LossLine, fixed: float, members: list[int]) -> tuple[float, float]:
    """Return the log loss and its standard uncertainty, other faults that are there fitted beside it.

    Alone, the flow relation says it best; beside other faults the other relations must say what is theirs.
    """
    level = float(np.log1p(line.level))
    variance = float(line.covariance[0, 0]) * float(np.exp(-2.0 * level)) + fixed
    if len(members) == 1:
        felt = -float(one.faults[members[0]].signature[0])
        return -level / felt, float(np.sqrt(variance)) / felt
    shift, covariance = (x[-1].copy() for x in masked(one.slow.shift, one.slow.covariance, one.slow.ready))
    shift[0] = level
    scale = np.ones(shift.size)
    scale[0] = np.sqrt(variance / covariance[0, 0])
    free = fitted(shift, covariance * np.outer(scale, scale), [one.faults[i] for i in members], signed=False)
    return float(free.size[0]), float(np.sqrt(free.covariance[0, 0]))


def forecast(loss: Loss, limit: float) -> Forecast | None:
    """Forecast when a loss crosses a limit, if it goes on as it does now.

    Parameters
    ----------
    loss : Loss
        Loss and rate now.
    limit : float
        Share of flow lost. [-]

    Returns
    -------
    Forecast or None
        None where the loss does not grow beyond doubt. The interval holds the uncertainty of level, rate
        and drift, and that the rate may change; where loss has crossed already, the day is nought.
    """
    line = loss.line
    slope_sd = float(np.sqrt(line.covariance[1, 1]))
    if line.slope > -Z * slope_sd:
        return None
    ahead = np.linspace(0.0, FARTHEST, int(2 * FARTHEST) + 1)
    level = line.level + line.slope * ahead
    c = line.covariance
    variance = c[0, 0] + loss.fixed * (1.0 + line.level) ** 2 + 2.0 * ahead * c[0, 1] + ahead**2 * c[1, 1]
    variance = variance + LEVEL_WALK * ahead + float(rate_walk(line.slope)) * ahead**3 / 3.0
    crossed = norm.cdf((-limit - level) / np.sqrt(variance))
    crossed = np.maximum.accumulate(crossed)

    def when(probability: float) -> float:
        place = int(np.searchsorted(crossed, probability))
        return float(ahead[place]) if place < ahead.size else float("inf")

    return Forecast(limit, when(0.5), when(0.025), when(0.975))


def service_effect(one: Study, services: Sequence[Service]) -> Effect | None:
    """Test what the last service of the emitters did to their flow.

    Parameters
    ----------
    one : Study
        The zone; its first relation must be the flow's.
    services : sequence of Service
        What people did.

    Returns
    -------
    Effect or None
        None without such a service, or with too few days beside it.
    """
    mine = [s for s in services if s.kind in EMITTER_SERVICES and s.zone in (None, one.zone)]
    if not mine or one.found[0].kind != "flow":
        return None
    last = max(mine, key=lambda s: s.time)
    place = day_after(one.table, last.time)
    values = one.series[:, 0] - float(one.slow.beta[-1, 0]) * one.slow.warmth
    before, after = _beside(values, place)
    if min(before.size, after.size) < FEWEST_BESIDE:
        return None
    change = float(after.mean() - before.mean())
    sd = float(np.sqrt(_variance(one) * (1.0 / before.size + 1.0 / after.size)))
    low, middle, high = (float(np.expm1(x)) for x in (change - Z * sd, change, change + Z * sd))
    p = float(2.0 * norm.sf(abs(change) / sd))
    return Effect(last, middle, low, high, p, int(before.size), int(after.size))


def _beside(values: Array, place: int) -> tuple[Array, Array]:
    """Return the finite values just before and just after a place."""
    before, after = values[:place], values[place:]
    return before[np.isfinite(before)][-BESIDE_SERVICE:], after[np.isfinite(after)][:BESIDE_SERVICE]


def _variance(one: Study) -> float:
    """Return the variance that one day adds to a mean of correlated days."""
    return float(one.slow.scatter[-1, 0, 0]) * (1.0 + CORRELATION) / (1.0 - CORRELATION)
