"""What the described sensors will be able to tell, how well, and what one more would buy."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from analysis.dilution import curve_of
from analysis.uncertainty import rectangular

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ingest.installation import Installation

COVERAGE = 1.96
"""Half width of a 95 % interval in standard uncertainties, normal distribution. [-]"""

UNSTATED = 0.05
"""Limit of error taken for a meter whose accuracy is not described: the lower zone of a class 2 water meter,
ISO 4064-1:2014 as read in the EU figures. [-]"""

LEVER = 1.08
"""d ln f / d ln EC for usual stocks, 1.03 to 1.12 by PHREEQC. [-] Computed."""


@dataclass(frozen=True, slots=True)
class Ability:
    """One estimate that a zone's sensors can or cannot carry.

    Attributes
    ----------
    zone : str
        The zone.
    estimate : str
        What is wanted.
    half_width : float or None
        Half of the 95 % interval that can be expected, as a share of the value; None where it is not computed
        or not possible. [-]
    by : str
        The sensors it would rest on, or why it is not possible.
    possible : bool
        Whether it is.
    next_sensor : str
        What one more sensor would buy; empty where nothing is lacking.
    """

    zone: str
    estimate: str
    half_width: float | None
    by: str
    possible: bool
    next_sensor: str


def abilities(installation: Installation) -> list[Ability]:
    """Return what each zone's sensors can carry.

    Parameters
    ----------
    installation : Installation
        The system as described.

    Returns
    -------
    list of Ability
        Zone by zone.

    References
    ----------
    JCGM 100:2008 (GUM) 5.1.6 for ratios; limits of error taken as rectangular, 4.3.7.

    Examples
    --------
    >>> from analysis.commissioning.example import garden
    >>> [a.estimate for a in abilities(garden()) if not a.possible][:1]
    ['injection ratio by meters']
    """
    found: list[Ability] = []
    for zone in installation.zone:
        injector = installation.injector_of(zone)
        if injector is not None and installation.injector[injector].kind == "displacement tank":
            found += [_tank(installation, zone), _clear_out(installation, zone)]
        elif injector is not None:
            meters, cells = (
                _by_meters(installation, zone),
                _by_ec(installation, zone, "injection ratio by EC"),
            )
            found += [meters, cells, _combined(zone, meters, cells), _clear_out(installation, zone)]
        found += [_water(installation, zone), _clogging(installation, zone)]
    return [*found, _filter(installation), _backflow(installation)]


def _limit(installation: Installation, sensor: str) -> float:
    """Return a meter's limit of error as a share of its reading; its middle range where it is absolute. [-]"""
    described = installation.sensor[sensor]
    share, absolute = described.accuracy.share, described.accuracy.absolute
    if absolute and described.range is not None:
        share += absolute / (0.5 * abs(described.range[1]) or 1.0)
    return share or UNSTATED


def _meters(installation: Installation, zone: str, *points: str) -> list[str]:
    """Return flow and volume meters at some points, flow first."""
    return [
        name for quantity in ("flow", "volume") for name in installation.sensors_of(zone, quantity, *points)
    ]


def _half(*standard: float) -> float:
    """Return the half width of the interval of a product of independent factors. [-]"""
    return COVERAGE * math.hypot(*standard)


def _by_meters(installation: Installation, zone: str) -> Ability:
    """Judge the ratio of two meters' totals."""
    main = _meters(installation, zone, "source", "mixed", "after filter", "zone")
    stock = _meters(installation, zone, "stock")
    name = "injection ratio by meters"
    if not main or not stock:
        lacking = "a flow meter on the water" if not main else "a flow or pulse meter on the stock"
        return Ability(
            zone,
            name,
            None,
            f"no: there is not {lacking}",
            possible=False,
            next_sensor=f"{lacking}: this ratio",
        )
    half = _half(*(rectangular(_limit(installation, sensor)) for sensor in (main[0], stock[0])))
    return Ability(zone, name, half, f"{main[0]} and {stock[0]}", possible=True, next_sensor="")


def _by_ec(installation: Installation, zone: str, name: str) -> Ability:
    """Judge what EC tells of the stock in the water."""
    cells = installation.sensors_of(zone, "conductivity", "mixed", "after filter", "zone", "lateral end")
    stock = installation.stock_of(zone)
    if stock is None or not stock.conducting or curve_of(stock) is None:
        why = (
            "the stock has no dilution curve"
            if stock is None or stock.conducting
            else "the stock does not conduct"
        )
        return Ability(
            zone, name, None, f"no: {why}", possible=False, next_sensor="no sensor: a dilution series by hand"
        )
    if not cells:
        lacking = "an EC cell after the injection"
        return Ability(
            zone,
            name,
            None,
            f"no: there is not {lacking}",
            possible=False,
            next_sensor=f"{lacking}: this ratio",
        )
    source = installation.sensors_of(zone, "conductivity", "source", "supply")
    gain = rectangular(_limit(installation, cells[0]))
    half = _half(LEVER * gain, LEVER * stock.dilution_accuracy)
    more = "" if source else "an EC cell on the source water: drift of the source no longer passes for stock"
    return Ability(zone, name, half, " and ".join([cells[0], *source[:1]]), possible=True, next_sensor=more)


def _tank(installation: Installation, zone: str) -> Ability:
    """Judge a tank's dose: EC for the fraction, a meter for the water, and the stock's own strength."""
    cells, water, stock = (
        _by_ec(installation, zone, "dose from the tank"),
        _water(installation, zone),
        installation.stock_of(zone),
    )
    if cells.half_width is None or stock is None:
        return cells
    if water.half_width is None:
        return replace(cells, half_width=None, by=water.by, possible=False, next_sensor=water.next_sensor)
    half = math.hypot(cells.half_width, water.half_width, _half(rectangular(stock.strength_accuracy)))
    return replace(cells, half_width=half, by=f"{cells.by}; {water.by}")


def _combined(zone: str, meters: Ability, cells: Ability) -> Ability:
    """Judge the two ways together."""
    name, both = (
        "injection ratio, both ways",
        [a.half_width for a in (meters, cells) if a.half_width is not None],
    )
    if len(both) < 2:  # noqa: PLR2004 - two ways
        lacking = meters.next_sensor or cells.next_sensor
        said = "no: one way alone has nothing to check it" if both else "no: neither way"
        return Ability(zone, name, None, said, possible=False, next_sensor=lacking)
    half = 1.0 / math.sqrt(sum(1.0 / width**2 for width in both))
    return Ability(zone, name, half, f"{meters.by}; {cells.by}", possible=True, next_sensor="")


def _clear_out(installation: Installation, zone: str) -> Ability:
    """Judge the clear-out time."""
    far = installation.sensors_of(zone, "conductivity", "lateral end")
    if far:
        return Ability(zone, "clear-out time", None, far[0], possible=True, next_sensor="")
    described = installation.zone[zone].laterals is not None
    by = (
        "predicted from the pipes, with a wide interval"
        if described
        else "no: neither a far EC cell nor pipes"
    )
    more = "an EC cell at the end of the farthest lateral: seen instead of predicted"
    return Ability(zone, "clear-out time", None, by, possible=described, next_sensor=more)


def _water(installation: Installation, zone: str) -> Ability:
    """Judge the water volume."""
    main = _meters(installation, zone, "zone", "mixed", "source", "after filter")
    if not main:
        lacking = "a flow meter"
        return Ability(
            zone, "water volume", None, f"no: there is not {lacking}", possible=False, next_sensor=lacking
        )
    half = _half(rectangular(_limit(installation, main[0])))
    return Ability(zone, "water volume", half, main[0], possible=True, next_sensor="")


def _clogging(installation: Installation, zone: str) -> Ability:
    """Judge whether clogging can be told, and from what it cannot be told apart."""
    flow = _meters(installation, zone, "zone", "mixed", "source", "after filter")
    pressures = [installation.sensors_of(zone, "pressure", point) for point in ("zone", "lateral end")]
    known = [names[0] for names in pressures if names]
    if not flow:
        return Ability(
            zone,
            "emitter clogging",
            None,
            "no: there is no flow meter",
            possible=False,
            next_sensor="a flow meter",
        )
    if not known:
        by = f"{flow[0]} alone: a fall of flow, not told from a fall of pressure, a dirty filter or the meter's drift"
        return Ability(
            zone, "emitter clogging", None, by, possible=True, next_sensor="a pressure sensor in the zone"
        )
    more = (
        ""
        if len(flow) > 1
        else "a second flow meter, or pressure before and after the filter: tells the meter's own drift"
    )
    return Ability(
        zone, "emitter clogging", None, " and ".join([flow[0], *known]), possible=True, next_sensor=more
    )


def _pressures(installation: Installation, points: Sequence[str]) -> list[str]:
    """Return pressure sensors of the head at some points."""
    return [n for n, s in installation.sensor.items() if s.quantity == "pressure" and s.point in points]


def _filter(installation: Installation) -> Ability:
    """Judge the filter's loss."""
    before, after = (
        _pressures(installation, ("supply", "source")),
        _pressures(installation, ("after filter",)),
    )
    if before and after:
        by = f"{before[-1]} and {after[0]}"
        return Ability("head", "filter pressure loss", None, by, possible=True, next_sensor="")
    lacking = "a pressure sensor on either side of the filter"
    return Ability(
        "head",
        "filter pressure loss",
        None,
        f"no: there is not {lacking}",
        possible=False,
        next_sensor=lacking,
    )


def _backflow(installation: Installation) -> Ability:
    """Judge whether backflow can be seen."""
    supply = _pressures(installation, ("supply",))
    behind = _pressures(installation, ("source", "after filter", "zone"))
    if supply and behind:
        by = f"{supply[0]} against {behind[0]}; it replaces no preventer"
        return Ability("head", "backflow", None, by, possible=True, next_sensor="")
    lacking = "a pressure sensor before and one after the backflow preventer"
    return Ability(
        "head", "backflow", None, f"no: there is not {lacking}", possible=False, next_sensor=lacking
    )
