"""The water's analysis in the installation file: what is taken, and what is named with line, value and mend."""

from __future__ import annotations

import pytest

from ingest.load_installation import InstallationError, loads
from tests.support.bench import TEXT

ROW = "\n[water]\n[[water.analysis]]\nsampled = 2026-02-17\n"


@pytest.mark.parametrize(
    ("line", "key", "value"),
    [
        ("pH = 7.4", "ph", 7.4),
        ('iron = "<0.02 mg/L"', "iron", 0.02),
        ('iron = "150 ug/L"', "iron", 0.15),
        ('calcium = "56 ppm"', "calcium", 56.0),
        ('conductivity = "620 uS/cm"', "conductivity", 0.62),
        ('bacteria = "1.2e4 CFU/mL"', "bacteria", 12000.0),
        ('bacteria = "300000 1/L"', "bacteria", 300.0),
    ],
)
def test_value_is_read_in_any_usual_unit(line: str, key: str, value: float) -> None:
    """Values come with the unit of the laboratory's sheet; less than a limit is taken as that limit."""
    [row] = loads((TEXT + ROW + line).encode()).water.analysis

    assert getattr(row, key) == pytest.approx(value)


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        ("iron = 0.3", r"line \d+, \[water\] analysis entry 1 iron = 0.3: the unit is missing"),
        ("pH = 74", r"\[water\] analysis entry 1 pH = 74: expected 14.0 or less"),
        ("ph = 7.4", r"\[water\] analysis entry 1 ph: unknown key; did you mean \"pH\""),
        ('calcium = "3 meq/L"', r"calcium = \"3 meq/L\": 'meq/L' is not a unit of concentration"),
        ('iron = "5 g/L"', r"iron = \"5 g/L\": that is 5000 mg/L; expected 0 to 1000 mg/L. Has a unit or a point slipped"),
        ('iron = "-1 mg/L"', r"iron = \"-1 mg/L\": that is -1 mg/L; expected 0 to 1000"),
        ("", r"\[water\] analysis entry 1: expected one value or more beside the day"),
        (
            "pH = 7\n[[water.analysis]]\nsampled = 2026-02-17\npH = 8",
            r"\[water\] analysis = .*: two analyses were sampled on 2026-02-17",
        ),
        ("pH = 7\n[[water.analysis]]\npH = 8", r"\[water\] analysis entry 2 sampled: this key is missing"),
    ],
)  # fmt: skip
def test_slip_is_named_with_its_place_and_its_mend(lines: str, message: str) -> None:
    """A bad analysis names line, table, key and value, and what was expected there."""
    with pytest.raises(InstallationError, match=message):
        loads((TEXT + ROW + lines).encode())


def test_unknown_classes_are_refused_with_the_nearest_word() -> None:
    """Only the two published tables can be chosen."""
    with pytest.raises(
        InstallationError, match='classes = "Pits": expected one of "Bucks", "Pitts"; did you mean "Pitts"'
    ):
        loads((TEXT + '\n[water]\nclasses = "Pits"\n').encode())
