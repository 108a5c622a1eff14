"""How a change went: all at once or growing, from which day, and how far each relation has followed it.

The days of a zone are fitted as a level, the change, noise from day to day and wander that adds up with
time. A change that came at once is thereby weighed against the days just before it, where little can have
wandered, and not against a baseline that has grown old.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
from scipy.linalg import cholesky, solve_triangular

from analysis.diagnosis.baseline_line import CORRELATION, lonely
from analysis.diagnosis.decide import ABSENT, Case, ratios
from analysis.diagnosis.drift import SWING, YEAR

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.diagnosis.study import Study

    Array = NDArray[np.float64]

SINGLE_DAYS = 60
"""Newest days that are fitted one by one; older ones in means of `BLOCK`. [-] No source: keeps a year small."""

BLOCK = 5
"""Days of a mean. [-] No source."""

BLOCK_DAYS, LONG_BLOCK = 365, 30
"""Newest days with such means, and days of a mean before them. [-] No source: keeps many years small."""

ONSETS = 16
"""Onsets of ramps that are tried, closer to each other towards the end. [-] No source."""

LEAST_BEFORE = 5
"""Fewest days before a ramp. [-] No source."""

AT_ONCE = {
    "emitter clogging": 0.15,
    "filter clogging": 0.2,
    "leak": 0.75,
    "pressure regulation": 0.5,
    "flow meter drift": 0.35,
    "valve fault": 0.6,
    "sensor fault": 0.4,
}
"""How often each fault comes all at once rather than little by little. [-] A judgement, no source."""

ROUNDS = 2
"""How often two changes are fitted in turn, each beside the other. [-] No source."""

SPILL = 0.1
"""Share of one change that may be taken for another beside it. [-] No source: no fault is a clean step or ramp."""

MISFIT = 0.05
"""Share of the first change's ratio below which a second is what the first left over. [-] Set on invented pairs."""

SECOND = 25.0
"""Likelihood ratio from which a second change is told beside a first. [twice the log] Above the alarm's, since
it is looked for on every day; no source."""

Shape = Literal["step", "ramp"]


@dataclass(frozen=True, slots=True)
class Course:
    """How a change may have gone, as the fault that it makes likeliest sees it.

    Attributes
    ----------
    shape : str
        ``"step"`` where it came at once, ``"ramp"`` where it grows.
    onset : int
        First day of the table that it is in.
    case : Case
        How far each relation has moved with it by the last day, and what noise and wander leave open of that.
    gain : float
        Likelihood ratio of the fault that it makes likeliest. [twice the log]
    columns : ndarray
        The change as it would be without any other, whitened.
    """

    shape: Shape
    onset: int
    case: Case
    gain: float
    columns: Array


@dataclass(frozen=True, slots=True)
class _Days:
    """A zone's days in blocks: shapes (blocks,) and (blocks, relations)."""

    first: NDArray[np.int64]
    time: Array
    warmth: Array
    values: Array
    count: Array
    driver: Array


def courses(one: Study, day: int) -> tuple[tuple[Course, ...], ...]:
    """Fit how a zone's relations went up to a day.

    Parameters
    ----------
    one : Study
        The zone.
    day : int
        Last day of its table that is looked at.

    Returns
    -------
    tuple of tuple of Course
        For a single change the likeliest step and the likeliest ramp, to be weighed against each other; where
        a second change stands beside it, one course for each.

    References
    ----------
    Generalised least squares (Aitken, 1936); random-walk wander as in `analysis.diagnosis.drift`.
    """
    days = _blocks(one, day)
    white = _white(one, day, days)

    def beside(other: Course) -> Course:
        return max(_ways(one, day, days, *white, other.columns), key=lambda c: c.gain)

    ways = _ways(one, day, days, *white)
    first = max(ways, key=lambda c: c.gain)
    second = beside(first)
    if second.gain < SECOND:
        return (ways,)
    if second.gain < MISFIT * first.gain:  # what is left over may belong to the change, or not
        left = np.outer(second.case.shift, second.case.shift)
        return (tuple(_wider(way, left) for way in ways),)
    for _ in range(ROUNDS):
        first = beside(second)
        second = beside(first)
    return ((_spilt(first, second),), (_spilt(second, first),))


def _spilt(mine: Course, other: Course) -> Course:
    """Return a course with what the other's may spill into it, where that was no clean step or ramp."""
    return _wider(mine, np.diag((SPILL * other.case.shift) ** 2))


def _wider(course: Course, extra: Array) -> Course:
    return replace(course, case=replace(course.case, covariance=course.case.covariance + extra))


def _ways(
    one: Study, day: int, days: _Days, values: Array, single: Array, other: Array | None = None
) -> tuple[Course, ...]:
    """Return the step and the ramp that make some fault likeliest, beside another change's columns if there is one."""
    left, alone = (values, single) if other is None else _without(other, values, single)
    found: list[Course] = []
    for (shape, blocks, whole), (_, _, columns) in zip(
        _changes(single, days), _changes(alone, days), strict=True
    ):
        fits = [_fit(one, day, left, c) for c in columns]
        gains = [float(ratios(a[None], c[None], one.faults)[0].max()) for a, c in fits]
        best = int(np.argmax(gains))
        onset = int(days.first[blocks[best]])
        found.append(_course(one, shape, onset, fits[best], gains[best], whole[best]))
    return tuple(found)


def _changes(single: Array, days: _Days) -> list[tuple[Shape, list[int], list[Array]]]:
    """Return first blocks and whitened columns of every step, its day left free, and of every ramp."""
    every = np.cumsum(single[:, ::-1], axis=1)[:, ::-1]
    steps = list(range(1, days.time.size))
    ramps = _ramps(days.time)
    growing = [np.tensordot(single, profile, axes=(1, 0)) for _, profile in ramps]
    at_once = [np.column_stack([every[:, k], single[:, k]]) for k in steps]
    return [("step", steps, at_once), ("ramp", [k for k, _ in ramps], growing)]


def _without(other: Array, values: Array, single: Array) -> tuple[Array, Array]:
    """Return whitened values and changes with another change fitted out.

    What is then fitted is what a fit of both would give (Frisch and Waugh, 1933). The other's columns must be
    whole: those that already lack a third change stand for something else.
    """
    basis, size, _ = np.linalg.svd(other, full_matrices=False)
    basis = basis[:, size > 1e-9 * size.max(initial=1e-300)]
    flat = single.reshape(single.shape[0], -1)
    flat = flat - basis @ (basis.T @ flat)
    return values - basis @ (basis.T @ values), flat.reshape(single.shape)


def _white(one: Study, day: int, days: _Days) -> tuple[Array, Array]:
    """Return the values, and a change of each block alone, whitened and with each relation's level fitted out.

    The first has shape (known values,), the second (known values, blocks, relations).
    """
    n, relations = days.values.shape
    known = np.isfinite(days.values).ravel()
    root = cholesky(_covariance(one, day, days)[np.ix_(known, known)], lower=True)
    single = np.zeros((int(known.sum()), n * relations))
    single[:, known] = solve_triangular(root, np.eye(root.shape[0]), lower=True)
    values = single[:, known] @ days.values.ravel()[known]
    level = single.reshape(-1, n, relations).sum(axis=1)
    basis, _ = np.linalg.qr(level[:, np.abs(level).sum(axis=0) > 0])
    single = single - basis @ (basis.T @ single)
    return values - basis @ (basis.T @ values), single.reshape(-1, n, relations)


def _fit(one: Study, day: int, values: Array, columns: Array) -> tuple[Array, Array]:
    """Return how far each relation has moved with one change, and the covariance of that.

    The day of a step may hold runs from before it and after it; its columns leave it free.
    """
    ready = one.quick.ready[day]
    inverse = np.linalg.inv(columns.T @ columns + np.eye(columns.shape[1]) / ABSENT)
    shift = np.where(ready, (inverse @ (columns.T @ values))[: ready.size], 0.0)
    return shift, inverse[: ready.size, : ready.size] + np.diag(np.where(ready, 0.0, ABSENT))


def _course(
    one: Study, shape: Shape, onset: int, fit: tuple[Array, Array], gain: float, columns: Array
) -> Course:
    shift, covariance = fit
    at_once = np.array([AT_ONCE[f.kind] for f in one.faults])
    odds = np.log(at_once if shape == "step" else 1.0 - at_once)
    free = 0.5 * float(shift @ np.linalg.solve(covariance, shift) + np.linalg.slogdet(covariance)[1])
    case = Case(shift, covariance, free, odds)
    return Course(shape, onset, case, gain, columns)


def _blocks(one: Study, day: int) -> _Days:
    """Gather a zone's days up to one: the newest singly, older ones in means."""
    n, relations = day + 1, len(one.found)
    start = max(0, n - SINGLE_DAYS)
    older = start - (start - max(0, n - BLOCK_DAYS)) // BLOCK * BLOCK
    means = (
        np.arange(older % LONG_BLOCK if n > BLOCK_DAYS else older, older, LONG_BLOCK),
        np.arange(older, start, BLOCK),
    )
    first = np.unique(np.concatenate([[0], *means, np.arange(start, n)]))
    first = first.astype(np.int64)
    block = np.searchsorted(first, np.arange(n), side="right") - 1
    values = one.series[:n].copy()
    for f in range(relations):
        restart = one.restarts[:n, f]
        began = np.flatnonzero(restart)
        values[lonely(values[:, f], one.slow.scatter[:n, f, f], restart), f] = np.nan
        values[: began[-1] if began.size else 0, f] = np.nan
    seen = np.isfinite(values)

    def mean(x: Array, of: NDArray[np.bool_]) -> Array:
        total = np.zeros((first.size, *x.shape[1:]))
        number = np.zeros_like(total)
        np.add.at(total, block, np.where(of, x, 0.0))
        np.add.at(number, block, of.astype(float))
        return np.where(number > 0, total / np.maximum(number, 1.0), np.nan)

    every = np.ones(n, dtype=bool)
    warmth = mean(one.slow.warmth[:n], every)
    warmth = warmth - warmth[: SINGLE_DAYS // 3].mean()
    count = np.zeros((first.size, relations))
    np.add.at(count, block, seen.astype(float))
    driver = mean(one.driver[:n], np.isfinite(one.driver[:n]))
    driver = np.nan_to_num(driver - np.nanmean(driver[: SINGLE_DAYS // 3], axis=0))
    cold = one.usual.beta * warmth[:, None]
    return _Days(first, mean(one.table.days[:n], every), warmth, mean(values, seen) - cold, count, driver)


def _covariance(one: Study, day: int, days: _Days) -> Array:
    """Return what noise, wander and temperature make of blocks and relations, block by block."""
    usual, age = one.usual, days.time - days.time[0]
    apart = np.abs(np.subtract.outer(days.time, days.time))
    few = np.sqrt((1.0 + CORRELATION) / (1.0 - CORRELATION) / np.maximum(days.count, 1.0))
    few = np.where(days.count > 1, few, 1.0)
    heat = np.outer(days.warmth, days.warmth)
    if not np.ptp(one.slow.warmth):
        heat = SWING**2 / 2.0 * np.cos(2.0 * np.pi * apart / YEAR)
    walk = (usual.folded * usual.walk) @ usual.folded.T + np.diag(usual.own_walk)
    warm = (usual.folded * usual.thermal**2) @ usual.folded.T + np.diag(usual.beta_sd**2)
    driven = usual.exponent_error * days.driver
    steady = np.eye(len(one.found))
    out = np.einsum("ij,ir,js,rs->irjs", CORRELATION**apart, few, few, one.slow.scatter[day])
    out += np.einsum("ij,rs->irjs", np.minimum.outer(age, age) / YEAR, walk)
    out += np.einsum("ij,rs->irjs", heat, warm) + np.einsum("ir,js,rs->irjs", driven, driven, steady)
    size = days.time.size * len(one.found)
    return np.asarray(out.reshape(size, size) + 1e-12 * np.eye(size))


def _ramps(time: Array) -> list[tuple[int, Array]]:
    """Return first blocks and profiles of changes that grow evenly to one; profiles of shape (blocks,)."""
    n = time.size
    back = n - np.round(np.geomspace(1, max(n - LEAST_BEFORE, 1), ONSETS))
    even = np.round(np.linspace(LEAST_BEFORE, n - 1, ONSETS // 2))
    onsets = np.unique(np.concatenate([back, even])).astype(int)
    grown = {int(k): np.clip(time - time[k - 1], 0.0, None) for k in onsets if k >= 1}
    return [(k, g / g[-1]) for k, g in grown.items()]
