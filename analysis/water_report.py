"""What laboratories found in the water, item by item: the newest value, its published class, and what to do."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from analysis.water_quality import ORDER, Hazard, clogging_hazard

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

    from ingest.installation import Water

SOLIDS_OF_EC = 640.0
"""Dissolved solids for the EC of a water below 5 mS/cm. [mg/L per mS/cm] USDA Agriculture Handbook 60 (1954), from
memory; waters differ by a fifth."""

HARDNESS_OF_CALCIUM, HARDNESS_OF_MAGNESIUM = 2.497, 4.118
"""Hardness as CaCO3 of calcium and of magnesium. [-] Computed from the molar masses; Standard Methods 2340 B prints
the same."""

FACTORS: Mapping[str, str] = MappingProxyType(
    {
        "ph": "pH",
        "suspended_solids": "suspended solids",
        "dissolved_solids": "dissolved solids",
        "iron": "iron",
        "manganese": "manganese",
        "hydrogen_sulfide": "hydrogen sulfide",
        "calcium": "calcium",
        "hardness": "hardness",
        "bacteria": "bacteria",
    }
)
"""Key of an analysis to the factor of the published classes."""

LICENSED = "acid or chlorine only as the label, the safety data sheet, local codes and licensed practice say, never both together"
"""What stands beside every treatment that can hurt somebody."""

TO_DO: Mapping[str, str] = MappingProxyType(
    {
        "suspended solids": "filter finer than the emitters' paths, let surface water settle first, and flush the laterals often",
        "dissolved solids": "flush the laterals, do not let them dry out full, and judge what the crop stands",
        "pH": f"lime and iron fall out sooner: have the water judged for treatment; {LICENSED}",
        "iron": f"let it take up air and settle, or filter it out, before the injection; {LICENSED}",
        "manganese": f"as iron, and slower: settle and filter it before the injection; {LICENSED}",
        "hydrogen sulfide": f"slime lives on it: air the water before the filter, and flush; {LICENSED}",
        "calcium": f"watch for lime at the emitters, inject calcium apart from sulfate and phosphate; {LICENSED}",
        "hardness": f"watch for lime at the emitters, inject calcium apart from sulfate and phosphate; {LICENSED}",
        "bacteria": f"keep light out of tanks, filter and flush; where slime forms, have it treated; {LICENSED}",
    }
)
"""Factor to what to do first; common practice of the irrigation bulletins, in general words."""


@dataclass(frozen=True, slots=True)
class Found:
    """One value of an analysis.

    Attributes
    ----------
    value : float
        [mg/L], [-] for pH, [mS/cm] for EC, [1/mL] for bacteria
    sampled : datetime.date
        When the sample was taken.
    how : str
        How it was reckoned, where it was not measured; else empty.
    less : bool
        True where the laboratory could only tell that it is less; the value is then the worst that it can be.
    """

    value: float
    sampled: date
    how: str = ""
    less: bool = False

    @property
    def origin(self) -> str:
        """Where the value comes from, in words."""
        return "less than the laboratory could tell" if self.less else self.how or "measured"


@dataclass(frozen=True, slots=True)
class Item:
    """One item of the report.

    Attributes
    ----------
    hazard : Hazard
        Its value and its class.
    found : Found
        Where the value comes from.
    """

    hazard: Hazard
    found: Found

    @property
    def unit(self) -> str:
        """Unit of the value; empty for pH."""
        return {"pH": "", "bacteria": "CFU/mL"}.get(self.hazard.factor, "mg/L")

    @property
    def to_do(self) -> str:
        """What to do; nothing where the hazard is slight."""
        return "" if self.hazard.verdict == "slight" else TO_DO[self.hazard.factor]


def newest(water: Water) -> dict[str, Found]:
    """Return the newest value of everything that an analysis names, and what follows from it.

    Parameters
    ----------
    water : Water
        The analyses, in any order.

    Returns
    -------
    dict of str to Found
        Key of `ingest.installation.WaterAnalysis` to its value. Dissolved solids are reckoned from EC, and hardness from
        calcium and magnesium, where they were not measured.

    Examples
    --------
    >>> from ingest.installation import Water
    >>> rows = [{"sampled": "2025-03-01", "pH": 7.2, "conductivity": "0.5 mS/cm"}, {"sampled": "2026-03-01", "pH": 7.4}]
    >>> {key: found.value for key, found in newest(Water.model_validate({"analysis": rows})).items()}
    {'ph': 7.4, 'conductivity': 0.5, 'dissolved_solids': 320.0}
    """
    found: dict[str, Found] = {}
    for row in sorted(water.analysis, key=lambda row: row.sampled):
        for key in type(row).model_fields:
            value = getattr(row, key)
            if key != "sampled" and value is not None:
                found[key] = Found(value, row.sampled, less=key in row.less)
    ec, calcium, magnesium = (found.get(key) for key in ("conductivity", "calcium", "magnesium"))
    if ec is not None and "dissolved_solids" not in found:
        found["dissolved_solids"] = Found(SOLIDS_OF_EC * ec.value, ec.sampled, f"EC times {SOLIDS_OF_EC:.0f}")
    if calcium is not None and magnesium is not None and "hardness" not in found:
        total = HARDNESS_OF_CALCIUM * calcium.value + HARDNESS_OF_MAGNESIUM * magnesium.value
        found["hardness"] = Found(total, min(calcium.sampled, magnesium.sampled), "calcium and magnesium")
    return found


def report(water: Water) -> tuple[Item, ...]:
    """Return the clogging hazard of the water, item by item, the worst first.

    Parameters
    ----------
    water : Water
        The analyses, and which published classes count.

    Returns
    -------
    tuple of Item
        Empty without an analysis. Hardness is judged only where calcium is not known.

    References
    ----------
    `analysis.water_quality`.

    Examples
    --------
    >>> from ingest.installation import Water
    >>> water = Water.model_validate({"classes": "Pitts", "analysis": [{"sampled": "2026-03-01", "pH": 7.6}]})
    >>> [(item.hazard.factor, item.hazard.verdict) for item in report(water)]
    [('pH', 'severe')]
    """
    found = newest(water)
    if "calcium" in found:
        found.pop("hardness", None)
    named = {FACTORS[key]: one for key, one in found.items() if key in FACTORS}
    hazards = clogging_hazard({factor: one.value for factor, one in named.items()}, variant=water.classes)
    return tuple(Item(hazard, named[hazard.factor]) for hazard in hazards)


def limits(item: Item) -> str:
    """Return where an item's classes part, in words.

    Examples
    --------
    >>> from ingest.installation import Water
    >>> limits(report(Water.model_validate({"analysis": [{"sampled": "2026-03-01", "pH": 7.6}]}))[0])
    'moderate from 7 to 8 by Bucks 1979; severe by Pitts 1990'
    """
    low, high = item.hazard.moderate
    unit = f" {item.unit}" if item.unit else ""
    table, another = item.hazard.tables
    other = f"; {item.hazard.other} by {another}" if item.hazard.other else ""
    return f"moderate from {low:g} to {high:g}{unit} by {table}{other}"


def amount(item: Item) -> str:
    """Return an item's value with its unit, and how it was reckoned where it was not measured."""
    unit = f"\N{NO-BREAK SPACE}{item.unit}" if item.unit else ""
    how = f" (from {item.found.how})" if item.found.how else ""
    return f"{'<' if item.found.less else ''}{item.hazard.value:.4g}{unit}{how}"


def row(item: Item) -> dict[str, Any]:
    """Return an item as plain values for JSON."""
    return {
        "item": item.hazard.factor,
        "value": item.hazard.value,
        "unit": item.unit,
        "sampled": item.found.sampled.isoformat(),
        "from": item.found.origin,
        "hazard": item.hazard.verdict,
        "moderate": list(item.hazard.moderate),
        "other_table": item.hazard.other,
        "source": item.hazard.source,
        "to_do": item.to_do,
    }


def standing(items: tuple[Item, ...]) -> str:
    """Return which classes stand, in one sentence.

    Examples
    --------
    >>> from ingest.installation import Water
    >>> rows = [{"sampled": "2026-03-01", "pH": 7.6, "iron": "0.02 mg/L"}]
    >>> standing(report(Water.model_validate({"analysis": rows})))
    'clogging hazard: moderate by pH; slight by iron'
    """
    named = [
        (verdict, [i.hazard.factor for i in items if i.hazard.verdict == verdict])
        for verdict in reversed(ORDER)
    ]
    return "clogging hazard: " + "; ".join(f"{verdict} by {', '.join(by)}" for verdict, by in named if by)
