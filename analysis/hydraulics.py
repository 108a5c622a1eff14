"""Pressures and flows in a zone's pipes, segment by segment: every lateral on its own, none lumped.

A lateral is marched from its far end: the pressure there fixes the last emitter's flow, the segment's
flow fixes its loss, and so on to the inlet. Marching many end pressures at once gives the lateral's
curve of inlet flow against inlet pressure; the manifold is marched the same way with that curve as its
outlets; reading both curves backwards gives the zone at a wanted pressure or flow, without iteration.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.interpolate import PchipInterpolator

from analysis.emitters import mixed_flow
from analysis.hydraulics_friction import GRAVITY, SMOOTH, Friction, density, friction_loss

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from analysis.hydraulics_layout import Layout, Reach

    Array = NDArray[np.float64]

LOWEST = 0.05
"""Lowest end pressure of the curves. [kPa] Below it an emitter only weeps."""

CURVE_POINTS = 160
"""End pressures marched at once for a curve. [-] Found by trial: the flow of a zone changes by less
than one part in ten thousand when it is doubled."""


@dataclass(frozen=True, slots=True)
class ZoneFlow:
    """The steady state of a zone.

    Attributes
    ----------
    head_pressure : float
        Pressure where the main begins. [kPa]
    flow : float
        Flow into the zone. [L/h]
    inlet_pressure : float
        Pressure where the manifold begins. [kPa]
    manifold_flow, manifold_pressure : ndarray
        Flow in each manifold segment and pressure at its end, where a lateral begins; shape
        (laterals,). [L/h], [kPa]
    lateral_flow : ndarray
        Flow in the segment before each emitting place; shape (laterals, places). [L/h]
    pressure : ndarray
        Pressure at each place; shape (laterals, places). [kPa]
    emitter_flow : ndarray
        Mean flow of one emitter at each place; shape (laterals, places). [L/h]
    """

    head_pressure: float
    flow: float
    inlet_pressure: float
    manifold_flow: Array
    manifold_pressure: Array
    lateral_flow: Array
    pressure: Array
    emitter_flow: Array

    @property
    def end_pressure(self) -> float:
        """Pressure at the far end of the last lateral. [kPa]"""
        return float(self.pressure[-1, -1])

    @property
    def flow_variation(self) -> float:
        """Largest minus smallest emitter flow, as a share of the largest. [-]"""
        return float(1.0 - self.emitter_flow.min() / self.emitter_flow.max())


@dataclass(frozen=True, slots=True)
class ZoneCurve:
    """A zone's flow against the pressure at its head, and the way back to every lateral.

    Attributes
    ----------
    head_pressure, flow : ndarray
        The zone's curve, rising; shape (points,). [kPa], [L/h]
    last_pressure : ndarray
        Inlet pressure of the last lateral at each point. [kPa]
    lateral : tuple of ndarray
        Inlet pressure, inlet flow and end pressure of one lateral, rising. [kPa], [L/h], [kPa]
    layout, temperature, friction
        What it was computed for.
    """

    head_pressure: Array
    flow: Array
    last_pressure: Array
    lateral: tuple[Array, Array, Array]
    layout: Layout
    temperature: float
    friction: Friction


def _march(
    reach: Reach, end: Array, outflow: Callable[[Array], Array], temperature: float, friction: Friction
) -> tuple[Array, Array, Array]:
    """Return pressures at and flows before each outlet, and the inlet pressure, from end pressures.

    `outflow` turns pressures into what leaves at one outlet; arrays have the outlets first.
    """
    rho_g = density(temperature) * GRAVITY / 1000.0
    count = reach.lengths.size
    pressure = np.empty((count, *end.shape))
    flow = np.empty_like(pressure)
    here, carried = end, np.zeros_like(end)
    for i in range(count - 1, -1, -1):
        pressure[i] = here
        carried = carried + outflow(here)
        flow[i] = carried
        length = float(reach.lengths[i])
        if length > 0:
            loss = friction_loss(carried, length, reach.bore, temperature=temperature, friction=friction)
            here = here + loss + rho_g * reach.rise * length
    return pressure, flow, here


def _main_loss(layout: Layout, flow: Array, temperature: float, friction: Friction) -> Array:
    """Return what the main loses to friction and height. [kPa]"""
    loss = np.zeros_like(flow)
    for reach in layout.main:
        loss = loss + friction_loss(
            flow, float(reach.lengths.sum()), reach.bore, temperature=temperature, friction=friction
        )
    return np.asarray(loss + density(temperature) * GRAVITY / 1000.0 * layout.elevation)


def _outflow(layout: Layout) -> Callable[[Array], Array]:
    """Return what leaves at one place of a lateral, as a function of pressure. [L/h]"""
    return lambda p: layout.per_point * mixed_flow(p, layout.emitters)


def zone_curve(
    layout: Layout, highest: float, *, temperature: float = 20.0, friction: Friction = SMOOTH
) -> ZoneCurve:
    """Return a zone's flow against head pressure.

    Parameters
    ----------
    layout : Layout
        The zone's pipes.
    highest : float
        Head pressure up to which the curve is wanted. [kPa]
    temperature : float
        Water temperature. [°C]
    friction : Friction
        The friction law.

    Returns
    -------
    ZoneCurve
        The curve, rising.

    Notes
    -----
    Velocity head and the local losses of fittings and emitter barbs are left out.

    Examples
    --------
    >>> from analysis.emitters import Emitter
    >>> from analysis.hydraulics_layout import Layout, Reach
    >>> layout = Layout((), Reach(np.zeros(1), 16.0), Reach(np.full(100, 0.3), 16.0), 1, (Emitter(1.6),))
    >>> curve = zone_curve(layout, 150.0)
    >>> bool(np.all(np.diff(curve.flow) > 0))
    True
    """
    rho_g = density(temperature) * GRAVITY / 1000.0
    drop = rho_g * abs(layout.lateral.rise) * float(layout.lateral.lengths.sum())
    top = max(highest - rho_g * min(layout.elevation, 0.0), 1.0) + drop
    ends = np.geomspace(LOWEST, top, CURVE_POINTS)
    _, flows, inlet = _march(layout.lateral, ends, _outflow(layout), temperature, friction)
    lateral = (inlet, flows[0], ends)
    feed = PchipInterpolator(inlet, flows[0], extrapolate=False)

    def drawn(p: Array) -> Array:
        return np.where(p < inlet[0], 0.0, feed(np.clip(p, inlet[0], inlet[-1])))

    last = np.linspace(inlet[0], inlet[-1], CURVE_POINTS)
    _, flows, start = _march(layout.manifold, last, drawn, temperature, friction)
    head = start + _main_loss(layout, flows[0], temperature, friction)
    return ZoneCurve(head, flows[0], last, lateral, layout, temperature, friction)


def _state(curve: ZoneCurve, head_pressure: float) -> ZoneFlow:
    """Return the zone's state at a head pressure inside the curve."""
    layout, t, friction = curve.layout, curve.temperature, curve.friction
    inlet, drawn, ends = curve.lateral
    feed = PchipInterpolator(inlet, drawn)
    last = float(PchipInterpolator(curve.head_pressure, curve.last_pressure)(head_pressure))
    pressures, flows, start = _march(
        layout.manifold,
        np.array([last]),
        lambda p: np.asarray(feed(np.clip(p, inlet[0], inlet[-1]))),
        t,
        friction,
    )
    end = np.asarray(PchipInterpolator(inlet, ends)(np.clip(pressures[:, 0], inlet[0], inlet[-1])))
    pressure, flow, _ = _march(layout.lateral, end, _outflow(layout), t, friction)
    return ZoneFlow(
        head_pressure=head_pressure,
        flow=float(flows[0, 0]),
        inlet_pressure=float(start[0]),
        manifold_flow=flows[:, 0],
        manifold_pressure=pressures[:, 0],
        lateral_flow=flow.T,
        pressure=pressure.T,
        emitter_flow=mixed_flow(pressure.T, layout.emitters),
    )


def zone_at_pressure(
    layout: Layout, head_pressure: float, *, temperature: float = 20.0, friction: Friction = SMOOTH
) -> ZoneFlow:
    """Return pressures and flows in a zone at a pressure at its head.

    Parameters
    ----------
    layout : Layout
        The zone's pipes.
    head_pressure : float
        Pressure where the main begins. [kPa]
    temperature : float
        Water temperature. [°C]
    friction : Friction
        The friction law.

    Returns
    -------
    ZoneFlow
        The steady state.

    Raises
    ------
    ValueError
        If the pressure does not reach the emitters.

    Examples
    --------
    >>> from analysis.emitters import Emitter
    >>> from analysis.hydraulics_layout import Layout, Reach
    >>> layout = Layout((), Reach(np.zeros(1), 16.0), Reach(np.full(100, 0.3), 16.0), 1, (Emitter(1.6),))
    >>> state = zone_at_pressure(layout, 100.0)
    >>> round(state.flow, 1), round(100.0 - state.end_pressure, 2)
    (159.7, 0.55)
    """
    curve = zone_curve(layout, head_pressure, temperature=temperature, friction=friction)
    if not curve.head_pressure[0] <= head_pressure <= curve.head_pressure[-1]:
        msg = (
            f"{head_pressure:.4g} kPa at the head does not reach the last emitters, "
            f"which need {curve.head_pressure[0]:.4g} kPa"
        )
        raise ValueError(msg)
    return _state(curve, head_pressure)


def zone_at_flow(
    layout: Layout,
    flow: float,
    *,
    highest: float = 1000.0,
    temperature: float = 20.0,
    friction: Friction = SMOOTH,
) -> ZoneFlow:
    """Return pressures and flows in a zone that draws a measured flow.

    Parameters
    ----------
    layout : Layout
        The zone's pipes.
    flow : float
        Measured flow into the zone. [L/h]
    highest : float
        Highest head pressure looked at. [kPa]
    temperature : float
        Water temperature. [°C]
    friction : Friction
        The friction law.

    Returns
    -------
    ZoneFlow
        The steady state; its head pressure is the one that gives this flow.

    Raises
    ------
    ValueError
        If no head pressure up to `highest` gives this flow.

    Examples
    --------
    >>> from analysis.emitters import Emitter
    >>> from analysis.hydraulics_layout import Layout, Reach
    >>> layout = Layout((), Reach(np.zeros(1), 16.0), Reach(np.full(100, 0.3), 16.0), 1, (Emitter(1.6),))
    >>> round(zone_at_flow(layout, 159.7).head_pressure, 0)
    100.0
    """
    curve = zone_curve(layout, highest, temperature=temperature, friction=friction)
    if not curve.flow[0] <= flow <= curve.flow[-1]:
        msg = (
            f"no head pressure up to {highest:.4g} kPa gives {flow:.4g} L/h; "
            f"the pipes as described take {curve.flow[0]:.4g} to {curve.flow[-1]:.4g} L/h"
        )
        raise ValueError(msg)
    rising = np.concatenate(([True], np.diff(np.maximum.accumulate(curve.flow)) > 0))
    head = float(PchipInterpolator(curve.flow[rising], curve.head_pressure[rising])(flow))
    return _state(curve, head)
