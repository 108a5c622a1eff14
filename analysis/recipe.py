"""From the recipe to the stock tank and back: ppm, areal dose."""

from __future__ import annotations

MOLAR_MASS = {
    "N": 14.007,
    "P": 30.974,
    "K": 39.098,
    "Ca": 40.078,
    "Mg": 24.305,
    "S": 32.06,
    "Fe": 55.845,
    "Mn": 54.938,
    "Zn": 65.38,
    "Cu": 63.546,
    "B": 10.81,
    "Mo": 95.95,
    "Cl": 35.45,
    "Na": 22.990,
}
"""Element to molar mass [g/mol]; IUPAC abridged standard atomic weights (2021), from memory."""

OXIDE_SHARE = {"P2O5": ("P", 0.4364), "K2O": ("K", 0.8301), "CaO": ("Ca", 0.7147), "MgO": ("Mg", 0.6030)}
"""Label oxide to (element, its share of the mass) [-]; computed from the molar masses."""


def positive(**values: float) -> None:
    """Refuse a value that is not above zero, by name."""
    for name, value in values.items():
        if not value > 0:
            msg = f"{name} must be above 0, not {value}"
            raise ValueError(msg)


def stock_strength(target: float, fraction: float) -> float:
    """Return the stock strength that makes a target concentration at a ratio.

    Parameters
    ----------
    target : float
        Concentration wanted in the delivered solution, above that of the water. [mg/L]
    fraction : float
        Volume fraction of stock in the solution. [-]

    Returns
    -------
    float
        Strength of the stock. [g/L]

    Raises
    ------
    ValueError
        If a value is not above zero or the fraction is not below one.

    References
    ----------
    Mass balance C1 V1 = C2 V2 with V2 including the stock, as University of Missouri IPM states it.

    Examples
    --------
    >>> stock_strength(200, 0.01)
    20.0
    """
    positive(target=target, fraction=fraction)
    if fraction >= 1:
        msg = f"fraction must be below 1, not {fraction}"
        raise ValueError(msg)
    return target / fraction / 1000.0


def delivered_concentration(strength: float, fraction: float) -> float:
    """Return what a stock makes at a ratio, above the water's own concentration.

    Parameters
    ----------
    strength : float
        Strength of the stock. [g/L]
    fraction : float
        Volume fraction of stock in the solution. [-]

    Returns
    -------
    float
        Concentration. [mg/L]

    References
    ----------
    As `stock_strength`.

    Examples
    --------
    >>> delivered_concentration(20, 0.01)
    200.0
    """
    positive(strength=strength, fraction=fraction)
    return strength * 1000.0 * fraction


def millimoles(concentration: float, element: str) -> float:
    """Turn a concentration into an amount.

    Parameters
    ----------
    concentration : float
        Mass concentration of the element. [mg/L]
    element : str
        A key of `MOLAR_MASS`.

    Returns
    -------
    float
        Amount concentration. [mmol/L]

    Raises
    ------
    ValueError
        If the element is not listed.

    References
    ----------
    Definition; molar masses of `MOLAR_MASS`.

    Examples
    --------
    >>> round(millimoles(140.07, "N"), 3)
    10.0
    """
    if element not in MOLAR_MASS:
        msg = f"no molar mass for {element!r}; known: {', '.join(MOLAR_MASS)}"
        raise ValueError(msg)
    return concentration / MOLAR_MASS[element]


def dose_per_area(strength: float, stock_volume: float, area: float) -> float:
    """Return the areal dose that a volume of stock carries.

    Parameters
    ----------
    strength : float
        Strength of the stock. [g/L]
    stock_volume : float
        Stock that went in. [L]
    area : float
        The zone's area. [m2]

    Returns
    -------
    float
        Dose. [g/m2]

    References
    ----------
    Definition.

    Examples
    --------
    >>> dose_per_area(42, 4, 140)
    1.2
    """
    positive(strength=strength, stock_volume=stock_volume, area=area)
    return strength * stock_volume / area
