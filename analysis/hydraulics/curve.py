"""A zone's flow against the pressure at its head: laterals and manifold marched from their far ends."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.interpolate import PchipInterpolator

from analysis.hydraulics.emitters import mixed_flow
from analysis.hydraulics.friction import GRAVITY, SMOOTH, Friction, density, friction_loss

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from analysis.hydraulics.layout import Layout, Reach

    Array = NDArray[np.float64]

LOWEST = 0.05
"""Lowest end pressure of the curves. [kPa] Below it an emitter only weeps."""

CURVE_POINTS = 160
"""End pressures marched at once for a curve. [-] Found by trial: the flow of a zone changes by less
than one part in ten thousand when it is doubled."""


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


def march(
    reach: Reach, end: Array, outflow: Callable[[Array], Array], temperature: float, friction: Friction
) -> tuple[Array, Array, Array]:
    """March a pipe with outlets from its far end.

    Parameters
    ----------
    reach : Reach
        The pipe, one segment before each outlet.
    end : ndarray
        Pressures at the last outlet, any shape. [kPa]
    outflow : callable
        What leaves at one outlet at a pressure. [L/h]
    temperature : float
        Water temperature. [°C]
    friction : Friction
        The friction law.

    Returns
    -------
    pressure, flow, inlet : ndarray
        Pressure at and flow before each outlet, outlets first, and pressure at the inlet. [kPa], [L/h], [kPa]
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


def outflow_of(layout: Layout) -> Callable[[Array], Array]:
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
    >>> from analysis.hydraulics.emitters import Emitter
    >>> from analysis.hydraulics.layout import Layout, Reach
    >>> layout = Layout((), Reach(np.zeros(1), 16.0), Reach(np.full(100, 0.3), 16.0), 1, (Emitter(1.6),))
    >>> curve = zone_curve(layout, 150.0)
    >>> bool(np.all(np.diff(curve.flow) > 0))
    True
    """
    rho_g = density(temperature) * GRAVITY / 1000.0
    drop = rho_g * abs(layout.lateral.rise) * float(layout.lateral.lengths.sum())
    top = max(highest - rho_g * min(layout.elevation, 0.0), 1.0) + drop
    ends = np.geomspace(LOWEST, top, CURVE_POINTS)
    _, flows, inlet = march(layout.lateral, ends, outflow_of(layout), temperature, friction)
    lateral = (inlet, flows[0], ends)
    feed = PchipInterpolator(inlet, flows[0], extrapolate=False)

    def drawn(p: Array) -> Array:
        return np.where(p < inlet[0], 0.0, feed(np.clip(p, inlet[0], inlet[-1])))

    last = np.linspace(inlet[0], inlet[-1], CURVE_POINTS)
    _, flows, start = march(layout.manifold, last, drawn, temperature, friction)
    head = start + _main_loss(layout, flows[0], temperature, friction)
    return ZoneCurve(head, flows[0], last, lateral, layout, temperature, friction)
