"""What salt in the root zone costs a crop: threshold and slope, and what water may carry."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

TOLERANCE: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "maize": (1.7, 12.0),
        "bean": (1.0, 19.0),
        "zucchini squash": (4.7, 9.4),
        "tomato": (2.5, 9.9),
    }
)
"""Crop to threshold ECe [mS/cm] and loss of yield beyond it [% for each mS/cm]; FAO Irrigation and Drainage
Paper 29, Table 4, as reprinted in PLOS ONE 13(6):e0198290 (2018), Table 3; tomato from memory."""

WATER_SHARE = 1.5
"""ECe over ECw at a leaching fraction of 15 to 20 %; FAO 29, as reprinted there. [-]"""


def yield_share(soil_ec: float, *, threshold: float, slope: float) -> float:
    """Return the yield that is left at a salinity of the saturation extract.

    Parameters
    ----------
    soil_ec : float
        ECe. [mS/cm at 25 °C]
    threshold : float
        ECe up to which nothing is lost. [mS/cm]
    slope : float
        Loss beyond it. [% for each mS/cm]

    Returns
    -------
    float
        Yield, 0 to 100. [%]

    References
    ----------
    Maas, E.V., Hoffman, G.J. (1977): Yr = 100 - b (ECe - a).

    Examples
    --------
    >>> round(yield_share(3.78, threshold=1.7, slope=12.0))
    75
    """
    return min(100.0, max(0.0, 100.0 - slope * (soil_ec - threshold)))


def soil_ec_at_loss(loss: float, *, threshold: float, slope: float) -> float:
    """Return the salinity at which a share of the yield is lost.

    Parameters
    ----------
    loss : float
        Share lost, 0 to 100. [%]
    threshold, slope : float
        As in `yield_share`. [mS/cm], [% for each mS/cm]

    Returns
    -------
    float
        ECe. [mS/cm at 25 °C]

    References
    ----------
    As `yield_share`.

    Examples
    --------
    >>> round(soil_ec_at_loss(10.0, threshold=1.7, slope=12.0), 2)
    2.53
    """
    return threshold + loss / slope


def water_ec(soil_ec: float) -> float:
    """Return the EC of irrigation water that leads to a salinity in the root zone. [mS/cm at 25 °C]

    References
    ----------
    FAO 29: ECw = ECe / 1.5 at a leaching fraction of 15 to 20 %.

    Examples
    --------
    >>> water_ec(3.0)
    2.0
    """
    return soil_ec / WATER_SHARE
