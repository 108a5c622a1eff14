"""An installation in words, as it was understood, for a person who knows what was built."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ingest.installation_trial import area_of_plot, share_of_zone
from ingest.quantities import DIMENSIONS, convert

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from ingest.installation import Injector, Installation, Plot, Sensor, Treatment, Zone


def describe(installation: Installation) -> str:
    """Return what an installation file says, as text of a few tables.

    Parameters
    ----------
    installation : Installation
        The system.

    Returns
    -------
    str
        Lines without a last newline; values in the installation's own system of units.
    """
    supply = installation.supply
    tested = "never, as far as the file says" if supply.tested is None else supply.tested.isoformat()
    pressure = _value(supply.pressure, "pressure", installation)
    lines = [
        f"{installation.name} ({installation.timezone}, {installation.units} units)",
        f"Supply: {supply.kind}, {pressure}",
        f"Backflow preventer: {supply.backflow_preventer}, tested: {tested}",
        f"Head: {' - '.join(installation.head.order) or 'order not described'}",
    ]
    injectors = [_injector_row(name, row, installation) for name, row in installation.injector.items()]
    zones = [_zone_row(name, row, installation) for name, row in installation.zone.items()]
    sensors = [_sensor_row(name, row) for name, row in installation.sensor.items()]
    treatments = [_treatment_row(name, row, installation) for name, row in installation.treatment.items()]
    plots = [_plot_row(name, row, installation) for name, row in installation.plot.items()]
    for title, rows in (
        (("injector", "kind", "ratio", "water flow", "stocks"), injectors),
        (("zone", "emitters", "rated flow", "injector", "sensors"), zones),
        (("sensor", "quantity", "point", "zone", "unit", "source"), sensors),
        (("treatment", "target a run", "margin", "plots"), treatments),
        (("plot", "treatment", "zone", "block", "ground", "of the zone's water"), plots),
    ):
        lines += ["", *_aligned([title, *rows])] if rows else []
    return "\n".join(lines)


def rated_flow(zone: Zone) -> float:
    """Return a zone's flow with every emitter at its rated flow. [L/h]

    Examples
    --------
    >>> from ingest.installation import Zone
    >>> rated_flow(Zone.model_validate({"emitters": [{"count": 20, "flow": "2 L/h"}]}))
    40.0
    """
    return float(sum(group.count * group.flow for group in zone.emitters))


def _value(value: float | None, dimension: str, installation: Installation) -> str:
    """Return a stored value in the installation's own units."""
    if value is None:
        return f"{dimension} not described"
    stored, us_unit = DIMENSIONS[dimension]
    unit = us_unit if installation.units == "us" else stored
    return f"{convert(value, stored, unit):.4g} {unit}"


def _injector_row(name: str, injector: Injector, installation: Installation) -> tuple[str, ...]:
    """Return one injector's line."""
    span = injector.flow_range
    stocks = [stock for stock, row in installation.stock.items() if row.injector == name]
    return (
        name,
        injector.kind,
        "-" if injector.ratio is None else f"1:{1 / injector.ratio:.4g}",
        "-" if span is None else " to ".join(_value(end, "flow", installation) for end in span),
        ", ".join(stocks) or "-",
    )


def _zone_row(name: str, zone: Zone, installation: Installation) -> tuple[str, ...]:
    """Return one zone's line."""
    emitters = sum(group.count for group in zone.emitters)
    sensors = [sensor for sensor in installation.sensor.values() if sensor.zone == name]
    return (
        name,
        str(emitters) if emitters else "-",
        _value(rated_flow(zone), "flow", installation) if emitters else "-",
        installation.injector_of(name) or "-",
        str(len(sensors)),
    )


def _sensor_row(name: str, sensor: Sensor) -> tuple[str, ...]:
    """Return one sensor's line."""
    source = sensor.source
    named = [f"{key} {value}" for key, value in source.model_dump(exclude_none=True).items() if key != "time"]
    return name, sensor.quantity, sensor.point, sensor.zone or "-", sensor.unit, ", ".join(named)


def _treatment_row(name: str, treatment: Treatment, installation: Installation) -> tuple[str, ...]:
    """Return one treatment's line."""
    wanted = {n: _value(dose, "areal dose", installation) for n, dose in treatment.target.nutrients.items()}
    if treatment.target.water is not None:
        wanted["water"] = _value(treatment.target.water, "water depth", installation)
    plots = [plot for plot, row in installation.plot.items() if row.treatment == name]
    return (
        name,
        ", ".join(f"{key} {value}" for key, value in wanted.items()) or "-",
        "-" if treatment.margin is None else f"{100 * treatment.margin:.3g} %",
        ", ".join(plots) or "-",
    )


def _plot_row(name: str, plot: Plot, installation: Installation) -> tuple[str, ...]:
    """Return one plot's line."""
    zone = installation.zone[plot.zone]
    alone = sum(other.zone == plot.zone for other in installation.plot.values()) == 1
    ground = _value(area_of_plot(plot, zone), "area", installation)
    share = share_of_zone(plot, zone, alone=alone)
    return name, plot.treatment, plot.zone, plot.block or "-", ground, f"{share:.3g}"


def _aligned(rows: Sequence[Iterable[str]]) -> list[str]:
    """Return rows as lines with aligned columns."""
    table = [tuple(row) for row in rows]
    widths = [max(len(row[column]) for row in table) for column in range(len(table[0]))]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in table
    ]
