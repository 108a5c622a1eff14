"""The exponent of an emitter, or of anything else that lets water out, from measured points."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike


@dataclass(frozen=True, slots=True)
class PowerLaw:
    """A fitted pressure-flow curve q = k p^x.

    Attributes
    ----------
    exponent, exponent_u : float
        Exponent x and its standard uncertainty. [-]
    coefficient : float
        k, in the units of the data.
    r2 : float
        Share of the variance of ln q that the line explains. [-]
    points : int
        How many points were fitted.
    """

    exponent: float
    exponent_u: float
    coefficient: float
    r2: float
    points: int


def fit_power_law(pressure: ArrayLike, flow: ArrayLike) -> PowerLaw:
    """Fit q = k p^x to measured points by least squares on the logarithms.

    Parameters
    ----------
    pressure, flow : array_like
        Measured pairs, any units; pairs that are not above zero are left out. [kPa], [L/h]

    Returns
    -------
    PowerLaw
        Exponent with its standard uncertainty, coefficient, and goodness.

    Raises
    ------
    ValueError
        If fewer than three pairs, or only one pressure, are left.

    References
    ----------
    Ordinary least squares; the standard uncertainty is that of the slope.

    Examples
    --------
    >>> law = fit_power_law([50.0, 100.0, 200.0], [1.4142, 2.0, 2.8284])
    >>> round(law.exponent, 3), round(law.coefficient, 3)
    (0.5, 0.2)
    """
    p, q = np.asarray(pressure, float), np.asarray(flow, float)
    good = (p > 0) & (q > 0)
    x, y = np.log(p[good]), np.log(q[good])
    if x.size < 3 or np.ptp(x) == 0:  # noqa: PLR2004 - a line and its scatter need three points
        msg = f"{x.size} usable pairs of pressure and flow; three at different pressures are needed"
        raise ValueError(msg)
    dx = x - x.mean()
    slope = float(dx @ y / (dx @ dx))
    rest = y - y.mean() - slope * dx
    spread = float(rest @ rest)
    return PowerLaw(
        exponent=slope,
        exponent_u=float(np.sqrt(spread / (x.size - 2) / (dx @ dx))),
        coefficient=float(np.exp(y.mean() - slope * x.mean())),
        r2=1.0 - spread / float(np.sum((y - y.mean()) ** 2)),
        points=int(x.size),
    )
