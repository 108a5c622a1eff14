"""Value axes that stay where they are: what each quantity usually reaches here, by the description alone."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ingest.quantities import DIMENSIONS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ingest.installation import Injector, Installation, Zone

ROOM = 1.25
"""What a value may pass its description by and still be on the axis. [-] Common practice, no source."""

WATER_C = (0.0, 40.0)
"""Temperatures of irrigation water. [degC] Common practice, no source."""

Ends = tuple[float, float]


def usual(installation: Installation, zone: str | None, quantity: str, sensors: Sequence[str]) -> Ends | None:
    """Return the ends of a value axis by what is described, so that no reading ever moves it.

    Parameters
    ----------
    installation : Installation
        The system.
    zone : str or None
        Whose panel it is; None for the head.
    quantity : str
        Of the panel.
    sensors : sequence of str
        In the panel.

    Returns
    -------
    tuple of float or None
        [stored unit]; the sensors' own range where the description tells no more, None where it tells nothing.
    """
    if quantity == "temperature":
        return WATER_C
    zones = list(installation.zone) if zone is None else [zone]
    tops = {"flow": _flow, "conductivity": _ec, "pressure": _pressure}
    top = tops[quantity](installation, zones, sensors) if quantity in tops else None
    if top is not None:
        return 0.0, ROOM * top
    ranges = [r for name in sensors if (r := installation.sensor[name].range) is not None]
    lowest = min((low for low, _ in ranges), default=0.0)
    highest = max((high for _, high in ranges), default=None)
    return None if highest is None or quantity not in DIMENSIONS else (lowest, highest)


def _flow(installation: Installation, zones: Sequence[str], sensors: Sequence[str]) -> float | None:
    """Return the greatest rated flow of some zones, or what their injectors take of it. [L/h]"""
    points = {installation.sensor[name].point for name in sensors}
    if "drain" in points:
        return None
    rated = [(name, sum(g.count * g.flow for g in installation.zone[name].emitters)) for name in zones]
    if points == {"stock"}:
        taken = [flow * (i.ratio or 0.0) for name, flow in rated if (i := _injector(installation, name))]
        return max(taken, default=0.0) or None
    return max((flow for _, flow in rated), default=0.0) or None


def _ec(installation: Installation, zones: Sequence[str], _sensors: Sequence[str]) -> float | None:
    """Return the greatest EC that the zones' targets, or else their stocks' curves, name. [mS/cm]"""
    found = [top for name in zones if (top := _zone_ec(installation, name)) is not None]
    return max(found, default=None)


def _zone_ec(installation: Installation, name: str) -> float | None:
    zone: Zone = installation.zone[name]
    if zone.target is not None and zone.target.ec is not None:
        return float(zone.target.ec[1])
    stock, injector = installation.stock_of(name), _injector(installation, name)
    if stock is None or injector is None or not stock.dilutions:
        return None
    fed = [ec for f, ec in stock.dilutions if injector.ratio is not None and f >= injector.ratio]
    return float(min(fed, default=max(ec for _, ec in stock.dilutions)))


def _pressure(installation: Installation, zones: Sequence[str], sensors: Sequence[str]) -> float | None:
    """Return the greatest pressure: after the regulator what it lets pass, before it the supply's. [kPa]"""
    after = all(installation.sensor[name].zone in zones for name in sensors)
    regulated = installation.head.regulator_pressure
    top = regulated if after and regulated is not None else installation.supply.pressure
    return None if top is None else float(top)


def _injector(installation: Installation, zone: str) -> Injector | None:
    return installation.injector.get(installation.injector_of(zone) or "")
