"""Values with units as people write them: what is taken, what is refused, and that nothing hangs."""

from __future__ import annotations

import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.quantities import DIMENSIONS, QUANTITIES, convert, parse
from ingest.ratio import parse_fraction


@pytest.mark.parametrize(
    ("text", "dimension", "value"),
    [
        ("35 psi", "pressure", 241.3165),
        ("320kPa", "pressure", 320.0),
        ("3,2 bar", "pressure", 320.0),
        ("0,500 bar", "pressure", 50.0),
        (" -2.5e1 kPa ", "pressure", -25.0),
        ("2 gal/h", "flow", 7.5708),
        ("2 gph", "flow", 7.5708),
        ("1 gpm", "flow", 227.1247),
        ("0.5 m3/h", "flow", 500.0),
        ("8 L/min", "flow", 480.0),
        ("1.8 dS/m", "conductivity", 1.8),
        ("1310 µS/cm", "conductivity", 1.31),
        ("77 °F", "temperature", 25.0),
        ("298.15 kelvin", "temperature", 25.0),
        ("140 m²", "area", 140.0),
        ("1 in", "diameter", 25.4),
        ("5 %", "share", 0.05),
        ("0.05", "share", 0.05),
        ("1.9 %/K", "temperature coefficient", 0.019),
    ],
)
def test_usual_spelling_is_read(text: str, dimension: str, value: float) -> None:
    """Any usual spelling of number and unit is read into the stored unit."""
    assert parse(text, dimension) == pytest.approx(value, abs=5e-5)


@pytest.mark.parametrize(
    ("text", "dimension", "words"),
    [
        ("320", "pressure", "the unit is missing; expected a pressure with its unit"),
        (320, "pressure", "the unit is missing"),
        (True, "pressure", "expected a pressure with its unit"),
        ("kPa", "pressure", "expected a pressure with its unit"),
        ("320 L", "pressure", "'L' is not a unit of pressure"),
        ("1,000 L/h", "flow", "'1,000' may be thousands or decimals; write 1000, or a decimal point"),
        ("1e999 L/h", "flow", "1e999 is too large"),
        ("nan L/h", "flow", "expected a flow with its unit"),
        ("140 m", "area", "'m' is not a unit of area; expected an area with its unit"),
        ("many", "share", 'expected a share, like "5 %"'),
    ],
)
def test_slip_is_refused_with_its_mend(text: object, dimension: str, words: str) -> None:
    """A missing or foreign unit, thousands, and numbers that are none are refused, and say what was expected."""
    with pytest.raises(ValueError, match=r".") as caught:
        parse(text, dimension)

    assert words in str(caught.value)


@pytest.mark.parametrize(
    "unit", ["kPa**9**9**9", "9**9**9 kPa", "a" * 39 + "!", "(" * 5000, "kPa/0", "a " * 30]
)
def test_malicious_unit_is_refused_at_once(unit: str) -> None:
    """A unit that would keep the units library busy for ever is refused in no time."""
    start = time.process_time()
    with pytest.raises(ValueError, match="is not a unit"):
        parse(f"10 {unit}", "pressure")

    assert time.process_time() - start < 5.0


@given(value=st.floats(-1e9, 1e9), quantity=st.sampled_from(sorted(QUANTITIES)))
def test_there_and_back_is_the_same(value: float, quantity: str) -> None:
    """A value turned into the US unit and back is the value."""
    unit = QUANTITIES[quantity]
    there = convert(value, unit.unit, unit.us_unit)

    assert convert(there, unit.us_unit, unit.unit) == pytest.approx(value, rel=1e-9, abs=1e-6)


@given(text=st.text(max_size=60), dimension=st.sampled_from(sorted(DIMENSIONS)))
def test_any_text_is_read_or_refused(text: str, dimension: str) -> None:
    """Whatever is written is a finite number or a refusal with a reason."""
    told = ""
    value = 0.0
    try:
        value = parse(text, dimension)
    except ValueError as error:
        told = str(error)

    assert value - value == 0.0
    assert not told or "expected" in told or "write" in told


@given(n=st.integers(2, 100_000))
def test_ratio_to_water_is_a_little_weaker(n: int) -> None:
    """1 part added to n parts of water is weaker than 1 part in n of the whole by 1/(n+1) of it."""
    total, water = parse_fraction(f"1:{n}"), parse_fraction(f"1 to {n} of water")

    assert (total - water) / total == pytest.approx(1 / (n + 1), rel=1e-9)


@pytest.mark.parametrize(
    "text", ["1:1", "1:0", "2:100", "100", 100, "100 %", "0 %", "-1 %", "1:1e5", "water:1"]
)
def test_what_is_no_ratio_is_refused(text: object) -> None:
    """Ratios the wrong way round, of nothing, or without their 1 are refused."""
    with pytest.raises(ValueError, match="expected a ratio"):
        parse_fraction(text)
