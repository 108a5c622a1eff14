"""Tables of the installation file for what a laboratory found in the water."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Annotated, Any, Literal, Self

from pydantic import Field, ModelWrapValidatorHandler, PrivateAttr, field_validator, model_validator

from ingest.installation_found import Count, Major, Solids, Trace
from ingest.installation_types import Conductivity, Table


class WaterAnalysis(Table):
    """What a laboratory found in one sample of the water before any stock; "<0.02 mg/L" may stand for too little."""

    sampled: date
    """Day on which the sample was taken."""
    ph: Annotated[float, Field(ge=0.0, le=14.0)] | None = Field(default=None, alias="pH")
    """Acidity, a number without a unit; best measured at once on the spot."""
    suspended_solids: Solids | None = None
    """Suspended solids."""
    dissolved_solids: Solids | None = None
    """Dissolved solids; reckoned from the EC where only that is given."""
    conductivity: Conductivity | None = None
    """EC at 25 °C."""
    iron: Trace | None = None
    """Iron in all its forms."""
    manganese: Trace | None = None
    """Manganese."""
    hydrogen_sulfide: Trace | None = None
    """Hydrogen sulfide."""
    hardness: Major | None = None
    """Hardness as calcium carbonate; reckoned from calcium and magnesium where both are given."""
    calcium: Major | None = None
    """Calcium, as the element."""
    magnesium: Major | None = None
    """Magnesium, as the element."""
    bicarbonate: Major | None = None
    """Bicarbonate, as HCO3; alkalinity as CaCO3 times 1.22."""
    sulfate: Major | None = None
    """Sulfate, as SO4."""
    bacteria: Count | None = None
    """Living bacteria."""
    _less: frozenset[str] = PrivateAttr(frozenset())

    @property
    def less(self) -> frozenset[str]:
        """Names of the values that stand for less than the laboratory could tell."""
        return self._less

    @model_validator(mode="wrap")
    @classmethod
    def _as_written(cls, raw: Any, made: ModelWrapValidatorHandler[Self]) -> Self:
        analysis = made(raw)
        if isinstance(raw, Mapping):
            written = {name: raw.get(field.alias or name) for name, field in cls.model_fields.items()}
            analysis._less = frozenset(  # noqa: SLF001 - its own
                name
                for name, text in written.items()
                if isinstance(text, str) and text.strip().startswith("<")
            )
        return analysis

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        if all(getattr(self, name) is None for name in type(self).model_fields if name != "sampled"):
            msg = 'expected one value or more beside the day, like pH = 7.4 or iron = "0.05 mg/L"'
            raise ValueError(msg)
        return self


class Water(Table):
    """The supply's water as laboratories found it."""

    classes: Literal["Bucks", "Pitts"] = "Bucks"
    """Which published classes of clogging hazard count where the two differ: Bucks (1979) or Pitts (1990)."""
    analysis: tuple[WaterAnalysis, ...] = ()
    """The analyses; of each item the newest value stands."""

    @field_validator("analysis", mode="after")
    @classmethod
    def _days_differ(cls, rows: tuple[WaterAnalysis, ...]) -> tuple[WaterAnalysis, ...]:
        days = [row.sampled for row in rows]
        for day in days:
            if days.count(day) > 1:
                msg = f"two analyses were sampled on {day}; expected one table a day, with all its values"
                raise ValueError(msg)
        return rows
