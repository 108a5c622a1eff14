"""How a stock's temperature coefficient changes with its strength, and what that does to an EC step."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from analysis.conductivity import REFERENCE
from analysis.dilution import step_of
from analysis.injection.ways import MAGNESIUM, mostly

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from analysis.dilution import DilutionCurve
    from ingest.installation import Stock

ORDINARY_SLOPE, ORDINARY_LIMIT = 0.00010, 0.00013
"""Fall of the temperature coefficient when the strength rises by a factor e, and its largest error. [1/K]
Computed with PHREEQC, 1:25 to 1:400, 10 to 30 °C: nitrates and mixed stocks lie between 0.00002 and 0.00021."""

MAGNESIUM_SULFATE_SLOPE, MAGNESIUM_SULFATE_LIMIT = (0.00107, 0.000022), 0.0002
"""The same for magnesium sulfate at 20 °C, its change for a kelvin, and its largest error over a factor of
four. [1/K], [1/K2], [1/K] Computed with PHREEQC, 4 to 60 mmol/L, 10 to 30 °C: magnesium and sulfate pair, more
so when warm and strong."""

UPTAKE, UPTAKE_LIMIT = (0.0044, 0.00023), 0.2
"""Fall of the coefficient for each part by which the step per fraction lies below its greatest, where acid
phosphate takes up the water's bicarbonate: at 0 °C, its change for a kelvin, and its largest relative error.
[1/K], [1/K2], [-] Computed with PHREEQC for potassium dihydrogen phosphate in a water of 3.3 mmol/L bicarbonate
and in half and one and a half of it, 5 to 30 °C."""

LEAST_UPTAKE = 0.02
"""A curve whose step per fraction falls towards the water by less than this shows no uptake. [-] No source; the
dilutions' own errors are a few tenths of a percent."""


def uptake(curve: DilutionCurve, fraction: ArrayLike) -> np.ndarray:
    """Return by how much the step per fraction lies below its greatest value on the weak side of that.

    Parameters
    ----------
    curve : DilutionCurve
        The curve.
    fraction : array_like
        Volume fraction of stock within the curve, shape (n,). [-]

    Returns
    -------
    numpy.ndarray
        Greatest over own, less 1; 0 for every salt whose equivalent conductivity rises towards the water as
        Kohlrausch's law wants it; same shape. [-]

    Examples
    --------
    >>> from analysis.dilution import DilutionCurve
    >>> phosphate = DilutionCurve((0.0025, 0.005, 0.01, 0.02), (0.180, 0.398, 0.848, 1.744), 0.7)
    >>> uptake(phosphate, [0.0025, 0.02]).round(2).tolist()
    [0.21, 0.0]
    """
    molar = np.array(curve.steps) / np.array(curve.fractions)
    top = int(np.argmax(molar))
    inside = np.clip(np.asarray(fraction, float), curve.fractions[0], curve.fractions[-1])
    if molar[0] > (1.0 - LEAST_UPTAKE) * molar[top]:
        return np.zeros(inside.shape)
    missing = molar[top] * inside / step_of(curve, inside) - 1.0
    return np.where(inside < curve.fractions[top], np.maximum(missing, 0.0), 0.0)


def coefficient_change(
    stock: Stock, curve: DilutionCurve, fraction: ArrayLike, temperature: float
) -> np.ndarray:
    """Return by how much a stock's temperature coefficient lies above its value amid the dilutions.

    Parameters
    ----------
    stock : Stock
        The stock.
    curve : DilutionCurve
        Its curve, two dilutions or more.
    fraction : array_like
        Volume fraction of stock, shape (n,). [-]
    temperature : float
        Temperature of the solution. [°C]

    Returns
    -------
    numpy.ndarray
        Change of the coefficient, same shape. [1/K]

    References
    ----------
    The constants of this module. Pairing of magnesium and sulfate: Robinson and Stokes, Electrolyte Solutions,
    2nd ed. (1959), ch. 14.
    """
    middle = math.sqrt(curve.fractions[0] * curve.fractions[-1])
    slope = ORDINARY_SLOPE
    if mostly(stock, *MAGNESIUM):
        at_20, bend = MAGNESIUM_SULFATE_SLOPE
        slope = at_20 + bend * (temperature - 20.0)
    known = np.clip(np.asarray(fraction, float), 0.1 * curve.fractions[0], curve.fractions[-1])
    missing = uptake(curve, known) - uptake(curve, [middle])
    return np.asarray(-slope * np.log(known / middle) - _per_uptake(temperature) * missing)


def strength_factor(change: ArrayLike, temperature: float, *, coefficient: float) -> np.ndarray:
    """Return what a compensated EC step is multiplied with where its own coefficient differs.

    Parameters
    ----------
    change : array_like
        Its coefficient less the one with which it was compensated, any shape. [1/K]
    temperature : float
        Temperature of the solution. [°C]
    coefficient : float
        The coefficient with which EC was brought to 25 °C. [1/K]

    Returns
    -------
    numpy.ndarray
        Factor, same shape. [-]

    References
    ----------
    As `analysis.conductivity.factor_to_25`.

    Examples
    --------
    >>> strength_factor([0.0, 0.0013], 10.0, coefficient=0.0169).round(3).tolist()
    [1.0, 1.027]
    """
    away = temperature - REFERENCE
    return np.asarray((1.0 + coefficient * away) / (1.0 + (coefficient + np.asarray(change)) * away))


def lean_limit(
    stock: Stock, curve: DilutionCurve, ends: tuple[float, float], temperature: float | None, *, away: float
) -> float:
    """Return the largest error of ln step that is left between two strengths after the correction.

    Parameters
    ----------
    stock : Stock
        The stock.
    curve : DilutionCurve
        Its curve.
    ends : tuple of float
        Weaker and stronger fraction. [-]
    temperature : float or None
        Temperature of the solution; None where it is not known, and nothing was corrected. [°C]
    away : float
        Its distance from 25 °C, or the one assumed. [K]

    Returns
    -------
    float
        Largest error of ln step at one end against the other. [-]
    """
    span = math.log(ends[1] / ends[0])
    magnesium = mostly(stock, *MAGNESIUM)
    slope = MAGNESIUM_SULFATE_LIMIT if magnesium else ORDINARY_LIMIT
    if temperature is None:
        slope = MAGNESIUM_SULFATE_SLOPE[0] if magnesium else ORDINARY_SLOPE
    missing = float(-np.diff(uptake(curve, ends))[0])
    share = 1.0 if temperature is None else UPTAKE_LIMIT
    kelvin = _per_uptake(REFERENCE if temperature is None else temperature)
    return abs(away) * (slope * span + share * kelvin * abs(missing))


def _per_uptake(temperature: float) -> float:
    """Return the fall of the coefficient for each part that the step per fraction misses. [1/K]"""
    return UPTAKE[0] + UPTAKE[1] * temperature
