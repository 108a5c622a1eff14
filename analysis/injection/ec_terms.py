"""What makes the injection fraction from conductivity uncertain, term by term."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analysis.conductivity import (
    COEFFICIENT_LIMIT,
    DEFAULT_COEFFICIENT,
    MAGNESIUM_SULFATE_LIMITS,
    REFERENCE,
    STATED_COEFFICIENT_LIMIT,
)
from analysis.dilution import (
    BENT_EXPONENT,
    INTERPOLATION_LIMIT,
    OTHER_WATER,
    OTHER_WATER_PHOSPHATE,
    sensitivity,
)
from analysis.injection.strength import lean_limit
from analysis.injection.ways import MAGNESIUM, PHOSPHATE, gain_term, limit_of, mostly, run_label
from analysis.uncertainty import Source, rectangular

if TYPE_CHECKING:
    from analysis.injection.signal import Signal
    from analysis.view import RunView
    from ingest.installation import Stock

REPEATABILITY = 0.002
"""Standard deviation of a cell's gain from day to day. [-] Assumed, as in the prototypes; no source."""

UNKNOWN_OFFSET_K = 10.0
"""Distance from 25 °C assumed where no thermometer sees the water. [K] No source."""


def ec_terms(view: RunView, signal: Signal, step: float) -> dict[Source, float]:
    """Return the contributions to ln f of everything but the scatter of the readings.

    Parameters
    ----------
    view : RunView
        The run.
    signal : Signal
        The cell's signal.
    step : float
        Mean step above the source water. [mS/cm at 25 °C]

    Returns
    -------
    dict of Source to float
        Signed relative standard contributions. [-]

    References
    ----------
    GUM (JCGM 100:2008) 5.1; limits of error are rectangular, 4.3.7; the accuracy of the dilutions is a
    standard uncertainty.
    """
    lever, run = sensitivity(signal.curve, step), run_label(view)
    stock, ground = view.installation.stock[signal.stock], signal.ground
    gain_source, gain = gain_term(view.installation, signal.mixed.name, step)
    terms = {
        gain_source: lever * gain,
        Source("dilutions as made and measured", signal.stock): lever * stock.dilution_accuracy,
        Source("shape of the dilution curve", signal.stock): rectangular(_shape_limit(signal, step)),
        Source("source water unlike the dilutions'", signal.stock): lever
        * rectangular(_water_limit(signal, stock)),
        Source("cell repeatability", signal.mixed.name, run): lever * REPEATABILITY,
        Source("source water reading", run=run): lever * ground.sd / step,
        Source("unseen drift of the source water", run=run): lever * ground.drift_sd / step,
    }
    if ground.gain is None and ground.source is not None:
        terms.update(_unmatched_terms(view, signal, step, lever))
    terms.update(_temperature_terms(view, signal, stock, lever))
    return {source: u for source, u in terms.items() if u != 0.0}


def curve_tilt(view: RunView, signal: Signal, ends: tuple[float, float]) -> dict[Source, float]:
    """Return by how much ln f may lean from the weak to the strong end of a decay.

    Parameters
    ----------
    view : RunView
        The run.
    signal : Signal
        The cell's signal.
    ends : tuple of float
        Weakest and strongest fraction. [-]

    Returns
    -------
    dict of Source to float
        Relative standard contributions to f at one end against the other. [-]
    """
    stock, mixed = view.installation.stock[signal.stock], signal.mixed
    away = UNKNOWN_OFFSET_K if mixed.temperature is None else mixed.temperature - REFERENCE
    corrected = mixed.thermometer is not None and not isinstance(stock.temperature_coefficient, str)
    known = mixed.temperature if corrected else None
    heat = rectangular(lean_limit(stock, signal.curve, ends, known, away=away))
    return {
        Source("temperature coefficient changing with strength", signal.stock): heat,
        Source("source water unlike the dilutions'", signal.stock): rectangular(_water_limit(signal, stock)),
    }


def _unmatched_terms(view: RunView, signal: Signal, step: float, lever: float) -> dict[Source, float]:
    """Return the cells' gains where nothing matched them on one water: each acts on its whole reading."""
    sensors, level = view.installation.sensor, float(signal.ground.series.mean())
    source, mixed = signal.ground.source or "", signal.mixed.name
    return {
        Source("meter gain", source): -lever * rectangular(limit_of(sensors[source], level)) / step,
        Source("meter gain", mixed): lever * rectangular(limit_of(sensors[mixed], step + level)) / step,
    }


def _shape_limit(signal: Signal, step: float) -> float:
    """Return the largest relative error of f from the curve's shape."""
    if signal.curve.linear:
        return BENT_EXPONENT * abs(math.log(step / signal.curve.steps[0])) + INTERPOLATION_LIMIT
    return INTERPOLATION_LIMIT


def _water_limit(signal: Signal, stock: Stock) -> float:
    """Return the largest relative error of the step because today's water is not the dilutions'."""
    change = abs(float(signal.ground.series.median()) / signal.curve.water - 1.0)
    return change * (OTHER_WATER_PHOSPHATE if mostly(stock, *PHOSPHATE) else OTHER_WATER)


def _temperature_terms(view: RunView, signal: Signal, stock: Stock, lever: float) -> dict[Source, float]:
    """Return the contributions of the coefficient and of the thermometer."""
    mixed, coefficient = signal.mixed, stock.temperature_coefficient
    slope = DEFAULT_COEFFICIENT if coefficient == "natural water" else float(coefficient)
    stated = slope != DEFAULT_COEFFICIENT and mixed.thermometer is not None
    limits = _coefficient_limits(stock)
    away = UNKNOWN_OFFSET_K if mixed.temperature is None else mixed.temperature - REFERENCE
    where = signal.stock if mixed.thermometer else mixed.name
    scale = lever / (1.0 + slope * away)
    found = {Source("temperature coefficient", where): -scale * rectangular(limits[stated]) * away}
    if mixed.thermometer is not None:
        kelvin = rectangular(limit_of(view.installation.sensor[mixed.thermometer], REFERENCE))
        found[Source("thermometer", mixed.thermometer)] = -scale * slope * kelvin
    return found


def _coefficient_limits(stock: Stock) -> tuple[float, float]:
    """Return the largest error of a temperature coefficient: not stated, and stated. [1/K]"""
    if mostly(stock, *MAGNESIUM):
        return MAGNESIUM_SULFATE_LIMITS
    return COEFFICIENT_LIMIT, STATED_COEFFICIENT_LIMIT
