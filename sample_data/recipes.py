"""What the invented stocks do to the EC of the invented water: the simulator's own truth, from PHREEQC."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.interpolate import CubicSpline

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

RECIPES = Path(__file__).with_name("recipes.toml")
"""Compositions and the computed EC of their mixtures."""

REFERENCE_C = 25.0
"""Temperature that EC is stated at. [°C]"""


@dataclass(frozen=True, slots=True)
class Recipe:
    """One stock in the invented water.

    Attributes
    ----------
    name : str
        The stock's name in ``installation.toml``.
    roots, added : tuple of float
        Square root of the volume fraction of stock [-], and the EC that it adds at 25 °C [mS/cm].
    coefficient, water_coefficient : float
        Temperature coefficient of the added EC, and of the water's own. [1/K]
    water_ec : float
        EC of the water alone at 25 °C. [mS/cm]
    nitrogen : float
        Nitrogen in the stock. [g/L]
    """

    name: str
    roots: tuple[float, ...]
    added: tuple[float, ...]
    coefficient: float
    water_coefficient: float
    water_ec: float
    nitrogen: float


def read_tables() -> dict[str, Any]:
    """Return ``recipes.toml`` as it stands."""
    return tomllib.loads(RECIPES.read_text(encoding="utf-8"))


@cache
def recipes() -> dict[str, Recipe]:
    """Return the recipes by stock name.

    Examples
    --------
    >>> sorted(recipes())
    ['A', 'B']
    """
    tables = read_tables()
    water = tables["water"]
    return {name: _recipe(name, stock, water) for name, stock in tables["stock"].items()}


def _recipe(name: str, stock: dict[str, Any], water: dict[str, Any]) -> Recipe:
    rows = [(0.0, 0.0), *((n**-0.5, ec - water["ec"]) for n, ec in stock["ec"])]
    return Recipe(
        name,
        tuple(root for root, _ in rows),
        tuple(added for _, added in rows),
        stock["temperature_coefficient"],
        water["temperature_coefficient"],
        water["ec"],
        stock["nitrogen"],
    )


def added_ec(recipe: Recipe, fraction: ArrayLike) -> NDArray[np.float64]:
    """Return the EC that a volume fraction of stock adds to the water at 25 °C.

    Parameters
    ----------
    recipe : Recipe
        The stock.
    fraction : array_like
        Volume fraction of stock, up to the strongest row of ``recipes.toml``. [-]

    Returns
    -------
    numpy.ndarray
        EC above the water's own, same shape. [mS/cm]

    Raises
    ------
    ValueError
        If a fraction is stronger than the table.

    References
    ----------
    PHREEQC 3.8.6 with phreeqc.dat; the rows stand in ``recipes.toml``, a cubic spline joins them in the
    square root of the fraction, in which strong electrolytes run nearly straight (Kohlrausch's law).

    Examples
    --------
    >>> round(float(added_ec(recipes()["A"], 0.01)), 4)
    1.6507
    """
    roots = np.sqrt(np.maximum(np.asarray(fraction, dtype=float), 0.0))
    if np.max(roots, initial=0.0) > recipe.roots[-1] + 1e-12:
        msg = f"stock {recipe.name} has no EC beyond a fraction of {recipe.roots[-1] ** 2:.4f}"
        raise ValueError(msg)
    return np.asarray(CubicSpline(recipe.roots, recipe.added)(roots), dtype=float)


def raw_ec(
    recipe: Recipe,
    fraction: NDArray[np.float64],
    temperature_c: NDArray[np.float64],
    *,
    drift: NDArray[np.float64] | float = 0.0,
) -> NDArray[np.float64]:
    """Return the EC of a mixture as it conducts at its own temperature.

    Parameters
    ----------
    recipe : Recipe
        The stock.
    fraction : numpy.ndarray
        Volume fraction of stock. [-]
    temperature_c : numpy.ndarray
        Temperature, same shape. [°C]
    drift : numpy.ndarray or float
        EC of the water above the recipe's, at 25 °C. [mS/cm]

    Returns
    -------
    numpy.ndarray
        Uncompensated EC, same shape. [mS/cm]

    References
    ----------
    Each part follows its own straight line, with the slope of PHREEQC between 15 °C and 25 °C.

    Examples
    --------
    >>> plain = np.array([0.0])
    >>> round(float(raw_ec(recipes()["A"], plain, np.array([25.0]))[0]), 4)
    0.4767
    >>> round(float(raw_ec(recipes()["A"], plain, np.array([15.0]))[0]), 4)
    0.3756
    """
    warm = temperature_c - REFERENCE_C
    water = recipe.water_ec + np.asarray(drift) * (1.0 - fraction)
    added = added_ec(recipe, fraction)
    return water * (1.0 + recipe.water_coefficient * warm) + added * (1.0 + recipe.coefficient * warm)
