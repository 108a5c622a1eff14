"""Catch tests: measures, limits that cover, causes kept apart, classes with the tables' own gaps."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
import typer
from typer.testing import CliRunner

from analysis.uniformity.catch import causes, change, sample_size, uniformity
from analysis.uniformity.classes import EU_CLASSES, US_CLASSES, eu_class, us_class, variation_class
from analysis.uniformity.cli import uniformity as command
from analysis.uniformity.measures import (
    absolute_emission_uniformity,
    from_fill_times,
    low_quarter,
    statistical_uniformity,
    variation,
    variation_limits,
)
from analysis.uniformity.read import CatchTestError, from_csv, typed
from ingest.errors import UserError

CONSTRUCTED = tuple(np.round(np.arange(1.60, 2.351, 0.05), 2))


def test_equal_emitters_are_perfectly_uniform() -> None:
    """Emitters that all give the same score 100 % by every measure."""
    found = uniformity([2.0] * 24)

    assert (found.low_quarter, found.christiansen, found.statistical, found.absolute_emission) == (100.0,) * 4
    assert found.warning is None


def test_low_quarter_counts_the_border_emitter_in_part() -> None:
    """Of six emitters the lowest one and half of the next are the low quarter."""
    assert low_quarter([1.0, 2.0, 3.0, 3.0, 3.0, 3.0]) == pytest.approx(100 * (1.0 + 0.5 * 2.0) / 1.5 / 2.5)


def test_plugged_emitters_pull_the_low_quarter_down() -> None:
    """Two dry emitters of twenty cost 40 % of the low quarter."""
    flows = [2.0] * 18 + [0.0] * 2

    assert low_quarter(flows) == pytest.approx(100 * (3 * 2.0 / 5) / 1.8)


def test_limits_of_variation_cover_the_truth() -> None:
    """In 1000 samples of 20 from a normal population the 95 % limits hold the truth 93 to 97 % of times."""
    rng = np.random.default_rng(5)
    held = 0
    for _ in range(1000):
        low, high = variation_limits(variation(rng.normal(2.0, 0.24, 20)), 20)
        held += low <= 0.12 <= high

    assert 930 <= held <= 970


def test_limits_are_open_where_the_sample_is_too_small() -> None:
    """Four very uneven catches give no upper limit."""
    assert math.isinf(variation_limits(2.0, 4)[1])


def test_quick_test_agrees_with_all_readings() -> None:
    """Fill times judged by their extremes give about the uniformity that all of them give."""
    times = np.random.default_rng(3).normal(60.0, 6.0, 400)

    assert from_fill_times(times) == pytest.approx(statistical_uniformity(times), abs=1.0)


def test_over_watering_counts_in_the_absolute_measure() -> None:
    """A few emitters that give too much lower the absolute measure more than the low quarter."""
    flows = [2.0] * 14 + [6.0] * 2

    assert absolute_emission_uniformity(flows) < low_quarter(flows)


@pytest.mark.parametrize(("table", "judge"), [(US_CLASSES, us_class), (EU_CLASSES, eu_class)])
def test_every_class_is_named_at_both_ends(
    table: tuple[tuple[str, float, float], ...], judge: object
) -> None:
    """A value at either end of a class belongs to it."""
    for name, low, high in table:
        assert judge(high) == name  # type: ignore[operator]
        assert judge(max(low, 0.0)) == name  # type: ignore[operator]


def test_gaps_of_the_table_are_told_as_gaps() -> None:
    """A value between two printed classes is said to lie between them."""
    assert us_class(83.0) == "between fair and good"
    assert eu_class(90.0) == "between good and excellent"


def test_classes_of_variation() -> None:
    """The maker's coefficient of variation is judged by the kind of emitter."""
    assert [variation_class(cv) for cv in (0.04, 0.06, 0.10, 0.14, 0.2)] == [
        "excellent",
        "average",
        "marginal",
        "poor",
        "unacceptable",
    ]
    assert variation_class(0.15, line_source=True) == "average"


def test_small_sample_is_warned_of() -> None:
    """Sixteen catches are called few, with the share of plugged emitters that they miss."""
    found = uniformity(CONSTRUCTED)

    assert found.missed == pytest.approx(1 - 0.05 ** (1 / 16))
    assert "16 catches are few: plugged emitters up to 17 %" in (found.warning or "")


def test_pressure_and_emitters_are_told_apart() -> None:
    """A zone made uneven by known parts of pressure and emitters gives those parts back."""
    rng = np.random.default_rng(11)
    pressure = rng.uniform(60.0, 140.0, 4000)
    flows = 2.0 * (pressure / 100.0) ** 0.5 * rng.normal(1.0, 0.05, 4000)

    split = causes(flows, pressure, exponent=0.5)

    assert split.emitters == pytest.approx(0.05, rel=0.05)
    assert split.pressure == pytest.approx(variation(pressure**0.5), rel=1e-9)
    assert math.hypot(split.pressure, split.emitters) == pytest.approx(variation(flows), rel=0.02)
    assert low_quarter(flows) < min(split.pressure_quarter, split.emitter_quarter)


def test_pressures_must_match_catches() -> None:
    """A pressure is needed for each catch."""
    with pytest.raises(ValueError, match="3 pressures for 4 catches"):
        causes([2.0] * 4, [100.0] * 3, exponent=0.5)


def test_no_change_is_rarely_called_one() -> None:
    """Of 400 pairs of tests of an unchanged zone about one in twenty is below p 0.05."""
    rng = np.random.default_rng(8)
    found = [change(rng.normal(2.0, 0.2, 20), rng.normal(2.0, 0.2, 20)) for _ in range(400)]

    for chances in ([c.mean_p for c in found], [c.variation_p for c in found]):
        assert 8 <= sum(p < 0.05 for p in chances) <= 34


def test_real_change_is_found() -> None:
    """A tenth less flow and doubled variation are both found in 40 catches."""
    rng = np.random.default_rng(9)
    found = change(rng.normal(2.0, 0.1, 40), rng.normal(1.8, 0.2, 40))

    assert found.mean_p < 0.01
    assert found.variation_p < 0.01
    assert found.statistical < 0


def test_more_even_zones_need_fewer_catches() -> None:
    """Twice the variation needs about four times the catches; none at all needs two."""
    assert sample_size(0.2, 0.05) == pytest.approx(4 * sample_size(0.1, 0.05), rel=0.15)
    assert sample_size(0.0, 0.05) == 2


@pytest.mark.parametrize(
    "flows", [[1.0, 2.0], [1.0, 2.0, 3.0, -1.0], [1.0, 2.0, 3.0, float("nan")], [0.0] * 5]
)
def test_what_is_no_catch_test_is_refused(flows: list[float]) -> None:
    """Too few, negative, missing or all-dry catches are refused."""
    with pytest.raises(ValueError, match="catches"):
        uniformity(flows)


def test_table_is_read_with_units_and_pressures() -> None:
    """Volumes over times become flows; semicolons and decimal commas are read."""
    test = from_csv("place;volume [mL];time [min];pressure [psi]\n1;100;3;14,5\n2;110;3;15\n")

    assert test.flows == pytest.approx((2.0, 2.2))
    assert test.pressures == pytest.approx((99.97, 103.42), abs=0.01)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("flow\n1\n", "unit of 'flow' is missing"),
        ("pressure [kPa]\n1\n", 'expected a column "flow'),
        ("flow [L/h]\n2.0\nabc\n", "line 3: flow 'abc'"),
        ("volume [mL],time [s]\n100,0\n", "line 2: a catch needs a time above zero"),
        ("", 'expected a column "flow'),
    ],
)
def test_table_that_cannot_be_read_names_its_line(text: str, message: str) -> None:
    """Each mistake is told with its place."""
    with pytest.raises(CatchTestError, match=message):
        from_csv(text)


@pytest.mark.parametrize("text", ["", "2.0 1.9", "L/h", "2.0 x L/h", "2.0 1.9 kPa"])
def test_typed_flows_need_numbers_and_a_unit_of_flow(text: str) -> None:
    """Flows without a unit, or with another kind of unit, are refused."""
    with pytest.raises(CatchTestError, match="catch test"):
        typed(text)


def test_command_prints_the_same_numbers_as_json(tmp_path: object) -> None:
    """The command reads a file and prints what the function returns."""
    app = typer.Typer()
    app.command()(command)
    lines = "\n".join(f"{flow},100" for flow in CONSTRUCTED)
    path = tmp_path / "test.csv"  # type: ignore[operator]
    path.write_text("flow [L/h],pressure [kPa]\n" + lines)

    said = CliRunner().invoke(app, [str(path), "--json", "--earlier", "2.0 2.1 1.9 2.0 L/h"])

    assert said.exit_code == 0
    assert json.loads(said.stdout)["uniformity"]["low_quarter"] == pytest.approx(84.810, abs=5e-4)
    assert json.loads(said.stdout)["causes"]["pressure_share"] == 0.0
    assert json.loads(said.stdout)["change"]["mean"] == pytest.approx(-0.0125)


def test_command_tells_what_it_cannot_judge() -> None:
    """Two catches are refused with what is needed."""
    app = typer.Typer()
    app.command()(command)

    said = CliRunner().invoke(app, ["2.0 2.1 L/h"])

    assert isinstance(said.exception, UserError)
    assert "at least 4 are needed" in str(said.exception)


def test_command_prints_a_table_for_people() -> None:
    """The table names every measure and the warning."""
    app = typer.Typer()
    app.command()(command)

    said = CliRunner().invoke(app, [" ".join(str(flow) for flow in CONSTRUCTED) + " L/h"])

    assert "low quarter DU       84.8 %" in said.stdout
    assert "careful: 16 catches are few" in said.stdout
