"""The stocks' EC is what PHREEQC says, and the installation file says the same."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from phreeqc import Phreeqc

from sample_data.recipes import added_ec, raw_ec, read_tables, recipes

if TYPE_CHECKING:
    from ingest.installation import Installation

MOLAR_MASS = {
    "Ca": 40.078,
    "Mg": 24.305,
    "Na": 22.990,
    "K": 39.098,
    "Cl": 35.453,
    "C(4)": 61.02,
    "S(6)": 96.06,
    "N(5)": 62.004,
    "P": 94.971,
}
"""Of the form in which each element stands in the water. [g/mol]"""

OXIDES = {"N": ("N(5)", 14.007), "K2O": ("K", 47.098), "Ca": ("Ca", 40.078), "P2O5": ("P", 70.972)}
"""Nutrient as declared to its element and the mass declared for one mole of it. [g/mol]"""


def _phreeqc(composition: dict[str, float], temperature: float) -> tuple[float, float]:
    """Return EC [mS/cm] and density [kg/L] of a solution given in mol per kg of water."""
    engine = Phreeqc()
    engine.LoadBuiltInDatabase("phreeqc.dat")
    engine.SetSelectedOutputStringOn(True)  # noqa: FBT003 - the engine's own signature
    lines = "\n".join(f" {element} {amount:.10g}" for element, amount in composition.items())
    failed = engine.RunString(
        f"SOLUTION 1\n units mol/kgw\n temp {temperature}\n pH 7 charge\n{lines}\n"
        "USER_PUNCH\n -headings sc rho\n 10 PUNCH SC, RHO\n"
        "SELECTED_OUTPUT\n -reset false\n -user_punch true\nEND\n"
    )
    assert not failed, engine.GetErrorString()
    sc, rho = engine.GetSelectedOutputString().split("\n")[1].split()
    return float(sc) / 1000.0, float(rho)


def _mixed(stock: dict[str, float], water: dict[str, float], fraction: float) -> dict[str, float]:
    """Return the composition of a mixture by volume at 25 °C. [mol per kg of water]"""

    def water_kg(composition: dict[str, float], litres: float) -> float:
        salts = sum(MOLAR_MASS[name] * amount for name, amount in composition.items()) / 1000.0
        return litres * _phreeqc(composition, 25.0)[1] / (1.0 + salts)

    of_stock, of_water = water_kg(stock, fraction), water_kg(water, 1.0 - fraction)
    return {
        name: (stock.get(name, 0.0) * of_stock + water.get(name, 0.0) * of_water) / (of_stock + of_water)
        for name in {*stock, *water}
    }


@pytest.mark.parametrize("name", ["A", "B"])
def test_every_mixture_conducts_as_phreeqc_computes(name: str) -> None:
    """PHREEQC gives every EC of recipes.toml to the last digit written there."""
    tables = read_tables()
    stock, water = tables["stock"][name], tables["water"]["composition"]

    computed = [_phreeqc(_mixed(stock["composition"], water, 1.0 / n), 25.0)[0] for n, _ in stock["ec"]]

    assert computed == pytest.approx([ec for _, ec in stock["ec"]], abs=0.00006)


@pytest.mark.parametrize("name", ["A", "B"])
def test_mixtures_warm_as_phreeqc_computes(name: str) -> None:
    """Between 15 and 25 °C the simulator's EC keeps within 0.6 % of PHREEQC's over the working range."""
    tables = read_tables()
    fractions = np.array([0.0, 0.0025, 0.005, 0.01, 0.02, 0.04])
    mixtures = [
        _mixed(tables["stock"][name]["composition"], tables["water"]["composition"], f) for f in fractions
    ]

    for temperature in (15.0, 20.0):
        ours = raw_ec(recipes()[name], fractions, np.full(len(fractions), temperature))
        assert ours == pytest.approx([_phreeqc(mix, temperature)[0] for mix in mixtures], rel=0.006)


def test_installation_declares_what_the_recipes_hold(installation: Installation) -> None:
    """The dilution curves and nutrients of installation.toml are the recipes', rounded."""
    tables = read_tables()
    for name, stock in installation.stock.items():
        recipe, table = recipes()[name], tables["stock"][name]
        salts = sum(MOLAR_MASS[element] * mol for element, mol in table["composition"].items()) / 1000.0
        water_kg = table["density"] / (1.0 + salts)

        assert recipe.nitrogen == pytest.approx(stock.nutrients["N"], rel=0.002)
        for nutrient, declared in stock.nutrients.items():
            element, mass = OXIDES[nutrient]
            assert declared == pytest.approx(table["composition"][element] * water_kg * mass, rel=0.004)
        for fraction, ec in stock.dilutions:
            assert ec == pytest.approx(recipe.water_ec + float(added_ec(recipe, fraction)), abs=0.0015)


def test_stronger_than_the_table_is_refused() -> None:
    """The simulator does not make up an EC beyond what was computed."""
    with pytest.raises(ValueError, match=r"stock A has no EC beyond a fraction of 0\.0400"):
        added_ec(recipes()["A"], 0.05)
