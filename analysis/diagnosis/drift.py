"""How far the relations of a healthy zone wander: noise from day to day, drift since the baseline."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analysis.diagnosis.network import Network
    from analysis.diagnosis.relations import Relation

    Array = NDArray[np.float64]

YEAR = 365.0
"""Days in a year. [d]"""

METER_NOISE, METER_WALK = 0.004, 0.004
"""Day-to-day scatter of a flow meter, and the walk of a sound one's gain in a year. [-] Scatter: limits of
good meters are 0.3 to 0.7 % (prototype); walk: no source."""

ZERO_NOISE, ZERO_WALK, ZERO_THERMAL = 0.1, 0.25, 0.008
"""Day-to-day scatter of a pressure sensor [share of its limit of error], walk of its zero in a year
[share], and its slope with temperature [share/K]. Makers state 0.1 to 0.5 % of span a year; a limit of
0.5 % of span gives 0.17 %."""

USUAL_LIMIT = 3.0
"""Limit of error of a pressure sensor that states none. [kPa] 0.5 % of 600 kPa."""

REST_NOISE, REST_WALK = 0.3, 0.3
"""Scatter and wander of the pressure that a drained or standing line truly has. [kPa] No source."""

VISCOSITY = 0.024
"""Fall of the kinematic viscosity of water near 20 °C. [1/K] Computed from Kestin et al. (1978)."""

PATH_SHARE = 0.5
"""Share of an exponent's distance from one half that is taken as the path's own. [-] A judgement, no source."""

EXPONENT_ERROR = {"flow": 0.03, "loss": 0.15}
"""How far the exponents of the normalisation may be off. [-] No source."""

SWING = 6.0
"""Half the yearly swing of the water's temperature where nobody measures it. [K] No source: piped water
3 to 8 K."""

OWN_NOISE = {
    "flow": 0.001,
    "loss": 0.01,
    "regulated": 0.004,
    "meters": 0.001,
    "sensors": 0.001,
    "rest": REST_NOISE,
}
"""Day-to-day scatter of a relation beside its sensors'. [as the relation] No source; data replace it."""

OWN_WALK = {
    "flow": 0.001,
    "loss": 0.04,
    "regulated": 0.006,
    "meters": 0.001,
    "sensors": 0.001,
    "rest": REST_WALK,
}
"""Wander of a relation in a year beside its sensors'. [as the relation] No source: prototypes needed 3 %
for the loss of a main, for viscosity and for where a leak sits."""  # fmt: skip

UNREGULATED_WALK = 0.10
"""Wander of the supply's pressure in a year. [-] No source."""


@dataclass(frozen=True, slots=True)
class Wander:
    """What a healthy zone may do.

    Attributes
    ----------
    slopes : ndarray
        Relations by channels. [as the relations]
    noise : ndarray
        Day-to-day variance of each channel.
    folded : ndarray
        Relations by sensors: running and at rest a sensor's error walks alike.
    walk : ndarray
        Variance of each sensor's error after a year.
    thermal : ndarray
        Standard deviation of each sensor's slope with temperature. [1/K]
    own_noise, own_walk : ndarray
        The same of each relation beside its channels.
    beta, beta_sd : ndarray
        What is thought of each relation's own temperature coefficient beforehand. [1/K]
    exponent_error : ndarray
        Error of the normalising exponent. [-]
    """

    slopes: Array
    noise: Array
    folded: Array
    walk: Array
    thermal: Array
    own_noise: Array
    own_walk: Array
    beta: Array
    beta_sd: Array
    exponent_error: Array

    def scatter(self) -> Array:
        """Return the day-to-day covariance of the relations."""
        return np.asarray((self.slopes * self.noise) @ self.slopes.T + np.diag(self.own_noise))

    def drift(self, days: float, warmer: float, swing: float) -> Array:
        """Return the covariance of what drifts between baseline and now.

        Parameters
        ----------
        days : float
            Time between them. [d]
        warmer : float
            How much warmer the water is. [K]
        swing : float
            How much warmer it may be, where nobody measures it. [K]
        """
        years = max(days, 0.0) / YEAR
        kelvin = warmer**2 + swing**2
        channels = self.walk * years + self.thermal**2 * kelvin
        return np.asarray((self.folded * channels) @ self.folded.T + np.diag(self.own_walk * years))


def wander(network: Network, found: Sequence[Relation]) -> Wander:
    """Return what is thought of a zone's noise and drift before its readings are looked at.

    Parameters
    ----------
    network : Network
        The zone.
    found : sequence of Relation
        Its relations.

    Returns
    -------
    Wander
        Noise, walk and temperature terms.
    """
    channels = sorted({c for relation in found for c in relation.slope})
    slopes = np.array([[relation.slope.get(c, 0.0) for c in channels] for relation in found])
    limits = {node.sensor: node.limit or USUAL_LIMIT for node in network.nodes}
    owners = [c.removeprefix("rest:") for c in channels]
    names = sorted(set(owners))
    fold = np.array([[float(owner == n) for n in names] for owner in owners])
    noise = np.array([_square(METER_NOISE, ZERO_NOISE, limits.get(owner)) for owner in owners])
    walk = np.array([_square(METER_WALK, ZERO_WALK, limits.get(n)) for n in names])
    thermal = np.array([0.0 if n not in limits else ZERO_THERMAL * limits[n] for n in names])
    betas = [_coefficient(network, relation) for relation in found]
    return Wander(
        slopes,
        noise,
        slopes @ fold,
        walk,
        thermal,
        np.array([OWN_NOISE[r.kind] ** 2 for r in found]),
        np.array([_own_walk(network, r) ** 2 for r in found]),
        np.array([mean for mean, _ in betas]),
        np.array([sd for _, sd in betas]),
        np.array([EXPONENT_ERROR.get(r.kind, 0.0) for r in found]),
    )


def _square(meter: float, share: float, limit: float | None) -> float:
    return meter**2 if limit is None else (share * limit) ** 2


def _own_walk(network: Network, relation: Relation) -> float:
    if relation.kind == "regulated" and not network.regulated_from:
        return UNREGULATED_WALK
    if relation.kind == "flow" and len(relation.sensors) == 1:
        pressure = OWN_WALK["regulated"] if network.regulated_from else UNREGULATED_WALK
        return OWN_WALK["flow"] + network.exponent * pressure
    return OWN_WALK[relation.kind]


def _coefficient(network: Network, relation: Relation) -> tuple[float, float]:
    """Return mean and standard deviation of a relation's temperature coefficient. [1/K]

    A rigid path gives flow in inverse proportion to viscosity to the power 2x - 1 (first principles), a turbulent
    one hardly any, with either sign. A stated exponent also holds what bends, and its rounding: half of it is
    taken as the path's, give or take as much. Friction in smooth pipe goes with the
    fourth root of viscosity (Blasius): warm water loses less on its way to a sensor behind pipes, whose losses are
    often guessed.
    """
    if relation.kind == "flow":
        mean = PATH_SHARE * VISCOSITY * max(2.0 * network.exponent - 1.0, 0.0)
        return mean, 0.0005 + 0.5 * mean
    if relation.kind == "loss":
        pipe = "main" in relation.elements or "laterals" in relation.elements
        return (-0.25 * VISCOSITY, 0.002) if pipe else (0.0, 0.002)
    if relation.kind == "regulated":
        eased = 0.25 * VISCOSITY * _pipes_before(network, relation)
        return eased, 0.0003 + eased
    return 0.0, 0.0


def _pipes_before(network: Network, relation: Relation) -> float:
    """Return the loss of the pipes between a regulator and a sensor behind it, as a share of what the sensor shows."""
    node = next(n for n in network.nodes if n.sensor == relation.sensors[0])
    passed = network.elements[network.regulated_from : node.place]
    lost = sum(network.losses.get(e, 0.0) for e in passed if e in ("main", "laterals"))
    return lost * relation.slope[node.sensor]
