"""The sensor as the installation file describes it: what it measures, where, and how its values are read."""

from __future__ import annotations

from datetime import date
from itertools import pairwise
from typing import TYPE_CHECKING, Annotated, Literal, Self

from pydantic import Field, WithJsonSchema, field_validator, model_validator

from ingest.formats.units import COUNTS, SIGNALS
from ingest.installation_sources import Source
from ingest.installation_types import Accuracy, Duration, Table, parse_accuracy
from ingest.installation_water import rising
from ingest.quantities import QUANTITIES, convert, parse

if TYPE_CHECKING:
    from pydantic import ValidationInfo

POINTS = ("supply", "source", "stock", "mixed", "after filter", "zone", "lateral end", "drain")
"""Measuring points, in the order the water passes."""

_AccuracyField = Annotated[
    Accuracy, WithJsonSchema({"type": "string", "examples": ["2 %", "0.5 % of 600 kPa", "1 % + 0.01 mS/cm"]})
]
_RangeField = Annotated[
    tuple[float, float],
    WithJsonSchema(
        {
            "type": "array",
            "items": {"type": "string"},
            "minItems": 2,
            "maxItems": 2,
            "examples": [["0 L/h", "3000 L/h"]],
        }
    ),
]
_RollOver = Annotated[
    float, WithJsonSchema({"type": ["string", "number"], "examples": ["100000 m3", 1_000_000]})
]


class Calibration(Table):
    """Pairs of raw reading and true value, valid from a day on.

    The raw value has the device's unit. The true value is text with its unit, ``[4, "0 kPa"]``, or a
    number in the device's unit; inside it is in the stored unit.
    """

    valid_from: Annotated[date, Field(alias="from")]
    """First day on which it holds."""
    points: Annotated[tuple[tuple[float, float | str], ...], Field(min_length=1)]
    """Raw reading and true value, two points or more; one point shifts only."""


class Sensor(Table):
    """One sensor: what it measures, where, and how it is read."""

    quantity: Annotated[str, WithJsonSchema({"type": "string", "enum": list(QUANTITIES)})]
    """What it measures."""
    point: Literal["supply", "source", "stock", "mixed", "after filter", "zone", "lateral end", "drain"]
    """Where, in the order the water passes."""
    pulses_per_litre: Annotated[float, Field(gt=0)] | None = None
    """For a pulse counter; its unit is then "count"."""
    unit: str
    """What the device sends; "mA" or "V" for a signal with a calibration, "count" for pulses."""
    source: Source
    """Where its readings come from."""
    zone: str | None = None
    """For zone, lateral end and drain sensors."""
    injector: str | None = None
    """For stock and mixed sensors, where there is more than one injector."""
    analyte: str | None = None
    """The substance, for a concentration."""
    accuracy: _AccuracyField = Accuracy()
    """Limits of error: of the reading, of a full scale, absolute, or a sum of these."""
    range: _RangeField | None = None
    """What it can measure; readings outside are kept and marked bad."""
    lag: tuple[Duration, Duration] | None = None
    """Shortest and longest response time."""
    interval: Duration | None = None
    """How often it sends."""
    calibration: tuple[Calibration, ...] = ()
    """Corrections, by the day from which each holds."""
    counter: Literal["total", "increment"] | None = None
    """Whether a volume is a register that only rises (the default), or what passed since the last reading."""
    rolls_over_at: _RollOver | None = None
    """Where its register begins again at zero: text with a unit, or a number in the device's unit. [L]"""
    compensated: bool = True
    """Whether a conductivity device compensates to 25 °C itself."""

    @field_validator("quantity", mode="after")
    @classmethod
    def _known_quantity(cls, quantity: str) -> str:
        if quantity not in QUANTITIES:
            msg = "expected one of " + ", ".join(QUANTITIES)
            raise ValueError(msg)
        return quantity

    @field_validator("unit", mode="after")
    @classmethod
    def _own_unit(cls, unit: str, info: ValidationInfo) -> str:
        quantity = info.data.get("quantity")
        if quantity is None or "pulses_per_litre" not in info.data:
            return unit
        if info.data["pulses_per_litre"] is not None:
            if unit in COUNTS and quantity == "volume":
                return unit
            msg = 'a pulse counter has quantity = "volume" and unit = "count"'
            raise ValueError(msg)
        if unit not in SIGNALS:
            convert(0.0, unit, QUANTITIES[quantity].unit)
        return unit

    @field_validator("accuracy", mode="before")
    @classmethod
    def _own_accuracy(cls, text: object, info: ValidationInfo) -> object:
        if isinstance(text, Accuracy) or "quantity" not in info.data:
            return text if isinstance(text, Accuracy) else Accuracy()
        return parse_accuracy(text, info.data["quantity"])

    @field_validator("range", mode="before")
    @classmethod
    def _own_range(cls, ends: object, info: ValidationInfo) -> object:
        quantity = info.data.get("quantity")
        if quantity is None:
            return None
        if not isinstance(ends, (list, tuple)) or len(ends) != 2:  # noqa: PLR2004 - a range has two ends
            stored = QUANTITIES[quantity].unit
            msg = f'expected two ends, like ["0 {stored}", "100 {stored}"]'
            raise ValueError(msg)
        return rising((parse(ends[0], quantity), parse(ends[1], quantity)))

    @field_validator("lag", mode="after")
    @classmethod
    def _rising(cls, ends: tuple[float, float] | None) -> tuple[float, float] | None:
        return rising(ends)

    @field_validator("calibration", mode="after")
    @classmethod
    def _true_values(cls, rows: tuple[Calibration, ...], info: ValidationInfo) -> tuple[Calibration, ...]:
        if not {"quantity", "unit"} <= info.data.keys():
            return ()
        quantity, unit = info.data["quantity"], info.data["unit"]
        if len({row.valid_from for row in rows}) < len(rows):
            msg = "two calibrations begin on the same day"
            raise ValueError(msg)
        return tuple(
            row.model_copy(update={"points": _stored_points(row.points, quantity, unit)}) for row in rows
        )

    @field_validator("rolls_over_at", mode="before")
    @classmethod
    def _in_litres(cls, value: object, info: ValidationInfo) -> float | None:
        if not {"quantity", "unit", "pulses_per_litre"} <= info.data.keys() or value is None:
            return None
        if isinstance(value, str):
            return parse(value, "volume")
        if not isinstance(value, (int, float)) or value <= 0:
            msg = 'expected the size of its register, like "100000 m3" or 1000000 counts'
            raise ValueError(msg)
        pulses = info.data["pulses_per_litre"]
        return value / pulses if pulses else convert(value, info.data["unit"], "L")

    @model_validator(mode="after")
    def _hangs_together(self) -> Self:
        if self.unit in SIGNALS and not self.calibration:
            msg = (
                f"a signal in {self.unit} needs a calibration, like "
                '[{ from = 2026-03-01, points = [[4, "0 kPa"], [20, "600 kPa"]] }]'
            )
        elif self.calibration and self.pulses_per_litre:
            msg = "a pulse counter is corrected through pulses_per_litre, not through calibration"
        elif (self.counter or self.rolls_over_at) and self.quantity != "volume":
            msg = 'counter and rolls_over_at belong to quantity = "volume"'
        elif self.analyte is not None and self.quantity != "concentration":
            msg = 'analyte belongs to quantity = "concentration"'
        else:
            return self
        raise ValueError(msg)


def _stored_points(
    points: tuple[tuple[float, float | str], ...], quantity: str, unit: str
) -> tuple[tuple[float, float], ...]:
    """Return calibration points by raw value, the true ones in the stored unit."""
    stored = QUANTITIES[quantity].unit
    rows = []
    for raw, true in sorted(points, key=lambda point: point[0]):
        if isinstance(true, str):
            rows.append((raw, parse(true, quantity)))
        elif unit in SIGNALS:
            msg = f'the true value needs its unit, like [{raw:g}, "{true:g} {stored}"]'
            raise ValueError(msg)
        else:
            rows.append((raw, convert(true, unit, stored)))
    if any(left[0] == right[0] or left[1] == right[1] for left, right in pairwise(rows)):
        msg = "expected raw values and true values that differ from point to point"
        raise ValueError(msg)
    return tuple(rows)
