"""Where a zone stands against its baseline: moving means of its relations, with what noise and drift allow.

The baseline of a relation is its first days after commissioning or after the last service that touches
it. Scatter is learned from day-to-day changes, which no slow fault disturbs; so is the temperature
coefficient. What has not been learned stays in the covariance.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.diagnosis.baseline_line import CORRELATION, Line, follow
from analysis.diagnosis.drift import SWING, YEAR

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.diagnosis.drift import Wander

    Array = NDArray[np.float64]
    Mask = NDArray[np.bool_]

MEMORY = 0.15
"""Weight of the newest day in the moving mean. [1/d] Prototype: 1.1 to 1.24 times the delay of the exact
likelihood ratio on ramps."""


@dataclass(frozen=True, slots=True)
class Chart:
    """Moving means against the baseline, day by day.

    Attributes
    ----------
    shift : ndarray
        Moving mean minus baseline, brought to the baseline's temperature; shape (days, relations).
    covariance : ndarray
        What noise and drift allow it; shape (days, relations, relations).
    single : ndarray
        The day alone minus baseline, brought to the baseline's temperature; shape (days, relations).
    scatter : ndarray
        Day-to-day covariance as learned so far; shape (days, relations, relations).
    drift : ndarray
        Part of `covariance` that no averaging takes away; shape (days, relations, relations).
    ready : ndarray of bool
        Whether a relation says something about the day; shape (days, relations).
    baseline : ndarray
        Mean that `shift` is taken from; shape (days, relations).
    since : ndarray
        Middle of the baseline; shape (days, relations). [d]
    beta, beta_variance : ndarray
        Temperature coefficient as learned so far; shape (days, relations). [1/K]
    warmth : ndarray
        Water temperature used; nought where nobody measures it; shape (days,). [°C]
    warmer : ndarray
        How much warmer the water of the moving mean is than the baseline's; shape (days, relations). [K]
    """

    shift: Array
    covariance: Array
    single: Array
    scatter: Array
    drift: Array
    ready: Mask
    baseline: Array
    since: Array
    beta: Array
    beta_variance: Array
    warmth: Array
    warmer: Array


def chart(values: Array, days: Array, warmth: Array, driver: Array, wander: Wander,
          restarts: Mask, *, memory: float = MEMORY) -> Chart:  # fmt: skip
    """Follow a zone's relations day by day, each day from what was known by then.

    Parameters
    ----------
    values : ndarray
        Relations, shape (days, relations); NaN where missing.
    days : ndarray
        Time of each day's runs, ascending. [d]
    warmth : ndarray
        Water temperature; NaN where nobody measures it. [°C]
    driver : ndarray
        Logarithm of what each relation is normalised by, shape as `values`. [-]
    wander : Wander
        What a healthy zone may do.
    restarts : ndarray of bool
        True where a service since the day before ends the relation's baseline; shape as `values`.
    memory : float
        Weight of the newest day. [1/d]

    Returns
    -------
    Chart
        Shifts and covariances.
    """
    measured = bool(np.isfinite(warmth).any())
    filled = pd.Series(warmth).ffill().bfill() if measured else pd.Series(0.0, index=range(days.size))
    warm = np.asarray(filled, dtype=np.float64)
    prior = np.diag(wander.scatter())
    lines = [
        follow(
            values[:, f],
            days,
            warm,
            driver[:, f],
            restarts[:, f],
            (float(prior[f]), float(wander.beta[f]), float(wander.beta_sd[f])),
            memory,
        )
        for f in range(values.shape[1])
    ]
    return _assemble(lines, days, warm, wander, memory, measured=measured)


def _assemble(
    lines: list[Line], days: Array, warm: Array, wander: Wander, memory: float, *, measured: bool
) -> Chart:
    """Put the relations together: shifts, and covariances from noise, baseline and drift."""

    def stack(name: str) -> Array:
        return np.stack([getattr(line, name) for line in lines], axis=1)

    variance, factor = stack("variance"), stack("weight")
    beta, beta_variance = stack("beta"), stack("beta_variance")
    warmer, base_days, since = stack("warmer"), stack("base_days"), stack("since")
    age = np.nan_to_num(days[:, None] - since)
    swing = np.zeros_like(age) if measured else _unseen_swing(age)
    tilt = np.nan_to_num(warmer)
    prior = wander.scatter()
    sd = np.sqrt(np.diag(prior))
    correlation = prior / np.outer(sd, sd)
    scatter = _outer(np.sqrt(variance)) * correlation
    moving, fixed = _inflation(memory)
    noise = _outer(np.sqrt(variance * (factor * moving))) * correlation
    with np.errstate(divide="ignore", invalid="ignore"):
        noise = noise + _outer(np.sqrt(variance * fixed / np.maximum(base_days, 1.0))) * correlation
    drift = np.stack([
        wander.drift(float(a.max()), float(np.abs(t).max()), float(s.max()))
        for a, t, s in zip(age, tilt, swing, strict=True)
    ])  # fmt: skip
    own = beta_variance * (tilt**2 + swing**2) + (wander.exponent_error * stack("driven")) ** 2
    drift[:, range(len(lines)), range(len(lines))] += own
    shift = stack("mean") - stack("base") - beta * tilt
    single = stack("single") - beta * stack("single_warmer")
    ready = stack("ready").astype(bool)
    base = stack("base")
    return Chart(
        shift, noise + drift, single, scatter, drift, ready, base, since, beta, beta_variance, warm, tilt
    )


def _outer(x: Array) -> Array:
    return np.asarray(np.nan_to_num(x)[:, :, None] * np.nan_to_num(x)[:, None, :])


def _inflation(memory: float) -> tuple[float, float]:
    """Return how much correlated days raise the variance of the moving and of the plain mean. [-]"""
    r = CORRELATION * (1.0 - memory)
    return (1.0 + r) / (1.0 - r), (1.0 + CORRELATION) / (1.0 - CORRELATION)


def _unseen_swing(age: Array) -> Array:
    """Return how much warmer or colder unmeasured water may be than in the baseline: a yearly sine. [K]"""
    return np.asarray(SWING * np.sqrt(2.0) * np.abs(np.sin(np.pi * np.clip(age, 0.0, YEAR / 2) / YEAR)))
