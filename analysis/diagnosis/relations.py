"""What a healthy zone keeps constant from run to run, whatever the supply does: one number a relation.

``flow``       ln q - x ln p: the emitters' flow coefficient
``loss``       loss of the elements between two pressure sensors, at reference flow, against its baseline
``regulated``  ln p behind the regulator, or ln p of the supply where there is none
``meters``     ln q1 - ln q2 of two meters in the same water
``sensors``    (p1 - p2) / p of two sensors at the same place
``rest``       what a pressure sensor shows while the lines are drained, or two of them while water stands [kPa]
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Literal

import numpy as np

from analysis.diagnosis.network import BEYOND_MEAN, EXPONENTS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from analysis.diagnosis.network import Meter, Network, Node

    Array = NDArray[np.float64]

LARGEST = 50.0
"""A logarithm that changed by more is told as this: no water does so, but a sensor may. [-] No source."""

RHO_G = 9.79
"""Weight of a metre of water at 20 °C. [kPa/m] Computed: 998.2 kg/m3 times 9.80665 m/s2."""

LEAST_LOSS = 3.0
"""Losses below this are judged in kPa and not as shares of themselves. [kPa] No source: a few times what
two pressure sensors differ by."""

FIRST_RUNS = 20
"""Runs whose medians say where the zone works. [-] Prototype: a baseline of 20 days."""

BARRIERS = frozenset({"pressure regulator", "valve", "check valve", "backflow preventer", "vacuum breaker"})
"""Elements that hold pressure apart while water stands."""

DRAINED = 15.0
"""Rest pressure below which a line counts as drained, apart from its height. [kPa] No source."""

SETTLED = 1.0
"""Largest day-to-day scatter of a rest reading that is used. [kPa] No source."""

Kind = Literal["flow", "loss", "regulated", "meters", "sensors", "rest"]


@dataclass(frozen=True, slots=True)
class Relation:
    """One number that stays the same while all is well.

    Attributes
    ----------
    kind : str
        See the module's list.
    elements : tuple of str
        What lies between its two sensors.
    sensors : tuple of str
        What it rests on.
    series : ndarray
        One a run; NaN where a sensor is missing.
    slope : mapping of str to float
        Change with each channel: a meter's ln q [-], a sensor's pressure or rest pressure [1/kPa].
    exponent : float
        Power of the flow by which it is normalised, or of the pressure. [-]
    """

    kind: Kind
    elements: tuple[str, ...]
    sensors: tuple[str, ...]
    series: Array
    slope: Mapping[str, float]
    exponent: float = 0.0

    @property
    def label(self) -> str:
        """Words for a person."""
        where = " and ".join(self.elements)
        return {
            "flow": "flow at reference pressure" if len(self.sensors) > 1 else "flow",
            "loss": f"loss over {where}",
            "regulated": "regulated pressure",
            "meters": "ratio of two meters",
            "sensors": "difference of two pressure sensors",
            "rest": "pressure at rest",
        }[self.kind]

    def share(self, change: float) -> float:
        """Return a change of the relation as a share of what it relates; logarithms are turned back. [-]"""
        return (
            float(np.expm1(min(change, LARGEST))) if self.kind in ("flow", "regulated", "meters") else change
        )


@dataclass(frozen=True, slots=True)
class Operating:
    """Where the zone works: medians over the first runs.

    Attributes
    ----------
    flow : float or None
        Flow by the first meter. [L/h]
    pressure : mapping of str to float
        Sensor to its pressure. [kPa]
    emitter_pressure : float
        Pressure at the emitters, measured or described. [kPa]
    """

    flow: float | None
    pressure: Mapping[str, float]
    emitter_pressure: float


def operating_point(network: Network, table: Mapping[str, Array]) -> Operating:
    """Return where the zone works.

    Parameters
    ----------
    network : Network
        The zone.
    table : mapping of str to ndarray
        ``"flow:<sensor>"``, ``"pressure:<sensor>"``, ``"rest:<sensor>"`` to one value a run.

    Returns
    -------
    Operating
        Medians over the first runs.
    """
    meter = _first_meter(network, table)
    pressure = {n.sensor: _middle(table[f"pressure:{n.sensor}"]) for n in present_nodes(network, table)}
    nodes = [n for n in network.nodes if n.sensor in pressure]
    flow = None if meter is None else _middle(table[f"flow:{meter.sensor}"])
    at = network.rated_pressure
    if nodes:
        last = nodes[-1]
        before = sum(network.losses.get(e, 0.0) for e in network.elements[last.place :])
        down = RHO_G * (network.elevation - last.height)
        at = pressure[last.sensor] - down - before + beyond_mean(network, flow)
    return Operating(flow, pressure, max(at, 5.0))


def relations(network: Network, table: Mapping[str, Array], at: Operating) -> tuple[Relation, ...]:
    """Return every relation that the sensors at hand carry.

    Parameters
    ----------
    network : Network
        The zone.
    table : mapping of str to ndarray
        As for `operating_point`.
    at : Operating
        Where the zone works.

    Returns
    -------
    tuple of Relation
        The flow relation first where there is a meter.
    """
    meter = _first_meter(network, table)
    nodes = present_nodes(network, table)
    found: list[Relation] = []
    if meter is not None:
        found.append(_flow(network, table, at, meter, nodes))
        found.extend(
            _meters(table, meter, other)
            for other in network.meters
            if other is not meter and _runs(table, other)
        )
    for first, second in pairwise(nodes):
        between = network.between(first.place, second.place)
        if not between:
            found.append(_twins(table, at, first, second))
        elif "pressure regulator" not in between:
            found.append(_loss(network, table, at, (first, second), meter))
    behind = [node for node in nodes if node.place >= network.regulated_from]
    if behind:
        found.append(_regulated(table, at, behind[0]))
    found.extend(_rests(network, table, nodes))
    return tuple(found)


def present_nodes(network: Network, table: Mapping[str, Array]) -> list[Node]:
    """Return the pressure sensors that have readings."""
    return [node for node in network.nodes if _present(table, f"pressure:{node.sensor}")]


def _present(table: Mapping[str, Array], key: str) -> bool:
    return key in table and bool(np.isfinite(table[key][:FIRST_RUNS]).any())


def _first_meter(network: Network, table: Mapping[str, Array]) -> Meter | None:
    return next((m for m in network.meters if _runs(table, m)), None)


def _runs(table: Mapping[str, Array], meter: Meter) -> bool:
    """Return whether a meter shows a flow; one that stands still or runs backward says nothing of the zone."""
    key = f"flow:{meter.sensor}"
    return _present(table, key) and _middle(table[key]) > 0.0


def _middle(values: Array) -> float:
    return float(np.nanmedian(values[:FIRST_RUNS]))


def _flow(network: Network, table: Mapping[str, Array], at: Operating, meter: Meter, nodes: list[Node]) -> Relation:  # fmt: skip
    q = np.log(_positive(table[f"flow:{meter.sensor}"]))
    x = network.exponent
    if not nodes or x == 0:
        return Relation("flow", (), (meter.sensor,), q, {meter.sensor: 1.0})
    last = nodes[-1]
    down = RHO_G * (network.elevation - last.height)
    beyond = beyond_mean(network, at.flow) if last.place == len(network.elements) else 0.0
    power = EXPONENTS["laterals"]
    p = table[f"pressure:{last.sensor}"] - down + beyond * np.exp(power * (q - np.log(at.flow or 1.0)))
    usual = max(at.pressure[last.sensor] - down + beyond, 5.0)
    slope = {meter.sensor: 1.0 - x * power * beyond / usual, last.sensor: -x / usual}
    series = q - x * np.log(_positive(p))
    return Relation("flow", (), (meter.sensor, last.sensor), series, slope, x)


def beyond_mean(network: Network, flow: float | None) -> float:
    """Return by how much the emitters' mean pressure lies above the laterals' ends. [kPa]"""
    share = flow / network.rated_flow if flow and network.rated_flow else 1.0
    return float(BEYOND_MEAN * network.losses["laterals"] * share ** EXPONENTS["laterals"])


def _meters(table: Mapping[str, Array], first: Meter, other: Meter) -> Relation:
    values = np.log(_positive(table[f"flow:{other.sensor}"]))
    values = values - np.log(_positive(table[f"flow:{first.sensor}"]))
    return Relation("meters", (), (other.sensor, first.sensor), values, {other.sensor: 1.0, first.sensor: -1.0})  # fmt: skip


def _twins(table: Mapping[str, Array], at: Operating, first: Node, second: Node) -> Relation:
    scale = max(at.pressure[first.sensor], 5.0)
    values = (table[f"pressure:{first.sensor}"] - table[f"pressure:{second.sensor}"]) / scale
    slope = {first.sensor: 1.0 / scale, second.sensor: -1.0 / scale}
    return Relation("sensors", (), (first.sensor, second.sensor), values, slope)


def _loss(
    network: Network, table: Mapping[str, Array], at: Operating, pair: tuple[Node, Node], meter: Meter | None
) -> Relation:
    first, second = pair
    between = network.between(first.place, second.place)
    weights = np.array([network.losses.get(e, 0.0) for e in between])
    powers = np.array([EXPONENTS.get(e, 2.0) for e in between])
    m = float(weights @ powers / weights.sum()) if weights.sum() else 2.0
    rise = RHO_G * (second.height - first.height)
    lost = table[f"pressure:{first.sensor}"] - table[f"pressure:{second.sensor}"] - rise
    usual = at.pressure[first.sensor] - at.pressure[second.sensor] - rise
    scale = max(usual, LEAST_LOSS)
    slope = {first.sensor: 1.0 / scale, second.sensor: -1.0 / scale}
    sensors: tuple[str, ...] = (first.sensor, second.sensor)
    if meter is None or at.flow is None:
        return Relation("loss", between, sensors, (lost - usual) / scale, slope)
    power = (_positive(table[f"flow:{meter.sensor}"]) / at.flow) ** m
    slope[meter.sensor] = -m * max(usual, 0.0) / scale
    values = (lost / power - usual) / scale
    return Relation("loss", between, (*sensors, meter.sensor), values, slope, m)


def _regulated(table: Mapping[str, Array], at: Operating, node: Node) -> Relation:
    values = np.log(_positive(table[f"pressure:{node.sensor}"]))
    return Relation("regulated", (), (node.sensor,), values, {node.sensor: 1.0 / max(at.pressure[node.sensor], 5.0)})  # fmt: skip


def _rests(network: Network, table: Mapping[str, Array], nodes: list[Node]) -> list[Relation]:
    """Return rest relations: single sensors of drained lines, and pairs that standing water joins."""
    found = []
    usable = [n for n in nodes if _present(table, f"rest:{n.sensor}")]
    zone_side = len(network.elements) - 1
    for node in usable:
        values = table[f"rest:{node.sensor}"]
        if node.place >= zone_side and abs(_middle(values)) < DRAINED and _steady(values):
            found.append(Relation("rest", (), (node.sensor,), values, {f"rest:{node.sensor}": 1.0}))
    for first, second in pairwise(usable):
        between = network.between(first.place, second.place)
        values = table[f"rest:{first.sensor}"] - table[f"rest:{second.sensor}"]
        if second.place < zone_side and not BARRIERS.intersection(between) and _steady(values):
            slope = {f"rest:{first.sensor}": 1.0, f"rest:{second.sensor}": -1.0}
            found.append(Relation("rest", between, (first.sensor, second.sensor), values, slope))
    return found


def _steady(values: Array) -> bool:
    """Return whether day-to-day changes of the first runs are small."""
    steps = np.abs(np.diff(values[:FIRST_RUNS]))
    return bool(np.isfinite(steps).sum() >= 5 and np.nanmedian(steps) < SETTLED)  # noqa: PLR2004 - a median of fewer says little


def _positive(values: Array) -> Array:
    """Return the values with those that have no logarithm as NaN."""
    return np.where(values > 0, values, np.nan)
