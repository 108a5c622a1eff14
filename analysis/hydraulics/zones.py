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

from analysis.amounts import amount, reach
from analysis.hydraulics.curve import ZoneCurve, march, outflow_of, zone_curve
from analysis.hydraulics.emitters import mixed_flow
from analysis.hydraulics.friction import SMOOTH, Friction

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.hydraulics.layout import Layout

    Array = NDArray[np.float64]


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


def _state(curve: ZoneCurve, head_pressure: float) -> ZoneFlow:
    """Return the zone's state at a head pressure inside the curve."""
    layout, t, friction = curve.layout, curve.temperature, curve.friction
    inlet, drawn, ends = curve.lateral
    feed = PchipInterpolator(inlet, drawn)
    last = float(PchipInterpolator(curve.head_pressure, curve.last_pressure)(head_pressure))
    pressures, flows, start = march(
        layout.manifold,
        np.array([last]),
        lambda p: np.asarray(feed(np.clip(p, inlet[0], inlet[-1]))),
        t,
        friction,
    )
    end = np.asarray(PchipInterpolator(inlet, ends)(np.clip(pressures[:, 0], inlet[0], inlet[-1])))
    pressure, flow, _ = march(layout.lateral, end, outflow_of(layout), t, friction)
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
    >>> from analysis.hydraulics.emitters import Emitter
    >>> from analysis.hydraulics.layout import Layout, Reach
    >>> layout = Layout((), Reach(np.zeros(1), 16.0), Reach(np.full(100, 0.3), 16.0), 1, (Emitter(1.6),))
    >>> state = zone_at_pressure(layout, 100.0)
    >>> round(state.flow, 1), round(100.0 - state.end_pressure, 2)
    (159.7, 0.55)
    """
    curve = zone_curve(layout, head_pressure, temperature=temperature, friction=friction)
    if not curve.head_pressure[0] <= head_pressure <= curve.head_pressure[-1]:
        msg = (
            f"{amount(head_pressure, 'kPa', '.4g')} at the head does not reach the last emitters, "
            f"which need {amount(curve.head_pressure[0], 'kPa', '.4g')}"
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
    >>> from analysis.hydraulics.emitters import Emitter
    >>> from analysis.hydraulics.layout import Layout, Reach
    >>> layout = Layout((), Reach(np.zeros(1), 16.0), Reach(np.full(100, 0.3), 16.0), 1, (Emitter(1.6),))
    >>> round(zone_at_flow(layout, 159.7).head_pressure, 0)
    100.0
    """
    curve = zone_curve(layout, highest, temperature=temperature, friction=friction)
    if not curve.flow[0] <= flow <= curve.flow[-1]:
        msg = (
            f"no head pressure up to {amount(highest, 'kPa', '.4g')} gives {amount(flow, 'L/h', '.4g')}; "
            f"the pipes as described take {reach(curve.flow[0], curve.flow[-1], 'L/h', '.4g')}"
        )
        raise ValueError(msg)
    rising = np.concatenate(([True], np.diff(np.maximum.accumulate(curve.flow)) > 0))
    head = float(PchipInterpolator(curve.flow[rising], curve.head_pressure[rising])(flow))
    return _state(curve, head)
