"""Amounts in sentences are found again and turned, and nothing else is; every sentence of the analysis has them."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from analysis.amounts import NBSP, US_UNITS, amount, in_units, reach
from ingest.quantities import convert

ROOT = Path(__file__).parents[2]

PLAIN = re.compile(r"\}(?: |\\N\{NO-BREAK SPACE\})(?:kPa|L/h|L|g/m2|g|mm|kg|m)(?![\w/])")
"""A computed number before a unit that another reader wants turned, written without `amount`."""


@pytest.mark.parametrize("unit", sorted(US_UNITS))
@pytest.mark.parametrize("value", [0.0472, 1.0, 12.3, 2500.0])
def test_amount_is_turned_to_its_figures(unit: str, value: float) -> None:
    """A turned number is the right one, to the figures that it had."""
    number, shown = in_units(amount(value, unit, ".3g"), "us").split(NBSP)

    assert shown == US_UNITS[unit].replace("ft2", "ft²")
    assert float(number) == pytest.approx(convert(value, unit, US_UNITS[unit]), rel=0.05)


def test_both_ends_of_a_range_are_turned() -> None:
    """A range has one unit behind it, and both its numbers are in it."""
    assert in_units(f"works from {reach(100.0, 2500.0, 'L/h')}.", "us") == (
        f"works from 0.440{NBSP}to{NBSP}11.01{NBSP}gal/min."
    )


def test_sign_and_nought_stay() -> None:
    """A change keeps its sign, and nothing stays nothing."""
    assert in_units(amount(12.0, "kPa", "+.1f"), "us") == f"+1.74{NBSP}psi"
    assert in_units(amount(-12.0, "kPa", "+.1f"), "us") == f"-1.74{NBSP}psi"
    assert in_units(amount(0.0, "kPa", ".1f"), "us") == f"0.0{NBSP}psi"


@pytest.mark.parametrize(
    "text",
    [
        "compensated to 25 °C",
        "feed_1 sent 12 L of nothing",
        f"the stock holds {amount(20.0, 'g/L')} and {amount(3.0, 'mg/L')}",
        f"EC rose by {amount(0.5, 'mS/cm', '.2f')}",
        f"it took {amount(12.0, 'min')}",
        f"above {amount(1.5, 'm/s', '.1f')}",
    ],
)
def test_everything_else_stays(text: str) -> None:
    """What is no amount, and a unit that is the same in both systems, is left as it is; so is every metric text."""
    assert in_units(text, "us") == text
    assert in_units(amount(12.0, "kPa"), "metric") == f"12{NBSP}kPa"


def test_no_sentence_writes_an_amount_by_itself() -> None:
    """Every computed number with such a unit in the analysis stands in the form that can be turned."""
    doctests = re.compile(r"^\s*(>>>|\.\.\.)")
    found = [
        f"{path.relative_to(ROOT)}: {line.strip()}"
        for path in sorted((ROOT / "analysis").rglob("*.py"))
        if path.name not in ("amounts.py", "slips.py") and "cli" not in path.name
        for line in path.read_text("utf-8").splitlines()
        if PLAIN.search(line) and not doctests.match(line)
    ]

    assert found == []
