"""Slugs of tracer: what flow, or what dose, a pulse of salt tells when EC is integrated over its passage."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Array = NDArray[np.float64]
    Mask = NDArray[np.bool_]

WINDOW = 15
"""Readings in the running median that outliers are told from. [-] More than twice the longest run of false
readings that is to be found, seven."""

LOCAL_RANGE = 0.6
"""Distance from the running median that makes a reading false, as a share of what the median itself covers
within the window. [-] Computed: seven false readings on a flank move its running median by 0.25 of that."""

OUTLIER_NOISES = 10.0
"""The same in standard deviations of the noise, whichever is larger. [-] No source."""

LEAST_STEPS = 4.0
"""The same in steps of the readings' resolution. [-] No source."""

ENDS = 0.1
"""First and last part of the record that stands for the background. [-] No source; the slug must not reach
into it."""

CLOSED = 0.05
"""Largest part of the peak that may still be left at the end of the record. [-] Common threshold of
clear-out; beyond it tracer is missing from the integral."""


class SlugError(ValueError):
    """Raised when a record does not hold a whole slug; the text says what is missing."""


@dataclass(frozen=True, slots=True)
class Slug:
    """What the passage of a slug says.

    Attributes
    ----------
    flow : float
        Flow that carried it. [L/h]
    integral : float
        Concentration over background, integrated over time. [mg s/L]
    background : tuple of float
        EC before and after. [as the readings]
    flagged : ndarray of bool
        Readings left out as false; True means flagged.
    centroid_s, rise_s, clear_s : float
        Mean time of the tracer, and when the excess first rises above and last falls below
        `CLOSED` of its peak. [s, on the record's clock]
    flow_u : float
        Relative standard uncertainty of the flow from background and noise alone. [-]
    """

    flow: float
    integral: float
    background: tuple[float, float]
    flagged: Mask
    centroid_s: float
    rise_s: float
    clear_s: float
    flow_u: float


def outliers(values: ArrayLike) -> Mask:
    """Flag readings that leave a slug's smooth curve and come back: false values, spikes, zeros.

    Parameters
    ----------
    values : array_like
        Readings at an even interval; shape (n,). [any]

    Returns
    -------
    ndarray of bool
        True means flagged; same shape. Runs of up to seven false readings are found.

    References
    ----------
    Hampel, F.R. (1974), J. Am. Stat. Assoc. 69:383-393: distance from a running median.

    Examples
    --------
    >>> curve = np.exp(-0.5 * ((np.arange(400.0) - 150.0) / 40.0) ** 2) * 100.0
    >>> curve[120:123] = 0.0
    >>> np.flatnonzero(outliers(curve)).tolist()
    [120, 121, 122]
    """
    readings = np.asarray(values, float)
    flagged = np.zeros(readings.size, bool)
    for _ in range(PASSES):
        clean = readings.copy()
        if flagged.any() and not flagged.all():
            places = np.arange(readings.size)
            clean[flagged] = np.interp(places[flagged], places[~flagged], readings[~flagged])
        found = _apart(readings, pd.Series(clean))
        if np.array_equal(found, flagged):
            break
        flagged = found
    return flagged


def _apart(readings: Array, clean: pd.Series) -> Mask:
    """Flag readings that lie apart from the running median of a curve that is clean as far as is known."""
    middle = clean.rolling(WINDOW, center=True, min_periods=1).median()
    around = middle.rolling(WINDOW, center=True, min_periods=1)
    covered = (around.max() - around.min()).to_numpy(float)
    steps = np.abs(np.diff(readings))
    noise = float(np.median(steps)) * MAD_TO_SD / np.sqrt(2.0)
    resolution = float(np.min(steps[steps > 0], initial=np.inf))
    least = max(OUTLIER_NOISES * noise, LEAST_STEPS * resolution if np.isfinite(resolution) else 0.0)
    return np.asarray(np.abs(readings - middle.to_numpy(float)) > np.maximum(LOCAL_RANGE * covered, least))


PASSES = 4
"""Times that the running median is made anew without what was flagged. [-] Two settle it in all cases tried."""

MAD_TO_SD = 1.4826
"""Standard deviation over median absolute deviation of a normal law. [-] Computed."""


def calibration_slope(
    added_ml: ArrayLike, ec: ArrayLike, *, strength_mg_l: float, volume_ml: float
) -> tuple[float, float]:
    """Return how much tracer raises EC by one, from additions of a standard solution to the water itself.

    Parameters
    ----------
    added_ml : array_like
        Standard solution added so far; shape (n,). [mL]
    ec : array_like
        EC after each addition. [any]
    strength_mg_l : float
        Strength of the standard solution. [mg/L]
    volume_ml : float
        Volume of water that it was added to. [mL]

    Returns
    -------
    slope, slope_u : float
        Least-squares slope of concentration on EC and its standard uncertainty. [mg/L per unit of EC]

    References
    ----------
    Moore, R.D. (2005). Slug injection using salt in solution. Streamline Watershed Management Bulletin 8(2):1-6
    (from memory).

    Examples
    --------
    >>> slope, _ = calibration_slope([0, 1, 2], [300.0, 340.0, 380.0], strength_mg_l=10000, volume_ml=500)
    >>> round(slope, 3)
    0.498
    """
    added = np.asarray(added_ml, float)
    concentration = strength_mg_l * added / (volume_ml + added)
    x = np.asarray(ec, float) - float(np.mean(np.asarray(ec, float)))
    slope = float(x @ concentration / (x @ x))
    rest = concentration - concentration.mean() - slope * x
    freedom = max(x.size - 2, 1)
    return slope, float(np.sqrt(rest @ rest / freedom / (x @ x)))


def slug(
    seconds: ArrayLike,
    ec: ArrayLike,
    *,
    mass_mg: float,
    slope: float,
    background: tuple[float, float] | None = None,
    window: tuple[float, float] | None = None,
) -> Slug:
    """Return the flow that carried a slug of known mass.

    Parameters
    ----------
    seconds, ec : array_like
        Times, ascending, and readings; shape (n,). [s], [any]
    mass_mg : float
        Mass of tracer. [mg]
    slope : float
        Tracer concentration for each unit of EC, see `calibration_slope`. [mg/L per unit of EC]
    background : tuple of float, optional
        EC at the start and at the end of the window; taken from the record's ends where left out.
    window : tuple of float, optional
        From and to; the whole record where left out. [s]

    Returns
    -------
    Slug
        False readings are left out and bridged by straight lines.

    Raises
    ------
    SlugError
        If there is no slug, or the record ends before it has passed.

    References
    ----------
    Mass balance Q = M / integral of C dt; ISO 9555 and Moore (2005), as above (from memory).

    Examples
    --------
    >>> t = np.arange(0.0, 600.0)
    >>> pulse = 300.0 + 100.0 * np.exp(-0.5 * ((t - 300.0) / 40.0) ** 2)
    >>> round(slug(t, pulse, mass_mg=1e8, slope=0.5).flow / 3.6e6, 2)
    19.95
    """
    t, values = np.asarray(seconds, float), np.asarray(ec, float)
    flagged = outliers(values)
    clean = np.interp(t, t[~flagged], values[~flagged])
    ends = _ends(clean) if background is None else background
    inside = np.ones(t.size, bool) if window is None else (t >= window[0]) & (t <= window[1])
    x, excess = t[inside], clean[inside] - np.interp(t[inside], [t[inside][0], t[inside][-1]], ends)
    peak = float(np.max(excess))
    above = np.flatnonzero(excess > CLOSED * peak)
    scatter = float(np.std(np.diff(clean[: max(int(ENDS * t.size), 3)]))) / np.sqrt(2.0)
    if not peak > OUTLIER_NOISES * max(scatter, 1e-12) or above[0] == 0:
        msg = "there is no slug in the record, or it begins before the record does"
        raise SlugError(msg)
    if above[-1] == excess.size - 1:
        msg = (
            f"the record ends before the slug has passed: more than {100 * CLOSED:.0f} % of the peak is left"
        )
        raise SlugError(msg)
    integral = slope * float(np.trapezoid(excess, x))
    level_u = scatter / np.sqrt(max(int(ENDS * t.size), 1))
    return Slug(
        flow=mass_mg / integral * 3600.0,
        integral=integral,
        background=ends,
        flagged=flagged,
        centroid_s=float(np.trapezoid(excess * x, x) / np.trapezoid(excess, x)),
        rise_s=float(x[above[0]]),
        clear_s=float(x[above[-1] + 1]),
        flow_u=float(slope * level_u * (x[-1] - x[0]) / integral),
    )


def _ends(values: Array) -> tuple[float, float]:
    """Return the background at both ends of a record."""
    width = max(int(ENDS * values.size), 3)
    return float(np.mean(values[:width])), float(np.mean(values[-width:]))


def recovered_mass(integral: float, flow: float) -> float:
    """Return the dose that passed a point. [mg]

    Parameters
    ----------
    integral : float
        Concentration over background, integrated over time. [mg s/L]
    flow : float
        Flow. [L/h]

    Returns
    -------
    float
        Mass of tracer. [mg]

    Examples
    --------
    >>> recovered_mass(36.0, 100.0)
    1.0
    """
    return integral * flow / 3600.0
