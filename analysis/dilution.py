"""The dilution curve of one stock in one water, and its inversion from EC to volume fraction."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.interpolate import PchipInterpolator

from analysis.dilution_nodes import adjusted

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from ingest.installation import Stock

INTERPOLATION_LIMIT = 0.003
"""Largest relative error of the inversion between nodes a factor of two apart, by PHREEQC. Computed in
``benchmarks/dilution.py`` for seven stocks."""

BENT_EXPONENT = 0.21
"""Largest distance from 1 of d ln f / d ln EC step: magnesium sulfate at 1:50; the others lie between 0.84 and
1.09. Computed in ``benchmarks/dilution.py``. It bounds the error of a straight line through one dilution."""

BELOW_WEAKEST = 0.06
"""Largest relative error assumed between the water and half the weakest dilution, where the curve is
Kohlrausch's. Computed: 0.1 to 5 % for seven stocks, more where phosphate meets hard water."""

OTHER_WATER = 0.10
"""Largest relative change of the EC step for a relative change of the source water's ions. [-] Computed in
``benchmarks/dilution.py``: 0.03 to 0.10 for six stocks."""

OTHER_WATER_PHOSPHATE = 0.35
"""The same where phosphate makes most of the stock, because it takes up the water's bicarbonate. Computed."""


@dataclass(frozen=True, slots=True)
class DilutionCurve:
    """How far EC rises above the source water's for each volume fraction of stock.

    Attributes
    ----------
    fractions : tuple of float
        Volume fractions of the hand-made dilutions, rising, water left out. [-]
    steps : tuple of float
        EC of each dilution minus EC of the water alone. [mS/cm at 25 °C]
    water : float
        EC of the water alone. [mS/cm at 25 °C]
    """

    fractions: tuple[float, ...]
    steps: tuple[float, ...]
    water: float

    @property
    def linear(self) -> bool:
        """True where one dilution is all there is, so that a straight line must be assumed."""
        return len(self.fractions) == 1

    def covers(self, step: float) -> bool:
        """Return True where a step lies between the weakest and the strongest dilution.

        A single dilution covers a factor of two either way.
        """
        if self.linear:
            return 0.5 * self.steps[0] <= step <= 2.0 * self.steps[0]
        return self.steps[0] <= step <= self.steps[-1]


def curve_of(stock: Stock) -> DilutionCurve | None:
    """Return the stock's dilution curve, or None where the water or every dilution is missing.

    Parameters
    ----------
    stock : Stock
        With its dilutions, sorted by fraction.

    Returns
    -------
    DilutionCurve or None
        The curve, its nodes adjusted by `analysis.dilution_nodes.adjusted`.
    """
    rows = stock.dilutions
    if len(rows) < 2 or rows[0][0] != 0.0:  # noqa: PLR2004 - the water and one dilution
        return None
    water = rows[0][1]
    fractions, steps = tuple(f for f, _ in rows[1:]), tuple(ec - water for _, ec in rows[1:])
    return DilutionCurve(fractions, adjusted(fractions, steps, stock.dilution_accuracy), water)


def fraction_of(curve: DilutionCurve, step: ArrayLike) -> np.ndarray:
    """Invert the curve: volume fraction of stock for each EC step above the source water.

    Monotone cubic interpolation of ln f in ln step between the weakest and the strongest dilution. Between
    the water and the weakest dilution, equivalent conductivity falls as the square root of concentration
    (Kohlrausch). Above the strongest dilution there is no answer.

    Parameters
    ----------
    curve : DilutionCurve
        The curve.
    step : array_like
        EC minus EC of the source water, any shape. [mS/cm at 25 °C]

    Returns
    -------
    numpy.ndarray
        Volume fraction, same shape; nan above the strongest dilution, negative steps in proportion. [-]

    Notes
    -----
    Valid between the dilutions, nodes at most a factor of two apart: within 0.3 % of PHREEQC. One dilution
    alone gives a straight line.

    References
    ----------
    Fritsch and Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300, doi:10.1137/0905021 (the interpolation).
    Kohlrausch's square-root law: Robinson and Stokes, Electrolyte Solutions, 2nd ed. (1959), ch. 7.

    Examples
    --------
    >>> curve = DilutionCurve((0.005, 0.01, 0.02), (0.83, 1.57, 2.98), 0.48)
    >>> fraction_of(curve, [0.83, 1.57, 3.5])
    array([0.005, 0.01 ,   nan])
    """
    steps = np.asarray(step, float)
    if curve.linear:
        return np.asarray(steps * (curve.fractions[0] / curve.steps[0]))
    low, high = curve.steps[0], curve.steps[-1]
    result = np.full(steps.shape, np.nan)
    inside = (steps >= low) & (steps <= high * (1.0 + 1e-12))
    between = PchipInterpolator(np.log(curve.steps), np.log(curve.fractions))
    result[inside] = np.exp(between(np.log(np.minimum(steps[inside], high))))
    weak = steps < low
    result[weak] = _towards_water(curve, steps[weak])
    return result


def _towards_water(curve: DilutionCurve, steps: np.ndarray) -> np.ndarray:
    """Invert step = f (a - b sqrt f) through the two weakest dilutions, for steps below the weakest.

    Where equivalent conductivity falls towards the water instead (phosphate that the water's carbonate
    takes up), Kohlrausch's law does not hold and the power law of the two weakest is followed.
    """
    fractions, known = np.array(curve.fractions[:2]), np.array(curve.steps[:2])
    roots, molar = np.sqrt(fractions), known / fractions
    if molar[0] < molar[1]:
        power = np.log(fractions[1] / fractions[0]) / np.log(known[1] / known[0])
        weak = fractions[0] * (np.maximum(steps, 0.0) / known[0]) ** power
        return np.asarray(np.where(steps < 0, steps * fractions[0] / known[0], weak))
    slope = (molar[0] - molar[1]) / (roots[1] - roots[0])
    grid = np.linspace(0.0, roots[0], 257)
    rise = grid**2 * (molar[0] + slope * (roots[0] - grid))
    positive = np.interp(steps, rise, grid) ** 2
    return np.asarray(np.where(steps < 0, steps * fractions[0] / known[0], positive))


def step_of(curve: DilutionCurve, fraction: ArrayLike) -> np.ndarray:
    """Return the EC step of each volume fraction, the inverse of `fraction_of` to its resolution.

    Parameters
    ----------
    curve : DilutionCurve
        The curve.
    fraction : array_like
        Volume fraction of stock, any shape. [-]

    Returns
    -------
    numpy.ndarray
        EC step, same shape; nan above the strongest dilution. [mS/cm at 25 °C]
    """
    wanted = np.asarray(fraction, float)
    if curve.linear:
        return np.asarray(wanted * (curve.steps[0] / curve.fractions[0]))
    low = np.geomspace(curve.steps[0] * 1e-4, curve.steps[0], 200, endpoint=False)
    grid = np.concatenate([[0.0], low, np.geomspace(curve.steps[0], curve.steps[-1], 400)])
    return np.asarray(np.interp(wanted, fraction_of(curve, grid), grid, right=np.nan))


def sensitivity(curve: DilutionCurve, step: float) -> float:
    """Return d ln f / d ln step at one step: what multiplies every relative error of EC. [-]

    Examples
    --------
    >>> round(sensitivity(DilutionCurve((0.005, 0.01, 0.02), (0.83, 1.57, 2.98), 0.48), 1.6), 2)
    1.08
    """
    if curve.linear:
        return 1.0
    around = np.clip(step * np.array([0.99, 1.01]), curve.steps[0] * 0.1, curve.steps[-1])
    fractions = fraction_of(curve, around)
    return float(np.log(fractions[1] / fractions[0]) / np.log(around[1] / around[0]))
