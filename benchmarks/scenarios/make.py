"""Make one virtual system with its readings and its truth; see the package's docstring."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import pandas as pd

from analysis.results import Interval, Run
from analysis.view import RunView
from benchmarks.scenarios import chemistry, describe
from benchmarks.scenarios import plan as plans
from benchmarks.scenarios.observe import Observer
from benchmarks.scenarios.plan import Kind, Plan
from benchmarks.scenarios.stock import stock_table

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from ingest.installation import Installation

    Array = NDArray[np.float64]

EPOCH = pd.Timestamp("2026-06-01T05:00:00Z")
"""Start of every record."""


@dataclass(frozen=True, slots=True)
class Truth:
    """What really happened.

    Attributes
    ----------
    run : Run
        The run and its injection at the injector. [UTC]
    stock_name : str
        Key of `chemistry.STOCKS`.
    fraction : float
        Stock volume over solution volume during the injection. [-]
    stock_l, solution_l : float
        Stock, and solution with it, during the injection. [L]
    grams : dict
        Element to mass injected. [g]
    tank : dict
        For a displacement tank: ``volume_l``, ``decay_l`` (water that takes the strength to 1/e),
        ``initial`` (fraction at the start), ``left`` (strength at the end of the run over the start's).
    travel_s : dict
        ``"zone"`` and ``"lateral end"``: EPANET's time from the injector, 50 % of a step. [s]
    clear_s : dict
        Share of the injected step to the time after the injection's end from which the far end's excess
        stays below it, had the water run on. [s]
    gains : dict
        Sensor to its true gain, reading over truth. [-]
    flow : float
        Solution flow. [L/h]
    temperature : float
        Mean water temperature. [°C]
    """

    run: Run
    stock_name: str
    fraction: float
    stock_l: float
    solution_l: float
    grams: dict[str, float]
    tank: dict[str, float]
    travel_s: dict[str, float]
    clear_s: dict[float, float]
    gains: dict[str, float]
    flow: float
    temperature: float


@dataclass(frozen=True, slots=True)
class Scenario:
    """One virtual system: its description, its readings, its truth."""

    installation: Installation
    readings: pd.DataFrame
    truth: Truth

    def view(self) -> RunView:
        """Return the run as the pipeline would hand it on, run and injection from the truth."""
        series = {
            str(name): part.set_index("time")["value"]
            for name, part in self.readings.groupby("sensor", observed=True)
        }
        return RunView(self.installation, self.truth.run, series)


def make(  # noqa: PLR0913 - each keyword is one choice of the package's docstring
    seed: int,
    *,
    kind: Kind = "proportional pump",
    flush: Literal["full", "short"] = "full",
    compensating: bool = False,
    shape: str = "inverse Gaussian",
    transport: bool = True,
    ideal: bool = False,
    stock: str | None = None,
    sag: float = 0.0,
    without: tuple[str, ...] = (),
) -> Scenario:
    """Return one virtual system; see the package's docstring for the choices.

    Parameters
    ----------
    seed : int
        The same seed and choices give the same system.
    kind, flush, compensating, shape, transport, ideal
        See ``benchmarks.scenarios``.
    stock : str, optional
        Key of `chemistry.STOCKS`; drawn where left out.
    sag : float
        Relative fall of the ratio from the start of the injection to its end. [-]
    without : tuple of str
        Sensors that are left out of the description and the readings.

    Returns
    -------
    Scenario
        The system.
    """
    plan = plans.draw(seed, kind, compensating=compensating, transport=transport, ideal=ideal, stock=stock)
    relative_sd = float(plan.rng.uniform(0.06, 0.13))
    plans.set_times(plan, flush)
    seconds = np.arange(plan.total, dtype=float)
    on = (seconds >= plan.start) & (seconds < plan.end)
    injecting = (seconds >= plan.inject) & (seconds < plan.stop)
    flow = np.where(on, plan.solved.flow * plans.wander(plan, len(seconds)), 0.0)
    fraction, tank = plans.injected(plan, flow, injecting, sag)
    far = {p: plans.spread(fraction, flow, plan, p, relative_sd, shape) for p in plan.solved.travel_s}
    clear = plans.clear_times(plan, fraction, flow, relative_sd, shape) if plan.solved.travel_s else {}
    litres = flow / 3600.0
    stock_l, solution_l = float((fraction * litres).sum()), float(litres[injecting].sum())
    ions = chemistry.STOCKS[plan.stock_name]
    volume_l = tank.get("volume_l", plan.nominal * 3000.0)
    watch, injector = _observe(plan, flow, fraction, far, volume_l)
    installation = describe.installation(
        f"Virtual {plan.seed}",
        injector=injector,
        stock=stock_table(plan, ions, float(fraction.max())),
        layout=plan.layout,
        sensors={name: table for name, table in watch.tables.items() if name not in without},
    )
    readings = watch.frame(EPOCH)
    readings = readings[~readings["sensor"].isin(without)].reset_index(drop=True)
    run = Run(
        "z1",
        _at(plan.start),
        _at(plan.end),
        float(litres.sum()),
        float(flow[on].mean()),
        Interval(_at(plan.inject), _at(plan.stop)),
    )
    truth = Truth(
        run,
        plan.stock_name,
        stock_l / solution_l,
        stock_l,
        solution_l,
        {k: v * stock_l for k, v in chemistry.nutrients(ions).items()},
        tank,
        dict(plan.solved.travel_s),
        clear,
        watch.gains,
        float(flow[on].mean()),
        plan.temperature,
    )
    return Scenario(installation, readings, truth)


def _at(second: float) -> pd.Timestamp:
    return EPOCH + pd.Timedelta(seconds=second)


def _observe(
    plan: Plan, flow: Array, fraction: Array, far: dict[str, Array], volume_l: float
) -> tuple[Observer, dict[str, Any]]:
    """Return the sensors with what they saw, and the injector's table."""
    strongest = max(float(fraction.max()), plan.nominal) * 1.2
    ions = chemistry.STOCKS[plan.stock_name]
    watch = Observer(plan, chemistry.table(ions, strongest=strongest, temperature=plan.temperature))
    watch.waters(flow, fraction)
    injector: dict[str, Any] = {"kind": plan.kind, "tank_volume": f"{volume_l:.3f} L"}
    if plan.kind == "proportional pump":
        injector["ratio"] = f"1:{1 / plan.nominal:.6g}"
        injector["tank_area"] = f"{watch.stock_tank(flow * fraction):.6f} m2"
    watch.cells(fraction, far)
    return watch, injector
