"""The simulated system itself: true flows, pressures and concentrations at every measuring point.

No sensor stands between; what the devices make of it is in `sample_data.sensing`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from sample_data.pipes import Steady, steady
from sample_data.schedule import Irrigation, irrigations, open_share
from sample_data.transport import response

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from ingest.installation import Installation
    from sample_data.schedule import Scenario

REGULATED_KPA = 115.0
"""What the pressure regulator holds while water flows. [kPa]"""

THROTTLE_KPA = 6.0
"""What the throttle beside the displacement tank takes. [kPa]"""

OPENING_S, CLOSING_S = 4.0, 3.0
"""Time constants of the flow when a valve opens and closes. [s]"""

PECLET_END = 120.0
"""Peclet number from the injector to the far end; an assumption. [-]"""

MIXED_S, PECLET_MIXED = 10.0, 20.0
"""Travel time [s] and Peclet number [-] from the injector to the cell behind it."""

BYPASS = 0.06
"""Share of the water that passes through the displacement tank. [-]"""

MEMORY_S = 3600.0
"""How far back, on a zone's clock, an injection can still be seen; three travel times and more. [s]"""


@dataclass(frozen=True, slots=True)
class WetRun:
    """One run with its hydraulics solved.

    Attributes
    ----------
    plan : Irrigation
        What the controller did.
    flow : Steady
        The zone under steady flow.
    fraction : float
        Volume fraction of stock at the injection's first moment. [-]
    decay : float
        Rate at which that fraction falls; 0 for a pump. [1/s]
    """

    plan: Irrigation
    flow: Steady
    fraction: float
    decay: float

    @property
    def seconds(self) -> float:
        """How long full flow would have had to last. [s]"""
        return float(full_flow(self.plan, np.array([np.inf]))[0])

    @property
    def injected(self) -> tuple[float, float]:
        """When stock entered, in seconds of full flow since the run began. [s]"""
        begin, end = full_flow(self.plan, np.array(self.plan.injection, dtype=float))
        return float(begin), float(end)

    @property
    def stock_l(self) -> float:
        """Stock that entered. [L]"""
        begin, end = self.injected
        held = end - begin if self.decay == 0.0 else -np.expm1(-self.decay * (end - begin)) / self.decay
        return float(self.fraction * self.flow.flow * held / 3600.0)


@dataclass(frozen=True, slots=True)
class Plant:
    """An installation with a history.

    Attributes
    ----------
    installation : Installation
        Its description.
    scenario : Scenario
        Its history.
    runs : tuple of WetRun
        Every run from the origin to `until`, by start.
    until : int
        Nothing is known after this. [s since 1970]
    """

    installation: Installation
    scenario: Scenario
    runs: tuple[WetRun, ...]
    until: int


def build(installation: Installation, scenario: Scenario, *, until: int) -> Plant:
    """Solve every run of a scenario up to a moment.

    Parameters
    ----------
    installation : Installation
        Zones with their geometry, injectors.
    scenario : Scenario
        The history.
    until : int
        The moment. [s since 1970]

    Returns
    -------
    Plant
        Ready to be asked for any window of time before `until`.
    """
    plans = irrigations(scenario, installation.tz, until)
    return Plant(installation, scenario, tuple(wet(installation, scenario, plan) for plan in plans), until)


def wet(installation: Installation, scenario: Scenario, plan: Irrigation) -> WetRun:
    """Return one run with its hydraulics solved."""
    zone = installation.zone[plan.zone]
    name = installation.injector_of(plan.zone)
    injector = installation.injector[name or ""]
    tank = injector.kind == "displacement tank"
    flow = steady(
        zone,
        head_kpa=REGULATED_KPA - (THROTTLE_KPA if tank else 0.0),
        open_share=open_share(scenario, installation.tz, plan.zone, plan.start),
    )
    if not tank:
        return WetRun(plan, flow, plan.strength * (injector.ratio or 0.0), 0.0)
    volume = injector.tank_volume or 1.0
    return WetRun(plan, flow, plan.strength * BYPASS, BYPASS * flow.flow / 3600.0 / volume)


def opening(plan: Irrigation, at: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a run's flow as a share of its full flow. [-]"""
    since, after = np.asarray(at - plan.start, dtype=float), np.asarray(at - plan.end, dtype=float)
    rising = -np.expm1(-np.maximum(since, 0.0) / OPENING_S)
    return np.asarray(np.where(after > 0.0, np.exp(-np.maximum(after, 0.0) / CLOSING_S), rising))


def full_flow(plan: Irrigation, at: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the seconds of full flow that a run has had by a moment: the integral of `opening`. [s]"""
    on = np.clip(at - plan.start, 0.0, plan.end - plan.start)
    after = np.maximum(at - plan.end, 0.0)
    return np.asarray(on + OPENING_S * np.expm1(-on / OPENING_S) - CLOSING_S * np.expm1(-after / CLOSING_S))


def runs_through(plant: Plant, *, zone: str | None = None, injector: str | None = None) -> tuple[WetRun, ...]:
    """Return the runs of one zone, or of every zone that one injector feeds, by start."""
    return tuple(
        run
        for run in plant.runs
        if zone in (None, run.plan.zone) and injector in (None, plant.installation.injector_of(run.plan.zone))
    )


def clock(runs: Sequence[WetRun], at: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the clock of one line, which stands still while no water moves.

    Parameters
    ----------
    runs : sequence of WetRun
        Every run through the line since the origin, by start.
    at : numpy.ndarray
        Moments, ascending. [s since 1970]

    Returns
    -------
    now : numpy.ndarray
        Seconds of full flow since the origin, one for each moment. [s]
    starts : numpy.ndarray
        The same, one for the start of each run. [s]
    """
    starts = np.concatenate([[0.0], np.cumsum([run.seconds for run in runs])])
    gone = int(np.searchsorted([run.plan.end + 60 for run in runs], at[0]))
    now = np.full(len(at), starts[gone])
    for index in range(gone, len(runs)):
        first = np.searchsorted(at, runs[index].plan.start)
        now[first:] = starts[index] + full_flow(runs[index].plan, at[first:])
    return now, starts[:-1]


def fraction_at(
    runs: Sequence[WetRun], at: NDArray[np.float64], *, mean_s: float | None, peclet: float
) -> NDArray[np.float64]:
    """Return the volume fraction of stock at a point of one line.

    Parameters
    ----------
    runs : sequence of WetRun
        Every run through the line since the origin, by start.
    at : numpy.ndarray
        Moments, ascending. [s since 1970]
    mean_s : float or None
        Travel time from the injector; None for the last emitter's own. [s]
    peclet : float
        Peclet number on the way. [-]

    Returns
    -------
    numpy.ndarray
        Fraction, same shape as `at`. [-]
    """
    now, starts = clock(runs, at)
    total = np.zeros(len(at))
    for run, start in zip(runs, starts, strict=True):
        begin, end = (start + moment for moment in run.injected)
        first, last = np.searchsorted(now, [begin, end + MEMORY_S])
        if run.fraction == 0.0 or first == last:
            continue
        mean = float(run.flow.travel[-1, -1]) if mean_s is None else mean_s
        total[first:last] += run.fraction * response(
            now[first:last], begin_s=begin, end_s=end, mean_s=mean, peclet=peclet, decay=run.decay
        )
    return total
