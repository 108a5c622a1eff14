"""The whole sheet from one description: facts by place, remarks with the worst first."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from analysis.commissioning import head, injectors, slips, stocks, times, waters, zones
from analysis.commissioning.items import Fact, Remark, worst_first
from analysis.water_report import Item, report, row

if TYPE_CHECKING:
    from ingest.installation import Installation


@dataclass(frozen=True, slots=True)
class Sheet:
    """What the description alone promises.

    Attributes
    ----------
    installation : str
        The system's name.
    day : datetime.date
        The day on which it was made.
    facts : tuple of Fact
        Computed numbers, by place.
    remarks : tuple of Remark
        What is wrong, doubtful or missing, worst first.
    water : tuple of Item
        What laboratories found in the water, with its published class, worst first.
    """

    installation: str
    day: date
    facts: tuple[Fact, ...]
    remarks: tuple[Remark, ...]
    water: tuple[Item, ...] = ()

    @property
    def stops(self) -> bool:
        """True where the water must not be turned on as described."""
        return any(remark.severity == "stop" for remark in self.remarks)

    def document(self) -> dict[str, Any]:
        """Return the sheet as plain values for JSON."""
        return {
            "installation": self.installation,
            "day": self.day.isoformat(),
            "facts": [asdict(fact) for fact in self.facts],
            "remarks": [asdict(remark) for remark in self.remarks],
            "water": [row(item) for item in self.water],
        }


def sheet(installation: Installation, today: date) -> Sheet:
    """Return the commissioning sheet of a description.

    Parameters
    ----------
    installation : Installation
        The system as described.
    today : datetime.date
        The day, for the age of the preventer's test.

    Returns
    -------
    Sheet
        Facts and remarks.

    References
    ----------
    Named in each fact and remark.

    Examples
    --------
    >>> from analysis.commissioning.example import garden
    >>> made = sheet(garden(supply__backflow_preventer="none"), date(2026, 5, 1))
    >>> made.stops, made.remarks[0].kind
    (True, 'no backflow preventer')
    """
    solved = zones.worked(installation)
    facts = [
        *zones.facts(installation, solved),
        *times.facts(installation, solved),
        *injectors.facts(installation, solved),
        *stocks.facts(installation),
    ]
    remarks = [
        *head.remarks(installation, today),
        *injectors.remarks(installation, solved),
        *zones.remarks(installation, solved),
        *stocks.remarks(installation),
        *waters.remarks(installation, today),
        *times.remarks(installation, solved),
        *slips.remarks(installation),
    ]
    places = sorted({fact.place.split(".")[0] for fact in facts}, key=("zone", "injector", "stock").index)
    ordered = [fact for place in places for fact in facts if fact.place.split(".")[0] == place]
    return Sheet(
        installation.name, today, tuple(ordered), tuple(worst_first(remarks)), report(installation.water)
    )
