"""The light model of the benchmarks against EPANET, and a season of raw readings through the whole analysis."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from analysis.pipeline import analyse
from benchmarks.season_plan import Plant, Seasons, no_faults, ramp, with_fault
from benchmarks.season_views import START, installation_of, sensor_name
from benchmarks.seasons import make_plant, simulate, solve

POINTS = ("mixed", "after filter", "lateral end")
LATERALS, PLACES = 10, 40

EMITTER = 2.0 / 3.6e6 / 10.2**0.5
"""Coefficient of an emitter of 2 L/h at 100 kPa. [m3/s at 1 m]"""


def _epanet(
    folder: Path, length: float, filter_k: float, head: float, clogged: float
) -> tuple[float, float, float]:
    """Return flow [L/h], pressure behind the filter and at the far end [kPa] of a zone in EPANET."""
    wntr = pytest.importorskip("wntr")
    net = wntr.network.WaterNetworkModel()
    net.options.hydraulic.headloss = "D-W"
    net.options.hydraulic.viscosity = 1.0
    net.options.hydraulic.emitter_exponent = 0.5
    net.options.time.duration = 0
    net.add_reservoir("head", base_head=head / 9.79)
    net.add_junction("filter", elevation=0.0)
    net.add_pipe(
        "before", "head", "filter", length=0.01, diameter=0.032, minor_loss=filter_k, roughness=0.0015
    )
    before = "filter"
    for lateral in range(LATERALS):
        inlet = f"m{lateral}"
        net.add_junction(inlet, elevation=0.0)
        size = (length, 0.032) if lateral == 0 else (1.0, 0.025)
        net.add_pipe(f"p{lateral}", before, inlet, length=size[0], diameter=size[1], roughness=0.0015)
        up = before = inlet
        for place in range(PLACES):
            node = f"e{lateral}_{place}"
            net.add_junction(node, elevation=0.0)
            net.get_node(node).emitter_coefficient = EMITTER * (1.0 - clogged)
            net.add_pipe(f"l{lateral}_{place}", up, node, length=0.3, diameter=0.013, roughness=0.0015)
            up = node
    results: Any = wntr.sim.EpanetSimulator(net).run_sim(file_prefix=str(folder / "net"))
    pressure = results.node["pressure"].iloc[0] * 9.79
    flow = float(results.link["flowrate"]["before"].iloc[0]) * 3.6e6
    return flow, float(pressure["filter"]), float(pressure[f"e{LATERALS - 1}_{PLACES - 1}"])


@pytest.mark.filterwarnings("ignore:Changing the headloss formula:UserWarning")
@pytest.mark.parametrize(("length", "filter_k"), [(30.0, 40.0), (60.0, 80.0), (20.0, 160.0)])
def test_light_model_follows_epanet(tmp_path: Path, length: float, filter_k: float) -> None:
    """Fitted to EPANET's clean state, the light model tells its clogged state: flow to 0.5 %, pressures to 1 %."""
    head = 150.0
    flow, behind, end = _epanet(tmp_path, length, filter_k, head, 0.0)
    lateral = 0.12 * (behind - end)
    one = np.ones((1, 1))
    plant = Plant(
        0.5 * one, flow * one, end * one, (behind - end - lateral) * one, lateral * one,
        np.array([head - behind]), 0.0 * one, np.array([300.0]), np.array([head]), np.array([0.0]),
        np.array([600.0]), filter_after=True,
    )  # fmt: skip
    faults = with_fault(no_faults(1, 1, 1), clogging=np.full((1, 1, 1), 0.15))
    cube = np.ones((1, 1, 1))
    state = solve(plant, faults, 20.0 * cube, head * cube, 300.0 * cube, 0.0 * cube, (cube, cube))
    theirs = _epanet(tmp_path, length, filter_k, head, 0.15)

    assert state.flow[0, 0, 0] == pytest.approx(theirs[0], rel=0.005)
    assert state.after_filter[0, 0, 0] == pytest.approx(theirs[1], rel=0.01)
    assert state.end[0, 0, 0] == pytest.approx(theirs[2], rel=0.01)


def _readings(seasons: Seasons, rng: np.random.Generator) -> pd.DataFrame:
    """Return a season as devices send it: a reading a minute, twenty minutes before, during and after each run."""
    parts = []
    n, on = 60, (np.arange(60) >= 20) & (np.arange(60) < 40)
    for day in range(seasons.days.size):
        times = pd.date_range(START + pd.Timedelta(days=day, minutes=-20), periods=n, freq="1min")
        values = {"meter": np.where(on, seasons.flow[0, 0, day], 0.0) * (1.0 + rng.normal(0.0, 0.003, n))}
        values["water"] = seasons.temperature[0, 0, day] + rng.normal(0.0, 0.05, n)
        for point in POINTS:
            level = np.where(on, seasons.pressure[point][0, 0, day], seasons.rest[point][0, 0, day])
            values[sensor_name(point, 0)] = level + rng.normal(0.0, 0.2, n)
        parts += [pd.DataFrame({"time": times, "sensor": name, "value": v}) for name, v in values.items()]
    frame = pd.concat(parts, ignore_index=True)
    return frame.assign(quality=1, received=frame["time"])


@pytest.mark.slow
@pytest.mark.parametrize("rate", [0.0, 0.003])
def test_raw_season_is_judged_end_to_end(rate: float) -> None:
    """From readings to findings: a sound zone raises nothing, a clogging one is named with its loss in the interval."""
    rng, days = np.random.default_rng(81), np.arange(50.0)
    plant = make_plant(rng, 1)
    lost = ramp(days, np.array([28.0]), np.array([rate]))
    seasons = simulate(rng, plant, with_fault(no_faults(1, 1, 50), clogging=lost), days)
    readings = _readings(seasons, rng)
    results = analyse(
        installation_of(plant, 0),
        readings,
        readings["time"].min(),
        readings["time"].max() + pd.Timedelta(seconds=1),
    )
    told = {f.kind for f in results.findings}
    (loss,) = [e for e in results.estimates if e.quantity == "emitter flow loss"]

    assert told == ({"emitter clogging"} if rate else set())
    assert loss.low is not None
    assert loss.high is not None
    assert loss.low <= lost[0, 0, -1] <= loss.high
