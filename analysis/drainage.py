"""What drains from a zone: its share of the water, the leaching that salts need, and an EC band with memory."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

from analysis.injection.ways import limit_of
from analysis.results import ESTIMATE_UNITS, Estimate, refused
from analysis.runs.slices import between
from analysis.runs.volumes import integrate, register_volume
from analysis.uncertainty import COVERAGE_FACTOR, rectangular

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

    from analysis.view import PeriodView

METHOD = "drained volume over the water of the runs in the same stretch"

LONGEST_GAP_S = 300.0
"""Longest hole in a drain meter's readings that is bridged. [s] No source."""

USUAL_SHARE = 0.05
"""Limit of error of a meter that states none. [-] Lower zone of a class 2 meter, ISO 4064-1."""

Side = Literal["low", "in", "high"]


def drain_fraction(period: PeriodView) -> Sequence[Estimate]:
    """Estimate the share of the water that drains, zone by zone.

    Parameters
    ----------
    period : PeriodView
        The stretch.

    Returns
    -------
    list of Estimate
        One a zone that has a drain meter and runs in the stretch.

    References
    ----------
    Leaching fraction: drained over applied volume (University of Maryland, greenhouse water course).
    """
    out: list[Estimate] = []
    for name, sensor in period.installation.sensor.items():
        series = period.series.get(name)
        if (
            sensor.point != "drain"
            or sensor.quantity not in ("flow", "volume")
            or series is None
            or sensor.zone is None
        ):
            continue
        runs = [r for r in period.runs if r.zone == sensor.zone and r.start >= period.start]
        if not runs:
            continue
        volumes = [r.volume_l for r in runs if r.volume_l is not None]
        part = between(series, period.start, period.end)
        if len(volumes) < len(runs) or len(part) < 2 or not sum(volumes):  # noqa: PLR2004 - a volume takes two readings
            reason = "no meter saw the water of every run, or the drain meter has no readings"
            out.append(refused("drain fraction", METHOD, reason, (name,)).of(sensor.zone, runs[-1].start))
            continue
        ends = (period.start, period.end)
        counted = sensor.quantity == "volume"
        drained = (
            register_volume(part, *ends, size_known=sensor.rolls_over_at is not None)
            if counted
            else integrate(part, *ends, longest_gap_s=LONGEST_GAP_S)
        )
        value = drained.litres / sum(volumes)
        share = limit_of(sensor, 1.0) or USUAL_SHARE
        half = COVERAGE_FACTOR * value * float(np.hypot(rectangular(share), rectangular(USUAL_SHARE)))
        unit = ESTIMATE_UNITS["drain fraction"]
        numbers = (value, unit, max(value - half, 0.0), value + half)
        why = {"limit of error of the meters": 1.0}
        out.append(
            Estimate("drain fraction", sensor.zone, runs[-1].start, *numbers, METHOD, (name,), budget=why)
        )
    return out


def leaching_requirement(water: float, tolerated: float) -> float:
    """Return the share of the water that must leach to keep salts down.

    Parameters
    ----------
    water : float
        EC of the water that is given. [mS/cm]
    tolerated : float
        EC of the soil's saturation extract that the crop stands. [mS/cm]

    Returns
    -------
    float
        ECw / (5 ECe - ECw). [-]

    Raises
    ------
    ValueError
        If the water is too salty for any leaching to help.

    References
    ----------
    Ayers and Westcot (1985), FAO Irrigation and Drainage Paper 29 rev. 1, eq. 9 (from memory).

    Examples
    --------
    >>> round(leaching_requirement(1.1, 1.7), 4)
    0.1486
    """
    if water < 0 or 5.0 * tolerated <= 2.0 * water:
        msg = f"water of {water} mS/cm would need to leach all that is given for a crop that stands {tolerated} mS/cm"
        raise ValueError(msg)
    return water / (5.0 * tolerated - water)


def leaching_fraction(water: float, drain: float) -> float:
    """Return the leaching fraction that salts tell in the long run: EC given over EC drained.

    Examples
    --------
    >>> leaching_fraction(1.0, 5.0)
    0.2
    """
    return water / drain


def band_with_memory(values: ArrayLike, *, low: float, high: float, margin: float) -> list[Side]:
    """Return on which side of a band each value counts, with hysteresis.

    Parameters
    ----------
    values : array_like
        EC of the drain, by time. [mS/cm]
    low, high : float
        The band. [mS/cm]
    margin : float
        How far inside the band a value must come before it counts as in again. [mS/cm]

    Returns
    -------
    list of {"low", "in", "high"}
        One a value.

    Examples
    --------
    >>> band_with_memory([2.0, 3.1, 2.95, 2.7], low=1.0, high=3.0, margin=0.2)
    ['in', 'high', 'high', 'in']
    """
    side: Side = "in"
    out: list[Side] = []
    for value in np.asarray(values, dtype=float):
        if value > high or (side == "high" and value > high - margin):
            side = "high"
        elif value < low or (side == "low" and value < low + margin):
            side = "low"
        else:
            side = "in"
        out.append(side)
    return out
