"""Worked cases in the units in which they are printed, for the check values."""

from __future__ import annotations

import numpy as np
from scipy import stats

from analysis.hydraulics.checks import christiansen_factor, flushing_flow
from analysis.hydraulics.emitters import Emitter
from analysis.hydraulics.friction import GRAVITY, Friction, density, friction_factor, friction_loss
from analysis.hydraulics.layout import Layout, Reach
from analysis.hydraulics.travel import travel_times, uniform_lateral_time
from analysis.hydraulics.zones import zone_at_pressure
from analysis.uniformity import measures as uniformity

BLASIUS = Friction("Blasius")
FOOT = 0.3048
INCH = 25.4
GALLON_PER_MINUTE = 3.785411784 * 60.0
"""One US gallon a minute. [L/h]"""


def blasius(re: float) -> float:
    """Return the Blasius factor. [-]"""
    return float(friction_factor(re, BLASIUS))


def blasius_head_loss(flow: float, length: float, bore: float) -> float:
    """Return the loss by Blasius. [m]"""
    return float(friction_loss(flow, length, bore, friction=BLASIUS)) / (density(20.0) * GRAVITY / 1000.0)


def blasius_lateral_loss(flow: float, length: float, bore: float, outlets: int) -> float:
    """Return the loss by Blasius and Christiansen's factor. [m]"""
    return blasius_head_loss(flow, length, bore) * christiansen_factor(outlets, 1.75)


def flushing_gallons(inches: float) -> float:
    """Return the flow at 1 ft/s. [US gal/min]"""
    return flushing_flow(inches * INCH, wanted=FOOT) / GALLON_PER_MINUTE


def uniform_minutes(place: int) -> float:
    """Return the travel time to an emitter of the worked lateral, closed form. [min]"""
    return uniform_lateral_time(bore=16, spacing=0.3, flow=1.6, emitters=100, place=place) / 60.0


def solved_minutes(place: int) -> float:
    """Return the travel time to an emitter of the worked lateral, from its solved flows. [min]"""
    lateral = Reach(np.full(100, 0.3), 16.0)
    layout = Layout((), Reach(np.zeros(1), 16.0), lateral, 1, (Emitter(1.6, exponent=0.0),))
    times = travel_times(layout, zone_at_pressure(layout, 100.0))
    return float(times.places[0, place - 1]) / 60.0


def normal_population(measure: str, variation: float) -> float:
    """Return a measure of uniformity of a normal population, as 100 000 of its quantiles. [%]"""
    places = (np.arange(100_000) + 0.5) / 100_000
    return float(getattr(uniformity, measure)(1.0 + variation * stats.norm.ppf(places)))
