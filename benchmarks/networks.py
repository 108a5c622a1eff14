"""Seeded zones and the same zones as EPANET networks, to compare the project's hydraulics with."""

from __future__ import annotations

import tempfile
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.hydraulics.emitters import Emitter
from analysis.hydraulics.friction import GRAVITY, PLASTIC_ROUGHNESS, density, kinematic_viscosity
from analysis.hydraulics.layout import Layout, Reach

if TYPE_CHECKING:
    from numpy.typing import NDArray

EPANET_VISCOSITY = 1.1e-5 * 0.3048**2
"""Kinematic viscosity of EPANET's relative viscosity 1, 1.1e-5 ft2/s. [m2/s] EPANET 2.2 manual."""


@dataclass(frozen=True, slots=True)
class Case:
    """One seeded zone."""

    layout: Layout
    head_pressure: float
    temperature: float


REGULATES_FROM = 50.0
"""Least pressure in a zone of compensating emitters. [kPa] Below it they do not compensate."""


def seeded_case(seed: int, *, exponent: float | None = None) -> Case:
    """Return a random but sensible zone.

    Parameters
    ----------
    seed : int
        Seed.
    exponent : float or None
        Emitter exponent; None draws one between 0.4 and 1. [-]
    """
    rng = np.random.default_rng(seed)
    laterals, places = int(rng.integers(4, 16)), int(rng.integers(20, 101))
    spacing = float(rng.choice([0.2, 0.3, 0.4, 0.5]))
    flow = float(rng.choice([1.0, 1.6, 2.0, 2.3]))
    total = laterals * places * flow
    bore = float(rng.choice([13.6, 16.0, 17.4]))
    manifold_bore = float(np.sqrt(total / 3600 / rng.uniform(0.7, 1.3) * 4 / np.pi * 1000))
    main_bore = float(np.sqrt(total / 3600 / rng.uniform(0.7, 1.3) * 4 / np.pi * 1000))
    x = float(rng.uniform(0.4, 1.0)) if exponent is None else exponent
    layout = Layout(
        main=(Reach(np.array([rng.uniform(15.0, 90.0)]), main_bore),),
        manifold=Reach(np.full(laterals, rng.uniform(1.0, 2.0)), manifold_bore),
        lateral=Reach(np.full(places, spacing), bore, float(rng.uniform(-0.03, 0.03))),
        laterals=laterals,
        emitters=(Emitter(flow, 100.0, x),),
        elevation=float(rng.uniform(-2.0, 3.0)),
    )
    return Case(layout, float(rng.uniform(150.0, 260.0)), float(rng.uniform(10.0, 28.0)))


@dataclass(frozen=True, slots=True)
class EpanetFlow:
    """EPANET's steady state.

    Attributes
    ----------
    flow, end_pressure, travel_s : float
        Zone flow, pressure at the last emitter, travel time to it. [L/h], [kPa], [s]
    pressures : ndarray
        Pressures along the last lateral. [kPa]
    age_s : float or None
        Water age at the last emitter, where it was asked for. [s]
    """

    flow: float
    end_pressure: float
    travel_s: float
    pressures: NDArray[np.float64]
    age_s: float | None = None


def epanet(case: Case, *, age: bool = False) -> EpanetFlow:
    """Solve a case with EPANET 2.2, every emitter a node.

    Parameters
    ----------
    case : Case
        The zone.
    age : bool
        True to also transport water age, quality step 1 s, and return it at the last emitter.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import wntr  # noqa: PLC0415 - slow to import, and not always needed

        model, mains, manifold, lateral = _model(wntr, case)
        model.options.time.duration = 4 * 3600 if age else 0
        if age:
            model.options.quality.parameter = "AGE"
            model.options.quality.tolerance = 1e-6
            model.options.time.quality_timestep = 1
        with tempfile.TemporaryDirectory() as folder:
            simulator = wntr.sim.EpanetSimulator(model)
            results = simulator.run_sim(file_prefix=str(Path(folder) / "case"))
    flows = results.link["flowrate"].iloc[-1] * 3.6e6
    heads = results.node["pressure"].iloc[-1] * density(case.temperature) * GRAVITY / 1000.0
    names = [*mains, *manifold, *lateral]
    volume = np.array([np.pi / 4 * model.get_link(n).diameter ** 2 * model.get_link(n).length for n in names])
    travel = float(np.sum(volume * 1000.0 / flows[names].to_numpy(float)) * 3600.0)
    ends = [model.get_link(name).end_node_name for name in lateral]
    return EpanetFlow(
        flow=float(flows[mains[0]]),
        end_pressure=float(heads[ends[-1]]),
        travel_s=travel,
        pressures=heads[ends].to_numpy(float),
        age_s=float(results.node["quality"].iloc[-1][ends[-1]]) if age else None,
    )


def _model(wntr: Any, case: Case) -> tuple[Any, list[str], list[str], list[str]]:
    """Return the network and the names of the pipes on the way to the last emitter."""
    layout = case.layout
    model = wntr.network.WaterNetworkModel()
    hydraulic = model.options.hydraulic
    hydraulic.headloss, hydraulic.inpfile_units = "D-W", "LPS"
    hydraulic.viscosity = kinematic_viscosity(case.temperature) / EPANET_VISCOSITY
    hydraulic.accuracy, hydraulic.trials = 1e-7, 500
    x = layout.emitters[0].exponent
    hydraulic.emitter_exponent = x if x > 0 else 0.5
    metre = density(case.temperature) * GRAVITY / 1000.0
    model.add_reservoir("head", base_head=case.head_pressure / metre)
    at, mains = "head", []
    for i, reach in enumerate(layout.main):
        _pipe(model, f"main{i}", at, f"m{i}", float(reach.lengths.sum()), reach.bore, layout.elevation)
        mains.append(f"main{i}")
        at = f"m{i}"
    manifold: list[str] = []
    lateral: list[str] = []
    for j in range(layout.laterals):
        _pipe(
            model,
            f"man{j}",
            at,
            f"n{j}",
            float(layout.manifold.lengths[j]),
            layout.manifold.bore,
            layout.elevation,
        )
        manifold.append(f"man{j}")
        at = f"n{j}"
        lateral = _lateral(model, case, j, metre)
    return model, mains, manifold, lateral


def _lateral(model: Any, case: Case, j: int, metre: float) -> list[str]:
    """Add one lateral with its emitters and return its pipes."""
    layout, emitter = case.layout, case.layout.emitters[0]
    before, run, names = f"n{j}", 0.0, []
    for i, length in enumerate(layout.lateral.lengths):
        run += float(length)
        node, pipe = f"e{j}_{i}", f"l{j}_{i}"
        height = layout.elevation + layout.lateral.rise * run
        _pipe(model, pipe, before, node, float(length), layout.lateral.bore, height)
        junction = model.get_node(node)
        if emitter.exponent > 0:
            junction.emitter_coefficient = emitter.flow / 3.6e6 / (emitter.at / metre) ** emitter.exponent
        else:
            junction.demand_timeseries_list[0].base_value = emitter.flow / 3.6e6
        names.append(pipe)
        before = node
    return names


def _pipe(model: Any, name: str, start: str, end: str, length: float, bore: float, height: float) -> None:
    """Add a junction and the pipe that leads to it."""
    model.add_junction(end, base_demand=0.0, elevation=height)
    model.add_pipe(
        name,
        start,
        end,
        length=length,
        diameter=bore / 1000.0,
        roughness=PLASTIC_ROUGHNESS / 1000.0,
    )
