"""The registry: which estimators and detectors an analysis calls, in order.

To add one: import it here and add one entry to the tuple whose view it needs.

``RUN_STEPS``
    ``f(view: RunView) -> Sequence[Estimate | Finding | Feature]``, once a run, with the run's readings.
``RUN_JUDGES``
    ``f(view: RunView, estimates: Sequence[Estimate]) -> Sequence[Finding | Estimate | Feature]``, once a run
    after every run step, with what they estimated for that run.
``PERIOD_STEPS``
    ``f(period: PeriodView) -> Sequence[Estimate | Finding | Feature]``, once for each stretch of at most a
    day, with that stretch's readings and flags. A longer period never comes as one view: what needs more
    than a day leaves a `Feature`.
``SEASON_STEPS``
    ``f(season: SeasonView) -> Sequence[Estimate | Finding]``, once for the whole period, with all runs,
    estimates, findings and features, without readings.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from analysis.backflow.detect import backflow
from analysis.backflow.season import slow_leak_back
from analysis.clearout.estimate import clear_out
from analysis.clearout.fronts import travel_between
from analysis.clocks.delays import clock_levels
from analysis.clocks.edges import edges
from analysis.clocks.judge import clock_faults
from analysis.clocks.slow import slow_sensors
from analysis.clocks.walk import walking_clocks
from analysis.diagnosis.features import steady
from analysis.diagnosis.normalised import filter_loss, reference_flow
from analysis.diagnosis.season import diagnose
from analysis.dose.carried import carried_over, stock_left
from analysis.dose.findings import dose_findings
from analysis.dose.grams import nutrient_dose
from analysis.drainage import drain_fraction
from analysis.dry_cells import cells_out_of_water, dry_cells
from analysis.findings.feed import ec_band, injector_flow
from analysis.findings.injection import no_injection, off_target
from analysis.findings.preventer import preventer_test
from analysis.findings.rest import over_pressure, silence
from analysis.findings.season import sensor_silent
from analysis.hydraulics.travel_estimate import travel_in_pipes
from analysis.injection.disagree import disagreements
from analysis.injection.faults import injection_without_flow
from analysis.injection.fraction import injection_fraction
from analysis.injection.season import zone_totals
from analysis.injection.strata import sagging
from analysis.injection.volume import stock_volume
from analysis.meter_pairs import meters_apart
from analysis.results import Estimate, Feature, Finding
from analysis.sensors_health import cell_fouling, failed_readings, troubled_sensors
from analysis.stations import stations
from analysis.tank.estimate import displacement_tank
from analysis.valves.events import valve_events
from analysis.valves.judge import valve_faults
from analysis.valves.long_runs import long_runs
from analysis.view import PeriodView, RunView, SeasonView
from analysis.water import mean_ec, water_volume

Said = Sequence[Estimate | Finding | Feature]

RUN_STEPS: tuple[Callable[[RunView], Said], ...] = (
    water_volume,
    mean_ec,
    injection_fraction,
    stock_volume,
    displacement_tank,
    nutrient_dose,
    stock_left,
    sagging,
    disagreements,
    stations,
    travel_between,
    travel_in_pipes,
    clear_out,
    injector_flow,
    ec_band,
    steady,
    reference_flow,
    filter_loss,
    edges,
)

RUN_JUDGES: tuple[Callable[[RunView, Sequence[Estimate]], Said], ...] = (
    no_injection,
    off_target,
    dose_findings,
)

PERIOD_STEPS: tuple[Callable[[PeriodView], Said], ...] = (
    over_pressure,
    silence,
    backflow,
    injection_without_flow,
    failed_readings,
    drain_fraction,
    valve_events,
    clock_levels,
    dry_cells,
)

SEASON_STEPS: tuple[Callable[[SeasonView], Said], ...] = (
    zone_totals,
    carried_over,
    sensor_silent,
    preventer_test,
    diagnose,
    slow_leak_back,
    cell_fouling,
    troubled_sensors,
    valve_faults,
    long_runs,
    clock_faults,
    walking_clocks,
    slow_sensors,
    cells_out_of_water,
    meters_apart,
)
