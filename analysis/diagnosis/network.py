"""A zone as a row of elements with meters and pressure sensors between them, for telling faults apart."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.hydraulics.friction import friction_loss

if TYPE_CHECKING:
    from collections.abc import Mapping

    from ingest.installation import Installation, Zone

EXPONENTS = {"main": 1.78, "laterals": 1.75}
"""How the loss of an element grows with flow [-]; 2 for every other. Blasius gives 1.75 and Hazen-Williams
1.852; the main's value is the one that fitted EPANET's mains best in trials."""

USUAL_LOSS = {"filter": 10.0, "valve": 5.0, "injector": 10.0, "check valve": 5.0, "laterals": 5.0}
"""Loss of an element whose loss nobody described or measured. [kPa] Common practice, no source."""

USUAL_ORDER = ("backflow preventer", "filter", "pressure regulator", "flow meter", "injector", "valve")
"""Order of a head that is not described. Common practice, no source."""

USUAL_PRESSURE = 100.0
"""Working pressure of drip emitters, where none is described. [kPa] The usual rating pressure."""

USUAL_MAIN_LOSS = 10.0
"""Loss of a main that is not described. [kPa] Common practice, no source."""

OUTLETS = 0.37
"""Loss of a pipe with many equal outlets, as a share of the loss at full flow. [-] Christiansen (1942), for
Blasius: 0.364 for many outlets, 0.389 for twenty."""

BEYOND_MEAN = 0.28
"""Share of a lateral's loss that lies behind the emitter of mean pressure. [-] Computed for equal outflow:
1 / (m + 2) with m = 1.75."""

RUNNING_POINTS = ("supply", "source", "mixed", "after filter", "zone", "lateral end")


@dataclass(frozen=True, slots=True)
class Node:
    """A pressure sensor in the row.

    Attributes
    ----------
    sensor : str
        Its name.
    place : int
        How many elements the water passes before it.
    height : float
        Height above the head. [m]
    limit : float
        Its limit of error. [kPa]
    """

    sensor: str
    place: int
    height: float
    limit: float


@dataclass(frozen=True, slots=True)
class Meter:
    """A flow meter in the row.

    Attributes
    ----------
    sensor : str
        Its name.
    place : int
        How many elements the water passes before it.
    shared : bool
        Whether other zones' water passes it too.
    """

    sensor: str
    place: int
    shared: bool


@dataclass(frozen=True, slots=True)
class Network:
    """What the water passes on its way to one zone's emitters, and what is measured there.

    Attributes
    ----------
    zone : str
        The zone's name.
    elements : tuple of str
        Head, main and laterals, in the order the water passes.
    nodes : tuple of Node
        Pressure sensors, in the same order.
    meters : tuple of Meter
        Flow meters, the one nearest to the emitters first.
    thermometer : str or None
        The sensor of the water's temperature.
    exponent : float
        Emitter exponent, weighted by flow. [-]
    rated_pressure : float
        Pressure of the emitters' rated flow. [kPa]
    elevation : float
        Height of the zone above the head. [m]
    losses : mapping of str to float
        Described or usual loss of each element at rated flow. [kPa]
    rated_flow : float
        Rated flow of all emitters; 0 where none is described. [L/h]
    """

    zone: str
    elements: tuple[str, ...]
    nodes: tuple[Node, ...]
    meters: tuple[Meter, ...]
    thermometer: str | None
    exponent: float
    rated_pressure: float
    elevation: float
    losses: Mapping[str, float]
    rated_flow: float

    def between(self, first: int, second: int) -> tuple[str, ...]:
        """Return the elements between two places."""
        return self.elements[first:second]

    @property
    def regulated_from(self) -> int:
        """Place after the last pressure regulator; 0 where there is none."""
        return max((i + 1 for i, e in enumerate(self.elements) if e == "pressure regulator"), default=0)


def network_of(installation: Installation, zone: str) -> Network:
    """Return the row of elements and sensors of one zone.

    Parameters
    ----------
    installation : Installation
        The system's description.
    zone : str
        The zone's name.

    Returns
    -------
    Network
        The row. A pressure sensor at ``source`` counts as before the filter where a filter comes before
        the injector and a sensor ``after filter`` tells its other side.

    Examples
    --------
    >>> from ingest.installation import Installation
    >>> file = {"name": "A", "timezone": "UTC", "supply": {"kind": "well", "backflow_preventer": "none"},
    ...         "head": {"order": ["filter", "pressure regulator", "valve"]}, "zone": {"z": {}},
    ...         "sensor": {"p": {"quantity": "pressure", "point": "lateral end", "zone": "z", "unit": "kPa",
    ...                          "source": {"csv": "p"}}}}
    >>> network = network_of(Installation.model_validate(file), "z")
    >>> network.elements, network.nodes[0].place
    (('filter', 'pressure regulator', 'valve', 'main', 'laterals'), 5)
    """
    head = tuple(installation.head.order) or USUAL_ORDER
    elements = (*head, "main", "laterals")
    filter_told = any(
        s.quantity == "pressure" and s.point == "after filter" for s in installation.sensor.values()
    )
    places = _places(head, filter_told=filter_told)
    described = installation.zone[zone]
    return Network(
        zone,
        elements,
        _nodes(installation, zone, places),
        _meters(installation, zone, places),
        next(
            iter(installation.sensors_of(zone, "temperature", "zone", "lateral end", "mixed", "source")), None
        ),
        *_emitters(described),
        described.elevation,
        _losses(installation, described),
        sum(group.count * group.flow for group in described.emitters),
    )


def _places(head: tuple[str, ...], *, filter_told: bool) -> dict[str, int]:
    """Return how many elements come before each measuring point."""
    end = len(head)

    def after(element: str, otherwise: int) -> int:
        return head.index(element) + 1 if element in head else otherwise

    injector = head.index("injector") if "injector" in head else end
    filtered = after("filter", after("injector", end))
    source = after("backflow preventer", 0) if filter_told and filtered <= injector else injector
    return {
        "supply": 0,
        "source": source,
        "mixed": after("injector", end),
        "after filter": filtered,
        "zone": end + 1,
        "lateral end": end + 2,
    }


def _nodes(installation: Installation, zone: str, places: dict[str, int]) -> tuple[Node, ...]:
    """Return the pressure sensors in the order the water passes."""
    found = []
    for name in installation.sensors_of(zone, "pressure", *RUNNING_POINTS):
        sensor = installation.sensor[name]
        height = installation.zone[zone].elevation if sensor.point in ("zone", "lateral end") else 0.0
        limit = sensor.accuracy.limit(USUAL_PRESSURE)
        found.append(Node(name, places[sensor.point], height, limit))
    return tuple(sorted(found, key=lambda node: node.place))


def _meters(installation: Installation, zone: str, places: dict[str, int]) -> tuple[Meter, ...]:
    """Return the flow meters, the one nearest to the emitters first, registers after rates."""
    found = [
        (-places[sensor.point], quantity == "volume", Meter(name, places[sensor.point], sensor.zone is None))
        for quantity in ("flow", "volume")
        for name in installation.sensors_of(zone, quantity, *RUNNING_POINTS[:-1])
        for sensor in (installation.sensor[name],)
    ]
    return tuple(meter for _, _, meter in sorted(found, key=lambda row: row[:2]))


def _emitters(zone: Zone) -> tuple[float, float]:
    """Return the emitters' exponent and rating pressure, weighted by flow. [-], [kPa]"""
    total = sum(group.count * group.flow for group in zone.emitters)
    if not total:
        return 0.5, USUAL_PRESSURE
    return (
        sum(group.count * group.flow * group.exponent for group in zone.emitters) / total,
        sum(group.count * group.flow * group.at for group in zone.emitters) / total,
    )


def _losses(installation: Installation, zone: Zone) -> dict[str, float]:
    """Return the loss of each element at rated flow, as described or as usual. [kPa]"""
    losses = dict(USUAL_LOSS)
    if installation.head.filter_clean_loss is not None:
        losses["filter"] = installation.head.filter_clean_loss
    flow = sum(group.count * group.flow for group in zone.emitters)
    pipes = sum(float(friction_loss(flow, pipe.length, pipe.diameter)) for pipe in zone.main)
    losses["main"] = pipes if flow and zone.main else USUAL_MAIN_LOSS
    if flow and zone.laterals is not None:
        lateral = zone.laterals
        along = float(friction_loss(flow / lateral.count, lateral.length, lateral.diameter))
        across = zone.manifold
        if across is not None:
            along += float(friction_loss(flow, across.length, across.diameter))
        losses["laterals"] = OUTLETS * along
    return losses
