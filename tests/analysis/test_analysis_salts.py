"""Solubility and compatibility of stocks."""

from __future__ import annotations

import re

import pytest

from analysis.recipe import MOLAR_MASS
from analysis.salts import SALTS, clashes, share_of_solubility, solubility

MASSES = {**MOLAR_MASS, "H": 1.008, "O": 15.999, "C": 12.011}


def _atoms(formula: str) -> dict[str, int]:
    """Count the atoms of a formula such as ``Ca(NO3)2.4H2O``."""
    counts: dict[str, int] = {}

    def add(part: str, times: int) -> None:
        for group, many, element, number in re.findall(r"\(([^()]*)\)(\d*)|([A-Z][a-z]?)(\d*)", part):
            if group:
                add(group, times * int(many or 1))
            else:
                counts[element] = counts.get(element, 0) + times * int(number or 1)

    for part in formula.split("."):
        match = re.fullmatch(r"(\d*)(.*)", part)
        assert match
        add(match[2], int(match[1] or 1))
    return counts


@pytest.mark.parametrize("name", SALTS)
def test_shares_follow_from_the_formula(name: str) -> None:
    """Each element's share is what the molar masses say."""
    salt = SALTS[name]
    atoms = _atoms(salt.formula)
    whole = sum(MASSES[element] * count for element, count in atoms.items())

    for element, share in salt.share.items():
        assert share == pytest.approx(MASSES[element] * atoms[element] / whole, abs=2e-4)


@pytest.mark.parametrize("name", SALTS)
def test_dry_share_is_what_is_left_without_crystal_water(name: str) -> None:
    """The dry share is the anhydrous part of the molar mass."""
    salt = SALTS[name]
    dry = salt.formula.partition(".")[0]
    mass = [sum(MASSES[e] * n for e, n in _atoms(f).items()) for f in (dry, salt.formula)]

    assert salt.dry_share == pytest.approx(mass[0] / mass[1], abs=2e-4)


def test_solubility_outside_the_table_is_refused() -> None:
    """No extrapolation above 40 °C."""
    with pytest.raises(ValueError, match="tabulated from 0 to 40"):
        solubility("urea", 55.0)


def test_unknown_salt_is_named() -> None:
    """A salt that the table lacks is an error that lists those it has."""
    with pytest.raises(ValueError, match="'table salt' is not a salt of the table; known: potassium nitrate"):
        solubility("table salt", 20.0)


def test_cold_night_makes_a_full_stock_fall_out() -> None:
    """300 g/L potassium nitrate dissolves at 20 °C and does not at 10 °C."""
    stock = {"potassium nitrate": 300.0}

    assert share_of_solubility(stock, 20.0)["potassium nitrate"] < 1
    assert share_of_solubility(stock, 10.0)["potassium nitrate"] > 1


@pytest.mark.parametrize(
    ("parts", "what"),
    [
        (("calcium nitrate", "magnesium sulfate"), "gypsum falls out"),
        (("calcium nitrate", "monopotassium phosphate"), "calcium phosphate falls out"),
        (("acid", "chlorine"), "poisonous chlorine gas is set free"),
    ],
)
def test_what_must_not_meet_is_found(parts: tuple[str, str], what: str) -> None:
    """Calcium with sulfate or phosphate, and acid with chlorine, stop."""
    [(_, _, clash)] = clashes(parts)

    assert (clash.what, clash.severity) == (what, "stop")


def test_sound_stock_has_no_clash() -> None:
    """Calcium nitrate with potassium nitrate is a usual stock, and so is phosphate with sulfate."""
    assert clashes(["calcium nitrate", "potassium nitrate"]) == []
    assert clashes(["monopotassium phosphate", "ammonium sulfate"]) == []
