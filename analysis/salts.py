"""What a stock tank can hold: solubility of the usual salts, and which of them must not meet."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping


@dataclass(frozen=True, slots=True)
class Salt:
    """One fertilizer salt.

    Attributes
    ----------
    name : str
        The trade's name, as written in the installation file.
    formula : str
        Its chemical formula.
    ions : frozenset of str
        What it gives to the solution, as the compatibility table names it.
    solubility : tuple of float
        Dry salt that 100 g of water dissolve at 0, 10, 20, 30 and 40 °C. [g]
    dry_share : float
        Share of the salt's mass that is not crystal water. [-]
    share : dict
        Element to its share of the salt's mass. [-]
    """

    name: str
    formula: str
    ions: frozenset[str]
    solubility: tuple[float, ...]
    dry_share: float
    share: Mapping[str, float]


SOLUBILITY_TEMPERATURES = (0.0, 10.0, 20.0, 30.0, 40.0)
"""Temperatures of `Salt.solubility`. [°C]"""


def _salt(
    name: str,
    formula: str,
    ions: str,
    solubility: tuple[float, ...],
    *,
    dry_share: float = 1.0,
    **share: float,
) -> Salt:
    """Return a salt; its ions as a spaced list."""
    return Salt(name, formula, frozenset(ions.split()), solubility, dry_share, MappingProxyType(share))


_LISTED = (
    _salt("potassium nitrate", "KNO3", "K nitrate", (13.9, 21.2, 31.6, 45.3, 61.3), N=0.1385, K=0.3867),
    _salt(
        "calcium nitrate",
        "Ca(NO3)2.4H2O",
        "Ca nitrate",
        (105.0, 115.0, 129.0, 152.0, 191.0),
        dry_share=0.6949,
        N=0.1186,
        Ca=0.1697,
    ),
    _salt("ammonium nitrate", "NH4NO3", "NH4 nitrate", (118.0, 150.0, 192.0, 242.0, 297.0), N=0.35),
    _salt("ammonium sulfate", "(NH4)2SO4", "NH4 sulfate", (70.6, 73.0, 75.4, 78.0, 81.0), N=0.212, S=0.2426),
    _salt("potassium sulfate", "K2SO4", "K sulfate", (7.4, 9.3, 11.1, 13.0, 14.8), K=0.4487, S=0.184),
    _salt("potassium chloride", "KCl", "K chloride", (28.0, 31.2, 34.2, 37.2, 40.1), K=0.5244, Cl=0.4755),
    _salt(
        "monopotassium phosphate",
        "KH2PO4",
        "K phosphate",
        (14.8, 18.3, 22.6, 28.0, 33.5),
        P=0.2276,
        K=0.2873,
    ),
    _salt(
        "monoammonium phosphate",
        "NH4H2PO4",
        "NH4 phosphate",
        (22.7, 29.5, 37.4, 46.4, 56.7),
        N=0.1218,
        P=0.2693,
    ),
    _salt(
        "magnesium sulfate",
        "MgSO4.7H2O",
        "Mg sulfate",
        (22.0, 28.2, 33.7, 38.9, 44.5),
        dry_share=0.4884,
        Mg=0.0986,
        S=0.1301,
    ),
    _salt(
        "magnesium nitrate",
        "Mg(NO3)2.6H2O",
        "Mg nitrate",
        (62.1, 66.0, 69.5, 73.6, 78.9),
        dry_share=0.5784,
        N=0.1093,
        Mg=0.0948,
    ),
    _salt("urea", "CO(NH2)2", "urea", (67.0, 84.0, 108.0, 136.0, 167.0), N=0.4665),
)

SALTS: Mapping[str, Salt] = MappingProxyType({salt.name: salt for salt in _LISTED})
"""Salts by name. Solubility from general chemistry tables, from memory, rounded. Shares are computed from
the molar masses."""


@dataclass(frozen=True, slots=True)
class Clash:
    """Two things that must not meet in one stock.

    Attributes
    ----------
    one, other : str
        Ions or substances.
    severity : {"stop", "watch"}
        ``stop`` where solids form at stock strength or people are endangered.
    what : str
        What happens.
    mend : str
        What to do instead.
    """

    one: str
    other: str
    severity: str
    what: str
    mend: str


CLASHES = (
    Clash("Ca", "sulfate", "stop", "gypsum falls out", "keep calcium in a stock of its own"),
    Clash("Ca", "phosphate", "stop", "calcium phosphate falls out", "keep calcium in a stock of its own"),
    Clash(
        "Mg",
        "phosphate",
        "watch",
        "magnesium phosphate can fall out unless the stock is acid",
        "try it in a jar",
    ),
    Clash("Ca", "carbonate", "stop", "lime falls out", "keep calcium away from carbonates"),
    Clash("iron", "phosphate", "watch", "iron that is not chelated falls out", "use chelated iron"),
    Clash(
        "acid",
        "chlorine",
        "stop",
        "poisonous chlorine gas is set free",
        "never mix them: tanks and injection points apart; label and safety data sheet rule",
    ),
    Clash("NH4", "alkali", "watch", "ammonia gas escapes", "keep ammonium away from alkaline products"),
)
"""The usual table of what must not meet; common practice in fertigation bulletins, from memory."""


def solubility(name: str, temperature: float) -> float:
    """Return how much of a salt water holds.

    Parameters
    ----------
    name : str
        A key of `SALTS`.
    temperature : float
        Temperature of the stock, 0 to 40. [°C]

    Returns
    -------
    float
        Dry salt, without crystal water, that 100 g of water dissolve. [g]

    Raises
    ------
    ValueError
        If the salt is not listed or the temperature is outside the table.

    References
    ----------
    `SALTS`.

    Examples
    --------
    >>> solubility("potassium nitrate", 20.0)
    31.6
    """
    salt = _known(name)
    if not SOLUBILITY_TEMPERATURES[0] <= temperature <= SOLUBILITY_TEMPERATURES[-1]:
        msg = f"solubility is tabulated from 0 to 40 °C, not at {temperature} °C"
        raise ValueError(msg)
    return float(np.interp(temperature, SOLUBILITY_TEMPERATURES, salt.solubility))


def _known(name: str) -> Salt:
    """Return a salt, or say which there are."""
    if name not in SALTS:
        msg = f"{name!r} is not a salt of the table; known: {', '.join(SALTS)}"
        raise ValueError(msg)
    return SALTS[name]


def share_of_solubility(salts: Mapping[str, float], temperature: float) -> dict[str, float]:
    """Return how near each salt of a stock is to what water holds.

    Parameters
    ----------
    salts : mapping of str to float
        Salt to its mass in a litre of stock. [g/L]
    temperature : float
        Coldest temperature the stock will see. [°C]

    Returns
    -------
    dict of str to float
        Salt to mass over solubility; above 1 it will not dissolve. [-]

    Notes
    -----
    Each salt is judged alone in as much water as the litre holds, taken as 1 kg: a common ion lowers the
    solubility, so that 0.8 is already near in a mixture.

    References
    ----------
    `SALTS`.

    Examples
    --------
    >>> {k: round(v, 2) for k, v in share_of_solubility({"potassium sulfate": 120.0}, 10.0).items()}
    {'potassium sulfate': 1.29}
    """
    return {
        name: grams * SALTS[name].dry_share / (10.0 * limit)
        for name, grams, limit in ((n, g, solubility(n, temperature)) for n, g in salts.items())
    }


def clashes(parts: Iterable[str]) -> list[tuple[str, str, Clash]]:
    """Return what must not meet among the parts of one stock.

    Parameters
    ----------
    parts : iterable of str
        Salts by name, or substances as the table names them, such as ``"acid"`` or ``"chlorine"``.

    Returns
    -------
    list of (str, str, Clash)
        The two parts and what happens, worst first.

    References
    ----------
    `CLASHES`.

    Examples
    --------
    >>> [clash.what for _, _, clash in clashes(["calcium nitrate", "magnesium sulfate"])]
    ['gypsum falls out']
    """
    found = [
        (first, second, clash)
        for first, second in combinations(sorted(set(parts)), 2)
        for clash in CLASHES
        if _meet(clash, _ions(first), _ions(second))
    ]
    return sorted(found, key=lambda item: item[2].severity != "stop")


def _ions(part: str) -> frozenset[str]:
    """Return what a part gives to the solution; a substance gives itself."""
    return SALTS[part].ions if part in SALTS else frozenset({part})


def _meet(clash: Clash, first: frozenset[str], second: frozenset[str]) -> bool:
    """Return whether the two sides of a clash come from two different parts."""
    return (clash.one in first and clash.other in second) or (clash.other in first and clash.one in second)
