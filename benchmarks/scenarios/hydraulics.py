"""One zone in EPANET: pressures, flows, travel times."""

from __future__ import annotations

import tempfile
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

KPA_PER_M = 9.80665
"""Pressure of one metre of water, density 1000 kg/m3. [kPa]"""

ROUGHNESS = 1.5e-6
"""Roughness of smooth plastic pipe. [m] Usual handbook value, from memory."""


@dataclass(frozen=True, slots=True)
class Layout:
    """The zone as built, what EPANET needs and the installation file states.

    Attributes
    ----------
    laterals, emitters : int
        Number of laterals, and of emitters on each. [-]
    flow : float
        Emitter flow at 100 kPa. [L/h]
    exponent : float
        Emitter exponent; 0 holds the flow. [-]
    spacing, lateral_bore : float
        Along the lateral. [m], [mm]
    main_length, main_bore, manifold_length, manifold_bore : float
        Pipes before the laterals. [m], [mm]
    pressure : float
        Regulated pressure at the head. [kPa]
    elevation : float
        Zone above the head. [m]
    """

    laterals: int
    emitters: int
    flow: float
    exponent: float
    spacing: float
    lateral_bore: float
    main_length: float
    main_bore: float
    manifold_length: float
    manifold_bore: float
    pressure: float
    elevation: float


@dataclass(frozen=True, slots=True)
class Solved:
    """What EPANET says of a layout.

    Attributes
    ----------
    flow : float
        Total flow of the emitters. [L/h]
    pressures : dict of str to float
        At ``"head"``, ``"zone"``, ``"lateral end"``. [kPa]
    travel_s : dict of str to float
        From the injector to ``"zone"`` and ``"lateral end"``: 50 % of a step. Empty without transport. [s]
    mass_in, mass_out : float
        Tracer let in and given off by all emitters in the quality run, to steady state. [-]
    """

    flow: float
    pressures: dict[str, float]
    travel_s: dict[str, float]
    mass_in: float
    mass_out: float


def draw_layout(rng: np.random.Generator, *, compensating: bool) -> Layout:
    """Draw a zone of at most 320 emitters with pipes sized as a designer would."""
    laterals = int(rng.integers(4, 11))
    emitters = int(rng.integers(14, 33))
    flow = float(rng.choice([1.0, 1.6, 2.0, 2.4]))
    total = laterals * emitters * flow
    return Layout(
        laterals=laterals,
        emitters=emitters,
        flow=flow,
        exponent=0.0 if compensating else 0.5,
        spacing=float(rng.choice([0.5, 0.6, 0.75, 1.0])),
        lateral_bore=float(rng.choice([13.6, 15.2, 16.0])),
        main_length=float(rng.uniform(15.0, 80.0)),
        main_bore=_bore(total, 0.4),
        manifold_length=float(laterals * rng.uniform(0.8, 1.8)),
        manifold_bore=_bore(total, 0.4),
        pressure=float(rng.uniform(120.0, 180.0)),
        elevation=float(rng.uniform(-1.0, 1.5)),
    )


def _bore(flow: float, velocity: float) -> float:
    """Return the next usual bore for a flow [L/h] at about a velocity [m/s]. [mm]"""
    wanted = 1000.0 * np.sqrt(4.0 * flow / 3.6e6 / (np.pi * velocity))
    bores = np.array([13.6, 17.0, 21.0, 26.0, 33.0, 41.0])
    return float(bores[min(int(np.searchsorted(bores, wanted)), len(bores) - 1)])


def _network(layout: Layout) -> tuple[Any, list[str]]:
    """Return the EPANET model and the emitters' node names, the far one last."""
    import wntr  # noqa: PLC0415 - slow to import

    model = wntr.network.WaterNetworkModel()
    hydraulic = model.options.hydraulic
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns that roughness keeps its unit, which is wanted
        hydraulic.headloss = "D-W"
    hydraulic.emitter_exponent = layout.exponent or 0.5
    hydraulic.accuracy = 1e-6
    hydraulic.trials = 200
    model.add_reservoir("R", base_head=layout.pressure / KPA_PER_M)
    for name, height in (("head", 0.0), ("injector", 0.0), ("filter", 0.0), ("zone", layout.elevation)):
        model.add_junction(name, elevation=height)

    def pipe(one: str, other: str, length: float, bore: float, minor: float = 0.0) -> None:
        model.add_pipe(
            f"{one}-{other}",
            one,
            other,
            length=length,
            diameter=bore / 1000.0,
            roughness=ROUGHNESS,
            minor_loss=minor,
        )

    pipe("R", "head", 0.5, layout.main_bore)
    pipe("head", "injector", 0.5, layout.main_bore)
    pipe("injector", "filter", 0.5, layout.main_bore, 4.0)
    pipe("filter", "zone", layout.main_length, layout.main_bore)
    names, before = [], "zone"
    step = layout.manifold_length / layout.laterals
    for i in range(layout.laterals):
        tee = f"T{i}"
        model.add_junction(tee, elevation=layout.elevation)
        pipe(before, tee, step, layout.manifold_bore)
        last = before = tee
        for j in range(layout.emitters):
            name = f"E{i}_{j}"
            model.add_junction(name, elevation=layout.elevation)
            node = model.get_node(name)
            if layout.exponent == 0.0:
                node.add_demand(layout.flow / 3.6e6, None)
            else:
                node.emitter_coefficient = layout.flow / 3.6e6 / (100.0 / KPA_PER_M) ** layout.exponent
            pipe(last, name, layout.spacing, layout.lateral_bore)
            last = name
            names.append(name)
    return model, names


def _simulate(model: Any) -> Any:
    """Run EPANET in a folder of its own."""
    import wntr  # noqa: PLC0415 - slow to import

    with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return wntr.sim.EpanetSimulator(model).run_sim(file_prefix=str(Path(folder) / "zone"))


def solve(layout: Layout, *, transport: bool = True, step_s: int = 1) -> Solved:
    """Solve a layout with EPANET.

    Parameters
    ----------
    layout : Layout
        The zone.
    transport : bool
        Whether to run a tracer step from the injector too.
    step_s : int
        Quality and report step. [s]

    Returns
    -------
    Solved
        Flows, pressures and, with transport, travel times and the tracer's balance.
    """
    model, names = _network(layout)
    time = model.options.time
    duration = 0 if not transport else int(3.5 * _guess(layout)) + 60
    time.duration = duration
    time.hydraulic_timestep = time.report_timestep = max(duration, 3600)
    if transport:
        model.options.quality.parameter = "CHEMICAL"
        model.add_source("tracer", "injector", "SETPOINT", 1.0)
        time.hydraulic_timestep = duration
        time.quality_timestep = step_s
        time.report_timestep = step_s
        time.pattern_timestep = duration
    result = _simulate(model)
    pressure = result.node["pressure"].iloc[0]
    flows = result.node["demand"][names].iloc[0].to_numpy(float) * 3.6e6
    places = {"head": "head", "zone": "zone", "lateral end": names[-1]}
    pressures = {place: float(pressure[node]) * KPA_PER_M for place, node in places.items()}
    if not transport:
        return Solved(float(flows.sum()), pressures, {}, 0.0, 0.0)
    quality = result.node["quality"]
    times = quality.index.to_numpy(float)
    travel = {p: _crossing(times, quality[n].to_numpy(float)) for p, n in list(places.items())[1:]}
    passed = quality[names].to_numpy(float) @ flows / 3600.0
    inlet = quality["injector"].to_numpy(float) * flows.sum() / 3600.0
    held = float(
        sum(flows[i] / 3600.0 * _crossing(times, quality[n].to_numpy(float)) for i, n in enumerate(names))
    )
    return Solved(
        float(flows.sum()),
        pressures,
        travel,
        float(np.trapezoid(inlet, times)) - held,
        float(np.trapezoid(passed, times)),
    )


def balance(layout: Layout, *, pulse_s: int = 300) -> tuple[float, float]:
    """Return the tracer that a pulse at the injector lets in, and what all emitters give off.

    Parameters
    ----------
    layout : Layout
        The zone.
    pulse_s : int
        Length of the pulse; the run goes on until the zone is clear. [s]

    Returns
    -------
    tuple of float
        In and out. [concentration times L]
    """
    model, names = _network(layout)
    time = model.options.time
    pulses = int(4.0 * _guess(layout)) // pulse_s + 2
    time.duration = time.hydraulic_timestep = pulses * pulse_s
    time.quality_timestep = time.report_timestep = 1
    time.pattern_timestep = time.hydraulic_timestep = pulse_s
    model.options.quality.parameter = "CHEMICAL"
    model.add_pattern("pulse", [1.0] + [0.0] * (pulses - 1))
    model.add_source("tracer", "injector", "SETPOINT", 1.0, "pulse")
    result = _simulate(model)
    quality = result.node["quality"]
    flows = result.node["demand"][names].iloc[0].to_numpy(float) * 1000.0
    entered = float(np.trapezoid(quality["injector"].to_numpy(float) * flows.sum()))
    return entered, float(np.trapezoid(quality[names].to_numpy(float) @ flows))


def _guess(layout: Layout) -> float:
    """Return a travel time to the far emitter good enough to choose the run's length. [s]"""
    total = layout.laterals * layout.emitters * layout.flow / 3.6e6
    area = np.pi / 4e6
    main = area * layout.main_bore**2 * layout.main_length / total
    harmonic_m = float(sum(1.0 / i for i in range(1, layout.laterals + 1)))
    harmonic_l = float(sum(1.0 / i for i in range(1, layout.emitters + 1)))
    manifold = area * layout.manifold_bore**2 * layout.manifold_length / layout.laterals
    manifold *= harmonic_m / (layout.emitters * layout.flow / 3.6e6)
    lateral = area * layout.lateral_bore**2 * layout.spacing * harmonic_l / (layout.flow / 3.6e6)
    return float(main + manifold + lateral)


def _crossing(times: np.ndarray, quality: np.ndarray) -> float:
    """Return when a rising front passes 0.5. [s]"""
    over = int(np.argmax(quality >= 0.5))
    low, high = quality[over - 1], quality[over]
    return float(times[over - 1] + (0.5 - low) / (high - low) * (times[over] - times[over - 1]))
