"""Steady flow in one zone of the simulated system: every emitter, every piece of pipe.

The simulator has a solver of its own, so that the analysis is never tested against itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from ingest.installation import Zone

GRAVITY = 9.80665
"""Standard gravity. [m/s2]"""

DENSITY = 0.999
"""Water at 15 °C. [kg/L]"""

VISCOSITY = 1.139e-6
"""Kinematic viscosity of water at 15 °C, from memory. [m2/s]"""

L_H = 1.0 / 3.6e6
"""One litre an hour. [m3/s]"""

ROUNDS = 200
"""Damped rounds of the solver; a test shows that 200 suffice."""


@dataclass(frozen=True, slots=True)
class Steady:
    """One zone under steady flow.

    Attributes
    ----------
    flow : float
        Into the zone. [L/h]
    emitters : numpy.ndarray
        Flow of each emitter, shape (laterals, emitters of one lateral), inlet first. [L/h]
    travel : numpy.ndarray
        Time of plug flow from the head to each emitter, same shape. [s]
    inlet : float
        Pressure where the manifold begins. [kPa]
    end : float
        Pressure at the last emitter of the last lateral. [kPa]
    """

    flow: float
    emitters: NDArray[np.float64]
    travel: NDArray[np.float64]
    inlet: float
    end: float


def loss(flow: NDArray[np.float64] | float, length_m: float, bore_mm: float) -> NDArray[np.float64]:
    """Return the friction loss of smooth pipe.

    Parameters
    ----------
    flow : numpy.ndarray or float
        Flow in the pipe. [L/h]
    length_m : float
        Its length. [m]
    bore_mm : float
        Its bore. [mm]

    Returns
    -------
    numpy.ndarray
        Pressure lost. [kPa]

    References
    ----------
    Darcy and Weisbach, with the larger of 64/Re and Blasius's 0.316 Re^-0.25; they meet at Re = 1187.

    Examples
    --------
    >>> round(float(loss(160.0, 30.0, 16.0)), 2)  # 0.19 m of water by the handbook at 20 °C
    1.94
    """
    bore = bore_mm / 1000.0
    speed = np.asarray(flow, dtype=float) * L_H / (np.pi / 4.0 * bore**2)
    reynolds = np.maximum(speed * bore / VISCOSITY, 1e-6)
    factor = np.maximum(64.0 / reynolds, 0.316 * reynolds**-0.25)
    return np.asarray(factor * length_m / bore * DENSITY * speed**2 / 2.0)


def steady(zone: Zone, *, head_kpa: float, open_share: float = 1.0) -> Steady:
    """Solve one zone.

    Parameters
    ----------
    zone : Zone
        Geometry and emitters.
    head_kpa : float
        Pressure where the zone's main leaves the head. [kPa]
    open_share : float
        What is left of each emitter's flow at a given pressure; 1 is clean. [-]

    Returns
    -------
    Steady
        Flows, travel times and pressures.

    Raises
    ------
    ValueError
        If the zone has no manifold or no laterals to solve.

    References
    ----------
    Emitter law q = k p^x; mass balance at every junction; losses as in `loss`. The first emitter of a
    lateral stands one spacing from the manifold, the first lateral one lateral spacing from its inlet.
    """
    if zone.manifold is None or zone.laterals is None or not zone.emitters:
        msg = "a zone needs emitters, a manifold and laterals to be simulated"
        raise ValueError(msg)
    lines = zone.laterals.count
    shape = (lines, zone.emitters[0].count // lines)
    pressure = np.full(shape, head_kpa)
    flows = np.zeros(shape)
    inlet = head_kpa
    for _ in range(ROUNDS):
        flows = 0.5 * flows + 0.5 * _emitted(zone, pressure, open_share)
        inlet = head_kpa - DENSITY * GRAVITY * zone.elevation
        inlet -= sum(float(loss(flows.sum(), pipe.length, pipe.diameter)) for pipe in zone.main)
        pressure = inlet - _losses(zone, flows)
    return Steady(float(flows.sum()), flows, _travel(zone, flows), float(inlet), float(pressure[-1, -1]))


def _emitted(zone: Zone, pressure: NDArray[np.float64], open_share: float) -> NDArray[np.float64]:
    """Return what each emitter lets out at its pressure. [L/h]"""
    kind = zone.emitters[0]
    return np.asarray(open_share * kind.flow * (np.maximum(pressure, 0.0) / kind.at) ** kind.exponent)


def _passing(flows: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the flow of each piece of pipe that feeds the outlets from there on. [L/h]"""
    return np.cumsum(flows[..., ::-1], axis=-1)[..., ::-1]


def _losses(zone: Zone, flows: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the pressure lost from the manifold's inlet to each emitter. [kPa]"""
    assert zone.manifold is not None  # noqa: S101 - `steady` has refused otherwise
    assert zone.laterals is not None  # noqa: S101 - as above
    step = zone.manifold.length / len(flows)
    along = np.cumsum(loss(_passing(flows.sum(axis=1)), step, zone.manifold.diameter))
    inside = np.cumsum(loss(_passing(flows), zone.laterals.spacing, zone.laterals.diameter), axis=1)
    return np.asarray(along[:, None] + inside)


def _travel(zone: Zone, flows: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the time of plug flow from the head to each emitter. [s]"""
    assert zone.manifold is not None  # noqa: S101 - `steady` has refused otherwise
    assert zone.laterals is not None  # noqa: S101 - as above

    def fill(length_m: float, bore_mm: float, flow: NDArray[np.float64] | float) -> NDArray[np.float64]:
        return np.asarray(np.pi / 4.0 * (bore_mm / 1000.0) ** 2 * length_m / (np.asarray(flow) * L_H))

    main = sum(float(fill(pipe.length, pipe.diameter, float(flows.sum()))) for pipe in zone.main)
    step = zone.manifold.length / len(flows)
    along = np.cumsum(fill(step, zone.manifold.diameter, _passing(flows.sum(axis=1))))
    inside = np.cumsum(fill(zone.laterals.spacing, zone.laterals.diameter, _passing(flows)), axis=1)
    return np.asarray(main + along[:, None] + inside)
