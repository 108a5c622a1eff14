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

from analysis.backflow import backflow
from analysis.backflow_season import slow_leak_back
from analysis.clearout_estimate import clear_out
from analysis.diagnosis_season import diagnose
from analysis.dose import nutrient_dose
from analysis.dose_findings import dose_findings
from analysis.drainage import drain_fraction
from analysis.features import steady
from analysis.findings_feed import ec_band, injector_flow
from analysis.findings_injection import no_injection, off_target
from analysis.findings_rest import over_pressure, silence
from analysis.findings_season import preventer_test, sensor_silent
from analysis.fronts import travel_between
from analysis.injection import injection_fraction
from analysis.injection_disagree import disagreements
from analysis.injection_faults import injection_without_flow
from analysis.injection_season import zone_totals
from analysis.injection_strata import sagging
from analysis.injection_volume import stock_volume
from analysis.normalised import filter_loss, reference_flow
from analysis.results import Estimate, Feature, Finding
from analysis.sensors_health import cell_fouling, failed_readings, troubled_sensors
from analysis.stations import stations
from analysis.tank_estimate import displacement_tank
from analysis.travel_estimate import travel_in_pipes
from analysis.view import PeriodView, RunView, SeasonView
from analysis.washout import washout
from analysis.water import mean_ec, water_volume

Said = Sequence[Estimate | Finding | Feature]

RUN_STEPS: tuple[Callable[[RunView], Said], ...] = (
    water_volume,
    mean_ec,
    injection_fraction,
    stock_volume,
    displacement_tank,
    nutrient_dose,
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
)

RUN_JUDGES: tuple[Callable[[RunView, Sequence[Estimate]], Said], ...] = (
    no_injection,
    off_target,
    dose_findings,
    washout,
)

PERIOD_STEPS: tuple[Callable[[PeriodView], Said], ...] = (
    over_pressure,
    silence,
    backflow,
    injection_without_flow,
    failed_readings,
    drain_fraction,
)

SEASON_STEPS: tuple[Callable[[SeasonView], Said], ...] = (
    zone_totals,
    sensor_silent,
    preventer_test,
    diagnose,
    slow_leak_back,
    cell_fouling,
    troubled_sensors,
)
