"""Clogging hazard of a water from its analysis, by published classes."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Mapping

Variant = Literal["Bucks", "Pitts"]
Class = Literal["slight", "moderate", "severe"]
Ends = tuple[float, float]

LIMITS: Mapping[str, Ends] = MappingProxyType(
    {
        "suspended solids": (50.0, 100.0),
        "dissolved solids": (500.0, 2000.0),
        "iron": (0.1, 1.5),
        "manganese": (0.1, 1.5),
        "calcium": (40.0, 80.0),
        "hardness": (40.0, 80.0),
        "bacteria": (10_000.0, 50_000.0),
    }
)
"""Factor to the ends of "slight" and of "moderate". [mg/L; hardness as CaCO3; bacteria in 1/mL]
After Bucks, Nakayama and Gilbert (1979), Agric. Water Manage. 2:149-162; calcium and hardness: UF/IFAS (Pitts, 1990)
alone. That page has the severe limits of both solids exchanged: the right ones stand here."""

OF_PITTS = frozenset({"calcium", "hardness"})
"""Factors that only one of the published tables has. It prints the same limits for both, though 80 mg/L of calcium
alone are 200 mg/L as CaCO3: so hardness is judged only where calcium is not known (`analysis.water_report`)."""

DISPUTED: Mapping[Variant, Mapping[str, Ends]] = MappingProxyType(
    {
        "Bucks": {"pH": (7.0, 8.0), "hydrogen sulfide": (0.5, 2.0)},
        "Pitts": {"pH": (7.0, 7.5), "hydrogen sulfide": (0.2, 2.0)},
    }
)
"""The two factors in which the published variants differ. Bucks et al. (1979), from memory; Pitts (1990), seen."""

SOURCES: Mapping[Variant, str] = MappingProxyType(
    {
        "Bucks": "Bucks, Nakayama & Gilbert (1979), Agric. Water Manage. 2:149",
        "Pitts": "UF/IFAS (Pitts, 1990)",
    }
)
"""Where each variant was published."""

YEARS: Mapping[Variant, int] = MappingProxyType({"Bucks": 1979, "Pitts": 1990})
"""When."""

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
    moderate : tuple of float
        The ends of "moderate". [as `value`]
    variant : {"Bucks", "Pitts"}
        By which of the published tables.
    other : {"slight", "moderate", "severe"} or None
        Its class by the other variant, where that is another one.
    """

    factor: str
    value: float
    verdict: Class
    moderate: Ends
    variant: Variant
    other: Class | None = None

    @property
    def source(self) -> str:
        """Where this class was published."""
        return SOURCES[self.variant]

    @property
    def tables(self) -> tuple[str, str]:
        """The table that counts and the other one, each by author and year."""
        names = [
            f"{name} {YEARS[name]}" for name in (self.variant, *(v for v in SOURCES if v != self.variant))
        ]
        return names[0], names[1]


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
        One a factor. A value at either end of "moderate" is moderate.

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
    >>> clogging_hazard({"pH": 7.6})[0].verdict, clogging_hazard({"pH": 7.6})[0].other
    ('moderate', 'severe')
    """
    found = [_hazard(factor, value, variant) for factor, value in analysis.items()]
    return tuple(sorted(found, key=lambda h: -ORDER.index(h.verdict)))


def class_number(factor: str, value: float, *, variant: Variant = "Bucks") -> int:
    """Return the place of one factor's class in `ORDER`, for tables of numbers.

    Examples
    --------
    >>> class_number("iron", 0.05)
    0
    """
    return ORDER.index(_hazard(factor, value, variant).verdict)


def _hazard(factor: str, value: float, variant: Variant) -> Hazard:
    """Return the hazard of one factor."""
    limits = {**LIMITS, **DISPUTED[variant]}
    if factor not in limits:
        msg = (
            f"{factor!r} is not a factor of the published table; expected one of {', '.join(sorted(limits))}"
        )
        raise ValueError(msg)
    if value < 0:
        msg = f"{factor} must not be negative, got {value}"
        raise ValueError(msg)
    verdict = _class(value, limits[factor])
    others = [
        _class(value, table[factor])
        for name, table in DISPUTED.items()
        if name != variant and factor in table
    ]
    other = next((one for one in others if one != verdict), None)
    return Hazard(factor, value, verdict, limits[factor], "Pitts" if factor in OF_PITTS else variant, other)


def _class(value: float, moderate: Ends) -> Class:
    """Return the class of a value, given the ends of "moderate"."""
    low, high = moderate
    return "slight" if value < low else "moderate" if value <= high else "severe"
