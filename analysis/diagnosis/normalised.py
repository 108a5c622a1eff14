"""What a run says of its zone at reference conditions: flow at reference pressure, and the filter's loss."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analysis.amounts import amount
from analysis.diagnosis.features import steady_window
from analysis.diagnosis.network import network_of
from analysis.diagnosis.relations import RHO_G, beyond_mean
from analysis.injection.ways import limit_of
from analysis.results import ESTIMATE_UNITS, Estimate, refused
from analysis.runs.slices import between
from analysis.runs.volumes import register_volume
from analysis.uncertainty import COVERAGE_FACTOR, rectangular, standard_error

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analysis.diagnosis.network import Network, Node
    from analysis.results import Interval
    from analysis.view import RunView

FLOW, LOSS = "flow at reference pressure", "filter pressure loss"

LEAST_READINGS = 5
"""Fewest readings of a steady stretch. No source."""


def reference_flow(view: RunView) -> Sequence[Estimate]:
    """Estimate the flow that a zone would take at the pressure that its emitters are rated at.

    Parameters
    ----------
    view : RunView
        The run.

    Returns
    -------
    list of Estimate
        One, or a refusal where no pressure sensor sees the emitters' pressure; none without a flow meter, or
        where another run shares the head.

    References
    ----------
    Emitter law q = k p^x (Keller and Karmeli 1974); uncertainty by GUM (JCGM 100:2008) with limits as rectangles.
    """
    network, window = network_of(view.installation, view.run.zone), steady_window(view)
    flow = None if window is None or view.others else _flow(view, network, window)
    if flow is None or window is None:
        return []
    name, value, noise = flow
    method = f"steady flow brought to {amount(network.rated_pressure, 'kPa')} at the emitters, exponent {network.exponent:.2f}"
    node = next((n for n in reversed(network.nodes) if len(view.series.get(n.sensor, ())) > 0), None)
    level = None if node is None else _level(view, node.sensor, window)
    if node is None or level is None:
        reason = "no pressure sensor sees this zone's water; one at a lateral's end would carry it"
        return [refused(FLOW, method, reason, (name,))]
    passed = network.elements[node.place :]
    lost = sum(network.losses.get(e, 0.0) for e in passed)
    at = level[0] - RHO_G * (network.elevation - node.height) - lost + beyond_mean(network, value)
    if at <= 0:
        return [
            refused(FLOW, method, f"{node.sensor} shows no pressure at the emitters", (name, node.sensor))
        ]
    if passed:
        method += f"; {amount(lost, 'kPa')} between {node.sensor} and the emitters as described or usual"
    x = network.exponent
    terms = {
        f"limit of error of {name}": rectangular(limit_of(view.installation.sensor[name], value)) / value,
        "noise of the flow": noise / value,
        f"limit of error of {node.sensor}": x
        * rectangular(limit_of(view.installation.sensor[node.sensor], level[0]))
        / at,
        "loss up to the emitters": x * rectangular(lost) / at,
    }
    half = COVERAGE_FACTOR * math.hypot(*terms.values())
    at_reference = value * (network.rated_pressure / at) ** x
    numbers = (
        at_reference,
        ESTIMATE_UNITS[FLOW],
        at_reference * math.exp(-half),
        at_reference * math.exp(half),
    )
    return [Estimate(FLOW, None, None, *numbers, method, (name, node.sensor), budget=_shares(terms))]


def filter_loss(view: RunView) -> Sequence[Estimate]:
    """Estimate what the filter loses at the zone's rated flow, or at the run's where none is described.

    Parameters
    ----------
    view : RunView
        The run.

    Returns
    -------
    list of Estimate
        One where pressure sensors stand on both sides of the filter with no regulator between; else none.
    """
    network, window = network_of(view.installation, view.run.zone), steady_window(view)
    pair = _around(view, network)
    if window is None or pair is None or view.others:
        return []
    first, second = pair
    up, down = _level(view, first.sensor, window), _level(view, second.sensor, window)
    if up is None or down is None:
        return []
    flow = _flow(view, network, window)
    scale, method = 1.0, "difference of two pressures at the run's flow"
    sensors: tuple[str, ...] = (first.sensor, second.sensor)
    if flow is not None and network.rated_flow:
        scale = (network.rated_flow / flow[1]) ** 2
        method = f"difference of two pressures, brought to {amount(network.rated_flow, 'L/h')} by the square of the flow"
        sensors = (*sensors, flow[0])
    others = [e for e in network.between(first.place, second.place) if e != "filter"]
    if others:
        method += f"; holds the loss of {' and '.join(others)} too"
    value = (up[0] - down[0] - RHO_G * (second.height - first.height)) * scale
    terms = {"noise of the two pressures": math.hypot(up[1], down[1])}
    for node, level in ((first, up), (second, down)):
        limit = limit_of(view.installation.sensor[node.sensor], level[0])
        terms[f"limit of error of {node.sensor}"] = rectangular(limit)
    half = COVERAGE_FACTOR * scale * math.hypot(*terms.values())
    ends = (value - half, value + half)
    return [
        Estimate(LOSS, None, None, value, ESTIMATE_UNITS[LOSS], *ends, method, sensors, budget=_shares(terms))
    ]


def _shares(terms: Mapping[str, float]) -> dict[str, float]:
    """Return each term's share of the variance, the largest first. [-]"""
    total = sum(u * u for u in terms.values())
    shares = {name: u * u / total for name, u in terms.items()} if total else {}
    return dict(sorted(shares.items(), key=lambda item: -item[1]))


def _around(view: RunView, network: Network) -> tuple[Node, Node] | None:
    """Return the nearest pressure sensors on both sides of the filter."""
    if "filter" not in network.elements:
        return None
    place = network.elements.index("filter")
    nodes = [n for n in network.nodes if len(view.series.get(n.sensor, ())) > 0]
    before, behind = [n for n in nodes if n.place <= place], [n for n in nodes if n.place > place]
    if not before or not behind:
        return None
    pair = before[-1], behind[0]
    between_them = network.between(pair[0].place, pair[1].place)
    return None if {"pressure regulator", "main"}.intersection(between_them) else pair


def _flow(view: RunView, network: Network, window: Interval) -> tuple[str, float, float] | None:
    """Return the nearest meter, its mean flow in the window and that mean's noise. [L/h]"""
    for meter in network.meters:
        series = view.series.get(meter.sensor)
        if series is None or series.empty:
            continue
        sensor = view.installation.sensor[meter.sensor]
        if sensor.quantity == "volume":
            stated = sensor.rolls_over_at is not None
            counted = register_volume(series, window.start, window.end, size_known=stated)
            hours = (window.end - window.start).total_seconds() / 3600.0
            if counted.readings >= LEAST_READINGS and counted.litres > 0 and not counted.resets:
                return meter.sensor, counted.litres / hours, counted.resolution / hours
        else:
            level = _level(view, meter.sensor, window)
            if level is not None and level[0] > 0:
                return meter.sensor, *level
    return None


def _level(view: RunView, sensor: str, window: Interval) -> tuple[float, float] | None:
    """Return a sensor's mean in the window, and its standard error."""
    part = between(view.series[sensor], window.start, window.end)
    if len(part) < LEAST_READINGS:
        return None
    values = part.to_numpy(dtype=float)
    return float(values.mean()), standard_error(values)
