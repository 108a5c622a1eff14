"""Conductivity at 25 °C, readings at a meter's limit, and the dilution curve with its edges."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.conductivity import NATURAL_WATER, at_limit, compensate, factor_to_25
from analysis.dilution import (
    INTERPOLATION_LIMIT,
    DilutionCurve,
    curve_of,
    fraction_of,
    sensitivity,
    step_of,
)
from benchmarks.dilution import curve, worst
from benchmarks.scenarios.chemistry import STOCKS
from tests.support.virtual import virtual

CURVE = DilutionCurve((0.0025, 0.005, 0.01, 0.02), (0.42, 0.83, 1.63, 3.18), 0.5)


def test_compensation_leaves_25_degrees_alone() -> None:
    """At 25 °C every coefficient and the natural-water curve give factor 1."""
    assert float(factor_to_25(25.0, coefficient=0.02)) == 1.0
    assert float(factor_to_25(25.0, coefficient="natural water")) == pytest.approx(1.0)


def test_default_coefficient_is_within_its_stated_error_for_potassium_chloride() -> None:
    """With the default coefficient 0.01 mol/kg KCl comes out within 1 % from 10 to 35 °C."""
    table = {10: 1013.95, 15: 1141.45, 20: 1273.03, 30: 1546.63, 35: 1687.79}
    errors = [float(compensate(ec, t)) / 1408.23 - 1.0 for t, ec in table.items()]

    assert max(map(abs, errors)) < 0.01


def test_natural_water_is_unknown_outside_its_table() -> None:
    """Below 0 and above 35 °C the natural-water curve has no answer."""
    assert np.isnan(factor_to_25([-0.1, 35.1], coefficient="natural water")).all()
    assert not np.isnan(factor_to_25(list(NATURAL_WATER), coefficient="natural water")).any()


def test_reading_at_the_end_of_the_range_is_flagged() -> None:
    """A reading at the upper end is flagged, one at half scale is not, and no range flags nothing."""
    assert at_limit([10.0, 20.0], (0.0, 20.0)).tolist() == [False, True]
    assert not at_limit([10.0, 20.0], None).any()


@pytest.mark.parametrize("name", STOCKS)
def test_inversion_is_within_its_limit_of_phreeqc(name: str) -> None:
    """Between dilutions a factor of two apart every stock is inverted within 0.3 % of PHREEQC."""
    known = curve(STOCKS[name], (25, 50, 100, 200, 400, 800))
    between = np.geomspace(known.fractions[0], known.fractions[-1], 40)

    assert worst(STOCKS[name], known, between) < INTERPOLATION_LIMIT


@given(st.floats(0.0, 3.18), st.floats(0.0, 3.18))
def test_inversion_is_monotone(one: float, other: float) -> None:
    """A larger step never gives a smaller fraction."""
    low, high = sorted((one, other))
    fractions = fraction_of(CURVE, [low, high])

    assert fractions[0] <= fractions[1]


@given(st.floats(1e-5, 0.02))
def test_step_is_the_inverse_of_the_fraction(fraction: float) -> None:
    """Going to the step and back gives the fraction to within 0.1 %."""
    back = float(fraction_of(CURVE, step_of(CURVE, fraction)))

    assert back == pytest.approx(fraction, rel=1e-3)


def test_curve_is_not_extrapolated() -> None:
    """A step above the strongest dilution has no fraction; at the dilutions the fraction is theirs."""
    assert np.isnan(fraction_of(CURVE, 3.19))
    assert fraction_of(CURVE, CURVE.steps) == pytest.approx(CURVE.fractions)


def test_sensitivity_multiplies_errors_of_ec() -> None:
    """One percent on the step changes the fraction by the sensitivity in percent."""
    moved = fraction_of(CURVE, [1.2, 1.212])

    assert np.log(moved[1] / moved[0]) / np.log(1.01) == pytest.approx(sensitivity(CURVE, 1.2), abs=0.01)


def test_curve_needs_the_water_and_one_dilution() -> None:
    """Without the water alone, or without any dilution, there is no curve."""
    stock = virtual().installation.stock["S"]

    assert curve_of(stock.model_copy(update={"dilutions": ()})) is None
    assert curve_of(stock.model_copy(update={"dilutions": stock.dilutions[1:]})) is None
    assert curve_of(stock.model_copy(update={"dilutions": stock.dilutions[:2]})) is not None
