"""Clogging hazard of a water from its analysis, by published classes."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Mapping

Variant = Literal["Bucks", "Pitts"]
Class = Literal["slight", "moderate", "severe"]

LIMITS: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "suspended solids": (50.0, 100.0),
        "dissolved solids": (500.0, 2000.0),
        "iron": (0.1, 1.5),
        "manganese": (0.1, 1.5),
        "hardness": (40.0, 80.0),
        "bacteria": (10_000.0, 50_000.0),
    }
)
"""Factor to the ends of "slight" and of "moderate". [mg/L; hardness as Ca, in mg/L as published; bacteria in 1/mL]
After Bucks, Nakayama and Gilbert (1979), Agric. Water Manage. 2:149-162; hardness: UF/IFAS (Pitts, 1990), whose page
has the severe limits of both solids exchanged: the right ones stand here."""

DISPUTED: Mapping[str, Mapping[str, tuple[float, float]]] = MappingProxyType(
    {
        "Bucks": {"pH": (7.0, 8.0), "hydrogen sulfide": (0.5, 2.0)},
        "Pitts": {"pH": (7.0, 7.5), "hydrogen sulfide": (0.2, 2.0)},
    }
)
"""The two factors in which the published variants differ. Bucks et al. (1979), from memory; Pitts (1990)."""

ORDER: tuple[Class, ...] = ("slight", "moderate", "severe")


@dataclass(frozen=True, slots=True)
class Hazard:
    """Clogging hazard of one factor.

    Attributes
    ----------
    factor : str
        What was measured.
    value : float
        How much. [mg/L], [-] for pH, [1/mL] for bacteria
    verdict : {"slight", "moderate", "severe"}
        Its class.
    """

    factor: str
    value: float
    verdict: Class


def clogging_hazard(analysis: Mapping[str, float], *, variant: Variant = "Bucks") -> tuple[Hazard, ...]:
    """Return the clogging hazard of every factor of a water analysis, the worst first.

    Parameters
    ----------
    analysis : mapping of str to float
        Factor (a key of `LIMITS` or of `DISPUTED`) to its value. [mg/L], [-] for pH, [1/mL] for bacteria
    variant : {"Bucks", "Pitts"}
        Which published limits of pH and hydrogen sulfide.

    Returns
    -------
    tuple of Hazard
        One a factor. A value at a limit belongs to the milder class's neighbour: 7.0 is moderate.

    Raises
    ------
    ValueError
        If a factor is not known or a value is negative.

    References
    ----------
    Bucks, D.A., Nakayama, F.S., Gilbert, R.G. (1979). Agric. Water Manage. 2:149-162; UF/IFAS (Pitts, 1990).

    Examples
    --------
    >>> [(h.factor, h.verdict) for h in clogging_hazard({"pH": 7.6, "iron": 0.05}, variant="Pitts")]
    [('pH', 'severe'), ('iron', 'slight')]
    >>> clogging_hazard({"pH": 7.6})[0].verdict
    'moderate'
    """
    limits = {**LIMITS, **DISPUTED[variant]}
    found = []
    for factor, value in analysis.items():
        if factor not in limits:
            msg = f"{factor!r} is not a factor of the published table; expected one of {', '.join(sorted(limits))}"
            raise ValueError(msg)
        if value < 0:
            msg = f"{factor} must not be negative, got {value}"
            raise ValueError(msg)
        low, high = limits[factor]
        verdict: Class = "slight" if value < low else "moderate" if value <= high else "severe"
        found.append(Hazard(factor, value, verdict))
    return tuple(sorted(found, key=lambda h: -ORDER.index(h.verdict)))
