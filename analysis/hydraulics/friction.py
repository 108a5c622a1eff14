"""Friction of water in a pipe: viscosity, flow regime and the Darcy-Weisbach loss."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

GRAVITY = 9.80665
"""Standard gravity. [m/s2] CGPM 1901."""

LITRES_PER_HOUR = 1.0 / 3.6e6
"""One litre an hour. [m3/s]"""

LAMINAR_ENDS = 2000.0
"""Reynolds number up to which flow is surely laminar. [-] Dunlop (1991), as in the EPANET 2.2 manual."""

TURBULENT_STARTS = 4000.0
"""Reynolds number from which flow is surely turbulent. [-] Dunlop (1991), as in the EPANET 2.2 manual."""

BLASIUS_ENDS = 1.0e5
"""Reynolds number up to which Blasius is used, Watters-Keller above. [-] UF/IFAS microirrigation
hydraulics tutorial."""

BLASIUS_MEETS_LAMINAR = (64.0 / 0.316) ** (4.0 / 3.0)
"""Reynolds number at which 64/Re and Blasius are equal. [-] Computed: 1189."""

PLASTIC_ROUGHNESS = 0.0015
"""Absolute roughness of drawn plastic pipe. [mm] EPANET 2.2 manual, 0.005e-3 ft (from memory)."""

RANKING = ("laminar", "transitional", "turbulent", "highly turbulent")
"""Flow regimes, by rising Reynolds number."""


@dataclass(frozen=True, slots=True)
class Friction:
    """Which friction factor is used.

    Attributes
    ----------
    law : {"Swamee-Jain", "Blasius"}
        ``"Swamee-Jain"``, the default: 64/Re to Re 2000, Dunlop's cubic to 4000, Swamee-Jain above with
        the roughness of plastic. It follows the law of smooth pipes within 1 %, and is EPANET's own
        treatment. ``"Blasius"``, as hand calculations of laterals take it: the larger of 64/Re and
        Blasius up to Re 100 000, Watters-Keller above; 1 to 2 % more loss than the default between
        Re 5000 and 50 000, up to half more near Re 2000, where no law is certain.
    roughness : float
        Absolute roughness, used by Swamee-Jain only. [mm]
    """

    law: Literal["Swamee-Jain", "Blasius"] = "Swamee-Jain"
    roughness: float = PLASTIC_ROUGHNESS


SMOOTH = Friction()
"""Smooth plastic pipe."""


def density(temperature: float) -> float:
    """Return the density of water. [kg/m3]

    Parameters
    ----------
    temperature : float
        From 0 to 60. [°C]

    Returns
    -------
    float
        Density at atmospheric pressure. [kg/m3]

    References
    ----------
    Kell, G.S. (1975). J. Chem. Eng. Data 20(1):97-105, eq. 16 (from memory).

    Examples
    --------
    >>> round(density(20.0), 2)
    998.21
    """
    t = temperature
    top = 999.83952 + t * (
        16.945176 + t * (-7.9870401e-3 + t * (-46.170461e-6 + t * (105.56302e-9 - t * 280.54253e-12)))
    )
    return float(top / (1.0 + 16.879850e-3 * t))


def kinematic_viscosity(temperature: float) -> float:
    """Return the kinematic viscosity of water. [m2/s]

    Parameters
    ----------
    temperature : float
        From 0 to 60. [°C]

    Returns
    -------
    float
        Viscosity. [m2/s]

    References
    ----------
    Kestin, J., Sokolov, M., Wakeham, W.A. (1978). J. Phys. Chem. Ref. Data 7(3):941-948, eq. 15, with
    1.002 mPa s at 20 °C (from memory).

    Examples
    --------
    >>> round(1e6 * kinematic_viscosity(20.0), 3)
    1.004
    """
    d = 20.0 - temperature
    ratio = d / (temperature + 96.0) * (1.2364 - 1.37e-3 * d + 5.7e-6 * d**2)
    return float(1.002e-3 * 10.0**ratio / density(temperature))


def velocity(flow: ArrayLike, bore: ArrayLike) -> NDArray[np.float64]:
    """Return the mean velocity in a full pipe. [m/s]

    Parameters
    ----------
    flow : array_like
        Flow. [L/h]
    bore : array_like
        Inner diameter. [mm]

    Returns
    -------
    ndarray
        Velocity. [m/s]

    Examples
    --------
    >>> round(float(velocity(160.0, 16.0)), 5)
    0.22105
    """
    area = np.pi / 4.0 * (np.asarray(bore, float) / 1000.0) ** 2
    return np.asarray(np.asarray(flow, float) * LITRES_PER_HOUR / area)


def reynolds(flow: ArrayLike, bore: ArrayLike, *, temperature: float = 20.0) -> NDArray[np.float64]:
    """Return the Reynolds number of a full pipe. [-]

    Parameters
    ----------
    flow : array_like
        Flow. [L/h]
    bore : array_like
        Inner diameter. [mm]
    temperature : float
        Water temperature. [°C]

    Returns
    -------
    ndarray
        Reynolds number. [-]

    Examples
    --------
    >>> round(float(reynolds(160.0, 16.0)), -1)
    3520.0
    """
    d = np.asarray(bore, float) / 1000.0
    return np.asarray(velocity(flow, bore) * d / kinematic_viscosity(temperature))


def regime(re: float) -> str:
    """Return the flow regime at a Reynolds number.

    Parameters
    ----------
    re : float
        Reynolds number. [-]

    Returns
    -------
    str
        One of `RANKING`.

    Examples
    --------
    >>> regime(1500.0), regime(3522.7), regime(20000.0)
    ('laminar', 'transitional', 'turbulent')
    """
    limits = (LAMINAR_ENDS, TURBULENT_STARTS, BLASIUS_ENDS)
    return RANKING[sum(re > limit for limit in limits)]


def friction_factor(re: ArrayLike, friction: Friction = SMOOTH, *, bore: float = 16.0) -> NDArray[np.float64]:
    """Return the Darcy-Weisbach friction factor. [-]

    Parameters
    ----------
    re : array_like
        Reynolds number, above zero. [-]
    friction : Friction
        The law.
    bore : float
        Inner diameter; matters for rough pipes only. [mm]

    Returns
    -------
    ndarray
        Friction factor f of h = f L/D v^2/2g. [-]

    References
    ----------
    Blasius, H. (1913), f = 0.316 Re^-0.25; Watters, G.Z., Keller, J. (1978), ASAE paper 78-2015,
    f = 0.13 Re^-0.172 (both from memory). Swamee, P.K., Jain, A.K. (1976), J. Hydraul. Div. 102:657-664.
    Dunlop, E.J. (1991), cubic interpolation between Re 2000 and 4000, as printed in Rossman, L. et al.
    (2020), EPANET 2.2 User Manual, EPA/600/R-20/133 (from memory).

    Examples
    --------
    >>> round(float(friction_factor(3522.7, Friction("Blasius"))), 6)
    0.041017
    >>> round(float(friction_factor(1000.0)), 6), round(float(friction_factor(10000.0)), 4)
    (0.064, 0.0311)
    """
    number = np.maximum(np.asarray(re, float), 1e-9)
    if friction.law == "Swamee-Jain":
        return _swamee_jain_dunlop(number, friction.roughness / bore)
    smooth = np.where(number <= BLASIUS_ENDS, 0.316 * number**-0.25, 0.13 * number**-0.172)
    return np.asarray(np.where(number < BLASIUS_MEETS_LAMINAR, 64.0 / number, smooth))


def _swamee_jain_dunlop(re: NDArray[np.float64], roughness: float) -> NDArray[np.float64]:
    """Return the factor of EPANET: 64/Re, Dunlop's cubic, Swamee-Jain; relative roughness. [-]"""
    turbulent = 0.25 / np.log10(roughness / 3.7 + 5.74 / np.maximum(re, TURBULENT_STARTS) ** 0.9) ** 2
    r = re / LAMINAR_ENDS
    y2 = roughness / 3.7 + 5.74 / TURBULENT_STARTS**0.9
    y3 = -2.0 * np.log10(y2)
    fa = y3**-2
    fb = fa * (2.0 - 1.8 / np.log(10.0) * 2.0 * (5.74 / TURBULENT_STARTS**0.9) / (y2 * y3))
    x1, x2 = 7.0 * fa - fb, 0.128 - 17.0 * fa + 2.5 * fb
    x3, x4 = -0.128 + 13.0 * fa - 2.0 * fb, 0.032 - 3.0 * fa + 0.5 * fb
    between = x1 + r * (x2 + r * (x3 + r * x4))
    return np.asarray(
        np.where(re <= LAMINAR_ENDS, 64.0 / re, np.where(re < TURBULENT_STARTS, between, turbulent))
    )


def friction_loss(
    flow: ArrayLike,
    length: ArrayLike,
    bore: float,
    *,
    temperature: float = 20.0,
    friction: Friction = SMOOTH,
) -> NDArray[np.float64]:
    """Return the pressure lost to friction along a pipe of constant flow. [kPa]

    Parameters
    ----------
    flow : array_like
        Flow, not negative. [L/h]
    length : array_like
        Length of pipe. [m]
    bore : float
        Inner diameter. [mm]
    temperature : float
        Water temperature. [°C]
    friction : Friction
        The friction law.

    Returns
    -------
    ndarray
        Darcy-Weisbach loss. [kPa]

    Examples
    --------
    The lateral of the worked case at full flow, 0.19160 m of water:

    >>> loss = float(friction_loss(160.0, 30.0, 16.0, friction=Friction("Blasius")))
    >>> round(loss / (density(20.0) * GRAVITY / 1000.0), 4)
    0.1916
    """
    v = velocity(flow, bore)
    f = friction_factor(v * (bore / 1000.0) / kinematic_viscosity(temperature), friction, bore=bore)
    dynamic = density(temperature) * v**2 / 2000.0
    return np.asarray(f * np.asarray(length, float) / (bore / 1000.0) * dynamic)
