"""What an emitter gives at a pressure: the power law, its exponent, and emitters that regulate themselves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

COMPENSATING = 0.2
"""Exponent below which an emitter counts as pressure-compensating. [-] Common practice, no source:
long-path and orifice emitters have 0.4 to 1, compensating ones 0 to 0.1."""

REGULATION_STARTS = 30.0
"""Pressure below which a compensating emitter no longer regulates and is taken as an orifice. [kPa]
Common practice, no source: makers state 30 to 100 kPa as the lower end of regulation."""

ORIFICE = 0.5
"""Exponent of an orifice: Torricelli's law. [-]"""

NORMAL_LOW_QUARTER = 1.27
"""Mean distance of the lowest quarter of a normal population from its mean. [standard deviations]
Computed: density of the normal law at its lower quartile divided by 0.25 is 1.2711; the published
formula rounds it."""


@dataclass(frozen=True, slots=True)
class Emitter:
    """One kind of emitter.

    Attributes
    ----------
    flow : float
        Rated flow. [L/h]
    at : float
        Pressure of the rated flow. [kPa]
    exponent : float
        Exponent x of the power law. [-]
    share : float
        Share of this kind among the emitters. [-]
    """

    flow: float
    at: float = 100.0
    exponent: float = 0.5
    share: float = 1.0


def emitter_flow(
    pressure: ArrayLike, *, flow: float, at: float = 100.0, exponent: float = 0.5
) -> NDArray[np.float64]:
    """Return what an emitter gives at a pressure. [L/h]

    Parameters
    ----------
    pressure : array_like
        Pressure at the emitter; nothing flows at or below zero. [kPa]
    flow, at : float
        Rated flow and the pressure at which it is rated. [L/h], [kPa]
    exponent : float
        0 for an ideal compensating emitter, 0.5 for a fully turbulent one, 1 for a laminar one. [-]

    Returns
    -------
    ndarray
        Flow, same shape. [L/h]

    Notes
    -----
    q = flow (p / at)^x. An emitter with x below `COMPENSATING` regulates only above
    `REGULATION_STARTS`; below it, it is taken as an orifice that meets the law at that pressure.

    References
    ----------
    Savva, A.P., Frenken, K. (2002). FAO Irrigation Manual, Module 9, example 8 (second-hand copy).

    Examples
    --------
    >>> float(emitter_flow(400.0, flow=2.0, at=100.0, exponent=0.5))
    4.0
    """
    p = np.maximum(np.asarray(pressure, float), 0.0)
    if exponent >= COMPENSATING:
        return np.asarray(flow * (p / at) ** exponent)
    start = min(REGULATION_STARTS, at)
    regulated = flow * (np.maximum(p, start) / at) ** exponent
    return np.asarray(regulated * np.minimum(p / start, 1.0) ** ORIFICE)


def mixed_flow(pressure: ArrayLike, emitters: Sequence[Emitter]) -> NDArray[np.float64]:
    """Return the mean flow of an even mixture of emitters at a pressure. [L/h]

    Parameters
    ----------
    pressure : array_like
        Pressure at the emitters. [kPa]
    emitters : sequence of Emitter
        The kinds, with their shares.

    Returns
    -------
    ndarray
        Mean flow of one emitter, same shape. [L/h]

    Examples
    --------
    >>> pair = (Emitter(2.0, share=0.5), Emitter(4.0, share=0.5))
    >>> float(mixed_flow(100.0, pair))
    3.0
    """
    return np.asarray(
        sum(e.share * emitter_flow(pressure, flow=e.flow, at=e.at, exponent=e.exponent) for e in emitters)
    )


def pressure_for(wanted: float, *, flow: float, at: float, exponent: float) -> float:
    """Return the pressure at which an emitter gives a wanted flow, any unit of pressure as of `at`.

    Parameters
    ----------
    wanted, flow : float
        Wanted and rated flow, in one unit. [L/h]
    at : float
        Pressure of the rated flow. [any]
    exponent : float
        Exponent, above zero. [-]

    Returns
    -------
    float
        The pressure. [as `at`]

    Raises
    ------
    ValueError
        If the exponent is not above zero: then no pressure changes the flow.

    References
    ----------
    Savva, A.P., Frenken, K. (2002). FAO Irrigation Manual, Module 9, example 8 (second-hand copy).

    Examples
    --------
    >>> round(pressure_for(4.32, flow=4.0, at=10.0, exponent=0.42), 3)
    12.011
    """
    if exponent <= 0:
        msg = f"exponent {exponent} must be above zero: no pressure changes the flow of an ideal regulator"
        raise ValueError(msg)
    return float(at * (wanted / flow) ** (1.0 / exponent))


def exponent_between(flow: float, pressure: float, other_flow: float, other_pressure: float) -> float:
    """Return the exponent from two points of a pressure-flow curve. [-]

    Parameters
    ----------
    flow, other_flow : float
        The two flows, in one unit. [L/h]
    pressure, other_pressure : float
        Their pressures, in one unit. [kPa]

    Returns
    -------
    float
        x = ln(q1/q2) / ln(p1/p2). [-]

    Raises
    ------
    ValueError
        If the pressures are equal or a value is not above zero.

    Examples
    --------
    >>> round(exponent_between(4.32, 12.011, 4.0, 10.0), 2)
    0.42
    """
    if min(flow, pressure, other_flow, other_pressure) <= 0 or pressure == other_pressure:
        msg = f"two different pressures above zero are needed, not {pressure} and {other_pressure}"
        raise ValueError(msg)
    return float(np.log(flow / other_flow) / np.log(pressure / other_pressure))


def at_reference_pressure(
    flow: ArrayLike, pressure: ArrayLike, *, reference: float, exponent: float
) -> NDArray[np.float64]:
    """Return flow as it would be at a reference pressure. [L/h]

    Parameters
    ----------
    flow, pressure : array_like
        Measured flow and the pressure at which it was measured. [L/h], [kPa]
    reference : float
        The pressure that all are brought to. [kPa]
    exponent : float
        Exponent of the emitters. [-]

    Returns
    -------
    ndarray
        q (reference / p)^x. [L/h]

    Examples
    --------
    >>> float(at_reference_pressure(4.0, 400.0, reference=100.0, exponent=0.5))
    2.0
    """
    return np.asarray(np.asarray(flow, float) * (reference / np.asarray(pressure, float)) ** exponent)


def design_emission_uniformity(variation: float, per_plant: float, lowest: float, mean: float) -> float:
    """Return the emission uniformity that a design promises. [%]

    Parameters
    ----------
    variation : float
        The maker's coefficient of variation Cv. [-]
    per_plant : float
        Emitters that feed one plant. [-]
    lowest, mean : float
        Lowest and mean computed emitter flow, in one unit. [L/h]

    Returns
    -------
    float
        100 (1 - 1.27 Cv / sqrt(n)) q_min / q_mean. [%]

    References
    ----------
    Keller, J., Karmeli, D. (1974). Trickle irrigation design parameters. Trans. ASAE 17(4):678-684
    (from memory).

    Notes
    -----
    For design, not for judging a field: a field is judged by catch tests.

    Examples
    --------
    >>> round(design_emission_uniformity(0.05, 1, 0.95, 1.0), 2)
    88.97
    """
    spread = NORMAL_LOW_QUARTER * variation / np.sqrt(per_plant)
    return float(100.0 * (1.0 - spread) * lowest / mean)
