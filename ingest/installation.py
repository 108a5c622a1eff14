"""One drip system as its ``installation.toml`` describes it, and the names that hold it together."""

from __future__ import annotations

import functools
import re
from typing import TYPE_CHECKING, Annotated, Any, Literal, NamedTuple, Self
from zoneinfo import ZoneInfo, available_timezones

from pydantic import Field, field_validator, model_validator

from ingest.installation_analysis import Water, WaterAnalysis
from ingest.installation_pipes import Emitters, Laterals, MainPipe, Pipe, lines_of
from ingest.installation_sensors import POINTS, Calibration, Sensor
from ingest.installation_sources import Broker, Source
from ingest.installation_trial import Plot, Treatment
from ingest.installation_types import Slug, Table
from ingest.installation_water import Head, Injector, Stock, Supply, Target, Zone

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

__all__ = [
    "POINTS",
    "ZONE_POINTS",
    "Broker",
    "Calibration",
    "Dangling",
    "DanglingNamesError",
    "Emitters",
    "Head",
    "Injector",
    "Installation",
    "Laterals",
    "MainPipe",
    "Pipe",
    "Plot",
    "Sensor",
    "Source",
    "Stock",
    "Supply",
    "Target",
    "Treatment",
    "Water",
    "WaterAnalysis",
    "Zone",
    "dangling",
]

ZONE_POINTS = frozenset({"zone", "lateral end", "drain"})
"""Measuring points that belong to one zone, so that their sensors name it."""


class Dangling(NamedTuple):
    """One name that leads nowhere."""

    place: tuple[str, ...]
    """Table, name and key where it stands."""
    name: str
    """What stands there; empty where the key is missing."""
    known: tuple[str, ...]
    """The names that there are."""


class DanglingNamesError(ValueError):
    """Raised when tables name each other and a name leads nowhere; carries every such place."""

    def __init__(self, problems: list[Dangling]) -> None:
        self.problems = problems
        super().__init__("; ".join(f"{'.'.join(p.place)} names {p.name!r}" for p in problems))


@functools.cache
def _timezones() -> frozenset[str]:
    """Return the names of all time zones; looking them up walks through a folder of some hundred files."""
    return frozenset(available_timezones())


class Installation(Table):
    """One drip system."""

    name: Annotated[str, Field(min_length=1)]
    """What people call it."""
    timezone: str
    """Time zone of its place, for the screen and paper, like "Europe/Lisbon"."""
    units: Literal["metric", "us"] = "metric"
    """Units on the screen and paper."""
    supply: Supply
    """Where the water comes from."""
    water: Water = Water()
    """What laboratories found in it."""
    broker: Broker = Broker()
    """Where the devices publish."""
    injector: dict[Slug, Injector] = Field(default_factory=dict)
    """The injectors, by name."""
    stock: dict[Slug, Stock] = Field(default_factory=dict)
    """The concentrates, by name."""
    head: Head = Head()
    """The assembly between the supply and the zones."""
    zone: Annotated[dict[Slug, Zone], Field(min_length=1)]
    """The zones, by name."""
    sensor: Annotated[dict[Slug, Sensor], Field(min_length=1)]
    """The sensors, by name."""
    treatment: dict[Slug, Treatment] = Field(default_factory=dict)
    """The treatments of a trial, by name."""
    plot: dict[Slug, Plot] = Field(default_factory=dict)
    """The plots of a trial, by name."""

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
        if timezone not in _timezones():
            msg = 'expected a time zone of the IANA list, like "Europe/Lisbon"'
            raise ValueError(msg)
        return timezone

    @model_validator(mode="after")
    def _names_meet(self) -> Self:
        problems = list(dangling(_references(self)))
        if problems:
            raise DanglingNamesError(problems)
        lines_of({name: zone.main for name, zone in self.zone.items()})
        return self

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


def _references(installation: Installation) -> dict[str, Any]:
    """Return the tables with nothing in them but the names that they use."""
    return {
        "injector": {name: {} for name in installation.injector},
        "stock": {name: {"injector": stock.injector} for name, stock in installation.stock.items()},
        "zone": {name: {"injector": zone.injector} for name, zone in installation.zone.items()},
        "sensor": {
            name: {"point": sensor.point, "zone": sensor.zone, "injector": sensor.injector}
            for name, sensor in installation.sensor.items()
        },
        "treatment": {name: {} for name in installation.treatment},
        "plot": {
            name: {"zone": plot.zone, "treatment": plot.treatment} for name, plot in installation.plot.items()
        },
    }


_NAMED = {
    "stock": ("injector",),
    "zone": ("injector",),
    "sensor": ("injector", "zone"),
    "plot": ("zone", "treatment"),
}
"""Kind of table to the kinds that it names."""


def dangling(tables: Mapping[str, Any]) -> Iterator[Dangling]:
    """Yield every reference that leads nowhere.

    Parameters
    ----------
    tables : mapping
        The tables of an installation file, as a TOML reader returns them; other faults are passed over.

    Yields
    ------
    Dangling
        One for each.

    Examples
    --------
    >>> list(dangling({"zone": {"a": {"injector": "mian"}}, "injector": {"main": {}}}))[0].known
    ('main',)
    """
    for kind, targets in _NAMED.items():
        for name, row in _rows(tables, kind):
            for target in targets:
                known = tuple(key for key, _ in _rows(tables, target))
                used = row.get(target)
                needed = target == "zone" and str(row.get("point")) in ZONE_POINTS
                if (isinstance(used, str) and used not in known) or (used is None and needed):
                    yield Dangling((kind, name, target), used or "", known)


def _rows(tables: Mapping[str, Any], kind: str) -> list[tuple[str, dict[str, Any]]]:
    """Return the named tables of one kind, as far as they are tables."""
    found = tables.get(kind)
    rows = found.items() if isinstance(found, dict) else ()
    return [(name, row) for name, row in rows if isinstance(row, dict)]
