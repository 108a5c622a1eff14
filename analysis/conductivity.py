"""Conductivity brought to 25 °C, and readings at a meter's limit taken out."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import ArrayLike

DEFAULT_COEFFICIENT = 0.0191
"""Temperature coefficient of EC where a stock states none. [1/K] Computed: 0.01 mol/kg KCl between 18 and
25 °C (1.910 %/K), Wu, Koch and Pratt, J. Res. NIST 96 (1991) 191."""

COEFFICIENT_LIMIT = 0.0015
"""Largest error of a temperature coefficient where a stock states none, 5 to 35 °C: nitrate and phosphate
stocks lie between 0.0189 and 0.0207 [1/K]. Computed with PHREEQC (``benchmarks/dilution.py``)."""

STATED_COEFFICIENT_LIMIT = 0.0005
"""Largest error of a coefficient that a stock states, because it changes with strength and a straight line
does not follow a real solution. [1/K] Computed as `COEFFICIENT_LIMIT`."""

MAGNESIUM_SULFATE_LIMITS = (0.0045, 0.0008)
"""The same two where magnesium sulfate makes most of the stock: its coefficient runs from 0.0147 to 0.0183
with strength and temperature, and `analysis.injection.strength` takes most of that away. [1/K] Computed as
`COEFFICIENT_LIMIT`."""

REFERENCE = 25.0
"""Temperature to which EC is brought. [°C]"""

AT_LIMIT = 0.001
"""A reading within this share of the range of its end counts as at the meter's limit. No source."""

NATURAL_WATER: Mapping[float, float] = MappingProxyType(
    {
        0.0: 1.918,
        5.0: 1.643,
        10.0: 1.428,
        15.0: 1.256,
        20.0: 1.116,
        25.0: 1.000,
        30.0: 0.903,
        35.0: 0.822,
    }
)
"""Factors EC25 / ECt for natural water, ISO 7888:1985 table; from memory, to be checked against the text."""


def factor_to_25(
    temperature: ArrayLike, *, coefficient: float | Literal["natural water"] = DEFAULT_COEFFICIENT
) -> np.ndarray:
    """Return what EC at a temperature is multiplied with to get EC at 25 °C.

    Parameters
    ----------
    temperature : array_like
        Temperature of the solution, any shape. [°C]
    coefficient : float or "natural water"
        Linear coefficient a in EC25 = ECt / (1 + a (t - 25)) [1/K], or the curve of ISO 7888.

    Returns
    -------
    numpy.ndarray
        Factor, same shape. [-]

    Notes
    -----
    Linear with the default: within 1 % for 0.01 mol/kg KCl from 10 to 35 °C. ISO curve: 0 to 35 °C, nan outside.

    References
    ----------
    Hayashi, Environ. Monit. Assess. 96 (2004) 119, doi:10.1023/B:EMAS.0000031719.83065.68 (linear form).
    ISO 7888:1985 (natural water).

    Examples
    --------
    >>> round(float(factor_to_25(10.0, coefficient=0.019)), 4)
    1.3986
    >>> float(factor_to_25(10.0, coefficient="natural water"))
    1.428
    """
    t = np.asarray(temperature, float)
    if coefficient == "natural water":
        known = np.array(list(NATURAL_WATER))
        logs = np.log(list(NATURAL_WATER.values()))
        return np.asarray(np.exp(np.interp(t, known, logs, left=np.nan, right=np.nan)))
    return np.asarray(1.0 / (1.0 + coefficient * (t - REFERENCE)))


def compensate(
    ec: ArrayLike,
    temperature: ArrayLike,
    *,
    coefficient: float | Literal["natural water"] = DEFAULT_COEFFICIENT,
) -> np.ndarray:
    """Bring EC to 25 °C.

    Parameters
    ----------
    ec : array_like
        EC at the solution's temperature, any shape. [mS/cm]
    temperature : array_like
        Temperature of the solution, same shape or one value. [°C]
    coefficient : float or "natural water"
        See `factor_to_25`.

    Returns
    -------
    numpy.ndarray
        EC at 25 °C. [mS/cm]

    References
    ----------
    As `factor_to_25`.

    Examples
    --------
    >>> round(float(compensate(1.01395, 10.0, coefficient=0.018666)), 4)
    1.4082
    """
    return np.asarray(np.asarray(ec, float) * factor_to_25(temperature, coefficient=coefficient))


def apparent_coefficient(ec: float, temperature: float, ec25: float) -> float:
    """Return the linear coefficient that takes one EC to its value at 25 °C.

    Parameters
    ----------
    ec, temperature : float
        EC [mS/cm] of a solution at a temperature [°C] other than 25.
    ec25 : float
        EC of the same solution at 25 °C. [mS/cm]

    Returns
    -------
    float
        Coefficient. [1/K]

    Examples
    --------
    >>> round(100 * apparent_coefficient(1.01395, 10.0, 1.40823), 4)
    1.8666
    """
    return (1.0 - ec / ec25) / (REFERENCE - temperature)


def at_limit(values: ArrayLike, limits: tuple[float, float] | None) -> np.ndarray:
    """Flag readings that stand at the upper end of a meter's range, where the meter can no longer follow.

    Parameters
    ----------
    values : array_like
        Readings, any shape. [stored unit]
    limits : tuple of float or None
        The meter's range; None where it is not known. [stored unit]

    Returns
    -------
    numpy.ndarray of bool
        True means flagged; same shape.

    Examples
    --------
    >>> at_limit([1.0, 19.99, 20.0], (0.0, 20.0))
    array([False,  True,  True])
    """
    readings = np.asarray(values, float)
    if limits is None:
        return np.zeros(readings.shape, bool)
    return np.asarray(readings >= limits[1] - AT_LIMIT * (limits[1] - limits[0]))
