"""The travel time to a zone's last emitter, from its pipes and the flow that was measured in a run."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.amounts import amount
from analysis.hydraulics.emitters import COMPENSATING
from analysis.hydraulics.layout import Layout, LayoutError, layout_of
from analysis.hydraulics.travel import TravelTimes, travel_times
from analysis.hydraulics.zones import ZoneFlow, zone_at_flow, zone_at_pressure
from analysis.results import ESTIMATE_UNITS, Estimate, refused
from analysis.uncertainty import COVERAGE_FACTOR, rectangular

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.view import RunView

QUANTITY = "travel time"

METHOD = "sum of segment volume over segment flow to the last emitter"

METER_POINTS = ("zone", "after filter", "mixed", "source", "supply")
"""Where a meter sees the zone's water, the nearest to the zone first."""

BORE_LIMIT = 0.02
"""Largest difference of a pipe's bore from what is written down. [-] Assumed: tolerance of extruded
polyethylene tubing; no source. Travel time goes with its square."""

LENGTH_LIMIT = 0.02
"""Largest difference of a pipe's length from what is written down. [-] Assumed; no source."""

RATED_FLOW_LIMIT = 0.07
"""Largest difference of mean emitter flow from its rating. [-] ISO 9261:2004 (from memory): the mean of a
sample lies within 7 % of nominal."""

USUAL_TEMPERATURE = 20.0
"""Water temperature taken where none is measured. [°C] It moves the travel time by less than 0.1 %."""

KPA_PER_METRE = 9.79
"""Pressure of a metre of water at 20 °C. [kPa] Computed."""

USUAL_LOSS = 30.0
"""Loss between head and emitters where none is measured. [kPa] No source; it moves the split of the flow
between laterals little, and the flow not at all where a meter tells it."""

SETTLE = pd.Timedelta(minutes=2)
"""A run that goes on must have gone on for so long: a valve takes its time to open. Common practice, no source."""

HIGHEST = 1000.0
"""Highest head pressure at which a measured flow is looked for. [kPa] Drip zones work far below it."""


@dataclass(frozen=True, slots=True)
class PipeTravel:
    """Travel times of a zone with how they were found.

    Attributes
    ----------
    layout : Layout
        The pipes.
    times : TravelTimes
        To every emitter. [s]
    flow_u : float
        Relative standard uncertainty of the flow. [-]
    sensors : tuple of str
        The meter, where one was used.
    how : str
        In words.
    """

    layout: Layout
    times: TravelTimes
    flow_u: float
    sensors: tuple[str, ...]
    how: str

    @property
    def relative_u(self) -> float:
        """Relative standard uncertainty of the travel times. [-]"""
        return float(np.sqrt(sum(u * u for u in self.terms.values())))

    @property
    def terms(self) -> dict[str, float]:
        """Relative standard uncertainty by its cause. [-]"""
        return {
            "flow": self.flow_u,
            "bores": 2.0 * rectangular(BORE_LIMIT),
            "lengths": rectangular(LENGTH_LIMIT),
        }


def pipe_travel(view: RunView) -> PipeTravel:
    """Return the travel times in a run's zone from its pipes.

    Parameters
    ----------
    view : RunView
        The run.

    Returns
    -------
    PipeTravel
        With the measured flow where a meter saw the run, else with the emitters' rated flow.

    Raises
    ------
    LayoutError
        If the pipes are not described, or contradict themselves.
    ValueError
        If the run has only begun.
    """
    if not view.run.complete and view.run.end - view.run.start < SETTLE:
        msg = "the run has only begun, and its flow is not steady yet"
        raise ValueError(msg)
    layout = layout_of(view.zone)
    temperature = _temperature(view)
    rated = zone_at_pressure(layout, _working_pressure(view), temperature=temperature)
    meters = [*view.sensors("flow", *METER_POINTS), *view.sensors("volume", *METER_POINTS)]
    measured = view.run.mean_flow_l_h
    if measured is None or not measured > 0 or not meters:
        times = travel_times(layout, rated)
        how = f"flow {amount(rated.flow, 'L/h')} as the emitters are rated, since no meter saw the run"
        return PipeTravel(layout, times, rectangular(RATED_FLOW_LIMIT), (), how)
    state, scale = _at_measured(layout, rated, measured, temperature)
    meter = view.installation.sensor[meters[0]]
    flow_u = rectangular(meter.accuracy.limit(measured) / measured)
    how = f"measured flow {amount(measured, 'L/h')}, computed {amount(rated.flow, 'L/h')}"
    return PipeTravel(layout, travel_times(layout, state, scale=scale), flow_u, (meters[0],), how)


def _working_pressure(view: RunView) -> float:
    """Return a head pressure at which the emitters work about as rated. [kPa]"""
    rated = max(group.at for group in view.zone.emitters)
    return float(rated + KPA_PER_METRE * max(view.zone.elevation, 0.0) + USUAL_LOSS)


def _at_measured(
    layout: Layout, rated: ZoneFlow, measured: float, temperature: float
) -> tuple[ZoneFlow, float]:
    """Return the state that draws the measured flow, or the rated one and the factor on its flows.

    The flow of compensating emitters tells nothing of their pressure, so theirs is only scaled.
    """
    if any(kind.exponent < COMPENSATING for kind in layout.emitters):
        return rated, measured / rated.flow
    try:
        return zone_at_flow(layout, measured, highest=HIGHEST, temperature=temperature), 1.0
    except ValueError:
        return rated, measured / rated.flow


def _temperature(view: RunView) -> float:
    """Return the water's mean temperature during the run. [°C]"""
    for name in view.sensors("temperature", "zone", "mixed", "source", "after filter", "supply"):
        during = view.series[name].loc[view.run.start : view.run.end]
        if len(during) > 0:
            return float(during.mean())
    return USUAL_TEMPERATURE


def travel_in_pipes(view: RunView) -> Sequence[Estimate]:
    """Estimate the travel time to the zone's last emitter from its pipes.

    Parameters
    ----------
    view : RunView
        The run.

    Returns
    -------
    list of Estimate
        One; a refusal where the description contradicts itself, nothing where no laterals are described.

    References
    ----------
    Plug flow; the segments' flows from Darcy-Weisbach and the emitters' law (`analysis.hydraulics.zones`).
    """
    if view.zone.laterals is None:
        return []
    try:
        found = pipe_travel(view)
    except (LayoutError, ValueError) as problem:
        return [refused(QUANTITY, METHOD, str(problem))]
    value = found.times.last
    half = COVERAGE_FACTOR * found.relative_u * value
    total = found.relative_u**2
    parts = (
        f"main {found.times.main / 60:.1f} min, manifold "
        f"{(found.times.manifold[-1] - found.times.main) / 60:.1f} min, "
        f"last lateral {(value - found.times.manifold[-1]) / 60:.1f} min"
    )
    return [
        Estimate(
            QUANTITY,
            None,
            None,
            value,
            ESTIMATE_UNITS[QUANTITY],
            value - half,
            value + half,
            f"{METHOD}: {parts}; {found.how}; {_standing(view)}",
            found.sensors,
            budget={name: u * u / total for name, u in found.terms.items()},
        )
    ]


def _standing(view: RunView) -> str:
    """Return how the computed time stands to one that cells measured, in words."""
    cells = view.sensors("conductivity", "zone", "lateral end")
    if not cells:
        return "computed, since no EC cell stands in the zone"
    return (
        f"computed, for the last emitter; as far as {' and '.join(cells)} "
        "the travel time that EC measured counts before it"
    )
