"""Dilutions adjusted to one smooth curve, and a temperature coefficient that changes with strength."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.dilution import INTERPOLATION_LIMIT, DilutionCurve, curve_of, fraction_of
from analysis.dilution_nodes import OWN_SHARE, adjusted
from analysis.injection.strength import LEAST_UPTAKE, coefficient_change, lean_limit, strength_factor, uptake
from benchmarks.dilution import INSIDE, coefficient, curve, step, worst
from benchmarks.scenarios.chemistry import STOCKS
from tests.support.virtual import virtual

NODES = (25, 50, 100, 200, 400, 800)

ACCURACY = 0.006

PHOSPHATE = "monopotassium phosphate"


@pytest.mark.parametrize("name", STOCKS)
def test_faultless_dilutions_are_hardly_moved(name: str) -> None:
    """Nodes straight from PHREEQC stay within 0.15 %, and the inversion between them keeps its limit."""
    known = curve(STOCKS[name], NODES)
    steps = adjusted(known.fractions, known.steps, ACCURACY)
    between = np.geomspace(known.fractions[0], INSIDE * known.fractions[-1], 40)

    assert np.abs(np.array(steps) / known.steps - 1.0).max() < 0.0015
    assert worst(STOCKS[name], replace(known, steps=steps), between) < INTERPOLATION_LIMIT


def test_adjustment_takes_part_of_each_dilutions_own_error() -> None:
    """Over 200 draws the pace of a decay read from the nodes errs by less than 0.7 of what it does by the readings."""
    rng = np.random.default_rng(20260721)
    known = curve(STOCKS["A"], NODES)
    own = OWN_SHARE * ACCURACY
    at = np.geomspace(0.004, 0.03, 40)
    decays = np.array([step(STOCKS["A"], float(f)) for f in at])

    def pace(steps: tuple[float, ...]) -> float:
        found = fraction_of(DilutionCurve(known.fractions, steps, known.water), decays)
        return float(np.polyfit(np.log(at), np.log(found), 1)[0])

    read, moved = [], []
    for _ in range(200):
        steps = tuple(np.array(known.steps) * (1.0 + rng.normal(0.0, own, len(known.steps))))
        read.append(pace(steps) - 1.0)
        moved.append(pace(adjusted(known.fractions, steps, ACCURACY)) - 1.0)

    assert np.std(moved) < 0.7 * np.std(read)


def test_wrong_dilution_is_not_smeared_over_the_others() -> None:
    """With one dilution 4 % off, the readings do not lie on a curve and stay as they are."""
    known = curve(STOCKS["A"], NODES)
    broken = (*known.steps[:2], 1.04 * known.steps[2], *known.steps[3:])

    assert adjusted(known.fractions, broken, ACCURACY) == broken


def test_few_dilutions_and_faultless_ones_stay_as_read() -> None:
    """Three dilutions, or an accuracy of nothing, leave nothing to adjust."""
    known = curve(STOCKS["A"], NODES)

    assert adjusted(known.fractions[:3], known.steps[:3], ACCURACY) == known.steps[:3]
    assert adjusted(known.fractions, known.steps, 0.0) == known.steps


def test_curve_of_a_stock_carries_the_adjusted_dilutions() -> None:
    """The curve that every estimate uses differs from the readings by less than three of their own errors."""
    stock = virtual(900_101, kind="displacement tank").installation.stock["S"]
    found = curve_of(stock)
    assert found is not None
    read = np.array([ec - stock.dilutions[0][1] for _, ec in stock.dilutions[1:]])
    moved = np.abs(np.array(found.steps) / read - 1.0)

    assert 0.0 < moved.max() < 3.0 * OWN_SHARE * stock.dilution_accuracy


def test_only_phosphate_shows_uptake_of_carbonate() -> None:
    """Acid phosphate's step per fraction falls towards the water by a fifth at 1:400; no other stock's falls."""
    for name, stock in STOCKS.items():
        known = curve(stock, NODES)
        missing = float(uptake(known, [0.0025])[0])

        assert missing == pytest.approx(0.21, abs=0.02) if name == PHOSPHATE else missing < LEAST_UPTAKE


@pytest.mark.parametrize("temperature", [10.0, 17.0, 30.0])
@pytest.mark.parametrize("name", STOCKS)
def test_lean_left_after_the_correction_is_within_its_limit(name: str, temperature: float) -> None:
    """A step at 1:400 against one at 1:50, compensated alike, errs within the limit; a large error is halved."""
    stock = virtual(900_110, kind="displacement tank", ideal=True, stock=name).installation.stock["S"]
    known, ends = curve(STOCKS[name], NODES), (0.0025, 0.02)
    stated = coefficient(STOCKS[name], 0.01, temperature)
    away = temperature - 25.0
    change = coefficient_change(stock, known, ends, temperature)
    factors = strength_factor(change, temperature, coefficient=stated)
    cold = [step(STOCKS[name], f, temperature=temperature) / step(STOCKS[name], f) for f in ends]
    before, after = cold[0] / cold[1], cold[0] * factors[0] / (cold[1] * factors[1])
    limit = lean_limit(stock, known, ends, temperature, away=away)

    assert abs(np.log(after)) <= limit
    assert abs(np.log(before)) < 0.007 or abs(np.log(after)) < 0.5 * abs(np.log(before))
