"""One drip system as its ``installation.toml`` describes it: the model, its checks and its errors."""

from __future__ import annotations

import re
from datetime import date
from typing import TYPE_CHECKING, Annotated, Literal, Self
from zoneinfo import ZoneInfo, available_timezones

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from ingest.installation_types import (
    Accuracy,
    Area,
    Coefficient,
    Conductivity,
    Diameter,
    Duration,
    Flow,
    Fraction,
    Length,
    Pressure,
    Share,
    Strength,
    Volume,
    parse_accuracy,
)
from ingest.quantities import QUANTITIES, convert, parse

if TYPE_CHECKING:
    from collections.abc import Iterable

POINTS = ("supply", "source", "stock", "mixed", "after filter", "zone", "lateral end", "drain")
"""Measuring points, in the order the water passes."""

ZONE_POINTS = frozenset({"zone", "lateral end", "drain"})
"""Measuring points that belong to one zone, so that their sensors name it."""

Slug = Annotated[str, Field(pattern=r"^[A-Za-z][A-Za-z0-9_-]{0,62}$")]


class Table(BaseModel):
    """A table of the file: unknown keys are errors, values are immutable."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, validate_default=False, arbitrary_types_allowed=True
    )


class Supply(Table):
    """Where the water comes from, and what protects it."""

    kind: Literal["potable", "well", "surface"]
    backflow_preventer: Literal[
        "air gap",
        "reduced pressure",
        "double check valve",
        "pressure vacuum breaker",
        "atmospheric vacuum breaker",
        "barometric loop",
        "none",
    ]
    tested: date | None = None
    pressure: Pressure | None = None


class Injector(Table):
    """What pushes or draws stock into the water."""

    kind: Literal["proportional pump", "venturi", "metering pump", "displacement tank"]
    ratio: Fraction | None = None
    ratio_tolerance: Share = 0.05
    flow_range: tuple[Flow, Flow] | None = None
    injection_flow: Flow | None = None
    tank_volume: Volume | None = None
    max_static_pressure: Pressure | None = None


class Stock(Table):
    """One concentrate: its strength, and how its dilutions conduct."""

    injector: str
    nutrients: dict[str, Strength] = {}
    tracers: dict[str, Strength] = {}
    strength_accuracy: Share = 0.02
    dilutions: tuple[tuple[Fraction, Conductivity], ...] = ()
    dilution_accuracy: Share = 0.006
    stock_conductivity: Conductivity | None = None
    conducting: bool = True
    temperature_coefficient: Coefficient | Literal["natural water"] = 0.0191

    @field_validator("dilutions", mode="after")
    @classmethod
    def _curve_rises(cls, dilutions: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
        rows = tuple(sorted(dilutions))
        for (weaker, low), (stronger, high) in zip(rows, rows[1:], strict=False):
            if weaker == stronger or low >= high:
                msg = "expected EC to rise with every stronger dilution, each dilution once"
                raise ValueError(msg)
        return rows


class Head(Table):
    """The assembly between the supply and the zones."""

    order: tuple[
        Literal[
            "backflow preventer",
            "filter",
            "pressure regulator",
            "valve",
            "injector",
            "flow meter",
            "check valve",
            "vacuum breaker",
        ],
        ...,
    ] = ()
    filter_clean_loss: Pressure | None = None


class Emitters(Table):
    """One group of like emitters in a zone."""

    count: Annotated[int, Field(gt=0)]
    flow: Flow
    at: Pressure = 100.0
    exponent: Annotated[float, Field(ge=0.0, le=1.0)] = 0.5


class Pipe(Table):
    """A length of pipe of one bore."""

    length: Length
    diameter: Diameter


class Laterals(Pipe):
    """The like laterals of a zone, emitters at equal spacing."""

    count: Annotated[int, Field(gt=0)]
    spacing: Length
    slope: Share = 0.0


class Target(Table):
    """What the zone should get."""

    nutrients: dict[str, float] = {}
    """Element to areal dose a run. [g/m2]"""
    ratio: Fraction | None = None
    ec: tuple[Conductivity, Conductivity] | None = None
    volume: Volume | None = None

    @model_validator(mode="before")
    @classmethod
    def _split(cls, table: object) -> object:
        if not isinstance(table, dict):
            return table
        known = {"ratio", "ec", "EC", "volume"}
        nutrients = {
            key: parse(str(value).removesuffix("per run").strip(), "areal dose")
            for key, value in table.items()
            if key not in known
        }
        rest = {key.lower(): value for key, value in table.items() if key in known}
        return {"nutrients": nutrients, **rest}


class Zone(Table):
    """What one valve waters."""

    area: Area | None = None
    plants: Annotated[int, Field(gt=0)] | None = None
    emitters: tuple[Emitters, ...] = ()
    main: tuple[Pipe, ...] = ()
    manifold: Pipe | None = None
    laterals: Laterals | None = None
    elevation: Length = 0.0
    injector: str | None = None
    clear_share: Share = 0.05
    target: Target | None = None


class Source(Table):
    """Where a sensor's readings come from: SenML name, topic and field, Sparkplug metric, or CSV column."""

    senml: str | None = None
    topic: str | None = None
    field: str | None = None
    sparkplug: str | None = None
    csv: str | None = None

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if not any((self.senml, self.topic, self.sparkplug, self.csv)):
            msg = 'expected one of senml, topic, sparkplug or csv, like { senml = "urn:dev:ow:10e2073a01080063" }'
            raise ValueError(msg)
        return self


class Calibration(Table):
    """Pairs of raw reading and true value, in the device's unit, valid from a day on."""

    valid_from: Annotated[date, Field(alias="from")]
    points: Annotated[tuple[tuple[float, float], ...], Field(min_length=1)]


class Sensor(Table):
    """One sensor: what it measures, where, and how it is read."""

    quantity: str
    point: Literal["supply", "source", "stock", "mixed", "after filter", "zone", "lateral end", "drain"]
    unit: str
    source: Source
    zone: str | None = None
    injector: str | None = None
    analyte: str | None = None
    accuracy: Accuracy = Accuracy()
    range: tuple[float, float] | None = None
    lag: tuple[Duration, Duration] | None = None
    interval: Duration | None = None
    calibration: tuple[Calibration, ...] = ()
    pulses_per_litre: Annotated[float, Field(gt=0)] | None = None
    compensated: bool = True

    @field_validator("quantity", mode="after")
    @classmethod
    def _known_quantity(cls, quantity: str) -> str:
        if quantity not in QUANTITIES:
            msg = "expected one of " + ", ".join(QUANTITIES)
            raise ValueError(msg)
        return quantity

    @model_validator(mode="before")
    @classmethod
    def _own_units(cls, table: object) -> object:
        if not isinstance(table, dict) or table.get("quantity") not in QUANTITIES:
            return table
        quantity = table["quantity"]
        read = dict(table)
        if "accuracy" in read and not isinstance(read["accuracy"], Accuracy):
            read["accuracy"] = parse_accuracy(read["accuracy"], quantity)
        if isinstance(read.get("range"), list):
            read["range"] = tuple(parse(end, quantity) for end in read["range"])
        if "unit" in read and not read.get("pulses_per_litre"):
            convert(0.0, str(read["unit"]), QUANTITIES[quantity].unit)
        return read


class Broker(Table):
    """Where the devices publish. Secrets never stand here: they come from files or the environment."""

    host: str = "127.0.0.1"
    port: Annotated[int, Field(gt=0, lt=65536)] = 1883
    topics: tuple[str, ...] = ("#",)


class DanglingNamesError(ValueError):
    """Raised when tables name each other and a name leads nowhere; carries every such place."""

    def __init__(self, problems: list[tuple[tuple[str, ...], str, tuple[str, ...]]]) -> None:
        self.problems = problems
        super().__init__("; ".join(f"{'.'.join(place)} names {name!r}" for place, name, _ in problems))


class Installation(Table):
    """One drip system."""

    name: Annotated[str, Field(min_length=1)]
    timezone: str
    units: Literal["metric", "us"] = "metric"
    supply: Supply
    broker: Broker = Broker()
    injector: dict[Slug, Injector] = {}
    stock: dict[Slug, Stock] = {}
    head: Head = Head()
    zone: Annotated[dict[Slug, Zone], Field(min_length=1)]
    sensor: Annotated[dict[Slug, Sensor], Field(min_length=1)]

    @property
    def site(self) -> str:
        """The installation's name as it stands in archive paths."""
        return re.sub(r"[^a-z0-9]+", "-", self.name.lower()).strip("-") or "site"

    @property
    def tz(self) -> ZoneInfo:
        """The installation's time zone, for the screen and paper only."""
        return ZoneInfo(self.timezone)

    @field_validator("timezone", mode="after")
    @classmethod
    def _known_timezone(cls, timezone: str) -> str:
        if timezone not in available_timezones():
            msg = 'expected a time zone of the IANA list, like "Europe/Lisbon"'
            raise ValueError(msg)
        return timezone

    @model_validator(mode="after")
    def _names_meet(self) -> Self:
        problems = list(self._dangling())
        if problems:
            raise DanglingNamesError(problems)
        return self

    def _dangling(self) -> Iterable[tuple[tuple[str, ...], str, tuple[str, ...]]]:
        """Yield place, name and the names that exist, for every reference that leads nowhere."""
        for name, stock in self.stock.items():
            if stock.injector not in self.injector:
                yield ("stock", name, "injector"), stock.injector, tuple(self.injector)
        for name, zone in self.zone.items():
            if zone.injector is not None and zone.injector not in self.injector:
                yield ("zone", name, "injector"), zone.injector, tuple(self.injector)
        for name, sensor in self.sensor.items():
            if sensor.point in ZONE_POINTS and (sensor.zone or "") not in self.zone:
                yield ("sensor", name, "zone"), sensor.zone or "", tuple(self.zone)
            elif sensor.zone is not None and sensor.zone not in self.zone:
                yield ("sensor", name, "zone"), sensor.zone, tuple(self.zone)
            if sensor.injector is not None and sensor.injector not in self.injector:
                yield ("sensor", name, "injector"), sensor.injector, tuple(self.injector)

    def injector_of(self, zone: str) -> str | None:
        """Return the injector whose solution the zone gets: its own, or the only one there is."""
        named = self.zone[zone].injector
        if named is not None:
            return named
        return next(iter(self.injector)) if len(self.injector) == 1 else None

    def stock_of(self, zone: str) -> Stock | None:
        """Return the stock that the zone's injector draws, where one is described."""
        injector = self.injector_of(zone)
        return next((stock for stock in self.stock.values() if stock.injector == injector), None)

    def sensors_of(self, zone: str, quantity: str, *points: str) -> list[str]:
        """Return the names of the sensors that see this zone's water.

        Parameters
        ----------
        zone : str
            A zone's name.
        quantity : str
            For example ``"conductivity"``.
        *points : str
            Measuring points wanted, in order of preference; all where none is given.

        Returns
        -------
        list of str
            Own sensors of the zone, and shared ones of the head whose injector is the zone's.
        """
        mine = self.injector_of(zone)
        found = [
            (points.index(s.point) if points else POINTS.index(s.point), name)
            for name, s in self.sensor.items()
            if s.quantity == quantity
            and (not points or s.point in points)
            and s.zone in (None, zone)
            and s.injector in (None, mine)
        ]
        return [name for _, name in sorted(found)]
