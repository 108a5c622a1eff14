"""What falls out of a water at 25 °C: lime, gypsum and calcium phosphate, from an analysis and what the stock adds."""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy.optimize import brentq

from analysis.recipe import MOLAR_MASS

LOG_K2_CARBONIC = -10.33
"""Second dissociation of carbonic acid at 25 °C. [log10] Plummer & Busenberg (1982), from memory; the value that
PHREEQC's database phreeqc.dat has (-10.329, read there)."""

LOG_K_CALCITE = -8.48
"""Solubility of calcite at 25 °C. [log10] Plummer & Busenberg (1982); phreeqc.dat, read there."""

LOG_K_GYPSUM = -4.58
"""Solubility of gypsum at 25 °C. [log10] phreeqc.dat, read there."""

LOG_K_BRUSHITE = -6.59
"""Solubility of dicalcium phosphate dihydrate at 25 °C, the calcium phosphate that forms first in weakly acid
solutions. [log10] Gregory, Moreno & Brown (1970), J. Res. Natl. Bur. Stand. 74A:461, from memory."""

LOG_K2_PHOSPHORIC = -7.21
"""Second dissociation of phosphoric acid at 25 °C. [log10] From phreeqc.dat (12.346 and 19.553, read there)."""

LOG_K1_PHOSPHORIC = -2.17
"""First dissociation of phosphoric acid at 25 °C. [log10] From phreeqc.dat (19.553 and 21.721, read there)."""

LOG_K1_CARBONIC = -6.35
"""First dissociation of carbonic acid at 25 °C. [log10] phreeqc.dat (-6.352), from memory."""

LOG_K_WATER = -14.0
"""Dissociation of water at 25 °C. [log10] From memory of any text."""

DEBYE = 0.509
"""A of the Debye-Hückel law in water at 25 °C. [(kg/mol)^0.5] From memory of any text of water chemistry."""

DAVIES = 0.3
"""Linear term of Davies (1962). [-] From memory."""

STRONGEST = 0.5
"""Ionic strength up to which the Davies equation is used. [mol/L] Stumm & Morgan, from memory."""

STRENGTH_OF_EC = 0.016
"""Ionic strength of a water for its EC. [mol/L per mS/cm] Russell (1976), from memory; 0.0136 in the sample water."""

BICARBONATE, SULFATE = 61.017, 96.06
"""Molar masses of HCO3 and SO4; computed from the atomic weights. [g/mol]"""


@dataclass(frozen=True, slots=True)
class Solution:
    """What a water, or a solution made with it, holds of the ions that fall out.

    Attributes
    ----------
    ph : float
        Its acidity. [-]
    calcium, bicarbonate, sulfate, phosphorus : float
        [mg/L]; sulfate as SO4, phosphorus as the element
    strength : float
        Ionic strength. [mol/L]
    """

    ph: float
    calcium: float
    bicarbonate: float = 0.0
    sulfate: float = 0.0
    phosphorus: float = 0.0
    strength: float = 0.0


def log_activity_coefficient(charge: int, strength: float) -> float:
    """Return the logarithm of an ion's activity coefficient.

    Parameters
    ----------
    charge : int
        Of the ion. [-]
    strength : float
        Ionic strength; above `STRONGEST` that limit is taken. [mol/L]

    Returns
    -------
    float
        log10 of the coefficient. [-]

    References
    ----------
    C. W. Davies, Ion Association (1962), eq. 3.14, from memory.

    Examples
    --------
    >>> round(10 ** log_activity_coefficient(2, 0.0065), 2)
    0.71
    """
    root = math.sqrt(min(strength, STRONGEST))
    return -DEBYE * charge**2 * (root / (1.0 + root) - DAVIES * root**2)


def _log(milligrams: float, molar_mass: float, charge: int, strength: float) -> float:
    """Return the logarithm of an ion's activity; minus infinity where there is none."""
    if milligrams <= 0:
        return -math.inf
    return math.log10(milligrams / molar_mass / 1000.0) + log_activity_coefficient(charge, strength)


def lime_ph(solution: Solution) -> float:
    """Return the pH above which lime can fall out.

    Parameters
    ----------
    solution : Solution
        Its pH is not looked at.

    Returns
    -------
    float
        The pH of saturation with calcite; infinity without calcium or bicarbonate. [-]

    References
    ----------
    W. F. Langelier, J. Am. Water Works Assoc. 28 (1936) 1500: pHs = pK2 - pKs - log[Ca] - log[HCO3], in activities.

    Examples
    --------
    >>> round(lime_ph(Solution(7.87, 56.1, bicarbonate=181, strength=0.0065)), 1)
    7.4
    """
    calcium = _log(solution.calcium, MOLAR_MASS["Ca"], 2, solution.strength)
    bicarbonate = _log(solution.bicarbonate, BICARBONATE, 1, solution.strength)
    return LOG_K_CALCITE - LOG_K2_CARBONIC - calcium - bicarbonate


def gypsum_index(solution: Solution) -> float:
    """Return how far a solution is beyond saturation with gypsum.

    Parameters
    ----------
    solution : Solution
        With its calcium and sulfate.

    Returns
    -------
    float
        log10 of ion activity product over solubility: above 0 gypsum falls out. [-]

    Notes
    -----
    Pairs of ions are left out, so that the index is too high by 0.1 to 0.3 in strong solutions: it warns early.

    References
    ----------
    Definition of the saturation index; constants of this module.

    Examples
    --------
    >>> round(gypsum_index(Solution(7.0, 600.0, sulfate=1400.0, strength=0.06)), 2)
    0.19
    """
    calcium = _log(solution.calcium, MOLAR_MASS["Ca"], 2, solution.strength)
    return calcium + _log(solution.sulfate, SULFATE, 2, solution.strength) - LOG_K_GYPSUM


def phosphate_ph(solution: Solution) -> float:
    """Return the pH above which calcium phosphate can fall out.

    Parameters
    ----------
    solution : Solution
        With its calcium and phosphorus; its pH is not looked at.

    Returns
    -------
    float
        The pH of saturation with dicalcium phosphate; infinity where it cannot be reached. [-]

    Notes
    -----
    Between pH 3 and 11. Pairs of ions are left out, which warns early; less soluble phosphates form too slowly
    to count in a line.

    References
    ----------
    Mass action of the constants of this module.

    Examples
    --------
    >>> round(phosphate_ph(Solution(7.0, 60.0, phosphorus=40.0, strength=0.015)), 1)
    6.8
    """
    calcium = _log(solution.calcium, MOLAR_MASS["Ca"], 2, solution.strength)
    most = _log(solution.phosphorus, MOLAR_MASS["P"], 2, solution.strength)
    beyond = calcium + most - LOG_K_BRUSHITE
    if beyond <= 0:
        return math.inf
    between = log_activity_coefficient(1, solution.strength) - log_activity_coefficient(2, solution.strength)
    return -LOG_K2_PHOSPHORIC - between - math.log10(10.0**beyond - 1.0)


def mixed_ph(solution: Solution) -> float:
    """Return the pH to which a phosphate stock takes a water.

    Parameters
    ----------
    solution : Solution
        Its pH and bicarbonate are those of the water before the stock.

    Returns
    -------
    float
        The pH just after mixing, before any carbon dioxide is lost; afterwards it rises. [-]

    Notes
    -----
    All phosphorus is taken to come as dihydrogen phosphate, as monopotassium and monoammonium phosphate bring it. An
    acid product gives less, diammonium phosphate more.

    References
    ----------
    Balance of alkalinity and of total carbon; constants of this module.

    Examples
    --------
    >>> round(mixed_ph(Solution(7.87, 56.1, bicarbonate=181, phosphorus=387, strength=0.069)), 1)
    6.1
    """
    one, two = (math.pow(10.0, log_activity_coefficient(charge, solution.strength)) for charge in (1, 2))
    bicarbonate = solution.bicarbonate / BICARBONATE / 1000.0
    phosphate = solution.phosphorus / MOLAR_MASS["P"] / 1000.0

    def carbon(ph: float) -> tuple[float, float]:
        """Return carbonic acid and carbonate, each for one of bicarbonate."""
        return math.pow(10.0, -LOG_K1_CARBONIC - ph) * one, math.pow(10.0, ph + LOG_K2_CARBONIC) * one / two

    def free(ph: float) -> float:
        return (math.pow(10.0, ph + LOG_K_WATER) - math.pow(10.0, -ph)) / one

    acid, base = carbon(solution.ph)
    total, alkalinity = (
        bicarbonate * (1.0 + acid + base),
        bicarbonate * (1.0 + 2.0 * base) + free(solution.ph),
    )

    def lacking(ph: float) -> float:
        acid, base = carbon(ph)
        low = math.pow(10.0, -LOG_K1_PHOSPHORIC - ph) * one
        high = math.pow(10.0, ph + LOG_K2_PHOSPHORIC) * one / two
        of_carbon = total * (1.0 + 2.0 * base) / (1.0 + acid + base)
        of_phosphate = phosphate * (high - low) / (1.0 + high + low)
        return of_carbon + of_phosphate + free(ph) - alkalinity

    return float(brentq(lacking, 1.0, 14.0))
