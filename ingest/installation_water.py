"""Tables of the installation file for what the water passes: supply, injectors, stocks, head, zones."""

from __future__ import annotations

import re
from datetime import date
from itertools import pairwise
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import Field, GetJsonSchemaHandler, field_validator, model_validator

from ingest.installation_pipes import Emitters, Laterals, MainPipe, Pipe
from ingest.installation_types import (
    Area,
    Conductivity,
    Duration,
    Flow,
    Fraction,
    Height,
    Pressure,
    Share,
    Strength,
    Table,
    Temperature,
    TemperatureCoefficient,
    Volume,
    check_plausible,
)
from ingest.quantities import parse
from ingest.words import did_you_mean

if TYPE_CHECKING:
    from pydantic.json_schema import JsonSchemaValue
    from pydantic_core import CoreSchema

Preventer = Literal[
    "air gap",
    "reduced pressure",
    "double check valve",
    "pressure vacuum breaker",
    "atmospheric vacuum breaker",
    "barometric loop",
    "none",
]
"""Types of backflow preventer, in the trade's words."""

Part = Literal[
    "backflow preventer",
    "filter",
    "pressure regulator",
    "valve",
    "injector",
    "flow meter",
    "check valve",
    "vacuum breaker",
    "flow restrictor",
    "bypass",
    "booster pump",
]
"""Parts of a head."""


class Supply(Table):
    """Where the water comes from, and what protects it."""

    kind: Literal["potable", "well", "surface"]
    """Drinking water, a well, or surface water."""
    backflow_preventer: Preventer
    """What keeps stock out of the supply."""
    tested: date | None = None
    """Day of the last test that the preventer passed; the service log may hold a newer one."""
    pressure: Pressure | None = None
    """Static pressure of the supply."""
    preventer_height: Height | None = None
    """Of a vacuum breaker's outlet above the highest emitter."""


class Injector(Table):
    """What pushes or draws stock into the water."""

    kind: Literal["proportional pump", "venturi", "metering pump", "displacement tank"]
    """How it works."""
    ratio: Fraction | None = None
    """Ratio that it is set to; 1:100 is 1 part of stock in 100 parts of solution."""
    ratio_tolerance: Share = 0.05
    """Deviation from the set ratio that is still accepted."""
    flow_range: tuple[Flow, Flow] | None = None
    """Water flow between which it works as promised."""
    injection_flow: Flow | None = None
    """Stock flow of a pump that runs at its own pace."""
    tank_volume: Volume | None = None
    """Volume of the displacement tank or the stock tank."""
    tank_area: Area | None = None
    """Cross-section of the stock tank, where a level sensor shall tell its volume."""
    max_static_pressure: Pressure | None = None
    """Pressure that it stands with closed valves."""
    least_difference: Pressure | None = None
    """Pressure difference across it that it needs to draw stock."""
    interlock: bool | None = None
    """Whether it stops by itself when the water stops."""
    check_valve: bool | None = None
    """Whether its line has a check valve that keeps water out of the stock."""

    @field_validator("flow_range", mode="after")
    @classmethod
    def _rising(cls, ends: tuple[float, float] | None) -> tuple[float, float] | None:
        return rising(ends)


class Stock(Table):
    """One concentrate: its strength, and how its dilutions conduct."""

    injector: str
    """The injector that draws it."""
    nutrients: dict[str, Strength] = Field(default_factory=dict)
    """Element or oxide to its strength in the stock."""
    tracers: dict[str, Strength] = Field(default_factory=dict)
    """Substances that are only measured, and their strength in the stock."""
    strength_accuracy: Share = 0.02
    """How well its strength is known."""
    density: Strength | None = None
    """Mass of a litre of it, where a scale under the tank shall tell its volume; like "1.12 kg/L"."""
    dilutions: tuple[tuple[Fraction, Conductivity], ...] = ()
    """Hand-made dilutions in this water, measured at 25 °C: ratio or "water", and EC."""
    dilution_accuracy: Share = 0.006
    """How well each dilution was made and measured."""
    stock_conductivity: Conductivity | None = None
    """EC of the stock itself, at 25 °C."""
    conducting: bool = True
    """Whether it changes the EC of the water."""
    temperature_coefficient: TemperatureCoefficient = 0.0191
    """Change of EC for a kelvin at 25 °C, or "natural water"."""
    salts: dict[str, Strength] = Field(default_factory=dict)
    """Salt by its trade name to its mass in a litre of stock, to check solubility and compatibility."""
    coldest: Temperature | None = None
    """Lowest temperature that the stock tank will see."""

    @field_validator("dilutions", mode="after")
    @classmethod
    def _curve_rises(cls, dilutions: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
        rows = tuple(sorted(dilutions))
        for (weaker, low), (stronger, high) in pairwise(rows):
            if weaker == stronger or low >= high:
                msg = "expected EC to rise with every stronger dilution, each dilution once"
                raise ValueError(msg)
        return rows


class Head(Table):
    """The assembly between the supply and the zones."""

    order: tuple[Part, ...] = ()
    """Its parts, in the order the water passes."""
    filter_clean_loss: Pressure | None = None
    """Pressure loss of the clean filter at the flow of the largest zone."""
    regulator_pressure: Pressure | None = None
    """What the pressure regulator is set to."""
    together: tuple[tuple[str, ...], ...] = ()
    """Groups of zones that run at the same time."""


class Target(Table):
    """What the zone should get."""

    nutrients: dict[str, float] = Field(default_factory=dict)
    """Element to areal dose a run. [g/m2]"""
    ratio: Fraction | None = None
    """Injection ratio."""
    ec: tuple[Conductivity, Conductivity] | None = None
    """Band of EC at 25 °C."""
    volume: Volume | None = None
    """Water a run."""

    @model_validator(mode="before")
    @classmethod
    def _split(cls, table: object) -> object:
        if not isinstance(table, dict) or isinstance(table.get("nutrients"), dict):
            return table
        known = {*_KEYS, "EC"}
        nutrients = {key: areal_dose(key, value, _KEYS) for key, value in table.items() if key not in known}
        rest = {key.lower(): value for key, value in table.items() if key in known}
        return {"nutrients": nutrients, **rest}

    @classmethod
    def __get_pydantic_json_schema__(
        cls, core_schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        """Describe the table as it is written: an element is a key of its own."""
        schema: dict[str, Any] = handler.resolve_ref_schema(handler(core_schema))
        schema["properties"].pop("nutrients", None)
        schema["additionalProperties"] = {
            "type": "string",
            "description": "an element's dose",
            "examples": ["1.2 g/m2 per run"],
        }
        return schema

    @field_validator("ec", mode="after")
    @classmethod
    def _rising(cls, ends: tuple[float, float] | None) -> tuple[float, float] | None:
        return rising(ends)


class Zone(Table):
    """What one valve waters."""

    area: Area | None = None
    """Ground that it waters."""
    plants: Annotated[int, Field(gt=0)] | None = None
    """How many plants it waters."""
    emitters: tuple[Emitters, ...] = ()
    """Groups of like emitters."""
    main: tuple[MainPipe, ...] = ()
    """Pipes from the head to the manifold, in order."""
    manifold: Pipe | None = None
    """The pipe from which the laterals branch."""
    laterals: Laterals | None = None
    """The laterals."""
    elevation: Height = 0.0
    """Of the zone above the head."""
    injector: str | None = None
    """The injector whose solution it gets, where there is more than one."""
    clear_share: Share = 0.05
    """Clear means this share of the injection's step in EC."""
    target: Target | None = None
    """What it should get."""
    planned_run: Duration | None = None
    """How long a run is meant to last."""


def rising(ends: tuple[float, float] | None) -> tuple[float, float] | None:
    """Return a pair whose first end is the lower.

    Raises
    ------
    ValueError
        If it is not.

    Examples
    --------
    >>> rising((0.0, 3000.0))
    (0.0, 3000.0)
    """
    if ends is not None and ends[0] >= ends[1]:
        msg = "expected the lower end first"
        raise ValueError(msg)
    return ends


def areal_dose(key: str, value: object, others: tuple[str, ...]) -> float:
    """Read one element's dose a run; `others` are the keys beside elements. [g/m2]"""
    if not re.fullmatch(r"[A-Z][A-Za-z0-9]*", key):
        words = " or ".join(filter(None, (", ".join(others[:-1]), others[-1])))
        msg = f"{key} is neither an element, like N or K2O, nor {words}{did_you_mean(key, others)}"
        raise ValueError(msg)
    text = value.removesuffix("per run").strip() if isinstance(value, str) else value
    try:
        return check_plausible(parse(text, "areal dose"), 0.0, 1000.0, "areal dose")
    except ValueError as error:
        msg = f'{key} = {value!r}: expected a dose on the area, like "1.2 g/m2 per run" ({error})'
        raise ValueError(msg) from error


_KEYS = ("ratio", "ec", "volume")
