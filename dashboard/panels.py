"""Which sensors a chart shows, and in which panels: the plan of a chart, without its readings."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from dashboard.at_25 import thermometer
from dashboard.axes import usual
from dashboard.texts import say
from ingest.installation import POINTS

if TYPE_CHECKING:
    from collections.abc import Callable

    from ingest.installation import Installation


@dataclass(frozen=True, slots=True)
class Panel:
    """One panel of a chart.

    Attributes
    ----------
    title : str
        What it shows, without the unit.
    quantity : str
        Key of the quantities.
    sensors : tuple of str
        In the order of the water.
    target : tuple of float or None
        Where the value should be. [stored unit]
    target_name : str
        What the target is.
    limit : float or None
        What it must not pass. [stored unit]
    limit_name : str
        What the limit is.
    height : float
        Weight of its height. [-]
    usual : tuple of float or None
        Ends of its value axis by the description. [stored unit]
    marks : tuple of str
        Names in its key besides its sensors.
    """

    title: str
    quantity: str
    sensors: tuple[str, ...]
    target: tuple[float, float] | None = None
    target_name: str = ""
    limit: float | None = None
    limit_name: str = ""
    height: float = 1.0
    usual: tuple[float, float] | None = None
    marks: tuple[str, ...] = ()


def zone_panels(installation: Installation, zone: str) -> list[Panel]:
    """Return the panels of a zone: flow, pressure, EC, and what else is measured.

    Parameters
    ----------
    installation : Installation
        The system.
    zone : str
        One of its zones.

    Returns
    -------
    list of Panel
        Only panels that have a sensor.
    """
    injector = installation.injector.get(installation.injector_of(zone) or "")
    target = installation.zone[zone].target
    water = ("source", "mixed", "after filter", "zone")

    def sensors(quantity: str, *points: str) -> tuple[str, ...]:
        return tuple(sorted(installation.sensors_of(zone, quantity, *points), key=_order(installation)))

    own = tuple(s for s in sensors("pressure") if installation.sensor[s].zone == zone)
    panels = [
        Panel(
            say("panel.flow"),
            "flow",
            sensors("flow", *water),
            target=injector.flow_range if injector else None,
            target_name=say("panel.injector_range"),
        ),
        Panel(say("panel.pressure"), "pressure", own or sensors("pressure")),
        Panel(
            say("panel.ec"),
            "conductivity",
            sensors("conductivity", *water, "lateral end", "drain"),
            target=target.ec if target else None,
            target_name=say("panel.target"),
            height=1.3,
        ),
        Panel(say("panel.stock_flow"), "flow", sensors("flow", "stock"), height=0.7),
        Panel(say("panel.drain"), "flow", sensors("flow", "drain"), height=0.7),
        Panel(say("panel.concentration"), "concentration", sensors("concentration")),
        Panel(say("panel.temperature"), "temperature", sensors("temperature"), height=0.7),
        Panel(say("panel.level"), "level", sensors("level"), height=0.7),
        Panel(say("panel.mass"), "mass", sensors("mass"), height=0.7),
    ]
    return _with_axes(installation, zone, panels)


def head_panels(installation: Installation) -> list[Panel]:
    """Return the panels of the head: its flows and pressures, the EC of source and mixed water, the stock.

    Parameters
    ----------
    installation : Installation
        The system.

    Returns
    -------
    list of Panel
        Only panels that have a sensor.
    """
    limits = [i.max_static_pressure for i in installation.injector.values() if i.max_static_pressure]

    def sensors(quantity: str, *points: str) -> tuple[str, ...]:
        found = [
            name
            for name, sensor in installation.sensor.items()
            if sensor.quantity == quantity and sensor.zone is None and (not points or sensor.point in points)
        ]
        return tuple(sorted(found, key=_order(installation)))

    panels = [
        Panel(say("panel.flow"), "flow", sensors("flow", "supply", "source", "mixed", "after filter")),
        Panel(
            say("panel.pressure"),
            "pressure",
            sensors("pressure"),
            limit=min(limits, default=None),
            limit_name=say("panel.tank_limit"),
            height=1.3,
        ),
        Panel(say("panel.ec"), "conductivity", sensors("conductivity")),
        Panel(say("panel.stock_flow"), "flow", sensors("flow", "stock"), height=0.7),
        Panel(say("panel.level"), "level", sensors("level"), height=0.7),
        Panel(say("panel.mass"), "mass", sensors("mass"), height=0.7),
        Panel(say("panel.temperature"), "temperature", sensors("temperature"), height=0.7),
    ]
    return _with_axes(installation, None, panels)


def _with_axes(installation: Installation, zone: str | None, panels: list[Panel]) -> list[Panel]:
    """Return the panels that have a sensor, each with the axis that the description gives it."""
    return [
        replace(panel, usual=usual(installation, zone, panel.quantity, panel.sensors))
        for panel in panels
        if panel.sensors
    ]


def _order(installation: Installation) -> Callable[[str], tuple[int, str]]:
    """Return a sorting key: along the water, then by name."""

    def key(name: str) -> tuple[int, str]:
        return POINTS.index(installation.sensor[name].point), name

    return key


def sensor_label(installation: Installation, sensor: str, among: tuple[str, ...] = ()) -> str:
    """Return how a sensor is called on the screen: by its point, by its name too where two share one.

    Parameters
    ----------
    installation : Installation
        The system.
    sensor : str
        One of its sensors.
    among : tuple of str
        The sensors beside it.

    Returns
    -------
    str
        For example ``lateral end``.
    """
    described = installation.sensor[sensor]
    twins = [s for s in among if installation.sensor[s].point == described.point]
    label = described.point if len(twins) < 2 else f"{described.point}, {sensor.replace('_', ' ')}"  # noqa: PLR2004 - itself and one more
    raw = described.quantity == "conductivity" and not described.compensated
    if raw and thermometer(installation, sensor) is None:
        return say("panel.uncompensated", label=label)
    return label
