"""Check formulas of the trade: Hazen-Williams, Christiansen's F, velocities in US units, flushing."""

from __future__ import annotations

import numpy as np

FLUSHING_VELOCITY = 0.3
"""Velocity at a lateral's end that carries dirt out. [m/s] University of California, Maintenance of
Microirrigation Systems: at least 1 ft/s."""

HAZEN_WILLIAMS_PLASTIC = 150.0
"""Hazen-Williams coefficient of smooth plastic. [-] From memory."""


def hazen_williams_loss(
    flow: float, length: float, bore: float, *, coefficient: float = HAZEN_WILLIAMS_PLASTIC
) -> float:
    """Return the Hazen-Williams head loss of constant flow. [m]

    Parameters
    ----------
    flow : float
        Flow. [L/h]
    length : float
        Length. [m]
    bore : float
        Inner diameter. [mm]
    coefficient : float
        Hazen-Williams C. [-]

    Returns
    -------
    float
        Head lost. [m]

    Notes
    -----
    A check only: in small tubing it gives about a quarter less than Darcy-Weisbach.

    References
    ----------
    h = 10.67 L Q^1.852 / (C^1.852 D^4.87), SI units (from memory).

    Examples
    --------
    >>> round(hazen_williams_loss(160.0, 30.0, 16.0), 4)
    0.1448
    """
    q, d = flow / 3.6e6, bore / 1000.0
    return float(10.67 * length * q**1.852 / (coefficient**1.852 * d**4.87))


def christiansen_factor(outlets: int, exponent: float) -> float:
    """Return Christiansen's factor: loss with equal outlets as a share of the loss at full flow. [-]

    Parameters
    ----------
    outlets : int
        Equally spaced, equal outlets, the first one spacing from the inlet.
    exponent : float
        Exponent m of the flow in the loss formula: 1.75 Blasius, 1.852 Hazen-Williams, 2 rough. [-]

    Returns
    -------
    float
        F, at most 1: the formula slightly exceeds 1 for one outlet. [-]

    References
    ----------
    Christiansen, J.E. (1942). Irrigation by sprinkling. Univ. California Bulletin 670 (from memory).

    Examples
    --------
    >>> round(christiansen_factor(100, 1.75), 4)
    0.3687
    """
    m, n = exponent, outlets
    return float(min(1.0, 1.0 / (m + 1.0) + 1.0 / (2.0 * n) + np.sqrt(m - 1.0) / (6.0 * n**2)))


def flushing_flow(bore: float, *, wanted: float = FLUSHING_VELOCITY) -> float:
    """Return the flow that gives a flushing velocity at a lateral's end. [L/h]

    Parameters
    ----------
    bore : float
        Inner diameter. [mm]
    wanted : float
        Velocity. [m/s]

    Returns
    -------
    float
        Flow. [L/h]

    References
    ----------
    University of California, Maintenance of Microirrigation Systems: about 1 gal/min for 5/8-inch and
    2 gal/min for 7/8-inch tubing at 1 ft/s.

    Examples
    --------
    >>> round(flushing_flow(15.875, wanted=0.3048) / 227.125, 3)
    0.956
    """
    return float(np.pi / 4.0 * (bore / 1000.0) ** 2 * wanted * 3.6e6)
