"""What falls out of a water: held against PHREEQC, and the checks of a description that rest on it."""

from __future__ import annotations

import math
from datetime import date
from typing import Any

import pytest
from phreeqc import Phreeqc

from analysis.commissioning.example import garden
from analysis.commissioning.sheet import sheet
from analysis.saturation import (
    BICARBONATE,
    SULFATE,
    Solution,
    gypsum_index,
    lime_ph,
    mixed_ph,
    phosphate_ph,
)

DAY = date(2026, 5, 1)

HARD = {
    "sampled": "2026-02-01",
    "pH": 7.6,
    "conductivity": "0.7 mS/cm",
    "calcium": "90 mg/L",
    "magnesium": "10 mg/L",
    "bicarbonate": "250 mg/L",
    "sulfate": "40 mg/L",
}
SOFT = HARD | {
    "pH": 6.8,
    "conductivity": "0.1 mS/cm",
    "calcium": "6 mg/L",
    "magnesium": "1 mg/L",
    "bicarbonate": "20 mg/L",
}
"""Two invented waters."""


def _phreeqc(composition: dict[str, float], ph: str) -> dict[str, float]:
    """Return pH, ionic strength, bicarbonate [mol/kgw] and saturation indices of a solution by PHREEQC."""
    engine = Phreeqc()
    engine.LoadBuiltInDatabase("phreeqc.dat")
    engine.SetSelectedOutputStringOn(True)  # noqa: FBT003 - the engine's own signature
    lines = "\n".join(f" {element} {amount:.10g}" for element, amount in composition.items())
    failed = engine.RunString(
        "PHASES\nBrushite\n CaHPO4:2H2O = Ca+2 + HPO4-2 + 2H2O\n log_k -6.59\n"
        f"SOLUTION 1\n units mol/kgw\n temp 25\n pH {ph}\n{lines}\n"
        "USER_PUNCH\n -headings ph mu hco3 lime gypsum brushite\n"
        ' 10 PUNCH -LA("H+"), MU, TOT("C(4)"), SI("Calcite"), SI("Gypsum"), SI("Brushite")\n'
        "SELECTED_OUTPUT\n -reset false\n -user_punch true\nEND\n"
    )
    assert not failed, engine.GetErrorString()
    head, row = engine.GetSelectedOutputString().split("\n")[:2]
    return dict(zip(head.split(), map(float, row.split()), strict=True))


@pytest.mark.parametrize(
    ("calcium", "bicarbonate", "ph"), [(0.5, 1.0, 7.0), (1.5, 3.0, 7.5), (3.0, 5.0, 8.2)]
)
def test_lime_falls_out_where_phreeqc_says(calcium: float, bicarbonate: float, ph: float) -> None:
    """The index of calcite, pH less pH of saturation, is PHREEQC's to 0.1 in soft, middling and hard water."""
    said = _phreeqc({"Ca": calcium / 1e3, "Alkalinity": bicarbonate / 1e3, "Na": 0.002, "Cl": 0.002}, f"{ph}")
    water = Solution(ph, 40.078 * calcium, bicarbonate=BICARBONATE * bicarbonate, strength=said["mu"])

    assert ph - lime_ph(water) == pytest.approx(said["lime"], abs=0.1)


@pytest.mark.parametrize(("calcium", "sulfate"), [(5.0, 5.0), (15.0, 15.0), (30.0, 10.0)])
def test_gypsum_index_warns_early_and_little(calcium: float, sulfate: float) -> None:
    """Without pairs of ions the index of gypsum is above PHREEQC's, by 0.35 at most."""
    balance = 2 * (calcium - sulfate) / 1e3
    ions = {"Ca": calcium / 1e3, "S(6)": sulfate / 1e3} | ({"Cl": balance} if balance > 0 else {})
    said = _phreeqc(ions, "7 charge")
    index = gypsum_index(Solution(7.0, 40.078 * calcium, sulfate=SULFATE * sulfate, strength=said["mu"]))

    assert 0.0 <= index - said["gypsum"] <= 0.35


@pytest.mark.parametrize("phosphate", [0.5, 2.0, 6.0, 12.5])
def test_phosphate_stock_in_hard_water_is_judged_as_phreeqc_does(phosphate: float) -> None:
    """The pH after mixing monopotassium phosphate into a hard water, and how far calcium phosphate is beyond saturation there."""
    water = {
        "Ca": 0.0014,
        "Mg": 0.0004,
        "Na": 0.001,
        "K": 5e-05,
        "Cl": 0.0011,
        "C(4)": 0.0031,
        "S(6)": 0.00025,
    }
    alone = _phreeqc(water, "7 charge")
    mixed = _phreeqc(water | {"K": 5e-05 + phosphate / 1e3, "P": phosphate / 1e3}, "7 charge")
    solution = Solution(
        alone["ph"],
        56.1,
        bicarbonate=181.0,
        sulfate=24.0,
        phosphorus=30.974 * phosphate,
        strength=mixed["mu"],
    )

    assert mixed_ph(solution) == pytest.approx(mixed["ph"], abs=0.1)
    assert (phosphate_ph(solution) < mixed["ph"] - 0.3) <= (mixed["brushite"] > 0)
    assert (phosphate_ph(solution) > mixed["ph"] + 0.1) <= (mixed["brushite"] < 0)


def test_nothing_falls_out_of_what_holds_none() -> None:
    """A water without calcium reaches saturation with nothing, at no pH."""
    pure = Solution(7.0, 0.0, bicarbonate=100.0, sulfate=100.0, phosphorus=50.0, strength=0.01)

    assert (lime_ph(pure), gypsum_index(pure), phosphate_ph(pure)) == (math.inf, -math.inf, math.inf)


def _clashes(water: dict[str, Any], salts: dict[str, str]) -> list[tuple[str, str]]:
    """Return what the sheet says of a stock of these salts in a water: first words, and how grave."""
    system = garden(
        water__analysis=[water], stock__A__salts=salts, stock__A__nutrients={}, stock__A__dilutions=[]
    )
    found = [r for r in sheet(system, DAY).remarks if r.kind == "water and stock must not meet"]
    return [(r.what.split(": ")[1].split(" ", 2)[0], r.severity) for r in found]


@pytest.mark.parametrize(
    ("water", "salts", "expected"),
    [
        (HARD, {"monopotassium phosphate": "30 g/L"}, [("calcium", "act")]),
        (HARD, {"calcium nitrate": "100 g/L"}, [("lime", "watch")]),
        (HARD, {"potassium sulfate": "60 g/L"}, []),
        (SOFT, {"monopotassium phosphate": "30 g/L"}, []),
        (SOFT, {"calcium nitrate": "100 g/L"}, []),
        (HARD, {"potassium nitrate": "100 g/L"}, []),
        (
            HARD | {"calcium": "600 mg/L", "sulfate": "1500 mg/L"},
            {"potassium sulfate": "100 g/L"},
            [("gypsum", "act")],
        ),
    ],
    ids=["phosphate", "calcium", "sulfate", "soft phosphate", "soft calcium", "nitrate", "gypsum water"],
)
def test_stock_is_held_against_the_water(
    water: dict[str, Any], salts: dict[str, str], expected: list[tuple[str, str]]
) -> None:
    """What falls out of the delivered solution is named where calcium meets its partner, and nowhere else."""
    assert _clashes(water, salts) == expected


def test_phosphate_without_a_full_analysis_is_not_judged() -> None:
    """A phosphate stock in a water whose calcium nobody measured is told as not judged, with what is lacking."""
    system = garden(
        water__analysis=[{"sampled": "2026-02-01", "pH": 7.4}], stock__A__salts={"monopotassium phosphate": "30 g/L"},
        stock__A__nutrients={},
    )  # fmt: skip
    [remark] = [r for r in sheet(system, DAY).remarks if r.kind == "water and stock not judged"]

    assert "does not say the water's calcium" in remark.what


def test_hard_water_in_the_tank_is_told() -> None:
    """A sulfate stock made up with water of 90 mg/L calcium: at most 387 mg of gypsum in a litre; with 6 mg/L no word."""
    told = {
        name: [
            r.what
            for r in sheet(
                garden(water__analysis=[water], stock__A__salts={"potassium sulfate": "60 g/L"}), DAY
            ).remarks
            if r.kind == "stock made up with hard water"
        ]
        for name, water in (("hard", HARD), ("soft", SOFT))
    }

    assert "up to 387 mg/L of gypsum" in told["hard"][0]
    assert told["soft"] == []
